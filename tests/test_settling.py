"""The settling forecast and the drift rate, on made-up pairs with known truth and on published trends.

The least squares under both of them are driven through certified fits.
"""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from logger.settling import (
    LeastSquares,
    _warm_up_models,
    drift_rate,
    flicker_covariance,
    forecast,
    least_squares,
)

DATA = Path(__file__).parent / "data"


def columns(name: str) -> np.ndarray:
    """Read a file of tests/data, one row a column; its first line says where the values come from."""
    return np.loadtxt(DATA / name, delimiter=",", comments="#", skiprows=2).T


def flicker(rng: np.random.Generator, n: int) -> np.ndarray:
    """1/f noise of unit rms over 4.5 h of minutes, cut to n: by shaping a spectrum, nothing of the model."""
    f = np.fft.rfftfreq(540, 1.0)
    amplitude = np.zeros(len(f))
    amplitude[1:] = 1 / np.sqrt(f[1:])
    x = np.fft.irfft(amplitude * np.exp(2j * np.pi * rng.random(len(f))), 540)[:270]
    return (x / x.std())[:n]


@pytest.mark.parametrize(
    ("example", "slope", "low", "high"),
    [
        # Theil-Sen slopes, ppm a year, with their 95 % intervals
        ("epa2009_ex17_6_sulfate.csv", 26.6666667, 20.0, 35.71182),
        ("epa2009_ex17_7_sodium.csv", 1.3333333, 0.3992083, 2.3333333),
    ],
)
def test_the_rate_of_a_published_trend_lies_in_its_published_interval(
    example: str, slope: float, low: float, high: float
) -> None:
    # USEPA (2009) Unified Guidance, EPA 530/R-09-007, Examples 17-6 and 17-7. Another estimator than ours,
    # so intervals are compared, not digits. Years stand for hours here: the model knows no calendar.
    years, ppm = columns(example)

    fitted = drift_rate((years - years[0]) * 60.0, ppm)

    assert fitted is not None
    assert low < fitted.rate < high
    assert fitted.low < slope < fitted.high


def test_the_least_squares_slope_of_sens_points_lies_in_his_interval() -> None:
    # Sen (1968), worked example, as in the tests of SciPy: slope 4, interval 3.71 to 4.38 at alpha 0.07. His
    # is the median of all slopes, ours a mean: intervals are compared, not digits.
    x = np.array([1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0])
    y = np.array([9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0])
    design = np.column_stack([np.ones(7), x])

    fit = least_squares(design, np.eye(7))
    slope = float(fit.estimator[1] @ y)
    left = y - design @ (fit.estimator @ y)
    u = float(np.sqrt(fit.covariance[1, 1] * (left @ left) / 5))

    assert 3.71 < slope < 4.38
    assert abs(slope - 4.0) < 2.0 * u


def test_a_rate_under_white_noise_agrees_with_least_squares() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(90.0)
    y = 76.0 + 2.0 * t / 60 + 0.05 * rng.standard_normal(90)

    fitted = drift_rate(t, y)

    assert fitted is not None
    assert fitted.rate == pytest.approx(2.0, abs=0.05)
    assert fitted.low < np.polyfit(t / 60, y, 1)[0] < fitted.high


def test_drift_intervals_hold_under_flicker_and_walk() -> None:
    rng = np.random.default_rng(11)
    t = np.arange(90.0)
    for noise in ("flicker", "walk"):
        held = 0
        for _ in range(60):
            y = 0.09 * flicker(rng, 90) if noise == "flicker" else 0.02 * np.cumsum(rng.standard_normal(90))
            fitted = drift_rate(t, y + 1.5 * t / 60)
            assert fitted is not None
            held += fitted.low <= 1.5 <= fitted.high
        # A nominal 95 % interval: fewer than 51 of 60 has a chance under 1 in 1,000.
        assert held >= 51, noise


def test_a_record_too_short_has_no_rate() -> None:
    assert drift_rate(np.arange(20.0), np.ones(20)) is None


def test_the_forecast_finds_where_warming_pairs_end() -> None:
    rng = np.random.default_rng(5)
    t = np.arange(25.0) + 0.5
    truth, left, columns = [], [], []
    for _ in range(40):
        fast, slow = rng.uniform(2, 5), rng.uniform(12, 22)
        a, b = rng.normal(0, 0.04), rng.normal(0, 0.02)
        columns.append(1 + a * np.exp(-t / fast) + b * np.exp(-t / slow) + 0.0012 * flicker(rng, 25))
        truth.append(1.0)
        left.append(b * np.exp(-t[-1] / slow))

    found = forecast(t, np.array(columns).T)

    assert found is not None
    assert np.abs(found.left - np.array(left)).mean() < 0.005
    assert ((found.end_low < 1.0) & (found.end_high > 1.0)).sum() >= 32
    error = (found.left - np.array(left)) / found.left_sd
    # A 90 % interval: fewer than 32 of 40 has a chance under 2 %, and none may be far out.
    assert (np.abs(error) < 1.645).sum() >= 32
    assert (np.abs(error) < 4).all()


def test_nothing_is_forecast_before_eight_minutes_of_ht() -> None:
    assert forecast(np.arange(7.0), np.ones((7, 2))) is None


def test_a_mains_step_is_no_settling() -> None:
    t = np.arange(40.0) + 0.5
    mains = np.where(t > 30, -0.03, 0.0)
    y = np.column_stack([1 + 1.8 * mains, 1 + 1.4 * mains])

    found = forecast(t, y, mains)

    assert found is not None
    assert (np.abs(found.left) < 0.005).all()


def test_flicker_of_minute_means_keeps_its_stated_size() -> None:
    # 1/f power between 1 s and 4.5 h: a decade holds as much as any other, so minute means keep
    # ln(135) / ln(16,200) of the variance: exact mathematics.
    covariance = flicker_covariance(np.arange(30.0))

    assert covariance[0, 0] == pytest.approx(np.log(270 / 2) / np.log(16_200), rel=0.01)
    assert (np.linalg.eigvalsh(covariance) > -1e-6).all()


# ---- the least squares under both, on certified fits
#
# NIST/ITL Statistical Reference Datasets, certified to eleven digits. The models are not linear: the test
# linearises them anew at each step (Gauss-Newton), every step's fit is ours.

Model = Callable[[np.ndarray, np.ndarray], np.ndarray]
CERTIFIED = 5e-11
"""Half a unit of the eleventh digit, of a figure that begins with a one."""


def misra1a(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return b[0] * (1 - np.exp(-b[1] * x))


def misra1a_slopes(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    fade = np.exp(-b[1] * x)
    return np.column_stack([1 - fade, b[0] * x * fade])


def lanczos3(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return np.exp(-np.outer(x, b[1::2])) @ b[::2]


def lanczos3_slopes(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    fade = np.exp(-np.outer(x, b[1::2]))
    both = np.stack([fade, -x[:, None] * fade * b[::2]], axis=2)
    return both.reshape(len(x), len(b))


def chwirut2(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return np.exp(-b[0] * x) / (b[1] + b[2] * x)


def chwirut2_slopes(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    y, below = chwirut2(b, x), b[1] + b[2] * x
    return np.column_stack([-x * y, -y / below, -x * y / below])


def gauss_newton(
    model: Model, slopes: Model, start: tuple[float, ...], x: np.ndarray, y: np.ndarray
) -> tuple[np.ndarray, LeastSquares, np.ndarray]:
    """Return the parameters, our fit there and the residuals; a step that makes things worse is halved."""
    b, noise = np.array(start), np.eye(len(x))

    def rss(at: np.ndarray) -> float:
        with np.errstate(over="ignore", invalid="ignore"):
            return float(np.sum((y - model(at, x)) ** 2))

    for _ in range(100):
        step = least_squares(slopes(b, x), noise).estimator @ (y - model(b, x))
        while not rss(b + step) < rss(b) and np.abs(step / b).max() > 1e-7:
            step = step / 2
        b = b + step
        if np.abs(step / b).max() < 1e-14:
            break
    return b, least_squares(slopes(b, x), noise), y - model(b, x)


@pytest.mark.parametrize(
    ("name", "start", "parameters", "sds", "rss"),
    [
        pytest.param(name, start, *certified, id=f"{name}, start {number + 1}")
        for name, starts, certified in (
            (
                "misra1a",  # a first-order warm-up: the rise and 1/tau
                ((500, 1e-4), (250, 5e-4)),
                (
                    (2.3894212918e02, 5.5015643181e-04),
                    (2.7070075241e00, 7.2668688436e-06),
                    1.2455138894e-01,
                ),
            ),
            (
                "lanczos3",  # three time constants at once
                ((1.2, 0.3, 5.6, 5.5, 6.5, 7.6), (0.5, 0.7, 3.6, 4.2, 4, 6.3)),
                (
                    (
                        8.6816414977e-02,
                        9.5498101505e-01,
                        8.4400777463e-01,
                        2.9515951832e00,
                        1.5825685901e00,
                        4.9863565084e00,
                    ),
                    (
                        1.7197908859e-02,
                        9.7041624475e-02,
                        4.1488663282e-02,
                        1.0766312506e-01,
                        5.8371576281e-02,
                        3.4436403035e-02,
                    ),
                    1.6117193594e-08,
                ),
            ),
            (
                "chwirut2",
                ((0.1, 0.01, 0.02), (0.15, 0.008, 0.01)),
                (
                    (1.6657666537e-01, 5.1653291286e-03, 1.2150007096e-02),
                    (3.8303286810e-02, 6.6621605126e-04, 1.5304234767e-03),
                    5.1304802941e02,
                ),
            ),
        )
        for number, start in enumerate(starts)
    ],
)
def test_certified_curves_are_fitted_to_their_certified_digits(
    name: str,
    start: tuple[float, ...],
    parameters: tuple[float, ...],
    sds: tuple[float, ...],
    rss: float,
) -> None:
    y, x = columns(f"nist_strd_{name}.csv")

    b, fit, left = gauss_newton(globals()[name], globals()[f"{name}_slopes"], start, x, y)

    weighted = float(left @ fit.residual_form @ left)
    assert b == pytest.approx(parameters, rel=CERTIFIED)
    assert weighted == pytest.approx(rss, rel=CERTIFIED)
    scatter = weighted / (len(x) - len(b))
    assert np.sqrt(np.diag(fit.covariance) * scatter) == pytest.approx(sds, rel=CERTIFIED)


def test_a_certified_line_is_fitted_to_its_certified_digits() -> None:
    # NIST StRD Norris: fifteen digits; the sum of squares is a difference of sums a million times larger
    y, x = columns("nist_strd_norris.csv")

    fit = least_squares(np.column_stack([np.ones(36), x]), np.eye(36))

    assert fit.estimator @ y == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-11)
    rss = float(y @ fit.residual_form @ y)
    assert rss == pytest.approx(26.6173985294224, rel=1e-9)
    sds = np.sqrt(np.diag(fit.covariance) * rss / 34)
    assert sds == pytest.approx([0.232818234301152, 0.429796848199937e-03], rel=1e-9)


def test_the_rate_of_a_random_walk_is_its_ends_difference() -> None:
    # exact: of a walk with drift the best estimate of the rate is (x_n - x_1)/(n - 1), with variance
    # s^2/(n - 1), s^2 that of a step
    n, s = 50, 0.02
    steps = s * np.random.default_rng(8).standard_normal(n)
    t = np.arange(n, dtype=float)
    y = np.cumsum(steps) + 0.3 * t
    walk = s**2 * np.minimum.outer(t + 1, t + 1)

    fit = least_squares(np.column_stack([np.ones(n), t]), walk)

    assert float(fit.estimator[1] @ y) == pytest.approx((y[-1] - y[0]) / (n - 1), rel=1e-11)
    assert fit.covariance[1, 1] == pytest.approx(s**2 / (n - 1), rel=1e-11)


def test_many_covariances_are_solved_at_once_as_each_alone() -> None:
    t = np.arange(20.0)
    design = np.column_stack([np.ones(20), t])
    noises = np.array([np.eye(20), flicker_covariance(t) + 0.1 * np.eye(20), np.minimum.outer(t + 1, t + 1)])

    together = least_squares(design, noises)

    for row, noise in enumerate(noises):
        alone = least_squares(design, noise)
        for name in ("estimator", "covariance", "residual_form", "log_likelihood"):
            np.testing.assert_allclose(
                getattr(together, name)[row], getattr(alone, name), rtol=1e-9, atol=1e-12
            )
        _, of_noise = np.linalg.slogdet(noise)
        _, of_information = np.linalg.slogdet(design.T @ np.linalg.inv(noise) @ design)
        assert alone.log_likelihood == pytest.approx(-0.5 * (of_noise + of_information))


@pytest.mark.parametrize("hours", [13.0, 36.0, 72.0, 336.0])
def test_a_rate_is_given_over_days_too_and_with_holes_in_them(hours: float) -> None:
    """A soak of days ends with a verdict; the true rate lies within some of its interval's width."""
    rng = np.random.default_rng(round(hours))
    t = np.arange(30.0, 60.0 * hours)
    t = np.delete(t, slice(200, 310))
    true = 2e-3
    y = true * (t - t[0]) / 60.0 + 1e-3 * rng.standard_normal(len(t))
    found = drift_rate(t, y, tail_sd=0.005, tail_from_min=30.0)
    assert found is not None
    assert found.low < found.rate < found.high
    assert abs(found.rate - true) < 2.0 * (found.high - found.low)
    assert found.high - found.low < 0.1 * true


def test_warm_up_models_solve_the_covariances_that_they_stand_for() -> None:
    # NumPy's own solve and slogdet of each whole covariance, built from its definition
    t = np.arange(2.5, 32.5)
    models = _warm_up_models(tuple(t))
    sides = np.random.default_rng(5).standard_normal((len(t), 3))
    solved = models.solved(sides)
    half = len(models.noise_var) // 2

    for g in range(0, len(models.noise_var), 7):
        steady = flicker_covariance(t) + 0.05 * np.eye(len(t))
        walk = 0.0 if g < half else 0.02
        noise = models.noise_var[g] * (steady + walk * np.minimum.outer(t, t))
        tails = models.tails_sd[g] * np.exp(-t[:, None] / models.tau_min[g])
        covariance = noise + 0.25 + tails @ tails.T

        assert np.abs(covariance @ solved[g] - sides).max() < 1e-6
        assert models.logdet[g] == pytest.approx(np.linalg.slogdet(covariance)[1], abs=1e-6)
        assert np.abs(covariance @ models.tails_solved[g] - tails).max() < 1e-6


def test_hundreds_of_shifts_cost_a_forecast_no_more_than_the_minutes_between_them() -> None:
    t = np.arange(0.5, 3000.5)
    y = 1.0 + 0.05 * np.exp(-t / 20.0)[:, None] + 5e-4 * np.random.default_rng(6).standard_normal((3000, 4))
    tracemalloc.start()
    made = forecast(t, y, None, np.linspace(10.0, 2990.0, 600).tolist())
    _, most_b = tracemalloc.get_traced_memory()
    tracemalloc.stop()

    assert made is not None
    assert np.isfinite(made.end).all()
    assert most_b < 20e6
