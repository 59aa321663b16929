"""What a collector takes from a bench's store: which soaks changed, the next portion of one, the job record.

All of it is read in one transaction and goes over as plain values, in a process or as JSON (`to_json`,
`part_from`, `record_from`; bytes as base64). A running soak's last second is still being written and is left
out, so that what was taken never changes. Rows are known by the soak's UUID and their own numbers.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final, TypeVar

import sqlalchemy as sa

from logger.errors import RequestError
from logger.store import schema
from logger.store.reader import Thinned, fetch_rows

SECONDS: Final = 3600
"""Rows of `scan` in one portion: an hour, about a megabyte with 16 channels."""
RECORD: Final = (*schema.KEPT, schema.overruling, schema.history)
"""The tables of the job record, each after those it refers to."""
_ROLLUP: Final = ("level_s", "t0_s", "channel", "n", "vmin", "vmax", "vsum")
_T = TypeVar("_T")
_BYTES: Final = (3, 4)  # of a scan's columns
SOAK: Final = tuple(
    column.name
    for column in schema.soak.columns
    if column.name not in ("id", "uuid", "calibration_id", "job_id", "thinned")
)
"""The columns of a soak that mean the same in every store."""
CALIBRATION: Final = tuple(column.name for column in schema.calibration.columns if column.name != "id")
CHANNEL: Final = tuple(column.name for column in schema.channel.columns if column.name != "soak_id")
FINDING: Final = tuple(column.name for column in schema.finding.columns if column.name != "soak_id")

Stamps = dict[str, str]
"""UUID of each soak, and what changes when anything of it but its scans' bytes does."""


@dataclass(frozen=True)
class Got:
    """How far a soak was collected: the last row's `t0_s`, each roll-up level's too, how many marks."""

    scan_s: int = -1
    rollup_s: tuple[tuple[int, int], ...] = ()
    marks: int = 0


@dataclass(frozen=True)
class Part:
    """A portion of a soak: `scans` and `rollups` as rows in the tables' columns; `more` follows.

    `marks_from` is the number of the first mark given; findings are all that there are, as they stand.
    `thinned`: the store has not all of its scans, as the column of that name says.
    """

    soak: dict[str, Any]
    job_uuid: str | None
    calibration: dict[str, Any] | None
    channels: list[dict[str, Any]]
    scans: list[tuple[Any, ...]]
    rollups: list[tuple[Any, ...]]
    findings: list[dict[str, Any]]
    marks_from: int
    marks: list[tuple[int, str]]
    more: bool
    thinned: str | None = None


Record = dict[str, list[dict[str, Any]]]
"""Rows of the job record by table, all that there are, deleted ones too."""


def fetch_stamps(connection: sa.Connection) -> Stamps:
    """Return each soak's stamp, the oldest first."""
    soak, mark, finding = schema.soak, schema.mark, schema.finding
    marks = sa.select(sa.func.count()).where(mark.c.soak_id == soak.c.id).scalar_subquery()
    of_findings = [
        sa.select(count).where(finding.c.soak_id == soak.c.id).scalar_subquery()
        for count in (
            sa.func.count(finding.c.id),
            sa.func.count(finding.c.cleared_s),
            sa.func.count(finding.c.acknowledged_s),
        )
    ]
    query = sa.select(
        soak.c.uuid, soak.c.scans, soak.c.last_t_us, soak.c.ended_us, soak.c.how, soak.c.last_seen_us,
        soak.c.job_id, soak.c.calibration_id, sa.func.length(soak.c.verdict), marks, *of_findings,
    ).order_by(soak.c.id)  # fmt: skip
    return {row[0]: " ".join(map(str, row[1:])) for row in connection.execute(query)}


def fetch_part(connection: sa.Connection, uuid: str, got: Got, seconds: int = SECONDS) -> Part:
    """Return the next portion of a soak after what was got. RequestError where the store has no such soak."""
    soak = connection.execute(sa.select(schema.soak).where(schema.soak.c.uuid == uuid)).one_or_none()
    if soak is None:
        raise RequestError(f"there is no soak {uuid} in this store")
    rollup = schema.rollup
    scans: list[tuple[Any, ...]] = list(fetch_rows(connection, soak.id, got.scan_s + 1, seconds + 1))
    more = len(scans) > seconds
    if scans and (more or soak.ended_us is None):
        scans.pop()
    rollups: list[tuple[Any, ...]] = []
    until_s = scans[-1][0] if scans else got.scan_s
    had = dict(got.rollup_s)
    for level_s in schema.LEVELS_S:
        query = (
            sa.select(*(rollup.c[name] for name in _ROLLUP))
            .where(
                rollup.c.soak_id == soak.id,
                rollup.c.level_s == level_s,
                rollup.c.t0_s > had.get(level_s, -level_s),
            )
            .order_by(rollup.c.t0_s, rollup.c.channel)
        )
        if more:
            query = query.where(rollup.c.t0_s <= until_s)
        rollups += [tuple(row) for row in connection.execute(query)]
    marks = connection.execute(
        sa.select(schema.mark.c.t_us, schema.mark.c.text)
        .where(schema.mark.c.soak_id == soak.id)
        .order_by(schema.mark.c.id)
        .offset(got.marks)
    )
    return Part(
        soak={name: getattr(soak, name) for name in SOAK},
        job_uuid=connection.scalar(sa.select(schema.job.c.uuid).where(schema.job.c.id == soak.job_id)),
        calibration=_one(connection, schema.calibration, CALIBRATION, soak.calibration_id),
        channels=_of_soak(connection, schema.channel, CHANNEL, soak.id),
        scans=scans,
        rollups=rollups,
        findings=_of_soak(connection, schema.finding, FINDING, soak.id),
        marks_from=got.marks,
        marks=[(row.t_us, row.text) for row in marks],
        more=more,
        thinned=soak.thinned,
    )


def fetch_record_stamp(connection: sa.Connection) -> str:
    """Return what changes when anything of the job record does."""
    said = []
    for table in RECORD:
        edits = sa.func.sum(table.c.version) if "version" in table.c else sa.literal(0)
        gone = sa.func.count(table.c.deleted_us) if "deleted_us" in table.c else sa.literal(0)
        (row,) = connection.execute(sa.select(sa.func.count(), sa.func.max(table.c.id), edits, gone)).all()
        said.append(" ".join(map(str, row)))
    return "; ".join(said)


def fetch_record(connection: sa.Connection) -> Record:
    """Return the whole job record. Where an amp, a job or a valve is meant, its `..._id` is this store's."""
    return {
        table.name: [dict(row) for row in connection.execute(sa.select(table).order_by("id")).mappings()]
        for table in RECORD
    }


def got_from(text: str) -> Got:
    """Read how far a soak was collected, as JSON of its fields; RequestError where it is anything else."""
    try:
        said = json.loads(text)
        return Got(
            _plain(int, said["scan_s"]),
            tuple((_plain(int, level_s), _plain(int, at_s)) for level_s, at_s in said["rollup_s"]),
            max(0, _plain(int, said["marks"])),
        )
    except (KeyError, RecursionError, TypeError, ValueError) as error:
        raise RequestError(f"got is not how far a soak was collected ({error!r:.200})") from error


def to_json(part: Part) -> dict[str, Any]:
    """Return a portion as JSON knows it."""
    document = asdict(part)
    document["scans"] = [
        [
            base64.b64encode(value).decode() if i in _BYTES and value is not None else value
            for i, value in enumerate(row)
        ]
        for row in part.scans
    ]
    return document


def part_from(document: Any) -> Part:
    """Read what `to_json` wrote; RequestError where it is anything else. Nothing in it is trusted."""
    try:
        return Part(
            soak=_row(schema.soak, SOAK, document["soak"]),
            job_uuid=None if document["job_uuid"] is None else _plain(str, document["job_uuid"]),
            calibration=None
            if document["calibration"] is None
            else _row(schema.calibration, CALIBRATION, document["calibration"]),
            channels=[_row(schema.channel, CHANNEL, one) for one in document["channels"]],
            scans=[_scan(row) for row in document["scans"]],
            rollups=[_whole(row, len(_ROLLUP)) for row in document["rollups"]],
            findings=[_row(schema.finding, FINDING, one) for one in document["findings"]],
            marks_from=_plain(int, document["marks_from"]),
            marks=[(_plain(int, t_us), _plain(str, text)) for t_us, text in document["marks"]],
            more=_plain(bool, document["more"]),
            thinned=_thinned(document.get("thinned")),
        )
    except (KeyError, TypeError, ValueError, OverflowError, binascii.Error) as error:
        raise RequestError(f"what came is no portion of a soak ({error!r:.200})") from error


def stamps_from(document: Any) -> tuple[Stamps, str]:
    """Read the stamps of soaks and job record that came as JSON; RequestError where they are none."""
    try:
        stamps = document["stamps"]
        return (
            {_plain(str, uuid): _plain(str, stamp) for uuid, stamp in stamps.items()},
            _plain(str, document["record"]),
        )
    except (AttributeError, KeyError, TypeError) as error:
        raise RequestError(f"what came are no stamps ({error!r:.200})") from error


def record_from(document: Any) -> Record:
    """Read a job record that came as JSON; RequestError where it is none."""
    try:
        return {
            table.name: [_row(table, tuple(table.c.keys()), row) for row in document[table.name]]
            for table in RECORD
        }
    except (KeyError, TypeError, ValueError) as error:
        raise RequestError(f"what came is no job record ({error!r:.200})") from error


def _one(
    connection: sa.Connection, table: sa.Table, names: Sequence[str], number: int | None
) -> dict[str, Any] | None:
    query = sa.select(*(table.c[name] for name in names)).where(table.c.id == number)
    row = connection.execute(query).mappings().one_or_none()
    return None if row is None else dict(row)


def _of_soak(
    connection: sa.Connection, table: sa.Table, names: Sequence[str], soak_id: int
) -> list[dict[str, Any]]:
    query = sa.select(*(table.c[name] for name in names)).where(table.c.soak_id == soak_id)
    return [dict(row) for row in connection.execute(query).mappings()]


def _plain(kind: type[_T], value: Any) -> _T:
    if type(value) is not kind:
        raise TypeError(f"{kind.__name__} expected, not {value!r:.80}")
    if isinstance(value, int) and not -(2**63) <= value < 2**63:  # no database holds it
        raise ValueError("a number of more than 64 bits")
    return value


def _row(table: sa.Table, names: Sequence[str], values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the named columns, each of its type; whole numbers do for others."""
    out: dict[str, Any] = {}
    for name in names:
        value, column = values[name], table.c[name]
        wanted = column.type.python_type
        if value is None:
            if not column.nullable:
                raise TypeError(f"{name} is missing")
        elif wanted is float:
            value = float(_plain(int, value)) if type(value) is int else _plain(float, value)
        else:
            value = _plain(wanted, value)
        out[name] = value
    return out


def _thinned(text: Any) -> str | None:
    return None if text is None else Thinned.of(_plain(str, text)).text


def _scan(row: Sequence[Any]) -> tuple[Any, ...]:
    t0_s, sequence, n, sequences, data = row
    return (
        *_whole([t0_s, sequence, n], 3),
        None if sequences is None else base64.b64decode(sequences, validate=True),
        base64.b64decode(data, validate=True),
    )


def _whole(row: Sequence[Any], length: int) -> tuple[int, ...]:
    if len(row) != length:
        raise ValueError(f"{length} numbers expected, not {len(row)}")
    return tuple(_plain(int, value) for value in row)
