"""What persons say and are asked: requests, questions, daily work, acknowledging, the swap test."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from logger import setup as setups
from logger.blocks import Mark, ReadingBlock, ScanBlock
from logger.finding import Finding, Kind, Severity
from logger.pipeline import Pipeline
from logger.setup import Setup
from logger.simulator import scenario
from logger.simulator.scenarios import DAILY_WORK, Scenario
from logger.watch.alarms import Alarms
from logger.watch.swap import sure_that_it_went

WARM_MIN, SOAK_MIN = 25.0, 40.0


def played(one: Scenario, scans_per_s: float, block_s: float = 600.0) -> Pipeline:
    """Play a scenario with its marks through the pipeline."""
    pipeline = Pipeline(setups.parse(one.setup_text(scans_per_s=scans_per_s)), one.info)
    marks = list(one.marks)
    for block in one.scans(scans_per_s=scans_per_s, block_s=block_s):
        due = [mark for mark in marks if mark.t_us <= block.t_us[-1]]
        marks = marks[len(due) :]
        pipeline.feed(block, due)
    pipeline.finish(marks)
    return pipeline


@lru_cache(maxsize=64)
def soak(name: str, seed: int, scans_per_s: float = 2.0) -> tuple[Scenario, Pipeline]:
    one = scenario(name, seed, warm_up_min=WARM_MIN, soak_min=SOAK_MIN)
    return one, played(one, scans_per_s)


def loud(findings: list[Finding]) -> list[str]:
    return [f"{f.kind.value} {f.channel}: {f.says}" for f in findings if f.severity is not Severity.REMARK]


def states(pipeline: Pipeline) -> list[str]:
    return [s["state"] for s in pipeline.verdict()["soak"]["states"]]


def questions(pipeline: Pipeline) -> list[Finding]:
    return [f for f in pipeline.findings if f.kind is Kind.QUESTION]


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("name", [n for n in DAILY_WORK if n != "tap-test"])
def test_daily_work_raises_no_warning_and_nothing_that_is_not_allowed(name: str, seed: int) -> None:
    one, pipeline = soak(name, seed)
    assert loud(pipeline.findings) == []
    said = {"question" if f.kind is Kind.QUESTION else "remark" for f in pipeline.findings}
    assert said <= set(one.allowed)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_touched_pot_is_asked_about_once_and_its_figure_begins_anew(seed: int) -> None:
    one, pipeline = soak("pot-touched", seed)
    assert one.work is not None
    (asked,) = questions(pipeline)
    assert asked.channel == one.work.channel
    assert "adjusted?" in asked.says
    assert asked.onset_s == pytest.approx(one.work.onset_s, abs=60.0)
    assert one.work.until_s < asked.raised_s < one.work.until_s + 120.0
    (channel,) = [c for c in pipeline.verdict()["channels"] if c["name"] == asked.channel]
    assert channel["settled_mA"] == pytest.approx(float(asked.evidence["now_a"] or 0.0) * 1e3, abs=0.6)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_undeclared_signal_is_a_question_and_declared_signal_a_state(seed: int) -> None:
    one, pipeline = soak("signal-undeclared", seed)
    assert one.work is not None
    (asked,) = questions(pipeline)
    assert asked.channel is None
    assert "signal" in asked.says
    assert one.work.onset_s < asked.raised_s < one.work.until_s
    assert asked.cleared_s is not None
    declared, other = soak("signal-declared", seed)
    assert questions(other) == []
    assert states(other).count("under signal") == 1
    said_s = sum(b.t_us - a.t_us for a, b in [declared.marks]) / 1e6  # type: ignore[misc]
    # while signal goes through no idle figure is taken
    whole = SOAK_MIN * 60.0
    assert other.verdict()["soak"]["judged_s"] == pytest.approx(whole - said_s, abs=5.0)


def test_a_declared_signal_leaves_the_idle_figures_alone() -> None:
    _, quiet = soak("healthy", 1)
    _, loud_ = soak("signal-declared", 1)
    pairs = [(a, b) for a, b in zip(quiet.verdict()["channels"], loud_.verdict()["channels"], strict=True)][
        :4
    ]
    for a, b in pairs:
        assert b["settled_mA"] == pytest.approx(a["settled_mA"], abs=0.15)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_charger_is_one_remark_about_no_pair_and_makes_the_figures_less_sure(seed: int) -> None:
    one, pipeline = soak("charger-noise", seed, 5.0)
    assert one.work is not None
    (remark,) = pipeline.findings
    assert remark.kind is Kind.MEASURING_FAULT
    assert remark.severity is Severity.REMARK
    assert remark.channel is None
    assert one.work.onset_s - 11.0 < remark.onset_s < one.work.onset_s + 30.0
    assert remark.cleared_s is not None
    assert remark.cleared_s == pytest.approx(one.work.until_s, abs=90.0)


def test_clicks_are_counted_and_nothing_is_said() -> None:
    _, pipeline = soak("contactor-click", 1, 10.0)
    assert pipeline.findings == []
    assert pipeline.verdict()["soak"]["clicks"] == 3
    _, quiet = soak("healthy", 1)
    assert quiet.verdict()["soak"]["clicks"] == 0


@pytest.mark.parametrize("seed", [1, 2])
def test_crackles_after_a_tap_are_one_finding_within_two_minutes(seed: int) -> None:
    one, pipeline = soak("tap-test", seed, 10.0)
    (found,) = pipeline.findings
    assert found.kind is Kind.INTERMITTENT
    assert one.truth is not None
    assert found.channel == one.truth.channel
    assert one.marks[0].text in found.says
    assert found.raised_s < one.marks[0].t_us / 1e6 + 120.0


def test_without_the_mark_two_crackles_are_no_finding_yet() -> None:
    one = scenario("tap-test", 1, warm_up_min=WARM_MIN, soak_min=SOAK_MIN)
    said = soak("tap-test", 1, 10.0)[1].findings[0]
    silent = played(replace(one, marks=()), 10.0).findings
    assert not silent or silent[0].raised_s > said.raised_s
    late = tuple(replace(mark, text=f"at 0:00:01: {mark.text}") for mark in one.marks)
    assert played(replace(one, marks=late), 10.0).findings == silent, (
        "what is said of an earlier time tells nothing"
    )


@pytest.mark.parametrize("seed", [1, 2])
def test_changed_valves_are_asked_about_once_a_stop_and_a_hot_restart_is_not(seed: int) -> None:
    one, pipeline = soak("valves-swapped", seed)
    assert one.work is not None
    (asked,) = questions(pipeline)
    assert "valves changed" in asked.says
    assert asked.onset_s == pytest.approx(one.work.onset_s, abs=120.0)
    assert questions(soak("hot-restart", seed)[1]) == []


# ---- a bench made by hand: one reading a second


def amp(pairs: int = 4, warm_min: int = 1, soak_min: int = 600) -> Setup:
    text = f"""
schema = "soakbench.setup/1"
[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
scans_per_s = 1
[plan]
steps = [{{step = "warm-up", minutes = {warm_min}}}, {{step = "soak", minutes = {soak_min}}}]
"""
    for j in range(pairs):
        text += f'[[channel]]\nname = "pair{j + 1}"\nmeasures = "pair current"\nsense_ohm = 1.0\n'
    for name, measures in (("ht", "HT"), ("mains", "mains")):
        text += f'[[channel]]\nname = "{name}"\nmeasures = "{measures}"\n'
    return setups.parse(text)


def record(setup: Setup, seconds: int, level_a: list[float], seed: int = 0) -> ReadingBlock:
    """Return readings at these currents, with 0.1 % of noise."""
    values = np.tile([*level_a, 455.0, 230.0], (seconds, 1))
    noise = np.random.default_rng(seed).standard_normal(values.shape)
    values *= 1.0 + np.where(values < 1.0, 1e-3, 2e-4) * noise
    t_us = np.arange(seconds, dtype=np.int64) * 1_000_000
    return ReadingBlock(t_us, values, np.zeros(values.shape, dtype=np.int8))


def fed(setup: Setup, block: ReadingBlock, marks: list[Mark], rows: int = 600) -> Pipeline:
    pipeline = Pipeline(setup)
    for start in range(0, len(block), rows):
        part = ReadingBlock(*(column[start : start + rows] for column in vars(block).values()))
        due = [m for m in marks if (start == 0 or m.t_us > block.t_us[start - 1]) and m.t_us <= part.t_us[-1]]
        pipeline.feed(part, due)
    pipeline.finish()
    return pipeline


def at(t_s: float, text: str) -> Mark:
    return Mark(round(t_s * 1e6), text)


def test_setting_bias_ends_five_minutes_after_the_last_pot_was_turned_and_asks_nothing() -> None:
    setup = amp()
    block = record(setup, 3600, [0.074, 0.076, 0.076, 0.076])
    block.values[1200:, 0] *= 76.0 / 74.0  # turned while it still is declared
    block.values[1190:1200, 0] *= np.linspace(1.0, 76.0 / 74.0, 10)
    pipeline = fed(setup, block, [at(1000, "setting bias"), at(1150, "mark")])
    found = pipeline.verdict()["soak"]["states"]
    (setting,) = [i for i, s in enumerate(found) if s["state"] == "setting bias"]
    assert found[setting]["from_s"] == 1000.0
    assert 1200.0 + 300.0 <= found[setting + 1]["from_s"] <= 1200.0 + 400.0
    assert pipeline.findings == []
    # what was measured before is not the figure of what was set
    assert pipeline.verdict()["channels"][0]["settled_mA"] == pytest.approx(76.0, abs=0.05)


def test_without_saying_so_the_same_is_a_question() -> None:
    setup = amp()
    block = record(setup, 3600, [0.074, 0.076, 0.076, 0.076])
    block.values[1200:, 0] *= 76.0 / 74.0
    block.values[1185:1200, 0] *= np.linspace(1.0, 76.0 / 74.0, 15)
    (asked,) = fed(setup, block, []).findings
    assert asked.kind is Kind.QUESTION
    answered = fed(setup, block, [at(1500, "acknowledge")]).findings[0]
    assert answered.acknowledged_s == answered.cleared_s == 1500.0


@settings(max_examples=15, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0.0, 2399.0),
            st.integers(0, 39),
            st.sampled_from(["tapped V5", "setting bias", "signal on", "acknowledge", "stop", "V5 <> V7"]),
        ),
        max_size=6,
    ),
    st.sampled_from([60, 600]),
)
def test_what_is_said_of_an_earlier_time_changes_nothing(
    said: list[tuple[float, int, str]], rows: int
) -> None:
    setup = amp()
    block = record(setup, 2400, [0.070, 0.076, 0.076, 0.080])
    block.values[1500:1700, :4] *= 1.2
    heeded = [at(900.0, "setting bias"), at(2000.0, "acknowledge 1")]
    late = [at(made_s, f"at 0:{minute:02d}:00: {text}") for made_s, minute, text in said]
    both = sorted([*heeded, *late], key=lambda mark: mark.t_us)
    one, other = fed(setup, block, heeded, 600), fed(setup, block, both, rows)
    assert other.findings == one.findings
    assert other.verdict() == one.verdict()


@pytest.mark.parametrize("rows", [1, 7, 600])
def test_marks_are_heeded_at_the_same_second_for_any_blocking(rows: int) -> None:
    setup = amp()
    block = record(setup, 2400, [0.070, 0.076, 0.076, 0.080])
    block.values[1500:1700, :4] *= 1.2
    marks = [
        at(900.0, "setting bias"),
        at(1499.5, "signal on"),
        at(1705.2, "signal off"),
        at(1705.2, "tapped V5"),
        at(2000.0, "acknowledge 1"),
        at(2000.0, "acknowledge"),
    ]
    expected = fed(setup, block, marks, 600)
    seen = fed(setup, block, marks, rows)
    assert seen.findings == expected.findings
    assert seen.verdict() == expected.verdict()
    assert any(f.acknowledged_s == 2000.0 for f in seen.findings)


@pytest.mark.parametrize(
    "name",
    [
        "tap-test",
        *(
            pytest.param(name, marks=pytest.mark.nightly)
            for name in ("pot-touched", "signal-undeclared", "charger-noise")
        ),
    ],
)
def test_scenarios_are_told_the_same_for_any_blocking(name: str) -> None:
    one = scenario(name, 1, warm_up_min=25, soak_min=30)
    whole = [played(one, 2.0, block_s) for block_s in (1.0, 7.3, 600.0)]
    assert whole[0].findings == whole[1].findings == whole[2].findings
    assert whole[0].findings


def test_an_acknowledged_finding_stays_open_and_a_number_that_is_none_does_nothing() -> None:
    setup = amp()
    block = record(setup, 1800, [0.076, 0.076, 0.076, 0.076])
    block.values[900:, 1] = 0.0
    block.values[900:, 4] *= 1.02
    pipeline = fed(setup, block, [at(1000, "acknowledge 7"), at(1100, "acknowledge 1")])
    found = pipeline.findings[0]
    assert found.kind is Kind.DROP_OUT
    assert found.acknowledged_s == 1100.0
    assert found.open


def test_a_lamp_left_in_is_a_warning_after_ten_steady_minutes() -> None:
    setup = amp()
    block = record(setup, 2400, [0.030, 0.030, 0.030, 0.030])
    block.values[:1500, 4] *= 0.6
    block.values[:1500, 5] *= 0.7
    block.values[1500:, :4] *= 76 / 30
    pipeline = fed(setup, block, [])
    (warning,) = [f for f in pipeline.findings if f.severity is Severity.WARNING]
    assert warning.kind is Kind.HT_CHANGE
    assert warning.raised_s == pytest.approx(600.0, abs=3.0)
    assert warning.cleared_s == pytest.approx(1500.0, abs=3.0)
    assert states(pipeline)[0] == "bring-up"


def test_a_short_on_the_lamp_is_a_trip_all_the_same() -> None:
    setup = amp()
    block = record(setup, 200, [0.030, 0.030, 0.030, 0.030])
    block.values[:, 4:] *= 0.6
    block.values[100:, 2] = 2.0
    trips = [f for f in fed(setup, block, []).findings if f.severity is Severity.TRIP]
    assert [f.channel for f in trips if f.kind is Kind.OVER_CURRENT] == ["pair3"]


def stopped(setup: Setup, before_a: list[float], after_a: list[float], off_s: int = 400) -> ReadingBlock:
    """Return 40 minutes at some currents, a stop, 40 minutes at others."""
    block = record(setup, 4800 + off_s, before_a)
    block.values[2400 : 2400 + off_s, :6] = 0.0
    block.values[2400 + off_s :, :4] *= np.array(after_a) / np.array(before_a)
    return block


@pytest.mark.parametrize(
    ("after_a", "says"),
    [
        ([0.076, 0.076, 0.082, 0.076], "went with the valves"),
        ([0.082, 0.076, 0.076, 0.076], "stayed with the socket"),
    ],
)
def test_a_swap_test_tells_whether_the_fault_went_with_the_valves(after_a: list[float], says: str) -> None:
    setup = amp()
    block = stopped(setup, [0.082, 0.076, 0.076, 0.076], after_a)
    pipeline = fed(setup, block, [at(2500, "swapped pair1 and pair3")])
    answer = [f for f in questions(pipeline) if "swap test" in f.says]
    assert len(answer) == 1
    assert says in answer[0].says
    assert answer[0].channels == ("pair1", "pair3")
    assert answer[0].raised_s - 2800.0 == pytest.approx(60.0 + 1200.0, abs=130.0)


def test_a_swap_that_was_asked_about_and_acknowledged_is_tested() -> None:
    setup = amp()
    block = stopped(setup, [0.082, 0.076, 0.076, 0.076], [0.076, 0.076, 0.082, 0.076])
    asked, answer = questions(fed(setup, block, [at(3400, "acknowledge")]))
    assert asked.channels == answer.channels == ("pair1", "pair3")
    assert asked.acknowledged_s == 3400.0
    assert "went with the valves" in answer.says


def test_pairs_that_were_alike_leave_nothing_to_follow() -> None:
    setup = amp()
    block = stopped(setup, [0.0762, 0.076, 0.076, 0.076], [0.076, 0.076, 0.0762, 0.076])
    (answer,) = questions(fed(setup, block, [at(2500, "swapped pair1 pair3")]))
    assert "nothing to follow" in answer.says


@pytest.mark.parametrize("u_stays", [0.0, 0.5])
def test_how_sure_a_swap_test_is_agrees_with_a_million_draws(u_stays: float) -> None:
    # JCGM 101:2008: the same question put to draws of the errors
    rng = np.random.default_rng(8)
    before, after, u = 1.0, -0.4, 0.6
    shared = u_stays * rng.standard_normal(10**6)
    was, now = (d + u * rng.standard_normal(10**6) - shared for d in (before, after))
    assert sure_that_it_went(before, after, u, u_stays) == pytest.approx(
        float((was * now < 0).mean()), abs=2e-3
    )


def test_without_an_error_of_the_sockets_it_is_the_product_of_two_normal_chances() -> None:
    up, down = stats.norm.cdf(1.0 / 0.5), stats.norm.cdf(0.3 / 0.5)
    expected = up * down + (1 - up) * (1 - down)
    assert sure_that_it_went(1.0, -0.3, 0.5, 0.0) == pytest.approx(expected, rel=1e-12)


# ---- alarms


def finding(number: int = 1, severity: Severity = Severity.WARNING, under: int | None = None) -> Finding:
    return Finding(
        id=number,
        kind=Kind.MISMATCH,
        channel="pair1",
        channels=("pair1",),
        onset_s=0.0,
        raised_s=10.0,
        severity=severity,
        says="pair1 draws more than the others",
        under=under,
    )


def test_an_alarm_sounds_once_and_every_five_minutes_until_it_is_acknowledged() -> None:
    alarms = Alarms()
    found = finding()
    sounds = [(t, a.why) for t in range(10, 1000, 10) for a in alarms.due([found], t)]
    assert sounds == [(10, "new"), (310, "reminder"), (610, "reminder"), (910, "reminder")]
    seen = found.changed(acknowledged_s=920.0)
    assert [a for t in range(1000, 3000, 10) for a in alarms.due([seen], t)] == []


def test_what_gets_worse_sounds_again_and_what_comes_back_is_news() -> None:
    alarms = Alarms()
    assert [a.why for a in alarms.due([finding()], 10.0)] == ["new"]
    assert [a.why for a in alarms.due([finding(severity=Severity.TRIP)], 20.0)] == ["worse"]
    assert alarms.due([finding().changed(cleared_s=30.0)], 30.0) == []
    assert [a.why for a in alarms.due([finding()], 40.0)] == ["new"]


def test_remarks_are_silent_and_of_one_story_only_the_first_sounds_unless_it_is_a_trip() -> None:
    alarms = Alarms()
    story = [finding(1), finding(2, under=1), finding(3, Severity.REMARK), finding(4, Severity.TRIP, under=1)]
    assert [a.finding.id for a in alarms.due(story, 10.0)] == [4, 1]


def test_the_pipeline_hands_out_alarms_with_what_it_found() -> None:
    setup = amp()
    block = record(setup, 1500, [0.076, 0.076, 0.076, 0.076])
    block.values[600:, 1] = 0.0
    block.values[600:, 4] *= 1.02
    pipeline, sounds = Pipeline(setup), []
    for start in range(0, len(block), 10):
        part = ReadingBlock(*(column[start : start + 10] for column in vars(block).values()))
        marks = [at(1250.0, "acknowledge")] if start == 1250 else []
        sounds += [(start, a.why) for a in pipeline.feed(part, marks).alarms]
    assert [why for _, why in sounds] == ["new", "reminder", "reminder"]
    assert sounds[0][0] == 600
    assert not math.isnan(sounds[1][0])


def test_a_stored_soaks_marks_are_part_of_its_record() -> None:
    """The same scans with and without what a person said: only the marks tell them apart."""
    one = scenario("signal-declared", 2, warm_up_min=WARM_MIN, soak_min=SOAK_MIN)
    silent: list[ScanBlock] = list(one.scans(scans_per_s=1.0))
    pipeline = Pipeline(setups.parse(one.setup_text(scans_per_s=1.0)), one.info)
    for block in silent:
        pipeline.feed(block)
    pipeline.finish()
    assert "under signal" not in states(pipeline)
    assert "under signal" in states(soak("signal-declared", 2)[1])
