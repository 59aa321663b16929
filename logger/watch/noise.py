"""How unsteady a pair is over a given time: the noise measure of the drift finding.

The overlapping Hadamard variance (NIST SP 1065, Riley 2008, section 5.2.9): a sixth of the mean square of
second differences of neighbouring means. A steady drift leaves it alone, and for power-law noise it says
what a slope over that time is worth, whatever the noise's colour.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np

from logger.blocks import FloatArray
from logger.settling import flicker_covariance

LAGS: Final = (1, 2, 4, 8, 16, 32, 64)
"""Samples to a mean."""

GROWTH: Final = 1.25
"""How much the variance is held to grow with each doubling of the lag until it has been seen: 1 for 1/f
noise, 2 for a random walk."""

_PRIOR_FREEDOM: Final = 6.0  # how many degrees of freedom that is worth


def hadamard_variance(y: FloatArray, lag: int) -> FloatArray:
    """Return the overlapping Hadamard variance of each column of y (n, p) for means of `lag` samples, (p,).

    NaN where n is below three lags.
    """
    sums = np.vstack([np.zeros(y.shape[1]), np.cumsum(y, axis=0)])
    means = (sums[lag:] - sums[:-lag]) / lag
    if len(means) < 2 * lag + 1:
        return np.full(y.shape[1], np.nan)
    second = means[2 * lag :] - 2.0 * means[lag:-lag] + means[: -2 * lag]
    return np.asarray((second**2).mean(axis=0) / 6.0, dtype=np.float64)


def levels(y: FloatArray, usual: float) -> dict[int, FloatArray]:
    """Return what each lag's Hadamard variance is held to be, {lag: (p,)}, from a record (n, p).

    `usual` is that of an ordinary pair, held before anything is seen. Each lag is an average of what was seen
    at it and of what the lag before it lets expect, weighed by their degrees of freedom.
    """
    out: dict[int, FloatArray] = {}
    held, worth = np.full(y.shape[1], usual), _PRIOR_FREEDOM / 2.0
    for lag in LAGS:
        count = len(y) - 3 * lag + 1
        if count >= 3 * lag:  # fewer are too few, and the beginning of a drift would be in all of them
            freedom = count / (1.5 * lag)
            held = (worth * held + freedom * hadamard_variance(y, lag)) / (worth + freedom)
        out[lag] = held
        held, worth = held * GROWTH, _PRIOR_FREEDOM
    return out


@lru_cache(maxsize=8)
def flicker_level(lag: int) -> float:
    """Return the Hadamard variance of 1/f noise of rms 1 between 1 s and 4.5 h, in minutes' means."""
    weights = np.concatenate([np.full(lag, 1.0), np.full(lag, -2.0), np.full(lag, 1.0)]) / lag
    covariance = flicker_covariance(np.arange(3.0 * lag))
    return float(weights @ covariance @ weights / 6.0)
