"""What all tests share: the same examples at every run, and no skipping in CI."""

from __future__ import annotations

import functools
import os
import sqlite3
import sys
from collections.abc import Generator
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa
from hypothesis import settings

# The tests run on all cores already, where threads of a matrix product only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# The tests start hundreds of Pythons: where bytecode may not be kept, each compiles the whole program anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False


settings.register_profile("soakbench", derandomize=True, deadline=None)
settings.load_profile("soakbench")


def pytest_xdist_auto_num_workers() -> int:
    """One more than there are cores: many tests wait for processes and real time."""
    return (os.cpu_count() or 1) + 1


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, None]:
    """In CI nothing that a bare machine may skip is skipped: a missing browser or tool is a failure."""
    outcome = yield
    report: pytest.TestReport = outcome.get_result()  # type: ignore[attr-defined]
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("CI"):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped, and CI skips nothing: {report.longrepr}"


@pytest.fixture(scope="session", autouse=True)
def new_stores_are_like_the_first() -> Generator[None]:
    """The migrations make the first store of each process; later ones are made by the SQL that this left.

    Some hundred stores are made, and migrating each takes a tenth of a second. What is migrated from an
    older schema, or by other migrations, always goes the real way, and so does all of test_store_migrations.
    """
    from logger.store import schema, writer

    real, made = writer._bring_up, {}

    @functools.wraps(real)
    def bring_up(connection: sa.Connection, path: Path) -> None:
        key = (schema.REVISION, writer.MIGRATIONS)
        empty = not connection.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar()
        connection.rollback()
        if empty and key in made:
            connection.connection.driver_connection.executescript(made[key])  # type: ignore[union-attr]
            return
        real(connection, path)
        if empty:
            with closing(sqlite3.connect(path)) as db:
                made[key] = "\n".join(db.iterdump())

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(writer, "_bring_up", bring_up)
        yield
