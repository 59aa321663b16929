"""The family of amplifiers: drawn from numbers alone, true to what it says is wrong, seen alike both ways."""

from __future__ import annotations

import tomllib
from collections import Counter
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from logger.blocks import FloatArray, TickBlock
from logger.convert import TickMaker
from logger.errors import RequestError
from logger.finding import Kind
from logger.setup import parse
from logger.simulator import family
from logger.simulator.family import (
    DRIFT_PER_H,
    FIRST_FAULTY,
    MATCH,
    SETTLE,
    SIDE_BALANCE,
    SIZES,
    TYPES,
    WARN,
    Case,
    Course,
)

HEALTHY, FAULTY = 60, 190
KINDS = 19


@lru_cache(maxsize=1)
def drawn() -> list[Case]:
    return family.draw("report", HEALTHY, FAULTY)


@lru_cache(maxsize=1)
def wide() -> list[Case]:
    """Return healthy cases of the other half."""
    return family.draw("tune", 130, 0)


@lru_cache(maxsize=2)
def of(kind: str, variant: str | None = None) -> list[tuple[Case, Course]]:
    """Return the runs with a fault, at least one; kind "" for the healthy ones."""
    cases = [
        one
        for one in drawn()
        if ("" if one.fault is None else one.fault.kind) == kind
        and (variant is None or (one.fault is not None and one.fault.variant == variant))
    ]
    assert cases
    return list(zip(cases, family.courses(cases), strict=True))


def at(run: FloatArray, t_s: float) -> FloatArray:
    return np.asarray(run[int(t_s)])


def pair(one: Case) -> int:
    assert one.fault is not None
    assert one.fault.channel is not None
    return one.names.index(one.fault.channel)


def onset(one: Case) -> float:
    assert one.fault is not None
    return one.fault.onset_s


def size(one: Case) -> float:
    assert one.fault is not None
    return one.fault.size


def from_the_others(currents: FloatArray) -> FloatArray:
    """Each pair less the median of all, or the other of two; relative to the median. Rows are times."""
    median = np.median(currents, axis=-1, keepdims=True)
    if currents.shape[-1] == 2:
        return np.asarray((currents - currents[..., ::-1]) / median)
    return np.asarray((currents - median) / median)


def slopes_per_h(values: FloatArray, minutes: int) -> FloatArray:
    """Least-squares slopes of minute means over every window so long, relative to the mean."""
    n = len(values) // 60
    y = values[: 60 * n].reshape(n, 60, -1).mean(axis=1)
    x = np.arange(minutes) - (minutes - 1) / 2
    windows = np.lib.stride_tricks.sliding_window_view(y, minutes, axis=0)
    return np.asarray(60 * windows @ x / (x @ x) / y.mean(axis=0))


# ---- drawing


def test_a_case_is_the_same_in_any_batch() -> None:
    few, many = family.draw("tune", 2, 1), family.draw("tune", 5, 4)

    assert few[:2] == many[:2]
    assert few[2] == many[5]
    alone, among = family.courses(few[1:2])[0], family.courses(many)[1]
    np.testing.assert_array_equal(alone.pair_a, among.pair_a)
    first, second = family.ticks(few[1], alone), family.ticks(many[1], among)
    np.testing.assert_array_equal(first.mean, second.mean)
    np.testing.assert_array_equal(first.greatest, second.greatest)


def test_the_two_halves_share_nothing() -> None:
    tune, report = family.draw("tune", 20, 20), family.draw("report", 20, 20)

    for a, b in zip(tune, report, strict=True):
        assert a.pair[0].aim_a != b.pair[0].aim_a
        assert not np.allclose(family.flicker(a)[:100, 0], family.flicker(b)[:100, 0])


def test_no_other_half_is_known() -> None:
    with pytest.raises(RequestError, match="tune, report"):
        family.case("test", 1)  # type: ignore[arg-type]


def test_kinds_and_sizes_take_even_turns() -> None:
    faults = [one.fault for one in drawn() if one.fault is not None]

    assert len(faults) == FAULTY
    assert {f.kind for f in faults} == {kind.value for kind in Kind if kind is not Kind.QUESTION}
    assert set(Counter(f.kind for f in faults).values()) == {FAULTY // KINDS}
    for kind in ("drift", "unsettled", "mismatch", "step change", "side balance", "common drift"):
        sizes = Counter(f.size for f in faults if f.kind == kind)
        assert sizes == dict.fromkeys(SIZES, FAULTY // KINDS // len(SIZES))


def test_the_family_is_as_wide_as_it_is_said_to_be() -> None:
    healthy = wide()

    assert {one.pairs for one in healthy} == {1, 2, 3, 4, 5, 6}
    assert {one.valve for one in healthy} == set(TYPES)
    assert {one.bias for one in healthy} == {"fixed", "cathode"}
    assert {one.warm_up for one in healthy} == {"fast", "usual", "slow", "two-way"}
    classes = {"quiet", "typical", "noisy", "very noisy"}
    assert {one.noise_class for one in healthy} == classes
    assert min(one.scans_per_s for one in healthy) == 0.5
    assert max(one.scans_per_s for one in healthy) == 50.0
    assert {one.step_v for one in healthy} == {8e-6, 15.625e-6, 31.25e-6, 62.5e-6, 125e-6}
    for name in ("has_ht", "has_mains", "has_bias", "has_temperature", "hot_restart"):
        assert {getattr(one, name) for one in healthy} == {True, False}
    assert max(abs(by) for one in healthy for _, by in one.life.steps) > 0.05
    assert any(one.life.blinks for one in healthy)
    assert any(one.life.standby_s for one in healthy)
    assert any(one.life.doors for one in healthy)
    assert all(9000 <= one.duration_s <= 14_400 for one in healthy)
    assert 3.0 < np.mean([one.pairs for one in healthy]) < 4.2


def test_every_set_up_is_one_and_says_what_the_case_says() -> None:
    for one in drawn():
        setup = parse(one.setup_text())

        assert tuple(setup.names) == one.names
        assert setup.amp.valve == one.valve
        assert setup.link.scans_per_s == one.scans_per_s
        assert setup.valves_on(setup.pairs[0]) == one.valves_per_pair
        assert (setup.pairs[0].side is not None) == one.by_side
        assert sum(step.seconds for step in setup.plan.steps) == pytest.approx(1800 + one.soak_s, abs=1)
        assert setup.ceiling.watts == TYPES[one.valve].anode_w
        assert setup.limits.warn_pct == 100 * WARN[one.bias]
        assert setup.limits.fail_pct == pytest.approx(100 * family.FAIL[one.bias])
        assert setup.limits.chassis_max_C == family.CHASSIS_MAX_C
        assert setup.limits.side_balance_pct == 100 * SIDE_BALANCE
        assert setup.limits.match_a(1.0) == pytest.approx(MATCH)
        assert setup.limits.drift_a_per_h(1.0) == pytest.approx(DRIFT_PER_H)
        assert setup.limits.settle_a(1.0) == pytest.approx(SETTLE)
        assert one.full_scale_v > 1.3 * max(p.aim_a for p in one.pair) * one.sense_ohm
        low, high = setup.screen_fraction
        assert low <= one.supply.screen_share <= high


def test_the_table_of_types_is_that_of_the_ratings() -> None:
    for name, type_ in TYPES.items():
        text = next(one for one in wide() if one.valve == name).setup_text()
        rating = parse(text).rating

        assert rating.anode_w == type_.anode_w
        assert rating.cathode_a == type_.cathode_a


# ---- the noise-free runs


@pytest.mark.parametrize("number", range(HEALTHY))
def test_a_healthy_run_stays_well_within_every_limit(number: int) -> None:
    one = drawn()[number]
    run = family.courses([one])[0]
    warm = int(one.warm_at_s)
    steady = run.steady_a[warm:]
    back_s = max((until for _, until in one.life.standby_s), default=0.0)
    restart = (run.t_s[warm:] >= back_s - 60.0) & (run.t_s[warm:] < back_s + 600.0) if back_s else False
    judged = steady[~np.broadcast_to(restart, len(steady))]

    if one.pairs > 1:
        assert np.abs(from_the_others(judged)).max() < 0.7 * MATCH
    for span in (judged, judged - np.median(judged, axis=1, keepdims=True) + one.idle_a):
        if one.pairs > 1 or span is judged:
            assert np.abs(slopes_per_h(span, 20)).max() < 0.7 * DRIFT_PER_H
    assert np.abs(judged[:600].mean(axis=0) / judged[1200:2400].mean(axis=0) - 1).max() < 0.7 * SETTLE
    powered = run.anode_w[int(one.ht_on_s) + 120 :]
    assert powered.max() < 0.97 * WARN[one.bias] * TYPES[one.valve].anode_w
    assert run.chassis_c.max() < 0.75 * family.CHASSIS_MAX_C
    if one.window_mA is not None:
        settled = run.pair_a[warm:][run.ht_v[warm:] > 0.5 * one.nominal_ht_v]
        calm = settled if not one.life.blinks else np.percentile(settled, [1, 99], axis=0)
        assert one.window_mA[0] / 1e3 < calm.min()
        assert calm.max() < one.window_mA[1] / 1e3


def test_warm_ups_are_seen_and_mostly_over_in_time() -> None:
    for one, run in of(""):
        if one.hot_restart:
            continue
        assert run.pair_a[int(one.ht_on_s) - 1].max() == 0.0
        assert run.ht_v[int(one.ht_on_s) - 1] == 0.0
        early = run.steady_a[int(one.ht_on_s) + 60] / run.steady_a[int(one.warm_at_s)] - 1
        assert np.abs(early).max() > (0.0002 if one.life.steps else 0.001)


def test_drift_moves_at_its_size() -> None:
    for one, run in of("drift"):
        start, end = int(onset(one)) + 1, one.duration_s - 1
        j = pair(one)
        # its own tails are drawn for a healthy pair: take that run's movement off
        healthy = family.courses([replace(one, fault=None)])[0]
        moved = (
            run.steady_a[:, j]
            - healthy.steady_a[:, j] * run.steady_a[start - 1, j] / healthy.steady_a[start - 1, j]
        )
        rate = (moved[end] - moved[start]) / (end - start) * 3600 / one.idle_a

        assert abs(rate) == pytest.approx(size(one) * DRIFT_PER_H, rel=0.05)
        before = run.steady_a[: start - 1, j]
        np.testing.assert_array_equal(before, healthy.steady_a[: start - 1, j])


def test_a_mismatched_pair_is_its_size_from_the_others() -> None:
    for one, run in of("mismatch"):
        apart = from_the_others(at(run.steady_a, one.soaked_at_s))

        assert np.abs(apart).max() == pytest.approx(size(one) * MATCH, rel=0.15, abs=0.006)
        aims = from_the_others(np.array([p.aim_a for p in one.pair]))
        assert np.abs(aims).max() == pytest.approx(size(one) * MATCH, rel=0.02)
        if one.pairs > 2:
            assert int(np.argmax(np.abs(aims))) == pair(one)
        else:
            assert one.fault is not None
            assert one.fault.channel is None


def test_an_unsettled_pair_has_its_size_to_go_when_the_warm_up_ends() -> None:
    for one, run in of("unsettled"):
        j = pair(one)
        healthy = family.courses([replace(one, fault=None)])[0]
        rest = healthy.steady_a[-1200:, j].mean()
        over = at(run.steady_a, one.warm_at_s)[j] - rest

        assert abs(over) / one.idle_a == pytest.approx(size(one) * SETTLE, rel=0.05, abs=0.0004)
        assert abs(run.steady_a[-1, j] - rest) < 0.5 * abs(over)


def test_a_step_happens_within_five_seconds_and_stays() -> None:
    for one, run in of("step change"):
        j, k = pair(one), int(onset(one))
        step = run.steady_a[k + 6, j] - run.steady_a[k, j]

        assert abs(step) / one.idle_a == pytest.approx(size(one) * MATCH, rel=0.05)
        assert run.steady_a[-1, j] - run.steady_a[k, j] == pytest.approx(step, rel=0.35)


def test_sides_differ_by_their_size() -> None:
    for one, run in of("side balance"):
        late = at(run.steady_a, one.soaked_at_s)
        push, pull = late[::2].sum(), late[1::2].sum()

        assert abs(push - pull) / (0.5 * (push + pull)) == pytest.approx(
            size(one) * SIDE_BALANCE, rel=0.1, abs=0.004
        )


def test_a_common_drift_moves_every_pair_and_the_bias_with_them() -> None:
    for one, run in of("common drift"):
        start, end = int(onset(one)) + 1, one.duration_s - 1
        healthy = family.courses([replace(one, fault=None)])[0]
        grown = run.steady_a[end] / healthy.steady_a[end] - 1

        expected = size(one) * DRIFT_PER_H * (end - onset(one)) / 3600
        np.testing.assert_allclose(np.abs(grown), expected, rtol=0.01)
        if one.bias == "fixed":
            bias = abs(run.bias_v[end] / run.bias_v[start] - 1)
            assert bias > 0.1 * expected - 0.004


def test_a_pair_out_of_the_makers_window_is_its_size_away() -> None:
    for one, run in of("out of limits"):
        assert one.window_mA is not None
        low, high = one.window_mA
        middle, half = (low + high) / 2e3, (high - low) / 2e3
        late = float(np.median(at(run.steady_a, one.soaked_at_s)))

        assert abs(late - middle) / half == pytest.approx(size(one), abs=0.1)
        assert parse(one.setup_text()).limits.pair_low_mA == pytest.approx(low, abs=0.001)


@pytest.mark.parametrize(
    ("variant", "within_s"), [("fast", (18, 95)), ("slow", (85, 610)), ("warm-up", (18, 245))]
)
def test_a_runaway_grows_faster_than_an_exponential_until_the_fuse_opens(
    variant: str, within_s: tuple[float, float]
) -> None:
    for one, run in of("runaway", variant):
        j = pair(one)
        healthy = family.courses([replace(one, fault=None)])[0]
        excess = run.steady_a[:, j] / np.maximum(healthy.steady_a[:, j], 1e-9) - 1
        when = [int(np.argmax(excess > level)) for level in (0.025, 0.05, 0.1, 0.2, 0.4)]

        assert all(np.diff(when) > 0)
        assert within_s[0] < when[1] - when[0] < within_s[1]
        assert np.diff(when)[3] < np.diff(when)[1]  # doubling takes ever less time
        assert excess[: int(onset(one))].max() < 1e-9
        assert excess.max() > 1.4
        assert run.pair_a[-1, j] == 0.0
        assert (run.anode_w[:, j] > TYPES[one.valve].anode_w).any()
        assert (when[0] < one.warm_at_s) == (variant == "warm-up") or variant == "warm-up"


def test_a_drop_out_takes_what_it_says_and_the_supply_answers() -> None:
    for one, run in of("drop-out"):
        assert one.fault is not None
        j, k = pair(one), int(onset(one))
        left = run.pair_a[k + 3, j] / run.pair_a[k, j]

        if one.fault.variant == "half":
            assert left == pytest.approx(0.5, rel=0.15)
            continue
        assert left == 0.0
        assert run.pair_a[-1, j] == 0.0
        lost = run.pair_a[k, j] / run.pair_a[k].sum()
        assert run.ht_v[k + 3] / run.ht_v[k] - 1 == pytest.approx(
            one.supply.regulation * lost, rel=0.75, abs=0.004
        )
        if one.fault.variant == "re-lock":
            lives = run.pair_a[k + 1 :, j] > 0.5 * run.pair_a[k, j]
            assert 60 < lives.sum() < 520
            assert (run.ht_v[k:] < 0.1 * one.nominal_ht_v).sum() > 10


def test_a_short_passes_more_than_its_valves_may_until_the_fuse_opens() -> None:
    for one, run in of("over-current"):
        assert one.fault is not None
        j, k = pair(one), int(onset(one)) + 1
        most_a = (TYPES[one.valve].cathode_a or 0.0) * one.valves_per_pair
        if one.fault.variant == "railed":
            most_a = one.full_scale_v / one.sense_ohm

        assert run.pair_a[k, j] > most_a > 0.0
        assert 0.5 * one.nominal_ht_v < run.ht_v[k] < run.ht_v[k - 2]
        assert run.pair_a[k + 22, j] == 0.0


def test_too_hot_a_bias_is_over_its_limit_throughout() -> None:
    for one, run in of("over-dissipation"):
        assert one.fault is not None
        watts = at(run.anode_w, one.soaked_at_s) / TYPES[one.valve].anode_w
        limit = WARN[one.bias] if one.fault.variant == "warn" else family.FAIL[one.bias]

        assert watts.min() > limit
        assert watts.max() < 1.3
        assert watts.mean() / WARN[one.bias] == pytest.approx(size(one), rel=0.06)


def test_a_hot_chassis_passes_its_limit() -> None:
    for one, run in of("over-temperature"):
        assert run.chassis_c[: int(onset(one))].max() < 0.75 * family.CHASSIS_MAX_C
        assert run.chassis_c[-1] > family.CHASSIS_MAX_C


def test_without_bias_all_pairs_double_and_ht_sags() -> None:
    for one, run in of("bias lost"):
        k = int(onset(one))
        ratio = run.pair_a[k + 8] / run.pair_a[k]

        assert (ratio > 1.6).all()
        assert (ratio < 3.6).all()
        assert run.ht_v[k + 8] < run.ht_v[k]
        assert run.pair_a[k + 250].max() == 0.0


def test_mains_and_ht_change_as_they_say() -> None:
    for one, run in of("mains change"):
        k = int(onset(one))
        step = run.mains_v[k + 20 : k + 50].mean() / run.mains_v[k - 30 : k].mean() - 1
        assert 0.01 < abs(step) < 0.065
        moved = run.pair_a[k + 50] / run.pair_a[k - 5] - 1
        assert (np.sign(moved) == np.sign(step)).all()
    for one, run in of("HT change"):
        k = int(onset(one))
        step = run.ht_v[k + 3] / run.ht_v[k] - 1
        assert 0.008 < abs(step) < 0.06
        assert abs(run.mains_v[k + 3] / run.mains_v[k] - 1) < 0.01


def test_mains_that_are_lost_take_everything_with_them() -> None:
    for one, run in of("mains lost"):
        k = int(onset(one))
        assert run.mains_v[k + 1 : k + 8].max() == 0.0
        assert run.pair_a[k + 5].max() < 1e-3
        assert run.ht_v[k + 5] < 0.05 * one.nominal_ht_v


# ---- noise


def allan_deviation(y: FloatArray, m: int) -> float:
    """The overlapping Allan deviation of y at m samples."""
    sums = np.cumsum(np.concatenate([[0.0], y]))
    means = (sums[m:] - sums[:-m]) / m
    return float(np.sqrt(0.5 * np.mean((means[m:] - means[:-m]) ** 2)))


def test_the_allan_deviation_used_here_is_the_published_one() -> None:
    # NIST SP 1065 (Riley 2008), section 12.4, 1000-point set and Table 31, overlapping
    n, data = 1234567890, []
    for _ in range(1000):
        data.append(n / 2147483647)
        n = 16807 * n % 2147483647

    for m, expected in ((1, 2.922319e-01), (10, 9.159953e-02), (100, 3.241343e-02)):
        assert allan_deviation(np.array(data), m) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("exponent", [0.8, 1.0, 1.25, 1.5])
def test_flicker_has_its_level_and_its_colour(exponent: float) -> None:
    base = next(one for one in wide() if one.pairs == 6)
    noise = np.concatenate(
        [
            family.flicker(replace(base, number=k, exponent=exponent, flicker_a=2e-4, duration_s=16_384))
            for k in range(12)
        ],
        axis=1,
    )

    assert np.sqrt(np.mean(noise**2)) == pytest.approx(2e-4, rel=0.06)
    # Power-law noise f**-a gives an Allan variance that goes as tau**(a - 1) (NIST SP 1065, section 3)
    lags = np.array([16, 64, 256, 1024])
    variance = [np.mean([allan_deviation(y, m) ** 2 for y in noise.T]) for m in lags]
    slope = np.polyfit(np.log(lags), np.log(variance), 1)[0]
    assert slope == pytest.approx(exponent - 1, abs=0.09)
    if exponent == 1.0:
        # level: 2 ln 2 times the power at 1 Hz, which is rms**2 over the logarithm of the band's ends
        expected = 2 * np.log(2) * 4e-8 / np.log(8192)
        assert np.mean(variance) == pytest.approx(expected, rel=0.12)


# ---- ticks and readings


def seen_both_ways(one: Case) -> tuple[TickBlock, TickBlock]:
    run = family.courses([one])[0]
    maker = TickMaker()
    parts = [maker.feed(family.readings(one, run, 0.0, 9e9)), maker.finish()]
    return family.ticks(one, run), TickBlock(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in TickBlock.__dataclass_fields__)
    )


def sample(what: str, value: object) -> Case:
    """Return a short healthy case with this rate or step, or one with this fault, which acts on scans."""
    if what == "fault":
        having = [o for o in drawn() if o.fault is not None and (o.fault.kind, o.fault.variant) == value]
        return min(having, key=lambda one: abs(one.scans_per_s - 10.0))
    return replace(next(one for one in drawn() if getattr(one, what) == value), duration_s=3000)


@pytest.mark.parametrize(
    ("what", "value"),
    [
        *(("scans_per_s", rate) for rate in (0.5, 0.8, 1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 50.0)),
        *(("step_v", step_v) for step_v in (8e-6, 15.625e-6, 31.25e-6, 62.5e-6, 125e-6)),
        *(("fault", ("intermittent", variant)) for variant in ("low", "high", "both")),
        *(("fault", ("measuring fault", variant)) for variant in ("lead off", "stuck code", "hum")),
        ("fault", ("measuring fault", "meter clipped on")),
        ("fault", ("over-current", "railed")),
        ("fault", ("drop-out", "re-lock")),
        ("fault", ("gap", "cable out")),
    ],
)
def test_ticks_are_what_the_readings_make(what: str, value: object) -> None:
    one = sample(what, value)
    ticks, made = seen_both_ways(one)

    np.testing.assert_array_equal(ticks.t_s, made.t_s)
    np.testing.assert_array_equal(ticks.closed_s, made.closed_s)
    np.testing.assert_array_equal(ticks.n, made.n)
    np.testing.assert_array_equal(ticks.railed, made.railed)
    run = family.courses([one])[0]
    for c, name in enumerate(one.names):
        there = ticks.n[:, c] > 0
        wire = family._wiring(one)[c]
        noise = wire.noise_v * wire.per_v
        n = ticks.n[there, c]
        apart = (
            (ticks.mean[there, c] - made.mean[there, c])
            * np.sqrt(n / 2)
            / np.hypot(noise, 0.29 * wire.step_v * wire.per_v)
        )
        assert np.abs(apart).max() < 6.5, name
        assert abs(apart.mean()) < 5 / np.sqrt(len(apart)), name
        # seconds made of their scans are the same in both
        assert apart.std() < 1.12, name
        if what != "fault":
            assert apart.std() > 0.88, name
        for extreme in ("least", "greatest"):
            a, b = (getattr(block, extreme)[there, c] for block in (ticks, made))
            assert abs(np.mean(a - b)) < 6 * noise / np.sqrt(len(a)), (name, extreme)
            assert np.std(a - run_level(one, run, c)[ticks.t_s[there]]) == pytest.approx(
                np.std(b - run_level(one, run, c)[ticks.t_s[there]]), rel=0.15, abs=0.05 * noise
            )
    seen = ticks.n > 0
    assert (ticks.least[seen] <= ticks.mean[seen] + 1e-12).all()
    assert (ticks.mean[seen] <= ticks.greatest[seen] + 1e-12).all()


def run_level(one: Case, run: Course, column: int) -> FloatArray:
    """What a channel is about, free of noise, a row a second."""
    if column < one.pairs:
        return run.pair_a[:, column] + family.flicker(one)[:, column]
    name = one.names[column]
    return {
        "ht": run.ht_v,
        "mains": run.mains_v,
        "bias": run.bias_v,
        "chassis": run.chassis_c,
        "ambient": run.ambient_c,
    }[name]


def test_readings_do_not_depend_on_how_they_are_cut() -> None:
    one = next(one for one in drawn() if one.scans_per_s == 10.0)
    run = family.courses([one])[0]
    whole = family.readings(one, run, 0.0, 300.0)
    parts = [family.readings(one, run, a, b) for a, b in ((0.0, 63.95), (63.95, 64.0), (64.0, 300.0))]

    np.testing.assert_array_equal(whole.t_us, np.concatenate([p.t_us for p in parts]))
    np.testing.assert_array_equal(whole.values, np.concatenate([p.values for p in parts]))


def test_a_drop_out_is_seen_from_its_own_scan_on() -> None:
    one, run = next((o, r) for o, r in of("drop-out", "") if o.scans_per_s >= 10.0)
    k, j = int(onset(one)), pair(one)
    block = family.readings(one, run, k, k + 2)
    gone = block.values[:, j] < 0.2 * run.pair_a[k, j]

    np.testing.assert_array_equal(gone, block.t_us / 1e6 >= onset(one))


def test_a_shorted_pair_rails_its_channel_high_and_only_for_as_long() -> None:
    for one, run in of("over-current", "railed"):
        ticks = family.ticks(one, run)
        rows = np.flatnonzero(ticks.railed[:, pair(one)])

        assert ticks.railed.sum() == ticks.railed[:, pair(one)].sum() > 0
        assert rows[0] - onset(one) <= 1 + 1 / one.scans_per_s
        assert len(rows) <= 22


def test_a_gap_is_a_hole_in_all_channels() -> None:
    for one, run in of("gap"):
        ticks = family.ticks(one, run)
        hole = (ticks.n == 0).all(axis=1)
        inside = (ticks.t_s > onset(one) + 1) & (ticks.t_s < onset(one) + 7)

        assert hole[inside].all()
        assert ticks.closed_s[int(onset(one)) + 2] > onset(one) + 8


def test_measuring_faults_change_what_is_seen_and_nothing_else() -> None:
    variants = set()
    for one, run in of("measuring fault"):
        assert one.fault is not None
        c, k = one.names.index(str(one.fault.channel)), int(onset(one))
        ticks = family.ticks(one, run)
        before, after = (ticks.mean[a:b, c] for a, b in ((k - 400, k), (k + 30, k + 55)))
        before, after = before[~np.isnan(before)], after[~np.isnan(after)]
        healthy = family.courses([replace(one, fault=None)])[0]
        np.testing.assert_array_equal(run.pair_a, healthy.pair_a)
        match one.fault.variant:
            case "lead off":
                assert after.mean() < 0.75 * before.mean()
            case "stuck code":
                assert np.ptp(after) < 1e-12
                assert after[0] == pytest.approx(before.mean(), rel=0.1)
            case "hum":
                spans = (ticks.greatest - ticks.least)[:, c]
                if one.scans_per_s > 2:
                    assert np.nanmean(spans[k + 5 :]) > 2 * np.nanmean(spans[k - 300 : k])
            case "meter clipped on":
                assert 0.4 < after.mean() / before.mean() < 0.95
                assert ticks.mean[-20:, c][ticks.n[-20:, c] > 0].mean() == pytest.approx(
                    before.mean(), rel=0.05
                )
            case "HT reads 0":
                assert abs(after.mean()) < 0.01 * one.nominal_ht_v
        variants.add(one.fault.variant)
    assert variants == {"lead off", "stuck code", "hum", "meter clipped on", "HT reads 0"}


def test_crackles_come_at_random_times_and_are_seen_in_ticks() -> None:
    for one, run in of("intermittent"):
        assert one.fault is not None
        events = family.crackles(one)
        ticks = family.ticks(one, run)
        j, k = pair(one), int(onset(one))
        assert (np.diff(events[:, 0]) >= 0).all()
        assert (events[:, 1] >= events[:, 0]).all()
        assert events[0, 0] >= onset(one) - 1
        if one.fault.variant == "low":
            assert (events[:, 2] < 0.75).all()
        elif one.fault.variant == "high":
            assert (events[:, 2] > 1.15).all()
        level = np.nanmedian(ticks.mean[k - 300 : k, j])
        far = np.fmax(level - ticks.least[:, j], ticks.greatest[:, j] - level) > 0.15 * level
        assert not far[int(one.warm_at_s) : k].any()
        assert far[k:].any()


def test_a_set_up_without_side_or_window_states_none() -> None:
    raw = tomllib.loads(
        next(one for one in drawn() if one.window_mA is None and not one.by_side).setup_text()
    )

    assert "limits" not in raw
    assert all("side" not in channel for channel in raw["channel"])


def test_faulty_numbers_begin_where_they_are_said_to() -> None:
    assert family.case("tune", FIRST_FAULTY - 1).fault is None
    assert family.case("tune", FIRST_FAULTY).fault is not None
