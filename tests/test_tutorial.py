"""The tutorial is true: its commands are run as it has them, and print what it shows."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from test_demo import (
    a_second_demo_does_not_overwrite_the_first,
    soaks_report_and_export_work_on_what_a_demo_left,
)

import soakbench
from logger.store.reader import Reader

ROOT = Path(__file__).resolve().parent.parent
PAGE = (ROOT / "docs" / "first-soak.md").read_text(encoding="utf-8")
BIN = Path(sys.executable).parent
FASTER = {"soakbench demo drift --out first": " --headless"}
"""Without a dashboard, and as fast as it goes."""
ANYTHING = "..."


def blocks(kind: str) -> list[str]:
    return re.findall(rf"^```{kind}\n(.*?)^```", PAGE, flags=re.MULTILINE | re.DOTALL)


def steps() -> list[tuple[str, list[str]]]:
    """Return each command with the lines that the page shows under it."""
    out: list[tuple[str, list[str]]] = []
    for line in "".join(blocks("console")).splitlines():
        if line.startswith("$ "):
            out.append((line[2:], []))
        else:
            out[-1][1].append(line)
    return out


def pattern(shown: list[str]) -> str:
    """Return what fits the shown lines: `...` is anything, alone on a line any lines; spaces at ends don't
    count.
    """
    out = ""
    for line in shown:
        if line.strip() == ANYTHING:
            out += r"(?:.*\n)*"
        else:
            out += ".*".join(re.escape(part) for part in line.rstrip().split(ANYTHING)) + "\n"
    return out


@pytest.mark.skipif(os.name == "nt", reason="what is shown is what is printed elsewhere")
def test_what_the_tutorial_types_prints_what_it_shows(tmp_path: Path) -> None:
    path = f"{BIN}{os.pathsep}{os.environ['PATH']}"
    environment = os.environ | {"PATH": path, "COLUMNS": "120", "XDG_DATA_HOME": str(tmp_path / "data")}
    assert len(steps()) >= 8
    for command, shown in steps():
        words = shlex.split(command + FASTER.get(command, ""))
        ran = subprocess.run(
            [sys.executable, "-m", *words] if words[0] == "soakbench" else words,
            cwd=tmp_path,
            env=environment | {"PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
            check=False,
        )
        refused = any(line.startswith("soakbench: ") for line in shown)
        printed = ran.stderr if refused else ran.stdout
        assert ran.returncode == (2 if refused else 1 if words[1] == "demo" else 0), (command, ran.stderr)
        assert "Traceback" not in ran.stderr
        lines = "".join(f"{line.rstrip()}\n" for line in printed.splitlines())
        wanted = pattern(shown)
        assert re.fullmatch(wanted, lines), f"{command} prints\n{lines}\nand the page shows\n{shown}"
    out = tmp_path / "first"
    the_full_soak_is_all_there(out)
    a_second_demo_does_not_overwrite_the_first(out)
    (tmp_path / "more").mkdir()
    soaks_report_and_export_work_on_what_a_demo_left(out, tmp_path / "more")


def the_full_soak_is_all_there(out: Path) -> None:
    document = json.loads((out / "judge.json").read_text(encoding="utf-8"))
    assert ("drift", "pair3") in {(one["kind"], one["channel"]) for one in document["findings"]}
    # 2 h 30 min at 10 scans/s, all of them
    assert document["soak"]["scans"] + document["soak"]["scans_missing"] >= 90_000
    assert Reader(out / "soak.db").soak().how == "finished"


def test_what_wants_a_board_can_be_typed_as_it_stands() -> None:
    lines = [line for block in blocks("board") for line in block.splitlines()]
    assert len(lines) >= 6
    known = {name for name, _, _ in soakbench.COMMANDS}
    for line in lines:
        name, command, *rest = shlex.split(line)
        assert name == "soakbench"
        assert command in known
        options = [word for word in rest if word.startswith("--")]
        if options:
            asked = [sys.executable, "-m", "soakbench", command, "--help"]
            said = subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, check=True).stdout
            assert all(option in said for option in options), line


def test_it_is_put_in_as_make_puts_it_in() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8").replace("\\\n", "")
    for system in blocks("sh"):
        for options in re.findall(r"pip install (.*)", system):
            words = set(options.split())
            assert any(words <= set(line.split()) | {"."} for line in makefile.splitlines() if "pip" in line)
    for line in FASTER:
        assert f"$ {line}\n" in PAGE


def test_the_cautions_stand_where_the_amplifier_begins() -> None:
    begins = PAGE.split("## With a board")[1].split("1. **Wire")[0].lower()
    for word in (
        "kills",
        "ht ",
        "mains",
        "glass",
        "charged",
        "local codes",
        "licensed",
        "no certified protective",
    ):
        assert word in begins, word
