"""`drop-out`: a pair is gone (relay, fuse, open cathode), told from a lead that is off."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.blocks import FloatArray, ReadingBlock
from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear, Events, Seconds, Tens, others_median

_GONE, _BACK = 0.2, 0.5
_DECIDE_S = 2.5
_LEARN_S = 29
_WELL_SCANS_S = 10.0
_REGULATION = 0.05  # how far a supply rises when the whole idle current goes: common practice, no source


@dataclass
class _Fall:
    """A pair seen below a fifth of its level, not yet explained."""

    first_s: float
    scans: int = 0
    ht_sum: float = 0.0
    ht_n: int = 0
    others_sum: float = 0.0
    others_n: int = 0
    least_a: float = math.inf
    greatest_a: float = -math.inf


class DropOut:
    """Two scans of two below a fifth of the pair's level (Western Electric 1956), then the cause.

    A pair that stops drawing lets the supply rise, and the other pairs with it; a lead that comes off
    moves nothing else. Compares with each pair's and the supply's level of the 30 s before,
    which stand still while a fall is open.
    Delay: two scans where HT or the others answer at once, 2.5 s where they don't (then it is a
    `measuring fault`). Price: no false alarm was seen in healthy runs; not yet scored.
    """

    def __init__(self, setup: Setup, tens: Tens) -> None:
        self._setup = setup
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        self._columns = setup.pair_columns
        self._ht = setup.first("HT")
        pairs = len(self._columns)
        self._tens = tens
        self._base = [math.nan] * pairs
        self._ht_base = math.nan
        self._masked = [False] * pairs
        self._fall: list[_Fall | None] = [None] * pairs
        self._open: list[Kind | None] = [None] * pairs
        self._back = [0] * pairs
        self._back_s = [0.0] * pairs
        self._answer = max(0.0008, 0.25 * _REGULATION / pairs)

    def update(self, seconds: Seconds) -> Events:
        """Learn the levels at each bin's end: the mean of up to three."""
        self._masked = seconds.masked.tolist()
        if not seconds.powered or seconds.on_end_s < _LEARN_S:
            self._base, self._ht_base = [math.nan] * len(self._base), math.nan
            return []
        for _, index in seconds.bins:
            first = max(index - 2, 0)
            recent = self._tens.on_s[first : index + 1] > self._tens.on_s[index] - 25.0
            current = self._tens.current_a[first : index + 1]
            for j, masked in enumerate(self._masked):
                if self._fall[j] is None and self._open[j] is None and not masked:
                    self._base[j] = _mean(current[:, j], recent)
            if not any(self._fall):
                self._ht_base = _mean(self._tens.ht_v[first : index + 1], recent)
        return []

    def calm(self, block: ReadingBlock) -> bool:
        """Whether a block of any length holds nothing for this detector, whatever levels it will learn."""
        if any(self._fall) or any(self._back):
            return False
        values = block.values[:, self._columns]
        least, greatest = np.fmin.reduce(values, axis=0), np.fmax.reduce(values, axis=0)
        for j, kind in enumerate(self._open):
            if kind is None:
                if least[j] < _GONE * np.fmax(greatest[j], self._base[j]):
                    return False
            # one that is gone stays gone as long as it can't be taken for back
            elif greatest[j] > _BACK * self._base[j]:
                return False
        return True

    def scans(self, block: ReadingBlock, powered: bool) -> Sequence[Claim | Clear]:
        """Look at one block of scans, at most a second long."""
        if all(math.isnan(b) for b in self._base):
            return []
        values = block.values[:, self._columns]
        if not self._restless(values):
            return []
        out: list[Claim | Clear] = []
        ht = block.values[:, self._ht] if self._ht is not None else None
        for i, t_us in enumerate(block.t_us):
            ht_v = float(ht[i]) if ht is not None else math.nan
            self._scan(float(t_us) / 1e6, [float(v) for v in values[i]], ht_v, powered, out)
        return out

    def _restless(self, values: FloatArray) -> bool:
        if any(self._fall) or any(self._open):
            return True
        gone = _GONE * np.where(np.array(self._base) > 0.002, self._base, -np.inf)
        return bool((values < gone).any())

    def _scan(
        self, t_s: float, values: list[float], ht_v: float, powered: bool, out: list[Claim | Clear]
    ) -> None:
        relative = [v / b if b > 0.002 else math.nan for v, b in zip(values, self._base, strict=True)]
        for j, level in enumerate(relative):
            kind = self._open[j]
            if kind is not None:
                if self._is_back(j, kind, level, t_s):
                    out.append(Clear(kind, (self._names[j],), t_s))
                    self._open[j], self._back[j] = None, 0
                continue
            if self._masked[j]:  # another detector holds that it is not measured
                self._fall[j] = None
                continue
            if level != level:
                continue
            others = others_median(
                relative, [k == j or self._open[k] is not None for k in range(len(relative))]
            )
            alive = powered and not others < _BACK
            if self._ht is not None and ht_v == ht_v:
                alive = alive and ht_v > 0.5 * self._setup.amp.nominal_ht_V
            if level >= _GONE or not alive:
                self._fall[j] = None
                continue
            fall = self._fall[j] or _Fall(t_s)
            self._fall[j] = fall
            self._collect(fall, values[j], ht_v, others)
            claim = self._explain(fall, j, t_s)
            if claim is not None:
                out.append(claim)
                self._open[j], self._fall[j] = claim.kind, None

    def _is_back(self, j: int, kind: Kind, level: float, t_s: float) -> bool:
        """A relay that closes shows current at once; a lead in the air may pass any figure on its way."""
        well = level > _BACK if kind is Kind.DROP_OUT else 0.8 < level < 1.25
        if not well:
            self._back[j] = 0
            return False
        if self._back[j] == 0:
            self._back_s[j] = t_s
        self._back[j] += 1
        held = kind is Kind.DROP_OUT or t_s - self._back_s[j] >= _WELL_SCANS_S
        return self._back[j] >= 2 and held

    def _collect(self, fall: _Fall, value: float, ht_v: float, others: float) -> None:
        fall.scans += 1
        fall.least_a = min(fall.least_a, value)
        fall.greatest_a = max(fall.greatest_a, value)
        if fall.scans == 1:
            return  # the reservoir has not answered yet
        if ht_v == ht_v and self._ht_base == self._ht_base:
            fall.ht_sum += ht_v / self._ht_base - 1.0
            fall.ht_n += 1
        if others == others:
            fall.others_sum += others - 1.0
            fall.others_n += 1

    def _explain(self, fall: _Fall, j: int, t_s: float) -> Claim | None:
        if fall.scans < 2:
            return None
        answers = [s / n for s, n in ((fall.ht_sum, fall.ht_n), (fall.others_sum, fall.others_n)) if n]
        answered = any(a > self._answer for a in answers)
        floating = (
            fall.greatest_a - fall.least_a > 0.15 * self._base[j] or fall.least_a < -0.02 * self._base[j]
        )
        was_mA = self._base[j] * 1e3
        label = self._labels[j]
        if (answered and not floating) or (not answers and t_s - fall.first_s >= _DECIDE_S):
            rose = max(answers, default=0.0)
            return Claim(
                Kind.DROP_OUT,
                (self._names[j],),
                fall.first_s,
                t_s,
                Severity.WARNING,
                f"{label} stopped drawing current: {was_mA:.1f} mA before, {fall.least_a * 1e3:.1f} mA now; "
                f"the supply and the others rose by {rose * 100:.1f} %",
                "A protection relay, a fuse or an open cathode. Switch off and discharge before you look.",
                evidence={"was_a": self._base[j], "now_a": fall.least_a, "answer": rose},
            )
        if t_s - fall.first_s >= _DECIDE_S:
            return Claim(
                Kind.MEASURING_FAULT,
                (self._names[j],),
                fall.first_s,
                t_s,
                Severity.WARNING,
                f"{label} reads {fall.least_a * 1e3:.1f} to {fall.greatest_a * 1e3:.1f} mA "
                f"after {was_mA:.1f} mA, but neither HT nor the other pairs answered: the lead is off, "
                "not the pair",
                "Look at this pair's sense lead; the pair itself is not watched until it reads again.",
                evidence={"was_a": self._base[j], "least_a": fall.least_a, "greatest_a": fall.greatest_a},
            )
        return None


def _mean(values: FloatArray, which: NDArray[np.bool_]) -> float:
    good = values[which & (values == values)]
    return float(good.mean()) if len(good) else math.nan
