"""A store as a PostgreSQL database, which many benches' stores are collected in: how it is opened and made.

The tables are those of `schema`, by the same migrations. `scan` and `rollup` are partitioned by ranges of
`soak_id`; `room_for_soak(id)` makes the partitions that a soak needs. Three roles have rights on them: the
owner, who made them; `soakbench_collector`, which adds and corrects, and removes nothing but a finding that
its bench took back; `soakbench_reader`, which only reads. An address never shows its password: that is best
left to libpq's own places (`PGPASSWORD`, a password file).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.metadata import version
from typing import Any, Final, TypeVar

import sqlalchemy as sa

from logger.errors import RequestError, StoreError, StoreTooNew
from logger.store.schema import REVISION

OLDEST: Final = 15
COLLECTOR: Final = "soakbench_collector"
READER: Final = "soakbench_reader"
_CONNECT_S: Final = 5
_STATEMENT_S: Final = 60
_CORRECTED: Final = (
    "soak", "finding", "amp", "job", "valve", "fitting", "fuse", "checklist_item", "work_item", "remark",
    "bench_reading", "photograph",
)  # fmt: skip
"""What a bench edits after it was collected; all else is only added to."""
_MEANINGS: Final = (
    # by SQLSTATE; while it connects libpq tells none, only words
    ("28", "authentication failed", "it refuses the log-in, check user and password"),
    ("42501", "permission denied", "this user has no right to, grant the role"),
    ("3D", "does not exist", "there is no such database or user on it"),
    ("53", "too many clients", "it is full or has too many connections"),
    ("57", "starting up", "it is being shut down or started, or the answer took too long"),
)
_ROOM_FOR_SOAK: Final = """
CREATE OR REPLACE FUNCTION room_for_soak(number bigint) RETURNS void LANGUAGE plpgsql SECURITY DEFINER
SET search_path = public, pg_temp AS $$
DECLARE
    low bigint := number / 1000 * 1000;
    parent text;
BEGIN
    IF to_regclass('rollup_' || low) IS NOT NULL THEN
        RETURN;
    END IF;
    LOCK TABLE soak, channel IN SHARE ROW EXCLUSIVE MODE;
    FOREACH parent IN ARRAY ARRAY['scan', 'rollup'] LOOP
        IF to_regclass(parent || '_' || low) IS NULL THEN
            EXECUTE 'CREATE TABLE ' || parent || '_' || low || ' (LIKE ' || parent || ' INCLUDING ALL)';
            EXECUTE 'ALTER TABLE ' || parent || ' ATTACH PARTITION ' || parent || '_' || low ||
                    ' FOR VALUES FROM (' || low || ') TO (' || low + 1000 || ')';
        END IF;
    END LOOP;
END $$
"""
"""Run with its owner's rights: who collects may add rows, and make no tables.

A transaction of its own calls it. It waits for all who write of soaks, since the new tables' references need
that, and takes these locks in the order in which they do: else each would wait for the other. A table that is
attached, rather than made as a part, keeps no reader out.
"""
_T = TypeVar("_T")


def engine_of(address: str, *, read_only: bool) -> sa.Engine:
    """Return an engine for an address. RequestError where that is none, or the driver is missing."""
    try:
        url = sa.make_url(address)
    except sa.exc.ArgumentError as error:
        raise RequestError(
            "the database's address can't be read: it is postgresql://USER@HOST:PORT/NAME"
        ) from error
    if url.get_backend_name() != "postgresql" or not url.database:
        raise RequestError(f"{shown(url)} is no PostgreSQL database: postgresql://USER@HOST:PORT/NAME")
    timeout_ms = 1000 * _STATEMENT_S
    try:
        return sa.create_engine(
            url.set(drivername="postgresql+psycopg"),
            # a reader holds nothing open between calls, as with a file; who collects is back in a second
            **({"poolclass": sa.NullPool} if read_only else {"pool_pre_ping": True, "pool_size": 8}),
            # one look is one picture of the database, as with a file
            isolation_level="REPEATABLE READ" if read_only else "READ COMMITTED",
            connect_args={
                "connect_timeout": _CONNECT_S,
                "application_name": "soakbench",
                "options": f"-c statement_timeout={timeout_ms if read_only else 0}"
                + (" -c default_transaction_read_only=on" if read_only else ""),
            },
        )
    except ImportError as error:
        raise RequestError(
            "a PostgreSQL database needs its driver: pip install soakbench[postgres]"
        ) from error


def shown(url: sa.URL) -> str:
    """Return an address as it may be shown."""
    return url.set(drivername="postgresql").render_as_string(hide_password=True)


class ReadDatabase:
    """A collected store as readers see it."""

    def __init__(self, address: str) -> None:
        self._engine = engine_of(address, read_only=True)
        self.name = shown(self._engine.url)

    def exists(self) -> bool:
        """A database that was named is meant to be there: that it can't be reached is an error."""
        return True

    def look(self, fetch: Callable[[sa.Connection], _T]) -> _T:
        """Run one read transaction."""
        with translated(self.name, "read"), self._engine.connect() as connection:
            revision = revision_of(connection, self.name)
            if revision != REVISION:
                raise StoreError(
                    f"the database {self.name} has the schema {revision or 'of nothing yet'}, this soakbench "
                    f"{REVISION}: its owner runs `soakbench collect CONFIG --prepare`"
                )
            return fetch(connection)


def revision_of(connection: sa.Connection, name: str) -> str | None:
    """Return the database's schema revision, None where nothing of ours is in it yet."""
    found = connection.scalar(sa.text("SELECT to_regclass('alembic_version') IS NOT NULL"))
    number = connection.scalar(sa.text("SELECT version_num FROM alembic_version")) if found else None
    if number is not None and (not str(number).isdigit() or int(number) > int(REVISION)):
        raise StoreTooNew(
            f"the database {name} has schema {number}, and soakbench {version('soakbench')} knows none later "
            f"than {REVISION}: use the soakbench that prepared it, or a newer one"
        )
    return None if number is None else str(number)


def prepare(engine: sa.Engine) -> None:
    """Make the tables or bring them up to date, and give the roles their rights; by the owner."""
    from alembic import command
    from alembic.config import Config

    name = shown(engine.url)
    with translated(name, "prepared"), engine.connect() as connection, connection.begin():
        number = int(connection.scalar(sa.text("SHOW server_version_num")) or 0)
        if number < OLDEST * 10_000:
            raise StoreError(
                f"the database {name} is PostgreSQL {number // 10_000}: soakbench needs {OLDEST} or newer"
            )
        # two that prepare at one time
        connection.execute(sa.text("SELECT pg_advisory_xact_lock(hashtext('soakbench prepare'))"))
        revision_of(connection, name)
        config = Config()
        config.set_main_option("script_location", "logger.store:migrations")
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        for role in (COLLECTOR, READER):
            known = connection.scalar(sa.text("SELECT 1 FROM pg_roles WHERE rolname = :role"), {"role": role})
            if not known:
                connection.exec_driver_sql(f"CREATE ROLE {role} NOLOGIN")
        connection.exec_driver_sql(_ROOM_FOR_SOAK)
        for statement in _rights():
            connection.exec_driver_sql(statement)


def _rights() -> Iterator[str]:
    """Give the statements by which the roles get what they need, and nothing more."""
    both = f"{COLLECTOR}, {READER}"
    yield f"REVOKE ALL ON ALL TABLES IN SCHEMA public FROM PUBLIC, {both}"
    yield f"GRANT USAGE ON SCHEMA public TO {both}"
    yield f"GRANT SELECT ON ALL TABLES IN SCHEMA public TO {both}"
    yield f"GRANT INSERT ON ALL TABLES IN SCHEMA public TO {COLLECTOR}"
    yield f"REVOKE INSERT ON alembic_version FROM {COLLECTOR}"
    yield f"GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO {COLLECTOR}"
    yield f"GRANT UPDATE ON {', '.join(_CORRECTED)} TO {COLLECTOR}"
    yield f"GRANT DELETE ON finding TO {COLLECTOR}"  # one that turned out to be none
    yield "REVOKE ALL ON FUNCTION room_for_soak(bigint) FROM PUBLIC"
    yield f"GRANT EXECUTE ON FUNCTION room_for_soak(bigint) TO {COLLECTOR}"


@contextmanager
def translated(name: str, doing: str) -> Iterator[None]:
    """Turn what the driver raises into a sentence of ours; `doing`: read, written."""
    try:
        yield
    except sa.exc.DBAPIError as error:
        cause: Any = error.orig or error
        state = getattr(cause, "sqlstate", None) or ""
        said = " ".join(str(cause).split())
        told = next(
            (meaning for start, words, meaning in _MEANINGS if state.startswith(start) or words in said),
            "check its address, and that it runs",
        )
        raise StoreError(f"the database {name} can't be {doing}: {told} ({said})") from error
