"""A family of amplifiers: many soaks, each drawn from its number, with what is wrong as data.

It is made for counting: hours of many amplifiers in seconds, a second a row. `draw` gives cases, `courses`
what really was in them, free of noise, `ticks` and `readings` what a DAQ shows of it. Whatever is drawn for
a case comes from its half and number alone, so that no batch, order or block changes anything in it.

The physics is a reduced one, in currents relative to where a pair idles (`amplifier.py` has the valves):

- A pair's idle current goes as HT**a over bias**b with a - b near 1.5: what a pentode does whose grid and
  screen volts scale together (Child's law). a is that of `amplifier.py`'s EL34 in fixed bias; cathode bias
  has b = 0 and a small a. Each pair has its own b, and a small curvature. HT and bias follow the mains with
  lags.
- The currents load the HT: it rises by 3 to 7 % when the whole idle current goes, and the others with it.
- Two thermal tails a pair, of both signs, follow the anodes' heat: they are the warm-up, and a slow
  settling anew after the mains have stepped or the HT was off. The chassis follows room and heat, and moves
  all pairs by up to 0.02 % a kelvin.
- A runaway's excess e grows as de/dt = e (1 + e / 0.2) / tau: faster than exponential, up to what the cathode
  can emit, until the pair's fuse opens.

Every time constant, spread and rate of daily life is from memory; no published figure was found for them.
Levels of flicker, its exponents, steps and scan rates are the ranges that the yardstick is to cover.
Nothing here is imported by what measures or watches, and nothing of that is imported here.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from logger.blocks import FloatArray, Int64Array, ReadingBlock, TickBlock
from logger.errors import RequestError

BoolArray = NDArray[np.bool_]
Half = Literal["tune", "report"]
Bias = Literal["fixed", "cathode"]

HALVES: Final[dict[str, int]] = {"tune": 0x70, "report": 0x7E}
"""The seeds of the two halves: they share no random number."""

FIRST_FAULTY: Final = 1_000_000
"""Cases from this number on have a fault; those below are healthy."""

SIZES: Final = (0.5, 1.0, 1.5, 2.0, 4.0)
"""Sizes of faults that have a limit, in times that limit."""

# the limits of a set-up that states none (design: "Set-up file"), here so that truth stands by itself
MATCH: Final = 0.04
DRIFT_PER_H: Final = 0.03
SETTLE: Final = 0.01
SIDE_BALANCE: Final = 0.05
CHASSIS_MAX_C: Final = 75.0
WARN: Final[dict[str, float]] = {"fixed": 0.80, "cathode": 1.00}
FAIL: Final[dict[str, float]] = {"fixed": 1.00, "cathode": 1.10}

WARM_UP_S: Final = 1800.0


@dataclass(frozen=True)
class Type:
    """A valve type: ratings as in its data sheet (logger/valves.toml names the sheets), usual HT."""

    anode_w: float
    cathode_a: float | None
    screen_share: tuple[float, float]
    ht_v: tuple[float, float]


TYPES: Final[dict[str, Type]] = {
    "EL34": Type(25.0, 0.150, (0.1071, 0.1297), (400.0, 470.0)),
    "KT88": Type(35.0, 0.230, (0.0346, 0.1297), (470.0, 560.0)),
    "6L6GC": Type(30.0, None, (0.0461, 0.0759), (410.0, 470.0)),
    "6550A": Type(42.0, 0.190, (0.0440, 0.0789), (490.0, 580.0)),
    "EL84": Type(12.0, 0.065, (0.0346, 0.1297), (280.0, 320.0)),
    "6V6GT": Type(12.0, None, (0.0909, 0.0938), (290.0, 340.0)),
}


@dataclass(frozen=True)
class Fault:
    """The truth of one case: a finding's kind, and the channel at fault.

    `channel` is None for what no one channel has: the supply, the bias of all, a mismatch of two. Nothing is
    wrong before `onset_s`. `size` is in times the limit for drift, unsettled, mismatch, step change (of
    the match limit), side balance, common drift (of the drift limit), out of limits (of half the window, from
    its middle); for over-dissipation the share of the warning limit; else 1.
    """

    kind: str
    variant: str
    channel: str | None
    onset_s: float
    size: float


@dataclass(frozen=True)
class Pair:
    """One pair: where it idles hot at nominal mains (A), and what is its own.

    `bias_drive` and `curvature`: see the module. `fast_*`, `slow_*`: relative change of current by the heat
    that idling brings, and its time constant. `error`: relative error of resistor and converter;
    `offset_steps` of the converter.
    """

    aim_a: float
    bias_drive: float
    curvature: float
    fast_gain: float
    fast_tau_s: float
    slow_gain: float
    slow_tau_s: float
    chassis_per_k: float
    error: float
    offset_steps: float


@dataclass(frozen=True)
class Supply:
    """What feeds all pairs, and the chassis around them."""

    ht_drive: float
    regulation: float
    ht_tau_s: float
    bias_tau_s: float
    nominal_bias_v: float
    cathode_v: float
    screen_share: float
    chassis_rise_k: float
    chassis_tau_s: float
    heater_lead_s: float
    """How long the heaters had been on at the first scan."""


@dataclass(frozen=True)
class Life:
    """What comes from outside: mains and room.

    `mains_level`: mean over nominal. `steps`: (since s, relative), lasting. `blinks`: (from s, seconds,
    depth). `standby_s`: spans without HT. `swing_k`, `swing_s`: the room's swing and its period. `doors`:
    (from s, seconds, K) that the room is colder.
    """

    mains_level: float
    wander: float
    steps: tuple[tuple[float, float], ...]
    blinks: tuple[tuple[float, float, float], ...]
    standby_s: tuple[tuple[float, float], ...]
    room_c: float
    swing_k: float
    swing_s: float
    doors: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class Case:
    """Everything drawn for one soak; the same half and number give the same case in any batch.

    Times count from the first scan. `flicker_a`: rms of a pair's one-second currents between 2 s and 4.55 h,
    its power falling as f**-`exponent`. `noise_v`: rms of a scan's converter noise at a pair's channel.
    """

    half: Half
    number: int
    pairs: int
    valves_per_pair: int
    valve: str
    bias: Bias
    scans_per_s: float
    step_v: float
    noise_v: float
    flicker_a: float
    exponent: float
    has_ht: bool
    has_mains: bool
    has_bias: bool
    has_temperature: bool
    warm_up: str
    hot_restart: bool
    by_side: bool
    """Whether each sense resistor carries valves of one side instead of a pair."""
    nominal_ht_v: float
    sense_ohm: float
    tolerance_pct: float
    window_mA: tuple[float, float] | None
    ht_on_s: float
    soak_s: int
    duration_s: int
    heat_at_start: float
    """Of a hot restart: the slow heat that is left."""
    pair: tuple[Pair, ...]
    supply: Supply
    life: Life
    fault: Fault | None

    @property
    def noise_class(self) -> str:
        """Its flicker in words."""
        for name, below_a in (("quiet", 0.055e-3), ("typical", 0.14e-3), ("noisy", 0.27e-3)):
            if self.flicker_a < below_a:
                return name
        return "very noisy"

    @property
    def names(self) -> tuple[str, ...]:
        """The channels, in order."""
        extra = (
            ("ht", self.has_ht),
            ("mains", self.has_mains),
            ("bias", self.has_bias),
            ("chassis", self.has_temperature),
            ("ambient", self.has_temperature),
        )
        return (*(f"pair{j + 1}" for j in range(self.pairs)), *(name for name, there in extra if there))

    @property
    def warm_at_s(self) -> float:
        """When the warm-up step ends."""
        return self.ht_on_s + WARM_UP_S

    @property
    def soaked_at_s(self) -> float:
        """When the soak step ends."""
        return self.warm_at_s + self.soak_s

    @property
    def idle_a(self) -> float:
        """The median of what the pairs idle at."""
        return float(np.median([p.aim_a for p in self.pair]))

    @property
    def idle_w(self) -> float:
        """Anode power at that current and nominal HT, mean of a pair's valves."""
        across_v = self.nominal_ht_v - self.supply.cathode_v - self.sense_ohm * self.idle_a
        return across_v * self.idle_a * (1 - self.supply.screen_share) / self.valves_per_pair

    @property
    def full_scale_v(self) -> float:
        """The converter's range at a pair's channel."""
        return self.step_v * _FULL_COUNT

    def setup_text(self) -> str:
        """Return the set-up file of this bench."""
        return _setup_text(self)


@dataclass(frozen=True)
class Course:
    """What really was, free of noise: a row a second from t = 0; n rows, p pairs, SI units and degC.

    Row k holds from k to k + 1 s; of a second in which something sudden happens it is what was before.
    `pair_a` (n, p) cathode current; `steady_a` (n, p) the same at nominal mains, HT and room, with the tails
    of warm-up and the fault in it: what drift, unsettled, mismatch and step change are true of; 0 while HT is
    off. `anode_w` (n, p) anode power, mean of a pair's valves. Crackles (`crackles` has them) and
    what is wrong with the measurement are no part of it.
    """

    t_s: FloatArray
    pair_a: FloatArray
    steady_a: FloatArray
    anode_w: FloatArray
    ht_v: FloatArray
    mains_v: FloatArray
    bias_v: FloatArray
    chassis_c: FloatArray
    ambient_c: FloatArray

    def __len__(self) -> int:
        return len(self.t_s)


# ---- drawing


_KINDS: Final[dict[str, tuple[str, ...]]] = {
    "drift": ("",),
    "runaway": ("fast", "slow", "warm-up"),
    "drop-out": ("", "half", "re-lock"),
    "step change": ("",),
    "intermittent": ("low", "high", "both"),
    "mismatch": ("",),
    "side balance": ("",),
    "unsettled": ("",),
    "out of limits": ("",),
    "over-current": ("railed", "over the sheet"),
    "over-dissipation": ("warn", "fail"),
    "over-temperature": ("",),
    "bias lost": ("",),
    "common drift": ("",),
    "mains change": ("",),
    "HT change": ("",),
    "mains lost": ("",),
    "measuring fault": ("lead off", "stuck code", "hum", "meter clipped on", "HT reads 0"),
    "gap": ("cable out",),
}
"""The kinds that are drawn, with their variants."""

_SIZED: Final = frozenset(
    {"drift", "unsettled", "mismatch", "step change", "side balance", "common drift", "out of limits"}
)

_RATES: Final = (0.5, 0.8, 1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 50.0)
_RATE_SHARES: Final = (0.07, 0.03, 0.10, 0.07, 0.03, 0.15, 0.40, 0.10, 0.05)
_STEPS_V: Final = (8e-6, 15.625e-6, 31.25e-6, 62.5e-6, 125e-6)
_FLICKER_A: Final = (0.03e-3, 0.09e-3, 0.20e-3, 0.34e-3)
_FULL_COUNT: Final = 32767
_OTHER_STEP_V: Final = 125e-6
_NOMINAL_MAINS_V: Final = 230.0


def draw(half: Half, healthy: int, faulty: int) -> list[Case]:
    """Return so many healthy cases and so many with a fault; kinds, variants and sizes take turns."""
    return [case(half, k) for k in range(healthy)] + [case(half, FIRST_FAULTY + k) for k in range(faulty)]


def case(half: Half, number: int) -> Case:
    """Return one case: healthy below `FIRST_FAULTY`, with a fault from there on."""
    if half not in HALVES:
        raise RequestError(f"there is no half {half!r} of the seeds: choose one of {', '.join(HALVES)}")
    if number < 0:
        raise RequestError(f"a case's number is from 0 up, got {number}")
    kind, variant, size = "", "", 1.0
    if number >= FIRST_FAULTY:
        round_, at = divmod(number - FIRST_FAULTY, len(_KINDS))
        kind = tuple(_KINDS)[at]
        variant = _KINDS[kind][round_ % len(_KINDS[kind])]
        size = SIZES[round_ % len(SIZES)] if kind in _SIZED else 1.0
    one = _drawn(half, number, kind, variant)
    return _with_fault(one, kind, variant, size) if kind else one


def _stream(half: Half, number: int, purpose: str) -> np.random.Generator:
    """Return the random numbers of one purpose in one case."""
    return np.random.default_rng([HALVES[half], number, zlib.crc32(purpose.encode())])


def _drawn(half: Half, number: int, kind: str, variant: str) -> Case:
    """Return a healthy case that the fault may happen to."""
    rng = _stream(half, number, "amplifier")
    by_side = kind == "side balance"
    pairs = int(rng.choice(6, p=(0.10, 0.18, 0.12, 0.32, 0.08, 0.20))) + 1
    if by_side:
        pairs = 2 * ((pairs + 1) // 2)
    elif kind in ("mismatch", "common drift", "over-current"):
        pairs = max(2, pairs)
    valves = int(rng.choice((1, 2, 3, 4), p=(0.12, 0.74, 0.04, 0.10)))
    if variant == "half":
        valves = 2 * ((valves + 1) // 2)
    valve = str(rng.choice(tuple(TYPES), p=(0.34, 0.16, 0.18, 0.10, 0.12, 0.10)))
    if kind == "over-current" and variant != "railed" and TYPES[valve].cathode_a is None:
        valve = "EL34"
    small = valve in ("EL84", "6V6GT")
    cathode = rng.random() < (0.55 if small else 0.12) and kind != "bias lost"
    bias: Bias = "cathode" if cathode else "fixed"
    type_ = TYPES[valve]

    hot = bool(rng.random() < 0.12) and kind != "unsettled" and variant != "warm-up"
    ht_on_s = 0.0 if hot else round(float(rng.uniform(5.0, 30.0)), 1)
    soak_s = 7200 if rng.random() < 0.85 else int(rng.integers(7200, 11_700))
    duration_s = int(ht_on_s + WARM_UP_S + soak_s + rng.integers(30, 120))

    nominal_ht_v = float(np.round(rng.uniform(*type_.ht_v) / 5.0) * 5.0)
    life = _draw_life(_stream(half, number, "life"), kind, ht_on_s, duration_s)
    ht_drive = rng.uniform(1.0, 1.5) if cathode else rng.uniform(4.5, 7.0)
    gamma = ht_drive if cathode else rng.uniform(1.3, 1.8)
    cathode_v = float(rng.uniform(8.0, 35.0)) if cathode else 0.0
    supply = Supply(
        ht_drive=float(ht_drive),
        regulation=float(rng.uniform(0.03, 0.07)),
        ht_tau_s=float(rng.uniform(0.15, 0.6)),
        bias_tau_s=float(rng.uniform(0.2, 1.0)),
        nominal_bias_v=-float(nominal_ht_v / rng.uniform(10.0, 13.0)),
        cathode_v=round(cathode_v, 1),
        screen_share=float(rng.uniform(*type_.screen_share)),
        chassis_rise_k=float(rng.uniform(12.0, 24.0)),
        chassis_tau_s=float(rng.uniform(1200.0, 2700.0)),
        heater_lead_s=float(rng.choice((0.0, 60.0))),
    )
    # as hot as amplifiers are set, but so that the mains' worst leaves a healthy one below its limits
    highest = 0.006 + life.mains_level + max(0.0, *(s for _, s in life.steps), 0.0)
    worst = (1 + highest) ** (gamma + 1.2) * 1.03
    pct = rng.uniform(0.70, 0.88) if cathode else rng.uniform(0.48, 0.66)
    pct = min(pct, 0.93 * WARN[bias] / worst)
    if kind == "over-dissipation":
        low, high = (WARN[bias], FAIL[bias]) if variant == "warn" else (FAIL[bias], 1.2 * FAIL[bias])
        pct = low + (high - low) * rng.uniform(0.35, 0.7)
        life = replace(life, mains_level=abs(life.mains_level))
    across_v = nominal_ht_v - supply.cathode_v
    idle_a = valves * type_.anode_w * pct / across_v / (1 - supply.screen_share)
    shares = rng.uniform(-0.008, 0.008, pairs)
    warm_up = str(rng.choice(("fast", "usual", "slow", "two-way"), p=(0.2, 0.45, 0.2, 0.15)))
    swing = max([abs((1 + s) ** (gamma + 1) - 1) for _, s in life.steps], default=0.0)
    tails = _draw_tails(_stream(half, number, "tails"), warm_up, pairs, swing)
    tolerance_pct = float(rng.choice((0.1, 0.5, 1.0), p=(0.15, 0.25, 0.6)))
    resistors = np.clip(rng.normal(0.0, 0.4, pairs), -1.0, 1.0) * tolerance_pct / 100
    gain = rng.uniform(-0.0012, 0.0012)
    own_drive = np.clip(rng.normal(0.0, 0.02, pairs), -0.05, 0.05)
    bend = rng.uniform(-0.6, 0.6)
    chassis_per_k = rng.uniform(-2e-4, 2e-4)
    offsets = np.clip(rng.normal(0.0, 1.0, pairs), -3.0, 3.0)
    made = tuple(
        Pair(
            aim_a=float(idle_a * (1 + shares[j])),
            bias_drive=float(ht_drive - gamma - (0.0 if cathode else own_drive[j])),
            curvature=float(bend + rng.uniform(-0.1, 0.1)),
            fast_gain=tails[j][0],
            fast_tau_s=tails[j][1],
            slow_gain=tails[j][2],
            slow_tau_s=tails[j][3],
            chassis_per_k=float(chassis_per_k + rng.uniform(-2e-5, 2e-5)),
            error=float((1 + resistors[j]) * (1 + gain) - 1),
            offset_steps=float(offsets[j]),
        )
        for j in range(pairs)
    )
    # nobody buys a converter whose range ends near the idle current
    wide = [step_v for step_v in _STEPS_V if step_v * _FULL_COUNT > 1.7 * idle_a]
    step_v = float(rng.choice(wide))
    if kind == "over-current":
        step_v = wide[0] if variant == "railed" else _STEPS_V[-1]
    level = int(rng.choice(4, p=(0.2, 0.4, 0.25, 0.15)))
    if idle_a < 0.040:
        level = min(level, 1)  # what was seen at 70 mA, no small pair has
    slow_enough = rng.choice(_RATES, p=_RATE_SHARES)
    if kind == "intermittent":
        slow_enough = max(2.0, slow_enough)
    return Case(
        half=half,
        number=number,
        pairs=pairs,
        valves_per_pair=valves,
        valve=valve,
        bias=bias,
        scans_per_s=float(slow_enough),
        step_v=step_v,
        noise_v=float(max(0.35 * step_v, 10e-6) + rng.uniform(0.0, 40e-6)),
        flicker_a=float(np.clip(_FLICKER_A[level] * rng.uniform(0.85, 1.15), 0.03e-3, 0.34e-3)),
        exponent=float(rng.uniform(0.8, 1.5)),
        has_ht=bool(rng.random() < 0.8) or kind in _NEEDS_HT or variant == "HT reads 0",
        has_mains=bool(rng.random() < 0.75) or kind in ("mains change", "mains lost"),
        has_bias=bool(rng.random() < 0.4) and not cathode,
        has_temperature=bool(rng.random() < 0.7) or kind == "over-temperature",
        warm_up=warm_up,
        hot_restart=hot,
        by_side=by_side,
        nominal_ht_v=nominal_ht_v,
        sense_ohm=1.0,
        tolerance_pct=tolerance_pct,
        window_mA=(780.0 * idle_a, 1220.0 * idle_a) if not kind and rng.random() < 0.15 else None,
        ht_on_s=ht_on_s,
        soak_s=soak_s,
        duration_s=duration_s,
        heat_at_start=float(rng.uniform(0.5, 0.95)),
        pair=made,
        supply=supply,
        life=life,
        fault=None,
    )


_NEEDS_HT: Final = frozenset({"over-dissipation", "bias lost", "HT change", "over-current"})


def _draw_life(rng: np.random.Generator, kind: str, ht_on_s: float, duration_s: int) -> Life:
    """Return a day's mains and room; the larger events only where nothing else is wrong."""
    steps: list[tuple[float, float]] = []
    blinks: list[tuple[float, float, float]] = []
    standby: list[tuple[float, float]] = []
    from_s, until_s = ht_on_s + 300.0, duration_s - 300.0
    level = float(np.clip(rng.normal(0.0, 0.008), -0.02, 0.02))
    chances = rng.random(4)
    for _ in range(int(rng.integers(1, 3))):
        since = round(float(rng.uniform(from_s, until_s)), 2)
        by = float(rng.uniform(0.005, 0.06) * rng.choice((-1.0, 1.0)))
        if chances[0] < 0.35 and not kind:
            steps.append((since, by))
            if rng.random() < 0.5 and since + 300.0 < until_s:
                # and back again
                steps.append((round(float(rng.uniform(since + 240.0, until_s)), 2), 1 / (1 + by) - 1))
    for _ in range(int(rng.integers(1, 4))):
        since, lasts = float(rng.uniform(from_s, until_s)), float(rng.uniform(0.1, 2.0))
        if chances[1] < 0.25 and (not kind or kind in _SIZED):
            blinks.append((since, lasts, float(rng.uniform(0.05, 0.25))))
    if chances[2] < 0.06 and not kind:
        since = float(rng.uniform(ht_on_s + WARM_UP_S + 600.0, until_s - 900.0))
        standby.append((since, since + float(rng.uniform(12.0, 50.0))))
    doors = []
    for _ in range(int(rng.integers(1, 4))):
        since, lasts = float(rng.uniform(0.0, until_s)), float(rng.uniform(60.0, 900.0))
        if chances[3] < 0.3:
            doors.append((since, lasts, float(rng.uniform(1.0, 6.0))))
    steps.sort()
    # two steps the same way could add up to more than mains do
    total, kept = 0.0, []
    for since, by in steps:
        if abs((1 + total) * (1 + by) - 1) <= 0.0601:
            total = (1 + total) * (1 + by) - 1
            kept.append((since, by))
    return Life(
        mains_level=level,
        wander=float(rng.uniform(0.0008, 0.0018)),
        steps=tuple(kept),
        blinks=tuple(sorted(blinks)),
        standby_s=tuple(standby),
        room_c=float(rng.uniform(17.0, 25.0)),
        swing_k=float(rng.uniform(0.2, 1.5)),
        swing_s=float(rng.uniform(1800.0, 7200.0)),
        doors=tuple(doors),
    )


def _draw_tails(
    rng: np.random.Generator, warm_up: str, pairs: int, swing: float
) -> list[tuple[float, float, float, float]]:
    """Return each pair's fast gain and time constant, slow gain and time constant.

    When 30 minutes are over, no more is left than 0.6 of the settling limit, and it moves at no more than 0.6
    of the drift limit; nor does a mains step that changes the heat by `swing` set off more.
    """
    fast_gain, fast_tau, slow_tau = {
        "fast": ((0.01, 0.03), (60.0, 150.0), (300.0, 500.0)),
        "usual": ((0.015, 0.05), (120.0, 300.0), (600.0, 1000.0)),
        "slow": ((0.01, 0.03), (150.0, 300.0), (900.0, 1500.0)),
        "two-way": ((0.02, 0.05), (100.0, 250.0), (600.0, 1000.0)),
    }[warm_up]
    way = float(rng.choice((-1.0, 1.0)))
    out = []
    for _ in range(pairs):
        sign = way if rng.random() < 0.75 or warm_up == "two-way" or swing > 0.0 else -way
        f_tau, s_tau = float(rng.uniform(*fast_tau)), float(rng.uniform(*slow_tau))
        left = min(0.6 * SETTLE, 0.6 * DRIFT_PER_H * s_tau / 3600.0) * rng.uniform(0.2, 1.0)
        slow = sign * min(0.08, float(left * math.exp(WARM_UP_S / s_tau)))
        fast = float(rng.uniform(*fast_gain)) * (-sign if warm_up == "two-way" else sign)
        if swing > 0.0:
            fast = math.copysign(min(abs(fast), 0.0018 / swing), fast)
            slow = math.copysign(min(0.5 * abs(slow), 0.2 * SETTLE / swing, 1.2e-6 * s_tau / swing), slow)
        out.append((fast, f_tau, slow, s_tau))
    return out


# ---- what goes wrong


def _with_fault(one: Case, kind: str, variant: str, size: float) -> Case:
    """Return the case with its fault; whatever the fault's course needs more comes from stream "acts"."""
    rng = _stream(one.half, one.number, "fault")
    pair = int(rng.integers(one.pairs))
    sign = float(rng.choice((-1.0, 1.0)))
    channel: str | None = f"pair{pair + 1}"
    late = one.duration_s - 900.0
    onset = round(float(rng.uniform(one.warm_at_s + 300.0, min(one.warm_at_s + 2700.0, late))), 2)
    made = list(one.pair)
    match kind:
        case "mismatch":
            onset = one.ht_on_s
            aims = _odd_one_out([p.aim_a for p in made], pair, sign * size * MATCH)
            made = [replace(p, aim_a=a) for p, a in zip(made, aims, strict=True)]
            if one.pairs == 2:
                channel = None  # which of two is wrong is no fact
        case "unsettled":
            onset = one.ht_on_s
            # its own tail out of the way: what is left at the end of the warm-up is the fault's
            made[pair] = replace(made[pair], slow_gain=0.0, fast_tau_s=min(200.0, made[pair].fast_tau_s))
        case "drop-out":
            if variant != "re-lock" and rng.random() < 0.2:
                onset = round(float(rng.uniform(one.ht_on_s + 120.0, one.warm_at_s)), 2)
        case "runaway":
            lasts = _runaway(one, variant)[1]
            if variant == "warm-up":
                onset = round(float(rng.uniform(one.ht_on_s + 180.0, one.ht_on_s + 1200.0)), 2)
            else:
                last = max(one.warm_at_s + 60.0, one.duration_s - 60.0 - lasts)
                onset = round(float(rng.uniform(min(one.warm_at_s + 300.0, last), last)), 2)
        case "side balance":
            onset, channel = one.ht_on_s, None
            sums = [sum(p.aim_a for p in made[side::2]) for side in (0, 1)]
            for side in (0, 1):
                lean = 1 + (0.5, -0.5)[side] * sign * size * SIDE_BALANCE
                to = lean * 0.5 * sum(sums) / sums[side]
                made[side::2] = [replace(p, aim_a=p.aim_a * to) for p in made[side::2]]
        case "out of limits":
            onset = one.ht_on_s
            if one.pairs > 1:
                channel = None  # all of them: the maker's window is elsewhere
            half = float(rng.uniform(0.10, 0.15))
            window = (1e3 * one.idle_a * (1 - half), 1e3 * one.idle_a * (1 + half))
            away = size * half
            to = (1 + (sign if away < 0.1 else -1.0) * away) * one.idle_a
            made = [replace(p, aim_a=to * p.aim_a / one.idle_a) for p in made]
            one = replace(one, window_mA=window)
        case "over-dissipation":
            onset, channel = one.ht_on_s, None
            size = one.idle_w / TYPES[one.valve].anode_w / WARN[one.bias]
        case "over-temperature":
            channel = "chassis"
        case "bias lost" | "common drift" | "gap":
            channel = None
        case "mains change" | "mains lost":
            channel = "mains"
        case "HT change":
            channel = "ht"
        case "measuring fault" if variant == "HT reads 0":
            channel = "ht"
    return replace(one, pair=tuple(made), fault=Fault(kind, variant, channel, onset, size))


def _odd_one_out(aims: list[float], pair: int, by: float) -> list[float]:
    """Return the currents with one that differs so much, relative to the median of all, from that median.

    From the other one where there are two.
    """
    out = list(aims)
    if len(aims) == 2:
        other = aims[1 - pair]
        out[pair] = other * (1 + by / 2) / (1 - by / 2)
        return out
    out[pair] = aims[pair] * (1 + 4 * by)
    for _ in range(60):
        out[pair] = float(np.median(out)) * (1 + by)
    return out


_RUNAWAY_FROM: Final = 0.001
_RUNAWAY_KNEE: Final = 0.2


def _runaway(one: Case, variant: str) -> tuple[float, float, float]:
    """Return a runaway's tau, when its fuse opens, and the excess where it ends."""
    rng = _stream(one.half, one.number, "runaway")
    slowest = {"fast": (20.0, 90.0), "slow": (90.0, 600.0), "warm-up": (20.0, 240.0)}[variant]
    doubles_s = math.exp(rng.uniform(math.log(slowest[0]), math.log(slowest[1])))
    # from 2.5 to 5 % excess
    tau_s = doubles_s / (_grown(0.05) - _grown(0.025))
    most = float(rng.uniform(3.0, 5.0))
    fuse_s = float(rng.uniform(5.0, 20.0))
    return tau_s, tau_s * (_grown(most) - _grown(_RUNAWAY_FROM)) + fuse_s, most


def _grown(excess: float) -> float:
    """Return how many tau a runaway takes to an excess, but for a constant."""
    return math.log(excess / (excess + _RUNAWAY_KNEE))


@dataclass(frozen=True)
class _Acts:
    """What is done to an amplifier, over its n seconds: factors on currents, mains and HT; None for nothing.

    `own` (n, p) on each pair's current, `common` (n,) on all through their bias; `short` (n, p) conductance
    of a shorted pair, in times the whole idle current at nominal HT; `heat_k` (n,) by which the chassis rests
    hotter; `seen`: a channel's column and a factor (n,) on what the DAQ sees of it; `jumps_s`: when something
    sudden happens.
    """

    own: FloatArray | None = None
    common: FloatArray | None = None
    mains: FloatArray | None = None
    emf: FloatArray | None = None
    short: FloatArray | None = None
    heat_k: FloatArray | None = None
    seen: tuple[int, FloatArray] | None = None
    standby_s: tuple[tuple[float, float], ...] = ()
    jumps_s: tuple[float, ...] = ()


def _acts(one: Case) -> _Acts:
    """Return what the case's fault does."""
    fault = one.fault
    if fault is None:
        return _Acts()
    rng = _stream(one.half, one.number, "acts")
    n = one.duration_s
    t_s = np.arange(n, dtype=np.float64)
    since_s = np.maximum(t_s - fault.onset_s, 0.0)
    on = t_s >= fault.onset_s
    sign = float(rng.choice((-1.0, 1.0)))
    pair = _pair_of(fault)
    own = np.ones((n, one.pairs))
    column = own[:, pair]
    scale = one.idle_a / one.pair[pair].aim_a
    match fault.kind:
        case "drift":
            column += sign * fault.size * DRIFT_PER_H * since_s / 3600.0 * scale
            return _Acts(own=own)
        case "unsettled":
            tau_s = float(rng.uniform(2100.0, 3600.0))
            fast = one.pair[pair]
            rest = -fast.fast_gain * math.exp(-WARM_UP_S / fast.fast_tau_s)
            left = sign * fault.size * SETTLE * scale - rest
            column += left * np.exp((one.warm_at_s - t_s) / tau_s)
            return _Acts(own=own)
        case "runaway":
            tau_s, lasts_s, most = _runaway(one, fault.variant)
            grown = np.minimum(_grown(_RUNAWAY_FROM) + since_s / tau_s, _grown(most))
            u = np.exp(grown)
            column += np.where(on, _RUNAWAY_KNEE * u / (1 - u), 0.0)
            blown_s = fault.onset_s + lasts_s
            column[t_s >= blown_s] = 0.0
            return _Acts(own=own, jumps_s=(blown_s,))
        case "drop-out":
            left = (
                1 - 1 / one.valves_per_pair * (one.valves_per_pair // 2) if fault.variant == "half" else 0.0
            )
            column[on] = left
            if fault.variant != "re-lock":
                return _Acts(own=own, jumps_s=(fault.onset_s,))
            off_s = fault.onset_s + float(rng.uniform(40.0, 150.0))
            back_s = off_s + float(rng.uniform(15.0, 45.0))
            again_s = back_s + float(rng.uniform(60.0, 500.0))
            column[(t_s >= off_s + 1.0) & (t_s < again_s)] = 1.0
            jumps = (fault.onset_s, off_s, back_s, again_s)
            return _Acts(own=own, standby_s=((off_s, back_s),), jumps_s=jumps)
        case "mains change":
            by = 1 + sign * float(rng.uniform(0.015, 0.06))
            return _Acts(mains=np.where(on, by, 1.0), jumps_s=(fault.onset_s,))
        case "mains lost":
            gone_s = math.inf if rng.random() < 0.4 else float(rng.uniform(8.0, 600.0))
            back_s = fault.onset_s + gone_s
            lost = on & (t_s < back_s)
            edges = (fault.onset_s, back_s) if back_s < n else (fault.onset_s,)
            return _Acts(mains=np.where(lost, 0.0, 1.0), jumps_s=edges)
        case "HT change":
            by = -float(rng.uniform(0.02, 0.05)) if sign < 0 else float(rng.uniform(0.015, 0.03))
            return _Acts(emf=np.where(on, 1 + by, 1.0), jumps_s=(fault.onset_s,))
        case "step change":
            takes_s = float(rng.uniform(0.0, 5.0))
            column += sign * fault.size * MATCH * scale * np.minimum(since_s / takes_s, 1.0)
            return _Acts(own=own)
        case "common drift":
            return _Acts(common=1 + sign * fault.size * DRIFT_PER_H * since_s / 3600.0)
        case "bias lost":
            takes_s, most = float(rng.uniform(0.5, 5.0)), float(rng.uniform(2.6, 3.6))
            blown_s = fault.onset_s + float(rng.uniform(40.0, 240.0))
            return _Acts(
                common=1 + (most - 1) * np.minimum(since_s / takes_s, 1.0),
                emf=np.where(t_s >= blown_s, 0.0, 1.0),
                jumps_s=(blown_s,),
            )
        case "over-current":
            idle_a = sum(p.aim_a for p in one.pair)
            most_a = (TYPES[one.valve].cathode_a or 0.150) * one.valves_per_pair
            if fault.variant == "railed":
                most_a = max(most_a, one.full_scale_v / one.sense_ohm)
            r = one.supply.regulation
            # all that the supply can give is idle / r; a short takes a good part of it
            wanted_a = min(most_a * float(rng.uniform(1.3, 2.5)), 0.7 * idle_a * (1 + r) / r)
            short = np.zeros((n, one.pairs))
            blown_s = fault.onset_s + float(rng.uniform(4.0, 20.0))
            shorted = on & (t_s < blown_s)
            short[shorted, pair] = wanted_a / ((1 + r) * idle_a - r * wanted_a)
            column[on] = 0.0
            return _Acts(own=own, short=short, jumps_s=(fault.onset_s, blown_s))
        case "over-temperature":
            hot_c = one.life.room_c + one.supply.chassis_rise_k
            reached = 1 - math.exp(-(n - fault.onset_s) / one.supply.chassis_tau_s)
            lift_k = (CHASSIS_MAX_C - hot_c + float(rng.uniform(4.0, 15.0))) / reached
            return _Acts(heat_k=np.where(on, lift_k, 0.0))
        case "measuring fault" if fault.variant == "meter clipped on":
            off_s = fault.onset_s + float(rng.uniform(60.0, 600.0))
            shunt = np.where(on & (t_s < off_s), 1 - float(rng.uniform(0.1, 0.5)), 1.0)
            return _Acts(seen=(pair, shunt), jumps_s=(fault.onset_s, off_s))
        case "measuring fault" if fault.variant == "HT reads 0":
            return _Acts(seen=(one.pairs, np.where(on, 0.0, 1.0)), jumps_s=(fault.onset_s,))
    return _Acts()  # it is how the amplifier was set, or acts on single scans


# ---- the course of a soak


def courses(cases: Sequence[Case]) -> list[Course]:
    """Return what really was in each case.

    Each is worked out over all its seconds and pairs at once: what couples them, the supply, has no memory
    longer than its lags, and those are filters.
    """
    return [_course(one) for one in cases]


def _course(one: Case) -> Course:
    n, supply = one.duration_s, one.supply
    t_s: FloatArray = np.arange(n, dtype=np.float64)
    acts = _acts(one)
    mains = _mains(one, n)
    if acts.mains is not None:
        mains = mains * acts.mains
    ambient_c = _room(one, n)

    asked = t_s >= one.ht_on_s
    for from_s, until_s in (*one.life.standby_s, *acts.standby_s):
        asked &= ~((t_s >= from_s) & (t_s < until_s))
    live = asked & (mains > 0.3)
    start = 1.0 if one.hot_restart else 0.0
    rise = _lagged(np.where(live, mains, 0.0), supply.ht_tau_s, start * mains[0])
    bias = np.maximum(_lagged(mains, supply.bias_tau_s, float(mains[0])), 0.96 * rise)
    bias = np.maximum(bias, 0.3)
    lead = 1.0 if one.hot_restart else 1 - math.exp(-supply.heater_lead_s / 15.0)
    heater = _lagged(np.minimum(mains, 1.0), 15.0, lead)
    emission = 1 / (1 + np.exp((0.75 - heater) / 0.02))

    # heat as the mains have it: a fault's own heat is part of the fault
    gamma = supply.ht_drive - float(np.mean([p.bias_drive for p in one.pair]))
    heat = rise ** (gamma + 1) * emission
    chassis_at = ambient_c + supply.chassis_rise_k * heat
    if acts.heat_k is not None:
        chassis_at = chassis_at + acts.heat_k
    cold_c = float(ambient_c[0]) + start * one.heat_at_start * supply.chassis_rise_k
    chassis_c = _lagged(chassis_at, supply.chassis_tau_s, cold_c)
    hot_c = one.life.room_c + supply.chassis_rise_k

    pairs = one.pairs
    rest = np.empty((n, pairs))
    steady = np.empty((n, pairs))
    swing = np.log(np.clip(rise, 0.7, 1.3)) ** 2
    there = live & (emission > 0.5)
    if acts.emf is not None:
        there = there & (acts.emf > 0.0)
    for j, p in enumerate(one.pair):
        fast = _lagged(heat, p.fast_tau_s, start * one.heat_at_start * 0.7)
        slow = _lagged(heat, p.slow_tau_s, start * one.heat_at_start)
        warm = p.aim_a * (1 + p.fast_gain * (fast - 1) + p.slow_gain * (slow - 1))
        if acts.own is not None:
            warm = warm * acts.own[:, j]
        if acts.common is not None:
            warm = warm * acts.common
        steady[:, j] = np.where(there, warm, 0.0)
        room = p.chassis_per_k * (chassis_c - hot_c)
        own = np.exp(room - p.bias_drive * np.log(bias) + p.curvature * swing)
        rest[:, j] = warm * emission * own
    idle_a = sum(p.aim_a for p in one.pair)
    emf = rise if acts.emf is None else rise * acts.emf
    short = np.zeros(n) if acts.short is None else acts.short.sum(axis=1)
    v = _loaded(emf * (1 + supply.regulation), rest.sum(axis=1) / idle_a, short, supply)
    pair_a = rest * (v**supply.ht_drive)[:, None]
    if acts.short is not None:
        pair_a += acts.short * (idle_a * v)[:, None]
    ht_v = one.nominal_ht_v * v
    across_v = np.maximum(ht_v - supply.cathode_v * (v > 0.3), 0.0)[:, None] - one.sense_ohm * pair_a
    anode_w = np.maximum(across_v, 0.0) * pair_a * (1 - supply.screen_share) / one.valves_per_pair
    bias_v = supply.nominal_bias_v * bias
    if acts.common is not None and one.bias == "fixed":
        drive = float(np.mean([p.bias_drive for p in one.pair]))
        bias_v = bias_v * acts.common ** (-1 / drive)
    return Course(
        t_s=t_s,
        pair_a=pair_a,
        steady_a=steady,
        anode_w=anode_w,
        ht_v=ht_v,
        mains_v=_NOMINAL_MAINS_V * mains,
        bias_v=bias_v,
        chassis_c=chassis_c,
        ambient_c=ambient_c,
    )


def _loaded(emf: FloatArray, load: FloatArray, short: FloatArray, supply: Supply) -> FloatArray:
    """Return HT over nominal, (n,): what is left of `emf` under currents that follow it.

    Solves v (1 + r short) + r load v**a = emf, where r is the regulation, by Newton's steps from above.
    """
    r, a = supply.regulation, supply.ht_drive
    v = emf.copy()
    for _ in range(6):
        pull = r * load * v**a
        v -= (v * (1 + r * short) + pull - emf) / ((1 + r * short) + a * pull / np.maximum(v, 1e-9))
    return np.maximum(v, 0.0)


def _lagged(x: FloatArray, tau_s: float, at_start: float) -> FloatArray:
    """Return x through one lag, a second a row, from `at_start` before the first row."""
    k = 1 - math.exp(-1 / tau_s)
    out: FloatArray = lfilter([k], [1.0, k - 1.0], x, zi=[(1 - k) * at_start])[0]
    return out


def _wander(rng: np.random.Generator, n: int, tau_s: float) -> FloatArray:
    """Return n seconds of first-order noise of rms 1."""
    keep = math.exp(-1 / tau_s)
    kicks = rng.standard_normal(n) * math.sqrt(1 - keep * keep)
    out: FloatArray = lfilter([1.0], [1.0, -keep], kicks, zi=[keep * float(rng.standard_normal())])[0]
    return out


def _mains(one: Case, n: int) -> FloatArray:
    """Return the mains over nominal: wander, loads nearby, steps, blinks."""
    rng = _stream(one.half, one.number, "mains")
    life = one.life
    t_s = np.arange(n, dtype=np.float64)
    out = 1 + life.mains_level + life.wander * _wander(rng, n, 420.0) + 0.0004 * _wander(rng, n, 45.0)
    for _ in range(int(rng.poisson(3.0 * n / 3600.0))):
        on_s, for_s = rng.uniform(0.0, n), rng.exponential(700.0)
        out[(t_s >= on_s) & (t_s < on_s + for_s)] -= rng.uniform(0.0008, 0.004)
    for since_s, by in life.steps:
        out[t_s >= since_s] *= 1 + by
    for from_s, for_s, depth in life.blinks:
        # a row is a second: a shorter dip is as deep as it is long
        seen = np.clip(np.minimum(t_s + 1, from_s + for_s) - np.maximum(t_s, from_s), 0.0, 1.0)
        out *= 1 - depth * seen
    return out


def _room(one: Case, n: int) -> FloatArray:
    """Return the room's temperature: sun and heating, doors."""
    rng = _stream(one.half, one.number, "room")
    life = one.life
    t_s = np.arange(n, dtype=np.float64)
    room = life.room_c + life.swing_k * np.sin(2 * math.pi * (t_s / life.swing_s + rng.random()))
    room += 0.1 * _wander(rng, n, 600.0)
    for from_s, for_s, colder_k in life.doors:
        room -= colder_k * _lagged(((t_s >= from_s) & (t_s < from_s + for_s)).astype(np.float64), 60.0, 0.0)
    return room


# ---- what the DAQ shows


_FLICKER_POINTS: Final = 16_384
_BLOCK_S: Final = 64
_MISSED_SHARE: Final = 1.2e-4
_POOL: Final = 16_384
_BULK_FROM: Final = 5


def flicker(one: Case) -> FloatArray:
    """Return the flicker of each pair in A, (duration, pairs): constant within a second.

    Power as f**-exponent from 1/16384 to 1/2 Hz, expected rms `flicker_a` over 16,384 s (4.55 h).
    """
    half = _FLICKER_POINTS // 2
    shape = _flicker_shape(one.exponent)
    rng = _stream(one.half, one.number, "flicker")
    spectrum = np.zeros((one.pairs, half + 1), dtype=complex)
    draws = rng.standard_normal((2, one.pairs, half))
    spectrum[:, 1:] = shape * (draws[0] + 1j * draws[1])
    size = one.flicker_a * half / math.sqrt(float(np.sum(shape**2)))
    out: FloatArray = np.fft.irfft(spectrum, _FLICKER_POINTS, axis=1)[:, : one.duration_s].T * size
    return out


def _flicker_shape(exponent: float) -> FloatArray:
    out: FloatArray = np.exp(-0.5 * exponent * np.log(np.arange(1, _FLICKER_POINTS // 2 + 1)))
    return out


@dataclass(frozen=True)
class _Wiring:
    """One channel: unit = volts at the converter x `per_v`; its errors, step and noise in V."""

    per_v: float
    error: float
    offset_v: float
    step_v: float
    noise_v: float


def _wiring(one: Case) -> list[_Wiring]:
    rng = _stream(one.half, one.number, "board")
    out = [
        _Wiring(1 / one.sense_ohm, p.error, p.offset_steps * one.step_v, one.step_v, one.noise_v)
        for p in one.pair
    ]
    errors = dict(zip(_PER_V, np.clip(rng.normal(0.0, 0.004, len(_PER_V)), -0.01, 0.01), strict=True))
    noise = dict(zip(_PER_V, rng.uniform(1.0, 2.5, len(_PER_V)), strict=True))
    for name in one.names[one.pairs :]:
        error = 0.2 * errors[name] if name in ("chassis", "ambient") else errors[name]
        step_v = _OTHER_STEP_V
        out.append(_Wiring(_PER_V[name], float(error), 0.0, step_v, float(noise[name]) * step_v))
    return out


_HT_OHM: Final = (1_000_000, 4_700)
_BIAS_OHM: Final = (1_000_000, 33_000)
_PER_V: Final[dict[str, float]] = {
    "ht": sum(_HT_OHM) / _HT_OHM[1],
    "mains": 100.0,
    "bias": sum(_BIAS_OHM) / _BIAS_OHM[1],
    "chassis": 100.0,
    "ambient": 100.0,
}


@dataclass(frozen=True)
class _Board:
    """All that a DAQ sees of a case, before its noise: `volts` (n, c) at the converters, a row a second."""

    one: Case
    wiring: list[_Wiring]
    volts: FloatArray
    t_us: Int64Array
    """Of all scans that were made and not missed."""
    number: Int64Array
    jumps_s: tuple[float, ...]
    crackles: FloatArray

    @property
    def step_v(self) -> FloatArray:
        return np.array([w.step_v for w in self.wiring])

    @property
    def noise_steps(self) -> FloatArray:
        return np.array([w.noise_v / w.step_v for w in self.wiring])

    @property
    def per_step(self) -> FloatArray:
        return np.array([w.per_v * w.step_v for w in self.wiring])


def _board(one: Case, course: Course) -> _Board:
    wiring = _wiring(one)
    n = len(course)
    volts = np.empty((n, len(wiring)))
    noisy = flicker(one)[:n]
    for j, p in enumerate(one.pair):
        # a pair that draws nothing has nothing to flicker
        alive = np.clip(course.pair_a[:, j] / p.aim_a, 0.0, 1.0)
        volts[:, j] = course.pair_a[:, j] + noisy[:, j] * alive
    others = {
        "ht": course.ht_v,
        "mains": course.mains_v,
        "bias": course.bias_v,
        "chassis": course.chassis_c,
        "ambient": course.ambient_c,
    }
    for c, name in enumerate(one.names[one.pairs :], start=one.pairs):
        volts[:, c] = others[name]
    acts = _acts(one)
    if acts.seen is not None:
        volts[:, acts.seen[0]] *= acts.seen[1]
    for c, wire in enumerate(wiring):
        volts[:, c] *= (1 + wire.error) / wire.per_v
        volts[:, c] += wire.offset_v
    number, t_us = _scan_times(one)
    jumps_s = (*acts.jumps_s, *(edge_s for span in one.life.standby_s for edge_s in span))
    return _Board(one, wiring, volts, t_us, number, jumps_s, crackles(one))


def _scan_times(one: Case) -> tuple[Int64Array, Int64Array]:
    """Return number and time of every scan that reaches the host."""
    rng = _stream(one.half, one.number, "missed")
    count = math.ceil(one.duration_s * one.scans_per_s)
    number: Int64Array = np.arange(count, dtype=np.int64)
    sent = np.ones(count, dtype=bool)
    sent[rng.integers(1, count, int(rng.poisson(_MISSED_SHARE * count)))] = False
    t_us: Int64Array = np.rint(number * 1000 / one.scans_per_s).astype(np.int64) * 1000
    sent &= t_us < one.duration_s * 1_000_000
    if one.fault is not None and one.fault.kind == "gap":
        out_us = one.fault.onset_s * 1e6
        sent &= ~((t_us > out_us) & (t_us < out_us + 1e6 * float(rng.uniform(8.0, 300.0))))
    return number[sent], t_us[sent]


def crackles(case: Case) -> FloatArray:
    """Return an intermittent pair's crackles, (m, 3): from s, to s, what is left of its current meanwhile.

    They come at random, 0.5 to 20 a minute (Poisson), low, high or both: many as short as a scan.
    """
    fault = case.fault
    if fault is None or fault.kind != "intermittent":
        return np.empty((0, 3))
    rng = _stream(case.half, case.number, "crackle")
    per_s = math.exp(rng.uniform(math.log(0.5), math.log(20.0))) / 60.0
    left_s = case.duration_s - fault.onset_s
    m = max(1, int(rng.poisson(per_s * left_s)))
    out = np.empty((m, 3))
    out[:, 0] = fault.onset_s + np.sort(rng.uniform(0.0, left_s, m))
    out[0, 0] = fault.onset_s
    out[:, 1] = out[:, 0] + rng.uniform(0.02, 0.5, m)
    single = rng.random(m) < 0.6
    scan_s = 1 / case.scans_per_s
    at_s = np.ceil(out[single, 0] / scan_s) * scan_s
    out[single, 0], out[single, 1] = at_s - 0.25 * scan_s, at_s + 0.25 * scan_s
    out = out[np.argsort(out[:, 0])]
    out[:-1, 1] = np.minimum(out[:-1, 1], np.maximum(out[1:, 0], out[:-1, 0]))
    low, high = rng.uniform(0.0, 0.7, m), rng.uniform(1.2, 1.8, m)
    is_low = {"low": np.full(m, True), "high": np.full(m, False)}.get(fault.variant, rng.random(m) < 0.5)
    out[:, 2] = np.where(is_low, low, high)
    return out


def readings(case: Case, course: Course, from_s: float, to_s: float) -> ReadingBlock:
    """Return the scans of from_s <= t < to_s as readings; any cut into spans gives the same."""
    board = _board(case, course)
    first, last = np.searchsorted(board.t_us, (round(from_s * 1e6), round(to_s * 1e6)))
    return _readings(board, np.arange(first, last))


def _readings(board: _Board, which: Int64Array) -> ReadingBlock:
    """Return these of the board's scans; noise is drawn by blocks of `_BLOCK_S`."""
    one = board.one
    columns = len(board.wiring)
    t_us, number = board.t_us[which], board.number[which]
    if not len(t_us):
        return ReadingBlock(t_us, np.empty((0, columns)), np.empty((0, columns), dtype=np.int8))
    steps = board.volts[_rows(board, t_us)] / board.step_v
    per_block = math.ceil(_BLOCK_S * one.scans_per_s)
    blocks = number // per_block
    noise = np.empty((len(t_us), columns + 1))
    for block in np.unique(blocks):
        mine = slice(*np.searchsorted(blocks, (block, block + 1)))
        rng = np.random.default_rng([HALVES[one.half], one.number, 0x5CA4, int(block)])
        noise[mine] = rng.standard_normal((per_block, columns + 1))[number[mine] - block * per_block]
    fault = one.fault
    if len(board.crackles) and fault is not None:
        _crackle(steps[:, _pair_of(fault)], board.crackles, t_us / 1e6)
    steps += noise[:, :-1] * board.noise_steps
    if fault is not None and fault.variant in _AT_THE_INPUT:
        _at_the_input(board, fault, steps, t_us / 1e6, noise[:, -1])
    counts = np.rint(steps)
    railed = ((counts >= _FULL_COUNT).astype(np.int8) - (counts <= -_FULL_COUNT)).astype(np.int8)
    values = counts * board.per_step
    values[railed != 0] = np.nan
    return ReadingBlock(t_us, values, railed)


def _pair_of(fault: Fault) -> int:
    """Return the column of the pair at fault; 0 where it is no pair's."""
    return int(fault.channel[4:]) - 1 if fault.channel and fault.channel.startswith("pair") else 0


def _crackle(steps: FloatArray, events: FloatArray, t_s: FloatArray) -> None:
    """Apply crackles to one pair's scans, in place."""
    at = np.searchsorted(events[:, 0], t_s, side="right") - 1
    inside = (at >= 0) & (t_s < events[at, 1])
    steps[inside] *= events[at[inside], 2]


_AT_THE_INPUT: Final = frozenset({"lead off", "stuck code", "hum"})
"""Measuring faults that are seen at single scans only."""


def _at_the_input(board: _Board, fault: Fault, steps: FloatArray, t_s: FloatArray, noise: FloatArray) -> None:
    """Put a measuring fault on one channel's scans (n, c), in steps of its converter, in place."""
    one, c = board.one, _pair_of(fault)
    off = t_s >= fault.onset_s
    since_s = t_s[off] - fault.onset_s
    before = board.volts[int(fault.onset_s), c] / board.step_v[c]
    rng = _stream(one.half, one.number, "input")
    beat = np.sin(2 * np.pi * rng.uniform(0.1, 0.3) * since_s + 2.0 * np.sin(2 * np.pi * since_s / 37.0))
    match fault.variant:
        case "stuck code":
            steps[off, c] = np.rint(before)
        case "hum":
            # what averaging over whole cycles leaves of it, beating as the mains' frequency moves
            hum_v = rng.uniform(0.02, 0.08) * before * board.step_v[c]
            steps[off, c] += hum_v * (beat + 0.5 * noise[off]) / board.step_v[c]
        case "lead off":
            # an input that nothing holds falls to a level of its own, wanders, and picks up hum
            level_v = rng.uniform(0.005, 0.03) + 0.010 * _wander(rng, len(board.volts), 12.0)
            level_v = level_v[np.minimum(t_s[off].astype(np.int64), len(level_v) - 1)]
            level_v = level_v + (0.6 * before * board.step_v[c] - level_v) * np.exp(-since_s / 8.0)
            steps[off, c] = (level_v + 0.006 * beat + 0.004 * noise[off]) / board.step_v[c]


def _rows(board: _Board, t_us: Int64Array) -> Int64Array:
    """Return the row of the course that holds for each scan."""
    rows = t_us // 1_000_000
    for jump_s in board.jumps_s:
        jump_us = round(jump_s * 1e6)
        second = jump_us // 1_000_000
        rows[(t_us >= jump_us) & (rows == second)] += 1
    return np.minimum(rows, len(board.volts) - 1)


def ticks(case: Case, course: Course) -> TickBlock:
    """Return the whole soak as ticks, as this case's DAQ would show it.

    Ordinary seconds are drawn as ticks, from the distribution of so many noisy, stepped scans; a second in
    which something sudden happens, or a scan is missed, is made of its scans.
    """
    board = _board(case, course)
    seconds = board.t_us // 1_000_000
    n_s = int(seconds[-1]) + 1
    count = np.bincount(seconds, minlength=n_s)
    columns = len(board.wiring)
    steps = board.volts[:n_s] / board.step_v
    n = np.repeat(count.astype(np.int32)[:, None], columns, axis=1)
    mean, least, greatest = (np.full((n_s, columns), np.nan) for _ in range(3))
    railed = np.zeros((n_s, columns), dtype=np.int32)
    rng = _stream(case.half, case.number, "tick noise")
    for size in np.unique(count[count > 0]):
        rows = np.flatnonzero(count == size)
        drawn = _ordinary(rng, steps[rows], board.noise_steps, int(size))
        for out, what in zip((mean, least, greatest), drawn, strict=True):
            out[rows] = what
    for out in (mean, least, greatest):
        out *= board.per_step

    special = _special(board, steps, count)
    if special.any():
        which = np.flatnonzero(special[seconds])
        block = _readings(board, which)
        mine = seconds[which]
        starts = np.flatnonzero(np.diff(mine, prepend=-1))
        rows = mine[starts]
        there = ~np.isnan(block.values)
        n[rows] = np.add.reduceat(there, starts, axis=0, dtype=np.int32)
        railed[rows] = np.add.reduceat(block.railed != 0, starts, axis=0, dtype=np.int32)
        sums = np.add.reduceat(np.where(there, block.values, 0.0), starts, axis=0)
        mean[rows] = np.divide(sums, n[rows], out=np.full_like(sums, np.nan), where=n[rows] > 0)
        least[rows] = np.fmin.reduceat(block.values, starts, axis=0)
        greatest[rows] = np.fmax.reduceat(block.values, starts, axis=0)

    t_s: Int64Array = np.arange(n_s, dtype=np.int64)
    closing = np.minimum(np.searchsorted(seconds, t_s, side="right"), len(seconds) - 1)
    return TickBlock(t_s, board.t_us[closing] / 1e6, n, mean, least, greatest, railed)


def _special(board: _Board, steps: FloatArray, count: Int64Array) -> BoolArray:
    """Return which seconds are made of their scans."""
    n_s, fault = len(steps), board.one.fault
    near = np.abs(steps) > _FULL_COUNT - 8 * board.noise_steps
    special: BoolArray = np.asarray(near.any(axis=1))
    for jump_s in board.jumps_s:
        if jump_s < n_s:
            special[int(jump_s)] = True
    for from_s, to_s, _ in board.crackles:
        special[int(from_s) : int(to_s) + 1] = True
    if fault is not None and fault.variant in _AT_THE_INPUT:
        special[int(fault.onset_s) :] = True
    return special & (count > 0)


def _ordinary(
    rng: np.random.Generator, steps: FloatArray, noise: FloatArray, n: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mean, least and greatest of n scans at each of `steps` (m, c), all in steps of the converter."""
    if n < _BULK_FROM or n * len(steps) < _POOL:
        scans = np.rint(steps + noise * rng.standard_normal((n, *steps.shape)))
        return scans.mean(axis=0), scans.min(axis=0), scans.max(axis=0)
    pool_mean, pool_least, pool_greatest = _pool(n)
    pick = rng.integers(0, _POOL, steps.shape, dtype=np.uint16)
    least = np.rint(steps + noise * pool_least[pick])
    greatest = np.rint(steps + noise * pool_greatest[pick])
    # rounding adds a twelfth to a scan's variance, and of its ripple over a step the first harmonic is left
    spread = np.sqrt(noise**2 + 1 / 12)
    mean = steps + spread * pool_mean[pick]
    rough = noise < 0.8
    if rough.any():
        ripple = np.exp(-2 * (math.pi * noise[rough]) ** 2) / math.pi
        mean[:, rough] -= ripple * np.sin(2 * math.pi * steps[:, rough])
    return np.clip(np.rint(mean * n) / n, least, greatest), least, greatest


@lru_cache(maxsize=64)
def _pool(n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mean, least and greatest of n unit normals, `_POOL` times: drawn once, then dealt out."""
    draws = np.random.default_rng([0x9001, n]).standard_normal((_POOL, n))
    mean = draws.mean(axis=1)
    return mean - mean.mean(), draws.min(axis=1), draws.max(axis=1)


# ---- the set-up


def _setup_text(one: Case) -> str:
    parts = [
        f"""# The set-up of simulated soak {one.number} of the half "{one.half}".
schema = "soakbench.setup/1"

[amp]
name = "Amplifier {one.number}"
valve = "{one.valve}"
valves_per_pair = {one.valves_per_pair}
bias = "{one.bias}"
adjust = "{"none" if one.bias == "cathode" else "each pair"}"
nominal_ht_V = {one.nominal_ht_v:g}
nominal_mains_V = {_NOMINAL_MAINS_V:g}
"""
    ]
    if one.bias == "cathode":
        parts.append(f"cathode_V = {one.supply.cathode_v:g}\n")
    parts.append(
        f"""
[link]
kind = "simulator"
scans_per_s = {one.scans_per_s:g}
"""
    )
    for j in range(one.pairs):
        side = ""
        if one.by_side:
            side = f'side = "{_side(one, j)}"\npair = "{"ABC"[j // 2]}"\n'
        parts.append(
            f"""
[[channel]]
name = "pair{j + 1}"
measures = "pair current"
pin = [{2 * j}, {2 * j + 1}]
sense_ohm = {one.sense_ohm:g}
tolerance_pct = {one.tolerance_pct:g}
step_V = {one.step_v:.9g}
full_scale_V = {one.full_scale_v:.9g}
{side}"""
        )
    wired = {
        "ht": f'measures = "HT"\ndivider_ohm = [{_HT_OHM[0]}, {_HT_OHM[1]}]\ntolerance_pct = 1.0\n',
        "mains": 'measures = "mains"\nsensor = "linear"\nvalue_per_V = 100.0\ntolerance_pct = 1.0\n',
        "bias": f'measures = "bias voltage"\ndivider_ohm = [{_BIAS_OHM[0]}, {_BIAS_OHM[1]}]\n'
        "tolerance_pct = 1.0\n",
        "chassis": 'measures = "chassis temperature"\nsensor = "linear"\nvalue_per_V = 100.0\n',
        "ambient": 'measures = "ambient temperature"\nsensor = "linear"\nvalue_per_V = 100.0\n',
    }
    for k, name in enumerate(one.names[one.pairs :]):
        parts.append(
            f"""
[[channel]]
name = "{name}"
{wired[name]}pin = {2 * one.pairs + k}
step_V = {_OTHER_STEP_V:g}
full_scale_V = {_OTHER_STEP_V * _FULL_COUNT:.9g}
"""
        )
    parts.append(
        f"""
[plan]
steps = [
  {{step = "warm-up", minutes = {WARM_UP_S / 60:g}}},
  {{step = "soak", minutes = {one.soak_s / 60:.6g}}},
]
"""
    )
    if one.window_mA is not None:
        low, high = one.window_mA
        parts.append(f"\n[limits]\npair_low_mA = {low:.3f}\npair_high_mA = {high:.3f}\n")
    return "".join(parts)


def _side(one: Case, pair: int) -> str:
    return ("push", "pull")[pair % 2]
