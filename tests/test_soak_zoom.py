"""The chart's zoom: no spike disappears at any zoom; what a person looks at is kept; clocks that change."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import test_dashboard
from dashboard_soak import SCANS_PER_S, RunningSoak, unpacked
from hypothesis import given, settings
from hypothesis import strategies as st
from test_dashboard import HOSTILE, PHONE, PLOT, Visitor, _drawn

from dashboard import timescale
from dashboard.app import create_app
from dashboard.bench import IN_FORCE, Bench
from dashboard.chart import Asked, Charts
from dashboard.figures import View
from logger.blocks import Mark
from logger.clock import SystemClock
from logger.convert import Converter
from logger.requests import Ask, text_of
from logger.store.reader import Reader
from logger.store.record import Record
from logger.store.request import Answer
from logger.units import PAIR_UNITS

chromium, serving, visitor = test_dashboard.chromium, test_dashboard.serving, test_dashboard.visitor
BERLIN = ZoneInfo("Europe/Berlin")
SPIKES = 60
LONG_S = 5400.0
Spikes = list[tuple[int, float, float]]


@pytest.fixture(scope="module")
def spiky(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[RunningSoak, Spikes]]:
    """Give a soak of 1 h 30 min with spikes of one scan each: (pair, time, mA as stored)."""
    soak = RunningSoak(tmp_path_factory.mktemp("zoom") / "soak.db")
    rng = np.random.default_rng(7)
    # Further apart than the longest bucket, or a higher one would stand before a lower one.
    at = 400 + 170 * np.arange(SPIKES) + rng.integers(0, 80, SPIKES)
    pairs = rng.integers(0, 4, SPIKES)
    for scan, pair in zip(at.tolist(), pairs.tolist(), strict=True):
        soak.go_on(scan / SCANS_PER_S - soak.t_s)
        soak.go_on(1.0 / SCANS_PER_S, change={f"pair{pair + 1}": float(rng.uniform(0.085, 0.120))})
    soak.go_on(LONG_S - soak.t_s)
    scans = Reader(soak.path).scans(soak.id)
    values = Converter(soak.setup, soak.daq).readings(scans).values
    spikes = [
        (pair, float(scans.t_us[scan]) / 1e6, float(values[scan, pair]) * 1000.0)
        for scan, pair in zip(at.tolist(), pairs.tolist(), strict=True)
    ]
    yield soak, spikes
    soak.writer.close()


@settings(max_examples=40)
@given(st.data())
def test_a_spike_of_one_scan_is_seen_at_every_zoom_with_its_very_value(
    spiky: tuple[RunningSoak, Spikes], data: st.DataObject
) -> None:
    soak, spikes = spiky
    charts = Charts(Bench(soak.path, soak.clock))
    pair, at_s, value = data.draw(st.sampled_from(spikes))
    before = data.draw(st.floats(0.0, 1.0)) ** 3 * at_s
    after = data.draw(st.floats(0.0, 1.0)) ** 3 * (LONG_S - at_s)
    zoom = (at_s - before, max(at_s + after, at_s - before + 1.0))
    width = data.draw(st.sampled_from([360, 768, 1280, 2560]))
    answer = charts.answer(soak.id, Asked(View(width, zoom), IN_FORCE, PAIR_UNITS[0], None, "", ""))
    assert answer is not None
    figure = unpacked(answer["figure"])
    low_s, high_s = figure["layout"]["xaxis"]["range"]
    near_s = 12.0 * (high_s - low_s) / View(width).plot_px + 1.0
    drawn = [
        y
        for trace in figure["data"]
        if trace.get("name") == f"pair{pair + 1}"
        for x, y in zip(trace["x"], trace["y"], strict=True)
        if low_s <= x <= high_s and abs(x - at_s) <= near_s
    ]
    assert any(y == pytest.approx(value, rel=1e-6) for y in drawn)


def test_a_line_has_no_more_points_than_the_width_can_show(
    spiky: tuple[RunningSoak, Spikes],
) -> None:
    soak, _ = spiky
    charts = Charts(Bench(soak.path, soak.clock))
    for width in (360, 1280):
        for span_s in (30.0, 300.0, 1800.0, LONG_S):
            zoom = (LONG_S - span_s, LONG_S)
            answer = charts.answer(soak.id, Asked(View(width, zoom), IN_FORCE, PAIR_UNITS[0], None, "", ""))
            assert answer is not None
            count = len(unpacked(answer["figure"])["data"][0]["x"])
            assert 20 <= count <= View(width).plot_px + 10


# ---------------------------------------------------------------- the clock


@pytest.mark.parametrize(
    ("began", "expected"),
    [
        (datetime(2026, 10, 24, 23, 30, tzinfo=UTC), ["01:30", "02:00", "02:30", "02:00", "02:30", "03:00"]),
        (datetime(2026, 3, 29, 0, 0, tzinfo=UTC), ["01:00", "01:30", "03:00", "03:30", "04:00"]),
    ],
)
def test_ticks_are_right_on_the_nights_on_which_clocks_change(began: datetime, expected: list[str]) -> None:
    ticks = timescale.by_clock(0.0, 2.6 * 3600.0, 480.0, began, BERLIN)
    assert [tick.label.split("\n")[0] for tick in ticks][: len(expected)] == expected
    assert [b.t_s - a.t_s for a, b in pairwise(ticks)] == [1800.0] * (len(ticks) - 1)
    changed = [tick for tick in ticks[1:] if "UTC" in tick.label]
    assert len(changed) == 1, "the offset is said once, at the first tick after the change"


@given(
    st.datetimes(datetime(2020, 1, 1), datetime(2030, 1, 1)),
    st.floats(0.0, 1e5),
    st.floats(0.5, 3e5),
    st.sampled_from(["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC"]),
)
def test_every_tick_says_the_local_time_at_its_place(
    began: datetime, from_s: float, span_s: float, zone: str
) -> None:
    started = began.replace(tzinfo=UTC)
    ticks = timescale.by_clock(from_s, from_s + span_s, 1000.0, started, ZoneInfo(zone))
    assert len(ticks) <= 60
    for tick in ticks:
        there = (started + timedelta(seconds=tick.t_s + 0.0005)).astimezone(ZoneInfo(zone))
        assert tick.label.startswith(f"{there:%H:%M}")
    assert all(b.t_s > a.t_s for a, b in pairwise(ticks))


@given(st.floats(0.0, 3e5), st.floats(0.5, 3e5), st.floats(100.0, 3000.0))
def test_elapsed_ticks_lie_at_whole_steps_and_have_room(from_s: float, span_s: float, room_px: float) -> None:
    ticks = timescale.elapsed(from_s, from_s + span_s, room_px)
    assert len(ticks) <= room_px / 60.0 + 2
    for tick in ticks:
        hours, minutes, *seconds = (float(part) for part in tick.label.split(":"))
        assert hours * 3600 + minutes * 60 + sum(seconds) == pytest.approx(tick.t_s, abs=0.051)


# ---------------------------------------------------------------- in a browser


@pytest.fixture
def in_berlin() -> Iterator[None]:
    """Let this machine stand in Berlin."""
    before = os.environ.get("TZ")
    os.environ["TZ"] = "Europe/Berlin"
    time.tzset()
    yield
    os.environ.pop("TZ")
    if before is not None:
        os.environ["TZ"] = before
    time.tzset()


def _range(page: Any) -> list[float]:
    return [float(end) for end in page.evaluate(f"{PLOT}.layout.xaxis.range")]


def test_a_view_is_kept_in_the_address_and_worked_by_keyboard(tmp_path: Path, visitor: Visitor) -> None:
    soak = RunningSoak(tmp_path / "soak.db")
    soak.go_on(900.0)
    soak.go_on(0.5, change={"pair2": 0.115})
    soak.go_on(300.0)
    page = visitor.open(soak.path, soak.clock, "/soak/1?from=880&to=940", size=PHONE)
    _drawn(page)
    assert _range(page) == [880.0, 940.0]
    assert page.locator("#chart-seen").inner_text() == "0:14:40 to 0:15:40"
    page.locator("[data-zoom=later]").focus()
    page.keyboard.press("Enter")
    page.wait_for_function(f"() => {PLOT}.layout.xaxis.range[0] === 928")
    assert page.url.endswith("?from=928&to=988")
    page.locator("[data-zoom='600']").focus()
    page.keyboard.press("Space")
    page.wait_for_function(f"() => {PLOT}.layout.xaxis.range[0] === 658")
    soak.go_on(60.0)
    page.wait_for_function(f"() => {PLOT}.data[0].x.at(-1) > 1200")
    assert _range(page) == [658.0, 1258.0], "what is new moves nothing"
    page.locator("[data-zoom=whole]").focus()
    page.keyboard.press("Enter")
    page.wait_for_function(f"() => {PLOT}.layout.xaxis.range[0] === 0")
    assert "from" not in page.url
    highest = page.evaluate(
        f"Math.max(...{PLOT}.data.filter(t => t.name === 'pair2')"
        ".flatMap(t => Array.from(t.y).filter(isFinite)))"
    )
    assert highest == pytest.approx(115.0, rel=1e-5), "seen from afar too"
    soak.writer.close()


def test_clock_time_is_right_on_the_night_on_which_the_clocks_are_put_back(
    tmp_path: Path, visitor: Visitor, in_berlin: None
) -> None:
    soak = RunningSoak(tmp_path / "soak.db", started=datetime(2026, 10, 25, 0, 10, tzinfo=UTC))
    soak.go_on(5400.0)
    page = visitor.open(soak.path, soak.clock, "/soak/1")
    _drawn(page)
    assert "elapsed, h:min" in page.locator("#chart .annotation-text").all_text_contents()
    page.locator("[data-zoom=clock]").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("[data-zoom=clock][aria-pressed=true]")
    page.wait_for_function(f"() => {PLOT}.layout.xaxis.ticktext.some(t => t.startsWith('02:30'))")
    labels = [re.sub("<br>.*", "", text) for text in page.evaluate(f"{PLOT}.layout.xaxis.ticktext")]
    assert labels.count("02:30") == 2
    said = page.evaluate(f"{PLOT}.data[0].text")
    assert said[0].startswith("02:10:")
    assert said[0].endswith("UTC+2")
    assert said[-1].startswith("02:3")
    assert said[-1].endswith("UTC+1")
    page.reload()
    _drawn(page)
    assert page.locator("[data-zoom=clock]").get_attribute("aria-pressed") == "true", "the browser keeps it"
    soak.writer.close()


class Answering:
    """Answers what is asked of a soak's store, as the daemon would; on the thread that wrote it."""

    def __init__(self, soak: RunningSoak, page: Any) -> None:
        self._soak, self._page = soak, page

    def until_hidden(self, selector: str) -> None:
        for _ in range(600):
            for one in self._soak.writer.asked():
                mark = text_of(Ask(str(one.ask)), str(one.text))
                last_us = round((self._soak.t_s - 1.0 / SCANS_PER_S) * 1e6)
                self._soak.writer.answer([Answer(one, last_us, mark=mark)])
            if not self._page.locator(selector).is_visible():
                return
            self._page.wait_for_timeout(50)
        raise AssertionError(f"{selector} stays: {self._page.locator(selector).inner_text()}")


def _at(page: Any, t_s: float) -> tuple[float, float]:
    """Return where a time lies on the page, in the first panel of the chart."""
    box = page.locator("#chart .nsewdrag").first.bounding_box()
    low_s, high_s = _range(page)
    return box["x"] + box["width"] * (t_s - low_s) / (high_s - low_s), box["y"] + box["height"] / 2.0


def test_a_time_is_marked_by_pointing_at_it(tmp_path: Path, visitor: Visitor) -> None:
    # Whoever asks waits by the clock of this machine, so the soak runs by it too.
    soak = RunningSoak(tmp_path / "soak.db", started=datetime.now(UTC) - timedelta(seconds=1200.0))
    soak.go_on(1200.0)
    page = visitor.open(soak.path, SystemClock(), "/soak/1")
    _drawn(page)
    dialog, answering = page.locator("#marking"), Answering(soak, page)
    # a drag looks closer, a double click shows the whole: neither is a mark
    page.mouse.move(*_at(page, 300.0))
    page.mouse.down()
    page.mouse.move(*_at(page, 600.0), steps=4)
    page.mouse.move(*_at(page, 900.0), steps=4)
    page.mouse.up()
    page.wait_for_function(f"() => {PLOT}.layout.xaxis.range[0] > 200")
    page.mouse.dblclick(*_at(page, 600.0))
    page.wait_for_function(f"() => {PLOT}.layout.xaxis.range[0] === 0")
    page.wait_for_timeout(800)
    assert not dialog.is_visible()
    page.mouse.click(*_at(page, 600.0))
    dialog.wait_for()
    hours, minutes, seconds = page.locator("#marking-time").input_value().split(":")
    assert int(hours) * 3600 + int(minutes) * 60 + int(seconds) == pytest.approx(600, abs=3)
    page.locator("#marking-time").fill("9:00:00")
    page.locator("#marking-text").fill(HOSTILE)
    page.keyboard.press("Enter")
    assert "was not measured" in page.locator("#marking-says").inner_text()
    page.locator("#marking-time").fill("0:10:05")
    page.locator("#marking-text").press("Enter")
    answering.until_hidden("#marking")
    (mark,) = Reader(soak.path).marks(soak.id)
    assert mark == Mark(1_199_500_000, f"at 0:10:05: {HOSTILE}"), "kept when it was made"
    page.wait_for_function(
        f"() => {PLOT}.data.some(t => t.marker && t.marker.symbol === 'line-ns-open' && t.x[0] === 605)"
    )
    listed = page.locator("#soak-marks li")
    listed.wait_for()
    assert listed.locator("span").all_text_contents() == ["10 min", "said later", HOSTILE]
    assert not page.evaluate("Boolean(window.taken)")
    soak.writer.close()


def test_what_is_marked_on_an_ended_soak_is_a_remark_of_its_job(tmp_path: Path, visitor: Visitor) -> None:
    soak = RunningSoak(tmp_path / "soak.db")
    soak.go_on(1200.0)
    soak.writer.end_soak(ended=soak.clock.wall(), how="stopped", verdict=None)
    soak.writer.close()
    page = visitor.open(soak.path, soak.clock, "/soak/1?from=600&to=660", size=PHONE)
    _drawn(page)
    page.locator("#mark-time").focus()
    page.keyboard.press("Enter")
    page.locator("#marking").wait_for()
    assert page.locator("#marking-time").input_value() == "0:10:30.0"
    assert "belongs to no job" in page.locator("#marking-says").inner_text()
    assert page.locator("[data-marking=add]").is_disabled()
    page.keyboard.press("Escape")
    record = Record(soak.path, soak.clock, "bench")
    job = record.book_in(amp="Theatre PA")
    record.give_soak(soak.id, job)
    page.reload()
    _drawn(page)
    page.locator("#chart").scroll_into_view_if_needed()
    page.mouse.click(*_at(page, 630.0))
    page.locator("#marking").wait_for()
    assert f"a remark of job {job}" in page.locator("#marking-where").inner_text()
    page.locator("#marking-by").fill("")
    page.locator("#marking-text").fill(HOSTILE)
    page.keyboard.press("Enter")
    page.wait_for_function("() => document.activeElement.id === 'marking-by'")
    page.locator("#marking-by").fill("Jo")
    page.keyboard.press("Enter")
    page.locator("#marking").wait_for(state="hidden")
    (remark,) = Reader(soak.path).job(job).remarks
    assert re.fullmatch(r"Soak 1 at 0:10:(29|30|31)\.\d: " + re.escape(HOSTILE), remark.text)
    assert remark.made_by == "Jo"
    assert Reader(soak.path).marks(soak.id) == [], "what was measured stays as it is"


@pytest.mark.parametrize(
    "query",
    [
        "from=a&to=1",
        "from=1",
        "from=nan&to=2",
        "from=0&to=1e99",
        "y=1",
        "y2=1,2,3",
        "width=x",
        "unit=ell",
    ],
)
def test_nonsense_is_refused_in_words(query: str, tmp_path: Path) -> None:
    client = create_app(tmp_path / "none.db").server.test_client()
    answer = client.get(f"/chart/last?{query}", headers={"Host": "127.0.0.1"})
    assert answer.status_code == 400
    assert client.get("/chart/last?from=0&to=10", headers={"Host": "127.0.0.1"}).status_code == 204
