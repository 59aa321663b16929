"""The schema is made and changed by migrations, and a store is never worse off for one."""

from __future__ import annotations

import re
import shutil
import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from store_case import a_calibration, begin_with, idle_scans, same

from logger import store
from logger.clock import ManualClock
from logger.errors import StoreError
from logger.finding import Kind
from logger.resume import left_open
from logger.store import schema, thinning
from logger.store import writer as writer_module
from logger.store.reader import Reader
from logger.store.whole import verify
from logger.store.writer import Writer

MIGRATIONS = Path(store.__file__).parent / "migrations"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "soak.db"


@pytest.fixture(autouse=True)
def by_the_migrations_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Undo what conftest does to be quick."""
    monkeypatch.setattr(writer_module, "_bring_up", writer_module._bring_up.__wrapped__)  # type: ignore[attr-defined]


def described(path: Path) -> dict[str, list[str]]:
    """Return what SQLite was told to make, white space, a renamed table's quotes and order apart."""
    with sqlite3.connect(path) as db:
        rows = db.execute(
            "SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL AND name != 'alembic_version'"
        ).fetchall()
    db.close()
    plain = {name: sql.replace("\t", " ").replace(f'TABLE "{name}"', f"TABLE {name}") for name, sql in rows}
    return {name: sorted(re.split(r",?\s*\n\s*", sql)) for name, sql in plain.items()}


def test_migrations_and_tables_agree(path: Path, tmp_path: Path) -> None:
    Writer(path, ManualClock()).close()
    engine = sa.create_engine(f"sqlite:///{path}", poolclass=sa.NullPool)
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), schema.metadata) == []
    straight = tmp_path / "straight.db"
    engine = sa.create_engine(f"sqlite:///{straight}", poolclass=sa.NullPool)
    with engine.begin() as connection:
        schema.metadata.create_all(connection)
        connection.exec_driver_sql(schema.ROLLUP_IN_UNITS)
    assert described(path) == described(straight)


def test_every_constraint_has_a_name_and_times_and_sums_have_room(path: Path) -> None:
    for table in schema.metadata.tables.values():
        assert all(constraint.name for constraint in table.constraints), table.name
        for column in table.columns:
            if column.name.endswith("_us") or column.name == "vsum":
                assert isinstance(column.type, sa.BigInteger), column


def test_the_tables_can_be_made_in_postgresql_too() -> None:
    dialect = sa.create_mock_engine("postgresql://", lambda *_: None).dialect
    made = "\n".join(
        str(sa.schema.CreateTable(table).compile(dialect=dialect)) for table in schema.metadata.sorted_tables
    )
    assert made.count("CREATE TABLE") == 21
    assert "t_us BIGINT NOT NULL" in made
    assert "data BYTEA NOT NULL" in made


LATER = '''
"""Give a soak a place."""
import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    with op.batch_alter_table("soak", recreate="always") as soak:
        soak.add_column(sa.Column("place", sa.Text))
    {more}
'''


def _later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, more: str = "pass") -> None:
    """Let this soakbench be one that has an eighth migration, which makes the soak table anew."""
    location = tmp_path / "later"
    shutil.copytree(MIGRATIONS, location, ignore=shutil.ignore_patterns("__pycache__"))
    (location / "versions" / "0008_place.py").write_text(LATER.format(more=more))
    monkeypatch.setattr(writer_module, "MIGRATIONS", str(location))
    monkeypatch.setattr(schema, "REVISION", "0008")
    monkeypatch.setattr("logger.store.sqlite.REVISION", "0008")


def _old_store(path: Path) -> int:
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(2))
        writer.add_scans(idle_scans(100, 2))
    return soak_id


def test_a_later_migration_keeps_every_row_and_a_copy_of_the_file(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    soak_id = _old_store(path)
    _later(tmp_path, monkeypatch)
    with Writer(path, ManualClock()) as writer:
        assert writer._connection is not None
        assert writer._connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
        writer._connection.rollback()
    with sqlite3.connect(path) as db:
        assert db.execute("SELECT place, scans FROM soak").fetchall() == [(None, 100)]
    db.close()
    assert same(Reader(path).scans(soak_id), idle_scans(100, 2))
    copies = list(tmp_path.glob("soak.db-before*"))
    assert [copy.name for copy in copies] == ["soak.db-before-0008"]
    monkeypatch.undo()
    assert same(Reader(copies[0]).scans(soak_id), idle_scans(100, 2))


@pytest.mark.parametrize(
    "more",
    [
        'raise RuntimeError("half way")',
        'op.execute("DELETE FROM scan WHERE t0_s = 3")',
        'op.execute("PRAGMA defer_foreign_keys = ON"); op.execute("UPDATE scan SET soak_id = 99")',
    ],
)
def test_a_migration_that_fails_or_would_lose_rows_leaves_the_store_as_it_was(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, more: str
) -> None:
    soak_id = _old_store(path)
    before = described(path)
    with monkeypatch.context() as patch:
        _later(tmp_path, patch, more)
        with pytest.raises(Exception, match=r"half way|would lose rows"):
            Writer(path, ManualClock())
    assert described(path) == before
    assert same(Reader(path).scans(soak_id), idle_scans(100, 2))
    Writer(path, ManualClock()).close()


def test_a_store_of_the_first_schema_gets_its_calibrations_and_keeps_every_soak(path: Path) -> None:
    """Rows as the first schema wrote them: the copy is that store, and the new one has room for both."""
    with closing(sqlite3.connect(path)) as db:
        db.executescript((Path(__file__).parent / "data" / "store_0001.sql").read_text(encoding="utf-8"))
    with pytest.raises(StoreError, match=r"older schema 0001: `soakbench run` brings it to 0007"):
        Reader(path).soaks()
    with Writer(path, ManualClock()) as writer:
        number = writer.add_calibration(a_calibration())
    (soak,) = Reader(path).soaks()
    assert (soak.scans, soak.how, soak.calibration_id, soak.checks) == (100, "finished", None, None)
    assert same(Reader(path).scans(soak.id), idle_scans(100, 2))
    assert [mark.text for mark in Reader(path).marks(soak.id)] == ["tapped V5"]
    assert Reader(path).calibration(number).board_id == "board 7"
    copy = path.with_name("soak.db-before-0007")
    with closing(sqlite3.connect(copy)) as db:
        assert db.execute("SELECT version_num FROM alembic_version").fetchall() == [("0001",)]
        assert db.execute("SELECT count(*) FROM scan").fetchall() == [(10,)]
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_a_store_of_the_second_schema_can_be_asked_and_keeps_its_findings(path: Path) -> None:
    """Rows as the second schema wrote them; its table of findings is made anew."""
    with closing(sqlite3.connect(path)) as db:
        db.executescript((Path(__file__).parent / "data" / "store_0002.sql").read_text(encoding="utf-8"))
    Writer(path, ManualClock()).close()
    reader = Reader(path)
    (soak,) = reader.soaks()
    assert (soak.scans, soak.how, soak.calibration_id) == (100, "finished", 1)
    assert same(reader.scans(soak.id), idle_scans(100, 2))
    (found,) = reader.findings(soak.id)
    assert (found.kind, found.channels, found.evidence) == (
        Kind.MISMATCH,
        ("pair1", "pair2"),
        {"apart_mA": 3.5},
    )
    assert [mark.text for mark in reader.marks(soak.id)] == ["tapped V5"]
    assert reader.requests() == []
    with closing(sqlite3.connect(path.with_name("soak.db-before-0007"))) as db:
        assert db.execute("SELECT version_num FROM alembic_version").fetchall() == [("0002",)]
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_a_soak_of_the_third_schema_that_was_left_without_an_end_can_be_gone_on_with(path: Path) -> None:
    """Rows as the third schema wrote them: when the last scan came is told by the soak's own time."""
    with closing(sqlite3.connect(path)) as db:
        db.executescript((Path(__file__).parent / "data" / "store_0003.sql").read_text(encoding="utf-8"))
    Writer(path, ManualClock()).close()
    reader = Reader(path)
    (soak,) = reader.soaks()
    assert (soak.scans, soak.ended, soak.last_ms, soak.last_seen) == (100, None, None, None)
    assert same(reader.scans(soak.id), idle_scans(100, 2))
    assert [mark.text for mark in reader.marks(soak.id)] == ["tapped V5"]
    last = soak.started + timedelta(seconds=9.9)
    assert left_open(reader, soak.setup, last + timedelta(minutes=10), "may") == soak
    assert left_open(reader, soak.setup, last + timedelta(minutes=10, seconds=1), "may") is None
    with closing(sqlite3.connect(path.with_name("soak.db-before-0007"))) as db:
        assert db.execute("SELECT version_num FROM alembic_version").fetchall() == [("0003",)]


def test_a_store_of_the_fifth_schema_has_all_its_scans(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.executescript((Path(__file__).parent / "data" / "store_0005.sql").read_text(encoding="utf-8"))
    Writer(path, ManualClock()).close()
    reader = Reader(path)
    (soak,) = reader.soaks()
    assert (soak.scans, soak.how, soak.job_id, soak.thinned) == (100, "finished", 1, None)
    assert soak.has_scans()
    assert same(reader.scans(soak.id), idle_scans(100, 2))
    assert verify(path).wrong == []


def test_a_store_of_the_sixth_schema_has_its_scans_and_can_be_made_compact(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.executescript((Path(__file__).parent / "data" / "store_0006.sql").read_text(encoding="utf-8"))
    Writer(path, ManualClock()).close()
    reader = Reader(path)
    whole, thinned = reader.soaks()
    assert (whole.scans, whole.thinned, thinned.scans) == (100, None, 100)
    assert thinned.thinned is not None
    assert len(reader.scans(thinned.id)) == 0
    for _ in range(2):
        assert same(reader.scans(whole.id), idle_scans(100, 2))
        assert verify(path).wrong == []
        for soak in (whole, thinned):
            thinning.compact(path, soak, ManualClock(), lambda _t_s: None)


def test_an_earlier_copy_is_not_overwritten(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _old_store(path)
    (tmp_path / "soak.db-before-0008").write_text("somebody's")
    _later(tmp_path, monkeypatch)
    Writer(path, ManualClock()).close()
    assert (tmp_path / "soak.db-before-0008").read_text() == "somebody's"
    assert (tmp_path / "soak.db-before-0008-2").stat().st_size > 10_000


def test_a_store_that_awaits_its_migration_can_say_so_to_a_reader(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _old_store(path)
    _later(tmp_path, monkeypatch)
    with pytest.raises(StoreError, match=r"older schema 0007: `soakbench run` brings it to 0008"):
        Reader(path).soaks()
