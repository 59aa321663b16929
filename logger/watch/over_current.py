"""`over-current`: a pair far above what its valves may ever pass, or past the end of the range."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from logger.blocks import ReadingBlock
from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear

_WELL_S: Final = 10.0
_DRAWS_A: Final = 0.003  # a cold or open valve draws nothing at all; the least that counts as current


class OverCurrent:
    """A ceiling on raw scans: railed high, or above valves x the sheet's cathode limit, twice running.

    A shorted valve or an open sense resistor, and a trip either way. In the first 5 s of HT, while
    coupling capacitors charge, it must last 1 s. It is over once the pair has drawn a current below the
    ceiling for 10 s: a pair that falls to nothing has blown its fuse or opened its relay, which is said,
    and stays an over-current; too much once more, after that or after HT was off, is said again. Source
    of the ceiling: the valve's sheet (valves.toml). Learns nothing. Delay: two scans. Price: a spike of
    two scans is what it takes; none in 7,700 pair-hours of the family's tuning half.
    """

    def __init__(self, setup: Setup) -> None:
        rating = setup.rating
        limit = rating.cathode_a
        figure = rating.cathode_figure(setup.amp.connection, setup.amp.bias)
        self._memory = ", a figure from memory" if figure is not None and figure.from_memory else ""
        self._names = [c.name for c in setup.pairs]
        self._labels = [c.label for c in setup.pairs]
        self._columns = setup.pair_columns
        self._limit_a = [limit * setup.valves_on(c) if limit else np.inf for c in setup.pairs]
        self._since: list[float | None] = [None] * len(self._names)
        self._calm: list[float | None] = [None] * len(self._names)
        self._count = [0] * len(self._names)
        self._open = [False] * len(self._names)
        self._began_s = [0.0] * len(self._names)
        self._read = [""] * len(self._names)
        """What each read when it was called."""
        self._was_off = [False] * len(self._names)
        """Whether an open one was without HT, or drew nothing: more current then is news."""
        self._nothing = [0] * len(self._names)
        """Scans running in which an open one drew nothing; two are said."""

    def calm(self, block: ReadingBlock) -> bool:
        """Whether a block of any length holds nothing for this detector."""
        if any(self._count):
            return False
        values = block.values[:, self._columns]
        # one that has opened stays as it is while it draws nothing
        blown = np.array(self._open) & (np.array(self._nothing) >= 2)
        if any(self._open) and (blown != self._open).any():
            return False
        with np.errstate(invalid="ignore"):
            if (values[:, blown] >= _DRAWS_A).any():
                return False
            return not ((block.railed[:, self._columns] > 0) | (values > self._limit_a)).any()

    def scans(self, block: ReadingBlock, powered: bool, on_s: float) -> Sequence[Claim | Clear]:
        """Look at one block of scans, at most a second long."""
        values = block.values[:, self._columns]
        with np.errstate(invalid="ignore"):
            over = (block.railed[:, self._columns] > 0) | (values > self._limit_a)
        over = over & powered
        if not over.any() and not any(self._open) and not any(self._count):
            return []
        out: list[Claim | Clear] = []
        for i, t_us in enumerate(block.t_us):
            t_s = float(t_us) / 1e6
            for j in range(len(self._names)):
                self._one(j, t_s, bool(over[i, j]), float(values[i, j]), powered, on_s, out)
        return out

    def _one(
        self,
        j: int,
        t_s: float,
        over: bool,
        value: float,
        powered: bool,
        on_s: float,
        out: list[Claim | Clear],
    ) -> None:
        if not over:
            self._since[j], self._count[j] = None, 0
            if self._open[j]:
                self._ends(j, t_s, value, powered, out)
            return
        self._nothing[j] = 0
        self._calm[j] = None
        since = self._since[j]
        since = self._since[j] = t_s if since is None else since
        self._count[j] += 1
        lasted_enough = self._count[j] >= 2 and (on_s >= 5.0 or t_s - since >= 1.0)
        again = self._open[j] and self._was_off[j]
        if (self._open[j] and not again) or not lasted_enough:
            return
        self._open[j], self._was_off[j] = True, False
        reads = "more than the converter can read"
        most_a = self._limit_a[j]
        if value > most_a:
            reads = f"{value * 1e3:.0f} mA, over the {most_a * 1e3:.0f} mA its valves may pass{self._memory}"
        self._began_s[j], self._read[j] = since, reads
        says = f"{self._labels[j]} draws {reads}: a shorted valve, or an open sense resistor"
        out.append(self._claim(j, t_s, says, value, again))

    def _ends(self, j: int, t_s: float, value: float, powered: bool, out: list[Claim | Clear]) -> None:
        """Take in a scan of an open one that is not over the ceiling."""
        if value >= _DRAWS_A:
            self._nothing[j] = 0
            calm = self._calm[j]
            self._calm[j] = t_s if calm is None else calm
            if calm is not None and t_s - calm >= _WELL_S:
                self._open[j], self._calm[j] = False, None
                out.append(Clear(Kind.OVER_CURRENT, (self._names[j],), t_s))
            return
        self._calm[j] = None
        if not powered:
            self._was_off[j] = True
        if value != value or not powered:
            return
        self._nothing[j] += 1
        if self._nothing[j] == 2:
            self._was_off[j] = True
            says = (
                f"{self._labels[j]} drew {self._read[j]}, for {t_s - self._began_s[j]:.0f} s, then stopped "
                "drawing: a shorted valve or an open sense resistor, and a fuse or relay that opened"
            )
            out.append(self._claim(j, t_s, says, value))

    def _claim(self, j: int, t_s: float, says: str, value: float, again: bool = False) -> Claim:
        return Claim(
            Kind.OVER_CURRENT,
            (self._names[j],),
            self._began_s[j],
            t_s,
            Severity.TRIP,
            says,
            "Take the mains off now. Leave the lead alone: it may carry HT.",
            again=again,
            evidence={"now_a": value if value == value else None},
        )
