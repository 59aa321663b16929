"""`HT change`: HT stands elsewhere, and neither the mains nor the load says why."""

from __future__ import annotations

import itertools
import math
from typing import Final

import numpy as np

from logger.blocks import FloatArray
from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import BIN_S, Claim, Clear, Events, Seconds, Tens

_REGULATION: Final = 0.05  # by how much it rises when the idle current goes: common practice, no source
_REGULATION_U: Final = 0.03
_REMARK: Final = 0.015  # as for the mains
_REMARK_ALONE: Final = 0.025
_WARN: Final = 0.05
_OWN_GAIN: Final = 3.0
_FROM_S: Final = 300
_BINS: Final = 6
_STEADY: Final = 0.008
_BACK: Final = 0.7


class HTChange:
    """HT's minute against its first steady one, less what mains and the pairs' sum explain.

    HT follows the mains one to one, and rises by some 5 % (common practice, no source: 2 to 8 % are taken
    for possible) when the whole idle current goes. A remark where more than 1.5 % is left, a warning above
    5 %; a step or a slow way, it is one finding until it comes back. Without mains a remark above 2.5 %,
    which may be the mains; as with them only with fixed bias and where the currents moved three times as far:
    the mains move bias and HT together and the currents by 1.5 times, HT alone moves them by 5.
    Learns the first minute that is steady within 0.8 % after 5 minutes of HT, and keeps it over restarts.
    Delay: 30 to 40 s. Price: it is a remark; of its warnings see docs/how-good.md.
    """

    def __init__(self, setup: Setup, tens: Tens) -> None:
        column = setup.first("HT")
        self._name = setup.channel[column].name if column is not None else None
        self._mains = setup.first("mains") is not None
        self._fixed = setup.amp.bias == "fixed"
        self._ht_v = setup.amp.nominal_ht_V
        self._mains_v = setup.amp.nominal_mains_V
        self._tens = tens
        self._was: FloatArray | None = None
        """log HT over mains, then the pairs' currents, as they were."""
        self._was_sum_a = math.nan
        self._level: Severity | None = None
        self._back = 0

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch; looks at each bin's end."""
        if self._name is None or not seconds.bins or not seconds.powered:
            return []
        out: list[tuple[int, Claim | Clear]] = []
        first = max(0, seconds.bins[0][1] - _BINS + 1)
        if self._calm(first):
            return []
        free, current = self._free(first), self._tens.current_a[first:]
        on_s = self._tens.on_s[first:].tolist()
        for row, index in seconds.bins:
            stop = index - first + 1
            if stop < _BINS or on_s[stop - 1] < _FROM_S:
                continue
            six = free[stop - _BINS : stop]
            if any(x != x for x in six) or on_s[stop - 1] - on_s[stop - _BINS] != BIN_S * (_BINS - 1):
                continue
            ranked = sorted(six)
            now = 0.5 * (ranked[_BINS // 2 - 1] + ranked[_BINS // 2])
            if self._was is None:
                if ranked[-1] - ranked[0] < _STEADY:
                    level = current[stop - _BINS : stop]
                    self._was = np.concatenate([[now], level.mean(axis=0)])
                    self._was_sum_a = float(self._was[1:].sum())
                continue
            ht_v = float(self._tens.ht_v[index])
            event = self._judge(now, current[stop - _BINS : stop], six, ht_v, seconds, row)
            if event is not None:
                out.append((row, event))
        return out

    def _free(self, first: int) -> list[float]:
        """Return log HT over nominal, the mains taken out where measured, NaN where it is not there."""
        ht = self._tens.ht_v[first:] / self._ht_v
        there = ht > 0.5
        if self._mains:
            mains = self._tens.mains_v[first:] / self._mains_v
            there &= mains > 0.5
            ht = ht / np.where(there, mains, np.nan)
        return [float(x) for x in np.log(np.where(there, ht, np.nan))]

    def _calm(self, first: int) -> bool:
        """Whether HT and load stay so near to what they were that no minute of theirs can be away."""
        if self._was is None or self._level is not None:
            return False
        ht, was = self._tens.ht_v[first:] / self._ht_v, float(self._was[0])
        if self._mains:
            ht = ht / np.maximum(self._tens.mains_v[first:] / self._mains_v, 0.5)
        load = self._tens.current_a[first:].sum(axis=1) / self._was_sum_a
        near = np.abs(ht / math.exp(was) - 1.0) < 0.4 * _REMARK
        near &= np.abs(load - 1.0) < 0.1
        return bool(near.all())

    def _judge(
        self, now: float, current_a: FloatArray, six: list[float], ht_v: float, seconds: Seconds, row: int
    ) -> Claim | Clear | None:
        assert self._was is not None
        was, was_a = float(self._was[0]), self._was[1:]
        now_a = np.array([np.median(current_a[:, j]) for j in range(len(was_a))])
        known = (now_a == now_a) & (was_a == was_a)
        if not known.any():
            return None
        load = float(now_a[known].sum() / was_a[known].sum())
        # a pair that isn't judged may draw nothing or what it drew
        unsure = 2 * _REGULATION * (1.0 - float(known.mean())) + _REGULATION_U * abs(load - 1.0)
        left = now - was + _REGULATION * (load - 1.0)
        left = math.copysign(max(0.0, abs(left) - unsure), left)
        closed_s = float(seconds.closed_s[row])
        name = self._name or ""
        own = self._mains
        if not own and self._fixed and load > 0 and now != was:
            own = math.log(load) / (now - was) > _OWN_GAIN
        least = _REMARK if own else _REMARK_ALONE
        if self._level is not None:
            self._back = self._back + 1 if abs(left) < _BACK * least else 0
            if self._back >= _BINS:
                self._level, self._back = None, 0
                return Clear(Kind.HT_CHANGE, (name,), closed_s)
        if abs(left) < least:
            return None
        level = Severity.WARNING if abs(left) > _WARN and own else Severity.REMARK
        if self._level is not None and level.rank <= self._level.rank:
            return None
        self._level = level
        moved = (math.exp(now - was) - 1.0) * 100.0
        mains = "nor do the mains" if own else "the mains may"
        mains = mains if self._mains or not own else "and mains would move the currents less"
        against = " against the mains" if self._mains else ""
        return Claim(
            Kind.HT_CHANGE,
            (name,),
            self._onset_s(six, seconds, row),
            closed_s,
            level,
            f"HT {'rose' if moved > 0 else 'fell'} by {abs(moved):.1f} %{against} to "
            f"{ht_v:.0f} V: the load doesn't explain it, {mains}",
            "Look at rectifier, reservoir and fuse. HT is lethal: switch off and discharge it first."
            if level is Severity.WARNING
            else "",
            evidence={"unexplained": left, "moved": now - was, "load": load},
        )

    def _onset_s(self, six: list[float], seconds: Seconds, row: int) -> float:
        jumps = [abs(b - a) for a, b in itertools.pairwise(six)]
        back = len(six) - 1 - jumps.index(max(jumps))
        return max(0.0, float(seconds.t_s[row]) + 1.0 - back * BIN_S)
