"""What a detector sees: a stretch of seconds, the ten-second bins and minutes so far, and what it may say.

Everything slow is learnt at the ends of bins and minutes that are counted from HT on, from all their
seconds at once: so nothing depends on the blocks in which the seconds came.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from logger.blocks import FloatArray, Int32Array, Int64Array
from logger.finding import Kind, Severity

BoolArray = NDArray[np.bool_]

MINUTE_S: Final = 60
BIN_S: Final = 10
_TENS_KEPT: Final = 1440  # four hours; a runaway's noise is learnt from the last three


@dataclass(frozen=True)
class Seconds:
    """A stretch of seconds, at most a minute: arrays over time (n,) or over time and pairs (n, p).

    In one stretch the amp's `state`, whether HT is on (`powered`) and which pairs are not to be judged
    (`masked` (p,): a finding says that they dropped, railed or are not measured) are the same. `t_s` the
    seconds' starts, `closed_s` the times of the scans that closed them, `on_s` seconds of HT since the
    warm-up began, NaN while it is off. What does not exist is NaN. `bins`: (row, index) of each bin of
    `Tens` that ends in the stretch. `closes_minute`: the last row ends a minute of HT that was seen
    well enough to be in `Minutes`.
    """

    t_s: Int64Array
    closed_s: FloatArray
    on_s: FloatArray
    n: Int32Array
    current_a: FloatArray
    least_a: FloatArray
    greatest_a: FloatArray
    ht_v: FloatArray
    mains_v: FloatArray
    bias_v: FloatArray
    temperatures_c: FloatArray
    dissipation_pct: FloatArray
    state: str
    powered: bool
    masked: BoolArray
    bins: Sequence[tuple[int, int]] = ()
    closes_minute: bool = False

    def __len__(self) -> int:
        return len(self.t_s)

    @property
    def end_s(self) -> float:
        """The time of the scan that closed the last second."""
        return float(self.closed_s[-1])

    @property
    def on_end_s(self) -> float:
        """Seconds of HT at the last second."""
        return float(self.on_s[-1])


class _Rows:
    """Rows of numbers that grow, read as one array; before the newest `kept` there may be zeros instead."""

    def __init__(self, columns: int, kept: int | None = None) -> None:
        self._rows: FloatArray = np.empty((64, columns))
        self._n = 0
        self._kept = kept

    def add(self, rows: FloatArray) -> None:
        n = self._n + len(rows)
        if n > len(self._rows):
            # Zeros that nobody has written take no room.
            grown = np.zeros((max(n, len(self._rows) * 9 // 8), self._rows.shape[1]))
            first = 0 if self._kept is None else max(0, self._n - self._kept)
            grown[first : self._n] = self._rows[first : self._n]
            self._rows = grown
        self._rows[self._n : n] = rows
        self._n = n

    def __len__(self) -> int:
        return self._n

    @property
    def rows(self) -> FloatArray:
        return self._rows[: self._n]


class _Record:
    """What bins and minutes have in common: pairs, HT, mains, bias, then two times."""

    def __init__(self, pairs: int, kept: int | None = None) -> None:
        self.pairs = pairs
        self._rows = _Rows(pairs + 5, kept)

    def __len__(self) -> int:
        return len(self._rows)

    def _column(self, after_pairs: int) -> FloatArray:
        return self._rows.rows[:, self.pairs + after_pairs]

    @property
    def ht_v(self) -> FloatArray:
        """HT, (n,)."""
        return self._column(0)

    @property
    def mains_v(self) -> FloatArray:
        """Mains, (n,)."""
        return self._column(1)

    @property
    def bias_v(self) -> FloatArray:
        """The bias supply, (n,)."""
        return self._column(2)


class Tens(_Record):
    """The soak in bins of ten seconds of HT: means of what could be judged, NaN where nothing could.

    What lies more than four hours back may be zeros: nobody looks that far. Bins that HT's end cut short are
    not in it.
    """

    def __init__(self, pairs: int) -> None:
        super().__init__(pairs, _TENS_KEPT)

    def add(
        self, t_s: FloatArray, current_a: FloatArray, others: Sequence[FloatArray], on_s: FloatArray
    ) -> None:
        """Take in whole bins: (b,), (b, p), HT, mains and bias (b,), (b,)."""
        self._rows.add(np.column_stack([current_a, *others, t_s, on_s]))

    @property
    def current_a(self) -> FloatArray:
        """Pairs' means, (b, p)."""
        return self._rows.rows[:, : self.pairs]

    @property
    def t_s(self) -> FloatArray:
        """When each bin ended, seconds since the first scan, (b,)."""
        return self._column(3)

    @property
    def on_s(self) -> FloatArray:
        """When each bin ended, seconds of HT, (b,)."""
        return self._column(4)

    def unbroken(self, index: int, bins: int) -> bool:
        """Whether the `bins` that end with `index` follow on one another without a stop of HT."""
        first = index - bins + 1
        if first < 0:
            return False
        took = BIN_S * (bins - 1)
        # `on_s` stands still while HT is off for up to a minute, the time does not
        return bool(self.on_s[index] - self.on_s[first] == took and self.t_s[index] - self.t_s[first] == took)


class Minutes(_Record):
    """The soak by the minute of HT: what slow detectors and the verdict read.

    One entry a whole minute of HT with at least a third of its readings usable in any pair. `t_min`: mean
    time, minutes since the first scan; `on_min` minutes of HT; `current_a` (m, p) NaN where a pair had fewer.
    `scans_per_s` below 1 leaves seconds empty by right.
    """

    def __init__(self, pairs: int, scans_per_s: float = 1.0) -> None:
        super().__init__(pairs)
        self._least = 20.0 * min(1.0, scans_per_s)
        self.state: list[str] = []

    def add(
        self,
        t_s: FloatArray,
        on_s: FloatArray,
        current_a: FloatArray,
        usable: BoolArray,
        others: Sequence[FloatArray],
        state: str,
    ) -> bool:
        """Take in a whole minute (60 rows), HT, mains and bias in `others`; False where it was not seen."""
        count = usable.sum(axis=0)
        if not count.size or count.max() < self._least:
            return False
        sums = np.where(usable, current_a, 0.0).sum(axis=0)
        means = np.where(count >= self._least, sums / np.maximum(count, 1), np.nan)
        rest = [float(x[x == x].mean()) if (x == x).any() else math.nan for x in others]
        row = [*means, *rest, (float(t_s.mean()) + 0.5) / 60.0, (float(on_s.mean()) + 0.5) / 60.0]
        self._rows.add(np.array([row]))
        self.state.append(state)
        return True

    def currents(self, first: int = 0) -> FloatArray:
        """Return the currents from a minute on, (n, pairs)."""
        return self._rows.rows[first:, : self.pairs]

    @property
    def t_min(self) -> FloatArray:
        """Mean times, minutes since the first scan, (m,)."""
        return self._column(3)

    @property
    def on_min(self) -> FloatArray:
        """Mean times, minutes of HT, (m,)."""
        return self._column(4)

    def since(self, t_min: float) -> int:
        """Return the index of the first minute at or after a time."""
        return int(np.searchsorted(self.t_min, t_min))


@dataclass(frozen=True)
class Claim:
    """What a detector holds: opened where it is new, extended where it stands. Times in seconds.

    `again`: it came anew after HT had been off while it stood; what was acknowledged of it is no longer.
    """

    kind: Kind
    channels: tuple[str, ...]
    onset_s: float
    raised_s: float
    severity: Severity
    says: str
    advice: str = ""
    named: bool = True
    again: bool = False
    evidence: dict[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True)
class Withdraw:
    """What was claimed last, and turned out not to be so: it is as if it had never been said."""

    kind: Kind
    channels: tuple[str, ...]


@dataclass(frozen=True)
class Clear:
    """A detector takes a claim back."""

    kind: Kind
    channels: tuple[str, ...]
    cleared_s: float


@dataclass(frozen=True)
class Shifted:
    """A pair's level is another from `at_s` on (seconds since the first scan): not drift, and not to be
    averaged.

    `by_hand`: by all signs its bias was set.
    """

    pair: int
    at_s: float
    by_hand: bool


Said = Claim | Clear | Shifted
Events = Iterable[tuple[int, Said]]
"""The row of the stretch in which each was said, and what."""


@dataclass(frozen=True)
class Sight:
    """What a detector makes of one pair just now: `value` beside the `limit` from which on it would say so.

    `unit` of both; `what` the value is, in a few words. NaN where it has none now.
    """

    value: float
    limit: float
    unit: str
    what: str


class Seer(Protocol):
    """A detector that can say what it makes of a pair."""

    def sight(self, pair: int) -> Sight:
        """Return what it makes of it now."""
        ...


class Detector(Protocol):
    """Watches one soak, stretch by stretch; keeps its own bounded memory."""

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch and say what changed, in the order of time."""
        ...


def ewma(last: float, value: float, weight: float) -> float:
    """Return the exponentially weighted moving average after one more value (Roberts 1959)."""
    return last + weight * (value - last)


def others_median(values: Sequence[float], masked: Sequence[bool] | BoolArray) -> float:
    """Return the median of the pairs that can be judged (mean of the middle two when even), or NaN."""
    good = sorted(v for v, m in zip(values, masked, strict=True) if not m and v == v)
    if not good:
        return math.nan
    middle = len(good) // 2
    return good[middle] if len(good) % 2 else (good[middle - 1] + good[middle]) / 2.0


def median(values: FloatArray) -> float:
    """Return the median of what is there (the middle two's mean when even), or NaN; quick for few values."""
    good = sorted(v for v in values.tolist() if v == v)
    middle = len(good) // 2
    if not good:
        return math.nan
    return float(good[middle] if len(good) % 2 else (good[middle - 1] + good[middle]) / 2.0)


def own_change(change: FloatArray) -> FloatArray:
    """Return what is own in the pairs' relative changes (p,): against the median, or of two the other."""
    have = change == change
    if have.sum() < 2:
        return change
    if have.sum() == 2:
        a, b = np.flatnonzero(have)
        own = np.full_like(change, np.nan)
        own[a], own[b] = change[a] - change[b], change[b] - change[a]
        return own
    return np.asarray(change - float(np.median(change[have])))


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
