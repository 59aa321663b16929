"""Figures as a person reads them."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from logger.units import duration, number, quantity, shown, to_mA, to_mV


@pytest.mark.parametrize(
    ("value", "U", "unit", "text"),
    [
        (0.0762, 0.0008, "A", "76.2 ± 0.8 mA"),
        (0.07624, 0.00023, "A", "76.24 ± 0.23 mA"),
        (452.04, 7.4, "V", "452 ± 7 V"),
        (452.04, 12.3, "V", "452 ± 12 V"),
        (23.42, 0.97, "degC", "23.4 ± 1.0 °C"),
        (1234.0, 96.6, "V", "1230 ± 100 V"),
        (-0.00001, 0.0003, "A", "-0.01 ± 0.30 mA"),
        (-0.0000001, 0.0004, "A", "0.0 ± 0.4 mA"),
    ],
)
def test_a_value_is_rounded_to_the_place_of_its_uncertainty(
    value: float, U: float, unit: str, text: str
) -> None:
    assert quantity(value, U, unit) == text


@pytest.mark.parametrize("missing", [math.nan, math.inf])
def test_what_does_not_exist_prints_as_a_dash_and_not_as_a_number(missing: float) -> None:
    assert quantity(missing, 1.0, "V") == "–"
    assert number(missing) == "–"
    assert duration(missing) == "–"


def test_a_value_without_an_uncertainty_claims_none() -> None:
    assert quantity(0.0762, math.nan, "A") == "76.20 mA"
    assert quantity(0.0762, 0.0, "A") == "76.20 mA"


@given(st.floats(-2e3, 2e3), st.floats(1e-4, 9.4))
def test_rounding_agrees_with_a_reference_library(value: float, U: float) -> None:
    """Outside value: the `uncertainties` package prints by the same rule."""
    own = [float(part) for part in quantity(value, U, "V").removesuffix(" V").split(" ± ")]
    theirs = f"{ufloat(value, U):f}".split("+/-")
    # the place of the value may differ by one where a tie rounds another way
    assert own[1] == pytest.approx(float(theirs[1]), rel=1e-9)
    assert own[0] == pytest.approx(float(theirs[0]), abs=0.11 * own[1])


@given(st.floats(-1e4, 1e4), st.floats(1e-6, 1e4))
def test_an_uncertainty_has_at_most_two_significant_digits(value: float, U: float) -> None:
    text = quantity(value, U, "V").removesuffix(" V").split(" ± ")
    assert len(re.sub(r"^0+|\.", "", text[1]).strip("0") or "0") <= 2
    assert text[0] != "-0"
    places = [len(part.partition(".")[2]) for part in text]
    assert places[0] == places[1]


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (45.2, "45 s"),
        (59.6, "1 min"),
        (200, "3 min 20 s"),
        (599.7, "10 min"),
        (3599, "1 h"),
        (4320, "1 h 12 min"),
        (7200, "2 h"),
        (-90, "-1 min 30 s"),
    ],
)
def test_a_time_reads_as_a_person_says_it(seconds: float, text: str) -> None:
    assert duration(seconds) == text


def test_milliamps_and_millivolts_appear_at_the_edges_only() -> None:
    assert to_mA(0.0762) == pytest.approx(76.2)
    assert to_mV(0.0762) == pytest.approx(76.2)
    assert shown(0.0762, "A") == (pytest.approx(76.2), "mA")
    assert shown(23.0, "degC") == (23.0, "°C")


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (76.2, "76.20"), (999.96, "1000"), (123456.0, "123500"), (0.00001234, "0.00001234")],
)
def test_a_plain_number_keeps_four_digits_and_no_exponent(value: float, text: str) -> None:
    assert number(value) == text
