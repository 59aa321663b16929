"""SI inside, the trade's milliamps and millivolts at the edges; figures as a person reads them.

Nothing here computes: it prints. What does not exist (NaN) prints as a dash, never as 0.
"""

from __future__ import annotations

import math
from typing import Final

NOTHING: Final = "–"

_SHOWN: Final[dict[str, tuple[float, str]]] = {
    "A": (1000.0, "mA"),
    "V": (1.0, "V"),
    "degC": (1.0, "°C"),
}


PAIR_UNITS: Final = ("mA", "mV", "valve")
"""What a pair's current is shown in: mA a pair, mV at its resistor, as a meter has it, mA a valve (mean)."""


def per_mA(unit: str, sense_ohm: float, valves: int) -> float:
    """Return what a pair's milliamps are multiplied by to be shown in one of PAIR_UNITS."""
    return {"mV": sense_ohm, "valve": 1.0 / valves}.get(unit, 1.0)


def pair_unit(unit: str, *, per_h: bool = False) -> str:
    """Return how one of PAIR_UNITS is written behind a figure, or behind a rate."""
    rate = "/h" if per_h else ""
    return {"mV": f"mV{rate}", "valve": f"mA{rate} a valve"}.get(unit, f"mA{rate}")


def to_mA(amperes: float) -> float:
    """Return milliamps."""
    return 1000.0 * amperes


def to_mV(volts: float) -> float:
    """Return millivolts."""
    return 1000.0 * volts


def shown(value: float, unit: str) -> tuple[float, str]:
    """Return a value and its unit as screens show it: A as mA, degC as °C, anything else as it is."""
    scale, name = _SHOWN.get(unit, (1.0, unit))
    return scale * value, name


def quantity(value: float, U: float, unit: str) -> str:
    """Print a value with its expanded uncertainty, both given in `unit`: `76.2 ± 0.8 mA`.

    The uncertainty keeps one or two significant digits and the value is rounded to the same place (GUM, JCGM
    100:2008, 7.2.6, which asks for at most two). Two digits where they start with 1.0 to 3.5, one above, so
    that rounding never moves it by more than a seventh. Without an uncertainty (NaN or 0) the value keeps
    four digits.
    """
    value, name = shown(value, unit)
    U = shown(U, unit)[0]
    if not math.isfinite(value):
        return NOTHING
    if not math.isfinite(U) or U <= 0.0:
        return f"{number(value)} {name}"
    places, U = _rounded(U)
    return f"{_fixed(value, places)} ± {_fixed(U, places)} {name}"


def number(value: float, digits: int = 4) -> str:
    """Print a value to so many significant digits, without an exponent and without a minus before zero."""
    if not math.isfinite(value):
        return NOTHING
    if value == 0.0:
        return "0"
    return _fixed(value, digits - 1 - _exponent(float(f"{value:.{digits - 1}e}")))


def duration(seconds: float) -> str:
    """Print a time: `45 s`, `3 min 20 s`, `12 min`, `1 h 12 min`; from ten minutes on without seconds."""
    if not math.isfinite(seconds):
        return NOTHING
    if seconds < 0:
        return f"-{duration(-seconds)}"
    whole_s = math.floor(seconds + 0.5)
    if whole_s < 60:
        return f"{whole_s} s"
    if whole_s < 600:
        return _two(whole_s // 60, "min", whole_s % 60, "s")
    minutes = math.floor(seconds / 60.0 + 0.5)
    if minutes < 60:
        return f"{minutes} min"
    return _two(minutes // 60, "h", minutes % 60, "min")


def _two(large: int, large_name: str, small: int, small_name: str) -> str:
    return f"{large} {large_name} {small} {small_name}" if small else f"{large} {large_name}"


def _exponent(value: float) -> int:
    return math.floor(math.log10(abs(value)))


def _rounded(U: float) -> tuple[int, float]:
    """Return the decimal places an uncertainty is printed to, negative left of the point, and it rounded."""
    mantissa, exponent = f"{U:.2e}".split("e")
    digits = 2 if float(mantissa) < 3.55 else 1
    rounded = float(f"{U:.{digits - 1}e}")
    places = digits - 1 - int(exponent)
    if digits == 1 and float(mantissa) >= 9.5:  # 0.97 has become 1.0, which keeps two digits
        places = 1 - _exponent(rounded)
    return places, rounded


def _fixed(value: float, places: int) -> str:
    text = f"{round(value, places):.{max(places, 0)}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text
