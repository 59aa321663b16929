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

import numpy as np

from benchmarks.watch import OTHERS, PAIRS
from logger.blocks import DaqInfo
from logger.simulator.terminal import Board, scan_line

SCANS_PER_S: Final = 10
BEFORE_S: Final = 45 * 60
MEASURED_S: Final = 90
GOAL_S: Final = 72.0  # 2 % of a core
_BARE: Final = """
import serial, sys
port = serial.Serial(sys.argv[1], 115200, timeout=0.2, exclusive=True)
while True:
    port.read(port.in_waiting or 1)
"""
_SETUP: Final = """
schema = "soakbench.setup/1"
[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
port = "{port}"
scans_per_s = 10
[plan]
steps = [{{step = "warm-up", minutes = 30}}, {{step = "soak", minutes = 450}}]
"""
_KEYS: Final = {
    "pair current": "sense_ohm = 1.0",
    "HT": "divider_ohm = [1_000_000, 4_700]",
    "mains": 'sensor = "linear"\nvalue_per_V = 100',
    "chassis temperature": 'sensor = "ntc"',
    "ambient temperature": 'sensor = "ntc"',
}


def cost() -> tuple[float, float]:
    """Return CPU seconds per hour of soak: of the daemon, and of bare reading."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        setup = place / "setup.toml"
        ends = [Terminal(place / "daq"), Terminal(place / "bare")]
        setup.write_text(setup_text(place / "daq"))
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
    rows = rows_of((BEFORE_S + MEASURED_S) * SCANS_PER_S)
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
        channels = pairs + len(OTHERS)
        steps = (7.8125e-6,) * pairs + (0.000125,) * len(OTHERS)
        self.board = Board(DaqInfo("bench-16", 1, steps, (32767,) * channels, "power-on"))

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


def setup_text(port: Path, pairs: int = PAIRS) -> str:
    named = [(f"pair{j + 1}", "pair current") for j in range(pairs)] + list(OTHERS)
    channels = [
        f'[[channel]]\nname = "{name}"\nmeasures = "{what}"\npin = {pin}\n{_KEYS[what]}\n'
        for pin, (name, what) in enumerate(named)
    ]
    return _SETUP.format(port=port) + "".join(channels)


def rows_of(scans: int, pairs: int = PAIRS) -> list[list[int]]:
    """Return counts of an amplifier that settles, with noise; HT comes on after 25 s."""
    rng = np.random.default_rng(7)
    t_s = np.arange(scans) / SCANS_PER_S
    warm = 1.0 - np.exp(-t_s / 600.0)
    idle = np.concatenate([9000.0 + 800.0 * warm[:, None] + np.zeros((scans, pairs))], axis=1)
    rest = np.column_stack([17_000 + 0 * t_s, 18_400 + 0 * t_s, 12_000 - 4000 * warm, 13_000 + 0 * t_s])
    counts = np.column_stack([idle, rest]) + rng.normal(0.0, 3.0, (scans, pairs + 4))
    counts[t_s < 25.0, : pairs + 1] = rng.normal(0.0, 3.0, (int((t_s < 25.0).sum()), pairs + 1))
    return [[int(count) for count in row] for row in np.rint(counts).tolist()]


def cpu_s(pid: int) -> float:
    """Return the CPU seconds that a process has used; Linux."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def results() -> list[dict[str, Any]]:
    """Return both figures, and their ratio."""
    watching, reading = cost()
    return [
        {
            "name": name,
            "value": value,
            "unit": unit,
            "goal": goal,
            "better": "less",
            "n": 1,
            "low": None,
            "high": None,
        }
        for name, value, unit, goal in (
            ("CPU seconds an hour of soak, 16 channels at 10 scans/s", watching, "s", GOAL_S),
            ("the same, bare reading with pyserial", reading, "s", None),
            ("watching over bare reading", watching / reading, "ratio", None),
        )
    ]


def main() -> None:
    """Measure and print."""
    for figure in results():
        goal = f" (goal {figure['goal']:g})" if figure["goal"] else ""
        print(f"{figure['name']}: {figure['value']:.1f} {figure['unit']}{goal}")


if __name__ == "__main__":
    main()
