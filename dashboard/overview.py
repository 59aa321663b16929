"""What the bench overview sees: every bench's newest soak, from stores on this machine or as collected.

A bench whose store can't be read, or does not answer, says so itself and holds up no other. Nothing here
writes.
"""

from __future__ import annotations

import logging
import re
import threading
from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any, Final, Protocol
from urllib.parse import urlsplit

from dashboard import alarm
from dashboard.bench import Look, Seen
from logger.clock import Clock
from logger.errors import SoakbenchError, StoreError
from logger.finding import Severity
from logger.setup import Channel
from logger.store.now import Now, Open, read_now, told_of
from logger.store.reader import EPOCH, Reader, Soak
from logger.store.standing import (
    Standing,
    fetch_last,
    fetch_newest,
    fetch_stamps_of,
    fetch_standings,
)

_log: Final = logging.getLogger(__name__)

LEVELS: Final = ("trip", "warning", "stale", "plain")
"""What a bench looks like, the worst first."""
COLLECTED_STALE_S: Final = 300.0
"""So long without a collected scan, and a running soak is not followed any more: five rounds as a rule."""
_WAIT_S: Final = 0.5
_FIRST_WAIT_S: Final = 3.0
_SILENT_S: Final = 5.0
_MOST_AT_ONCE: Final = 8
_STATEMENTS: Final = ("pass", "conditional pass", None, "conditional fail", "fail")
"""The better first."""


@dataclass(frozen=True)
class Post:
    """One bench as it stands.

    `where`: its page, a path of ours or an address. `look`: its newest soak, None where there is none or it
    can't be read; `says` then tells why, and `lost` whether it was not reached. `open`: the findings that are
    open, the worst first, beside `more`; `advice`: what to do about the first. `age_s`: of a running soak's
    last scan; not `live`: as it was collected, `look` being of that scan's time. `calls`: what calls a
    person, as `alarm.calling` has it.
    """

    name: str
    where: str = ""
    look: Look | None = None
    open: tuple[Open, ...] = ()
    more: int = 0
    advice: str = ""
    reference: str = ""
    age_s: float | None = None
    says: str = ""
    lost: bool = False
    live: bool = True
    calls: str = ""

    @property
    def stale(self) -> bool:
        """Whether its last figures are too old to be shown as present."""
        if self.look is None or not self.look.running or self.age_s is None:
            return False
        return self.age_s > (self.look.stale_after_s if self.live else COLLECTED_STALE_S)

    @property
    def level(self) -> str:
        """Return what it looks like, one of LEVELS."""
        severities = {one.severity for one in self.open}
        cutout = ((self.look.soak.now or {}).get("cutout") or {}) if self.look and self.look.running else {}
        if "trip" in severities or cutout.get("why"):
            return "trip"
        if "warning" in severities:
            return "warning"
        return "stale" if self.lost or self.stale else "plain"


def worst_first(posts: Sequence[Post]) -> list[Post]:
    """Order benches by what they look like; of equals each keeps its place, so that nothing jumps about."""
    return sorted(posts, key=lambda one: LEVELS.index(one.level))


@dataclass(frozen=True)
class Worst:
    """The pair to look at first, in amperes; `found` is why, else how far it is from the others.

    Of an ended soak it is `settled`, and `statement` is why.
    """

    channel: Channel
    value_a: float | None
    U_a: float | None
    others_a: float | None
    limit_a: float | None
    found: Open | None = None
    settled: bool = False
    statement: str | None = None


def worst_pair(look: Look, still: Sequence[Open]) -> Worst | None:
    """Return the pair that the worst finding is about, else the one that is farthest from the others.

    `still`: the open findings, the worst first. Of an ended soak the one with the worst statement. None where
    there are no figures of pairs, or nothing tells one from the other.
    """
    setup = look.soak.setup
    if not look.running:
        return _worst_judged(look)
    told: Mapping[str, Mapping[str, Any]] = (look.soak.now or {}).get("channels") or {}
    values = [told.get(pair.name, {}).get("value") for pair in setup.pairs]
    known = sorted(value for value in values if value is not None)
    if not known:
        return None
    middle = (known[(len(known) - 1) // 2] + known[len(known) // 2]) / 2.0
    limit_a = setup.limits.match_a(middle)

    def of(pair: Channel, found: Open | None = None) -> Worst:
        now = told.get(pair.name, {})
        apart = now.get("from_others")
        return Worst(pair, now.get("value"), now.get("U"), apart, None if apart is None else limit_a, found)

    def apart(one: Worst) -> float:
        return abs(one.others_a or 0.0)

    for finding in still:
        about = [of(pair, finding) for pair in setup.pairs if pair.name in finding.channels]
        if about and len(about) < max(2, len(setup.pairs)) and finding.kind != "question":
            return max(about, key=apart)
    everyone = [of(pair) for pair in setup.pairs]
    if len(everyone) == 1:
        return everyone[0]
    apart_ones = [one for one in everyone if one.others_a is not None]
    return max(apart_ones, key=apart) if apart_ones else None


def _worst_judged(look: Look) -> Worst | None:
    setup = look.soak.setup
    judged = {one["name"]: one for one in (look.soak.verdict or {}).get("channels", [])}
    found = [
        Worst(pair, _amperes(one, "settled_mA"), _amperes(one, "expanded_uncertainty_mA"),
              _amperes(one, "from_others_mA"), None, settled=True, statement=one.get("verdict"))
        for pair in setup.pairs
        if (one := judged.get(pair.name)) is not None and one.get("settled_mA") is not None
    ]  # fmt: skip
    return max(
        found, key=lambda one: (_STATEMENTS.index(one.statement), abs(one.others_a or 0.0)), default=None
    )


def _amperes(judged: Mapping[str, Any], key: str) -> float | None:
    value = judged.get(key)
    return None if value is None else float(value) / 1e3


def opened(standing: Standing, told: Sequence[Open] | None = None) -> tuple[Open, ...]:
    """Return the open findings as a screen shows them, the worst first, what follows from another behind it.

    `told`: those that the newest scan tells of, in place of the store's.
    """
    if told is None:
        told = told_of("", standing.open, None).findings
    follows = {one.id for one in standing.open if one.under is not None}
    return tuple(sorted(told, key=lambda one: (-Severity(one.severity).rank, one.id in follows)))


class Source(Protocol):
    """Where one or more benches are looked at."""

    def posts(self) -> list[Post]:
        """Return its benches as they stand now."""
        ...

    def unanswered(self, says: str) -> list[Post]:
        """Return what is shown of them while no answer comes."""
        ...


class StoreHere:
    """A bench whose store is a file of this machine.

    The newest scan, state and findings are those of the file beside the store (`logger/store/now.py`), which
    costs next to nothing to read; figures and plan come from the store, at most every `every_s`.
    """

    def __init__(self, name: str, store: Path, where: str, clock: Clock, every_s: float = 0.9) -> None:
        self._bare = Post(name, where)
        self._reader = Reader(store)
        self._clock = clock
        self._every_s = every_s
        self._seen = Seen(clock)
        self._read_s: float | None = None
        self._told: object = None
        self._standing: Standing | None = None
        self._trouble: Post | None = None

    def unanswered(self, says: str) -> list[Post]:
        """Return the bench as one that says so."""
        return [replace(self._bare, says=says, lost=True)]

    def posts(self) -> list[Post]:
        """Return the bench as it stands now."""
        newest, damaged = None, ""
        try:
            newest = read_now(self._reader.path)
        except StoreError as error:
            damaged = _said(error)
        self._read(newest)
        standing = self._standing
        known = newest is not None and standing is not None and newest.soak_id == standing.soak.id
        if self._trouble is not None and not known:
            still = () if newest is None else newest.told.findings
            return [replace(self._trouble, open=still, calls=_calls((), still))]
        if standing is None:
            return [replace(self._bare, says="No soak yet.")]
        says = damaged if self._trouble is None else self._trouble.says
        return [replace(self._of(standing, newest), says=says)]

    def _read(self, newest: Now | None) -> None:
        """Read the store where that was a while ago, or the newest scan tells of something new."""
        now_s = self._clock.monotonic_s()
        told = None if newest is None else (newest.soak_id, newest.told)
        if self._read_s is not None and 0.0 <= now_s - self._read_s < self._every_s and told == self._told:
            return
        self._read_s, self._told = now_s, told
        try:
            standings = self._reader.look(
                lambda c: fetch_standings(c, [one] if (one := fetch_last(c)) else [], self._reader.name)
            )
            found = next(iter(standings.values()), None)
            if isinstance(found, SoakbenchError):
                raise found
            self._standing, self._trouble = found, None
        except SoakbenchError as error:
            if not self._reader.exists():
                says = f"No soak yet: there is no store {self._reader.name}."
                self._standing, self._trouble = None, replace(self._bare, says=says)
            else:
                self._trouble = replace(self._bare, says=_said(error), lost=True)

    def _of(self, standing: Standing, newest: Now | None) -> Post:
        soak, still, more = standing.soak, opened(standing), 0
        age_s = None
        if soak.ended is not None:
            return replace(self._bare, look=Look(soak, standing.open, None), reference=standing.reference)
        if newest is not None and newest.soak_id == soak.id:
            shown = dict(soak.now or {})
            if self._trouble is not None:
                shown["channels"] = {}  # they are as old as the last good look
            if newest.told.state:
                shown["state"] = newest.told.state
            if newest.told.cutout is not None:
                shown["cutout"] = dict(newest.told.cutout)
            soak = replace(soak, now=shown, last_t_us=newest.t_us)
            late_s = self._clock.wall().timestamp() - newest.written_us / 1e6
            age_s = self._seen.age_s((soak.id, newest.t_us), late_s)
            if not newest.told.more or self._trouble is not None:
                still, more = opened(standing, newest.told.findings), newest.told.more
        elif soak.last_t_us is not None:
            age_s = self._seen.age_s((soak.id, soak.last_t_us), _late_s(soak, self._clock))
        look = Look(soak, standing.open, age_s)
        post = replace(self._bare, look=look, open=still, more=more, reference=standing.reference)
        post = replace(post, advice=_advice(standing, still))
        return replace(post, age_s=age_s, calls=_calls((look,), still))


class Elsewhere:
    """A bench of another machine: its own dashboard says how it stands."""

    def __init__(self, name: str, address: str) -> None:
        url = urlsplit(address)
        host = url.hostname or ""
        named = f"[{host}]" if ":" in host else host
        at = named if url.port is None else f"{named}:{url.port}"  # a password that it may hold is not shown
        where = f"{url.scheme}://{at}{url.path.rstrip('/')}/"
        says = "On another machine, whose own dashboard says how it stands."
        self._post = Post(name, where, says=says)

    def posts(self) -> list[Post]:
        """Return where it is."""
        return [self._post]

    def unanswered(self, says: str) -> list[Post]:
        """Return where it is."""
        return [self._post]


class CollectedHere:
    """The benches of a database that their stores are collected in: as old as what came last.

    Each look asks for what changed; only of that soak's row and findings are read.
    """

    def __init__(self, reader: Reader, clock: Clock) -> None:
        self._reader = reader
        self._clock = clock
        self._newest: dict[str, int] = {}
        self._stamps: dict[int, tuple[object, ...]] = {}
        self._stand: dict[int, Standing | SoakbenchError] = {}
        self._seen: dict[str, Seen] = {}

    def unanswered(self, says: str) -> list[Post]:
        """Return what stands in the place of all benches."""
        return [Post("All benches", says=says, lost=True, live=False)]

    def posts(self) -> list[Post]:
        """Return every bench as it was collected. StoreError where the database can't be read."""
        self._read()
        return [self._of(name, self._newest[name]) for name in _in_order(self._newest)]

    def _read(self) -> None:
        def changed(c: Any) -> tuple[dict[str, int], dict[int, Any], dict[int, Any]]:
            newest = {**self._newest, **fetch_newest(c, max(self._newest.values(), default=None))}
            stamps = fetch_stamps_of(c, newest.values())
            new = [number for number, stamp in stamps.items() if self._stamps.get(number) != stamp]
            return newest, stamps, fetch_standings(c, new, self._reader.name) if new else {}

        self._newest, self._stamps, stand = self._reader.look(changed)
        self._stand = {number: stand.get(number) or self._stand[number] for number in self._newest.values()}

    def _of(self, name: str, number: int) -> Post:
        post = Post(name or "bench without a name", f"/soak/{number}", live=False)
        standing = self._stand[number]
        if isinstance(standing, SoakbenchError):
            return replace(post, says=_said(standing), lost=True)
        soak = standing.soak
        post = replace(post, reference=standing.reference)
        if soak.ended is not None:
            return replace(post, look=Look(soak, standing.open, None))
        age_s = None
        if soak.last_t_us is not None:
            seen = self._seen.setdefault(name, Seen(self._clock))
            age_s = seen.age_s((number, soak.last_t_us), _late_s(soak, self._clock))
        look, still = Look(soak, standing.open, 0.0), opened(standing)
        post = replace(post, look=look, open=still, advice=_advice(standing, still), age_s=age_s)
        return replace(post, calls=_calls((look,), still) or ("no reading" if post.stale else ""))


def _advice(standing: Standing, still: Sequence[Open]) -> str:
    """Return what to do about the worst finding, unless the newest scan told of it before the store does."""
    known = {one.id: one.advice for one in standing.open}
    return known.get(still[0].id, "") if still else ""


def _calls(looks: Sequence[Look], still: Sequence[Open]) -> str:
    """Return what calls a person: as the store has it, and a trip as soon as the newest scan tells of it."""
    if any(one.severity == "trip" and not one.acknowledged for one in still):
        return "trip"
    return next((found for found in map(alarm.calling, looks) if found), "")


def _late_s(soak: Soak, clock: Clock) -> float:
    """Return how long ago a soak's last scan came, by the computers' clocks."""
    came = soak.last_seen or soak.started + timedelta(microseconds=soak.last_t_us or 0)
    return (clock.wall() - came).total_seconds()


def _said(error: SoakbenchError) -> str:
    said = str(error)
    return f"{said[:1].upper()}{said[1:]}."


def _in_order(names: Mapping[str, int]) -> list[str]:
    """Return names as people count: bench 2 before bench 10."""
    return sorted(
        names,
        # every second part is a number: "²" is a digit too, and none
        key=lambda name: [
            int(part) if at % 2 else part for at, part in enumerate(re.split(r"([0-9]+)", name))
        ],
    )


class Overview:
    """Looks at all benches at once, every `every_s` at most for all who watch. Any thread may ask."""

    def __init__(self, sources: Sequence[Source], clock: Clock, every_s: float = 0.9) -> None:
        self._sources = sources
        self._clock = clock
        self._every_s = every_s
        self._lock = threading.Lock()
        self._pool = ThreadPoolExecutor(
            max(1, min(len(sources), _MOST_AT_ONCE)), thread_name_prefix="overview"
        )
        self._looks: list[tuple[float, Future[list[Post]]] | None] = [None] * len(sources)
        self._latest: list[list[Post]] = [
            [replace(post, lost=False) for post in one.unanswered("Not looked at yet.")] for one in sources
        ]
        self._looked_s: float | None = None
        self._several = False

    @property
    def several(self) -> bool:
        """Whether there is more than one bench, or was since the dashboard began."""
        self._several = self._several or len(self.posts()) > 1
        return self._several

    def posts(self) -> list[Post]:
        """Return every bench as it stands, in its own place."""
        with self._lock:
            now_s = self._clock.monotonic_s()
            if self._looked_s is None or not 0.0 <= now_s - self._looked_s < self._every_s:
                first, self._looked_s = self._looked_s is None, now_s
                self._look(now_s, _FIRST_WAIT_S if first else _WAIT_S)
            return [post for posts in self._latest for post in posts]

    def calls(self) -> str:
        """Return what calls a person at any bench, the worst of it."""
        called = {post.calls or ("no reading" if post.lost else "") for post in self.posts()}
        return next((what for what in ("trip", "warning", "no reading") if what in called), "")

    def _look(self, now_s: float, wait_s: float) -> None:
        for at, source in enumerate(self._sources):
            if self._looks[at] is None:
                self._looks[at] = (now_s, self._pool.submit(source.posts))
        wait([look[1] for look in self._looks if look is not None], timeout=wait_s)
        for at, look in enumerate(self._looks):
            if look is None:
                continue
            begun_s, future = look
            if future.done():
                self._latest[at], self._looks[at] = self._answer(at, future), None
            elif now_s - begun_s > _SILENT_S:
                since = EPOCH + timedelta(seconds=self._clock.wall().timestamp() - (now_s - begun_s))
                says = f"Its store does not answer, since {since.astimezone():%H:%M:%S}."
                self._latest[at] = self._sources[at].unanswered(says)

    def _answer(self, at: int, future: Future[list[Post]]) -> list[Post]:
        try:
            return future.result()
        except SoakbenchError as error:
            says = _said(error)
        except Exception:  # one bench's must not take the others from the screen
            _log.exception("a bench can't be shown on the overview")
            says = "A fault in soakbench, told in the terminal it was started from."
        return self._sources[at].unanswered(says)
