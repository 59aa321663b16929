"""The line protocol: its page's examples, and what noise, loss, splitting and joining may not do."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from crccheck.crc import Crc16Ibm3740  # type: ignore[import-untyped]
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.blocks import NO_READING, DaqInfo
from logger.link import lines
from logger.link.frames import LONGEST_LINE, Cause, FrameReader, crc, frame
from logger.link.lines import Answer, Command, End, Flags, LineDecoder, ScanClock, Scans

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
def test_scans_come_through_whole_however_the_bytes_are_cut(data: st.DataObject) -> None:
    rows, sent = data.draw(traffic())
    reader, decoder = FrameReader(), LineDecoder(len(rows[0]))
    records = [r for part in cut(data, b"".join(sent)) for r in decoder.decode(reader.feed(part))]
    assert rows_of(records) == sent_rows(rows)
    assert not reader.rejected + decoder.rejected


@given(st.data())
@settings(max_examples=300)
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
def test_pure_noise_gives_no_record_and_raises_nothing(parts: list[bytes], channels: int) -> None:
    reader, decoder = FrameReader(), LineDecoder(channels)
    assert [r for part in parts for r in decoder.decode(reader.feed(part))] == []


@given(st.text(alphabet="SBANEQ,0123456789-+.eE_ \n\x00é", max_size=80), st.integers(1, 3))
def test_a_frame_with_a_right_crc_and_any_content_never_breaks_the_decoder(text: str, channels: int) -> None:
    body = text.encode("latin-1")
    decoder = LineDecoder(channels)
    for record in decoder.decode([body]):
        if isinstance(record, Scans):
            counts = [None if c == NO_READING else c for c in record.counts[0].tolist()]
            again = lines.scan_body(int(record.sequence[0]), int(record.ms[0]), counts, int(record.flags[0]))
            assert again.encode() == body


def test_a_random_line_passes_the_crc_about_once_in_65536() -> None:
    """The odds behind the property tests: 200,000 lines with a scan's form and random CRCs, seeded."""
    rng = np.random.default_rng(3)
    words = rng.integers(0, 65536, size=(200_000, 2))
    data = b"".join(b"S,%d,5,9,0000,%04X\n" % (a, b) for a, b in words.tolist())
    passed = len(FrameReader().feed(data))
    assert 0 <= passed <= 12  # Poisson with mean 3.05: more than 12 once in 50,000 seeds


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
    start = time.perf_counter()
    reader, decoder, clock = FrameReader(), LineDecoder(8), ScanClock(0.1)
    n = 0
    for at in range(0, len(data), 4095):  # what a pseudo-terminal gives at a time
        for record in decoder.decode(reader.feed(data[at : at + 4095])):
            assert isinstance(record, Scans)
            n += len(clock.take(record, 0.0))
    elapsed = time.perf_counter() - start
    assert n == 90_000
    assert elapsed < 2.5
