"""What the migrations do otherwise on PostgreSQL, where stores of many benches are collected."""

from __future__ import annotations

from typing import Literal

from alembic import op


def on_postgresql() -> bool:
    """Whether the tables are made in a PostgreSQL database."""
    return op.get_bind().dialect.name == "postgresql"


def recreated() -> Literal["always", "never"]:
    """Return how a table is altered: SQLite's is made anew, PostgreSQL's stays, with what refers to it."""
    return "never" if on_postgresql() else "always"
