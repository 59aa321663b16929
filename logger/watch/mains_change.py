"""`mains change`: the supply stepped, and all pairs with it."""

from __future__ import annotations

import itertools
import math

from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import BIN_S, Claim, Clear, Events, Seconds, Tens

_BINS = 12
_STEP = 0.015
_STEADY = 0.008


class MainsChange:
    """A lasting step of the mains of more than 1.5 %: a remark that explains what all pairs then do.

    Compares the last 40 s with the 40 s that ended a minute earlier, each steady within 0.8 %. Learns
    nothing beyond 2 minutes. Delay: 50 to 60 s. Price: it is a remark, and costs nobody a walk.
    """

    def __init__(self, setup: Setup, tens: Tens) -> None:
        column = setup.first("mains")
        self._name = setup.channel[column].name if column is not None else None
        self._there_v = 0.5 * setup.amp.nominal_mains_V
        self._tens = tens
        self._before_v = math.nan
        self._back = 0

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch; looks at each bin's end."""
        if self._name is None:
            return []
        out: list[tuple[int, Claim | Clear]] = []
        for row, index in seconds.bins:
            if self._tens.unbroken(index, _BINS):
                bins = self._tens.mains_v[index - _BINS + 1 : index + 1].tolist()
                if all(b > self._there_v for b in bins):  # a mains that is gone is `mains lost`
                    end_s = float(seconds.closed_s[row])
                    out.extend((row, event) for event in self._look(bins, int(seconds.t_s[row]), end_s))
        return out

    def _look(self, bins: list[float], t_s: int, closed_s: float) -> list[Claim | Clear]:
        old, new = bins[:4], bins[-4:]
        was, now = sum(old) / 4, sum(new) / 4
        name = self._name or ""
        if self._before_v == self._before_v:
            self._back = self._back + 1 if abs(now / self._before_v - 1.0) < 0.7 * _STEP else 0
            if self._back >= 6:
                self._before_v, self._back = math.nan, 0
                return [Clear(Kind.MAINS_CHANGE, (name,), closed_s)]
            return []
        steady = all((max(b) - min(b)) / was < _STEADY for b in (old, new))
        if not steady or abs(now / was - 1.0) < _STEP:
            return []
        jumps = [abs(b - a) for a, b in itertools.pairwise(bins)]
        onset = t_s + 1 - (len(bins) - 1 - jumps.index(max(jumps))) * BIN_S
        self._before_v = was
        way = "rose" if now > was else "fell"
        return [
            Claim(
                Kind.MAINS_CHANGE,
                (name,),
                float(max(onset, 0)),
                closed_s,
                Severity.REMARK,
                f"the mains {way} from {was:.1f} to {now:.1f} V; all pairs move with it",
                evidence={"before_v": was, "after_v": now},
            )
        ]
