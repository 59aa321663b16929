"""`make soak-test` goes on where it was stopped, and takes nothing for passed that is not."""

from __future__ import annotations

import sys
from pathlib import Path

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
    monkeypatch.setattr(sys, "argv", ["soak_test"])
    return ran


def test_what_passed_is_not_run_again_and_what_failed_is(
    counted: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert soak_test.main() == 1
    assert "two" in (line := capsys.readouterr().out.splitlines()[1])
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


def test_bad_input_and_the_faults_run_side_by_side(
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
        "bad input": [sys.executable, "-c", meet, here, there],
        "faults, long": [sys.executable, "-c", meet, there, here],
    }
    monkeypatch.setattr(soak_test, "steps", lambda: steps)
    assert soak_test.main() == 0
    assert soak_test.rounds(["endurance", *steps, "watch"]) == [["endurance"], ["watch"], list(steps)]
