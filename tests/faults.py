"""Faults on purpose: what each does to a running soak, counted.

    python -m tests.faults [--short] [WORD ...]

The daemon is `soakbench run` in a process of its own, in real time, its cut-out armed and closed. While a
fault lasts the dashboard's server is asked for pages, and reports are made of the soak that runs. Prints
a table.
"""

from __future__ import annotations

import contextlib
import math
import os
import re
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).parent))  # the tests' own parts, as pytest finds them

from faulty_machine import FaultyMachine
from test_daemon import DAQ, SETUP, idle
from tiny_daq import Row, TinyDaq

from logger.clock import SystemClock
from logger.link import lines
from logger.link.frames import frame
from logger.requests import Ask
from logger.store.asking import ask_daemon
from logger.store.reader import Reader
from logger.store.sqlite import write_lock

ROOT: Final = Path(__file__).resolve().parent.parent
SILENCE_S: Final = 1.5
"""The DAQ opens the cut-out when it hears nothing for so long."""
PATIENCE_S: Final = 60.0
HOST_ASKED: Final = lines.TRIP_CAUSES.index("opened by the host")
NO_HEARTBEAT: Final = lines.TRIP_CAUSES.index("no heartbeat")


@dataclass(frozen=True)
class Found:
    """What a fault did. `kept`: whether what is promised of it was kept."""

    fault: str
    how: str
    lost: str
    meanwhile: str
    kept: bool


class Daq(TinyDaq):
    """A DAQ with a cut-out as the protocol has it: closed by a press while heartbeats come, opened by an
    order or after 1.5 s without one.

    It keeps what it has sent, which the firmware does not, so that what is not stored is known to be lost.
    """

    def __init__(self, link: Path, **options: Any) -> None:
        super().__init__(link, self._counts, daq=DAQ, **options)
        self.on = self.closed = False
        self.beat_late_s = 0.0
        """The longest that it has waited for a heartbeat while closed."""
        self.opened: list[str] = []
        """Why it opened, each time."""
        self._beat_s = -math.inf
        self._cause = 0
        self._acknowledged = True

    def press(self) -> bool:
        """Press the push button; say whether the cut-out is closed then."""
        with self._lock:
            if self._acknowledged and time.monotonic() - self._beat_s < SILENCE_S:
                self.closed, self._cause = True, 0
        return self.closed

    def _counts(self, sequence: int) -> Row:
        return idle(1000 + sequence) if self.on else [sequence % 3, sequence % 5, 0]

    def _flags(self) -> int:
        if self.closed:
            late_s = time.monotonic() - self._beat_s
            self.beat_late_s = max(self.beat_late_s, late_s)
            if late_s >= SILENCE_S:
                self._open(NO_HEARTBEAT)
        return self.closed | 8 * self._acknowledged | self._cause << 4

    def _open(self, cause: int) -> None:
        if self.closed:
            self.opened.append(lines.TRIP_CAUSES[cause])
            self.closed, self._cause, self._acknowledged = False, cause, False

    def _line(self, row: Row) -> bytes:
        return frame(lines.scan_body(self._sequence, self._ms, row, self._flags()), end=b"\r\n")

    def _answer(self, command: lines.Command | str, body: bytes) -> None:
        name = "" if isinstance(command, str) else command.name
        match name:
            case "beat":
                self._beat_s = time.monotonic()
            case "open":
                self._open(HOST_ASKED)
            case "acknowledge":
                self._acknowledged = True
            case "silence":
                self._write(frame("A,silence,1.5", end=b"\r\n"))
            case _:
                super()._answer(command, body)


class Bench:
    """A DAQ, and a real daemon on it."""

    def __init__(self, folder: Path, daq: Daq, *, tables: str = "", **options: Any) -> None:
        self.daq = daq
        self.store = folder / "store" / "soak.db"
        self.messages = folder / "messages.txt"
        self.setup = folder / "theatre.toml"
        pins = iter(["[0, 1]", "[2, 3]", "4"])
        text = re.sub(r"(measures = .*)", lambda found: f"{found[1]}\npin = {next(pins)}", SETUP)
        text = text.replace('kind = "lines"', f'kind = "lines"\nport = "{daq.port}"')
        text = text.replace("minutes = 2", "minutes = 600")
        self.setup.write_text(text.replace("[plan]", f"[cutout]\narmed = true\n{tables}[plan]"))
        self.more = ["--load", "none", "--log-file", str(self.messages)]
        self._options = options
        self.process = self.start()

    def start(self, *more: str) -> subprocess.Popen[Any]:
        """Start soakbench run in a process of its own."""
        run = ["run", str(self.setup), "--db", str(self.store), *self.more, *more]
        quiet = {"stdin": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "soakbench", *run], **{**quiet, **self._options}
        )
        return self.process

    def close_it(self) -> None:
        """Try the cut-out, close it, and switch the amp on."""
        self.hear("has begun")
        self._press()
        self.hear("press its push button again")
        self._press()
        self.hear("cut-out closed")
        self.daq.on = True
        time.sleep(2.0)
        self.daq.opened.clear()
        self.daq.beat_late_s = 0.0

    def _press(self) -> None:
        until_s = time.monotonic() + PATIENCE_S
        while not self.daq.press():
            assert time.monotonic() < until_s, self.said()
            time.sleep(0.05)

    def said(self) -> str:
        return self.messages.read_text() if self.messages.exists() else ""

    def hear(self, words: str, since: int = 0) -> None:
        """Wait until the daemon has said something."""
        until_s = time.monotonic() + PATIENCE_S
        while words not in self.said()[since:]:
            assert time.monotonic() < until_s, f"{words!r} was not said: {self.said()}"
            time.sleep(0.02)

    def stop(self) -> None:
        """End the soak as a person does."""
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(60)


class Readers:
    """A dashboard that is asked for pages each half second, and reports one after the other."""

    def __init__(self, store: Path, folder: Path) -> None:
        self.pages = self.reports = 0
        self.failed: list[str] = []
        self._store, self._folder = store, folder
        self._stop = threading.Event()
        command = [sys.executable, "-m", "soakbench", "dash", "--db", str(store), "--port", "0"]
        with (folder / "dash.txt").open("w") as log:
            self._dash = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        self._threads = [threading.Thread(target=one, daemon=True) for one in (self._ask, self._report)]

    def __enter__(self) -> Readers:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join()
        self._dash.terminate()
        self._dash.wait(20)

    def _address(self) -> str:
        while not self._stop.wait(0.1):
            found = re.search(r"(http://\S+)/\n", (self._folder / "dash.txt").read_text())
            if found:
                return found[1]
        return ""

    def _ask(self) -> None:
        address = self._address()
        while not self._stop.wait(0.5):
            for page in ("/", "/soak/last", "/jobs"):
                try:
                    with urllib.request.urlopen(address + page, timeout=20.0) as answer:
                        answer.read()
                    self.pages += 1
                except (OSError, urllib.error.URLError) as error:
                    self.failed.append(f"{page}: {error}")

    def _report(self) -> None:
        while not self._stop.wait(5.0):
            out = self._folder / f"report{self.reports}.html"
            command = [sys.executable, "-m", "soakbench", "report", "last", "--db", str(self._store)]
            done = subprocess.run([*command, "--out", str(out)], capture_output=True, text=True)
            if done.returncode != 0:
                self.failed.append(done.stderr.strip())
            self.reports += 1


Act = Callable[[Bench, FaultyMachine], str]
"""Does a fault to a bench for as long as it lasts; returns what was seen of it, in words."""


def on_a_bench(fault: str, how: str, act: Act, *, readers: bool = True, **options: Any) -> Found:
    """Do a fault to a running soak with its cut-out closed, stop it, and count what is missing."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "store").mkdir()
        machine = FaultyMachine(folder / "machine", folder / "store" / "soak.db")
        environment = os.environ | machine.environment | {"PYTHONPATH": str(ROOT)}
        with _mounted(folder / "store", options.pop("room_mb", None)), Daq(folder / "daq") as daq:
            one = Bench(folder, daq, env=environment, **options)
            try:
                one.close_it()
                with contextlib.ExitStack() as also:
                    reading = also.enter_context(Readers(one.store, folder)) if readers else None
                    time.sleep(3.0)
                    seen = act(one, machine)
                    time.sleep(3.0)
                opened, late_s = list(daq.opened), daq.beat_late_s
                one.stop()
            finally:
                one.process.kill()
                one.process.wait()
            missing, many = lost(one.store, daq)
            whole = is_whole(one.store)
        words = [f"{late_s:.1f} s between heartbeats at most"]
        words.append(f"cut-out opened ({opened[0]})" if opened else "cut-out stayed closed")
        if reading is not None:
            words.append(f"{reading.pages} pages and {reading.reports} reports answered")
            if reading.failed:
                words.append(f"{len(reading.failed)} failed ({reading.failed[0]})")
        says = f"{missing} of {many} scans" + (f"; {seen}" if seen else "")
        if not whole:
            says += "; the store is damaged"
        return Found(fault, how, says, ", ".join(words), missing == 0 and whole and not opened)


def lost(store: Path, daq: TinyDaq, soak: int = 1) -> tuple[int, int]:
    """Return how many scans that were sent are not stored, up to the last one that is, and how many were."""
    stored = set(Reader(store).scans(soak).sequence.tolist())
    first, last = min(stored), max(stored)
    sent = [sequence for _, sequence, _, _ in daq.sent if first <= sequence <= last]
    return len(set(sent) - stored), len(sent)


@contextmanager
def _mounted(folder: Path, room_mb: int | None) -> Iterator[None]:
    """Have a folder be a small disk of its own: who is not root can't."""
    if room_mb is None:
        yield
        return
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={room_mb}m", "tmpfs", str(folder)], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def is_whole(store: Path) -> bool:
    """Whether SQLite finds nothing wrong with a file."""
    with contextlib.closing(sqlite3.connect(store)) as db:
        return db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


# ---- the faults


def nothing(lasts_s: float) -> Found:
    """No fault: what the others are held against."""

    def act(_one: Bench, _machine: FaultyMachine) -> str:
        time.sleep(lasts_s)
        return ""

    return on_a_bench("none", f"for {lasts_s:.0f} s", act)


def disk_full(lasts_s: float) -> Found:
    """The store's disk takes nothing more for a while."""

    def act(one: Bench, _machine: FaultyMachine) -> str:
        ballast = one.store.with_name("ballast")
        with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
            while file.write(bytes(4096)):
                pass
        one.hear("its disk is full")
        time.sleep(lasts_s)
        ballast.unlink()
        one.hear("can be written again")
        return ""

    how = f"a disk of 8 MB filled by another program, for {lasts_s:.0f} s"
    return on_a_bench("disk full", how, act, room_mb=8)


def locked(lasts_s: float) -> Found:
    """Another program that knows nothing of soakbench's lock holds the database."""

    def act(one: Bench, _machine: FaultyMachine) -> str:
        with contextlib.closing(sqlite3.connect(one.store, isolation_level=None)) as db:
            db.execute("BEGIN IMMEDIATE")
            time.sleep(lasts_s)
            db.execute("ROLLBACK")
        one.hear("can be written again")
        return ""

    return on_a_bench("database locked", f"by another program's transaction, for {lasts_s:.0f} s", act)


def lock_file_held(lasts_s: float) -> Found:
    """One of soakbench's own programs holds the lock around writes, and hangs."""

    def act(one: Bench, _machine: FaultyMachine) -> str:
        with write_lock(one.store):
            time.sleep(lasts_s)
        one.hear("can be written again")
        return ""

    return on_a_bench("lock file held", f"by a program that hangs, for {lasts_s:.0f} s", act)


def slow_disk(lasts_s: float, sync_s: float = 0.5) -> Found:
    """Each sync takes half a second."""

    def act(_one: Bench, machine: FaultyMachine) -> str:
        before = machine.syncs
        machine.order(sync_s=sync_s)
        time.sleep(lasts_s)
        machine.order(sync_s=0.0)
        return f"{machine.syncs - before} syncs"

    return on_a_bench("slow disk", f"each sync takes {sync_s * 1000:.0f} ms more, for {lasts_s:.0f} s", act)


def hung_disk(sync_s: float) -> Found:
    """A sync that does not come back for long, as of a card that tidies up or a disk that is found anew."""

    def act(_one: Bench, machine: FaultyMachine) -> str:
        machine.order(sync_s=sync_s)
        time.sleep(2.0)
        machine.order(sync_s=0.0)
        time.sleep(sync_s + 1.0)
        return ""

    return on_a_bench("disk that hangs", f"one sync takes {sync_s:.0f} s", act)


def clock_back(by_s: float) -> Found:
    """The computer's wall clock is set back while a soak runs."""
    return _clock_set(-by_s, f"set back by {by_s / 3600:.0f} h")


def clock_forward(by_s: float) -> Found:
    """The computer's wall clock is set forward while a soak runs."""
    return _clock_set(by_s, f"set forward by {by_s / 3600:.0f} h")


def _clock_set(by_s: float, how: str) -> Found:
    def act(one: Bench, machine: FaultyMachine) -> str:
        machine.order(wall_s=by_s)
        one.hear("clock was set")
        time.sleep(5.0)
        t_us = Reader(one.store).scans(1).t_us
        steps_us = t_us[1:] - t_us[:-1]
        return f"scans {min(steps_us) / 1e3:.0f} to {max(steps_us) / 1e3:.0f} ms apart in the record"

    return on_a_bench("computer's clock", how, act)


def nobody_reads_what_it_says(lasts_s: float) -> Found:
    """Standard error is a pipe whose other end is open, and not read any more."""
    ours, theirs = os.pipe()
    room = _made_small(ours)

    def act(one: Bench, _machine: FaultyMachine) -> str:
        os.close(theirs)
        many = 0
        until_s = time.monotonic() + lasts_s
        while time.monotonic() < until_s:
            answer = ask_daemon(one.store, Ask.MARK, f"mark {many} ".ljust(180, "x"), SystemClock(), 30.0)
            assert answer.reason is None
            many += 1
            if many * 180 > 2 * room:
                time.sleep(1.0)
        stored = sum(mark.text.startswith("mark ") for mark in Reader(one.store).marks(1))
        os.close(ours)
        return f"{stored} of {many} marks made meanwhile are in the record"

    how = f"standard error is a full pipe that nobody reads, for {lasts_s:.0f} s"
    return on_a_bench("messages not read", how, act, stderr=theirs)


def _made_small(pipe: int) -> int:
    """Make a pipe as small as it can be; return how much it holds."""
    import fcntl

    return fcntl.fcntl(pipe, fcntl.F_SETPIPE_SZ, 4096)


def two_daemons(_lasts_s: float) -> Found:
    """A second daemon is started on a store that has one."""

    def act(one: Bench, _machine: FaultyMachine) -> str:
        command = [sys.executable, "-m", "soakbench", "run", str(one.setup), "--db", str(one.store)]
        quiet: dict[str, Any] = {"capture_output": True, "text": True, "stdin": subprocess.DEVNULL}
        done = subprocess.run([*command, "--load", "none"], **quiet)
        assert done.returncode == 3, done.stderr
        assert "another soakbench is writing to the store" in done.stderr.splitlines()[-1]
        return "the second ended with exit code 3 and one sentence"

    return on_a_bench("two daemons on one store", "a second run on the same store", act)


FAULTS: Final[dict[Callable[[float], Found], tuple[float, float]]] = {
    nothing: (60.0, 15.0),
    disk_full: (300.0, 15.0),
    locked: (30.0, 8.0),
    lock_file_held: (30.0, 8.0),
    slow_disk: (60.0, 15.0),
    hung_disk: (20.0, 6.0),
    clock_back: (3600.0, 3600.0),
    clock_forward: (86400.0, 86400.0),
    nobody_reads_what_it_says: (60.0, 15.0),
    two_daemons: (0.0, 0.0),
}
"""Each fault, with how long it lasts in its long and its short form; of a clock, by how much it is set."""


def main() -> None:
    words = [word for word in sys.argv[1:] if not word.startswith("--")]
    short = "--short" in sys.argv
    for fault, (long_s, short_s) in FAULTS.items():
        if words and not any(word in fault.__name__ for word in words):
            continue
        print(fault(short_s if short else long_s), flush=True)


if __name__ == "__main__":
    main()
