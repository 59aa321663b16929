"""A feed: what else is told of a soak while it runs, in a thread of its own, and may be lost.

The daemon puts and goes on: `Feeds` waits for nobody and raises nothing. Each feed has a bounded inbox and a
thread. One that hangs fills its inbox, and what has no room is counted; one that breaks is started again.
What a feed is told is what the daemon has said and stored, no more: nothing comes back from it.
"""

from __future__ import annotations

import random
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal

from logger.clock import Clock
from logger.errors import SoakbenchError
from logger.finding import Finding
from logger.pipeline import Output
from logger.requests import NOTED

ROOM: Final = 1000
"""What waits in an inbox at most, readings apart: of those only the newest second is kept."""
CLOSED_WITHIN_S: Final = 3.0
"""How long the end of a soak waits for all feeds together."""
_HANGS_S: Final = 30.0
_LONGEST: Final = 160  # letters of a state's sentence

What = Literal["opened", "worsened", "eased", "acknowledged", "cleared", "withdrawn"]
Stands = Literal["starting", "working", "trying again", "broken", "hanging", "ended"]


@dataclass(frozen=True)
class Began:
    """A soak has begun, or is gone on with: `findings` are then all it has so far, as they stand."""

    soak_id: int
    started: datetime
    findings: tuple[Finding, ...] = ()
    resumed: bool = False


@dataclass(frozen=True)
class State:
    """What the amp does is another now. Times are seconds since the soak's first scan."""

    t_s: float
    state: str


@dataclass(frozen=True)
class News:
    """A finding's life has gone on."""

    t_s: float
    what: What
    finding: Finding


@dataclass(frozen=True)
class Marked:
    """A line in the record; `noted` where soakbench itself wrote it."""

    t_s: float
    text: str
    noted: bool


@dataclass(frozen=True)
class Readings:
    """The newest whole second: means by channel in A, V or degC, nan where there is no reading."""

    t_s: float
    values: tuple[float, ...]


@dataclass(frozen=True)
class Ended:
    """The soak has ended, `how` as the store says it, with its verdict."""

    t_s: float
    how: str
    verdict: str


Stand = tuple[int, bool, bool]
"""A finding's severity as a rank, whether it is open, whether it was acknowledged."""
Told = Began | State | News | Marked | Readings | Ended


@dataclass(frozen=True)
class FeedState:
    """How a feed stands: `waiting` in its inbox, `sent` on, `dropped` for want of room or for good."""

    name: str
    stands: Stands
    says: str
    waiting: int
    sent: int
    dropped: int


class BackOff:
    """How long to wait before the next try: twice as long each time, and never all at one instant."""

    def __init__(self, rng: random.Random, first_s: float = 1.0, most_s: float = 60.0) -> None:
        self._rng = rng
        self._first_s = first_s
        self._most_s = most_s
        self._next_s = first_s

    def wait_s(self) -> float:
        """Return how long to wait now: half to all of a time that doubles up to `most_s`."""
        whole_s, self._next_s = self._next_s, min(self._most_s, 2.0 * self._next_s)
        return whole_s * self._rng.uniform(0.5, 1.0)

    def reset(self) -> None:
        """Begin anew, since it has worked."""
        self._next_s = self._first_s


class Inbox:
    """What a feed is given and what it says of itself; between the daemon's thread and the feed's."""

    def __init__(self, name: str, clock: Clock, room: int = ROOM) -> None:
        self.name = name
        self._clock = clock
        self._room = room
        # held for a few statements only, never while a feed works: `put` must not wait
        self._changed = threading.Condition()
        self._items: deque[Any] = deque()
        self._newest: Readings | None = None
        self._closed = False
        self._taken_s = clock.monotonic_s()
        self._stands: Stands = "starting"
        self._says = ""
        self._sent = 0
        self._dropped = 0

    def put(self, item: object) -> None:
        """Take in something; never waits, and counts what there is no room for."""
        with self._changed:
            if isinstance(item, Readings):
                self._newest = item
            elif len(self._items) >= self._room:
                self._dropped += 1
            else:
                if not self._items:
                    self._taken_s = self._clock.monotonic_s()
                self._items.append(item)
            self._changed.notify()

    def take(self, timeout_s: float = 0.0) -> list[Any]:
        """Return what has come, in order, the newest readings last; empty where nothing came in time."""
        with self._changed:
            if timeout_s > 0.0 and not (self._items or self._newest or self._closed):
                self._changed.wait(timeout_s)
            items = [*self._items, *([self._newest] if self._newest is not None else [])]
            self._items.clear()
            self._newest = None
            self._taken_s = self._clock.monotonic_s()
        return items

    def close(self) -> None:
        """Say that nothing more comes."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    @property
    def closed(self) -> bool:
        """Whether nothing more comes. What waits can still be taken."""
        return self._closed

    def wait_closed(self, timeout_s: float) -> bool:
        """Wait until it is closed, or for so long."""
        with self._changed:
            return self._changed.wait_for(lambda: self._closed, timeout_s)

    def stands(self, stands: Stands, says: str = "") -> None:
        """Have the Live page say how the feed stands; `says` must hold no secret."""
        with self._changed:
            self._stands, self._says = stands, says[:_LONGEST]

    def sent(self, count: int = 1) -> None:
        """Count what went out."""
        with self._changed:
            self._sent += count

    def dropped(self, count: int = 1) -> None:
        """Count what is given up."""
        with self._changed:
            self._dropped += count

    @property
    def state(self) -> FeedState:
        """How it stands just now."""
        with self._changed:
            stands, says = self._stands, self._says
            late_s = self._clock.monotonic_s() - self._taken_s
            if self._items and late_s > _HANGS_S and stands in ("starting", "working"):
                stands, says = "hanging", f"nothing has been taken on for {late_s:.0f} s"
            return FeedState(self.name, stands, says, len(self._items), self._sent, self._dropped)


class Feed:
    """One feed: `work` is given the inbox and returns once that is closed; whatever it raises is its own."""

    def __init__(
        self,
        name: str,
        work: Callable[[Inbox], None],
        clock: Clock,
        *,
        room: int = ROOM,
        rng: random.Random | None = None,
        first_s: float = 1.0,
    ) -> None:
        self.inbox = Inbox(name, clock, room)
        self._work = work
        self._back_off = BackOff(rng or random.Random(), first_s)
        # a daemon thread: one that hangs must not keep the program from ending
        self._thread = threading.Thread(target=self._run, name=f"feed {name}", daemon=True)

    def start(self) -> None:
        """Begin; returns at once."""
        self._thread.start()

    def join(self, timeout_s: float) -> bool:
        """Wait for its end, no longer than this; say whether it has ended."""
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        while True:
            try:
                self._work(self.inbox)
            except BaseException as error:
                # Of others' errors only the kind is told: the text may hold an address with its password.
                why = str(error) if isinstance(error, SoakbenchError) else type(error).__name__
            else:
                self.inbox.stands("ended")
                return
            if self.inbox.closed:
                self.inbox.stands("broken", f"it broke off at the end: {why}")
                return
            wait_s = self._back_off.wait_s()
            self.inbox.stands("broken", f"{why}; it is tried again")
            self.inbox.wait_closed(wait_s)


class Life:
    """Tells from findings as they stand what is new of them."""

    def __init__(self, known: Sequence[Finding] = ()) -> None:
        self._known = {one.id: stand(one) for one in known}

    @classmethod
    def of(cls, stands: Mapping[int, Stand]) -> Life:
        """Go on from how findings stood, by their ids."""
        life = cls()
        life._known = dict(stands)
        return life

    def news(self, finding: Finding) -> list[What]:
        """Return what has become of a finding since it was last seen, mostly nothing."""
        before, now = self._known.get(finding.id), stand(finding)
        if before == now:
            return []
        self._known[finding.id] = now
        if before is None and not now[1]:
            return ["opened", "cleared"]
        if before is None or (now[1] and (not before[1] or before[2] > now[2])):
            return ["opened"]  # for the first time, or anew: what was acknowledged is so no more
        out: list[What] = []
        if now[0] != before[0]:
            out.append("worsened" if now[0] > before[0] else "eased")
        if now[2] and not before[2]:
            out.append("acknowledged")
        if before[1] and not now[1]:
            out.append("cleared")
        return out

    def withdrawn(self, finding_id: int) -> None:
        """Forget a finding that never was."""
        self._known.pop(finding_id, None)


def stand(finding: Finding) -> Stand:
    """Return of a finding what makes news when it changes."""
    return finding.severity.rank, finding.open, finding.acknowledged_s is not None


class Feeds:
    """The daemon's hand on all feeds of a soak. Nothing in it waits, but `close` for a bounded time."""

    def __init__(self, feeds: Sequence[Feed] = ()) -> None:
        self._feeds = list(feeds)
        self._life = Life()
        self._findings: dict[int, Finding] = {}
        self._state = ""

    def start(self) -> None:
        """Have all begin."""
        for feed in self._feeds:
            feed.start()

    @property
    def states(self) -> list[FeedState]:
        """How each stands just now."""
        return [feed.inbox.state for feed in self._feeds]

    def began(
        self, soak_id: int, started: datetime, findings: Sequence[Finding] = (), *, resumed: bool = False
    ) -> None:
        """Say that a soak has begun, or is gone on with."""
        self._life = Life(findings)
        self._findings = {one.id: one for one in findings}
        self._put(Began(soak_id, started, tuple(findings), resumed))

    def output(self, output: Output) -> None:
        """Say what a block has brought: state, findings, its last whole second."""
        if not self._feeds:
            return
        if output.state != self._state:
            self._state = output.state
            self._put(State(output.t_s, output.state))
        for finding in output.findings:
            self._findings[finding.id] = finding
            for what in self._life.news(finding):
                self._put(News(output.t_s, what, finding))
        ticks = output.ticks
        if len(ticks):
            self._put(Readings(float(ticks.t_s[-1]), tuple(ticks.mean[-1].tolist())))

    def withdrawn(self, t_s: float, finding_id: int) -> None:
        """Say that a finding never was."""
        self._life.withdrawn(finding_id)
        finding = self._findings.pop(finding_id, None)
        if finding is not None:
            self._put(News(t_s, "withdrawn", finding))

    def marked(self, t_s: float, text: str) -> None:
        """Say that a line was written into the record."""
        noted = text.startswith(NOTED)
        self._put(Marked(t_s, text.removeprefix(NOTED), noted))

    def ended(self, t_s: float, how: str, verdict: str) -> None:
        """Say that the soak has ended."""
        self._put(Ended(t_s, how, verdict))

    def close(self, within_s: float = CLOSED_WITHIN_S) -> list[str]:
        """Let all end, no longer than this; return the names of those that did not."""
        for feed in self._feeds:
            feed.inbox.close()
        for feed in self._feeds:
            feed.join(within_s / len(self._feeds))
        return [feed.inbox.name for feed in self._feeds if not feed.join(0.0)]

    def _put(self, item: Told) -> None:
        for feed in self._feeds:
            feed.inbox.put(item)
