"""Do the settling forecast's 90 % intervals hold, and how sharp are they?

Warm-ups of pairs near 70 mA, fast, slow and two-way, with flicker, minute noise and mains wander, the pair's
response to the mains differing from pair to pair. The forecast sees minute means from HT on to 8, 10, 15 and
20 minutes. The reference is "it stays where it is" with an interval of its own calibrated on the same
records. Score: the interval score of Gneiting and Raftery 2007. The generator is written here and shares
nothing with the program's priors but the trade's minutes. Goals: 85 to 95 % pooled, 80 % in each class, mean
score at most 0.65 of the reference's, median error of the settling time from 15 minutes at most 8 minutes.

    python -m benchmarks.settling_coverage [AMPS_A_CLASS]
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.stats import beta

from benchmarks.drift_coverage import power_law
from benchmarks.lines import Line, estimate, line, show
from logger.settling import forecast

MOMENTS_MIN = (8, 10, 15, 20)
PAIRS = 4
NOMINAL_MA = 70.0
LONG_MIN = 90
SETTLE_MA = 0.7
ALPHA = 0.1
SEED = 7178  # for reporting; the priors were tuned on 20260105
SLOW_TAIL_MA = 2.6  # so that staying errs by the 2.7, 2.3, 1.6, 1.2 mA (90 %) that were measured before


def warm_up(kind: str, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return one amp's true settling (minutes, pairs) in mA about its end, and its time constants' tail."""
    t = np.arange(LONG_MIN) + 0.5
    columns = []
    for _ in range(PAIRS):
        if kind == "fast":
            fast, slow = rng.uniform(2, 4), rng.uniform(8, 14)
        else:
            fast, slow = rng.uniform(3, 6), rng.uniform(14, 25)
        a, b = rng.normal(0, 3.0), rng.normal(0, SLOW_TAIL_MA)
        if kind == "two-way":
            b = -np.sign(a) * abs(b)
        columns.append(a * np.exp(-t / fast) + b * np.exp(-t / slow))
    return t, np.array(columns).T


def interval_score(low: np.ndarray, high: np.ndarray, truth: np.ndarray) -> np.ndarray:
    return (high - low) + 2 / ALPHA * (np.maximum(low - truth, 0) + np.maximum(truth - high, 0))


def results(amps: int = 60) -> list[Line]:
    """Return the figures of `make bench`, and print every class on standard error."""
    rng = np.random.default_rng(SEED)
    lag = np.arange(LONG_MIN)
    covariance = power_law(lag.astype(float), 1.0)[np.abs(lag[:, None] - lag[None, :])]
    factor = np.linalg.cholesky(covariance + 1e-9 * np.eye(LONG_MIN))
    rows: dict[tuple[str, int], list[tuple[float, float, float, float, float]]] = {}
    late: list[float] = []
    for kind in ("fast", "slow", "two-way"):
        for _ in range(amps):
            t, settling = warm_up(kind, rng)
            mains = 0.001 * np.cumsum(rng.standard_normal(LONG_MIN)) * 0.3
            gain = rng.uniform(1.2, 2.2) + rng.normal(0, 0.1, PAIRS)
            flicker = rng.choice([0.03, 0.09, 0.2], PAIRS) * (factor @ rng.standard_normal((LONG_MIN, PAIRS)))
            noise = 0.01 * rng.standard_normal((LONG_MIN, PAIRS))
            y = NOMINAL_MA + settling + flicker + noise + NOMINAL_MA * gain * mains[:, None]
            for moment in MOMENTS_MIN:
                n = moment
                found = forecast(t[:n], y[:n] / NOMINAL_MA, mains[:n] - mains[:n].mean())
                assert found is not None, moment
                # At the mains then present: what the pair would end at if the mains stayed.
                truth = NOMINAL_MA + NOMINAL_MA * gain * mains[n - 1]
                if moment >= 15:
                    late += _late(found.settles_in_min(SETTLE_MA / NOMINAL_MA)[0], settling, t, n)
                for j in range(PAIRS):
                    end, low, high = (x[j] * NOMINAL_MA for x in (found.end, found.end_low, found.end_high))
                    now = float(y[n - 1, j])
                    rows.setdefault((kind, moment), []).append((end, low, high, float(truth[j]), now))
    return _summary(rows, late)


def _late(said_min: np.ndarray, settling: np.ndarray, t: np.ndarray, n: int) -> list[float]:
    """Return how far each said settling time is from the true one, for pairs that had not settled yet."""
    out = []
    for j in range(PAIRS):
        outside = np.flatnonzero(np.abs(settling[:, j]) > SETTLE_MA)
        true_min = t[outside[-1]] - t[n - 1] if len(outside) else 0.0
        if true_min > 0:
            out.append(abs(float(said_min[j]) - true_min))
    return out


def _summary(
    rows: dict[tuple[str, int], list[tuple[float, float, float, float, float]]], late: list[float]
) -> list[Line]:
    held = total = 0
    least = 1.0
    ours, reference = [], []
    for (kind, moment), found in rows.items():
        end, low, high, truth, now = np.array(found).T
        inside = (low <= truth) & (truth <= high)
        held, total = held + int(inside.sum()), total + len(inside)
        every = np.concatenate(
            [
                np.array(rows[k, moment])[:, 4] - np.array(rows[k, moment])[:, 3]
                for k, m in rows
                if m == moment
            ]
        )
        stays = np.quantile(np.abs(every), 1 - ALPHA)
        score, other = interval_score(low, high, truth), interval_score(now - stays, now + stays, truth)
        ours.append(score.mean())
        reference.append(other.mean())
        print(
            f"{kind:8} {moment:3} min  {inside.mean():6.1%}  width {np.median(high - low):.2f} mA  "
            f"90 % of errors {np.quantile(np.abs(end - truth), 0.9):.2f} mA, staying {stays:.2f} mA  "
            f"score x{score.mean() / other.mean():.2f}",
            file=sys.stderr,
        )
    for kind in ("fast", "slow", "two-way"):
        inside_kind = np.concatenate([_held(np.array(found)) for (k, _), found in rows.items() if k == kind])
        least = min(least, float(inside_kind.mean()))
    low_cp, high_cp = beta.ppf([0.025, 0.975], [held, held + 1], [total - held + 1, total - held])
    share, score = held / total, float(np.mean(ours) / np.mean(reference))
    beside = "settling forecast, interval score over staying where it is"
    return [
        estimate("settling forecast, coverage pooled", share, "1", 0.85, "more", total, (low_cp, high_cp)),
        estimate("settling forecast, least coverage of a class", least, "1", 0.80, "more", total // 3),
        estimate(beside, score, "1", 0.65, "less", total),
        line("settling time from 15 minutes, error", "min", 8.0, late),
    ]


def _held(found: np.ndarray) -> np.ndarray:
    return (found[:, 1] <= found[:, 3]) & (found[:, 3] <= found[:, 2])


if __name__ == "__main__":
    show(results(int(sys.argv[1]) if len(sys.argv) > 1 else 300))
