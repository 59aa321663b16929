"""The whole job: simulated board, pseudo-terminal, daemon, store, report, export, and judge agreeing."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any, Literal

import pytest

from dashboard import demo
from logger import setup, tables
from logger.blocks import Mark
from logger.judge import judge_log, judge_soak
from logger.simulator.scenarios import NAMES, scenario
from logger.store.reader import Reader

pytestmark = pytest.mark.skipif(os.name == "nt", reason="the simulated DAQ needs a pseudo-terminal")

SAME_RAISED_S = 2.0
SEED = {"unsettled": 1}  # the demo's own
SOAK_MIN = {"drift": 60.0, "unsettled": 60.0}
SCANS_PER_S = {"cable-out": 10.0}
"""Others 4: what happens in them lasts seconds. The full soak below has the full rate too."""
FOUND = tuple(NAMES)[: tuple(NAMES).index("re-lock")]
"""Those whose kind some detector finds; the rest are played and judged, whatever is found in them."""
QUICK = ("drift", "drop-out")
"""With a slow and a sudden fault all parts are passed; test_scenarios finds the rest."""
WITHOUT_WARNING = ("healthy", "mains-change")


def play(name: str, out: Path) -> dict[str, Any]:
    """Play a scenario, shorter than the usual one, and return the verdict."""
    said: list[str] = []
    return demo.play(
        name,
        out,
        seed=SEED.get(name, 3),
        warm_up_min=20.0,
        soak_min=SOAK_MIN.get(name, 36.0),
        scans_per_s=SCANS_PER_S.get(name, 4.0),
        say=said.append,
    )


def named(finding: dict[str, Any]) -> tuple[str, str | None, str]:
    return finding["kind"], finding["channel"], finding["severity"]


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=[] if name in QUICK else [pytest.mark.nightly]) for name in FOUND],
)
def test_a_scenario_is_found_stored_exported_and_judged_alike(name: str, tmp_path: Path) -> None:
    # one test for all of it: a scenario is played once, through a real pseudo-terminal
    play(name, tmp_path / "out")
    files = demo.Files(tmp_path / "out")
    left = sorted(path.name for path in files.folder.iterdir())
    assert left == ["judge.json", "log.csv.gz", "report.pdf", "setup.toml", "soak.db"]
    live = json.loads(files.judge.read_text(encoding="utf-8"))
    the_finding_is_the_scenarios_truth_and_never_before_its_onset(name, live)
    judge_of_the_exported_log_says_what_the_daemon_said(files, live)
    the_store_holds_the_findings_and_replays_to_the_same_verdict(files, live)
    assert files.report.read_bytes().startswith(b"%PDF")
    checks = Reader(files.store).soak().checks
    assert checks is not None
    assert [one for one in checks if one["result"] != "fine"] == []
    assert len(checks) == 9


def the_finding_is_the_scenarios_truth_and_never_before_its_onset(name: str, live: dict[str, Any]) -> None:
    truth = scenario(name, SEED.get(name, 3), warm_up_min=20.0, soak_min=SOAK_MIN.get(name, 36.0)).truth
    found = live["findings"]
    serious = [finding for finding in found if finding["severity"] != "remark"]
    if name in WITHOUT_WARNING:
        assert serious == []
    if truth is None:
        return
    assert any(one["kind"] == truth.kind and one["channel"] in (truth.channel, None) for one in found), found
    assert all(one["raised_s"] >= truth.onset_s for one in serious)
    assert {one["channel"] for one in serious} <= {truth.channel, None}


def judge_of_the_exported_log_says_what_the_daemon_said(files: demo.Files, live: dict[str, Any]) -> None:
    again = judge_log(files.log, setup.load(files.setup))
    assert again["soak"]["verdict"] == live["soak"]["verdict"]
    assert again["soak"]["scans"] == live["soak"]["scans"]
    assert [named(one) for one in again["findings"]] == [named(one) for one in live["findings"]]
    for one, other in zip(live["findings"], again["findings"], strict=True):
        assert other["raised_s"] == pytest.approx(one["raised_s"], abs=SAME_RAISED_S)


def the_store_holds_the_findings_and_replays_to_the_same_verdict(
    files: demo.Files, live: dict[str, Any]
) -> None:
    reader = Reader(files.store)
    soak = reader.soak()
    assert soak.how == "finished"
    assert soak.verdict == live
    stored = [(finding.kind.value, finding.channel, finding.raised_s) for finding in reader.findings(soak.id)]
    assert stored == [(one["kind"], one["channel"], one["raised_s"]) for one in live["findings"]]
    replayed = judge_soak(reader, soak.id)
    assert replayed["findings"] == live["findings"]
    assert replayed["channels"] == live["channels"]


@pytest.mark.parametrize(
    ("link", "over"),
    [("csv", "pty"), ("scpi", "pty"), pytest.param("modbus", "socket", marks=pytest.mark.nightly)],
)
def test_a_demo_on_another_kind_of_board_finds_the_same(
    link: str, over: Literal["pty", "socket"], tmp_path: Path
) -> None:
    said: list[str] = []
    document = demo.play(
        "drop-out",
        tmp_path / "out",
        seed=3,
        warm_up_min=20.0,
        soak_min=36.0,
        link=link,
        over=over,
        say=said.append,
        scans_per_s=1.0,
    )
    files = demo.Files(tmp_path / "out")
    the_finding_is_the_scenarios_truth_and_never_before_its_onset("drop-out", document)
    judge_of_the_exported_log_says_what_the_daemon_said(files, document)
    the_store_holds_the_findings_and_replays_to_the_same_verdict(files, document)
    assert document["soak"]["scans"] + document["soak"]["scans_missing"] == pytest.approx(3390, abs=5)
    if link == "csv":
        assert any("prints 9 columns, separated by comma" in sentence for sentence in said)


@pytest.mark.parametrize("name", ["tap-test", pytest.param("signal-declared", marks=pytest.mark.nightly)])
def test_what_a_person_says_in_a_scenario_is_said_in_its_demo(name: str, tmp_path: Path) -> None:
    document = play(name, tmp_path / "out")
    files = demo.Files(tmp_path / "out")
    played = scenario(name, 3, warm_up_min=20.0, soak_min=36.0)
    kept = Reader(files.store).marks(1)
    assert [mark.text for mark in kept] == [mark.text for mark in played.marks]
    for mark, wanted in zip(kept, played.marks, strict=True):
        # with the last of 4 scans a second that is not later
        assert 0 <= wanted.t_us - mark.t_us < 250_000
    found = [(one["kind"], one["channel"]) for one in document["findings"]]
    if name == "signal-declared":
        on, off = (mark.t_us // 1_000_000 for mark in kept)
        states = [(one["state"], one["from_s"]) for one in document["soak"]["states"]]
        assert states[-2:] == [("under signal", on), ("soaking", off)]
        assert found == [], "what was declared is neither asked about nor blamed"
    else:
        assert found == [("intermittent", played.truth.channel if played.truth else None)]
    judge_of_the_exported_log_says_what_the_daemon_said(files, document)
    the_store_holds_the_findings_and_replays_to_the_same_verdict(files, document)
    shown = soakbench("soaks", "show", "--json", "-", "--db", files.store)
    listed = json.loads(subprocess.run(shown, capture_output=True, text=True, check=True).stdout)["marks"]
    assert listed == [{"t_s": mark.t_us / 1e6, "text": mark.text} for mark in kept]


def test_soaks_show_prints_marks_as_text_that_no_terminal_obeys() -> None:
    on = Mark(120_000_000, "signal on")
    lines = "".join(str(part) for part in tables.mark_lines([Mark(95_000_000, "fan \x1b[31mon [bold]"), on]))
    assert lines == "mark at 1 min 35 s: fan ?[31mon [bold]\nrequest at 2 min 00 s: signal on\n"
    late = "".join(str(part) for part in tables.mark_lines([Mark(95_000_000, "at 0:00:30: fan on")]))
    assert late == "mark at 30 s, made at 1 min 35 s: fan on\n"
    assert list(tables.mark_lines([])) == []


# ---- as a person starts it


def soakbench(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "soakbench", *map(str, arguments)]


# The full soak, 2 h 30 min at 10 scans/s, is that of the tutorial: tests/test_tutorial.py plays it once.


def a_second_demo_does_not_overwrite_the_first(out: Path) -> None:
    before = {path: path.read_bytes() for path in out.iterdir()}
    ran = subprocess.run(
        soakbench("demo", "healthy", "--headless", "--out", out), capture_output=True, text=True, check=False
    )
    assert ran.returncode == 2
    assert "--force" in ran.stderr
    assert {path: path.read_bytes() for path in out.iterdir()} == before


def soaks_report_and_export_work_on_what_a_demo_left(out: Path, folder: Path) -> None:
    db = str(out / "soak.db")

    def run(*arguments: object) -> subprocess.CompletedProcess[str]:
        command = soakbench(*arguments, "--db", db)
        return subprocess.run(command, capture_output=True, text=True, check=False, cwd=folder)

    listed = run("soaks", "--json", "-")
    assert [one["verdict"] for one in json.loads(listed.stdout)["soaks"]] == ["fail"]
    shown = run("soaks", "show", "last")
    assert "pair3" in shown.stdout
    assert run("soaks", "show", "7").returncode == 2
    exported = run("export", "1", "--out", "mine.csv.gz")
    assert exported.stdout.split() == ["mine.csv.gz", "mine.toml"]
    assert (folder / "mine.csv.gz").read_bytes() == (out / "log.csv.gz").read_bytes()
    assert (folder / "mine.toml").read_bytes() == (out / "setup.toml").read_bytes()
    assert run("export", "1", "--out", "mine.csv.gz").returncode == 2
    assert run("export", "1", "--out", "mine.xls").returncode == 2
    reported = run("report", "last", "--out", "mine.pdf")
    assert reported.stdout.split() == ["mine.pdf"]
    assert (folder / "mine.pdf").read_bytes().startswith(b"%PDF")
    assert run("report", "last", "--out", "mine.pdf").returncode == 2


@pytest.mark.timeout(120)
def test_ctrl_c_ends_daemon_board_and_dashboard_and_leaves_a_closed_soak(tmp_path: Path) -> None:
    out = tmp_path / "out"
    command = soakbench("demo", "healthy", "--no-browser", "--speed", 600, "--out", out)
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert running.stderr is not None
    address = port = ""
    for line in running.stderr:
        address = (re.findall(r"http://\S+", line) or [address])[0]
        port = (re.findall(r"answers on (\S+)", line) or [port])[0]
        if "has begun" in line:
            break
    with urllib.request.urlopen(address, timeout=30) as page:
        assert page.status == 200
    running.send_signal(signal.SIGINT)
    _, said = running.communicate(timeout=60)
    assert running.returncode == 1  # not judged: the soak step had not been seen for long enough
    assert "Traceback" not in said
    assert Reader(out / "soak.db").soak().how == "stopped"
    assert not Path(port).exists()
    commands = [path.read_bytes() for path in Path("/proc").glob("[0-9]*/cmdline") if path.exists()]
    assert not any(port.encode() in command for command in commands)


def test_a_demo_that_is_killed_leaves_no_board_behind(tmp_path: Path) -> None:
    command = soakbench("demo", "healthy", "--headless", "--out", tmp_path / "out")
    running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    assert running.stderr is not None
    port = ""
    for line in running.stderr:
        port = (re.findall(r"answers on (\S+)", line) or [port])[0]
        if port:
            break
    running.kill()
    running.wait()
    running.stderr.close()
    until = time.perf_counter() + 20
    while Path(port).exists() and time.perf_counter() < until:
        time.sleep(0.05)
    assert not Path(port).is_symlink()
