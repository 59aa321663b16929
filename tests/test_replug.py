"""A DAQ that goes and comes back, on simulated time: the real link; ports, boards and a hub are played."""

from __future__ import annotations

import gc
import random
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from test_daemon import DAQ, SETUP, idle
from tiny_daq import board

from logger.blocks import DaqInfo, ScanBlock
from logger.clock import ManualClock
from logger.finding import Kind
from logger.link import lines
from logger.link.frames import FrameReader, frame
from logger.link.port import Connected, Disconnected, SerialLink
from logger.link.search import Port
from logger.link.wire import Line, Lost, NotThere
from logger.pipeline import Pipeline
from logger.setup import parse

AGAIN_S = 5.0
"""How soon after a board's return it must be measured again."""
READ_S = 0.2


class BenchClock(ManualClock):
    """Moves in steps; what is due at a time happens then."""

    def __init__(self) -> None:
        super().__init__()
        self._due: list[tuple[float, Callable[[], object]]] = []
        self.each: Callable[[float], object] = lambda _: None
        self._lock = threading.RLock()

    def at(self, t_s: float, act: Callable[[], object]) -> None:
        with self._lock:
            self._due.append((t_s, act))
            self._due.sort(key=lambda due: due[0])

    def advance(self, seconds: float) -> None:
        with self._lock:
            until_s = self.monotonic_s() + seconds
            while self._due and self._due[0][0] <= until_s:
                t_s, act = self._due.pop(0)
                super().advance(max(0.0, t_s - self.monotonic_s()))
                self.each(self.monotonic_s())
                act()
            super().advance(until_s - self.monotonic_s())
            self.each(self.monotonic_s())


class SimulatedStop(threading.Event):
    """The link's own waiting, on the bench's clock."""

    clock: BenchClock

    def wait(self, timeout: float | None = None) -> bool:
        self.clock.advance(timeout or 0.0)
        return self.is_set()


@dataclass
class Device:
    """What hangs on a port. `out` is what the host can read; None while no port is open."""

    out: bytearray | None = None

    def hear(self, data: bytes) -> None:
        """Take what the host sends."""

    def tick(self, now_s: float) -> None:
        """Do what is due."""


@dataclass
class Talker(Device):
    """A foreign device that prints its own lines."""

    def tick(self, now_s: float) -> None:
        if self.out is not None and len(self.out) < 200:
            self.out += b"T=23.4C H=41%\r\n"


@dataclass
class Board(Device):
    """A bench DAQ: 10 scans a second once told to, by its own counters; `sent` holds what went out."""

    daq: DaqInfo = DAQ
    rate: float = 0.0
    sequence: int = 0
    ms: int = 0
    ready_s: float = 0.0
    next_s: float = 0.0
    booted_s: float = 0.0
    stuck: bool = False
    sent: dict[int, float] = field(default_factory=dict)
    reader: FrameReader = field(default_factory=FrameReader)
    scans: int = 0
    first_s: float | None = None

    def hear(self, data: bytes) -> None:
        for body in self.reader.feed(data):
            command = lines.read_command(body)
            if self.stuck or isinstance(command, str) or self.booting:
                continue
            if command.name == "who":
                self.say(lines.banner_body(self.daq))
            elif command.name == "rate":
                assert command.value is not None
                if not self.rate:
                    self.next_s = self.now_s
                self.rate = command.value
                self.say(f"A,rate,{command.value:g}")

    now_s: float = 0.0

    @property
    def booting(self) -> bool:
        return self.now_s < self.ready_s

    def say(self, body: str) -> None:
        if self.out is not None:
            self.out += frame(body, end=b"\r\n")

    def tick(self, now_s: float) -> None:
        self.now_s = now_s
        while self.rate and self.next_s <= now_s and not self.booting:
            if self.out is not None and not self.stuck:
                row = idle(self.scans)
                self.say(lines.scan_body(self.sequence, round((self.next_s - self.booted_s) * 1000), row))
                self.sent[self.sequence] = self.next_s
                self.first_s = self.next_s if self.first_s is None else self.first_s
            self.sequence += 1
            self.scans += 1
            self.next_s += 0.1

    def reset(self, boots_s: float, *, banner: bool = True) -> None:
        self.tick(self.now_s)
        self.rate, self.sequence, self.stuck = 0.0, 0, False
        self.booted_s, self.ready_s = self.now_s, self.now_s + boots_s
        self.sent = {}
        if banner:
            self.clock.at(
                self.ready_s, lambda: (self.tick(self.ready_s), self.say(lines.banner_body(self.daq)))
            )

    clock: BenchClock = field(default_factory=BenchClock)


class Bench:
    """The machine's ports, what hangs on them, and the link under test on its own thread."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, port: str) -> None:
        self.clock = BenchClock()
        self.clock.each = self._tick
        self.ports: dict[str, Device] = {}
        self.board = Board(clock=self.clock)
        for where in ("logger.link.port", "logger.link.search"):
            monkeypatch.setattr(f"{where}.open_wire", self._open)
        monkeypatch.setattr(
            "logger.link.port.ports", lambda: [Port(path, True) for path in sorted(self.ports)]
        )
        self.link = SerialLink(port, channels=3, scans_per_s=10, clock=self.clock)
        stop = SimulatedStop()
        stop.clock = self.clock
        self.link._stop = stop
        self.events: list[Any] = []
        self.first_s: list[float] = []

    def _tick(self, now_s: float) -> None:
        self.board.tick(now_s)
        for device in list(self.ports.values()):
            device.tick(now_s)

    def _open(self, path: str, line: Line) -> Wire:
        with self.clock._lock:
            if path not in self.ports:
                raise NotThere(f"there is no port {path}")
            return Wire(self, path, self.ports[path])

    def plug(self, path: str, device: Device) -> None:
        self.ports[path] = device

    def unplug(self, *paths: str) -> None:
        for path in paths or list(self.ports):
            del self.ports[path]

    def run(self, until_s: float) -> Iterator[Any]:
        """Run the link until a time; give what comes, as it comes."""
        done = threading.Event()
        self.clock.at(until_s, done.set)
        if not self.link._thread.is_alive():
            self.link.start()
        while not done.is_set():
            yield from self.link.take(0.05)

    def finish(self) -> list[Any]:
        self.link.close()
        return self.link.take(0.0)


class Wire:
    """One opened port of the bench."""

    def __init__(self, bench: Bench, path: str, device: Device) -> None:
        self.path = path
        self.heard = 0
        self._bench, self._device = bench, device
        device.out = bytearray()

    def read(self) -> bytes:
        bench, device = self._bench, self._device
        with bench.clock._lock:
            if not device.out:
                if bench.ports.get(self.path) is not device:
                    device.out = None
                    raise Lost(f"the port {self.path} has gone away")
                bench.clock.advance(READ_S)
            chunk = bytes(device.out or b"")
            if device.out is not None:
                device.out.clear()
            self.heard += len(chunk)
            return chunk

    def write(self, data: bytes) -> None:
        with self._bench.clock._lock:
            if self._bench.ports.get(self.path) is not self._device:
                raise Lost(f"the port {self.path} takes nothing any more")
            self._device.hear(data)

    def close(self) -> None:
        self._device.out = None


def test_unplugged_and_plugged_again_a_thousand_times(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is lost but what the board could not send; no thread and no memory is left behind."""
    bench = Bench(monkeypatch, "/dev/daq")
    bench.plug("/dev/daq", bench.board)
    rng, back_s, t_s = random.Random(7), [], 2.0
    for _ in range(1000):
        bench.clock.at(t_s, bench.unplug)
        t_s += rng.uniform(0.05, 2.0)
        bench.clock.at(t_s, lambda: bench.plug("/dev/daq", bench.board))
        back_s.append(t_s)
        t_s += rng.uniform(1.5, 2.5)
    came = np.empty(60_000)
    got, threads, objects = 0, 0, 0
    for event in bench.run(t_s + AGAIN_S):
        if not isinstance(event, ScanBlock):
            continue
        if not threads and event.t_us[0] > 500e6:
            gc.collect()
            threads, objects = threading.active_count(), len(gc.get_objects())
        assert event.ms is not None
        assert (event.t_us == event.sequence * 100_000).all()  # the board's own time, throughout
        came[got : got + len(event)] = event.t_us / 1e6
        got += len(event)
    gc.collect()
    assert len(gc.get_objects()) < objects + 2000
    assert threading.active_count() <= threads
    for event in bench.finish():
        assert isinstance(event, ScanBlock)
        came[got : got + len(event)] = event.t_us / 1e6
        got += len(event)
    assert got == len(bench.board.sent)
    came = came[:got]
    assert (np.diff(came) > 0.05).all()
    again_s = came[np.searchsorted(came, back_s)] - back_s
    assert again_s.max() <= AGAIN_S


def measured(bench: Bench, until_s: float) -> tuple[ScanBlock, list[Any]]:
    """Run to a time; return all scans as one block, and the other events."""
    events = [*bench.run(until_s), *bench.finish()]
    blocks = [event for event in events if isinstance(event, ScanBlock)]
    return (
        ScanBlock(
            np.concatenate([block.t_us for block in blocks]),
            np.concatenate([block.sequence for block in blocks]),
            np.concatenate([block.counts for block in blocks]),
        ),
        [event for event in events if not isinstance(event, ScanBlock)],
    )


def holes(scans: ScanBlock) -> list[tuple[float, float]]:
    """Where time goes on by more than a scan: the times before and after."""
    at = np.flatnonzero(np.diff(scans.t_us) > 150_000)
    return [(float(scans.t_us[i] / 1e6), float(scans.t_us[i + 1] / 1e6)) for i in at]


def gaps(scans: ScanBlock) -> list[tuple[float, float | None]]:
    pipeline = Pipeline(parse(SETUP), DAQ)
    pipeline.feed(scans)
    pipeline.finish()
    return [(f.onset_s, f.cleared_s) for f in pipeline.findings if f.kind is Kind.GAP]


def stated(scans: ScanBlock) -> None:
    """Each hole of over 5 s is a gap of the same length."""
    long = [hole for hole in holes(scans) if hole[1] - hole[0] > 5.0]
    assert (
        gaps(scans)[: len(long)] == long or len(gaps(scans)) == 1
    )  # one that comes back is the same finding


@pytest.mark.parametrize("boots_s", [0.0, 2.5])
@pytest.mark.parametrize("banner", [True, False])
@pytest.mark.parametrize("leaves", [True, False])
def test_a_board_that_lost_its_power(
    monkeypatch: pytest.MonkeyPatch, boots_s: float, banner: bool, leaves: bool
) -> None:
    """With a port that goes too, and behind a bridge whose port stays; banner heard or not."""
    bench = Bench(monkeypatch, "/dev/daq")
    bench.plug("/dev/daq", bench.board)

    def off() -> None:
        bench.board.stuck = True
        if leaves:
            bench.unplug("/dev/daq")

    def on() -> None:
        if leaves:
            bench.plug("/dev/daq", bench.board)
        bench.board.reset(boots_s, banner=banner)

    bench.clock.at(20.0, off)
    bench.clock.at(32.0, on)
    scans, _ = measured(bench, 50.0)
    ((before, after),) = holes(scans)
    assert before == pytest.approx(20.0, abs=0.3)
    assert after <= 32.0 + boots_s + AGAIN_S
    assert after >= 32.0
    assert gaps(scans) == [(before, after)]


@pytest.mark.parametrize("port", ["auto", "/dev/ttyACM0"])
def test_a_port_that_comes_back_under_another_name(monkeypatch: pytest.MonkeyPatch, port: str) -> None:
    """auto finds the board by its id; by a name it can only be told what to do, until the name is back."""
    bench = Bench(monkeypatch, port)
    bench.plug("/dev/ttyACM0", bench.board)
    bench.clock.at(20.0, bench.unplug)
    bench.clock.at(28.0, lambda: bench.plug("/dev/ttyACM1", bench.board))
    bench.clock.at(60.0, bench.unplug)
    bench.clock.at(61.0, lambda: bench.plug("/dev/ttyACM0", bench.board))
    scans, said = measured(bench, 80.0)
    back_s = 28.0 if port == "auto" else 61.0
    before, after = holes(scans)[0]
    began_s = bench.board.first_s or 0.0
    assert before + began_s == pytest.approx(20.0, abs=0.3)
    assert back_s <= after + began_s <= back_s + AGAIN_S
    assert (scans.t_us == scans.sequence * 100_000).all()
    names = [event.port for event in said if isinstance(event, Connected)]
    assert names[-1] == "/dev/ttyACM0"
    assert ("/dev/ttyACM1" in names) == (port == "auto")
    why = [event.why for event in said if isinstance(event, Disconnected)]
    assert why


@pytest.mark.parametrize("then", ["goes on", "is reset"])
@pytest.mark.parametrize("for_s", [1.0, 40.0])
def test_a_board_stuck_in_the_middle_of_a_line(
    monkeypatch: pytest.MonkeyPatch, then: str, for_s: float
) -> None:
    bench = Bench(monkeypatch, "/dev/daq")
    bench.plug("/dev/daq", bench.board)
    line = frame(lines.scan_body(9, 1000, idle(9)), end=b"\r\n")

    def stick() -> None:
        bench.board.stuck = True
        assert bench.board.out is not None
        bench.board.out += line[:11]

    def go_on() -> None:
        bench.board.stuck = False
        assert bench.board.out is not None
        bench.board.out += line[11:]

    bench.clock.at(20.05, stick)
    bench.clock.at(20.05 + for_s, go_on if then == "goes on" else lambda: bench.board.reset(0.5))
    scans, _ = measured(bench, 80.0)
    (hole,) = holes(scans)
    assert hole[0] == pytest.approx(20.0, abs=0.2)
    assert 20.0 + for_s <= hole[1] <= 20.05 + for_s + 0.5 + AGAIN_S
    assert (np.diff(scans.t_us) > 0).all()
    assert gaps(scans) == ([hole] if hole[1] - hole[0] > 5.0 else [])
    if then == "goes on":
        assert (scans.t_us == scans.sequence * 100_000).all()


@pytest.mark.parametrize("port", ["auto", "/dev/ttyACM0"])
@pytest.mark.parametrize("first", ["a talker", "a silent one", "another board"])
def test_a_hub_that_resets(monkeypatch: pytest.MonkeyPatch, port: str, first: str) -> None:
    """All its ports go; another device comes first, and under the name that was ours."""
    bench = Bench(monkeypatch, port)
    others: dict[str, Device] = {
        "a talker": Talker(),
        "a silent one": Device(),
        "another board": Board(daq=board(3, "bench-02"), clock=bench.clock),
    }
    other = others[first]
    bench.plug("/dev/ttyACM0", bench.board)
    bench.plug("/dev/ttyACM7", Device())
    if first != "another board" or port != "auto":
        bench.plug("/dev/ttyACM1", other)
    bench.clock.at(20.0, bench.unplug)
    bench.clock.at(22.0, lambda: bench.plug("/dev/ttyACM0", other))
    bench.clock.at(22.5, lambda: bench.plug("/dev/ttyACM7", Device()))

    def back() -> None:
        bench.plug("/dev/ttyACM1", bench.board)
        if port != "auto":  # somebody sorts it out
            bench.unplug("/dev/ttyACM0", "/dev/ttyACM1")
            bench.plug("/dev/ttyACM0", bench.board)

    bench.clock.at(30.0, back)
    scans, said = measured(bench, 50.0)
    ((before, after),) = holes(scans)
    began_s = bench.board.first_s or 0.0
    assert before + began_s == pytest.approx(20.0, abs=0.3)
    assert 30.0 <= after + began_s <= 30.0 + AGAIN_S
    assert (scans.t_us == scans.sequence * 100_000).all()
    assert gaps(scans) == [(before, after)]
    assert [event.daq.board_id for event in said if isinstance(event, Connected)] == ["bench-01"] * 2
