"""The store gives back what went in, says plainly what it can't do, and leaves one file."""

from __future__ import annotations

import itertools
import json
import math
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import textwrap
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from store_case import (
    NARROW,
    STARTED,
    WIDE,
    a_calibration,
    as_stored,
    begin_with,
    buckets,
    daq,
    idle_scans,
    odd_scans,
    part,
    same,
    setup_of,
    setup_text,
)

from logger.blocks import NO_READING, DaqInfo, Mark, ScanBlock
from logger.clock import ManualClock, SystemClock
from logger.convert import Converter
from logger.errors import DaemonRunning, RequestError, SoakbenchError, StoreError, StoreTooNew
from logger.finding import Finding, Kind, Severity
from logger.store import schema, sqlite
from logger.store.reader import Reader, default_path
from logger.store.writer import Writer, disk_left_bytes, old_sqlite_warning

ENDED = STARTED + timedelta(hours=2)
DRIFT = Finding(
    id=1,
    kind=Kind.DRIFT,
    channel="pair1",
    channels=("pair1",),
    onset_s=5400.0,
    raised_s=6310.5,
    severity=Severity.WARNING,
    says="pair1 has been rising 2.1 mA an hour since 1 h 30 min; the others have not",
    advice="measure its bias; above 85 °C look at the coupling capacitor",
    evidence={"rate_mA_per_h": 2.1, "others_mA_per_h": 0.02},
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "soak.db"


@pytest.fixture(scope="module")
def open_store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Writer]:
    with Writer(tmp_path_factory.mktemp("store") / "many.db", ManualClock()) as writer:
        yield writer


def stored(path: Path, block: ScanBlock, *, end: bool = True) -> int:
    """Write one soak and close the store."""
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(block.counts.shape[1]))
        writer.add_scans(block)
        if end:
            writer.end_soak(ended=ENDED, how="finished", verdict=None)
    return soak_id


def beside(path: Path) -> list[str]:
    return sorted(found.name for found in path.parent.iterdir())


# ---- scans


@given(
    seed=st.integers(0, 2**32 - 1),
    n=st.integers(1, 160),
    full_count=st.lists(st.sampled_from([NARROW, NARROW, NARROW, WIDE]), min_size=1, max_size=16),
    per_s=st.sampled_from([0.2, 1.0, 3.3, 10.0, 47.0, 100.0]),
    gaps=st.sampled_from([0.0, 0.01, 0.3]),
    none=st.sampled_from([0.0, 0.02, 1.0]),
    railed=st.sampled_from([0.0, 0.05]),
    commits=st.lists(st.integers(0, 160), max_size=4),
)
@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.too_slow])
def test_any_scans_come_back_and_their_roll_ups_are_those_of_the_scans(
    open_store: Writer,
    seed: int,
    n: int,
    full_count: list[int],
    per_s: float,
    gaps: float,
    none: float,
    railed: float,
    commits: list[int],
) -> None:
    block = odd_scans(seed, n, full_count, per_s, gaps, none, railed)
    wanted = as_stored(block, full_count)
    reader = Reader(open_store.path)
    soak_id = open_store.begin_soak(**begin_with(len(full_count), full_count))
    edges = [0, *sorted(min(edge, n) for edge in commits), n]
    for start, stop in itertools.pairwise(edges):
        open_store.add_scans(part(block, start, stop))
        open_store.commit()
    running = {level_s: reader.rollup(soak_id, level_s) for level_s in (10, 60)}
    assert same(reader.scans(soak_id), wanted)
    open_store.end_soak(ended=ENDED, how="stopped", verdict=None)
    assert same(reader.scans(soak_id), wanted)
    for level_s in (1, 10, 30, 60):
        rolled = reader.rollup(soak_id, level_s)
        assert _as_dict(rolled) == buckets(wanted, level_s)
        if level_s in running:
            assert _as_dict(running[level_s]) == _as_dict(rolled)
    assert _table(open_store.path, soak_id) == {
        (level_s, *key): value for level_s in (10, 60) for key, value in buckets(wanted, level_s).items()
    }
    found = reader.soak(soak_id)
    assert (found.scans, found.last_t_us) == (n, int(block.t_us[-1]))


def _as_dict(rolled: Any) -> dict[tuple[int, int], tuple[int, int, int, int]]:
    return {
        (t0_s, channel): (
            int(rolled.n[k, channel]),
            int(rolled.vmin[k, channel]),
            int(rolled.vmax[k, channel]),
            int(rolled.vsum[k, channel]),
        )
        for k, t0_s in enumerate(rolled.t0_s.tolist())
        for channel in range(rolled.n.shape[1])
        if rolled.n[k, channel]
    }


def _table(path: Path, soak_id: int) -> dict[tuple[int, int, int], tuple[int, int, int, int]]:
    with sqlite3.connect(path) as db:
        rows = db.execute(
            "SELECT level_s, t0_s, channel, n, vmin, vmax, vsum FROM rollup WHERE soak_id = ?", (soak_id,)
        ).fetchall()
    db.close()
    return {row[:3]: row[3:] for row in rows}


def test_a_bucket_in_which_a_channel_gave_no_reading_is_nan_and_not_zero(path: Path) -> None:
    block = idle_scans(200, 2)
    block.counts[:100, 1] = NO_READING
    soak_id = stored(path, block)
    rolled = Reader(path).rollup(soak_id, 10)
    assert rolled.n.tolist() == [[100, 0], [100, 100]]
    assert math.isnan(rolled.vmin[0, 1])
    assert math.isnan(rolled.vmax[0, 1])
    assert math.isnan(rolled.mean[0, 1])
    assert rolled.mean[1, 1] == pytest.approx(block.counts[100:, 1].mean())


def test_the_documented_lines_of_plain_python_read_the_scans_without_soakbench(path: Path) -> None:
    block = odd_scans(5, 400, [NARROW, WIDE, NARROW], 10.0, 0.1, 0.1, 0.02)
    narrow = odd_scans(6, 400, [NARROW] * 3, 7.0, 0.1, 0.1, 0.02)
    with Writer(path, ManualClock()) as writer:
        for scans, full in ((block, [NARROW, WIDE, NARROW]), (narrow, [NARROW] * 3)):
            writer.begin_soak(**begin_with(3, full))
            writer.add_scans(scans)
            writer.end_soak(ended=ENDED, how="finished", verdict=None)
    assert schema.__doc__ is not None
    code = textwrap.dedent(
        schema.__doc__.partition("needs nothing of ours:\n")[2].partition("\nnor does reading")[0]
    )
    assert len([line for line in code.splitlines() if line.strip()]) <= 20
    program = (
        code + f"\nimport json, sys\nprint(json.dumps([list(scans({str(path)!r}, k)) for k in (1, 2)]))\n"
        "assert not {'numpy', 'sqlalchemy', 'logger'} & set(sys.modules)\n"
    )
    run = subprocess.run(
        [sys.executable, "-I", "-S", "-c", program], capture_output=True, text=True, check=True
    )
    for found, wanted in zip(
        json.loads(run.stdout),
        (as_stored(block, [NARROW, WIDE, NARROW]), as_stored(narrow, [NARROW] * 3)),
        strict=True,
    ):
        counts = [[None if count == NO_READING else count for count in row] for row in wanted.counts.tolist()]
        assert found == [
            list(row) for row in zip(wanted.t_us.tolist(), wanted.sequence.tolist(), counts, strict=True)
        ]


def test_a_bytes_example_of_the_layout_holds(path: Path) -> None:
    # By hand from the schema's description: two scans, two channels, int16.
    block = ScanBlock(
        np.array([3_000_000, 3_100_007]), np.array([41, 42]), np.array([[258, -1], [NO_READING, -32768]])
    )
    stored(path, ScanBlock(block.t_us, block.sequence, block.counts.astype(np.int32)))
    with sqlite3.connect(path) as db:
        row = db.execute("SELECT t0_s, sequence, n, sequences, hex(data) FROM scan").fetchone()
    db.close()
    assert row == (3, 41, 2, None, "00000000A7860100" + "02010080" + "FFFF0180")


def test_a_count_that_needs_more_than_16_bits_costs_them_in_its_own_second_only(path: Path) -> None:
    block = idle_scans(30, 4)
    block.counts[15, 2] = 70_000
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(4, [WIDE] * 4))
        writer.add_scans(block)
    with sqlite3.connect(path) as db:
        lengths = [row[0] for row in db.execute("SELECT length(data) FROM scan ORDER BY t0_s")]
    db.close()
    assert lengths == [40 + 80, 40 + 160, 40 + 80]
    assert same(Reader(path).scans(soak_id), block)


def test_a_wide_converters_minus_32768_is_a_count_like_any_other(path: Path) -> None:
    block = idle_scans(10, 1)
    block.counts[4, 0] = -32768
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(1, [WIDE]))
        writer.add_scans(block)
    assert Reader(path).scans(soak_id).counts[4, 0] == -32768


def test_scans_are_read_from_a_moment_up_to_another(path: Path) -> None:
    block = idle_scans(100, 2)
    soak_id = stored(path, block)
    reader = Reader(path)
    assert same(reader.scans(soak_id, 1_500_000, 3_000_000), part(block, 15, 30))
    assert same(reader.scans(soak_id, to_us=1), part(block, 0, 1))
    assert same(reader.scans(soak_id, from_us=9_900_000), part(block, 99))
    assert len(reader.scans(soak_id, from_us=9_900_001)) == 0


@pytest.mark.parametrize("seconds", [1, 7, 600])
def test_blocks_of_any_length_give_all_scans_once(path: Path, seconds: int) -> None:
    block = odd_scans(3, 150, [NARROW], 4.0, 0.2, 0.0, 0.0)
    soak_id = stored(path, block)
    blocks = list(Reader(path).scan_blocks(soak_id, seconds))
    assert same(
        ScanBlock(
            np.concatenate([b.t_us for b in blocks]),
            np.concatenate([b.sequence for b in blocks]),
            np.concatenate([b.counts for b in blocks]),
        ),
        as_stored(block, [NARROW]),
    )
    assert len(blocks) >= 5 or seconds > 7


def test_blocks_of_a_running_soak_take_in_what_arrives_meanwhile(path: Path) -> None:
    block = idle_scans(45, 1)
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(1))
        writer.add_scans(part(block, 0, 25))
        writer.commit()
        blocks = Reader(path).scan_blocks(soak_id, 1)
        seen = [next(blocks), next(blocks)]
        writer.add_scans(part(block, 25))
        writer.commit()
        seen += list(blocks)
    assert np.concatenate([b.t_us for b in seen]).tolist() == block.t_us.tolist()


def test_a_roll_up_has_the_buckets_that_touch_what_was_asked_for(path: Path) -> None:
    soak_id = stored(path, idle_scans(1500, 1))
    reader = Reader(path)
    assert reader.rollup(soak_id, 10, 25.0, 41.0).t0_s.tolist() == [20, 30, 40]
    assert reader.rollup(soak_id, 10, 20.0, 40.0).t0_s.tolist() == [20, 30]
    assert reader.rollup(soak_id, 60, 59.9, None).t0_s.tolist() == [0, 60, 120]
    assert reader.rollup(soak_id, 120).n.tolist() == [[1200], [300]]
    assert len(reader.rollup(soak_id, 10, 900.0, 1000.0)) == 0
    with pytest.raises(RequestError, match="whole number of seconds"):
        reader.rollup(soak_id, 0)


def test_only_closed_buckets_are_stored_while_a_soak_runs(path: Path) -> None:
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(1))
        writer.add_scans(idle_scans(255, 1))
        writer.commit()
        assert {key[:2] for key in _table(path, soak_id)} == {(10, 0), (10, 10)}
        assert Reader(path).rollup(soak_id, 10).n.ravel().tolist() == [100, 100, 55]


def test_scans_that_do_not_run_forward_are_a_fault_of_the_program(path: Path) -> None:
    block = idle_scans(20, 2)
    with Writer(path, ManualClock()) as writer:
        with pytest.raises(SoakbenchError, match="no soak is being written"):
            writer.add_scans(block)
        writer.begin_soak(**begin_with(2))
        writer.add_scans(part(block, 0, 10))
        with pytest.raises(SoakbenchError, match="not later"):
            writer.add_scans(part(block, 9))
        with pytest.raises(SoakbenchError, match="2 channels were expected"):
            writer.add_scans(ScanBlock(block.t_us[10:], block.sequence[10:], block.counts[10:, :1]))
        with pytest.raises(SoakbenchError, match="another was begun"):
            writer.begin_soak(**begin_with(2))


# ---- soaks, findings, marks


def test_a_soak_comes_back_as_it_was_begun_and_ended(path: Path) -> None:
    verdict = {"schema": "soakbench.judge/1", "soak": {"verdict": "pass", "drift_mA_per_h": math.nan}}
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(3), kind="as found")
        now = {"t_s": np.float64(1.5), "channels": {"pair1": {"value": np.nan}}, "state": "warming"}
        writer.set_now(lambda: now)
        writer.commit()
        running = Reader(path).soak()
        writer.end_soak(ended=ENDED, how="stopped", verdict=verdict)
    assert (running.ended, running.how, running.verdict, running.last_t_us) == (None, None, None, None)
    assert running.now == {"t_s": 1.5, "channels": {"pair1": {"value": None}}, "state": "warming"}
    soak = Reader(path).soak(soak_id)
    assert (soak.bench, soak.amp, soak.kind, soak.how) == ("bench", "Theatre PA 240 W", "as found", "stopped")
    assert (soak.started, soak.ended) == (STARTED, ENDED)
    assert soak.verdict == {
        "schema": "soakbench.judge/1",
        "soak": {"verdict": "pass", "drift_mA_per_h": None},
    }
    assert soak.setup == setup_of(setup_text(3))
    assert soak.setup_digest == soak.setup.digest
    assert soak.daq == daq([NARROW] * 3)
    assert re.fullmatch(r"[0-9a-f-]{36}", soak.uuid)
    assert soak.program.startswith("soakbench ")


def test_a_finding_is_one_row_that_is_brought_up_to_date(path: Path) -> None:
    later = DRIFT.changed(cleared_s=7000.0, evidence={"rate_mA_per_h": math.nan})
    gap = Finding(
        2, Kind.GAP, None, ("pair1", "ht"), 10.0, 10.0, Severity.REMARK, "no scan for 12 s", under=1
    )
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(1))
        writer.put_finding(DRIFT)
        writer.commit()
        assert Reader(path).findings(soak_id) == [DRIFT]
        writer.put_finding(gap)
        writer.put_finding(later)
        writer.commit()
    assert Reader(path).findings(soak_id) == [later.changed(evidence={"rate_mA_per_h": None}), gap]
    with sqlite3.connect(path) as db:
        texts = db.execute("SELECT channels, evidence FROM finding ORDER BY id").fetchall()
    db.close()
    assert texts == [('["pair1"]', '{"rate_mA_per_h":null}'), ('["pair1","ht"]', "{}")]


def test_marks_come_back_in_order_of_time(path: Path) -> None:
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(1))
        writer.put_mark(Mark(2_000_000, 'tapped V5 – "hard"; DROP TABLE mark'))
        writer.put_mark(Mark(1_000_000, "fan on"))
        writer.end_soak(ended=ENDED, how="finished", verdict=None)
    assert Reader(path).marks(soak_id) == [
        Mark(1_000_000, "fan on"),
        Mark(2_000_000, 'tapped V5 – "hard"; DROP TABLE mark'),
    ]


def test_calibrations_come_back_by_number_and_the_newest_of_a_board(path: Path) -> None:
    with Writer(path, ManualClock()) as writer:
        assert writer.newest_calibration("board 7") is None
        later = writer.add_calibration(a_calibration(day=20, gain=1.01))
        earlier = writer.add_calibration(a_calibration(day=3))
        writer.add_calibration(a_calibration("board 8", day=28))
        newest = writer.newest_calibration("board 7")
        soak_id = writer.begin_soak(**begin_with(2), calibration_id=later)
    reader = Reader(path)
    assert newest is not None
    assert newest.id == later == reader.calibration("newest", "board 7").id
    wanted = a_calibration(day=20, gain=1.01)
    assert newest.channels == wanted.channels
    assert (newest.made, newest.by, newest.instrument) == (wanted.made, wanted.by, wanted.instrument)
    assert [one.id for one in reader.calibrations("board 7")] == [earlier, later]
    assert reader.calibration_of(reader.soak(soak_id)) == newest
    with pytest.raises(RequestError, match=r"there is no calibration 9 in .*: it has 2, 1, 3"):
        reader.calibration(9)
    with pytest.raises(RequestError, match="there is no calibration of the board board 9"):
        reader.calibration("newest", "board 9")


def test_a_soak_without_a_calibration_or_checks_says_so(path: Path) -> None:
    with Writer(path, ManualClock()) as writer:
        writer.begin_soak(**begin_with(2))
    soak = Reader(path).soak()
    assert (soak.calibration_id, soak.checks, Reader(path).calibration_of(soak)) == (None, None, None)


def test_the_checks_before_power_are_due_at_once_and_kept(path: Path) -> None:
    checks = [{"check": "zero current", "result": "stop", "says": "pair1 reads 9 mA", "do": "look"}]
    with Writer(path, ManualClock()) as writer:
        writer.begin_soak(**begin_with(2))
        writer.put_checks(checks)
        assert writer.commit_due()
        writer.commit()
        assert Reader(path).soak().checks == checks


def test_soaks_are_named_by_number_or_last(path: Path) -> None:
    with Writer(path, ManualClock()) as writer:
        for _ in range(3):
            writer.begin_soak(**begin_with(1))
            writer.end_soak(ended=ENDED, how="finished", verdict=None)
    reader = Reader(path)
    assert [soak.id for soak in reader.soaks()] == [1, 2, 3]
    assert reader.soak("last").id == reader.soak("3").id == reader.soak(3).id == 3
    assert len({soak.uuid for soak in reader.soaks()}) == 3
    with pytest.raises(RequestError, match=r"no soak 7 in .*it has 1, 2, 3"):
        reader.soak(7)
    with pytest.raises(RequestError, match='its number or "last"'):
        reader.soak("latest")


def test_how_a_soak_ended_is_one_of_three_words(path: Path) -> None:
    with Writer(path, ManualClock()) as writer:
        writer.begin_soak(**begin_with(1))
        with pytest.raises(StoreError, match="ck_soak_how"):
            writer.end_soak(ended=ENDED, how="abandoned", verdict=None)
        writer.end_soak(ended=ENDED, how="stopped", verdict=None)


def test_the_view_gives_units_where_the_way_is_straight_and_volts_where_not(path: Path) -> None:
    text = setup_text(1).replace(
        "[plan]",
        '[[channel]]\nname = "ht"\nmeasures = "HT"\ndivider_ohm = [1_000_000, 4_700]\n'
        '[[channel]]\nname = "mains"\nmeasures = "mains"\nsensor = "linear"\nvalue_per_V = -100.0\n'
        "value_at_0V = 12.0\n"
        '[[channel]]\nname = "chassis"\nmeasures = "chassis temperature"\nsensor = "ntc"\n'
        "pullup_ohm = 10000\n"
        '[[channel]]\nname = "room"\nmeasures = "ambient temperature"\n'
        "[plan]",
    )
    setup = setup_of(text)
    steps = (7.8125e-6, 125e-6, 125e-6, 125e-6, 125e-6)
    board = DaqInfo("b", 1, steps, (32767,) * 5)
    block = idle_scans(100, 5)
    block.counts[50, 1] = 32767
    with Writer(path, ManualClock()) as writer:
        writer.begin_soak(setup=setup, setup_text=text, daq=board, started=STARTED)
        writer.add_scans(block)
        writer.end_soak(ended=ENDED, how="finished", verdict=None)
    with sqlite3.connect(path) as db:
        view = {
            row[0]: row[1:]
            for row in db.execute(
                "SELECT name, unit, n, mean, least, greatest, railed FROM rollup_in_units WHERE level_s = 10"
            )
        }
    db.close()
    assert [view[name][0] for name in setup.names] == ["A", "V", "V", "V", "V"]
    assert [view[name][5] for name in setup.names] == [0, 1, 0, 0, 0]
    converter = Converter(setup, board)
    for column in range(5):
        counts = block.counts[:, column].astype(float)
        values = converter.values(column, counts) if column < 3 else counts * steps[column]
        name = setup.names[column]
        assert view[name][2:5] == pytest.approx((values.mean(), values.min(), values.max()), rel=1e-9), name


# ---- when to commit, and what happens when that fails


def test_a_commit_is_due_after_a_second_or_a_thousand_scans(path: Path) -> None:
    clock = ManualClock()
    block = idle_scans(3000, 1)
    with Writer(path, clock) as writer:
        assert not writer.commit_due()
        writer.begin_soak(**begin_with(1))
        assert not writer.commit_due()
        writer.add_scans(part(block, 0, 10))
        clock.advance(0.9)
        assert not writer.commit_due()
        clock.advance(0.1)
        assert writer.commit_due()
        writer.commit()
        assert not writer.commit_due()
        writer.add_scans(part(block, 10, 1009))
        assert not writer.commit_due()
        writer.add_scans(part(block, 1009, 1010))
        assert writer.commit_due()
        writer.commit()
        clock.advance(60.0)
        assert not writer.commit_due()  # nothing waits


def test_a_finding_is_due_at_once_when_it_opens_clears_or_turns_worse_but_not_each_time_it_grows(
    path: Path,
) -> None:
    with Writer(path, ManualClock()) as writer:
        writer.begin_soak(**begin_with(1))
        for finding, due in (
            (DRIFT, True),
            (DRIFT.changed(says="pair1 has been rising 2.2 mA an hour"), False),
            (DRIFT.changed(severity=Severity.TRIP), True),
            (DRIFT.changed(severity=Severity.TRIP, cleared_s=9000.0), True),
        ):
            writer.put_finding(finding)
            assert writer.commit_due() == due
            writer.commit()
        writer.put_mark(Mark(0, "fan on"))
        assert writer.commit_due()


def test_while_another_program_holds_the_store_nothing_is_lost_and_the_daemon_is_not_held_up(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sqlite, "LOCK_WAIT_S", 0.05)
    clock = ManualClock()
    block = idle_scans(95, 2)
    with Writer(path, clock) as writer:
        soak_id = writer.begin_soak(**begin_with(2))
        writer.add_scans(part(block, 0, 35))
        writer.commit()
        with sqlite.write_lock(path):
            writer.add_scans(part(block, 35, 70))
            writer.put_finding(DRIFT)
            assert writer.commit_due()
            with pytest.raises(StoreError, match=r"soak\.db can't be written: another program has held"):
                writer.commit()
            assert not writer.commit_due()
            clock.advance(1.0)
            assert writer.commit_due()
        assert (writer.held_scans, Reader(path).soak().scans) == (35, 35)
        writer.add_scans(part(block, 70))
        writer.commit()
        assert (writer.held_scans, Reader(path).soak().scans) == (0, 95)
    assert same(Reader(path).scans(soak_id), block)
    assert Reader(path).findings(soak_id) == [DRIFT]


def test_a_full_disk_loses_nothing_once_there_is_room_again(path: Path) -> None:
    block = idle_scans(20_000, 4)
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(4))
        writer.add_scans(part(block, 0, 1005))
        writer.commit()
        assert writer._connection is not None
        writer._connection.exec_driver_sql("PRAGMA max_page_count = 60")  # SQLite then says SQLITE_FULL
        writer._connection.rollback()
        writer.add_scans(part(block, 1005))
        writer.put_mark(Mark(5, "fan on"))
        with pytest.raises(StoreError, match=r"its disk is full, make room"):
            writer.commit()
        assert same(Reader(path).scans(soak_id), part(block, 0, 1005))
        writer._connection.exec_driver_sql("PRAGMA max_page_count = 1000000")
        writer._connection.rollback()
        writer.end_soak(ended=ENDED, how="finished", verdict=None)
    reader = Reader(path)
    assert same(reader.scans(soak_id), block)
    assert reader.marks(soak_id) == [Mark(5, "fan on")]
    assert _table(path, soak_id) == {
        (level_s, *key): value for level_s in (10, 60) for key, value in buckets(block, level_s).items()
    }


def test_a_commit_that_had_succeeded_without_sqlite_knowing_can_be_done_again(path: Path) -> None:
    block = idle_scans(300, 2)
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(2))
        writer.add_scans(block)
        writer.put_finding(DRIFT)
        run = writer._run
        assert run is not None
        held = (list(run.waiting), run.waiting_scans, dict(run.findings), dict(run.buckets), run.second)
        writer.commit()
        run.waiting, run.waiting_scans, run.findings, run.buckets, run.second = held
        writer.commit()
    reader = Reader(path)
    assert same(reader.scans(soak_id), block)
    assert reader.findings(soak_id) == [DRIFT]
    assert _as_dict(reader.rollup(soak_id, 10)) == buckets(block, 10)


def test_what_is_held_is_bounded_and_what_is_lost_is_counted(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.store.writer.HELD_SAMPLES_MOST", 400)
    block = idle_scans(1000, 4)
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(4))
        for start in range(0, 1000, 10):
            writer.add_scans(part(block, start, start + 10))
        assert (writer.held_scans, writer.lost_scans) == (100, 900)
    assert same(Reader(path).scans(soak_id), part(block, 900))
    assert Reader(path).soak(soak_id).scans == 100


# ---- one file, one writer, readers that leave no trace


def test_a_closed_store_is_one_file_and_reading_it_leaves_no_trace(path: Path) -> None:
    soak_id = stored(path, idle_scans(50, 1))
    assert beside(path) == ["soak.db"]
    before = path.stat()
    reader = Reader(path)
    assert len(reader.scans(soak_id)) == 50
    assert reader.soaks()
    assert beside(path) == ["soak.db"]
    assert path.stat().st_mtime_ns == before.st_mtime_ns


def test_a_store_closed_while_somebody_reads_is_one_file_once_they_are_done(path: Path) -> None:
    class Patient(ManualClock):
        def sleep(self, seconds: float) -> None:
            reading.close()  # whoever was reading is done while the writer waits
            super().sleep(seconds)

    writer = Writer(path, Patient())
    writer.begin_soak(**begin_with(1))
    reading = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
    assert reading.execute("SELECT count(*) FROM soak").fetchone() == (1,)
    writer.close()
    assert beside(path) == ["soak.db"]


def test_what_was_in_the_log_is_in_the_store_while_somebody_reads_on(path: Path, tmp_path: Path) -> None:
    writer = Writer(path, ManualClock())
    soak_id = writer.begin_soak(**begin_with(1))
    writer.add_scans(idle_scans(50, 1))
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as reading:
        assert reading.execute("SELECT count(*) FROM soak").fetchone() == (1,)
        writer.close()
        alone = tmp_path / "alone.db"
        shutil.copy(path, alone)
    assert len(Reader(alone).scans(soak_id)) == 50


def test_what_a_reader_leaves_beside_a_store_that_closed_under_it_does_no_harm(path: Path) -> None:
    soak_id = stored(path, idle_scans(50, 1))
    late = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
    late.execute("SELECT count(*) FROM soak").fetchone()
    late.close()
    assert beside(path) == ["soak.db", "soak.db-shm", "soak.db-wal"]
    assert len(Reader(path).scans(soak_id)) == 50
    stored(path, idle_scans(50, 1))
    assert beside(path) == ["soak.db"]


def test_a_running_store_is_read_without_holding_up_the_writer(path: Path) -> None:
    block = idle_scans(60, 1)
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(1))
        for start in range(0, 60, 20):
            writer.add_scans(part(block, start, start + 20))
            writer.commit()
            assert len(Reader(path).scans(soak_id)) == start + 20
    assert beside(path) == ["soak.db"]


def test_the_writer_syncs_fully_keeps_a_log_and_holds_to_foreign_keys(path: Path) -> None:
    with Writer(path, ManualClock()) as writer:
        assert writer._connection is not None
        pragmas = {
            name: writer._connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("synchronous", "journal_mode", "foreign_keys")
        }
        writer._connection.rollback()
    assert pragmas == {"synchronous": 2, "journal_mode": "wal", "foreign_keys": 1}


def test_a_second_daemon_is_refused_and_does_no_harm(path: Path) -> None:
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(1))
        with pytest.raises(
            DaemonRunning, match=r"another soakbench is writing to the store .*soak\.db"
        ) as caught:
            Writer(path, ManualClock())
        assert caught.value.exit_code == 3
        writer.add_scans(idle_scans(10, 1))
    assert Reader(path).soak(soak_id).scans == 10


def test_a_second_daemon_in_another_process_is_refused_too(path: Path) -> None:
    with Writer(path, ManualClock()):
        code = (
            "import sys\nfrom logger.clock import SystemClock\nfrom logger.errors import DaemonRunning\n"
            "from logger.store.writer import Writer\n"
            f"try:\n    Writer({str(path)!r}, SystemClock())\n"
            "except DaemonRunning as error:\n    print(error); sys.exit(error.exit_code)\n"
        )
        run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert (run.returncode, run.stderr) == (3, "")
    assert run.stdout.count("\n") == 1


def test_the_store_can_be_opened_again_after_it_was_closed(path: Path) -> None:
    for wanted in (1, 2):
        assert stored(path, idle_scans(10, 1)) == wanted
    assert [soak.scans for soak in Reader(path).soaks()] == [10, 10]


def test_a_writer_that_was_closed_says_so(path: Path) -> None:
    writer = Writer(path, ManualClock())
    writer.close()
    writer.close()
    with pytest.raises(SoakbenchError, match="after it had been closed"):
        writer.begin_soak(**begin_with(1))


@pytest.mark.skipif(os.name != "posix", reason="folders' rights as POSIX has them")
@pytest.mark.parametrize("closed", [True, False])
def test_a_store_in_a_folder_one_cannot_write_to_can_be_read(closed: bool) -> None:
    with tempfile.TemporaryDirectory() as folder:  # pytest's own folders are shut to others
        path = Path(folder) / "soak.db"
        writer = Writer(path, ManualClock())
        soak_id = writer.begin_soak(**begin_with(1))
        writer.add_scans(idle_scans(30, 1))
        writer.commit()
        if closed:
            writer.close()
        Path(folder).chmod(0o755 if os.geteuid() == 0 else 0o555)
        for found in Path(folder).iterdir():
            found.chmod(0o644)
        code = (
            "import os\nfrom logger.store.reader import Reader\n"
            "if os.geteuid() == 0:\n    os.setgid(65534); os.setuid(65534)\n"
            f"print(len(Reader({str(path)!r}).scans({soak_id})))\n"
        )
        run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
        Path(folder).chmod(0o755)
        writer.close()
        assert (run.stdout, run.stderr) == ("30\n", "")


def test_a_write_that_begins_while_a_closed_store_is_read_is_noticed(path: Path) -> None:
    soak_id = stored(path, idle_scans(10, 1))
    reader = Reader(path)
    seen = []

    def fetch(connection: Any) -> int:
        found = connection.exec_driver_sql("SELECT count(*) FROM soak").scalar()
        if not seen:
            assert stored(path, idle_scans(10, 1)) == soak_id + 1
        seen.append(found)
        return int(found)

    assert reader.look(fetch) == 2
    assert seen == [1, 2]


# ---- what is no store, or not ours


def test_reading_never_makes_a_store(path: Path) -> None:
    with pytest.raises(StoreError, match=r"there is no store .*soak\.db: run `soakbench demo`"):
        Reader(path).soaks()
    assert beside(path) == []
    path.touch()
    with pytest.raises(StoreError, match="is empty"):
        Reader(path).soaks()
    assert path.stat().st_size == 0


@pytest.mark.parametrize("content", [b"t_s,pair1 [mA]\n" * 500, b"hello"])
def test_a_file_that_is_no_database_is_named_and_left_alone(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    for attempt in (lambda: Writer(path, ManualClock()), lambda: Reader(path).soaks()):
        with pytest.raises(StoreError, match=r"soak\.db can't be (read|written): it is no SQLite file"):
            attempt()
    assert path.read_bytes() == content
    assert beside(path) == ["soak.db"]


def test_a_folder_in_place_of_a_store_is_named(path: Path) -> None:
    path.mkdir()
    for attempt in (lambda: Writer(path, ManualClock()), lambda: Reader(path).soaks()):
        with pytest.raises(StoreError, match=r"soak\.db can't be (read|written)"):
            attempt()
    assert beside(path) == ["soak.db"]


def test_somebody_elses_database_is_left_alone(path: Path) -> None:
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE invoice (id INTEGER)")
    db.close()
    for attempt in (lambda: Writer(path, ManualClock()), lambda: Reader(path).soaks()):
        with pytest.raises(StoreError, match="a database, but no soakbench store"):
            attempt()
    with sqlite3.connect(path) as db:
        assert db.execute("SELECT name FROM sqlite_master").fetchall() == [("invoice",)]
    db.close()


def test_a_store_from_a_later_soakbench_is_refused_with_both_versions(path: Path) -> None:
    stored(path, idle_scans(10, 1))
    with sqlite3.connect(path) as db:
        db.execute("UPDATE alembic_version SET version_num = '0917'")
    db.close()
    before = path.read_bytes()
    for attempt in (lambda: Writer(path, ManualClock()), lambda: Reader(path).soaks()):
        with pytest.raises(
            StoreTooNew, match=rf"has schema 0917, .* none later than {schema.REVISION}"
        ) as caught:
            attempt()
        assert caught.value.exit_code == 3
    assert path.read_bytes() == before


def test_a_damaged_store_is_named_and_not_a_traceback(path: Path) -> None:
    soak_id = stored(path, idle_scans(5000, 4))
    content = bytearray(path.read_bytes())
    content[8192:] = bytes(len(content) - 8192)
    path.write_bytes(content)
    with pytest.raises(StoreError, match="damaged"):
        Reader(path).scans(soak_id)


def test_a_kind_of_finding_from_a_later_program_is_said_to_be_one(path: Path) -> None:
    with Writer(path, ManualClock()) as writer:
        soak_id = writer.begin_soak(**begin_with(1))
        writer.put_finding(DRIFT)
    with sqlite3.connect(path) as db:
        db.execute("UPDATE finding SET kind = 'microphony'")
    db.close()
    with pytest.raises(StoreTooNew, match="'microphony'"):
        Reader(path).findings(soak_id)


# ---- small things


def test_the_environment_names_the_store_else_it_lies_in_the_persons_data_folder(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("SOAKBENCH_DB", str(tmp_path / "bench.db"))
    assert default_path() == tmp_path / "bench.db"
    monkeypatch.delenv("SOAKBENCH_DB")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert default_path().name == "soakbench.db"
    assert default_path().parent.name == "soakbench"


def test_the_room_left_is_told_of_a_store_that_is_not_there_yet_too(tmp_path: Path) -> None:
    left = disk_left_bytes(tmp_path / "new" / "soak.db")
    assert left > 0
    assert left == pytest.approx(disk_left_bytes(tmp_path / "soak.db"), rel=0.2)


@pytest.mark.parametrize(
    ("found", "mended"),
    # "The WAL-reset bug" on SQLite's page "Write-Ahead Logging": mended in 3.51.3, 3.50.7 and 3.44.6.
    [
        ((3, 40, 1), False),
        ((3, 44, 5), False),
        ((3, 44, 6), True),
        ((3, 45, 0), False),
        ((3, 50, 6), False),
        ((3, 50, 7), True),
        ((3, 51, 0), False),
        ((3, 51, 2), False),
        ((3, 51, 3), True),
        ((3, 53, 1), True),
    ],
)
def test_an_old_sqlite_is_warned_of(found: tuple[int, int, int], mended: bool) -> None:
    said = old_sqlite_warning(found)
    assert (said is None) == mended
    if said is not None:
        assert ".".join(map(str, found)) in said


def test_times_are_kept_to_the_microsecond_wherever_the_clock_stands(path: Path) -> None:
    moment = datetime(2026, 10, 25, 1, 59, 59, 999_999, tzinfo=UTC)
    with Writer(path, SystemClock()) as writer:
        writer.begin_soak(**{**begin_with(1), "started": moment.astimezone()})
    assert Reader(path).soak().started == moment
