"""The uncertainty budget of a set-up, before anything is measured: how wrong a figure may be, and why.

Tables in the manner of the GUM (JCGM 100:2008): every term with its sensitivity, contribution and share of
the variance. The terms are `convert`'s, those of the verdict too; here they are put together for the current
that is aimed at. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from logger import bias
from logger.blocks import DaqInfo
from logger.convert import (
    Calibration,
    Term,
    difference_U_of,
    difference_weights,
    expanded,
    terms,
)
from logger.errors import RequestError
from logger.setup import Channel, Setup

SCAN_NOISE_STEPS: Final = 1.0
"""Standard deviation of a single scan, in steps, before any was seen: a default of ours."""

MEAN_S: Final = 60.0
"""The mean that a budget's noise is of; a soak's is longer."""

TEMPERATURE_C: Final = {"ambient temperature": 25.0}
"""Where a temperature's budget is made; others at 50 degC."""

_ADVICE: Final = {
    "sense resistor, tolerance": "a closer sense resistor, or a measured one",
    "sense resistor, warming": "a sense resistor with a smaller temperature coefficient, away from the heat",
    "series resistor, loading": "a smaller series resistor, or calibrating with it in place",
    "series resistor, leakage": "a smaller series resistor, or calibrating with it in place",
    "earth return": "a second wire to the resistor instead of the DAQ's ground",
    "lead, thermal emf": "a larger sense resistor, or joints away from the heat",
    "converter gain": "calibrating the converter",
    "converter offset": "calibrating the converter",
    "converter reference, warming": "keeping the DAQ cool, or a steadier reference",
    "converter step": "a narrower range of the converter",
    "noise, mean of a minute": "a longer mean",
    "screen fraction": "measuring the screen's share and stating screen_fraction",
    "divider, upper resistor": "closer resistors in the divider, or calibrating it",
    "divider, lower resistor": "closer resistors in the divider, or calibrating it",
}


@dataclass(frozen=True)
class Line:
    """One row: a term with its part of the variance. Sensitivity and contribution in the budget's unit."""

    term: Term
    share: float


@dataclass(frozen=True)
class Budget:
    """What one figure of one channel is uncertain by.

    `value`, `U` and `u` in `unit` (A, V, degC, or % of the rating for dissipation); `k` = U/u, NaN where
    nothing is uncertain. `straight`: whether u is the root of the summed squares of the contributions; else
    both come from a draw, and the lines show the straight line through the present currents.
    """

    name: str
    quantity: str
    at: str
    unit: str
    value: float
    U: float
    k: float
    lines: tuple[Line, ...]
    notes: tuple[str, ...]
    largest: str
    U_without: float
    straight: bool = True

    @property
    def u(self) -> float:
        """The combined standard uncertainty."""
        return self.U / self.k if self.k > 0 else 0.0

    @property
    def helps(self) -> str:
        """What would help, in a few words; nothing where nothing is uncertain."""
        return _ADVICE.get(_bare(self.largest), f"a better {_bare(self.largest)}") if self.largest else ""


def budgets(
    setup: Setup, daq: DaqInfo, name: str | None = None, calibration: Calibration | None = None
) -> list[Budget]:
    """Return the budgets of all channels, or of one: pairs at the current to aim at, HT and mains at nominal.

    Raises RequestError for a channel that does not exist, or one that no nominal value is known of.
    """
    if name is not None and name not in setup.names:
        raise RequestError(f"there is no channel {name!r}: the set-up has {', '.join(setup.names)}")
    out: list[Budget] = []
    for column, channel in enumerate(setup.channel):
        if name is None or channel.name == name:
            out += _of_channel(setup, daq, column, channel, calibration)
    if not out:
        raise RequestError(f"{name or 'no channel'}: nothing says at what value to make its budget")
    return out


def current(setup: Setup, daq: DaqInfo, pair: int, calibration: Calibration | None = None) -> Budget:
    """Return the budget of one pair's current at its aim, a minute's mean."""
    channel, column, value = setup.pairs[pair], setup.pair_columns[pair], _aim_a(setup, pair)
    table = [*terms(setup, daq, column, value, calibration), _noise(setup, daq, column, value)]
    return _of_terms(channel.name, "current", _at(setup), "A", value, table, (_valves(setup, channel),))


def from_others(
    setup: Setup, daq: DaqInfo, pair: int, calibration: Calibration | None = None
) -> Budget | None:
    """Return the budget of one pair's difference from the others, all at their aims; None for one pair."""
    columns = setup.pair_columns
    values = {columns[j]: _aim_a(setup, j) for j in range(len(columns))}
    weights = difference_weights(values, columns[pair])
    if weights is None:
        return None
    own = {
        column: [*terms(setup, daq, column, value, calibration), _noise(setup, daq, column, value)]
        for column, value in values.items()
    }

    def U_of(without: str | None) -> tuple[float, float]:
        left = {column: [t for t in part if t.term != without] for column, part in own.items()}
        return difference_U_of(left, columns[pair], values, {})

    def name(column: int) -> str:
        return setup.channel[column].name

    table: list[Term] = []
    shared: dict[str, Term] = {}
    for column, weight in weights.items():
        for term in own[column]:
            if term.shared:
                before = shared[term.term].sensitivity if term.term in shared else 0.0
                shared[term.term] = replace(term, sensitivity=before + weight * term.sensitivity)
            else:
                prefixed = f"{name(column)}: {term.term}"
                table.append(replace(term, term=prefixed, sensitivity=weight * term.sensitivity))
    others = [name(column) for column in weights if column != columns[pair]]
    notes = [f"{name(columns[pair])} less {' and '.join(others)}{', half each' if len(others) > 1 else ''}"]
    if len(columns) > 2:
        notes = [
            "less the median of all, which is no straight line: U by a draw (JCGM 101), the terms as for "
            f"{notes[0]}"
        ]
    value = values[columns[pair]] - _reference(values, columns[pair])
    return _budget(
        setup.pairs[pair].name,
        "from the others",
        "all at the aim",
        "A",
        value,
        [*table, *shared.values()],
        U_of,
        tuple(notes),
        straight=len(columns) == 2,
    )


def dissipation_terms(
    setup: Setup,
    daq: DaqInfo,
    pair: int,
    current_a: float,
    ht_v: float,
    calibration: Calibration | None = None,
    noise_u_a: float = 0.0,
    noise_u_v: float = 0.0,
) -> list[Term]:
    """Return the terms of a pair's anode power, mean of its valves, in watts.

    First derivatives of `bias.Circuit.anode_w`; the screen's share is rectangular over its range, which no
    sheet says more of. The HT's converter range is another than the pairs', so its errors are independent.
    """
    circuit = bias.Circuit.of(setup, pair)
    low, high = setup.screen_fraction
    share = (low + high) / 2.0
    left = (1.0 - share) / circuit.valves
    column, ht = setup.pair_columns[pair], setup.first("HT")
    assert ht is not None  # without HT there is no dissipation
    across_v = ht_v - circuit.cathode_v - circuit.ohm * current_a
    per_a, per_v = left * (across_v - circuit.ohm * current_a), left * current_a
    out = [
        replace(term, term=f"{part}: {term.term}", sensitivity=by * term.sensitivity)
        for part, by, own in (
            (
                "current",
                per_a,
                [*terms(setup, daq, column, current_a, calibration), _of_mean(noise_u_a, "A")],
            ),
            ("HT", per_v, [*terms(setup, daq, ht, ht_v, calibration), _of_mean(noise_u_v, "V")]),
        )
        for term in own
    ]
    per_share = -across_v * current_a / circuit.valves
    return [*out, Term("screen fraction", (high - low) / 2.0, "of the current", "rectangular", per_share)]


def dissipation_U(
    setup: Setup,
    daq: DaqInfo,
    pair: int,
    current_a: float,
    ht_v: float,
    calibration: Calibration | None = None,
    noise_u_a: float = 0.0,
) -> tuple[float, float]:
    """Return U, in watts, and coverage factor of a pair's anode power, mean of its valves."""
    return _expanded(dissipation_terms(setup, daq, pair, current_a, ht_v, calibration, noise_u_a))


def dissipation(
    setup: Setup, daq: DaqInfo, pair: int, calibration: Calibration | None = None
) -> Budget | None:
    """Return the budget of one pair's dissipation at its aim, in % of the rating; None without HT."""
    if setup.first("HT") is None:
        return None
    current_a, ht_v = _aim_a(setup, pair), setup.amp.nominal_ht_V
    pct = 100.0 / setup.ceiling.watts
    column, ht = setup.pair_columns[pair], setup.first("HT")
    assert ht is not None  # asked above
    noise_u_a = _noise(setup, daq, column, current_a).contribution
    noise_u_v = _noise(setup, daq, ht, ht_v).contribution
    table = [
        replace(term, sensitivity=pct * term.sensitivity)
        for term in dissipation_terms(setup, daq, pair, current_a, ht_v, calibration, noise_u_a, noise_u_v)
    ]
    low, high = setup.screen_fraction
    watts = bias.Circuit.of(setup, pair).anode_w(current_a, ht_v, (low + high) / 2.0)
    channel = setup.pairs[pair]
    notes = [f"of {setup.ceiling.says}; {_valves(setup, channel)}"]
    if high > low:
        notes.append(f"the screen's share is known as a range only: {low:g} to {high:g} of the current")
    return _of_terms(channel.name, "dissipation", _at(setup), "%", pct * watts, table, tuple(notes))


def document(found: Sequence[Budget]) -> dict[str, Any]:
    """Return the `soakbench.budget/1` document: currents in mA, null for what does not exist."""
    return {"schema": "soakbench.budget/1", "channels": [_json(budget) for budget in found]}


def sentence(budget: Budget) -> str:
    """Say what would help a figure most."""
    scale, unit = (1000.0, "mA") if budget.unit == "A" else (1.0, budget.unit.replace("degC", "°C"))
    if not budget.largest:
        return f"{budget.name}, {budget.quantity}: nothing in it is uncertain."
    before, after = (f"{scale * size:.2g}" for size in (budget.U, budget.U_without))
    return (
        f"{budget.name}, {budget.quantity}: {budget.helps} would help most: without "
        f'"{budget.largest}" U would fall from {before} to {after} {unit}.'
    )


# ---- one channel


def _of_channel(
    setup: Setup, daq: DaqInfo, column: int, channel: Channel, calibration: Calibration | None
) -> Iterator[Budget]:
    if channel.measures == "pair current":
        pair = setup.pair_columns.index(column)
        yield current(setup, daq, pair, calibration)
        for one in (from_others, dissipation):
            more = one(setup, daq, pair, calibration)
            if more is not None:
                yield more
        return
    if channel.measures in ("HT", "mains"):
        value = setup.amp.nominal_ht_V if channel.measures == "HT" else setup.amp.nominal_mains_V
        at = "nominal"
    elif channel.unit == "degC":
        value = TEMPERATURE_C.get(channel.measures, 50.0)
        at = f"{value:g} °C"
    else:
        return  # nothing says at what value
    table = [*terms(setup, daq, column, value, calibration), _noise(setup, daq, column, value)]
    yield _of_terms(channel.name, channel.measures, at, channel.unit, value, table, ())


def _noise(setup: Setup, daq: DaqInfo, column: int, value: float) -> Term:
    """Return what a minute's mean keeps of the scans' noise, by the default."""
    one = terms(setup, daq, column, value, Calibration())
    per_v = next((term.sensitivity for term in one if term.term == "converter offset"), 0.0)
    step_v = daq.converter_step_v(column)
    if setup.link.kind == "csv":
        step_v *= setup.finer(setup.channel[column], step_v)
    size_v = SCAN_NOISE_STEPS * step_v / math.sqrt(MEAN_S * setup.link.scans_per_s)
    return Term("noise, mean of a minute", size_v, "V", "normal", per_v)


def _of_mean(u: float, unit: str) -> Term:
    return Term("noise of the mean", u, unit, "normal", 1.0)


def _aim_a(setup: Setup, pair: int) -> float:
    value = bias.aim_a(setup, pair, _pct(setup))
    if math.isnan(value):
        raise RequestError(
            "no current brings what is aimed at: check nominal_ht_V, cathode_V and primary_ohm"
        )
    return value


def _pct(setup: Setup) -> float:
    return setup.limits.aim_pct or 100.0


def _at(setup: Setup) -> str:
    return f"{_pct(setup):g} % of the rating at {setup.amp.nominal_ht_V:g} V"


def _valves(setup: Setup, channel: Channel) -> str:
    valves = setup.valves_on(channel)
    if valves == 1:
        return "one valve on the resistor"
    return f"{valves} valves share the resistor: how the current splits between them isn't measured"


def _reference(values: dict[int, float], column: int) -> float:
    ordered = sorted(values.values())
    if len(ordered) == 2:
        return next(value for other, value in values.items() if other != column)
    return (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2.0


def _expanded(table: Sequence[Term]) -> tuple[float, float]:
    normal = math.hypot(*(term.contribution for term in table if term.distribution == "normal"))
    return expanded(normal, [term.half_width for term in table if term.distribution == "rectangular"])


def _of_terms(
    name: str, quantity: str, at: str, unit: str, value: float, table: list[Term], notes: tuple[str, ...]
) -> Budget:
    """Return the budget of what is a straight line in its terms."""

    def U_of(without: str | None) -> tuple[float, float]:
        return _expanded([term for term in table if term.term != without])

    return _budget(name, quantity, at, unit, value, table, U_of, notes)


def _budget(
    name: str,
    quantity: str,
    at: str,
    unit: str,
    value: float,
    table: list[Term],
    U_of: Callable[[str | None], tuple[float, float]],
    notes: tuple[str, ...],
    *,
    straight: bool = True,
) -> Budget:
    variance = math.fsum(term.contribution**2 for term in table)
    lines = [Line(term, term.contribution**2 / variance if variance else 0.0) for term in table]
    lines.sort(key=lambda line: -line.share)
    shares: dict[str, float] = {}
    for line in lines:
        # what several pairs have alike is improved in all of them
        key = line.term.term if quantity == "dissipation" else _bare(line.term.term)
        shares[key] = shares.get(key, 0.0) + line.share
    largest = max(shares, key=shares.__getitem__) if variance else ""
    U, k = U_of(None)
    U_without = U_of(largest)[0] if largest else 0.0
    return Budget(name, quantity, at, unit, value, U, k, tuple(lines), notes, largest, U_without, straight)


def _bare(term: str) -> str:
    """Return a term's name without the channel before it."""
    return term.split(": ", 1)[-1]


def _json(budget: Budget) -> dict[str, Any]:
    scale, unit = (1000.0, "mA") if budget.unit == "A" else (1.0, budget.unit)
    return {
        "name": budget.name,
        "quantity": budget.quantity,
        "at": budget.at,
        "unit": unit,
        "value": scale * budget.value,
        "standard_uncertainty": scale * budget.u,
        "expanded_uncertainty": scale * budget.U,
        "coverage_factor": budget.k if math.isfinite(budget.k) else None,
        "by": "terms" if budget.straight else "draw",
        "terms": [
            {
                "term": line.term.term,
                "value": line.term.value,
                "unit": line.term.unit,
                "distribution": line.term.distribution,
                "sensitivity": scale * line.term.sensitivity,
                "contribution": scale * line.term.contribution,
                "share": line.share,
            }
            for line in budget.lines
        ],
        "notes": list(budget.notes),
        "says": sentence(budget),
    }
