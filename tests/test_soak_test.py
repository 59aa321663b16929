"""`make soak-test` goes on where it was stopped, and takes nothing for passed that is not."""

from __future__ import annotations

import sys
from pathlib import Path

import faults
import pytest

from benchmarks import soak_test


@pytest.fixture
def counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two steps that each leave a digit in a file; the second fails while another file is missing."""
    ran = tmp_path / "ran"
    write = "import sys; open(sys.argv[1], 'a').write(sys.argv[2]); "
    steps = {
        "one": [sys.executable, "-c", write, str(ran), "1"],
        "two": [sys.executable, "-c", write + "open(sys.argv[3])", str(ran), "2", str(tmp_path / "mended")],
    }
    monkeypatch.setattr(soak_test, "steps", lambda: steps)
    monkeypatch.setattr(soak_test, "STATE", tmp_path / "state" / "soak-test.json")
    monkeypatch.setattr(soak_test, "OUT", tmp_path / "out")
    monkeypatch.setattr(soak_test, "code_digest", lambda: "as it is")
    monkeypatch.setattr(sys, "argv", ["soak_test", "--nightly"])
    return ran


def test_what_passed_is_not_run_again_and_what_failed_is(
    counted: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert soak_test.main() == 1
    assert "two" in (line := capsys.readouterr().out.splitlines()[1])  # both are in one lane
    assert "FAILED in" in line
    assert "FileNotFoundError" in (counted.parent / "out" / "two.txt").read_text(encoding="utf-8")
    (counted.parent / "mended").touch()
    assert soak_test.main() == 0
    assert soak_test.main() == 0
    assert counted.read_text(encoding="utf-8") == "122"
    monkeypatch.setattr(soak_test, "code_digest", lambda: "as it became")
    assert soak_test.main() == 0
    assert counted.read_text(encoding="utf-8") == "12212"


def test_every_file_with_long_tests_is_a_step() -> None:
    found = soak_test.steps()
    assert next(iter(found)) == "endurance"
    for path in (soak_test.ROOT / "tests").glob("test_*.py"):
        marked = "@pytest.mark." + "nightly" in path.read_text(encoding="utf-8")
        if marked:
            assert any(f"tests/{path.name}" in command for command in found.values()), path


def test_each_fault_is_in_one_of_two_steps() -> None:
    wait, work = (soak_test.steps()[name] for name in ("faults that wait", "faults at work"))
    assert wait[wait.index("-k") + 1] == f"not ({work[work.index('-k') + 1]})"
    chosen = work[work.index("-k") + 1].split(" or ")
    names = [fault.__name__ for fault in faults.FAULTS]
    assert {word: [name for name in names if word in name] for word in chosen} == {
        "kill_9": ["kill_9"],
        "power_cut": ["power_cut"],
        "many_": ["many_soaks", "many_findings"],
    }


def test_what_waits_runs_beside_what_computes(
    counted: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    # each ends once the other has begun
    meet = (
        "import pathlib, sys, time; pathlib.Path(sys.argv[1]).touch(); "
        "began = time.monotonic()\n"
        "while not pathlib.Path(sys.argv[2]).exists():\n"
        "    assert time.monotonic() - began < 20.0\n"
        "    time.sleep(0.01)"
    )
    here, there = str(tmp_path / "here"), str(tmp_path / "there")
    steps = {
        "faults that wait": [sys.executable, "-c", meet, here, there],
        "faults at work": [sys.executable, "-c", meet, there, here],
    }
    monkeypatch.setattr(soak_test, "steps", lambda: steps)
    monkeypatch.setattr(sys, "argv", ["soak_test"])
    assert soak_test.main() == 0
    assert soak_test.rounds(["endurance", *steps, "bad input", "watch, long", "demo, long"]) == [
        [["faults that wait"], ["faults at work"]],
        [["endurance"]],
        [["bad input"], ["watch, long", "demo, long"]],
    ]
