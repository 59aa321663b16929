"""A first set-up file, with comments, from a few answers: what `soakbench new-setup` writes.

Pure: answers in, TOML text out. Full scales are chosen so that neither the aim nor the tripping current
rails; limits stand as comments with the defaults that are in force without them.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Mapping
from typing import Annotated, Any, Final, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    TypeAdapter,
    ValidationError,
    model_validator,
)

from logger.check import RANGES_V, Wire, advise
from logger.errors import RequestError
from logger.setup import SCHEMA, SETTLING_S, Setup, parse
from logger.valves import known_types, nearest_types, rating_for

KINDS: Final = ("lines", "csv", "modbus", "scpi")
OTHERS: Final = ("ht", "mains", "chassis", "transformer", "ambient")
"""What may be measured beside the pairs, by the name that its channel gets."""

MODULE_RANGES_V: Final = (0.1, 0.15, 0.5, 1.0, 2.5, 5.0, 10.0)
"""Full scales that analogue modules commonly have; from memory."""
METER_RANGES_V: Final = (0.1, 1.0, 10.0, 100.0)
"""Full scales that bench meters commonly have; from memory."""
MODULE_FULL: Final = 32_767
"""The greatest count of an int16 register."""

UPPER_OHM: Final = 1_000_000
PIN_V: Final = 3.3
"""What a converter's supply lets a pin rise to; dividers are chosen for it."""
HT_RISE: Final = 1.5
"""How far HT rises before the valves draw, times nominal; common practice, no source."""
MAINS_V_PER_V: Final = (100, 200)
BOARD_INPUTS: Final = 16
"""Inputs of the four converters that our firmware knows."""
CUTOUT_SCANS_PER_S: Final = 2.0
"""What a cut-out needs."""
E12: Final = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)

_COLUMN: Final = 30


def _printable(text: str) -> str:
    if not text.strip() or not text.isprintable():
        raise ValueError("one line of text")
    return text.strip()


def _others(text: object) -> object:
    """Take `ht, mains` or `none` for a tuple."""
    if not isinstance(text, str):
        return text
    names = [name.strip().lower() for name in text.replace(",", " ").split()]
    return () if names == ["none"] else tuple(sorted(set(names), key=lambda n: (*OTHERS, n).index(n)))


Line = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_printable)]


class Answers(BaseModel):
    """What is known of an amp and its bench; a field's description is the question."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    valve: Annotated[Line, Field(description="Which valve (tube) type, as EL34")]
    anode_W: Annotated[
        float | None, Field(gt=0, le=1000, description="Its anode (plate) rating in W; the table has none")
    ] = None
    ht_V: Annotated[float, Field(ge=50, le=2000, description="HT (B+) at idle, in V")]
    pairs: Annotated[
        int, Field(ge=1, le=16, description="How many sense resistors, one a pair as a rule")
    ] = 4
    valves: Annotated[int, Field(ge=1, le=4, description="How many valves share one of them")] = 2
    sense_ohm: Annotated[float, Field(ge=0.01, le=100, description="Ohms of a sense resistor")] = 1.0
    link: Annotated[
        Literal["lines", "csv", "modbus", "scpi"],
        Field(
            description="What the DAQ speaks: lines (our protocol), csv (prints numbers), modbus (analogue "
            "module), scpi (bench meter)"
        ),
    ] = "lines"
    bias: Annotated[Literal["fixed", "cathode"], Field(description="Bias: fixed or cathode")] = "fixed"
    connection: Annotated[
        Literal["pentode", "ultralinear", "triode"],
        Field(description="Output valves as pentode, ultralinear or triode"),
    ] = "pentode"
    adjust: Annotated[
        Literal["each pair", "each side", "level and balance", "one for all", "none"],
        Field(description="The bias pots adjust: each pair, each side, level and balance, one for all, none"),
    ] = "each pair"
    others: Annotated[
        tuple[Literal["ht", "mains", "chassis", "transformer", "ambient"], ...],
        Field(description="What else is measured: some of ht, mains, chassis, transformer, ambient; or none"),
    ] = ("ht", "mains", "chassis", "ambient")
    time_column: Annotated[
        Literal["ms", "s", "scans", "none"],
        Field(
            description="What its first column counts, where that is the board's time: ms, s, scans or none"
        ),
    ] = "none"
    name: Annotated[
        str,
        Field(min_length=1, max_length=200, description="What the amp is called in the record"),
        AfterValidator(_printable),
    ] = "the amp"
    mains_V: Annotated[float, Field(ge=80, le=480, description="Nominal mains, in V")] = 230.0
    operating_class: Literal["AB", "A"] = "AB"
    tolerance_pct: Annotated[float, Field(ge=0, le=50)] = 1.0
    series_ohm: Annotated[float, Field(ge=0, le=1e6)] = 1880.0
    port: Line = "auto"
    scans_per_s: Annotated[float, Field(ge=0.2, le=100)] | None = None
    warm_up_min: Annotated[float, Field(gt=0, le=10_080)] = 30.0
    soak_min: Annotated[float, Field(gt=0, le=10_080)] = 120.0

    @model_validator(mode="after")
    def _rated(self) -> Self:
        if self.anode_W is None and rating_for(self.valve) is None:
            raise ValueError(_not_rated(self.valve))
        return self


ASKED: Final = (
    "name",
    "valve",
    "anode_W",
    "connection",
    "bias",
    "adjust",
    "ht_V",
    "mains_V",
    "pairs",
    "valves",
    "sense_ohm",
    "others",
    "link",
    "time_column",
)
"""What is asked of a person, in this order; the rest has options only."""


def read(key: str, text: object) -> Any:
    """Return what one answer means. Raises RequestError with one sentence where it means nothing."""
    field = Answers.model_fields[key]
    if key == "others":
        text = _others(text)
    if isinstance(text, str):
        text = text.strip()
    plain: Any = field.annotation
    wanted: TypeAdapter[Any] = TypeAdapter(Annotated[plain, *field.metadata] if field.metadata else plain)
    try:
        return wanted.validate_python(text)
    except ValidationError as error:
        says = str(error.errors()[0]["msg"]).replace("Input should be ", "").replace("Value error, ", "")
        raise RequestError(f"{key}: expected {says}, got {text!r}") from None


def applies(key: str, known: Mapping[str, Any]) -> bool:
    """Whether a question makes sense after what is known."""
    if key == "time_column":
        return known.get("link") == "csv"
    return key != "anode_W" or rating_for(known["valve"]) is None


def question(key: str) -> str:
    """Return the words of a question, its default in brackets."""
    field = Answers.model_fields[key]
    default = field.get_default()
    if field.is_required() or default is None:
        return f"{field.description}: "
    shown = (
        ", ".join(default)
        if isinstance(default, tuple)
        else f"{default:g}"
        if isinstance(default, float)
        else default
    )
    return f"{field.description} [{shown}]: "


def ask_all(
    known: Mapping[str, Any], ask: Callable[[str], str | None], say: Callable[[str], None]
) -> dict[str, Any]:
    """Ask what is not known yet; nonsense is asked again, with one sentence on why.

    `ask` puts a question and returns the answer, None where nobody answers any more: then RequestError.
    """
    answers = dict(known)
    for key in ASKED:
        if key in answers or not applies(key, answers):
            continue
        required = Answers.model_fields[key].is_required() or key == "anode_W"
        while key not in answers:
            text = ask(question(key))
            if text is None:
                raise RequestError("the questions were not answered to the end: nothing was written")
            if not text.strip():
                if not required:
                    break
                say("this one has no default: it must be answered")
                continue
            try:
                answers[key] = read(key, text)
            except RequestError as error:
                say(str(error))
    return answers


def answers_from(known: Mapping[str, Any]) -> Answers:
    """Return checked answers. Raises RequestError with one sentence: what is missing, or means nothing."""
    for key, option in (("valve", "--valve EL34"), ("ht_V", "--ht 455")):
        if key not in known:
            raise RequestError(f"the set-up needs {option.split()[0]}: like {option}")
    read_all = {key: read(key, value) for key, value in known.items()}
    if read_all.get("anode_W") is None and rating_for(read_all["valve"]) is None:
        raise RequestError(f"--valve: {_not_rated(read_all['valve'])}; or give its --anode-watts")
    return Answers(**read_all)


def _not_rated(valve: str) -> str:
    near = nearest_types(valve) or known_types()[:3]
    return f"expected a type in the ratings table (nearest: {', '.join(near)}), got {valve!r}"


# ---- the text


def text_of(answers: Answers) -> str:
    """Return the set-up file. Its full scales are chosen by what the set-up without them expects.

    Where no range holds what a resistor drops, the file says what would: a larger one rails all the same.
    """
    plain = parse(_text(answers, {}))
    wiring = advise(plain).wiring
    scales = {
        channel.name: full_v
        for channel, wire in zip(plain.channel, wiring, strict=True)
        if (full_v := _full_scale(answers, channel.measures == "pair current", wire)) is not None
    }
    return _text(answers, scales, _most_ohm(answers, wiring[0]))


def _ranges(answers: Answers) -> tuple[float, ...]:
    return {"modbus": MODULE_RANGES_V, "scpi": METER_RANGES_V}.get(answers.link, RANGES_V)


def _wants_v(wire: Wire) -> float:
    """Return what a pair's range must hold: twice the aim, and the tripping current."""
    return max(2.0 * (wire.expected_v or 0.0), wire.limit_v or 0.0)


def _most_ohm(answers: Answers, wire: Wire) -> float | None:
    """Return the largest usual resistor that a range holds, where the one in the amp is larger; else None."""
    most_v = PIN_V if answers.link == "lines" else _ranges(answers)[-1]
    if _wants_v(wire) <= most_v:
        return None
    # a tenth less, since a smaller one leaves more HT to the valves, and they draw less for the same watts
    most_ohm = 0.9 * answers.sense_ohm * most_v / _wants_v(wire)
    decade = 10.0 ** math.floor(math.log10(most_ohm))
    return max(step * decade for step in E12 if step * decade <= most_ohm)


def _full_scale(answers: Answers, pair: bool, wire: Wire) -> float | None:
    """Return the least range that holds a channel, the greatest where none does; None for the usual one."""
    wants_v = _wants_v(wire) if pair else PIN_V
    if answers.link == "lines":  # above its supply a range only makes the steps coarser
        wants_v = min(wants_v, PIN_V)
    ranges = _ranges(answers)
    full_v = next((one for one in ranges if one >= wants_v), ranges[-1])
    usual_v = RANGES_V[0] if pair else RANGES_V[4]
    return None if answers.link == "lines" and full_v == usual_v else full_v


def _text(answers: Answers, scales: Mapping[str, float], most_ohm: float | None = None) -> str:
    lines = [*_head(answers), *_link(answers), *_channels(answers, scales, most_ohm), *_plan(answers)]
    text = "\n".join(lines) + "\n"
    setup = parse(text)
    return text + "\n".join([*_cutout(setup), *_limits(setup)]) + "\n"


def _key(key: str, value: object, comment: str = "", *, off: bool = False) -> str:
    """Return one line `key = value` with a comment behind it; `off` makes all of it a comment."""
    shown = json.dumps(value, ensure_ascii=False) if isinstance(value, str | list | bool) else f"{value:.10g}"
    return _line(f"{'# ' if off else ''}{key} = {shown}", comment)


def _line(text: str, comment: str) -> str:
    return f"{text:<{_COLUMN}} # {comment}" if comment else text


def _head(a: Answers) -> Iterator[str]:
    yield "# A set-up for soakbench. `soakbench check` says what is wrong or odd in it, and what hangs on"
    yield "# which pin; firmware_notes/wiring.md shows how to wire it: read its cautions first."
    yield _key("schema", SCHEMA)
    yield "\n[bench]"
    yield _key("name", "bench 1", "the place, where there are several")
    yield "\n[amp]"
    yield _key("name", a.name, "as it stands in the record")
    yield _key("valve", a.valve, "a type in the ratings table, or any with [amp.rating]")
    yield _key("valves_per_pair", a.valves, "valves on one sense resistor")
    yield _key("bias", a.bias, "fixed | cathode")
    yield _key("operating_class", a.operating_class, "AB | A")
    yield _key("adjust", a.adjust, "each pair | each side | level and balance | one for all | none")
    yield _key("connection", a.connection, "pentode | ultralinear | triode")
    yield _key("nominal_ht_V", a.ht_V, "HT (B+) at idle")
    yield _key("nominal_mains_V", a.mains_V)
    yield _key("ht_at", "reservoir", "where HT is measured: reservoir | centre tap | anode")
    yield _key("primary_ohm", 40, "centre tap to one anode end, if measured", off=True)
    if a.bias == "cathode":
        yield _key("cathode_V", 30, "across the bias resistor, if known", off=True)
    if a.anode_W is not None:
        yield "\n[amp.rating]"
        yield _key("anode_W", a.anode_W, "of one valve, from the sheet of the valves in hand")


def _link(a: Answers) -> Iterator[str]:
    yield "\n[link]"
    yield _key(
        "kind",
        a.link,
        {
            "lines": "a board that speaks soakbench's own lines",
            "csv": "a board that prints numbers, a line a scan",
            "modbus": "analogue module, Modbus RTU",
            "scpi": "scanning bench meter",
        }[a.link],
    )
    yield _key("port", a.port, "a port's name, or auto: ask each port who it is")
    yield _key("scans_per_s", _rate(a), "each takes whole mains cycles: 10 is enough, 1 will do")
    found = "found by itself; state it where that goes wrong"
    for key, comment in {
        "lines": ((f"# supply_V = {PIN_V}", "of the board's converters: no pin may rise above it"),),
        "csv": (
            ("# baud = 115200", "as the board is set"),
            ('# separator = ","', f', ; tab or blanks; {found}'),
            ('# unit = "V"', f"V or mV; {found}"),
(_time_column(a), "where column 1 is the board's time: ms, s or scans; pins then count from 2"),
        ),
        "modbus": (
            ("baud = 19200", "as the module is set"),
            ('parity = "even"', "none | even | odd"),
            ("# stop_bits = 1", ""),
            ("device = 1", "its address"),
            ('registers = "input"', "input (function 4) | holding (function 3)"),
            ('format = "int16"', "int16 | uint16 | int32 | uint32 | float32"),
            ('# word_order = "big"', "of values of two registers: big | little"),
            ("# identity = {register = 0, value = 0}", "a register that always reads the same"),
        ),
        "scpi": (
            ("baud = 9600", "as the meter is set"),
            ("line_cycles = 1", "how many mains cycles it integrates each channel over"),
            (f"line_Hz = {50 if a.mains_V >= 180 else 60}", "50 | 60"),
        ),
    }[a.link]:  # fmt: skip
        yield _line(key, comment)


def _time_column(a: Answers) -> str:
    off, unit = ("# ", "ms") if a.time_column == "none" else ("", a.time_column)
    return f'{off}time_column = {{column = 1, unit = "{unit}"}}'


def _rate(a: Answers) -> float:
    """Return scans a second: as said, else what the kind of link can keep."""
    if a.scans_per_s is not None:
        return a.scans_per_s
    if a.link in ("lines", "csv"):
        return 10.0
    if a.link == "modbus":
        return 1.0
    scan_s = (a.pairs + len(a.others)) * (1 / 50 + SETTLING_S)
    return 1.0 if scan_s < 0.8 else 0.5 if scan_s < 1.6 else 0.2


def _channels(a: Answers, scales: Mapping[str, float], most_ohm: float | None) -> Iterator[str]:
    place = {"lines": 0, "csv": 1 if a.time_column == "none" else 2, "modbus": 0, "scpi": 101}[a.link]
    what = {
        "lines": ("two wires, + first, to the resistor's own ends", "against the DAQ's ground"),
        "csv": ("the column, from 1", "the column"),
        "modbus": ("the register's address", "the register's address"),
        "scpi": ("the meter's channel", "the meter's channel"),
    }[a.link]
    inputs = 2 * a.pairs + len(a.others)
    if a.link == "lines" and inputs > BOARD_INPUTS:
        yield f"\n# {inputs} inputs: more than the {BOARD_INPUTS} of firmware_notes/firmware.md"
    for pair in range(1, a.pairs + 1):
        first = pair == 1
        yield "\n[[channel]]"
        yield _key("name", f"pair{pair}")
        yield _key("measures", "pair current")
        yield _key("pin", [place, place + 1] if a.link == "lines" else place, what[0] if first else "")
        place += 2 if a.link == "lines" else 1
        if a.link != "lines":
            yield _key(
                "wires", 2, "to the resistor's own ends; 1 where it is read against ground" if first else ""
            )
        known = "calibrate measures it"
        if most_ohm is not None:
            known = f"too large for the DAQ: {most_ohm:.3g} or less holds twice the aim"
        yield _key("sense_ohm", a.sense_ohm, known if first else "")
        yield _key("tolerance_pct", a.tolerance_pct, "of that resistor" if first else "")
        if a.series_ohm:
            comment = "in both wires together, as wired; take it out where there is none" if first else ""
            yield _key("series_ohm", a.series_ohm, comment)
        yield from _scale(a, scales.get(f"pair{pair}"), first)
        if first:
            sockets = [f"V{n}" for n in range(1, a.valves + 1)]
            yield _key("sockets", sockets, "shown with the name: which valves these are", off=True)
            if a.valves == 1:
                yield _key(
                    "side", "push", "push | pull; and pair names the two that belong together", off=True
                )
    for number, other in enumerate(a.others):
        yield "\n[[channel]]"
        yield _key("name", other)
        yield from _OTHER[other](a, _key("pin", place, what[1] if number == 0 else ""))
        yield from _scale(a, scales.get(other), False)
        place += 1


def _scale(a: Answers, full_v: float | None, first: bool) -> Iterator[str]:
    if full_v is None:
        return
    comment = {
        "lines": "full_scale_mV of the board's settings must be the same",
        "csv": "the board's range",
        "modbus": "of the module's input; from its sheet",
        "scpi": "the meter's range",
    }[a.link]
    yield _key("full_scale_V", full_v, comment if first or a.link == "lines" else "")
    if a.link == "modbus":
        yield _key("step_V", full_v / MODULE_FULL, "volts a count; from its sheet" if first else "")


def _ht(a: Answers, pin: str) -> Iterator[str]:
    yield _key("measures", "HT")
    yield pin
    yield _key(
        "divider_ohm",
        [UPPER_OHM, _lower_ohm(a.ht_V)],
        "several in series, each within its volts; the lower one",
    )
    yield _key("tolerance_pct", 1.0)


def _lower_ohm(ht_v: float) -> float:
    """Return the greatest E12 resistor that keeps the pin within a converter's supply when HT has risen."""
    most = UPPER_OHM * PIN_V / (HT_RISE * ht_v - PIN_V)
    decade = 10.0 ** math.floor(math.log10(most))
    return round(max(step * decade for step in E12 if step * decade <= most * (1 + 1e-9)))


def _mains(a: Answers, pin: str) -> Iterator[str]:
    per_v = next(one for one in MAINS_V_PER_V if 1.2 * a.mains_V / one <= PIN_V)
    yield _key("measures", "mains", "by an isolating transformer or isolated transducer only")
    yield pin
    yield _key("sensor", "linear")
    yield _key("value_per_V", per_v, "volts of mains for a volt at the pin: compare with a meter twice")
    yield _key("value_at_0V", 0)
    yield _key("tolerance_pct", 1.0)


def _thermometer(measures: str) -> Callable[[Answers, str], Iterator[str]]:
    def lines(_: Answers, pin: str) -> Iterator[str]:
        yield _key("measures", measures)
        yield pin
        yield _key("sensor", "ntc", "ntc | pt100 | type K | linear; insulated, on earthed metal")
        yield _key("r25_ohm", 10_000)
        yield _key("beta_K", 3950)
        yield _key("pullup_ohm", 10_000, "from supply_V to the pin")
        yield _key("supply_V", PIN_V)
        yield _key("tolerance_pct", 1.0)

    return lines


_OTHER: Final[Mapping[str, Callable[[Answers, str], Iterator[str]]]] = {
    "ht": _ht,
    "mains": _mains,
    "chassis": _thermometer("chassis temperature"),
    "transformer": _thermometer("transformer temperature"),
    "ambient": _thermometer("ambient temperature"),
}


def _plan(a: Answers) -> Iterator[str]:
    yield "\n[plan]"
    yield _line("steps = [", "warm-up | soak | signal | off | heaters only")
    for step, minutes in (("warm-up", a.warm_up_min), ("soak", a.soak_min)):
        yield f'  {{step = "{step}", minutes = {minutes:.10g}}},'
    yield "]"


def _cutout(setup: Setup) -> Iterator[str]:
    """Yield the cut-out's table as comments, for the kind of link that can have one."""
    if setup.link.kind != "lines" or setup.link.scans_per_s < CUTOUT_SCANS_PER_S:
        return
    yield "\n" + _line(
        "# [cutout]", "a contactor that takes the mains off, wired as in firmware_notes/wiring.md, 6"
    )
    yield _key("armed", True, off=True)
    yield _key("silence_s", 1.5, "so long after the last judged scan it opens by itself", off=True)


def _limits(setup: Setup) -> Iterator[str]:
    """Yield the limits in force as comments: taken out, they are what they say."""
    limits = setup.limits
    yield "\n" + _line("[limits]", "what stands as a comment is the default; check says where it is from")
    for key, comment in (
        ("match_pct", "a pair from the others; or match_mA"),
        ("side_balance_pct", "push from pull, where the set-up knows the sides"),
        ("drift_pct_per_h", "of a settled pair; or drift_mA_per_h"),
        ("settle_pct", "how near its end a pair is settled; or settle_mA"),
        ("aim_pct", "of the rating: what the pots are set to"),
        ("warn_pct", "of the rating"),
        ("fail_pct", "of the rating"),
        ("trip_pct", "of the rating: take the power off"),
        ("chassis_max_C", ""),
        ("transformer_max_C", ""),
    ):
        value = getattr(limits, key)
        if value is not None:
            yield _key(key, value, comment, off=True)
    yield _key("pair_low_mA", 70, "the amp's maker's own window, where one is stated", off=True)
    yield _key("pair_high_mA", 90, off=True)
    yield "\n" + _line("[decision]", "agreed before the soak")
    yield _key("rule", setup.decision.rule, "guard band | simple", off=True)
    yield _key("guard_band_U", setup.decision.guard_band_U, "times the expanded uncertainty", off=True)
