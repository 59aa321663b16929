"""Counts to units to ticks, and how wrong each figure may be; checked against values from outside."""

from __future__ import annotations

import csv
import itertools
import math
import time
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import GTC
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import ufloat

from logger import convert
from logger.blocks import NO_READING, DaqInfo, FloatArray, ReadingBlock, ScanBlock, TickBlock
from logger.convert import (
    Calibration,
    Converter,
    Term,
    TickMaker,
    daq_from_setup,
    difference_U,
    difference_U_of,
    difference_weights,
    expanded,
    ntc_c,
    ntc_ohm,
    pt100_c,
    pt100_ohm,
    terms,
    type_k_c,
    type_k_mv,
    value_U,
)
from logger.errors import SetupError
from logger.setup import Calibrated, Setup

DATA = Path(__file__).parent / "data"


def table(name: str) -> list[dict[str, str]]:
    """Read a data file of tests/data; its first line says where the values come from."""
    lines = [line for line in (DATA / name).read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def bench(*channels: dict[str, Any], pairs: int = 1, **pair: Any) -> Setup:
    """Return a set-up of so many pairs and the channels given."""
    of_pairs = [
        {"name": f"pair{i + 1}", "measures": "pair current", "sense_ohm": 1.0, **pair} for i in range(pairs)
    ]
    return Setup.model_validate(
        {
            "schema": "soakbench.setup/1",
            "amp": {"name": "Theatre PA 240 W", "valve": "EL34", "nominal_ht_V": 455},
            "link": {"kind": "lines", "scans_per_s": 10},
            "channel": [*of_pairs, *channels],
            "plan": {"steps": [{"step": "soak", "minutes": 30}]},
        }
    )


HT = {"name": "ht", "measures": "HT", "divider_ohm": [1_000_000, 4_700]}
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


def scans(*rows: list[int]) -> ScanBlock:
    n = len(rows)
    return ScanBlock(
        np.arange(n, dtype=np.int64) * 100_000,
        np.arange(n, dtype=np.int64),
        np.array(rows, dtype=np.int32),
    )


# ---- sensors


def test_pt100_follows_the_printed_table_both_ways() -> None:
    """Outside values: IEC 60751 table, R0 = 100 ohm, 47 printed points to 0.01 ohm."""
    rows = table("iec60751_pt100.csv")
    celsius = np.array([float(row["t_degC"]) for row in rows])
    printed = np.array([float(row["R_ohm_printed"]) for row in rows])
    assert len(rows) == 47
    np.testing.assert_allclose(pt100_ohm(celsius), printed, atol=0.00501)
    # 0.005 ohm of rounding is 0.015 degC at the steep end
    np.testing.assert_allclose(pt100_c(printed), celsius, atol=0.016)
    assert pt100_ohm(np.array([25.0]))[0] == pytest.approx(109.7347, abs=5e-5)


def test_pt100_has_no_value_outside_its_range() -> None:
    assert np.isnan(pt100_c(np.array([0.0, 18.0, 391.0, 1e6, math.nan]))).all()
    np.testing.assert_allclose(
        pt100_c(pt100_ohm(np.linspace(-200, 850, 211))), np.linspace(-200, 850, 211), atol=1e-8
    )


def test_type_k_follows_its_90_both_ways() -> None:
    """Outside values: NIST ITS-90 type K reference function and printed table (Monograph 175, SRD 60)."""
    rows = table("nist_its90_type_k.csv")
    celsius = np.array([float(row["t_degC"]) for row in rows])
    emf = np.array([float(row["emf_mV"]) for row in rows])
    np.testing.assert_allclose(type_k_mv(celsius), emf, atol=6e-7)
    printed = [
        (float(r["t_degC"]), float(r["emf_mV_printed_table"])) for r in rows if r["emf_mV_printed_table"]
    ]
    assert len(printed) >= 9
    np.testing.assert_allclose(
        type_k_mv(np.array([t for t, _ in printed])), [mv for _, mv in printed], atol=0.00051
    )
    usable = celsius >= -200
    np.testing.assert_allclose(type_k_c(emf[usable]), celsius[usable], atol=1e-4)


def published_type_k() -> dict[str, list[tuple[float, float, list[float]]]]:
    """Return the published functions: forward and inverse ranges with their coefficients in order."""
    out: dict[str, list[tuple[float, float, list[float]]]] = {}
    rows = table("nist_its90_type_k_coefficients.csv")
    for key, group in itertools.groupby(rows, lambda r: (r["function"], r["range_low"], r["range_high"])):
        kind = key[0].split()[0]
        out.setdefault(kind, []).append(
            (float(key[1]), float(key[2]), [float(r["coefficient"]) for r in group])
        )
    return out


def test_type_k_is_the_published_polynomial_at_every_degree() -> None:
    """Outside values: all coefficients of NIST ITS-90 (SRD 60), evaluated apart."""
    published = published_type_k()
    (a0, a1, a2) = published["forward_a"][0][2]
    assert [len(part[2]) for part in published["forward_c"]] == [11, 10]
    for low, high, coefficients in published["forward_c"]:
        celsius = np.arange(low, high)
        emf = sum(c * celsius**k for k, c in enumerate(coefficients))
        if low == 0.0:
            emf = emf + a0 * np.exp(a1 * (celsius - a2) ** 2)
        np.testing.assert_allclose(type_k_mv(celsius), emf, rtol=0, atol=1e-10)


def test_the_published_inverse_of_type_k_errs_by_what_is_published() -> None:
    """Outside values: NIST ITS-90 inverse polynomials with their printed error bands, on our emf."""
    inverse = published_type_k()["inverse_d"]
    bands = [(-0.02, 0.04), (-0.05, 0.04), (-0.05, 0.06)]  # degC
    assert [len(part[2]) for part in inverse] == [9, 10, 7]
    every = np.arange(-200.0, 1372.5, 0.5)
    emf = type_k_mv(every)
    for (low, high, coefficients), (least, most) in zip(inverse, bands, strict=True):
        here = (emf >= low) & (emf < high)
        assert here.sum() > 300
        error = sum(c * emf[here] ** k for k, c in enumerate(coefficients)) - every[here]
        # printed to 0.01 degC
        assert error.min() >= least - 0.005
        assert error.max() <= most + 0.005
        np.testing.assert_allclose(type_k_c(emf[here]), every[here], atol=1e-4)


def test_type_k_takes_its_cold_junction_into_account() -> None:
    """Outside value: E(100)-E(25) = 3.095988 mV reads 100 degC (NIST ITS-90)."""
    converter = Converter(bench(TYPE_K), DaqInfo("b", 1, (7.8125e-6, 1e-9), (32767, 2**31 - 1)))
    counts = np.array([3.095988e-3 * 100 / 1e-9])
    assert converter.values(1, counts)[0] == pytest.approx(100.0, abs=2e-5)


def test_type_k_has_no_value_outside_its_range() -> None:
    assert np.isnan(type_k_c(np.array([-5.9, 54.9, math.nan]))).all()
    assert type_k_c(np.array([-5.8914, 54.8863])) == pytest.approx([-200.0, 1372.0], abs=0.01)


def test_ntc_follows_the_beta_model() -> None:
    """Outside values: 1/(1/298.15+log(R/R25)/beta)-273.15 with beta 3977 K, R25 10 kohm, computed apart."""
    assert ntc_c(np.array([5000.0]), 10_000, 3977)[0] == pytest.approx(41.34236, abs=5e-6)
    ohms = ntc_ohm(np.array([85.0, 0.0]), 10_000, 3977)
    assert ohms == pytest.approx([1070.309, 33900.42], rel=1e-6)


def printed_thermistor() -> list[tuple[float, float]]:
    """Return all printed rows of a 10K3 thermistor, whose law has three constants: degC and ohm."""
    rows = table("ntc_steinhart_hart_10k3.csv")
    assert len(rows) == 6
    return [(float(row["t_degC_printed"]), float(row["R_ohm_printed"])) for row in rows]


def test_the_beta_model_stays_near_a_printed_table_down_to_minus_forty() -> None:
    """Outside values: the printed resistances. One constant for three: 1 to 2 degC at freezing, 3 at -40."""
    for celsius, ohms in printed_thermistor():
        error = ntc_c(np.array([ohms]), 10_000, 3977)[0] - celsius
        assert 0.0 < error < (2.0 if celsius >= -20 else 3.0)


def test_the_beta_model_through_two_printed_points_gives_the_one_between() -> None:
    """Outside values: the same table; each row from its two neighbours, to a fifth of a degree."""
    printed = printed_thermistor()
    for (t1, r1), (t2, r2), (t3, r3) in zip(printed, printed[1:], printed[2:], strict=False):
        beta = math.log(r1 / r3) / (1 / (t1 + 273.15) - 1 / (t3 + 273.15))
        r25 = r1 / ntc_ohm(np.array([t1]), 1.0, beta)[0]
        assert ntc_c(np.array([r1, r3]), r25, beta) == pytest.approx([t1, t3], abs=1e-9)
        assert ntc_c(np.array([r2]), r25, beta)[0] == pytest.approx(t2, abs=0.2)
        assert ntc_ohm(np.array([t2]), r25, beta)[0] == pytest.approx(r2, rel=0.01)


@pytest.mark.parametrize(
    ("sensor", "low", "high"), [(NTC, -40, 150), (PT100, -199, 849), (TYPE_K, -50, 1300)]
)
def test_a_sensor_read_backwards_gives_the_counts_it_was_read_from(
    sensor: dict[str, Any], low: float, high: float
) -> None:
    converter = Converter(bench(sensor), DaqInfo("b", 1, (7.8125e-6, 1.25e-4), (32767, 2**20)))
    counts = np.unique(np.round(converter.counts(1, np.linspace(low, high, 400))))
    np.testing.assert_allclose(converter.counts(1, converter.values(1, counts)), counts, atol=1e-6)


def test_a_thermistor_that_is_open_or_shorted_has_no_temperature() -> None:
    setup = bench(NTC)
    values = Converter(setup, daq_from_setup(setup)).values(1, np.array([0.0, -5.0, 26_400.0, 30_000.0]))
    assert np.isnan(values).all()


def test_a_temperature_without_a_sensor_is_asked_for_by_name() -> None:
    setup = bench({"name": "chassis", "measures": "chassis temperature"})
    with pytest.raises(SetupError, match=r'channel "chassis"\.sensor: expected ntc'):
        Converter(setup, daq_from_setup(setup)).readings(scans([1, 1]))


# ---- counts to readings


def test_counts_become_amperes_volts_and_degrees() -> None:
    setup = bench(HT, MAINS, {"name": "spare", "measures": "voltage"}, sense_ohm=10.0)
    readings = Converter(setup, daq_from_setup(setup)).readings(scans([9769, 17_018, 18_240, 800]))
    assert readings.values[0] == pytest.approx(
        [9769 * 7.8125e-6 / 10, 17_018 * 125e-6 * 1_004_700 / 4_700, 2.0 + 100 * 18_240 * 125e-6, 0.1]
    )
    assert not readings.railed.any()


def test_a_railed_count_is_no_value_and_says_which_way() -> None:
    setup = bench(pairs=6)
    row = [32_767, 32_766, -32_767, -32_768, NO_READING, 0]
    readings = Converter(setup, daq_from_setup(setup)).readings(scans(row))
    assert readings.railed.tolist() == [[1, 0, -1, -1, 0, 0]]
    assert np.isnan(readings.values[0]).tolist() == [True, False, True, True, True, False]


def test_a_single_channel_gives_what_the_block_gives() -> None:
    setup = bench(HT, NTC, PT100, TYPE_K, pairs=2)
    converter = Converter(setup, daq_from_setup(setup))
    counts = np.random.default_rng(1).integers(1, 3000, (500, 6))
    block = converter.readings(scans(*counts.tolist()))
    for column in range(6):
        np.testing.assert_array_equal(
            block.values[:, column], converter.values(column, counts[:, column].astype(float))
        )


def test_a_calibration_is_applied_from_the_set_up_or_from_the_caller() -> None:
    found = Calibrated(date=date(2026, 1, 5), gain=1.002, offset=1e-4, u_gain=2e-4, u_offset=5e-6)
    plain = bench()
    stated = bench(calibrated=found.model_dump())
    daq = daq_from_setup(plain)
    expected = 9769 * 7.8125e-6 * 1.002 + 1e-4
    for converter in (
        Converter(stated, daq),
        Converter(plain, daq, Calibration({"pair1": found})),
    ):
        assert converter.readings(scans([9769])).values[0, 0] == pytest.approx(expected, rel=1e-12)
        assert converter.counts(0, np.array([expected]))[0] == pytest.approx(9769)
        assert converter.step(0) == pytest.approx(7.8125e-6 * 1.002)


def test_a_daq_with_another_number_of_channels_is_refused() -> None:
    with pytest.raises(SetupError, match="the 1 channels of DAQ b"):
        Converter(bench(pairs=2), DaqInfo("b", 1, (1e-6,), (32767,)))


def test_a_step_is_one_count_in_the_channels_unit() -> None:
    setup = bench(HT, NTC, {"name": "x", "measures": "temperature"}, sense_ohm=10.0)
    converter = Converter(setup, daq_from_setup(setup))
    assert converter.step(0) == pytest.approx(7.8125e-7)
    assert converter.step(1) == pytest.approx(125e-6 * 1_004_700 / 4_700)
    around_room = converter.values(2, np.arange(13_000, 13_400, dtype=float))
    assert converter.step(2) <= np.abs(np.diff(around_room)).min() * 1.001
    assert math.isnan(converter.step(3))


def test_a_log_without_a_daq_is_taken_to_come_from_a_usual_one_unless_stated() -> None:
    daq = daq_from_setup(bench(HT, {**HT, "name": "b", "full_scale_V": 2.0, "step_V": 1e-4}))
    assert daq.volts_per_count == (0.256 / 32768, 4.096 / 32768, 1e-4)
    assert daq.full_count == (32767, 32767, 20000)


# ---- ticks


def ticks_of(block: ReadingBlock, cuts: list[int]) -> TickBlock:
    maker = TickMaker()
    edges = [0, *sorted(cuts), len(block)]
    parts = [
        maker.feed(ReadingBlock(block.t_us[a:b], block.values[a:b], block.railed[a:b]))
        for a, b in itertools.pairwise(edges)
    ]
    parts.append(maker.finish())
    return TickBlock(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in TickBlock.__dataclass_fields__)
    )


@st.composite
def readings(draw: st.DrawFn) -> ReadingBlock:
    columns = draw(st.integers(1, 3))
    steps = draw(
        st.lists(st.one_of(st.integers(1, 400_000), st.integers(900_000, 7_000_000)), min_size=1, max_size=60)
    )
    n = len(steps)
    number = st.one_of(st.floats(-500, 500), st.just(math.nan))
    values = draw(st.lists(st.lists(number, min_size=columns, max_size=columns), min_size=n, max_size=n))
    railed = draw(
        st.lists(
            st.lists(st.sampled_from([0, 0, 1, -1]), min_size=columns, max_size=columns),
            min_size=n,
            max_size=n,
        )
    )
    return ReadingBlock(
        np.cumsum(steps).astype(np.int64) - steps[0],
        np.array(values, dtype=float),
        np.array(railed, dtype=np.int8),
    )


@settings(max_examples=60, deadline=None)
@given(readings(), st.data())
def test_ticks_do_not_depend_on_the_blocks(block: ReadingBlock, data: st.DataObject) -> None:
    cuts = data.draw(st.lists(st.integers(0, len(block)), max_size=8))
    whole, cut, single = ticks_of(block, []), ticks_of(block, cuts), ticks_of(block, list(range(len(block))))
    for name in TickBlock.__dataclass_fields__:
        np.testing.assert_array_equal(getattr(cut, name), getattr(whole, name))
        np.testing.assert_array_equal(getattr(single, name), getattr(whole, name))


@settings(max_examples=40, deadline=None)
@given(readings())
def test_a_tick_holds_the_readings_of_its_second_and_no_others(block: ReadingBlock) -> None:
    ticks = ticks_of(block, [])
    second = block.t_us // 1_000_000
    assert ticks.t_s.tolist() == list(range(second[0], second[-1] + 1))
    for row, t_s in enumerate(ticks.t_s):
        mine = block.values[second == t_s]
        later = block.t_us[second > t_s]
        assert ticks.closed_s[row] == (later[0] if len(later) else block.t_us[-1]) / 1e6
        assert ticks.railed[row].tolist() == (block.railed[second == t_s] != 0).sum(axis=0).tolist()
        for column in range(mine.shape[1]):
            there = mine[~np.isnan(mine[:, column]), column]
            assert ticks.n[row, column] == len(there)
            if len(there) == 0:
                assert math.isnan(ticks.mean[row, column])
                assert math.isnan(ticks.least[row, column])
                assert math.isnan(ticks.greatest[row, column])
            else:
                assert ticks.mean[row, column] == pytest.approx(there.mean(), abs=1e-9)
                assert ticks.least[row, column] == there.min()
                assert ticks.greatest[row, column] == there.max()


def block_of(t_us: Any, columns: int = 8) -> ReadingBlock:
    times = np.asarray(t_us, dtype=np.int64)
    values = np.random.default_rng(2).normal(size=(len(times), columns))
    return ReadingBlock(times, values, np.zeros(values.shape, dtype=np.int8))


def test_hours_of_silence_are_empty_seconds() -> None:
    ticks = ticks_of(block_of([0, 12 * 3600 * 1_000_000]), [])
    assert len(ticks) == 12 * 3600 + 1
    assert (ticks.n[1:-1] == 0).all()
    assert ticks.closed_s[1:-1].tolist() == [43_200.0] * (12 * 3600 - 1)


def test_nothing_in_gives_nothing_out() -> None:
    maker = TickMaker()
    assert len(maker.feed(block_of([]))) == 0
    assert len(maker.finish()) == 0
    assert maker.finish().mean.shape == (0, 8)


def test_a_soak_of_two_and_a_half_hours_becomes_ticks_in_a_third_of_a_second() -> None:
    blocks = [block_of(np.arange(i, i + 1000) * 100_000) for i in range(0, 90_000, 1000)]
    maker = TickMaker()
    started = time.process_time()
    count = sum(len(maker.feed(block)) for block in blocks) + len(maker.finish())
    assert time.process_time() - started < 0.3
    assert count == 9000


# ---- the budget


def by_name(budget: list[Term]) -> dict[str, Term]:
    return {term.term: term for term in budget}


def test_the_current_through_a_resistor_has_the_uncertainty_two_libraries_give() -> None:
    """Outside value: V = 0.4873 V (u 0.0006), R = 10 ohm ±1 %: 48.73 mA, u = 0.2876695 mA (GTC 1.5)."""
    setup = bench(sense_ohm=10.0, tempco_ppm_per_K=0.0)
    tolerance = by_name(terms(setup, daq_from_setup(setup), 0, 0.04873))["sense resistor, tolerance"]
    u = math.hypot(0.0006 / 10, tolerance.contribution)
    assert u == pytest.approx(0.2876695e-3, rel=1e-6)
    theirs = GTC.ureal(0.4873, 0.0006) / GTC.ureal(10, 0.1 / math.sqrt(3))
    assert u == pytest.approx(theirs.u, rel=1e-9)
    assert u == pytest.approx((ufloat(0.4873, 0.0006) / ufloat(10, 0.1 / math.sqrt(3))).std_dev, rel=1e-9)


def test_a_divider_has_the_uncertainty_a_library_gives() -> None:
    """Outside value: GTC 1.5, the quotient of two resistors of ±1 %, computed here."""
    setup = bench(HT)
    budget = by_name(terms(setup, daq_from_setup(setup), 1, 455.0))
    top = GTC.ureal(1_000_000, 10_000 / math.sqrt(3))
    bottom = GTC.ureal(4_700, 47 / math.sqrt(3))
    pin_v = 455.0 * 4_700 / 1_004_700
    theirs = pin_v * (top + bottom) / bottom
    own = math.hypot(
        budget["divider, upper resistor"].contribution, budget["divider, lower resistor"].contribution
    )
    assert own == pytest.approx(theirs.u, rel=1e-6)


def test_only_the_converters_gain_and_reference_are_shared_by_all_pairs() -> None:
    setup = bench(HT, pairs=2)
    daq = daq_from_setup(setup)
    assert [t.term for t in terms(setup, daq, 0, 0.076) if t.shared] == [
        "converter gain",
        "converter reference, warming",
    ]
    assert not any(t.shared for t in terms(setup, daq, 2, 455.0))


def test_the_step_is_averaged_away_only_by_noise_of_half_a_step() -> None:
    setup = bench()
    daq = daq_from_setup(setup)
    half = 7.8125e-6 / 2

    def has_step(noise: float | None) -> bool:
        return "converter step" in by_name(terms(setup, daq, 0, 0.076, scan_noise=noise))

    assert has_step(None)
    assert has_step(0.0)
    assert has_step(math.nan)
    assert has_step(half * 0.99)
    assert not has_step(half)


def test_a_calibration_takes_the_place_of_tolerances_and_the_converters_errors() -> None:
    found = Calibrated(date=date(2026, 1, 5), gain=1.002, offset=1e-4, u_gain=2e-4, u_offset=5e-6)
    setup = bench(calibrated=found.model_dump())
    budget = by_name(terms(setup, daq_from_setup(setup), 0, 0.0763))
    assert set(budget) == {
        "calibration, gain",
        "calibration, offset",
        "sense resistor, warming",
        "lead, thermal emf",
        "converter reference, warming",
        "converter step",
    }
    assert budget["calibration, gain"].contribution == pytest.approx((0.0763 - 1e-4) / 1.002 * 2e-4)
    assert budget["calibration, offset"].contribution == 5e-6


@pytest.mark.parametrize("plain", [0.0, 0.02, 0.0763, 0.2])
def test_what_a_calibration_leaves_open_is_its_whole_covariance(plain: float) -> None:
    # u^2 = u_o^2 + x^2 u_g^2 + 2 x r u_o u_g: GUM (JCGM 100:2008) 5.2.2, as in its example H.3.5
    found = Calibrated(
        date=date(2026, 1, 5),
        gain=1.002,
        offset=1e-4,
        u_gain=2e-4,
        u_offset=5e-6,
        r_gain_offset=-0.6,
        shared_gain=1e-4,
        shared_offset=1e-6,
    )
    setup = bench(calibrated=found.model_dump(exclude_none=True))
    value = found.gain * plain + found.offset
    budget = by_name(terms(setup, daq_from_setup(setup), 0, value))
    parts = [term.contribution for name, term in budget.items() if name.startswith("calibration")]
    whole = found.u_offset**2 + (plain * found.u_gain) ** 2 - 1.2 * plain * found.u_gain * found.u_offset
    assert sum(part**2 for part in parts) == pytest.approx(whole, rel=1e-9)
    assert budget["calibration, reference"].shared


def test_a_calibration_leaves_what_it_does_not_cover() -> None:
    def left(*covers: str) -> set[str]:
        found = Calibrated(date=date(2026, 1, 5), covers=list(covers))  # type: ignore[arg-type]
        setup = bench(calibrated=found.model_dump(exclude_none=True), pin=0)
        budget = by_name(terms(setup, daq_from_setup(setup), 0, 0.076))
        return {name for name in budget if not name.startswith("calibration")}

    always = left("gain", "offset", "parts")
    assert {"sense resistor, warming", "earth return", "converter step"} <= always
    assert left("gain", "offset") == always | {"sense resistor, tolerance"}
    assert left("parts") == always | {"converter gain", "converter offset"}
    assert left("offset") == always | {"converter gain", "sense resistor, tolerance"}


def test_the_references_own_error_cancels_between_pairs_that_it_calibrated() -> None:
    def U(shared: float) -> float:
        found = Calibrated(date=date(2026, 1, 5), u_gain=1e-2, shared_gain=shared)
        both = bench(pairs=2, tempco_ppm_per_K=0.0)
        daq = daq_from_setup(both)
        calibration = Calibration({"pair1": found, "pair2": found})
        return difference_U(both, daq, 0, {0: 0.076, 1: 0.076}, calibration=calibration)[0]

    assert U(0.0) == pytest.approx(1.96 * math.sqrt(2.0) * 0.076e-2, rel=0.01)
    assert U(1e-2) < 0.02 * U(0.0)


def test_no_shared_part_is_greater_than_the_whole() -> None:
    with pytest.raises(ValueError, match="shared_gain"):
        Calibrated(date=date(2026, 1, 5), u_gain=1e-4, shared_gain=2e-4)


def test_one_wire_to_a_resistor_costs_an_earth_return() -> None:
    two, one = bench(pin=[0, 1], pairs=4), bench(pin=0, pairs=4)
    daq = daq_from_setup(two)
    assert "earth return" not in by_name(terms(two, daq, 0, 0.076))
    # four pairs of 76 mA over 10 milliohms of earth: 3.04 mV over 1 ohm
    assert by_name(terms(one, daq, 0, 0.076))["earth return"].half_width == pytest.approx(0.00304)


@pytest.mark.parametrize(
    ("channel", "value", "keys"),
    [
        (NTC, 40.0, {"thermistor, R25": "r25_ohm", "thermistor, beta": "beta_K", "supply": "supply_V"}),
        (PT100, 40.0, {"pull-up resistor": "pullup_ohm", "supply": "supply_V"}),
        (TYPE_K, 90.0, {"amplifier gain": "amplifier_gain"}),
    ],
)
def test_a_sensors_part_moves_its_reading_by_what_its_term_says(
    channel: dict[str, Any], value: float, keys: dict[str, str]
) -> None:
    full = {"pullup_ohm": 10_000, "supply_V": 3.3, "r25_ohm": 10_000, **channel}
    setup = bench(full)
    daq = daq_from_setup(setup)
    counts = Converter(setup, daq).counts(1, np.array([value]))
    budget = by_name(terms(setup, daq, 1, value))
    for term, key in keys.items():
        part = float(getattr(setup.channel[1], key))
        moved = bench({**full, key: part * 1.001})
        change = Converter(moved, daq).values(1, counts)[0] - value
        assert budget[term].sensitivity * 0.1 == pytest.approx(change, rel=0.01, abs=1e-6)


def test_a_pt100_is_class_b() -> None:
    """Outside value: class B is 0.3 + 0.005 |t| degC (IEC 60751)."""
    setup = bench(PT100)
    assert by_name(terms(setup, daq_from_setup(setup), 1, -40.0))["sensor, class B"].value == pytest.approx(
        0.5
    )


def test_what_is_not_known_of_a_channel_is_said_in_its_budget() -> None:
    setup = bench(
        {"name": "chassis", "measures": "chassis temperature"},
        {"name": "ht", "measures": "HT"},
        {"name": "spare", "measures": "voltage"},
    )
    daq = daq_from_setup(setup)
    assert "sensor, not stated" in by_name(terms(setup, daq, 1, 40.0))
    assert "divider, not stated" in by_name(terms(setup, daq, 2, 455.0))
    assert not any("not stated" in t.term for t in terms(setup, daq, 3, 1.0))


# ---- expanded uncertainty


def test_a_normal_error_alone_has_the_usual_factor() -> None:
    """Outside value: the 97.5 % point of the normal distribution, 1.959964 (any table)."""
    U, k = expanded(0.3, [])
    assert (U, k) == (pytest.approx(0.3 * 1.959964, rel=1e-6), pytest.approx(1.959964, rel=1e-6))


def test_a_rectangular_error_alone_spans_95_of_its_hundredths() -> None:
    U, k = expanded(0.0, [2.0])
    assert pytest.approx(1.9, rel=1e-9) == U
    assert k == pytest.approx(0.95 * math.sqrt(3), rel=1e-9)


def test_two_equal_rectangular_errors_make_a_triangle() -> None:
    """Exact: P(|x| <= U) = 1 - (1 - U/2a)² for a triangle of half-width 2a."""
    assert expanded(0.0, [1.0, 1.0])[0] == pytest.approx(2 * (1 - math.sqrt(0.05)), rel=1e-8)


def test_two_unequal_rectangular_errors_make_a_trapezium() -> None:
    """Exact: P(|x| > U) = (a + b - U)² / 4ab on the trapezium's slopes."""
    a, b = 1.0, 0.4
    assert expanded(0.0, [a, b])[0] == pytest.approx(a + b - math.sqrt(0.05 * 4 * a * b), rel=1e-8)


@pytest.mark.parametrize(
    ("normal", "flats"),
    [
        (0.3, [1.0, 0.5, 0.2]),
        (0.05, [1.0, 0.1, 0.1]),
        (0.0, [1.0, 0.3, 0.2]),
        (0.0, [3.0, 0.01, 0.02, 0.04]),
        (2.0, [0.1]),
        (1e-4, [1.0]),
    ],
)
def test_the_interval_covers_95_of_100_draws(normal: float, flats: list[float]) -> None:
    """A million draws, as JCGM 101 asks; its stated error of the 95 % end is about 2e-3 of u."""
    draw = np.random.default_rng(20260101)
    x = normal * draw.standard_normal(1_000_000)
    for flat in flats:
        x = x + flat * draw.uniform(-1, 1, 1_000_000)
    U, k = expanded(normal, flats)
    assert np.mean(np.abs(x) <= U) == pytest.approx(0.95, abs=0.0008)
    u = math.sqrt(normal**2 + sum(flat**2 for flat in flats) / 3)
    assert k == pytest.approx(U / u)


SIZE = st.one_of(st.just(0.0), st.floats(1e-9, 5.0))


@settings(max_examples=100, deadline=None)
@given(SIZE, st.lists(SIZE, max_size=8), st.floats(1e-6, 1e6))
def test_the_factor_is_that_of_the_shape_and_not_of_the_unit(
    normal: float, flats: list[float], scale: float
) -> None:
    U, k = expanded(normal, flats)
    if U == 0:
        assert math.isnan(k)
        return
    assert 1.635 <= k <= 1.96  # least for a rectangular error with a little noise
    scaled, same = expanded(normal * scale, [flat * scale for flat in reversed(flats)])
    assert scaled == pytest.approx(U * scale, rel=1e-6)
    assert same == pytest.approx(k, rel=1e-6)
    assert 5.5 * normal + sum(flats) + 1e-12 >= U


def test_nothing_uncertain_has_no_factor_and_nonsense_is_refused() -> None:
    U, k = expanded(0.0, [0.0])
    assert U == 0.0
    assert math.isnan(k)
    assert all(math.isnan(x) for x in expanded(math.nan, [1.0]))
    for normal, flats in ((-1.0, []), (1.0, [-0.1]), (math.inf, [])):
        with pytest.raises(ValueError, match="not negative"):
            expanded(normal, flats)


# ---- values and differences


def test_the_noise_of_a_mean_adds_to_the_calibration_part() -> None:
    setup = bench()
    daq = daq_from_setup(setup)
    quiet, noisy = value_U(setup, daq, 0, 0.0762), value_U(setup, daq, 0, 0.0762, 0.001)
    assert quiet[0] == pytest.approx(0.0008, abs=0.00005)
    assert noisy[0] > 0.0019
    assert noisy[1] == pytest.approx(1.93, abs=0.03)


def test_the_shared_gain_drops_out_of_a_difference() -> None:
    setup = bench(pairs=2, tolerance_pct=0.0, tempco_ppm_per_K=0.0)
    daq = daq_from_setup(setup)
    alone = value_U(setup, daq, 0, 0.076)[0]
    same = difference_U(setup, daq, 0, {0: 0.076, 1: 0.076})[0]
    apart = difference_U(setup, daq, 0, {0: 0.076, 1: 0.056})[0]
    assert alone > 0.95 * 0.0015 * 0.076
    assert same < 0.5 * alone
    assert apart - same > 0.1 * 0.0015 * 0.020


def gum_h2() -> tuple[FloatArray, FloatArray]:
    """Return means (3,) and deviations (5, 3) of V in V, I in A and phi in rad."""
    sets = np.array(
        [
            [float(row["V_volt"]), float(row["I_milliampere"]) / 1e3, float(row["phi_radian"])]
            for row in table("gum_h2_observations.csv")
        ]
    )
    assert sets.shape == (5, 3)
    return sets.mean(axis=0), sets - sets.mean(axis=0)


def summed_u(slopes: list[float], deviations: FloatArray, *, shared: bool = True) -> float:
    """Return u of a result by the sum that a difference between two pairs goes through.

    The first quantity stands for one pair, the others for the one that is taken off. Means of n sets: each
    set is one normal error of 1/sqrt(n (n - 1)), common to all quantities, that moves each by its deviation.
    """
    n = len(deviations)
    budgets: dict[int, list[Term]] = {0: [], 1: []}
    for j, slope in enumerate(slopes):
        sign = 1.0 if j == 0 else -1.0
        for k, deviation in enumerate(deviations[:, j]):
            budgets[min(j, 1)].append(
                Term(f"set {k + 1}", (n * (n - 1)) ** -0.5, "u", "normal", sign * slope * deviation, shared)
            )
    U, k = difference_U_of(budgets, 0, {0: 1.0, 1: 0.0}, {})
    return U / k


def test_shared_terms_add_up_to_the_gums_impedance() -> None:
    """Outside values: JCGM 100:2008 (GUM), annex H.2, printed digits; GTC 1.5 on the same sets."""
    (v, i, phi), deviations = gum_h2()
    z, r, x = v / i, v / i * math.cos(phi), v / i * math.sin(phi)

    u_z = summed_u([1 / i, -v / i**2], deviations)
    u_r = summed_u([r / v, -r / i, -x], deviations)
    u_x = summed_u([x / v, -x / i, r], deviations)

    assert f"{z:.3f} {u_z:.3f}" == "254.260 0.236"
    assert f"{r:.3f} {u_r:.3f}" == "127.732 0.071"
    # printed 0.295, which the annex's second way gives (0.29549); the means give 0.29558, as GTC says below
    assert f"{x:.3f}" == "219.847"
    assert abs(u_x - 0.295) < 0.001
    of_v, of_i, of_phi = GTC.type_a.multi_estimate_real(tuple((np.array([v, i, phi]) + deviations).T))
    theirs = of_v / of_i
    assert u_z == pytest.approx(theirs.u, rel=1e-9)
    assert u_r == pytest.approx((theirs * GTC.cos(of_phi)).u, rel=1e-9)
    assert u_x == pytest.approx((theirs * GTC.sin(of_phi)).u, rel=1e-9)
    apart = summed_u([1 / i, -v / i**2], deviations, shared=False)
    assert apart == pytest.approx(0.2040764, abs=5e-8)


def test_one_pair_has_no_others() -> None:
    setup = bench()
    assert difference_weights({0: 0.076}, 0) is None
    assert all(math.isnan(x) for x in difference_U(setup, daq_from_setup(setup), 0, {0: 0.076}))


@pytest.mark.parametrize(
    ("values", "column", "weights"),
    [
        ({0: 1.0, 1: 2.0}, 0, {0: 1.0, 1: -1.0}),
        ({0: 1.0, 1: 2.0, 2: 3.0}, 2, {2: 1.0, 1: -1.0}),
        ({0: 1.0, 1: 2.0, 2: 3.0}, 1, {1: 1.0, 0: -0.5, 2: -0.5}),
        ({4: 1.0, 5: 2.0, 6: 3.0, 7: 9.0}, 7, {7: 1.0, 5: -0.5, 6: -0.5}),
        ({4: 1.0, 5: 2.0, 6: 3.0, 7: 9.0}, 5, {5: 1.0, 4: -0.5, 6: -0.5}),
    ],
)
def test_a_pair_is_compared_with_the_middle_of_the_others(
    values: dict[int, float], column: int, weights: dict[int, float]
) -> None:
    assert difference_weights(values, column) == weights


@pytest.fixture
def few_draws(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Each U from 8,000 draws, to about 0.9 %: what hundreds of them cover changes by 0.1 %."""
    monkeypatch.setattr(convert, "_DRAWS", 8_000)
    kept = (convert._unit_draws, convert._drawn_differences)
    for cached in kept:
        cached.cache_clear()
    yield
    for cached in kept:
        cached.cache_clear()


@pytest.mark.parametrize("n", [2, 3, 4, 5, 8])
@pytest.mark.parametrize("apart", [0.0, 0.001, 0.01])
def test_differences_lie_within_their_uncertainty_95_times_in_100(
    n: int, apart: float, few_draws: None
) -> None:
    """A simulation: true currents, resistor and converter errors, the median of what is read."""
    setup = bench(pairs=n)
    daq = daq_from_setup(setup)
    draw = np.random.default_rng(n)
    amps = 40
    true = 0.076 + draw.uniform(-0.0005, 0.0005, (amps, n))
    true[:, 0] += apart
    errors: FloatArray = np.zeros((amps, n))
    for term in terms(setup, daq, 0, 0.076):
        errors += term.half_width * draw.uniform(-1, 1, (amps, 1 if term.shared else n))
    read = true + errors

    def difference(rows: FloatArray) -> FloatArray:
        out: FloatArray = rows - (rows[:, ::-1] if n == 2 else np.median(rows, axis=1, keepdims=True))
        return out

    off = np.abs(difference(read) - difference(true))
    U = [[difference_U(setup, daq, j, dict(enumerate(row.tolist())))[0] for j in range(n)] for row in read]
    # pooled over the pairs of 40 amps; a single pair's case scatters by 0.03 at least
    assert np.mean(off <= np.array(U) + 1e-15) >= 0.92


KNOWN_SHORTFALL = pytest.mark.xfail(
    strict=True, reason="an outer pair 1 mA off among three close ones is held in 89 % of cases: 357 of 400"
)


@pytest.mark.parametrize(
    ("n", "apart"),
    [
        pytest.param(n, apart, marks=[KNOWN_SHORTFALL] if (n, apart) == (3, 0.001) else [])
        for apart in (0.0, 0.001, 0.003)
        for n in (2, 3, 4, 5, 8)
    ],
)
def test_one_pairs_difference_lies_within_its_uncertainty_93_times_in_100(
    n: int, apart: float, few_draws: None
) -> None:
    """One pair of one amp, its true current kept: where pooling over pairs can hide a shortfall."""
    setup = bench(pairs=n)
    daq = daq_from_setup(setup)
    draw = np.random.default_rng(n)
    true = np.full(n, 0.076)
    true[1:] += draw.uniform(-0.0005, 0.0005, n - 1)
    true[0] += apart
    draws = 400
    errors: FloatArray = np.zeros((draws, n))
    for term in terms(setup, daq, 0, 0.076):
        errors += term.half_width * draw.uniform(-1, 1, (draws, 1 if term.shared else n))
    read = true + errors
    reference = (lambda row: row[..., 1]) if n == 2 else (lambda row: np.median(row, axis=-1))
    off = (read[:, 0] - reference(read)) - (true[0] - reference(true))
    inside = 0
    for row, error in zip(read, off, strict=True):
        U, _ = difference_U(setup, daq, 0, dict(enumerate(row.tolist())))
        inside += abs(error) <= U + 1e-15
    assert inside / draws >= 0.93  # 400 draws of 0.95 scatter by 0.011


def test_a_pair_plainly_in_the_middle_of_three_is_the_median_itself() -> None:
    setup = bench(pairs=3)
    daq = daq_from_setup(setup)
    values = {0: 0.060, 1: 0.076, 2: 0.090}
    assert difference_U(setup, daq, 1, values)[0] == pytest.approx(0.0, abs=1e-15)
    outer = difference_U(setup, daq, 2, values)[0]
    # the straight line less the middle pair: the same as for two pairs alone
    assert outer == pytest.approx(difference_U(setup, daq, 2, {1: 0.076, 2: 0.090})[0], rel=0.01)
