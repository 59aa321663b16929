"""The figures of many scored cases: what is printed, what has a goal, what the hours can claim."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from logger.score.run import REMARKED, SCANNED, SIZED, Result
from logger.score.statistics import (
    exposure_to_claim,
    quantile_interval,
    rate_at_least,
    rate_at_most,
    rate_interval,
    ratio_interval,
    ratio_of_medians,
    share_interval,
    survival,
)

FALSE_PER_1000_H: Final = 1.0
"""False alarms per 1,000 pair-hours that the watch is allowed."""

FOUND: Final = 0.99
RIGHT_PAIR: Final = 0.995
RIGHT_KIND: Final = 0.95
AT_HALF: Final = 0.01
IDEAL: Final = 1.7
"""How many times the ideal detector's delay a drift may take, in the median."""
LED: Final = 0.95
_FEW: Final = 8
"""Of fewer cases a drawn interval proves nothing: a delay then has no goal."""
_LATE_SCANS: Final = {"drop-out": 2.0}
_EXCESS: Final = {("settled", "median"): 0.03, ("settled", "95th"): 0.05, ("in warm-up", "95th"): 0.10}
WITHIN_S: Final = 7200.0
CLASSES: Final = ("quiet", "typical", "noisy", "very noisy")
_SEED: Final = 5
_ALPHA: Final = 0.1  # the forecast's intervals are said to hold 90 %


@dataclass(frozen=True)
class Figure:
    """One figure: `low` and `high` its 95 % interval; NaN what doesn't exist. `goal` None if none is set."""

    name: str
    value: float
    unit: str
    better: str
    n: int
    low: float = math.nan
    high: float = math.nan
    goal: float | None = None

    @property
    def missed(self) -> bool:
        """Whether it has a goal, and so many cases prove that it does not reach it."""
        if self.goal is None or math.isnan(self.value):
            return False
        best = self.low if self.better == "less" else self.high
        best = self.value if math.isnan(best) else best
        return best > self.goal if self.better == "less" else best < self.goal

    @property
    def reached(self) -> bool:
        """Whether it has a goal and its value is no worse: that may still be by chance."""
        if self.goal is None or math.isnan(self.value):
            return False
        return self.value <= self.goal if self.better == "less" else self.value >= self.goal

    def document(self) -> dict[str, Any]:
        """Return it as `score --json` gives it."""
        return {
            "name": self.name,
            "value": _or_none(self.value),
            "unit": self.unit,
            "goal": self.goal,
            "better": self.better,
            "n": self.n,
            "low": _or_none(self.low),
            "high": _or_none(self.high),
        }


@dataclass(frozen=True)
class Row:
    """One line of the table: a kind of fault at a size; delays in seconds, or in scans."""

    kind: str
    size: float | None
    n: int
    found: Figure
    median: Figure
    late: Figure
    bound_s: float
    ratio: Figure | None
    kind_right: Figure
    named: Figure
    blamed: Figure
    in_scans: bool


@dataclass(frozen=True)
class Score:
    """All that `soakbench score` says."""

    half: str
    figures: list[Figure]
    rows: list[Row]
    false_by_class: list[Figure]
    false_by_kind: list[Figure]
    says: list[str]
    """What the hours can claim, and where the time went."""

    @property
    def missed(self) -> list[Figure]:
        """The figures whose goal was missed."""
        return [figure for figure in self.figures if figure.missed]

    def document(self) -> list[dict[str, Any]]:
        """Return the JSON list."""
        return [figure.document() for figure in self.figures]


def score(results: Sequence[Result], half: str) -> Score:
    """Work out all figures of some cases."""
    broken = [r for r in results if r.broke]
    results = [r for r in results if not r.broke]
    overall = _false(results)
    by_class = [
        _rate(f"false alarms, {name}", [r for r in results if r.noise_class == name]) for name in CLASSES
    ]
    kinds = Counter(told.kind for r in results for told in r.false)
    hours = sum(r.exposure_h for r in results)
    by_kind = [_rate_of(f"false alarms, {kind}", n, hours) for kind, n in kinds.most_common()]
    rows = [_row(kind, size, cases) for kind, size, cases in _groups(results)]
    down = Figure(
        "cases in which the watch broke down", len(broken), "", "less", len(broken) + len(results), goal=0.0
    )
    figures = [*overall, down, *by_class, *by_kind, *_pooled(results)]
    for row in rows:
        figures += [row.found, row.median, row.late, row.kind_right, row.named, row.blamed]
        figures += [row.ratio] if row.ratio is not None else []
    figures += [*_drift(results), *_runaway(results), *_settled(results), *_forecast(results)]
    return Score(half, figures, rows, by_class, by_kind, [*_says(results), *_broken(broken)])


def _or_none(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _rate_of(name: str, events: int, hours: float) -> Figure:
    interval = rate_interval(events, hours / 1000.0)
    value = events / hours * 1000.0 if hours else math.nan
    return Figure(name, value, "per 1000 pair-hours", "less", round(hours), *interval)


def _rate(name: str, results: Sequence[Result]) -> Figure:
    return _rate_of(name, sum(len(r.false) for r in results), sum(r.exposure_h for r in results))


def _share(name: str, hits: int, of: int, better: str = "more", goal: float | None = None) -> Figure:
    value = hits / of if of else math.nan
    return Figure(name, value, "share", better, of, *share_interval(hits, of), goal)


def _false(results: Sequence[Result]) -> list[Figure]:
    """The rate; what must be admitted of it, which has a goal; what may be claimed of it."""
    events, hours = sum(len(r.false) for r in results), sum(r.exposure_h for r in results)
    unit, thousands = "per 1000 pair-hours", hours / 1000.0
    least = rate_at_least(events, thousands)
    most = rate_at_most(events, thousands)
    # fewer hours could not claim it with no alarm at all
    enough = hours >= exposure_to_claim(0, FALSE_PER_1000_H / 1000.0)
    claim = FALSE_PER_1000_H if enough else None
    watched = [
        r for r in results if r.exposure_h > 0
    ]  # the rate takes alarms to be independent: they may not be
    return [
        _rate("false alarms", results),
        Figure("false alarms, at least", least, unit, "less", round(hours), goal=FALSE_PER_1000_H),
        Figure("false alarms, at most", most, unit, "less", round(hours), goal=claim),
        _rate_of("questions with nothing to ask", sum(r.asked for r in results), hours),
        _share("soaks with a false alarm", sum(bool(r.false) for r in watched), len(watched), "less"),
    ]


def _pooled(results: Sequence[Result]) -> list[Figure]:
    """Faults that must be found, of all kinds together."""
    demanded = [r for r in results if r.demanded]
    large = [r for r in results if r.large]
    healthy_pairs = [r for r in demanded if r.one_pair]
    named = [r for r in healthy_pairs if r.named or r.blame]
    found = [r for r in demanded if r.found]
    half = [r for r in results if r.size == 0.5 and r.kind in SIZED]
    return [
        _share(
            "found within 2 h, all that must be",
            sum(r.delay_s <= WITHIN_S for r in demanded),
            len(demanded),
            goal=FOUND,
        ),
        _share(
            "left out: below three standard uncertainties",
            sum(not r.demanded for r in large),
            len(large),
            "less",
        ),
        _share(
            "right pair, where one is named", sum(not r.blame for r in named), len(named), goal=RIGHT_PAIR
        ),
        _share(
            "right kind at the end", sum(r.end_kind == r.kind for r in found), len(found), goal=RIGHT_KIND
        ),
        _share("called at half the limit", sum(r.called for r in half), len(half), "less", goal=AT_HALF),
    ]


def _groups(results: Sequence[Result]) -> list[tuple[str, float | None, list[Result]]]:
    """Return the table's lines: kinds in the order of the family, sizes rising."""
    faults = sorted((r for r in results if r.kind is not None), key=lambda r: r.number)
    out = []
    for kind in dict.fromkeys(r.kind for r in faults if r.kind is not None):
        mine = [r for r in faults if r.kind == kind]
        for size in sorted({r.size for r in mine}) if kind in SIZED else [None]:
            out.append((kind, size, [r for r in mine if size is None or r.size == size]))
    return out


def _row(kind: str, size: float | None, cases: Sequence[Result]) -> Row:
    name = kind if size is None else f"{kind}, {size:g} x limit"
    scans = kind in SCANNED
    unit = "scans" if scans else "s"

    def seen(r: Result) -> float:
        t = r.delay_s if r.found else r.watched_s
        return math.ceil(t * r.scans_per_s - 1e-6) if scans else t

    times, hits = [seen(r) for r in cases], [r.found for r in cases]
    noted = [r.noted for r in cases] if kind in REMARKED else hits
    one = [r for r in cases if r.one_pair and r.found]
    found = [r for r in cases if r.found]
    bounded = [r for r in cases if r.bounded]
    ratio = _ratio(f"{name}: median delay over the ideal detector's", bounded)
    return Row(
        kind=kind,
        size=size,
        n=len(cases),
        found=_share(f"{name}: found", sum(noted), len(cases)),
        median=_quantile(f"{name}: delay, median", times, hits, 0.5, unit),
        late=_quantile(f"{name}: delay, 95th", times, hits, 0.95, unit, _LATE_SCANS.get(kind)),
        bound_s=survival(*_bounds(bounded)).quantile(0.5),
        ratio=ratio,
        kind_right=_share(f"{name}: right kind", sum(r.end_kind == kind for r in found), len(found)),
        named=_share(f"{name}: pair named", sum(bool(r.named) for r in one), len(one)),
        blamed=_share(
            f"{name}: another pair blamed",
            sum(bool(r.blame) for r in cases),
            len(cases),
            "less",
            goal=0.0 if kind == "mains change" else None,
        ),
        in_scans=scans,
    )


def _quantile(
    name: str,
    times: Sequence[float],
    hits: Sequence[bool],
    share: float,
    unit: str,
    goal: float | None = None,
) -> Figure:
    goal = goal if len(times) >= _FEW else None
    value = survival(times, hits).quantile(share)
    return Figure(name, value, unit, "less", len(times), *quantile_interval(times, hits, share, _SEED), goal)


def _bounds(cases: Sequence[Result]) -> tuple[list[float], list[bool]]:
    hits = [not math.isnan(r.bound_s) for r in cases]
    return [r.bound_s if hit else r.watched_s for r, hit in zip(cases, hits, strict=True)], hits


def _ratio(name: str, cases: Sequence[Result], goal: float | None = None) -> Figure | None:
    if not cases:
        return None
    goal = goal if len(cases) >= _FEW else None
    times, hits = [r.delay_s if r.found else r.watched_s for r in cases], [r.found for r in cases]
    bound, bound_hits = _bounds(cases)
    value = ratio_of_medians(times, hits, bound, bound_hits)
    interval = ratio_interval(times, hits, bound, bound_hits, _SEED)
    return Figure(name, value, "ratio", "less", len(cases), *interval, goal)


def _drift(results: Sequence[Result]) -> list[Figure]:
    """Drift at twice the limit, by noise class: what it costs not to know the noise."""
    out = []
    for name in CLASSES:
        cases = [r for r in results if r.kind == "drift" and r.size == 2.0 and r.noise_class == name]
        times, hits = [r.delay_s if r.found else r.watched_s for r in cases], [r.found for r in cases]
        out.append(_quantile(f"drift, 2 x limit, {name}: delay, median", times, hits, 0.5, "s"))
        bounded = [r for r in cases if r.bounded]
        bound, bound_hits = _bounds(bounded)
        ideal = f"drift, 2 x limit, {name}: ideal detector's delay, median"
        out.append(_quantile(ideal, bound, bound_hits, 0.5, "s"))
        ratio = _ratio(f"drift, 2 x limit, {name}: median delay over the ideal detector's", bounded, IDEAL)
        out += [ratio] if ratio is not None else []
    return out


def _runaway(results: Sequence[Result]) -> list[Figure]:
    """How far a runaway had got at the alarm, and how long before 100 % dissipation it came."""
    runs = [r for r in results if r.kind == "runaway"]
    settled, warming = (
        [r for r in runs if r.variant != "warm-up"],
        [r for r in runs if r.variant == "warm-up"],
    )
    out = []
    for where, cases in (("settled", settled), ("in warm-up", warming)):
        excess, hits = [min(r.excess, 1e9) for r in cases], [r.found for r in cases]
        for share, word in ((0.5, "median"), (0.95, "95th")):
            name = f"runaway, {where}: excess at the alarm, {word}"
            out.append(_quantile(name, excess, hits, share, "of idle", _EXCESS.get((where, word))))
    led = [r for r in settled if r.slow]
    leads = [r.lead_s >= 60.0 for r in led]
    out.append(
        _share("runaway, settled and slow: 60 s before 100 % dissipation", sum(leads), len(led), goal=LED)
    )
    late = [not r.found or r.lead_s < 0 for r in runs]
    out.append(_share("runaway: not before 100 % dissipation", sum(late), len(runs), "less", goal=0.0))
    return out


def _settled(results: Sequence[Result]) -> list[Figure]:
    pairs = [pair for r in results for pair in r.settled]
    errors = sorted(abs(error) * 1e3 for error, _ in pairs)
    held = sum(abs(error) <= U for error, U in pairs)
    at = errors[min(int(0.95 * len(errors)), len(errors) - 1)] if errors else math.nan
    return [
        Figure("settled current: error, 95th", at, "mA", "less", len(errors)),
        _share("settled current: within its U", held, len(pairs)),
    ]


def _forecast(results: Sequence[Result]) -> list[Figure]:
    """Coverage and interval score (Gneiting and Raftery, JASA 102 (2007) 359) of the 90 % intervals."""
    made = [f for r in results for f in r.forecasts]
    held = sum(low <= truth <= high for _, _, low, high, truth in made)
    scores = [
        (high - low) + 2 / _ALPHA * (max(low - truth, 0.0) + max(truth - high, 0.0))
        for _, _, low, high, truth in made
    ]
    mean = sum(scores) / len(scores) * 1e3 if scores else math.nan
    return [
        _share("settling forecast: 90 % interval holds", held, len(made)),
        Figure("settling forecast: mean interval score", mean, "mA", "less", len(made)),
    ]


def _broken(broken: Sequence[Result]) -> list[str]:
    return [f"Case {r.number} of the {r.half} half broke the watch: {r.broke}." for r in broken]


def _says(results: Sequence[Result]) -> list[str]:
    events, hours = sum(len(r.false) for r in results), sum(r.exposure_h for r in results)
    most = rate_at_most(events, hours / 1000.0)
    alarms = "no false alarm" if not events else f"{events} false alarm{'s' if events > 1 else ''}"
    need = exposure_to_claim(events, FALSE_PER_1000_H / 1000.0)
    claim = f"{hours:,.0f} pair-hours with {alarms}: at most {most:.1f} per 1,000 pair-hours may be claimed"
    if most > FALSE_PER_1000_H:
        claim += f"; to claim {FALSE_PER_1000_H:g} with so many takes {need:,.0f} pair-hours"
    none = exposure_to_claim(0, FALSE_PER_1000_H / 1000.0)
    three = exposure_to_claim(3, FALSE_PER_1000_H / 1000.0)
    spent = {what: sum(of(r) for r in results) for what, of in _SPENT.items()}
    whole = sum(spent.values()) or 1.0
    shares = ", ".join(f"{what} {seconds / whole:.0%}" for what, seconds in spent.items())
    return [
        f"{claim} (one-sided, 95 %). {none:,.0f} h with none, or {three:,.0f} h with three, would do.",
        f"Where the time went: {shares}.",
    ]


_SPENT: Final[dict[str, Callable[[Result], float]]] = {
    "the watch": lambda r: r.watch_s,
    "the simulator": lambda r: r.simulate_s,
    "the scorer": lambda r: r.score_s,
}
