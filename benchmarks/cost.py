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
from pathlib import Path
from typing import Any, Final

from benchmarks.lines import SCANS_PER_S, Line, counts_of, cpu_s, daq_of, line, setup_text, show
from benchmarks.watch import PAIRS
from logger.simulator.terminal import Board, scan_line

BEFORE_S: Final = 45 * 60
MEASURED_S: Final = 90
GOAL_S: Final = 72.0  # 2 % of a core
_BARE: Final = """
import serial, sys
port = serial.Serial(sys.argv[1], 115200, timeout=0.2, exclusive=True)
while True:
    port.read(port.in_waiting or 1)
"""


def cost() -> tuple[float, float]:
    """Return CPU seconds per hour of soak: of the daemon, and of bare reading."""
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


def _measured(ends: list[Terminal], processes: list[subprocess.Popen[bytes]]) -> tuple[float, float]:
    daq, bare = ends
    while not daq.board.rate:
        daq.serve(0.05)
    rows = counts_of((BEFORE_S + MEASURED_S) * SCANS_PER_S, PAIRS).tolist()
    for number in range(BEFORE_S * SCANS_PER_S):
        daq.send(scan_line(number, 100 * number, rows[number], 0))
    time.sleep(3.0)  # what waits in buffers is taken
    before = [cpu_s(process.pid) for process in processes]
    started = time.monotonic()
    for step in range(MEASURED_S * SCANS_PER_S):
        number = BEFORE_S * SCANS_PER_S + step
        line = scan_line(number, 100 * number, rows[number], 0)
        daq.send(line)
        bare.send(line)
        time.sleep(max(0.0, started + (step + 1) / SCANS_PER_S - time.monotonic()))
    spent = [cpu_s(process.pid) - was for process, was in zip(processes, before, strict=True)]
    return spent[0] * 3600.0 / MEASURED_S, spent[1] * 3600.0 / MEASURED_S


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
    """Return both figures, and their ratio."""
    watching, reading = cost()
    return [
        line("CPU seconds an hour of soak, 16 channels at 10 scans/s", "s", GOAL_S, [watching]),
        line("the same, bare reading with pyserial", "s", None, [reading]),
        line("watching over bare reading", "ratio", None, [watching / reading]),
    ]


if __name__ == "__main__":
    show(results())
