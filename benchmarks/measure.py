"""`make bench`: speed and size, printed and written to `results.json` with the date and the kind of machine.

    python -m benchmarks.measure

Each figure has its goal, if it has one, and the spread of its runs as low and high.
"""

from __future__ import annotations

import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchmarks import (
    across_coverage,
    calibration_coverage,
    compare_coverage,
    cost,
    dashboard,
    drift_coverage,
    drift_under_mains,
    feeds,
    hostile_lines,
    report,
    resume,
    selfwatch,
    settling_coverage,
    store,
    uncertainty_coverage,
    watch,
    zoom,
)
from logger.store.reader import Reader

RESULTS = Path(__file__).with_name("results.json")
HELP_RUNS = 21
DEMOS = ("healthy", "drift", "runaway")
GOAL_HELP = 3.0
GOAL_DEMO_S = 60.0


def results() -> list[dict[str, Any]]:
    """Return the figures of the front door and of the whole job."""
    return [_help_ratio(), *_demos()]


def _help_ratio() -> dict[str, Any]:
    """Measure the top help against a bare interpreter, in turn."""
    bare = [sys.executable, "-c", "pass"]
    door = [str(Path(sys.executable).with_name("soakbench")), "--help"]
    for command in (bare, door):
        _timed(command)  # the first reads the disk
    ratios = [_timed(door) / _timed(bare) for _ in range(HELP_RUNS)]
    return _figure("soakbench --help over python -c pass", "ratio", GOAL_HELP, ratios)


def _demos() -> list[dict[str, Any]]:
    """Play full soaks from the command line, and judge their logs."""
    played, judged, bytes_a_sample = [], [], []
    with tempfile.TemporaryDirectory() as folder:
        for name in DEMOS:
            out = Path(folder) / name
            command = [sys.executable, "-m", "soakbench"]
            played.append(_timed([*command, "demo", name, "--headless", "--out", str(out)], codes=(0, 1)))
            log, its_setup = str(out / "log.csv.gz"), str(out / "setup.toml")
            judged.append(_timed([*command, "judge", log, "--setup", its_setup], codes=(0, 1)))
            soak = Reader(out / "soak.db").soak()
            samples = soak.scans * len(soak.setup.channel)
            bytes_a_sample.append((out / "soak.db").stat().st_size / samples)
    return [
        _figure("demo --headless: 2 h 30 min at 10 scans/s, 8 channels", "s", GOAL_DEMO_S, played),
        _figure("judge: the log of that soak", "s", None, judged),
        _figure("store of that soak: bytes a sample", "B", 4.0, bytes_a_sample),
    ]


def _timed(command: Sequence[str], codes: Sequence[int] = (0,)) -> float:
    began = time.perf_counter()
    ran = subprocess.run(command, capture_output=True, text=True, check=False)
    took = time.perf_counter() - began
    if ran.returncode not in codes:
        raise SystemExit(f"{' '.join(command)} ended with {ran.returncode}: {ran.stderr}")
    return took


def _figure(name: str, unit: str, goal: float | None, values: Sequence[float]) -> dict[str, Any]:
    return {
        "name": name,
        "value": float(f"{statistics.median(values):.3g}"),
        "unit": unit,
        "goal": goal,
        "better": "less",
        "n": len(values),
        "low": float(f"{min(values):.3g}"),
        "high": float(f"{max(values):.3g}"),
    }


def main() -> int:
    """Measure, print, write; return 1 where a goal is missed."""
    figures = [
        *results(),
        *store.results(),
        *zoom.results(),
        *resume.results(),
        *feeds.results(),
        *report.results(),
        *drift_coverage.results(),
        *drift_under_mains.results(),
        *watch.results(),
        *cost.results(),
        *selfwatch.results(),
        *dashboard.results(),
        *hostile_lines.results(),
        *settling_coverage.results(),
        *uncertainty_coverage.results(),
        *calibration_coverage.results(),
        *compare_coverage.results(),
        *across_coverage.results(),
    ]
    document = {
        "schema": "soakbench.bench/1",
        "date": f"{datetime.now(UTC):%Y-%m-%d}",
        "machine": f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores, "
        f"Python {platform.python_version()}",
        "results": figures,
    }
    RESULTS.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    missed = 0
    for one in figures:
        more = one["better"] == "more"
        met = one["goal"] is None or (one["value"] >= one["goal"] if more else one["value"] <= one["goal"])
        missed += not met
        goal = "" if one["goal"] is None else f"  goal {one['goal']:g}{'' if met else ': MISSED'}"
        known = one["low"] is not None
        spread = f"{one['low']:g} to {one['high']:g}, n = {one['n']}" if known else f"n = {one['n']}"
        print(f"{one['name']:<58} {one['value']:>8g} {one['unit']:<6} ({spread}){goal}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
