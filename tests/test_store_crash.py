"""A writer that is killed loses nothing that it had committed, and what it leaves is whole."""

from __future__ import annotations

import random
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from store_case import NARROW, as_stored, begin_with, buckets, odd_scans, part, same

from logger.clock import ManualClock
from logger.store.reader import Reader
from logger.store.writer import Writer

SCANS = 6_000
FULL = [NARROW] * 5

# Says the number of scans after each commit that succeeded; commits in the middle of seconds too.
WRITING = f"""
import sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
from store_case import NARROW, begin_with, odd_scans, part
from logger.clock import ManualClock
from logger.store.writer import Writer
block = odd_scans(11, {SCANS}, {FULL}, 10.0, 0.01, 0.01, 0.01)
writer = Writer(sys.argv[1], ManualClock())
print("soak", writer.begin_soak(**begin_with({len(FULL)}, {FULL})), flush=True)
done = 0
while done < {SCANS}:
    writer.add_scans(part(block, done, done + 37))
    done += 37
    writer.commit()
    print(done, flush=True)
"""


def _whole(path: Path) -> None:
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
    db.close()


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_a_writer_killed_at_any_moment_keeps_all_it_committed(tmp_path: Path) -> None:
    path = tmp_path / "soak.db"
    rng = random.Random(1)
    block = odd_scans(11, SCANS, FULL, 10.0, 0.01, 0.01, 0.01)
    for soak_id in range(1, 4):
        child = subprocess.Popen(
            [sys.executable, "-c", WRITING, str(path)], stdout=subprocess.PIPE, text=True, bufsize=1
        )
        assert child.stdout is not None
        for _ in range(rng.randrange(2, 120)):
            child.stdout.readline()
        child.send_signal(signal.SIGKILL)
        said = child.stdout.read().splitlines()
        child.wait()
        child.stdout.close()
        committed = int(said[-1]) if said and said[-1].isdigit() else 0
        left = Reader(path).soak(soak_id)
        assert left.how is None
        assert left.scans >= committed
        assert left.scans % 37 == 0
        _whole(path)
        with Writer(path, ManualClock()) as writer:
            assert writer.close_broken_off() == [soak_id]
            assert writer.close_broken_off() == []
            assert writer.begin_soak(**begin_with(1)) == soak_id + 1
        _whole(path)
        reader = Reader(path)
        soak = reader.soak(soak_id)
        scans = reader.scans(soak_id)
        assert same(scans, part(as_stored(block, FULL), 0, soak.scans))
        assert soak.how == "broken off"
        assert soak.ended is not None
        assert soak.last_t_us == int(scans.t_us[-1])
        assert round((soak.ended - soak.started).total_seconds() * 1e6) == soak.last_t_us
        with sqlite3.connect(path) as db:
            rows = db.execute(
                "SELECT level_s, t0_s, channel, n, vmin, vmax, vsum FROM rollup WHERE soak_id = ?", (soak_id,)
            ).fetchall()
            db.execute("DELETE FROM channel WHERE soak_id = ?", (soak_id + 1,))
            db.execute("DELETE FROM soak WHERE id = ?", (soak_id + 1,))
        db.close()
        for level_s in (10, 60):
            found = {row[1:3]: row[3:] for row in rows if row[0] == level_s}
            assert found == buckets(scans, level_s)
