"""The collected store's one way in: portions of benches' soaks and their job records, into PostgreSQL.

Every row is known by what made it (a soak's UUID and second, a bench's own number of a row), so what came
already is left alone, and a collector that was killed at any point goes on where the database says it is:
there is no other high-water mark. Each portion is one transaction.
"""

from __future__ import annotations

import weakref
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final, TypeVar

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import insert

from logger.errors import StoreError
from logger.store import postgres, schema
from logger.store.portion import RECORD, Got, Part, Record

_ORIGIN: Final = sa.table(
    "origin", *(sa.column(name) for name in ("bench", "table_name", "source_id", "target_id"))
)
_STAGED: Final = {
    "scan": ("soak_id t0_s sequence n sequences data", "int4 int8 int8 int4 bytea bytea"),
    "rollup": ("soak_id level_s t0_s channel n vmin vmax vsum", "int4 int4 int8 int4 int4 int8 int8 int8"),
}
_ALL: Final = 2**31 - 1
_ENDED_THINNED: Final = sa.text(
    "SELECT 1 FROM soak WHERE id = :soak_id AND ended_us IS NOT NULL AND thinned IS NOT NULL"
)
"""A soak of which no more is to be had: what was thinned here is not to be brought again."""
_REFERS: Final = {"amp_id": "amp", "job_id": "job", "out_job_id": "job", "valve_id": "valve"}
_T = TypeVar("_T")
_OWN_UUID: Final = ("amp", "job", "valve")


class Collected:
    """A database that benches' stores are collected in; used by several threads at a time."""

    def __init__(self, address: str) -> None:
        self._engine = postgres.engine_of(address, read_only=False)
        weakref.finalize(self, self._engine.dispose)
        self.name = postgres.shown(self._engine.url)

    def prepare(self) -> None:
        """Make the tables, partitions' maker and roles; as the database's owner."""
        postgres.prepare(self._engine)

    def check(self) -> None:
        """Raise StoreError where nothing can be collected here."""

        def look(connection: sa.Connection) -> None:
            found = postgres.revision_of(connection, self.name)
            if found != schema.REVISION:
                raise StoreError(
                    f"the database {self.name} has the schema {found or 'of nothing yet'}, this soakbench "
                    f"{schema.REVISION}: its owner runs `soakbench collect CONFIG --prepare`"
                )

        self._do(look)

    def got(self, uuid: str) -> Got:
        """Return how far a soak is here."""

        def look(connection: sa.Connection) -> Got:
            soak_id = _soak_id(connection, uuid)
            if soak_id is None:
                return Got()
            scan, rollup, mark = schema.scan, schema.rollup, schema.mark
            if connection.scalar(_ENDED_THINNED, {"soak_id": soak_id}):
                return Got(_ALL, tuple((level_s, _ALL) for level_s in schema.LEVELS_S), _ALL)
            last = connection.scalar(sa.select(sa.func.max(scan.c.t0_s)).where(scan.c.soak_id == soak_id))
            levels = []
            for level_s in schema.LEVELS_S:
                at_s = connection.scalar(
                    sa.select(sa.func.max(rollup.c.t0_s)).where(
                        rollup.c.soak_id == soak_id, rollup.c.level_s == level_s
                    )
                )
                if at_s is not None:
                    levels.append((level_s, at_s))
            marks = connection.scalar(
                sa.select(sa.func.count()).select_from(mark).where(mark.c.soak_id == soak_id)
            )
            return Got(-1 if last is None else last, tuple(levels), marks or 0)

        return self._do(look)

    def add(self, bench: str, uuid: str, part: Part) -> int:
        """Add a portion of a bench's soak; return how many of its seconds were new.

        Here a soak's bench is the one it was collected from: the set-up's word need not be its alone.
        """
        number = self._number_for(uuid)

        def write(connection: sa.Connection) -> int:
            _alone(connection, uuid)
            table = schema.soak
            calibration_id = _calibration_id(connection, part.calibration)
            job_id = connection.scalar(sa.select(schema.job.c.id).where(schema.job.c.uuid == part.job_uuid))
            values = _text_of({**part.soak, "bench": bench})
            values |= {"calibration_id": calibration_id, "job_id": job_id}
            soak_id = _soak_id(connection, uuid)
            if part.more:
                # until all of it is here, it has not ended for those who look
                values |= {"ended_us": None, "how": None, "verdict": None}
            if soak_id is None:
                soak_id = number
                connection.execute(table.insert().values(id=soak_id, uuid=uuid, **values))
            else:
                connection.execute(table.update().where(table.c.id == soak_id).values(values))
            _insert_new(connection, schema.channel, soak_id, part.channels)
            new = _copy(connection, "scan", soak_id, part.scans)
            _copy(connection, "rollup", soak_id, part.rollups)
            _upsert_findings(connection, soak_id, part.findings)
            _add_marks(connection, soak_id, part)
            if part.thinned is not None and not part.more and not _has_all(connection, soak_id):
                connection.execute(
                    table.update().where(table.c.id == soak_id).values(thinned=_text(part.thinned))
                )
            return new

        return self._do(write)

    def _number_for(self, uuid: str) -> int:
        """Return a soak's number, or a new one that has its partitions; one that stays unused is no loss."""

        def look(connection: sa.Connection) -> int:
            number = _soak_id(connection, uuid)
            if number is None:
                number = connection.scalar(sa.text("SELECT nextval(pg_get_serial_sequence('soak', 'id'))"))
                connection.execute(sa.select(sa.func.room_for_soak(number)))
            return int(number or 0)

        return self._do(look)

    def add_record(self, bench: str, record: Record) -> int:
        """Bring a bench's job record up to date; return how many rows were new or edited.

        A job, with all that belongs to it, is taken from the bench that brought it first: one that was handed
        on as a file to another bench is not taken twice.
        """

        def write(connection: sa.Connection) -> int:
            # one bench's at a time: two may bring the same amp, which is told by its UUID
            _alone(connection, "records")
            return _Recorded(connection, bench).add(record)

        return self._do(write)

    def _do(self, deed: Callable[[sa.Connection], _T]) -> _T:
        with postgres.translated(self.name, "written"), self._engine.begin() as connection:
            return deed(connection)


class _Recorded:
    """One bench's job record on its way in."""

    def __init__(self, connection: sa.Connection, bench: str) -> None:
        self._connection = connection
        self._bench = bench
        self._of: dict[tuple[str, int], int] = {
            (row.table_name, row.source_id): row.target_id
            for row in connection.execute(sa.select(_ORIGIN).where(_ORIGIN.c.bench == bench))
        }
        self._others: set[int] = set()  # jobs that another bench brought, by this bench's number

    def add(self, record: Record) -> int:
        return sum(self._add(table, row) for table in RECORD for row in record[table.name])

    def _add(self, table: sa.Table, row: Mapping[str, Any]) -> int:
        values = _text_of(row)
        source_id = values.pop("id")
        if values.get("job_id") in self._others or values.get("out_job_id") in self._others:
            return 0
        if table is schema.history:
            at = self._of.get((row["table_name"], row["row_id"]))
            if at is None:
                return 0  # of a job that another bench brought
            values["row_id"] = at
        for name, to in _REFERS.items():
            if values.get(name) is not None:
                values[name] = self._of[to, values[name]]
        target_id = self._of.get((table.name, source_id))
        if target_id is None and table.name in _OWN_UUID:
            target_id = self._connection.scalar(sa.select(table.c.id).where(table.c.uuid == values["uuid"]))
            if target_id is not None:
                if table is schema.job and self._brought_by_other(target_id):
                    self._others.add(source_id)
                    return 0
                self._remember(table.name, source_id, target_id)
        if target_id is None:
            query = table.insert().values(values).returning(table.c.id)
            self._remember(table.name, source_id, int(self._connection.execute(query).scalar_one()))
            return 1
        if table not in schema.KEPT:
            return 0
        changed = sa.or_(
            table.c.version < values["version"],
            sa.and_(
                table.c.version == values["version"],
                table.c.deleted_us.is_distinct_from(values["deleted_us"]),
            ),
        )
        edit = table.update().where(table.c.id == target_id, changed).values(values)
        return int(self._connection.execute(edit).rowcount)

    def _brought_by_other(self, target_id: int) -> bool:
        query = sa.select(_ORIGIN.c.bench).where(
            _ORIGIN.c.table_name == "job", _ORIGIN.c.target_id == target_id, _ORIGIN.c.bench != self._bench
        )
        return self._connection.execute(query.limit(1)).first() is not None

    def _remember(self, table_name: str, source_id: int, target_id: int) -> None:
        self._of[table_name, source_id] = target_id
        self._connection.execute(
            _ORIGIN.insert().values(
                bench=self._bench, table_name=table_name, source_id=source_id, target_id=target_id
            )
        )


def _alone(connection: sa.Connection, what: str) -> None:
    """Wait until nobody else writes of the same soak or bench, up to the transaction's end."""
    connection.execute(sa.select(sa.func.pg_advisory_xact_lock(sa.func.hashtextextended(what, 0))))


def _soak_id(connection: sa.Connection, uuid: str) -> int | None:
    return connection.scalar(sa.select(schema.soak.c.id).where(schema.soak.c.uuid == uuid))


def _has_all(connection: sa.Connection, soak_id: int) -> bool:
    """Whether every scan of a soak is here, as where it was collected before its bench thinned it."""
    scan, soak = schema.scan, schema.soak
    here = sa.select(sa.func.coalesce(sa.func.sum(scan.c.n), 0)).where(scan.c.soak_id == soak_id)
    return bool(
        connection.scalar(here) == connection.scalar(sa.select(soak.c.scans).where(soak.c.id == soak_id))
    )


def _calibration_id(connection: sa.Connection, values: Mapping[str, Any] | None) -> int | None:
    """Return the calibration's number here; it is never changed once made."""
    if values is None:
        return None
    table, values = schema.calibration, _text_of(values)
    _alone(connection, f"calibration of {values['board_id']}")
    same = [table.c[name] == value for name, value in values.items()]
    found = connection.scalar(sa.select(table.c.id).where(*same))
    if found is None:
        found = connection.execute(table.insert().values(values).returning(table.c.id)).scalar_one()
    return int(found)


def _insert_new(
    connection: sa.Connection, table: sa.Table, soak_id: int, rows: Sequence[Mapping[str, Any]]
) -> None:
    if rows:
        values = [{**_text_of(row), "soak_id": soak_id} for row in rows]
        connection.execute(insert(table).on_conflict_do_nothing(), values)


def _copy(connection: sa.Connection, table: str, soak_id: int, rows: Iterable[tuple[Any, ...]]) -> int:
    """Copy rows into a table of this transaction's own, then add those that are new; return how many."""
    columns, types = _STAGED[table]
    names = ", ".join(columns.split())
    driver: Any = connection.connection.driver_connection
    with driver.cursor() as cursor:
        cursor.execute(f"CREATE TEMP TABLE staged_{table} (LIKE {table}) ON COMMIT DROP")
        with cursor.copy(f"COPY staged_{table} ({names}) FROM STDIN (FORMAT BINARY)") as copy:
            copy.set_types(types.split())
            for row in rows:
                copy.write_row((soak_id, *row))
        cursor.execute(
            f"INSERT INTO {table} ({names}) SELECT {names} FROM staged_{table} ON CONFLICT DO NOTHING"
        )
        return int(cursor.rowcount)


def _upsert_findings(connection: sa.Connection, soak_id: int, rows: Sequence[Mapping[str, Any]]) -> None:
    table = schema.finding
    # one that turned out to be none is taken back by the bench
    gone = table.c.id.not_in([row["id"] for row in rows])
    connection.execute(table.delete().where(table.c.soak_id == soak_id, gone))
    if rows:
        query = insert(table)
        later = {name: query.excluded[name] for name in rows[0] if name != "id"}
        connection.execute(
            query.on_conflict_do_update(index_elements=["soak_id", "id"], set_=later),
            [{**_text_of(row), "soak_id": soak_id} for row in rows],
        )


def _add_marks(connection: sa.Connection, soak_id: int, part: Part) -> None:
    """Add the marks that are not here yet: they are only ever added, in the order of their numbers."""
    table = schema.mark
    here = connection.scalar(sa.select(sa.func.count()).select_from(table).where(table.c.soak_id == soak_id))
    new = part.marks[max(0, (here or 0) - part.marks_from) :]
    if new:
        rows = [{"soak_id": soak_id, "t_us": t_us, "text": _text(text)} for t_us, text in new]
        connection.execute(table.insert(), rows)


def _text_of(row: Mapping[str, Any]) -> dict[str, Any]:
    return {name: _text(value) if isinstance(value, str) else value for name, value in row.items()}


def _text(value: str) -> str:
    """Return text as PostgreSQL takes it: SQLite takes characters that it does not."""
    return value.replace("\0", "\N{REPLACEMENT CHARACTER}").encode("utf-8", "replace").decode()
