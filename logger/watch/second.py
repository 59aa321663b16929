"""What a detector sees: one second of the soak, the minutes so far, and what it may say about them."""

from __future__ import annotations

import itertools
import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from logger.blocks import FloatArray
from logger.finding import Kind, Severity


@dataclass(slots=True)
class Second:
    """One second: lists run over the pairs; what does not exist is NaN.

    `t_s` the second's start, `closed_s` the time of the scan that closed it, `state` and `on_s` (seconds
    of HT since the warm-up began, NaN while it is off), `masked` pairs whose current is not to be judged
    because a finding says that they dropped, railed or are not measured.
    """

    t_s: int
    closed_s: float
    state: str
    on_s: float
    n: list[int]
    current_a: list[float]
    least_a: list[float]
    greatest_a: list[float]
    ht_v: float
    mains_v: float
    temperatures: list[tuple[str, float]]
    dissipation_pct: list[float]
    masked: list[bool]
    minute_closed: bool = False

    @property
    def powered(self) -> bool:
        """Whether HT is on."""
        return not math.isnan(self.on_s)


@dataclass
class Minutes:
    """The soak by the minute, powered seconds only: what slow detectors and the verdict read.

    Each list has one entry a closed minute with at least a third of its readings usable in any pair.
    `t_min`: mean time, minutes since the first scan; `current_a` (pairs) NaN where a pair had fewer.
    `scans_per_s` below 1 leaves seconds empty by right.
    """

    pairs: int
    scans_per_s: float = 1.0
    t_min: list[float] = field(default_factory=list)
    on_min: list[float] = field(default_factory=list)
    state: list[str] = field(default_factory=list)
    current_a: list[list[float]] = field(default_factory=list)
    mains_v: list[float] = field(default_factory=list)
    ht_v: list[float] = field(default_factory=list)
    _now: int = -1
    _t: float = 0.0
    _on: float = 0.0
    _seconds: int = 0
    _sums: list[float] = field(default_factory=list)
    _counts: list[int] = field(default_factory=list)
    _mains: list[float] = field(default_factory=lambda: [0.0, 0.0])
    _ht: list[float] = field(default_factory=lambda: [0.0, 0.0])
    _state: str = ""

    def add(self, second: Second) -> bool:
        """Take in a second; True when it closed the minute before it."""
        minute = second.t_s // 60
        closed = False
        if minute != self._now:
            closed = self._close()
            self._now = minute
        if second.powered:
            self._t += second.t_s + 0.5
            self._on += second.on_s
            self._seconds += 1
            self._state = second.state
            for j, value in enumerate(second.current_a):
                if value == value and not second.masked[j]:
                    self._sums[j] += value
                    self._counts[j] += 1
            for sums, value in ((self._mains, second.mains_v), (self._ht, second.ht_v)):
                if value == value:
                    sums[0] += value
                    sums[1] += 1
        return closed

    def _close(self) -> bool:
        least = 20.0 * min(1.0, self.scans_per_s)
        enough = bool(self._counts) and max(self._counts) >= least
        if enough:
            nan = math.nan
            self.t_min.append(self._t / self._seconds / 60.0)
            self.on_min.append(self._on / self._seconds / 60.0)
            self.state.append(self._state)
            self.current_a.append(
                [s / c if c >= least else nan for s, c in zip(self._sums, self._counts, strict=True)]
            )
            self.mains_v.append(self._mains[0] / self._mains[1] if self._mains[1] else nan)
            self.ht_v.append(self._ht[0] / self._ht[1] if self._ht[1] else nan)
        self._t, self._on, self._seconds = 0.0, 0.0, 0
        self._sums, self._counts = [0.0] * self.pairs, [0] * self.pairs
        self._mains, self._ht = [0.0, 0.0], [0.0, 0.0]
        return enough

    def __len__(self) -> int:
        return len(self.t_min)

    def currents(self, first: int = 0) -> FloatArray:
        """Return the currents from a minute on, (n, pairs)."""
        return np.array(self.current_a[first:], dtype=np.float64).reshape(-1, self.pairs)

    def since(self, t_min: float) -> int:
        """Return the index of the first minute at or after a time."""
        return int(np.searchsorted(np.array(self.t_min), t_min))


@dataclass(frozen=True)
class Claim:
    """What a detector holds: opened where it is new, extended where it stands. Times in seconds."""

    kind: Kind
    channels: tuple[str, ...]
    onset_s: float
    raised_s: float
    severity: Severity
    says: str
    advice: str = ""
    named: bool = True
    evidence: dict[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True)
class Clear:
    """A detector takes a claim back."""

    kind: Kind
    channels: tuple[str, ...]
    cleared_s: float


class Detector(Protocol):
    """Watches one soak, second by second; keeps its own bounded memory."""

    def update(self, second: Second) -> Sequence[Claim | Clear]:
        """Take in one second and say what changed."""
        ...


class Level:
    """A pair's level some seconds ago: the mean of 30 s that ended `lag_s` before the newest one.

    What is happening just now is not in it, and it stands still while nothing is added.
    """

    def __init__(self, lag_s: int) -> None:
        self._values: deque[float] = deque(maxlen=30 + lag_s)
        self._lag_s = lag_s
        self.value = math.nan

    def add(self, value: float) -> None:
        """Take in one second's mean."""
        self._values.append(value)
        count = len(self._values) - self._lag_s
        if count > 0:
            self.value = sum(itertools.islice(self._values, count)) / count

    def forget(self) -> None:
        """Begin anew."""
        self._values.clear()
        self.value = math.nan


def others_median(values: Sequence[float], masked: Sequence[bool]) -> float:
    """Return the median of the pairs that can be judged (mean of the middle two when even), or NaN."""
    good = sorted(v for v, m in zip(values, masked, strict=True) if not m and v == v)
    if not good:
        return math.nan
    middle = len(good) // 2
    return good[middle] if len(good) % 2 else (good[middle - 1] + good[middle]) / 2.0


def own_movement(currents: FloatArray) -> FloatArray:
    """Return each pair's own relative movement (n, p) in a window of currents (n, p).

    What all do together is supply, mains, bias or room: the median of the pairs' relative change is
    taken out. With two pairs it is the change against the other; with one nothing can be taken out.
    NaN where a pair has none.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        log = np.log(np.where(currents > 0, currents, np.nan))
    have = ~np.isnan(log)
    count = have.sum(axis=0)
    level = np.where(count > 0, np.nansum(log, axis=0) / np.maximum(count, 1), np.nan)
    change = log - level
    usable = count >= max(2, 0.5 * len(log))
    pairs = int(usable.sum())
    if pairs <= 1:
        return np.asarray(change, dtype=np.float64)
    if pairs == 2:
        a, b = np.flatnonzero(usable)
        own = np.full_like(change, np.nan)
        own[:, a] = change[:, a] - change[:, b]
        own[:, b] = -own[:, a]
        return own
    ranked = np.sort(np.where(usable, change, np.nan), axis=1)  # NaN last
    valid = (~np.isnan(ranked)).sum(axis=1)
    rows = np.arange(len(ranked))
    low = ranked[rows, np.maximum((valid - 1) // 2, 0)]
    high = ranked[rows, np.minimum(valid // 2, ranked.shape[1] - 1)]
    common = np.where(valid > 0, (low + high) / 2.0, np.nan)
    return np.asarray(change - common[:, None], dtype=np.float64)
