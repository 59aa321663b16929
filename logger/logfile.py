"""Log files: `.csv` or `.csv.gz`, read in blocks and written.

A header `t_s` and one `<channel> [<unit>]` for each channel, then one line a scan. A column holds what a
screen would show; a pair in V or mV is the drop across its resistor. An empty cell is no reading, `over` and
`under` are railed. A last column `mark`, if there is one, carries what persons wrote at that time, one set
apart from the next by ` / `.

Reading is by whole blocks where every line is clean and line by line where one is not; both ways give the
same, for any size of block. Where the set-up states `step_V`, values that lie on the converter's steps are
put exactly there, so that a log that soakbench wrote gives back the very readings it was written from.
"""

from __future__ import annotations

import csv
import gzip
import io
import math
import re
import tomllib
import zlib
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger import toml_lines
from logger.blocks import DaqInfo, FloatArray, Int64Array, Mark, ReadingBlock, ScanBlock
from logger.convert import Calibration, Converter, daq_from_setup
from logger.errors import FileExistsAlready, LogFileError, RequestError
from logger.setup import Channel, Setup

BLOCK_BYTES: Final = 1 << 20
LONGEST_LINE: Final = 1 << 16
_FIRST_LINES: Final = 8
"""Of a block, looked at by themselves while none is believed yet: two do, where the log is well."""
MOST_BAD: Final = 0.01
JUMP_US: Final = 3_600_000_000  # a longer step ahead is believed when the next line agrees
MOST_JUMP_US: Final = 7 * 86_400_000_000  # and never beyond this: a log holds one soak

_COLUMN = re.compile(r"^(?P<name>.+?)\s*\[\s*(?P<unit>[^\[\]]+?)\s*\]$")
_UNITS: Final = {"A": ("V", "mV", "A", "mA"), "V": ("V", "mV"), "degC": ("degC", "degF", "K")}
_ALSO: Final = {"°C": "degC", "°F": "degF"}
_TIME_UNITS: Final = {"s": 1e6, "ms": 1e3, "min": 60e6, "h": 3600e6}
_TIME_NAMES: Final = {"t", "time", "timestamp", "elapsed", "date"}
_UNPRINTED: Final = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+")
_FORMULA: Final = ("=", "+", "-", "@", "'", "\t")


# ---- reading


def read(path: Path | str, setup: Setup, *, block_bytes: int = BLOCK_BYTES) -> LogReader:
    """Open a log file and check its header against the set-up.

    Raises LogFileError where the file can't be read as a log: missing, no header, a pair without a column, a
    column that the set-up doesn't know, a unit that doesn't fit.
    """
    return LogReader(Path(path), setup, block_bytes)


class LogReader:
    """One pass over a log file: an iterator of (readings, marks), in order.

    `lines` counts the data lines seen so far, `skipped` the bad ones among them and `first_skipped` the
    number of the first in the file, counted from 1 with the header; `notes` says what was recognised.
    `bytes_read` of `bytes_total` is how far it is. Times count from the first good line.

    Iterating raises LogFileError at the end where more than one line in a hundred was bad, or none was good.
    """

    def __init__(self, path: Path, setup: Setup, block_bytes: int = BLOCK_BYTES) -> None:
        self.path = path
        self.lines = 0
        self.skipped = 0
        self.first_skipped: int | None = None
        self.notes: list[str] = []
        self._setup = setup
        self._block_bytes = block_bytes
        self._held: _Line | None = None
        self._last_us: int | None = None
        self._zero_us: int | None = None
        self._iso: bool | None = None
        self._aware = False
        self._bytes_read = 0
        self._converter = Converter(setup, daq_from_setup(setup))
        self._open()
        try:
            self._columns = self._header()
        finally:
            self._raw.close()
        self._header_lines = self._line
        self._blocks = self._run()

    def _open(self) -> None:
        """Go to the beginning of the file."""
        try:
            self.bytes_total = self.path.stat().st_size
            self._raw = self.path.open("rb")
        except FileNotFoundError as error:
            raise LogFileError(f"there is no log file {self.path}: check the name") from error
        except OSError as error:
            raise LogFileError(f"the log file {self.path} can't be read ({error.strerror})") from error
        packed = self._raw.read(2) == b"\x1f\x8b"
        self._raw.seek(0)
        self._file: gzip.GzipFile | io.BufferedReader = (
            gzip.GzipFile(fileobj=self._raw) if packed else self._raw
        )
        self._line = 0  # the number of the last line taken from the file
        self._rest = b""

    @property
    def started(self) -> datetime | None:
        """When the first good line was written, where times are dates and clocks; else None.

        A time without a zone is the machine's own. None too before a line was read.
        """
        if not self._iso or self._zero_us is None:
            return None
        when = _EPOCH + timedelta(microseconds=self._zero_us)
        return when if self._aware else when.replace(tzinfo=None).astimezone(UTC)

    def as_written(self, index: int, values: FloatArray) -> FloatArray:
        """Return a channel's values (A, V, degC) in the unit of its column, as they are if it has none."""
        column = self._columns[index]
        return values if column is None else column.outside(values)

    def written_unit(self, index: int, size: float) -> float:
        """Return how much a channel's value (A, V, degC) changes with so much in its column's unit."""
        column = self._columns[index]
        return size if column is None else abs(float(np.diff(column.inside(np.array([0.0, size])))[0]))

    @property
    def bytes_read(self) -> int:
        """Bytes of the file taken so far, as it lies on disk."""
        return self._bytes_read if self._raw.closed else self._raw.tell()

    def __iter__(self) -> Iterator[tuple[ReadingBlock, list[Mark]]]:
        return self._blocks

    def __next__(self) -> tuple[ReadingBlock, list[Mark]]:
        return next(self._blocks)

    # the file

    def _fail(self, what: str) -> LogFileError:
        return LogFileError(f"the log file {self.path} {what}")

    def _take(self) -> bytes:
        """Read some bytes more; none at the end."""
        try:
            return self._file.read(self._block_bytes)
        except (EOFError, zlib.error, gzip.BadGzipFile) as error:
            raise self._fail(f"is cut short or damaged ({error}): copy it anew") from error
        except OSError as error:
            raise self._fail(f"can't be read ({error})") from error

    def _take_line(self) -> str | None:
        """Take one line off the front, for the header; None at the end."""
        while b"\n" not in self._rest:
            more = self._take()
            if len(self._rest) + len(more) > self._block_bytes + LONGEST_LINE or b"\x00" in more[:4]:
                raise self._fail("is no text in lines: save it as CSV, UTF-8")
            if not more:
                break
            self._rest += more
        if not self._rest:
            return None
        line, _, self._rest = self._rest.partition(b"\n")
        if len(line) > LONGEST_LINE:
            raise self._fail("is no text in lines: save it as CSV, UTF-8")
        self._line += 1
        try:
            return line.decode("utf-8").strip("\r")
        except UnicodeDecodeError as error:
            raise self._fail(f"is not UTF-8 text (line {self._line}): save it as CSV, UTF-8") from error

    # the header

    def _header(self) -> list[_Column | None]:
        """Read the header; return where each channel of the set-up is found."""
        while True:
            line = self._take_line()
            if line is None:
                raise self._fail("is empty")
            if line.startswith("\ufeff"):
                line = line[1:]
                self.notes.append("a byte-order mark was passed over")
            if line.strip() and not line.startswith("#") and not line.lower().startswith("sep="):
                break
        self._delimiter = next((mark for mark in ";\t" if mark in line), ",")
        try:
            names = [cell.strip() for cell in next(csv.reader([line], delimiter=self._delimiter))]
        except csv.Error as error:
            raise self._fail(f"has a header that can't be read ({error}): save it as CSV, UTF-8") from error
        if self._delimiter != ",":
            kind = "semicolons" if self._delimiter == ";" else "tabs"
            self.notes.append(f"columns are separated by {kind}; decimal commas are read as such")
        self._scale = self._time_scale(names[0])
        self._marks = len(names) > 1 and names[-1].lower() == "mark"
        self._width = len(names)
        return self._match(names[1:-1] if self._marks else names[1:])

    def _time_scale(self, name: str) -> float:
        """Return microseconds per unit of the time column."""
        if name.lower() == "t_s":
            return 1e6
        match = _COLUMN.match(name)
        stem, _, ending = name.lower().rpartition("_")
        if match and match["name"].strip().lower() in _TIME_NAMES and match["unit"] in _TIME_UNITS:
            return _TIME_UNITS[match["unit"]]
        if stem in _TIME_NAMES and ending in _TIME_UNITS:
            return _TIME_UNITS[ending]
        if name.lower() in _TIME_NAMES:
            return 1e6
        raise self._fail(f"begins with the column {_quoted(name)}: name the time column t_s and put it first")

    def _match(self, names: Sequence[str]) -> list[_Column | None]:
        channels = {channel.name.casefold(): i for i, channel in enumerate(self._setup.channel)}
        found: list[_Column | None] = [None] * len(channels)
        unknown = []
        for position, text in enumerate(names):
            match = _COLUMN.match(text)
            name, unit = (match["name"], match["unit"]) if match else (text, None)
            index = channels.get(name.casefold())
            if index is None:
                unknown.append(_quoted(text))
                continue
            channel = self._setup.channel[index]
            allowed = _UNITS[channel.unit]
            unit = _ALSO.get(unit or "", unit)
            if unit not in allowed:
                got = f"has the unit {_quoted(unit)}" if unit else "has no unit"
                raise self._fail(
                    f"has a column {_quoted(text)} that {got}: write {channel.name} [{allowed[-1]}], "
                    f"with one of {', '.join(allowed)}"
                )
            if found[index] is not None:
                raise self._fail(f"has two columns for {channel.name}: leave one")
            found[index] = _Column(position, unit, channel)
        if unknown:
            raise self._fail(
                f"has columns that the set-up doesn't name: {', '.join(unknown)}; it names "
                f"{', '.join(self._setup.names)}: add the channel to the set-up, or take the column out"
            )
        missing = [channel.name for channel, at in zip(self._setup.channel, found, strict=True) if at is None]
        pairs = [channel.name for channel in self._setup.pairs if channel.name in missing]
        if pairs:
            raise self._fail(
                f"has no column for {', '.join(pairs)}: its header needs {pairs[0]} [mV] or {pairs[0]} [mA]"
            )
        if missing:
            self.notes.append(f"there is no column for {', '.join(missing)}")
        return found

    # the blocks

    def _run(self) -> Iterator[tuple[ReadingBlock, list[Mark]]]:
        self._open()
        try:
            while self._line < self._header_lines:
                self._take_line()
            while True:
                more = self._take()
                data = self._rest + more
                end = data.rfind(b"\n") + 1 if more else len(data)
                if len(data) - end > LONGEST_LINE:
                    raise self._fail(f"has a line of over {LONGEST_LINE} bytes after line {self._line}")
                whole, self._rest = data[:end], data[end:]
                if whole:
                    if not whole.endswith(b"\n"):
                        whole += b"\n"
                    for part in self._parts(whole):
                        block = self._clean(part)
                        yield from self._emit(*(self._line_by_line(part) if block is None else block))
                if not more:
                    break
            if self._held is not None:
                held, self._held = self._held, None
                self._believe(held)
                yield from self._emit(*_stacked([held], self._width))
            self._judge_lines()
        finally:
            self._bytes_read = self._raw.tell()
            self._raw.close()

    def _parts(self, whole: bytes) -> Iterator[bytes]:
        """Give a block's first lines by themselves until one can be believed, and then the rest at once."""
        begin = 0
        for _ in range(_FIRST_LINES):
            if begin == len(whole) or (self._last_us is not None and self._held is None):
                break
            end = whole.index(b"\n", begin) + 1
            yield whole[begin:end]
            begin = end
        if begin < len(whole):
            yield whole[begin:]

    def _judge_lines(self) -> None:
        if self.skipped > MOST_BAD * self.lines:
            raise self._fail(
                f"has {self.skipped} bad lines of {self.lines}, the first is line {self.first_skipped}: "
                "more than one in a hundred, so nothing was judged"
            )
        if self._last_us is None:
            raise self._fail("has a header and no readings")

    def _emit(
        self, t_us: Int64Array, data: FloatArray, marks: list[tuple[int, str]]
    ) -> Iterator[tuple[ReadingBlock, list[Mark]]]:
        """Turn what the file says, times and cells of accepted lines, into units and the soak's own time."""
        if len(t_us) == 0:
            return
        if self._zero_us is None:
            self._zero_us = int(t_us[0])
            if self._zero_us != 0 and not self._iso:
                self.notes.append(
                    f"times in the file begin at {self._zero_us / 1e6:g} s and are counted from there"
                )
        values = np.full((len(t_us), len(self._columns)), np.nan)
        railed = np.zeros(values.shape, dtype=np.int8)
        for index, column in enumerate(self._columns):
            if column is None:
                continue
            cells = _without_codes(data[:, column.position])
            railed[:, index] = np.isposinf(cells).astype(np.int8) - np.isneginf(cells).astype(np.int8)
            cells[np.isinf(cells)] = np.nan
            inside = column.inside(cells)
            stepped = column.channel.step_V is not None and math.isfinite(self._converter.step(index))
            values[:, index] = self._on_steps(index, inside) if stepped else inside
        times = t_us - self._zero_us
        yield (
            ReadingBlock(times, values, railed),
            [Mark(at - self._zero_us, text) for at, cell in marks for text in _marks_back(cell)],
        )

    def _on_steps(self, index: int, values: FloatArray) -> FloatArray:
        """Put values that lie within the rounding of a log on the converter's steps exactly there."""
        with np.errstate(over="ignore", invalid="ignore"):  # a garbled value may lie far beyond any sensor
            counts = self._converter.counts(index, values)
            whole = np.rint(counts)
            near = np.abs(counts - whole) <= 0.06
            stepped = self._converter.values(index, whole)
        return np.where(near & np.isfinite(stepped), stepped, values)

    def _clean(self, whole: bytes) -> tuple[Int64Array, FloatArray, list[tuple[int, str]]] | None:
        """Read a block at once; None where a line needs to be looked at by itself."""
        if self._held is not None or self._iso is not False or b'"' in whole:
            return None
        raw = np.frombuffer(whole, dtype=np.uint8)
        ends = np.flatnonzero(raw == 10)
        stops = np.flatnonzero(raw == ord(self._delimiter))
        upto = np.searchsorted(stops, ends)
        if np.any(np.diff(upto, prepend=0) != self._width - 1):
            return None
        mark = self._delimiter.encode()
        text = whole.replace(b",", b".") if mark != b"," else whole
        if np.any(np.diff(stops) == 1):
            for _ in range(2):
                text = text.replace(mark + mark, mark + b"nan" + mark)
        if not self._marks and np.any(np.isin(raw[ends - 1], (13, ord(self._delimiter)))):
            text = text.replace(mark + b"\n", mark + b"nan\n").replace(mark + b"\r\n", mark + b"nan\r\n")
        if b"over" in text or b"under" in text:
            ending = rb"(?=[" + mark + rb"\r\n])"
            text = re.sub(rb"(?<=" + mark + rb")over" + ending, b"inf", text)
            text = re.sub(rb"(?<=" + mark + rb")under" + ending, b"-inf", text)
        numbers = self._width - 1 if self._marks else self._width
        try:
            data = np.loadtxt(
                io.BytesIO(text),
                delimiter=self._delimiter,
                comments=None,
                ndmin=2,
                usecols=range(numbers),
                encoding="utf-8",
            )
        except (ValueError, UnicodeDecodeError):
            return None
        if len(data) != len(ends):
            return None
        with np.errstate(over="ignore"):  # a garbled time may lie beyond all numbers
            time = data[:, 0] * self._scale
        if not np.all(np.abs(time) < 4e18):
            return None
        t_us = np.rint(time).astype(np.int64)
        before = t_us[0] - 1 if self._last_us is None else self._last_us
        steps = np.diff(t_us, prepend=before)
        if np.any(steps <= 0) or np.any(steps > JUMP_US):
            return None
        self.lines += len(ends)
        self._line += len(ends)
        self._last_us = int(t_us[-1])
        marks = self._marks_of(whole, ends, stops, upto, t_us) if self._marks else []
        return t_us, data[:, 1:], marks

    @staticmethod
    def _marks_of(
        whole: bytes, ends: Int64Array, stops: Int64Array, upto: Int64Array, t_us: Int64Array
    ) -> list[tuple[int, str]]:
        starts = stops[upto - 1] + 1
        marks = []
        for row in np.flatnonzero(ends > starts):
            text = whole[starts[row] : ends[row]].decode("utf-8", errors="replace").strip()
            if text:
                marks.append((int(t_us[row]), text))
        return marks

    def _line_by_line(self, whole: bytes) -> tuple[Int64Array, FloatArray, list[tuple[int, str]]]:
        """Read a block with something in it that needs looking at, one line at a time."""
        good: list[_Line] = []
        for text in whole.decode("utf-8", errors="replace").split("\n")[:-1]:
            self._line += 1
            if not text.strip() or text.startswith("#"):
                continue
            self.lines += 1
            line = self._parse(text)
            if line is None:
                self._skip(self._line)
            else:
                good += self._in_order(line)
        return _stacked(good, self._width)

    def _skip(self, number: int) -> None:
        self.skipped += 1
        self.first_skipped = number if self.first_skipped is None else min(self.first_skipped, number)

    def _in_order(self, line: _Line) -> list[_Line]:
        """Return the lines that can now be believed; times strictly increase.

        The first line, and one that jumps far ahead, wait for the next one: where that goes on from before
        the jump, the jump was a garbled time and not a gap.
        """
        if self._last_us is not None and line.t_us <= self._last_us:
            self._skip(line.number)
            return []
        believed: list[_Line] = []
        held, self._held = self._held, None
        if held is not None and line.t_us > held.t_us:
            self._believe(held)
            believed.append(held)
        elif held is not None:
            self._skip(held.number)
        if self._last_us is None or line.t_us - self._last_us > JUMP_US:
            self._held = line
        else:
            self._believe(line)
            believed.append(line)
        return believed

    def _believe(self, line: _Line) -> None:
        if self._last_us is not None and line.t_us - self._last_us > MOST_JUMP_US:
            days = (line.t_us - self._last_us) / 86_400e6
            raise self._fail(
                f"jumps ahead by {days:.0f} days at line {line.number}: cut it into one file a soak"
            )
        self._last_us = line.t_us

    def _parse(self, text: str) -> _Line | None:
        """Read one line; None where it is no reading."""
        text = text.rstrip("\r")
        if '"' in text:
            try:
                cells = next(csv.reader([text], delimiter=self._delimiter, strict=True))
            except (csv.Error, StopIteration):
                return None
        else:
            cells = text.split(self._delimiter)
        numbers = self._width - 1 if self._marks else self._width
        if len(cells) != self._width and not (self._marks and len(cells) == numbers):
            return None
        if "_" in text and any("_" in cell for cell in cells[:numbers]):
            return None  # Python would read 1_000 as a number
        t_us = self._time(cells[0])
        if t_us is None:
            return None
        try:
            values = [self._cell(cell) for cell in cells[1:numbers]]
        except ValueError:
            return None
        mark = cells[numbers].strip() if len(cells) > numbers else ""
        return _Line(self._line, t_us, values, mark)

    def _cell(self, cell: str) -> float:
        try:
            return float(cell)
        except ValueError:
            word = cell.strip().lower()
            if word in _WORDS:
                return _WORDS[word]
            if self._delimiter != ",":
                return float(cell.replace(",", "."))
            raise

    def _time(self, cell: str) -> int | None:
        """Return microseconds of a time cell; the first good one settles whether times are ISO."""
        if self._iso is not True:
            try:
                time = float(cell.replace(",", ".") if self._delimiter != "," else cell) * self._scale
            except ValueError:
                time = math.nan
            if abs(time) < 4e18:
                self._iso = False
                return round(time)
            if self._iso is False:
                return None
        try:
            when = datetime.fromisoformat(cell.strip())
        except ValueError:
            return None
        aware = when.tzinfo is not None
        if self._iso is None:
            self._iso, self._aware = True, aware
            self.notes.append(f"times are dates and clocks (ISO 8601); the first is {cell.strip()}")
        if aware is not self._aware:
            return None
        since = (when if aware else when.replace(tzinfo=UTC)) - _EPOCH
        return (since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds


_WORDS: Final = {"": math.nan, "over": math.inf, "under": -math.inf}
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class _Column:
    """Where a channel's cells are, counted after the time column, and in which unit."""

    position: int
    unit: str
    channel: Channel

    def inside(self, cells: FloatArray) -> FloatArray:
        """Return cells in A, V or degC."""
        if self.unit in ("mV", "mA"):
            cells = cells / 1000.0
        if self.unit in ("V", "mV") and self.channel.sense_ohm is not None and self.channel.unit == "A":
            return cells / self.channel.sense_ohm
        if self.unit == "degF":
            return (cells - 32.0) / 1.8
        return cells - 273.15 if self.unit == "K" else cells

    def outside(self, values: FloatArray) -> FloatArray:
        """Return values in A, V or degC as the file has them: the inverse of `inside`."""
        at = self.inside(np.array([0.0, 1.0]))
        cells: FloatArray = (values - at[0]) / (at[1] - at[0])
        return cells


@dataclass(frozen=True)
class _Line:
    number: int
    t_us: int
    values: list[float]
    mark: str


def _without_codes(cells: FloatArray) -> FloatArray:
    """Return a contiguous copy of a column in which the codes that bench meters send are what they mean.

    IEEE 488.2 instruments send 9.91E37 for no number and ±9.9E37 for an overload.
    """
    cells = cells.copy()
    coded = np.abs(cells) > 1e30
    if coded.any():
        no_number = np.abs(np.abs(cells) - 9.91e37) < 5e34
        cells[coded] = np.copysign(np.inf, cells[coded])
        cells[no_number] = np.nan
    return cells


def _stacked(lines: list[_Line], width: int) -> tuple[Int64Array, FloatArray, list[tuple[int, str]]]:
    if not lines:
        return np.empty(0, dtype=np.int64), np.empty((0, width)), []
    return (
        np.array([line.t_us for line in lines], dtype=np.int64),
        np.array([line.values for line in lines], dtype=np.float64),
        [(line.t_us, line.mark) for line in lines if line.mark],
    )


def _quoted(text: object) -> str:
    shown = "".join(letter if letter.isprintable() else "?" for letter in str(text))
    return f'"{shown if len(shown) <= 60 else shown[:57] + "..."}"'


# ---- writing


def write(
    path: Path | str,
    setup: Setup,
    setup_text: str,
    daq: DaqInfo,
    scans: Iterable[ScanBlock],
    marks: Sequence[Mark] = (),
    *,
    calibration: Calibration | None = None,
    setup_path: Path | str | None = None,
    force: bool = False,
    decimal_comma: bool = False,
) -> Path:
    """Write scans as a log file (`.csv` or `.csv.gz`) with the set-up that reads it beside; return its path.

    The set-up goes to `setup_path`, else beside the log under its name with `.toml`. Values are printed to a
    tenth of the converter's step, so that reading the log gives back the same readings. Marks stand in the
    line of the first scan from their time on, in their order; those after the last scan stand in its line.
    `decimal_comma`: columns apart by semicolons, as spreadsheets want it where a comma is the decimal point.

    Both files appear whole or not at all. Raises FileExistsAlready where either exists and `force` is not
    set, RequestError where they can't be written.
    """
    path = Path(path)
    beside = Path(setup_path) if setup_path is not None else path.with_name(_stem(path) + ".toml")
    for target in (path, beside):
        if target.is_dir():
            raise RequestError(f"{target} is a folder: name a file")
        if target.exists() and not force:
            raise FileExistsAlready(target)
        if not target.parent.is_dir():
            raise RequestError(
                f"there is no folder {target.parent} to write {target.name} into: make it first"
            )
    parts = [target.with_name(f".{target.name}.part") for target in (path, beside)]
    try:
        try:
            with parts[0].open("wb") as plain:
                chunks = (
                    chunk.encode(errors="replace")
                    for chunk in _lines(setup, daq, scans, marks, calibration, decimal_comma)
                )
                if path.name.lower().endswith(".gz"):
                    # neither name nor time inside: the same soak gives the same bytes
                    with gzip.GzipFile("", "wb", 6, plain, mtime=0) as packed:
                        packed.writelines(chunks)
                else:
                    plain.writelines(chunks)
            text = setup_with_daq(setup_text, setup, daq, calibration)
            parts[1].write_text(text, encoding="utf-8", newline="\n")
            for part, target in zip(parts, (path, beside), strict=True):
                part.replace(target)
        finally:
            for part in parts:
                part.unlink(missing_ok=True)
    except OSError as error:
        raise RequestError(
            f"{path} can't be written ({error.strerror or error}): name another place"
        ) from error
    return beside


def _stem(path: Path) -> str:
    name = path.name
    for ending in (".gz", ".csv"):
        if name.lower().endswith(ending) and len(name) > len(ending):
            name = name[: -len(ending)]
    return name


def _lines(
    setup: Setup,
    daq: DaqInfo,
    scans: Iterable[ScanBlock],
    marks: Sequence[Mark],
    calibration: Calibration | None,
    decimal_comma: bool,
) -> Iterator[str]:
    between = ";" if decimal_comma else ","
    converter = Converter(setup, daq, calibration)
    shown = [(1000.0 * (c.sense_ohm or 1.0), "mV") if c.unit == "A" else (1.0, c.unit) for c in setup.channel]
    scales = np.array([scale for scale, _ in shown])
    formats = [f"%.{places(scale * converter.step(i))}f" for i, (scale, _) in enumerate(shown)]
    time_format = "%d.%06d"
    line = ",".join([time_format, *formats])
    header = ["t_s", *(f"{c.name} [{unit}]" for c, (_, unit) in zip(setup.channel, shown, strict=True))]
    waiting = deque(sorted(marks, key=lambda mark: mark.t_us))
    with_marks = bool(waiting)
    yield between.join([*header, *(["mark"] if with_marks else [])]) + "\n"
    lines: list[str] = []
    for block in scans:
        if lines:
            yield "\n".join(lines) + "\n"
        readings = converter.readings(block)
        values = readings.values * scales
        lines = []
        for t_us, cells, railed, rails in zip(
            readings.t_us.tolist(),
            values.tolist(),
            readings.railed.tolist(),
            np.any(readings.railed != 0, axis=1).tolist(),
            strict=True,
        ):
            if rails:
                words = [
                    _RAILED[rail] or form % cell
                    for form, cell, rail in zip(formats, cells, railed, strict=True)
                ]
                text = ",".join([time_format % divmod(t_us, 1_000_000), *words])
            else:
                text = line % (*divmod(t_us, 1_000_000), *cells)
            text = text.replace("nan", "")
            if decimal_comma:
                text = text.replace(",", ";").replace(".", ",")
            if with_marks:
                due = []
                while waiting and waiting[0].t_us <= t_us:
                    due.append(waiting.popleft().text)
                text += between + (_mark_cell(due) if due else "")
            lines.append(text)
    if waiting and lines:  # made after the last scan
        *cells_before, own = next(csv.reader([lines[-1]], delimiter=between))
        lines[-1] = between.join(
            [*cells_before, _mark_cell([*_marks_back(own), *(mark.text for mark in waiting)])]
        )
    yield "".join(f"{text}\n" for text in lines)


_RAILED: Final = {0: "", 1: "over", -1: "under"}


def places(step: float) -> int:
    """Return the decimal places that show a tenth of a step."""
    return min(12, max(0, math.ceil(1.0 - math.log10(step) - 1e-9))) if step > 0.0 else 6


_BETWEEN_MARKS: Final = " / "
_OWN_SLASH = re.compile(r" +/( +|$)")  # of a mark's own text; it would be read as the end of the mark


def _mark_cell(texts: Sequence[str]) -> str:
    """Return marks as a cell: one line, no formula to a spreadsheet, quoted if need be."""
    lines = (_UNPRINTED.sub(" ", text).strip() for text in texts)
    cell = _BETWEEN_MARKS.join(_OWN_SLASH.sub("/", text) for text in lines if text)
    if cell.startswith(_FORMULA):
        cell = f"'{cell}"
    return '"' + cell.replace('"', '""') + '"' if any(c in cell for c in ',;"') else cell


def _marks_back(cell: str) -> list[str]:
    """Return the marks of a cell."""
    if cell.startswith("'") and cell[1:].startswith(_FORMULA):
        cell = cell[1:]
    return [text for part in cell.split(_BETWEEN_MARKS) if (text := part.strip())]


# ---- the set-up beside a log


def setup_with_daq(text: str, setup: Setup, daq: DaqInfo, calibration: Calibration | None = None) -> str:
    """Return a set-up's text with what the DAQ said in each channel: `full_scale_V`, `step_V`, `calibrated`.

    Comments and everything else stay as they are. A text that can't be edited line by line, such as channels
    in one inline array, is written anew from what it means.
    """
    known = (Calibration.stated_in(setup) if calibration is None else calibration).channels
    wanted: list[dict[str, Any]] = []
    for channel, step_v, full in zip(setup.channel, daq.volts_per_count, daq.full_count, strict=True):
        # of counts that were made from a log's readings the set-up says all that is known of the converter
        keys: dict[str, Any] = {} if daq.step_V else {"full_scale_V": full * step_v, "step_V": step_v}
        if channel.name in known:
            keys["calibrated"] = known[channel.name].model_dump(exclude_defaults=True)
        wanted.append(keys)
    return with_keys(text, wanted)


def with_keys(text: str, wanted: Sequence[dict[str, Any]], scans_per_s: float | None = None) -> str:
    """Return a set-up's text with keys set in each channel, in their order, and another rate of scans.

    Comments and everything else stay as they are, where the text can be edited line by line.
    """
    meant = toml_lines.loads(text)
    for table, keys in zip(meant["channel"], wanted, strict=True):
        table.update(keys)
    edited = _edited(text, wanted)
    if scans_per_s is not None:
        meant["link"]["scans_per_s"] = scans_per_s
        edited = re.sub(r"(?m)^(\s*scans_per_s\s*=\s*)[^\s#]+", rf"\g<1>{scans_per_s!r}", edited, count=1)
    try:
        if toml_lines.loads(edited) == meant:
            return edited
    except tomllib.TOMLDecodeError:
        pass  # the edit went wrong in a way that only the whole text shows
    return "# written anew by soakbench\n" + _toml(meant)


_HEAD = re.compile(r"^\s*\[")
_CHANNEL_HEAD = re.compile(r"^\s*\[\[\s*channel\s*\]\]\s*(#.*)?$")


def _edited(text: str, wanted: Sequence[dict[str, Any]]) -> str:
    lines = text.splitlines()
    heads = [i for i, line in enumerate(lines) if _CHANNEL_HEAD.match(line)]
    for head, keys in reversed(list(zip(heads, wanted, strict=False))):
        end = next((i for i in range(head + 1, len(lines)) if _HEAD.match(lines[i])), len(lines))
        last = head
        left = dict(keys)
        for i in range(head + 1, end):
            stripped = lines[i].strip()
            if not stripped or stripped.startswith("#"):
                continue
            last = i
            match = re.match(r"^(\s*)(\w+)(\s*=\s*)(.*?)(\s*#.*)?$", lines[i])
            if match and match[2] in left:
                lines[i] = f"{match[1]}{match[2]}{match[3]}{_toml_value(left.pop(match[2]))}{match[5] or ''}"
        lines[last + 1 : last + 1] = [f"{key} = {_toml_value(value)}" for key, value in left.items()]
    return "\n".join(lines) + "\n"


def _toml(document: dict[str, Any]) -> str:
    """Write a document of plain values, tables and arrays of tables as TOML."""
    out: list[str] = []

    def table(content: dict[str, Any], where: str) -> None:
        inner = {key: value for key, value in content.items() if _is_table(value)}
        for key, value in content.items():
            if key not in inner:
                out.append(f"{_toml_key(key)} = {_toml_value(value)}")
        for key, value in inner.items():
            name = f"{where}{_toml_key(key)}"
            for one in value if isinstance(value, list) else [value]:
                out.append(f"\n[[{name}]]" if isinstance(value, list) else f"\n[{name}]")
                table(one, f"{name}.")

    table(document, "")
    return "\n".join(out) + "\n"


def _is_table(value: object) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and bool(value) and all(isinstance(one, dict) for one in value)
    )


def _toml_key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _toml_value(key)


def _toml_value(value: Any) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case int() | float():
            return repr(value)
        case datetime() | date():
            return value.isoformat()
        case str():
            escaped = value.replace("\\", "\\\\").replace('"', '\\"')
            return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda c: f"\\u{ord(c[0]):04x}", escaped) + '"'
        case list():
            return "[" + ", ".join(_toml_value(one) for one in value) + "]"
        case dict():
            inside = ", ".join(f"{_toml_key(key)} = {_toml_value(one)}" for key, one in value.items())
            return "{" + inside + "}"
        case _:
            return f'"{value}"'  # a time of day: no key of a set-up takes one
