"""How the newest soak of each of many benches stands: by key alone, however much a store holds."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any, Final

import sqlalchemy as sa

from logger.errors import SoakbenchError
from logger.finding import Finding
from logger.store import schema
from logger.store.reader import Soak, finding_of, soak_of

AMONG: Final = 10_000
"""Among so many of the last soaks a bench's newest is looked for at first."""
LOOKS_BACK: Final = 1_000
"""So many numbers before the newest may still be on their way: several collectors write at one time, and who
had his number first may commit last."""


@dataclass(frozen=True)
class Standing:
    """A soak as it stands, its findings that are open, and what its job is called by the customer."""

    soak: Soak
    open: tuple[Finding, ...]
    reference: str


def fetch_newest(connection: sa.Connection, seen: int | None = None) -> dict[str, int]:
    """Return each bench's newest soak, by its number: of those from shortly before `seen` on.

    Where nothing was seen yet, of the last AMONG soaks. Numbers only grow, so what was returned before holds
    for a bench that is not among them.
    """
    table = schema.soak
    if seen is None:
        after = (connection.scalar(sa.select(sa.func.max(table.c.id))) or 0) - AMONG
    else:
        after = seen - LOOKS_BACK
    query = sa.select(table.c.bench, sa.func.max(table.c.id)).where(table.c.id > after)
    rows = connection.execute(query.group_by(table.c.bench))
    return {str(bench): int(number) for bench, number in rows}


def fetch_last(connection: sa.Connection) -> int | None:
    """Return the number of a store's last soak, None where it has none."""
    last = connection.scalar(sa.select(sa.func.max(schema.soak.c.id)))
    return None if last is None else int(last)


def fetch_stamps_of(connection: sa.Connection, numbers: Collection[int]) -> dict[int, tuple[object, ...]]:
    """Return for each soak what changes when anything is added to it."""
    c = schema.soak.c
    query = sa.select(c.id, c.scans, c.last_t_us, c.last_seen_us, c.ended_us, c.job_id)
    rows = connection.execute(query.where(c.id.in_(numbers)))
    return {row.id: tuple(row) for row in rows}


def fetch_standings(
    connection: sa.Connection, numbers: Collection[int], name: str
) -> dict[int, Standing | SoakbenchError]:
    """Return how these soaks of the store `name` stand; an error in the place of one that can't be read."""
    soak, finding, job = schema.soak, schema.finding, schema.job
    rows = connection.execute(sa.select(soak).where(soak.c.id.in_(numbers))).all()
    jobs = {row.job_id for row in rows if row.job_id is not None}
    of_jobs = sa.select(job.c.id, job.c.customer).where(job.c.id.in_(jobs))
    references = {one.id: str(one.customer) for one in connection.execute(of_jobs)} if jobs else {}
    still = sa.select(finding).where(finding.c.soak_id.in_(numbers), finding.c.cleared_s.is_(None))
    found: dict[int, list[sa.Row[Any]]] = {row.id: [] for row in rows}
    for one in connection.execute(still.order_by(finding.c.soak_id, finding.c.id)):
        found[one.soak_id].append(one)
    out: dict[int, Standing | SoakbenchError] = {}
    for row in rows:
        try:
            open_ = tuple(finding_of(one, name) for one in found[row.id])
            standing = Standing(soak_of(row), open_, references.get(row.job_id, ""))
            _ = standing.soak.setup  # one of another soakbench's may not be understood
        except SoakbenchError as error:
            out[row.id] = error
        else:
            out[row.id] = standing
    return out
