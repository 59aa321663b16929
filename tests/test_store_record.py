"""The job record in a real store: nothing is lost, nobody's edit is overwritten, any process may write."""

from __future__ import annotations

import contextlib
import io
import itertools
import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from store_case import begin_with, idle_scans, same

from logger.clock import ManualClock
from logger.errors import RequestError, StoreError
from logger.jobs import State, as_of
from logger.store import photographs
from logger.store.job import change_of
from logger.store.reader import Reader
from logger.store.record import Record
from logger.store.writer import Writer

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "soak.db"


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(NOON)


@pytest.fixture
def record(path: Path, clock: ManualClock) -> Record:
    return Record(path, clock, "the workshop")


def theatre(record: Record, **more: Any) -> int:
    return record.book_in(
        amp="Theatre PA 240 W", serial="0042", complaint="hums, one side", shows=("hot",), **more
    )


def raw(path: Path, table: str, row_id: int) -> dict[str, Any]:
    with closing(sqlite3.connect(path)) as db:
        db.row_factory = sqlite3.Row
        return dict(db.execute(f"SELECT * FROM {table} WHERE id = ?", (row_id,)).fetchone())


def a_picture(kind: str = "PNG", colour: int = 200) -> bytes:
    out = io.BytesIO()
    Image.new("L", (8, 6), colour).save(out, kind)
    return out.getvalue()


# ---- booking in


def test_an_amp_is_booked_in_into_a_store_that_was_not_there(path: Path, record: Record) -> None:
    job_id = theatre(
        record,
        customer="order 118",
        condition="one knob missing\nlid bent",
        rated_w=240.0,
        checklist=[{"section": "safety", "what": "earth continuity", "caution": "", "asks": "ohm"}],
    )
    job = Reader(path).job(job_id)
    assert (job.amp.name, job.amp.serial, job.amp.rated_w) == ("Theatre PA 240 W", "0042", 240.0)
    assert (job.customer, job.complaint, job.shows) == ("order 118", "hums, one side", ("hot",))
    assert job.condition == "one knob missing\nlid bent"
    assert (job.state, job.received, job.closed) == (State.RECEIVED, NOON, None)
    assert (job.made_by, job.version, job.history) == ("the workshop", 1, ())
    assert [(item.what, item.asks, item.result) for item in job.checklist] == [
        ("earth continuity", "ohm", None)
    ]
    assert [one.id for one in Reader(path).jobs()] == [job_id]


def test_an_amp_that_comes_back_is_known_by_its_serial_number(path: Path, record: Record) -> None:
    first, second = theatre(record), theatre(record)
    assert Reader(path).job(first).amp == Reader(path).job(second).amp
    third = record.book_in(amp="Theatre PA 240 W")
    assert Reader(path).job(third).amp.id != Reader(path).job(first).amp.id
    fourth = record.book_in(amp=Reader(path).job(third).amp.id)
    assert Reader(path).job(fourth).amp == Reader(path).job(third).amp


@pytest.mark.parametrize(
    ("said", "complaint"),
    [
        ({"amp": "  "}, "the amp's name is missing"),
        ({"amp": "x", "shows": ("warm",)}, "a complaint can't show 'warm': it is one of cold, hot"),
        ({"amp": "x", "customer": "a\x1b[31mb"}, r"customer holds '\\x1b', which can't be printed"),
        ({"amp": "x" * 201}, "has 201 letters, and 200 is the most"),
        ({"amp": "x", "rated_w": float("nan")}, "rated w must be a number"),
        ({"amp": 7}, "there is no amp 7"),
    ],
)
def test_what_can_not_be_booked_in_is_said_in_a_sentence(
    record: Record, said: dict[str, Any], complaint: str
) -> None:
    with pytest.raises(RequestError, match=complaint):
        record.book_in(**said)


def test_a_store_of_the_fourth_schema_gets_its_job_record_and_keeps_every_soak(
    path: Path, record: Record
) -> None:
    """Rows as the fourth schema wrote them; its table of soaks is made anew."""
    with closing(sqlite3.connect(path)) as db:
        db.executescript((Path(__file__).parent / "data" / "store_0004.sql").read_text(encoding="utf-8"))
    job_id = theatre(record)
    reader = Reader(path)
    (soak,) = reader.soaks()
    assert (soak.scans, soak.how, soak.calibration_id, soak.job_id) == (100, "finished", 1, None)
    assert soak.checks == [{"check": "load", "result": "fine", "says": "8 ohm", "do": ""}]
    assert same(reader.scans(soak.id), idle_scans(100, 2))
    (found,) = reader.findings(soak.id)
    assert (found.acknowledged_s, found.evidence) == (6.0, {"apart_mA": 3.5})
    record.give_soak(soak.id, job_id)
    assert [one.id for one in reader.job(job_id).soaks] == [soak.id]
    (copy,) = path.parent.glob("soak.db-before-*")
    with closing(sqlite3.connect(copy)) as db:
        assert db.execute("SELECT version_num FROM alembic_version").fetchall() == [("0004",)]
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


# ---- history

EDITS = st.lists(
    st.one_of(
        st.tuples(st.just("customer"), st.text("ab c", max_size=3)),
        st.tuples(st.just("complaint"), st.text("hum\n", max_size=4)),
        st.tuples(st.just("shows"), st.sets(st.sampled_from(["cold", "hot", "loud"]))),
        st.tuples(st.just("received"), st.integers(0, 3).map(lambda n: NOON + timedelta(days=n))),
        st.tuples(
            st.just("state"), st.sampled_from(["on the bench", "ready", "collected", "waiting for parts"])
        ),
        st.tuples(st.just("deleted"), st.booleans()),
    ),
    max_size=12,
)


@pytest.fixture(scope="module")
def booked_in(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with one job, to be copied."""
    path = tmp_path_factory.mktemp("record") / "soak.db"
    assert theatre(Record(path, ManualClock(NOON), "the workshop")) == 1
    return path


@settings(max_examples=20, deadline=None)
@given(edits=EDITS)
def test_after_any_edits_every_earlier_state_can_be_told(
    booked_in: Path, edits: list[tuple[str, Any]]
) -> None:
    path = booked_in.with_name("edited.db")
    shutil.copy(booked_in, path)
    clock, job_id = ManualClock(NOON), 1
    record = Record(path, clock, "the workshop")
    states = {1: raw(path, "job", job_id)}
    for field, value in edits:
        clock.advance(60.0)
        try:
            if field != "deleted":
                version = record.edit("job", job_id, **{field: value})
            elif value:
                version = record.delete("job", job_id)
            else:
                version = record.restore("job", job_id)
        except RequestError:  # a state that can't follow, a job that is deleted: then nothing was changed
            version = max(states)
            assert raw(path, "job", job_id) == states[version]
        assert version in (max(states), max(states) + 1)
        states[version] = raw(path, "job", job_id)
    with closing(sqlite3.connect(path)) as db:
        db.row_factory = None
        columns = [row[1] for row in db.execute("PRAGMA table_info(history)")]
        rows = db.execute("SELECT * FROM history WHERE table_name = 'job' ORDER BY id").fetchall()
    changes = [change_of(_Row(dict(zip(columns, row, strict=True)))) for row in rows]
    now = raw(path, "job", job_id)
    for version, then in states.items():
        assert as_of(now, changes, version) == then
    assert list(Reader(path).job(job_id, deleted=True).history) == changes


class _Row:
    """A row by its columns' names."""

    def __init__(self, values: dict[str, Any]) -> None:
        self.__dict__.update(values)


def test_an_edit_tells_who_when_and_what_was_there(path: Path, record: Record, clock: ManualClock) -> None:
    job_id = theatre(record)
    clock.advance(3600.0)
    Record(path, clock, "the apprentice").edit("job", job_id, complaint="hums, both sides", customer="")
    (change,) = Reader(path).job(job_id).history
    assert (change.made_by, change.made) == ("the apprentice", NOON + timedelta(hours=1))
    assert (change.table, change.field, change.version) == ("job", "complaint", 2)
    assert (change.was, change.became) == ("hums, one side", "hums, both sides")


def test_an_edit_that_rests_on_what_somebody_changed_meanwhile_is_refused(
    path: Path, record: Record, clock: ManualClock
) -> None:
    job_id = theatre(record)
    seen = Reader(path).job(job_id).version
    Record(path, clock, "the apprentice").edit("job", job_id, seen, complaint="crackles")
    with pytest.raises(
        RequestError, match=r"job 1 was changed by the apprentice at .* since you looked \(complaint\)"
    ):
        record.edit("job", job_id, seen, complaint="hums")
    assert Reader(path).job(job_id).complaint == "crackles"


def test_two_processes_that_edit_from_one_version_lose_nothing(path: Path, record: Record) -> None:
    """Each of two processes makes 8 edits on the version it has just read: all count, or are refused."""
    job_id = theatre(record)
    script = (
        "import sys\n"
        "from logger.clock import SystemClock\n"
        "from logger.errors import RequestError\n"
        "from logger.store.reader import Reader\n"
        "from logger.store.record import Record\n"
        "path, name = sys.argv[1:]\n"
        "record, done = Record(path, SystemClock(), name), 0\n"
        "while done < 8:\n"
        "    seen = Reader(path).job(1).version\n"
        "    try:\n"
        "        record.edit('job', 1, seen, complaint=f'{name} {done}')\n"
        "        done += 1\n"
        "    except RequestError as error:\n"
        "        assert 'since you looked' in str(error), error\n"
    )
    running = [
        subprocess.Popen([sys.executable, "-c", script, str(path), name], stderr=subprocess.PIPE)
        for name in ("first", "second")
    ]
    for one in running:
        _, said = one.communicate(timeout=120)
        assert one.returncode == 0, said.decode()
    job = Reader(path).job(job_id)
    assert job.version == 17
    for name in ("first", "second"):
        assert [c.became for c in job.history if c.made_by == name] == [f"{name} {k}" for k in range(8)]
    assert [c.was for c in job.history] == ["hums, one side", *(c.became for c in job.history)][:-1]


def test_the_record_is_written_while_a_daemon_measures(
    path: Path, record: Record, clock: ManualClock
) -> None:
    with Writer(path, clock) as writer:
        job_id = theatre(record)
        soak_id = writer.begin_soak(**begin_with(2), job_id=job_id)
        writer.add_scans(idle_scans(100, 2))
        record.remark(job_id, "fan on")
        writer.commit()
        record.edit("job", job_id, state="soaking")
        writer.end_soak(ended=NOON, how="stopped", verdict=None)
    job = Reader(path).job(job_id)
    assert (job.state, [one.text for one in job.remarks]) == (State.SOAKING, ["fan on"])
    assert [(soak.id, soak.how) for soak in job.soaks] == [(soak_id, "stopped")]
    assert same(Reader(path).scans(soak_id), idle_scans(100, 2))


def test_deleting_is_a_mark_that_can_be_taken_away(path: Path, record: Record) -> None:
    job_id = theatre(record)
    number = record.remark(job_id, "wrong amp")
    record.delete("remark", number)
    assert Reader(path).job(job_id).remarks == ()
    (kept,) = Reader(path).job(job_id, deleted=True).remarks
    assert (kept.text, kept.deleted) == ("wrong amp", NOON)
    with pytest.raises(RequestError, match="remark 1 was deleted on 2026-03-02 12:00 UTC: restore it first"):
        record.edit("remark", number, text="x")
    record.restore("remark", number)
    assert [one.text for one in Reader(path).job(job_id).remarks] == ["wrong amp"]


def test_a_job_that_is_not_there_is_named_with_those_that_are(path: Path, record: Record) -> None:
    theatre(record)
    record.delete("job", theatre(record))
    with pytest.raises(RequestError, match="job 9 does not exist: the store has the jobs 1"):
        Reader(path).job(9)
    with pytest.raises(RequestError, match="job 2 was deleted: the store has the jobs 1"):
        Reader(path).job(2)
    with pytest.raises(RequestError, match="there is no job 9"):
        record.remark(9, "x")


def test_what_others_rest_on_is_not_deleted(path: Path, record: Record, clock: ManualClock) -> None:
    job_id = theatre(record)
    with pytest.raises(RequestError, match="amp 1 has jobs: it stays"):
        record.delete("amp", 1)
    with Writer(path, clock) as writer:
        writer.begin_soak(**begin_with(2), job_id=job_id)
    with pytest.raises(RequestError, match="job 1 has soaks: it stays"):
        record.delete("job", job_id)


def test_nothing_but_booking_in_makes_a_store(path: Path, record: Record) -> None:
    with pytest.raises(StoreError):
        record.remark(1, "x")
    assert not path.exists()


def test_a_job_moves_only_where_it_can_go(path: Path, record: Record) -> None:
    job_id = theatre(record)
    with pytest.raises(
        RequestError, match=r'that is "received" can\'t become "ready": from there it goes to'
    ):
        record.edit("job", job_id, state="ready")
    with pytest.raises(RequestError, match="'fixed' is no state of a job: it is one of received, on the"):
        record.edit("job", job_id, state="fixed")
    for state in ("on-the-bench", "soaking", "ready"):
        record.edit("job", job_id, state=state)
    record.close_job(job_id)
    job = Reader(path).job(job_id)
    assert (job.state, job.closed) == (State.COLLECTED, NOON)
    record.edit("job", job_id, state="ready")
    assert Reader(path).job(job_id).closed is None


# ---- valves


def sits(path: Path, job_id: int) -> dict[str, str]:
    return {one.socket: one.valve.label for one in Reader(path).job(job_id).fitted_now}


def test_retubing_a_socket_closes_one_fitting_and_opens_the_next(
    path: Path, record: Record, clock: ManualClock
) -> None:
    job_id = theatre(record)
    clock.advance(3600.0)
    record.fit_valve(job_id, "V5", "bag 3", valve_type="EL34", found=True)
    record.fit_valve(job_id, "V5", "bag 9", valve_type="EL34", seller_a=0.038, why="glass cracked")
    assert sits(path, job_id) == {"V5": "bag 9"}
    first, second = Reader(path).job(job_id).fittings
    assert (first.how, first.fitted, first.removed) == ("found", NOON, NOON + timedelta(hours=1))
    assert (first.why_removed, first.out_job_id) == ("glass cracked", job_id)
    assert (second.how, second.fitted, second.removed) == ("fitted", NOON + timedelta(hours=1), None)
    assert second.valve.seller_a == 0.038
    record.take_out(job_id, "V5", why="spare for the next show")
    assert sits(path, job_id) == {}
    assert [one.valve.label for one in Reader(path).fittings(valve_id=second.valve_id)] == ["bag 9"]


def test_a_valve_that_is_fitted_elsewhere_in_the_amp_has_moved_and_in_another_amp_is_refused(
    path: Path, record: Record
) -> None:
    job_id = theatre(record)
    record.fit_valve(job_id, "V5", "bag 3")
    record.fit_valve(job_id, "V6", "bag 4")
    record.fit_valve(job_id, "V6", "bag 3")
    assert sits(path, job_id) == {"V6": "bag 3"}
    with pytest.raises(RequestError, match="bag 3 sits in V6 already"):
        record.fit_valve(job_id, "V6", "bag 3")
    other = record.book_in(amp="Second PA")
    with pytest.raises(RequestError, match="bag 3 sits in V6 of Theatre PA 240 W: take it out there first"):
        record.fit_valve(other, "V1", "bag 3")
    with pytest.raises(RequestError, match="valve bag 3 sits in an amp"):
        record.delete("valve", Reader(path).valves()[0].id)
    with pytest.raises(RequestError, match="nothing sits in V7"):
        record.take_out(job_id, "V7")


def test_one_socket_never_holds_two_valves_at_one_time(
    path: Path, record: Record, clock: ManualClock
) -> None:
    job_id = theatre(record)
    clock.advance(7200.0)
    record.fit_valve(job_id, "V5", "bag 3", found=True)
    number = record.fit_valve(job_id, "V5", "bag 4")
    record.take_out(job_id, "V5")
    with pytest.raises(RequestError, match="fitting 1 has V5 from 2026-03-02 12:00 to 2026-03-02 14:00"):
        record.fit_valve(job_id, "V5", "bag 5", when=NOON + timedelta(hours=1))
    with pytest.raises(RequestError, match="the times overlap"):
        record.edit("fitting", number, fitted=NOON)
    with pytest.raises(RequestError, match="can't be like that"):
        record.edit("fitting", 1, removed=NOON - timedelta(hours=1))


DEEDS = st.lists(
    st.tuples(
        st.sampled_from(["fit", "fit", "found", "out", "delete", "restore", "correct"]),
        st.sampled_from(["V5", "V6"]),
        st.sampled_from(["bag 1", "bag 2", "bag 3"]),
        st.integers(-5, 5),  # hours after noon
    ),
    max_size=14,
)


@settings(max_examples=20, deadline=None)
@given(deeds=DEEDS)
def test_whatever_is_done_no_socket_and_no_valve_is_in_two_places_at_once(
    booked_in: Path, deeds: list[tuple[str, str, str, int]]
) -> None:
    path = booked_in.with_name("fitted.db")
    shutil.copy(booked_in, path)
    record = Record(path, ManualClock(NOON), "the workshop")
    for deed, socket, label, hour in deeds:
        when = NOON + timedelta(hours=hour)
        with contextlib.suppress(RequestError):  # what would contradict the record is refused
            if deed in ("fit", "found"):
                record.fit_valve(1, socket, label, found=deed == "found", when=when)
            elif deed == "out":
                record.take_out(1, socket, when=when)
            elif deed == "correct":
                record.edit("fitting", 1 + abs(hour), removed=None if label == "bag 1" else when)
            elif deed == "delete":
                record.delete("fitting", 1 + abs(hour))
            else:
                record.restore("fitting", 1 + abs(hour))
    fittings = Reader(path).fittings()
    for one, other in itertools.combinations(fittings, 2):
        if one.socket == other.socket or one.valve_id == other.valve_id:
            first, second = sorted((one, other), key=lambda f: (f.fitted, f.removed or FOR_EVER))
            assert first.removed is not None
            assert first.removed <= second.fitted


FOR_EVER = datetime(9999, 1, 1, tzinfo=UTC)


def test_a_number_is_one_valve_of_one_type(path: Path, record: Record) -> None:
    job_id = theatre(record)
    record.fit_valve(job_id, "V5", "bag 3", valve_type="EL34")
    with pytest.raises(RequestError, match="bag 3 is a EL34 in the record, not a KT88"):
        record.fit_valve(job_id, "V6", "bag 3", valve_type="KT88")
    record.fit_valve(job_id, "V6", "bag 4", valve_type="EL34")
    with pytest.raises(RequestError, match="there is a valve with this label already"):
        record.edit("valve", 2, label="bag 3")


# ---- what belongs to a job


def test_fuses_work_readings_and_the_checklist(path: Path, record: Record) -> None:
    job_id = theatre(record, checklist=[{"section": "s", "what": "earth", "caution": "", "asks": "ohm"}])
    number = record.set_fuse(job_id, "mains", found="T 6.3 A", marked="T 5 A")
    assert record.set_fuse(job_id, "mains", fitted="T 5 A") == number
    record.add_work(job_id, "new reservoir", part="100 uF 500 V", quantity=2, minutes=45)
    record.read_bench(
        job_id,
        [
            {"stage": "as found", "quantity": "HT", "value": 452.0, "unit": "V", "instrument": "meter 3"},
            {"stage": "as left", "quantity": "HT", "value": 455.0, "unit": "V", "uncertainty": 2.0},
        ],
    )
    record.add_checklist(job_id, [{"section": "s", "what": "fan", "caution": "", "asks": ""}])
    job = Reader(path).job(job_id)
    (fuse,) = job.fuses
    assert (fuse.found, fuse.marked, fuse.fitted) == ("T 6.3 A", "T 5 A", "T 5 A")
    assert [(w.what, w.part, w.quantity, w.minutes) for w in job.work] == [
        ("new reservoir", "100 uF 500 V", 2.0, 45.0)
    ]
    assert [(r.stage, r.value, r.uncertainty, r.taken) for r in job.readings] == [
        ("as found", 452.0, None, NOON),
        ("as left", 455.0, 2.0, NOON),
    ]
    earth, fan = job.checklist
    with pytest.raises(RequestError, match='"earth" is fine only with what was read, in ohm'):
        record.tick_off(earth.id, "fine")
    with pytest.raises(RequestError, match='"fan" asks for no figure'):
        record.tick_off(fan.id, "fine", 3.0)
    with pytest.raises(RequestError, match="'good' is no result"):
        record.tick_off(fan.id, "good")
    record.tick_off(earth.id, "fine", 0.08, "at the far screw")
    record.tick_off(fan.id, "does-not-apply")
    earth, fan = Reader(path).job(job_id).checklist
    assert (earth.result, earth.value, earth.note, earth.done, earth.done_by) == (
        "fine",
        0.08,
        "at the far screw",
        NOON,
        "the workshop",
    )
    assert fan.result == "does not apply"


@pytest.mark.parametrize(
    ("reading", "complaint"),
    [
        ({"stage": "after", "quantity": "HT", "value": 1.0, "unit": "V"}, "'after' is no stage"),
        ({"stage": "as left", "quantity": "", "value": 1.0, "unit": "V"}, "quantity is missing"),
        ({"stage": "as left", "quantity": "HT", "value": float("inf"), "unit": "V"}, "must be a number"),
        ({"stage": "as left", "quantity": "HT", "value": 1.0, "unit": "V", "uncertainty": -1.0}, "from 0"),
        ({"stage": "as left", "quantity": "HT", "value": 1.0, "unit": "V", "load_ohm": 0.0}, "above 0"),
        ({"quantity": "HT", "value": 1.0, "unit": "V"}, "stage is missing"),
    ],
)
def test_of_readings_with_one_wrong_among_them_none_is_stored(
    path: Path, record: Record, reading: dict[str, Any], complaint: str
) -> None:
    job_id = theatre(record)
    good = {"stage": "as left", "quantity": "HT", "value": 455.0, "unit": "V"}
    with pytest.raises(RequestError, match=complaint):
        record.read_bench(job_id, [good, reading])
    assert Reader(path).job(job_id).readings == ()


def test_an_overruling_is_signed_dated_has_a_reason_and_stays(path: Path, record: Record) -> None:
    job_id = theatre(record)
    with pytest.raises(RequestError, match="the reason for overruling is missing"):
        record.overrule(job_id, "pass", " ")
    with pytest.raises(RequestError, match="'good' is no verdict"):
        record.overrule(job_id, "good", "x")
    record.overrule(job_id, "conditional-pass", "the customer wants it for tonight")
    record.overrule(job_id, "fail", "it came back")
    assert [(o.statement, o.reason, o.made_by, o.made) for o in Reader(path).job(job_id).overrulings] == [
        ("conditional pass", "the customer wants it for tonight", "the workshop", NOON),
        ("fail", "it came back", "the workshop", NOON),
    ]


def test_a_soak_given_to_a_job_leaves_a_trace(path: Path, record: Record, clock: ManualClock) -> None:
    job_id = theatre(record)
    with Writer(path, clock) as writer:
        soak_id = writer.begin_soak(**begin_with(2))
        writer.end_soak(ended=NOON, how="stopped", verdict=None)
    record.give_soak(soak_id, job_id)
    record.give_soak(soak_id, job_id)
    assert Reader(path).soak(soak_id).job_id == job_id
    (change,) = Reader(path).job(job_id).history
    assert (change.table, change.row_id, change.field, change.was, change.became) == (
        "soak",
        soak_id,
        "job_id",
        None,
        job_id,
    )
    record.give_soak(soak_id, None)
    assert Reader(path).job(job_id).soaks == ()
    with pytest.raises(RequestError, match="there is no soak 7"):
        record.give_soak(7, job_id)


# ---- photographs


@pytest.mark.parametrize(("kind", "suffix"), [("PNG", "png"), ("JPEG", "jpg")])
def test_a_photograph_is_kept_byte_by_byte_beside_the_store(
    path: Path, record: Record, tmp_path: Path, kind: str, suffix: str
) -> None:
    job_id = theatre(record)
    file = tmp_path / "DSC 0001.whatever"
    file.write_bytes(a_picture(kind))
    record.attach(job_id, file, "burnt resistor")
    (kept,) = Reader(path).job(job_id).photographs
    assert (kept.kind, kept.width_px, kept.height_px) == (kind.lower(), 8, 6)
    assert (kept.name, kept.caption) == ("DSC 0001.whatever", "burnt resistor")
    where = photographs.path_of(path, kept)
    assert where == tmp_path / "soak.db-photos" / f"{kept.checksum}.{suffix}"
    assert where.read_bytes() == file.read_bytes()
    assert photographs.wrong(path, kept) is None
    where.write_bytes(b"x")
    assert "is damaged" in (photographs.wrong(path, kept) or "")
    where.unlink()
    assert "is missing" in (photographs.wrong(path, kept) or "")


def test_a_jpeg_with_further_pictures_behind_it_is_one(path: Path, record: Record, tmp_path: Path) -> None:
    out, second = io.BytesIO(), Image.new("RGB", (4, 3))
    Image.new("RGB", (8, 6)).save(out, "MPO", save_all=True, append_images=[second])
    (tmp_path / "phone.jpg").write_bytes(out.getvalue())
    record.attach(theatre(record), tmp_path / "phone.jpg")
    (kept,) = Reader(path).photographs()
    assert (kept.kind, kept.width_px) == ("jpeg", 8)
    assert photographs.wrong(path, kept) is None


def test_a_picture_that_is_too_large_is_refused(
    record: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job_id = theatre(record)
    (tmp_path / "a.png").write_bytes(a_picture())
    monkeypatch.setattr(photographs, "MOST_PIXELS", 47)
    with pytest.raises(RequestError, match="pixels: make it smaller"):
        record.attach(job_id, tmp_path / "a.png")
    monkeypatch.setattr(photographs, "MOST_BYTES", 20)
    with pytest.raises(RequestError, match="is larger than"):
        record.attach(job_id, tmp_path / "a.png")


def test_what_is_no_photograph_is_not_taken_in(path: Path, record: Record, tmp_path: Path) -> None:
    job_id = theatre(record)
    for name, data in (
        ("a.png", b"<svg/>"),
        ("b.jpg", a_picture("JPEG")[:60]),
        ("c.png", a_picture("GIF")),
        ("d.png", b""),
    ):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(RequestError, match="is no whole JPEG or PNG picture"):
            record.attach(job_id, tmp_path / name)
    with pytest.raises(RequestError, match="can't be read"):
        record.attach(job_id, tmp_path / "nothing.png")
    for odd in (tmp_path, Path("/dev/zero")):
        with pytest.raises(RequestError, match="is no file"):
            record.attach(job_id, odd)
    assert Reader(path).job(job_id).photographs == ()
    assert not photographs.folder(path).exists()


def test_the_same_photograph_is_kept_once_and_a_damaged_file_is_not_overwritten(
    path: Path, record: Record, tmp_path: Path
) -> None:
    first, second = theatre(record), theatre(record)
    file = tmp_path / "a.png"
    file.write_bytes(a_picture())
    record.attach(first, file)
    with pytest.raises(RequestError, match="is photograph 1 of job 1 already"):
        record.attach(first, file)
    record.attach(second, file)
    (there,) = photographs.folder(path).iterdir()
    there.write_bytes(b"somebody's")
    third = theatre(record)
    with pytest.raises(StoreError, match="is damaged: put it aside"):
        record.attach(third, file)
    assert there.read_bytes() == b"somebody's"


def test_history_is_readable_without_us(path: Path, record: Record) -> None:
    job_id = theatre(record)
    record.edit("job", job_id, customer="Ärger & Söhne")
    with closing(sqlite3.connect(path)) as db:
        (row,) = db.execute("SELECT table_name, row_id, field, was, became FROM history").fetchall()
    assert row[:3] == ("job", job_id, "customer")
    assert (json.loads(row[3]), json.loads(row[4])) == ("", "Ärger & Söhne")
