"""Taking scans out of a store whose roll-ups say enough, and bringing them back.

What says that a soak is thinned is one row's column, written in one transaction: from then on nobody looks
for its scans, and that they are gone is only room. So they go afterwards, a little at a time, while a daemon
may be writing to the same store; what a crash leaves of them goes with the next run.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final

import filelock
import sqlalchemy as sa

from logger.blocks import ScanBlock
from logger.clock import Clock
from logger.errors import DaemonRunning, RequestError, StoreError
from logger.finding import Finding
from logger.store import packing, schema, sqlite
from logger.store.reader import Soak, Thinned

AROUND_S: Final = 300.0
"""How long before and after each moment of a finding scans stay."""

_MINUTE_S: Final = 60  # the longest bucket: kept scans can be held against roll-ups
_ROWS: Final = 1800
_PAUSE_S: Final = 0.02  # longer than those who wait for the lock sleep between their looks
_ROW_BYTES: Final = 20
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
    end = math.floor(last_s / _MINUTE_S) * _MINUTE_S + _MINUTE_S
    kept: list[Stretch] = []
    for from_s, to_s in sorted(moments):
        low = max(math.floor((from_s - AROUND_S) / _MINUTE_S) * _MINUTE_S, 0)
        high = min(math.ceil((to_s + AROUND_S) / _MINUTE_S) * _MINUTE_S, end)
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
    scan = schema.scan
    size = sa.func.length(scan.c.data) + sa.func.coalesce(sa.func.length(scan.c.sequences), 0) + _ROW_BYTES
    scans = held = 0
    for low, high in between(kept, (soak.last_t_us or 0) / 1e6):
        query = sa.select(sa.func.sum(scan.c.n), sa.func.sum(size)).where(
            scan.c.soak_id == soak.id, scan.c.t0_s >= low, scan.c.t0_s < high
        )
        n, weighs = connection.execute(query).one()
        scans, held = scans + int(n or 0), held + int(weighs or 0)
    return scans, held


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
    scan = schema.scan
    for low, high in between(kept, (soak.last_t_us or 0) / 1e6):
        for start in range(low, high, _ROWS):
            stop = min(start + _ROWS, high)
            with sqlite.writing(path, _WHAT) as connection:
                connection.execute(
                    scan.delete().where(scan.c.soak_id == soak.id, scan.c.t0_s >= start, scan.c.t0_s < stop)
                )
            clock.sleep(_PAUSE_S)


def restore(path: Path, soak: Soak, blocks: Iterable[ScanBlock]) -> None:
    """Bring all scans of a thinned soak back, in one transaction; no daemon may run meanwhile.

    RequestError where they are not as many as the soak has.
    """
    scan, table = schema.scan, schema.soak
    with _no_daemon(path), sqlite.writing(path, "no soak can be brought back") as connection:
        connection.execute(scan.delete().where(scan.c.soak_id == soak.id))
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
