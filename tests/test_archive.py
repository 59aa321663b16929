"""An archive holds all of a soak, says when it does not, and other engines read the same figures from it."""

from __future__ import annotations

import json
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from store_case import (
    NARROW,
    STARTED,
    WIDE,
    a_calibration,
    begin_with,
    daq,
    idle_scans,
    odd_scans,
    part,
    same,
)

import soakbench
from logger import archive as archiving
from logger.archive import ArchivedSoak, archive, in_path
from logger.blocks import NO_READING, Mark, ScanBlock
from logger.clock import ManualClock
from logger.errors import RequestError
from logger.judge import judge_archived, judge_soak
from logger.setup import parse
from logger.simulator.scenarios import scenario
from logger.store import packing
from logger.store.reader import Reader
from logger.store.writer import Writer

duckdb = pytest.importorskip("duckdb")
polars = pytest.importorskip("polars")
pytest.importorskip("pyarrow")


def soak_in(path: Path, block: ScanBlock, full: list[int], *, end: bool = True, days: int = 0) -> None:
    """Write a soak of these scans with a finding's marks and a calibration."""
    clock = ManualClock(STARTED)
    with Writer(path, clock) as writer:
        number = writer.add_calibration(a_calibration())
        wanted = begin_with(len(full), full) | {"started": STARTED + timedelta(days=days)}
        writer.begin_soak(**wanted, calibration_id=number)
        for start in range(0, len(block), 700):
            writer.add_scans(part(block, start, start + 700))
            writer.commit()
        writer.put_mark(Mark(int(block.t_us[-1]), 'it said "ready"'))
        if end:
            writer.end_soak(ended=STARTED + timedelta(days=days + 1), how="finished", verdict={"soak": {}})


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store of two ended soaks of odd scans and one that runs, and its archive."""
    folder = tmp_path_factory.mktemp("made")
    path = folder / "soak.db"
    for number, full in enumerate(([NARROW, NARROW, WIDE], [NARROW, WIDE])):
        block = odd_scans(number + 3, 3000, full, 10.0, gaps=0.01, none=0.05, railed=0.01)
        soak_in(path, block, full, days=40 * number)
    soak_in(path, idle_scans(655, 2), [NARROW] * 2, end=False)
    reader = Reader(path)
    became = [one.became for one in archive(reader, reader.soaks(), folder / "kept")]
    assert became == ["archived", "archived", "left out"]
    return folder


@pytest.fixture
def store(made: Path, tmp_path: Path) -> Path:
    """A store with two ended soaks of different months, both of odd scans, and one that runs."""
    return Path(shutil.copy(made / "soak.db", tmp_path / "soak.db"))


@pytest.fixture
def kept(made: Path, tmp_path: Path) -> Path:
    """The archive of that store."""
    return Path(shutil.copytree(made / "kept", tmp_path / "kept"))


def files(out: Path, ending: str = ".parquet") -> list[Path]:
    return sorted(path for path in out.rglob(f"*{ending}") if path.is_file())


def of_soak(out: Path, reader: Reader, number: int) -> Path:
    return out / f"scans/{archiving.place(reader.soak(number))}.parquet"


def scans_of(path: Path) -> ScanBlock:
    found = ArchivedSoak.open(path)
    return packing.joined(list(found.scan_blocks()), len(found.part.channels))


# ---- all of it, and again


def test_every_scan_is_there_and_all_that_a_soak_is_judged_by(store: Path, kept: Path) -> None:
    reader = Reader(store)
    for soak in reader.soaks()[:2]:
        path = of_soak(kept, reader, soak.id)
        assert same(scans_of(path), reader.scans(soak.id))
        found = ArchivedSoak.open(path)
        assert found.soak == soak
        assert found.calibration == reader.calibration_of(soak)
        assert [text for _, text in found.part.marks] == ['it said "ready"']
    assert archiving.verify(kept, reader).wrong == []


def test_months_and_benches_are_folders(store: Path, kept: Path) -> None:
    reader = Reader(store)
    uuids = [soak.uuid for soak in reader.soaks()]
    assert [str(path.relative_to(kept)) for path in files(kept)] == [
        f"scans/bench=bench/month=2026-03/{uuids[0]}.parquet",
        f"scans/bench=bench/month=2026-04/{uuids[1]}.parquet",
    ]
    manifests = [json.loads(path.read_text()) for path in files(kept, ".json")]
    assert [one["uuid"] for one in manifests] == uuids[:2]
    assert [one["rows"] for one in manifests] == [3000, 3000]


def test_a_second_run_adds_what_is_new_and_touches_nothing(store: Path, kept: Path) -> None:
    before = {path: (path.stat().st_mtime_ns, path.stat().st_ino) for path in files(kept, "")}
    with Writer(store, ManualClock(STARTED)) as writer:
        writer.close_broken_off()
    reader = Reader(store)
    became = [one.became for one in archive(reader, reader.soaks(), kept)]
    assert became == ["there already", "there already", "archived"]
    after = {path: (path.stat().st_mtime_ns, path.stat().st_ino) for path in files(kept, "")}
    assert before.items() <= after.items()
    assert len(after) == len(before) + 2
    assert archiving.verify(kept, reader).compared == 3


@pytest.fixture(scope="module")
def grows(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("grows") / "soak.db"


@settings(max_examples=8, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    n=st.integers(1, 400),
    full=st.lists(st.sampled_from([NARROW, WIDE]), min_size=1, max_size=5),
    per_s=st.sampled_from([0.3, 1.0, 10.0]),
    share=st.sampled_from([0.0, 0.05, 1.0]),
    group=st.sampled_from([37, 100_000]),
)
def test_any_scans_come_back_as_they_were_stored(
    grows: Path, seed: int, n: int, full: list[int], per_s: float, share: float, group: int
) -> None:
    """For any widths, gaps, restarts of the counter, lost readings, and any size of the file's row groups."""
    soak_in(grows, odd_scans(seed, n, full, per_s, gaps=0.05, none=share, railed=0.02), full)
    reader, out = Reader(grows), grows.parent / "kept"
    soak = reader.soak()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(archiving, "ROWS", group)
        assert [one.became for one in archive(reader, [soak], out)] == ["archived"]
    found = scans_of(of_soak(out, reader, soak.id))
    assert same(found, reader.scans(soak.id))
    columns = "SELECT t0_s, sequence, n, sequences, data FROM scan WHERE soak_id = ? ORDER BY t0_s"
    rows = reader.look(lambda c: c.exec_driver_sql(columns, (soak.id,)).all())
    assert packing.pack(found) == [packing.Row(*row) for row in rows]
    manifest = archiving.read_manifest(archiving.manifest_of(soak, out))
    assert archiving.check(out, manifest, reader, soak) == []


def test_a_soak_without_a_scan_is_kept_too(tmp_path: Path) -> None:
    with Writer(tmp_path / "soak.db", ManualClock(STARTED)) as writer:
        writer.begin_soak(**begin_with(2))
        writer.end_soak(ended=STARTED, how="stopped", verdict=None)
    reader = Reader(tmp_path / "soak.db")
    assert [one.became for one in archive(reader, reader.soaks(), tmp_path / "kept")] == ["archived"]
    assert archiving.verify(tmp_path / "kept", reader).wrong == []
    assert len(scans_of(files(tmp_path / "kept")[0])) == 0


# ---- judged again, and read by others


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A store with one simulated soak, judged, and its archive."""
    folder = tmp_path_factory.mktemp("judged")
    one = scenario("drift", 4, warm_up_min=5, soak_min=35)
    text = one.setup_text()
    with Writer(folder / "soak.db", ManualClock(STARTED)) as writer:
        writer.begin_soak(setup=parse(text), setup_text=text, daq=one.info, started=STARTED)
        for block in one.scans(scans_per_s=1.0):
            writer.add_scans(block)
        writer.put_mark(Mark(30_000_000, "fan on"))
        writer.commit()
        verdict = judge_soak(Reader(folder / "soak.db"), 1)
        writer.end_soak(ended=STARTED + timedelta(hours=2), how="finished", verdict=verdict)
    reader = Reader(folder / "soak.db")
    assert [one.became for one in archive(reader, reader.soaks(), folder / "kept")] == ["archived"]
    return folder / "soak.db", folder / "kept"


def test_a_soak_is_judged_again_from_its_file_alone(
    judged: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store, kept = judged
    (path,) = files(kept)
    alone = Path(shutil.copy(path, tmp_path / "alone.parquet"))
    document = judge_archived(alone)
    assert document == judge_soak(Reader(store), 1) == Reader(store).soak(1).verdict
    assert any(channel["settled_mA"] is not None for channel in document["channels"])
    code = soakbench.main(["judge", str(alone), "--json", "-"])
    assert json.loads(capsys.readouterr().out) == document
    assert code == (0 if document["soak"]["verdict"] in ("pass", "conditional pass") else 1)


def figures(reader: Reader, number: int, from_s: float, to_s: float) -> dict[str, tuple[int, int, int, int]]:
    """Return n, least, greatest and sum of each channel between two times, of the store's roll-ups."""
    rolled = reader.rollup(number, 60, from_s, to_s)
    return {
        name: (
            int(rolled.n[:, k].sum()),
            int(np.nanmin(rolled.vmin[:, k])),
            int(np.nanmax(rolled.vmax[:, k])),
            int(rolled.vsum[:, k].sum()),
        )
        for k, name in enumerate(reader.soak(number).setup.names)
    }


def test_duckdb_and_polars_find_the_stores_figures_in_the_files(judged: tuple[Path, Path]) -> None:
    """Whole and over the soak step, where a pair settles: counts exactly; means follow from them."""
    store, kept = judged
    reader = Reader(store)
    bench = reader.soak(1).bench
    last_s = float(reader.soak(1).last_t_us or 0) / 1e6
    names = reader.soak(1).setup.names
    for from_s, to_s in ((0.0, 60.0 * (last_s // 60 + 1)), (900.0, 1800.0)):
        wanted = figures(reader, 1, from_s, to_s)
        asked = ", ".join(f'count("{n}"), min("{n}"), max("{n}"), sum("{n}")' for n in names)
        with duckdb.connect() as db:
            row = db.execute(
                f"SELECT {asked} FROM read_parquet('{kept}/scans/**/*.parquet', hive_partitioning = true) "
                "WHERE bench = ? AND month = '2026-03' AND t_us >= ? AND t_us < ?",
                [bench, int(from_s * 1e6), int(to_s * 1e6)],
            ).fetchone()
        assert row is not None
        assert {n: tuple(map(int, row[4 * k : 4 * k + 4])) for k, n in enumerate(names)} == wanted
        frame = (
            polars.scan_parquet(f"{kept}/scans/**/*.parquet", hive_partitioning=True)
            .filter(polars.col("month") == "2026-03", polars.col("t_us") >= int(from_s * 1e6))
            .filter(polars.col("t_us") < int(to_s * 1e6))
            .collect()
        )
        found = {}
        for name in names:
            column = frame[name].drop_nulls()
            found[name] = (len(column), column.min(), column.max(), column.cast(polars.Int64).sum())
        assert found == wanted
        channel = reader.soak(1).setup.index("pair1")
        mean = wanted["pair1"][3] / wanted["pair1"][0]
        manifest = json.loads(files(kept, ".json")[0].read_text())
        told = manifest["columns"][2 + channel]
        rolled = reader.rollup(1, 60, from_s, to_s)
        stored = (rolled.mean[:, channel] * rolled.n[:, channel]).sum() / rolled.n[:, channel].sum()
        assert told["factor"] * mean + told["offset"] == pytest.approx(
            told["factor"] * stored + told["offset"], rel=1e-12
        )


def test_the_manifests_figures_are_those_of_the_columns(store: Path, kept: Path) -> None:
    """Digests worked out as docs/files.md says, from what polars reads."""
    import hashlib

    for path in files(kept, ".json"):
        document = json.loads(path.read_text())
        frame = polars.read_parquet(kept / document["file"], hive_partitioning=False)
        assert frame.columns == ["soak", "started", *(one["name"] for one in document["columns"])]
        for one in document["columns"]:
            values = frame[one["name"]]
            kind = "<i8" if one["name"] in ("t_us", "sequence") else "<i4"
            raw = values.fill_null(NO_READING).to_numpy().astype(kind).tobytes()
            assert hashlib.sha256(raw).hexdigest() == one["sha256"]
            assert (values.count(), values.min(), values.max()) == (one["n"], one["min"], one["max"])
            assert int(values.cast(polars.Int64).sum()) == one["sum"]
        assert frame["started"].unique().to_list()[0].isoformat() == document["started"]


# ---- names


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=300))
def test_no_name_becomes_a_path(text: str) -> None:
    name = in_path(text)
    assert len(name) <= 200
    assert all(c.isascii() and (c.isalnum() or c in "%-_") for c in name)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.text(max_size=300), min_size=2, max_size=5, unique=True))
def test_two_names_stay_two(texts: list[str]) -> None:
    assert len({in_path(text) for text in texts}) == len(texts)


ODD = ["../../etc", "a/b\\c", "", "Bänk 1 % = .", "a" * 400, "'; DROP", "日本" * 99]


def test_any_bench_is_one_folder_and_comes_back_by_name(tmp_path: Path) -> None:
    with Writer(tmp_path / "soak.db", ManualClock(STARTED)) as writer:
        for bench in ODD:
            text = begin_with(1)["setup_text"].replace(
                "[amp]", f"[bench]\nname = {json.dumps(bench)}\n[amp]", 1
            )
            writer.begin_soak(setup=parse(text), setup_text=text, daq=daq([NARROW]), started=STARTED)
            writer.add_scans(idle_scans(50, 1))
            writer.end_soak(ended=STARTED, how="stopped", verdict=None)
    reader, out = Reader(tmp_path / "soak.db"), tmp_path / "kept"
    list(archive(reader, reader.soaks(), out))
    assert archiving.verify(out, reader).wrong == []
    assert len(files(out)) == len({path.parents[1] for path in files(out)}) == len(ODD)
    for path in files(out):
        assert len(path.relative_to(out).parts) == 4
    assert {ArchivedSoak.open(path).soak.bench for path in files(out)} == set(ODD)
    plain = {bench for bench in ODD if bench and len(bench) < 100}
    with duckdb.connect() as db:
        source = f"read_parquet('{out}/scans/**/*.parquet', hive_partitioning = true)"
        rows = db.execute(f"SELECT DISTINCT bench FROM {source}").fetchall()
    read = polars.scan_parquet(f"{out}/scans/**/*.parquet", hive_partitioning=True).collect()
    for found in ({row[0] for row in rows}, set(read["bench"].unique().to_list())):
        assert len(found) == len(ODD)
        assert plain | {None} < found  # the cut ones go by their digest


def test_channels_that_are_called_as_our_columns_get_a_word_before(tmp_path: Path) -> None:
    text = begin_with(2)["setup_text"].replace('"pair1"', '"Month"').replace('"pair2"', '"t_us"')
    with Writer(tmp_path / "soak.db", ManualClock(STARTED)) as writer:
        writer.begin_soak(setup=parse(text), setup_text=text, daq=daq([NARROW] * 2), started=STARTED)
        writer.add_scans(idle_scans(50, 2))
        writer.end_soak(ended=STARTED, how="stopped", verdict=None)
    reader, out = Reader(tmp_path / "soak.db"), tmp_path / "kept"
    list(archive(reader, reader.soaks(), out))
    frame = polars.read_parquet(files(out)[0], hive_partitioning=False)
    assert frame.columns == ["soak", "started", "t_us", "sequence", "channel Month", "channel t_us"]
    assert archiving.verify(out, reader).wrong == []


# ---- what is wrong is said


def spoil(path: Path, at: int) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 0x10
    path.write_bytes(data)


def test_a_changed_byte_a_lost_file_and_a_strange_one_are_found(
    store: Path, kept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one, other = files(kept)
    for at in (0, 4000, one.stat().st_size - 3):
        spoil(one, at)
        assert any("its SHA-256 is another" in said for said in archiving.verify(kept, None).wrong)
        spoil(one, at)
    assert archiving.verify(kept, None).whole
    other.rename(other.with_name("stray.parquet"))
    found = archiving.verify(kept, None)
    assert found.wrong == [f"{other} is missing"]
    assert "stray.parquet belongs to no manifest" in found.remarks[0]
    assert soakbench.main(["archive", "--verify", str(kept), "--db", str(store)]) == 1
    assert "is missing" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("UPDATE scan SET sequence = 7, sequences = NULL WHERE soak_id = 1 AND t0_s = 100", "scans before"),
        ("DELETE FROM scan WHERE soak_id = 1 AND t0_s = 100", "scans before"),
        ("INSERT INTO scan SELECT 1, t0_s + 900000, sequence, n, sequences, data FROM scan "
         "WHERE soak_id = 1 AND t0_s = 100", "the store has scans after"),
        ("UPDATE soak SET verdict = NULL WHERE id = 1", "the soak's verdict is not what the store has"),
        ("UPDATE mark SET text = 'no' WHERE soak_id = 1", "the marks is not"),
        ("UPDATE channel SET factor = 2 WHERE soak_id = 1 AND channel = 0", "the channels is not"),
        ("UPDATE calibration SET made_by = 'x' WHERE id = 1", "the calibration is not"),
    ],
)  # fmt: skip
def test_a_store_that_says_otherwise_is_found(store: Path, kept: Path, statement: str, says: str) -> None:
    from test_store_whole import spoil as spoil_store

    spoil_store(store, statement)
    found = archiving.verify(kept, Reader(store))
    assert any(says in sentence for sentence in found.wrong), found.wrong
    assert archiving.verify(kept, None).whole


def test_what_cannot_be_read_is_a_sentence(tmp_path: Path, store: Path, kept: Path) -> None:
    for text in ("", "{}", "[]", '{"schema": "soakbench.archive/1"}', "\x00"):
        (kept / "soaks" / "bad.json").write_text(text)
        (wrong,) = archiving.verify(kept, None).wrong
        assert "bad.json" in wrong
    for content in (b"", b"PAR1", b"no parquet at all"):
        (tmp_path / "bad.parquet").write_bytes(content)
        with pytest.raises(RequestError, match=r"bad\.parquet"):
            judge_archived(tmp_path / "bad.parquet")
    polars.DataFrame({"a": [1]}).write_parquet(tmp_path / "other.parquet")
    with pytest.raises(RequestError, match="no file of an archive"):
        ArchivedSoak.open(tmp_path / "other.parquet")
    with pytest.raises(RequestError, match="is no archive"):
        archiving.verify(tmp_path / "nowhere", None)


def test_a_store_that_lacks_scans_is_not_archived_and_the_others_are(store: Path, tmp_path: Path) -> None:
    from test_store_whole import spoil as spoil_store

    spoil_store(store, "DELETE FROM scan WHERE soak_id = 1 AND t0_s = 100")
    args = ["archive", "--db", str(store), "--out", str(tmp_path / "kept")]
    assert soakbench.main(args) == 1
    reader = Reader(store)
    assert files(tmp_path / "kept") == [of_soak(tmp_path / "kept", reader, 2)]
    assert files(tmp_path / "kept", ".part") == []


# ---- never overwritten, whole or not at all


def test_a_file_of_somebody_else_in_the_way_is_left_alone(store: Path, tmp_path: Path) -> None:
    reader, out = Reader(store), tmp_path / "kept"
    path = of_soak(out, reader, 1)
    path.parent.mkdir(parents=True)
    path.write_text("mine")
    became = {one.soak_id: one for one in archive(reader, reader.soaks(), out)}
    assert [one.became for one in became.values()] == ["failed", "archived", "left out"]
    assert "exists already and was left alone" in became[1].says
    assert path.read_text() == "mine"


_KILLED = """
import os, signal, sys
from pathlib import Path
from logger import archive as archiving
from logger.store.reader import Reader

archiving.arrow()
store, out = map(Path, sys.argv[1:])
reader = Reader(store)
soaks = reader.soaks()
for last in sys.stdin:
    child = os.fork()
    if child == 0:
        steps = 0

        def count(frame, event, arg):
            global steps
            if event == "call" and frame.f_code.co_filename == archiving.__file__:
                steps += 1
                if steps == int(last):
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.setprofile(count)
        list(archiving.archive(reader, soaks, out))
        os._exit(0)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


def test_killed_anywhere_it_goes_on_and_ends_with_the_same_files(
    store: Path, kept: Path, tmp_path: Path
) -> None:
    """By SIGKILL, before ever later calls within the archiving; what is there in between is never half."""
    wanted = {path.relative_to(kept): path.read_bytes() for path in files(kept)}
    reader, out, codes = Reader(store), tmp_path / "again", []
    command = [sys.executable, "-c", _KILLED, str(store), str(out)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as mother:
        assert mother.stdin is not None
        assert mother.stdout is not None
        for at in (*range(1, 60, 7), 48, 30, 12):
            print(at, file=mother.stdin, flush=True)
            codes.append(int(mother.stdout.readline()))
            for path in files(out):
                assert path.read_bytes() == wanted[path.relative_to(out)]
        mother.stdin.close()
    assert codes.count(-signal.SIGKILL) >= 8
    assert set(codes) <= {-signal.SIGKILL, 0}
    assert {one.became for one in archive(reader, reader.soaks(), out)} <= {
        "archived", "there already", "left out",
    }  # fmt: skip
    assert {path.relative_to(out): path.read_bytes() for path in files(out)} == wanted
    assert archiving.verify(out, reader).compared == 2


def test_one_archives_into_a_folder_at_a_time(store: Path, tmp_path: Path) -> None:
    reader, out = Reader(store), tmp_path / "kept"
    first: Iterator[Any] = archive(reader, reader.soaks(), out)
    next(first)
    with pytest.raises(RequestError, match="another soakbench archives into"):
        next(archive(reader, reader.soaks(), out))
    list(first)
    assert archiving.verify(out, reader).compared == 2


def test_a_folder_that_takes_no_file_is_a_sentence(store: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    reader = Reader(store)
    with pytest.raises(RequestError, match="can't be written to"):
        list(archive(reader, reader.soaks(), tmp_path / "file" / "kept"))


# ---- the command


def test_the_command_says_what_it_did(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = str(tmp_path / "kept")
    args = ["archive", "--db", str(store), "--out", out]
    assert soakbench.main([*args, "2"]) == 0
    said = capsys.readouterr()
    assert said.out.startswith("soak 2: 3,000 scans in ")
    assert soakbench.main(args) == 0
    said = capsys.readouterr()
    assert said.out.startswith("soak 1: 3,000 scans in ")
    assert "soak 3: left out, it has not ended" in said.err
    assert soakbench.main(["archive", "--verify", out, "--db", str(store)]) == 0
    assert capsys.readouterr().out == (
        "The archive is whole: 2 soaks, 6,000 scans; 2 held against the store.\n"
    )
    assert soakbench.main(["archive", "--verify", out, "--db", str(tmp_path / "no.db")]) == 3
    for wrong in (["archive"], ["archive", "--out", out, "--verify", out], ["archive", "--verify", out, "1"]):
        assert soakbench.main(wrong) == 2
    assert sorted(path.name for path in (tmp_path / "kept").iterdir()) == ["scans", "soaks"]


def test_the_queries_of_the_docs_run(judged: tuple[Path, Path]) -> None:
    _, kept = judged
    text = (Path(__file__).parent.parent / "docs" / "files.md").read_text(encoding="utf-8")
    section = text.partition("\n## The archive\n")[2].partition("\n## ")[0].replace("DIR/", f"{kept}/")
    section = section.replace("'2026-06'", "'2026-01'").replace('"2026-06"', '"2026-01"')
    (first, second), (code,) = (
        re.findall(r"SELECT.*?;", re.findall(r"```sql\n(.*?)```", section, re.S)[0], re.S),
        re.findall(r"```python\n(.*?)```", section, re.S),
    )
    manifest = json.loads(files(kept, ".json")[0].read_text())
    pair1 = next(one for one in manifest["columns"] if one["name"] == "pair1")
    with duckdb.connect() as db:
        rows = db.execute(first).fetchall()
        means = db.execute(second).fetchall()
    assert rows[0][2:] == (
        manifest["uuid"], pair1["n"], pair1["min"], pair1["max"], pytest.approx(pair1["sum"] / pair1["n"]),
    )  # fmt: skip
    mean = pair1["factor"] * pair1["sum"] / pair1["n"] + pair1["offset"]
    assert [row[3] for row in means if row[2] == "pair1"] == [pytest.approx(mean)]
    scans, _, asked = code.strip().rpartition("\n")
    known: dict[str, Any] = {"polars": polars}
    exec(scans, known)
    frame = eval(asked, known)
    assert frame.rows() == [(manifest["uuid"], pytest.approx(pair1["sum"] / pair1["n"]))]
