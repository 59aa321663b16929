"""The uncertainty of what is told from several figures: errors by their source, so that common ones cancel.

A figure is a value with its errors. Each error names its source; figures with an error of the same source
have the same error, each by its own size, and it cancels as far as the sizes agree. Figures of one soak
share what the budget calls shared. Figures of two soaks share what stays from day to day (a resistor's
tolerance, the converter's gain, a calibration's rest) where board, wiring and calibration are the same; what
is new each day (warming, thermal emf, leakage, noise) is never shared between them.

JCGM 100:2008 (GUM) 5.2 for sums, JCGM 101:2008 for what is no straight line.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from logger.blocks import DaqInfo, FloatArray
from logger.calibrate import wiring
from logger.convert import Calibration, Term, expanded, terms
from logger.setup import Setup

NORMAL_95: Final = 1.959963984540054
NO_BOARD: Final = ("", "none")
"""What a board is called that nobody could ask who it is: never the same as any other."""

_LASTING: Final = frozenset(
    {
        "sense resistor, tolerance",
        "series resistor, loading",
        "converter gain",
        "converter offset",
        "divider, upper resistor",
        "divider, lower resistor",
        "divider, not stated",
        "transducer",
        "calibration, gain",
        "calibration, offset",
        "calibration, reference",
        "screen fraction",
    }
)
"""Terms that are the same another day; all others, also ones of a name not known here, are new each day."""

_DRAWS: Final = 20_000
"""U to about 0.7 %."""


@dataclass(frozen=True)
class Error:
    """One independent error of a figure: half its width, or its standard uncertainty where `normal`.

    `size` is signed, in the figure's unit: figures that share the source are wrong the same way by it.
    """

    source: tuple[str, ...]
    size: float
    normal: bool = True


@dataclass(frozen=True)
class Figure:
    """A value with its errors, in one unit."""

    value: float
    errors: tuple[Error, ...] = ()


def of_terms(
    value: float,
    found: Sequence[Term],
    *,
    day: str,
    board: str,
    channel: str,
    noise_u: float = 0.0,
) -> Figure:
    """Return a figure with the errors that a budget's terms say.

    `day` names the soak, `board` the board, `channel` the channel with its wiring and calibration: errors
    that last are the same where board and channel are, all others where the day is too. `noise_u` is nobody
    else's.
    """
    errors = []
    for term in found:
        bare = term.term.split(": ", 1)[-1]
        when = "" if bare in _LASTING else day
        whose = "" if term.shared else channel
        source = (when, board, whose, term.term, term.distribution)
        errors.append(Error(source, term.value * term.sensitivity, term.distribution == "normal"))
    if noise_u:
        errors.append(Error((day, board, channel, "noise"), noise_u))
    return Figure(value, tuple(errors))


def settled(
    judged: Mapping[str, Any],
    setup: Setup,
    daq: DaqInfo,
    column: int,
    calibration: Calibration | None,
    *,
    day: str,
) -> Figure | None:
    """Return a pair's settled current, in A, from what `soakbench.judge/1` says of its channel.

    What of the uncertainty said there no term explains is the mean's own noise. None where it has none.
    """
    mA, U, k = (judged.get(key) for key in ("settled_mA", "expanded_uncertainty_mA", "coverage_factor"))
    if mA is None:
        return None
    known2 = sum(term.contribution**2 for term in terms(setup, daq, column, mA / 1e3, calibration))
    noise2 = (U / 1e3 / k) ** 2 - known2 if U and k else 0.0
    noise_u = math.sqrt(max(0.0, noise2))
    return of_channel(setup, daq, column, mA / 1e3, calibration, day=day, noise_u=noise_u)


def of_channel(
    setup: Setup,
    daq: DaqInfo,
    column: int,
    value: float,
    calibration: Calibration | None,
    *,
    day: str,
    noise_u: float = 0.0,
) -> Figure:
    """Return one channel's mean in A, V or degC with its errors; `noise_u`: the noise part of the mean."""
    return of_terms(
        value,
        terms(setup, daq, column, value, calibration),
        day=day,
        board=board_key(daq, day),
        channel=channel_key(setup, daq, column, calibration),
        noise_u=noise_u,
    )


def board_key(daq: DaqInfo, day: str) -> str:
    """Name the board: one that nobody could ask is another each day."""
    return f"unknown, {day}" if daq.board_id in NO_BOARD else daq.board_id


def channel_key(setup: Setup, daq: DaqInfo, column: int, calibration: Calibration | None) -> str:
    """Name a channel by what it is called, how it is wired and what calibrates it."""
    name = setup.channel[column].name
    known = (Calibration.stated_in(setup) if calibration is None else calibration).channels.get(name)
    found = "" if known is None else known.model_dump_json(exclude_defaults=True)
    return f"{name}; {wiring(setup, daq, column)}; {found}"


def weighted_U(figures: Sequence[Figure], weights: Sequence[float]) -> tuple[float, float]:
    """Return U, the half-width of the shortest 95 % interval of a weighted sum, and its coverage factor.

    Exact for normal and rectangular errors: those of one source add with their signs.
    """
    sizes: dict[tuple[tuple[str, ...], bool], float] = {}
    for figure, weight in zip(figures, weights, strict=True):
        for error in figure.errors:
            key = (error.source, error.normal)
            sizes[key] = sizes.get(key, 0.0) + weight * error.size
    normal_u = math.hypot(*(size for (_, normal), size in sizes.items() if normal))
    return expanded(normal_u, [abs(size) for (_, normal), size in sizes.items() if not normal])


def drawn_U(
    figures: Sequence[Figure], of: Callable[[FloatArray], FloatArray], seed: int = 101
) -> tuple[FloatArray, FloatArray]:
    """Return what `of` makes of the figures, (m,), and its U: the half-width about it that holds 95 %, (m,).

    `of` takes figures by row, (figures, draws), and returns (m, draws). By a draw (JCGM 101:2008), for the
    same figures always the same one.
    """
    values = np.array([figure.value for figure in figures])
    drawn = np.repeat(values[:, None], _DRAWS, axis=1)
    rng = np.random.default_rng(seed)
    for (_, normal), sizes in by_source(figures).items():
        unit = rng.standard_normal(_DRAWS) if normal else rng.uniform(-1.0, 1.0, _DRAWS)
        for row, size in sizes.items():
            drawn[row] += size * unit
    read = of(values[:, None])
    U: FloatArray = np.quantile(np.abs(of(drawn) - read), 0.95, axis=1)
    return read[:, 0], U


def by_source(figures: Sequence[Figure]) -> Mapping[tuple[tuple[str, ...], bool], dict[int, float]]:
    """Return the size of each source's error in each figure that has it, by the figure's row."""
    found: dict[tuple[tuple[str, ...], bool], dict[int, float]] = {}
    for row, figure in enumerate(figures):
        for error in figure.errors:
            sizes = found.setdefault((error.source, error.normal), {})
            sizes[row] = sizes.get(row, 0.0) + error.size
    return found
