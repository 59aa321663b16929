"""How unsteady a pair is over a given time: the noise measure of the drift finding.

The overlapping Hadamard variance (NIST SP 1065, Riley 2008, section 5.2.9): a sixth of the mean square of
second differences of neighbouring means. A steady drift leaves it alone, and for power-law noise it says
what a slope over that time is worth, whatever the noise's colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from logger.blocks import FloatArray, Int64Array
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
    second = _second_differences(y, lag)
    if not len(second):
        return np.full(y.shape[1], np.nan)
    return np.asarray((second**2).mean(axis=0) / 6.0, dtype=np.float64)


def _second_differences(y: FloatArray, lag: int) -> FloatArray:
    """Return those of neighbouring means of `lag` samples, (n - 3 lag + 1, p), or none."""
    if len(y) < 3 * lag:
        return np.empty((0, y.shape[1]))
    if np.isnan(y).any():
        means = sliding_window_view(y, lag, axis=0).mean(axis=-1)
    else:
        sums = np.vstack([np.zeros(y.shape[1]), np.cumsum(y, axis=0)])
        means = (sums[lag:] - sums[:-lag]) / lag
    return np.asarray(means[2 * lag :] - 2.0 * means[lag:-lag] + means[: -2 * lag], dtype=np.float64)


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


def levels_beside(y: FloatArray, usual: FloatArray, widths: Sequence[int]) -> dict[int, FloatArray]:
    """Return the same beside each of several windows at a record's end, {lag: (w, p)}, from (n, p).

    `widths`: of so many samples, at most n. Those second differences count that lie whole before a window or
    whole within: what began to move with it is in none of them. NaN in the record leaves out what it touches.
    `usual` (p,).
    """
    n, p = y.shape
    begins = n - np.array(widths)
    out: dict[int, FloatArray] = {}
    held: FloatArray = np.full((len(begins), p), usual)
    worth = _PRIOR_FREEDOM / 2.0
    for lag in LAGS:
        squares = _second_differences(y, lag) ** 2
        if len(squares):
            seen = ~np.isnan(squares)
            count = _summed(seen, begins, n, lag)
            squares = np.where(seen, squares, 0.0)
            mean = _summed(squares, begins, n, lag) / np.maximum(6.0 * count, 1.0)
            freedom = count / (1.5 * lag)
            held = (worth * held + freedom * mean) / (worth + freedom)
        out[lag] = held
        held, worth = held * GROWTH, _PRIOR_FREEDOM
    return out


def _summed(x: FloatArray | NDArray[np.bool_], begins: Int64Array, n: int, lag: int) -> FloatArray:
    """Sum what ended before each window and what lies whole in it: (w, p) from (n - 3 lag + 1, p)."""
    ends = np.zeros((n + 1, x.shape[1]))
    np.cumsum(x, axis=0, out=ends[3 * lag :])
    first = np.minimum(begins + 3 * lag - 1, n)
    return np.asarray(ends[begins] + ends[n] - ends[first], dtype=np.float64)


@lru_cache(maxsize=8)
def flicker_level(lag: int) -> float:
    """Return the Hadamard variance of 1/f noise of rms 1 between 1 s and 4.5 h, in minutes' means."""
    weights = np.concatenate([np.full(lag, 1.0), np.full(lag, -2.0), np.full(lag, 1.0)]) / lag
    covariance = flicker_covariance(np.arange(3.0 * lag))
    return float(weights @ covariance @ weights / 6.0)
