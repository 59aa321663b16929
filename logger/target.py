"""What `soakbench target` says: the aim from options or from a stored soak, and what to set now.

Reads the store; the figures are `bias`'s. The document is `soakbench.target/1` (docs/files.md).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger import bias
from logger.bias import Circuit, Span
from logger.blocks import FloatArray
from logger.convert import RESISTOR_TOLERANCE_PCT, Calibration, value_U
from logger.errors import RequestError
from logger.settling import SUPPLY_GAIN, forecast, turns_min
from logger.store.reader import Reader, Soak
from logger.valves import Ceiling, Figure, Rating, known_types, nearest_types, rating_for, sheets_of
from logger.verdict import program_version

AIM_PCT: Final = 65.0
"""The aim where none is named; common practice, no source."""

HT_U_PCT: Final = 1.0
"""How far HT may be from what is said, where nobody says: a 1 % divider."""

HT_RANGE_V: Final = (50.0, 2000.0)
MOST_PCT: Final = 150.0
_FORMER_SOAKS: Final = 10


@dataclass(frozen=True)
class Pair:
    """One pair to aim for. `drawn_a`: what it draws, where that is known; NaN where not."""

    name: str
    label: str
    circuit: Circuit
    sense_ohm: Span
    drawn_a: Span = field(default_factory=lambda: Span(math.nan, math.nan, math.nan))


@dataclass(frozen=True)
class Case:
    """One amplifier's idle: what it is held to, what its current flows through, and how sure that is.

    `settable`: somebody can set the current (fixed bias, class AB); else the current at the rating is
    given, to check against. `ht_from`: where the HT figure comes from.
    """

    rating: Rating
    ceiling: Ceiling
    connection: str
    bias: str
    operating_class: str
    pct: float
    ht_v: Span
    ht_from: str
    screen_fraction: Span
    screen_stated: bool
    pairs: list[Pair]

    @property
    def settable(self) -> bool:
        """Whether there is something to aim for."""
        return self.bias == "fixed" and self.operating_class == "AB"


# ---- from options


def from_options(
    valve: str,
    ht_v: float,
    pct: float | None = None,
    *,
    sheet: str | None = None,
    screen_fraction: float | None = None,
    valves: int = 2,
    sense_ohm: float = 1.0,
    connection: str = "pentode",
    bias: str = "fixed",
    operating_class: str = "AB",
    cathode_v: float = 0.0,
    drawn_ma: float | None = None,
    ht_u_pct: float = HT_U_PCT,
    sense_u_pct: float = RESISTOR_TOLERANCE_PCT,
) -> Case:
    """Return the case that options describe; RequestError, in one sentence, for what can't be."""
    one_of("--connection", connection, ("pentode", "ultralinear", "triode"))
    one_of("--bias", bias, ("fixed", "cathode"))
    one_of("--class", operating_class, ("AB", "A"))
    between("--ht", ht_v, *HT_RANGE_V, "V")
    between("--valves", valves, 1, 4, "valves on a sense resistor")
    between("--sense-ohm", sense_ohm, 1e-3, 1000.0, "ohm")
    between("--cathode-volts", cathode_v, 0.0, 200.0, "V")
    between("--ht-u", ht_u_pct, 0.0, 20.0, "%")
    between("--sense-u", sense_u_pct, 0.0, 50.0, "%")
    if screen_fraction is not None:
        between("--screen-fraction", screen_fraction, 0.0, 0.5, "of the cathode current")
    if drawn_ma is not None:
        between("--pair-ma", drawn_ma, 0.001, 5000.0, "mA")
    rating = rating_for(valve, sheet, connection=connection, bias=bias)
    if rating is None:
        raise RequestError(_no_such_valve(valve, sheet))
    settable = bias == "fixed" and operating_class == "AB"
    low, high = rating.screen_fraction if screen_fraction is None else (screen_fraction, screen_fraction)
    if connection == "triode":
        low = high = 0.0
    pair = Pair(
        "pair",
        "a pair",
        Circuit(valves, cathode_v, sense_ohm),
        Span.within_pct(sense_ohm, sense_u_pct),
        *([] if drawn_ma is None else [Span.within_pct(drawn_ma / 1e3, sense_u_pct)]),
    )
    return Case(
        rating=rating,
        ceiling=rating.ceiling(connection),
        connection=connection,
        bias=bias,
        operating_class=operating_class,
        pct=_pct(pct, settable),
        ht_v=Span.within_pct(ht_v, ht_u_pct),
        ht_from="as asked",
        screen_fraction=Span((low + high) / 2.0, low, high),
        screen_stated=screen_fraction is not None or connection == "triode",
        pairs=[pair],
    )


def between(option: str, value: float, least: float, most: float, unit: str) -> None:
    """Refuse a number out of any sense."""
    if not least <= value <= most:
        raise RequestError(f"{option} {value:g} makes no sense: give {least:g} to {most:g} {unit}")


def one_of(option: str, value: str, choices: Sequence[str]) -> None:
    """Refuse a word that isn't one of the choices."""
    if value not in choices:
        raise RequestError(
            f"{option} {value!r} is unknown: choose {', '.join(choices[:-1])} or {choices[-1]}"
        )


def _pct(pct: float | None, settable: bool) -> float:
    if not settable:
        if pct is not None:
            raise RequestError(
                "a cathode-biased or class A amp sets its own current and has no percentage to aim at: leave "
                "out --pct, and give --pair-ma to check what a pair draws against the rating"
            )
        return 100.0
    if pct is None:
        return AIM_PCT
    if not 0.0 < pct <= MOST_PCT:
        raise RequestError(f"--pct {pct:g} makes no sense: give more than 0 and at most {MOST_PCT:g} %")
    return pct


def _no_such_valve(valve: str, sheet: str | None) -> str:
    sheets = sheets_of(valve)
    if sheets:
        return f"the ratings table has no sheet {sheet!r} of {valve}: choose {' or '.join(sheets)}"
    near = nearest_types(valve)
    hint = f"the nearest are {', '.join(near)}" if near else f"it has {', '.join(known_types())}"
    return f"there is no valve {valve!r} in the ratings table, {hint}; a set-up can state any other's rating"


# ---- from a soak


def from_soak(reader: Reader, soak: Soak, pct: float | None = None, ht_v: float | None = None) -> Case:
    """Return the case of a stored soak: its set-up, and the HT that was measured, where it was."""
    setup = soak.setup
    amp = setup.amp
    settable = amp.bias == "fixed" and amp.operating_class == "AB"
    if ht_v is not None:
        between("--ht", ht_v, *HT_RANGE_V, "V")
    asked = setup.limits.aim_pct if pct is None and settable else pct
    low, high = setup.screen_fraction
    ht, ht_from = _ht(soak, ht_v, reader.calibration_of(soak))
    drawn = {c["name"]: c for c in soak.verdict["channels"]} if soak.verdict else {}
    pairs = []
    for j, channel in enumerate(setup.pairs):
        assert channel.sense_ohm is not None  # required by the set-up's own check
        tolerance = RESISTOR_TOLERANCE_PCT if channel.tolerance_pct is None else channel.tolerance_pct
        sense = Span.within_pct(channel.sense_ohm, tolerance)
        circuit = Circuit.of(setup, j)
        settled, u = (
            drawn.get(channel.name, {}).get(key) for key in ("settled_mA", "expanded_uncertainty_mA")
        )
        known = [] if settled is None else [Span(settled, settled - u, settled + u).times(1e-3)]
        pairs.append(Pair(channel.name, channel.label, circuit, sense, *known))
    return Case(
        rating=setup.rating,
        ceiling=setup.ceiling,
        connection=amp.connection,
        bias=amp.bias,
        operating_class=amp.operating_class,
        pct=_pct(asked, settable),
        ht_v=ht,
        ht_from=ht_from,
        screen_fraction=Span((low + high) / 2.0, low, high),
        screen_stated=amp.screen_fraction is not None or amp.connection == "triode",
        pairs=pairs,
    )


def _ht(soak: Soak, asked_v: float | None, calibration: Calibration | None) -> tuple[Span, str]:
    """Return the HT to reckon with: as asked, as measured in the soak step, as measured now, or nominal."""
    setup = soak.setup
    if asked_v is not None:
        return Span.within_pct(asked_v, HT_U_PCT), "as asked"
    column = setup.first("HT")
    if column is None:
        return Span.within_pct(setup.amp.nominal_ht_V, HT_U_PCT), "nominal: it was not measured"
    name = setup.channel[column].name
    measured, where = None, ""
    if soak.verdict is not None:
        judged = {channel["name"]: channel for channel in soak.verdict["channels"]}
        measured, where = judged.get(name, {}).get("mean"), f"mean of the soak step of soak {soak.id}"
    elif soak.now is not None and (soak.now.get("on_s") or 0.0) > 60.0:
        measured, where = soak.now["channels"].get(name, {}).get("value"), "measured now"
    if measured is None or not HT_RANGE_V[0] <= measured <= HT_RANGE_V[1]:
        return Span.within_pct(setup.amp.nominal_ht_V, HT_U_PCT), "nominal: it was not measured"
    u, _ = value_U(setup, soak.daq, column, measured, 0.0, calibration)
    return Span(measured, measured - u, measured + u), where


# ---- set it now to end there


@dataclass(frozen=True)
class Way:
    """What to set now: learnt from former soaks, and by the running one's forecast."""

    learnt_from: list[int]
    settings: list[bias.Setting]
    running: list[bias.Setting]


def way_there(reader: Reader, soak: Soak, case: Case) -> Way:
    """Look at how this amp warmed up in this soak and in up to ten before it, and where it is going now."""
    targets = aims_a(case)
    learnt_from, settings = learnt(reader, soak, targets)
    running = _running(reader, soak, targets) if soak.ended is None else []
    return Way(learnt_from, settings, running)


def aims_a(case: Case) -> list[float]:
    """Return what to aim at of each pair, in A. RequestError where no current brings the percentage."""
    return [_target(case, pair).pair_a.value for pair in case.pairs]


def learnt(reader: Reader, soak: Soak, targets: Sequence[float]) -> tuple[list[int], list[bias.Setting]]:
    """Return what to set at which minute of this amp's warm-up, and from which soaks that was learnt."""
    names = [channel.name for channel in soak.setup.pairs]
    learnt_from: list[int] = []
    warm_ups: list[bias.WarmUp] = []
    for former in reversed(reader.soaks()):
        if len(warm_ups) == _FORMER_SOAKS:
            break
        if former.id > soak.id or former.amp != soak.amp or former.verdict is None:
            continue
        if [channel.name for channel in former.setup.pairs] != names:
            continue
        warm = _warm_up(reader, former)
        if warm is not None:
            learnt_from.append(former.id)
            warm_ups.append(warm)
    settings = bias.settings(bias.learn(warm_ups), targets) if warm_ups else []
    return sorted(learnt_from), settings


def _warm_up(reader: Reader, soak: Soak) -> bias.WarmUp | None:
    """Return a soak's warm-up, or None where it began hot, was interrupted, or has no soak step."""
    assert soak.verdict is not None  # asked by the caller
    document = soak.verdict["soak"]
    steps = document["steps"]
    warm = [step for step in steps if step["step"] == "warm-up"]
    soaked = [step for step in steps if step["step"] == "soak"]
    if document.get("began_hot") or len(warm) != 1 or len(soaked) != 1 or steps[0] is not warm[0]:
        return None
    settled = {channel["name"]: channel.get("settled_mA") for channel in soak.verdict["channels"]}
    settled_a = np.array([(settled[c.name] or math.nan) / 1e3 for c in soak.setup.pairs])
    if np.isnan(settled_a).any():
        return None
    on_s = warm[0]["from_s"]
    t_s, current_a, mains_v = _means(reader, soak, 10)
    until_s = soaked[0]["to_s"] if soaked[0]["to_s"] is not None else math.inf
    window = ((soaked[0]["from_s"] - on_s) / 60.0, (until_s - on_s) / 60.0)
    return bias.warm_up((t_s - on_s) / 60.0, current_a, settled_a, window, mains_v)


def _running(reader: Reader, soak: Soak, targets: Sequence[float]) -> list[bias.Setting]:
    """Return what to set now by the forecast of a running soak, nothing while there is none."""
    now = soak.now
    if now is None or now.get("on_s") is None:
        return []
    t_s, current_a, mains_v = _means(reader, soak, 60)
    on_min = (t_s - (now["t_s"] - now["on_s"])) / 60.0
    rows = (on_min > 0) & (t_s + 30.0 <= now["t_s"]) & (current_a > 0).all(axis=1)
    if mains_v is not None:
        rows &= ~np.isnan(mains_v)
    if rows.sum() < 5:
        return []
    t, drawn_a = on_min[rows], current_a[rows]
    mains = mains_v[rows] / mains_v[rows].mean() - 1.0 if mains_v is not None else None
    supply = 0.0 if mains is None else SUPPLY_GAIN * mains[:, None]
    turns = turns_min(t, np.log(drawn_a) - supply, _setting(now, t_s[rows]))
    found = forecast(t, drawn_a / drawn_a[-1], mains, turns)
    if found is None:
        return []
    return bias.from_forecast(now["on_s"] / 60.0, [float(a) for a in drawn_a[-1]], found, targets)


def _setting(now: dict[str, Any], t_s: FloatArray) -> NDArray[np.bool_]:
    """Return in which of these minutes, by their middles, a person had said that bias is being set."""
    states = now.get("states", [])
    out = np.zeros(len(t_s), dtype=np.bool_)
    for one, after in zip(states, [*states[1:], {"from_s": math.inf}], strict=True):
        if one["state"] == "setting bias":
            out |= (t_s + 30.0 > one["from_s"]) & (t_s - 30.0 < after["from_s"])
    return out


def _means(reader: Reader, soak: Soak, level_s: int) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Return a soak's buckets: middles (b,) in s, currents of the pairs (b, p) in A, mains (b,) in V."""
    setup = soak.setup
    middle_s, values = reader.means(soak, level_s, reader.calibration_of(soak))
    column = setup.first("mains")
    mains_v = values[:, column] if column is not None else None
    if mains_v is not None and np.isnan(mains_v).all():
        mains_v = None
    return middle_s, values[:, setup.pair_columns], mains_v


# ---- in words and figures


def document(case: Case, way: Way | None = None) -> dict[str, Any]:
    """Return the `soakbench.target/1` document; the plain figures are those of the first pair.

    RequestError where no current brings the percentage.
    """
    first = _target(case, case.pairs[0])
    screen = _screen_w(case, case.pairs[0])
    return {
        "schema": "soakbench.target/1",
        "program": f"soakbench {program_version()}",
        "valve": case.rating.valve,
        "connection": case.connection,
        "bias": case.bias,
        "operating_class": case.operating_class,
        "aim": "target" if case.settable else "rating",
        "pct": case.pct,
        "watts_per_valve": case.ceiling.watts * case.pct / 100.0,
        "held_to": {
            "watts": case.ceiling.watts,
            "says": case.ceiling.says,
            "of": case.ceiling.how,
            "source": case.ceiling.source,
            "from_memory": case.ceiling.from_memory,
        },
        "ht_V": {**_json(case.ht_v), "from": case.ht_from},
        "screen_fraction": {**_json(case.screen_fraction), "stated": case.screen_stated},
        "sense_ohm": _json(case.pairs[0].sense_ohm),
        "valves_per_pair": case.pairs[0].circuit.valves,
        "anode_mA_per_valve": _json(first.anode_a.times(1e3)),
        "cathode_mA_per_valve": _json(first.cathode_a.times(1e3)),
        "cathode_mA_per_pair": _json(first.pair_a.times(1e3)),
        "reads_mV": _json(first.reads_v.times(1e3)),
        "screen_W_per_valve_at_ht": None if screen is None else _json(screen),
        "rating": _rating_json(case.rating),
        "pairs": [_pair_json(case, pair) for pair in case.pairs],
        "set_now": None if way is None else _way_json(case, way),
        "warnings": _warnings(case, first, screen),
        "cautions": list(bias.AIM_CAUTIONS if case.settable else bias.CAUTIONS),
    }


def _target(case: Case, pair: Pair) -> bias.Target:
    watts = case.ceiling.watts * case.pct / 100.0
    found = bias.target(pair.circuit, watts, case.ht_v, case.screen_fraction, pair.sense_ohm)
    if any(math.isnan(x) for x in (found.pair_a.value, found.pair_a.low, found.pair_a.high)):
        raise RequestError(
            f"no current brings {watts:.3g} W into each valve at {case.ht_v.value:g} V through "
            f"{pair.circuit.ohm:g} ohm with {pair.circuit.cathode_v:g} V at the cathodes: check these figures"
        )
    return found


def _screen_w(case: Case, pair: Pair) -> Span | None:
    """Return each screen's watts if it stood at HT, the most it can be; None without a screen of its own."""
    if case.connection == "triode" or case.rating.screen_w is None:
        return None
    watts, circuit = case.ceiling.watts * case.pct / 100.0, pair.circuit

    def at(ht_v: float, share: float) -> float:
        return circuit.screen_w(circuit.pair_a(watts, ht_v, share), ht_v - circuit.cathode_v, share)

    ht, share = case.ht_v, case.screen_fraction
    corners = [at(volts, part) for volts in (ht.low, ht.high) for part in (share.low, share.high)]
    return Span(at(ht.value, share.value), min(corners), max(corners))


def _pair_json(case: Case, pair: Pair) -> dict[str, Any]:
    found = _target(case, pair)
    out: dict[str, Any] = {
        "name": pair.name,
        "label": pair.label,
        "valves": pair.circuit.valves,
        "cathode_mA_per_pair": _json(found.pair_a.times(1e3)),
        "reads_mV": _json(found.reads_v.times(1e3)),
        "draws_mA": None,
        "dissipation_pct": None,
    }
    if not math.isnan(pair.drawn_a.value):
        watts = bias.dissipation(pair.circuit, pair.drawn_a, case.ht_v, case.screen_fraction)
        out["draws_mA"] = _json(pair.drawn_a.times(1e3))
        out["dissipation_pct"] = _json(watts.times(100.0 / case.ceiling.watts))
    return out


def _way_json(case: Case, way: Way) -> dict[str, Any]:
    return {
        "interval_pct": bias.INTERVAL_PCT,
        "turn_at_most_pct": 100.0 * bias.TURN,
        "learnt_from": way.learnt_from,
        "rows": [_setting_json(case, setting) for setting in way.settings],
        "running": [_setting_json(case, setting) for setting in way.running],
    }


def _setting_json(case: Case, setting: bias.Setting) -> dict[str, Any]:
    pair = None if setting.pair is None else case.pairs[setting.pair]
    sense = case.pairs[0].sense_ohm.value if pair is None else pair.sense_ohm.value
    return {
        "minute": setting.minute,
        "pair": None if pair is None else pair.name,
        "set_mA": 1e3 * setting.now_a,
        "set_mV": 1e3 * setting.now_a * sense,
        "ends_mA": _json(setting.ends_a.times(1e3)),
    }


def _rating_json(rating: Rating) -> dict[str, Any]:
    return {
        "valve": rating.valve,
        "sheet": rating.sheet or None,
        "publisher": rating.publisher or None,
        "date": rating.date or None,
        "system": rating.system,
        "choice": rating.choice or None,
        "other_sheets": [name for name in sheets_of(rating.valve) if rating.sheet and name != rating.sheet],
        "anode_W": rating.anode_w,
        "screen_W": rating.screen_w,
        "anode_plus_screen_W": rating.anode_plus_screen_w,
        "cathode_mA": None if rating.cathode_a is None else 1e3 * rating.cathode_a,
        "source": rating.source,
        "from_memory": rating.from_memory,
        "figures": [
            {
                "figure": figure.quantity,
                "when": figure.when,
                "value": figure.value,
                "source": figure.source,
                "from_memory": figure.from_memory,
            }
            for figure in rating.figures
        ],
    }


def _warnings(case: Case, found: bias.Target, screen: Span | None) -> list[str]:
    rating, ht = case.rating, case.ht_v.value
    out = []
    if case.settable and case.pct > 100.0:
        out.append(f"{case.pct:g} % is over the rating: an anode held there is being worn out, or glows")
    if case.connection == "triode" and case.ceiling.watts > rating.anode_w:
        pct = bias.own_anode_pct(case.ceiling.watts, rating.anode_w, rating.screen_fraction[0])
        if case.pct > pct - 10.0:
            out.append(
                f"of {case.ceiling.says} the anode takes its share: from {pct:.0f} % on it may be over its "
                f"own {rating.anode_w:g} W"
            )
    seen = [("anode_V", "the anode")]
    if case.connection != "pentode":
        seen.append(("screen_V", "the screen"))
    for quantity, what in seen:
        limit = rating.figure(quantity, case.connection)
        if limit is not None and limit.value is not None and ht > limit.value:
            out.append(
                f"HT of {ht:g} V is over the {limit.value:g} V that the sheet allows {what}{_memory(limit)}"
            )
    if rating.cathode_a is not None and found.cathode_a.high > rating.cathode_a:
        figure = rating.cathode_figure(case.connection, case.bias)
        out.append(
            f"{1e3 * found.cathode_a.high:.0f} mA is over the {1e3 * rating.cathode_a:g} mA that the sheet "
            f"allows a cathode{_memory(figure)}"
        )
    if screen is not None and rating.screen_w is not None and screen.high > rating.screen_w:
        out.append(
            f"with the screens at HT each would take up to {screen.high:.1f} W, over its "
            f"{rating.screen_w:g} W{_memory(rating.figure('screen_W'))}"
        )
    return out


def _memory(figure: Figure | None) -> str:
    return ", a figure from memory" if figure is not None and figure.from_memory else ""


def _json(span: Span) -> dict[str, float]:
    return {"value": span.value, "low": span.low, "high": span.high}
