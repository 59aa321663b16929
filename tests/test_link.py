"""The line protocol: its page's examples, and what noise, loss, splitting and joining may not do."""

from __future__ import annotations

import dataclasses
import json
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from crccheck.crc import Crc16Ibm3740  # type: ignore[import-untyped]
from hypothesis import given, settings
from hypothesis import strategies as st
from tiny_daq import TinyDaq, board

from logger.blocks import NO_READING, DaqInfo, ScanBlock
from logger.errors import LinkError, SoakbenchError
from logger.link import lines
from logger.link.frames import LONGEST_LINE, Cause, FrameReader, crc, frame
from logger.link.lines import Answer, Command, End, Flags, LineDecoder, ScanClock, Scans
from logger.link.port import Connected, Disconnected, Event, SerialLink
from logger.link.search import Port, look_at
from logger.link.wire import Line

SAME = settings(deadline=None, derandomize=True)  # the same examples at every run
PAGE = (Path(__file__).parent.parent / "firmware_notes" / "protocol.md").read_text()


def pairs_of(kind: str) -> list[tuple[str, dict[str, Any]]]:
    """The page's examples: a line, and what it means."""
    found = re.findall(rf"```{kind}\n(.+)\n```\n```json\n(.+)\n```", PAGE)
    return [(line, json.loads(meaning)) for line, meaning in found]


def scan_line(sequence: int, counts: list[int | None], ms: int | None = None) -> bytes:
    return frame(lines.scan_body(sequence, sequence * 100 if ms is None else ms, counts), end=b"\r\n")


def decode(data: bytes, channels: int) -> tuple[list[lines.Record], FrameReader, LineDecoder]:
    reader, decoder = FrameReader(), LineDecoder(channels)
    return decoder.decode(reader.feed(data)), reader, decoder


def body_of(meaning: dict[str, Any]) -> str:
    match meaning["record"]:
        case "S":
            return lines.scan_body(meaning["sequence"], meaning["ms"], meaning["counts"], meaning["flags"])
        case "B":
            return lines.banner_body(daq_of(meaning))
        case "A":
            return lines.answer_body(Answer(meaning["command"], meaning["value"]))
        case "N":
            return lines.answer_body(Answer(meaning["command"], meaning["reason"], refused=True))
        case _:
            return lines.end_body(meaning["reason"])


def daq_of(meaning: dict[str, Any]) -> DaqInfo:
    return DaqInfo(
        meaning["board_id"],
        meaning["version"],
        tuple(meaning["volts_per_count"]),
        tuple(meaning["full_count"]),
        meaning["reset_cause"],
    )


def test_the_crc_gives_the_published_check_value() -> None:
    # CRC-16/IBM-3740 over 123456789 is 29B1: the catalogue's check value, as crccheck 1.3 stores it
    assert crc(b"123456789") == 0x29B1 == Crc16Ibm3740._check_result


@given(st.binary(max_size=300))
@SAME
def test_the_crc_is_that_of_an_independent_library(data: bytes) -> None:
    assert crc(data) == Crc16Ibm3740.calc(data)


def test_the_page_has_examples_of_every_record_and_command() -> None:
    assert {meaning["record"] for _, meaning in pairs_of("daq")} == set("SBANE")
    assert {meaning["command"] for _, meaning in pairs_of("host")} == set(lines.COMMANDS)


@pytest.mark.parametrize(("line", "meaning"), pairs_of("daq"))
def test_the_examples_from_the_daq_encode_to_the_bytes_on_the_page(
    line: str, meaning: dict[str, Any]
) -> None:
    assert frame(body_of(meaning), end=b"\r\n") == line.encode() + b"\r\n"


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
@pytest.mark.parametrize(("line", "meaning"), pairs_of("daq"))
def test_the_examples_from_the_daq_decode_to_what_the_page_says(
    line: str, meaning: dict[str, Any], end: bytes
) -> None:
    records, reader, decoder = decode(line.encode() + end, len(meaning.get("counts", [0])))
    assert not reader.rejected + decoder.rejected
    (record,) = records
    match record:
        case Scans():
            assert record.sequence.tolist() == [meaning["sequence"]]
            assert record.ms.tolist() == [meaning["ms"]]
            assert record.flags.tolist() == [meaning["flags"]]
            assert record.counts.tolist() == [[NO_READING if c is None else c for c in meaning["counts"]]]
        case DaqInfo():
            assert record == daq_of(meaning)
            assert decoder.channels == len(meaning["full_count"])
        case Answer(command, value, refused):
            assert (command, value) == (meaning["command"], meaning.get("value", meaning.get("reason")))
            assert refused == (meaning["record"] == "N")
        case End(reason):
            assert reason == meaning["reason"]


@pytest.mark.parametrize(("line", "meaning"), pairs_of("host"))
def test_the_examples_from_the_host_encode_and_decode(line: str, meaning: dict[str, Any]) -> None:
    assert lines.command_line(meaning["command"], meaning.get("value")) == line.encode() + b"\n"
    (body,) = FrameReader().feed(line.encode() + b"\n")
    assert lines.read_command(body) == Command(meaning["command"], meaning.get("value"))


def test_the_page_prints_the_bytes_with_their_line_ends() -> None:
    (host,) = re.findall(r"```bytes host\n(.+)\n```", PAGE)
    (daq,) = re.findall(r"```bytes daq\n(.+)\n```", PAGE)
    assert bytes.fromhex(host) == lines.command_line("who")
    assert bytes.fromhex(daq) == frame(lines.scan_body(1, 200, [-5], 1), end=b"\r\n")


def test_the_start_on_the_page_is_a_conversation_that_both_ends_understand() -> None:
    host = "".join(f"{line}\n" for line in re.findall(r"^> (.+)$", PAGE, re.M))
    daq = "".join(f"{line}\r\n" for line in re.findall(r"^< (.+)$", PAGE, re.M))
    assert [lines.read_command(body) for body in FrameReader().feed(host.encode())] == [
        Command("who"),
        Command("rate", 10.0),
    ]
    reader, decoder = FrameReader(), LineDecoder()
    banner, answer, scans = decoder.decode(reader.feed(daq.encode()))
    assert isinstance(banner, DaqInfo)
    assert answer == Answer("rate", "10")
    assert isinstance(scans, Scans)
    assert scans.counts.tolist() == [[9769, 18873], [9770, 18870]]


def bad_lines() -> list[tuple[str, str]]:
    (block,) = re.findall(r"```bad\n(.+?)\n```", PAGE, re.S)
    return [(line.split(": ", 1)[0], line.split(": ", 1)[1]) for line in block.splitlines()]


@pytest.mark.parametrize(("cause", "line"), bad_lines())
def test_each_bad_line_on_the_page_is_rejected_under_its_name(cause: str, line: str) -> None:
    good = scan_line(1, [1, 2])
    records, reader, decoder = decode(good + line.encode() + b"\r\n" + scan_line(2, [3, 4]), 2)
    assert dict(reader.rejected + decoder.rejected) == {cause: 1}
    assert np.concatenate([r.counts for r in records if isinstance(r, Scans)]).tolist() == [[1, 2], [3, 4]]


def test_a_line_too_long_is_counted_once_and_the_next_frame_is_found() -> None:
    good = scan_line(1, [7])
    for size in (1, 100, 10_000):
        reader, decoder = FrameReader(), LineDecoder(1)
        data = good + b"x" * 9000 + b"\r\n" + good
        frames = [f for i in range(0, len(data), size) for f in reader.feed(data[i : i + size])]
        assert dict(reader.rejected) == {Cause.TOO_LONG: 1}
        (scans,) = decoder.decode(frames)
        assert len(scans) == 2  # type: ignore[arg-type]


def test_the_longest_line_allowed_passes_and_one_byte_more_does_not() -> None:
    body = "Q," + "x" * (LONGEST_LINE - 2 - 2 - 5)
    assert len(frame(body, end=b"\r\n")) == LONGEST_LINE
    assert FrameReader().feed(frame(body, end=b"\r\n")) == [body.encode()]
    reader = FrameReader()
    assert reader.feed(frame(body + "x", end=b"\r\n")) == []
    assert dict(reader.rejected) == {Cause.TOO_LONG: 1}


def test_the_rest_of_a_line_after_opening_a_port_is_no_fault() -> None:
    reader = FrameReader()
    assert len(reader.feed(b"9,18873,0000,2B32\r\n" + scan_line(1, [1]))) == 1
    assert not reader.rejected
    reader.feed(b"9,18873,0000,2B32\r\n")
    assert dict(reader.rejected) == {Cause.CRC: 1}
    reader.feed(b"S,5,60")
    reader.resync()
    assert len(reader.feed(b"18873,0000,2B32\r\n" + scan_line(2, [1]))) == 1
    assert reader.rejected.total() == 1


def test_a_host_that_meets_a_later_version_learns_of_it() -> None:
    (banner,) = LineDecoder().decode([b"B,2,bench-01,anything,else"])
    assert isinstance(banner, DaqInfo)
    assert banner.protocol == 2


def test_flags_say_what_the_page_says() -> None:
    assert Flags.of(0x0003) == Flags(True, True, False, False, "none")
    assert Flags.of(0xFF28) == Flags(False, False, False, True, "no heartbeat")
    assert Flags.of(0x0004).converter_fault
    assert Flags.of(0x00F0).trip_cause == "cause 15"


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (b"close", "unknown"),
        (b"rate", "wrong-field-count"),
        (b"who,1", "wrong-field-count"),
        (b"rate,1e1", "not-a-number"),
        (b"rate,-1", "not-a-number"),
        (b"rate,101", "0.2-to-100"),
        (b"silence,0", "0.2-to-1.5"),
        (b"silence,2", "0.2-to-1.5"),
    ],
)
def test_a_command_that_cannot_be_taken_is_refused_with_a_reason(body: bytes, reason: str) -> None:
    assert lines.read_command(body) == reason


def test_a_command_out_of_range_is_not_sent() -> None:
    with pytest.raises(ValueError, match="goes from"):
        lines.command_line("silence", 5.0)
    with pytest.raises(ValueError, match="takes a number"):
        lines.command_line("rate")
    with pytest.raises(ValueError, match="takes no number"):
        lines.command_line("who", 1.0)


# --- whatever happens on the wire -------------------------------------------------------------------


@st.composite
def traffic(draw: st.DrawFn) -> tuple[list[list[int | None]], list[bytes]]:
    """Scans of one width and their lines, sequence numbers from 0."""
    width = draw(st.integers(1, 5))
    count = st.none() | st.integers(-(2**31) + 1, 2**31 - 1)
    rows = draw(st.lists(st.lists(count, min_size=width, max_size=width), min_size=1, max_size=12))
    return rows, [scan_line(i, row) for i, row in enumerate(rows)]


def cut(data_of: st.DataObject, data: bytes) -> list[bytes]:
    places = sorted(data_of.draw(st.lists(st.integers(0, len(data)), max_size=8)))
    return [data[a:b] for a, b in zip([0, *places], [*places, len(data)], strict=True)]


def rows_of(records: list[lines.Record]) -> list[tuple[int, int, list[int]]]:
    return [
        (int(r.sequence[i]), int(r.ms[i]), r.counts[i].tolist())
        for r in records
        if isinstance(r, Scans)
        for i in range(len(r))
    ]


def sent_rows(rows: list[list[int | None]]) -> list[tuple[int, int, list[int]]]:
    return [(i, i * 100, [NO_READING if c is None else c for c in row]) for i, row in enumerate(rows)]


@given(st.data())
@SAME
def test_scans_come_through_whole_however_the_bytes_are_cut(data: st.DataObject) -> None:
    rows, sent = data.draw(traffic())
    reader, decoder = FrameReader(), LineDecoder(len(rows[0]))
    records = [r for part in cut(data, b"".join(sent)) for r in decoder.decode(reader.feed(part))]
    assert rows_of(records) == sent_rows(rows)
    assert not reader.rejected + decoder.rejected


@given(st.data())
@settings(SAME, max_examples=200)
def test_no_wrong_scan_comes_out_of_noise_and_the_next_good_frame_is_found(data: st.DataObject) -> None:
    """Bytes changed, lost, doubled or put in, anywhere: what comes out was sent; lines not touched come out.

    A changed line passes with odds of 1 in 65,536 (its CRC); the examples are the same at every run.
    """
    rows, sent = data.draw(traffic())
    touched: set[int] = set()
    for _ in range(data.draw(st.integers(1, 4))):
        k = data.draw(st.integers(0, len(sent) - 1))
        line, at = sent[k], data.draw(st.integers(0, max(0, len(sent[k]) - 1)))
        noise = data.draw(st.binary(min_size=1, max_size=12))
        match data.draw(st.sampled_from(["change", "lose", "put in", "lose line end", "double"])):
            case "change":
                line = line[:at] + noise + line[at + len(noise) :]
            case "lose":
                line = line[:at] + line[at + len(noise) :]
            case "put in":
                line = line[:at] + noise + line[at:]
            case "lose line end":
                line = line.rstrip(b"\r\n")
            case _:
                line = line[:at] + line
        if line != sent[k]:
            touched |= {k} if line.endswith(b"\n") else {k, k + 1}
        sent[k] = line
    closing = scan_line(len(rows), rows[0])
    reader, decoder = FrameReader(), LineDecoder(len(rows[0]))
    stream = b"".join(sent) + b"\n" + closing
    records = [r for part in cut(data, stream) for r in decoder.decode(reader.feed(part))]
    got = rows_of(records)
    good = sent_rows([*rows, rows[0]])
    assert [row for row in got if row not in good] == []
    assert [row for i, row in enumerate(good) if i not in touched and row not in got] == []
    whole, decoder_whole = FrameReader(), LineDecoder(len(rows[0]))
    assert rows_of(decoder_whole.decode(whole.feed(stream))) == got
    assert whole.rejected + decoder_whole.rejected == reader.rejected + decoder.rejected


@given(st.lists(st.binary(max_size=400), max_size=8), st.integers(1, 4))
@SAME
def test_pure_noise_gives_no_record_and_raises_nothing(parts: list[bytes], channels: int) -> None:
    reader, decoder = FrameReader(), LineDecoder(channels)
    assert [r for part in parts for r in decoder.decode(reader.feed(part))] == []


@given(st.text(alphabet="SBANEQ,0123456789-+.eE_ \n\x00é", max_size=80), st.integers(1, 3))
@SAME
def test_a_frame_with_a_right_crc_and_any_content_never_breaks_the_decoder(text: str, channels: int) -> None:
    body = text.encode("latin-1")
    decoder = LineDecoder(channels)
    for record in decoder.decode([body]):
        if isinstance(record, Scans):
            counts = [None if c == NO_READING else c for c in record.counts[0].tolist()]
            again = lines.scan_body(int(record.sequence[0]), int(record.ms[0]), counts, int(record.flags[0]))
            assert again.encode() == body


def test_a_random_line_passes_the_crc_about_once_in_65536() -> None:
    """The odds behind the property tests: 100,000 lines with a scan's form and random CRCs, seeded."""
    rng = np.random.default_rng(3)
    words = rng.integers(0, 65536, size=(100_000, 2))
    data = b"".join(b"S,%d,5,9,0000,%04X\n" % (a, b) for a, b in words.tolist())
    passed = len(FrameReader().feed(data))
    assert passed <= 9  # Poisson with mean 1.53: more than 9 about once in 100,000 seeds


# --- the device's counter ---------------------------------------------------------------------------


def scans_at(places: list[tuple[int, int]]) -> Scans:
    sequence = np.array([p[0] % 2**32 for p in places], np.int64)
    ms = np.array([p[1] % 2**32 for p in places], np.int64)
    counts = np.arange(len(places), dtype=np.int32).reshape(-1, 1)
    return Scans(sequence, ms, counts, np.zeros(len(places), np.int32))


def test_time_starts_at_the_first_scan_and_goes_through_both_wraps() -> None:
    clock = ScanClock(0.1)
    start = 2**32 - 2
    block = clock.take(scans_at([(start + i, 2**32 - 150 + 100 * i) for i in range(5)]), 0.0)
    assert block.t_us.tolist() == [0, 100_000, 200_000, 300_000, 400_000]
    assert not clock.rejected


def test_repeated_and_late_scans_are_dropped_and_counted() -> None:
    clock = ScanClock(0.1)
    block = clock.take(scans_at([(1, 100), (2, 200), (2, 200), (1, 100), (3, 300), (4, 300), (5, 500)]), 0.0)
    assert block.t_us.tolist() == [0, 100_000, 200_000, 400_000]
    assert block.counts[:, 0].tolist() == [0, 1, 4, 6]
    assert dict(clock.rejected) == {Cause.REPEATED: 1, Cause.OUT_OF_ORDER: 2}
    assert clock.restarts == 0


def test_a_board_that_was_reset_goes_on_by_the_hosts_clock() -> None:
    clock = ScanClock(0.1)
    clock.take(scans_at([(500, 50_000), (501, 50_100)]), 10.0)
    clock.may_have_restarted()
    block = clock.take(scans_at([(0, 60_000), (1, 60_100)]), 52.0)
    assert block.t_us.tolist() == [42_100_000, 42_200_000]
    assert clock.restarts == 1


def test_a_board_that_was_not_reset_keeps_its_own_time_across_a_gap() -> None:
    clock = ScanClock(0.1)
    clock.take(scans_at([(500, 50_000)]), 10.0)
    clock.may_have_restarted()
    block = clock.take(scans_at([(900, 90_000)]), 11.0)
    assert block.t_us.tolist() == [40_000_000]
    assert clock.restarts == 0


def test_a_reset_that_nobody_announced_is_found_after_three_scans() -> None:
    clock = ScanClock(0.1)
    clock.take(scans_at([(500, 50_000)]), 10.0)
    block = clock.take(scans_at([(i, 100 + 100 * i) for i in range(6)]), 15.0)
    assert block.sequence.tolist() == [2, 3, 4, 5]
    assert block.t_us.tolist() == [5_000_000, 5_100_000, 5_200_000, 5_300_000]
    assert dict(clock.rejected) == {Cause.OUT_OF_ORDER: 2}


@given(
    st.lists(st.tuples(st.integers(-3, 5), st.integers(-400, 900)), min_size=1, max_size=40),
    st.integers(0, 2**32 - 1),
    st.integers(0, 2**32 - 1),
    st.data(),
)
@SAME
def test_time_strictly_increases_for_any_order_of_scans_and_any_blocking(
    steps: list[tuple[int, int]], sequence: int, ms: int, data: st.DataObject
) -> None:
    places = [(sequence, ms)]
    for step in steps:
        places.append((places[-1][0] + step[0], places[-1][1] + step[1]))
    scans = scans_at(places)
    one, many = ScanClock(0.1), ScanClock(0.1)
    whole = one.take(scans, 0.0)
    assert (np.diff(whole.t_us) > 0).all()
    assert whole.t_us[0] == 0
    cuts = sorted(data.draw(st.lists(st.integers(0, len(places)), max_size=5)))
    got = [
        t
        for a, b in zip([0, *cuts], [*cuts, len(places)], strict=True)
        for t in many.take(
            Scans(scans.sequence[a:b], scans.ms[a:b], scans.counts[a:b], scans.flags[a:b]), 0.0
        ).t_us.tolist()
    ]
    assert got == whole.t_us.tolist()
    assert one.rejected == many.rejected


def test_ninety_thousand_scans_of_eight_channels_decode_fast_enough() -> None:
    rng = np.random.default_rng(1)
    counts = rng.integers(-32768, 32768, size=(90_000, 8)).tolist()
    data = b"".join(scan_line(i, row) for i, row in enumerate(counts))
    start = time.process_time()  # of the processor: other programs may be busy
    reader, decoder, clock = FrameReader(), LineDecoder(8), ScanClock(0.1)
    n = 0
    for at in range(0, len(data), 4095):  # what a pseudo-terminal gives at a time
        for record in decoder.decode(reader.feed(data[at : at + 4095])):
            assert isinstance(record, Scans)
            n += len(clock.take(record, 0.0))
    elapsed = time.process_time() - start
    assert n == 90_000
    assert elapsed < 2.5


# --- a real port --------------------------------------------------------------------------------------


def link_to(daq: TinyDaq, *, rate: float = 10.0, wait: bool = False, port: str | None = None) -> SerialLink:
    return SerialLink(port or daq.port, channels=2, scans_per_s=rate, speed=daq.speed, wait=wait)


def take_until(link: SerialLink, done: Callable[[list[Event]], bool], within_s: float = 15.0) -> list[Event]:
    """Take events until `done` says so of all of them."""
    events: list[Event] = []
    deadline = time.monotonic() + within_s
    while not done(events):
        assert time.monotonic() < deadline, f"nothing more came: {events[-3:]}"
        events += link.take(0.05)
    return events


def blocks_in(events: list[Event]) -> list[ScanBlock]:
    return [event for event in events if isinstance(event, ScanBlock)]


def scans_in(events: list[Event]) -> int:
    return sum(len(block) for block in blocks_in(events))


@pytest.fixture
def port(tmp_path: Path) -> Path:
    return tmp_path / "daq"


def test_a_daq_on_a_port_says_who_it_is_and_its_scans_come_from_the_first(port: Path) -> None:
    with TinyDaq(port, speed=20) as daq:
        link = link_to(daq)
        link.start()
        events = take_until(link, lambda e: scans_in(e) >= 20)
        link.close()
        assert events[0] == Connected(daq.daq, daq.port, again=False)
        t_us = np.concatenate([b.t_us for b in blocks_in(events)])
        counts = np.concatenate([b.counts for b in blocks_in(events)])
        assert t_us[0] == 0
        assert (np.diff(t_us) == 100_000).all()
        want = [[NO_READING if c is None else c for c in row] for _, _, _, row in daq.sent[: len(counts)]]
        assert counts.tolist() == want
        deadline = time.monotonic() + 2
        while daq.commands[-1] != Command("rate", 0.0) and time.monotonic() < deadline:
            time.sleep(0.01)
        assert daq.commands[-1] == Command("rate", 0.0)


def test_as_fast_as_it_goes_nothing_is_lost_even_when_the_daemon_is_slow(port: Path) -> None:
    n = 20_000
    with TinyDaq(port, speed=0, last=n) as daq:
        link = link_to(daq)
        link.start()
        before = -1
        while len(daq.sent) != before:
            before = len(daq.sent)
            time.sleep(0.3)
        assert 5000 <= before < n, "the source must have been held back"
        events = take_until(link, lambda e: isinstance(e[-1] if e else None, End), within_s=30)
        link.close()
        sequence = np.concatenate([b.sequence for b in blocks_in(events)])
        assert sequence.tolist() == list(range(n))
        assert max(len(b) for b in blocks_in(events)) < 2000
        assert not link.rejected


def test_noise_on_a_real_line_costs_scans_and_makes_none(port: Path) -> None:
    def garble(sequence: int, line: bytes) -> bytes:
        match sequence % 50:
            case 10:
                return line[:9] + b"\x00\xff" + line[11:]
            case 20:
                return line[:-2]
            case 30:
                return line + line
            case _:
                return line

    with TinyDaq(port, speed=0, last=1000) as daq:
        daq.garble = garble
        link = link_to(daq)
        link.start()
        events = take_until(link, lambda e: isinstance(e[-1] if e else None, End))
        link.close()
        got = np.concatenate([b.sequence for b in blocks_in(events)]).tolist()
        assert got == [i for i in range(1000) if i % 50 not in (10, 20, 21)]
        assert link.rejected == {Cause.CRC: 40, Cause.REPEATED: 20}


def test_a_port_that_goes_and_comes_back_goes_on_with_the_boards_own_time(port: Path) -> None:
    with TinyDaq(port, speed=10) as daq:
        link = link_to(daq)
        link.start()
        before = take_until(link, lambda e: scans_in(e) >= 10)
        daq.unplug()
        before += take_until(link, lambda e: any(isinstance(x, Disconnected) for x in e))
        daq.skip(40.0)
        daq.plug()
        after = take_until(link, lambda e: scans_in(e) >= 10)
        link.close()
        assert Connected(daq.daq, daq.port, again=True) in after
        gap_us = int(blocks_in(after)[0].t_us[0]) - int(blocks_in(before)[-1].t_us[-1])
        assert 40_000_000 <= gap_us < 42_000_000
        assert not set(link.rejected) - {Cause.CRC}


@pytest.mark.parametrize("heard", [True, False])
def test_a_board_that_resets_with_the_port_open_is_told_its_rate_again(
    port: Path, heard: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.link.port.PATIENCE_S", 0.5)
    with TinyDaq(port, speed=10) as daq:
        link = link_to(daq)
        link.start()
        before = take_until(link, lambda e: scans_in(e) >= 10)
        daq.reset(say=heard)
        after = take_until(link, lambda e: scans_in(e) >= 10)
        link.close()
        t_us = np.concatenate([b.t_us for b in blocks_in(before + after)])
        assert (np.diff(t_us) > 0).all()
        assert daq.commands.count(Command("rate", 10.0)) >= 2


def error_of(link: SerialLink, within_s: float = 10.0) -> str:
    link.start()
    with pytest.raises(LinkError) as caught:
        take_until(link, lambda _: False, within_s)
    link.close()
    text = str(caught.value)
    assert "\n" not in text
    return text


def test_a_port_that_is_not_there_is_said_in_one_sentence(tmp_path: Path) -> None:
    missing = tmp_path / "no-such-port"
    text = error_of(SerialLink(str(missing), channels=2, scans_per_s=10))
    assert text.startswith(f"there is no port {missing}: check")


def test_a_port_that_is_no_serial_port_is_said_in_one_sentence(tmp_path: Path) -> None:
    file = tmp_path / "notes.txt"
    file.write_text("hello")
    assert str(file) in error_of(SerialLink(str(file), channels=2, scans_per_s=10))
    assert file.read_text() == "hello"


def test_a_port_in_use_is_said_in_one_sentence(port: Path) -> None:
    with TinyDaq(port, speed=10) as daq:
        first = link_to(daq)
        first.start()
        take_until(first, lambda e: scans_in(e) >= 1)
        assert "in use by another program" in error_of(link_to(daq))
        first.close()


def test_another_device_is_refused_in_one_sentence(port: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.link.port.PATIENCE_S", 0.6)
    with TinyDaq(port) as daq:
        daq.rubbish = b"$GPGGA,120000,,,,,0,00,,,M,,M,,*66\r\n\x00\xfe"
        text = error_of(link_to(daq, wait=True))
        assert "answers, but not as a bench DAQ" in text
        daq.rubbish = None
        daq.mute = True
        assert "nothing answers on" in error_of(link_to(daq))


def test_a_daq_with_other_channels_or_a_later_protocol_is_refused(port: Path) -> None:
    with TinyDaq(port, daq=board(3)) as daq:
        assert "measures 3 channels and the set-up names 2" in error_of(link_to(daq))
        daq.daq = dataclasses.replace(board(), protocol=2)
        assert "speaks version 2" in error_of(link_to(daq))


def test_a_rate_that_the_daq_refuses_is_said(port: Path) -> None:
    with TinyDaq(port) as daq:
        daq.refuses = "not-so-fast"
        text = error_of(link_to(daq))
        assert "refuses the command rate (not-so-fast)" in text
        assert "scans_per_s" in text


def test_another_board_after_the_lead_was_out_is_waited_out(port: Path) -> None:
    with TinyDaq(port, speed=10) as daq:
        link = link_to(daq)
        link.start()
        take_until(link, lambda e: scans_in(e) >= 3)
        daq.unplug()
        daq.daq = board(board_id="bench-02")
        daq.plug(reset=True)
        said = take_until(
            link, lambda e: any("another DAQ" in d.why for d in e if isinstance(d, Disconnected))
        )
        daq.unplug()
        daq.daq = board()
        daq.plug(reset=True)
        again = take_until(link, lambda e: scans_in(e) >= 3)
        link.close()
    assert [event.daq.board_id for event in [*said, *again] if isinstance(event, Connected)] == ["bench-01"]


def test_a_stranger_after_the_lead_was_out_is_waited_out(port: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.link.port.PATIENCE_S", 0.5)
    with TinyDaq(port, speed=10) as daq:
        link = link_to(daq)
        link.start()
        take_until(link, lambda e: scans_in(e) >= 3)
        daq.unplug()
        daq.rubbish = b"hello there\r\n"
        daq.plug()
        take_until(
            link, lambda e: any(isinstance(x, Disconnected) and "not as a bench DAQ" in x.why for x in e)
        )
        daq.unplug()
        daq.rubbish = None
        daq.plug()
        take_until(link, lambda e: scans_in(e) >= 3)
        link.close()


def test_a_port_not_there_yet_is_waited_for_where_that_is_asked(port: Path) -> None:
    link = SerialLink(str(port), channels=2, scans_per_s=10, wait=True)
    link.start()
    (event,) = take_until(link, lambda e: len(e) > 0)
    assert isinstance(event, Disconnected)
    with TinyDaq(port, speed=10) as daq:
        events = take_until(link, lambda e: scans_in(e) >= 3)
        assert events[0] == Connected(daq.daq, daq.port, again=False)
        link.close()


def test_auto_asks_the_listed_ports_and_takes_the_one_daq(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.link.search.PATIENCE_S", 0.5)
    with TinyDaq(tmp_path / "a") as other, TinyDaq(tmp_path / "b", speed=10) as daq:
        other.mute = True
        listed = [Port(other.port), Port(daq.port)]
        monkeypatch.setattr("logger.link.port.ports", lambda: listed)
        link = link_to(daq, port="auto")
        link.start()
        events = take_until(link, lambda e: scans_in(e) >= 3)
        link.close()
        assert events[0] == Connected(daq.daq, daq.port, again=False)
        other.mute = False
        assert "more than one bench DAQ answers" in error_of(link_to(daq, port="auto"))
        other.mute = daq.mute = True
        assert "no bench DAQ answers on any serial port" in error_of(link_to(daq, port="auto"))
        daq.mute = False
        assert look_at(daq.port, Line()).daq == daq.daq


def test_a_fault_in_the_reading_thread_is_not_silent(port: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise TypeError("a bug")

    with TinyDaq(port, speed=10) as daq:
        monkeypatch.setattr(ScanClock, "take", broken)
        link = link_to(daq)
        link.start()
        with pytest.raises(SoakbenchError, match="a bug") as caught:
            take_until(link, lambda e: False)
        assert caught.value.exit_code == 4
        link.close()


def test_two_scans_gathered_are_the_same_scans_and_a_command_does_not_wait(port: Path) -> None:
    with TinyDaq(port, speed=2) as daq:
        link = SerialLink(daq.port, channels=2, scans_per_s=10, gather_s=0.12)
        link.start()
        events = take_until(link, lambda e: scans_in(e) >= 20)
        blocks = [event for event in events if isinstance(event, ScanBlock)]
        assert len(blocks) < scans_in(events)
        assert np.concatenate([block.sequence for block in blocks]).tolist() == list(range(scans_in(events)))
        daq.hold = True  # nothing comes that would end the wait
        link.send("open")
        until_s = time.monotonic() + 5.0
        while Command("open") not in daq.commands and time.monotonic() < until_s:
            time.sleep(0.01)
        assert Command("open") in daq.commands
        link.close()
