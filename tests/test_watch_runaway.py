"""Growth that feeds itself, told from everything that rises and doesn't speed up."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from logger import setup as setups
from logger.blocks import FloatArray
from logger.finding import Severity
from logger.settling import flicker_covariance
from logger.setup import Setup
from logger.watch import runaway
from logger.watch.runaway import Runaway
from logger.watch.seconds import BIN_S, Claim, Clear, Seconds, Tens

IDLE_A = 0.076
BINS = 540  # an hour and a half
NOISE = 0.0008  # rms over the 4.5 h in which flicker is stated; 0.06 mA of 76: between quiet and typical


def bench(pairs: int) -> Setup:
    channels = "".join(
        f'[[channel]]\nname = "pair{j + 1}"\nmeasures = "pair current"\npin = [{2 * j}, {2 * j + 1}]\n'
        "sense_ohm = 1.0\n"
        for j in range(pairs)
    )
    return setups.parse(
        'schema = "soakbench.setup/1"\n[amp]\nname = "An amp"\nvalve = "EL34"\nnominal_ht_V = 455\n'
        f'[link]\nkind = "lines"\nscans_per_s = 1\n{channels}'
        '[plan]\nsteps = [{step = "warm-up", minutes = 30}, {step = "soak", minutes = 120}]\n'
    )


def flicker(pairs: int, bins: int = BINS, rms: float = NOISE, seed: int = 8) -> FloatArray:
    """Return 1/f noise, relative, (bins, pairs)."""
    root = np.linalg.cholesky(flicker_covariance(np.arange(float(bins)) / 6.0) + 1e-3 * np.eye(bins))
    return rms * root @ np.random.default_rng(seed).standard_normal((bins, pairs))


def watched(
    own: FloatArray,
    *,
    warm_bins: int = 180,
    mains_v: FloatArray | None = None,
    off_at: int | None = None,
    shifted_min: list[float] | None = None,
    read: NDArray[np.bool_] | None = None,
) -> list[Claim | Clear]:
    """Show relative movements (bins, pairs) to the detector, the first bin `warm_bins` after HT on.

    `off_at`: the bin before which HT was off for 30 s. `read` (bins,): whether a bin's last second was read.
    """
    bins, pairs = own.shape
    current = IDLE_A * (1.0 + own)
    tens = Tens(pairs)
    detector = Runaway(bench(pairs), tens, shifted_min)
    out: list[Claim | Clear] = []
    for i in range(bins):
        on_s = float(BIN_S * (warm_bins + i + 1) - 1)
        t_s = on_s + (30.0 if off_at is not None and i >= off_at else 0.0)
        nothing = np.array([np.nan])
        mains = nothing if mains_v is None else mains_v[[i]]
        tens.add(np.array([t_s]), current[[i]], [nothing, mains, nothing], np.array([on_s]))
        pct = 65.0 * current[[i]] / IDLE_A
        pct = (
            np.full((BIN_S, pairs), np.nan) if read is not None and not read[i] else pct.repeat(BIN_S, axis=0)
        )
        if read is not None and not read[i]:
            pct[3] = 65.0 * current[i] / IDLE_A
        seconds = Seconds(
            t_s=np.arange(int(t_s) - BIN_S + 1, int(t_s) + 1),
            closed_s=np.arange(t_s - BIN_S + 2.0, t_s + 2.0),
            on_s=np.arange(on_s - BIN_S + 1.0, on_s + 1.0),
            n=np.ones((BIN_S, pairs), dtype=np.int32),
            current_a=current[[i]].repeat(BIN_S, axis=0),
            least_a=current[[i]].repeat(BIN_S, axis=0),
            greatest_a=current[[i]].repeat(BIN_S, axis=0),
            ht_v=np.full(BIN_S, np.nan),
            mains_v=mains.repeat(BIN_S),
            bias_v=np.full(BIN_S, np.nan),
            temperatures_c=np.empty((BIN_S, 0)),
            dissipation_pct=pct,
            state="soaking",
            powered=True,
            masked=np.zeros(pairs, dtype=np.bool_),
            bins=[(BIN_S - 1, i)],
        )
        out.extend(event for _, event in detector.update(seconds))
    return out


def grown(tau_s: float, at: int, excess: float = 0.02, bins: int = BINS) -> FloatArray:
    """Return an exponential that passes `excess` at a bin."""
    return np.asarray(excess * np.exp((np.arange(float(bins)) - at) * BIN_S / tau_s))


@pytest.mark.parametrize("tau_s", [40.0, 90.0, 170.0, 340.0, 700.0])
@pytest.mark.parametrize("pairs", [1, 2, 4])
def test_growth_is_called_on_its_pair_soon_whatever_its_pace(pairs: int, tau_s: float) -> None:
    own = flicker(pairs)
    growth = grown(tau_s, 470)
    own[:, 0] += growth

    claim = next(e for e in watched(own[growth.cumsum() < 60.0]) if isinstance(e, Claim))

    assert (claim.channels, claim.severity) == (("pair1",), Severity.WARNING)
    index = round((claim.raised_s - 1801.0) / BIN_S)
    most = 0.055 if pairs == 1 else 0.04  # mains that are not measured may do 1.5 % to a pair alone
    assert 0.008 < growth[index - 1] < most
    excess_a = claim.evidence["excess_a"]
    assert excess_a is not None
    assert 0.4 < excess_a / (IDLE_A * growth[index - 1]) < 2.5
    assert ("the others are not" in claim.says) == (pairs > 1)


def turned(at: int, bins: int, size: float = 0.10) -> FloatArray:
    return size * np.clip((np.arange(float(BINS)) - at) / bins, 0.0, 1.0)


def lone_rises() -> dict[str, FloatArray]:
    t_s = BIN_S * np.arange(float(BINS))
    return {
        "a pot turned in 10 s": turned(300, 1),
        "a pot turned in a minute": turned(300, 6),
        "a pot turned ever so slowly": turned(300, 40),
        "a step of 4 %": turned(300, 1, 0.04),
        "a drift of eight times the limit": 0.24 * t_s / 3600.0,
        "a tail of 5 minutes": -0.08 * np.exp(-t_s / 300.0),
        "a tail that turns round": 0.05 * np.exp(-t_s / 100.0) - 0.08 * np.exp(-t_s / 900.0),
        "a drift that begins": 0.24 * np.maximum(t_s - 2500.0, 0.0) / 3600.0,
        "a peak that passes": 0.03 * np.exp(-0.5 * ((t_s - 2500.0) / 10.0) ** 2),
    }


@pytest.mark.parametrize("what", lone_rises())
@pytest.mark.parametrize("pairs", [1, 2, 4])
@pytest.mark.parametrize("warm_bins", [12, 180])
def test_what_rises_and_does_not_speed_up_is_no_runaway(what: str, pairs: int, warm_bins: int) -> None:
    for seed in range(2):
        own = flicker(pairs, seed=seed)
        own[:, 0] += lone_rises()[what]

        assert watched(own, warm_bins=warm_bins) == []


def test_of_two_pairs_the_one_that_stands_still_is_not_called_when_the_other_falls_ever_faster() -> None:
    own = flicker(2)
    own[:, 1] -= np.minimum(grown(90.0, 470), 0.5)

    assert watched(own) == []


def test_what_all_pairs_do_together_is_no_pairs_runaway() -> None:
    own = flicker(4) + np.minimum(grown(90.0, 470), 0.5)[:, None]

    assert watched(own) == []


def test_one_pair_alone_is_not_blamed_for_mains_that_rise_ever_faster() -> None:
    mains_v = 230.0 * (1.0 + np.minimum(grown(120.0, 470), 0.06) / 1.5)

    assert watched(flicker(1) + 1.5 * (mains_v / 230.0 - 1.0)[:, None], mains_v=mains_v) == []


def test_nothing_is_held_against_a_level_from_before_it_was_shifted() -> None:
    """A pot turned in stages, each quicker than the last, is what growth looks like."""
    own = flicker(4)
    own[:, 0] += grown(60.0, 470)
    own = own[: 470 + 1]  # up to 2 %
    end_min = (1800.0 + BIN_S * len(own)) / 60.0

    assert [e.channels for e in watched(own)] == [("pair1",)]
    assert watched(own, shifted_min=[end_min - 2.0, *[-math.inf] * 3]) == []
    assert [e.channels for e in watched(own, shifted_min=[-math.inf, *[end_min - 2.0] * 3])] == [("pair1",)]
    assert watched(own[:, :2], shifted_min=[-math.inf, end_min - 2.0]) == []  # either of two moves both


def test_nothing_is_compared_across_a_time_without_ht() -> None:
    own = flicker(4)
    own[:, 0] += grown(60.0, 470)
    own = own[: 470 + 1]

    assert watched(own, off_at=460) == []


def test_a_hole_shortens_the_window_and_the_growth_after_it_is_found() -> None:
    own = flicker(4)
    own[:, 0] += grown(120.0, 470)
    own[430:433, 0] = np.nan

    claim = next(e for e in watched(own[:485]) if isinstance(e, Claim))

    assert claim.channels == ("pair1",)


@pytest.mark.parametrize("every_second", [True, False])
def test_a_trip_comes_before_trip_pct_and_not_before_somebody_could_be_there(every_second: bool) -> None:
    own = flicker(4)
    growth = grown(60.0, 470)
    own[:, 0] += growth
    passes_s = 1800.0 + BIN_S * float(np.argmax(65.0 * (1.0 + growth) >= 130.0))
    read = None if every_second else np.zeros(BINS, dtype=bool)  # a slow bench leaves seconds empty by right

    trips = [
        e
        for e in watched(own[growth < 2.0], read=read)
        if isinstance(e, Claim) and e.severity is Severity.TRIP
    ]

    assert len(trips) == 1
    assert 30.0 <= passes_s - trips[0].raised_s <= 80.0  # reaction_s is 60, and a bin either way
    assert "mains off" in trips[0].advice


def test_a_runaway_is_over_once_the_current_has_been_down_for_two_minutes() -> None:
    own = flicker(4)
    own[:, 0] += np.where(np.arange(BINS) < 490, grown(60.0, 470), 0.0)

    events = watched(own)

    assert isinstance(events[-1], Clear)
    assert events[-1].cleared_s == pytest.approx(1800.0 + BIN_S * (490 + 12) + 1.0, abs=BIN_S)


def test_the_fit_is_generalised_least_squares_solved_by_its_normal_equations() -> None:
    """Aitken (1936): (X' V^-1 X)^-1 X' V^-1 y, with V worked out again; squares from the residuals."""
    points, group, on_min, scale, white, tau_s = 25, 2, 32.0, 2.0**-10.5, 0.3, 120.0
    model = runaway._model(tau_s, points, group, on_min, scale, white)
    t_min = np.arange(points) * group * BIN_S / 60.0
    v = scale**2 * (flicker_covariance(t_min) + white / group * np.eye(points))
    for tau_min, size in runaway._TAILS:
        v += size**2 * np.exp(-(2 * on_min + t_min[:, None] + t_min) / tau_min)
    y = 1e-3 * np.random.default_rng(4).standard_normal(points)

    def fitted(shape: FloatArray) -> tuple[float, float, float]:
        x = np.column_stack([np.ones(points), t_min, shape])
        normal = np.linalg.inv(x.T @ np.linalg.solve(v, x))
        by = normal @ x.T @ np.linalg.solve(v, y)
        rest = y - x @ by
        return float(by[2]), float(np.sqrt(normal[2, 2])), float(rest @ np.linalg.solve(v, rest))

    rest = model.clear @ y
    z = float(model.growth @ rest)
    by, sd, squares = fitted(np.exp((t_min - t_min[-1]) * 60.0 / tau_s))
    assert z * model.sd == pytest.approx(by, rel=1e-6)
    assert model.sd == pytest.approx(sd, rel=1e-6)
    assert float(rest @ rest) - z * z == pytest.approx(squares, rel=1e-6)
    ramps = [
        fitted(np.clip((np.arange(points) - a) / (b - a), 0.0, 1.0))[2]
        for a in range(points)
        for b in range(a + 1, points)
        if (a, b) != (0, points - 1)  # the line itself
    ]
    best = float(rest @ rest) - float(np.max((model.ramps @ rest) ** 2))
    assert best == pytest.approx(min(ramps), rel=1e-6)
