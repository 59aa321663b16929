"""The budget against two libraries and a Monte Carlo that know nothing of our sensitivities; what it says."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import GTC
import numpy as np
import pytest
from scipy.stats import binom
from uncertainties import ufloat, umath

import soakbench
from benchmarks.uncertainty_coverage import scores
from logger import budget, check, convert
from logger.bias import Circuit
from logger.budget import Budget, budgets
from logger.convert import daq_from_setup, type_k_mv
from logger.errors import RequestError
from logger.setup import Setup

PAIR = {"measures": "pair current", "sense_ohm": 1.0, "pin": [0, 1], "tolerance_pct": 1.0}
HT = {"name": "ht", "measures": "HT", "divider_ohm": [1_000_000, 4_700], "tolerance_pct": 1.0}
MAINS = {"name": "mains", "measures": "mains", "value_per_V": 100.0, "value_at_0V": 2.0}
NTC = {"name": "chassis", "measures": "chassis temperature", "sensor": "ntc", "beta_K": 3977}
PT100 = {
    "name": "room",
    "measures": "ambient temperature",
    "sensor": "pt100",
    "pullup_ohm": 1000,
    "supply_V": 3.0,
}
TYPE_K = {"name": "iron", "measures": "transformer temperature", "sensor": "type K", "amplifier_gain": 100}

PAIR_STEP_V, OTHER_STEP_V = 0.256 / 32768, 4.096 / 32768


def bench(*others: dict[str, Any], pairs: int = 4, amp: dict[str, Any] | None = None, **pair: Any) -> Setup:
    return Setup.model_validate(
        {
            "schema": "soakbench.setup/1",
            "amp": {"name": "Theatre PA 240 W", "valve": "EL34", "nominal_ht_V": 455, **(amp or {})},
            "link": {"kind": "lines", "scans_per_s": 10},
            "channel": [*({"name": f"pair{j + 1}", **PAIR, **pair} for j in range(pairs)), *others],
            "plan": {"steps": [{"step": "soak", "minutes": 30}]},
        }
    )


def of(setup: Setup, name: str, quantity: str) -> Budget:
    (one,) = [b for b in budgets(setup, daq_from_setup(setup), name) if b.quantity == quantity]
    return one


# ---- the measurement equations once more, for whatever kind of number

Draw = Callable[[float, str], Any]
"""Gives an error about 0 of a half-width (rectangular) or standard uncertainty (normal)."""


class Kind:
    """A kind of number with the functions that the equations need."""

    def __init__(self, error: Draw, log: Callable[[Any], Any], sqrt: Callable[[Any], Any]) -> None:
        self.error, self.log, self.sqrt = error, log, sqrt


def gtc() -> Kind:
    return Kind(
        lambda size, shape: GTC.ureal(0, size / (math.sqrt(3) if shape == "flat" else 1)), GTC.log, GTC.sqrt
    )


def uncertainties() -> Kind:
    return Kind(
        lambda size, shape: ufloat(0, size / (math.sqrt(3) if shape == "flat" else 1)), umath.log, umath.sqrt
    )


def monte_carlo(draws: int = 1_000_000) -> Kind:
    rng = np.random.default_rng(1995)
    return Kind(
        lambda size, shape: (
            rng.uniform(-size, size, draws) if shape == "flat" else size * rng.standard_normal(draws)
        ),
        np.log,
        np.sqrt,
    )


def standard(x: Any) -> float:
    if isinstance(x, np.ndarray):
        return float(x.std())
    return float(x.std_dev if hasattr(x, "std_dev") else x.u)


class Board:
    """One converter: gain and reference are the same for all that it measures."""

    def __init__(self, kind: Kind, step_v: float) -> None:
        self.kind, self.step_v = kind, step_v
        self.gain = kind.error(0.0015, "flat")
        self.reference = kind.error(40e-6, "flat")

    def volts(self, true_v: float) -> Any:
        error, step_v = self.kind.error, self.step_v
        noise = error(step_v / math.sqrt(600), "normal")
        return (
            true_v * (1 + self.gain) * (1 + 15 * self.reference)
            + error(4 * step_v, "flat")
            + error(step_v / 2, "flat")
            + noise
        )


def pair_current(
    kind: Kind, board: Board, amps: float, *, ohm: float, pct: float, series: float, earth_of: int = 0
) -> Any:
    resistor = ohm * (1 + kind.error(pct / 100, "flat"))
    warm_k = 30 + amps**2 * ohm * 100
    resistor = resistor * (1 + kind.error(100e-6, "flat") * warm_k)
    volts = board.volts(amps * ohm) + kind.error(10e-6, "flat")
    if series:
        volts = volts * (1 + kind.error(series, "flat") / 500e3) + kind.error(20e-9, "flat") * series
    if earth_of:
        volts = volts - earth_of * amps * kind.error(0.01, "flat")
    return volts / resistor


def ht_volts(kind: Kind, board: Board, ht_v: float) -> Any:
    def ohms(nominal: float) -> Any:
        return nominal * (1 + kind.error(0.01, "flat")) * (1 + 30 * kind.error(100e-6, "flat"))

    top, bottom = ohms(1e6), ohms(4700.0)
    return board.volts(ht_v * 4700 / 1_004_700) * (top + bottom) / bottom


def mains_volts(kind: Kind, board: Board, mains_v: float) -> Any:
    return board.volts((mains_v - 2.0) / 100.0) * 100.0 * (1 + kind.error(0.01, "flat")) + 2.0


def ntc_celsius(kind: Kind, board: Board, celsius: float) -> Any:
    r25 = 10_000 * (1 + kind.error(0.01, "flat"))
    beta = 3977 * (1 + kind.error(0.01, "flat"))
    pullup = 10_000 * (1 + kind.error(0.01, "flat"))
    supply = 3.3 * (1 + kind.error(0.01, "flat"))
    ohms = 10_000 * math.exp(3977 * (1 / (celsius + 273.15) - 1 / 298.15))
    volts = board.volts(3.3 * ohms / (ohms + 10_000))
    return 1 / (1 / 298.15 + kind.log(pullup * volts / (supply - volts) / r25) / beta) - 273.15


def pt100_celsius(kind: Kind, board: Board, celsius: float) -> Any:
    a, b = 3.9083e-3, -5.775e-7
    pullup = 1000 * (1 + kind.error(0.01, "flat"))
    supply = 3.0 * (1 + kind.error(0.01, "flat"))
    ohms = 100 * (1 + a * celsius + b * celsius**2)
    volts = board.volts(3.0 * ohms / (ohms + 1000))
    ratio = pullup * volts / (supply - volts) / 100
    found = (-a + kind.sqrt(a * a - 4 * b * (1 - ratio))) / (2 * b)
    return found + kind.error(0.3 + 0.005 * celsius, "flat")


def type_k_celsius(kind: Kind, board: Board, celsius: float) -> Any:
    """A tangent at the reference function of NIST ITS-90, by a difference of its own."""

    def emf(c: float) -> float:
        return float(type_k_mv(np.array([c]))[0])

    def per_k(c: float) -> float:
        near, far = emf(c + 0.2) - emf(c - 0.2), emf(c + 0.4) - emf(c - 0.4)
        return (8 * near - far) / 2.4

    gain = 100 * (1 + kind.error(0.01, "flat"))
    volts = board.volts((emf(celsius) - emf(25.0)) / 1000 * 100)
    cold = emf(25.0) + per_k(25.0) * kind.error(2.0, "flat")
    found = celsius + (1000 * volts / gain + cold - emf(celsius)) / per_k(celsius)
    return found + kind.error(max(2.5, 0.0075 * celsius), "flat")


def anode_pct(current: Any, ht: Any, share: Any, circuit: Circuit) -> Any:
    watts = (ht - circuit.cathode_v - circuit.ohm * current) * current * (1 - share) / circuit.valves
    return watts / 25 * 100


LIBRARIES = pytest.mark.parametrize("kind", [gtc, uncertainties])
PARTS = pytest.mark.parametrize(
    ("ohm", "pct", "series", "pin"),
    [
        (1.0, 0.1, 0.0, [0, 1]),
        (1.0, 1.0, 470.0, [0, 1]),
        (1.0, 5.0, 0.0, [0, 1]),
        (10.0, 1.0, 1000.0, 0),
    ],
)


def current_of(kind: Kind, setup: Setup, value: float) -> Any:
    pair = setup.pairs[0]
    return pair_current(
        kind,
        Board(kind, PAIR_STEP_V if pair.full_scale_V is None else pair.full_scale_V / 32768),
        value,
        ohm=pair.sense_ohm or 0.0,
        pct=pair.tolerance_pct or 0.0,
        series=pair.series_ohm,
        earth_of=len(setup.pairs) if pair.pin is not None and len(pair.pin) == 1 else 0,
    )


@LIBRARIES
@PARTS
def test_a_currents_uncertainty_is_that_of_two_libraries(
    kind: Callable[[], Kind], ohm: float, pct: float, series: float, pin: Any
) -> None:
    """Outside values: GTC 1.5 and uncertainties 3.2 on the measurement equation, their own derivatives."""
    setup = bench(
        sense_ohm=ohm,
        tolerance_pct=pct,
        series_ohm=series,
        pin=pin,
        full_scale_V=0.256 if ohm == 1 else 2.048,
    )
    one = of(setup, "pair1", "current")
    theirs = current_of(kind(), setup, one.value)
    assert one.u == pytest.approx(standard(theirs), rel=1e-9)


@LIBRARIES
@pytest.mark.parametrize(
    ("channel", "equation"),
    [
        (HT, ht_volts),
        (MAINS, mains_volts),
        (NTC, ntc_celsius),
        (PT100, pt100_celsius),
        (TYPE_K, type_k_celsius),
    ],
)
def test_every_other_channels_uncertainty_is_too(
    kind: Callable[[], Kind], channel: dict[str, Any], equation: Callable[[Kind, Board, float], Any]
) -> None:
    """Outside values: as above; the curves of IEC 60751, the beta model, NIST ITS-90 as published."""
    setup = bench(channel)
    one = of(setup, channel["name"], channel["measures"])
    numbers = kind()
    theirs = equation(numbers, Board(numbers, OTHER_STEP_V), one.value)
    assert one.u == pytest.approx(standard(theirs), rel=1e-9)


@LIBRARIES
def test_dissipations_uncertainty_is_too(kind: Callable[[], Kind]) -> None:
    setup = bench(HT, amp={"cathode_V": 12.0, "primary_ohm": 40})
    one = of(setup, "pair1", "dissipation")
    numbers = kind()
    low, high = setup.screen_fraction
    assert high > low
    current_a = of(setup, "pair1", "current").value
    theirs = anode_pct(
        current_of(numbers, setup, current_a),
        ht_volts(numbers, Board(numbers, OTHER_STEP_V), 455.0),
        (low + high) / 2 + numbers.error((high - low) / 2, "flat"),
        Circuit.of(setup, 0),
    )
    assert one.value == pytest.approx(65.0)
    assert one.u == pytest.approx(standard(theirs), rel=1e-9)


@LIBRARIES
def test_one_converters_gain_is_one_error_in_a_difference(kind: Callable[[], Kind]) -> None:
    """Two pairs with other aims: the gain that both share is left over only for what they differ by."""
    alone = {"name": "pair2", **PAIR, "valves": 1}
    unequal = bench(alone, pairs=1)
    one = of(unequal, "pair1", "from the others")
    numbers = kind()
    board = Board(numbers, PAIR_STEP_V)
    aims = [of(unequal, name, "current").value for name in ("pair1", "pair2")]
    first, second = (pair_current(numbers, board, aim, ohm=1.0, pct=1.0, series=0.0) for aim in aims)
    assert one.value == pytest.approx(aims[0] - aims[1])
    assert one.u == pytest.approx(standard(first - second), rel=1e-9)
    gain = next(line.term for line in one.lines if line.term.term == "converter gain")
    assert gain.contribution == pytest.approx((aims[0] - aims[1]) * 0.0015 / math.sqrt(3))


@LIBRARIES
def test_the_line_through_a_median_is_that_of_the_libraries(kind: Callable[[], Kind]) -> None:
    one = of(bench(), "pair1", "from the others")
    numbers = kind()
    board = Board(numbers, PAIR_STEP_V)
    aim = of(bench(), "pair1", "current").value
    own, low, high = (pair_current(numbers, board, aim, ohm=1.0, pct=1.0, series=0.0) for _ in range(3))
    line_u = math.sqrt(math.fsum(line.term.contribution**2 for line in one.lines))
    assert line_u == pytest.approx(standard(own - (low + high) / 2), rel=1e-9)


# ---- a million draws


def half_width(draws: Any, value: float) -> float:
    return float(np.quantile(np.abs(draws - value), 0.95))


@PARTS
def test_a_million_draws_give_a_current_the_same_uncertainty(
    ohm: float, pct: float, series: float, pin: Any
) -> None:
    """JCGM 101:2008, 1e6 draws through the measurement equation itself, curved as it is."""
    setup = bench(
        sense_ohm=ohm,
        tolerance_pct=pct,
        series_ohm=series,
        pin=pin,
        full_scale_V=0.256 if ohm == 1 else 2.048,
    )
    one = of(setup, "pair1", "current")
    draws = current_of(monte_carlo(), setup, one.value)
    assert one.u == pytest.approx(standard(draws), rel=0.01)
    assert pytest.approx(half_width(draws, one.value), rel=0.01) == one.U


def test_a_million_draws_give_dissipation_and_ht_the_same_uncertainty() -> None:
    setup = bench(HT)
    kind = monte_carlo()
    ht = ht_volts(kind, Board(kind, OTHER_STEP_V), 455.0)
    one = of(setup, "ht", "HT")
    assert one.u == pytest.approx(standard(ht), rel=0.01)
    assert pytest.approx(half_width(ht, 455.0), rel=0.01) == one.U
    power = of(setup, "pair1", "dissipation")
    low, high = setup.screen_fraction
    share = (low + high) / 2 + kind.error((high - low) / 2, "flat")
    current = current_of(kind, setup, of(setup, "pair1", "current").value)
    draws = anode_pct(current, ht, share, Circuit.of(setup, 0))
    assert power.u == pytest.approx(standard(draws), rel=0.01)
    assert pytest.approx(half_width(draws, power.value), rel=0.01) == power.U


def test_a_million_draws_give_a_temperature_the_same_uncertainty() -> None:
    kind = monte_carlo()
    one = of(bench(NTC), "chassis", "chassis temperature")
    assert one.u == pytest.approx(standard(ntc_celsius(kind, Board(kind, OTHER_STEP_V), one.value)), rel=0.01)


@pytest.mark.parametrize("pairs", [3, 4])
@pytest.mark.parametrize("pct", [0.1, 5.0])
def test_a_million_draws_give_a_difference_from_the_median_the_same_uncertainty(
    pairs: int, pct: float
) -> None:
    """JCGM 101:2008: pairs, all at the aim, read on one board, each less the median of what is read."""
    one = of(bench(pairs=pairs, tolerance_pct=pct), "pair1", "from the others")
    aim = of(bench(pairs=pairs), "pair1", "current").value
    kind = monte_carlo()
    board = Board(kind, PAIR_STEP_V)
    own = np.stack([pair_current(kind, board, aim, ohm=1.0, pct=pct, series=0.0) for _ in range(pairs)])
    read = np.sort(own, axis=0)
    draws = own[0] - (read[(pairs - 1) // 2] + read[pairs // 2]) / 2
    assert not one.straight
    assert one.u == pytest.approx(math.sqrt(np.mean(draws**2)), rel=0.01)
    assert pytest.approx(half_width(draws, 0.0), rel=0.01) == one.U


# ---- does it hold


@pytest.mark.parametrize("tolerance_pct", [1.0, 5.0])
def test_stated_uncertainties_hold_on_200_amps(tolerance_pct: float) -> None:
    """The benchmark counts 1,000 amps a tolerance; this one has the binomial scatter of 200 amps' pairs."""
    amps = 200
    for name, (held, square) in scores(tolerance_pct, amps).items():
        n = 2 * amps  # pairs of one amp share a board and a median: taken as two independent ones
        low, high = binom.ppf([0.0005, 0.9995], n, 0.95) / n
        assert low <= held.mean() <= high, name
        assert 0.8 <= square.mean() <= 1.2, name


# ---- what it says


def test_shares_are_parts_of_one_variance_and_stand_in_order() -> None:
    setup = bench(HT, MAINS, NTC)
    found = budgets(setup, daq_from_setup(setup))
    assert len(found) == 4 * 3 + 3
    for one in found:
        shares = [line.share for line in one.lines]
        assert sum(shares) == pytest.approx(1.0)
        assert shares == sorted(shares, reverse=True)


def test_it_says_what_would_help_most_and_by_how_much() -> None:
    usual, perfect = bench(), bench(tolerance_pct=0.0)
    for quantity in ("current", "from the others"):
        one = of(usual, "pair1", quantity)
        assert one.largest == "sense resistor, tolerance"
        assert pytest.approx(of(perfect, "pair1", quantity).U, rel=0.02) == one.U_without
        assert "a closer sense resistor" in budget.sentence(one)


def test_one_wire_is_told_to_become_two() -> None:
    one = of(bench(pin=0), "pair1", "current")
    assert one.largest == "earth return"
    assert "a second wire" in budget.sentence(one)


def test_a_lone_pair_has_no_others_and_an_amp_without_ht_no_dissipation() -> None:
    setup = bench(pairs=1)
    assert [one.quantity for one in budgets(setup, daq_from_setup(setup))] == ["current"]


def test_it_says_that_valves_on_one_resistor_are_not_told_apart() -> None:
    assert "2 valves share the resistor" in of(bench(), "pair1", "current").notes[0]
    assert "one valve" in of(bench(valves=1), "pair1", "current").notes[0]


def test_a_stated_screen_fraction_leaves_nothing_to_its_range() -> None:
    ranged, stated = bench(HT), bench(HT, amp={"screen_fraction": 0.12})
    assert of(stated, "pair1", "dissipation").U < of(ranged, "pair1", "dissipation").U
    assert not any("range" in note for note in of(stated, "pair1", "dissipation").notes)


def test_its_own_watts_warm_a_resistor() -> None:
    def warming_k(ohm: float) -> float:
        setup = bench(sense_ohm=ohm, full_scale_V=4.096)
        found = convert.terms(setup, daq_from_setup(setup), 0, 0.1)
        (term,) = [t for t in found if t.term == "sense resistor, warming"]
        return term.sensitivity / 0.1 / 1e-6

    # 0.1 A in 10 ohm is 0.1 W: 10 K at 100 K/W, above the 30 K of the surroundings
    assert warming_k(10.0) == pytest.approx(40.0)
    assert warming_k(1.0) == pytest.approx(31.0)


def test_check_decides_by_the_same_figures() -> None:
    setup = bench(HT)
    daq = daq_from_setup(setup)
    match, power = check.advise(setup).decidable
    others, watts = budget.from_others(setup, daq, 0), budget.dissipation(setup, daq, 0)
    assert others is not None
    assert watts is not None
    assert match.expanded_uncertainty == 1000 * others.U
    assert power.expanded_uncertainty == watts.U


def test_an_unknown_channel_is_refused_with_those_there_are() -> None:
    setup = bench()
    with pytest.raises(RequestError, match=r"no channel 'pair9'.*pair1, pair2"):
        budgets(setup, daq_from_setup(setup), "pair9")


# ---- the command


def test_the_command_prints_one_document(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sample = Path(__file__).parent.parent / "sample_logs" / "healthy.toml"
    assert soakbench.main(["budget", str(sample), "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "soakbench.budget/1"
    by_figure = {(one["name"], one["quantity"]): one for one in document["channels"]}
    pair = by_figure["pair1", "current"]
    assert pair["unit"] == "mA"
    assert pair["expanded_uncertainty"] == pytest.approx(
        pair["coverage_factor"] * pair["standard_uncertainty"]
    )
    summed = math.sqrt(sum(term["contribution"] ** 2 for term in pair["terms"]))
    assert pair["standard_uncertainty"] == pytest.approx(summed, rel=1e-9)
    for term in pair["terms"]:
        size = abs(term["sensitivity"]) * term["value"]
        assert term["contribution"] == pytest.approx(
            size / math.sqrt(3) if term["distribution"] == "rectangular" else size
        )
    assert by_figure["pair1", "from the others"]["by"] == "draw"
    assert by_figure["ht", "HT"]["unit"] == "V"


def test_the_command_prints_a_table_and_a_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    sample = Path(__file__).parent.parent / "sample_logs" / "healthy.toml"
    assert soakbench.main(["budget", str(sample), "--channel", "pair2"]) == 0
    printed = capsys.readouterr().out
    assert "sense resistor, tolerance" in printed
    assert "would help most" in printed
    assert "pair1, current" not in printed
    assert soakbench.main(["budget", str(sample), "--channel", "pair9"]) == 2
    assert "there is no channel 'pair9'" in capsys.readouterr().err
