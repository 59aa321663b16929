"""`intermittent`: a contact that crackles, told from single scans and rated by the minute."""

from __future__ import annotations

import functools
import math
import re
from collections import deque
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.special import ndtr

from logger.blocks import FloatArray, Mark
from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import BIN_S, BoolArray, Claim, Clear, Events, Seconds, Sight

_AROUND_S: Final = 2 * BIN_S + 1
_KEPT_S: Final = 3 * BIN_S  # a bin is judged when its follower ends: a crackle comes back, a step does not
_LONGEST_S: Final = 5.0
_LEAST_READINGS: Final = 4
_QUIET_S: Final = 60.0  # of HT, in which no warning is raised
_FLOOR: Final = 0.02
"""Of the level: half the usual match limit. What crackles by less does not matter by itself."""
_SIGMAS: Final = 8.0
"""3 is Hampel's usual; at 100 scans a second noise alone would pass it 1,000 times an hour, and has tails."""
_QUIET_SIGMAS: Final = 4.0
_SPREADS: Final = 18  # bins of which the usual spread is taken: 3 minutes
_SAME_WAY: Final = 0.1
_AGAINST: Final = 0.35
"""How far the others may go along, of the pair's own, and how far the other way: a supply that gives by a
few per cent answers to a pair of two that loses half with up to a third. From memory, no source."""
_MAINS: Final = 0.01
_PER_MIN: Final = (1.0 / 60.0, 1.0)
"""Crackles a minute, at most, that a sound contact may seem to have, and that a bad one has: no source."""
_ALARM: Final = 3.0
_CLEAR_BINS: Final = 60
_TAP: Final = re.compile(r"\btap(s|ped|ping)?\b", re.IGNORECASE)
_TAP_S: Final = 120.0
_TAPPED_OUT: Final = 2  # one could have come by itself
_HT_OFF = ("off", "standby", "cooling")


def poisson_reference(acceptable: float, rejectable: float) -> float:
    """Return the CUSUM's reference value for counts between these two mean rates (Lucas 1985)."""
    return (rejectable - acceptable) / (math.log(rejectable) - math.log(acceptable))


def cusum(last: float, value: float, reference: float) -> float:
    """Return the upper one-sided CUSUM after one more value (Page 1954): never below zero."""
    return max(0.0, last + value - reference)


_REFERENCE: Final = poisson_reference(*_PER_MIN) * BIN_S / 60.0


@dataclass
class _Contact:
    """What one pair's contact did."""

    sum: float = 0.0
    times_s: list[float] = field(default_factory=list)
    """When it crackled, since the CUSUM left zero; while it is open, in the last minute."""
    first_s: float = math.nan
    count: int = 0
    worst: float = 0.0
    open: bool = False
    quiet_bins: int = 0
    said_s: float = -math.inf


class Intermittent:
    """Single scans far off the pair's level (Hampel 1974), counted by a Poisson CUSUM (Lucas 1985).

    A second crackles where its least or greatest scan is off the median of the 21 s around it by more
    than 2 % of the level and eight times the pair's usual scatter within a second (from ranges, Shewhart
    1931); seconds running are one crackle, if the pair is back within 5 s. What the other pairs or the mains
    show in that second too is a contactor's click, signal or the supply, and does not count; with one pair
    and no mains channel that can't be told. At one scan a second fewer than half of the crackles of 0.4 s
    are seen, at one in 5 s hardly any.
    Learns the scatter of the last 3 minutes at the ends of bins, never from bins that crackled. Said when
    the CUSUM of the counts per 10 s passes 3: the fourth crackle within four minutes. Delay: that and
    10 to 20 s. Clears 10 minutes after the last one. After a mark that says that somebody tapped ("tapped
    V5"), two crackles of one pair within 2 minutes are enough, and the finding says so. Price: see
    docs/how-good.md; where one crackle an hour is seen by chance, once in 10,000 pair-hours.
    """

    def __init__(self, setup: Setup) -> None:
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        self._pairs = len(self._names)
        self._kept = np.empty((0, 3 * self._pairs + 4))
        self._spreads: deque[FloatArray] = deque(maxlen=_SPREADS)
        self._contacts = [_Contact() for _ in self._names]
        self._tapped: Mark | None = None
        self.crackling: BoolArray = np.zeros(self._pairs, dtype=np.bool_)
        """Which pairs crackled more than once of late: their restlessness is that of a contact."""

    def marked(self, mark: Mark) -> None:
        """Take note of what a person did: a tap asks less of the crackles that follow it."""
        if _TAP.search(mark.text):
            self._tapped = mark

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch; looks at each bin's end."""
        if not seconds.powered or seconds.state in _HT_OFF:
            self._kept = self._kept[:0]
            return []
        rows = np.column_stack(
            [
                seconds.current_a,
                seconds.least_a,
                seconds.greatest_a,
                seconds.t_s,
                seconds.on_s,
                seconds.n.max(axis=1),
                seconds.mains_v,
            ]
        )
        if seconds.masked.any():
            rows[:, np.flatnonzero(np.tile(seconds.masked, 3))] = np.nan
        before = len(self._kept)
        kept = np.concatenate([self._kept, rows])
        self._kept = kept[-_KEPT_S:]
        stops = [(row, before + row + 1) for row, _ in seconds.bins if before + row + 1 >= _KEPT_S]
        if not stops:
            return []
        return self._look(kept, stops, seconds)

    def sight(self, pair: int) -> Sight:
        """Return the CUSUM of a pair's crackles."""
        return Sight(self._contacts[pair].sum, _ALARM, "crackles", "CUSUM of crackles")

    def _look(self, kept: FloatArray, stops: list[tuple[int, int]], seconds: Seconds) -> Events:
        p = self._pairs
        on_s = kept[:, 3 * p + 1]
        scatter = self._scatter(kept, stops[0][1] - 2 * BIN_S, len(stops))
        least, most = (
            np.fmin.reduce(kept[:, p : 2 * p], axis=0),
            np.fmax.reduce(kept[:, 2 * p : 3 * p], axis=0),
        )
        calm = not (most - least > _FLOOR * least).any()
        busy = any(contact.sum > 0.0 or contact.open for contact in self._contacts)
        out: list[tuple[int, Claim | Clear]] = []
        for (row, stop), usual in zip(stops, scatter, strict=True):
            start = stop - _KEPT_S
            if on_s[stop - 1] - on_s[start] != _KEPT_S - 1:  # HT was off in between
                continue
            found: list[list[tuple[float, float]]] = [[] for _ in self._contacts]
            if not calm and on_s[start] >= _QUIET_S:
                found = self._crackles(kept[start:stop])
            if not any(found):
                self._spreads.append(usual)
            if busy or any(found):
                closed_s = float(seconds.closed_s[row])
                for j, crackles in enumerate(found):
                    out.extend((row, event) for event in self._count(j, crackles, closed_s))
                    self.crackling[j] = self._contacts[j].open or self._contacts[j].sum > 1.0
        return out

    def _scatter(self, kept: FloatArray, first: int, bins: int) -> FloatArray:
        """Return each bin's usual scatter of single scans within a second, (bins, p), in A."""
        p = self._pairs
        rows = slice(first, first + BIN_S * bins)
        n = kept[rows, 3 * p + 2]
        many = n[:, None] > 1
        step = np.abs(kept[rows, :p] - kept[first - 1 : first + BIN_S * bins - 1, :p])
        reach = np.where(many, kept[rows, 2 * p : 3 * p] - kept[rows, p : 2 * p], step)
        usual = _medians(reach.reshape(bins, BIN_S, p).transpose(0, 2, 1))
        return np.asarray(usual / mean_range(max(2, int(np.median(n)))))

    def _crackles(self, rows: FloatArray) -> list[list[tuple[float, float]]]:
        """Return for each pair when it crackled in the middle bin, and by how much of its level."""
        p = self._pairs
        current, least, greatest = rows[:, :p], rows[:, p : 2 * p], rows[:, 2 * p : 3 * p]
        t_s, n, mains_v = rows[:, 3 * p], rows[:, 3 * p + 2], rows[:, 3 * p + 3]
        windows = _medians(sliding_window_view(current, _AROUND_S, axis=0))
        level = windows[np.clip(np.arange(_KEPT_S) - BIN_S, 0, len(windows) - 1)]
        with np.errstate(invalid="ignore", divide="ignore"):
            up, down = greatest / level - 1.0, 1.0 - least / level
            off = np.maximum(up, down)
            noise = self._usual() / level
            out = (off > np.maximum(_FLOOR, _SIGMAS * np.fmax(noise, 0.0))) & (level > 0.002)
            clear_up, clear_down = (
                np.maximum(x - _QUIET_SIGMAS * np.fmax(noise, 0.0), 0.0) for x in (up, down)
            )
        shaken = self._shaken(mains_v, n)
        found: list[list[tuple[float, float]]] = [[] for _ in range(p)]
        read = np.flatnonzero(n > 0)
        for j in np.flatnonzero(out[BIN_S : 2 * BIN_S].any(axis=0)):
            if (current[:, j] == current[:, j]).sum() < _LEAST_READINGS:
                continue
            for run in _runs(out[read, j], current[read, j]):
                start, stop = read[run.start], read[run.stop - 1]
                if not BIN_S <= start < 2 * BIN_S or t_s[stop] - t_s[start] >= _LONGEST_S:
                    continue
                at = start + int(np.argmax(off[start : stop + 1, j]))
                falls = bool(down[at, j] >= up[at, j])
                ways = (clear_down[at], clear_up[at]) if falls else (clear_up[at], clear_down[at])
                if not shaken[at] and self._alone(int(j), float(off[at, j]), *ways):
                    found[int(j)].append((float(t_s[start]), float(off[at, j])))
        return found

    def _usual(self) -> FloatArray:
        if not self._spreads:
            return np.full(self._pairs, np.nan)
        return _medians(np.array(self._spreads).T)

    def _shaken(self, mains_v: FloatArray, n: FloatArray) -> BoolArray:
        """Whether the mains channel had a jerk in a second: no contact in the amp makes one."""
        good = mains_v[mains_v == mains_v]
        if not len(good):
            return np.zeros(len(mains_v), dtype=np.bool_)
        middle = float(np.median(good))
        wander = 6.0 * 1.4826 * float(np.median(np.abs(good - middle)))
        # one scan of n moves their mean by an n-th
        with np.errstate(invalid="ignore"):
            return np.asarray(
                np.abs(mains_v - middle) > np.maximum(_MAINS * middle / np.maximum(n, 1.0), wander)
            )

    def _alone(self, j: int, size: float, same_way: FloatArray, against: FloatArray) -> bool:
        same, other = (np.delete(x, j) for x in (same_way, against))
        same, other = same[same == same], other[other == other]
        if not len(same):
            return True
        return bool(np.median(same) < _SAME_WAY * size and np.median(other) < _AGAINST * size)

    def _count(self, j: int, crackles: list[tuple[float, float]], closed_s: float) -> list[Claim | Clear]:
        contact = self._contacts[j]
        contact.sum = cusum(contact.sum, len(crackles), _REFERENCE)
        if not crackles:
            contact.quiet_bins += 1
            if contact.open and contact.quiet_bins >= _CLEAR_BINS:
                self._contacts[j] = _Contact()
                return [Clear(Kind.INTERMITTENT, (self._names[j],), closed_s)]
            if not contact.open and contact.sum == 0.0:
                self._contacts[j] = _Contact()
            return []
        contact.quiet_bins = 0
        if not contact.count:
            contact.first_s = crackles[0][0]
        contact.count += len(crackles)
        contact.times_s += [t for t, _ in crackles]
        contact.worst = max(contact.worst, *(size for _, size in crackles))
        latest_s = contact.times_s[-1]
        if contact.open:
            contact.times_s = [t for t in contact.times_s if t > latest_s - 60.0]
            if closed_s - contact.said_s < 60.0:
                return []
        elif contact.sum <= _ALARM and len(self._after_tap(contact)) < _TAPPED_OUT:
            return []
        contact.open, contact.said_s = True, closed_s
        return [self._claim(j, contact, latest_s, closed_s)]

    def _after_tap(self, contact: _Contact) -> list[float]:
        """Return when a contact crackled in the two minutes after the last tap."""
        if self._tapped is None:
            return []
        tap_s = self._tapped.t_us / 1e6
        return [t for t in contact.times_s if tap_s - 1.0 <= t <= tap_s + _TAP_S]

    def _claim(self, j: int, contact: _Contact, latest_s: float, closed_s: float) -> Claim:
        in_minute = sum(1 for t in contact.times_s if t > latest_s - 60.0)
        if in_minute >= 3:
            rate = f"{in_minute} in the last minute"
        else:
            rate = f"{contact.count} in {max(1.0, (latest_s - contact.first_s) / 60.0):.0f} min"
        tap = ""
        if self._tapped is not None and len(self._after_tap(contact)) >= _TAPPED_OUT:
            tap = f", after {self._tapped.text!r}"
        return Claim(
            Kind.INTERMITTENT,
            (self._names[j],),
            contact.first_s,
            closed_s,
            Severity.WARNING,
            f"{self._labels[j]} crackles, {rate}, by up to {contact.worst * 100:.0f} % of its current{tap}",
            "A contact: valve pins, socket, bias pot, sense lead. Switch off and discharge before you look.",
            evidence={
                "in_last_minute": float(in_minute),
                "count": float(contact.count),
                "worst": contact.worst,
            },
        )


def _runs(out: BoolArray, current_a: FloatArray) -> list[slice]:
    """Return the runs of readings that are out, with a good reading on either side."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], out, [False]]).astype(np.int8)))
    runs = [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    good = current_a == current_a
    return [r for r in runs if r.start > 0 and r.stop < len(out) and good[r.start - 1] and good[r.stop]]


def _medians(values: FloatArray) -> FloatArray:
    """Return the medians along the last axis of what is not NaN, NaN where nothing is."""
    ranked = np.sort(values, axis=-1)  # NaN last
    count = (ranked == ranked).sum(axis=-1)
    low = np.take_along_axis(ranked, np.maximum((count - 1) // 2, 0)[..., None], axis=-1)
    high = np.take_along_axis(ranked, np.minimum(count // 2, values.shape[-1] - 1)[..., None], axis=-1)
    middle = (low + high)[..., 0] / 2.0
    return np.where(count > 0, middle, np.nan)


@functools.cache
def mean_range(n: int) -> float:
    """Return the mean range of n normal values, in standard deviations: the constant d2 of control charts."""
    x = np.linspace(-8.0, 8.0, 3201)
    below = ndtr(x)
    return float(((1.0 - below**n - (1.0 - below) ** n) * (x[1] - x[0])).sum())
