"""The serial port: one thread opens it, asks who is there, reads it in chunks, and opens it again for ever.

Only that thread touches the port. What it read goes over in a bounded queue; while the queue is full it
does not read, so a fast source waits and nothing is lost. Foreign errors end here: a port that goes away is
an event, a port that can't be used a `LinkError`.
"""

from __future__ import annotations

import threading
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import serial
from serial.tools import list_ports

from logger.blocks import DaqInfo, ScanBlock
from logger.clock import Clock, SystemClock
from logger.errors import LinkError, SoakbenchError
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

try:
    import termios

    # what pyserial lets through when a device goes: termios.error is no OSError, and a closed handle is None
    _LOST: tuple[type[Exception], ...] = (OSError, TypeError, termios.error)
except ImportError:  # Windows
    _LOST = (OSError, TypeError)
_NOT_OPENED: Final[tuple[type[Exception], ...]] = (*_LOST, ValueError)

READ_TIMEOUT_S: Final = 0.2
_WRITE_TIMEOUT_S: Final = 1.0
_PATIENCE_S: Final = 3.0  # a board that resets when its port is opened boots in about two
_ASK_AGAIN_S: Final = 0.5
_BACK_OFF_S: Final = (0.1, 2.0)
_MOST_WAITING: Final = 5000
"""Scans read but not yet taken by the daemon: a moment of the fastest playing, 50 s at 100 scans/s."""
_MOST_AT_ONCE: Final = 1000


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


class _NotThere(LinkError):
    """The port can't be opened, or nothing answers: may come yet."""


class _Lost(LinkError):
    """The open port has gone away."""


class _Stranger(LinkError):
    """Something answers that is no bench DAQ."""


class _Conversation:
    """One opened port and what is understood on it. Used by one thread."""

    def __init__(self, path: str, baud: int, clock: Clock, channels: int | None = None) -> None:
        self.path = path
        self.frames = FrameReader()
        self.decoder = LineDecoder(channels)
        self.heard = 0
        self._clock = clock
        try:
            self._port = serial.serial_for_url(
                path, baudrate=baud, timeout=READ_TIMEOUT_S, write_timeout=_WRITE_TIMEOUT_S, exclusive=True
            )
        except _NOT_OPENED as error:
            raise _NotThere(_why_not_opened(path, error)) from error

    def read(self) -> list[Record]:
        """Read what has come, or wait for the read timeout."""
        try:
            chunk = self._port.read(self._port.in_waiting or 1)
        except _LOST as error:
            raise _Lost(f"the port {self.path} has gone away: check its lead") from error
        self.heard += len(chunk)
        return self.decoder.decode(self.frames.feed(chunk)) if chunk else []

    def send(self, name: str, value: float | None = None) -> None:
        """Send a command; a port that does not take it in time counts as gone."""
        line = command_line(name, value)
        try:
            self._port.write(line)
        except _LOST as error:
            raise _Lost(f"the port {self.path} takes nothing any more: check its lead") from error

    def ask_who(self, stop: threading.Event) -> tuple[DaqInfo, list[Record]]:
        """Ask until the banner comes; also return what else came meanwhile."""
        others: list[Record] = []
        for records in self._asking("who", None, stop):
            for i, record in enumerate(records):
                if isinstance(record, DaqInfo):
                    if record.protocol != PROTOCOL:
                        raise LinkError(
                            f"the DAQ {record.board_id} on {self.path} speaks version {record.protocol} of "
                            f"the line protocol, this soakbench {PROTOCOL}: update the older of the two"
                        )
                    return record, others + records[i + 1 :]
                others.append(record)
        if self.heard:
            raise _Stranger(
                f"{self.path} answers, but not as a bench DAQ ({self.heard} bytes, no banner among them): "
                'check the port and its baud rate; port = "auto" in the set-up asks each port'
            )
        raise _NotThere(
            f"nothing answers on {self.path}: check that the DAQ has power and that this is its port; "
            'port = "auto" in the set-up asks each port'
        )

    def set_rate(self, scans_per_s: float, stop: threading.Event) -> tuple[list[Record], list[Record]]:
        """Tell the scan rate; return what came before the answer, and after."""
        before: list[Record] = []
        for records in self._asking("rate", scans_per_s, stop):
            for i, record in enumerate(records):
                if isinstance(record, Answer) and record.command == "rate":
                    self.check(record)
                    return before, records[i + 1 :]
                before.append(record)
        raise _Stranger(
            f"the DAQ on {self.path} said who it is but does not answer to a scan rate: "
            "switch it off and on, and try again"
        )

    def check(self, answer: Answer) -> None:
        """Raise where the DAQ refused a command."""
        if answer.refused:
            raise LinkError(
                f"the DAQ on {self.path} refuses the command {answer.command} ({answer.value}): "
                "check scans_per_s in the set-up, or the DAQ's firmware"
            )

    def _asking(self, name: str, value: float | None, stop: threading.Event) -> Iterator[list[Record]]:
        now = self._clock.monotonic_s()
        deadline, ask_at = now + _PATIENCE_S, now
        while now < deadline and not stop.is_set():
            if now >= ask_at:
                self.send(name, value)
                ask_at = now + _ASK_AGAIN_S
            yield self.read()
            now = self._clock.monotonic_s()

    def close(self) -> None:
        """Close the port; one that is gone already is no error."""
        try:
            self._port.close()
        except _LOST:
            # the device went first: there is nothing left to close
            return


def _why_not_opened(path: str, error: Exception) -> str:
    text = str(error)
    if "ermission" in text:
        return f"the port {path} may not be opened by this user: add them to the group that owns it (dialout)"
    if "lock" in text or "busy" in text or "Resource temporarily" in text:
        return f"the port {path} is in use by another program: close that first"
    if "No such" in text or "FileNotFound" in text or "cannot find" in text:
        return f'there is no port {path}: check the lead and the port in the set-up ("auto" asks each)'
    return f"the port {path} can't be opened ({text})"


def ask(port: str, *, baud: int = 115_200, clock: Clock | None = None) -> DaqInfo:
    """Ask one port who is there, and leave it alone again; `LinkError` where no bench DAQ answers."""
    conversation = _Conversation(port, baud, clock or SystemClock())
    try:
        return conversation.ask_who(threading.Event())[0]
    finally:
        conversation.close()


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


class SerialLink:
    """A bench DAQ on a serial port, read for as long as it is wanted.

    `start()` begins, `take()` gives what has come since, `close()` ends. The first event is `Connected`,
    then blocks of scans whose `t_us` counts from the first of them. A port that goes away gives
    `Disconnected` and, once the same board answers again, `Connected`; time goes on. With `wait` a port that
    is not there at the start is waited for; else `take` raises `LinkError`, as it does for something that is
    no bench DAQ, another board than before, or one that does not measure `channels` channels.

    `port` is a name, an address such as `socket://host:port`, or `auto`: each port that the machine lists is
    asked who it is. `speed` is how much faster than the host's clock the source's time runs (0: as fast as it
    goes); it only matters for a board that was reset.
    """

    def __init__(
        self,
        port: str,
        *,
        channels: int,
        scans_per_s: float,
        baud: int = 115_200,
        clock: Clock | None = None,
        speed: float = 1.0,
        wait: bool = False,
    ) -> None:
        self.port = port
        self.flags = Flags.of(0)
        """What the last scan's flags said."""
        self.rejected: dict[str, int] = {}
        """What was rejected so far, by cause; replaced whole by the reading thread."""
        self._channels = channels
        self._rate = scans_per_s
        self._baud = baud
        self._clock = clock or SystemClock()
        self._speed = speed or 1.0
        self._wait = wait
        self._daq: DaqInfo | None = None
        self._time = ScanClock(1.0 / scans_per_s)
        self._past: Counter[Cause] = Counter()
        self._talk: _Conversation | None = None
        self._last_path = port
        self._outgoing: deque[tuple[str, float | None]] = deque(maxlen=16)
        self._handover = _Handover()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="serial port", daemon=True)

    def start(self) -> None:
        """Begin to read; returns at once."""
        self._thread.start()

    def take(self, timeout_s: float) -> list[Event]:
        """Return what has come, waiting at most `timeout_s`; `LinkError` where there is no going on."""
        return self._handover.take(timeout_s)

    def send(self, name: str, value: float | None = None) -> None:
        """Have a command sent at the next read; checked here, so that a wrong one raises at its maker."""
        command_line(name, value)
        self._outgoing.append((name, value))

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
                    waiting = self._connect()
                    back_off, said = _BACK_OFF_S[0], ""
                    self._listen(waiting)
                except (_NotThere, _Lost, _Stranger) as error:
                    if self._stop.is_set():
                        break
                    if self._daq is None and (isinstance(error, _Stranger) or not self._wait):
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

    def _connect(self) -> list[Record]:
        """Open the port, check who is there, set the rate; return the records that belong to the soak."""
        talk, daq, before = self._found() if self.port == "auto" else self._opened(self.port)
        self._talk = talk
        self._last_path = talk.path
        again = self._daq is not None
        self._check_board(daq, talk.path)
        between, after = talk.set_rate(self._rate, self._stop)
        if again:
            self._time.may_have_restarted()
        self._daq = daq
        self._handover.put(Connected(daq, talk.path, again), self._stop)
        return before + between + after if again else after

    def _opened(self, path: str) -> tuple[_Conversation, DaqInfo, list[Record]]:
        known = self._channels if self._daq is not None else None
        talk = _Conversation(path, self._baud, self._clock, known)
        try:
            return talk, *talk.ask_who(self._stop)
        except BaseException:
            talk.close()
            raise

    def _found(self) -> tuple[_Conversation, DaqInfo, list[Record]]:
        """Ask the listed ports; before anything is known exactly one must answer, later the same board."""
        answered: list[tuple[_Conversation, DaqInfo, list[Record]]] = []
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
                found[0].close()
        if len(answered) == 1:
            return answered[0]
        for talk, _, _ in answered:
            talk.close()
        if answered:
            names = ", ".join(talk.path for talk, _, _ in answered)
            raise LinkError(f"more than one bench DAQ answers ({names}): name one as port in the set-up")
        raise _NotThere(
            f"no bench DAQ answers on any serial port ({', '.join(ports) if ports else 'there is none'}): "
            "check its lead and power, or name its port in the set-up"
        )

    def _check_board(self, daq: DaqInfo, path: str) -> None:
        if len(daq.full_count) != self._channels:
            raise LinkError(
                f"the DAQ {daq.board_id} on {path} measures {len(daq.full_count)} channels and the set-up "
                f"names {self._channels}: give the set-up one [[channel]] for each, in the DAQ's order"
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

    def _listen(self, waiting: list[Record]) -> None:
        talk = self._talk
        assert talk is not None
        patience_s = max(_PATIENCE_S, 3.0 / self._rate)
        heard_s = self._clock.monotonic_s()
        records = waiting
        while True:
            now = self._clock.monotonic_s()
            for record in records:
                self._handle(record, talk, now)
                heard_s = now
            if self._stop.is_set():
                talk.send("rate", 0.0)
                return
            if now - heard_s > patience_s:
                talk.send("who")  # it may have been reset unheard, and then scans no more
                heard_s = now
            while self._outgoing:
                talk.send(*self._outgoing.popleft())
            records = talk.read()
            total = self._past + self._time.rejected + talk.frames.rejected + talk.decoder.rejected
            self.rejected = {cause.value: count for cause, count in total.items()}

    def _handle(self, record: Record, talk: _Conversation, now: float) -> None:
        match record:
            case Scans():
                self.flags = Flags.of(int(record.flags[-1]))
                block = self._time.take(record, now * self._speed)
                if len(block):
                    self._handover.put(block, self._stop)
            case DaqInfo():
                self._check_board(record, talk.path)
                self._time.may_have_restarted()
                talk.send("rate", self._rate)
            case Answer():
                talk.check(record)
            case End():
                self._handover.put(record, self._stop)

    def _hang_up(self) -> None:
        talk, self._talk = self._talk, None
        if talk is not None:
            self._past += talk.frames.rejected + talk.decoder.rejected
            talk.close()
