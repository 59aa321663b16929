"""`gap`: more than 5 s and three scans without a reading, of all channels or of one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logger.blocks import FloatArray, ReadingBlock
from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear, Withdraw


class Gap:
    """Finds holes in recorded time, never from arrival times.

    A hole of all channels begins at the last scan and is known with the next one: onset and raised are
    the last scan's time, so that the daemon, which sees the silence live, says the same as a replay. Where
    the scans only came late, nothing was lost, and what was said live is withdrawn.
    A hole of one channel is raised once it is long enough. Price: none, a hole is a fact. Delay: none.
    """

    def __init__(self, setup: Setup) -> None:
        self._names = setup.names
        self._hole_s = max(5.0, 3.0 / setup.link.scans_per_s)
        self._last_s: float | None = None
        self._silent = False
        self._seen_s: list[float | None] = [None] * len(self._names)
        self._open = [False] * len(self._names)

    def scans(self, block: ReadingBlock) -> Sequence[Claim | Clear | Withdraw]:
        """Look at one block of scans, at most a second long."""
        out: list[Claim | Clear | Withdraw] = []
        times = block.t_us / 1e6
        if self._last_s is not None:
            before = np.concatenate([[self._last_s], times[:-1]])
        else:
            before = np.concatenate([times[:1], times[:-1]])
        for i in np.flatnonzero(times - before > self._hole_s):
            start, end = float(before[i]), float(times[i])
            out.append(self._all(start, end - start))
            out.append(Clear(Kind.GAP, tuple(self._names), end))
            self._silent = False
            self._seen_s = [end if seen is not None else None for seen in self._seen_s]
        if self._silent:  # they only came late
            out.append(Withdraw(Kind.GAP, tuple(self._names)))
            self._silent = False
        self._channels(block, times, out)
        self._last_s = float(times[-1])
        return out

    def calm(self, block: ReadingBlock) -> bool:
        """Whether a block of any length holds no hole and ends none."""
        if self._silent or self._last_s is None or any(self._open):
            return False
        times = block.t_us / 1e6
        if (np.diff(times, prepend=self._last_s) > self._hole_s).any():
            return False
        gone = np.isnan(block.values) & (block.railed == 0)
        if not gone.any():
            return True
        if gone[-1].any():
            return False
        for c in np.flatnonzero(gone.any(axis=0)):
            seen = self._seen_s[c]
            if seen is None or (np.diff(times[~gone[:, c]], prepend=seen) > self._hole_s).any():
                return False
        return True

    def pass_over(self, block: ReadingBlock) -> None:
        """Take note of a calm block."""
        self._last_s = float(block.t_us[-1] / 1e6)
        self._seen_s = [self._last_s] * len(self._names)

    def silence(self) -> Sequence[Claim | Clear]:
        """Open a live gap: the daemon has heard nothing for too long."""
        if self._silent or self._last_s is None:
            return []
        self._silent = True
        return [self._all(self._last_s, None)]

    def _all(self, start_s: float, lasted_s: float | None) -> Claim:
        lasted = f"for {lasted_s:.0f} s" if lasted_s is not None else "since then"
        return Claim(
            Kind.GAP,
            tuple(self._names),
            start_s,
            start_s,
            Severity.WARNING,
            f"no reading of any channel {lasted}: nothing is known of the amplifier in that time",
            "Look at the DAQ's cable and supply; look at the amplifier itself.",
            named=False,
            evidence={"lasted_s": lasted_s},
        )

    def _channels(self, block: ReadingBlock, times: FloatArray, out: list[Claim | Clear | Withdraw]) -> None:
        there = ~np.isnan(block.values) | (block.railed != 0)
        for c in np.flatnonzero(~there.all(axis=0) | np.array(self._open)):
            for i, now in enumerate(times):
                seen = self._seen_s[c]
                if there[i, c]:
                    if self._open[c]:
                        self._open[c] = False
                        out.append(Clear(Kind.GAP, (self._names[c],), float(now)))
                    self._seen_s[c] = float(now)
                elif seen is not None and now - seen > self._hole_s and not self._open[c]:
                    self._open[c] = True
                    out.append(
                        Claim(
                            Kind.GAP,
                            (self._names[c],),
                            seen,
                            float(now),
                            Severity.WARNING,
                            f"no reading of {self._names[c]} since then, the other channels go on",
                            "Look at this channel's lead and at the converter it hangs on.",
                        )
                    )
        for c in np.flatnonzero(there.all(axis=0)):
            self._seen_s[c] = float(times[-1])
