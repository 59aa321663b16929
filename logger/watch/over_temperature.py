"""`over-temperature`: chassis or transformer hotter than the limits allow."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear, Events, Seconds

_HOLD_S: Final = 60
_COOLER_K: Final = 2.0
_CLEAR_S: Final = 300
_FIRST_S: Final = 60
_SENSIBLE_C: Final = 200.0


class OverTemperature:
    """A ceiling with persistence (JCGM 106: simple acceptance after it) on each sensor that has a limit.

    Warns above `chassis_max_C` or `transformer_max_C` held 60 s; clears 2 K below held 5 minutes. What no
    sensor can read is a measuring fault and not judged. Goes on while HT is off: a chassis gets hotter
    after the fan stops. Learns nothing. Delay: its hold. Price: none while the truth is below the limit
    by more than the sensor's own scatter, see docs/how-good.md.
    """

    def __init__(self, setup: Setup, temperatures: list[int]) -> None:
        limits = {
            "chassis temperature": setup.limits.chassis_max_C,
            "transformer temperature": setup.limits.transformer_max_C,
        }
        channels = [setup.channel[column] for column in temperatures]
        self._names = [c.name for c in channels]
        self._limits = np.array([limits.get(c.measures, math.inf) for c in channels])
        """A limit for each of the temperatures that a stretch carries, in degC."""
        self._since_s = [math.nan] * len(channels)
        self._cooler_s = [math.nan] * len(channels)
        self._open = [False] * len(channels)

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch."""
        if not len(self._limits):
            return []
        hot = seconds.temperatures_c > self._limits
        if not hot.any() and not any(self._open):
            self._since_s = [math.nan] * len(self._limits)
            return []
        out: list[tuple[int, Claim | Clear]] = []
        for row in range(len(seconds)):
            for i, celsius in enumerate(seconds.temperatures_c[row].tolist()):
                if -30.0 < celsius < _SENSIBLE_C:
                    event = self._one(i, celsius, seconds, row)
                    if event is not None:
                        out.append((row, event))
        return out

    def _one(self, i: int, celsius: float, seconds: Seconds, row: int) -> Claim | Clear | None:
        limit, t_s, closed_s = float(self._limits[i]), float(seconds.t_s[row]), float(seconds.closed_s[row])
        if self._open[i]:
            if not celsius < limit - _COOLER_K:
                self._cooler_s[i] = math.nan
                return None
            if math.isnan(self._cooler_s[i]):
                self._cooler_s[i] = t_s
            if t_s - self._cooler_s[i] < _CLEAR_S:
                return None
            self._open[i], self._since_s[i] = False, math.nan
            return Clear(Kind.OVER_TEMPERATURE, (self._names[i],), closed_s)
        if not celsius > limit:
            self._since_s[i] = math.nan
            return None
        if math.isnan(self._since_s[i]):
            self._since_s[i] = t_s
        early = seconds.powered and float(seconds.on_s[row]) < _FIRST_S
        if t_s - self._since_s[i] < _HOLD_S or early:
            return None
        self._open[i], self._cooler_s[i] = True, math.nan
        return Claim(
            Kind.OVER_TEMPERATURE,
            (self._names[i],),
            self._since_s[i],
            closed_s,
            Severity.WARNING,
            f"{self._names[i]} is at {celsius:.1f} °C, the limit is {limit:.0f} °C",
            "Uncover the vents, look for what heats it; switch off if it goes on rising.",
            evidence={"celsius": celsius, "limit_celsius": limit},
        )
