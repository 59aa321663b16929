"""What the dashboard sees of the bench: one look at the store, and how old it is.

Nothing here writes. A `Look` is a soak as it stands with its findings and the age of its last scan;
an `Absent` says why there is none and what to do.
"""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from dashboard.figures import Band
from dashboard.series import Holes, Interval
from logger.clock import Clock
from logger.errors import RequestError, StoreError
from logger.finding import Finding, Kind
from logger.store.reader import Reader, Soak


@dataclass(frozen=True)
class Absent:
    """Why there is nothing to show, and what to do about it."""

    title: str
    what_to_do: str
    command: str = ""


@dataclass(frozen=True)
class Look:
    """A soak as it stands. `age_s`: how long ago its last scan came, None once it has ended."""

    soak: Soak
    findings: tuple[Finding, ...]
    age_s: float | None

    @property
    def running(self) -> bool:
        """Whether its end has not been recorded."""
        return self.soak.ended is None

    @property
    def last_s(self) -> float:
        """Time of the last scan."""
        return (self.soak.last_t_us or 0) / 1e6

    @property
    def stale_after_s(self) -> float:
        """How long without a scan is a gap: more than 5 s and 3 scans."""
        return max(5.0, 3.0 / self.soak.setup.link.scans_per_s)

    @property
    def stale(self) -> bool:
        """Whether its last figures are too old to be shown as present."""
        return self.running and (self.age_s is None or self.age_s > self.stale_after_s)

    @property
    def open_findings(self) -> tuple[Finding, ...]:
        """The findings that have not been cleared."""
        return tuple(finding for finding in self.findings if finding.open)

    @property
    def now_s(self) -> float:
        """Elapsed time now: that of the last scan, and on while none comes."""
        late_s = self.age_s if self.stale and self.age_s is not None else 0.0
        return self.last_s + late_s

    def gaps(self) -> tuple[Interval, ...]:
        """Return the stretches without a reading; one that is open reaches to now."""
        found = [
            (finding.onset_s, self.now_s if finding.cleared_s is None else finding.cleared_s)
            for finding in self.findings
            if finding.kind is Kind.GAP
        ]
        open_already = any(to_s >= self.now_s for _, to_s in found)
        if self.stale and not open_already:
            found.append((self.last_s, self.now_s))
        return tuple((from_s, to_s) for from_s, to_s in found if to_s > from_s)

    def holes(self) -> Holes:
        """Return what lines break at and comparisons leave out."""
        return Holes(
            gaps=tuple(
                (finding.onset_s, finding.cleared_s)
                for finding in self.findings
                if finding.kind is Kind.GAP and finding.cleared_s is not None
            ),
            left_out=tuple(
                (name, finding.onset_s, math.inf if finding.cleared_s is None else finding.cleared_s)
                for finding in self.findings
                if finding.kind in (Kind.DROP_OUT, Kind.MEASURING_FAULT)
                for name in ([finding.channel] if finding.channel else finding.channels)
            ),
        )

    def steps(self) -> tuple[Band, ...]:
        """Return the plan's steps on the time axis: those of the verdict, else as they stand now."""
        if self.soak.verdict:
            return tuple(
                Band(step["step"], step["from_s"], self.last_s if step["to_s"] is None else step["to_s"])
                for step in self.soak.verdict["soak"]["steps"]
            )
        return planned(self.soak)


def planned(soak: Soak) -> tuple[Band, ...]:
    """Lay the plan out around the step that runs now: earlier ones before it, later ones behind.

    Empty until HT is on, since only then it is known when the first step begins.
    """
    now = soak.now or {}
    steps = soak.setup.plan.steps
    begun_s, ends_s, plan_ends_s = now.get("step_from_s"), now.get("step_ends_s"), now.get("plan_ends_s")
    named = [index for index, step in enumerate(steps) if step.step == now.get("step")]
    if begun_s is None or not named:
        return ()
    at = named[0]
    if ends_s is not None and plan_ends_s is not None:
        # A step may stand in the plan twice: what is still to come after it tells which one this is.
        at = min(named, key=lambda i: abs(sum(s.seconds for s in steps[i + 1 :]) - (plan_ends_s - ends_s)))
    edge_s = ends_s if ends_s is not None else begun_s + steps[at].seconds
    bands = [Band(steps[at].step, begun_s, edge_s)]
    for step in steps[at + 1 :]:
        bands.append(Band(step.step, edge_s, edge_s + step.seconds))
        edge_s += step.seconds
    edge_s = begun_s
    for step in reversed(steps[:at]):
        bands.insert(0, Band(step.step, max(0.0, edge_s - step.seconds), edge_s))
        edge_s -= step.seconds
    return tuple(band for band in bands if band.to_s > max(band.from_s, 0.0))


class Bench:
    """Looks at one store, read-only, and remembers only when it last saw something new."""

    def __init__(self, store_path: Path, clock: Clock) -> None:
        self.reader = Reader(store_path)
        self._clock = clock
        self._lock = threading.Lock()
        self._seen: tuple[str, int | None] | None = None
        self._seen_at_s = 0.0  # when that scan is taken to have come, on the monotonic clock
        self._looked_at_s: float | None = None
        self._lost_since: tuple[float, datetime] | None = None

    def look(self, which: int | str = "last") -> Look | Absent:
        """Return the soak as it stands now, or why there is none."""
        try:
            soak = self.reader.soak(which)
            findings = tuple(self.reader.findings(soak.id))
        except RequestError:
            return self._without_soak(which)
        except StoreError as error:
            if not self.reader.path.exists():
                return self._without_soak("last")
            return self._not_reached(error)
        self._lost_since = None
        age_s = self._age_s(soak) if soak.ended is None else None
        return Look(soak, findings, age_s)

    def _age_s(self, soak: Soak) -> float | None:
        """Return how long ago the last scan came.

        The device's clock and the host's drift apart by seconds a day, and a demo runs faster than either.
        So a new scan is dated by when it was seen, and the two clocks only say where between the last
        look and this one it came.
        """
        if soak.last_t_us is None:
            return None
        with self._lock:
            now_s = self._clock.monotonic_s()
            key = (soak.uuid, soak.last_t_us)
            if key != self._seen:
                by_clocks_s = (self._clock.wall() - soak.started).total_seconds() - soak.last_t_us / 1e6
                unseen_s = math.inf if self._looked_at_s is None else now_s - self._looked_at_s
                self._seen = key
                self._seen_at_s = now_s - min(max(by_clocks_s, 0.0), unseen_s)
            self._looked_at_s = now_s
            return now_s - self._seen_at_s

    def _without_soak(self, which: int | str) -> Absent:
        self._lost_since = None
        if which == "last":
            return Absent(
                "No soak yet",
                f"This page shows a soak as soon as one begins in the store {self.reader.path}. "
                "Start one with a set-up of your own, or see a whole one on a simulated amplifier:",
                "soakbench run SETUP\nsoakbench demo",
            )
        return Absent(
            f"There is no soak {which} in this store",
            "Look at the last one, or list them all:",
            "soakbench soaks",
        )

    def _not_reached(self, error: StoreError) -> Absent:
        if self._lost_since is None:
            self._lost_since = (self._clock.monotonic_s(), self._clock.wall())
        for_s = self._clock.monotonic_s() - self._lost_since[0]
        since = self._lost_since[1].astimezone()
        message = str(error)
        return Absent(
            "The store is not reached",
            f"{message[:1].upper()}{message[1:]}. So since {since:%H:%M:%S}, for {math.floor(for_s)} s; "
            "this page goes on trying.",
        )
