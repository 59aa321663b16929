"""Valves into matched sets of 2, 4, 6 or 8: how far the valves of each lie apart, and which to leave out.

Two valves are apart by their difference in current, in % of the median current of all; where a second bias
point was measured, by the root of the squares of that and of the difference in transconductance, in % of the
median transconductance (the current's change from the first point to the second, the same step of grid volts
for all valves). A set's spread is that of its two valves furthest apart. Sought are as many sets as there can
be, with the least sum of spreads. Equal weight for both figures is common practice, no source.

- Current alone, any size: exact. Sorted by current, some best grouping is made of neighbours (two sets that
  overlap never lose by being parted in the middle of their valves together; a valve left out within a set may
  take the place of its outer one), so it is found by dynamic programming.
- Both figures: exact wherever the possible sets can be listed (pairs always: a minimum-weight matching), as a
  choice of whole sets, each valve in one at most. scipy's HiGHS proves the least; it is here already, leaves
  valves out by the same constraint, and takes sets of any size, none of which `networkx` matching does.
- Both figures and too many possible sets: neighbours along several directions, then swaps of two valves while
  they help. `least_possible` then bounds what the best grouping could have.
"""

from __future__ import annotations

import csv
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger.blocks import DaqInfo, FloatArray
from logger.convert import Calibration
from logger.differences import NORMAL_95, Error, Figure, drawn_U, settled, weighted_U
from logger.errors import LogFileError, RequestError
from logger.setup import Setup
from logger.verdict import program_version

SIZES: Final = (2, 4, 6, 8)
MOST_VALVES: Final = 300
"""More than a drawer holds; exact pairs of so many take some 10 s."""

_LISTED: Final = 2_000
"""So many possible sets of more than two are chosen from exactly, in a second or less."""
_DIRECTIONS: Final = 24
_MOST_FILE_BYTES: Final = 1_000_000


@dataclass(frozen=True)
class Valve:
    """One measured valve: its current in A, and where measured the change of it to the second bias point."""

    name: str
    current: Figure
    step: Figure | None = None


@dataclass(frozen=True)
class Grouping:
    """Sets of places among the valves, the best one first; those left out; the sum of the sets' spreads.

    `least_possible` is what no grouping into so many sets can be below: the same sum where it is `exact`.
    """

    sets: list[tuple[int, ...]]
    left_out: list[int]
    total: float
    least_possible: float

    @property
    def exact(self) -> bool:
        """Whether no grouping has a smaller sum."""
        return self.total <= self.least_possible * (1.0 + 1e-9) + 1e-12


# ---- the search


def group(points: FloatArray, size: int, within: float = math.inf) -> Grouping:
    """Group valves at `points` (n, 1 or 2), in %, into sets of `size` that each spread by at most `within`.

    RequestError where not one set can be made.
    """
    if len(points) < size:
        raise RequestError(f"a set of {size} needs {size} valves, and there are {len(points)}: measure more")
    if points.shape[1] == 1:
        found = _neighbours(points[:, 0], points, size, within)
        best = sum(_spread(_apart(points), one) for one in found)
        return _grouping(points, found, best)
    if size == 2 or math.comb(len(points), size) <= _LISTED:
        found = _chosen(_apart(points), size, within)
        return _grouping(points, found, sum(_spread(_apart(points), one) for one in found))
    found = _searched(points, size, within)
    return _grouping(points, found, _least(points, size, len(found)))


def _grouping(points: FloatArray, found: list[tuple[int, ...]], least: float) -> Grouping:
    if not found:
        raise RequestError("no set lies that close together: allow more, or measure more valves")
    apart = _apart(points)
    sets = sorted((tuple(sorted(one)) for one in found), key=lambda one: (_spread(apart, one), one))
    used = {place for one in sets for place in one}
    total = sum(_spread(apart, one) for one in sets)
    return Grouping(sets, [place for place in range(len(points)) if place not in used], total, least)


def _apart(points: FloatArray) -> FloatArray:
    """Return how far any two valves are apart, (n, n)."""
    apart: FloatArray = np.sqrt(((points[:, None] - points[None]) ** 2).sum(axis=2))
    return apart


def _spread(apart: FloatArray, one: Sequence[int]) -> float:
    return float(apart[np.ix_(one, one)].max())


def _neighbours(along: FloatArray, points: FloatArray, size: int, within: float) -> list[tuple[int, ...]]:
    """Return the best sets of neighbours in the order of `along`: as many as can be, then the least sum."""
    order = np.argsort(along, kind="stable").tolist()
    apart, n = _apart(points), len(order)
    most = n // size
    cost = [
        spread if (spread := _spread(apart, order[stop - size : stop])) <= within else math.inf
        for stop in range(size, n + 1)
    ]
    best = np.full((most + 1, n + 1), np.inf)
    best[0] = 0.0
    for sets in range(1, most + 1):
        for stop in range(size, n + 1):
            taken = best[sets - 1, stop - size] + cost[stop - size]
            best[sets, stop] = min(best[sets, stop - 1], taken)
    sets = max(k for k in range(most + 1) if math.isfinite(best[k, n]))
    found, stop = [], n
    while sets:
        if best[sets, stop] == best[sets, stop - 1]:
            stop -= 1
            continue
        found.append(tuple(order[stop - size : stop]))
        stop -= size
        sets -= 1
    return found


def _chosen(apart: FloatArray, size: int, within: float) -> list[tuple[int, ...]]:
    """Choose among all possible sets: as many as can be, then the least sum. Exact."""
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csc_array

    n = len(apart)
    possible = np.array(list(itertools.combinations(range(n), size)))
    cost = np.zeros(len(possible))
    for one, other in itertools.combinations(range(size), 2):
        np.maximum(cost, apart[possible[:, one], possible[:, other]], out=cost)
    possible, cost = possible[cost <= within], cost[cost <= within]
    if not len(possible):
        return []
    columns = np.repeat(np.arange(len(possible)), size)
    holds = csc_array((np.ones(possible.size), (possible.ravel(), columns)), shape=(n, len(possible)))
    ones, n_sets = np.ones(len(possible)), float(n // size)
    whole: Any = {"integrality": ones, "bounds": Bounds(0.0, 1.0), "options": {"mip_rel_gap": 0.0}}
    once = LinearConstraint(holds, -np.inf, 1.0)
    if math.isfinite(within):  # first how many there can be: as one weighted sum it takes far longer
        found = milp(-ones, constraints=once, **whole)
        assert found.x is not None, found.message  # no set at all is always allowed
        n_sets = round(found.x.sum())
    so_many = LinearConstraint(ones[None], n_sets, n_sets)
    found = milp(cost, constraints=[once, so_many], **whole)
    assert found.x is not None, found.message  # so many sets are there
    return [tuple(one.tolist()) for one in possible[np.rint(found.x).astype(bool)]]


def _searched(points: FloatArray, size: int, within: float) -> list[tuple[int, ...]]:
    """Return good sets: the best neighbours along some direction, then swaps while they help."""
    apart = _apart(points)

    def worth(found: list[tuple[int, ...]]) -> tuple[int, float]:
        return -len(found), sum(_spread(apart, one) for one in found)

    starts = [_neighbours(points @ way, points, size, within) for way in _directions()]
    best = min((_swapped(apart, start, within) for start in sorted(starts, key=worth)[:4]), key=worth)
    return best


def _directions() -> FloatArray:
    turn = np.arange(_DIRECTIONS) * math.pi / _DIRECTIONS
    return np.column_stack([np.cos(turn), np.sin(turn)])


def _swapped(apart: FloatArray, start: list[tuple[int, ...]], within: float) -> list[tuple[int, ...]]:
    """Swap two valves of different sets, or one with one left out, while that lowers the sum."""
    sets = [list(one) for one in start]
    used = {place for one in sets for place in one}
    spare = [place for place in range(len(apart)) if place not in used]
    spreads = [_spread(apart, one) for one in sets]
    better = bool(sets)
    while better:
        better = False
        for a, i in itertools.product(range(len(sets)), range(len(sets[0]))):
            for k in range(len(spare)):
                one = [*sets[a][:i], spare[k], *sets[a][i + 1 :]]
                if (spread := _spread(apart, one)) < spreads[a] - 1e-12:
                    sets[a][i], spare[k], spreads[a], better = spare[k], sets[a][i], spread, True
            for b, j in itertools.product(range(a + 1, len(sets)), range(len(sets[0]))):
                one = [*sets[a][:i], sets[b][j], *sets[a][i + 1 :]]
                other = [*sets[b][:j], sets[a][i], *sets[b][j + 1 :]]
                pair = _spread(apart, one), _spread(apart, other)
                if max(pair) <= within and sum(pair) < spreads[a] + spreads[b] - 1e-12:
                    sets[a], sets[b], better = one, other, True
                    spreads[a], spreads[b] = pair
    return [tuple(one) for one in sets]


def _least(points: FloatArray, size: int, sets: int) -> float:
    """Return what the spreads of so many sets sum up to at least.

    A set reaches from each of its valves at least as far as the last of the nearest that it needs; what so
    many sets' greatest reaches sum up to is least where valves of like reach are together. And a set is never
    closer than its shadow on a line, on which the best grouping is known.
    """
    reach = np.sort(np.sort(_apart(points), axis=1)[:, size - 1])
    bounds = [float(reach[size - 1 : sets * size : size].sum())]
    for way in _directions():
        shadow = np.sort(points @ way)
        best = np.zeros(len(shadow) + 1)
        for _ in range(sets):
            taken = np.full_like(best, np.inf)
            taken[size:] = best[: len(best) - size] + shadow[size - 1 :] - shadow[: len(shadow) - size + 1]
            best = np.minimum.accumulate(taken)
        bounds.append(float(best[-1]))
    return max(bounds)


# ---- what was measured


def from_judged(
    judged: dict[str, Any],
    setup: Setup,
    daq: DaqInfo,
    calibration: Calibration | None,
    *,
    day: str,
    prefix: str = "",
) -> list[Valve]:
    """Return the valves of a burn-in, one a pair with a settled current, from its `soakbench.judge/1`.

    `day` is the soak's own name: what is new each day is the same for its valves only; `prefix` goes before
    the pairs' labels.
    """
    known = {channel["name"]: channel for channel in judged["channels"]}
    out = []
    for column in setup.pair_columns:
        channel = setup.channel[column]
        figure = settled(known[channel.name], setup, daq, column, calibration, day=day)
        if figure is None:
            continue
        out.append(Valve(f"{prefix}{channel.label}", figure))
    return out


_HEADS: Final = {
    "valve": "name",
    "name": "name",
    "ma": "current",
    "current": "current",
    "current [ma]": "current",
    "second": "second",
    "second [ma]": "second",
    "ma at second": "second",
    "u": "U",
    "u [ma]": "U",
    "u_ma": "U",
    "shared u": "shared",
    "shared u [ma]": "shared",
}


def read_sheet(path: Path) -> list[Valve]:
    """Read valves measured one after another from a csv: `valve, current [mA], second [mA], U [mA]`.

    `U`: expanded uncertainty (95 %) of each current; `shared U`: the part of it that is the same for all,
    since one resistor and one meter measured them. Both may be left out, as may `second`. Semicolons, tabs
    and decimal commas are read as such. LogFileError names the line that can't be read.
    """
    try:
        if path.stat().st_size > _MOST_FILE_BYTES:
            raise LogFileError(f"the list of valves {path} is over 1 MB: name a csv of valves")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise LogFileError(f"the list of valves {path} can't be read ({error.strerror}): check it") from error
    except UnicodeDecodeError as error:
        raise LogFileError(f"the list of valves {path} is not UTF-8 text: save it as CSV, UTF-8") from error
    return parse_sheet(text, str(path))


def parse_sheet(text: str, path: str = "list") -> list[Valve]:
    """Return the valves of a list's text; as `read_sheet`."""
    lines = [(i, line) for i, line in enumerate(text.splitlines(), 1) if line.strip() and line[0] != "#"]
    if not lines:
        raise LogFileError(f"the list of valves {path} is empty: its header is valve, current [mA], U [mA]")
    mark = next((mark for mark in ";\t" if mark in lines[0][1]), ",")
    rows = _cells(lines, mark, path)
    names = [cell.strip().casefold() for cell in rows[0][1]]
    at = {_HEADS[name]: place for place, name in enumerate(names) if name in _HEADS}
    if "name" not in at or "current" not in at or len(at) < len([n for n in names if n]):
        raise LogFileError(
            f"the list of valves {path} has the header {lines[0][1].strip()[:80]!r}: its columns are "
            "valve, current [mA] and, if measured, second [mA], U [mA], shared U [mA]"
        )
    valves = [_row(cells, at, mark, path, number) for number, cells in rows[1:]]
    seen: set[str] = set()
    for valve in valves:
        if valve.name in seen:
            raise LogFileError(f"the list of valves {path} has {valve.name!r} twice: give each its own name")
        seen.add(valve.name)
    with_step = sum(valve.step is not None for valve in valves)
    if 0 < with_step < len(valves):
        raise LogFileError(
            f"the list of valves {path} has a second current for {with_step} valves of {len(valves)}: "
            "measure all at both points, or take that column out"
        )
    return valves


def _cells(lines: Sequence[tuple[int, str]], mark: str, path: str) -> list[tuple[int, list[str]]]:
    out = []
    for number, line in lines:
        try:
            out.append((number, next(csv.reader([line], delimiter=mark))))
        except csv.Error as error:  # a cell of a hundred thousand letters
            raise LogFileError(
                f"line {number} of the list of valves {path} can't be read ({error}): look at it"
            ) from error
    return out


def _row(cells: list[str], at: dict[str, int], mark: str, path: str, line: int) -> Valve:
    def cell(key: str) -> str:
        place = at.get(key)
        return cells[place].strip() if place is not None and place < len(cells) else ""

    def number(key: str) -> float | None:
        text = cell(key)
        if not text:
            return None
        try:
            value = float(text.replace(",", ".") if mark != "," else text)
        except ValueError:
            value = math.nan
        if not 0.0 <= value < 1e5:
            raise LogFileError(
                f"line {line} of the list of valves {path} has {text[:20]!r} for {key}: write mA as a number"
            )
        return value

    name, first, second = cell("name"), number("current"), number("second")
    U, shared = number("U"), number("shared") or 0.0
    if not name or not first:
        raise LogFileError(f"line {line} of the list of valves {path} lacks a name or a current: fill it in")
    if shared > (U or 0.0):
        raise LogFileError(
            f"line {line} of the list of valves {path} shares {shared:g} mA of an uncertainty of {U or 0:g} "
            "mA: U is the whole, shared U a part of it"
        )
    own_u = None if U is None else math.sqrt(U**2 - shared**2) / NORMAL_95 / 1e3

    def figure(mA: float, sources: Sequence[str]) -> Figure:
        errors = [Error(("own", name, source), own_u) for source in sources] if own_u is not None else []
        return Figure(mA / 1e3, tuple(errors))

    # what all share is the same for all: it is in no difference, and is left out here
    step = None if second is None else figure(abs(first - second), ("first", "second"))
    return Valve(name, figure(first, ("first",)), step)


# ---- in words and figures


def document(
    valves: Sequence[Valve],
    size: int,
    *,
    within_pct: float | None = None,
    grid_step_v: float | None = None,
    notes: Sequence[str] = (),
) -> dict[str, Any]:
    """Return the `soakbench.match/1` document: mA and %, null for what does not exist."""
    if size not in SIZES:
        raise RequestError(f"a set has {', '.join(map(str, SIZES))} valves, not {size}")
    if len(valves) > MOST_VALVES:
        raise RequestError(f"{len(valves)} valves are more than the {MOST_VALVES} that are matched at once")
    current = np.array([valve.current.value for valve in valves])
    points = 100.0 * current[:, None] / _middle(current)
    steps = [valve.step for valve in valves if valve.step is not None]
    both = len(steps) == len(valves) and bool(valves)
    if both:
        step = np.array([one.value for one in steps])
        points = np.column_stack([points, 100.0 * step / _middle(step)])
    found = group(points, size, math.inf if within_pct is None else within_pct)
    apart = _apart(points)
    return {
        "schema": "soakbench.match/1",
        "program": f"soakbench {program_version()}",
        "size": size,
        "by": "current and transconductance" if both else "current",
        "within_pct": within_pct,
        "valves": [_valve_json(valve, grid_step_v) for valve in valves],
        "sets": [_set_json([valves[i] for i in one], _spread(apart, one), grid_step_v) for one in found.sets],
        "left_out": [_left_json(i, found, apart, valves, within_pct) for i in found.left_out],
        "sum_of_spreads_pct": found.total,
        "least_possible_pct": found.least_possible,
        "exact": found.exact,
        "says": _says(found, size, within_pct),
        "notes": list(notes),
    }


def _middle(values: NDArray[np.float64]) -> float:
    middle = float(np.median(values)) if len(values) else math.nan
    if not middle > 0.0:
        raise RequestError("the valves' currents, or their changes, have a median of 0: measure them again")
    return middle


def _valve_json(valve: Valve, grid_step_v: float | None) -> dict[str, Any]:
    return {
        "name": valve.name,
        "current_mA": 1e3 * valve.current.value,
        "expanded_uncertainty_mA": _own_U(valve.current),
        **_steps_json(valve, grid_step_v),
    }


def _steps_json(valve: Valve, grid_step_v: float | None) -> dict[str, Any]:
    if valve.step is None:
        return {"step_mA": None, "transconductance_mA_per_V": None}
    step = 1e3 * valve.step.value
    return {"step_mA": step, "transconductance_mA_per_V": step / grid_step_v if grid_step_v else None}


def _own_U(figure: Figure) -> float | None:
    return 1e3 * weighted_U([figure], [1.0])[0] if figure.errors else None


def _set_json(valves: list[Valve], spread_pct: float, grid_step_v: float | None) -> dict[str, Any]:
    steps = [valve.step for valve in valves if valve.step is not None]
    out = {
        "valves": [valve.name for valve in valves],
        "spread_pct": spread_pct,
        "mean_mA": 1e3 * sum(valve.current.value for valve in valves) / len(valves),
        "spread_mA": 1e3 * _range([valve.current for valve in valves]),
        "expanded_uncertainty_mA": _range_U([valve.current for valve in valves]),
        "step_spread_mA": None,
        "step_expanded_uncertainty_mA": None,
        "transconductance_spread_mA_per_V": None,
    }
    if steps:
        out["step_spread_mA"] = 1e3 * _range(steps)
        out["step_expanded_uncertainty_mA"] = _range_U(steps)
        if grid_step_v:
            out["transconductance_spread_mA_per_V"] = 1e3 * _range(steps) / grid_step_v
    return out


def _range(figures: Sequence[Figure]) -> float:
    values = [figure.value for figure in figures]
    return max(values) - min(values)


def _range_U(figures: Sequence[Figure]) -> float | None:
    """Return U of a range, in mA: of two exactly, of more by a draw, since errors decide who is outermost."""
    if not all(figure.errors for figure in figures):
        return None
    if len(figures) == 2:
        return 1e3 * weighted_U(figures, (1.0, -1.0))[0]
    _, U = drawn_U(figures, lambda drawn: np.ptp(drawn, axis=0, keepdims=True))
    return 1e3 * float(U[0])


def _left_json(
    place: int, found: Grouping, apart: FloatArray, valves: Sequence[Valve], within_pct: float | None
) -> dict[str, Any]:
    others = [i for i in range(len(valves)) if i != place]
    near = min(others, key=lambda i: float(apart[place, i]))
    nearest = float(apart[place, near])
    short = len(found.left_out) < len(found.sets[0]) and within_pct is None
    why = "one too many for whole sets" if short else "no set is left that it fits into"
    return {
        "name": valves[place].name,
        "nearest": valves[near].name,
        "nearest_pct": nearest,
        "says": f"{why}; its nearest, {valves[near].name}, is {nearest:.1f} % away",
    }


def _says(found: Grouping, size: int, within_pct: float | None) -> str:
    sets = len(found.sets)
    what = f"{sets} set{'s' * (sets > 1)} of {size}" + (
        f" within {within_pct:g} %" if within_pct is not None else ""
    )
    left = f", {len(found.left_out)} left out" if found.left_out else ""
    if found.exact:
        return f"{what}{left}; no other choice has a smaller sum of spreads"
    more = 100.0 * (found.total / found.least_possible - 1.0) if found.least_possible > 0 else math.inf
    bound = f"at most {more:.0f} % over" if math.isfinite(more) else "not bounded by"
    return f"{what}{left}; the sum of spreads is {bound} the least that can be"


def shared_resistors(setup: Setup) -> list[str]:
    """Say which channels measure several valves on one resistor; empty where none does."""
    several = [c.name for c in setup.pairs if setup.valves_on(c) > 1]
    if not several:
        return []
    return [
        f"{', '.join(several)}: several valves on one resistor are matched by their sum, not each by itself"
    ]
