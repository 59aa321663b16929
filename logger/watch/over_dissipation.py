"""`over-dissipation`: anode power, mean per valve, above what its sheet allows."""

from __future__ import annotations

import math

import numpy as np

from logger.blocks import FloatArray
from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear, Events, Seconds, Sight

_WARN_HOLD_S, _TRIP_HOLD_S, _CLEAR_HOLD_S = 30, 10, 60


class OverDissipation:
    """A ceiling with persistence (JCGM 106: simple acceptance after it) on each pair's raw current.

    Warns above `warn_pct` held 30 s, says so above `fail_pct`, trips above `trip_pct` held 10 s or
    above 200 % at once; twice that under declared signal. Nothing but a trip in the first 60 s of HT.
    A second's reading stands for as long as the bench takes to the next; an empty second says nothing.
    Learns nothing. Delay: its hold. Price: none while the amp idles below `warn_pct` by the uncertainty of
    its current; one in 7,700 pair-hours of the family's tuning half, at 100 % in a first minute.
    """

    def __init__(self, setup: Setup) -> None:
        limits = setup.limits
        assert limits.warn_pct is not None  # the set-up fills both in
        assert limits.fail_pct is not None
        self._warn, self._fail, self._trip = limits.warn_pct, limits.fail_pct, limits.trip_pct
        self._ceiling = setup.ceiling
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        pairs = len(self._names)
        self._each_s = max(1.0, 1.0 / setup.link.scans_per_s)
        """How long a second's reading stands for: a slow bench leaves seconds empty by right."""
        self._above = [0.0] * pairs
        self._tripping = [0.0] * pairs
        self._below = [0.0] * pairs
        self._level: list[Severity | None] = [None] * pairs
        self._failing = [False] * pairs
        self._was_off = [False] * pairs
        """Whether HT was off since it was called: a trip after that is said again."""
        self._onset = [0.0] * pairs
        self._newest: FloatArray = np.full((1, pairs), np.nan)

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch."""
        factor = 2.0 if seconds.state == "under signal" else 1.0
        self._newest = seconds.dissipation_pct
        if not seconds.powered:
            self._was_off = [
                off or bool(level) for off, level in zip(self._was_off, self._level, strict=True)
            ]
        hot = seconds.powered and bool((seconds.dissipation_pct > self._warn * factor).any())
        if not hot and not any(self._level):
            for j, read in enumerate((seconds.dissipation_pct == seconds.dissipation_pct).any(axis=0)):
                if read or not seconds.powered:
                    self._above[j] = self._tripping[j] = 0.0
            return []
        out: list[tuple[int, Claim | Clear]] = []
        rows = zip(seconds.dissipation_pct.tolist(), seconds.t_s.tolist(), strict=True)
        for row, (pcts, t_s) in enumerate(rows):
            closed_s, on_s = float(seconds.closed_s[row]), float(seconds.on_s[row])
            out.extend((row, event) for event in self._second(pcts, t_s, closed_s, on_s, factor))
        return out

    def sight(self, pair: int) -> Sight:
        """Return the newest dissipation beside where it warns."""
        read = self._newest[:, pair]
        read = read[read == read]
        return Sight(float(read[-1]) if len(read) else math.nan, self._warn, "%", "anode dissipation")

    def _second(
        self, pcts: list[float], t_s: int, closed_s: float, on_s: float, factor: float
    ) -> list[Claim | Clear]:
        out: list[Claim | Clear] = []
        for j, pct in enumerate(pcts):
            if pct != pct and not math.isnan(on_s):
                continue  # an empty second says nothing
            hot = not math.isnan(on_s) and pct > self._warn * factor
            if not hot:
                self._above[j] = self._tripping[j] = 0.0
                if self._level[j] is not None:
                    self._below[j] += self._each_s
                    if self._below[j] >= _CLEAR_HOLD_S:
                        out.append(Clear(Kind.OVER_DISSIPATION, (self._names[j],), closed_s))
                        self._level[j], self._failing[j], self._was_off[j] = None, False, False
                continue
            self._below[j] = 0.0
            if self._above[j] == 0 and self._level[j] is None:
                self._onset[j] = float(t_s)
            self._above[j] += self._each_s
            self._tripping[j] = self._tripping[j] + self._each_s if pct > self._trip * factor else 0.0
            twice = self._above[j] > self._each_s  # a single reading may be noise
            trip = self._tripping[j] >= _TRIP_HOLD_S or (twice and pct > 200.0 * factor)
            warn = self._above[j] >= _WARN_HOLD_S and on_s >= 60
            again = trip and self._was_off[j]
            worse = again or (trip and self._level[j] is not Severity.TRIP)
            newly = warn and self._level[j] is None
            failing = self._level[j] is not None and pct > self._fail * factor and not self._failing[j]
            if worse or newly or failing:
                self._failing[j] = pct > self._fail * factor
                self._level[j] = Severity.TRIP if trip else self._level[j] or Severity.WARNING
                out.append(self._claim(j, pct, closed_s, again))
                self._was_off[j] = False
        return out

    def _claim(self, j: int, pct: float, raised_s: float, again: bool) -> Claim:
        severity = self._level[j] or Severity.WARNING
        return Claim(
            Kind.OVER_DISSIPATION,
            (self._names[j],),
            self._onset[j],
            raised_s,
            severity,
            f"{self._labels[j]} dissipates {pct:.0f} % of {self._ceiling.says}{self._ceiling.memory}, "
            "mean per valve",
            "Take the mains off."
            if severity is Severity.TRIP
            else "Look for glowing anodes; be ready to switch off.",
            again=again,
            evidence={"dissipation_pct": pct},
        )
