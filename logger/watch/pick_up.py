"""Noise and clicks on all channels at once: a charger, a dimmer, a contactor, and no fault of a pair."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from logger.blocks import FloatArray
from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.intermittent import mean_range
from logger.watch.seconds import BIN_S, MINUTE_S, BoolArray, Claim, Clear, Events, Said, Seconds, median

_LOUD: Final = 3.0
_QUIET: Final = 2.0
_SHARE: Final = 0.75
"""Of the pairs: a channel that is shielded better may stay quiet."""
_LOUD_BINS: Final = 3
_QUIET_BINS: Final = 6
_CLICK: Final = 8.0  # as for the finding `intermittent`
_CLICK_LEAST: Final = 0.015
_SAME: Final = 0.05
_LEAST_A: Final = 0.002  # below it a pair draws nothing to speak of
_TOGETHER: Final = 3.0
_WEIGHT: Final = 0.3
_FROM_S: Final = 180
_HT_OFF = ("off", "standby", "cooling", "bring-up")


class PickUp:
    """How far the scans of a second are apart on all pairs together, against what they usually are.

    Three pairs of four (of two both) more than three times as unsteady as usual, in three bins of 10 s
    running, with no more in common than chance lets them have, is one remark, and ends when they are less
    than twice for a minute: the figures grow less sure by themselves, and no pair is blamed. A lone second in
    which every pair has a scan eight times as far off as usual, and stands where it stood before and after,
    is a click: counted, nothing said. Learns the usual unsteadiness at the ends of minutes, from bins that
    are not loud, from 3 minutes of HT on (one-pole filter of the medians, some 100 s of memory). Not with one
    pair. Delay: 30 to 40 s. Price: a remark.
    """

    def __init__(self, setup: Setup) -> None:
        self._names = tuple(c.name for c in setup.pairs)
        self._scans = setup.link.scans_per_s
        pairs = len(self._names)
        self._usual = np.full(pairs, np.nan)
        self._minute = np.full((MINUTE_S, 2 * pairs), np.nan)
        """Of the running minute's seconds: how far scans are apart, and means."""
        self._seen: list[FloatArray] = []
        """How far they were apart in the minute's bins, where those were not loud."""
        self._loud = self._calm = 0
        self._open = False
        self._since_s = 0.0
        self.clicks = 0
        """Clicks so far."""
        self._before = np.full(pairs, np.nan)
        self._clicked: FloatArray | None = None
        """Where the pairs stood before a second that may have been a click."""
        self._last = np.full(pairs, np.nan)

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch."""
        if len(self._names) < 2:
            return []
        if not seconds.powered or seconds.state in _HT_OFF or seconds.state == "under signal":
            self._clicked, self._last[:] = None, np.nan
            return self._end(seconds, 0) if self._open else []
        apart = self._apart(seconds)
        self._count_clicks(seconds, apart)
        place = int(seconds.on_s[0]) % MINUTE_S
        self._minute[place : place + len(seconds)] = np.hstack([apart, seconds.current_a])
        if not seconds.bins:
            return []
        first = (place + seconds.bins[0][0]) // BIN_S
        rows = slice(first * BIN_S, (first + len(seconds.bins)) * BIN_S)
        bins = self._minute[rows].reshape(-1, BIN_S, 2 * len(self._names))
        middles = _medians(bins[:, :, : len(self._names)])
        out: list[tuple[int, Said]] = []
        with np.errstate(invalid="ignore"):
            calm = not self._open and not (middles > _LOUD * self._usual).any()
        if calm:  # mostly
            self._loud = self._calm = 0
            self._seen.extend(middles)
        else:
            for (row, _), values, middle in zip(seconds.bins, bins, middles, strict=True):
                out += self._look(seconds, row, values, middle)
        if place + len(seconds) == MINUTE_S:
            self._learn(seconds.on_end_s)
        return out

    def _learn(self, on_s: float) -> None:
        """Take in how far scans are usually apart, at a minute's end."""
        seen, self._seen = self._seen, []
        if on_s < _FROM_S - 1 or not seen:
            return
        now = np.array([median(column) for column in np.array(seen).T])
        new = np.where(now == now, self._usual + _WEIGHT * (now - self._usual), self._usual)
        self._usual = np.where(self._usual == self._usual, new, now)

    def _apart(self, seconds: Seconds) -> FloatArray:
        """Return how far the scans of each second are apart; with one scan a second, two seconds' (n, p)."""
        before = np.vstack([self._last, seconds.current_a[:-1]])
        self._last = seconds.current_a[-1]
        steps = np.abs(seconds.current_a - before)
        apart = np.where(seconds.n > 1, seconds.greatest_a - seconds.least_a, steps)
        return np.where(seconds.masked, np.nan, apart)

    def _look(
        self, seconds: Seconds, row: int, values: FloatArray, apart: FloatArray
    ) -> list[tuple[int, Said]]:
        known = (apart == apart) & (self._usual == self._usual)
        with np.errstate(invalid="ignore"):
            loud = bool(known.any()) and (apart > _LOUD * self._usual)[known].mean() >= _SHARE
            calm = bool(known.any()) and (apart < _QUIET * self._usual)[known].mean() >= _SHARE
        if known.sum() < 2:
            loud = False
        elif loud:
            level = np.fmax(_medians(values[None, :, len(known) :])[0], _LEAST_A)
            loud = self._together(values, known, level) <= self._by_chance(known, apart / level)
        if not loud and not self._open:
            self._seen.append(apart)
        self._loud = self._loud + 1 if loud else 0
        self._calm = self._calm + 1 if calm else 0
        if self._open:
            return self._end(seconds, row) if self._calm >= _QUIET_BINS else []
        if self._loud < _LOUD_BINS:
            return []
        self._open = True
        ratio = float(np.median((apart / self._usual)[known]))
        return [
            (
                row,
                Claim(
                    Kind.MEASURING_FAULT,
                    self._names,
                    float(seconds.t_s[row]) + 1.0 - BIN_S * _LOUD_BINS,
                    float(seconds.closed_s[row]),
                    Severity.REMARK,
                    f"all channels are {ratio:.0f} times as noisy as usual: a charger, a dimmer or a radio "
                    "nearby, not the pairs",
                    "Find what was switched on. The figures stand, less sure.",
                    named=False,
                    evidence={"times": ratio},
                ),
            )
        ]

    def _together(self, values: FloatArray, known: BoolArray, level: FloatArray) -> float:
        """Return how far the pairs' median moved within the bin, relative: signal does, or the supply."""
        with np.errstate(invalid="ignore"):
            middle = np.median((values[:, len(known) :] / level)[:, known], axis=1)
        return float(np.ptp(middle[middle == middle])) if (middle == middle).any() else 0.0

    def _by_chance(self, known: BoolArray, apart: FloatArray) -> float:
        """Return how far the median of pairs, noisy each by itself, may move within the bin, relative."""
        scan = float(np.median(apart[known])) / mean_range(max(2, round(self._scans)))
        # a median's standard error is 1.25 times a mean's; d2 makes a range of it
        return _TOGETHER * mean_range(BIN_S) * 1.25 * scan / math.sqrt(max(1.0, self._scans) * known.sum())

    def _end(self, seconds: Seconds, row: int) -> list[tuple[int, Said]]:
        self._open, self._loud, self._calm = False, 0, 0
        return [(row, Clear(Kind.MEASURING_FAULT, self._names, float(seconds.closed_s[row])))]

    def _count_clicks(self, seconds: Seconds, apart: FloatArray) -> None:
        level = seconds.current_a
        with np.errstate(invalid="ignore"):
            jerk = apart > np.maximum(_CLICK * self._usual, _CLICK_LEAST * level)
        all_jerk: BoolArray = np.asarray(jerk.all(axis=1) & (seconds.n > 1).all(axis=1))
        if self._clicked is None and not all_jerk.any():
            self._before = level[-1]
            return
        for row in range(len(seconds)):
            if self._clicked is not None:
                moved = np.abs(level[row] / self._clicked - 1.0)
                self.clicks += bool(not all_jerk[row] and (moved < _SAME).all())
                self._clicked = None
            elif all_jerk[row]:
                self._clicked = self._before
            self._before = level[row]


def _medians(values: FloatArray) -> FloatArray:
    """Return the lower medians of (b, n, p) over n of what is there, NaN where fewer than half is."""
    ranked = np.sort(values, axis=1)  # NaN last
    count = (ranked == ranked).sum(axis=1)
    middle = np.take_along_axis(ranked, np.maximum((count - 1) // 2, 0)[:, None], axis=1)[:, 0]
    return np.where(2 * count >= values.shape[1], middle, np.nan)
