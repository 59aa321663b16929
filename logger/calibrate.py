"""Calibration: what a bench compared with what the DAQ read, to gain and offset of each channel.

Pure: the guided sequence as data, the script that stands in for it, the fit, and which calibration is in
force. Whoever moves the leads and reads the port is `calibration_session`.

A channel's points are compared in its own unit: `y`, what the reference says, over `x`, what the channel says
uncalibrated; the line y = gain x + offset is fitted by least squares, weighted by scans' noise. The error of
the one reference instrument is common to all its points, in proportion to what each states; it moves the line
as a whole and has no say in where it lies (weighted by it too, points that disagree would drag the line
beyond all of them: Peelle's puzzle). A sense resistor measured by itself scales the line.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any, Final, Literal, cast, get_args

import numpy as np

from logger import toml_lines
from logger.blocks import NO_READING, DaqInfo, FloatArray, ScanBlock
from logger.convert import ADC_GAIN_PCT, ADC_OFFSET_STEPS, Calibration, Converter
from logger.errors import RequestError
from logger.setup import Calibrated, Channel, Setup

SCRIPT_SCHEMA: Final = "soakbench.calibrate/1"
OVER_AGE: Final = timedelta(days=365)
"""A calibration older than this is said to be; common practice, no source."""

SHORT_U_V: Final = 1e-6
"""Standard uncertainty of 0 V at a shorted input: the contacts' thermal voltages; from memory."""
SECONDS: Final = 20.0
"""How long each thing is measured where a script says nothing."""
_LEAST_SCANS: Final = 20
_LEAST_SPREAD_K: Final = 10.0  # of temperatures, before a gain is made of them
_CHI2_CHANCE_Z: Final = 2.326  # the normal distribution's 99 % point

What = Literal["short", "volts", "current", "meter", "resistor"]
Covered = Literal["gain", "offset", "parts"]


# ---- the straight line


@dataclass(frozen=True)
class Line:
    """y = intercept + slope x, with whole standard uncertainties and their covariance.

    `chi2` and `dof` tell whether the points lie on it; `residual_sd` is the points' scatter about it.
    `shared_intercept` and `shared_slope`: what one standard uncertainty of the reference moves each by.
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    covariance: float
    residual_sd: float
    chi2: float
    dof: int
    shared_intercept: float = 0.0
    shared_slope: float = 0.0

    def u_at(self, x: float) -> float:
        """Return the standard uncertainty of the line at x."""
        return math.sqrt(max(0.0, self.u_intercept**2 + (x * self.u_slope) ** 2 + 2.0 * x * self.covariance))


def straight_line(
    x: FloatArray, y: FloatArray, u: FloatArray | None = None, shared: FloatArray | None = None
) -> Line:
    """Fit a straight line to n points by least squares, weighted by `u`.

    `u` (n,): each point's own standard uncertainty; left out, all count the same and the uncertainties come
    from the scatter (n - 2 degrees of freedom; GUM, JCGM 100:2008, H.3). `shared` (n,): what one standard
    uncertainty of the common reference moves each y by; it is propagated as one error, and counts for `chi2`
    as if it were each point's own, since so much is all that a reference states of each.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    n = len(x)
    if u is None and shared is not None:
        raise ValueError("a shared error needs each point's own beside it")
    if n < 2 or not float(np.ptp(x)) > 0.0:
        raise ValueError(f"a straight line needs two points at different places, got {n}")
    own = np.ones(n) if u is None else np.asarray(u, dtype=np.float64)
    common = np.zeros(n) if shared is None else np.asarray(shared, dtype=np.float64)
    middle = float(np.average(x, weights=1.0 / own**2))  # about it the two parameters are independent
    q, r = np.linalg.qr(np.column_stack([np.ones(n), x - middle]) / own[:, np.newaxis])
    at_middle, slope = np.linalg.solve(r, q.T @ (y / own))
    residuals = y - at_middle - slope * (x - middle)
    dof = n - 2
    scatter = math.sqrt(float(residuals @ residuals) / dof) if dof else math.nan
    to_zero = np.array([[1.0, -middle], [0.0, 1.0]]) @ np.linalg.inv(r)
    moved = to_zero @ (q.T @ (common / own))
    spread = to_zero @ to_zero.T
    spread = spread * scatter**2 if u is None else spread + np.outer(moved, moved)
    return Line(
        intercept=float(at_middle - slope * middle),
        slope=float(slope),
        u_intercept=math.sqrt(float(spread[0, 0])),
        u_slope=math.sqrt(float(spread[1, 1])),
        covariance=float(spread[0, 1]),
        residual_sd=scatter,
        chi2=float(np.sum((residuals / np.hypot(own, common)) ** 2)),
        dof=dof,
        shared_intercept=float(moved[0]),
        shared_slope=float(moved[1]),
    )


# ---- what was compared


@dataclass(frozen=True)
class Seen:
    """Mean counts of each channel over a stretch of scans, (c,), and the means' standard uncertainties.

    NaN where a channel gave fewer than 20 readings or railed.
    """

    mean: FloatArray
    u: FloatArray


def seen(scans: ScanBlock, daq: DaqInfo) -> Seen:
    """Return what a stretch of scans says of each channel.

    The mean's uncertainty is the greater of what single scans and what means of tenths of the stretch say:
    slow noise such as aliased hum is in the second. Where the noise does not dither the converter's step
    (standard deviation under half a count), the step is added.
    """
    channels = scans.counts.shape[1]
    mean, u = np.full(channels, np.nan), np.full(channels, np.nan)
    for column in range(channels):
        counts = scans.counts[:, column].astype(np.float64)
        there = counts[scans.counts[:, column] != NO_READING]
        if len(there) < _LEAST_SCANS or float(np.abs(there).max()) >= daq.full_count[column]:
            continue
        sd = float(there.std(ddof=1))
        tenths = np.array([part.mean() for part in np.array_split(there, 10)])
        noise = max(sd / math.sqrt(len(there)), float(tenths.std(ddof=1)) / math.sqrt(len(tenths)))
        mean[column] = there.mean()
        u[column] = math.hypot(noise, 1.0 / math.sqrt(12.0) if sd < 0.5 else 0.0)
    return Seen(mean, u)


@dataclass(frozen=True)
class Point:
    """One comparison of a channel with a reference.

    `value` and `u`: what the reference says and its standard uncertainty, in V at the input for `short` and
    `volts`, else in the channel's unit. `counts`, `u_counts`: what the channel said.
    """

    what: What
    channel: str
    value: float
    u: float
    counts: float
    u_counts: float


@dataclass(frozen=True)
class Resistor:
    """A sense resistor measured by itself, four wires: ohms and standard uncertainty."""

    channel: str
    ohm: float
    u_ohm: float


@dataclass(frozen=True)
class Fitted:
    """What a calibration found, by channel, and what is odd about it, a sentence each."""

    channels: dict[str, Calibrated]
    odd: list[str]


def fit(
    setup: Setup, daq: DaqInfo, points: Sequence[Point], resistors: Sequence[Resistor], on: date
) -> Fitted:
    """Make gain and offset of each channel that was compared with anything, dated `on`.

    Raises RequestError where what was compared contradicts itself.
    """
    known = set(setup.names)
    for name in {*(point.channel for point in points), *(one.channel for one in resistors)} - known:
        raise RequestError(f"there is no channel {name!r} in the set-up: it has {', '.join(setup.names)}")
    converter = Converter(setup, daq, Calibration())
    measured = {one.channel: one for one in resistors}
    channels: dict[str, Calibrated] = {}
    odd: list[str] = []
    for column, channel in enumerate(setup.channel):
        own = [point for point in points if point.channel == channel.name]
        resistor = measured.get(channel.name)
        if own or resistor:
            channels[channel.name] = _one_channel(
                converter, daq, column, channel, own, resistor, on=on, odd=odd
            )
    return Fitted(channels, odd)


def _one_channel(
    converter: Converter,
    daq: DaqInfo,
    column: int,
    channel: Channel,
    points: Sequence[Point],
    resistor: Resistor | None,
    *,
    on: date,
    odd: list[str],
) -> Calibrated:
    kinds = {point.what for point in points}
    name = channel.name
    if resistor is not None and channel.sense_ohm is None:
        raise RequestError(f"{name} has no sense resistor: leave its resistor step out")
    if "current" in kinds and channel.unit != "A":
        raise RequestError(f"{name} measures no current: compare it with a meter instead")
    if kinds & {"current", "meter"} and (resistor is not None or "volts" in kinds):
        raise RequestError(
            f"{name} was compared with its own unit and by volts or resistor too: do one or the other"
        )
    if kinds & {"short", "volts"} and not converter.is_straight(column):
        raise RequestError(f"{name} has a sensor with a curve: compare it with a thermometer (meter)")
    x, u_x, y, shared = _compared(converter, daq, column, points)
    line, covers = _line(converter, column, channel, points, x, u_x, y, shared)
    if kinds & {"current", "meter"} and "gain" in covers:
        covers = [*covers, "parts"]
    line = _widened(line, channel, odd)
    k, u_k = 1.0, 0.0
    if resistor is not None:
        assert channel.sense_ohm is not None
        k, u_k = channel.sense_ohm / resistor.ohm, resistor.u_ohm / resistor.ohm
        covers = [*covers, "parts"]
        tolerance = channel.tolerance_pct
        if tolerance is not None and abs(1.0 / k - 1.0) > tolerance / 100.0 + 2.0 * u_k:
            odd.append(
                f"{name}'s resistor measures {resistor.ohm:.4g} ohm, further from {channel.sense_ohm:g} ohm "
                f"than its {tolerance:g} %: check which resistor it is, or whether it has been overheated"
            )
    if abs(line.slope - 1.0) > 0.1:
        odd.append(
            f"{name} reads {100.0 / line.slope:.0f} % of the reference: check unit, divider and wiring "
            "before this calibration is used"
        )
    elif "gain" in covers and "parts" not in covers and line.u_slope > ADC_GAIN_PCT / 100.0 / math.sqrt(3.0):
        odd.append(
            f"{name}'s gain is known no better than the converter's own {ADC_GAIN_PCT:g} %: a better "
            "reference, or one nearer to full scale, would help"
        )
    a, b = line.intercept, line.slope
    u_gain = math.hypot(k * line.u_slope, b * k * u_k)
    u_offset = math.hypot(k * line.u_intercept, a * k * u_k)
    covariance = k**2 * (line.covariance + a * b * u_k**2)
    r = covariance / (u_gain * u_offset) if u_gain > 0.0 and u_offset > 0.0 else 0.0
    return Calibrated(
        date=on,
        gain=b * k,
        offset=a * k,
        u_gain=u_gain,
        u_offset=u_offset,
        r_gain_offset=max(-1.0, min(1.0, r)),
        shared_gain=k * line.shared_slope,
        shared_offset=k * line.shared_intercept,
        covers=covers,
        sense_ohm=None if resistor is None else resistor.ohm,
        u_sense_ohm=None if resistor is None else resistor.u_ohm,
    )


def _compared(
    converter: Converter, daq: DaqInfo, column: int, points: Sequence[Point]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return x, its noise, y and what the reference's error moves y by, in the channel's unit."""
    counts = np.array([point.counts for point in points])
    x = converter.values(column, counts)
    half = np.maximum(0.5, np.array([point.u_counts for point in points]))
    slope = np.abs(converter.values(column, counts + half) - converter.values(column, counts - half))
    u_x = slope / (2.0 * half) * np.array([point.u_counts for point in points])
    y, u_y = np.empty(len(points)), np.empty(len(points))
    step_v = daq.volts_per_count[column]
    for i, point in enumerate(points):
        if point.what in ("short", "volts"):
            at = np.array([point.value, point.value + 1.0, point.value - 1.0]) / step_v
            y[i], up, down = converter.values(column, at)
            u_y[i] = abs(up - down) / 2.0 * point.u
        else:
            y[i], u_y[i] = point.value, point.u
    for point, value, noise in zip(points, x, u_x, strict=True):
        if not (math.isfinite(value) and math.isfinite(noise)):
            raise RequestError(
                f"{point.channel} gave no usable reading at its {point.what} step: check the lead and "
                "whether the reference is within full scale, and do that step again"
            )
    is_short = np.array([point.what == "short" for point in points])
    own = np.hypot(u_x, np.where(is_short, u_y, 0.0))
    return x, own, y, np.where(is_short, 0.0, u_y)


def _line(
    converter: Converter,
    column: int,
    channel: Channel,
    points: Sequence[Point],
    x: FloatArray,
    own: FloatArray,
    y: FloatArray,
    shared: FloatArray,
) -> tuple[Line, list[Covered]]:
    """Return the line of a channel's points and which of the converter's errors it covers."""
    if not len(points):
        return Line(0.0, 1.0, 0.0, 0.0, 0.0, math.nan, 0.0, 0), []
    # an exact zero would stand alone: noise is never less than a thousandth of a count
    own = np.maximum(own, 1e-3 * abs(converter.step(column)))
    warm = channel.unit == "degC"
    if (warm and float(np.ptp(y)) < _LEAST_SPREAD_K) or all(point.what == "short" for point in points):
        return _offset_alone(x, own, y, shared), ["offset"]
    zero = float(converter.values(column, np.zeros(1))[0]) if converter.is_straight(column) else math.nan
    if float(np.ptp(np.append(y, zero))) > 5.0 * float(np.ptp(y)):
        # nothing near zero was compared: there the converter's usual offset is all that is known
        x, y = np.append(x, zero), np.append(y, zero)
        own = np.append(own, ADC_OFFSET_STEPS / math.sqrt(3.0) * converter.step(column))
        shared = np.append(shared, 0.0)
    return straight_line(x, y, own, shared), ["gain", "offset"]


def _offset_alone(x: FloatArray, own: FloatArray, y: FloatArray, shared: FloatArray) -> Line:
    """Fit y = x + offset, the slope held at 1."""
    n = len(x)
    weights = own**-2 / float(np.sum(own**-2))
    offset = float(weights @ (y - x))
    left = y - x - offset
    moved = float(weights @ shared)
    return Line(
        intercept=offset,
        slope=1.0,
        u_intercept=math.hypot(float(np.sum(own**-2)) ** -0.5, moved),
        u_slope=0.0,
        covariance=0.0,
        residual_sd=math.sqrt(float(left @ left) / (n - 1)) if n > 1 else math.nan,
        chi2=float(np.sum((left / np.hypot(own, shared)) ** 2)),
        dof=n - 1,
        shared_intercept=moved,
    )


def _widened(line: Line, channel: Channel, odd: list[str]) -> Line:
    """Widen a line whose points lie further from it than they state, and say so.

    The ratio is Birge's, square root of chi2 over the degrees of freedom; it is taken where chi2 has less
    than 1 in 100 of chance, by the cube-root approximation of Wilson and Hilferty (1931).
    """
    if line.dof < 1:
        return line
    spread = 2.0 / (9.0 * line.dof)
    most = line.dof * (1.0 - spread + _CHI2_CHANCE_Z * math.sqrt(spread)) ** 3
    if line.chi2 <= most:
        return line
    ratio = math.sqrt(line.chi2 / line.dof)
    odd.append(
        f"{channel.name}'s points lie {ratio:.1f} times further from a straight line than they should: its "
        "uncertainties were widened by that; check the leads, and whether the reference had settled"
    )
    return replace(
        line,
        u_intercept=line.u_intercept * ratio,
        u_slope=line.u_slope * ratio,
        covariance=line.covariance * ratio**2,
    )


# ---- which calibration is in force


def wiring(setup: Setup, daq: DaqInfo, column: int) -> str:
    """Say what a channel is wired as: whatever changes its readings, in one line of text."""
    channel = setup.channel[column]
    keys = {
        "measures", "sense_ohm", "series_ohm", "divider_ohm", "sensor", "r25_ohm", "beta_K", "pullup_ohm",
        "supply_V", "amplifier_gain", "value_per_V", "value_at_0V",
    }  # fmt: skip
    stated = channel.model_dump(include=keys, exclude_defaults=True)
    parts = [f"{key} {stated[key]}" for key in sorted(stated)]
    return "; ".join([*parts, f"column {column}", f"{daq.volts_per_count[column]:.9g} V a count"])


def wirings(setup: Setup, daq: DaqInfo) -> dict[str, str]:
    """Say of each channel, by name, what it is wired as."""
    return {channel.name: wiring(setup, daq, column) for column, channel in enumerate(setup.channel)}


def in_force(setup: Setup, daq: DaqInfo, stored: Calibration | None) -> tuple[Calibration | None, list[str]]:
    """Return the calibration to measure by, and a sentence for each channel whose part of it can't be used.

    What the store has comes before what the set-up states; a channel wired otherwise than when it was
    calibrated is left out. None where there is neither.
    """
    own = Calibration.stated_in(setup)
    if stored is None or not stored.channels:
        return (own if own.channels else None), []
    now = wirings(setup, daq)
    kept: dict[str, Calibrated] = {}
    says = []
    for name, found in stored.channels.items():
        if name not in now:
            continue
        was = stored.wiring.get(name, "")
        if was and was != now[name]:
            says.append(
                f"calibration {stored.id} is not used for {name}: it was wired otherwise then ({was}), "
                "calibrate it again"
            )
            continue
        kept[name] = found
    if not kept:
        return (own if own.channels else None), says
    return replace(stored, channels={**own.channels, **kept}), says


def standing(setup: Setup, calibration: Calibration | None, at: datetime) -> list[str]:
    """Say which calibration a soak begun at `at` is measured by: how old it is, and what it leaves out."""
    channels = (Calibration.stated_in(setup) if calibration is None else calibration).channels
    measured = [channel.name for channel in setup.channel if channel.measures != "push button"]
    dated = {name: found.date for name, found in channels.items() if name in measured}
    if not dated:
        return [
            "Calibration: none. The uncertainties rest on the tolerances of resistors, dividers and sensors "
            "in the set-up and on typical errors of the converter; `soakbench calibrate` makes one."
        ]
    by_day: dict[date, list[str]] = {}
    for name, day in dated.items():
        by_day.setdefault(day, []).append(name)
    listed = "; ".join(f"{day.isoformat()} ({', '.join(names)})" for day, names in sorted(by_day.items()))
    whose = f"Calibration {calibration.id}" if calibration and calibration.id else "Calibration"
    source = "" if calibration and calibration.id else ", as the set-up states it"
    says = [f"{whose}{source}: {listed}."]
    if calibration and calibration.instrument:
        says[0] = f"{says[0][:-1]}, with {calibration.instrument}."
    rest = [name for name in measured if name not in dated]
    if rest:
        says.append(f"Not calibrated, so by tolerances alone: {', '.join(rest)}.")
    oldest = min(dated.values())
    if at.date() - oldest > OVER_AGE:
        months = round((at.date() - oldest).days / 30.44)
        says.append(
            f"The calibration was {months} months old when this soak began, over a year: "
            "calibrate again before a figure close to its limit is relied on."
        )
    return says


# ---- the guided sequence, and the script that stands in for it


@dataclass(frozen=True)
class Step:
    """One thing to do: what is connected to which channels, and what the reference says.

    `value` and `u` (standard) are None until somebody says them; 0 V for a short. In V, A, ohm or the
    channel's unit.
    """

    what: What
    channels: tuple[str, ...]
    value: float | None = None
    u: float | None = None

    @property
    def measures(self) -> bool:
        """Whether scans are taken: a resistor is measured apart from the DAQ."""
        return self.what != "resistor"


@dataclass(frozen=True)
class Script:
    """A calibration written down: who, with what, how long each thing is measured, and the steps."""

    steps: tuple[Step, ...]
    by: str = ""
    instrument: str = ""
    seconds: float = SECONDS


CAUTIONS: Final = (
    "High tension kills, also after switching off. For shorts, reference volts and resistors: amp off, mains "
    "plug out, HT bled and proven gone with a meter that was tried on a known voltage; an HT reading of zero "
    "proves nothing.",
    "One hand. Never a lead on or off while HT is there: clip insulated, rated probes on with the power "
    "off, hands away, then switch on.",
    "Leave every series resistor in place: the converter's input loads it, and a calibration without it "
    "would be wrong by that.",
)
"""Said before a calibration begins."""


def sequence(setup: Setup) -> tuple[Step, ...]:
    """Return the steps of a guided calibration, in order: pairs first, all with HT off; then what is live."""
    pairs = tuple(channel.name for channel in setup.pairs)
    steps = [Step("short", pairs, 0.0, SHORT_U_V)]
    steps += [Step("volts", (name,)) for name in pairs]
    steps += [Step("resistor", (name,)) for name in pairs]
    others = [channel for channel in setup.channel if channel.measures not in ("pair current", "push button")]
    cold = [channel for channel in others if channel.unit == "degC"]
    live = [channel for channel in others if channel.unit != "degC"]
    steps += [Step("meter", (channel.name,)) for channel in [*cold, *live]]
    return tuple(steps)


def guidance(step: Step, setup: Setup) -> str:
    """Say what to do for a step, in plain words."""
    names = ", ".join(step.channels)
    first = setup.channel[setup.index(step.channels[0])]
    match step.what:
        case "short":
            return (
                f"Short the input of {names} at the amp's end of the leads, series resistors in place. Amp "
                "off, plug out."
            )
        case "volts":
            return (
                f"Amp off, plug out: put a known voltage across the input of {names} at the amp's end of the "
                "leads, the sense resistor's own lead off, series resistors in place; best near the volts of "
                "the idle current or above, within full scale."
            )
        case "current":
            return (
                f"Send a known current through the sense resistor of {names}, near the idle current. Amp "
                "off, plug out."
            )
        case "resistor":
            return (
                f"Measure the sense resistor of {names} with four wires, at the resistor's own ends, the "
                f"DAQ's lead off. Amp off, plug out. It should be about {first.sense_ohm:g} ohm."
            )
        case "meter" if first.unit == "degC":
            return f"Put a thermometer beside the sensor of {names} and wait until both stand still. Amp off."
        case "meter" if first.measures in ("HT", "bias voltage", "mains"):
            return (
                f"Clip the bench meter to what {names} measures with the power OFF, hands away, then switch "
                "on and wait until it stands still. It is live: one hand, nothing touched until it is off "
                "again and proven."
            )
        case _:
            return f"Read {names} with the bench meter side by side, standing still."


def unit_of(step: Step, setup: Setup) -> str:
    """Return the unit in which a step's reference is stated: V, A, ohm or degC."""
    match step.what:
        case "short" | "volts":
            return "V"
        case "resistor":
            return "ohm"
        case "current":
            return "A"
        case _:
            return setup.channel[setup.index(step.channels[0])].unit


_UNITS: Final[Mapping[str, Mapping[str, float]]] = {
    "V": {"V": 1.0, "mV": 1e-3, "uV": 1e-6, "µV": 1e-6, "kV": 1e3},
    "A": {"A": 1.0, "mA": 1e-3, "uA": 1e-6, "µA": 1e-6},
    "ohm": {"ohm": 1.0, "Ω": 1.0, "mohm": 1e-3, "mΩ": 1e-3, "kohm": 1e3, "kΩ": 1e3},
    "degC": {"C": 1.0, "°C": 1.0, "degC": 1.0, "K": 1.0},
}
_QUANTITY: Final = re.compile(
    r"\s*([-+]?[0-9]{1,9}(?:[.,][0-9]{1,12})?(?:[eE][-+]?[0-9]{1,2})?)\s*([^\s0-9]+)\s*"
)
_SPLIT: Final = re.compile(r"\s*(±|\+/-|\bU\b|\blimit\b)\s*=?\s*")


def quantity(text: str, unit: str) -> float:
    """Read a number with its unit, such as `100.02 mV`, into `unit`; RequestError where it is none."""
    found = _QUANTITY.fullmatch(text.replace("μ", "µ"))
    scale = _UNITS[unit].get(found[2]) if found else None
    if found is None or scale is None:
        known = ", ".join(_UNITS[unit])
        raise RequestError(f"{text.strip()!r} is no value: write a number and its unit ({known})")
    return float(found[1].replace(",", ".")) * scale


def standard_u(text: str, kind: str, unit: str) -> float:
    """Return a standard uncertainty from a U (95 %, k = 2) or from a limit that is never passed."""
    size = quantity(text, unit)
    if size < 0.0:
        raise RequestError(f"an uncertainty is not negative, got {text.strip()}")
    return size / math.sqrt(3.0) if kind == "limit" else size / 2.0


def reading(text: str, unit: str) -> tuple[float, float]:
    """Read what a person says of a reference: `100.02 mV U 0.02 mV` (95 %), or `... limit 0.05 mV`.

    Returns the value and its standard uncertainty; RequestError where either is missing.
    """
    parts = _SPLIT.split(text.strip())
    if len(parts) != 3:
        raise RequestError(
            f"{text.strip()!r} says no value with its uncertainty: write it like 100.02 mV U 0.02 mV (95 %, "
            "from the instrument's certificate) or 100.02 mV limit 0.05 mV (its specification)"
        )
    return quantity(parts[0], unit), standard_u(parts[2], parts[1], unit)


def read_script(text: str, setup: Setup, path: str = "script") -> Script:
    """Read a calibration script (`soakbench.calibrate/1`, TOML); RequestError says where it is wrong."""
    try:
        raw = toml_lines.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RequestError(f"{path} is no TOML: {error}") from error
    if raw.get("schema") != SCRIPT_SCHEMA:
        raise RequestError(f'{path}: its schema is {raw.get("schema")!r}, expected "{SCRIPT_SCHEMA}"')
    _only(raw, {"schema", "by", "instrument", "seconds", "step"}, path)
    seconds = raw.get("seconds", SECONDS)
    if isinstance(seconds, bool) or not isinstance(seconds, (int, float)) or not 5 <= seconds <= 3600:
        raise RequestError(f"{path}: seconds is 5 to 3600, got {seconds!r}")
    steps = raw.get("step", [])
    if not isinstance(steps, list) or not steps or not all(isinstance(one, dict) for one in steps):
        raise RequestError(f"{path} has no [[step]]: write down what is connected, one after the other")
    return Script(
        steps=tuple(_step(one, setup, f"{path}, step {i}") for i, one in enumerate(steps, 1)),
        by=_text(raw, "by", path),
        instrument=_text(raw, "instrument", path),
        seconds=float(seconds),
    )


def _step(raw: Mapping[str, Any], setup: Setup, where: str) -> Step:
    _only(raw, {"what", "channels", "value", "U", "limit"}, where)
    what = raw.get("what")
    if what not in get_args(What):
        raise RequestError(f"{where}: what is one of {', '.join(get_args(What))}, got {what!r}")
    channels = raw.get("channels")
    if not isinstance(channels, list) or not channels:
        raise RequestError(f"{where}: channels is a list of names, got {channels!r}")
    for name in channels:
        if name not in setup.names:
            raise RequestError(f"{where}: there is no channel {name!r}, it has {', '.join(setup.names)}")
    step = Step(cast("What", what), tuple(channels))
    if len({unit_of(replace(step, channels=(name,)), setup) for name in channels}) > 1:
        raise RequestError(f"{where}: channels of different units can't share one value")
    unit = unit_of(step, setup)
    stated = [kind for kind in ("U", "limit") if kind in raw]
    if what == "short":
        if "value" in raw:
            raise RequestError(f"{where}: a short is 0 V, leave value out")
        u = standard_u(_text(raw, stated[0], where), stated[0], unit) if stated else SHORT_U_V
        return replace(step, value=0.0, u=u)
    if "value" not in raw or len(stated) != 1:
        raise RequestError(f"{where}: a value and its U (95 %) or its limit are wanted, one of the two")
    try:
        value = quantity(_text(raw, "value", where), unit)
        u = standard_u(_text(raw, stated[0], where), stated[0], unit)
    except RequestError as error:
        raise RequestError(f"{where}: {error}") from error
    if what in ("resistor", "volts", "current") and value == 0.0:
        raise RequestError(f"{where}: {what} of 0 says nothing, a short has a step of its own")
    if what == "resistor" and value < 0.0:
        raise RequestError(f"{where}: no resistor has {value:g} ohm")
    return replace(step, value=value, u=u)


def _text(raw: Mapping[str, Any], key: str, where: str) -> str:
    value = raw.get(key, "")
    if not isinstance(value, str):
        raise RequestError(f'{where}: {key} is text such as "100.02 mV", got {value!r}')
    return value


def _only(raw: Mapping[str, Any], keys: set[str], where: str) -> None:
    for key in raw:
        if key not in keys:
            raise RequestError(f"{where}: unknown key {key!r}, known are {', '.join(sorted(keys))}")
