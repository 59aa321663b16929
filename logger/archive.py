"""Ended soaks as Parquet files that outlive the store: one a soak, by bench and month, each with a manifest.

`docs/files.md` has the layout. A file holds every scan as the store does, raw counts, and in its metadata all
that a soak is judged by, so that it can be judged again from it alone. What is there is never overwritten.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Final, Literal
from urllib.parse import quote

import filelock
import numpy as np

from logger.blocks import NO_READING, Int32Array, Int64Array, Mark, ScanBlock
from logger.calibrate import in_force
from logger.convert import Calibration
from logger.errors import FileExistsAlready, RequestError
from logger.store import packing
from logger.store import rollup as rollups
from logger.store.portion import SOAK, Got, Part, fetch_part, part_from, to_json
from logger.store.reader import Reader, Soak, calibration_of, fetch_stored_rollup, soak_of
from logger.store.schema import LEVELS_S
from logger.store.sqlite import drop_lock
from logger.verdict import program_version

SCHEMA: Final = "soakbench.archive/1"
ROWS: Final = 100_000
"""Scans of a row group: 6 MB of 16 channels."""

_LONGEST: Final = 180
_NAMELESS: Final = "__HIVE_DEFAULT_PARTITION__"
"""What engines take for a folder whose value does not exist."""
_NEVER: Final = 2**62
_TAKEN: Final = ("soak", "started", "t_us", "sequence", "bench", "month", "filename")
"""What no channel's column may be called: ours, those of the folders, and what engines add."""
_BEFORE: Final = 4
"""Columns before the channels'."""

Progress = Callable[[float], None]


def _unheard(_what: object) -> None:
    """Take no notice."""


def arrow() -> Any:
    """Return the library that reads and writes Parquet. RequestError where it is not installed."""
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise RequestError(
            "Parquet needs the library pyarrow: pip install 'soakbench[parquet]', or export a .csv"
        ) from error
    return pyarrow


# ---- names


def in_path(text: str) -> str:
    """Return a text as part of a file's name: percent-encoded UTF-8, all but letters, digits, "-" and "_".

    One that would be longer than a file's name may be is cut, and ends in a digest of the whole.
    """
    name = quote(text, safe="", errors="replace").replace(".", "%2E").replace("~", "%7E")
    if len(name) <= _LONGEST:
        return name
    digest = hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:16]
    kept = text[:_LONGEST]
    while len(name) > _LONGEST - 20:
        kept = kept[:-1]
        name = quote(kept, safe="", errors="replace").replace(".", "%2E").replace("~", "%7E")
    return f"{name}-{digest}"


def place(soak: Soak) -> str:
    """Return where a soak's files stand under `scans` and `soaks`, without their endings."""
    bench = in_path(soak.bench) or _NAMELESS
    return f"bench={bench}/month={soak.started:%Y-%m}/{in_path(soak.uuid)}"


def _columns(names: Sequence[str]) -> list[str]:
    """Return what the channels' columns are called."""
    return [f"channel {name}" if name.lower() in _TAKEN else name for name in names]


def _schema(names: Sequence[str]) -> Any:
    """Return the columns of a soak with these channels."""
    pa = arrow()
    return pa.schema(
        [
            pa.field("soak", pa.string(), nullable=False),
            pa.field("started", pa.timestamp("us", tz="UTC"), nullable=False),
            pa.field("t_us", pa.int64(), nullable=False),
            pa.field("sequence", pa.int64(), nullable=False),
            *(pa.field(name, pa.int32()) for name in _columns(names)),
        ]
    )


# ---- what a file holds


@dataclass
class _Figures:
    """What is told of a column: how many values, least, greatest, sum, and a digest of all in order."""

    kind: str
    n: int = 0
    least: int | None = None
    greatest: int | None = None
    total: int = 0
    digest: Any = field(default_factory=hashlib.sha256)

    def add(self, values: Int64Array | Int32Array) -> None:
        """Take in values; NO_READING of counts is none, and counts in the digest only."""
        self.digest.update(np.ascontiguousarray(values, dtype=self.kind).tobytes())
        seen = values[values != NO_READING] if self.kind == "<i4" else values
        if len(seen):
            low, high = int(seen.min()), int(seen.max())
            self.n += len(seen)
            self.least = low if self.least is None else min(self.least, low)
            self.greatest = high if self.greatest is None else max(self.greatest, high)
            self.total += int(seen.sum(dtype=np.int64))

    def document(self) -> dict[str, Any]:
        return {
            "n": self.n,
            "min": self.least,
            "max": self.greatest,
            "sum": self.total,
            "sha256": self.digest.hexdigest(),
        }


class _Sums:
    """The figures of all columns of a soak's scans."""

    def __init__(self, channels: int) -> None:
        self.rows = 0
        self._of = [_Figures("<i8"), _Figures("<i8"), *(_Figures("<i4") for _ in range(channels))]

    def add(self, block: ScanBlock) -> None:
        self.rows += len(block)
        for figures, values in zip(self._of, (block.t_us, block.sequence, *block.counts.T), strict=True):
            figures.add(values)

    def documents(self) -> list[dict[str, Any]]:
        return [figures.document() for figures in self._of]


@dataclass(frozen=True)
class ArchivedSoak:
    """A soak as its Parquet file has it. `manifest` is what stands of the file beside it, if anything."""

    path: Path
    head: dict[str, Any]
    part: Part

    @classmethod
    def open(cls, path: Path) -> ArchivedSoak:
        """Read what a file says of its soak. RequestError where it is no file of an archive, or damaged."""
        pa = arrow()
        try:
            schema = pa.parquet.read_schema(path)
            head = json.loads((schema.metadata or {}).get(b"soakbench", "{}"))
            if head.get("schema") != SCHEMA:
                raise RequestError(
                    f"{path} is no file of an archive: its metadata have no {SCHEMA} under soakbench"
                )
            part = part_from({**head, "scans": [], "rollups": [], "marks_from": 0, "more": False})
            if not schema.equals(_schema([one["name"] for one in part.channels])):
                raise RequestError(f"{path} is damaged: its columns are not those of its channels")
            return cls(path, head, part)
        except (pa.ArrowException, OSError, ValueError, AttributeError) as error:
            raise RequestError(f"{path} can't be read as a soak of an archive: {_said(error)}") from error

    @property
    def soak(self) -> Soak:
        """The soak, under the number that it had in the store which it was archived from."""
        row = {**self.part.soak, "uuid": self.head["uuid"], "job_id": None, "thinned": None}
        calibration = {"calibration_id": self.head["calibration_id"]}
        return soak_of(SimpleNamespace(id=self.head["soak_id"], **row, **calibration))

    @property
    def calibration(self) -> Calibration | None:
        """What it was measured by, joined to what its set-up states."""
        soak = self.soak
        row = self.part.calibration
        stored = (
            None if row is None else calibration_of(SimpleNamespace(id=self.head["calibration_id"], **row))
        )
        return in_force(soak.setup, soak.daq, stored)[0]

    def scan_blocks(self) -> Iterator[ScanBlock]:
        """Yield all scans, a row group at a time. RequestError where they can't be read."""
        pa = arrow()
        channels = len(self.part.channels)
        try:
            with pa.parquet.ParquetFile(self.path) as file:
                for group in range(file.num_row_groups):
                    table = file.read_row_group(group).combine_chunks()
                    counts = np.empty((table.num_rows, channels), dtype=np.int32)
                    for k in range(channels):
                        column = table.column(_BEFORE + k).fill_null(NO_READING)
                        counts[:, k] = column.to_numpy()
                    t_us, sequence = (table.column(name).to_numpy() for name in ("t_us", "sequence"))
                    yield ScanBlock(t_us, sequence, counts)
        except (pa.ArrowException, OSError, ValueError) as error:
            raise RequestError(f"{self.path} is damaged: {_said(error)}") from error

    def replay(self) -> Iterator[tuple[ScanBlock, list[Mark]]]:
        """Yield all scans, with each block the marks up to its last scan not yet given."""
        left = sorted((Mark(t_us, text) for t_us, text in self.part.marks), key=lambda mark: mark.t_us)
        for block in self.scan_blocks():
            due = [mark for mark in left if mark.t_us <= block.t_us[-1]]
            left = left[len(due) :]
            yield block, due
        if left:
            yield packing.empty(len(self.part.channels)), left


def _head(reader: Reader, soak: Soak) -> dict[str, Any]:
    """Return all that is kept of a soak beside its scans, as it goes into the file's metadata."""
    all_got = Got(_NEVER, tuple((level_s, _NEVER) for level_s in LEVELS_S))
    part = to_json(reader.look(lambda c: fetch_part(c, soak.uuid, all_got)))
    for name in ("scans", "rollups", "marks_from", "more", "thinned"):
        del part[name]
    part["channels"].sort(key=lambda row: row["channel"])
    part["findings"].sort(key=lambda row: row["id"])
    head = {
        "schema": SCHEMA,
        "program": f"soakbench {program_version()}",
        "uuid": soak.uuid,
        "soak_id": soak.id,
        "calibration_id": soak.calibration_id,
        **part,
    }
    return dict(json.loads(json.dumps(head, allow_nan=False)))  # as it will be read back


def _said(error: BaseException) -> str:
    return " ".join(str(error).split()) or type(error).__name__


# ---- out


@dataclass(frozen=True)
class Archived:
    """What became of a soak, with a few words; `file`, below the archive's folder, is or would be its."""

    soak_id: int
    became: Literal["archived", "there already", "left out", "failed"]
    file: str
    says: str = ""


def archive(
    reader: Reader, soaks: Iterable[Soak], out: Path, progress: Progress = _unheard
) -> Iterator[Archived]:
    """Archive soaks into the folder `out`, made where there is none; yield what became of each.

    One that is there already is left alone, one that has not ended is left out, and where one can't be
    archived the others go on. RequestError where the folder can't be written, or another program archives
    into it.
    """
    arrow()
    with _writing(out):
        for soak in soaks:
            try:
                yield _archive(reader, soak, out, progress)
            except RequestError as error:
                yield Archived(soak.id, "failed", f"scans/{place(soak)}.parquet", str(error))


@contextmanager
def _writing(out: Path) -> Iterator[None]:
    """Hold a folder for writing into it, alone."""
    lock = filelock.FileLock(out / "archive.lock", timeout=0, thread_local=False)
    try:
        out.mkdir(parents=True, exist_ok=True)
        lock.acquire()
    except filelock.Timeout as error:
        raise RequestError(f"another soakbench archives into {out} just now: let it end") from error
    except OSError as error:
        raise RequestError(f"{out} can't be written to ({error.strerror or error})") from error
    try:
        yield
    except OSError as error:
        raise RequestError(
            f"{out} can't be written to ({error.strerror or error}): what is archived stays, try again"
        ) from error
    finally:
        drop_lock(lock)


def manifest_of(soak: Soak, out: Path) -> Path:
    """Return where a soak's manifest stands in an archive, if it is there.

    A soak that was collected is the same soak, whatever its bench is called there.
    """
    own = out / "soaks" / f"{place(soak)}.json"
    return own if own.exists() else next(out.glob(f"soaks/*/*/{own.name}"), own)


def file_of(soak: Soak, out: Path) -> str:
    """Return where a soak's scans are in an archive, or would be, below its folder."""
    where = manifest_of(soak, out).relative_to(out / "soaks").with_suffix(".parquet")
    return f"scans/{where.as_posix()}"


def _archive(reader: Reader, soak: Soak, out: Path, progress: Progress) -> Archived:
    file, manifest = file_of(soak, out), manifest_of(soak, out)
    if manifest.exists():
        return Archived(soak.id, "there already", file)
    if soak.ended is None:
        return Archived(soak.id, "left out", file, "it has not ended")
    if soak.thinned is not None:
        return Archived(soak.id, "left out", file, f"it was {soak.thinned}")
    path = out / file
    for each in (path, manifest):
        each.parent.mkdir(parents=True, exist_ok=True)
    half = path.with_name(f".{path.name}.part")
    head = _head(reader, soak)
    try:
        columns = _write(reader, soak, head, half, progress)
        if not path.exists():
            _keep(half, path, out)
        elif not _holds(path, head, columns):
            # not what a run left that was cut off before the manifest: put there by somebody
            raise FileExistsAlready(path)
    finally:
        half.unlink(missing_ok=True)
    document = {
        "schema": SCHEMA,
        "program": head["program"],
        "uuid": soak.uuid,
        "bench": soak.bench,
        "amp": soak.amp,
        "started": soak.started.isoformat(),
        "ended": soak.ended.isoformat(),
        "file": file,
        "bytes": path.stat().st_size,
        "sha256": _digest(path),
        "rows": soak.scans,
        "columns": columns,
    }
    half = manifest.with_name(f".{manifest.name}.part")
    half.write_text(json.dumps(document, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    _keep(half, manifest, out)
    return Archived(soak.id, "archived", file, f"{soak.scans:,} scans in {document['bytes']:,} bytes")


def _write(reader: Reader, soak: Soak, head: dict[str, Any], out: Path, progress: Progress) -> list[Any]:
    """Write a soak's scans to `out`; return the figures of each column."""
    pa = arrow()
    channels = head["channels"]
    schema = _schema([one["name"] for one in channels]).with_metadata(
        {"soakbench": json.dumps(head, ensure_ascii=False, allow_nan=False)}
    )
    started = np.datetime64(soak.started.replace(tzinfo=None), "us")
    sums = _Sums(len(channels))
    writer = pa.parquet.ParquetWriter(
        out,
        schema,
        compression="zstd",
        use_dictionary=["soak", "started"],
        column_encoding=dict.fromkeys(schema.names[2:], "DELTA_BINARY_PACKED"),
    )
    with writer:
        for block in _gathered(reader.scan_blocks(soak.id), len(channels)):
            sums.add(block)
            counts = (
                pa.array(column, mask=column == NO_READING) for column in np.ascontiguousarray(block.counts.T)
            )
            columns = [
                pa.repeat(pa.scalar(soak.uuid), len(block)),
                pa.array(np.full(len(block), started), type=schema.types[1]),
                pa.array(block.t_us),
                pa.array(block.sequence),
                *counts,
            ]
            writer.write_table(pa.Table.from_arrays(columns, schema=schema), row_group_size=ROWS)
            progress(float(block.t_us[-1]) / 1e6)
    if sums.rows != soak.scans:
        raise RequestError(
            f"soak {soak.id} should have {soak.scans:,} scans, and {sums.rows:,} can be read: see soakbench "
            "verify"
        )
    return _told(head, sums)


def _gathered(blocks: Iterable[ScanBlock], channels: int) -> Iterator[ScanBlock]:
    """Yield scans by the row group."""
    held: list[ScanBlock] = []
    for block in blocks:
        held.append(block)
        while sum(map(len, held)) >= ROWS:
            whole = packing.joined(held, channels)
            yield whole.part(0, ROWS)
            held = [whole.part(ROWS)]
    rest = packing.joined(held, channels)
    if len(rest):
        yield rest


def _told(head: dict[str, Any], sums: _Sums) -> list[dict[str, Any]]:
    """Return what a manifest says of each column."""
    names = _columns([one["name"] for one in head["channels"]])
    known = [
        {"name": "t_us"},
        {"name": "sequence"},
        *(
            {"name": name, **{key: one[key] for key in ("measures", "unit", "factor", "offset")}}
            for name, one in zip(names, head["channels"], strict=True)
        ),
    ]
    return [{**one, **figures} for one, figures in zip(known, sums.documents(), strict=True)]


def _holds(path: Path, head: dict[str, Any], columns: list[Any]) -> bool:
    """Whether a file holds a soak already."""
    try:
        found = ArchivedSoak.open(path)
        sums = _Sums(len(found.part.channels))
        for block in found.scan_blocks():
            sums.add(block)
    except RequestError:
        return False
    return not _heads_differ(path, found.head, head) and _told(found.head, sums) == columns


def _keep(half: Path, path: Path, out: Path) -> None:
    """Give a file that is written its name, once it is surely on the disk; `path` must not exist.

    Its folders up to the archive's own are then on the disk too.
    """
    with half.open("rb+") as file:
        os.fsync(file.fileno())
    half.rename(path)
    if os.name == "posix":
        for folder in path.parents[: len(path.relative_to(out).parts)]:
            handle = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


# ---- in


@dataclass
class Checked:
    """What was looked at in an archive, and what is wrong, in sentences; `remarks` are not wrong."""

    wrong: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    soaks: int = 0
    scans: int = 0
    compared: int = 0

    @property
    def whole(self) -> bool:
        """Whether nothing is wrong."""
        return not self.wrong


def verify(out: Path, reader: Reader | None, progress: Progress = _unheard) -> Checked:
    """Read every file of an archive back, against its manifest and, where it has the soak, the store.

    RequestError where there is no such archive.
    """
    arrow()
    if not (out / "soaks").is_dir():
        raise RequestError(f"{out} is no archive: soakbench archive --out makes one")
    stored = {} if reader is None else {soak.uuid: soak for soak in reader.soaks()}
    found = Checked()
    named = set()
    for manifest in sorted((out / "soaks").rglob("*.json")):
        found.soaks += 1
        try:
            document = read_manifest(manifest)
            named.add(document["file"])
            soak = stored.get(document["uuid"])
            if reader is not None and soak is not None:
                found.wrong += check(out, document, reader, soak, progress)
                found.compared += 1
            else:
                found.wrong += check(out, document, progress=progress)
            found.scans += document["rows"]
        except RequestError as error:
            found.wrong.append(str(error))
    for path in sorted((out / "scans").rglob("*")):
        if path.is_file() and path.relative_to(out).as_posix() not in named:
            found.remarks.append(
                f"{path} belongs to no manifest: an archiving that was cut off, or somebody else's"
            )
    return found


def read_manifest(path: Path) -> dict[str, Any]:
    """Read a manifest. RequestError where it is none."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        known = (
            document["schema"] == SCHEMA
            and re.fullmatch(r"scans/bench=[^/]+/month=[^/]+/[^/]+\.parquet", document["file"])
            and isinstance(document["uuid"], str)
            and isinstance(document["sha256"], str)
            and isinstance(document["rows"], int)
            and isinstance(document["columns"], list)
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RequestError(f"{path} can't be read as a manifest: {_said(error)}") from error
    if not known:
        raise RequestError(f"{path} is no manifest of {SCHEMA}")
    return dict(document)


def check(
    out: Path,
    manifest: dict[str, Any],
    reader: Reader | None = None,
    soak: Soak | None = None,
    progress: Progress = _unheard,
) -> list[str]:
    """Read a soak's file back; return what is wrong with it, in sentences.

    Its bytes and each column's values are held against the manifest, and every scan, roll-up, finding and
    mark, the set-up, verdict and calibration against the store's, where that is given with its soak. Of a
    thinned one that is every scan that the store has left.
    """
    path = out / manifest["file"]
    against = None if reader is None or soak is None else _Stored(reader, soak, path)
    try:
        if _digest(path) != manifest["sha256"]:
            return [f"{path} is not what was written: its SHA-256 is another than the manifest's"]
        found = ArchivedSoak.open(path)
        sums = _Sums(len(found.part.channels))
        for block in found.scan_blocks():
            sums.add(block)
            if against is not None:
                against.add(block)
            progress(float(block.t_us[-1]) / 1e6)
        wrong: list[str] = []
        if (sums.rows, _told(found.head, sums)) != (manifest["rows"], manifest["columns"]):
            wrong.append(f"{path}: the values that are read back are not those of the manifest")
        if against is not None:
            wrong += against.wrong(found.head)
        return wrong
    except FileNotFoundError:
        return [f"{path} is missing"]
    except (RequestError, OSError, ValueError) as error:
        return [f"{error}"]


class _Stored:
    """What a store says of a soak, beside the archive's scans as they are read."""

    def __init__(self, reader: Reader, soak: Soak, path: Path) -> None:
        self._reader, self._soak, self._path = reader, soak, path
        self._at_us = 0
        self._wrong: list[str] = []
        channels = len(soak.daq.full_count)
        self._rolled = {level_s: rollups.empty(level_s, channels) for level_s in LEVELS_S}

    def add(self, block: ScanBlock) -> None:
        until_us = int(block.t_us[-1]) + 1
        if not self._wrong:
            stored = self._reader.scans(self._soak.id, self._at_us, until_us)
            ours = block
            if self._soak.thinned is not None:
                chosen = np.isin(block.t_us, stored.t_us)
                ours = ScanBlock(block.t_us[chosen], block.sequence[chosen], block.counts[chosen])
            if not _same(ours, stored):
                self._wrong.append(
                    f"{self._path}: scans before {until_us / 1e6:.1f} s are not those of the store"
                )
        self._at_us = until_us
        for level_s, before in self._rolled.items():
            self._rolled[level_s] = rollups.joined(before, rollups.of_scans(block, level_s))

    def wrong(self, head: dict[str, Any]) -> list[str]:
        """Return what differs, once all scans were added."""
        wrong = self._wrong
        if not wrong and len(self._reader.scans(self._soak.id, self._at_us)):
            wrong.append(
                f"{self._path}: the store has scans after {self._at_us / 1e6:.1f} s, which it has not"
            )
        for level_s, made in self._rolled.items():
            stored = self._reader.look(
                lambda c, level_s=level_s: fetch_stored_rollup(c, self._soak.id, level_s)  # type: ignore[misc]
            )
            if not rollups.same(made.with_readings, stored):
                wrong.append(f"{self._path}: the store's roll-ups of {level_s} s are not those of its scans")
        return wrong + _heads_differ(self._path, head, _head(self._reader, self._soak))


def _same(one: ScanBlock, other: ScanBlock) -> bool:
    return (
        np.array_equal(one.t_us, other.t_us)
        and np.array_equal(one.sequence, other.sequence)
        and np.array_equal(one.counts, other.counts)
    )


def _heads_differ(path: Path, archived: dict[str, Any], stored: dict[str, Any]) -> list[str]:
    """Compare what stands in a file beside the scans with the store's.

    A soak may join a job later, and where soaks are collected its bench has the collector's name for it.
    """
    differ = [
        key
        for key in ("uuid", "calibration", "channels", "findings", "marks")
        if archived.get(key) != stored[key]
    ]
    differ += [
        f"soak's {name}"
        for name in SOAK
        if name != "bench" and archived["soak"].get(name) != stored["soak"][name]
    ]
    return [f"{path}: the {name} is not what the store has" for name in differ]
