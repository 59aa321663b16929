"""What `soakbench check` says of a set-up: wiring, limits and why, what is odd or can't be decided.

Pure: reads a Setup, touches no port and no file. Words in `Advice` are ready for a person.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from logger import bias, budget
from logger.blocks import DaqInfo
from logger.budget import Budget
from logger.convert import Converter, daq_from_setup
from logger.errors import Fault
from logger.setup import (
    LIVE_SCANS_PER_S,
    MOST_REGISTERS,
    SETTLING_S,
    Channel,
    CsvLink,
    LinesLink,
    ModbusLink,
    ScpiLink,
    Setup,
    SimulatorLink,
)

HUM_SCANS_PER_S: Final = 10.0
"""A faster scan is shorter than 100 ms and no longer stands for whole mains cycles of 50 and 60 Hz."""

CAUTIONS: Final = (
    "High tension kills, also after switching off: an HT reading of zero proves nothing.",
    "One hand; power off before moving valves or leads; the glass is hot.",
    "Turn pots slowly: worn ones go open. No signal without a load.",
    "Never leave an amp running with nobody in the building.",
    "Sense wires carry HT if a resistor opens: series resistor and clamp at the amp's end, isolated USB.",
    "Never connect the DAQ to an anode, a screen, the output transformer or an amp without a mains "
    "transformer; earth stays connected.",
    "soakbench is no certified protective device; local codes and licensed practice come first.",
)
"""The usual cautions, in short."""

RANGES_V: Final = (0.256, 0.512, 1.024, 2.048, 4.096, 6.144)
"""The full scales of an ADS1115-type converter; no pin of it may rise above its supply all the same."""

COARSE_SHARE: Final = 0.1
"""A step over this share of the match limit is one that the eye sees in the figure; ours, no source."""

COARSE_NOMINAL_PCT: Final = 0.5
"""The same for HT and mains, in per cent of nominal; ours, no source."""

IDLE_C: Final = 25.0
"""Where a thermometer's volts are given."""

MODULE_THINKS_S: Final = 0.05
"""What a module takes from request to reply at most; common practice, no source."""

PLACE: Final = {"lines": "pin", "csv": "column", "modbus": "register", "scpi": "meter channel"}
"""What `pin` numbers, by the kind of link."""

NEEDS_DIVIDER: Final = ("HT", "mains", "bias voltage")
"""What no converter takes without one."""


@dataclass(frozen=True)
class Wire:
    """One channel as it is to be wired; volts at the DAQ's pins, None where they can't be told.

    `expected_v`: at the aim, at nominal, or at 25 degC. `limit_v`: at `trip_pct`, or at the temperature that
    a finding is raised at. `step`: one count in the channel's unit (A, V, degC), nan where it can't be told.
    `most_v`: what can be read at its pins, the full scale or the converter's supply.
    """

    channel: str
    measures: str
    pins: tuple[int, ...]
    leads: str
    part: str
    expected_v: float | None
    limit_v: float | None
    full_scale_v: float
    most_v: float
    reads_up_to: str
    step: float

    @property
    def headroom(self) -> float | None:
        """How many times the expected volts fit into what can be read."""
        return self.most_v / self.expected_v if self.expected_v else None

    def told(self, place: str) -> list[str]:
        """Return its row under `Advice.wiring_heads`; `place` is what its pins are."""
        plain = self.measures == "pair current" or self.channel.lower() in self.measures.lower()
        paired = len(self.pins) == 2 and place == "pin"
        return [
            self.channel if plain else f"{self.channel}: {self.measures}",
            "{}+ {}-".format(*self.pins) if paired else ", ".join(map(str, self.pins)) or "–",
            self.part,
            *("–" if at is None else _volts(at) for at in (self.expected_v, self.limit_v)),
            f"{self.full_scale_v:.4g} V",
            self.reads_up_to or "–",
            "–" if self.headroom is None else f"{self.headroom:.1f} x",
        ]


def _volts(volts: float) -> str:
    return f"{1000 * volts:.1f} mV" if abs(volts) < 1.0 else f"{volts:.2f} V"


@dataclass(frozen=True)
class Limit:
    """One limit in force, whether the file states it, and where it comes from."""

    name: str
    value: str
    stated: bool
    reason: str

    @property
    def told(self) -> list[str]:
        """Its row: limit, value, where it comes from."""
        return [self.name, self.value, self.reason if self.stated else f"default: {self.reason}"]


@dataclass(frozen=True)
class Decidable:
    """How a limit stands against the expanded uncertainty of what it judges."""

    what: str
    limit: float
    expanded_uncertainty: float
    unit: str
    says: str
    helps: str

    @property
    def share(self) -> float:
        """The uncertainty as a part of the limit: from 1 up no pass exists, above 1/3 few are plain."""
        return self.expanded_uncertainty / self.limit

    @property
    def told(self) -> str:
        """The sentence of it."""
        helps = f" (would help: {self.helps})" if self.helps else ""
        return (
            f"{self.what}: U {self.expanded_uncertainty:.2g} {self.unit} against {self.limit:.3g} {self.unit}"
            f": {self.says}{helps}"
        )


@dataclass(frozen=True)
class Advice:
    """All that `check` says of one set-up."""

    aim: str
    place: str
    wiring: list[Wire]
    limits: list[Limit]
    decidable: list[Decidable]
    odd: list[str]
    shortest_crackle_s: float

    @property
    def wiring_heads(self) -> tuple[str, ...]:
        """What stands over the wiring's columns."""
        return "channel", self.place, "part", "idle", "limit", "full scale", "reads to", "room"

    @property
    def wiring_means(self) -> str:
        """What the figures of the wiring are."""
        return (
            "Idle: volts at the DAQ at the aim, at nominal HT and mains, at 25 °C; limit: at trip_pct, at "
            "the greatest temperature; room: how many times idle fits into the full scale."
            f"{' What the DAQ says itself counts.' if self.place == 'pin' else ''}"
        )


def advise(setup: Setup) -> Advice:
    """Look a set-up over."""
    daq = daq_from_setup(setup)
    wiring = [_wire(setup, daq, column) for column in range(len(setup.channel))]
    return Advice(
        aim=_aim_sentence(setup),
        place=PLACE.get(setup.link.kind, "pin"),
        wiring=wiring,
        limits=list(_limits(setup)),
        decidable=list(_decidable(setup, daq)),
        odd=[
            *_odd_wiring(setup, wiring),
            *_odd_link(setup),
            *_odd_plan(setup),
            *_odd_tables(setup),
        ],
        shortest_crackle_s=2.0 / setup.link.scans_per_s,
    )


def live_faults(setup: Setup) -> list[Fault]:
    """Name what only a live link needs and the set-up lacks: pins, scales, dividers, sensors."""
    faults = list(_place_faults(setup))
    if setup.link.scans_per_s < LIVE_SCANS_PER_S:
        least = f"at least {LIVE_SCANS_PER_S:g} (slower is a log by hand)"
        faults.append(Fault("link.scans_per_s", least, f"{setup.link.scans_per_s:g}"))
    for channel in setup.channel:
        where = f'channel "{channel.name}"'
        if (
            channel.measures in NEEDS_DIVIDER
            and channel.divider_ohm is None
            and channel.sensor is None
            and channel.value_per_V is None
        ):
            faults.append(
                Fault(f"{where}.divider_ohm", "[top, bottom] in ohms, a live link needs them", "nothing")
            )
        if channel.unit == "degC" and channel.sensor is None:
            faults.append(Fault(f"{where}.sensor", "ntc, pt100, type K or linear", "nothing"))
    return faults


def _place_faults(setup: Setup) -> Iterator[Fault]:
    """Name what a device of the set-up's kind can't be read without."""
    link = setup.link
    place = PLACE.get(link.kind, "pin")
    # a board that prints numbers may name its columns itself, which only its first lines show
    needs_pin = not isinstance(link, CsvLink)
    named = [name.casefold() for name in link.columns or []] if isinstance(link, CsvLink) else []
    for channel in setup.channel:
        where = f'channel "{channel.name}"'
        if channel.pin is None and needs_pin:
            what = "the DAQ's inputs" if place == "pin" else f"its {place}"
            yield Fault(
                f"{where}.pin", f"{what}, a live link needs {'them' if place == 'pin' else 'it'}", "nothing"
            )
        if channel.pin is not None and place != "pin" and len(channel.pin) > 1:
            yield Fault(f"{where}.pin", f"one number, the {place}", str(channel.pin))
        if named and channel.name.casefold() not in named:
            yield Fault("link.columns", f"a column {channel.name}", ", ".join(named))
        scale = {"modbus": ("step_V", "full_scale_V"), "scpi": ("full_scale_V",)}.get(link.kind, ())
        for key in scale:
            if getattr(channel, key) is None:
                means = "volts per count" if key == "step_V" else "the input's range"
                yield Fault(f"{where}.{key}", f"{means}, which the device doesn't say", "nothing")
    if isinstance(link, ModbusLink):
        addresses = sorted(channel.pin[0] for channel in setup.channel if channel.pin)
        if any(later - earlier < link.words for earlier, later in pairwise(addresses)):
            yield Fault(
                "channel.pin", f"registers {link.words} apart, as {link.format} takes", str(addresses)
            )
        every = [*addresses, *([] if link.identity is None else [link.identity.register_])]
        if every and max(every) + link.words - min(every) > MOST_REGISTERS:
            yield Fault(
                "channel.pin",
                f"registers within {MOST_REGISTERS} of each other: they are read at once",
                f"{min(every)} to {max(every)}",
            )
    if isinstance(link, SimulatorLink):
        yield Fault("link.kind", "a kind that has a device", '"simulator", there to judge logs by')


def aim_a(setup: Setup, channel: Channel) -> float:
    """Return the pair current to aim at, in A (at the rating itself where the set-up has no aim)."""
    return bias.aim_a(setup, setup.pairs.index(channel), _aim_pct(setup))


def _aim_pct(setup: Setup) -> float:
    return setup.limits.aim_pct or 100.0


def _aim_sentence(setup: Setup) -> str:
    pair = setup.pairs[0]
    rating, ceiling = setup.rating, setup.ceiling
    if math.isnan(aim_a(setup, pair)):
        return _no_current(setup)
    what = "the aim" if setup.limits.aim_pct else "the rating (this amp has no aim)"
    return (
        f"{what}: {_aim_pct(setup):g} % of {ceiling.says} a valve at {setup.amp.nominal_ht_V:g} V is "
        f"{1000 * aim_a(setup, pair):.1f} mA through {pair.name}'s resistor, "
        f"{1000 * aim_a(setup, pair) / setup.valves_on(pair):.1f} mA a valve "
        f"({rating.valve}, {rating.system}: {ceiling.source}{ceiling.memory})"
    )


def _no_current(setup: Setup) -> str:
    return (
        f"no current brings {_aim_pct(setup):g} % of {setup.ceiling.says} at {setup.amp.nominal_ht_V:g} V: "
        "the resistors in its way take it all; check nominal_ht_V, primary_ohm, sense_ohm and cathode_V"
    )


# ---- wiring


def _wire(setup: Setup, daq: DaqInfo, column: int) -> Wire:
    channel = setup.channel[column]
    full_scale_v = daq.volts_per_count[column] * daq.full_count[column]
    expected_v, limit_v = _volts_at(setup, daq, column)
    most_v = min(full_scale_v, pin_most_v(setup))
    part, reads = _part(channel, most_v)
    pins = tuple(channel.pin or ())
    place = PLACE.get(setup.link.kind, "pin")
    leads = "one wire and ground" if setup.against_ground(channel) else "two wires"
    if not pins:
        leads = f"no {place} named"
    elif place == "pin" and len(pins) == 2:
        leads = "two wires, + first"
    step = Converter(setup, daq).step(column)
    return Wire(
        channel.label,
        channel.measures,
        pins,
        leads,
        part,
        expected_v,
        limit_v,
        full_scale_v,
        most_v,
        reads,
        step,
    )


def pin_most_v(setup: Setup) -> float:
    """Return what no pin may rise above, whatever the range, in V; inf where the set-up doesn't know."""
    return setup.link.supply_V if isinstance(setup.link, LinesLink) else math.inf


def _volts_at(setup: Setup, daq: DaqInfo, column: int) -> tuple[float | None, float | None]:
    """Return a channel's volts at idle and at its limit; None where the set-up does not say."""
    channel, limits, amp = setup.channel[column], setup.limits, setup.amp
    idle: float | None = None
    limit: float | None = None
    if channel.measures == "pair current":
        pair = setup.pairs.index(channel)
        idle, limit = (bias.aim_a(setup, pair, pct) for pct in (_aim_pct(setup), limits.trip_pct))
    elif channel.unit == "degC" and channel.sensor is not None:
        idle = IDLE_C
        limit = {
            "chassis temperature": limits.chassis_max_C,
            "transformer temperature": limits.transformer_max_C,
        }.get(channel.measures)
    elif channel.divider_ohm is not None or channel.value_per_V is not None:
        idle = {"HT": amp.nominal_ht_V, "mains": amp.nominal_mains_V}.get(channel.measures)
    converter = Converter(setup, daq)

    def volts(value: float | None) -> float | None:
        if value is None or math.isnan(value):
            return None
        at = float(converter.counts(column, np.array([value]))[0]) * daq.volts_per_count[column]
        return at if math.isfinite(at) else None

    return volts(idle), volts(limit)


def _part(channel: Channel, most_v: float) -> tuple[str, str]:
    """Return the part that a channel hangs on, and the most it can read."""
    if channel.measures == "pair current":
        sense_ohm = channel.sense_ohm or math.nan  # required by the set-up's own check
        series = f" + {channel.series_ohm:g} ohm in the wire" if channel.series_ohm else ""
        part = f"{sense_ohm:g} ohm ±{_tolerance(channel)}{series}"
        return part, f"{1000 * most_v / sense_ohm:.0f} mA"
    if channel.divider_ohm is not None:
        top, bottom = channel.divider_ohm
        return f"{_ohms(top)} over {_ohms(bottom)}", f"{most_v * (top + bottom) / bottom:.0f} V"
    if channel.sensor == "ntc":
        return f"ntc {_ohms(channel.r25_ohm)}, beta {channel.beta_K:g} K", ""
    if channel.value_per_V:
        most = channel.value_at_0V + channel.value_per_V * most_v
        return f"{channel.value_per_V:g} {channel.unit} a volt", f"{most:.0f} {channel.unit}"
    return channel.sensor or "straight", "" if channel.sensor else f"{most_v:g} V"


def _ohms(ohm: float) -> str:
    for size, word in ((1e6, "Mohm"), (1e3, "kohm")):
        if ohm >= size:
            return f"{ohm / size:.6g} {word}"
    return f"{ohm:g} ohm"


def _tolerance(channel: Channel) -> str:
    return f"{channel.tolerance_pct:g} %" if channel.tolerance_pct is not None else "not stated"


# ---- limits


def _limits(setup: Setup) -> Iterator[Limit]:
    habit = "common practice, no source"
    ceiling = setup.ceiling
    limits = setup.limits
    # What the file states can't be told from the filled-in defaults by pydantic: the defaults go through
    # validation too. So the values are compared with what an empty [limits] gives.
    bare = Setup.model_validate({**setup.model_dump(by_alias=True, exclude={"limits"}), "limits": {}}).limits
    rows: list[tuple[str, str, str]] = []
    for key, unit in (("match", "of the middle pair"), ("drift", "of the middle pair"), ("settle", "")):
        suffix = "_per_h" if key == "drift" else ""
        for scale, word in (("pct", "%"), ("mA", "mA")):
            if getattr(limits, f"{key}_{scale}{suffix}") is not None:
                per = " an hour" if suffix else ""
                of = f" {unit}" if unit and scale == "pct" else ""
                rows.append((f"{key}_{scale}{suffix}", f"{word}{per}{of}", habit))
    rows += [
        ("side_balance_pct", "%", habit),
        ("aim_pct", f"% of {ceiling.says}", habit),
        ("warn_pct", f"% of {ceiling.says}", habit),
        ("fail_pct", f"% of {ceiling.says}", f"the rating: {ceiling.source}{ceiling.memory}"),
        ("trip_pct", f"% of {ceiling.says}", habit),
        ("chassis_max_C", "degC", habit),
        ("transformer_max_C", "degC", habit),
        ("reaction_s", "s", habit),
        ("pair_low_mA", "mA", "the amp's maker, as the set-up says"),
        ("pair_high_mA", "mA", "the amp's maker, as the set-up says"),
    ]
    for name, unit, reason in rows:
        value = getattr(limits, name)
        if value is not None:
            stated = value != getattr(bare, name)
            yield Limit(name, f"{value:g} {unit}", stated, "the set-up says so" if stated else reason)
    rule = setup.decision
    yield Limit(
        "decision",
        f"{rule.rule}, w = {rule.width_U:g} U",
        setup.decision != type(rule)(),
        "guard band of one expanded uncertainty: ILAC-G8:09/2019, clause 4.2",
    )
    if setup.cutout is not None:
        armed = f"armed, opens {setup.cutout.silence_s:g} s after the last judged scan"
        yield Limit("cut-out", armed if setup.armed else "not armed", True, "the set-up says so")
    if setup.alerts is not None:
        least = {"trip": "a trip"}.get(setup.alerts.least, f"a {setup.alerts.least} or worse")
        quiet = f", remarks wait {setup.alerts.quiet}" if setup.alerts.quiet else ""
        yield Limit("alerts", f"at {least}{quiet}", True, "an alert may not arrive: it protects nothing")
    if setup.mqtt is not None:
        asked = f", takes {' and '.join(setup.mqtt.requests)}" if setup.mqtt.requests else ""
        secured = "with TLS" if setup.mqtt.tls else "without TLS"
        yield Limit("mqtt", f"{setup.mqtt.host}:{setup.mqtt.port_number} {secured}{asked}", True, "as stated")


# ---- what the uncertainties can decide


def _decidable(setup: Setup, daq: DaqInfo) -> Iterator[Decidable]:
    first = setup.pairs[0]
    aim = aim_a(setup, first)
    if any(math.isnan(aim_a(setup, pair)) for pair in setup.pairs):
        return
    limits = setup.limits
    judged = setup.amp.bias == "fixed" and setup.amp.operating_class == "AB"
    if judged:
        match_a = limits.match_a(aim)
        others = budget.from_others(setup, daq, 0)
        if others is not None:
            yield _decided("a pair from the others", 1000 * match_a, others)
    if limits.pair_low_mA is not None and limits.pair_high_mA is not None:
        half = (limits.pair_high_mA - limits.pair_low_mA) / 2
        yield _decided("the window of your own, from its middle", half, budget.current(setup, daq, 0))
    power = budget.dissipation(setup, daq, 0)
    if limits.fail_pct is not None and power is not None:
        room = limits.fail_pct - _aim_pct(setup)
        if room > 0:
            yield _decided("dissipation at the aim, below the failing limit", room, power)


def _decided(what: str, limit: float, of: Budget) -> Decidable:
    u, unit = (1000 * of.U, "mA") if of.unit == "A" else (of.U, of.unit)
    helps = of.helps
    if u >= limit:
        says = "no pass exists: the uncertainty is as wide as the limit"
    elif u > limit / 3:
        says = "conditional passes are common: the uncertainty is over a third of the limit"
    else:
        says, helps = "can be decided", ""
    return Decidable(what, limit, u, unit, says, helps)


# ---- what is odd


def _odd_wiring(setup: Setup, wiring: list[Wire]) -> Iterator[str]:
    pins = Counter(pin for channel in setup.channel for pin in channel.pin or [])
    twice = [str(pin) for pin, n in pins.items() if n > 1]
    if twice:
        yield f"pin {', '.join(twice)} is used more than once: each wire has a pin of its own"
    sockets = Counter(socket for channel in setup.channel for socket in channel.sockets)
    if any(n > 1 for n in sockets.values()):
        twice = [socket for socket, n in sockets.items() if n > 1]
        yield f"socket {', '.join(twice)} is named more than once: one valve has one sense resistor"
    for channel, wire in zip(setup.channel, wiring, strict=True):
        if channel.measures == "pair current":
            yield from _odd_pair(setup, channel, wire)
        else:
            yield from _odd_range(setup, channel, wire)
    for measures, loss in (
        ("HT", "dissipation isn't judged, and whether the amp is on is told from the currents alone"),
        ("mains", "what the mains does can't be told from what all pairs do"),
    ):
        if setup.first(measures) is None:
            yield f"no channel measures {measures}: {loss}"
    if len(setup.pairs) == 1:
        yield "one pair: there are no others to compare it with"
    if len(setup.pairs) == 2:
        yield "two pairs: where they part, nothing says which of them moved"


def _odd_range(setup: Setup, channel: Channel, wire: Wire) -> Iterator[str]:
    """Say what is odd of the full scale of a channel that is no pair."""
    idle_v, limit_v = wire.expected_v, wire.limit_v
    if idle_v is None:
        return
    thermal = channel.unit == "degC"
    most_v = max(idle_v, limit_v or 0.0)
    if not thermal and 1.2 * most_v > wire.most_v:
        yield (
            f"{channel.name}: {most_v:.3g} V at nominal leaves less than a fifth of room below "
            f"{_end(wire)}; choose a smaller lower resistor"
            f"{_range_that_fits(setup, 1.2 * most_v, ' or')}"
        )
    elif thermal and most_v > wire.most_v:
        yield (
            f"{channel.name}: {most_v:.3g} V, which it gives between {IDLE_C:g} degC and its limit, is over "
            f"{_end(wire)}; choose{_range_that_fits(setup, most_v, '') or ' a pull-up to a lower supply'}"
        )
    nominal = {"HT": setup.amp.nominal_ht_V, "mains": setup.amp.nominal_mains_V}.get(channel.measures)
    if nominal is not None and wire.step > COARSE_NOMINAL_PCT / 100.0 * nominal:
        finer = _range_that_fits(setup, 1.2 * most_v, "", finer=wire) or " a finer converter"
        yield (
            f"{channel.name}: one step of the converter is {wire.step:.2g} V, over {COARSE_NOMINAL_PCT:g} % "
            f"of nominal; choose{finer}"
        )


def _range_that_fits(setup: Setup, volts: float, word: str, *, finer: Wire | None = None) -> str:
    """Say which full scale holds `volts`; "" where a finer one than a wire's is asked for and none does."""
    if setup.link.kind not in ("lines", "simulator"):
        if finer is not None:
            return "" if volts >= finer.full_scale_v / 2 else f"{word} a full scale near {volts:.2g} V"
        return f"{word} a full scale of at least {volts:.2g} V"
    fitting = [full_v for full_v in RANGES_V if full_v >= volts] if volts <= pin_most_v(setup) else []
    if not fitting or (finer is not None and fitting[0] >= finer.full_scale_v * 0.99):
        return ""
    return f"{word} the converter's ±{fitting[0]:g} V range"


def _end(wire: Wire) -> str:
    """Name what ends a channel's scale."""
    if wire.most_v < wire.full_scale_v:
        return f"the converter's supply of {wire.most_v:.4g} V, which no pin may pass"
    return f"the full scale of {wire.full_scale_v:.4g} V"


def _odd_pair(setup: Setup, channel: Channel, wire: Wire) -> Iterator[str]:
    sense_ohm = channel.sense_ohm or math.nan
    wants_v = max(2.0 * (wire.expected_v or 0.0), wire.limit_v or 0.0)
    fits = _range_that_fits(setup, wants_v, ":")
    wider = "a wider range or " if fits else ""
    if wire.headroom is not None and wire.headroom < 1.0:
        yield (
            f"{channel.name}: an aim of {1000 * aim_a(setup, channel):.0f} mA is {wire.expected_v:.3g} V, "
            f"over {_end(wire)}; choose {wider}a smaller resistor{fits}"
        )
    elif wire.headroom is not None and wire.headroom < 2.0:
        yield (
            f"{channel.name}: it rails at {wire.reads_up_to}, less than twice the aim: a valve running away "
            f"is soon off the scale; choose {wider}a smaller resistor{fits}"
        )
    elif wire.limit_v is not None and wire.limit_v > wire.most_v:
        yield (
            f"{channel.name}: it rails at {wire.reads_up_to}, before trip_pct is reached at "
            f"{1000 * wire.limit_v / sense_ohm:.0f} mA; choose {wider}a smaller resistor{fits}"
        )
    limit_a = setup.limits.match_a(aim_a(setup, channel))
    if wire.step > COARSE_SHARE * limit_a:
        finer = _range_that_fits(setup, wants_v, "", finer=wire) or " a larger resistor or a finer converter"
        yield (
            f"{channel.name}: one step of the converter is {1000 * wire.step:.2g} mA, over a tenth of the "
            f"match limit of {1000 * limit_a:.2g} mA: too coarse; choose{finer}"
        )
    if math.isnan(aim_a(setup, channel)):
        yield f"{channel.name}: {_no_current(setup)}"
    elif sense_ohm >= 100.0:
        yield (
            f"{channel.name}: {sense_ohm:g} ohm drops {wire.expected_v:.2g} V at the aim and biases the "
            "valves itself; 1 to 10 ohm is usual (common practice, no source)"
        )
    if channel.tolerance_pct is None:
        yield f"{channel.name}: tolerance_pct isn't stated, the default of the budget stands in for it"
    if setup.against_ground(channel):
        yield f"{channel.name}: one wire against the DAQ's ground reads the earth's drop too; two wires don't"
    if channel.sockets and len(channel.sockets) != setup.valves_on(channel):
        yield (
            f"{channel.name}: {len(channel.sockets)} sockets are named for {setup.valves_on(channel)} valves"
        )
    if setup.valves_on(channel) > 1 and channel is setup.pairs[0]:
        pct = _aim_pct(setup)
        yield (
            f"{setup.valves_on(channel)} valves share a resistor and are judged by their mean: how they "
            f"share it isn't measured; at a mean of {pct:g} % one that carried it all would be at "
            f"{pct * setup.valves_on(channel):g} %"
        )


def _odd_plan(setup: Setup) -> Iterator[str]:
    rate = setup.link.scans_per_s
    if rate > HUM_SCANS_PER_S:
        yield (
            f"{rate:g} scans a second carry hum: a scan of 100 ms stands for whole mains cycles, a shorter "
            "one doesn't; 10 is enough"
        )
    if rate < 0.5:
        yield f"{rate:g} scans a second: a drop-out takes two scans, {2 / rate:g} s, to be believed"
    steps = {step.step: step.minutes for step in setup.plan.steps}
    if "soak" not in steps:
        yield "the plan has no soak step: nothing will be judged"
    elif steps["soak"] < 30:
        yield f"{steps['soak']:g} minutes of soak: under 30 nothing is judged"
    if steps.get("warm-up", 0.0) < 20:
        yield "less than 20 minutes of warm-up: most amps are still moving then (common practice, no source)"
    limits = setup.limits
    order = [(key, getattr(limits, f"{key}_pct")) for key in ("aim", "warn", "fail", "trip")]
    known = [(key, value) for key, value in order if value is not None]
    for (low, low_pct), (high, high_pct) in pairwise(known):
        if low_pct >= high_pct:
            yield f"{low}_pct {low_pct:g} is not below {high}_pct {high_pct:g}"
    rating, ceiling = setup.rating, setup.ceiling
    own_pct = bias.own_anode_pct(ceiling.watts, rating.anode_w, rating.screen_fraction[0])
    if ceiling.watts > rating.anode_w and own_pct < (limits.fail_pct or 100.0):
        yield (
            f"held to {ceiling.says}, the anode may pass its own {rating.anode_w:g} W from {own_pct:.0f} % "
            "on: a fail_pct no higher than that keeps it below"
        )
    if (
        limits.pair_low_mA is not None
        and limits.pair_high_mA is not None
        and limits.pair_low_mA >= limits.pair_high_mA
    ):
        yield "pair_low_mA is not below pair_high_mA: no current is inside the window"


def _odd_link(setup: Setup) -> Iterator[str]:
    link = setup.link
    period_s = 1.0 / link.scans_per_s
    if isinstance(link, CsvLink | ModbusLink | ScpiLink):
        yield f'kind "{link.kind}" takes no commands: no cut-out can be worked, nothing takes the power off'
        if all(pair.wires is None for pair in setup.pairs):
            yield (
                "each pair is taken as read between two wires: wires = 1 in its channel where it is read "
                "against ground"
            )
    if isinstance(link, CsvLink):
        if any(channel.full_scale_V is None for channel in setup.channel):
            yield "full_scale_V isn't stated for every channel: nothing says when such a one is off its scale"
        if link.time_column is None:
            yield "no time_column: a line's time is that of its coming, and one sent twice counts twice"
    if isinstance(link, ModbusLink):
        size = max((channel.pin[0] for channel in setup.channel if channel.pin), default=0) - min(
            (channel.pin[0] for channel in setup.channel if channel.pin), default=0
        )
        # request, reply, and 3.5 characters of silence before each: Modbus over serial line V1.02, 2.5.1.1
        bits = 9 + (link.parity != "none") + link.stop_bits
        takes_s = (8 + 5 + 2 * (size + link.words) + 7) * bits / link.baud + MODULE_THINKS_S
        if takes_s > period_s:
            yield (
                f"a block of {size + link.words} registers takes about {takes_s:.2g} s at {link.baud} baud: "
                f"{link.scans_per_s:g} scans a second can't be kept"
            )
    if isinstance(link, ScpiLink):
        if link.line_cycles < 1:
            yield f"{link.line_cycles:g} line cycles: below 1 a meter rejects no hum"
        takes_s = len(setup.channel) * (link.line_cycles / link.line_Hz + SETTLING_S)
        if takes_s > period_s:
            yield (
                f"{len(setup.channel)} channels of {link.line_cycles:g} line cycles take about {takes_s:.2g} "
                f"s: {link.scans_per_s:g} scans a second can't be kept"
            )


def _odd_tables(setup: Setup) -> Iterator[str]:
    if setup.armed and setup.first("HT") is None:
        yield "a cut-out is armed and no channel measures HT: what HT still is once it has opened isn't known"
    mqtt = setup.mqtt
    if mqtt is None:
        return
    if not mqtt.tls and mqtt.user is not None and mqtt.host not in ("localhost", "127.0.0.1", "::1"):
        yield f"without TLS the MQTT password goes to {mqtt.host} for all to read: tls = true"
    if setup.bench.name == type(setup.bench)().name:
        yield "benches of one name write over each other at one broker: give this one its own, [bench] name"
