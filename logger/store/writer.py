"""The one writer of a store: it takes the daemon's lock, brings the schema up to date, and commits.

What is added is held in memory until `commit`; a commit that fails (disk full, store locked) loses
nothing: all of it is held, and written by a later one. `commit_due` says when: a second of wall time
after the last, at 1,000 scans, for a finding that opens, changes its severity, clears or was
acknowledged, for a mark.

A disk may take seconds, or hang. So the daemon has commits made by a thread of their own (`begin_commit`)
and asks what came of them (`committed`): what is added meanwhile waits for the next one.
"""

from __future__ import annotations

import json
import math
import shutil
import sqlite3
import threading
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import filelock
import numpy as np
import sqlalchemy as sa

from logger.blocks import DaqInfo, Mark, ScanBlock
from logger.clock import Clock
from logger.convert import Calibration, Converter
from logger.errors import DaemonRunning, SetupError, SoakbenchError, StoreError
from logger.finding import Finding
from logger.setup import Setup
from logger.store import packing, schema, sqlite
from logger.store import rollup as rollups
from logger.store.packing import SECOND_US
from logger.store.reader import EPOCH, Soak, fetch_calibrations, fetch_rollup, fetch_scans, to_us
from logger.store.request import Answer, Request, as_text
from logger.store.rollup import Rollup
from logger.store.sqlite import disk_left_bytes, old_sqlite_warning

__all__ = ["Writer", "disk_left_bytes", "old_sqlite_warning"]

COMMIT_SCANS: Final = 1000
COMMIT_S: Final = 1.0
HELD_SAMPLES_MOST: Final = 16_000_000
"""Scans x channels held while the store can't be written: 64 MB, 27 h of 16 channels at 10 scans/s."""

MIGRATIONS: Final = "logger.store:migrations"
"""Where Alembic finds the migrations."""
_CLOSE_TRIES: Final = 50


@dataclass
class _Running:
    """The soak being written: what is stored already, and what waits."""

    id: int
    started: datetime
    full_count: tuple[int, ...]
    scans: int = 0  # all, those that wait too
    last_t_us: int | None = None
    last_ms: int | None = None
    last_seen_us: int | None = None
    # The last second's scans, stored or not: its row is written again until the second is over.
    second: ScanBlock = field(default_factory=lambda: packing.empty(0))
    waiting: list[ScanBlock] = field(default_factory=list)
    waiting_scans: int = 0
    buckets: dict[int, Rollup] = field(default_factory=dict)  # by level: the bucket that still fills
    findings: dict[int, Finding] = field(default_factory=dict)  # waiting, by id
    dropped: set[int] = field(default_factory=set)  # findings to be taken out
    told: dict[int, tuple[object, ...]] = field(default_factory=dict)  # what was last urgent, by id
    marks: list[Mark] = field(default_factory=list)
    mark_id: int = 0  # the last mark that is surely stored
    now: Callable[[], Mapping[str, Any]] | None = None
    checks: str | None = None
    urgent: bool = False

    @property
    def channels(self) -> int:
        return len(self.full_count)

    @property
    def dirty(self) -> bool:
        return bool(self.waiting or self.findings or self.dropped or self.marks or self.now or self.checks)

    def take(self) -> _Batch:
        """Take out all that waits: what is added from here on waits for the next commit."""
        stands = {
            "scans": self.scans,
            "last_t_us": self.last_t_us,
            "last_ms": self.last_ms,
            "last_seen_us": self.last_seen_us,
        }
        now = None if self.now is None else _json(self.now())
        batch = _Batch(
            self.waiting, self.findings, self.dropped, self.marks, now, self.checks, self.urgent, stands
        )
        self.waiting, self.waiting_scans = [], 0
        self.findings, self.dropped, self.marks = {}, set(), []
        self.now, self.checks, self.urgent = None, None, False
        return batch

    def give_back(self, batch: _Batch) -> None:
        """Put what could not be stored before what has come since."""
        self.waiting = batch.waiting + self.waiting
        self.waiting_scans = sum(map(len, self.waiting))
        kept = {number: one for number, one in batch.findings.items() if number not in self.dropped}
        self.findings = kept | self.findings
        self.dropped |= batch.dropped
        self.marks = batch.marks + self.marks
        if self.now is None and batch.now is not None:
            stood: Mapping[str, Any] = json.loads(batch.now)
            self.now = lambda: stood
        self.checks = self.checks or batch.checks
        self.urgent |= batch.urgent


@dataclass
class _Batch:
    """What one commit stores."""

    waiting: list[ScanBlock]
    findings: dict[int, Finding]
    dropped: set[int]
    marks: list[Mark]
    now: str | None
    checks: str | None
    urgent: bool
    stands: dict[str, Any]
    """How the soak's own row stands with it."""


@dataclass
class _Stored:
    """What is known once a batch is stored."""

    second: ScanBlock
    buckets: dict[int, Rollup]
    mark_id: int
    answered: bool
    taken: list[Answer]
    took_s: float


class _Commit:
    """A commit that is being made by a thread of its own."""

    def __init__(self, batch: _Batch, store: Callable[[], _Stored]) -> None:
        self.batch = batch
        self.done = threading.Event()
        self._store = store
        self._stored: _Stored | None = None
        self._error: BaseException | None = None
        threading.Thread(target=self._run, name="commit", daemon=True).start()

    def result(self) -> _Stored:
        """Return what came of it, once it is done; raises what it raised."""
        if self._error is not None:
            raise self._error
        assert self._stored is not None
        return self._stored

    def _run(self) -> None:
        try:
            self._stored = self._store()
        except BaseException as error:
            self._error = error
        finally:
            self.done.set()


class Writer:
    """The one writer of a store; a context manager. One soak at a time; not for several threads at once.

    Raises DaemonRunning if another holds the store, StoreTooNew if a later soakbench wrote it, StoreError
    where it can't be opened or written.
    """

    def __init__(self, path: Path | str, clock: Clock) -> None:
        self.path = Path(path).expanduser().absolute()
        self.lost_scans = 0
        self.on_commit: Callable[[float], None] | None = None
        """Told how long each commit took, in seconds, once it is made."""
        self._clock = clock
        self._run: _Running | None = None
        self._committed_s = clock.monotonic_s()
        self._failed_s: float | None = None
        self._commit: _Commit | None = None
        self._unsure: list[Request] = []  # answered in a commit that failed, as far as is known
        self._connection: sa.Connection | None = None
        self._daemon_lock = sqlite.daemon_lock(self.path)
        self._write_lock = sqlite.write_lock(self.path)
        with sqlite.translated(self.path, "written"):
            self.path.parent.mkdir(parents=True, exist_ok=True)
            try:
                self._daemon_lock.acquire()
            except filelock.Timeout:
                raise DaemonRunning(
                    f"another soakbench is writing to the store {self.path}: stop it first, or name another "
                    "store with --db"
                ) from None
            try:
                self._connection = self._open()
            except BaseException:
                sqlite.drop_lock(self._daemon_lock)
                raise

    def _open(self) -> sa.Connection:
        self._write_lock.acquire()
        connection = None
        try:
            connection = sqlite.writing_engine(self.path).connect()
            _bring_up(connection, self.path)
        except BaseException:
            if connection is not None:
                connection.close()
            sqlite.drop_lock(self._write_lock)
            raise
        self._write_lock.release()
        return connection

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def soak_id(self) -> int | None:
        """The soak being written, None between soaks."""
        return self._run.id if self._run else None

    @property
    def held_scans(self) -> int:
        """How many scans are not committed yet."""
        commit = self._commit  # whoever asks may be another thread
        on_the_way = 0 if commit is None else sum(map(len, commit.batch.waiting))
        return on_the_way + (self._run.waiting_scans if self._run else 0)

    def begin_soak(
        self,
        *,
        setup: Setup,
        setup_text: str,
        daq: DaqInfo,
        started: datetime,
        kind: str = "as left",
        calibration_id: int | None = None,
        job_id: int | None = None,
        uuid_of: str | None = None,
    ) -> int:
        """Begin a soak at once and return its number; `calibration_id`: what it will be measured by."""
        if self._run is not None:
            raise SoakbenchError(f"soak {self._run.id} was still being written when another was begun")
        if not len(setup.channel) == len(daq.volts_per_count) == len(daq.full_count):
            raise SoakbenchError(
                f"the set-up has {len(setup.channel)} channels, the DAQ's description {len(daq.full_count)}"
            )
        with self._transaction() as connection:
            values = {
                "uuid": uuid_of or str(uuid.uuid4()),
                "bench": setup.bench.name,
                "amp": setup.amp.name,
                "kind": kind,
                "setup_text": setup_text,
                "setup_digest": setup.digest,
                "daq": _json(asdict(daq)),
                "program": f"soakbench {version('soakbench')}",
                "started_us": to_us(started),
                "scans": 0,
                "calibration_id": calibration_id,
                "job_id": job_id,
            }
            inserted = sa.insert(schema.soak).values(values).returning(schema.soak.c.id)
            soak_id = int(connection.execute(inserted).scalar_one())
            connection.execute(
                sa.insert(schema.channel),
                _channel_rows(soak_id, setup, daq),
            )
        self._run = _Running(soak_id, started, daq.full_count)
        self._run.second = packing.empty(self._run.channels)
        return self._run.id

    def go_on(self, soak: Soak, findings: Sequence[Finding]) -> None:
        """Go on with a soak that was left without an end, as what is stored of it stands.

        `findings` are those of its replay: they take the place of the stored ones.
        """
        if self._run is not None:
            raise SoakbenchError(f"soak {self._run.id} was still being written when another was gone on with")
        assert soak.last_t_us is not None
        run = _Running(soak.id, soak.started, soak.daq.full_count, soak.scans, soak.last_t_us, soak.last_ms)
        run.last_seen_us = None if soak.last_seen is None else to_us(soak.last_seen)
        run.told = {found.id: _news(found) for found in findings}
        with self._transaction() as connection:
            run.second = fetch_scans(connection, soak.id, soak.last_t_us // SECOND_US * SECOND_US)
            for level_s in schema.LEVELS_S:
                closed = _last_bucket(connection, soak.id, level_s)
                from_s = 0 if closed is None else closed + level_s
                run.buckets[level_s] = rollups.of_scans(
                    fetch_scans(connection, soak.id, from_s * SECOND_US), level_s
                )
            mark = schema.mark
            last_mark = sa.select(sa.func.max(mark.c.id)).where(mark.c.soak_id == soak.id)
            run.mark_id = connection.execute(last_mark).scalar() or 0
            connection.execute(sa.delete(schema.finding).where(schema.finding.c.soak_id == soak.id))
            _insert_findings(connection, soak.id, findings)
        self._run = run

    def add_scans(self, block: ScanBlock) -> None:
        """Take in scans, each later than the last; they are stored with the next commit."""
        run = self._running()
        if len(block) == 0:
            return
        if block.counts.shape != (len(block), run.channels) or len(block.sequence) != len(block):
            raise SoakbenchError(
                f"scans of {run.channels} channels were expected, counts of shape {block.counts.shape} came"
            )
        last = run.last_t_us if run.last_t_us is not None else -1
        if block.t_us[0] <= last or not (np.diff(block.t_us) > 0).all():
            raise SoakbenchError("a scan was handed to the store that is not later than the one before it")
        run.waiting.append(packing.storable(block, run.full_count))
        run.waiting_scans += len(block)
        run.scans += len(block)
        run.last_t_us = int(block.t_us[-1])
        run.last_ms = None if block.ms is None else int(block.ms[-1])
        run.last_seen_us = to_us(self._clock.wall())
        while self.held_scans * run.channels > HELD_SAMPLES_MOST and len(run.waiting) > 1:
            dropped = len(run.waiting.pop(0))
            run.waiting_scans -= dropped
            run.scans -= dropped
            self.lost_scans += dropped

    def put_finding(self, finding: Finding) -> None:
        """Take in a finding as it now stands; one that opens, clears or changes severity, or was
        acknowledged, is due at once.
        """
        run = self._running()
        news = _news(finding)
        if run.told.get(finding.id) != news:
            run.told[finding.id] = news
            run.urgent = True
        run.findings[finding.id] = finding

    def drop_finding(self, number: int) -> None:
        """Take a finding out again that turned out to be none; its number may be given anew."""
        run = self._running()
        run.findings.pop(number, None)
        run.told.pop(number, None)
        run.dropped.add(number)
        run.urgent = True

    def put_mark(self, mark: Mark) -> None:
        """Take in a person's mark; due at once."""
        run = self._running()
        run.marks.append(mark)
        run.urgent = True

    def put_checks(self, checks: Sequence[Mapping[str, Any]]) -> None:
        """Take in what the checks before power said, the lot; due at once."""
        run = self._running()
        run.checks = _json(list(checks))
        run.urgent = True

    def add_calibration(self, found: Calibration) -> int:
        """Store a calibration at once and return its number. It needs a board, a date and a channel."""
        if not found.board_id or found.made is None or not found.channels:
            raise SoakbenchError("a calibration without board, date or channel was handed to the store")
        values = {
            "board_id": found.board_id,
            "made_us": to_us(found.made),
            "made_by": found.by,
            "instrument": found.instrument,
            "program": f"soakbench {version('soakbench')}",
            "channels": _json(
                {
                    name: one.model_dump(mode="json", exclude_none=True)
                    | {"wiring": found.wiring.get(name, "")}
                    for name, one in found.channels.items()
                }
            ),
        }
        with self._transaction() as connection:
            inserted = sa.insert(schema.calibration).values(values).returning(schema.calibration.c.id)
            return int(connection.execute(inserted).scalar_one())

    def newest_calibration(self, board_id: str) -> Calibration | None:
        """Return the calibration of a board that was made last, None where it has none."""
        with self._transaction() as connection:
            found = fetch_calibrations(connection, board_id)
        return found[-1] if found else None

    def last_started(self) -> datetime | None:
        """Return when the last soak of the store began, None where there is none."""
        query = sa.select(sa.func.max(schema.soak.c.started_us))
        with self._transaction() as connection:
            us = connection.execute(query).scalar()
        return None if us is None else EPOCH + timedelta(microseconds=us)

    def asked(self) -> list[Request]:
        """Return what waits for an answer, in the order made, the first hundred: one look, no lock taken."""
        if self._connection is None:
            raise SoakbenchError(f"the store {self.path} was used after it had been closed")
        with sqlite.translated(self.path, "read"):
            # past SQLAlchemy, which would begin a transaction, and ours take the write lock
            rows = self._connection.connection.driver_connection.execute(_ASKED).fetchall()  # type: ignore[union-attr]
        found = [Request(number, as_text(ask), as_text(text)) for number, ask, text in rows]
        if self._unsure:
            known = {request.id for request in found}
            found += [request for request in self._unsure if request.id not in known]
            found.sort(key=lambda request: request.id)
        return found

    def answer(self, answers: Sequence[Answer]) -> list[Answer]:
        """Store answers with the marks they leave, and all that waits, in one transaction.

        Returns those that count: a request that was withdrawn meanwhile keeps its state and leaves no mark.
        StoreError if it fails: then none of them counts, and `asked` names their requests again.
        """
        self._finish()
        self._unsure = [one.request for one in answers]
        if self._run is not None:
            taken = self._store(self._run, {}, answers)
        else:
            with self._transaction() as connection:
                taken = _write_answers(connection, None, answers)
        self._unsure = []
        return taken

    def refuse_asked(self, reason: str) -> int:
        """Refuse all that waits for an answer; return how many that was."""
        count = 0
        while asked := self.asked():
            count += len(self.answer([Answer(request, None, reason) for request in asked]))
        return count

    def set_now(self, now: Callable[[], Mapping[str, Any]]) -> None:
        """Take in what says how the soak stands; it is asked, and stored, at the next commit."""
        self._running().now = now

    def commit_due(self) -> bool:
        """Say whether it is time to commit. For a second after a commit failed it is not."""
        run = self._run
        if run is None or not run.dirty or self.committing:
            return False
        now_s = self._clock.monotonic_s()
        if self._failed_s is not None:
            return now_s - self._failed_s >= COMMIT_S
        return run.urgent or run.waiting_scans >= COMMIT_SCANS or now_s - self._committed_s >= COMMIT_S

    def commit(self) -> None:
        """Store all that waits in one transaction. StoreError if that fails; all is held then."""
        self._finish()
        if self._run is not None and self._run.dirty:
            self._store(self._run, {})

    @property
    def committing(self) -> bool:
        """Whether a commit was begun of which nobody has asked yet what came of it."""
        return self._commit is not None

    def begin_commit(self, answers: Sequence[Answer] = ()) -> None:
        """Begin to store all that waits, with answers as `answer` does; `committed` says what came of it.

        Until then nothing else of the store can be asked or written here, but it can be added to.
        """
        run = self._running()
        if self._commit is not None:
            raise SoakbenchError("a commit was begun while another was being made")
        if answers:
            self._unsure = [one.request for one in answers]
        batch = run.take()
        self._commit = _Commit(batch, lambda: self._write(run, batch, {}, answers))

    def committed(self, within_s: float) -> list[Answer] | None:
        """Return the answers that count once what was begun is stored; None where it is not, so long after.

        StoreError if it failed: all is held then.
        """
        commit = self._commit
        if commit is None or not self._clock.wait(commit.done, within_s):
            return None
        run, self._commit = self._running(), None
        try:
            stored = commit.result()
        except BaseException:
            run.give_back(commit.batch)
            raise
        return self._settle(run, stored)

    def _finish(self) -> None:
        """Wait for a commit that is being made; if it fails, what it was to store is held."""
        if self._commit is None:
            return
        self._commit.done.wait()
        with suppress(StoreError):
            self.committed(0.0)

    def end_soak(self, *, ended: datetime, how: str, verdict: Mapping[str, Any] | None) -> None:
        """Store what waits, the last buckets, and how the soak ended: "finished", "stopped", "broken off"."""
        self._finish()
        run = self._running()
        end = {"ended_us": to_us(ended), "how": how, "verdict": None if verdict is None else _json(verdict)}
        self._store(run, end)
        self._run = None

    def close_broken_off(self, but: int | None = None) -> list[int]:
        """End what a crash left without an end, `but` one soak, at its last scan; return their numbers."""
        table = schema.soak
        with self._transaction() as connection:
            query = sa.select(table).where(table.c.ended_us.is_(None)).order_by(table.c.id)
            left = [row for row in connection.execute(query).all() if row.id not in (self.soak_id, but)]
            for row in left:
                rebuild_rollups(connection, row.id)
                connection.execute(
                    sa.update(table)
                    .where(table.c.id == row.id)
                    .values(ended_us=row.started_us + (row.last_t_us or 0), how="broken off")
                )
        return [row.id for row in left]

    def close(self) -> None:
        """Commit what waits, close, and leave one file, unless somebody else reads just now.

        A soak that was not ended stays open: it will be found broken off.
        """
        connection = self._connection
        if connection is None:
            return
        try:
            self.commit()
        finally:
            self._connection = None
            try:
                self._close(connection)
            finally:
                sqlite.drop_lock(self._daemon_lock)

    def _close(self, connection: sa.Connection) -> None:
        with sqlite.translated(self.path, "written"):
            try:
                self._write_lock.acquire()
            except filelock.Timeout:
                # The connection must go all the same; a log that stays is read by whoever comes next.
                connection.close()
                raise
            try:
                connection.close()
                # A reader that was open just then keeps the log alive, and being a reader can't remove it.
                # What is in the log goes to the store all the same, for whoever copies that file alone.
                for _ in range(_CLOSE_TRIES):
                    if not Path(f"{self.path}-wal").exists():
                        break
                    self._clock.sleep(0.02)
                    with closing(sqlite3.connect(self.path, timeout=0)) as again:
                        again.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            finally:
                sqlite.drop_lock(self._write_lock)

    def _running(self) -> _Running:
        if self._run is None:
            raise SoakbenchError("no soak is being written")
        return self._run

    @contextmanager
    def _transaction(self) -> Iterator[sa.Connection]:
        if self._connection is None:
            raise SoakbenchError(f"the store {self.path} was used after it had been closed")
        try:
            with (
                sqlite.translated(self.path, "written"),
                self._write_lock,
                self._connection.begin(),
            ):
                yield self._connection
        except StoreError:
            self._failed_s = self._clock.monotonic_s()
            raise
        self._failed_s = None
        self._committed_s = self._clock.monotonic_s()

    def _store(self, run: _Running, end: dict[str, Any], answers: Sequence[Answer] = ()) -> list[Answer]:
        """Write everything that waits and forget it once it is committed; return the answers that count."""
        batch = run.take()
        try:
            stored = self._write(run, batch, end, answers)
        except BaseException:
            run.give_back(batch)
            raise
        return self._settle(run, stored)

    def _settle(self, run: _Running, stored: _Stored) -> list[Answer]:
        """Take in that a batch is stored."""
        run.second, run.buckets, run.mark_id = stored.second, stored.buckets, stored.mark_id
        if stored.answered:
            self._unsure = []
        if self.on_commit is not None:
            self.on_commit(stored.took_s)
        return stored.taken

    def _write(self, run: _Running, batch: _Batch, end: dict[str, Any], answers: Sequence[Answer]) -> _Stored:
        """Write a batch in one transaction. May be another thread's: nothing here changes what runs.

        Each part is removed and written anew, so that a commit of which SQLite didn't know whether it
        succeeded can be done again.
        """
        fresh = packing.joined(batch.waiting, run.channels)
        whole = packing.joined([run.second, fresh], run.channels) if len(fresh) else run.second
        rows = packing.pack(whole) if len(fresh) else []
        buckets = {}
        began_s = self._clock.monotonic_s()
        with self._transaction() as connection:
            if rows:
                table = schema.scan
                connection.execute(
                    sa.delete(table).where(table.c.soak_id == run.id, table.c.t0_s >= rows[0].t0_s)
                )
                connection.execute(sa.insert(table), [{"soak_id": run.id, **row._asdict()} for row in rows])
            for level_s in schema.LEVELS_S:
                grown = rollups.of_scans(fresh, level_s)
                if level_s in run.buckets:
                    grown = rollups.joined(run.buckets[level_s], grown)
                closed = len(grown) if end else max(len(grown) - 1, 0)
                _insert_buckets(connection, run.id, grown.part(0, closed))
                buckets[level_s] = grown.part(closed)
            table = schema.finding
            connection.execute(
                sa.delete(table).where(table.c.soak_id == run.id, table.c.id.in_(sorted(batch.dropped)))
            )
            _insert_findings(connection, run.id, list(batch.findings.values()))
            taken = _write_answers(connection, run.id, answers) if answers else []
            marks = batch.marks + [
                Mark(one.t_us, one.mark) for one in taken if one.mark and one.t_us is not None
            ]
            mark_id = _insert_marks(connection, run, marks) if marks else run.mark_id
            changes = {**batch.stands, **end}
            if batch.now is not None:
                changes["now"] = batch.now
            if batch.checks is not None:
                changes["checks"] = batch.checks
            connection.execute(sa.update(schema.soak).where(schema.soak.c.id == run.id).values(changes))
        if len(fresh):
            last_second_us = int(whole.t_us[-1]) // SECOND_US * SECOND_US
            whole = whole.part(int(np.searchsorted(whole.t_us, last_second_us)))
        took_s = self._clock.monotonic_s() - began_s
        return _Stored(whole, buckets, mark_id, bool(answers), taken, took_s)


def _news(finding: Finding) -> tuple[object, ...]:
    """Return what is due at once when it changes."""
    return (finding.kind, finding.channel, finding.severity, finding.cleared_s, finding.acknowledged_s)


_ASKED: Final = (
    "SELECT id, CAST(ask AS BLOB), coalesce(substr(CAST(text AS BLOB), 1, 1000), x'') FROM request"
    " WHERE state = 'asked' ORDER BY id LIMIT 100"
)
"""As bytes, and no more than can be of use: another program may have written text that is none, or a book."""


def _write_answers(connection: sa.Connection, soak_id: int | None, answers: Sequence[Answer]) -> list[Answer]:
    """Answer requests; return the answers to those that nobody has withdrawn."""
    table = schema.request
    taken = []
    for one in answers:
        values = {
            "state": "done" if one.reason is None else "refused",
            "reason": one.reason,
            "soak_id": None if one.t_us is None else soak_id,
            "t_us": None if soak_id is None else one.t_us,
        }
        # What was withdrawn is refused; done it can only be by an answer of ours, written again then.
        ours = sa.update(table).where(table.c.id == one.request.id, table.c.state != "refused")
        if connection.execute(ours.values(values)).rowcount:
            taken.append(one)
    return taken


def _insert_marks(connection: sa.Connection, run: _Running, marks: Sequence[Mark]) -> int:
    """Write a soak's marks that wait; return the number of the last one."""
    table = schema.mark
    connection.execute(sa.delete(table).where(table.c.soak_id == run.id, table.c.id > run.mark_id))
    connection.execute(
        sa.insert(table), [{"soak_id": run.id, "t_us": mark.t_us, "text": mark.text} for mark in marks]
    )
    return int(
        connection.execute(sa.select(sa.func.max(table.c.id)).where(table.c.soak_id == run.id)).scalar_one()
    )


def _insert_buckets(connection: sa.Connection, soak_id: int, grown: Rollup) -> None:
    if len(grown) == 0:
        return
    table = schema.rollup
    connection.execute(
        sa.delete(table).where(
            table.c.soak_id == soak_id,
            table.c.level_s == grown.level_s,
            table.c.t0_s >= int(grown.t0_s[0]),
        )
    )
    bucket, column = np.nonzero(grown.n > 0)
    if len(bucket) == 0:
        return
    at = (bucket, column)
    columns = {
        "t0_s": grown.t0_s[bucket],
        "channel": column,
        "n": grown.n[at],
        "vmin": grown.vmin[at].astype(np.int64),
        "vmax": grown.vmax[at].astype(np.int64),
        "vsum": grown.vsum[at],
    }
    values = zip(*(np.asarray(counts).tolist() for counts in columns.values()), strict=True)
    connection.execute(
        sa.insert(table),
        [
            {"soak_id": soak_id, "level_s": grown.level_s, **dict(zip(columns, row, strict=True))}
            for row in values
        ],
    )


def rebuild_rollups(connection: sa.Connection, soak_id: int) -> None:
    """Bring the roll-ups of a soak that does not run up to its last scan, or make them."""
    table = schema.rollup
    for level_s in schema.LEVELS_S:
        start_s = _last_bucket(connection, soak_id, level_s) or 0
        connection.execute(
            sa.delete(table).where(
                table.c.soak_id == soak_id, table.c.level_s == level_s, table.c.t0_s >= start_s
            )
        )
        _insert_buckets(connection, soak_id, fetch_rollup(connection, soak_id, level_s, start_s))


def _last_bucket(connection: sa.Connection, soak_id: int, level_s: int) -> int | None:
    """Return where a soak's last stored bucket of a level begins, in seconds."""
    table = schema.rollup
    query = sa.select(sa.func.max(table.c.t0_s)).where(table.c.soak_id == soak_id, table.c.level_s == level_s)
    last = connection.execute(query).scalar()
    return None if last is None else int(last)


def _insert_findings(connection: sa.Connection, soak_id: int, findings: Sequence[Finding]) -> None:
    if not findings:
        return
    table = schema.finding
    connection.execute(
        sa.delete(table).where(table.c.soak_id == soak_id, table.c.id.in_([f.id for f in findings]))
    )
    connection.execute(
        sa.insert(table),
        [
            {
                "soak_id": soak_id,
                "id": found.id,
                "kind": found.kind.value,
                "channel": found.channel,
                "channels": _json(found.channels),
                "onset_s": float(found.onset_s),
                "raised_s": float(found.raised_s),
                "cleared_s": None if found.cleared_s is None else float(found.cleared_s),
                "severity": found.severity.value,
                "says": found.says,
                "advice": found.advice,
                "under": found.under,
                "evidence": _json(found.evidence),
                "acknowledged_s": None if found.acknowledged_s is None else float(found.acknowledged_s),
            }
            for found in findings
        ],
    )


def _channel_rows(soak_id: int, setup: Setup, daq: DaqInfo) -> list[dict[str, Any]]:
    uncalibrated = Converter(setup, daq, Calibration())
    rows = []
    for column, channel in enumerate(setup.channel):
        factor, offset = _line(uncalibrated, column, daq.full_count[column])
        rows.append(
            {
                "soak_id": soak_id,
                "channel": column,
                "name": channel.name,
                "measures": channel.measures,
                "unit": channel.unit,
                "volts_per_count": daq.volts_per_count[column],
                "full_count": daq.full_count[column],
                "factor": factor,
                "offset": offset,
            }
        )
    return rows


def _line(converter: Converter, column: int, full_count: int) -> tuple[float | None, float | None]:
    """Return factor and offset from counts to the channel's unit, None twice where it is no straight line."""
    try:
        with np.errstate(all="ignore"):  # no sensor's curve holds for all counts
            low, zero, high = converter.values(column, np.array([-full_count, 0.0, full_count])).tolist()
    except SetupError:  # a temperature of which the set-up names no sensor
        return None, None
    bend = abs(low + high - 2.0 * zero)
    if not bend <= 1e-9 * abs(high - low):  # so NaN is no line either
        return None, None
    return (high - low) / (2.0 * full_count), zero


def _bring_up(connection: sa.Connection, path: Path) -> None:
    """Bring the schema up to date; of a store that has one already, keep a copy of the file first."""
    found = sqlite.revision_of(connection, path)
    connection.rollback()
    if found == schema.REVISION:
        return
    # Imported here: a store that is up to date needs none of it.
    from alembic import command
    from alembic.config import Config

    if found is not None:
        _copy(path, schema.REVISION)
    config = Config()
    config.set_main_option("script_location", MIGRATIONS)
    config.attributes["connection"] = connection
    # A table that is made anew would take the rows that hang on it with it.
    connection.connection.driver_connection.execute("PRAGMA foreign_keys = OFF")  # type: ignore[union-attr]
    with connection.begin():
        rows = _row_counts(connection)
        command.upgrade(config, "head")
        after = _row_counts(connection)
        shrunk = [table for table in rows if table in after and after[table] < rows[table]]
        dangling = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
        if shrunk or dangling:
            raise SoakbenchError(f"bringing the store {path} to schema {schema.REVISION} would lose rows")
    connection.connection.driver_connection.execute("PRAGMA foreign_keys = ON")  # type: ignore[union-attr]


def _row_counts(connection: sa.Connection) -> dict[str, int]:
    names = connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'table'").scalars().all()
    return {
        name: int(connection.execute(sa.select(sa.func.count()).select_from(sa.table(name))).scalar_one())
        for name in names
    }


def _copy(path: Path, revision: str) -> Path:
    """Copy a store beside itself, what is still in its log included; an earlier copy stays."""
    number = 1
    copy = Path(f"{path}-before-{revision}")
    while copy.exists():
        number += 1
        copy = Path(f"{path}-before-{revision}-{number}")
    if disk_left_bytes(path) < path.stat().st_size * 2:
        raise StoreError(f"the store {path} can't be copied before its schema changes: make room on its disk")
    with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target)
    shutil.copystat(path, copy)
    return copy


def _json(value: Any) -> str:
    return json.dumps(_plain(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _plain(value: Any) -> Any:
    """Return the value as JSON knows it: numpy's numbers as numbers, what does not exist as null."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    return value
