"""Log files: what is written comes back, what is garbled is counted, what is wrong is said."""

from __future__ import annotations

import csv
import gzip
import itertools
import math
import re
import time
import tomllib
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger import logfile
from logger.blocks import NO_READING, DaqInfo, Mark, ReadingBlock, ScanBlock
from logger.convert import Calibration, Converter, daq_from_setup
from logger.errors import FileExistsAlready, LogFileError, RequestError
from logger.logfile import read, setup_with_daq, write
from logger.setup import Calibrated, Setup, parse

TOP = """\
schema = "soakbench.setup/1"  # the first line
[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
scans_per_s = 10
"""
PAIRS = """
[[channel]]
name = "pair1"            # near the mains transformer
measures = "pair current"
sense_ohm = 1.0
step_V = 1e-3             # to be replaced

[[channel]]
name = "pair2"
measures = "pair current"
sense_ohm = 10.0
"""
OTHERS = """
[[channel]]
name = "ht"
measures = "HT"
divider_ohm = [1_000_000, 4_700]

# how hot it gets
[[channel]]
name = "chassis"
measures = "chassis temperature"
sensor = "ntc"

[[channel]]
name = "room"
measures = "ambient temperature"
sensor = "pt100"
pullup_ohm = 1000

[[channel]]
name = "iron"
measures = "transformer temperature"
sensor = "type K"
"""
END = """
[plan]
steps = [{step = "soak", minutes = 30}]  # short
"""
TEXT = TOP + PAIRS + OTHERS + END
SETUP = parse(TEXT)
DAQ = DaqInfo("b", 1, (7.8125e-6, 7.8125e-6, 1.25e-4, 1.25e-4, 1.25e-4, 1.25e-4), (32767,) * 6)
SMALL = parse(TOP + PAIRS.replace("step_V = 1e-3 ", "") + END)


def scans_of(counts: Any, period_us: int = 100_000) -> ScanBlock:
    counts = np.asarray(counts, dtype=np.int32)
    n = len(counts)
    return ScanBlock(np.arange(n, dtype=np.int64) * period_us, np.arange(n, dtype=np.int64), counts)


def whole(reader: logfile.LogReader) -> tuple[ReadingBlock, list[Mark]]:
    """Read to the end and join the blocks."""
    blocks, marks = [], []
    for block, some in reader:
        blocks.append(block)
        marks += some
    return (
        ReadingBlock(
            np.concatenate([block.t_us for block in blocks]),
            np.concatenate([block.values for block in blocks]),
            np.concatenate([block.railed for block in blocks]),
        ),
        marks,
    )


def assert_same(a: ReadingBlock, b: ReadingBlock) -> None:
    np.testing.assert_array_equal(a.t_us, b.t_us)
    np.testing.assert_array_equal(a.values, b.values)
    np.testing.assert_array_equal(a.railed, b.railed)


def log(path: Path, *lines: str, header: str = "t_s,pair1 [mV],pair2 [mA]") -> Path:
    path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return path


def clean_lines(n: int, start: int = 0) -> list[str]:
    return [f"{i / 10:.6f},{70 + i % 7},{71.5}" for i in range(start, start + n)]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.csv"


# ---- what is written comes back

COUNT = st.one_of(
    st.integers(-32_768, 32_767), st.integers(400, 14_000), st.sampled_from([NO_READING, 32_767, -32_767, 0])
)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.lists(COUNT, min_size=6, max_size=6), min_size=1, max_size=30),
    st.lists(st.integers(1, 5_000_000), min_size=30, max_size=30),
    st.sampled_from(["log.csv", "log.csv.gz"]),
    st.booleans(),
    st.sampled_from([100, 1 << 20]),
)
def test_an_exported_log_gives_back_the_very_readings(
    counts: list[list[int]], steps: list[int], name: str, calibrated: bool, block_bytes: int
) -> None:
    t_us = np.cumsum([0, *steps[: len(counts) - 1]]).astype(np.int64)
    scans = ScanBlock(t_us, np.arange(len(counts), dtype=np.int64), np.array(counts, dtype=np.int32))
    found = {"pair2": Calibrated(date=date(2026, 1, 5), gain=1.0021, offset=-3e-5, u_gain=1e-4)}
    calibration = Calibration(found) if calibrated else None
    with TemporaryDirectory() as folder:
        target = Path(folder) / name
        beside = write(target, SETUP, TEXT, DAQ, [scans], calibration=calibration)
        back, _ = whole(read(target, parse(beside.read_text()), block_bytes=block_bytes))
    assert_same(back, Converter(SETUP, DAQ, calibration).readings(scans))


@settings(max_examples=80, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 3_000_000),
            st.text(st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"]), min_size=1, max_size=20)
            | st.text(" /a=", min_size=1, max_size=9),
        ),
        max_size=6,
    )
)
def test_marks_come_back_with_their_text(marks: list[tuple[int, str]]) -> None:
    given_marks = [Mark(t_us, text) for t_us, text in marks if text.strip()]
    scans = scans_of([[9000, 9000]] * 40)
    with TemporaryDirectory() as folder:
        target = Path(folder) / "log.csv"
        write(target, SMALL, TOP + PAIRS + END, daq_from_setup(SMALL), [scans], given_marks)
        _, back = whole(read(target, SMALL))
    ordered = sorted(given_marks, key=lambda mark: mark.t_us)
    assert [mark.text for mark in back] == [re.sub(" +/( +|$)", "/", mark.text.strip()) for mark in ordered]
    for before, after in zip(ordered, back, strict=True):
        assert 0 <= after.t_us - before.t_us < 100_000


def test_marks_of_one_scan_stand_in_its_line_and_come_back_apart(path: Path) -> None:
    """A request is only one if it stands alone, so what a person wrote must not run into it."""
    given_marks = [
        Mark(100_000, "V5 / V6 swapped /"),
        Mark(100_000, "signal on"),
        Mark(100_000, "/ acknowledge 3"),
        Mark(100_000, "acknowledge 3"),
        Mark(200_000, "signal off"),
    ]
    write(path, SMALL, TOP + PAIRS + END, daq_from_setup(SMALL), [scans_of([[1, 2]] * 3)], given_marks)
    _, marks = whole(read(path, SMALL))
    assert marks == [Mark(100_000, "V5/V6 swapped/"), *given_marks[1:]]


def test_marks_made_after_the_last_scan_stand_in_its_line(path: Path) -> None:
    write(
        path,
        SMALL,
        TOP + PAIRS + END,
        daq_from_setup(SMALL),
        [scans_of([[1, 2]] * 3)],
        [Mark(150_000, "fan, on"), Mark(10**9, "=1+1"), Mark(10**9, "off")],
    )
    _, marks = whole(read(path, SMALL))
    assert marks == [Mark(200_000, text) for text in ("fan, on", "=1+1", "off")]


def test_a_log_has_the_columns_of_the_contract(path: Path) -> None:
    rows = [[9769, 9769, 17_018, 13_000, 1_000, 500], [32_767, -32_768, NO_READING, 13_000, 1_000, 500]]
    write(path, SETUP, TEXT, DAQ, [scans_of(rows)])
    lines = path.read_text().splitlines()
    assert lines[0] == "t_s,pair1 [mV],pair2 [mV],ht [V],chassis [degC],room [degC],iron [degC]"
    first = lines[1].split(",")
    assert first[:4] == ["0.000000", "76.3203", "76.3203", "454.734"]  # 17,018 x 125 µV x 1,004,700 / 4,700
    assert lines[2].startswith("0.100000,over,under,,")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", '=HYPERLINK("http://x")', "'=1", "\t=1", "a\n=b"])
def test_a_mark_is_never_a_formula_to_a_spreadsheet(path: Path, text: str) -> None:
    write(path, SMALL, TOP + PAIRS + END, daq_from_setup(SMALL), [scans_of([[1, 2]] * 3)], [Mark(0, text)])
    with path.open(newline="") as file:
        rows = list(csv.reader(file))
    assert len(rows) == 4
    assert rows[0][-1] == "mark"
    assert not rows[1][-1].startswith(("=", "+", "-", "@", "\t", "\r"))
    _, marks = whole(read(path, SMALL))
    assert marks == [Mark(0, " ".join(text.split()))]


# ---- whatever the blocks

CELL = st.sampled_from(
    [
        "70.5",
        "-0.25",
        "1e2",
        "",
        " 71 ",
        "over",
        "under",
        "OVER",
        "nan",
        "inf",
        "1e400",
        "1_0",
        "abc",
        "0x10",
        "7,5",
        "+5",
        ".5",
        "5.",
        "--",
        "１",
        "overinity",
        '"70.5"',
        "1 2",
        "\x00",
    ]
)
LINE = st.one_of(
    st.tuples(CELL, CELL).map(lambda cells: "{t}," + ",".join(cells)),
    st.tuples(CELL, CELL, st.sampled_from(["fan", '"a, b"', "over, and out", "é", '"', "'=1"])).map(
        lambda cells: "{t}," + ",".join(cells)
    ),
    st.sampled_from(
        ["", "# a remark", "{t}", "{t},1", "{t},1,2,3,4", "text", ",1,2,", "{t},1,2,", "{t},3,4,\r"]
    ),
    st.just("{t},1.5,2.5,"),
    st.just("{t},1.5,2.5,"),
)
STEP = st.sampled_from([0.1, 0.1, 0.1, 0.5, 0.0, -5.0, 4000.0, -3999.0, 3700.0, math.nan, 1e300])


def outcome(reader: logfile.LogReader) -> tuple[Any, ...]:
    """All that a reading gives, in a form that compares: NaN by its place."""
    try:
        block, marks = whole(reader)
    except LogFileError as error:
        return (str(error),)
    values = np.where(np.isnan(block.values), 1e99, block.values)
    counted = (reader.lines, reader.skipped, reader.first_skipped)
    return block.t_us.tolist(), values.tolist(), block.railed.tolist(), marks, counted


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(LINE, STEP), max_size=40), st.booleans(), st.integers(1, 400))
def test_a_log_reads_the_same_for_any_blocks(
    lines: list[tuple[str, float]], calm: bool, block_bytes: int
) -> None:
    """Garbled lines and times among clean ones, however many of them."""
    t, texts = 0.0, ["0,1,2,", "0.05,1,2,"]
    for line, step in lines:
        if math.isfinite(step) and step < 1e6:
            t = round(t + (0.1 if calm else step), 6)
            texts.append(line.format(t=t))
        else:
            texts.append(line.format(t=step))
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(logfile, "MOST_BAD", 1.0)
        target = log(Path(folder) / "log.csv", *texts, header="t_s,pair1 [mV],pair2 [mA],mark")
        at_once = outcome(read(target, SMALL))
        assert outcome(read(target, SMALL, block_bytes=block_bytes)) == at_once
        patch.setattr(logfile.LogReader, "_clean", lambda self, block: None)
        assert outcome(read(target, SMALL)) == at_once
    t_us, *_, (count, skipped, _) = at_once
    assert all(a < b for a, b in itertools.pairwise(t_us))
    assert len(t_us) == count - skipped


def test_the_fast_way_and_the_slow_way_agree(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = np.random.default_rng(3).integers(-2000, 20_000, (3000, 6))
    rows[np.random.default_rng(4).random(rows.shape) < 0.05] = NO_READING
    rows[7, 1] = 32_767
    write(path, SETUP, TEXT, DAQ, [scans_of(rows)], [Mark(10**6 * i, f"mark {i}, over") for i in range(9)])
    setup = parse(path.with_suffix(".toml").read_text())
    fast, fast_marks = whole(read(path, setup, block_bytes=4096))
    monkeypatch.setattr(logfile.LogReader, "_clean", lambda self, block: None)
    slow, slow_marks = whole(read(path, setup, block_bytes=4096))
    assert_same(fast, slow)
    assert fast_marks == slow_marks
    assert len(fast_marks) == 9


def test_two_and_a_half_hours_are_read_in_a_second(path: Path) -> None:
    """90,000 lines of 8 channels."""
    text = TOP + PAIRS + OTHERS + PAIRS.replace("pair1", "pair3").replace("pair2", "pair4") + END
    setup = parse(text)
    daq = DaqInfo("b", 1, tuple([7.8125e-6] * 2 + [1.25e-4] * 4 + [7.8125e-6] * 2), (32767,) * 8)
    rows = np.random.default_rng(3).integers(400, 14_000, (90_000, 8))
    beside = write(path, setup, text, daq, [scans_of(rows)])
    best_s = math.inf
    for _ in range(3):  # a busy machine may spoil one try
        reader = read(path, parse(beside.read_text()))
        started = time.process_time()
        assert sum(len(block) for block, _ in reader) == 90_000
        best_s = min(best_s, time.process_time() - started)
        if best_s < 1.0:
            break
    assert best_s < 1.0
    assert reader.bytes_read == reader.bytes_total == path.stat().st_size


# ---- what other programs write


def test_units_are_turned_into_amperes_volts_and_degrees(path: Path) -> None:
    header = "t_s,chassis [degF],room [K],iron [°C],pair1 [V],pair2 [mV],ht [mV]"
    log(path, "0,212,300,25,0.07,700,455000", header=header)
    block, _ = whole(read(path, SETUP))
    assert block.values[0] == pytest.approx([0.07, 0.07, 455.0, 100.0, 26.85, 25.0])


def test_a_pair_in_amperes_is_the_current_itself(path: Path) -> None:
    log(path, "0,0.07,70", header="t_s,PAIR1 [A],pair2[mA]")
    block, _ = whole(read(path, SMALL))
    assert block.values[0] == pytest.approx([0.07, 0.07])


def test_values_beside_the_converters_steps_are_left_alone(path: Path) -> None:
    setup = parse((TOP + PAIRS + END).replace("1e-3", "7.8125e-6"))
    log(path, "0,76.3203,70", "1,76.3242,70")  # on a step to a tenth of it; and half way between two
    block, _ = whole(read(path, setup))
    assert block.values[0, 0] == 9769 * 7.8125e-6
    assert block.values[1, 0] == pytest.approx(0.0763242, rel=1e-12)


def test_the_codes_of_bench_meters_are_no_values(path: Path) -> None:
    """Outside values: 9.91E37 is no number, ±9.9E37 an overload (IEEE 488.2 programming guides)."""
    log(path, "0,+9.91000E+37,9.9E+37", "1,-9.9E37,-9.91e37", "2,over,")
    block, _ = whole(read(path, SMALL))
    assert np.isnan(block.values).all()
    assert block.railed.tolist() == [[0, 1], [-1, 0], [1, 0]]


@pytest.mark.parametrize("absurd", ["1e29", "-1e29", "-300", "2000"])
def test_an_absurd_value_harms_no_other(path: Path, absurd: str) -> None:
    text = setup_with_daq(TEXT, SETUP, DAQ)
    rows = [f"{i},70,70,455,{absurd if i == 1 else 40},{absurd},{absurd}" for i in range(3)]
    log(path, *rows, header="t_s,pair1 [mV],pair2 [mV],ht [V],chassis [degC],room [degC],iron [degC]")
    block, _ = whole(read(path, parse(text)))
    assert block.values[1, 3] == float(absurd)
    assert block.values[[0, 2], 3] == pytest.approx([40.0, 40.0], abs=0.01)


def test_a_temperature_without_a_sensor_is_read_as_it_stands(path: Path) -> None:
    text = setup_with_daq(TEXT, SETUP, DAQ).replace('sensor = "ntc"', "")
    log(path, "0,70,70,40.123", header="t_s,pair1 [mV],pair2 [mV],chassis [degC]")
    block, _ = whole(read(path, parse(text)))
    assert block.values[0, 3] == 40.123


def test_decimal_commas_and_a_byte_order_mark_are_recognised_and_said(path: Path) -> None:
    text = "\ufeffsep=;\r\nt_s;pair1 [mV];pair2 [mA];mark\r\n" + "".join(
        f"{i},5;70,25;{71 + i},0;{'fan, on' if i == 2 else ''}\r\n" for i in range(5)
    )
    path.write_text(text, encoding="utf-8", newline="")
    reader = read(path, SMALL)
    block, marks = whole(reader)
    assert block.t_us.tolist() == [0, 1_000_000, 2_000_000, 3_000_000, 4_000_000]
    assert block.values[1] == pytest.approx([0.07025, 0.072])
    assert marks == [Mark(2_000_000, "fan, on")]
    assert reader.skipped == 0
    said = " ".join(reader.notes)
    assert "byte-order mark" in said
    assert "semicolons" in said
    assert "begin at 0.5 s" in said


@pytest.mark.parametrize(
    "stamps",
    [
        ["2026-03-01 23:59:59.5", "2026-03-02 00:00:00", "2026-03-02 00:00:01"],
        ["2026-03-01T23:59:59.500Z", "2026-03-02T01:00:00+01:00", "2026-03-02T00:00:01+00:00"],
    ],
)
def test_iso_times_are_recognised_and_said(path: Path, stamps: list[str]) -> None:
    log(path, *(f"{stamp},70,70" for stamp in stamps), header="time,pair1 [mV],pair2 [mA]")
    reader = read(path, SMALL)
    block, _ = whole(reader)
    assert block.t_us.tolist() == [0, 500_000, 1_500_000]
    assert any("ISO 8601" in note and stamps[0] in note for note in reader.notes)


@pytest.mark.parametrize(
    ("name", "scale"), [("t [ms]", 1000), ("time_ms", 1000), ("Time [s]", 1), ("t_s", 1)]
)
def test_a_time_column_may_carry_its_unit(path: Path, name: str, scale: int) -> None:
    log(path, "0,1,2", f"{2 * scale},1,2", header=f"{name},pair1 [mV],pair2 [mA]")
    block, _ = whole(read(path, SMALL))
    assert block.t_us.tolist() == [0, 2_000_000]


def test_a_log_that_begins_late_counts_from_its_first_line_and_says_so(path: Path) -> None:
    reader = read(log(path, "600.0,70,70,a", "600.1,70,70,", header="t_s,pair1 [mV],pair2 [mA],mark"), SMALL)
    block, marks = whole(reader)
    assert block.t_us.tolist() == [0, 100_000]
    assert marks == [Mark(0, "a")]
    assert reader.notes == ["times in the file begin at 600 s and are counted from there"]


def test_a_channel_without_a_column_has_no_readings_and_is_said(path: Path) -> None:
    reader = read(log(path, *clean_lines(3)), parse(TOP + PAIRS + OTHERS + END))
    block, _ = whole(reader)
    assert np.isnan(block.values[:, 2:]).all()
    assert reader.notes == ["there is no column for ht, chassis, room, iron"]


def test_a_log_without_a_last_line_end_loses_nothing(path: Path) -> None:
    path.write_text("t_s,pair1 [mV],pair2 [mA]\n0,1,2\n1,1,2\n2,1,2")
    assert len(whole(read(path, SMALL))[0]) == 3


def test_a_log_of_one_line_has_one_reading(path: Path) -> None:
    assert len(whole(read(log(path, "0,1,2"), SMALL))[0]) == 1


# ---- what is wrong


@pytest.mark.parametrize(
    ("header", "says"),
    [
        ("t_s,pair1 [mV]", r"has no column for pair2: its header needs pair2 \[mV\] or pair2 \[mA\]"),
        (
            "t_s,pair1 [mV],pair2 [mA],boost [V]",
            r'the set-up doesn\'t name: "boost \[V\]"; it names pair1, pair2',
        ),
        ("t_s,pair1,pair2 [mA]", r'column "pair1" that has no unit: write pair1 \[mA\]'),
        ("t_s,pair1 [uV],pair2 [mA]", r'has the unit "uV": write pair1 \[mA\], with one of V, mV, A, mA'),
        ("t_s,pair1 [mV],pair2 [degC]", 'has the unit "degC"'),
        ("t_s,pair1 [mV],pair1 [mA],pair2 [mA]", "two columns for pair1"),
        ("pair1 [mV],pair2 [mA]", 'begins with the column "pair1 .mV.": name the time column t_s'),
        ("t_s,mark,pair1 [mV],pair2 [mA]", '"mark"'),
        ("t_s,pair1 [mV],pair2 [mA],", 'doesn\'t name: ""'),
        ("<script>\x1b[31m,x", r'begins with the column "<script>\?\[31m"'),
    ],
)
def test_a_wrong_header_is_said_in_one_sentence(path: Path, header: str, says: str) -> None:
    with pytest.raises(LogFileError, match=says) as caught:
        read(log(path, "0,1,2", header=header), SMALL)
    assert "\n" not in str(caught.value)


def test_a_bad_line_is_skipped_counted_and_its_number_kept(path: Path) -> None:
    lines = clean_lines(400)
    lines[100] = "12:30 went for tea"
    lines[200] = lines[199]  # time stands still
    reader = read(log(path, *lines), SMALL)
    block, _ = whole(reader)
    assert len(block) == 398
    assert (reader.lines, reader.skipped, reader.first_skipped) == (400, 2, 102)


def test_more_than_one_bad_line_in_a_hundred_is_an_error(path: Path) -> None:
    lines = clean_lines(200)
    for i in (20, 90):
        lines[i] = "Error: sensor"
    assert len(whole(read(log(path, *lines), SMALL))[0]) == 198
    lines[150] = "Error: sensor"
    with pytest.raises(LogFileError, match="has 3 bad lines of 200, the first is line 22"):
        whole(read(log(path, *lines), SMALL))


@pytest.mark.parametrize("garbled", ["90005.0", "1.0e12", "-3"])
def test_one_garbled_time_costs_one_line_and_not_the_rest(path: Path, garbled: str) -> None:
    lines = clean_lines(300)
    lines[150] = f"{garbled},70,70"
    reader = read(log(path, *lines), SMALL)
    block, _ = whole(reader)
    assert len(block) == 299
    assert (reader.skipped, reader.first_skipped) == (1, 152)
    assert block.t_us[-1] == 29_900_000


def test_a_garbled_first_time_costs_one_line(path: Path) -> None:
    reader = read(log(path, "99999,70,70", *clean_lines(150)), SMALL)
    block, _ = whole(reader)
    assert (len(block), reader.first_skipped) == (150, 2)


def test_a_pause_of_hours_is_kept_and_one_of_weeks_is_refused(path: Path) -> None:
    block, _ = whole(read(log(path, "0,1,2", "1,1,2", "90000,1,2", "90001,1,2"), SMALL))
    assert block.t_us.tolist() == [0, 1_000_000, 90_000_000_000, 90_001_000_000]
    with pytest.raises(LogFileError, match="jumps ahead by 23 days at line 4"):
        whole(read(log(path, "0,1,2", "1,1,2", "2000000,1,2", "2000001,1,2"), SMALL))


def test_blank_lines_and_remarks_are_no_bad_lines(path: Path) -> None:
    reader = read(log(path, "", "# warmed up", *clean_lines(5), "", ""), SMALL)
    assert len(whole(reader)[0]) == 5
    assert (reader.lines, reader.skipped) == (5, 0)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (b"\n\n", "is empty"),
        (b"t_s,pair1 [mV],pair2 [mA]\n", "has a header and no readings"),
        ("t_s,pair1 [mV]\n".encode("utf-16"), "save it as CSV, UTF-8"),
        (b"t_s,pair1 [mV],\xb0C\n", "is not UTF-8 text"),
        (b"\x89PNG" + bytes(5000), "save it as CSV, UTF-8"),
        (b"x" * 3_000_000, "save it as CSV, UTF-8"),
        (b"t_s,pair1 [mV],pair2 [mA]\n0,1,2\n" + b"1" * 3_000_000, "has a line of over"),
        (gzip.compress(b"t_s,pair1 [mV],pair2 [mA]\n" + b"0,1,2\n" * 9000)[:-30], "is cut short or damaged"),
        (b"\x1f\x8bno gzip at all", "is cut short or damaged"),
    ],
)
def test_what_is_no_log_is_said_in_one_sentence(path: Path, content: bytes, says: str) -> None:
    path.write_bytes(content)
    with pytest.raises(LogFileError, match=says):
        whole(read(path, SMALL))


def test_a_missing_log_and_a_folder_are_said(tmp_path: Path) -> None:
    with pytest.raises(LogFileError, match="there is no log file"):
        read(tmp_path / "none.csv", SMALL)
    with pytest.raises(LogFileError, match="can't be read"):
        read(tmp_path, SMALL)


# ---- writing with care


def test_a_file_that_somebody_made_is_left_alone(path: Path) -> None:
    scans = [scans_of([[1, 2]])]
    path.write_text("mine")
    with pytest.raises(FileExistsAlready):
        write(path, SMALL, TOP + PAIRS + END, daq_from_setup(SMALL), scans)
    assert path.read_text() == "mine"
    path.unlink()
    path.with_suffix(".toml").write_text("mine")
    with pytest.raises(FileExistsAlready):
        write(path, SMALL, TOP + PAIRS + END, daq_from_setup(SMALL), scans)
    assert not path.exists()
    write(path, SMALL, TOP + PAIRS + END, daq_from_setup(SMALL), scans, force=True)
    assert path.read_text().startswith("t_s,")


def test_an_export_that_breaks_off_leaves_nothing_half_written(path: Path) -> None:
    def broken() -> Iterator[ScanBlock]:
        yield scans_of([[1, 2]])
        raise RuntimeError("the store went away")

    path.write_text("earlier")
    with pytest.raises(RuntimeError, match="went away"):
        write(path, SMALL, TOP + PAIRS + END, daq_from_setup(SMALL), broken(), force=True)
    assert path.read_text() == "earlier"
    assert [p.name for p in path.parent.iterdir()] == ["log.csv"]


def test_a_place_that_can_not_be_written_is_said(tmp_path: Path) -> None:
    scans = [scans_of([[1, 2]])]
    with pytest.raises(RequestError, match="there is no folder"):
        write(tmp_path / "none" / "a.csv", SMALL, TOP + PAIRS + END, daq_from_setup(SMALL), scans)
    with pytest.raises(RequestError, match="is a folder"):
        write(tmp_path, SMALL, TOP + PAIRS + END, daq_from_setup(SMALL), scans)


@pytest.mark.parametrize(
    ("name", "beside"), [("a.csv", "a.toml"), ("a.csv.gz", "a.toml"), ("log.b", "log.b.toml")]
)
def test_the_set_up_lies_beside_the_log(tmp_path: Path, name: str, beside: str) -> None:
    scans = [scans_of([[1, 2]])]
    text = TOP + PAIRS + END
    assert write(tmp_path / name, SMALL, text, daq_from_setup(SMALL), scans) == tmp_path / beside
    own = tmp_path / "setup.toml"
    assert write(tmp_path / f"x{name}", SMALL, text, daq_from_setup(SMALL), scans, setup_path=own) == own


def test_the_same_soak_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a.csv.gz", "b.csv.gz"):
        write(tmp_path / name, SMALL, TOP + PAIRS + END, daq_from_setup(SMALL), [scans_of([[1, 2]] * 99)])
    assert (tmp_path / "a.csv.gz").read_bytes() == (tmp_path / "b.csv.gz").read_bytes()


# ---- the set-up beside a log


def without_daq(setup: Setup) -> list[dict[str, Any]]:
    return [c.model_dump(exclude={"full_scale_V", "step_V", "calibrated"}) for c in setup.channel]


def assert_says_what_the_daq_said(text: str, setup: Setup, daq: DaqInfo) -> None:
    after = parse(text)
    assert without_daq(after) == without_daq(setup)
    assert after.model_dump(exclude={"channel"}) == setup.model_dump(exclude={"channel"})
    back = daq_from_setup(after)
    assert (back.volts_per_count, back.full_count) == (daq.volts_per_count, daq.full_count)


def test_a_set_up_keeps_its_comments_and_says_what_the_daq_said() -> None:
    text = setup_with_daq(TEXT, SETUP, DAQ)
    assert_says_what_the_daq_said(text, SETUP, DAQ)
    for comment in (
        "# the first line",
        "# near the mains",
        "# to be replaced",
        "# how hot it gets",
        "# short",
    ):
        assert comment in text
    assert text.index("# how hot it gets") > text.index("step_V", text.index('name = "ht"'))
    assert setup_with_daq(text, parse(text), DAQ) == text


def test_a_calibration_is_written_into_the_set_up() -> None:
    found = Calibrated(date=date(2026, 1, 5), gain=1.0021, offset=-3e-5, u_gain=1e-4, u_offset=2e-6)
    text = setup_with_daq(TEXT, SETUP, DAQ, Calibration({"ht": found}))
    after = parse(text)
    assert after.channel[2].calibrated == found
    assert after.channel[0].calibrated is None
    # and again, now that the set-up carries it
    assert parse(setup_with_daq(text, after, DAQ)).channel[2].calibrated == found


@pytest.mark.parametrize(
    "channels",
    [
        'channel = [{name = "pair1", measures = "pair current", sense_ohm = 1.0, pin = [0, 1]}]\n',
        '[["channel"]]\nname = "pair1"\nmeasures = "pair current"\nsense_ohm = 1.0\n',
        '[[channel]]\nname = "pair1"\nmeasures = "pair current"\nsense_ohm = 1.0\n'
        "[channel.calibrated]\ndate = 2026-01-05\ngain = 1.01\n",
        '[[channel]]\nname = "pair1"\nmeasures = "pair current"\nsense_ohm = 1.0\n'
        'sockets = [\n  "V1", # left\n]\n',
        '[[channel]]\n"step_V" = 0.5\nname = "pair1"\nmeasures = "pair current"\nsense_ohm = 1.0\n',
        '[[channel]]\nmeasures = "pair current"\nsense_ohm = 1.0\n'
        'pair = """\n[[channel]]\nstep_V = 3\n"""\nname="pair1"\n',
    ],
)
def test_any_way_of_writing_channels_is_understood(channels: str) -> None:
    amp = TOP.replace("240 W", '240 W \\"B\\"')
    inline = channels.startswith("channel")
    lines = amp.splitlines(keepends=True)
    text = "".join([*lines[:1], channels, *lines[1:]]) + END if inline else amp + channels + END
    setup = parse(text)
    daq = DaqInfo("b", 1, (1.5625e-5,), (32767,))
    assert_says_what_the_daq_said(setup_with_daq(text, setup, daq), setup, daq)


@settings(max_examples=60, deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20))
def test_any_name_survives_a_set_up_written_anew(name: str) -> None:
    document = {"a": {"name": name, name: [1, 2.5, True]}, "t": [{"x": {"y": name}}, {"d": date(2026, 1, 5)}]}
    assert tomllib.loads(logfile._toml(document)) == document
