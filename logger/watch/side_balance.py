"""`side balance`: the push side draws more than the pull side, or less."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear, Events, Minutes, Seconds

_HOLD: Final = 5


class SideBalance:
    """Simple acceptance after persistence (JCGM 106) on the difference of the two sides' sums.

    It magnetises the output transformer's core: five minute means running beyond `side_balance_pct` of
    the sides' mean, in the soak only. Says nothing where the set-up knows no sides, or while a pair of either
    side is not to be judged: half a sum is none. Learns nothing. Clears after ten minutes inside.
    Delay: 5 minutes. Price: none while the true difference is inside by three times the scatter of a
    minute's mean, and none in 7,700 pair-hours of the family's tuning half.
    """

    def __init__(self, setup: Setup, minutes: Minutes) -> None:
        self._minutes = minutes
        sides = [[j for j, c in enumerate(setup.pairs) if c.side == side] for side in ("push", "pull")]
        self._push, self._pull = (np.array(side, dtype=np.intp) for side in sides)
        self._judged = bool(sides[0] and sides[1])
        self._both = np.sort(np.concatenate([self._push, self._pull]))
        self._names = tuple(setup.pairs[j].name for j in self._both.tolist())
        self._limit = setup.limits.side_balance_pct / 100.0
        self._beyond = self._within = 0
        self._open = False
        self._onset_s = math.nan

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch; looks at each minute's end."""
        if not self._judged or not seconds.closes_minute or seconds.state != "soaking":
            return []
        current = self._minutes.currents(-1)[0]
        push_a, pull_a = float(current[self._push].sum()), float(current[self._pull].sum())
        mean_a = 0.5 * (push_a + pull_a)
        if seconds.masked[self._both].any() or not mean_a > 0:
            self._beyond = 0
            return []
        row = len(seconds) - 1
        if abs(push_a - pull_a) <= self._limit * mean_a:
            self._beyond = 0
            self._within += 1
            if self._open and self._within >= 2 * _HOLD:
                self._open = False
                return [(row, Clear(Kind.SIDE_BALANCE, self._names, seconds.end_s))]
            return []
        if self._beyond == 0:
            self._onset_s = float(self._minutes.t_min[-1]) * 60.0
        self._beyond += 1
        self._within = 0
        if self._beyond < _HOLD or self._open:
            return []
        self._open = True
        return [(row, self._claim(push_a, pull_a, seconds.end_s))]

    def _claim(self, push_a: float, pull_a: float, raised_s: float) -> Claim:
        mean_a = 0.5 * (push_a + pull_a)
        pct = abs(push_a - pull_a) / mean_a * 100.0
        return Claim(
            Kind.SIDE_BALANCE,
            self._names,
            self._onset_s,
            raised_s,
            Severity.WARNING,
            f"the push side draws {push_a * 1e3:.1f} mA and the pull side {pull_a * 1e3:.1f} mA: "
            f"{pct:.1f} % of their mean apart, the limit is {self._limit * 100:g} %",
            "Set the balance again: the difference magnetises the output transformer.",
            named=False,
            evidence={"push_a": push_a, "pull_a": pull_a, "limit_a": self._limit * mean_a},
        )
