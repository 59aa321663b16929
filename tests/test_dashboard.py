"""The dashboard: figures as pure functions, the look at the bench, and the pages in a real browser."""

from __future__ import annotations

import contextlib
import http.client
import json
import math
import re
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dashboard_soak import AIM_A, STARTED, RunningSoak, setup_text, unpacked
from hypothesis import given, settings
from hypothesis import strategies as st
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
from store_case import a_calibration

from dashboard import figures, series, tls, words
from dashboard.app import create_app, make_server, page_at
from dashboard.bench import Absent, Bench, Look, planned
from dashboard.figures import Band, Story, View
from dashboard.pages import live, parts
from dashboard.pages import soak as soak_page
from logger.blocks import Mark, ReadingBlock
from logger.clock import Clock, ManualClock, SystemClock
from logger.convert import Calibration, Converter
from logger.errors import RequestError
from logger.finding import Finding, Kind, Severity
from logger.judge import judge_soak
from logger.pipeline import Pipeline
from logger.precheck import Check
from logger.settling import Forecast
from logger.setup import parse
from logger.store.reader import Reader

CHROMIUM = Path("/usr/bin/chromium-headless-shell")
if not CHROMIUM.exists():  # the same engine with a desktop's window around it, for twice the work
    CHROMIUM = Path("/usr/bin/chromium")
PHONE = {"width": 360, "height": 740}
DESK = {"width": 1280, "height": 900}
HOSTILE = "<script>window.taken=1</script><img src=x onerror='window.taken=1'>"

DRIFT = Finding(
    id=1,
    kind=Kind.DRIFT,
    channel="pair3",
    channels=("pair3",),
    onset_s=120.0,
    raised_s=260.0,
    severity=Severity.WARNING,
    says="pair3 (V5/V6) has been rising 2.1 mA an hour since 2 min; the others have not",
    advice="Look at its coupling capacitor and grid leak; do not leave it.",
)
MISMATCH = replace(
    DRIFT,
    id=2,
    kind=Kind.MISMATCH,
    onset_s=200.0,
    raised_s=280.0,
    says="pair3 (V5/V6) is 5.5 mA above the others, the limit is 3.0 mA",
    advice="Set the bias again.",
    under=1,
)

QUESTION = replace(
    DRIFT,
    id=3,
    kind=Kind.QUESTION,
    channel="pair1",
    channels=("pair1",),
    onset_s=210.0,
    raised_s=300.0,
    severity=Severity.REMARK,
    says="pair1 (V1/V2) moved smoothly from 74.1 to 76.0 mA and stopped: adjusted?",
    advice="Acknowledge it if somebody turned its pot; if nobody did, look at pot and bias feed.",
)
STATES = [
    {"state": "warming", "from_s": 0.0},
    {"state": "under signal", "from_s": 120.0},
    {"state": "warming", "from_s": 180.0},
    {"state": "setting bias", "from_s": 290.0},
]
MARKS = (
    Mark(120_000_000, "signal on"),
    Mark(180_000_000, "signal off"),
    Mark(200_000_000, HOSTILE),
    Mark(290_000_000, "acknowledge 6"),
)

# ---------------------------------------------------------------- words


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0.4, "0 s"),
        (12.9, "12 s"),
        (75.0, "1 min 15 s"),
        (48 * 60 + 59.0, "48 min"),
        (72 * 60.0, "1 h 12 min"),
        (7200.0, "2 h"),
        (51 * 3600.0, "2 d 3 h"),
    ],
)
def test_a_duration_is_said_in_at_most_two_units_and_never_ahead_of_time(seconds: float, said: str) -> None:
    assert words.duration(seconds) == said


def test_a_figure_has_a_true_minus_sign_and_a_dash_where_it_does_not_exist() -> None:
    assert words.milliamps(-0.0004, signed=True) == "−0.4"
    assert words.milliamps(0.0055, signed=True) == "+5.5"
    assert words.milliamps(-0.00001, signed=True) == "0.0"
    assert words.milliamps(None) == "–"
    assert words.milliamps(math.nan) == "–"


@given(st.floats(1e-3, 50.0))
def test_an_uncertainty_is_never_printed_smaller_than_it_is(value: float) -> None:
    printed = float(words.uncertainty(value).removeprefix("±"))
    assert value - 1e-6 <= printed <= value + 0.1


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("pass", "pass"),
        ("conditional pass", "pass, too close to call"),
        ("conditional fail", "fail, too close to call"),
        ("fail", "fail"),
        (None, "not judged"),
    ],
)
def test_statements_are_said_in_plain_words(statement: str | None, said: str) -> None:
    assert words.statement(statement) == said


@pytest.mark.parametrize(
    ("earliest_min", "latest_min", "said"),
    [
        (16.2, 23.5, "settles in 6 to 14 min"),
        (10.5, 23.5, "settles within 14 min"),
        (9.0, 23.5, "settles within 14 min"),
        (20.0, 20.0, "settles in 10 min"),
        (10.0, 12.5, "nearly settled"),
        (8.0, 9.0, "nearly settled"),
        (40.0, None, "settles in over 30 min"),
        (10.0, None, "settles, not clear when"),
        (None, None, "settles in over 2 h"),
    ],
)
def test_when_a_pair_settles_is_said_in_whole_minutes_and_never_narrower_than_forecast(
    earliest_min: float | None, latest_min: float | None, said: str
) -> None:
    earliest_s, latest_s = (None if end is None else end * 60.0 for end in (earliest_min, latest_min))
    assert words.settles(earliest_s, latest_s, now_s=600.0) == said


@given(st.floats(-300.0, 300.0), st.floats(0.0, 20.0))
def test_an_intervals_ends_are_rounded_outwards(low: float, width: float) -> None:
    ends = [float(end.replace(words.MINUS, "-")) for end in words.between(low, low + width).split(" to ")]
    assert low - 0.1001 <= ends[0] <= low + 1e-6
    assert low + width - 1e-6 <= ends[1] <= low + width + 0.1001


def test_what_a_person_said_and_what_was_asked_are_told_apart() -> None:
    marks = ("tapped V5", "signal on", "acknowledge 3", "acknowledge", "stop", "soakbench: cut-out closed")
    said = [words.asked(text) for text in marks]
    assert said == [
        ("said", "tapped V5"),
        ("asked", "signal on"),
        ("asked", "acknowledge finding 3"),
        ("asked", "acknowledge all findings"),
        ("asked", "stop the soak"),
        ("noted", "cut-out closed"),
    ]


def test_a_question_is_answered_or_over_and_a_warning_acknowledged() -> None:
    answered = replace(QUESTION, acknowledged_s=320.0, cleared_s=320.0)
    assert words.timing(answered) == "since 3 min 30 s, asked at 5 min, answered at 5 min"
    assert words.timing(replace(QUESTION, cleared_s=900.0)).endswith("over at 15 min unanswered")
    seen = replace(DRIFT, acknowledged_s=600.0, cleared_s=900.0)
    assert words.timing(seen).endswith("raised at 4 min 20 s, acknowledged at 10 min, cleared at 15 min")
    waiting = (QUESTION, answered, DRIFT, seen, replace(DRIFT, severity=Severity.REMARK), MISMATCH)
    assert [words.waits(one) for one in waiting] == [True, False, True, False, False, True]
    assert [words.calls(one) for one in waiting] == [True, False, True, False, False, False]
    assert words.calls(replace(MISMATCH, severity=Severity.TRIP))


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [(70.0, 80.5, "70 to 80.5"), (70.0, None, "from 70"), (None, 80.0, "up to 80"), (None, None, "")],
)
def test_a_window_is_said_by_the_ends_it_has(low: float | None, high: float | None, said: str) -> None:
    assert words.window(low, high) == said


# ---------------------------------------------------------------- figures


@given(
    st.lists(st.floats(0.0, 300.0), min_size=1, max_size=16),
    st.floats(5.0, 20.0),
)
def test_labels_are_pushed_apart_in_their_order_and_stay_on_the_panel(
    places: list[float], distance: float
) -> None:
    out = figures.pushed_apart(places, distance, 0.0, 330.0)
    ranked = [out[i] for i in sorted(range(len(places)), key=lambda i: places[i])]
    assert all(b - a >= distance - 1e-6 for a, b in pairwise(ranked))
    assert min(out) >= -1e-6
    if distance * (len(places) - 1) <= 330.0:
        assert max(out) <= 330.0 + 1e-6


def test_labels_that_do_not_meet_stay_where_their_lines_end() -> None:
    assert figures.pushed_apart([10.0, 200.0, 90.0], 15.0, 0.0, 300.0) == pytest.approx([10.0, 200.0, 90.0])


@given(st.integers(2, 9), st.data())
def test_from_the_others_is_what_its_definition_says(width: int, data: st.DataObject) -> None:
    current = st.floats(0.0, 0.2)
    row = data.draw(st.lists(current, min_size=width, max_size=width))
    out_of_it = data.draw(st.lists(st.booleans(), min_size=width, max_size=width))
    got = series.from_others(np.array([row]), ~np.array([out_of_it]))[0]
    for index, value in enumerate(row):
        if width == 2:
            other = row[1 - index] if not out_of_it[1 - index] else math.nan
        else:
            rest = [one for one, left in zip(row, out_of_it, strict=True) if not left]
            other = float(np.median(rest)) if len(rest) > 1 else math.nan
        assert got[index] == pytest.approx(value - other, nan_ok=True)


def test_one_pair_alone_has_no_others() -> None:
    assert np.isnan(series.from_others(np.full((3, 1), 0.07), np.ones((3, 1), dtype=bool))).all()


def test_pairs_keep_okabe_and_itos_colours_in_order_then_the_same_with_dashes() -> None:
    # Okabe and Ito, Color Universal Design (2008): the palette's RGB values.
    expected = ["#0072B2", "#E69F00", "#009E73", "#CC79A7", "#56B4E9", "#D55E00", "#F0E442", "#000000"]
    styles = [figures.pair_style(index) for index in range(16)]
    assert [style.colour for style in styles] == expected * 2
    assert {style.dash for style in styles[:8]} == {"solid"}
    assert {style.dash for style in styles[8:]} == {"dash"}


def _luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    channels = [int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_words_in_a_lines_colour_reach_the_contrast_that_text_needs() -> None:
    # WCAG 2.2, 1.4.3: 4.5:1 for text; 1.05 is white's luminance + 0.05.
    for index in range(8):
        assert 1.05 / (_luminance(figures.pair_style(index).ink) + 0.05) >= 4.5
    for quiet in (figures.QUIET, figures.INK):
        assert 1.05 / (_luminance(quiet) + 0.05) >= 4.5


def test_the_line_at_a_percentage_of_the_rating_agrees_with_a_published_operating_point() -> None:
    # A thin line for the eye, so to 5 %. Anode power over anode current, from the definition P = V I:
    # 25 W at 455 V is 54.9 mA of anode current a valve; the EL34's screen takes 10.7 to 13.0 % of the
    # cathode's (valves.toml, with source), which makes 61.5 to 63.1 mA of cathode current, 2 valves a pair.
    setup = parse(setup_text())
    assert figures.current_at(setup, 100.0) == pytest.approx(2 * 0.0623, rel=0.05)


def _series(n: int = 100, pairs: int = 4, spread_a: float = 0.0005, level_a: float = AIM_A) -> series.Series:
    channels = pairs + 4
    t_s = np.arange(n, dtype=np.float64) * 10.0 + 5.0
    mean = np.full((n, channels), 22.0)
    mean[:, :pairs] = level_a + spread_a * np.arange(pairs)
    mean[:, pairs], mean[:, pairs + 1] = 455.0, 230.0
    counted = np.ones((n, pairs), dtype=bool)
    others = series.from_others(mean[:, :pairs], counted)
    return series.Series(t_s, mean, mean - 1e-4, mean + 1e-4, others, n * 10.0)


def _story(pairs: int = 4, **what: Any) -> Story:
    return replace(Story("u", parse(setup_text(pairs)), x_end_s=1000.0), **what)


def _whole(data: series.Series, story: Story, view: View, extents: figures.Extents) -> dict[str, Any]:
    """Return the figure as the browser has it once its numbers are unpacked."""
    laid = figures.lay(story, view, extents)
    line_ends, settled = figures.ends(data, laid, view), figures.settled_points(data, story)
    over = figures.dressing(line_ends, settled, story, view, laid)
    return unpacked(figures.whole(data, over, story, view, laid))


def _frame(story: Story, extents: figures.Extents) -> dict[str, Any]:
    return figures.frame(story, figures.lay(story, View(), extents))


def test_axes_are_fixed_by_target_and_limits_and_do_not_jump_with_the_data() -> None:
    story = _story()
    quiet = _frame(story, figures.measure(_series(), story))
    assert _frame(story, figures.measure(_series(spread_a=0.0009), story)) == quiet
    assert _frame(story, {}) == quiet
    hot = _frame(story, figures.measure(_series(level_a=0.19), story))
    assert hot["panels"][0][2] >= 190.0


def test_a_pair_far_from_the_others_is_named_at_the_edge_with_its_figure() -> None:
    data = _series()
    far = replace(data, from_others=data.from_others.copy())
    far.from_others[:, 1] = -0.076
    figure = _whole(far, _story(), View(), figures.measure(far, _story()))
    texts = [note["text"] for note in figure["layout"]["annotations"]]
    assert "pair2 ↓ −76.0" in texts


def test_lines_are_named_though_the_last_buckets_middle_lies_beyond_the_soaks_end() -> None:
    story = _story(x_end_s=990.0)  # the last of 100 buckets of 10 s has its middle at 995 s
    figure = _whole(_series(), story, View(), {})
    named = [note for note in figure["layout"]["annotations"] if note["text"] == "pair1"]
    assert len(named) == 2
    assert all(note["x"] <= 990.0 for note in named)


def test_a_row_without_a_reading_breaks_the_line() -> None:
    data = _series(10)
    data.mean[4] = np.nan
    figure = _whole(data, _story(), View(), figures.measure(data, _story()))
    line = next(trace for trace in figure["data"] if trace.get("hovertemplate", "").startswith("pair1"))
    assert math.isnan(line["y"][4])
    assert line["connectgaps"] is False


def test_a_spike_of_one_scan_stands_beside_its_buckets_mean_in_the_longest_view() -> None:
    data = _series(500)
    data.greatest[123, 2] = 0.110
    figure = _whole(data, _story(), View(), {})
    strokes, mean = (
        trace for trace in figure["data"] if trace.get("name") == "pair3" and trace["yaxis"] == "y"
    )
    assert strokes["x"] == [data.t_s[123]] * 3
    assert strokes["y"][:2] == pytest.approx([76.9, 110.0])
    assert math.isnan(strokes["y"][2])
    assert mean["y"][123] == pytest.approx(77.0)


def test_gaps_are_hatched_in_every_panel_but_the_findings_row() -> None:
    figure = _whole(_series(), _story(gaps=((300.0, 340.0),)), View(), {})
    hatched = [trace for trace in figure["data"] if "fillpattern" in trace]
    assert len(hatched) == 5  # currents, others, HT, mains, temperatures
    for trace in hatched:
        assert {x for x in trace["x"] if x is not None} == {300.0, 340.0}


def test_the_second_chart_is_at_least_as_high_and_stands_below_on_the_same_axis() -> None:
    layout = _whole(_series(), _story(), View(1280), {})["layout"]
    currents, others = layout["yaxis"]["domain"], layout["yaxis2"]["domain"]
    assert others[1] < currents[0]
    assert others[1] - others[0] >= currents[1] - currents[0]
    assert [key for key in layout if key.startswith("xaxis")] == ["xaxis"]


def test_on_a_phone_the_chart_of_differences_comes_first() -> None:
    figure = _whole(_series(), _story(), View(360), {})
    layout, y = (
        figure["layout"],
        {trace["name"]: trace["yaxis"] for trace in figure["data"] if "name" in trace},
    )
    assert layout["yaxis"]["domain"][1] == 1.0
    assert y["chassis"] not in ("y", "y2")
    titles = [note["text"] for note in layout["annotations"] if "mA" in note["text"]]
    assert titles[0] == "Each pair from the others, mA"


def test_findings_are_marked_at_onset_and_numbered_where_they_were_raised() -> None:
    figure = _whole(_series(), _story(findings=(DRIFT, MISMATCH)), View(), {})
    numbered = [trace for trace in figure["data"] if trace.get("text")]
    assert [trace["text"] for trace in numbered] == [["1", "2"]]
    assert numbered[0]["x"] == [260.0, 280.0]
    rings = [trace for trace in figure["data"] if trace.get("marker", {}).get("symbol") == "circle-open"]
    assert [x for trace in rings for x in trace["x"]] == [120.0, 200.0]
    heights = dict(zip(numbered[0]["text"], numbered[0]["y"], strict=True))
    assert heights["1"] != heights["2"], "numbers that would meet stand in rows of their own"


def test_of_very_many_findings_at_one_time_the_chart_numbers_the_worst_and_says_how_many_it_leaves() -> None:
    crackles = [replace(DRIFT, id=n, kind=Kind.INTERMITTENT, cleared_s=270.0) for n in range(1, 301)]
    crackles[299] = replace(crackles[299], severity=Severity.TRIP)
    story = _story(findings=tuple(crackles))
    figure = _whole(_series(), story, View(), {})
    numbered = [name for trace in figure["data"] for name in trace.get("text") or []]
    assert sorted(numbered, key=int) == ["1", "2", "3", "4", "5", "6", "7", "300"]
    titles = [note["text"] for note in figure["layout"]["annotations"]]
    assert "Findings: 292 more in the list only" in titles


def test_a_question_has_a_sign_of_its_own_and_no_line_across_the_charts() -> None:
    figure = _whole(_series(), _story(findings=(QUESTION,)), View(), {})
    (numbered,) = (trace for trace in figure["data"] if trace.get("text"))
    assert numbered["text"] == ["3?"]
    assert numbered["marker"]["symbol"] not in {
        shape for kind, (shape, _) in figures.SIGN.items() if kind != "question"
    }
    without = _whole(_series(), _story(), View(), {})
    assert figure["layout"]["shapes"] == without["layout"]["shapes"]


def test_declared_states_are_shaded_and_named_where_they_lie_near_each_other_too() -> None:
    states = figures.declared(STATES, 330.0)
    assert states == (Band("under signal", 120.0, 180.0), Band("setting bias", 290.0, 330.0))
    assert figures.declared([], 330.0) == ()
    for width_px in (360, 1280):
        layout = _whole(_series(), _story(states=states), View(width_px), {})["layout"]
        ends = {(shape["x0"], shape["x1"]) for shape in layout["shapes"] if shape["type"] == "rect"}
        assert {(band.from_s, band.to_s) for band in states} <= ends
        names = {note["text"]: note for note in layout["annotations"]}
        assert {"under signal", "setting bias"} <= set(names)
        apart = names["under signal"]["yshift"] != names["setting bias"]["yshift"]
        assert apart == (width_px == 360), "one below the other where side by side there is no room"


def test_marks_are_ticks_on_the_time_axis_and_their_text_is_text() -> None:
    marks = (Mark(120_000_000, "signal on"), Mark(200_500_000, "<b>fan</b> %{x} on"))
    figure = _whole(_series(), _story(marks=marks), View(), {})
    ticks = figure["data"][-1]
    assert ticks["x"] == [120.0, 200.5]
    asked, said = ticks["hovertemplate"]
    assert asked.startswith("asked: signal on<extra>")
    assert "<b>" not in said
    assert "%{" not in said


def test_names_of_limits_that_lie_close_do_not_cover_each_other() -> None:
    text = setup_text().replace("[plan]", "[limits]\npair_low_mA = 78\npair_high_mA = 80\n[plan]")
    layout = _whole(_series(), replace(_story(), setup=parse(text)), View(), {})["layout"]
    low, high = layout["yaxis"]["range"]
    px_per_mA = 260.0 / (high - low)
    named = [note for note in layout["annotations"] if re.match("aim|warn|fail|least|most", note["text"])]
    places = sorted(note["y"] * px_per_mA + note["yshift"] for note in named)
    assert len(places) == 5
    assert min(b - a for a, b in pairwise(places)) >= 12.0


def test_what_a_patch_appends_fits_the_traces_that_stand() -> None:
    for pairs in (1, 2, 8, 16):
        story, data = _story(pairs), _series(5, pairs)
        laid = figures.lay(story, View(), {})
        over = figures.dressing({}, {}, story, View(), laid)
        figure = figures.whole(data, over, story, View(), laid)
        points = figures.tail(data, laid)
        assert len(points) + len(over.traces) == len(figure["data"])
        for at, (trace, its) in enumerate(zip(figure["data"], points, strict=False)):
            assert its.items() <= trace.items()
            assert ("x" in its) != (at in figure["on_x"])


def test_figures_carry_no_markup_of_names() -> None:
    story = _story(findings=(replace(DRIFT, says=HOSTILE),))
    text = json.dumps(_whole(_series(), story, View(), {}), allow_nan=False)
    assert "<script" not in text
    assert "&lt;script" in text


def test_a_graph_never_offers_to_send_its_chart_away() -> None:
    assert figures.CONFIG["showSendToCloud"] is False
    for page in (live.layout(), page_at("/soak/last")[0], page_at("/soak/7")[0]):
        shown = json.dumps(page, default=lambda part: part.to_plotly_json())
        assert shown.count('"type": "Graph"') == shown.count('"showSendToCloud": false') == 1


# ---------------------------------------------------------------- the look at the bench


@pytest.fixture
def running(tmp_path: Path) -> Iterator[RunningSoak]:
    soak = RunningSoak(tmp_path / "soak.db")
    yield soak
    soak.writer.close()


def _look(bench: Bench, which: int | str = "last") -> Look:
    look = bench.look(which)
    assert isinstance(look, Look)
    return look


def test_the_age_of_the_last_scan_counts_from_when_it_came(running: RunningSoak) -> None:
    running.go_on(60.0)
    bench = Bench(running.path, running.clock)
    assert _look(bench).age_s == pytest.approx(0.0, abs=0.6)
    running.clock.advance(12.0)
    look = _look(bench)
    assert look.age_s == pytest.approx(12.0, abs=0.6)
    assert look.stale


def test_a_device_clock_that_runs_slow_or_fast_makes_no_scan_look_old_or_new(running: RunningSoak) -> None:
    here = ManualClock(STARTED)
    bench = Bench(running.path, here)
    for _ in range(3):  # a demo at 60 times
        running.go_on(60.0)
        here.advance(1.0)
        assert _look(bench).age_s == pytest.approx(0.0, abs=1.0)
    here.advance(3600.0)  # a host's clock set on by an hour, looked at each second
    _look(bench)
    for _ in range(3):
        running.go_on(1.0)
        here.advance(1.0)
        assert _look(bench).age_s == pytest.approx(0.0, abs=1.0)


def test_a_store_found_stale_is_dated_by_the_clocks(running: RunningSoak) -> None:
    running.go_on(60.0)
    running.clock.advance(3600.0)
    assert _look(Bench(running.path, running.clock)).age_s == pytest.approx(3600.0, abs=1.0)


def test_between_two_looks_a_new_scan_is_never_older_than_the_time_between(running: RunningSoak) -> None:
    running.go_on(10.0)
    late = ManualClock(STARTED + timedelta(seconds=70.0))  # the host's clock was set on by a minute
    bench = Bench(running.path, late)
    assert _look(bench).age_s == pytest.approx(60.0, abs=1.0)
    late.advance(1.0)
    running.go_on(1.0)
    assert (_look(bench).age_s or 0.0) <= 1.0


def test_a_missing_store_is_an_empty_page_with_a_command_and_is_not_made(tmp_path: Path) -> None:
    path = tmp_path / "none.db"
    absent = Bench(path, ManualClock()).look()
    assert isinstance(absent, Absent)
    assert absent.title == "No soak yet"
    assert "soakbench demo" in absent.command
    assert not list(tmp_path.iterdir())


def test_a_store_that_is_no_store_says_so_and_since_when(tmp_path: Path) -> None:
    path = tmp_path / "soak.db"
    path.write_bytes(b"not a database at all" * 100)
    clock = ManualClock()
    bench = Bench(path, clock)
    bench.look()
    clock.advance(7.0)
    absent = bench.look()
    assert isinstance(absent, Absent)
    assert absent.title == "The store is not reached"
    assert "for 7 s" in absent.what_to_do


def test_a_soak_that_is_not_there_is_said_to_be_missing(running: RunningSoak) -> None:
    absent = Bench(running.path, running.clock).look(7)
    assert isinstance(absent, Absent)
    assert absent.title == "There is no soak 7 in this store"


def test_the_plan_is_laid_out_around_the_step_that_runs(running: RunningSoak) -> None:
    running.go_on(400.0)
    assert planned(Reader(running.path).soak()) == (
        Band("warm-up", 0.0, 300.0),
        Band("soak", 300.0, 2700.0),
    )
    running.go_on(1.0, now={"step": None, "step_from_s": None, "step_ends_s": None})
    assert planned(Reader(running.path).soak()) == ()


def test_a_gap_reaches_to_now_while_it_lasts(running: RunningSoak) -> None:
    running.go_on(60.0)
    bench = Bench(running.path, running.clock)
    assert _look(bench).gaps() == ()
    running.clock.advance(12.0)
    ((from_s, to_s),) = _look(bench).gaps()
    assert from_s == pytest.approx(59.5)
    assert to_s == pytest.approx(72.0, abs=1.0)


def _judged(bench: Bench, calibration: int | str) -> Look:
    """Look until it is judged anew, or that has failed."""
    until_s = time.monotonic() + 30.0
    while True:
        look = bench.look(1, calibration)
        assert isinstance(look, Look)
        if not look.waiting or (look.anew and look.anew.failed) or time.monotonic() > until_s:
            break
        time.sleep(0.02)
    return look


def test_an_ended_soak_is_judged_anew_with_another_calibration_and_the_store_stays_as_it_is(
    tmp_path: Path,
) -> None:
    soak = _ended(tmp_path / "soak.db", [a_calibration(gain=1.02)])
    bench, before = Bench(soak.path, soak.clock), soak.path.read_bytes()
    look = _judged(bench, 1)
    assert look.soak.verdict == json.loads(json.dumps(judge_soak(bench.reader, 1, calibration=1)))
    assert look.stored == VERDICT
    assert _look(bench, 1).soak.verdict == VERDICT
    assert soak.path.read_bytes() == before


def test_a_running_soak_is_seen_as_it_is_measured(running: RunningSoak) -> None:
    running.go_on(60.0)
    look = Bench(running.path, running.clock).look(1, "none")
    assert isinstance(look, Look)
    assert (look.calibration, look.anew) == ("in force", None)


def test_a_calibration_that_is_not_there_is_said_and_can_be_asked_for_again(tmp_path: Path) -> None:
    soak = _ended(tmp_path / "soak.db", [])
    bench = Bench(soak.path, soak.clock)
    look = _judged(bench, 7)
    assert look.waiting
    assert look.anew is not None
    assert "there is no calibration 7" in look.anew.failed
    assert "can't be judged with calibration 7: there is no" in soak_page.choice_status(look)
    _look(bench, 1)
    again = bench.look(1, 7)
    assert isinstance(again, Look)
    assert again.anew is not None


# ---------------------------------------------------------------- series from the store


def test_buckets_hold_the_means_of_the_stored_scans_and_the_spike_of_one(running: RunningSoak) -> None:
    running.go_on(104.0)
    running.go_on(0.5, change={"pair2": 0.2})
    running.go_on(100.0)
    reader, soak = Reader(running.path), Reader(running.path).soak()
    scans = reader.scans(soak.id)
    readings = running._converter.readings(scans)
    got = series.read(reader, soak, 10, series.Holes(), to_s=200.0)
    assert len(got) == 20
    for row, at in enumerate(got.t_s):
        inside = (scans.t_us / 1e6 >= at - 5.0) & (scans.t_us / 1e6 < at + 5.0)
        assert got.mean[row] == pytest.approx(readings.values[inside].mean(axis=0), rel=1e-9)
    spike = int(np.argmin(np.abs(got.t_s - 105.0)))
    assert got.greatest[spike, 1] == pytest.approx(0.2, rel=1e-4)
    assert got.mean[spike, 1] < 0.09


def test_a_stretch_without_scans_breaks_the_lines(running: RunningSoak) -> None:
    running.go_on(60.0)
    running.pass_time(40.0)
    running.go_on(60.0)
    reader, soak = Reader(running.path), Reader(running.path).soak()
    for level_s in (0, 1, 10):
        got = series.read(reader, soak, level_s, series.Holes())
        broken = got.t_s[np.isnan(got.mean).all(axis=1)]
        assert len(broken) == 1
        assert 60.0 < broken[0] < 100.0
    drawn = series.read(reader, soak, 10, series.Holes(), to_s=60.0)
    more = series.read(reader, soak, 10, series.Holes(), from_s=drawn.until_s, after_s=drawn.until_s)
    assert np.isnan(more.mean[0]).all(), "a gap before the first new point breaks the line too"


def test_a_railed_reading_has_no_mean(running: RunningSoak) -> None:
    running.go_on(20.0)
    running.go_on(10.0, change={"pair1": 0.256})
    got = series.read(Reader(running.path), Reader(running.path).soak(), 10, series.Holes())
    assert np.isnan(got.mean[2, 0])
    assert got.greatest[2, 0] == pytest.approx(0.256, rel=1e-3)
    assert np.isfinite(got.mean[:2, 0]).all()


@given(st.floats(1.0, 3e5), st.sampled_from([0.2, 1.0, 10.0, 100.0]), st.integers(1, 16))
def test_a_view_takes_the_finest_buckets_that_a_browser_draws_at_once(
    span_s: float, rate: float, pairs: int
) -> None:
    level_s = series.level_for(span_s, rate, pairs)
    per_s = rate if level_s == 0 else min(rate, 1.0 / level_s)
    assert span_s * per_s <= 1500 or level_s == series.LEVELS_S[-1]


# ---------------------------------------------------------------- the server


@pytest.fixture
def serving() -> Iterator[Callable[[Path, Clock], int]]:
    """Serve a store's dashboard on any free port, which is returned."""
    with contextlib.ExitStack() as stack:

        def start(path: Path, clock: Clock) -> int:
            server = make_server(create_app(path, clock), port=0)
            thread = threading.Thread(target=server.run, daemon=True)
            thread.start()

            def stop() -> None:
                tls.end(server)
                thread.join(10.0)
                assert not thread.is_alive()

            stack.callback(stop)
            return int(server.effective_port)

        yield start


def test_scripts_run_from_here_only_and_other_hosts_get_nothing(
    tmp_path: Path, serving: Callable[[Path, Clock], int]
) -> None:
    port = serving(tmp_path / "none.db", ManualClock())
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    connection.request("GET", "/", headers={"Accept-Encoding": "gzip"})
    answer = connection.getresponse()
    answer.read()
    policy = answer.headers["Content-Security-Policy"]
    (scripts,) = re.findall(r"script-src ([^;]*)", policy)
    assert scripts.startswith("'self' 'sha256-")
    assert "unsafe" not in scripts
    assert "default-src 'self'" in policy
    assert answer.headers["Content-Encoding"] == "gzip"
    connection.request("GET", "/", headers={"Host": "elsewhere.example"})
    assert connection.getresponse().status == 400
    connection.close()


def test_a_port_that_is_taken_is_said_to_be(tmp_path: Path) -> None:
    app = create_app(tmp_path / "none.db")
    first = make_server(app, port=0)
    try:
        with pytest.raises(RequestError, match="is taken"):
            make_server(app, port=first.effective_port)
    finally:
        first.close()


def test_reading_leaves_the_store_as_it_was(tmp_path: Path) -> None:
    soak = RunningSoak(tmp_path / "soak.db")
    soak.go_on(30.0)
    soak.writer.end_soak(ended=STARTED + timedelta(seconds=30), how="finished", verdict=None)
    soak.writer.close()
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    client = create_app(soak.path, soak.clock).server.test_client()
    for address in ("/", "/soak/last", "/_dash-layout", "/_dash-dependencies"):
        assert client.get(address, headers={"Host": "127.0.0.1"}).status_code == 200
    Bench(soak.path, soak.clock).look()
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


# ---------------------------------------------------------------- in a browser


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    if not CHROMIUM.exists():
        pytest.skip("no Chromium here: apt-get install chromium-headless-shell")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield browser
        browser.close()


class Visitor:
    """Opens pages and holds them to what every page must keep: no foreign host, nothing on the console."""

    def __init__(self, browser: Browser, serve: Callable[[Path, Clock], int]) -> None:
        self._browser, self._serve = browser, serve
        self._contexts: list[BrowserContext] = []
        self.foreign: list[str] = []
        self.console: list[str] = []

    def open(self, path: Path, clock: Clock, address: str = "/", size: dict[str, int] | None = None) -> Page:
        port = self._serve(path, clock)
        context = self._browser.new_context(viewport=size or DESK)  # type: ignore[arg-type]
        context.set_default_timeout(30_000)
        self._contexts.append(context)
        page = context.new_page()
        home = f"http://127.0.0.1:{port}"
        page.on("console", lambda message: self.console.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: self.console.append(f"error: {error}"))
        page.on(
            "request",
            lambda request: (
                None
                if request.url.startswith((f"{home}/", "data:", "blob:"))
                else self.foreign.append(request.url)
            ),
        )
        page.goto(f"{home}{address}")
        return page

    def leave(self) -> None:
        for context in self._contexts:
            context.close()


@pytest.fixture
def visitor(chromium: Browser, serving: Callable[[Path, Clock], int]) -> Iterator[Visitor]:
    visitor = Visitor(chromium, serving)
    yield visitor
    visitor.leave()
    assert visitor.foreign == []
    assert visitor.console == []


PLOT = "document.querySelector('#chart .js-plotly-plot')"


def _drawn(page: Page) -> None:
    page.wait_for_function(f"() => {{ const p = {PLOT}; return p && p.data && p.data.length > 3; }}")


def _line(page: Page, name: str) -> dict[str, Any]:
    found: dict[str, Any] = page.evaluate(
        f"""(name) => {{
            const t = {PLOT}.data.find(t => (t.hovertemplate || '').startsWith(name + ' '));
            return {{x: Array.from(t.x), y: Array.from(t.y)}};
        }}""",
        name,
    )
    return found


def _overflow(page: Page) -> int:
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


def test_an_open_cut_out_is_shown_with_its_reason_and_with_what_to_do(
    tmp_path: Path, visitor: Visitor
) -> None:
    text = setup_text().replace("[plan]", "[cutout]\narmed = true\n[plan]")
    soak = RunningSoak(tmp_path / "soak.db", text)
    why, do = "pair3 (V5/V6) draws 402 mA", "mend what opened it"
    soak.go_on(60.0, now={"cutout": {"state": "closed", "since_s": 3.0, "why": "", "do": ""}})
    page = visitor.open(soak.path, soak.clock)
    page.wait_for_selector(".facts .cutout.closed")
    assert page.locator("#live-trips").inner_text() == ""
    opened = {"state": "open", "since_s": 61.0, "why": why, "do": do}
    soak.go_on(5.0, change={"ht": 412.0}, now={"cutout": opened})
    page.wait_for_selector(".facts .cutout.open")
    shown = page.locator("#live-trips").inner_text()
    assert f"{why}. HT reads 412 V; a reading of zero proves nothing." in shown
    assert "Mend what opened it." in shown
    assert page.title().startswith("CUT-OUT OPEN · 1 min")
    soak.clock.advance(20.0)  # nothing is known of it while no scan comes
    page.wait_for_selector(".facts .cutout.unknown")
    assert page.locator("#live-trips").inner_text() == ""


def test_the_figures_on_screen_are_the_stores(running: RunningSoak, visitor: Visitor) -> None:
    running.go_on(330.0)
    running.writer.put_finding(DRIFT)
    running.writer.put_finding(MISMATCH)
    running.writer.commit()
    page = visitor.open(running.path, running.clock, "/?from=0&to=330")
    page.wait_for_selector(".tile")
    stored = Reader(running.path).soak()
    assert stored.now is not None
    tiles = page.locator(".tile.pair").all()
    assert len(tiles) == 4
    for tile, channel in zip(tiles, stored.setup.pairs, strict=True):
        now = stored.now["channels"][channel.name]
        text = tile.inner_text()
        assert f"{now['value'] * 1000:.1f}" in text
        assert "±0.9" in text
        assert words.milliamps(now["from_others"], signed=True) in text
        assert f"{now['dissipation_pct']:.0f} % of 25 W" in text
    assert "soaking · 39 min of 40 min left" in page.locator("#live-head").inner_text()
    assert "last scan 1 s ago" in page.locator("#live-head").inner_text()
    found = page.locator("#live-findings").inner_text()
    for finding in (DRIFT, MISMATCH):
        assert finding.says in found
    assert found.index(DRIFT.advice) < found.index(DRIFT.says) < found.index(MISMATCH.says)
    assert page.locator(".finding").count() == 1, "what follows from a finding stands under it"
    assert page.title() == "WARNING pair3 · 5 min · Theatre PA 240 W"
    assert "Lethal voltage" in page.locator(".caution").inner_text()
    _drawn(page)
    scans = Reader(running.path).scans(stored.id)
    values = Converter(stored.setup, stored.daq).readings(scans).values
    shown = _line(page, "pair1")
    assert shown["x"] == [t_us / 1e6 for t_us in scans.t_us]
    assert shown["y"] == pytest.approx(values[:, 0] * 1000.0, rel=1e-6)
    assert page.evaluate(f"{PLOT}._context.showSendToCloud") is False
    assert page.evaluate("document.documentElement.lang") == "en"
    assert _overflow(page) == 0


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_a_question_is_no_fault_and_what_waits_for_a_word_says_how_to_give_it(
    running: RunningSoak, visitor: Visitor, size: dict[str, int]
) -> None:
    running.go_on(330.0)
    running.go_on(1.0, now={"state": "setting bias", "states": STATES})
    for finding in (DRIFT, MISMATCH, QUESTION):
        running.writer.put_finding(finding)
    running.writer.commit()
    page = visitor.open(running.path, running.clock, size=size)
    page.wait_for_selector(".finding.question")
    assert "setting bias · soak" in page.locator("#live-head .state").inner_text()
    asked, warned = page.locator(".finding.question"), page.locator(".finding.warning")
    head = asked.locator(".finding-head").inner_text()
    assert re.sub(r"\s+", " ", head).startswith("3 ? Question pair1 (V1/V2) since")
    assert "remark" not in asked.inner_text().lower()
    said = asked.inner_text()
    assert said.index(QUESTION.says) < said.index(QUESTION.advice)
    assert "Answer yes" in said
    asks = asked.get_by_role("button", name="Answer yes to question 3")
    assert (asks.get_attribute("data-ask"), asks.get_attribute("data-text")) == ("acknowledge", "3")
    assert "Not acknowledged." in warned.inner_text()
    assert warned.get_by_role("button").count() == 1
    follower = warned.locator(".followers")
    assert "raised at 4 min 40 s, not acknowledged" in follower.inner_text()
    assert follower.get_by_role("button").count() == 0, "nobody is called to what follows"
    tile = page.locator(".tile.pair", has_text="pair1")
    assert tile.locator(".tile-sign").inner_text().split() == ["?", "question"]
    assert "warning" not in (tile.get_attribute("class") or "").split()
    assert page.title().startswith("WARNING pair3"), "a question is not what the tab calls out"
    running.writer.put_finding(replace(QUESTION, acknowledged_s=331.0, cleared_s=331.0))
    running.writer.put_finding(replace(DRIFT, acknowledged_s=331.0))
    running.writer.commit()
    page.wait_for_selector(".finding.warning:has-text('acknowledged at 5 min')")
    assert warned.get_by_role("button").count() == 0
    assert page.locator(".finding.question").count() == 0
    assert "one question answered or over" in page.locator(".cleared-note").inner_text()
    assert _overflow(page) == 0
    page.goto(page.url + "soak/1")
    page.wait_for_selector(".finding-list")
    rows = [re.sub(r"\s+", " ", row.inner_text()) for row in page.locator(".finding-list li").all()]
    assert "acknowledged at 5 min" in rows[0]
    assert "raised at 4 min 40 s, not acknowledged" in rows[1]
    assert rows[2].startswith(
        "3 ? Question pair1 (V1/V2) since 3 min 30 s, asked at 5 min, answered at 5 min"
    )
    assert "Acknowledge it" not in rows[2], "what was answered asks nobody any more"
    assert _overflow(page) == 0


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_marks_are_listed_as_text_and_stand_on_the_time_axis_as_they_are_made(
    running: RunningSoak, visitor: Visitor, size: dict[str, int]
) -> None:
    running.go_on(330.0)
    page = visitor.open(running.path, running.clock, "/soak/1", size=size)
    page.wait_for_selector("#soak-marks .none")
    _drawn(page)
    for mark in MARKS:
        running.writer.put_mark(mark)
    running.go_on(2.0, now={"state": "setting bias", "states": STATES})
    page.wait_for_selector(".marks li")
    rows = [
        [cell.inner_text() for cell in row.locator("span").all()] for row in page.locator(".marks li").all()
    ]
    assert rows == [
        ["2 min", "asked", "signal on"],
        ["3 min", "asked", "signal off"],
        ["3 min 20 s", "said", HOSTILE],
        ["4 min 50 s", "asked", "acknowledge finding 6"],
    ]
    page.wait_for_function(f"() => {PLOT}.data.at(-1).x.length === 4")
    ticks = page.evaluate(f"{PLOT}.data.at(-1).x")
    assert ticks == [mark.t_us / 1e6 for mark in MARKS]
    drawn = page.locator("#chart .annotation-text").all_text_contents()
    assert {"under signal", "setting bias"} <= set(drawn)
    assert page.evaluate("window.taken") is None
    assert page.locator("#soak-marks script, #soak-marks img").count() == 0
    assert _overflow(page) == 0


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_own_window_side_balance_and_clicks_are_on_the_page_of_a_finished_soak(
    tmp_path: Path, visitor: Visitor, size: dict[str, int]
) -> None:
    text = setup_text().replace("[plan]", "[limits]\npair_low_mA = 70\npair_high_mA = 78.5\n[plan]")
    soak = RunningSoak(tmp_path / "soak.db", text)
    soak.go_on(330.0)
    whole = {
        "states": STATES,
        "clicks": 3,
        "statements": {"side balance": "conditional pass"},
        "side_balance_pct": -3.94,
        "side_balance_expanded_uncertainty_pct": 1.32,
    }
    channels = [
        {**pair, "statements": {**pair["statements"], "own window": statement}}
        for pair, statement in zip(
            VERDICT["channels"], ("pass", None, "conditional pass", "fail"), strict=True
        )
    ]
    document = {**VERDICT, "soak": {**VERDICT["soak"], **whole}, "channels": channels}
    soak.writer.put_finding(QUESTION)
    soak.writer.end_soak(ended=STARTED + timedelta(seconds=330), how="finished", verdict=document)
    soak.writer.close()
    page = visitor.open(soak.path, soak.clock, "/soak/1", size=size)
    page.wait_for_selector(".pairs-table")
    rows = [" ".join(row.inner_text().split()) for row in page.locator(".pairs-table tbody tr").all()]
    for row, said in zip(rows, ("pass", "not judged", "pass, too close to call", "fail"), strict=True):
        assert f"own window: {said}" in row
    shown = page.locator(".pairs-table").inner_text() + "".join(
        cell.get_attribute("data-label") or "" for cell in page.locator(".pairs-table td").all()
    )
    assert "own window 70 to 78.5" in shown
    sides = " ".join(page.locator(".sides").inner_text().split())
    assert "push less pull −3.9 ±1.4 % of their mean, limit 5 %" in sides
    assert "▲ pass, too close to call" in sides.replace("▲pass", "▲ pass")
    conditions = " ".join(page.locator("#soak-conditions").inner_text().split())
    assert "3 clicks on all channels, none judged" in conditions
    assert "State: under signal 2 min to 3 min" in conditions
    listed = page.locator(".finding-list").inner_text()
    assert "not answered" in listed
    assert "soakbench request" not in listed, "nobody is left to ask"
    assert _overflow(page) == 0


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_forecasts_come_and_go_without_moving_what_stands_below(
    running: RunningSoak, visitor: Visitor, size: dict[str, int]
) -> None:
    none = {"settled_at_s": None, "ends_low": None, "ends_high": None, "settles": None}
    running.outlook = none
    running.go_on(200.0)
    page = visitor.open(running.path, running.clock, size=size)
    page.wait_for_selector(".tile")
    outlook, below = page.locator(".tile-outlook").first, page.locator(".figures .hint")
    assert outlook.inner_text() == ""
    place = below.bounding_box()
    running.outlook = {
        "settled_at_s": None,
        "ends_low": 0.10012,
        "ends_high": 0.11238,
        "settles": {"earliest_s": 200.0 + 12 * 60.0 + 30.0, "latest_s": 200.0 + 33 * 60.0},
    }
    running.go_on(10.0)
    page.wait_for_selector("text=settles in 12 to 33 min")
    assert "ends at 100.1 to 112.4 mA" in outlook.inner_text()
    assert below.bounding_box() == pytest.approx(place, abs=0.5)
    running.outlook = {**running.outlook, "settled_at_s": 208.0}
    running.go_on(5.0)
    page.wait_for_selector(".tile-outlook:has-text('settled at 3 min 28 s')")
    assert "ends at" not in outlook.inner_text()
    assert below.bounding_box() == pytest.approx(place, abs=0.5)
    running.clock.advance(12.0)
    page.wait_for_selector(".silent")
    assert outlook.inner_text() == "", "an old forecast is no present one"


def test_a_running_soak_goes_on_without_reload_and_keeps_a_persons_zoom(
    running: RunningSoak, visitor: Visitor
) -> None:
    running.go_on(330.0)
    page = visitor.open(running.path, running.clock)
    _drawn(page)
    page.evaluate("window.sameVisit = true")
    box = page.locator("#chart .nsewdrag").nth(1)
    box.scroll_into_view_if_needed()
    place = box.bounding_box()
    assert place is not None
    middle = place["y"] + place["height"] / 2
    page.mouse.move(place["x"] + 20, middle)
    page.mouse.down()
    page.mouse.move(place["x"] + place["width"] * 0.2, middle, steps=4)
    page.mouse.up()
    page.wait_for_function(f"() => {PLOT}.layout.xaxis.range[0] > 1")
    # The zoom is answered with finer points: every scan of the stretch.
    page.wait_for_function(
        f"""() => {{
            const t = {PLOT}.data.find(t => (t.hovertemplate || '').startsWith('pair1 '));
            const [low, high] = {PLOT}.layout.xaxis.range;
            const inside = t.x.filter(x => x > low && x < high);
            return inside.length > 20 && inside[1] - inside[0] === 0.5;
        }}"""
    )
    zoomed = page.evaluate(f"{PLOT}.layout.xaxis.range")
    last = _line(page, "pair1")["x"][-1]
    running.go_on(60.0, change={"pair3": 0.0839})
    page.wait_for_function(
        f"""(last) => {PLOT}.data.find(t => (t.hovertemplate || '').startsWith('pair1 ')).x.at(-1) > last""",
        arg=last,
    )
    assert page.evaluate(f"{PLOT}.layout.xaxis.range") == zoomed
    page.wait_for_function(
        "() => document.querySelector('.tile.pair:nth-child(3)').innerText.includes('83.9')"
    )
    line = _line(page, "pair3")
    assert sorted(line["x"]) == line["x"]
    assert len(set(line["x"])) == len(line["x"])
    assert line["y"][-1] == pytest.approx(83.9, abs=0.05)
    assert page.evaluate("window.sameVisit") is True
    page.mouse.dblclick(place["x"] + 200, middle)
    page.wait_for_function(f"() => {PLOT}.layout.xaxis.range[0] === 0")


def test_old_figures_are_never_shown_as_present(running: RunningSoak, visitor: Visitor) -> None:
    running.go_on(330.0)
    running.clock.advance(12.0)
    page = visitor.open(running.path, running.clock, size=PHONE)
    page.wait_for_selector(".silent")
    assert "No reading for 12 s" in page.locator(".silent").inner_text()
    assert "no reading for 12 s" in page.locator("#live-head").inner_text()
    for tile in page.locator(".tile").all():
        assert "no reading" in tile.inner_text()
        assert tile.locator(".value").count() == 0
        assert "hatched" in (tile.get_attribute("class") or "")
    assert page.title().startswith("NO READING · 12 s")


def test_texts_from_files_and_devices_come_out_as_text(tmp_path: Path, visitor: Visitor) -> None:
    names = ["pair1", "pair2"]
    sockets = ["<b>V1</b>", "=cmd|/C calc!A1"]
    soak = RunningSoak(
        tmp_path / "soak.db",
        setup_text(2, amp=HOSTILE.replace("'", '"'), sockets=sockets, names=names),
    )
    soak.go_on(330.0)
    soak.writer.put_finding(
        replace(
            DRIFT, channel=names[0], channels=(names[0],), says=HOSTILE, advice="{{7*7}} [x](javascript:1)"
        )
    )
    soak.writer.commit()
    page = visitor.open(soak.path, soak.clock)
    page.wait_for_selector(".tile")
    _drawn(page)
    assert page.locator("h1").inner_text() == HOSTILE.replace("'", '"')
    assert HOSTILE in page.locator(".finding").inner_text()
    assert "{{7*7}} [x](javascript:1)" in page.locator(".finding").inner_text()
    assert "<b>V1</b>/=cmd|/C calc!A1" in page.locator(".tile.pair").first.inner_text()
    page.locator("#chart .nsewdrag").last.scroll_into_view_if_needed()
    assert page.evaluate("window.taken") is None
    assert page.locator("main script, main img").count() == 0
    page.goto(page.url + "soak/last")
    page.wait_for_selector(".finding-list")
    assert HOSTILE in page.locator(".finding-list").inner_text()
    assert page.evaluate("window.taken") is None
    soak.writer.close()


def test_nothing_overflows_on_a_phone_with_sixteen_pairs_and_long_names(
    tmp_path: Path, visitor: Visitor
) -> None:
    long = "Amplifier" * 15
    names = [f"output pair number {k} upper deck"[:32] for k in range(16)]
    soak = RunningSoak(tmp_path / "soak.db", setup_text(16, amp=long, names=names))
    soak.go_on(330.0)
    soak.writer.put_finding(replace(DRIFT, channel=names[4], channels=(names[4],), says="a" * 400))
    soak.writer.commit()
    page = visitor.open(soak.path, soak.clock, size=PHONE)
    page.wait_for_selector(".tile")
    _drawn(page)
    assert _overflow(page) == 0
    rows = page.locator(".tile.pair").all()
    tops = {index: (row.bounding_box() or {"y": 0.0})["y"] for index, row in enumerate(rows)}
    assert min(tops, key=lambda index: tops[index]) == 4, "the pair with a finding comes first"
    finding = page.locator(".finding").bounding_box()
    assert finding is not None
    assert finding["y"] < min(tops.values())
    page.goto(page.url + "soak/last")
    page.wait_for_selector(".pairs-table")
    _drawn(page)
    assert _overflow(page) == 0
    soak.writer.close()


VERDICT: dict[str, Any] = {
    "schema": "soakbench.judge/1",
    "program": "soakbench 0.1.0",
    "soak": {
        "verdict": "conditional fail",
        "duration_s": 329.5,
        "judged_s": 29.0,
        "scans": 660,
        "scans_missing": 3,
        "says": "pair3 drifts; too close to call.",
        "conditions": {"mains_V": 231.2, "ht_V": 452.0, "ambient_C": 23.4},
        "steps": [
            {"step": "warm-up", "from_s": 0.0, "to_s": 300.0},
            {"step": "soak", "from_s": 300.0, "to_s": None},
        ],
        "states": [],
        "lines_skipped": {"count": 0, "first": None},
    },
    "channels": [
        {
            "name": f"pair{k}",
            "measures": "pair current",
            "verdict": verdict,
            "statements": {
                "from the others": statement,
                "drift": None,
                "dissipation": "pass",
                "settled": "pass",
            },
            "settled_at_s": 120.0,
            "settled_mA": 75.0 + k,
            "expanded_uncertainty_mA": 0.8,
            "coverage_factor": 1.68,
            "from_others_mA": k - 2.5,
            "from_others_expanded_uncertainty_mA": 0.7,
            "drift_mA_per_h": None,
            "drift_interval_mA_per_h": None,
            "dissipation_pct": 64.1,
            "dissipation_expanded_uncertainty_pct": 3.0,
        }
        for k, verdict, statement in (
            (1, "pass", "pass"),
            (2, "conditional pass", "conditional pass"),
            (3, "conditional fail", "conditional fail"),
            (4, "fail", "fail"),
        )
    ],
    "findings": [],
}


def test_a_finished_soak_says_its_verdict_in_words_with_every_figures_statement(
    running: RunningSoak, visitor: Visitor
) -> None:
    running.go_on(330.0)
    running.writer.put_finding(DRIFT)
    running.writer.put_finding(replace(MISMATCH, cleared_s=300.0))
    running.writer.end_soak(ended=STARTED + timedelta(seconds=330), how="finished", verdict=VERDICT)
    page = visitor.open(running.path, running.clock, "/soak/1")
    page.wait_for_selector(".verdict-word")
    assert page.title() == "fail, too close to call · Theatre PA 240 W"
    assert "Fail, too close to call" in page.locator(".verdict").inner_text()
    assert "pair3 drifts; too close to call." in page.locator(".verdict").inner_text()
    rows = [row.inner_text() for row in page.locator(".pairs-table tbody tr").all()]
    assert ["78.0" in rows[2], "±0.8" in rows[2], "+0.5" in rows[2]] == [True] * 3
    assert "fail, too close to call" in rows[2]
    assert "pass, too close to call" in rows[1]
    assert all("not judged" in row for row in rows)
    listed = page.locator(".finding-list li").all()
    assert [item.locator(".numeral").inner_text() for item in listed] == ["1", "2"]
    assert "began at 3 min 20 s, raised at 4 min 40 s, cleared at 5 min" in listed[1].inner_text()
    assert "follows from 1" in listed[1].inner_text()
    _drawn(page)
    numbered = page.evaluate(f"{PLOT}.data.slice(1).filter(t => t.text).flatMap(t => t.text)")
    assert numbered == ["1", "2"]
    conditions = page.locator("#soak-conditions").inner_text()
    assert "231.2 V" in conditions
    assert "660 (3 missing)" in conditions
    page.get_by_role("link", name="Live").click()
    page.wait_for_selector(".nothing")
    assert "No soak is running" in page.locator(".nothing").inner_text()
    assert "Result: fail, too close to call." in page.locator(".nothing").inner_text()
    assert page.locator(".tile").count() == 0
    assert not page.locator("#chart").is_visible(), "what has ended is not shown as present"


def _ended(path: Path, calibrations: Sequence[Calibration], measured_by: int | None = None) -> RunningSoak:
    soak = RunningSoak(path, calibrations=calibrations, measured_by=measured_by)
    soak.go_on(330.0)
    soak.writer.end_soak(ended=STARTED + timedelta(seconds=330), how="finished", verdict=VERDICT)
    soak.writer.close()
    return soak


def test_a_soak_without_calibration_or_checks_says_so_and_offers_no_choice(
    tmp_path: Path, visitor: Visitor
) -> None:
    soak = _ended(tmp_path / "soak.db", [a_calibration("another board")])
    page = visitor.open(soak.path, soak.clock, "/soak/1", size=PHONE)
    page.wait_for_selector(".pairs-table")
    assert "Calibration: none." in page.locator("#soak-calibration-says p").first.inner_text()
    assert not page.locator("#soak-choices").is_visible()
    assert "None were made for this soak." in page.locator("#soak-checks").inner_text()


def test_the_checks_before_power_are_listed_as_they_were_answered(
    running: RunningSoak, visitor: Visitor
) -> None:
    checks = [
        Check("load", "stop", HOSTILE, "connect one before any signal"),
        Check("zero current", "odd", "pair3 reads 0.9 mA with HT off", "look at its lead"),
        Check("channels", "fine", "all 8 answer"),
    ]
    running.go_on(30.0)
    running.writer.put_checks([check.json() for check in checks])
    running.writer.commit()
    page = visitor.open(running.path, running.clock, "/soak/1", size=PHONE)
    page.wait_for_selector(".checks")
    rows = page.locator(".checks li").all()
    assert len(rows) == 3
    for row, check, sign in zip(rows, checks, ("■", "▲", ""), strict=True):
        said = row.inner_text()
        assert all(part in said for part in (check.check, check.result, check.says, check.do, sign))
    assert page.locator(".checks .sign").count() == 2
    assert page.evaluate("window.taken") is None
    assert _overflow(page) == 0


def test_an_old_soak_is_looked_at_with_another_calibration_and_all_figures_follow(
    tmp_path: Path, visitor: Visitor
) -> None:
    old = replace(a_calibration(gain=1.0), made=datetime(2024, 1, 15, 12, tzinfo=UTC))
    old = replace(
        old,
        channels={k: v.model_copy(update={"date": date(2024, 1, 15)}) for k, v in old.channels.items()},
    )
    soak = _ended(tmp_path / "soak.db", [old, a_calibration(gain=1.1)], measured_by=1)
    page = visitor.open(soak.path, soak.clock, "/soak/1")
    page.wait_for_selector(".pairs-table")
    _drawn(page)
    said = page.locator("#soak-calibration-says").inner_text()
    assert "Calibration 1: 2024-01-15 (pair1, pair2), with bench meter 3." in said
    assert "Made by the workshop, 2.1 years before this soak." in said
    assert "over a year" in said
    assert page.locator("#soak-calibration-says .sign.warning").count() == 1
    labels = [label.inner_text() for label in page.locator("#soak-choice label").all()]
    assert labels == [
        "calibration 1 of 2024-01-15, as measured",
        "calibration 2 of 2026-02-01",
        "no calibration",
    ]
    before = _line(page, "pair1")["y"]
    page.get_by_label("calibration 2").check()
    page.wait_for_selector(".anew")
    assert "as measured, it was: fail, too close to call" in page.locator(".anew").inner_text()
    page.wait_for_function(
        f"""(y) => {PLOT}.data.find(t => (t.hovertemplate || '').startsWith('pair1 ')).y.at(-1) > 1.05 * y""",
        arg=before[-1],
    )
    # value = gain x uncalibrated + offset, with the same offset in both
    ratio = (np.array(_line(page, "pair1")["y"][-50:]) - 0.01) / (np.array(before[-50:]) - 0.01)
    assert ratio == pytest.approx(1.1, abs=1e-4)
    document = judge_soak(Reader(soak.path), 1, calibration=2)
    rows = page.locator(".pairs-table tbody tr").all()
    for row, pair in zip(rows, document["channels"], strict=False):
        assert words.number(pair["settled_mA"]) in row.inner_text()
        assert words.uncertainty(pair["expanded_uncertainty_mA"]) in row.inner_text()
    assert "Calibration 2: 2026-02-01" in page.locator("#soak-calibration-says").inner_text()
    assert (
        "All figures on this page are those with calibration 2."
        in page.locator("#soak-choice-status").inner_text()
    )
    page.get_by_label("calibration 1").check()
    page.wait_for_selector(".anew", state="detached")
    assert "Calibration 1: 2024" in page.locator("#soak-calibration-says").inner_text()


def test_pages_without_anything_to_show_say_what_to_do(tmp_path: Path, visitor: Visitor) -> None:
    path = tmp_path / "soak.db"
    clock = SystemClock()
    page = visitor.open(path, clock, size=PHONE)
    page.wait_for_selector(".nothing")
    assert "No soak yet" in page.locator("h1").inner_text()
    assert "soakbench demo" in page.locator(".nothing").inner_text()
    assert _overflow(page) == 0
    # The page follows by itself once a soak begins.
    soak = RunningSoak(path, started=clock.wall())
    page.wait_for_selector("text=Waiting for the first scan")
    soak.go_on(3.0)
    page.wait_for_selector(".tile")
    page.goto(page.url + "soak/9")
    page.wait_for_selector("text=There is no soak 9")
    soak.writer.close()


def test_a_page_is_worked_by_keyboard(running: RunningSoak, visitor: Visitor) -> None:
    running.go_on(330.0)
    page = visitor.open(running.path, running.clock)
    page.wait_for_selector(".tile")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    for name in ("Live", "Bias", "Soak"):
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.innerText") == name
    page.keyboard.press("Enter")
    page.wait_for_selector(".pairs-table")
    assert "Not judged yet" in page.locator(".verdict").inner_text()


# ---------------------------------------------------------------- what pages say


def test_findings_stand_under_the_one_they_follow_from_and_the_worst_comes_first() -> None:
    trip = replace(DRIFT, id=3, severity=Severity.TRIP, raised_s=10.0)
    remark = replace(DRIFT, id=4, severity=Severity.REMARK, raised_s=400.0)
    orphan = replace(MISMATCH, id=5, under=99)
    order = [
        (leader.id, [one.id for one in under])
        for leader, under in parts.led([remark, DRIFT, MISMATCH, trip, orphan])
    ]
    assert order == [(3, []), (5, []), (1, [2]), (4, [])]


def test_the_pipeline_says_where_pairs_end_and_when_and_works_it_out_only_when_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[float] = []
    whole = Forecast.settles_in_min

    def counted(self: Forecast, limit: Any) -> Any:
        asked.append(limit)
        return whole(self, limit)

    monkeypatch.setattr(Forecast, "settles_in_min", counted)
    setup = parse(setup_text(4).replace('"warm-up", minutes = 5', '"warm-up", minutes = 30'))
    n, end_a, size_a, tau_s = 15 * 60, 0.076, 0.004, 480.0
    t_s = np.arange(n, dtype=np.float64)
    rng = np.random.default_rng(3)
    values = np.full((n, len(setup.channel)), 22.0)
    values[:, :4] = end_a + size_a * np.exp(-t_s / tau_s)[:, None] + 2e-5 * rng.standard_normal((n, 4))
    values[:, 4], values[:, 5] = 455.0, 230.0
    pipeline = Pipeline(setup)
    for start in range(0, n, 60):
        at = slice(start, start + 60)
        t_us = np.round(t_s[at] * 1e6).astype(np.int64)
        railed = np.zeros((60, len(setup.channel)), dtype=np.int8)
        out = pipeline.feed(ReadingBlock(t_us, values[at], railed))
        if start < 6 * 60:
            assert out.now["channels"]["pair1"]["settles"] is None
    assert asked == []
    for _ in range(3):
        pair = out.now["channels"]["pair1"]
    assert len(asked) == 1, "once for each forecast, however often it is asked for"
    assert pair["ends_low"] < end_a < pair["ends_high"] < pair["value"]
    limit_a = setup.limits.settle_a(float(np.median(values[-1, :4])))
    truth_s = tau_s * math.log(size_a / limit_a)
    assert pair["settles"]["earliest_s"] - 120.0 <= truth_s
    assert pair["settles"]["latest_s"] is None or truth_s <= pair["settles"]["latest_s"]


settings.register_profile("dashboard", deadline=None)
settings.load_profile("dashboard")
