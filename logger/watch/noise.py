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
    return _Record(y).variance(lag)


class _Record:
    """A record (n, p) by its running sums, from which the second differences of any lag are had."""

    def __init__(self, y: FloatArray) -> None:
        self._n, self._p = y.shape
        missing = np.isnan(y)
        self._sums = np.zeros((self._n + 1, self._p))
        np.cumsum(np.where(missing, 0.0, y) if missing.any() else y, axis=0, out=self._sums[1:])
        self._holes: Int64Array | None = None
        if missing.any():
            self._holes = np.zeros((self._n + 1, self._p), dtype=np.int64)
            np.cumsum(missing, axis=0, out=self._holes[1:])

    def squares(self, lag: int) -> FloatArray:
        """Return the squared second differences of neighbouring means, (n - 3 lag + 1, p), or none."""
        if self._n < 3 * lag:
            return np.empty((0, self._p))
        sums = self._sums
        third = sums[3 * lag :] - sums[: -3 * lag] - 3.0 * (sums[2 * lag : -lag] - sums[lag : -2 * lag])
        return np.asarray(third * third / (lag * lag), dtype=np.float64)

    def seen(self, lag: int) -> NDArray[np.bool_] | None:
        """Return which of those have no NaN in them, like `squares`; None where all have none."""
        return None if self._holes is None else self._holes[3 * lag :] == self._holes[: -3 * lag]

    def variance(self, lag: int) -> FloatArray:
        """Return the Hadamard variance, (p,): NaN where there is none, or something is missing."""
        squares = self.squares(lag)
        if not len(squares):
            return np.full(self._p, np.nan)
        seen = self.seen(lag)
        if seen is not None:
            squares[~seen] = np.nan
        return np.asarray(squares.mean(axis=0) / 6.0, dtype=np.float64)


def levels(y: FloatArray, usual: float) -> dict[int, FloatArray]:
    """Return what each lag's Hadamard variance is held to be, {lag: (p,)}, from a record (n, p).

    `usual` is that of an ordinary pair, held before anything is seen. Each lag is an average of what was seen
    at it and of what the lag before it lets expect, weighed by their degrees of freedom.
    """
    record = _Record(y)
    out: dict[int, FloatArray] = {}
    held, worth = np.full(y.shape[1], usual), _PRIOR_FREEDOM / 2.0
    for lag in LAGS:
        count = len(y) - 3 * lag + 1
        if count >= 3 * lag:  # fewer are too few, and the beginning of a drift would be in all of them
            freedom = count / (1.5 * lag)
            held = (worth * held + freedom * record.variance(lag)) / (worth + freedom)
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
    record = _Record(y)
    out: dict[int, FloatArray] = {}
    held: FloatArray = np.full((len(begins), p), usual)
    worth = _PRIOR_FREEDOM / 2.0
    for lag in LAGS:
        squares = record.squares(lag)
        if len(squares):
            seen = record.seen(lag)
            if seen is None:
                count = _summed(np.ones((len(squares), 1)), begins, n, lag)
            else:
                count = _summed(seen, begins, n, lag)
                squares *= seen
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
