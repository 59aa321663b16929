"""Writing the job record: one class, a method for each thing that a person does.

Any process may, also while a daemon measures into the same store: each method is one transaction within the
lock. Nothing is lost: an edit leaves what was there in `history`, deleting is a mark, and an edit that rests
on what somebody else has changed meanwhile is refused.
"""

from __future__ import annotations

import json
import math
import re
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from logger import jobs
from logger.bench_readings import checked
from logger.clock import Clock
from logger.entries import FIELDS, Field, Kind
from logger.errors import EntryError, Overtaken, RequestError, entered
from logger.jobs import State, figure, line, paragraphs
from logger.store import photographs, schema, sqlite
from logger.store.job import moment
from logger.store.reader import to_us
from logger.store.writer import Writer

__all__ = ["Record"]

_TABLES: Final = {table.name: table for table in schema.KEPT}
_WHAT: Final = {
    "amp": "amp",
    "job": "job",
    "valve": "valve",
    "fitting": "fitting",
    "fuse": "fuse",
    "checklist_item": "checklist item",
    "work_item": "work item",
    "remark": "remark",
    "bench_reading": "reading",
    "photograph": "photograph",
}
"""What a person calls a row of each table."""


class Record:
    """Writes the job record of one store, in one person's name; holds nothing open between calls.

    RequestError where what is asked can't be done as asked, StoreError where the store can't be written.
    """

    def __init__(self, path: Path | str, clock: Clock, by: str) -> None:
        self.path = Path(path).expanduser().absolute()
        self.by = line(by, "the name of who does it", needed=True)
        self._clock = clock

    # ---- booking in, and the amp

    def book_in(
        self,
        *,
        amp: str | int,
        serial: str = "",
        amp_notes: str = "",
        rated_w: float | None = None,
        customer: str = "",
        complaint: str = "",
        shows: Sequence[str] = (),
        condition: str = "",
        received: datetime | None = None,
        checklist: Iterable[Mapping[str, str]] = (),
    ) -> int:
        """Book an amp in and return the job's number; makes the store, or its newer schema, where needed.

        `amp`: the number of one that was here before, or its name; with the serial number of one that was
        here it is that one. `checklist`: items with `section`, `what`, `caution` and `asks`.
        """
        self._make_ready()
        with sqlite.writing(self.path, "there are no jobs") as connection:
            amp_id = self._amp(connection, amp, serial, amp_notes, rated_w)
            job_id = self._add(
                connection,
                schema.job,
                amp_id=amp_id,
                customer=customer,
                complaint=complaint,
                shows=shows,
                condition=condition,
                state=State.RECEIVED.value,
                received=received or self._clock.wall(),
                uuid=str(uuid.uuid4()),
            )
            self._add_checklist(connection, job_id, checklist)
        return job_id

    def _make_ready(self) -> None:
        """Make the store where there is none, and bring an older one up to date."""
        if self.path.exists():
            with (
                sqlite.translated(self.path, "read"),
                sqlite.reading_engine(self.path, immutable=False).connect() as connection,
            ):
                if sqlite.revision_of(connection, self.path) == schema.REVISION:
                    return
        Writer(self.path, self._clock).close()

    def _amp(
        self, connection: sa.Connection, amp: str | int, serial: str, notes: str, rated_w: float | None
    ) -> int:
        table = schema.amp
        if isinstance(amp, int):
            self._row(connection, table, amp)
            return amp
        with entered("name"):
            name = line(amp, "the amp's name", needed=True)
        with entered("serial"):
            serial = line(serial, "its serial number")
        if serial:
            known = connection.execute(
                sa.select(table.c.id).where(
                    table.c.name == name, table.c.serial == serial, table.c.deleted_us.is_(None)
                )
            ).scalar()
            if known is not None:
                return int(known)
        return self._add(
            connection,
            table,
            name=name,
            serial=serial,
            notes=notes,
            rated_w=rated_w,
            uuid=str(uuid.uuid4()),
        )

    # ---- editing, whatever it is

    def edit(self, what: str, row_id: int, seen: int | None = None, /, **changes: Any) -> int:
        """Change fields of a row and return its version afterwards.

        `what`: the table. `seen`: the version that the change rests on; an edit is refused where somebody
        has changed the row since. None: whatever stands now. Fields that stay as they are make no version.
        """
        with sqlite.writing(self.path, "there are no jobs") as connection:
            return self._edit(connection, what, row_id, seen, changes)

    def _edit(
        self, connection: sa.Connection, what: str, row_id: int, seen: int | None, changes: Mapping[str, Any]
    ) -> int:
        table = _TABLES[what]
        row = self._row(connection, table, row_id)
        values = self._checked(table, changes)
        if table is schema.job and "state" in values:
            with entered("state"):
                wanted = jobs.state_of(values["state"])
                jobs.check_move(State(row.state), wanted)
            values["state"] = wanted.value
            closed = row.closed_us or self._now_us()
            values["closed_us"] = closed if wanted is State.COLLECTED else None
        if table is schema.bench_reading:
            fixed = checked(dict(row._mapping) | values)
            values |= {name: fixed[name] for name in ("quantity", "unit")}
        if table is schema.fitting:
            self._check_free(connection, dict(row._mapping) | values)
        if table is schema.checklist_item and "result" in values:
            values |= {
                "done_us": None if values["result"] is None else self._now_us(),
                "done_by": "" if values["result"] is None else self.by,
            }
        return self._change(connection, table, row, seen, values)

    def delete(self, what: str, row_id: int, seen: int | None = None) -> int:
        """Mark a row as deleted; it stays, and `restore` takes the mark away."""
        with sqlite.writing(self.path, "there are no jobs") as connection:
            table = _TABLES[what]
            row = self._row(connection, table, row_id)
            if table is schema.valve and self._sits(connection, schema.fitting.c.valve_id == row_id):
                raise RequestError(f"valve {row.label} sits in an amp: take it out before it is deleted")
            if table is schema.job and self._has(connection, schema.soak.c.job_id == row_id):
                raise RequestError(f"job {row_id} has soaks: it stays; close it instead")
            if table is schema.amp and self._has(connection, schema.job.c.amp_id == row_id):
                raise RequestError(f"amp {row_id} has jobs: it stays")
            return self._change(connection, table, row, seen, {"deleted_us": self._now_us()})

    def restore(self, what: str, row_id: int) -> int:
        """Take the mark of deletion away again."""
        with sqlite.writing(self.path, "there are no jobs") as connection:
            table = _TABLES[what]
            row = self._row(connection, table, row_id, deleted=True)
            if table is schema.fitting:
                self._check_free(connection, row._mapping)
            return self._change(connection, table, row, None, {"deleted_us": None})

    def close_job(self, job_id: int) -> int:
        """The amp was collected."""
        return self.edit("job", job_id, state=State.COLLECTED.value)

    # ---- valves

    def fit_valve(
        self,
        job_id: int,
        socket: str,
        label: str,
        *,
        valve_type: str = "",
        batch: str = "",
        seller_a: float | None = None,
        seller_s: float | None = None,
        seller_note: str = "",
        found: bool = False,
        when: datetime | None = None,
        why: str = "",
    ) -> int:
        """Put a valve into a socket of the job's amp and return the fitting's number.

        `label` is its serial or bag number; a valve not seen before is made. What sat in the socket comes
        out at that time, for the reason `why`; a valve that sat in another socket of this amp has moved.
        `found`: it sat there when the amp came in.
        """
        with sqlite.writing(self.path, "there are no jobs") as connection:
            job = self._row(connection, schema.job, job_id)
            at_us = to_us(when) if when is not None else job.received_us if found else self._now_us()
            valve_id = self._valve(
                connection, label, valve_type, batch, seller_a=seller_a, seller_s=seller_s, note=seller_note
            )
            with entered("socket"):
                socket = line(socket, "the socket", needed=True)
            fitting = schema.fitting
            here = self._sits(connection, fitting.c.amp_id == job.amp_id, fitting.c.socket == socket)
            if here is not None and here.valve_id == valve_id:
                raise EntryError({"label": f"{label} sits in {socket} already"})
            there = self._sits(connection, fitting.c.valve_id == valve_id)
            if there is not None and there.amp_id != job.amp_id:
                other = self._row(connection, schema.amp, there.amp_id, deleted=True)
                says = f"{label} sits in {there.socket} of {other.name}: take it out there first, or look at "
                raise EntryError({"label": f"{says}the number again"})
            if here is not None:
                self._take_out(connection, here, job_id, at_us, why or f"replaced by {label}")
            if there is not None:
                self._take_out(connection, there, job_id, at_us, why or f"moved to {socket}")
            row = {"id": None, "amp_id": job.amp_id, "valve_id": valve_id, "socket": socket}
            self._check_free(connection, row | {"fitted_us": at_us, "removed_us": None})
            return self._add(
                connection,
                fitting,
                amp_id=job.amp_id,
                valve_id=valve_id,
                socket=socket,
                how="found" if found else "fitted",
                fitted=moment(at_us),
                job_id=job_id,
            )

    def _check_free(self, connection: sa.Connection, row: Mapping[str, Any]) -> None:
        """Raise RequestError where the socket was filled, or the valve sat elsewhere, at the same time."""
        table = schema.fitting
        same_socket = sa.and_(table.c.amp_id == row["amp_id"], table.c.socket == row["socket"])
        query = sa.select(table).where(
            sa.or_(same_socket, table.c.valve_id == row["valve_id"]),
            table.c.deleted_us.is_(None),
            sa.or_(table.c.removed_us.is_(None), table.c.removed_us > row["fitted_us"]),
        )
        if row["id"] is not None:
            query = query.where(table.c.id != row["id"])
        if row["removed_us"] is not None:
            query = query.where(table.c.fitted_us < row["removed_us"])
        other = connection.execute(query).first()
        if other is not None:
            until = "now" if other.removed_us is None else f"{moment(other.removed_us):%Y-%m-%d %H:%M}"
            says = (
                f"fitting {other.id} has {other.socket} from {moment(other.fitted_us):%Y-%m-%d %H:%M} to "
                f"{until} (UTC): the times overlap; give others"
            )
            raise EntryError({"fitted": says})

    def take_out(self, job_id: int, socket: str, *, why: str = "", when: datetime | None = None) -> int:
        """Take the valve out of a socket and leave it empty; return the fitting's version."""
        with sqlite.writing(self.path, "there are no jobs") as connection:
            job = self._row(connection, schema.job, job_id)
            fitting = schema.fitting
            with entered("socket"):
                socket = line(socket, "the socket", needed=True)
                here = self._sits(connection, fitting.c.amp_id == job.amp_id, fitting.c.socket == socket)
                if here is None:
                    raise RequestError(f"nothing sits in {socket}, as far as the record knows")
            at_us = to_us(when) if when is not None else self._now_us()
            return self._take_out(connection, here, job_id, at_us, why)

    def _take_out(self, connection: sa.Connection, row: Any, job_id: int, at_us: int, why: str) -> int:
        if at_us < row.fitted_us:
            says = (
                f"{row.socket} was filled on {moment(row.fitted_us):%Y-%m-%d %H:%M} UTC: it can't be emptied "
            )
            raise EntryError({"fitted": f"{says}before that; give a later time"})
        values = {"removed_us": at_us, "why_removed": line(why, "the reason"), "out_job_id": job_id}
        return self._change(connection, schema.fitting, row, None, values)

    def _valve(
        self,
        connection: sa.Connection,
        label: str,
        valve_type: str,
        batch: str,
        *,
        seller_a: float | None,
        seller_s: float | None,
        note: str,
    ) -> int:
        """Return the valve of this serial or bag number, and add what is said of it; make it where needed."""
        table = schema.valve
        with entered("label"):
            label = line(label, "the valve's serial or bag number", needed=True)
        said = {
            "type": valve_type,
            "batch": batch,
            "seller_a": seller_a,
            "seller_s": seller_s,
            "seller_note": note,
        }
        known = connection.execute(
            sa.select(table).where(table.c.label == label, table.c.deleted_us.is_(None))
        ).first()
        if known is None:
            return self._add(connection, table, label=label, uuid=str(uuid.uuid4()), **said)
        if valve_type and known.type and line(valve_type, "the type") != known.type:
            says = (
                f"{label} is a {known.type} in the record, not a {valve_type}: look at the number again, or "
            )
            raise EntryError({"type": f"{says}correct the valve first"})
        self._edit(
            connection, "valve", known.id, None, {k: v for k, v in said.items() if v not in ("", None)}
        )
        return int(known.id)

    def _sits(self, connection: sa.Connection, *where: sa.ColumnElement[bool]) -> Any:
        """Return the open fitting of a socket or a valve, None where there is none."""
        table = schema.fitting
        query = sa.select(table).where(*where, table.c.removed_us.is_(None), table.c.deleted_us.is_(None))
        return connection.execute(query).first()

    # ---- what belongs to a job

    def set_fuse(
        self,
        job_id: int,
        position: str,
        *,
        found: str | None = None,
        marked: str | None = None,
        fitted: str | None = None,
    ) -> int:
        """Note a fuse's place: as found, as marked, as fitted; what is None stays. Returns its number."""
        said = {"found": found, "marked": marked, "fitted": fitted}
        values = {name: value for name, value in said.items() if value is not None}
        table = schema.fuse
        with sqlite.writing(self.path, "there are no jobs") as connection:
            self._row(connection, schema.job, job_id)
            with entered("position"):
                position = line(position, "the fuse's position", needed=True)
            known = connection.execute(
                sa.select(table.c.id).where(
                    table.c.job_id == job_id, table.c.position == position, table.c.deleted_us.is_(None)
                )
            ).scalar()
            if known is None:
                return self._add(connection, table, job_id=job_id, position=position, **values)
            self._edit(connection, "fuse", known, None, values)
            return int(known)

    def add_checklist(self, job_id: int, items: Iterable[Mapping[str, str]]) -> int:
        """Add items to a job's checklist, behind those that are there; return how many."""
        with sqlite.writing(self.path, "there are no jobs") as connection:
            self._row(connection, schema.job, job_id)
            return self._add_checklist(connection, job_id, items)

    def _add_checklist(
        self, connection: sa.Connection, job_id: int, items: Iterable[Mapping[str, str]]
    ) -> int:
        table = schema.checklist_item
        last = connection.execute(
            sa.select(sa.func.max(table.c.place)).where(table.c.job_id == job_id)
        ).scalar()
        count = 0
        for count, item in enumerate(items, 1):
            self._add(connection, table, job_id=job_id, place=(last or 0) + count, **item)
        return count

    def tick_off(
        self, item_id: int, result: str, value: float | None = None, note: str = "", seen: int | None = None
    ) -> int:
        """Say of a checklist's item: fine, fault, does not apply; return its version.

        An item that asks for a reading wants one to be fine. Said again, it is an edit like any other.
        """
        with sqlite.writing(self.path, "there are no jobs") as connection:
            row = self._row(connection, schema.checklist_item, item_id)
            said = " ".join(result.replace("-", " ").lower().split())
            with entered("result"):
                if said not in jobs.RESULTS:
                    raise RequestError(f"{result!r} is no result: it is one of {', '.join(jobs.RESULTS)}")
            with entered("value"):
                if said == "fine" and row.asks and value is None:
                    raise RequestError(
                        f'"{row.what}" is fine only with what was read, in {row.asks}: give it'
                    )
                if value is not None and not row.asks:
                    raise RequestError(f'"{row.what}" asks for no figure: put it into the note')
            changes = {"result": said, "value": value, "note": note}
            return self._edit(connection, "checklist_item", item_id, seen, changes)

    def add_work(
        self,
        job_id: int,
        what: str,
        *,
        part: str = "",
        quantity: float | None = None,
        minutes: float | None = None,
    ) -> int:
        """Note something that was done, with its part and its time; return its number."""
        return self._add_to_job(
            schema.work_item, job_id, what=what, part=part, quantity=quantity, minutes=minutes
        )

    def remark(self, job_id: int, text: str) -> int:
        """Note a line or more of text; return its number."""
        return self._add_to_job(schema.remark, job_id, text=text)

    def read_bench(self, job_id: int, readings: Sequence[Mapping[str, Any]]) -> list[int]:
        """Note readings from instruments, all or none; return their numbers.

        Each has the fields of `logger.jobs.BenchReading` that a person says; `taken` is now where it is
        missing.
        """
        with sqlite.writing(self.path, "there are no jobs") as connection:
            self._row(connection, schema.job, job_id)
            return [
                self._add(
                    connection,
                    schema.bench_reading,
                    **{"taken": self._clock.wall(), "job_id": job_id} | checked(reading),
                )
                for reading in readings
            ]

    def attach(self, job_id: int, file: Path | str | photographs.Looked, caption: str = "") -> int:
        """Keep a photograph beside the store, its bytes as they are; return its number.

        `file`: where it lies, or what was found in its bytes. RequestError where it is no JPEG or PNG by its
        content, too large, or in this job already.
        """
        found = file if isinstance(file, photographs.Looked) else photographs.looked_at(Path(file))
        table = schema.photograph
        with sqlite.writing(self.path, "there are no jobs") as connection:
            self._row(connection, schema.job, job_id)
            here = (
                table.c.job_id == job_id,
                table.c.checksum == found.checksum,
                table.c.deleted_us.is_(None),
            )
            known = connection.execute(sa.select(table.c.id).where(*here)).scalar()
            if known is not None:
                raise RequestError(f"{found.name} is photograph {known} of job {job_id} already")
        # the file before its row, which else would be a loss; and outside the lock, which a daemon wants too
        photographs.keep(self.path, found)
        return self._add_to_job(
            table,
            job_id,
            checksum=found.checksum,
            kind=found.kind,
            size_bytes=len(found.data),
            width_px=found.width_px,
            height_px=found.height_px,
            name=found.name,
            caption=caption,
        )

    def overrule(self, job_id: int, statement: str, reason: str) -> int:
        """Put a person's own verdict beside ours, signed with the record's name; return its number."""
        statement, reason = jobs.overruling_of(statement, reason)
        table = schema.overruling
        with sqlite.writing(self.path, "there are no jobs") as connection:
            self._row(connection, schema.job, job_id)
            values = {
                "job_id": job_id,
                "statement": statement,
                "reason": reason,
                "made_us": self._now_us(),
                "made_by": self.by,
            }
            return int(connection.execute(sa.insert(table).values(values).returning(table.c.id)).scalar_one())

    def give_soak(self, soak_id: int, job_id: int | None) -> None:
        """Let a recorded soak belong to a job, or to none; the soak itself stays as it is."""
        table = schema.soak
        with sqlite.writing(self.path, "there are no jobs") as connection:
            row = connection.execute(sa.select(table.c.job_id).where(table.c.id == soak_id)).first()
            if row is None:
                raise RequestError(f"there is no soak {soak_id}: soakbench soaks lists them")
            if job_id is not None:
                self._row(connection, schema.job, job_id)
            if row.job_id == job_id:
                return
            history = schema.history
            version = connection.execute(
                sa.select(sa.func.max(history.c.version)).where(
                    history.c.table_name == "soak", history.c.row_id == soak_id
                )
            ).scalar()
            self._remember(
                connection,
                job_id if job_id is not None else row.job_id,
                "soak",
                soak_id,
                (version or 1) + 1,
                {"job_id": (row.job_id, job_id)},
            )
            connection.execute(sa.update(table).where(table.c.id == soak_id).values(job_id=job_id))

    # ---- how rows are written

    def _add_to_job(self, table: sa.Table, job_id: int, **values: Any) -> int:
        with sqlite.writing(self.path, "there are no jobs") as connection:
            self._row(connection, schema.job, job_id)
            return self._add(connection, table, job_id=job_id, **values)

    def _add(self, connection: sa.Connection, table: sa.Table, **values: Any) -> int:
        """Insert a row; text that nobody gave is empty."""
        fields = _fields(table)
        said = {name: value for name, value in values.items() if _column(table, name) in fields}
        empty = {column.name: "" for column in table.c if _is_text(column) and not column.nullable}
        missing = {
            name: "" for name, field in fields.items() if name in empty and field.needed and name not in said
        }
        row = empty | {name: value for name, value in values.items() if name not in said}
        row |= self._checked(table, said | missing)
        row |= {"made_us": self._now_us(), "made_by": self.by, "version": 1}
        with _clashes(table):
            made = connection.execute(sa.insert(table).values(row).returning(table.c.id))
            return int(made.scalar_one())

    def _checked(self, table: sa.Table, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return what a person says of a row as columns; RequestError for what can't be said of it."""
        what = _WHAT[table.name]
        fields = _fields(table)
        found: dict[str, Any] = {}
        faults: dict[str, str] = {}
        for name, value in values.items():
            column = _column(table, name)
            if column not in fields:
                raise RequestError(f"a {what} has nothing called {name!r} that could be changed")
            field = fields[column]
            try:
                found[column] = _value(
                    field,
                    value,
                    f"the {what}'s {name.replace('_', ' ')}",
                    empty=bool(table.c[column].nullable),
                )
            except RequestError as error:
                faults[field.name] = str(error)
        if found.get("stage", jobs.AS_LEFT) not in jobs.STAGES:
            faults["stage"] = (
                f"{found['stage']!r} is no stage of a reading: it is one of {', '.join(jobs.STAGES)}"
            )
        if faults:
            raise EntryError(faults)
        return found

    def _row(self, connection: sa.Connection, table: sa.Table, row_id: int, *, deleted: bool = False) -> Any:
        row = connection.execute(sa.select(table).where(table.c.id == row_id)).first()
        if row is None:
            raise RequestError(f"there is no {_WHAT[table.name]} {row_id} in {self.path}")
        if row.deleted_us is not None and not deleted:
            raise RequestError(
                f"{_WHAT[table.name]} {row_id} was deleted on {moment(row.deleted_us):%Y-%m-%d %H:%M} UTC: "
                "restore it first"
            )
        return row

    def _change(
        self,
        connection: sa.Connection,
        table: sa.Table,
        row: Any,
        seen: int | None,
        values: Mapping[str, Any],
    ) -> int:
        """Write what differs, with its history; refuse where the row is no longer the one that was seen."""
        if seen is not None and seen != row.version:
            now = row._mapping
            stands = {
                field.name: moment(now[column]) if column.endswith("_us") and now[column] else now[column]
                for column, field in _fields(table).items()
            }
            says = self._overtaken(connection, table, row, seen)
            raise Overtaken(says, int(row.version), stands)
        now = row._mapping
        differ = {name: (now[name], value) for name, value in values.items() if now[name] != value}
        if not differ:
            return int(row.version)
        version = row.version + 1
        job_id = row.id if table is schema.job else now.get("job_id")
        self._remember(connection, job_id, table.name, row.id, version, differ)
        changed = {name: became for name, (_, became) in differ.items()} | {"version": version}
        with _clashes(table):
            connection.execute(sa.update(table).where(table.c.id == row.id).values(changed))
        return int(version)

    def _remember(
        self,
        connection: sa.Connection,
        job_id: int | None,
        table: str,
        row_id: int,
        version: int,
        differ: Mapping[str, tuple[Any, Any]],
    ) -> None:
        connection.execute(
            sa.insert(schema.history),
            [
                {
                    "job_id": job_id,
                    "table_name": table,
                    "row_id": row_id,
                    "version": version,
                    "field": name,
                    "was": json.dumps(was, ensure_ascii=False),
                    "became": json.dumps(became, ensure_ascii=False),
                    "made_us": self._now_us(),
                    "made_by": self.by,
                }
                for name, (was, became) in differ.items()
            ],
        )

    def _overtaken(self, connection: sa.Connection, table: sa.Table, row: Any, seen: int) -> str:
        history = schema.history
        rows = connection.execute(
            sa.select(history)
            .where(history.c.table_name == table.name, history.c.row_id == row.id, history.c.version > seen)
            .order_by(history.c.id)
        ).all()
        what = f"{_WHAT[table.name]} {row.id}"
        if not rows:
            return f"{what} has version {row.version}, and {seen} was never there: look at it again"
        fields = ", ".join(dict.fromkeys(one.field.removesuffix("_us").replace("_", " ") for one in rows))
        return (
            f"{what} was changed by {rows[-1].made_by} at {moment(rows[-1].made_us):%Y-%m-%d %H:%M} UTC "
            f"since you looked ({fields}): look at it again, then change it"
        )

    def _has(self, connection: sa.Connection, where: sa.ColumnElement[bool]) -> bool:
        return connection.execute(sa.select(sa.literal(1)).where(where).limit(1)).scalar() is not None

    def _now_us(self) -> int:
        return to_us(self._clock.wall())


@cache
def _fields(table: sa.Table) -> dict[str, Field]:
    """Return what a person may say of a row of a table, by its column."""
    return {_column(table, field.name): field for field in FIELDS[table.name]}


def _value(field: Field, value: Any, said: str, *, empty: bool) -> Any:
    """Return what a person says in a field as its column takes it; `empty`: whether it may be None."""
    if value is None and not empty:
        raise RequestError(f"{said} is missing: give it")
    if value is None:
        return None
    match field.kind:
        case Kind.TIME:
            return to_us(value)
        case Kind.SEVERAL:
            return ", ".join(jobs.shows_of(value if isinstance(value, str) else ", ".join(value)))
        case Kind.NUMBER:
            found = figure(value, said, least=-math.inf if field.least is None else field.least)
            if field.above is not None and found <= field.above:
                raise RequestError(f"{said} must be above {field.above:g}, got {found:g}")
            return found
        case Kind.TEXT:
            return paragraphs(value, said, needed=field.needed)
        case _:
            return line(value, said, needed=field.needed)


def _column(table: sa.Table, name: str) -> str:
    """Return the column of a field: a time's has `_us` behind it."""
    return f"{name}_us" if f"{name}_us" in table.c and name not in table.c else name


def _is_text(column: sa.Column[Any]) -> bool:
    return isinstance(column.type, sa.Text)


@contextmanager
def _clashes(table: sa.Table) -> Iterator[None]:
    """Say in a sentence what a constraint of the table forbids."""
    try:
        yield
    except sa.exc.IntegrityError as error:
        what = _WHAT[table.name]
        if "UNIQUE" in str(error.orig):
            fields = ", ".join(re.findall(rf"{table.name}\.(\w+)", str(error.orig)))
            raise RequestError(f"there is a {what} with this {fields} already: look at it first") from error
        raise RequestError(f"a {what} can't be like that ({error.orig}): look at what was given") from error
