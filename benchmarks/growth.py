"""How does cost grow? Channels x2 and x2 again, rate x10 and x10 again, soaks in the store x1,000.

Each as an exponent: 1 is in proportion, 0 not at all. Judging is measured in CPU seconds over the same
stretch of soak; with many soaks in the store the whole of what is asked is timed. Hours x10 stand in `judge`,
viewers x10 in `screen`.

    python -m benchmarks.growth
"""

from __future__ import annotations

import json
import sqlite3
import tempfile
import time
import uuid
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from benchmarks.lines import Line, counts_of, daq_of, in_turn, line, over, setup_text, show, slope
from dashboard.bench import IN_FORCE, Bench
from dashboard.chart import Asked, Charts
from dashboard.figures import View
from logger import units
from logger.blocks import ScanBlock
from logger.clock import SystemClock
from logger.pipeline import Pipeline
from logger.setup import parse
from logger.store.reader import Reader
from logger.store.writer import Writer

RUNS: Final = 5
HOURS: Final = 0.5
PAIRS: Final = (2, 4, 12)
"""With the four others 6, 8 and 16 channels: the pairs double, and threefold."""
RATES: Final = (1.0, 10.0, 100.0)
SOAKS: Final = (1, 1000)
_SCANS: Final = 600


def results() -> list[Line]:
    """Return the exponents."""
    return [*_by_channels(), *_by_rate(), *_by_soaks()]


def _by_channels() -> list[Line]:
    played = [_play(pairs, 10.0) for pairs in PAIRS]
    costs = _costs(played)
    channels = [pairs + 4.0 for pairs in PAIRS]
    return [
        slope("judging: CPU, channels x2", channels, costs, "below 1: most is per block, not per channel")
    ]


def _by_rate() -> list[Line]:
    costs = _costs([_play(12, rate) for rate in RATES])
    return [
        slope("judging: CPU, rate x10", RATES, costs, "far below 1: detectors look at seconds, not at scans")
    ]


def _costs(played: list[tuple[Pipeline, list[ScanBlock]]]) -> list[list[float]]:
    """Return the CPU seconds of each, several times in turn; models that are kept are solved before."""
    for one in played:
        _judged_s(*one)
    taken = [[_judged_s(*one) for one in played] for _ in range(RUNS)]
    return [list(column) for column in zip(*taken, strict=True)]


def _play(pairs: int, rate: float) -> tuple[Pipeline, list[ScanBlock]]:
    scans = round(HOURS * 3600 * rate)
    counts = counts_of(scans, pairs, rate)
    sequence = np.arange(scans, dtype=np.int64)
    t_us = np.rint(sequence * 1e6 / rate).astype(np.int64)
    each = max(1, round(60 * rate))
    blocks = [
        ScanBlock(t_us[at : at + each], sequence[at : at + each], counts[at : at + each])
        for at in range(0, scans, each)
    ]
    return Pipeline(parse(setup_text(pairs, scans_per_s=rate)), daq_of(pairs)), blocks


def _judged_s(pipeline: Pipeline, blocks: list[ScanBlock]) -> float:
    fresh = Pipeline(pipeline.setup, pipeline.daq)
    began_s = time.process_time()
    for block in blocks:
        fresh.feed(block)
    return time.process_time() - began_s


# ---------------------------------------------------------------- many soaks in one store


def _by_soaks() -> list[Line]:
    with tempfile.TemporaryDirectory() as folder:
        stores = [Path(folder) / f"{soaks}.db" for soaks in SOAKS]
        for store, soaks in zip(stores, SOAKS, strict=True):
            _keep(store, soaks)
        few, many = (Bench(store, SystemClock()) for store in stores)
        looked = in_turn(RUNS, lambda: few.look("last"), lambda: many.look("last"))
        charts = [Charts(bench) for bench in (few, many)]
        drawn = in_turn(RUNS, lambda: _chart(charts[0]), lambda: _chart(charts[1]))
        listed = in_turn(RUNS, lambda: Reader(stores[0]).soaks(), lambda: Reader(stores[1]).soaks())
        sizes = [store.stat().st_size for store in stores]
    list_s = [one / SOAKS[1] for one in listed[1]]
    return [
        slope("looking at the last soak: time, soaks x1,000", SOAKS, looked, "near 0: found by its key"),
        slope("the chart of the last soak: time, soaks x1,000", SOAKS, drawn, "near 0, for the same reason"),
        slope("listing all soaks: time, soaks x1,000", SOAKS, listed, "1 would be in proportion"),
        line("listing all soaks: a soak, of 1,000", "s", None, list_s),
        line("1,000 soaks in the store over one: looking at the last", "ratio", None, over(*looked[::-1])),
        line("1,000 soaks in the store: size over one's", "ratio", None, [sizes[1] / sizes[0]]),
    ]


def _chart(charts: Charts) -> None:
    asked = Asked(View(1280, None), IN_FORCE, units.PAIR_UNITS[0], None, "", "")
    json.dumps(charts.answer("last", asked))


def _keep(store: Path, soaks: int) -> None:
    """Keep so many soaks of a minute: the first by the writer, the others as rows like its own."""
    text, begun = setup_text(12), datetime(2026, 1, 1, tzinfo=UTC)
    sequence = np.arange(_SCANS, dtype=np.int64)
    with Writer(store, SystemClock()) as writer:
        writer.begin_soak(setup=parse(text), setup_text=text, daq=daq_of(12), started=begun)
        writer.add_scans(ScanBlock(sequence * 100_000, sequence, counts_of(_SCANS, 12)))
        writer.commit()
        writer.end_soak(ended=begun + timedelta(minutes=1), how="finished", verdict=None)
    db = sqlite3.connect(store)
    tables = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    columns = {one: [row[1] for row in db.execute(f"PRAGMA table_info({one})")] for one in tables}
    for number in range(2, soaks + 1):
        for table, names in columns.items():
            if table == "soak":
                put = {"id": str(number), "uuid": f"'{uuid.uuid4()}'"}
            elif "soak_id" in names and "id" not in names:
                put = {"soak_id": str(number)}
            else:
                continue
            key = "id" if table == "soak" else "soak_id"
            chosen = ", ".join(put.get(name, f'"{name}"') for name in names)
            db.execute(f"INSERT INTO {table} SELECT {chosen} FROM {table} WHERE {key} = 1")
    db.commit()
    db.close()


if __name__ == "__main__":
    show(results())
