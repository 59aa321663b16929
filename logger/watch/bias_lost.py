"""`bias lost`: the grids have lost their bias, and all pairs draw far more within seconds."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from logger.blocks import FloatArray
from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import BIN_S, Claim, Clear, Events, Seconds, Tens

_ROSE: Final = 1.3
_ROSE_WITH_BIAS: Final = 1.15
_BIAS_FELL: Final = 0.95
_WELL: Final = 1.15
_CALM: Final = 1.1
_SAGS: Final = 0.99
_MAINS_ROSE: Final = 1.08  # a mains step that a third more current could come from
_STEADY: Final = 0.15
_ALONE_S: Final = 12
_FIRST_S: Final = 60
_WELL_S: Final = 60
_KEPT_BINS: Final = 6
_LEAST_A: Final = 0.002


class BiasLost:
    """All pairs draw 30 % more than half a minute ago, two seconds running, and HT sags under it.

    Nothing else does that: with the mains HT rises first, a pair alone leaves the others. Half as much
    is enough where a bias channel has fallen by more than 5 % beyond the mains; a bias channel that falls
    while no current rises is a lead. Without HT the currents speak alone. With one pair, which could
    be its own doing, it must have come within 12 s: a runaway takes longer. Limits from memory of what bias
    supplies and signal do, no source. The ceilings make the trip (`over_dissipation`).
    Learns the level of three bins of 10 s that agree, as each ends; keeps it while it is exceeded. In the
    first 60 s of HT nothing is said, and what stands then is said. Under declared signal only with a bias
    channel.
    Price: see README, how good the watch is. Delay: 2 to 4 s from 30 %.
    """

    def __init__(self, setup: Setup, tens: Tens) -> None:
        self._tens = tens
        self._names = tuple(c.name for c in setup.pairs)
        self._ht_least_v = 0.1 * setup.amp.nominal_ht_V
        pairs = len(self._names)
        self._level = np.full(pairs + 3, np.nan)
        """Pairs, HT, mains and bias as they were."""
        self._old = 0
        self._up = 0
        self._well = 0
        self._open = False
        self._onset_s = math.nan
        self._calm_s = -math.inf

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch."""
        if not seconds.powered:
            self._up = self._well = 0
            if not self._open:
                self._level[:] = np.nan
            return []
        levels = self._levels(seconds)
        if not self._open and self._up == 0 and self._calm(seconds, levels):
            self._calm_s = float(seconds.t_s[-1])
            for level in levels:
                self._learn(level)
            return []
        out: list[tuple[int, Claim | Clear]] = []
        ends = {row: level for (row, _), level in zip(seconds.bins, levels, strict=True)}
        for row in range(len(seconds)):
            event = self._second(seconds, row)
            if event is not None:
                out.append((row, event))
            if row in ends:
                self._learn(ends[row])
        return out

    def _levels(self, seconds: Seconds) -> FloatArray:
        """Return what three bins running agree on at each bin's end, (bins, pairs + 3), else NaN."""
        pairs = len(self._names)
        if not seconds.bins:
            return np.empty((0, pairs + 3))
        first = seconds.bins[0][1] - 2
        tens, start = self._tens, max(first, 0)
        stop = seconds.bins[-1][1] + 1
        others = (tens.ht_v, tens.mains_v, tens.bias_v)
        rows = np.column_stack([tens.current_a[start:stop], *(x[start:stop] for x in others)])
        out = np.full((len(seconds.bins), pairs + 3), np.nan)
        if len(rows) < 3:
            return out
        a, b, c = rows[:-2], rows[1:-1], rows[2:]
        low, high = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
        middle = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
        on_s = tens.on_s[start:stop]
        steady = on_s[2:] - on_s[:-2] == 2 * BIN_S
        steady &= ~(high[:, :pairs] - low[:, :pairs] > _STEADY * np.abs(middle[:, :pairs])).any(axis=1)
        middle[~steady] = np.nan
        out[len(out) - len(middle) :] = middle
        return out

    def _learn(self, level: FloatArray) -> None:
        if self._open or self._up:
            return
        if not np.isnan(level[: len(self._names)]).all():
            self._level, self._old = level, 0
            return
        self._old += 1
        if self._old >= _KEPT_BINS:
            self._level = level

    def _calm(self, seconds: Seconds, levels: FloatArray) -> bool:
        """Whether no second stands 10 % above any level that may be held against it."""
        pairs = len(self._names)
        least = np.fmin.reduce(np.vstack([self._level[:pairs], levels[:, :pairs]]), axis=0)
        usable = ~seconds.masked & (least > _LEAST_A)
        above = (seconds.current_a > _CALM * least) | ~usable
        return not (above.all(axis=1).any() and usable.any())

    def _second(self, seconds: Seconds, row: int) -> Claim | Clear | None:
        pairs = len(self._names)
        was, now = self._level[:pairs], seconds.current_a[row]
        usable = ~seconds.masked & (was > _LEAST_A) & ~np.isnan(now)
        t_s, on_s = float(seconds.t_s[row]), float(seconds.on_s[row])
        if not usable.any() or 2 * int(usable.sum()) < pairs:
            return None
        rose = float((now[usable] / was[usable]).min())
        if rose < _CALM:
            self._calm_s = t_s
        if self._open:
            return self._cleared(rose, on_s, float(seconds.closed_s[row]))
        bias = float(seconds.bias_v[row] / self._level[pairs + 2])
        mains = float(seconds.mains_v[row] / self._level[pairs + 1])
        fell = bias / (mains if mains > 0.5 else 1.0) < _BIAS_FELL
        up = rose > (_ROSE_WITH_BIAS if fell else _ROSE)
        up = up and (fell or seconds.state not in ("under signal", "setting bias"))
        ht = float(seconds.ht_v[row] / self._level[pairs])
        if ht == ht and seconds.ht_v[row] > self._ht_least_v:
            up = up and ht < _SAGS
        else:
            up = up and not mains > _MAINS_ROSE
        if up and self._up == 0:
            self._onset_s = t_s
            # one pair alone: a runaway takes longer, and has its own name
            up = pairs > 1 or fell or t_s - self._calm_s <= _ALONE_S
        self._up = self._up + 1 if up else 0
        if self._up < 2 or on_s < _FIRST_S:
            return None
        self._open, self._well = True, 0
        return self._claim(seconds, row, rose, ht, fell)

    def _cleared(self, rose: float, on_s: float, closed_s: float) -> Clear | None:
        self._well = self._well + 1 if rose < _WELL and on_s >= _FIRST_S else 0
        if self._well < _WELL_S:
            return None
        self._open, self._up, self._well = False, 0, 0
        return Clear(Kind.BIAS_LOST, self._names, closed_s)

    def _claim(self, seconds: Seconds, row: int, rose: float, ht: float, fell: bool) -> Claim:
        pairs = len(self._names)
        was_v, now_v = float(self._level[pairs + 2]), float(seconds.bias_v[row])
        supply = f" and HT fell by {(1 - ht) * 100:.0f} %" if ht < _SAGS else ""
        grid = f"; the bias went from {was_v:.1f} to {now_v:.1f} V" if fell else ""
        whose = "all pairs draw" if pairs > 1 else f"{self._names[0]} draws"
        return Claim(
            Kind.BIAS_LOST,
            self._names,
            self._onset_s,
            float(seconds.closed_s[row]),
            Severity.WARNING,
            f"{whose} at least {(rose - 1) * 100:.0f} % more than seconds ago{supply}{grid}",
            "Take the mains off now: the bias supply, its fuse or its lead. Nothing else holds the current.",
            named=False,
            evidence={"least_rise": rose, "ht_ratio": ht if ht == ht else None},
        )
