"""A request and its answer, and how they are read from the store."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import sqlalchemy as sa

from logger.store import schema

DAEMON_ENDED: Final = "the daemon that it was asked of has ended"
"""Why a request was refused that nobody is left to answer."""


@dataclass(frozen=True)
class Request:
    """A request as it stands. `ask` and `text` are whatever was written, by us or by another program.

    `state`: asked, done or refused; `reason` is why it was refused. `soak_id` and `t_us` (the last scan's
    time when it was answered) are None while it is asked, and where there was no soak.
    """

    id: int
    ask: str
    text: str
    state: str = "asked"
    reason: str | None = None
    soak_id: int | None = None
    t_us: int | None = None


@dataclass(frozen=True)
class Answer:
    """What the daemon says: refused if there is a `reason`, else done; `mark` is what it leaves."""

    request: Request
    t_us: int | None
    reason: str | None = None
    mark: str = ""


def fetch_requests(connection: sa.Connection, *which: sa.ColumnElement[bool]) -> list[Request]:
    """Return the requests in the order made, read so that no bytes of another program can stop it."""
    table = schema.request
    query = (
        sa.select(
            table.c.id,
            sa.cast(table.c.ask, sa.LargeBinary),
            sa.cast(table.c.text, sa.LargeBinary),
            table.c.state,
            table.c.reason,
            table.c.soak_id,
            table.c.t_us,
        )
        .where(*which)
        .order_by(table.c.id)
    )
    return [
        Request(row[0], as_text(row[1]), as_text(row[2]), *row[3:]) for row in connection.execute(query).all()
    ]


def as_text(written: bytes) -> str:
    """Return text that another program may have written in any bytes."""
    return written.decode("utf-8", errors="replace")
