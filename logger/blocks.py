"""What travels down the line: blocks of scans, readings and ticks, as arrays over time and channels.

n is the number of rows, c the number of channels, in the order of the set-up. Time is `t_us`,
microseconds since the soak's first scan, strictly increasing. What does not exist is NaN, never 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Int64Array = NDArray[np.int64]
Int32Array = NDArray[np.int32]
Int8Array = NDArray[np.int8]
FloatArray = NDArray[np.float64]

NO_READING: Final = -(2**31)
"""The count of a channel that gave no reading in a scan."""


@dataclass(frozen=True)
class DaqInfo:
    """What a DAQ says of itself when asked. `full_count`: at or beyond ±it a channel is railed.

    `step_V`: what its converter told apart, where counts are finer than that, as those that a log's readings
    were made into; empty where a count is a step.
    """

    board_id: str
    protocol: int
    volts_per_count: tuple[float, ...]
    full_count: tuple[int, ...]
    reset_cause: str = "unknown"
    step_V: tuple[float, ...] = ()

    def converter_step_v(self, column: int) -> float:
        """Return the converter's step on a channel, in volts."""
        return self.step_V[column] if self.step_V else self.volts_per_count[column]


@dataclass(frozen=True)
class ScanBlock:
    """Scans as the DAQ sent them: `t_us` (n,), `sequence` (n,), `counts` (n, c), NO_READING where none.

    `ms` (n,): the DAQ's own counter, unsigned 32-bit, as a link gives it that has one. Only the daemon and
    the store's writer look at it, to tell a counter that has started again and to go on after a crash.
    """

    t_us: Int64Array
    sequence: Int64Array
    counts: Int32Array
    ms: Int64Array | None = None

    def __len__(self) -> int:
        return len(self.t_us)

    def part(self, start: int | None, stop: int | None = None) -> ScanBlock:
        """Return some of the scans, by row."""
        rows = slice(start, stop)
        ms = None if self.ms is None else self.ms[rows]
        return ScanBlock(self.t_us[rows], self.sequence[rows], self.counts[rows], ms)


@dataclass(frozen=True)
class ReadingBlock:
    """Scans in units: `values` (n, c) in A, V or degC, NaN where none or railed.

    `railed` (n, c): -1 railed low, 0 not, +1 railed high.
    """

    t_us: Int64Array
    values: FloatArray
    railed: Int8Array

    def __len__(self) -> int:
        return len(self.t_us)


@dataclass(frozen=True)
class TickBlock:
    """Seconds of a soak: tick k covers [k, k + 1) s.

    `t_s` (n,) whole seconds; `closed_s` (n,) the time of the scan that closed each tick: nothing found
    in a tick can have been raised before it. `n` (n, c) readings in the tick; `mean`, `least`, `greatest`
    (n, c) in A, V or degC, NaN where n is 0; `railed` (n, c) number of railed readings.
    """

    t_s: Int64Array
    closed_s: FloatArray
    n: Int32Array
    mean: FloatArray
    least: FloatArray
    greatest: FloatArray
    railed: Int32Array

    def __len__(self) -> int:
        return len(self.t_s)


@dataclass(frozen=True)
class Mark:
    """A line of text at a time, made by a person."""

    t_us: int
    text: str
