"""`make bench`: speed, size, and how both grow; printed, and kept in `results.json`.

    python -m benchmarks.measure                what is not measured yet of the parts that time something
    python -m benchmarks.measure --anew         all of them
    python -m benchmarks.measure zoom store     these only
    python -m benchmarks.measure truth          the parts that count how often what is said holds;
                                                so pages, and scale
    python -m benchmarks.measure --list         the parts, and about how long each takes

Each part runs in a process of its own and is kept as soon as it is done, with its date, the kind of machine
and how much else that had to do. A run that was cut short goes on where it was. Missed goals are named at the
end; the exit code is 1 only where a part could not be measured.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import json
import os
import platform
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, NamedTuple

from benchmarks.lines import Line, met, show

RESULTS: Final = Path(__file__).with_name("results.json")
SCHEMA: Final = "soakbench.bench/2"


class Part(NamedTuple):
    """A module of this package with `results()`; how long it takes; the group it can be asked for by."""

    name: str
    about_s: int
    says: str
    group: str = "speed"


PARTS: Final = (
    Part("start", 60, "the commands' start over bare Python"),
    Part("demo", 75, "the whole job from the command line"),
    Part("throughput", 60, "bytes on a pseudo-terminal to stored scans over bare sqlite3"),
    Part("store", 60, "size and speed of the store"),
    Part("archive", 40, "an archived soak's size, whole and thinned, over its Parquet"),
    Part("judge", 90, "24 h of 16 channels judged, over numpy.loadtxt"),
    Part("zoom", 60, "the chart's answers over bare SQL"),
    Part("report", 45, "the report over a bare savefig"),
    Part("watch", 30, "all detectors, a tick"),
    Part("feeds", 45, "events a second over bare aiomqtt"),
    Part("cost", 130, "the daemon's CPU"),
    Part("selfwatch", 100, "what being watched costs the daemon"),
    Part("weight", 70, "an install on disk, the daemon's memory"),
    Part("resume", 40, "how long a killed daemon takes to go on"),
    Part("screen", 130, "a scan's way to screen and cut-out, with viewers and a report being made"),
    Part("growth", 90, "how cost grows with channels, rate and soaks"),
    Part("dashboard", 260, "what pages weigh and how soon they are there", "pages"),
    Part("hostile_lines", 60, "a million garbled frames", "truth"),
    Part("drift_coverage", 60, "does the drift's interval hold", "truth"),
    Part("drift_under_mains", 60, "drift under wandering mains", "truth"),
    Part("settling_coverage", 60, "does the forecast's interval hold", "truth"),
    Part("uncertainty_coverage", 60, "do the intervals of the budget hold", "truth"),
    Part("calibration_coverage", 20, "do the intervals of a calibration hold", "truth"),
    Part("compare_coverage", 300, "do the intervals between visits hold", "truth"),
    Part("across_coverage", 300, "do the intervals across amps hold", "truth"),
    Part("scale", 300, "fifty benches into one PostgreSQL over bare COPY", "scale"),
)
_LONGEST: Final = 10
"""A part that takes so many times as long as it should is given up."""


def chosen(names: list[str], kept: dict[str, Any], *, anew: bool) -> list[Part]:
    """Return the parts to be measured, in their order; ValueError names what there is not.

    None named: all that time something and that this run, or the one that was cut short, has not done.
    """
    known = {one.name for one in PARTS} | {one.group for one in PARTS}
    if unknown := [name for name in names if name not in known]:
        raise ValueError(f"there is no part {', '.join(unknown)}: see --list")
    if names:
        return [one for one in PARTS if one.name in names or one.group in names]
    left = kept["left"]
    return [one for one in PARTS if one.group == "speed" and (anew or not left or one.name in left)]


def load() -> dict[str, Any]:
    """Return what is kept: `parts` by name, and which are `left` of a run that was cut short."""
    if RESULTS.exists():
        kept: dict[str, Any] = json.loads(RESULTS.read_text(encoding="utf-8"))
        if kept.get("schema") == SCHEMA:
            return kept
    return {"schema": SCHEMA, "left": [], "parts": {}}


def save(kept: dict[str, Any]) -> None:
    """Keep it, whole or not at all; parts that are no more are dropped."""
    kept["parts"] = {one.name: kept["parts"][one.name] for one in PARTS if one.name in kept["parts"]}
    making = RESULTS.with_suffix(".making")
    making.write_text(json.dumps(kept, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    making.replace(RESULTS)


def machine() -> str:
    """Return the kind of machine."""
    kind, python = f"{platform.system()} {platform.machine()}", platform.python_version()
    return f"{kind}, {os.cpu_count()} cores, Python {python}"


def measured(part: Part) -> dict[str, Any]:
    """Measure a part in a process of its own; RuntimeError where that can't be done."""
    load_before, began_s = os.getloadavg()[0], time.monotonic()
    command = [sys.executable, "-m", "benchmarks.measure", "--one", part.name]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, start_new_session=True)
    try:
        said, _ = process.communicate(timeout=_LONGEST * part.about_s)
    except subprocess.TimeoutExpired:
        raise RuntimeError(f"not done in {_LONGEST * part.about_s} s") from None
    finally:
        # whatever it has started ends with it, also where this run is cut short
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    if process.returncode:
        raise RuntimeError(f"it ended with {process.returncode}")
    return {
        "date": f"{datetime.now(UTC):%Y-%m-%d}",
        "machine": machine(),
        "load": round(load_before, 1),
        "took_s": round(time.monotonic() - began_s),
        "lines": json.loads(said),
    }


def main() -> int:
    """Measure, keep, print; return 1 where a part could not be measured."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.measure", description=__doc__.split("\n")[0])
    parser.add_argument("parts", nargs="*", metavar="PART", help="a part or a group of them")
    parser.add_argument("--anew", action="store_true", help="also what a run that was cut short has done")
    parser.add_argument("--list", action="store_true", help="say which parts there are")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        return _one(asked.one)
    if asked.list:
        for one in PARTS:
            print(f"{one.name:<22} {one.about_s:>4} s  {one.group}  {one.says}")
        return 0
    kept = load()
    try:
        parts = chosen(asked.parts, kept, anew=asked.anew)
    except ValueError as error:
        parser.error(str(error))
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # so that a part that runs ends with it
    whole, failed = not asked.parts, dict[str, str]()
    if whole:
        if kept["left"] and not asked.anew:
            print(f"going on with a run that was cut short; {len(parts)} parts are left (--anew for all)")
        kept["left"] = [one.name for one in parts]
    for part in parts:
        print(f"\n== {part.name}: {part.says} (about {part.about_s} s)", flush=True)
        try:
            found = kept["parts"][part.name] = measured(part)
        except RuntimeError as error:
            failed[part.name] = str(error)
            print(f"not measured: {error}", flush=True)
        else:
            show(found["lines"])
        if whole:
            kept["left"].remove(part.name)
        save(kept)
    missed = [one for part in parts if part.name not in failed for one in _missed(kept, part.name)]
    print(f"\n{len(missed)} goals missed" + "".join(f"\n  {_says(one)}" for one in missed))
    for name, why in failed.items():
        print(f"not measured: {name}, {why}")
    return 1 if failed else 0


def _one(name: str) -> int:
    """Measure a part here, and print its lines as JSON; whatever else it prints goes to standard error."""
    out, sys.stdout = sys.stdout, sys.stderr
    lines = importlib.import_module(f"benchmarks.{name}").results()
    json.dump(lines, out)
    return 0


def _missed(kept: dict[str, Any], name: str) -> list[Line]:
    return [one for one in kept["parts"][name]["lines"] if not met(one)]


def _says(one: Line) -> str:
    wanted = "at least" if one["better"] == "more" else "at most"
    return f"{one['name']}: {one['value']:g} {one['unit']}, goal {wanted} {one['goal']:g}"


if __name__ == "__main__":
    sys.exit(main())
