"""What idle current to aim at, what it reads at the resistor, and what to set now in order to end there.

The aim: the watts a valve is held to, times a percentage, over what volts are left across it. Limits
(`low`, `high`) are the furthest that the stated uncertainties allow together, no 95 % intervals: a screen
fraction known as a range has no distribution. The way there: how the same amplifier's pairs went from
each minute of a warm-up to where they settled, or the running forecast of `settling`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Final, Literal, TypeVar

import numpy as np

from logger.blocks import FloatArray
from logger.settling import SUPPLY_GAIN, Forecast
from logger.setup import Setup

Amount = TypeVar("Amount", float, FloatArray)

CAUTIONS: Final = (
    "The sheet may not be that of the valve in hand: another maker, another make, another date.",
    "High tension kills: one hand.",
)
"""What goes with every figure of a rating."""

AIM_CAUTIONS: Final = (
    "A percentage of the rating is a habit of the trade: no sheet gives one, and it has no authority behind "
    "it (common practice, no source).",
    *CAUTIONS,
    "Turn pots slowly: worn ones go open, and with them goes the bias.",
)
"""What goes with every aim."""

MINUTES: Final = (2, 5, 8, 10, 15, 20, 30)
"""Minutes after HT on for which it is said what to set."""

INTERVAL_PCT: Final = 90
"""How often a pair set by the table ends inside the stated interval, in per cent."""

TURN: Final = 0.2
"""The greatest turn of the current that the interval allows for: a greater one changes the heat too much."""

_HEAT_GAIN: Final = 0.03  # the same by that of the anode's heat, at least; from memory
_TURNED: Final = 0.02  # relative step within 20 s: a pot was turned, for no valve warms up so fast
_QUIET_MIN: Final = 2.0  # the heaters' own rise is over by then
_LOOKS: Final = 5.0  # the wander of an hour is slow: it is worth about so many independent looks


# ---- the aim


@dataclass(frozen=True)
class Span:
    """A figure and the limits it is known to lie between."""

    value: float
    low: float
    high: float

    @classmethod
    def within_pct(cls, value: float, pct: float) -> Span:
        """Return a figure with limits so many per cent to each side."""
        return cls(value, value * (1.0 - pct / 100.0), value * (1.0 + pct / 100.0))

    def times(self, factor: float) -> Span:
        """Return it in another unit."""
        return Span(self.value * factor, self.low * factor, self.high * factor)


@dataclass(frozen=True)
class Circuit:
    """What one pair's current flows through: `valves` on one resistor, `cathode_v` lost at the cathodes
    (a bias resistor), `ohm` that the pair's current drops more volts across (sense resistor, winding)."""

    valves: int = 2
    cathode_v: float = 0.0
    ohm: float = 1.0

    @classmethod
    def of(cls, setup: Setup, pair: int) -> Circuit:
        """Return that of one of a set-up's pairs, by its place among them."""
        amp, channel = setup.amp, setup.pairs[pair]
        # One side's winding carries that side's valves of all pairs: half the current of each pair.
        winding_ohm = amp.primary_ohm / 2.0 * len(setup.pairs) if amp.ht_at != "anode" else 0.0
        return cls(setup.valves_on(channel), amp.cathode_V or 0.0, (channel.sense_ohm or 0.0) + winding_ohm)

    def anode_w(self, pair_a: Amount, ht_v: Amount, screen_fraction: float) -> Amount:
        """Return the power of one valve, mean of the pair's, without the screen's share of the current."""
        across_v = ht_v - self.cathode_v - self.ohm * pair_a
        return across_v * pair_a * (1.0 - screen_fraction) / self.valves

    def screen_w(self, pair_a: float, screen_v: float, screen_fraction: float) -> float:
        """Return the power of one valve's screen, mean of the pair's; volts count from the cathode."""
        return screen_v * pair_a * screen_fraction / self.valves

    def pair_a(self, anode_w: float, ht_v: float, screen_fraction: float) -> float:
        """Return the pair current, in A, at which `anode_w` returns these watts; NaN where none does."""
        supply_v = ht_v - self.cathode_v
        wanted = anode_w * self.valves / (1.0 - screen_fraction)
        root = supply_v**2 - 4.0 * self.ohm * wanted
        return 2.0 * wanted / (supply_v + math.sqrt(root)) if supply_v > 0 and root >= 0 else math.nan


@dataclass(frozen=True)
class Target:
    """Idle currents and reading at which a valve dissipates what is aimed at. NaN where no current does."""

    anode_a: Span
    cathode_a: Span
    pair_a: Span
    reads_v: Span


def target(circuit: Circuit, watts: float, ht_v: Span, screen_fraction: Span, sense_ohm: Span) -> Target:
    """Return the currents of one valve and one pair, and what a pair's resistor reads, at `watts` a valve."""
    corners = [
        (circuit.pair_a(watts, ht, share), share)
        for ht, share in product(_both(ht_v), _both(screen_fraction))
    ]
    middle_a, middle = circuit.pair_a(watts, ht_v.value, screen_fraction.value), screen_fraction.value
    valves = circuit.valves

    def span(of: Sequence[float], at_middle: float) -> Span:
        return Span(at_middle, min(of), max(of))

    pair = span([a for a, _ in corners], middle_a)
    anode = span([a * (1.0 - share) / valves for a, share in corners], middle_a * (1.0 - middle) / valves)
    reads = Span(pair.value * sense_ohm.value, pair.low * sense_ohm.low, pair.high * sense_ohm.high)
    return Target(anode, pair.times(1.0 / valves), pair, reads)


def dissipation(circuit: Circuit, pair_a: Span, ht_v: Span, screen_fraction: Span) -> Span:
    """Return the watts of one valve at a measured pair current: the check of what nobody can set."""
    corners = [
        circuit.anode_w(a, ht, share)
        for a, ht, share in product(_both(pair_a), _both(ht_v), _both(screen_fraction))
    ]
    middle = circuit.anode_w(pair_a.value, ht_v.value, screen_fraction.value)
    return Span(middle, min(corners), max(corners))


def aim_a(setup: Setup, pair: int, pct: float) -> float:
    """Return the current of a set-up's pair, in A, at a percentage of the rating at nominal HT.

    The screen's share is the middle of its range. NaN where no current brings it.
    """
    low, high = setup.screen_fraction
    watts = setup.ceiling.watts * pct / 100.0
    return Circuit.of(setup, pair).pair_a(watts, setup.amp.nominal_ht_V, (low + high) / 2.0)


def own_anode_pct(setup_ceiling_w: float, anode_w: float, screen_fraction: float) -> float:
    """Return the percentage of anode + screen at which the anode alone is at its limit, as a triode."""
    return 100.0 * anode_w / (setup_ceiling_w * (1.0 - screen_fraction))


def _both(span: Span) -> tuple[float, float]:
    return span.low, span.high


# ---- set it now to end there


@dataclass(frozen=True)
class WarmUp:
    """How the p pairs of one soak warmed up: the natural logarithm of what a pair settled at over what it
    drew at each of `MINUTES`, (m, p), NaN where that isn't known. `wander`: rms of a minute's mean about the
    settled current, relative; `quiet_wander`: the same with the mains taken out."""

    log_ratio: FloatArray
    wander: float
    quiet_wander: float


def warm_up(
    on_min: FloatArray,
    current_a: FloatArray,
    settled_a: FloatArray,
    soak: tuple[float, float],
    mains_v: FloatArray | None = None,
) -> WarmUp | None:
    """Learn from one soak that began cold and was not interrupted.

    `on_min` (n,): minutes since HT on, in steps of 10 s or so; `current_a` (n, p), `mains_v` (n,), NaN where
    nothing was measured; `settled_a` (p,); `soak`: the minutes between which it is settled. What lies before
    a turned pot is not used for that pair. None where the soak is too short to know its wander.
    """
    log = np.log(np.where(current_a > 0, current_a, np.nan) / settled_a)
    soaking = (on_min >= soak[0]) & (on_min < soak[1])
    if soaking.sum() < 60:
        return None
    quiet = log
    if mains_v is not None and not np.isnan(mains_v[soaking]).all():
        mains = np.where(np.isnan(mains_v), np.nanmean(mains_v[soaking]), mains_v)
        quiet = log - SUPPLY_GAIN * np.log(mains / np.nanmean(mains_v[soaking]))[:, None]
    usable_from = [_untouched_from(on_min, log[:, j], soak[0]) for j in range(log.shape[1])]
    ratio = np.full((len(MINUTES), log.shape[1]), np.nan)
    for row, minute in enumerate(MINUTES):
        around = np.abs(on_min - minute) < 0.5
        for j, start in enumerate(usable_from):
            seen = quiet[around, j][~np.isnan(quiet[around, j])]
            if minute - 0.5 >= start and len(seen) >= 3:
                ratio[row, j] = -seen.mean()
    return WarmUp(ratio, _wander(on_min[soaking], log[soaking]), _wander(on_min[soaking], quiet[soaking]))


def _untouched_from(on_min: FloatArray, log: FloatArray, until: float) -> float:
    """Return the minute from which a pair was left alone, up to the end of its warm-up."""
    seen = ~np.isnan(log) & (on_min >= _QUIET_MIN - 0.5) & (on_min < until)
    t, y = on_min[seen], log[seen]
    if len(t) < 3:
        return math.inf
    steps = np.abs(y[2:] - y[:-2])
    turned = np.flatnonzero(steps > _TURNED)
    return float(t[turned[-1] + 2]) if len(turned) else -math.inf


def _wander(on_min: FloatArray, log: FloatArray) -> float:
    """Return the rms of the pairs' minute means about what they settled at, relative."""
    minute = np.floor(on_min).astype(int)
    starts = np.flatnonzero(np.diff(minute, prepend=minute[0] - 1))
    count = np.add.reduceat((~np.isnan(log)).astype(int), starts, axis=0)
    sums = np.add.reduceat(np.nan_to_num(log), starts, axis=0)
    means = sums[count > 0] / count[count > 0]
    return float(np.sqrt(np.mean(means**2))) if len(means) else 0.0


@dataclass(frozen=True)
class Habit:
    """How this amplifier warms up: logarithms of settled over now at each of `MINUTES`, standard uncertainty
    and degrees of freedom of the next one: by pair (m, p) with the same valves, and for any pair of its
    kind (m,) with others. NaN where nothing was learnt. `soaks`: how many it was learnt from."""

    log_ratio: FloatArray
    u: FloatArray
    dof: FloatArray
    any_log_ratio: FloatArray
    any_u: FloatArray
    any_dof: FloatArray
    soaks: int


def learn(warm_ups: Sequence[WarmUp]) -> Habit:
    """Pool the warm-ups of one amplifier; at least one.

    The next warm-up differs from the mean of K by what a minute's mean wanders, and by a Kth of what those
    before wandered; where soaks differ by more than their wander says, that is counted too.
    """
    ratios = np.array([warm.log_ratio for warm in warm_ups])  # (k, m, p)
    known = ~np.isnan(ratios)
    count = known.sum(axis=0)
    with_any = np.where(count > 0, count, 1)
    mean = np.where(count > 0, np.nansum(ratios, axis=0) / with_any, np.nan)
    # A mean over few looks hides part of the wander, and is itself uncertain by as much.
    hidden = (_LOOKS + 1.0) / (_LOOKS - 1.0)
    wander2 = hidden * float(np.mean([warm.wander**2 for warm in warm_ups]))
    quiet2 = hidden * float(np.mean([warm.quiet_wander**2 for warm in warm_ups]))
    dof = (_LOOKS - 1.0) * len(warm_ups)
    common2, own2 = _between(ratios - mean)
    if len(warm_ups) > 1:
        # All pairs and minutes of one soak share its mains: together they are one look.
        freedom = len(warm_ups) - 1.0
        extra2 = max(0.0, common2 - quiet2) * freedom / (freedom + dof)
        wander2, quiet2, dof = wander2 + extra2, quiet2 + extra2, dof + freedom
    heat = np.fmax(np.abs(mean[:1]), _HEAT_GAIN)  # what the first minutes moved is part of it
    turn2 = (TURN * heat) ** 2 / 3.0
    own2 = own2[:, None] * (1.0 + 1.0 / with_any)  # valves were changed, or age
    u = np.sqrt(wander2 + quiet2 / with_any + own2 + turn2) + np.where(count > 0, 0.0, np.nan)
    return Habit(mean, u, np.full_like(u, dof), *_any_pair(mean, u), soaks=len(warm_ups))


def _between(off: FloatArray) -> tuple[float, FloatArray]:
    """Return how soaks differ: what all pairs share (variance), and what each has for itself (m,)."""
    soaks, minutes, pairs = off.shape
    known = ~np.isnan(off)
    count = np.maximum(known.sum(axis=2), 1)
    common = np.nansum(off, axis=2) / count  # (k, m)
    free = max(soaks - 1, 1)
    common2 = float(np.sum(common**2)) / (free * minutes)
    own = np.where(known, off - common[:, :, None], 0.0)
    return common2, np.asarray((own**2).sum(axis=(0, 2)) / (free * max(pairs - 1, 1)))


def _any_pair(mean: FloatArray, u: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what to expect of other valves of the kind: the pairs' mean, and how far pairs lie apart."""
    pairs = (~np.isnan(mean)).sum(axis=1)
    enough = pairs > 1
    safe = np.where(enough, pairs, 2)
    middle = np.where(enough, np.nansum(mean, axis=1) / safe, np.nan)
    spread2 = np.nansum((mean - middle[:, None]) ** 2, axis=1) / (safe - 1.0)
    own2 = np.nansum(u**2, axis=1) / safe
    return middle, np.sqrt(spread2 * (1.0 + 1.0 / safe) + own2), safe - 1.0


@dataclass(frozen=True)
class Setting:
    """What a pair should read now, in A, in order to end at the target, and where it then ends (90 %)."""

    minute: float
    pair: int | None
    now_a: float
    ends_a: Span


def settings(habit: Habit, target_a: Sequence[float]) -> list[Setting]:
    """Return what to set at each of `MINUTES`: one row a pair by its target (p,), then one for other valves.

    `pair` is None for these; the first pair's target stands for them. Rows that were not learnt are left out.
    """
    out = []
    for row, minute in enumerate(MINUTES):
        for pair, aim in enumerate(target_a):
            known = (habit.log_ratio[row, pair], habit.u[row, pair], habit.dof[row, pair])
            out.append(_setting(minute, pair, aim, *(float(x) for x in known)))
        known = (habit.any_log_ratio[row], habit.any_u[row], habit.any_dof[row])
        out.append(_setting(minute, None, target_a[0], *(float(x) for x in known)))
    return [setting for setting in out if not math.isnan(setting.now_a)]


def _setting(
    minute: float, pair: int | None, aim_a: float, log_ratio: float, u: float, dof: float
) -> Setting:
    if math.isnan(log_ratio) or math.isnan(u):
        return Setting(minute, pair, math.nan, Span(math.nan, math.nan, math.nan))
    reach = _student(dof) * u
    ends = Span(aim_a, aim_a * math.exp(-reach), aim_a * math.exp(reach))
    return Setting(minute, pair, aim_a * math.exp(-log_ratio), ends)


def from_forecast(
    minute: float, now_a: Sequence[float], running: Forecast, target_a: Sequence[float]
) -> list[Setting]:
    """Return what each pair should read now by the running forecast, `minute` minutes after HT on.

    `now_a` (p,): what the pairs draw, in A, the unit that `running` is relative to. The further the current
    has to be turned, the more its heat and with it its end changes: that widens the interval.
    """
    out = []
    for pair, (drawn, aim) in enumerate(zip(now_a, target_a, strict=True)):
        end, low, high = (float(of[pair]) for of in (running.end, running.end_low, running.end_high))
        set_a = aim / end
        turned = _NORMAL_90 * _HEAT_GAIN * (set_a / drawn - 1.0)
        down, up = math.hypot(math.log(end / low), turned), math.hypot(math.log(high / end), turned)
        out.append(Setting(minute, pair, set_a, Span(aim, aim * math.exp(-down), aim * math.exp(up))))
    return out


_NORMAL_90: Final = 1.6449


def _student(dof: float) -> float:
    """Return Student's 95 % point: the factor of an interval that holds 90 %."""
    from scipy.special import stdtrit

    return float(stdtrit(dof, INTERVAL_PCT / 200.0 + 0.5))


# ---- setting it: what a person at the pots is told

Word = Literal["more", "less", "on target", ""]

DRAWS_NOTHING: Final = 0.2
"""Below this part of the aim a pair is not merely set low: HT, a valve or the pot's feed is gone."""

SETTABLE_IN: Final = ("warming", "setting bias", "soaking")
"""States in which an idle current can be set; in any other it says nothing of where the pot belongs."""


@dataclass(frozen=True)
class Course:
    """What a pair ends at, relative to what it draws now, with the ends of its 90 % interval."""

    ends: Span
    learnt: bool = False


@dataclass(frozen=True)
class Advice:
    """What to do about one pair, in A: what it should read now (`set_a`) and the window around that.

    `aim_a` and `ends`: where it is to end, and where it would end if it were left as it is; `ends` is None
    where there is no forecast, and `set_a` is then the aim. `off`: how far it is from `set_a`, in half
    windows, negative below. `lead`: the pair that the word is about, where several hang on one pot. `word` is
    empty where nothing can be said: no reading, or it draws next to nothing.
    """

    aim_a: float
    set_a: float
    low_a: float
    high_a: float
    ends: Span | None
    off: float
    word: Word
    lead: int


def window_a(setup: Setup, aim: float) -> tuple[float, float]:
    """Return between which currents, in A, a pair is on target when it has settled.

    Half the match limit to each side, so that any two pairs in it match; narrowed to the amp's own window
    where one is stated that holds some of it.
    """
    half = setup.limits.match_a(aim) / 2.0
    low, high = aim - half, aim + half
    own_low = setup.limits.pair_low_mA
    own_high = setup.limits.pair_high_mA
    narrowed = (
        low if own_low is None else max(low, own_low / 1e3),
        high if own_high is None else min(high, own_high / 1e3),
    )
    return narrowed if narrowed[0] < narrowed[1] else (low, high)


def course_at(settings: Sequence[Setting], pair: int, minute: float) -> Course | None:
    """Return a pair's course by what was learnt, between two of its minutes; None outside of them."""
    rows = sorted((row for row in settings if row.pair == pair), key=lambda row: row.minute)
    minutes = [row.minute for row in rows]
    if not rows or not minutes[0] <= minute <= minutes[-1]:
        return None

    def between(of: Sequence[float]) -> float:
        return math.exp(float(np.interp(minute, minutes, np.log(of))))

    return Course(
        Span(
            between([row.ends_a.value / row.now_a for row in rows]),
            between([row.ends_a.low / row.now_a for row in rows]),
            between([row.ends_a.high / row.now_a for row in rows]),
        ),
        learnt=True,
    )


def on_one_pot(setup: Setup) -> list[list[int]]:
    """Return which pairs are set together, by their places: each alone, by sides, all; none where fixed.

    With a level and a balance pot the level is what is aimed with.
    """
    pairs = range(len(setup.pairs))
    match setup.amp.adjust:
        case "each pair":
            return [[pair] for pair in pairs]
        case "each side":
            sides = {channel.side: None for channel in setup.pairs}
            return [[pair for pair in pairs if setup.pairs[pair].side == side] for side in sides]
        case "none":
            return []
        case _:
            return [list(pairs)]


def advise(
    setup: Setup, now_a: Sequence[float], aims_a: Sequence[float], courses: Sequence[Course | None]
) -> list[Advice]:
    """Return what to do about each pair, by its present reading (NaN: none), its aim and its course.

    Pairs on one pot are led by the hottest, that which is highest above where it should be.
    """
    out = []
    for pair, (drawn, aim, course) in enumerate(zip(now_a, aims_a, courses, strict=True)):
        by = 1.0 if course is None else 1.0 / course.ends.value
        low, high = (end * by for end in window_a(setup, aim))
        set_a = aim * by
        ends = None if course is None or math.isnan(drawn) else course.ends.times(drawn)
        side = high - set_a if drawn > set_a else set_a - low
        if side <= 0.0:  # the window lies to one side of the aim
            side = (high - low) / 2.0
        off = (drawn - set_a) / side
        word: Word = ""
        if drawn >= DRAWS_NOTHING * set_a:
            word = "more" if drawn < low else "less" if drawn > high else "on target"
        out.append(Advice(aim, set_a, low, high, ends, off, word, pair))
    for together in on_one_pot(setup):
        known = [pair for pair in together if out[pair].word]
        if len(together) > 1 and known:
            lead = max(known, key=lambda pair: now_a[pair] / out[pair].set_a)
            for pair in together:
                word = out[lead].word if out[pair].word else ""
                out[pair] = replace(out[pair], word=word, off=out[lead].off, lead=lead)
    if not on_one_pot(setup):
        out = [replace(one, word="") for one in out]
    return out
