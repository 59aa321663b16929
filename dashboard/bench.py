"""What the dashboard sees of the bench: one look at the store, and how old it is.

Nothing here writes. A `Look` is a soak as it stands with its findings and the age of its last scan;
an `Absent` says why there is none and what to do. An ended soak can be looked at with another calibration
than it was measured by: it is then judged anew, in the background.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final, TypeVar

from dashboard.figures import Band, declared
from dashboard.series import Holes, Interval
from logger.blocks import Mark
from logger.clock import Clock
from logger.errors import RequestError, SoakbenchError, StoreError
from logger.finding import Finding, Kind, Severity
from logger.jobs import Job
from logger.store.reader import Reader, Soak

_T = TypeVar("_T")
IN_FORCE: Final = "in force"
"""The calibration that a soak was measured by."""
_KEPT: Final = 16
"""How many soaks judged anew are remembered."""


@dataclass(frozen=True)
class Absent:
    """Why there is nothing to show, and what to do about it; `lost`: what there was is not reached now."""

    title: str
    what_to_do: str
    command: str = ""
    lost: bool = False


@dataclass(frozen=True)
class Anew:
    """How far a soak is judged with another calibration: a share of it, then the document or what failed.

    `share` is from 0 to 1, `document` the `soakbench.judge/1` one.
    """

    share: float = 0.0
    document: Mapping[str, Any] | None = None
    failed: str = ""


@dataclass(frozen=True)
class Look:
    """A soak as it stands. `age_s`: how long ago its last scan came, None once it has ended.

    `calibration`: what it is looked at with, as for `judge_soak`. Where that is another than it was measured
    by, `anew` tells how far its judging is; the verdict and the findings are that one's once it is done,
    and `stored` is the verdict as measured.
    """

    soak: Soak
    findings: tuple[Finding, ...]
    age_s: float | None
    calibration: int | str = IN_FORCE
    anew: Anew | None = None
    stored: Mapping[str, Any] | None = None
    marks: tuple[Mark, ...] = ()

    @property
    def waiting(self) -> bool:
        """Whether its figures with the asked calibration are not there (yet)."""
        return self.anew is not None and self.anew.document is None

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

    def states(self) -> tuple[Band, ...]:
        """Return the stretches under signal and of setting bias; those of the verdict, else as it stands."""
        told = self.soak.verdict["soak"] if self.soak.verdict else self.soak.now or {}
        return declared(told.get("states", ()), self.now_s)


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


def finding_from(item: Mapping[str, Any]) -> Finding:
    """Read a finding of a `soakbench.judge/1` document."""
    return Finding(
        id=item["id"],
        kind=Kind(item["kind"]),
        channel=item["channel"],
        channels=tuple(item["channels"]),
        onset_s=item["onset_s"],
        raised_s=item["raised_s"],
        severity=Severity(item["severity"]),
        says=item["says"],
        advice=item.get("advice", ""),
        cleared_s=item["cleared_s"],
        under=item["under"],
        acknowledged_s=item.get("acknowledged_s"),
    )


class Seen:
    """How long ago the newest scan came, by when it was seen first. Any thread may ask.

    The device's clock and the host's drift apart by seconds a day, and a demo runs faster than either. So a
    new scan is dated by when it was seen, and the clocks only say where between the last look and this one
    it came.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._key: object = None
        self._at_s = 0.0  # when that scan is taken to have come, on the monotonic clock
        self._looked_at_s: float | None = None

    def age_s(self, key: object, by_clocks_s: float) -> float:
        """Return the age of the scan with this key, which is this old by the clocks."""
        with self._lock:
            now_s = self._clock.monotonic_s()
            if key != self._key:
                unseen_s = math.inf if self._looked_at_s is None else now_s - self._looked_at_s
                self._key = key
                self._at_s = now_s - min(max(by_clocks_s, 0.0), unseen_s)
            self._looked_at_s = now_s
            return now_s - self._at_s


class Bench:
    """Looks at one store, read-only; remembers when it last saw something new, and what it judged anew."""

    def __init__(self, store_path: Path | str, clock: Clock) -> None:
        self.reader = Reader(store_path)
        self._clock = clock
        self._lock = threading.Lock()
        self._seen = Seen(clock)
        self._lost_since: tuple[float, datetime] | None = None
        self._anew: dict[tuple[str, int | str], Anew] = {}
        self._judging = threading.Lock()

    def read(self, fetch: Callable[[Reader], _T], nothing: Absent) -> _T | Absent:
        """Return what `fetch` reads; `nothing` where there is no store, or none such in it."""
        try:
            found = fetch(self.reader)
        except RequestError:
            return nothing
        except StoreError as error:
            return nothing if not self.reader.exists() else self._not_reached(error)
        self._lost_since = None
        return found

    def judged(self, job: Job) -> tuple[Job, list[str]]:
        """Judge in the background what a crash broke off of a job's soaks; also say what is not done yet."""
        soaks, waits = [], []
        for one in job.soaks:
            if one.unjudged:
                anew = self._judged_anew(self.reader.soak(one.id), IN_FORCE)
                if anew.document is not None:
                    one = one.with_verdict(anew.document)
                elif anew.failed:
                    waits.append(f"Soak {one.id}, {one.how}, can't be judged: {anew.failed}.")
                else:
                    done = math.floor(anew.share * 100.0)
                    waits.append(f"Judging soak {one.id} as far as it was seen: {done} %")
            soaks.append(one)
        return replace(job, soaks=tuple(soaks)), waits

    def look(self, which: int | str = "last", calibration: int | str | None = IN_FORCE) -> Look | Absent:
        """Return the soak as it stands now, or why there is none.

        `calibration`: a number or "none" has an ended soak judged anew; anything else means the one it was
        measured by, as which a running soak is always seen.
        """
        try:
            soak, all_findings, all_marks = self.reader.standing(which)
        except RequestError:
            return self._without_soak(which)
        except StoreError as error:
            if not self.reader.exists():
                return self._without_soak("last")
            return self._not_reached(error)
        self._lost_since = None
        findings, marks = tuple(all_findings), tuple(all_marks)
        age_s = self._age_s(soak) if soak.ended is None else None
        other = isinstance(calibration, int) or calibration == "none"
        if calibration is None or not other or soak.ended is None or soak.last_t_us is None:
            self._forget_failed(soak.uuid)
            return Look(soak, findings, age_s, marks=marks)
        anew = self._judged_anew(soak, calibration)
        if anew.document is None:
            return Look(soak, findings, age_s, calibration, anew, soak.verdict, marks)
        return Look(
            replace(soak, verdict=dict(anew.document)),
            tuple(finding_from(item) for item in anew.document["findings"]),
            age_s,
            calibration,
            anew,
            soak.verdict,
            marks,
        )

    def _judged_anew(self, soak: Soak, calibration: int | str) -> Anew:
        """Return how far it is, and begin where nobody has."""
        key = (soak.uuid, calibration)
        with self._lock:
            known = self._anew.get(key)
            if known is not None:
                return known
            while len(self._anew) >= _KEPT:
                del self._anew[next(iter(self._anew))]
            begun = self._anew[key] = Anew()
        threading.Thread(target=self._judge_anew, args=(soak, calibration), daemon=True).start()
        return begun

    def _forget_failed(self, uuid: str) -> None:
        """Let what failed be tried again, once somebody has looked at the soak as it was measured."""
        with self._lock:
            for key in [key for key, anew in self._anew.items() if anew.failed and key[0] == uuid]:
                del self._anew[key]

    def _judge_anew(self, soak: Soak, calibration: int | str) -> None:
        from logger.judge import judge_soak  # slow to import, and seldom needed

        last_s = max((soak.last_t_us or 0) / 1e6, 1.0)

        def stands(now: Anew) -> None:
            with self._lock:
                self._anew[soak.uuid, calibration] = now

        try:
            with self._judging:  # one at a time: a bench may be measuring on this machine
                document = judge_soak(
                    self.reader, soak.id, lambda t_s: stands(Anew(min(t_s / last_s, 1.0))), calibration
                )
        except SoakbenchError as error:
            stands(Anew(failed=str(error)))
        except Exception:
            stands(Anew(failed="a fault in soakbench, told in the terminal it was started from"))
            raise
        else:
            stands(Anew(1.0, document))

    def _age_s(self, soak: Soak) -> float | None:
        """Return how long ago the last scan came."""
        if soak.last_t_us is None:
            return None
        by_clocks_s = (self._clock.wall() - soak.started).total_seconds() - soak.last_t_us / 1e6
        return self._seen.age_s((soak.uuid, soak.last_t_us), by_clocks_s)

    def _without_soak(self, which: int | str) -> Absent:
        self._lost_since = None
        if which == "last":
            return Absent(
                "No soak yet",
                f"This page shows a soak as soon as one begins in the store {self.reader.name}. "
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
            lost=True,
        )
