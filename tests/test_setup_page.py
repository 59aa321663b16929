"""The Set-up page: what runs, files with their faults at their lines, saving that loses nothing."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
import test_dashboard
from dashboard_soak import RunningSoak, token_of
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from playwright.sync_api import Page
from test_dashboard import DESK, HOSTILE, PHONE, Visitor

from dashboard.access import HEADER
from dashboard.app import create_app
from dashboard.pages.setup import answers_of
from dashboard.setup_files import LONGEST, SetupFiles, look
from logger import check, new_setup
from logger.clock import ManualClock, SystemClock
from logger.errors import RequestError
from logger.setup import parse
from tests.store_case import setup_text

chromium, serving, visitor = test_dashboard.chromium, test_dashboard.serving, test_dashboard.visitor

TEXT = new_setup.text_of(new_setup.answers_from({"valve": "EL34", "ht_V": 455.0, "name": "Theatre PA 240 W"}))
CLOCK = ManualClock(datetime(2026, 3, 1, 9, 30, tzinfo=UTC))


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with one set-up among other files; the dashboard is started there."""
    (tmp_path / "bench1.toml").write_text(TEXT, encoding="utf-8")
    (tmp_path / "shop.toml").write_text('name = "no set-up"\n', encoding="utf-8")
    (tmp_path / "soak.txt").write_text(TEXT, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def files(folder: Path) -> SetupFiles:
    return SetupFiles(folder, CLOCK)


# ---- the files


def test_only_set_ups_of_that_folder_are_listed_and_read(files: SetupFiles, folder: Path) -> None:
    outside = folder.parent / "outside.toml"
    outside.write_text(TEXT, encoding="utf-8")
    (folder / "inside").mkdir()
    (folder / "inside" / "bench2.toml").write_text(TEXT, encoding="utf-8")
    if os.name == "posix":
        (folder / "link.toml").symlink_to(outside)
    assert files.names() == ["bench1.toml"]
    names = [
        "../outside.toml", "..\\outside.toml", "/etc/passwd", str(outside), "inside/bench2.toml", "link.toml",
        "bench1.toml\0", "", ".toml", ".hidden.toml", "soak.txt", "con.toml", "bench1.toml/",
        "x" * 90 + ".toml", "C:bench.toml", "bench1.toml\n",
    ]  # fmt: skip
    for name in names:
        with pytest.raises(RequestError):
            files.read(name)
        with pytest.raises(RequestError):
            files.save(name, TEXT, "")
    assert outside.read_text(encoding="utf-8") == TEXT
    assert sorted(path.name for path in folder.iterdir() if path.is_file() and not path.is_symlink()) == [
        "bench1.toml",
        "shop.toml",
        "soak.txt",
    ]


def test_what_is_saved_over_stays_beside_and_a_file_that_changed_is_left(
    files: SetupFiles, folder: Path
) -> None:
    held = files.read("bench1.toml")
    seen, copy = files.save("bench1.toml", TEXT + "# mine\n", held.seen)
    assert (folder / copy).read_text(encoding="utf-8") == TEXT
    assert copy == "bench1.toml-2026-03-01-093000"

    (folder / "bench1.toml").write_text("somebody else's", encoding="utf-8")
    with pytest.raises(RequestError, match="has changed since"):
        files.save("bench1.toml", TEXT, seen)
    with pytest.raises(RequestError, match="there is a file"):
        files.save("bench1.toml", TEXT, "")
    assert (folder / "bench1.toml").read_text(encoding="utf-8") == "somebody else's"

    (folder / "bench1.toml").unlink()
    with pytest.raises(RequestError, match="not there any more"):
        files.save("bench1.toml", TEXT, seen)
    assert files.save("bench 2.toml", TEXT, "")[1] == ""


def test_line_ends_stay_as_they_were_and_saving_the_same_changes_nothing(
    files: SetupFiles, folder: Path
) -> None:
    path = folder / "bench1.toml"
    path.write_bytes(TEXT.replace("\n", "\r\n").encode())
    before = path.stat().st_mtime_ns
    held = files.read("bench1.toml")
    assert files.save("bench1.toml", held.text.replace("\r\n", "\n"), held.seen) == (held.seen, "")
    assert path.stat().st_mtime_ns == before
    files.save("bench1.toml", held.text.replace("\r\n", "\n") + "# more\n", held.seen)
    assert path.read_bytes() == (TEXT + "# more\n").replace("\n", "\r\n").encode()


def test_a_text_that_is_too_long_or_can_not_be_written_is_refused(files: SetupFiles, folder: Path) -> None:
    for text in ("#" * (LONGEST + 1), "name = '\ud800'"):
        with pytest.raises(RequestError):
            files.save("new.toml", text, "")
    assert not (folder / "new.toml").exists()


WORDS = st.sampled_from(
    [*TEXT.split("\n"), "[amp]", "[[channel]]", "= =", "[", '"""', "x = nan", HOSTILE, "\x00"]
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(st.one_of(st.text(max_size=300), st.lists(WORDS, max_size=60).map("\n".join)))
def test_any_text_is_looked_over_or_has_its_faults_in_its_lines(text: str) -> None:
    found = look(text)
    many = len(text.split("\n"))
    assert found.faults or found.advice is not None
    assert all(fault.line is None or 1 <= fault.line <= many for fault in found.faults)


def test_a_text_without_fault_is_what_check_says_of_it() -> None:
    found = look(TEXT)
    assert (found.faults, found.advice) == ((), check.advise(parse(TEXT)))
    unwired = look(setup_text(2))
    assert unwired.live
    rows = setup_text(2).split("\n")
    assert [rows[(fault.line or 1) - 1] for fault in unwired.faults] == ["[[channel]]"] * 2


def test_answers_are_read_as_the_command_reads_them() -> None:
    known, wrong = answers_of({"valve": "EL34", "ht_V": "lots", "pairs": "0", "name": "", "others": "none"})
    assert known == {"valve": "EL34", "others": ()}
    assert sorted(wrong) == ["ht_V", "pairs"]
    assert answers_of({"valve": " ", "ht_V": None})[1].keys() == {"valve", "ht_V"}


def test_saving_and_looking_at_ports_is_for_our_own_pages_only(folder: Path) -> None:
    client = create_app(folder / "none.db", SystemClock()).server.test_client()
    body = {"name": "new.toml", "text": TEXT, "seen": ""}
    for address in ("/setup/save", "/setup/ports"):
        assert client.post(address, json=body, base_url="http://127.0.0.1").status_code == 403
    headers = {HEADER: token_of(client), "Origin": "http://127.0.0.1"}
    odd = client.post("/setup/save", json={"name": 1}, headers=headers, base_url="http://127.0.0.1")
    assert odd.status_code == 400
    long = {**body, "text": "x" * 10 * LONGEST}
    assert (
        client.post("/setup/save", json=long, headers=headers, base_url="http://127.0.0.1").status_code == 413
    )
    assert not (folder / "new.toml").exists()


# ---- in a browser


@pytest.fixture
def running(folder: Path) -> Iterator[RunningSoak]:
    soak = RunningSoak(folder / "soak.db")
    soak.go_on(60.0)
    yield soak
    soak.writer.close()


def _says(page: Page, text: str) -> None:
    page.wait_for_function(
        "(text) => document.getElementById('setup-says')?.textContent.includes(text)", arg=text
    )


def _type(page: Page, text: str) -> None:
    page.locator("#setup-text").fill(text)


def test_a_file_is_mended_at_its_faults_lines_and_saved(visitor: Visitor, folder: Path) -> None:
    page = visitor.open(folder / "none.db", SystemClock(), "/setup")
    page.get_by_role("link", name="bench1.toml").click()
    _says(page, "No fault")
    assert page.locator("#setup-text").input_value() == TEXT
    assert page.locator("#setup-lines div").count() == len(TEXT.split("\n"))

    wrong = TEXT.replace("sense_ohm = 1", "sense_ohm = -1", 1).replace("[bench]", "[bench]\nroom = 3")
    _type(page, wrong)
    _says(page, "2 faults")
    assert "2 faults" in page.title()
    rows = wrong.split("\n")
    for button, begins in zip(
        page.locator("#setup-says [data-line]").all(), ("room", "sense_ohm"), strict=True
    ):
        button.click()
        chosen = page.evaluate(
            "() => { const t = document.getElementById('setup-text');"
            " return t.value.slice(t.selectionStart, t.selectionEnd); }"
        )
        assert chosen.startswith(begins)
        assert chosen in rows
    assert page.locator("#setup-lines .wrong").count() == 2

    page.get_by_role("button", name="Save").click()
    page.wait_for_function("() => document.querySelector('.setup-saved').textContent.includes('2 faults')")
    assert (folder / "bench1.toml").read_text(encoding="utf-8") == wrong
    (copy,) = folder.glob("bench1.toml-*")
    assert copy.read_text(encoding="utf-8") == TEXT


def test_nothing_typed_is_lost_to_a_conflict_or_to_a_link(visitor: Visitor, folder: Path) -> None:
    page = visitor.open(folder / "none.db", SystemClock(), "/setup/bench1.toml")
    _says(page, "No fault")
    mine = f"# {HOSTILE}\n{TEXT}"
    _type(page, mine)
    _says(page, "No fault")
    page.wait_for_function("() => Object.keys(sessionStorage).some(key => key.includes('bench1.toml'))")
    (folder / "bench1.toml").write_text(f"# theirs\n{TEXT}", encoding="utf-8")

    page.get_by_role("link", name="Jobs").click()
    page.get_by_role("link", name="Set-up").click()
    page.get_by_role("link", name="bench1.toml").click()
    page.wait_for_function(
        "() => document.querySelector('.setup-saved')?.textContent.includes('is here again')"
    )
    assert page.locator("#setup-text").input_value() == mine

    page.get_by_role("button", name="Save").click()
    page.wait_for_function(
        "() => document.querySelector('.setup-saved').textContent.includes('has changed since')"
    )
    assert page.locator("#setup-text").input_value() == mine
    assert (folder / "bench1.toml").read_text(encoding="utf-8") == f"# theirs\n{TEXT}"
    page.locator("#setup-save-as").fill("mine.toml")
    page.get_by_role("button", name="Save").click()
    page.wait_for_function(
        "() => document.querySelector('.setup-saved').textContent.includes('Saved as mine')"
    )
    assert (folder / "mine.toml").read_text(encoding="utf-8") == mine
    assert page.evaluate("window.taken") is None


def test_a_new_set_up_is_written_from_answers_by_keyboard_alone(visitor: Visitor, folder: Path) -> None:
    page = visitor.open(folder / "none.db", SystemClock(), "/setup/new", PHONE)
    page.locator("#answer-name").focus()
    page.keyboard.type("Club PA")
    page.keyboard.press("Tab")
    page.keyboard.type("EL34")
    page.locator("#setup-write").press("Enter")
    page.wait_for_function(
        "() => document.getElementById('answer-ht_V-fault').textContent.includes('must be answered')"
    )
    page.locator("#answer-ht_V").focus()
    page.keyboard.type("455")
    page.locator("#setup-write").press("Enter")
    _says(page, "No fault")
    page.locator("#setup-text").focus()
    page.keyboard.press("Tab")  # not trapped
    assert page.evaluate("document.activeElement.id") == "setup-save-as"
    page.keyboard.press("Control+A")
    page.keyboard.type("club.toml")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_function(
        "() => document.querySelector('.setup-saved').textContent.includes('Saved as club')"
    )
    assert parse((folder / "club.toml").read_text(encoding="utf-8")).amp.name == "Club PA"
    wider = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(wider) <= 0


def test_the_set_up_in_use_is_shown_with_its_wiring_and_limits(
    visitor: Visitor, running: RunningSoak, folder: Path
) -> None:
    page = visitor.open(running.path, running.clock, "/setup", DESK)
    page.wait_for_selector("#setup-soak table.wiring")
    text = page.locator("#setup-soak").inner_text()
    for wire in check.advise(running.setup).wiring:
        assert wire.told("pin")[0] in text
    for said in ("runs with it", "Limits", "Calibrations of the board", "Checks before power"):
        assert said in text
    page.get_by_role("button", name="Look at the ports").click()
    page.wait_for_function("() => document.getElementById('setup-ports').textContent.length > 20")
    page.goto(page.url + "/..%2f..%2fetc%2fpasswd")
    page.get_by_text("It can't be opened").wait_for()
