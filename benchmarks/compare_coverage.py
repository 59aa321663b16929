"""Do the 95 % intervals hold for what has changed between two visits of an amp?

Two soaks of an amp of four pairs, one of which has aged or got other valves: its true change is known. Parts
and converter are off by up to what the set-up states or the defaults say; what lasts (resistors, converter's
gain and offset, the mains' transducer) is the same both times on the same board and drawn anew on another,
what is new each day (warming, emf, reference) always is. Each visit has its own mains, which wander, and the
amp its own response to them. Both soaks go through the whole pipeline. The way from ampere to reading is
written here again; only the limits of the parts are shared. Goals: 93 to 98 % of the intervals hold; of the
pairs that did not change at most 7 % are said to have.

    python -m benchmarks.compare_coverage [AMPS]
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from typing import Final

import numpy as np
from scipy.stats import beta

from benchmarks.drift_coverage import power_law
from benchmarks.lines import Line, estimate, show
from logger import compare, convert
from logger.blocks import DaqInfo, FloatArray, ReadingBlock
from logger.pipeline import Pipeline
from logger.setup import Setup, parse

AMPS: Final = 300
PAIRS: Final = 4
IDLE_A: Final = 0.076
WARM_S, SOAK_S = 1200, 3600
OUT_A: Final = 0.0035
SEED: Final = 7201
FIGURES: Final = ("settled", "at_nominal_mains", "from_the_others")


def setup() -> Setup:
    pairs = "".join(
        f'[[channel]]\nname = "pair{j + 1}"\nmeasures = "pair current"\npin = [{2 * j}, {2 * j + 1}]\n'
        "sense_ohm = 1.0\ntolerance_pct = 1.0\n"
        for j in range(PAIRS)
    )
    return parse(
        'schema = "soakbench.setup/1"\n[amp]\nname = "Theatre PA 240 W"\nvalve = "EL34"\nnominal_ht_V = 455\n'
        f'[link]\nkind = "lines"\nscans_per_s = 1\n{pairs}'
        '[[channel]]\nname = "mains"\nmeasures = "mains"\nvalue_per_V = 100.0\ntolerance_pct = 1.0\n'
        f'[plan]\nsteps = [{{step = "warm-up", minutes = {WARM_S // 60}}}, '
        f'{{step = "soak", minutes = {SOAK_S // 60}}}]\n'
    )


class Board:
    """A board with its resistors: what of its errors lasts."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.ohm = 1.0 + rng.uniform(-0.01, 0.01, PAIRS)
        self.gain = 1.0 + convert.ADC_GAIN_PCT / 100.0 * rng.uniform(-1, 1)
        self.offset_a = convert.ADC_OFFSET_STEPS * 0.256 / 32768 * rng.uniform(-1, 1, PAIRS)
        self.mains = 1.0 + rng.uniform(-0.01, 0.01) + convert.ADC_GAIN_PCT / 100.0 * rng.uniform(-1, 1)

    def reads(self, true_a: FloatArray, mains_v: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Return readings (n, pairs + 1) of one day."""
        warm = (convert.RESISTOR_WARMING_K + IDLE_A**2 * convert.RESISTOR_K_PER_W) * 100e-6
        ohm = self.ohm + warm * rng.uniform(-1, 1, PAIRS)
        reference = 1.0 + convert.REFERENCE_WARMING_K * convert.REFERENCE_PPM_PER_K * 1e-6 * rng.uniform(
            -1, 1
        )
        emf_a = convert.LEAD_EMF_V * rng.uniform(-1, 1, PAIRS)
        pairs = (true_a * ohm + emf_a) * self.gain * reference + self.offset_a
        return np.column_stack([pairs, mains_v * self.mains])


def day(
    idle_a: FloatArray, response: float, walk: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return one day's true currents (n, pairs), mains (n,) and the currents' true means over the soak."""
    n = WARM_S + SOAK_S
    minutes = np.arange(n) / 60.0
    slow = np.cumsum(rng.standard_normal(n // 60 + 2))
    slow = slow - np.linspace(slow[0], slow[-1], len(slow))
    mains_v = 230.0 + rng.normal(0.0, 4.0) + 0.7 * np.interp(minutes, np.arange(len(slow)), slow) / 3.0
    tail = rng.normal(0.0, 0.06, PAIRS) * np.exp(-minutes[:, None] / rng.uniform(3.0, 6.0, PAIRS))
    quiet = idle_a * (1.0 + tail) * (mains_v[:, None] / 230.0) ** response
    flicker = walk @ rng.standard_normal((len(walk), PAIRS)) * rng.choice([0.03e-3, 0.09e-3, 0.2e-3], PAIRS)
    noisy = quiet + np.column_stack(
        [np.interp(minutes, np.arange(len(walk)) + 0.5, flicker[:, j]) for j in range(PAIRS)]
    )
    noisy += 0.05e-3 * rng.standard_normal(noisy.shape)
    return noisy, mains_v, quiet[WARM_S:].mean(axis=0)


def visit(number: int, found: Setup, board: str, values: FloatArray, started: datetime) -> compare.Visit:
    """Judge a day's readings by the whole pipeline."""
    steps = tuple(0.256 / 32768 if c.unit == "A" else 4.096 / 32768 for c in found.channel)
    daq = DaqInfo(board, 1, steps, (32767,) * len(steps))
    n = len(values)
    pipeline = Pipeline(found, daq)
    t_us = np.arange(n, dtype=np.int64) * 1_000_000
    pipeline.feed(ReadingBlock(t_us, values, np.zeros(values.shape, dtype=np.int8)))
    pipeline.finish()
    means = values[: n // 60 * 60].reshape(-1, 60, values.shape[1]).mean(axis=1)
    judged = pipeline.verdict()
    on_s = judged["soak"]["steps"][0]["from_s"]
    return compare.Visit(
        id=number,
        uuid=str(number),
        started=started,
        kind="as left",
        amp=found.amp.name,
        setup=found,
        daq=daq,
        calibration=None,
        judged=judged,
        on_s=np.arange(len(means)) * 60.0 + 30.0 - on_s,
        current_a=means[:, :PAIRS],
        ht_v=np.full(len(means), np.nan),
        mains_v=means[:, PAIRS],
    )


def results(amps: int = AMPS) -> list[Line]:
    """Return the figures of `make bench`, and print them all on standard error."""
    rng = np.random.default_rng(SEED)
    found = setup()
    minutes = (WARM_S + SOAK_S) // 60 + 1
    lag = np.arange(minutes)
    covariance = power_law(lag.astype(float), 1.0)[np.abs(lag[:, None] - lag[None, :])]
    walk = np.linalg.cholesky(covariance + 1e-9 * np.eye(minutes))
    held: dict[tuple[str, str], list[bool]] = {}
    width: dict[tuple[str, str], list[float]] = {}
    unchanged: dict[str, list[bool]] = {}
    missed: list[bool] = []
    for amp in range(amps):
        idle_a = IDLE_A + rng.normal(0.0, 0.002, PAIRS)
        response = float(rng.uniform(1.2, 1.9))
        aged = idle_a.copy()
        which = int(rng.integers(PAIRS))
        aged[which] += OUT_A * rng.choice([-1.0, 1.0]) * rng.uniform(0.3, 1.5)
        first, other = Board(rng), Board(rng)
        before_a, before_v, before_mean = day(idle_a, response, walk, rng)
        now_a, now_v, now_mean = day(aged, response, walk, rng)
        then = visit(
            3 * amp, found, "a", first.reads(before_a, before_v, rng), datetime(2026, 3, 2, tzinfo=UTC)
        )
        for name, board in (("same board", first), ("another board", other)):
            at = datetime(2026, 9, 2, tzinfo=UTC)
            now = visit(
                3 * amp + 1, found, name if board is other else "a", board.reads(now_a, now_v, rng), at
            )
            (over,) = compare.document(now, [then])["earlier"]
            truth = {
                "settled": now_mean - before_mean,
                "at_nominal_mains": aged - idle_a,
                "from_the_others": now_mean - np.median(now_mean) - (before_mean - np.median(before_mean)),
            }
            for j, pair in enumerate(over["pairs"]):
                for what in FIGURES:
                    said = pair[what]
                    if said is None:
                        continue
                    error = said["difference_mA"] - 1e3 * truth[what][j]
                    held.setdefault((name, what), []).append(abs(error) <= said["expanded_uncertainty_mA"])
                    width.setdefault((name, what), []).append(said["expanded_uncertainty_mA"])
                if pair["at_nominal_mains"] is not None:
                    called = pair["at_nominal_mains"]["significant"]
                    if j != which:
                        unchanged.setdefault(name, []).append(called)
                    elif name == "same board" and abs(aged[j] - idle_a[j]) > 0.0025:
                        missed.append(not called)
    out = []
    for (board_name, what), good in held.items():
        words = what.replace("_", " ")
        name = f"difference between visits, {words}, {board_name}: coverage"
        out.append(_share(name, good, 0.93, "more"))
        print(f"{name}: {np.mean(good):.1%}, U {np.median(width[board_name, what]):.2f} mA", file=sys.stderr)
    for board_name, called in unchanged.items():
        out.append(_share(f"unchanged pair said to have changed, {board_name}", called, 0.07, "less"))
        print(f"unchanged, {board_name}: {np.mean(called):.1%} of {len(called)}", file=sys.stderr)
    print(f"changed by over 2.5 mA and not said: {np.mean(missed):.1%} of {len(missed)}", file=sys.stderr)
    return out


def _share(name: str, good: list[bool], goal: float, better: str) -> Line:
    k, n = sum(good), len(good)
    low = float(beta.ppf(0.025, k, n - k + 1)) if k else 0.0
    high = float(beta.ppf(0.975, k + 1, n - k)) if k < n else 1.0
    return estimate(name, k / n, "1", goal, better, n, (low, high))


if __name__ == "__main__":
    show(results(int(sys.argv[1]) if len(sys.argv) > 1 else AMPS))
