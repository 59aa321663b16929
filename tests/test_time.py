"""Time is the DAQ's: whatever the computer and its clocks go through, each scan has its time, once."""

from __future__ import annotations

import contextlib
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_daemon import DAQ, SETUP, GivenLink, Run
from test_link import scans_at
from test_resume import U32, crash, findings, run, sent

from logger.blocks import ScanBlock
from logger.clock import ManualClock, SystemClock
from logger.clockwatch import ClockWatch
from logger.finding import Kind
from logger.judge import judge_soak
from logger.link.frames import Cause
from logger.link.lines import ScanClock
from logger.pipeline import Pipeline
from logger.setup import parse
from logger.store.reader import Reader


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "soak.db"


# --- the DAQ's counter ---------------------------------------------------------------------------------


class Board:
    """A DAQ of 10 scans a second with a true time beside its counters, and a host that hears it late."""

    def __init__(self, sequence: int, ms: int) -> None:
        self.now_ms = 0
        self.sequence, self.ms = sequence, ms
        self.clock = ScanClock(0.1)
        self.waiting: list[tuple[int, int, int]] = []  # sequence, ms, true ms
        self.truth: list[int] = []
        self.got: list[int] = []
        self.lost = 0
        self.exact = True

    def scan(self, n: int) -> None:
        for _ in range(n):
            self.waiting.append((self.sequence % U32, self.ms % U32, self.now_ms))
            self.pass_by(100)

    def pass_by(self, ms: int) -> None:
        self.now_ms += ms
        self.ms += ms
        self.sequence += ms // 100

    def heard(self) -> None:
        """The host reads all that waits, now."""
        if self.waiting:
            block = self.clock.take(scans_at([(s, ms) for s, ms, _ in self.waiting]), self.now_ms / 1e3)
            by_place = {(s, ms): true for s, ms, true in self.waiting}
            assert block.ms is not None
            places = zip(block.sequence.tolist(), block.ms.tolist(), strict=True)
            self.truth += [by_place[place] for place in places]
            self.got += block.t_us.tolist()
        self.waiting.clear()

    def reset(self, boots_ms: int, *, banner: bool) -> None:
        self.heard()
        self.now_ms += boots_ms
        self.sequence, self.ms = 0, boots_ms
        if banner:
            self.clock.may_have_restarted()


STEP = st.one_of(
    st.tuples(st.just("scan"), st.integers(1, 30)),
    st.tuples(st.just("lose"), st.integers(1, 3000)),  # cable out: what it sends goes nowhere
    st.tuples(st.just("stall"), st.integers(1, 300)),  # the host stands still, then gets all at once
    st.tuples(st.just("reset heard"), st.integers(1, 20)),
    st.tuples(st.just("reset unheard"), st.integers(1, 20)),
)


@given(st.lists(STEP, min_size=1, max_size=25), st.integers(0, U32 - 1), st.integers(0, U32 - 1))
@settings(max_examples=200, deadline=None)
def test_any_order_of_stalls_losses_wraps_and_resets_gives_each_scan_its_time_once(
    steps: list[tuple[str, int]], sequence: int, ms: int
) -> None:
    board = Board(sequence, ms)
    resets = scans = 0
    for what, n in [("scan", 5), *steps, ("scan", 10)]:
        match what:
            case "scan":
                for _ in range(n):
                    board.scan(1)
                    board.heard()
                scans += n
            case "stall":
                board.scan(n)
                board.heard()
                scans += n
            case "lose":
                board.pass_by(100 * n)
                board.clock.may_have_restarted()  # the port was opened anew
            case _:
                if board.sequence % U32 <= 40:
                    continue  # a board that was up for less than the host needs to notice
                resets += 1
                board.reset(100 * n, banner=what == "reset heard")
                board.scan(4)
                board.heard()
                scans += 4
    got, truth = np.array(board.got), np.array(board.truth) * 1000
    assert (np.diff(got) > 0).all()
    rejected = sum(board.clock.rejected.values())
    assert len(got) + rejected == scans
    assert rejected <= 2 * resets
    assert set(board.clock.rejected) <= {Cause.OUT_OF_ORDER}
    # exact by the counter; within what the host can know (a read) where the board was reset
    assert np.abs(np.diff(got) - np.diff(truth)).max() <= (500_000 if resets else 0)


@pytest.mark.parametrize("counter", ["sequence", "ms", "both"])
@pytest.mark.parametrize("size", [1, 3, 10])
def test_a_wrap_in_the_middle_of_a_block_and_while_the_cable_is_out(counter: str, size: int) -> None:
    first = (U32 - 7 if counter != "ms" else 50, U32 - 700 if counter != "sequence" else 5000)
    for lost in (0, 4, 400):
        clock, got = ScanClock(0.1), []
        kept = [i for i in range(20) if i < 6] + [i + lost for i in range(6, 20)]
        for at in range(0, 20, size):
            places = [(first[0] + i, first[1] + 100 * i) for i in kept[at : at + size]]
            got += clock.take(scans_at(places), 0.0).t_us.tolist()
        assert got == [100_000 * i for i in kept]
        assert not clock.rejected


def test_one_false_scan_among_garbled_lines_does_not_move_time() -> None:
    clock = ScanClock(0.1)
    clock.take(scans_at([(i, 100 * i) for i in range(10)]), 1.0)
    assert len(clock.take(scans_at([(2**30, 3 * 2**28)]), 1.1)) == 0
    assert clock.take(scans_at([(10, 1000), (11, 1100)]), 1.2).t_us.tolist() == [1_000_000, 1_100_000]
    assert dict(clock.rejected) == {Cause.OUT_OF_ORDER: 1}


def test_a_board_reset_while_the_host_stood_still_has_been_away_for_as_long_as_it_has_been_up() -> None:
    clock = ScanClock(0.1)
    clock.take(scans_at([(500, 50_000)]), 50.0)
    clock.take(scans_at([(501 + i, 50_100 + 100 * i) for i in range(20)]), 62.0)  # a burst after 12 s
    clock.may_have_restarted()
    block = clock.take(scans_at([(0, 8_000)]), 62.1)
    assert block.t_us.tolist() == [2_000_000 + 8_000_000]


# --- the computer's clocks -----------------------------------------------------------------------------


def watched(clock: ManualClock, watch: ClockWatch, seconds: float, slew: float = 0.0) -> list[str]:
    """Look five times a second, as the daemon does; what is said meanwhile."""
    said = []
    for _ in range(round(seconds * 5)):
        clock.advance(0.2)
        clock.set_wall(0.2 * slew)
        said += watch.look(clock.monotonic_s(), clock.wall(), clock.asleep_s())
    return said


@pytest.mark.parametrize(
    ("by_s", "said"),
    [
        (3600.0, ["the computer's clock was set forward by 3600 s"]),
        (-3600.0, ["the computer's clock was set back by 3600 s"]),
        (0.6, []),
        (-0.6, []),
    ],
)
def test_a_step_of_the_wall_clock_is_said_once_and_ntp_is_not(by_s: float, said: list[str]) -> None:
    clock, watch = ManualClock(), ClockWatch()
    assert watched(clock, watch, 60.0, slew=500e-6) == []
    clock.set_wall(by_s)
    assert watched(clock, watch, 60.0, slew=-500e-6) == said


@pytest.mark.parametrize(
    ("counts_sleep", "said"),
    [
        (True, ["the computer slept for 12 min"]),
        (False, ["the computer's clock was set forward by 720 s, or it slept for so long"]),
    ],
)
def test_sleep_is_told_from_a_step_where_the_system_can_tell(counts_sleep: bool, said: list[str]) -> None:
    clock, watch = ManualClock(counts_sleep=counts_sleep), ClockWatch()
    watched(clock, watch, 10.0)
    clock.suspend(720.0)
    assert watched(clock, watch, 10.0) == said


def test_being_held_up_is_said() -> None:
    clock, watch = ManualClock(), ClockWatch()
    watched(clock, watch, 10.0)
    clock.advance(10.0)
    assert watched(clock, watch, 10.0) == ["held up for 10 s; scans keep the DAQ's times"]


def test_the_machines_clock_counts_sleep_where_linux_does() -> None:
    clock = SystemClock()
    one = clock.monotonic_s()
    assert clock.monotonic_s() >= one
    asleep = clock.asleep_s()
    assert asleep is None or asleep > -0.1


@pytest.mark.parametrize("ppm", [-80.0, 0.0, 35.0, 900.0])
def test_the_daqs_rate_against_the_computers_is_measured_through_any_lateness(ppm: float) -> None:
    rng, watch = np.random.default_rng(5), ClockWatch()
    for n in range(36_000):  # an hour
        late_s = 0.004 * rng.random() + (0.5 * rng.random() if rng.random() < 0.2 else 0.0)
        assert watch.scan(n * 0.1 * (1 + ppm * 1e-6), 1000.0 + n * 0.1 + late_s) == []
    assert watch.ppm == pytest.approx(ppm, abs=2.0)  # 4 ms in an hour are 1 ppm
    said = watch.summary()
    assert said is not None
    assert "against the computer's, give or take 15, over 5" in said


def test_a_daq_whose_clock_is_far_off_is_said_once() -> None:
    watch = ClockWatch()
    said = [text for n in range(36_000) for text in watch.scan(n * 0.1 * 0.99, n * 0.1)]
    assert len(said) == 1
    assert said[0].startswith("the DAQ's clock runs 10000 ppm slow against the computer's: its milliseconds")


# --- the daemon ----------------------------------------------------------------------------------------


def live(store: Path, clock: ManualClock, events: list[Any], **options: Any) -> list[str]:
    """Run a daemon; return what it noted in the record."""
    run(store, events, clock=clock, **options)
    reader = Reader(store)
    verdict = reader.soak(1).verdict
    if verdict is not None:
        assert judge_soak(reader, 1) == verdict
        assert findings(store) == replayed(store)
    return [mark.text.removeprefix("soakbench: ") for mark in reader.marks(1)]


def replayed(store: Path) -> list[Any]:
    pipeline = Pipeline(parse(SETUP), DAQ)
    for block, marks in Reader(store).replay(1):
        pipeline.feed(block, marks)
    pipeline.finish()
    return pipeline.findings


class Line:
    """What a link gives, on one clock: scans as they come, 2 s a block, or later."""

    def __init__(self, clock: ManualClock) -> None:
        self.clock = clock
        self.number = 0
        self.t_us = 0
        self.shift = 0

    def seconds(self, n: int) -> list[Any]:
        """So many seconds of scans as they come."""
        return [event for _ in range(n) for event in (self._passing(1.0), self._block(10))]

    def late(self, n: int) -> list[Any]:
        """So many seconds of scans at once."""
        return [self._block(10 * n)]

    def skip(self, seconds: int) -> None:
        """Scans that are lost."""
        self.number += 10 * seconds
        self.t_us += seconds * 1_000_000

    def reset(self, away_s: float) -> None:
        self.t_us += round(away_s * 1e6) - 100_000
        self.number, self.shift = 0, self.number

    def _passing(self, seconds: float) -> Any:
        return lambda: self.clock.advance(seconds)

    def _block(self, scans: int) -> ScanBlock:
        block = sent(self.number, self.number + scans, boot=self.shift)
        block = ScanBlock(block.t_us + self.t_us, block.sequence, block.counts, block.ms)
        self.number += scans
        self.t_us += 100_000 * scans
        return block


def test_a_host_that_stood_still_and_then_gets_all_at_once_has_no_gap(store: Path) -> None:
    """A process stopped for 10 s, and what it finds first is an empty queue."""
    clock = ManualClock()
    line = Line(clock)
    events = [*line.seconds(10), lambda: clock.advance(10.0), lambda: None, *line.late(10), *line.seconds(5)]
    assert live(store, clock, events) == ["held up for 10 s; scans keep the DAQ's times"]
    scans = Reader(store).scans(1)
    assert (np.diff(scans.t_us) == 100_000).all()
    assert len(scans) == 250
    assert findings(store) == []


def test_scans_that_only_come_late_are_no_gap_in_the_end(store: Path) -> None:
    """A board, or what is between, holds its scans back for 8 s: said while it lasts, then withdrawn."""
    clock = ManualClock()
    line = Line(clock)
    quiet = [lambda: clock.advance(1.0)] * 8
    events = [*line.seconds(10), *quiet, *line.late(9), *line.seconds(20)]
    one = Run(store, GivenLink(events), clock=clock)
    one()
    assert [f.kind for out in one.outputs for f in out.findings if f.open] == [Kind.GAP]
    assert findings(store) == replayed(store) == []
    assert [mark.text for mark in Reader(store).marks(1)] == ["soakbench: the next scan came 8 s late"]
    assert len(Reader(store).scans(1)) == 390


def test_a_gap_that_comes_back_late_is_as_it_was_before(store: Path) -> None:
    """A real gap, then within ten minutes a silence that is none: the first one's times stay."""
    clock = ManualClock()
    line = Line(clock)
    events = line.seconds(10)
    line.skip(20)
    events += [*[lambda: clock.advance(1.0)] * 20, *line.seconds(10)]
    events += [*[lambda: clock.advance(1.0)] * 8, *line.late(9), *line.seconds(5)]
    assert live(store, clock, events) == ["the next scan came 8 s late"]
    (gap,) = findings(store)
    assert (gap.onset_s, gap.cleared_s) == (9.9, 30.0)


@pytest.mark.parametrize("by_s", [3600.0, -3600.0])
def test_a_clock_that_is_set_is_in_the_record_and_moves_no_time(store: Path, by_s: float) -> None:
    clock = ManualClock()
    line = Line(clock)
    events = [*line.seconds(30), lambda: clock.set_wall(by_s), *line.seconds(30)]
    where = "forward" if by_s > 0 else "back"
    assert live(store, clock, events) == [f"the computer's clock was set {where} by 3600 s"]
    reader = Reader(store)
    soak = reader.soak(1)
    assert (np.diff(reader.scans(1).t_us) == 100_000).all()
    assert findings(store) == []
    assert soak.ended == soak.started + timedelta(seconds=59.0)  # from the first block, which holds 1 s


@pytest.mark.parametrize("counts_sleep", [True, False])
def test_a_computer_that_slept_says_so_and_the_gap_is_as_long(store: Path, counts_sleep: bool) -> None:
    """The board went on without it: its counter tells how long."""
    clock = ManualClock(counts_sleep=counts_sleep)
    line = Line(clock)
    events = [*line.seconds(30), lambda: clock.suspend(720.0)]
    line.skip(720)
    events += line.seconds(30)
    (said,) = live(store, clock, events)
    assert said.startswith(
        "the computer slept for 12 min" if counts_sleep else "the computer's clock was set"
    )
    (gap,) = findings(store)
    assert (gap.kind, gap.onset_s, gap.cleared_s) == (Kind.GAP, 29.9, 750.0)
    verdict = Reader(store).soak(1).verdict
    assert verdict is not None
    assert verdict["soak"]["scans_missing"] == 7200


def test_a_board_that_was_reset_is_in_the_record_also_where_the_hole_is_short(store: Path) -> None:
    clock = ManualClock()
    line = Line(clock)
    events = line.seconds(30)
    line.reset(2.5)
    events += [lambda: clock.advance(1.0)] * 2 + line.seconds(30)
    line.reset(40.0)
    events += [lambda: clock.advance(1.0)] * 40 + line.seconds(30)
    said = live(store, clock, events)
    assert said == [
        "the DAQ was reset: no scans for about 3 s, by the computer's clock",
        "the DAQ was reset: no scans for about 40 s, by the computer's clock",
    ]
    assert [(f.kind, f.cleared_s) for f in findings(store)] == [(Kind.GAP, pytest.approx(102.3))]


def test_the_rate_of_the_daqs_clock_is_told_at_the_end(store: Path) -> None:
    clock = ManualClock()
    line = Line(clock)
    one = Run(store, GivenLink(line.seconds(900)), clock=clock)
    one()
    assert any(text.startswith("the DAQ's clock runs 0 ppm ") for text in one.said)


def test_what_was_noted_before_a_crash_is_there_after_it(store: Path) -> None:
    clock = ManualClock()
    line = Line(clock)
    events = [*line.seconds(30), lambda: clock.set_wall(50.0), *line.seconds(5), crash]
    with contextlib.suppress(StopIteration):
        live(store, clock, events)
    again = Line(clock)
    again.number = line.number
    clock.advance(3.0)
    again.number += 30
    said = live(store, clock, again.seconds(30), resume="may")
    assert said == [
        "the computer's clock was set forward by 50 s",
        "started again, no scans for 3.1 s",
    ]
