"""The physics of a simulated power amplifier: pairs of valves, their supply, and what heats up.

Currents, supply and bias are one closed loop, stepped through time: valves load the HT, HT and bias
come from one mains, anode heat moves each valve's idle current with two time constants, ions that
a gassy valve sends to its grid lift the bias across the grid leak.

Sources: pentode law and constants, N. Koren, Glass Audio 8(5) and errata 8(6), 1996, with kg1 scaled to
a data-sheet row and the screen's share taken from data-sheet rows (the published screen law is off
by up to 2.5 times). Gas and grid leak: Terman, Radio Engineers' Handbook, p. 316; the condition
gm * Rg * Ig/Ia >= 1 follows from it. Thermal time constants and every spread between parts are from memory.
Nothing here is imported by what measures or watches, and nothing of that is imported here.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from logger.blocks import FloatArray

PAIRS: Final = 4
VALVES: Final = 2 * PAIRS
"""Valve v belongs to pair v // 2."""

ANODE_RATING_W: Final = 25.0
"""EL34, design-centre, idle: Mullard/Philips data sheet, January 1969."""

STEP_LIMIT_S: Final = 1.0
"""The longest step in time; slower scans take several."""

_BOLTZMANN_EV: Final = 8.617333e-5
_CATHODE_K: Final = 1050.0
_ROOM_K: Final = 295.0
_WORK_FUNCTION_EV: Final = 1.0
_SATURATION_A: Final = 1.5
"""Emission at full heat, far above the idle current; from memory."""


@dataclass(frozen=True)
class Pentode:
    """Koren's pentode law: volts in, anode amperes out. `kg1` sets the size."""

    mu: float
    ex: float
    kg1: float
    kp: float
    kvb: float

    def anode_a(self, anode_v: float, screen_v: float, grid_v: float) -> float:
        """Return the anode current, in A; volts count from the cathode."""
        if screen_v <= 0 or anode_v <= 0:
            return 0.0
        drive_v = screen_v / self.kp * math.log1p(math.exp(self.kp * (1 / self.mu + grid_v / screen_v)))
        return float(2 * drive_v**self.ex / self.kg1 * math.atan(anode_v / self.kvb))

    def gm_s(self, anode_v: float, screen_v: float, grid_v: float) -> float:
        """Return the slope of the anode current by the grid voltage, in A/V."""
        if screen_v <= 0 or anode_v <= 0:
            return 0.0
        raised = math.exp(self.kp * (1 / self.mu + grid_v / screen_v))
        drive_v = screen_v / self.kp * math.log1p(raised)
        return self.anode_a(anode_v, screen_v, grid_v) * self.ex / drive_v * raised / (1 + raised)


EL34_AS_PUBLISHED: Final = Pentode(mu=11.0, ex=1.35, kg1=650.0, kp=60.0, kvb=24.0)
"""Koren's constants, Glass Audio 8(6), 1996, errata, Table 1."""

EL34: Final = replace(
    EL34_AS_PUBLISHED,
    kg1=EL34_AS_PUBLISHED.kg1 * EL34_AS_PUBLISHED.anode_a(250.0, 265.0, -13.5) / 0.100,
)
"""The same, scaled to the row 250 V / 265 V / -13.5 V: 100 mA (Mullard/Philips, January 1969)."""

EL34_SCREEN_FRACTION: Final = (0.1071, 0.1297)
"""Screen's share of the cathode current: the rows 775/400/-39 V and 250/265/-13.5 V."""


@dataclass(frozen=True)
class Valve:
    """One output valve. `fast_*` and `slow_*`: what its own heat does to its idle current, each as the
    relative change of current that nominal anode heat brings, and its time constant."""

    law: Pentode
    screen_fraction: float
    heater_tau_s: float
    fast_gain: float
    fast_tau_s: float
    slow_gain: float
    slow_tau_s: float
    gas_ratio: float
    """Ion current to the grid over anode current."""


@dataclass(frozen=True)
class Supply:
    """Everything that feeds the valves."""

    nominal_mains_v: float = 230.0
    nominal_ht_v: float = 455.0
    source_ohm: float = 80.0
    reservoir_f: float = 220e-6
    other_load_a: float = 0.045
    primary_ohm: float = 40.0
    """Centre tap to one end; it carries that side's valve of every pair."""
    screen_ohm: float = 1000.0
    sense_ohm: float = 1.0
    grid_leak_ohm: float = 220e3
    coupling_f: float = 0.1e-6
    bias_tau_s: float = 0.25
    bias_per_k: float = 20e-6
    """How far the bias sinks for each kelvin of chassis temperature, relative."""
    fuse_a: float = 0.25
    fuse_tau_s: float = 8.0
    mains_on_s: float = 5.0
    ht_on_s: float = 29.0
    rectifier_tau_s: float = 0.8


@dataclass(frozen=True)
class Surroundings:
    """What comes from outside, one row a step: `mains_v` (n,), `ambient_c` (n,), and `flicker_v` (n, valves)
    referred to the grids. `fan_cycles`: whether the thermostat works the fan, else it always runs."""

    mains_v: FloatArray
    ambient_c: FloatArray
    flicker_v: FloatArray
    fan_cycles: bool


@dataclass(frozen=True)
class Fault:
    """What is wrong with an amplifier, or is done to it, over time; a span holds from <= t < until, in s.

    `grid_shift_v`: pair -> (times in s, shift in V), linear in between, held outside. `gas_ratio`: valve ->
    (times in s, ratio at nominal heat), added to the valve's own. `opens_s`: pair -> when its relay opens.
    `valve_shift_v`: valve -> spans (from, until, V at its grid); `CUT_OFF_V` stands for an open contact.
    `chassis_heat_k`: (times in s, K) by which the chassis's resting place is lifted: vents covered, a fan
    that stopped. `standby_s`: spans without HT, heaters on. `switched_off_s`: spans in which its own switch
    is off; the mains is measured before that switch. `swap`: when, and which valve then sits in each socket
    (to be done while it is off).
    """

    grid_shift_v: dict[int, tuple[tuple[float, ...], tuple[float, ...]]] = field(default_factory=dict)
    gas_ratio: dict[int, tuple[tuple[float, ...], tuple[float, ...]]] = field(default_factory=dict)
    opens_s: dict[int, float] = field(default_factory=dict)
    valve_shift_v: dict[int, tuple[tuple[float, float, float], ...]] = field(default_factory=dict)
    chassis_heat_k: tuple[tuple[float, ...], tuple[float, ...]] | None = None
    standby_s: tuple[tuple[float, float], ...] = ()
    switched_off_s: tuple[tuple[float, float], ...] = ()
    swap: tuple[float, tuple[int, ...]] | None = None


CUT_OFF_V: Final = -200.0
"""At a grid: far below cut-off at any HT that there is."""

NO_FAULT: Final = Fault()


@dataclass(frozen=True)
class TrueBlock:
    """What really was, before any converter: n steps, p pairs, SI units and degC.

    `pair_a` (n, p) cathode current of each pair; `anode_w` (n, p) anode dissipation, mean of the pair's
    valves; `loop_gain` (n,) gm * Rg * Ig/Ia of the gassiest valve, 0 where none is near trouble.
    """

    t_s: FloatArray
    pair_a: FloatArray
    anode_w: FloatArray
    ht_v: FloatArray
    mains_v: FloatArray
    chassis_c: FloatArray
    ambient_c: FloatArray
    loop_gain: FloatArray

    def __len__(self) -> int:
        return len(self.t_s)


def join(blocks: list[TrueBlock]) -> TrueBlock:
    """Return the blocks, in order, as one."""
    names = list(TrueBlock.__dataclass_fields__)
    return TrueBlock(**{name: np.concatenate([getattr(block, name) for block in blocks]) for name in names})


@dataclass(frozen=True)
class Equilibrium:
    """Where an amplifier comes to rest: pairs' cathode currents in A, HT in V."""

    pair_a: tuple[float, ...]
    ht_v: float


NOMINAL_ANODE_W: Final = 15.0
"""The anode heat that `fast_gain` and `slow_gain` refer to."""

_CURRENT_OVER_GM_V: Final = 7.5
"""Idle current over slope: turns a relative change of current into volts at the grid."""

_GAS_PER_HEAT: Final = 1.6
"""How much a valve's gas ratio grows with its heat, relative, at nominal heat; from memory. With it the
runaway begins below loop gain 1, over minutes, and passes it on the way."""

_HEATER_SHIFT_V: Final = 1.0
"""Contact potential by relative heater voltage: a tenth of a volt for 10 %; from memory."""

ROOM_C: Final = 22.0
"""The room where nothing moves."""
CHASSIS_TAU_S: Final = 1800.0
_CHASSIS_K_PER_W: Final = (0.115, 0.085)
"""Without and with the fan."""
_FAN_ON_C: Final = 45.0
_FAN_OFF_C: Final = 42.5
_HEATERS_W: Final = 80.0

_BIAS_HOLDS_S: Final = 3.0
"""Time constant of the bias supply without mains; longer than the HT's, as it has to be; from memory."""

_EDGE_S: Final = 1e-9


@dataclass(frozen=True)
class Amplifier:
    """Four pairs on one supply, biased. `bias_v`: each pair's bias at nominal mains."""

    valves: tuple[Valve, ...]
    supply: Supply
    bias_v: tuple[float, ...]
    emf_v: float
    """The supply's open voltage at nominal mains."""
    chassis_hot_c: float
    """Chassis temperature at which the technician set the bias."""

    @classmethod
    def biased(cls, valves: tuple[Valve, ...], pair_a: tuple[float, ...], supply: Supply) -> Amplifier:
        """Return an amplifier as a technician leaves it: hot, each pair at its `pair_a`, HT nominal."""
        ht_v = supply.nominal_ht_v
        emf_v = ht_v + supply.source_ohm * (sum(pair_a) + supply.other_load_a)
        hot_c = ROOM_C + _CHASSIS_K_PER_W[1] * (ht_v * sum(pair_a) + _HEATERS_W)
        amp = cls(valves, supply, (-40.0,) * len(pair_a), emf_v, hot_c)
        anode_v = ht_v - supply.primary_ohm * sum(pair_a) * 0.5 * 0.88
        bias = []
        for pair, aim in enumerate(pair_a):
            low, high = -60.0, -25.0
            for _ in range(50):
                middle = 0.5 * (low + high)
                if amp._pair_at_rest(pair, middle, ht_v, anode_v, aim) < aim:
                    low = middle
                else:
                    high = middle
            bias.append(0.5 * (low + high))
        return replace(amp, bias_v=tuple(bias))

    def _pair_at_rest(self, pair: int, bias_v: float, ht_v: float, anode_v: float, aim_a: float) -> float:
        supply = self.supply
        cathode_v = supply.sense_ohm * aim_a
        total = 0.0
        for valve in self.valves[2 * pair : 2 * pair + 2]:
            total += _valve_at_rest(valve, supply, bias_v, ht_v, anode_v, cathode_v)
        return total

    def at_rest(self, grid_shift_v: dict[int, float] | None = None, mains: float = 1.0) -> Equilibrium:
        """Return where it settles with these shifts at its pairs' grids, at `mains` times nominal."""
        supply = self.supply
        pairs = len(self.bias_v)
        shift = [0.0] * pairs
        for pair, volts in (grid_shift_v or {}).items():
            shift[pair] = volts
        ht_v = supply.nominal_ht_v * mains
        pair_a = [0.076] * pairs
        for _ in range(200):
            before = ht_v
            anode_v = ht_v - supply.primary_ohm * sum(pair_a) * 0.5 * 0.88
            pair_a = [
                self._pair_at_rest(
                    pair,
                    self.bias_v[pair] * mains + shift[pair] + _HEATER_SHIFT_V * (mains - 1),
                    ht_v,
                    anode_v,
                    pair_a[pair],
                )
                for pair in range(pairs)
            ]
            ht_v += 0.7 * (
                self.emf_v * mains - supply.source_ohm * (sum(pair_a) + supply.other_load_a * mains) - ht_v
            )
            if abs(ht_v - before) < 1e-6:
                break
        return Equilibrium(tuple(pair_a), ht_v)

    def chassis_at_rest_c(self, ambient_c: float = ROOM_C) -> float:
        """Return where the chassis comes to rest with its fan running, in degC."""
        rest = self.at_rest()
        load_a = sum(rest.pair_a) + self.supply.other_load_a
        return ambient_c + _CHASSIS_K_PER_W[1] * (_HEATERS_W + rest.ht_v * load_a)

    def bias_loss_for(self, ratio: float) -> dict[int, float]:
        """Return the shifts at all pairs' grids, in V, when their one bias supply sinks (or, with `ratio`
        under 1, rises) until the sum of the settled currents is `ratio` times what it was.
        """
        aim_a = ratio * sum(self.at_rest().pair_a)

        def shifts(share: float) -> dict[int, float]:
            return {pair: -share * volts for pair, volts in enumerate(self.bias_v)}

        def over_a(share: float) -> float:
            return sum(self.at_rest(shifts(share)).pair_a) - aim_a

        # in small steps away from 0, then a secant between the last two: far off there is no rest at all
        step = math.copysign(0.01, ratio - 1)
        before, share = 0.0, step
        over_before, over = over_a(before), over_a(share)
        while over * step < 0 and abs(share) < 0.5:
            before, share = share, share + step
            over_before, over = over, over_a(share)
        for _ in range(20):
            if abs(over) < 1e-8 or over == over_before:
                break
            before, share = share, share - over * (share - before) / (over - over_before)
            over_before, over = over, over_a(share)
        return shifts(share)

    def shifts_for(self, aim_a: dict[int, float]) -> dict[int, float]:
        """Return the shifts at these pairs' grids, in V, that bring each one's settled current to its aim."""
        volts = dict.fromkeys(aim_a, 0.0)
        for _ in range(40):
            pair_a = self.at_rest(volts).pair_a
            if all(abs(pair_a[pair] - aim) < 1e-9 for pair, aim in aim_a.items()):
                break
            for pair, aim in aim_a.items():
                volts[pair] -= (pair_a[pair] - aim) * _CURRENT_OVER_GM_V / aim
        return volts

    def shares_of(self, pair: int) -> tuple[float, float]:
        """Return how the pair's settled current splits between its two valves; they add up to 1."""
        rest = self.at_rest()
        anode_v = rest.ht_v - self.supply.primary_ohm * sum(rest.pair_a) * 0.5 * 0.88
        cathode_v = self.supply.sense_ohm * rest.pair_a[pair]
        first, second = (
            _valve_at_rest(valve, self.supply, self.bias_v[pair], rest.ht_v, anode_v, cathode_v)
            for valve in self.valves[2 * pair : 2 * pair + 2]
        )
        return first / (first + second), second / (first + second)

    def short_for(self, valve: int, pair_a: float) -> float:
        """Return the shift at one valve's grid, in V, that makes its pair draw `pair_a` at once."""
        supply, own, rest, pair = self.supply, self.valves[valve], self.at_rest(), valve // 2
        more_a = pair_a - rest.pair_a[pair]
        ht_v = rest.ht_v - supply.source_ohm * more_a
        cathode_v = supply.sense_ohm * pair_a
        # its fellow goes on as before, but for what the supply has lost
        cathode_a = pair_a - rest.pair_a[pair] * self.shares_of(pair)[1 - valve % 2] * ht_v / rest.ht_v
        anode_a = cathode_a * (1 - own.screen_fraction)
        anode_v = ht_v - 0.5 * supply.primary_ohm * 0.88 * (sum(rest.pair_a) + more_a) - cathode_v
        screen_v = ht_v - supply.screen_ohm * cathode_a * own.screen_fraction - cathode_v
        low, high = -60.0, 0.0
        for _ in range(50):
            middle = 0.5 * (low + high)
            if own.law.anode_a(anode_v, screen_v, middle) < anode_a:
                low = middle
            else:
                high = middle
        ion_v = supply.grid_leak_ohm * own.gas_ratio * anode_a
        return 0.5 * (low + high) - (self.bias_v[pair] - cathode_v + ion_v)

    def shift_for(self, pair: int, aim_a: float) -> float:
        """Return the shift at a pair's grids, in V, that brings its settled current to `aim_a`."""
        before, over_before = 0.0, self.at_rest().pair_a[pair] - aim_a
        if abs(over_before) < 1e-9:
            return 0.0
        volts = -over_before * _CURRENT_OVER_GM_V / aim_a
        for _ in range(20):
            over = self.at_rest({pair: volts}).pair_a[pair] - aim_a
            if abs(over) < 1e-9:
                break
            before, volts, over_before = volts, volts - over * (volts - before) / (over - over_before), over
        return volts

    def run(
        self, outside: Surroundings, fault: Fault, step_s: float, block_steps: int
    ) -> Iterator[TrueBlock]:
        """Step through time from off, in blocks of `block_steps`; the blocking changes nothing.

        Row k of the blocks is the state at k * step_s; every row of `outside` is one step.
        """
        if not 0 < step_s <= STEP_LIMIT_S:
            raise ValueError(f"a step is more than 0 s and at most {STEP_LIMIT_S} s, got {step_s}")
        n = len(outside.mains_v)
        stepper = _steps(self, fault, step_s, outside.fan_cycles)
        next(stepper)
        swap_at = n
        if fault.swap is not None:
            swap_at = min(n, math.ceil((fault.swap[0] - _EDGE_S) / step_s))
        for start in range(0, n, block_steps):
            stop = min(n, start + block_steps)
            t_s: FloatArray = np.arange(start, stop, dtype=np.float64) * step_s
            # what is a valve's own goes with it into another socket; what is the socket's stays
            before = max(0, min(stop, swap_at) - start)
            grid_v = outside.flicker_v[start:stop].copy()
            if fault.swap is not None:
                grid_v[before:] = outside.flicker_v[start + before : stop][:, fault.swap[1]]
            for pair, (times, volts) in fault.grid_shift_v.items():
                grid_v[:, 2 * pair : 2 * pair + 2] += np.interp(t_s, times, volts)[:, None]
            gas: FloatArray = np.empty((stop - start, VALVES))
            for v, valve in enumerate(self.valves):
                gas[:, v] = valve.gas_ratio
            for v, (times, ratio) in fault.gas_ratio.items():
                gas[:, v] += np.interp(t_s, times, ratio)
            if fault.swap is not None:
                gas[before:] = gas[before:, fault.swap[1]]
            for v, spans in fault.valve_shift_v.items():
                for from_s, until_s, shift_v in spans:
                    if from_s <= t_s[-1] and until_s > t_s[0]:
                        grid_v[_between(t_s, from_s, until_s), v] += shift_v
            mains_v: FloatArray = np.where(
                t_s >= self.supply.mains_on_s - 1e-9, outside.mains_v[start:stop], 0.0
            )
            ht_asked = t_s >= self.supply.ht_on_s
            for from_s, until_s in fault.standby_s:
                ht_asked[_between(t_s, from_s, until_s)] = False
            fed_v = mains_v if not fault.switched_off_s else mains_v.copy()
            for from_s, until_s in fault.switched_off_s:
                fed_v[_between(t_s, from_s, until_s)] = 0.0
            ambient_c = outside.ambient_c[start:stop]
            around_c = ambient_c
            if fault.chassis_heat_k is not None:
                around_c = ambient_c + np.interp(t_s, *fault.chassis_heat_k)
            acts: tuple[FloatArray, ...] = (t_s, ht_asked.astype(np.float64), fed_v, around_c, grid_v, gas)
            if fault.swap is not None and start <= swap_at < stop:
                told = stepper.send((tuple(a[:before] for a in acts), None))
                told = told + stepper.send((tuple(a[before:] for a in acts), fault.swap[1]))
            else:
                told = stepper.send((acts, None))
            rows: FloatArray = np.array(told, dtype=np.float64)
            yield TrueBlock(
                t_s=t_s,
                pair_a=rows[:, 0:PAIRS].copy(),
                anode_w=rows[:, PAIRS : 2 * PAIRS].copy(),
                ht_v=rows[:, 2 * PAIRS].copy(),
                mains_v=mains_v,
                chassis_c=rows[:, 2 * PAIRS + 1].copy(),
                ambient_c=ambient_c,
                loop_gain=rows[:, 2 * PAIRS + 2].copy(),
            )


def _between(t_s: FloatArray, from_s: float, until_s: float) -> slice:
    """Return the rows that lie in a span; times rise."""
    first, last = np.searchsorted(t_s, (from_s - _EDGE_S, until_s - _EDGE_S))
    return slice(int(first), int(last))


def _valve_at_rest(
    valve: Valve, supply: Supply, bias_v: float, ht_v: float, anode_v: float, cathode_v: float
) -> float:
    """Return one valve's settled cathode current at a given supply, in A."""
    anode_a = 0.033
    for _ in range(60):
        cathode_a = anode_a / (1 - valve.screen_fraction)
        heat = anode_a * (anode_v - cathode_v) / NOMINAL_ANODE_W
        grid_v = (
            bias_v
            - cathode_v
            + supply.grid_leak_ohm * valve.gas_ratio * _gas_growth(heat) * anode_a
            + _CURRENT_OVER_GM_V * (valve.fast_gain + valve.slow_gain) * (heat - 1)
        )
        screen_v = ht_v - supply.screen_ohm * (cathode_a - anode_a) - cathode_v
        new = valve.law.anode_a(anode_v - cathode_v, max(1.0, screen_v), min(0.0, grid_v))
        if abs(new - anode_a) < 1e-12:
            break
        anode_a = new
    return anode_a / (1 - valve.screen_fraction)


def _gas_growth(heat: float) -> float:
    return max(0.2, 1 + _GAS_PER_HEAT * (heat - 1))


def draw_valves(rng: np.random.Generator) -> tuple[Valve, ...]:
    """Return a set of output valves with the spread of a matched set; spreads are from memory.

    What the slow time constant leaves to move 30 minutes after HT is at most 0.15 % of the idle current.
    """
    valves = []
    for _ in range(VALVES):
        slow_tau_s = rng.uniform(720.0, 1500.0)
        left = rng.uniform(0.0003, 0.0015) * rng.choice((-1.0, 1.0))
        slow_gain = left / math.exp(-1770.0 / slow_tau_s)
        valves.append(
            Valve(
                law=replace(
                    EL34, kg1=EL34.kg1 * rng.uniform(0.92, 1.08), mu=EL34.mu * rng.uniform(0.98, 1.02)
                ),
                screen_fraction=rng.uniform(*EL34_SCREEN_FRACTION),
                heater_tau_s=rng.uniform(15.0, 24.0),
                fast_gain=rng.uniform(0.015, 0.05) * rng.choice((-1.0, 1.0)),
                fast_tau_s=rng.uniform(120.0, 300.0),
                slow_gain=max(-0.03, min(0.03, slow_gain)),
                slow_tau_s=slow_tau_s,
                gas_ratio=rng.uniform(0.5e-5, 4e-5),
            )
        )
    return tuple(valves)


def draw_surroundings(
    rng: np.random.Generator, n: int, step_s: float, *, life: bool, mains_v: float = 230.0
) -> Surroundings:
    """Return n steps of mains, room and flicker; the same `rng` gives the same life for any step.

    Without `life` mains and room stand still, the fan always runs and nothing flickers.
    """
    t_s = np.arange(n) * step_s
    if not life:
        return Surroundings(np.full(n, mains_v), np.full(n, ROOM_C), np.zeros((n, VALVES)), fan_cycles=False)
    seconds = 1 << max(14, math.ceil(math.log2(n * step_s + 2)))
    grid_s = np.arange(seconds, dtype=float)
    # mains: slow wander, and loads nearby that are switched on and off
    rms = rng.uniform(0.0010, 0.0018)
    wander = rms * _wander(rng, seconds, 420.0) + 0.0004 * _wander(rng, seconds, 45.0)
    relative = 1 + rng.normal(0.0, 0.004) + np.interp(t_s, grid_s, wander)
    for _ in range(rng.poisson(3.0 * seconds / 3600.0)):
        on_s, for_s = rng.uniform(0.0, seconds), rng.exponential(700.0)
        relative[(t_s >= on_s) & (t_s < on_s + for_s)] -= rng.uniform(0.0008, 0.004)
    # the room: sun, doors, a heating that cycles
    room = rng.uniform(20.5, 24.5) + rng.uniform(-0.4, 0.6) * grid_s / 3600.0
    room += rng.uniform(0.2, 0.7) * np.sin(
        2 * math.pi * (grid_s / rng.uniform(2400.0, 6000.0) + rng.uniform())
    )
    room += 0.15 * _wander(rng, seconds, 600.0)
    flicker_v = np.empty((n, VALVES))
    slope = 1 / (0.0052 * math.sqrt(2.0))  # a pair's amperes to volts at each of its grids
    for pair in range(PAIRS):
        pair_rms_a, exponent = rng.uniform(0.05e-3, 0.12e-3), rng.uniform(0.9, 1.1)
        for v in (2 * pair, 2 * pair + 1):
            flicker_v[:, v] = np.interp(t_s, grid_s, pair_rms_a * slope * flicker(rng, seconds, exponent))
    return Surroundings(mains_v * relative, np.interp(t_s, grid_s, room), flicker_v, fan_cycles=True)


def flicker(rng: np.random.Generator, n: int, exponent: float) -> FloatArray:
    """Return n samples of noise with power as f**-exponent, from 1/n to 1/2 a sample, of expected rms 1."""
    shape = np.arange(1, n // 2 + 1) ** (-exponent / 2)
    spectrum = np.zeros(n // 2 + 1, dtype=complex)
    spectrum[1:] = shape * (rng.standard_normal(n // 2) + 1j * rng.standard_normal(n // 2))
    return np.asarray(np.fft.irfft(spectrum, n) * (n / 2 / math.sqrt(float(np.sum(shape**2)))))


def _wander(rng: np.random.Generator, n: int, tau_s: float) -> FloatArray:
    """Return n seconds of first-order noise of rms 1 with time constant `tau_s`."""
    keep = math.exp(-1 / tau_s)
    kicks = (rng.standard_normal(n) * math.sqrt(1 - keep * keep)).tolist()
    x, out = float(rng.standard_normal()), []
    for kick in kicks:
        x = keep * x + kick
        out.append(x)
    return np.array(out)


_Input = tuple[tuple[FloatArray, ...], tuple[int, ...] | None]
"""The arrays that `_steps` unpacks, and where they begin with valves moved: which then sits where."""
_Row = tuple[float, ...]


def _emission_factor(space_charge_a: float, heat: float) -> float:
    """Return what is left of a space-charge current while the cathode is not hot yet.

    `heat` 0 to 1: cathode temperature between room and full. Richardson's law gives what it can emit.
    """
    kelvin = _ROOM_K + (_CATHODE_K - _ROOM_K) * heat
    slope = _WORK_FUNCTION_EV / _BOLTZMANN_EV
    can_a = _SATURATION_A * (kelvin / _CATHODE_K) ** 2 * math.exp(slope * (1 / _CATHODE_K - 1 / kelvin))
    return can_a / math.hypot(can_a, space_charge_a)


def _steps(
    amp: Amplifier, fault: Fault, step_s: float, fan_cycles: bool
) -> Generator[list[_Row], _Input, None]:
    """Take blocks of what acts on the amplifier, give what it does; the state lives between blocks.

    Plain floats on purpose: a numpy call on eight values costs more than the eight valves do.
    """
    supply, valves = amp.supply, amp.valves
    nominal_v = supply.nominal_mains_v
    source_ohm, screen_ohm, sense_ohm = supply.source_ohm, supply.screen_ohm, supply.sense_ohm
    half_primary_ohm = 0.5 * supply.primary_ohm
    grid_leak_ohm = supply.grid_leak_ohm
    other_load_a = supply.other_load_a

    def share(tau_s: float) -> float:
        return 1 - math.exp(-step_s / tau_s)

    k_reservoir = share(supply.source_ohm * supply.reservoir_f) * 0.7  # the rest of the loop is a step late
    k_bias, k_rectifier = share(supply.bias_tau_s), share(supply.rectifier_tau_s)
    k_bias_off = share(_BIAS_HOLDS_S)
    k_grid = share(supply.grid_leak_ohm * supply.coupling_f)
    k_chassis, k_fuse = share(CHASSIS_TAU_S), share(supply.fuse_tau_s)
    k_heater_common = share(20.0)
    k_heater = [share(v.heater_tau_s) for v in valves]
    k_fast = [share(v.fast_tau_s) for v in valves]
    k_slow = [share(v.slow_tau_s) for v in valves]
    v_fast = [_CURRENT_OVER_GM_V * v.fast_gain for v in valves]
    v_slow = [_CURRENT_OVER_GM_V * v.slow_gain for v in valves]
    to_cathode = [1 / (1 - v.screen_fraction) for v in valves]
    laws = [(v.law.mu, v.law.kp, v.law.ex, v.law.kvb, 2 / v.law.kg1) for v in valves]
    numbers = range(VALVES)
    exp, log1p, atan = math.exp, math.log1p, math.atan

    rectifier = heater_all = bias_mains = ht_v = 0.0
    warm = False
    chassis_c: float | None = None
    fan = True
    anode_a, ion_v = [0.0] * VALVES, [0.0] * VALVES
    heater, fast, slow = [0.0] * VALVES, [0.0] * VALVES, [0.0] * VALVES
    pair_a, pair_w = [0.0] * PAIRS, [0.0] * PAIRS
    fuse = [0.0] * PAIRS
    whole = [True] * PAIRS
    open_s = [fault.opens_s.get(pair, math.inf) for pair in range(PAIRS)]
    rows: list[_Row] = []

    while True:
        (t_block, asked_block, mains_block, ambient_block, grid_block, gas_block), order = yield rows
        rows = []
        if order is not None:
            for own in (k_heater, k_fast, k_slow, v_fast, v_slow, to_cathode, heater, fast, slow):
                own[:] = [own[v] for v in order]
            laws = [laws[v] for v in order]
        for t_s, asked, mains_v, ambient_c, shifts, gas in zip(
            t_block.tolist(),
            asked_block.tolist(),
            mains_block.tolist(),
            ambient_block.tolist(),
            grid_block.tolist(),
            gas_block.tolist(),
            strict=True,
        ):
            mains = mains_v / nominal_v
            if chassis_c is None:
                chassis_c = ambient_c
            if mains:
                bias_mains += (mains - bias_mains) * k_bias
            else:
                bias_mains -= bias_mains * k_bias_off
                warm = False
            heater_all += (mains - heater_all) * k_heater_common
            rectifier += ((asked if mains else 0.0) - rectifier) * k_rectifier
            load_a = sum(pair_a) + other_load_a * rectifier
            if rectifier > 1e-3:
                ht_v += (amp.emf_v * mains * rectifier - source_ohm * load_a - ht_v) * k_reservoir
                if ht_v < 0.0:
                    ht_v = 0.0
            anode_v = ht_v - half_primary_ohm * sum(anode_a)
            common_v = _HEATER_SHIFT_V * (heater_all - 1)
            warmth = bias_mains * (1 - supply.bias_per_k * (chassis_c - amp.chassis_hot_c))
            if not warm:
                warm = True
                for v in numbers:
                    heater[v] += (min(mains, 1.0) - heater[v]) * k_heater[v]
                    warm = warm and heater[v] > 0.99
            gain = 0.0
            for pair in range(PAIRS):
                first = 2 * pair
                if not whole[pair] or t_s >= open_s[pair] or ht_v < 1.0:
                    for v in (first, first + 1):
                        anode_a[v] = ion_v[v] = 0.0
                        fast[v] -= fast[v] * k_fast[v]
                        slow[v] -= slow[v] * k_slow[v]
                    pair_a[pair] = pair_w[pair] = 0.0
                    continue
                bias_v = amp.bias_v[pair] * warmth + common_v
                cathode_v = sense_ohm * pair_a[pair]
                across_v = anode_v - cathode_v
                total_a = total_w = 0.0
                for v in (first, first + 1):
                    mu, kp, ex, kvb, per_kg1 = laws[v]
                    old_a = anode_a[v]
                    heat = fast[v]
                    growth = 1 + _GAS_PER_HEAT * (heat - 1)
                    ratio = gas[v] * (growth if growth > 0.2 else 0.2)
                    ion_v[v] += (grid_leak_ohm * ratio * old_a - ion_v[v]) * k_grid
                    grid_v = (
                        bias_v
                        - cathode_v
                        + ion_v[v]
                        + v_fast[v] * (heat - 1)
                        + v_slow[v] * (slow[v] - 1)
                        + shifts[v]
                    )
                    if grid_v > 0.0:
                        grid_v = 0.0  # the grid conducts
                    screen_v = ht_v - screen_ohm * old_a * (to_cathode[v] - 1) - cathode_v
                    if screen_v < 1.0:
                        screen_v = 1.0
                    raised = exp(kp * (1 / mu + grid_v / screen_v))
                    drive_v = screen_v / kp * log1p(raised)
                    new_a = per_kg1 * drive_v**ex * atan(across_v / kvb)
                    if ratio > 3e-4:
                        slope = new_a * ex / drive_v * raised / (1 + raised)
                        gain = max(gain, slope * grid_leak_ohm * ratio)
                    if not warm:
                        new_a *= _emission_factor(new_a, heater[v])
                    anode_a[v] = new_a
                    power_w = new_a * across_v
                    nominal = power_w / NOMINAL_ANODE_W
                    fast[v] = heat + (nominal - heat) * k_fast[v]
                    slow[v] += (nominal - slow[v]) * k_slow[v]
                    total_a += new_a * to_cathode[v]
                    total_w += power_w
                pair_a[pair] = total_a
                pair_w[pair] = 0.5 * total_w
                fuse[pair] += ((total_a / supply.fuse_a) ** 2 - fuse[pair]) * k_fuse
                if fuse[pair] > 1.0:
                    whole[pair] = False
            # the thermostat
            if fan_cycles:
                fan = chassis_c > (_FAN_OFF_C if fan else _FAN_ON_C)
            lost_w = _HEATERS_W * mains + ht_v * load_a
            chassis_c += (ambient_c + _CHASSIS_K_PER_W[1 if fan else 0] * lost_w - chassis_c) * k_chassis
            rows.append((*pair_a, *pair_w, ht_v, chassis_c, gain))
