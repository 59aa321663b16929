"""The store's readers: every call opens it read-only, fetches all, closes. Reading never creates a store."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, Final, Protocol, TypeVar

import numpy as np
import sqlalchemy as sa

from logger import setup as setup_file
from logger.blocks import DaqInfo, FloatArray, Int64Array, Mark, ScanBlock
from logger.calibrate import in_force
from logger.convert import Calibration, Converter
from logger.errors import RequestError, StoreError, StoreTooNew
from logger.finding import Finding, Kind, Severity
from logger.jobs import Amp, BenchReading, Change, Fitting, Hours, Job, JobSoak, Photograph, Valve, hours
from logger.setup import Calibrated
from logger.store import packing, schema, sqlite
from logger.store import rollup as rollups
from logger.store.job import (
    fetch_amps,
    fetch_fittings,
    fetch_history,
    fetch_job,
    fetch_jobs,
    fetch_photographs,
    fetch_readings,
    fetch_soaks,
    fetch_valves,
)
from logger.store.packing import SECOND_US
from logger.store.request import Request, fetch_requests
from logger.store.rollup import Rollup
from logger.store.sqlite import default_path, default_store, file_of, is_address, user_path

__all__ = [
    "Reader", "Rollup", "Soak", "default_path", "default_store", "file_of", "is_address", "user_path",
]  # fmt: skip

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)
_ROLLED: Final = ("t0_s", "channel", "n", "vmin", "vmax", "vsum")
_T = TypeVar("_T")


@dataclass(frozen=True)
class Thinned:
    """Since when a soak has only part of its scans, which file of an archive has all, and what is kept.

    `kept`: stretches (from_s, to_s) of whole minutes.
    """

    at: datetime
    archive: str
    kept: tuple[tuple[int, int], ...]

    @classmethod
    def of(cls, text: str) -> Thinned:
        """Read what stands in the column of that name."""
        said = json.loads(text)
        kept = tuple((int(low), int(high)) for low, high in said["kept"])
        return cls(EPOCH + timedelta(microseconds=said["at_us"]), str(said["archive"]), kept)

    @property
    def text(self) -> str:
        """What stands in the column of that name."""
        return json.dumps({"at_us": to_us(self.at), "archive": self.archive, "kept": self.kept})

    def __str__(self) -> str:
        return f"thinned on {self.at:%Y-%m-%d}, all its scans are in {self.archive}"


@dataclass(frozen=True)
class Soak:
    """One recorded run as it stands: `ended` and `how` are None while it runs (or after a crash).

    `now` is the daemon's last word on a running soak, `verdict` the `soakbench.judge/1` document of one
    that ended. `scans` are those stored, `last_t_us` the last one's time. `calibration_id` is the
    calibration it was measured by, None where it was none of the store's; `checks` what the checks before
    power said, None where none were made. `last_ms` is the DAQ's own counter at the last scan, `last_seen`
    the computer's clock then. `job_id`: the job it belongs to. `thinned`: None where all its scans are here.
    """

    id: int
    uuid: str
    bench: str
    amp: str
    kind: str
    setup_text: str
    setup_digest: str
    daq: DaqInfo
    program: str
    started: datetime
    ended: datetime | None
    how: str | None
    now: dict[str, Any] | None
    verdict: dict[str, Any] | None
    scans: int
    last_t_us: int | None
    calibration_id: int | None = None
    checks: list[dict[str, str]] | None = None
    last_ms: int | None = None
    last_seen: datetime | None = None
    job_id: int | None = None
    thinned: Thinned | None = None

    def has_scans(self, from_s: float = 0.0, to_s: float | None = None) -> bool:
        """Whether the store has every scan of a stretch, and not only its roll-ups."""
        if self.thinned is None:
            return True
        last_s = (self.last_t_us or 0) / 1e6
        low_s, high_s = max(from_s, 0.0), last_s if to_s is None else min(to_s, last_s)
        return any(low <= low_s and high_s < high for low, high in self.thinned.kept)

    @cached_property
    def setup(self) -> setup_file.Setup:
        """The set-up it ran with."""
        return _parsed(self.setup_text, f"set-up of soak {self.id}")


@lru_cache(maxsize=128)
def _parsed(text: str, path: str) -> setup_file.Setup:
    """A set-up never changes once it is stored, and a page asks for the same one several times a second."""
    return setup_file.parse(text, path=path)


class _Source(Protocol):
    """Where a store is, and how one reads there."""

    name: str

    def exists(self) -> bool: ...

    def look(self, fetch: Callable[[sa.Connection], _T]) -> _T: ...


class Reader:
    """Reads one store. Cheap to make; holds nothing open between calls. StoreError where it can't be read."""

    def __init__(self, store: Path | str) -> None:
        """Take a file's name, or the address of a PostgreSQL database (`postgresql://...`)."""
        self._source: _Source = sqlite.ReadFile(Path(store))
        if is_address(str(store)):
            # imported here: a bench with a store of its own needs none of it
            from logger.store.postgres import ReadDatabase

            self._source = ReadDatabase(str(store))

    @property
    def name(self) -> str:
        """The file's path or the database's address, without its password."""
        return self._source.name

    @property
    def path(self) -> Path:
        """The store's file. RequestError where it is a database: what lies beside a file is not there."""
        if not isinstance(self._source, sqlite.ReadFile):
            raise RequestError(
                f"{self.name} is a database, which only shows what was collected: do that at the bench, on "
                "its own store"
            )
        return self._source.path

    def exists(self) -> bool:
        """Whether there is a store at all."""
        return self._source.exists()

    def soaks(self) -> list[Soak]:
        """Return all soaks, the oldest first."""
        return self.look(lambda c: [soak_of(row) for row in c.execute(sa.select(schema.soak).order_by("id"))])

    def soak(self, which: int | str = "last") -> Soak:
        """Return a soak by number, or the last one. RequestError if there is none such."""
        query = _which_soak(which)
        row = self.look(lambda c: c.execute(query).first())
        return self._soak(row, which)

    def standing(self, which: int | str = "last") -> tuple[Soak, list[Finding], list[Mark]]:
        """Return a soak with its findings and its marks, all as of one instant. Raises as `soak`."""
        query = _which_soak(which)

        def fetch(connection: sa.Connection) -> tuple[Any, Any, Any]:
            row = connection.execute(query).first()
            if row is None:
                return None, (), ()
            findings, marks = _findings_of(row.id), _marks_of(row.id)
            return row, connection.execute(findings).all(), connection.execute(marks).all()

        row, findings, marks = self.look(fetch)
        return (
            self._soak(row, which),
            [finding_of(one, self.name) for one in findings],
            [Mark(one.t_us, one.text) for one in marks],
        )

    def scans(self, soak_id: int, from_us: int | None = None, to_us: int | None = None) -> ScanBlock:
        """Return the scans with from_us <= t_us < to_us."""
        return self.look(lambda c: fetch_scans(c, soak_id, from_us, to_us))

    def scan_blocks(self, soak_id: int, seconds: int = 600) -> Iterator[ScanBlock]:
        """Yield all scans in blocks of up to `seconds` seconds that have any; nothing is open in between.

        Of a running soak: up to what is stored when the last block is asked for. RequestError for one that
        was thinned.
        """
        thinned = self.soak(soak_id).thinned
        if thinned is not None:
            raise RequestError(
                f"soak {soak_id} was {thinned}: name that file to soakbench judge, or bring them back with "
                "soakbench archive --restore"
            )
        from_us: int | None = None
        while True:
            block = self.look(lambda c, start=from_us: fetch_scans(c, soak_id, start, rows=seconds + 1))  # type: ignore[misc]
            if len(block) == 0:
                return
            yield block
            from_us = int(block.t_us[-1]) + 1

    def replay(self, soak_id: int, seconds: int = 600) -> Iterator[tuple[ScanBlock, list[Mark]]]:
        """Yield all scans as `scan_blocks` does, with each block the marks up to its last scan not yet given.

        The pipeline is so given what the daemon's was. Marks later than all scans come with a block of none.
        """
        given = 0  # marks are only ever added, and none is earlier than one before it
        for block in self.scan_blocks(soak_id, seconds):
            marks = self.marks(soak_id)[given:]
            due = [mark for mark in marks if mark.t_us <= block.t_us[-1]]
            given += len(due)
            yield block, due
        left = self.marks(soak_id)[given:]
        if left:
            yield packing.empty(len(self.soak(soak_id).setup.channel)), left

    def rollup(
        self, soak_id: int, level_s: int, from_s: float | None = None, to_s: float | None = None
    ) -> Rollup:
        """Return the buckets of `level_s` seconds that begin before `to_s` and end after `from_s`.

        Any whole number of seconds will do; multiples of 10 are quick. What is not rolled up yet comes from
        the scans: the last bucket of a running soak is the one that still fills. RequestError for other
        levels of a soak that was thinned.
        """
        if level_s < 1:
            raise RequestError(f"a roll-up's level is a whole number of seconds from 1, not {level_s}")
        finest = min(schema.LEVELS_S)
        if level_s % finest and (thinned := self.soak(soak_id).thinned) is not None:
            raise RequestError(f"soak {soak_id} has buckets of {finest} s and no finer: it was {thinned}")
        start = 0 if from_s is None else int(from_s // level_s) * level_s
        stop = None if to_s is None else int(-(-to_s // level_s)) * level_s
        return self.look(lambda c: fetch_rollup(c, soak_id, level_s, start, stop))

    def means(
        self, soak: Soak, level_s: int, calibration: Calibration | None
    ) -> tuple[FloatArray, FloatArray]:
        """Return a soak's buckets: middles (b,) in s, means of all channels (b, c) in A, V and degC."""
        rolled = self.rollup(soak.id, level_s)
        converter = Converter(soak.setup, soak.daq, calibration)
        mean = rolled.mean
        unknown = np.full(len(mean), np.nan)  # a temperature whose sensor nobody stated
        values = [
            converter.values(c, mean[:, c]) if converter.step(c) == converter.step(c) else unknown
            for c in range(mean.shape[1])
        ]
        return rolled.t0_s.astype(np.float64) + level_s / 2.0, np.column_stack(values)

    def findings(self, soak_id: int) -> list[Finding]:
        """Return a soak's findings as they stand, in the order raised."""
        return [
            finding_of(row, self.name) for row in self.look(lambda c: c.execute(_findings_of(soak_id)).all())
        ]

    def marks(self, soak_id: int) -> list[Mark]:
        """Return a soak's marks in order of time."""
        rows = self.look(lambda c: c.execute(_marks_of(soak_id)).all())
        return [Mark(row.t_us, row.text) for row in rows]

    def requests(self) -> list[Request]:
        """Return all that was ever asked of a daemon on this store, in the order made."""
        return self.look(fetch_requests)

    def request(self, number: int) -> Request:
        """Return one of them, by the number that it was given when it was written."""
        (found,) = self.look(lambda c: fetch_requests(c, schema.request.c.id == number))
        return found

    def calibrations(self, board_id: str | None = None) -> list[Calibration]:
        """Return the calibrations of a board, or of all, the one made last at the end."""
        return self.look(lambda c: fetch_calibrations(c, board_id))

    def calibration(self, which: int | str = "newest", board_id: str | None = None) -> Calibration:
        """Return a calibration by number, or the newest of a board. RequestError if there is none such."""
        of_board = self.calibrations(board_id)
        if which == "newest" and of_board:
            return of_board[-1]
        found = [one for one in self.calibrations() if one.id == which]
        if found:
            return found[0]
        whose = f" of the board {board_id}" if board_id is not None else ""
        has = ", ".join(str(one.id) for one in self.calibrations()) or "none"
        named = "" if which == "newest" else f" {which}"
        raise RequestError(f"there is no calibration{named}{whose} in {self.name}: it has {has}")

    def calibration_of(self, soak: Soak, which: int | str = "in force") -> Calibration | None:
        """Return the calibration to look at a soak with, joined to what its set-up states.

        `which`: "in force" for the one it was measured by, "none" for none at all, "newest" for the newest
        of its board, or a number. None where the set-up's own, if any, is all there is. RequestError for a
        number that the store has not, or that is another board's.
        """
        if which == "none":
            return Calibration()
        if which == "in force":
            which = "none" if soak.calibration_id is None else soak.calibration_id
        stored = None if which == "none" else self.calibration(which, soak.daq.board_id)
        if stored is not None and stored.board_id != soak.daq.board_id:
            raise RequestError(
                f"calibration {stored.id} is of the board {stored.board_id}, and soak {soak.id} was measured "
                f"with {soak.daq.board_id}: name one of that board, newest or none"
            )
        return in_force(soak.setup, soak.daq, stored)[0]

    def job(self, which: int, *, deleted: bool = False) -> Job:
        """Return a whole job with all that belongs to it; `deleted`: also what is marked as deleted.

        RequestError where there is none such.
        """
        return self.look(lambda c: fetch_job(c, which, deleted=deleted))

    def jobs(self, *, deleted: bool = False) -> list[Job]:
        """Return all jobs, the oldest first, with their amp, but without what else belongs to them."""
        return self.look(lambda c: fetch_jobs(c, deleted=deleted))

    def amps(self) -> list[Amp]:
        """Return all amps of the job record, the oldest first."""
        return self.look(fetch_amps)

    def job_soaks(self) -> list[JobSoak]:
        """Return every soak that belongs to a job, the oldest first."""
        return self.look(fetch_soaks)

    def valves(self) -> list[Valve]:
        """Return all valves, the oldest first."""
        return self.look(fetch_valves)

    def fittings(self, *, amp_id: int | None = None, valve_id: int | None = None) -> list[Fitting]:
        """Return which valve sat in which socket, of an amp, of a valve, or all; the oldest first."""
        return self.look(lambda c: fetch_fittings(c, amp_id=amp_id, valve_id=valve_id))

    def valve_hours(self) -> dict[int, Hours]:
        """Return the hours of each valve that was ever fitted, by its id, from all soaks of jobs."""
        return self.look(lambda c: hours(fetch_fittings(c), fetch_soaks(c)))

    def bench_readings(self) -> list[BenchReading]:
        """Return what persons read from instruments, of all jobs, the oldest first."""
        return self.look(fetch_readings)

    def history(self, table: str, row_id: int) -> list[Change]:
        """Return every edit of one row of the job record, the oldest first."""
        return self.look(lambda c: fetch_history(c, table, row_id))

    def photographs(self) -> list[Photograph]:
        """Return the photographs of all jobs, those that are marked as deleted too."""
        return self.look(fetch_photographs)

    def copy_to(self, out: Path) -> None:
        """Copy the store as it stands into one closed file, also while something writes to it.

        One read transaction, so all of it is of one instant. `out` must not exist.
        """

        def copy(connection: sa.Connection) -> None:
            out.unlink(missing_ok=True)  # of a try that was overtaken
            source: Any = connection.connection.driver_connection
            try:
                with closing(sqlite3.connect(out)) as target:
                    source.backup(target)
                    target.execute("PRAGMA journal_mode = DELETE")  # no log beside it when it is opened
            except sqlite3.Error as error:
                raise StoreError(f"the store {self.path} can't be copied to {out}: {error}") from error

        self.look(copy)

    def _soak(self, row: Any, which: int | str) -> Soak:
        if row is None:
            numbers = [soak.id for soak in self.soaks()]
            has = f"it has {', '.join(map(str, numbers[-10:]))}" if numbers else "it has none yet"
            raise RequestError(f"there is no soak {which} in {self.name}: {has}")
        return soak_of(row)

    def look(self, fetch: Callable[[sa.Connection], _T]) -> _T:
        """Run one read transaction."""
        return self._source.look(fetch)


def _which_soak(which: int | str) -> sa.Select[Any]:
    table = schema.soak
    if which == "last":
        return sa.select(table).order_by(table.c.id.desc()).limit(1)
    try:
        return sa.select(table).where(table.c.id == int(which))
    except ValueError:
        raise RequestError(f'a soak is named by its number or "last", not {which!r}') from None


def _findings_of(soak_id: int) -> sa.Select[Any]:
    return sa.select(schema.finding).where(schema.finding.c.soak_id == soak_id).order_by("id")


def _marks_of(soak_id: int) -> sa.Select[Any]:
    table = schema.mark
    chosen = sa.select(table.c.t_us, table.c.text).where(table.c.soak_id == soak_id)
    return chosen.order_by(table.c.t_us, table.c.id)


def to_us(moment: datetime) -> int:
    """Return microseconds since 1970, exactly."""
    return (moment - EPOCH) // _MICROSECOND


def fetch_calibrations(connection: sa.Connection, board_id: str | None = None) -> list[Calibration]:
    """Return the calibrations of a board, or of all, the one made last at the end."""
    table = schema.calibration
    query = sa.select(table).order_by(table.c.made_us, table.c.id)
    if board_id is not None:
        query = query.where(table.c.board_id == board_id)
    return [calibration_of(row) for row in connection.execute(query).all()]


def calibration_of(row: Any) -> Calibration:
    """Return a row of the table `calibration` as one."""
    channels = json.loads(row.channels)
    wiring = {name: one.pop("wiring", "") for name, one in channels.items()}
    return Calibration(
        channels={name: Calibrated.model_validate(one) for name, one in channels.items()},
        id=row.id,
        board_id=row.board_id,
        made=EPOCH + timedelta(microseconds=row.made_us),
        by=row.made_by,
        instrument=row.instrument,
        wiring=wiring,
    )


def fetch_scans(
    connection: sa.Connection,
    soak_id: int,
    from_us: int | None = None,
    to_us: int | None = None,
    rows: int | None = None,
) -> ScanBlock:
    """Return the scans with from_us <= t_us < to_us, of up to so many rows (seconds), or about as many."""
    channels, by_minute = _shape(connection, soak_id)
    most = None if rows is None else rows // packing.MINUTE_S + 2  # from_us may lie at the first one's end
    low_s = None if from_us is None else from_us // SECOND_US
    minutes: Sequence[Any] = ()
    if by_minute:
        table = schema.scan_minute
        query = sa.select(table.c.t0_s, table.c.n, table.c.data).where(table.c.soak_id == soak_id)
        if low_s is not None:
            query = query.where(table.c.t0_s > low_s - packing.MINUTE_S)
        if to_us is not None:
            query = query.where(table.c.t0_s <= to_us // SECOND_US)
        minutes = connection.execute(query.order_by(table.c.t0_s).limit(most)).all()
    found = packing.unpack_minutes(minutes, channels)
    if most is None or len(minutes) < most:  # else what follows is the next call's
        seconds = packing.unpack(_seconds(connection, soak_id, low_s, to_us, rows), channels)
        found = packing.joined([found, seconds], channels) if len(found) else seconds
    start = 0 if from_us is None else int(np.searchsorted(found.t_us, from_us))
    stop = None if to_us is None else int(np.searchsorted(found.t_us, to_us))
    return found.part(start, stop)


def fetch_rows(connection: sa.Connection, soak_id: int, from_s: int, rows: int) -> list[packing.Row]:
    """Return up to so many rows of scans, each a second, from `from_s` on; fewer only at the soak's end."""
    if not _shape(connection, soak_id)[1]:
        return [packing.Row(*row) for row in _seconds(connection, soak_id, from_s, None, rows)]
    found: list[packing.Row] = []
    while len(found) < rows and len(block := fetch_scans(connection, soak_id, from_s * SECOND_US, rows=rows)):
        found += packing.pack(block)
        from_s = found[-1].t0_s + 1
    return found[:rows]


def _seconds(
    connection: sa.Connection, soak_id: int, low_s: int | None, to_us: int | None, rows: int | None
) -> Sequence[Any]:
    """Return the rows of the table `scan` that may have scans from the second `low_s` to `to_us`."""
    table = schema.scan
    query = sa.select(table.c.t0_s, table.c.sequence, table.c.n, table.c.sequences, table.c.data).where(
        table.c.soak_id == soak_id
    )
    if low_s is not None:
        query = query.where(table.c.t0_s >= low_s)
    if to_us is not None:
        query = query.where(table.c.t0_s <= to_us // SECOND_US)
    return connection.execute(query.order_by(table.c.t0_s).limit(rows)).all()


def fetch_rollup(
    connection: sa.Connection, soak_id: int, level_s: int, start_s: int = 0, stop_s: int | None = None
) -> Rollup:
    """Return the buckets from `start_s` up to `stop_s`, on the level's grid; the tail is from the scans."""
    channels = _channels(connection, soak_id)
    stored_level = max((level for level in schema.LEVELS_S if level_s % level == 0), default=None)
    result = rollups.empty(level_s, channels)
    if stored_level is not None:
        table = schema.rollup
        stored = fetch_stored_rollup(connection, soak_id, stored_level, start_s, stop_s)
        last = connection.execute(
            sa.select(sa.func.max(table.c.t0_s)).where(
                table.c.soak_id == soak_id, table.c.level_s == stored_level
            )
        ).scalar()
        result = rollups.coarser(stored, level_s)
        if last is not None:
            start_s = max(start_s, last + stored_level)
    if stop_s is None or start_s < stop_s:
        tail = fetch_scans(
            connection, soak_id, start_s * SECOND_US, None if stop_s is None else stop_s * SECOND_US
        )
        result = rollups.joined(result, rollups.of_scans(tail, level_s))
    return result.with_readings


def fetch_stored_rollup(
    connection: sa.Connection, soak_id: int, level_s: int, start_s: int = 0, stop_s: int | None = None
) -> Rollup:
    """Return the buckets that are stored of a level which is, those that begin from `start_s` to `stop_s`."""
    table = schema.rollup
    rows = sa.select(*(table.c[name] for name in _ROLLED)).where(
        table.c.soak_id == soak_id, table.c.level_s == level_s, table.c.t0_s >= start_s
    )
    if stop_s is not None:
        rows = rows.where(table.c.t0_s < stop_s)
    return _dense(_columns(connection, rows.subquery()), level_s, _channels(connection, soak_id))


def _columns(connection: sa.Connection, rows: sa.Subquery) -> list[Int64Array]:
    """Return whole numbers by column, in any order of rows, the same in each.

    SQL hands over each column as one text: half the time of as many rows, each an object of six.
    """
    texts = [sa.func.aggregate_strings(sa.cast(column, sa.Text), ",") for column in rows.c]
    return [
        np.fromstring(text or "", dtype=np.int64, sep=",")
        for text in connection.execute(sa.select(*texts)).one()
    ]


def _dense(column: Sequence[Int64Array], level_s: int, channels: int) -> Rollup:
    if not len(column[0]):
        return rollups.empty(level_s, channels)
    t0_s, place = np.unique(column[0], return_inverse=True)
    shape = (len(t0_s), channels)
    at = (place, column[1])
    n = np.zeros(shape, dtype=np.int32)
    vmin, vmax = np.full(shape, np.nan), np.full(shape, np.nan)
    vsum = np.zeros(shape, dtype=np.int64)
    n[at], vmin[at], vmax[at], vsum[at] = column[2:]
    return Rollup(level_s, t0_s, n, vmin, vmax, vsum)


def _channels(connection: sa.Connection, soak_id: int) -> int:
    return _shape(connection, soak_id)[0]


def _shape(connection: sa.Connection, soak_id: int) -> tuple[int, bool]:
    """Return how many channels a soak has, and whether it has scans by the minute."""
    channel, minute = schema.channel, schema.scan_minute
    count = sa.select(sa.func.count()).where(channel.c.soak_id == soak_id).scalar_subquery()
    channels, by_minute = connection.execute(
        sa.select(count, sa.exists().where(minute.c.soak_id == soak_id))
    ).one()
    return int(channels), bool(by_minute)


def finding_of(row: Any, name: str) -> Finding:
    """Return a row of the table `finding` of the store `name` as one."""
    try:
        kind = Kind(row.kind)
    except ValueError:
        raise StoreTooNew(
            f"the store {name} holds a finding of the kind {row.kind!r}, which this soakbench "
            "doesn't know: use the soakbench that wrote it, or a newer one"
        ) from None
    return Finding(
        id=row.id,
        kind=kind,
        channel=row.channel,
        channels=tuple(json.loads(row.channels)),
        onset_s=row.onset_s,
        raised_s=row.raised_s,
        severity=Severity(row.severity),
        says=row.says,
        advice=row.advice,
        cleared_s=row.cleared_s,
        under=row.under,
        acknowledged_s=row.acknowledged_s,
        evidence=json.loads(row.evidence),
    )


def soak_of(row: Any) -> Soak:
    """Return a row of the table `soak` as one."""
    daq = json.loads(row.daq)
    started = EPOCH + timedelta(microseconds=row.started_us)
    return Soak(
        id=row.id,
        uuid=row.uuid,
        bench=row.bench,
        amp=row.amp,
        kind=row.kind,
        setup_text=row.setup_text,
        setup_digest=row.setup_digest,
        daq=DaqInfo(
            board_id=daq["board_id"],
            protocol=daq["protocol"],
            volts_per_count=tuple(daq["volts_per_count"]),
            full_count=tuple(daq["full_count"]),
            reset_cause=daq["reset_cause"],
            step_V=tuple(daq.get("step_V", ())),  # stores of before know none
        ),
        program=row.program,
        started=started,
        ended=None if row.ended_us is None else EPOCH + timedelta(microseconds=row.ended_us),
        how=row.how,
        now=None if row.now is None else json.loads(row.now),
        verdict=None if row.verdict is None else json.loads(row.verdict),
        scans=row.scans,
        last_t_us=row.last_t_us,
        calibration_id=row.calibration_id,
        checks=None if row.checks is None else json.loads(row.checks),
        last_ms=row.last_ms,
        last_seen=None if row.last_seen_us is None else EPOCH + timedelta(microseconds=row.last_seen_us),
        job_id=row.job_id,
        thinned=None if row.thinned is None else Thinned.of(row.thinned),
    )
