"""How much longer does a drift take to be found while the mains wander?

Cases of the yardstick's tuning half with a drift of twice the limit on amps of two pairs and more that
measure their mains, each played three times: with the mains standing still, wandering by 0.3 % rms over
minutes (twice what the yardstick's mains do), and with a step of 6 % on top of that each half hour, which is
more than a workshop sees. Printed are ratios of median delays. Goals: at most 1.5 under wander, and no pair
blamed that does not drift, steps or not.

    python -m benchmarks.drift_under_mains [CASES]
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace

from benchmarks.lines import Line, estimate, show
from logger.score import run
from logger.score.counting import Run, count
from logger.score.statistics import ratio_interval, ratio_of_medians
from logger.simulator import family

CASES = 12
GOAL = 1.5
WANDER = 0.003
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


def results(cases: int = CASES) -> list[Line]:
    """Return the ratios and how many pairs were blamed, as lines of `results.json`."""
    played: dict[str, list[tuple[float, bool, int]]] = {"still": [], "wander": [], "steps": []}
    for case in drifting(cases):
        still = replace(case.life, wander=0.0, steps=(), blinks=(), standby_s=())
        wander = replace(still, wander=WANDER)
        spans = range(int((case.duration_s - case.ht_on_s) // EVERY_S))
        steps = [(case.ht_on_s + EVERY_S * (k + 0.5), STEP if k % 2 else -STEP) for k in spans]
        lives = {"still": still, "wander": wander, "steps": replace(wander, steps=tuple(steps))}
        for name, life in lives.items():
            played[name].append(delay(replace(case, life=life)))
    calm_times, calm_hits, _ = zip(*played["still"], strict=True)
    out = []
    for name, says, goal in (("wander", "wandering mains", GOAL), ("steps", "mains with steps", None)):
        times, hits, blamed = zip(*played[name], strict=True)
        low, high = ratio_interval(times, hits, calm_times, calm_hits, 7)
        value = ratio_of_medians(times, hits, calm_times, calm_hits)
        delays = f"drift at twice the limit: median delay under {says} over still mains"
        out.append(estimate(delays, value, "ratio", goal, "less", len(times), (low, high)))
        out.append(estimate(f"pairs blamed under {says}", sum(blamed), "", 0.0, "less", len(times)))
    return out


if __name__ == "__main__":
    show(results(int(sys.argv[1]) if len(sys.argv) > 1 else CASES))
