"""The daemon with a DAQ on a real pseudo-terminal and a store on disk: what ends a soak, what must not."""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import random
import signal
import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tiny_daq import Row, TinyDaq, board

from logger import daemon
from logger.blocks import NO_READING, DaqInfo, Mark, ScanBlock
from logger.calibrate import wirings
from logger.clock import ManualClock
from logger.convert import Calibration
from logger.errors import DaemonRunning, LinkError, StoreError
from logger.finding import Kind
from logger.judge import judge_soak
from logger.link.lines import End
from logger.link.port import Connected, Event, SerialLink
from logger.pipeline import Output, Pipeline
from logger.precheck import Load
from logger.resume import Resume
from logger.selfwatch import SelfWatch
from logger.setup import Calibrated, Setup, parse
from logger.store.reader import Reader
from logger.store.sqlite import write_lock
from logger.store.writer import Writer

SETUP = """
schema = "soakbench.setup/1"
[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
scans_per_s = 10
[plan]
steps = [{step = "warm-up", minutes = 1}, {step = "soak", minutes = 2}]
[[channel]]
name = "pair1"
measures = "pair current"
sense_ohm = 1.0
[[channel]]
name = "pair2"
measures = "pair current"
sense_ohm = 1.0
[[channel]]
name = "ht"
measures = "HT"
divider_ohm = [1_000_000, 470]
"""
DAQ = board(3)
PLAN_S = 180
HT_ON_S = 3


def idle(sequence: int) -> Row:
    """76 mA a pair and 455 V, from 3 s on; a little noise that any scan can be known by."""
    if sequence < 10 * HT_ON_S:
        return [sequence % 3, sequence % 5, 0]
    return [9769 + sequence % 11, 9775 + sequence % 7, 27360 + sequence % 3]


def off_after(seconds: float) -> Callable[[int], Row]:
    return lambda sequence: idle(sequence) if sequence < 10 * seconds else [1, 0, 2]


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "soak.db"


@pytest.fixture
def port(tmp_path: Path) -> Path:
    return tmp_path / "daq"


class Run:
    """A daemon in this process, and what it said."""

    def __init__(self, store: Path, link: daemon.Link, setup_text: str = SETUP, **options: Any) -> None:
        self.said: list[str] = []
        self.outputs: list[Output] = []
        self.scans = 0
        self.stop = threading.Event()
        self._each: list[Callable[[], object]] = []
        self._arguments: dict[str, Any] = {
            "setup": parse(setup_text),
            "setup_text": setup_text,
            "link": link,
            "store_path": store,
            "say": self.said.append,
            "stop": self.stop,
            "on_output": self._output,
            **options,
        }

    def each(self, act: Callable[[], object]) -> None:
        """Have something done at each output."""
        self._each.append(act)

    def hear(self, act: Callable[[str], object]) -> None:
        """Have something done at each sentence."""
        self._arguments["say"] = lambda text: (self.said.append(text), act(text))

    def __call__(self) -> int | None:
        return daemon.Daemon(**self._arguments).run()

    def _output(self, output: Output) -> None:
        self.outputs.append(output)
        for act in self._each:
            act()

    @property
    def t_s(self) -> float:
        return self.outputs[-1].t_s if self.outputs else 0.0


def serial_link(daq: TinyDaq) -> SerialLink:
    return SerialLink(daq.port, channels=3, scans_per_s=10, speed=daq.speed)


def wanted(daq: TinyDaq) -> list[list[int]]:
    return [[NO_READING if c is None else c for c in row] for _, _, _, row in daq.sent]


def gaps(reader: Reader, soak_id: int) -> list[Any]:
    return [finding for finding in reader.findings(soak_id) if finding.kind is Kind.GAP]


def test_a_soak_is_stored_from_its_first_scan_to_the_plans_end(store: Path, port: Path) -> None:
    with TinyDaq(port, idle, daq=DAQ, speed=0, last=10 * (PLAN_S + 60)) as daq:
        run = Run(store, serial_link(daq), until_plan_done=True, speed=0.0)
        soak_id = run()
    assert soak_id == 1
    soak = Reader(store).soak(1)
    assert soak.how == "finished"
    assert soak.ended is not None
    assert soak.verdict is not None
    assert soak.verdict["schema"] == "soakbench.judge/1"
    assert soak.daq == DAQ
    assert soak.setup_text == SETUP
    scans = Reader(store).scans(1)
    assert scans.t_us[0] == 0
    assert (np.diff(scans.t_us) == 100_000).all()
    assert scans.counts.tolist() == wanted(daq)[: len(scans)]
    assert soak.scans == len(scans)
    assert PLAN_S + HT_ON_S <= scans.t_us[-1] / 1e6 <= PLAN_S + HT_ON_S + 3
    assert not list(store.parent.glob("soak.db-*"))


def test_where_a_soak_ends_does_not_hang_on_how_its_scans_were_grouped(tmp_path: Path) -> None:
    ends = set()
    counts = np.array([idle(i) for i in range(10 * (PLAN_S + 60))], dtype=np.int32)
    for size in (3, 640, 2400):
        store = tmp_path / f"{size}.db"
        link = GivenLink([scan_block(at, counts[at : at + size]) for at in range(0, len(counts), size)])
        assert Run(store, link, until_plan_done=True, speed=0.0, clock=ManualClock())() == 1
        soak = Reader(store).soak(1)
        assert soak.how == "finished"
        ends.add((soak.scans, json.dumps(soak.verdict, sort_keys=True)))
    assert len(ends) == 1


def test_stopping_closes_the_last_second_and_stores_the_verdict(store: Path, port: Path) -> None:
    with TinyDaq(port, idle, daq=DAQ, speed=50) as daq:
        run = Run(store, serial_link(daq), speed=50.0)
        run.each(lambda: run.stop.set() if run.t_s > 20 else None)
        run()
        soak = Reader(store).soak()
        assert soak.how == "stopped"
        assert soak.verdict is not None
        stored = Reader(store).scans(1).counts.tolist()
        assert len(stored) > 200
        assert stored == wanted(daq)[: len(stored)]
        assert "stopping: the soak is closed and its verdict stored" in run.said


def test_stopping_before_the_first_scan_leaves_no_soak(store: Path, port: Path) -> None:
    link = SerialLink(str(port), channels=3, scans_per_s=10, wait=True)
    run = Run(store, link)
    run.stop.set()
    assert run() is None
    assert Reader(store).soaks() == []
    assert "nothing was recorded" in run.said[-1]


def test_after_the_plan_it_goes_on_until_ht_has_been_off_ten_minutes(store: Path, port: Path) -> None:
    off_s = PLAN_S + 60
    with TinyDaq(port, off_after(off_s), daq=DAQ, speed=0, last=10 * (off_s + 1200)) as daq:
        Run(store, serial_link(daq), speed=0.0)()
    soak = Reader(store).soak()
    assert soak.how == "finished"
    assert soak.last_t_us is not None
    assert off_s + 600 <= soak.last_t_us / 1e6 < off_s + 600 + 110  # a block at full speed is up to 100 s


def test_a_daq_that_says_it_has_ended_ends_the_soak(store: Path, port: Path) -> None:
    with TinyDaq(port, idle, daq=DAQ, speed=0, last=500) as daq:
        run = Run(store, serial_link(daq), speed=0.0)
        run()
    soak = Reader(store).soak()
    assert (soak.how, soak.scans) == ("stopped", 500)
    assert "the DAQ says that no more scans will come (end-of-recording)" in run.said


def test_a_lead_pulled_and_put_back_is_one_gap_and_the_soak_goes_on(store: Path, port: Path) -> None:
    with TinyDaq(port, idle, daq=DAQ, speed=20) as daq:
        run = Run(store, serial_link(daq), speed=20.0)
        pulled = threading.Event()

        def act() -> None:
            if run.t_s > 10 and not pulled.is_set():
                pulled.set()
                daq.unplug()
                daq.skip(40.0)
                daq.plug()
            if run.t_s > 65:
                run.stop.set()

        run.each(act)
        run()
    reader = Reader(store)
    assert [soak.how for soak in reader.soaks()] == ["stopped"]
    (gap,) = gaps(reader, 1)
    assert not gap.open
    t_us = reader.scans(1).t_us
    widest = int(np.diff(t_us).argmax())
    assert gap.onset_s == pytest.approx(t_us[widest] / 1e6)
    assert 40 <= (t_us[widest + 1] - t_us[widest]) / 1e6 < 60
    assert any("tried again until it answers" in text for text in run.said)
    assert any("answers again on" in text for text in run.said)


def test_silence_is_said_while_it_lasts(store: Path, port: Path) -> None:
    with TinyDaq(port, idle, daq=DAQ, speed=20) as daq:
        run = Run(store, serial_link(daq), speed=20.0)
        said_at: list[float] = []

        def act() -> None:
            if run.t_s > 10 and not said_at:
                daq.hold = True
            for finding in run.outputs[-1].findings:
                if finding.kind is Kind.GAP and finding.open:
                    said_at.append(run.t_s)
                    assert finding.onset_s == finding.raised_s == run.t_s
                    daq.skip(30.0)
                    daq.hold = False
            if run.t_s > 60:
                run.stop.set()

        run.each(act)
        run()
    assert len(said_at) == 1
    (gap,) = gaps(Reader(store), 1)
    assert gap.cleared_s is not None


class GivenLink:
    """A link that gives what it was given, for what needs a clock that is moved by hand."""

    def __init__(self, events: list[Event | Callable[[], object]], daq: DaqInfo = DAQ) -> None:
        self.rejected: dict[str, int] = {}
        self.waiting = 0
        self._events: list[Event | Callable[[], object]] = [Connected(daq, "given", False), *events]
        self._closed = False

    def start(self) -> None:
        pass

    def take(self, timeout_s: float) -> list[Event]:
        if not self._events:
            return [] if self._closed else [End("given")]
        event = self._events.pop(0)
        if callable(event):
            event()
            return []
        return [event]

    def close(self) -> None:
        self._closed = True


def scan_block(first: int, counts: Any) -> ScanBlock:
    sequence = np.arange(first, first + len(counts))
    return ScanBlock(sequence * 100_000, sequence, np.asarray(counts, dtype=np.int32))


def ten_seconds(first_s: int) -> ScanBlock:
    return scan_block(10 * first_s, [idle(i) for i in range(10 * first_s, 10 * first_s + 100)])


@pytest.mark.parametrize(("speed", "waited_s", "told"), [(1.0, 5.1, 1), (1.0, 4.9, 0), (0.0, 50.0, 0)])
def test_silence_is_judged_by_the_hosts_clock_but_not_at_full_speed(
    store: Path, speed: float, waited_s: float, told: int
) -> None:
    clock = ManualClock()
    waiting = [lambda: clock.advance(waited_s / 60)] * 60
    link = GivenLink([ten_seconds(0), *waiting, ten_seconds(10)])
    run = Run(store, link, speed=speed, clock=clock)
    run()
    opened = [f for output in run.outputs for f in output.findings if f.kind is Kind.GAP and f.open]
    assert len(opened) == told


def test_a_source_that_dies_without_a_word_does_not_hang_a_run_to_the_plans_end(store: Path) -> None:
    clock = ManualClock()
    link = GivenLink([ten_seconds(0), *[lambda: clock.advance(1.0)] * 61])
    with pytest.raises(LinkError, match="no scan has come for 60 s"):
        Run(store, link, until_plan_done=True, speed=0.0, clock=clock)()
    soak = Reader(store).soak()
    assert (soak.how, soak.scans) == ("broken off", 100)


def test_a_store_that_cannot_be_written_for_a_while_loses_nothing(store: Path) -> None:
    clock = ManualClock()
    lock = write_lock(store)
    events: list[Event | Callable[[], object]] = [ten_seconds(0), lambda: clock.advance(1.5), lock.acquire]
    for at in range(10, 30, 10):
        events += [ten_seconds(at), lambda: clock.advance(1.5)]
    events += [lock.release, lambda: clock.advance(1.5), ten_seconds(30)]
    run = Run(store, GivenLink(events), clock=clock)
    stored_while_locked: list[int] = []
    run.each(lambda: stored_while_locked.append(Reader(store).soak(1).scans) if lock.is_locked else None)
    run()
    assert stored_while_locked
    assert max(stored_while_locked) == 100
    scans = Reader(store).scans(1)
    assert scans.sequence.tolist() == list(range(400))
    (trouble,) = [text for text in run.said if "measuring goes on" in text]
    assert str(store) in trouble
    assert any("can be written again: all that was held is in it" in text for text in run.said)


class Impatient(ManualClock):
    """A clock that waits for no other thread."""

    def wait(self, done: threading.Event, seconds: float) -> bool:
        return done.is_set()


def test_a_disk_that_hangs_holds_up_no_judging_and_loses_nothing(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, freed = Impatient(), threading.Event()
    write = Writer._write

    def hangs(self: Writer, *given: Any) -> Any:
        assert freed.wait(60)
        return write(self, *given)

    monkeypatch.setattr(Writer, "_write", hangs)
    given = [event for at in range(0, 100, 10) for event in (ten_seconds(at), lambda: clock.advance(1.0))]
    run = Run(store, GivenLink([*given, freed.set, ten_seconds(100)]), clock=clock)
    judged_meanwhile: list[float] = []
    run.each(lambda: None if freed.is_set() else judged_meanwhile.append(run.t_s))
    run()
    assert max(judged_meanwhile) > 98
    reader = Reader(store)
    assert reader.scans(1).sequence.tolist() == list(range(1100))
    assert reader.soak(1).how == "stopped"
    assert judge_soak(reader, 1) == reader.soak(1).verdict
    (trouble,) = [text for text in run.said if "measuring goes on" in text]
    assert "has taken nothing for 5 s" in trouble


def test_a_commit_that_fails_behind_the_judging_is_made_again_with_what_has_come_since(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Writer(store, ManualClock()) as writer:
        writer.begin_soak(
            setup=parse(SETUP), setup_text=SETUP, daq=DAQ, started=datetime(2026, 1, 1, tzinfo=UTC)
        )
        writer.add_scans(ten_seconds(0))
        writer.put_mark(Mark(1, "first"))
        with monkeypatch.context() as patch:

            def refused(*_: Any) -> Any:
                raise StoreError("the disk said no")

            patch.setattr(Writer, "_write", refused)
            writer.begin_commit()
            writer.add_scans(ten_seconds(10))
            writer.put_mark(Mark(2, "second"))
            assert not writer.commit_due()
            with pytest.raises(StoreError, match="the disk said no"):
                writer.committed(0.0)
        assert (writer.held_scans, writer.committing) == (200, False)
        writer.begin_commit()
        assert writer.committed(0.0) == []
        assert writer.held_scans == 0
        assert writer.committed(0.0) is None
    reader = Reader(store)
    assert reader.scans(1).sequence.tolist() == list(range(200))
    assert reader.marks(1) == [Mark(1, "first"), Mark(2, "second")]


@pytest.mark.parametrize(
    ("left", "words"), [(400_000_000, "enough for about"), (10_000_000, "make room now"), (10**12, "")]
)
def test_a_disk_that_fills_up_is_said_in_time(
    store: Path, monkeypatch: pytest.MonkeyPatch, left: int, words: str
) -> None:
    monkeypatch.setattr(daemon, "disk_left_bytes", lambda _: left)
    clock = ManualClock()
    events: list[Event | Callable[[], object]] = []
    for at in range(0, 30, 10):
        events += [ten_seconds(at), lambda: clock.advance(61.0)]
    run = Run(store, GivenLink(events), clock=clock)
    run()
    told = [text for text in run.said if "MB left" in text and "before power" not in text]
    assert len(told) == (1 if words else 0)
    assert all(words in text for text in told)


def counted(seconds: float, row: Callable[[int], Row] = idle) -> ScanBlock:
    return scan_block(0, np.array([row(i) for i in range(round(10 * seconds))], dtype=np.int32))


def test_the_checks_before_power_are_said_and_stored_with_the_soak(store: Path) -> None:
    # idle() has HT from 3 s on: too early for the checks that need scans
    run = Run(store, GivenLink([counted(60)]), load=Load(8.0, 8.0, 240.0))
    run()
    lines = [text for text in run.said if text.startswith("before power: ")]
    assert lines[0] == "before power: load: fine: 8 ohm on the 8 ohm tap, 240 W, as said; it can't be seen"
    assert "HT was there after 3 s" in lines[1]
    stored = Reader(store).soak(1).checks
    assert stored is not None
    assert [one["check"] for one in stored] == ["load", "HT off", "clock", "disk"]
    assert [one["check"] for one in stored] == [line.split(": ")[1] for line in lines]


def test_marks_known_beforehand_are_kept_with_their_scan_however_the_scans_come(tmp_path: Path) -> None:
    marks = [Mark(20_040_000, "signal on"), Mark(45_000_000, "signal off"), Mark(99_000_000, "never made")]
    kept = []
    for name, seconds in (("one", 60), ("few", 20), ("many", 1)):
        blocks = [
            scan_block(10 * s, [idle(10 * s + i) for i in range(10 * seconds)]) for s in range(0, 60, seconds)
        ]
        run = Run(tmp_path / name, GivenLink([*blocks]), marks=marks)
        run()
        assert "mark at 45 s: signal off" in run.said
        verdict = Reader(tmp_path / name).soak(1).verdict
        assert verdict is not None
        kept.append((Reader(tmp_path / name).marks(1), verdict["soak"]["states"]))
    assert kept[0][0] == [Mark(20_000_000, "signal on"), Mark(45_000_000, "signal off")]
    assert {"state": "under signal", "from_s": 20.0} in kept[0][1]
    assert kept[0] == kept[1] == kept[2]


def cold(sequence: int) -> Row:
    """HT comes at 25 s; until then pair1 reads 12 mA too much, as a lead that leaks would."""
    if sequence < 250:
        return [1536 + sequence % 3, sequence % 5, sequence % 2]
    return idle(sequence)


def test_a_stop_is_said_loudly_and_ends_nothing(store: Path) -> None:
    run = Run(store, GivenLink([counted(60, cold)]))
    assert run() == 1
    said = "\n".join(run.said)
    assert "before power: zero current: STOP: pair1 reads 12.0" in said
    assert "STOP: don't switch HT on before that is mended; recording goes on meanwhile" in said
    soak = Reader(store).soak(1)
    assert soak.scans == 600
    assert soak.checks is not None
    assert [one["check"] for one in soak.checks if one["result"] == "stop"] == ["zero current"]


def test_a_soak_too_short_for_the_checks_says_so_at_its_end(store: Path) -> None:
    run = Run(store, GivenLink([counted(2)]))
    run()
    assert any("only 2 s of scans came" in text for text in run.said)


def calibrated(store: Path, gain: float, day: int = 1) -> int:
    """Put a calibration of the bench's board into the store; return its number."""
    found = Calibrated(date=date(2025, 12, day), gain=gain, u_gain=2e-4, u_offset=2e-6)
    calibration = Calibration(
        {"pair1": found, "pair2": found},
        board_id=DAQ.board_id,
        made=datetime(2025, 12, day, tzinfo=UTC),
        wiring=wirings(parse(SETUP), DAQ),
    )
    with Writer(store, ManualClock()) as writer:
        return writer.add_calibration(calibration)


def test_a_soak_is_measured_by_the_boards_newest_calibration_and_keeps_its_number(store: Path) -> None:
    calibrated(store, 1.5, day=2)
    number = calibrated(store, 1.01, day=3)
    run = Run(store, GivenLink([counted(190)]), clock=ManualClock())
    run()
    reader = Reader(store)
    soak = reader.soak(1)
    assert soak.calibration_id == number
    assert f"Calibration {number}: 2025-12-03 (pair1, pair2)." in run.said
    assert "Not calibrated, so by tolerances alone: ht." in run.said
    assert soak.now is not None
    shown = soak.now["channels"]["pair1"]["value"]
    assert shown == pytest.approx(1.01 * 0.07632 * DAQ.volts_per_count[0] / 7.8125e-6, rel=2e-3)
    # the same soak, looked at with each
    known = reader.calibration_of(soak)
    assert known is not None
    assert known.id == number
    plain = reader.calibration_of(soak, "none")
    assert plain == Calibration()
    assert judge_soak(reader, 1)["soak"] == (soak.verdict or {})["soak"]
    measured, plainly = (
        judge_soak(reader, 1, calibration=which)["channels"][0] for which in ("in force", "none")
    )
    assert measured["settled_mA"] == pytest.approx(1.01 * plainly["settled_mA"], rel=1e-9)
    assert measured["expanded_uncertainty_mA"] < plainly["expanded_uncertainty_mA"]


def test_a_soak_without_a_calibration_says_so_and_so_does_one_that_is_over_age(store: Path) -> None:
    run = Run(store, GivenLink([counted(3)]), clock=ManualClock())
    run()
    assert any(text.startswith("Calibration: none.") for text in run.said)
    calibrated(store, 1.0)
    late = Run(store, GivenLink([counted(3)]), clock=ManualClock(datetime(2027, 2, 1, tzinfo=UTC)))
    late()
    assert any("was 14 months old when this soak began, over a year" in text for text in late.said)


def test_a_channel_wired_otherwise_than_when_it_was_calibrated_is_not_calibrated(store: Path) -> None:
    number = calibrated(store, 1.5)
    text = SETUP.replace("sense_ohm = 1.0", "sense_ohm = 10.0", 1)
    run = Run(store, GivenLink([counted(3)]), text)
    run()
    assert any(f"calibration {number} is not used for pair1: it was wired otherwise" in t for t in run.said)
    known = Reader(store).calibration_of(Reader(store).soak(1))
    assert known is not None
    assert set(known.channels) == {"pair2"}


def test_a_second_daemon_is_refused_before_it_touches_the_port(store: Path, port: Path) -> None:
    with TinyDaq(port, idle, daq=DAQ) as daq, Writer(store, ManualClock()):
        with pytest.raises(DaemonRunning, match="another soakbench"):
            Run(store, serial_link(daq))()
        assert daq.commands == []


def test_another_device_on_the_port_is_refused_and_no_soak_is_begun(
    store: Path, port: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.link.port.PATIENCE_S", 0.5)
    with TinyDaq(port, daq=DAQ) as daq:
        daq.rubbish = b"OK\r\n\x80\x81"
        with pytest.raises(LinkError, match="answers, but not as a bench DAQ"):
            Run(store, serial_link(daq))()
    assert Reader(store).soaks() == []


def test_another_board_in_mid_soak_is_not_measured_and_the_soak_waits_for_its_own(
    store: Path, port: Path
) -> None:
    with TinyDaq(port, idle, daq=DAQ, speed=20) as daq:
        run = Run(store, serial_link(daq), speed=20.0)

        def act() -> None:
            if run.t_s > 5 and daq.daq is DAQ:
                daq.unplug()
                daq.daq = board(3, "bench-02")
                daq.plug(reset=True)
                sent.append(len(daq.sent))

        def hear(text: str) -> None:
            if "another DAQ (bench-02)" in text:
                run.stop.set()

        sent: list[int] = []
        run.each(act)
        run.hear(hear)
        run()
    soak = Reader(store).soak()
    assert soak.how == "stopped"
    assert 50 <= soak.scans <= sent[0]


def test_a_fault_in_the_watching_keeps_what_was_measured(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    feed = Pipeline.feed

    def broken(self: Pipeline, block: ScanBlock, marks: Sequence[Mark]) -> Output:
        if block.t_us[0] >= 10e6:
            raise ZeroDivisionError("a bug")
        return feed(self, block, marks)

    monkeypatch.setattr(Pipeline, "feed", broken)
    with pytest.raises(ZeroDivisionError):
        Run(store, GivenLink([ten_seconds(0), ten_seconds(10)]), clock=ManualClock())()
    soak = Reader(store).soak()
    assert soak.scans == 200
    assert soak.how is None
    run = Run(store, GivenLink([]), clock=ManualClock())
    run()
    assert Reader(store).soak(1).how == "broken off"
    assert "soak 1 was left without an end and is now closed as broken off" in run.said


def test_a_listener_that_has_gone_does_not_end_the_measuring(store: Path) -> None:
    def gone(_: str) -> None:
        raise BrokenPipeError

    Run(store, GivenLink([ten_seconds(0)]), say=gone, clock=ManualClock())()
    assert Reader(store).soak().scans == 100


def test_who_asks_how_it_does_before_its_store_is_open_gets_an_answer(store: Path) -> None:
    watched = SelfWatch()
    daemon.Daemon(
        setup=parse(SETUP),
        setup_text=SETUP,
        link=GivenLink([]),
        store_path=store,
        say=lambda _text: None,
        selfwatch=watched,
    )
    assert (watched.held_scans(), watched.waiting_scans(), watched.lost_scans()) == (0, 0, 0)


# --- as a process of its own ---------------------------------------------------------------------------


def process(store: Path, port: str, speed: float, said: Any, resume: Resume) -> None:
    """The daemon as the command line runs it."""
    setup: Setup = parse(SETUP)
    daemon.Daemon(
        setup=setup,
        setup_text=SETUP,
        link=SerialLink(port, channels=3, scans_per_s=10, speed=speed),
        store_path=store,
        say=said.send,
        speed=speed,
        resume=resume,
    ).run()


def started(store: Path, daq: TinyDaq, resume: Resume = "no") -> tuple[Any, Any]:
    """Start the daemon from a clean process that has imported all of it already."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["logger.daemon", "test_daemon"])
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(target=process, args=(store, daq.port, daq.speed, theirs, resume))
    child.start()
    theirs.close()
    return child, ours


def hear(said: Any, word: str, within_s: float = 20.0) -> None:
    deadline = time.monotonic() + within_s
    while said.poll(max(0.0, deadline - time.monotonic())):
        if word in said.recv():
            return
    raise AssertionError(f"the daemon never said {word!r}")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_the_daemon_cleanly(store: Path, port: Path, number: int) -> None:
    with TinyDaq(port, idle, daq=DAQ, speed=20) as daq:
        child, said = started(store, daq)
        hear(said, "soak 1 has begun")
        time.sleep(0.5)
        os.kill(child.pid, number)
        child.join(20)
        assert child.exitcode == 0
        soak = Reader(store).soak()
        assert soak.how == "stopped"
        assert soak.verdict is not None
        stored = Reader(store).scans(1).counts.tolist()
        assert len(stored) >= 50
        assert stored == wanted(daq)[: len(stored)]
        assert not list(store.parent.glob("soak.db-*"))


@pytest.mark.parametrize("times", [8, pytest.param(20, marks=pytest.mark.nightly)])
def test_kill_9_at_any_moment_loses_at_most_a_second_and_nothing_is_wrong(
    store: Path, port: Path, times: int
) -> None:
    worst_s = killed(store, port, times)
    assert worst_s <= 1.0, f"{worst_s:.2f} s were lost"


def killed(store: Path, port: Path, times: int) -> float:
    """Kill daemons so often; return the longest time whose scans were lost.

    What is stored is what the DAQ had sent, from the first scan on, and nothing else is.
    """
    rng = random.Random(9)
    worst_s = 0.0
    with TinyDaq(port, idle, daq=DAQ, speed=150) as daq:
        for number in range(1, times + 1):
            daq.restart()
            daq.speed = (30.0, 150.0)[number % 2]  # commits by the clock, and by 1,000 scans
            child, said = started(store, daq)
            hear(said, f"soak {number} has begun")
            time.sleep(0.1 + 1.4 * rng.random() ** 2)
            child.kill()
            killed_s = time.monotonic()
            child.join(20)
            with contextlib.closing(said):
                assert child.exitcode == -signal.SIGKILL
            reader = Reader(store)
            soak = reader.soak(number)
            assert soak.how is None
            assert [one.how for one in reader.soaks()[:-1]] == ["broken off"] * (number - 1)
            scans = reader.scans(number)
            sent = {s: (at_s, ms, row) for at_s, s, ms, row in list(daq.sent)}
            for t_us, sequence, counts in zip(
                scans.t_us.tolist(), scans.sequence.tolist(), scans.counts.tolist(), strict=True
            ):
                _, ms, row = sent[sequence]
                assert (t_us, counts) == (ms * 1000, row)
            assert scans.sequence.tolist() == list(range(len(scans)))
            lost_from_s = [at_s for s, (at_s, _, _) in sent.items() if s >= len(scans) and at_s <= killed_s]
            worst_s = max(worst_s, killed_s - min(lost_from_s, default=killed_s))
    Run(store, GivenLink([]), clock=ManualClock())()
    assert {soak.how for soak in Reader(store).soaks()} == {"broken off"}
    with contextlib.closing(sqlite3.connect(store)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    return worst_s
