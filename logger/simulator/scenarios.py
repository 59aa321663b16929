"""The scenarios: a name and a seed give an amplifier, what goes wrong with it, and the truth as data.

One seed is one amplifier and one board in every scenario: `drift` seed 4 is `healthy` seed 4 with a fault,
and nothing else differs. Times count from the first scan, when everything is off.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.blocks import DaqInfo, ScanBlock
from logger.errors import RequestError
from logger.simulator.amplifier import (
    ANODE_RATING_W,
    NO_FAULT,
    PAIRS,
    STEP_LIMIT_S,
    Amplifier,
    Fault,
    Supply,
    TrueBlock,
    draw_surroundings,
    draw_valves,
    join,
)
from logger.simulator.daq import (
    CHANNELS,
    DIVIDER_OHM,
    MAINS_V_PER_V,
    NTC_BETA_K,
    NTC_R25_OHM,
    PULLUP_OHM,
    PULLUP_V,
    SENSE_OHM,
    Daq,
    LeadOff,
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
}
"""Every scenario, with what happens in it."""

MATCH_LIMIT: Final = 0.04
DRIFT_LIMIT_PER_H: Final = 0.03
SETTLE_LIMIT: Final = 0.01
IDLE_A: Final = 0.076
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
    the current that is lost; `mains change` the relative step; `gap` seconds; None for `measuring fault`.
    """

    kind: str
    channel: str | None
    onset_s: float
    size: float | None


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
        return HT_ON_S + self.plan_s + TAIL_S

    @property
    def warm_at_s(self) -> float:
        """When the warm-up step ends."""
        return HT_ON_S + 60.0 * self.warm_up_min

    @property
    def soaked_at_s(self) -> float:
        """When the soak step ends."""
        return HT_ON_S + self.plan_s

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
        outside = draw_surroundings(stream(self.seed, "surroundings"), rows * every, step_s, life=life)
        if fault and self.mains_step is not None:
            since_s, by = self.mains_step
            outside.mains_v[math.ceil(since_s / step_s - 1e-9) :] *= 1 + by
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
            self.daq, stream(self.seed, "board noise"), scans_per_s, self.lead_off, self.cable_out_s
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

    def setup_text(self, port: str = "auto", scans_per_s: float = 10.0) -> str:
        """Return the set-up file that belongs to this bench."""
        return _setup_text(self, port, scans_per_s)


def scenario(name: str, seed: int = 1, *, warm_up_min: float = 30.0, soak_min: float = 120.0) -> Scenario:
    """Return a scenario; the times of its fault lie at the same parts of the soak for any `soak_min`."""
    if name not in NAMES:
        raise RequestError(f"there is no scenario {name!r}: choose one of {', '.join(NAMES)}")
    if seed < 0:
        raise RequestError(f"a seed is a whole number from 0 up, got {seed}")
    parts = stream(seed, "amplifier")
    valves = draw_valves(parts)
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
    amp = Amplifier.biased(valves, tuple(aim_a), Supply())

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
    return Scenario(
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


def _setup_text(one: Scenario, port: str, scans_per_s: float) -> str:
    supply = one.amplifier.supply
    pairs = "".join(
        f"""
[[channel]]
name = "pair{pair + 1}"
measures = "pair current"
pin = [{2 * pair}, {2 * pair + 1}]
sense_ohm = {SENSE_OHM}
tolerance_pct = 1.0
sockets = ["V{2 * pair + 3}", "V{2 * pair + 4}"]
"""
        for pair in range(PAIRS)
    )
    temperatures = "".join(
        f"""
[[channel]]
name = "{name}"
measures = "{name} temperature"
pin = {pin}
sensor = "ntc"
r25_ohm = {NTC_R25_OHM:.0f}
beta_K = {NTC_BETA_K:.0f}
pullup_ohm = {PULLUP_OHM:.0f}
supply_V = {PULLUP_V}
tolerance_pct = 1.0
"""
        for name, pin in (("chassis", 10), ("ambient", 11))
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
kind = "lines"
port = "{port}"
scans_per_s = {scans_per_s:g}
{pairs}
[[channel]]
name = "ht"
measures = "HT"
pin = 8
divider_ohm = [{DIVIDER_OHM[0]:_.0f}, {DIVIDER_OHM[1]:_.0f}]
tolerance_pct = 1.0

[[channel]]
name = "mains"
measures = "mains"
pin = 9
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
