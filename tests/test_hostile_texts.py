"""What people, files and devices wrote comes out of every page as text, and out of no file as a formula."""

from __future__ import annotations

import csv
import gzip
import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from urllib.parse import quote

import pytest
import test_dashboard
from dashboard_soak import RunningSoak, setup_text, token_of
from hostile_texts import TEXTS
from PIL import Image
from playwright.sync_api import Page
from test_compare import MARCH, SEPTEMBER
from test_compare import record as a_soak
from test_compare import setup_text as compared_text
from test_dashboard import DRIFT, Visitor

from dashboard.access import HEADER
from dashboard.app import create_app
from logger import export
from logger.blocks import Mark
from logger.clock import ManualClock
from logger.errors import RequestError
from logger.jobs import line
from logger.requests import LONGEST, Ask, text_of
from logger.setup import parse
from logger.store.reader import Reader
from logger.store.record import Record

chromium, serving, visitor = test_dashboard.chromium, test_dashboard.serving, test_dashboard.visitor

_FILES = (
    "<img src=x onerror=window.taken=1>.png",
    "'; DROP TABLE photograph; --.png",
    "=cmd|' C calc'!A0.png",
    "x\r\nSet-Cookie: taken=1.png",
    "..%2f..%2fsoak.db.png",
    '" onmouseover="window.taken=1.png',
    "javascript:alert(1).png",
    "fail \u202egnp.png",
)


@dataclass
class Written:
    """A store with all of them wherever there is room for a text; `in_*` is what must be found there."""

    path: Path
    soak: RunningSoak
    in_list: set[str] = field(default_factory=set)
    in_job: set[str] = field(default_factory=set)
    in_marks: set[str] = field(default_factory=set)
    refused: dict[str, str] = field(default_factory=dict)


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _toml(text: str) -> str:
    return json.dumps(text, ensure_ascii=True)


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Written]:
    path = tmp_path_factory.mktemp("hostile") / "soak.db"
    own = Record(path, ManualClock(SEPTEMBER), "R. Example")
    refused: dict[str, str] = {}
    in_job = set()
    job = own.book_in(amp="Theatre PA 240 W", customer="order 118")

    def wrote(do: Callable[[str], object], text: str) -> str:
        """Write a text, and return it as it stands then; empty where it is refused in a sentence."""
        try:
            do(text)
        except RequestError as error:
            refused[text] = str(error)
            return ""
        return _one_line(text)

    for at, text in enumerate(TEXTS):
        stood = wrote(lambda text: own.remark(job, text), text)
        in_job.add(stood)
        ways: tuple[Callable[[str], object], ...] = (
            lambda text: own.add_work(job, text, part=text),
            lambda text: own.set_fuse(job, text, found=text, marked=text, fitted=text),
            lambda text, at=at: own.fit_valve(job, f"V{at}", text, valve_type=text, why=text),
            lambda text: own.read_bench(
                job,
                [{"stage": "as found", "quantity": "bias volts", "place": text, "value": -38.0, "unit": "V"}
                 | {"instrument": text, "limit_source": text, "most": -30.0}],
            ),
            lambda text: own.add_checklist(
                job, [{"section": text, "what": text, "caution": text, "asks": ""}]
            ),
        )  # fmt: skip
        # the job's page shows whatever of these the record took
        in_job.add(wrote(ways[at % len(ways)], text))
    lines = [text for text in TEXTS if wrote(lambda text: line(text, "the name", needed=True), text)]
    for amp, customer in zip(lines[::2], [*lines[1::2], lines[0]], strict=False):
        own.book_in(amp=amp, customer=customer, complaint=amp, condition=customer)
    in_list = {_one_line(text) for text in lines}
    for at, name in enumerate(_FILES):
        file = path.parent / name
        Image.new("RGB", (8, 8), (at, 0, 0)).save(file, "PNG")
        own.attach(job, file, TEXTS[at])
        file.unlink()
    amps = compared_text().replace('"Theatre PA 240 W"', _toml(TEXTS[0]))
    for started in (MARCH, MARCH + timedelta(days=1)):
        a_soak(path, started, text=amps, job_id=job)
    said = iter(TEXTS)
    text = setup_text(4).replace("'Theatre PA 240 W'", _toml(next(said)))
    for k in range(1, 9):
        text = text.replace(f"'V{k}'", _toml(next(said)))
    text += "".join(f"# {_one_line(one)}\n" for one in TEXTS if _one_line(one).isprintable())
    assert TEXTS[1] in parse(text).channel[0].sockets
    soak = RunningSoak(path, text, started=SEPTEMBER + timedelta(hours=1))
    soak.go_on(60.0)
    in_marks = set()
    for at, text in enumerate(TEXTS):
        try:
            mark = text_of(Ask.MARK, text)
        except RequestError as error:
            refused[text] = str(error)
            continue
        soak.writer.put_mark(Mark((at + 1) * 500_000, mark))
        in_marks.add(mark)
    for at, text in enumerate(TEXTS[::12]):
        soak.writer.put_finding(
            test_dashboard.replace(DRIFT, id=at + 1, onset_s=20.0, raised_s=30.0, says=text, advice=text)
        )
    soak.go_on(5.0)
    yield Written(path, soak, in_list - {""}, in_job - {""}, in_marks, refused)
    soak.writer.close()


def test_there_are_at_least_sixty_and_what_is_refused_is_refused_in_one_sentence(written: Written) -> None:
    assert len(set(TEXTS)) == len(TEXTS) >= 60
    for text, reason in written.refused.items():
        assert "\n" not in reason
        assert "\x1b" not in reason
        assert not _one_line(text).isprintable() or len(text) > 199, (text, reason)
    taken = [text for text in TEXTS if text not in written.refused]
    assert len(taken) >= 60
    assert len(written.in_list) >= 60
    assert len(written.in_marks) >= 60


_SPOILT = """() => {
    const bad = [];
    if (window.taken !== undefined) { bad.push("a script ran: " + window.taken); }
    for (const one of document.querySelectorAll("body *")) {
        for (const of_it of one.attributes) {
            if (/^on/i.test(of_it.name)) { bad.push(one.outerHTML.slice(0, 200)); }
            if (/^(href|src|action|data|xlink:href|formaction)$/i.test(of_it.name)) {
                const to = new URL(of_it.value, location.href);
                const own = to.origin === location.origin || /^(blob:|data:image)/.test(of_it.value);
                if (!own) { bad.push(of_it.value); }
            }
        }
    }
    for (const one of document.querySelectorAll(
        "main :is(script, iframe, object, embed, base, meta, link, video, math, marquee, template, noscript)"
    )) { bad.push(one.outerHTML.slice(0, 200)); }
    return bad;
}"""


@pytest.fixture
def held() -> Callable[[Page], Callable[[], str]]:
    """Return what holds a page to having taken nothing for more than a text, and says all that it shows."""
    dialogs: list[str] = []

    def hold(page: Page) -> str:
        assert page.evaluate(_SPOILT) == []
        assert dialogs == []
        assert page.locator("h1").first.is_visible()
        assert page.evaluate("document.cookie") == ""
        return _one_line(page.evaluate("document.body.textContent"))

    def watch(page: Page) -> Callable[[], str]:
        page.on("dialog", lambda dialog: (dialogs.append(dialog.message), dialog.dismiss()))
        return lambda: hold(page)

    return watch


def _missing(wanted: set[str], said: str) -> list[str]:
    return [text for text in wanted if text not in said]


def test_every_page_shows_them_as_text(
    written: Written, visitor: Visitor, held: Callable[[Page], Callable[[], str]]
) -> None:
    page = visitor.open(written.path, written.soak.clock, "/jobs")
    said = held(page)
    page.wait_for_selector(".records.jobs")
    assert _missing(written.in_list, said()) == []
    home = page.url.removesuffix("/jobs")

    page.goto(f"{home}/jobs/1")
    page.wait_for_selector("#job-parts .job-part")
    page.wait_for_function("() => [...document.images].every(one => one.naturalWidth > 0)")
    assert _missing(written.in_job, said()) == []
    assert page.locator("main img").count() == len(_FILES)

    page.goto(f"{home}/soak/3")
    page.wait_for_selector(".marks li")
    page.wait_for_selector(".finding-list")
    page.wait_for_selector("#chart .main-svg")
    shown = said()
    assert _missing(written.in_marks, shown) == []
    assert _missing({_one_line(text) for text in TEXTS[::12]}, shown) == []
    assert page.locator("#soak-marks img, .finding-list img").count() == 0

    page.goto(f"{home}/")
    page.wait_for_selector(".tile")
    page.wait_for_selector("#chart .main-svg")
    assert _missing(set(TEXTS[:9]), said()) == []

    page.goto(f"{home}/bias")
    page.wait_for_selector("#bias-figure:has-text('.')")
    assert TEXTS[0] in said()

    for address in ("/compare", "/compare/2/1"):
        page.goto(f"{home}{address}")
        page.wait_for_selector("main h1")
        page.wait_for_selector("main .records")
        assert TEXTS[0] in said()

    # what the pages were held to would have been seen
    assert visitor.console == []
    page.evaluate("document.querySelector('main').innerHTML += '<a href=javascript:1 onclick=1>x</a>'")
    assert len(page.evaluate(_SPOILT)) == 2
    page.wait_for_timeout(0)
    assert "Content Security Policy" in visitor.console.pop()


def test_no_text_becomes_a_header(written: Written) -> None:
    client = create_app(written.path, written.soak.clock).server.test_client()
    for one in Reader(written.path).job(1).photographs:
        answer = client.get(f"/photographs/{one.checksum}", base_url="http://127.0.0.1")
        assert answer.status_code == 200
        assert "taken" not in str(answer.headers)
        assert re.fullmatch(r'inline; filename="[0-9a-f]{64}\.png"', answer.headers["Content-Disposition"])
    for text in TEXTS:
        asked = "/" + quote(text[:1000], errors="replace", safe="/%\r\n")
        answer = client.get(asked, base_url="http://127.0.0.1")
        assert "taken" not in str(answer.headers), text
        assert answer.status_code in (200, 308, 400, 404), text


def test_what_is_asked_with_such_a_text_is_answered_in_a_sentence(written: Written) -> None:
    client = create_app(written.path, written.soak.clock).server.test_client()
    headers = {"Origin": "http://127.0.0.1", HEADER: token_of(client)}
    for text in TEXTS:
        body = json.dumps({"ask": "acknowledge", "text": text})
        answer = client.post(
            "/ask", base_url="http://127.0.0.1", headers=headers, data=body, content_type="application/json"
        )
        assert answer.json["state"] == "refused"
        assert answer.json["reason"].isprintable()
        assert len(answer.json["reason"]) < 2 * LONGEST


def test_an_exported_log_holds_no_formula(written: Written, tmp_path: Path) -> None:
    reader = Reader(written.path)
    export.export_log(reader, 3, tmp_path / "soak.csv.gz")
    with gzip.open(tmp_path / "soak.csv.gz", "rt", encoding="utf-8", newline="") as opened:
        rows = list(csv.reader(line for line in opened if not line.startswith("#")))
    marks = {cell for row in rows[1:] for cell in row if "calc" in cell or "HYPERLINK" in cell}
    assert len(marks) >= 4
    for row in rows[1:]:
        for cell in row:
            assert not cell.startswith(("=", "+", "@", "\t")), cell
            assert not cell.startswith("-") or re.fullmatch(r"-[0-9.eE+-]+", cell), cell
