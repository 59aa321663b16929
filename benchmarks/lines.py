"""What all parts of `make bench` share: how a line of its table is made, compared and printed, and the bench
that is measured.

A ratio is to a reference of the same run, taken in turn with what it is the reference of: what else the
machine does then hits both.
"""

from __future__ import annotations

import os
import statistics
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.blocks import DaqInfo

Line = dict[str, Any]
"""`name`, `value` (the median), `unit`, `goal` or None, `better` ("less" or "more"), `n` values, `low` and
`high`; `means` where a figure wants a sentence."""

SCANS_PER_S: Final = 10
VOLTS_A_COUNT: Final = (7.8125e-6, 1.25e-4)
"""Of a pair's channel, and of the others."""
OUT: Final = Path(__file__).parents[1] / "out"
"""Where large things are kept that are made once."""


def line(
    name: str, unit: str, goal: float | None, values: Sequence[float], better: str = "less", **more: Any
) -> Line:
    """Return a line: the median of the values with its spread."""
    return {
        "name": name,
        "value": rounded(statistics.median(values)),
        "unit": unit,
        "goal": goal,
        "better": better,
        "n": len(values),
        "low": rounded(min(values)),
        "high": rounded(max(values)),
        **more,
    }


def share(name: str, percent: int, unit: str, goal: float | None, values: Sequence[float]) -> Line:
    """Return a line with the value that this per cent of the values are not above."""
    at = sorted(values)[min(len(values) - 1, len(values) * percent // 100)]
    return line(f"{name}, {percent} %", unit, goal, values) | {"value": rounded(at)}


def estimate(
    name: str,
    value: float,
    unit: str,
    goal: float | None,
    better: str,
    n: int,
    interval: tuple[float, float] | None = None,
) -> Line:
    """Return a line whose spread is not that of its values, but an interval of 95 %, or not known."""
    low, high = interval or (None, None)
    found = line(name, unit, goal, [value], better) | {"n": n}
    places = {"value": value, "low": low, "high": high}
    return found | {key: None if one is None else float(f"{one:.4g}") for key, one in places.items()}


def slope(name: str, sizes: Sequence[float], costs: Sequence[Sequence[float]], means: str) -> Line:
    """Return the exponent by which costs grow with a size: 1 is in proportion, 0 not at all.

    `costs`: at each size several values, in turn with those at the others.
    """
    found = [float(np.polyfit(np.log2(sizes), np.log2(one), 1)[0]) for one in zip(*costs, strict=True)]
    return line(name, "exponent", None, found, means=means)


def rounded(value: float) -> float:
    """Return three places: more would be noise."""
    return float(f"{value:.3g}")


def timed(work: Callable[[], object]) -> float:
    """Return how long something takes, in s."""
    began_s = time.perf_counter()
    work()
    return time.perf_counter() - began_s


def in_turn(runs: int, *works: Callable[[], object]) -> list[list[float]]:
    """Return how long each of several works takes, so many times, in turn with the others."""
    taken: list[list[float]] = [[] for _ in works]
    for _ in range(runs):
        for work, its in zip(works, taken, strict=True):
            its.append(timed(work))
    return taken


def over(values: Sequence[float], reference: Sequence[float]) -> list[float]:
    """Return the ratio of each value to the reference that was measured beside it."""
    return [one / other for one, other in zip(values, reference, strict=True)]


def cpu_s(pid: int) -> float:
    """Return the CPU seconds that a process has used; Linux."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def met(one: Line) -> bool:
    """Whether a line reaches its goal, or has none."""
    if one["goal"] is None:
        return True
    return bool(one["value"] >= one["goal"] if one["better"] == "more" else one["value"] <= one["goal"])


def spread(one: Line) -> str:
    """Return a line's spread in words."""
    known = one["low"] is not None and one["n"] > 1
    return f"{one['low']:g} to {one['high']:g}, n = {one['n']}" if known else f"n = {one['n']}"


def show(lines: Sequence[Line]) -> None:
    """Print lines as a table."""
    width = max(len(one["name"]) for one in lines)
    for one in lines:
        goal = "" if one["goal"] is None else f"  goal {one['goal']:g}{'' if met(one) else ': MISSED'}"
        print(f"{one['name']:<{width}} {one['value']:>8g} {one['unit']:<8} ({spread(one)}){goal}")
        if one.get("means"):
            print(f"    {one['means']}")


# ---------------------------------------------------------------- the bench


OTHERS: Final = (
    ("ht", "HT", "divider_ohm = [1_000_000, 4_700]"),
    ("mains", "mains", 'sensor = "linear"\nvalue_per_V = 100'),
    ("chassis", "chassis temperature", 'sensor = "ntc"'),
    ("ambient", "ambient temperature", 'sensor = "ntc"'),
)
"""What a bench of 16 channels measures beside twelve pairs: name, what, keys."""


def setup_text(
    pairs: int,
    *,
    others: bool = True,
    soak_min: int = 120,
    scans_per_s: float = SCANS_PER_S,
    port: Path | None = None,
    more: str = "",
    keys: str = "sense_ohm = 1.0",
) -> str:
    """Return the set-up of the home amp with so many pairs; `keys`: each pair's, `more`: other tables."""
    wired = "" if port is None else f'port = "{port}"\n'
    head = f"""
schema = "soakbench.setup/1"
[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
{wired}scans_per_s = {scans_per_s:g}
[plan]
steps = [{{step = "warm-up", minutes = 30}}, {{step = "soak", minutes = {soak_min}}}]
{more}
"""
    named = [(f"pair{j + 1}", "pair current", keys) for j in range(pairs)] + list(OTHERS if others else ())
    pins = [""] * len(named) if port is None else [f"pin = {pin}\n" for pin in range(len(named))]
    return head + "".join(
        f'[[channel]]\nname = "{name}"\nmeasures = "{what}"\n{pin}{its}\n'
        for (name, what, its), pin in zip(named, pins, strict=True)
    )


def daq_of(pairs: int, *, others: bool = True) -> DaqInfo:
    """Return the DAQ that such a set-up is measured with."""
    beside = len(OTHERS) if others else 0
    steps = (VOLTS_A_COUNT[0],) * pairs + (VOLTS_A_COUNT[1],) * beside
    return DaqInfo("bench-16", 1, steps, (32767,) * (pairs + beside), "power-on")


def counts_of(scans: int, pairs: int, scans_per_s: float = SCANS_PER_S) -> np.ndarray:
    """Return counts (n, pairs + 4) of an amplifier that settles, with noise; HT comes on after 25 s."""
    rng = np.random.default_rng(7)
    t_s = np.arange(scans) / scans_per_s
    warm = 1.0 - np.exp(-t_s / 600.0)
    idle = 9000.0 + 800.0 * warm[:, None] + np.zeros((scans, pairs))
    rest = np.column_stack([17_000 + 0 * t_s, 18_400 + 0 * t_s, 12_000 - 4000 * warm, 13_000 + 0 * t_s])
    counts = np.column_stack([idle, rest]) + rng.normal(0.0, 3.0, (scans, pairs + 4))
    off = t_s < 25.0
    counts[off, : pairs + 1] = rng.normal(0.0, 3.0, (int(off.sum()), pairs + 1))
    return np.rint(counts).astype(np.int32)
