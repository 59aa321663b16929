"""What a person reads from instruments: quantities and their units, output power, limits for grid leaks, csv.

Pure. A reading stays in the unit it was read in; `in_base` gives it in V, A, W or ohm.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from logger.errors import EntryError, RequestError
from logger.jobs import STAGES, BenchReading
from logger.valves import FROM_MEMORY, rating_for

BIAS_VOLTS: Final = "bias volts"
HUM_AND_NOISE: Final = "hum and noise"
OUTPUT: Final = ("output voltage", "output power")

QUANTITIES: Final[Mapping[str, tuple[str, ...]]] = {
    "bias by meter": ("mV", "mA", "V", "A"),
    BIAS_VOLTS: ("V", "mV"),
    "HT": ("V",),
    "heater voltage": ("V",),
    "mains voltage": ("V",),
    "output voltage": ("V",),
    "output power": ("W",),
    HUM_AND_NOISE: ("mV", "V", "uV"),
    "distortion": ("%", "dB"),
    "sense resistor": ("ohm", "mohm"),
    "grid leak": ("kohm", "ohm", "Mohm"),
    "earth continuity": ("ohm", "mohm"),
    "insulation": ("Mohm", "kohm", "ohm"),
}
"""Each known quantity with the units that it is read in; any other may be noted in any unit."""

_FACTOR: Final = {"u": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6}
_BASE: Final = frozenset({"V", "A", "W", "ohm"})


def unit_of(text: str) -> str:
    """Return a unit as the record spells it: kΩ is kohm, µV is uV."""
    unit = "".join(text.split())
    for letter in ("Ω", "Ohms", "Ohm", "ohms"):
        unit = unit.replace(letter, "ohm")
    for letter in "µμ":
        unit = unit.replace(letter, "u")
    return "kohm" if unit == "Kohm" else unit


def in_base(value: float, unit: str) -> tuple[float, str]:
    """Return a value in V, A, W or ohm; a unit that has no such base stays."""
    if unit not in _BASE and unit[:1] in _FACTOR and unit[1:] in _BASE:
        return value * _FACTOR[unit[0]], unit[1:]
    return value, unit


_READ: Final = re.compile(
    r"\s*([+-]?\d[\d.,]*(?:e[+-]?\d+)?)\s*(?:(?:±|\+/?-)\s*(\d[\d.,]*))?\s*([^\d\s].*)", re.IGNORECASE
)


def read_figure(text: str) -> dict[str, Any]:
    """Read `-38.5 V` or `455 ± 2 V`: value, uncertainty (None where it isn't said) and unit."""
    found = _READ.fullmatch(text.replace("−", "-"))
    if found is None:
        raise RequestError(f'{text!r} is no figure: write it like "-38.5 V", or "455 ± 2 V"')
    value, U, unit = found.groups()
    return {
        "value": _number(value, "the value", ";"),
        "uncertainty": None if U is None else _number(U, "the uncertainty", ";"),
        "unit": unit_of(unit),
    }


def checked(reading: Mapping[str, Any]) -> dict[str, Any]:
    """Return a reading with its quantity and unit as the record spells them; RequestError where it can't be.

    Output voltage and power need the load; hum and noise their weighting and bandwidth, without which the
    figure can't be compared with any other.
    """
    found = dict(reading)
    said = " ".join(str(reading.get("quantity", "")).split())
    by_lower = {name.lower(): name for name in QUANTITIES}
    quantity = by_lower.get(said.lower())
    if quantity is None:
        near = difflib.get_close_matches(said.lower(), by_lower, n=1, cutoff=0.8)
        if near:
            says = f"there is no quantity {said!r}, the nearest is {by_lower[near[0]]!r}"
            raise EntryError({"quantity": says})
        quantity = said
    unit = unit_of(str(reading.get("unit", "")))
    units = QUANTITIES.get(quantity)
    if units is not None and unit not in units:
        raise EntryError({"unit": f"{quantity} is read in {' or '.join(units)}, not in {unit or 'nothing'}"})
    if quantity in OUTPUT and reading.get("load_ohm") is None:
        raise EntryError({"load_ohm": f"{quantity} says nothing without its load: give it in ohms"})
    if quantity == HUM_AND_NOISE:
        for name in ("weighting", "bandwidth"):
            if not reading.get(name):
                says = f"hum and noise can't be compared without its {name}: give it, none is an answer too"
                raise EntryError({name: says})
    return found | {"quantity": quantity, "unit": unit}


# ---- output power


@dataclass(frozen=True)
class Power:
    """Output power in W into a load, with its expanded uncertainty where the voltage has one, else None.

    `share`: least and greatest share of the rated power that such a load leaves, where its tap is known.
    """

    watts: float
    U_watts: float | None
    share: tuple[float, float] | None

    def words(self, rated_w: float | None) -> str:
        """Say it, and what is to be expected of the load on that tap."""
        U = "" if self.U_watts is None else f" ± {self.U_watts:.2g}"
        text = f"{self.watts:.4g}{U} W"
        if self.share is None or rated_w is None:
            return text
        low, high = (rated_w * part for part in self.share)
        expected = f"{low:.3g}" if high - low < 0.01 * high else f"{low:.3g} to {high:.3g}"
        less = "" if self.share[0] == 1.0 else ": less is no fault of the amp"
        return f"{text}, of {rated_w:g} W rated; this load on this tap leaves {expected} W{less}"


def power_of(reading: BenchReading) -> Power | None:
    """Return V²/R of an output voltage, or an output power as read; None of any other reading."""
    if reading.load_ohm is None or reading.quantity not in OUTPUT:
        return None
    share = None if reading.tap_ohm is None else tap_share(reading.load_ohm, reading.tap_ohm)
    if reading.quantity == "output power":
        return Power(reading.value, reading.uncertainty, share)
    watts = reading.value**2 / reading.load_ohm
    U = reading.uncertainty
    # d(V²)/V² = 2 dV/V; the load's own error is not in it
    U_watts = None if U is None else 2.0 * abs(reading.value) * U / reading.load_ohm
    return Power(watts, U_watts, share)


def tap_share(load_ohm: float, tap_ohm: float) -> tuple[float, float]:
    """Return between which shares of its rated power an amp gives into another load than its tap is for.

    With r = load over tap: no more than 4r/(1 + r)², the maximum power transfer theorem's share for a source
    matched to the tap (Alexander and Sadiku, Fundamentals of Electric Circuits, ch. 4: P = V² R/(R + R_Th)²);
    no less than 1/r above the tap, where the amp clips at the same voltage, and r below it, where it clips at
    the same current. Valve stages lie between, with feedback near the lower one.
    """
    r = load_ohm / tap_ohm
    return min(r, 1.0 / r), 4.0 * r / (1.0 + r) ** 2


# ---- grid leaks


@dataclass(frozen=True)
class GridLeak:
    """The greatest resistance of a grid circuit: `most_ohm` None where no sheet of the type says any."""

    most_ohm: float | None
    says: str


def grid_leak_limit(
    valve: str,
    *,
    bias: str = "fixed",
    operating_class: str = "AB",
    sheet: str | None = None,
    sharing: int = 1,
) -> GridLeak:
    """Return the sheet's limit for a grid circuit that so many valves share.

    Grid current of each valve flows through what they share, so that the same volts are lost in a resistor
    n times smaller: the sheet's limit is for one valve, and is divided by their number (Kirchhoff; common
    practice, no source).
    """
    if sharing < 1:
        raise RequestError(f"at least one valve is on a grid leak, got {sharing}")
    rating = rating_for(valve, sheet, bias=bias)
    # a sheet says "class AB", or "class A or AB"
    holds_for = (f"{bias} bias", f"class {operating_class}", operating_class)
    limit = None if rating is None else rating.figure("grid1_kohm", *holds_for)
    if limit is None or limit.value is None:
        return GridLeak(None, f"no limit known for {valve} with {bias} bias: look it up in the maker's sheet")
    most_ohm = 1000.0 * limit.value / sharing
    shared = "" if sharing == 1 else f", {limit.value:g} kohm for one shared by {sharing}"
    memory = f", {FROM_MEMORY}: look it up" if limit.from_memory else ""
    holds = f", {limit.when}" if limit.when else ""
    return GridLeak(most_ohm, f"at most {most_ohm / 1000.0:.4g} kohm{shared} ({limit.source}{holds}{memory})")


def with_sheet_limit(
    reading: Mapping[str, Any], valve: str, bias: str, sharing: int
) -> tuple[dict[str, Any], str]:
    """Return a reading of a grid leak with its sheet's limit, in the unit that it was read in, and the words.

    Without a known limit it stays as it is. EntryError for a reading of anything else.
    """
    if reading["quantity"] != "grid leak":
        raise EntryError(
            {"valve": "a valve's type gives the limit of a grid leak: leave it away, or read that"}
        )
    limit = grid_leak_limit(valve, bias=bias, sharing=sharing)
    if limit.most_ohm is None:
        return dict(reading), limit.says
    ohm, _ = in_base(1.0, unit_of(reading["unit"]))
    return dict(reading) | {"most": limit.most_ohm / ohm, "limit_source": limit.says}, limit.says


# ---- csv

COLUMNS: Final = (
    *("stage", "quantity", "place", "value", "unit", "uncertainty", "instrument", "load_ohm", "tap_ohm"),
    *("weighting", "bandwidth", "least", "most", "limit_source", "taken", "note"),
)
"""What a file of readings may have; quantity, value and unit it must have."""
_NUMBERS: Final = frozenset({"value", "uncertainty", "load_ohm", "tap_ohm", "least", "most"})
_MOST_FAULTS: Final = 10
MOST_ROWS: Final = 10_000


def read_csv(text: str, stage: str, name: str) -> list[dict[str, Any]]:
    """Read readings from csv text; `stage` is that of rows without one, `name` the file's.

    Comma, semicolon or tab; with the latter two a decimal comma will do. RequestError says every fault (the
    first ten) with its line: a file is taken whole or not at all.
    """
    text = text.removeprefix("\ufeff")
    head = text.partition("\n")[0]
    delimiter = max(";\t,", key=head.count)
    try:
        rows = list(csv.reader(io.StringIO(text), delimiter=delimiter))
    except csv.Error as error:
        raise RequestError(f"{name} is no csv file ({error})") from error
    if not rows:
        raise RequestError(f"{name} is empty: its first line names the columns, as quantity,value,unit")
    columns = [column.strip().lower() for column in rows[0]]
    unknown = [column for column in columns if column not in COLUMNS]
    missing = [column for column in ("quantity", "value", "unit") if column not in columns]
    if unknown or missing or len(set(columns)) < len(columns):
        raise RequestError(
            f"the first line of {name} must name columns, quantity, value and unit among them, each once, "
            f"and no others than {', '.join(COLUMNS)}; it names {', '.join(columns)}"
        )
    if len(rows) > MOST_ROWS:
        raise RequestError(f"{name} has {len(rows):,} lines, and {MOST_ROWS:,} is the most: divide it")
    found, faults = [], []
    for number, row in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in row):
            continue
        try:
            if len(row) != len(columns):
                raise RequestError(f"{len(row)} cells where {len(columns)} were expected")
            found.append(_row(dict(zip(columns, row, strict=True)), stage, delimiter))
        except RequestError as error:
            faults.append(f"\n  line {number}: {error}")
    if faults:
        more = f"\n  and {len(faults) - _MOST_FAULTS} more" if len(faults) > _MOST_FAULTS else ""
        raise RequestError(
            f"{name} was not taken in, for it has faults:{''.join(faults[:_MOST_FAULTS])}{more}"
        )
    if not found:
        raise RequestError(f"{name} has no reading below its first line")
    return found


def _row(cells: Mapping[str, str], stage: str, delimiter: str) -> dict[str, Any]:
    found: dict[str, Any] = {"stage": stage}
    for name, cell in cells.items():
        said = cell.strip()
        if not said:
            continue
        if name in _NUMBERS:
            found[name] = _number(said, name, delimiter)
        elif name == "taken":
            found[name] = moment_of(said)
        else:
            found[name] = said
    if "value" not in found:
        raise RequestError("there is no value")
    if found["stage"] not in STAGES:
        raise RequestError(f"{found['stage']!r} is no stage: it is one of {', '.join(STAGES)}")
    return checked(found)


def _number(text: str, name: str, delimiter: str) -> float:
    plain = text.replace(",", ".") if delimiter != "," and text.count(",") == 1 and "." not in text else text
    try:
        value = float(plain)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise RequestError(f"{name} must be a number, got {text!r}")
    return value


def number_of(text: str, what: str) -> float:
    """Read a number as a person types it, with a decimal point or comma; RequestError where it is none."""
    return _number(text.strip().replace("−", "-"), what, ";")


def moment_of(text: str) -> datetime:
    """Read a time in ISO 8601, UTC where it has no zone of its own."""
    try:
        found = datetime.fromisoformat(text.strip())
    except ValueError:
        raise RequestError(
            f"{text!r} is no time: write it like 2026-03-02T14:30, in UTC, or with its zone, as +01:00"
        ) from None
    return found.replace(tzinfo=UTC) if found.tzinfo is None else found.astimezone(UTC)


def lacking(readings: Sequence[BenchReading], stage: str, quantity: str) -> bool:
    """Say whether there is no reading of a quantity at a stage."""
    return not any(one.stage == stage and one.quantity == quantity for one in readings)
