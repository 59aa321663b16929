"""Faults on purpose: what each does to a running soak, counted.

    python -m tests.faults [--short] [FAULT ...]

The daemon is `soakbench run` in a process of its own, in real time, its cut-out armed and closed. While a
fault lasts a browser has the Live page and the soak's open, and reports are made of it. What the long forms
bring is kept in `benchmarks/faults.json`, and `docs/faults.md` has its table from there.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import random
import re
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).parent))  # the tests' own parts, as pytest finds them

from faulty_machine import FaultyMachine
from playwright.sync_api import sync_playwright
from power_cut import cuts
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
RESULTS: Final = ROOT / "benchmarks" / "faults.json"
TABLE: Final = ROOT / "docs" / "faults.md"
BEGINS, ENDS = "<!-- faults: python -m tests.faults -->", "<!-- /faults -->"
PATIENCE_S: Final = 60.0
HOST_ASKED: Final = lines.TRIP_CAUSES.index("opened by the host")
RESET: Final = lines.TRIP_CAUSES.index("reset")
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
        self.rubbish_bytes = 0
        self._beat_s = -math.inf
        self._ran_s = time.monotonic()
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

    def unplug(self) -> None:
        """Pull the lead, which it lives on: its relay falls off."""
        with self._lock:
            self._open(RESET)
        super().unplug()

    def _serve(self) -> None:
        now_s = time.monotonic()
        held_up_s = now_s - self._ran_s
        self._ran_s = now_s
        if held_up_s > 0.3:  # by this machine's other work, as no DAQ is: it sent nothing to earn a heartbeat
            self._beat_s += held_up_s
        super()._serve()
        if self.closed:
            late_s = time.monotonic() - self._beat_s
            self.beat_late_s = max(self.beat_late_s, late_s)
            if late_s >= SILENCE_S:
                self._open(NO_HEARTBEAT)

    def _flags(self) -> int:
        return self.closed | 8 * self._acknowledged | self._cause << 4

    def _open(self, cause: int) -> None:
        if self.closed:
            self.opened.append(lines.TRIP_CAUSES[cause])
            self.closed, self._cause, self._acknowledged = False, cause, False

    def _line(self, row: Row) -> bytes:
        return frame(lines.scan_body(self._sequence, self._ms, row, self._flags()), end=b"\r\n")

    def _write(self, data: bytes) -> bool:
        if data is self.rubbish:
            self.rubbish_bytes += len(data)
        return super()._write(data)

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

    def __init__(
        self, folder: Path, daq: TinyDaq, *, armed: bool = True, tables: str = "", **options: Any
    ) -> None:
        self.daq = daq
        self.store = folder / "store" / "soak.db"
        self.messages = folder / "messages.txt"
        self.setup = folder / "theatre.toml"
        pins = iter(["[0, 1]", "[2, 3]", "4"])
        text = re.sub(r"(measures = .*)", lambda found: f"{found[1]}\npin = {next(pins)}", SETUP)
        text = text.replace('kind = "lines"', f'kind = "lines"\nport = "{daq.port}"')
        text = text.replace("minutes = 2", "minutes = 600")
        cutout = "[cutout]\narmed = true\n" if armed else ""
        self.setup.write_text(text.replace("[plan]", f"{cutout}{tables}[plan]"))
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
        assert isinstance(self.daq, Daq)
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
    """Whoever reads, in a process that gives way: the DAQ is a thread here, and must not be held up."""

    def __init__(self, store: Path, folder: Path) -> None:
        self.answers = self.reports = 0
        self.failed: list[str] = []
        self._store, self._folder = store, folder

    def __enter__(self) -> Readers:
        command = [sys.executable, "-m", "tests.faults", "--read", str(self._store), str(self._folder)]
        self._process = subprocess.Popen(
            command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        return self

    def __exit__(self, *_: object) -> None:
        said, _ = self._process.communicate("stop\n", timeout=120)
        self.answers, self.reports, self.failed = json.loads(said)


class Reading:
    """A browser with the Live page and the soak's own open, and reports of it, one after the other."""

    def __init__(self, store: Path, folder: Path) -> None:
        self.answers = self.reports = 0
        self.failed: list[str] = []
        self._store, self._folder = store, folder
        self._stop = threading.Event()

    def until_told(self) -> None:
        """Read until a line comes on standard input, then say what came of it."""
        os.nice(10)
        threads = [threading.Thread(target=one, daemon=True) for one in (self._look, self._report)]
        for thread in threads:
            thread.start()
        sys.stdin.readline()
        self._stop.set()
        for thread in threads:
            thread.join()
        print(json.dumps([self.answers, self.reports, self.failed]))

    def _look(self) -> None:
        with dashboard(self._store, self._folder) as address, browser() as chromium:
            pages = [chromium.new_page() for _ in range(2)]
            for page, path in zip(pages, ("/", "/soak/last"), strict=True):
                page.on("response", self._answered)
                page.goto(address + path)
            while not self._stop.is_set():
                for page in pages:
                    page.wait_for_timeout(200.0)

    def _answered(self, response: Any) -> None:
        self.answers += 1
        if response.status >= 400:
            self.failed.append(f"{response.url}: {response.status}")

    def _report(self) -> None:
        while not self._stop.wait(5.0):
            out = self._folder / f"report{self.reports}.html"
            done = soakbench("report", "last", "--db", str(self._store), "--out", str(out))
            if done.returncode != 0:
                self.failed.append(done.stderr.strip())
            self.reports += 1


@contextmanager
def dashboard(store: Path, folder: Path) -> Iterator[str]:
    """Serve a store's pages from a process of its own; yields the address."""
    command = [sys.executable, "-m", "soakbench", "dash", "--db", str(store), "--port", "0"]
    said = folder / "dash.txt"
    with said.open("w") as log:
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
    try:
        until_s = time.monotonic() + PATIENCE_S
        while not (found := re.search(r"(http://\S+)/\n", said.read_text())):
            assert time.monotonic() < until_s, said.read_text()
            time.sleep(0.1)
        yield found[1]
    finally:
        process.terminate()
        process.wait(20)


@contextmanager
def browser() -> Iterator[Any]:
    """Open Debian's Chromium."""
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        yield chromium
        chromium.close()


def soakbench(*words: str) -> subprocess.CompletedProcess[str]:
    """Run one command to its end."""
    command = [sys.executable, "-m", "soakbench", *words]
    return subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL)


Act = Callable[[Bench, FaultyMachine], str]
"""Does a fault to a bench for as long as it lasts; returns what was seen of it, in words."""


def on_a_bench(
    fault: str, how: str, act: Act, *, readers: bool = True, opens: bool = False, **options: Any
) -> Found:
    """Do a fault to a running soak with its cut-out closed, stop it, and count what is missing.

    `opens`: no scan can be judged, so that the cut-out has to open.
    """
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
        words = [] if opens else [f"{late_s:.1f} s between heartbeats at most"]
        words.append(f"cut-out opened ({opened[0]})" if opened else "cut-out stayed closed")
        if reading is not None:
            words.append(f"{reading.answers} answers to a browser, {reading.reports} reports")
            if reading.failed:
                words.append(f"{len(reading.failed)} failed ({reading.failed[0]})")
        says = f"{missing} of {many} scans" + (f"; {seen}" if seen else "")
        if not whole:
            says += "; the store is damaged"
        return Found(fault, how, says, ", ".join(words), missing == 0 and whole and bool(opened) == opens)


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
        done = soakbench("run", str(one.setup), "--db", str(one.store), "--load", "none")
        assert done.returncode == 3, done.stderr
        assert "another soakbench is writing to the store" in done.stderr.splitlines()[-1]
        return "the second ended with exit code 3 and one sentence"

    return on_a_bench("two daemons on one store", "a second run on the same store", act)


def broker_down(lasts_s: float) -> Found:
    """The MQTT broker is stopped for a while; a person makes a mark each second meanwhile."""
    from test_mqtt import Broker, Viewer

    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        place.chmod(0o777)
        broker = Broker(place, f"allow_anonymous true\npersistence true\npersistence_location {place}/\n")
        viewer = Viewer(broker.port)

        def act(one: Bench, _machine: FaultyMachine) -> str:
            broker.process.terminate()  # keeps its sessions, as one that is stopped does
            broker.process.wait()
            made = []
            until_s = time.monotonic() + lasts_s
            while time.monotonic() < until_s:
                made.append(f"mark {len(made)}")
                assert ask_daemon(one.store, Ask.MARK, made[-1], SystemClock(), 30.0).reason is None
                time.sleep(1.0)
            broker.start()
            return _arrived(viewer, made)

        tables = f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\ntls = false\n'
        try:
            how = f"Mosquitto stopped for {lasts_s:.0f} s, a mark each second"
            return on_a_bench("broker down", how, act, tables=tables)
        finally:
            viewer.close()
            broker.kill()


def _arrived(viewer: Any, made: list[str], may_miss: Sequence[str] = ()) -> str:
    """Wait for marks at whoever listens; say how many came. Fails where another is missing or came twice."""
    until_s = time.monotonic() + PATIENCE_S
    got: list[str] = []
    while time.monotonic() < until_s and not set(made) - set(may_miss) <= set(got):
        time.sleep(0.1)
        texts = [event.get("text", "") for event in viewer.events()]
        got = [text for text in texts if text.startswith("mark ")]
    assert got == [text for text in made if text in got or text not in may_miss], f"{got} of {made}"
    return f"{len(got)} of {len(made)} marks arrived, once and in order"


def killed_with_mail_waiting(times: float) -> Found:
    """The daemon is killed while its outbox holds what no broker took, and started again."""
    from test_mqtt import Broker, Viewer

    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        place.chmod(0o777)
        (place / "store").mkdir()
        broker = Broker(place, f"allow_anonymous true\npersistence true\npersistence_location {place}/\n")
        viewer = Viewer(broker.port)
        tables = f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\ntls = false\n'
        made: list[str] = []
        last: list[str] = []
        with Daq(place / "daq") as daq:
            one = Bench(place, daq, armed=False, tables=tables)
            one.hear("has begun")
            broker.process.terminate()
            broker.process.wait()
            for _ in range(int(times)):
                for _ in range(5):
                    made.append(f"mark {len(made)}")
                    assert ask_daemon(one.store, Ask.MARK, made[-1], SystemClock(), 30.0).reason is None
                last.append(made[-1])  # the feed may not have it yet: feeds may lose
                one.process.kill()
                one.process.wait()
                heard = len(one.said())
                one.start()
                one.hear("going on with soak 1", heard)
                one.hear("started again", heard)
            broker.start()
            try:
                seen = _arrived(viewer, made, last)
            finally:
                one.stop()
                viewer.close()
                broker.kill()
        stored = sum(mark.text.startswith("mark ") for mark in Reader(one.store).marks(1))
        how = f"kill -9 {times:.0f} times while the broker was down, its outbox opened again"
        lost_here = len(made) - stored
        says = f"{lost_here} of {len(made)} marks in the record; {seen}, the others made as it was killed"
        return Found("killed with MQTT on", how, says, "", lost_here == 0)


def garbage(lasts_s: float) -> Found:
    """The DAQ sends as many bytes of rubbish as its line carries in an hour."""
    rng = random.Random(3)

    def act(one: Bench, _machine: FaultyMachine) -> str:
        before_mb = _memory_mb(one.process.pid)
        while one.daq.rubbish_bytes < 11_520 * lasts_s:
            one.daq.rubbish = rng.randbytes(4096)
            time.sleep(0.05)
        one.daq.rubbish = None
        back_s = time.monotonic()
        scans = len(one.daq.sent)
        while len(one.daq.sent) < scans + 20:
            time.sleep(0.02)
        stored = one.daq.sent[scans + 5][1]
        while Reader(one.store).scans(1).sequence[-1] < stored:
            assert time.monotonic() < back_s + PATIENCE_S, one.said()
            time.sleep(0.05)
        took_s = time.monotonic() - back_s
        grown_mb = _memory_mb(one.process.pid) - before_mb
        return f"the line it broke into; measuring again after {took_s:.1f} s; memory {grown_mb:+.0f} MB"

    how = f"as many bytes as 115,200 baud carry in {lasts_s / 60:.0f} min, as fast as it takes them"
    found = on_a_bench("DAQ sends garbage", how, act, opens=True)
    whole = "damaged" not in found.lost and "opened" in found.meanwhile
    return replace(found, kept=whole and int(found.lost.split()[0]) <= 5)


def _memory_mb(process: int) -> float:
    text = Path(f"/proc/{process}/status").read_text()
    return int(re.findall(r"VmRSS:\s+(\d+) kB", text)[0]) / 1000.0


def flapping(lasts_s: float) -> Found:
    """The port goes away and comes back at odd moments."""
    rng = random.Random(4)

    def act(one: Bench, _machine: FaultyMachine) -> str:
        flaps = 0
        until_s = time.monotonic() + lasts_s
        while time.monotonic() < until_s:
            one.daq.unplug()
            time.sleep(rng.choice([0.05, 0.5, 2.0]))
            one.daq.plug()
            time.sleep(rng.choice([0.1, 1.0, 4.0]))
            flaps += 1
        back_s = time.monotonic()
        last = one.daq.sequence
        while Reader(one.store).scans(1).sequence[-1] < last + 10:
            assert time.monotonic() < back_s + PATIENCE_S, one.said()
            time.sleep(0.05)
        took_s = time.monotonic() - back_s - 1.0
        return f"on the way when it was pulled, {flaps} times; measuring again after {took_s:.1f} s"

    how = f"pulled and put back at odd moments for {lasts_s:.0f} s"
    found = on_a_bench("port flapping", how, act, opens=True)
    scans, pulls = (int(number) for number in re.findall(r"^(\d+) of .*pulled, (\d+) times", found.lost)[0])
    return replace(found, kept=scans <= 10 * pulls and "damaged" not in found.lost)


def reboot(away_s: float) -> Found:
    """SIGTERM to all, then SIGKILL; later the command of the unit, before the DAQ is there."""
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        (place / "store").mkdir()
        with Daq(place / "daq") as daq:
            one = Bench(place, daq)
            one.close_it()
            with Readers(one.store, place):
                time.sleep(5.0)
                asked_s = time.monotonic()
                one.process.terminate()
                one.process.wait(30)
                ended_s = time.monotonic() - asked_s
            daq.unplug()
            missing, many = lost(one.store, daq)
            last = Reader(one.store).scans(1).sequence[-1]
            tail = sum(1 for at_s, sequence, _, _ in daq.sent if sequence > last and at_s < asked_s)
            heard = len(one.said())
            one.start("--wait")
            time.sleep(away_s)
            daq.plug(reset=True)
            one.hear("soak 2 has begun", heard)
            one.stop()
        soaks = [soak.how for soak in Reader(one.store).soaks()]
        says = f"{missing} of {many} scans, and the last {tail} before it; closed in {ended_s:.1f} s"
        how = f"SIGTERM, {away_s:.0f} s later `run --wait` before the DAQ is there"
        kept = missing == 0 and tail < 10 and soaks == ["stopped", "stopped"] and is_whole(one.store)
        return Found("reboot (simulated)", how, f"{says}; a new one began by itself", "", kept)


def kill_9(times: float) -> Found:
    """Kill -9 at odd moments."""
    from test_daemon import killed

    with tempfile.TemporaryDirectory() as name:
        worst_s = killed(Path(name) / "soak.db", Path(name) / "daq", int(times))
    how = f"{times:.0f} times at odd moments, 30 and 150 times as fast as a soak"
    return Found("kill -9", how, f"{worst_s:.2f} s at most; integrity fine each time", "", worst_s <= 1.0)


def many_soaks(many: float) -> Found:
    """A store of so many soaks beside one of a tenth: what does each thing take?"""
    with tempfile.TemporaryDirectory() as name:
        few, all_of_it = (_answered(Path(name) / f"{n:.0f}", _soaks, int(n)) for n in (many / 10, many))
    how = f"{many:,.0f} soaks in one store (beside {many / 10:,.0f})"
    words = [f"{what} {all_of_it[what]:.1f} s ({few[what]:.1f})" for what in few]
    return Found("large store", how, "nothing", ", ".join(words), max(all_of_it.values()) < 60.0)


def many_findings(many: float) -> Found:
    """A soak with so many findings."""
    with tempfile.TemporaryDirectory() as name:
        few, all_of_it = (_answered(Path(name) / f"{n:.0f}", _findings, int(n)) for n in (many / 100, many))
    how = f"{many:,.0f} findings in one soak (beside {many / 100:,.0f})"
    words = [f"{what} {all_of_it[what]:.1f} s ({few[what]:.1f})" for what in few]
    return Found("many findings", how, "nothing", ", ".join(words), max(all_of_it.values()) < 60.0)


def _answered(folder: Path, fill: Callable[[Path, int], None], many: int) -> dict[str, float]:
    """Fill a store and return how long each thing takes that is asked of it, in seconds."""
    (folder / "store").mkdir(parents=True)
    store = folder / "store" / "soak.db"
    with Daq(folder / "daq") as daq:  # one real soak
        one = Bench(folder, daq, armed=False)
        daq.on = True
        one.hear("has begun")
        time.sleep(10.0)
        one.stop()
        fill(store, many)
        took = {}
        for what, words in {
            "soaks list": ["soaks"],
            "soaks show": ["soaks", "show", "1"],
            "report": ["report", "1", "--out", str(folder / "soak.html")],
            "verify": ["verify"],
        }.items():
            began_s = time.monotonic()
            done = soakbench(*words, "--db", str(store))
            assert done.returncode == 0, done.stderr
            took[what] = time.monotonic() - began_s
        with dashboard(store, folder) as address, browser() as chromium:
            for what, path, whole in (
                ("Live page", "/", "#chart .main-svg text"),
                ("Soak page", "/soak/1", "#chart .main-svg text"),
                ("Jobs page", "/jobs", "#page h1, #page h2"),
            ):
                page = chromium.new_page()
                page.goto(address + "/jobs")
                page.wait_for_timeout(1000.0)
                began_s = time.monotonic()
                page.goto(address + path)
                page.wait_for_selector(whole, state="attached", timeout=120_000.0)
                took[what] = time.monotonic() - began_s
                page.close()
        heard = len(one.said())
        began_s = time.monotonic()
        one.start("--new")
        one.hear("has begun", heard)
        took["daemon to its first scan"] = time.monotonic() - began_s
        one.stop()
    return took


def _soaks(store: Path, many: int) -> None:
    """Copy a store's soak so often into it."""
    with contextlib.closing(sqlite3.connect(store)) as db:
        tables = {"soak": "id", "channel": "soak_id", "scan": "soak_id", "rollup": "soak_id"}
        tables |= {"finding": "soak_id", "mark": "soak_id"}
        for table, key in tables.items():
            columns = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
            kept = [name for name in columns if name != key and not (table == "mark" and name == "id")]
            fresh = ["uuid || '-' || copy" if name == "uuid" else name for name in kept]
            db.execute(
                "WITH RECURSIVE copies(copy) AS "
                f"(SELECT 2 UNION ALL SELECT copy + 1 FROM copies WHERE copy < {many}) "
                f"INSERT INTO {table} ({key}, {', '.join(kept)}) SELECT copy, {', '.join(fresh)} "
                f"FROM {table}, copies WHERE {key} = 1"
            )
        db.commit()


def _findings(store: Path, many: int) -> None:
    """Put so many findings into a store's soak."""
    kept = ("warning", "", "{}", '["pair1"]', "pair1", "intermittent", 1)
    rows = [(n, n % 9, n % 9, n % 9, f"pair1 crackled, {n}", *kept) for n in range(1, many + 1)]
    names = "id, onset_s, raised_s, cleared_s, says, severity, advice, evidence, channels, channel, kind"
    with contextlib.closing(sqlite3.connect(store)) as db:
        db.execute("DELETE FROM finding")
        db.executemany(f"INSERT INTO finding ({names}, soak_id) VALUES ({', '.join('?' * 12)})", rows)
        db.commit()


def power_cut(states: float) -> Found:
    """The power goes, at each moment that the store is written at; twenty times as fast as a soak."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for one in ("store", "cut"):
            (folder / one).mkdir()
        machine = FaultyMachine(folder / "machine", folder / "store" / "soak.db", recorded=True)
        with TinyDaq(folder / "daq", idle, daq=DAQ, speed=20) as daq:
            environment = os.environ | machine.environment | {"PYTHONPATH": str(ROOT)}
            one = Bench(folder, daq, armed=False, env=environment)
            one.hear("has begun")
            time.sleep(max(10.0, states / 33.0))
            one.process.kill()
            one.process.wait()
            sent = {sequence: at_s for at_s, sequence, _, _ in daq.sent}
            order = sorted(sent)
        found = cuts(machine.log, one.store, folder / "cut", order, int(states), seed=1)
    waited_s = [at_s - sent[order[number]] for at_s, number in found.stored if number < len(order)]
    worst_s = max(0.0, *waited_s)
    how = f"{found.states} states that a cut may leave: what was not synced lost, or torn by sectors"
    says = f"{worst_s:.1f} s at most; {len(found.wrong)} states damaged, or short of a commit"
    if found.wrong:
        says += f" ({found.wrong[0]})"
    return Found("power cut (simulated)", how, says, "", worst_s <= 1.0 and not found.wrong)


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
    broker_down: (600.0, 15.0),
    killed_with_mail_waiting: (10, 2),
    garbage: (3600.0, 180.0),
    flapping: (60.0, 15.0),
    reboot: (20.0, 3.0),
    kill_9: (100, 5),
    power_cut: (2000, 300),
    many_soaks: (1000, 100),
    many_findings: (100_000, 1000),
}
"""Each fault, with how much of it in its long and its short form: seconds, times, states."""


def main() -> None:
    """Do what is asked for; keep the long forms' results, and lay them out in the docs."""
    parser = argparse.ArgumentParser(description="Faults on purpose, and what each does to a running soak.")
    names = [fault.__name__ for fault in FAULTS]
    parser.add_argument("faults", nargs="*", metavar="FAULT", help=", ".join(names))
    parser.add_argument("--short", action="store_true", help="a few minutes for all; nothing is kept")
    parser.add_argument("--read", nargs=2, type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.read:
        Reading(*options.read).until_told()
        return
    for word in options.faults:
        if word not in names:
            parser.error(f"there is no fault {word}: it must be one of {', '.join(names)}")
    for fault, (long_form, short_form) in FAULTS.items():
        if options.faults and fault.__name__ not in options.faults:
            continue
        found = fault(short_form if options.short else long_form)
        print(found, flush=True)
        if not options.short:
            kept = json.loads(RESULTS.read_text()) if RESULTS.exists() else {}
            load = os.getloadavg()[1] / (os.cpu_count() or 1)
            kept[fault.__name__] = asdict(found) | {
                "date": f"{datetime.now(UTC):%Y-%m-%d}",
                "load": round(load, 1),
            }
            RESULTS.write_text(json.dumps(kept, indent=1, ensure_ascii=False) + "\n")
            lay_out()


def lay_out() -> None:
    """Write the table between the page's marks."""
    kept = json.loads(RESULTS.read_text())
    rows = [kept[fault.__name__] for fault in FAULTS if fault.__name__ in kept]
    lines = ["| fault | how | lost | meanwhile |", "|---|---|---|---|"]
    for row in rows:
        held = "" if row["kept"] else "**not as promised:** "
        lines.append(f"| {row['fault']} | {row['how']} | {held}{row['lost']} | {row['meanwhile']} |")
    text = TABLE.read_text(encoding="utf-8")
    before, _, rest = text.partition(BEGINS)
    _, _, after = rest.partition(ENDS)
    table = "\n".join(lines)
    TABLE.write_text(f"{before}{BEGINS}\n{table}\n{ENDS}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
