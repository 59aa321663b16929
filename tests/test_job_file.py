"""A job goes to another bench as one zip and nothing of it changes; a stranger's file can do no harm."""

from __future__ import annotations

import dataclasses
import io
import json
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from store_case import a_calibration, begin_with, idle_scans

import soakbench
from logger.blocks import Mark
from logger.clock import ManualClock
from logger.errors import RequestError, SoakbenchError, StoreTooNew
from logger.finding import Finding, Kind, Severity
from logger.store import job_file, photographs
from logger.store.reader import Reader
from logger.store.record import Record
from logger.store.writer import Writer

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def fill(store: Path, folder: Path) -> int:
    """Make a store with another job before the one that is exported, so that no number is the same there."""
    clock = ManualClock(NOON)
    record = Record(store, clock, "anna")
    other = record.book_in(amp="Hall PA", serial="1")
    record.fit_valve(other, "V1", "H1", valve_type="EL34")
    job_id = record.book_in(amp="Theatre PA 240 W", serial="0042", complaint="hums", shows=("hot",))
    record.fit_valve(job_id, "V1", "A1", valve_type="EL34", batch="7")
    record.fit_valve(job_id, "V2", "A2", valve_type="EL34")
    clock.advance(3600)
    record.take_out(job_id, "V1", why="aged")
    record.fit_valve(job_id, "V1", "A3", valve_type="EL34")
    record.set_fuse(job_id, "mains", found="T 6.3 A", marked="T 5 A")
    record.set_fuse(job_id, "mains", fitted="T 5 A")
    record.add_work(job_id, "new reservoir", part="100 uF 500 V", quantity=2, minutes=45)
    record.delete("remark", record.remark(job_id, "a slip of the pen"))
    record.remark(job_id, "=1+1 is no formula")
    record.edit("amp", Reader(store).job(job_id).amp.id, notes="bias pots are on the left")
    record.read_bench(
        job_id, [{"stage": "as found", "quantity": "bias", "place": "V1", "value": -38.1, "unit": "V"}]
    )
    picture = io.BytesIO()
    Image.new("RGB", (32, 24), (200, 100, 0)).save(picture, "PNG")
    (folder / "inside.png").write_bytes(picture.getvalue())
    record.attach(job_id, folder / "inside.png", "before")
    record.overrule(job_id, "conditional pass", "seen by me")
    with Writer(store, clock) as writer:
        own = begin_with(2)
        writer.begin_soak(**own)
        writer.end_soak(ended=own["started"], how="stopped", verdict=None)
        writer.add_calibration(a_calibration(day=1))
        used = writer.add_calibration(a_calibration(day=2))
        writer.begin_soak(**own, job_id=job_id, calibration_id=used, kind="as found")
        block = idle_scans(1300, 2)
        writer.add_scans(block)
        writer.put_mark(Mark(5_000_000, "fan on"))
        writer.put_finding(
            Finding(
                id=1, kind=Kind.DRIFT, channel="pair1", channels=("pair1",), onset_s=3.0, raised_s=9.5,
                severity=Severity.WARNING, says="pair1 rises", evidence={"rate": 0.1234567890123},
            )
        )  # fmt: skip
        writer.put_checks([{"check": "load", "result": "fine", "says": "8 ohm", "do": ""}])
        verdict = {"soak": {"verdict": "pass", "says": "", "states": []}, "channels": [{"x": 1 / 3}]}
        writer.end_soak(ended=own["started"] + timedelta(seconds=130), how="finished", verdict=verdict)
    return job_id


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int, Path]:
    """Return a store, the job's number in it, and its zip."""
    folder = tmp_path_factory.mktemp("job")
    job_id = fill(folder / "a.db", folder)
    job_file.pack(folder / "a.db", job_id, folder / "job.zip")
    return folder / "a.db", job_id, folder / "job.zip"


NUMBERS = {"id", "job_id", "out_job_id", "amp_id", "valve_id", "row_id", "soak_id"}


def without_numbers(value: Any) -> Any:
    """Return a job as plain values without the numbers that each store gives for itself."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        if getattr(value, "field", None) in NUMBERS:  # history of a number: that it changed, not to which
            value = dataclasses.replace(value, was=value.was is None, became=value.became is None)
        return {
            field.name: without_numbers(getattr(value, field.name))
            for field in dataclasses.fields(value)
            if field.name not in NUMBERS
        }
    if isinstance(value, (tuple, list)):
        return [without_numbers(one) for one in value]
    return value


def test_a_job_comes_out_on_another_bench_as_it_went_in(made: tuple[Path, int, Path], tmp_path: Path) -> None:
    store, job_id, zipped = made
    target = tmp_path / "b.db"
    number = job_file.unpack(zipped, target, ManualClock(NOON))
    here, there = Reader(store), Reader(target)
    one, other = here.job(job_id, deleted=True), there.job(number, deleted=True)
    assert without_numbers(one) == without_numbers(other)
    assert len(one.fittings) == 3
    assert len(one.history) > 3
    (old,) = [soak for soak in here.soaks() if soak.job_id == job_id]
    (new,) = there.soaks()
    same = {"id": 0, "job_id": 0, "calibration_id": 0}
    assert dataclasses.replace(old, **same) == dataclasses.replace(new, **same)
    a, b = here.scans(old.id), there.scans(new.id)
    assert np.array_equal(a.t_us, b.t_us)
    assert np.array_equal(a.sequence, b.sequence)
    assert np.array_equal(a.counts, b.counts)
    assert here.findings(old.id) == there.findings(new.id)
    assert here.marks(old.id) == there.marks(new.id)
    for level in (10, 60):
        mine, theirs = here.rollup(old.id, level), there.rollup(new.id, level)
        assert np.array_equal(mine.vsum, theirs.vsum)
        assert np.array_equal(mine.n, theirs.n)
    calibrations = [reader.calibration_of(soak) for reader, soak in ((here, old), (there, new))]
    assert calibrations[0] is not None
    assert calibrations[1] is not None
    assert calibrations[0].channels == calibrations[1].channels
    (picture,) = other.photographs
    assert photographs.checksum(photographs.path_of(target, picture)) == picture.checksum


def test_the_store_that_took_it_in_is_whole(made: tuple[Path, int, Path], tmp_path: Path) -> None:
    target = tmp_path / "b.db"
    job_file.unpack(made[2], target, ManualClock(NOON))
    assert soakbench.main(["verify", "--db", str(target)]) == 0


def test_a_job_or_a_soak_of_it_is_not_taken_in_twice(made: tuple[Path, int, Path], tmp_path: Path) -> None:
    store, job_id, zipped = made
    target = tmp_path / "b.db"
    number = job_file.unpack(zipped, target, ManualClock(NOON))
    with pytest.raises(RequestError, match=f"already, as job {number}"):
        job_file.unpack(zipped, target, ManualClock(NOON))
    with pytest.raises(RequestError, match=f"already, as job {job_id}"):
        job_file.unpack(zipped, store, ManualClock(NOON))
    assert len(Reader(target).soaks()) == 1
    renamed = changed(zipped, tmp_path, lambda head: head["tables"]["job"][0].update(uuid="another"))
    with pytest.raises(RequestError, match="already, as soak 1"):
        job_file.unpack(renamed, target, ManualClock(NOON))


def test_an_amp_that_was_here_before_is_that_one_and_valves_of_one_name_are_told_apart(
    made: tuple[Path, int, Path], tmp_path: Path
) -> None:
    target = tmp_path / "b.db"
    record = Record(target, ManualClock(NOON), "ben")
    before = record.book_in(amp="Theatre PA 240 W", serial="0042")
    record.fit_valve(record.book_in(amp="Club PA", serial="3"), "V1", "A1", valve_type="KT88")
    said: list[str] = []
    number = job_file.unpack(made[2], target, ManualClock(NOON), said.append)
    reader = Reader(target)
    assert reader.job(number).amp.id == reader.job(before).amp.id
    assert {valve.label for valve in reader.valves()} >= {"A1", "A1 (2)", "A2", "A3"}
    assert [line.split(":")[0] for line in said] == [
        "the amp Theatre PA 240 W is here already, as number 1, and stays as it is",
        "another valve is called A1 here",
    ]


def changed(zipped: Path, folder: Path, change: Callable[[dict[str, Any]], object]) -> Path:
    """Return a copy of a zip with another job.json."""
    out = folder / "changed.zip"
    with zipfile.ZipFile(zipped) as source, zipfile.ZipFile(out, "w") as target:
        for name in source.namelist():
            data = source.read(name)
            if name == "job.json":
                head = json.loads(data)
                change(head)
                data = json.dumps(head).encode()
            target.writestr(name, data)
    return out


def _forge(head: dict[str, Any], **values: Any) -> None:
    head["tables"]["soak"][0].update(values)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda head: head.update(schema="x"), "its schema is not"),
        (lambda head: head["tables"].pop("fuse"), "tables are missing"),
        (lambda head: head["tables"]["job"][0].update(evil=1), "rows of job that can be none"),
        (lambda head: head["tables"]["job"].clear(), "one job of one amp"),
        (lambda head: head["tables"]["photograph"][0].update(checksum="../x"), "a photograph that can be"),
        (lambda head: head["files"].clear(), "is not what it was"),
        (lambda head: _forge(head, setup_text="x = 1"), "set-up of a soak"),
        (lambda head: _forge(head, scans=7), "has 1300 scans and should have 7"),
        (lambda head: _forge(head, kind="odd"), "nothing was taken in"),
        (lambda head: _forge(head, verdict="[1"), "damaged"),
        (lambda head: _forge(head, verdict="{}"), "verdict that is none"),
        (lambda head: _forge(head, daq="{}"), "damaged"),
        (lambda head: head["tables"]["finding"][0].update(kind="odd"), "'odd' is not a valid Kind"),
        (lambda head: head["tables"]["finding"][0].pop("soak_id"), "rows of finding that can be none"),
        (lambda head: head["tables"]["history"][0].update(was="{"), "damaged"),
        (lambda head: head["tables"]["calibration"][0].update(channels='{"pair1": 3}'), "damaged"),
    ],
)  # fmt: skip
def test_a_zip_that_was_tampered_with_takes_nothing_in(
    change: Callable[[dict[str, Any]], object], says: str, made: tuple[Path, int, Path], tmp_path: Path
) -> None:
    forged = changed(made[2], tmp_path, change)
    with pytest.raises(SoakbenchError, match=says):
        job_file.unpack(forged, tmp_path / "b.db", ManualClock(NOON))
    if (tmp_path / "b.db").exists():
        assert Reader(tmp_path / "b.db").jobs() == []
        assert Reader(tmp_path / "b.db").soaks() == []


def test_a_zip_of_a_later_soakbench_says_so(made: tuple[Path, int, Path], tmp_path: Path) -> None:
    later = changed(made[2], tmp_path, lambda head: head.update(revision="9999"))
    with pytest.raises(StoreTooNew, match="later schema 9999"):
        job_file.unpack(later, tmp_path / "b.db", ManualClock(NOON))


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.floats(0.0, 1.0), byte=st.integers(0, 255), cut=st.booleans())
def test_no_damaged_zip_brings_anything_but_a_sentence(
    at: float, byte: int, cut: bool, made: tuple[Path, int, Path], tmp_path: Path
) -> None:
    data = bytearray(made[2].read_bytes())
    place = int(at * (len(data) - 1))
    if cut:
        data = data[:place]
    else:
        data[place] ^= byte or 1
    broken, target = tmp_path / "broken.zip", tmp_path / "b.db"
    broken.write_bytes(data)
    target.unlink(missing_ok=True)
    try:
        job_file.unpack(broken, target, ManualClock(NOON))
    except SoakbenchError as error:
        assert "broken.zip" in str(error)  # noqa: PT017 - what it says is what is held here


def test_the_commands_take_a_job_out_and_in(
    made: tuple[Path, int, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store, job_id, _ = made
    out, target = tmp_path / "job.zip", tmp_path / "b.db"
    assert soakbench.main(["export", "--job", str(job_id), "--out", str(out), "--db", str(store)]) == 0
    assert soakbench.main(["import", str(out), "--db", str(target)]) == 0
    assert capsys.readouterr().out == f"{out}\njob 1\n"
    assert (
        soakbench.main(["export", "--job", "99", "--out", str(tmp_path / "x.zip"), "--db", str(store)]) == 2
    )
    assert soakbench.main(["export", "--out", str(tmp_path / "x.zip"), "--db", str(store)]) == 2
    assert soakbench.main(["import", str(tmp_path / "log.csv"), "--db", str(target)]) == 2
    assert "needs its set-up" in capsys.readouterr().err
    assert not (tmp_path / "x.zip").exists()


def test_a_job_whose_soak_runs_is_not_exported(tmp_path: Path) -> None:
    store, clock = tmp_path / "a.db", ManualClock(NOON)
    job_id = Record(store, clock, "anna").book_in(amp="Theatre PA 240 W")
    with Writer(store, clock) as writer:
        writer.begin_soak(**begin_with(2), job_id=job_id)
        with pytest.raises(RequestError, match="has not ended"):
            job_file.pack(store, job_id, tmp_path / "job.zip")
