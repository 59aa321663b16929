"""Jobs and comparisons in a real browser, the chart of a comparison, photographs over the wire."""

from __future__ import annotations

import hashlib
import io
import json
import math
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import test_dashboard
from dashboard_soak import RunningSoak
from flask.testing import FlaskClient
from PIL import Image
from playwright.sync_api import Page
from test_compare import MARCH, SEPTEMBER, setup_text
from test_compare import record as a_soak
from test_dashboard import DESK, HOSTILE, PHONE, Visitor

from dashboard import compare_chart, photographs
from dashboard.app import create_app
from dashboard.bench import Absent, Bench
from dashboard.compare_chart import ms
from dashboard.figures import View
from dashboard.pages import compare, jobs
from logger import compare as comparing
from logger.clock import ManualClock
from logger.errors import RequestError
from logger.jobs import judge
from logger.store.photographs import folder
from logger.store.reader import Reader
from logger.store.record import Record

chromium, serving, visitor = test_dashboard.chromium, test_dashboard.serving, test_dashboard.visitor

LONG = "a" * 180
"""A word that breaks nowhere."""


def _picture(path: Path, size: tuple[int, int] = (1600, 1200)) -> Path:
    """Write a JPEG that says where it was taken and which way up it is."""
    exif = Image.Exif()
    exif[0x0112] = 6  # turned by 90 degrees
    exif[0x010F] = "a camera"
    Image.new("RGB", size, "#806040").save(path, "JPEG", exif=exif)
    return path


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two jobs of one amp, half a year apart, everything in them hostile or long; the first was collected."""
    path = tmp_path_factory.mktemp("pages") / "soak.db"
    text = setup_text().replace('"Theatre PA 240 W"', json.dumps(HOSTILE))
    for started, moved_a in ((MARCH, 0.0), (SEPTEMBER, -0.0041)):
        clock = ManualClock(started - timedelta(hours=2))
        own = Record(path, clock, "R. Example")
        job = own.book_in(
            amp=HOSTILE,
            serial="0042",
            rated_w=240.0,
            customer=f"{HOSTILE} order 118",
            complaint=f"hums\n{HOSTILE}",
            shows=("hot",),
            condition=f"{LONG} {HOSTILE}",
            checklist=[
                {"section": "at the end", "what": "controls cleaned", "caution": "", "asks": ""},
                {
                    "section": "electrical safety",
                    "what": f"earth continuity {HOSTILE}",
                    "caution": "unplug it first",
                    "asks": "ohm",
                },
                {"section": "electrical safety", "what": "lead looked at", "caution": "", "asks": ""},
            ],
        )
        clock.advance(600.0)
        if started is MARCH:
            for number in (10, 9):
                own.fit_valve(job, f"V{number}", f"A-{number}", valve_type="EL34", found=True)
        else:
            own.fit_valve(job, "V9", "B-9", valve_type="EL34", why=f"worn {HOSTILE}")
        own.edit("job", job, state="on the bench")
        own.set_fuse(job, f"HT {HOSTILE}", found="T 1 A", marked="T 800 mA", fitted="T 800 mA")
        own.read_bench(
            job,
            [
                {
                    "stage": stage,
                    "quantity": "bias volts",
                    "place": HOSTILE,
                    "value": value,
                    "unit": "V",
                    "uncertainty": 0.2,
                    "instrument": f"meter {HOSTILE}",
                    "most": -30.0,
                    "limit_source": HOSTILE,
                }
                for stage, value in (("as found", -38.1), ("as left", -37.4))
            ],
        )
        own.add_work(job, f"soldered {HOSTILE}", part=HOSTILE, quantity=2, minutes=95)
        own.remark(job, f"first line\n{HOSTILE}")
        shot = _picture(path.parent / f"{job}.jpg")
        own.attach(job, shot, f"socket {HOSTILE}")
        shot.unlink()
        item = Reader(path).job(job).checklist[1]
        own.tick_off(item.id, "fine", 0.06, note=HOSTILE)
        number = a_soak(path, started, text=text, moved_a={"pair2": moved_a}, job_id=job)
        clock.advance(4 * 3600.0)
        assert number == job
        if started is MARCH:
            own.edit("job", job, state="ready")
            own.close_job(job)
        else:
            own.overrule(job, "fail", f"smells {HOSTILE}")
    return path


@pytest.fixture
def left_as_it_is(store: Path) -> Iterator[None]:
    before = {path: path.read_bytes() for path in store.parent.rglob("*") if path.is_file()}
    yield
    assert {path: path.read_bytes() for path in store.parent.rglob("*") if path.is_file()} == before


def _overflow(page: Page) -> int:
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


def _is_text(page: Page, pictures: int = 0) -> None:
    """Hold a page to showing as text what came from the store."""
    assert page.evaluate("window.taken") is None
    assert page.locator("main script").count() == 0
    assert page.locator("main img").count() == pictures
    assert HOSTILE in page.locator("main").inner_text()


# ---------------------------------------------------------------- jobs


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_open_jobs_stand_first_and_lead_to_their_pages(
    store: Path, visitor: Visitor, size: dict[str, int], left_as_it_is: None
) -> None:
    page = visitor.open(store, ManualClock(SEPTEMBER), "/jobs", size=size)
    page.wait_for_selector(".records.jobs")
    rows = [row.inner_text() for row in page.locator(".records tbody tr").all()]
    assert [row.split("\n")[0].split("\t")[0].strip() for row in rows] == ["Job 2", "Job 1"]
    assert "on the bench" in rows[0]
    assert "fail" in rows[0]
    assert "said by R. Example" in rows[0]
    assert "collected 2026-03-03" in rows[1]
    assert page.title() == "1 open job · soakbench"
    _is_text(page)
    assert _overflow(page) == 0
    page.get_by_role("link", name="Job 2").click()
    page.wait_for_selector("#job-verdict .verdict")
    assert page.url.endswith("/jobs/2")
    assert page.locator(".top nav .here").inner_text() == "Jobs"


@pytest.mark.parametrize("address", ["/jobs", "/compare"])
def test_where_there_is_nothing_yet_it_says_what_to_do(
    tmp_path: Path, visitor: Visitor, address: str
) -> None:
    page = visitor.open(tmp_path / "none.db", ManualClock(), address, size=PHONE)
    page.wait_for_selector(".nothing")
    said = page.locator(".nothing").inner_text()
    assert ("soakbench jobs new" if address == "/jobs" else "soakbench run SETUP") in said
    assert page.title() == f"{page.locator('.nothing h1').inner_text()} · soakbench"
    assert _overflow(page) == 0
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_a_job_shows_all_that_its_record_holds_as_text(
    store: Path, visitor: Visitor, size: dict[str, int], left_as_it_is: None
) -> None:
    page = visitor.open(store, ManualClock(SEPTEMBER), "/jobs/2", size=size)
    page.wait_for_selector("#job-parts .job-part")
    page.wait_for_function("() => [...document.images].every(one => one.naturalWidth > 0)")
    _is_text(page, pictures=1)
    assert _overflow(page) == 0
    assert page.title() == f"on the bench, fail · job 2 · {HOSTILE}"
    said = page.locator("#job-verdict").inner_text()
    assert said.startswith("■\nFail") or said.replace("\n", "").startswith("■Fail")
    assert f"smells {HOSTILE}" in said
    assert "By what was measured: pass" in said
    assert "bias volts" in said
    assert "on the checklist still open: controls cleaned; lead looked at" in said
    names = page.locator(".job-part h2").all_inner_texts()
    assert names == [
        "What it came with", "Soaks", "Checklist", "Bench readings", "Valves", "Fuses", "Work done",
        "Remarks", "Photographs", "States",
    ]  # fmt: skip
    part = {name: page.locator(f".job-part[aria-label='{name}']") for name in names}
    came = part["What it came with"].inner_text()
    assert f"hums\n{HOSTILE}" in came
    assert "hot" in came
    assert LONG in came
    sections = [one.inner_text() for one in part["Checklist"].locator("summary").all()]
    assert sections[0].startswith("Electrical safety")
    assert "1 still open" in sections[0]
    assert "0.06 ohm" in part["Checklist"].inner_text()
    read = part["Bench readings"].inner_text()
    for shown in ("−38.1", "−37.4", "±0.2 V", f"meter {HOSTILE}", "at most −30 V"):
        assert shown in read
    assert read.index("−38.1") < read.index("−37.4")
    valves = part["Valves"].inner_text()
    assert valves.index("V9") < valves.index("V10")
    assert valves.index("A-9") < valves.index("B-9")
    assert f"worn {HOSTILE}" in valves
    assert "not as marked" in part["Fuses"].inner_text()
    assert "1 h 35 min" in part["Work done"].inner_text()
    assert f"first line\n{HOSTILE}" in part["Remarks"].inner_text()
    states = [row.inner_text() for row in part["States"].locator("li").all()]
    assert ["received" in states[0], "on the bench" in states[1]] == [True, True]
    assert part["Soaks"].get_by_role("link", name="Soak 2", exact=True).get_attribute("href") == "/soak/2"
    part["Soaks"].get_by_role("link", name="over soak 1").click()
    page.wait_for_selector("#compare-page .records")
    assert page.url.endswith("/compare/2/1")


def test_a_job_that_is_not_there_is_said_to_be_missing(store: Path, visitor: Visitor) -> None:
    page = visitor.open(store, ManualClock(SEPTEMBER), "/jobs/77")
    page.wait_for_selector(".nothing")
    assert page.title() == "There is no job 77 in this store · soakbench"


def _texts(tree: Any) -> str:
    """Return all texts of a tree of components."""
    if isinstance(tree, list | tuple):
        return " ".join(_texts(one) for one in tree)
    return _texts(tree.children) if hasattr(tree, "children") else str(tree or "")


def test_what_sat_in_a_socket_is_told_as_of_the_job_that_is_looked_at(store: Path) -> None:
    reader = Reader(store)
    sat = {
        number: {socket: [one.valve.label for one in ones] for socket, ones in reader.job(number).sat.items()}
        for number in (1, 2)
    }
    assert sat[1] == {"V9": ["A-9"], "V10": ["A-10"]}
    assert sat[2] == {"V9": ["A-9", "B-9"], "V10": ["A-10"]}
    assert list(sat[2]) == ["V9", "V10"]


def test_an_overruling_that_lapsed_is_shown_as_no_longer_standing(store: Path) -> None:
    job = Reader(store).job(2)
    early = replace(job.overrulings[0], made=MARCH)
    lapsed = replace(job, overrulings=(early,))
    shown = jobs.verdict(lapsed, judge(lapsed), ())
    assert "Pass" in _texts(shown)
    assert "no longer standing" in _texts(shown)
    assert jobs.title(lapsed, judge(lapsed)).startswith("on the bench, pass, too close to call · job 2")


def test_only_the_collected_jobs_of_late_stand_on_the_list_at_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs, "_COLLECTED", 2)
    clock = ManualClock(MARCH)
    own = Record(tmp_path / "soak.db", clock, "the workshop")
    for number in range(1, 6):
        clock.advance(60.0)
        own.book_in(amp=f"amp {number}")
    for number in (2, 4, 5, 3):
        clock.advance(60.0)
        own.close_job(number)
    shown, left_out = jobs.listed(Reader(own.path), every=False)
    assert ([job.id for job in shown], left_out) == ([1, 3, 5], 2)
    assert "2 more collected earlier" in _texts(jobs.job_list(shown, left_out))
    shown, left_out = jobs.listed(Reader(own.path), every=True)
    assert ([job.id for job in shown], left_out) == ([1, 3, 5, 4, 2], 0)


def test_a_soak_that_a_crash_broke_off_is_judged_for_its_job_in_the_background(tmp_path: Path) -> None:
    soak = RunningSoak(tmp_path / "soak.db")
    soak.go_on(400.0)
    soak.writer.end_soak(ended=soak.clock.wall(), how="broken off", verdict=None)
    soak.writer.close()
    own = Record(soak.path, soak.clock, "the workshop")
    job_id = own.book_in(amp="Theatre PA 240 W")
    own.give_soak(soak.id, job_id)
    bench = Bench(soak.path, soak.clock)
    job, waits = bench.judged(bench.reader.job(job_id))
    assert "a soak was broken off" in _texts(jobs.job_list([bench.reader.job(job_id)], 0))
    for _ in range(1200):
        if not waits:
            break
        assert waits[0].startswith(f"Judging soak {soak.id}")
        time.sleep(0.05)  # for a thread that works, not for a time to pass
        job, waits = bench.judged(bench.reader.job(job_id))
    assert job.soaks[0].verdict is not None
    assert Reader(soak.path).soak(soak.id).verdict is None, "the store stays as it is"


# ---------------------------------------------------------------- photographs


@pytest.fixture
def client(store: Path) -> FlaskClient:
    return create_app(store, ManualClock(SEPTEMBER)).server.test_client()


def _get(client: FlaskClient, address: str) -> Any:
    return client.get(address, headers={"Host": "127.0.0.1"})


def test_a_photograph_is_served_as_it_was_added_and_small_without_what_the_camera_wrote(
    store: Path, client: FlaskClient
) -> None:
    found = Reader(store).job(2).photographs[0]
    whole = _get(client, photographs.address(found))
    assert whole.status_code == 200
    assert hashlib.sha256(whole.data).hexdigest() == found.checksum
    assert whole.headers["Content-Type"] == "image/jpeg"
    assert whole.headers["X-Content-Type-Options"] == "nosniff"
    assert whole.headers["Content-Disposition"] == f'inline; filename="{found.file}"'
    small = _get(client, photographs.address(found, small=True))
    assert (small.status_code, small.headers["Content-Type"]) == (200, "image/jpeg")
    with Image.open(io.BytesIO(small.data)) as image:
        assert image.size == (540, 720), "upright, and small"
        assert not image.getexif()


@pytest.mark.parametrize(
    "trick",
    [
        "../soak.db",
        "..%2fsoak.db",
        "%2e%2e%2fsoak.db",
        "..%5csoak.db",
        "..%252fsoak.db",
        "/etc/passwd",
        "%2fetc%2fpasswd",
        "{checksum}.jpg",
        "{checksum}%00",
        "{checksum}%0a",
        "{checksum}/../../soak.db",
        "{CHECKSUM}",
        "{checksum}/large",
        "." * 64,
        "0" * 64,
        "0" * 63,
        "0" * 100_000,
        "٠" * 64,
    ],
)
@pytest.mark.parametrize("end", ["", "/small"])
def test_no_other_name_gets_anything(store: Path, client: FlaskClient, trick: str, end: str) -> None:
    checksum = Reader(store).job(2).photographs[0].checksum
    asked = trick.replace("{checksum}", checksum).replace("{CHECKSUM}", checksum.upper())
    answer = _get(client, f"/photographs/{asked}{end}")
    # What is no address of a photograph at all is the dashboard's own page, which has nothing of it.
    assert answer.status_code == 404 or b"_dash-config" in answer.data
    assert not answer.headers["Content-Type"].startswith("image/")
    assert b"SQLite format" not in answer.data


def test_what_was_deleted_replaced_or_lost_is_not_served(tmp_path: Path) -> None:
    own = Record(tmp_path / "soak.db", ManualClock(MARCH), "the workshop")
    job = own.book_in(amp="Theatre PA 240 W")
    for size in (30, 40, 50):
        own.attach(job, _picture(tmp_path / f"{size}.jpg", (size, 20)))
    deleted, replaced, lost = Reader(own.path).job(job).photographs
    client = create_app(own.path, ManualClock(MARCH)).server.test_client()
    assert {_get(client, photographs.address(one)).status_code for one in (deleted, replaced, lost)} == {200}
    own.delete("photograph", deleted.id)
    secret = tmp_path / "secret.txt"
    secret.write_text("secret", encoding="utf-8")
    kept = folder(own.path) / replaced.file
    kept.unlink()
    kept.symlink_to(secret)
    (folder(own.path) / lost.file).unlink()
    for one in (deleted, replaced, lost):
        for small in (False, True):
            answer = _get(client, photographs.address(one, small=small))
            assert answer.status_code == 404
            assert b"secret" not in answer.data


# ---------------------------------------------------------------- comparisons

CHART = "document.querySelector('#compare-chart .js-plotly-plot')"


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_a_comparison_says_in_sentences_figures_and_lines_what_has_changed(
    store: Path, visitor: Visitor, size: dict[str, int], left_as_it_is: None
) -> None:
    reader = Reader(store)
    document = comparing.document(comparing.visit(reader, 2), [comparing.visit(reader, 1)])
    over = document["earlier"][0]
    page = visitor.open(store, ManualClock(SEPTEMBER), "/compare", size=size)
    page.wait_for_selector(".records")
    assert _overflow(page) == 0
    page.get_by_role("link", name="soak 1", exact=True).click()
    page.wait_for_selector("#compare-page .records")
    assert page.url.endswith("/compare/2/1")
    assert page.title() == f"1 pair changed · soak 2 over 1 · {HOSTILE}"
    said = page.locator("#compare-page .verdict").inner_text()
    assert all(sentence in said for sentence in over["says"])
    rows = page.locator(".records.changes tbody tr")
    assert rows.count() == 4
    for row, pair in zip(rows.all(), over["pairs"], strict=True):
        cell, change = row.locator("td").nth(0), pair["at_nominal_mains"]
        assert f"{change['before_mA']:.1f}, now {change['now_mA']:.1f}" in cell.inner_text()
        sure = change["significant"]
        assert cell.locator(".figure.sure").count() == sure
        assert ("changed" if sure else "may be chance") in cell.inner_text()
    page.wait_for_function(f"() => {{ const p = {CHART}; return p && p.data && p.data.length === 12; }}")
    drawn = page.locator("#compare-chart .annotation-text").all_text_contents()
    assert drawn.count("pair2") == 2
    assert page.evaluate(f"{CHART}._context.showSendToCloud") is False
    width_px = page.evaluate(f"{CHART}._fullLayout.width")
    assert width_px <= size["width"]
    _is_text(page)
    assert _overflow(page) == 0


def test_a_soaks_page_leads_to_its_job_and_its_comparison(store: Path, visitor: Visitor) -> None:
    page = visitor.open(store, ManualClock(SEPTEMBER), "/soak/2", size=PHONE)
    page.wait_for_selector("#soak-head .near a")
    ways = {link.inner_text(): link.get_attribute("href") for link in page.locator(".near a").all()}
    assert ways == {"Job 2": "/jobs/2", "Compare with soak 1": "/compare/2/1", "← Soak 1": "/soak/1"}
    assert _overflow(page) == 0


def _document(store: Path) -> dict[str, Any]:
    reader = Reader(store)
    return comparing.document(comparing.visit(reader, 2), [comparing.visit(reader, 1)])


def test_the_chart_lays_this_soak_over_the_earlier_one_in_the_same_colours(store: Path) -> None:
    document = _document(store)
    figure = compare_chart.figure(document, View(1280))
    above = [trace for trace in figure["data"] if trace["yaxis"] == "y"]
    colours = [trace["line"]["color"] for trace in above[4:]]
    assert colours == ["#0072B2", "#E69F00", "#009E73", "#CC79A7"]
    assert {trace["line"]["dash"] for trace in above[4:]} == {"solid"}
    assert len({trace["line"]["dash"] for trace in above[:4]}) == 1
    assert all(trace["line"]["dash"] != "solid" for trace in above[:4])
    assert all(a["line"]["width"] < b["line"]["width"] for a, b in zip(above[:4], above[4:], strict=True))
    this = document["this"]
    first = next(at for at, minute in enumerate(this["on_min"]) if minute >= 0.0)
    assert above[4]["x"] == [ms(60.0 * minute) for minute in this["on_min"][first:]]
    # The comparison's own equation, JSON's mA and V: I (nominal / mains) ** gain.
    gain, nominal_v = document["mains_gain"]["value"], document["nominal_mains_V"]
    measured = zip(this["pairs_mA"]["pair1"][first:], this["mains_V"][first:], strict=True)
    brought = [mA * (nominal_v / volts) ** gain for mA, volts in measured]
    assert above[4]["y"] == pytest.approx(brought, abs=6e-4)
    settled = next(one for one in document["earlier"][0]["pairs"] if one["name"] == "pair2")
    below = next(one for one in figure["data"] if one["yaxis"] == "y2" and one["name"] == "pair2")
    change = settled["at_nominal_mains"]
    assert below["y"][-3] == pytest.approx(change["difference_mA"], abs=change["expanded_uncertainty_mA"])


def test_without_the_mains_in_one_of_them_the_chart_shows_what_was_measured(store: Path) -> None:
    document = _document(store)
    document["earlier"][0]["conditions"]["mains_V"] = None
    document["earlier"][0]["mains_V"] = [None] * len(document["earlier"][0]["on_min"])
    figure = compare_chart.figure(document, View())
    this = next(trace for trace in figure["data"][4:] if trace["name"] == "pair1")
    assert this["y"][-1] == pytest.approx(document["this"]["pairs_mA"]["pair1"][-1], abs=6e-4)
    assert "as measured" in json.dumps(figure["layout"]["annotations"])


def test_the_lower_panel_is_this_soak_less_the_earlier_one_minute_by_minute(store: Path) -> None:
    document = _document(store)
    this, over = document["this"], document["earlier"][0]
    # Two soaks whose minutes lie half a minute apart, and which both rise by 1 mA a minute.
    this["on_min"], over["on_min"] = [0.0, 1.0, 2.0, 3.0], [-0.5, 0.5, 1.5, 2.5]
    this["mains_V"] = over["mains_V"] = [document["nominal_mains_V"]] * 4
    for name in this["pairs_mA"]:
        this["pairs_mA"][name] = [70.0, 71.0, 72.0, 73.0]
        over["pairs_mA"][name] = [67.5, 68.5, 69.5, 70.5]
    over["pairs_mA"]["pair3"] = [67.5, 68.5, None, 70.5]
    figure = compare_chart.figure(document, View(1280))
    below = {trace["name"]: trace["y"] for trace in figure["data"] if trace["yaxis"] == "y2"}
    assert below["pair1"] == [None, 2.0, 2.0, None], "nothing is drawn where one of them has nothing"
    assert below["pair3"] == [None, None, None, None]
    assert figure["layout"]["xaxis"]["range"] == [ms(0.0), ms(180.0)]


def test_the_grey_band_is_as_wide_as_the_least_sure_change_of_a_settled_current(store: Path) -> None:
    document = _document(store)
    figure = compare_chart.figure(document, View(1280))
    pairs = document["earlier"][0]["pairs"]
    widest = max(pair["at_nominal_mains"]["expanded_uncertainty_mA"] for pair in pairs)
    band = next(shape for shape in figure["layout"]["shapes"] if shape["type"] == "rect")
    assert (band["y0"], band["y1"]) == (-widest, widest)
    for pair in pairs:
        pair["at_nominal_mains"] = None
    assert all(
        shape["type"] != "rect" for shape in compare_chart.figure(document, View())["layout"]["shapes"]
    )


def test_names_of_pairs_are_text_on_the_chart_too(store: Path) -> None:
    document = _document(store)
    for one in (document["this"], *document["earlier"]):
        one["pairs_mA"] = {f"<b>{name}</b>": values for name, values in one["pairs_mA"].items()}
    drawn = json.dumps(compare_chart.figure(document, View(360)))
    assert "<b>" not in drawn
    assert "&lt;b&gt;pair1" in drawn


def test_a_pair_that_only_this_soak_has_is_drawn_and_named(store: Path) -> None:
    document = _document(store)
    del document["earlier"][0]["pairs_mA"]["pair4"]
    document["earlier"][0]["pairs"].pop()
    document["earlier"][0]["only_here"] = ["pair4"]
    figure = compare_chart.figure(document, View())
    assert len([trace for trace in figure["data"] if trace["name"] == "pair4"]) == 1
    assert "Only in this soak: pair4." in _texts(compare.page(document, View()))


def test_a_soak_without_a_figure_still_has_a_chart(store: Path) -> None:
    document = _document(store)
    for one in (document["this"], *document["earlier"]):
        one["pairs_mA"] = {name: [None] * len(one["on_min"]) for name in one["pairs_mA"]}
    figure = compare_chart.figure(document, View())
    for axis in ("yaxis", "yaxis2"):
        low, high = figure["layout"][axis]["range"]
        assert math.isfinite(low)
        assert low < high


def test_what_can_not_be_compared_is_said(tmp_path: Path) -> None:
    path = tmp_path / "soak.db"
    a_soak(path, MARCH)
    a_soak(path, SEPTEMBER, text=setup_text().replace("Theatre", "Hall"))
    running = RunningSoak(path, started=SEPTEMBER + timedelta(days=1))
    running.go_on(30.0)
    found = {numbers: compare.compared(Reader(path), numbers) for numbers in ((1, 1), (1, 9), (1, 2), (1, 3))}
    running.writer.close()
    said = {numbers: one.title for numbers, one in found.items() if isinstance(one, Absent)}
    no = "These can't be compared"
    assert said == {(1, 1): no, (1, 9): no, (1, 2): no, (1, 3): "Soak 3 runs still"}
    other = found[1, 2]
    assert isinstance(other, Absent)
    assert other.what_to_do.endswith("compare soaks of one amp.")


def test_a_soak_is_held_against_how_the_amp_went_home_from_its_last_visit(tmp_path: Path) -> None:
    path = tmp_path / "soak.db"
    for day, kind in ((0, "as found"), (0, "as left"), (180, "as found"), (180, "as left")):
        later = MARCH + timedelta(days=day, hours=2 * (kind == "as left"))
        a_soak(path, later, kind=kind)
    reader = Reader(path)
    (soaks,) = compare.amps(reader.soaks(), reader.jobs())
    against = [compare.held_against(soak, soaks[:at]) for at, soak in enumerate(soaks)]
    assert [one and one.id for one in against] == [None, 1, 2, 2]
    assert compare.way_from(4, reader.soaks(), reader.jobs()).href == "/compare/4/2"
    assert compare.way_from(1, reader.soaks(), reader.jobs()) is None


def test_an_empty_record_is_no_list(tmp_path: Path) -> None:
    a_soak(tmp_path / "soak.db", MARCH)
    with pytest.raises(RequestError):
        jobs.listed(Reader(tmp_path / "soak.db"), every=False)
