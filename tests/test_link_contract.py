"""What every kind of link keeps to, each on the simulator's version of its board: one suite for all."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from logger import setup
from logger.blocks import NO_READING, DaqInfo, ScanBlock
from logger.errors import LinkError
from logger.link.frames import Cause
from logger.link.kinds import listen, open_link
from logger.link.port import Connected, Disconnected, Event, PortLink
from logger.simulator.boards import ModbusModule, ScanningMeter
from logger.simulator.scenarios import scenario
from logger.simulator.terminal import Fault, Terminal
from logger.simulator.wires import HAS_PTY

KINDS = ("lines", "csv", "modbus", "scpi")
ASKED = ("modbus", "scpi")
"""Those whose device says nothing unasked."""
WIRES = [
    pytest.param("pty", marks=pytest.mark.skipif(os.name == "nt", reason="there are no pseudo-terminals")),
    "socket",
]
SOCKET_TOO = [WIRES[0], pytest.param("socket", marks=pytest.mark.nightly)]
"""For what takes seconds and is the same over both."""
RATE = 10.0
AMP = scenario("healthy", 3)


@pytest.fixture(autouse=True)
def _patient_with_a_busy_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """The simulated module may have to wait for the processor, where a real one would long have answered."""
    monkeypatch.setattr("logger.link.modbus._SLOWEST_S", 1.0)


@dataclass
class Played:
    """Rows of counts instead of an amplifier: what each link must bring, to the step."""

    rows: int = 60
    info: DaqInfo = AMP.info
    cable_out_s: tuple[float, float] | None = None

    @property
    def duration_s(self) -> float:
        return self.rows / RATE

    def counts(self) -> list[list[int]]:
        full = self.info.full_count[0]
        # no two rows are the same, nor is any off the scale
        out = [
            [100 * (row % 300) - 1000, 100 * (row // 300), *(3000 * column for column in range(2, 8))]
            for row in range(self.rows)
        ]
        if self.rows == 60:
            out[7][0], out[8][3], out[9][5] = NO_READING, full, -full
        return out

    def scans(self, duration_s: float, rate: float, *, block_s: float = 0.0) -> Iterator[ScanBlock]:
        rows = np.arange(self.rows)
        t_us = rows * round(1e6 / rate)
        sent = np.ones(self.rows, dtype=bool)
        if self.cable_out_s is not None:
            sent = (t_us <= self.cable_out_s[0] * 1e6) | (t_us >= self.cable_out_s[1] * 1e6)
        yield ScanBlock(t_us[sent], rows[sent], np.array(self.counts(), dtype=np.int32)[sent])


@contextmanager
def board(
    kind: str,
    folder: Path,
    played: Played | None = None,
    *,
    wire: str = "pty" if HAS_PTY else "socket",
    speed: float = 0.0,
    faults: Mapping[int, Fault] | None = None,
    change: Callable[[Terminal], None] = lambda _: None,
    left_running: bool = False,
) -> Iterator[str]:
    """Keep a simulated board of a kind; yields the address of its port."""
    port = folder / "daq"
    terminal = Terminal(
        played or Played(),  # type: ignore[arg-type]  # as much of a scenario as a board wants
        port,
        link=kind,
        speed=speed,
        scans_per_s=RATE if kind != "lines" or left_running else None,
        minutes=100.0,
        faults=faults,
        socket_port=0 if wire == "socket" else None,
    )
    change(terminal)
    thread = threading.Thread(target=terminal.run, name="simulated board")
    thread.start()
    try:
        deadline = time.monotonic() + 10
        while not port.exists():
            assert thread.is_alive()
            assert time.monotonic() < deadline
            time.sleep(0.005)
        yield port.read_text(encoding="ascii") if wire == "socket" else str(port)
    finally:
        terminal.stop()
        thread.join()


def link_to(kind: str, port: str, *, speed: float = 0.0, wait: bool = False, text: str = "") -> PortLink:
    text = text or AMP.setup_text(scans_per_s=RATE, link=kind)
    return open_link(setup.parse(text), port=port, speed=speed, wait=wait)


class Taken:
    """What a link has given so far."""

    def __init__(self, link: PortLink) -> None:
        self.link = link
        self.events: list[Event] = []

    def until(self, done: Callable[[Taken], bool], within_s: float = 30.0) -> Taken:
        deadline = time.monotonic() + within_s
        while not done(self):
            assert time.monotonic() < deadline, f"nothing more came: {self.events[-3:]}"
            self.events += self.link.take(0.02)
        return self

    @property
    def blocks(self) -> list[ScanBlock]:
        return [event for event in self.events if isinstance(event, ScanBlock)]

    @property
    def scans(self) -> int:
        return sum(map(len, self.blocks))

    @property
    def daq(self) -> DaqInfo:
        return next(event.daq for event in self.events if isinstance(event, Connected))

    def all_of(self, what: str) -> np.ndarray:
        return np.concatenate([getattr(block, what) for block in self.blocks])

    def has(self, kind: type, text: str = "") -> bool:
        return any(isinstance(event, kind) and text in str(event) for event in self.events)


@contextmanager
def linked(link: PortLink) -> Iterator[Taken]:
    link.start()
    try:
        yield Taken(link)
    finally:
        link.close()


def volts(counts: np.ndarray, daq: DaqInfo) -> np.ndarray:
    """Counts as volts, nan where there is no reading, infinite where railed."""
    out = counts * np.array(daq.volts_per_count)
    full = np.array(daq.full_count)
    out[counts >= full], out[(counts <= -full) & (counts != NO_READING)] = np.inf, -np.inf
    out[counts == NO_READING] = np.nan
    return out


def rows_of(taken: Taken, played: Played) -> list[int]:
    """Which row each scan is, by its first reading that is one; the board's time must say the same."""
    info = played.info
    got, want = volts(taken.all_of("counts"), taken.daq), volts(np.array(played.counts()), info)
    got, want = (np.nan_to_num(each, nan=-7.0, posinf=7.0, neginf=-8.0) for each in (got, want))
    out = []
    for scan in got:
        near = np.flatnonzero((np.abs(want - scan) <= max(info.volts_per_count)).all(axis=1))
        assert len(near) == 1, f"no row of the board: {scan}"
        out.append(int(near[0]))
    return out


@pytest.mark.parametrize("wire", WIRES)
@pytest.mark.parametrize("kind", KINDS)
def test_the_same_scans_come_out_for_the_same_amplifier(kind: str, wire: str, tmp_path: Path) -> None:
    played = Played()
    with board(kind, tmp_path, played, wire=wire) as port, linked(link_to(kind, port)) as taken:
        taken.until(lambda t: t.scans and rows_of(t, played)[-1] == played.rows - 1)
        rows = rows_of(taken, played)
        # a step of what is printed may be coarser than the converter's: half of either
        step = max(max(played.info.volts_per_count), max(taken.daq.volts_per_count))
        want = volts(np.array(played.counts()), played.info)[rows]
        got = volts(taken.all_of("counts"), taken.daq)
        assert np.allclose(got, want, rtol=0, atol=0.51 * step, equal_nan=True)
        assert rows[0] <= 3
        assert rows == list(range(rows[0], played.rows)), "each once, in order"
        assert np.diff(taken.all_of("t_us")).tolist() == [100_000] * (len(rows) - 1)
        assert np.diff(taken.all_of("sequence")).tolist() == [1] * (len(rows) - 1)
        assert taken.all_of("t_us")[0] == 0
        assert taken.link.rejected == {}


@pytest.mark.parametrize("wire", SOCKET_TOO)
@pytest.mark.parametrize("kind", KINDS)
def test_the_same_damage_costs_the_same_scans_and_is_counted(kind: str, wire: str, tmp_path: Path) -> None:
    played = Played()
    faults: dict[int, Fault] = {20: "garbled", 30: "lost", 40: "twice"}
    with (
        board(kind, tmp_path, played, wire=wire, faults=faults) as port,
        linked(link_to(kind, port)) as taken,
    ):
        taken.until(lambda t: t.scans and rows_of(t, played)[-1] == played.rows - 1)
        rows = rows_of(taken, played)
        assert sorted(set(range(rows[0], played.rows)) - set(rows)) == [20, 30]
        assert len(rows) == len(set(rows))
        steps = np.diff(taken.all_of("sequence"))
        assert steps.sum() == played.rows - 1 - rows[0]
        assert (np.diff(taken.all_of("t_us")) == 100_000 * steps).all()
        seen = dict(taken.link.rejected)
        # only who asks knows that an answer is missing; of the others a hole in the sequence says it
        assert seen.pop(Cause.NO_REPLY, 0) == (kind in ASKED)
        garbled, twice = {
            "lines": (Cause.CRC, Cause.REPEATED),
            "csv": (Cause.NOT_A_NUMBER, Cause.REPEATED),
            "modbus": (Cause.CRC, Cause.NOT_ASKED),
            "scpi": (Cause.NOT_A_NUMBER, Cause.NOT_ASKED),
        }[kind]
        assert seen == {garbled: 1, twice: 1}


@pytest.mark.parametrize("wire", SOCKET_TOO)
@pytest.mark.parametrize("kind", KINDS)
def test_a_pulled_lead_costs_the_scans_of_its_time_and_no_more(kind: str, wire: str, tmp_path: Path) -> None:
    # who is asked has no time of its own but the host's: that goes at its real speed
    speed, out_s, back_s = (1.0, 1.0, 2.5) if kind in ASKED else (50.0, 10.0, 50.0)
    played = Played(rows=3000, cable_out_s=(out_s, back_s))
    with (
        board(kind, tmp_path, played, wire=wire, speed=speed) as port,
        linked(link_to(kind, port, speed=speed)) as taken,
    ):
        taken.until(lambda t: t.has(Disconnected))
        before = taken.scans
        taken.until(lambda t: t.scans > before + 20)
        again = [event for event in taken.events if isinstance(event, Connected)][1:]
        assert [(event.daq, event.again) for event in again] == [(taken.daq, True)]
        t_us, sequence = taken.all_of("t_us"), taken.all_of("sequence")
        assert (np.diff(t_us) > 0).all()
        assert (np.diff(sequence) > 0).all()
        hole = int(np.argmax(np.diff(t_us)))
        assert np.diff(t_us)[hole] >= 0.9e6 * (back_s - out_s)
        # the hole in the sequence is as long as that in time
        assert np.diff(sequence)[hole] == pytest.approx(np.diff(t_us)[hole] / 100_000, abs=2)
        rows = rows_of(taken, played)
        assert rows[hole + 1] - rows[hole] == pytest.approx(np.diff(sequence)[hole], abs=3)


@pytest.mark.parametrize("kind", KINDS)
def test_a_port_not_there_yet_is_waited_for(kind: str, tmp_path: Path) -> None:
    port = str(tmp_path / "daq")
    with linked(link_to(kind, port, wait=True)) as taken:
        taken.until(lambda t: t.has(Disconnected, "there is no port"))
        with board(kind, tmp_path, wire="pty"):
            taken.until(lambda t: t.scans > 3)


@pytest.mark.parametrize("kind", KINDS)
def test_nobody_on_the_line_is_said_in_one_sentence(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.link.port.PATIENCE_S", 0.4)
    other = "modbus" if kind != "modbus" else "scpi"  # neither says a word to the other's questions
    with board(other, tmp_path, wire="pty") as port, linked(link_to(kind, port)) as taken:
        with pytest.raises(LinkError, match=r"nothing|no meter|no Modbus device") as caught:
            taken.until(lambda _: False)
        assert "\n" not in str(caught.value)
        assert port in str(caught.value)


@pytest.mark.parametrize("kind", KINDS)
def test_something_else_on_the_line_is_said_in_one_sentence(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.link.port.PATIENCE_S", 0.4)
    other = "csv" if kind != "csv" else "lines"
    with board(other, tmp_path, wire="pty", left_running=True) as port:
        text = AMP.setup_text(scans_per_s=RATE, link=kind).replace('columns = ["-"', 'columns = ["-", "-"')
        with linked(link_to(kind, port, text=text)) as taken, pytest.raises(LinkError) as caught:
            taken.until(lambda _: False)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("kind", ["lines", "modbus", "scpi"])
def test_another_board_after_the_lead_was_out_is_not_measured(kind: str, tmp_path: Path) -> None:
    """A board that prints numbers has no name: one with the same columns can't be told from another."""

    def other(terminal: Terminal) -> None:
        match terminal.polled:
            case ModbusModule():
                terminal.polled.identity = 99
            case ScanningMeter():
                terminal.polled.name = "soakbench,simulated scanning meter,0043,1.0"

    with board(kind, tmp_path, wire="pty") as port:
        link = link_to(kind, port)
        link.start()
        taken = Taken(link).until(lambda t: t.scans > 3)
    info = replace(AMP.info, board_id="sim-0099")
    with board(kind, tmp_path, Played(info=info), wire="pty", change=other):
        taken.until(lambda t: any("another DAQ" in e.why for e in t.events if isinstance(e, Disconnected)))
    assert sum(isinstance(event, Connected) for event in taken.events) == 1
    link.close()


def test_a_board_with_other_columns_after_the_lead_was_out_is_no_reading(tmp_path: Path) -> None:
    with board("csv", tmp_path, wire="pty") as port:
        link = link_to("csv", port)
        link.start()
        taken = Taken(link).until(lambda t: t.scans == 60 or t.has(Disconnected))
    before = taken.scans
    few = replace(AMP.info, volts_per_count=AMP.info.volts_per_count[:3], full_count=AMP.info.full_count[:3])
    with board("csv", tmp_path, Played(info=few, rows=9), wire="pty"):
        deadline = time.monotonic() + 10
        while not any(cause == Cause.FIELD_COUNT for cause in link.rejected) and time.monotonic() < deadline:
            taken.events += link.take(0.05)
        assert taken.scans == before
        assert link.rejected[Cause.FIELD_COUNT] > 0
    link.close()


@pytest.mark.parametrize("kind", ASKED)
def test_a_device_that_falls_silent_is_said_and_found_again(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # here nothing hangs on an answer that a busy machine makes late
    monkeypatch.setattr("logger.link.modbus._SLOWEST_S", 0.3)
    quiet = threading.Event()

    def may_be_quiet(terminal: Terminal) -> None:
        assert terminal.polled is not None
        hear = terminal.polled.hear
        terminal.polled.hear = lambda data: [] if quiet.is_set() else hear(data)  # type: ignore[method-assign]

    played = Played(rows=100_000)
    with (
        board(kind, tmp_path, played, speed=1.0, change=may_be_quiet) as port,
        linked(link_to(kind, port, speed=1.0)) as taken,
    ):
        taken.until(lambda t: t.scans > 3)
        quiet.set()
        taken.until(lambda t: t.has(Disconnected, "silent"))
        quiet.clear()
        before = taken.scans
        taken.until(lambda t: t.scans > before + 3)
        assert taken.link.rejected[Cause.NO_REPLY] >= 1
        assert (np.diff(taken.all_of("sequence")) > 0).all()


def test_a_meter_that_was_switched_off_and_on_is_told_again_what_to_scan(tmp_path: Path) -> None:
    meters: list[ScanningMeter] = []
    told = "ROUTe:SCAN (@101,102,103,104,105,106,107,108)"

    def keep(terminal: Terminal) -> None:
        assert isinstance(terminal.polled, ScanningMeter)
        meters.append(terminal.polled)

    played = Played(rows=100_000)
    with (
        board("scpi", tmp_path, played, speed=1.0, change=keep) as port,
        linked(link_to("scpi", port, speed=1.0)) as taken,
    ):
        taken.until(lambda t: t.scans > 3)
        meters[0].switch_off_and_on()
        taken.until(lambda _: meters[0].commands.count(told) >= 2)
        before = taken.scans
        taken.until(lambda t: t.scans > before + 3)
        rows_of(taken, Played(rows=500))


@pytest.mark.parametrize("kind", KINDS)
def test_closing_ends_the_thread_whatever_the_device_does(kind: str, tmp_path: Path) -> None:
    with board(kind, tmp_path, Played(rows=100_000), speed=1.0) as port:
        link = link_to(kind, port, speed=1.0)
        link.start()
        Taken(link).until(lambda t: t.scans > 2)
        link.close()
        rejected = dict(link.rejected)
        link.close()
        assert rejected == link.rejected, "the good-bye is no fault of the device's"
        assert not [thread for thread in threading.enumerate() if thread.name == "port"]


@pytest.mark.parametrize("kind", KINDS)
def test_listening_says_who_is_there(kind: str, tmp_path: Path) -> None:
    with board(kind, tmp_path) as port:
        said = listen(setup.parse(AMP.setup_text(scans_per_s=RATE, link=kind)), port)
    assert "\n" not in said
    wanted = {
        "lines": "sim-0003 answers",
        "csv": "9 columns, separated by comma, decimal point, with a header: pair1 from column 2 in V to",
        "modbus": "modbus-1-4711 answers",
        "scpi": "scpi-0042 answers",
    }[kind]
    if kind == "csv":  # the header may have gone before anybody listened
        said = said.replace("without a header", "with a header")
    assert wanted in said


def test_a_socket_that_nobody_listens_on_is_said_in_one_sentence() -> None:
    link = link_to("lines", "socket://127.0.0.1:1")
    with linked(link) as taken, pytest.raises(LinkError, match=r"socket://127.0.0.1:1 can't be reached"):
        taken.until(lambda _: False)
    link = link_to("lines", "socket://nowhere")
    with linked(link) as taken, pytest.raises(LinkError, match=r"must read socket://host:port"):
        taken.until(lambda _: False)
