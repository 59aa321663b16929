"""On the lamp limiter or the variac nothing is judged: said when it lasts, so that nobody believes it is."""

from __future__ import annotations

import math
from typing import Final

from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear, Events, Said, Seconds

_AFTER_S: Final = 600
"""As DESIGN has it: ten steady minutes."""
_STEADY: Final = 0.05  # a variac that is turned up moves HT by more: from memory


class BringUp:
    """Counts seconds in the state bring-up in which HT (or the mains, where HT is not measured) stands still.

    Ten minutes of them below 90 % of nominal are a warning of the kind `HT change`: it ends with the
    bring-up. Learns where HT stands, anew when it moves by more than 5 %. Delay: 10 minutes. Price: none, it
    is a fact.
    """

    def __init__(self, setup: Setup) -> None:
        column = setup.first("HT")
        self._ht = column is not None
        column = column if column is not None else setup.first("mains")
        self._name = setup.channel[column].name if column is not None else ""
        self._nominal_v = setup.amp.nominal_ht_V if self._ht else setup.amp.nominal_mains_V
        self._at_v = math.nan
        self._steady_s = 0
        self._open = False

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch."""
        if seconds.state != "bring-up":
            self._steady_s, self._at_v = 0, math.nan
            if not self._open:
                return []
            self._open = False
            return [(0, Clear(Kind.HT_CHANGE, (self._name,), float(seconds.closed_s[0])))]
        out: list[tuple[int, Said]] = []
        for row, volts in enumerate((seconds.ht_v if self._ht else seconds.mains_v).tolist()):
            if volts != volts:
                continue
            if not abs(volts - self._at_v) <= _STEADY * self._at_v:
                self._at_v, self._steady_s = volts, 0
            self._steady_s += 1
            if self._steady_s >= _AFTER_S and not self._open:
                self._open = True
                out.append((row, self._claim(seconds, row)))
        return out

    def _claim(self, seconds: Seconds, row: int) -> Claim:
        what = "HT" if self._ht else "the mains"
        return Claim(
            Kind.HT_CHANGE,
            (self._name,),
            float(seconds.t_s[row]) - _AFTER_S + 1.0,
            float(seconds.closed_s[row]),
            Severity.WARNING,
            f"{what} has stood at {self._at_v:.0f} V for 10 min, {self._at_v / self._nominal_v * 100:.0f} % "
            "of nominal: the amp is taken to be on a lamp or variac, and nothing is judged",
            "Bridge the lamp or turn the variac up; if it is up, put the true HT and mains into the set-up.",
            evidence={"at_v": self._at_v},
        )
