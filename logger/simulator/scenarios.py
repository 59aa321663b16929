"""The scenarios: a name and a seed give an amplifier, what goes wrong with it, and the truth as data.

One seed is one amplifier and one board in every scenario: `drift` seed 4 is `healthy` seed 4 with a fault,
and nothing else differs. Times count from the first scan, when everything is off. In some nothing goes wrong:
what is done is a workshop's daily work, and what may be said of it is data too.
"""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from logger.blocks import DaqInfo, FloatArray, Mark, ScanBlock
from logger.errors import RequestError
from logger.simulator.amplifier import (
    ANODE_RATING_W,
    CHASSIS_TAU_S,
    CUT_OFF_V,
    NO_FAULT,
    PAIRS,
    ROOM_C,
    STEP_LIMIT_S,
    VALVES,
    Amplifier,
    Fault,
    Supply,
    TrueBlock,
    Valve,
    draw_surroundings,
    draw_valves,
    join,
)
from logger.simulator.boards import DEVICE, FIRST_CHANNEL, IDENTITY, NOTHING
from logger.simulator.daq import (
    CHANNELS,
    DIVIDER_OHM,
    FULL_COUNT,
    MAINS_V_PER_V,
    NTC_BETA_K,
    NTC_R25_OHM,
    OTHER_STEP_V,
    PAIR_STEP_V,
    PULLUP_OHM,
    PULLUP_V,
    SENSE_OHM,
    Daq,
    LeadOff,
    PickUp,
    Scanner,
)

NAMES: Final[dict[str, str]] = {
    "healthy": "an amplifier with ordinary life in it: mains wander, a fan, a draughty room, noise",
    "drift": "pair3 creeps up once it is warm",
    "runaway": "a gassy valve lifts its own bias until nothing holds it",
    "drop-out": "a protection relay drops one pair",
    "mismatch": "one pair was set to another current than the rest",
    "unsettled": "one pair is still moving when the warm-up ends",
    "mains-change": "the mains steps and stays there",
    "lead-off": "a sense lead comes off its resistor",
    "cable-out": "the DAQ's lead is pulled out and put back 40 s later",
    "re-lock": "a relay drops a pair, standby off and on brings it back, and it drops again",
    "half-drop": "one of a pair's two valves stops conducting",
    "intermittent": "a valve's contact crackles",
    "step-change": "a pair jumps to another current within seconds, and stays there",
    "side-balance": "the valves of one side draw more than those of the other",
    "common-drift": "the bias supply creeps, and all pairs with it",
    "bias-lost": "the bias supply fails: all pairs draw about double within seconds, and HT sags",
    "railed": "a valve shorts: its pair's channel goes over its range until the fuse blows",
    "hot-chassis": "the vents are covered, and the chassis gets too hot",
    "mains-lost": "the mains fails for some minutes",
    "door-opened": "a door lets cold air in",
    "soldering-iron": "a soldering iron goes on and off on the same mains",
    "pot-touched": "somebody turns one pair's bias pot and lets go",
    "standby-flipped": "somebody flips standby off and on",
    "meter-clipped-on": "a meter is clipped on one pair's sense resistor for some minutes",
    "signal-declared": "signal goes through for some minutes, and somebody says so",
    "signal-undeclared": "signal goes through for some minutes, and nobody says so",
    "lamp-limiter": "the amplifier is brought up through a lamp, which is bridged after some minutes",
    "charger-noise": "a charger makes noise on all channels for a while",
    "contactor-click": "a contactor nearby clicks three times: one scan each, on all channels",
    "hot-restart": "the amplifier is switched off hot, and on again after some minutes",
    "valves-swapped": "it is switched off, the valves of two pairs are exchanged, their bias is reset",
    "tap-test": "somebody notes that he taps a valve, and it crackles in the two minutes after that",
}
"""Every scenario, with what happens in it."""

DAILY_WORK: Final[tuple[str, ...]] = tuple(NAMES)[tuple(NAMES).index("door-opened") :]
"""Those in which nothing is wrong with the amplifier (but `tap-test` finds a bad contact)."""

MATCH_LIMIT: Final = 0.04
SIDE_BALANCE_LIMIT: Final = 0.05
CHASSIS_LIMIT_C: Final = 75.0
DRIFT_LIMIT_PER_H: Final = 0.03
SETTLE_LIMIT: Final = 0.01
IDLE_A: Final = 0.076
PUSH: Final = (0, 1)
PULL: Final = (2, 3)
"""The channels of each side where the sense resistors carry sides."""
OTHERS: Final = len(CHANNELS) - PAIRS
HT_ON_S: Final = 30.0
"""When HT is there, to a second."""
CABLE_OUT_S: Final = 40.0
TAIL_S: Final = 270.0
"""How long the amplifier goes on after the plan."""


@dataclass(frozen=True)
class Truth:
    """What is really wrong.

    `kind` is the finding that should name it; `channel` None where it has no one channel; nothing is wrong
    before `onset_s`. `size`, noise-free, by kind: `drift` the pair's movement against its healthy self over
    the limit of 3 % of idle an hour; `mismatch` its difference from the median of all over the limit of 4 %;
    `unsettled` what is over where it ends when the warm-up ends, over the limit of 1 % (these two signed);
    `runaway` the gas ratio at its end over the ratio that has loop gain 1 at idle; `drop-out` the share of
    the current that is lost; `mains change` the relative step; `gap` seconds; None for `measuring fault`;
    `intermittent` bursts a minute; `step change` the pair's settled current after over before, less 1;
    `side balance` the push side less the pull side, over their mean, over the limit of 5 %; `common drift`
    the movement of the pairs' sum over the limit of 3 % an hour (these three signed); `bias lost` the pairs'
    settled sum after over before; `over-current` the pair's current when it shorts over its idle;
    `over-temperature` kelvin over the limit of 75 degC when the plan ends (its onset is when the vents are
    covered; the limit is passed later); `mains lost` seconds.
    """

    kind: str
    channel: str | None
    onset_s: float
    size: float | None
    again_s: tuple[float, ...] = ()
    """When it happens again, after it had gone."""


Allowed = Literal["remark", "question"]


@dataclass(frozen=True)
class Work:
    """What is done in a workshop every day, from `onset_s` to `until_s`, and is no fault.

    `allowed`: what may be said of it, once; nothing at all where it is empty, and never a warning. `channel`:
    the one that it is done to.
    """

    onset_s: float
    until_s: float
    allowed: tuple[Allowed, ...] = ()
    channel: str | None = None


@dataclass(frozen=True)
class Past:
    """What became of the amp before this soak, the same for whoever names the same seed.

    `refitted`: the pairs, from 0, that got other valves, after which their bias was set. `aged`: by pair, the
    share of their current that its valves have lost since; no pot was turned. `day`: another day has other
    mains, another room, other noise.
    """

    refitted: tuple[int, ...] = ()
    aged: tuple[tuple[int, float], ...] = ()
    day: int = 0

    def valves(self, seed: int, drawn: tuple[Valve, ...]) -> tuple[Valve, ...]:
        """Return the valves that sat in it when its bias was set."""
        others = draw_valves(stream(seed, "valves fitted later"))
        return tuple(others[i] if i // 2 in self.refitted else valve for i, valve in enumerate(drawn))

    def grown_old(self, amp: Amplifier) -> Amplifier:
        """Return the amp with the bias as it was and the valves as they are now."""
        lost = dict(self.aged)
        worn = (
            replace(valve, law=replace(valve.law, kg1=valve.law.kg1 / (1.0 - lost.get(i // 2, 0.0))))
            for i, valve in enumerate(amp.valves)
        )
        return replace(amp, valves=tuple(worn))

    def stream_of(self, purpose: str) -> str:
        """Return the name of a purpose's random numbers on this day."""
        return f"{purpose}, day {self.day}" if self.day else purpose


@dataclass(frozen=True)
class Scenario:
    """One amplifier on one bench, from switching on to past the end of its plan."""

    name: str
    seed: int
    warm_up_min: float
    soak_min: float
    truth: Truth | None
    """None when nothing is wrong."""
    amplifier: Amplifier
    fault: Fault
    daq: Daq
    mains_step: tuple[float, float] | None = None
    """Since when (s), and by how much (relative), the mains stands elsewhere."""
    lead_off: LeadOff | None = None
    cable_out_s: tuple[float, float] | None = None
    """Between these times the host sees nothing."""
    work: Work | None = None
    marks: tuple[Mark, ...] = ()
    """What a person writes meanwhile, requests ("signal on") in the request's words. The board can't send
    them: give each to `Pipeline.feed` with the block that it falls in, or all to `logfile.write`."""
    mains_spans: tuple[tuple[float, float, float], ...] = ()
    """From when until when (s), and by how much (relative), the mains stands elsewhere; -1 is no mains."""
    room_k: tuple[tuple[float, ...], tuple[float, ...]] | None = None
    """Times in s, and how far the room is from what it would be, in K."""
    pick_ups: tuple[PickUp, ...] = ()
    plan_from_s: float = HT_ON_S
    """When the plan's clock starts for the last time; a loss of HT of over a minute starts it again."""
    by_side: bool = False
    """Whether each sense resistor carries two valves of one side, instead of a pair."""
    past: Past = Past()

    @property
    def allowed(self) -> tuple[Allowed, ...]:
        """What may be said though it is no fault; a fault's own finding apart."""
        return self.work.allowed if self.work is not None else ()

    @property
    def says(self) -> str:
        """What happens, in words."""
        return NAMES[self.name]

    @property
    def plan_s(self) -> float:
        """How long the plan is, from HT on."""
        return 60.0 * (self.warm_up_min + self.soak_min)

    @property
    def duration_s(self) -> float:
        """How long the amplifier runs if nobody says otherwise: the plan and a bit."""
        return self.plan_from_s + self.plan_s + TAIL_S

    @property
    def warm_at_s(self) -> float:
        """When the warm-up step ends."""
        return self.plan_from_s + 60.0 * self.warm_up_min

    @property
    def soaked_at_s(self) -> float:
        """When the soak step ends."""
        return self.plan_from_s + self.plan_s

    @property
    def info(self) -> DaqInfo:
        """What the board says of itself."""
        return self.daq.info

    def true_blocks(
        self,
        duration_s: float | None = None,
        scans_per_s: float = 10.0,
        *,
        life: bool = True,
        fault: bool = True,
        block_s: float = 600.0,
    ) -> Iterator[TrueBlock]:
        """Give what really is at the time of each scan, in blocks of about `block_s`.

        Without `life`: mains and room stand still and nothing flickers. Without `fault`: the same
        amplifier, healthy.
        """
        step_s, every = _step_of(scans_per_s)
        rows = max(1, math.ceil((self.duration_s if duration_s is None else duration_s) * scans_per_s))
        outside = draw_surroundings(
            stream(self.seed, self.past.stream_of("surroundings")), rows * every, step_s, life=life
        )
        if fault and self.mains_step is not None:
            since_s, by = self.mains_step
            outside.mains_v[math.ceil(since_s / step_s - 1e-9) :] *= 1 + by
        if fault:
            for from_s, until_s, by in self.mains_spans:
                first, last = (math.ceil(t_s / step_s - 1e-9) for t_s in (from_s, until_s))
                outside.mains_v[first:last] *= 1 + by
            if self.room_k is not None:
                outside.ambient_c[:] += np.interp(np.arange(rows * every) * step_s, *self.room_k)
        block_steps = every * max(1, round(block_s * scans_per_s))
        for block in self.amplifier.run(outside, self.fault if fault else NO_FAULT, step_s, block_steps):
            yield block if every == 1 else _every(block, every, step_s)

    def true_run(
        self,
        duration_s: float | None = None,
        scans_per_s: float = 1.0,
        *,
        life: bool = True,
        fault: bool = True,
    ) -> TrueBlock:
        """Return what really is, from start to end, as one block."""
        return join(list(self.true_blocks(duration_s, scans_per_s, life=life, fault=fault)))

    def scans(
        self, duration_s: float | None = None, scans_per_s: float = 10.0, *, block_s: float = 600.0
    ) -> Iterator[ScanBlock]:
        """Give the scans that a host gets, in blocks of about `block_s`; no line in between.

        Sequence numbers count from 0 and skip what was missed; `t_us` counts from the first scan.
        """
        scanner = Scanner(
            self.daq,
            stream(self.seed, self.past.stream_of("board noise")),
            scans_per_s,
            self.lead_off,
            self.cable_out_s,
            self.pick_ups,
        )
        for block in self.true_blocks(duration_s, scans_per_s, block_s=block_s):
            yield scanner.scans(block)

    def passes_rating_s(self, scans_per_s: float = 1.0) -> float | None:
        """Return when the faulty pair's anode dissipation, mean of its valves, passes the rating, or None."""
        if self.truth is None or self.truth.channel not in CHANNELS[:PAIRS]:
            return None
        run = self.true_run(scans_per_s=scans_per_s)
        over = run.anode_w[:, CHANNELS.index(self.truth.channel)] > ANODE_RATING_W
        return float(run.t_s[int(np.argmax(over))]) if over.any() else None

    def setup_text(self, port: str = "auto", scans_per_s: float = 10.0, link: str = "lines") -> str:
        """Return the set-up file that belongs to this bench, its board speaking `link`."""
        return _setup_text(self, port, scans_per_s, link)


def scenario(
    name: str,
    seed: int = 1,
    *,
    warm_up_min: float = 30.0,
    soak_min: float = 120.0,
    past: Past = Past(),
) -> Scenario:
    """Return a scenario; the times of its fault lie at the same parts of the soak for any `soak_min`."""
    if name not in NAMES:
        raise RequestError(f"there is no scenario {name!r}: choose one of {', '.join(NAMES)}")
    if seed < 0:
        raise RequestError(f"a seed is a whole number from 0 up, got {seed}")
    parts = stream(seed, "amplifier")
    valves = past.valves(seed, draw_valves(parts))
    aim_a = [IDLE_A * (1 + share) for share in parts.uniform(-0.009, 0.009, PAIRS)]
    daq = Daq.drawn(stream(seed, "board"), f"sim-{seed:04d}")
    rng = stream(seed, name)
    pair = 2 if name == "drift" else int(rng.integers(PAIRS))
    times = (size := float(rng.uniform(1.5, 3.0))) * float(rng.choice((-1.0, 1.0)))
    warm_s = HT_ON_S + 60.0 * warm_up_min
    soak_s = 60.0 * soak_min
    onset_s = round(warm_s + soak_s * float(rng.uniform(0.08, 0.35)), 1)
    channel = CHANNELS[pair]

    if name == "mismatch":
        others = sorted(a for p, a in enumerate(aim_a) if p != pair)
        # the median of four is the mean of the middle two, and the odd one is not among them
        median = 0.5 * (others[1] + others[2] if times > 0 else others[0] + others[1])
        aim_a[pair] = median * (1 + times * MATCH_LIMIT)
    if name == "side-balance":
        # so far that the sides differ too much, but no channel differs too much from the median of all
        apart = math.copysign(1.15 + 0.35 * (size - 1.5) / 1.5, times) * SIDE_BALANCE_LIMIT
        aim_a = [
            (IDLE_A + 0.15 * (a - IDLE_A)) * (1 + (0.5 if p in PUSH else -0.5) * apart)
            for p, a in enumerate(aim_a)
        ]
    amp = past.grown_old(Amplifier.biased(valves, tuple(aim_a), Supply()))

    truth: Truth | None = None
    fault, mains_step, lead_off, cable_out_s = NO_FAULT, None, None, None
    match name:
        case "mismatch":
            truth = Truth("mismatch", channel, HT_ON_S, times)
        case "drift":
            truth = Truth("drift", channel, onset_s, size)
            fault = Fault(grid_shift_v={pair: _creep(amp, pair, onset_s, size, warm_s + soak_s + TAIL_S)})
        case "unsettled":
            truth = Truth("unsettled", channel, HT_ON_S, times)
            fault = Fault(
                grid_shift_v={pair: _slow_settling(amp, pair, times, warm_s, float(rng.uniform(35.0, 60.0)))}
            )
        case "runaway":
            truth = Truth("runaway", channel, onset_s, size)
            valve = 2 * pair + int(rng.integers(2))
            to_critical_s = soak_s * float(rng.uniform(0.17, 0.37))
            ratio = size * _critical_gas_ratio(amp, valve)
            fault = Fault(
                gas_ratio={valve: ((0.0, onset_s, onset_s + size * to_critical_s), (0.0, 0.0, ratio))}
            )
        case "drop-out":
            truth = Truth("drop-out", channel, onset_s, 1.0)
            fault = Fault(opens_s={pair: onset_s})
        case "mains-change":
            by = math.copysign(float(rng.uniform(0.03, 0.05)), times)
            truth = Truth("mains change", "mains", onset_s, by)
            mains_step = (onset_s, by)
        case "lead-off":
            truth = Truth("measuring fault", channel, onset_s, None)
            lead_off = LeadOff(pair, onset_s)
        case "cable-out":
            truth = Truth("gap", None, onset_s, CABLE_OUT_S)
            cable_out_s = (onset_s, onset_s + CABLE_OUT_S)
    one = Scenario(
        name=name,
        seed=seed,
        warm_up_min=warm_up_min,
        soak_min=soak_min,
        truth=truth,
        amplifier=amp,
        fault=fault,
        daq=daq,
        mains_step=mains_step,
        lead_off=lead_off,
        cable_out_s=cable_out_s,
        past=past,
    )
    drawn = _Drawn(rng, pair, times, onset_s)
    return _with_work(one, drawn) if name in DAILY_WORK else _with_fault(one, drawn)


@dataclass(frozen=True)
class _Drawn:
    """What has been drawn for a scenario, and what draws the rest. `times`: 1.5 to 3, of either sign."""

    rng: np.random.Generator
    pair: int
    times: float
    onset_s: float

    @property
    def channel(self) -> str:
        return CHANNELS[self.pair]

    def between(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))


def _with_fault(one: Scenario, drawn: _Drawn) -> Scenario:
    """Return the scenario with what its name says is wrong; the older ones come with it already."""
    amp, pair, channel, onset_s = one.amplifier, drawn.pair, drawn.channel, drawn.onset_s
    valves = (2 * pair, 2 * pair + 1)
    match one.name:
        case "re-lock":
            off_s = onset_s + drawn.between(60.0, 180.0)
            on_s = off_s + drawn.between(15.0, 40.0)
            again_s = on_s + drawn.between(60.0, 240.0)
            return replace(
                one,
                truth=Truth("drop-out", channel, onset_s, 1.0, (again_s,)),
                fault=Fault(
                    valve_shift_v=dict.fromkeys(valves, ((onset_s, 0.5 * (off_s + on_s), CUT_OFF_V),)),
                    opens_s={pair: again_s},
                    standby_s=((off_s, on_s),),
                ),
            )
        case "half-drop":
            lost = amp.shares_of(pair)
            v = min((0, 1), key=lambda v: abs(lost[v] - 0.5))
            return replace(
                one,
                truth=Truth("drop-out", channel, onset_s, lost[v]),
                fault=Fault(valve_shift_v={valves[v]: ((onset_s, math.inf, CUT_OFF_V),)}),
            )
        case "intermittent":
            per_min = drawn.between(2.0, 8.0)
            bursts = _crackles(drawn, onset_s, one.duration_s, per_min)
            return replace(
                one,
                truth=Truth("intermittent", channel, bursts[0][0], per_min),
                fault=Fault(valve_shift_v={valves[int(drawn.rng.integers(2))]: bursts}),
            )
        case "step-change":
            by = drawn.times * MATCH_LIMIT
            volts = amp.shift_for(pair, amp.at_rest().pair_a[pair] * (1 + by))
            times_s = (onset_s, onset_s + drawn.between(0.3, 4.0))
            return replace(
                one,
                truth=Truth("step change", channel, onset_s, by),
                fault=Fault(grid_shift_v={pair: (times_s, (0.0, volts))}),
            )
        case "side-balance":
            pair_a = amp.at_rest().pair_a
            push, pull = (sum(pair_a[p] for p in side) for side in (PUSH, PULL))
            size = (push - pull) / (0.5 * (push + pull)) / SIDE_BALANCE_LIMIT
            return replace(one, truth=Truth("side balance", None, HT_ON_S, size), by_side=True)
        case "common-drift":
            return replace(
                one,
                truth=Truth("common drift", None, onset_s, drawn.times),
                fault=Fault(grid_shift_v=_common_creep(amp, onset_s, drawn.times, one.duration_s)),
            )
        case "bias-lost":
            ratio = drawn.between(1.85, 2.2)
            times_s = (onset_s, onset_s + drawn.between(0.5, 4.0))
            lost_v = amp.bias_loss_for(ratio)
            return replace(
                one,
                truth=Truth("bias lost", None, onset_s, ratio),
                fault=Fault(grid_shift_v={p: (times_s, (0.0, v)) for p, v in lost_v.items()}),
            )
        case "railed":
            short_a = drawn.between(0.30, 0.34)
            valve = valves[int(drawn.rng.integers(2))]
            short_v = amp.short_for(valve, short_a)
            return replace(
                one,
                truth=Truth("over-current", channel, onset_s, short_a / amp.at_rest().pair_a[pair]),
                fault=Fault(valve_shift_v={valve: ((onset_s, math.inf, short_v),)}),
            )
        case "hot-chassis":
            over_k = drawn.between(4.0, 10.0)
            share = 1 - math.exp(-(one.soaked_at_s - onset_s) / CHASSIS_TAU_S)
            rest_c = amp.chassis_at_rest_c()
            still_cold_k = (rest_c - ROOM_C) * math.exp(-(one.soaked_at_s - HT_ON_S) / CHASSIS_TAU_S)
            heat_k = (CHASSIS_LIMIT_C + over_k - rest_c + still_cold_k) / share
            return replace(
                one,
                truth=Truth("over-temperature", "chassis", onset_s, over_k),
                fault=Fault(chassis_heat_k=((onset_s, onset_s + 1.0), (0.0, heat_k))),
            )
        case "mains-lost":
            back_s = onset_s + drawn.between(60.0, 300.0)
            ht_s = back_s + _ht_delay_s(amp)
            return replace(
                one,
                truth=Truth("mains lost", "mains", onset_s, back_s - onset_s),
                mains_spans=((onset_s, back_s, -1.0),),
                fault=Fault(standby_s=((onset_s, ht_s),)),
                plan_from_s=ht_s + 1.0,
            )
        case _:
            return one


def _with_work(one: Scenario, drawn: _Drawn) -> Scenario:
    """Return the scenario with the daily work that its name says."""
    amp, pair, channel, onset_s = one.amplifier, drawn.pair, drawn.channel, drawn.onset_s
    sign = math.copysign(1.0, drawn.times)
    match one.name:
        case "door-opened":
            fall_k, tau_s = drawn.between(3.0, 6.0), drawn.between(300.0, 700.0)
            since_s = np.concatenate([[0.0, 45.0], np.arange(120.0, 6.0 * tau_s, 60.0)])
            fall = np.where(since_s > 0, -fall_k * np.exp(-np.maximum(0.0, since_s - 45.0) / tau_s), 0.0)
            return replace(
                one,
                room_k=((*(onset_s + since_s).tolist(),), (*fall.tolist(),)),
                work=Work(onset_s, onset_s + 6.0 * tau_s),
            )
        case "soldering-iron":
            by = -drawn.between(0.0005, 0.0015)
            spans, t_s = [], onset_s
            until_s = onset_s + drawn.between(600.0, 1200.0)
            on_s = drawn.between(40.0, 90.0)  # it heats up
            while t_s < until_s:
                spans.append((t_s, t_s + on_s, by))
                t_s += on_s + drawn.between(10.0, 30.0)
                on_s = drawn.between(4.0, 15.0)
            return replace(one, mains_spans=tuple(spans), work=Work(onset_s, spans[-1][1]))
        case "pot-touched":
            rest_a = amp.at_rest().pair_a
            # towards the others and past them: where it ends it matches them, as before
            by = -math.copysign(drawn.between(0.02, 0.03), rest_a[pair] - float(np.median(rest_a)))
            volts = amp.shift_for(pair, rest_a[pair] * (1 + by))
            turned_s, back_s = drawn.between(5.0, 15.0), drawn.between(3.0, 8.0)
            too_far = drawn.between(0.1, 0.3)
            turn, back = _smooth(0.0, 1.0 + too_far), _smooth(1.0 + too_far, 1.0)
            parts = np.linspace(0.0, 1.0, len(turn))
            times_s = np.concatenate([onset_s + turned_s * parts, onset_s + turned_s + back_s * parts[1:]])
            course = volts * np.concatenate([turn, back[1:]])
            return replace(
                one,
                fault=Fault(grid_shift_v={pair: ((*times_s.tolist(),), (*course.tolist(),))}),
                work=Work(onset_s, onset_s + turned_s + back_s, ("question",), channel),
            )
        case "standby-flipped":
            short = bool(drawn.rng.integers(2))
            on_s = onset_s + (drawn.between(15.0, 45.0) if short else drawn.between(90.0, 150.0))
            return replace(
                one,
                fault=Fault(standby_s=((onset_s, on_s),)),
                work=Work(onset_s, on_s),
                plan_from_s=HT_ON_S if short else on_s + 1.0,
            )
        case "meter-clipped-on":
            until_s = onset_s + drawn.between(120.0, 300.0)
            pick_up = PickUp(
                onset_s,
                until_s,
                offset_v=_on(pair, sign * drawn.between(0.0004, 0.0015)),
                hum_v=_on(pair, drawn.between(0.0003, 0.0008)),
                noise_v=_on(pair, drawn.between(0.0001, 0.0003)),
            )
            work = Work(onset_s, until_s, ("remark", "question"), channel)
            return replace(one, pick_ups=(pick_up,), work=work)
        case "signal-declared" | "signal-undeclared":
            declared = one.name == "signal-declared"
            until_s = onset_s + drawn.between(240.0, 480.0)
            course_v = _programme(drawn, onset_s, until_s)
            said = ((onset_s - drawn.between(3.0, 15.0), "signal on"), (until_s + 5.0, "signal off"))
            return replace(
                one,
                fault=Fault(grid_shift_v=dict.fromkeys(range(PAIRS), course_v)),
                work=Work(onset_s, until_s, () if declared else ("question",)),
                marks=tuple(_mark(t_s, text) for t_s, text in said) if declared else (),
            )
        case "lamp-limiter":
            bridged_s = drawn.between(240.0, 420.0)
            first, then = drawn.between(0.30, 0.40), drawn.between(0.52, 0.62)
            return replace(
                one,
                # the heaters are cold and the lamp takes nearly all; then it settles
                mains_spans=((0.0, 15.0, first - 1.0), (15.0, bridged_s, then - 1.0)),
                work=Work(amp.supply.mains_on_s, bridged_s),
                plan_from_s=bridged_s,
            )
        case "charger-noise":
            until_s = onset_s + drawn.between(600.0, 1500.0)
            noise_v = [*drawn.rng.uniform(0.00025, 0.0006, PAIRS), *drawn.rng.uniform(0.002, 0.006, OTHERS)]
            pick_up = PickUp(onset_s, until_s, noise_v=tuple(float(v) for v in noise_v))
            return replace(one, pick_ups=(pick_up,), work=Work(onset_s, until_s, ("remark",)))
        case "contactor-click":
            clicks, t_s = [], onset_s
            for _ in range(3):
                volts_in = [*drawn.rng.uniform(0.004, 0.03, PAIRS), *drawn.rng.uniform(0.05, 0.4, OTHERS)]
                signs = drawn.rng.choice((-1.0, 1.0), len(CHANNELS))
                clicks.append(PickUp(t_s, None, offset_v=tuple((signs * volts_in).tolist())))
                t_s += drawn.between(40.0, 200.0)
            return replace(one, pick_ups=tuple(clicks), work=Work(onset_s, clicks[-1].from_s))
        case "hot-restart":
            back_s = onset_s + drawn.between(90.0, 240.0)
            ht_s = back_s + _ht_delay_s(amp)
            return replace(
                one,
                fault=Fault(switched_off_s=((onset_s, back_s),), standby_s=((onset_s, ht_s),)),
                work=Work(onset_s, ht_s),
                plan_from_s=ht_s + 1.0,
            )
        case "valves-swapped":
            return _swapped(one, drawn)
        case "tap-test":
            v = 2 * pair + int(drawn.rng.integers(2))
            first_s = onset_s + drawn.between(2.0, 10.0)
            gaps_s = drawn.rng.uniform(3.0, 20.0, int(drawn.rng.integers(3, 6)))
            bursts = tuple(_crackle(drawn, first_s + float(s)) for s in (0.0, *np.cumsum(gaps_s).tolist()))
            return replace(
                one,
                truth=Truth("intermittent", channel, first_s, len(bursts) / 2.0),
                fault=Fault(valve_shift_v={v: bursts}),
                work=Work(onset_s, onset_s + 120.0, (), channel),
                marks=(_mark(onset_s, f"tapped {_socket(v)}"),),
            )
        case name:
            raise AssertionError(name)


def _ht_delay_s(amp: Amplifier) -> float:
    """Return how long after the mains the HT comes."""
    return amp.supply.ht_on_s - amp.supply.mains_on_s


def _on(column: int, value: float) -> tuple[float, ...]:
    return tuple(value if c == column else 0.0 for c in range(len(CHANNELS)))


def _mark(t_s: float, text: str) -> Mark:
    return Mark(round(t_s * 1e6), text)


def _socket(valve: int) -> str:
    return f"V{valve + 3}"


def _smooth(start: float, end: float) -> FloatArray:
    """Return a few points of a movement that starts and stops gently."""
    parts = np.linspace(0.0, 1.0, 9)
    return np.asarray(start + (end - start) * 0.5 * (1 - np.cos(math.pi * parts)))


def _crackle(drawn: _Drawn, from_s: float) -> tuple[float, float, float]:
    """Return one burst of a bad contact: 0.1 to 1.2 s, short ones as often as long ones by octave."""
    for_s = math.exp(drawn.between(math.log(0.1), math.log(1.2)))
    return from_s, from_s + for_s, -drawn.between(2.0, 30.0)


def _crackles(
    drawn: _Drawn, onset_s: float, until_s: float, per_min: float
) -> tuple[tuple[float, float, float], ...]:
    """Return bursts as a Poisson process, the first at `onset_s`."""
    bursts, t_s = [], onset_s
    while t_s < until_s:
        bursts.append(_crackle(drawn, t_s))
        t_s += float(drawn.rng.exponential(60.0 / per_min))
    return tuple(bursts)


def _programme(drawn: _Drawn, onset_s: float, until_s: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return what speech at a modest level does, as a shift at all grids: up to a quarter more current.

    Signal through class AB raises the mean current; what it adds to the mean is all that is modelled. The
    anode power in the truth is too high meanwhile by what goes to the load.
    """
    times_s = np.arange(onset_s, until_s, 0.5)
    loud_v, level, levels = drawn.between(0.9, 1.5), 0.0, []
    for kick in drawn.rng.standard_normal(len(times_s)).tolist():
        level = 0.85 * level + 0.53 * kick  # syllables and pauses, over some 3 s
        levels.append(loud_v * min(1.0, max(0.05, 0.5 + 0.35 * level)))
    return (*times_s.tolist(), until_s), (0.0, *levels[1:], 0.0)


def _swapped(one: Scenario, drawn: _Drawn) -> Scenario:
    """Return the scenario with the valves of two pairs exchanged while it is off, and their bias reset."""
    amp, first, onset_s = one.amplifier, drawn.pair, drawn.onset_s
    second = (first + 1 + int(drawn.rng.integers(PAIRS - 1))) % PAIRS
    back_s = onset_s + drawn.between(240.0, 420.0)
    swap_s, ht_s = 0.5 * (onset_s + back_s), back_s + _ht_delay_s(amp)
    order = list(range(VALVES))
    for side in (0, 1):
        order[2 * first + side], order[2 * second + side] = 2 * second + side, 2 * first + side
    refitted = replace(amp, valves=tuple(amp.valves[v] for v in order))
    volts = refitted.shifts_for({p: IDLE_A * (1 + drawn.between(-0.009, 0.009)) for p in (first, second)})
    return replace(
        one,
        fault=Fault(
            grid_shift_v={p: ((swap_s - 1.0, swap_s), (0.0, v)) for p, v in volts.items()},
            switched_off_s=((onset_s, back_s),),
            standby_s=((onset_s, ht_s),),
            swap=(swap_s, tuple(order)),
        ),
        work=Work(onset_s, ht_s, ("question",)),
        plan_from_s=ht_s + 1.0,
    )


def stream(seed: int, purpose: str) -> np.random.Generator:
    """Return the random numbers of one purpose: another purpose changes nothing in them."""
    return np.random.default_rng([seed, zlib.crc32(purpose.encode())])


def _step_of(scans_per_s: float) -> tuple[float, int]:
    """Return the physics' step and how many of them make a scan."""
    if not 0.2 <= scans_per_s <= 100:
        raise RequestError(f"the simulated DAQ makes 0.2 to 100 scans a second, got {scans_per_s:g}")
    every = max(1, math.ceil(1 / scans_per_s / STEP_LIMIT_S - 1e-9))
    return 1 / scans_per_s / every, every


def _every(block: TrueBlock, every: int, step_s: float) -> TrueBlock:
    keep = np.rint(block.t_s / step_s).astype(np.int64) % every == 0
    return TrueBlock(**{name: getattr(block, name)[keep] for name in TrueBlock.__dataclass_fields__})


def _creep(
    amp: Amplifier, pair: int, onset_s: float, size: float, until_s: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return the shift at a pair's grids that lets its settled current rise in a straight line."""
    rest = amp.at_rest()
    idle_a = float(np.median(rest.pair_a))
    times = np.linspace(onset_s, until_s, 13)
    rise_a = size * DRIFT_LIMIT_PER_H * idle_a * (times - onset_s) / 3600.0
    volts = [amp.shift_for(pair, rest.pair_a[pair] + float(rise)) for rise in rise_a]
    return (*times.tolist(),), (0.0, *volts[1:])


def _common_creep(
    amp: Amplifier, onset_s: float, size: float, until_s: float
) -> dict[int, tuple[tuple[float, ...], tuple[float, ...]]]:
    """Return the shifts at all grids when the bias supply moves so that the pairs' sum goes in a line."""
    times = np.linspace(onset_s, until_s, 7)
    courses = [amp.bias_loss_for(1 + size * DRIFT_LIMIT_PER_H * float(t - onset_s) / 3600.0) for t in times]
    return {
        pair: ((*times.tolist(),), (0.0, *(shifts[pair] for shifts in courses[1:]))) for pair in range(PAIRS)
    }


def _slow_settling(
    amp: Amplifier, pair: int, times: float, warm_s: float, tau_min: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return a shift that dies away with `tau_min` and leaves `times` the limit to move at `warm_s`."""
    rest = amp.at_rest()
    aim_a = rest.pair_a[pair] + times * SETTLE_LIMIT * float(np.median(rest.pair_a))
    t_s = np.concatenate([[0.0], np.arange(HT_ON_S, warm_s + 240.0 * tau_min, 30.0)])
    shape = np.exp((warm_s - t_s) / (60.0 * tau_min))
    outside = draw_surroundings(stream(0, "quiet"), round(warm_s) + 1, 1.0, life=False)

    def course(volts: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
        return (*t_s.tolist(),), (*(volts * shape).tolist(),)

    def over_a(volts: float) -> float:
        """How far the pair is from its aim when it should be warm."""
        fault = Fault(grid_shift_v={pair: course(volts)})
        return float(join(list(amp.run(outside, fault, 1.0, len(outside.mains_v)))).pair_a[-1, pair]) - aim_a

    # its own settling goes on beside the fault's: what is left of both is what counts
    first = amp.shift_for(pair, aim_a)
    over, over_first = over_a(0.0), over_a(first)
    return course(first * over / (over - over_first))


def _critical_gas_ratio(amp: Amplifier, valve: int) -> float:
    """Return the ratio of ion to anode current that has loop gain 1 at idle."""
    ht_v = amp.supply.nominal_ht_v
    grid_v = amp.bias_v[valve // 2]
    return 1 / (amp.supply.grid_leak_ohm * amp.valves[valve].law.gm_s(ht_v, ht_v - 4.5, grid_v))


def _sits(one: Scenario, column: int) -> str:
    """Return which valves a channel's resistor carries, as the set-up says it."""
    if not one.by_side:
        return f'sockets = ["{_socket(2 * column)}", "{_socket(2 * column + 1)}"]'
    side, first = ("push", 4 * column) if column in PUSH else ("pull", 4 * (column - len(PUSH)) + 1)
    return (
        f'side = "{side}"                # two valves of this side\npair = "{"AB"[column % 2]}"\n'
        f'sockets = ["{_socket(first)}", "{_socket(first + 2)}"]'
    )


_LINK_KEYS: Final = {
    "lines": "",
    "csv": f"""unit = "V"
columns = {json.dumps(["-", *CHANNELS])}
time_column = {{column = 1, unit = "ms"}}
""",
    # two stop bits in place of parity, as the standard has it: a pseudo-terminal has none
    "modbus": f"""parity = "none"
stop_bits = 2
device = {DEVICE}
registers = "input"
format = "int16"
no_reading = {NOTHING}
identity = {{register = {len(CHANNELS)}, value = {IDENTITY}}}
""",
    "scpi": """line_cycles = 1
line_Hz = 50
""",
}


def _inputs(link: str, column: int, own: str) -> str:
    """Return where a channel is found on a board of a kind, and its scale where the board doesn't say it."""
    full_v, step_v = (0.256, PAIR_STEP_V) if column < PAIRS else (4.096, OTHER_STEP_V)
    match link:
        case "csv":
            # as the board prints it; beyond it says "over"
            return f"full_scale_V = {full_v}\nstep_V = {1e-6 if column < PAIRS else 1e-5}"
        case "modbus":
            return f"pin = {column}\nstep_V = {step_v!r}\nfull_scale_V = {FULL_COUNT * step_v!r}"
        case "scpi":
            return f"pin = {FIRST_CHANNEL + column}\nfull_scale_V = {full_v}"
        case _:
            return f"pin = {own}"


def _setup_text(one: Scenario, port: str, scans_per_s: float, link: str) -> str:
    supply = one.amplifier.supply
    pairs = "".join(
        f"""
[[channel]]
name = "pair{pair + 1}"
measures = "pair current"
{_inputs(link, pair, f"[{2 * pair}, {2 * pair + 1}]")}
sense_ohm = {SENSE_OHM}
tolerance_pct = 1.0
{_sits(one, pair)}
"""
        for pair in range(PAIRS)
    )
    temperatures = "".join(
        f"""
[[channel]]
name = "{name}"
measures = "{name} temperature"
{_inputs(link, column, str(pin))}
sensor = "ntc"
r25_ohm = {NTC_R25_OHM:.0f}
beta_K = {NTC_BETA_K:.0f}
pullup_ohm = {PULLUP_OHM:.0f}
supply_V = {PULLUP_V}
tolerance_pct = 1.0
"""
        for column, name, pin in ((PAIRS + 2, "chassis", 10), (PAIRS + 3, "ambient", 11))
    )
    return f"""# The set-up of the simulated bench: scenario {one.name}, seed {one.seed}.
schema = "soakbench.setup/1"

[bench]
name = "bench 1"

[amp]
name = "Theatre PA 240 W"
valve = "EL34"
valves_per_pair = 2
bias = "fixed"
operating_class = "AB"
adjust = "each pair"
connection = "pentode"
nominal_ht_V = {supply.nominal_ht_v:.0f}
nominal_mains_V = {supply.nominal_mains_v:.0f}
ht_at = "reservoir"
primary_ohm = {supply.primary_ohm:.0f}

[link]
kind = "{link}"
port = "{port}"
scans_per_s = {scans_per_s:g}
{_LINK_KEYS[link]}{pairs}
[[channel]]
name = "ht"
measures = "HT"
{_inputs(link, PAIRS, "8")}
divider_ohm = [{DIVIDER_OHM[0]:_.0f}, {DIVIDER_OHM[1]:_.0f}]
tolerance_pct = 1.0

[[channel]]
name = "mains"
measures = "mains"
{_inputs(link, PAIRS + 1, "9")}
sensor = "linear"            # an isolated transducer: 1 V for each 100 V of mains
value_per_V = {MAINS_V_PER_V:.0f}
tolerance_pct = 1.0
{temperatures}
[plan]
steps = [
  {{step = "warm-up", minutes = {one.warm_up_min:g}}},
  {{step = "soak", minutes = {one.soak_min:g}}},
]
"""
