"""The only place that asks the machine for the time."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """Time as the daemon sees it: a monotonic one to count with, a wall clock to write down."""

    def monotonic_s(self) -> float:
        """Return seconds that never run backwards; the zero is arbitrary."""
        ...

    def wall(self) -> datetime:
        """Return the wall clock, in UTC."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def monotonic_s(self) -> float:
        """Return the machine's monotonic clock, in seconds."""
        return time.monotonic()

    def wall(self) -> datetime:
        """Return the machine's wall clock, in UTC."""
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)


class ManualClock:
    """A clock that moves only when it is told to: for tests and for replays."""

    def __init__(self, start: datetime | None = None) -> None:
        self._start = start or datetime(2026, 1, 1, tzinfo=UTC)
        self._elapsed_s = 0.0

    def monotonic_s(self) -> float:
        """Return the seconds this clock was advanced."""
        return self._elapsed_s

    def wall(self) -> datetime:
        """Return the start plus what this clock was advanced."""
        return self._start + timedelta(seconds=self._elapsed_s)

    def sleep(self, seconds: float) -> None:
        """Advance instead of waiting."""
        self.advance(seconds)

    def advance(self, seconds: float) -> None:
        """Move this clock forward by `seconds`."""
        if not seconds >= 0:
            raise ValueError(f"a clock can't run backwards, got {seconds} s")
        self._elapsed_s += seconds
