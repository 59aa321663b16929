"""The bench DAQ's firmware under MicroPython: what it says, when the cut-out opens, what it measures."""

from __future__ import annotations

import ast
import json
import math
import random
import re
import subprocess
import time
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from firmware_board import FIRMWARE, MICROPYTHON, FirmwareBoard, Host, settings_of

from logger.blocks import NO_READING, DaqInfo, ScanBlock
from logger.link import lines
from logger.link.frames import FrameReader, crc, frame
from logger.link.lines import Flags, LineDecoder, Scans
from logger.link.port import Connected, Disconnected, SerialLink
from logger.simulator.terminal import Board

pytestmark = pytest.mark.skipif(
    find_spec("micropython_run") is None,
    reason="no MicroPython here: it comes with the extra [test] on Linux",
)

PAGE = (FIRMWARE.parent / "protocol.md").read_text(encoding="utf-8")
SETTINGS = settings_of([[0, 1], 8])
INFO = DaqInfo("bench-01", 1, (7.8125e-06, 0.000125), (32767, 26400), "power-on")


def micropython(source: str, flash: Path, given: Any = None) -> Any:
    """Run `source` under MicroPython over the double; `given` is what it gets, `result` what it gives."""
    start = f"""
import sys, json
sys.path[:0] = [{str(FIRMWARE / "host")!r}, {str(FIRMWARE)!r}]
import hardware
hardware.world.clock_us = 0
given = json.load(sys.stdin)
"""
    (flash / "settings.json").write_text(json.dumps(SETTINGS))
    ran = subprocess.run(
        [*MICROPYTHON, "-X", "heapsize=64m", "-c", start + source + "\nprint(json.dumps(result))"],
        input=json.dumps(given),
        cwd=flash,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return json.loads(ran.stdout.splitlines()[-1])


class Play:
    """What came of a script on simulated time."""

    def __init__(self, flash: Path, orders: list[tuple[float, str]], ends_ms: float, **script: Any) -> None:
        settings = script.pop("settings", SETTINGS)
        if settings is not None:
            kept = settings if isinstance(settings, str) else json.dumps(settings)
            (flash / "settings.json").write_text(kept)
        ran = subprocess.run(
            [*MICROPYTHON, str(FIRMWARE / "host" / "lockstep.py")],
            input=json.dumps(
                {"orders": sorted(orders, key=lambda order: order[0]), "ends_ms": ends_ms, **script}
            ),
            cwd=flash,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert ran.returncode == 0, ran.stdout + ran.stderr
        fault = flash / "fault.txt"
        self.fault = fault.read_text() if fault.exists() else ""
        outcome = json.loads(ran.stdout)
        self.heard: str = outcome["heard"]
        self.relay: list[tuple[float, bool]] = [(at_ms, closed) for at_ms, closed in outcome["relay"]]
        self.resets: list[tuple[float, str]] = [(at_ms, cause) for at_ms, cause in outcome["resets"]]
        self.lit: bool = outcome["lit"]
        reader, decoder = FrameReader(), LineDecoder()
        self.records = decoder.decode(reader.feed(self.heard.encode()))
        assert not reader.rejected + decoder.rejected
        assert not self.fault or "fault" in [order for _, order in orders], self.fault
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


# --- what it says -----------------------------------------------------------------------------------


def examples(kind: str) -> list[tuple[str, dict[str, Any]]]:
    found = re.findall(rf"```{kind}\n(.+)\n```\n```json\n(.+)\n```", PAGE)
    return [(line, json.loads(meaning)) for line, meaning in found]


def test_the_crc_gives_the_published_check_value_under_micropython(tmp_path: Path) -> None:
    # CRC-16/IBM-3740 over 123456789 is 29B1: the published catalogue of CRC algorithms
    source = "import line; result = [line.crc(b'123456789'), line.crc(b'6789', line.crc(b'12345'))]"
    assert micropython(source, tmp_path) == [0x29B1, 0x29B1]


def test_the_firmware_writes_every_example_of_the_page(tmp_path: Path) -> None:
    source = """
import line
result = []
for text, meaning in given:
    fields = text.split(",")
    if meaning["record"] == "S":
        m = meaning
        *_, written = line.scan_steps(m["sequence"], m["ms"], m["counts"], m["flags"])
    elif meaning["record"] == "B":
        scales = [(v, int(f)) for v, f in zip(fields[5:-1:2], fields[6:-1:2])]
        written = line.banner(meaning["board_id"], meaning["reset_cause"], scales)
    else:
        written = line.line(",".join(fields[:-1]))
    result.append(bytes(written).decode())
"""
    pairs = examples("daq")
    assert {meaning["record"] for _, meaning in pairs} == set("SBANE")
    assert micropython(source, tmp_path, pairs) == [line + "\r\n" for line, _ in pairs]


HEAR = """
import line
result = []
for chunks in given:
    listener = line.Listener()
    heard = []
    for chunk in chunks:
        data = bytes([int(chunk[i:i+2], 16) for i in range(0, len(chunk), 2)])
        heard.extend(listener.hear(data, len(data)))
    result.append(heard)
"""


def test_the_firmware_understands_every_command_of_the_page(tmp_path: Path) -> None:
    pairs = examples("host")
    assert {meaning["command"] for _, meaning in pairs} == set(lines.COMMANDS)
    given = [[(line + end).encode().hex()] for line, _ in pairs for end in ("\n", "\r\n")]
    heard = micropython(HEAR, tmp_path, given)
    wanted = [
        [[m["command"], round(1000 * m["value"]) if "value" in m else None, None]]
        for _, m in pairs
        for _ in "12"
    ]
    assert heard == wanted
    (raw,) = re.findall(r"```bytes host\n(.+)\n```", PAGE)
    assert micropython(HEAR, tmp_path, [[raw.replace(" ", "")]]) == [[["who", None, None]]]


def test_the_start_on_the_page_goes_byte_by_byte(tmp_path: Path) -> None:
    host = re.findall(r"^> (.+)$", PAGE, re.M)
    daq = re.findall(r"^< (.+)$", PAGE, re.M)
    # this board's second range ends at its supply, 3.3 V
    daq[0] = frame(daq[0].rsplit(",", 1)[0].replace("0.000125,32767", "0.000125,26400")).decode().strip()
    volts = [f"volts 0 {9769 * 7.8125e-6}", f"volts 8 {18873 * 0.000125}"]
    later = [(106.3, f"volts 0 {9770 * 7.8125e-6}"), (106.3, f"volts 8 {18870 * 0.000125}")]
    orders = [(0.0, order) for order in volts] + [(0.0, "say " + line) for line in host] + later
    play = Play(tmp_path, orders, 220)
    banner, *heard = play.heard.split("\r\n")
    assert banner == daq[0]  # it comes by itself too
    assert [ms - play.ms[0] for ms in play.ms] == [0, 100]
    tested_ms = play.ms[0] - 100  # what the self-test took; on the page it took nothing
    for i, ms in enumerate(play.ms):
        body = heard[2 + i].rsplit(",", 1)[0].replace(f",{ms},", f",{ms - tested_ms},", 1)
        heard[2 + i] = frame(body).decode().strip()
    assert heard == [*daq, ""]


def streams(how_many: int) -> list[bytes]:
    """Commands, whole and harmed, and rubbish."""
    rng = random.Random(20)

    def number() -> str:
        whole = rng.choice(["0", "1", "10", "100", "101", "0.2", "1.5", "0.199", "1.501", "99.999", "9999"])
        odd = [
            "",
            "-1",
            "+1",
            "01",
            "1.",
            ".5",
            "1e1",
            "1.2345",
            "10000",
            " 1",
            "1_0",
            "0.0",
            "00",
            "1.50",
            "\xb2",
        ]
        return rng.choice([whole, whole, rng.choice(odd), f"{rng.uniform(0, 120):.{rng.randrange(4)}f}"])

    def body() -> bytes:
        name = rng.choice(
            [*lines.COMMANDS, "rate", "silence", "close", "RATE", "", "a b", "x" * rng.randrange(90, 130)]
        )
        fields = [number() for _ in range(rng.choice([0, 0, 1, 1, 1, 2]))]
        return ",".join([name, *fields]).encode("latin-1")

    made = []
    for _ in range(how_many):
        stream = bytearray()
        for _ in range(rng.randrange(1, 6)):
            data = body()
            line = bytearray(b"%b,%04X" % (data, crc(data)))
            harm = rng.random()
            if harm < 0.1:
                line[rng.randrange(len(line))] ^= 1 << rng.randrange(8)
            elif harm < 0.15:
                del line[rng.randrange(len(line))]
            elif harm < 0.2:
                line = bytearray(rng.randbytes(rng.randrange(1, 200)))
            elif harm < 0.25:
                line = bytearray(bytes(line).lower())
            stream += line + rng.choice([b"\n", b"\n", b"\r\n", b"\r", b"\n\n", b""])
        made.append(bytes(stream))
    return made


def understood(stream: bytes) -> list[list[Any]]:
    """What the host's own code makes of a stream: name, thousandths, why refused."""
    made = []
    *whole, _ = re.split(rb"[\r\n]", stream)
    for line in whole:
        if len(line) > 127:  # with its line end longer than 128
            continue
        for body in FrameReader().feed(line + b"\n"):
            command = lines.read_command(body)
            name = body.split(b",")[0]
            if not isinstance(command, str):
                value = None if command.value is None else round(1000 * command.value)
                made.append([command.name, value, None])
            elif re.fullmatch(rb"[!-~]+", name):
                made.append([name.decode(), None, command])
    return made


def test_streams_of_any_kind_are_understood_as_by_the_hosts_own_code(tmp_path: Path) -> None:
    rng = random.Random(21)
    given, wanted = [], []
    for stream in streams(3000):
        cuts = sorted(rng.randrange(len(stream) + 1) for _ in range(rng.randrange(4)))
        chunks = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
        given.append([chunk.hex() for chunk in chunks])
        wanted.append(understood(stream))
    kinds = {(bool(value), why) for heard in wanted for _, value, why in heard}
    assert len(kinds) >= 6
    assert micropython(HEAR, tmp_path, given) == wanted


def test_the_board_answers_as_the_simulated_one_does(tmp_path: Path) -> None:
    source = """
import main
kept, damaged = main.settings.load()
hardware.begin(kept)
hardware.world.board_id = "bench-01"
result = []
for stream in given:
    daq = main.Daq(kept, damaged)
    hardware.world.inbox = bytearray([int(stream[i:i+2], 16) for i in range(0, len(stream), 2)])
    while hardware.world.inbox:
        daq.turn()
        hardware.idle()
    for _ in range(40):
        daq.output.turn()
    result.append(bytes(hardware.world.outbox).decode())
    hardware.world.outbox = bytearray()
"""
    given = streams(400)
    answered = micropython(source, tmp_path, [stream.hex() for stream in given])
    for stream, answers in zip(given, answered, strict=True):
        banner, *mine = [line.split(",") for line in answers.splitlines() if not line.startswith("S,")]
        theirs = [line.split(",") for line in Board(INFO).hear(stream).decode().splitlines()]
        assert banner[:5] == ["B", "1", "bench-01", "power-on", "2"]
        for one, other in zip(mine, theirs, strict=True):
            if one[:2] == ["A", "rate"] and other[0] == "N":
                assert other[2].startswith("plays-at")  # a play can't change its rate
                continue
            if one[0] == "N":  # the reason is for people
                assert one[:2] == other[:2]
                continue
            assert one == other


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
    play = Play(tmp_path, [*TEN, *(orders or press(500))], 3000)
    assert play.relay == [], why
    assert {flags.trip_cause for flags in play.flags} == {"none"}
    assert not any(flags.cutout_closed for flags in play.flags)


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


def test_the_guard_counts_the_silence_by_itself(tmp_path: Path) -> None:
    stall = [(1001.0, "hang main"), (1280.0, "go on")]  # too short to be taken for a hang
    orders = [(0.0, said("silence", 0.2)), *TEN, *beats(0, 3000), *press(300), *stall]
    play = Play(tmp_path, orders, 2000)
    assert [closed for _, closed in play.relay] == [True, False]
    assert 1200 <= play.relay[1][0] <= 1210
    assert play.flags[-1].trip_cause == "no heartbeat"


def test_a_flash_that_takes_nothing_leaves_it_open_and_measuring_going_on(tmp_path: Path) -> None:
    (tmp_path / "cutout.txt.new").mkdir()
    play = Play(tmp_path, [*TEN, *beats(0, 3000), *press(300), *press(1000)], 2000)
    assert play.relay == []
    assert play.resets == []
    assert play.flags[-1].trip_cause == "firmware watchdog"
    assert play.sequence == list(range(19))


def test_a_short_stall_opens_nothing_and_its_scans_keep_their_numbers(tmp_path: Path) -> None:
    stall = [(1000.0, "hang main"), (1250.0, "go on")]
    play = Play(tmp_path, [*TEN, *beats(0, 3000), *press(300), *stall], 2000)
    assert [closed for _, closed in play.relay] == [True]
    steps = list(zip(pairwise(play.sequence), pairwise(play.ms), strict=True))
    hole = [(b - a, d - c) for (a, b), (c, d) in steps if b - a > 1]
    assert len(hole) == 1
    assert hole[0][0] in (2, 3)
    assert abs(play.ms[-1] - play.ms[0] - 100 * (play.sequence[-1] - play.sequence[0])) <= 1


def test_an_error_of_its_own_opens_it_and_is_written_down(tmp_path: Path) -> None:
    play = Play(tmp_path, [*beats(0, 2000), *press(300), (1000.0, "fault"), (1500.0, said("rate", 10))], 2000)
    assert [closed for _, closed in play.relay] == [True, False]
    assert 1000 <= play.relay[1][0] <= 1001
    assert [cause for _, cause in play.resets] == ["software"]
    assert "a fault of the firmware" in play.fault
    assert play.flags[-1] == Flags(False, False, False, False, "firmware watchdog")


def test_a_trip_can_not_be_acknowledged_before_it_happens(tmp_path: Path) -> None:
    orders = [*TEN, *beats(0, 6000), *press(300), (800.0, said("acknowledge")), (1000.0, said("open"))]
    play = Play(tmp_path, [*orders, *press(2000)], 4000)
    assert [closed for _, closed in play.relay] == [True, False]
    assert not any(flags.trip_acknowledged for flags in play.flags)


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
        steps = [(b - a) % 2**32 for a, b in pairwise(play.ms)]
        assert all(99 <= step <= 101 for step in steps)
        assert min(play.ms) < 1000 < 2**32 - 1000 < max(play.ms)


# --- scans ------------------------------------------------------------------------------------------


def hum_orders(pin: int, dc_v: float, hz: float, peak_v: float) -> tuple[float, str]:
    return (0.0, f"volts {pin} {dc_v} {hz} {peak_v}")


@pytest.mark.parametrize(
    ("pins", "readings"),
    [
        ([[0, 1]], 47),
        ([[0, 1], [2, 3], [4, 5], [6, 7]], 23),
        ([[0, 1], [2, 3], [4, 5], [6, 7], 8, 9, 10, 11], 11),
        (list(range(16)), 7),
    ],
)
def test_hum_adds_up_to_nothing_over_whole_cycles_and_elsewhere_to_what_theory_says(
    tmp_path: Path, pins: list[int | list[int]], readings: int
) -> None:
    """N even readings over T pass |sin(pi f T) / (N sin(pi f T / N))|, the sum of a geometric series.

    Any text on averaging has it. Each reading is itself a mean over a conversion of 1/860 s: sin(x) / x.
    """
    step_v = 7.8125e-6 if isinstance(pins[0], list) else 0.000125
    for hz in (50.0, 60.0, 100.0, 120.0, 150.0, 180.0, 50.2, 49.5, 27.3, 10.0 * readings):
        orders = [(0.0, f"volts 0 {12000 * step_v} {hz} {6000 * step_v}"), (1.0, said("rate", 10))]
        play = Play(tmp_path, orders, 1650, settings=settings_of(pins), turn_us=300)
        x, half = math.pi * hz * 0.1, math.pi * hz * 1163e-6
        alias = abs(math.sin(x / readings)) < 1e-9
        passed = 1.0 if alias else abs(math.sin(x) / (readings * math.sin(x / readings)))
        passed *= abs(math.sin(half) / half)
        off = [abs(row[0] - 12000) for row in play.counts]
        assert len(off) == 16
        assert max(off) <= 6000 * passed + 2, hz
        if passed > 0.001 and not alias:  # the phase goes round, so the worst is nearly met
            assert max(off) >= 0.7 * 6000 * passed, hz


def test_the_notes_say_how_often_channels_are_read_and_what_is_left_of_a_hum(tmp_path: Path) -> None:
    notes = (FIRMWARE.parent / "firmware.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| ([1-4])[^|]*\| (\d+) \| (\d+) \|$", notes, re.M)
    source = "import scan; result = [[scan.rounds(100000, n, m) for n in (3, 4)] for m in (1, 2, 3, 4)]"
    assert [[int(three), int(four)] for _, three, four in rows] == micropython(source, tmp_path)
    source = "import scan; result = [[scan.rounds(100000, n, m) for m in (1, 2, 3, 4)] for n in (1, 2)]"
    assert micropython(source, tmp_path) == [[int(three) for _, three, _ in rows]] * 2

    left = re.findall(
        r"^\| (\d+) \| 0 \| ([\d.]+) % \| ([\d.]+) % \| ([\d.]+) % \| (\d+) Hz \|$", notes, re.M
    )
    assert len(left) == 4
    for number, *percents, alias in left:
        n = int(number)
        assert int(alias) == 10 * n
        for hz, percent in zip((50.2, 49.5, 100.4), percents, strict=True):
            x, half = math.pi * hz * 0.1, math.pi * hz / 860
            passed = abs(math.sin(x) / (n * math.sin(x / n)) * math.sin(half) / half)
            assert f"{100 * passed:.1f}" == percent


def test_channels_keep_their_order_sign_and_scale(tmp_path: Path) -> None:
    pins: list[int | list[int]] = [10, [0, 1], [5, 7], 15]
    volts = {10: 2.5, 0: 0.010, 1: 0.035, 5: 0.1, 7: 0.05, 15: 1.0}
    orders = [(0.0, f"volts {pin} {v}") for pin, v in volts.items()]
    play = Play(tmp_path, orders + TEN, 350, settings=settings_of(pins))
    assert play.counts == [[20000, -3200, 6400, 8000]] * 3
    assert play.banners[0].full_count == (26400, 32767, 32767, 26400)


def test_one_railed_reading_rails_the_scan(tmp_path: Path) -> None:
    # the mean is 0.2 V of 0.256 V, its peaks are beyond
    play = Play(tmp_path, [(0.0, "volts 0 0.2 50 0.1"), (0.0, "volts 8 -4.2"), *TEN], 320)
    assert play.counts == [[32767, -26400]] * 3


@pytest.mark.parametrize("rate", [0.2, 1, 3, 10, 33.3, 100])
def test_scans_come_at_the_told_rate_with_every_number(tmp_path: Path, rate: float) -> None:
    ends_ms = max(1100.0, 2500 / rate)
    play = Play(
        tmp_path, [(1.0, said("rate", rate))], ends_ms, settings=settings_of(list(range(16))), turn_us=200
    )
    scans = (ends_ms - 20) * rate / 1000
    assert abs(len(play.ms) - scans) <= 2
    assert play.sequence == list(range(len(play.ms)))
    assert abs((play.ms[-1] - play.ms[0]) - 1000 / rate * (len(play.ms) - 1)) <= 2
    assert f"A,rate,{rate:g}," in play.heard


def test_the_rate_may_change_and_stop_and_the_same_rate_changes_nothing(tmp_path: Path) -> None:
    orders = [(1.0, said("rate", 10)), (450.0, said("rate", 10)), (1000.0, said("rate", 0))]
    play = Play(tmp_path, [*orders, (2000.0, said("rate", 50))], 2500)
    ten = [ms for ms in play.ms if ms < 1900]
    assert [b - a for a, b in pairwise(ten)] == [100] * (len(ten) - 1)
    assert 9 <= len(ten) <= 10
    assert play.sequence == list(range(len(play.ms)))
    assert len(play.ms) - len(ten) >= 23


@pytest.mark.parametrize("state", ["dead", "stuck"])
def test_a_dead_converter_gives_no_reading_and_comes_back(tmp_path: Path, state: str) -> None:
    pins: list[int | list[int]] = [[0, 1], 8]
    orders = [
        (0.0, "volts 0 0.1"),
        (0.0, "volts 8 2"),
        (550.0, f"converter 2 {state}"),
        (1500.0, "converter 2 good"),
    ]
    play = Play(tmp_path, orders + TEN, 4000, settings=settings_of(pins))
    assert [row[0] for row in play.counts] == [12800] * len(play.counts)
    gone = [row[1] == NO_READING for row in play.counts]
    assert {row[1] for row in play.counts} == {16000, NO_READING}
    first, many = gone.index(True), gone.count(True)
    assert gone == [False] * first + [True] * many + [False] * (len(gone) - first - many)
    assert gone == [flags.converter_fault for flags in play.flags]
    assert 500 <= play.ms[first] <= 660
    assert many <= 22  # tried again each second
    assert play.sequence == list(range(len(play.ms)))


def test_a_converter_that_forgot_its_configuration_gives_no_false_reading(tmp_path: Path) -> None:
    orders = [(0.0, "volts 0 0.1"), (0.0, "volts 8 2")]
    orders += [(float(at_ms), "converter 0 reset") for at_ms in range(303, 4000, 1701)]
    play = Play(tmp_path, orders + TEN, 5000)
    assert {row[0] for row in play.counts} == {12800, NO_READING}
    assert {row[1] for row in play.counts} == {16000}
    assert any(flags.converter_fault for flags in play.flags)
    assert not play.flags[-1].converter_fault


def test_a_converter_missing_at_the_start_is_told(tmp_path: Path) -> None:
    play = Play(tmp_path, [(0.0, "volts 0 0.1"), *TEN], 320, dead=[2])
    assert play.counts == [[12800, NO_READING]] * 3
    assert all(flags.converter_fault for flags in play.flags)


def test_a_host_that_does_not_read_costs_whole_lines_and_nothing_else(tmp_path: Path) -> None:
    stuck = [(1000.0, "room 37"), (19000.0, "room 1000000")]
    play = Play(tmp_path, [*TEN, *beats(0, 5000), *press(300), *stuck], 20000)  # Play rejects broken lines
    assert [closed for _, closed in play.relay] == [True, False]
    assert 6400 <= play.relay[1][0] <= 6410
    steps = [b - a for a, b in pairwise(play.sequence)]
    assert sorted(steps)[:-1] == [1] * (len(steps) - 1)
    assert max(steps) > 10  # one hole, and the numbers say how long
    assert play.flags[-1].trip_cause == "no heartbeat"


# --- settings -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        json.dumps(SETTINGS)[:-9],
        json.dumps({**SETTINGS, "relay_pin": 14}),  # the button's
        json.dumps({**SETTINGS, "relay_pin": True}),
        json.dumps({**SETTINGS, "board_id": "a b"}),
        json.dumps({**SETTINGS, "board_id": "x" * 33}),
        json.dumps({**SETTINGS, "board_id": "bänk"}),
        json.dumps({**SETTINGS, "channels": []}),
        json.dumps({**SETTINGS, "channels": SETTINGS["channels"] * 9}),
        json.dumps({**SETTINGS, "channels": [{"pin": [0, 2], "full_scale_mV": 256}]}),
        json.dumps({**SETTINGS, "channels": [{"pin": [3, 4], "full_scale_mV": 256}]}),
        json.dumps({**SETTINGS, "channels": [{"pin": 16, "full_scale_mV": 256}]}),
        json.dumps({**SETTINGS, "channels": [{"pin": 0, "full_scale_mV": 250}]}),
        json.dumps({**SETTINGS, "more": 1}),
        "[1]",
    ],
)
def test_damaged_settings_give_no_readings_and_say_so(tmp_path: Path, text: str) -> None:
    play = Play(tmp_path, [(0.0, "volts 0 0.1"), *TEN], 260, settings=text)
    assert play.banners[0].board_id == "soakbench-double"
    assert play.counts == [[NO_READING] * 8] * 2
    assert all(flags.converter_fault for flags in play.flags)
    assert (tmp_path / "settings.json").read_text() == text  # what a person wrote stays


def test_settings_that_are_no_text_are_damaged_too(tmp_path: Path) -> None:
    (tmp_path / "settings.json").write_bytes(b"\xff\xfe{}")
    play = Play(tmp_path, TEN, 260, settings=None)
    assert play.counts == [[NO_READING] * 8] * 2


def test_flash_that_cannot_be_read_is_no_new_board(tmp_path: Path) -> None:
    """A trip must not be forgotten for it, nor settings be written over; a folder stands for such a file."""
    source = """
import os, settings
new = settings.recall()
os.mkdir("cutout.txt")
os.remove("settings.json")
os.mkdir("settings.json")
result = [new, settings.recall(), settings.load()[1], sorted(os.listdir())]
"""
    assert micropython(source, tmp_path) == [None, "", True, ["cutout.txt", "settings.json"]]


def test_a_new_board_writes_its_settings_for_a_person_to_edit(tmp_path: Path) -> None:
    first = Play(tmp_path, [(0.0, "volts 0 0.1"), *TEN], 260, settings=None)
    assert first.counts == [[12800] + [0] * 7] * 2
    written = json.loads((tmp_path / "settings.json").read_text())
    assert written["channels"][0] == {"pin": [0, 1], "full_scale_mV": 256}
    again = Play(tmp_path, [(0.0, "volts 0 0.1"), *TEN], 260, settings=None)
    assert again.heard == first.heard


def test_the_push_button_held_at_the_start_leaves_the_board_to_its_owner(tmp_path: Path) -> None:
    play = Play(tmp_path, [*TEN, *beats(0, 1000), (500.0, "button up"), *press(700)], 1000, down=True)
    assert play.heard == ""
    assert play.relay == []
    assert play.lit


def test_the_guard_on_the_second_core_asks_for_no_memory(tmp_path: Path) -> None:
    """There a collection of garbage would wait for the other core's."""
    source = """
import micropython
from cutout import Guard
guard = Guard(hardware.ticks_ms, lambda a, b: a - b, lambda on: None, lambda: None)
guard.wanted = True
micropython.heap_lock()
for _ in range(1000):
    guard.step()
micropython.heap_unlock()
result = guard.dropped
"""
    assert micropython(source, tmp_path) == 0


# --- the file that touches the microcontroller ----------------------------------------------------------


def test_the_double_has_all_that_the_hardware_has() -> None:
    def offered(path: Path) -> dict[str, list[str]]:
        made: dict[str, list[str]] = {}
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef):
                made[node.name] = [argument.arg for argument in node.args.args]
            elif isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                made[node.targets[0].id] = []
        return made

    real, double = offered(FIRMWARE / "hardware.py"), offered(FIRMWARE / "host" / "hardware.py")
    used = set()
    for name in ("main.py", "scan.py", "cutout.py", "settings.py", "line.py"):
        source = (FIRMWARE / name).read_text(encoding="utf-8")
        used |= set(re.findall(r"\b(?:hardware|board)\.([A-Za-z_]+)", source))
        assert not re.search(r"^(import|from) (machine|rp2|_thread|select|micropython|time)\b", source, re.M)
    assert len(used) > 15
    for name in used:
        assert name in real, name
        if real[name]:
            assert real[name] == double[name], name


MACHINE = """
done = []
levels = {14: given.get("button", 1)}

class Pin:
    IN, OUT, OPEN_DRAIN, PULL_UP = "in", "out", "open drain", "pull up"
    def __init__(self, number, *modes, value=None):
        self.number = number
        done.append(["pin", number, list(modes), value])
    def value(self, level=None):
        if level is None:
            return levels[self.number]
        done.append(["level", self.number, int(level)])

class I2C:
    def __init__(self, number, sda, scl, freq, timeout):
        done.append(["bus", number, sda.number, scl.number, freq])
    def readfrom_mem_into(self, address, register, word):
        if address == 0x49:
            raise OSError(5)
        word[0], word[1] = 0x80, address
    def writeto_mem(self, address, register, word):
        done.append(["write", address, register, list(word)])

class WDT:
    def __init__(self, timeout):
        done.append(["watchdog", timeout])
    def feed(self):
        done.append(["feed"])

class machine:
    PWRON_RESET, WDT_RESET = 1, 3
def reset():
    done.append(["reset"])
machine.Pin, machine.I2C, machine.WDT, machine.reset = Pin, I2C, WDT, reset
machine.reset_cause = lambda: given.get("cause", 1)
machine.unique_id = lambda: bytes([0xE6, 0x61, 0x4C])
sys.modules["machine"] = machine
del sys.modules["hardware"]
sys.path.remove(sys.path[0])
import hardware
import settings
"""


def test_the_hardware_takes_the_relay_first_and_speaks_big_endian(tmp_path: Path) -> None:
    source = """
hardware.begin(dict(settings.DEFAULTS))
begun = list(done)
done.clear()
hardware.feed_watchdog()
hardware.write_register(0x48, 1, 0x8583)
word = hardware.read_register(0x4A, 0)
try:
    hardware.read_register(0x49, 0)
except OSError:
    word += 1
hardware.relay(True)
hardware.start_watchdog(1000)
hardware.feed_watchdog()
did = list(done)
done.clear()
hardware.free_bus()
clocked = [entry for entry in done if entry[:2] == ["level", 5]]
line = b"x" * 40
sent = hardware.usb_write(line, 0, 40)
sent += hardware.usb_write(line, sent, 40)
print()
result = [begun, did, word, clocked, done[-1], sent]
result += [hardware.unique_id(), hardware.reset_cause(), hardware.button()]
"""
    begun, did, word, clocked, bus, sent, number, cause, button = micropython(MACHINE + source, tmp_path, {})
    assert begun[0] == ["pin", 15, ["out"], 0]
    assert ["bus", 0, 4, 5, 400000] in begun
    assert did == [["write", 0x48, 1, [0x85, 0x83]], ["level", 15, 1], ["watchdog", 1000], ["feed"]]
    assert word == 0x804A + 1
    assert clocked == [["level", 5, 0], ["level", 5, 1]] * 9
    assert bus[0] == "bus"
    assert (sent, number, cause, button) == (40, "e6614c", "power-on", False)


def test_the_hardware_stays_away_while_the_button_is_held_at_the_start(tmp_path: Path) -> None:
    source = """
hardware.begin(dict(settings.DEFAULTS))
result = [done, hardware.button(), hardware.reset_cause()]
"""
    begun, button, cause = micropython(MACHINE + source, tmp_path, {"button": 0, "cause": 3})
    assert [entry[0] for entry in begun] == ["pin", "pin", "pin"]
    assert begun[0] == ["pin", 15, ["out"], 0]
    assert (button, cause) == (True, "watchdog")


# --- the board on its port, in real time ------------------------------------------------------------


def test_the_cut_out_works_in_real_time_on_a_terminal(tmp_path: Path) -> None:
    with FirmwareBoard(tmp_path, settings=SETTINGS) as board:
        board.volts({0: 0.035, 8: 2.1})
        with Host(board.port, channels=2) as host:
            host.say("rate", 10)
            host.say("silence", 1.2)  # a busy machine may keep a heartbeat back for half a second
            host.beats = True
            host.flags()
            board.press()
            board.wait_relay(closed=True)
            assert host.flags(lambda flags: flags.cutout_closed).trip_cause == "none"
            stopped_s = time.monotonic()
            host.beats = False
            assert board.wait_relay(closed=False) >= stopped_s + 1.0
            assert host.flags(lambda flags: not flags.cutout_closed).trip_cause == "no heartbeat"
            host.say("acknowledge")
            host.beats = True
            host.flags(lambda flags: flags.trip_acknowledged)
            board.press()
            board.wait_relay(closed=True)
            board.hang("main")
            board.wait_relay(closed=False)
        assert board.errors() == ""


def test_the_real_link_reads_it_and_goes_on_over_resets(tmp_path: Path) -> None:
    with FirmwareBoard(tmp_path, settings=SETTINGS, ms_at_reset=2**32 - 1500) as board:
        board.volts({0: 0.1, 8: 2.0})
        link = SerialLink(board.port, channels=2, scans_per_s=20)
        link.start()
        try:
            blocks: list[ScanBlock] = []
            connected: list[Connected] = []

            def listen(scans: int) -> None:
                until_s = time.monotonic() + 20
                wanted = sum(map(len, blocks)) + scans
                while sum(map(len, blocks)) < wanted:
                    assert time.monotonic() < until_s, link.rejected
                    for event in link.take(0.2):
                        if isinstance(event, ScanBlock):
                            blocks.append(event)
                        elif isinstance(event, Connected):
                            connected.append(event)

            listen(40)  # over the wrap of its milliseconds
            board.reset()
            listen(10)
            board.power_off()
            board.power_on()
            listen(10)
        finally:
            link.close()
    assert [event.again for event in connected] == [False, True, True]
    assert connected[0].daq == INFO
    assert {tuple(row) for block in blocks for row in block.counts.tolist()} == {(12800, 16000)}
    times = [int(t) for block in blocks for t in block.t_us]
    assert times == sorted(set(times))
    assert {cause for cause, count in link.rejected.items() if count} <= {"crc"}  # a line cut by the reset


def test_a_lead_pulled_out_of_a_board_with_its_own_supply_opens_it_after_silence(tmp_path: Path) -> None:
    with FirmwareBoard(tmp_path, settings=SETTINGS, own_supply=True) as board:
        board.volts({0: 0.1, 8: 2.0})
        link = SerialLink(board.port, channels=2, scans_per_s=20)
        link.start()
        try:
            gone: list[object] = []

            def until(wanted: type[object]) -> None:
                until_s = time.monotonic() + 20
                while not any(isinstance(event, wanted) for event in gone):
                    assert time.monotonic() < until_s, gone
                    gone.extend(link.take(0.1))

            until(ScanBlock)
            link.send("silence", 0.5)
            link.send("beat")
            while not link.flags.cutout_closed:
                link.send("beat")
                board.press() if not board.closed else time.sleep(0.05)
                link.take(0.0)
            pulled_s = time.monotonic()
            board.unplug()
            board.wait_relay(closed=False, since_s=pulled_s)
            gone.clear()
            until(Disconnected)
            board.plug()
            until(Connected)
            until(ScanBlock)
            assert link.flags.trip_cause == "no heartbeat"
        finally:
            link.close()
        assert board.restarts == 0


def test_a_host_that_does_not_read_its_terminal_stalls_nothing(tmp_path: Path) -> None:
    with FirmwareBoard(tmp_path, settings=SETTINGS) as board, Host(board.port, channels=2) as host:
        host.beats = True
        host.say("rate", 100)
        host.flags()
        board.press()
        board.wait_relay(closed=True)
        full = 0
        while full < 3:  # nobody reads; the terminal holds some 20 kB
            host.send(lines.command_line("who") * 50)
            time.sleep(0.1)
            waiting = host.waiting()
            full = full + 1 if waiting == host.waiting() and waiting > 4000 else 0
        stopped_s = time.monotonic()
        host.beats = False
        board.wait_relay(closed=False, since_s=stopped_s)
        assert board.restarts == 0
        host.flags(lambda flags: not flags.cutout_closed)
        assert not host.decoder.rejected + host.reader.rejected
