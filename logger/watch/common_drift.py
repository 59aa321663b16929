"""`common drift`: all settled pairs creep together, and neither mains nor HT does it."""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from logger.blocks import FloatArray
from logger.finding import Kind, Severity
from logger.settling import began, flicker_covariance, least_squares
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear, Events, Minutes, Seconds, ewma, median

_WINDOWS: Final = (20, 30, 45, 60, 90, 120)
_POINTS: Final = 30
_Z: Final = 4.0
_PRIOR: Final = 5.0
_NOISE: Final = 0.0012  # a typical valve's flicker, relative; that of the pairs' median is less
_TAILS: Final = ((12.0, 0.03), (25.0, 0.015))  # minutes since HT on, size then
_MAINS_UNSEEN: Final = 0.003  # what mains that nobody measures do to all pairs, relative
_MAINS_UNSEEN_MIN: Final = 7.0
_GAIN: Final = {"fixed": 1.5, "cathode": 1.25}  # of the currents to the mains; from memory
_HT_GAIN: Final = {"fixed": 5.5, "cathode": 1.25}  # to HT alone; from memory
_JUMP: Final = 0.005
_MAINS_JUMP: Final = 0.005
_REST_MIN: Final = 10
_TOGETHER: Final = 0.75
_CALM_MIN: Final = 15


class CommonDrift:
    """Windowed generalised least squares (Willsky and Jones 1976; Lai 1995) on the settled pairs' median.

    Each minute the median of the settled pairs' relative movement is brought to nominal mains and HT by
    stated gains: with fixed bias the currents go by 1.5 times the mains and by 5.5 times what HT does beside
    them, with cathode bias by 1.25 times both. In windows of 20 to 120 minutes a slope is fitted under 1/f
    noise, what may be left of the settling, and where nothing tells of the mains their wander. Raised as a
    `drift` is: surely (4 standard uncertainties) above half the limit, itself above three quarters of it; and
    three quarters of the pairs that did not shift meanwhile (`shifted_min`, minutes since the first scan by
    pair, -inf for nothing; the panel writes it) must each move so, at least half as fast, and two at least. A
    pair that shifted takes its place among the others anew. A jump of the level or of the mains
    begins the windows anew 10 minutes later: what moves at once is not a creep. With one pair nothing is
    said: it is its own.
    Learns the noise from each window's residuals, never below a typical valve's.
    Price: see docs/how-good.md. Delay: 20 to 45 minutes at twice the limit.
    """

    def __init__(
        self,
        setup: Setup,
        minutes: Minutes,
        settled_min: list[float],
        shifted_min: list[float] | None = None,
    ) -> None:
        self._setup = setup
        self._minutes = minutes
        self._settled_min = settled_min
        self._names = tuple(c.name for c in setup.pairs)
        self._shifted_min = shifted_min if shifted_min is not None else [-math.inf] * len(self._names)
        self._since_min = list(self._shifted_min)
        """The shift that each pair's reference already knows of."""
        self._has_ht = setup.first("HT") is not None
        self._has_mains = setup.first("mains") is not None
        self._ref = [math.nan] * len(self._names)
        self._at = array("q")
        """The minutes that were looked at; what all did then; what mains and HT did; that, smoothed."""
        self._common = array("d")
        self._outside = array("d")
        self._smooth = array("d")
        self._from = 0
        self._moves = _JUMP / 5.0
        self._limit = math.nan
        """The drift limit, relative per hour."""
        self._open = False
        self._calm = 0

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch; looks at each minute's end."""
        if len(self._names) < 2 or not seconds.closes_minute or seconds.state != "soaking":
            return []
        ready = self._take(seconds)
        if not ready:
            return []
        event = self._judge(seconds, ready) if len(self._smooth) >= _WINDOWS[0] else None
        return [(len(seconds) - 1, event)] if event is not None else []

    def _take(self, seconds: Seconds) -> list[int]:
        """Take in a minute; return the pairs that count in it, none where they are too few."""
        current = self._minutes.currents(-1)[0].tolist()
        masked = seconds.masked.tolist()
        ready = [
            j
            for j, value in enumerate(current)
            if value > 0.002 and not masked[j] and self._settled_min[j] == self._settled_min[j]
        ]
        if len(ready) < max(2, (len(current) + 1) // 2):
            self._from = len(self._common)
            self._ref = [math.nan] * len(current)
            return []
        for j, shifted in enumerate(self._shifted_min):
            if (
                shifted > self._since_min[j]
            ):  # its level is another now: it takes its place among the others anew
                self._since_min[j], self._ref[j] = shifted, math.nan
        logs = {j: math.log(current[j]) for j in ready}
        moved = sorted(logs[j] - self._ref[j] for j in ready if self._ref[j] == self._ref[j])
        middle = len(moved) // 2
        common = 0.5 * (moved[(len(moved) - 1) // 2] + moved[middle]) if moved else 0.0
        for j in ready:
            if self._ref[j] != self._ref[j]:
                self._ref[j] = logs[j] - common
        self._at.append(len(self._minutes) - 1)
        self._outside.append(self._by_supply())
        self._common.append(common - self._outside[-1])
        level_a = sorted(current[j] for j in ready)[len(ready) // 2]
        self._limit = self._setup.limits.drift_a_per_h(level_a) / level_a
        self._note_jump()
        return ready

    def _by_supply(self) -> float:
        """Return what mains and HT make of the currents in the last minute, relative."""
        amp = self._setup.amp
        mains = self._minutes.mains_v[-1] / amp.nominal_mains_V if self._has_mains else math.nan
        ht = self._minutes.ht_v[-1] / amp.nominal_ht_V if self._has_ht else math.nan
        mains = math.log(mains) if mains > 0.5 else math.nan
        ht = math.log(ht) if ht > 0.5 else math.nan
        gain, ht_gain = _GAIN[amp.bias], _HT_GAIN[amp.bias]
        if mains == mains and ht == ht:
            return gain * mains + ht_gain * (ht - mains)
        # HT alone goes with the mains
        return gain * mains if mains == mains else gain * ht if ht == ht else 0.0

    def _note_jump(self) -> None:
        """Smooth away a single minute (a blink), and begin anew after a jump."""
        last = sorted(self._common[-3:])
        smooth = last[len(last) // 2]
        self._smooth.append(smooth)
        k = len(self._smooth) - 1
        if k < 2:
            return
        moved = abs(smooth - self._smooth[k - 2])
        allowed = max(_JUMP, 10.0 * self._limit / 60.0, 5.0 * self._moves)
        stepped = False
        if self._has_mains:
            mains_v = self._minutes.mains_v
            here, there = float(mains_v[self._at[k]]), float(mains_v[self._at[k - 1]])
            stepped = abs(here / there - 1.0) > _MAINS_JUMP
        if moved > allowed or stepped:
            self._from = k + 1 + _REST_MIN
        self._moves = ewma(self._moves, min(moved, allowed), 0.1)

    def _judge(self, seconds: Seconds, ready: list[int]) -> Claim | Clear | None:
        limit = self._limit
        n = len(self._smooth)
        best: _Fit | None = None
        for width in _WINDOWS:
            if n - width < self._from:
                break
            if not self._open and abs(self._smooth[-1] - self._smooth[-width]) < 0.4 * limit * width / 60.0:
                continue
            fit = self._fit(width, self._smooth)
            if fit is None:
                continue
            sure = abs(fit.slope) - _Z * fit.sd > 0.5 * limit and abs(fit.slope) > 0.75 * limit
            if sure and (best is None or abs(fit.slope) / fit.sd > abs(best.slope) / best.sd):
                best = fit
        if self._open:
            return self._cleared(seconds, best, limit)
        if best is None or not self._together(best, ready):
            return None
        self._open, self._calm = True, 0
        return self._claim(best, seconds)

    def _fit(self, width: int, values: array[float]) -> _Fit | None:
        at = np.array(self._at[-width:])
        t, on = self._minutes.t_min[at], self._minutes.on_min[at]
        if t[-1] - t[0] > 1.25 * width + 5:
            return None
        unseen = not (self._has_mains or self._has_ht)
        cut = width % (group := -(-width // _POINTS))
        y = np.array(values[-width:])[cut:].reshape(-1, group).mean(axis=1)
        if t[-1] - t[0] == width - 1 and on[-1] - on[0] == width - 1:
            model = _unbroken(width, float(on[0]), unseen)
        else:
            t, on = (x[cut:].reshape(-1, group).mean(axis=1) for x in (t, on))
            model = _solved(t, on, unseen)
        scale = math.sqrt(max((float(y @ model.residual @ y) + _PRIOR) / (len(y) - 2 + _PRIOR), 1.0))
        return _Fit(width, float(model.slope @ y), model.slope_sd * scale, model.slope, cut, group)

    def _together(self, fit: _Fit, ready: list[int]) -> bool:
        """Whether most of the pairs move so, each: one of two that drifts moves their middle as well."""
        at = np.array(self._at[-fit.width :])
        begins_min = float(self._minutes.t_min[at[0]])
        ready = [j for j in ready if self._shifted_min[j] <= begins_min]
        if len(ready) < 2:
            return False
        rows = self._minutes.currents()[at][:, ready]
        outside = np.array(self._outside[-fit.width :])
        y = (np.log(np.maximum(rows, 1e-6)) - outside[:, None])[fit.cut :]
        slopes = fit.estimator @ y.reshape(-1, fit.group, len(ready)).mean(axis=1)
        with_it = int((slopes * math.copysign(1.0, fit.slope) > 0.5 * abs(fit.slope)).sum())
        return with_it >= _TOGETHER * len(ready)

    def _cleared(self, seconds: Seconds, best: _Fit | None, limit: float) -> Clear | None:
        fit = self._fit(30, self._smooth) if len(self._smooth) - 30 >= self._from else None
        if fit is None:
            return None
        still = best is not None or abs(fit.slope) + fit.sd > 0.5 * limit
        self._calm = 0 if still else self._calm + 1
        if self._calm < _CALM_MIN:
            return None
        self._open = False
        return Clear(Kind.COMMON_DRIFT, self._names, seconds.end_s)

    def _claim(self, fit: _Fit, seconds: Seconds) -> Claim:
        level_a = median(self._minutes.currents(-1)[0])
        onset_min = self._onset_min()
        out = [name for name, has in (("the mains", self._has_mains), ("HT", self._has_ht)) if has]
        rest = f"what {' and '.join(out)} did is taken out" if out else "the mains were not measured"
        hours, minutes = divmod(round(onset_min), 60)
        since = f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"
        return Claim(
            Kind.COMMON_DRIFT,
            self._names,
            onset_min * 60.0,
            seconds.end_s,
            Severity.WARNING,
            f"all pairs have been {'rising' if fit.slope > 0 else 'falling'} together since {since}, by "
            f"{abs(fit.slope) * level_a * 1e3:.1f} mA an hour; {rest}",
            "Look at the bias supply: its rectifier, its reference, its load.",
            named=False,
            evidence={
                "rate_a_per_h": fit.slope * level_a,
                "u_rate_a_per_h": fit.sd * level_a,
                "window_min": float(fit.width),
            },
        )

    def _onset_min(self) -> float:
        """Return when it began, minutes since the first scan."""
        first = max(self._from, len(self._smooth) - 180)
        y = np.array(self._smooth[first:])
        t = self._minutes.t_min[np.array(self._at[first:])]
        return began(t, y)


@dataclass(frozen=True)
class _Fit:
    """A window's slope per hour, how sure it is, and how it was made."""

    width: int
    slope: float
    sd: float
    estimator: FloatArray
    cut: int
    group: int


@dataclass(frozen=True)
class _Model:
    """Generalised least squares of a slope per hour: estimator (n,), its spread, residual form (n, n)."""

    slope: FloatArray
    slope_sd: float
    residual: FloatArray


@lru_cache(maxsize=128)
def _unbroken(width: int, on_min: float, unseen: bool) -> _Model:
    """The model of a window without holes that began so many minutes after HT on."""
    group = -(-width // _POINTS)
    minutes = np.arange(width, dtype=np.float64)[width % group :].reshape(-1, group).mean(axis=1)
    return _solved(minutes, on_min + minutes, unseen)


def _solved(t_min: FloatArray, on_min: FloatArray, unseen: bool) -> _Model:
    k = _NOISE**2 * (flicker_covariance(t_min) + 0.05 * np.eye(len(t_min)))
    for tau, size in _TAILS:
        shape = size * np.exp(-on_min / tau)
        k = k + np.outer(shape, shape)
    if unseen:
        apart = np.abs(t_min[:, None] - t_min[None, :])
        k = k + _MAINS_UNSEEN**2 * np.exp(-apart / _MAINS_UNSEEN_MIN)
    hours = (t_min - t_min.mean()) / 60.0
    fit = least_squares(np.column_stack([np.ones(len(hours)), hours]), k)
    return _Model(fit.estimator[1], math.sqrt(fit.covariance[1, 1]), fit.residual_form)
