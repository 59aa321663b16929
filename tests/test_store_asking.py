"""What a person asks of the daemon from another process: answered through the store, or withdrawn."""

from __future__ import annotations

import multiprocessing
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa
from store_case import begin_with, idle_scans
from test_daemon import DAQ, GivenLink, Run, hear, idle, scan_block, started, ten_seconds, wanted
from tiny_daq import TinyDaq

from logger import daemon, logfile
from logger.blocks import Mark
from logger.clock import ManualClock, SystemClock
from logger.errors import NotReached, RequestError, StoreError
from logger.export import export_log
from logger.finding import Kind
from logger.judge import judge_log, judge_soak
from logger.link.lines import End
from logger.requests import Ask
from logger.setup import load
from logger.simulator.scenarios import scenario
from logger.store import packing, sqlite
from logger.store.asking import ask_daemon
from logger.store.reader import Reader
from logger.store.request import Answer
from logger.store.writer import Writer


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "soak.db"


@pytest.fixture
def port(tmp_path: Path) -> Path:
    return tmp_path / "daq"


def write_request(store: Path, ask: object, text: object = "") -> None:
    """Ask as another program might, which knows nothing of ours but the table and the lock file."""
    with sqlite.write_lock(store), closing(sqlite3.connect(store)) as db, db:
        db.execute("INSERT INTO request (made_us, ask, text, state) VALUES (0, ?, ?, 'asked')", (ask, text))


def request_command(store: Path, *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "soakbench", "request", *words, "--db", str(store), "--wait", "20"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def ended(child: subprocess.Popen[str]) -> tuple[int, str, str]:
    out, err = child.communicate(timeout=60)
    return child.returncode, out, err


class Played:
    """A daemon under a clock moved by hand; what is asked between blocks is answered before the next."""

    def __init__(self, store: Path, *moments: str | tuple[object, ...], **options: Any) -> None:
        """`moments`: a letter for ten seconds of scans, else what is asked: (ask, text)."""
        self.clock = ManualClock()
        events: list[Any] = []
        at_s = 0
        for moment in moments:
            if isinstance(moment, str):
                events.append(ten_seconds(at_s))
                at_s += 10
            else:
                events.append(lambda moment=moment: self._ask(store, *moment))
        self.run = Run(store, GivenLink(events), clock=self.clock, **options)
        self.run()
        self.reader = Reader(store)
        self.requests = self.reader.requests()
        self.marks = self.reader.marks(1) if self.reader.soaks() else []

    def _ask(self, store: Path, ask: object, text: object = "") -> None:
        write_request(store, ask, text)
        self.clock.advance(0.3)


# ---- what is asked, and answered


def test_a_mark_made_from_another_process_is_in_the_record_and_stop_ends_the_soak(
    store: Path, port: Path
) -> None:
    with TinyDaq(port, idle, daq=DAQ, speed=20) as board:
        child, said = started(store, board)
        hear(said, "soak 1 has begun")
        code, out, err = ended(request_command(store, "mark", "tapped", "V5"))
        assert (code, err) == (0, "")
        assert out.startswith('done: "tapped V5" stands in the record of soak 1 at ')
        code, out, err = ended(request_command(store, "acknowledge", "7"))
        assert (code, out) == (2, "")
        assert err == "soakbench: refused: there is no finding 7: this soak has none so far\n"
        code, out, _ = ended(request_command(store, "stop"))
        assert code == 0
        assert out.startswith('done: "stop" stands in the record of soak 1 at ')
        child.join(20)
        assert child.exitcode == 0
        reader = Reader(store)
        soak = reader.soak()
        assert soak.how == "stopped"
        assert soak.verdict is not None
        scans = reader.scans(1)
        assert scans.counts.tolist() == wanted(board)[: len(scans)]
        marks = reader.marks(1)
        assert [mark.text for mark in marks] == ["tapped V5", "stop"]
        assert {mark.t_us for mark in marks} <= set(scans.t_us.tolist())
        assert [(one.state, one.soak_id) for one in reader.requests()] == [
            ("done", 1),
            ("refused", 1),
            ("done", 1),
        ]
        assert not list(store.parent.glob("soak.db-*"))
        assert not list(store.parent.glob("soak.db.*"))


def test_two_who_ask_at_once_are_both_answered(store: Path, port: Path) -> None:
    with TinyDaq(port, idle, daq=DAQ, speed=20) as board:
        child, said = started(store, board)
        hear(said, "soak 1 has begun")
        both = [request_command(store, "mark", "fan on"), request_command(store, "signal-on")]
        assert [ended(one)[0] for one in both] == [0, 0]
        assert ended(request_command(store, "stop"))[0] == 0
        child.join(20)
    assert {mark.text for mark in Reader(store).marks(1)} == {"fan on", "signal on", "stop"}


def test_fifty_requests_a_second_do_not_disturb_the_measuring(store: Path, port: Path) -> None:
    with TinyDaq(port, idle, daq=DAQ, speed=20) as board:
        child, said = started(store, board)
        hear(said, "soak 1 has begun")
        for number in range(150):
            write_request(store, "mark", f"mark {number}")
            time.sleep(0.02)
        answer = ask_daemon(store, Ask.STOP, "", SystemClock(), wait_s=20.0)
        child.join(20)
        assert answer.state == "done"
        reader = Reader(store)
        assert reader.findings(1) == []
        scans = reader.scans(1)
        assert len(scans) >= 20 * 10 * 2
        assert scans.counts.tolist() == wanted(board)[: len(scans)]
        made = [f"mark {number}" for number in range(150)]
        assert [mark.text for mark in reader.marks(1)] == [*made, "stop"]
        assert {one.state for one in reader.requests()} == {"done"}


def test_what_is_asked_is_a_mark_at_the_last_scan_that_was_seen_in_the_order_made(store: Path) -> None:
    clock = ManualClock()

    def ask_all() -> None:
        for text in ("b", "a", "c"):
            write_request(store, "mark", text)
        write_request(store, "signal on")
        clock.advance(0.3)

    run = Run(store, GivenLink([ten_seconds(0), ask_all, ten_seconds(10)]), clock=clock)
    run()
    assert Reader(store).marks(1) == [Mark(9_900_000, text) for text in ("b", "a", "c", "signal on")]
    assert [text for text in run.said if text.startswith("asked for")][-1] == 'asked for: "signal on"'


def test_they_are_looked_for_no_oftener_than_five_times_a_second(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks: list[float] = []
    clock = ManualClock()
    asked = Writer.asked
    monkeypatch.setattr(Writer, "asked", lambda self: (looks.append(clock.monotonic_s()), asked(self))[1])
    steps: list[Any] = [lambda: clock.advance(0.01) for _ in range(300)]
    Run(store, GivenLink([ten_seconds(0), *steps]), clock=clock)()
    assert 12 <= len(looks) <= 20  # 3 s, and one look at the start and at the end


# ---- what is refused


@pytest.mark.parametrize(
    ("ask", "text", "reason"),
    [
        ("acknowledge", "7", "there is no finding 7: this soak has none so far"),
        ("acknowledge", "", "no finding is open"),
        ("acknowledge", "all", "acknowledge takes the number of a finding"),
        ("mark", "", "a mark needs a text"),
        ("mark", "signal on", "is a request of its own"),
        ("mark", "x" * 201, "a line of up to 200 letters"),
        ("mark", "\U0001f525" * 1_000_000, "a line of up to 200 letters"),
        ("signal on", "now", "takes no text"),
        ("dance", "", "nothing is called so: it must be one of stop, mark, acknowledge"),
        (b"\xff\xfe", b"\x00\xff", "nothing is called so"),
        ("start\x1b[2J", 'a"b\x07', "nothing is called so"),
        (7, 1.5, "nothing is called so"),
    ],
)
def test_what_cannot_be_done_is_refused_with_the_reason(
    store: Path, ask: object, text: object, reason: str
) -> None:
    played = Played(store, "ten seconds", (ask, text), "ten seconds")
    (request,) = played.requests
    assert request.state == "refused"
    assert reason in (request.reason or "")
    assert (request.soak_id, request.t_us) == (1, 9_900_000)
    assert played.marks == []
    (told,) = [text for text in played.run.said if text.startswith("refused: ")]
    assert told.isprintable()
    assert played.reader.soak().scans == 200


def test_a_mark_can_name_a_time_that_was_and_none_that_has_not_come(store: Path) -> None:
    played = Played(store, "i", (Ask.MARK, "at 0:00:05: tapped V5"), (Ask.MARK, "at 0:00:10: tapped V5"), "i")
    assert [one.state for one in played.requests] == ["done", "refused"]
    assert "has not come" in (played.requests[1].reason or "")
    assert played.marks == [Mark(9_900_000, "at 0:00:05: tapped V5")]


def test_before_the_first_scan_all_is_refused_but_stop(store: Path) -> None:
    played = Played(store, ("mark", "too early"), ("signal on",), "ten seconds")
    assert [one.state for one in played.requests] == ["refused", "refused"]
    assert all("no scan has come yet" in (one.reason or "") for one in played.requests)
    assert played.reader.soak().scans == 100


def test_a_stop_before_the_first_scan_leaves_no_soak(store: Path) -> None:
    played = Played(store, ("stop",))
    assert played.reader.soaks() == []
    assert [(one.state, one.soak_id) for one in played.requests] == [("done", None)]
    assert "nothing was recorded" in played.run.said[-1]


def test_a_finding_that_is_open_can_be_acknowledged_and_one_that_is_over_cannot(store: Path) -> None:
    """A lead pulled for 20 s is a gap, open while nothing comes."""
    clock = ManualClock()

    def ask(text: str) -> Callable[[], None]:
        def act() -> None:
            write_request(store, "acknowledge", text)
            clock.advance(0.3)

        return act

    late = scan_block(400, [idle(i) for i in range(400, 500)])
    events: list[Any] = [ten_seconds(0), *[lambda: clock.advance(1.0)] * 6]
    events += [ask("1"), ask(""), late, ask("1")]
    Run(store, GivenLink(events), clock=clock)()
    requests = Reader(store).requests()
    assert [one.state for one in requests] == ["done", "done", "refused"]
    assert (requests[2].reason or "").startswith("finding 1 is over, it was cleared at 40 s")
    assert [mark.text for mark in Reader(store).marks(1)] == ["acknowledge 1", "acknowledge"]
    (gap,) = Reader(store).findings(1)
    assert gap.acknowledged_s == 9.9


def test_more_marks_than_a_line_of_a_log_holds_are_refused_until_the_next_scan(store: Path) -> None:
    clock = ManualClock()

    def ask_many() -> None:
        for number in range(daemon.MARKS_A_SCAN + 2):
            write_request(store, "mark", f"{number:03d}" + "\U0001f525" * (daemon.LONGEST_MARK - 3))
        clock.advance(0.3)

    def ask_one() -> None:
        write_request(store, "mark", "once more")
        clock.advance(0.3)

    Run(store, GivenLink([ten_seconds(0), ask_many, ten_seconds(10), ask_one]), clock=clock)()
    reader = Reader(store)
    assert [one.state for one in reader.requests()] == ["done"] * 64 + ["refused"] * 2 + ["done"]
    out = store.parent / "log.csv"
    setup_to = export_log(reader, 1, out)
    log = logfile.read(out, load(setup_to))
    back = [mark for _, marks in log for mark in marks]
    assert log.skipped == 0
    assert back == reader.marks(1)


def test_what_was_asked_of_a_daemon_that_died_is_refused_by_the_next(store: Path) -> None:
    with Writer(store, ManualClock()):
        pass
    write_request(store, "signal on")
    write_request(store, "stop")
    played = Played(store, "ten seconds")
    assert [(one.state, one.reason) for one in played.requests] == [
        ("refused", "the daemon that it was asked of has ended")
    ] * 2
    assert played.reader.soak().scans == 100


def asked_at_the_end(store: Path) -> Run:
    run = Run(store, GivenLink([ten_seconds(0)]), clock=ManualClock())
    run.each(lambda: write_request(store, "mark", "late") if len(run.outputs) == 2 else None)
    return run


def test_what_is_asked_while_a_soak_ends_is_refused(store: Path) -> None:
    assert asked_at_the_end(store)() == 1
    (request,) = Reader(store).requests()
    assert (request.state, request.reason) == ("refused", "soak 1 has ended")


def test_a_store_that_fails_after_the_end_does_not_make_it_a_failure(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refuse = Writer.refuse_asked

    def fails(self: Writer, reason: str) -> int:
        if "soak 1" in reason:
            raise StoreError("the store can't be written")
        return refuse(self, reason)

    monkeypatch.setattr(Writer, "refuse_asked", fails)
    run = asked_at_the_end(store)
    assert run() == 1
    assert "the store can't be written: what was asked last was not answered" in run.said
    assert Reader(store).soak().how == "stopped"


# ---- whoever asks


def test_nobody_to_ask_is_said_and_leaves_nothing(store: Path) -> None:
    with pytest.raises(StoreError, match="there is no store"):
        ask_daemon(store, Ask.STOP, "", SystemClock())
    assert list(store.parent.iterdir()) == []
    Writer(store, ManualClock()).close()
    with pytest.raises(NotReached, match="no soakbench runs on the store"):
        ask_daemon(store, Ask.STOP, "", SystemClock())
    assert Reader(store).requests() == []
    assert [path.name for path in store.parent.iterdir()] == ["soak.db"]


def test_a_lock_file_that_a_killed_daemon_left_is_no_daemon(store: Path) -> None:
    Writer(store, ManualClock()).close()
    left = Path(f"{store}.daemon")
    left.touch()
    with pytest.raises(NotReached, match="no soakbench runs"):
        ask_daemon(store, Ask.STOP, "", SystemClock())
    assert not left.exists()


def test_a_wrong_request_is_told_before_the_store_is_touched(store: Path) -> None:
    with pytest.raises(RequestError, match="a mark needs a text"):
        ask_daemon(store, Ask.MARK, "", SystemClock())


def test_no_answer_in_time_withdraws_the_request(store: Path) -> None:
    with Writer(store, ManualClock()) as writer:
        with pytest.raises(NotReached, match=r"didn't answer within 0\.2 s: the request was withdrawn"):
            ask_daemon(store, Ask.MARK, "fan on", SystemClock(), wait_s=0.2)
        assert writer.asked() == []
    (request,) = Reader(store).requests()
    assert (request.state, request.reason) == ("refused", "nobody answered within 0.2 s")
    assert (request.soak_id, request.t_us) == (None, None)


def test_an_answer_that_comes_with_the_withdrawal_counts(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Writer(store, ManualClock()) as writer:
        monkeypatch.setattr(
            "logger.store.asking._answered",
            lambda *_: writer.answer([Answer(one, None) for one in writer.asked()]) and None,
        )
        assert ask_daemon(store, Ask.STOP, "", SystemClock()).state == "done"


def test_whoever_stops_waiting_takes_the_request_back(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("logger.store.asking._answered", interrupted)
    with Writer(store, ManualClock()) as writer:
        with pytest.raises(KeyboardInterrupt):
            ask_daemon(store, Ask.MARK, "fan on", SystemClock())
        assert writer.asked() == []


def test_a_store_of_an_older_schema_cannot_be_asked(store: Path) -> None:
    with closing(sqlite3.connect(store)) as db:
        db.executescript((Path(__file__).parent / "data" / "store_0002.sql").read_text(encoding="utf-8"))
    lock = sqlite.daemon_lock(store)
    with lock, pytest.raises(StoreError, match="older schema 0002, in which nothing can be asked"):
        ask_daemon(store, Ask.STOP, "", SystemClock())


def hold(store: Path, held: Any) -> None:
    with Writer(store, SystemClock()):
        held.send("held")
        time.sleep(60.0)


def test_a_daemon_killed_between_asking_and_answering_is_told_at_once(store: Path) -> None:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["logger.daemon", "test_daemon"])
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(target=hold, args=(store, theirs))
    child.start()
    assert ours.recv() == "held"
    asking = request_command(store, "signal-on")
    reader = Reader(store)
    deadline = time.monotonic() + 20.0
    while not reader.requests() and time.monotonic() < deadline:
        time.sleep(0.02)
    child.kill()
    child.join(20)
    code, out, err = ended(asking)
    assert (code, out) == (3, "")
    assert "ended before it answered: the request was withdrawn" in err
    (request,) = reader.requests()
    assert (request.state, request.reason) == ("refused", "the daemon that it was asked of has ended")


def test_killed_at_any_moment_a_request_is_done_with_its_mark_or_not_at_all(store: Path, port: Path) -> None:
    rng = random.Random(4)
    in_all = 0
    with TinyDaq(port, idle, daq=DAQ, speed=20) as board:
        for number in range(1, 7):
            board.restart()
            child, said = started(store, board)
            hear(said, f"soak {number} has begun")
            end_s = time.monotonic() + 0.3 + rng.random()
            while time.monotonic() < end_s:
                write_request(store, "mark", "fan on")
            child.kill()
            child.join(20)
            said.close()
            assert child.exitcode == -signal.SIGKILL
            reader = Reader(store)
            ours = [one for one in reader.requests() if one.soak_id == number]
            done = [one.t_us for one in ours if one.state == "done"]
            assert done == [mark.t_us for mark in reader.marks(number)]
            assert {one.state for one in ours} <= {"done", "refused"}
            last_us = max(reader.scans(number).t_us.tolist(), default=-1)
            assert all(mark.t_us <= last_us for mark in reader.marks(number))
            in_all += len(done)
    assert in_all > 6
    Run(store, GivenLink([]), clock=ManualClock())()
    assert "asked" not in {one.state for one in Reader(store).requests()}


# ---- the writer's part


@contextmanager
def writing(store: Path) -> Iterator[Writer]:
    with Writer(store, ManualClock()) as writer:
        writer.begin_soak(**begin_with(2))
        writer.add_scans(idle_scans(100, 2))
        yield writer


def test_what_was_withdrawn_meanwhile_leaves_no_mark(store: Path) -> None:
    with writing(store) as writer:
        write_request(store, "mark", "first")
        write_request(store, "mark", "second")
        first, second = writer.asked()
        with closing(sqlite3.connect(store)) as db, db:
            db.execute("UPDATE request SET state = 'refused', reason = 'gone' WHERE id = ?", (first.id,))
        answers = [Answer(first, 5, mark="first"), Answer(second, 5, mark="second")]
        assert writer.answer(answers) == answers[1:]
    assert Reader(store).marks(1) == [Mark(5, "second")]
    assert [one.state for one in Reader(store).requests()] == ["refused", "done"]


def test_an_answer_that_could_not_be_stored_is_given_anew(store: Path) -> None:
    with writing(store) as writer:
        write_request(store, "mark", "first")
        (request,) = writer.asked()
        with closing(sqlite3.connect(store, isolation_level=None)) as db:
            db.execute("BEGIN IMMEDIATE")
            with pytest.raises(StoreError):
                writer.answer([Answer(request, 5, mark="first")])
        assert Reader(store).marks(1) == []
        assert writer.asked() == [request]
        assert writer.held_scans == 100
        assert writer.answer([Answer(request, 7, mark="first")])
    assert Reader(store).marks(1) == [Mark(7, "first")]


def test_an_answer_of_which_nobody_knew_whether_it_was_stored_counts_once(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As where a disk reports an error of a commit that it has kept all the same."""
    transaction = Writer._transaction

    @contextmanager
    def unsure(self: Writer) -> Iterator[sa.Connection]:
        with transaction(self) as connection:
            yield connection
        raise StoreError("the disk said no")

    with writing(store) as writer:
        writer.put_mark(Mark(1, "before"))
        write_request(store, "signal on")
        (request,) = writer.asked()
        with monkeypatch.context() as patch:
            patch.setattr(Writer, "_transaction", unsure)
            with pytest.raises(StoreError, match="the disk said no"):
                writer.answer([Answer(request, 5, mark="signal on")])
        assert writer.asked() == [request]
        assert writer.answer([Answer(request, 7, mark="signal on")]) == [Answer(request, 7, mark="signal on")]
        assert writer.asked() == []
    assert Reader(store).marks(1) == [Mark(1, "before"), Mark(7, "signal on")]
    (found,) = Reader(store).requests()
    assert (found.state, found.t_us) == ("done", 7)


def test_looking_for_requests_takes_no_lock_and_finds_them_by_an_index(store: Path) -> None:
    with writing(store) as writer:
        with sqlite.write_lock(store), closing(sqlite3.connect(store, isolation_level=None)) as db:
            db.execute("BEGIN IMMEDIATE")
            assert writer.asked() == []
            plan = db.execute(
                "EXPLAIN QUERY PLAN SELECT id FROM request WHERE state = 'asked' ORDER BY id LIMIT 100"
            ).fetchall()
        assert "ix_request_state" in str(plan)
        assert "TEMP B-TREE" not in str(plan)


@pytest.mark.parametrize(
    "row",
    [
        (None, "perhaps", None, None),
        (None, "refused", None, None),
        (None, "done", "because", None),
        (None, "done", None, 5),
        (1, "asked", None, 5),
        (9, "done", None, 5),
    ],
)
def test_the_table_takes_no_request_that_contradicts_itself(store: Path, row: tuple[object, ...]) -> None:
    with writing(store), closing(sqlite3.connect(store)) as db:
        db.execute("PRAGMA foreign_keys = ON")
        with pytest.raises(sqlite3.IntegrityError):
            db.execute(
                "INSERT INTO request (made_us, ask, text, soak_id, state, reason, t_us)"
                " VALUES (0, 'stop', '', ?, ?, ?, ?)",
                row,
            )


# ---- alarms


@pytest.mark.parametrize("answered", [False, True])
def test_an_alarm_sounds_once_and_again_each_five_minutes_until_acknowledged(
    store: Path, answered: bool
) -> None:
    """pair1 reads nothing from 120 s on, for a quarter of an hour."""
    clock = ManualClock()
    sounded: list[tuple[float, str]] = []

    def dropped(first_s: int) -> Any:
        rows = np.array([idle(i) for i in range(10 * first_s, 10 * first_s + 100)], dtype=np.int32)
        if first_s >= 120:
            rows[:, 0] = 3
        return scan_block(10 * first_s, rows)

    def acknowledge() -> None:
        if answered:
            write_request(store, "acknowledge")
        clock.advance(0.3)

    events: list[Any] = []
    for at_s in range(0, 1080, 10):
        events += [acknowledge] if at_s == 600 else []
        events.append(dropped(at_s))
    run = Run(
        store,
        GivenLink(events),
        clock=clock,
        on_alarm=lambda alarm: sounded.append((run.t_s, alarm.why)),
    )
    run()
    assert [why for _, why in sounded] == ["new", "reminder"] + ["reminder"] * (0 if answered else 2)
    reminded = [text for text in run.said if text.startswith("reminder, ")]
    assert len(reminded) == len(sounded) - 1
    assert reminded[0].startswith("reminder, not acknowledged for 5 min: pair1")
    (found,) = Reader(store).findings(1)
    assert found.kind is Kind.MEASURING_FAULT  # nothing at all: a lead
    assert found.open
    assert found.acknowledged_s == (599.9 if answered else None)
    assert sum(text == f"{found.severity.value}: {found.says}" for text in run.said) == 1


def test_while_nothing_comes_the_hosts_clock_reminds_until_acknowledged(store: Path) -> None:
    clock = ManualClock()
    told_at: list[float] = []

    def hear(text: str) -> None:
        if text.startswith("reminder, not acknowledged for "):
            told_at.append(clock.monotonic_s())

    def wait() -> None:
        clock.advance(1.0)

    def acknowledge() -> None:
        write_request(store, "acknowledge", "1")

    late = scan_block(15_000, [idle(i) for i in range(15_000, 15_010)])
    events: list[Any] = [ten_seconds(0), *[wait] * 800, acknowledge, *[wait] * 700, late]
    run = Run(store, GivenLink(events), clock=clock, say=hear, on_alarm=lambda alarm: told.append(alarm.why))
    told: list[str] = []
    run()
    assert told == ["new", "reminder", "reminder"]
    assert told_at == pytest.approx([306.0, 606.0], abs=2.0)
    (gap,) = Reader(store).findings(1)
    assert gap.acknowledged_s == 9.9


# ---- the record


def test_a_stored_soak_and_its_export_are_judged_as_the_daemon_judged_them(store: Path) -> None:
    """Signal for 60 s in the soak step, with a burst of current that would be held against a pair."""

    def counts(first_s: int) -> Any:
        rows = np.array([idle(i) for i in range(10 * first_s, 10 * first_s + 100)], dtype=np.int32)
        if 120 <= first_s < 180:
            rows[:, 0] += 3000
        return scan_block(10 * first_s, rows)

    clock = ManualClock()

    def ask(*what: str) -> Callable[[], None]:
        def act() -> None:
            write_request(store, *what)
            clock.advance(0.3)

        return act

    events: list[Any] = []
    for at_s in range(0, 300, 10):
        events += {110: [ask("mark", "fan on"), ask("signal on")], 190: [ask("signal off")]}.get(at_s, [])
        events.append(counts(at_s))
    events += [ask("mark", "after all"), ask("stop"), End("given")]
    Run(store, GivenLink(events), clock=clock)()
    reader = Reader(store)
    soak = reader.soak(1)
    assert soak.verdict is not None
    marks = [mark.text for mark in reader.marks(1)]
    assert marks == ["fan on", "signal on", "signal off", "after all", "stop"]
    assert judge_soak(reader, 1) == soak.verdict
    out = store.parent / "log.csv.gz"
    setup_to = export_log(reader, 1, out)
    assert [mark for _, marks in logfile.read(out, load(setup_to)) for mark in marks] == reader.marks(1)
    from_log = judge_log(out, load(setup_to))
    for part in ("findings", "channels"):
        assert from_log[part] == soak.verdict[part]
    assert from_log["soak"]["states"] == soak.verdict["soak"]["states"]
    states = [one["state"] for one in from_log["soak"]["states"]]
    assert states == ["off", "warming", "soaking", "under signal", "soaking"]


ASKED_AT_RANDOM = [
    ("mark", "tapped V5"),
    ("signal on", ""),
    ("signal off", ""),
    ("setting bias", ""),
    ("acknowledge", ""),
    ("acknowledge", "1"),
]


@pytest.mark.parametrize("name", ["drop-out", "intermittent", "signal-declared", "standby-flipped"])
def test_whatever_is_asked_daemon_store_and_log_agree(store: Path, name: str) -> None:
    """Blocks of any length, requests in between at random, several at one scan now and then."""
    rng = random.Random(name)
    one = scenario(name, 2, soak_min=35.0)
    text = one.setup_text(scans_per_s=1.0)
    clock = ManualClock()

    def ask() -> None:
        for _ in range(rng.choice([1, 1, 2, 3])):
            write_request(store, *rng.choice(ASKED_AT_RANDOM))
        clock.advance(0.3)

    scans = packing.joined(list(one.scans(scans_per_s=1.0)), len(one.info.full_count))
    events: list[Any] = []
    at = 0
    while at < len(scans):
        size = rng.choice([1, 7, 60, 600])
        events += [scans.part(at, at + size), *([ask] if rng.random() < 0.4 else [])]
        at += size
    Run(store, GivenLink(events, one.info), text, clock=clock, speed=0.0)()
    reader = Reader(store)
    live = reader.soak(1).verdict
    assert live is not None
    assert len(reader.marks(1)) >= 4
    assert judge_soak(reader, 1) == live
    acknowledged = {one["id"]: one["acknowledged_s"] for one in live["findings"]}
    assert {one.id: one.acknowledged_s for one in reader.findings(1)} == acknowledged
    out = store.parent / "log.csv"
    from_log = judge_log(out, load(export_log(reader, 1, out)))
    assert [from_log["findings"], from_log["channels"]] == [live["findings"], live["channels"]]
    for part in ("verdict", "states", "steps", "duration_s"):
        assert from_log["soak"][part] == live["soak"][part]


@pytest.mark.parametrize("seconds", [1, 7, 600])
def test_a_replay_gives_each_mark_once_with_the_block_that_it_falls_in(store: Path, seconds: int) -> None:
    given = [Mark(0, "a"), Mark(9_900_000, "b"), Mark(9_900_000, "c"), Mark(12_000_000, "d")]
    with Writer(store, ManualClock()) as writer:
        writer.begin_soak(**begin_with(2))
        writer.add_scans(idle_scans(100, 2))
        for mark in given:
            writer.put_mark(mark)
    back: list[Mark] = []
    last_us = -1
    for block, marks in Reader(store).replay(1, seconds):
        back += marks
        if len(block):
            assert all(last_us < mark.t_us <= block.t_us[-1] for mark in marks)
            last_us = int(block.t_us[-1])
    assert back == given
