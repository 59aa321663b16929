"""What a count, a share or a set of delays can claim.

Rates: Garwood, Biometrika 28 (1936) 437, exact for Poisson counts. Shares: Clopper and Pearson, Biometrika
26 (1934) 404. Delays with undetected runs: Kaplan and Meier, JASA 53 (1958) 457. Intervals are two-sided
95 %; a bound on a claim ("at most one per thousand hours") is one-sided 95 %, and its function says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.blocks import FloatArray

CONFIDENCE: Final = 0.95
_DRAWS: Final = 1000


class Interval(NamedTuple):
    """Two ends; NaN where one does not exist."""

    low: float
    high: float


def rate_interval(events: int, exposure: float) -> Interval:
    """Return Garwood's two-sided 95 % interval of events per unit of exposure; infinite without exposure."""
    return Interval(_rate_low(events, exposure, 0.025), _rate_high(events, exposure, 0.025))


def rate_at_most(events: int, exposure: float) -> float:
    """Return the one-sided upper 95 % bound of a rate: what may be claimed."""
    return _rate_high(events, exposure, 0.05)


def rate_at_least(events: int, exposure: float) -> float:
    """Return the one-sided lower 95 % bound of a rate: what must be admitted."""
    return _rate_low(events, exposure, 0.05)


def exposure_to_claim(events: int, rate: float) -> float:
    """Return the exposure at which the one-sided upper bound comes down to `rate`, with so many events."""
    return _rate_high(events, 1.0, 0.05) / rate


def _rate_low(events: int, exposure: float, tail: float) -> float:
    from scipy.stats import chi2

    if events == 0 or exposure <= 0:
        return 0.0
    return float(chi2.ppf(tail, 2 * events)) / 2.0 / exposure


def _rate_high(events: int, exposure: float, tail: float) -> float:
    from scipy.stats import chi2

    if exposure <= 0:
        return math.inf
    return float(chi2.ppf(1.0 - tail, 2 * events + 2)) / 2.0 / exposure


def share_interval(hits: int, of: int) -> Interval:
    """Return Clopper and Pearson's two-sided 95 % interval of a share; NaN of nothing."""
    if of == 0:
        return Interval(math.nan, math.nan)
    return Interval(_share_low(hits, of, 0.025), _share_high(hits, of, 0.025))


def share_at_most(hits: int, of: int) -> float:
    """Return the one-sided upper 95 % bound of a share."""
    return _share_high(hits, of, 0.05) if of else math.nan


def share_at_least(hits: int, of: int) -> float:
    """Return the one-sided lower 95 % bound of a share."""
    return _share_low(hits, of, 0.05) if of else math.nan


def _share_low(hits: int, of: int, tail: float) -> float:
    from scipy.stats import beta

    return 0.0 if hits == 0 else float(beta.ppf(tail, hits, of - hits + 1))


def _share_high(hits: int, of: int, tail: float) -> float:
    from scipy.stats import beta

    return 1.0 if hits == of else float(beta.ppf(1.0 - tail, hits + 1, of - hits))


@dataclass(frozen=True)
class Survival:
    """Kaplan and Meier's estimate: after each time of an event, the share still undetected."""

    t: FloatArray
    still: FloatArray

    def quantile(self, share: float) -> float:
        """Return when the share detected reaches `share`; NaN where it never does."""
        reached = self.still <= 1.0 - share + 1e-12
        return float(self.t[np.argmax(reached)]) if reached.any() else math.nan


def survival(times: Sequence[float] | FloatArray, found: Sequence[bool] | NDArray[np.bool_]) -> Survival:
    """Return the estimate from delays (found) and from how long runs were watched in vain (not found)."""
    t = np.asarray(times, dtype=np.float64)
    hit = np.asarray(found, dtype=bool)
    moments = np.unique(t[hit])
    at_risk = len(t) - np.searchsorted(np.sort(t), moments, side="left")
    events = np.searchsorted(np.sort(t[hit]), moments, side="right") - np.searchsorted(
        np.sort(t[hit]), moments, side="left"
    )
    still = np.cumprod(1.0 - events / at_risk) if len(moments) else np.empty(0)
    return Survival(moments, np.asarray(still, dtype=np.float64))


def quantile_interval(times: Sequence[float], found: Sequence[bool], share: float, seed: int) -> Interval:
    """Return a bootstrapped 95 % interval of a Kaplan-Meier quantile; an end that isn't reached is NaN."""
    t, hit = np.asarray(times, dtype=np.float64), np.asarray(found, dtype=bool)
    draws = _draws(len(t), seed)
    return _percentiles(_quantiles(t[draws], hit[draws], share))


def ratio_of_medians(
    ours: Sequence[float], ours_found: Sequence[bool], bound: Sequence[float], bound_found: Sequence[bool]
) -> float:
    """Return the ratio of two Kaplan-Meier medians; NaN where one isn't reached."""
    return survival(ours, ours_found).quantile(0.5) / survival(bound, bound_found).quantile(0.5)


def ratio_interval(
    ours: Sequence[float],
    ours_found: Sequence[bool],
    bound: Sequence[float],
    bound_found: Sequence[bool],
    seed: int,
) -> Interval:
    """Return a bootstrapped 95 % interval of that ratio; a run keeps its bound beside it in every draw."""
    a, b = np.asarray(ours, dtype=np.float64), np.asarray(bound, dtype=np.float64)
    x, y = np.asarray(ours_found, dtype=bool), np.asarray(bound_found, dtype=bool)
    draws = _draws(len(a), seed)
    return _percentiles(_quantiles(a[draws], x[draws], 0.5) / _quantiles(b[draws], y[draws], 0.5))


def _draws(n: int, seed: int) -> NDArray[np.int64]:
    return np.random.default_rng(seed).integers(0, max(n, 1), (_DRAWS if n > 1 else 0, n))


def _quantiles(t: FloatArray, hit: NDArray[np.bool_], share: float) -> FloatArray:
    """Return Kaplan and Meier's quantile of each row of (draws, n); NaN where it isn't reached."""
    if not t.size:
        return np.empty(0)
    order = np.lexsort((~hit, t), axis=1)  # at one time the found come before the censored
    t, hit = np.take_along_axis(t, order, 1), np.take_along_axis(hit, order, 1)
    at_risk = np.arange(t.shape[1], 0, -1)
    reached = np.cumprod(1.0 - hit / at_risk, axis=1) <= 1.0 - share + 1e-12
    first = t[np.arange(len(t)), np.argmax(reached, axis=1)]
    return np.asarray(np.where(reached.any(axis=1), first, np.nan))


def _percentiles(values: FloatArray) -> Interval:
    """Return the middle 95 % of the draws; what isn't reached in a draw counts as beyond all others."""
    if not len(values):
        return Interval(math.nan, math.nan)
    ordered = np.sort(np.where(np.isnan(values), np.inf, values))
    low, high = ordered[int(0.025 * len(ordered))], ordered[int(0.975 * len(ordered)) - 1]
    return Interval(*(float(end) if math.isfinite(end) else math.nan for end in (low, high)))
