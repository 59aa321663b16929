"""`unsettled`: a pair still moving when the warm-up is over; and when each pair settled."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from logger.blocks import FloatArray
from logger.finding import Kind, Severity
from logger.settling import SLOW_DOUBTED, Forecast, forecast
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear, Events, Minutes, Seconds, median, own_movement

_HOLD = 3
_CALM = 10
_LATE_MIN = 20.0
_MOST = 0.2  # of the current: what moves by more does not settle, something happened to it
_SETTLED = 0.1
_SURE = 0.95  # chosen on the family's tuning half; what it costs: README, how good the watch is
_WATCH_MIN = 60.0
_TURN_MIN = 8.0  # later, what moves again is drift
_EVERY_MIN_AFTER = 180.0


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
    """A forecast as it was made: when, of which pairs, and the currents that it is relative to."""

    usual: Forecast
    at_min: float
    pairs: list[int]
    level_a: FloatArray
    limit_a: float


class Unsettled:
    """Follows the settling forecast of each pair, minute by minute.

    A pair is settled once the upper 90 % limit of what the model says is still to come has been below
    the settling limit for 3 minutes, and for good: it is taken back where the limit is passed again up to
    8 minutes after the warm-up. In the hour after the warm-up's end a pair that had not settled by then is
    held to be unsettled where, by what it has done since, more than the limit was still to come at that end
    with a chance of 95 %, for 3 minutes: a large rest is called at once, a small one once it has been seen
    to move. With three pairs and more it is the pair's own movement that is forecast: what all do together
    is the supply and the room.
    Learns from 2 minutes of HT on, anew after a restart. Price: see README, how good the
    watch is. Delay: 3 to 30 minutes.
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
        self.end_a = [math.nan] * pairs
        self._chance = [math.nan] * pairs
        self._then_a = [math.nan] * pairs
        self._chance_now = [math.nan] * pairs
        self._shifts_min: list[float] = []
        self._masked = [False] * pairs
        self._below = [0] * pairs
        self._above = [0] * pairs
        self._undone = [0] * pairs
        self._open = [False] * pairs
        self._start = 0
        self._warm_end_min = math.nan
        self._on_s = math.nan
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

    def _restarted(self) -> None:
        pairs = len(self._names)
        self._start = len(self._minutes)
        for j in range(pairs):
            self.settled_min[j] = math.nan
        self._below, self._above, self._undone = [0] * pairs, [0] * pairs, [0] * pairs
        self._warm_end_min = math.nan
        self._shifts_min = []
        self._basis = self._outlook = None

    @property
    def outlook(self) -> list[Outlook | None]:
        """What is to come of each pair, None where there is no forecast. Worked out once it is asked for."""
        if self._outlook is None:
            self._outlook = [None] * len(self._names)
            basis = self._basis
            if basis is not None:
                _, earliest, latest = basis.at_min + basis.usual.settles_in_min(basis.limit_a / basis.level_a)
                low, high = basis.usual.end_low * basis.level_a, basis.usual.end_high * basis.level_a
                for i, j in enumerate(basis.pairs):
                    self._outlook[j] = Outlook(
                        float(low[i]), float(high[i]), float(earliest[i]), float(latest[i])
                    )
        return self._outlook

    def _forecast(self, second: Seconds) -> None:
        minutes = self._minutes
        currents = minutes.currents(self._start)
        for j in range(len(self._names)):
            self.left_a[j] = self.left_u_a[j] = self.end_a[j] = self._chance[j] = math.nan
        self._basis = self._outlook = None
        good = ~np.isnan(currents[-1]) & (np.isnan(currents).mean(axis=0) < 0.2) & ~second.masked
        rows = ~np.isnan(currents[:, good]).any(axis=1)
        if not good.any() or not rows.any():
            return
        level = currents[-1]
        on = minutes.on_min[self._start :]
        mains = minutes.mains_v[self._start :]
        rows &= ~(np.isnan(mains) & ~np.isnan(mains).all())
        relative = None if np.isnan(mains[rows]).any() else mains[rows] / mains[rows].mean() - 1.0
        pairs = [int(j) for j in np.flatnonzero(good)]
        y = currents[np.ix_(rows, good)] / level[good]
        usual = forecast(on[rows], y, relative, self._shifts_min)
        if usual is None:
            return
        self._basis = _Basis(
            usual,
            float(minutes.t_min[self._start + int(np.flatnonzero(rows)[-1])]),
            pairs,
            level[good],
            self.limit_a(),
        )
        doubted = usual.with_slow_odds(SLOW_DOUBTED)
        for i, j in enumerate(pairs):
            self.end_a[j] = float(usual.end[i] * level[j])
        alone = doubted
        if len(pairs) >= 3:  # what all do together is the supply and the room, not a pair's settling
            rows &= on >= 2.0  # before that the heaters' rise is in it
            own = own_movement(currents[np.ix_(rows, good)])
            apart = forecast(on[rows], 1.0 + own)
            alone = (apart or usual).with_slow_odds(SLOW_DOUBTED)
        ago = max(float(minutes.t_min[-1]) - self._warm_end_min, 0.0) if not self._warming else 0.0
        limit = self.limit_a() / level[good]
        chance = alone.chance_above(limit, ago)
        now = alone.chance_above(limit)
        then = alone.left_before(ago)
        for i, j in enumerate(pairs):
            self._chance[j] = float(chance[i])
            self._then_a[j] = float(then[i] * level[j])
            self._chance_now[j] = float(now[i])
            self.left_a[j] = float(alone.left[i] * level[j])
            self.left_u_a[j] = float(alone.left_sd[i] * level[j])

    def _just_settled(self, j: int, now: float) -> bool:
        """Whether a pair settled late, and so lately that it can't be a drift of its own."""
        return self.settled_min[j] > self._warm_end_min and now - self._warm_end_min <= _LATE_MIN

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
            self._above[j] = self._above[j] + 1 if self._chance[j] > _SURE else 0
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
                and self._above[j] >= _HOLD
                and abs(then) < _MOST * float(self._minutes.currents(-1)[0, j])
                and second.state == "soaking"
                and (math.isnan(self.settled_min[j]) or self._just_settled(j, now))
                and not self._open[j]
            ):
                self._open[j] = True
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
