"""How small and how quick the store is: bytes a sample, and its times over those of plain sqlite3.

    python benchmarks/store.py

The plain program writes the very rows that soakbench wrote (scans and roll-ups), in as many transactions and
with the same pragmas, and reads them without unpacking: the ratio is what soakbench adds, whatever the disk.
"""

from __future__ import annotations

import json
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from logger.blocks import DaqInfo, ScanBlock
from logger.clock import SystemClock
from logger.setup import parse
from logger.store.reader import Reader
from logger.store.whole import back_up, verify
from logger.store.writer import Writer

CHANNELS = 8
SCANS = 90_000  # 2 h 30 min at 10 scans/s
COMMIT_SCANS = 1000
RUNS = 5

SETUP = """
schema = "soakbench.setup/1"
[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
scans_per_s = 10
[plan]
steps = [{step = "warm-up", minutes = 30}, {step = "soak", minutes = 120}]
""" + "".join(
    f'[[channel]]\nname = "pair{k}"\nmeasures = "pair current"\nsense_ohm = 1.0\n'
    for k in range(1, CHANNELS + 1)
)


def results() -> list[dict[str, Any]]:
    """Return the figures, each with the spread of the runs."""
    block = _soak()
    times: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for run in range(RUNS):
            ours, plain = Path(folder) / f"ours{run}.db", Path(folder) / f"plain{run}.db"
            _timed(times, "write", lambda ours=ours: _write(ours, block))
            rows = _rows(ours)
            _timed(times, "plain write", lambda plain=plain, rows=rows: _write_plain(plain, rows))
            _timed(times, "read", lambda ours=ours: Reader(ours).scans(1))
            _timed(times, "plain read", lambda plain=plain: _read_plain(plain))
            _timed(times, "roll-up", lambda ours=ours: Reader(ours).rollup(1, 60))
            _timed(times, "verify", lambda ours=ours: verify(ours))
            copy = Path(folder) / f"copy{run}.db"
            _timed(times, "copy", lambda ours=ours, copy=copy: back_up(ours, copy))
        size = ours.stat().st_size
    megabytes_an_hour = _log_megabytes_an_hour(block)
    ratio = {
        what: [a / b for a, b in zip(times[what], times[f"plain {what}"], strict=True)]
        for what in ("write", "read")
    }
    return [
        _figure("store: bytes a sample with roll-ups", "B", 4.0, [size / (SCANS * CHANNELS)]),
        _figure("store: log written at one commit a second", "MB/h", None, [megabytes_an_hour]),
        _figure("store: write 90,000 scans of 8 channels", "s", 1.5, times["write"]),
        _figure("store: write, over plain sqlite3", "ratio", None, ratio["write"]),
        _figure("store: read 90,000 scans of 8 channels", "s", 0.3, times["read"]),
        _figure("store: read, over plain sqlite3 without unpacking", "ratio", None, ratio["read"]),
        _figure("store: read its 60 s roll-up", "s", None, times["roll-up"]),
        _figure("store: verify it", "s", None, times["verify"]),
        _figure("store: copy it", "s", None, times["copy"]),
    ]


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


def _timed(times: dict[str, list[float]], what: str, work: Callable[[], object]) -> None:
    began = time.perf_counter()
    work()
    times.setdefault(what, []).append(time.perf_counter() - began)


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
        daq=DaqInfo("bench", 1, (7.8125e-6,) * CHANNELS, (32767,) * CHANNELS),
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


def _rows(path: Path) -> tuple[list[Any], list[Any]]:
    db = sqlite3.connect(path)
    scans = db.execute("SELECT * FROM scan ORDER BY t0_s").fetchall()
    rolled = db.execute("SELECT * FROM rollup ORDER BY level_s, t0_s, channel").fetchall()
    db.close()
    return scans, rolled


def _write_plain(path: Path, rows: tuple[list[Any], list[Any]]) -> None:
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
    commits = SCANS // COMMIT_SCANS
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


def _log_megabytes_an_hour(block: ScanBlock) -> float:
    """Return what goes into the write-ahead log with a commit and a word on the state each second."""
    seconds = 300
    now = {
        "t_s": 0.0,
        "state": "soaking",
        "channels": {f"pair{k}": {"value": 0.0762, "unit": "A", "U": 0.0008} for k in range(CHANNELS)},
    }
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "second.db"
        with _begin(path) as writer:
            connection = writer._connection
            assert connection is not None
            connection.exec_driver_sql("PRAGMA wal_autocheckpoint = 0")
            connection.rollback()
            before = Path(f"{path}-wal").stat().st_size
            _add(writer, block, seconds * 10, 10, now)
            grown = Path(f"{path}-wal").stat().st_size - before
    return grown / seconds * 3600 / 1e6


if __name__ == "__main__":
    json.dump(results(), sys.stdout, indent=1)
    print()
