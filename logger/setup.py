"""The set-up file: what is connected, the plan and the limits. Contract `soakbench.setup/1`.

`load(path)` gives a `Setup`, or a `SetupError` that names every fault at once: where, what was
expected, what was got. Keys carry their unit as the file writes it (`nominal_ht_V`, `match_mA`).
"""

from __future__ import annotations

import difflib
import hashlib
import re
import tomllib
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from logger import toml_lines
from logger.errors import Fault, RequestError, SetupError
from logger.toml_lines import error_line, lines_of
from logger.valves import Ceiling, Figure, Rating, nearest_types, rating_for, sheets_of

SCHEMA: Final = "soakbench.setup/1"
LIVE_SCANS_PER_S: Final = 0.2
"""What a live link needs at least; slower is a log by hand."""

PAIR_FULL_SCALE_V: Final = 0.256
OTHER_FULL_SCALE_V: Final = 4.096
CONVERTER_STEPS: Final = 32_768  # a 16-bit converter, counting both ways
METER_STEPS: Final = 1_000_000
"""Steps in which a bench meter's range is counted: finer than its noise."""

Measures = Literal[
    "pair current",
    "HT",
    "bias voltage",
    "mains",
    "heater voltage",
    "ambient temperature",
    "chassis temperature",
    "transformer temperature",
    "output voltage",
    "push button",
    "voltage",
    "temperature",
]
StepName = Literal["warm-up", "soak", "signal", "off", "heaters only"]

UNIT_OF: Final[dict[str, str]] = {
    "pair current": "A",
    "HT": "V",
    "bias voltage": "V",
    "mains": "V",
    "heater voltage": "V",
    "ambient temperature": "degC",
    "chassis temperature": "degC",
    "transformer temperature": "degC",
    "output voltage": "V",
    "push button": "V",
    "voltage": "V",
    "temperature": "degC",
}
"""The unit that readings of each quantity carry inside."""


class _Table(BaseModel):
    # Inputs are hidden in pydantic's own errors: somebody may have written a password into the file.
    model_config = ConfigDict(
        extra="forbid", frozen=True, populate_by_name=True, allow_inf_nan=False, hide_input_in_errors=True
    )


def _one_or_many(value: object) -> object:
    return value if isinstance(value, list) else [value]


Positive = Annotated[float, Field(gt=0)]
Ohms = Annotated[float, Field(gt=0, le=1e9)]


class Bench(_Table):
    """One place with one DAQ."""

    name: str = "bench"


class RatingOverride(_Table):
    """Ratings of the valves in hand, in place of the table's."""

    anode_W: Annotated[float, Field(gt=0, le=1000)]
    screen_W: Annotated[float, Field(gt=0, le=200)] | None = None
    anode_plus_screen_W: Annotated[float, Field(gt=0, le=1000)] | None = None
    cathode_mA: Annotated[float, Field(gt=0, le=5000)] | None = None
    source: str = "the set-up file"


class Amp(_Table):
    """The amplifier under test, as far as its idle currents are concerned."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    valve: Annotated[str, Field(min_length=1, max_length=40)]
    sheet: str | None = None
    valves_per_pair: Annotated[int, Field(ge=1, le=4)] = 2
    bias: Literal["fixed", "cathode"] = "fixed"
    operating_class: Literal["AB", "A"] = "AB"
    adjust: Literal["each pair", "each side", "level and balance", "one for all", "none"] = "each pair"
    connection: Literal["pentode", "ultralinear", "triode"] = "pentode"
    nominal_ht_V: Annotated[float, Field(ge=50, le=2000)]
    nominal_mains_V: Annotated[float, Field(ge=80, le=480)] = 230.0
    ht_at: Literal["reservoir", "centre tap", "anode"] = "reservoir"
    primary_ohm: Annotated[float, Field(ge=0, le=2000)] = 0.0
    screen_fraction: Annotated[float, Field(ge=0, le=0.5)] | None = None
    cathode_V: Annotated[float, Field(ge=0, le=200)] | None = None
    rating: RatingOverride | None = None


class SerialLine(_Table):
    """How a device is reached, whatever it speaks. What stands on the line differs by kind."""

    port: Annotated[str, Field(min_length=1)] = "auto"
    board: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{1,32}$")] | None = None
    scans_per_s: Annotated[float, Field(ge=1 / 3600, le=100)]
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 115_200
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1


class LinesLink(SerialLine):
    """A DAQ that speaks our own line protocol; it says scales and channels itself."""

    kind: Literal["lines"]
    supply_V: Annotated[float, Field(ge=1.8, le=5.5)] = 3.3
    """Of its converters: no pin may rise above it, whatever the range."""


_SEPARATORS: Final = {"comma": ",", "semicolon": ";", "\t": "tab", " ": "blanks"}


class TimeColumn(_Table):
    """A column of csv in which the board counts; `column` from 1."""

    column: Annotated[int, Field(ge=1, le=256)]
    unit: Literal["ms", "s", "scans"]


class CsvLink(SerialLine):
    """Any board that prints numbers, one line a scan. What is not stated is found in its first ten lines."""

    kind: Literal["csv"]
    separator: (
        Annotated[
            Literal[",", ";", "tab", "blanks"],
            BeforeValidator(lambda text: _SEPARATORS.get(text, text) if isinstance(text, str) else text),
        ]
        | None
    ) = None
    columns: Annotated[list[str], Field(min_length=1, max_length=256)] | None = None
    unit: Literal["V", "mV"] | None = None
    time_column: TimeColumn | None = None


class Identity(_Table):
    """A register that always reads the same, by which a module is known; raw, 16 bits."""

    register_: Annotated[int, Field(alias="register", ge=0, le=65_535)]
    value: Annotated[int, Field(ge=0, le=65_535)]


MOST_REGISTERS: Final = 125
"""Registers in one reply, by the standard (Modbus application protocol V1.1b3, 6.3 and 6.4)."""
SETTLING_S: Final = 0.05
"""What a bench meter's relay takes for each channel beside its line cycles; common practice, no source."""


class ModbusLink(SerialLine):
    """An analogue module that speaks Modbus RTU. Line settings: the default of the standard."""

    kind: Literal["modbus"]
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 19_200
    parity: Literal["none", "even", "odd"] = "even"
    device: Annotated[int, Field(ge=1, le=247)] = 1
    registers: Literal["input", "holding"] = "input"
    format: Literal["int16", "uint16", "int32", "uint32", "float32"] = "int16"
    word_order: Literal["big", "little"] = "big"
    no_reading: int | None = None
    identity: Identity | None = None

    @property
    def words(self) -> int:
        """How many registers one value takes."""
        return 1 if self.format.endswith("16") else 2


class ScpiLink(SerialLine):
    """A scanning bench meter that speaks SCPI."""

    kind: Literal["scpi"]
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 9600
    line_cycles: Annotated[float, Field(gt=0, le=200)] = 1.0
    line_Hz: Literal[50, 60] = 50


class SimulatorLink(SerialLine):
    """No device: what is judged came out of the simulator."""

    kind: Literal["simulator"]


_LINKS: Final = (LinesLink, CsvLink, ModbusLink, ScpiLink, SimulatorLink)
Link = Annotated[LinesLink | CsvLink | ModbusLink | ScpiLink | SimulatorLink, Field(discriminator="kind")]


class Calibrated(_Table):
    """A calibration that the values of a log file carry already; written by `export`.

    value = gain x uncalibrated value + offset. `u_gain` and `u_offset` are whole standard uncertainties with
    the correlation `r_gain_offset`. `shared_gain` and `shared_offset` are the part of them that every channel
    calibrated against the same reference has in common: what one standard uncertainty of the reference
    moves gain and offset by. `covers`: the converter's gain, its offset, and the parts before it (resistor,
    divider, sensor). `sense_ohm` is what the sense resistor was measured to be, where it was.
    """

    date: date
    gain: float = 1.0
    offset: float = 0.0
    u_gain: Annotated[float, Field(ge=0)] = 0.0
    u_offset: Annotated[float, Field(ge=0)] = 0.0
    r_gain_offset: Annotated[float, Field(ge=-1, le=1)] = 0.0
    shared_gain: float = 0.0
    shared_offset: float = 0.0
    covers: list[Literal["gain", "offset", "parts"]] = ["gain", "offset", "parts"]
    sense_ohm: Annotated[float, Field(gt=0)] | None = None
    u_sense_ohm: Annotated[float, Field(ge=0)] | None = None

    @model_validator(mode="after")
    def _hang_together(self) -> Self:
        # with room for rounding: the shared part is a part of the whole
        if abs(self.shared_gain) > self.u_gain * (1 + 1e-6):
            raise ValueError(f"shared_gain|at most u_gain, {self.u_gain:g}|{self.shared_gain:g}")
        if abs(self.shared_offset) > self.u_offset * (1 + 1e-6):
            raise ValueError(f"shared_offset|at most u_offset, {self.u_offset:g}|{self.shared_offset:g}")
        return self


class Channel(_Table):
    """One measured column."""

    name: Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_ -]{0,31}$")]
    measures: Measures
    pin: Annotated[list[int], BeforeValidator(_one_or_many), Field(min_length=1, max_length=2)] | None = None
    wires: Literal[1, 2] | None = None
    # pair currents
    sense_ohm: Annotated[float, Field(gt=0, le=1000)] | None = None
    tolerance_pct: Annotated[float, Field(ge=0, le=50)] | None = None
    tempco_ppm_per_K: Annotated[float, Field(ge=0, le=10_000)] = 100.0
    series_ohm: Annotated[float, Field(ge=0, le=1e6)] = 0.0
    valves: Annotated[int, Field(ge=1, le=4)] | None = None
    side: Literal["push", "pull"] | None = None
    pair: str | None = None
    sockets: list[str] = []
    # voltages
    divider_ohm: Annotated[list[Ohms], Field(min_length=2, max_length=2)] | None = None
    # temperatures and transducers
    sensor: Literal["ntc", "pt100", "type K", "linear"] | None = None
    r25_ohm: Ohms = 10_000.0
    beta_K: Annotated[float, Field(ge=1000, le=10_000)] = 3950.0
    pullup_ohm: Ohms | None = None
    supply_V: Annotated[float, Field(gt=0, le=30)] = 3.3
    amplifier_gain: Positive = 100.0
    cold_junction_C: Annotated[float, Field(ge=-40, le=80)] = 25.0
    value_per_V: float | None = None
    value_at_0V: float = 0.0
    # what the DAQ says itself on a `lines` link
    full_scale_V: Positive | None = None
    step_V: Positive | None = None
    calibrated: Calibrated | None = None

    @property
    def unit(self) -> str:
        """The unit its readings carry inside: A, V or degC."""
        return UNIT_OF[self.measures]

    @property
    def label(self) -> str:
        """The name as shown: `pair1 (V5/V6)` where the sockets are known."""
        return f"{self.name} ({'/'.join(self.sockets)})" if self.sockets else self.name


class Step(_Table):
    """One part of the plan."""

    step: StepName
    minutes: Annotated[float, Field(gt=0, le=10_080)]

    @property
    def seconds(self) -> float:
        """Its planned length."""
        return self.minutes * 60.0


class Plan(_Table):
    """What the amp is asked to do, in order."""

    steps: Annotated[list[Step], Field(min_length=1, max_length=50)]


class Limits(_Table):
    """Where wrong begins. Per cent counts from the median of the settled pairs."""

    match_pct: Annotated[float, Field(gt=0, le=100)] | None = None
    match_mA: Annotated[float, Field(gt=0, le=1000)] | None = None
    side_balance_pct: Annotated[float, Field(gt=0, le=100)] = 5.0
    drift_pct_per_h: Annotated[float, Field(gt=0, le=100)] | None = None
    drift_mA_per_h: Annotated[float, Field(gt=0, le=1000)] | None = None
    settle_pct: Annotated[float, Field(gt=0, le=100)] | None = None
    settle_mA: Annotated[float, Field(gt=0, le=1000)] | None = None
    aim_pct: Annotated[float, Field(gt=0, le=150)] | None = None
    warn_pct: Annotated[float, Field(gt=0, le=200)] | None = None
    fail_pct: Annotated[float, Field(gt=0, le=200)] | None = None
    trip_pct: Annotated[float, Field(gt=0, le=400)] = 130.0
    chassis_max_C: Annotated[float, Field(ge=20, le=250)] = 75.0
    transformer_max_C: Annotated[float, Field(ge=20, le=250)] = 90.0
    reaction_s: Annotated[float, Field(gt=0, le=3600)] = 60.0
    pair_low_mA: Annotated[float, Field(ge=0, le=5000)] | None = None
    pair_high_mA: Annotated[float, Field(gt=0, le=5000)] | None = None

    def match_a(self, median_a: float) -> float:
        """Return the greatest difference of a pair from the others, in amperes."""
        return _stated_or_share(self.match_mA, self.match_pct, median_a)

    def drift_a_per_h(self, median_a: float) -> float:
        """Return the greatest drift of a settled pair, in amperes per hour."""
        return _stated_or_share(self.drift_mA_per_h, self.drift_pct_per_h, median_a)

    def settle_a(self, median_a: float) -> float:
        """Return how near to its end a settled pair is, in amperes."""
        return _stated_or_share(self.settle_mA, self.settle_pct, median_a)


def _stated_or_share(stated_mA: float | None, pct: float | None, median_a: float) -> float:
    """A limit in amperes: as stated, or a share of the pairs' median; the set-up fills in one of the two."""
    if stated_mA is not None:
        return stated_mA / 1e3
    assert pct is not None
    return pct / 100.0 * median_a


class Decision(_Table):
    """The decision rule, agreed before the soak."""

    rule: Literal["guard band", "simple"] = "guard band"
    guard_band_U: Annotated[float, Field(ge=0, le=3)] = 1.0

    @property
    def width_U(self) -> float:
        """The guard band w as a multiple of U."""
        return self.guard_band_U if self.rule == "guard band" else 0.0


class Cutout(_Table):
    """A relay on the DAQ that takes the mains off: `silence_s` without a judged scan opens it."""

    armed: bool
    silence_s: Annotated[float, Field(ge=0.2, le=1.5)] = 1.5


EnvironmentName = Annotated[str, Field(pattern=r"^[A-Z_][A-Z0-9_]{0,63}$")]
FileName = Annotated[str, Field(min_length=1, max_length=1000, pattern=r"^[^\x00-\x1f]+$")]
_HOUR: Final = r"([01][0-9]|2[0-3]):[0-5][0-9]"


class Alerts(_Table):
    """Who is sent for. The addresses stand elsewhere: they hold passwords, and a set-up is stored.

    `addresses_env` names environment variables, `addresses_file` a file, with an address a line.
    `quiet`: hours of the computer's local time in which remarks wait.
    """

    addresses_env: Annotated[list[EnvironmentName], BeforeValidator(_one_or_many), Field(max_length=20)] = []
    addresses_file: FileName | None = None
    least: Literal["remark", "warning", "trip"] = "warning"
    quiet: Annotated[str, Field(pattern=rf"^{_HOUR}-{_HOUR}$")] | None = None
    repeat_min: Annotated[float, Field(ge=1, le=240)] = 5.0
    most_per_h: Annotated[int, Field(ge=1, le=1000)] = 30

    @model_validator(mode="after")
    def _hang_together(self) -> Self:
        if not self.addresses_env and self.addresses_file is None:
            raise ValueError("alerts|addresses_env or addresses_file: where the addresses stand|neither")
        return self


class Mqtt(_Table):
    """The broker that is told; the password stands in the environment or in a file of its own."""

    host: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9.:-]{0,252}$")]
    port: Annotated[int, Field(ge=1, le=65_535)] | None = None
    tls: bool = True
    ca_file: FileName | None = None
    user: Annotated[str, Field(min_length=1, max_length=100, pattern=r"^[^\x00-\x1f+#/]+$")] | None = None
    password_env: EnvironmentName | None = None
    password_file: FileName | None = None
    topic: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{1,40}(/[A-Za-z0-9._-]{1,40}){0,4}$")] = "soakbench"
    requests: Annotated[list[Literal["mark", "stop"]], Field(max_length=2)] = []

    @model_validator(mode="after")
    def _hang_together(self) -> Self:
        if self.password_env is not None and self.password_file is not None:
            raise ValueError("mqtt|password_env or password_file|both")
        if self.user is None and (self.password_env or self.password_file):
            raise ValueError("mqtt.user|the name that the password belongs to|nothing")
        if self.user is not None and not (self.password_env or self.password_file):
            raise ValueError("mqtt.user|password_env or password_file beside it|neither")
        if self.ca_file is not None and not self.tls:
            raise ValueError("mqtt.ca_file|tls = true beside it|tls = false")
        return self

    @property
    def port_number(self) -> int:
        """The port: as stated, else the usual one (IANA: 8883 with TLS, 1883 without)."""
        return self.port or (8883 if self.tls else 1883)


class Setup(_Table):
    """A whole set-up file, with its defaults filled in."""

    schema_: Annotated[Literal["soakbench.setup/1"], Field(alias="schema")]
    bench: Bench = Bench()
    amp: Amp
    link: Link
    channel: Annotated[list[Channel], Field(min_length=1, max_length=64)]
    plan: Plan
    limits: Limits = Limits()
    decision: Decision = Decision()
    alerts: Alerts | None = None
    mqtt: Mqtt | None = None
    cutout: Cutout | None = None

    @model_validator(mode="before")
    @classmethod
    def _fill_defaults(cls, raw: Any) -> Any:
        """Fill in the limits that hang on the amp; soakbench never widens one that is stated."""
        if not isinstance(raw, dict) or not isinstance(raw.get("amp"), dict):
            return raw
        limits = raw.get("limits", {})
        if not isinstance(limits, dict):
            return raw
        amp = raw["amp"]
        hot = amp.get("bias") == "cathode" or amp.get("operating_class") == "A"
        defaults: dict[str, float] = (
            {"warn_pct": 100.0, "fail_pct": 110.0}
            if hot
            else {
                "aim_pct": 65.0,
                "warn_pct": 80.0,
                "fail_pct": 100.0,
            }
        )
        for key, value in (
            ("match", 15.0 if amp.get("adjust") == "one for all" else 4.0),
            ("settle", 1.0),
        ):
            if f"{key}_mA" not in limits:
                defaults[f"{key}_pct"] = value
        if "drift_mA_per_h" not in limits:
            defaults["drift_pct_per_h"] = 3.0
        return {**raw, "limits": {**defaults, **limits}}

    @model_validator(mode="after")
    def _hang_together(self) -> Self:
        names = [channel.name for channel in self.channel]
        if len(set(names)) < len(names):
            twice = sorted({name for name in names if names.count(name) > 1})
            raise ValueError(f"channel|a name of its own for each channel|{', '.join(twice)} twice")
        pairs = self.pairs
        if not 1 <= len(pairs) <= 16:
            raise ValueError(f"channel|1 to 16 channels that measure a pair current|{len(pairs)}")
        for channel in pairs:
            if channel.sense_ohm is None:
                raise ValueError(f'channel "{channel.name}".sense_ohm|the sense resistor in ohms|nothing')
        if self.amp.rating is None and rating_for(self.amp.valve) is None:
            near = nearest_types(self.amp.valve)
            hint = f" (nearest: {', '.join(near)})" if near else ""
            raise ValueError(
                f"amp.valve|a type in the ratings table{hint}, or any name together with [amp.rating]"
                f"|{self.amp.valve!r}"
            )
        if self.armed:
            self._can_be_armed()
        if self.mqtt is not None and not 1 <= len(self.bench.name.strip()) <= 100:
            raise ValueError(
                f"bench.name|1 to 100 letters: it names the bench's topic|{len(self.bench.name)} letters"
            )
        sheets = sheets_of(self.amp.valve)
        if self.amp.sheet is not None and rating_for(self.amp.valve, self.amp.sheet) is None:
            known = " or ".join(sheets) or f"nothing: the table has no {self.amp.valve}"
            raise ValueError(f"amp.sheet|{known}|{self.amp.sheet!r}")
        return self

    def _can_be_armed(self) -> None:
        """Refuse a cut-out that could not be held closed, or would open too late."""
        assert self.cutout is not None
        link, silence_s = self.link, self.cutout.silence_s
        if link.kind != "lines":
            raise ValueError(
                'cutout.armed|false: only a "lines" DAQ has a relay that opens by itself|'
                f'true with link kind "{link.kind}"'
            )
        if link.scans_per_s < 2.0:
            raise ValueError(
                f"cutout.armed|false, or scans_per_s of at least 2|true with {link.scans_per_s:g} scans/s"
            )
        if silence_s * link.scans_per_s < 2.0 - 1e-9:
            raise ValueError(
                f"cutout.silence_s|two scans, {2.0 / link.scans_per_s:g} s, or more: else one lost opens it|"
                f"{silence_s:g}"
            )

    @property
    def armed(self) -> bool:
        """Whether a cut-out is armed; without one soakbench only advises."""
        return self.cutout is not None and self.cutout.armed

    @property
    def pairs(self) -> list[Channel]:
        """The channels that measure a pair current, in order."""
        return [channel for channel in self.channel if channel.measures == "pair current"]

    @property
    def names(self) -> list[str]:
        """The channels' names, in order."""
        return [channel.name for channel in self.channel]

    def index(self, name: str) -> int:
        """Return a channel's column."""
        return self.names.index(name)

    def first(self, measures: str) -> int | None:
        """Return the column of the first channel that measures this, or None."""
        for column, channel in enumerate(self.channel):
            if channel.measures == measures:
                return column
        return None

    @property
    def pair_columns(self) -> list[int]:
        """The columns of the pair currents."""
        return [i for i, channel in enumerate(self.channel) if channel.measures == "pair current"]

    def scale_of(self, channel: Channel) -> tuple[float, int]:
        """Return a channel's volts per count and its full count, as far as the set-up tells them.

        One that states both `full_scale_V` and `step_V` is taken at its word; else what is missing comes from
        a 16-bit converter of ±0.256 V for pairs and ±4.096 V for the rest, or a bench meter's steps.
        """
        usual_v = PAIR_FULL_SCALE_V if channel.measures == "pair current" else OTHER_FULL_SCALE_V
        full_v = channel.full_scale_V or usual_v
        steps = METER_STEPS if self.link.kind == "scpi" else CONVERTER_STEPS
        step_v = channel.step_V or full_v / steps
        stated = channel.full_scale_V is not None and (channel.step_V is not None or steps == METER_STEPS)
        return step_v, max(1, round(full_v / step_v) - (0 if stated else 1))

    def finer(self, channel: Channel, step_v: float) -> float:
        """Return how many times finer than a 16-bit converter's step a channel's step is, 1 on `lines`.

        What a board prints or a meter says has more digits than its converter has steps: noise is not held
        against those.
        """
        if self.link.kind not in ("csv", "scpi"):
            return 1.0
        usual_v = PAIR_FULL_SCALE_V if channel.measures == "pair current" else OTHER_FULL_SCALE_V
        return max(1.0, (channel.full_scale_V or usual_v) / CONVERTER_STEPS / step_v)

    def against_ground(self, channel: Channel) -> bool:
        """Whether a channel is read by one wire against the DAQ's ground, and not between two.

        A `lines` DAQ has a pin for each wire. What other kinds number is no wire: `wires` says it, else two.
        """
        if channel.wires is not None or self.link.kind != "lines":
            return channel.wires == 1
        return channel.pin is not None and len(channel.pin) == 1

    def valves_on(self, channel: Channel) -> int:
        """Return how many valves share this channel's sense resistor."""
        return channel.valves or self.amp.valves_per_pair

    @property
    def rating(self) -> Rating:
        """The rating that this amp's valves are held to, with its source."""
        amp = self.amp
        table = rating_for(amp.valve, amp.sheet, connection=amp.connection, bias=amp.bias)
        own = amp.rating
        if own is None:
            assert table is not None  # validated above
            return table
        return Rating(
            valve=amp.valve,
            system="as the set-up says",
            anode_w=own.anode_W,
            screen_w=own.screen_W,
            anode_plus_screen_w=own.anode_plus_screen_W,
            cathode_a=own.cathode_mA / 1000.0 if own.cathode_mA else (table.cathode_a if table else None),
            screen_fraction=table.screen_fraction if table else (0.0, 0.15),
            source=own.source,
            from_memory=False,
            figures=_figures(own, table),
        )

    @property
    def ceiling(self) -> Ceiling:
        """The watts that a valve's dissipation is held to in this amp's connection, with words."""
        return self.rating.ceiling(self.amp.connection)

    @property
    def screen_fraction(self) -> tuple[float, float]:
        """Least and greatest share of the cathode current that dissipation leaves out: the screen's.

        One figure twice where the set-up states it; zero in triode connection, where the whole current is
        held to anode + screen.
        """
        if self.amp.connection == "triode":
            return 0.0, 0.0
        own = self.amp.screen_fraction
        return (own, own) if own is not None else self.rating.screen_fraction

    @property
    def digest(self) -> str:
        """A digest of what is measured and how it is judged: two files that mean the same give the same.

        Who is told of it is left out: a soak can be gone on with all the same.
        """
        meant = self.model_dump_json(by_alias=True, exclude={"alerts", "mqtt"})
        return hashlib.sha256(meant.encode()).hexdigest()[:16]


def _figures(own: RatingOverride, table: Rating | None) -> tuple[Figure, ...]:
    """Return what a set-up states as figures, and the table's cathode current where it states none."""
    stated = own.model_dump(exclude={"source"}, exclude_none=True)
    figures = [Figure(quantity, "", value, own.source, False) for quantity, value in stated.items()]
    if own.cathode_mA is None and table is not None:
        figures += [f for f in table.figures if f.quantity in ("cathode_mA", "anode_mA")]
    return tuple(figures)


def parse(text: str, *, path: str = "set-up") -> Setup:
    """Read a set-up from TOML text; `path` is what its faults are reported under."""
    try:
        raw = toml_lines.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SetupError(path, [Fault("the file", "TOML", str(error), error_line(error))]) from error
    try:
        return Setup.model_validate(raw)
    except ValidationError as error:
        raise SetupError(path, in_lines([_fault(item, raw) for item in error.errors()], text)) from error


def in_lines(faults: Iterable[Fault], text: str) -> list[Fault]:
    """Return a set-up's faults with the lines of its text that they are in, in the order of these."""
    raw = toml_lines.loads(text)
    at = {_where(path, raw): line for path, line in lines_of(text).items()}

    def line(fault: Fault) -> int | None:
        # what is missing is wrong in its table
        where = fault.where
        while where and where not in at:
            where = where.rpartition(".")[0]
        return at.get(where)

    placed = [replace(fault, line=line(fault)) for fault in faults]
    return sorted(placed, key=lambda fault: fault.line or 0)


def load(path: Path | str) -> Setup:
    """Read a set-up file."""
    return parse(read_text(path), path=str(path))


def read_text(path: Path | str) -> str:
    """Read a set-up file's text, with a plain sentence where that can't be done."""
    try:
        return toml_lines.text_of(Path(path))
    except FileNotFoundError as error:
        raise RequestError(f"there is no set-up file {path}: check the name") from error
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise RequestError(f"the set-up file {path} can't be read ({error})") from error


def with_plan(text: str, plan: str, *, path: str = "set-up") -> str:
    """Return a set-up's text with another `[plan]` in place of its own, all else as it was written.

    RequestError where the plan is written in a way that can't be taken out.
    """
    kept, inside = [], False
    for row in text.splitlines(keepends=True):
        if re.match(r"\s*\[{1,2}\s*[A-Za-z\"']", row):  # a table's header: an array's rows begin with { or [{
            inside = re.match(r"\s*\[\s*plan\s*\]", row) is not None
        if not inside:
            kept.append(row)
    changed = f"{''.join(kept).rstrip()}\n\n{plan}"
    old, new = parse(text, path=path), None
    with suppress(SetupError):
        new = parse(changed, path=path)
    if new is None or new.model_copy(update={"plan": old.plan}) != old:
        raise RequestError(
            f"the plan of {path} can't be replaced as it is written: give it a table of its own, [plan]"
        )
    return changed


def _fault(item: Any, raw: dict[str, Any]) -> Fault:
    """Turn one of pydantic's errors into a sentence of ours."""
    item["loc"] = location = _without_tag(item["loc"])
    where = _where(location, raw)
    got = item.get("input")
    if location[:1] in (("alerts",), ("mqtt",)) and got is not None:
        got = _NOT_REPEATED
    context = item.get("ctx", {})
    match item["type"]:
        case "value_error":
            parts = str(context.get("error", item["msg"])).split("|")
            if len(parts) == 3:
                return Fault(parts[0], parts[1], parts[2])
            return Fault(where, parts[0], _short(got))
        case "string_pattern_mismatch" if got is _NOT_REPEATED:
            return Fault(where, _LOOKS[str(location[1])], str(got))
        case "extra_forbidden":
            key = str(location[-1])
            if location[:-1] == ("link",):
                of = [_kind_of(link) for link in _LINKS if key in _keys_of(link)]
                if of:
                    kind = raw["link"]["kind"]
                    return Fault(
                        where, f'a key of kind "{kind}"', f"{key}, which belongs to kind {', '.join(of)}"
                    )
            near = difflib.get_close_matches(key, _known_keys(item["loc"][:-1]), n=1, cutoff=0.4)
            return Fault(
                where, f"a known key{f', the nearest is {near[0]}' if near else ''}", f"the unknown key {key}"
            )
        case "missing":
            return Fault(where, "a value, it is required", "nothing")
        case "union_tag_not_found":
            return Fault(
                "link.kind", f"one of {context.get('expected_tags') or ', '.join(_KINDS)}", "nothing"
            )
        case "union_tag_invalid":
            return Fault("link.kind", f"one of {context['expected_tags']}", repr(context["tag"]))
        case "literal_error":
            return Fault(where, f"one of {context['expected']}", _short(got))
        case _:
            return Fault(where, item["msg"].replace("Input should be ", ""), _short(got))


def _kind_of(link: type[BaseModel]) -> str:
    return f'"{link.model_fields["kind"].annotation.__args__[0]}"'  # type: ignore[union-attr]


_KINDS: Final = tuple(_kind_of(link) for link in _LINKS)


def _without_tag(location: tuple[int | str, ...]) -> tuple[int | str, ...]:
    """Leave out the kind by which pydantic tells one table of a link from another."""
    if len(location) > 1 and location[0] == "link" and f'"{location[1]}"' in _KINDS:
        return (location[0], *location[2:])
    return location


def _keys_of(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]


class _NotRepeated:
    def __repr__(self) -> str:
        return "something else, not repeated here since it may be a secret"


_NOT_REPEATED: Final = _NotRepeated()
_LOOKS: Final = {
    "addresses_env": "the name of an environment variable, as SOAKBENCH_ALERTS",
    "addresses_file": "a file's name",
    "quiet": "hours as 22:00-07:00",
    "host": "a host's name or address, without user or port",
    "ca_file": "a file's name",
    "user": "a name without +, # and /",
    "password_env": "the name of an environment variable, as SOAKBENCH_MQTT_PASSWORD",
    "password_file": "a file's name",
    "topic": "levels of letters, digits, full stops, - and _, with / between them",
}
"""What the texts of [alerts] and [mqtt] look like."""


def _short(value: object) -> str:
    text = repr(value)
    if value is _NOT_REPEATED:
        return text
    return text if len(text) <= 60 else f"{text[:57]}..."


def _where(location: Iterable[int | str], raw: Any) -> str:
    out, here = "", raw
    for part in location:
        here = (
            here[part]
            if isinstance(here, dict) and part in here
            else (
                here[part] if isinstance(here, list) and isinstance(part, int) and part < len(here) else None
            )
        )
        if isinstance(part, int):
            name = here.get("name") if isinstance(here, dict) else None
            out += f' "{name}"' if name else f"[{part + 1}]"
        else:
            out += f".{part}" if out else str(part)
    return out or "the file"


def _known_keys(location: Iterable[int | str]) -> list[str]:
    model: Any = Setup
    location = list(location)
    if location == ["link"]:
        return sorted({key for link in _LINKS for key in _keys_of(link)})
    for part in location:
        if isinstance(part, int):
            continue
        field = model.model_fields.get(part)
        model = _model_in(field.annotation) if field else None
        if model is None:
            return []
    return _keys_of(model)


def _model_in(annotation: Any) -> Any:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _model_in(inner)
        if found is not None:
            return found
    return None
