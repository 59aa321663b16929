"""All detectors of one soak, in the order in which one explains the next."""

from __future__ import annotations

import math

import numpy as np

from logger.bias import Circuit
from logger.blocks import ReadingBlock, TickBlock
from logger.finding import Finding
from logger.setup import Setup
from logger.watch.book import Book
from logger.watch.drift import Drift
from logger.watch.drop_out import DropOut
from logger.watch.gap import Gap
from logger.watch.mains_change import MainsChange
from logger.watch.measuring_fault import MeasuringFault
from logger.watch.mismatch import Mismatch
from logger.watch.over_current import OverCurrent
from logger.watch.over_dissipation import OverDissipation
from logger.watch.phase import Phase
from logger.watch.runaway import Runaway
from logger.watch.second import Minutes, Second
from logger.watch.unsettled import Unsettled

TEMPERATURES = ("ambient temperature", "chassis temperature", "transformer temperature", "temperature")


class TickRows:
    """A block of ticks as lists: one plain float is read many times faster from a list than from an array."""

    def __init__(self, ticks: TickBlock) -> None:
        self.t_s: list[int] = ticks.t_s.tolist()
        self.closed_s: list[float] = ticks.closed_s.tolist()
        self.n: list[list[int]] = ticks.n.tolist()
        self.mean: list[list[float]] = ticks.mean.tolist()
        self.least: list[list[float]] = ticks.least.tolist()
        self.greatest: list[list[float]] = ticks.greatest.tolist()


class Panel:
    """Feeds scans and ticks, in order, to every detector, and keeps the book of findings."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.phase = Phase(setup)
        self.book = Book()
        pairs = len(setup.pairs)
        self.minutes = Minutes(pairs, setup.link.scans_per_s)
        self.settled_min = [math.nan] * pairs
        self.last: Second | None = None
        self._columns = setup.pair_columns
        self._ht, self._mains = setup.first("HT"), setup.first("mains")
        self._warm = [(c.name, i) for i, c in enumerate(setup.channel) if c.measures in TEMPERATURES]
        self.power = AnodePower(setup)
        self._nominal_ht_v = setup.amp.nominal_ht_V
        self._per_watt = 100.0 / setup.ceiling.watts
        self._names = [c.name for c in setup.pairs]
        self.gap = Gap(setup)
        self.drop_out = DropOut(setup)
        self.over_current = OverCurrent(setup)
        self.unsettled = Unsettled(setup, self.minutes, self.settled_min)
        self._detectors = (
            self.drop_out,
            MeasuringFault(setup),
            OverDissipation(setup),
            MainsChange(setup),
            Runaway(setup),
            self.unsettled,
            Drift(setup, self.minutes, self.settled_min),
            Mismatch(setup, self.minutes),
        )

    def scans(self, block: ReadingBlock) -> list[Finding]:
        """Look at scans that lie between two closings of a tick; return the findings that changed."""
        if not len(block):
            return []
        last = self.last
        powered = last is not None and last.powered
        on_s = last.on_s if last is not None else math.nan
        changed = self.book.apply(self.gap.scans(block))
        changed += self.book.apply(self.over_current.scans(block, powered, on_s))
        changed += self.book.apply(self.drop_out.scans(block, powered))
        return changed

    def calm(self, block: ReadingBlock) -> bool:
        """Whether no scan of a block can matter to a detector that looks at scans: most blocks are calm."""
        return self.gap.calm(block) and self.over_current.calm(block) and self.drop_out.calm(block)

    def pass_over(self, block: ReadingBlock) -> None:
        """Take note of a calm block without looking at its scans one by one."""
        self.gap.pass_over(block)

    def silence(self) -> list[Finding]:
        """The daemon has heard nothing for too long: open a live gap."""
        return self.book.apply(self.gap.silence())

    def tick(self, rows: TickRows, row: int) -> list[Finding]:
        """Look at one closed tick; return the findings that changed."""
        second = self._second(rows, row)
        second.minute_closed = self.minutes.add(second)
        self.last = second
        changed: list[Finding] = []
        for detector in self._detectors:
            events = detector.update(second)
            if events:
                changed += self.book.apply(events)
        return changed

    def _second(self, rows: TickRows, row: int) -> Second:
        mean = rows.mean[row]
        current = [mean[c] for c in self._columns]
        ht = mean[self._ht] if self._ht is not None else math.nan
        mains = mean[self._mains] if self._mains is not None else math.nan
        n, least, greatest = rows.n[row], rows.least[row], rows.greatest[row]
        t_s = rows.t_s[row]
        self.phase.update(t_s, ht, mains, current, measured=any(n))
        blind = self.book.blind
        return Second(
            t_s=t_s,
            closed_s=rows.closed_s[row],
            state=self.phase.state,
            on_s=self.phase.on_s,
            n=[n[c] for c in self._columns],
            current_a=current,
            least_a=[least[c] for c in self._columns],
            greatest_a=[greatest[c] for c in self._columns],
            ht_v=ht,
            mains_v=mains,
            temperatures=[(name, mean[c]) for name, c in self._warm],
            dissipation_pct=[self.dissipation_pct(j, a, ht) for j, a in enumerate(current)],
            masked=[name in blind for name in self._names],
        )

    def dissipation_pct(self, j: int, current_a: float, ht_v: float) -> float:
        """Return a pair's anode power, mean per valve, in per cent of what it is held to.

        Without an HT channel the nominal HT stands in, for the ceilings only.
        """
        if self._ht is None:
            ht_v = self._nominal_ht_v
        return self.power.watts(j, current_a, ht_v) * self._per_watt


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
        return self._circuits[pair].anode_w(current_a, ht_v, share)


def piece(block: ReadingBlock, start: int, stop: int) -> ReadingBlock:
    """Return the rows of a block from `start` up to `stop`."""
    return ReadingBlock(block.t_us[start:stop], block.values[start:stop], block.railed[start:stop])


def closings(block: ReadingBlock, ticks: TickBlock) -> list[int]:
    """Return, for each tick, the row of the scan that closed it."""
    times = np.rint(ticks.closed_s * 1e6).astype(np.int64)
    return [int(row) for row in np.searchsorted(block.t_us, times, side="left")]
