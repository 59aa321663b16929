"""The settling forecast and the drift rate, on made-up pairs with known truth and on a published trend."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from logger.settling import drift_rate, flicker_covariance, forecast

DATA = Path(__file__).parent / "data"


def flicker(rng: np.random.Generator, n: int) -> np.ndarray:
    """1/f noise of unit rms over 4.5 h of minutes, cut to n: by shaping a spectrum, nothing of the model."""
    f = np.fft.rfftfreq(540, 1.0)
    amplitude = np.zeros(len(f))
    amplitude[1:] = 1 / np.sqrt(f[1:])
    x = np.fft.irfft(amplitude * np.exp(2j * np.pi * rng.random(len(f))), 540)[:270]
    return (x / x.std())[:n]


def test_the_rate_of_a_published_trend_lies_in_its_published_interval() -> None:
    # USEPA (2009) Unified Guidance, EPA 530/R-09-007, Example 17-6: sulfate, Theil-Sen slope 26.667 ppm
    # a year, 95 % interval 20.0 to 35.7. Years stand for hours here: the model knows no calendar.
    lines = (DATA / "epa2009_ex17_6_sulfate.csv").read_text().splitlines()
    years, sulfate = np.loadtxt([line for line in lines if line[0].isdigit()], delimiter=",").T

    fitted = drift_rate((years - years[0]) * 60.0, sulfate)

    assert fitted is not None
    assert 20.0 < fitted.rate < 35.7
    assert fitted.low < 26.667 < fitted.high


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
