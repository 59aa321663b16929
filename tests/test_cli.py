"""The front door and the commands, as a person or a script meets them."""

from __future__ import annotations

import io
import json
import math
import os
import re
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest
from rich.console import Console
from tiny_daq import TinyDaq, board

import soakbench
from logger import check as checking
from logger import setup, tables
from logger.cli import ring
from logger.clock import ManualClock
from logger.simulator.scenarios import scenario
from logger.store.reader import Reader
from logger.store.record import Record
from logger.store.writer import Writer

COMMANDS = [name for name, _, _ in soakbench.COMMANDS]


@pytest.fixture
def setup_file(tmp_path: Path) -> Path:
    path = tmp_path / "theatre.toml"
    path.write_text(scenario("healthy").setup_text(), encoding="utf-8")
    return path


def complaint(capsys: pytest.CaptureFixture[str]) -> str:
    """Return what was said on standard error, which is one sentence and no traceback."""
    said = capsys.readouterr().err
    assert "Traceback" not in said
    assert said.startswith("soakbench: ")
    assert said.count("\n") == 1, said
    return said


# ---- the front door


def test_the_top_help_lists_every_command_and_exit_code(capsys: pytest.CaptureFixture[str]) -> None:
    assert soakbench.main(["--help"]) == 0
    text = capsys.readouterr().out
    for name in COMMANDS:
        assert re.search(rf"^  {name} +\w", text, flags=re.MULTILINE)
    for code, line in soakbench.EXIT_CODES:
        assert f"  {code}  {line}" in text


def test_the_top_help_imports_nothing_slow() -> None:
    script = (
        "import sys, soakbench; soakbench.main(['--help'])\n"
        "slow = {'numpy', 'typer', 'rich', 'pydantic', 'dataclasses', 'logger'} & set(sys.modules)\n"
        "sys.exit(repr(slow) if slow else 0)"
    )
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr


@pytest.mark.parametrize("command", [[name] for name in COMMANDS] + [["soaks", "list"], ["soaks", "show"]])
def test_the_help_of_each_command_has_an_example(
    command: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert soakbench.main([*command, "--help"]) == 0
    assert f"Example: soakbench {command[0]}" in " ".join(capsys.readouterr().out.split())


def test_the_version_is_the_packages(capsys: pytest.CaptureFixture[str]) -> None:
    from importlib.metadata import version

    assert soakbench.main(["--version"]) == 0
    assert capsys.readouterr().out == f"soakbench {version('soakbench')}\n"


def test_an_unknown_command_names_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert soakbench.main(["jugde", "x.csv"]) == 2
    assert "the nearest is 'judge'" in complaint(capsys)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["judge"], "LOG"),
        (["judge", "a.csv"], "--setup"),
        (["check", "a.toml", "--jsno", "-"], "--jsno"),
        (["demo", "--seed", "many"], "'--seed'"),
        (["demo", "drfit", "--headless"], "there is no scenario 'drfit'"),
        (["demo", "--speed", "-1"], "--speed"),
        (["dash", "--port", "99999"], "'--port'"),
        (["report", "first", "--out", "x.pdf"], "'first' is no soak"),
        (["check", "not-there.toml"], "there is no set-up file not-there.toml"),
        (["run", "not-there.toml"], "there is no set-up file not-there.toml"),
        (["request"], "WHAT"),
        (["request", "signal-onn"], "it must be one of stop, mark, acknowledge, setting-bias, signal-on"),
        (["request", "stop", "--wait", "-1"], "--wait"),
        (["request", "mark"], "a mark needs a text"),
        (["request", "acknowledge", "all"], "acknowledge takes the number of a finding"),
        (["judge", "a.csv", "--setup", "not-there.toml"], "there is no set-up file not-there.toml"),
    ],
)
def test_a_wrong_request_is_one_sentence_and_exit_code_2(
    arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert soakbench.main(arguments) == 2
    assert says in complaint(capsys)


@pytest.mark.parametrize(
    "arguments",
    [
        ["soaks"],
        ["soaks", "show"],
        ["report", "last", "--out", "x.pdf"],
        ["export", "1", "--out", "x.csv"],
        ["request", "mark", "fan on"],
    ],
)
def test_a_store_that_is_not_there_is_exit_code_3_and_is_not_made(
    arguments: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    missing = tmp_path / "none.db"
    assert soakbench.main([*arguments, "--db", str(missing)]) == 3
    assert "there is no store" in complaint(capsys)
    assert list(tmp_path.iterdir()) == []


def test_a_port_that_is_not_there_is_exit_code_3(
    setup_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = setup_file.read_text(encoding="utf-8").replace('port = "auto"', 'port = "/dev/no-such-port"')
    setup_file.write_text(text, encoding="utf-8")
    assert soakbench.main(["run", str(setup_file), "--db", str(tmp_path / "soak.db")]) == 3
    said = capsys.readouterr().err
    assert "there is no port /dev/no-such-port" in said
    assert "Traceback" not in said


def test_a_fault_of_ours_is_exit_code_4_and_leaves_a_report(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "broken_command.py").write_text("raise ZeroDivisionError('on purpose')\n", encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr(soakbench, "COMMANDS", (("broken", "broken_command", "for this test"),))
    assert soakbench.main(["broken", "it"]) == 4
    said = complaint(capsys)
    assert "a fault in soakbench itself (ZeroDivisionError)" in said
    (report,) = tmp_path.glob("soakbench-fault-*.txt")
    assert str(report) in said
    text = report.read_text(encoding="utf-8")
    for part in ("ZeroDivisionError: on purpose", "Traceback", "command: broken it", "numpy ", "Python "):
        assert part in text


def test_a_reader_that_goes_away_is_no_fault(setup_file: Path) -> None:
    command = f'"{sys.executable}" -m soakbench check "{setup_file}" --json - | head -c 1'
    ran = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=False)
    assert ran.stdout == "{"
    assert "fault" not in ran.stderr
    assert "Traceback" not in ran.stderr
    assert "Broken" not in ran.stderr


# ---- check


def test_check_shows_wiring_limits_and_what_cannot_be_decided(
    setup_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert soakbench.main(["check", str(setup_file)]) == 0
    text = " ".join(capsys.readouterr().out.split())
    for part in (
        "pair1",
        "1 ohm ±1 %",
        "common practice, no source",
        "ILAC-G8:09/2019",
        "High tension kills",
    ):
        assert part in text


def test_the_wiring_table_gives_the_volts_that_ohms_law_gives(
    setup_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text, done = re.subn(r"primary_ohm = .*", "primary_ohm = 0", setup_file.read_text(encoding="utf-8"))
    assert done == 1
    setup_file.write_text(text, encoding="utf-8")
    assert soakbench.main(["check", str(setup_file), "--json", "-"]) == 0
    wiring = {row["channel"].split(" ")[0]: row for row in json.loads(capsys.readouterr().out)["wiring"]}
    r75 = 10_000 * math.exp(3950 * (1 / 348.15 - 1 / 298.15))
    # 65 % of 25 W at 455 V, two valves, and the middle of the sheet's screen share (0.1071 to 0.1297) on top
    assert wiring["pair1"]["expected_V"] == pytest.approx(2 * 0.65 * 25 / 455 / (1 - 0.1184), rel=1e-3)
    assert wiring["ht"]["expected_V"] == pytest.approx(455 * 4700 / 1_004_700, rel=1e-6)
    assert wiring["mains"]["expected_V"] == pytest.approx(2.3)
    assert wiring["chassis"]["expected_V"] == pytest.approx(3.3 / 2)  # at 25 degC as much as its pull-up
    assert wiring["chassis"]["at_limit_V"] == pytest.approx(3.3 * r75 / (r75 + 10_000))
    # trip_pct is 130 %, twice the aim of 65 %; without the primary's drop current goes with it, but for the
    # sense resistor's own
    assert wiring["pair1"]["at_limit_V"] == pytest.approx(2 * wiring["pair1"]["expected_V"], rel=1e-3)
    assert wiring["pair1"]["step"] == pytest.approx(0.256 / 32768)
    assert wiring["ht"]["full_scale_V"] == pytest.approx(4.096, rel=1e-4)
    assert (
        wiring["ht"]["reads_up_to"] == "705 V"
    )  # 3.3 x 1004.7 / 4.7: the converter's supply, not its ±4.096 V


def test_a_board_of_5_v_reads_to_the_end_of_its_range(setup_file: Path) -> None:
    text = setup_file.read_text(encoding="utf-8")
    board = setup.parse(text.replace("scans_per_s = 10", "scans_per_s = 10\nsupply_V = 5.0", 1))
    (ht,) = [wire for wire in checking.advise(board).wiring if wire.measures == "HT"]
    assert ht.reads_up_to == "876 V"  # 4.096 x 1004.7 / 4.7


def test_the_wiring_table_is_whole_on_a_terminal_of_80_columns(setup_file: Path) -> None:
    text = setup_file.read_text(encoding="utf-8").replace(
        'name = "ambient"', 'name = "workshop air by the door"'
    )
    page = io.StringIO()
    parts = tables.advice_parts(checking.advise(setup.parse(text)), checking.CAUTIONS)
    Console(file=page, width=80).print(*parts)
    shown = page.getvalue()
    assert "…" not in shown
    assert max(map(len, shown.splitlines())) <= 80
    (pair1,) = re.findall(r"pair1 .*", shown)
    assert " ".join(pair1.split()) == "pair1 0+ 1- 1 ohm ±1 % 82.2 mV 167.0 mV 0.256 V 256 mA 3.1 x"


@pytest.mark.parametrize(
    ("find", "put", "says"),
    [
        ("sense_ohm = 1.0", "sense_ohm = 100.0", "biases the valves itself"),
        ("sense_ohm = 1.0", "sense_ohm = 100.0", "over the full scale"),
        ("sense_ohm = 1.0", "sense_ohm = 2.0", "less than twice the aim"),
        ("sense_ohm = 1.0", "sense_ohm = 2.0", "smaller resistor: the converter's ±0.512 V range"),
        ("sense_ohm = 1.0", "sense_ohm = 10.0", "smaller resistor: the converter's ±2.048 V range"),
        ("[plan]", "[limits]\ntrip_pct = 260\n[plan]", "before trip_pct is reached at"),
        # ten bits over 5 V: 4.9 mV a step, 4.9 mA at 1 ohm
        (
            "sense_ohm = 1.0",
            "sense_ohm = 1.0\nfull_scale_V = 5.0\nstep_V = 0.0049",
            "one step of the converter",
        ),
        (
            "sense_ohm = 1.0",
            "sense_ohm = 0.02\nfull_scale_V = 2.048",
            "too coarse; choose the converter's ±0.256 V range",
        ),
        ("sense_ohm = 1.0", "sense_ohm = 0.02", "too coarse; choose a larger resistor or a finer converter"),
        # 455 V is 4.5 V there: a wider range doesn't help a pin that ends at the supply
        (
            "[1_000_000, 4_700]",
            "[1_000_000, 10_000]",
            "below the converter's supply of 3.3 V, which no pin may pass; choose a smaller lower resistor\n",
        ),
        ("4_700]", "4_700]\nfull_scale_V = 5.0\nstep_V = 0.02", "ht: one step of the converter is 4.3 V"),
        ('sensor = "ntc"', 'sensor = "ntc"\nfull_scale_V = 1.024', "chassis: 1.65 V, which it gives between"),
        (
            'connection = "pentode"',
            'connection = "triode"',
            "the anode may pass its own 25 W from 85 % on",  # 25 / (33 x (1 - 0.1071))
        ),
        ("primary_ohm = 40", "primary_ohm = 2000", "no current brings 65 % of 25 W at 455 V"),
        ("pin = [2, 3]", "pin = [0, 1]", "pin 0, 1 is used more than once"),
        ("pin = [0, 1]", "pin = 0", "one wire against the DAQ's ground"),
        ("scans_per_s = 10", "scans_per_s = 50", "carry hum"),
        ("minutes = 120", "minutes = 20", "under 30 nothing is judged"),
        ("minutes = 30", "minutes = 5", "less than 20 minutes of warm-up"),
        ('step = "soak"', 'step = "signal"', "no soak step"),
        ('measures = "HT"', 'measures = "voltage"', "no channel measures HT"),
        ('measures = "mains"', 'measures = "voltage"', "no channel measures mains"),
        (
            "[plan]",
            "[mqtt]\nhost = 'x'\nuser = 'b'\npassword_env = 'B'\ntls = false\n[plan]",
            "for all to read",
        ),
        ("[plan]", "[limits]\nwarn_pct = 120\n[plan]", "warn_pct 120 is not below fail_pct 100"),
        (
            "[plan]",
            "[limits]\npair_low_mA = 90\npair_high_mA = 80\n[plan]",
            "no current is inside the window",
        ),
        ('sockets = ["V3", "V4"]', 'sockets = ["V3"]', "1 sockets are named for 2 valves"),
        ('sockets = ["V3", "V4"]', 'sockets = ["V5", "V6"]', "socket V5, V6 is named more than once"),
    ],
)
def test_check_warns_of_what_is_odd(
    setup_file: Path, find: str, put: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    text = setup_file.read_text(encoding="utf-8")
    assert find in text
    setup_file.write_text(text.replace(find, put, 1), encoding="utf-8")
    assert soakbench.main(["check", str(setup_file)]) == 0
    assert says in capsys.readouterr().err


@pytest.mark.parametrize(
    ("find", "put", "says"),
    [
        ("sense_ohm = 1.0", "sense_ohm = 0", 'channel "pair1".sense_ohm'),
        ("nominal_ht_V = 455", "nominal_ht_V = 5000", "amp.nominal_ht_V"),
        ("[plan]", "[limtis]\n[plan]", "the nearest is limits"),
        ('measures = "HT"', 'measures = "HT volts"', 'channel "ht".measures'),
        ("pin = [0, 1]\n", "", 'channel "pair1".pin'),
        ("divider_ohm = ", "# ", 'channel "ht".divider_ohm'),
        ('sensor = "ntc"', "", 'channel "chassis".sensor'),
        ("[plan]", "plan", "expected TOML"),
    ],
)
def test_check_refuses_what_is_wrong(
    setup_file: Path, find: str, put: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    text = setup_file.read_text(encoding="utf-8")
    assert find in text
    setup_file.write_text(text.replace(find, put, 1), encoding="utf-8")
    assert soakbench.main(["check", str(setup_file)]) == 2
    said = capsys.readouterr().err
    assert says in said
    assert "Traceback" not in said


@pytest.mark.parametrize(
    ("tolerance", "says"),
    [("0.1", "can be decided"), ("2.0", "conditional passes are common"), ("5.0", "no pass exists")],
)
def test_check_says_which_limits_the_resistors_leave_undecided(
    setup_file: Path, tolerance: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    text = setup_file.read_text(encoding="utf-8").replace(
        "tolerance_pct = 1.0", f"tolerance_pct = {tolerance}"
    )
    setup_file.write_text(text, encoding="utf-8")
    assert soakbench.main(["check", str(setup_file), "--json", "-"]) == 0
    match = json.loads(capsys.readouterr().out)["decidable"][0]
    assert says in match["says"]


def test_json_is_not_written_over_a_file_without_force(
    setup_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine = tmp_path / "mine.json"
    mine.write_text("mine", encoding="utf-8")
    assert soakbench.main(["check", str(setup_file), "--json", str(mine)]) == 2
    assert "add --force" in capsys.readouterr().err
    assert mine.read_text(encoding="utf-8") == "mine"
    assert soakbench.main(["check", str(setup_file), "--json", str(mine), "--force"]) == 0
    assert json.loads(mine.read_text(encoding="utf-8"))["schema"] == "soakbench.check/1"


@pytest.mark.parametrize(("terminal", "rings"), [(True, "\a"), (False, "")])
def test_an_alarm_rings_only_where_there_is_a_terminal(
    terminal: bool, rings: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    heard = io.StringIO()
    monkeypatch.setattr(heard, "isatty", lambda: terminal)
    monkeypatch.setattr(sys, "stderr", heard)
    ring(None)
    assert heard.getvalue() == rings


# ---- run, with a store and a board


NOT_THE_DAEMONS = """
    dash dash_mantine_components plotly flask flask_compress werkzeug waitress jinja2 matplotlib PIL typst
    pandas polars duckdb pyarrow psycopg alembic mako apprise requests yaml aiomqtt paho pymodbus
    prometheus_client rich dashboard logger.simulator logger.score scipy.stats scipy.optimize
"""
"""What others need: a daemon at a board that speaks `lines`, without feeds, loads none of it."""
RUN = "import sys, soakbench; code = soakbench.main(sys.argv[1:]); print(*sys.modules); sys.exit(code)"


@pytest.mark.skipif(os.name == "nt", reason="the simulated DAQ needs a pseudo-terminal")
def test_run_records_until_it_is_told_to_stop_and_loads_nothing_that_it_does_not_use(
    setup_file: Path, tmp_path: Path
) -> None:
    port, db, messages = tmp_path / "port", tmp_path / "soak.db", tmp_path / "messages.txt"
    text = setup_file.read_text(encoding="utf-8").replace('port = "auto"', f'port = "{port}"')
    setup_file.write_text(text, encoding="utf-8")
    job = Record(db, ManualClock(), "the workshop").book_in(amp="Theatre PA 240 W")
    play = [sys.executable, "-m", "logger.simulator.terminal", "healthy", "--speed", "20", "--with-parent"]
    board = subprocess.Popen([*play, "--port-link", str(port)])
    command = [sys.executable, "-c", RUN, "run", str(setup_file), "--wait", "--db", str(db)]
    command += ["--job", str(job), "--as-found"]
    running = subprocess.Popen(
        [*command, "--log-file", str(messages)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    told_bias_volts = 0
    try:
        assert running.stderr is not None
        for line in running.stderr:
            if "has begun" in line:
                break
            told_bias_volts += "bias volts" in line
        second = subprocess.run(command, capture_output=True, text=True, check=False)
        assert second.returncode == 3
        assert "Traceback" not in second.stderr
        running.send_signal(signal.SIGTERM)
        out, said = running.communicate(timeout=60)
    finally:
        running.kill()
        board.terminate()
        board.wait()
    assert running.returncode == 0, said
    (loaded,) = out.splitlines()  # and nothing else is printed
    assert "logger.daemon" in loaded.split()
    assert set(NOT_THE_DAEMONS.split()) & set(loaded.split()) == set()
    assert "soak 1 has begun" in messages.read_text(encoding="utf-8")
    (soak,) = Reader(db).soaks()
    assert soak.how == "stopped"
    assert soak.scans > 0
    assert (soak.kind, soak.job_id) == ("as found", job)
    assert sum(step.minutes for step in soak.setup.plan.steps) == 20.0
    assert told_bias_volts == 1
    assert "job 1 has no bias volts as found yet" in said
    assert [(c.was, c.became) for c in Reader(db).job(job).history] == [
        ("received", "soaking"),
        ("soaking", "on the bench"),
    ]


@pytest.mark.skipif(os.name == "nt", reason="the simulated DAQ needs a pseudo-terminal")
def test_a_job_is_on_the_bench_again_where_the_board_breaks_its_soak_off(
    setup_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    port, db = tmp_path / "port", tmp_path / "soak.db"
    text = setup_file.read_text(encoding="utf-8").replace('port = "auto"', f'port = "{port}"')
    setup_file.write_text(text, encoding="utf-8")
    channels = len(setup.parse(text).channel)
    job = Record(db, ManualClock(), "the workshop").book_in(amp="Theatre PA 240 W")
    with TinyDaq(port, lambda sequence: [sequence % 3] * channels, daq=board(channels)) as daq:

        def refuse() -> None:
            while not Reader(db).soaks():
                time.sleep(0.05)
            daq.refuses = "worn-out"
            daq.reset()

        breaks = threading.Thread(target=refuse)
        breaks.start()
        code = soakbench.main(["run", str(setup_file), "--db", str(db), "--job", str(job), "--load", "none"])
        breaks.join()
    assert code == 3, capsys.readouterr().err
    assert [soak.how for soak in Reader(db).soaks()] == ["broken off"]
    assert Reader(db).job(job).state.value == "on the bench"


def test_a_store_of_a_later_soakbench_is_exit_code_3_and_left_alone(
    tmp_path: Path, setup_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    db = tmp_path / "soak.db"
    with Writer(db, ManualClock()):
        pass
    with closing(sqlite3.connect(db)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    before = db.read_bytes()
    for command in (
        ["soaks"],
        ["run", str(setup_file)],
        ["report", "last", "--out", str(tmp_path / "x.pdf")],
    ):
        assert soakbench.main([*command, "--db", str(db)]) == 3
        said = capsys.readouterr().err
        assert "Traceback" not in said
        assert "later soakbench" in said or "newer" in said
    assert db.read_bytes() == before
