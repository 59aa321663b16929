"""Faults on purpose on the real daemon: each loses no more than promised (`python -m tests.faults`)."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import faults
import filelock
import pytest
from faulty_machine import FaultyMachine, can_be_made
from power_cut import cuts
from store_case import odd_scans
from test_store_crash import FULL, SCANS, WRITING

pytestmark = [
    pytest.mark.skipif(sys.platform != "linux", reason="the faults are made as Linux lets them"),
    pytest.mark.skipif(not can_be_made(), reason="there is no C compiler"),
]
UNSYNCED = """
import sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("PRAGMA synchronous = OFF")
db.execute("CREATE TABLE counted (n INTEGER PRIMARY KEY, text TEXT)")
for n in range(20):
    db.execute("BEGIN")
    db.executemany("INSERT INTO counted (text) VALUES (?)", [("x" * 900,)] * 40)
    db.execute("DELETE FROM counted WHERE n % 3 = ?", (n % 3,))
    db.execute("COMMIT")
"""


def recorded(folder: Path, program: str, lines: int) -> FaultyMachine:
    """Run a program on a machine that records, and kill it once it has said so many lines."""
    (folder / "store").mkdir()
    store = folder / "store" / "soak.db"
    machine = FaultyMachine(folder / "machine", store, recorded=True)
    child = subprocess.Popen(
        [sys.executable, "-c", program, str(store)],
        env=os.environ | machine.environment | {"PYTHONPATH": str(faults.ROOT)},
        stdout=subprocess.PIPE,
    )
    assert child.stdout is not None
    for _ in range(lines):
        child.stdout.readline()
    if lines:
        child.kill()
    child.wait()
    child.stdout.close()
    (folder / "cut").mkdir()
    return machine


def test_a_power_cut_leaves_a_whole_store_with_all_that_was_committed(tmp_path: Path) -> None:
    machine = recorded(tmp_path, WRITING, 7)
    sent = odd_scans(11, SCANS, FULL, 10.0, 0.01, 0.01, 0.01).sequence.tolist()
    found = cuts(machine.log, tmp_path / "store" / "soak.db", tmp_path / "cut", sent, 30, seed=1)
    assert found.wrong == []
    assert found.states > 30
    assert max(number for _, number in found.stored) >= 5 * 37


def test_a_program_that_does_not_sync_is_found_out(tmp_path: Path) -> None:
    machine = recorded(tmp_path, UNSYNCED, 0)
    found = cuts(machine.log, tmp_path / "store" / "soak.db", tmp_path / "cut", [], 30, seed=1)
    assert found.wrong


@pytest.mark.nightly
@pytest.mark.timeout(3000)
@pytest.mark.parametrize("fault", faults.FAULTS, ids=lambda fault: fault.__name__)
def test_a_fault_loses_no_more_than_promised(
    fault: Callable[[float], faults.Found], tmp_path_factory: pytest.TempPathFactory
) -> None:
    # one at a time, whatever runs the tests: they are in real time
    with filelock.FileLock(tmp_path_factory.getbasetemp().parent / "faults.lock"):
        found = fault(faults.FAULTS[fault][0])
    print(found)
    assert found.kept, found
