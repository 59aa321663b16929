"""How small and how quick the store is: bytes a sample, and its times over those of plain sqlite3.

    python -m benchmarks.store

The plain program writes the very rows that soakbench wrote (scans and roll-ups), in as many transactions and
with the same pragmas, and reads them without unpacking: the ratio is what soakbench adds, whatever the disk.
"""

from __future__ import annotations

import sqlite3
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.lines import (
    OTHERS,
    SCANS_PER_S,
    Line,
    daq_of,
    in_turn,
    line,
    over,
    setup_text,
    show,
    timed,
)
from logger.blocks import ScanBlock
from logger.clock import SystemClock
from logger.setup import parse
from logger.store.reader import Reader
from logger.store.whole import back_up, verify
from logger.store.writer import Writer

PAIRS = 12
CHANNELS = PAIRS + len(OTHERS)
SCANS = 90_000  # 2 h 30 min at 10 scans/s
COMMIT_SCANS = 1000
RUNS = 5
LIVE_S = 1800
SETUP = setup_text(PAIRS)


def results() -> list[Line]:
    """Return the lines, each with the spread of the runs."""
    block = _soak()
    taken: list[list[float]] = []
    with tempfile.TemporaryDirectory() as folder:
        for run in range(RUNS):
            ours, plain, copy = (Path(folder) / f"{name}{run}.db" for name in ("ours", "plain", "copy"))
            write = timed(lambda ours=ours: _write(ours, block))
            rows = rows_of(ours)
            rest = in_turn(
                1,
                lambda plain=plain, rows=rows: write_plain(plain, rows, SCANS // COMMIT_SCANS),
                lambda ours=ours: Reader(ours).scans(1),
                lambda plain=plain: _read_plain(plain),
                lambda ours=ours: Reader(ours).rollup(1, 60),
                lambda ours=ours: verify(ours),
                lambda ours=ours, copy=copy: back_up(ours, copy),
            )
            taken.append([write, *(times[0] for times in rest)])
        size = ours.stat().st_size
    written, plainly, read, plainly_read, rolled, verified, copied = zip(*taken, strict=True)
    live_b, log_mb = _live(block)
    what = f"{SCANS:,} scans of {CHANNELS} channels"
    return [
        line("store: bytes a sample, roll-ups and all, written live", "B", 3.3, [live_b]),
        line("store: bytes a sample, written 1,000 scans at a time", "B", None, [size / (SCANS * CHANNELS)]),
        line("store: log written at one commit a second", "MB/h", None, [log_mb]),
        line(f"store: write {what}", "s", None, written),
        line("store: write, over plain sqlite3", "ratio", None, over(written, plainly)),
        line(f"store: read {what}", "s", 0.6, read),
        line("store: read, over plain sqlite3 without unpacking", "ratio", None, over(read, plainly_read)),
        line("store: read its 60 s roll-up", "s", None, rolled),
        line("store: verify it", "s", None, verified),
        line("store: copy it", "s", None, copied),
    ]


def _soak() -> ScanBlock:
    rng = np.random.default_rng(1)
    t_us = np.arange(SCANS) * 100_000 + rng.integers(0, 2000, SCANS)
    counts = np.round(9800 + 30 * rng.standard_normal((SCANS, CHANNELS))).astype(np.int32)
    return ScanBlock(t_us.astype(np.int64), np.arange(SCANS, dtype=np.int64), counts)


def _begin(path: Path) -> Writer:
    writer = Writer(path, SystemClock())
    writer.begin_soak(
        setup=parse(SETUP),
        setup_text=SETUP,
        daq=daq_of(PAIRS),
        started=datetime(2026, 1, 1, tzinfo=UTC),
    )
    return writer


def _add(writer: Writer, block: ScanBlock, scans: int, each: int, now: dict[str, Any] | None = None) -> None:
    for start in range(0, scans, each):
        stop = start + each
        writer.add_scans(
            ScanBlock(block.t_us[start:stop], block.sequence[start:stop], block.counts[start:stop])
        )
        if now is not None:
            writer.set_now(lambda: now)
        writer.commit()


def _write(path: Path, block: ScanBlock) -> None:
    with _begin(path) as writer:
        _add(writer, block, SCANS, COMMIT_SCANS)
        writer.end_soak(ended=datetime(2026, 1, 1, 3, tzinfo=UTC), how="finished", verdict=None)


def rows_of(path: Path) -> tuple[list[Any], list[Any]]:
    """Return all that a store holds in the tables `scan` and `rollup`."""
    db = sqlite3.connect(path)
    scans = db.execute("SELECT * FROM scan ORDER BY t0_s").fetchall()
    rolled = db.execute("SELECT * FROM rollup ORDER BY level_s, t0_s, channel").fetchall()
    db.close()
    return scans, rolled


def write_plain(path: Path, rows: tuple[list[Any], list[Any]], commits: int) -> None:
    """Write the rows of the tables `scan` and `rollup` with bare sqlite3, in so many transactions."""
    scans, rolled = rows
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute(
        "CREATE TABLE scan (soak_id INTEGER, t0_s INTEGER, sequence INTEGER, n INTEGER, sequences BLOB,"
        " data BLOB, PRIMARY KEY (soak_id, t0_s)) WITHOUT ROWID"
    )
    db.execute(
        "CREATE TABLE rollup (soak_id INTEGER, level_s INTEGER, t0_s INTEGER, channel INTEGER, n INTEGER,"
        " vmin INTEGER, vmax INTEGER, vsum INTEGER,"
        " PRIMARY KEY (soak_id, level_s, t0_s, channel)) WITHOUT ROWID"
    )
    for k in range(commits):
        db.execute("BEGIN IMMEDIATE")
        db.executemany("INSERT INTO scan VALUES (?, ?, ?, ?, ?, ?)", _share(scans, k, commits))
        db.executemany("INSERT INTO rollup VALUES (?, ?, ?, ?, ?, ?, ?, ?)", _share(rolled, k, commits))
        db.execute("COMMIT")
    db.close()


def _share(rows: list[Any], k: int, parts: int) -> list[Any]:
    return rows[len(rows) * k // parts : len(rows) * (k + 1) // parts]


def _read_plain(path: Path) -> None:
    db = sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)
    db.execute("SELECT t0_s, sequence, n, sequences, data FROM scan ORDER BY t0_s").fetchall()
    db.close()


def _live(block: ScanBlock) -> tuple[float, float]:
    """Return what a store takes that gets a commit and a word on the state each second, as a daemon's does.

    Bytes a sample once it is closed, and the megabytes an hour that go through its write-ahead log. What a
    soak takes by itself, whatever its length, is taken off: half an hour stands for a whole one.
    """
    now = {
        "t_s": 0.0,
        "state": "soaking",
        "channels": {f"pair{k}": {"value": 0.0762, "unit": "A", "U": 0.0008} for k in range(CHANNELS)},
    }
    scans = LIVE_S * SCANS_PER_S
    with tempfile.TemporaryDirectory() as folder:
        path, empty = Path(folder) / "second.db", Path(folder) / "empty.db"
        with _begin(path) as writer:
            connection = writer._connection
            assert connection is not None
            connection.exec_driver_sql("PRAGMA wal_autocheckpoint = 0")
            connection.rollback()
            before_b = Path(f"{path}-wal").stat().st_size
            _add(writer, block, scans, SCANS_PER_S, now)
            log_b = Path(f"{path}-wal").stat().st_size - before_b
            writer.end_soak(ended=datetime(2026, 1, 1, 3, tzinfo=UTC), how="finished", verdict=None)
        with _begin(empty) as writer:
            writer.end_soak(ended=datetime(2026, 1, 1, 3, tzinfo=UTC), how="finished", verdict=None)
        grown_b = path.stat().st_size - empty.stat().st_size
    return grown_b / (scans * CHANNELS), log_b / LIVE_S * 3600 / 1e6


if __name__ == "__main__":
    show(results())
