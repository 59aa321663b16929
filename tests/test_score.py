"""The yardstick: counting on made-up findings with known answers, and statistics against outside values."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

import soakbench
from logger.errors import FileExistsAlready
from logger.finding import Finding, Kind, Severity
from logger.pipeline import Pipeline
from logger.score import bound, figures, picture, run, statistics
from logger.score.counting import Alarm, Counted, Listener, Run, alarms_of, count, merged
from logger.setup import Setup, parse
from logger.simulator import family
from logger.watch.panel import tick_rows

HOURS = 2.0
IDLE_A = 0.07


def setup_of(pairs: int = 4) -> Setup:
    channels = "".join(
        f'[[channel]]\nname = "pair{k + 1}"\nmeasures = "pair current"\nsense_ohm = 1.0\n'
        for k in range(pairs)
    )
    return parse(
        'schema = "soakbench.setup/1"\n[amp]\nname = "Theatre PA 240 W"\nvalve = "EL34"\nnominal_ht_V = 455\n'
        f'[link]\nkind = "lines"\nscans_per_s = 10\n{channels}'
        '[[channel]]\nname = "ht"\nmeasures = "HT"\ndivider_ohm = [1000000, 1000]\n'
        '[[channel]]\nname = "mains"\nmeasures = "mains"\nvalue_per_V = 1.0\n'
        '[[plan.steps]]\nstep = "warm-up"\nminutes = 30\n[[plan.steps]]\nstep = "soak"\nminutes = 90\n'
    )


@dataclass(frozen=True)
class MadeFault:
    kind: str
    channel: str | None
    onset_s: float
    size: float | None = 2.0
    variant: str = ""


@dataclass(frozen=True)
class MadeCourse:
    t_s: np.ndarray
    pair_a: np.ndarray
    steady_a: np.ndarray
    anode_w: np.ndarray
    ht_v: np.ndarray
    mains_v: np.ndarray
    chassis_c: np.ndarray


def steady(pairs: int = 4, hours: float = HOURS) -> MadeCourse:
    n = int(hours * 3600)
    ones = np.ones(n)
    idle = np.full((n, pairs), IDLE_A)
    watts = np.full((n, pairs), 14.0)
    return MadeCourse(np.arange(n), idle, idle, watts, 455 * ones, 230 * ones, 40 * ones)


def with_pairs(course: MadeCourse, current_a: np.ndarray) -> MadeCourse:
    return replace(course, pair_a=current_a, steady_a=current_a)


def with_pair(course: MadeCourse, pair: int, current_a: np.ndarray) -> MadeCourse:
    out = course.pair_a.copy()
    out[:, pair] = current_a
    return with_pairs(course, out)


def drifting(pair: int = 2, limits: float = 2.0, onset_s: float = 3600.0) -> MadeCourse:
    """One pair rises at so many times the limit of 3 % an hour."""
    course = steady()
    rise = np.maximum(course.t_s - onset_s, 0) / 3600 * limits * 0.03
    return with_pair(course, pair, IDLE_A * (1 + rise))


def finding(kind: Kind, channel: str | None, raised_s: float, **more: object) -> Finding:
    made = Finding(
        id=1,
        kind=kind,
        channel=channel,
        channels=(channel,) if channel else ("pair1", "pair2", "pair3", "pair4"),
        onset_s=raised_s - 60,
        raised_s=raised_s,
        severity=Severity.WARNING,
        says="made up",
    )
    return made.changed(**more)


def counted(
    course: MadeCourse, fault: MadeFault | None, *findings: Finding, seen: np.ndarray | None = None
) -> Counted:
    numbered = [f.changed(id=k + 1) for k, f in enumerate(findings)]
    everything = np.ones(course.pair_a.shape, dtype=bool)
    return count(
        Run(
            setup_of(course.pair_a.shape[1]),
            course,
            fault,
            alarms_of(numbered),
            everything if seen is None else seen,
        )
    )


DRIFT = MadeFault("drift", "pair3", 3600.0)


# counting


def test_a_perfect_finding_stops_the_delay_and_gives_channel_and_kind() -> None:
    got = counted(drifting(), DRIFT, finding(Kind.DRIFT, "pair3", 4500.0))
    assert got.found
    assert got.delay_s == 900.0
    assert got.kind is Kind.DRIFT
    assert got.named is True
    assert got.blame == []
    assert got.false == []


def test_no_findings_are_no_hits_and_no_false_alarms() -> None:
    got = counted(drifting(), DRIFT)
    assert not got.found
    assert math.isnan(got.delay_s)
    assert got.watched_s == 3600.0
    assert got.false == got.blame == []
    healthy = counted(steady(), None)
    assert healthy.false == []
    assert healthy.exposure_h == pytest.approx(4 * HOURS)


def test_a_finding_on_another_channel_is_blame_and_no_hit() -> None:
    got = counted(drifting(), DRIFT, finding(Kind.DRIFT, "pair1", 4500.0))
    assert not got.found
    assert [a.finding.channel for a in got.blame] == ["pair1"]
    assert got.false == []


def test_a_finding_of_what_is_not_there_is_a_false_alarm_and_ends_its_pairs_exposure() -> None:
    got = counted(steady(), None, finding(Kind.DRIFT, "pair1", 3600.0))
    assert len(got.false) == 1
    assert got.exposure_h == pytest.approx(4 * HOURS - 1.0)


def test_exposure_begins_again_when_a_false_alarm_is_cleared() -> None:
    got = counted(steady(), None, finding(Kind.DRIFT, "pair1", 3600.0, cleared_s=5400.0))
    assert got.exposure_h == pytest.approx(4 * HOURS - 0.5)


def test_only_powered_and_seen_hours_before_the_fault_are_exposure() -> None:
    course = drifting()
    off = replace(course, ht_v=np.where(course.t_s < 600, 0.0, 455.0))
    seen = np.ones(course.pair_a.shape, dtype=bool)
    seen[900:1200, 0] = False
    got = counted(off, DRIFT, seen=seen)
    assert got.exposure_h == pytest.approx((4 * (3600 - 600) - 300) / 3600)


def test_a_remark_is_neither_hit_nor_false() -> None:
    said = finding(Kind.DRIFT, "pair3", 4500.0, severity=Severity.REMARK)
    assert not counted(drifting(), DRIFT, said).found
    assert counted(steady(), None, said).false == []


def test_a_remark_that_becomes_a_warning_counts_from_then() -> None:
    listener = Listener()
    listener.hear([finding(Kind.DRIFT, "pair3", 4200.0, severity=Severity.REMARK)], 4300.0)
    listener.hear([finding(Kind.DRIFT, "pair3", 4200.0)], 4900.0)
    assert [a.raised_s for a in listener.alarms] == [4900.0]


@pytest.mark.parametrize(("again_s", "alarms"), [(600.0, 1), (601.0, 2)])
def test_an_alarm_that_comes_back_within_ten_minutes_is_the_same(again_s: float, alarms: int) -> None:
    first = finding(Kind.DRIFT, "pair1", 2000.0, cleared_s=3000.0)
    second = finding(Kind.DRIFT, "pair1", 3000.0 + again_s)
    got = counted(steady(), None, first, second)
    assert len(got.false) == alarms


def test_merging_keeps_kinds_and_channels_apart() -> None:
    made = [
        finding(Kind.DRIFT, "pair1", 2000.0, id=1),
        finding(Kind.DRIFT, "pair2", 2001.0, id=2),
        finding(Kind.MISMATCH, "pair1", 2002.0, id=3),
    ]
    assert len(merged(alarms_of(made))) == 3


def test_a_true_consequence_is_neither_hit_nor_false_nor_blame() -> None:
    course = drifting()
    hot = replace(course, chassis_c=np.full(len(course.t_s), 90.0))
    got = counted(hot, DRIFT, finding(Kind.OVER_TEMPERATURE, None, 4500.0, channels=("chassis",)))
    assert not got.found
    assert got.untrue == []


def test_a_true_finding_of_another_kind_on_the_right_channel_stops_the_delay() -> None:
    # Twice the limit for an hour is 6 %, the match limit is 4 %: true from 40 minutes on.
    early, late = finding(Kind.MISMATCH, "pair3", 4500.0), finding(Kind.MISMATCH, "pair3", 6300.0)
    assert counted(drifting(), DRIFT, early).untrue != []
    got = counted(drifting(), DRIFT, late, finding(Kind.DRIFT, "pair3", 7000.0, id=2))
    assert got.delay_s == 2700.0
    assert got.kind is Kind.MISMATCH  # of two that lead, the earlier


def test_the_leading_alarm_at_the_end_gives_the_kind() -> None:
    under = finding(Kind.MISMATCH, "pair3", 6300.0, under=2)
    got = counted(drifting(), DRIFT, under, finding(Kind.DRIFT, "pair3", 6600.0))
    assert got.kind is Kind.DRIFT
    cleared = finding(Kind.DRIFT, "pair3", 5000.0, cleared_s=5500.0)
    got = counted(drifting(), DRIFT, cleared, finding(Kind.MISMATCH, "pair3", 6900.0))
    assert got.kind is Kind.MISMATCH
    assert got.delay_s == 1400.0


def test_candidates_count_as_found_and_not_as_named() -> None:
    said = finding(Kind.DRIFT, None, 4500.0, channels=("pair1", "pair2"))
    course = steady(2)
    rising = IDLE_A * (1 + np.maximum(course.t_s - 3600, 0) / 3600 * 0.06)
    got = counted(with_pair(course, 1, rising), MadeFault("drift", "pair2", 3600.0), said)
    assert got.found
    assert got.named is False


# what is true


def test_drift_is_true_from_half_the_limit_on_and_in_the_direction_that_it_says() -> None:
    for limits, true in ((0.4, False), (0.6, True), (-0.6, True)):
        got = counted(drifting(limits=limits), DRIFT, finding(Kind.DRIFT, "pair3", 5400.0))
        assert got.found is true, limits
    wrong = finding(Kind.DRIFT, "pair3", 5400.0, evidence={"rate_a_per_h": -0.002})
    assert not counted(drifting(), DRIFT, wrong).found


def test_what_is_left_of_the_settling_is_no_drift() -> None:
    course = steady()
    tail = IDLE_A * (1 + 0.03 * np.exp(-course.t_s / 900))
    got = counted(with_pair(course, 0, tail), None, finding(Kind.DRIFT, "pair1", 1800.0))
    assert len(got.false) == 1
    moving = counted(with_pair(course, 0, tail), None, finding(Kind.UNSETTLED, "pair1", 600.0))
    assert moving.false == []
    over = counted(with_pair(course, 0, tail), None, finding(Kind.UNSETTLED, "pair1", 1800.0))
    assert len(over.false) == 1


def test_of_two_pairs_the_one_that_moves_drifts_and_of_three_none_moves_the_other_way() -> None:
    for pairs in (2, 3, 4):
        course = steady(pairs)
        rising = IDLE_A * (1 + np.maximum(course.t_s - 3600, 0) / 3600 * 0.12)
        fault = MadeFault("drift", "pair2", 3600.0, 4.0)
        moved = with_pair(course, 1, rising)
        assert counted(moved, fault, finding(Kind.DRIFT, "pair2", 4800.0)).found
        got = counted(moved, fault, finding(Kind.DRIFT, "pair1", 4800.0))
        assert len(got.blame) == 1, pairs


def test_what_all_pairs_do_together_is_true_of_none_and_of_all() -> None:
    course = steady()
    rising = with_pairs(course, course.pair_a * (1 + 0.06 * course.t_s / 3600)[:, None])
    assert len(counted(rising, None, finding(Kind.DRIFT, "pair1", 4000.0)).false) == 1
    assert counted(rising, None, finding(Kind.COMMON_DRIFT, None, 4000.0)).false == []
    assert len(counted(steady(), None, finding(Kind.COMMON_DRIFT, None, 4000.0)).false) == 1


def test_a_runaway_grows_ever_faster_and_a_drift_does_not() -> None:
    fault = MadeFault("runaway", "pair3", 3600.0, 1.5)
    course = steady()
    grown = IDLE_A * (1 + 0.01 * np.expm1(np.maximum(course.t_s - 3600, 0) / 240).clip(max=50))
    said = finding(Kind.RUNAWAY, "pair3", 4000.0)
    assert counted(with_pair(course, 2, grown), fault, said).found
    assert not counted(drifting(limits=6), replace(fault, kind="drift"), said).found
    assert len(counted(steady(), None, said).false) == 1


def test_a_drop_out_is_one_pairs_current_gone_while_ht_is_there() -> None:
    fault = MadeFault("drop-out", "pair3", 4000.0)
    course = steady()
    gone = with_pair(course, 2, np.where(course.t_s < 4000, IDLE_A, 0.0001))
    said = finding(Kind.DROP_OUT, "pair3", 4000.2)
    assert counted(gone, fault, said).delay_s == pytest.approx(0.2)
    half = with_pair(course, 2, np.where(course.t_s < 4000, IDLE_A, IDLE_A / 2))
    assert counted(half, fault, said).found
    standby = replace(
        course, ht_v=np.where(course.t_s < 4000, 455.0, 0.0), pair_a=gone.pair_a[:, [2, 2, 2, 2]]
    )
    assert len(counted(standby, None, finding(Kind.DROP_OUT, "pair3", 4100.0)).false) == 1


def test_a_mismatch_is_beyond_the_limit_and_not_at_it() -> None:
    course = steady()
    for pct, true in ((3.9, False), (4.1, True), (-4.1, True)):
        apart = with_pair(course, 2, np.full(len(course.t_s), IDLE_A * (1 + pct / 100)))
        got = counted(apart, MadeFault("mismatch", "pair3", 0.0), finding(Kind.MISMATCH, "pair3", 3000.0))
        assert got.found is true, pct


def test_the_statement_may_have_been_true_within_the_minute_before_and_not_earlier() -> None:
    course = steady()
    apart = with_pair(course, 2, np.where(course.t_s < 3000, IDLE_A * 1.1, IDLE_A))
    for raised_s, false in ((3050.0, 0), (3070.0, 1)):
        assert len(counted(apart, None, finding(Kind.MISMATCH, "pair3", raised_s)).false) == false


def test_steps_ceilings_supply_and_gaps_are_read_from_the_noise_free_run() -> None:
    course = steady()
    after = course.t_s >= 3000
    stepped = with_pair(course, 2, np.where(after, IDLE_A * 1.03, IDLE_A))
    hot = replace(course, anode_w=np.where(after[:, None], 26.0, 14.0) * np.ones((1, 4)))
    mains = replace(course, mains_v=np.where(after, 237.0, 230.0))
    lost = replace(course, mains_v=np.where(after, 0.0, 230.0))
    ht = replace(course, ht_v=np.where(after, 440.0, 455.0))
    doubled = with_pairs(course, np.where(after[:, None], 2 * IDLE_A, IDLE_A) * np.ones((1, 4)))
    over = with_pair(course, 2, np.where(after, 0.5, IDLE_A))
    cases = (
        (stepped, Kind.STEP_CHANGE, "pair3"),
        (hot, Kind.OVER_DISSIPATION, "pair3"),
        (mains, Kind.MAINS_CHANGE, None),
        (lost, Kind.MAINS_LOST, None),
        (ht, Kind.HT_CHANGE, None),
        (doubled, Kind.BIAS_LOST, None),
        (over, Kind.OVER_CURRENT, "pair3"),
    )
    for course_of, kind, channel in cases:
        said = finding(kind, channel, 3062.0, onset_s=3000.0)
        assert counted(course_of, None, said).false == [], kind
        assert len(counted(steady(), None, said).false) == 1, kind
    seen = np.ones(course.pair_a.shape, dtype=bool)
    seen[3000:3020] = False
    said = finding(Kind.GAP, None, 2999.9)
    assert counted(course, None, said, seen=seen).false == []
    assert len(counted(course, None, said).false) == 1


def test_a_gap_is_dated_by_the_last_scan_before_it() -> None:
    course = steady()
    seen = np.ones(course.pair_a.shape, dtype=bool)
    seen[3000:3020] = False
    got = counted(course, MadeFault("gap", None, 3000.0), finding(Kind.GAP, None, 2999.9), seen=seen)
    assert got.found
    assert got.delay_s == 0.0


@pytest.mark.parametrize("kind", [Kind.MEASURING_FAULT, Kind.INTERMITTENT])
def test_what_only_the_case_knows_is_true_while_its_fault_is_on(kind: Kind) -> None:
    said = finding(kind, "pair3", 4000.0)
    assert counted(steady(), MadeFault(kind.value, "pair3", 3990.0), said).found
    assert counted(steady(), MadeFault(kind.value, "pair1", 3990.0), said).blame != []
    assert len(counted(steady(), None, said).false) == 1


def test_every_kind_has_a_test_of_its_statement() -> None:
    for kind in Kind:
        channel = "pair3"
        counted(steady(), None, finding(kind, channel, 3000.0))


# statistics


def test_rates_have_garwoods_limits() -> None:
    # Published: 25 counts, 16.18 to 36.90 (the support page of a statistics program on Garwood's method);
    # no count, two-sided 3.689 and one-sided 2.996 (manual of the R package epitools, pois.exact, pois.daly).
    assert statistics.rate_interval(25, 1.0) == pytest.approx((16.18, 36.90), abs=0.005)
    assert statistics.rate_interval(0, 1.0) == pytest.approx((0.0, 3.689), abs=0.0005)
    assert statistics.rate_at_most(0, 1.0) == pytest.approx(2.996, abs=0.0005)


@pytest.mark.parametrize("events", [1, 3, 8, 40])
def test_garwoods_limits_are_where_the_poisson_law_says(events: int) -> None:
    low, high = statistics.rate_interval(events, 2.0)
    assert stats.poisson.sf(events - 1, 2.0 * low) == pytest.approx(0.025)
    assert stats.poisson.cdf(events, 2.0 * high) == pytest.approx(0.025)
    assert stats.poisson.cdf(events, 2.0 * statistics.rate_at_most(events, 2.0)) == pytest.approx(0.05)
    assert stats.poisson.sf(events - 1, 2.0 * statistics.rate_at_least(events, 2.0)) == pytest.approx(0.05)


def test_one_per_thousand_hours_takes_2996_hours_without_an_alarm_and_7754_with_three() -> None:
    assert statistics.exposure_to_claim(0, 1e-3) == pytest.approx(2996, abs=0.5)
    assert statistics.exposure_to_claim(3, 1e-3) == pytest.approx(7754, abs=0.5)


@pytest.mark.parametrize(("hits", "of"), [(0, 10), (3, 12), (198, 200), (7, 7)])
def test_shares_have_the_limits_of_an_exact_binomial_test(hits: int, of: int) -> None:
    exact = stats.binomtest(hits, of).proportion_ci(0.95, method="exact")
    assert statistics.share_interval(hits, of) == pytest.approx((exact.low, exact.high))
    above = stats.binomtest(hits, of, alternative="greater").proportion_ci(0.95, method="exact")
    below = stats.binomtest(hits, of, alternative="less").proportion_ci(0.95, method="exact")
    assert statistics.share_at_least(hits, of) == pytest.approx(above.low)
    assert statistics.share_at_most(hits, of) == pytest.approx(below.high)


WEEKS = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
RELAPSED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]


def test_undetected_runs_are_censored_as_kaplan_and_meier_have_it() -> None:
    # Remission under 6-MP, Freireich and others, Blood 21 (1963) 699; the table is from memory of textbooks.
    found = statistics.survival(WEEKS, [bool(r) for r in RELAPSED])
    assert found.t.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert found.still == pytest.approx([0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=0.0005)
    assert found.quantile(0.5) == 23
    assert math.isnan(found.quantile(0.95))


def test_the_survival_estimate_is_that_of_another_library() -> None:
    rng = np.random.default_rng(5)
    t, hit = rng.integers(1, 40, 60).astype(float), rng.random(60) < 0.6
    other = stats.ecdf(stats.CensoredData(uncensored=t[hit], right=t[~hit])).sf
    found = statistics.survival(t, hit)
    assert found.still == pytest.approx(other.evaluate(found.t))


def test_a_ratio_to_the_bound_is_paired_and_the_same_seed_gives_the_same_interval() -> None:
    rng = np.random.default_rng(6)
    bound = rng.lognormal(2.3, 0.5, 80)
    ours = 1.5 * bound
    every = [True] * 80
    assert statistics.ratio_of_medians(ours, every, bound, every) == pytest.approx(1.5)
    # paired: where each delay is one and a half times its bound, no draw can say anything else
    assert statistics.ratio_interval(ours, every, bound, every, 1) == pytest.approx((1.5, 1.5))
    noisy = ours * rng.lognormal(0, 0.3, 80)
    one = statistics.ratio_interval(noisy, every, bound, every, 2)
    assert one == statistics.ratio_interval(noisy, every, bound, every, 2)
    assert one.low < 1.5 < one.high
    never = [False] * 80
    assert math.isnan(statistics.ratio_of_medians(ours, never, bound, every))


def test_the_interval_of_a_median_holds_as_often_as_it_says() -> None:
    rng = np.random.default_rng(7)
    held = 0
    for k in range(40):
        t = rng.exponential(10.0, 40)
        low, high = statistics.quantile_interval(np.minimum(t, 20.0), t <= 20.0, 0.5, k)
        held += low <= 10.0 * math.log(2) <= high
    assert 34 <= held <= 40


def test_an_alarm_keeps_how_it_stood_when_it_was_raised() -> None:
    listener = Listener()
    listener.hear([finding(Kind.RUNAWAY, "pair3", 4000.0)], 4001.0)
    listener.hear([finding(Kind.RUNAWAY, "pair3", 4000.0, severity=Severity.TRIP)], 4100.0)
    (alarm,) = listener.alarms
    assert isinstance(alarm, Alarm)
    assert alarm.finding.severity is Severity.WARNING
    assert alarm.last.severity is Severity.TRIP


# the ideal detector


def _flicker(rng: np.random.Generator, minutes: int, rms: float) -> np.ndarray:
    """Minute means of 1/f noise made by its spectrum, apart from the program's covariance."""
    f = np.fft.rfftfreq(16384, 1.0)[1:]
    spectrum = np.concatenate(
        [[0], (rng.standard_normal(len(f)) + 1j * rng.standard_normal(len(f))) / np.sqrt(f)]
    )
    seconds = np.fft.irfft(spectrum)
    scale = math.sqrt(2 * float(np.sum(1 / f))) / 16384 * math.sqrt(2)
    return rms * (seconds / scale)[: minutes * 60].reshape(minutes, 60).mean(axis=1)


def test_the_covariance_of_flicker_is_that_of_flicker() -> None:
    rng = np.random.default_rng(8)
    drawn = np.array([_flicker(rng, 20, 1.0) for _ in range(1500)])
    sampled = drawn.T @ drawn / len(drawn)
    assert bound.flicker_covariance(20, 60, 1.0) == pytest.approx(sampled, abs=0.06)


@pytest.mark.parametrize(("rms_mA", "minutes"), [(0.09, 10.0), (0.20, 20.0), (0.34, 34.0)])
def test_the_ideal_detector_takes_10_20_and_34_minutes_between_half_and_twice_the_limit(
    rms_mA: float, minutes: float
) -> None:
    # The medians were worked out beforehand by another program, for a limit of 1 mA an hour.
    rng = np.random.default_rng(9)
    before, after = 60, 120
    hours = np.maximum(np.arange(before + after) + 0.5 - before, 0) / 60
    noise = rms_mA**2 * bound.flicker_covariance(before + after, 60, 1.0) + 1e-4 * np.eye(before + after)
    ideal = bound.Ideal(2 * hours, 0.5 * hours, noise, before, 60.0)
    delays = [
        ideal.delay_s(
            _flicker(rng, before + after, rms_mA) + 0.01 * rng.standard_normal(before + after) + 2 * hours
        )
        / 60
        for _ in range(200)
    ]
    assert np.nanmedian(delays) == pytest.approx(minutes, rel=0.15)


def test_the_ideal_detector_errs_no_more_often_than_it_may() -> None:
    rng = np.random.default_rng(10)
    hours = np.arange(60) / 60
    noise = 0.04 * bound.flicker_covariance(60, 60, 1.0) + 1e-4 * np.eye(60)
    factor = np.linalg.cholesky(noise)
    ideal = bound.Ideal(2 * hours, 0.5 * hours, noise, 0, 60.0)
    called = 0
    for _ in range(3000):
        y = factor @ rng.standard_normal(60) + 0.5 * hours
        called += not math.isnan(ideal.delay_s(y))
    assert called <= statistics.rate_interval(3, 1.0).high  # 3 are allowed of 3,000


# the whole: cases of the family, watched and counted


@pytest.fixture(scope="module")
def drifting_case() -> family.Case:
    """A drift of four times the limit on a bench with three pairs or more."""
    first = family.FIRST_FAULTY
    cases = (family.case("tune", number) for number in range(first, first + 2000))
    return next(
        c for c in cases if c.fault and c.fault.kind == "drift" and c.fault.size == 4.0 and c.pairs >= 3
    )


def as_run(case: family.Case, *findings: Finding) -> Run:
    (course,) = family.courses([case])
    seen = np.ones(course.pair_a.shape, dtype=bool)
    return Run(parse(case.setup_text()), course, case.fault, alarms_of(findings), seen)


def perfect(case: family.Case) -> Finding:
    assert case.fault is not None
    raised_s = case.fault.onset_s + 1200.0
    return finding(Kind.DRIFT, case.fault.channel, raised_s, onset_s=case.fault.onset_s)


def result_of(case: family.Case, *findings: Finding) -> run.Result:
    return run.as_result(case, count(as_run(case, *findings)))


def by_name(results: list[run.Result]) -> dict[str, figures.Figure]:
    return {figure.name: figure for figure in figures.score(results, "tune").figures}


def test_perfect_findings_score_everything(drifting_case: family.Case) -> None:
    got = by_name([replace(result_of(drifting_case, perfect(drifting_case)), limit_u=0.1)])
    for name in (
        "found within 2 h, all that must be",
        "right pair, where one is named",
        "right kind at the end",
        "drift, 4 x limit: found",
        "drift, 4 x limit: pair named",
    ):
        assert got[name].value == 1.0, name
    assert got["false alarms"].value == 0.0
    assert got["drift, 4 x limit: delay, median"].value == 1200.0


def test_empty_findings_score_nothing_and_no_false_alarm(drifting_case: family.Case) -> None:
    got = by_name([replace(result_of(drifting_case), limit_u=0.1)])
    assert got["found within 2 h, all that must be"].value == 0.0
    assert got["false alarms"].value == 0.0
    assert got["false alarms"].n > 0
    assert math.isnan(got["drift, 4 x limit: delay, median"].value)
    assert math.isnan(got["right pair, where one is named"].value)


def test_shuffled_channels_are_caught_as_blame(drifting_case: family.Case) -> None:
    assert drifting_case.fault is not None
    said = perfect(drifting_case)
    other = "pair1" if drifting_case.fault.channel != "pair1" else "pair2"
    shuffled = said.changed(channel=other, channels=(other,))
    got = by_name([replace(result_of(drifting_case, shuffled), limit_u=0.1)])
    assert got["right pair, where one is named"].value == 0.0
    assert got["drift, 4 x limit: another pair blamed"].value == 1.0
    assert got["found within 2 h, all that must be"].value == 0.0


def test_what_the_noise_hides_need_not_be_found(drifting_case: family.Case) -> None:
    one = result_of(drifting_case)
    assert replace(one, limit_u=0.9).demanded
    assert not replace(one, limit_u=1.1).demanded
    got = by_name([replace(one, limit_u=1.1)])
    assert got["left out: below three standard uncertainties"].value == 1.0
    assert got["found within 2 h, all that must be"].n == 0


@pytest.mark.nightly
def test_the_same_seeds_give_the_same_figures_on_any_number_of_cores() -> None:
    plan = run.Plan(healthy=1, whole=1, rounds=(), drifts=1)
    told: list[tuple[int, int]] = []
    one = figures.score(run.score_cases("tune", plan, lambda *a: told.append(a), workers=1), "tune")
    two = figures.score(run.score_cases("tune", plan, lambda done, of: None, workers=2), "tune")
    assert one.document() == two.document()
    assert told == [(1, 2), (2, 2)]
    ours, ideal = (
        next(f for f in one.figures if f.name == f"drift, 2 x limit{end}")
        for end in (": delay, median", ": median delay over the ideal detector's")
    )
    assert ours.value > 0
    assert ideal.value >= 1.0


def test_a_goal_is_missed_once_that_is_proved(drifting_case: family.Case) -> None:
    result = result_of(drifting_case)
    hours = replace(result, exposure_h=1000.0)
    told = run.Told("drift", "pair1", "warning", 100.0, "made up")
    few = figures.score([replace(hours, false=[told] * 4)], "tune")
    many = figures.score([replace(hours, false=[told] * 5)], "tune")
    # Poisson: with 4 events the one-sided lower limit is 1.37, with 3 it is 0.82 (scipy's chi-square law)
    assert "false alarms, at least" in {f.name for f in many.missed}
    assert "false alarms, at least" in {f.name for f in few.missed}
    three = figures.score([replace(hours, false=[told] * 3)], "tune")
    assert three.missed == []
    goals = {f.name: f.goal for f in three.figures if f.goal is not None}
    assert goals["false alarms, at least"] == 1.0
    assert goals["right kind at the end"] == 0.95
    assert "false alarms, at most" not in goals  # a thousand hours can't claim it with no alarm at all
    long = figures.score([replace(hours, exposure_h=3000.0)], "tune")
    assert {f.name: f.goal for f in long.figures}["false alarms, at most"] == 1.0
    share = figures.Figure("share", 0.9, "share", "more", 10, 0.55, 0.997, goal=0.99)
    assert not share.missed
    assert not share.reached
    assert replace(share, high=0.98).missed
    document = three.document()
    assert set(document[0]) == {"name", "value", "unit", "goal", "better", "n", "low", "high"}
    assert "7,754 pair-hours" in three.says[0]


def test_a_case_that_breaks_the_watch_is_told_and_costs_no_other_its_figures(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def broken(self: Pipeline, block: object) -> None:
        raise ZeroDivisionError("made up")

    monkeypatch.setattr(Pipeline, "feed", broken)
    result = run.score_case("tune", 3, False)
    found = figures.score([result], "tune")
    assert [f.name for f in found.missed] == ["cases in which the watch broke down"]
    assert found.figures[0].n == 0
    assert "Case 3 of the tune half broke the watch: ZeroDivisionError: made up" in found.says[-1]


def test_scans_decide_the_delay_of_a_drop_out() -> None:
    first = family.FIRST_FAULTY
    number = next(
        n
        for n in range(first, first + 2000)
        if (c := family.case("tune", n)).fault
        and c.fault.kind == "drop-out"
        and not c.fault.variant
        and c.has_ht
        and c.pairs >= 3
        and c.scans_per_s == 10
        and c.fault.onset_s > c.warm_at_s
    )
    result = run.score_case("tune", number, False)
    assert result.found
    assert result.delay_s <= 0.2 + 1e-6


def test_the_worst_cases_are_drawn_in_one_file_that_needs_nothing_from_outside(
    tmp_path: Path, drifting_case: family.Case
) -> None:
    missed = replace(result_of(drifting_case), limit_u=0.1)
    path = tmp_path / "report.html"
    picture.write(path, [missed], force=False)
    text = path.read_text(encoding="utf-8")
    assert f"Miss: case {drifting_case.number}" in text
    assert "noise-free" in text
    assert not re.search(r"<(script|link|img)[^>]*(src|href)=", text)
    with pytest.raises(FileExistsAlready):
        picture.write(path, [missed], force=False)
    picture.write(path, [], force=True)
    assert "nothing to show" in path.read_text(encoding="utf-8")


def test_the_command_says_and_writes_its_figures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run, "QUICK", run.Plan(healthy=1, whole=0, rounds=(), drifts=1))
    monkeypatch.setattr(run, "_cores", lambda: 1)
    out = tmp_path / "score.json"
    assert soakbench.main(["score", "--quick", "--json", str(out)]) == 0
    found = {f["name"]: f for f in json.loads(out.read_text(encoding="utf-8"))}
    assert found["false alarms, at least"]["goal"] == 1.0
    assert found["drift, 2 x limit: found"]["n"] == 1
    assert "scoring: 2 of 2 cases" in capsys.readouterr().err
    assert soakbench.main(["score", "--quick"]) == 0
    text = capsys.readouterr().out
    assert "pair-hours with no false alarm" in text
    assert "the scorer" in text
    assert soakbench.main(["score", "--quick", "--json", str(out)]) == 2
    assert soakbench.main(["score", "--seeds", "mine"]) == 2


def slow_bench(kind: str, size: float, variant: str) -> family.Case:
    """A case of a kind on a bench of one or two scans a second, with three pairs or more."""
    first = family.FIRST_FAULTY
    turn = run.kinds_in_turn("tune")
    start = next(
        n for n in range(first, first + turn) if (f := family.case("tune", n).fault) and f.kind == kind
    )
    for number in range(start, start + 200 * turn, turn):
        case = family.case("tune", number)
        assert case.fault is not None
        fits = (case.fault.size, case.fault.variant) == (size, variant)
        if fits and 1 <= case.scans_per_s <= 2 and case.pairs >= 3:
            return case
    raise LookupError(kind)


@pytest.mark.parametrize(
    ("kind", "size", "variant"),
    [("drift", 4.0, ""), ("runaway", 1.0, "fast"), ("drop-out", 1.0, ""), ("mismatch", 2.0, "")],
)
def test_ticks_and_scans_of_a_case_give_the_same_alarms_within_two_seconds(
    kind: str, size: float, variant: str
) -> None:
    case = slow_bench(kind, size, variant)
    assert case.fault is not None
    until = min(int(case.fault.onset_s) + 2400, case.duration_s)
    (course,) = family.courses([case])
    ticks = family.ticks(case, course)
    heard = []
    for scans in (False, True):
        pipeline, listener = Pipeline(parse(case.setup_text())), Listener()
        for start in range(0, until, 600):
            stop = min(start + 600, until)
            block = family.readings(case, course, start, stop) if scans else tick_rows(ticks, start, stop)
            listener.hear(pipeline.feed(block).findings, stop)
        # which of the two says first that a pair rises depends on the noise, which is drawn anew for scans
        heard.append([a for a in listener.alarms if (kind, a.finding.kind) != ("runaway", Kind.DRIFT)])
    by_ticks, by_scans = heard
    assert [(a.finding.kind, a.finding.channels) for a in by_ticks] == [
        (a.finding.kind, a.finding.channels) for a in by_scans
    ]
    assert kind in {a.finding.kind for a in by_scans}
    for one, other in zip(by_ticks, by_scans, strict=True):
        # a runaway is fitted each ten seconds, and the converter's noise is drawn anew for the scans
        bins_s = 40.0 if one.finding.kind == "runaway" else 0.0
        assert abs(one.raised_s - other.raised_s) <= 2.0 + bins_s
