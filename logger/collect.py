"""Several benches' stores into one PostgreSQL database, again and again, each on its own.

A bench that can't be reached, or holds something that can't be taken, is said once and tried again in the
next round; the others go on. What has come so far is asked of the database each time (`store/collected.py`).
"""

from __future__ import annotations

import http.client
import json
import os
import re
import ssl
import stat
import threading
import urllib.error
import urllib.request
import zlib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final, Protocol
from urllib.parse import quote

from logger.benches import Benches, BenchOfMany
from logger.errors import RequestError, SoakbenchError, StoreError
from logger.store.collected import Collected
from logger.store.portion import (
    Got,
    Part,
    Record,
    Stamps,
    fetch_part,
    fetch_record,
    fetch_record_stamp,
    fetch_stamps,
    part_from,
    record_from,
    stamps_from,
)
from logger.store.reader import Reader

_MOST_AT_ONCE: Final = 8
_ANSWER_S: Final = 30.0
_LARGEST: Final = 100_000_000  # bytes of one answer: an hour of 64 channels at 100 scans/s has 60 million


class Source(Protocol):
    """Where a bench's store is taken from."""

    def stamps(self) -> Stamps:
        """Return each soak's stamp."""
        ...

    def part(self, uuid: str, got: Got) -> Part:
        """Return a soak's next portion."""
        ...

    def record_stamp(self) -> str:
        """Return what changes when the job record does."""
        ...

    def record(self) -> Record:
        """Return the whole job record."""
        ...


class StoreFile:
    """A store's file on this machine, or on a share that this machine reads."""

    def __init__(self, path: Path) -> None:
        self._reader = Reader(path)

    def stamps(self) -> Stamps:
        """Return each soak's stamp."""
        return self._reader.look(fetch_stamps)

    def part(self, uuid: str, got: Got) -> Part:
        """Return a soak's next portion."""
        return self._reader.look(lambda c: fetch_part(c, uuid, got))

    def record_stamp(self) -> str:
        """Return what changes when the job record does."""
        return self._reader.look(fetch_record_stamp)

    def record(self) -> Record:
        """Return the whole job record."""
        return self._reader.look(fetch_record)


class StoreElsewhere:
    """A store behind its bench's dashboard, which hands it over to whoever has a token."""

    def __init__(self, bench: BenchOfMany) -> None:
        assert bench.address is not None
        assert bench.token_file is not None
        self._address = f"{bench.address.rstrip('/')}/collected/1"
        self._token_file = bench.token_file
        self._certificate = bench.certificate

    def stamps(self) -> Stamps:
        """Return each soak's stamp."""
        return stamps_from(self._get("/stamps"))[0]

    def part(self, uuid: str, got: Got) -> Part:
        """Return a soak's next portion."""
        return part_from(self._get(f"/part/{quote(uuid, safe='')}?got={quote(json.dumps(asdict(got)))}"))

    def record_stamp(self) -> str:
        """Return what changes when the job record does."""
        return stamps_from(self._get("/stamps"))[1]

    def record(self) -> Record:
        """Return the whole job record."""
        return record_from(self._get("/record"))

    def _get(self, path: str) -> Any:
        request = urllib.request.Request(
            self._address + path,
            headers={"Authorization": f"Bearer {self._token()}", "Accept-Encoding": "gzip"},
        )
        try:
            # made anew each time: a certificate that was renewed counts at once
            trusts = ssl.create_default_context(cafile=self._certificate) if self._certificate else None
            with _opener(trusts).open(request, timeout=_ANSWER_S) as reply:
                body = reply.read(_LARGEST + 1)
                if reply.headers.get("Content-Encoding") == "gzip":
                    body = zlib.decompressobj(zlib.MAX_WBITS | 16).decompress(body, _LARGEST + 1)
            if len(body) > _LARGEST:
                raise RequestError(f"{self._address} sends more than {_LARGEST // 10**6} MB at once")
            return json.loads(body)
        except urllib.error.HTTPError as error:
            said = "it refuses the token" if error.code == 401 else f"it answers {error.code} {error.reason}"
            error.close()
            raise StoreError(f"{self._address} can't be collected: {said}") from None
        except (OSError, http.client.HTTPException, RecursionError, ValueError, zlib.error) as error:
            raise StoreError(
                f"{self._address} can't be collected ({getattr(error, 'reason', None) or error}): see that "
                "its dashboard runs, by that name and certificate"
            ) from error

    def _token(self) -> str:
        try:
            about = self._token_file.stat()
            if os.name == "posix" and stat.S_IMODE(about.st_mode) & 0o077:
                raise RequestError(f"others than you may read {self._token_file}: chmod 600 it")
            token = self._token_file.read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise RequestError(f"the token file {self._token_file} can't be read ({error})") from error
        if not re.fullmatch(r"[A-Za-z0-9_-]{20,200}", token):
            raise RequestError(f"{self._token_file} holds no token: put there what `tokens new` said")
        return token


class _NoWayOn(urllib.request.HTTPRedirectHandler):
    """A token goes nowhere but to the address it was given for."""

    def redirect_request(self, *_: Any) -> None:
        """Follow nothing."""
        return


def _opener(trusts: ssl.SSLContext | None) -> urllib.request.OpenerDirector:
    return urllib.request.build_opener(
        urllib.request.HTTPSHandler(context=trusts), urllib.request.ProxyHandler({}), _NoWayOn()
    )


@dataclass(frozen=True)
class Came:
    """What one bench's round brought; `wrong` is a sentence for each thing that could not be taken."""

    bench: str
    soaks: int = 0
    seconds: int = 0
    rows: int = 0
    wrong: tuple[str, ...] = ()

    def __str__(self) -> str:
        soaks = "1 soak" if self.soaks == 1 else f"{self.soaks} soaks"
        return f"{self.bench}: {soaks} with {self.seconds:,} s of scans, {self.rows:,} rows of the job record"


@dataclass
class Bench:
    """One bench's source, and what of it is known to be in the database."""

    name: str
    source: Source
    done: Stamps = field(default_factory=dict)
    record_done: str = ""

    def collect(self, into: Collected, stop: threading.Event) -> Came:
        """Bring all that is new; returns early when it is to stop."""
        wrong: list[str] = []
        soaks = seconds = rows = 0
        try:
            stamp = self.source.record_stamp()
            if stamp != self.record_done:
                rows = into.add_record(self.name, self.source.record())
                self.record_done = stamp
            changed = {
                uuid: stamp for uuid, stamp in self.source.stamps().items() if self.done.get(uuid) != stamp
            }
        except SoakbenchError as error:
            return Came(self.name, wrong=(str(error),))
        for uuid, stamp in changed.items():
            try:
                new = 0
                for new_seconds in self._soak(uuid, into, stop):
                    new += new_seconds
            except SoakbenchError as error:
                wrong.append(f"soak {uuid}: {error}")
                continue
            if stop.is_set():
                break
            self.done[uuid] = stamp
            soaks, seconds = soaks + 1, seconds + new
        return Came(self.name, soaks, seconds, rows, tuple(wrong))

    def _soak(self, uuid: str, into: Collected, stop: threading.Event) -> Iterator[int]:
        more = True
        while more and not stop.is_set():
            part = self.source.part(uuid, into.got(uuid))
            yield into.add(self.name, uuid, part)
            more = part.more


def benches_of(wanted: Benches) -> list[Bench]:
    """Return the benches that are to be collected."""
    return [
        Bench(one.name, StoreElsewhere(one) if one.store is None else StoreFile(one.store))
        for one in wanted.bench
    ]


def collect_round(
    benches: Sequence[Bench], into: Collected, stop: threading.Event, say: Callable[[Came], Any]
) -> list[Came]:
    """Collect from each bench once, several at a time; `say` is told of each as it ends, by this thread."""
    came = []
    with ThreadPoolExecutor(min(len(benches), _MOST_AT_ONCE), thread_name_prefix="collect") as pool:
        for one in pool.map(lambda bench: bench.collect(into, stop), benches):
            say(one)
            came.append(one)
    return came
