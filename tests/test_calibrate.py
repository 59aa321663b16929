"""Calibration: the straight line against published fits, the whole way against boards with hidden errors."""

from __future__ import annotations

import csv
import json
import math
import os
import re
import threading
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from store_case import STARTED, a_calibration, begin_with, idle_scans

import soakbench
from benchmarks.calibration_coverage import calibrated, one_board
from logger import calibrate, calibration_session
from logger.blocks import NO_READING, DaqInfo, ScanBlock
from logger.calibrate import Point, Resistor, Script, Step, fit, straight_line
from logger.calibration_session import Done
from logger.clock import ManualClock, SystemClock
from logger.convert import Calibration, Converter
from logger.errors import RequestError
from logger.export import export_log
from logger.judge import judge_log, judge_soak
from logger.link.port import SerialLink
from logger.setup import Calibrated, parse
from logger.simulator.amplifier import PAIRS
from logger.simulator.calibration_bench import Applied, CalibrationBench
from logger.simulator.scenarios import scenario
from logger.simulator.terminal import Terminal
from logger.store.reader import Reader
from logger.store.writer import Writer

DATA = Path(__file__).parent / "data"
ON = date(2026, 3, 1)
needs_terminal = pytest.mark.skipif(os.name == "nt", reason="the simulated DAQ needs a pseudo-terminal")


def columns(name: str) -> dict[str, np.ndarray]:
    lines = [line for line in (DATA / name).read_text().splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


# ---- the line


def test_the_line_is_that_of_nist_strd_norris() -> None:
    # NIST/ITL StRD Norris.dat, certified values; the covariance from GSL's linear-fit test (Octave)
    data = columns("nist_strd_norris.csv")
    line = straight_line(data["x"], data["y"])
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.u_slope == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert line.covariance == pytest.approx(-7.74327536339570e-05, rel=1e-9)
    assert line.dof == 34


def test_stated_uncertainties_give_norris_too() -> None:
    data = columns("nist_strd_norris.csv")
    line = straight_line(data["x"], data["y"], np.full(36, 0.884796396144373))
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.chi2 == pytest.approx(34.0, rel=1e-9)


def test_the_line_is_that_of_the_gums_thermometer() -> None:
    # JCGM 100:2008 (GUM), annex H.3, printed digits; t0 = 20 degC
    data = columns("gum_h3_thermometer.csv")
    line = straight_line(data["t_k_degC"] - 20.0, data["b_k_degC"])
    assert f"{line.intercept:.4f} {line.u_intercept:.4f}" == "-0.1712 0.0029"
    assert f"{line.slope:.5f} {line.u_slope:.5f}" == "0.00218 0.00067"
    assert f"{line.covariance / line.u_intercept / line.u_slope:.3f}" == "-0.930"
    assert f"{line.residual_sd:.4f}" == "0.0035"
    assert f"{line.intercept + 10.0 * line.slope:.4f} {line.u_at(10.0):.4f}" == "-0.1494 0.0041"


@given(
    st.floats(-5.0, 5.0),
    st.floats(0.5, 2.0),
    st.lists(st.floats(0.01, 1.0), min_size=3, max_size=8),
    st.floats(1e-4, 1e-2),
)
def test_a_shared_error_is_propagated_as_one(a: float, b: float, sizes: list[float], part: float) -> None:
    """A reference wrong by a part moves the slope by that part, however many points it gave."""
    x = np.concatenate([[0.0], np.cumsum(sizes)])
    y = a + b * x
    shared = part * (y - a)
    line = straight_line(x, y, np.full(len(x), 1e-4), shared)
    assert (line.intercept, line.slope) == (pytest.approx(a, abs=1e-8), pytest.approx(b, abs=1e-8))
    assert abs(line.shared_slope) == pytest.approx(part * b, rel=1e-6)
    assert line.shared_intercept == pytest.approx(0.0, abs=1e-9)
    alone = straight_line(x, y, np.full(len(x), 1e-4))
    assert line.u_slope == pytest.approx(math.hypot(alone.u_slope, part * b), rel=1e-6)


def test_two_points_at_one_place_are_no_line() -> None:
    with pytest.raises(ValueError, match="two points"):
        straight_line(np.ones(3), np.arange(3.0))


# ---- what a channel's points come to

BOARD = scenario("healthy", 4).info
SETUP = parse(scenario("healthy", 4).setup_text())
STEP_V = BOARD.volts_per_count[0]


def point(what: calibrate.What, channel: str, value: float, reads: float, u: float = 0.0) -> Point:
    """Return a point at which a channel read `reads`, uncalibrated, without noise worth a word."""
    column = SETUP.index(channel)
    counts = Converter(SETUP, BOARD, Calibration()).counts(column, np.array([reads]))[0]
    return Point(what, channel, value, u, float(counts), 1e-3)


def of(found: calibrate.Fitted, channel: str = "pair1") -> Calibrated:
    return found.channels[channel]


def test_volts_and_the_resistor_make_gain_and_offset() -> None:
    # the converter reads 0.2 % high and 20 uV too much, the resistor has 1.01 ohm
    points = [point("short", "pair1", 0.0, 2e-5), point("volts", "pair1", 0.1, 0.1002 + 2e-5, 2e-5)]
    found = of(fit(SETUP, BOARD, points, [Resistor("pair1", 1.01, 0.002)], ON))
    true_a = 0.0763
    reads = true_a * 1.01 * 1.002 + 2e-5
    assert found.gain * reads + found.offset == pytest.approx(true_a, rel=1e-9)
    assert found.covers == ["gain", "offset", "parts"]
    assert found.u_gain == pytest.approx(found.gain * math.hypot(2e-5 / 0.1, 0.002 / 1.01), rel=1e-3)
    assert abs(found.shared_gain) == pytest.approx(2e-4 / 1.002 / 1.01, rel=1e-3)
    assert (found.sense_ohm, found.u_sense_ohm) == (1.01, 0.002)
    assert found.date == ON


def test_a_known_current_covers_converter_and_resistor_together() -> None:
    points = [point("short", "pair1", 0.0, 0.0), point("current", "pair1", 0.08, 0.082, 4e-5)]
    found = of(fit(SETUP, BOARD, points, [], ON))
    assert found.gain == pytest.approx(0.08 / 0.082)
    assert found.covers == ["gain", "offset", "parts"]


def test_what_was_not_compared_stays_in_the_budget() -> None:
    shorted = of(fit(SETUP, BOARD, [point("short", "pair1", 0.0, 3e-5)], [], ON))
    assert (shorted.gain, shorted.covers) == (1.0, ["offset"])
    assert shorted.offset == pytest.approx(-3e-5)
    measured = of(fit(SETUP, BOARD, [], [Resistor("pair1", 0.99, 0.001)], ON))
    assert (measured.offset, measured.covers) == (0.0, ["parts"])
    assert measured.gain == pytest.approx(1 / 0.99)
    volts = of(fit(SETUP, BOARD, [point("volts", "pair1", 0.1, 0.1002, 1e-5)], [], ON))
    assert volts.covers == ["gain", "offset"]
    assert volts.u_offset == pytest.approx(
        4.0 / math.sqrt(3.0) * STEP_V, rel=0.05
    )  # no short: its usual size


def test_one_temperature_moves_the_offset_and_two_the_gain_too() -> None:
    one = of(fit(SETUP, BOARD, [point("meter", "chassis", 23.0, 23.4, 0.1)], [], ON), "chassis")
    assert (one.gain, one.covers) == (1.0, ["offset"])
    assert (one.offset, one.u_offset) == (pytest.approx(-0.4), pytest.approx(0.1, rel=0.01))
    points = [point("meter", "chassis", 23.0, 23.4, 0.1), point("meter", "chassis", 60.0, 60.9, 0.1)]
    two = of(fit(SETUP, BOARD, points, [], ON), "chassis")
    assert two.covers == ["gain", "offset", "parts"]
    assert two.gain * 60.9 + two.offset == pytest.approx(60.0)


def test_points_that_contradict_each_other_widen_the_uncertainty_and_are_named() -> None:
    good = [point("short", "pair1", 0.0, 0.0), point("volts", "pair1", 0.1, 0.1, 1e-6)]
    quiet = fit(SETUP, BOARD, [*good, point("volts", "pair1", 0.05, 0.05, 5e-7)], [], ON)
    assert quiet.odd == []
    loud = fit(SETUP, BOARD, [*good, point("volts", "pair1", 0.05, 0.0501, 5e-7)], [], ON)
    assert len(loud.odd) >= 1
    assert "pair1's points lie" in loud.odd[0]
    assert of(loud).u_gain > 20 * of(quiet).u_gain


def test_a_wrong_unit_or_a_wrong_resistor_is_called_odd() -> None:
    points = [point("short", "pair1", 0.0, 0.0), point("volts", "pair1", 1e-4, 0.1, 1e-8)]
    assert "check unit, divider and wiring" in fit(SETUP, BOARD, points, [], ON).odd[0]
    far = fit(SETUP, BOARD, [], [Resistor("pair1", 1.2, 0.001)], ON)
    assert "pair1's resistor measures 1.2 ohm" in far.odd[0]


@pytest.mark.parametrize(
    ("points", "resistors", "says"),
    [
        ([point("current", "pair1", 0.08, 0.08)], [Resistor("pair1", 1.0, 0.001)], "one or the other"),
        ([point("current", "ht", 1.0, 1.0)], [], "measures no current"),
        ([point("short", "chassis", 0.0, 23.0)], [], "sensor with a curve"),
        ([], [Resistor("ht", 1.0, 0.1)], "no sense resistor"),
        ([Point("short", "pair1", 0.0, 0.0, math.nan, math.nan)], [], "no usable reading"),
        ([Point("short", "pair9", 0.0, 0.0, 1.0, 0.1)], [], "no channel 'pair9'"),
    ],
)
def test_what_contradicts_itself_is_refused(
    points: list[Point], resistors: list[Resistor], says: str
) -> None:
    with pytest.raises(RequestError, match=says):
        fit(SETUP, BOARD, points, resistors, ON)


def test_a_stretch_of_scans_says_its_mean_and_how_sure_that_is() -> None:
    rng = np.random.default_rng(5)
    n = 400
    counts = np.rint(np.column_stack([rng.normal(100, 3, n), np.full(n, 7), np.full(n, 32767)]))
    counts = np.column_stack([counts, np.full(n, NO_READING)]).astype(np.int32)
    block = ScanBlock(np.arange(n) * 100_000, np.arange(n), counts)
    found = calibrate.seen(block, DaqInfo("b", 1, (1e-5,) * 4, (32767,) * 4))
    assert found.mean[0] == pytest.approx(100, abs=0.6)
    assert found.u[0] == pytest.approx(3 / math.sqrt(n), rel=0.6)
    assert (found.mean[1], found.u[1]) == (7.0, pytest.approx(1 / math.sqrt(12)))
    assert np.isnan(found.mean[2:]).all()


def test_slow_noise_is_in_the_means_uncertainty() -> None:
    n = 400
    swing = np.rint(1000 + 50 * np.sin(2 * np.pi * 0.7 * np.arange(n) / n)).astype(np.int32)
    block = ScanBlock(np.arange(n) * 100_000, np.arange(n), swing[:, None])
    found = calibrate.seen(block, DaqInfo("b", 1, (1e-5,), (32767,)))
    assert found.u[0] > 3 * swing.std() / math.sqrt(n)


# ---- which is in force, and how old it is


def test_the_report_says_how_old_a_calibration_is_and_what_it_leaves_out() -> None:
    at = datetime(2026, 3, 1, tzinfo=UTC)
    assert calibrate.standing(SETUP, None, at)[0].startswith("Calibration: none.")
    found = Calibrated(date=date(2025, 2, 1))
    says = calibrate.standing(SETUP, Calibration({"pair1": found}, id=7), at)
    assert says[0] == "Calibration 7: 2025-02-01 (pair1)."
    assert says[1].startswith("Not calibrated, so by tolerances alone: pair2, pair3")
    assert "13 months old when this soak began, over a year" in says[2]
    fresh = Calibration({name: Calibrated(date=date(2026, 2, 1)) for name in SETUP.names}, id=8)
    assert len(calibrate.standing(SETUP, fresh, at)) == 1


# ---- scripts

SCRIPT = """
schema = "soakbench.calibrate/1"
by = "the workshop"
seconds = 10
[[step]]
what = "short"
channels = ["pair1", "pair2"]
[[step]]
what = "volts"
channels = ["pair1", "pair2"]
value = "100.02 mV"
U = "0.02 mV"
[[step]]
what = "resistor"
channels = ["pair1"]
value = "1.0042 ohm"
limit = "0.5 mohm"
[[step]]
what = "meter"
channels = ["ht"]
value = "452.1 V"
U = "0.9 V"
"""


def test_a_script_says_what_is_connected_and_what_the_reference_says() -> None:
    script = calibrate.read_script(SCRIPT, SETUP)
    short, volts, resistor, meter = script.steps
    assert (script.by, script.seconds) == ("the workshop", 10.0)
    assert (short.what, short.value, short.u) == ("short", 0.0, calibrate.SHORT_U_V)
    assert (volts.value, volts.u) == (pytest.approx(0.10002), pytest.approx(1e-5))
    assert (resistor.value, resistor.u) == (pytest.approx(1.0042), pytest.approx(5e-4 / math.sqrt(3)))
    assert (meter.value, meter.u, meter.measures) == (452.1, 0.45, True)
    assert not resistor.measures


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("soakbench.calibrate/1", "other/1"), "schema is 'other/1'"),
        (("seconds = 10", "seconds = 1"), "5 to 3600"),
        (('what = "volts"', 'what = "amps"'), "step 2: what is one of"),
        (('"pair1", "pair2"]\nvalue', '"pair7"]\nvalue'), "step 2: there is no channel 'pair7'"),
        (('"100.02 mV"', '"100.02 mA"'), "step 2: '100.02 mA' is no value"),
        (('"100.02 mV"', '"0 mV"'), "volts of 0 says nothing"),
        (('U = "0.02 mV"', ""), "a value and its U"),
        (('U = "0.02 mV"', 'U = "-1 mV"'), "not negative"),
        (('"1.0042 ohm"', '"-1 ohm"'), "no resistor has -1 ohm"),
        (('channels = ["ht"]', 'channels = ["ht", "chassis"]'), "different units"),
        (('by = "the workshop"', "who = 1"), "unknown key 'who'"),
        (('by = "the workshop"', "by = 1"), "by is text"),
        (("[[step]]", "[[step"), "no TOML"),
    ],
)
def test_what_is_wrong_with_a_script_is_said_with_its_step(change: tuple[str, str], says: str) -> None:
    with pytest.raises(RequestError, match=re.escape(says)):
        calibrate.read_script(SCRIPT.replace(*change), SETUP)


@given(st.text(max_size=40))
def test_any_answer_is_read_or_refused(text: str) -> None:
    try:
        value, u = calibrate.reading(text, "V")
    except RequestError:
        return
    assert math.isfinite(value)
    assert u >= 0.0


@given(st.floats(-500, 500), st.floats(0, 5))
def test_an_answer_comes_back_as_it_was_written(value: float, u: float) -> None:
    text = f"{value:.6f} mV U {u:.6f} mV"
    assert calibrate.reading(text, "V") == (
        pytest.approx(value / 1e3, abs=1e-9),
        pytest.approx(u / 2e3, abs=1e-9),
    )


def test_the_guided_sequence_has_a_step_for_every_channel_and_says_what_is_dangerous() -> None:
    steps = calibrate.sequence(SETUP)
    assert {name for step in steps for name in step.channels} == set(SETUP.names)
    for step in steps:
        says = calibrate.guidance(step, SETUP)
        assert step.channels[0] in says
        assert "power OFF" in says or "Amp off" in says
    assert "series resistors in place" in calibrate.guidance(steps[0], SETUP)
    assert any("series resistor in place" in caution for caution in calibrate.CAUTIONS)


# ---- a bench over a real pseudo-terminal


def session(bench: CalibrationBench, port: Path, script: Script, **options: Any) -> tuple[Done, list[str]]:
    setup, said = parse(bench.setup_text()), []
    terminal = Terminal(bench, port, speed=0.0)
    thread = threading.Thread(target=terminal.run)
    thread.start()
    try:
        while not port.exists():
            SystemClock().sleep(0.005)
        done = calibration_session.run(
            setup,
            script,
            lambda: SerialLink(str(port), channels=8, scans_per_s=10, speed=0.0),
            say=said.append,
            clock=ManualClock(datetime(2026, 3, 1, tzinfo=UTC)),
            **{"ask": None, **options},
        )
    finally:
        terminal.stop()
        thread.join()
    return done, said


def true_gain(bench: CalibrationBench) -> np.ndarray:
    """What each pair's reading is to be multiplied by, which only the simulator knows."""
    return 1.0 / (bench.daq.sense * bench.daq.gain[:PAIRS])


@needs_terminal
def test_a_simulated_board_is_calibrated_over_the_line(tmp_path: Path) -> None:
    bench = CalibrationBench(6)
    script = calibrate.read_script(bench.script_text(seconds=10), SETUP)
    done, said = session(bench, tmp_path / "daq", script)
    assert done.odd == []
    assert sum("step " in text for text in said) == len(script.steps)
    assert done.daq == bench.info
    made = done.calibration
    assert (made.board_id, made.by) == ("sim-0006", "the simulated workshop")
    assert made.made == datetime(2026, 3, 1, tzinfo=UTC)
    assert set(made.channels) == set(SETUP.names)
    for pair, true in enumerate(true_gain(bench).tolist()):
        found = made.channels[f"pair{pair + 1}"]
        assert abs(found.gain - true) < 4 * found.u_gain
        assert abs(found.gain - true) < 0.003
        true_offset = -bench.daq.offset_counts[pair] * STEP_V * true
        assert abs(found.offset - true_offset) < 4 * found.u_offset


@needs_terminal
def test_a_person_is_asked_asked_again_and_may_skip(tmp_path: Path) -> None:
    bench = CalibrationBench(6)
    volts = bench.steps[1]
    answers = [
        "",  # the short is in place
        "a lot",
        f"{1000 * volts.reads:.6f} mV U {1000 * volts.U:.6f} mV",
        "",  # no second reference
        f"{bench.resistors[0]:.6f} ohm U 0.001 ohm",
        "skip",
    ]
    asked: list[str] = []

    def ask(question: str) -> str:
        asked.append(question)
        return answers[len(asked) - 1]

    pairs = tuple(f"pair{i}" for i in range(1, 5))
    steps = (
        Step("short", pairs, 0.0, 1e-6),
        Step("volts", pairs),
        Step("volts", pairs),
        Step("resistor", ("pair1",)),
        Step("resistor", ("pair2",)),
    )
    done, said = session(bench, tmp_path / "daq", Script(steps, seconds=5.0), ask=ask)
    assert len(asked) == len(answers)
    assert any("'a lot' says no value" in text for text in said)
    assert said.count("skipped") == 2
    made = done.calibration.channels
    assert made["pair1"].covers == ["gain", "offset", "parts"]
    assert made["pair2"].covers == ["gain", "offset"]
    assert abs(made["pair1"].gain - true_gain(bench)[0]) < 4 * made["pair1"].u_gain


@needs_terminal
def test_a_script_that_asks_too_much_of_a_channel_stops_at_that_step(tmp_path: Path) -> None:
    bench = CalibrationBench(6)
    bench.steps = (replace(bench.steps[1], volts=np.full(8, 9.0)),)
    script = Script((Step("volts", ("pair1",), 9.0, 0.1),), seconds=5.0)
    with pytest.raises(RequestError, match="step 1: pair1 gave no usable reading"):
        session(bench, tmp_path / "daq", script)
    with pytest.raises(RequestError, match="nobody to ask"):
        session(bench, tmp_path / "daq2", Script((Step("volts", ("pair1",)),)))


# ---- from the command line


def run_cli(*arguments: object) -> int:
    return soakbench.main([str(argument) for argument in arguments])


@needs_terminal
def test_a_simulated_calibration_ends_in_the_store_and_is_listed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    db = tmp_path / "soak.db"
    assert run_cli("calibrate", "--simulated", 4, "--db", db, "--json", "-", "--by", "me") == 0
    out, err = capsys.readouterr()
    made = json.loads(out)
    assert (made["schema"], made["calibration"], made["board"]) == ("soakbench.calibration/1", 1, "sim-0004")
    assert "series resistor in place" in err
    assert "calibration 1 of the board sim-0004 is in the store" in err
    (stored,) = Reader(db).calibrations()
    assert stored.by == "me"
    assert stored.channels["pair1"].gain == made["channels"]["pair1"]["gain"]
    assert stored.wiring["pair1"] == made["channels"]["pair1"]["wiring"] != ""
    assert run_cli("calibrate", "--list", "--db", db) == 0
    assert "sim-0004" in capsys.readouterr().out


@needs_terminal
def test_a_script_calibrates_the_bench_of_a_set_up(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench, port = CalibrationBench(9), tmp_path / "daq"
    (tmp_path / "bench.toml").write_text(bench.setup_text(str(port)), encoding="utf-8")
    (tmp_path / "script.toml").write_text(bench.script_text(seconds=5), encoding="utf-8")
    terminal = Terminal(bench, port, speed=0.0)
    thread = threading.Thread(target=terminal.run)
    thread.start()
    try:
        while not port.exists():
            SystemClock().sleep(0.005)
        words = ["calibrate", tmp_path / "bench.toml", "--script", tmp_path / "script.toml"]
        assert run_cli(*words, "--db", tmp_path / "soak.db") == 0
    finally:
        terminal.stop()
        thread.join()
    out = capsys.readouterr().out
    assert "U before" in out
    assert re.search(r"pair1 .*82\.\d+ mA +0\.\d+ mA +0\.2\d mA", out)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("calibrate",), "name a set-up file, or try it with --simulated SEED"),
        (("calibrate", "no.toml", "--simulated", 1), "name a set-up file, or"),
        (("calibrate", "no.toml"), "no terminal to ask questions on: give a script"),
        (("calibrate", "no.toml", "--script", "x.toml"), "there is no set-up file no.toml"),
        (("soaks", "show", "1", "--calibration", "best"), "'best' is no calibration"),
        (("run", "no.toml", "--load", "a lamp"), "there is no set-up file"),
    ],
)
def test_what_can_not_be_calibrated_is_refused_in_a_sentence(
    words: tuple[str, ...], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    db = tmp_path / "soak.db"
    with Writer(db, ManualClock()) as writer:
        writer.begin_soak(**begin_with(2))
    assert run_cli(*words, "--db", db) == 2
    assert says in capsys.readouterr().err


def test_an_old_soak_is_looked_at_with_any_calibration_of_its_board(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    db = tmp_path / "soak.db"
    with Writer(db, ManualClock()) as writer:
        writer.begin_soak(**begin_with(2))
        writer.add_scans(idle_scans(300, 2))
        writer.put_checks([{"check": "disk", "result": "stop", "says": "full", "do": "make room"}])
        writer.end_soak(ended=STARTED, how="stopped", verdict=None)
        number = writer.add_calibration(a_calibration())
        other = writer.add_calibration(a_calibration("board 8"))

    def shown(*words: object) -> str:
        capsys.readouterr()
        assert run_cli("soaks", "show", "1", "--db", db, *words) == 0
        return capsys.readouterr().out

    assert "Calibration: none." in shown()
    assert "before power: disk: STOP: full; make room" in shown()
    assert f"Calibration {number}: 2026-02-01 (pair1, pair2), with bench meter 3." in shown(
        "--calibration", "newest"
    )
    assert f"Calibration {number}:" in shown("--calibration", number)
    assert run_cli("soaks", "show", "1", "--db", db, "--calibration", other) == 2
    assert "is of the board board 8, and soak 1 was measured with board 7" in capsys.readouterr().err
    out = tmp_path / "a.csv"
    assert run_cli("export", "1", "--out", out, "--db", db, "--calibration", "newest") == 0
    plain = tmp_path / "b.csv"
    assert run_cli("export", "1", "--out", plain, "--db", db) == 0
    first = [float(path.read_text().splitlines()[1].split(",")[1]) for path in (out, plain)]
    assert first[0] == pytest.approx(1.002 * first[1] + 0.01, abs=2e-3)
    assert parse(out.with_suffix(".toml").read_text()).channel[0].calibrated is not None
    assert parse(plain.with_suffix(".toml").read_text()).channel[0].calibrated is None


def test_a_calibrated_soak_is_judged_alike_from_the_store_and_from_its_exported_log(tmp_path: Path) -> None:
    played = scenario("healthy", 6, warm_up_min=20.0, soak_min=36.0)
    text = played.setup_text(scans_per_s=1.0)
    setup, db, log = parse(text), tmp_path / "soak.db", tmp_path / "log.csv.gz"
    found = calibrated(CalibrationBench(6), setup)
    found = replace(found, made=STARTED, wiring=calibrate.wirings(setup, played.info))
    with Writer(db, ManualClock()) as writer:
        number = writer.add_calibration(found)
        writer.begin_soak(
            setup=setup, setup_text=text, daq=played.info, started=STARTED, calibration_id=number
        )
        for block in played.scans(scans_per_s=1.0):
            writer.add_scans(block)
        writer.end_soak(ended=STARTED, how="finished", verdict=None)
    reader = Reader(db)
    export_log(reader, 1, log)
    stored, exported = (
        judge_soak(reader, 1),
        judge_log(log, parse(log.with_suffix("").with_suffix(".toml").read_text())),
    )
    plain = judge_soak(reader, 1, calibration="none")
    truth = played.true_run(scans_per_s=1.0)
    soaking = (truth.t_s >= played.warm_at_s) & (truth.t_s < played.soaked_at_s)
    for pair in range(PAIRS):
        live, again, before = (document["channels"][pair] for document in (stored, exported, plain))
        for key in ("settled_mA", "expanded_uncertainty_mA", "from_others_expanded_uncertainty_mA"):
            assert again[key] == pytest.approx(live[key], rel=1e-4)
        assert again["statements"] == live["statements"]
        assert live["expanded_uncertainty_mA"] < 0.5 * before["expanded_uncertainty_mA"]
        true_mA = 1000.0 * float(truth.pair_a[soaking, pair].mean())
        assert abs(live["settled_mA"] - true_mA) < live["expanded_uncertainty_mA"]


def test_the_script_in_the_notes_is_a_script() -> None:
    notes = Path(__file__).parent.parent / "firmware_notes" / "calibration.md"
    (text,) = re.findall(r"```toml\n(.*?)```", notes.read_text(encoding="utf-8"), flags=re.DOTALL)
    assert len(calibrate.read_script(text, SETUP).steps) == 4


# ---- does it hold?


def test_the_interval_of_a_calibrated_minute_holds_as_often_as_it_says() -> None:
    """200 boards of 8 channels. Boards are the sample, since their channels share a reference."""
    held, part_held = [], []
    for seed in range(2001, 2201):
        means = one_board(seed)
        held.append(np.mean([abs(one.error) <= one.U for one in means]))
        part_held.append(np.mean([abs(one.part_error) <= one.part_U for one in means]))
    for shares in (np.array(held), np.array(part_held)):
        spread = shares.std(ddof=1) / math.sqrt(len(shares))
        assert 0.93 - 2.6 * spread <= shares.mean() <= 0.97 + 2.6 * spread


def test_without_its_calibration_a_board_is_further_off_than_with_it() -> None:
    bench = CalibrationBench(11)
    setup = parse(bench.setup_text())
    true_a = 0.076
    pins = bench.daq.pin_volts(np.full((1, PAIRS), true_a), *(np.full(1, 20.0) for _ in range(4)))[0]
    counts = bench.seen(Applied("", (), 0.0, 0.0, pins), 600).counts.mean(axis=0)

    def worst(calibration: Calibration) -> float:
        converter = Converter(setup, bench.info, calibration)
        return max(abs(float(converter.values(c, counts[c : c + 1])[0]) - true_a) for c in range(PAIRS))

    assert worst(calibrated(bench, setup)) < 0.2 * worst(Calibration())
