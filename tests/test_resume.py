"""A daemon started again goes on with its soak: as if nothing had happened, but for the hole."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import sqlite3
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from store_case import buckets
from test_cutout import ARMED, GivenRelay
from test_daemon import DAQ, SETUP, GivenLink, Run, hear, idle, started
from tiny_daq import Row, TinyDaq, board

from logger.blocks import NO_READING, DaqInfo, Mark, ScanBlock
from logger.clock import ManualClock
from logger.errors import RequestError
from logger.finding import Finding, Kind
from logger.judge import judge_soak
from logger.link.lines import Flags
from logger.link.port import Event
from logger.pipeline import Pipeline
from logger.precheck import Load
from logger.resume import WITHIN_S, Hole, expected, hole
from logger.setup import parse
from logger.simulator.scenarios import scenario
from logger.store.reader import Reader, Soak
from logger.watch.alarms import Alarm

U32 = 2**32


class Killed(Exception):
    """Stands for what ends a process: nothing after it runs but what closes the store."""


def crash() -> None:
    raise Killed


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "soak.db"


@pytest.fixture
def port(tmp_path: Path) -> Path:
    return tmp_path / "daq"


def sent(first: int, stop: int, row: Any = idle, *, boot: int = 0, zero_s: float = 0.0) -> ScanBlock:
    """The scans numbered so since the board's boot number `boot`, as a link gives them that begins then."""
    number = np.arange(first, stop)
    counts = np.array(
        [[NO_READING if c is None else c for c in row(n + boot)] for n in number.tolist()], dtype=np.int32
    )
    return ScanBlock(
        (number - first) * 100_000, number, counts, (number * 100 + 100 + int(zero_s * 1e3)) % U32
    )


def run(store: Path, events: list[Any], **options: Any) -> Run:
    """Run a daemon until its events are over or it crashes."""
    given: list[Event | Any] = events
    one = Run(store, GivenLink(given, options.pop("daq", DAQ)), **{"clock": ManualClock(), **options})
    with contextlib.suppress(Killed):
        one()
    return one


def findings(store: Path, soak_id: int = 1, but: Kind | None = None) -> list[Finding]:
    return [finding for finding in Reader(store).findings(soak_id) if finding.kind is not but]


# --- going on ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "intermittent",
        *(pytest.param(name, marks=pytest.mark.nightly) for name in ("runaway", "signal-declared")),
    ],
)
def test_a_soak_broken_into_pieces_says_the_same_as_one_run_through(tmp_path: Path, name: str) -> None:
    """Cut so that no scan is lost: findings with their numbers, verdict, roll-ups and scans are the same."""
    played = scenario(name, seed=3, warm_up_min=10, soak_min=20)
    text = played.setup_text(scans_per_s=4.0)
    setup = parse(text)
    blocks = list(played.scans(30 * 60.0, 4.0, block_s=20.0))
    given = [replace(b, ms=(b.t_us // 1000 + 250 - 600_000) % U32) for b in blocks]  # wraps at 10 min
    whole, broken = tmp_path / "whole.db", tmp_path / "broken.db"
    options: dict[str, Any] = {"setup_text": text, "daq": played.info, "marks": played.marks, "speed": 0.0}
    run(whole, [*given], **options)
    rng = random.Random(name)
    cuts = sorted(rng.sample(range(1, len(given)), 6))
    for start, stop in zip([0, *cuts], [*cuts, len(given)], strict=True):
        zero = int(given[start].t_us[0])
        part = [replace(block, t_us=block.t_us - zero) for block in given[start:stop]]
        run(broken, [*part, *([crash] if stop < len(given) else [])], resume="may", **options)
    one, other = Reader(whole), Reader(broken)
    assert [soak.id for soak in other.soaks()] == [1]
    assert findings(whole) or name == "signal-declared"
    assert findings(broken) == findings(whole)
    assert other.soak(1).verdict == one.soak(1).verdict
    assert checked(broken) == checked(whole)
    assert other.soak(1).scans == one.soak(1).scans == sum(map(len, blocks))
    assert (other.scans(1).t_us == one.scans(1).t_us).all()
    assert (other.scans(1).counts == one.scans(1).counts).all()
    said = [mark for mark in other.marks(1) if not mark.text.startswith("soakbench: started again")]
    assert said == one.marks(1)
    assert len(other.marks(1)) == len(said) + len(cuts)
    for level_s in (10, 60):
        assert stored_buckets(broken, level_s) == stored_buckets(whole, level_s)
        assert stored_buckets(broken, level_s) == buckets(other.scans(1), level_s)
    assert setup.digest == other.soak(1).setup_digest


def checked(store: Path) -> list[dict[str, str]]:
    """The checks before power that were made, but for the disk's, which counts megabytes."""
    return [one for one in Reader(store).soak(1).checks or [] if one["check"] != "disk"]


def stored_buckets(store: Path, level_s: int) -> dict[tuple[int, int], tuple[int, ...]]:
    with contextlib.closing(sqlite3.connect(store)) as db:
        rows = db.execute(
            "SELECT t0_s, channel, n, vmin, vmax, vsum FROM rollup WHERE level_s = ?", (level_s,)
        ).fetchall()
    return {row[:2]: row[2:] for row in rows}


def test_the_hole_is_measured_by_the_boards_counter_and_stated(store: Path) -> None:
    clock = ManualClock()
    run(store, [sent(0, 600), crash], clock=clock)
    clock.advance(42.0)  # but the board has counted 40 s
    second = run(store, [sent(1000, 1300)], clock=clock, resume="may")
    reader = Reader(store)
    assert [soak.how for soak in reader.soaks()] == ["stopped"]
    scans = reader.scans(1)
    assert scans.t_us.tolist() == [100_000 * n for n in [*range(600), *range(1000, 1300)]]
    (gap,) = [f for f in findings(store) if f.kind is Kind.GAP]
    assert (gap.onset_s, gap.cleared_s) == (59.9, 100.0)
    assert reader.marks(1) == [Mark(100_000_000, "soakbench: started again, no scans for 40.1 s")]
    verdict = reader.soak(1).verdict
    assert verdict is not None
    assert verdict["soak"]["scans_missing"] == 400
    assert judge_soak(reader, 1) == verdict
    assert "going on with soak 1: replaying 1 min" in " ".join(second.said)
    assert reader.soak(1).ended == clock.wall() - timedelta(seconds=42.0 - 100.0)


def test_of_a_board_that_was_reset_the_wall_clock_measures_the_hole(store: Path) -> None:
    clock = ManualClock()
    run(store, [sent(0, 600), crash], clock=clock)
    clock.advance(42.0)
    run(store, [sent(0, 100, boot=1020)], clock=clock, resume="may")
    scans = Reader(store).scans(1)
    assert (scans.t_us[600] - scans.t_us[599]) / 1e6 == 42.0
    (mark,) = Reader(store).marks(1)
    assert "about 42.0 s by the computer's clock, since the DAQ was reset meanwhile" in mark.text


@pytest.mark.parametrize(("set_s", "up_s", "hole_s"), [(-300.0, 0.0, 0.1), (-300.0, 25.0, 25.1), (30, 0, 40)])
def test_time_never_runs_backwards_whatever_the_wall_clock_says(
    store: Path, set_s: float, up_s: float, hole_s: float
) -> None:
    clock = ManualClock()
    run(store, [lambda: clock.advance(59.9), sent(0, 600), crash], clock=clock)
    clock.advance(10.0)
    clock.set_wall(set_s)
    run(store, [sent(0, 100, zero_s=up_s), lambda: clock.advance(9.9)], clock=clock, resume="may")
    reader = Reader(store)
    scans = reader.scans(1)
    assert (scans.t_us[600] - scans.t_us[599]) / 1e6 == pytest.approx(hole_s)
    soak = reader.soak(1)
    assert soak.ended is not None
    assert soak.ended >= soak.started + timedelta(microseconds=soak.last_t_us or 0)


LAST_SEEN = datetime(2026, 3, 1, 12, tzinfo=UTC)


def left(last_ms: int | None) -> Soak:
    return Soak(
        1, "", "", "", "as left", SETUP, "", DAQ, "", LAST_SEEN - timedelta(hours=1), None, None, None, None,
        36_000, 3_599_900_000, last_ms=last_ms, last_seen=LAST_SEEN,
    )  # fmt: skip


def scan(sequence: int, ms: int | None) -> ScanBlock:
    counter = None if ms is None else np.array([ms])
    return ScanBlock(np.array([0]), np.array([sequence]), np.zeros((1, 3), dtype=np.int32), counter)


@pytest.mark.parametrize(
    ("last", "first", "host_s", "us", "by_device"),
    [
        ((100, 10_000), (300, 30_000), 21.0, 20_000_000, True),
        ((100, 10_000), (300, 30_000), 3620.0, 20_000_000, True),  # the computer's clock was set
        ((100, 10_000), (300, 30_000), -5.0, 20_000_000, True),
        ((U32 - 50, 10_000), (150, 30_000), 20.0, 20_000_000, True),  # wraps while nobody listens
        ((100, U32 - 5_000), (300, 15_000), 20.0, 20_000_000, True),
        ((100, 10_000), (0, 2_000), 20.0, 20_000_000, False),
        ((100, 10_000), (3, 30_000), 40.0, 40_000_000, False),  # reset, and up for longer than it had been
        ((100, 10_000), (101, 900_000), 20.0, 20_000_000, False),  # these two can't both be
        ((100, 10_000), (0, 12_000), 3.0, 12_000_000, False),  # has been up for 12 s
        ((100, None), (300, 30_000), 20.0, 20_000_000, False),
        ((100, 10_000), (300, None), 20.0, 20_000_000, False),
        ((100, None), (300, None), -20.0, 100_000, False),
    ],
)
def test_the_hole_by_counter_or_by_clock(
    last: tuple[int, int | None], first: tuple[int, int | None], host_s: float, us: int, by_device: bool
) -> None:
    now = LAST_SEEN + timedelta(seconds=host_s)
    found = hole(left(last[1]), last[0], scan(*first), now, 100_000)
    assert found == Hole(us, round(host_s * 1e6), by_device)


# --- which soak ----------------------------------------------------------------------------------------


def after(store: Path, wait_s: float, resume: str, **options: Any) -> Run:
    """Leave a soak without an end, wait, start again."""
    clock = ManualClock()
    run(store, [sent(0, 100), crash], clock=clock)
    clock.advance(wait_s)
    return run(store, [sent(0, 50, boot=100)], clock=clock, resume=resume, **options)


@pytest.mark.parametrize(
    ("wait_s", "resume", "ends"),
    [
        (WITHIN_S - 1, "may", ["finished"]),  # the plan is over meanwhile
        (WITHIN_S + 1, "may", ["broken off", "stopped"]),
        (WITHIN_S + 1, "must", ["finished"]),
        (3600.0, "must", ["finished"]),
        (10.0, "no", ["broken off", "stopped"]),
    ],
)
def test_a_soak_is_gone_on_with_for_ten_minutes_or_when_a_person_insists(
    store: Path, wait_s: float, resume: str, ends: list[str]
) -> None:
    after(store, wait_s, resume)
    assert [soak.how for soak in Reader(store).soaks()] == ends


def test_another_board_begins_a_new_soak(store: Path) -> None:
    other = after(store, 10.0, "may", daq=board(3, "bench-02"))
    assert [soak.how for soak in Reader(store).soaks()] == ["broken off", "stopped"]
    assert any(
        "begun with the DAQ bench-01, and bench-02 answers: a new soak begins" in t for t in other.said
    )


def test_who_insists_on_another_boards_soak_is_refused_and_the_soak_is_left_as_it_is(store: Path) -> None:
    with pytest.raises(
        RequestError, match="bench-02 answers: plug in that DAQ, or begin a new soak with --new"
    ):
        after(store, 10.0, "must", daq=board(3, "bench-02"))
    assert [soak.how for soak in Reader(store).soaks()] == [None]


def test_the_same_board_with_other_scales_begins_a_new_soak(store: Path) -> None:
    other = DaqInfo(DAQ.board_id, 1, (1e-6,) * 3, DAQ.full_count)
    after(store, 10.0, "may", daq=other)
    assert [soak.how for soak in Reader(store).soaks()] == ["broken off", "stopped"]


@pytest.mark.parametrize(
    ("prepare", "why"),
    [
        ([], "has no soak yet"),
        ([sent(0, 100)], r"soak 1, the last one, has ended \(stopped\)"),
    ],
)
def test_who_insists_where_nothing_was_left_is_told_why_not(
    store: Path, prepare: list[Any], why: str
) -> None:
    run(store, prepare)
    with pytest.raises(RequestError, match=rf"there is no soak to go on with: .*{why}; without --resume"):
        run(store, [sent(100, 200)], resume="must")


def test_another_set_up_begins_a_new_soak_and_a_comment_in_the_same_one_does_not(store: Path) -> None:
    run(store, [sent(0, 100), crash])
    run(store, [sent(100, 200), crash], resume="may", setup_text=f"# tidied\n{SETUP}")
    assert len(Reader(store).soaks()) == 1
    text = SETUP.replace("nominal_ht_V = 455", "nominal_ht_V = 450")
    with pytest.raises(RequestError, match="soak 1 was begun with another set-up"):
        run(store, [sent(200, 300)], resume="must", setup_text=text)
    run(store, [sent(200, 300)], resume="may", setup_text=text)
    assert [soak.how for soak in Reader(store).soaks()] == ["broken off", "stopped"]


def test_a_start_without_a_scan_leaves_the_soak_to_the_next_one(store: Path) -> None:
    run(store, [sent(0, 100), crash])
    idle_run = run(store, [], resume="may")
    assert idle_run.said[-1] == "soak 1 can still be gone on with"
    assert expected(store, parse(SETUP), ManualClock().wall(), "may")
    run(store, [sent(100, 200)], resume="may")
    assert [(soak.how, soak.scans) for soak in Reader(store).soaks()] == [("stopped", 200)]


def test_only_the_last_soak_is_gone_on_with(store: Path) -> None:
    run(store, [sent(0, 100), crash])
    run(store, [sent(100, 200), crash], resume="no")
    run(store, [sent(200, 300)], resume="may")
    assert [(soak.how, soak.scans) for soak in Reader(store).soaks()] == [
        ("broken off", 100),
        ("stopped", 200),
    ]


def test_whether_one_is_expected_can_be_asked_before_anything_is_opened(store: Path) -> None:
    setup, now = parse(SETUP), ManualClock().wall()
    assert not expected(store, setup, now, "may")
    assert not store.exists()
    with pytest.raises(RequestError, match="there is no store"):
        expected(store, setup, now, "must")
    run(store, [sent(0, 100), crash])
    assert expected(store, setup, now, "may")
    assert not expected(store, setup, now, "no")
    assert not expected(store, setup, now + timedelta(hours=1), "may")
    assert expected(store, setup, now + timedelta(hours=1), "must")


# --- what it keeps -------------------------------------------------------------------------------------


def high(number: int) -> Row:
    """Pair 1 runs far too hot from 60 s on."""
    pair1, pair2, ht = idle(number)
    return [20_000 if number >= 600 else pair1, pair2, ht]


def test_what_was_said_is_not_said_again_and_what_nobody_has_seen_reminds(store: Path) -> None:
    first = run(store, [sent(0, 1200, high), crash])
    opened = [finding for finding in findings(store) if finding.open]
    assert opened
    alarms: list[Alarm] = []
    second = run(store, [sent(1200, 1300, high)], resume="may", on_alarm=alarms.append)
    assert {alarm.why for alarm in alarms} == {"reminder"}
    assert {alarm.finding.id for alarm in alarms} == {
        finding.id for finding in opened if finding.acknowledged_s is None
    }
    for finding in opened:
        assert any(text.endswith(finding.says) and not text.startswith("reminder") for text in first.said)
        assert not any(
            text.endswith(finding.says) and not text.startswith("reminder") for text in second.said
        )


def test_what_was_acknowledged_stays_so_and_is_silent(store: Path) -> None:
    clock = ManualClock()
    link = GivenLink([sent(0, 1200, high), lambda: clock.advance(1.0), lambda: None, crash])
    one = Run(store, link, clock=clock)
    asked = False

    def ask() -> None:
        nonlocal asked
        if not asked:
            asked = True
            with contextlib.closing(sqlite3.connect(store)) as db, db:
                db.execute(
                    "INSERT INTO request (made_us, ask, text, state) VALUES (1, 'acknowledge', '', 'asked')"
                )

    one.each(ask)
    with contextlib.suppress(Killed):
        one()
    assert [mark.text for mark in Reader(store).marks(1)] == ["acknowledge"]
    alarms: list[Alarm] = []
    run(store, [sent(1200, 1300, high)], resume="may", on_alarm=alarms.append, clock=clock)
    assert alarms == []
    assert all(finding.acknowledged_s is not None for finding in findings(store) if finding.open)


def test_kind_calibration_and_checks_are_those_that_it_was_begun_with(store: Path) -> None:
    from test_daemon import calibrated

    number = calibrated(store, 1.01)
    first = run(store, [sent(0, 400), crash], kind="as found", load=Load(8.0, 8.0, 240.0))
    checks = Reader(store).soak(1).checks
    assert checks
    assert any(text.startswith("before power: ") for text in first.said)
    calibrated(store, 1.5, day=5)
    second = run(store, [sent(400, 600)], resume="may")
    soak = Reader(store).soak(1)
    assert (soak.kind, soak.calibration_id, soak.checks) == ("as found", number, checks)
    assert not any(text.startswith("before power: ") for text in second.said)


def cold(_: int) -> Row:
    return [1, 2, 0]


def test_checks_that_were_not_made_yet_are_made_of_all_scans_from_the_first(tmp_path: Path) -> None:
    whole, broken = tmp_path / "whole.db", tmp_path / "broken.db"
    run(whole, [sent(0, 400, cold)])
    run(broken, [sent(0, 120, cold), crash])
    assert Reader(broken).soak(1).checks is None
    run(broken, [sent(120, 400, cold)], resume="may")
    assert len(checked(broken)) > 4
    assert checked(broken) == checked(whole)


def test_the_plan_goes_on_where_it_was(store: Path) -> None:
    run(store, [sent(0, 900), crash], until_plan_done=True, speed=0.0)
    one = run(store, [sent(900, 2400)], until_plan_done=True, speed=0.0, resume="may")
    soak = Reader(store).soak(1)
    assert soak.how == "finished"
    assert soak.last_t_us is not None
    assert 183 <= soak.last_t_us / 1e6 <= 186  # 3 s until HT, 180 s of plan
    assert one.outputs[-1].now["plan_done"]


def test_a_cut_out_that_has_opened_meanwhile_stays_open_and_is_not_tried_again(store: Path) -> None:
    """It was tried before the crash; then the DAQ opened it, and only its push button closes it."""
    clock, relay = ManualClock(), GivenRelay()
    whole = sent(0, 600)
    given = [whole.part(n, n + 1) for n in range(600)]
    events = [event for block in given[:400] for event in (lambda: clock.advance(0.1), block)]
    run(store, [*events, crash], setup_text=ARMED, clock=clock, relay=relay)
    assert "acknowledge" in relay.sent  # of the trial
    assert relay.sent.count("beat") > 100
    clock.advance(10.0)
    later = GivenRelay()
    later.flags = Flags.of(0x0020)  # open, for no heartbeat
    events = [event for block in given[500:] for event in (lambda: clock.advance(0.1), block)]
    second = run(store, events, setup_text=ARMED, clock=clock, relay=later, resume="may")
    assert "open" not in later.sent
    assert "acknowledge" not in later.sent
    assert second.outputs[-1].now
    now = Reader(store).soak(1).now
    assert now is not None
    assert now["cutout"]["state"] == "open"
    assert "acknowledge it" in now["cutout"]["do"]
    (check,) = [one for one in Reader(store).soak(1).checks or [] if one["check"] == "cut-out"]
    assert check["result"] == "fine"


# --- a process that is killed --------------------------------------------------------------------------


def faulty(sequence: int) -> Row:
    """Both pairs run too hot from HT on, and do not match either."""
    pair1, pair2, ht = idle(sequence)
    if sequence < 30:
        return [pair1, pair2, ht]
    return [(pair1 or 0) + 10_200, (pair2 or 0) + 6000, ht]


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
@pytest.mark.parametrize("kills", [6, pytest.param(20, marks=pytest.mark.nightly)])
def test_kills_leave_the_findings_as_they_would_have_been_gaps_apart(
    store: Path, port: Path, kills: int
) -> None:
    """Real processes on a real store: no scan twice, none out of order, the findings right."""
    rng = random.Random(20)
    with TinyDaq(port, faulty, daq=DAQ, speed=30) as daq:
        for number in range(kills):
            child, said = started(store, daq, resume="may")
            hear(said, "soak 1 has begun" if number == 0 else "started again")
            time.sleep(0.9 if number == 0 else 0.05 + 0.4 * rng.random())
            os.kill(child.pid, signal.SIGKILL)
            child.join(20)
            said.close()
            assert child.exitcode == -signal.SIGKILL
            assert Reader(store).soak().how is None
        child, said = started(store, daq, resume="may")
        hear(said, "started again")
        daq.speed = 0
        until = daq.sequence + 6000
        while daq.sequence < until:
            time.sleep(0.05)
        os.kill(child.pid, signal.SIGTERM)
        child.join(20)
        said.close()
        rows = list(daq.sent)
    reader = Reader(store)
    assert [soak.how for soak in reader.soaks()] == ["stopped"]
    scans = reader.scans(1)
    assert (np.diff(scans.t_us) > 0).all()
    assert (np.diff(scans.sequence) > 0).all()
    by_number = {sequence: (ms, row) for _, sequence, ms, row in rows}
    first_ms = by_number[int(scans.sequence[0])][0]
    for t_us, sequence, counts in zip(
        scans.t_us.tolist(), scans.sequence.tolist(), scans.counts.tolist(), strict=True
    ):
        ms, row = by_number[sequence]
        assert (t_us, counts) == ((ms - first_ms) * 1000, row)
    verdict = reader.soak(1).verdict
    assert verdict is not None
    assert verdict["soak"]["scans_missing"] == int(scans.sequence[-1] - scans.sequence[0]) + 1 - len(scans)
    assert judge_soak(reader, 1) == verdict

    whole = Pipeline(parse(SETUP), DAQ)
    all_rows = np.array([row for _, _, _, row in rows], dtype=np.int32)
    sequence = np.array([s for _, s, _, _ in rows])
    whole.feed(ScanBlock(sequence * 100_000 - int(sequence[0]) * 100_000, sequence, all_rows))
    whole.finish()
    assert story(findings(store, but=Kind.GAP)) == story(whole.findings)
    assert len(story(whole.findings)) >= 3


def story(found: Sequence[Finding]) -> list[tuple[Any, ...]]:
    return [(f.kind, f.channels, f.severity, f.open) for f in found if f.kind is not Kind.GAP]
