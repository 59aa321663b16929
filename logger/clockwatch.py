"""What the computer's clocks say of each other, and of the DAQ's: set, asleep, too fast or too slow. Pure.

Nothing of it moves the soak's time, which is the DAQ's. It is said, and stands in the record.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Final

from logger.units import duration

SET_S: Final = 1.0
"""A jump of the wall clock by less is a correction; NTP slews by far less between two looks."""
ASLEEP_S: Final = 1.0
HELD_UP_S: Final = 5.0
PPM_MOST: Final = 1000.0
"""Ours: ten times what a cheap crystal is off by. Beyond it the DAQ's milliseconds are no milliseconds."""
_WINDOW_S: Final = 60.0
_SPAN_S: Final = 600.0
_SURE_S: Final = 0.05  # how well the best passage of a minute is known; common practice, no source
_CLOCKS_PART: Final = 1e-3
"""How much faster than the host's clock the DAQ's may run, or slower."""


class Passage:
    """How late a scan is, by the DAQ's clock against the host's at the best passage seen so far."""

    def __init__(self) -> None:
        self._best: tuple[float, float] | None = None  # host's less the DAQ's clock, and when

    def late_s(self, daq_s: float, host_s: float) -> float:
        """Return how much later than the best one a scan of `daq_s` is, which is here at `host_s`."""
        passage_s = best_s = host_s - daq_s
        if self._best is not None:
            best_s = min(best_s, self._best[0] + _CLOCKS_PART * max(0.0, host_s - self._best[1]))
        self._best = best_s, host_s
        return passage_s - best_s


class ClockWatch:
    """Follows the clocks of one run of the daemon.

    The DAQ's clock is held against the computer's monotonic one by the best passage of the first minute and
    of the latest: a scan can come late, but never early. `held_up_s`: from when on it is said that nothing
    was looked at for long; inf for never.
    """

    def __init__(self, held_up_s: float = HELD_UP_S) -> None:
        self._held_up_s = held_up_s
        self._last: tuple[float, datetime, float | None] | None = None
        self._first: tuple[float, float] | None = None  # DAQ's time and lag of the first minute's best scan
        self._now: tuple[float, float] | None = None  # of the latest whole minute's
        self._best: tuple[float, float] | None = None  # of the minute that runs
        self._begun_s = 0.0
        self._said = False

    def look(self, monotonic_s: float, wall: datetime, asleep_s: float | None) -> list[str]:
        """Look at the computer's clocks, all read at one instant; return what is to be said."""
        before, self._last = self._last, (monotonic_s, wall, asleep_s)
        if before is None:
            return []
        went_s = monotonic_s - before[0]
        slept_s = 0.0 if asleep_s is None or before[2] is None else asleep_s - before[2]
        ahead_s = (wall - before[1]).total_seconds() - went_s
        said = []
        if slept_s >= ASLEEP_S:
            said.append(f"the computer slept for {duration(slept_s)}")
        if abs(ahead_s) >= SET_S:
            where = "forward" if ahead_s > 0 else "back"
            or_slept = ", or it slept for so long" if asleep_s is None and ahead_s > 0 else ""
            said.append(f"the computer's clock was set {where} by {abs(ahead_s):.0f} s{or_slept}")
        if went_s - slept_s >= self._held_up_s:
            said.append(f"held up for {duration(went_s - slept_s)}; scans keep the DAQ's times")
        return said

    def scan(self, t_s: float, monotonic_s: float) -> list[str]:
        """Take in when a scan of the DAQ's time `t_s` came; return what is to be said, once."""
        scan = (t_s, monotonic_s - t_s)
        if self._best is None:
            self._best, self._begun_s = scan, t_s
        elif scan[1] < self._best[1]:
            self._best = scan
        if t_s - self._begun_s >= _WINDOW_S:
            self._first, self._now = self._first or self._best, self._best
            self._best = None
        ppm = self.ppm
        if self._said or ppm is None or abs(ppm) - self._sure_ppm <= PPM_MOST:
            return []
        self._said = True
        return [f"{self._differs(ppm)}: its milliseconds, and so the soak's times, can't be trusted"]

    def reset(self) -> None:
        """Begin to measure the DAQ's clock anew: it was reset."""
        self._first = self._now = self._best = None

    @property
    def ppm(self) -> float | None:
        """How much faster the DAQ's clock runs than the computer's, parts per million; None if not known."""
        if self._first is None or self._now is None or self._span_s < _SPAN_S:
            return None
        lag_s = self._now[1] - self._first[1]
        return -1e6 * lag_s / (self._span_s + lag_s)

    def summary(self) -> str | None:
        """Return the measured difference as a sentence, None where the soak was too short for it."""
        ppm = self.ppm
        if ppm is None:
            return None
        return f"{self._differs(ppm)}, give or take {self._sure_ppm:.0f}, over {duration(self._span_s)}"

    @property
    def _span_s(self) -> float:
        if self._first is None or self._now is None:
            return 0.0
        return self._now[0] - self._first[0]

    @property
    def _sure_ppm(self) -> float:
        return math.ceil(1e6 * _SURE_S / self._span_s)

    def _differs(self, ppm: float) -> str:
        how = "fast" if ppm > 0 else "slow"
        return f"the DAQ's clock runs {abs(ppm):.0f} ppm {how} against the computer's"
