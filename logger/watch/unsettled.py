"""`unsettled`: a pair still moving when the warm-up is over; and when each pair settled."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from logger.blocks import FloatArray
from logger.finding import Kind, Severity
from logger.settling import SLOW_DOUBTED, SUPPLY_GAIN, Forecast, forecast, turns_min
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear, Events, Minutes, Seconds, Sight, median, own_movement

_HOLD = 3
_HOLD_MIN = 6.0  # a jump is known for one three minutes after it came
_CALM = 10
_MOST = 0.2  # of the current: what moves by more does not settle, something happened to it
_SETTLED = 0.1
# Chosen on the tuning half of the family; what they cost: docs/how-good.md.
_SURE, _LIKELY = 0.99, 0.9
_WATCH_MIN = 90.0
_TURN_MIN = 8.0  # later, what moves again is drift
_EVERY_MIN_AFTER = 180.0
_JUMP, _JUMP_SIGMA, _JUMPS_MOST = 0.5, 8.0, 3
_JUMPS_FROM_MIN = 4.0  # before, the fast tail bends as sharply


@dataclass(frozen=True)
class Outlook:
    """What is to come of one pair, with 90 % intervals: where it ends, and when it will be settled.

    `low_a` and `high_a` bound the end; `earliest_min` and `latest_min`, elapsed, the time from which on it is
    within the settling limit of its end for good; infinite where that is more than 2 hours ahead.
    """

    low_a: float
    high_a: float
    earliest_min: float
    latest_min: float


@dataclass(frozen=True)
class _Basis:
    """What a forecast of the pairs' own currents is made from: of which pairs, when, relative to what.

    `on_min` (n,) minutes of HT, `relative_a` (n, p) to `level_a` (p,), `supply` (n,) or None; `setting` (n,):
    whether a person had said that bias is being set.
    """

    on_min: FloatArray
    relative_a: FloatArray
    supply: FloatArray | None
    shifts_min: list[float]
    at_min: float
    pairs: list[int]
    level_a: FloatArray
    limit_a: float
    setting: NDArray[np.bool_]

    @cached_property
    def usual(self) -> Forecast | None:
        """The forecast: made once somebody asks for it, since with three pairs it is mostly only shown."""
        return forecast(self.on_min, self.relative_a, self.supply, self.shifts_min)

    @cached_property
    def shown(self) -> Forecast | None:
        """The same, knowing of pots that were turned: what a person sets by. Nothing is judged by it."""
        supply = 0.0 if self.supply is None else SUPPLY_GAIN * self.supply[:, None]
        turns = turns_min(self.on_min, np.log(self.relative_a) - supply, self.setting)
        if not turns:
            return self.usual
        return forecast(self.on_min, self.relative_a, self.supply, [*self.shifts_min, *turns])


class Unsettled:
    """Follows the settling forecast of each pair, minute by minute.

    A pair is settled once the upper 90 % limit of what the model says is still to come has been below
    the settling limit for 3 minutes, and for good: it is taken back where the limit is passed again up to
    8 minutes after the warm-up. In the 90 minutes after the warm-up's end a pair that had not settled by then
    is held to be unsettled where, by what it has done since, more than the limit was still to come at that
    end with a chance of 99 %, for 6 minutes: a large rest is called at once, a small one once it has been
    seen to move. What was settled then and moves later is drift. With three pairs and more it is the pair's
    own movement that is forecast, since what all do together is the supply and the room; the current itself,
    freed of what mains or HT did, must say the same with a chance of 90 %, since the others may settle the
    other way. A jump from one minute to the next is given a level of its own: it is no settling.
    Principle and source: `settling.forecast`. Learns at minutes' ends from 2 minutes of HT on, anew after a
    restart. Price: none in 7,700 pair-hours of the family's tuning half, where it was tuned (14 before); what
    others cost: docs/how-good.md. Delay: 5 minutes for four times the limit, 25 to 70 for one
    and a half to twice.
    """

    def __init__(self, setup: Setup, minutes: Minutes, settled_min: list[float]) -> None:
        self._setup = setup
        self._minutes = minutes
        self.settled_min = settled_min
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        pairs = len(self._names)
        self.left_a = [math.nan] * pairs
        self.left_u_a = [math.nan] * pairs
        self._chance = [math.nan] * pairs
        self._then_a = [math.nan] * pairs
        self._chance_now = [math.nan] * pairs
        self._shifts_min: list[float] = []
        self._masked = [False] * pairs
        self._below = [0] * pairs
        self._above_min = [math.nan] * pairs
        self._undone = [0] * pairs
        self._open = [False] * pairs
        self._said = [False] * pairs
        """Of this warm-up; it is said once."""
        self._start = 0
        self._warm_end_min = math.nan
        self._on_s = math.nan
        self._setting_t_min: list[float] = []  # minutes in which bias was being set
        self._basis: _Basis | None = None
        self._outlook: list[Outlook | None] | None = None

    def update(self, second: Seconds) -> Events:
        """Take in a stretch; looks at each minute's end."""
        if second.powered and (math.isnan(self._on_s) or second.on_s[0] < self._on_s):
            self._restarted()
        self._on_s = second.on_end_s
        if (masked := second.masked.tolist()) != self._masked:
            self._masked = masked
            self._shifts_min.append(float(second.on_s[0]) / 60.0)
        if not second.closes_minute or not second.powered or second.state == "under signal":
            return []
        if len(self._minutes) <= self._start:
            return []
        if second.state == "setting bias":
            self._setting_t_min.append(float(self._minutes.t_min[-1]))
        now = float(self._minutes.t_min[-1])
        on = float(self._minutes.on_min[-1])
        if second.state == "soaking" and math.isnan(self._warm_end_min):
            self._warm_end_min = now
        # Once all are settled for good the forecast is only shown: now and then will do.
        done = now - self._warm_end_min > _TURN_MIN and all(
            s == s or m for s, m in zip(self.settled_min, self._masked, strict=True)
        )
        if (done or on > _EVERY_MIN_AFTER) and len(self._minutes) % 10:
            return []
        self._forecast(second)
        return [(len(second) - 1, event) for event in self._judge(second, now)]

    def sight(self, pair: int) -> Sight:
        """Return how likely it is that a pair had not settled when the warm-up ended."""
        what = "chance that it had not settled at the warm-up's end"
        return Sight(100.0 * self._chance[pair], 100.0 * _SURE, "%", what)

    def _restarted(self) -> None:
        pairs = len(self._names)
        self._start = len(self._minutes)
        for j in range(pairs):
            self.settled_min[j] = math.nan
        self._below, self._undone = [0] * pairs, [0] * pairs
        self._above_min = [math.nan] * pairs
        self._said = [False] * pairs
        self._warm_end_min = math.nan
        self._shifts_min = []
        self._basis = self._outlook = None

    @property
    def outlook(self) -> list[Outlook | None]:
        """What is to come of each pair, None where there is no forecast. Worked out once it is asked for."""
        if self._outlook is None:
            self._outlook = [None] * len(self._names)
            basis = self._basis
            if basis is not None and basis.shown is not None:
                shown = basis.shown
                _, earliest, latest = basis.at_min + shown.settles_in_min(basis.limit_a / basis.level_a)
                low, high = shown.end_low * basis.level_a, shown.end_high * basis.level_a
                for i, j in enumerate(basis.pairs):
                    self._outlook[j] = Outlook(
                        float(low[i]), float(high[i]), float(earliest[i]), float(latest[i])
                    )
        return self._outlook

    @property
    def end_a(self) -> list[float]:
        """Where each pair will end, NaN where there is no forecast. Worked out once it is asked for."""
        out = [math.nan] * len(self._names)
        basis = self._basis
        if basis is not None and basis.shown is not None:
            for i, j in enumerate(basis.pairs):
                out[j] = float(basis.shown.end[i] * basis.level_a[i])
        return out

    @property
    def from_a(self) -> list[float]:
        """What each pair drew in the minute that its forecast was made of, NaN where there is no forecast."""
        out = [math.nan] * len(self._names)
        if self._basis is not None:
            for i, j in enumerate(self._basis.pairs):
                out[j] = float(self._basis.level_a[i])
        return out

    def _forecast(self, second: Seconds) -> None:
        minutes = self._minutes
        currents = minutes.currents(self._start)
        for j in range(len(self._names)):
            self.left_a[j] = self.left_u_a[j] = self._chance[j] = math.nan
        self._basis = self._outlook = None
        good = ~np.isnan(currents[-1]) & (np.isnan(currents).mean(axis=0) < 0.2) & ~second.masked
        rows = ~np.isnan(currents[:, good]).any(axis=1)
        if not good.any() or not rows.any():
            return
        level = currents[-1]
        on = minutes.on_min[self._start :]
        supply = minutes.mains_v[self._start :]
        if np.isnan(supply).all():  # HT follows the mains, and says nearly the same of them
            supply = minutes.ht_v[self._start :]
        rows &= ~(np.isnan(supply) & ~np.isnan(supply).all())
        relative = None if np.isnan(supply[rows]).any() else supply[rows] / supply[rows].mean() - 1.0
        pairs = [int(j) for j in np.flatnonzero(good)]
        y = currents[np.ix_(rows, good)] / level[good]
        limit = self.limit_a() / level[good]
        shifts = self._shifts_min
        if relative is None:  # nothing but the currents tells of the supply
            shifts = [*shifts, *_jumps(on[rows], np.log(y), limit)]
        elif len(pairs) < 3:  # HT may have moved without the mains, and there are no others to tell it by
            alone_y = np.log(y) - SUPPLY_GAIN * relative[:, None]
            shifts = [*shifts, *_jumps(on[rows], alone_y, limit)]
        basis = self._basis = _Basis(
            on[rows],
            y,
            relative,
            list(shifts),
            float(minutes.t_min[self._start + int(np.flatnonzero(rows)[-1])]),
            pairs,
            level[good],
            self.limit_a(),
            np.isin(minutes.t_min[self._start :][rows], self._setting_t_min),
        )
        apart: Forecast | None = None
        if len(pairs) >= 3:  # what all do together is the supply and the room, not a pair's settling
            rows &= on >= 2.0  # before that the heaters' rise is in it
            own = own_movement(currents[np.ix_(rows, good)])
            jumps = _jumps(on[rows], own, limit)
            apart = forecast(on[rows], 1.0 + own, None, [*self._shifts_min, *jumps])
        made = apart or basis.usual
        if made is None:
            return
        alone = made.with_slow_odds(SLOW_DOUBTED)
        ago = max(float(minutes.t_min[-1]) - self._warm_end_min, 0.0) if not self._warming else 0.0
        chance = alone.chance_above(limit, ago)
        if apart is not None and (chance > _SURE).any() and basis.usual is not None:
            doubted = basis.usual.with_slow_odds(SLOW_DOUBTED)
            # what stands against the others may be the others' own settling the other way
            both = doubted.chance_above(limit, ago) > _LIKELY
            both &= doubted.left_before(ago) * alone.left_before(ago) > 0.0
            chance = np.where(both, chance, np.minimum(chance, _SURE))
        now = alone.chance_above(limit)
        then = alone.left_before(ago)
        for i, j in enumerate(pairs):
            self._chance[j] = float(chance[i])
            self._then_a[j] = float(then[i] * level[j])
            self._chance_now[j] = float(now[i])
            self.left_a[j] = float(alone.left[i] * level[j])
            self.left_u_a[j] = float(alone.left_sd[i] * level[j])

    @property
    def _warming(self) -> bool:
        return math.isnan(self._warm_end_min)

    def _watching(self, now: float) -> bool:
        """Whether it is early enough to hold a pair unsettled."""
        return math.isnan(self._warm_end_min) or now - self._warm_end_min <= _WATCH_MIN

    def limit_a(self) -> float:
        """Return the settling limit in amperes: stated, or a share of the pairs' median."""
        return self._setup.limits.settle_a(median(self._minutes.currents(-1)[0]))

    def _judge(self, second: Seconds, now: float) -> list[Claim | Clear]:
        out: list[Claim | Clear] = []
        limit = self.limit_a()
        for j, name in enumerate(self._names):
            left, u, then = self.left_a[j], self.left_u_a[j], self._then_a[j]
            if left != left:
                continue
            below = self._chance_now[j] < _SETTLED  # its upper 90 % limit is below the limit
            self._below[j] = self._below[j] + 1 if below else 0
            self._undone[j] = 0 if below else self._undone[j] + 1
            if not self._chance[j] > _SURE:
                self._above_min[j] = math.nan
            elif math.isnan(self._above_min[j]):
                self._above_min[j] = now
            if self._below[j] >= _HOLD and math.isnan(self.settled_min[j]):
                self.settled_min[j] = now
            if self._open[j] and self._below[j] >= _CALM:
                self._open[j] = False
                out.append(Clear(Kind.UNSETTLED, (name,), second.end_s))
            early = self._watching(now)
            still_warming = math.isnan(self._warm_end_min) or now - self._warm_end_min <= _TURN_MIN
            if self._undone[j] >= _HOLD and still_warming:
                # A pair that turns round on its way stands still for a while: it had not settled for good.
                self.settled_min[j] = math.nan
            if (
                early
                and now - self._above_min[j] >= _HOLD_MIN
                and abs(then) < _MOST * float(self._minutes.currents(-1)[0, j])
                and second.state == "soaking"
                and not self.settled_min[j] <= self._warm_end_min
                and not (self._open[j] or self._said[j])
            ):
                self._open[j] = self._said[j] = True
                out.append(
                    Claim(
                        Kind.UNSETTLED,
                        (name,),
                        self._warm_end_min * 60.0,
                        second.end_s,
                        Severity.WARNING,
                        f"{self._labels[j]} had not settled when the warm-up ended: about "
                        f"{abs(then) * 1e3:.1f} mA {'down' if then > 0 else 'up'} to go then, "
                        f"{abs(left) * 1e3:.1f} mA now",
                        "Let it warm up longer before you set the bias or believe the match.",
                        evidence={"left_a": left, "u_left_a": u, "left_then_a": then, "limit_a": limit},
                    )
                )
        return out


def _jumps(on_min: FloatArray, moved: FloatArray, limit: FloatArray) -> list[float]:
    """Return when a pair jumped from one minute to the next, in minutes of HT: the largest few.

    `moved` (n, p) relative; `limit` (p,). A jump is what the change from one minute to the next but one has
    beyond twice the mean of the slopes before and after it, where that is half the settling limit and eight
    times what is usual. It tells nothing of what is still to come: the forecast gives it a level of its own.
    """
    if len(moved) < 7:
        return []
    over = moved[4:-2] - moved[2:-4]  # minute k-1 to k+1: minute k may lie across the jump
    around = (moved[2:-4] - moved[:-6]) + (moved[6:] - moved[4:-2])
    odd = np.abs(over - around / 2.0)
    even = (on_min[6:] - on_min[:-6] < 6.5) & (on_min[:-6] >= _JUMPS_FROM_MIN)
    odd = np.where(even[:, None], odd, 0.0)
    usual = np.median(odd[even], axis=0) if even.any() else np.zeros(moved.shape[1])
    size = (odd / np.maximum(_JUMP * limit, _JUMP_SIGMA * usual)).max(axis=1)
    found: list[float] = []
    while len(found) < _JUMPS_MOST and size.max() > 1.0:
        at = int(size.argmax())
        found.append(float(on_min[at + 3]))
        size[max(0, at - 2) : at + 3] = 0.0
    return found
