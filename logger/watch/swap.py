"""Valves changed while the amp was off: asked once; and the swap test: did the fault go with the valves?"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtr, ndtri

from logger.blocks import FloatArray, Mark
from logger.convert import RESISTOR_TOLERANCE_PCT
from logger.finding import Kind, Severity
from logger.settling import flicker_covariance, least_squares
from logger.setup import Setup
from logger.watch.book import Book
from logger.watch.noise import flicker_level, levels
from logger.watch.seconds import Claim, Clear, Events, Minutes, Said, Seconds, own_change

_LEAST_BEFORE_MIN: Final = 10
"""Minutes of soak before the stop that a level is taken from, at least."""
_ASK_AFTER_MIN: Final = 5
_TEST_MIN: Final = 20
"""Minutes of soak that the swap test takes."""
_MOST_MIN: Final = 60
_ASKED: Final = 0.15
"""Of the match limit: by less a level differs from one switching on to the next, from memory."""
_SIGMA: Final = 5.0
_LIKELY: Final = 0.8
_FURTHER: Final = 2.0
"""By how much flicker makes a pair's level differ more between stretches hours apart than between
neighbouring ones: its variance is the same in each octave of time, and four more lie between. From the law of
1/f noise."""
_DRIFTS: Final = frozenset({Kind.DRIFT, Kind.RUNAWAY})
_HAPPENS: Final = frozenset({Kind.DROP_OUT, Kind.INTERMITTENT})
_WENT: Final = "the fault went with the valves"
_STAYED: Final = "the fault stayed with the socket: look at its coupling capacitor and bias feed"
_SWAPPED: Final = re.compile(r"\b(?:swapped|exchanged)\s+(\S+?),?\s+(?:and\s+|with\s+)?(\S+)", re.IGNORECASE)


def sure_that_it_went(before: float, after: float, u: float, u_stays: float) -> float:
    """Return how sure it is that a difference between two pairs went with their valves, 0 to 1.

    `before`, `after`: the first pair less the second, before and after the exchange; `u` the standard
    uncertainty of each by noise, `u_stays` that of an error which stays with the sockets (their resistors). A
    difference d = valve + socket becomes socket - valve, so that the valves' part is the greater one where
    the difference changed its sign. Normal errors; the one that stays is summed over.
    """
    shared = u_stays * ndtri((np.arange(200) + 0.5) / 200)
    up_before, up_after = (ndtr((d - shared) / max(u, 1e-12)) for d in (before, after))
    return float((up_before * (1.0 - up_after) + (1.0 - up_before) * up_after).mean())


@dataclass(frozen=True)
class _Stretch:
    """A stretch of soak between two stops: minutes, from the first up to the last."""

    first: int
    stop: int


class Swap:
    """Compares each pair's own level over the last minutes before a stop with those after it.

    One that stands elsewhere by more than 15 % of the match limit, and by five times its own scatter, after a
    stop of over a minute is asked about, once a stop: valves changed, or bias set? Nothing is averaged across
    either way, since the plan begins again. Where two pairs' valves were exchanged, said by acknowledging a
    question about just two or by a mark ("swapped pair1 pair3"), 20 minutes of soak answer whether the fault
    went with the valves or stayed with the socket (coupling capacitor, bias feed), and how sure that is: by
    level, by rate where the pair drifted, by where it happens again where it dropped out or crackled. An
    error of a sense resistor stays with the socket, and is allowed for by its tolerance.
    Learns at the ends of minutes. Delay: 5 and 20 minutes of soak. Price: a remark.
    """

    def __init__(self, setup: Setup, minutes: Minutes, book: Book) -> None:
        self._setup = setup
        self._minutes = minutes
        self._book = book
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        self._before: _Stretch | None = None
        self._running: _Stretch | None = None
        self._stopped_s = math.nan
        self._asked = False
        self._told: tuple[int, int] | None = None
        """The pairs whose valves a person says were exchanged."""
        self._answered = False
        self._on_s = math.nan

    def marked(self, mark: Mark) -> None:
        """Take note where a mark says whose valves were exchanged."""
        found = _SWAPPED.search(mark.text)
        names = [self._index(word) for word in found.groups()] if found else []
        a, b = names if len(names) == 2 else (None, None)
        if a is not None and b is not None and a != b:
            self._told, self._answered = (min(a, b), max(a, b)), False

    def _index(self, word: str) -> int | None:
        word = word.strip(".,;:'\"")
        return self._names.index(word) if word in self._names else None

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch; looks at each minute's end."""
        if not seconds.powered:
            if self._running is not None and self._running.stop - self._running.first >= _LEAST_BEFORE_MIN:
                self._before, self._asked, self._answered = self._running, False, False
                self._told = None
                self._stopped_s = float(seconds.t_s[0])
            self._running = None
            return []
        if not seconds.closes_minute or seconds.state != "soaking":
            return []
        now = len(self._minutes)
        first = self._running.first if self._running is not None else now - 1
        self._running = _Stretch(max(first, now - _MOST_MIN), now)
        if self._before is None or len(self._names) < 2:
            return []
        out: list[Said] = []
        soaked = now - first
        if soaked == _ASK_AFTER_MIN and not self._asked:
            self._asked = True
            out += self._ask(self._before, self._running, seconds.end_s)
        if soaked >= _TEST_MIN and not self._answered and (pairs := self._exchanged()) is not None:
            self._answered = True
            # what was asked about them and nobody answered is answered by it
            out.append(Clear(Kind.QUESTION, tuple(self._names[j] for j in pairs), seconds.end_s))
            out.append(self._answer(pairs, self._before, self._running, seconds.end_s))
        return [(len(seconds) - 1, event) for event in out]

    def _exchanged(self) -> tuple[int, int] | None:
        if self._told is not None:
            return self._told
        for finding in self._book.findings:
            asked = finding.kind is Kind.QUESTION and finding.raised_s > self._stopped_s
            if asked and finding.acknowledged_s is not None and len(finding.channels) == 2 < len(self._names):
                a, b = (self._names.index(name) for name in finding.channels)
                return a, b
        return None

    def _ask(self, before: _Stretch, after: _Stretch, end_s: float) -> list[Said]:
        logs = [self._log(stretch) for stretch in (before, after)]
        with np.errstate(invalid="ignore"):
            was, now = (np.nanmean(log[-_LEAST_BEFORE_MIN:], axis=0) for log in logs)
        own = own_change(now - was)
        level_a = float(np.nanmedian(np.exp(was)))
        least = _ASKED * self._setup.limits.match_a(level_a) / level_a
        apart = np.array([self._u(before, j, None) for j in range(len(self._names))])
        with np.errstate(invalid="ignore"):
            moved = np.flatnonzero(np.abs(own) > np.maximum(least, _SIGMA * apart)).tolist()
        if not moved:
            return []
        who = " and ".join(self._labels[j] for j in moved)
        by = " and ".join(f"{own[j] * 100:+.1f}" for j in moved)
        stand = "stand" if len(moved) > 1 else "stands"
        return [
            Claim(
                Kind.QUESTION,
                tuple(self._names[j] for j in moved),
                self._stopped_s,
                end_s,
                Severity.REMARK,
                f"{who} {stand} elsewhere than before the amp was off ({by} %): valves changed, or bias set?",
                "Acknowledge it if so. Where valves of two pairs were exchanged, add a mark with their "
                "names, as 'swapped pair1 pair3': 20 minutes of soak tell whether a fault went with them.",
                named=len(moved) == 1,
                evidence={f"{self._names[j]}_own": float(own[j]) for j in moved},
            )
        ]

    def _log(self, stretch: _Stretch) -> FloatArray:
        currents = self._minutes.currents(stretch.first)[: stretch.stop - stretch.first]
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.log(np.where(currents > 0, currents, np.nan)))

    def _course(self, stretch: _Stretch, a: int, b: int | None) -> tuple[FloatArray, FloatArray]:
        """Return times (min) and how far a pair stands above another, or above the median, relative (n,)."""
        log = self._log(stretch)
        rest = log[:, b] if b is not None else np.nanmedian(log, axis=1)
        y = log[:, a] - rest
        good = y == y
        return self._minutes.t_min[stretch.first : stretch.stop][good], y[good]

    def _u(self, stretch: _Stretch, a: int, b: int | None) -> float:
        """Return the standard uncertainty of such a level by noise, against one of another day's stretch."""
        _, y = self._course(stretch, a, b)
        blocks = [y[i : i + 5].mean() for i in range(0, len(y) - 4, 5)]
        if len(blocks) < 2:
            return math.inf
        return _FURTHER * float(np.sqrt(np.mean(np.diff(blocks) ** 2) / 2.0))

    def _answer(self, pairs: tuple[int, int], before: _Stretch, after: _Stretch, end_s: float) -> Claim:
        a, b = pairs
        kinds = {
            f.kind
            for f in self._book.findings
            if f.onset_s < self._stopped_s
            and f.severity is not Severity.REMARK
            and len(f.channels) == 1
            and f.channels[0] in (self._names[a], self._names[b])
        }
        who = f"swap test of {self._labels[a]} and {self._labels[b]}"
        if kinds & _HAPPENS:
            says, sure = self._where_again(a, b, kinds & _HAPPENS)
        elif kinds & _DRIFTS:
            says, sure = self._by_rate(a, b, before, after)
        else:
            says, sure = self._by_level(a, b, before, after)
        return Claim(
            Kind.QUESTION,
            (self._names[a], self._names[b]),
            self._stopped_s,
            end_s,
            Severity.REMARK,
            f"{who}: {says}",
            "Acknowledge it once you have read it.",
            named=False,
            evidence={"sure_that_it_went": sure},
        )

    def _by_level(self, a: int, b: int, before: _Stretch, after: _Stretch) -> tuple[str, float | None]:
        was, now = (float(self._course(stretch, a, b)[1][-_TEST_MIN:].mean()) for stretch in (before, after))
        u = max(self._u(before, a, b), self._u(after, a, b))
        pair = self._setup.pairs
        given = [pair[j].tolerance_pct for j in (a, b)]
        tolerances = [RESISTOR_TOLERANCE_PCT if pct is None else pct for pct in given]
        u_stays = math.hypot(*tolerances) / 100.0 / math.sqrt(3.0)
        if abs(was) < 2.0 * math.hypot(u, u_stays):
            return "they drew the same before, within what their resistors can tell: nothing to follow", None
        sure = sure_that_it_went(was, now, u, u_stays)
        seen = f"{self._labels[a]} drew {was * 100:+.1f} % against {self._labels[b]}, now {now * 100:+.1f} %"
        return f"{_verdict(sure)}; {seen}", sure

    def _by_rate(self, a: int, b: int, before: _Stretch, after: _Stretch) -> tuple[str, float | None]:
        (was, u_was), (now, u_now) = (_rate(*self._course(stretch, a, b)) for stretch in (before, after))
        u = max(u_was, u_now)
        seen = (
            f"{self._labels[a]} moved {was * 100:+.1f} % an hour against {self._labels[b]}, "
            f"now {now * 100:+.1f} %"
        )
        if not abs(was) > 2.0 * u:
            return f"no difference in drift to follow; {seen}", None
        sure = sure_that_it_went(was, now, u, 0.0)
        return f"{_verdict(sure)}; {seen}", sure

    def _where_again(self, a: int, b: int, kinds: set[Kind]) -> tuple[str, float | None]:
        def had(j: int, *, later: bool) -> bool:
            return any(
                f.kind in kinds and f.channels == (self._names[j],) and (f.onset_s > self._stopped_s) == later
                for f in self._book.findings
            )

        what = " and ".join(sorted(kind.value for kind in kinds))
        again = [j for j in (a, b) if had(j, later=True)]
        was = [j for j in (a, b) if had(j, later=False)]
        if len(was) != 1 or len(again) != 1:
            came = "came on both" if len(again) == 2 else "has not come again in 20 minutes"
            return f"{what} {came}: it can't be told yet", None
        says = _WENT if again != was else _STAYED
        return f"{says}; {what} came again on {self._labels[again[0]]}", None


def _verdict(sure: float) -> str:
    says = _WENT if sure >= 0.5 else _STAYED
    sure = min(max(sure, 1.0 - sure), 0.999)
    if sure < _LIKELY:
        return f"it can't be told whether the fault went with the valves ({sure * 100:.0f} % sure)"
    return f"{says} ({sure * 100:.{0 if sure < 0.99 else 1}f} % sure)"


def _rate(t_min: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Return a slope per hour under 1/f noise and its standard uncertainty; infinite under 10 minutes."""
    if len(y) < _TEST_MIN // 2:
        return 0.0, math.inf
    design = np.column_stack([np.ones(len(t_min)), (t_min - t_min.mean()) / 60.0])
    covariance = flicker_covariance(t_min) + 0.05 * np.eye(len(t_min))
    fit = least_squares(design, covariance)
    scale = float(levels(y[:, None], 1e-8)[4][0]) / flicker_level(4)
    slope = fit.estimator[1]
    return float(slope @ y), math.sqrt(scale * float(slope @ covariance @ slope))
