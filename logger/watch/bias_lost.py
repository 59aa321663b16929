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
    Price: none in 7,700 pair-hours of the family's tuning half. Delay: 2 to 4 s from 30 %.
    """

    def __init__(self, setup: Setup, tens: Tens) -> None:
        self._tens = tens
        self._names = tuple(c.name for c in setup.pairs)
        self._ht_least_v = 0.1 * setup.amp.nominal_ht_V
        pairs = len(self._names)
        self._level = np.full(pairs + 3, np.nan)
        """Pairs, HT, mains and bias as they were."""
        self._up = 0
        self._well = 0
        self._open = False
        self._onset_s = math.nan
        self._calm_s = -math.inf

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch."""
        if not seconds.powered:
            self._up = self._well = 0
            return []
        if not self._open and self._up == 0 and self._calm(seconds):
            if len(self._names) == 1:
                read = np.flatnonzero(seconds.current_a[:, 0] == seconds.current_a[:, 0])
                self._calm_s = float(seconds.t_s[read[-1]]) if len(read) else self._calm_s
            return []
        out: list[tuple[int, Claim | Clear]] = []
        index = len(self._tens) - len(seconds.bins) - 1
        ends = {row for row, _ in seconds.bins}
        fresh = False
        for row in range(len(seconds)):
            if not (self._open or self._up or fresh):
                self._level, fresh = self._level_after(index, float(seconds.on_s[row])), True
            event = self._second(seconds, row)
            if event is not None:
                out.append((row, event))
            if row in ends:
                index += 1
            fresh = fresh and row not in ends and not (self._open or self._up)
        return out

    def _calm(self, seconds: Seconds) -> bool:
        """Whether no second stands 10 % above any level that may be held against it."""
        reach = len(seconds.bins) + _KEPT_BINS + 3
        least = np.fmin.reduce(self._tens.current_a[-reach:], axis=0, initial=np.inf)
        above = seconds.current_a > _CALM * least
        unknown = seconds.masked | ~((least > _LEAST_A) & (least < np.inf))
        if unknown.any():
            above |= unknown
        unread = seconds.current_a != seconds.current_a
        if unread.any():
            above |= unread
            above[unread.all(axis=1)] = False
        return not above.all(axis=1).any()

    def _level_after(self, index: int, on_s: float) -> FloatArray:
        """Return pairs, HT, mains and bias at the newest three bins running that agree, NaN without any.

        `index`: the last bin that has ended, a minute back at most.
        """
        pairs, tens = len(self._names), self._tens
        for last in range(index, max(index - _KEPT_BINS, 1), -1):
            three = slice(last - 2, last + 1)
            ends_s = tens.on_s[three]
            if not 0 < on_s - ends_s[2] <= BIN_S * (_KEPT_BINS + 1):
                break
            if ends_s[2] - ends_s[0] != 2 * BIN_S:
                continue
            others = (tens.ht_v[three], tens.mains_v[three], tens.bias_v[three])
            rows = np.sort(np.column_stack([tens.current_a[three], *others]), axis=0)
            apart = rows[2, :pairs] - rows[0, :pairs] > _STEADY * rows[1, :pairs]
            if not apart.any() and not np.isnan(rows[2, :pairs]).all():
                rows[1, np.isnan(rows[2])] = np.nan  # a pair that was not seen in all three has no level
                return np.asarray(rows[1])
        return np.full(pairs + 3, np.nan)

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
