"""`make soak-test` and `make nightly`: long tests, step by step; what passed with this code is not run again.

    python -m benchmarks.soak_test [--nightly] [STEP ...] [--again] [--list]

The soak test is days of soak and the faults; nightly are bad input by the ten thousand and the long form of
every other test that has one. A step that passed is remembered in `.venv/soak-test.json`, with a checksum of
the code that it passed with, so that a run that was stopped goes on where it was. What each step said lies in
`out/soak-test/`.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parent.parent
STATE: Final = ROOT / ".venv" / "soak-test.json"
OUT: Final = ROOT / "out" / "soak-test"
CASES: Final = 10_000
"""Of bad input, a kind."""
_LONGEST_S: Final = 3000
"""For one test."""
_SOAK: Final = ("endurance", "faults")
_AT_WORK: Final = "kill_9 or power_cut or many_"
"""The faults whose tests compute: the others are in real time and mostly wait."""
_PYTEST: Final = (sys.executable, "-m", "pytest", "--timeout", str(_LONGEST_S))
_CODE: Final = ("logger", "dashboard", "tests", "benchmarks", "firmware_notes", "sample_logs")


def steps() -> dict[str, list[str]]:
    """Return each step's name and command: endurance, the faults, bad input, files with long tests."""
    long = [*_PYTEST, "-n", "1", "-m", "nightly"]
    found = {
        "endurance": [sys.executable, "-m", "benchmarks.endurance"],
        "faults that wait": [*long, "-k", f"not ({_AT_WORK})", "tests/test_faults.py"],
        "faults at work": ["nice", *long, "-k", _AT_WORK, "tests/test_faults.py"],
        f"bad input, {CASES:,} cases a kind": ["nice", *_PYTEST, "-n", "1", "-rP", "tests/test_bad_input.py"],
    }
    for path in sorted((ROOT / "tests").glob("test_*.py")):
        if path.name != "test_faults.py" and "mark.nightly" in path.read_text(encoding="utf-8"):
            name = path.stem.removeprefix("test_").replace("_", " ")
            found[f"{name}, long"] = [*long, f"tests/{path.name}"]
    return found


def rounds(names: Sequence[str]) -> list[list[list[str]]]:
    """Return the steps by what runs at one time: rounds of lanes, and in a lane one step after the other.

    Endurance has two soaks at one time by itself.
    """
    alone = [[[name]] for name in names if name == "endurance"]
    faults = [[name] for name in names if name.startswith("faults")]
    bad = [name for name in names if name.startswith("bad input")]
    rest = [name for name in names if not name.startswith((*_SOAK, "bad input"))]
    return [lanes for lanes in (faults, *alone, [lane for lane in (bad, rest) if lane]) if lanes]


def code_digest() -> str:
    """Return a checksum of all that a step's result may hang on."""
    made = hashlib.sha256(sys.version.encode())
    files = [path for folder in _CODE for path in (ROOT / folder).rglob("*") if path.is_file()]
    files += [ROOT / name for name in ("soakbench.py", "pyproject.toml", "constraints.txt")]
    for path in sorted(files):
        if "__pycache__" not in path.parts:
            made.update(f"{path.relative_to(ROOT)}\0".encode() + hashlib.sha256(path.read_bytes()).digest())
    return made.hexdigest()


def passed(digest: str) -> dict[str, float]:
    """Return the steps that have passed with this code, and how long each took, in seconds."""
    try:
        state = json.loads(STATE.read_text(encoding="utf-8"))
    except (FileNotFoundError, ValueError):
        return {}
    return state["passed"] if state.get("code") == digest else {}


def run(name: str, command: list[str]) -> tuple[bool, float]:
    """Run a step; return whether it passed, and how long it took, in seconds."""
    OUT.mkdir(parents=True, exist_ok=True)
    log = OUT / f"{name.replace(', ', '-').replace(',', '').replace(' ', '-')}.txt"
    began_s = time.monotonic()
    environment = {**os.environ, "SOAKBENCH_CASES": str(CASES), "OPENBLAS_NUM_THREADS": "1"}
    with log.open("w", encoding="utf-8") as said:
        done = subprocess.run(command, cwd=ROOT, env=environment, stdout=said, stderr=said, check=False)
    return done.returncode == 0, time.monotonic() - began_s


def main() -> int:
    """Run what has not passed yet; return 1 where something fails."""
    parser = argparse.ArgumentParser(description="The long tests; what passed with this code is passed over.")
    parser.add_argument("steps", nargs="*", metavar="STEP", help="only those that begin so, of either")
    parser.add_argument("--nightly", action="store_true", help="what is no soak: bad input, long tests")
    parser.add_argument("--again", action="store_true", help="run also what has passed")
    parser.add_argument("--list", action="store_true", help="list the steps and run none")
    options = parser.parse_args()
    digest, failed, turn = code_digest(), 0, threading.Lock()
    known = {} if options.again else passed(digest)
    commands = steps()
    asked = [
        name
        for name in commands
        if (
            name.startswith(tuple(options.steps))
            if options.steps
            else name.startswith(_SOAK) != options.nightly
        )
    ]
    for name in asked:
        if options.list or name in known:
            before = f"passed before, in {known[name]:,.0f} s" if name in known else "to be run"
            print(f"{name:<40} {before}", flush=True)

    def go(lane: Sequence[str]) -> None:
        nonlocal failed
        for name in lane:
            well, took_s = run(name, commands[name])
            with turn:
                failed += not well
                print(f"{name:<40} {'passed' if well else 'FAILED'} in {took_s:,.0f} s", flush=True)
                if well:
                    known[name] = round(took_s, 1)
                STATE.parent.mkdir(exist_ok=True)
                state = json.dumps({"code": digest, "passed": known}, indent=1)
                STATE.write_text(f"{state}\n", encoding="utf-8")

    for lanes in [] if options.list else rounds([name for name in asked if name not in known]):
        with ThreadPoolExecutor(len(lanes)) as side_by_side:
            list(side_by_side.map(go, lanes))
    if failed:
        print(f"what failed is said in {OUT}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
