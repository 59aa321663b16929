"""Boards that print numbers, one line a scan: what the lines look like, and lines to scans. Pure.

`look_at` finds separator, decimal mark, units, columns and step from the first lines and is asked once; from
then on a `Decoder` holds every line to that. There is no CRC: a digit that turned into another can't be told
from a reading. What can be told is a wrong number of fields, what is no number, and one finer than the step.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Final

from logger.blocks import NO_READING
from logger.errors import LinkError
from logger.link.frames import Cause
from logger.setup import CsvLink, Setup

LOOKED_AT: Final = 10
"""Lines from which it is found what a board prints."""
LONGEST_LINE: Final = 2048
_LARGEST: Final = 2**31 - 1
_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]{1,12}(?:\.[0-9]{0,12})?|\.[0-9]{1,12})(?:[eE][+-]?[0-9]{1,2})?")
_WORDS: Final = {
    "": 0, "-": 0, "nan": 0, "null": 0, "none": 0, "n/a": 0,
    "ovl": 1, "over": 1, "ovr": 1, "ol": 1, "inf": 1, "+inf": 1, "+ovl": 1,
    "under": -1, "-ovl": -1, "-ol": -1, "-inf": -1,
}  # fmt: skip
_IN_V: Final = {"V": Decimal(1), "mV": Decimal("0.001")}
_HEAD: Final = re.compile(r"\s*(?P<name>.*?)\s*(?:[\[(]\s*(?P<unit>[^\])]*?)\s*[\])])?\s*")


@dataclass(frozen=True)
class Layout:
    """What a board's lines look like; `columns` from 0, one for each channel, as `units` and `steps_v`."""

    separator: str
    comma: bool
    """Whether the decimal mark is a comma."""
    fields: int
    columns: tuple[int, ...]
    units: tuple[str, ...]
    steps_v: tuple[Decimal, ...]
    rounds: tuple[bool, ...]
    """Whether the step was stated: a number finer than that is rounded; else it is rejected."""
    full_count: tuple[int, ...]
    header: tuple[str, ...] | None
    uneven: bool
    """Whether decimals differ within a column: then a later number may be finer than the step found."""
    by_header: bool
    """Whether names or units are known from the header alone."""

    @property
    def board_id(self) -> str:
        """A name for boards that print alike: those can't be told from each other."""
        told = f"{self.fields} {self.columns} {self.units}"
        return f"csv-{hashlib.sha256(told.encode()).hexdigest()[:8]}"

    @property
    def volts_per_count(self) -> tuple[float, ...]:
        """The step of each channel, in V."""
        return tuple(map(float, self.steps_v))

    def says(self, names: Sequence[str]) -> str:
        """Say what was found, for a person."""
        mark = "decimal comma" if self.comma else "decimal point"
        words = {",": "comma", ";": "semicolon"}
        read = ", ".join(
            f"{name} from column {column + 1} in {unit} to {float(step / _IN_V[unit]):g}"
            for name, column, unit, step in zip(names, self.columns, self.units, self.steps_v, strict=True)
        )
        uneven = (
            "; it prints more decimals at one time than at another: state step_V of each channel, so that "
            "none is rejected"
            if self.uneven and not all(self.rounds)
            else ""
        )
        return (
            f"{self.fields} columns, separated by {words.get(self.separator, self.separator)}, {mark}, "
            f"{'with' if self.header else 'without'} a header: {read}{uneven}{self._stated(names)}"
        )

    def _stated(self, names: Sequence[str]) -> str:
        """Return what to put into the set-up in place of a header, which comes only when the board starts."""
        if not self.by_header:
            return ""
        columns = ["-"] * self.fields
        for name, column in zip(names, self.columns, strict=True):
            columns[column] = name
        listed = ", ".join(f'"{name}"' for name in columns)
        unit = (
            f' and unit = "{self.units[0]}"' if len(set(self.units)) == 1 else ", and print all in one unit"
        )
        return f". A board that runs already prints no header: state columns = [{listed}]{unit} in [link]"


def split(line: str, separator: str) -> list[str]:
    """Return a line's fields, without the blanks around them."""
    if separator == "blanks":
        return line.split()
    return [field.strip() for field in line.split("\t" if separator == "tab" else separator)]


def look_at(lines: Sequence[str], setup: Setup) -> Layout:
    """Find what a board prints from its first whole lines; what the set-up states is not looked for.

    Raises LinkError, one sentence, where that can't be told.
    """
    link = setup.link
    assert isinstance(link, CsvLink)
    lines = [line for line in lines if line.strip()]
    separator = link.separator or _separator(lines)
    comma = separator != "," and any(
        re.fullmatch(r"[+-]?\d+,\d+", field) for line in lines for field in split(line, separator)
    )
    rows = [split(line, separator) for line in lines]
    header = next((row for row in rows if _is_header(row, comma)), None)
    numbers = [row for row in rows if _is_row(row, comma)]
    if not numbers:
        raise LinkError(
            f"no line of numbers is among the first {len(lines)} that came: check baud and separator "
            "in the set-up"
        )
    fields = Counter(map(len, numbers)).most_common(1)[0][0]
    numbers = [row for row in numbers if len(row) == fields]
    heads = _heads(header) if header is not None and len(header) == fields else None
    columns, units = _columns(setup, link, fields, heads)
    decimals = [[_decimals(row[column], comma) for row in numbers] for column in columns]
    steps, rounds, full = [], [], []
    for channel, unit, found in zip(setup.channel, units, decimals, strict=True):
        stated = channel.step_V is not None
        finest = max((d for d in found if d is not None), default=0)
        step = Decimal(repr(channel.step_V)) if stated else _IN_V[unit].scaleb(-finest)
        steps.append(step)
        rounds.append(stated)
        full_v = channel.full_scale_V
        full.append(_LARGEST if full_v is None else max(1, min(_LARGEST, round(full_v / float(step)))))
    return Layout(
        separator=separator,
        comma=comma,
        fields=fields,
        columns=tuple(columns),
        units=tuple(units),
        steps_v=tuple(steps),
        rounds=tuple(rounds),
        full_count=tuple(full),
        header=None if heads is None or header is None else tuple(header),
        by_header=link.unit is None
        or (link.columns is None and any(channel.pin is None for channel in setup.channel)),
        uneven=any(len({d for d in found if d is not None}) > 1 for found in decimals),
    )


def _separator(lines: Sequence[str]) -> str:
    """Return what parts most lines into as many fields; a comma may be a decimal mark instead."""
    for separator in (";", "tab", ",", "blanks"):
        counts = Counter(len(split(line, separator)) for line in lines)
        fields, often = counts.most_common(1)[0] if counts else (0, 0)
        if fields > 1 and often * 2 > len(lines):
            if separator == "," and (blanks := _separator_of_blanks(lines)):
                return blanks
            return separator
    return ","  # a single column


def _separator_of_blanks(lines: Sequence[str]) -> str:
    """Return "blanks" where every field between blanks is a number with a decimal comma."""
    fields = [field for line in lines for field in line.split()]
    with_comma = sum(re.fullmatch(r"[+-]?\d+,\d+", field) is not None for field in fields)
    return "blanks" if len(fields) >= 2 * len(lines) and 2 * with_comma > len(fields) else ""


def _number(field: str, comma: bool) -> str | None:
    text = field.replace(",", ".") if comma else field
    return text if _NUMBER.fullmatch(text) else None


def _is_value(field: str, comma: bool) -> bool:
    return field.lower() in _WORDS or _number(field, comma) is not None


def _is_row(row: Sequence[str], comma: bool) -> bool:
    """Whether most of it are values: a board may print a date too, which is passed over."""
    return 2 * sum(_number(field, comma) is not None for field in row) > len(row)


def is_header(line: str, separator: str, *, comma: bool) -> bool:
    """Whether a line has no value in it, and names instead."""
    return _is_header(split(line, separator), comma)


def _is_header(row: Sequence[str], comma: bool) -> bool:
    return len(row) > 0 and all(field and not _is_value(field, comma) for field in row)


def _heads(header: Sequence[str]) -> list[tuple[str, str]]:
    """Return name and unit of each column of a header."""
    out = []
    for field in header:
        match = _HEAD.fullmatch(field)
        assert match is not None  # it matches anything
        out.append((match["name"].casefold(), match["unit"] or ""))
    return out


def _columns(
    setup: Setup, link: CsvLink, fields: int, heads: list[tuple[str, str]] | None
) -> tuple[list[int], list[str]]:
    """Return each channel's column, from 0, and its unit: by `columns`, else `pin`, else the header."""
    columns, units = [], []
    named = None if link.columns is None else [name.casefold() for name in link.columns]
    if named is not None and len(named) != fields:
        raise LinkError(
            f"the board prints {fields} columns and the set-up names {len(named)}: correct columns, "
            '"-" for one to pass over'
        )
    for channel in setup.channel:
        name = channel.name.casefold()
        if named is not None:
            column = named.index(name) if name in named else -1
        elif channel.pin is not None:
            column = channel.pin[0] - 1
        else:
            column = next((i for i, (head, _) in enumerate(heads or []) if head == name), -1)
        if not 0 <= column < fields:
            raise LinkError(
                f"no column of the {fields} that the board prints is known as {channel.name}: give its "
                "number as pin (the first is 1), or name all in columns"
            )
        unit = link.unit or (heads[column][1] if heads is not None else "")
        if unit not in _IN_V:
            raise LinkError(
                f"it can't be told whether {channel.name} is printed in V or in mV"
                f"{f' (the header says {unit})' if unit else ''}: state unit in [link]"
            )
        columns.append(column)
        units.append(unit)
    if len(set(columns)) < len(columns):
        raise LinkError("two channels are read from the same column: correct pin or columns in the set-up")
    if link.time_column is not None and link.time_column.column > fields:
        raise LinkError(
            f"time_column is column {link.time_column.column} and the board prints {fields}: correct it"
        )
    return columns, units


def _decimals(field: str, comma: bool) -> int | None:
    """Return how many decimals a number has, None for what is none."""
    text = _number(field, comma)
    if text is None:
        return None
    exponent = Decimal(text).as_tuple().exponent
    assert isinstance(exponent, int)
    return max(0, -exponent)


class LineReader:
    """Assembles lines from bytes; the first after opening is dropped, too long ones are dropped and
    counted.
    """

    def __init__(self) -> None:
        self.rejected: Counter[Cause] = Counter()
        self.first = ""
        """The first line, which may have lost its beginning; a header is of use all the same."""
        self._part = b""
        self._dropping = self._opened = True

    def feed(self, chunk: bytes) -> list[str]:
        """Return the lines that `chunk` completes."""
        self._part += chunk
        *lines, self._part = self._part.split(b"\n")
        out = []
        for line in lines:
            if self._dropping:
                self.first = line.decode("latin-1").strip() if self._opened else ""
                self._dropping = self._opened = False
            elif len(line) > LONGEST_LINE:
                self.rejected[Cause.TOO_LONG] += 1
            elif text := line.decode("latin-1").strip():
                out.append(text)
        if len(self._part) > LONGEST_LINE:
            if not self._dropping:
                self.rejected[Cause.TOO_LONG] += 1
            self._part, self._dropping, self._opened = b"", True, False
        return out


class Decoder:
    """Lines to counts by a layout; `rejected` counts those that do not fit it, by cause."""

    def __init__(self, layout: Layout, link: CsvLink) -> None:
        self.layout = layout
        self.rejected: Counter[Cause] = Counter()
        self._time = link.time_column

    def headed(self, line: str, setup: Setup) -> Layout | None:
        """Return the layout as a header has it, None where a line is none, or does not name what is wanted.

        A board prints its header when it starts: one that says otherwise than before is another board's.
        """
        link, header = setup.link, split(line, self.layout.separator)
        assert isinstance(link, CsvLink)
        if len(header) != self.layout.fields or not _is_header(header, self.layout.comma):
            return None
        try:
            columns, units = _columns(setup, link, len(header), _heads(header))
        except LinkError:  # noise, or words of the board's: it is rejected as a line of numbers
            return None
        return replace(self.layout, columns=tuple(columns), units=tuple(units), header=tuple(header))

    def decode(self, line: str) -> tuple[int | None, list[int]] | None:
        """Return the board's own count (None without a time column), and the channels' counts."""
        layout = self.layout
        fields = split(line, layout.separator)
        if len(fields) != layout.fields:
            self.rejected[Cause.FIELD_COUNT] += 1
            return None
        own: int | None = None
        if self._time is not None:
            text = _number(fields[self._time.column - 1], layout.comma)
            if text is None:
                self.rejected[Cause.NOT_A_NUMBER] += 1
                return None
            own = round(Decimal(text) * (1000 if self._time.unit == "s" else 1))
        counts = []
        for i, column in enumerate(layout.columns):
            found = self._count(fields[column], i)
            if isinstance(found, Cause):
                self.rejected[found] += 1
                return None
            counts.append(found)
        return own, counts

    def _count(self, field: str, i: int) -> int | Cause:
        layout = self.layout
        word = _WORDS.get(field.lower())
        if word is not None:
            return word * layout.full_count[i] if word else NO_READING
        text = _number(field, layout.comma)
        if text is None:
            return Cause.NOT_A_NUMBER
        steps = Decimal(text) * _IN_V[layout.units[i]] / layout.steps_v[i]
        if abs(steps) > _LARGEST:
            return Cause.OUT_OF_RANGE
        count = round(steps)
        if count != steps and not layout.rounds[i]:
            return Cause.FINER
        return count
