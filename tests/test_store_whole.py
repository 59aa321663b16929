"""A store's copy is one instant of it, and what is wrong with a store is found and said."""

from __future__ import annotations

import io
import json
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from PIL import Image
from store_case import NARROW, STARTED, begin_with, idle_scans, odd_scans, part, same

import soakbench
from logger.clock import ManualClock
from logger.errors import RequestError, StoreError
from logger.store import photographs
from logger.store.reader import Reader
from logger.store.record import Record
from logger.store.whole import back_up, verify
from logger.store.writer import Writer


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A store with an ended soak of odd scans over half an hour, a running one, a job with a photograph."""
    path = tmp_path / "soak.db"
    clock = ManualClock(STARTED)
    with Writer(path, clock) as writer:
        writer.begin_soak(**begin_with(2))
        odd = odd_scans(5, 3000, [NARROW, NARROW], per_s=2.0, gaps=0.01, none=0.05, railed=0.01)
        for start in range(0, 3000, 700):
            writer.add_scans(part(odd, start, start + 700))
            writer.commit()
        writer.end_soak(ended=STARTED + timedelta(hours=1), how="finished", verdict=None)
        writer.begin_soak(**begin_with(2))
        writer.add_scans(idle_scans(655, 2))
    record = Record(path, clock, "the workshop")
    job_id = record.book_in(amp="Theatre PA 240 W")
    record.edit("job", job_id, complaint="hums")
    picture = io.BytesIO()
    Image.new("L", (8, 6)).save(picture, "PNG")
    (tmp_path / "a.png").write_bytes(picture.getvalue())
    record.attach(job_id, tmp_path / "a.png")
    return path


def spoil(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("PRAGMA foreign_keys = OFF")
        for statement in statements:
            assert db.execute(statement).rowcount == 1, statement


def test_a_store_that_is_whole_is_called_so(path: Path) -> None:
    seen: list[float] = []
    found = verify(path, seen.append)
    assert (found.wrong, found.remarks) == ([], [])
    assert [(one.id, one.scans, one.ended) for one in found.soaks] == [(1, 3000, True), (2, 655, False)]
    assert found.soaks[1].last_s == 65.4
    assert (found.jobs, found.photographs) == (1, 1)
    assert seen == sorted(seen[:-1]) + seen[-1:]


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        (
            "DELETE FROM scan WHERE soak_id = 1 AND t0_s = (SELECT min(t0_s) FROM scan)",
            "should have 3,000 scans",
        ),
        (
            "UPDATE scan SET data = substr(data, 1, length(data) - 1) WHERE soak_id = 2 AND t0_s = 7",
            "soak 2: the scans of second 7 can't be read",
        ),
        ("UPDATE soak SET scans = 2999 WHERE id = 1", "soak 1 should have 2,999 scans, and has 3,000"),
        ("UPDATE soak SET last_t_us = 5 WHERE id = 2", "soak 2 should end at 0.000 s, and ends at 65.400 s"),
        (
            "UPDATE rollup SET vsum = 1 WHERE soak_id = 1 AND level_s = 60 AND t0_s = 120 AND channel = 1",
            "soak 1: the roll-up of 60 s at 120 s is not that of its scans, 1 such here",
        ),
        (
            "DELETE FROM rollup WHERE soak_id = 2 AND level_s = 10 AND t0_s = 20 AND channel = 0",
            "soak 2: the roll-up of 10 s at 20 s",
        ),
        (
            "INSERT INTO rollup VALUES (1, 10, 86400, 0, 1, 2, 2, 2)",
            "soak 1: the roll-up of 10 s at 86400 s",
        ),
        (
            "UPDATE soak SET job_id = 7 WHERE id = 1",
            "of the table soak belongs to a row of job that is not there",
        ),
        ("DELETE FROM history", "the history of job 1 has a hole: an edit left no trace"),
        ("UPDATE history SET was = '{'", "the history of job 1 can't be read"),
        ("UPDATE photograph SET checksum = 'ab'", "photograph 1 of job 1 is missing"),
    ],
)
def test_what_is_wrong_is_said(path: Path, statement: str, says: str) -> None:
    spoil(path, statement)
    assert any(says in sentence for sentence in verify(path).wrong), verify(path).wrong


def test_a_file_with_damaged_pages_is_said_to_be_so(path: Path) -> None:
    data = bytearray(path.read_bytes())
    for page in range(6, len(data) // 4096):
        data[page * 4096 : page * 4096 + 200] = b"\xff" * 200
    path.write_bytes(data)
    found = verify(path)
    assert not found.whole
    assert "damaged" in found.wrong[0]
    path.write_bytes(b"no store at all, but long enough to be taken for one" * 100)
    assert "it is no SQLite file" in verify(path).wrong[0]


def test_a_damaged_photograph_and_a_stranger_beside_it(path: Path) -> None:
    (kept,) = Reader(path).photographs()
    photographs.path_of(path, kept).write_bytes(b"x")
    (photographs.folder(path) / "notes.txt").write_text("ours")
    found = verify(path)
    assert "is damaged" in found.wrong[0]
    assert "notes.txt belongs to no photograph" in found.remarks[0]


def test_there_must_be_a_store_to_be_looked_at(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no store"):
        verify(tmp_path / "no.db")
    with pytest.raises(StoreError, match="there is no store"):
        back_up(tmp_path / "no.db", tmp_path / "copy.db")
    assert list(tmp_path.iterdir()) == []


# ---- the copy


def test_a_copy_is_one_file_with_all_that_was_there_and_its_photographs(path: Path, tmp_path: Path) -> None:
    folder = tmp_path / "stick"
    folder.mkdir()
    out = folder / "monday.db"
    assert back_up(path, out) == []
    assert sorted(file.name for file in folder.iterdir()) == ["monday.db", "monday.db-photos"]
    assert verify(out).wrong == []
    for number in (1, 2):
        assert same(Reader(out).scans(number), Reader(path).scans(number))
    assert Reader(out).job(1) == Reader(path).job(1)
    (kept,) = Reader(out).photographs()
    assert photographs.path_of(out, kept).read_bytes() == photographs.path_of(path, kept).read_bytes()
    assert back_up(path, out) == []
    assert sorted(file.name for file in folder.iterdir()) == ["monday.db", "monday.db-photos"]


def test_the_store_itself_is_never_its_own_copy(path: Path, tmp_path: Path) -> None:
    (tmp_path / "link.db").symlink_to(path)
    for out in (path, tmp_path / "link.db"):
        with pytest.raises(RequestError, match="is the store itself"):
            back_up(path, out)
    assert verify(path).whole


def test_a_copy_that_can_not_be_written_leaves_nothing(path: Path, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="can't be copied to"):
        back_up(path, tmp_path / "no such folder" / "copy.db")
    (tmp_path / "copy.db").write_text("somebody's")
    assert soakbench.main(["backup", "--db", str(path), "--out", str(tmp_path / "copy.db")]) == 2
    assert (tmp_path / "copy.db").read_text() == "somebody's"


def test_copies_made_while_a_daemon_writes_are_each_of_one_instant(path: Path, tmp_path: Path) -> None:
    """Another process commits every few milliseconds; each copy is whole, and holds what was committed."""
    script = (
        "import sys\n"
        "sys.path.insert(0, sys.argv[2])\n"
        "from store_case import begin_with, idle_scans, part\n"
        "from logger.clock import SystemClock\n"
        "from logger.store.writer import Writer\n"
        "scans = idle_scans(60_000, 2)\n"
        "with Writer(sys.argv[1], SystemClock()) as writer:\n"
        "    writer.close_broken_off()\n"
        "    writer.begin_soak(**begin_with(2))\n"
        "    for start in range(0, 60_000, 20):\n"
        "        writer.add_scans(part(scans, start, start + 20))\n"
        "        writer.commit()\n"
        "        print(start, flush=True)\n"
    )
    writing = subprocess.Popen(
        [sys.executable, "-c", script, str(path), str(Path(__file__).parent)], stdout=subprocess.PIPE
    )
    assert writing.stdout is not None
    try:
        writing.stdout.readline()
        counts = []
        for number in range(4):
            committed = int(writing.stdout.readline()) + 20
            out = tmp_path / f"copy{number}.db"
            assert back_up(path, out) == []
            found = verify(out)
            assert found.wrong == []
            counts.append(found.soaks[-1].scans)
            assert counts[-1] >= committed
            assert not Path(f"{out}-wal").exists()
            assert same(Reader(out).scans(3), part(idle_scans(60_000, 2), 0, counts[-1]))
        assert counts == sorted(counts)
        assert verify(path).wrong == []  # the running one too
    finally:
        writing.kill()
        writing.communicate()


# ---- the commands


def test_verify_and_backup_say_it_by_their_exit_codes(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = ["--db", str(path)]
    assert soakbench.main(["verify", *store]) == 0
    assert "The store is whole: 2 soaks, 1 job, 1 photograph looked at." in capsys.readouterr().out
    assert soakbench.main(["backup", *store, "--out", str(tmp_path / "copy.db")]) == 0
    (kept,) = Reader(path).photographs()
    photographs.path_of(path, kept).unlink()
    capsys.readouterr()
    assert soakbench.main(["verify", *store, "--json", "-"]) == 1
    said = capsys.readouterr()
    document = json.loads(said.out)
    assert (document["schema"], document["whole"]) == ("soakbench.verify/1", False)
    assert document["wrong"][0] in said.err
    assert document["soaks"][0]["scans"] == 3000
    assert soakbench.main(["backup", *store, "--out", str(tmp_path / "second.db")]) == 1
    assert verify(tmp_path / "second.db").photographs == 1
    assert soakbench.main(["verify", "--db", str(tmp_path / "no.db")]) == 3
