"""How a pair moves while it settles and afterwards: the settling forecast and the drift rate.

Both are linear models with correlated noise. Flicker (1/f) noise stands for what valves do by
themselves between a second and some hours; a slope fitted as if the noise were white covers 14 to
73 % where it claims 95 %, so the noise's colour is part of the model and is averaged over a grid.
Separable least squares on a grid of time constants: Golub and Pereyra 1973. REML: Patterson and
Thompson 1971. Times are minutes here, movements are relative to the idle current.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.blocks import FloatArray

FLICKER_SPAN_MIN: Final = (1 / 60, 270.0)
"""Flicker is stated as its rms between 1 s and 4.5 h."""

FORECAST_FROM_MIN: Final = 8.0
"""Minutes of HT before a forecast is tried."""

_HEATING_MIN: Final = 2.0  # the heaters' own rise is over by then; it is no settling
_POINTS: Final = 40
_RATE_POINTS: Final = 90
_TABLE_TO_MIN: Final = 720.0
"""Over longer a table's points lie further apart than what moves fastest between two bins."""
_TAIL_MIN: Final = (12.0, 25.0)
_WALK_LEANING: Final = 6.0  # tuned on benchmarks/drift_coverage, seed 20260104; raised after 7177

# Prior standard deviations of each term, relative to the idle current. From the simulator's tuning
# seeds and common practice, no source: thermal time constants of output valves were found nowhere.
_FAST_MIN: Final = (2.0, 3.5, 6.0)
_SLOW_MIN: Final = (8.0, 12.0, 18.0, 27.0, 40.0, 60.0)
_FAST_SD: Final = 0.08
_SLOW_SD: Final = (0.05, 0.045, 0.04, 0.04, 0.05, 0.06)
_AHEAD_MIN: Final = np.arange(0.0, 121.0, 2.0)
_SLOW_ODDS: Final = (1.0, 1.0, 1.0, 0.5, 1.0, 1.0)
_USUAL_MIN: Final = 30.0  # slower ones are weighed by `Forecast.slow_odds`
SLOW_RARE: Final = 0.1
SLOW_DOUBTED: Final = 1.0
_NOISE_SD: Final = (0.0006, 0.0012, 0.0025, 0.005)
_WALKS: Final = ((0.0, 1.0), (0.02, 1.0))  # variance of a walk a minute beside the flicker's, and its odds
SUPPLY_GAIN: Final = 1.5
"""Relative change of idle current by that of the mains; common practice, no source."""

_MAINS_GAIN_SD: Final = 1.0
_LEVEL_VAR: Final = 0.25
# Relative, a minute: more than two tails that go opposite ways, and more than a minute's mean wanders by.
_TURN, _TURN_SAID = 0.01, 0.004
_TURNS_FROM_MIN: Final = 2.5
_TURNS_MOST: Final = 24


@dataclass(frozen=True)
class Forecast:
    """Where pairs will end, relative to the idle current used as unit: a mixture over g models and p pairs.

    `centre` (p,) is added to every level. `level` (g, p): the settled level by each model, `level_sd` (g, 1)
    its standard uncertainty. `tails` (g, 2, p): the two tails' sizes now, `tails_cov` (g, 2, 2) their
    covariance, `tau_min` (g, 2) their time constants.
    `log_weight` (g, p): how likely each model is, apart from the odds of the slow ones.
    """

    centre: FloatArray
    level: FloatArray
    level_sd: FloatArray
    tails: FloatArray
    tails_cov: FloatArray
    tau_min: FloatArray
    log_weight: FloatArray
    slow_odds: float = SLOW_RARE

    def with_slow_odds(self, slow_odds: float) -> Forecast:
        """Return the same forecast for other odds of time constants of 40 and 60 minutes."""
        return replace(self, slow_odds=slow_odds)

    @cached_property
    def weight(self) -> FloatArray:
        """Each model's share, (g, p)."""
        slow = self.tau_min[:, 1] > _USUAL_MIN
        log = self.log_weight + np.where(slow, math.log(self.slow_odds), 0.0)[:, None]
        weight = np.exp(log - log.max(axis=0))
        return np.asarray(weight / weight.sum(axis=0), dtype=np.float64)

    @cached_property
    def end(self) -> FloatArray:
        """The settled level, (p,)."""
        return np.asarray((self.weight * self.level).sum(axis=0) + self.centre, dtype=np.float64)

    @cached_property
    def end_low(self) -> FloatArray:
        """The lower end of the settled level's 90 % interval, (p,)."""
        return self.centre + _quantile(self.level, self.level_sd, self.weight, 0.05)

    @cached_property
    def end_high(self) -> FloatArray:
        """The upper end of the settled level's 90 % interval, (p,)."""
        return self.centre + _quantile(self.level, self.level_sd, self.weight, 0.95)

    @cached_property
    def left(self) -> FloatArray:
        """The movement still to come, with sign, (p,)."""
        return np.asarray((self.weight * self.tails.sum(axis=1)).sum(axis=0), dtype=np.float64)

    @cached_property
    def left_sd(self) -> FloatArray:
        """The standard uncertainty of `left`, (p,)."""
        by_model = self.tails.sum(axis=1)
        spread = self.weight * (self._left_sd_of**2 + (by_model - self.left) ** 2)
        return np.asarray(np.sqrt(spread.sum(axis=0)), dtype=np.float64)

    def chance_above(self, limit: FloatArray, ago_min: float = 0.0) -> FloatArray:
        """Return how likely it is that a pair had over its `limit` (p,) to go so many minutes ago, (p,)."""
        from scipy.special import ndtr

        then = self._then(ago_min)
        left = np.einsum("gi,gip->gp", then, self.tails)
        variance = np.einsum("gi,gij,gj->g", then, self.tails_cov, then)
        sd = np.sqrt(np.maximum(variance, 1e-24))[:, None]
        within = ndtr((limit - left) / sd) - ndtr((-limit - left) / sd)
        return np.asarray(1.0 - (self.weight * within).sum(axis=0), dtype=np.float64)

    def left_before(self, ago_min: float) -> FloatArray:
        """Return the movement that was still to come so many minutes ago, with sign, (p,)."""
        left = np.einsum("gi,gip->gp", self._then(ago_min), self.tails)
        return np.asarray((self.weight * left).sum(axis=0), dtype=np.float64)

    def _then(self, ago_min: float) -> FloatArray:
        """How much larger each tail was so many minutes ago, (g, 2)."""
        return np.exp(np.minimum(ago_min / self.tau_min, 300.0))

    @cached_property
    def _left_sd_of(self) -> FloatArray:
        return np.asarray(
            np.sqrt(np.maximum(self.tails_cov.sum(axis=(1, 2)), 0.0))[:, None], dtype=np.float64
        )

    def settles_in_min(self, limit: float | FloatArray) -> FloatArray:
        """Return when each pair will be within `limit` of its end for good: best, earliest, latest (3, p).

        `limit`: one for all, or (p,). Minutes from now; earliest and latest bound a 90 % interval, infinite
        where it is beyond 2 hours.
        """
        fade = np.exp(-_AHEAD_MIN[None, None, :] / self.tau_min[:, :, None])  # (g, 2, m)
        paths = np.einsum("gim,gip->gmp", fade, self.tails)
        path = np.einsum("gp,gmp->mp", self.weight, paths)
        variance = np.einsum("gim,gij,gjm->gm", fade, self.tails_cov, fade)[:, :, None] + (paths - path) ** 2
        margin = 1.645 * np.sqrt(np.maximum(np.einsum("gp,gmp->mp", self.weight, variance), 0.0))
        size = np.abs(path)
        out = []
        for reach in (size, np.maximum(size - margin, 0.0), size + margin):
            outside = reach > limit
            last = len(outside) - np.argmax(outside[::-1], axis=0)  # the first row after the last outside
            settled = np.append(_AHEAD_MIN, np.inf)[np.where(outside.any(axis=0), last, 0)]
            out.append(settled)
        return np.array(out)


@dataclass(frozen=True)
class Rate:
    """A drift rate per hour, in the unit of what was fitted, with its 95 % interval."""

    rate: float
    low: float
    high: float


def forecast(
    t_min: FloatArray,
    y: FloatArray,
    mains: FloatArray | None = None,
    shifts_min: Sequence[float] = (),
) -> Forecast | None:
    """Forecast where each pair ends from its warm-up so far.

    `t_min` (n,): minutes since HT on, increasing. `y` (n, p): currents relative to a common unit,
    no NaN. `mains` (n,): mains relative to its mean, or None. `shifts_min`: when something else moved all
    levels at once (a pair dropped out and the supply rose). Time constants of 40 and 60 minutes are taken to
    be rare, as in a healthy amp; `Forecast.with_slow_odds` asks otherwise. None before 8 minutes of HT.
    """
    keep = t_min >= _HEATING_MIN
    t, y = t_min[keep], y[keep]
    mains = mains[keep] if mains is not None else None
    if len(t) < 5 or t[-1] + 0.5 < FORECAST_FROM_MIN:  # a minute's mean stands at its middle
        return None
    now = float(t[-1])
    last_mains = float(mains[-1]) if mains is not None else 0.0
    t, y, mains = _thinned(t, y, mains)
    n, p = y.shape
    centre = y.mean(axis=0)
    z = y - centre
    level_with_y = np.full(n, _LEVEL_VAR)
    level_prior = _LEVEL_VAR
    also = []  # what moved all at once, (n,) each, in units of its prior
    if mains is not None:
        z = z - SUPPLY_GAIN * (mains - last_mains)[:, None]
        also.append(_MAINS_GAIN_SD * (mains - last_mains))
    # Those between the same two times count as one, the larger: after days there are hundreds, and n times.
    for row, count in zip(*np.unique(np.searchsorted(t, shifts_min), return_counts=True), strict=True):
        if 0 < row < n:
            variance = _LEVEL_VAR * float(count)
            after = np.arange(n) >= row
            also.append(math.sqrt(variance) * after)
            level_with_y = level_with_y + variance * after
            level_prior += variance
    models = _warm_up_models(tuple(np.round(t, 3).tolist()))
    sides = np.column_stack([z, level_with_y, *also])
    solved = models.solved(sides)  # (g, n, p + 1 + r)
    k_z, k_level, k_tails = solved[:, :, :p], solved[:, :, p], models.tails_solved
    logdet = models.logdet
    if also:  # the matrix inversion lemma: the models stay as they are
        moved = np.column_stack(also)
        k_moved = solved[:, :, p + 1 :]
        inner = np.eye(len(also)) + moved.T @ k_moved
        gain = k_moved @ np.linalg.inv(inner)
        k_z = k_z - gain @ (moved.T @ k_z)
        k_level = k_level - (gain @ (moved.T @ k_level[:, :, None]))[:, :, 0]
        k_tails = k_tails - gain @ (moved.T @ k_tails)
        logdet = logdet + np.linalg.slogdet(inner)[1]  # the determinant itself may be beyond all numbers
    chi2 = np.einsum("np,gnp->gp", z, k_z)
    level_var = level_prior - k_level @ level_with_y
    at_now = models.tails_sd * np.exp(-now / models.tau_min)  # (g, 2)
    return Forecast(
        centre=centre,
        level=np.einsum("n,gnp->gp", level_with_y, k_z),
        level_sd=np.sqrt(np.maximum(level_var, 0.0))[:, None],
        tails=at_now[:, :, None] * (models.tails @ k_z),
        tails_cov=(np.eye(2) - models.tails @ k_tails) * at_now[:, :, None] * at_now[:, None, :],
        tau_min=models.tau_min,
        log_weight=models.log_odds[:, None] - 0.5 * (chi2 + logdet[:, None]),
    )


def turns_min(t_min: FloatArray, log_y: FloatArray, setting: NDArray[np.bool_]) -> list[float]:
    """Return between which minutes a pot was turned, for `forecast` to give each side a level of its own.

    `t_min` (n,) as there; `log_y` (n, p): logarithms of the currents with the supply taken out; `setting`
    (n,): whether a person had said that bias is being set. What settles moves ever less: a minute is taken
    for one with a turn where a pair moved further than in the last one without, or the other way, by more
    than settling does; where it was said, by more than noise does. The slowest turns pass for settling.
    """
    out: list[float] = []
    usual: FloatArray | None = None
    for k in range(1, len(t_min)):
        if t_min[k] - t_min[k - 1] > 1.5:  # what a gap hides is no turn, and no slope
            usual = None
            continue
        step = log_y[k] - log_y[k - 1]
        least = _TURN_SAID if setting[k] else _TURN
        if usual is not None and t_min[k - 1] >= _TURNS_FROM_MIN:
            beyond = np.maximum(step - np.maximum(usual, 0.0), np.minimum(usual, 0.0) - step)
            if beyond.max() > least:
                out.append(float(t_min[k - 1] + t_min[k]) / 2.0)
                continue
        usual = step
    return out[-_TURNS_MOST:]


@dataclass(frozen=True)
class _WarmUpModels:
    """All models of a warm-up on one time grid, solved once: g models, n times, in the order of their noise.

    A covariance is `noise_var` (g,) times that of one of the kinds of noise, and three `shapes` (g, n, 3) on
    top, level and tails in units of their priors. `noise_inverse` (kinds, n, n); `noise_solved` (g, n, 3) =
    noise inverse x shapes; `inner` (g, 3, 3) what the shapes leave of it (the matrix inversion lemma: nothing
    of size n is inverted for each model). `logdet` (g,) of the whole covariance.
    """

    noise_inverse: FloatArray
    noise_var: FloatArray
    shapes: FloatArray
    noise_solved: FloatArray
    inner: FloatArray
    logdet: FloatArray
    tails_sd: FloatArray
    tau_min: FloatArray
    log_odds: FloatArray

    @property
    def tails(self) -> FloatArray:
        """The tails in units of their prior, (g, 2, n)."""
        return np.swapaxes(self.shapes[:, :, 1:], 1, 2)

    @property
    def tails_solved(self) -> FloatArray:
        """Inverse covariance x tails, (g, n, 2)."""
        return self.noise_solved @ self.inner[:, :, 1:]

    def solved(self, sides: FloatArray) -> FloatArray:
        """Return inverse covariance x sides, (g, n, k) from (n, k)."""
        by_noise = _each(self.noise_inverse @ sides, len(self.noise_var))
        by_shape = self.inner @ (np.swapaxes(self.shapes, 1, 2) @ by_noise)
        return np.asarray((by_noise - self.noise_solved @ by_shape) / self.noise_var[:, None, None])


@lru_cache(maxsize=2)  # up to 0.3 MB each; the forecast of each minute has a grid of its own
def _warm_up_models(times_min: tuple[float, ...]) -> _WarmUpModels:
    t = np.array(times_min)
    n = len(t)
    grid = [
        (fast, slow, sd, odds * share, noise)
        for _, share in _WALKS
        for fast in _FAST_MIN
        for slow, sd, odds in zip(_SLOW_MIN, _SLOW_SD, _SLOW_ODDS, strict=True)
        for noise in _NOISE_SD
    ]
    g = len(grid)
    tau = np.array([(fast, slow) for fast, slow, *_ in grid])
    tails_sd = np.array([(_FAST_SD, sd) for _, _, sd, *_ in grid])
    noise_var = np.array([noise**2 for *_, noise in grid])
    level = np.full((g, n, 1), math.sqrt(_LEVEL_VAR))
    shapes = np.concatenate([level, tails_sd[:, None] * np.exp(-t[:, None] / tau[:, None])], axis=2)
    steady = flicker_covariance(t) + 0.05 * np.eye(n)
    roots = np.linalg.cholesky([steady + walk * np.minimum.outer(t, t) for walk, _ in _WALKS])
    whiten = np.linalg.inv(roots)
    noise_inverse = np.swapaxes(whiten, 1, 2) @ whiten
    noise_solved = _each(noise_inverse, g) @ shapes
    seen = np.swapaxes(shapes, 1, 2) @ noise_solved + noise_var[:, None, None] * np.eye(3)
    noise_logdet = 2.0 * np.log(np.diagonal(roots, axis1=1, axis2=2)).sum(axis=1)
    return _WarmUpModels(
        noise_inverse=noise_inverse,
        noise_var=noise_var,
        shapes=shapes,
        noise_solved=noise_solved,
        inner=np.linalg.inv(seen),
        logdet=_each(noise_logdet, g) + (n - 3) * np.log(noise_var) + np.linalg.slogdet(seen)[1],
        tails_sd=tails_sd,
        tau_min=tau,
        log_odds=np.log([odds for _, _, _, odds, _ in grid]),
    )


def _each(by_kind: FloatArray, models: int) -> FloatArray:
    """Return for each model what is its kind's, (models, ...) from (kinds, ...)."""
    return np.repeat(by_kind, models // len(by_kind), axis=0)


def _quantile(mean: FloatArray, sd: FloatArray, weight: FloatArray, share: float) -> FloatArray:
    """Return a quantile of mixtures of normal laws (g, p), by bisection."""
    from scipy.special import ndtr

    sd = np.maximum(sd, 1e-12)
    high = (np.abs(mean) + 8 * sd).max(axis=0)
    low = -high
    for _ in range(40):
        middle = (low + high) / 2.0
        less = (weight * ndtr((middle - mean) / sd)).sum(axis=0) < share
        low, high = np.where(less, middle, low), np.where(less, high, middle)
    return np.asarray((low + high) / 2.0, dtype=np.float64)


def began(t: FloatArray, y: FloatArray) -> float:
    """Return when a level began to move, in the unit of t: the hinge that leaves the least squares.

    t (n,), y (n,); the last 8 points are too few to tell a movement by.
    """
    best, where = math.inf, float(t[0])
    for hinge in t[:-8]:
        design = np.column_stack([np.ones(len(t)), np.maximum(t - hinge, 0.0)])
        _, rest, *_ = np.linalg.lstsq(design, y, rcond=None)
        if len(rest) and rest[0] < best:
            best, where = float(rest[0]), float(hinge)
    return where


def drift_rate(
    t_min: FloatArray, y: FloatArray, *, tail_sd: float = 0.0, tail_from_min: float = 0.0
) -> Rate | None:
    """Fit level + rate + settling tail + correlated noise to one pair's own movement.

    `t_min` (n,), `y` (n,) in any unit, no NaN, at least 30 minutes between the ends. `tail_sd`: standard
    deviation, in the unit of y, of what may be left of the settling at `tail_from_min`. Returns the
    rate per hour with its 95 % interval, averaged over a grid of white, 1/f and random-walk noise by
    their restricted likelihood, or None where there is too little to fit.
    """
    if len(t_min) < 10 or t_min[-1] - t_min[0] < 29.0:
        return None
    t, columns, _ = _thinned(t_min, y[:, None], None, points=_RATE_POINTS)
    y = columns[:, 0]
    y = y - y.mean()
    design = _line(t)
    scatter = float((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]).std())
    if not scatter > 1e-12 * max(float(np.abs(y).max()), 1e-300):
        slope = float(np.linalg.lstsq(design, y, rcond=None)[0][1])
        return Rate(slope, slope, slope)
    # To half an octave: what is left of the settling is only known roughly, and the model can be kept.
    tail = 2.0 ** (round(2.0 * math.log2(tail_sd / scatter)) / 2.0) if tail_sd > 0 else 0.0
    model = _rate_model(tuple(np.round(t - t[0], 2)), tail, round(float(t[0]) - tail_from_min, 1))
    means, s2 = (
        model.slope @ y,
        np.maximum(np.einsum("i,gij,j->g", y, model.quadratic, y), 1e-300) / model.dof,
    )
    logs = model.log_weight - 0.5 * model.dof * np.log(s2)
    weight = np.exp(logs - logs.max())
    low, high = _mixture_quantiles(means, np.sqrt(s2) * model.slope_sd, weight / weight.sum(), model.dof)
    return Rate(rate=float((weight * means).sum() / weight.sum()), low=low, high=high)


@dataclass(frozen=True)
class LeastSquares:
    """A linear model of k coefficients solved under a covariance, for whatever data come later.

    Leading dimensions (...) are those of the covariances given. `estimator` (..., k, n) times data (n,) or
    (n, p) gives the coefficients, `covariance` (..., k, k) is theirs, `residual_form` (..., n, n) between two
    copies of the data gives the weighted sum of squared residuals; `log_likelihood` (...) is the data's
    restricted one but for that sum's half.
    """

    estimator: FloatArray
    covariance: FloatArray
    residual_form: FloatArray
    log_likelihood: FloatArray


def least_squares(design: FloatArray, noise: FloatArray) -> LeastSquares:
    """Solve generalised least squares of the columns of `design` (n, k) under `noise` (..., n, n).

    Data and design are whitened by the covariance's root and the columns then made orthogonal (QR): normal
    equations would square the condition. Aitken 1936; restricted likelihood: Patterson and Thompson 1971.
    Raises numpy.linalg.LinAlgError where a covariance is not positive definite.
    """
    root = np.linalg.cholesky(noise)
    whiten = np.linalg.inv(root)
    q, r = np.linalg.qr(whiten @ design)
    back = np.linalg.inv(r)
    seen = np.swapaxes(q, -1, -2) @ whiten  # what of the data the model takes up
    log_root = np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(axis=-1)
    log_information = np.log(np.abs(np.diagonal(r, axis1=-2, axis2=-1))).sum(axis=-1)
    return LeastSquares(
        estimator=back @ seen,
        covariance=back @ np.swapaxes(back, -1, -2),
        residual_form=np.swapaxes(whiten, -1, -2) @ whiten - np.swapaxes(seen, -1, -2) @ seen,
        log_likelihood=np.asarray(-log_root - log_information, dtype=np.float64),
    )


@dataclass(frozen=True)
class _RateModel:
    """All noise mixes of one time grid, solved once: slopes, their spread and the residual form, (g, ...)."""

    slope: FloatArray
    slope_sd: FloatArray
    quadratic: FloatArray
    log_weight: FloatArray
    dof: int


@lru_cache(maxsize=32)
def _rate_model(times: tuple[float, ...], tail: float, since_settled_min: float) -> _RateModel:
    t = np.array(times)
    n = len(t)
    design = _line(t)
    flicker = flicker_covariance(t)
    width = float(np.median(np.diff(t)))
    # A walk averaged over bins: the mean of a bin varies by a sixth of its width less than its middle. No bin
    # is wider than the way to its neighbours, or this would be no covariance.
    apart = np.diff(t, prepend=-np.inf, append=np.inf)
    widths = np.minimum(width, np.minimum(apart[:-1], apart[1:]))
    walk = np.minimum.outer(t + width, t + width) - np.diag(widths / 6.0)
    parts = [np.eye(n), _detrended_unit(flicker, design), _detrended_unit(walk, design)]
    tails = [np.zeros((n, n))]
    if tail > 0:
        for tau in _TAIL_MIN:
            shape = tail * np.exp(-(t + max(since_settled_min, 0.0)) / tau)
            tails.append(np.outer(shape, shape))
    mixed = np.einsum("mp,pij->mij", np.array(_MIXES), np.array(parts))
    k = (np.array(tails)[:, None] + mixed[None]).reshape(-1, n, n)
    fit = least_squares(design, k)
    return _RateModel(
        slope=fit.estimator[:, 1],
        slope_sd=np.sqrt(fit.covariance[:, 1, 1]),
        quadratic=fit.residual_form,
        log_weight=_log_prior(len(tails)) + fit.log_likelihood,
        dof=n - 2,
    )


def _log_prior(tails: int) -> FloatArray:
    """Lean towards walks: what an hour can't tell from flicker does more harm when it is left out."""
    return np.tile([math.log1p(_WALK_LEANING * walk) for _, _, walk in _MIXES], tails)


def _line(t: FloatArray) -> FloatArray:
    """Level and rate per hour."""
    hours = (t - t[0]) / 60.0
    return np.column_stack([np.ones(len(t)), hours - hours.mean()])


def flicker_covariance(t_min: FloatArray) -> FloatArray:
    """Return the covariance (n, n) of 1/f noise of rms 1 between 1 s and 4.5 h, at bins' mean times.

    Each time stands for the mean of a bin as wide as the usual distance: faster movement is averaged out.
    """
    t = np.asarray(t_min, dtype=np.float64)
    width = float(np.median(np.diff(t))) if len(t) > 1 else 1.0
    lag = np.abs(t[:, None] - t[None, :])
    if lag.max() > _TABLE_TO_MIN:
        return _flicker_at(lag, width)
    table_lag, table = _flicker_table(round(width, 3), float(np.ceil(lag.max() / 60.0) * 60.0 + 60.0))
    return np.interp(lag, table_lag, table)


def _flicker_at(lag: FloatArray, width_min: float) -> FloatArray:
    """Return the covariance at these lags themselves: a sum of cosines is a covariance, what lies between
    the points of a table is none over days.
    """
    some, place = np.unique(np.round(lag, 2), return_inverse=True)
    pieces = np.array_split(some, -(-len(some) // 256))
    return np.concatenate([_flicker_of(piece, width_min) for piece in pieces])[place].reshape(lag.shape)


@lru_cache(maxsize=8)
def _flicker_table(width_min: float, to_min: float) -> tuple[FloatArray, FloatArray]:
    lag = np.concatenate([[0.0], np.geomspace(width_min / 4, to_min, 400)])
    return lag, _flicker_of(lag, width_min)


def _flicker_of(lag: FloatArray, width_min: float) -> FloatArray:
    f = np.geomspace(1.0 / FLICKER_SPAN_MIN[1], 1.0 / (2.0 * width_min), 2000)
    octaves = np.log(FLICKER_SPAN_MIN[1] / FLICKER_SPAN_MIN[0])
    values = np.trapezoid(np.cos(2 * np.pi * np.outer(lag, f)), np.log(f), axis=1) / octaves
    return np.asarray(values, dtype=np.float64)


# White, flicker and walk shares of the scatter left after a straight line is taken out.
_MIXES: Final = tuple(
    (max(white, 1e-4), flicker, walk)
    for white in (0.001, 0.03, 0.1, 0.3, 0.6, 1.0)
    for flicker in (0.0, 0.3, 0.6, 0.9)
    for walk in (0.0, 0.1, 0.3, 0.6, 0.9, 1.0)
    if abs(white + flicker + walk - 1.0) < 0.11
)


def _detrended_unit(k: FloatArray, design: FloatArray) -> FloatArray:
    """Scale a covariance so that a straight line's residuals have unit variance under it."""
    q, _ = np.linalg.qr(design)
    n = len(k)
    project = np.eye(n) - q @ q.T
    scale = float(np.trace(project @ k)) / n
    return np.asarray(k / scale, dtype=np.float64)


def _thinned(
    t: FloatArray, y: FloatArray, mains: FloatArray | None, *, points: int = _POINTS
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Average groups of neighbours until at most `points` are left."""
    group = -(-len(t) // points)
    if group <= 1:
        return t, y, mains
    first = len(t) % group  # the newest group is whole
    starts = np.arange(first, len(t), group)
    if first:
        starts = np.concatenate([[0], starts])
    sizes = np.diff(np.append(starts, len(t)))

    def mean(x: FloatArray) -> FloatArray:
        return np.asarray((np.add.reduceat(x, starts, axis=0).T / sizes).T, dtype=np.float64)

    return mean(t), mean(y), mean(mains) if mains is not None else None


def _mixture_quantiles(
    means: FloatArray, sds: FloatArray, weight: FloatArray, dof: int
) -> tuple[float, float]:
    """Return the 2.5 and 97.5 % points of a mixture of Student laws, by bisection."""
    from scipy.special import stdtr

    keep = weight > 1e-6
    means, sds, weight = means[keep], np.maximum(sds[keep], 1e-15), weight[keep] / weight[keep].sum()
    out = []
    for share in (0.025, 0.975):
        low, high = float((means - 20 * sds).min()), float((means + 20 * sds).max())
        for _ in range(50):
            middle = (low + high) / 2.0
            if float(weight @ stdtr(dof, (middle - means) / sds)) < share:
                low = middle
            else:
                high = middle
        out.append((low + high) / 2.0)
    return out[0], out[1]
