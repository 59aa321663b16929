"""What soakbench weighs: an install on disk by its largest parts, the daemon in memory after 200 scans.

On disk: all files of every package that an install without extras brings, as their own records list them,
with bytecode; the same as a new environment has, less its own pip. In memory: the daemon of 16 channels at 10
scans/s; PSS shares what it has in common with other processes. Beside it a Python that has only imported
the foreign packages that the daemon uses.

    python -m benchmarks.weight
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from importlib import metadata
from pathlib import Path
from typing import Any, Final

from benchmarks.cost import Terminal
from benchmarks.lines import SCANS_PER_S, Line, counts_of, line, setup_text, show
from benchmarks.watch import PAIRS
from logger.clock import SystemClock
from logger.simulator.terminal import scan_line
from logger.store.writer import Writer
from release.licences import needed

LARGEST: Final = 8
FIRST_SCANS: Final = 20 * SCANS_PER_S
RUNS: Final = 3
_BARE: Final = "import numpy, scipy.special, sqlalchemy, pydantic, serial, typer; print(flush=True); input()"


def on_disk() -> dict[str, float]:
    """Return MB by package, soakbench among them, of an install without extras."""
    here = Path(__file__).resolve().parents[1]
    own = [here / "soakbench.py", *(here / "logger").rglob("*.*"), *(here / "dashboard").rglob("*.*")]
    out = {"soakbench": sum(path.stat().st_size for path in own if path.suffix != ".pyc") / 1e6}
    for name in needed():
        if name != "soakbench":
            files = [Path(str(file.locate())) for file in metadata.files(name) or []]
            out[name] = sum(path.stat().st_size for path in files if path.is_file()) / 1e6
    return out


def in_memory() -> tuple[list[float], list[float], list[float]]:
    """Return RSS and PSS of the daemon after its first scans, and PSS of a Python with what it uses, MB."""
    rss, pss, bare = [], [], []
    for _ in range(RUNS):
        with tempfile.TemporaryDirectory() as folder:
            place = Path(folder)
            end = Terminal(place / "daq")
            setup = place / "setup.toml"
            setup.write_text(setup_text(PAIRS, soak_min=450, port=place / "daq"))
            Writer(
                place / "soak.db", SystemClock()
            ).close()  # a store that is there, as on any day but the first
            command = [sys.executable, "-m", "soakbench", "run", str(setup), "--load", "none"]
            command += ["--db", str(place / "soak.db")]
            quiet: dict[str, Any] = {"stdin": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
            daemon = subprocess.Popen(command, **quiet)
            other = subprocess.Popen(
                [sys.executable, "-c", _BARE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
            )
            assert other.stdout is not None
            try:
                other.stdout.readline()
                while not end.board.rate:
                    end.serve(0.05)
                started = time.monotonic()
                for number, row in enumerate(counts_of(FIRST_SCANS, PAIRS).tolist()):
                    end.send(scan_line(number, 1000 // SCANS_PER_S * number, row, 0))
                    time.sleep(max(0.0, started + (number + 1) / SCANS_PER_S - time.monotonic()))
                rss.append(_memory_mb(daemon.pid, "Rss"))
                pss.append(_memory_mb(daemon.pid, "Pss"))
                bare.append(_memory_mb(other.pid, "Pss"))
            finally:
                other.communicate("\n")
                daemon.terminate()
                daemon.wait(30)
                end.close()
    return rss, pss, bare


def _memory_mb(pid: int, what: str) -> float:
    for row in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
        if row.startswith(f"{what}:"):
            return int(row.split()[1]) * 1024 / 1e6
    raise LookupError(what)


def results() -> list[Line]:
    """Return what an install weighs, its largest parts, and the daemon's memory."""
    parts = on_disk()
    rss, pss, bare = in_memory()
    largest = sorted(parts, key=lambda name: -parts[name])[:LARGEST]
    return [
        line(f"an install without extras, {len(parts)} packages", "MB", None, [sum(parts.values())]),
        *(line(f"of it {name}", "MB", None, [parts[name]]) for name in largest),
        line("of it soakbench itself", "MB", None, [parts["soakbench"]]),
        line("the daemon after its first 200 scans of 16 channels, RSS", "MB", None, rss),
        line("the same, PSS", "MB", None, pss),
        line("the same over a Python with the packages that it uses, PSS", "ratio", None, _ratios(pss, bare)),
    ]


def _ratios(ours: list[float], theirs: list[float]) -> list[float]:
    return [one / other for one, other in zip(ours, theirs, strict=True)]


if __name__ == "__main__":
    show(results())
