"""How the daemon itself does: figures that the judging thread fills in, and whoever asks may read.

Plain numbers, each set or replaced whole: who reads takes no lock, and the judging thread waits for nobody.
Times are those of one clock that never runs back, in seconds.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from logger.feeds.feed import FeedState
from logger.units import duration

COMMIT_BOUNDS_S: Final = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0, 2.0, 5.0)
SLOW_COMMIT_S: Final = 0.3
"""With a commit each 0.7 s: what takes longer may lose more than the last second in a power cut."""
UNSTORED_MOST_S: Final = 10.0

Doing = Literal["waiting for the DAQ", "replaying", "soaking", "ended"]


@dataclass(frozen=True)
class Health:
    """Whether it measures, watches and stores, as of one moment.

    `scan_age_s` since the newest scan was judged, None before the first; `reason` is one sentence, empty
    where all three hold.
    """

    measuring: bool
    watching: bool
    storing: bool
    scan_age_s: float | None
    reason: str


class SelfWatch:
    """The figures of one daemon, from its start on."""

    def __init__(self) -> None:
        self.doing: Doing = "waiting for the DAQ"
        self.silence_s = 5.0
        """How old the newest judged scan may be."""
        self.soak_id: int | None = None
        self.state = ""
        """What the amp does."""
        self.came_by_s = 0.0
        """When the judging thread last came by."""
        self.judged_s: float | None = None
        """When a scan was last judged."""
        self.lag_s = 0.0
        """How old the newest scan was then."""
        self.scans = 0
        self.gap_s = 0.0
        """Holes in recorded time that are findings, together."""
        self.judging_s = 0.0
        """What converting and watching took, together."""
        self.open_findings: dict[str, int] = {}
        """By severity."""
        self.cutout = "none"
        """none, unknown, open, closed."""
        self.rejected: Callable[[], Mapping[str, int]] = dict
        """What the link has rejected, by cause."""
        self.waiting_scans: Callable[[], int] = int
        """Scans that were read and not judged yet."""
        self.held_scans: Callable[[], int] = int
        """Scans that were judged and not stored yet."""
        self.lost_scans: Callable[[], int] = int
        """Scans that were held for so long that there was no room for them any more."""
        self.disk_left_bytes: Callable[[], int] = int
        self.feeds: Callable[[], Sequence[FeedState]] = tuple
        self.commits = [0] * (len(COMMIT_BOUNDS_S) + 1)
        """How many took no longer than each bound, but longer than the one before; the last: the rest."""
        self.commits_s = 0.0
        self.failed_commits = 0
        self.committed_s: float | None = None
        self.store_failed_s: float | None = None
        """Since when the store can't be written."""
        self._slow: tuple[int, float] = (0, 0.0)

    def judged(self, now_s: float, scans: int, took_s: float, lag_s: float, gap_s: float) -> None:
        """Count a block of scans that was judged just now."""
        self.doing = "soaking"
        self.scans += scans
        self.judging_s += took_s
        self.gap_s += gap_s
        self.lag_s = lag_s
        self.judged_s = now_s

    def committed(self, now_s: float, took_s: float) -> None:
        """Count a commit that went well."""
        self.commits[bisect_left(COMMIT_BOUNDS_S, took_s)] += 1
        self.commits_s += took_s
        self.committed_s = now_s
        self.store_failed_s = None
        if took_s > SLOW_COMMIT_S:
            count, longest_s = self._slow
            self._slow = count + 1, max(longest_s, took_s)

    def commit_failed(self, now_s: float) -> None:
        """Count one that did not; what was to be stored is held."""
        self.failed_commits += 1
        if self.store_failed_s is None:
            self.store_failed_s = now_s

    def slow_commits(self) -> tuple[int, float]:
        """Return how many commits took too long since this was last asked, and the longest in seconds."""
        slow, self._slow = self._slow, (0, 0.0)
        return slow

    def health(self, now_s: float) -> Health:
        """Judge by the newest scan that was judged, not by the process being there."""
        age_s = None if self.judged_s is None else max(0.0, now_s - self.judged_s)
        late_s = now_s - self.came_by_s
        recent = self.doing == "soaking" and age_s is not None and age_s <= self.silence_s
        watching = self.doing != "ended" and late_s <= self.silence_s
        measuring = recent or (self.doing == "soaking" and self.waiting_scans() > 0)
        reason = ""
        if self.doing == "ended":
            reason = "the soak has ended"
        elif not watching:
            reason = f"nothing has been judged for {duration(late_s)}: what judges stands still"
        elif self.doing == "replaying":
            reason = "what is stored of a soak is replayed before it goes on"
        elif age_s is None:
            reason = "no scan has come yet: the DAQ is waited for"
        elif not recent:
            reason = f"no scan has been judged for {duration(age_s)}"
            reason += f", and {self.waiting_scans()} wait" if measuring else ": the DAQ is silent or gone"
        held = self.held_scans() > 0
        unstored_s = 0.0
        if self.store_failed_s is not None:
            unstored_s = now_s - self.store_failed_s
        elif held and self.committed_s is not None:
            unstored_s = now_s - self.committed_s - UNSTORED_MOST_S
        storing = self.doing == "soaking" and self.store_failed_s is None and unstored_s <= 0.0
        if self.doing == "soaking" and not storing and not reason:
            reason = f"nothing can be stored since {duration(unstored_s)}: look at the store's disk"
        return Health(measuring, watching, storing, age_s, reason)

    def says(self, now_s: float) -> str:
        """Return how it stands in a few words."""
        health = self.health(now_s)
        if health.reason:
            return health.reason if self.soak_id is None else f"soak {self.soak_id}: {health.reason}"
        words = [f"soak {self.soak_id}: {self.state}"]
        if self.cutout != "none":
            words.append(f"cut-out {self.cutout}")
        found = [f"{count} {severity}" for severity, count in self.open_findings.items() if count]
        words.append(f"open: {', '.join(found)}" if found else "no finding open")
        return "; ".join(words)
