"""Drift on made-up minutes: what moves on is called, on its pair; what jumped, settled or was set is not."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest

from logger import setup as setups
from logger.settling import flicker_covariance
from logger.watch import drift
from logger.watch.common_drift import CommonDrift
from logger.watch.drift import Drift
from logger.watch.seconds import Claim, Clear, Minutes, Said, Seconds

IDLE_A = 0.070
LIMIT_PER_H = 0.03
MINUTES = 150
SOAK_FROM = 30
SETTLED_MIN = 20.0


def flicker(minutes: int, pairs: int, rms: float, seed: int) -> np.ndarray:
    """1/f noise of about this rms between a second and hours, in minutes' means.

    Hosking 1981: (1 - B)^-1/2 of white noise, its half integral. Its first minutes are thrown away.
    """
    lead = 300
    k = np.arange(1, minutes + lead)
    weights = np.concatenate([[1.0], np.cumprod((k - 0.5) / k)])
    white = np.random.default_rng(seed).standard_normal((minutes + lead, pairs))
    y = np.array([np.convolve(white[:, j], weights)[: minutes + lead] for j in range(pairs)]).T
    return rms * 0.39 * y[lead:]  # second differences as those of flicker_level(1) at rms 1


def set_up(pairs: int, mains: bool = True) -> setups.Setup:
    channels = "".join(
        f'[[channel]]\nname = "pair{j + 1}"\nmeasures = "pair current"\npin = [{2 * j}, {2 * j + 1}]\n'
        "sense_ohm = 1.0\ntolerance_pct = 1.0\nstep_V = 15.625e-6\nfull_scale_V = 0.5\n"
        for j in range(pairs)
    )
    if mains:
        channels += (
            '[[channel]]\nname = "mains"\nmeasures = "mains"\nsensor = "linear"\nvalue_per_V = 100.0\n'
            f"pin = {2 * pairs}\nstep_V = 125e-6\nfull_scale_V = 4.096\n"
        )
    return setups.parse(
        'schema = "soakbench.setup/1"\n[amp]\nname = "An amplifier"\nvalve = "EL34"\nvalves_per_pair = 2\n'
        'bias = "fixed"\nadjust = "each pair"\nnominal_ht_V = 430\nnominal_mains_V = 230\n'
        f'[link]\nkind = "simulator"\nscans_per_s = 10\n{channels}'
        '[plan]\nsteps = [{step = "warm-up", minutes = 30}, {step = "soak", minutes = 120}]\n'
    )


@dataclass
class Soak:
    """A soak by the minute: `relative` (n, p) to the idle current, `mains` (n,) in volts."""

    relative: np.ndarray
    mains: np.ndarray | None = None
    off_min: dict[int, float] = field(default_factory=dict)
    """HT was off for so many minutes before a minute."""
    shifts: dict[int, dict[int, float]] = field(default_factory=dict)
    """What becomes known at a minute: {minute: {pair: when it shifted, minutes since the first scan}}."""

    def watch(self, make: Callable[..., Drift | CommonDrift] = Drift) -> list[Said]:
        n, pairs = self.relative.shape
        setup = set_up(pairs, self.mains is not None)
        minutes = Minutes(pairs, 10.0)
        mains = self.mains if self.mains is not None else np.full(n, np.nan)
        shifted = [-math.inf] * pairs
        told = {"told_min": shifted} if make is Drift else {}  # and a person said so
        detector = make(setup, minutes, [SETTLED_MIN] * pairs, shifted, **told)
        said: list[Said] = []
        off = 0.0
        for k in range(n):
            off += self.off_min.get(k, 0.0)
            for pair, at in self.shifts.get(k, {}).items():
                shifted[pair] = at
            t_s = 60.0 * (k + off) + np.arange(60.0)
            minutes.add(
                t_s,
                60.0 * k + np.arange(1.0, 61.0),
                np.tile(IDLE_A * (1 + self.relative[k]), (60, 1)),
                np.ones((60, pairs), dtype=np.bool_),
                [np.full(60, volts) for volts in (np.nan, mains[k], np.nan)],
                "soaking" if k >= SOAK_FROM else "warming",
            )
            said += [
                event for _, event in detector.update(the_minute(t_s, k, pairs)) if not isinstance(event, str)
            ]
        return said

    def claims(self) -> dict[tuple[str, ...], float]:
        """Return when each was first said, in minutes."""
        out: dict[tuple[str, ...], float] = {}
        for event in self.watch():
            if isinstance(event, Claim):
                out.setdefault(event.channels, event.raised_s / 60.0)
        return out


def the_minute(t_s: np.ndarray, k: int, pairs: int) -> Seconds:
    nothing = np.full(60, np.nan)
    current = np.full((60, pairs), IDLE_A)
    return Seconds(
        t_s=t_s.astype(np.int64),
        closed_s=t_s + 1.0,
        on_s=60.0 * k + np.arange(1.0, 61.0),
        n=np.full((60, pairs), 10, dtype=np.int32),
        current_a=current,
        least_a=current,
        greatest_a=current,
        ht_v=nothing,
        mains_v=nothing,
        bias_v=nothing,
        temperatures_c=np.empty((60, 0)),
        dissipation_pct=current,
        state="soaking" if k >= SOAK_FROM else "warming",
        powered=True,
        masked=np.zeros(pairs, dtype=np.bool_),
        closes_minute=True,
    )


def ramp(limits: float, from_min: float) -> np.ndarray:
    return np.asarray(limits * LIMIT_PER_H * np.maximum(np.arange(MINUTES) - from_min, 0.0) / 60.0)


@pytest.mark.parametrize(
    ("rms_mA", "within_min"),
    [
        (0.03, 8),
        (0.34, 58),
        pytest.param(0.09, 17, marks=pytest.mark.nightly),
        pytest.param(0.20, 34, marks=pytest.mark.nightly),
    ],
)
def test_twice_the_limit_is_called_within_1_7_times_what_the_ideal_detector_takes_at_1_mA_an_hour(
    rms_mA: float, within_min: float
) -> None:
    # The ideal detector between 2 and 0.5 mA an hour takes 10, 20, 34 minutes at 0.09, 0.20, 0.34 mA; here
    # the limit is twice that, so this is a bound with room. Quiet: the yardstick wants ten minutes to count.
    delays = []
    for seed in range(9):
        y = flicker(MINUTES, 4, rms_mA / 70, seed)
        y[:, 1] += ramp(2.0, 60)
        delays.append(Soak(y).claims().get(("pair2",), math.inf) - 60)

    assert np.median(delays) <= within_min
    assert min(delays) > 2


@pytest.mark.parametrize("rms_mA", [0.03, 0.09, 0.20, 0.34])
def test_half_the_limit_and_no_drift_are_not_called(rms_mA: float) -> None:
    for seed in range(6):
        y = flicker(MINUTES, 6, rms_mA / 70, 100 + seed)
        y[:, 1] += ramp(0.5, 60)
        y[:, 3] -= ramp(0.5, 10)
        assert Soak(y).claims() == {}


@pytest.mark.parametrize("pairs", [3, 4, 5, 6])
def test_a_fast_drift_blames_none_of_the_others(pairs: int) -> None:
    for seed in range(4):
        y = flicker(MINUTES, pairs, 0.0006, 200 + seed) + np.linspace(-0.004, 0.004, pairs) * np.exp(
            -np.arange(MINUTES) / 12.0
        ).reshape(-1, 1)
        y[:, 0] += ramp(4.0, 50)
        assert set(Soak(y).claims()) == {("pair1",)}


@pytest.mark.parametrize("size", [0.004, 0.01, 0.05])
@pytest.mark.parametrize("pairs", [1, 2, 3, 4])
def test_a_level_that_jumped_is_no_drift_of_it_nor_of_its_neighbours(pairs: int, size: float) -> None:
    for seed in range(4):
        y = flicker(MINUTES, pairs, 0.0006, 300 + seed)
        y[70:, 0] += size
        y[70, 0] -= 0.4 * size  # the minute of the jump itself
        assert Soak(y, mains=np.full(MINUTES, 230.0)).claims() == {}


def test_what_a_pair_did_before_it_was_set_is_not_held_against_it_and_what_it_does_later_is() -> None:
    y = flicker(MINUTES, 4, 0.0006, 400)
    y[:, 2] += np.where(np.arange(MINUTES) < 60, ramp(0.8, 50), -0.02)
    told = Soak(y, shifts={61: {2: 60.5}})
    assert told.claims() == {}

    later = y.copy()
    later[:, 2] += ramp(2.0, 90)
    claims = [e for e in Soak(later, shifts={61: {2: 60.5}}).watch() if isinstance(e, Claim)]
    assert [c.channels for c in claims][:1] == [("pair3",)]
    assert 92 < claims[0].raised_s / 60 < 110
    assert claims[0].onset_s / 60 > 80


def test_of_two_pairs_a_shift_of_either_begins_the_windows_of_both_anew() -> None:
    y = flicker(MINUTES, 2, 0.0006, 500)
    y[:, 0] += np.minimum(ramp(3.0, 60), 3.0 * LIMIT_PER_H * 4 / 60)  # a pot turned slowly, in four minutes
    assert Soak(y, shifts={62: {0: 61.5}, 63: {0: 62.5}, 64: {0: 63.5}, 65: {0: 64.5}}).claims() == {}


def test_a_step_of_the_mains_that_pairs_answer_differently_is_no_drift() -> None:
    for seed in range(4):
        y = flicker(MINUTES, 4, 0.0006, 600 + seed)
        mains = np.full(MINUTES, 230.0)
        mains[70:] *= 0.94
        after = np.arange(MINUTES) - 70.0
        own = np.array([0.0025, -0.002, 0.0, 0.001])  # at once, and as much again while it settles anew
        y += np.where(after[:, None] >= 0, own * (2.0 - np.exp(-np.maximum(after, 0.0)[:, None] / 8.0)), 0.0)
        y -= np.where(after[:, None] >= 0, 0.09, 0.0)
        assert Soak(y, mains=mains).claims() == {}


def test_a_short_stop_of_ht_begins_the_windows_anew() -> None:
    y = flicker(MINUTES, 4, 0.0006, 700)
    after = np.arange(MINUTES) - 70.0
    own = np.array([0.006, -0.004, 0.0, 0.002])
    y += np.where(after[:, None] >= 0, own * np.exp(-np.maximum(after, 0.0)[:, None] / 5.0), 0.0)

    assert Soak(y, off_min={70: 0.4}).claims() == {}


def test_a_drift_is_taken_back_once_the_pair_has_stood_still() -> None:
    y = flicker(MINUTES, 4, 0.0006, 800)
    y[:, 1] += np.minimum(ramp(3.0, 50), 3.0 * LIMIT_PER_H * 25 / 60)

    said = Soak(y).watch()

    assert [type(e) for e in said] == [Claim, Clear]
    assert isinstance(said[1], Clear)
    assert 75 + 30 < said[1].cleared_s / 60 < 75 + 60


def test_a_common_drift_is_said_though_one_pair_was_set_meanwhile_and_a_setting_alone_is_none() -> None:
    y = flicker(MINUTES, 4, 0.0003, 900) + ramp(2.0, 55)[:, None]
    y[75:, 2] += 0.08
    kinds = [type(e) for e in Soak(y, shifts={76: {2: 75.5}}).watch(CommonDrift)]
    assert kinds == [Claim]

    two = flicker(MINUTES, 2, 0.0003, 901)
    two[75:, 1] += 0.03
    assert Soak(two, shifts={76: {1: 75.5}}).watch(CommonDrift) == []


@pytest.mark.parametrize("holes", [False, True])
def test_a_record_solves_the_covariance_that_it_stands_for(holes: bool) -> None:
    # the whole covariance is built from its definition; the flicker of a record without holes is the
    # beginning of a longer one's, whose table has other points
    t = np.arange(120.0)
    if holes:
        t = np.delete(t, [30, 31, 77])
    record = drift._record(t, 25.0 + t, 1, 0)
    flicker = flicker_covariance(t) + 0.05 * np.eye(len(t))
    assert np.abs(record.flicker - flicker).max() < 1e-3
    covariance = drift._GRADES[1] ** 2 * record.flicker + record.other.T @ record.other
    sides = np.random.default_rng(3).standard_normal((len(t), 2))
    assert np.abs(covariance @ record.solved(sides) - sides).max() < 1e-9
