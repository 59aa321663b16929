"""The bench DAQ's own firmware, running for tests: on a real pseudo-terminal, with a bench to play with.

The files of `firmware_notes/soakbench_daq/` run unchanged under MicroPython's Unix port, in a process of
their own; only `hardware.py` is the double in its folder `host/`. Time is real.

    with FirmwareBoard(tmp_path) as board:          # powered; board.port is the port's name
        board.volts({0: 0.035, 2: 0.036, 8: 2.1})   # pin: volts, live; pin 4 n + i is input i of converter n
        ...                                         # a host talks to board.port
        board.press()                               # a person presses the push button and lets go
        board.wait_relay(closed=True)
        killed_s = time.monotonic()
        ...
        opened_s = board.wait_relay(closed=False, since_s=killed_s)

`relay()` is the record of the cut-out: (time, closed), times on CLOCK_MONOTONIC, which is `time.monotonic()`.
They are taken by the board's process when its relay pin changes; a relay falls off some 10 ms later.

- `hang("main")`: the main loop hangs (the guard on the second core opens the relay, then the watchdog resets
  the board); `hang("guard")`, `hang("both")` likewise. A board that resets comes back by itself, on a new
  terminal under the same name, as native USB does; `restarts` counts that. `reset()`: its own reset button.
- `power_off()` ends the process with SIGKILL: the relay falls off and the port is gone, as when the USB lead
  is pulled out of a board that lives on it. `power_on()` starts it again; what it keeps in flash is kept.
- `FirmwareBoard(..., own_supply=True)` does not live on the lead: `unplug()` takes only the port away,
  `plug()` brings it back; what the board said meanwhile is lost.
- `converter(1, "dead")`, `"stuck"` (no conversion ends), `"reset"` (it forgets its configuration and goes
  on), `"good"`.
- `MOST`, the default `settings`, are four pairs of inputs (pins [0, 1] to [6, 7], 0.256 V) and four single
  ones (8 to 11, 4.096 V): 8 channels. `settings=settings_of([[0, 1], 8])` makes fewer; a string is written as
  the file as it is.
- Scans come once a host has told a rate. A press closes only while heartbeats come, from the host under test
  or from `Host`, a bare one. After any opening the next press needs an `acknowledge` first.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Final

import serial

from logger.link import lines
from logger.link.frames import FrameReader
from logger.link.lines import LineDecoder

FIRMWARE: Final = Path(__file__).resolve().parent.parent / "firmware_notes" / "soakbench_daq"
MICROPYTHON: Final = [sys.executable, "-c", "import sys, micropython_run as m; m.run_main(sys.argv)"]
"""The command that is MicroPython's Unix port."""
PATIENCE_S: Final = 20.0
_BOOT_S: Final = 0.2


def settings_of(pins: Sequence[int | list[int]], *, board_id: str = "bench-01") -> dict[str, Any]:
    """Settings with these channels: two pins are read differentially at 0.256 V, one by itself at 4.096 V."""
    channels = [{"pin": pin, "full_scale_mV": 256 if isinstance(pin, list) else 4096} for pin in pins]
    names = {"sda_pin": 4, "scl_pin": 5, "relay_pin": 15, "button_pin": 14, "light_pin": 25}
    return {"board_id": board_id, "channels": channels, **names}


MOST: Final = settings_of([[0, 1], [2, 3], [4, 5], [6, 7], 8, 9, 10, 11])


class FirmwareBoard:
    """A board with its bench. `port` is where a host finds it; see the module's docstring."""

    def __init__(
        self,
        directory: Path,
        *,
        settings: dict[str, Any] | str | None = None,
        link: Path | None = None,
        reset_cause: str = "power-on",
        ms_at_reset: int = 0,
        own_supply: bool = False,
    ) -> None:
        self.flash = directory / "flash"
        """The board's file system."""
        self.flash.mkdir(parents=True, exist_ok=True)
        kept = MOST if settings is None else settings
        text = kept if isinstance(kept, str) else json.dumps(kept)
        (self.flash / "settings.json").write_text(text)
        self.link = link or directory / "board"
        self.restarts = 0
        self._events = directory / "events.txt"
        self._events.touch()
        self._errors = directory / "errors.txt"
        self._cause = reset_cause
        self._ms = ms_at_reset
        self._process: subprocess.Popen[bytes] | None = None
        self._own_supply = own_supply
        self._lead: Lead | None = None
        self._orders = -1
        self._ordered = self._asked = 0
        self._bench: dict[str, str] = {}  # what a board finds on its pins when it starts
        self._lock = threading.RLock()
        self._minder: threading.Thread | None = None

    def __enter__(self) -> FirmwareBoard:
        self.power_on()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.power_off()
        if error is None:
            assert self.errors() == ""

    @property
    def port(self) -> str:
        """The port's name, the same after each reset."""
        return str(self.link)

    def errors(self) -> str:
        """What MicroPython said on standard error, and the firmware's own note of why it gave up."""
        fault = self.flash / "fault.txt"
        return self._errors.read_text() + (fault.read_text() if fault.exists() else "")

    # --- power --------------------------------------------------------------------------------------

    def power_on(self, cause: str | None = None) -> None:
        """Start the board, and wait until its firmware goes."""
        with self._lock:
            assert self._process is None
            self._lead = Lead(self.link, apart=self._own_supply)
            orders, self._orders = os.pipe()
            starts = len(self._said("start"))
            command = [*MICROPYTHON, str(FIRMWARE / "host" / "start.py"), str(orders), str(self._events)]
            with self._errors.open("ab") as errors:
                self._process = subprocess.Popen(
                    [*command, cause or self._cause, str(self._ms)],
                    cwd=self.flash,
                    stdin=self._lead.usb,
                    stdout=self._lead.usb,
                    stderr=errors,
                    pass_fds=(orders,),
                )
            self._lead.taken()
            os.close(orders)
            self._ms = 0
            self._ordered = 0
            self._asked = len(self._said("did"))
            for order in self._bench.values():
                self._write(order)
            self._minder = threading.Thread(
                target=self._mind, args=(self._process,), name="firmware board", daemon=True
            )
            self._minder.start()
            self._wait(lambda: len(self._said("start")) > starts, "the firmware does not start")

    def power_off(self) -> None:
        """Take the power away, at once."""
        with self._lock:
            process, self._process = self._process, None
            if process is None:
                return
            self._gone(process)
            self._note("power lost")
        if self._minder is not None and self._minder is not threading.current_thread():
            self._minder.join()

    def reset(self) -> None:
        """Press the board's own reset button; it comes back by itself, `power-on` being what it can tell."""
        restarts = self.restarts
        self._write("reset power-on")
        self._wait(lambda: self.restarts > restarts, "the board does not come back")

    def unplug(self) -> None:
        """Pull the USB lead out of a board with its own supply."""
        assert self._lead is not None
        self._lead.unplug()

    def plug(self) -> None:
        """Put the USB lead back."""
        assert self._lead is not None
        self._lead.plug()

    def _gone(self, process: subprocess.Popen[bytes]) -> None:
        process.send_signal(signal.SIGKILL)
        process.wait()
        assert self._lead is not None
        self._lead.close()
        os.close(self._orders)

    def _mind(self, process: subprocess.Popen[bytes]) -> None:
        """Start a board again that has reset itself."""
        process.wait()
        with self._lock:
            if self._process is not process:
                return
            self._process = None
            self._gone(process)
            resets = self._said("reset")
            if not resets or self._said()[-1][1] != resets[-1][1]:
                self._note("died")  # the firmware ended by itself, and must not
                return
        time.sleep(_BOOT_S)
        with self._lock:
            if self._process is None:
                self.power_on(resets[-1][1].split()[1])
                self.restarts += 1

    # --- what a test does to it ------------------------------------------------------------------

    def volts(self, volts: dict[int, float]) -> None:
        """Put so many volts on these pins."""
        for pin, value in volts.items():
            self._order(f"volts {pin} {value!r}", f"volts {pin}")
        self._taken()

    def hum(self, pin: int, dc_v: float, hz: float, peak_v: float) -> None:
        """Put a mean and a sine on a pin."""
        self._order(f"volts {pin} {dc_v!r} {hz!r} {peak_v!r}", f"volts {pin}")
        self._taken()

    def converter(self, number: int, state: str) -> None:
        """Make converter `number` (0 to 3) `good` again, `dead`, `stuck`, or `reset` it."""
        self._order(f"converter {number} {state}", f"converter {number}" if state != "reset" else None)
        self._taken()

    def hold(self) -> None:
        """Press the push button and keep it down."""
        self._order("button down", "button")
        self._taken()

    def let_go(self) -> None:
        """Let go of the push button."""
        self._order("button up", "button")
        self._taken()

    def press(self) -> None:
        """Press the push button for a tenth of a second."""
        self.hold()
        time.sleep(0.1)
        self.let_go()
        time.sleep(0.1)

    def hang(self, what: str = "main") -> None:
        """Make the `main` loop, the `guard` on the second core, or `both` hang until the reset."""
        self._write(f"hang {what}")
        self._taken()

    def go_on(self) -> None:
        """End a hang that the watchdog has not ended yet."""
        self._write("go on")
        self._taken()

    # --- what came of it ----------------------------------------------------------------------------

    def relay(self) -> list[tuple[float, bool]]:
        """Return each change of the relay's drive: seconds of CLOCK_MONOTONIC, and whether it closed."""
        changes: list[tuple[float, bool]] = []
        for at_s, what in self._said():
            closed = {"relay 1": True, "relay 0": False, "power lost": False}.get(what)
            if closed is not None and closed != (changes[-1][1] if changes else False):
                changes.append((at_s, closed))
        return changes

    @property
    def closed(self) -> bool:
        """Whether mains is through just now."""
        changes = self.relay()
        return bool(changes) and changes[-1][1]

    def wait_relay(self, *, closed: bool, since_s: float = 0.0, within_s: float = PATIENCE_S) -> float:
        """Wait until the relay is as asked, and return when it became so; not before `since_s`."""

        def became() -> list[float]:
            return [at for at, state in self.relay()[-1:] if state == closed and at >= since_s]

        self._wait(lambda: bool(became()), f"the relay is not {'closed' if closed else 'open'}", within_s)
        return became()[0]

    def events(self) -> list[tuple[float, str]]:
        """Return all that happened: `start`, `service`, `relay 1`, `reset watchdog`, `power lost`..."""
        return self._said()

    def _said(self, word: str | None = None) -> list[tuple[float, str]]:
        said = []
        for line in self._events.read_text().splitlines(keepends=True):
            at_us, _, what = line.rstrip("\n").partition(" ")
            if line.endswith("\n") and (word is None or what.split()[0] == word):
                said.append((int(at_us) / 1e6, what))
        return said

    def _note(self, what: str) -> None:
        with self._events.open("a") as file:
            file.write(f"{time.monotonic_ns() // 1000} {what}\n")

    def _order(self, order: str, keep: str | None) -> None:
        with self._lock:
            if keep is not None:
                self._bench[keep] = order
            if self._process is not None:
                self._write(order)

    def _write(self, order: str) -> None:
        with self._lock:
            self._ordered += 1
            os.write(self._orders, f"{order}\n".encode())

    def _taken(self) -> None:
        """Wait until the board's process has taken all orders."""
        with self._lock:
            if self._process is None:
                return
            wanted = self._asked + self._ordered
        self._wait(
            lambda: len(self._said("did")) >= wanted or self._process is None, "the board takes no orders"
        )

    def _wait(self, done: Callable[[], bool], why: str, within_s: float = PATIENCE_S) -> None:
        until_s = time.monotonic() + within_s
        while not done():
            died = [what for _, what in self._said("died")]
            if died or time.monotonic() > until_s:
                raise AssertionError(f"{why}: {self._said()[-5:]} {self.errors()}")
            time.sleep(0.005)


class Lead:
    """The USB lead: the board's end is `usb`, the host's a terminal under the name `link`.

    A board that lives on the lead has the terminal's other end itself. Else (`apart`) a thread carries the
    bytes between the two, as long as it is plugged in.
    """

    def __init__(self, link: Path, *, apart: bool) -> None:
        self._link = link
        self._master = self._slave = -1
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._near: socket.socket | None = None
        self._carrier: threading.Thread | None = None
        self.plug()
        if not apart:
            self.usb = self._master
            return
        self._near, far = socket.socketpair()
        for end in (self._near, far):
            end.setblocking(False)
            end.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        self.usb = far.detach()
        self._carrier = threading.Thread(target=self._carry, name="USB lead", daemon=True)
        self._carrier.start()

    def taken(self) -> None:
        """Let go of the board's end: its process has it."""
        os.close(self.usb)
        if self._near is None:
            self._master = -1

    def plug(self) -> None:
        with self._lock:
            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            fresh = self._link.with_suffix(".new")
            fresh.symlink_to(os.ttyname(self._slave))
            fresh.replace(self._link)

    def unplug(self) -> None:
        with self._lock:
            self._link.unlink(missing_ok=True)
            for end in (self._slave, self._master):
                if end >= 0:
                    os.close(end)
            self._master = self._slave = -1

    def close(self) -> None:
        self._stop.set()
        if self._carrier is not None and self._near is not None:
            self._carrier.join()
            self._near.close()
        self.unplug()

    def _carry(self) -> None:
        near = self._near
        assert near is not None
        while not self._stop.is_set():
            readable, _, _ = select.select([near], [], [], 0.005)
            # full, empty, or the board is gone; what the board says while the host does not read is lost
            with self._lock, contextlib.suppress(BlockingIOError, ConnectionError):
                said = near.recv(4096) if readable else b""
                if said and self._master >= 0:
                    os.write(self._master, said)
            with self._lock, contextlib.suppress(BlockingIOError, ConnectionError):
                if self._master >= 0:
                    near.send(os.read(self._master, 1024))


class Host:
    """A bare host for tests: says what it is told, and sends heartbeats from its own thread while `beats`."""

    def __init__(self, port: str, channels: int | None = None) -> None:
        self.records: list[lines.Record] = []
        self.heard = bytearray()
        self._beats = False
        self.reader = FrameReader()
        self.decoder = LineDecoder(channels)
        self._port = serial.Serial(port, timeout=0.05, exclusive=True)
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._beat, name="heartbeats", daemon=True)
        self._thread.start()

    def __enter__(self) -> Host:
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self._port.close()

    @property
    def beats(self) -> bool:
        """Whether heartbeats go out; the first goes at once."""
        return self._beats

    @beats.setter
    def beats(self, on: bool) -> None:
        self._beats = on
        if on:
            self.say("beat")

    def say(self, name: str, value: float | None = None) -> None:
        """Send a command."""
        self.send(lines.command_line(name, value))

    def send(self, data: bytes) -> None:
        """Send bytes as they are."""
        with self._lock:
            self._port.write(data)

    def waiting(self) -> int:
        """Return how many bytes wait to be read."""
        return self._port.in_waiting

    def read(self) -> list[lines.Record]:
        """Return the records that have come."""
        chunk = self._port.read(self._port.in_waiting or 1)
        self.heard += chunk
        records = self.decoder.decode(self.reader.feed(chunk))
        self.records += records
        return records

    def until(self, wanted: Callable[[lines.Record], bool], within_s: float = PATIENCE_S) -> lines.Record:
        """Read until a record is as wanted, and return it."""
        until_s = time.monotonic() + within_s
        while time.monotonic() < until_s:
            for record in self.read():
                if wanted(record):
                    return record
        raise AssertionError(f"it did not come; last: {self.records[-3:]}")

    def flags(self, wanted: Callable[[lines.Flags], bool] = lambda _: True) -> lines.Flags:
        """Read until a scan's flags are as wanted, and return them."""
        found: list[lines.Flags] = []

        def look(record: lines.Record) -> bool:
            if isinstance(record, lines.Scans):
                found.extend(flags for f in record.flags if wanted(flags := lines.Flags.of(int(f))))
            return bool(found)

        self.until(look)
        return found[0]

    def _beat(self) -> None:
        while not self._stop.wait(0.05):
            if self._beats:
                self.say("beat")
