"""What is still settling when the warm-up ends, and what only looks like it."""

from __future__ import annotations

import numpy as np
import pytest

from logger import setup as setups
from logger.blocks import FloatArray, TickBlock
from logger.finding import Finding, Kind
from logger.pipeline import Pipeline
from logger.watch.panel import tick_rows

MINUTES = 120
WARM_UP = 30.0


def found(currents_a: FloatArray, *, ht_v: FloatArray | None = None, rows: int = 600) -> list[Finding]:
    """Return the unsettled findings of currents (n, pairs), a row a second from HT on."""
    n, pairs = currents_a.shape
    text = (
        'schema = "soakbench.setup/1"\n[amp]\nname = "Theatre PA 240 W"\nvalve = "EL34"\nnominal_ht_V = 455\n'
        '[link]\nkind = "lines"\nscans_per_s = 10\n'
        '[plan]\nsteps = [{step = "warm-up", minutes = 30}, {step = "soak", minutes = 120}]\n'
    )
    for j in range(pairs):
        text += f'[[channel]]\nname = "pair{j + 1}"\nmeasures = "pair current"\nsense_ohm = 1.0\n'
    mean = currents_a
    if ht_v is not None:
        text += '[[channel]]\nname = "ht"\nmeasures = "HT"\n'
        mean = np.column_stack([currents_a, ht_v])
    ticks = TickBlock(
        np.arange(n),
        np.arange(1.0, n + 1.0),
        np.full(mean.shape, 10, dtype=np.int32),
        mean,
        mean - 1e-5,
        mean + 1e-5,
        np.zeros(mean.shape, dtype=np.int32),
    )
    pipeline = Pipeline(setups.parse(text))
    for start in range(0, n, rows):
        pipeline.feed(tick_rows(ticks, start, min(n, start + rows)))
    return [f for f in pipeline.findings if f.kind is Kind.UNSETTLED]


def warming(
    left_pct: list[float], tau_min: list[float], *, noise: float = 1e-3
) -> tuple[FloatArray, FloatArray]:
    """Return minutes (n,) and currents (n, pairs) with so many per cent to go when the warm-up ends."""
    t = np.arange(60 * MINUTES) / 60.0
    rng = np.random.default_rng(11)
    out = np.empty((len(t), len(left_pct)))
    for j, (left, tau) in enumerate(zip(left_pct, tau_min, strict=True)):
        course = 1.0 + left / 100.0 * np.exp((WARM_UP - t) / tau) + 0.02 * np.exp(-t / 3.0)
        out[:, j] = 0.07 * course * (1.0 + noise * rng.standard_normal(len(t)))
    return t, out


@pytest.mark.parametrize(("left_pct", "by_min"), [(4.0, 15.0), (-2.0, 60.0)])
def test_a_pair_that_has_more_than_the_limit_to_go_is_named_once(left_pct: float, by_min: float) -> None:
    _, currents = warming([0.2, left_pct, -0.2, 0.1], [12.0, 45.0, 12.0, 14.0])

    (said,) = found(currents)

    assert said.channel == "pair2"
    assert said.onset_s == pytest.approx(60.0 * WARM_UP, abs=60.0)
    assert said.raised_s <= 60.0 * (WARM_UP + by_min)
    assert said.evidence["left_then_a"] == pytest.approx(0.07 * left_pct / 100.0, rel=0.35)


@pytest.mark.parametrize("at_min", [-8.0, -1.0, 3.0, 9.0])
@pytest.mark.parametrize("pairs", [1, 2])
@pytest.mark.parametrize("ht", [True, False])
def test_a_step_of_mains_that_are_not_measured_is_no_settling(at_min: float, pairs: int, ht: bool) -> None:
    t, currents = warming([0.3] * pairs, [12.0] * pairs)
    mains = np.where(t >= WARM_UP + at_min, 0.97, 1.0)
    currents *= mains[:, None] ** 1.5
    ht_v = 455.0 * mains * (1.0 + 1e-4 * np.random.default_rng(3).standard_normal(len(t)))

    assert found(currents, ht_v=ht_v if ht else None) == []


def test_a_pair_that_settles_against_the_others_is_judged_by_its_own_rest() -> None:
    _, currents = warming([0.6, -0.6, -0.6, -0.6], [24.0] * 4)

    assert found(currents) == []


def test_what_was_settled_and_moves_later_is_drift_not_unsettled() -> None:
    t, currents = warming([0.2, 0.2, -0.2, 0.1], [12.0] * 4)
    currents[:, 1] *= 1.0 + 0.04 * np.maximum(t - 45.0, 0.0) / 60.0

    assert found(currents) == []


def test_others_that_move_up_when_a_pair_drops_out_are_not_unsettled() -> None:
    t, currents = warming([0.3] * 5, [12.0] * 5)
    dropped = t >= 14.0
    currents[dropped, 0] = 0.0
    currents[dropped] *= np.array([1.0, 1.030, 1.026, 1.034, 1.029])

    assert found(currents) == []


def test_unsettled_is_the_same_for_any_blocking() -> None:
    t, currents = warming([0.3, 3.0], [12.0, 40.0])
    currents *= np.where(t >= 25.0, 0.98, 1.0)[:, None]

    assert found(currents, rows=600) == found(currents, rows=7) != []
