"""Checks before power: what some twenty seconds of scans with HT off, and a few facts, say of the bench.

Pure. Each check is one line: fine, odd or stop, and what to do. Stop is advice to a person: it ends nothing,
and recording goes on from the first scan. Limits that no uncertainty gives are ours and say so beside them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Final, Literal

import numpy as np

from logger.blocks import NO_READING, DaqInfo, FloatArray, ScanBlock
from logger.convert import Calibration, Converter, terms, value_U
from logger.errors import RequestError
from logger.setup import Setup
from logger.units import number, quantity

WINDOW_S: Final = 20.0
"""How long is looked at, if HT does not come earlier."""
_LEAST_S: Final = 5.0
_LEAST_SCANS: Final = 20
_HT_THERE: Final = 0.05  # of nominal: below it HT counts as off
_CURRENT_THERE: Final = 0.2  # of the usual idle current, where there is no HT channel
_MISSING: Final = 0.1  # share of readings from which on a channel counts as dead
_NOISE_STEPS: Final = 8.0
_NOISE_OF_IDLE: Final = 0.0005  # for converters of finer steps
_NOISE_K: Final = 0.5
_LINE_CHANCE: Final = 1e-4  # of a line as strong in plain noise, over the whole of one channel's spectrum
_PLAUSIBLE_C: Final = (-20.0, 100.0)
_COLD_K: Final = 2.0  # beyond the sensors' own uncertainty
DISK_FLOOR_BYTES: Final = 50_000_000
DISK_LOW_BYTES: Final = 500_000_000
BYTES_A_SAMPLE: Final = 3.2
"""In a store, roll-ups included; measured."""
_LOAD_LOW: Final = 0.7  # of the tap's ohms
_LOAD_HIGH: Final = 2.5

Result = Literal["fine", "odd", "stop"]


@dataclass(frozen=True)
class Check:
    """What one check says, and what to do about it ("" where it is fine)."""

    check: str
    result: Result
    says: str
    do: str = ""

    @property
    def line(self) -> str:
        """The whole of it as one line; a stop can't be overlooked."""
        word = "STOP" if self.result == "stop" else self.result
        return f"before power: {self.check}: {word}: {self.says}{f'; {self.do}' if self.do else ''}"

    def json(self) -> dict[str, str]:
        """Return it as plain JSON types."""
        return asdict(self)


@dataclass(frozen=True)
class Load:
    """What a person says is connected to the output. It can't be seen from idle currents."""

    ohm: float
    tap_ohm: float
    watts: float

    @property
    def words(self) -> str:
        """As a person would say it."""
        return f"{self.ohm:g} ohm on the {self.tap_ohm:g} ohm tap, {self.watts:g} W"


_NUMBER: Final = r"([0-9]{1,6}(?:[.,][0-9]{1,3})?)"
_LOAD: Final = re.compile(
    rf"\s*{_NUMBER}\s*(?:ohms?|Ω)\s*,?\s*(?:on|at)?\s*(?:the\s*)?{_NUMBER}[\s-]*(?:ohms?|Ω)\s*tap\s*,?\s*"
    rf"{_NUMBER}\s*W\s*",
    re.IGNORECASE,
)


def parse_load(text: str) -> Load | None:
    """Read `8 ohm on the 8 ohm tap, 240 W`, or `none`; RequestError for anything else."""
    if text.strip().lower() == "none":
        return None
    found = _LOAD.fullmatch(text)
    values = [float(part.replace(",", ".")) for part in found.groups()] if found else []
    if not values or min(values) <= 0.0:
        raise RequestError(f'{text!r} says no load: write it like "8 ohm on the 8 ohm tap, 240 W", or none')
    return Load(*values)


@dataclass(frozen=True)
class Facts:
    """What is known apart from the scans.

    `load`: what a person says, None for none, "not said" where nobody said anything. `built`: when this
    program was made, `last_soak` when the store's last soak began. `disk_needed_bytes`: what the plan takes.
    """

    now: datetime
    built: datetime
    disk_left_bytes: int
    disk_needed_bytes: float
    load: Load | Literal["not said"] | None = "not said"
    last_soak: datetime | None = None


class BeforePower:
    """Collects scans until there are enough, or HT comes, and then checks them, once."""

    def __init__(
        self, setup: Setup, daq: DaqInfo, facts: Facts, calibration: Calibration | None = None
    ) -> None:
        self._setup, self._daq, self._facts, self._calibration = setup, daq, facts, calibration
        self._converter = Converter(setup, daq, calibration)
        self._blocks: list[ScanBlock] = []
        self._window_us = 1e6 * max(WINDOW_S, _LEAST_SCANS / setup.link.scans_per_s)
        self._made = False

    def feed(self, block: ScanBlock) -> list[Check] | None:
        """Take in scans, `t_us` from the first; return the checks once they can be made, else None."""
        if self._made or not len(block):
            return None
        inside = block.t_us < self._window_us
        hot = self._hot(block) & inside
        stop = int(np.argmax(hot)) if hot.any() else int(inside.sum())
        self._blocks.append(block.part(0, stop))
        if stop < len(block):
            return self._make(came_hot=bool(hot.any()))
        return None

    def finish(self) -> list[Check] | None:
        """Say that no more scans will come; return the checks if they were not made yet."""
        return None if self._made else self._make(came_hot=False)

    def _make(self, *, came_hot: bool) -> list[Check]:
        self._made = True
        scans = ScanBlock(
            np.concatenate([block.t_us for block in self._blocks] or [np.empty(0, dtype=np.int64)]),
            np.concatenate([block.sequence for block in self._blocks] or [np.empty(0, dtype=np.int64)]),
            np.concatenate(
                [block.counts for block in self._blocks]
                or [np.empty((0, len(self._setup.channel)), dtype=np.int32)]
            ),
        )
        self._blocks = []
        return checks(self._setup, self._daq, scans, self._facts, self._calibration, came_hot=came_hot)

    def _hot(self, block: ScanBlock) -> np.ndarray:
        """Say of each scan whether HT is there."""
        values = self._converter.readings(block).values
        column = self._setup.first("HT")
        with np.errstate(invalid="ignore"):
            if column is not None:
                there: np.ndarray = values[:, column] > _HT_THERE * self._setup.amp.nominal_ht_V
                return there
            pairs = values[:, self._setup.pair_columns] > _CURRENT_THERE * usual_a(self._setup)
        half: np.ndarray = pairs.sum(axis=1) * 2 > pairs.shape[1]
        return half


def checks(
    setup: Setup,
    daq: DaqInfo,
    scans: ScanBlock,
    facts: Facts,
    calibration: Calibration | None = None,
    *,
    came_hot: bool = False,
) -> list[Check]:
    """Check scans taken with HT off, and the facts. `came_hot`: HT came and ended them.

    With too few scans, what needs them is said not to have been made.
    """
    seconds = float(scans.t_us[-1] - scans.t_us[0]) / 1e6 if len(scans) else 0.0
    out = [_load(setup, facts)]
    if len(scans) < _LEAST_SCANS or seconds < _LEAST_S * 0.95:
        why = (
            f"HT was there after {seconds:.0f} s"
            if came_hot and len(scans)
            else "HT was there from the first scan"
            if came_hot
            else f"only {seconds:.0f} s of scans came"
        )
        out.append(
            Check(
                "HT off",
                "odd",
                f"{why}: channels, zero current, noise and cold temperatures could not be checked",
                f"next time let it run {WINDOW_S:.0f} s before HT is switched on",
            )
        )
    else:
        seen = _Seen(setup, daq, scans, calibration)
        out += [_ht_off(seen), _alive(seen), *_zero(seen), _noise(seen), _hum(seen), *_temperatures(seen)]
    return [*out, _clock(facts), _disk(facts)]


def needed_bytes(setup: Setup) -> float:
    """Return about how much room the plan's scans take in a store, with roll-ups."""
    hours = sum(step.seconds for step in setup.plan.steps) / 3600.0
    return 3600.0 * hours * setup.link.scans_per_s * len(setup.channel) * BYTES_A_SAMPLE


# ---- of the scans


class _Seen:
    """The scans with HT off, in counts and units."""

    def __init__(self, setup: Setup, daq: DaqInfo, scans: ScanBlock, calibration: Calibration | None) -> None:
        self.setup, self.daq, self.calibration, self.scans = setup, daq, calibration, scans
        self.converter = Converter(setup, daq, calibration)
        readings = self.converter.readings(scans)
        self.values, self.railed = readings.values, readings.railed
        self.dead = {column for column in range(len(setup.channel)) if self.fault(column)}

    def fault(self, column: int) -> str:
        """Say why a channel is dead, "" where it is not."""
        n = len(self.scans)
        none = int(np.sum(self.scans.counts[:, column] == NO_READING))
        railed = int(np.sum(self.railed[:, column] != 0))
        if none > _MISSING * n:
            return "gives no reading"
        if railed > _MISSING * n:
            return "is at full scale"
        if int(np.isnan(self.values[:, column]).sum()) > _MISSING * n:
            return "reads like an open or shorted sensor"
        return ""

    @property
    def pairs(self) -> list[int]:
        """The columns of the pairs that are alive."""
        return [column for column in self.setup.pair_columns if column not in self.dead]

    def name(self, column: int) -> str:
        return self.setup.channel[column].name

    def of(self, column: int) -> FloatArray:
        """Return a channel's readings, those that are there."""
        values: FloatArray = self.values[:, column]
        return values[~np.isnan(values)]

    def noise(self, column: int) -> float:
        """Return the standard deviation of single scans, from neighbours' differences: no drift in it."""
        return math.sqrt(float(np.mean(np.diff(self.of(column)) ** 2)) / 2.0)


def usual_a(setup: Setup) -> float:
    """Return about what a pair idles at: half the rating; a scale for what matters, no aim."""
    return 0.5 * setup.rating.anode_w / setup.amp.nominal_ht_V * setup.amp.valves_per_pair


def _matters_a(setup: Setup) -> float:
    """Return the current from which on no figure of a pair would be right: the match limit."""
    return setup.limits.match_a(usual_a(setup))


def _ht_off(seen: _Seen) -> Check:
    column = seen.setup.first("HT")
    if column is None:
        return Check("HT off", "odd", "there is no HT channel to see it by", "look at the amp's own switch")
    if column in seen.dead:
        return Check(
            "HT off", "stop", f"{seen.name(column)} {seen.fault(column)}", "look at its divider's lead"
        )
    volts = float(seen.of(column).mean())
    return Check(
        "HT off", "fine", f"HT (B+) reads {volts:.1f} V, which proves nothing: it may be there all the same"
    )


def _alive(seen: _Seen) -> Check:
    setup = seen.setup
    if seen.dead:
        said = ", ".join(f"{seen.name(column)} {seen.fault(column)}" for column in sorted(seen.dead))
        return Check("channels", "stop", said, "power off, then look at its lead, clamp and connector")
    counts = seen.scans.counts
    still = [c for c in range(len(setup.channel)) if np.ptp(counts[counts[:, c] != NO_READING, c]) == 0]
    still = [c for c in still if setup.channel[c].measures != "push button"]
    if still and 2 * len(still) <= len(setup.channel):
        names = ", ".join(seen.name(column) for column in still)
        return Check(
            "channels",
            "odd",
            f"{names} stood perfectly still while the others had noise",
            "move its lead or warm its sensor by hand and see whether it answers",
        )
    return Check("channels", "fine", f"all {len(setup.channel)} answer")


def _zero(seen: _Seen) -> Iterator[Check]:
    setup = seen.setup
    off: list[tuple[Result, str]] = []
    widest = 0.0
    for column in seen.pairs:
        mean = float(seen.of(column).mean())
        noise_u = seen.noise(column) / math.sqrt(len(seen.of(column)))
        own = terms(setup, seen.daq, column, 0.0, seen.calibration)
        # beyond the sum of what each part may be off there is no excuse, however they fall
        normal = math.hypot(noise_u, *(term.contribution for term in own if term.distribution == "normal"))
        most = 3.0 * normal + sum(term.half_width for term in own)
        U, _ = value_U(setup, seen.daq, column, 0.0, noise_u, seen.calibration)
        widest = max(widest, U)
        if abs(mean) > most:
            stop = abs(mean) > max(most, _matters_a(setup))
            off.append(("stop" if stop else "odd", f"{seen.name(column)} reads {quantity(mean, U, 'A')}"))
    if not seen.pairs:
        return
    if not off:
        text = f"no pair is further from zero than it may be (U {number(1000.0 * widest, 2)} mA)"
        yield Check("zero current", "fine", text)
        return
    yield Check(
        "zero current",
        "stop" if any(result == "stop" for result, _ in off) else "odd",
        f"{', '.join(says for _, says in off)} with HT off",
        "power off, then short that input at the amp's end: if it still does, it is the converter (calibrate "
        "it), else a lead or a leak",
    )


def _noise(seen: _Seen) -> Check:
    setup = seen.setup
    loud: list[str] = []
    stop = False
    worst = 0.0
    for column in seen.pairs:
        finer = setup.finer(setup.channel[column], seen.daq.volts_per_count[column])
        noise, step = seen.noise(column), finer * seen.converter.step(column)
        worst = max(worst, noise / step)
        if noise > max(_NOISE_STEPS * step, _NOISE_OF_IDLE * usual_a(setup)):
            loud.append(f"{seen.name(column)} {number(1000.0 * noise, 2)} mA")
            stop = stop or noise > _matters_a(setup)
    for column, channel in enumerate(setup.channel):
        if channel.unit == "degC" and column not in seen.dead and seen.noise(column) > _NOISE_K:
            loud.append(f"{channel.name} {seen.noise(column):.1f} K")
    if loud:
        return Check(
            "noise",
            "stop" if stop else "odd",
            f"a single scan of {', '.join(loud)} scatters more than a converter does",
            "look for a loose lead, a screen that is open, a phone or a switching supply beside the leads",
        )
    return Check("noise", "fine", f"a single scan scatters by {worst:.1f} steps of the converter at most")


def _hum(seen: _Seen) -> Check:
    lines = [(column, *found) for column in seen.pairs if (found := _line(seen, column)) is not None]
    if not lines:
        return Check("hum", "fine", "no line stands out of the pairs' noise")
    stop = any(size > _matters_a(seen.setup) for _, _, size in lines)
    said = ", ".join(f"{seen.name(c)} {number(1000.0 * a, 2)} mA at {f:.2f} Hz" for c, f, a in lines)
    return Check(
        "hum",
        "stop" if stop else "odd",
        f"a steady line in {said}: mains hum that the scan rate folds down, or something that swings",
        "twist the sense leads, keep them away from the mains transformer; a scan must stand for whole mains "
        "cycles (10 scans/s or fewer)",
    )


def _line(seen: _Seen, column: int) -> tuple[float, float] | None:
    """Return frequency (Hz) and amplitude (A) of a line in a pair's scans, None where there is none.

    Fisher's test of the greatest ordinate of the periodogram (R. A. Fisher, Proc. R. Soc. A 125, 1929): in
    white noise the chance of a share g or more in one of m ordinates is at most m (1 - g)^(m - 1).
    """
    period_s = 1.0 / seen.setup.link.scans_per_s
    place = np.rint(seen.scans.t_us / 1e6 / period_s).astype(np.int64)
    place -= place[0]
    values = seen.values[:, column]
    there = ~np.isnan(values)
    n = int(place[-1]) + 1
    if n > 4 * len(place) or there.sum() < _LEAST_SCANS:
        return None
    trend = np.polynomial.Polynomial.fit(place[there], values[there], 1)
    even = np.zeros(n)  # what is missing stands on the trend
    even[place[there]] = values[there] - trend(place[there])
    power = np.abs(np.fft.rfft(even)[1 : (n + 1) // 2]) ** 2
    m, whole = len(power), float(power.sum())
    if m < 5 or whole <= 0.0:
        return None
    at = int(np.argmax(power))
    share = float(power[at]) / whole
    if m * (1.0 - share) ** (m - 1) > _LINE_CHANCE:
        return None
    amplitude = 2.0 * math.sqrt(float(power[at])) / n
    return (at + 1) / (n * period_s), amplitude


def _temperatures(seen: _Seen) -> Iterator[Check]:
    setup = seen.setup
    columns = [c for c, channel in enumerate(setup.channel) if channel.unit == "degC" and c not in seen.dead]
    if not columns:
        return
    mean = {column: float(seen.of(column).mean()) for column in columns}
    said = ", ".join(f"{seen.name(c)} {mean[c]:.1f} °C" for c in columns)
    low, high = _PLAUSIBLE_C
    wild = [c for c in columns if not low <= mean[c] <= high]
    if wild:
        names = ", ".join(f"{seen.name(c)} {mean[c]:.0f} °C" for c in wild)
        yield Check(
            "temperatures", "stop", f"{names} can't be", "look at its lead and its lines in the set-up"
        )
        return
    room = setup.first("ambient temperature")
    reference = mean[room] if room in mean else float(np.median(list(mean.values())))
    room_U = _cold_U(seen, room, reference) if room in mean else 0.0
    apart = [c for c in columns if abs(mean[c] - reference) > _COLD_K + room_U + _cold_U(seen, c, mean[c])]
    if not apart:
        yield Check("temperatures", "fine", f"{said}: all cold")
        return
    warm = ", ".join(f"{seen.name(c)} is {mean[c] - reference:+.1f} K from the room" for c in apart)
    yield Check(
        "temperatures",
        "odd",
        f"{said}: {warm}",
        "if it ran lately let it cool, or its warm-up will look shorter; if not, the sensor is wrong",
    )


def _cold_U(seen: _Seen, column: int | None, celsius: float) -> float:
    assert column is not None
    U, _ = value_U(seen.setup, seen.daq, column, celsius, 0.0, seen.calibration)
    return 0.0 if math.isnan(U) else U


# ---- of the facts


def _load(setup: Setup, facts: Facts) -> Check:
    signal = any(step.step == "signal" for step in setup.plan.steps)
    load = facts.load
    if not isinstance(load, Load):
        said = "nobody said what load is connected" if load == "not said" else "no load is connected"
        return Check(
            "load",
            "stop" if signal else "odd",
            f"{said}, and it can't be seen" if load == "not said" else said,
            "no signal without a load, it can destroy the output transformer: connect one and say it, "
            '--load "8 ohm on the 8 ohm tap, 240 W"',
        )
    ratio = load.ohm / load.tap_ohm
    if not _LOAD_LOW <= ratio <= _LOAD_HIGH:
        return Check(
            "load",
            "odd",
            f"{load.words}, as said: it is not what that tap is made for",
            "well enough for idle; move it to its own tap before a signal comes",
        )
    return Check("load", "fine", f"{load.words}, as said; it can't be seen")


def _clock(facts: Facts) -> Check:
    for moment, what in ((facts.built, "this program was made"), (facts.last_soak, "the store's last soak")):
        if moment is not None and facts.now < moment:
            return Check(
                "clock",
                "odd",
                f"it says {facts.now:%Y-%m-%d %H:%M} UTC, before {what} ({moment:%Y-%m-%d %H:%M})",
                "set this machine's clock: the job record takes its dates from it",
            )
    return Check("clock", "fine", f"it says {facts.now:%Y-%m-%d %H:%M} UTC")


def _disk(facts: Facts) -> Check:
    left, needed = facts.disk_left_bytes, facts.disk_needed_bytes
    room = f"{left / 1e6:,.0f} MB left, the plan takes about {max(1.0, needed / 1e6):.0f} MB"
    if left < max(DISK_FLOOR_BYTES, needed):
        return Check("disk", "stop", room, "make room, or name a store on another disk with --db")
    if left < max(DISK_LOW_BYTES, 2.0 * needed):
        return Check("disk", "odd", room, "make room soon")
    return Check("disk", "fine", room)


def worst(found: Iterable[Check] | Sequence[dict[str, str]]) -> Result:
    """Return the worst result of checks, as made or as stored."""
    order: tuple[Result, ...] = ("fine", "odd", "stop")
    results = [one.result if isinstance(one, Check) else one["result"] for one in found]
    return next((result for result in reversed(order) if result in results), "fine")
