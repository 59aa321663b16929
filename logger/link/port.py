"""The port: one thread opens it, asks who is there, listens, and opens it again for ever.

Only that thread touches the port. What it heard goes over in a bounded queue; while the queue is full it
does not read, so a fast source waits and nothing is lost. A port that goes away is an event, a port that
can't be used a `LinkError`. What is spoken is the business of each kind (`talk.py`).
"""

from __future__ import annotations

import threading
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.blocks import DaqInfo, ScanBlock
from logger.clock import Clock, SystemClock
from logger.errors import LinkError, SoakbenchError
from logger.link.frames import Cause
from logger.link.line_talk import Lines
from logger.link.lines import End, Flags, command_line
from logger.link.search import PATIENCE_S, Seen, look_at_each, ports
from logger.link.talk import Kind, Talk
from logger.link.wire import READ_TIMEOUT_S, Line, Lost, NotThere, Stranger, open_wire

_BACK_OFF_S: Final = (0.1, 2.0)
_BACK_OFF_AGAIN_S: Final = 0.2
"""At most, once a soak is on: with a look at something silent it is measured again within 5 s."""
_DULL_S: Final = 20.0
"""How long a port that was not ours, and is there ever since, is left alone."""
_MOST_WAITING: Final = 5000
"""Scans read but not yet taken by the daemon: a moment of the fastest playing, 50 s at 100 scans/s."""
_MOST_AT_ONCE: Final = 1000
_NEW_WIRE: Final = Line()


@dataclass(frozen=True)
class Connected:
    """A bench DAQ answers on `port`; `again` after it had been gone. `says`: what was found out of it."""

    daq: DaqInfo
    port: str
    again: bool
    says: str = ""


@dataclass(frozen=True)
class Disconnected:
    """The port is gone, or not there yet; it is tried again for ever. `why` is one clause."""

    why: str


Event = ScanBlock | Connected | Disconnected | End


def meet(kind: Kind, port: str, line: Line = _NEW_WIRE) -> DaqInfo:
    """Find out who is on one port, and leave it alone again; `LinkError` where nobody of that kind is."""
    wire = open_wire(port, line)
    try:
        return kind.talk(wire, again=False, patience_s=PATIENCE_S).meet(threading.Event())
    finally:
        wire.close()


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

    @property
    def scans(self) -> int:
        """How many scans wait."""
        return self._scans

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
    counters = [block.ms for block in run if block.ms is not None]
    return [
        ScanBlock(
            np.concatenate([block.t_us for block in run]),
            np.concatenate([block.sequence for block in run]),
            np.concatenate([block.counts for block in run]),
            np.concatenate(counters) if len(counters) == len(run) else None,
        )
    ]


class PortLink:
    """A device on a port, read for as long as it is wanted, whatever `kind` it is.

    `start()` begins, `take()` gives what has come since, `close()` ends. The first event is `Connected`,
    then blocks of scans whose `t_us` counts from the first of them. A port that goes away gives
    `Disconnected` and, once the same board answers again, `Connected`; time goes on. Another board
    that answers meanwhile is waited out. With `wait` a port that is not there at the start is waited for;
    else `take` raises `LinkError`, as it does for something that is not of that kind, or does not measure as
    many channels.

    `port` is a name, an address such as `socket://host:port`, or `auto`: each port that the machine lists is
    looked at, read first and asked once. `board`: only the board of this id is wanted.
    """

    def __init__(
        self,
        kind: Kind,
        port: str,
        *,
        line: Line = _NEW_WIRE,
        board: str | None = None,
        clock: Clock | None = None,
        wait: bool = False,
    ) -> None:
        self.port = port
        self._board = board
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
        self._dull: dict[str, float] = {}  # ports that are not ours, and when that was seen
        self._handover = _Handover()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="port", daemon=True)

    def start(self) -> None:
        """Begin to read; returns at once."""
        self._thread.start()

    def take(self, timeout_s: float) -> list[Event]:
        """Return what has come, waiting at most `timeout_s`; `LinkError` where there is no going on."""
        return self._handover.take(timeout_s)

    @property
    def waiting(self) -> int:
        """How many scans were read and not taken yet."""
        return self._handover.scans

    def close(self) -> None:
        """Stop scanning, close the port, end the thread. What was read can still be taken."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(PATIENCE_S)
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
                most_s = _BACK_OFF_S[1] if self._daq is None else _BACK_OFF_AGAIN_S
                back_off = min(2.0 * back_off, most_s)
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
        says = "" if again else self._kind.says
        self._handover.put(Connected(daq, talk.wire.path, again, says), self._stop)

    def _opened(self, path: str) -> tuple[Talk, DaqInfo]:
        wire = open_wire(path, self._line)
        try:
            talk = self._kind.talk(wire, again=self._daq is not None, patience_s=PATIENCE_S)
            return talk, talk.meet(self._stop)
        except BaseException:
            wire.close()
            raise

    def _found(self) -> tuple[Talk, DaqInfo]:
        """Look at the listed ports; before anything is known exactly one must do, later the same board.

        The one where it was last is tried first. What is no device of this kind is left alone.
        """
        known = self._board if self._daq is None else self._daq.board_id
        paths = [port.path for port in ports()]
        now_s = self._clock.monotonic_s()
        self._dull = {path: at_s for path, at_s in self._dull.items() if path in paths}
        fresh = [path for path in paths if now_s - self._dull.get(path, -_DULL_S) >= _DULL_S]
        if self._daq is not None and self._last_path in fresh:
            fresh.remove(self._last_path)
            try:
                found = self._opened(self._last_path)
            except Lost:
                pass
            except (NotThere, Stranger):
                self._dull[self._last_path] = now_s  # it may have come back under another name
            else:
                if found[1].board_id == known:
                    return found
                found[0].wire.close()
                self._dull[self._last_path] = now_s
        answered: list[tuple[str, DaqInfo]] = []
        for seen in self._look_at_each(fresh):
            if seen.daq is None or (known is not None and seen.daq.board_id != known):
                if self._daq is not None and seen.what != "not opened":
                    self._dull[seen.path] = now_s
                continue
            answered.append((seen.path, seen.daq))
            if known is not None:
                break
        if len(answered) == 1:
            return self._opened(answered[0][0])
        if answered:
            names = ", ".join(f"{daq.board_id} on {path}" for path, daq in answered)
            raise LinkError(
                f"more than one bench DAQ answers ({names}): say which in the set-up, by board or by port"
            )
        who = "no bench DAQ answers" if known is None else f"the DAQ {known} does not answer"
        raise NotThere(
            f"{who} on any serial port ({', '.join(paths) if paths else 'there is none'}): "
            "check its lead and power, or name its port in the set-up"
        )

    def _look_at_each(self, paths: Sequence[str]) -> Iterator[Seen]:
        """Meet each in turn, in the way of this kind."""
        for path in paths:
            try:
                talk, daq = self._opened(path)
            except LinkError as error:
                yield Seen(path, "something else", str(error))
                continue
            talk.wire.close()
            yield Seen(path, "bench DAQ", daq.board_id, daq)

    def _check_board(self, daq: DaqInfo, path: str) -> None:
        if len(daq.full_count) != self._kind.channels:
            raise LinkError(
                f"the DAQ {daq.board_id} on {path} measures {len(daq.full_count)} channels and the set-up "
                f"names {self._kind.channels}: give the set-up one [[channel]] for each, in the DAQ's order"
            )
        known = self._daq
        if self._board is not None and daq.board_id != self._board:
            raise LinkError(
                f"the DAQ {daq.board_id} answers on {path}, and the set-up wants the board {self._board}: "
                "plug that one in, or change board in the set-up"
            )
        if known is None:
            return
        if daq.board_id != known.board_id:
            # a hub that came back may have given its name away; it is looked for until somebody ends it
            raise Stranger(
                f"another DAQ ({daq.board_id}) answers on {path} than the one this soak began with "
                f'({known.board_id}): plug that one in again, or end this soak; port = "auto" looks for it'
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
    matters for a board that was reset. `gather_s`: how long to wait for more when a little has come.
    """

    def __init__(
        self,
        port: str,
        *,
        channels: int,
        scans_per_s: float,
        baud: int = 115_200,
        line: Line | None = None,
        board: str | None = None,
        clock: Clock | None = None,
        speed: float = 1.0,
        gather_s: float = 0.0,
        wait: bool = False,
    ) -> None:
        self._lines = Lines(channels, scans_per_s, clock or SystemClock(), speed or 1.0, gather_s)
        super().__init__(self._lines, port, line=line or Line(baud), board=board, clock=clock, wait=wait)

    def _look_at_each(self, paths: Sequence[str]) -> Iterator[Seen]:
        """Look at all side by side, and disturb nobody."""
        return look_at_each(paths, self._line, self._clock)

    @property
    def flags(self) -> Flags:
        """What the last scan's flags said."""
        return self._lines.flags

    def send(self, name: str, value: float | None = None) -> None:
        """Have a command sent at the next read; checked here, so that a wrong one raises at its maker."""
        command_line(name, value)
        self._lines.order(name, value)
