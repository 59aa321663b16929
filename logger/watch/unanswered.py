"""A pair that falls at once while neither HT nor the others answer: a meter on it, for `measuring fault`.

A pair that draws less loads the supply less, so that HT rises, and with it the others; a meter clipped across
the sense resistor, or a lead that takes some of the current elsewhere, changes only what is read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.blocks import FloatArray
from logger.watch.seconds import BoolArray, Seconds

FELL: Final = 0.08
"""The least fall that is looked at: a smaller one moves the supply by less than its own wandering."""

_REGULATION: Final = 0.05  # of HT, when the whole idle current goes: common practice, no source
_UNANSWERED: Final = 0.25  # of what that lets expect
_SURE: Final = 3.0
_SUPPLY: Final = 0.01  # where HT or the others fall by so much themselves, it is the supply
_WINDOW_S: Final = 10
_JUMP_S: Final = 2
_KEPT_S: Final = 150
_LEAST: Final = 3  # readings to a window
_LEAST_A: Final = 0.002  # a pair that draws less can't fall
_STEADY: Final = 0.3  # of the fall: how far the readings of a window may be apart
_GAIN: Final = 1.5  # how a current goes with the mains: Child's law, as in `settling`


@dataclass(frozen=True)
class Fall:
    """A pair fell from one level to another, in A, some `ago_s` ago, and nothing answered."""

    before_a: float
    after_a: float
    ago_s: int


class Unanswered:
    """Holds the last 10 s against 10 s before a jump of 2 s, second by second, where a pair fell.

    Expects HT and the others to rise by 5 % of the share of all current that the fall took away, mains taken
    out; says that they didn't where both rose by less than a quarter of that, and where what is missing is
    three times what they did by themselves in the two minutes before. Keeps 150 s of readings.
    """

    def __init__(self, pairs: int) -> None:
        self._pairs = pairs
        self._rows: FloatArray = np.empty((0, pairs + 3))

    def clear(self) -> None:
        """Forget everything: HT was off."""
        self._rows = self._rows[:0]

    def quiet(self, seconds: Seconds) -> bool:
        """Whether no pair stands so far below where it stood lately that a fall could be found."""
        recent = self._rows[-(2 * _WINDOW_S + _JUMP_S) :, 3:]
        rows = np.vstack([recent, seconds.current_a])
        rows = np.where(rows == rows, rows, -np.inf)
        most = np.maximum.accumulate(rows, axis=0)
        return not ((rows < (1.0 - FELL) * most) & (rows > 0.0))[len(recent) :].any()

    def note(self, seconds: Seconds) -> None:
        """Take in a stretch."""
        new = np.column_stack([seconds.t_s, seconds.ht_v, seconds.mains_v, seconds.current_a])
        new = new[(seconds.current_a == seconds.current_a).any(axis=1)]  # a slow bench leaves seconds empty
        rows = np.vstack([self._rows, new])
        if not len(rows):
            return
        self._rows = rows[rows[:, 0] > rows[-1, 0] - _KEPT_S]

    def found(self, masked: BoolArray) -> dict[int, Fall]:
        """Return the falls that lie a window before the newest second, by pair."""
        rows = self._rows
        if len(rows) < 2 * _LEAST:
            return {}
        now_s = rows[-1, 0] + 1.0
        after = rows[rows[:, 0] >= now_s - _WINDOW_S]
        until_s = now_s - _WINDOW_S - _JUMP_S
        before = rows[(rows[:, 0] >= until_s - _WINDOW_S) & (rows[:, 0] < until_s)]
        was, now = _means(before), _means(after)
        left = now[3:] / np.where(was[3:] > _LEAST_A, was[3:], np.nan)
        out = {}
        for j in np.flatnonzero((left < 1.0 - FELL) & ~masked):
            fell_a = was[3 + j] - now[3 + j]
            apart_a = max(_range(before[:, 3 + j]), _range(after[:, 3 + j]))
            if apart_a < _STEADY * fell_a and self._silent(int(j), rows[rows[:, 0] < until_s], was, now):
                out[int(j)] = Fall(float(was[3 + j]), float(now[3 + j]), _WINDOW_S + _JUMP_S // 2)
        return out

    def _silent(self, j: int, past: FloatArray, was: FloatArray, now: FloatArray) -> bool:
        share = (was[3 + j] - now[3 + j]) / np.nansum(was[3:])
        expected = _REGULATION * share
        telling = False
        for course, moved in ((_ht(past), _ht(np.array([was, now]))), (self._rest(past, j), None)):
            change = self._rest(np.array([was, now]), j) if moved is None else moved
            if not float(change[0]) > 0.0 or math.isnan(float(change[1])):
                continue
            answer = float(change[1] / change[0]) - 1.0
            if not -_SUPPLY < answer < _UNANSWERED * expected:
                return False
            telling = telling or (1.0 - _UNANSWERED) * expected > _SURE * _wander(past[:, 0], course)
        return telling

    def _rest(self, rows: FloatArray, j: int) -> FloatArray:
        """Return the other pairs' median against the first row, as mains taken out, (n,)."""
        rest = np.delete(rows[:, 3:], j, axis=1)
        if not rest.size:
            return np.full(len(rows), np.nan)
        course = _middle(rest / np.where(rest[0] > _LEAST_A, rest[0], np.nan))
        mains = _fed(rows)
        return course if mains is None else course / (mains / mains[0]) ** _GAIN


def _ht(rows: FloatArray) -> FloatArray:
    """Return HT over the mains where they are measured, (n,)."""
    mains = _fed(rows)
    return rows[:, 1] if mains is None else rows[:, 1] / mains


def _fed(rows: FloatArray) -> FloatArray | None:
    """Return the mains, (n,), or None where they were not read throughout."""
    return rows[:, 2] if len(rows) and (rows[:, 2] > 0.0).all() else None


def _means(rows: FloatArray) -> FloatArray:
    """Return columns' means, NaN where there are too few readings."""
    good = rows == rows
    count = good.sum(axis=0)
    sums = np.where(good, rows, 0.0).sum(axis=0)
    return np.where(count >= _LEAST, sums / np.maximum(count, 1), np.nan)


def _middle(rows: FloatArray) -> FloatArray:
    """Return rows' medians, of what is there in every row."""
    ranked = np.sort(rows[:, (rows == rows).all(axis=0)], axis=1)
    middle = ranked.shape[1] // 2
    if not ranked.shape[1]:
        return np.full(len(rows), np.nan)
    return np.asarray((ranked[:, middle] + ranked[:, -1 - middle]) / 2.0)


def _range(values: FloatArray) -> float:
    return float(np.nanmax(values) - np.nanmin(values))


def _wander(t_s: FloatArray, course: FloatArray) -> float:
    """Return the rms of what a course does by itself from one window to the next; infinite if not known."""
    bins = ((t_s[-1] - t_s) // (_WINDOW_S + _JUMP_S)).astype(np.int64) if len(t_s) else np.empty(0, np.int64)
    good = course == course
    means = [
        float(course[good & (bins == b)].mean()) for b in range(10) if (good & (bins == b)).sum() >= _LEAST
    ]
    if len(means) < 4:
        return math.inf
    steps = np.diff(means) / np.mean(means)
    return float(np.sqrt((steps**2).mean()))
