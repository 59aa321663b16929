"""The cut-out end to end: `soakbench run` in a process of its own, and the DAQ's own firmware, in real time.

What is measured is when the relay's drive falls, on the clock that both processes share. Two seconds after
the last judged scan is the latest; the firmware's part of it is `silence_s`, 1.5 s.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from firmware_board import FirmwareBoard, settings_of

from logger.blocks import Mark
from logger.clock import SystemClock
from logger.finding import Kind
from logger.requests import NOTED, Ask
from logger.store.asking import ask_daemon
from logger.store.reader import Reader

LATEST_S = 2.0
PINS = settings_of([[0, 1], [2, 3], 8])
OFF = {0: 0.0, 2: 0.0, 8: 0.0}
ON = {0: 0.076, 2: 0.0765, 8: 2.138}  # 76 mA, 455 V
SETUP = """
schema = "soakbench.setup/1"
[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
port = "{port}"
scans_per_s = 10
[cutout]
armed = true
[plan]
steps = [{{step = "warm-up", minutes = 30}}, {{step = "soak", minutes = 120}}]
[[channel]]
name = "pair1"
measures = "pair current"
pin = [0, 1]
sense_ohm = 1.0
[[channel]]
name = "pair2"
measures = "pair current"
pin = [2, 3]
sense_ohm = 1.0
[[channel]]
name = "ht"
measures = "HT"
pin = 8
divider_ohm = [1_000_000, 4_720]
"""
FREEZES = """
import sys, time
from pathlib import Path
from logger.watch.panel import Panel
import soakbench
ticks, flag = Panel.ticks, Path(sys.argv.pop(1))
def frozen(self, *given):
    while flag.exists():
        time.sleep(0.01)
    return ticks(self, *given)
Panel.ticks = frozen
sys.exit(soakbench.main(sys.argv[1:]))
"""
"""A soakbench whose watch stands still while a file is there; all else goes on."""


class Bench:
    """A firmware board, and a daemon that holds its cut-out."""

    def __init__(self, folder: Path, board: FirmwareBoard, port: str, command: list[str]) -> None:
        self.board = board
        self.store = folder / "soak.db"
        self.messages = folder / "messages.txt"
        setup = folder / "theatre.toml"
        setup.write_text(SETUP.format(port=port))
        run = ["run", str(setup), "--db", str(self.store), "--load", "none", "--log-file", str(self.messages)]
        self.process = subprocess.Popen(
            [sys.executable, *command, *run], stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

    def close_it(self) -> None:
        """Go through the trial before power, close it, and switch the amp on."""
        self.hear("has begun")
        self.press_until(closed=True)
        self.board.wait_relay(closed=False)
        self.hear("press its push button again")
        self.press_until(closed=True)
        self.board.volts(ON)
        time.sleep(1.5)  # a second or two of HT, so that the watch has seen it
        assert self.board.closed

    def press_until(self, *, closed: bool) -> None:
        """Press the button as a person does who waits for the click."""
        for _ in range(20):
            pressed_s = time.monotonic()
            self.board.press()
            if any(at_s >= pressed_s and state == closed for at_s, state in self.board.relay()):
                return
            time.sleep(0.2)
        raise AssertionError(f"the button closes nothing: {self.board.events()[-9:]} {self.said()}")

    def said(self) -> str:
        return self.messages.read_text() if self.messages.exists() else ""

    def hear(self, words: str) -> None:
        """Wait until the daemon has said something."""
        until_s = time.monotonic() + 20.0
        while words not in self.said():
            assert time.monotonic() < until_s, f"{words!r} was not said: {self.said()}"
            time.sleep(0.02)

    def marks(self) -> list[Mark]:
        return Reader(self.store).marks(1)

    def opened_for(self) -> list[str]:
        """Why it opened, as the record has it."""
        begins = f"{NOTED}cut-out opened: "
        return [mark.text.removeprefix(begins) for mark in self.marks() if mark.text.startswith(begins)]

    def wait_opened_for(self, many: int) -> str:
        """Wait until the record has so many openings; return why the last one was."""
        until_s = time.monotonic() + 20.0
        while len(self.opened_for()) < many:
            assert time.monotonic() < until_s, f"not in the record: {self.said()}"
            time.sleep(0.05)
        return self.opened_for()[-1]


@contextmanager
def bench(
    folder: Path, *, command: list[str] | None = None, wired: Callable[[str], str] = lambda port: port
) -> Iterator[Bench]:
    with FirmwareBoard(folder / "board", settings=PINS) as board:
        board.volts(OFF)
        one = Bench(folder, board, wired(board.port), command or ["-m", "soakbench"])
        try:
            yield one
        finally:
            one.process.kill()
            one.process.wait()


class Cable:
    """A lead between the board's port and the host's, that can be pulled."""

    def __init__(self, link: Path) -> None:
        self._link = link
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self._ends: list[int] = []

    def plug(self, port: str) -> str:
        board = os.open(port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(board)
        master, slave = os.openpty()
        tty.setraw(slave)
        self._link.symlink_to(os.ttyname(slave))
        self._ends = [board, master, slave]
        for way in ((board, master), (master, board)):
            thread = threading.Thread(target=self._carry, args=way, daemon=True)
            thread.start()
            self._threads.append(thread)
        return str(self._link)

    def _carry(self, come: int, go: int) -> None:
        while not self._stop.is_set():
            if select.select([come], [], [], 0.02)[0]:
                os.write(go, os.read(come, 4096))

    def pull(self) -> float:
        """Pull it out; return when."""
        pulled_s = time.monotonic()
        self._stop.set()
        for thread in self._threads:
            thread.join()
        for end in self._ends:
            os.close(end)
        self._ends = []
        return pulled_s


def test_it_opens_when_the_daemon_stands_still_and_when_it_is_killed(tmp_path: Path) -> None:
    with bench(tmp_path) as one:
        one.close_it()
        stopped_s = time.monotonic()
        os.kill(one.process.pid, signal.SIGSTOP)  # a hang, or a computer that sleeps
        stood_s = one.board.wait_relay(closed=False, since_s=stopped_s) - stopped_s
        assert stood_s <= LATEST_S

        os.kill(one.process.pid, signal.SIGCONT)
        assert one.wait_opened_for(1).startswith("no scan was judged for 1.5 s")
        one.board.press()
        assert not one.board.closed  # nobody has acknowledged it
        assert ask_daemon(one.store, Ask.ACKNOWLEDGE, "", SystemClock(), 10.0).reason is None
        one.hear("the push button may now close the cut-out")
        one.press_until(closed=True)

        killed_s = time.monotonic()
        os.kill(one.process.pid, signal.SIGKILL)
        died_s = one.board.wait_relay(closed=False, since_s=killed_s) - killed_s
        assert died_s <= LATEST_S
    print(f"stopped: {stood_s:.2f} s, killed: {died_s:.2f} s")


def test_it_opens_when_the_lead_is_pulled(tmp_path: Path) -> None:
    cable = Cable(tmp_path / "cable")
    with bench(tmp_path, wired=cable.plug) as one:
        one.close_it()
        pulled_s = cable.pull()
        opened_s = one.board.wait_relay(closed=False, since_s=pulled_s) - pulled_s
        assert opened_s <= LATEST_S
    print(f"lead pulled: {opened_s:.2f} s")


def test_it_opens_when_only_the_watch_stands_still(tmp_path: Path) -> None:
    flag = tmp_path / "freeze"
    with bench(tmp_path, command=["-c", FREEZES, str(flag)]) as one:
        one.close_it()
        frozen_s = time.monotonic()
        flag.touch()
        opened_s = one.board.wait_relay(closed=False, since_s=frozen_s) - frozen_s
        # the watch is asked once a second: up to then scans are judged
        assert opened_s <= LATEST_S + 1.0
        flag.unlink()
        assert one.wait_opened_for(1).startswith("no scan was judged for 1.5 s")
    print(f"watch frozen: {opened_s:.2f} s")


def test_it_opens_for_a_shorted_valve_and_measuring_goes_on(tmp_path: Path) -> None:
    with bench(tmp_path) as one:
        one.close_it()
        time.sleep(5.0)  # within the first 5 s of HT a surge must last a second
        shorted_s = time.monotonic()
        one.board.volts({0: 0.3})
        opened_s = one.board.wait_relay(closed=False, since_s=shorted_s) - shorted_s
        assert opened_s <= LATEST_S
        assert one.wait_opened_for(1).startswith("pair1 draws more than the converter can read")
        one.hear("HT still 455 V")
        one.board.volts({0: 0.0, 2: 0.0, 8: 1.0})
        one.hear("HT reads 213 V; a reading of zero proves nothing")
        one.board.press()
        assert not one.board.closed
        reader = Reader(one.store)
        assert [f.kind for f in reader.findings(1) if f.trip_waits] == [Kind.OVER_CURRENT]
        now = reader.soak(1).now
        assert now is not None
        assert now["cutout"]["state"] == "open"
        assert now["cutout"]["why"].startswith("pair1 draws more")
    print(f"shorted valve: {opened_s:.2f} s")


def test_it_opens_when_a_pair_gives_no_reading(tmp_path: Path) -> None:
    with bench(tmp_path) as one:
        one.close_it()
        dead_s = time.monotonic()
        one.board.converter(0, "dead")
        opened_s = one.board.wait_relay(closed=False, since_s=dead_s) - dead_s
        assert opened_s <= LATEST_S
        assert "a pair's or HT's reading was missing" in one.wait_opened_for(1)
    print(f"no reading: {opened_s:.2f} s")


def test_a_soak_that_is_stopped_opens_it_and_says_so_first(tmp_path: Path) -> None:
    with bench(tmp_path) as one:
        one.close_it()
        assert ask_daemon(one.store, Ask.STOP, "", SystemClock(), 10.0).reason is None
        one.board.wait_relay(closed=False)
        one.process.wait(20.0)
        said = one.said()
        assert said.index("the cut-out opens now") < said.index("the soak is closed")
