"""What an archived soak takes, in Parquet and in the store, whole and thinned; and how long that takes.

    python -m benchmarks.archive

Parquet is delta encoded and packed with zstd, as `soakbench archive` writes it; the store is a file of its
own with one soak, roll-ups and all.
"""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from benchmarks.lines import OTHERS, SCANS_PER_S, Line, counts_of, daq_of, line, setup_text, show, timed
from logger import archive as archiving
from logger.blocks import ScanBlock
from logger.clock import SystemClock
from logger.setup import parse
from logger.store import thinning
from logger.store.reader import Reader
from logger.store.writer import Writer
from logger.thin import thin

PAIRS = 12
SAMPLES_A_SCAN = PAIRS + len(OTHERS)
SCANS = 6 * 3600 * SCANS_PER_S
RUNS = 5
STARTED = datetime(2026, 1, 1, tzinfo=UTC)


def results() -> list[Line]:
    """Return the lines, each with the spread of the runs."""
    sizes: list[tuple[float, ...]] = []
    times: list[tuple[float, ...]] = []
    for run in range(RUNS):
        with tempfile.TemporaryDirectory() as folder:
            size, took = _run(Path(folder), run)
            sizes.append(size)
            times.append(took)
    parquet, whole, thinned = zip(*sizes, strict=True)
    written, verified, gone = zip(*times, strict=True)
    what = f"6 h of {SAMPLES_A_SCAN} channels"
    return [
        line("archive: bytes a sample in Parquet", "B", None, parquet),
        line("archive: a soak in the store over its Parquet, whole", "ratio", 2.5, whole),
        line("archive: a soak in the store over its Parquet, thinned", "ratio", None, thinned),
        line(f"archive: write {what}", "s", None, written),
        line(f"archive: read {what} back and compare with the store", "s", None, verified),
        line(f"archive: thin {what}, compared anew, a daemon's turns left free", "s", None, gone),
    ]


def _run(folder: Path, seed: int) -> tuple[tuple[float, ...], tuple[float, ...]]:
    path, out = folder / "soak.db", folder / "archive"
    rng = np.random.default_rng(seed)
    t_us = np.arange(SCANS) * (1_000_000 // SCANS_PER_S) + rng.integers(0, 2000, SCANS)
    block = ScanBlock(t_us - t_us[0], np.arange(SCANS), counts_of(SCANS, PAIRS))
    text = setup_text(PAIRS)
    with Writer(path, SystemClock()) as writer:
        writer.begin_soak(setup=parse(text), setup_text=text, daq=daq_of(PAIRS), started=STARTED)
        for start in range(0, SCANS, 1000):
            writer.add_scans(block.part(start, start + 1000))
            writer.commit()
        ended = STARTED + timedelta(hours=6)
        writer.end_soak(ended=ended, how="finished", verdict={"soak": {"verdict": "pass"}})
    reader, whole = Reader(path), path.stat().st_size
    written = timed(lambda: list(archiving.archive(reader, reader.soaks(), out)))
    verified = timed(lambda: archiving.verify(out, reader))
    (file,) = out.rglob("*.parquet")
    parquet = file.stat().st_size
    later, clock = ended + timedelta(days=90), SystemClock()
    gone = timed(lambda: list(thin(path, out, later, clock, really=True)))
    thinning.shrink(path)
    thinned = path.stat().st_size
    return (parquet / (SCANS * SAMPLES_A_SCAN), whole / parquet, thinned / parquet), (written, verified, gone)


if __name__ == "__main__":
    show(results())
