"""`mains change`: the supply stepped, and all pairs with it."""

from __future__ import annotations

import itertools
import math
from collections import deque
from collections.abc import Sequence

from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.second import Claim, Clear, Second

_BIN_S = 10
_STEP = 0.015
_STEADY = 0.008


class MainsChange:
    """A lasting step of the mains of more than 1.5 %: a remark that explains what all pairs then do.

    Compares the last 40 s with the 40 s that ended a minute earlier, each steady within 0.8 %. Learns
    nothing beyond 2 minutes. Delay: 50 to 60 s. Price: it is a remark, and costs nobody a walk.
    """

    def __init__(self, setup: Setup) -> None:
        column = setup.first("mains")
        self._name = setup.channel[column].name if column is not None else None
        self._bins: deque[float] = deque(maxlen=12)
        self._sum, self._n, self._slot = 0.0, 0, -1
        self._before_v = math.nan
        self._back = 0

    def update(self, second: Second) -> Sequence[Claim | Clear]:
        """Take in one second."""
        if self._name is None:
            return []
        out: Sequence[Claim | Clear] = []
        slot = second.t_s // _BIN_S
        if slot != self._slot:
            out = self._close(second)
            self._slot = slot
        if second.powered and second.mains_v == second.mains_v:
            self._sum += second.mains_v
            self._n += 1
        elif not second.powered:
            self._bins.clear()
        return out

    def _close(self, second: Second) -> Sequence[Claim | Clear]:
        if not self._n:
            return []
        self._bins.append(self._sum / self._n)
        self._sum, self._n = 0.0, 0
        if len(self._bins) < 12 or not second.powered:
            return []
        bins = list(self._bins)
        old, new = bins[:4], bins[-4:]
        was, now = sum(old) / 4, sum(new) / 4
        name = self._name or ""
        if self._before_v == self._before_v:
            self._back = self._back + 1 if abs(now / self._before_v - 1.0) < 0.7 * _STEP else 0
            if self._back >= 6:
                self._before_v, self._back = math.nan, 0
                return [Clear(Kind.MAINS_CHANGE, (name,), second.closed_s)]
            return []
        steady = all((max(b) - min(b)) / was < _STEADY for b in (old, new))
        if not steady or abs(now / was - 1.0) < _STEP:
            return []
        jumps = [abs(b - a) for a, b in itertools.pairwise(bins)]
        onset = second.t_s - (len(bins) - 1 - jumps.index(max(jumps))) * _BIN_S
        self._before_v = was
        way = "rose" if now > was else "fell"
        return [
            Claim(
                Kind.MAINS_CHANGE,
                (name,),
                float(max(onset, 0)),
                second.closed_s,
                Severity.REMARK,
                f"the mains {way} from {was:.1f} to {now:.1f} V; all pairs move with it",
                evidence={"before_v": was, "after_v": now},
            )
        ]
