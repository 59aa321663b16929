"""`runaway`: a pair's current that feeds itself."""

from __future__ import annotations

import math

import numpy as np

from logger.blocks import FloatArray
from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear, Events, Seconds, Tens, own_movement

_BIN_S = 20
_BINS = 7
_RISE = 0.012  # over three bins: 24 times the scatter of such a difference under typical flicker (0.05 %)
_WARM_S = 180  # until then heaters and the first tails move pairs faster than this
# What healthy tails do in a minute of a warm-up, and more: until (s of HT), the rise asked for instead.
_WARMING = ((600.0, 0.04), (1200.0, 0.025))
_SCATTERS = 7.0  # the rise in scatters of the pair's own minute-to-minute movement
_QUIET_BINS = 60
_SUPPLY_GAIN, _SUPPLY_MOVES = 1.5, 0.015


class Runaway:
    """Growth that does not slow down: three rises of 20 s running, none under nine tenths of the last.

    Growth of a runaway is faster than exponential (its doubling time shortens all the way), a settling
    tail or a turned pot slows down or stops. Works on each pair's own movement, the common part taken
    out; of one pair alone what mains or HT explain, and it is not judged while they step. Asks for more in
    the first 20 minutes, when tails move, and of a pair that moves more by itself (learnt from the ten
    minutes before). Delay: 60 s, at an excess of some 2 to 5 % of the idle current. Becomes a trip where
    growth at this pace reaches `trip_pct` within `reaction_s`. Price: see README, how good the watch is.
    """

    def __init__(self, setup: Setup, tens: Tens) -> None:
        self._setup = setup
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        pairs = len(self._names)
        self._tens = tens
        self._level: list[Severity | None] = [None] * pairs
        self._onset = [0.0] * pairs
        self._peak = [0.0] * pairs
        self._quiet = [0] * pairs

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch; looks at each 20 s of HT."""
        out: list[tuple[int, Claim | Clear]] = []
        if not seconds.powered or seconds.state == "under signal":
            return out
        for row, index in seconds.bins:
            on_s = seconds.on_s[row] + 1.0
            usable = int(on_s - _WARM_S) // _BIN_S
            if on_s % _BIN_S or usable < 5:
                continue
            bins = 2 * min(usable, _BINS)
            if self._tens.unbroken(index, bins):
                out.extend((row, event) for event in self._look(index - bins + 1, index + 1, seconds, row))
        return out

    def _look(self, first: int, stop: int, seconds: Seconds, row: int) -> list[Claim | Clear]:
        tens_a = self._tens.current_a[first:stop]
        currents = (tens_a[::2] + tens_a[1::2]) / 2.0
        on_s = float(seconds.on_s[row])
        least = next((rise for until_s, rise in _WARMING if on_s < until_s), _RISE)
        if len(self._names) > 1 and not any(self._level):
            # in most minutes no pair has risen that far against any other
            rise = currents[-1] / currents[-4] - 1.0
            if not (rise - np.fmin.reduce(rise) > 0.5 * least).any():
                return []
        own = own_movement(currents)
        if len(self._names) == 1:
            own = own - self._supply(first, stop)
        out: list[Claim | Clear] = []
        for j in range(len(self._names)):
            steps = np.diff(own[-4:, j])
            if not np.isfinite(steps).all():
                continue
            d1, d2, d3 = (float(d) for d in steps)
            now = float(currents[-1, j])
            grows = d1 > 0 and d2 >= 0.9 * d1 and d3 >= 0.9 * d2 and d1 + d2 + d3 > least
            # A lone jump fills one bin, or two where it falls between them: growth fills all three.
            grows = grows and d1 > 0.1 * (d1 + d2 + d3)
            if len(self._names) == 2 and grows and float(np.diff(currents[-4:, j]).sum()) < 0.5 * _RISE * now:
                grows = False  # the other one fell
            if grows and self._level[j] is None:
                grows = d1 + d2 + d3 > _SCATTERS * self._scatter(j, stop - 2 * _BINS)
            if grows:
                self._quiet[j] = 0
                out.extend(self._grown(j, now, d2, d3, seconds, row))
            elif self._level[j] is not None:
                self._peak[j] = max(self._peak[j], now)
                self._quiet[j] = self._quiet[j] + 1 if now < 0.9 * self._peak[j] else 0
                if self._quiet[j] >= 6:
                    out.append(Clear(Kind.RUNAWAY, (self._names[j],), float(seconds.closed_s[row])))
                    self._level[j] = None
        return out

    def _supply(self, first: int, stop: int) -> FloatArray:
        """One pair alone: what its supply explains, (bins, 1); NaN while that moves more than is known."""
        supply = self._tens.mains_v[first:stop]
        if np.isnan(supply).any():
            supply = self._tens.ht_v[first:stop]
        if np.isnan(supply).any():
            return np.zeros((len(supply) // 2, 1))
        relative = (supply[::2] + supply[1::2]) / 2.0 / supply.mean() - 1.0
        if np.ptp(relative) > _SUPPLY_MOVES:
            return np.full((len(relative), 1), np.nan)
        return np.asarray(_SUPPLY_GAIN * relative[:, None], dtype=np.float64)

    def _scatter(self, j: int, stop: int) -> float:
        """Return how a pair usually moves in a minute, relative, from the ten before; 0 if not known."""
        first = max(stop - _QUIET_BINS, 0)
        if stop - first < _QUIET_BINS // 2 or not self._tens.unbroken(stop - 1, stop - first):
            return 0.0
        own = own_movement(self._tens.current_a[first:stop])[:, j]
        moves = np.abs(own[6:] - own[:-6])
        return 1.48 * float(np.nanmedian(moves)) if not np.isnan(moves).all() else 0.0

    def _grown(
        self, j: int, now_a: float, d2: float, d3: float, seconds: Seconds, row: int
    ) -> list[Claim | Clear]:
        reaction = self._setup.limits.reaction_s
        growth = min(max(math.log(max(d3 / d2, 1.0)) / _BIN_S, 0.0), 0.05) if d2 > 0 else 0.0
        ahead = d3 / _BIN_S * (math.expm1(growth * reaction) / growth if growth > 1e-6 else reaction)
        forecast_pct = float(seconds.dissipation_pct[row, j]) * (1.0 + ahead)
        urgent = forecast_pct > self._setup.limits.trip_pct
        severity = Severity.TRIP if urgent or self._level[j] is Severity.TRIP else Severity.WARNING
        self._peak[j] = max(self._peak[j], now_a)
        if self._level[j] is severity:
            return []
        if self._level[j] is None:
            self._onset[j] = max(0.0, float(seconds.t_s[row] + 1 - 4 * _BIN_S))
        self._level[j] = severity
        per_minute = d3 * 60 / _BIN_S * 100
        return [
            Claim(
                Kind.RUNAWAY,
                (self._names[j],),
                self._onset[j],
                float(seconds.closed_s[row]),
                severity,
                f"{self._labels[j]} is running away: {now_a * 1e3:.1f} mA and rising {per_minute:.1f} % "
                "a minute, faster and faster; the others are not",
                "Take the mains off."
                if urgent
                else "Go there now, and take the mains off if it does not stop.",
                evidence={"now_a": now_a, "rise_pct_per_min": per_minute, "forecast_pct": forecast_pct},
            )
        ]
