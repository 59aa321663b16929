"""One case through the watch: simulated, watched as a daemon would, counted. And many, over all cores.

Ticks are fed, in blocks of 600, as a replay does. What is decided on single scans (`SCANNED`) gets the scans
from 10 s before its fault to 20 minutes after it, and ends there. A case's figures come from its half and
number alone, so that the same seeds give the same figures on any number of cores.
"""

from __future__ import annotations

import itertools
import math
import multiprocessing
import os
import traceback
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger.blocks import FloatArray, ReadingBlock, TickBlock
from logger.clock import SystemClock
from logger.finding import Finding, Kind
from logger.pipeline import Pipeline
from logger.score import bound
from logger.score.counting import Alarm, Counted, Listener, Run, count
from logger.setup import Setup, parse
from logger.simulator import family
from logger.watch.panel import tick_rows

SCANNED: Final = frozenset({"drop-out", "intermittent", "over-current"})
"""Kinds whose delay is that of single scans."""

SIZED: Final = frozenset(
    {"drift", "unsettled", "mismatch", "step change", "side balance", "common drift", "out of limits"}
)
"""Kinds with a limit: their size is in times it."""

REMARKED: Final = frozenset({"mains change", "HT change"})
"""Kinds that are remarks by right: said, and no alarm."""

FORECAST_MIN: Final = (8, 10, 15, 20)
_BLOCK_S: Final = 600
_LEAD_IN_S: Final = 10
_SCANNED_S: Final = 1200
_ENOUGH_S: Final = 7200


@dataclass(frozen=True)
class Watched:
    """What the watch made of one case. `seen` (n, pairs); `outlooks` what it showed while settling."""

    setup: Setup
    course: family.Course
    alarms: list[Alarm]
    remarks: list[Finding]
    seen: NDArray[np.bool_]
    document: dict[str, Any] | None
    outlooks: list[tuple[int, dict[str, Any]]]
    """(seconds since the first scan, `channels` of what is shown now)."""
    watch_s: float


@dataclass(frozen=True)
class Told:
    """An alarm in plain data."""

    kind: str
    channel: str | None
    severity: str
    raised_s: float
    says: str


@dataclass(frozen=True)
class Result:
    """One case's figures, in plain data: what crosses from one process to the next."""

    half: str
    number: int
    pairs: int
    noise_class: str
    scans_per_s: float
    kind: str | None
    variant: str
    size: float
    one_pair: bool
    """Whether one pair is at fault, and can be named."""
    exposure_h: float
    false: list[Told]
    delay_s: float
    watched_s: float
    end_kind: str | None
    named: bool | None
    called: bool
    noted: bool
    blame: list[Told]
    untrue: list[Told]
    asked: int = 0
    """Questions before the onset: in these cases nobody does anything that could be asked about."""
    limit_u: float = math.nan
    """Standard uncertainty of the size under the case's own noise, in times the limit; NaN without one."""
    bound_s: float = math.nan
    bounded: bool = False
    """Whether the ideal detector was tried."""
    excess: float = math.nan
    """A runaway's excess over its healthy self at the alarm, relative; infinite where it never came."""
    lead_s: float = math.nan
    """From the alarm to 100 % dissipation."""
    slow: bool = False
    """Whether the runaway took a minute or more from 2.5 to 5 %."""
    settled: list[tuple[float, float]] = field(default_factory=list)
    """Error and U of each pair's settled current, in A."""
    forecasts: list[tuple[int, float, float, float, float]] = field(default_factory=list)
    """Minute, end, low, high, truth of each forecast, in A."""
    broke: str = ""
    """What the watch broke down with; then there are no other figures."""
    simulate_s: float = 0.0
    watch_s: float = 0.0
    score_s: float = 0.0

    @property
    def found(self) -> bool:
        """Whether a true alarm on the right channel was raised."""
        return not math.isnan(self.delay_s)

    @property
    def demanded(self) -> bool:
        """Whether it must be found: no limit, or 1.5 times it and three standard uncertainties above it."""
        if self.kind is None or self.kind in REMARKED:
            return False
        if self.kind not in SIZED:
            return True
        return self.large and self.size - 1.0 >= 3.0 * self.limit_u

    @property
    def large(self) -> bool:
        """Whether it is at least 1.5 times its limit."""
        return self.kind in SIZED and self.size >= 1.5


def watch(case: family.Case, course: family.Course, *, whole: bool = False) -> Watched:
    """Run the watch over a case. `whole`: to the verdict, and with what it showed while settling."""
    clock = SystemClock()
    setup = parse(case.setup_text(), path=f"case {case.number}")
    ticks = family.ticks(case, course)
    fault = case.fault
    cut = len(ticks)
    scans: ReadingBlock | None = None
    if fault is not None and fault.kind in SCANNED:
        cut = max(0, int(fault.onset_s) - _LEAD_IN_S)
        until = min(int(fault.onset_s) + _SCANNED_S, case.duration_s)
        scans = family.readings(case, course, float(cut), float(until))
        course = until_row(course, until)
    stops = {int(case.ht_on_s) + 60 * minute: minute for minute in FORECAST_MIN} if whole else {}
    listener = Listener()
    outlooks: list[tuple[int, dict[str, Any]]] = []
    begun = clock.monotonic_s()
    pipeline = Pipeline(setup)
    edges = sorted({*range(0, cut, _BLOCK_S), *(s for s in stops if s < cut), cut})
    for start, stop in itertools.pairwise(edges):
        output = pipeline.feed(tick_rows(ticks, start, stop))
        listener.hear(output.findings, float(ticks.closed_s[stop - 1]))
        if stop in stops:
            outlooks.append((stop, output.now["channels"]))
    for part in _blocks(scans):
        listener.hear(pipeline.feed(part).findings, float(part.t_us[-1]) / 1e6)
    document = pipeline.verdict() if whole else None
    watch_s = clock.monotonic_s() - begun
    return Watched(
        setup=setup,
        course=course,
        alarms=listener.alarms,
        remarks=listener.remarks,
        seen=_seen(ticks, case, len(course)),
        document=document,
        outlooks=outlooks,
        watch_s=watch_s,
    )


def until_row(course: family.Course, stop: int) -> family.Course:
    """Return a course's rows before `stop`."""
    return family.Course(**{f.name: getattr(course, f.name)[:stop] for f in fields(family.Course)})


def _blocks(scans: ReadingBlock | None) -> Iterator[ReadingBlock]:
    for start in range(0, len(scans) if scans is not None else 0, _BLOCK_S):
        assert scans is not None
        at = slice(start, start + _BLOCK_S)
        yield ReadingBlock(scans.t_us[at], scans.values[at], scans.railed[at])


def _seen(ticks: TickBlock, case: family.Case, rows: int) -> NDArray[np.bool_]:
    """Return which seconds of which pairs were read: a slow bench leaves seconds empty by right."""
    read = (ticks.n[:, : case.pairs] > 0) | (ticks.railed[:, : case.pairs] > 0)
    number = np.arange(len(read))[:, None]
    last = np.maximum.accumulate(np.where(read, number, -(10**6)), axis=0)
    seen = number - last <= max(5.0, 3.0 / case.scans_per_s)
    out = np.zeros((rows, case.pairs), dtype=bool)
    out[: len(seen)] = seen[:rows]
    return out


def score_case(half: family.Half, number: int, whole: bool) -> Result:
    """Simulate, watch and count one case."""
    clock = SystemClock()
    begun = clock.monotonic_s()
    case = family.case(half, number)
    (course,) = family.courses([case])
    try:
        watched = watch(case, course, whole=whole)
    except Exception as error:  # a defect of the watch: it must not cost the other cases' figures
        nothing = Counted(exposure_h=0.0, false=[])
        where = traceback.extract_tb(error.__traceback__)[-1]
        broke = f"{type(error).__name__}: {error} ({Path(where.filename).name}, line {where.lineno})"
        return replace(as_result(case, nothing), broke=broke)
    done = clock.monotonic_s()
    counted = count(
        Run(watched.setup, watched.course, case.fault, watched.alarms, watched.seen, watched.remarks)
    )
    onset_s = case.fault.onset_s if case.fault is not None else math.inf
    asked = sum(f.kind is Kind.QUESTION and f.raised_s < onset_s for f in watched.remarks)
    result = replace(as_result(case, counted), asked=asked)
    result = replace(result, **_settling(case, watched), **_beside(case, course, watched.setup, counted))
    return replace(
        result,
        simulate_s=done - begun - watched.watch_s,
        watch_s=watched.watch_s,
        score_s=clock.monotonic_s() - done,
    )


def as_result(case: family.Case, counted: Counted) -> Result:
    """Return what was counted of a case as plain data."""
    fault = case.fault
    return Result(
        half=case.half,
        number=case.number,
        pairs=case.pairs,
        noise_class=case.noise_class,
        scans_per_s=case.scans_per_s,
        kind=fault.kind if fault else None,
        variant=fault.variant if fault else "",
        size=fault.size if fault else 0.0,
        one_pair=fault is not None and (fault.channel or "").startswith("pair"),
        exposure_h=counted.exposure_h,
        false=[_told(a) for a in counted.false],
        delay_s=counted.delay_s,
        watched_s=counted.watched_s,
        end_kind=counted.kind.value if counted.kind else None,
        named=counted.named,
        called=counted.called,
        noted=counted.noted,
        blame=[_told(a) for a in counted.blame],
        untrue=[_told(a) for a in counted.untrue],
    )


def _told(alarm: Alarm) -> Told:
    finding = alarm.finding
    return Told(finding.kind.value, finding.channel, finding.severity.value, alarm.raised_s, finding.says)


def _settling(case: family.Case, watched: Watched) -> dict[str, Any]:
    """Compare the settled currents and what was forecast with the noise-free run, for a healthy amplifier."""
    if watched.document is None or case.fault is not None:
        return {}
    course = watched.course
    settled = []
    soaks = [s for s in watched.document["soak"]["steps"] if s["step"] == "soak"]
    if soaks:
        from_s = int(soaks[-1]["from_s"])
        to_s = int(soaks[-1]["to_s"] or len(course))
        on = course.ht_v[from_s:to_s] > 0.5 * case.nominal_ht_v
        for j, channel in enumerate(watched.document["channels"][: case.pairs]):
            if channel["settled_mA"] is not None:
                truth = float(course.pair_a[from_s:to_s, j][on].mean())
                error = channel["settled_mA"] / 1e3 - truth
                settled.append((error, channel["expanded_uncertainty_mA"] / 1e3))
    forecasts = []
    if not case.hot_restart:
        end = course.steady_a[max(0, int(case.soaked_at_s) - 60) : int(case.soaked_at_s)].min(axis=0)
        for at_s, shown in watched.outlooks:
            for j, pair in enumerate(case.pair):
                said = shown[f"pair{j + 1}"]
                known = [said.get(key) for key in ("ends", "ends_low", "ends_high")]
                now = float(course.steady_a[at_s - 1, j])
                if now <= 0 or end[j] <= 0 or any(value is None for value in known):
                    continue
                # at the mains then present, and as this bench would show it: neither is the forecast's fault
                truth = float(course.pair_a[at_s - 1, j] / now * end[j])
                truth = truth * (1 + pair.error) + pair.offset_steps * case.step_v / case.sense_ohm
                forecasts.append((round((at_s - case.ht_on_s) / 60), *known, truth))
    return {"settled": settled, "forecasts": forecasts}


def _beside(case: family.Case, course: family.Course, setup: Setup, counted: Counted) -> dict[str, Any]:
    """Work out how sure the size can be, when the ideal detector calls it, and how far a runaway had got."""
    fault = case.fault
    if fault is None or not (fault.channel or "").startswith("pair"):
        return {"limit_u": _level_u(case, setup)} if fault is not None and fault.kind in SIZED else {}
    j = int((fault.channel or "")[4:]) - 1
    if fault.kind not in ("drift", "runaway", "unsettled"):
        return {"limit_u": _level_u(case, setup)} if fault.kind in SIZED else {}
    (twin,) = family.courses([replace(case, fault=None)])
    added = course.pair_a[:, j] - twin.pair_a[:, j]
    if fault.kind == "unsettled":
        first = max(0, int(case.warm_at_s) - 1200)
        return {"limit_u": _size_u(case, added[first:], fault.size, 60)}
    out: dict[str, Any] = {}
    if fault.kind == "drift":
        out["limit_u"] = _size_u(case, added[int(fault.onset_s) :], fault.size, 120)
        if fault.size > 0.5:
            out |= _ideal(case, course, twin, j, added, 0.5 / fault.size * added, 60, 120)
        return out
    bin_s = 30 if fault.variant == "slow" else 10
    out |= _ideal(case, course, twin, j, added, np.zeros_like(added), bin_s, 100)
    with np.errstate(divide="ignore", invalid="ignore"):
        excess = course.steady_a[:, j] / twin.steady_a[:, j] - 1.0
    out["slow"] = _first(excess, 0.05) - _first(excess, 0.025) >= 60
    if counted.hit is None:
        return out | {"excess": math.inf}
    at = min(int(counted.hit.raised_s), len(course) - 1)
    hot_s = _first(course.anode_w[:, j] / setup.ceiling.watts, 1.0)
    return out | {"excess": float(excess[at]), "lead_s": hot_s - counted.hit.raised_s}


def _first(x: FloatArray, level: float) -> float:
    """Return the first row at or above a level; infinite where there is none."""
    rows = np.flatnonzero(x >= level)
    return float(rows[0]) if len(rows) else math.inf


def _covariance(case: family.Case, bins: int, bin_s: int) -> FloatArray:
    """Return the covariance of a pair's bin means in this case: flicker, and the converter's noise."""
    scans = max(1.0, case.scans_per_s * bin_s)
    converter = (case.noise_v**2 + case.step_v**2 / 12) / case.sense_ohm**2 / scans
    flicker = bound.flicker_covariance(bins, bin_s, case.exponent)
    return np.asarray(case.flicker_a**2 * flicker + converter * np.eye(bins))


def _against_others(case: family.Case) -> float:
    """Return how much the uncertainty grows where what is common must be taken from the others."""
    return math.sqrt(1.0 + 1.0 / (case.pairs - 1)) if case.pairs > 1 else 1.0


def _size_u(case: family.Case, added: FloatArray, size: float, minutes: int) -> float:
    bins = min(minutes, len(added) // 60)
    shape = bound.binned(added, 0, bins, 60) / size
    return bound.standard_uncertainty(shape, _covariance(case, bins, 60)) * _against_others(case)


def _level_u(case: family.Case, setup: Setup) -> float:
    """Return the standard uncertainty of a level over 2 h, in times the match limit."""
    weights = np.linalg.solve(_covariance(case, 120, 60), np.ones(120))
    limit = setup.limits.match_a(case.idle_a)
    return float(1.0 / math.sqrt(weights.sum()) * _against_others(case) / limit)


def _ideal(
    case: family.Case,
    course: family.Course,
    twin: family.Course,
    j: int,
    added: FloatArray,
    null: FloatArray,
    bin_s: int,
    most: int,
) -> dict[str, Any]:
    """Return when the ideal detector calls it, on this case's own noise."""
    assert case.fault is not None
    onset = int(case.fault.onset_s)
    before = max(0, min(60, (onset - int(case.ht_on_s) - 60) // bin_s))
    shown = family.ticks(case, course).mean[:, j]
    after = min(most, (min(len(shown), len(course)) - onset) // bin_s)
    if after < 1:
        return {}
    first, bins = onset - before * bin_s, before + after
    pair = case.pair[j]
    seen_a = (shown - pair.offset_steps * case.step_v / case.sense_ohm) / (1 + pair.error)
    rows = min(len(shown), len(twin))
    y = bound.binned(seen_a[:rows] - twin.pair_a[:rows, j], first, bins, bin_s)
    if np.isnan(y).any():
        return {}
    ideal = bound.Ideal(
        bound.binned(added, first, bins, bin_s),
        bound.binned(null, first, bins, bin_s),
        _covariance(case, bins, bin_s),
        before,
        float(bin_s),
    )
    return {"bound_s": ideal.delay_s(y), "bounded": True}


@dataclass(frozen=True)
class Plan:
    """Which cases are scored: so many healthy, `whole` of them to the verdict, and rounds of faults.

    In a round every kind comes once, all of one size where they have sizes; five rounds have all sizes.
    `drifts`: more of drift at twice the limit, for what is compared with the ideal detector.
    """

    healthy: int
    whole: int
    rounds: tuple[int, ...]
    drifts: int

    def tasks(self, half: family.Half) -> list[tuple[family.Half, int, bool]]:
        """Return what `score_case` is to be called with."""
        kinds = kinds_in_turn(half)
        at_twice = [r for r in range(max(self.rounds, default=0) + 1, 10_000) if r % 5 == _TWICE]
        faults = [r * kinds + k for r in self.rounds for k in range(kinds)]
        faults += [r * kinds for r in at_twice[: self.drifts]]
        out = [(half, k, k < self.whole) for k in range(self.healthy)]
        return out + [(half, family.FIRST_FAULTY + k, False) for k in faults]


_TWICE: Final = family.SIZES.index(2.0)

QUICK: Final = Plan(healthy=44, whole=8, rounds=(2, 3), drifts=4)
FULL: Final = Plan(healthy=705, whole=60, rounds=tuple(range(19)), drifts=40)
"""Some 7,900 pair-hours without a fault and 401 faults: enough to claim one false alarm per 1,000 hours with
three. Ten minutes on two cores at a second a case."""


def kinds_in_turn(half: family.Half) -> int:
    """Return how many kinds of fault take turns; drift is the first of them."""
    first = family.FIRST_FAULTY
    again = (k for k in itertools.count(1) if _kind(half, first + k) == _kind(half, first))
    return next(again)


def _kind(half: family.Half, number: int) -> str | None:
    fault = family.case(half, number).fault
    return fault.kind if fault is not None else None


def score_cases(
    half: family.Half, plan: Plan, seen: Callable[[int, int], None], *, workers: int | None = None
) -> list[Result]:
    """Score many cases, over all cores. `seen(done, of)` is told how far it is."""
    tasks = plan.tasks(half)
    workers = workers or _cores()
    results = []
    if workers == 1:
        for done, task in enumerate(tasks, 1):
            results.append(score_case(*task))
            seen(done, len(tasks))
        return results
    with (
        _one_thread_each(),
        ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool,
    ):
        waiting = [pool.submit(score_case, *task) for task in tasks]
        try:
            for done, future in enumerate(as_completed(waiting), 1):
                results.append(future.result())
                seen(done, len(tasks))
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return sorted(results, key=lambda r: r.number)


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Keep each worker's linear algebra to one thread: two that fight for two cores are slower than one."""
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
