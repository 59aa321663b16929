"""`drop-out`: a pair is gone (relay, fuse, open cathode) or half gone, told from a lead that is off."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.blocks import FloatArray, ReadingBlock
from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear, Events, Seconds, Sight, Tens, others_median

_GONE, _BACK = 0.2, 0.5
_HALF_LEAST, _HALF_MOST = 0.4, 0.6
_WELL_BACK = 0.8  # a half that stands again at more than this has its second valve back
_OTHERS_STAND = 0.8  # while one valve is lost the others stand; where all sink it is the supply
_HT_STANDS, _HT_STANDS_HALF = 0.8, 0.95
"""Of its level: with HT**7, the most that fixed bias was seen to give, a current falls to a fifth at 0.8 of
HT and to 0.7 at 0.95: what falls further does so of itself."""
_SHORTED = 1.5  # times its level: a pair that draws so much pulls the supply down, and the others with it
_DECIDE_S = 2.5
_ALONE_S = 55.0
"""Without HT and other pairs one that dropped looks like an amp in standby, which is a minute at most."""
_BEFORE_S = 5.0
_LEAST_BEFORE = 4  # scans, to know from them how unsteady a scan is
_SURE = 4.0  # times the uncertainty of an answer
_CRACKLE_S, _STOOD_S = 1.0, 15.0
"""A crackling contact is open for up to half a second (from memory, no source), and soon again: half is then
no valve gone."""
_SUDDEN = 0.8  # of its level: where a valve goes, a pair stood above this until then
_STEADY_HALF_S = 10.0
_LEARN_S = 29
_QUIET_S = 60  # of HT, in which no warning is raised
_WELL_SCANS_S = 10.0
_REGULATION = 0.05  # how far a supply rises when the whole idle current goes: common practice, no source
_BLACK_BOX_S = 5.0
_ROSE = 0.15  # ten times a settled pair's noise, a third of what a gassy or shorted valve brings in no time
_HT_OFF = ("off", "standby", "cooling")


@dataclass(frozen=True)
class _Before:
    """What stood just before a fall: the mean of `n` scans, and the standard deviation of one, relative."""

    mean: float
    sd: float
    n: int

    @staticmethod
    def of(values: FloatArray) -> _Before:
        """Take in scans (n,); NaN where they are too few."""
        values = values[values == values]
        if len(values) < _LEAST_BEFORE or not values.mean() > 0.0:
            return _Before(math.nan, math.nan, 0)
        return _Before(float(values.mean()), float(values.std(ddof=1) / values.mean()), len(values))

    def sure(self, answer: float, n: int, least: float) -> bool:
        """Whether an answer, a mean of so many scans, is above its least and beyond what noise does."""
        return self.n > 0 and answer > max(least, _SURE * self.sd * math.sqrt(1.0 / n + 1.0 / self.n))


@dataclass
class _Fall:
    """A pair seen below a fifth, or at about half, of its level, not yet explained."""

    first_s: float
    half: bool
    sudden: bool
    """Whether it stood until the scan before, and did so lately."""
    ht_before: _Before
    others_before: _Before
    scans: int = 0
    ht_sum: float = 0.0
    ht_n: int = 0
    others_sum: float = 0.0
    others_n: int = 0
    least_a: float = math.inf
    greatest_a: float = -math.inf


class DropOut:
    """Two scans of two below a fifth of the pair's level (Western Electric 1956), then the cause.

    A pair that stops drawing lets the supply rise, and the other pairs with it; a lead that comes off moves
    nothing else. Where two valves share the resistor, 40 to 60 % of the level is one of them gone. HT and the
    others' median are held against the 5 s before the fall, where that has scans enough, else against the
    30 s before, as the pair itself is; levels stand still while a fall is open. The scans of the 5 s before
    tell whether the current rose first (what opened had a reason to) or fell from steady (a contact). A pair
    that came back after HT was off and falls again was locked out by its protection.
    Delay: two scans where HT or the others answer at once, 2.5 s where they don't (then it is a `measuring
    fault`). A half that came from one scan to the next, of a pair that stood for 15 s, takes 1 s: two scans
    alone can't tell it from a crackling contact. Other halves take 2.5 s, and one to which nothing answers is
    a `measuring fault` after 10 s. One pair without HT waits 55 s: in standby it looks the same. Nothing is
    said in the first 60 s of HT. Learns levels at the ends of bins.
    Price: none in 7,700 pair-hours of the family's tuning half, where it was tuned (one before).
    """

    def __init__(self, setup: Setup, tens: Tens) -> None:
        self._setup = setup
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        self._columns = setup.pair_columns
        self._ht = setup.first("HT")
        self._two = [setup.valves_on(c) == 2 for c in setup.pairs]
        self._watched = np.array([_HALF_MOST if two else _GONE for two in self._two])
        pairs = len(self._columns)
        self._tens = tens
        self._base = [math.nan] * pairs
        self._ht_base = math.nan
        self._on_s = math.nan
        self._masked = [False] * pairs
        self._fall: list[_Fall | None] = [None] * pairs
        self._open: list[Kind | None] = [None] * pairs
        self._half = [False] * pairs
        """Whether what is open is one valve of two."""
        self._gone = [0] * pairs
        """Scans in which the rest of a half was gone too."""
        self._dropped = [False] * pairs
        self._off_since = [False] * pairs
        """Whether HT was off since the pair dropped."""
        self._back = [0] * pairs
        self._back_s = [0.0] * pairs
        self._answer = max(0.0008, 0.25 * _REGULATION / pairs)
        self._box: deque[ReadingBlock] = deque()

    def update(self, seconds: Seconds) -> Events:
        """Learn the levels at each bin's end: the mean of up to three."""
        self._masked = seconds.masked.tolist()
        self._on_s = seconds.on_end_s
        if not seconds.powered or seconds.state in _HT_OFF:
            self._off_since = self._dropped.copy()
        if not seconds.powered or seconds.on_end_s < _LEARN_S:
            # what is open is held against the level that it had
            self._base = [b if kind else math.nan for b, kind in zip(self._base, self._open, strict=True)]
            self._ht_base = math.nan
            return []
        for _, index in seconds.bins:
            first = max(index - 2, 0)
            recent = self._tens.on_s[first : index + 1] > self._tens.on_s[index] - 25.0
            base = _means(self._tens.current_a[first : index + 1][recent])
            for j, masked in enumerate(self._masked):
                if self._fall[j] is None and self._open[j] is None and not masked:
                    self._base[j] = base[j]
            if not any(self._fall):
                self._ht_base = _means(self._tens.ht_v[first : index + 1][recent, None])[0]
        return []

    def sight(self, pair: int) -> Sight:
        """Return the last bin in per cent of the level that it is held against; lower is worse."""
        what = "current in % of its level; below the line it is gone"
        newest = float(self._tens.current_a[-1, pair]) if len(self._tens) else math.nan
        return Sight(newest / self._base[pair] * 100.0, 100.0 * _GONE, "%", what)

    def calm(self, block: ReadingBlock) -> bool:
        """Whether a block of any length holds nothing for this detector, whatever levels it will learn."""
        if any(self._fall) or any(self._back) or any(self._gone):
            return False
        values = block.values[:, self._columns]
        least, greatest = np.fmin.reduce(values, axis=0), np.fmax.reduce(values, axis=0)
        for j, kind in enumerate(self._open):
            # a level that is learnt meanwhile may be a bit above what this block holds
            if kind is None:
                if least[j] < (self._watched[j] + 0.05) * np.fmax(greatest[j], self._base[j]):
                    return False
            # one that is gone stays gone as long as it can't be taken for back
            elif greatest[j] > self._back_at(j) * self._base[j] or (
                self._half[j] and least[j] < _GONE * self._base[j]
            ):
                return False
        return True

    def pass_over(self, block: ReadingBlock) -> None:
        """Take note of a calm block: the black box keeps its last scans."""
        self._box.append(block)
        enough_us = int(block.t_us[-1]) - round(1e6 * (2 * _BLACK_BOX_S + _STEADY_HALF_S))
        while len(self._box) > 1 and self._box[1].t_us[0] <= enough_us:
            self._box.popleft()

    def scans(self, block: ReadingBlock, powered: bool) -> Sequence[Claim | Clear]:
        """Look at one block of scans, at most a second long."""
        self.pass_over(block)
        if all(math.isnan(b) for b in self._base):
            return []
        values = block.values[:, self._columns]
        if not self._restless(values):
            return []
        out: list[Claim | Clear] = []
        ht = block.values[:, self._ht] if self._ht is not None else None
        for i, t_us in enumerate(block.t_us):
            ht_v = float(ht[i]) if ht is not None else math.nan
            railed = bool(block.railed[i, self._columns].max() > 0)
            self._scan(float(t_us) / 1e6, [float(v) for v in values[i]], railed, ht_v, powered, out)
        return out

    def _restless(self, values: FloatArray) -> bool:
        if any(self._fall) or any(self._open):
            return True
        base = np.array(self._base)
        return bool((values < self._watched * np.where(base > 0.002, base, -np.inf)).any())

    def _scan(
        self,
        t_s: float,
        values: list[float],
        railed: bool,
        ht_v: float,
        powered: bool,
        out: list[Claim | Clear],
    ) -> None:
        relative = [v / b if b > 0.002 else math.nan for v, b in zip(values, self._base, strict=True)]
        pulled = railed or any(level > _SHORTED for level in relative)
        for j, level in enumerate(relative):
            kind = self._open[j]
            apart = [k == j or self._open[k] is not None or self._masked[k] for k in range(len(relative))]
            others = others_median(relative, apart)
            alive = powered and not others < _BACK
            ht = ht_v / self._ht_base
            if self._ht is not None and ht_v == ht_v:
                alive = alive and ht_v > 0.5 * self._setup.amp.nominal_ht_V and not ht < _HT_STANDS
            if kind is not None:
                if self._is_back(j, kind, level, t_s):
                    out.append(Clear(kind, (self._names[j],), t_s))
                    self._open[j], self._back[j], self._half[j], self._gone[j] = None, 0, False, 0
                elif self._half[j]:
                    self._rest_gone(j, alive, values[j], t_s, out)
                continue
            if self._masked[j]:  # another detector holds that it is not measured
                self._fall[j] = None
                continue
            if level != level:
                continue
            half = self._two[j] and _HALF_LEAST <= level <= _HALF_MOST
            if half:
                alive = alive and not others < _OTHERS_STAND and not ht < _HT_STANDS_HALF and not pulled
            if not (level < _GONE or half) or not alive:
                self._fall[j] = None
                continue
            fall = self._fall[j]
            if fall is None or fall.half != half:
                fall = self._fall[j] = self._new_fall(j, t_s, half, apart)
            self._collect(fall, values[j], ht_v, others)
            claim = self._explain(fall, j, t_s) if self._on_s >= _QUIET_S or not half else None
            if claim is not None and (claim.kind is not Kind.DROP_OUT or self._on_s >= _QUIET_S):
                out.append(claim)
                self._open[j], self._fall[j] = claim.kind, None
                self._half[j] = fall.half
                if claim.kind is Kind.DROP_OUT:
                    self._dropped[j], self._off_since[j] = True, False

    def _rest_gone(self, j: int, alive: bool, value: float, t_s: float, out: list[Claim | Clear]) -> None:
        """One valve of two was gone: say so when the other goes too."""
        self._gone[j] = self._gone[j] + 1 if alive and value < _GONE * self._base[j] else 0
        if self._gone[j] >= 2:
            self._half[j], self._gone[j] = False, 0
            says = f"{self._labels[j]} had lost one of its two valves, and now draws nothing"
            out.append(self._claim(j, t_s, t_s, says, "A protection relay, a fuse or an open cathode.", {}))

    def _back_at(self, j: int) -> float:
        return _WELL_BACK if self._half[j] else _BACK

    def _is_back(self, j: int, kind: Kind, level: float, t_s: float) -> bool:
        """A relay that closes shows current at once; a lead in the air may pass any figure on its way."""
        dropped = kind is Kind.DROP_OUT
        well = level > self._back_at(j) if dropped else 0.8 < level < 1.25
        if not well:
            self._back[j] = 0
            return False
        if self._back[j] == 0:
            self._back_s[j] = t_s
        self._back[j] += 1
        held = (dropped and not self._half[j]) or t_s - self._back_s[j] >= _WELL_SCANS_S
        return self._back[j] >= 2 and held

    def _collect(self, fall: _Fall, value: float, ht_v: float, others: float) -> None:
        fall.scans += 1
        fall.least_a = min(fall.least_a, value)
        fall.greatest_a = max(fall.greatest_a, value)
        if fall.scans == 1:
            return  # the reservoir has not answered yet
        ht = fall.ht_before.mean if fall.ht_before.n else self._ht_base
        if ht_v == ht_v and ht == ht:
            fall.ht_sum += ht_v / ht - 1.0
            fall.ht_n += 1
        if others == others:
            fall.others_sum += others / (fall.others_before.mean if fall.others_before.n else 1.0) - 1.0
            fall.others_n += 1

    def _new_fall(self, j: int, first_s: float, half: bool, apart: list[bool]) -> _Fall:
        """Look back at the scans just before: HT and the others' median, which are to answer."""
        t_s = np.concatenate([block.t_us for block in self._box]) / 1e6
        lately = (t_s >= first_s - _STOOD_S) & (t_s < first_s)
        t_s, values = t_s[lately], np.concatenate([block.values for block in self._box])[lately]
        own = values[:, self._columns[j]] / self._base[j]
        sudden = bool((own == own).any()) and not bool((own < _SUDDEN).any())
        values = values[t_s >= first_s - _BEFORE_S]
        base = np.array(self._base)
        level = values[:, self._columns] / base
        ht = values[:, self._ht] if self._ht is not None else np.empty(0)
        rest = np.sort(level[:, ~np.array(apart) & (base > 0.002)], axis=1)
        rest = rest[(rest == rest).all(axis=1)]
        middle = rest.shape[1] // 2
        others = (rest[:, middle] + rest[:, -1 - middle]) / 2.0 if rest.size else np.empty(0)
        return _Fall(first_s, half, sudden, _Before.of(ht), _Before.of(others))

    def _explain(self, fall: _Fall, j: int, t_s: float) -> Claim | None:
        if fall.scans < 2:
            return None
        parts = (
            (fall.ht_sum, fall.ht_n, fall.ht_before),
            (fall.others_sum, fall.others_n, fall.others_before),
        )
        answers = [total / n for total, n, _ in parts if n]
        least = self._answer * (0.5 if fall.half else 1.0)
        answered = any(answer > least for answer in answers)
        floating = (
            fall.greatest_a - fall.least_a > 0.15 * self._base[j] or fall.least_a < -0.02 * self._base[j]
        )
        lasted_s = t_s - fall.first_s
        if fall.half:
            sure = lasted_s >= _CRACKLE_S and fall.sudden
            sure = sure and any(before.sure(total / n, n, least) for total, n, before in parts if n)
            if floating or (lasted_s < _DECIDE_S and not sure):
                return None
            if answered or not answers:
                return self._lost_half(fall, j, t_s, answers)
            return (
                self._not_the_pair(fall, j, t_s, "a meter on it, or the lead")
                if lasted_s >= _STEADY_HALF_S
                else None
            )
        alone_s = _DECIDE_S if self._ht is not None else _ALONE_S
        if (answered and not floating) or (not answers and lasted_s >= alone_s):
            return self._lost(fall, j, t_s, answers)
        if lasted_s < _DECIDE_S or not answers:
            return None
        return self._not_the_pair(fall, j, t_s, "the lead is off")

    def _not_the_pair(self, fall: _Fall, j: int, t_s: float, what: str) -> Claim:
        return Claim(
            Kind.MEASURING_FAULT,
            (self._names[j],),
            fall.first_s,
            t_s,
            Severity.WARNING,
            f"{self._labels[j]} reads {fall.least_a * 1e3:.1f} to {fall.greatest_a * 1e3:.1f} mA "
            f"after {self._base[j] * 1e3:.1f} mA, but neither HT nor the other pairs answered: {what}, "
            "not the pair",
            "Look at this pair's sense lead; the pair itself is not watched until it reads again.",
            evidence={"was_a": self._base[j], "least_a": fall.least_a, "greatest_a": fall.greatest_a},
        )

    def _lost(self, fall: _Fall, j: int, t_s: float, answers: list[float]) -> Claim:
        story, advice, evidence = self._black_box(fall, j)
        if self._dropped[j] and self._off_since[j]:
            says = (
                f"{self._labels[j]} came back after HT was off and dropped again: its protection locked it "
                "out again"
            )
            story = story.removesuffix(": contact")
            advice = "What trips it is still there: test its valves and their bias before you try once more."
        else:
            says = f"{self._labels[j]} stopped drawing current"
        says += f": {self._base[j] * 1e3:.1f} mA before, {fall.least_a * 1e3:.1f} mA now; it {story}" + _rose(
            answers
        )
        if not answers and self._ht is None:
            says += "; or the amplifier is in standby, which can't be told without HT"
        return self._claim(
            j, fall.first_s, t_s, says, advice, _evidence(self._base[j], fall, answers) | evidence
        )

    def _lost_half(self, fall: _Fall, j: int, t_s: float, answers: list[float]) -> Claim:
        story, _, evidence = self._black_box(fall, j)
        says = (
            f"{self._labels[j]} lost one of its two valves: {self._base[j] * 1e3:.1f} mA before, "
            f"{fall.least_a * 1e3:.1f} mA now; it {story}"
        ) + _rose(answers)
        advice = "A valve's socket, heater or fuse. Switch off and discharge before you look."
        return self._claim(
            j, fall.first_s, t_s, says, advice, _evidence(self._base[j], fall, answers) | evidence
        )

    def _claim(
        self, j: int, onset_s: float, t_s: float, says: str, advice: str, evidence: dict[str, float | None]
    ) -> Claim:
        return Claim(
            Kind.DROP_OUT, (self._names[j],), onset_s, t_s, Severity.WARNING, says, advice, evidence=evidence
        )

    def _black_box(self, fall: _Fall, j: int) -> tuple[str, str, dict[str, float | None]]:
        """Return what the scans just before a fall show, what to look for, and the numbers."""
        t_s = np.concatenate([block.t_us for block in self._box]) / 1e6
        column = self._columns[j]
        level = np.concatenate([block.values[:, column] for block in self._box]) / self._base[j]
        railed = np.concatenate([block.railed[:, column] for block in self._box]) > 0
        seen = (t_s >= fall.first_s - _BLACK_BOX_S) & (t_s < fall.first_s) & ((level == level) | railed)
        t_s, level = t_s[seen], np.where(railed[seen], np.inf, level[seen])
        apart_s = 1.0 / self._setup.link.scans_per_s
        unseen = f" (a rise of under {apart_s:.1f} s would not show)" if apart_s > 0.25 else ""
        high = level > 1.0 + _ROSE
        if not high.any():
            fell = f"fell from steady{unseen}: contact" if len(level) else "fell while nothing was read"
            return (
                fell,
                "A protection relay, a fuse or an open cathode. Switch off and discharge before you look.",
                {"rose": 0.0, "rose_for_s": 0.0},
            )
        first = int(high.argmax())
        for_s, peak = fall.first_s - float(t_s[first]), float(level[first:].max())
        by = f"{(peak - 1.0) * 100:.0f} %" if math.isfinite(peak) else "past the end of the range"
        return (
            f"rose {by} for {for_s:.1f} s, then opened: over-current",
            "What opened had a reason to: test this pair's valves and their bias before you power it again.",
            {"rose": peak - 1.0 if math.isfinite(peak) else None, "rose_for_s": for_s},
        )


def _rose(answers: list[float]) -> str:
    rose = max(answers, default=0.0)
    return f"; the supply and the others rose by {rose * 100:.1f} %" if rose > 0 else ""


def _evidence(base_a: float, fall: _Fall, answers: list[float]) -> dict[str, float | None]:
    return {"was_a": base_a, "now_a": fall.least_a, "answer": max(answers, default=0.0)}


def _means(values: FloatArray) -> list[float]:
    """Return the means of columns (n, p), NaN where a column has nothing."""
    good = values == values
    count = good.sum(axis=0)
    sums = np.where(good, values, 0.0).sum(axis=0)
    return list(np.where(count > 0, sums / np.maximum(count, 1), np.nan).tolist())
