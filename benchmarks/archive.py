"""What an archived soak takes, in Parquet and in the store as written, compact, thinned; how long that takes.

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
    parquet, sample, written, compact, thinned = zip(*sizes, strict=True)
    archived, verified, compacted, read, gone = zip(*times, strict=True)
    what = f"6 h of {SAMPLES_A_SCAN} channels"
    return [
        line("archive: bytes a sample in Parquet", "B", None, parquet),
        line("archive: bytes a sample in the store, compact, with roll-ups", "B", None, sample),
        line("archive: a soak in the store over its Parquet, as written", "ratio", None, written),
        line(
            "archive: a soak in the store over its Parquet, every scan kept, compact", "ratio", 2.5, compact
        ),
        line("archive: a soak in the store over its Parquet, thinned", "ratio", None, thinned),
        line(f"archive: write {what}", "s", None, archived),
        line(f"archive: read {what} back and compare with the store", "s", None, verified),
        line(f"archive: make {what} compact, a daemon's turns left free", "s", None, compacted),
        line("archive: read all scans of a compact soak over those of one as written", "ratio", None, read),
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
    reader, written = Reader(path), path.stat().st_size
    archived = timed(lambda: list(archiving.archive(reader, reader.soaks(), out)))
    verified = timed(lambda: archiving.verify(out, reader))
    (file,) = out.rglob("*.parquet")
    parquet = file.stat().st_size
    later, clock = ended + timedelta(days=90), SystemClock()
    before = timed(lambda: sum(map(len, reader.scan_blocks(1))))
    compacted = timed(lambda: thinning.compact(path, reader.soak(1), clock, lambda _t_s: None))
    read = timed(lambda: sum(map(len, reader.scan_blocks(1)))) / before
    thinning.shrink(path)
    compact = path.stat().st_size
    gone = timed(lambda: list(thin(path, out, later, clock, really=True)))
    thinning.shrink(path)
    thinned = path.stat().st_size
    samples = SCANS * SAMPLES_A_SCAN
    sizes = (parquet / samples, compact / samples, written / parquet, compact / parquet, thinned / parquet)
    return sizes, (archived, verified, compacted, read, gone)


if __name__ == "__main__":
    show(results())
