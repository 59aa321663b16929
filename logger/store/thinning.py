"""Less room for old soaks: all scans compact, or out of a store whose roll-ups say enough, and back again.

What says that a soak is thinned is one row's column, written in one transaction: from then on nobody looks
for its scans, and that they are gone is only room. So they go afterwards, a little at a time, while a daemon
may be writing to the same store; what a crash leaves of them goes with the next run.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Final

import filelock
import numpy as np
import sqlalchemy as sa

from logger.blocks import ScanBlock
from logger.clock import Clock
from logger.errors import DaemonRunning, RequestError, StoreError
from logger.finding import Finding
from logger.store import packing, schema, sqlite
from logger.store.packing import MINUTE_S
from logger.store.reader import Soak, Thinned

AROUND_S: Final = 300.0
"""How long before and after each moment of a finding scans stay."""

# Scans are kept by the minute, the longest bucket: so they can be held against roll-ups.
_ROWS: Final = 1800
_PAUSE_S: Final = 0.02  # longer than those who wait for the lock sleep between their looks
_ROW_BYTES: Final = 20
_TABLES: Final = (schema.scan, schema.scan_minute)
_WHAT: Final = "no soak can be thinned"

Stretch = tuple[int, int]


def around(findings: Iterable[Finding], last_s: float) -> tuple[Stretch, ...]:
    """Return the stretches of a soak whose scans stay: whole minutes, in order, apart from each other.

    From `AROUND_S` before a finding's onset to as long after it was raised, and around its clearing.
    """
    moments = []
    for one in findings:
        moments.append((min(one.onset_s, one.raised_s), max(one.onset_s, one.raised_s)))
        if one.cleared_s is not None:
            moments.append((one.cleared_s, one.cleared_s))
    end = math.floor(last_s / MINUTE_S) * MINUTE_S + MINUTE_S
    kept: list[Stretch] = []
    for from_s, to_s in sorted(moments):
        low = max(math.floor((from_s - AROUND_S) / MINUTE_S) * MINUTE_S, 0)
        high = min(math.ceil((to_s + AROUND_S) / MINUTE_S) * MINUTE_S, end)
        if kept and low <= kept[-1][1]:
            kept[-1] = (kept[-1][0], max(kept[-1][1], high))
        elif low < high:
            kept.append((low, high))
    return tuple(kept)


def between(kept: Sequence[Stretch], last_s: float) -> Iterator[Stretch]:
    """Yield the stretches from 0 to the last scan that are not kept."""
    at = 0
    for low, high in kept:
        if at < low:
            yield at, low
        at = high
    end = math.floor(last_s) + 1
    if at < end:
        yield at, end


def fetch_weight(connection: sa.Connection, soak: Soak, kept: Sequence[Stretch]) -> tuple[int, int]:
    """Return how many scans of a soak are not kept, and about how many bytes they take."""
    scans = held = 0
    for low, high in between(kept, (soak.last_t_us or 0) / 1e6):
        for table in _TABLES:
            size = sa.func.length(table.c.data) + _ROW_BYTES
            if "sequences" in table.c:
                size += sa.func.coalesce(sa.func.length(table.c.sequences), 0)
            query = sa.select(sa.func.sum(table.c.n), sa.func.sum(size)).where(
                *_within(table, soak, low, high)
            )
            n, weighs = connection.execute(query).one()
            scans, held = scans + int(n or 0), held + int(weighs or 0)
    return scans, held


def _within(table: sa.Table, soak: Soak, low_s: int, high_s: int) -> tuple[sa.ColumnElement[bool], ...]:
    return table.c.soak_id == soak.id, table.c.t0_s >= low_s, table.c.t0_s < high_s


def thin(path: Path, soak: Soak, thinned: Thinned, clock: Clock) -> None:
    """Say of an ended soak that its scans are elsewhere, and take out those that aren't kept.

    RequestError where it is not as it was read any more.
    """
    table = schema.soak
    with sqlite.writing(path, _WHAT) as connection:
        as_read = sa.and_(
            table.c.id == soak.id,
            table.c.uuid == soak.uuid,
            table.c.scans == soak.scans,
            table.c.ended_us.is_not(None),
            table.c.thinned.is_(None),
        )
        edit = table.update().where(as_read).values(thinned=thinned.text)
        if connection.execute(edit).rowcount != 1:
            raise RequestError(f"soak {soak.id} was changed by another program just now: thin again")
    clear(path, soak, thinned.kept, clock)


def clear(path: Path, soak: Soak, kept: Sequence[Stretch], clock: Clock) -> None:
    """Take out the scans of a thinned soak that aren't kept, at most half an hour of them in a transaction.

    In between the store's lock is free long enough for whoever waits for it.
    """
    for low, high in between(kept, (soak.last_t_us or 0) / 1e6):
        for start in range(low, high, _ROWS):
            stop = min(start + _ROWS, high)
            with sqlite.writing(path, _WHAT) as connection:
                for table in _TABLES:
                    connection.execute(table.delete().where(*_within(table, soak, start, stop)))
            clock.sleep(_PAUSE_S)


def compact(path: Path, soak: Soak, clock: Clock, progress: Callable[[float], None]) -> tuple[int, int]:
    """Rewrite the scans of an ended soak by the minute, at most half an hour of them in a transaction.

    Every scan stays, in a third of their room; what a crash leaves goes on with the next run. Return how many
    bytes they took and take. `progress` gets the time of the soak in s. RequestError where it has not ended.
    """
    if soak.ended is None:
        raise RequestError(f"soak {soak.id} has not ended: it can't be made compact yet")
    channels, was, now = len(soak.setup.channel), 0, 0
    scan = schema.scan
    for start in range(0, math.floor((soak.last_t_us or 0) / 1e6) + 1, _ROWS):
        with sqlite.writing(path, "no soak can be made compact") as connection:
            within = _within(scan, soak, start, start + _ROWS)
            columns = (scan.c[name] for name in packing.Row._fields)
            rows = connection.execute(sa.select(*columns).where(*within).order_by(scan.c.t0_s)).all()
            if rows:
                minutes = _minutes(soak, rows, channels)
                connection.execute(
                    sa.insert(schema.scan_minute), [{"soak_id": soak.id, **one._asdict()} for one in minutes]
                )
                connection.execute(scan.delete().where(*within))
                was += sum(len(row.data) + len(row.sequences or b"") + _ROW_BYTES for row in rows)
                now += sum(len(one.data) + _ROW_BYTES for one in minutes)
        progress(float(start))
        clock.sleep(_PAUSE_S)
    return was, now


def _minutes(soak: Soak, rows: Sequence[sa.Row[Any]], channels: int) -> list[packing.Minute]:
    """Return rows of seconds by the minute, read back before anybody relies on them."""
    broken = next((row.t0_s for row in rows if not packing.fits(row, channels)), None)
    if broken is not None:
        raise StoreError(
            f"the scans of soak {soak.id} at {broken} s can't be read, so it is left as it is from there on: "
            "soakbench verify says what else is wrong"
        )
    block = packing.unpack(rows, channels)
    minutes = packing.pack_minutes(block)
    again = packing.unpack_minutes(minutes, channels)
    same = (
        np.array_equal(block.t_us, again.t_us)
        and np.array_equal(block.sequence, again.sequence)
        and np.array_equal(block.counts, again.counts)
    )
    if not same:
        raise StoreError(
            f"the scans of soak {soak.id} after {rows[0].t0_s} s would not come back as they are"
        )
    return minutes


def restore(path: Path, soak: Soak, blocks: Iterable[ScanBlock]) -> None:
    """Bring all scans of a thinned soak back, in one transaction; no daemon may run meanwhile.

    RequestError where they are not as many as the soak has.
    """
    table = schema.soak
    with _no_daemon(path), sqlite.writing(path, "no soak can be brought back") as connection:
        for kept in _TABLES:
            connection.execute(kept.delete().where(kept.c.soak_id == soak.id))
        scans = 0
        rows: list[packing.Row] = []
        for block in blocks:
            scans += len(block)
            rows = _appended(rows, packing.pack(block), block.counts.shape[1])
            _insert(connection, soak.id, rows[:-1])
            rows = rows[-1:]  # the next block may go on within its second
        _insert(connection, soak.id, rows)
        if scans != soak.scans:
            raise RequestError(
                f"soak {soak.id} should have {soak.scans:,} scans, and {scans:,} came: nothing was changed"
            )
        connection.execute(table.update().where(table.c.id == soak.id).values(thinned=None))


def _appended(rows: list[packing.Row], more: list[packing.Row], channels: int) -> list[packing.Row]:
    """Return both, with a second that ends the one and begins the other as one row again."""
    if rows and more and rows[-1].t0_s == more[0].t0_s:
        whole = packing.joined([packing.unpack([row], channels) for row in (rows[-1], more[0])], channels)
        return [*rows[:-1], *packing.pack(whole), *more[1:]]
    return [*rows, *more]


def _insert(connection: sa.Connection, soak_id: int, rows: Sequence[packing.Row]) -> None:
    if rows:
        connection.execute(sa.insert(schema.scan), [{"soak_id": soak_id, **row._asdict()} for row in rows])


def shrink(path: Path) -> int:
    """Give the room in a store's file that nothing takes back to the disk; return how many bytes.

    The file is written anew, so no daemon may run meanwhile, and the disk must have room for it twice.
    """
    before = path.stat().st_size
    if sqlite.disk_left_bytes(path) < 2 * before:
        raise StoreError(
            f"the store {path} can't be written anew: that takes {2 * before / 1e6:,.0f} MB on its disk"
        )
    lock = sqlite.write_lock(path)
    with _no_daemon(path), sqlite.translated(path, "written"):
        lock.acquire()
        try:
            with closing(sqlite3.connect(path, isolation_level=None)) as connection:
                connection.execute("VACUUM")
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        finally:
            sqlite.drop_lock(lock)
    return before - path.stat().st_size


@contextmanager
def _no_daemon(path: Path) -> Iterator[None]:
    """Keep daemons off a store for a while. DaemonRunning where one runs."""
    lock = sqlite.daemon_lock(path)
    with sqlite.translated(path, "written"):
        try:
            lock.acquire()
        except filelock.Timeout:
            raise DaemonRunning(
                f"a soakbench writes to the store {path} just now: do that when it has ended"
            ) from None
    try:
        yield
    finally:
        sqlite.drop_lock(lock)
