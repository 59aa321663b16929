"""How soon a command answers: its help, over a bare interpreter that does nothing.

python -m benchmarks.start
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Final

from benchmarks.lines import Line, in_turn, line, over, rounded, show
from soakbench import COMMANDS

TOP_RUNS: Final = 21
RUNS: Final = 5
GOAL: Final = 2.0


def results() -> list[Line]:
    """Return the top help's ratio, then each command's; the slowest and the quickest of these first."""
    door = str(Path(sys.executable).with_name("soakbench"))
    bare = _ran([sys.executable, "-c", "pass"])
    top = _ran([door, "--help"])
    bare()
    top()  # the first reads the disk
    top_s, bare_s = in_turn(TOP_RUNS, top, bare)
    found = [line("soakbench --help over python -c pass", "ratio", GOAL, over(top_s, bare_s))]
    for name, _, _ in COMMANDS:
        command = _ran([door, name, "--help"])
        command()
        taken_s, beside_s = in_turn(RUNS, command, bare)
        one = line(f"start of soakbench {name} over python -c pass", "ratio", None, over(taken_s, beside_s))
        found.append(one | {"means": f"{rounded(sorted(taken_s)[RUNS // 2])} s"})
    return found


def _ran(command: list[str]) -> Callable[[], object]:
    return lambda: subprocess.run(command, stdout=subprocess.DEVNULL, check=True)


if __name__ == "__main__":
    show(results())
