"""What does watching cost? CPU seconds per hour of soak, 16 channels at 10 scans/s, beside bare reading.

The daemon is a process of its own on a pseudo-terminal: it reads, converts, watches, stores and shows. The
first 45 minutes of the soak come as fast as it takes them, so that its detectors have their record; then it
is measured at the pace of every day. Beside it, at the same time, a process reads the same bytes with
pyserial and drops them.

    python -m benchmarks.cost
"""

from __future__ import annotations

import os
import select
import subprocess
import sys
import tempfile
import time
import tty
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from benchmarks.lines import SCANS_PER_S, Line, counts_of, cpu_s, daq_of, line, setup_text, show
from benchmarks.watch import PAIRS
from logger.simulator.terminal import Board, scan_line

BEFORE_S: Final = 45 * 60
STRETCH_S: Final = 15
STRETCHES: Final = 6
GOAL_PERCENT: Final = 2.0
_BARE: Final = """
import serial, sys
port = serial.Serial(sys.argv[1], 115200, timeout=0.2, exclusive=True)
while True:
    port.read(port.in_waiting or 1)
"""


@dataclass
class Spent:
    """By stretch: CPU seconds an hour, of the daemon and of bare reading; the daemon's memory in MB."""

    watching: list[float] = field(default_factory=list)
    reading: list[float] = field(default_factory=list)
    memory_mb: list[float] = field(default_factory=list)


def cost() -> Spent:
    """Run daemon and bare reading side by side."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        setup = place / "setup.toml"
        ends = [Terminal(place / "daq"), Terminal(place / "bare")]
        setup.write_text(setup_text(PAIRS, soak_min=450, port=place / "daq"))
        store = str(place / "soak.db")
        daemon = [sys.executable, "-m", "soakbench", "run", str(setup), "--db", store, "--load", "none"]
        commands = [daemon, [sys.executable, "-c", _BARE, str(place / "bare")]]
        quiet: dict[str, Any] = {"stdin": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        processes = [subprocess.Popen(command, **quiet) for command in commands]
        try:
            return _measured(ends, processes)
        finally:
            for process in processes:
                process.terminate()
            for process in processes:
                process.wait(30)
            for end in ends:
                end.close()


def _measured(ends: list[Terminal], processes: list[subprocess.Popen[bytes]]) -> Spent:
    daq, bare = ends
    while not daq.board.rate:
        daq.serve(0.05)
    rows = counts_of((BEFORE_S + STRETCHES * STRETCH_S) * SCANS_PER_S, PAIRS).tolist()
    sent = [scan_line(number, 100 * number, row, 0) for number, row in enumerate(rows)]
    before = BEFORE_S * SCANS_PER_S
    for text in sent[:before]:
        daq.send(text)
    time.sleep(3.0)  # what waits in buffers is taken
    found = Spent()
    used = [cpu_s(process.pid) for process in processes]
    started = time.monotonic()
    for step, text in enumerate(sent[before:], 1):
        daq.send(text)
        bare.send(text)
        time.sleep(max(0.0, started + step / SCANS_PER_S - time.monotonic()))
        if step % (STRETCH_S * SCANS_PER_S) == 0:
            now = [cpu_s(process.pid) for process in processes]
            found.watching.append((now[0] - used[0]) * 3600.0 / STRETCH_S)
            found.reading.append((now[1] - used[1]) * 3600.0 / STRETCH_S)
            found.memory_mb.append(memory_mb(processes[0].pid))
            used = now
    return found


def memory_mb(pid: int) -> float:
    """Return what a process holds in memory; Linux."""
    held = Path(f"/proc/{pid}/statm").read_text().split()[1]
    return int(held) * os.sysconf("SC_PAGE_SIZE") / 1e6


class Terminal:
    """A pseudo-terminal with a board's side of the line protocol."""

    def __init__(self, link: Path, pairs: int = PAIRS) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        link.symlink_to(os.ttyname(self._slave))
        self.board = Board(daq_of(pairs))

    def serve(self, timeout_s: float) -> None:
        if select.select([self._master], [], [], timeout_s)[0]:
            os.write(self._master, self.board.hear(os.read(self._master, 4096)))

    def send(self, line: bytes) -> None:
        self.serve(0.0)
        while line:
            line = line[os.write(self._master, line) :]

    def close(self) -> None:
        os.close(self._master)
        os.close(self._slave)


def results() -> list[Line]:
    """Return both, their ratio, and the daemon's memory."""
    found = cost()
    percent = [one / 36.0 for one in found.watching]
    # Bare reading takes a few of the clock's ticks in a stretch: its mean is the reference of all.
    ratios = [one / (sum(found.reading) / STRETCHES) for one in found.watching]
    grown = (found.memory_mb[-1] - found.memory_mb[0]) / ((STRETCHES - 1) * STRETCH_S / 3600.0)
    return [
        line("daemon: CPU, 16 channels at 10 scans/s", "% of a core", GOAL_PERCENT, percent),
        line("daemon: CPU, over bare reading with pyserial", "ratio", None, ratios),
        line("daemon: memory", "MB", None, found.memory_mb),
        line("daemon: memory grown in an hour, by the last minute and a quarter", "MB", None, [grown]),
    ]


if __name__ == "__main__":
    show(results())
