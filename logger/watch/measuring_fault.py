"""`measuring fault`: a channel that can't be true."""

from __future__ import annotations

import itertools
from typing import Final

import numpy as np

from logger.blocks import FloatArray
from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import MINUTE_S, BoolArray, Claim, Clear, Events, Seconds, Sight, ewma, median
from logger.watch.unanswered import Fall, Unanswered

_STUCK_S, _MOVED_S, _WELL_S, _WRONG_S = 60, 120, 30, 5
_NOISY: Final = 8.0
_NOISY_S, _OF_S = 4, 6
_AFTER_BLINK_S: Final = 10
_ALONE_RATIO: Final = 3.0
_ALONE_SHARE: Final = 0.25  # what the others may have of a pair's own restlessness; more is a noise all get
_MILD: Final = 0.025
"""Of the level: hum of less leaves the mean of whole mains cycles alone, and is mostly a meter on the lead.
From memory, no source."""
_NEAR: Final = 0.05
_FLOOR_A: Final = 20e-6
_BELOW_A: Final = -0.003
_BELOW_S: Final = 3
_ONE_WAY: Final = 0.8
_BACK_TO: Final = 0.2
_AT_LEVEL: Final = 3.0  # times the usual scatter
_WEIGHT: Final = 0.3  # as in NIST/SEMATECH e-Handbook 6.3.2.4: some three minutes of memory


class MeasuringFault:
    """Looks for what no amplifier does, second by second.

    A pair's second-to-second scatter eight times what it learnt for 4 s of 6 (of a pair whose contact
    crackles, see `intermittent`: in all of them), without coming back to its level in two of them, while the
    others stay quiet (a mild hum beside the level is a question: a meter on the lead?); the same count for a
    minute on a channel that never stood still; a reading that current through a resistor can't give (well
    below zero); a fall to which the supply does not answer (see `unanswered`: a meter clipped on); HT of
    nothing while current flows; a temperature outside -30 to 200 degC. Learns each pair's level and scatter
    from its second minute of HT on, at the ends of minutes (one-pole filter, after Crowder and Hamilton
    1992), never from minutes that it doubts. A lead that comes off and reads nothing is found by `drop_out`.
    Delay: 4 s, 11 s for a meter, a minute for a stuck code, five readings for HT or a temperature. Price:
    none in 7,700 pair-hours of the family's tuning half, where it was tuned (three before).
    """

    def __init__(self, setup: Setup, crackling: BoolArray | None = None) -> None:
        self._setup = setup
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        pairs = len(self._names)
        self._crackling = crackling if crackling is not None else np.zeros(pairs, dtype=np.bool_)
        self._base_a = np.full(pairs, np.nan)
        """What each pair's scatter usually is."""
        self._level_a = np.full(pairs, np.nan)
        self._blink_s = self._loud_s = -np.inf
        self._supply_v = [np.nan, np.nan]  # mains and HT, the minute before
        self._last = np.full(pairs, np.nan)
        self._step = np.full(pairs, np.nan)
        self._scatter_a: FloatArray = np.full(pairs, np.nan)
        self._minute: list[tuple[FloatArray, FloatArray, BoolArray, FloatArray, FloatArray]] = []
        """The running minute: values, scatters, odd ones, mains, HT."""
        self._odd: list[list[bool]] = [[] for _ in range(pairs)]
        self._back: list[list[bool]] = [[] for _ in range(pairs)]  # whether an odd second touched the level
        self._recent: list[list[float]] = [[] for _ in range(pairs)]  # currents since the last quiet second
        self._ratios: list[list[tuple[float, float]]] = [[] for _ in range(pairs)]
        """How restless a pair and the others were of late, in times of the usual."""
        self.humming: BoolArray = np.zeros(pairs, dtype=np.bool_)
        """Which pairs have a mild hum on their lead: what they read is not to be believed to a per cent."""
        self._same = np.zeros(pairs, dtype=np.int64)
        self._moved = np.zeros(pairs, dtype=np.int64)
        self._negative = [0] * pairs
        self._well = [0] * pairs
        self._open = [False] * pairs
        self._back_to = [_BACK_TO] * pairs
        """How near to its level a pair must read again, relative."""
        self._unanswered = Unanswered(pairs)
        self._wrong: dict[str, int] = {}
        self._asked: tuple[FloatArray, bool] | None = None
        """The currents that were asked about, and the answer: the panel asks before the stretch is shown."""
        ht = setup.first("HT")
        self._ht_name = setup.channel[ht].name if ht is not None else None
        self._warm = [c.name for c in setup.channel if "temperature" in c.measures]

    def quiet(self, seconds: Seconds) -> bool:
        """Whether nothing in a stretch can open or clear a finding: then it may be seen as a whole."""
        if self._asked is None or self._asked[0] is not seconds.current_a:
            self._asked = seconds.current_a, self._is_quiet(seconds)
        return self._asked[1]

    def _is_quiet(self, seconds: Seconds) -> bool:
        if any(self._wrong.values()) or self._supply_wrong(seconds).any():
            return False
        if seconds.temperatures_c.size and self._absurd(seconds.temperatures_c).any():
            return False
        if not seconds.powered:
            return not any(self._open)
        if seconds.on_end_s >= 2 * MINUTE_S and not self._unanswered.quiet(seconds):
            return False
        if any(self._open) or self.humming.any() or any(any(odd) for odd in self._odd) or any(self._negative):
            return False
        with np.errstate(invalid="ignore"):
            if (seconds.current_a < _BELOW_A).any():
                return False
            scatter = self._scatters(seconds)[0]
            if (scatter > _NOISY * self._base_a).any():
                return False
        return bool((self._still(seconds, scatter).sum(axis=0) + self._same < _STUCK_S).all())

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch."""
        out: list[tuple[int, Claim | Clear]] = []
        quiet = self.quiet(seconds)
        self._asked = None
        if not quiet:
            for row in range(len(seconds)):
                self._others(seconds, row, out)
        if not seconds.powered:
            self._powered_down(seconds, out)
            return out
        self._unanswered.note(seconds)
        if not quiet and seconds.on_end_s >= 2 * MINUTE_S:
            for j, fall in self._unanswered.found(seconds.masked).items():
                if not self._open[j]:
                    out.append((len(seconds) - 1, self._fell(j, fall, seconds)))
        scatter, last, step = self._scatters(seconds)
        odd = np.zeros_like(scatter, dtype=np.bool_)
        if not quiet and seconds.on_end_s >= MINUTE_S:
            with np.errstate(invalid="ignore"):
                loud = scatter > _NOISY * self._base_a
            still = self._still(seconds, scatter)
            for row in range(len(seconds)):
                for j in range(len(self._names)):
                    odd[row, j] = self._pair(j, seconds, row, scatter[row], loud[row], still[row], out)
        elif quiet:
            moves = ~self._still(seconds, scatter)
            since = np.where(moves.any(axis=0), moves[::-1].argmax(axis=0), len(seconds) + self._same)
            self._same = since
            self._moved = np.minimum(self._moved + moves.sum(axis=0), 10_000)
            self._recent = [[value] for value in last.tolist()]
        self._last, self._step, self._scatter_a = last, step, scatter[-1]
        self._minute.append((seconds.current_a, scatter, odd, seconds.mains_v, seconds.ht_v))
        if int(seconds.on_end_s) % MINUTE_S == MINUTE_S - 1:
            self._learn(seconds)
        return out

    def sight(self, pair: int) -> Sight:
        """Return how restless a pair's last second was, in times of what is usual."""
        what = "restlessness within the last second, in times of the usual"
        value = float(self._scatter_a[pair] / self._base_a[pair])
        return Sight(value, _NOISY, "times", what)

    def _powered_down(self, seconds: Seconds, out: list[tuple[int, Claim | Clear]]) -> None:
        """Begin anew: what was wrong with a lead may have been put right while the amp was off."""
        self._last[:] = self._step[:] = np.nan
        self._minute.clear()
        self._supply_v = [np.nan, np.nan]
        self._unanswered.clear()
        for j, name in enumerate(self._names):
            self._back[j].clear()
            self._odd[j], self._same[j], self._negative[j] = [], 0, 0
            self._ratios[j].clear()
            if self.humming[j]:
                self.humming[j] = False
                out.append((0, Clear(Kind.QUESTION, (name,), float(seconds.closed_s[0]))))
            if self._open[j]:
                self._open[j] = False
                out.append((0, Clear(Kind.MEASURING_FAULT, (name,), float(seconds.closed_s[0]))))

    def _scatters(self, seconds: Seconds) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return how unsteady each second is (n, p), and the last value and step of each pair.

        A lead in the air picks up hum within the second and wanders between seconds. A current on its way
        somewhere moves evenly, however fast: what is even is left out of both.
        """
        values = seconds.current_a
        before = _filled(np.vstack([self._last, values]))
        step = values - before[:-1]
        steps = _filled(np.vstack([self._step, step]))
        with np.errstate(invalid="ignore"):
            bend = np.abs(step - steps[:-1])
            spread = seconds.greatest_a - seconds.least_a - 1.5 * np.abs(step)
            scatter = np.where((seconds.n > 1) & (spread > bend), spread, bend)
        return scatter, before[-1], steps[-1]

    def _still(self, seconds: Seconds, scatter: FloatArray) -> BoolArray:
        return np.asarray((seconds.least_a == seconds.greatest_a) & (scatter == 0.0))

    def _learn(self, seconds: Seconds) -> None:
        """Take in a minute that has ended."""
        values, scatter, odd, *supply = (np.concatenate(parts) for parts in zip(*self._minute, strict=True))
        self._minute.clear()
        self._supply_v = [float(v[v == v].mean()) if (v == v).any() else np.nan for v in supply]
        if seconds.on_end_s < 2 * MINUTE_S - 1 or seconds.state == "under signal":
            return
        usable = (scatter == scatter) & ~odd
        count = usable.sum(axis=0)
        ranked = np.sort(np.where(usable, scatter, np.inf), axis=0)
        sums = np.where(usable, values, 0.0).sum(axis=0)
        for j in range(len(self._names)):
            n = int(count[j])
            if self._open[j] or seconds.masked[j] or n < 0.1 * MINUTE_S:
                continue
            # the first minute's tails are no scatter: the median is not taken in by them
            middle = float(ranked[(n - 1) // 2, j] + ranked[n // 2, j]) / 2.0
            # a coarse converter that mostly stands still moves by a step: the least that was seen is one
            some = int(np.searchsorted(ranked[:n, j], 0.0, side="right"))
            step_a = float(ranked[some, j]) if middle == 0.0 and some < n else 0.0
            now, base = max(middle * 1.2, step_a, _FLOOR_A), self._base_a[j]
            self._base_a[j] = now if base != base else ewma(base, min(now, 3 * base), _WEIGHT)
            self._level_a[j] = sums[j] / n

    def _pair(
        self,
        j: int,
        seconds: Seconds,
        row: int,
        scatters: FloatArray,
        loud: BoolArray,
        stills: BoolArray,
        out: list[tuple[int, Claim | Clear]],
    ) -> bool:
        """Judge one pair's second; return whether it is odd."""
        value, scatter, base = seconds.current_a[row, j], scatters[j], self._base_a[j]
        if value != value or scatter != scatter or base != base:
            return False
        level, still = self._level_a[j], bool(stills[j])
        # A current that has left its level upwards is believed: the ceilings speak of it.
        odd = bool(loud[j]) and not value > 1.3 * level and int(loud.sum()) <= max(1, len(loud) // 2)
        if len(loud) == 1:  # alone there is no other to stay quiet: the supply must
            odd = odd and not self._supply_moves(seconds, row)
        odd = odd and seconds.state != "under signal"
        if len(loud) > 1:
            odd = odd and self._is_alone(j, scatters)
        history = self._odd[j]
        history.append(odd)
        del history[:-_OF_S]
        # At one scan a second a plain step is a single large difference; noise keeps coming.
        recent = self._recent[j]
        recent.append(float(value))
        del recent[: -_OF_S - 1]
        # a contact that crackles is restless too, but not in every second, and it keeps coming back
        away_a = (abs(seconds.greatest_a[row, j] - level), abs(seconds.least_a[row, j] - level))
        back = self._back[j]
        back.append(odd and min(away_a) < max(_AT_LEVEL * base, 0.1 * max(away_a)))
        del back[:-_OF_S]
        enough = _OF_S if self._crackling[j] else _NOISY_S
        noisy = sum(history) >= enough and sum(back) < 2 and not _went_one_way(recent)
        self._same[j] = self._same[j] + 1 if still else 0
        self._moved[j] = min(self._moved[j] + (0 if still else 1), 10_000)
        stuck = self._same[j] >= _STUCK_S and self._moved[j] > _MOVED_S
        self._negative[j] = self._negative[j] + 1 if value < _BELOW_A else 0
        below = self._negative[j] >= _BELOW_S
        closed_s = float(seconds.closed_s[row])
        mild = noisy and not (stuck or below) and scatter < _MILD * level and abs(value / level - 1.0) < _NEAR
        if mild and not self._open[j]:
            self._well[j] = 0
            if not self.humming[j]:
                self.humming[j] = True
                out.append((row, self._hum(j, scatter / base, int(seconds.t_s[row]) - _OF_S, closed_s)))
        elif (noisy or stuck or below) and not self._open[j] and not seconds.masked[j]:
            self._open[j], self._well[j], self._back_to[j] = True, 0, _BACK_TO
            what = (
                "reads well below zero, which no current can do"
                if below
                else "has read the same to the last digit for a minute"
                if stuck
                else f"is {scatter / base:.0f} times as noisy as it was, and alone in it"
            )
            says = f"{self._labels[j]} {what}: the lead or the converter"
            out.append((row, _claim(self._names[j], says, int(seconds.t_s[row]) - _OF_S, closed_s)))
        elif self._open[j]:
            # What was found is not forgotten: it must read again what it read before.
            away = not 1.0 - self._back_to[j] < value / level < 1.0 + 1.25 * self._back_to[j]
            self._well[j] = 0 if (odd or still or away) else self._well[j] + 1
            if self._well[j] >= _WELL_S:
                self._open[j] = False
                out.append((row, Clear(Kind.MEASURING_FAULT, (self._names[j],), closed_s)))
        elif self.humming[j]:
            self._well[j] = 0 if odd else self._well[j] + 1
            if self._well[j] >= _WELL_S:
                self.humming[j] = False
                out.append((row, Clear(Kind.QUESTION, (self._names[j],), closed_s)))
        return odd or self._open[j] or self.humming[j]

    def _is_alone(self, j: int, scatters: FloatArray) -> bool:
        """Whether the others have been quiet beside a restless pair: a charger's noise is on all of them."""
        with np.errstate(invalid="ignore"):
            ratios = scatters / self._base_a
        ratios_of = self._ratios[j]
        ratios_of.append((float(ratios[j]), median(np.delete(ratios, j))))
        del ratios_of[:-_OF_S]
        own, others = (sum(x) / len(ratios_of) for x in zip(*ratios_of, strict=True))
        return not others > max(_ALONE_RATIO, _ALONE_SHARE * own)

    def _hum(self, j: int, ratio: float, onset_s: float, closed_s: float) -> Claim:
        return Claim(
            Kind.QUESTION,
            (self._names[j],),
            max(0.0, float(onset_s)),
            closed_s,
            Severity.REMARK,
            f"{self._labels[j]} is {ratio:.0f} times as noisy as it was, and alone in it: "
            "is a meter on it, or an earth loop?",
            "Take the meter off, or float it. Acknowledge it if that is what it was.",
            evidence={"times": ratio},
        )

    def _fell(self, j: int, fall: Fall, seconds: Seconds) -> Claim:
        """Hold that only what a pair reads has fallen; it must be back by half of that at least."""
        self._open[j], self._well[j] = True, 0
        self._level_a[j] = fall.before_a
        self._back_to[j] = min(_BACK_TO, 0.5 * (1.0 - fall.after_a / fall.before_a))
        says = (
            f"{self._labels[j]} fell from {fall.before_a * 1e3:.1f} to {fall.after_a * 1e3:.1f} mA at once, "
            "but neither HT nor the other pairs answered: a meter on it, or the lead, not the pair"
        )
        return _claim(self._names[j], says, int(seconds.t_s[-1]) - fall.ago_s, seconds.end_s)

    def _supply_moves(self, seconds: Seconds, row: int) -> bool:
        """Whether mains or HT were off their level of the minute before by over 0.3 %, or just have been."""
        now = (float(seconds.mains_v[row]), float(seconds.ht_v[row]))
        if all(v != v for v in now):  # not measured: a blink of the mains must be over first
            if seconds.t_s[row] - self._loud_s > MINUTE_S:
                self._blink_s = float(seconds.t_s[row])
            self._loud_s = float(seconds.t_s[row])
        if any(abs(v - was) > 0.003 * was for v, was in zip(now, self._supply_v, strict=True)):
            self._blink_s = float(seconds.t_s[row])
        return bool(seconds.t_s[row] - self._blink_s <= _AFTER_BLINK_S)

    def _supply_wrong(self, seconds: Seconds) -> BoolArray:
        """HT of nothing while current flows, (n,)."""
        if self._ht_name is None:
            return np.zeros(len(seconds), dtype=np.bool_)
        with np.errstate(invalid="ignore"):
            flowing = np.fmax.reduce(seconds.current_a, axis=1) > 0.015
            return np.asarray(flowing & (seconds.ht_v < 0.1 * self._setup.amp.nominal_ht_V))

    def _absurd(self, celsius: FloatArray) -> BoolArray:
        with np.errstate(invalid="ignore"):
            return np.asarray((celsius < -30.0) | (celsius > 200.0))

    def _others(self, seconds: Seconds, row: int, out: list[tuple[int, Claim | Clear]]) -> None:
        # what was not read in a second says nothing: a slow bench leaves seconds empty by right
        read = seconds.ht_v[row] == seconds.ht_v[row] and bool(seconds.n[row].any())
        if self._ht_name is not None and read:
            says = f"{self._ht_name} reads nothing while current flows: HT is there"
            self._hold(self._ht_name, bool(self._supply_wrong(seconds)[row]), says, seconds, row, out)
        absurd = self._absurd(seconds.temperatures_c[row])
        for name, wrong, celsius in zip(self._warm, absurd, seconds.temperatures_c[row], strict=True):
            if celsius != celsius:
                continue
            says = f"{name} reads {celsius:.0f} °C, which it can't be"
            self._hold(name, bool(wrong), says, seconds, row, out)

    def _hold(
        self,
        name: str,
        wrong: bool,
        says: str,
        seconds: Seconds,
        row: int,
        out: list[tuple[int, Claim | Clear]],
    ) -> None:
        count = self._wrong.get(name, 0)
        closed_s = float(seconds.closed_s[row])
        self._wrong[name] = min(count + 1, _WRONG_S) if wrong else 0
        if wrong and count == _WRONG_S - 1:
            out.append((row, _claim(name, says, int(seconds.t_s[row]) - _WRONG_S, closed_s)))
        elif not wrong and count == _WRONG_S:
            out.append((row, Clear(Kind.MEASURING_FAULT, (name,), closed_s)))


def _went_one_way(values: list[float]) -> bool:
    """Whether a current went from one level to another, as a jump does and noise does not."""
    way = sum(abs(b - a) for a, b in itertools.pairwise(values))
    return way > 0 and abs(values[-1] - values[0]) > _ONE_WAY * way


def _filled(rows: FloatArray) -> FloatArray:
    """Return the rows with NaN replaced by the value before it, where there is one."""
    gone = rows != rows
    if not gone[1:].any():
        return rows
    index = np.where(gone, 0, np.arange(len(rows))[:, None])
    return np.take_along_axis(rows, np.maximum.accumulate(index, axis=0), axis=0)


def _claim(name: str, says: str, onset_s: float, raised_s: float) -> Claim:
    return Claim(
        Kind.MEASURING_FAULT,
        (name,),
        max(0.0, float(onset_s)),
        raised_s,
        Severity.WARNING,
        says,
        "Look at this channel's lead; it is not judged until it reads again.",
    )
