"""All detectors of one soak, in the order in which one explains the next."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np

from logger.bias import Circuit
from logger.blocks import FloatArray, Mark, ReadingBlock, TickBlock
from logger.finding import Finding, Kind
from logger.requests import Ask, ask_of, pointed
from logger.setup import Setup
from logger.watch.bias_lost import BiasLost
from logger.watch.book import Book
from logger.watch.bring_up import BringUp
from logger.watch.common_drift import CommonDrift
from logger.watch.drift import Drift
from logger.watch.drop_out import DropOut
from logger.watch.gap import Gap
from logger.watch.ht_change import HTChange
from logger.watch.intermittent import Intermittent
from logger.watch.mains_change import MainsChange
from logger.watch.mains_lost import MainsLost
from logger.watch.measuring_fault import MeasuringFault
from logger.watch.mismatch import Mismatch
from logger.watch.out_of_limits import OutOfLimits
from logger.watch.over_current import OverCurrent
from logger.watch.over_dissipation import OverDissipation
from logger.watch.over_temperature import OverTemperature
from logger.watch.phase import Phase
from logger.watch.pick_up import PickUp
from logger.watch.runaway import Runaway
from logger.watch.seconds import BIN_S, MINUTE_S, Minutes, Said, Seconds, Seer, Shifted, Tens
from logger.watch.side_balance import SideBalance
from logger.watch.signal import Signal
from logger.watch.step_change import StepChange
from logger.watch.swap import Swap
from logger.watch.unsettled import Unsettled

_NOT_IDLE = ("under signal", "setting bias")
_AFTER_SIGNAL_S = 600.0  # as after a restart: what signal has heated cools down again
TEMPERATURES = ("ambient temperature", "chassis temperature", "transformer temperature", "temperature")


@dataclass(frozen=True)
class Piece:
    """Rows `first` to `stop` of a block of ticks, in which the book of findings did not change.

    `changed`: the findings that changed with its first second, as they now stand; `step` the plan's step it
    belongs to (name, since when its figures count), or None; `idle`: HT was on, no signal went through and no
    bias was being set; `set_anew`: the pairs whose bias was set by hand in its first second.
    """

    first: int
    stop: int
    changed: list[Finding]
    step: tuple[str, float] | None
    idle: bool
    set_anew: tuple[int, ...] = ()


class Panel:
    """Feeds scans and ticks, in order, to every detector, and keeps the book of findings."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.phase = Phase(setup)
        self.book = Book()
        pairs = len(setup.pairs)
        self.tens = Tens(pairs)
        self.minutes = Minutes(pairs, setup.link.scans_per_s)
        self.settled_min = [math.nan] * pairs
        self.shifted_min = [-math.inf] * pairs
        """Per pair, minutes since the first scan: what was before can't be compared with what is now, since
        it jumped, its pot was turned, or signal went through."""
        self.set_min = [-math.inf] * pairs
        """The same, for bias set by hand alone: since when a pair's figures count."""
        self.told_min = [-math.inf] * pairs
        """When each pair was last shifted by a person, who said so."""
        self._coming: list[Shifted] = []
        """Shifts that were seen in the running minute of HT: others hear of them at its end."""
        self._idle_from_s = -math.inf
        """Since when bias is not being set any more."""
        self._busy = False
        """Whether in the running minute of HT signal went through."""
        self._marks: deque[Mark] = deque()
        """What persons said, not yet reached."""
        self._state = "off"
        self.last: Seconds | None = None
        """The newest second."""
        self._columns = np.array(setup.pair_columns)
        self._others = [setup.first(what) for what in ("HT", "mains", "bias voltage")]
        self._warm = [i for i, c in enumerate(setup.channel) if c.measures in TEMPERATURES]
        self.power = AnodePower(setup)
        self._nominal_ht_v = setup.amp.nominal_ht_V
        self._per_watt = 100.0 / setup.ceiling.watts
        self._names = [c.name for c in setup.pairs]
        self._least_in_bin = max(1.0, 0.25 * BIN_S * min(1.0, setup.link.scans_per_s))
        # the running minute of HT, by the second: time, HT, mains, bias, then the pairs
        self._minute = np.full((MINUTE_S, 4 + pairs), np.nan)
        self._usable = np.zeros((MINUTE_S, pairs), dtype=np.bool_)
        self.gap = Gap(setup)
        self.drop_out = DropOut(setup, self.tens)
        self.over_current = OverCurrent(setup)
        self._intermittent = Intermittent(setup)
        self.pick_up = PickUp(setup)
        self.measuring_fault = MeasuringFault(setup, self._intermittent.crackling)
        self.unsettled = Unsettled(setup, self.minutes, self.settled_min)
        self._swap = Swap(setup, self.minutes, self.book)
        self._mismatch = Mismatch(setup, self.minutes)
        self._over_dissipation = OverDissipation(setup)
        self._runaway = Runaway(setup, self.tens, self.shifted_min, self.measuring_fault.humming)
        self._drift = Drift(setup, self.minutes, self.settled_min, self.shifted_min, self.told_min)
        self._step_change = StepChange(setup, self.tens, self.minutes, self.measuring_fault.humming)
        self._detectors = (
            self.drop_out,
            self.pick_up,
            self.measuring_fault,
            BringUp(setup),
            MainsLost(setup),
            BiasLost(setup, self.tens),
            self._over_dissipation,
            OverTemperature(setup, self._warm),
            MainsChange(setup, self.tens),
            HTChange(setup, self.tens),
            self._runaway,
            self._step_change,
            self._intermittent,
            Signal(setup, self.tens),
            self.unsettled,
            CommonDrift(setup, self.minutes, self.settled_min, self.shifted_min),
            self._drift,
            OutOfLimits(setup, self.minutes),
            SideBalance(setup, self.minutes),
            self._mismatch,
            self._swap,
        )

    @property
    def seers(self) -> list[tuple[Kind, Seer]]:
        """The detectors that can say what they make of a pair just now, by the kind they would find."""
        return [
            (Kind.DRIFT, self._drift),
            (Kind.RUNAWAY, self._runaway),
            (Kind.UNSETTLED, self.unsettled),
            (Kind.MISMATCH, self._mismatch),
            (Kind.STEP_CHANGE, self._step_change),
            (Kind.DROP_OUT, self.drop_out),
            (Kind.INTERMITTENT, self._intermittent),
            (Kind.MEASURING_FAULT, self.measuring_fault),
            (Kind.OVER_DISSIPATION, self._over_dissipation),
        ]

    def scans(self, block: ReadingBlock) -> list[Finding]:
        """Look at scans that lie between two closings of a tick; return the findings that changed."""
        if not len(block):
            return []
        last = self.last
        powered = last is not None and last.powered
        on_s = last.on_end_s if last is not None else math.nan
        live = powered or (last is not None and last.state == "bring-up")
        changed = self.book.apply(self.gap.scans(block))
        changed += self.book.apply(self.over_current.scans(block, live, on_s))
        changed += self.book.apply(self.drop_out.scans(block, powered))
        return changed

    def calm(self, block: ReadingBlock) -> bool:
        """Whether no scan of a block can matter to a detector that looks at scans: most blocks are calm."""
        if not len(block):
            return True
        return self.gap.calm(block) and self.over_current.calm(block) and self.drop_out.calm(block)

    def pass_over(self, block: ReadingBlock) -> None:
        """Take note of a calm block without looking at its scans one by one."""
        if len(block):
            self.gap.pass_over(block)
            self.drop_out.pass_over(block)

    def note(self, marks: Sequence[Mark]) -> None:
        """Take in what persons said or asked, in order of time; it holds from the second that it falls in.

        A mark that names a time before is no word of how the amp stands now, and is passed by.
        """
        self._marks.extend(mark for mark in marks if pointed(mark.text)[0] is None)

    def silence(self) -> list[Finding]:
        """The daemon has heard nothing for too long: open a live gap."""
        return self.book.apply(self.gap.silence())

    def ticks(self, block: TickBlock) -> Iterator[Piece]:
        """Look at closed ticks, any number; give them in pieces, each with the findings that changed."""
        if not len(block):
            return
        whole = self._seconds(block)
        largest = np.fmax.reduce(whole.current_a, axis=1)
        measured = np.asarray(block.n.any(axis=1))
        row = 0
        while row < len(block):
            on_s = self.phase.on_s
            in_minute = int(on_s + 1.0) % MINUTE_S if on_s == on_s else 0
            until = min(len(block), row + MINUTE_S - in_minute)
            answered = self._heed(int(block.t_s[row]), float(block.closed_s[row]))
            if answered:
                yield Piece(row, row, answered, None, idle=False)
            if self._marks:
                until = min(until, row + max(1, self._marks[0].t_us // 1_000_000 - int(block.t_s[row])))
            rows = self.phase.same(whole.ht_v[row:until], largest[row:until], measured[row:until])
            if rows > 1:
                stretch = self._stretch(whole, row, row + rows)
                if self.measuring_fault.quiet(stretch):
                    self.phase.skip(rows)
                    yield from self._look(stretch, row)
                    row += rows
                    continue
            self.phase.update(
                int(block.t_s[row]),
                float(whole.ht_v[row]),
                float(whole.mains_v[row]),
                whole.current_a[row].tolist(),
                measured=bool(measured[row]),
            )
            stretch = replace(
                self._stretch(whole, row, row + 1),
                on_s=np.array([self.phase.on_s]),
                state=self.phase.state,
                powered=not math.isnan(self.phase.on_s),
            )
            yield from self._look(stretch, row)
            row += 1

    def _heed(self, t_s: int, closed_s: float) -> list[Finding]:
        """Do what was said or asked up to the end of a second; return the findings that it changed."""
        changed: list[Finding] = []
        while self._marks and self._marks[0].t_us < (t_s + 1) * 1_000_000:
            mark = self._marks.popleft()
            ask, text = ask_of(mark.text)
            if ask is Ask.ACKNOWLEDGE:
                answered = self.book.acknowledge(int(text) if text else None, mark.t_us / 1e6)
                for finding in answered:
                    if finding.kind is Kind.QUESTION and finding.channel in self._names:
                        pair = self._names.index(finding.channel)
                        self.told_min[pair] = self.shifted_min[pair]
                changed += answered
            elif ask is Ask.MARK:
                self._intermittent.marked(mark)
                self._swap.marked(mark)
            self.phase.declare(ask, t_s)
        return changed

    def _seconds(self, block: TickBlock) -> Seconds:
        def column(index: int | None) -> FloatArray:
            return block.mean[:, index] if index is not None else np.full(len(block), np.nan)

        current = block.mean[:, self._columns]
        ht, mains, bias = (column(index) for index in self._others)
        judged_ht = ht if self._others[0] is not None else np.full(len(block), self._nominal_ht_v)
        return Seconds(
            t_s=block.t_s,
            closed_s=block.closed_s,
            on_s=np.full(len(block), np.nan),
            n=block.n[:, self._columns],
            current_a=current,
            least_a=block.least[:, self._columns],
            greatest_a=block.greatest[:, self._columns],
            ht_v=ht,
            mains_v=mains,
            bias_v=bias,
            temperatures_c=block.mean[:, self._warm],
            # Without an HT channel the nominal HT stands in, for the ceilings only.
            dissipation_pct=self.power.all_watts(current, judged_ht) * self._per_watt,
            state="",
            powered=False,
            masked=np.zeros(len(self._names), dtype=np.bool_),
        )

    def _stretch(self, whole: Seconds, first: int, stop: int) -> Seconds:
        rows = slice(first, stop)
        blind = self.book.blind
        return Seconds(
            t_s=whole.t_s[rows],
            closed_s=whole.closed_s[rows],
            on_s=self.phase.on_s + np.arange(1.0, stop - first + 1),
            n=whole.n[rows],
            current_a=whole.current_a[rows],
            least_a=whole.least_a[rows],
            greatest_a=whole.greatest_a[rows],
            ht_v=whole.ht_v[rows],
            mains_v=whole.mains_v[rows],
            bias_v=whole.bias_v[rows],
            temperatures_c=whole.temperatures_c[rows],
            dissipation_pct=whole.dissipation_pct[rows],
            state=self.phase.state,
            powered=not math.isnan(self.phase.on_s),
            masked=np.array([name in blind for name in self._names]),
        )

    def _look(self, stretch: Seconds, row: int) -> Iterator[Piece]:
        """Show one stretch to every detector; cut it where the book changes."""
        self._note_state(stretch)
        stretch = self._learnt(stretch)
        self.last = stretch
        events: list[tuple[int, Said]] = []
        for detector in self._detectors:
            events.extend(detector.update(stretch))
        during = self.phase.during
        step = (during.step, max(during.from_s, self._idle_from_s)) if during else None
        idle = stretch.powered and stretch.state not in _NOT_IDLE
        first, stop = row, row + len(stretch)
        changed: list[Finding] = []
        by_hand: list[int] = []
        if events:
            events.sort(key=lambda event: event[0])  # stable: the detectors' order within a second
            for at, together in groupby(events, key=lambda event: event[0]):
                if row + at > first:
                    yield Piece(first, row + at, changed, step, idle, tuple(by_hand))
                    first, by_hand = row + at, []
                said = [event for _, event in together]
                changed = self.book.apply(event for event in said if not isinstance(event, Shifted))
                for event in said:
                    if isinstance(event, Shifted):
                        self._coming.append(event)
                        if event.by_hand:
                            by_hand.append(event.pair)
                        if stretch.state == "setting bias":
                            self.phase.adjusted(float(stretch.t_s[at]))
        yield Piece(first, stop, changed, step, idle, tuple(by_hand))

    def _note_state(self, stretch: Seconds) -> None:
        """Take note of what levels can't be compared across, at the beginning of a minute of HT."""
        before, t_s = self._state, float(stretch.t_s[0])
        self._state = stretch.state
        if "setting bias" in (before, stretch.state) and before != stretch.state:
            self._idle_from_s = t_s
            self.set_min = [t_s / 60.0] * len(self._names)
            self._coming += [Shifted(j, t_s, by_hand=False) for j in range(len(self._names))]
        if before == "under signal" != stretch.state:
            after_s = t_s + _AFTER_SIGNAL_S
            self._coming += [Shifted(j, after_s, by_hand=False) for j in range(len(self._names))]
        if self._coming and stretch.powered and stretch.on_s[0] % MINUTE_S == 0:
            for shift in self._coming:
                # half a minute more: minutes are known by their middles
                at_min = shift.at_s / 60.0 + 0.5
                self.shifted_min[shift.pair] = max(self.shifted_min[shift.pair], at_min)
                if shift.by_hand:
                    self.set_min[shift.pair] = max(self.set_min[shift.pair], at_min)
            self._coming.clear()

    def _learnt(self, stretch: Seconds) -> Seconds:
        """Put a stretch into the running minute, and close what ends in it."""
        if not stretch.powered or not self.phase.ht_on:
            return stretch
        start = int(stretch.on_s[0]) % MINUTE_S
        stop = start + len(stretch)
        minute = self._minute[start:stop]
        minute[:, 0] = stretch.t_s
        minute[:, 1], minute[:, 2], minute[:, 3] = stretch.ht_v, stretch.mains_v, stretch.bias_v
        minute[:, 4:] = stretch.current_a
        self._usable[start:stop] = (stretch.current_a == stretch.current_a) & ~stretch.masked
        bins = [
            (BIN_S * (b + 1) - 1 - start, len(self.tens) + i)
            for i, b in enumerate(range(start // BIN_S, stop // BIN_S))
        ]
        on_end = stretch.on_end_s
        if bins:
            self._close_bins(start // BIN_S, stop // BIN_S, on_end - (stop - 1) % MINUTE_S)
        closes = False
        self._busy = stretch.state == "under signal" or (self._busy and start > 0)
        if stop == MINUTE_S and not self._busy:
            closes = self.minutes.add(
                self._minute[:, 0],
                on_end - np.arange(MINUTE_S - 1.0, -1.0, -1.0),
                self._minute[:, 4:],
                self._usable,
                [self._minute[:, i] for i in (1, 2, 3)],
                stretch.state,
            )
        return replace(stretch, bins=bins, closes_minute=closes)

    def _close_bins(self, first: int, stop: int, minute_on_s: float) -> None:
        rows = slice(first * BIN_S, stop * BIN_S)
        usable = self._usable[rows].reshape(-1, BIN_S, len(self._names))
        values = self._minute[rows].reshape(-1, BIN_S, self._minute.shape[1])
        good = np.concatenate([values[:, :, 1:4] == values[:, :, 1:4], usable], axis=2)
        terms = np.where(good, values[:, :, 1:], 0.0)
        sums = terms[:, 0].copy()
        for i in range(1, BIN_S):  # in the same order for any number of bins
            sums += terms[:, i]
        count = good.sum(axis=1)
        least = np.where(np.arange(good.shape[2]) < 3, 1.0, self._least_in_bin)
        means = np.where(count >= least, sums / np.maximum(count, 1), np.nan)
        ends_on = minute_on_s + BIN_S * np.arange(first + 1.0, stop + 1.0) - 1.0
        self.tens.add(values[:, -1, 0], means[:, 3:], [means[:, 0], means[:, 1], means[:, 2]], ends_on)


class AnodePower:
    """Anode power of one valve of a pair, mean of the valves on its resistor.

    HT less the cathode's and the transformer's volts, times the current less the screen's share. The
    screen fraction is the middle of the range where it is only known as a range; for a triode connection
    the whole current counts, against anode + screen.
    """

    def __init__(self, setup: Setup) -> None:
        low, high = setup.screen_fraction
        self._screen = (low + high) / 2.0
        self._circuits = [Circuit.of(setup, j) for j in range(len(setup.pairs))]

    def watts(self, pair: int, current_a: float, ht_v: float, screen_fraction: float | None = None) -> float:
        """Return it in watts, for a pair's current and the HT as measured."""
        share = self._screen if screen_fraction is None else screen_fraction
        return float(self._circuits[pair].anode_w(current_a, ht_v, share))

    def all_watts(self, current_a: FloatArray, ht_v: FloatArray) -> FloatArray:
        """Return it for many seconds and all pairs at once: (n, p) from (n, p) and (n,)."""
        watts = np.empty_like(current_a)
        for j, circuit in enumerate(self._circuits):
            watts[:, j] = circuit.anode_w(current_a[:, j], ht_v, self._screen)
        return watts


def piece(block: ReadingBlock, start: int, stop: int) -> ReadingBlock:
    """Return the rows of a block from `start` up to `stop`."""
    return ReadingBlock(block.t_us[start:stop], block.values[start:stop], block.railed[start:stop])


def tick_rows(block: TickBlock, start: int, stop: int) -> TickBlock:
    """Return the ticks of a block from `start` up to `stop`."""
    rows = slice(start, stop)
    return TickBlock(
        block.t_s[rows],
        block.closed_s[rows],
        block.n[rows],
        block.mean[rows],
        block.least[rows],
        block.greatest[rows],
        block.railed[rows],
    )


def closings(block: ReadingBlock, ticks: TickBlock) -> list[int]:
    """Return, for each tick, the row of the scan that closed it."""
    times = np.rint(ticks.closed_s * 1e6).astype(np.int64)
    return [int(row) for row in np.searchsorted(block.t_us, times, side="left")]
