"""A stored soak for others: a log file with the set-up that `judge` reads it by, JSON, or Parquet.

A log is what soakbench reads back. JSON and Parquet are for other programs: values in mA, V and degC,
nothing where there was no reading, with what each channel is uncertain by.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger import logfile
from logger.archive import arrow
from logger.blocks import FloatArray, Mark, ReadingBlock, ScanBlock
from logger.convert import Calibration, Converter, value_U
from logger.errors import FileExistsAlready, RequestError
from logger.store.reader import Reader, Soak
from logger.verdict import program_version

Progress = Callable[[float], None]

ENDINGS: Final = (".csv", ".csv.gz", ".json", ".parquet")
_ROWS: Final = 100_000
"""Rows of a Parquet row group."""
_RAILED: Final = {1: "over", -1: "under"}


def export(
    reader: Reader,
    which: int | str,
    out: Path,
    *,
    force: bool = False,
    progress: Progress = lambda _t_s: None,
    calibration: int | str = "in force",
    decimal_comma: bool = False,
) -> list[Path]:
    """Write all scans of a soak in the form that the name of `out` says; return the files written.

    `decimal_comma` is for a log. RequestError for a name of another form, FileExistsAlready where a file
    exists and `force` is not set.
    """
    name = out.name.lower()
    if not name.endswith(ENDINGS):
        raise RequestError(f"a soak is exported as {', '.join(ENDINGS)}, and {out.name} is none: name it so")
    if name.endswith((".json", ".parquet")):
        if decimal_comma:
            raise RequestError(f"{out.name} has no decimal comma: leave --decimal-comma out, or name a .csv")
        write = _json if name.endswith(".json") else _parquet
        with whole(out, force=force) as part:
            write(reader, reader.soak(which), part, progress, calibration)
        return [out]
    beside = export_log(
        reader,
        which,
        out,
        force=force,
        progress=progress,
        calibration=calibration,
        decimal_comma=decimal_comma,
    )
    return [out, beside]


def export_log(
    reader: Reader,
    which: int | str,
    out: Path,
    *,
    setup_path: Path | None = None,
    force: bool = False,
    progress: Progress = lambda _t_s: None,
    calibration: int | str = "in force",
    decimal_comma: bool = False,
) -> Path:
    """Write all scans of a soak to `out` (`.csv` or `.csv.gz`); return where its set-up went.

    The set-up goes to `setup_path`, else beside the log under its name with `.toml`. `progress` is told how
    far it is, in seconds of the soak. `calibration` as for `judge_soak`. FileExistsAlready where either
    exists and `force` is not set.
    """
    if not out.name.lower().endswith((".csv", ".csv.gz")):
        raise RequestError(f"a log is a .csv or a .csv.gz, and {out.name} is neither: name it so")
    soak = reader.soak(which)

    def scans() -> Iterator[ScanBlock]:
        for block in reader.scan_blocks(soak.id):
            yield block
            progress(float(block.t_us[-1]) / 1e6)

    return logfile.write(
        out,
        soak.setup,
        soak.setup_text,
        soak.daq,
        scans(),
        reader.marks(soak.id),
        calibration=reader.calibration_of(soak, calibration),
        setup_path=setup_path,
        force=force,
        decimal_comma=decimal_comma,
    )


@contextmanager
def whole(out: Path, *, force: bool) -> Iterator[Path]:
    """Give a name to write to; what was written there becomes `out` at the end, whole or not at all."""
    if out.is_dir():
        raise RequestError(f"{out} is a folder: name a file")
    if out.exists() and not force:
        raise FileExistsAlready(out)
    if not out.parent.is_dir():
        raise RequestError(f"there is no folder {out.parent} to write {out.name} into: make it first")
    part = out.with_name(f".{out.name}.part")
    try:
        yield part
        part.replace(out)
    except OSError as error:
        raise RequestError(
            f"{out} can't be written ({error.strerror or error}): name another place"
        ) from error
    finally:
        part.unlink(missing_ok=True)


# ---- what JSON and Parquet have in common


def _head(reader: Reader, soak: Soak, calibration: Calibration | None) -> dict[str, Any]:
    """Return what there is to know of a soak beside its scans."""
    return {
        "schema": "soakbench.readings/1",
        "program": f"soakbench {program_version()}",
        "soak": {
            "id": soak.id,
            "uuid": soak.uuid,
            "bench": soak.bench,
            "amp": soak.amp,
            "kind": soak.kind,
            "started": soak.started.isoformat(),
            "ended": None if soak.ended is None else soak.ended.isoformat(),
            "how": soak.how,
            "recorded_by": soak.program,
        },
        "board": soak.daq.board_id,
        "calibration": None if calibration is None else calibration.id,
        "setup": soak.setup_text,
        "channels": _channels(soak, calibration),
        "judge": soak.verdict,
        "marks": [{"t_s": mark.t_us / 1e6, "text": mark.text} for mark in reader.marks(soak.id)],
    }


def _channels(soak: Soak, calibration: Calibration | None) -> list[dict[str, Any]]:
    """Return each channel with its unit and U (95 %, without noise) at what it settled at, or its mean."""
    judged = {one["name"]: one for one in soak.verdict["channels"]} if soak.verdict is not None else {}
    converter = Converter(soak.setup, soak.daq, calibration)
    out = []
    for column, channel in enumerate(soak.setup.channel):
        scale, unit = _scale(channel.unit)
        found = judged.get(channel.name, {})
        at = found.get("settled_mA", found.get("mean"))
        U = k = None
        if at is not None:
            U, k = value_U(soak.setup, soak.daq, column, at / scale, 0.0, calibration)
        step = scale * converter.step(column)
        out.append(
            {
                "name": channel.name,
                "label": channel.label,
                "measures": channel.measures,
                "unit": unit,
                "step": step if math.isfinite(step) else None,
                "at": at,
                "expanded_uncertainty": None if U is None or not math.isfinite(U) else scale * U,
                "coverage_factor": None if k is None or not math.isfinite(k) else k,
            }
        )
    return out


def _scale(unit: str) -> tuple[float, str]:
    return (1000.0, "mA") if unit == "A" else (1.0, unit)


def _readings(
    reader: Reader, soak: Soak, calibration: Calibration | None, progress: Progress
) -> Iterator[tuple[ReadingBlock, FloatArray, list[Mark]]]:
    """Yield the scans in blocks: readings, values (n, c) in mA, V and degC, and the marks up to each."""
    converter = Converter(soak.setup, soak.daq, calibration)
    scales = np.array([_scale(channel.unit)[0] for channel in soak.setup.channel])
    for block, marks in reader.replay(soak.id):
        readings = converter.readings(block)
        yield readings, readings.values * scales, marks
        if len(block):
            progress(float(block.t_us[-1]) / 1e6)


# ---- JSON


def _json(reader: Reader, soak: Soak, out: Path, progress: Progress, which: int | str) -> None:
    """Write one document, a line a scan, so that a day of it needs no more memory than ten minutes."""
    calibration = reader.calibration_of(soak, which)
    head = _head(reader, soak, calibration)
    head["columns"] = ["t_s", *soak.setup.names]
    places = [6 if one["step"] is None else logfile.places(one["step"]) for one in head["channels"]]
    with out.open("w", encoding="utf-8", newline="\n") as file:
        text = json.dumps(head, indent=1, ensure_ascii=False, allow_nan=False)
        file.write(text.removesuffix("\n}") + ',\n "scans": [')
        between = "\n"
        for readings, values, _ in _readings(reader, soak, calibration, progress):
            lines = [
                _scan(t_us, cells, rails, places)
                for t_us, cells, rails in zip(
                    readings.t_us.tolist(), values.tolist(), readings.railed.tolist(), strict=True
                )
            ]
            if lines:
                file.write(between + ",\n".join(lines))
                between = ",\n"
        file.write("\n ]\n}\n")


def _scan(t_us: int, cells: list[float], rails: list[int], places: list[int]) -> str:
    shown = [
        f'"{_RAILED[rail]}"' if rail else "null" if cell != cell else f"{cell:.{digits}f}"
        for cell, rail, digits in zip(cells, rails, places, strict=True)
    ]
    return f"[{t_us // 1_000_000}.{t_us % 1_000_000:06d}, {', '.join(shown)}]"


# ---- Parquet


def _parquet(reader: Reader, soak: Soak, out: Path, progress: Progress, which: int | str) -> None:
    """Write a table with a column a channel; unit and uncertainty are in each column's metadata.

    The file's own metadata has all that JSON has beside the scans, under `soakbench`: what reads no metadata
    of columns finds units there too. `railed` names the channels that railed in a scan.
    """
    pa = arrow()
    calibration = reader.calibration_of(soak, which)
    head = _head(reader, soak, calibration)
    taken = {"t_s", "time", "railed", "mark"}
    fields = [
        pa.field("t_s", pa.float64(), nullable=False, metadata={"unit": "s"}),
        pa.field("time", pa.timestamp("us", tz="UTC"), nullable=False),
        *(
            pa.field(
                f"channel {one['name']}" if one["name"] in taken else one["name"],
                pa.float64(),
                metadata={key: str(value) for key, value in one.items() if value is not None},
            )
            for one in head["channels"]
        ),
        pa.field("railed", pa.string()),
        pa.field("mark", pa.string()),
    ]
    schema = pa.schema(fields, metadata={"soakbench": json.dumps(head, ensure_ascii=False, allow_nan=False)})
    names = soak.setup.names
    started = np.datetime64(soak.started.replace(tzinfo=None), "us")
    held: list[Any] = []
    rows = 0
    late: list[Mark] = []
    with pa.parquet.ParquetWriter(out, schema, compression="zstd") as writer:
        for readings, values, marks in _readings(reader, soak, calibration, progress):
            late += marks
            if not len(readings):
                continue
            said: list[str | None] = [None] * len(readings)
            at = np.searchsorted(readings.t_us, [mark.t_us for mark in late])
            for row, mark in zip(at.tolist(), late, strict=True):
                said[row] = mark.text if said[row] is None else f"{said[row]} / {mark.text}"
            late = []
            columns = [
                pa.array(readings.t_us / 1e6),
                pa.array(started + readings.t_us, type=pa.timestamp("us", tz="UTC")),
                *(pa.array(column, from_pandas=True) for column in values.T),
                pa.array(_rail_words(readings, names), type=pa.string()),
                pa.array(said, type=pa.string()),
            ]
            held.append(pa.RecordBatch.from_arrays(columns, schema=schema))
            rows += len(readings)
            if rows >= _ROWS:
                writer.write_table(pa.Table.from_batches(held, schema=schema))
                held, rows = [], 0
        if held:
            writer.write_table(pa.Table.from_batches(held, schema=schema))


def _rail_words(readings: ReadingBlock, names: list[str]) -> list[str | None]:
    words: list[str | None] = [None] * len(readings)
    for row in np.flatnonzero(readings.railed.any(axis=1)).tolist():
        rails = zip(names, readings.railed[row].tolist(), strict=True)
        words[row] = ", ".join(f"{name} {_RAILED[rail]}" for name, rail in rails if rail)
    return words
