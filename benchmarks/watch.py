"""What do all detectors together cost a second of soak, 16 channels, in replay blocks of 600?

A made-up soak of 8 h: twelve pairs with flicker, settling tails and wandering mains. Played twice; the first
run solves the models that a process then keeps, and is stated apart. The reference in the same run is one
`numpy.median` of the 16 values of a second, what a naive detector would begin with.

    python -m benchmarks.watch
"""

from __future__ import annotations

import time

import numpy as np
from scipy.signal import lfilter

from benchmarks.lines import OTHERS, Line, line, setup_text, show
from logger import setup as setups
from logger.blocks import FloatArray, TickBlock
from logger.pipeline import Pipeline
from logger.setup import Setup
from logger.watch.panel import tick_rows

PAIRS = 12
HOURS = 8
BLOCK = 600
RUNS = 5
GOAL_US = 30.0


def bench() -> Setup:
    """Return the set-up of a bench with 16 channels."""
    return setups.parse(setup_text(PAIRS, soak_min=450))


def soak(seconds: int, seed: int = 0) -> TickBlock:
    """Return the ticks of a healthy soak that begins hot."""
    rng = np.random.default_rng(seed)

    def slow(tau_s: float, columns: int) -> FloatArray:
        keep = np.exp(-1.0 / tau_s)
        drive = rng.standard_normal((seconds, columns))
        return np.asarray(lfilter([np.sqrt(1.0 - keep * keep)], [1.0, -keep], drive, axis=0))

    t_s = np.arange(seconds, dtype=np.int64)
    own = 4e-4 * sum(slow(tau_s, PAIRS) for tau_s in (3.0, 10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0))
    tails = 0.02 * np.exp(-t_s / 600.0)[:, None] * rng.uniform(-1.0, 1.0, PAIRS)
    mains = 3e-3 * slow(300.0, 1)
    mean = np.tile([0.076] * PAIRS + [455.0, 230.0, 40.0, 23.0], (seconds, 1))
    mean[:, :PAIRS] *= (1.0 + own + tails) * (1.0 + 1.5 * mains)
    mean[:, PAIRS : PAIRS + 2] *= 1.0 + mains
    reach = np.array([1e-4] * PAIRS + [0.05, 0.05, 0.02, 0.02])
    least, greatest = (mean + way * reach * rng.uniform(0.8, 1.6, mean.shape) for way in (-1.0, 1.0))
    count = np.full(mean.shape, 10, dtype=np.int32)
    return TickBlock(t_s, t_s + 1.0, count, mean, least, greatest, np.zeros_like(count))


def _played_s(setup: Setup, ticks: TickBlock) -> float:
    pipeline = Pipeline(setup)
    begun = time.process_time()
    for start in range(0, len(ticks), BLOCK):
        pipeline.feed(tick_rows(ticks, start, start + BLOCK))
    return time.process_time() - begun


def _median_s(ticks: TickBlock) -> float:
    rows = ticks.mean[:5000]
    begun = time.process_time()
    for row in rows:
        np.median(row)
    return (time.process_time() - begun) / len(rows)


def results() -> list[Line]:
    """Return microseconds a tick, with and without the models at hand, and the ratio to one median."""
    setup, ticks = bench(), soak(HOURS * 3600)
    first = _played_s(setup, ticks) / len(ticks) * 1e6
    pairs = [(_played_s(setup, ticks) / len(ticks) * 1e6, _median_s(ticks) * 1e6) for _ in range(RUNS)]
    spent, ratios = [us for us, _ in pairs], [us / median for us, median in pairs]
    what = f"all detectors, {PAIRS + len(OTHERS)} channels, a tick"
    return [
        line(what, "us", GOAL_US, spent),
        line(f"{what}, over one numpy.median of its values", "ratio", None, ratios),
        line(f"{what}, in a process's first {HOURS} h", "us", None, [first]),
    ]


if __name__ == "__main__":
    show(results())
