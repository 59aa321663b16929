"""The conversation of the line protocol: who is there, at what rate, and then scans unasked."""

from __future__ import annotations

import threading
from collections import Counter, deque
from collections.abc import Iterator
from typing import Final

from logger.blocks import DaqInfo
from logger.clock import Clock
from logger.errors import LinkError
from logger.link.frames import Cause, FrameReader
from logger.link.lines import (
    PROTOCOL,
    Answer,
    End,
    Flags,
    LineDecoder,
    Record,
    ScanClock,
    Scans,
    command_line,
)
from logger.link.talk import Heard
from logger.link.wire import NotThere, Stranger, Wire

_ASK_AGAIN_S: Final = 0.5
_BEAT_KEEPS_S: Final = 0.5  # with the longest silence_s, 1.5 s, the cut-out opens 2 s after the judged scan


GATHER_S: Final = 0.12
"""At 10 scans a second and more: two scans together cost half as much, most of which is waking up."""
_FEW_BYTES: Final = 1024
_RUSH_BYTES: Final = 3000
"""Read at once they are no scans at their pace, but a rush that was held up, and in a terminal's buffer of
4096 it would only be held up further by so long a wait."""
_RUSH_GATHER_S: Final = 0.002


class Lines:
    """The kind `lines`. `speed`: recorded over the host's time, which only matters after a reset.

    `gather_s`: how long to wait for more when a little has come; a command to be sent ends the wait, a
    heartbeat excepted.
    """

    def __init__(
        self, channels: int, scans_per_s: float, clock: Clock, speed: float = 1.0, gather_s: float = 0.0
    ) -> None:
        self.gather_s = gather_s
        self.urgent = threading.Event()
        self.channels = channels
        self.says = ""
        self.rate = scans_per_s
        self.clock = clock
        self.speed = speed
        self.time = ScanClock(1.0 / scans_per_s)
        self.flags = Flags.of(0)
        """What the last scan's flags said."""
        self._outgoing: deque[tuple[str, float | None, float]] = deque(maxlen=16)

    @property
    def rejected(self) -> Counter[Cause]:
        """Scans that came twice or too late."""
        return self.time.rejected

    def order(self, name: str, value: float | None) -> None:
        """Have a command sent at the next look at the wire; called from another thread."""
        self._outgoing.append((name, value, self.clock.monotonic_s()))
        if name != "beat":
            self.urgent.set()

    def ordered(self) -> Iterator[tuple[str, float | None]]:
        """Give what waits to be sent. A heartbeat that had to wait is none: it speaks of an older scan."""
        while self._outgoing:
            name, value, asked_s = self._outgoing.popleft()
            if name != "beat" or self.clock.monotonic_s() - asked_s <= _BEAT_KEEPS_S:
                yield name, value

    def talk(self, wire: Wire, *, again: bool, patience_s: float) -> LineTalk:
        """Begin a conversation."""
        return LineTalk(self, wire, again, patience_s)


class LineTalk:
    """One conversation with a DAQ that speaks the line protocol."""

    def __init__(self, kind: Lines, wire: Wire, again: bool, patience_s: float) -> None:
        self.wire = wire
        self._kind = kind
        self._again = again
        self._patience_s = patience_s
        self._frames = FrameReader()
        self._decoder = LineDecoder(kind.channels if again else None)
        self._waiting: list[Record] = []
        self._heard_s = 0.0
        self._rushes = False

    @property
    def rejected(self) -> Counter[Cause]:
        """Lines that were garbled, or not of the protocol."""
        return self._frames.rejected + self._decoder.rejected

    def meet(self, stop: threading.Event) -> DaqInfo:
        """Ask until the banner comes."""
        path = self.wire.path
        for records in self._asking("who", None, stop):
            for i, record in enumerate(records):
                if isinstance(record, DaqInfo):
                    if record.protocol != PROTOCOL:
                        raise LinkError(
                            f"the DAQ {record.board_id} on {path} speaks version {record.protocol} of "
                            f"the line protocol, this soakbench {PROTOCOL}: update the older of the two"
                        )
                    self._waiting += records[i + 1 :]
                    return record
                self._waiting.append(record)
        if self.wire.heard:
            raise Stranger(
                f"{path} answers, but not as a bench DAQ ({self.wire.heard} bytes, no banner among them): "
                'check the port and its baud rate; port = "auto" in the set-up asks each port'
            )
        raise NotThere(
            f"nothing answers on {path}: check that the DAQ has power and that this is its port; "
            'port = "auto" in the set-up asks each port'
        )

    def begin(self, stop: threading.Event) -> None:
        """Tell the scan rate; what came before the answer belongs to a soak only where one is on."""
        for records in self._asking("rate", self._kind.rate, stop):
            for i, record in enumerate(records):
                if isinstance(record, Answer) and record.command == "rate":
                    self._check(record)
                    if self._again:
                        self._kind.time.may_have_restarted()
                    else:
                        self._waiting = []
                    self._waiting += records[i + 1 :]
                    self._heard_s = self._kind.clock.monotonic_s()
                    return
                self._waiting.append(record)
        raise Stranger(
            f"the DAQ on {self.wire.path} said who it is but does not answer to a scan rate: "
            "switch it off and on, and try again"
        )

    def hear(self, stop: threading.Event) -> Iterator[Heard]:
        """Send what waits to be sent, and give what has come."""
        kind = self._kind
        kind.urgent.clear()
        for name, value in kind.ordered():
            self._send(name, value)
        waiting, self._waiting = self._waiting, []
        for record in waiting or self._read(kind.gather_s):
            now = kind.clock.monotonic_s()
            self._heard_s = now
            match record:
                case Scans():
                    kind.flags = Flags.of(int(record.flags[-1]))
                    block = kind.time.take(record, now * kind.speed)
                    if len(block):
                        yield block
                case DaqInfo():
                    yield record
                    kind.time.may_have_restarted()
                    self._send("rate", kind.rate)
                case Answer():
                    self._check(record)
                case End():
                    yield record
        now = kind.clock.monotonic_s()
        if now - self._heard_s > max(self._patience_s, 3.0 / kind.rate):
            self._send("who")  # it may have been reset unheard, and then scans no more
            self._heard_s = now

    def hush(self) -> None:
        """Send what waits, then have it scan no more."""
        for name, value in self._kind.ordered():
            self._send(name, value)
        self._send("rate", 0.0)

    def _read(self, gather_s: float = 0.0) -> list[Record]:
        chunk = self.wire.read()
        if gather_s and chunk:
            few, wait_s = (_RUSH_BYTES, _RUSH_GATHER_S) if self._rushes else (_FEW_BYTES, gather_s)
            if len(chunk) < few and not self._kind.urgent.wait(wait_s):
                chunk += self.wire.read()
            self._rushes = len(chunk) >= _RUSH_BYTES
        return self._decoder.decode(self._frames.feed(chunk)) if chunk else []

    def _send(self, name: str, value: float | None = None) -> None:
        self.wire.write(command_line(name, value))

    def _check(self, answer: Answer) -> None:
        """Raise where the DAQ refused a command."""
        if answer.refused:
            raise LinkError(
                f"the DAQ on {self.wire.path} refuses the command {answer.command} ({answer.value}): "
                "check scans_per_s in the set-up, or the DAQ's firmware"
            )

    def _asking(self, name: str, value: float | None, stop: threading.Event) -> Iterator[list[Record]]:
        clock = self._kind.clock
        now = clock.monotonic_s()
        deadline, ask_at = now + self._patience_s, now
        while now < deadline and not stop.is_set():
            if now >= ask_at:
                self._send(name, value)
                ask_at = now + _ASK_AGAIN_S
            yield self._read()
            now = clock.monotonic_s()
