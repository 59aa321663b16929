"""`drift`: a settled pair's own slow movement."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from logger.blocks import FloatArray
from logger.finding import Kind, Severity
from logger.settling import began, flicker_covariance, least_squares
from logger.setup import Setup
from logger.watch.noise import LAGS, flicker_level, levels
from logger.watch.seconds import Claim, Clear, Events, Minutes, Seconds, median, own_movement

_WINDOWS: Final = (8, 11, 15, 20, 30, 45, 60, 90, 120, 180)
_POINTS: Final = 30
_Z: Final = 5.0  # ten windows each minute: 4 gave 5 false alarms per 1,000 pair-hours on the tuning seeds
_NOISE: Final = 0.0012  # typical flicker of a pair, relative, 1 s to 4.5 h; learnt upwards only
_SUPPLY_GAIN: Final = 1.5  # relative change of idle current by that of the mains, as in the forecast
_SUPPLY_STEP: Final = 0.01
_AFTER_STEP_MIN: Final = 20
_NOISE_FROM_MIN: Final = 10.0
_OFF_MIN, _AFTER_OFF_MIN = 0.1, 10.0
_TAILS: Final = ((12.0, 0.03), (25.0, 0.015))  # minutes since HT on, size then


class Drift:
    """Windowed generalised least squares against flicker noise (Willsky and Jones 1976; Lai 1995).

    Each minute, for windows of 8 to 180 minutes of each settled pair's own movement, a slope is fitted under
    1/f noise and what may be left of the settling. Raised where the slope is surely (`_Z` standard
    uncertainties) above half the limit and itself above three quarters of it: a fast drift is called in a
    short window, a slow one with patience. What a window's slope is worth is learnt from the pair's own
    record from its tenth minute on, at the lag decided on: Hadamard variance of about half the window
    (`noise.py`), so that the noise's colour matters little. One pair alone is not judged for 20 minutes
    after a step of the supply. Price and delay: see README, how good the watch is.
    """

    def __init__(self, setup: Setup, minutes: Minutes, settled_min: list[float]) -> None:
        self._setup = setup
        self._minutes = minutes
        self._settled_min = settled_min
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        self._mains = setup.first("mains") is not None
        self._open = [False] * len(self._names)
        self._calm = [0] * len(self._names)

    def update(self, second: Seconds) -> Events:
        """Take in a stretch; looks at each minute's end."""
        if not second.closes_minute or second.state != "soaking" or not second.powered:
            return []
        out: list[Claim | Clear] = []
        best: dict[int, tuple[float, float, int]] = {}
        minutes = self._minutes
        widths = [
            width
            for width in _WINDOWS
            if len(minutes) >= width and minutes.t_min[-1] - minutes.t_min[-width] <= 1.25 * width + 5
        ]
        back = self._back_min()
        widths = [width for width in widths if minutes.t_min[-width] >= back]
        if not widths or not any(settled == settled for settled in self._settled_min):
            return []
        own, limit = self._own(widths[-1]), self.limit()
        level = self._levels(own)
        for width in widths:
            for j, slope, sd in self._fit(width, second, own, level):
                sure = abs(slope) - _Z * sd > 0.5 * limit and abs(slope) > 0.75 * limit
                if sure and (j not in best or abs(slope) / sd > abs(best[j][0]) / best[j][1]):
                    best[j] = (slope, sd, width)
        self._clear(second, best, own, level, out)
        for j, (slope, sd, width) in best.items():
            if not self._open[j]:
                out.extend(self._raise(j, slope, sd, width, second))
        return [(len(second) - 1, event) for event in out]

    def limit(self) -> float:
        """Return the drift limit, relative per hour."""
        level_a = median(self._minutes.currents(max(0, len(self._minutes) - 5)).ravel())
        return self._setup.limits.drift_a_per_h(level_a) / level_a

    def _fit(
        self, width: int, second: Seconds, own: FloatArray, level: dict[int, FloatArray]
    ) -> list[tuple[int, float, float]]:
        minutes = self._minutes
        first = len(minutes) - width
        start = minutes.t_min[first]
        own = own[-width:]
        ready = [
            j
            for j, settled in enumerate(self._settled_min)
            if settled <= start + 1.0 and not second.masked[j] and not np.isnan(own[:, j]).any()
        ]
        if not ready:
            return []
        y = own[:, ready]
        group = -(-width // _POINTS)
        cut = width % group
        if group > 1:
            y = y[cut:].reshape(width // group, group, -1).mean(axis=1)
        t, on = minutes.t_min[first:], minutes.on_min[first:]
        if t[-1] - t[0] == width - 1 and on[-1] - on[0] == width - 1:
            model = _unbroken_model(width, float(on[0]))
        else:
            model = _solved(*(x[cut:].reshape(-1, group).mean(axis=1) for x in (t, on)))
        slope = model.slope @ y
        lag = _lag(width)
        scale = level[lag][ready] / (_NOISE**2 * flicker_level(lag))
        sd = np.sqrt(model.noise_var * scale + model.tail_var)
        return [(j, float(slope[i]), float(sd[i])) for i, j in enumerate(ready)]

    def _back_min(self) -> float:
        """Return from when on a window may begin: ten minutes after HT was last off, however shortly."""
        minutes = self._minutes
        first = max(len(minutes) - _WINDOWS[-1], 0)
        off = np.diff(minutes.t_min[first:]) - np.diff(minutes.on_min[first:])
        stops = np.flatnonzero(np.abs(off) > _OFF_MIN)
        return float(minutes.t_min[first + stops[-1] + 1]) + _AFTER_OFF_MIN if len(stops) else -math.inf

    def _levels(self, own: FloatArray) -> dict[int, FloatArray]:
        """Return each pair's noise by lag, from its own movement since the tenth minute of HT.

        What settles moves evenly and is in no second difference to speak of.
        """
        record = own[self._minutes.on_min[-len(own) :] >= _NOISE_FROM_MIN]
        holes = np.flatnonzero(np.isnan(record).any(axis=1))
        record = record[holes[-1] + 1 :] if len(holes) else record
        return levels(record, _NOISE**2 * flicker_level(1))

    def _own(self, width: int) -> FloatArray:
        """Return the pairs' own movement in the last minutes, (width, p)."""
        first = len(self._minutes) - width
        own = own_movement(self._minutes.currents(first))
        return self._without_supply(own, first) if len(self._names) == 1 else own

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

    def _raise(self, j: int, slope: float, sd: float, width: int, second: Seconds) -> list[Claim | Clear]:
        window = min(len(self._minutes), 180)
        onset_min = self._onset(j, window)
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
                    "window_min": float(width),
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
            good &= t >= self._settled_min[j]
        return began(t[good], own[good])

    def _clear(
        self,
        second: Seconds,
        best: dict[int, tuple[float, float, int]],
        own: FloatArray,
        level: dict[int, FloatArray],
        out: list[Claim | Clear],
    ) -> None:
        if not any(self._open) or len(own) < 30:
            return
        slopes = {j: (slope, sd) for j, slope, sd in self._fit(30, second, own[-30:], level)}
        for j, is_open in enumerate(self._open):
            if not is_open or j not in slopes:
                continue
            slope, sd = slopes[j]
            still = j in best or abs(slope) + sd > 0.5 * self.limit()
            self._calm[j] = 0 if still else self._calm[j] + 1
            if self._calm[j] >= 15:
                two = len(self._names) == 2
                out.append(Clear(Kind.DRIFT, tuple(self._names) if two else (self._names[j],), second.end_s))
                self._calm[j] = 0
                self._open = [False, False] if two else [o and k != j for k, o in enumerate(self._open)]


@dataclass(frozen=True)
class _Model:
    """Generalised least squares of a slope per hour: estimator (n,), its variance by noise and by tails."""

    slope: FloatArray
    noise_var: float
    tail_var: float


@lru_cache(maxsize=2048)
def _unbroken_model(width: int, on_min: float) -> _Model:
    """The model of a window without holes that began so many minutes after HT on."""
    group = -(-width // _POINTS)
    minutes = np.arange(width, dtype=np.float64)[width % group :].reshape(-1, group).mean(axis=1)
    return _solved(minutes, on_min + minutes)


def _solved(t_min: FloatArray, on_min: FloatArray) -> _Model:
    noise = _NOISE**2 * (flicker_covariance(t_min) + 0.05 * np.eye(len(t_min)))
    tails = np.zeros_like(noise)
    for tau, size in _TAILS:
        shape = size * np.exp(-on_min / tau)
        tails += np.outer(shape, shape)
    hours = (t_min - t_min.mean()) / 60.0
    design = np.column_stack([np.ones(len(hours)), hours])
    slope = least_squares(design, noise + tails).estimator[1]
    return _Model(slope, float(slope @ noise @ slope), float(slope @ tails @ slope))


def _lag(width: int) -> int:
    """Return the lag that says what a slope over so many minutes is worth: about half of them."""
    return min(LAGS, key=lambda lag: abs(math.log2(2.0 * lag / width)))


def _clock(minutes: float) -> str:
    hours, rest = divmod(round(minutes), 60)
    return f"{hours} h {rest:02d} min" if hours else f"{rest} min"
