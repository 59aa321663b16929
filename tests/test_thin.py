"""A thinned soak says all that it said before, but for single scans; none goes that the archive has not."""

from __future__ import annotations

import itertools
import json
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dashboard_soak import unpacked
from hypothesis import given, settings
from hypothesis import strategies as st
from store_case import NARROW, STARTED, WIDE, begin_with, idle_scans, odd_scans, part, same

import soakbench
from dashboard import series
from dashboard.bench import IN_FORCE, Bench, Look
from dashboard.chart import Asked, Charts
from dashboard.figures import View
from dashboard.pages.soak import head
from dashboard.report import document, gather
from logger import archive as archiving
from logger.clock import ManualClock
from logger.compare import visit
from logger.errors import DaemonRunning, RequestError
from logger.finding import Finding, Kind, Severity
from logger.judge import judge_soak
from logger.setup import parse
from logger.simulator.scenarios import scenario
from logger.store import rollup as rollups
from logger.store import thinning
from logger.store.reader import Reader
from logger.store.record import Record
from logger.store.whole import verify
from logger.store.writer import Writer
from logger.thin import Outcome, months_before, restore, thin
from logger.units import PAIR_UNITS

pytest.importorskip("pyarrow")
LATER = STARTED + timedelta(days=400)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store of one judged soak that has findings and one that runs, and its archive."""
    folder = tmp_path_factory.mktemp("made")
    one = scenario("drift", 4, warm_up_min=5, soak_min=60)
    text = one.setup_text()
    path = folder / "soak.db"
    with Writer(path, ManualClock(STARTED)) as writer:
        writer.begin_soak(setup=parse(text), setup_text=text, daq=one.info, started=STARTED)
        for block in one.scans(scans_per_s=0.5):
            writer.add_scans(block)
        writer.commit()
        verdict = judge_soak(Reader(path), 1)
        for finding in verdict["findings"]:
            keys = ("id", "channel", "onset_s", "raised_s", "cleared_s", "says", "under")
            writer.put_finding(
                Finding(
                    **{key: finding[key] for key in keys},
                    kind=Kind(finding["kind"]),
                    channels=tuple(finding["channels"]),
                    severity=Severity(finding["severity"]),
                    advice="",
                    evidence={},
                )
            )
        writer.end_soak(ended=STARTED + timedelta(hours=2), how="finished", verdict=verdict)
        writer.begin_soak(**begin_with(2))
        writer.add_scans(idle_scans(655, 2))
    reader = Reader(path)
    list(archiving.archive(reader, reader.soaks(), folder / "kept"))
    return folder


@pytest.fixture
def path(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(made / "soak.db", tmp_path / "soak.db"))


@pytest.fixture
def kept(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made / "kept", tmp_path / "kept"))


def thinned(path: Path, kept: Path, before: datetime = LATER, **more: Any) -> list[Outcome]:
    return list(thin(path, kept, before, ManualClock(LATER), really=True, **more))


# ---- what stays, and what is said


def test_all_but_single_scans_is_as_it_was(path: Path, kept: Path, tmp_path: Path) -> None:
    old, clock = Reader(shutil.copy(path, tmp_path / "whole.db")), ManualClock(LATER)

    (found,) = thinned(path, kept)

    reader = Reader(path)
    soak, was = reader.soak(1), old.soak(1)
    assert (found.stays, found.findings) == ("", len(old.findings(1)))
    assert soak.thinned is not None
    assert soak.thinned.at == LATER
    assert Path(soak.thinned.archive) == kept / f"scans/{archiving.place(soak)}.parquet"
    assert replace(soak, thinned=None) == was
    assert reader.findings(1) == old.findings(1)
    assert reader.marks(1) == old.marks(1)
    for level_s in (10, 60, 120, 600):
        assert rollups.same(reader.rollup(1, level_s), old.rollup(1, level_s))
    one, other = visit(reader, 1), visit(old, 1)
    for name in ("on_s", "current_a", "ht_v", "mains_v"):
        assert np.array_equal(getattr(one, name), getattr(other, name), equal_nan=True)
    assert verify(path).wrong == []
    assert verify(path).remarks == []
    assert verify(path).soaks[0].thinned == soak.thinned
    assert archiving.verify(kept, reader).wrong == []
    rolled = series.LEVELS_S.index(10.0)
    for level_s in series.LEVELS_S[rolled:]:
        drawn, before = (
            series.read(which, of, level_s, Look(of, (), None).holes())
            for which, of in ((reader, soak), (old, was))
        )
        assert np.array_equal(drawn.mean, before.mean, equal_nan=True)
        assert np.array_equal(drawn.greatest, before.greatest, equal_nan=True)
    words, wanted = (document(gather(which, 1, clock)) for which in (reader, old))
    assert "thinned on 2027-04-05" in words["chart"].pop("caption")
    assert {**words, "chart": ""} == {**wanted, "chart": ""}


def test_scans_around_findings_are_all_there_and_a_zoom_there_shows_them(path: Path, kept: Path) -> None:
    before = Reader(path).scans(1)
    (found,) = thinned(path, kept)
    reader = Reader(path)
    soak, left = reader.soak(1), reader.scans(1)
    assert soak.thinned is not None
    t_s = before.t_us / 1e6
    stays = np.zeros(len(before), dtype=bool)
    for low, high in soak.thinned.kept:
        stays |= (t_s >= low) & (t_s < high)
    assert found.scans == int((~stays).sum()) > 0
    assert np.array_equal(left.t_us, before.t_us[stays])
    assert np.array_equal(left.counts, before.counts[stays])
    assert reader.findings(1)
    for finding in reader.findings(1):
        for at_s in (finding.onset_s - 30.0, finding.onset_s, finding.raised_s, finding.raised_s + 299.0):
            assert soak.has_scans(at_s, at_s + 1.0)
    first = soak.thinned.kept[0]
    assert not soak.has_scans()
    assert not soak.has_scans(first[0] - 10.0, first[1])
    for from_s, to_s, finest in ((first[0], first[0] + 600.0, 0.0), (first[0] - 10.0, first[0] + 50.0, 10.0)):
        finest_s = 0.0 if soak.has_scans(from_s, to_s) else 10.0
        level_s = series.level_for(to_s - from_s, 0.5, 4, 8, finest_s=finest_s)
        assert level_s == finest
        seen = series.view(reader, soak, level_s, Look(soak, (), None).holes(), from_s, to_s)
        assert not np.isnan(seen.mean[:, 0]).any()  # no false gap


def test_the_chart_of_a_thinned_soak_has_no_hole_where_scans_are_gone(path: Path, kept: Path) -> None:
    thinned(path, kept)
    soak = Reader(path).soak(1)
    assert soak.thinned is not None
    charts, high = Charts(Bench(path, ManualClock(LATER))), soak.thinned.kept[0][1]
    for zoom in ((high - 200.0, high + 100.0), (high - 90.0, high - 10.0), (high + 10.0, high + 90.0)):
        assert soak.has_scans(*zoom) == (zoom[1] < high)
        answer = charts.answer(1, Asked(View(1280, zoom), IN_FORCE, PAIR_UNITS[0], None, "", ""))
        assert answer is not None
        lines = [one for one in unpacked(answer["figure"])["data"] if one.get("name") == "pair1"]
        x, y = (np.concatenate([np.asarray(one[axis], dtype=float) for one in lines]) for axis in "xy")
        seen_s = x[np.isfinite(y)]
        assert seen_s[0] <= zoom[0] + 10.0
        assert seen_s[-1] >= zoom[1] - 10.0
        assert np.diff(seen_s).max() <= 10.0


def test_what_needs_every_scan_says_where_they_are(
    path: Path, kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    clock = ManualClock(LATER)
    record = Record(path, clock, "the workshop")
    job = record.book_in(amp="Theatre PA 240 W")
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE soak SET job_id = ? WHERE id = 1", (job,))
    thinned(path, kept)
    file = kept / f"scans/{archiving.place(Reader(path).soak(1))}.parquet"
    store = ["--db", str(path)]
    out = tmp_path / "out"
    out.mkdir()
    for args in (
        ["judge", "1"],
        ["soaks", "show", "1", "--calibration", "none"],
        *(["export", "1", "--out", str(out / f"a.{end}")] for end in ("csv", "json", "parquet")),
        ["export", "--job", str(job), "--out", str(out / "job.zip")],
        ["report", "1", "--out", str(out / "a.html"), "--calibration", "none"],
    ):
        assert soakbench.main([*args, *store]) == 2, args
        said = capsys.readouterr().err
        assert f"was thinned on 2027-04-05, all its scans are in {file}" in said
    assert list(out.iterdir()) == []
    assert soakbench.main(["soaks", "show", "1", *store]) == 0
    assert "It was thinned on 2027-04-05" in capsys.readouterr().out
    assert soakbench.main(["verify", *store]) == 0
    assert "thinned on 2027-04-05" in capsys.readouterr().out
    assert soakbench.main(["soaks", "show", "1", "--json", "-", *store]) == 0
    assert json.loads(capsys.readouterr().out)["thinned"]["archive"] == str(file)
    with pytest.raises(RequestError, match="buckets of 10 s and no finer"):
        Reader(path).rollup(1, 7)
    reader = Reader(path)
    look = Bench(path, clock).look(1)
    assert isinstance(look, Look)
    assert "Thinned on 2027-04-05" in str(head(look, reader))


# ---- which ones go


def test_only_old_judged_archived_soaks_go(path: Path, kept: Path, tmp_path: Path) -> None:
    reader = Reader(path)
    ended = reader.soak(1).ended
    assert ended is not None
    assert thinned(path, kept, ended) == []  # not before it ended
    (one,) = thin(path, kept, LATER, ManualClock(LATER), really=False)
    assert one.stays == ""
    assert reader.soak(1).thinned is None
    empty = tmp_path / "empty"
    (empty / "soaks").mkdir(parents=True)
    (one,) = thinned(path, empty)
    assert "is not in the archive" in one.stays
    with pytest.raises(RequestError, match="is no archive"):
        thinned(path, tmp_path / "nowhere")
    with Writer(path, ManualClock(STARTED)) as writer:
        writer.close_broken_off()
    assert [one.stays[:17] for one in thinned(path, kept)] == ["", "it has no verdict"]
    assert thinned(path, kept)[0].soak.id == 2  # the first is done
    assert verify(path).wrong == []


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE scan SET sequence = 7, sequences = NULL WHERE soak_id = 1 AND t0_s = 600",
        "DELETE FROM scan WHERE soak_id = 1 AND t0_s = 600",
        "DELETE FROM rollup WHERE soak_id = 1 AND level_s = 10 AND t0_s = 600 AND channel = 0",
        "DELETE FROM rollup WHERE soak_id = 1 AND level_s = 60 AND channel = 0 AND t0_s = "
        "(SELECT max(t0_s) FROM rollup WHERE soak_id = 1 AND level_s = 60)",
        "UPDATE soak SET setup_text = setup_text || '#' WHERE id = 1",
    ],
)
def test_a_soak_of_which_the_archive_says_otherwise_stays(path: Path, kept: Path, statement: str) -> None:
    from test_store_whole import spoil

    spoil(path, statement)
    (one,) = thinned(path, kept)
    assert one.stays
    assert Reader(path).soak(1).thinned is None
    before = Reader(path).scans(1)
    assert len(before) > 1500


def test_a_soak_of_which_the_archive_is_damaged_stays(path: Path, kept: Path) -> None:
    (file,) = kept.rglob("*.parquet")
    data = bytearray(file.read_bytes())
    data[5000] ^= 1
    file.write_bytes(data)
    (one,) = thinned(path, kept)
    assert "its SHA-256 is another" in one.stays
    file.unlink()
    (one,) = thinned(path, kept)
    assert "is missing" in one.stays
    assert Reader(path).soak(1).thinned is None


def test_a_soak_that_another_program_changed_meanwhile_stays(path: Path, kept: Path) -> None:
    from test_store_whole import spoil

    soak = Reader(path).soak(1)
    spoil(path, "UPDATE soak SET scans = scans + 1 WHERE id = 1")
    mark = thinning.Thinned(LATER, "x.parquet", ())
    with pytest.raises(RequestError, match="changed by another program"):
        thinning.thin(path, soak, mark, ManualClock(LATER))
    assert Reader(path).soak(1).thinned is None


def a_finding(onset_s: float, raised_s: float, cleared_s: float | None) -> Finding:
    return Finding(
        id=1, kind=Kind.GAP, channel=None, channels=(), onset_s=onset_s, raised_s=raised_s,
        cleared_s=cleared_s, severity=Severity.WARNING, says="", advice="", under=None,
        acknowledged_s=None, evidence={},
    )  # fmt: skip


@given(
    findings=st.lists(
        st.builds(
            a_finding,
            st.floats(-5.0, 90_000.0),
            st.floats(0.0, 90_000.0),
            st.none() | st.floats(0.0, 90_000.0),
        ),
        max_size=6,
    ),
    last_s=st.floats(0.0, 86_400.0),
)
def test_what_stays_and_what_goes_are_the_whole_and_nothing_twice(
    findings: list[Finding], last_s: float
) -> None:
    stays = thinning.around(findings, last_s)
    goes = list(thinning.between(stays, last_s))
    assert all(low % 60 == high % 60 == 0 and low < high for low, high in stays)
    everything = sorted([*stays, *goes])
    assert everything[0][0] == 0
    assert all(one[1] == other[0] for one, other in itertools.pairwise(everything))
    assert everything[-1][1] > last_s
    for one in findings:
        moments = [one.onset_s - 300.0, one.onset_s - 30.0, one.onset_s, one.raised_s, one.raised_s + 300.0]
        moments += [] if one.cleared_s is None else [one.cleared_s - 300.0, one.cleared_s + 299.0]
        for at_s in moments:
            if 0.0 <= at_s <= last_s:
                assert any(low <= at_s <= high for low, high in stays)


def test_months_are_those_of_the_calendar() -> None:
    def before(day: str, months: int) -> str:
        return f"{months_before(datetime.fromisoformat(day).replace(tzinfo=UTC), months):%Y-%m-%d}"

    assert before("2026-11-29", 1) == "2026-10-29"
    assert before("2026-03-31", 1) == "2026-02-28"
    assert before("2028-03-31", 1) == "2028-02-29"
    assert before("2026-01-15", 24) == "2024-01-15"
    assert before("2026-12-31", 1) == "2026-11-30"
    with pytest.raises(RequestError, match="before all dates"):
        before("2026-01-01", 30_000)


# ---- there and back, kills, and a daemon beside it


@pytest.fixture(scope="module")
def grows(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("grows") / "soak.db"


def rows_of(path: Path, soak_id: int) -> list[Any]:
    with closing(sqlite3.connect(path)) as db:
        return db.execute(
            "SELECT t0_s, sequence, n, sequences, data FROM scan WHERE soak_id = ? ORDER BY t0_s", (soak_id,)
        ).fetchall()


@settings(max_examples=4, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    n=st.integers(500, 2500),
    full=st.lists(st.sampled_from([NARROW, WIDE]), min_size=1, max_size=3),
    at_s=st.lists(st.floats(0.0, 2500.0), max_size=2),
    group=st.sampled_from([333, 100_000]),
)
def test_any_soak_thinned_and_brought_back_is_as_it_was_to_the_byte(
    grows: Path, seed: int, n: int, full: list[int], at_s: list[float], group: int
) -> None:
    block = odd_scans(seed, n, full, 1.0, gaps=0.05, none=0.05, railed=0.02)
    with Writer(grows, ManualClock(STARTED)) as writer:
        soak_id = writer.begin_soak(**begin_with(len(full), full))
        for start in range(0, n, 700):
            writer.add_scans(part(block, start, start + 700))
            writer.commit()
        for number, onset_s in enumerate(at_s, 1):
            writer.put_finding(replace(a_finding(onset_s, onset_s + 5.0, None), id=number))
        writer.end_soak(ended=STARTED, how="finished", verdict={"soak": {"verdict": "pass"}})
    reader, out = Reader(grows), grows.parent / "kept"
    soak, rows = reader.soak(soak_id), rows_of(grows, soak_id)
    rolled = [reader.rollup(soak_id, level_s) for level_s in (10, 60)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(archiving, "ROWS", group)
        list(archiving.archive(reader, [soak], out))
    (found,) = [one for one in thinned(grows, out) if one.soak.id == soak_id]
    if found.stays:
        assert rows_of(grows, soak_id) == rows
        return
    now = reader.soak(soak_id)
    assert now.thinned is not None
    assert rows_of(grows, soak_id) == [
        row for row in rows if any(low <= row[0] < high for low, high in now.thinned.kept)
    ]
    assert [one.wrong for one in (verify(grows),)] == [[]]
    assert all(rollups.same(reader.rollup(soak_id, s), was) for s, was in zip((10, 60), rolled, strict=True))
    restore(grows, out, now)
    assert rows_of(grows, soak_id) == rows
    assert reader.soak(soak_id) == soak
    with pytest.raises(RequestError, match="has all its scans"):
        restore(grows, out, soak)


_KILLED = """
import itertools, os, signal, sys
from datetime import datetime
from pathlib import Path
import sqlalchemy as sa
from logger import archive as archiving
from logger.clock import ManualClock
from logger.store import thinning
from logger.thin import restore, thin

archiving.arrow()
thinning._ROWS = 300
store, out, later = Path(sys.argv[1]), Path(sys.argv[2]), datetime.fromisoformat(sys.argv[3])
for line in sys.stdin:
    what, last = line.split()
    child = os.fork()
    if child == 0:
        numbers = itertools.count(1)

        def count(connection, cursor, statement, *_):
            if statement.startswith(("UPDATE", "DELETE", "INSERT")) and next(numbers) == int(last):
                os.kill(os.getpid(), signal.SIGKILL)

        def counted(connection):
            if next(numbers) == int(last):
                os.kill(os.getpid(), signal.SIGKILL)

        sa.event.listen(sa.Engine, "before_cursor_execute", count)
        sa.event.listen(sa.Engine, "commit", counted)
        list(thin(store, out, later, ManualClock(later), really=True))
        os._exit(0)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


def test_killed_anywhere_each_soak_is_whole_or_thinned(path: Path, kept: Path) -> None:
    """By SIGKILL before later statements and commits; each time the store is whole; a last run ends it."""
    before = Reader(path).scans(1)
    rolled = Reader(path).rollup(1, 10)
    command = [sys.executable, "-c", _KILLED, str(path), str(kept), LATER.isoformat()]
    codes, states = [], []
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as mother:
        assert mother.stdin is not None
        assert mother.stdout is not None
        for last in (1, 2, 3, 5, 7):
            print("thin", last, file=mother.stdin, flush=True)
            codes.append(int(mother.stdout.readline()))
            found = verify(path)
            assert found.wrong == []
            soak = Reader(path).soak(1)
            left = len(Reader(path).scans(1))
            states.append((soak.thinned is not None, left, len(found.remarks)))
            assert (soak.thinned is None) == (left == len(before) and not found.remarks)
            assert rollups.same(Reader(path).rollup(1, 10), rolled)
        mother.stdin.close()
    assert codes.count(-signal.SIGKILL) >= 3
    assert {thinned for thinned, _, _ in states} == {False, True}
    assert len({left for _, left, _ in states}) > 2  # cut off between the pieces, too
    thinned(path, kept)
    assert verify(path).remarks == []
    assert archiving.verify(kept, Reader(path)).wrong == []


class _Between(ManualClock):
    """A clock in whose pauses something is done."""

    def __init__(self, deed: Any) -> None:
        super().__init__(LATER)
        self.deed = deed

    def sleep(self, seconds: float) -> None:
        super().sleep(seconds)
        self.deed()


def test_a_daemon_writes_to_the_store_meanwhile(
    path: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between any two pieces its lock is free, and its commits are made and stay."""
    monkeypatch.setattr(thinning, "_ROWS", 300)
    block, commits = idle_scans(5000, 2), 0
    with Writer(path, ManualClock(LATER)) as writer:
        writer.close_broken_off()
        number = writer.begin_soak(**begin_with(2))

        def commit() -> None:
            nonlocal commits
            writer.add_scans(part(block, 100 * commits, 100 * commits + 100))
            writer.commit()
            commits += 1

        found = next(thin(path, kept, LATER, _Between(commit), really=True))
        assert found.stays == ""
        assert commits >= 5
        with pytest.raises(DaemonRunning):
            thinning.shrink(path)
        with pytest.raises(DaemonRunning):
            restore(path, kept, Reader(path).soak(1))
        assert Reader(path).soak(1).thinned is not None
    assert same(Reader(path).scans(number), part(block, 0, 100 * commits))
    assert verify(path).wrong == []


def test_the_file_shrinks_only_when_asked(path: Path, kept: Path) -> None:
    whole = path.stat().st_size
    (found,) = thinned(path, kept)
    after = path.stat().st_size
    assert after >= whole * 0.98
    freed = thinning.shrink(path)
    assert freed >= 0.7 * found.bytes
    assert path.stat().st_size == after - freed
    assert verify(path).wrong == []
    assert sorted(one.name for one in path.parent.iterdir()) == ["kept", "soak.db"]


# ---- the command


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Any:
    def ran(*args: object) -> tuple[int, str, str]:
        code = soakbench.main([*map(str, args)])
        out = capsys.readouterr()
        return code, out.out, out.err

    return ran


def test_the_command_says_what_would_go_and_lets_it_go_when_told(
    path: Path, kept: Path, said: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.clock.SystemClock", lambda: ManualClock(LATER))
    args = ["thin", "--older-than", 12, "--archive", kept, "--db", path]
    code, out, _ = said(*args)
    assert code == 0
    assert "would go" in out
    assert "Nothing was changed: --do-it takes them out." in out
    assert Reader(path).soak(1).thinned is None
    assert said("thin", "--older-than", 14, "--archive", kept, "--db", path)[1].startswith("0 soaks")
    code, out, _ = said(*args, "--do-it")
    assert (code, out.count(" went; ")) == (0, 1)
    assert "The file stays as large as it is" in out
    assert said(*args, "--do-it", "--shrink")[1].splitlines()[-1].startswith("The file is ")
    code, out, err = said("archive", "--restore", kept, 1, "--db", path)
    assert (code, out, err) == (0, f"soak 1 has all its {Reader(path).soak(1).scans:,} scans again\n", "")
    assert verify(path).wrong == []


def test_requests_that_cannot_be_are_refused(path: Path, kept: Path, said: Any) -> None:
    args = ["thin", "--older-than", 12, "--archive", kept]
    for wrong in (
        ["thin", "--older-than", 0, "--archive", kept, "--db", path],
        [*args, "--shrink", "--db", path],
        [*args, "--db", "postgresql://owner@db.shop/soakbench"],
        ["archive", "--restore", kept, "--db", path],
        ["archive", "--restore", kept, 1, "--db", path],
    ):
        assert said(*wrong)[0] == 2, wrong
    assert "by whole partitions" in said(*args, "--db", "postgresql://owner@db.shop/soakbench")[2]
    assert said(*args, "--db", path.with_name("no.db"))[0] == 3
