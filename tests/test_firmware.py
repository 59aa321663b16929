"""The bench DAQ's firmware under MicroPython: what it says, when the cut-out opens, what it measures."""

from __future__ import annotations

import json
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest
from firmware_board import FIRMWARE, MICROPYTHON, FirmwareBoard, Host, settings_of

from logger.blocks import DaqInfo
from logger.link import lines
from logger.link.frames import FrameReader
from logger.link.lines import Flags, LineDecoder, Scans


def micropython(source: str, given: Any = None) -> Any:
    """Run `source` under MicroPython with the firmware's files at hand; `given` is JSON in, JSON out."""
    start = f"import sys, json\nsys.path.insert(0, {str(FIRMWARE)!r})\ngiven = json.load(sys.stdin)\n"
    ran = subprocess.run(
        [*MICROPYTHON, "-c", start + source],
        input=json.dumps(given),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return json.loads(ran.stdout)


class Play:
    """What came of a script on simulated time."""

    def __init__(self, flash: Path, orders: list[tuple[float, str]], ends_ms: float, **script: Any) -> None:
        settings = script.pop("settings", settings_of([[0, 1], 8]))
        if settings is not None:
            kept = settings if isinstance(settings, str) else json.dumps(settings)
            (flash / "settings.json").write_text(kept)
        ran = subprocess.run(
            [*MICROPYTHON, str(FIRMWARE / "host" / "lockstep.py")],
            input=json.dumps({"orders": sorted(orders), "ends_ms": ends_ms, **script}),
            cwd=flash,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert ran.returncode == 0, ran.stdout + ran.stderr
        assert not (flash / "fault.txt").exists(), (flash / "fault.txt").read_text()
        outcome = json.loads(ran.stdout)
        self.heard: str = outcome["heard"]
        self.relay: list[tuple[float, bool]] = [(at_ms, closed) for at_ms, closed in outcome["relay"]]
        self.resets: list[tuple[float, str]] = [(at_ms, cause) for at_ms, cause in outcome["resets"]]
        self.starts: list[tuple[int, int, int]] = [tuple(start) for start in outcome["starts"]]
        reader, decoder = FrameReader(), LineDecoder()
        self.records = decoder.decode(reader.feed(self.heard.encode()))
        assert not reader.rejected + decoder.rejected
        self.banners = [record for record in self.records if isinstance(record, DaqInfo)]
        scans = [record for record in self.records if isinstance(record, Scans)]
        self.ms = [int(ms) for run in scans for ms in run.ms]
        self.sequence = [int(one) for run in scans for one in run.sequence]
        self.counts = [row for run in scans for row in run.counts.tolist()]
        self.flags = [Flags.of(int(bits)) for run in scans for bits in run.flags]


def said(name: str, value: float | None = None) -> str:
    return "say " + lines.command_line(name, value).decode().strip()


def beats(from_ms: float, to_ms: float) -> list[tuple[float, str]]:
    return [(float(at_ms), said("beat")) for at_ms in range(int(from_ms), int(to_ms), 100)]


def press(at_ms: float, long_ms: float = 100) -> list[tuple[float, str]]:
    return [(at_ms, "button down"), (at_ms + long_ms, "button up")]


TEN = [(5.0, said("rate", 10))]


# --- the cut-out, on simulated time -----------------------------------------------------------------


def test_a_press_closes_it_and_it_opens_when_heartbeats_stop(tmp_path: Path) -> None:
    play = Play(tmp_path, TEN + beats(0, 1000) + press(300), 4000)
    (closed_ms, closed), (opened_ms, opened) = play.relay
    assert (closed, opened) == (True, False)
    assert 330 <= closed_ms <= 345  # the contact must be quiet for 30 ms
    assert 2400 <= opened_ms <= 2410  # the last beat came at 900 ms, silence_s is 1.5 after reset
    assert play.flags[-1] == Flags(False, False, False, False, "no heartbeat")


def test_silence_is_as_told(tmp_path: Path) -> None:
    play = Play(tmp_path, [(0.0, said("silence", 0.2)), *beats(0, 1000), *press(300)], 2000)
    assert [closed for _, closed in play.relay] == [True, False]
    assert 1100 <= play.relay[1][0] <= 1110


def test_nothing_the_host_says_closes_it(tmp_path: Path) -> None:
    everything = [
        (float(at_ms), order)
        for at_ms in range(0, 3000, 50)
        for order in (said("acknowledge"), said("beat"), said("rate", 10), "say close,1A2B", "say 1")
    ]
    assert Play(tmp_path, everything, 3000).relay == []


@pytest.mark.parametrize(
    ("orders", "why"),
    [
        ([], "without heartbeats"),
        ([*beats(0, 2000), (500.0, "button down"), (520.0, "button up")], "a bounce of 20 ms"),
        (beats(0, 400) + press(2500), "the last heartbeat is too long ago"),
    ],
)
def test_a_press_does_nothing(tmp_path: Path, orders: list[tuple[float, str]], why: str) -> None:
    if not orders:
        orders = press(500)
    assert Play(tmp_path, orders, 3000).relay == [], why


@pytest.mark.parametrize(
    ("trip", "cause", "within_ms"),
    [
        ([(1000.0, said("open"))], "opened by the host", (1000, 1010)),
        (press(1000), "push button", (1030, 1040)),
        ([(1000.0, "hang main"), (1500.0, "go on")], "firmware watchdog", (1300, 1320)),
        ([(1000.0, "reset power-on")], "reset", (1000, 1001)),
        ([(1000.0, "hang main")], "firmware watchdog", (1300, 1320)),
        ([(1000.0, "hang guard")], "firmware watchdog", (1290, 1320)),
        ([(1000.0, "hang both")], "firmware watchdog", (1990, 2010)),
    ],
)
def test_after_each_trip_a_press_needs_an_acknowledge_first(
    tmp_path: Path, trip: list[tuple[float, str]], cause: str, within_ms: tuple[float, float]
) -> None:
    orders = [*beats(0, 9000), *press(300), *trip, *press(4000)]
    orders += [(3500.0, said("rate", 10)), (5000.0, said("acknowledge")), *press(6000)]
    play = Play(tmp_path, orders, 9000)
    assert [closed for _, closed in play.relay] == [True, False, True]
    assert within_ms[0] <= play.relay[1][0] <= within_ms[1]
    assert play.relay[2][0] > 6000
    assert {flags.trip_cause for flags in play.flags} == {cause}
    acknowledged = [flags.trip_acknowledged for flags in play.flags]
    assert acknowledged[0] is False
    assert True in acknowledged
    assert play.flags[-1] == Flags(True, False, False, False, cause)


def test_a_trip_can_not_be_acknowledged_before_it_happens(tmp_path: Path) -> None:
    orders = [*TEN, *beats(0, 6000), *press(300), (800.0, said("acknowledge")), (1000.0, said("open"))]
    play = Play(tmp_path, [*orders, *press(2000)], 4000)
    assert [closed for _, closed in play.relay] == [True, False]


def test_a_button_held_down_closes_it_once(tmp_path: Path) -> None:
    held = [(300.0, "button down"), (1000.0, said("open")), (1500.0, said("acknowledge"))]
    play = Play(tmp_path, [*TEN, *beats(0, 6000), *held], 5000)
    assert [closed for _, closed in play.relay] == [True, False]
    assert play.flags[-1].button_pressed


def test_an_open_while_it_is_open_takes_an_acknowledge_back(tmp_path: Path) -> None:
    orders = [*TEN, *beats(0, 4000), (100.0, said("acknowledge")), (200.0, said("open")), *press(500)]
    play = Play(tmp_path, orders, 1500)
    assert play.relay == []
    assert play.flags[-1] == Flags(False, False, False, False, "opened by the host")


def test_a_power_cut_is_no_way_round_an_acknowledge(tmp_path: Path) -> None:
    Play(tmp_path, [*beats(0, 900), *press(300), (700.0, said("open"))], 1000)
    again = [*TEN, *beats(0, 4000), *press(500), (1000.0, said("acknowledge")), *press(1500)]
    play = Play(tmp_path, again, 2000)
    assert [at_ms > 1500 for at_ms, _ in play.relay] == [True]
    assert play.flags[0].trip_cause == "opened by the host"
    # the power goes while it is closed
    play = Play(tmp_path, TEN + beats(0, 4000) + press(500), 1000)
    assert play.relay == []
    assert play.flags[0] == Flags(False, False, False, False, "reset")
    # what was kept can't be read
    (tmp_path / "cutout.txt").write_text("open 0 0,0000\n")
    play = Play(tmp_path, TEN + beats(0, 4000) + press(500), 1000)
    assert play.relay == []
    assert play.flags[0].trip_cause == "reset"


def test_counters_and_ticks_may_wrap_at_any_time(tmp_path: Path) -> None:
    for i, ticks_us in enumerate((2**30 - 700_000, 2**30 * 1000 - 1_500_000, 2**62 - 700_000)):
        flash = tmp_path / str(i)
        flash.mkdir()
        play = Play(
            flash,
            TEN + beats(0, 1000) + press(300),
            4000,
            ms_at_reset=2**32 - 1000,
            ticks_us=ticks_us,
        )
        assert [closed for _, closed in play.relay] == [True, False]
        assert 2400 <= play.relay[1][0] <= 2410
        assert play.sequence == list(range(len(play.ms)))
        steps = [(b - a) % 2**32 for a, b in zip(play.ms, play.ms[1:], strict=False)]
        assert all(99 <= step <= 101 for step in steps)
        assert min(play.ms) < 1000 < 2**32 - 1000 < max(play.ms)


# --- the board on its port, in real time ------------------------------------------------------------


def test_the_cut_out_works_in_real_time_on_a_terminal(tmp_path: Path) -> None:
    with FirmwareBoard(tmp_path, settings=settings_of([[0, 1], 8])) as board:
        board.volts({0: 0.035, 8: 2.1})
        with Host(board.port, channels=2) as host:
            host.say("rate", 10)
            host.say("silence", 0.5)
            host.beats = True
            host.flags()
            board.press()
            board.wait_relay(closed=True)
            assert host.flags(lambda flags: flags.cutout_closed).trip_cause == "none"
            stopped_s = time.monotonic()
            host.beats = False
            assert board.wait_relay(closed=False) >= stopped_s + 0.3
            assert host.flags(lambda flags: not flags.cutout_closed).trip_cause == "no heartbeat"
            host.say("acknowledge")
            host.beats = True
            host.flags(lambda flags: flags.trip_acknowledged)
            board.press()
            board.wait_relay(closed=True)
            board.hang("main")
            board.wait_relay(closed=False)
        assert board.errors() == ""
