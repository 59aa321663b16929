"""How quick a zoom is: the chart's answers over a soak of 72 h with 16 channels at 10 scans/s.

    python -m benchmarks.zoom

Each time stands beside that of plain sqlite3 fetching the rows that the answer is made of, in turn with it:
the ratio is what soakbench adds, whatever the machine. The store is made once, and kept in `out/`.
"""

from __future__ import annotations

import json
import sqlite3
import statistics
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np

from dashboard.bench import IN_FORCE, Bench
from dashboard.chart import Asked, Charts
from dashboard.figures import View
from logger import units
from logger.blocks import DaqInfo, ScanBlock
from logger.clock import SystemClock
from logger.setup import parse
from logger.store.writer import Writer

CHANNELS: Final = 16
HOURS: Final = 72
RUNS: Final = 9
STORE: Final = Path(__file__).parents[1] / "out" / "bench-zoom-72h.db"

SETUP: Final = (
    """
schema = "soakbench.setup/1"
[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
scans_per_s = 10
[plan]
steps = [{step = "warm-up", minutes = 30}, {step = "soak", minutes = 4290}]
"""
    + "".join(
        f'[[channel]]\nname = "pair{k}"\nmeasures = "pair current"\nsense_ohm = 1.0\n'
        for k in range(1, CHANNELS - 3)
    )
    + """
[[channel]]
name = "ht"
measures = "HT"
divider_ohm = [1_000_000, 4_700]
[[channel]]
name = "mains"
measures = "mains"
value_per_V = 100.0
[[channel]]
name = "chassis"
measures = "chassis temperature"
sensor = "linear"
value_per_V = 100.0
[[channel]]
name = "ambient"
measures = "ambient temperature"
sensor = "linear"
value_per_V = 100.0
"""
)


def made() -> Path:
    """Return the store, made by the writer where it is not there yet."""
    if STORE.exists():
        return STORE
    STORE.parent.mkdir(exist_ok=True)
    making = STORE.with_suffix(".making")
    for left in STORE.parent.glob(f"{making.name}*"):
        left.unlink()
    rng = np.random.default_rng(1)
    begun = datetime(2026, 1, 1, tzinfo=UTC)
    an_hour = 36_000
    level = np.array([9800] * (CHANNELS - 4) + [17_100, 18_400, 3200, 1760])
    with Writer(making, SystemClock()) as writer:
        writer.begin_soak(
            setup=parse(SETUP),
            setup_text=SETUP,
            daq=DaqInfo("bench", 1, (7.8125e-6,) * (CHANNELS - 4) + (1.25e-4,) * 4, (32767,) * CHANNELS),
            started=begun,
        )
        for hour in range(HOURS):
            sequence = np.arange(hour * an_hour, (hour + 1) * an_hour, dtype=np.int64)
            t_us = sequence * 100_000 + rng.integers(0, 2000, an_hour)
            counts = level + rng.normal(0.0, 30.0, (an_hour, CHANNELS)).astype(np.int32)
            writer.add_scans(ScanBlock(t_us, sequence, counts.astype(np.int32)))
            writer.commit()
        writer.end_soak(ended=begun + timedelta(hours=HOURS), how="finished", verdict=None)
    making.rename(STORE)
    return STORE


_VIEWS: Final = (
    ("72 h", (0.0, 72 * 3600.0), 300),
    ("24 h", (20 * 3600.0, 44 * 3600.0), 60),
    ("4 h", (20 * 3600.0, 24 * 3600.0), 10),
    ("10 min of scans", (20 * 3600.0, 20 * 3600.0 + 600.0), 0),
    ("1 min of scans", (20 * 3600.0, 20 * 3600.0 + 60.0), 0),
)
_GOAL_S: Final = {"24 h": 0.05, "10 min of scans": 0.05}
_GOAL_RATIO: Final = {"24 h": 2.0}


def results() -> list[dict[str, Any]]:
    """Return how long an answer takes, packed as it is sent, and its ratio to the bare SQL."""
    path = made()
    charts = Charts(Bench(path, SystemClock()))

    def answer(zoom: tuple[float, float]) -> None:
        asked = Asked(View(1280, zoom), IN_FORCE, units.PAIR_UNITS[0], None, "", "")
        json.dumps(charts.answer(1, asked))

    found = []
    answer(_VIEWS[0][1])  # how far the data reach is known from the first look on
    for name, zoom, level_s in _VIEWS:
        ours, plain = [], []
        for _ in range(RUNS):
            ours.append(_timed(lambda zoom=zoom: answer(zoom)))
            plain.append(_timed(lambda zoom=zoom, level_s=level_s: _plain(path, level_s, *zoom)))
        ratios = [a / b for a, b in zip(ours, plain, strict=True)]
        found.append(_figure(f"zoom: {name} of 16 channels", "s", _GOAL_S.get(name), ours))
        found.append(_figure(f"zoom: {name}, over plain sqlite3", "ratio", _GOAL_RATIO.get(name), ratios))
    return found


def _plain(path: Path, level_s: int, from_s: float, to_s: float) -> None:
    db = sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)
    if level_s:
        stored = 60 if level_s % 60 == 0 else 10
        db.execute(
            "SELECT t0_s, channel, n, vmin, vmax, vsum FROM rollup WHERE soak_id = 1 AND level_s = ?"
            " AND t0_s >= ? AND t0_s < ? ORDER BY t0_s, channel",
            (stored, from_s, to_s),
        ).fetchall()
    else:
        db.execute(
            "SELECT t0_s, sequence, n, sequences, data FROM scan WHERE soak_id = 1 AND t0_s >= ? AND t0_s < ?"
            " ORDER BY t0_s",
            (from_s, to_s),
        ).fetchall()
    db.close()


def _timed(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def _figure(name: str, unit: str, goal: float | None, values: list[float]) -> dict[str, Any]:
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


if __name__ == "__main__":
    json.dump(results(), sys.stdout, indent=1)
    print()
