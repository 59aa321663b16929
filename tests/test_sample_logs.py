"""The sample logs: what judge says of each is what is known of it."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import soakbench
from logger import setup
from logger.judge import judge_log

FOLDER = Path(__file__).resolve().parent.parent / "sample_logs"
NAMES = ("healthy", "drift", "runaway", "drop-out", "cheap-board")


def log_of(name: str) -> Path:
    (log,) = FOLDER.glob(f"{name}.csv*")
    return log


@cache
def judged(name: str) -> dict[str, Any]:
    """Return what judge says of a log, judged once."""
    return judge_log(log_of(name), setup.load(FOLDER / f"{name}.toml"))


@pytest.mark.parametrize("name", NAMES)
def test_judge_says_what_is_known_of_a_sample_log(name: str) -> None:
    expected = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    document = judged(name)
    assert document["soak"]["verdict"] == expected["verdict"]
    serious = [finding for finding in document["findings"] if finding["severity"] != "remark"]
    leading = [
        {"kind": finding["kind"], "channel": finding["channel"]}
        for finding in serious
        if finding["under"] is None
    ]
    assert leading == expected["leading_findings"]
    blamed = {finding["channel"] for finding in serious}
    assert blamed <= {finding["channel"] for finding in expected["leading_findings"]}


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_found_in_a_sample_log_before_its_onset(name: str) -> None:
    truth = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))["truth"]
    for finding in judged(name)["findings"]:
        if finding["severity"] != "remark":
            assert truth is not None
            assert finding["raised_s"] > truth["onset_s"]


@pytest.mark.parametrize("name", NAMES)
def test_each_sample_log_has_its_soak_judged_for_35_minutes_or_more(name: str) -> None:
    assert judged(name)["soak"]["judged_s"] >= 35 * 60


def test_the_cheap_boards_text_is_counted_and_its_first_line_named() -> None:
    lines = log_of("cheap-board").read_text(encoding="utf-8").splitlines()
    skipped = judged("cheap-board")["soak"]["lines_skipped"]
    assert skipped == {"count": 3, "first": lines.index("brown-out, restarting") + 1}


def test_what_a_log_has_no_channel_for_is_null_and_not_zero() -> None:
    document = judged("cheap-board")
    assert document["soak"]["conditions"] == {"mains_V": None, "ht_V": None, "ambient_C": None}
    for pair in document["channels"]:
        assert pair["dissipation_pct"] is None
        assert "dissipation" not in pair["statements"]


@pytest.mark.parametrize(("name", "code"), [("healthy", 0), ("drop-out", 1)])
def test_the_exit_code_says_whether_the_amplifier_passed(
    name: str, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    log, its_setup = str(log_of(name)), str(FOLDER / f"{name}.toml")
    assert soakbench.main(["judge", log, "--setup", its_setup]) == code
    said = capsys.readouterr()
    assert said.out.startswith("pass: " if code == 0 else "fail: ")
    assert "soakbench is no certified protective device" in " ".join(said.out.split())
    assert said.err == ""  # no progress where no terminal is


def test_a_log_that_holds_text_in_place_of_numbers_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "letter.csv"
    log.write_text("t_s,pair1 [mA],pair2 [mA],pair3 [mA],pair4 [mA]\nDear Sir,\nit hums.\n", encoding="utf-8")
    assert soakbench.main(["judge", str(log), "--setup", str(FOLDER / "cheap-board.toml")]) == 2
    said = capsys.readouterr().err
    assert "letter.csv" in said
    assert "Traceback" not in said
