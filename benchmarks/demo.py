"""The whole job from the command line: full soaks of simulated amps played, and their logs judged.

python -m benchmarks.demo
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

from benchmarks.lines import Line, line, show, timed

DEMOS: Final = ("healthy", "drift", "runaway")
GOAL_S: Final = 60.0


def results() -> list[Line]:
    """Return how long soaks take to play and to judge."""
    played, judged = [], []
    with tempfile.TemporaryDirectory() as folder:
        for name in DEMOS:
            out = Path(folder) / name
            played.append(timed(lambda name=name, out=out: _ran("demo", name, "--headless", "--out", out)))
            log, setup = out / "log.csv.gz", out / "setup.toml"
            judged.append(timed(lambda log=log, setup=setup: _ran("judge", log, "--setup", setup)))
    return [
        line("demo --headless: 2 h 30 min at 10 scans/s, 8 channels", "s", GOAL_S, played),
        line("judge: the log of that soak", "s", None, judged),
    ]


def _ran(*arguments: str | Path) -> None:
    """Run a command; 1 is the right answer where the amp has a fault."""
    command = [sys.executable, "-m", "soakbench", *map(str, arguments)]
    ran = subprocess.run(command, capture_output=True, text=True, check=False)
    if ran.returncode not in (0, 1):
        raise SystemExit(f"{' '.join(command)} ended with {ran.returncode}: {ran.stderr}")


if __name__ == "__main__":
    show(results())
