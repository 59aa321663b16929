"""The host's side of the cut-out: what earns a heartbeat, what has it opened, what is said and kept."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_daemon import DAQ, SETUP, GivenLink, Run, idle, scan_block
from tiny_daq import Row

from logger.blocks import NO_READING, Mark, ScanBlock
from logger.check import advise
from logger.clock import ManualClock
from logger.cutout import CutOut, Said, was_tried
from logger.errors import SetupError
from logger.finding import Finding, Kind, Severity
from logger.link.line_talk import Lines
from logger.link.lines import Flags
from logger.pipeline import Output, Pipeline
from logger.requests import NOTED
from logger.setup import Setup, parse
from logger.store.reader import Reader

ARMED = SETUP.replace("[plan]", "[cutout]\narmed = true\n[plan]")
OPEN, CLOSED, BY_HOST, NO_BEAT, ACKNOWLEDGED, RESET = 0x00, 0x01, 0x10, 0x20, 0x08, 0x30
OFF: dict[str, Any] = {"on_s": None, "channels": {}}


def armed(text: str = ARMED) -> Setup:
    return parse(text)


def on(pair_a: float = 0.076, ht_v: float = 455.0) -> dict[str, Any]:
    """What is shown of an amp that is on."""
    values = {"pair1": pair_a, "pair2": pair_a, "ht": ht_v}
    return {"on_s": 100.0, "channels": {name: {"value": value} for name, value in values.items()}}


def scan(t_s: float, counts: Sequence[int] = (9769, 9775, 27360)) -> ScanBlock:
    at = np.array([round(t_s * 1e6)])
    return ScanBlock(at, at // 100_000, np.array([counts], dtype=np.int32))


def finding(kind: Kind = Kind.OVER_CURRENT, severity: Severity = Severity.TRIP, **more: Any) -> Finding:
    says = "pair1 (V1/V2) draws 402 mA"
    return Finding(1, kind, "pair1", ("pair1",), 1.0, 1.2, severity, says, **more)


def look(
    cutout: CutOut,
    t_s: float,
    bits: int = CLOSED,
    *,
    findings: Sequence[Finding] = (),
    now: dict[str, Any] | None = None,
    late_s: float = 0.0,
    counts: Sequence[int] = (9769, 9775, 27360),
) -> Said:
    shown = on() if now is None else now
    return cutout.judged(scan(t_s, counts), findings, Flags.of(bits), lambda: shown, 50.0 + t_s + late_s)


def orders(said: Said) -> list[str]:
    return [name for name, _ in said.orders]


def tried() -> CutOut:
    """A cut-out that is closed, after its trial."""
    cutout = CutOut(armed(), tried=True)
    assert orders(look(cutout, 0.1)) == ["beat"]
    return cutout


# ---- what earns a heartbeat


def test_the_daq_is_told_silence_s_whenever_it_answers() -> None:
    text = ARMED.replace("armed = true", "armed = true\nsilence_s = 0.7")
    assert CutOut(armed(text)).connected().orders == [("silence", 0.7)]


@given(st.lists(st.floats(0.0, 30.0), min_size=2, max_size=60))
def test_only_a_scan_no_older_than_silence_s_earns_a_heartbeat(lates_s: list[float]) -> None:
    cutout, best_s = tried(), 0.0
    for i, late_s in enumerate(lates_s):
        t_s = 0.2 + 0.1 * i + sum(lates_s[:i])  # the host's clock can't run back
        said = look(cutout, t_s, late_s=late_s)
        assert ("beat" in orders(said)) == (late_s - best_s <= 1.5)


def test_a_burst_after_a_stall_earns_none_until_it_has_caught_up() -> None:
    cutout = tried()
    beats = [orders(look(cutout, t_s, late_s=10.0 - t_s)) for t_s in (1.0, 3.0, 6.0, 8.4, 8.6, 9.9)]
    assert beats == [[], [], [], [], ["beat"], ["beat"]]


def test_clocks_that_part_slowly_do_not_open_it() -> None:
    cutout = tried()
    # 200 ppm over a day is 17 s
    assert all("beat" in orders(look(cutout, t, late_s=2e-4 * t)) for t in range(1, 86_400, 60))


@pytest.mark.parametrize(("channel", "held"), [(0, False), (1, False), (2, False), (3, True)])
def test_a_scan_must_be_complete_for_pairs_and_ht_only(channel: int, held: bool) -> None:
    text = ARMED + '[[channel]]\nname = "chassis"\nmeasures = "chassis temperature"\n'
    cutout = CutOut(armed(text), tried=True)
    counts = [9769, 9775, 27360, 12000]
    look(cutout, 0.1, counts=counts)
    counts[channel] = NO_READING
    assert ("beat" in orders(look(cutout, 0.2, counts=counts))) is held


def test_without_an_ht_channel_the_pairs_are_enough() -> None:
    text = ARMED.replace('measures = "HT"\ndivider_ohm = [1_000_000, 470]', 'measures = "voltage"')
    cutout = CutOut(armed(text), tried=True)
    assert orders(look(cutout, 0.1, counts=(1, 2, NO_READING))) == ["beat"]


def test_an_older_complete_scan_of_the_block_counts_while_it_is_fresh() -> None:
    cutout = tried()
    counts = [[9769, 9775, 27360]] + [[NO_READING, 9775, 27360]] * 20
    t_us = 1_000_000 + np.arange(21) * 100_000
    block = ScanBlock(t_us, t_us // 100_000, np.array(counts, dtype=np.int32))
    for upto, held in ((16, True), (21, False)):  # 1.5 s and 2 s after the complete one
        part = ScanBlock(block.t_us[:upto], block.sequence[:upto], block.counts[:upto])
        said = cutout.judged(part, [], Flags.of(CLOSED), on, 50.0 + float(part.t_us[-1]) / 1e6)
        assert ("beat" in orders(said)) is held


def test_a_heartbeat_that_had_to_wait_is_not_sent_and_an_order_to_open_is() -> None:
    clock = ManualClock()
    lines = Lines(3, 10.0, clock)
    for name in ("beat", "open"):
        lines.order(name, None)
    clock.advance(0.6)
    lines.order("beat", None)
    assert list(lines.ordered()) == [("open", None), ("beat", None)]


# ---- what has it opened


def test_a_trip_has_it_opened_and_names_the_figure() -> None:
    cutout = tried()
    said = look(cutout, 0.2, findings=[finding()])
    assert orders(said) == ["open"]
    said = look(cutout, 0.3, findings=[finding()])  # it takes a moment: told again, never a heartbeat
    assert orders(said) == ["open"]
    said = look(cutout, 0.4, BY_HOST, findings=[finding()], now=on(ht_v=412.0))
    assert said.orders == []
    assert said.marks == ["cut-out opened: pair1 (V1/V2) draws 402 mA"]
    assert said.says == ["HT still 412 V: capacitors stay charged"]
    assert said.call
    assert cutout.shown()["why"] == "pair1 (V1/V2) draws 402 mA"
    assert "acknowledge it" in cutout.shown()["do"]


@pytest.mark.parametrize("severity", [Severity.REMARK, Severity.WARNING])
@pytest.mark.parametrize("kind", list(Kind))
def test_nothing_less_than_a_trip_opens_it(kind: Kind, severity: Severity) -> None:
    assert orders(look(tried(), 0.2, findings=[finding(kind, severity)])) == ["beat"]


def test_it_stays_open_until_a_person_has_acknowledged_also_once_the_trip_is_over() -> None:
    cutout = tried()
    look(cutout, 0.2, findings=[finding()])
    look(cutout, 0.3, BY_HOST, findings=[finding()])
    over = finding(cleared_s=20.0)
    assert orders(look(cutout, 30.0, BY_HOST, findings=[over], now=on(0.0, 3.0))) == []
    assert cutout.waits
    cutout.acknowledge()
    seen = finding(cleared_s=20.0, acknowledged_s=31.0)
    assert orders(look(cutout, 31.0, BY_HOST, findings=[seen], now=on(0.0, 3.0))) == ["acknowledge", "beat"]
    assert orders(look(cutout, 31.1, BY_HOST | ACKNOWLEDGED, findings=[seen])) == ["beat"]
    assert not cutout.waits
    said = look(cutout, 40.0, BY_HOST | ACKNOWLEDGED | CLOSED, findings=[seen])
    assert said.marks == ["cut-out closed"]
    assert cutout.shown() == {"state": "closed", "since_s": 40.0, "why": "", "do": ""}


def test_a_word_for_another_finding_does_not_free_it() -> None:
    cutout = tried()
    look(cutout, 0.2, findings=[finding()])
    cutout.acknowledge()
    assert orders(look(cutout, 0.3, BY_HOST, findings=[finding()])) == []


@pytest.mark.parametrize("bits", [NO_BEAT, RESET, 0x50])
def test_a_word_given_while_it_is_closed_is_none_for_what_opens_it_later(bits: int) -> None:
    cutout = tried()
    cutout.acknowledge()  # of a warning
    assert orders(look(cutout, 0.2)) == ["beat"]
    assert orders(look(cutout, 0.3, bits)) == ["beat"]
    assert cutout.waits


@pytest.mark.parametrize("bits", [OPEN, BY_HOST | ACKNOWLEDGED])
def test_a_trip_is_told_to_the_daq_also_where_it_is_open_so_that_a_restart_does_not_forget_it(
    bits: int,
) -> None:
    cutout = CutOut(armed(), tried=True)
    look(cutout, 0.1, bits)
    assert orders(look(cutout, 0.2, bits, findings=[finding()])) == ["open"]
    assert cutout.shown()["why"] == "pair1 (V1/V2) draws 402 mA"
    assert orders(look(cutout, 0.3, BY_HOST, findings=[finding()])) == []


@pytest.mark.parametrize(
    ("bits", "why"),
    [
        (NO_BEAT, "no scan was judged for 1.5 s"),
        (RESET, "the DAQ was reset"),
        (0x40, "the DAQ says: firmware watchdog"),
        (0x50, "its push button was pressed"),
        (0x90, "the DAQ says: cause 9"),
    ],
)
def test_what_the_daq_opened_it_for_is_said(bits: int, why: str) -> None:
    said = look(tried(), 0.2, bits)
    assert said.marks[0].startswith(f"cut-out opened: {why}")
    assert said.call


def test_ht_is_told_as_it_falls_and_never_called_gone() -> None:
    cutout = tried()
    told = look(cutout, 1.0, NO_BEAT, now=on(0.076, 455.0)).says
    for t_s in range(2, 200):
        told += look(cutout, float(t_s), NO_BEAT, now=on(0.0, 300.0 / t_s)).says
    assert told[0] == "HT still 455 V: capacitors stay charged"
    assert len(told) == 6
    assert all("proves nothing" in one for one in told[1:])
    assert not any(word in one for one in told for word in ("safe", "discharged"))


def test_current_that_flows_on_is_a_call_to_pull_the_plug() -> None:
    cutout = tried()
    said = [look(cutout, 1.0 + i, BY_HOST, now=on()) for i in range(20)]
    (at,) = [i for i, one in enumerate(said) if any("pull the mains plug" in text for text in one.marks)]
    assert said[at].call
    assert said[at].marks == [
        "cut-out is open and the pairs still draw 152 mA: pull the mains plug; its contacts stick, or the "
        "amp is not behind it"
    ]
    assert at >= 5
    emptied = tried()
    falls = [look(emptied, 1.0 + 0.5 * i, BY_HOST, now=on(0.076 * 0.5**i)) for i in range(20)]
    assert not any("plug" in text for one in falls for text in one.marks)


def test_a_soak_that_a_person_ends_opens_it_and_the_next_needs_no_word() -> None:
    assert orders(tried().stopping([])) == ["open", "acknowledge"]
    assert orders(tried().stopping([finding(cleared_s=9.0)])) == ["open"]
    assert orders(CutOut(armed()).stopping([])) == []


# ---- the trial before power


def test_it_is_tried_the_first_time_that_it_closes() -> None:
    cutout = CutOut(armed())
    assert orders(look(cutout, 1.0, RESET, now=OFF)) == ["beat"]
    assert "it is then tried once" in cutout.shown()["do"]
    assert orders(look(cutout, 2.0, CLOSED, now=OFF)) == ["open"]
    assert orders(look(cutout, 2.1, CLOSED, now=OFF)) == ["open"]
    said = look(cutout, 2.2, BY_HOST, now=OFF)
    assert orders(said) == ["acknowledge"]
    assert said.check is not None
    assert (said.check.result, said.check.says) == ("fine", "it closed, and opened within 0.2 s")
    assert not said.call
    assert orders(look(cutout, 2.3, BY_HOST | ACKNOWLEDGED, now=OFF)) == ["beat"]
    said = look(cutout, 9.0, BY_HOST | ACKNOWLEDGED | CLOSED, now=OFF)
    assert said.marks == ["cut-out closed"]


def test_one_that_does_not_open_gets_no_heartbeat_and_a_stop() -> None:
    cutout = CutOut(armed())
    look(cutout, 1.0, OPEN, now=OFF)
    said = [look(cutout, 2.0 + 0.1 * i, CLOSED, now=OFF) for i in range(30)]
    assert {name for one in said for name in orders(one)} == {"open"}
    (check,) = [one.check for one in said if one.check is not None]
    assert check.result == "stop"
    assert "pull the mains plug" in check.do


@pytest.mark.parametrize(("bits", "took_s"), [(NO_BEAT, 0.5), (RESET, 0.1), (0x50, 0.1), (BY_HOST, 1.3)])
def test_one_that_opens_late_or_by_itself_is_not_held_to_work(bits: int, took_s: float) -> None:
    cutout = CutOut(armed())
    look(cutout, 1.0, OPEN, now=OFF)
    look(cutout, 2.0, CLOSED, now=OFF)
    said = look(cutout, 2.0 + took_s, bits, now=OFF)
    assert orders(said) == []  # no word of its own
    assert said.check is not None
    assert said.check.result == "stop"
    assert not was_tried([said.check])
    assert said.call
    assert cutout.shown()["do"].startswith(
        "mend what opened it, acknowledge it, then with the amp's own switch"
    )
    cutout.acknowledge()
    assert orders(look(cutout, 5.0, bits, now=OFF)) == ["acknowledge", "beat"]
    assert orders(look(cutout, 6.0, bits | ACKNOWLEDGED | CLOSED, now=OFF)) == ["open"]  # tried again
    said = look(cutout, 6.1, BY_HOST, now=OFF)
    assert said.check is not None
    assert said.check.result == "fine"
    assert was_tried([said.check])


def test_with_ht_there_it_is_too_late_to_try() -> None:
    cutout = CutOut(armed())
    said = look(cutout, 1.0, CLOSED)
    assert orders(said) == ["beat"]
    assert said.check is not None
    assert said.check.result == "odd"


# ---- what can't be armed


@pytest.mark.parametrize(
    ("find", "put", "says"),
    [
        ('kind = "lines"', 'kind = "scpi"', 'only a "lines" DAQ has a relay'),
        ("scans_per_s = 10", "scans_per_s = 1", "scans_per_s of at least 2"),
        ("armed = true", "armed = true\nsilence_s = 0.19", "greater than or equal to 0.2"),
        ("armed = true", "armed = true\nsilence_s = 1.6", "less than or equal to 1.5"),
        ("scans_per_s = 10", "scans_per_s = 5\n[cutout]\narmed = true\nsilence_s = 0.3", "two scans, 0.4 s"),
        ("armed = true", "", "cutout.armed"),
    ],
)
def test_what_could_not_hold_it_is_refused(find: str, put: str, says: str) -> None:
    text = ARMED.replace("[cutout]\narmed = true\n", "") if "[cutout]" in put else ARMED
    with pytest.raises(SetupError, match=says.replace(".", r"\.")):
        parse(text.replace(find, put))


@pytest.mark.parametrize("text", [SETUP, ARMED.replace("armed = true", "armed = false")])
def test_without_one_or_unarmed_soakbench_only_advises(text: str) -> None:
    assert not parse(text.replace("scans_per_s = 10", "scans_per_s = 1")).armed


# ---- in the daemon


class GivenRelay:
    """A relay that opens when it is told to, and whose push button is pressed once that is acknowledged."""

    def __init__(self) -> None:
        self.flags = Flags.of(CLOSED)
        self.sent: list[str] = []

    def send(self, name: str, value: float | None = None) -> None:
        self.sent.append(name)
        if name == "open":
            self.flags = Flags.of(BY_HOST)
        if name == "acknowledge":
            self.flags = Flags.of(BY_HOST | ACKNOWLEDGED | CLOSED)


def shorted(sequence: int) -> Row:
    """pair1 draws 256 mA or more, and HT sags, from 20 s on."""
    return idle(sequence) if sequence < 200 else [32767, 9775, 26000]


def test_a_shorted_valve_opens_it_within_two_scans_and_the_record_says_why(tmp_path: Path) -> None:
    store, relay, clock = tmp_path / "soak.db", GivenRelay(), ManualClock()
    called: list[object] = []
    blocks = [scan_block(i, [shorted(i)]) for i in range(300)]
    events: list[Any] = [event for block in blocks for event in (lambda: clock.advance(0.1), block)]
    run = Run(store, GivenLink(events), ARMED, clock=clock, relay=relay, on_alarm=called.append)
    soak = run()
    assert soak is not None
    at = relay.sent.index("open", relay.sent.index("open") + 1)  # the first was the trial
    marks = [mark for mark in Reader(store).marks(soak) if mark.text.startswith(f"{NOTED}cut-out opened")]
    assert len(marks) == 1
    assert marks[0].text.startswith(f"{NOTED}cut-out opened: pair1 draws more than the converter can read")
    assert marks[0].t_us <= 20_300_000
    assert "beat" not in relay.sent[at:]
    assert None in called
    assert run.outputs[-1].trip


class PlainRelay(GivenRelay):
    """A relay that nothing closes again, opened for want of a heartbeat."""

    def send(self, name: str, value: float | None = None) -> None:
        self.sent.append(name)


@pytest.mark.parametrize(("number", "freed"), [("1", False), ("", True)])
def test_a_word_for_a_finding_that_is_no_trip_does_not_free_it(
    tmp_path: Path, number: str, freed: bool
) -> None:
    """pair1 draws nothing, which is a warning; the cut-out has opened for another cause."""
    store, relay, clock = tmp_path / "soak.db", PlainRelay(), ManualClock()
    relay.flags = Flags.of(NO_BEAT)

    def ask() -> None:
        clock.advance(1.0)
        with contextlib.closing(sqlite3.connect(store)) as db, db:
            db.execute(
                "INSERT INTO request (made_us, ask, text, state) VALUES (1, 'acknowledge', ?, 'asked')",
                [number],
            )

    rows = [[1, 9775, 27360] if i > 1000 else idle(i) for i in range(1600)]
    events: list[Any] = [scan_block(0, rows), ask, lambda: clock.advance(1.0), scan_block(1600, rows[-20:])]
    run = Run(store, GivenLink(events), ARMED, clock=clock, relay=relay)
    soak = run()
    first = Reader(store).findings(soak)[0]
    assert first.severity is not Severity.TRIP
    assert first.acknowledged_s is not None
    assert ("acknowledge" in relay.sent) is freed


def test_a_board_that_was_reset_is_told_silence_s_again(tmp_path: Path) -> None:
    clock, relay = ManualClock(), PlainRelay()
    before, after = (
        scan_block(0, [idle(i) for i in range(50)]),
        scan_block(50, [idle(i) for i in range(50, 60)]),
    )
    events: list[Any] = [
        replace(before, ms=100 + before.t_us // 1000),
        replace(after, ms=100 + (after.t_us - after.t_us[0]) // 1000),
    ]
    Run(tmp_path / "soak.db", GivenLink(events), ARMED, clock=clock, relay=relay)()
    assert relay.sent.count("silence") == 2


# ---- a trip that comes anew


def played(row: Callable[[int], Row], n: int, marks: dict[int, str]) -> list[tuple[float, Output]]:
    """Feed scans one by one, with marks at some of them; return what came out and when."""
    pipeline = Pipeline(parse(SETUP), DAQ)
    out = []
    for i in range(n):
        said = [Mark(i * 100_000, marks[i])] if i in marks else []
        out.append((i / 10, pipeline.feed(scan_block(i, [row(i)]), said)))
    return out


def test_a_trip_that_comes_anew_after_ht_was_off_must_be_acknowledged_anew() -> None:
    def row(i: int) -> Row:
        if 300 <= i < 700:  # switched off, HT falls at once
            return [1, 2, 0]
        return [32767, 9775, 26000] if i >= 200 else idle(i)

    out = played(row, 1000, {400: "acknowledge"})
    alarms = [(t_s, alarm.finding.kind, alarm.why) for t_s, one in out for alarm in one.alarms]
    over = [(t_s, why) for t_s, kind, why in alarms if kind is Kind.OVER_CURRENT]
    assert [why for _, why in over] == ["new", "new"]
    assert 20.0 < over[0][0] < 20.3
    assert 70.0 < over[1][0] < 72.0
    standing = {f.id: f for _, one in out for f in one.findings}
    assert [f.trip_waits for f in standing.values() if f.kind is Kind.OVER_CURRENT] == [True]


def test_one_that_goes_on_after_it_was_acknowledged_is_not_said_anew() -> None:
    out = played(lambda i: [32767, 9775, 26000] if i >= 200 else idle(i), 900, {400: "acknowledge"})
    assert [a.why for _, one in out for a in one.alarms if a.finding.kind is Kind.OVER_CURRENT] == ["new"]


def test_a_trip_that_is_over_can_still_be_acknowledged() -> None:
    out = played(lambda i: [32767, 9775, 26000] if 200 <= i < 205 else idle(i), 500, {450: "acknowledge"})
    standing = {f.id: f for _, one in out for f in one.findings}
    (over,) = [f for f in standing.values() if f.kind is Kind.OVER_CURRENT]
    assert over.cleared_s is not None
    assert over.acknowledged_s == 45.0


def test_a_word_given_before_a_trip_of_the_same_second_is_none_for_it() -> None:
    out = played(lambda i: [32767, 9775, 26000] if i >= 200 else idle(i), 250, {200: "acknowledge"})
    standing = {f.id: f for _, one in out for f in one.findings}
    (over,) = [f for f in standing.values() if f.kind is Kind.OVER_CURRENT]
    assert over.raised_s == 20.1
    assert over.trip_waits


# ---- what check says of it


def test_check_says_that_it_is_armed_and_what_it_lacks() -> None:
    said = {limit.name: limit.value for limit in advise(armed()).limits}
    assert said["cut-out"] == "armed, opens 1.5 s after the last judged scan"
    assert "cut-out" not in {limit.name for limit in advise(parse(SETUP)).limits}
    blind = ARMED.replace('measures = "HT"', 'measures = "voltage"')
    assert any("what HT still is once it has opened" in odd for odd in advise(armed(blind)).odd)
