"""Logs, other programs' csv files and sheets kept by hand become soaks, judged as `judge` judges them."""

from __future__ import annotations

import gzip
import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import soakbench
from logger import import_log, logfile, setup
from logger.clock import ManualClock
from logger.convert import Converter
from logger.errors import LogFileError, RequestError
from logger.export import export_log
from logger.judge import judge_log, judge_soak
from logger.store.reader import Reader

FOLDER = Path(__file__).resolve().parent.parent / "sample_logs"
NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


def bring_in(log: Path, text: str, store: Path, **options: Any) -> int:
    return import_log.import_log(log, text, store, ManualClock(NOON), **options)


def alike(found: Any, wanted: Any, where: str = "") -> None:
    """Hold two documents to be the same, numbers to seven digits."""
    if isinstance(wanted, dict):
        assert found.keys() == wanted.keys(), where
        for key in wanted:
            alike(found[key], wanted[key], f"{where}.{key}")
    elif isinstance(wanted, list):
        assert len(found) == len(wanted), where
        for i, (a, b) in enumerate(zip(found, wanted, strict=True)):
            alike(a, b, f"{where}[{i}]")
    elif isinstance(wanted, float):
        assert found == pytest.approx(wanted, rel=1e-7, abs=1e-7), where
    else:
        assert found == wanted, where


def without_skipped(document: dict[str, Any]) -> dict[str, Any]:
    """Return the document without what only the file knows: how many of its lines were bad."""
    return {**document, "soak": {**document["soak"], "lines_skipped": None}}


@pytest.mark.parametrize("steps", ["stated", "not stated"])
@pytest.mark.parametrize("name", ["drift", "cheap-board"])
def test_an_imported_log_is_judged_as_judge_judges_it_and_again_the_same(
    name: str, steps: str, tmp_path: Path
) -> None:
    (log,) = FOLDER.glob(f"{name}.csv*")
    text = (FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    if steps == "not stated":
        text = re.sub(r"(?m)^(step_V|full_scale_V).*\n", "", text)
    wanted = judge_log(log, setup.parse(text))
    number = bring_in(log, text, tmp_path / "soak.db")
    reader = Reader(tmp_path / "soak.db")
    soak = reader.soak(number)
    assert soak.verdict is not None
    alike(soak.verdict, wanted)
    alike(without_skipped(judge_soak(reader, number)), without_skipped(wanted))
    assert soak.ended == NOON.replace() + (soak.ended - soak.started)  # type: ignore[operator]
    assert reader.marks(number)[0].text.startswith(f"soakbench: taken in from {log.name}")


def test_a_soak_exported_and_imported_has_the_very_counts_that_it_had(tmp_path: Path) -> None:
    (log,) = FOLDER.glob("healthy.csv*")
    text = (FOLDER / "healthy.toml").read_text(encoding="utf-8")
    reader = Reader(tmp_path / "a.db")
    bring_in(log, text, tmp_path / "a.db")
    beside = export_log(reader, "last", tmp_path / "out.csv.gz")
    bring_in(tmp_path / "out.csv.gz", beside.read_text(encoding="utf-8"), tmp_path / "b.db")
    first, again = reader.scans(1), Reader(tmp_path / "b.db").scans(1)
    assert np.array_equal(first.counts, again.counts)
    assert np.array_equal(first.t_us, again.t_us)
    assert len(first) > 3000


def test_what_persons_said_in_a_log_stands_in_the_soak_and_is_obeyed(tmp_path: Path) -> None:
    lines = [f"{t},{76 + 0.01 * (t % 3):.2f},{77 - 0.01 * (t % 2):.2f}," for t in range(0, 4200, 2)]
    lines[1000] += "signal on / fan on"
    lines[1100] += "signal off"
    log = tmp_path / "log.csv"
    log.write_text("t_s,pair1 [mA],pair2 [mA],mark\n" + "\n".join(lines) + "\n")
    wanted = judge_log(log, setup.parse(HAND))
    number = bring_in(log, HAND, tmp_path / "soak.db")
    reader = Reader(tmp_path / "soak.db")
    said = [mark.text for mark in reader.marks(number) if not mark.text.startswith("soakbench: ")]
    assert said == ["signal on", "fan on", "signal off"]
    assert "under signal" in [state["state"] for state in wanted["soak"]["states"]]
    alike(reader.soak(number).verdict, wanted)
    alike(judge_soak(reader, number), wanted)


def test_a_log_is_taken_in_once(tmp_path: Path) -> None:
    (log,) = FOLDER.glob("cheap-board.csv*")
    text = (FOLDER / "cheap-board.toml").read_text(encoding="utf-8")
    bring_in(log, text, tmp_path / "soak.db")
    with pytest.raises(RequestError, match="already, as soak 1"):
        bring_in(log, text, tmp_path / "soak.db")


def test_a_log_that_cannot_be_read_leaves_no_store_behind(tmp_path: Path) -> None:
    log = tmp_path / "bad.csv"
    log.write_text("t_s,pair1 [mA]\n" + "0,x\n" * 50)
    with pytest.raises(LogFileError, match="bad lines"):
        bring_in(log, PAIR, tmp_path / "soak.db")
    assert not (tmp_path / "soak.db").exists()


# ---- how readings become counts

PAIR = """schema = "soakbench.setup/1"
[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "csv"
scans_per_s = 1   # as the board sends them
[[channel]]
name = "pair1"
measures = "pair current"
sense_ohm = 1.0
[[channel]]
name = "chassis"
measures = "chassis temperature"
[[channel]]
name = "mains"
measures = "mains"
[plan]
steps = [{step = "warm-up", minutes = 30}, {step = "soak", minutes = 60}]
"""
cell = st.one_of(
    st.just(""),
    st.just("over"),
    st.just("under"),
    st.decimals(-3000, 3000, places=3, allow_nan=False).map(str),
)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(st.tuples(cell, cell, cell), min_size=2, max_size=30),
    unit=st.sampled_from(["mA", "mV", "A"]),
)
def test_every_reading_of_any_log_comes_back_as_it_was(
    rows: list[tuple[str, str, str]], unit: str, tmp_path: Path
) -> None:
    log = tmp_path / "log.csv"
    lines = "".join(f"{t},{','.join(row)}\n" for t, row in enumerate(rows))
    log.write_text(f"t_s,pair1 [{unit}],chassis [degF],mains [V]\n{lines}")
    seen, _ = import_log._look(log, setup.parse(PAIR), lambda _t_s: None)
    text, daq, _ = import_log._held(PAIR, setup.parse(PAIR), seen)
    (wanted, _), *_ = logfile.read(log, setup.parse(PAIR))
    converter = Converter(setup.parse(text), daq)
    found = converter.readings(import_log._counts(converter, daq, wanted, 0))
    assert np.array_equal(found.railed, wanted.railed)
    assert np.array_equal(np.isnan(found.values), np.isnan(wanted.values))
    # within a twentieth of the last digit, 0.001 mA (or mV through 1 ohm), 0.001 degF, 0.001 V
    digit = np.array([1e-3 if unit == "A" else 1e-6, 1e-3 / 1.8, 1e-3])
    apart = np.abs(found.values - wanted.values)
    assert np.nanmax(apart / digit, initial=0.0) <= 0.0501


def test_uncertainties_do_not_shrink_because_counts_are_finer(tmp_path: Path) -> None:
    (log,) = FOLDER.glob("cheap-board.csv*")
    text = re.sub(
        r"(?m)^(step_V|full_scale_V).*\n", "", (FOLDER / "cheap-board.toml").read_text(encoding="utf-8")
    )
    bring_in(log, text, tmp_path / "soak.db")
    soak = Reader(tmp_path / "soak.db").soak()
    assert soak.daq.step_V == pytest.approx([0.256 / 2**15] * len(soak.daq.step_V))
    # the log shows tenths of a mV through 1 ohm
    assert soak.daq.volts_per_count == pytest.approx([1e-5] * len(soak.daq.step_V))
    # and its exported log says the set-up's own words again, so it is judged the same
    beside = export_log(Reader(tmp_path / "soak.db"), "last", tmp_path / "out.csv")
    assert "step_V" not in beside.read_text(encoding="utf-8")
    again = judge_log(tmp_path / "out.csv", setup.load(beside))
    assert soak.verdict is not None
    alike(without_skipped(again)["channels"], soak.verdict["channels"])


# ---- by hand


def by_hand(every_min: float, minutes: int = 90) -> str:
    lines = []
    for k in range(int(minutes / every_min) + 1):
        t = k * every_min
        mA = 76.0 - 6.0 * np.exp(-t / 7.0) + 0.1 * np.sin(7.0 * k)
        lines.append(
            f"2026-03-01 {9 + int(t) // 60:02d}:{int(t) % 60:02d};{mA:.1f};{mA + 0.7:.1f}".replace(".", ",")
        )
    return "time;pair1 [mV];pair2 [mV]\n" + "\n".join(lines) + "\n"


HAND = re.sub(
    r'(?s)\[\[channel\]\]\nname = "chassis".*\[plan\]',
    '[[channel]]\nname = "pair2"\nmeasures = "pair current"\nsense_ohm = 1.0\n[plan]',
    PAIR,
)


def test_a_sheet_kept_by_hand_is_judged_and_says_how_coarse_it_is(tmp_path: Path) -> None:
    log = tmp_path / "sheet.csv"
    log.write_text(by_hand(5))
    said: list[str] = []
    number = bring_in(log, HAND, tmp_path / "soak.db", say=said.append)
    reader = Reader(tmp_path / "soak.db")
    soak = reader.soak(number)
    assert any("one reading every 5 min" in line for line in said)
    assert any("within 10 min was not seen" in line for line in said)
    assert soak.setup.link.scans_per_s == pytest.approx(1 / 300, rel=1e-3)
    assert "# as the board sends them" in soak.setup_text
    document = soak.verdict
    assert document is not None
    assert document["soak"]["verdict"] in ("pass", "conditional pass")
    first = document["channels"][0]
    assert first["settled_mA"] == pytest.approx(76.0, abs=0.1)
    # by hand: resistor 1 %, four digits and half of one, gain 0.15 %, resistor 100 ppm/K over 30.6 K,
    # reference 40 ppm/K over 15 K, lead 10 uV
    widths = [0.76, 0.4, 0.05, 76.0 * 0.0015, 76.0 * 30.6e-4, 76.0 * 6e-4, 0.01]
    u = float(np.sqrt(sum(w**2 / 3.0 for w in widths)))
    assert first["expanded_uncertainty_mA"] / first["coverage_factor"] == pytest.approx(u, rel=0.02)
    assert first["statements"]["from the others"] == "pass"
    # 0.1 mA of the last digit hides up to 1.5 x 0.1 mA over the 55 minutes of readings, of both pairs
    low, high = first["drift_interval_mA_per_h"]
    assert (high - low) / 2.0 >= np.sqrt(2.0) * 0.15 / (55 / 60) * 0.99
    assert document["findings"] == []
    alike(judge_soak(reader, number), document)


def test_a_reading_every_ten_minutes_leaves_the_drift_not_judged(tmp_path: Path) -> None:
    log = tmp_path / "sheet.csv"
    log.write_text(by_hand(10, 120))
    said: list[str] = []
    number = bring_in(log, HAND, tmp_path / "soak.db", say=said.append)
    document = Reader(tmp_path / "soak.db").soak(number).verdict
    assert document is not None
    statements = document["channels"][0]["statements"]
    assert statements["drift"] is None
    assert statements["from the others"] == "pass"
    assert any("too coarse for a drift rate" in line for line in said)


def test_what_is_far_off_is_found_in_a_sheet_too(tmp_path: Path) -> None:
    log = tmp_path / "sheet.csv"
    text = re.sub(
        r";([\d,]+)$",
        lambda m: f";{float(m[1].replace(',', '.')) + 9:.1f}".replace(".", ","),
        by_hand(5),
        flags=re.M,
    )
    log.write_text(text)
    number = bring_in(log, HAND, tmp_path / "soak.db")
    document = Reader(tmp_path / "soak.db").soak(number).verdict
    assert document is not None
    assert document["soak"]["verdict"] == "fail"
    assert {finding["kind"] for finding in document["findings"]} == {"mismatch"}


def test_a_live_link_is_not_run_as_slow_as_a_hand_writes() -> None:
    from logger.check import live_faults

    faults = live_faults(setup.parse(HAND.replace("scans_per_s = 1 ", "scans_per_s = 0.1 ")))
    assert any("slower is a log by hand" in str(fault) for fault in faults)


# ---- other programs' files

FOREIGN = "Recorder 7\n\nSample;Date;Clock;I 2 (mA);I 1 (mA);remark\n" + "".join(
    f"{t};01/03/2026;{(23 + t // 3600) % 24:02d}:{t // 60 % 60:02d}:{t % 60:02d};77,{5 + t // 4 % 2};"
    f"76,{4 + t // 2 % 2};hello, there\n"
    for t in range(1800, 4800, 2)
)
TWO = ["pair1=I 1 (mA):mA", "pair2=I 2 (mA):mA"]


def test_another_programs_csv_is_read_by_naming_its_columns(tmp_path: Path) -> None:
    log = tmp_path / "other.csv"
    log.write_text(FOREIGN)
    names = import_log.naming("Clock", TWO, "%H:%M:%S")
    number = bring_in(log, HAND, tmp_path / "soak.db", names=names)
    soak = Reader(tmp_path / "soak.db").soak(number)
    assert soak.started == NOON  # a clock without a date says no day
    assert soak.scans == 1500
    assert soak.last_t_us == 2998 * 1_000_000  # over midnight
    assert soak.verdict is not None
    means = [channel["settled_mA"] for channel in soak.verdict["channels"]]
    assert means == pytest.approx([76.45, 77.55], abs=0.001)


def test_a_packed_file_with_date_and_clock_in_two_columns_is_read(tmp_path: Path) -> None:
    log, ours = tmp_path / "other.csv.gz", tmp_path / "ours.csv"
    log.write_bytes(gzip.compress(FOREIGN.encode()))
    names = import_log.naming("Date + Clock", TWO, "%d/%m/%Y %H:%M:%S")
    assert names is not None
    import_log.rename(log, ours, names)
    reader = logfile.read(ours, setup.parse(HAND))
    (first, _) = next(iter(reader))
    assert first.values[0] == pytest.approx([0.0764, 0.0775])
    assert reader.started is not None
    assert reader.started.astimezone().replace(tzinfo=None) == datetime(2026, 3, 1, 23, 30)


def test_milliseconds_that_only_count_are_read(tmp_path: Path) -> None:
    log = tmp_path / "board.csv"
    log.write_text("I1,millis\n" + "".join(f"{76 + k % 3},{1000 * k}\n" for k in range(100)))
    names = import_log.naming("millis:ms", ["pair1=I1:mA"], None)
    number = bring_in(log, PAIR, tmp_path / "soak.db", names=names)
    assert Reader(tmp_path / "soak.db").soak(number).last_t_us == 99_000_000


@pytest.mark.parametrize(
    ("time", "columns", "says"),
    [
        (None, ["pair1=I1:mA"], "name its time column with --time"),
        ("t", ["pair1"], "write NAME=HEADER:UNIT"),
        ("t", ["pair1=I1:mm"], "write NAME=HEADER:UNIT"),
    ],
)
def test_columns_that_are_named_wrongly_are_one_sentence(
    time: str | None, columns: list[str], says: str
) -> None:
    with pytest.raises(RequestError, match=says):
        import_log.naming(time, columns, None)


def test_a_file_without_the_named_columns_says_how_it_begins(tmp_path: Path) -> None:
    log = tmp_path / "board.csv"
    log.write_text("time,I1\n0,76\n")
    with pytest.raises(LogFileError, match="no line with the columns millis, I1: it begins 'time,I1'"):
        bring_in(log, PAIR, tmp_path / "soak.db", names=import_log.naming("millis", ["pair1=I1:mA"], None))


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(max_size=200))
def test_no_file_of_another_program_brings_anything_but_a_sentence(text: str, tmp_path: Path) -> None:
    log, out = tmp_path / "board.csv", tmp_path / "ours.csv"
    log.write_text(f"time,I1\n{text}", encoding="utf-8", newline="")
    import_log.rename(log, out, import_log.Naming("time", {"pair1": ("I1", "mA")}))
    # one line for each, so that numbers of bad lines stay right
    with log.open(encoding="utf-8", newline="") as source:
        lines = len(source.readlines())
    assert out.read_text(encoding="utf-8").count("\n") == lines


def test_the_command_shows_the_verdict_and_says_what_was_recognised(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log, beside, store = tmp_path / "sheet.csv", tmp_path / "amp.toml", tmp_path / "soak.db"
    log.write_text(by_hand(5))
    beside.write_text(HAND)
    options = ["--setup", str(beside), "--db", str(store), "--as-found", "--started", "2026-03-01 09:00:00"]
    assert soakbench.main(["import", str(log), *options]) == 0
    printed = capsys.readouterr()
    assert printed.out.startswith("soak 1\n")
    assert "decimal commas are read as such" in printed.err
    assert "a log by hand, one reading every 5 min" in printed.err
    soak = Reader(store).soak()
    assert (soak.kind, soak.started) == ("as found", datetime(2026, 3, 1, 9, tzinfo=UTC))
    assert soakbench.main(["soaks", "show", "last", "--db", str(store), "--json", "-"]) == 0
    marks = [mark["text"] for mark in json.loads(capsys.readouterr().out)["marks"]]
    assert marks[0] == "soakbench: taken in from sheet.csv"
    assert any(text.startswith("soakbench: a log by hand") for text in marks)
