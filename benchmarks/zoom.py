"""How quick a zoom is: the chart's answers over a soak of 72 h with 16 channels at 10 scans/s.

    python -m benchmarks.zoom

Each time stands beside that of plain sqlite3 fetching the very rows that the answer is made of, in turn with it:
the ratio is what soakbench adds, whatever the machine. The store takes a minute or two to make and is kept in `out/`.
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

from logger.blocks import DaqInfo, ScanBlock
from logger.clock import SystemClock
from logger.setup import parse
from logger.store.writer import Writer

CHANNELS: Final = 16
HOURS: Final = 72
RUNS: Final = 9
STORE: Final = Path(__file__).parents[1] / "out" / "bench-zoom-72h.db"

SETUP: Final = """
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
""" + "".join(
    f'[[channel]]\nname = "pair{k}"\nmeasures = "pair current"\nsense_ohm = 1.0\n'
    for k in range(1, CHANNELS - 3)
) + """
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
