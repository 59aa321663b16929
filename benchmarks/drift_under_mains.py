"""How much longer does a drift take to be found while the mains wander?

Cases of the yardstick's tuning half with a drift of twice the limit on amps of two pairs and more that
measure their mains, each played twice: with the mains standing still, and with what a workshop's mains do
(wander of 1 % rms over minutes, and a step of 6 %, each way, half an hour apart). Printed is the ratio of the
median delays. Goal of the watch: at most 1.5, and no pair blamed that does not drift.

    python -m benchmarks.drift_under_mains [CASES]
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from logger.score import run
from logger.score.counting import Run, count
from logger.score.statistics import ratio_interval, ratio_of_medians
from logger.simulator import family

CASES = 12
GOAL = 1.5
WANDER = 0.01
STEP = 0.06
EVERY_S = 1800.0


def drifting(cases: int) -> Iterator[family.Case]:
    """Yield drifts of twice the limit, in the order of their numbers."""
    number, found = family.FIRST_FAULTY, 0
    while found < cases:
        case = family.case("tune", number)
        number += 1
        fault = case.fault
        if fault is None or fault.kind != "drift" or fault.size != 2.0 or case.pairs < 2:
            continue
        if "mains" in case.names:
            found += 1
            yield case


def delay(case: family.Case) -> tuple[float, bool, int]:
    """Return the delay in seconds (or how long it was watched), whether it was found, and pairs blamed."""
    (course,) = family.courses([case])
    watched = run.watch(case, course)
    seen = Run(watched.setup, watched.course, case.fault, watched.alarms, watched.seen, watched.remarks)
    counted = count(seen)
    return counted.delay_s if counted.found else counted.watched_s, counted.found, len(counted.blame)


def results(cases: int = CASES) -> list[dict[str, Any]]:
    """Return the ratio and how many pairs were blamed, as lines of `results.json`."""
    still, restless = [], []
    for case in drifting(cases):
        calm = replace(case.life, wander=0.0, steps=(), blinks=(), standby_s=())
        spans = range(int((case.duration_s - case.ht_on_s) // EVERY_S))
        steps = [(case.ht_on_s + EVERY_S * (k + 0.5), STEP if k % 2 else -STEP) for k in spans]
        still.append(delay(replace(case, life=calm)))
        restless.append(delay(replace(case, life=replace(calm, wander=WANDER, steps=tuple(steps)))))
    times, hits, blamed = zip(*restless, strict=True)
    calm_times, calm_hits, _ = zip(*still, strict=True)
    low, high = ratio_interval(times, hits, calm_times, calm_hits, 7)
    return [
        {
            "name": "drift at twice the limit: median delay under restless mains over still mains",
            "value": ratio_of_medians(times, hits, calm_times, calm_hits),
            "unit": "ratio",
            "goal": GOAL,
            "better": "less",
            "n": len(times),
            "low": low,
            "high": high,
        },
        {
            "name": "pairs blamed under restless mains",
            "value": float(sum(blamed)),
            "unit": "",
            "goal": 0.0,
            "better": "less",
            "n": len(times),
            "low": None,
            "high": None,
        },
    ]


if __name__ == "__main__":
    for line in results(int(sys.argv[1]) if len(sys.argv) > 1 else CASES):
        print(f"{line['name']}: {line['value']:.2f} (goal {line['goal']:g}, {line['n']} cases)")
