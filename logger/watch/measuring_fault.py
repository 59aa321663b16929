"""`measuring fault`: a channel that can't be true."""

from __future__ import annotations

import math
from collections.abc import Sequence

from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.second import Claim, Clear, Level, Second

_STUCK_S, _NOISY_S, _WELL_S = 60, 4, 30
_NOISY = 8.0
_LEARN_S = 60


class MeasuringFault:
    """Looks for what no amplifier does, second by second.

    A pair's second-to-second scatter eight times what it learnt for 4 s of 6 while the others stay
    quiet; the same count for a minute on a channel that never stood still; a reading that current
    through a resistor can't give (well below zero); HT of nothing while current flows; a temperature
    outside -30 to 200 degC. Learns each pair's scatter in its first minute of HT (one-pole filter,
    after Crowder and Hamilton 1992), never from seconds that it doubts. A lead that comes off and reads
    nothing is found by `drop_out`. Price: not yet scored. Delay: 4 s, a minute for a stuck code.
    """

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        pairs = len(self._names)
        self._last = [math.nan] * pairs
        self._step = [math.nan] * pairs
        self._scatter = [math.nan] * pairs
        self._levels = [Level(10) for _ in range(pairs)]
        self._learnt = [0] * pairs
        self._odd: list[list[bool]] = [[] for _ in range(pairs)]
        self._same = [0] * pairs
        self._moved = [0] * pairs
        self._negative = [0] * pairs
        self._well = [0] * pairs
        self._open: list[bool] = [False] * pairs
        self._other_open: dict[str, int] = {}
        ht = setup.first("HT")
        self._ht_name = setup.channel[ht].name if ht is not None else None

    def update(self, second: Second) -> Sequence[Claim | Clear]:
        """Take in one second."""
        out: list[Claim | Clear] = []
        if second.powered and second.on_s >= 60:
            scatters = self._scatters(second)
            loud = [s > _NOISY * b for s, b in zip(scatters, self._scatter, strict=True)]
            for j in range(len(self._names)):
                self._pair(j, second, scatters[j], loud, out)
        else:
            self._last = [math.nan] * len(self._names)
            if not second.powered:
                self._powered_down(second, out)
        self._ht(second, out)
        self._temperatures(second, out)
        return out

    def _powered_down(self, second: Second, out: list[Claim | Clear]) -> None:
        """Begin anew: what was wrong with a lead may have been put right while the amp was off."""
        for j, name in enumerate(self._names):
            self._levels[j].forget()
            self._odd[j], self._same[j], self._negative[j] = [], 0, 0
            if self._open[j]:
                self._open[j] = False
                out.append(Clear(Kind.MEASURING_FAULT, (name,), second.closed_s))

    def _scatters(self, second: Second) -> list[float]:
        out = []
        for j, value in enumerate(second.current_a):
            step = value - self._last[j]
            bend = abs(step - self._step[j])
            # A lead in the air picks up hum within the second and wanders between seconds. A current on
            # its way somewhere moves evenly, however fast: what is even is left out of both.
            spread = second.greatest_a[j] - second.least_a[j] - 1.5 * abs(step)
            out.append(max(bend, spread if second.n[j] > 1 else bend))
            if value == value:
                self._last[j], self._step[j] = value, step
        return out

    def _pair(
        self, j: int, second: Second, scatter: float, loud: list[bool], out: list[Claim | Clear]
    ) -> None:
        value = second.current_a[j]
        if value != value or scatter != scatter:
            return
        floor = 20e-6
        if self._learnt[j] < _LEARN_S:
            base = self._scatter[j]
            self._scatter[j] = max(scatter if math.isnan(base) else base + 0.1 * (scatter - base), floor)
            self._learnt[j] += 1
            self._levels[j].add(value)
            return
        if not loud[j] and not self._open[j] and not second.masked[j]:
            self._levels[j].add(value)
        # A current that has left its level upwards is believed: the ceilings speak of it.
        soars = value > 1.3 * self._levels[j].value
        odd = loud[j] and not soars and sum(loud) <= max(1, len(loud) // 2)
        if not odd and not self._open[j]:
            self._scatter[j] = max(
                self._scatter[j] + 0.02 * (min(scatter, 3 * self._scatter[j]) - self._scatter[j]), floor
            )
        history = self._odd[j]
        history.append(odd)
        del history[:-6]
        # At one scan a second a plain step is a single large difference; noise keeps coming.
        noisy = sum(history) >= _NOISY_S
        still = second.least_a[j] == second.greatest_a[j] and scatter == 0.0
        self._same[j] = self._same[j] + 1 if still else 0
        self._moved[j] = min(self._moved[j] + (0 if still else 1), 10_000)
        stuck = self._same[j] >= _STUCK_S and self._moved[j] > 20 * _STUCK_S // 10
        self._negative[j] = self._negative[j] + 1 if value < -0.003 else 0
        below = self._negative[j] >= 3
        if (noisy or stuck or below) and not self._open[j] and not second.masked[j]:
            self._open[j], self._well[j] = True, 0
            what = (
                "reads well below zero, which no current can do"
                if below
                else "has read the same to the last digit for a minute"
                if stuck
                else f"is {scatter / self._scatter[j]:.0f} times as noisy as it was, and alone in it"
            )
            out.append(
                self._claim(
                    self._names[j], f"{self._labels[j]} {what}: the lead or the converter", second, 6.0
                )
            )
        elif self._open[j]:
            # What was found is not forgotten: it must read again what it read before.
            away = not 0.8 < value / self._levels[j].value < 1.25
            self._well[j] = 0 if (odd or still or away) else self._well[j] + 1
            if self._well[j] >= _WELL_S:
                self._open[j] = False
                out.append(Clear(Kind.MEASURING_FAULT, (self._names[j],), second.closed_s))

    def _ht(self, second: Second, out: list[Claim | Clear]) -> None:
        if self._ht_name is None:
            return
        flowing = max((c for c in second.current_a if c == c), default=0.0) > 0.015
        dead = second.ht_v < 0.1 * self._setup.amp.nominal_ht_V
        self._hold(
            self._ht_name,
            flowing and dead,
            f"{self._ht_name} reads nothing while current flows: HT is there",
            second,
            out,
        )

    def _temperatures(self, second: Second, out: list[Claim | Clear]) -> None:
        for name, value in second.temperatures:
            wrong = value < -30.0 or value > 200.0
            self._hold(name, wrong, f"{name} reads {value:.0f} °C, which it can't be", second, out)

    def _hold(self, name: str, wrong: bool, says: str, second: Second, out: list[Claim | Clear]) -> None:
        count = self._other_open.get(name, 0)
        if wrong:
            self._other_open[name] = count + 1 if count >= 0 else -1
            if count == 4:
                self._other_open[name] = -1
                out.append(self._claim(name, says, second, 5.0))
        elif count == -1:
            self._other_open[name] = 0
            out.append(Clear(Kind.MEASURING_FAULT, (name,), second.closed_s))
        elif count:
            self._other_open[name] = 0

    def _claim(self, name: str, says: str, second: Second, before_s: float) -> Claim:
        return Claim(
            Kind.MEASURING_FAULT,
            (name,),
            max(0.0, second.t_s - before_s),
            second.closed_s,
            Severity.WARNING,
            says,
            "Look at this channel's lead; it is not judged until it reads again.",
        )
