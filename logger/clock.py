"""The only place that asks the machine for the time."""

from __future__ import annotations

import sys
import threading
import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """Time as the daemon sees it: a monotonic one to count with, a wall clock to write down."""

    def monotonic_s(self) -> float:
        """Return seconds that never run backwards; the zero is arbitrary."""
        ...

    def asleep_s(self) -> float | None:
        """Return how many of those seconds the computer has slept since some zero; None if it can't tell."""
        ...

    def wall(self) -> datetime:
        """Return the wall clock, in UTC."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait."""
        ...

    def wait(self, done: threading.Event, seconds: float) -> bool:
        """Wait until another thread is done, so long at most; return whether it is."""
        ...


class SystemClock:
    """The machine's own clocks."""

    if sys.platform == "linux":

        def monotonic_s(self) -> float:
            """Return the machine's monotonic clock, in seconds, those included in which it sleeps."""
            return time.clock_gettime(time.CLOCK_BOOTTIME)

        def asleep_s(self) -> float | None:
            """Return how many of those seconds the computer has slept."""
            return time.clock_gettime(time.CLOCK_BOOTTIME) - time.monotonic()

    else:

        def monotonic_s(self) -> float:
            """Return the machine's monotonic clock, in seconds; whether it counts sleep is the system's."""
            return time.monotonic()

        def asleep_s(self) -> float | None:
            """Return None: what is asked for here can't be told apart everywhere."""
            return None

    def wall(self) -> datetime:
        """Return the machine's wall clock, in UTC."""
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)

    def wait(self, done: threading.Event, seconds: float) -> bool:
        """Wait until another thread is done, so long at most; return whether it is."""
        return done.wait(seconds)


class ManualClock:
    """A clock that moves only when it is told to: for tests and for replays.

    With `counts_sleep` False its seconds stand still while the computer sleeps, and it can't tell.
    """

    def __init__(self, start: datetime | None = None, *, counts_sleep: bool = True) -> None:
        self._start = start or datetime(2026, 1, 1, tzinfo=UTC)
        self._counts_sleep = counts_sleep
        self._elapsed_s = 0.0
        self._asleep_s = 0.0
        self._ahead_s = 0.0  # of the wall clock

    def monotonic_s(self) -> float:
        """Return the seconds this clock was advanced."""
        return self._elapsed_s

    def asleep_s(self) -> float | None:
        """Return how many of those seconds the computer was asleep."""
        return self._asleep_s if self._counts_sleep else None

    def wall(self) -> datetime:
        """Return the start plus what this clock was advanced, and set."""
        return self._start + timedelta(seconds=self._elapsed_s + self._ahead_s)

    def sleep(self, seconds: float) -> None:
        """Advance instead of waiting."""
        self.advance(seconds)

    def wait(self, done: threading.Event, seconds: float) -> bool:
        """Wait until another thread is done: what others do takes none of this clock's time."""
        return done.wait()

    def advance(self, seconds: float) -> None:
        """Move this clock forward by `seconds`."""
        if not seconds >= 0:
            raise ValueError(f"a clock can't run backwards, got {seconds} s")
        self._elapsed_s += seconds

    def set_wall(self, by_s: float) -> None:
        """Set the wall clock forward by so many seconds, or back."""
        self._ahead_s += by_s

    def suspend(self, seconds: float) -> None:
        """Let the computer sleep for so long."""
        if self._counts_sleep:
            self.advance(seconds)
            self._asleep_s += seconds
        else:
            self.set_wall(seconds)
