"""Who is on which port: read first, ask once, and leave alone what is no bench DAQ.

A port may belong to something else on the bench, so a stranger is told by what it sends, before or in answer
to the one question, and hears no more. All ports are looked at side by side.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from typing import Final, Literal

from serial.tools import list_ports

from logger.blocks import DaqInfo
from logger.clock import Clock, SystemClock
from logger.errors import LinkError
from logger.link.frames import FrameReader
from logger.link.lines import PROTOCOL, LineDecoder, command_line
from logger.link.wire import Line, NotThere, Wire, open_wire

LISTEN_S: Final = 0.6
"""How long a port is only read."""
PATIENCE_S: Final = 3.0
"""How long the answer may take: a board that is reset when its port is opened boots in about two."""
_MOST_AT_ONCE: Final = 32
_STRAY: Final = 3
_ENOUGH: Final = 512  # bytes of something else, after which nothing more is waited for
_NUMBER: Final = r"[+-]?[0-9]+(?:[.,][0-9]+)?(?:[eE][+-]?[0-9]+)?"
_NUMBERS: Final = re.compile(rf"\s*{_NUMBER}(?:\s*[,;\t ]\s*{_NUMBER})*\s*")
_FRAME_END: Final = re.compile(rb",[0-9A-F]{4}\Z")

What = Literal["bench DAQ", "numbers", "something else", "silent", "not opened"]


@dataclass(frozen=True)
class Port:
    """A port: its name, whether the machine lists it, and what USB says of it ("" where nothing)."""

    path: str
    listed: bool = False
    about: str = ""
    serial_number: str = ""


@dataclass(frozen=True)
class Seen:
    """What one port turned out to be, in a sentence; `daq` where a bench DAQ answered."""

    path: str
    what: What
    says: str
    daq: DaqInfo | None = None


def ports() -> list[Port]:
    """Return the serial ports that this machine lists, also those of boards without a serial number."""
    found = [
        Port(
            entry.device,
            True,
            "" if entry.description in (None, "n/a") else str(entry.description),
            entry.serial_number or "",
        )
        for entry in list_ports.comports()
    ]
    return sorted(found, key=lambda port: port.path)


def look_at(path: str, line: Line, clock: Clock | None = None) -> Seen:
    """Find out who is on one port; it is closed again."""
    try:
        wire = open_wire(path, line)
    except NotThere as error:
        return Seen(path, "not opened", str(error))
    try:
        return _Look(wire, clock or SystemClock()).result()
    except LinkError as error:  # it went away meanwhile
        return Seen(path, "not opened", str(error))
    finally:
        wire.close()


def look_at_each(paths: Sequence[str], line: Line, clock: Clock | None = None) -> Iterator[Seen]:
    """Look at ports side by side; give each result as it comes. Who has heard enough may stop taking."""
    if not paths:
        return
    pool = ThreadPoolExecutor(min(len(paths), _MOST_AT_ONCE), thread_name_prefix="look at port")
    try:
        left: set[Future[Seen]] = {pool.submit(look_at, path, line, clock) for path in paths}
        while left:
            done, left = wait(left, return_when=FIRST_COMPLETED)
            for one in done:
                yield one.result()
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


class _Look:
    """One look at an opened port."""

    def __init__(self, wire: Wire, clock: Clock) -> None:
        self._wire = wire
        self._clock = clock
        self._frames = FrameReader()
        self._decoder = LineDecoder()
        self._other = bytearray()  # what came and is in no frame of ours
        self._ours = 0

    def result(self) -> Seen:
        daq = self._hear(LISTEN_S, asked=False)
        # half a line is none of ours; a byte or two may come of plugging in
        half_a_line = len(self._other) > _STRAY and b"\n" not in self._other
        if daq is None and not self._strange and not half_a_line:
            daq = self._ask()
            if daq is None and self._other and not self._frames.frames and not self._strange:
                daq = self._ask()  # it may have been garbled
        if daq is not None:
            return self._is_daq(daq)
        path = self._wire.path
        if self._ours:
            return Seen(path, "something else", "it sends scans, but does not say who it is: reset the board")
        if not self._wire.heard:
            return Seen(
                path,
                "silent",
                "nothing answers: no power, or a device that speaks only when asked in its own way",
            )
        return self._is_other()

    @property
    def _strange(self) -> bool:
        """Whether what came is none of ours: the first line may have lost its beginning, no other."""
        if self._ours:
            return False
        *lines, _ = bytes(self._other).split(b"\n")
        if not lines:
            return len(self._other) > _ENOUGH
        return len(lines) > 1 or not _FRAME_END.search(lines[0].rstrip(b"\r"))

    def _ask(self) -> DaqInfo | None:
        self._wire.write(command_line("who"))
        return self._hear(PATIENCE_S, asked=True)

    def _hear(self, seconds: float, *, asked: bool) -> DaqInfo | None:
        until_s = self._clock.monotonic_s() + seconds
        while self._clock.monotonic_s() < until_s:
            chunk = self._wire.read()
            frames = self._frames.feed(chunk)
            self._other += chunk
            for record in self._decoder.decode(frames):
                if isinstance(record, DaqInfo):
                    return record
            self._ours += sum(frame[:2] in (b"S,", b"B,", b"A,", b"N,", b"E,") for frame in frames)
            if self._strange and (asked or len(self._other) > _ENOUGH):
                return None  # it has said enough
        return None

    def _is_daq(self, daq: DaqInfo) -> Seen:
        path = self._wire.path
        if daq.protocol != PROTOCOL:
            says = f"the DAQ {daq.board_id} speaks version {daq.protocol} of the line protocol"
            return Seen(path, "something else", f"{says}, not {PROTOCOL}: update the older of the two")
        return Seen(path, "bench DAQ", f"the DAQ {daq.board_id}, {len(daq.full_count)} channels", daq)

    def _is_other(self) -> Seen:
        path, heard = self._wire.path, self._wire.heard
        lines = bytes(self._other).decode("latin-1").splitlines()[1:-1]
        if len(lines) >= 2 and all(_NUMBERS.fullmatch(line) for line in lines):
            many = len(re.findall(_NUMBER, lines[-1]))
            return Seen(path, "numbers", f"it prints {many} numbers a line, like {lines[-1].strip()!r}")
        return Seen(
            path, "something else", f"it sends something else ({heard} bytes); nothing more was asked"
        )
