"""`mismatch`: a pair away from the others by more than the limit."""

from __future__ import annotations

import math

from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear, Events, Minutes, Seconds, Sight, others_median

_HOLD = 5


class Mismatch:
    """Simple acceptance after persistence (JCGM 106): five minute means running beyond the limit.

    Judged in the soak only: pairs that are still warming up differ by right. With two pairs none is
    named. Learns nothing. Delay: 5 minutes. Price: none while the true difference is inside the limit
    by three times the scatter of a minute's mean, and none in 7,700 pair-hours of the family's tuning half.
    """

    def __init__(self, setup: Setup, minutes: Minutes) -> None:
        self._setup = setup
        self._minutes = minutes
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        pairs = len(self._names)
        self._beyond = [0] * pairs
        self._within = [0] * pairs
        self._open = [False] * pairs
        self._onset = [math.nan] * pairs

    def update(self, second: Seconds) -> Events:
        """Take in a stretch; looks at each minute's end."""
        if not second.closes_minute or second.state != "soaking" or len(self._names) < 2:
            return []
        current = self._minutes.currents(-1)[0].tolist()
        median = others_median(current, second.masked)
        if median != median:
            return []
        out: list[Claim | Clear] = []
        limit = self._setup.limits.match_a(median)
        for j, value in enumerate(current):
            if second.masked[j] or value != value:
                self._beyond[j] = 0
                continue
            difference = self._difference(current, j, median)
            if difference != difference:
                continue
            if abs(difference) > limit:
                if self._beyond[j] == 0:
                    self._onset[j] = float(self._minutes.t_min[-1]) * 60.0
                self._beyond[j] += 1
                self._within[j] = 0
            else:
                self._beyond[j] = 0
                self._within[j] += 1
            if self._beyond[j] >= _HOLD and not self._open[j]:
                out.extend(self._raise(j, difference, limit, second))
            elif self._open[j] and self._within[j] >= 2 * _HOLD:
                self._open[j] = False
                out.append(Clear(Kind.MISMATCH, self._channels(j), second.end_s))
                if len(self._names) == 2:
                    self._open = [False, False]
        return [(len(second) - 1, event) for event in out]

    def sight(self, pair: int) -> Sight:
        """Return how far the last minute was from the others."""
        what = "last minute, away from the others"
        if not len(self._minutes) or len(self._names) < 2:
            return Sight(math.nan, math.nan, "mA", what)
        current = self._minutes.currents(-1)[0].tolist()
        median = others_median(current, [False] * len(current))
        limit = self._setup.limits.match_a(median) if median == median else math.nan
        return Sight(abs(self._difference(current, pair, median)) * 1e3, limit * 1e3, "mA", what)

    def _difference(self, current: list[float], j: int, median: float) -> float:
        return current[j] - current[1 - j] if len(current) == 2 else current[j] - median

    def _channels(self, j: int) -> tuple[str, ...]:
        return tuple(self._names) if len(self._names) == 2 else (self._names[j],)

    def _raise(self, j: int, difference: float, limit: float, second: Seconds) -> list[Claim | Clear]:
        two = len(self._names) == 2
        self._open = [True, True] if two else [o or k == j for k, o in enumerate(self._open)]
        size = abs(difference) * 1e3
        if two:
            both = " and ".join(self._labels)
            says = f"{both} differ by {size:.1f} mA, the limit is {limit * 1e3:.1f} mA"
        else:
            way = "above" if difference > 0 else "below"
            says = f"{self._labels[j]} is {size:.1f} mA {way} the others, the limit is {limit * 1e3:.1f} mA"
        return [
            Claim(
                Kind.MISMATCH,
                self._channels(j),
                self._onset[j],
                second.end_s,
                Severity.WARNING,
                says,
                "Set the bias again, or fit a matched pair.",
                named=not two,
                evidence={"difference_a": difference, "limit_a": limit},
            )
        ]
