"""The job record as a person or a script meets it: the commands jobs and valves."""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from store_case import begin_with, idle_scans, setup_text

import soakbench
from logger.clock import ManualClock
from logger.simulator.scenarios import scenario
from logger.store.reader import Reader
from logger.store.writer import Writer

SUBCOMMANDS = (
    *(
        "new",
        "edit",
        "show",
        "list",
        "close",
        "fit",
        "take-out",
        "fuse",
        "check",
        "reading",
        "work",
        "remark",
    ),
    "history",
    *("photo", "soak", "plan", "overrule", "correct", "delete", "restore"),
)


@pytest.fixture(autouse=True)
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("SOAKBENCH_DB", str(tmp_path / "soak.db"))
    monkeypatch.setenv("SOAKBENCH_BY", "the workshop")
    monkeypatch.chdir(tmp_path)
    return tmp_path / "soak.db"


def do(*words: str) -> None:
    assert soakbench.main(list(words)) == 0


def refused(capsys: pytest.CaptureFixture[str], *words: str, code: int = 2) -> str:
    capsys.readouterr()
    assert soakbench.main(list(words)) == code
    said = capsys.readouterr().err
    assert "Traceback" not in said
    assert said.startswith("soakbench: ")
    return said


def document(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    capsys.readouterr()
    do(*words, "--json", "-")
    return json.loads(capsys.readouterr().out)


def book_in(*more: str) -> None:
    do("jobs", "new", "--amp", "Theatre PA 240 W", "--rated-w", "240", *more)


@pytest.mark.parametrize("command", SUBCOMMANDS)
def test_the_help_of_each_has_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    do("jobs", command, "--help")
    assert f"Example: soakbench jobs {command}" in " ".join(capsys.readouterr().out.split())


def test_the_help_of_jobs_names_them_all(capsys: pytest.CaptureFixture[str]) -> None:
    do("jobs", "--help")
    said = capsys.readouterr().out
    for command in SUBCOMMANDS:
        assert re.search(rf"^ +{command} ", said, flags=re.MULTILINE), command


def test_a_job_by_hand_from_booking_in_to_collected(
    capsys: pytest.CaptureFixture[str], store: Path, tmp_path: Path
) -> None:
    (tmp_path / "theatre.toml").write_text(
        setup_text(2).replace('name = "pair1"', 'name = "pair1"\nsockets = ["V1", "V2"]'), encoding="utf-8"
    )
    book_in("--complaint", "drops out", "--shows", "when knocked, hot", "--setup", "theatre.toml")
    said = capsys.readouterr()
    assert "job 1 is booked in" in said.out
    assert "proposed soak: warm-up 30 min, soak 240 min" in said.out
    assert "High tension kills" in said.err
    do("jobs", "fit", "1", "V1", "bag 3", "--type", "EL34", "--found")
    do("jobs", "fit", "1", "V1", "bag 12", "--type", "EL34", "--seller-ma", "38", "--why", "crackled")
    do("jobs", "fuse", "1", "mains", "--found", "T 6.3 A", "--marked", "T 5 A")
    do("jobs", "fuse", "1", "mains", "--fitted", "T 5 A")
    do("jobs", "reading", "1", "bias volts", "--read", "-38.5 V", "--place", "V1", "--as-found")
    do("jobs", "reading", "1", "output voltage", "--read", "30 ± 0.3 V", "--load", "8", "--tap", "4")
    do("jobs", "reading", "last", "grid leak", "--read", "220 kohm", "--valve", "EL34", "--sharing", "2")
    (tmp_path / "more.csv").write_text("quantity;value;unit\nHT;455,5;V\nmains voltage;231;V\n")
    do("jobs", "reading", "1", "--csv", "more.csv")
    do("jobs", "work", "1", "reservoirs", "--part", "100 uF", "--quantity", "2", "--minutes", "45")
    do("jobs", "remark", "1", "customer rang")
    picture = io.BytesIO()
    Image.new("L", (8, 6)).save(picture, "PNG")
    (tmp_path / "burnt.png").write_bytes(picture.getvalue())
    do("jobs", "photo", "1", "burnt.png", "--caption", "screen resistor")
    do("jobs", "edit", "1", "--state", "on the bench", "--customer", "order 118")
    job = Reader(store).job(1)
    earth = next(item for item in job.checklist if item.asks == "ohm")
    do("jobs", "check", "1", str(earth.id), "fine", "--read", "0.08")
    do("jobs", "correct", "reading", "1", "value=-38.6", "note=misread")
    do("jobs", "delete", "remark", "1")
    with Writer(store, ManualClock()) as writer:
        writer.begin_soak(**begin_with(2))
        writer.end_soak(ended=begin_with(2)["started"], how="stopped", verdict=None)
    do("jobs", "soak", "1", "last")
    do("jobs", "overrule", "1", "pass", "--by", "the head", "--reason", "soaked elsewhere")
    found = document(capsys, "jobs", "show", "1")
    assert found["schema"] == "soakbench.job/1"
    assert (found["state"], found["customer"], found["shows"]) == (
        "on the bench",
        "order 118",
        ["hot", "when knocked"],
    )
    assert [(v["socket"], v["valve"]["label"], v["removed"] is None) for v in found["valves"]] == [
        ("V1", "bag 3", False),
        ("V1", "bag 12", True),
    ]
    assert found["valves"][1]["valve"]["seller_mA"] == 38.0
    assert [(f["found"], f["marked"], f["fitted"]) for f in found["fuses"]] == [("T 6.3 A", "T 5 A", "T 5 A")]
    assert [(r["quantity"], r["value"], r["stage"]) for r in found["readings"]] == [
        ("bias volts", -38.6, "as found"),
        ("output voltage", 30.0, "as left"),
        ("grid leak", 220.0, "as left"),
        ("HT", 455.5, "as left"),
        ("mains voltage", 231.0, "as left"),
    ]
    assert found["readings"][1]["power_W"] == pytest.approx(112.5)
    assert found["readings"][1]["expected_share_of_rated"] == pytest.approx([0.5, 8 / 9])
    assert found["readings"][2]["most"] == 350.0
    assert found["remarks"] == []
    assert found["photographs"][0]["name"] == "burnt.png"
    assert found["proposed_plan"]["steps"][1] == {"step": "soak", "minutes": 240.0}
    assert (found["verdict"]["statement"], found["verdict"]["stands"]) == (None, "pass")
    assert any("grid leak of V2: at most 700 kohm" in item["what"] for item in found["checklist"])
    assert {"made_by", "was", "became", "field", "table"} <= set(found["history"][0])
    do("jobs", "edit", "1", "--state", "ready")
    do("jobs", "close", "1")
    assert document(capsys, "jobs")["jobs"] == []
    assert [job["job"] for job in document(capsys, "jobs", "list", "--all")["jobs"]] == [1]
    do("jobs", "show", "1", "--history")
    shown = capsys.readouterr().out
    for part in (
        "collected",
        "bag 12",
        "crackled",
        "220 kohm, at most 350 kohm",
        "the head said so",
        "misread",
    ):
        assert part in shown, part


def test_a_soak_that_a_crash_broke_off_is_judged_for_what_was_seen(
    capsys: pytest.CaptureFixture[str], store: Path
) -> None:
    book_in()
    with Writer(store, ManualClock()) as writer:
        writer.begin_soak(**begin_with(2), job_id=1)
        writer.add_scans(idle_scans(3000, 2))
    with Writer(store, ManualClock()) as writer:
        assert writer.close_broken_off() == [1]
    do("jobs", "fit", "1", "V5", "bag 3", "--at", "2026-03-01T09:00")
    found = document(capsys, "jobs", "show", "1")
    assert found["verdict"]["not_seen"][0] == "soak 1 was broken off after 5 min"
    assert any(part.startswith("pair1: ") for part in found["verdict"]["not_seen"])
    assert found["verdict"]["statement"] is None


def test_no_soak_begins_for_a_job_that_was_collected(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "theatre.toml").write_text(new_setup(), encoding="utf-8")
    book_in()
    do("jobs", "close", "1")
    assert "job 1 was collected: book the amp in again" in refused(
        capsys, "run", "theatre.toml", "--job", "1"
    )
    assert "job 7 does not exist" in refused(capsys, "run", "theatre.toml", "--job", "7")


def new_setup() -> str:
    return scenario("healthy").setup_text()


def test_valves_tell_where_they_sat(capsys: pytest.CaptureFixture[str]) -> None:
    book_in()
    do("jobs", "fit", "1", "V5", "bag 3", "--type", "EL34", "--found")
    do("jobs", "take-out", "1", "V5", "--why", "glass cracked")
    do("jobs", "fit", "1", "V5", "bag 4")
    (first, second) = document(capsys, "valves")["valves"]
    assert [(one["socket"], one["why_removed"]) for one in first["sat_in"]] == [("V5", "glass cracked")]
    assert second["sat_in"][0]["removed"] is None
    assert [one["label"] for one in document(capsys, "valves", "show", "bag 3")["valves"]] == ["bag 3"]
    do("valves", "show", "bag 3")
    assert "glass cracked" in capsys.readouterr().out
    assert "there is no valve 'bag 9'" in refused(capsys, "valves", "show", "bag 9")


def test_a_plan_goes_into_a_copy_of_a_set_up(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "theatre.toml").write_text(setup_text(2), encoding="utf-8")
    book_in("--shows", "loud")
    do("jobs", "plan", "1", "--setup", "theatre.toml", "--out", "job1.toml")
    assert 'step = "signal", minutes = 30' in (tmp_path / "job1.toml").read_text(encoding="utf-8")
    assert "exists already" in refused(
        capsys, "jobs", "plan", "1", "--setup", "theatre.toml", "--out", "job1.toml"
    )
    assert "needs both" in refused(capsys, "jobs", "plan", "1", "--out", "job2.toml")


def test_a_script_that_rests_on_an_old_version_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    book_in()
    version = document(capsys, "jobs", "show", "1")["version"]
    do("jobs", "edit", "1", "--complaint", "hums", "--by", "the apprentice")
    said = refused(capsys, "jobs", "edit", "1", "--complaint", "x", "--seen", str(version))
    assert "job 1 was changed by the apprentice" in said


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("jobs", "new"), 'name the amp: --amp "Theatre PA 240 W"'),
        (("jobs", "new", "--amp", "x", "--shows", "warm"), "can't show 'warm'"),
        (
            ("jobs", "new", "--amp", "x", "--checklist", "long"),
            "there is no checklist 'long': choose full, retube",
        ),
        (("jobs", "show", "first"), "'first' is no job"),
        (("jobs", "show", "7"), "job 7 does not exist: the store has the jobs 1"),
        (("jobs", "edit", "1"), "say what to change"),
        (("jobs", "edit", "1", "--state", "fixed"), "'fixed' is no state of a job"),
        (("jobs", "reading", "1"), "name the quantity and what was read"),
        (("jobs", "reading", "1", "HT", "--read", "x"), "'x' is no figure"),
        (("jobs", "reading", "1", "HT", "--read", "1 V", "--at", "noon"), "'noon' is no time"),
        (("jobs", "reading", "1", "HT", "--read", "1 V", "--valve", "EL34"), "the limit of a grid leak"),
        (("jobs", "reading", "1", "--csv", "no.csv"), "no.csv can't be read"),
        (("jobs", "check", "1", "999", "fine"), "job 1 has no item 999"),
        (("jobs", "check", "1", "1"), "say how it went"),
        (("jobs", "correct", "reading", "1", "value"), "'value' says no field"),
        (("jobs", "correct", "job", "1", "id=4"), "a job has nothing called 'id'"),
        (("jobs", "correct", "job", "1", "uuid=4"), "a job has nothing called 'uuid'"),
        (("jobs", "correct", "paint", "1", "id=4"), "'paint' is nothing of the record"),
        (("jobs", "delete", "remark", "9"), "there is no remark 9"),
        (("jobs", "overrule", "1", "pass", "--by", "me"), "'--reason'"),
        (("jobs", "overrule", "1", "pass", "--reason", "x"), "'--by'"),
        (("jobs", "photo", "1", "no.png"), "can't be read"),
    ],
)
def test_a_wrong_request_is_one_sentence(
    words: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    book_in()
    assert says in refused(capsys, *words)


def test_without_a_store_a_job_is_not_there(capsys: pytest.CaptureFixture[str], store: Path) -> None:
    for words in (("jobs",), ("jobs", "show", "1"), ("jobs", "remark", "1", "x"), ("valves",)):
        assert "store" in refused(capsys, *words, code=3)
    assert not store.exists()


@pytest.mark.skipif(os.name == "nt", reason="a terminal of ours is a pseudo-terminal")
def test_at_a_terminal_what_no_option_says_is_asked(store: Path) -> None:
    said = in_terminal(
        ["jobs", "new", "--serial", "0042"],
        ["Theatre PA 240 W", "", "hums, one side", "warm", "hot", "lid bent"],
    )
    assert "can't show 'warm'" in said
    job = Reader(store).job(1)
    assert (job.amp.name, job.amp.serial, job.customer) == ("Theatre PA 240 W", "0042", "")
    assert (job.complaint, job.shows, job.condition) == ("hums, one side", ("hot",), "lid bent")
    said = in_terminal(["jobs", "edit", "1"], ["ready", "on the bench", "order 118", "", "", ""])
    assert "from there it goes to" in said
    job = Reader(store).job(1)
    assert (job.state.value, job.customer, job.complaint) == ("on the bench", "order 118", "hums, one side")


@pytest.mark.skipif(os.name == "nt", reason="a terminal of ours is a pseudo-terminal")
def test_at_a_terminal_a_checklist_is_gone_through_item_by_item(store: Path, tmp_path: Path) -> None:
    (tmp_path / "ours.toml").write_text(
        '[[checklist]]\nname = "ours"\n'
        + "".join(
            f'[[checklist.item]]\nsection = "s"\nwhat = "{what}"\nasks = "{asks}"\ncaution = "One hand."\n'
            for what, asks in (("earth", "ohm"), ("lead", ""), ("fan", ""), ("hum", "mV"))
        ),
        encoding="utf-8",
    )
    book_in("--checklist", "ours.toml")
    said = in_terminal(
        ["jobs", "check", "1", "--ask"], ["fine", "0.08 far screw", "fault cracked sleeve", "none", ""]
    )
    assert "s: earth. One hand." in said
    assert '"earth" is fine only with what was read, in ohm' in said
    assert [(item.result, item.value, item.note) for item in Reader(store).job(1).checklist] == [
        ("fine", 0.08, "far screw"),
        ("fault", None, "cracked sleeve"),
        ("does not apply", None, ""),
        (None, None, ""),
    ]


def test_the_history_of_one_thing(capsys: pytest.CaptureFixture[str]) -> None:
    book_in()
    do("jobs", "fit", "1", "V5", "bag 3")
    do("jobs", "correct", "valve", "1", "type=EL34", "seller_mA=38")
    found = document(capsys, "jobs", "history", "valve", "1")["history"]
    assert {(one["field"], one["was"], one["became"]) for one in found} == {
        ("type", "", "EL34"),
        ("seller_a", None, 0.038),
    }
    do("jobs", "history", "valve", "1")
    assert "EL34" in capsys.readouterr().out
    do("jobs", "history", "valve", "7")
    assert "never edited, or is not there" in capsys.readouterr().err


def in_terminal(words: list[str], answers: list[str]) -> str:
    """Run a command with a pseudo-terminal for its input and messages; return all that it said there."""
    import pty

    ours, theirs = pty.openpty()
    running = subprocess.Popen(
        [sys.executable, "-m", "soakbench", *words], stdin=theirs, stderr=theirs, stdout=subprocess.PIPE
    )
    os.close(theirs)
    os.write(ours, "".join(f"{answer}\n" for answer in answers).encode())
    running.communicate(timeout=60)
    said = b""
    try:
        while part := os.read(ours, 65536):
            said += part
    except OSError:  # the other end is closed
        pass
    os.close(ours)
    assert running.returncode == 0, said.decode()
    return said.decode()
