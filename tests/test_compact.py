"""A compact soak is the same soak in less room: to every reader, and whatever breaks off on the way."""

from __future__ import annotations

import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import textwrap
import threading
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from store_case import NARROW, STARTED, WIDE, begin_with, idle_scans, odd_scans, part, same

import soakbench
from logger.blocks import NO_READING, ScanBlock
from logger.clock import ManualClock
from logger.errors import RequestError, StoreError
from logger.store import packing, schema, thinning
from logger.store import rollup as rollups
from logger.store.portion import Got, fetch_part
from logger.store.reader import Reader, Soak
from logger.store.whole import verify
from logger.store.writer import Writer


def stored(path: Path, block: ScanBlock, full: list[int]) -> int:
    """Write a soak that has ended; return its number."""
    with Writer(path, ManualClock(STARTED)) as writer:
        number = writer.begin_soak(**begin_with(len(full), full))
        for start in range(0, len(block), 700):
            writer.add_scans(part(block, start, start + 700))
            writer.commit()
        writer.end_soak(ended=STARTED, how="finished", verdict=None)
    return number


def compact(path: Path, soak: Soak, clock: ManualClock | None = None) -> tuple[int, int]:
    return thinning.compact(path, soak, clock or ManualClock(STARTED), lambda _t_s: None)


def rows_of(path: Path, table: str, soak_id: int = 1) -> list[Any]:
    with closing(sqlite3.connect(path)) as db:
        return db.execute(f"SELECT * FROM {table} WHERE soak_id = ? ORDER BY t0_s", (soak_id,)).fetchall()


def portions(reader: Reader, uuid: str, seconds: int) -> list[Any]:
    """Return all rows that a collector gets, in portions of so many seconds."""
    rows: list[Any] = []
    more = True
    while more:
        got = Got(rows[-1][0] if rows else -1)
        one = reader.look(lambda c, got=got: fetch_part(c, uuid, got, seconds))  # type: ignore[misc]
        rows += [tuple(row) for row in one.scans]
        more = one.more
    return rows


# ---- the bytes


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    n=st.integers(1, 400),
    full=st.lists(st.sampled_from([NARROW, WIDE]), min_size=1, max_size=4),
    per_s=st.sampled_from([0.02, 1.0, 10.0, 200.0]),
    start_us=st.sampled_from([0, 59_999_999, 7_200_000_000_000]),
)
def test_any_scans_come_back_from_minutes_as_they_were(
    seed: int, n: int, full: list[int], per_s: float, start_us: int
) -> None:
    odd = odd_scans(seed, n, full, per_s, gaps=0.05, none=0.05, railed=0.02)
    block = ScanBlock(odd.t_us + start_us, odd.sequence, odd.counts)
    rows = packing.pack_minutes(block)
    assert [row.t0_s % 60 for row in rows] == [0] * len(rows)
    assert sum(row.n for row in rows) == n
    assert same(packing.unpack_minutes(rows, len(full)), block)


def test_the_extremes_of_every_number_come_back() -> None:
    least, most = np.iinfo(np.int64).min, np.iinfo(np.int64).max
    counts = np.array([[NO_READING, 2**31 - 1], [2**31 - 1, NO_READING], [0, -1]], dtype=np.int32)
    block = ScanBlock(np.array([0, 1, 59_999_999]), np.array([least, most, 0]), counts)
    assert same(packing.unpack_minutes(packing.pack_minutes(block), 2), block)
    assert packing.pack_minutes(packing.empty(2)) == []
    assert len(packing.unpack_minutes([], 2)) == 0


@settings(max_examples=60, deadline=None)
@given(data=st.binary(max_size=60), at=st.integers(0, 400), n=st.integers(1, 40))
def test_a_damaged_minute_is_read_or_refused_and_takes_no_more_room_than_its_scans(
    data: bytes, at: int, n: int
) -> None:
    (row,) = packing.pack_minutes(idle_scans(n, 3))
    for wrong in (data, row.data[:at], row.data[:at] + data + row.data[at:]):
        with suppress(StoreError):
            assert len(packing.unpack_minutes([row._replace(data=wrong)], 3)) == n


# ---- the store


@settings(max_examples=6, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    n=st.integers(1, 2500),
    full=st.lists(st.sampled_from([NARROW, WIDE]), min_size=1, max_size=3),
    per_s=st.sampled_from([0.05, 1.0, 10.0]),
    cut=st.floats(0.0, 1.0),
    seconds=st.sampled_from([1, 7, 61, 600]),
)
def test_a_compact_soak_reads_as_it_did(
    tmp_path_factory: pytest.TempPathFactory,
    seed: int,
    n: int,
    full: list[int],
    per_s: float,
    cut: float,
    seconds: int,
) -> None:
    """Whole, and cut off after some of its half hours: to every reader, and to a collector."""
    path = tmp_path_factory.mktemp("reads") / "soak.db"
    number = stored(path, odd_scans(seed, n, full, per_s, gaps=0.05, none=0.05, railed=0.02), full)
    reader = Reader(path)
    soak, block, rows = reader.soak(number), reader.scans(number), rows_of(path, "scan")
    last_us = int(block.t_us[-1])
    low_us, high_us = sorted((int(cut * last_us), last_us // 2))
    within = reader.scans(number, low_us, high_us)
    finer = reader.rollup(number, 7)
    brought = portions(reader, soak.uuid, seconds)

    class CutOff(Exception):
        pass

    class Until(ManualClock):
        pieces = int(cut * last_us / 1e6 / thinning._ROWS)

        def sleep(self, seconds: float) -> None:
            self.pieces -= 1
            if self.pieces < 0:
                raise CutOff

    for clock in (Until(STARTED), None):
        with suppress(CutOff):
            compact(path, soak, clock)
        assert same(reader.scans(number), block)
        assert same(reader.scans(number, low_us, high_us), within)
        assert same(packing.joined(list(reader.scan_blocks(number, seconds)), len(full)), block)
        assert rollups.same(reader.rollup(number, 7), finer)
        assert portions(reader, soak.uuid, seconds) == brought
        assert [(one.wrong, one.remarks) for one in (verify(path),)] == [([], [])]
    assert rows_of(path, "scan") == []
    assert brought == [row[1:] for row in rows]
    assert reader.soak(number) == soak
    assert compact(path, soak) == (0, 0)


def test_it_takes_less_than_half_the_room(tmp_path: Path) -> None:
    path = tmp_path / "soak.db"
    stored(path, idle_scans(6000, 8), [NARROW] * 8)
    was, now = compact(path, Reader(path).soak(1))
    before = path.stat().st_size
    freed = thinning.shrink(path)
    assert now < 0.45 * was
    assert freed > 0.8 * (was - now)
    assert path.stat().st_size == before - freed
    assert verify(path).wrong == []


def test_reading_compact_scans_needs_nothing_of_ours(tmp_path: Path) -> None:
    path = tmp_path / "soak.db"
    stored(path, odd_scans(3, 300, [NARROW, WIDE], 1.0, gaps=0.05, none=0.1, railed=0.02), [NARROW, WIDE])
    block = Reader(path).scans(1)
    compact(path, Reader(path).soak(1))
    assert schema.__doc__ is not None
    code = textwrap.dedent(schema.__doc__.partition("nor does reading those of a compact soak:\n")[2])
    assert len([line for line in code.splitlines() if line.strip()]) <= 20
    program = (
        code + f"\nimport json, sys\nprint(json.dumps(list(compact_scans({str(path)!r}, 1))))\n"
        "assert not {'numpy', 'sqlalchemy', 'logger'} & set(sys.modules)\n"
    )
    run = subprocess.run(
        [sys.executable, "-I", "-S", "-c", program], capture_output=True, text=True, check=True
    )
    counts = [[None if count == NO_READING else count for count in row] for row in block.counts.tolist()]
    assert json.loads(run.stdout) == [
        list(row) for row in zip(block.t_us.tolist(), block.sequence.tolist(), counts, strict=True)
    ]


def test_a_daemon_writes_meanwhile_and_a_soak_that_runs_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(thinning, "_ROWS", 60)
    path, block, commits = tmp_path / "soak.db", idle_scans(2000, 2), 0
    stored(path, idle_scans(6000, 2), [NARROW] * 2)
    with Writer(path, ManualClock(STARTED)) as writer:
        number = writer.begin_soak(**begin_with(2))

        class Between(ManualClock):
            def sleep(self, seconds: float) -> None:
                nonlocal commits
                writer.add_scans(part(block, 100 * commits, 100 * commits + 100))
                writer.commit()
                commits += 1

        compact(path, Reader(path).soak(1), Between(STARTED))
        assert commits == 10
        with pytest.raises(RequestError, match="soak 2 has not ended"):
            compact(path, Reader(path).soak(number))
    assert same(Reader(path).scans(number), part(block, 0, 100 * commits))
    assert same(Reader(path).scans(1), idle_scans(6000, 2))
    assert verify(path).wrong == []


_KILLED = """
import itertools, os, signal, sys
from pathlib import Path
import sqlalchemy as sa
from logger.clock import ManualClock
from logger.store import thinning
from logger.store.reader import Reader

thinning._ROWS = 120
path = Path(sys.argv[1])
for line in sys.stdin:
    last, child = int(line), os.fork()
    if child == 0:
        numbers = itertools.count(1)

        def count(*about):
            statement = about[2] if len(about) > 1 else "COMMIT"
            if statement.startswith(("COMMIT", "DELETE", "INSERT")) and next(numbers) == last:
                os.kill(os.getpid(), signal.SIGKILL)

        sa.event.listen(sa.Engine, "before_cursor_execute", count)
        sa.event.listen(sa.Engine, "commit", count)
        thinning.compact(path, Reader(path).soak(1), ManualClock(), lambda _t_s: None)
        os._exit(0)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


@pytest.mark.skipif(os.name == "nt", reason="kills by signal")
def test_killed_anywhere_every_scan_is_there_once(tmp_path: Path) -> None:
    path, block = tmp_path / "soak.db", idle_scans(6000, 2)
    stored(path, block, [NARROW] * 2)
    command = [sys.executable, "-c", _KILLED, str(path)]
    codes, left = [], []
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as mother:
        assert mother.stdin is not None
        assert mother.stdout is not None
        for last in (1, 2, 3, 4, 5, 8, 20):
            print(last, file=mother.stdin, flush=True)
            codes.append(int(mother.stdout.readline()))
            assert verify(path).wrong == []
            assert same(Reader(path).scans(1), block)
            left.append(len(rows_of(path, "scan")))
        mother.stdin.close()
    assert codes[:5] == [-signal.SIGKILL] * 5
    assert codes[-1] == 0
    assert left[0] > left[-1] == 0
    assert len(set(left)) > 2


# ---- what is wrong is said


def test_damage_is_said_and_the_rest_is_read(tmp_path: Path) -> None:
    path = tmp_path / "soak.db"
    stored(path, idle_scans(1800, 2), [NARROW] * 2)
    compact(path, Reader(path).soak(1))
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE scan_minute SET data = substr(data, 1, 50) WHERE t0_s = 60")
    assert "soak 1: the scans of the minute at 60 s can't be read" in verify(path).wrong
    with pytest.raises(StoreError, match=re.escape("minute at 60 s can't be read")):
        Reader(path).scans(1)
    assert len(Reader(path).scans(1, 120_000_000)) == 600


def test_what_can_not_be_read_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "soak.db"
    stored(path, idle_scans(1800, 2), [NARROW] * 2)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE scan SET data = substr(data, 1, 50) WHERE t0_s = 70")
    rows = rows_of(path, "scan")
    with pytest.raises(StoreError, match="scans of soak 1 at 70 s can't be read"):
        compact(path, Reader(path).soak(1))
    assert (rows_of(path, "scan"), rows_of(path, "scan_minute")) == (rows, [])


# ---- the command


def test_the_command_makes_all_that_ended_compact(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def said(*args: object) -> tuple[int, str, str]:
        code = soakbench.main(["compact", *map(str, args)])
        out = capsys.readouterr()
        return code, out.out, out.err

    path = tmp_path / "soak.db"
    stored(path, idle_scans(3000, 8), [NARROW] * 8)
    stored(path, idle_scans(600, 8), [NARROW] * 8)
    with Writer(path, ManualClock(STARTED)) as writer:
        writer.begin_soak(**begin_with(1))
        writer.add_scans(idle_scans(20, 1))
    code, out, err = said("--db", path)
    assert (code, err) == (0, "")
    assert [line[:7] for line in out.splitlines()] == ["soak 1:", "soak 2:", "0.1 MB ", "The fil"]
    assert "--shrink gives its room back" in out
    code, out, err = said(2, "--db", path, "--shrink")
    assert code == 0
    assert "soak 2 is compact already" in err
    assert out.splitlines()[-1].startswith("The file is ")
    assert said(3, "--db", path)[0] == 2
    assert said(9, "--db", path)[0] == 2
    assert "as they were collected" in said("--db", "postgresql://owner@db.shop/soakbench")[2]
    assert same(Reader(path).scans(1), idle_scans(3000, 8))


def test_a_soak_that_can_not_be_read_keeps_no_other_from_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "soak.db"
    for _ in range(2):
        stored(path, idle_scans(600, 2), [NARROW] * 2)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE scan SET data = substr(data, 1, 50) WHERE soak_id = 1 AND t0_s = 7")
    assert soakbench.main(["compact", "--db", str(path)]) == 1
    said = capsys.readouterr()
    assert "the scans of soak 1 at 7 s can't be read" in said.err
    assert said.out.startswith("soak 2: ")
    assert rows_of(path, "scan", 2) == []


def test_a_compact_soak_is_thinned_restored_and_handed_on_as_any(tmp_path: Path) -> None:
    pytest.importorskip("pyarrow")
    from logger import archive as archiving
    from logger.thin import restore, thin

    path, out = tmp_path / "soak.db", tmp_path / "kept"
    block = idle_scans(9000, 2)
    stored(path, block, [NARROW] * 2)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("""UPDATE soak SET verdict = '{"soak": {"verdict": "pass"}}'""")
    reader, rows = Reader(path), rows_of(path, "scan")
    compact(path, reader.soak(1))
    assert [one.became for one in archiving.archive(reader, reader.soaks(), out)] == ["archived"]
    assert archiving.verify(out, reader).wrong == []
    clock = ManualClock(STARTED.replace(year=2028))
    (found,) = thin(path, out, clock.wall(), clock, really=True)
    assert (found.stays, found.scans) == ("", 9000)
    assert 0 < found.bytes < 9000 * 2 * 3
    assert rows_of(path, "scan_minute") == []
    assert verify(path).wrong == []
    restore(path, out, reader.soak(1))
    assert rows_of(path, "scan") == rows
    assert same(reader.scans(1), block)


def test_threads_read_while_it_is_made_compact(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever looks sees every scan once, whichever half hours are done."""
    monkeypatch.setattr(thinning, "_ROWS", 60)
    path, block = tmp_path / "soak.db", idle_scans(12_000, 2)
    stored(path, block, [NARROW] * 2)
    over, wrong, looks = threading.Event(), [], []

    def look() -> None:
        while not over.is_set():
            found = Reader(path).scans(1)
            looks.append(1)
            if not same(found, block):
                wrong.append(len(found))

    reading = threading.Thread(target=look)
    reading.start()
    try:
        compact(path, Reader(path).soak(1))
    finally:
        over.set()
        reading.join()
    assert (wrong, bool(looks)) == ([], True)
