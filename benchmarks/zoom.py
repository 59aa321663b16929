"""How quick a zoom is: the chart's answers over a soak of 72 h with 16 channels at 10 scans/s.

    python -m benchmarks.zoom

Each time stands beside that of plain sqlite3 fetching the rows that the answer is made of, in turn with it:
the ratio is what soakbench adds, whatever the machine. The store is made once, and kept in `out/`.
"""

from __future__ import annotations

import json
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from benchmarks.lines import OTHERS, OUT, Line, daq_of, in_turn, line, over, setup_text, show
from dashboard.bench import IN_FORCE, Bench
from dashboard.chart import Asked, Charts
from dashboard.figures import View
from logger import units
from logger.blocks import ScanBlock
from logger.clock import SystemClock
from logger.setup import parse
from logger.store.schema import REVISION
from logger.store.writer import Writer

PAIRS: Final = 12
CHANNELS: Final = PAIRS + len(OTHERS)
HOURS: Final = 72
RUNS: Final = 9
STORE: Final = OUT / f"bench-{HOURS}h-{REVISION}.db"

SETUP: Final = setup_text(PAIRS, soak_min=60 * HOURS - 30)


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
    level = np.array([9800] * PAIRS + [17_100, 18_400, 9000, 13_000])
    with Writer(making, SystemClock()) as writer:
        writer.begin_soak(
            setup=parse(SETUP),
            setup_text=SETUP,
            daq=daq_of(PAIRS),
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
_LEAST_BYTES: Final = 20_000
_GOAL_S: Final = {"24 h": 0.05, "10 min of scans": 0.05}
_GOAL_RATIO: Final = {"24 h": 2.0, "10 min of scans": 2.0}


def results() -> list[Line]:
    """Return how long an answer takes, packed as it is sent, and its ratio to the bare SQL."""
    path = made()
    charts = Charts(Bench(path, SystemClock()))

    def answer(zoom: tuple[float, float]) -> None:
        asked = Asked(View(1280, zoom), IN_FORCE, units.PAIR_UNITS[0], None, "", "")
        if len(json.dumps(charts.answer(1, asked))) < _LEAST_BYTES:
            raise SystemExit("the answer is no chart")

    found = []
    answer(_VIEWS[0][1])  # how far the data reach is known from the first look on
    for name, zoom, level_s in _VIEWS:
        ours, plain = in_turn(
            RUNS,
            lambda zoom=zoom: answer(zoom),
            lambda zoom=zoom, level_s=level_s: _plain(path, level_s, *zoom),
        )
        found.append(line(f"zoom: {name} of 16 channels", "s", _GOAL_S.get(name), ours))
        goal = _GOAL_RATIO.get(name)
        found.append(line(f"zoom: {name}, over plain sqlite3", "ratio", goal, over(ours, plain)))
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


if __name__ == "__main__":
    show(results())
