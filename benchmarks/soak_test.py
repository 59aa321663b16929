"""`make soak-test`: the long tests, step by step; what passed with this code is not run again.

    python -m benchmarks.soak_test [STEP ...] [--again] [--list]

A step that passed is remembered in `.venv/soak-test.json`, with a checksum of the code that it passed with,
so that a run that was stopped goes on where it was. What each step said lies in `out/soak-test/`.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import subprocess
import sys
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
_SIDE_BY_SIDE: Final = ("bad input", "faults")
_PYTEST: Final = (sys.executable, "-m", "pytest", "--timeout", str(_LONGEST_S))
_CODE: Final = ("logger", "dashboard", "tests", "benchmarks", "firmware_notes", "sample_logs")


def steps() -> dict[str, list[str]]:
    """Return each step's name and command: the endurance run, bad input, each file with long tests."""
    found = {
        "endurance": [sys.executable, "-m", "benchmarks.endurance"],
        f"bad input, {CASES:,} cases a kind": ["nice", *_PYTEST, "-n", "1", "-rP", "tests/test_bad_input.py"],
    }
    for path in sorted((ROOT / "tests").glob("test_*.py")):
        if "mark.nightly" in path.read_text(encoding="utf-8"):
            name = path.stem.removeprefix("test_").replace("_", " ")
            found[f"{name}, long"] = [*_PYTEST, "-m", "nightly", f"tests/{path.name}"]
    return found


def rounds(names: Sequence[str]) -> list[list[str]]:
    """Return the steps by what runs at one time: the faults are in real time and mostly wait."""
    beside = [name for name in names if name.startswith(_SIDE_BY_SIDE)]
    return [[name] for name in names if name not in beside] + ([beside] if beside else [])


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
    parser.add_argument("steps", nargs="*", metavar="STEP", help="only those that begin so")
    parser.add_argument("--again", action="store_true", help="run also what has passed")
    parser.add_argument("--list", action="store_true", help="list the steps and run none")
    options = parser.parse_args()
    digest, failed = code_digest(), 0
    known = {} if options.again else passed(digest)
    commands = steps()
    asked = [name for name in commands if not options.steps or name.startswith(tuple(options.steps))]
    for name in asked:
        if options.list or name in known:
            before = f"passed before, in {known[name]:,.0f} s" if name in known else "to be run"
            print(f"{name:<40} {before}", flush=True)
    for names in [] if options.list else rounds([name for name in asked if name not in known]):
        with ThreadPoolExecutor(len(names)) as side_by_side:
            ran = list(side_by_side.map(lambda name: run(name, commands[name]), names))
        for name, (well, took_s) in zip(names, ran, strict=True):
            failed += not well
            print(f"{name:<40} {'passed' if well else 'FAILED'} in {took_s:,.0f} s", flush=True)
            if well:
                known[name] = round(took_s, 1)
        STATE.parent.mkdir(exist_ok=True)
        STATE.write_text(json.dumps({"code": digest, "passed": known}, indent=1) + "\n", encoding="utf-8")
    if failed:
        print(f"what failed is said in {OUT}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
