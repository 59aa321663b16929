"""The report of a job: what stands on each page, PDF/A, one self-contained HTML, words that stay words."""

from __future__ import annotations

import base64
import json
import re
import subprocess
import sys
import tempfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
import test_dashboard
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from playwright.sync_api import Browser
from test_report import (
    HOSTILE,
    JAVA,
    PREFLIGHT,
    PRINTED,
    STARTED,
    keep,
    needs_poppler,
    needs_preflight,
    poppler,
    text_of,
)

import soakbench
from dashboard import job_demo, shop
from dashboard.job_report import JobData, gather, of_job, write
from dashboard.report import gather as gather_soak
from dashboard.report import of_soak
from dashboard.report_files import Report, compile_pdf, page_html
from dashboard.shop import Shop
from logger.clock import ManualClock
from logger.errors import FileExistsAlready, RequestError
from logger.store.reader import Reader
from logger.store.record import Record

chromium = test_dashboard.chromium
TODAY = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def valid_pdf_a(pdf: bytes, folder: Path) -> str:
    """Return what Apache PDFBox 2 preflight (Debian's libpdfbox2-java) says, ISO 19005-1 level B."""
    file = folder / "checked.pdf"
    file.write_bytes(pdf)
    jars = ":".join(str(JAVA / f"{jar}.jar") for jar in PREFLIGHT)
    done = subprocess.run(
        ["java", "-cp", jars, "org.apache.pdfbox.preflight.Validator_A1b", str(file)],
        capture_output=True,
        text=True,
    )
    return done.stdout


def pages_of(pdf: bytes) -> list[str]:
    """Return each page's words."""
    return [" ".join(page.split()) for page in poppler("pdftotext", pdf, "-raw").split("\f")[:-1]]


class Seen(HTMLParser):
    """What a browser would make of a page: its elements, what they point to, its words."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.points_to: list[str] = []
        self.words: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.points_to += [
            value or "" for name, value in attrs if name in ("src", "href", "xlink:href", "srcset")
        ]

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).replace("\u200b", "").split())


# ------------------------------------------------------------------ a job written by hand


@cache
def a_store() -> bytes:
    """Return a store with one soak, closed: it is one file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "jobs.db")
        keep(path, verdict=True)
        return path.read_bytes()


def a_job(folder: Path, *, text: str = "", soak: bool = True) -> tuple[Record, int]:
    """Keep a job with some of everything; `text` stands in every field that takes one, where it is given."""
    path = folder / "jobs.db"
    if soak:
        path.write_bytes(a_store())
    clock = ManualClock(STARTED - timedelta(hours=2))

    def said(usual: str) -> str:
        return text or usual

    record = Record(path, clock, said("R. Example")[:200])
    items = [
        {"section": said("before valves"), "what": said("grid leak of V1"), "caution": "", "asks": "kohm"},
        {"section": said("before valves"), "what": said("controls cleaned"), "caution": "", "asks": ""},
    ]
    job = record.book_in(
        amp=said("Theatre PA 240 W"),
        serial=said("0042"),
        amp_notes=said("Four pairs."),
        rated_w=240.0,
        customer=said("Theatre, stage left"),
        complaint=said("Hums when hot."),
        shows=("hot",),
        condition=said("dusty"),
        checklist=items,
    )
    first = Reader(path).job(job).checklist[0]
    record.tick_off(first.id, "fine", 220.0, said("both"))
    record.set_fuse(job, said("HT"), found=said("T 1 A"), marked=said("T 800 mA"), fitted=said("T 800 mA"))
    for socket in ("V1", "V10", "V9"):
        record.fit_valve(job, socket, f"A-{socket}", valve_type="EL34", found=True)
    clock.advance(600.0)
    record.fit_valve(
        job, "V9", said("C-21"), valve_type=said("EL34"), batch=said("C"), seller_a=0.0381, why=said("aged")
    )
    record.add_work(job, said("V9 replaced"), part=said("base clamp"), quantity=2, minutes=40)
    record.remark(job, said("The pots were not touched."))
    record.read_bench(
        job,
        [
            {"stage": "as found", "quantity": "bias volts", "place": "V9", "value": -38.5, "unit": "V"},
            {
                **{"stage": "as found", "quantity": "HT", "value": 455.0, "unit": "V"},
                **{"uncertainty": 1.5, "instrument": said("meter 7")},
            },
            {
                **{"stage": "as left", "quantity": "output voltage", "value": 40.0, "unit": "V"},
                **{"uncertainty": 0.4, "load_ohm": 8.0, "tap_ohm": 8.0, "instrument": said("meter 7")},
            },
            {
                **{"stage": "as left", "quantity": "hum and noise", "value": 4.0, "unit": "mV"},
                **{"uncertainty": 0.1, "weighting": said("none"), "bandwidth": said("20 kHz"), "most": 3.0},
                **{"limit_source": said("agreed"), "note": said("inputs shorted")},
            },
        ],
    )
    if soak:
        record.give_soak(1, job)
    return record, job


def data_of(record: Record, job: int) -> JobData:
    return gather(Reader(record.path), job, ManualClock(PRINTED))


@needs_poppler
def test_the_customers_page_comes_first_and_the_sheet_and_soak_behind_it(tmp_path: Path) -> None:
    pages = pages_of(compile_pdf(of_job(data_of(*a_job(tmp_path)))))

    first, sheet = pages[0], pages[1]
    assert "Report on your amplifier" in first
    assert "It did not pass: something that we measured or found is beyond its limit." in first
    assert "1 valve EL34: V9 (C-21)" in first
    assert "fuse, HT: T 800 mA (found: T 1 A)" in first
    assert "2 × base clamp" in first
    assert "Hums when hot." in first
    assert "Not to be used until it is mended" in first
    assert "high tension is lethal" in first
    assert "Current of each pair, mA" in first
    assert "Each pair from the others" not in first
    assert sheet.startswith("Job 1 workshop's sheet Theatre PA 240 W, serial 0042")
    whole = " ".join(pages)
    assert "hum and noise ■ fail 4 ± 0.1 mV, at most 3 mV." in whole
    assert "Bias volts, V9 −38.5 V not read uncertainty not said" in whole
    assert "HT 455.0 ± 1.5 V not read meter 7" in whole
    assert "40.0 ± 0.4 V 200 ± 4 W, of 240 W rated; this load on this tap leaves 240 W" in whole
    assert "grid leak of V1 fine 220 kohm both R. Example" in whole
    assert "controls cleaned open" in whole
    assert "V9 replaced 2 × base clamp 40 min" in whole
    assert whole.index("V1 A-V1") < whole.index("V9 A-V9") < whole.index("V10 A-V10")
    assert "V9 A-V9, EL34" in whole
    assert "seller's figures: 38.1 mA" in whole
    assert "The pots were not touched." in whole
    assert any(page.startswith("Soak 1, as found workshop's page") for page in pages[2:])
    assert "What sat where: see the job." in whole
    assert whole.count("soakbench is no certified protective device") == 1


CLOSING = {
    "pass": "Bring it back if",
    "conditional pass": "Bring it back if",
    "conditional fail": "Not to be used until we have agreed what is to be done",
    "fail": "Not to be used until it is mended",
    None: "Ask us before you use it",
}


def closing_of(report: Report) -> tuple[str, str]:
    """Return the customer's page as a PDF and a browser have it, from its last heading on."""
    found = []
    for text in (pages_of(compile_pdf(report))[0], Seen(page_html(report)).text.split("workshop's ")[0]):
        [heading] = {one for one in CLOSING.values() if one in text}
        found.append(text[text.index(heading) :])
    return found[0], found[1]


@needs_poppler
@pytest.mark.parametrize(
    ("ht_v", "statement"), [(500.0, "fail"), (480.5, "conditional fail"), (470.0, None)], ids=str
)
def test_what_did_not_pass_is_not_to_be_used(tmp_path: Path, ht_v: float, statement: str | None) -> None:
    record = Record(tmp_path / "jobs.db", ManualClock(STARTED), "R. Example")
    job = record.book_in(amp="Theatre PA 240 W")
    read = {"quantity": "HT", "value": ht_v, "unit": "V", "uncertainty": 1.0, "most": 480.0}
    record.read_bench(job, [{"stage": "as left", **read}])
    assert data_of(record, job).verdict.statement == statement

    for text in closing_of(of_job(data_of(record, job))):
        assert text.startswith(CLOSING[statement])
        assert "Leave it switched off, with the plug out" in text
        assert "high tension is lethal" in text
        assert "before you switch on" not in text


@needs_poppler
@pytest.mark.parametrize("decided", [one for one in CLOSING if one is not None])
def test_what_a_person_decided_says_whether_it_may_be_used(tmp_path: Path, decided: str) -> None:
    record, job = a_job(tmp_path, soak=False)
    record.overrule(job, decided, "Measured again by hand.")
    passed = decided in ("pass", "conditional pass")

    for text in closing_of(of_job(data_of(record, job))):
        assert text.startswith(CLOSING[decided])
        assert "high tension is lethal" in text
        assert ("Connect the loudspeakers before you switch on" in text) is passed
        assert ("Leave it switched off, with the plug out" in text) is not passed


def test_what_a_person_decided_stands_beside_what_was_measured(tmp_path: Path) -> None:
    record, job = a_job(tmp_path)
    record.overrule(job, "pass", "The hum is the hall's earth loop.")
    words = of_job(data_of(record, job)).words

    measured = words["job"]["verdict"]
    assert measured["word"] == "■ Fail"
    assert measured["overruled"]["word"] == "Pass"
    assert measured["overruled"]["reason"] == "The hum is the hall's earth loop."
    assert measured["overruled"]["signed"].startswith("R. Example, 2 March 2026")
    customer = words["customer"]["verdict"]
    assert customer["word"] == "■ Fail"
    assert customer["says"][0].startswith("It did not pass")
    assert customer["decided"] == (
        "R. Example decided otherwise on 2 March 2026: pass. The hum is the hall's earth loop."
    )
    page = Seen(page_html(of_job(data_of(record, job)))).text
    assert "By what was measured: ■ Fail" in page
    assert "A person decided: Pass" in page
    assert customer["decided"] in page


def test_a_decision_that_something_came_after_stands_as_lapsed(tmp_path: Path) -> None:
    record, job = a_job(tmp_path)
    record.overrule(job, "pass", "It will do.")
    record._clock.sleep(60.0)
    record.read_bench(
        job,
        [{"stage": "as left", "quantity": "HT", "value": 500.0, "unit": "V", "most": 480.0}],
    )
    words = of_job(data_of(record, job)).words

    assert words["job"]["verdict"]["overruled"] is None
    section = next(one for one in words["job"]["sections"] if one["title"].startswith("What a person"))
    assert "no longer stands" in section["blocks"][0]["lines"][0]
    assert "It will do." in section["blocks"][0]["lines"][0]


@needs_poppler
def test_a_job_that_was_just_booked_in_has_a_report(tmp_path: Path) -> None:
    record = Record(tmp_path / "jobs.db", ManualClock(STARTED), "R. Example")
    job = record.book_in(amp="Theatre PA 240 W")
    data = data_of(record, job)
    text = text_of(compile_pdf(of_job(data)))

    assert "Result: Not judged" in text
    assert "It was not judged: too little was measured for a verdict." in text
    assert "Not judged: no soak as left" in text
    assert "None" not in text
    titles = [one["title"] for one in of_job(data).words["job"]["sections"]]
    assert titles == ["States", "Cautions"]  # no heading over nothing
    assert "Not judged" in Seen(page_html(of_job(data))).text
    with pytest.raises(RequestError, match="no soak, so there is no chart"):
        write(Reader(record.path), job, tmp_path / "chart.png", clock=ManualClock(PRINTED))


@needs_poppler
def test_the_customers_page_is_one_page_whatever_was_written(tmp_path: Path) -> None:
    record, job = a_job(tmp_path, text="long words " * 18)
    for index in range(40):
        record.add_work(job, f"work {index}: " + "very long words " * 11, part=f"part {index}")
    record.overrule(job, "pass", "a reason " * 1000)
    for pdf in (compile_pdf(of_job(data_of(record, job)), paper) for paper in ("a4", "letter")):
        pages = pages_of(pdf)
        assert "Report on your amplifier" in pages[0]
        assert "let air get to them." in pages[0]
        assert "more, in the workshop's sheet" in pages[0]
        assert pages[1].startswith("Job 1 workshop's sheet")


@needs_poppler
def test_letter_paper_is_letter_paper(tmp_path: Path) -> None:
    facts = poppler("pdfinfo", compile_pdf(of_job(data_of(*a_job(tmp_path))), "letter"))

    assert "612 x 792 pts (letter)" in facts


# ------------------------------------------------------------------ photographs and the shop's own


def photographed(folder: Path) -> tuple[Record, int]:
    """Attach a photograph that lies on its side and knows where it was taken, and one that is see-through."""
    record, job = a_job(folder)
    exif = Image.Exif()
    exif[0x0112] = 6  # to be turned by a quarter
    exif[0x010F] = "secret camera"
    Image.new("RGB", (3000, 2000), "#884422").save(folder / "side.jpg", exif=exif)
    Image.new("RGBA", (300, 200), (0, 0, 255, 40)).save(folder / "clear.png")
    record.attach(job, folder / "side.jpg", "socket V9 & <b>its</b> #neighbour")
    record.attach(job, folder / "clear.png", "")
    return record, job


def test_photographs_are_upright_small_and_tell_nothing_of_the_camera(tmp_path: Path) -> None:
    import io

    record, job = photographed(tmp_path)
    pictures = of_job(data_of(record, job)).pictures

    side = Image.open(io.BytesIO(pictures["photo-1.jpg"]))
    assert side.size == (933, 1400)
    assert not side.getexif()
    assert b"secret camera" not in pictures["photo-1.jpg"]
    pixel = Image.open(io.BytesIO(pictures["photo-2.jpg"])).convert("RGB").getpixel((150, 100))
    assert isinstance(pixel, tuple)
    assert abs(pixel[0] - 215) < 6  # a little blue on white


def test_a_photograph_whose_file_is_gone_is_said_and_stops_nothing(tmp_path: Path) -> None:
    record, job = photographed(tmp_path)
    for file in (tmp_path / "jobs.db-photos").iterdir():
        file.unlink()
    page = Seen(page_html(of_job(data_of(record, job)))).text

    assert "1. socket V9 & <b>its</b> #neighbour (its file can't be read)" in page


SHOP = """\
schema = "soakbench.shop/1"
name = "The Valve Workshop"
address = ["12 Example Street", "Exampletown"]
logo = "logo.svg"
"""
LOGO = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="60" height="20"><rect width="60" height="20" '
    'fill="#224488" fill-opacity="0.5"/></svg>'
)


@needs_preflight
@needs_poppler
def test_an_independent_validator_accepts_a_job_with_photographs_and_a_logo(tmp_path: Path) -> None:
    (tmp_path / "logo.svg").write_text(LOGO)
    (tmp_path / "shop.toml").write_text(SHOP)
    record, job = photographed(tmp_path)
    record.overrule(job, "pass", "It will do.")
    pdf = compile_pdf(of_job(data_of(record, job), shop.load(tmp_path / "shop.toml")))

    assert "is a valid PDF/A-1b file" in valid_pdf_a(pdf, tmp_path)
    assert pages_of(pdf)[0].startswith("The Valve Workshop 12 Example Street Exampletown")
    for line in poppler("pdffonts", pdf).splitlines()[2:]:
        assert "DejaVuSans" in line
        assert line.split()[-5] == "yes", f"not embedded: {line}"
    images = poppler("pdfimages", pdf, "-list").splitlines()[2:]
    assert len(images) == 3
    assert not any("smask" in line for line in images)
    assert b"/Lang" in pdf


def test_a_logo_may_be_png_and_its_path_counts_from_the_shops_file(tmp_path: Path) -> None:
    Image.new("RGBA", (4000, 1000), (0, 0, 0, 0)).save(tmp_path / "logo.png")
    (tmp_path / "shop.toml").write_text(SHOP.replace("logo.svg", "logo.png"))
    found = shop.load(tmp_path / "shop.toml")

    assert found.name == "The Valve Workshop"
    assert found.logo is not None
    (tmp_path / "made.png").write_bytes(found.logo)
    with Image.open(tmp_path / "made.png") as made:
        assert made.size == (900, 225)
        assert made.convert("RGB").getpixel((5, 5)) == (255, 255, 255)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("schema = ", "is no TOML"),
        ('schema = "soakbench.shop/2"\nname = "x"', "wrong at schema"),
        ('schema = "soakbench.shop/1"', "wrong at name"),
        ('schema = "soakbench.shop/1"\nname = "x"\ncolour = "red"', "wrong at colour"),
        ('schema = "soakbench.shop/1"\nname = "x"\naddress = [1]', "wrong at address.1"),
        ('schema = "soakbench.shop/1"\nname = "x"\nlogo = "none.png"', "the logo .*none.png can't be used"),
        ('schema = "soakbench.shop/1"\nname = "x"\nlogo = "shop.toml"', "the logo .*shop.toml can't be used"),
    ],
)
def test_a_shops_file_that_is_wrong_is_said_in_one_sentence(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "shop.toml").write_text(text)
    with pytest.raises(RequestError, match=said):
        shop.load(tmp_path / "shop.toml")
    with pytest.raises(RequestError, match="can't be read"):
        shop.load(tmp_path / "nowhere.toml")


# ------------------------------------------------------------------ the HTML


def test_the_page_points_to_nothing_outside_and_has_no_script(tmp_path: Path) -> None:
    record, job = photographed(tmp_path)
    page = page_html(of_job(data_of(record, job), Shop("The Valve Workshop", ("Exampletown",), _png())))
    seen = Seen(page)

    assert all(target.startswith(("#", "data:image/")) for target in seen.points_to)
    assert {"script", "iframe", "object", "link", "form", "base"}.isdisjoint(tag for tag, _ in seen.tags)
    assert not any("style" in attributes for _, attributes in seen.tags)
    assert not any(name.startswith("on") for _, attributes in seen.tags for name in attributes)
    assert not re.search(r"https?://(?!www\.w3\.org/)", page)
    names = [attributes["id"] for _, attributes in seen.tags if attributes.get("id")]
    assert len(names) == len(set(names))
    used = set(re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', page))
    assert used
    assert {name for pair in used for name in pair if name} <= set(names)
    alts = [attributes for tag, attributes in seen.tags if tag == "img"]
    assert len(alts) == 3
    assert all(attributes["alt"] for attributes in alts)
    drawn = [attributes for tag, attributes in seen.tags if tag == "svg"]
    assert [attributes["role"] for attributes in drawn] == ["img", "img"]
    assert all((attributes["aria-label"] or "").startswith("Chart over") for attributes in drawn)


def _png() -> bytes:
    import io

    out = io.BytesIO()
    Image.new("RGB", (60, 20), "#224488").save(out, "PNG")
    return out.getvalue()


def test_html_and_pdf_say_the_same_and_the_same_again(tmp_path: Path) -> None:
    record, job = a_job(tmp_path)
    report = of_job(data_of(record, job))
    again = of_job(data_of(record, job))

    assert page_html(report) == page_html(again)
    assert compile_pdf(report) == compile_pdf(again)
    text = Seen(page_html(report)).text
    assert "hum and noise ■ fail 4 ± 0.1 mV, at most 3 mV." in text
    assert "pair3 has been rising" in text or "has been rising 2.1 mA an hour" in text


def test_a_browser_shows_it_under_its_own_policy_at_360_and_1280_pixels(
    chromium: Browser, tmp_path: Path
) -> None:
    record, job = photographed(tmp_path)
    file = tmp_path / "report.html"
    write(Reader(record.path), job, file, clock=ManualClock(PRINTED))
    asked: list[str] = []
    said: list[str] = []
    for width in (360, 1280):
        page = chromium.new_page(viewport={"width": width, "height": 800})
        page.on("request", lambda request: asked.append(request.url.split(":")[0]))
        page.on("console", lambda message: said.append(message.text))
        page.goto(file.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.evaluate("[...document.images].every(one => one.naturalWidth > 0)")
        # the style sheet is in force: its hash is the policy's
        assert page.evaluate("getComputedStyle(document.querySelector('h2')).marginBottom") == "6px"
        assert page.locator("svg text").first.text_content()
        page.evaluate("getSelection().selectAllChildren(document.body)")
        copied = page.evaluate("getSelection().toString()")
        assert "Not to be used until it is mended" in copied
        assert "Current of each pair, mA" in copied
        page.close()
    assert set(asked) <= {"file", "data"}
    assert said == []


# ------------------------------------------------------------------ words from outside


@needs_poppler
def test_what_looks_like_markup_is_text_on_paper_and_on_the_page(tmp_path: Path) -> None:
    hostile = f"{HOSTILE} </style><script>alert(1)</script><img src=x onerror=alert(1)> {{{{ 7777*7 }}}} \"'&"
    record, job = a_job(tmp_path, text=hostile)
    record.overrule(job, "pass", hostile)
    report = of_job(data_of(record, job), Shop(hostile, (hostile,)))
    pdf, html = compile_pdf(report), page_html(report)

    seen = Seen(html)
    assert {"script", "b", "a"}.isdisjoint(tag for tag, _ in seen.tags)
    assert [tag for tag, _ in seen.tags].count("img") == 0
    assert seen.text.replace(" ", "").count(hostile.replace(" ", "")) > 20
    assert "54439" not in seen.text
    assert b"/URI" not in pdf
    assert text_of(pdf).replace(" ", "").count("<script>alert(1)</script>") > 20


@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.text(min_size=1, max_size=150))
def test_any_text_can_stand_in_a_job(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    data = _booked_in(tmp_path_factory)
    amp = replace(data.job.amp, name=text, notes=text)
    job = replace(data.job, amp=amp, complaint=text, customer=text, condition=text)
    report = of_job(replace(data, job=job), Shop(text, (text,)))

    assert compile_pdf(report).startswith(b"%PDF")
    assert {"script", "b"}.isdisjoint(tag for tag, _ in Seen(page_html(report)).tags)


def _booked_in(folders: pytest.TempPathFactory) -> JobData:
    record = Record(folders.mktemp("job") / "jobs.db", ManualClock(STARTED), "R. Example")
    return data_of(record, record.book_in(amp="x"))


# ------------------------------------------------------------------ from a store to a file


def test_each_ending_makes_its_own_kind_of_file(tmp_path: Path) -> None:
    record, job = a_job(tmp_path)
    reader, clock = Reader(record.path), ManualClock(PRINTED)
    for name, begins in (("r.pdf", b"%PDF"), ("r.html", b"<!DOCTYPE html>"), ("r.png", b"\x89PNG")):
        out = write(reader, job, tmp_path / name, clock=clock)
        assert out.read_bytes().lstrip().startswith(begins)
        with pytest.raises(FileExistsAlready):
            write(reader, job, tmp_path / name, clock=clock)
    with Image.open(tmp_path / "r.png") as chart:
        assert chart.width > 2000
        assert chart.text["Description"].startswith("Chart over")  # type: ignore[attr-defined]
    with pytest.raises(RequestError, match=r"name it r\.pdf, r\.html or r\.png"):
        write(reader, job, tmp_path / "r.doc", clock=clock)


@needs_poppler
def test_a_soak_without_a_job_has_a_customers_page_too(tmp_path: Path) -> None:
    (tmp_path / "soak.db").write_bytes(a_store())
    report = of_soak(gather_soak(Reader(tmp_path / "soak.db"), 1, ManualClock(PRINTED)))
    pages = pages_of(compile_pdf(report))

    assert pages[0].startswith("Report on your amplifier Theatre PA 240 W")
    assert CLOSING["conditional fail"] in pages[0]
    assert pages[1].startswith("Soak report workshop's page")
    text = Seen(page_html(report)).text
    assert "Soak report" in text
    assert "74.4 ± 0.8" in text


@needs_poppler
@pytest.mark.parametrize("statement", CLOSING)
def test_a_soak_that_did_not_pass_is_no_leave_to_use_the_amp(tmp_path: Path, statement: str | None) -> None:
    (tmp_path / "soak.db").write_bytes(a_store())
    data = gather_soak(Reader(tmp_path / "soak.db"), 1, ManualClock(PRINTED))
    judged = {**data.judged, "soak": {**data.judged["soak"], "verdict": statement}}

    for text in closing_of(of_soak(replace(data, judged=judged))):
        assert text.startswith(CLOSING[statement])
        passed = statement in ("pass", "conditional pass")
        assert ("before you switch on" in text) is passed


def test_the_command_says_what_it_can_not_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record, _ = a_job(tmp_path)
    out, db = str(tmp_path / "job.html"), str(record.path)
    assert soakbench.main(["report", "--job", "last", "--out", out, "--db", db]) == 0
    assert capsys.readouterr().out.split() == [out]
    for arguments, said in (
        (["report", "--out", out, "--db", db], "give one"),
        (["report", "last", "--job", "1", "--out", out, "--db", db], "give one"),
        (["report", "--job", "7", "--out", str(tmp_path / "no.pdf"), "--db", db], "job 7 does not exist"),
        (["report", "--job", "1", "--paper", "a5", "--out", out, "--db", db], "a4 or letter"),
        (
            ["report", "--job", "1", "--calibration", "none", "--out", out, "--db", db],
            "as they were measured",
        ),
        (["demo", "--job"], "--out"),
    ):
        assert soakbench.main(arguments) == 2
        assert said in capsys.readouterr().err


# ------------------------------------------------------------------ two visits of one amp


@needs_poppler
@pytest.mark.skipif(sys.platform == "win32", reason="the simulated DAQ needs a pseudo-terminal")
def test_the_demo_takes_one_amp_through_two_jobs_and_finds_what_has_aged(tmp_path: Path) -> None:
    # one test for all of it: four soaks are played once, through a real pseudo-terminal
    number = job_demo.play(
        tmp_path / "out",
        today=TODAY,
        warm_up_min=20.0,
        soak_min=31.0,
        scans_per_s=2.0,
        say=lambda _: None,
    )
    files = job_demo.Files(tmp_path / "out")
    left = sorted(path.name for path in files.folder.iterdir())
    assert left == ["chart.png", "jobs.db", "jobs.db-photos", "report.html", "report.pdf", "shop.toml"]
    reader = Reader(files.store)
    first, second = reader.job(1), reader.job(number)
    the_record_holds_what_was_done(first, second)
    the_comparison_says_which_valves_aged_and_that_no_pot_was_turned(reader, number)
    the_report_has_all_of_it(files)
    with pytest.raises(FileExistsAlready):
        job_demo.play(tmp_path / "out", today=TODAY, say=lambda _: None)


def the_record_holds_what_was_done(first: Any, second: Any) -> None:
    assert (first.state.value, second.state.value) == ("collected", "ready")
    assert second.received - first.received == job_demo.YEAR
    assert [soak.kind for soak in (*first.soaks, *second.soaks)] == ["as found", "as left"] * 2
    as_found, as_left = first.soaks[0::2] + second.soaks[0::2], first.soaks[1::2] + second.soaks[1::2]
    assert [soak.statement for soak in as_found] == [None, None]  # 5 minutes are no soak
    assert {soak.statement for soak in as_left} <= {"pass", "conditional pass"}
    assert all(item.result == "fine" for item in (*first.checklist, *second.checklist))
    sits = {one.socket: one.valve.label for one in second.fitted_now}
    assert sits["V5"] == "C-21"
    assert sits["V7"] == "B-11"
    assert sits["V3"] == "A-03"


def the_comparison_says_which_valves_aged_and_that_no_pot_was_turned(reader: Reader, number: int) -> None:
    """Held against the simulator's truth: pair2 lost 9 %, the bias stood still."""
    as_found, as_left = gather(reader, number, ManualClock(TODAY)).compared
    then = as_found.document["earlier"][0]
    pairs = {pair["name"]: pair for pair in then["pairs"]}
    lost_mA = 75.3 - 69.2  # the simulated amp at rest, before and after
    change = pairs["pair2"]["at_nominal_mains"]
    assert change["significant"]
    assert change["difference_mA"] == pytest.approx(-lost_mA, abs=change["expanded_uncertainty_mA"])
    assert pairs["pair2"]["cause"].startswith("its bias is as before")
    assert "the valves draw less" in pairs["pair2"]["cause"]
    assert not any(pair["bias"]["significant"] for pair in pairs.values())
    others = [pair["from_the_others"]["significant"] for name, pair in pairs.items() if name != "pair2"]
    assert others == [False, False, False]
    assert not as_left.document["earlier"][0]["pairs"][1]["at_nominal_mains"]["significant"]


def the_report_has_all_of_it(files: job_demo.Files) -> None:
    pdf, html = (path.read_bytes() for path in files.reports)
    pages = pages_of(pdf)
    assert pages[0].startswith("The Valve Workshop")
    assert "Result: Pass" in pages[0] or "Result: ▲ Pass, too close to call" in pages[0]
    assert "2 valves EL34: V5 (C-21), V6 (C-22)" in pages[0]
    whole = " ".join(pages)
    assert "As found (soak 3), over the visit before: soak 2, as left" in whole
    assert "pair2 (V5/V6) idles" in whole
    assert "Socket V5: contact 3 was loose" in whole
    assert "dry joint of the bias supply's capacitor soldered" in whole
    assert "nan" not in whole.lower().split()
    page = Seen(html.decode()).text
    for words in ("pair2 (V5/V6) idles", "Soak 3, as found", "Soak 4, as left", "seller's figures: 38.1 mA"):
        assert words in page
        assert words in whole
    photograph = base64.b64encode(b"\xff\xd8\xff").decode()[:4]
    assert html.count(f"data:image/jpeg;base64,{photograph}".encode()) == 2
    assert json.dumps(page)  # no lone surrogate got in
