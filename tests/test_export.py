"""Exports: a log for spreadsheets, JSON, Parquet with units and uncertainty; all say what the soak says."""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dashboard_soak import STARTED, RunningSoak
from hypothesis import given
from hypothesis import strategies as st

import soakbench
from logger import logfile, setup
from logger.blocks import NO_READING, Mark, ScanBlock
from logger.convert import Converter, value_U
from logger.errors import FileExistsAlready, RequestError
from logger.export import export
from logger.judge import judge_soak
from logger.store.reader import Reader

duckdb = pytest.importorskip("duckdb")
polars = pytest.importorskip("polars")


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store with one ended soak: a railed scan, a lost reading, marks, one after the last scan."""
    path = tmp_path_factory.mktemp("export") / "soak.db"
    soak = RunningSoak(path)
    soak.go_on(420)
    soak.writer.put_mark(Mark(3_000_000, "=HYPERLINK(1)"))
    counts = np.full((2, 8), 1000, dtype=np.int32)
    counts[0, 1], counts[0, 2], counts[1, 3] = soak.daq.full_count[1], -soak.daq.full_count[2], NO_READING
    t_us = np.array([420_000_000, 420_500_000], dtype=np.int64)
    soak.writer.add_scans(ScanBlock(t_us, np.array([840, 841], dtype=np.int64), counts))
    soak.writer.put_mark(Mark(421_000_000, "fan on"))
    soak.writer.commit()
    verdict = judge_soak(Reader(path), soak.id)
    soak.writer.end_soak(ended=STARTED + timedelta(seconds=421), how="stopped", verdict=verdict)
    soak.writer.close()
    return path


@pytest.fixture(scope="module")
def wanted(store: Path) -> tuple[Any, Any]:
    """Return times and values (n, c) in mA, V and degC as the store has them."""
    reader = Reader(store)
    soak = reader.soak()
    readings = Converter(soak.setup, soak.daq).readings(reader.scans(soak.id))
    scale = [1e3 if channel.unit == "A" else 1.0 for channel in soak.setup.channel]
    return readings.t_us / 1e6, readings.values * scale


def units_of(head: dict[str, Any]) -> dict[str, str]:
    return {one["name"]: one["unit"] for one in head["channels"]}


def test_polars_reads_the_parquet_by_code_of_its_own(
    store: Path, wanted: tuple[Any, Any], tmp_path: Path
) -> None:
    out = tmp_path / "soak.parquet"
    assert export(Reader(store), "last", out) == [out]
    frame = polars.read_parquet(out)
    t_s, values = wanted
    names = Reader(store).soak().setup.names
    assert frame.columns == ["t_s", "time", *names, "railed", "mark"]
    assert np.array_equal(frame["t_s"].to_numpy(), t_s)
    found = frame.select(names).to_numpy()
    assert np.array_equal(np.isnan(found), np.isnan(values))
    assert np.array_equal(found[~np.isnan(found)], values[~np.isnan(values)])
    assert frame["time"][0] == STARTED
    assert frame["time"][-1] == STARTED + timedelta(seconds=420.5)
    assert frame["railed"].drop_nulls().to_list() == ["pair2 over, pair3 under"]
    assert frame["mark"].drop_nulls().to_list() == ["=HYPERLINK(1)"]
    assert frame[names[3]].null_count() == 1  # no reading is null, not a number that is none
    head = json.loads(polars.read_parquet_metadata(out)["soakbench"])
    assert units_of(head)["pair1"] == "mA"
    assert [mark["text"] for mark in head["marks"]] == ["=HYPERLINK(1)", "fan on"]
    assert head["judge"]["schema"] == "soakbench.judge/1"


def test_duckdb_reads_the_parquet_by_code_of_its_own(
    store: Path, wanted: tuple[Any, Any], tmp_path: Path
) -> None:
    out = tmp_path / "soak.parquet"
    export(Reader(store), "last", out)
    t_s, values = wanted
    with duckdb.connect() as db:
        row = db.execute(
            f"SELECT count(*), max(t_s), avg(pair1), count(pair4), count(railed) FROM '{out}'"
        ).fetchone()
        keys = db.execute(f"SELECT key, value FROM parquet_kv_metadata('{out}')").fetchall()
    assert row[:2] == (len(t_s), t_s[-1])
    assert row[2] == pytest.approx(np.nanmean(values[:, 0]), rel=1e-12)
    assert row[3:] == (len(t_s) - 1, 1)
    head = json.loads(dict(keys)[b"soakbench"])
    assert units_of(head)["ht"] == "V"
    assert units_of(head)["chassis"] == "degC"


def test_each_column_says_its_unit_and_how_uncertain_it_is(store: Path, tmp_path: Path) -> None:
    from pyarrow import parquet

    out = tmp_path / "soak.parquet"
    export(Reader(store), "last", out)
    soak = Reader(store).soak()
    metadata = parquet.read_schema(out).field("ht").metadata
    assert metadata[b"unit"] == b"V"
    assert metadata[b"measures"] == b"HT"
    judged = next(one for one in soak.verdict["channels"] if one["name"] == "ht")  # type: ignore[index]
    U, _ = value_U(soak.setup, soak.daq, soak.setup.index("ht"), judged["mean"])
    assert float(metadata[b"expanded_uncertainty"]) == pytest.approx(U)
    assert float(metadata[b"at"]) == pytest.approx(judged["mean"])


def test_json_has_every_scan_and_what_a_log_would_show(
    store: Path, wanted: tuple[Any, Any], tmp_path: Path
) -> None:
    out = tmp_path / "soak.json"
    export(Reader(store), "last", out)
    document = json.loads(out.read_text(encoding="utf-8"))
    t_s, values = wanted
    assert document["schema"] == "soakbench.readings/1"
    assert document["columns"] == ["t_s", *units_of(document)]
    assert len(document["scans"]) == len(t_s)
    assert document["scans"][-2][2:4] == ["over", "under"]
    assert document["scans"][-1][4] is None
    numbers = np.array([row[:2] for row in document["scans"]], dtype=float)
    assert np.array_equal(numbers[:, 0], t_s)
    step = document["channels"][0]["step"]
    assert np.abs(numbers[:, 1] - values[:, 0]).max() <= 0.0501 * step + 1e-12
    assert setup.parse(document["setup"]).amp.name == document["soak"]["amp"]


def test_a_log_with_decimal_commas_is_read_back_as_the_one_without(store: Path, tmp_path: Path) -> None:
    plain, comma = tmp_path / "plain.csv", tmp_path / "comma.csv"
    beside = export(Reader(store), "last", plain)[1]
    export(Reader(store), "last", comma, decimal_comma=True)
    lines = comma.read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("t_s;pair1 [mV];")
    assert lines[0].endswith(";mark")
    assert lines[1].startswith("0,000000;")
    assert "." not in lines[1]
    own = setup.load(beside)
    one, other = ([*logfile.read(path, own)] for path in (plain, comma))
    for (a, marks), (b, also) in zip(one, other, strict=True):
        assert np.array_equal(a.t_us, b.t_us)
        assert np.array_equal(a.values, b.values, equal_nan=True)
        assert np.array_equal(a.railed, b.railed)
        assert marks == also


DANGEROUS = ("=", "+", "-", "@", "\t", "\r")


@given(
    texts=st.lists(
        st.tuples(st.sampled_from(["", *DANGEROUS, " =", "\t+"]), st.text(max_size=20)).map("".join),
        min_size=1,
        max_size=4,
    ),
    decimal_comma=st.booleans(),
)
def test_no_text_of_a_log_is_a_formula_to_a_spreadsheet_and_numbers_stay_numbers(
    texts: Sequence[str], decimal_comma: bool
) -> None:
    text = (
        'schema = "soakbench.setup/1"\n[amp]\nname = "a"\nvalve = "EL34"\nnominal_ht_V = 455\n'
        '[link]\nkind = "lines"\nscans_per_s = 1\n[[channel]]\nname = "pair1"\nmeasures = "pair current"\n'
        'sense_ohm = 1.0\n[plan]\nsteps = [{step = "soak", minutes = 60}]\n'
    )
    own = setup.parse(text)
    from logger.convert import daq_from_setup

    scan = ScanBlock(np.array([0, 10**6]), np.array([0, 1]), np.array([[-9800], [9800]], dtype=np.int32))
    lines = "".join(
        logfile._lines(
            own, daq_from_setup(own), [scan], [Mark(0, text) for text in texts], None, decimal_comma
        )
    )
    rows = list(csv.reader(lines.splitlines(), delimiter=";" if decimal_comma else ","))
    for row in rows[1:]:
        assert len(row) == 3
        assert not row[2].startswith(DANGEROUS)
    assert [float(row[1].replace(",", ".")) for row in rows[1:]] == pytest.approx([-76.5625, 76.5625])


def test_what_exists_is_left_alone_and_other_forms_are_named(store: Path, tmp_path: Path) -> None:
    taken = tmp_path / "soak.parquet"
    taken.write_text("mine")
    with pytest.raises(FileExistsAlready):
        export(Reader(store), "last", taken)
    assert taken.read_text() == "mine"
    with pytest.raises(RequestError, match=r"\.csv, \.csv\.gz, \.json, \.parquet"):
        export(Reader(store), "last", tmp_path / "soak.xlsx")
    with pytest.raises(RequestError, match="no decimal comma"):
        export(Reader(store), "last", tmp_path / "soak.json", decimal_comma=True)
    assert list(tmp_path.iterdir()) == [taken]


def test_without_pyarrow_it_says_how_to_get_it(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "pyarrow", None)
    out = tmp_path / "soak.parquet"
    assert soakbench.main(["export", "last", "--out", str(out), "--db", str(store)]) == 2
    assert "pip install 'soakbench[parquet]'" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())
