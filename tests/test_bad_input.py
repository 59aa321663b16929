"""Bad input of every kind: a right result or one clear sentence, never a fault of ours, a hang or a flood."""

from __future__ import annotations

import gzip
import io
import json
import shutil
import threading
import zipfile
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pytest
from bad_input import (
    CHANGES,
    DEEP,
    NUMBERS,
    STRINGS,
    changed,
    document,
    grown_mb,
    held,
    mutated,
    tried,
)
from dashboard_soak import RunningSoak, token_of
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from test_job_file import fill

from dashboard import setup_files, shop
from dashboard.access import HEADER
from dashboard.app import create_app, page_at
from dashboard.record_forms import DEEDS, fields_of
from logger import benches, calibrate, checklist, import_log, logfile, match, setup
from logger.blocks import ScanBlock
from logger.clock import ManualClock
from logger.entries import FIELDS
from logger.errors import RequestError
from logger.feeds.mqtt import REQUEST_SCHEMA, request_of
from logger.judge import judge_log
from logger.link.csv_talk import Csv
from logger.link.line_talk import Lines
from logger.link.modbus import Modbus
from logger.link.scpi import Scpi
from logger.link.wire import Line
from logger.requests import Ask, text_of
from logger.simulator.boards import CsvBoard, ModbusModule, ScanningMeter
from logger.simulator.daq import CHANNELS
from logger.simulator.scenarios import scenario
from logger.simulator.terminal import banner_line, line, scan_line
from logger.store import job_file
from logger.store.portion import part_from, record_from, stamps_from
from logger.store.reader import Reader
from logger.store.record import Record
from logger.store.tokens import Tokens
from logger.store.writer import Writer

ROOT = Path(__file__).resolve().parent.parent
SETUPS = [path.read_bytes() for path in sorted((ROOT / "sample_logs").glob("*.toml"))]


@given(st.lists(st.sampled_from([*STRINGS, *NUMBERS, *DEEP])))
def test_what_an_error_quotes_of_others(texts: list[str]) -> None:
    error = RequestError(f"the log {''.join(texts)} can't be read: name another")
    assert all(len(line) <= 1_500 for line in str(error).split("\n"))
    assert len(str(error).splitlines()) <= "".join(texts).count("\n") + 1
    assert str(RequestError("the port COM3 is in use: close what uses it\n  twice")).count("\n") == 1


def test_a_set_up(tmp_path: Path) -> None:
    path = tmp_path / "setup.toml"

    def hold(case: bytes) -> None:
        path.write_bytes(case)
        with held():
            setup_files.look(setup.read_text(path))

    tried("setup", mutated(SETUPS), hold)


def _log_lines() -> list[bytes]:
    drift = gzip.decompress((ROOT / "sample_logs" / "drift.csv.gz").read_bytes())
    cheap = (ROOT / "sample_logs" / "cheap-board.csv").read_bytes()
    return [b"\n".join(one.split(b"\n")[:40]) for one in (drift, cheap)]


@pytest.mark.parametrize("ending", [".csv", ".csv.gz"])
def test_a_log(tmp_path: Path, ending: str) -> None:
    setups = [setup.load(ROOT / "sample_logs" / name) for name in ("drift.toml", "cheap-board.toml")]

    def hold(case: bytes) -> None:
        path = tmp_path / f"log{ending}"
        packed = ending == ".csv.gz"
        path.write_bytes(gzip.compress(case, 1) if packed and not case.startswith(b"\x1f") else case)
        for one in setups:
            with held():
                judge_log(path, one)

    tried("log", mutated([*_log_lines(), *(gzip.compress(one) for one in _log_lines())]), hold)


def test_a_log_that_unpacks_to_a_flood(tmp_path: Path) -> None:
    """A few kB that unpack to as many MB: read in blocks, whatever a line is."""
    head = b"time_ms;pair1 [mV];pair2 [mV];pair3 [mV];pair4 [mV]\n"
    floods = ((b"\0", 20), (b"1", 20), (b";", 20), (b"#", 20), (b"\n", 2), (b"x\n", 1))
    path = tmp_path / "flood.csv.gz"
    one = setup.load(ROOT / "sample_logs" / "cheap-board.toml")
    before_mb = grown_mb()
    for flood, mb in floods:
        path.write_bytes(gzip.compress(head + flood * (mb * 1_000_000 // len(flood)), 1))
        with held():
            judge_log(path, one)
    # what is made here is 20 MB, and what it is made of as much again
    assert grown_mb() - before_mb < 100


def test_a_log_of_another_program(tmp_path: Path) -> None:
    one = setup.load(ROOT / "sample_logs" / "cheap-board.toml")
    plain, packed, out = tmp_path / "log.csv", tmp_path / "log.csv.gz", tmp_path / "renamed.csv"
    columns = [f"{channel.name}={channel.name} [mV]:mV" for channel in one.channel]
    lines = _log_lines()[1]
    clock = (
        lines.replace(b"time_ms", b"time").replace(b"000;", b":00;").replace(b"\n0;", b"\n9999-12-31 23:59;")
    )
    names = [
        import_log.naming("time_ms:ms", columns, None),
        import_log.naming("time", columns, "%H:%M"),
        import_log.naming("time", columns, "%Y-%m-%d %H:%M"),
    ]

    def hold(case: bytes) -> None:
        path = packed if case.startswith(b"\x1f") else plain
        path.write_bytes(case)
        for each in names:
            assert each is not None
            with held():
                import_log.rename(path, out, each)
                for _ in logfile.read(out, one):
                    pass

    tried("log", mutated([lines, clock, gzip.compress(lines)]), hold)


BENCHES = b"""database = "postgresql://carrier@db.shop/soakbench"
every_s = 60
[[bench]]
name = "bench 1"
store = "bench1.db"
[[bench]]
name = "bench 2"
address = "https://bench2.shop:8050"
token_file = "bench2.token"
"""
SHOP = b'schema = "soakbench.shop/1"\nname = "The Valve Workshop"\naddress = ["12 Road"]\nlogo = "logo.svg"\n'
CHECKLIST = b"""[[checklist]]
name = "ours"
[[checklist.item]]
section = "electrical safety"
what = "earth continuity of {name}"
asks = "ohm"
each = "socket"
caution = "Unplugged."
"""
SCRIPT = b"""schema = "soakbench.calibrate/1"
by = "R. Example"
instrument = "meter 3"
[[step]]
what = "short"
channels = ["pair1", "pair2"]
[[step]]
what = "resistor"
channels = ["pair1"]
value = "1.002 ohm"
U = "0.001 ohm"
"""
LOGO = b'<svg xmlns="http://www.w3.org/2000/svg" width="20" height="10"><rect width="20" height="10"/></svg>'


def test_the_file_of_many_benches(tmp_path: Path) -> None:
    path = tmp_path / "benches.toml"

    def hold(case: bytes) -> None:
        path.write_bytes(case)
        with held():
            benches.load(path)

    tried("benches", mutated([BENCHES]), hold)


def test_the_shops_file_and_its_logo(tmp_path: Path) -> None:
    path, logo = tmp_path / "shop.toml", tmp_path / "logo.svg"

    def hold(case: bytes) -> None:
        named = case.lstrip().startswith(b"<")
        path.write_bytes(SHOP if named else case)
        logo.write_bytes(case if named else LOGO)
        with held():
            shop.load(path)

    tried("shop", mutated([SHOP, LOGO]), hold)


def test_a_checklist() -> None:
    amp = setup.load(ROOT / "sample_logs" / "drift.toml")

    def hold(case: bytes) -> None:
        with held():
            checklist.items(checklist.parse(case.decode("utf-8", "replace"), "own.toml"), amp)

    tried("checklist", mutated([CHECKLIST]), hold)


def test_a_calibration_script() -> None:
    amp = setup.load(ROOT / "sample_logs" / "drift.toml")

    def hold(case: bytes) -> None:
        with held():
            calibrate.read_script(case.decode("utf-8", "replace"), amp)

    tried("script", mutated([SCRIPT]), hold)


def test_a_list_of_valves(tmp_path: Path) -> None:
    path = tmp_path / "valves.csv"
    lists = [
        b"valve, current [mA], second [mA], U [mA], shared U [mA]\nA1, 35.2, 40.1, 0.2, 0.1\nA2, 36, 41\n",
        b"valve;current [mA]\nB1;35,2\nB2;36,0\n",
    ]

    def hold(case: bytes) -> None:
        path.write_bytes(case)
        with held():
            match.read_sheet(path)

    tried("valves", mutated(lists), hold)


# ---- what comes over a line

AMP = scenario("healthy", 3)
COUNTS = [1000 * column for column in range(8)]


class _Wire:
    """A line on which what was sent comes in pieces; each look at it takes a moment.

    `answers`, where it is given, are made by a device that hears what is written, and changed as a case says.
    """

    def __init__(self, data: bytes, clock: ManualClock, device: Any = None, changes: Any = None) -> None:
        self.path, self.heard = "/dev/bench", 0
        self._data, self._clock, self._device = data, clock, device
        self._changes: dict[int, list[tuple[int, int, int]]] = changes or {}
        self._answers = 0

    def read(self) -> bytes:
        self._clock.advance(0.05)
        piece, self._data = self._data[:700], self._data[700:]
        self.heard += len(piece)
        return piece

    def more(self) -> bool:
        return bool(self._data)

    def write(self, data: bytes) -> None:
        for answer in self._device.hear(data) if self._device is not None else ():
            self._answers += 1
            changes = self._changes.get(self._answers)
            self._data += answer if changes is None else changed(answer, changes)

    def close(self) -> None:
        pass


def _converse(kind: str, wire: _Wire, clock: ManualClock) -> None:
    """Let a link meet what answers so, and hear the rest: times never run back, counts fit."""
    found = setup.parse(AMP.setup_text(link=kind, scans_per_s=10.0))
    link: Any
    match kind:
        case "lines":
            link = Lines(8, 10.0, clock, 1.0, 0.0)
        case "csv":
            link = Csv(found, clock, 0.0)
        case "modbus":
            link = Modbus(found, Line(), clock, 0.0)
        case _:
            link = Scpi(found, clock, 0.0)
    stop, last_us = threading.Event(), -1
    with held():
        talk = link.talk(wire, again=False, patience_s=3.0)
        talk.meet(stop)
        talk.begin(stop)
        for _ in range(40):
            for heard in talk.hear(stop):
                if isinstance(heard, ScanBlock) and len(heard):
                    assert np.diff(heard.t_us, prepend=last_us).min() > 0
                    assert heard.counts.dtype == np.int32
                    last_us = int(heard.t_us[-1])


def _stream(kind: str) -> bytes:
    if kind == "lines":
        scans = [scan_line(n, 100 * n + 100, COUNTS, 0) for n in range(12)]
        return b"".join([banner_line(AMP.info), line("A,rate,10"), *scans])
    board = CsvBoard(AMP.info, CHANNELS)
    return board.header() + b"".join(board.scan(100_000 * n, COUNTS) for n in range(24))


@pytest.mark.parametrize("kind", ["lines", "csv"])
def test_what_a_board_sends(kind: str) -> None:
    def hold(case: bytes) -> None:
        clock = ManualClock()
        _converse(kind, _Wire(case, clock), clock)

    tried(f"link {kind}", mutated([_stream(kind)]), hold)


@pytest.mark.parametrize("kind", ["modbus", "scpi"])
def test_what_a_device_answers(kind: str) -> None:
    def hold(case: Any) -> None:
        clock = ManualClock()
        device = (ModbusModule if kind == "modbus" else ScanningMeter)(AMP.info, lambda: COUNTS)
        _converse(kind, _Wire(b"", clock, device, case), clock)

    case = st.dictionaries(st.integers(1, 12), CHANGES, min_size=1, max_size=4)
    tried(f"link {kind}", case, hold)


# ---- what comes over the network


class _Server:
    """A dashboard over a store with a soak and a job, asked without a browser."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        soak = RunningSoak(folder / "soak.db")
        soak.go_on(40.0)
        self.record = Record(soak.path, ManualClock(), "R. Example")
        self.job = self.record.book_in(amp="Theatre PA 240 W", customer="order 118")
        self.record.remark(self.job, "hums")
        self.record.fit_valve(self.job, "V1", "A1", valve_type="EL34")
        soak.writer.close()
        self.setups = folder / "setups"
        self.setups.mkdir()
        (self.setups / "bench1.toml").write_bytes(SETUPS[0])
        self.uuid = Reader(soak.path).soak().uuid
        self.token = Tokens(soak.path).new("shop", soak.clock)
        # what fails is answered with a page of Flask's, unless it is told to let it through
        server = create_app(soak.path, ManualClock(), setups=self.setups).server
        server.config["PROPAGATE_EXCEPTIONS"] = True
        self.client = server.test_client()
        self.headers = {"Origin": HOME, HEADER: token_of(self.client)}

    def get(self, address: str) -> Any:
        with held():
            answer = self.client.get(
                address, base_url=HOME, headers={"Authorization": f"Bearer {self.token}"}
            )
            assert answer.status_code < 500 or answer.status_code == 503, (address[:300], answer.data[:300])
            assert "taken" not in str(answer.headers)
            answer.get_data()
            answer.close()  # a file of ours is open until it is
            return answer

    def post(self, address: str, **body: Any) -> None:
        with held():
            answer = self.client.post(address, base_url=HOME, headers=self.headers, **body)
            assert answer.status_code < 500, (address, answer.data[:300])
            said = answer.json or {}
            assert said.get("state") in ("done", "refused", "not reached"), answer.data[:300]
            faults = said.get("faults", {})  # of a form by field; of a saved set-up how many
            says = [said["reason"], *(faults.values() if isinstance(faults, dict) else ())]
            assert said["state"] == "done" or any(one.strip() for one in says)
            assert all(len(one) < 2_000 and len(one.splitlines()) <= 1 for one in says), says


HOME = "http://127.0.0.1"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> _Server:
    return _Server(tmp_path_factory.mktemp("served"))


def test_an_address(server: _Server) -> None:
    got = quote('{"scan_s": 3, "rollup_s": [[10, 0]], "marks": 1}')
    addresses = [
        "/soak/1", "/soak/last", "/jobs/1", "/jobs/1/remark", "/jobs/1/edit/remark/1", "/valves/1",
        "/compare/1/1", "/setup/bench1.toml", f"/photographs/{'0' * 64}", "/record/plan?shows=hot,cold",
        "/chart/1?width=900&from=0&to=30&y=0.07,0.08&clock=1&unit=mA&after=12&frame=a&over=b&calibration=none",
        "/chart/last?width=300", "/alarm?after=3", "/bias/feed?width=100", "/jobs/1/report.docx?paper=a4",
        "/collected/1/stamps", "/collected/1/record", f"/collected/1/part/{server.uuid}?got={got}",
        "/assets/soakbench.css?m=1", "/_dash-layout", "/log-in?to=/jobs",
    ]  # fmt: skip

    def hold(case: bytes) -> None:
        text = case.decode("utf-8", "replace")[:3_000]
        path = text.partition("?")[0]
        if "report." in path and not path.endswith("docx"):
            return  # a report is a process of its own
        server.get("/" + quote(text.lstrip("/"), safe="/?&=%,.:;+-", errors="replace"))
        with held():
            page_at(path)

    tried("address", mutated([one.encode() for one in addresses]), hold)


def test_a_form_of_the_job_record(server: _Server) -> None:
    forms = [
        {"deed": deed, "job": 1, "table": table, "row": 1, "seen": 1, "by": "R. Example", "key": "",
         "said": {one.name: _said(one) for one in fields_of(deed, table)}}
        for deed, one in DEEDS.items()
        for table in (FIELDS if deed == "edit" else ("job",))
    ]  # fmt: skip

    def hold(case: Any) -> None:
        server.post("/record", data=json.dumps(case), content_type="application/json")

    tried("form", document(forms), hold)


def _said(one: Any) -> str:
    if one.options:
        return str(one.options[0])
    return {"received": "2026-03-01", "fitted": "2026-03-01"}.get(one.name, "1")


def test_what_is_asked_of_the_daemon(server: _Server) -> None:
    asked = [
        {"ask": ask, "text": text, "soak": soak}
        for ask in Ask
        for text in ("", "1", "at 0:01:02: tapped V5")
        for soak in ("", server.uuid)
    ]

    def hold(case: Any) -> None:
        server.post("/ask", data=json.dumps(case), content_type="application/json")

    tried("request", document(asked), hold)


def test_a_set_up_that_is_saved(server: _Server) -> None:
    saved = [
        {"name": name, "text": SETUPS[0].decode(), "seen": ""} for name in ("bench1.toml", "bench 2.toml")
    ]

    def hold(case: Any) -> None:
        server.post("/setup/save", data=json.dumps(case), content_type="application/json")
        outside = [path for path in server.folder.iterdir() if path.suffix == ".toml"]
        assert outside == []
        for path in server.setups.iterdir():
            if path.name != "bench1.toml":
                path.unlink()

    tried("saved set-up", document(saved), hold)


def test_a_photograph_and_readings_that_are_sent(server: _Server) -> None:
    made = io.BytesIO()
    Image.new("RGB", (16, 12), (90, 20, 20)).save(made, "JPEG")
    drawn = io.BytesIO()
    Image.new("L", (300, 200), 3).save(drawn, "PNG")
    readings = (
        b"stage,quantity,place,value,unit,instrument,load_ohm\n"
        b"as left,bias volts,V1,-38.2,V,meter 3,\nas left,output voltage,left,28.1,V,meter 3,8\n"
    )

    def hold(case: bytes) -> None:
        deed, name = ("readings", "r.csv") if b"," in case[:200] else ("photograph", "p.jpg")
        said = {"stage": "as left"} if deed == "readings" else {"caption": "left side"}
        entry = {"deed": deed, "job": 1, "said": {**said, "file": ""}, "by": "R. Example"}
        file = (io.BytesIO(case), name)
        server.post("/record", data={"entry": json.dumps(entry), "file": file})

    tried(
        "upload", mutated([made.getvalue(), drawn.getvalue(), readings, readings.replace(b",", b";")]), hold
    )


def test_what_a_bench_hands_to_a_collector(server: _Server) -> None:
    def got(path: str) -> Any:
        return server.get(f"/collected/1/{path}").json

    start = quote('{"scan_s": -1, "rollup_s": [], "marks": 0}')
    handed = [got("stamps"), got("record"), got(f"part/{server.uuid}?got={start}")]
    assert "scans" in handed[2]

    def hold(case: Any) -> None:
        for read in (stamps_from, record_from, part_from):
            with held():
                read(case)

    tried("handed over", document(handed), hold)


MQTT_REQUEST = {"schema": REQUEST_SCHEMA, "id": "0f1e2d3c", "ask": "mark", "text": "tapped V5"}


def test_what_a_broker_brings(tmp_path: Path) -> None:
    text = SETUPS[0].decode() + '[mqtt]\nhost = "127.0.0.1"\nrequests = ["mark", "stop"]\n'
    mqtt = setup.parse(text).mqtt
    assert mqtt is not None

    def hold(case: bytes) -> None:
        with held():
            try:
                asked = json.loads(case)
            except (ValueError, RecursionError):
                return
            if isinstance(asked, dict):
                ask, said = request_of(asked, mqtt)
                text_of(ask, said)

    tried("broker", mutated([json.dumps(MQTT_REQUEST).encode()]), hold)


# ---- a job's zip


def test_a_jobs_zip(server: _Server, tmp_path: Path) -> None:
    whole, zipped = tmp_path / "from.db", tmp_path / "job.zip"
    job_file.pack(whole, fill(whole, tmp_path), zipped)
    with zipfile.ZipFile(zipped) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    head = json.loads(members["job.json"])
    empty = tmp_path / "empty.db"
    Writer(empty, ManualClock()).close()
    store, path = tmp_path / "store.db", tmp_path / "case.zip"

    def hold(case: Any) -> None:
        if isinstance(case, bytes):
            path.write_bytes(case)
        else:
            with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as made:
                for name, data in members.items():
                    made.writestr(name, json.dumps(case) if name == "job.json" else data)
        for left in tmp_path.glob("store.db*"):
            shutil.rmtree(left) if left.is_dir() else left.unlink()
        shutil.copyfile(empty, store)
        with held():
            number = job_file.unpack(path, store, ManualClock())
            Reader(store).job(number)

    tried("zip", st.one_of(document([head]), mutated([zipped.read_bytes()])), hold)
