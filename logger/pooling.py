"""What many measurements of one thing say together, where each also differs by more than it is uncertain by.

One model for all: y = X b + d + e, where e has the variances (or the covariance) that are known and d, new
in each row, the variance tau² that is not. tau² is where the weighted sum of squares is what is to be
expected (Paule and Mandel, J. Res. NBS 87 (1982) 377; for any X: DerSimonian and Kacker, Contemp. Clin.
Trials 28 (2007) 105), so the interval is Student's with the degrees of freedom that are left (Hartung and
Knapp, Stat. Med. 20 (2001) 3875). Rows of one block share a level that is nobody's business: it is taken
out (Yates's analysis within blocks, 1940). Pure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger.blocks import FloatArray

CONFIDENCE: Final = 0.95
LEAST_SPARE: Final = 5
"""Degrees of freedom without which a stratum's own scatter is no weight to trust."""
_DRAWS: Final = 5_000
"""U to about 1.5 %."""
_SWEEPS: Final = 5
_SEED: Final = 101
_FLOOR: Final = 1e-12


@dataclass(frozen=True)
class Fit:
    """Coefficients (k,), their covariance (k, k), what is left over, and tau², the variance of d.

    `part` (k,): which coefficients hang together; of two parts no difference is known. `loose` (k, m): the
    directions in which nothing is known, where that is more than parts. Without rows to spare (`df` 0) there
    is no covariance but what the known variances say, and no interval.
    """

    value: FloatArray
    cov: FloatArray
    df: int
    tau2: float
    part: NDArray[np.int64]
    loose: FloatArray | None = None

    def u(self, at: int) -> float:
        """Return the standard uncertainty of a coefficient."""
        return math.sqrt(max(0.0, float(self.cov[at, at])))

    def part_of(self, which: Sequence[int]) -> Fit:
        """Return the fit of some of the coefficients."""
        at = np.asarray(which, dtype=np.int64)
        loose = None if self.loose is None else self.loose[at]
        return Fit(self.value[at], self.cov[np.ix_(at, at)], self.df, self.tau2, self.part[at], loose)

    @property
    def factor(self) -> float:
        """What u is multiplied by for a 95 % interval; infinite with nothing to spare."""
        return student_95(self.df)


def student_95(df: int) -> float:
    """Return Student's two-sided 95 % factor."""
    from scipy.stats import t

    return float(t.ppf(0.5 + CONFIDENCE / 2.0, df)) if df > 0 else math.inf


def mean(y: Sequence[float] | FloatArray, variance: Sequence[float] | FloatArray) -> Fit:
    """Return the mean of (n,) values with these known variances, as a fit of one coefficient."""
    rows = np.asarray(y, dtype=np.float64)
    return fitted(rows, np.ones((len(rows), 1)), np.asarray(variance, dtype=np.float64))


def side_by_side(
    block: Sequence[Any], of: Sequence[Any], y: FloatArray, variance: FloatArray
) -> tuple[list[Any], Fit]:
    """Return what is compared, in order, and by how much each differs from the mean of its part.

    Each of the n rows is one of `of`, seen in a `block`. Parts are what blocks join; a block with one row
    says nothing of a difference.
    """
    names = sorted(set(of))
    at = {name: column for column, name in enumerate(names)}
    X = np.zeros((len(y), len(names)))
    X[np.arange(len(y)), [at[one] for one in of]] = 1.0
    numbers: dict[Any, int] = {}
    blocks = np.array([numbers.setdefault(one, len(numbers)) for one in block], dtype=np.int64)
    return names, fitted(y, X, variance, blocks)


def fitted(y: FloatArray, X: FloatArray, variance: FloatArray, block: NDArray[np.int64] | None = None) -> Fit:
    """Fit y (n,) by X (n, k); `variance` (n,), or a covariance (n, n), is what is known of e.

    `block` (n,): from 0, which rows share a level of their own. Where X leaves a direction free, as with one
    column each for what is only compared, the coefficients of a part have the sum 0.
    """
    scale = float(np.mean(np.diag(variance) if variance.ndim == 2 else variance)) + float(np.ptp(y)) ** 2
    floor = _FLOOR * (scale or 1.0)

    def at(tau2: float) -> tuple[FloatArray, FloatArray, float, int]:
        ys, Xs = _whitened(y, X, variance, tau2 + floor, block)
        inverse, rank = _inverse(Xs.T @ Xs)
        value = inverse @ (Xs.T @ ys)
        return value, inverse, float(np.sum((ys - Xs @ value) ** 2)), rank

    value, cov, excess, rank = at(0.0)
    levels = 0 if block is None else len(np.unique(block))
    df = len(y) - levels - rank
    tau2 = 0.0
    if df > 0 and excess > df:
        from scipy.optimize import brentq

        high = float(np.ptp(y)) ** 2 + scale
        while at(high)[2] > df:
            high *= 4.0
        tau2 = float(brentq(lambda x: at(x)[2] - df, 0.0, high, xtol=1e-9 * high, rtol=1e-9))
        value, cov, _, _ = at(tau2)
    return Fit(value, cov, df, tau2, _parts(X, block))


def _whitened(
    y: FloatArray, X: FloatArray, variance: FloatArray, tau2: float, block: NDArray[np.int64] | None
) -> tuple[FloatArray, FloatArray]:
    """Return y and X with rows of unit variance, the level of each block taken out."""
    both = np.column_stack([y, X])
    if variance.ndim == 2:
        assert block is None
        lower = np.linalg.cholesky(variance + tau2 * np.eye(len(y)))
        both = np.linalg.solve(lower, both)
        return both[:, 0], both[:, 1:]
    weight = 1.0 / (variance + tau2)
    if block is not None:
        total = np.bincount(block, weight)
        for column in range(both.shape[1]):
            level = np.bincount(block, weight * both[:, column]) / total
            both[:, column] -= level[block]
    both *= np.sqrt(weight)[:, None]
    return both[:, 0], both[:, 1:]


def _parts(X: FloatArray, block: NDArray[np.int64] | None) -> NDArray[np.int64]:
    """Return which columns blocks join, directly or by others; without blocks all hang together."""
    k = X.shape[1]
    if block is None:
        return np.zeros(k, dtype=np.int64)
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    rows, columns = np.nonzero(X)
    n = k + int(block.max(initial=-1)) + 1
    edges = coo_array((np.ones(len(rows)), (columns, k + block[rows])), shape=(n, n))
    found: NDArray[np.int64] = connected_components(edges, directed=False)[1][:k].astype(np.int64)
    return found


@dataclass(frozen=True)
class Stratum:
    """Rows of one scatter as their normal equations: what each coefficient gets from them.

    `squares`: the variance of a row about its fit, `df` what that is known by.
    """

    normal: FloatArray
    right: FloatArray
    squares: float
    df: int


def stratum(y: FloatArray, X: FloatArray, blocks: Sequence[NDArray[np.int64]]) -> Stratum:
    """Return y (n,) by X (n, k) with the levels of one or two kinds of blocks taken out."""
    k = X.shape[1]
    if not len(y):
        return Stratum(np.zeros((k, k)), np.zeros(k), 0.0, 0)
    both = np.column_stack([y, X])
    counts = [np.bincount(block).astype(np.float64) for block in blocks]
    while True:  # projections in turn; once each where every block of a kind meets those of the other alike
        before = both.copy()
        for block, count in zip(blocks, counts, strict=True):
            for column in range(k + 1):
                both[:, column] -= (np.bincount(block, both[:, column]) / count)[block]
        if float(np.abs(both - before).max()) < 1e-12:
            break
    levels = len(counts[0])
    if len(blocks) > 1:
        levels += len(counts[1]) - _joined_parts(blocks[0], blocks[1])
    ys, Xs = both[:, 0], both[:, 1:]
    normal, right = Xs.T @ Xs, Xs.T @ ys
    inverse, rank = _inverse(normal)
    df = len(y) - levels - rank
    excess = float(ys @ ys - right @ inverse @ right)
    return Stratum(normal, right, max(0.0, excess) / df if df > 0 else math.nan, max(df, 0))


def _joined_parts(one: NDArray[np.int64], other: NDArray[np.int64]) -> int:
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    shape = int(one.max()) + 1, int(other.max()) + 1
    n = sum(shape)
    edges = coo_array((np.ones(len(one)), (one, shape[0] + other)), shape=(n, n))
    return int(connected_components(edges, directed=False)[0])


def joined(strata: Sequence[Stratum]) -> Fit | None:
    """Return what strata say together, each weighted by its own scatter; None where none has one.

    The degrees of freedom are those of the stratum that knows its scatter least well.
    """
    good = [one for one in strata if one.df >= LEAST_SPARE and one.squares > 0.0]
    if not good:
        return None
    normal = sum((one.normal / one.squares for one in good), np.zeros_like(good[0].normal))
    right = sum((one.right / one.squares for one in good), np.zeros_like(good[0].right))
    inverse, rank = _inverse(normal)
    size, vectors = np.linalg.eigh(normal)
    loose = vectors[:, : len(size) - rank]
    part = np.zeros(len(size), dtype=np.int64)
    return Fit(inverse @ right, inverse, min(one.df for one in good), 0.0, part, loose)


def _inverse(normal: FloatArray) -> tuple[FloatArray, int]:
    """Return the pseudo-inverse of normal equations, and their rank."""
    size, vectors = np.linalg.eigh(normal)
    kept = size > 1e-9 * max(float(size.max(initial=0.0)), 1e-300)
    return (vectors[:, kept] / size[kept]) @ vectors[:, kept].T, int(np.count_nonzero(kept))


@dataclass(frozen=True)
class Apart:
    """How far each of k things is from what those of its groups have in common, and half its 95 % interval.

    All (k,). `p`: how likely it is as far by chance where it is off by no more than is allowed. `off`: which
    are off by more beyond doubt.
    """

    value: FloatArray
    U: FloatArray
    p: FloatArray
    off: NDArray[np.bool_]


def apart(fit: Fit, groups: Sequence[Sequence[int]], allowed: FloatArray, tests: int = 1) -> Apart:
    """Return each coefficient less the medians of its groups, by a draw: for the same fit always the same.

    `allowed` (k,): so far each may be off and is still what it is said to be. Groups may cross, as rows and
    columns of a table do (median polish: Tukey 1977). The median, since a mean would share one's error among
    all. One that is off beyond doubt, also where it is the furthest of so many `tests`, is then left out of
    the medians, which it had moved.
    """
    from scipy.stats import t

    rng = np.random.default_rng(_SEED)
    size, vectors = np.linalg.eigh(fit.cov)
    root = vectors * np.sqrt(np.clip(size, 0.0, None))
    # one by Student's law for all: the same spread is in doubt for each
    wide = np.sqrt(fit.df / rng.chisquare(fit.df, (_DRAWS, 1)))
    drawn = fit.value + (rng.standard_normal((_DRAWS, len(size))) @ root.T) * wide

    def without(off: NDArray[np.bool_]) -> Apart:
        value = polished(fit.value[None, :], groups, off)[0]
        U = np.quantile(np.abs(polished(drawn, groups, off) - value), CONFIDENCE, axis=0)
        beyond = np.maximum(np.abs(value) - allowed, 0.0)
        far = np.divide(beyond, U, out=np.zeros_like(beyond), where=beyond > 0.0)
        return Apart(value, U, 2.0 * t.sf(far * fit.factor, fit.df), off)

    found = without(np.zeros(len(size), dtype=bool))
    while not found.off.all():
        worst = int(np.argmin(np.where(found.off, np.inf, found.p)))
        held = all(np.count_nonzero(~found.off[list(group)]) > 2 for group in groups if worst in group)
        if found.p[worst] == 1.0 or not held:
            break
        off = found.off.copy()
        off[worst] = True
        other = without(off)
        if other.p[worst] * tests > 1.0 - CONFIDENCE:
            break
        found = other
    return found


def polished(rows: FloatArray, groups: Sequence[Sequence[int]], off: NDArray[np.bool_]) -> FloatArray:
    """Return rows (n, k) less the medians of each group in turn, of those that are not `off`."""
    out = rows.copy()
    for _ in range(_SWEEPS if len(groups) > 1 else 1):
        for group in groups:
            inside = np.asarray(group, dtype=np.int64)
            held = np.sort(out[:, inside[~off[inside]]], axis=1)
            k = held.shape[1]
            out[:, inside] -= ((held[:, (k - 1) // 2] + held[:, k // 2]) / 2.0)[:, None]
    return out


def surprising(p: Sequence[float] | FloatArray, share: float = 1.0 - CONFIDENCE) -> NDArray[np.bool_]:
    """Return which of m tests to believe, so that on average at most `share` of those believed are chance.

    Benjamini and Hochberg, J. R. Statist. Soc. B 57 (1995) 289. Where nothing is off at all it is also the
    chance that anything is believed.
    """
    found = np.asarray(p, dtype=np.float64)
    order = np.argsort(found, kind="stable")
    good = found[order] <= share * np.arange(1, len(found) + 1) / max(len(found), 1)
    believed = np.zeros(len(found), dtype=bool)
    if good.any():
        believed[order[: int(np.flatnonzero(good)[-1]) + 1]] = True
    return believed
