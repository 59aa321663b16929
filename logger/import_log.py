"""A log file becomes a soak of the store: judged as `judge` judges it, and the same when judged again.

Readings become counts of the store. Where the set-up states the converter's steps and the readings lie on
them, as in a log that soakbench exported, they become the very counts that they were. Else a count is a tenth
of the last digit that the log shows, so that nothing is lost; what the converter itself told apart is kept
beside (`DaqInfo.step_V`), and figures are as uncertain as `judge` says.

A log by hand, a reading every few minutes, is taken as one with so many scans a second, its converter's
step the last digit. What happened between two readings was not seen.
"""

from __future__ import annotations

import csv
import gzip
import hashlib
import math
import uuid
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import numpy as np

from logger import logfile, units
from logger import setup as setups
from logger.blocks import NO_READING, DaqInfo, FloatArray, Mark, ReadingBlock, ScanBlock
from logger.clock import Clock
from logger.convert import Converter, daq_from_setup
from logger.errors import LogFileError, RequestError
from logger.pipeline import Pipeline
from logger.setup import LIVE_SCANS_PER_S, Setup
from logger.store.reader import Reader
from logger.store.writer import Writer

Progress = Callable[[float], None]
Say = Callable[[str], None]

MOST_DIGITS: Final = 7
_FINER: Final = 10.0
"""A count is the last digit divided by this."""
_SUBDIVIDED: Final = 1024
"""Counts a step, where some readings lie on the converter's steps and some do not."""
_MOST_COUNT: Final = 2**31 - 2
_FULL_BY_HAND: Final = 20_000
"""Steps of a hand meter from 0 to its full scale, where nobody says; from memory."""
_NAMESPACE: Final = uuid.UUID("6ff2a9f0-2f0e-5c43-9c2c-0d1c53ba3f50")
_KNOWN_UNITS: Final = ("V", "mV", "A", "mA", "degC", "degF", "K")
_KNOWN_TIMES: Final = ("s", "ms", "min", "h")


# ---- a log of some other program


@dataclass(frozen=True)
class Naming:
    """Which columns of another program's csv are which.

    `time` the header of the time column, or of two joined by ` + ` (date and clock); `time_unit` of plain
    numbers; `time_format` as `strptime` takes it, where times are no ISO 8601. `columns`: the channel's
    name to the column's header and its unit.
    """

    time: str
    columns: Mapping[str, tuple[str, str]]
    time_unit: str = "s"
    time_format: str | None = None


def naming(time: str | None, columns: Sequence[str], time_format: str | None) -> Naming | None:
    """Read `--time HEADER[:UNIT]` and `--column NAME=HEADER[:UNIT]`; None where neither is given."""
    if time is None and not columns:
        return None
    if time is None:
        raise RequestError(
            "--column names a column of another program's csv: name its time column with --time"
        )
    head, _, unit = time.rpartition(":")
    stem, time_unit = (head, unit) if head and unit in _KNOWN_TIMES else (time, "s")
    found: dict[str, tuple[str, str]] = {}
    for text in columns:
        name, equals, rest = text.partition("=")
        head, _, unit = rest.rpartition(":")
        if not equals or not name.strip() or not head.strip() or unit.strip() not in _KNOWN_UNITS:
            raise RequestError(
                f'--column {text!r}: write NAME=HEADER:UNIT, as "pair1=Ch 1:mV", with one of '
                f"{', '.join(_KNOWN_UNITS)}"
            )
        found[name.strip()] = head.strip(), unit.strip()
    return Naming(stem.strip(), found, time_unit, time_format)


def rename(path: Path, out: Path, names: Naming) -> None:
    """Write another program's csv as a log of ours, one line for each, so that line numbers stay.

    What stands before the header becomes a comment. LogFileError where the header has not all columns.
    """
    try:
        opened = gzip.open if path.name.lower().endswith(".gz") else open
        with (
            opened(path, "rt", encoding="utf-8-sig", errors="replace", newline="") as source,
            out.open("w", encoding="utf-8", newline="\n") as target,
        ):
            _rename_lines(path, source, target, names)
    except (OSError, EOFError, zlib.error) as error:
        raise LogFileError(f"the log file {path} can't be read ({error}): check the name") from error


def _rename_lines(path: Path, source: Any, target: Any, names: Naming) -> None:
    wanted = [part.strip() for part in names.time.split(" + ")]
    wanted += [header for header, _ in names.columns.values()]
    mark, header = "", ""
    places: list[int] = []
    times = len(wanted) - len(names.columns)
    clock = _Clock(names.time_format)
    while text := source.readline(logfile.LONGEST_LINE + 1):
        line = text.rstrip("\r\n")
        if len(line) > logfile.LONGEST_LINE:
            raise LogFileError(f"the log file {path} is no text in lines: save it as CSV, UTF-8")
        if places:
            target.write(_renamed(line, mark, places, times, clock) + "\n")
            continue
        header = header or line
        mark = next((one for one in ";\t" if one in line), ",")
        try:
            cells = [cell.strip().casefold() for cell in next(csv.reader([line], delimiter=mark), [])]
        except csv.Error:  # none of its own, and none of the header's columns
            cells = []
        if all(one.casefold() in cells for one in wanted):
            places = [cells.index(one.casefold()) for one in wanted]
            time = "t_s" if names.time_unit == "s" else f"t [{names.time_unit}]"
            heads = [f"{name} [{unit}]" for name, (_, unit) in names.columns.items()]
            target.write(mark.join([time, *heads]) + "\n")
        else:
            target.write(f"# {line}\n")
    if not places:
        raise LogFileError(
            f"the log file {path} has no line with the columns {', '.join(wanted)}: it begins "
            f"{header[:80]!r}; name them as they stand there"
        )


class _Clock:
    """Turns times of a stated format into ISO 8601; one without a date goes on over midnight."""

    def __init__(self, form: str | None) -> None:
        self._form = form
        self._dated = form is None or any(mark in form for mark in ("%d", "%j", "%D", "%x", "%c"))
        self._days = timedelta()
        self._last: datetime | None = None

    def iso(self, text: str) -> str:
        """Return a time as ISO 8601, as it is where no format was stated; ValueError where it is none."""
        if self._form is None:
            return text
        when = datetime.strptime(text, self._form) + self._days
        if not self._dated and self._last is not None and self._last - when > timedelta(hours=12):
            self._days += timedelta(days=1)
            when += timedelta(days=1)
        self._last = when
        return when.isoformat()


def _renamed(line: str, mark: str, places: Sequence[int], times: int, clock: _Clock) -> str:
    """Return a line with the wanted cells only; one that can't be read as it came, to be counted as bad."""
    try:
        cells = next(csv.reader([line], delimiter=mark), [])
        time = clock.iso(" ".join(cells[place].strip() for place in places[:times]))
        return mark.join([time, *(cells[place].strip() for place in places[times:])])
    except (IndexError, OverflowError, ValueError, csv.Error):
        return line if line.strip() else ""


# ---- the way in


@dataclass(frozen=True)
class _Seen:
    """What one pass over a log shows: how fine its digits are, how large its values, how often it reads.

    By channel: `digit`, the last one in A, V or degC; `on_steps`, whether every value lies on the converter's
    steps; `range`, the least and the greatest value.
    """

    digit: list[float]
    on_steps: list[bool]
    range: list[tuple[float, float]]
    every_s: float
    scans: int
    started: datetime | None


def import_log(
    path: Path,
    setup_text: str,
    store: Path,
    clock: Clock,
    *,
    kind: str = "as left",
    started: datetime | None = None,
    job_id: int | None = None,
    names: Naming | None = None,
    setup_name: str = "set-up",
    progress: Progress = lambda _t_s: None,
    say: Say = lambda _text: None,
) -> int:
    """Bring a log file into a store as an ended soak; return its number.

    `started`: when it began; left out, what its times say, else the time now. `say` gets a sentence for what
    was recognised, and how coarse it is. RequestError where it is there already, LogFileError where it
    can't be read; the store is touched only once the whole log was read.
    """
    setup = setups.parse(setup_text, path=setup_name)
    with _ours(path, names) as log:
        digest = uuid.uuid5(_NAMESPACE, _digest(log, setup))
        _refuse_twice(store, str(digest))
        seen, notes = _look(log, setup, progress)
        for note in notes:
            say(note)
        text, daq, own_notes = _held(setup_text, setup, seen)
        for note in own_notes:
            say(note)
        own = setups.parse(text, path=setup_name)
        # a clock without a date says nothing of the day
        dated = seen.started if seen.started is not None and seen.started.year > 1970 else None
        began = started or dated or clock.wall()
        with Writer(store, clock) as writer:
            number = writer.begin_soak(
                setup=own,
                setup_text=text,
                daq=daq,
                started=began,
                kind=kind,
                job_id=job_id,
                uuid_of=str(digest),
            )
            taken = [Mark(0, f"soakbench: {note}") for note in (f"taken in from {path.name}", *own_notes)]
            _record(writer, log, own, daq, taken, began, progress)
    return number


@contextmanager
def _ours(path: Path, names: Naming | None) -> Iterator[Path]:
    """Give a log of ours: the file itself, or another program's with its columns renamed."""
    if names is None:
        yield path
        return
    with TemporaryDirectory(prefix="soakbench-import-") as folder:
        log = Path(folder) / "log.csv"
        rename(path, log, names)
        yield log


def _digest(log: Path, setup: Setup) -> str:
    try:
        with log.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest() + setup.digest
    except OSError as error:
        raise LogFileError(f"the log file {log} can't be read ({error.strerror}): check the name") from error


def _refuse_twice(store: Path, digest: str) -> None:
    if not store.exists():
        return
    for soak in Reader(store).soaks():
        if soak.uuid == digest:
            raise RequestError(
                f"this log is in {store} already, as soak {soak.id}: soakbench soaks show {soak.id}"
            )


def _look(log: Path, setup: Setup, progress: Progress) -> tuple[_Seen, list[str]]:
    """Read a log once, to its end, so that what is wrong with it is known before anything is stored."""
    reader = logfile.read(log, setup)
    columns = range(len(setup.channel))
    converter = Converter(setup, daq_from_setup(setup))
    digits, on_steps = [0 for _ in columns], [channel.step_V is not None for channel in setup.channel]
    extremes = [(0.0, 0.0) for _ in columns]
    last_us, scans = -1, 0
    steps: list[FloatArray] = []
    for block, _ in reader:
        scans += len(block)
        steps.append(np.diff(block.t_us, prepend=last_us if last_us >= 0 else block.t_us[0])[1:] / 1e6)
        last_us = int(block.t_us[-1])
        for i in columns:
            values = block.values[:, i]
            values = values[~np.isnan(values)]
            if not len(values):
                continue
            least, greatest = extremes[i]
            extremes[i] = min(least, float(values.min())), max(greatest, float(values.max()))
            written = reader.as_written(i, values)
            while digits[i] < MOST_DIGITS and not _whole(written * 10.0 ** digits[i]):
                digits[i] += 1
            if on_steps[i] and math.isfinite(converter.step(i)):
                on_steps[i] = _whole(converter.counts(i, values))
        progress(last_us / 1e6)
    every_s = float(np.median(np.concatenate(steps))) if scans > 1 else math.inf
    digit = [reader.written_unit(i, 10.0 ** -digits[i]) for i in columns]
    return _Seen(digit, on_steps, extremes, every_s, scans, reader.started), list(reader.notes)


def _whole(values: FloatArray) -> bool:
    """Whether all are whole numbers, but for the rounding of their arithmetic."""
    return bool(np.all(np.abs(values - np.rint(values)) <= 1e-6 + 1e-12 * np.abs(values)))


def _held(setup_text: str, setup: Setup, seen: _Seen) -> tuple[str, DaqInfo, list[str]]:
    """Return the set-up's text and the DAQ that holds the readings, and what there is to say of both."""
    by_hand = seen.every_s > 1.0 / LIVE_SCANS_PER_S
    text, notes = setup_text, coarseness(seen.every_s) if by_hand else []
    keys = [_missing(setup, i, seen.digit[i], by_hand) for i in range(len(setup.channel))]
    if by_hand or any(keys):
        rate = float(f"{max(1.0 / seen.every_s, 1.0 / 3600.0):.4g}") if by_hand else None
        text = logfile.with_keys(setup_text, keys, rate)
    own = setups.parse(text)
    meant = daq_from_setup(own)
    converter = Converter(own, meant)
    count_v, full_count, sizes = [], [], []
    for i, channel in enumerate(own.channel):
        step_v = meant.volts_per_count[i]
        per_v = converter.step(i) / step_v  # of a sensor with a curve the least
        if channel.step_V is None:
            held_v = seen.digit[i] / _FINER / per_v
        elif seen.on_steps[i] or "step_V" in keys[i]:
            held_v = step_v
        else:
            held_v = step_v / _SUBDIVIDED
        most_v = float(np.abs(converter.counts(i, np.array(seen.range[i]))).max()) * step_v
        most_v = most_v if math.isfinite(most_v) else 0.0
        while most_v / held_v > _MOST_COUNT / 2:
            held_v *= _FINER
        count_v.append(held_v)
        full = round(meant.full_count[i] * step_v / held_v)
        full_count.append(min(_MOST_COUNT, max(full, math.ceil(most_v / held_v) + 1)))
        sizes.append(f"{channel.name} {_size(per_v * held_v, channel.unit)}")
    exact = tuple(count_v) == meant.volts_per_count
    daq = replace(
        meant,
        board_id=own.link.board or "none",
        volts_per_count=tuple(count_v),
        full_count=tuple(full_count),
        step_V=() if exact else meant.volts_per_count,
    )
    kept = "the converter's own steps" if exact and not by_hand else ", ".join(sizes)
    return text, daq, [*notes, f"readings are kept to {kept}"]


def _size(value: float, unit: str) -> str:
    size, name = units.shown(value, unit)
    return f"{size:.2g} {name}"


def _missing(setup: Setup, column: int, digit: float, by_hand: bool) -> dict[str, Any]:
    """Return the keys that a channel needs beside those of the set-up, for its readings to be held.

    By hand the meter's last digit is the converter's step.
    """
    channel, daq = setup.channel[column], daq_from_setup(setup)
    if channel.unit == "degC" and channel.sensor is None and channel.value_per_V is None:
        return {"sensor": "linear", "value_per_V": 1.0}  # nothing was said of it: the degrees as they came
    converter = Converter(setup, daq)
    if not by_hand or channel.step_V is not None or not converter.is_straight(column):
        return {}
    step_v = float(f"{digit / converter.step(column) * daq.volts_per_count[column]:.9g}")
    full_v = max(channel.full_scale_V or 0.0, step_v * _FULL_BY_HAND)
    return {"step_V": step_v, "full_scale_V": full_v}


def coarseness(every_s: float) -> list[str]:
    """Say what a reading every so many seconds can show, and what it can't."""
    every = units.duration(every_s)
    says = [
        f"a log by hand, one reading every {every}: settled current, difference from the others and "
        "dissipation are judged from these readings alone",
        f"what came and went within {units.duration(2 * every_s)} was not seen: a drop-out, a crackle",
    ]
    if every_s > 400.0:
        says.append("too coarse for a drift rate, which wants a reading every 5 minutes or so")
    return says


def _record(
    writer: Writer,
    log: Path,
    setup: Setup,
    daq: DaqInfo,
    taken: list[Mark],
    began: datetime,
    progress: Progress,
) -> None:
    """Store a log's readings as scans, watch them as the daemon does, and end the soak with the verdict."""
    converter = Converter(setup, daq)
    pipeline = Pipeline(setup, daq)
    reader = logfile.read(log, setup)
    first, end_us = 0, 0
    own = taken
    for block, marks in reader:
        scans = _counts(converter, daq, block, first)
        first += len(block)
        end_us = int(block.t_us[-1])
        writer.add_scans(scans)
        for mark in [*own, *marks]:
            writer.put_mark(mark)
        out = pipeline.feed(scans, [*own, *marks])
        own = []
        for finding in out.findings:
            writer.put_finding(finding)
        writer.commit()
        progress(end_us / 1e6)
    for finding in pipeline.finish().findings:
        writer.put_finding(finding)
    pipeline.skipped(reader.skipped, reader.first_skipped)
    ended = began + timedelta(microseconds=end_us)
    writer.end_soak(ended=ended, how="finished", verdict=pipeline.verdict())


def _counts(converter: Converter, daq: DaqInfo, block: ReadingBlock, first: int) -> ScanBlock:
    """Return readings as scans; a value that a sensor's curve can't have is no reading."""
    counts = np.full(block.values.shape, NO_READING, dtype=np.int64)
    for i in range(block.values.shape[1]):
        found = np.rint(converter.counts(i, block.values[:, i]))
        good = np.isfinite(found)
        counts[good, i] = found[good].astype(np.int64)
        counts[block.railed[:, i] > 0, i] = daq.full_count[i]
        counts[block.railed[:, i] < 0, i] = -daq.full_count[i]
    sequence = np.arange(first, first + len(block), dtype=np.int64)
    return ScanBlock(block.t_us, sequence, counts.astype(np.int32))
