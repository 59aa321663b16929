"""The question "adjusted?": one pair's level moved smoothly and stopped, as when somebody turns its pot."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.blocks import FloatArray
from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import BIN_S, Claim, Said, Shifted, own_change

BEFORE: Final = 6
BETWEEN: Final = 4
"""Bins of 10 s in which a pot may be turned, and turned back a bit: common practice, no source."""
AFTER: Final = 4
BINS: Final = BEFORE + BETWEEN + AFTER
LEAST: Final = 0.003
"""Relative: a shift from here on is no drift any more. A tenth of the usual drift limit of 3 % an hour comes
to it in an hour, and the same as a jump in a window of 8 minutes looks like 3 % an hour."""
_ASKED: Final = 0.25
"""Of the match limit: what a person may have meant when turning a pot; less is not asked about."""
_SIGMA: Final = 5.0
_SURE: Final = 8.0  # for a question: at five, every hundredth pair-hour brought one on the tuning half
_FROM_S: Final = 600.0  # of HT: before that tails turn round by as much
_COMMON: Final = 0.25  # how differently pairs may answer to the supply: from memory, a quarter of what all do
_FLAT: Final = 0.25
_TREND_LATE, _TREND_BEFORE = 0.15, 0.2  # a straight way would give 0.22 and 0.33 of the shift
_WAIT: Final = 4
"""Bins until it is asked: by then a jump has been called a step."""


@dataclass
class _Move:
    """A pair that moved: its currents before and after, relative change of its own, and when."""

    was_a: float
    now_a: float
    own: float
    from_s: float
    ask_at: int


class Adjusted:
    """Looks at each bin's end for a shift between two flat stretches of 60 and 40 s, within 40 s.

    A shift of more than 0.3 %, of five times the pair's own scatter from minute to minute, and of a quarter
    of what all pairs did, is told to the other detectors (`Shifted`). One of more than a quarter of the match
    limit that was not called a step meanwhile is asked about, once: a remark. Yes is to acknowledge it: until
    then drift takes the jump for the pair's own noise, and asks more of it. Answered or not, the pair's
    figure begins anew, and a movement that goes on is found as what it is. With two pairs the one that moved
    further is asked about, with one it is asked only where the mains stood still. Learns nothing itself.
    Delay: 40 to 50 s for the shift, 80 to 100 s for the question. Price: what is asked for nothing is a
    remark.
    """

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        pairs = len(self._names)
        self._rest = [-1] * pairs
        """Up to which bin the last shift is still in sight."""
        self._moves: list[_Move | None] = [None] * pairs

    @property
    def waiting(self) -> bool:
        """Whether something is about to be asked."""
        return any(self._moves)

    def look(
        self,
        bins_a: FloatArray,
        mains_v: FloatArray,
        scatter: FloatArray,
        stepped: list[int],
        index: int,
        end_s: float,
        closed_s: float,
        *,
        on_s: float,
        setting: bool,
    ) -> list[Said]:
        """Look at the last bins (BINS, p) and (BINS,), the newest `index`, which ended at `end_s`.

        `scatter` (p,): variance of each pair's own change from minute to minute; `stepped`: the bin in which
        each pair was last called a step; `on_s`: seconds of HT.
        """
        out = self._ask(bins_a, stepped, index, closed_s)
        with np.errstate(invalid="ignore", divide="ignore"):
            log = np.log(np.where(bins_a > 0, bins_a, np.nan))
        was, after = log[:BEFORE].mean(axis=0), log[-AFTER:].mean(axis=0)
        change = after - was
        own = own_change(change)
        have = change == change
        if not have.any():
            return out
        common = float(np.median(change[have])) if have.sum() > 2 else 0.0
        noise = np.where(scatter == scatter, _SIGMA * np.sqrt(scatter), np.inf)
        limit = np.maximum(np.maximum(LEAST, noise), _COMMON * abs(common))
        with np.errstate(invalid="ignore"):
            beyond = np.flatnonzero(np.abs(own) > limit)
        if len(beyond) == 2 == len(self._names):
            beyond = beyond[[int(np.argmax(np.abs(change)))]]
        for j in beyond.tolist():
            if index <= self._rest[j] or not _stands(log - was, float(own[j]), j):
                continue
            self._rest[j] = index + BINS
            if len(self._names) == 1 and not _steady(mains_v, abs(float(own[j]))):
                continue
            least = max(_ASKED * self._match(bins_a), _SURE / _SIGMA * float(noise[j]))
            asked = on_s >= _FROM_S and abs(float(own[j])) > least
            if asked or setting:
                out.append(Shifted(j, end_s - BIN_S * AFTER, by_hand=setting))
            if asked and not setting:
                from_s = end_s - BIN_S * (AFTER + BETWEEN)
                was_a, now_a = math.exp(float(was[j])), math.exp(float(after[j]))
                self._moves[j] = _Move(was_a, now_a, float(own[j]), from_s, index + _WAIT)
        return out

    def _match(self, bins_a: FloatArray) -> float:
        level_a = float(np.nanmedian(bins_a[:BEFORE]))
        return self._setup.limits.match_a(level_a) / level_a

    def _ask(self, bins_a: FloatArray, stepped: list[int], index: int, closed_s: float) -> list[Said]:
        out: list[Said] = []
        for j, move in enumerate(self._moves):
            if move is None or index < move.ask_at:
                continue
            self._moves[j] = None
            now_a = float(bins_a[-1, j])
            stays = abs(math.log(now_a / move.now_a)) < 0.5 * abs(move.own) if now_a > 0 else False
            if not stays or index - BINS - _WAIT < stepped[j] <= index:
                continue
            out.append(Shifted(j, move.from_s + BIN_S * BETWEEN, by_hand=True))
            out.append(
                Claim(
                    Kind.QUESTION,
                    (self._names[j],),
                    move.from_s,
                    closed_s,
                    Severity.REMARK,
                    f"{self._labels[j]} moved smoothly from {move.was_a * 1e3:.1f} to "
                    f"{move.now_a * 1e3:.1f} mA and stopped: adjusted?",
                    "Acknowledge it if somebody turned its pot; if nobody did, look at pot and bias feed.",
                    evidence={"was_a": move.was_a, "now_a": move.now_a, "own": move.own},
                )
            )
        return out


def _stands(relative: FloatArray, size: float, j: int) -> bool:
    """Whether a pair stood still before and stands still after, in relative bins (BINS, p)."""
    course = np.array([own_change(row)[j] for row in relative]) / size
    before, after = course[:BEFORE], course[-AFTER:]
    flat = bool((np.abs(before) < _FLAT).all() and (np.abs(after - 1.0) < _FLAT).all())
    went_on = float(after[2:].mean() - after[:2].mean())
    began = float(before[3:].mean() - before[:3].mean())
    return flat and abs(went_on) < _TREND_LATE and abs(began) < _TREND_BEFORE


def _steady(volts: FloatArray, size: float) -> bool:
    """Whether the mains (BINS,) stood still, against a relative change of one pair alone."""
    was, now = float(volts[:BEFORE].mean()), float(volts[-AFTER:].mean())
    return was == was and now == now and 3.0 * abs(now / was - 1.0) < 0.5 * size
