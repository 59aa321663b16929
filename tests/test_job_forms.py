"""The job record by hand and mouse: forms in a real browser, and what stands in the store afterwards."""

from __future__ import annotations

import io
import json
import re
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import test_dashboard
from dashboard_soak import RunningSoak
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from playwright.sync_api import Browser, Locator, Page
from test_dashboard import DESK, HOSTILE, PHONE

from dashboard import record_forms, tls
from dashboard.access import HEADER, META
from dashboard.app import create_app, make_server
from logger import entries
from logger.clock import SystemClock
from logger.entries import FIELDS, Kind
from logger.jobs import State
from logger.store import photographs
from logger.store.reader import Reader
from logger.store.record import Record

chromium = test_dashboard.chromium
WHO = "R. Example"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, str]]:
    """A store with a recorded soak, and where its dashboard is served."""
    soak = RunningSoak(tmp_path_factory.mktemp("forms") / "soak.db")
    soak.go_on(30.0)
    soak.writer.end_soak(ended=soak.clock.wall(), how="stopped", verdict=None)
    soak.writer.close()
    server = make_server(create_app(soak.path, SystemClock()), port=0)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield soak.path, f"http://127.0.0.1:{server.effective_port}"
    tls.end(server)
    thread.join(10.0)


class Person:
    """Somebody at a page; `console` is what the browser complained of."""

    def __init__(self, browser: Browser, home: str, size: dict[str, int]) -> None:
        self.context = browser.new_context(viewport=size, timezone_id="UTC")  # type: ignore[arg-type]
        self.context.set_default_timeout(30_000)
        self.page = self.context.new_page()
        self.home = home
        self.console: list[str] = []
        self.page.on("console", lambda message: self.console.append(message.text))
        self.page.on("pageerror", lambda error: self.console.append(f"error: {error}"))

    def at(self, address: str) -> Page:
        self.page.goto(f"{self.home}{address}")
        self.page.wait_for_selector(".record h1, #job-parts section, .nothing")
        return self.page

    def named(self, label: str) -> Locator:
        """Return the control that a label names, at its beginning."""
        return self.page.get_by_label(re.compile(f"^{re.escape(label)}"))

    def fill(self, **said: str) -> None:
        for label, text in said.items():
            self.named(label.replace("_", " ")).fill(text)

    def enter(self, button: str, to: str) -> None:
        """Press the form's button, and be led to a page."""
        self.page.get_by_role("button", name=button, exact=True).click()
        self.page.wait_for_url(f"{self.home}{to}")

    def refused(self, button: str) -> str:
        """Press the form's button, and return all that is said of why not."""
        self.page.get_by_role("button", name=button, exact=True).click()
        self.page.wait_for_function(
            "() => [...document.querySelectorAll('.form .fault, .form .asked.trouble')]"
            ".some(one => one.textContent)"
        )
        told = self.page.locator(".form .fault:not(:empty), .form .asked.trouble")
        return "\n".join(told.all_inner_texts())


@pytest.fixture
def person(chromium: Browser, bench: tuple[Path, str]) -> Iterator[Person]:
    somebody = Person(chromium, bench[1], DESK)
    somebody.context.add_init_script(f"localStorage.setItem('soakbench-by', '{WHO}')")
    yield somebody
    somebody.context.close()
    assert somebody.console == []


@pytest.fixture
def store(bench: tuple[Path, str]) -> Path:
    return bench[0]


@pytest.fixture
def record(store: Path) -> Record:
    return Record(store, SystemClock(), "the apprentice")


@pytest.fixture
def job(record: Record) -> int:
    return record.book_in(amp="Theatre PA 240 W", complaint="hums")


def test_an_amp_is_booked_in_on_a_phone_with_the_keyboard_alone(
    chromium: Browser, bench: tuple[Path, str]
) -> None:
    somebody = Person(chromium, bench[1], PHONE)
    page = somebody.at("/jobs/new")
    page.wait_for_selector(".form button[type=submit]")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    small = page.evaluate(
        "[...document.querySelectorAll('.form :is(button, select, textarea, .choice-one, summary, "
        "input:not([type=checkbox], [type=radio]))')].filter(one => one.offsetParent && "
        "one.getBoundingClientRect().height < 43.9).map(one => one.outerHTML)"
    )
    assert small == [], "too small for a thumb"
    said = {
        "What the shop calls it": "Theatre PA 240 W",
        "Serial number": "0042",
        "Customer's reference": f"order 118 {HOSTILE}",
        "What is said to be wrong": "hums",
        "How it came in": "dusty",
        "Your name": WHO,
    }
    reached = []
    for _ in range(40):
        page.keyboard.press("Tab")
        label = page.evaluate(
            "() => { const at = document.activeElement; return at.labels && at.labels.length "
            "? at.labels[0].innerText : at.innerText || ''; }"
        ).removesuffix(" needed")
        reached.append(label)
        if label in said:
            page.keyboard.type(said[label])
        elif label in ("hot", "when knocked"):
            page.keyboard.press("Space")
        elif label == "Book in":
            break
    assert set(said) <= set(reached), reached
    plan = page.locator(".plan").inner_text()
    assert "soak 240 min" in plan
    assert "knock on it lightly" in plan
    page.keyboard.press("Enter")
    page.wait_for_selector("#job-parts section")
    number = int(page.url.rpartition("/")[2])
    found = Reader(bench[0]).job(number)
    assert (found.amp.name, found.amp.serial, found.customer) == (
        "Theatre PA 240 W",
        "0042",
        said["Customer's reference"],
    )
    assert (found.complaint, found.shows, found.condition) == ("hums", ("hot", "when knocked"), "dusty")
    assert found.made_by == WHO
    assert len(found.checklist) > 5
    assert "soak 240 min" in page.locator("#job-parts").inner_text()
    # the amp is known now, and so is the name
    somebody.at("/jobs/new")
    known = page.get_by_label("Amplifier", exact=True).locator("option", has_text="serial 0042").first
    page.get_by_label("Amplifier", exact=True).select_option(known.get_attribute("value"))
    assert not somebody.named("What the shop calls it").is_visible()
    page.get_by_role("radio", name="none").check()
    page.get_by_role("button", name="Book in", exact=True).click()
    page.wait_for_url(f"{somebody.home}/jobs/{number + 1}")
    again = Reader(bench[0]).job(number + 1)
    assert (again.amp.id, again.made_by, again.checklist) == (found.amp.id, WHO, ())
    assert somebody.console == []
    somebody.context.close()


def test_what_somebody_else_changed_meanwhile_is_shown_beside_what_was_typed(
    person: Person, store: Path, record: Record, job: int
) -> None:
    page = person.at(f"/jobs/{job}/edit")
    person.fill(What_is_said_to_be_wrong="hums on one side")
    record.edit("job", job, complaint="crackles", customer="order 9")
    said = person.refused("Save")
    assert "was changed by the apprentice" in said
    assert "complaint" in said
    assert "crackles" in page.locator(".stands:visible").inner_text()
    assert person.named("What is said to be wrong").input_value() == "hums on one side"
    assert person.named("Customer's reference").input_value() == "order 9", "left alone, it takes theirs"
    assert Reader(store).job(job).complaint == "crackles"
    person.enter("Save", f"/jobs/{job}")
    found = Reader(store).job(job)
    assert (found.complaint, found.customer, found.version) == ("hums on one side", "order 9", 3)
    page = person.at(f"/jobs/{job}/edit")
    assert "hums on one side" in page.locator(".records.history").inner_text()
    assert "crackles" in page.locator(".records.history").inner_text()
    person.fill(What_is_said_to_be_wrong="whistles")
    record.edit("job", job, complaint="howls")
    person.refused("Save")
    page.get_by_role("button", name="Take it").click()
    assert person.named("What is said to be wrong").input_value() == "howls"


def test_a_state_goes_only_where_it_may(person: Person, store: Path, job: int) -> None:
    page = person.at(f"/jobs/{job}/state")
    assert page.get_by_role("radio", name="ready").count() == 0
    page.get_by_role("radio", name="on the bench").check()
    person.enter("Save", f"/jobs/{job}")
    assert Reader(store).job(job).state is State.ON_THE_BENCH


def test_a_photograph_is_kept_by_its_content_whatever_it_is_called(
    person: Person, store: Path, job: int, tmp_path: Path
) -> None:
    page = person.at(f"/jobs/{job}/add/photograph")
    said = person.refused("Add it")
    assert "Choose a file" in said
    no_picture = {"name": "burnt.png", "mimeType": "image/png", "buffer": b"\x89PNG no picture"}
    person.named("Photograph").set_input_files(no_picture)
    person.fill(What_it_shows="screen resistor")
    assert "no whole JPEG or PNG" in person.refused("Add it")
    assert person.named("What it shows").input_value() == "screen resistor"
    picture = io.BytesIO()
    Image.new("RGB", (40, 30), "#806040").save(picture, "PNG")
    person.named("Photograph").set_input_files(
        {"name": "soak.db<b>.html", "mimeType": "text/html", "buffer": picture.getvalue()}
    )
    person.enter("Add it", f"/jobs/{job}")
    (found,) = Reader(store).job(job).photographs
    assert (found.kind, found.caption, found.name) == ("png", "screen resistor", "soak.db<b>.html")
    assert photographs.path_of(store, found).read_bytes() == picture.getvalue()
    page.wait_for_selector(".photographs img")


@pytest.mark.parametrize("name", ["../../soak.db", "..\\..\\soak.db", "/etc/soak.db", "C:\\soak.db"])
def test_a_photographs_name_is_never_a_path(
    sending: tuple[FlaskClient, dict[str, str]], store: Path, job: int, name: str
) -> None:
    picture = io.BytesIO()
    Image.new("RGB", (40, 30), "#806040").save(picture, "PNG")
    before = {path for path in store.parent.parent.rglob("*") if path.suffix != ".lock"}
    answer = sending[0].post(
        record_forms.ADDRESS,
        headers=sending[1],
        data={"entry": json.dumps(_entry("photograph", job)), "file": (io.BytesIO(picture.getvalue()), name)},
    )
    assert answer.json["state"] == "done"
    (found,) = Reader(store).job(job).photographs
    assert found.name.endswith("soak.db")
    assert not set(found.name) & {"/", "\\"}
    made = {path for path in store.parent.parent.rglob("*") if path.suffix != ".lock"} - before
    assert made <= {photographs.folder(store), photographs.path_of(store, found)}


def test_a_photograph_beyond_the_limit_is_refused(
    sending: tuple[FlaskClient, dict[str, str]], job: int
) -> None:
    client, headers = sending
    answer = client.post(
        record_forms.ADDRESS,
        headers=headers,
        json=_entry("photograph", job),
        environ_overrides={"CONTENT_LENGTH": str(photographs.MOST_BYTES + 1_100_000)},
    )
    assert answer.status_code == 413
    assert "too long" in answer.json["reason"]


def test_readings_come_from_a_csv_file_whole_or_not_at_all(person: Person, store: Path, job: int) -> None:
    person.at(f"/jobs/{job}/add/readings")
    head = "quantity;place;value;unit\n"
    bad = f"{head}HT;;455,5;V\nbias volts;V5;x;V\ngrid leak;V5;220;V\n"
    person.named("The file").set_input_files(
        {"name": "r.csv", "mimeType": "text/csv", "buffer": bad.encode()}
    )
    said = person.refused("Take them in")
    assert "line 3: value must be a number, got 'x'" in said
    assert "line 4: grid leak is read in kohm" in said
    assert Reader(store).job(job).readings == ()
    good = f"\ufeff{head}HT;;455,5;V\nbias volts;V5;−38.5;V\n".replace("−", "-")
    person.named("The file").set_input_files(
        {"name": "r.csv", "mimeType": "text/csv", "buffer": good.encode()}
    )
    person.page.get_by_role("radio", name="as found").check()
    person.enter("Take them in", f"/jobs/{job}")
    found = Reader(store).job(job).readings
    assert [(one.quantity, one.value, one.place, one.stage) for one in found] == [
        ("HT", 455.5, "", "as found"),
        ("bias volts", -38.5, "V5", "as found"),
    ]
    assert {one.made_by for one in found} == {WHO}


def test_a_reading_says_at_each_field_what_is_wrong_and_loses_nothing(
    person: Person, store: Path, job: int
) -> None:
    page = person.at(f"/jobs/{job}/add/reading")
    person.fill(Quantity="hum and noise", Value="2,x", Unit="mV", Uncertainty="-1", Instrument="meter 1")
    said = person.refused("Note it")
    assert "value must be a number" in said.lower()
    faulty = person.named("Value")
    assert faulty.get_attribute("aria-invalid") == "true"
    fault = faulty.get_attribute("aria-describedby").split()[-1]
    assert "must be a number" in page.locator(f"#{fault}").inner_text()
    assert page.evaluate("document.activeElement.id") == faulty.get_attribute("id")
    assert faulty.input_value() == "2,x"
    person.fill(Value="2,4")
    assert "weighting" in person.refused("Note it")
    person.fill(Weighting="none", Bandwidth="20 Hz to 20 kHz")
    assert "uncertainty must be a number from 0" in person.refused("Note it")
    person.fill(Uncertainty="0,1")
    person.enter("Note it", f"/jobs/{job}")
    (found,) = Reader(store).job(job).readings
    assert (found.value, found.unit, found.uncertainty, found.weighting) == (2.4, "mV", 0.1, "none")
    person.at(f"/jobs/{job}/reading/{found.id}")
    person.fill(Value="1.1", Note="misread before")
    person.enter("Save", f"/jobs/{job}")
    (found,) = Reader(store).job(job).readings
    assert (found.value, found.note, found.instrument) == (1.1, "misread before", "meter 1")


def test_a_grid_leak_takes_its_limit_from_the_valves_sheet(person: Person, store: Path, job: int) -> None:
    person.at(f"/jobs/{job}/add/reading")
    person.fill(Quantity="grid leak", Value="220", Unit="kΩ", Limit_by_the_sheet_of_this_type="EL34")
    person.fill(Valves_on_this_grid_leak="2")
    person.enter("Note it", f"/jobs/{job}")
    (found,) = Reader(store).job(job).readings
    assert (found.most, found.unit) == (350.0, "kohm")
    assert "350 kohm" in found.limit_source


def test_retubing_a_socket_closes_one_fitting_and_opens_the_next(
    person: Person, store: Path, job: int
) -> None:
    page = person.at(f"/jobs/{job}/add/fit")
    person.fill(Socket="V5", Serial_or_bag_number=f"A {job}", Type="EL34")
    person.named("It sat there").check()
    person.enter("Fit it", f"/jobs/{job}")
    person.at(f"/jobs/{job}/add/fit")
    page.locator(".more summary").click()
    person.fill(Socket="V5", Serial_or_bag_number=f"B {job}", Type="EL34")
    person.named("Seller's current").fill("38,5")
    person.fill(Why_the_one_before_came_out="crackled when tapped")
    person.enter("Fit it", f"/jobs/{job}")
    old, new = Reader(store).job(job).fittings
    assert (old.socket, old.how, old.why_removed) == ("V5", "found", "crackled when tapped")
    assert old.removed == new.fitted
    assert (new.valve.seller_a, new.removed) == (0.0385, None)
    person.at(f"/valves/{old.valve_id}")
    told = page.locator(".records").first.inner_text()
    assert "Theatre PA 240 W" in told
    assert "crackled when tapped" in told
    person.named("Seller's current").fill("36")
    person.enter("Save", f"/valves/{old.valve_id}")
    page.wait_for_selector(".records.history")
    assert "36 mA" in page.locator(".records.history").inner_text()
    person.at(f"/jobs/{job}/add/take-out")
    person.named("Socket").select_option(label=f"V5: B {job}")
    person.enter("Take it out", f"/jobs/{job}")
    assert Reader(store).job(job).fitted_now == ()


def test_a_checklist_is_gone_through_item_by_item(person: Person, store: Path, record: Record) -> None:
    items = [
        {"section": "s", "what": f"earth {HOSTILE}", "asks": "ohm", "caution": "Unplugged."},
        {"section": "s", "what": "lead", "asks": "", "caution": ""},
    ]
    number = record.book_in(amp="Theatre PA 240 W", checklist=items)
    page = person.at(f"/jobs/{number}/checklist")
    first = page.locator(".item").first
    first.get_by_role("radio", name="fine").check()
    first.get_by_role("button", name="Save").click()
    page.wait_for_selector(".item .fault:not(:empty)")
    assert "only with what was read" in first.locator(".fault:not(:empty)").inner_text()
    first.get_by_label(re.compile("^Read, in ohm")).fill("0,08")
    first.get_by_label(re.compile("^Note")).fill("to the far screw")
    first.get_by_role("button", name="Save").click()
    page.wait_for_selector(".item .done")
    second = page.locator(".item").nth(1)
    assert second.get_attribute("open") is not None, "the next one waits"
    assert page.evaluate("document.activeElement.type") == "radio"
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    page.wait_for_function("() => document.querySelectorAll('.item .done').length === 2")
    assert [
        (one.result, one.value, one.note, one.done_by) for one in Reader(store).job(number).checklist
    ] == [
        ("fine", 0.08, "to the far screw", WHO),
        ("fault", None, "", WHO),
    ]


def test_a_verdict_is_overruled_only_with_a_signature_and_a_reason(
    person: Person, store: Path, job: int
) -> None:
    page = person.at(f"/jobs/{job}/add/overrule")
    page.get_by_role("radio", name="pass", exact=True).check()
    assert person.named("Signed").input_value() == "", "a signature is given anew each time"
    person.fill(Signed="the head", Why="")
    assert "can't be left empty" in person.refused("Sign")
    person.fill(Why="soaked elsewhere")
    person.enter("Sign", f"/jobs/{job}")
    (found,) = Reader(store).job(job).overrulings
    assert (found.statement, found.reason, found.made_by) == ("pass", "soaked elsewhere", "the head")
    page.wait_for_selector("#job-verdict .said")
    assert "the head said so" in page.locator("#job-verdict").inner_text()


def test_what_is_deleted_is_only_marked_and_comes_back(
    person: Person, store: Path, record: Record, job: int
) -> None:
    number = record.remark(job, f"to be deleted {HOSTILE}")
    page = person.at(f"/jobs/{job}/remark/{number}")
    page.locator(".delete summary").first.click()
    person.enter("Delete", f"/jobs/{job}")
    assert Reader(store).job(job).remarks == ()
    page = person.at(f"/jobs/{job}/history")
    assert "marked as deleted" in page.locator(".records.history").inner_text()
    page.get_by_role("link", name="remark “to be").first.click()
    page.wait_for_selector(".form button")
    person.enter("Restore", f"/jobs/{job}")
    assert [one.text for one in Reader(store).job(job).remarks] == [f"to be deleted {HOSTILE}"]


def test_fuses_work_and_a_soak_are_noted(person: Person, store: Path, job: int) -> None:
    person.at(f"/jobs/{job}/add/fuse")
    person.fill(Which_fuse="mains", As_found="T 6.3 A", As_marked="T 5 A", As_fitted="T 5 A")
    person.enter("Note it", f"/jobs/{job}")
    person.at(f"/jobs/{job}/add/work")
    person.fill(What_was_done="reservoirs", Part="100 uF", How_many="2", Time="45")
    person.enter("Note it", f"/jobs/{job}")
    person.at(f"/jobs/{job}/add/soak")
    person.named("Soak").select_option(index=0)
    person.enter("Let it belong", f"/jobs/{job}")
    found = Reader(store).job(job)
    assert [(one.position, one.found, one.fitted) for one in found.fuses] == [("mains", "T 6.3 A", "T 5 A")]
    assert [(one.what, one.part, one.quantity, one.minutes) for one in found.work] == [
        ("reservoirs", "100 uF", 2.0, 45.0)
    ]
    assert [one.id for one in found.soaks] == [1]
    person.at(f"/jobs/{job}/soak/1")
    person.enter("Take it away", f"/jobs/{job}")
    assert Reader(store).job(job).soaks == ()


def test_a_double_click_enters_once_and_offline_keeps_what_was_typed(
    person: Person, store: Path, job: int
) -> None:
    page = person.at(f"/jobs/{job}/add/remark")
    person.fill(Remark="customer rang\nneeded for Friday")
    person.context.set_offline(True)
    said = person.refused("Note it")
    assert "does not answer" in said
    assert "still stands here" in said
    person.console.clear()  # the browser says of itself that it is offline
    person.context.set_offline(False)
    page.reload()
    page.wait_for_selector(".form button[type=submit]")
    assert person.named("Remark").input_value() == "customer rang\nneeded for Friday"
    assert "stands here again" in page.locator(".form .asked").inner_text()
    page.get_by_role("button", name="Note it").dblclick()
    page.wait_for_url(f"{person.home}/jobs/{job}")
    assert [one.text for one in Reader(store).job(job).remarks] == ["customer rang\nneeded for Friday"]
    person.at(f"/jobs/{job}/add/remark")
    assert person.named("Remark").input_value() == "", "what was entered is no draft"


def test_a_report_is_made_when_it_is_asked_for(person: Person, store: Path, record: Record, job: int) -> None:
    record.add_work(job, "dry joint soldered", minutes=20)
    page = person.at(f"/jobs/{job}/report")
    with page.expect_download(timeout=120_000) as download:
        page.get_by_role("link", name="One HTML page").click()
        assert "is being made" in page.locator("#report-said").inner_text()
    assert download.value.suggested_filename == f"job{job}.html"
    assert "dry joint soldered" in Path(download.value.path()).read_text(encoding="utf-8")
    page.wait_for_function(
        "() => document.getElementById('report-said').textContent.startsWith('The report is made')"
    )


def test_a_report_that_can_not_be_made_is_a_sentence(store: Path) -> None:
    client, _ = a_client(store)
    answer = client.get("/jobs/9999/report.pdf", headers={"Host": "127.0.0.1"})
    assert (answer.status_code, answer.mimetype) == (404, "text/plain")
    assert "ob 9999 does not exist" in answer.text
    for asked in ("report.exe", "report.pdf?paper=a3", "report.pdf?paper=../x"):
        assert client.get(f"/jobs/1/{asked}", headers={"Host": "127.0.0.1"}).status_code == 404


@pytest.mark.parametrize(
    "address",
    [
        "/jobs/1/add/edit",
        "/jobs/1/add/nothing",
        "/jobs/1/fuse/99",
        "/jobs/999/edit",
        "/valves/999",
        "/jobs/1/x/y/z",
    ],
)
def test_an_address_that_leads_nowhere_says_so(person: Person, record: Record, address: str) -> None:
    record.book_in(amp="Theatre PA 240 W")
    page = person.at(address)
    assert "There is no such page" in page.locator(".nothing").inner_text()


# ---------------------------------------------------------------- what is sent


def a_client(store: Path) -> tuple[FlaskClient, dict[str, str]]:
    client = create_app(store, SystemClock()).server.test_client()
    page = client.get("/", headers={"Host": "127.0.0.1"}).text
    token = re.search(rf'name="{META}" content="([^"]+)"', page)
    assert token is not None
    return client, {"Host": "127.0.0.1", "Origin": "http://127.0.0.1", HEADER: token[1]}


def _entry(deed: str, job: int, said: dict[str, str] | None = None, **more: Any) -> dict[str, Any]:
    return {"deed": deed, "job": job, "said": said or {}, "by": WHO, **more}


@pytest.fixture(scope="module")
def sending(bench: tuple[Path, str]) -> tuple[FlaskClient, dict[str, str]]:
    return a_client(bench[0])


def _sent(sending: tuple[FlaskClient, dict[str, str]], entry: Any) -> Any:
    return sending[0].post(record_forms.ADDRESS, headers=sending[1], json=entry)


def test_only_our_own_pages_may_write(
    sending: tuple[FlaskClient, dict[str, str]], store: Path, job: int
) -> None:
    client, headers = sending
    for wrong in ({HEADER: "x"}, {"Origin": "http://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}):
        answer = client.post(
            record_forms.ADDRESS, headers={**headers, **wrong}, json=_entry("remark", job, {"text": "x"})
        )
        assert answer.status_code == 403
    assert Reader(store).job(job).remarks == ()


@pytest.mark.parametrize(
    "entry",
    [
        None,
        [],
        "x",
        {"deed": "drop", "said": {}, "by": WHO},
        {"deed": "remark", "said": [], "by": WHO},
        {"deed": "remark", "said": {"text": 1}, "by": WHO},
        {"deed": "remark", "said": {}, "by": None},
        {"deed": "remark", "said": {}, "by": WHO, "job": "1"},
        {"deed": "remark", "said": {}, "by": WHO, "job": True},
        {"deed": "remark", "said": {}, "by": WHO, "job": -1},
        {"deed": "edit", "said": {}, "by": WHO, "table": "soak"},
        {"deed": ["remark"], "said": {}, "by": WHO},
    ],
)
def test_what_is_no_form_of_ours_is_refused(sending: tuple[FlaskClient, dict[str, str]], entry: Any) -> None:
    assert _sent(sending, entry).status_code == 400


@pytest.mark.parametrize(
    ("deed", "said", "field", "says"),
    [
        ("remark", {"text": " \n"}, "text", "can't be left empty"),
        ("remark", {"text": "a\0b"}, "text", "can't be printed"),
        ("remark", {"text": "a" * 20_001}, "text", "20,000 is the most"),
        ("work", {"what": "x", "quantity": "two"}, "quantity", "must be a number, got 'two'"),
        ("work", {"what": "x", "quantity": "1e999"}, "quantity", "must be a number"),
        ("work", {"what": "x", "minutes": "-1"}, "minutes", "must be a number from 0"),
        ("fuse", {"position": ""}, "position", "can't be left empty"),
        ("fit", {"socket": "V1", "label": " "}, "label", "can't be left empty"),
        ("fit", {"socket": "V1", "label": "z", "seller_a": "-3"}, "seller_a", "must be above 0"),
        ("take out", {"socket": "V99"}, "socket", "nothing sits in V99"),
        (
            "reading",
            {"stage": "as left", "quantity": "HTT", "value": "1", "unit": "V"},
            "quantity",
            "nearest",
        ),
        ("reading", {"stage": "now", "quantity": "HT", "value": "1", "unit": "V"}, "stage", "no stage"),
        ("reading", {"stage": "as left", "quantity": "HT", "value": "1", "unit": "A"}, "unit", "read in V"),
        ("book in", {"amp_id": ""}, "name", "choose an amplifier"),
        ("book in", {"amp_id": "x"}, "amp_id", "that are listed"),
        ("book in", {"name": "x", "shows": "warm"}, "shows", "can't show 'warm'"),
        ("book in", {"name": "x", "checklist": "long"}, "checklist", "no checklist 'long'"),
        ("book in", {"name": "x", "received": "noon"}, "received", "is no time"),
        ("checklist", {"checklist": "full", "setup": "777"}, "setup", "no soak 777"),
        ("overrule", {"statement": "splendid", "reason": "x"}, "statement", "is no verdict"),
        ("readings", {"stage": "as left"}, "file", "choose a file"),
    ],
)
def test_each_fault_stands_at_its_field_in_one_sentence(
    sending: tuple[FlaskClient, dict[str, str]],
    job: int,
    deed: str,
    said: dict[str, str],
    field: str,
    says: str,
) -> None:
    answer = _sent(sending, _entry(deed, job, said)).json
    assert answer["state"] == "refused"
    assert says.lower() in answer["faults"][field].lower()
    assert answer["faults"][field][0].isupper() or answer["faults"][field][0] == "'"


def test_a_name_is_wanted_for_every_entry(sending: tuple[FlaskClient, dict[str, str]], job: int) -> None:
    answer = _sent(sending, {**_entry("remark", job, {"text": "x"}), "by": " "}).json
    assert "missing" in answer["faults"]["by"]


def test_what_is_sent_twice_is_entered_once(
    sending: tuple[FlaskClient, dict[str, str]], store: Path, job: int
) -> None:
    entry = _entry("remark", job, {"text": "once"}, key="k1")
    assert [_sent(sending, entry).json["state"] for _ in range(3)] == ["done"] * 3
    other = _sent(sending, {**entry, "said": {"text": "other"}}).json
    assert (other["state"], "entered already" in other["reason"]) == ("refused", True)
    assert [one.text for one in Reader(store).job(job).remarks] == ["once"]


def test_what_one_job_has_is_not_changed_by_way_of_another(person: Person, record: Record, job: int) -> None:
    other = record.book_in(amp="Hall")
    number = record.remark(other, "theirs")
    assert "no such page" in person.at(f"/jobs/{job}/remark/{number}").locator(".nothing").inner_text()


LINE = st.text(st.characters(exclude_categories=("C", "Z"), include_characters=" "), max_size=60)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(said=st.fixed_dictionaries({"position": LINE, "found": LINE, "marked": LINE, "fitted": LINE}))
def test_any_text_that_was_typed_comes_back_the_same(
    sending: tuple[FlaskClient, dict[str, str]], store: Path, said: dict[str, str]
) -> None:
    number = Record(store, SystemClock(), WHO).book_in(amp="Theatre PA 240 W")
    answer = _sent(sending, _entry("fuse", number, said)).json
    meant = {name: " ".join(text.split()) for name, text in said.items()}
    if not meant["position"]:
        assert "position" in answer["faults"]
        return
    assert answer["state"] == "done"
    (fuse,) = Reader(store).job(number).fuses
    assert {one.name: one.written(getattr(fuse, one.name)) for one in FIELDS["fuse"]} == meant


@given(table=st.sampled_from(sorted(FIELDS)), value=st.floats(1e-6, 1e9))
def test_a_number_is_written_as_it_would_be_typed(table: str, value: float) -> None:
    value = float(f"{value:.9g}")
    for field in FIELDS[table]:
        if field.kind is Kind.NUMBER:
            held = value / 1000.0 if field.typed else value
            assert field.read(field.written(held)) == pytest.approx(held, rel=1e-11)
            assert field.read(field.written(held).replace(".", ",")) == pytest.approx(held, rel=1e-11)


def test_the_record_has_a_column_for_each_field_that_a_form_shows() -> None:
    from logger.store import schema

    for table in schema.KEPT:
        for field in FIELDS[table.name]:
            assert field.name in table.c or f"{field.name}_us" in table.c, (table.name, field.name)
    assert set(entries.TABLES.values()) == {table.name for table in schema.KEPT}
