"""The daemon's wiring: link, pipeline and store in one process, with one writer.

Each block goes the same way: pipeline, scans, findings, how it stands now, commit when due. What the
daemon itself knows is only the host's clock (silence, commits, disk), what a person asks of it, and how a
soak ends.
"""

from __future__ import annotations

import ctypes
import math
import os
import signal
import sys
import threading
from collections import Counter, deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from types import FrameType
from typing import Any, Final, Literal, Protocol, TypeVar, cast

import numpy as np

from logger.blocks import DaqInfo, Mark, ScanBlock
from logger.calibrate import in_force, standing
from logger.clock import Clock, SystemClock
from logger.clockwatch import ClockWatch, Passage
from logger.convert import Calibration
from logger.cutout import CutOut, Said, was_tried
from logger.errors import LinkError, RequestError, StoreError
from logger.feeds.feed import Feeds
from logger.finding import Finding, Severity
from logger.link.lines import End, Flags
from logger.link.port import Connected, Disconnected, Event
from logger.pipeline import Output, Pipeline
from logger.precheck import (
    BYTES_A_SAMPLE,
    DISK_FLOOR_BYTES,
    DISK_LOW_BYTES,
    BeforePower,
    Check,
    Facts,
    Load,
    needed_bytes,
)
from logger.requests import NOTED, Ask, ask_of, pointed, text_of
from logger.resume import Resume, hole, left_open, other_board, replay, told
from logger.selfwatch import SLOW_COMMIT_S, SelfWatch
from logger.setup import Setup
from logger.store.now import NowFile, Told, told_of
from logger.store.reader import Reader, Soak, to_us
from logger.store.request import DAEMON_ENDED, Answer, Request
from logger.store.writer import Writer, disk_left_bytes, old_sqlite_warning
from logger.supervisor import Supervisor
from logger.units import duration
from logger.watch.alarms import Alarm, Alarms

T = TypeVar("T")
Say = Callable[[str], None]
Log = Callable[[str, str, Mapping[str, Any]], None]
"""What happened in a word, the sentence, and figures to it."""

SILENCE_S: Final = 5.0
SILENCE_SCANS: Final = 3
HT_OFF_ENDS_S: Final = 600.0
_LEAST_SILENCE_S: Final = 1.0  # of the host's time: under it a busy machine would look like a silent DAQ
_WAIT_S: Final = 0.2
_COMMIT_S: Final = 0.7  # so that with the commit's own time no more than a second can be lost
_SOURCE_LOST_S: Final = 60.0
_LOOK_AROUND_S: Final = 60.0
_END_TRIES: Final = 30
_BEGIN_TRIES: Final = 5
_CUT_BEFORE_S: Final = 2.0  # the plan's end is known to a second
_ASKED_S: Final = 0.2
_AT_ONE_INSTANT_S: Final = 0.2
_LOOKS_ONCE_HELD_UP: Final = 3
_ASKED_AGAIN_S: Final = 1.0  # after the store failed: each try may wait for its lock
_STORE_WAIT_S: Final = 0.1  # for a commit; then judging goes on meanwhile, long before a cut-out misses it
_STORE_LATE_S: Final = 5.0
_MMAP_THRESHOLD, _ARENAS = -3, -8  # of glibc's malloc.h
_LARGE_BYTES: Final = 8 * 1024
LONGEST_MARK: Final = 200
MARKS_A_SCAN: Final = 64
"""With the longest text of four bytes a letter they still fit into one line of a log."""


class Link(Protocol):
    """Where scans come from; `PortLink` is one."""

    @property
    def rejected(self) -> Mapping[str, int]:
        """What was rejected so far, by cause."""
        ...

    def start(self) -> None:
        """Begin; returns at once."""
        ...

    @property
    def waiting(self) -> int:
        """How many scans have come and were not taken yet."""
        ...

    def take(self, timeout_s: float) -> list[Event]:
        """Return what has come; raises LinkError where there is no going on."""
        ...

    def close(self) -> None:
        """End; what came before can still be taken."""
        ...


class Relay(Protocol):
    """The way to the DAQ's cut-out; `SerialLink` is one."""

    @property
    def flags(self) -> Flags:
        """What the newest scan's flags say."""
        ...

    def send(self, name: str, value: float | None = None) -> None:
        """Have a command sent; returns at once."""
        ...


@dataclass(kw_only=True)
class Daemon:
    """Measures, watches and stores one soak, from its first scan until it ends: `run` does it, once.

    It ends when `stop` is set or Ctrl-C or SIGTERM come ("stopped"), when the plan is over and HT has been
    off 10 minutes, or when the DAQ says that no more scans will come; with `until_plan_done` with the plan
    ("finished").

    It is measured by the store's newest calibration of the board that answers, and what the checks before
    power say is told and stored as soon as enough scans are there.

    What other processes ask of it through the store (`logger.store.asking`) is done meanwhile, or refused.
    """

    setup: Setup
    setup_text: str
    link: Link
    store_path: Path
    say: Say
    """Gets one sentence for a person at a time."""
    clock: Clock = field(default_factory=SystemClock)
    load: Load | Literal["not said"] | None = "not said"
    """What a person says is connected."""
    kind: str = "as left"
    """Or "as found"."""
    job_id: int | None = None
    """The job that the soak belongs to; with one, only a soak of that job is gone on with."""
    until_plan_done: bool = False
    speed: float = 1.0
    """How much faster than the host's clock recorded time runs, 0 for as fast as it goes: then silence is
    judged by the scans alone."""
    on_output: Callable[[Output], None] | None = None
    """Gets each output of the pipeline."""
    on_soak: Callable[[int], None] | None = None
    """Gets the soak's number as soon as there is one."""
    on_alarm: Callable[[Alarm | None], None] | None = None
    """Gets what should make a noise, after it was said (None: the cut-out calls)."""
    stop: threading.Event = field(default_factory=threading.Event)
    marks: Sequence[Mark] = ()
    """Known beforehand, in order of time (a demo's): each is kept, and heeded, with the last scan not later
    than it, at any speed the same."""
    relay: Relay | None = None
    """The way to the cut-out, where the set-up arms one. A heartbeat goes out only from where a scan has just
    been judged; when the soak ends the cut-out drops."""
    resume: Resume = "no"
    """With "may" a soak that a crash left without an end is gone on with, if it was begun with the same
    set-up and the same board and its last scan is no more than ten minutes old; with "must" however old it
    is, and RequestError is raised where there is none. It keeps its number, kind, calibration and checks:
    what is stored is replayed, and what is missing is its hole."""
    feeds: Feeds = field(default_factory=Feeds)
    """Told what is said and stored, last of all, and nothing of theirs comes back."""
    selfwatch: SelfWatch = field(default_factory=SelfWatch)
    """Filled in with how the daemon itself does."""
    supervisor: Supervisor | None = None
    """Told that it is up once the port is looked at, and that it still judges, from where a block was just
    judged or none waits."""
    log: Log | None = None
    """Given each sentence too, with what it is about in a word, and some that are not for the terminal."""

    _writer: Writer = field(init=False)

    def _begin_unheard(self) -> None:
        """Check that it can be done, and stand as before the first scan; the store is open already."""
        if self.setup.armed and self.relay is None:
            raise RequestError("the set-up arms a cut-out, and this link reaches none")
        self._cutout = CutOut(self.setup) if self.setup.armed and self.relay is not None else None
        self._checks: list[Check] = []
        self._before_power: BeforePower | None = None
        self._mute = False
        self._daq: DaqInfo | None = None
        self._pipeline: Pipeline | None = None
        self._soak_id: int | None = None
        self._first_us = 0
        self._utc: tuple[datetime, float] = self.clock.wall(), self.clock.monotonic_s()  # at one instant
        self._how: str | None = None
        self._t_s = 0.0
        self._plan_s = sum(step.seconds for step in self.setup.plan.steps)
        self._plan_ends_s: float | None = None
        self._told: dict[int, tuple[Severity, bool]] = {}
        self._sounded_s: dict[int, float] = {}  # of the soak, by finding: since when it waits for a word
        period_s = 1.0 / self.setup.link.scans_per_s
        silence_s = max(SILENCE_S, SILENCE_SCANS * period_s)
        self._hole_us = round(silence_s * 1e6)
        self._silence_s = max(silence_s / self.speed, _LEAST_SILENCE_S) if self.speed > 0 else None
        self._heard_s = self.clock.monotonic_s()
        self._silent = False
        self._clocks = self._new_clocks()
        self._looped_s = self._heard_s
        self._looks = 0  # at the link, before a silence counts
        self._ms: int | None = None  # the DAQ's counter at the last scan
        self._alarms = Alarms()  # of a silence
        self._committed_s = self._heard_s  # when the last commit was begun
        self._store_fails = False
        self._disk_level = 0
        self._looked_s = -_LOOK_AROUND_S
        self._asked_s = -math.inf
        self._last_us: int | None = None
        self._marks: list[Mark] = []  # the pipeline's, with the next block
        self._marked = 0  # marks at the last scan
        self._coming = deque(self.marks)
        self._left: Soak | None = None  # without an end, and to be gone on with
        self._rejected = 0
        self._now_file = NowFile(self._writer.path)
        self._shown: tuple[str, dict[str, Any] | None] | None = None
        self._shown_told = Told()
        self._passage = Passage()
        self._up = False
        self.selfwatch.silence_s = self._silence_s or silence_s
        self.selfwatch.came_by_s = self._heard_s
        self.selfwatch.cutout = "none" if self._cutout is None else "unknown"
        self.selfwatch.rejected = lambda: self.link.rejected
        self.selfwatch.waiting_scans = lambda: self.link.waiting
        self.selfwatch.held_scans = lambda: self._writer.held_scans
        self.selfwatch.lost_scans = lambda: self._writer.lost_scans
        self.selfwatch.disk_left_bytes = lambda: disk_left_bytes(self._writer.path)
        self.selfwatch.feeds = lambda: self.feeds.states

    def ask_to_stop(self) -> None:
        """Have the soak end cleanly after the block in hand."""
        self.stop.set()

    def run(self) -> int | None:
        """Do it all, and return the soak's number; None where it was stopped before the first scan.

        Raises DaemonRunning and StoreError where the store can't be used at the start or at the end,
        LinkError where the link can't go on (the soak is then closed as "broken off").
        """
        _give_back_what_is_large()
        with Writer(self.store_path, self.clock) as self._writer, _ended_by_signals(self.ask_to_stop):
            self._writer.on_commit = self._committed
            self._begin_unheard()  # once it is open: migrating it may take long, and is no silence
            return self._run()

    def _run(self) -> int | None:
        self._only_log(
            "start",
            f"soakbench {version('soakbench')} starts",
            amp=self.setup.amp.name,
            bench=self.setup.bench.name,
            store=str(self._writer.path),
            process=os.getpid(),
        )
        self._left = left_open(
            Reader(self._writer.path), self.setup, self.clock.wall(), self.resume, self.job_id
        )
        self._close_broken_off()
        self._writer.refuse_asked(DAEMON_ENDED)
        old = old_sqlite_warning()
        if old is not None:
            self._tell(old)
        self.link.start()
        self.feeds.start()
        try:
            return self._soaked()
        finally:
            for name in self.feeds.close():
                self._tell(f"the feed {name} did not end in time: what it had not sent yet may be lost")

    def _soaked(self) -> int | None:
        try:
            self._measure()
        except LinkError:
            if self._pipeline is not None:
                self._how = "broken off"
                self._end(self._pipeline)
            raise
        finally:
            self.link.close()
            self._now_file.close()
            self.selfwatch.doing = "ended"
        if self._pipeline is None:
            self._tell("stopped before the first scan: nothing was recorded", "end")
            if self._left is not None:
                self._tell(f"soak {self._left.id} can still be gone on with")
            self._refuse_rest(DAEMON_ENDED)
            return None
        self._end(self._pipeline)
        return self._soak_id

    def _measure(self) -> None:
        """Take what comes until something ends the soak; `_how` says what."""
        while self._how is None:
            self._look_around()
            self._look_for_requests()
            if self.stop.is_set():
                if self._cutout is not None and self._cutout.closed:
                    self._tell("stopping: the cut-out opens now, and with it the mains goes off")
                    self._do(self._cutout.stopping(self._pipeline.findings if self._pipeline else []))
                self._tell("stopping: the soak is closed and its verdict stored")
                self.link.close()
                while events := self.link.take(0.0):
                    self._take(events)
                self._how = self._how or "stopped"
                return
            events = self.link.take(_WAIT_S)
            self._say_up()
            if self._look_at_clocks():
                self._looks = _LOOKS_ONCE_HELD_UP
            self._take(events)
            if not events:
                self._came_by()
                self._looks -= 1
                if self._looks < 0:
                    self._watch_silence()
            self._commit_when_due()

    def _take(self, events: list[Event]) -> None:
        for event in events:
            if self._how is not None:
                return
            match event:
                case ScanBlock():
                    self._take_scans(event)
                case Connected():
                    self._daq = event.daq
                    again = "again " if event.again else ""
                    self._passage = Passage()
                    self._tell(
                        f"the DAQ {event.daq.board_id} answers {again}on {event.port}",
                        "connected",
                        board=event.daq.board_id,
                        port=event.port,
                        again=event.again,
                    )
                    if event.says:
                        self._tell(event.says)
                    if self._cutout is not None:
                        self._do(self._cutout.connected())
                case Disconnected():
                    self._tell(f"{event.why}; it is tried again until it answers", "disconnected")
                case End():
                    over = self.until_plan_done or (self._pipeline is not None and self._pipeline.plan_done)
                    self._tell(f"the DAQ says that no more scans will come ({event.reason})")
                    self._how = "finished" if over else "stopped"

    def _take_scans(self, block: ScanBlock) -> None:
        silent_s = self.clock.monotonic_s() - self._heard_s if self._silent else None
        self._heard_s = self.clock.monotonic_s()
        self._silent = False
        if self._pipeline is None:
            assert self._daq is not None  # a link says who answers before its first scan
            self._first_us = int(block.t_us[0])
            self._pipeline = self._go_on(self._daq, block) or self._begin(self._daq)
        block = replace(block, t_us=block.t_us - self._first_us)
        if silent_s is not None and int(block.t_us[0]) - (self._last_us or 0) <= self._hole_us:
            late = f"the next scan came {silent_s:.0f} s late"
            self._note_now(late) if self.speed == 1.0 else self._tell(late)
        for part in self._parts(block):
            self._look_at_counter(part)
            gap_us = self._gap_us(part)
            marks, self._marks = [*self._marks, *self._due(part)], []
            try:
                began_s = self.clock.monotonic_s()
                output = self._pipeline.feed(part, marks)
                self._judged(part, output, began_s, gap_us)
                self._hold_cutout(part, output, self._pipeline.findings)
            finally:
                # whatever the watching does, what was measured is kept
                self._writer.add_scans(part)
            self._last_us, self._marked = int(part.t_us[-1]), 0
            self._show(self._pipeline, part, output)
            self._put(output)
            if self._before_power is not None:
                self._take_checks(self._before_power.feed(part))
            self._commit_when_due()
            if self._is_over(self._pipeline):
                self._how = "finished"
                return

    def _new_clocks(self) -> ClockWatch:
        return ClockWatch() if self.speed == 1.0 else ClockWatch(math.inf)

    def _look_at_counter(self, block: ScanBlock) -> None:
        """Note where the DAQ's counter has started again, and how far its clock is from the computer's."""
        if block.ms is None:
            return
        if self._ms is not None and self._last_us is not None:
            steps_us = np.diff(block.t_us, prepend=self._last_us)
            again = np.flatnonzero(np.diff(block.ms, prepend=self._ms) % 2**32 * 1000 != steps_us)
            for row in again.tolist():
                self._note(
                    f"the DAQ was reset: no scans for about {duration(steps_us[row] / 1e6)}, by the "
                    "computer's clock",
                    int(block.t_us[row]),
                )
                self._clocks.reset()
                self._passage = Passage()
                if self._cutout is not None:
                    self._do(self._cutout.connected())
        self._ms = int(block.ms[-1])
        if self.speed == 1.0:
            for text in self._clocks.scan(float(block.t_us[-1]) / 1e6, self._heard_s):
                self._note(text, int(block.t_us[-1]))

    def _hold_cutout(self, block: ScanBlock, output: Output, findings: Sequence[Finding]) -> None:
        """Send the heartbeat for what was just judged, or have the cut-out opened; the store comes after."""
        if self._cutout is None or self.relay is None:
            return
        judged_s = self.clock.monotonic_s() * self.speed
        self._do(self._cutout.judged(block, findings, self.relay.flags, output.snapshot, judged_s), block)

    def _do(self, said: Said, block: ScanBlock | None = None) -> None:
        """Do what a look at the cut-out brought: orders first."""
        assert self.relay is not None
        for name, value in said.orders:
            self.relay.send(name, value)
        for text in said.marks:
            if block is None:
                self._tell(text, "cut-out")
            else:
                self._note(text, int(block.t_us[-1]))
        for text in said.says:
            self._tell(text, "cut-out")
        if said.check is not None:
            self._checks = [one for one in self._checks if one.check != said.check.check] + [said.check]
            self._tell(said.check.line, "check", check=said.check.check, result=said.check.result)
            self._writer.put_checks([one.json() for one in self._checks])
        if said.call:
            self._call(None)

    def _parts(self, block: ScanBlock) -> Iterator[ScanBlock]:
        """Cut a block where the plan may end, so that where a soak ends does not hang on the blocking."""
        while len(block):
            n = len(block)
            if self.until_plan_done:
                # before HT is on nobody knows when it ends, but surely not before it has run its time
                ends_s = self._plan_ends_s if self._plan_ends_s is not None else self._t_s + self._plan_s
                ends_us = (ends_s - _CUT_BEFORE_S) * 1e6
                if block.t_us[-1] >= ends_us:
                    n = max(1, int(np.searchsorted(block.t_us, ends_us)))
            yield block.part(0, n)
            block = block.part(n)

    def _due(self, block: ScanBlock) -> Iterator[Mark]:
        """Keep and give the marks known beforehand that are made before a block ends."""
        while self._coming and self._coming[0].t_us <= block.t_us[-1]:
            mark = self._coming.popleft()
            at = int(np.searchsorted(block.t_us, mark.t_us, side="right")) - 1
            before_us = 0 if self._last_us is None else self._last_us
            mark = Mark(int(block.t_us[at]) if at >= 0 else before_us, mark.text)
            self._writer.put_mark(mark)
            self.feeds.marked(mark.t_us / 1e6, mark.text)
            self._tell(f"mark at {mark.t_us / 1e6:.0f} s: {mark.text}", "mark")
            yield mark

    def _is_over(self, pipeline: Pipeline) -> bool:
        if not pipeline.plan_done:
            return False
        if self.until_plan_done:
            return True
        return pipeline.off_s >= HT_OFF_ENDS_S

    def _close_broken_off(self) -> None:
        for number in self._writer.close_broken_off(but=None if self._left is None else self._left.id):
            self._tell(f"soak {number} was left without an end and is now closed as broken off")

    def _go_on(self, daq: DaqInfo, block: ScanBlock) -> Pipeline | None:
        """Go on with the soak that was left without an end; None where this is not its board, or too late."""
        soak, self._left = self._left, None
        if soak is None:
            return None
        assert soak.last_t_us is not None
        reader = Reader(self._writer.path)
        last = reader.scans(soak.id, soak.last_t_us)
        period_us = round(1e6 / self.setup.link.scans_per_s)
        gap = hole(soak, int(last.sequence[-1]), block, self.clock.wall(), period_us)
        why = other_board(soak, daq)
        if why is None and self.resume == "may" and not gap.short:
            why = f"the last scan of soak {soak.id} is more than ten minutes old"
        if why is not None:
            if self.resume == "must":
                self._left = soak
                raise RequestError(f"{why}: plug in that DAQ, or begin a new soak with --new")
            self._tell(f"{why}: a new soak begins")
            self._close_broken_off()
            return None
        self._tell(f"going on with soak {soak.id}: replaying {duration(soak.last_t_us / 1e6)}", "soak")
        calibration = reader.calibration_of(soak)
        before_power = None
        if soak.checks is None:
            before_power = BeforePower(self.setup, daq, self._facts(soak.started, None), calibration)
        pipeline = Pipeline(self.setup, daq, calibration)
        self.selfwatch.doing, self.selfwatch.soak_id = "replaying", soak.id
        output, checks = replay(reader, soak, pipeline, before_power, self._came_by)
        self._patiently(lambda: self._writer.go_on(soak, pipeline.findings))
        self._before_power, self._soak_id = before_power, soak.id
        self._first_us = int(block.t_us[0]) - soak.last_t_us - gap.us
        self._last_us = soak.last_t_us
        resumed = soak.started + timedelta(microseconds=soak.last_t_us + gap.us)
        self._utc = resumed, self.clock.monotonic_s()
        while self._coming and self._coming[0].t_us <= soak.last_t_us:
            self._coming.popleft()
        if self.on_soak is not None:
            self.on_soak(soak.id)
        self._checks = [Check(**cast(dict[str, Any], one)) for one in soak.checks or []]
        if self._cutout is not None:
            # it has opened for want of a heartbeat, or is about to: only its push button closes it again
            self._cutout = CutOut(self.setup, tried=was_tried(self._checks))
        self._take_checks(checks)
        self._clocks = self._new_clocks()  # nobody was held up by the replay
        findings = self._findings_as_asked(pipeline, reader.marks(soak.id))
        self.feeds.began(soak.id, soak.started, findings, resumed=True)
        self._stand_again(output, findings)
        self._note(told(soak, gap), soak.last_t_us + gap.us)
        return pipeline

    def _stand_again(self, output: Output, findings: Sequence[Finding]) -> None:
        """Know again what was said and sounded before; call once for what is open and nobody has seen."""
        self._stands(output)
        for finding in findings:
            self._told[finding.id] = (finding.severity, finding.open)
            if finding.open and finding.acknowledged_s is None and finding.severity is not Severity.REMARK:
                self._sound(Alarm(finding, "reminder"))

    def _note(self, text: str, t_us: int) -> None:
        """Write into the record what no person said: a line at a scan, with the next block."""
        mark = Mark(t_us, NOTED + text)
        self._writer.put_mark(mark)
        self._marks.append(mark)
        self.feeds.marked(t_us / 1e6, mark.text)
        self._tell(text, "note")

    def _patiently(self, act: Callable[[], T]) -> T:
        """Do what needs the store, and try again for a while: scans wait in the link meanwhile."""
        for _ in range(_BEGIN_TRIES - 1):
            try:
                return act()
            except StoreError as error:
                self._tell(f"{error}: trying again")
                self.clock.sleep(1.0)
        return act()

    def _begin(self, daq: DaqInfo) -> Pipeline:
        started = self.clock.wall()
        self._utc = started, self.clock.monotonic_s()
        calibration, says, last_soak = self._patiently(lambda: self._opened(daq, started))
        self.selfwatch.soak_id = self._soak_id
        self._tell(f"soak {self._soak_id} has begun", "soak")
        if self.on_soak is not None and self._soak_id is not None:
            self.on_soak(self._soak_id)
        if self._soak_id is not None:
            self.feeds.began(self._soak_id, started)
        for sentence in [*says, *standing(self.setup, calibration, started)]:
            self._tell(sentence)
        self._before_power = BeforePower(self.setup, daq, self._facts(started, last_soak), calibration)
        return Pipeline(self.setup, daq, calibration)

    def _opened(
        self, daq: DaqInfo, started: datetime
    ) -> tuple[Calibration | None, list[str], datetime | None]:
        """Begin a soak in the store; return its calibration, what to say of it, when the last one began."""
        stored = self._writer.newest_calibration(daq.board_id)
        calibration, says = in_force(self.setup, daq, stored)
        last_soak = self._writer.last_started()
        self._soak_id = self._writer.begin_soak(
            setup=self.setup,
            setup_text=self.setup_text,
            daq=daq,
            started=started,
            kind=self.kind,
            job_id=self.job_id,
            calibration_id=None if calibration is None else calibration.id,
        )
        return calibration, says, last_soak

    def _facts(self, now: datetime, last_soak: datetime | None) -> Facts:
        """Return what the checks before power go by, apart from the scans."""
        return Facts(
            now=now,
            built=datetime.fromtimestamp(Path(__file__).stat().st_mtime, tz=UTC),
            disk_left_bytes=disk_left_bytes(self._writer.path),
            disk_needed_bytes=needed_bytes(self.setup),
            load=self.load,
            last_soak=last_soak,
        )

    def _sound(self, alarm: Alarm, silent_s: float = 0.0) -> None:
        """Call a person: once, and again until somebody says that it was seen."""
        finding = alarm.finding
        if alarm.why == "reminder":
            since_s = self._sounded_s.setdefault(finding.id, finding.raised_s)
            minutes = (self._t_s + silent_s - since_s) / 60.0
            self._tell(
                f"reminder, not acknowledged for {minutes:.0f} min: {finding.says}",
                "reminder",
                finding=finding.id,
            )
        else:
            self._sounded_s[finding.id] = self._t_s
        self._call(alarm)

    def _call(self, alarm: Alarm | None) -> None:
        if self.on_alarm is not None and not self._mute:
            try:
                self.on_alarm(alarm)
            except OSError:
                self._mute = True

    def _take_checks(self, found: list[Check] | None) -> None:
        """Say and store what the checks before power found, once they are made. Nothing ends for them."""
        if found is None:
            return
        self._before_power = None
        if self._cutout is not None and not any(one.check == "cut-out" for one in self._checks):
            found = [*found, self._cutout.not_tried()]
        for one in found:
            self._tell(one.line, "check", check=one.check, result=one.result)
        if any(one.result == "stop" for one in found):
            self._tell("STOP: don't switch HT on before that is mended; recording goes on meanwhile")
        self._checks += found
        self._writer.put_checks([one.json() for one in self._checks])

    def _put(self, output: Output) -> None:
        """Hand an output to the store, and to whoever looks on."""
        known = 0 if self._pipeline is None else len(self._pipeline.findings)
        for withdrawn in [number for number in self._told if number > known]:
            del self._told[withdrawn]
            self._sounded_s.pop(withdrawn, None)
            self._writer.drop_finding(withdrawn)
            self.feeds.withdrawn(output.t_s, withdrawn)
        for finding in output.findings:
            self._writer.put_finding(finding)
            news = (finding.severity, finding.open)
            if self._told.get(finding.id) != news:
                self._told[finding.id] = news
                what = finding.severity.value if finding.open else "cleared"
                self._tell(
                    f"{what}: {finding.says}",
                    "finding",
                    finding=finding.id,
                    kind=finding.kind.value,
                    severity=finding.severity.value,
                    open=finding.open,
                    channels=list(finding.channels),
                )
        self._stands(output)
        for alarm in output.alarms:
            self._sound(alarm)
        self.feeds.output(output)
        if self.on_output is not None:
            self.on_output(output)

    def _show(self, pipeline: Pipeline, block: ScanBlock, output: Output) -> None:
        """Write the newest scan where a screen at the bench looks several times a second."""
        cutout = None if self._cutout is None else self._cutout.shown()
        if cutout is not None:
            self.selfwatch.cutout = cutout["state"]
        if output.findings or (output.state, cutout) != self._shown:
            self._shown = output.state, cutout
            self._shown_told = told_of(output.state, pipeline.findings, cutout)
        assert self._soak_id is not None
        assert output.reading is not None  # there was a scan
        try:
            self._now_file.write(
                self._soak_id,
                int(block.sequence[-1]),
                int(block.t_us[-1]),
                to_us(self.clock.wall()),
                output.reading.tolist(),
                self._shown_told,
            )
        except OSError as error:
            self._tell(
                f"{self._now_file.path} can't be written ({error.strerror or error}): Bias shows nothing "
                "until soakbench run is started again"
            )

    def _stands(self, output: Output) -> None:
        """Keep how the soak stands; what screens show of it is worked out when it is stored."""

        def now() -> dict[str, Any]:
            cutout = {} if self._cutout is None else {"cutout": self._cutout.shown()}
            feeds = [asdict(one) for one in self.feeds.states]
            return {**output.now, **cutout, **({"feeds": feeds} if feeds else {})}

        self._writer.set_now(now)
        self._t_s, self._plan_ends_s = output.t_s, output.plan_ends_s

    def _look_for_requests(self) -> None:
        """Answer what a person has asked meanwhile; what can't be stored now is answered later."""
        now_s = self.clock.monotonic_s()
        if now_s - self._asked_s < _ASKED_S or self._store_fails or self._writer.committing:
            return
        self._asked_s = now_s
        try:
            asked = self._writer.asked()
            answers = [self._answer(request) for request in asked]
            if answers and self._writer.soak_id is None:
                self._answered(self._writer.answer(answers))
                return
        except StoreError:
            # Whoever asked is told if it lasts, and the next commit says it here.
            self._asked_s = now_s + _ASKED_AGAIN_S
            return
        if answers:
            self._commit(answers)

    def _answered(self, taken: Sequence[Answer]) -> None:
        """Do what was asked, now that the answers are stored."""
        for answer in taken:
            if answer.reason is not None:
                self._tell(f"refused: {_quoted(answer.request)}: {answer.reason}", "request", done=False)
                continue
            self._tell(f"asked for: {_quoted(answer.request)}", "request", done=True)
            if answer.t_us is not None:
                self._marks.append(Mark(answer.t_us, answer.mark))
                self.feeds.marked(answer.t_us / 1e6, answer.mark)
            if ask_of(answer.mark)[0] is Ask.STOP:
                self.ask_to_stop()
            elif self._cutout is not None and self._is_word_for_cutout(*ask_of(answer.mark)):
                self._cutout.acknowledge()

    def _is_word_for_cutout(self, ask: Ask, text: str) -> bool:
        """Whether a person acknowledges what opened the cut-out: a trip, or all there is, not any finding."""
        findings = [] if self._pipeline is None else self._pipeline.findings
        trips = {str(one.id) for one in findings if one.trip_waits}
        return ask is Ask.ACKNOWLEDGE and (not text or text in trips)

    def _answer(self, request: Request) -> Answer:
        """Decide on one request, as things stand at the last scan that was seen."""
        try:
            mark = text_of(Ask(request.ask), request.text)
        except ValueError:
            every = ", ".join(Ask)
            return Answer(request, self._last_us, f"nothing is called so: it must be one of {every}")
        except RequestError as error:
            return Answer(request, self._last_us, str(error))
        reason = self._against(*ask_of(mark))
        if reason is None:
            self._marked += 1
            return Answer(request, self._last_us, mark=mark)
        return Answer(request, self._last_us, reason)

    def _against(self, ask: Ask, text: str) -> str | None:
        """Return why something can't be done, None where it can."""
        if ask is Ask.STOP:
            return None
        if self._pipeline is None:
            return "no scan has come yet, so there is no soak that it could belong to"
        if len(text) > LONGEST_MARK:
            return f"a mark is a line of up to {LONGEST_MARK} letters, and this is longer"
        if self._marked >= MARKS_A_SCAN:
            return f"{MARKS_A_SCAN} marks stand at the last scan already: ask again once another has come"
        named_s, _ = pointed(text) if ask is Ask.MARK else (None, "")
        if named_s is not None and round(named_s * 1e6) > (self._last_us or 0):
            return "the mark names a time that has not come: a mark can be made of what was"
        if ask is not Ask.ACKNOWLEDGE:
            return None
        findings = self._pipeline.findings
        if not text:
            waits = self._cutout is not None and self._cutout.waits
            waits = waits or any(one.open or one.trip_waits for one in findings)
            return None if waits else "no finding is open"
        of_number = [one for one in findings if one.id == int(text)]
        if not of_number:
            return f"there is no finding {text}: this soak has {len(findings) or 'none'} so far"
        if not of_number[0].open and not of_number[0].trip_waits:
            return f"finding {text} is over, it was cleared at {of_number[0].cleared_s:.0f} s"
        return None

    def _look_at_clocks(self) -> bool:
        """Note what the computer's clocks have been through; say whether the daemon itself was held up.

        Then what waits in the link is taken first: nobody was silent while nobody listened.
        """
        began_s = self.clock.monotonic_s()
        wall, asleep_s = self.clock.wall(), self.clock.asleep_s()
        now_s = self.clock.monotonic_s()
        if now_s - began_s > _AT_ONE_INSTANT_S:
            return True
        for text in self._clocks.look(began_s, wall, asleep_s):
            self._note_now(text)
        held_up = now_s - self._looped_s > _LEAST_SILENCE_S
        self._looped_s = now_s
        return held_up

    def _note_now(self, text: str) -> None:
        """Note something at the last scan; before the first there is no record to note it in."""
        if self._last_us is None:
            self._tell(text)
        else:
            self._note(text, self._last_us)

    def _watch_silence(self) -> None:
        waited_s = self.clock.monotonic_s() - self._heard_s
        if self.until_plan_done and waited_s > _SOURCE_LOST_S:
            raise LinkError(
                f"no scan has come for {_SOURCE_LOST_S:.0f} s and the plan is not over: "
                "check whether the DAQ, or what plays it, still runs"
            )
        if self._pipeline is None or self._silence_s is None or waited_s <= self._silence_s:
            return
        if not self._silent:
            self._silent = True
            self._alarms = Alarms()
            self._put(self._pipeline.silence())
        # Meanwhile the soak's time stands still, and the pipeline with it: the host's clock reminds.
        for alarm in self._alarms.due(
            self._findings_as_asked(self._pipeline, self._marks), waited_s * self.speed
        ):
            if alarm.why == "reminder":
                self._sound(alarm, waited_s * self.speed)

    def _findings_as_asked(self, pipeline: Pipeline, marks: Sequence[Mark]) -> list[Finding]:
        """Return all findings, with those acknowledged that are in `marks`: the pipeline may not know yet."""
        second_us = (self._last_us or 0) // 1_000_000 * 1_000_000
        asked = (ask_of(mark.text) for mark in marks if mark.t_us >= second_us)
        seen = {text for ask, text in asked if ask is Ask.ACKNOWLEDGE}
        return [
            one.changed(acknowledged_s=self._t_s) if one.open and seen & {"", str(one.id)} else one
            for one in pipeline.findings
        ]

    def _commit_when_due(self) -> None:
        now_s = self.clock.monotonic_s()
        if self._writer.committing:
            self._take_commit(0.0)
            return
        early = self._writer.held_scans and now_s - self._committed_s >= _COMMIT_S and not self._store_fails
        if self._writer.commit_due() or early:
            self._commit()

    def _commit(self, answers: Sequence[Answer] = ()) -> None:
        """Have all that waits stored. A disk is waited for a little, but not while scans wait."""
        self._committed_s = self.clock.monotonic_s()
        self._writer.begin_commit(answers)
        self._take_commit(0.0 if self.link.waiting else _STORE_WAIT_S)

    def _take_commit(self, within_s: float) -> None:
        """Take in what came of a commit, if it is made by now."""
        now_s = self.clock.monotonic_s()
        try:
            taken = self._writer.committed(within_s)
        except StoreError as error:
            self.selfwatch.commit_failed(now_s)
            self._asked_s = now_s + _ASKED_AGAIN_S
            self._store_failed(str(error))
            return
        if taken is None:
            if now_s - self._committed_s > _STORE_LATE_S:
                self._store_failed(
                    f"the disk of {self._writer.path} has taken nothing for {_STORE_LATE_S:.0f} s"
                )
            return
        if self._store_fails:
            self._store_fails = False
            lost = self._writer.lost_scans
            held = f"all but the {lost} scans that there was no room for" if lost else "all that was held"
            self._tell(f"the store can be written again: {held} is in it", "store")
        self._answered(taken)

    def _store_failed(self, why: str) -> None:
        """Say once that nothing can be stored."""
        if not self._store_fails:
            self._store_fails = True
            self._tell(
                f"{why}: measuring goes on, and what is measured is held until it can be written", "store"
            )

    def _look_around(self) -> None:
        """Once a minute look at the disk and the line."""
        now_s = self.clock.monotonic_s()
        if now_s - self._looked_s < _LOOK_AROUND_S:
            return
        self._looked_s = now_s
        self._look_at_disk()
        rejected = sum(self.link.rejected.values())
        if rejected > self._rejected:
            self._rejected = rejected
            self._tell(
                f"the line from the DAQ is noisy: so far {_listed(self.link.rejected)} rejected",
                "rejected",
                rejected=dict(self.link.rejected),
            )
        slow, longest_s = self.selfwatch.slow_commits()
        if slow:
            commits = "1 commit" if slow == 1 else f"{slow} commits"
            self._only_log(
                "slow commits",
                f"the store is slow: {commits} took over {SLOW_COMMIT_S:g} s, the longest {longest_s:.1f} s",
                commits=slow,
                longest_s=round(longest_s, 3),
            )

    def _look_at_disk(self) -> None:
        left = disk_left_bytes(self._writer.path)
        rate = self.setup.link.scans_per_s * len(self.setup.channel) * BYTES_A_SAMPLE
        hours = left / rate / 3600.0
        level = 0
        if left < DISK_FLOOR_BYTES:
            level = 2
        elif left < DISK_LOW_BYTES or hours < 2.0 * self._plan_s / 3600.0:
            level = 1
        if level > self._disk_level:
            room = f"the disk of {self._writer.path} has {left / 1e6:.0f} MB left"
            if level == 2:
                says = f"{room}: make room now, or what is measured can soon not be stored any more"
            else:
                says = f"{room}, enough for about {hours:.0f} h of this soak: make room"
            self._tell(says, "disk", left_bytes=left)
        self._disk_level = level

    def _end(self, pipeline: Pipeline) -> None:
        """Close the last tick, store the verdict and how it ended."""
        self.selfwatch.doing = "ended"
        if self.supervisor is not None:
            self.supervisor.stopping(f"soak {self._soak_id} ends ({self._how})")
        if self._before_power is not None:
            self._take_checks(self._before_power.finish())
        self._put(pipeline.finish(self._marks))
        # not by the wall clock, which may have been set since
        begun, begun_s = self._utc
        ended = begun + timedelta(seconds=self.clock.monotonic_s() - begun_s)
        verdict = pipeline.verdict()
        assert self._how is not None
        for left in reversed(range(_END_TRIES)):
            try:
                self._writer.end_soak(ended=ended, how=self._how, verdict=verdict)
                break
            except StoreError as error:
                if left == 0:
                    raise
                if not self._store_fails:
                    self._store_fails = True
                    self._tell(f"{error}: trying again for a while")
                self.clock.sleep(1.0)
        self._now_file.close(remove=True)
        self.feeds.ended(self._t_s, self._how, str(verdict["soak"]["verdict"]))
        self._refuse_rest(f"soak {self._soak_id} has ended")
        clocks = self._clocks.summary()
        if clocks is not None:
            self._tell(clocks)
        if any(self.link.rejected.values()):
            self._tell(
                f"rejected on the line from the DAQ: {_listed(self.link.rejected)}",
                "rejected",
                rejected=dict(self.link.rejected),
            )
        self._tell(
            f"soak {self._soak_id} has ended ({self._how})",
            "end",
            how=self._how,
            verdict=verdict["soak"]["verdict"],
            scans=self.selfwatch.scans,
        )

    def _refuse_rest(self, reason: str) -> None:
        try:
            self._writer.refuse_asked(reason)
        except StoreError as error:
            # they see that nobody is left to ask, and take it back themselves
            self._tell(f"{error}: what was asked last was not answered")

    def _tell(self, text: str, event: str = "said", **more: Any) -> None:
        """Say a sentence to a person, and to the log with what it is about."""
        self._only_log(event, text, **more)
        if self._mute:
            return
        try:
            self.say(text)
        except OSError:
            # whoever listened has gone (a closed terminal): that must not end the measuring
            self._mute = True

    def _only_log(self, event: str, text: str, **more: Any) -> None:
        if self.log is not None:
            self.log(event, text, {"soak": self._soak_id, "t_s": self._t_s, **more})

    # ---- how the daemon itself does

    def _judged(self, block: ScanBlock, output: Output, began_s: float, gap_us: int) -> None:
        """Count a block that has just been judged, and say that the judging goes on."""
        now_s = self.clock.monotonic_s()
        late_s = self._passage.late_s(float(block.t_us[-1]) / 1e6, now_s * self.speed)
        self.selfwatch.judged(now_s, len(block), now_s - began_s, late_s, gap_us / 1e6)
        self.selfwatch.state = output.state
        if output.findings and self._pipeline is not None:
            still = Counter(one.severity.value for one in self._pipeline.findings if one.open)
            self.selfwatch.open_findings = {one.value: still[one.value] for one in Severity}
        self._came_by()

    def _gap_us(self, block: ScanBlock) -> int:
        """Return how long the holes before and within a block are, those that are findings."""
        if self._last_us is None:
            return 0
        steps_us = np.diff(block.t_us, prepend=self._last_us)
        return int(steps_us[steps_us > self._hole_us].sum())

    def _came_by(self) -> None:
        """Say from the judging thread that it goes on: a block was judged, or none waits."""
        now_s = self.clock.monotonic_s()
        self.selfwatch.came_by_s = now_s
        if self.supervisor is not None:
            self.supervisor.alive(now_s, lambda: self.selfwatch.says(now_s))

    def _say_up(self) -> None:
        """Say once that the port is looked at, whether or not anybody answers yet."""
        if self._up:
            return
        self._up = True
        if self.supervisor is not None:
            self.supervisor.ready(self.selfwatch.says(self.clock.monotonic_s()))
            if self.supervisor.fault is not None:
                self._tell(f"the service manager can't be told how it stands ({self.supervisor.fault})")

    def _committed(self, took_s: float) -> None:
        self.selfwatch.committed(self.clock.monotonic_s(), took_s)


def _give_back_what_is_large() -> None:
    """Have glibc return each large array to the system when it goes, in this process from now on.

    By itself it learns to keep room as large as the largest yet, and such room for each thread: over three
    days of soak 15 MB of arrays that are long gone.
    """
    if sys.platform == "linux":
        with suppress(AttributeError):  # another C library
            mallopt = ctypes.CDLL(None).mallopt
            mallopt(_MMAP_THRESHOLD, _LARGE_BYTES)
            mallopt(_ARENAS, 1)


@contextmanager
def _ended_by_signals(ask: Callable[[], None]) -> Iterator[None]:
    """Have the first Ctrl-C or SIGTERM ask for a clean end; a second one ends at once."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    names = ("SIGINT", "SIGTERM", "SIGBREAK")
    before = {
        number: signal.getsignal(number)
        for name in names
        if (number := getattr(signal, name, None)) is not None
    }

    def handle(number: int, _frame: FrameType | None) -> None:
        for each, handler in before.items():
            signal.signal(each, handler)
        ask()

    for number in before:
        signal.signal(number, handle)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _quoted(request: Request) -> str:
    """Return what was asked, whatever it is, as one line that a terminal can't take amiss."""
    whole = f"{request.ask} {request.text}".strip()
    shown = "".join(letter if letter.isprintable() else "?" for letter in whole)
    return f'"{shown if len(shown) <= 60 else shown[:57] + "..."}"'


def _listed(rejected: Mapping[str, int]) -> str:
    return ", ".join(f"{count} {cause}" for cause, count in rejected.items() if count)
