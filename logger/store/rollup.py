"""Roll-ups: number, least, greatest and sum of raw counts by buckets of time. Pure.

Bucket k of a level of L seconds covers [k L, (k + 1) L) seconds since the soak's first scan.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.blocks import NO_READING, FloatArray, Int32Array, Int64Array, ScanBlock
from logger.store.packing import SECOND_US


@dataclass(frozen=True)
class Rollup:
    """Buckets in order of time, those without a scan left out: `t0_s` (b,) their beginnings.

    `n` (b, c) readings; `vmin`, `vmax` (b, c) in counts, NaN where n is 0; `vsum` (b, c) in counts.
    """

    level_s: int
    t0_s: Int64Array
    n: Int32Array
    vmin: FloatArray
    vmax: FloatArray
    vsum: Int64Array

    def __len__(self) -> int:
        return len(self.t0_s)

    @property
    def mean(self) -> FloatArray:
        """The mean count of each bucket and channel, NaN where there was no reading."""
        mean: FloatArray = np.full(self.n.shape, np.nan)
        np.divide(self.vsum, self.n, out=mean, where=self.n > 0)
        return mean

    @property
    def with_readings(self) -> Rollup:
        """Only the buckets in which any channel gave a reading."""
        chosen = (self.n > 0).any(axis=1)
        return Rollup(
            self.level_s,
            self.t0_s[chosen],
            self.n[chosen],
            self.vmin[chosen],
            self.vmax[chosen],
            self.vsum[chosen],
        )

    def part(self, start: int | None, stop: int | None = None) -> Rollup:
        """Return some of the buckets, by place."""
        chosen = slice(start, stop)
        return Rollup(
            self.level_s,
            self.t0_s[chosen],
            self.n[chosen],
            self.vmin[chosen],
            self.vmax[chosen],
            self.vsum[chosen],
        )


def empty(level_s: int, channels: int) -> Rollup:
    """Return no buckets."""
    return Rollup(
        level_s,
        np.empty(0, dtype=np.int64),
        np.empty((0, channels), dtype=np.int32),
        np.empty((0, channels)),
        np.empty((0, channels)),
        np.empty((0, channels), dtype=np.int64),
    )


def of_scans(scans: ScanBlock, level_s: int) -> Rollup:
    """Return the buckets of these scans."""
    seen = scans.counts != NO_READING
    return _gathered(
        level_s,
        scans.t_us // SECOND_US,
        seen,
        np.where(seen, scans.counts, np.nan),
        np.where(seen, scans.counts, np.nan),
        np.where(seen, scans.counts, 0),
    )


def joined(earlier: Rollup, later: Rollup) -> Rollup:
    """Return both as one; a bucket that ends the one and begins the other becomes one again."""
    return coarser(
        Rollup(
            earlier.level_s,
            np.concatenate([earlier.t0_s, later.t0_s]),
            np.concatenate([earlier.n, later.n]),
            np.concatenate([earlier.vmin, later.vmin]),
            np.concatenate([earlier.vmax, later.vmax]),
            np.concatenate([earlier.vsum, later.vsum]),
        ),
        earlier.level_s,
    )


def coarser(fine: Rollup, level_s: int) -> Rollup:
    """Return longer buckets; `level_s` is a multiple of the finer level."""
    return _gathered(level_s, fine.t0_s, fine.n, fine.vmin, fine.vmax, fine.vsum)


def same(one: Rollup, other: Rollup) -> bool:
    """Whether both have the same buckets with the same figures."""
    return (
        np.array_equal(one.t0_s, other.t0_s)
        and np.array_equal(one.n, other.n)
        and np.array_equal(one.vmin, other.vmin, equal_nan=True)
        and np.array_equal(one.vmax, other.vmax, equal_nan=True)
        and np.array_equal(one.vsum, other.vsum)
    )


def _gathered(
    level_s: int,
    t0_s: Int64Array,
    n: Int32Array | np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
    vmin: FloatArray,
    vmax: FloatArray,
    vsum: Int64Array | Int32Array,
) -> Rollup:
    if len(t0_s) == 0:
        return empty(level_s, n.shape[1])
    bucket = t0_s // level_s
    starts = np.concatenate([[0], np.flatnonzero(np.diff(bucket)) + 1])
    return Rollup(
        level_s,
        bucket[starts] * level_s,
        np.add.reduceat(n, starts, axis=0, dtype=np.int32),
        np.fmin.reduceat(vmin, starts, axis=0),
        np.fmax.reduceat(vmax, starts, axis=0),
        np.add.reduceat(vsum, starts, axis=0, dtype=np.int64),
    )
