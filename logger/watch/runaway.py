"""`runaway`: a pair's current that feeds itself."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from logger.blocks import FloatArray, Int64Array
from logger.finding import Kind, Severity
from logger.settling import flicker_covariance
from logger.setup import Setup
from logger.watch.noise import LAGS, levels
from logger.watch.seconds import BIN_S, BoolArray, Claim, Clear, Events, Seconds, Sight, Tens, own_movement

_GROWTHS_S: Final = ((6, 1, (30.0, 60.0)), (24, 2, (120.0, 240.0)), (96, 6, (480.0, 960.0)))
"""Time constants of growth that are looked for, the bins over which a pair must first have risen: twice the
one, or all of the other; and each how many bins: by then even the quicker of the two grows by a sixth."""

_SPANS: Final = (5.0, 4.0, 3.2, 2.5)
"""Lengths of window in time constants: the longest that there is room for. Five times ago it was at 0.7 %."""
_SHORT_BINS: Final = 20  # for the quickest growth: fewer leave nothing to tell the noise by
_LEAST_BINS: Final = 9
_MOST_BINS: Final = 360  # an hour
_POINTS: Final = 30  # to a window, as in the drift finding
_LEAST: Final = 0.010
"""Of the idle current: less is not said. A third of what may be reached in half the cases."""
_SURE: Final = 5.0  # standard uncertainties, as in the drift finding
_BETTER: Final = ((0.01, 9.0), (0.03, 2.0))
"""By how much its weighed squares must be below any other explanation's, at an excess: while there is little
of it waiting costs nothing, so more is asked. Flicker read as growth was below 0.028 where it was at least 2
better, in 4,200 pair-hours of the tuning seeds, 0.02 where 4."""
_SLOW_S: Final = 480.0
"""From this time constant on waiting costs nothing, and a drift that quickens a bit looks alike."""
_TAILS: Final = ((1.2, 0.08), (2.0, 0.08), (3.5, 0.08), (6.0, 0.08), (10.0, 0.05), (18.0, 0.05), (35.0, 0.05))
"""What settling may do: time constants in minutes of HT and usual size at HT on, relative. The sizes of the
settling forecast and about its grid, with a quicker one."""
_WARM_S: Final = 120.0  # the heaters' own rise is over by then, as in the settling forecast
_NOISE: Final = 0.0012  # typical flicker of a pair, relative, 1 s to 4.5 h
_NOISE_FROM_S: Final = 600.0  # as in the drift finding
_RECORD_BINS: Final = 720  # two hours: noise that was long ago says little
_LEARN_BINS: Final = 30  # learnt anew each five minutes: it changes slowly and costs most
_BEFORE: Final = 3.0  # time constants: growth was at a twentieth then
_WHITES: Final = (0.05, 0.3, 2.0, 12.0)  # white noise of a bin beside the flicker of 1 s to 4.5 h, variances
_RESIDUAL_WORTH: Final = 10.0  # degrees of freedom that what was learnt is worth beside a window's own
_OWN_PART: Final = 0.5  # of two pairs' moving apart: more than half of it is the one that moved
_SUPPLY_GAIN: Final = 1.5  # relative change of idle current by that of the mains, as in the forecast
_SUPPLY_STEP: Final = 0.015  # relative: the gain is not known well enough for more
_UNSEEN_SUPPLY: Final = 0.015
"""What mains that are not measured may do to a pair alone in minutes: 1 % times the gain, from memory."""
_BACK: Final = 0.9  # of the peak: below it for so many bins, and it is over
_BACK_BINS: Final = 12
_ADVICE: Final = "Go there now, and take the mains off if it does not stop."


@dataclass(frozen=True)
class _Growth:
    """How far growth with one time constant has got: relative to the idle current, and how sure that is.

    `sure`: in standard uncertainties. `better`: by how much its weighed squares are below those of the best
    other explanation. `spare`: of the excess, what may be the supply's.
    """

    tau_s: float
    excess: float
    sure: float
    better: float
    spare: float

    @property
    def said(self) -> bool:
        """Whether it is growth, and enough of it."""
        return self.met > 1.0

    @property
    def met(self) -> float:
        """How far it meets the weakest of what is asked of it."""
        (little, much), (large, less) = _BETTER
        less = much if self.tau_s >= _SLOW_S else less
        excess = self.excess - self.spare
        asked = much + (less - much) * min(max((excess - little) / (large - little), 0.0), 1.0)
        return min(excess / _LEAST, self.sure / _SURE, self.better / asked)


class Runaway:
    """Growth that speeds up, matched to exponentials (Basseville and Nikiforov 1993), told from what doesn't.

    At the end of each ten-second bin, growth with time constants of half a minute to 16 minutes is fitted to
    the own movement of each pair that rose, the common part taken out, over the last 2.5 to 5 time constants,
    under flicker and what the settling may still do: in a warm-up it is an excess over that. Raised where it
    is at least 1 % of the idle current, five standard uncertainties, and explains the window better than any
    straight ramp between two of its times does on top of a level and a steady drift (a likelihood ratio:
    Willsky and Jones 1976): a settling tail, a lone step, a turned pot and a drift do not speed up. A
    runaway does, more than any exponential. Nothing is compared across HT's absence, a hole, or the time in
    `shifted_min` (minutes since the first scan, by pair) before which a pair's level was another one; of one
    pair alone mains or HT are taken out, and nothing is compared across their steps. A pot that is turned
    by hand in stages, each quicker than the last, looks the same, and is called about one time in twenty.

    The noise is the pair's own before it could have grown, at the lag of the time constant (Hadamard
    variance, `noise.py`), and what the window scatters about the growth where that is more. A trip where the
    quickest growth that holds reaches `trip_pct` within `reaction_s`: it quickens, so that it may be there in
    three quarters of that. Delay: excess at the alarm 2 % of the idle current in half the settled cases, 5 %
    in nine of ten; of very noisy pairs 5 % in half, since a ramp explains less just as well. Price: none in
    8,700 simulated pair-hours that nothing was tuned on, so that 0.34 per 1,000 at most may be claimed; a
    pair that swings by some per cent is called at its turns.
    """

    def __init__(
        self,
        setup: Setup,
        tens: Tens,
        shifted_min: list[float] | None = None,
        humming: BoolArray | None = None,
    ) -> None:
        self._setup = setup
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        pairs = len(self._names)
        self._tens = tens
        self._shifted_min = [-math.inf] * pairs if shifted_min is None else shifted_min
        self._humming = humming if humming is not None else np.zeros(pairs, dtype=np.bool_)
        """Pairs whose lead hums, see `measuring_fault`: a meter that is taken off is no growth."""
        self._level: list[Severity | None] = [None] * pairs
        self._was_off = [False] * pairs
        """Whether HT was off since it was called: a trip after that is said again."""
        self._onset = [0.0] * pairs
        self._peak = [0.0] * pairs
        self._quiet = [0] * pairs
        self._pct = [math.nan] * pairs
        self._met = [0.0] * pairs
        self._noise: dict[float, tuple[int, FloatArray]] = {}
        """By time constant: up to which bin it was learnt, Hadamard variances (lags, pairs)."""

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch; looks at each bin's end."""
        out = self._looks(seconds)
        for j in range(len(self._names)):
            self._pct[j] = self._dissipation_pct(seconds, len(seconds) - 1, j)
        return out

    def _dissipation_pct(self, seconds: Seconds, row: int, j: int) -> float:
        """Return a pair's dissipation when it was last read: on a slow bench not every second is."""
        pct = seconds.dissipation_pct[row::-1, j]
        if pct[0] == pct[0]:
            return float(pct[0])
        known = pct[pct == pct]
        return float(known[0]) if len(known) else self._pct[j]

    def sight(self, pair: int) -> Sight:
        """Return how far the best growth in the last bin met the weakest of what is asked; 1 is enough."""
        return Sight(self._met[pair], 1.0, "of what is asked", "excess, sureness and shape of growth")

    def _looks(self, seconds: Seconds) -> list[tuple[int, Claim | Clear]]:
        out: list[tuple[int, Claim | Clear]] = []
        if not seconds.powered:
            self._was_off = [
                off or bool(level) for off, level in zip(self._was_off, self._level, strict=True)
            ]
        if not seconds.powered or seconds.state == "under signal" or not seconds.bins:
            return out
        indices = np.array([index for _, index in seconds.bins])
        self._met = [0.0] * len(self._names)
        rising = self._rising(indices) & ~seconds.masked & ~self._humming
        if not rising.any() and not any(self._level):
            return out
        for i, (row, index) in enumerate(seconds.bins):
            if seconds.on_s[row] + 1.0 >= _WARM_S + BIN_S * _LEAST_BINS:
                out.extend((row, event) for event in self._look(seconds, row, index, rising[:, i]))
        return out

    def _rising(self, indices: Int64Array) -> BoolArray:
        """Return which pairs rose so far against the others that it could be growth, (lags, bins, pairs).

        Growth by `_LEAST` has done at least 0.63 of it over the lag.
        """
        current = self._tens.current_a
        out = np.zeros((len(_GROWTHS_S), len(indices), current.shape[1]), dtype=np.bool_)
        for i, (lag, _, _) in enumerate(_GROWTHS_S):
            with np.errstate(invalid="ignore", divide="ignore"):
                rise = current[indices] / current[np.maximum(indices - lag, 0)] - 1.0
                if rise.shape[1] > 1:  # against the lower of two, or about the middle one; NaN is last
                    rise = rise - np.sort(rise, axis=1)[:, [(rise.shape[1] - 1) // 2]]
                out[i] = rise > 0.55 * _LEAST
        return out

    def _look(self, seconds: Seconds, row: int, index: int, rising: BoolArray) -> list[Claim | Clear]:
        best: dict[int, _Growth] = {}
        self._met = [0.0] * len(self._names)
        if rising.any():
            starts = self._starts(index)
            for j, growth in self._growths(index, starts, rising):
                self._met[j] = max(self._met[j], growth.met)
                if growth.said and (j not in best or growth.tau_s < best[j].tau_s):
                    best[j] = growth  # it quickens: the quickest that holds is the pace now
        out: list[Claim | Clear] = []
        for j, level in enumerate(self._level):
            now_a = float(self._tens.current_a[index, j])
            if j in best:
                out.extend(self._grown(j, now_a, best[j], seconds, row, index))
            elif level is not None:
                self._peak[j] = max(self._peak[j], now_a)
                self._quiet[j] = self._quiet[j] + 1 if now_a < _BACK * self._peak[j] else 0
                if self._quiet[j] >= _BACK_BINS:
                    out.append(Clear(Kind.RUNAWAY, (self._names[j],), float(seconds.closed_s[row])))
                    self._level[j], self._was_off[j] = None, False
        return out

    def _starts(self, index: int) -> list[int]:
        """Return the first bin that may be held against this one, for each pair."""
        first = max(0, index + 1 - _MOST_BINS)
        t_s, on_s = self._tens.t_s[first : index + 1], self._tens.on_s[first : index + 1]
        stops = np.flatnonzero(np.diff(t_s) != np.diff(on_s))  # HT was off
        begin = int(stops[-1]) + 1 if len(stops) else 0
        begin = max(begin, int(np.searchsorted(on_s, _WARM_S + BIN_S - 1.0)))
        if len(self._names) == 1:
            supply = self._supply(first, index + 1)
            if supply is not None:
                moved = np.flatnonzero(np.abs(supply[2:] - supply[:-2]) > _SUPPLY_STEP)
                begin = max(begin, int(moved[-1]) + 2 if len(moved) else 0)
        shifted = self._shifted_min
        if len(self._names) == 2:
            shifted = [max(shifted)] * 2
        began_s = t_s - BIN_S + 1.0
        return [first + max(begin, int(np.searchsorted(began_s, 60.0 * since))) for since in shifted]

    def _supply(self, first: int, stop: int) -> FloatArray | None:
        """Return mains, else HT, relative to their mean, (n,); None where neither is measured."""
        for volts in (self._tens.mains_v[first:stop], self._tens.ht_v[first:stop]):
            if not np.isnan(volts).any():
                return np.asarray(volts / volts.mean() - 1.0, dtype=np.float64)
        return None

    def _growths(self, index: int, starts: Sequence[int], rising: BoolArray) -> Iterator[tuple[int, _Growth]]:
        """Fit growth with each time constant to each pair that rose, `rising` (lags, pairs)."""
        bins = round(float(self._tens.on_s[index]) / BIN_S)
        for (_, each, taus_s), up in zip(_GROWTHS_S, rising, strict=True):
            for tau_s in taus_s if up.any() and bins % each == 0 else ():
                windows: dict[int, FloatArray] = {}
                for j in np.flatnonzero(up).tolist():
                    first = _first(index, starts[j], tau_s)
                    if first is None:
                        continue
                    if first not in windows:
                        windows[first] = own_movement(self._tens.current_a[first : index + 1])
                    own = windows[first][:, j]
                    holes = np.flatnonzero(np.isnan(own))
                    if len(holes):
                        first = _first(index, first + int(holes[-1]) + 1, tau_s)
                        if first is None:
                            continue
                        own = own[first - index - 1 :]
                    if self._rose(j, own, index, tau_s):
                        yield j, self._growth(j, own, first, index, tau_s)

    def _rose(self, j: int, own: FloatArray, index: int, tau_s: float) -> bool:
        """Whether a pair rose in the last time constant; of two, by itself and not because the other fell."""
        reach = max(2, round(tau_s / BIN_S))
        rise = float(own[-1] - own[-1 - reach])
        if rise <= 0.5 * _LEAST:
            return False
        current = self._tens.current_a
        if int((current[index] == current[index]).sum()) != 2:
            return True
        return float(current[index, j] / current[index - reach, j] - 1.0) > _OWN_PART * rise

    def _growth(self, j: int, own: FloatArray, first: int, index: int, tau_s: float) -> _Growth:
        """Fit growth to a pair's own movement since a bin, and hold it against what else it could be."""
        alone = len(self._names) == 1
        supply = self._supply(first, index + 1) if alone else None
        spare = _UNSEEN_SUPPLY if alone and supply is None else 0.0
        if supply is not None:
            own = own - _SUPPLY_GAIN * supply
        group = -(-len(own) // _POINTS)
        y = own[len(own) % group :].reshape(-1, group).mean(axis=1)
        scale, white = self._noise_of(j, index, tau_s)
        on_min = float(self._tens.on_s[first]) / 60.0
        model = _model(tau_s, len(y), group, _rounded(on_min), scale, white)
        rest = model.clear @ y
        z = float(model.growth @ rest)
        other = float(np.max((model.ramps @ rest) ** 2))
        if supply is not None:
            common = model.clear @ supply[len(own) % group :].reshape(-1, group).mean(axis=1)
            size = float(common @ common)
            other = max(other, float(common @ rest) ** 2 / size if size > 0 else 0.0)
        left = float(rest @ rest) - z * z
        # where the window itself scatters about the growth by more than was learnt, it is the better judge
        worse = max(1.0, (_RESIDUAL_WORTH + left) / (_RESIDUAL_WORTH + len(y) - 3))
        return _Growth(tau_s, z * model.sd, z / math.sqrt(worse), (z * z - other) / worse, spare)

    def _noise_of(self, j: int, index: int, tau_s: float) -> tuple[float, float]:
        """Return a pair's flicker, relative rms from 1 s to 4.5 h, and the white noise beside it.

        From the record before it could have grown, at the lag of the time constant; in half octaves and
        coarse steps, so that models can be kept.
        """
        stop = max(0, index + 1 - round(_BEFORE * tau_s / BIN_S)) // _LEARN_BINS * _LEARN_BINS
        if tau_s not in self._noise or self._noise[tau_s][0] != stop:
            first = max(0, stop - _RECORD_BINS)
            first += int(np.searchsorted(self._tens.on_s[first:stop], _NOISE_FROM_S))
            own = own_movement(self._tens.current_a[first:stop])
            level = levels(own, _NOISE**2 * _flicker_level(1))
            self._noise[tau_s] = stop, np.array([level[lag] for lag in LAGS])
        by_lag = self._noise[tau_s][1][:, j]
        at = min(range(len(LAGS)), key=lambda i: abs(math.log2(LAGS[i] * BIN_S / tau_s)))
        flicker2 = float(by_lag[at]) / _flicker_level(LAGS[at])
        if not flicker2 > 0.0:  # a hole in the record
            return _in_half_octaves(_NOISE), _WHITES[0]
        white = float(by_lag[0]) / flicker2 - _flicker_level(1)
        return _in_half_octaves(math.sqrt(flicker2)), min(
            _WHITES, key=lambda w: abs(math.log(max(white, _WHITES[0]) / w))
        )

    def _grown(
        self, j: int, now_a: float, growth: _Growth, seconds: Seconds, row: int, index: int
    ) -> list[Claim | Clear]:
        self._quiet[j] = 0
        self._peak[j] = max(self._peak[j], now_a)
        per_s = growth.excess / (1.0 + growth.excess) / growth.tau_s
        ahead = per_s * growth.tau_s * math.expm1(self._setup.limits.reaction_s / growth.tau_s)
        ahead = max(ahead, self._ahead(j, index))
        forecast_pct = self._dissipation_pct(seconds, row, j) * (1.0 + ahead)
        urgent = forecast_pct > self._setup.limits.trip_pct
        severity = Severity.TRIP if urgent or self._level[j] is Severity.TRIP else Severity.WARNING
        again, self._was_off[j] = self._was_off[j] and urgent, self._was_off[j] and not urgent
        if self._level[j] is severity and not again:
            return []
        if self._level[j] is None:
            since_s = growth.tau_s * math.log(
                growth.excess / (0.1 * _LEAST)
            )  # 0.1 % is where it shows at all
            self._onset[j] = max(0.0, float(seconds.t_s[row]) + 1.0 - since_s)
        self._level[j] = severity
        per_minute = 6000.0 * per_s
        advice = "Take the mains off." if urgent else _ADVICE
        rest = "; the others are not" if len(self._names) > 1 else ""
        return [
            Claim(
                Kind.RUNAWAY,
                (self._names[j],),
                self._onset[j],
                float(seconds.closed_s[row]),
                severity,
                f"{self._labels[j]} is running away: {now_a * 1e3:.1f} mA and rising {per_minute:.1f} % "
                f"a minute, faster and faster{rest}",
                advice,
                again=again,
                evidence={
                    "now_a": now_a,
                    "rise_pct_per_min": per_minute,
                    "forecast_pct": forecast_pct,
                    "excess_a": now_a * growth.excess / (1.0 + growth.excess),
                    "time_constant_s": growth.tau_s,
                },
            )
        ]

    def _ahead(self, j: int, index: int) -> float:
        """Return the rise until somebody is there, relative, at the pace of the last minute: it quickens."""
        tens_a = self._tens.current_a[max(0, index - 5) : index + 1, j]
        if len(tens_a) < 6 or not (tens_a > 0).all():
            return 0.0
        before, last = np.diff(np.log(tens_a.reshape(3, 2).mean(axis=1))).tolist()
        if not last > before > 0.5 * _LEAST:
            return 0.0
        growth = min(math.log(last / before) / 20.0, 0.05)
        return float(last / 20.0 * math.expm1(growth * self._setup.limits.reaction_s) / growth)


def _first(index: int, start: int, tau_s: float) -> int | None:
    """Return the first bin of the longest window that begins at `start` or later; None if there is none."""
    room = index + 1 - start
    for spans in _SPANS:
        bins = min(max(round(spans * tau_s / BIN_S), _SHORT_BINS), _MOST_BINS)
        if bins <= room:
            return index + 1 - bins
    bins = max(round(_SPANS[-1] * tau_s / BIN_S), _LEAST_BINS)
    return index + 1 - bins if bins <= room else None


def _in_half_octaves(scale: float) -> float:
    return float(2.0 ** (round(2.0 * math.log2(scale)) / 2.0))


def _rounded(on_min: float) -> float:
    """Return minutes of HT to an eighth of an octave: a tail's size then changes by little."""
    return float(2.0 ** (round(8.0 * math.log2(min(max(on_min, 1.0), 240.0))) / 8.0))


@lru_cache(maxsize=16)
def _flicker_level(lag: int) -> float:
    """Return the Hadamard variance of 1/f noise of rms 1 between 1 s and 4.5 h, in bins' means."""
    weights = np.concatenate([np.full(lag, 1.0), np.full(lag, -2.0), np.full(lag, 1.0)]) / lag
    return float(weights @ flicker_covariance(np.arange(3.0 * lag) * BIN_S / 60.0) @ weights / 6.0)


@dataclass(frozen=True)
class _Model:
    """A window's other explanations and growth, solved under its noise; n points.

    `clear` (n, n) whitens data and takes out level and drift. In what is left, `growth` (n,) is the unit
    vector of growth and `ramps` (m, n) those of all ramps; `sd`: standard uncertainty of an excess now of 1.
    """

    clear: FloatArray
    growth: FloatArray
    sd: float
    ramps: FloatArray


@lru_cache(maxsize=8)  # 0.1 MB each
def _model(tau_s: float, points: int, group: int, on_min: float, scale: float, white: float) -> _Model:
    t_min = np.arange(float(points)) * group * BIN_S / 60.0
    noise = scale**2 * (flicker_covariance(t_min) + white / group * np.eye(points))
    for tau_min, size in _TAILS:
        tail = size * np.exp(-(on_min + t_min) / tau_min)
        noise += np.outer(tail, tail)
    whiten = np.linalg.inv(np.linalg.cholesky(noise))
    line, _ = np.linalg.qr(whiten @ np.column_stack([np.ones(points), t_min]))
    clear = whiten - line @ (line.T @ whiten)
    growth = clear @ np.exp((t_min - t_min[-1]) * 60.0 / tau_s)
    size = math.sqrt(float(growth @ growth))
    ramps = _ramps(points) @ clear.T
    sizes = np.sqrt((ramps * ramps).sum(axis=1))
    real = sizes > 1e-6 * sizes.max()
    return _Model(clear, growth / size, 1.0 / size, ramps[real] / sizes[real, None])


@lru_cache(maxsize=16)
def _ramps(points: int) -> FloatArray:
    """Return 0 before, 1 after and a straight line between any two of so many points, (m, points).

    A step is a short one, and one that goes on ends with the last point.
    """
    first, last = np.triu_indices(points, 1)
    at = np.arange(float(points))
    return np.clip((at - first[:, None]) / (last - first)[:, None], 0.0, 1.0)
