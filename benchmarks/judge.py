"""How quick is a log of 24 h judged, 16 channels at 10 scans/s, and what memory does that take?

Whole processes, in turn: `soakbench judge`, and a program that reads the same file with numpy.loadtxt in
blocks and drops what it has read. The log is made once, and kept in `out/`. Memory is the most that a process
held; a log of a tenth of the length, judged beside it, tells whether that grows.

    python -m benchmarks.judge
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import numpy as np

from benchmarks.lines import (
    OUT,
    SCANS_PER_S,
    Line,
    counts_of,
    daq_of,
    line,
    over,
    setup_text,
    show,
    slope,
    timed,
)
from benchmarks.watch import PAIRS
from logger import logfile
from logger.blocks import ScanBlock
from logger.setup import parse

HOURS: Final = 24.0
RUNS: Final = 5
GOAL_S: Final = 8.0
GOAL_RATIO: Final = 3.0
GOAL_MB: Final = 150.0

_PLAIN: Final = """
import gzip, sys
import numpy as np
with gzip.open(sys.argv[1], "rt", encoding="utf-8-sig") as log:
    for line in log:
        if not line.startswith("#"):
            break  # the header
    columns = [k for k, name in enumerate(line.split(",")) if name.strip() != "mark"]
    while True:
        block = log.readlines(1 << 20)
        if not block:
            break
        np.loadtxt(block, delimiter=",", usecols=columns)
"""


def made(hours: float) -> Path:
    """Return a log of so many hours, written where it is not there yet."""
    path = OUT / f"bench-{hours:g}h.csv.gz"
    if path.exists():
        return path
    OUT.mkdir(exist_ok=True)
    text = setup_text(PAIRS, soak_min=round(60 * hours) - 30)
    making = path.with_name(f"making-{path.name}")
    logfile.write(
        making, parse(text), text, daq_of(PAIRS), _blocks(hours), setup_path=setup_of(path), force=True
    )
    making.rename(path)
    return path


def setup_of(log: Path) -> Path:
    """Return where the set-up of such a log lies."""
    return log.with_name(log.name.removesuffix(".csv.gz") + ".toml")


def _blocks(hours: float) -> Iterator[ScanBlock]:
    scans = round(hours * 3600 * SCANS_PER_S)
    counts = counts_of(scans, PAIRS)
    for start in range(0, scans, 36_000):
        sequence = np.arange(start, min(start + 36_000, scans), dtype=np.int64)
        yield ScanBlock(sequence * 100_000, sequence, counts[sequence])


def results() -> list[Line]:
    """Return time and memory, over plain reading, and how both grow with the length of the log."""
    whole, tenth = made(HOURS), made(HOURS / 10.0)
    taken: list[tuple[float, ...]] = []
    for _ in range(RUNS):
        ours, ours_mb = _ran(_judge(whole))
        plain, _ = _ran([sys.executable, "-c", _PLAIN, str(whole)])
        short, short_mb = _ran(_judge(tenth))
        taken.append((ours, plain, short, ours_mb, short_mb))
    ours_s, plain_s, short_s, ours_mb, short_mb = zip(*taken, strict=True)
    return [
        line("judge: 24 h of 16 channels at 10 scans/s", "s", GOAL_S, ours_s),
        line("judge: over numpy.loadtxt in blocks", "ratio", GOAL_RATIO, over(ours_s, plain_s)),
        line("judge: memory", "MB", GOAL_MB, ours_mb),
        slope(
            "judge: time, hours x10",
            [HOURS / 10.0, HOURS],
            [short_s, ours_s],
            "1 is in proportion; the start of the program makes it less",
        ),
        slope("judge: memory, hours x10", [HOURS / 10.0, HOURS], [short_mb, ours_mb], "0 is flat"),
    ]


def _judge(log: Path) -> list[str]:
    return [sys.executable, "-m", "soakbench", "judge", str(log), "--setup", str(setup_of(log))]


def _ran(command: list[str]) -> tuple[float, float]:
    """Run a program; return how long it took, in s, and the most memory that it held, in MB."""
    most: list[float] = []
    took_s = timed(lambda: most.append(_most_mb(command)))
    return took_s, most[0]


_MEASURED: Final = """
import os, subprocess, sys
process = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL)
_, status, used = os.wait4(process.pid, 0)
process.returncode = os.waitstatus_to_exitcode(status)
print(used.ru_maxrss)
sys.exit(process.returncode)
"""
"""Started by a small process: a program's greatest memory begins with that of whoever started it."""


def _most_mb(command: list[str]) -> float:
    measured = [sys.executable, "-c", _MEASURED, *command]
    done = subprocess.run(measured, stdout=subprocess.PIPE, text=True, check=False)
    if done.returncode not in (0, 1):
        raise SystemExit(f"{' '.join(command)} ended with {done.returncode}")
    return int(done.stdout) / 1024.0


if __name__ == "__main__":
    show(results())
