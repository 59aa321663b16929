"""Three days of soak through the whole daemon, sped up: what grows, what is left over, what restarts change.

    python -m benchmarks.endurance [--hours 72] [--restarts 20] [--scenario intermittent] [--seed 1]

Twice the same simulated amp at 10 scans/s over a pseudo-terminal, as `soakbench demo --headless` plays it:
once through, and once with the daemon killed (SIGKILL) and started again with `--resume` on the way. Each
daemon is a process of its own, and says now and then what it holds: memory, descriptors, threads, the log of
the store's database. A line that is sped up holds minutes of the soak in its buffers, so before each kill the
board is told to hold still until all that it has sent is stored. So no scan is lost, and whatever
is different is the restart's doing; what kills lose in earnest is the faults' tests' business. Somebody reads
the store all the while, as a dashboard does.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final

from logger import daemon
from logger.finding import Finding, Kind
from logger.judge import judge_soak
from logger.link.kinds import open_link
from logger.link.lines import command_line
from logger.pipeline import Output
from logger.resume import Resume
from logger.setup import parse
from logger.simulator.scenarios import Scenario, scenario
from logger.store.reader import Reader

SCANS_PER_S: Final = 10.0
HOURS: Final = 72.0
RESTARTS: Final = 20
GROWTH_MB: Final = 5.0
"""At most, after the first hour."""
WAL_MB: Final = 16.0
"""At most; SQLite writes its log back once it has 4 MB, and a commit of this speed may come on top."""
_SETTLED_S: Final = 3600.0
_LOOK_EVERY_S: Final = 300.0
"""Of the soak."""
_HOLD: Final = command_line("rate", 0.0)
_HELD_S: Final = 2.0  # less than what a daemon waits before it asks who is there
_STILL_S: Final = 3.0
_PATIENCE_S: Final = 300.0


@dataclass
class Held:
    """What a daemon's process holds at a time of the soak."""

    t_s: float
    rss_mb: float
    descriptors: int
    threads: int
    wal_mb: float


@dataclass
class Ran:
    """One soak from its first scan to its end, by one daemon or by several."""

    store: Path
    took_s: float = 0.0
    held: list[list[Held]] = field(default_factory=list)
    """Of each daemon: before it began, on the way, after it had ended (the last only)."""

    @property
    def settled_mb(self) -> float:
        """The memory of the first daemon after an hour of the soak."""
        return next(h.rss_mb for h in self.held[0][1:] if h.t_s >= _SETTLED_S)

    @property
    def grown_mb(self) -> float:
        """How much the first daemon has grown after an hour, at most, while it soaks."""
        return max(h.rss_mb for h in self.held[0][1:-1] if h.t_s >= _SETTLED_S) - self.settled_mb

    @property
    def wal_mb(self) -> float:
        """The largest that the database's log has been."""
        return max(h.wal_mb for one in self.held for h in one)

    @property
    def left_over(self) -> tuple[int, int]:
        """How many descriptors and threads more than before the last daemon had, once its soak had ended."""
        before, after = self.held[-1][0], self.held[-1][-1]
        return after.descriptors - before.descriptors, after.threads - before.threads

    @property
    def spread(self) -> tuple[int, int]:
        """By how many descriptors and threads a daemon has more in its later half than before, at most.

        The least of each half is compared: a commit that is under way has a thread and a descriptor.
        """
        on_way = [one[1:] for one in self.held if len(one) > 2]
        return (
            max(_more([h.descriptors for h in one]) for one in on_way),
            max(_more([h.threads for h in one]) for one in on_way),
        )


def _more(counts: Sequence[int]) -> int:
    half = len(counts) // 2
    return min(counts[half:]) - min(counts[:half])


def once_through(played: Scenario, folder: Path) -> Ran:
    """Soak without a break."""
    return _soak(played, folder / "whole.db", ())


def with_restarts(played: Scenario, folder: Path, restarts: int) -> Ran:
    """Soak the same scans with the daemon killed and started again so many times, at times drawn anew."""
    rng = random.Random(restarts)
    # more of them early: each replays all that was before it
    shares = [((n + 0.6 * rng.random()) / restarts) ** 1.5 for n in range(restarts)]
    at_s = [120.0 + (played.soaked_at_s - 120.0) * share for share in shares]
    return _soak(played, folder / "broken.db", at_s)


def _soak(played: Scenario, store: Path, kills_s: Sequence[float]) -> Ran:
    began_s = time.monotonic()
    ran = Ran(store)
    with _board(played) as (port, board):
        for kill_s in [*kills_s, None]:
            child = _Child(played, store, port, "no" if not ran.held else "must")
            ran.held.append(child.held)
            while child.goes_on(kill_s):
                if len(child.held) > 1:  # so the store is there
                    _look(store)
            if kill_s is None:
                break
            port.write_bytes(_HOLD)
            time.sleep(_HELD_S)
            board.send_signal(signal.SIGSTOP)  # or the daemon, hearing nothing, has it scan again
            _until_still(store)
            child.kill()
            port.write_bytes(_HOLD)  # after what the dead one may have asked for
            board.send_signal(signal.SIGCONT)
    ran.took_s = time.monotonic() - began_s
    return ran


class _Child:
    """A daemon in a process of its own, and what it has said of itself."""

    def __init__(self, played: Scenario, store: Path, port: Path, resume: Resume) -> None:
        context = multiprocessing.get_context("spawn")
        self._said, saying = context.Pipe(duplex=False)
        what = (played.name, played.seed, played.warm_up_min, played.soak_min)
        self._process = context.Process(target=_daemon, args=(what, store, port, resume, saying))
        self._process.start()
        saying.close()
        self.held: list[Held] = []
        self._heard_s = time.monotonic()

    def goes_on(self, until_s: float | None) -> bool:
        """Hear for a second what it says; whether it has still some way to `until_s`, or to its end."""
        if self._said.poll(1.0):
            try:
                while self._said.poll(0.0):
                    self.held.append(self._said.recv())
            except EOFError:
                self._process.join()
                if until_s is not None or self._process.exitcode:
                    raise SystemExit(f"a daemon ended by itself ({self._process.exitcode})") from None
                return False
            self._heard_s = time.monotonic()
        elif time.monotonic() - self._heard_s > _PATIENCE_S:
            raise SystemExit(f"a daemon has said nothing for {_PATIENCE_S:.0f} s")
        return until_s is None or len(self.held) < 2 or self.held[-1].t_s < until_s

    def kill(self) -> None:
        """Kill it without a word."""
        self._process.kill()
        self._process.join()
        self._said.close()


def _daemon(
    what: tuple[str, int, float, float], store: Path, port: Path, resume: Resume, saying: Connection
) -> None:
    """Run one daemon as the demo does, and say what the process holds."""
    name, seed, warm_up_min, soak_min = what
    played = scenario(name, seed, warm_up_min=warm_up_min, soak_min=soak_min)
    text = played.setup_text(scans_per_s=SCANS_PER_S)
    setup = parse(text)
    next_s = -1.0
    wal_mb = 0.0

    def look(output: Output) -> None:
        nonlocal next_s, wal_mb
        wal_mb = max(wal_mb, _size_mb(store.with_name(f"{store.name}-wal")))
        if output.t_s >= next_s:
            next_s = output.t_s + _LOOK_EVERY_S
            saying.send(_held(output.t_s, wal_mb))

    saying.send(_held(0.0, 0.0))
    daemon.Daemon(
        setup=setup,
        setup_text=text,
        link=open_link(setup, port=str(port), speed=0.0, wait=True),
        store_path=store,
        say=lambda _text: None,
        speed=0.0,
        until_plan_done=True,
        on_output=look,
        marks=played.marks,
        resume=resume,
    ).run()
    saying.send(_held(played.duration_s, wal_mb))


def _held(t_s: float, wal_mb: float) -> Held:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return Held(
        round(t_s, 1),
        pages * os.sysconf("SC_PAGE_SIZE") / 1e6,
        len(list(Path("/proc/self/fd").iterdir())),
        len(list(Path("/proc/self/task").iterdir())),
        wal_mb,
    )


def _size_mb(path: Path) -> float:
    try:
        return path.stat().st_size / 1e6
    except FileNotFoundError:
        return 0.0


@contextmanager
def _board(played: Scenario) -> Iterator[tuple[Path, subprocess.Popen[bytes]]]:
    with tempfile.TemporaryDirectory() as folder:
        port = Path(folder) / "daq"
        command = [sys.executable, "-m", "logger.simulator.terminal", played.name, "--seed", str(played.seed)]
        command += ["--speed", "0", "--port-link", str(port), "--with-parent"]
        command += ["--warm-up-min", str(played.warm_up_min), "--soak-min", str(played.soak_min)]
        board = subprocess.Popen(command, stdin=subprocess.DEVNULL)
        try:
            while not port.exists():
                if board.poll() is not None:
                    raise SystemExit("the simulated DAQ ended before it had made its port")
                time.sleep(0.02)
            yield port, board
        finally:
            board.send_signal(signal.SIGCONT)
            board.terminate()
            board.wait()


def _look(store: Path) -> None:
    """Read what a dashboard reads."""
    reader = Reader(store)
    for soak in reader.soaks():
        reader.findings(soak.id)
        reader.marks(soak.id)


def _until_still(store: Path) -> None:
    """Wait until nothing more is stored."""
    last, since_s = -1, time.monotonic()
    while time.monotonic() - since_s < _STILL_S:
        now = Reader(store).soak().last_t_us or 0
        if now != last:
            last, since_s = now, time.monotonic()
        time.sleep(0.1)


@dataclass(frozen=True)
class Compared:
    """What restarts have changed of a soak."""

    findings: int
    changed: list[str]
    """Findings, figures and scans that are others; empty where all are the same."""
    missing: int
    """Scans that nobody has recorded while no daemon was there."""


def compare(whole: Path, broken: Path) -> Compared:
    """Hold a soak with restarts to one without."""
    one, other = (Reader(path) for path in (whole, broken))
    found, again = (
        [finding for finding in reader.findings(1) if finding.kind is not Kind.GAP] for reader in (one, other)
    )
    verdicts = [reader.soak(1).verdict or {} for reader in (one, other)]
    changed = []
    if found != again:
        changed.append(f"findings: {_said(found)} became {_said(again)}")
    for key, was in verdicts[0].items():
        if verdicts[1][key] != was:
            changed.append(f"{key} of the verdict: {was} became {verdicts[1][key]}")
    if judge_soak(other, 1) != verdicts[1]:
        changed.append("the soak with restarts, judged again, gives another verdict than the stored one")
    return Compared(len(found), changed, int(verdicts[1]["soak"]["scans_missing"]))


def _said(found: Sequence[Finding]) -> str:
    return "; ".join(f"{f.kind.value} {', '.join(f.channels)} at {f.onset_s:.1f} s" for f in found)


def results(
    hours: float = HOURS, restarts: int = RESTARTS, name: str = "intermittent", seed: int = 1
) -> list[dict[str, Any]]:
    """Return what was held, what was left over, and what the restarts changed."""
    played = scenario(name, seed, warm_up_min=30, soak_min=60.0 * hours - 30.0)
    with tempfile.TemporaryDirectory() as folder:
        with ThreadPoolExecutor(2) as side_by_side:
            through = side_by_side.submit(once_through, played, Path(folder))
            broken = with_restarts(played, Path(folder), restarts)
            whole = through.result()
        found = compare(whole.store, broken.store)
    for sentence in found.changed:
        print(sentence, file=sys.stderr)
    return figures(whole, broken, found, f"{hours:g} h, {restarts} restarts")


def figures(whole: Ran, broken: Ran, found: Compared, what: str) -> list[dict[str, Any]]:
    """Return the figures of both soaks, each with its goal."""
    both = (whole, broken)
    descriptors, threads = (max(one.left_over[k] for one in both) for k in (0, 1))
    more_descriptors, more_threads = (max(one.spread[k] for one in both) for k in (0, 1))
    memory = whole.held[0]
    return [
        _figure(f"endurance, {what}: memory at 1 h", whole.settled_mb, "MB", None),
        _figure("endurance: grown after the first hour", whole.grown_mb, "MB", GROWTH_MB),
        _figure("endurance: memory once the verdict is given", memory[-1].rss_mb, "MB", None),
        _figure(
            "endurance: descriptors more than at the beginning", max(descriptors, more_descriptors), "", 0
        ),
        _figure("endurance: threads more than at the beginning", max(threads, more_threads), "", 0),
        _figure("endurance: largest log of the database", max(one.wal_mb for one in both), "MB", WAL_MB),
        _figure("endurance: findings", found.findings, "", None),
        _figure("endurance: scans that nobody took", found.missing, "", None),
        _figure("endurance: what restarts have changed", len(found.changed), "", 0),
        _figure("endurance: once through", whole.took_s, "s", None),
        _figure("endurance: with restarts", broken.took_s, "s", None),
    ]


def _figure(name: str, value: float, unit: str, goal: float | None) -> dict[str, Any]:
    value = float(f"{value:.3g}")
    return {
        "name": name, "value": value, "unit": unit, "goal": goal, "better": "less", "n": 1, "low": None,
        "high": None,
    }  # fmt: skip


def main() -> int:
    """Soak twice, print; return 1 where a goal is missed."""
    parser = argparse.ArgumentParser(description="Three days of soak, sped up, with and without restarts.")
    parser.add_argument("--hours", type=float, default=HOURS)
    parser.add_argument("--restarts", type=int, default=RESTARTS)
    parser.add_argument("--scenario", default="intermittent")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    missed = 0
    found = results(options.hours, options.restarts, options.scenario, options.seed)
    for one in found:
        over = one["goal"] is not None and one["value"] > one["goal"]
        missed += over
        goal = "" if one["goal"] is None else f"  goal {one['goal']:g}{': MISSED' if over else ''}"
        print(f"{one['name']:<60} {one['value']:>8g} {one['unit']:<3}{goal}")
    if options.json is not None:
        options.json.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
