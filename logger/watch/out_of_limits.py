"""`out of limits`: a pair outside the window that the amp's maker states."""

from __future__ import annotations

import math
from typing import Final

from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear, Events, Minutes, Seconds

_HOLD: Final = 5


class OutOfLimits:
    """Simple acceptance after persistence (JCGM 106): five minute means running outside the window.

    `pair_low_mA` and `pair_high_mA`, where stated, in the soak only: pairs that are still warming up are
    elsewhere by right. Learns nothing. Clears after ten minutes inside. Delay: 5 minutes. Price: none while
    the truth is inside by three times the scatter of a minute's mean, and none in 7,700 pair-hours of the
    family's tuning half.
    """

    def __init__(self, setup: Setup, minutes: Minutes) -> None:
        low, high = setup.limits.pair_low_mA, setup.limits.pair_high_mA
        self._stated = low is not None or high is not None
        self._low_a = low / 1e3 if low is not None else -math.inf
        self._high_a = high / 1e3 if high is not None else math.inf
        self._minutes = minutes
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        pairs = len(self._names)
        self._outside = [0] * pairs
        self._inside = [0] * pairs
        self._open = [False] * pairs
        self._onset_s = [math.nan] * pairs

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch; looks at each minute's end."""
        if not self._stated or not seconds.closes_minute or seconds.state != "soaking":
            return []
        out: list[Claim | Clear] = []
        masked = seconds.masked.tolist()
        for j, value in enumerate(self._minutes.currents(-1)[0].tolist()):
            if masked[j] or value != value:
                self._outside[j] = 0
                continue
            if self._low_a <= value <= self._high_a:
                self._outside[j] = 0
                self._inside[j] += 1
                if self._open[j] and self._inside[j] >= 2 * _HOLD:
                    self._open[j] = False
                    out.append(Clear(Kind.OUT_OF_LIMITS, (self._names[j],), seconds.end_s))
                continue
            if self._outside[j] == 0:
                self._onset_s[j] = float(self._minutes.t_min[-1]) * 60.0
            self._outside[j] += 1
            self._inside[j] = 0
            if self._outside[j] >= _HOLD and not self._open[j]:
                self._open[j] = True
                out.append(self._claim(j, value, seconds.end_s))
        return [(len(seconds) - 1, event) for event in out]

    def _claim(self, j: int, value: float, raised_s: float) -> Claim:
        low = value < self._low_a
        limit = self._low_a if low else self._high_a
        way, end = ("below", "least") if low else ("above", "most")
        return Claim(
            Kind.OUT_OF_LIMITS,
            (self._names[j],),
            self._onset_s[j],
            raised_s,
            Severity.WARNING,
            f"{self._labels[j]} idles at {value * 1e3:.1f} mA, {way} the {limit * 1e3:.1f} mA that the "
            f"set-up states as the {end}",
            "Set the bias again, to the window that the amp's maker states.",
            evidence={"current_a": value, "limit_a": limit},
        )
