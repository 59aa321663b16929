"""The ideal detector: how soon a fault could be called by one that knows all but whether it is there.

It is told the noise-free run with and without the fault, the noise's covariance (1/f of the case's own level
and exponent, and the converter's), and when the fault would begin; only the pair's level beyond the run is
free. Then nothing beats the likelihood ratio (Neyman and Pearson 1933). Its price is that of the goal, one
false alarm per 1,000 pair-hours: told one possible beginning an hour and stopping where the ratio passes
1,000, it errs at most once per 1,000 hours, since a likelihood ratio is a martingale of mean 1 where there is
no fault (Ville 1939). Nothing is simulated to set the threshold.

For drift the null is not silence but half the limit, which may not be called: the ratio is between the
fault's own size and half the limit. For a runaway the null is a healthy pair. The other kinds have no bound:
a mismatch and what is unsettled are levels and not changes, and a drop-out takes two scans in any noise.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np

from logger.blocks import FloatArray

PRICE_H: Final = 1000.0
"""Pair-hours between false alarms."""

FLICKER_S: Final = 16_384
"""Flicker is stated as its rms between 2 s and this."""

_BEFORE_BINS: Final = 60
_FREE: Final = 1e4  # variance of the level, in times that of the flicker: nothing is known of it


class Ideal:
    """The likelihood ratio between two courses of one pair, bin by bin, its level being free.

    `fault`, `null` (n,) what each adds to the run without a fault, free of noise; `covariance` (n, n) of the
    noise; `onset` the first bin that may hold the fault; `bin_s` how long a bin is.
    """

    def __init__(
        self, fault: FloatArray, null: FloatArray, covariance: FloatArray, onset: int, bin_s: float
    ) -> None:
        self._factor = np.linalg.cholesky(covariance + _FREE * covariance[0, 0])
        self._null, self._onset, self._bin_s = null, onset, bin_s
        self._apart = self._whitened(fault - null)

    def delay_s(self, y: FloatArray) -> float:
        """Return when the ratio passes, from the onset; NaN where it never does.

        `y` (n,): what is seen, less the run without a fault.
        """
        white = self._whitened(y - self._null)
        ratio = np.cumsum(self._apart * white - 0.5 * self._apart**2)
        passed = np.flatnonzero(ratio[self._onset :] > math.log(PRICE_H))
        return float(passed[0] + 1) * self._bin_s if len(passed) else math.nan

    def _whitened(self, x: FloatArray) -> FloatArray:
        from scipy.linalg import solve_triangular

        return np.asarray(solve_triangular(self._factor, x, lower=True))


def standard_uncertainty(shape: FloatArray, covariance: FloatArray) -> float:
    """Return that of the size of a known shape, seen under this noise beside an unknown level."""
    free = covariance + _FREE * covariance[0, 0]
    return float(1.0 / math.sqrt(max(float(shape @ np.linalg.solve(free, shape)), 1e-300)))


def flicker_covariance(bins: int, bin_s: int, exponent: float) -> FloatArray:
    """Return the covariance (bins, bins) of means over `bin_s` of flicker of rms 1.

    Power as f**-exponent between 1/16384 and 1/2 Hz, a value a second. At most `FLICKER_S` in all.
    """
    means = _bin_covariance(bin_s, exponent)[:bins]
    lag = np.abs(np.arange(bins)[:, None] - np.arange(bins)[None, :])
    return np.asarray(means[lag])


@lru_cache(maxsize=64)
def _bin_covariance(bin_s: int, exponent: float) -> FloatArray:
    """Return the covariance of two bins' means by their distance, in bins."""
    power = np.zeros(FLICKER_S // 2 + 1)
    power[1:] = np.arange(1, FLICKER_S // 2 + 1, dtype=np.float64) ** -exponent
    by_lag = np.fft.irfft(power)
    by_lag /= by_lag[0]
    overlap = (bin_s - np.abs(np.arange(-bin_s + 1, bin_s))) / bin_s**2
    round_about = np.concatenate([by_lag[-bin_s + 1 :], by_lag])
    smooth = np.convolve(round_about, overlap, mode="valid")
    return np.asarray(smooth[::bin_s])


def binned(x: FloatArray, first_s: int, bins: int, bin_s: int) -> FloatArray:
    """Return means (bins, ...) over bins of a row a second from `first_s` on, empty seconds left out."""
    rows = x[first_s : first_s + bins * bin_s].reshape(bins, bin_s, *x.shape[1:])
    return np.asarray(np.nanmean(rows, axis=1))
