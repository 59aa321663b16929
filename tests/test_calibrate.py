"""Calibration: the straight line against published fits, the whole way against boards with hidden errors."""

from __future__ import annotations

import csv
import math
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.calibrate import straight_line

DATA = Path(__file__).parent / "data"
ON = date(2026, 3, 1)


def columns(name: str) -> dict[str, np.ndarray]:
    lines = [line for line in (DATA / name).read_text().splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


# ---- the line


def test_the_line_is_that_of_nist_strd_norris() -> None:
    # NIST/ITL StRD Norris.dat, certified values; the covariance from GSL's linear-fit test (Octave)
    data = columns("nist_strd_norris.csv")
    line = straight_line(data["x"], data["y"])
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.u_slope == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert line.covariance == pytest.approx(-7.74327536339570e-05, rel=1e-9)
    assert line.dof == 34


def test_stated_uncertainties_give_norris_too() -> None:
    data = columns("nist_strd_norris.csv")
    line = straight_line(data["x"], data["y"], np.full(36, 0.884796396144373))
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.chi2 == pytest.approx(34.0, rel=1e-9)


def test_the_line_is_that_of_the_gums_thermometer() -> None:
    # JCGM 100:2008 (GUM), annex H.3, printed digits; t0 = 20 degC
    data = columns("gum_h3_thermometer.csv")
    line = straight_line(data["t_k_degC"] - 20.0, data["b_k_degC"])
    assert f"{line.intercept:.4f} {line.u_intercept:.4f}" == "-0.1712 0.0029"
    assert f"{line.slope:.5f} {line.u_slope:.5f}" == "0.00218 0.00067"
    assert f"{line.covariance / line.u_intercept / line.u_slope:.3f}" == "-0.930"
    assert f"{line.residual_sd:.4f}" == "0.0035"
    assert f"{line.intercept + 10.0 * line.slope:.4f} {line.u_at(10.0):.4f}" == "-0.1494 0.0041"


@given(
    st.floats(-5.0, 5.0),
    st.floats(0.5, 2.0),
    st.lists(st.floats(0.01, 1.0), min_size=3, max_size=8),
    st.floats(1e-4, 1e-2),
)
def test_a_shared_error_is_propagated_as_one(a: float, b: float, sizes: list[float], part: float) -> None:
    """A reference wrong by a part moves the slope by that part, however many points it gave."""
    x = np.concatenate([[0.0], np.cumsum(sizes)])
    y = a + b * x
    shared = part * (y - a)
    line = straight_line(x, y, np.full(len(x), 1e-4), shared)
    assert (line.intercept, line.slope) == (pytest.approx(a, abs=1e-8), pytest.approx(b, abs=1e-8))
    assert abs(line.shared_slope) == pytest.approx(part * b, rel=1e-6)
    assert line.shared_intercept == pytest.approx(0.0, abs=1e-9)
    alone = straight_line(x, y, np.full(len(x), 1e-4))
    assert line.u_slope == pytest.approx(math.hypot(alone.u_slope, part * b), rel=1e-6)


def test_two_points_at_one_place_are_no_line() -> None:
    with pytest.raises(ValueError, match="two points"):
        straight_line(np.ones(3), np.arange(3.0))
