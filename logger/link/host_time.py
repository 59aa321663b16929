"""Time for devices that don't count it: the host's monotonic clock at the asking, or at the coming.

`speed` is recorded over the host's time. At any but 1 the device is simulated, and who asks steps its clock:
each asking is one scan period later, so that a busy host leaves no hole; at 0 it does not even wait.
Sequence numbers are scan periods since the start, so that what was missed leaves a hole. Pure, but for the
clock that `Raster` is given.
"""

from __future__ import annotations

import threading
from typing import Final

from logger.clock import Clock
from logger.link.wire import READ_TIMEOUT_S

_LATE: Final = 0.5
"""Parts of a period by which a line may come later than the one before lets expect, and still be the next."""
_EXACTLY_S: Final = 1e-6


class Raster:
    """When a device is to be asked: once a period, at times that do not creep, however long an answer takes.

    A period in which the host or the device was busy is left out, and its sequence number with it; a
    simulated device, which is stepped, is asked late instead.
    """

    def __init__(self, period_s: float, clock: Clock, speed: float) -> None:
        self._period_s = period_s
        self._clock = clock
        self._speed = speed
        self._start_s: float | None = None
        self._next = 0
        self._zero_us: int | None = None

    @property
    def begun(self) -> bool:
        """Whether a scan has come."""
        return self._zero_us is not None

    def wait(self, stop: threading.Event) -> tuple[int, int] | None:
        """Wait for the next period, at most a read timeout; its sequence and `t_us`, None if not yet."""
        if not self._speed:
            sequence = self._next
            self._next += 1
            return sequence, round(sequence * self._period_s * 1e6)
        if self._start_s is None:
            self._start_s = self._clock.monotonic_s()
        elapsed_s = (self._clock.monotonic_s() - self._start_s) * self._speed
        left_s = (self._next * self._period_s - elapsed_s) / self._speed
        if left_s > _EXACTLY_S:
            # in parts, so that closing does not wait for a slow raster
            self._clock.sleep(min(left_s, READ_TIMEOUT_S))
            elapsed_s = (self._clock.monotonic_s() - self._start_s) * self._speed
            if stop.is_set() or elapsed_s < self._next * self._period_s - _EXACTLY_S:
                return None
        sequence = self._next
        if self._speed == 1.0:
            sequence = max(sequence, int(elapsed_s / self._period_s))
        self._next = sequence + 1
        at_us = round(sequence * self._period_s * 1e6)
        return sequence, max(round(elapsed_s * 1e6), at_us) if self._speed == 1.0 else at_us

    def since_first(self, t_us: int) -> int:
        """Return the time of a scan that has come, counted from the first that did."""
        if self._zero_us is None:
            self._zero_us = t_us
        return t_us - self._zero_us


class Arrivals:
    """Times of lines that come unasked, one a period, from a board that does not count.

    Lines that were waiting together (the host had stalled) are laid a period apart, back from the last one's
    coming: a burst loses and doubles nothing, and what is missing before it leaves a hole.
    """

    def __init__(self, period_s: float, speed: float) -> None:
        self._period_us = period_s * 1e6
        self._speed = speed
        self._start_s: float | None = None
        self._last_us = -self._period_us
        self._sequence = -1

    def take(self, lines: int, arrived_s: float) -> list[tuple[int, int]]:
        """Return sequence and `t_us` of so many lines that had come together by `arrived_s`."""
        if not lines:
            return []
        period = self._period_us
        if self._start_s is None:
            # the first line is where time begins; of a burst the others come after it
            self._start_s = arrived_s - (lines - 1) * period / 1e6 / (self._speed or 1.0)
        now_us = (arrived_s - self._start_s) * 1e6 * self._speed
        # how much later the last of them came than if none had been missed
        late_us = now_us - (self._last_us + lines * period)
        out = []
        for _ in range(lines):
            step_us, places = period, 1
            if self._speed and late_us >= _LATE * period:
                places += round(late_us / period)
                step_us += late_us
            elif self._speed:
                # in turn; a jitter of less than half a period is followed slowly, so that time keeps true
                step_us += max(0.1 * late_us, -0.9 * period)
            late_us -= step_us - period
            self._sequence += places
            self._last_us += step_us
            out.append((self._sequence, round(self._last_us)))
        return out
