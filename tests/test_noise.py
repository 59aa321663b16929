"""How unsteady a pair is over a given time, against published figures."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.watch.noise import LAGS, flicker_level, hadamard_variance, levels, levels_beside


def the_published_thousand() -> np.ndarray:
    """The 1000-point set of NIST SP 1065 (Riley 2008), section 12.4."""
    n = [1234567890]
    for _ in range(999):
        n.append(16807 * n[-1] % 2147483647)
    assert n[1:4] == [395529916, 1209410747, 633705974]
    return np.array(n) / 2147483647


@pytest.mark.parametrize(("lag", "deviation"), [(1, 2.943883e-01), (10, 9.581083e-02), (100, 3.237638e-02)])
def test_the_hadamard_deviation_is_the_published_one(lag: int, deviation: float) -> None:
    # NIST SP 1065, Table 31 (page 108), overlapping Hadamard deviation
    variance = hadamard_variance(the_published_thousand()[:, None], lag)

    assert variance[0] ** 0.5 == pytest.approx(deviation, rel=2e-6)


@given(st.floats(-1e-3, 1e-3), st.floats(-10, 10), st.sampled_from(LAGS[:5]))
def test_a_steady_drift_and_a_level_leave_it_alone(slope: float, level: float, lag: int) -> None:
    y = np.random.default_rng(3).normal(0.0, 1e-3, (90, 2))
    moved = y + level + slope * np.arange(90.0)[:, None]

    assert hadamard_variance(moved, lag) == pytest.approx(hadamard_variance(y, lag), rel=1e-6)


def test_it_grows_with_the_lag_as_the_noise_has_colour() -> None:
    # white noise falls as 1 / lag, a random walk rises with it, 1/f noise stays: SP 1065, section 3
    rng = np.random.default_rng(4)
    white = rng.normal(0.0, 1.0, (4000, 8))
    walk = np.cumsum(white, axis=0)

    assert (hadamard_variance(white, 8) / hadamard_variance(white, 1)).mean() == pytest.approx(1 / 8, rel=0.1)
    assert (hadamard_variance(walk, 32) / hadamard_variance(walk, 8)).mean() == pytest.approx(4.0, rel=0.2)
    assert flicker_level(32) == pytest.approx(flicker_level(4), rel=0.15)


def test_too_short_a_record_says_what_is_usual_and_more_for_longer_lags() -> None:
    held = levels(np.zeros((2, 3)), 1.0)

    assert (held[1] == 1.0).all()
    assert all((held[2 * lag] > held[lag]).all() for lag in LAGS[:-1])
    assert np.isnan(hadamard_variance(np.zeros((2, 3)), 1)).all()


def test_what_begins_to_move_with_a_window_is_not_taken_for_noise() -> None:
    y = np.random.default_rng(5).normal(0.0, 1e-3, (90, 2))
    moved = y + 0.1 * np.maximum(np.arange(90.0) - 70.0, 0.0)[:, None]

    usual = np.full(2, 1e-6)

    still, moving = levels_beside(y, usual, [20]), levels_beside(moved, usual, [20])
    whole = levels(moved, 1e-6)

    for lag in LAGS[:5]:
        assert moving[lag] == pytest.approx(still[lag], rel=1e-6)
    assert (whole[8] > 20.0 * still[8]).all()


def test_a_hole_leaves_out_what_it_touches_and_no_more() -> None:
    def level(y: np.ndarray) -> float:
        return float(levels_beside(y, np.array([1e-6]), [8])[1][0, 0])

    y = np.random.default_rng(6).normal(0.0, 1e-3, (120, 1))
    y[60:] += 1.0
    assert level(y) > 1e-3  # the jump

    y[59:61] = np.nan  # no second difference of three has both sides

    assert level(y) == pytest.approx(0.5 * (level(y[:59]) + level(y[61:])), rel=0.1)
