"""The Bias page and what pages ask of the daemon: in a real browser, with the real daemon answering."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import test_dashboard
from dashboard_soak import RunningSoak, setup_text, token_of
from playwright.sync_api import Page
from test_daemon import DAQ, hear, idle, started
from test_dashboard import DESK, DRIFT, HOSTILE, PHONE, QUESTION, Visitor
from tiny_daq import Row, TinyDaq

from dashboard import asking
from dashboard.access import HEADER
from dashboard.app import create_app
from dashboard.bench import Bench
from dashboard.setting import Feed, Setting
from logger import bias, target
from logger.clock import ManualClock, SystemClock
from logger.convert import Converter
from logger.finding import Kind, Severity
from logger.store.now import path_of
from logger.store.reader import Reader

chromium, serving, visitor = test_dashboard.chromium, test_dashboard.serving, test_dashboard.visitor

ENDS = {"forecast_from": 0.0750, "ends": 0.0790, "ends_low": 0.0782, "ends_high": 0.0801}
"""What the daemon forecasts: it drew 75.0 mA, and ends at 79.0."""


@pytest.fixture
def running(tmp_path: Path) -> Iterator[RunningSoak]:
    soak = RunningSoak(tmp_path / "soak.db")
    yield soak
    soak.writer.close()


def _stored(soak: RunningSoak) -> list[float]:
    """Return the last scan that is in the store, in A for the pairs."""
    stored = Reader(soak.path).soak()
    scans = Reader(soak.path).scans(stored.id)
    values = Converter(stored.setup, stored.daq).readings(scans).values[-1]
    return [float(values[column]) for column in stored.setup.pair_columns]


def _text(page: Page, key: str) -> str:
    return page.locator(f"#{key}").inner_text()


def _shows(page: Page, key: str, text: str) -> None:
    page.wait_for_function(
        "([key, text]) => document.getElementById(key)?.textContent.includes(text)", arg=[key, text]
    )


def _overflow(page: Page) -> int:
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


# ---------------------------------------------------------------- what the page's script is told


def test_the_script_gets_the_stores_last_scan_and_what_to_do_about_it(running: RunningSoak) -> None:
    running.outlook = ENDS
    running.go_on(200.0)
    setting = Setting(Bench(running.path, running.clock), running.clock)
    told = setting.now()
    stored = _stored(running)
    assert [pair["a"] for pair in told["pairs"]] == pytest.approx(stored, abs=1e-8)
    aims = target.aims_a(target.from_soak(Reader(running.path), Reader(running.path).soak()))
    for pair, aim in zip(told["pairs"], aims, strict=True):
        assert pair["aim"] == pytest.approx(aim, abs=1e-7)
        assert pair["set"] == pytest.approx(aim * 75.0 / 79.0, abs=1e-7)
        assert pair["ends"] == pytest.approx([end / 75.0 for end in (79.0, 78.2, 80.1)], abs=1e-7)
    assert told["says"]["pairs"][0]["spoken"] == "pair 1, V1 and V2"
    running.findings = [DRIFT]
    running.go_on(0.5)
    changed = setting.now()
    assert [one["id"] for one in changed["says"]["findings"]] == [1]
    assert changed["says"]["title"].startswith("WARNING pair3")


def test_each_who_watches_is_sent_all_once_and_then_what_is_new(running: RunningSoak) -> None:
    running.outlook = ENDS
    running.go_on(200.0)
    feed = Feed(Setting(Bench(running.path, running.clock), running.clock))
    early, late, told = feed.lines(), None, False
    first = json.loads(next(early))
    assert set(first) == {"scan", "plan", "says"}
    for k in range(5):
        running.go_on(0.5, change={"pair1": 0.070 + k / 1000.0})
        line = next(early)
        while json.loads(line)["scan"][0] != running.t_s - 0.5:
            line = next(early)
        assert len(line) < 100 or b"says" in line
        seen = [one / 1e7 for one in json.loads(line)["scan"][3]]
        assert seen == pytest.approx(_stored(running), abs=1e-7)
        late = late or feed.lines()
        whole = json.loads(next(late))
        assert whole["scan"][:4] == json.loads(line)["scan"][:4]
        told = told or "says" not in json.loads(line)
    assert told, "what stands is not said again"
    running.findings = [DRIFT]
    running.go_on(0.5)
    while "WARNING" not in (line := next(early).decode()):
        pass
    assert json.loads(line)["says"]["title"].startswith("WARNING pair3")
    (alone,) = feed.lines(once=True)
    assert set(json.loads(alone)) == {"scan", "plan", "says"}
    early.close()  # type: ignore[attr-defined]
    late.close()  # type: ignore[union-attr]
    assert feed._watching == 0


def test_who_comes_when_all_threads_are_taken_gets_one_line_and_asks_again(running: RunningSoak) -> None:
    running.go_on(200.0)
    feed = Feed(Setting(Bench(running.path, running.clock), running.clock))
    many = [feed.lines() for _ in range(Feed.MOST)]
    for one in many:
        next(one)
    assert len(list(feed.lines())) == 1
    many.pop().close()  # type: ignore[attr-defined]
    lines = feed.lines()
    assert [b"says" in next(lines), b"says" in next(lines)] == [True, False]
    for one in (*many, lines):
        one.close()  # type: ignore[attr-defined]


def test_a_turned_pot_does_not_chase_its_own_target(running: RunningSoak) -> None:
    running.outlook = ENDS
    running.go_on(200.0)
    setting = Setting(Bench(running.path, running.clock), running.clock)
    before = setting.now()["pairs"][0]
    running.go_on(1.0, change={"pair1": before["set"]})
    after = setting.now()["pairs"][0]
    assert after["set"] == pytest.approx(before["set"], rel=1e-3)
    assert after["word"] == "on target"
    assert after["ends"][0] * after["a"] == pytest.approx(after["aim"], rel=1e-3)


@pytest.mark.parametrize(
    ("state", "said"),
    [
        ("off", "HT is off"),
        ("standby", "HT is off"),
        ("cooling", "HT is off"),
        ("bring-up", "lamp limiter"),
        ("under signal", "Signal is on"),
    ],
)
def test_nothing_is_advised_where_the_state_says_nothing_of_where_a_pot_belongs(
    running: RunningSoak, state: str, said: str
) -> None:
    running.go_on(200.0, now={"state": state}, change={"pair1": 0.001})
    told = Setting(Bench(running.path, running.clock), running.clock).now()
    assert all("word" not in pair for pair in told["pairs"])
    assert said in told["says"]["note"]


@pytest.mark.parametrize(
    ("key", "said"),
    [
        ('bias = "cathode"', "cathode bias"),
        ('operating_class = "A"', "class A"),
        ('adjust = "none"', "no bias pot"),
    ],
)
def test_an_amp_that_sets_its_own_current_has_nothing_to_aim_for(tmp_path: Path, key: str, said: str) -> None:
    soak = RunningSoak(tmp_path / "soak.db", setup_text().replace("[link]", f"{key}\n[link]"))
    soak.go_on(200.0)
    told = Setting(Bench(soak.path, soak.clock), soak.clock).now()
    assert said in told["says"]["note"]
    assert all("set" not in pair for pair in told["pairs"])
    soak.writer.close()


def test_a_damaged_file_or_none_is_said_in_the_figures_place(running: RunningSoak) -> None:
    running.go_on(30.0)
    setting = Setting(Bench(running.path, running.clock), running.clock)
    path_of(running.path).write_bytes(b"x" * 4096)
    assert "its checksum is wrong" in setting.now()["absent"]["says"]
    path_of(running.path).unlink()
    assert setting.now()["absent"]["title"] == "No scan is there to set by"


def test_what_a_killed_daemon_left_is_old_and_nothing_once_its_soak_was_closed(
    running: RunningSoak,
) -> None:
    running.go_on(30.0)
    running.clock.advance(3600.0)
    setting = Setting(Bench(running.path, running.clock), running.clock)
    told = setting.now()
    assert told["stale"]
    assert told["age_s"] == pytest.approx(3600.0, abs=1.0)
    running.writer.end_soak(ended=running.clock.wall(), how="broken off", verdict=None)
    running.clock.advance(1.0)
    assert setting.now()["absent"]["title"] == "No soak is running"


def test_what_earlier_soaks_taught_stands_in_until_the_running_one_has_a_forecast(
    running: RunningSoak, monkeypatch: pytest.MonkeyPatch
) -> None:
    aim = 0.080
    rows = [
        bias.Setting(minute, pair, aim / 1.1, bias.Span(aim, 0.99 * aim, 1.01 * aim))
        for minute in bias.MINUTES
        for pair in range(4)
    ]
    monkeypatch.setattr(target, "learnt", lambda *_: ([1], rows))
    running.go_on(200.0)
    setting = Setting(Bench(running.path, running.clock), running.clock)
    setting.now()
    deadline = time.monotonic() + 20.0
    while "ends" not in (told := setting.now())["pairs"][0] and time.monotonic() < deadline:
        time.sleep(0.01)
    for pair in told["pairs"]:
        assert pair["set"] == pytest.approx(pair["aim"] / 1.1, abs=1e-7)
        assert pair["ends"][1] == pytest.approx(1.1 * 0.99, abs=1e-7)


# ---------------------------------------------------------------- who may ask


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"headers": {HEADER: ""}}, 403),
        ({"headers": {HEADER: "x" * 32}}, 403),
        ({"headers": {"Origin": "http://elsewhere.example"}}, 403),
        ({"headers": {"Origin": "null"}}, 403),
        ({"headers": {"Origin": None}}, 403),
        ({"headers": {"Sec-Fetch-Site": "cross-site"}}, 403),
        ({"headers": {"Sec-Fetch-Site": "same-site"}}, 403),
        ({"headers": {"Host": "elsewhere.example"}}, 400),
        ({"environ_overrides": {"REMOTE_ADDR": "192.168.1.5"}}, 403),
        ({"environ_overrides": {"REMOTE_ADDR": ""}}, 403),
        ({"method": "GET"}, None),
        ({"json": {"ask": "close the cut-out", "text": ""}}, 400),
        ({"json": {"ask": "mark", "text": 7}}, 400),
        ({"json": ["mark"]}, 400),
        ({"json": {"ask": ["mark"], "text": ""}}, 400),
    ],
)
def test_a_page_of_another_site_can_ask_nothing(
    running: RunningSoak, change: dict[str, Any], status: int | None
) -> None:
    running.go_on(30.0)
    client = create_app(running.path, running.clock).server.test_client()
    headers: dict[str, Any] = {
        "Host": "127.0.0.1:8050",
        "Origin": "http://127.0.0.1:8050",
        "Sec-Fetch-Site": "same-origin",
        HEADER: token_of(client, "http://127.0.0.1:8050"),
    }
    headers |= change.get("headers", {})
    whole = {
        "method": "POST",
        "base_url": "http://127.0.0.1:8050",
        "json": {"ask": "stop", "text": ""},
        **change,
        "headers": {name: value for name, value in headers.items() if value is not None},
    }
    answer = client.open(asking.ADDRESS, **whole)
    if status is None:
        assert not answer.is_json, "a page, which changes nothing"
    else:
        assert answer.status_code == status
    assert Reader(running.path).requests() == []


def test_each_server_has_a_token_of_its_own_and_says_who_is_not_there(tmp_path: Path) -> None:
    soak = RunningSoak(tmp_path / "soak.db")
    soak.go_on(30.0)
    soak.writer.close()
    app = create_app(soak.path, ManualClock())
    client = app.server.test_client()
    token = token_of(client)
    assert token_of(create_app(soak.path, ManualClock()).server.test_client()) != token
    headers = {"Origin": "http://127.0.0.1", HEADER: token}
    answer = client.post(
        asking.ADDRESS,
        base_url="http://127.0.0.1",
        headers=headers,
        json={"ask": "mark", "text": "tapped V5"},
    )
    assert answer.json["state"] == "not reached"
    assert "no soakbench runs on the store" in answer.json["reason"]
    answer = client.post(
        asking.ADDRESS, base_url="http://127.0.0.1", headers=headers, json={"ask": "mark", "text": " "}
    )
    assert answer.json["state"] == "refused"
    assert "a mark needs a text" in answer.json["reason"]


# ---------------------------------------------------------------- in a browser


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_the_pair_being_set_fills_the_screen_with_the_stores_figures(
    running: RunningSoak, visitor: Visitor, size: dict[str, int]
) -> None:
    running.outlook = ENDS
    running.go_on(200.0, change={"pair1": 0.0702})
    page = visitor.open(running.path, running.clock, "/bias", size=size)
    _shows(page, "bias-figure", ".")
    stored, told = _stored(running), Setting(Bench(running.path, running.clock), running.clock).now()
    assert _text(page, "bias-figure") == f"{stored[0] * 1000:.1f}"
    assert _text(page, "bias-unit") == "mA"
    assert _text(page, "bias-who") == "pair1 (V1/V2)"
    assert (_text(page, "bias-word"), told["pairs"][0]["word"]) == ("↑ more current", "more")
    first = {key: value for key, value in told["pairs"][0].items() if isinstance(value, float)}
    assert _text(page, "bias-set") == f"set {first['set'] * 1000:.1f} now to end at {first['aim'] * 1000:.1f}"
    assert f"ends near {told['pairs'][0]['ends'][0] * first['a'] * 1000:.1f}" in _text(page, "bias-ends")
    edges = [page.locator(f"#bias-bar .bar-{edge}").inner_text() for edge in ("low", "high")]
    assert edges == [f"{first['low'] * 1000:.1f}", f"{first['high'] * 1000:.1f}"]
    row = [button.locator(".value").inner_text() for button in page.locator("#bias-all button").all()]
    assert row == [f"{value * 1000:.1f}" for value in stored]
    height = page.evaluate("parseFloat(getComputedStyle(document.getElementById('bias-figure')).fontSize)")
    assert height >= 64
    assert _overflow(page) == 0
    assert page.title() == "warming · bias · Theatre PA 240 W"
    assert "One hand" in page.locator(".caution").inner_text()
    assert "turn slowly" in page.locator(".caution").inner_text()


def test_bias_is_worked_by_keyboard_and_the_unit_is_kept(running: RunningSoak, visitor: Visitor) -> None:
    running.go_on(200.0)
    page = visitor.open(running.path, running.clock, "/bias")
    _shows(page, "bias-who", "pair1")
    for key, who in (
        ("ArrowRight", "pair2"),
        ("ArrowDown", "pair3"),
        ("ArrowLeft", "pair2"),
        ("ArrowUp", "pair1"),
        ("ArrowUp", "pair4"),
        ("PageDown", "pair1"),
    ):
        page.keyboard.press(key)
        assert _text(page, "bias-who").startswith(who)
    mA = _stored(running)[0] * 1000
    page.keyboard.press("u")
    _shows(page, "bias-unit", "mV")
    assert _text(page, "bias-figure") == f"{mA:.1f}", "1 ohm"
    page.keyboard.press("u")
    _shows(page, "bias-unit", "mA a valve")
    assert _text(page, "bias-figure") == f"{mA / 2:.1f}"
    assert "Unit: mA a valve" in _text(page, "unit-key")
    page.reload()
    _shows(page, "bias-unit", "mA a valve")
    # all that can be pressed is reached by Tab, and pressed by Space without marking anything
    seen = []
    for _ in range(20):
        page.keyboard.press("Tab")
        seen.append(page.evaluate("document.activeElement.id"))
    assert {"bias-before", "bias-after", "bias-done", "bias-setting", "bias-tone", "bias-voice"} <= set(seen)
    page.locator("#bias-tone").focus()
    page.keyboard.press("Space")
    _shows(page, "bias-tone", "Tone: on")
    page.keyboard.press("Escape")
    _shows(page, "bias-tone", "Tone: off")
    assert Reader(running.path).requests() == []
    page.goto(page.url.replace("/bias", "/"))
    page.wait_for_selector(".tile")
    tile = page.locator(".tile.pair").first.inner_text()
    assert f"{mA / 2:.1f}" in tile
    assert "mA a valve" in tile
    page.keyboard.press("u")
    page.wait_for_selector(".tile.pair:has-text('mA'):not(:has-text('a valve'))")
    assert f"{mA:.1f}" in page.locator(".tile.pair").first.inner_text()


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_old_figures_are_gone_from_bias_within_the_second(
    running: RunningSoak, visitor: Visitor, size: dict[str, int]
) -> None:
    running.go_on(200.0)
    page = visitor.open(running.path, running.clock, "/bias", size=size)
    _shows(page, "bias-figure", ".")
    page.locator("#bias-tone").click()
    running.clock.advance(1.7)  # three scans at 2 scans/s are 1.5 s
    _shows(page, "bias-figure", "no reading")
    assert "no reading for" in _text(page, "bias-age")
    assert "DAQ's lead and supply" in _text(page, "bias-word")
    assert [one.inner_text() for one in page.locator("#bias-all .value").all()] == ["–"] * 4
    assert page.locator("#bias").get_attribute("data-tone") == "silent", "a tone would claim to know"
    assert _overflow(page) == 0


def test_the_tone_is_off_until_switched_on_and_tells_direction_by_its_pitch(
    running: RunningSoak, visitor: Visitor
) -> None:
    running.go_on(200.0)
    page = visitor.open(running.path, running.clock, "/bias")
    _shows(page, "bias-figure", ".")
    place = page.locator("#bias")
    assert place.get_attribute("data-tone") == "off"
    page.locator("#bias-tone").click()
    one = Setting(Bench(running.path, running.clock), running.clock).now()["pairs"][0]
    pitches = []
    for drawn, word, tone in (
        (0.9 * one["low"], "more current", "beating"),
        (0.98 * one["low"], "more current", "beating"),
        (one["set"], "on target", "steady"),
        (1.1 * one["high"], "less current", "beating"),
    ):
        running.go_on(0.5, change={"pair1": drawn})
        _shows(page, "bias-figure", f"{drawn * 1000:.1f}")
        _shows(page, "bias-word", word)
        page.wait_for_function("tone => document.getElementById('bias').dataset.tone === tone", arg=tone)
        pitches.append(int(place.get_attribute("data-pitch") or 0))
    assert pitches == sorted(pitches)
    assert len(set(pitches)) == 4


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_nothing_moves_under_a_hand_at_the_pots(
    running: RunningSoak, visitor: Visitor, size: dict[str, int]
) -> None:
    running.outlook = ENDS
    running.go_on(200.0)
    page = visitor.open(running.path, running.clock, "/bias", size=size)
    _shows(page, "bias-word", "on target")

    def places() -> list[list[int]]:
        boxes = [page.locator(f"#{key}").bounding_box() for key in ("bias-pair", "bias-bar", "bias-done")]
        return [[round(box[side]) for side in ("x", "y", "width", "height")] for box in boxes if box]

    before = places()
    running.findings = [DRIFT, replace(QUESTION, says="pair1 (V1/V2) " + "moved smoothly, " * 9)]
    running.go_on(1.0, change={"pair1": 0.1043})
    _shows(page, "bias-word", "less current")
    assert places() == before
    running.findings, running.outlook = [], {}
    running.go_on(1.0)
    running.go_on(1.0)  # the store is looked at once a second, maybe just before that was in it
    _shows(page, "bias-ends", "No forecast")
    assert places() == before
    running.go_on(1.0, change={"pair1": 0.0003})
    _shows(page, "bias-word", "next to nothing")
    assert places() == before
    page.keyboard.press("u")
    _shows(page, "bias-unit", "mV")
    assert places() == before
    running.clock.advance(2.0)
    _shows(page, "bias-figure", "no reading")
    assert places() == before
    assert page.title().startswith("NO READING")


def test_where_one_pot_serves_all_the_hottest_pair_is_what_is_aimed_with(
    tmp_path: Path, visitor: Visitor
) -> None:
    text = setup_text().replace("[link]", 'adjust = "one for all"\n[link]')
    soak = RunningSoak(tmp_path / "soak.db", text)
    soak.go_on(200.0, change={"pair2": 0.098, "pair3": 0.0005})
    page = visitor.open(soak.path, soak.clock, "/bias")
    _shows(page, "bias-word", "less current")
    assert _text(page, "bias-set").startswith("hottest is pair2: 98.0 for 8")
    assert _text(page, "bias-alarm") == "One pot for all: aim with the hottest pair."
    for _ in range(2):
        page.keyboard.press("ArrowRight")
    assert "draws next to nothing" in _text(page, "bias-word")
    soak.writer.close()


def test_findings_and_names_stand_on_bias_as_text(tmp_path: Path, visitor: Visitor) -> None:
    sockets = ["<b>V1</b>", "<img src=x onerror='window.taken=1'>".replace("'", '"')]
    soak = RunningSoak(tmp_path / "soak.db", setup_text(2, amp=HOSTILE.replace("'", '"'), sockets=sockets))
    soak.findings = [
        replace(DRIFT, channel="pair2", channels=("pair2",), says=HOSTILE),
        replace(QUESTION, says="adjusted?"),
        replace(DRIFT, id=5, kind=Kind.OVER_CURRENT, severity=Severity.TRIP, says="pair2 draws 402 mA"),
    ]
    soak.go_on(200.0)
    page = visitor.open(soak.path, soak.clock, "/bias", size=PHONE)
    _shows(page, "bias-alarm", "TRIP pair2 draws 402 mA. And 2 more.")
    assert "<b>V1</b>" in _text(page, "bias-who")
    assert HOSTILE.replace("'", '"') in _text(page, "bias-amp")
    soak.findings = soak.findings[:1]
    soak.go_on(1.0)
    _shows(page, "bias-alarm", HOSTILE)
    assert page.evaluate("window.taken") is None
    assert page.locator("#bias img, #bias b, #bias script").count() == 0
    assert _overflow(page) == 0
    soak.writer.close()


def test_bias_without_a_soak_says_what_to_do_and_follows_once_one_begins(
    tmp_path: Path, visitor: Visitor
) -> None:
    clock = SystemClock()
    path = tmp_path / "soak.db"
    page = visitor.open(path, clock, "/bias", size=PHONE)
    page.wait_for_selector("#bias-nothing h1:has-text('No soak yet')")
    soak = RunningSoak(path, started=clock.wall())
    page.wait_for_selector("#bias-nothing h1:has-text('No scan is there')")
    soak.go_on(3.0)
    _shows(page, "bias-who", "pair1")
    soak.writer.end_soak(ended=clock.wall(), how="stopped", verdict=None)
    soak.newest.close(remove=True)
    page.wait_for_selector("#bias-nothing h1:has-text('No soak is running')")
    assert not page.locator("#bias-body").is_visible()
    soak.writer.close()


# ---------------------------------------------------------------- with the real daemon


@contextmanager
def _daemon(tmp_path: Path, row: Callable[[int], Row], speed: float) -> Iterator[tuple[Path, TinyDaq]]:
    store = tmp_path / "soak.db"
    with TinyDaq(tmp_path / "daq", row, daq=DAQ, speed=speed) as board:
        child, said = started(store, board)
        try:
            hear(said, "soak 1 has begun")
            yield store, board
        finally:
            child.terminate()
            child.join(30)
            assert child.exitcode == 0


def _answered(page: Page, text: str) -> None:
    page.wait_for_selector(f".asked:has-text('{text}')")


def test_one_key_marks_acknowledges_and_goes_on_and_the_scan_is_soon_on_screen(
    tmp_path: Path, visitor: Visitor
) -> None:
    def shorted(sequence: int) -> Row:
        row = idle(sequence)
        return [row[0], 32767, row[2]] if 85 <= sequence < 95 else row

    with _daemon(tmp_path, shorted, 1.0) as (store, board):
        page = visitor.open(store, SystemClock(), "/bias")
        _shows(page, "bias-figure", ".")
        # when each scan is first on the screen, by the clock that the board's record has too
        page.evaluate(
            """() => {
                window.seen = [];
                const place = document.getElementById('bias');
                new MutationObserver(() => window.seen.push([Number(place.dataset.scan), Date.now()]))
                    .observe(place, {attributes: true, attributeFilter: ['data-scan']});
            }"""
        )
        _shows(page, "bias-alarm", "TRIP")
        page.keyboard.press("ArrowRight")
        assert _text(page, "bias-who") == "pair2"
        _shows(page, "bias-figure", ".")
        page.keyboard.press("Space")
        assert _text(page, "bias-who") == "pair1"
        _answered(page, "; acknowledge")
        page.keyboard.press("Enter")
        _answered(page, "done: mark pair1 set to")
        seen = page.evaluate("window.seen")
        _shows(page, "bias-alarm", "")
        page.locator("#bias-setting").click()
        _answered(page, "done: setting bias")
        _shows(page, "bias-setting", "Setting bias is on")
        page.wait_for_function("() => document.activeElement === document.body", timeout=30_000)
        marks = [mark.text for mark in Reader(store).marks(1)]
        assert re.fullmatch(r"pair2 set to \d+\.\d mA", marks[0])
        assert marks[1].startswith("acknowledge ")
        assert re.fullmatch(r"pair1 set to 7\d\.\d mA", marks[2])
        assert marks[3] == "setting bias"
        findings = Reader(store).findings(1)
        assert any(one.severity is Severity.TRIP and one.acknowledged_s is not None for one in findings)
        wall = time.time() - time.monotonic()
        sent = {round(ms / 1000, 3): at + wall for at, _, ms, _ in board.sent}
        first_ms = board.sent[0][2] / 1000
        late_s = sorted(at / 1000 - sent[round(t_s + first_ms, 3)] for t_s, at in seen[2:])
        assert len(late_s) >= 10
        middle, most = late_s[len(late_s) // 2], late_s[-1]
        print(f"scan sent to figure on screen: median {middle:.3f} s, most {most:.3f} s of {len(late_s)}")
        assert middle < 2.0  # the goal is 0.3; a busy machine must not fail here


def test_live_asks_the_daemon_and_says_done_or_why_not(tmp_path: Path, visitor: Visitor) -> None:
    with _daemon(tmp_path, idle, 20.0) as (store, _):
        page = visitor.open(store, SystemClock())
        page.wait_for_selector("#live-asks button")
        page.get_by_role("button", name="Setting bias").click()
        _answered(page, "done: setting bias")
        page.get_by_role("button", name="Signal on").click()
        _answered(page, "done: signal on")
        page.get_by_role("button", name="Signal off").click()
        _answered(page, "done: signal off")
        page.get_by_label("Text of a mark").fill("  tapped   V5 ")
        page.keyboard.press("Enter")
        _answered(page, "done: mark tapped")
        page.wait_for_function("() => document.getElementById('mark-text').value === ''")
        page.get_by_role("button", name="Mark", exact=True).click()
        _answered(page, "a mark needs a text")
        page.get_by_label("Text of a mark").fill(HOSTILE)
        page.get_by_role("button", name="Mark", exact=True).click()
        _answered(page, "done: mark <script>")
        page.get_by_label("Text of a mark").fill("soakbench: closed")
        page.get_by_role("button", name="Mark", exact=True).click()
        _answered(page, "refused: mark soakbench: closed")
        page.get_by_label("Text of a mark").press("u")
        assert "u" in page.get_by_label("Text of a mark").input_value(), "there it is a letter"
        assert "mA a pair" in page.locator('[data-does="unit"]').inner_text()
        page.evaluate("window.dash_clientside.soakbench.ask('acknowledge', '7')")
        _answered(page, "refused: acknowledge 7 (there is no finding 7")
        assert page.locator(".asked").first.evaluate("p => p.classList.contains('trouble')")
        stop = page.get_by_role("button", name="Stop the soak …")
        stop.click()
        dialog = page.locator("#stop-sure")
        assert "Stop the soak?" in dialog.inner_text()
        page.keyboard.press("Escape")
        assert not dialog.is_visible()
        stop.click()
        dialog.get_by_role("button", name="Go on soaking").click()
        assert not dialog.is_visible()
        assert Reader(store).soak().ended is None
        stop.focus()
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.innerText") == "Go on soaking", "the harmless one"
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=No soak is running")
        assert not page.locator("#live-controls").is_visible()
        assert page.evaluate("window.taken") is None
        soak = Reader(store).soak()
        assert soak.how == "stopped"
        marks = [mark.text for mark in Reader(store).marks(1)]
        assert marks == ["setting bias", "signal on", "signal off", "tapped V5", HOSTILE, "stop"]
