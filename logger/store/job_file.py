"""A whole job as one zip that another bench takes in without loss.

In it lie `job.json` (`soakbench.job/1`: the rows of the job, its amp, valves, soaks and their history, with
the checksum of every other file), `scans/<uuid of the soak>.jsonl` (a row of the table `scan` a line: t0_s,
sequence, n, sequences and data in base64) and `photographs/<SHA-256>.jpg`. Roll-ups are made anew.

Amps, valves, jobs and soaks are known by their UUIDs: an amp or valve that is here already is that one and
stays as it is, a job or soak that is here already is not taken in twice. What a zip says is checked: it
is a stranger's file.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import io
import json
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from logger import setup as setups
from logger.clock import Clock
from logger.errors import RequestError, SetupError, StoreTooNew
from logger.finding import Kind
from logger.store import packing, photographs, schema, sqlite
from logger.store.job import fetch_job
from logger.store.reader import Reader, fetch_calibrations, soak_of
from logger.store.writer import Writer, rebuild_rollups

SCHEMA: Final = "soakbench.job/1"
MOST_BYTES: Final = 2_000_000_000
"""What a zip may unpack to: weeks of sixteen channels at 10 scans/s, or forty large photographs."""
MOST_JSON_BYTES: Final = 200_000_000

_UNREADABLE: Final = (
    OSError,
    EOFError,
    ValueError,  # a name that is no text
    OverflowError,  # a number of more than 64 bits
    RuntimeError,  # encrypted, or packed in a way not known here
    struct.error,
    zlib.error,
    zipfile.BadZipFile,
    zipfile.LargeZipFile,
)

_Rows = dict[str, list[dict[str, Any]]]
_OF_JOB: Final = (
    schema.fuse,
    schema.checklist_item,
    schema.work_item,
    schema.remark,
    schema.bench_reading,
    schema.photograph,
    schema.overruling,
)
_OF_SOAK: Final = (schema.channel, schema.finding, schema.mark, schema.request)
_ORDER: Final = (
    schema.calibration,
    schema.amp,
    schema.valve,
    schema.job,
    schema.soak,
    *_OF_SOAK,
    schema.fitting,
    *_OF_JOB,
    schema.history,
)
_REFERS: Final = {
    "calibration_id": "calibration",
    "amp_id": "amp",
    "valve_id": "valve",
    "job_id": "job",
    "out_job_id": "job",
    "soak_id": "soak",
}
"""What the columns that name another row are of."""


# ---- out


def pack(store: Path, job_id: int, out: Path) -> None:
    """Write a job of a store as a zip to `out`. RequestError where there is none, or a soak of it runs."""
    reader = Reader(store)
    job = reader.job(job_id)
    running = [soak.id for soak in reader.soaks() if soak.job_id == job_id and soak.ended is None]
    if running:
        raise RequestError(f"soak {running[0]} of job {job_id} has not ended: export it afterwards")
    thinned = next((soak for soak in reader.soaks() if soak.job_id == job_id and soak.thinned), None)
    if thinned is not None:
        raise RequestError(
            f"soak {thinned.id} of job {job_id} was {thinned.thinned}: bring them back first, with soakbench "
            "archive --restore"
        )
    files: dict[str, str] = {}
    rows = reader.look(lambda connection: _rows_of(connection, job_id, job.amp.id))
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for soak in rows["soak"]:
            name = f"scans/{soak['uuid']}.jsonl"
            digest = hashlib.sha256()
            with archive.open(name, "w", force_zip64=True) as file:
                for line in _scan_lines(reader, soak["id"]):
                    digest.update(line)
                    file.write(line)
            files[name] = digest.hexdigest()
        for photograph in rows["photograph"]:
            name = _photograph_name(photograph)
            if name not in files:  # one that was deleted and added again is one file
                data = (photographs.folder(store) / name.removeprefix("photographs/")).read_bytes()
                archive.writestr(name, data, zipfile.ZIP_STORED)
                files[name] = hashlib.sha256(data).hexdigest()
        head = {"schema": SCHEMA, "revision": schema.REVISION, "files": files, "tables": rows}
        archive.writestr("job.json", json.dumps(head, ensure_ascii=False, allow_nan=False, indent=1))


def _rows_of(connection: sa.Connection, job_id: int, amp_id: int) -> _Rows:
    """Return the rows of a job by table, those that are marked as deleted too."""

    def of(table: sa.Table, where: sa.ColumnElement[bool]) -> list[dict[str, Any]]:
        order = list(table.primary_key.columns)
        return [
            dict(row._mapping) for row in connection.execute(sa.select(table).where(where).order_by(*order))
        ]

    found: _Rows = {"job": of(schema.job, schema.job.c.id == job_id)}
    found["amp"] = of(schema.amp, schema.amp.c.id == amp_id)
    found["soak"] = of(schema.soak, schema.soak.c.job_id == job_id)
    soaks = [soak["id"] for soak in found["soak"]]
    calibrations = {soak["calibration_id"] for soak in found["soak"]} - {None}
    found["calibration"] = of(schema.calibration, schema.calibration.c.id.in_(calibrations))
    for table in _OF_SOAK:
        found[table.name] = of(table, table.c.soak_id.in_(soaks))
    found["fitting"] = of(schema.fitting, schema.fitting.c.amp_id == amp_id)
    for one in found["fitting"]:  # which valve sat where is known; a job that is not in the zip is not
        for key in ("job_id", "out_job_id"):
            one[key] = one[key] if one[key] == job_id else None
    valves = {one["valve_id"] for one in found["fitting"]}
    found["valve"] = of(schema.valve, schema.valve.c.id.in_(valves))
    for table in _OF_JOB:
        found[table.name] = of(table, table.c.job_id == job_id)
    history = schema.history.c
    found["history"] = of(
        schema.history,
        sa.or_(
            history.job_id == job_id,
            sa.and_(history.table_name == "amp", history.row_id == amp_id),
            sa.and_(history.table_name == "valve", history.row_id.in_(valves)),
        ),
    )
    return found


def _scan_lines(reader: Reader, soak_id: int) -> Iterator[bytes]:
    for block in reader.scan_blocks(soak_id):
        for row in packing.pack(block):
            sequences = None if row.sequences is None else base64.b64encode(row.sequences).decode()
            line = [row.t0_s, row.sequence, row.n, sequences, base64.b64encode(row.data).decode()]
            yield json.dumps(line, separators=(",", ":")).encode() + b"\n"


def _photograph_name(row: Mapping[str, Any]) -> str:
    checksum, kind = str(row.get("checksum")), row.get("kind")
    if not re.fullmatch("[0-9a-f]{64}", checksum) or kind not in ("jpeg", "png"):
        raise RequestError("the job's zip names a photograph that can be none: export it anew")
    return f"photographs/{checksum}.{'jpg' if kind == 'jpeg' else kind}"


# ---- in


def unpack(source: Path, store: Path, clock: Clock, say: Callable[[str], None] = lambda _text: None) -> int:
    """Take a job's zip into a store, made where there is none; return the job's number there.

    All of it or nothing. `say` gets a sentence for what was here already or had to be named otherwise.
    RequestError where the zip can't be read, is damaged, or was taken in before.
    """
    try:
        with zipfile.ZipFile(source) as archive:
            head = _head(source, archive)
            if not store.exists():
                Writer(store, clock).close()
            pictures = _pictures(source, archive, head)
            with sqlite.writing(store, "no job can be taken in") as connection:
                taking = _Taking(connection, store, head["tables"], say)
                try:
                    job_id = taking.rows()
                except sa.exc.IntegrityError as error:
                    raise RequestError(
                        f"{source} does not go with what is in {store}: {error.orig}; nothing was taken in"
                    ) from error
                except (KeyError, TypeError, sa.exc.StatementError) as error:
                    raise _damaged(source, f"a row that lacks something, {error!r:.100}") from error
                for soak in head["tables"]["soak"]:
                    _scans(source, archive, head, connection, soak, taking.ids["soak"][soak["id"]])
                _read_back(source, connection, taking, job_id)
                for picture in pictures:
                    photographs.keep(store, picture)
    except FileNotFoundError as error:
        raise RequestError(f"there is no file {source}: check the name") from error
    except _UNREADABLE as error:
        raise RequestError(f"{source} can't be read as a job's zip ({error}): copy it anew") from error
    return job_id


def _read_back(source: Path, connection: sa.Connection, taking: _Taking, job_id: int) -> None:
    """Read what was inserted as every page will: what can't be read then is not taken in."""
    soak, finding = schema.soak, schema.finding
    soaks = list(taking.ids["soak"].values())
    try:
        for row in connection.execute(sa.select(soak).where(soak.c.id.in_(soaks))).all():
            one = soak_of(row)
            if len(one.daq.full_count) != len(one.setup.channel):
                raise ValueError("a soak's DAQ with another number of channels than its set-up")
            if one.verdict is not None and not {"soak", "channels"} <= set(one.verdict):
                raise ValueError("a soak's verdict that is none")
        for row in connection.execute(sa.select(finding).where(finding.c.soak_id.in_(soaks))).all():
            Kind(row.kind), json.loads(row.channels), json.loads(row.evidence)
        fetch_job(connection, job_id, deleted=True)
        fetch_calibrations(connection)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise _damaged(source, f"{error}") from error


def _damaged(source: Path, what: str) -> RequestError:
    return RequestError(f"{source} is damaged or no job's zip ({what}): export it anew; nothing was taken in")


def _head(source: Path, archive: zipfile.ZipFile) -> dict[str, Any]:
    """Read and check `job.json`."""
    if sum(one.file_size for one in archive.infolist()) > MOST_BYTES:
        raise _damaged(source, "it unpacks to more than a job can be")
    try:
        if archive.getinfo("job.json").file_size > MOST_JSON_BYTES:
            raise _damaged(source, "job.json is too large")
        head = json.loads(archive.read("job.json"))
    except (KeyError, ValueError, RecursionError) as error:
        raise _damaged(source, "job.json is missing or no JSON") from error
    if not isinstance(head, dict) or head.get("schema") != SCHEMA or not isinstance(head.get("files"), dict):
        raise _damaged(source, f"its schema is not {SCHEMA}")
    revision = head.get("revision")
    if not isinstance(revision, str):
        raise _damaged(source, "it does not say of which schema its rows are")
    if revision > schema.REVISION:
        raise StoreTooNew(
            f"{source} was written by a soakbench with the later schema {revision[:20]}: use that one, or "
            "a newer one, here too"
        )
    tables = head.get("tables")
    known = {table.name: table for table in _ORDER}
    if not isinstance(tables, dict) or set(tables) != set(known):
        raise _damaged(source, "tables are missing or unknown")
    for name, rows in tables.items():
        columns, keys = set(known[name].c.keys()), set(known[name].primary_key.columns.keys())
        plain = isinstance(rows, list) and all(
            isinstance(row, dict) and keys <= set(row) <= columns for row in rows
        )
        if not plain:
            raise _damaged(source, f"rows of {name} that can be none")
    if len(tables["job"]) != 1 or len(tables["amp"]) != 1:
        raise _damaged(source, "it holds one job of one amp")
    for soak in tables["soak"]:
        try:
            setups.parse(str(soak.get("setup_text")), path=f"set-up of a soak in {source}")
        except SetupError as error:
            raise _damaged(source, str(error).splitlines()[0]) from error
    return head


def _member(source: Path, archive: zipfile.ZipFile, head: Mapping[str, Any], name: str) -> bytes:
    try:
        data = archive.read(name)
    except KeyError as error:
        raise _damaged(source, f"{name} is missing") from error
    if hashlib.sha256(data).hexdigest() != head["files"].get(name):
        raise _damaged(source, f"{name} is not what it was")
    return data


def _pictures(source: Path, archive: zipfile.ZipFile, head: Mapping[str, Any]) -> list[photographs.Looked]:
    found = []
    for row in head["tables"]["photograph"]:
        data = _member(source, archive, head, _photograph_name(row))
        if hashlib.sha256(data).hexdigest() != row["checksum"]:
            raise _damaged(source, f"a photograph, {row.get('name')}")
        found.append(photographs.Looked(row["checksum"], row["kind"], 0, 0, "", data))
    return found


def _scans(
    source: Path,
    archive: zipfile.ZipFile,
    head: Mapping[str, Any],
    connection: sa.Connection,
    soak: Mapping[str, Any],
    soak_id: int,
) -> None:
    """Insert a soak's scans, checked to be ones, and make its roll-ups."""
    name = f"scans/{soak['uuid']}.jsonl"
    channels = sum(one["soak_id"] == soak["id"] for one in head["tables"]["channel"])
    rows = []
    try:
        for line in io.BytesIO(_member(source, archive, head, name)):
            t0_s, sequence, n, sequences, data = json.loads(line)
            own = None if sequences is None else base64.b64decode(sequences, validate=True)
            rows.append(
                packing.Row(int(t0_s), int(sequence), int(n), own, base64.b64decode(data, validate=True))
            )
        scans = len(packing.unpack(rows, channels))
    except (ValueError, TypeError, IndexError, binascii.Error) as error:
        raise _damaged(source, f"{name}: {error}") from error
    if scans != soak["scans"]:
        raise _damaged(source, f"{name} has {scans} scans and should have {soak['scans']}")
    if rows:
        values = [{"soak_id": soak_id, **row._asdict()} for row in rows]
        connection.execute(sa.insert(schema.scan), values)
        rebuild_rollups(connection, soak_id)


class _Taking:
    """Inserts rows under numbers of this store; `ids`: by table, the zip's number to this store's."""

    def __init__(
        self, connection: sa.Connection, store: Path, tables: _Rows, say: Callable[[str], None]
    ) -> None:
        self.ids: dict[str, dict[int, int]] = {table.name: {} for table in _ORDER}
        self._connection, self._store, self._tables, self._say = connection, store, tables, say
        self._here: set[tuple[str, int]] = set()  # rows, by the zip's number, that were here already

    def rows(self) -> int:
        """Insert all rows but the scans; return the job's number."""
        for table in _ORDER:
            for row in self._tables[table.name]:
                self._row(table, dict(row))
        (job,) = self._tables["job"]
        return self.ids["job"][job["id"]]

    def _row(self, table: sa.Table, row: dict[str, Any]) -> None:
        number = row.pop("id", None) if "id" in table.c and table.name != "finding" else None
        for key, of in _REFERS.items():
            if row.get(key) is not None:
                row[key] = self.ids[of][row[key]]
        if table is schema.soak:
            row.pop("thinned", None)  # a zip has all scans
        if table is schema.history:
            if (row["table_name"], row["row_id"]) in self._here:
                return
            known = self.ids.get(row["table_name"], {})
            if row["row_id"] not in known:
                return  # of a row that did not come along, as another job's fitting
            row["row_id"] = known[row["row_id"]]
            row["was"], row["became"] = (self._moved(row["field"], row[key]) for key in ("was", "became"))
        here = self._known(table, row)
        if here is not None and number is not None:
            self.ids[table.name][number] = here
            self._here.add((table.name, number))
            return
        inserted = sa.insert(table).values(row)
        if number is None:
            self._connection.execute(inserted)
        else:
            found = self._connection.execute(inserted.returning(table.c.id)).scalar_one()
            self.ids[table.name][number] = int(found)

    def _moved(self, field: str, text: str) -> str:
        """Return what history says of a column that names another row, in this store's numbers."""
        if field not in _REFERS:
            return text
        value = json.loads(text)
        return json.dumps(self.ids[_REFERS[field]].get(value)) if isinstance(value, int) else text

    def _known(self, table: sa.Table, row: dict[str, Any]) -> int | None:
        """Return the number of the row that is here already, None where it is new; refuse a job or soak."""
        c = table.c
        if table in (schema.job, schema.soak):
            found = self._find(table, c.uuid == row["uuid"])
            if found is not None:
                what = "job" if table is schema.job else "soak"
                raise RequestError(f"this {what} is in {self._store} already, as {what} {found}")
            return None
        if table is schema.amp:
            same = sa.and_(c.name == row["name"], c.serial == row["serial"], c.serial != "")
            found = self._find(table, c.uuid == row["uuid"])
            found = self._find(table, same, c.deleted_us.is_(None)) if found is None else found
            if found is not None:
                self._say(f"the amp {row['name']} is here already, as number {found}, and stays as it is")
            return found
        if table is schema.valve:
            found = self._find(table, c.uuid == row["uuid"])
            if found is not None:
                return found
            label, count = row["label"], 1
            while row["deleted_us"] is None and self._find(
                table, c.label == row["label"], c.deleted_us.is_(None)
            ):
                count += 1
                row["label"] = f"{label} ({count})"
            if count > 1:
                self._say(f"another valve is called {label} here: the one taken in is called {row['label']}")
            return None
        if table is schema.calibration:
            same = sa.and_(c.board_id == row["board_id"], c.made_us == row["made_us"])
            return self._find(table, same, c.channels == row["channels"])
        if table is schema.fitting:
            same = sa.and_(c.amp_id == row["amp_id"], c.valve_id == row["valve_id"])
            return self._find(table, same, c.socket == row["socket"], c.fitted_us == row["fitted_us"])
        return None

    def _find(self, table: sa.Table, *where: sa.ColumnElement[bool]) -> int | None:
        found = self._connection.execute(sa.select(table.c.id).where(*where).limit(1)).scalar()
        return None if found is None else int(found)
