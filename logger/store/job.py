"""The job record's rows as the dataclasses of `logger/jobs.py`. Fetches only; `store/record.py` writes."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final, TypeVar

import sqlalchemy as sa

from logger import jobs
from logger.errors import RequestError
from logger.jobs import Amp, BenchReading, Change, Fitting, Job, JobSoak, Kept, Overruling, Photograph, Valve
from logger.store import schema

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_KeptT = TypeVar("_KeptT", bound=Kept)


def fetch_job(connection: sa.Connection, job_id: int, *, deleted: bool = False) -> Job:
    """Return a whole job; with `deleted` also what is marked so. RequestError where there is none such."""
    table = schema.job
    row = connection.execute(sa.select(table).where(table.c.id == job_id)).first()
    if row is None or (row.deleted_us is not None and not deleted):
        numbers = connection.execute(
            sa.select(table.c.id).where(table.c.deleted_us.is_(None)).order_by(table.c.id)
        ).scalars()
        has = ", ".join(map(str, list(numbers)[-10:]))
        gone = "was deleted" if row is not None else "does not exist"
        raise RequestError(f"job {job_id} {gone}: the store has {f'the jobs {has}' if has else 'no job yet'}")

    def own(kept: sa.Table, made_as: type[_KeptT]) -> tuple[_KeptT, ...]:
        return tuple(_of_job(connection, kept, made_as, job_id, deleted))

    overrulings = connection.execute(
        sa.select(schema.overruling).where(schema.overruling.c.job_id == job_id).order_by("id")
    )
    amp = connection.execute(sa.select(schema.amp).where(schema.amp.c.id == row.amp_id)).one()
    return dataclasses.replace(
        _job(row, kept_row(Amp, amp)),
        fittings=tuple(fetch_fittings(connection, amp_id=row.amp_id, deleted=deleted)),
        overrulings=tuple(Overruling(**_fields(Overruling, one)) for one in overrulings),
        soaks=tuple(fetch_soaks(connection, job_id=job_id)),
        history=tuple(_history(connection, job_id, row.amp_id)),
        fuses=own(schema.fuse, jobs.Fuse),
        checklist=own(schema.checklist_item, jobs.ChecklistItem),
        work=own(schema.work_item, jobs.WorkItem),
        remarks=own(schema.remark, jobs.Remark),
        readings=own(schema.bench_reading, jobs.BenchReading),
        photographs=own(schema.photograph, jobs.Photograph),
    )


def fetch_jobs(connection: sa.Connection, *, deleted: bool = False) -> list[Job]:
    """Return all jobs, the oldest first, without what belongs to them."""
    query = sa.select(schema.job).order_by(schema.job.c.id)
    if not deleted:
        query = query.where(schema.job.c.deleted_us.is_(None))
    rows = connection.execute(query).all()
    amps = {row.id: kept_row(Amp, row) for row in connection.execute(sa.select(schema.amp)).all()}
    return [_job(row, amps[row.amp_id]) for row in rows]


def fetch_amps(connection: sa.Connection) -> list[Amp]:
    """Return all amps, the oldest first."""
    query = sa.select(schema.amp).where(schema.amp.c.deleted_us.is_(None)).order_by(schema.amp.c.id)
    return [kept_row(Amp, row) for row in connection.execute(query).all()]


def fetch_valves(connection: sa.Connection, *, deleted: bool = False) -> list[Valve]:
    """Return all valves, the oldest first."""
    query = sa.select(schema.valve).order_by(schema.valve.c.id)
    if not deleted:
        query = query.where(schema.valve.c.deleted_us.is_(None))
    return [kept_row(Valve, row) for row in connection.execute(query).all()]


def fetch_readings(connection: sa.Connection) -> list[BenchReading]:
    """Return what persons read from instruments, of all jobs, the oldest first."""
    table = schema.bench_reading
    query = sa.select(table).where(table.c.deleted_us.is_(None)).order_by(table.c.id)
    return [kept_row(BenchReading, row) for row in connection.execute(query).all()]


def fetch_photographs(connection: sa.Connection) -> list[Photograph]:
    """Return the photographs of all jobs, those that are marked as deleted too."""
    query = sa.select(schema.photograph).order_by(schema.photograph.c.id)
    return [kept_row(Photograph, row) for row in connection.execute(query).all()]


def fetch_fittings(
    connection: sa.Connection,
    *,
    amp_id: int | None = None,
    valve_id: int | None = None,
    deleted: bool = False,
) -> list[Fitting]:
    """Return which valve sat where from when to when, of an amp, of a valve, or all; the oldest first."""
    table = schema.fitting
    query = sa.select(table).order_by(table.c.fitted_us, table.c.id)
    if amp_id is not None:
        query = query.where(table.c.amp_id == amp_id)
    if valve_id is not None:
        query = query.where(table.c.valve_id == valve_id)
    if not deleted:
        query = query.where(table.c.deleted_us.is_(None))
    rows = connection.execute(query).all()
    valves = {one.id: one for one in fetch_valves(connection, deleted=True)} if rows else {}
    amps = {row.id: row.name for row in connection.execute(sa.select(schema.amp)).all()} if rows else {}
    return [
        Fitting(**_fields(Fitting, row), valve=valves[row.valve_id], amp=amps[row.amp_id]) for row in rows
    ]


def fetch_soaks(connection: sa.Connection, *, job_id: int | None = None) -> list[JobSoak]:
    """Return the soaks of a job, or of all jobs, the oldest first."""
    soak, job = schema.soak, schema.job
    query = sa.select(soak, job.c.amp_id).join(job, job.c.id == soak.c.job_id).order_by(soak.c.id)
    if job_id is not None:
        query = query.where(job.c.id == job_id)
    return [_soak(row) for row in connection.execute(query).all()]


def kept_row(made_as: type[_KeptT], row: Any) -> _KeptT:
    """Return a row as the dataclass that has its columns as fields."""
    return made_as(**_fields(made_as, row))


def moment(us: int) -> datetime:
    """Return a time from its microseconds since 1970."""
    return _EPOCH + timedelta(microseconds=us)


def _job(row: Any, amp: Amp) -> Job:
    return Job(
        **_fields(Job, row)
        | {
            "amp": amp,
            "shows": tuple(part for part in row.shows.split(", ") if part),
            "state": jobs.State(row.state),
        }
    )


def _of_job(
    connection: sa.Connection, table: sa.Table, made_as: type[_KeptT], job_id: int, deleted: bool
) -> list[_KeptT]:
    order = (table.c.place,) if "place" in table.c and table is schema.checklist_item else ()
    query = sa.select(table).where(table.c.job_id == job_id).order_by(*order, table.c.id)
    if not deleted:
        query = query.where(table.c.deleted_us.is_(None))
    return [kept_row(made_as, row) for row in connection.execute(query).all()]


def _history(connection: sa.Connection, job_id: int, amp_id: int) -> Sequence[Change]:
    table = schema.history
    its_amp = sa.and_(table.c.table_name == "amp", table.c.row_id == amp_id)
    query = sa.select(table).where(sa.or_(table.c.job_id == job_id, its_amp)).order_by(table.c.id)
    return [change_of(row) for row in connection.execute(query).all()]


def fetch_history(connection: sa.Connection, table: str, row_id: int) -> list[Change]:
    """Return every edit of one row, the oldest first."""
    history = schema.history
    query = (
        sa.select(history)
        .where(history.c.table_name == table, history.c.row_id == row_id)
        .order_by(history.c.id)
    )
    return [change_of(row) for row in connection.execute(query).all()]


def change_of(row: Any) -> Change:
    """Return one row of the history; times in it as microseconds since 1970, as they are stored."""
    return Change(
        id=row.id,
        made=moment(row.made_us),
        made_by=row.made_by,
        table=row.table_name,
        row_id=row.row_id,
        version=row.version,
        field=row.field,
        was=json.loads(row.was),
        became=json.loads(row.became),
    )


def _soak(row: Any) -> JobSoak:
    verdict = None if row.verdict is None else json.loads(row.verdict)
    known = verdict["soak"] if verdict is not None else json.loads(row.now or "{}")
    return JobSoak(
        id=row.id,
        job_id=row.job_id,
        amp_id=row.amp_id,
        kind=row.kind,
        started=moment(row.started_us),
        ended=None if row.ended_us is None else moment(row.ended_us),
        how=row.how,
        last_s=None if row.last_t_us is None else row.last_t_us / 1e6,
        states=jobs.states_of(known),
        verdict=verdict,
        setup_text=row.setup_text,
    )


def _fields(made_as: type[Any], row: Any) -> dict[str, Any]:
    """Return a row's columns that are fields of a dataclass: `fitted_us` is the field `fitted`, a time."""
    names = {field.name for field in dataclasses.fields(made_as)}
    found = {}
    for column, value in row._mapping.items():
        if column.endswith("_us"):
            column, value = column.removesuffix("_us"), None if value is None else moment(value)
        if column in names:
            found[column] = value
    return found
