"""`drift`: a settled pair's own slow movement."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from logger.blocks import FloatArray, Int64Array
from logger.finding import Kind, Severity
from logger.settling import began, flicker_covariance
from logger.setup import Setup
from logger.watch.noise import LAGS, flicker_level, levels_beside
from logger.watch.seconds import (
    BoolArray,
    Claim,
    Clear,
    Events,
    Minutes,
    Seconds,
    Sight,
    median,
    own_movement,
)

_WINDOWS: Final = (6, 8, 11, 15, 20, 30, 45, 60, 90, 120, 180)
"""Minutes since a drift may have begun. With one of 5, half of the false alarms were its own."""

_RECORD_MIN: Final = 180
_Z_STILL, _Z_HALF = 4.8, 3.8
"""Standard uncertainties above nothing, and above half the limit. Chosen on made-up noise and on the family's
tuning half, for at most 0.2 false alarms per 1,000 pair-hours, and half the limit called in 1 % of soaks."""

_BACK: Final = 3
"""Twice a window before it tells the level and what creep there was; more would take a creep that began
before it for a straight line."""

_MOVES: Final = 3.0
"""Standard uncertainties from which on a pair is no measure for another that is about to be called."""

_SHORT_FROM: Final = 30
_LOOKS: Final = np.array([[math.sqrt(1.0 + math.log(max(_SHORT_FROM / w, 1.0)) / 8.0)] for w in _WINDOWS])
"""How much more shorter windows must show: one half as long has twice the chances to be wrong, and z goes
with the square root of twice their logarithm (Duembgen and Spokoiny 2001)."""

_LAG_OF: Final = [min(LAGS, key=lambda lag: abs(math.log2(lag / width))) for width in _WINDOWS]
"""The lag that says what a drift over so many minutes is worth, whatever the noise's colour: about as many.
Where it is right for 1/f, it is 0 to 10 % too small for f**-1.6; at half that lag 17 to 43 %."""

_NOISE: Final = 0.0012  # typical flicker of a pair, relative, 1 s to 4.5 h, held until it has been seen
_GRADES: Final = (0.0004, 0.0012, 0.0036)  # flicker that drifts are fitted under: the nearest to a pair's own
_TEN_MIN, _TEN_ROW = 10, _WINDOWS.index(11)
_USUAL_FROM: Final = 30  # minutes of record that are remembered beyond a stop of HT
_TAILS: Final = ((5.0, 0.05), (12.0, 0.05), (25.0, 0.02))  # settling: minutes, size at HT on, relative
_TAIL_FROM, _TAIL_SEEN = 15, 50  # from so many minutes on, and by the first so many, it is known what settles
_TAIL_EVERY_MIN, _TAIL_TO_MIN = 5.0, 120.0
_CREEP: Final = 0.5  # of the limit: so much may a pair move all along
_USUAL_LIMIT: Final = 0.03
_WHOLE_MIN: Final = 0.01
_BEFORE_SETTLED_MIN: Final = 1.0
_LEAST: Final = 0.1  # of the limit: no drift is known better; the pairs don't answer to mains and room alike
_LEVEL_MIN: Final = 30
_CALM_MIN, _CALM_ROW = 30, _WINDOWS.index(30)
_IDLE: Final = ("warming", "soaking")
_OFF_MIN, _AFTER_OFF_MIN = 0.1, 10.0
_POINTS: Final = 30
_PARTS: Final = (1.0, 0.75, 0.5, 0.25)
_LEAST_RAMP: Final = 4  # values: what moved for less may have jumped
_SUPPLY_GAIN, _GAIN_SD = 1.5, 0.5  # relative change of idle current by that of the mains; from memory
_SUPPLY_STEP: Final = 0.01
_AFTER_SUPPLY_MIN, _AS_WARM_MIN = 2.0, 20.0
"""After a step of the supply the anodes settle anew: by what is left after so many minutes of warm-up."""

_AFTER_STEP_MIN: Final = 20
_UNSEEN, _UNSEEN_MIN = 0.003, 7.0
"""What mains that nobody measures do to one pair alone, relative, and for how long, as in `common drift`."""


class Drift:
    """Generalised least squares over windows, against half the limit and against nothing.

    Each minute, for each of eleven times 6 to 180 minutes ago, a level and a drift from that time on are
    fitted to a settled pair's own movement (Willsky and Jones 1976; Lai 1995), under 1/f noise, what may be
    left of the settling, and a creep of up to half the limit that was there all along. Twice the window
    before it tells the level and the creep. So a fast drift is called in a short window, a slow one with
    patience. Raised where a drift is surely above half the limit (3.8 standard uncertainties: for what may
    not be called), surely there at all (4.8: for false alarms), itself above three quarters of the limit,
    where the last ten minutes as a whole amount to half the limit, and no jump explains them better. Shorter
    windows must show up to a tenth more.

    Own is against the median of the others; of three pairs against the median of all. While one pair leaves
    the others it is no measure for them. One pair alone has mains or HT taken out by a usual gain, with its
    uncertainty, and is not judged for 20 minutes after a step; without either, the mains' usual wander is
    held against it. Windows begin after the pair settled, 2 minutes after a step of the supply by 1 %, 10
    after HT was off, and after what shifted the pair (`shifted_min`, minutes since the first scan by pair,
    -inf for nothing; the panel writes it). What a person said of such a shift (`told_min`) is
    no noise of the pair's, else it is held to be. Taken back after 15 minutes in which the last half hour
    stood still.

    Learns, each minute, from the pair's own record since the tenth minute of HT, what a window's drift is
    worth: the Hadamard variance at a lag as long as the window (`noise.py`), of what lies before the window
    and within it but not across its beginning, after the settling is taken out; held to be typical until
    seen, and after a stop of HT no less than before it. No better than a tenth of the limit.

    Price, on made-up flicker of all levels among six pairs: in 6,600 pair-hours each 0, 1, 1, 7 false alarms
    at f**-1.0, -1.2, -1.4, -1.6, and half the limit called in 0, 0, 1.0, 1.8 % of 400 soaks; on the family's
    tuning half none in 6,715 pair-hours, half the limit in none of 145 soaks. Delay there at twice the limit,
    median: 6, 11, 18, 24 minutes from quiet to very noisy, where the ideal detector takes 2, 6, 10, 17.
    """

    def __init__(
        self,
        setup: Setup,
        minutes: Minutes,
        settled_min: list[float],
        shifted_min: list[float] | None = None,
        told_min: list[float] | None = None,
    ) -> None:
        self._setup = setup
        self._minutes = minutes
        self._settled_min = settled_min
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        self._shifted_min = shifted_min if shifted_min is not None else [-math.inf] * len(self._names)
        self._told_min = told_min if told_min is not None else [-math.inf] * len(self._names)
        self._mains = setup.first("mains") is not None
        self._seen_supply = self._mains or setup.first("HT") is not None
        self._open = [False] * len(self._names)
        self._calm = [0] * len(self._names)
        self._seen: tuple[_Fits, float] | None = None
        """What the last minute was fitted to, and the limit, for whoever wants to see."""
        self._stood_min = [-math.inf] * len(self._names)
        self._off_min = math.nan
        self._stopped_min = -math.inf
        self._usual = np.full(len(self._names), _NOISE**2 * flicker_level(1))
        """What is held of each pair's noise before it is seen: after a stop no less than before it."""
        self._seen_level = self._usual

    def update(self, second: Seconds) -> Events:
        """Take in a stretch; looks at each minute's end."""
        if not second.closes_minute:
            return []
        self._note_stop(second)
        self._seen = None
        if second.state != "soaking" or not second.powered:
            return []
        if not any(settled == settled for settled in self._settled_min):
            return []
        out: list[Claim | Clear] = []
        limit = self.limit()
        fits = self._fits(second, limit, self._open)
        best, score = _surest(fits, limit)
        self._seen = fits, limit
        self._clear(second, fits, limit, out)
        for j in sorted(best, key=lambda j: -score[j]):
            row: int | None = best[j]
            movers = [k != j and (o or score[k] > _MOVES) for k, o in enumerate(self._open)]
            if not self._open[j] and movers != self._open:
                # while one leaves the others, the middle of the others moves too
                fits = self._fits(second, limit, movers)
                row = _surest(fits, limit)[0].get(j)
            if self._open[j] or row is None or not self._amounts(j, fits, limit):
                continue
            if not _jumped(fits.own[fits.starts[j] :, j], _WINDOWS[row]):
                out.extend(self._raise(j, fits, row, second))
        return [(len(second) - 1, event) for event in out]

    def sight(self, pair: int) -> Sight:
        """Return how far the clearest window meets the weakest of what a drift must show; 1 is enough."""
        met = math.nan if self._seen is None else _met(*self._seen)[pair]
        return Sight(met, 1.0, "of what is asked", "the clearest window's slope and sureness")

    def _amounts(self, j: int, fits: _Fits, limit: float) -> bool:
        """Whether the last ten minutes as a whole move by half the limit, as far as their noise lets tell."""
        y = fits.own[fits.starts[j] :, j][-_TEN_MIN:]
        if len(y) < _TEN_MIN:
            return True
        x = np.arange(len(y)) - 0.5 * (len(y) - 1)
        per_h = 60.0 * abs(float(x @ y / (x @ x)))
        sd = float(fits.sd[_TEN_ROW, j])
        return per_h > 0.5 * limit - (sd if sd == sd else 0.0)

    def limit(self) -> float:
        """Return the drift limit, relative per hour."""
        level_a = median(self._minutes.currents(max(0, len(self._minutes) - 5)).ravel())
        return self._setup.limits.drift_a_per_h(level_a) / level_a

    def _fits(self, second: Seconds, limit: float, movers: list[bool]) -> _Fits:
        """Fit a drift from each window's begin on to each pair; NaN where a pair can't be judged over it.

        `movers`: the pairs that are no measure for the others.
        """
        minutes = self._minutes
        first = max(0, len(minutes) - _RECORD_MIN, minutes.since(self._stopped_min + _AFTER_OFF_MIN))
        t, on = minutes.t_min[first:], minutes.on_min[first:]
        n, p = len(t), len(self._names)
        slope, sd = np.full((2, len(_WINDOWS) + 1, p), np.nan)
        starts = np.zeros(p, dtype=np.int64)
        from_min = self._from_min(second)
        if n < _WINDOWS[0] or not (from_min < np.inf).any():
            return _Fits(slope[:-1], sd[:-1], sd[:-1], slope[-1], sd[-1], np.full((n, p), np.nan), starts)
        own, apart = self._own(first, movers)
        supply = self._supply(first)
        moved = np.abs(supply[2:] - supply[:-2]).max(axis=1)
        steps = np.flatnonzero(moved > _SUPPLY_STEP) + 2
        on = np.minimum(on, t - self._stopped_min)
        # with signal, or while the bias is set, pairs do what they are told
        told = np.array([state not in _IDLE for state in minutes.state[first:]])
        level = self._levels(apart, t, on, steps, told)
        if len(steps):
            step_min = float(t[steps[-1]])
            starts[:] = np.searchsorted(t, step_min + _AFTER_SUPPLY_MIN)
            on = np.minimum(on, np.maximum(t - step_min, 0.0) + _AS_WARM_MIN)
        grade = np.abs(np.log(level[_TEN_ROW][:, None] / np.array(_GRADES) ** 2)).argmin(axis=1)
        octave = round(math.log2(limit / _USUAL_LIMIT))
        starts = np.maximum(np.maximum(starts, _begins(own)), np.searchsorted(t, self._shifts()))
        ready = np.flatnonzero((from_min < np.inf) & (starts <= n - _WINDOWS[0]))
        for start, rank in sorted({(int(starts[j]), int(grade[j])) for j in ready}):
            here = ready[(starts[ready] == start) & (grade[ready] == rank)]
            for row, width in enumerate((*_WINDOWS, _CALM_MIN)):
                if width > n - start or (row < len(_WINDOWS) and t[n - width] < from_min[here].min()):
                    continue
                alone = row == len(_WINDOWS)
                begin = n - width if alone else max(start, n - _BACK * width)
                model = _model(t[begin:], on[begin:], width, rank, octave)
                power = level[_CALM_ROW if alone else row, here]
                variance = model.noise_var * power + model.other_var + (_LEAST * limit) ** 2
                if p == 1:
                    variance = variance + self._supply_var(model, supply[begin:, 0], t[begin:])
                slope[row, here], sd[row, here] = model.slope @ own[begin:, here], np.sqrt(variance)
        begins = np.array([t[n - width] if width <= n else -np.inf for width in _WINDOWS])
        slope[:-1][begins[:, None] < from_min] = np.nan
        return _Fits(slope[:-1], sd[:-1], sd[:-1] * _LOOKS, slope[-1], sd[-1], own, starts)

    def _supply_var(self, model: _Model, supply: FloatArray, t: FloatArray) -> float:
        """Return what the supply may do to a drift of one pair alone, squared."""
        if self._seen_supply:
            return (_GAIN_SD * float(model.slope @ supply)) ** 2
        unseen = np.exp(-np.abs(t[:, None] - t[None, :]) / _UNSEEN_MIN)
        return _UNSEEN**2 * float(model.slope @ unseen @ model.slope)

    def _levels(
        self, own: FloatArray, t: FloatArray, on: FloatArray, steps: Int64Array, told: BoolArray
    ) -> FloatArray:
        """Return each pair's noise power over each window in times that of unit flicker, (w, p).

        Left out are the minutes of `steps` of the supply, and those in which pairs did what they were `told`.
        """
        record = own - _tails_seen(own, t, on)
        record[told] = np.nan
        for j, shifted in enumerate(self._told_min):
            if shifted >= t[0]:
                record[np.abs(t - shifted) <= 1.0, j] = np.nan
        for back in range(3):
            record[steps - back] = np.nan
        for j, stood in enumerate(self._stood_min):
            record[t < stood, j] = np.nan
        by_lag = levels_beside(record, self._usual, [min(w, len(own)) for w in _WINDOWS])
        if len(own) >= _USUAL_FROM:
            self._seen_level = by_lag[1][0]
        return np.array([by_lag[lag][row] / flicker_level(lag) for row, lag in enumerate(_LAG_OF)])

    def _shifts(self) -> FloatArray:
        """Return before when each pair's level can't be compared with now; two are held to each other."""
        shifted = np.maximum(self._shifted_min, self._stood_min)
        if len(shifted) == 2:
            shifted[:] = shifted.max()
        return shifted

    def _from_min(self, second: Seconds) -> FloatArray:
        """Return from when on each pair's windows may begin, minutes since the first scan, or infinity."""
        settled = np.array(self._settled_min)
        return np.where(np.isnan(settled) | second.masked, np.inf, settled - _BEFORE_SETTLED_MIN)

    def _note_stop(self, second: Seconds) -> None:
        """Take note of when HT came on, and where it was off since the last minute, however shortly."""
        off_min = (second.end_s - second.on_end_s) / 60.0
        if math.isnan(self._off_min):
            self._stopped_min = off_min
        elif abs(off_min - self._off_min) > _OFF_MIN:
            self._stopped_min = second.end_s / 60.0
            self._usual = np.maximum(self._usual, self._seen_level)
        self._off_min = off_min

    def _supply(self, first: int) -> FloatArray:
        """Return what tells of the supply (n, k), relative: mains and HT, else the pairs' median."""
        volts = np.column_stack([self._minutes.mains_v[first:], self._minutes.ht_v[first:]])
        volts = volts[:, ~np.isnan(volts).any(axis=0)]
        if volts.shape[1]:
            return np.asarray(volts / volts.mean(axis=0) - 1.0)
        currents = self._minutes.currents(first)
        ranked = np.sort(np.where(np.isnan(currents), np.inf, currents), axis=1)
        middle = ranked[:, (currents.shape[1] - 1) // 2]
        return np.asarray(np.log(middle / middle[0]) / _SUPPLY_GAIN)[:, None]

    def _own(self, first: int, movers: list[bool]) -> tuple[FloatArray, FloatArray]:
        """Return the pairs' own movement (n, p) from a minute on, and that against the others, for the noise.

        Of three pairs one that drifts takes the others' mean with it, so that there the median of all counts;
        but the pair that is this median itself never moves from it, and would seem to have no noise.
        """
        apart = _against_others(self._minutes.currents(first), np.array(movers))
        if len(self._names) == 1:
            apart = self._without_supply(apart, first)
        own = own_movement(self._minutes.currents(first)) if len(self._names) == 3 else apart
        return own, apart

    def _without_supply(self, own: FloatArray, first: int) -> FloatArray:
        """One pair alone: no other tells what is common; mains, else HT, are taken out with a usual gain.

        NaN up to 20 minutes after a step, whose gain is not known that well. Without either nothing is.
        """
        supply = self._minutes.mains_v[first:]
        if np.isnan(supply).any():
            supply = self._minutes.ht_v[first:]
        if np.isnan(supply).any():
            return own
        relative = supply / supply.mean() - 1.0
        own = own - _SUPPLY_GAIN * relative[:, None]
        steps = np.flatnonzero(np.abs(relative[2:] - relative[:-2]) > _SUPPLY_STEP)
        if len(steps):
            own[: steps[-1] + 2 + _AFTER_STEP_MIN] = np.nan
        return np.asarray(own, dtype=np.float64)

    def _raise(self, j: int, fits: _Fits, row: int, second: Seconds) -> list[Claim | Clear]:
        slope, sd = float(fits.slope[row, j]), float(fits.sd[row, j])
        onset_min = self._onset(j, min(len(self._minutes), _RECORD_MIN))
        level_a = float(self._minutes.currents(len(self._minutes) - 1)[0, j])
        two = len(self._names) == 2
        channels = tuple(self._names) if two else (self._names[j],)
        if two:
            if any(self._open):
                return []
            self._open = [True, True]
        self._open[j] = True
        rate_mA = slope * level_a * 1e3
        what = "rising" if slope > 0 else "falling"
        who = " or ".join(self._labels) if two else self._labels[j]
        rest = "it can't be told which of the two" if two else "the others have not"
        if len(self._names) == 1:
            rest = "mains were steady" if self._mains else "mains were not measured"
        return [
            Claim(
                Kind.DRIFT,
                channels,
                onset_min * 60.0,
                second.end_s,
                Severity.WARNING,
                f"{who} has been {what} {abs(rate_mA):.1f} mA an hour since {_clock(onset_min)}; {rest}",
                "Look at its coupling capacitor, grid leak and bias feed; do not leave it.",
                named=not two,
                evidence={
                    "rate_a_per_h": slope * level_a,
                    "u_rate_a_per_h": sd * level_a,
                    "window_min": float(_WINDOWS[row]),
                },
            )
        ]

    def _onset(self, j: int, window: int) -> float:
        """Return when it began, minutes since the first scan."""
        first = len(self._minutes) - window
        t = self._minutes.t_min[first:]
        own = own_movement(self._minutes.currents(first))[:, j]
        good = ~np.isnan(own)
        if self._settled_min[j] == self._settled_min[j]:
            good &= t >= max(self._settled_min[j], self._shifted_min[j])
        return began(t[good], own[good])

    def _clear(self, second: Seconds, fits: _Fits, limit: float, out: list[Claim | Clear]) -> None:
        """Take back what has stood still over half an hour, for 15 minutes; what it did before is over."""
        for j, is_open in enumerate(self._open):
            if not is_open or fits.late[j] != fits.late[j]:
                continue
            # the drift's own end is in what is known of the noise: it must not keep the finding open
            doubt = min(float(fits.late_sd[j]), 0.25 * limit)
            still = abs(float(fits.late[j])) + doubt <= 0.5 * limit
            self._calm[j] = self._calm[j] + 1 if still else 0
            if self._calm[j] >= 15:
                both = range(2) if len(self._names) == 2 else (j,)
                for k in both:
                    self._open[k], self._calm[k] = False, 0
                    self._stood_min[k] = second.end_s / 60.0 - _CALM_MIN
                out.append(Clear(Kind.DRIFT, tuple(self._names[k] for k in both), second.end_s))


@dataclass(frozen=True)
class _Fits:
    """Drifts per hour and their standard uncertainty (w, p), by window; NaN where there is none.

    `margin`: the uncertainty, and more for what is looked at more often. `late`, `late_sd` (p,): over the
    last half hour by itself. `own` (n, p) what was fitted, from row `starts` (p,) on.
    """

    slope: FloatArray
    sd: FloatArray
    margin: FloatArray
    late: FloatArray
    late_sd: FloatArray
    own: FloatArray
    starts: Int64Array


def _surest(fits: _Fits, limit: float) -> tuple[dict[int, int], list[float]]:
    """Return the window in which each pair drifts most surely, where it does; and how sure, of each pair."""
    size = np.abs(fits.slope)
    with np.errstate(invalid="ignore"):
        score = np.nan_to_num(size / fits.margin)
        sure = (size > 0.5 * limit + _Z_HALF * fits.margin) & (score > _Z_STILL) & (size > 0.75 * limit)
    clearest = np.where(sure, score, 0.0).argmax(axis=0)
    best = {j: int(clearest[j]) for j in np.flatnonzero(sure.any(axis=0)).tolist()}
    return best, [float(x) for x in score.max(axis=0)]


def _met(fits: _Fits, limit: float) -> list[float]:
    """Return how far each pair's clearest window meets what `_surest` asks for at least, or NaN."""
    size = np.abs(fits.slope)
    with np.errstate(invalid="ignore", divide="ignore"):
        asked = np.maximum(0.5 * limit + _Z_HALF * fits.margin, _Z_STILL * fits.margin)
        asked = np.maximum(asked, 0.75 * limit)
        return [float(x) for x in np.fmax.reduce(size / asked, axis=0)]


@dataclass(frozen=True)
class _Model:
    """The estimator (n,) of a drift per hour from a window's begin on, in a record of n minutes.

    `noise_var` its variance by unit flicker, `other_var` by settling and creep.
    """

    slope: FloatArray
    noise_var: float
    other_var: float


@dataclass(frozen=True)
class _Record:
    """What a record of n minutes is made of: hours (n,), flicker (n, n), settling and creep (k, n).

    `whiten` (n, n) makes the flicker white, `level` is its size; `white` (n, k) is the rest, whitened, and
    `inner` (k, k) what it makes of their covariance together (the matrix inversion lemma); `creep` per hour
    is the size of the last of the k.
    """

    hours: FloatArray
    flicker: FloatArray
    other: FloatArray
    whiten: FloatArray
    level: float
    white: FloatArray
    inner: FloatArray
    creep: float

    def solved(self, sides: FloatArray) -> FloatArray:
        """Return the inverse of the whole covariance times `sides` (n, m), (n, m)."""
        white = self.whiten @ sides
        white -= self.white @ (self.inner @ (self.white.T @ white))
        return np.asarray(self.whiten.T @ white / self.level**2)


def _against_others(currents: FloatArray, apart: BoolArray) -> FloatArray:
    """Return each pair's relative movement against the median of the others, (n, p) from currents (n, p).

    What all do together is supply, mains, bias or room. Those that are `apart` (p,), known to go their own
    way, are no measure for the others as long as two others are left. With one pair nothing can be taken out.
    All start from their mean of the last half hour, so that one that leaves the others leaves them at once.
    NaN where a pair has none.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        log = np.log(np.where(currents > 0, currents, np.nan))
    late = log[-_LEVEL_MIN:]
    count = (~np.isnan(late)).sum(axis=0)
    change = log - np.where(count > 0, np.nansum(late, axis=0) / np.maximum(count, 1), np.nan)
    p = change.shape[1]
    if p == 1:
        return np.asarray(change)
    if p - apart.sum() < 3:
        apart = np.zeros(p, dtype=np.bool_)
    ranked = np.sort(np.where(apart, np.nan, change), axis=1)  # NaN last
    own_rank = np.where(apart, np.inf, change)  # what is apart is none of those ranked
    others = (~np.isnan(ranked)).sum(axis=1)[:, None] - ~apart
    rows = np.arange(len(change))[:, None]

    def kth(k: Int64Array) -> FloatArray:
        """Return the k-th of the others (n, p): a pair's own value is passed over."""
        k = np.clip(k, 0, p - 2)
        return np.asarray(np.where(ranked[rows, k] < own_rank, ranked[rows, k], ranked[rows, k + 1]))

    return np.asarray(change - 0.5 * (kth((others - 1) // 2) + kth(others // 2)))


def _begins(own: FloatArray) -> Int64Array:
    """Return each pair's first row after its last hole, (p,)."""
    holes = np.isnan(own)
    return np.where(holes.any(axis=0), len(own) - holes[::-1].argmax(axis=0), 0)


def _model(t_min: FloatArray, on_min: FloatArray, width: int, grade: int, octave: int) -> _Model:
    n = len(t_min)
    if _whole(t_min) and _whole(on_min):
        return _unbroken_model(n, _since(float(on_min[0])), width, grade, octave)
    return _solved(_record(t_min, on_min, grade, octave), width)


def _whole(minutes: FloatArray) -> bool:
    return bool(abs(minutes[-1] - minutes[0] - (len(minutes) - 1)) < _WHOLE_MIN)


def _since(on_min: float) -> float:
    """Round down: tails only get smaller, and a model serves for more than one begin."""
    return min(_TAIL_EVERY_MIN * math.floor(on_min / _TAIL_EVERY_MIN), _TAIL_TO_MIN)


@lru_cache(maxsize=64)
def _unbroken_model(n: int, on_min: float, width: int, grade: int, octave: int) -> _Model:
    """The model of a record without holes that began so many minutes after HT on."""
    return _solved(_unbroken_record(n, on_min, grade, octave), width)


@lru_cache(maxsize=2)  # of use to the next window only
def _unbroken_record(n: int, on_min: float, grade: int, octave: int) -> _Record:
    minutes = np.arange(float(n))
    return _record(minutes, on_min + minutes, grade, octave)


@lru_cache(maxsize=1)
def _minutes_flicker() -> tuple[FloatArray, FloatArray]:
    """Return flicker over the longest record without holes, and what makes it white.

    That of fewer minutes is the beginning of both: what whitens is triangular.
    """
    return _flicker(np.arange(float(_RECORD_MIN)))


def _flicker(t_min: FloatArray) -> tuple[FloatArray, FloatArray]:
    flicker = flicker_covariance(t_min) + 0.05 * np.eye(len(t_min))
    return flicker, np.linalg.inv(np.linalg.cholesky(flicker))


def _tail_shapes(on_min: FloatArray) -> FloatArray:
    return np.array([size * np.exp(-on_min / tau) for tau, size in _TAILS])


def _record(t_min: FloatArray, on_min: FloatArray, grade: int, octave: int) -> _Record:
    creep = _CREEP * _USUAL_LIMIT * 2.0**octave
    hours = (t_min - t_min[-1]) / 60.0
    n = len(t_min)
    if n <= _RECORD_MIN and _whole(t_min):
        flicker, whiten = (whole[:n, :n] for whole in _minutes_flicker())
    else:
        flicker, whiten = _flicker(t_min)
    level = _GRADES[grade]
    other = np.vstack([_tail_shapes(on_min), creep * hours])
    white = whiten @ other.T / level
    inner = np.linalg.inv(np.eye(len(other)) + white.T @ white)
    return _Record(hours, flicker, other, whiten, level, white, inner, creep)


def _solved(record: _Record, width: int) -> _Model:
    """Fit level and drift from the window's begin on; the creep goes on in the window and is part of it."""
    hours = record.hours
    design = np.column_stack([np.ones(len(hours)), np.maximum(hours - hours[-width], 0.0)])
    seen = record.solved(np.column_stack([design, record.creep * record.other[-1]]))
    fit = np.linalg.solve(design.T @ seen[:, :2], seen[:, :2].T)
    creep = seen[:, 2]
    slope = fit[1] + creep - (creep @ design) @ fit
    left = record.other @ slope
    left[-1] -= record.creep
    return _Model(slope, float(slope @ record.flicker @ slope), float(left @ left))


def _tails_seen(own: FloatArray, t: FloatArray, on: FloatArray) -> FloatArray:
    """Return what of a record (n, p) is settling, by its first minutes; 0 where they have holes."""
    n = min(len(own), _TAIL_SEEN)
    early = own[:n]
    if n < _TAIL_FROM or not (_whole(t[:n]) and _whole(on[:n])):
        return np.zeros_like(own)
    sizes = _tail_fit(n, _since(float(on[0]))) @ early
    return _tail_shapes(on - on[0] + _since(float(on[0]))).T @ np.where(np.isnan(sizes), 0.0, sizes)


@lru_cache(maxsize=8)
def _tail_fit(n: int, on_min: float) -> FloatArray:
    """Return what gives the sizes of the tails, in units of their usual size, from n minutes, (tails, n)."""
    minutes = np.arange(float(n))
    tails = _tail_shapes(on_min + minutes)
    noise = _NOISE**2 * (flicker_covariance(minutes) + 0.05 * np.eye(n))
    inverse = np.linalg.inv(noise + tails.T @ tails)
    level = inverse.sum(axis=1)
    return np.asarray(tails @ (inverse - np.outer(level, level) / level.sum()))


def _jumped(own: FloatArray, width: int) -> bool:
    """Whether a level that jumped explains the last minutes better than one that began to move.

    Both are fitted to the window and as much again before it, at every time they could have been.
    """
    group = -(-width // _POINTS)
    own = own[-2 * width :]
    own = own[np.flatnonzero(np.isnan(own))[-1] + 1 :] if np.isnan(own).any() else own
    y = own[len(own) % group :].reshape(-1, group).mean(axis=1)
    whiten, jumps, ramps = _shapes(len(y))
    white = whiten @ y
    return bool(np.abs(jumps @ white).max() > np.abs(ramps @ white).max())


@lru_cache(maxsize=64)
def _shapes(n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what whitens n values of flicker (n, n), and jumps and ramps as unit shapes (m, n).

    The shapes are white as well, and have no level.
    """
    noise = flicker_covariance(np.arange(float(n))) + 0.05 * np.eye(n)
    whiten = np.linalg.inv(np.linalg.cholesky(noise))
    at = np.arange(n)
    level = whiten.sum(axis=1)
    level /= np.linalg.norm(level)

    def shapes(raw: FloatArray) -> FloatArray:
        white = raw @ whiten.T
        white -= np.outer(white @ level, level)
        return np.asarray(white / np.linalg.norm(white, axis=1)[:, None])

    # a jump within a minute leaves that minute's mean between
    since = at[None, :] - at[1:, None]
    jumps = np.vstack([(since > 0) + part * (since == 0) for part in _PARTS])
    ramps = np.maximum(at[None, :] - at[:-_LEAST_RAMP, None], 0.0).astype(np.float64)
    return whiten, shapes(jumps), shapes(ramps)


def _clock(minutes: float) -> str:
    hours, rest = divmod(round(minutes), 60)
    return f"{hours} h {rest:02d} min" if hours else f"{rest} min"
