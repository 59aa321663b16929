"""A stretch of one soak as the charts need it: readings by bucket, least and greatest kept.

Long stretches come from the store's roll-ups, short ones from the scans, by themselves or in buckets of a
few, so that a zoom shows what was measured and a spike of one scan never disappears from a long view.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.blocks import NO_READING, FloatArray, ScanBlock
from logger.convert import Converter
from logger.setup import Setup
from logger.store.reader import Reader, Soak

LEVELS_S: Final = (0.0, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0)
"""Lengths of a bucket in seconds; 0 is a scan by itself. From 10 on the store has roll-ups."""
ROLLED_S: Final = 10.0
_MOST_VALUES: Final = 300_000
"""Values of scans that are read within a few hundredths of a second: a longer stretch is read rolled up."""
_ABOVE_ALL: Final = np.int32(2**31 - 1)
_MOST_POINTS: Final = 10_000
"""Points of all pairs in one panel that a browser draws at once."""

Interval = tuple[float, float]


@dataclass(frozen=True)
class Series:
    """Buckets over channels, in A, V or degC; a row of NaN stands where a line must break.

    `t_s` (n,) the middle of each bucket; `mean`, `least`, `greatest` (n, c); `from_others` (n, p) each
    pair from the others in A, NaN where it can't be said. `until_s`: the end of the last bucket.
    """

    t_s: FloatArray
    mean: FloatArray
    least: FloatArray
    greatest: FloatArray
    from_others: FloatArray
    until_s: float

    def __len__(self) -> int:
        return len(self.t_s)

    def part(self, chosen: slice | NDArray[np.bool_]) -> Series:
        """Return some of the rows."""
        return Series(
            self.t_s[chosen],
            self.mean[chosen],
            self.least[chosen],
            self.greatest[chosen],
            self.from_others[chosen],
            self.until_s,
        )


@dataclass(frozen=True)
class Holes:
    """What lines break at and comparisons leave out.

    `gaps`: stretches without a reading. `left_out`: (pair, from_s, to_s) in which a pair is dropped or has
    a measuring fault, and says nothing about the others.
    """

    gaps: tuple[Interval, ...] = ()
    left_out: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True)
class _Counts:
    """Raw counts by bucket: `t0_s` (n,); `least`, `greatest`, `mean` (n, c), NaN where there is none."""

    level_s: float
    t0_s: FloatArray
    least: FloatArray
    greatest: FloatArray
    mean: FloatArray


def level_for(
    span_s: float,
    scans_per_s: float,
    pairs: int,
    channels: int | None = None,
    room_px: float = 1500.0,
    finest_s: float = 0.0,
) -> float:
    """Choose the finest bucket of which a span has no more than the width can show, and that is read at once.

    `channels`: how many a scan has, as many as pairs where it isn't said. `finest_s`: the finest there is.
    """
    most = min(room_px, _MOST_POINTS / max(pairs, 1))
    rolled = span_s * scans_per_s * (channels or pairs) > _MOST_VALUES
    for level_s in LEVELS_S:
        if level_s < finest_s or (rolled and level_s < ROLLED_S):
            continue
        per_s = scans_per_s if level_s == 0.0 else min(scans_per_s, 1.0 / level_s)
        if span_s * per_s <= most:
            return level_s
    return LEVELS_S[-1]


def read(
    reader: Reader,
    soak: Soak,
    level_s: float,
    holes: Holes,
    *,
    from_s: float = 0.0,
    to_s: float | None = None,
    after_s: float | None = None,
    calibration: int | str = "in force",
) -> Series:
    """Read a stretch of a soak at one level: whole buckets from `from_s` to before `to_s`.

    `after_s` is where the line drawn so far ends, so that a gap before the first bucket breaks it too.
    `calibration`: the one the soak was measured by, or another as for `judge_soak`.
    """
    setup = soak.setup
    if level_s:
        from_s = math.ceil(from_s / level_s - 1e-9) * level_s
        to_s = None if to_s is None else math.floor(to_s / level_s + 1e-9) * level_s
    if to_s is not None and to_s <= from_s:
        none = np.empty((0, len(setup.channel)))
        found = _Counts(level_s, np.empty(0), none, none, none)
    elif level_s < ROLLED_S:
        scans = reader.scans(soak.id, round(from_s * 1e6), None if to_s is None else round(to_s * 1e6))
        found = _by_scans(scans, level_s)
    else:
        rollup = reader.rollup(soak.id, round(level_s), from_s, to_s)
        at = rollup.t0_s.astype(np.float64)
        found = _Counts(level_s, at, rollup.vmin, rollup.vmax, rollup.mean)
    converter = Converter(setup, soak.daq, reader.calibration_of(soak, calibration))
    return _in_units(found, setup, converter, soak.daq.full_count, holes, after_s)


def view(
    reader: Reader,
    soak: Soak,
    level_s: float,
    holes: Holes,
    from_s: float,
    to_s: float,
    *,
    last_s: float | None = None,
    calibration: int | str = "in force",
) -> Series:
    """Read what is seen between two times: each bucket that reaches into it stands within it.

    Single scans also bring one more at either end, so that lines reach the edges. `last_s`: the last scan's
    time while more come. What the bucket that still fills has is then read finer, or a spike would be seen
    only once a long one is full.
    """

    def stretch(level_s: float, from_s: float, to_s: float, after_s: float | None = None) -> Series:
        ends_s = to_s if last_s is None else min(to_s, closed_s(last_s, level_s))
        return read(
            reader, soak, level_s, holes, from_s=from_s, to_s=ends_s, after_s=after_s, calibration=calibration
        )

    grid_s = level_s or 2.0 / soak.setup.link.scans_per_s
    low_s = max(math.floor(from_s / grid_s) * grid_s, 0.0)
    high_s = math.ceil(to_s / grid_s + 1e-9) * grid_s
    seen = stretch(level_s, low_s, high_s)
    if not level_s:
        first = max(int(np.searchsorted(seen.t_s, from_s)) - 1, 0)
        return seen.part(slice(first, int(np.searchsorted(seen.t_s, to_s, side="right")) + 1))
    if last_s is not None and level_s > ROLLED_S:
        after_s = seen.until_s if len(seen) else None
        seen = join([seen, stretch(ROLLED_S, max(low_s, closed_s(last_s, level_s)), high_s, after_s)])
    return replace(seen, t_s=np.clip(seen.t_s, from_s, to_s))


def closed_s(last_s: float, level_s: float) -> float:
    """Return up to where buckets are complete while a soak runs."""
    return math.floor(last_s / level_s) * level_s if level_s else last_s + 1e-6


def _by_scans(scans: ScanBlock, level_s: float) -> _Counts:
    """Gather scans in buckets, or take each by itself."""
    there = scans.counts != NO_READING
    if not level_s or not len(scans):
        counts: FloatArray = np.where(there, scans.counts, np.nan)
        return _Counts(level_s, scans.t_us / 1e6, counts, counts, counts)
    bucket = scans.t_us // round(level_s * 1e6)
    starts = np.concatenate([[0], np.flatnonzero(np.diff(bucket)) + 1])
    # In whole numbers, which is several times as quick as with NaN among them.
    n = np.add.reduceat(there.astype(np.int32), starts, axis=0)
    total = np.add.reduceat(np.where(there, scans.counts, 0), starts, axis=0, dtype=np.int64)
    least = np.minimum.reduceat(np.where(there, scans.counts, _ABOVE_ALL), starts, axis=0)
    greatest = np.maximum.reduceat(scans.counts, starts, axis=0)  # NO_READING is below all
    some = n > 0
    mean = np.where(some, total / np.maximum(n, 1), np.nan)
    ends = [np.where(some, end, np.nan) for end in (least, greatest)]
    return _Counts(level_s, bucket[starts] * level_s, ends[0], ends[1], mean)


def _in_units(
    counts: _Counts,
    setup: Setup,
    converter: Converter,
    full_count: Sequence[int],
    holes: Holes,
    after_s: float | None,
) -> Series:
    """Turn counts into a series."""
    mean, least, greatest = (np.full_like(counts.mean, np.nan) for _ in range(3))
    for column in range(len(setup.channel)):
        there = np.isfinite(counts.mean[:, column])
        if not there.any():
            continue
        # A railed reading is no reading: its bucket has no mean, and its edge is only as far as it was seen.
        full = full_count[column]
        seen = there & (counts.greatest[:, column] < full) & (counts.least[:, column] > -full)
        mean[seen, column] = converter.values(column, counts.mean[seen, column])
        ends = [converter.values(column, part[there, column]) for part in (counts.least, counts.greatest)]
        # A thermistor reads hotter with fewer counts.
        least[there, column], greatest[there, column] = np.fmin(*ends), np.fmax(*ends)
    rate = setup.link.scans_per_s
    width_s = max(counts.level_s, 1.0 / rate)
    t0_s, t_s = counts.t0_s, counts.t0_s + counts.level_s / 2.0
    end_s = t0_s + width_s
    longest_s = max(5.0, 3.0 / rate)
    breaks = [(low + high) / 2.0 for low, high in holes.gaps]
    breaks = [at for at in breaks if len(t_s) and (after_s or t_s[0]) < at < t_s[-1]]
    wide = t0_s[1:] - end_s[:-1] > longest_s
    breaks += ((end_s[:-1] + t0_s[1:])[wide] / 2.0).tolist()
    if after_s is not None and len(t0_s) and t0_s[0] - after_s > longest_s:
        breaks.append((after_s + t0_s[0]) / 2.0)
    if breaks:
        t_s = np.concatenate([t_s, breaks])
        order = np.argsort(t_s, kind="stable")
        t_s = t_s[order]
        hole = np.full((len(breaks), len(setup.channel)), np.nan)
        mean = np.concatenate([mean, hole])[order]
        least, greatest = np.concatenate([least, hole])[order], np.concatenate([greatest, hole])[order]
    pairs = mean[:, setup.pair_columns]
    counted = np.isfinite(pairs)
    names = [setup.names[column] for column in setup.pair_columns]
    for channel, from_s, to_s in holes.left_out:
        if channel in names:
            counted[(t_s >= from_s) & (t_s <= to_s), names.index(channel)] = False
    # What comes next begins behind the last bucket; behind a scan, whenever the next one comes.
    until_s = float(t0_s[-1]) + (counts.level_s or 1e-6) if len(t0_s) else (after_s or 0.0)
    return Series(t_s, mean, least, greatest, from_others(pairs, counted), until_s)


def from_others(pairs: FloatArray, counted: NDArray[np.bool_]) -> FloatArray:
    """Return each pair's difference from the others, (n, p).

    With three pairs or more: less the median of those that count; with two: less the other; with one: NaN.
    `counted` (n, p) is False where a pair is off, dropped or has a measuring fault.
    """
    values = np.where(counted, pairs, np.nan)
    width = pairs.shape[1]
    if width < 2 or len(pairs) == 0:
        return np.full_like(pairs, np.nan)
    if width == 2:
        return np.asarray(pairs - values[:, ::-1])
    order = np.sort(values, axis=1)  # NaN last
    some = np.isfinite(values).sum(axis=1)
    low, high = np.maximum(some - 1, 0) // 2, np.minimum(some // 2, width - 1)
    rows = np.arange(len(order))
    middle = np.where(some >= 2, (order[rows, low] + order[rows, high]) / 2.0, np.nan)
    return np.asarray(pairs - middle[:, None])


def join(parts: Sequence[Series]) -> Series:
    """Lay series one behind the other."""
    kept = [part for part in parts if len(part)] or list(parts[:1])
    return Series(
        np.concatenate([part.t_s for part in kept]),
        np.concatenate([part.mean for part in kept]),
        np.concatenate([part.least for part in kept]),
        np.concatenate([part.greatest for part in kept]),
        np.concatenate([part.from_others for part in kept]),
        kept[-1].until_s,
    )
