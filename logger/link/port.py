"""The port: one thread opens it, asks who is there, listens, and opens it again for ever.

Only that thread touches the port. What it heard goes over in a bounded queue; while the queue is full it
does not read, so a fast source waits and nothing is lost. A port that goes away is an event, a port that
can't be used a `LinkError`. What is spoken is the business of each kind (`talk.py`).
"""

from __future__ import annotations

import threading
from collections import Counter, deque
from dataclasses import dataclass
from typing import Final

import numpy as np
from serial.tools import list_ports

from logger.blocks import DaqInfo, ScanBlock
from logger.clock import Clock, SystemClock
from logger.errors import LinkError, SoakbenchError
from logger.link.frames import Cause
from logger.link.line_talk import Lines
from logger.link.lines import End, Flags, command_line
from logger.link.talk import Kind, Talk
from logger.link.wire import READ_TIMEOUT_S, Line, Lost, NotThere, Stranger, open_wire

_PATIENCE_S: Final = 3.0  # a board that resets when its port is opened boots in about two
_BACK_OFF_S: Final = (0.1, 2.0)
_MOST_WAITING: Final = 5000
"""Scans read but not yet taken by the daemon: a moment of the fastest playing, 50 s at 100 scans/s."""
_MOST_AT_ONCE: Final = 1000
_NEW_WIRE: Final = Line()


@dataclass(frozen=True)
class Connected:
    """A bench DAQ answers on `port`; `again` after it had been gone."""

    daq: DaqInfo
    port: str
    again: bool


@dataclass(frozen=True)
class Disconnected:
    """The port is gone, or not there yet; it is tried again for ever. `why` is one clause."""

    why: str


Event = ScanBlock | Connected | Disconnected | End


def ask(port: str, *, baud: int = 115_200, clock: Clock | None = None) -> DaqInfo:
    """Ask one port who is there, and leave it alone again; `LinkError` where no bench DAQ answers."""
    wire = open_wire(port, Line(baud))
    try:
        kind = Lines(0, 1.0, clock or SystemClock())
        return kind.talk(wire, again=False, patience_s=_PATIENCE_S).meet(threading.Event())
    finally:
        wire.close()


def serial_ports() -> list[str]:
    """Return the names of the serial ports that this machine lists."""
    return sorted(entry.device for entry in list_ports.comports())


class _Handover:
    """Events from the reading thread to the daemon's, bounded by the scans in them."""

    def __init__(self) -> None:
        self._events: deque[Event] = deque()
        self._scans = 0
        self._changed = threading.Condition()
        self._error: BaseException | None = None

    def put(self, event: Event, stop: threading.Event) -> None:
        """Hand an event over; waits while too many scans are waiting, until `stop`."""
        with self._changed:
            if isinstance(event, ScanBlock):
                while self._scans >= _MOST_WAITING and not stop.is_set():
                    self._changed.wait(READ_TIMEOUT_S)
                self._scans += len(event)
            self._events.append(event)
            self._changed.notify_all()

    def fail(self, error: BaseException) -> None:
        with self._changed:
            self._error = error
            self._changed.notify_all()

    def take(self, timeout_s: float) -> list[Event]:
        """Take what waits, neighbouring scans as one block; raises what ended the reading thread, last."""
        with self._changed:
            if not self._events and self._error is None:
                self._changed.wait(timeout_s)
            if not self._events and self._error is not None:
                raise self._error
            taken: list[Event] = []
            run: list[ScanBlock] = []
            scans = 0
            while self._events and scans < _MOST_AT_ONCE:
                event = self._events.popleft()
                if isinstance(event, ScanBlock):
                    run.append(event)
                    scans += len(event)
                else:
                    taken += [*_joined(run), event]
                    run = []
            self._scans -= scans
            self._changed.notify_all()
        return taken + _joined(run)


def _joined(run: list[ScanBlock]) -> list[Event]:
    if len(run) < 2:
        return list(run)
    return [
        ScanBlock(
            np.concatenate([block.t_us for block in run]),
            np.concatenate([block.sequence for block in run]),
            np.concatenate([block.counts for block in run]),
        )
    ]


class PortLink:
    """A device on a port, read for as long as it is wanted, whatever `kind` it is.

    `start()` begins, `take()` gives what has come since, `close()` ends. The first event is `Connected`,
    then blocks of scans whose `t_us` counts from the first of them. A port that goes away gives
    `Disconnected` and, once the same board answers again, `Connected`; time goes on. With `wait` a port that
    is not there at the start is waited for; else `take` raises `LinkError`, as it does for something that is
    not of that kind, another board than before, or one that does not measure as many channels.

    `port` is a name, an address such as `socket://host:port`, or `auto`: each port that the machine lists is
    asked who it is.
    """

    def __init__(
        self,
        kind: Kind,
        port: str,
        *,
        line: Line = _NEW_WIRE,
        clock: Clock | None = None,
        wait: bool = False,
    ) -> None:
        self.port = port
        self.rejected: dict[str, int] = {}
        """What was rejected so far, by cause; replaced whole by the reading thread."""
        self._kind = kind
        self._line = line
        self._clock = clock or SystemClock()
        self._wait = wait
        self._daq: DaqInfo | None = None
        self._past: Counter[Cause] = Counter()
        self._talk: Talk | None = None
        self._last_path = port
        self._handover = _Handover()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="port", daemon=True)

    def start(self) -> None:
        """Begin to read; returns at once."""
        self._thread.start()

    def take(self, timeout_s: float) -> list[Event]:
        """Return what has come, waiting at most `timeout_s`; `LinkError` where there is no going on."""
        return self._handover.take(timeout_s)

    def close(self) -> None:
        """Stop scanning, close the port, end the thread. What was read can still be taken."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(_PATIENCE_S)
            if self._thread.is_alive():
                raise SoakbenchError(f"the thread that reads {self.port} does not end: unplug the DAQ")

    def _run(self) -> None:
        try:
            back_off = _BACK_OFF_S[0]
            said = ""
            while not self._stop.is_set():
                try:
                    self._connect()
                    back_off, said = _BACK_OFF_S[0], ""
                    self._listen()
                except (NotThere, Lost, Stranger) as error:
                    if self._stop.is_set():
                        break
                    if self._daq is None and (isinstance(error, Stranger) or not self._wait):
                        raise
                    why = str(error)
                    if why != said:
                        self._handover.put(Disconnected(why), self._stop)
                        said = why
                finally:
                    self._hang_up()
                # Windows keeps a dead handle a moment; a board takes one to come back
                self._stop.wait(back_off)
                back_off = min(2.0 * back_off, _BACK_OFF_S[1])
        except LinkError as error:
            self._handover.fail(error)
        except BaseException as error:  # nothing may end this thread unheard
            fault = SoakbenchError(f"reading {self.port} failed in soakbench itself ({error!r})")
            fault.__cause__ = error
            self._handover.fail(fault)

    def _connect(self) -> None:
        """Open the port, check who is there, have the scans begin."""
        talk, daq = self._found() if self.port == "auto" else self._opened(self.port)
        self._talk = talk
        self._last_path = talk.wire.path
        again = self._daq is not None
        self._check_board(daq, talk.wire.path)
        talk.begin(self._stop)
        self._daq = daq
        self._handover.put(Connected(daq, talk.wire.path, again), self._stop)

    def _opened(self, path: str) -> tuple[Talk, DaqInfo]:
        wire = open_wire(path, self._line)
        try:
            talk = self._kind.talk(wire, again=self._daq is not None, patience_s=_PATIENCE_S)
            return talk, talk.meet(self._stop)
        except BaseException:
            wire.close()
            raise

    def _found(self) -> tuple[Talk, DaqInfo]:
        """Ask the listed ports; before anything is known exactly one must answer, later the same board."""
        answered: list[tuple[Talk, DaqInfo]] = []
        ports = sorted(serial_ports(), key=lambda path: path != self._last_path)
        for path in ports:
            try:
                found = self._opened(path)
            except LinkError:
                continue  # in use, silent, or something else: said together below where none is left
            if self._daq is None:
                answered.append(found)
            elif found[1].board_id == self._daq.board_id:
                return found
            else:
                found[0].wire.close()
        if len(answered) == 1:
            return answered[0]
        for talk, _ in answered:
            talk.wire.close()
        if answered:
            names = ", ".join(talk.wire.path for talk, _ in answered)
            raise LinkError(f"more than one bench DAQ answers ({names}): name one as port in the set-up")
        raise NotThere(
            f"no bench DAQ answers on any serial port ({', '.join(ports) if ports else 'there is none'}): "
            "check its lead and power, or name its port in the set-up"
        )

    def _check_board(self, daq: DaqInfo, path: str) -> None:
        if len(daq.full_count) != self._kind.channels:
            raise LinkError(
                f"the DAQ {daq.board_id} on {path} measures {len(daq.full_count)} channels and the set-up "
                f"names {self._kind.channels}: give the set-up one [[channel]] for each, in the DAQ's order"
            )
        known = self._daq
        if known is None:
            return
        if daq.board_id != known.board_id:
            raise LinkError(
                f"another DAQ ({daq.board_id}) answers on {path} than the one this soak began with "
                f"({known.board_id}): plug that one in again, and start a new soak"
            )
        if (daq.volts_per_count, daq.full_count) != (known.volts_per_count, known.full_count):
            raise LinkError(
                f"the DAQ {daq.board_id} on {path} came back with other scales than this soak began with: "
                "start a new soak"
            )

    def _listen(self) -> None:
        talk = self._talk
        assert talk is not None
        while not self._stop.is_set():
            for heard in talk.hear(self._stop):
                if isinstance(heard, DaqInfo):
                    self._check_board(heard, talk.wire.path)
                else:
                    self._handover.put(heard, self._stop)
            self._count(talk.rejected)
        talk.hush()

    def _count(self, of_talk: Counter[Cause]) -> None:
        total = self._past + self._kind.rejected + of_talk
        self.rejected = {cause.value: count for cause, count in total.items()}

    def _hang_up(self) -> None:
        talk, self._talk = self._talk, None
        if talk is not None:
            self._count(talk.rejected)
            self._past += talk.rejected
            talk.wire.close()


class SerialLink(PortLink):
    """A DAQ that speaks the line protocol: its flags can be read, and commands sent to it.

    `speed` is how much faster than the host's clock the source's time runs (0: as fast as it goes); it only
    matters for a board that was reset.
    """

    def __init__(
        self,
        port: str,
        *,
        channels: int,
        scans_per_s: float,
        baud: int = 115_200,
        line: Line | None = None,
        clock: Clock | None = None,
        speed: float = 1.0,
        wait: bool = False,
    ) -> None:
        self._lines = Lines(channels, scans_per_s, clock or SystemClock(), speed or 1.0)
        super().__init__(self._lines, port, line=line or Line(baud), clock=clock, wait=wait)

    @property
    def flags(self) -> Flags:
        """What the last scan's flags said."""
        return self._lines.flags

    def send(self, name: str, value: float | None = None) -> None:
        """Have a command sent at the next read; checked here, so that a wrong one raises at its maker."""
        command_line(name, value)
        self._lines.order(name, value)
