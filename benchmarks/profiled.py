"""Where the time of the worst lines goes: profiles by function, kept as text in `profiles/`.

    python -m benchmarks.profiled [NAME...]

A profiler makes calls dearer than they are, and a busy machine all of it: shares tell, not seconds.
"""

from __future__ import annotations

import cProfile
import io
import json
import os
import pstats
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Final

FOLDER: Final = Path(__file__).with_name("profiles")
ROWS: Final = 25
_RUNS: Final = 40


def _zoom() -> Callable[[], object]:
    """Ten minutes of scans out of 72 h, asked for forty times."""
    from benchmarks.zoom import made
    from dashboard.bench import IN_FORCE, Bench
    from dashboard.chart import Asked, Charts
    from dashboard.figures import View
    from logger import units
    from logger.clock import SystemClock

    charts = Charts(Bench(made(), SystemClock()))
    asked = Asked(View(1280, (72_000.0, 72_600.0)), IN_FORCE, units.PAIR_UNITS[0], None, "", "")
    json.dumps(charts.answer(1, asked))
    return lambda: [json.dumps(charts.answer(1, asked)) for _ in range(_RUNS)]


def _judge() -> Callable[[], object]:
    """A log of 2.4 h of 16 channels, judged in a process that has judged none."""
    from benchmarks.judge import made, setup_of
    from logger.judge import judge_log
    from logger.setup import load

    log = made(2.4)
    setup = load(setup_of(log))
    return lambda: judge_log(log, setup)


_WORKS: Final = {"zoom": _zoom, "judge": _judge}


def profiled(name: str) -> str:
    """Return the profile of one of the works as text."""
    work = _WORKS[name]()
    profile = cProfile.Profile()
    profile.runcall(work)
    out = io.StringIO()
    pstats.Stats(profile, stream=out).sort_stats("tottime").print_stats(ROWS)
    home = f"{Path(__file__).parents[1]}/"
    text = re.sub(r"/\S*/(site-packages|python3\.\d+)/", r"\1/", out.getvalue().replace(home, ""))
    return f"{_WORKS[name].__doc__}\n\n" + "\n".join(row.rstrip() for row in text.strip().splitlines()) + "\n"


def main() -> None:
    """Profile what is named, or all."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the front door has it
    FOLDER.mkdir(exist_ok=True)
    for name in sys.argv[1:] or _WORKS:
        (FOLDER / f"{name}.txt").write_text(profiled(name), encoding="utf-8")


if __name__ == "__main__":
    main()
