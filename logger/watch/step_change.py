"""`step change`: a pair's level jumped, and stays where it jumped to, as after a flash-over."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.blocks import FloatArray
from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch import adjusted
from logger.watch.seconds import (
    MINUTE_S,
    BoolArray,
    Claim,
    Clear,
    Events,
    Minutes,
    Said,
    Seconds,
    Sight,
    Tens,
    median,
    own_change,
)

_STAYS: Final = 6  # bins of 10 s: the minute that the new level must last
_BEFORE: Final = 6
_BINS: Final = _BEFORE + 2 + _STAYS  # the two between: a jump may lie across the end of a bin
_JUMP_S: Final = 5.0
_PART: Final = 0.75
"""Of the match limit: half of it must not be called and one and a half must, so that three quarters leave
the noise a quarter of the limit below, and twice that above, what the limit itself asks for."""
_SIGMA: Final = 5.0
_COMMON: Final = 0.25  # how differently pairs may answer to the supply: from memory, a quarter of what all do
_LEFT, _ARRIVED = 0.1, 0.08
_SUPPLY: Final = 3.0  # a pair moves by up to three times what HT or mains do, relative: from memory
_LEARN: Final = 0.1
_LEAST_MINUTES: Final = 3
_SECONDS: Final = 10 * _BINS + 10
_GONE, _HALF_LEAST, _HALF_MOST = 0.2, 0.4, 0.6
_HT_OFF = ("off", "standby", "cooling")
_RESTLESS: Final = 0.8 * adjusted.LEAST  # the middle one of an even number stands for the median
_NOISIER: Final = 3.0  # by how much a lead's hum raises what the scans of a second are apart: from memory
_OTHERS_NOISIER: Final = 1.5


@dataclass
class _Standing:
    """A step that is held to be there: the pair's own level before it."""

    before: float
    back: int = 0


class StepChange:
    """A level shift between two minutes of which the one between is the jump (Willsky and Jones 1976).

    At each bin's end the last minute is held against the minute before the jump, after the pairs' common
    relative change is taken out; then the seconds between must show a jump that took 5 s or less. A move
    that takes longer and stops is a pot, or drift, and not said here. Threshold: three quarters of the
    match limit, five times the pair's own scatter from minute to minute, and a quarter of what all pairs
    did at once, whichever is greatest. With two pairs the one that moved is named only where HT or mains
    say that the supply stood still and the other pair did too; with one, only they can tell at all, and
    without them it is a remark. A fall below a fifth, or to half with two valves, is `drop-out`.
    A pair that stands elsewhere and whose scans are three times as far apart, those of the others not, has
    something on its lead: a question, and no step. What moves slower than a step or less far is
    `adjusted.py`'s. While bias is being set or signal goes through steps are not looked for.
    Learns the scatter at the ends of minutes, from the third on, never from the minutes of a step. Delay:
    60 to 75 s. Price: see docs/how-good.md.
    """

    def __init__(self, setup: Setup, tens: Tens, minutes: Minutes, humming: BoolArray | None = None) -> None:
        self._setup = setup
        self._tens = tens
        self._minutes = minutes
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        self._two = [setup.valves_on(c) == 2 for c in setup.pairs]
        pairs = len(self._names)
        self._pairs = pairs
        self._scatter = np.full(pairs, np.nan)  # variance of the change from minute to minute, relative
        self._learnt = 0
        self._step: list[_Standing | None] = [None] * pairs
        self._seen: deque[tuple[FloatArray, FloatArray, FloatArray]] = deque()
        """Seconds: times (n,), currents and how far their scans were apart (n, p)."""
        self._rows = 0
        self._rest = [-1] * pairs
        """The bin up to which the jump back of a step that is over is still in sight."""
        self._adjusted = adjusted.Adjusted(setup)
        self._humming = humming if humming is not None else np.zeros(pairs, dtype=np.bool_)
        """Pairs whose lead hums, see `measuring_fault`: that is asked about there."""
        self._stepped = [-(10**6)] * pairs
        """The bin in which each pair was last called a step, or asked about."""

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch; looks at each bin's end."""
        if not seconds.powered:
            self._seen.clear()
            self._rows = 0
            self._learnt = 0
            return []
        out: list[tuple[int, Said]] = []
        if seconds.state not in _HT_OFF:
            self._note(seconds)
            if seconds.bins:
                restless = self._restless(seconds.bins[-1][1], len(seconds.bins))
                if self._humming.any():
                    for j in np.flatnonzero(self._humming).tolist():
                        self._stepped[j] = seconds.bins[-1][1]
                for (row, index), worth in zip(seconds.bins, restless, strict=True):
                    if worth or self._busy:
                        out.extend((row, event) for event in self._look(seconds, row, index))
                        out.extend((row, event) for event in self._look_slower(seconds, row, index))
        if seconds.closes_minute:
            self._learn()
        return out

    def _note(self, seconds: Seconds) -> None:
        apart = seconds.greatest_a - seconds.least_a
        self._seen.append((seconds.t_s.astype(np.float64) + 0.5, seconds.current_a, apart))
        self._rows += len(seconds)
        while self._rows - len(self._seen[0][0]) >= _SECONDS + MINUTE_S:
            self._rows -= len(self._seen.popleft()[0])

    @property
    def _busy(self) -> bool:
        return any(self._step) or self._adjusted.waiting

    def _restless(self, last: int, bins: int) -> list[bool]:
        """Whether in the window up to each of the last bins a pair moved so far that it could be a step."""
        first = last + 1 - _BINS - (bins - 1)
        if first < 0:
            return [True] * bins
        log = np.log(np.maximum(self._tens.current_a[first : last + 1], 1e-6))
        sums = np.vstack([np.zeros(self._pairs), np.cumsum(log, axis=0)])
        was = (sums[_BEFORE : _BEFORE + bins] - sums[:bins]) / _BEFORE
        after = (sums[_BINS:] - sums[_BINS - adjusted.AFTER : -adjusted.AFTER]) / adjusted.AFTER
        change = after - was
        if self._pairs > 2:
            change = change - np.sort(change, axis=1)[:, [(self._pairs - 1) // 2]]
        # a pair that reads nothing at all can't step; one that reads now and then is worth a look
        with np.errstate(invalid="ignore"):
            calm = (np.abs(change) < _RESTLESS) | np.isnan(log).all(axis=0)
        return list((~calm).any(axis=1).tolist())

    def _floor_a(self, levels: FloatArray) -> float:
        level_a = median(levels)
        return _PART * self._setup.limits.match_a(level_a) if level_a == level_a else math.inf

    def _learn(self) -> None:
        """Take in how far each pair moved by itself from minute to minute, what is even in it left out."""
        on_min = self._minutes.on_min
        if len(self._minutes) < _LEAST_MINUTES or on_min[-1] - on_min[-3] > 2.5:
            return
        with np.errstate(invalid="ignore", divide="ignore"):
            log = np.log(self._minutes.currents(-3))
        # a settling tail goes on as it went; half the square of the bend is a random walk's variance a minute
        bend = own_change(log[2] - log[1]) - own_change(log[1] - log[0])
        square = 0.5 * bend * bend
        known = self._scatter == self._scatter
        # a single jump is no scatter: nine times the variance is the most it may count for
        capped = np.minimum(square, 9.0 * self._scatter) if self._learnt >= _LEAST_MINUTES else square
        new = np.where(known, self._scatter + _LEARN * (capped - self._scatter), square)
        hold = np.array([s is not None for s in self._step])
        self._scatter = np.where((bend == bend) & ~hold, new, self._scatter)
        self._learnt += 1

    def _look_slower(self, seconds: Seconds, row: int, index: int) -> list[Said]:
        first = index - adjusted.BINS + 1
        if not self._tens.unbroken(index, adjusted.BINS) or seconds.state == "under signal":
            return []
        return self._adjusted.look(
            self._tens.current_a[first : index + 1],
            self._tens.mains_v[first : index + 1],
            self._scatter,
            self._stepped,
            index,
            float(self._tens.t_s[index]) + 1.0,
            float(seconds.closed_s[row]),
            on_s=float(seconds.on_s[row]),
            setting=seconds.state == "setting bias",
        )

    def _look(self, seconds: Seconds, row: int, index: int) -> list[Said]:
        out: list[Said] = []
        first = index - _BINS + 1
        if first < 0:
            return out
        bins = self._tens.current_a[first : index + 1]
        closed_s = float(seconds.closed_s[row])
        self._clear(bins[-1], index, closed_s, out)
        if not self._tens.unbroken(index, _BINS) or seconds.state in ("under signal", "setting bias"):
            return out
        log, was, after, own, limit = self._shift(bins)
        change = after - was
        have = (change == change) & (log[-1] == log[-1])
        if not have.any():
            return out
        with np.errstate(invalid="ignore"):
            beyond = (np.abs(own) > limit) & have
        for j in self._candidates(beyond, change):
            standing = any(self._step) if self._pairs == 2 else self._step[j] is not None
            if not standing and index > self._rest[j] and self._stays(log, was, own, j):
                out.extend(self._judge(j, was, after, change, own, index, closed_s))
        return out

    def _shift(self, bins: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return logs of the bins (n, p); per pair level before, after, own change, what it must pass."""
        with np.errstate(invalid="ignore", divide="ignore"):
            log = np.log(np.where(bins > 0, bins, np.nan))
        was, after = _middle(log[:_BEFORE]), _middle(log[-_STAYS:])
        change = after - was
        have = (change == change) & (log[-1] == log[-1])
        own = own_change(change)
        if not have.any():
            return log, was, after, own, np.full(len(own), np.inf)
        common = float(np.median(change[have])) if have.sum() > 2 else 0.0
        median_a = float(np.median(np.exp(was[have])))
        floor = _PART * self._setup.limits.match_a(median_a) / median_a
        noise = np.where(self._scatter == self._scatter, _SIGMA * np.sqrt(self._scatter), np.inf)
        return log, was, after, own, np.maximum(np.maximum(floor, noise), _COMMON * abs(common))

    def sight(self, pair: int) -> Sight:
        """Return how far a pair's last minute stands from the one before, and from where on it is a step."""
        what = "last minute against the one before"
        if len(self._tens) < _BINS:
            return Sight(math.nan, math.nan, "%", what)
        _, _, _, own, limit = self._shift(self._tens.current_a[-_BINS:])
        return Sight(abs(float(own[pair])) * 100.0, float(limit[pair]) * 100.0, "%", what)

    def _candidates(self, beyond: FloatArray, change: FloatArray) -> list[int]:
        """With two pairs both are beyond: the one that moved more stands for them."""
        found = [int(j) for j in np.flatnonzero(beyond)]
        if self._pairs == 2 and len(found) == 2:
            return [max(found, key=lambda j: abs(float(change[j])))]
        return found

    def _stays(self, log: FloatArray, was: FloatArray, own: FloatArray, j: int) -> bool:
        """Whether every bin of the last minute is near the new level, and every one before near the old."""
        course = np.array([own_change(step)[j] for step in log - was]) / own[j]
        return not bool((course[-_STAYS:] <= 0.75).any() or (np.abs(course[:_BEFORE]) >= 0.25).any())

    def _judge(
        self,
        j: int,
        was: FloatArray,
        after: FloatArray,
        change: FloatArray,
        own: FloatArray,
        index: int,
        closed_s: float,
    ) -> list[Said]:
        onset_s = self._jump(j, float(self._tens.t_s[index]))
        if onset_s is None:
            return []
        was_a, now_a = math.exp(float(was[j])), math.exp(float(after[j]))
        left = now_a / was_a
        if left < _GONE or (self._two[j] and _HALF_LEAST <= left <= _HALF_MOST):
            return []
        named, sure = self._whose(j, change, own, index)
        self._stepped[j] = index
        if named and self._is_noisier(j, onset_s, float(self._tens.t_s[index])):
            self._rest[j] = index + _BINS
            return [self._something_on_it(j, was_a, now_a, onset_s, closed_s)]
        self._step[j] = _Standing(self._level(was, j))
        way = "rose" if own[j] > 0 else "fell"
        label = self._labels[j]
        size = f"{way} from {was_a * 1e3:.1f} to {now_a * 1e3:.1f} mA within {_JUMP_S:.0f} s and stayed there"
        if self._pairs == 2 and not named:
            both = " and ".join(self._labels)
            says = f"{both} moved apart: {label} {size}, and which of them did it can't be told"
        elif not sure:
            says = f"{label} {size}: the pair or the supply, which can't be told without HT and mains"
        else:
            says = f"{label} {size}, {abs(float(own[j])) * 100:.1f} % by itself"
        return [
            Claim(
                Kind.STEP_CHANGE,
                (self._names[j],) if named else tuple(self._names),
                onset_s,
                closed_s,
                Severity.WARNING if sure else Severity.REMARK,
                says,
                "A flash-over, or a part that changed: look at this pair's valves and bias feed.",
                named=named,
                evidence={"was_a": was_a, "now_a": now_a, "own": float(own[j])},
            )
        ]

    def _is_noisier(self, j: int, onset_s: float, end_s: float) -> bool:
        """Whether the scans of a pair's seconds are further apart since its level moved, and no other's."""
        t_s = np.concatenate([t for t, _, _ in self._seen])
        apart = np.concatenate([a for _, _, a in self._seen])
        before = (t_s < onset_s - 1.0) & (t_s > onset_s - 61.0)
        after = (t_s > onset_s + 6.0) & (t_s <= end_s + 1.0)
        if not before.any() or not after.any():
            return False
        was, now = (np.array([median(column) for column in apart[rows].T]) for rows in (before, after))
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = now / was
        rest = np.delete(ratio, j)
        rest = rest[np.isfinite(rest)]
        quiet = not len(rest) or float(np.median(rest)) < _OTHERS_NOISIER
        return bool(np.isfinite(ratio[j]) and ratio[j] > _NOISIER) and quiet

    def _something_on_it(self, j: int, was_a: float, now_a: float, onset_s: float, closed_s: float) -> Claim:
        return Claim(
            Kind.QUESTION,
            (self._names[j],),
            onset_s,
            closed_s,
            Severity.REMARK,
            f"{self._labels[j]} reads {now_a * 1e3:.1f} mA after {was_a * 1e3:.1f} mA, and hums: "
            "is a meter on it, or an earth loop?",
            "Take the meter off, or float it. Acknowledge it if that is what it was.",
            evidence={"was_a": was_a, "now_a": now_a},
        )

    def _whose(self, j: int, change: FloatArray, own: FloatArray, index: int) -> tuple[bool, bool]:
        """Return whether the pair can be named, and whether it is sure that it was not the supply."""
        if self._pairs > 2:
            return True, True
        first = index - _BINS + 1
        moved = []
        for volts in (self._tens.mains_v, self._tens.ht_v):
            course = volts[first : index + 1]
            was, now = course[:_BEFORE].mean(), course[-_STAYS:].mean()
            if was == was and now == now:
                moved.append(abs(now / was - 1.0))
        # HT answers to the pair itself; the mains, where measured, does not
        stood = bool(moved) and _SUPPLY * moved[0] < abs(float(change[j])) / 2.0
        if self._pairs == 1:
            return True, stood if moved else False
        other = abs(float(change[1 - j]))
        return stood and other < abs(float(change[j])) / 3.0, True

    def _level(self, log: FloatArray, j: int) -> float:
        """Where a pair's log current stands against the others."""
        rest = np.delete(log, j)
        rest = rest[rest == rest]
        return float(log[j] - np.median(rest)) if len(rest) else float(log[j])

    def _jump(self, j: int, end_s: float) -> float | None:
        """Return when a pair jumped, or None where the change took longer than a jump does.

        From the seconds, against the others' median: from a tenth of the way until it stays about where it
        is 10 to 20 s later. A pot that is turned too far and back arrives late.
        """
        t_s = np.concatenate([t for t, _, _ in self._seen])
        rows = np.concatenate([a for _, a, _ in self._seen])
        inside = (t_s > end_s + 1.0 - 10.0 * _BINS) & (t_s <= end_s + 1.0) & (rows[:, j] > 0)
        t_s, rows = t_s[inside], rows[inside]
        with np.errstate(invalid="ignore", divide="ignore"):
            log = np.log(np.where(rows > 0, rows, np.nan))
        rest = np.delete(log, j, axis=1)
        known = rest == rest
        some = known.any(axis=1)
        own = log[:, j].copy()
        if some.any():
            own[some] -= np.nanmedian(rest[some], axis=1)
            own, t_s = own[some], t_s[some]
        early, late = t_s < t_s[0] + 10.0 * _BEFORE, t_s > end_s + 1.0 - 10.0 * _STAYS
        if early.sum() < 3 or late.sum() < 3:
            return None
        was, size = float(np.median(own[early])), float(np.median(own[late]) - np.median(own[early]))
        course = (own - was) / size
        noise = float(np.median(np.abs(own[early] - was))) * 1.4826 / abs(size)
        half = int((course < 0.5).nonzero()[0][-1]) + 1
        if half >= len(course):
            return None
        soon = (t_s > t_s[half] + 6.0) & (t_s < t_s[half] + 20.0)
        to = float(np.median(course[soon])) if soon.sum() >= 2 else 1.0
        left = (course[: half + 1] <= max(_LEFT, 3.0 * noise) * to).nonzero()[0]
        until = t_s < t_s[half] + 20.0
        away = (np.abs(course - to) > max(_ARRIVED * abs(to), 3.0 * noise)) & until
        away[:half] = True
        start, stop = int(left[-1]) if len(left) else 0, int(away.nonzero()[0][-1])
        # between two readings it may have happened at any time: that is not held against it
        took_s = float(t_s[stop] - t_s[start]) - 1.0 if stop > start else 0.0
        if took_s > max(_JUMP_S - 1.0, 1.0 / self._setup.link.scans_per_s):
            return None
        return float(t_s[start] + 0.5)

    def _clear(self, levels_a: FloatArray, index: int, closed_s: float, out: list[Said]) -> None:
        """A step is over when the pair is back where it was for a minute."""
        if not any(self._step):
            return
        with np.errstate(invalid="ignore", divide="ignore"):
            log = np.log(levels_a)
        for j, step in enumerate(self._step):
            if step is None:
                continue
            away = abs(self._level(log, j) - step.before)
            floor = self._floor_a(levels_a) / float(levels_a[j])
            step.back = step.back + 1 if away < 0.5 * floor else 0
            if step.back >= _STAYS:
                self._step[j] = None
                self._rest = [index + _BINS] * self._pairs
                out.append(Clear(Kind.STEP_CHANGE, (self._names[j],), closed_s))
                if self._pairs == 2:
                    out.append(Clear(Kind.STEP_CHANGE, tuple(self._names), closed_s))


def _middle(rows: FloatArray) -> FloatArray:
    """Return the median of a minute's bins (bins, p), NaN where fewer than half were read."""
    ranked = np.sort(rows, axis=0)  # NaN last
    count = (ranked == ranked).sum(axis=0)
    pairs = np.arange(rows.shape[1])
    low, high = (
        ranked[np.maximum((count - 1) // 2, 0), pairs],
        ranked[np.minimum(count // 2, len(rows) - 1), pairs],
    )
    return np.where(count >= len(rows) / 2, (low + high) / 2.0, np.nan)
