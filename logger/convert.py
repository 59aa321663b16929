"""Scans to readings and ticks, and the uncertainty budget, one named term each.

Counts become volts, volts become amperes through a sense resistor, volts of HT through a divider, degrees
through a sensor's curve. Everything here is pure and works on arrays of counts.

The terms of the budget are the calibration part: what no averaging removes. Limits that a set-up does not
state are defaults of ours, and each says so in its name or beside its constant; none is a measured property
of the parts in hand. Noise is the caller's: it knows over how many readings it averaged.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from logger.blocks import (
    NO_READING,
    DaqInfo,
    FloatArray,
    Int64Array,
    ReadingBlock,
    ScanBlock,
    TickBlock,
)
from logger.errors import Fault, SetupError
from logger.setup import Calibrated, Channel, Setup

ZERO_C_IN_K: Final = 273.15

# ---- defaults of ours where a set-up says nothing

RESISTOR_TOLERANCE_PCT: Final = 1.0
RESISTOR_WARMING_K: Final = 30.0  # how far a resistor may be from the temperature it was made or measured at
RESISTOR_K_PER_W: Final = 100.0  # how much its own watts warm a small power resistor; from memory
LEAD_EMF_V: Final = 10e-6  # some 3 K along a sense lead at about 3 uV/K of copper against solder; from memory
ADC_GAIN_PCT: Final = 0.15
ADC_OFFSET_STEPS: Final = 4.0  # of a 16-bit converter; from memory
REFERENCE_PPM_PER_K: Final = 40.0  # the converter's reference, as one on the chip may move; from memory
REFERENCE_WARMING_K: Final = 15.0  # how far the board may be from the temperature its gain is stated at
ADC_INPUT_OHM: Final = 500e3  # what a resistor in the sense wire works into, at worst
INPUT_LEAK_A: Final = 20e-9  # what a warm clamp diode draws through that resistor; from memory
EARTH_RETURN_OHM: Final = 0.01  # chassis and lead that carry all pairs' currents, under a one-wire reading
SUPPLY_PCT: Final = 1.0
BETA_PCT: Final = 1.0
COLD_JUNCTION_K: Final = 2.0
UNKNOWN_SENSOR_K: Final = 2.0

_THERMAL: Final = ("ambient temperature", "chassis temperature", "transformer temperature", "temperature")


@dataclass(frozen=True)
class Calibration:
    """What calibration found: a channel's name to its gain, offset and their uncertainties.

    value = gain x uncalibrated value + offset; `offset` and `u_offset` are in the channel's unit (A, V,
    degC), `gain` and `u_gain` are ratios; both uncertainties are standard ones. `id` is its number in the
    store (None where it is in none), `board_id` the board it was made with, `made` when; `wiring` says of
    each channel what it was wired as, so that it is not used with anything else. One without channels is
    no calibration at all, also where the set-up states one.
    """

    channels: Mapping[str, Calibrated] = field(default_factory=dict)
    id: int | None = None
    board_id: str = ""
    made: datetime | None = None
    by: str = ""
    instrument: str = ""
    wiring: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def stated_in(cls, setup: Setup) -> Calibration:
        """Return the calibration that a set-up carries in its `calibrated` keys."""
        return cls({channel.name: channel.calibrated for channel in setup.channel if channel.calibrated})


def daq_from_setup(setup: Setup) -> DaqInfo:
    """Say what the DAQ must have been, where none can be asked.

    What each channel's scale is then: `Setup.scale_of`.
    """
    steps, counts = zip(*map(setup.scale_of, setup.channel), strict=True)
    return DaqInfo("none", 1, steps, counts)


# ---- counts to units


class Converter:
    """Counts of one DAQ, wired as one set-up says, to readings.

    `calibration` left out means the one that the set-up carries, if any.

    Raises SetupError where the DAQ has another number of channels than the set-up.
    """

    def __init__(self, setup: Setup, daq: DaqInfo, calibration: Calibration | None = None) -> None:
        columns = len(setup.channel)
        if len(daq.volts_per_count) != columns or len(daq.full_count) != columns:
            raise SetupError(
                "in use",
                [
                    Fault(
                        "channel",
                        f"the {len(daq.volts_per_count)} channels of DAQ {daq.board_id}",
                        f"{columns}",
                    )
                ],
            )
        found = (Calibration.stated_in(setup) if calibration is None else calibration).channels
        self._setup = setup
        self._step_v = daq.volts_per_count
        self._full = np.asarray(daq.full_count, dtype=np.int64)
        self._calibrated = [found.get(channel.name) for channel in setup.channel]
        self._per_count = np.full(columns, np.nan)
        self._at_zero = np.full(columns, np.nan)
        self._curved: list[int] = []
        for column, channel in enumerate(setup.channel):
            straight = _straight(channel)
            if straight is None:
                self._curved.append(column)
                continue
            per_v, at_0v = straight
            known = self._calibrated[column]
            gain, offset = (known.gain, known.offset) if known else (1.0, 0.0)
            self._per_count[column] = gain * per_v * daq.volts_per_count[column]
            self._at_zero[column] = gain * at_0v + offset

    def readings(self, scans: ScanBlock) -> ReadingBlock:
        """Return the scans in A, V and degC: NaN where there was no reading or the channel railed."""
        counts = scans.counts.astype(np.int64)
        there = counts != NO_READING
        railed = (counts >= self._full).astype(np.int8) - ((counts <= -self._full) & there).astype(np.int8)
        values = counts * self._per_count + self._at_zero
        for column in self._curved:
            values[:, column] = self.values(column, counts[:, column].astype(np.float64))
        values[~there | (railed != 0)] = np.nan
        return ReadingBlock(scans.t_us, values, railed)

    def values(self, column: int, counts: FloatArray) -> FloatArray:
        """Return counts of one channel, or means of counts, in its unit; any shape, NaN stays NaN.

        Raises SetupError for a temperature whose sensor the set-up does not state.
        """
        if column not in self._curved:
            straight: FloatArray = np.asarray(counts) * self._per_count[column] + self._at_zero[column]
            return straight
        channel = self._setup.channel[column]
        if channel.sensor is None:
            raise SetupError(
                "in use",
                [Fault(f'channel "{channel.name}".sensor', "ntc, pt100, type K or linear", "nothing")],
            )
        values = _curve(channel, np.asarray(counts, dtype=np.float64) * self._step_v[column])
        known = self._calibrated[column]
        return values * known.gain + known.offset if known else values

    def counts(self, column: int, values: FloatArray) -> FloatArray:
        """Return the counts, not rounded, that `values` would have come from: the inverse of `values`."""
        if column not in self._curved:
            straight: FloatArray = (np.asarray(values) - self._at_zero[column]) / self._per_count[column]
            return straight
        known = self._calibrated[column]
        plain = np.asarray(values, dtype=np.float64)
        plain = (plain - known.offset) / known.gain if known else plain
        return _curve_back(self._setup.channel[column], plain) / self._step_v[column]

    def is_straight(self, column: int) -> bool:
        """Whether a channel's unit is a straight line in counts; a sensor with a curve is not."""
        return column not in self._curved

    def step(self, column: int) -> float:
        """Return one count in the channel's unit; for a sensor with a curve its least over the usual range.

        NaN for a temperature whose sensor the set-up does not state.
        """
        if column not in self._curved:
            return abs(float(self._per_count[column]))
        if self._setup.channel[column].sensor is None:
            return math.nan
        usual_c = np.linspace(-40.0, 150.0, 191)
        at = self.counts(column, usual_c)
        return float(np.min(1.0 / np.abs(np.diff(at))))


def _straight(channel: Channel) -> tuple[float, float] | None:
    """Return unit per volt at the converter and unit at 0 V, or None where the way is no straight line."""
    if channel.measures == "pair current":
        assert channel.sense_ohm is not None  # required by the set-up's own check
        return 1.0 / channel.sense_ohm, 0.0
    if channel.sensor in ("ntc", "pt100", "type K"):
        return None
    if channel.value_per_V is not None:
        return channel.value_per_V, channel.value_at_0V
    if channel.divider_ohm is not None:
        top, bottom = channel.divider_ohm
        return (top + bottom) / bottom, 0.0
    return None if channel.measures in _THERMAL else (1.0, 0.0)


# ---- sensors with a curve
#
# ntc and pt100: supply_V - pullup_ohm - pin - sensor - ground. type K: an amplifier with its own gain.

_PT_A: Final = 3.9083e-3  # IEC 60751
_PT_B: Final = -5.775e-7
_PT_C: Final = -4.183e-12
_PT_R0: Final = 100.0

# NIST ITS-90 thermocouple database (SRD 60, Monograph 175), type K; E in mV, t in degC.
_K_BELOW: Final = (
    0.0,
    0.039450128025,
    2.3622373598e-05,
    -3.2858906784e-07,
    -4.9904828777e-09,
    -6.7509059173e-11,
    -5.7410327428e-13,
    -3.1088872894e-15,
    -1.0451609365e-17,
    -1.9889266878e-20,
    -1.6322697486e-23,
)
_K_ABOVE: Final = (
    -0.017600413686,
    0.038921204975,
    1.8558770032e-05,
    -9.9457592874e-08,
    3.1840945719e-10,
    -5.6072844889e-13,
    5.6075059059e-16,
    -3.2020720003e-19,
    9.7151147152e-23,
    -1.2104721275e-26,
)
_K_HUMP: Final = (0.1185976, -0.0001183432, 126.9686)
_K_INVERSE: Final = (
    (
        -5.891,
        (
            0.0,
            25.173462,
            -1.1662878,
            -1.0833638,
            -0.8977354,
            -0.37342377,
            -0.086632643,
            -0.010450598,
            -0.00051920577,
        ),
    ),
    (
        0.0,
        (
            0.0,
            25.08355,
            0.07860106,
            -0.2503131,
            0.0831527,
            -0.01228034,
            0.0009804036,
            -4.41303e-05,
            1.057734e-06,
            -1.052755e-08,
        ),
    ),
    (20.644, (-131.8058, 48.30222, -1.646031, 0.05464731, -0.0009650715, 8.802193e-06, -3.11081e-08)),
)
_K_MOST_MV: Final = 54.886


def _curve(channel: Channel, volts: FloatArray) -> FloatArray:
    """Return degC from volts at the converter; NaN beyond what the sensor or its circuit can give."""
    if channel.sensor == "type K":
        cold_mv = float(type_k_mv(np.array([channel.cold_junction_C]))[0])
        return type_k_c(1000.0 * volts / channel.amplifier_gain + cold_mv)
    possible = (volts > 0.0) & (volts < channel.supply_V)
    inside = np.where(possible, volts, channel.supply_V / 2.0)
    ohms = _pullup(channel) * inside / (channel.supply_V - inside)
    celsius = ntc_c(ohms, channel.r25_ohm, channel.beta_K) if channel.sensor == "ntc" else pt100_c(ohms)
    return np.where(possible, celsius, np.nan)


def _curve_back(channel: Channel, celsius: FloatArray) -> FloatArray:
    """Return volts at the converter from degC: the inverse of `_curve`."""
    if channel.sensor == "type K":
        cold_mv = float(type_k_mv(np.array([channel.cold_junction_C]))[0])
        return (type_k_mv(celsius) - cold_mv) / 1000.0 * channel.amplifier_gain
    if channel.sensor == "ntc":
        ohms = ntc_ohm(celsius, channel.r25_ohm, channel.beta_K)
    elif channel.sensor == "pt100":
        ohms = pt100_ohm(celsius)
    else:
        return np.full_like(celsius, np.nan)
    volts: FloatArray = channel.supply_V * ohms / (ohms + _pullup(channel))
    return volts


def _pullup(channel: Channel) -> float:
    return channel.pullup_ohm or channel.r25_ohm


def ntc_c(ohms: FloatArray, r25_ohm: float, beta_k: float) -> FloatArray:
    """Return degC of a thermistor by the beta model, 1/T = 1/298.15 K + ln(R/R25)/beta."""
    celsius: FloatArray = 1.0 / (1.0 / 298.15 + np.log(ohms / r25_ohm) / beta_k) - ZERO_C_IN_K
    return celsius


def ntc_ohm(celsius: FloatArray, r25_ohm: float, beta_k: float) -> FloatArray:
    """Return ohms of a thermistor by the beta model; NaN below -250 degC, where that means nothing."""
    kelvin = np.where(celsius > -250.0, celsius + ZERO_C_IN_K, np.nan)
    ohms: FloatArray = r25_ohm * np.exp(beta_k * (1.0 / kelvin - 1.0 / 298.15))
    return ohms


def pt100_ohm(celsius: FloatArray) -> FloatArray:
    """Return ohms of a Pt100 by IEC 60751 (Callendar-Van Dusen), both sides of 0 degC; -200 to 850 degC."""
    below = np.where(celsius < 0.0, _PT_C * (celsius - 100.0) * celsius**3, 0.0)
    ohms: FloatArray = _PT_R0 * (1.0 + _PT_A * celsius + _PT_B * celsius**2 + below)
    return ohms


def pt100_c(ohms: FloatArray) -> FloatArray:
    """Return degC of a Pt100 by IEC 60751; NaN outside -200 to 850 degC."""
    kept = np.clip(ohms, 15.0, 400.0)
    celsius: FloatArray = (-_PT_A + np.sqrt(_PT_A**2 - 4.0 * _PT_B * (1.0 - kept / _PT_R0))) / (2.0 * _PT_B)
    for _ in range(4):  # the quadratic is exact above 0 degC; below, Newton's steps on the whole polynomial
        slope = _PT_A + 2.0 * _PT_B * celsius
        slope += np.where(celsius < 0.0, _PT_C * (4.0 * celsius**3 - 300.0 * celsius**2), 0.0)
        celsius = celsius - (pt100_ohm(celsius) / _PT_R0 - kept / _PT_R0) / slope
    least, most = pt100_ohm(np.array([-200.0, 850.0]))
    return np.where((ohms >= least - 0.01) & (ohms <= most + 0.01), celsius, np.nan)


def type_k_mv(celsius: FloatArray) -> FloatArray:
    """Return the emf of a type K thermocouple against 0 degC, NIST ITS-90; NaN outside -270 to 1372 degC."""
    return np.where((celsius >= -270.0) & (celsius <= 1372.0), _type_k_polynomial(celsius), np.nan)


def _type_k_polynomial(celsius: FloatArray) -> FloatArray:
    a0, a1, a2 = _K_HUMP
    above = np.polynomial.polynomial.polyval(celsius, _K_ABOVE) + a0 * np.exp(a1 * (celsius - a2) ** 2)
    emf: FloatArray = np.where(celsius < 0.0, np.polynomial.polynomial.polyval(celsius, _K_BELOW), above)
    return emf


def type_k_c(emf_mv: FloatArray) -> FloatArray:
    """Return degC of a type K thermocouple against 0 degC; NaN outside -200 to 1372 degC.

    The published inverse polynomials (good to 0.06 degC), brought onto the reference function by two Newton
    steps.
    """
    celsius = np.full_like(emf_mv, np.nan, dtype=np.float64)
    for least_mv, coefficients in _K_INVERSE:
        here = emf_mv >= least_mv - 5e-4
        celsius = np.where(here, np.polynomial.polynomial.polyval(emf_mv, coefficients), celsius)
    celsius = np.where(emf_mv <= _K_MOST_MV + 5e-4, celsius, np.nan)
    for _ in range(2):
        slope = (_type_k_polynomial(celsius + 0.05) - _type_k_polynomial(celsius - 0.05)) / 0.1
        celsius = celsius - (_type_k_polynomial(celsius) - emf_mv) / slope
    return celsius


# ---- ticks


class TickMaker:
    """Readings in, whole seconds out; the same ticks for any blocking of the same readings.

    A tick is made from all its readings at once, when the first of a later second arrives, so that not even a
    rounding depends on the blocks. Seconds without a reading are ticks with n = 0.
    """

    def __init__(self) -> None:
        self._held: ReadingBlock | None = None
        self._columns = 0

    def feed(self, block: ReadingBlock) -> TickBlock:
        """Take readings, later than all before; return the ticks that they close."""
        self._columns = block.values.shape[1]
        if len(block) == 0:
            return _no_ticks(self._columns)
        whole = block if self._held is None else _joined(self._held, block)
        seconds = whole.t_us // 1_000_000
        first_open = int(np.searchsorted(seconds, seconds[-1]))
        self._held = _rows(whole, first_open, len(whole))
        return _ticks(whole, seconds, first_open, int(seconds[-1]))

    def finish(self) -> TickBlock:
        """End of the soak: return the tick still open, closed by its own last reading."""
        held, self._held = self._held, None
        if held is None:
            return _no_ticks(self._columns)
        seconds = held.t_us // 1_000_000
        return _ticks(held, seconds, len(held), int(seconds[-1]) + 1)


def _joined(a: ReadingBlock, b: ReadingBlock) -> ReadingBlock:
    return ReadingBlock(
        np.concatenate([a.t_us, b.t_us]),
        np.concatenate([a.values, b.values]),
        np.concatenate([a.railed, b.railed]),
    )


def _rows(block: ReadingBlock, start: int, end: int) -> ReadingBlock:
    """Copy rows, so that a short rest does not keep a large block alive."""
    return ReadingBlock(
        block.t_us[start:end].copy(), block.values[start:end].copy(), block.railed[start:end].copy()
    )


def _no_ticks(columns: int) -> TickBlock:
    none = np.empty((0, columns))
    return TickBlock(
        np.empty(0, dtype=np.int64),
        np.empty(0),
        none.astype(np.int32),
        none,
        none.copy(),
        none.copy(),
        none.astype(np.int32),
    )


def _ticks(whole: ReadingBlock, seconds: Int64Array, rows: int, until_s: int) -> TickBlock:
    """Make the ticks of the first `rows` readings, and the empty ones up to `until_s`."""
    columns = whole.values.shape[1]
    if rows == 0:
        return _no_ticks(columns)
    first_s = int(seconds[0])
    t_s = np.arange(first_s, until_s, dtype=np.int64)
    starts = np.flatnonzero(np.diff(seconds[:rows], prepend=first_s - 1))
    at = seconds[starts] - first_s
    values = whole.values[:rows]
    there = ~np.isnan(values)

    shape = (len(t_s), columns)
    n, railed = np.zeros(shape, dtype=np.int32), np.zeros(shape, dtype=np.int32)
    mean, least, greatest = np.full(shape, np.nan), np.full(shape, np.nan), np.full(shape, np.nan)
    n[at] = np.add.reduceat(there, starts, axis=0, dtype=np.int32)
    railed[at] = np.add.reduceat(whole.railed[:rows] != 0, starts, axis=0, dtype=np.int32)
    sums = np.add.reduceat(np.where(there, values, 0.0), starts, axis=0)
    mean[at] = np.divide(sums, n[at], out=np.full_like(sums, np.nan), where=n[at] > 0)
    least[at] = np.fmin.reduceat(values, starts, axis=0)
    greatest[at] = np.fmax.reduceat(values, starts, axis=0)

    # what closed a tick is the first reading of any later second; the last ticks of a soak have none
    closing = np.minimum(np.searchsorted(seconds, t_s, side="right"), len(whole) - 1)
    return TickBlock(t_s, whole.t_us[closing] / 1e6, n, mean, least, greatest, railed)


# ---- the uncertainty budget


@dataclass(frozen=True)
class Term:
    """One reason why a value may be wrong.

    `value` in `unit`: half the width of a rectangular distribution, or the standard uncertainty of a normal
    one. `sensitivity`: the channel's unit per `unit`. `shared`: common to all pairs, so that it cancels, to
    first order, in a difference between two of them. `replaced_by`: the part of a calibration that takes its
    place, "" where none does.
    """

    term: str
    value: float
    unit: str
    distribution: Literal["normal", "rectangular"]
    sensitivity: float
    shared: bool = False
    replaced_by: Literal["", "gain", "offset", "parts"] = ""

    @property
    def contribution(self) -> float:
        """Its standard uncertainty, in the channel's unit."""
        size = abs(self.sensitivity) * self.value
        return size if self.distribution == "normal" else size / math.sqrt(3.0)

    @property
    def half_width(self) -> float:
        """Half its width in the channel's unit, if rectangular; else 0."""
        return abs(self.sensitivity) * self.value if self.distribution == "rectangular" else 0.0


def terms(
    setup: Setup,
    daq: DaqInfo,
    column: int,
    value: float,
    calibration: Calibration | None = None,
    *,
    scan_noise: float | None = None,
) -> list[Term]:
    """Return the calibration part of the uncertainty of `value` (A, V, degC) on one channel, term by term.

    A calibration takes the place of resistor tolerances and of the converter's gain and offset. `scan_noise`
    is the standard deviation of single scans in the channel's unit: from half a step on it dithers the
    converter's step, which a mean then no longer carries; left out, the step is counted.
    """
    channel = setup.channel[column]
    step_v = daq.converter_step_v(column)
    known = (Calibration.stated_in(setup) if calibration is None else calibration).channels.get(channel.name)
    plain = (value - known.offset) / known.gain if known else value
    volts, per_v = _at_converter(channel, plain, step_v)
    pair = channel.measures == "pair current"
    gain = Term("converter gain", ADC_GAIN_PCT, "%", "rectangular", per_v * volts / 100.0, pair, "gain")
    offset = Term("converter offset", ADC_OFFSET_STEPS * step_v, "V", "rectangular", per_v, False, "offset")
    drift = per_v * volts * REFERENCE_WARMING_K * 1e-6
    reference = Term("converter reference, warming", REFERENCE_PPM_PER_K, "ppm/K", "rectangular", drift, pair)
    out = [*_part_terms(setup, channel, plain), gain, offset, reference]
    if known:
        found = _calibration_terms(known, channel, plain)
        out = [*found, *(term for term in out if term.replaced_by not in known.covers)]
    step = abs(per_v) * step_v
    if scan_noise is None or not scan_noise >= step / 2.0:
        out.append(Term("converter step", step_v / 2.0, "V", "rectangular", per_v))
    return out


def _calibration_terms(known: Calibrated, channel: Channel, plain: float) -> list[Term]:
    """Return what a calibration leaves open at an uncalibrated value: independent terms of the same whole."""
    covariance = known.r_gain_offset * known.u_gain * known.u_offset - known.shared_gain * known.shared_offset
    own_offset = math.sqrt(max(0.0, known.u_offset**2 - known.shared_offset**2))
    per_offset = covariance / own_offset**2 if own_offset > 0.0 else 0.0  # what of the gain moves with it
    own_gain = math.sqrt(max(0.0, known.u_gain**2 - known.shared_gain**2 - (per_offset * own_offset) ** 2))
    out = []
    if "gain" in known.covers or "parts" in known.covers:
        out.append(Term("calibration, gain", 100.0 * own_gain, "%", "normal", plain / 100.0))
    if "offset" in known.covers:
        moved = 1.0 + plain * per_offset
        out.append(Term("calibration, offset", own_offset, channel.unit, "normal", moved))
    if known.shared_gain or known.shared_offset:
        size = plain * known.shared_gain + known.shared_offset
        pair = channel.measures == "pair current"
        out.append(Term("calibration, reference", 1.0, "u", "normal", size, shared=pair))
    return out


def _at_converter(channel: Channel, value: float, step_v: float) -> tuple[float, float]:
    """Return the volts at the converter and the unit per volt there."""
    straight = _straight(channel)
    if straight is not None:
        per_v, at_0v = straight
        return (value - at_0v) / per_v, per_v
    if channel.sensor is None:
        return 0.0, 0.0  # its one term says that nothing is known
    volts = float(_curve_back(channel, np.array([value]))[0])
    near = max(1e-3 * abs(volts), step_v)
    return volts, _slope(lambda moved_v: float(_curve(channel, np.array([volts + moved_v]))[0]), near)


def _part_terms(setup: Setup, channel: Channel, value: float) -> list[Term]:
    """Return the terms of what lies before the converter."""
    return [
        replace(term, replaced_by=_STAYS.get(term.term, "" if term.unit == "ppm/K" else "parts"))
        for term in _parts(setup, channel, value)
    ]


_STAYS: Final[Mapping[str, Literal["", "gain", "offset"]]] = {
    "series resistor, loading": "gain",  # in place while the converter is calibrated
    "earth return": "",  # the other pairs' currents don't flow then
    "series resistor, leakage": "offset",  # the same
    "lead, thermal emf": "",  # no two days are alike in what is warm along a lead
    "cold junction": "",  # it has another temperature another day
}
"""What no measuring of the parts themselves takes away."""


def _parts(setup: Setup, channel: Channel, value: float) -> list[Term]:
    tolerance = RESISTOR_TOLERANCE_PCT if channel.tolerance_pct is None else channel.tolerance_pct
    warm = channel.tempco_ppm_per_K
    if channel.measures == "pair current":
        assert channel.sense_ohm is not None  # required by the set-up's own check
        # what warms it from outside and its own watts act through one coefficient: they add, as one error
        warmer_k = RESISTOR_WARMING_K + value**2 * channel.sense_ohm * RESISTOR_K_PER_W
        out = [
            Term("sense resistor, tolerance", tolerance, "%", "rectangular", value / 100.0),
            Term("sense resistor, warming", warm, "ppm/K", "rectangular", value * warmer_k * 1e-6),
            Term("lead, thermal emf", LEAD_EMF_V, "V", "rectangular", 1.0 / channel.sense_ohm),
        ]
        if channel.series_ohm:
            out.append(
                Term(
                    "series resistor, loading",
                    channel.series_ohm,
                    "ohm",
                    "rectangular",
                    value / ADC_INPUT_OHM,
                )
            )
            leaked = channel.series_ohm / channel.sense_ohm
            out.append(Term("series resistor, leakage", INPUT_LEAK_A, "A", "rectangular", leaked))
        if setup.against_ground(channel):
            all_pairs = value * len(setup.pairs) / channel.sense_ohm
            out.append(Term("earth return", EARTH_RETURN_OHM, "ohm", "rectangular", all_pairs))
        return out
    if channel.sensor in ("ntc", "pt100", "type K"):
        return _sensor_terms(channel, value, tolerance)
    if channel.value_per_V is not None:
        return [Term("transducer", tolerance, "%", "rectangular", (value - channel.value_at_0V) / 100.0)]
    if channel.divider_ohm is not None:
        top, bottom = channel.divider_ohm
        share = value * top / (top + bottom)
        return [
            Term("divider, upper resistor", tolerance, "%", "rectangular", share / 100.0),
            Term("divider, lower resistor", tolerance, "%", "rectangular", -share / 100.0),
            Term(
                "divider, warming of the upper",
                warm,
                "ppm/K",
                "rectangular",
                share * RESISTOR_WARMING_K * 1e-6,
            ),
            Term(
                "divider, warming of the lower",
                warm,
                "ppm/K",
                "rectangular",
                -share * RESISTOR_WARMING_K * 1e-6,
            ),
        ]
    if channel.measures in _THERMAL:
        return [Term("sensor, not stated", UNKNOWN_SENSOR_K, "degC", "rectangular", 1.0)]
    if channel.tolerance_pct is not None or channel.measures not in ("voltage", "push button"):
        return [Term("divider, not stated", tolerance, "%", "rectangular", value / 100.0)]
    return []


def _sensor_terms(channel: Channel, celsius: float, tolerance: float) -> list[Term]:
    """Return the terms of a sensor with a curve; sensitivities by a small change of each part."""
    volts = _curve_back(channel, np.array([celsius]))
    fixed = channel.model_copy(update={"pullup_ohm": _pullup(channel)})

    def per_pct(key: str, size: float) -> float:
        def moved(part: float) -> float:
            changed = fixed.model_copy(update={key: size * (1.0 + part)})
            return float(_curve(changed, volts)[0])

        return _slope(moved, 1e-3) / 100.0

    if channel.sensor == "type K":
        cold = channel.cold_junction_C

        def junction(moved_k: float) -> float:
            changed = channel.model_copy(update={"cold_junction_C": cold + moved_k})
            return float(_curve(changed, volts)[0])

        per_k = _slope(junction, 0.1)
        # class 2 of IEC 60584: 2.5 degC or 0.75 %, whichever is more; from memory
        wire = max(2.5, 0.0075 * abs(celsius))
        return [
            Term("thermocouple, class 2 (from memory)", wire, "degC", "rectangular", 1.0),
            Term("cold junction", COLD_JUNCTION_K, "degC", "rectangular", per_k),
            Term(
                "amplifier gain",
                tolerance,
                "%",
                "rectangular",
                per_pct("amplifier_gain", channel.amplifier_gain),
            ),
        ]
    out = [
        Term(
            "pull-up resistor",
            RESISTOR_TOLERANCE_PCT,
            "%",
            "rectangular",
            per_pct("pullup_ohm", _pullup(channel)),
        ),
        Term("supply", SUPPLY_PCT, "%", "rectangular", per_pct("supply_V", channel.supply_V)),
    ]
    if channel.sensor == "pt100":
        # IEC 60751 class B
        return [Term("sensor, class B", 0.3 + 0.005 * abs(celsius), "degC", "rectangular", 1.0), *out]
    return [
        Term("thermistor, R25", tolerance, "%", "rectangular", per_pct("r25_ohm", channel.r25_ohm)),
        Term("thermistor, beta", BETA_PCT, "%", "rectangular", per_pct("beta_K", channel.beta_K)),
        *out,
    ]


def _slope(of: Callable[[float], float], step: float) -> float:
    """Return the derivative at 0 by central differences, exact for a polynomial of the fourth degree."""
    near, far = of(step) - of(-step), of(2.0 * step) - of(-2.0 * step)
    return (8.0 * near - far) / (12.0 * step)


# ---- expanded uncertainty


def value_U(
    setup: Setup,
    daq: DaqInfo,
    column: int,
    value: float,
    normal_u: float = 0.0,
    calibration: Calibration | None = None,
    *,
    scan_noise: float | None = None,
) -> tuple[float, float]:
    """Return U and coverage factor of a value, in the channel's unit.

    `normal_u` is the noise part: the standard uncertainty of the mean that `value` is.
    """
    own = terms(setup, daq, column, value, calibration, scan_noise=scan_noise)
    normal = math.hypot(normal_u, *(term.contribution for term in own if term.distribution == "normal"))
    return expanded(normal, [term.half_width for term in own if term.distribution == "rectangular"])


def difference_U(
    setup: Setup,
    daq: DaqInfo,
    column: int,
    values: Mapping[int, float],
    normal_u: Mapping[int, float] | None = None,
    calibration: Calibration | None = None,
    *,
    scan_noise: Mapping[int, float] | None = None,
) -> tuple[float, float]:
    """Return U and coverage factor of a pair's difference from the others, in A.

    `values`: the currents of the pairs compared, this one among them, by column; `normal_u` and `scan_noise`
    the same way. What all pairs share acts on the difference alone. NaN for one pair.

    Two pairs: exact. More: the median of all is no straight line, since errors decide which pair is in the
    middle, so distributions are propagated by a draw (JCGM 101:2008), always the same one; U is then the
    half-width about the difference as read that holds 95 % of it, and U over the factor its rms.
    """
    weights = difference_weights(values, column)
    if weights is None:
        return math.nan, math.nan
    noises, noise_u = scan_noise or {}, normal_u or {}
    own = {
        other: terms(setup, daq, other, value, calibration, scan_noise=noises.get(other))
        for other, value in values.items()
    }
    return difference_U_of(own, column, values, noise_u)


def difference_U_of(
    budgets: Mapping[int, Sequence[Term]],
    column: int,
    values: Mapping[int, float],
    normal_u: Mapping[int, float],
) -> tuple[float, float]:
    """Return what `difference_U` does, from each pair's own terms; two pairs at least."""
    columns = sorted(values)
    normals = {other: [normal_u.get(other, 0.0)] for other in columns}
    flats: dict[int, list[float]] = {other: [] for other in columns}
    shared: dict[tuple[str, str], list[float]] = {}
    for row, other in enumerate(columns):
        for term in budgets[other]:
            size = term.value * term.sensitivity
            if term.shared:
                sizes = shared.setdefault((term.distribution, term.term), [0.0] * len(columns))
                sizes[row] += size
            elif term.distribution == "normal":
                normals[other].append(abs(size))
            elif size != 0.0:
                flats[other].append(abs(size))
    common_normal = [sizes for (distribution, _), sizes in shared.items() if distribution == "normal"]
    common_flat = [sizes for (distribution, _), sizes in shared.items() if distribution != "normal"]
    if len(columns) == 2:
        left_normal, left_flat = (
            [abs(sizes[0] - sizes[1]) for sizes in group] for group in (common_normal, common_flat)
        )
        normal = math.hypot(*(u for part in normals.values() for u in part), *left_normal)
        return expanded(normal, [*(size for part in flats.values() for size in part), *left_flat])
    return _drawn_differences(
        tuple(values[other] for other in columns),
        tuple(math.hypot(*normals[other]) for other in columns),
        tuple(tuple(sorted(flats[other], reverse=True)) for other in columns),
        tuple(map(tuple, common_normal)),
        tuple(map(tuple, common_flat)),
    )[columns.index(column)]


_COVERAGE: Final = 0.95
_DRAWS: Final = 40_000
"""U to about 0.4 %, its rms to 0.2 %."""


@lru_cache(maxsize=64)
def _drawn_differences(
    values: tuple[float, ...],
    normals: tuple[float, ...],
    flats: tuple[tuple[float, ...], ...],
    common_normal: tuple[tuple[float, ...], ...],
    common_flat: tuple[tuple[float, ...], ...],
) -> list[tuple[float, float]]:
    """Return U and factor of each pair's difference from the median of all, all in one unit."""
    pairs = len(values)
    if any(math.isnan(u) for u in (*values, *normals, *(size for part in flats for size in part))):
        return [(math.nan, math.nan)] * pairs
    most = max(len(part) for part in flats)
    normal_draw, flat_draw = _unit_draws(pairs, most + len(common_flat), len(common_normal))
    off: FloatArray = np.asarray(normals)[:, None] * normal_draw[:pairs]
    for row, part in enumerate(flats):
        off[row] += np.asarray(part) @ flat_draw[row, : len(part)]
    u_own = np.array(
        [math.hypot(u, *part) for u, part in zip(normals, (_root3(p) for p in flats), strict=True)]
    )
    live = u_own > 0
    if live.any():  # the draw's own variances and covariances, made what they are to be
        own = off[live]
        own -= own.mean(axis=1, keepdims=True)
        u = u_own[live]
        root = np.linalg.cholesky((own @ own.T) / (_DRAWS - 1) / np.outer(u, u))
        off[live] = (u[:, None] * np.linalg.inv(root) / u) @ own
    off += np.asarray(values)[:, None]
    for k, sizes in enumerate(common_flat):
        off += np.outer(sizes, flat_draw[0, most + k])
    for k, sizes in enumerate(common_normal):
        off += np.outer(sizes, normal_draw[pairs + k])
    as_read = np.asarray(values) - np.median(values)
    error = np.abs(off - _middle(off) - as_read[:, None])
    whole, rest = divmod(_COVERAGE * (_DRAWS - 1), 1.0)  # as np.quantile, but by one partition: a tenth of it
    parted = np.partition(error, int(whole), axis=1)
    below, above = parted[:, int(whole)], parted[:, int(whole) + 1 :].min(axis=1)
    out = []
    for U, u2 in zip(below + rest * (above - below), np.mean(error**2, axis=1), strict=True):
        out.append((float(U), float(U / math.sqrt(u2)) if u2 > 0 else math.nan))
    return out


def _middle(rows: FloatArray) -> FloatArray:
    """Return each column's median of a few long rows: a sort by swapping whole rows' neighbours."""
    ordered = list(rows)
    for turn in range(len(ordered)):
        for low in range(turn % 2, len(ordered) - 1, 2):
            one, other = ordered[low], ordered[low + 1]
            ordered[low], ordered[low + 1] = np.minimum(one, other), np.maximum(one, other)
    middle: FloatArray = (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2.0
    return middle


def _root3(half_widths: Sequence[float]) -> list[float]:
    return [size / math.sqrt(3.0) for size in half_widths]


@lru_cache(maxsize=2)
def _unit_draws(pairs: int, flats: int, shared: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return a normal draw (pairs + shared, draws) and a rectangular one (pairs, flats, draws).

    Seven digits of each are enough: they are summed as float64, and say a thousandth of U.
    """
    draw = np.random.default_rng(101)
    normal = draw.standard_normal((_DRAWS, pairs + shared)).T.astype(np.float32)
    flat = np.empty((pairs, flats, _DRAWS), dtype=np.float32)
    for row in flat:  # one pair after the other: the whole is 15 MB with twelve, and need not be there twice
        row[:] = draw.uniform(-1.0, 1.0, (_DRAWS, flats)).T
    return np.ascontiguousarray(normal), flat


def difference_weights(values: Mapping[int, float], column: int) -> dict[int, float] | None:
    """Return how much each pair's error counts in a pair's difference from the others; None for one pair.

    Two pairs: the whole difference. More: the pair less the median of all, that is less the middle pair or
    half each of the middle two. A pair in the middle is its own reference on paper only, since errors decide
    which pair is in the middle: for it, half each of its neighbours in order stand in. This is the straight
    line that a budget's table shows; `difference_U` itself is no straight line.
    """
    if len(values) < 2:
        return None
    order = sorted(values, key=lambda key: (values[key], key))
    n, rank = len(order), order.index(column)
    middle = [order[(n - 1) // 2], order[n // 2]]
    if n == 2:
        reference = [other for other in order if other != column]
    elif column in middle:
        reference = [order[rank - 1], order[rank + 1]]
    else:
        reference = middle
    weights = {column: 1.0}
    for other in reference:
        weights[other] = weights.get(other, 0.0) - 1.0 / len(reference)
    return weights


def expanded(normal_u: float, half_widths: Iterable[float]) -> tuple[float, float]:
    """Return U, the half-width of the shortest 95 % interval, and its coverage factor U/u.

    For the sum of a normal error of standard uncertainty `normal_u` and independent rectangular errors of the
    given half-widths, all in one unit. (0, nan) where nothing is uncertain; NaN in gives NaN out.

    Such a sum is symmetric with one peak, so the shortest interval lies centrally and U solves
    P(|x| <= U) = 0.95, with the probability from the characteristic function (Gil-Pelaez 1951). The integral
    is taken by the trapezoidal rule, which is exact here but for a tail beyond 8.5 normal deviations: the sum
    has bounded support otherwise.
    """
    sizes = [float(size) for size in half_widths]
    if math.isnan(normal_u) or any(math.isnan(size) for size in sizes):
        return math.nan, math.nan
    if normal_u < 0 or any(size < 0 for size in sizes) or math.isinf(normal_u + sum(sizes)):
        raise ValueError(f"uncertainties are finite and not negative, got {normal_u} and {sizes}")
    u = math.hypot(normal_u, *(size / math.sqrt(3.0) for size in sizes))
    if u == 0.0:
        return 0.0, math.nan
    # in units of u and in a fixed order: the same budget in mA or A gives the same factor, and is found again
    k = _coverage_factor(
        round(normal_u / u, 12),
        tuple(sorted((round(size / u, 12) for size in sizes if size > 1e-9 * u), reverse=True)),
    )
    return k * u, k


_NORMAL_K: Final = 1.959963984540054
_FREQUENCIES: Final = 4096


@lru_cache(maxsize=4096)
def _coverage_factor(normal: float, flats: Sequence[float]) -> float:
    if not flats:
        return _NORMAL_K
    if normal == 0.0 and len(flats) == 1:
        return _COVERAGE * flats[0]
    reach = sum(flats) + 8.5 * normal
    frequencies = 32
    while frequencies < _FREQUENCIES and _rest(normal, flats, frequencies * math.pi / reach) > 1e-12:
        frequencies *= 2
    index = np.arange(1, frequencies + 1)
    t = index * (math.pi / reach)
    characteristic = np.exp(-0.5 * (normal * t) ** 2)
    for flat in flats:
        characteristic *= np.sinc(flat * t / math.pi)
    weights = (2.0 / math.pi) * characteristic / index
    low, high = 0.0, reach
    k = min(1.8, reach / 2.0)
    for _ in range(60):  # Newton's steps, kept between bounds that close in
        covered = k / reach + float(weights @ np.sin(k * t))
        density = (1.0 + 2.0 * float(characteristic @ np.cos(k * t))) / reach
        low, high = (k, high) if covered < _COVERAGE else (low, k)
        following = k - (covered - _COVERAGE) / density if density > 1e-6 else (low + high) / 2.0
        if not low < following < high:
            following = (low + high) / 2.0
        if abs(following - k) < 1e-10:
            return following
        k = following
    return k


def _rest(normal: float, flats: Sequence[float], t: float) -> float:
    """Bound the characteristic function from the frequency t on."""
    bound = math.exp(-0.5 * (normal * t) ** 2)
    for flat in flats:
        bound *= min(1.0, 1.0 / (flat * t))
    return bound
