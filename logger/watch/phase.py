"""What the amp is doing, found from the data or declared by a person, and how far the plan has come.

States: off, bring-up, warming, setting bias, soaking, under signal, standby, cooling. Steps count from HT on:
HT at 90 % of nominal, and at first the mains too, or without an HT channel the first rise of the currents. A
step's clock runs while the amp does what the step asks. A standby over a minute goes back to the last
warm-up's start. Setting bias is declared, and ends 5 minutes after the last adjustment; signal is declared on
and off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from logger.blocks import FloatArray
from logger.requests import Ask
from logger.setup import Setup

_HT_ON, _HT_LOST, _DEAD = 0.9, 0.5, 0.1
_CURRENT_ON_A = 0.003  # without an HT channel: a cold valve draws nothing at all
_STANDBY_RESTARTS_S = 60
_SETTING_S = 300


@dataclass
class StepRun:
    """A step as it ran: seconds since the first scan; `to_s` None while it runs."""

    step: str
    from_s: float
    to_s: float | None
    seconds: float
    done_s: float = 0.0


@dataclass
class Phase:
    """Follows state and steps second by second."""

    setup: Setup
    state: str = "off"
    on_s: float = math.nan
    began_hot: bool = False
    runs: list[StepRun] = field(default_factory=list)
    states: list[tuple[str, float]] = field(default_factory=list)
    off_s: int = 0
    _next: int = 0
    _was_on: bool = False
    _on: bool = False
    _seen: bool = False
    _steady: bool = False
    _t_s: int = -1
    _signal: bool = False
    _setting_until_s: float = -math.inf
    during: StepRun | None = None
    """The step that the last second belonged to."""

    @property
    def step(self) -> StepRun | None:
        """The step that is running, or None before the first and after the last."""
        return self.runs[-1] if self.runs and self.runs[-1].to_s is None else None

    @property
    def ht_on(self) -> bool:
        """Whether HT is on just now; `on_s` stands still while it is off, up to a minute."""
        return self._on

    @property
    def plan_done(self) -> bool:
        """Whether the last step has run its time."""
        return self._next >= len(self.setup.plan.steps) and self.step is None

    @property
    def plan_ends_s(self) -> float:
        """Seconds that the plan still asks for after the running step."""
        return sum(step.seconds for step in self.setup.plan.steps[self._next :])

    @property
    def bringing_up(self) -> bool:
        """Whether HT has never been on yet: on the lamp limiter, on the variac, or off."""
        return not self._was_on

    def declare(self, ask: Ask, t_s: int) -> None:
        """Take in what a person says that is done from second `t_s` on."""
        if ask is Ask.SIGNAL_ON or ask is Ask.SIGNAL_OFF:
            self._signal = ask is Ask.SIGNAL_ON
        elif ask is Ask.SETTING_BIAS:
            self._setting_until_s = t_s + _SETTING_S
        self._steady = False

    def adjusted(self, t_s: float) -> None:
        """Go on with setting bias: a pot was turned at `t_s`."""
        self._setting_until_s = max(self._setting_until_s, t_s + _SETTING_S)

    def soak_run(self) -> StepRun | None:
        """Return the last soak step that ran or runs."""
        return next((run for run in reversed(self.runs) if run.step == "soak"), None)

    def update(self, t_s: int, ht_v: float, mains_v: float, currents_a: list[float], measured: bool) -> None:
        """Take in one second; `measured` False where nothing was read (a gap): clocks run on unseen."""
        before = (self.state, self.step, self._on)
        self._t_s = t_s
        if measured:
            self._see(ht_v, mains_v, currents_a, t_s)
        if self._on:
            self.on_s = 0.0 if math.isnan(self.on_s) else self.on_s + 1.0
        self.during = None
        self._advance(t_s)
        if measured:
            self._name(ht_v, mains_v, t_s)
        self._steady = measured and before == (self.state, self.step, self._on)

    def same(self, ht_v: FloatArray, largest_a: FloatArray, measured: NDArray[np.bool_]) -> int:
        """Return how many of the next seconds can only move the clocks: state, step and HT stay as they are.

        `largest_a`: the largest pair current, NaN where none. Never more than there are; 0 where it is not
        known beforehand, then `update` takes the next second.
        """
        if not self._on or not self._steady or math.isnan(self.on_s):
            return 0
        nominal = self.setup.amp.nominal_ht_V
        with np.errstate(invalid="ignore"):
            seen = ht_v == ht_v
            stays = ht_v >= _HT_LOST * nominal
            stays |= (largest_a > 5 * _CURRENT_ON_A) & (ht_v < _DEAD * nominal)
            unseen = True if self.setup.first("HT") is not None else largest_a > _CURRENT_ON_A
        lost = ~(np.where(seen, stays, unseen) | ~measured)
        rows = int(lost.argmax()) if lost.any() else len(lost)
        if self.state == "setting bias":
            rows = min(rows, math.ceil(self._setting_until_s) - self._t_s - 1)
        run = self.step
        if run is None:
            return max(rows, 0) if self.plan_done else 0
        if self._runs_in(run.step):
            rows = min(rows, math.ceil(run.seconds - run.done_s) - 1)
        return max(rows, 0)

    def skip(self, seconds: int) -> None:
        """Let the clocks run over seconds that `same` vouched for."""
        self.on_s += seconds
        self._t_s += seconds
        run = self.during = self.step
        if run is not None and self._runs_in(run.step):
            run.done_s += seconds

    def _see(self, ht_v: float, mains_v: float, currents_a: list[float], t_s: int) -> None:
        nominal = self.setup.amp.nominal_ht_V
        largest = max((c for c in currents_a if c == c), default=0.0)
        if ht_v == ht_v:
            on = ht_v >= (_HT_LOST if self._on else _HT_ON) * nominal
            on = on and not (self.bringing_up and self._mains_low(mains_v))
            # A reading of no HT with current flowing is a broken divider, not an amp that is off.
            on = on or (self._on and largest > 5 * _CURRENT_ON_A and ht_v < _DEAD * nominal)
        elif self.setup.first("HT") is not None and self._seen:
            on = self._on
        else:
            on = largest > _CURRENT_ON_A and not (self.bringing_up and self._mains_low(mains_v))
        if on and not self._on:
            self.began_hot = self.began_hot or (not self._seen and largest > _CURRENT_ON_A)
            if self._was_on and self.off_s > _STANDBY_RESTARTS_S:
                self._restart(t_s)
            if not self._was_on or self.off_s > _STANDBY_RESTARTS_S:
                self.on_s = math.nan
            self._was_on = True
        if not on and self._on:
            self.off_s = 0
        if not on:
            self.off_s += 1
            if self.off_s > _STANDBY_RESTARTS_S:
                self.on_s = math.nan
        self._on = on
        self._seen = True

    def _mains_low(self, mains_v: float) -> bool:
        """Whether the mains are there but held low, by a variac, say; a lead that is off reads nothing."""
        nominal = self.setup.amp.nominal_mains_V
        return _DEAD * nominal <= mains_v < _HT_ON * nominal

    def _restart(self, t_s: int) -> None:
        running = self.step
        if running is not None:
            running.to_s = float(t_s)
        steps = self.setup.plan.steps
        done = max(self._next - (1 if running is not None else 0), 0)
        for index in range(min(done, len(steps) - 1), -1, -1):
            if steps[index].step == "warm-up":
                self._next = index
                return
        self._next = done

    def _advance(self, t_s: int) -> None:
        if self.step is None and self._next < len(self.setup.plan.steps):
            planned = self.setup.plan.steps[self._next]
            if not (self.runs or self._runs_in(planned.step)):
                return
            if self.runs or self._was_on or planned.step in ("off", "heaters only"):
                self.runs.append(StepRun(planned.step, float(t_s), None, planned.seconds))
                self._next += 1
        run = self.during = self.step
        if run is None or not self._runs_in(run.step):
            return
        run.done_s += 1.0
        if run.done_s >= run.seconds:
            run.to_s = float(t_s + 1)

    def _runs_in(self, step: str) -> bool:
        return not self._on if step in ("off", "heaters only") else self._on

    def _name(self, ht_v: float, mains_v: float, t_s: int) -> None:
        amp = self.setup.amp
        mains_gone = mains_v == mains_v and mains_v < 0.5 * amp.nominal_mains_V
        if self._on:
            self._name_on(t_s)
            return
        if self._was_on:
            state = "cooling" if mains_gone else "standby"
        elif ht_v >= _DEAD * amp.nominal_ht_V or (ht_v != ht_v and self._mains_low(mains_v)):
            state = "bring-up"
        else:
            state = "off"
        self._to(state, t_s)

    def _name_on(self, t_s: int) -> None:
        step = self.during.step if self.during else "soak"
        if self._signal or step == "signal":
            state = "under signal"
        elif t_s < self._setting_until_s:
            state = "setting bias"
        else:
            state = "warming" if step == "warm-up" else "soaking"
        self._to(state, t_s)

    def _to(self, state: str, t_s: int) -> None:
        if not self.states or state != self.state:
            self.states.append((state, float(t_s)))
        self.state = state
