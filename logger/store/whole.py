"""Is a store whole: what SQLite says, every scan against its roll-ups, the record's history, the photographs.

Reads only. And its copy: one closed file of one instant, made while something may be writing.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import sqlalchemy as sa

from logger.blocks import ScanBlock
from logger.errors import RequestError, StoreError, StoreTooNew
from logger.jobs import Photograph
from logger.store import packing, photographs, schema
from logger.store import rollup as rollups
from logger.store.reader import Reader, Thinned, fetch_stored_rollup

_WINDOW_S: Final = 600  # a multiple of every level of the roll-ups
_MOST_SAID: Final = 10
_DAMAGED: Final = ("malformed", "not a database", "disk I/O error", "file is encrypted")

Progress = Callable[[float], None]


@dataclass(frozen=True)
class SoakSeen:
    """What was read of one soak: its scans, and the last one's time (None before the first)."""

    id: int
    scans: int
    last_s: float | None
    ended: bool
    thinned: Thinned | None = None


@dataclass
class Verified:
    """What was looked at, and what is wrong, in sentences; `remarks` are worth a line, and not wrong."""

    wrong: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    soaks: list[SoakSeen] = field(default_factory=list)
    jobs: int = 0
    photographs: int = 0

    @property
    def whole(self) -> bool:
        """Whether nothing is wrong."""
        return not self.wrong


def verify(path: Path, progress: Progress | None = None) -> Verified:
    """Look at all of a store. StoreError where there is none, or it is another schema's."""
    reader = Reader(path)
    found = Verified()
    try:
        found = reader.look(lambda c: _verified(c, progress or (lambda _: None)))
    except StoreTooNew:
        raise
    except StoreError as error:
        if not any(word in str(error) for word in _DAMAGED):
            raise
        found.wrong.append(str(error))
        return found
    kept = reader.photographs()
    found.photographs = len(kept)
    found.wrong += [said for one in kept if (said := photographs.wrong(reader.path, one)) is not None]
    folder = photographs.folder(reader.path)
    if folder.is_dir():
        named = {one.file for one in kept}
        strangers = sorted(file.name for file in folder.iterdir() if file.name not in named)
        found.remarks += [f"{folder / name} belongs to no photograph of the store" for name in strangers]
    return found


def _verified(connection: sa.Connection, progress: Progress) -> Verified:
    found = Verified()
    said = connection.exec_driver_sql(f"PRAGMA integrity_check({_MOST_SAID})").scalars().all()
    if said != ["ok"]:
        found.wrong += [f"the file is damaged: {' '.join(line.split())}" for line in said]
        return found
    for table, row, parent, _ in connection.exec_driver_sql("PRAGMA foreign_key_check").all()[:_MOST_SAID]:
        found.wrong.append(f"row {row} of the table {table} belongs to a row of {parent} that is not there")
    soak = schema.soak
    for row in connection.execute(sa.select(soak).order_by(soak.c.id)).all():
        _check_soak(connection, row, found, progress)
    _check_history(connection, found)
    found.jobs = connection.execute(sa.select(sa.func.count()).select_from(schema.job)).scalar_one()
    return found


def _check_soak(
    connection: sa.Connection, soak: sa.Row[tuple[object, ...]], found: Verified, progress: Progress
) -> None:
    """Unpack every scan of a soak, and make its roll-ups again; of a thinned one those of what is kept."""
    scan, minute, label = schema.scan, schema.scan_minute, f"soak {soak.id}"
    channels = connection.execute(
        sa.select(sa.func.count()).select_from(schema.channel).where(schema.channel.c.soak_id == soak.id)
    ).scalar_one()
    try:
        thinned = None if soak.thinned is None else Thinned.of(str(soak.thinned))
    except (ValueError, KeyError, TypeError, OverflowError):
        found.wrong.append(f"{label}: what was kept when it was thinned can't be read")
        return
    windows: set[int] = set()
    for table in (scan, minute, schema.rollup):
        query = sa.select(table.c.t0_s // _WINDOW_S).where(table.c.soak_id == soak.id).distinct()
        windows |= set(connection.execute(query).scalars())
    count, last_us = 0, -1
    wrong: list[str] = []
    for number in sorted(windows):
        rows = connection.execute(
            sa.select(scan.c.t0_s, scan.c.sequence, scan.c.n, scan.c.sequences, scan.c.data)
            .where(scan.c.soak_id == soak.id)
            .where(scan.c.t0_s >= number * _WINDOW_S, scan.c.t0_s < (number + 1) * _WINDOW_S)
            .order_by(scan.c.t0_s)
        ).all()
        broken = [row.t0_s for row in rows if not packing.fits(row, channels)]
        if broken:
            wrong.append(f"{label}: the scans of second {broken[0]} can't be read, {len(broken)} such here")
            rows = [row for row in rows if row.t0_s not in set(broken)]
        blocks = _minutes(connection, soak.id, number, channels, wrong)
        block = packing.joined([*blocks, packing.unpack(rows, channels)], channels)
        count += len(block)
        if len(block):
            if block.t_us[0] <= last_us or (np.diff(block.t_us) <= 0).any():
                wrong.append(f"{label}: times run backwards after {max(last_us, 0) / 1e6:.1f} s")
            last_us = int(block.t_us[-1])
            progress(last_us / 1e6)
        for level_s in schema.LEVELS_S:
            made = rollups.of_scans(block, level_s)
            wrong += _rollups_differ(connection, soak, level_s, number, made, thinned)
    if thinned is not None:
        wrong += _thinned_differs(connection, soak, thinned, found)
        found.wrong += wrong[:_MOST_SAID]
        found.soaks.append(SoakSeen(soak.id, count, (soak.last_t_us or 0) / 1e6, True, thinned))
        return
    if count != soak.scans:
        wrong.append(f"{label} should have {soak.scans:,} scans, and has {count:,}")
    if (soak.last_t_us if soak.last_t_us is not None else -1) != last_us:
        wrong.append(
            f"{label} should end at {(soak.last_t_us or 0) / 1e6:.3f} s, and ends at {last_us / 1e6:.3f} s"
        )
    found.wrong += wrong[:_MOST_SAID]
    found.soaks.append(
        SoakSeen(soak.id, count, None if last_us < 0 else last_us / 1e6, soak.ended_us is not None)
    )


def _minutes(
    connection: sa.Connection, soak_id: int, window: int, channels: int, wrong: list[str]
) -> list[ScanBlock]:
    """Return a window's scans that are stored by the minute; add to `wrong` which can't be read."""
    minute, low_s, high_s = schema.scan_minute, window * _WINDOW_S, (window + 1) * _WINDOW_S
    rows = connection.execute(
        sa.select(minute.c.t0_s, minute.c.n, minute.c.data)
        .where(minute.c.soak_id == soak_id, minute.c.t0_s >= low_s, minute.c.t0_s < high_s)
        .order_by(minute.c.t0_s)
    ).all()
    blocks = []
    for row in rows:
        try:
            blocks.append(packing.unpack_minutes([row], channels))
        except StoreError:
            wrong.append(f"soak {soak_id}: the scans of the minute at {row.t0_s} s can't be read")
    return blocks


def _thinned_differs(
    connection: sa.Connection, soak: sa.Row[tuple[object, ...]], thinned: Thinned, found: Verified
) -> list[str]:
    """Hold a thinned soak's levels of roll-ups against each other: scans are no more there for that.

    Scans beside what is kept are no fault: a run of `thin` was cut off before it had taken all of them out.
    """
    wrong = []
    fine, coarse = (fetch_stored_rollup(connection, soak.id, level_s) for level_s in schema.LEVELS_S)
    made = rollups.coarser(fine, schema.LEVELS_S[1])
    if not rollups.same(made, coarse):
        wrong.append(f"soak {soak.id}: its roll-ups of 10 s and of 60 s do not say the same")
    if not len(fine) or not int(fine.t0_s[-1]) <= (soak.last_t_us or 0) / 1e6 < int(fine.t0_s[-1]) + 10:
        wrong.append(f"soak {soak.id}: its roll-ups do not reach to its end")
    scan = schema.scan
    kept = [sa.and_(scan.c.t0_s >= low, scan.c.t0_s < high) for low, high in thinned.kept]
    over = sa.select(sa.func.count()).where(scan.c.soak_id == soak.id, sa.not_(sa.or_(sa.false(), *kept)))
    minute = schema.scan_minute
    kept = [sa.and_(minute.c.t0_s >= low, minute.c.t0_s < high) for low, high in thinned.kept]
    more = sa.select(sa.func.count()).where(minute.c.soak_id == soak.id, sa.not_(sa.or_(sa.false(), *kept)))
    left = (connection.scalar(over) or 0) + packing.MINUTE_S * (connection.scalar(more) or 0)
    if left:
        found.remarks.append(
            f"soak {soak.id} was thinned, but for {left:,} s of scans left over: soakbench thin goes on there"
        )
    return wrong


def _rollups_differ(
    connection: sa.Connection,
    soak: sa.Row[tuple[object, ...]],
    level_s: int,
    window: int,
    made: rollups.Rollup,
    thinned: Thinned | None = None,
) -> list[str]:
    """Compare the stored buckets of a window with those of its scans; of a running soak the closed ones.

    Of a thinned one those that it has kept all scans of.
    """
    table = schema.rollup
    of_soak = (table.c.soak_id == soak.id, table.c.level_s == level_s)
    stored = {
        (row.t0_s, row.channel): (row.n, row.vmin, row.vmax, row.vsum)
        for row in connection.execute(
            sa.select(table).where(
                *of_soak, table.c.t0_s >= window * _WINDOW_S, table.c.t0_s < (window + 1) * _WINDOW_S
            )
        )
    }
    closed_s = None
    if soak.ended_us is None:
        last = connection.execute(sa.select(sa.func.max(table.c.t0_s)).where(*of_soak)).scalar()
        closed_s = -1 if last is None else last
    wanted = {
        (int(made.t0_s[k]), channel): (
            int(made.n[k, channel]),
            int(made.vmin[k, channel]),
            int(made.vmax[k, channel]),
            int(made.vsum[k, channel]),
        )
        for k, channel in np.argwhere(made.n > 0).tolist()
        if closed_s is None or made.t0_s[k] <= closed_s
    }
    if thinned is not None:

        def kept(key: tuple[int, int]) -> bool:
            return any(low <= key[0] < high for low, high in thinned.kept)

        stored = {key: figures for key, figures in stored.items() if kept(key)}
        wanted = {key: figures for key, figures in wanted.items() if kept(key)}
    if stored == wanted:
        return []
    differ = sorted(key for key in stored.keys() | wanted.keys() if stored.get(key) != wanted.get(key))
    return [
        f"soak {soak.id}: the roll-up of {level_s} s at {differ[0][0]} s is not that of its scans, "
        f"{len(differ)} such here"
    ]


def _check_history(connection: sa.Connection, found: Verified) -> None:
    """Each version of a row after its first must have left what was there before."""
    history = schema.history
    versions: dict[tuple[str, int], set[int]] = {}
    for change in connection.execute(sa.select(history)).all():
        versions.setdefault((change.table_name, change.row_id), set()).add(change.version)
        try:
            json.loads(change.was), json.loads(change.became)
        except ValueError:
            found.wrong.append(f"the history of {change.table_name} {change.row_id} can't be read")
    for table in schema.KEPT:
        for row in connection.execute(sa.select(table.c.id, table.c.version)).all():
            kept = versions.get((table.name, row.id), set())
            if kept != set(range(2, row.version + 1)):
                found.wrong.append(f"the history of {table.name} {row.id} has a hole: an edit left no trace")


def back_up(path: Path, out: Path) -> list[str]:
    """Copy a store, and its photographs beside the copy; return what is wrong with them, in sentences.

    `out` becomes one closed file, whole or not at all; what was there is replaced. Photographs that lie
    beside it already stay.
    """
    reader = Reader(path)
    out = out.expanduser().absolute()
    if out.resolve() == reader.path.resolve():
        raise RequestError(f"{out} is the store itself: name another file for its copy")
    half = out.with_name(f"{out.name}.{os.getpid()}.part")
    try:
        reader.copy_to(half)
        kept = Reader(half).photographs()
        half.replace(out)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"the copy {out} can't be written: {error}") from error
    finally:
        for left in (half, Path(f"{half}-journal")):
            left.unlink(missing_ok=True)
    return _copy_photographs(reader.path, out, kept)


def _copy_photographs(store: Path, out: Path, kept: Sequence[Photograph]) -> list[str]:
    wrong = []
    for one in {one.checksum: one for one in kept}.values():
        said = photographs.wrong(store, one)
        if said is not None:
            wrong.append(said)
            continue
        photographs.keep(out, photographs.read(store, one))
    return wrong
