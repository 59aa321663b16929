"""The kinds of link by themselves: what no device and no line may make of them. No port, simulated time."""

from __future__ import annotations

import contextlib
import itertools
import math
import threading
from collections import Counter
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from crccheck.crc import Crc16Modbus  # type: ignore[import-untyped]
from hypothesis import given, settings
from hypothesis import strategies as st

from logger import check, setup
from logger.blocks import NO_READING, ScanBlock
from logger.clock import ManualClock
from logger.errors import LinkError, SetupError
from logger.link import modbus, scpi
from logger.link.csv_lines import Decoder, LineReader, look_at, split
from logger.link.frames import Cause
from logger.link.host_time import Arrivals, Raster
from logger.link.talk import Talk
from logger.link.wire import READ_TIMEOUT_S, Line, Lost, NotThere, Stranger
from logger.simulator.boards import ModbusModule, ScanningMeter, crc16_modbus
from logger.simulator.scenarios import scenario

AMP = scenario("healthy", 3)
COLUMNS = 8


def setup_of(kind: str, *changes: tuple[str, str], rate: float = 1.0) -> setup.Setup:
    text = AMP.setup_text(scans_per_s=rate, link=kind)
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return setup.parse(text)


# ---- csv


CSV = setup_of("csv", rate=10.0)
CSV_LINES = [f"{100 * i},0.07{i:02d}1,0.0756,0.0757,-0.0758,2.1234,2.3000,1.65,1.66" for i in range(10)]
CSV_LAYOUT = look_at(CSV_LINES, CSV)


def small(columns: str = "", channels: str = "", more: str = "") -> setup.Setup:
    """A set-up of two pairs on a board that prints numbers."""
    pairs = "".join(
        f'\n[[channel]]\nname = "pair{n}"\nmeasures = "pair current"\nsense_ohm = 1\n{channels}\n'
        for n in (1, 2)
    )
    return setup.parse(
        'schema = "soakbench.setup/1"\n[amp]\nname = "PA"\nvalve = "EL34"\nnominal_ht_V = 455\n'
        f'[link]\nkind = "csv"\nscans_per_s = 10\n{columns}\n{more}{pairs}\n'
        '[plan]\nsteps = [{step = "soak", minutes = 60}]\n'
    )


@pytest.mark.parametrize(
    ("lines", "separator", "comma", "volts"),
    [
        (["pair1 [mV];pair2 [mV]", "76,21;75,02", "76,25;75,0"], ";", True, (0.07621, 0.07502)),
        (["pair1 (V),pair2 (V)", "0.07621,0.07502", "0.0763,0.0751"], ",", False, (0.07621, 0.07502)),
        (["pair2 [mV]\tpair1 [mV]", "75.02\t76.21", "75\t76"], "tab", False, (0.07621, 0.07502)),
        (["Pair1[mV]  PAIR2[mV]", "76,21 75,02", " 76,25   75,02"], "blanks", True, (0.07621, 0.07502)),
        (["t,pair1 [mV],pair2 [V]", "12:00:01,76.21,0.07502"], ",", False, (0.07621, 0.07502)),
        (["pair1 [mV];pair2 [mV]", "7.621e1;+7.502E+1"], ";", False, (0.07621, 0.07502)),
    ],
)
def test_separator_decimal_mark_unit_and_columns_are_found(
    lines: list[str], separator: str, comma: bool, volts: tuple[float, ...]
) -> None:
    found = small()
    layout = look_at(lines, found)
    assert (layout.separator, layout.comma) == (separator, comma)
    assert isinstance(found.link, setup.CsvLink)
    row = Decoder(layout, found.link).decode(lines[1])
    assert row is not None
    assert np.array(row[1]) * layout.volts_per_count == pytest.approx(volts, rel=1e-12)


def test_the_step_is_the_finest_decimal_of_the_first_lines_or_as_stated() -> None:
    lines = ["76.2,75.02", "76.21,75.1"]
    layout = look_at(lines, small(columns='columns = ["pair1", "pair2"]\nunit = "mV"'))
    assert layout.volts_per_count == pytest.approx((1e-5, 1e-5))
    assert layout.uneven
    assert "state step_V" in layout.says(["pair1", "pair2"])
    stated = small(columns='columns = ["pair1", "pair2"]\nunit = "mV"', channels="step_V = 1e-4")
    assert look_at(lines, stated).volts_per_count == (1e-4, 1e-4)


def test_a_number_finer_than_the_step_found_is_rejected_and_one_finer_than_the_step_stated_rounded() -> None:
    found = small(columns='columns = ["pair1", "pair2"]\nunit = "mV"')
    assert isinstance(found.link, setup.CsvLink)
    decoder = Decoder(look_at(["76.21,75.02"], found), found.link)
    assert decoder.decode("76.213,75.02") is None
    assert decoder.decode("76.210,75.02") == (None, [7621, 7502])
    assert decoder.rejected == Counter({Cause.FINER: 1})
    stated = small(columns='columns = ["pair1", "pair2"]\nunit = "mV"', channels="step_V = 1e-5")
    decoder = Decoder(look_at(["76.21,75.02"], stated), found.link)
    assert decoder.decode("76.213,75.02") == (None, [7621, 7502])


def test_words_for_no_reading_and_overload_are_known_and_a_huge_number_is_out_of_range() -> None:
    found = small(columns='columns = ["pair1", "pair2"]\nunit = "V"', channels="full_scale_V = 0.256")
    assert isinstance(found.link, setup.CsvLink)
    decoder = Decoder(look_at(["0.0762,0.0750"], found), found.link)
    for text, count in [
        ("nan", NO_READING),
        ("", NO_READING),
        ("OVL", 2560),
        ("over", 2560),
        ("under", -2560),
    ]:
        assert decoder.decode(f"{text},0.0750") == (None, [count, 750])
    assert decoder.decode("999999999,0.0750") is None
    assert decoder.decode("0.0762") is None
    assert decoder.decode("0.0762,0.075O") is None
    assert decoder.rejected == {Cause.OUT_OF_RANGE: 1, Cause.FIELD_COUNT: 1, Cause.NOT_A_NUMBER: 1}


def test_what_only_the_header_says_is_said_as_keys_for_the_set_up() -> None:
    """A board prints its header once; who connects later must know without."""
    found = small()
    said = look_at(["t,pair2 [mV],pair1 [mV]", "1,76.21,75.02"], found).says(found.names)
    assert said.endswith(
        "A board that runs already prints no header: "
        'state columns = ["-", "pair2", "pair1"] and unit = "mV" in [link]'
    )
    stated = small(columns='columns = ["-", "pair2", "pair1"]\nunit = "mV"')
    layout = look_at(["1,76.21,75.02"], stated)
    assert layout.columns == (2, 1)
    assert "no header:" not in layout.says(found.names)


@pytest.mark.parametrize(
    ("lines", "keys", "says"),
    [
        (["hello", "world"], "", "no line of numbers is among the first 2"),
        (["76.2,75.0"], "", "no column of the 2 that the board prints is known as pair1"),
        (["pair1,pair2", "76.2,75.0"], "", "in V or in mV: state unit"),
        (["pair1 [kV],pair2 [kV]", "76.2,75.0"], "", "the header says kV"),
        (["76.2,75.0"], 'unit = "mV"\ncolumns = ["pair1"]', "prints 2 columns and the set-up names 1"),
        (
            ["76.2,75.0"],
            'unit = "mV"\ncolumns = ["pair1", "pair2"]\ntime_column = {column = 3, unit = "ms"}',
            "time_column is column 3",
        ),
    ],
)
def test_what_can_t_be_found_is_asked_for(lines: list[str], keys: str, says: str) -> None:
    with pytest.raises(LinkError, match=says) as caught:
        look_at(lines, small(columns=keys))
    assert "\n" not in str(caught.value)


@given(st.lists(st.binary(max_size=60), max_size=12))
def test_no_bytes_whatever_make_the_csv_reader_fall_over(chunks: list[bytes]) -> None:
    reader, lines = LineReader(), []
    for chunk in chunks:
        lines += reader.feed(chunk)
    whole = LineReader()
    assert whole.feed(b"".join(chunks)) == lines, "however the bytes were cut"
    with contextlib.suppress(LinkError):  # what else it may raise is the question
        look_at(lines, CSV)
    assert isinstance(CSV.link, setup.CsvLink)
    decoder = Decoder(CSV_LAYOUT, CSV.link)
    for line in lines:
        row = decoder.decode(line)
        assert row is None or all(abs(count) < 2**31 or count == NO_READING for count in row[1])


@given(
    st.integers(0, 9),
    st.lists(
        st.tuples(st.integers(0, 80), st.integers(0, 255), st.sampled_from("xdi")), min_size=1, max_size=3
    ),
)
def test_a_mutated_line_is_a_reading_only_if_each_field_is_a_number_or_a_word(
    number: int, changes: list[tuple[int, int, str]]
) -> None:
    """Without a checksum a digit that became another digit can't be told; all else is."""
    data = bytearray(CSV_LINES[number].encode())
    for at, byte, how in changes:
        at = at % len(data)
        match how:
            case "x":
                data[at] = byte
            case "d":
                del data[at]
            case _:
                data.insert(at, byte)
    assert isinstance(CSV.link, setup.CsvLink)
    reader = LineReader()
    for line in reader.feed(b"\n" + bytes(data) + b"\n"):
        row = Decoder(CSV_LAYOUT, CSV.link).decode(line)
        if row is None:
            continue
        fields = split(line, ",")
        assert len(fields) == COLUMNS + 1
        for field, count, step_v in zip(fields[1:], row[1], CSV_LAYOUT.volts_per_count, strict=True):
            if count == NO_READING:
                assert field in ("", "-")
            elif field.lower() in ("inf", "-inf", "+inf"):
                assert abs(count) in CSV_LAYOUT.full_count
            else:
                # Python's own reading of the number, to the step
                assert count * step_v == pytest.approx(float(field), abs=0.51 * step_v)


@given(st.text(st.characters(codec="latin-1"), max_size=40))
def test_what_a_board_says_between_its_numbers_ends_nothing(text: str) -> None:
    found = small()
    assert isinstance(found.link, setup.CsvLink)
    decoder = Decoder(look_at(["pair1 [mV],pair2 [mV]", "76.21,75.02"], found), found.link)
    for line in (text, "# calibrating", "pair1 [mV],air2 [mV]", "pair1 [mV]"):
        layout = decoder.headed(line, found)
        assert layout is None or layout.columns in ((0, 1), (1, 0))
    again = decoder.headed("pair1 [mV],pair2 [mV]", found)
    assert again is not None
    assert again.board_id == decoder.layout.board_id
    other = decoder.headed("pair2 [mV],pair1 [mV]", found)
    assert other is not None
    assert other.board_id != decoder.layout.board_id, "the columns have changed places"
    other = decoder.headed("pair1 [V],pair2 [V]", found)
    assert other is not None
    assert other.board_id != decoder.layout.board_id, "a thousand times as much"


def test_an_endless_line_takes_no_memory_and_is_counted_once() -> None:
    reader = LineReader()
    assert reader.feed(b"\n76.2,75.0\n") == ["76.2,75.0"]
    for _ in range(1000):
        assert reader.feed(b"7" * 4096) == []
        assert len(reader._part) <= 4096
    assert reader.feed(b"\n76.2,75.0\n") == ["76.2,75.0"]
    assert reader.rejected == {Cause.TOO_LONG: 1}


# ---- time


def test_a_raster_does_not_creep_and_leaves_out_what_it_was_late_for() -> None:
    clock, stop = ManualClock(), threading.Event()
    raster = Raster(1.0, clock, 1.0)
    asked: list[tuple[int, int]] = []
    while len(asked) < 50:
        due = raster.wait(stop)
        if due is not None:
            asked.append(due)
            clock.advance(5.25 if len(asked) == 20 else 0.3)  # the answer; once the host had stalled
    sequence = [at for at, _ in asked]
    assert sequence == [*range(20), *range(24, 54)]
    # asked when it is due, to the part of a read timeout; after the stall at once
    late_us = [t_us - 1_000_000 * at for at, t_us in asked]
    assert max(late_us[:20] + late_us[21:]) < 1000
    assert late_us[20] == pytest.approx(250_000, abs=1000)


@pytest.mark.parametrize("speed", [1.0, 60.0])
def test_a_raster_runs_as_much_faster_as_the_source_does(speed: float) -> None:
    clock, stop = ManualClock(), threading.Event()
    raster = Raster(1.0, clock, speed)
    seen = [due for _ in range(2000) if (due := raster.wait(stop)) is not None]
    assert seen[-1][0] == pytest.approx(clock.monotonic_s() * speed, abs=1.5)
    assert len(seen) == seen[-1][0] + 1


def test_a_simulated_device_is_asked_late_rather_than_not_at_all() -> None:
    clock, stop = ManualClock(), threading.Event()
    raster, asked = Raster(1.0, clock, 60.0), []
    while len(asked) < 500:
        due = raster.wait(stop)
        if due is not None:
            asked.append(due)
            clock.advance(3.0 if len(asked) == 20 else 0.001)
    assert asked == [(at, 1_000_000 * at) for at in range(500)]
    assert clock.monotonic_s() == pytest.approx(499 / 60, abs=0.1)


@given(st.lists(st.tuples(st.integers(1, 40), st.floats(-0.3, 0.3)), min_size=1, max_size=30))
def test_lines_that_waited_together_lose_and_double_nothing(bursts: list[tuple[int, float]]) -> None:
    """The host stalls and reads what has piled up; each line is where it was printed, to the jitter."""
    arrivals, printed, got = Arrivals(0.1, 1.0), 0, []
    for many, jitter in bursts:
        printed += many
        got += arrivals.take(many, 100.0 + 0.1 * (printed - 1) + 0.1 * (jitter + 0.3) / 2)
    sequence = [at for at, _ in got]
    assert sequence == list(range(printed))
    t_us = np.array([t for _, t in got])
    assert (np.diff(t_us) > 0).all()
    assert np.abs(t_us - 100_000 * np.arange(printed)).max() <= 60_000


@given(st.integers(1, 20), st.integers(2, 500), st.integers(1, 20))
def test_lines_that_never_came_leave_a_hole_as_long_as_they_were(before: int, lost: int, after: int) -> None:
    arrivals = Arrivals(0.1, 1.0)
    for i in range(before):
        arrivals.take(1, 7.0 + 0.1 * i)
    found = [arrivals.take(1, 7.0 + 0.1 * (before + lost + i))[0] for i in range(after)]
    assert [at for at, _ in found] == [before + lost + i for i in range(after)]
    assert [t for _, t in found] == pytest.approx(
        [100_000 * (before + lost + i) for i in range(after)], abs=2
    )


# ---- devices that are asked, on a wire in simulated time


class SimulatedWire:
    """A device on a line whose answers may come late, twice, in part or never; in order all the same."""

    path = "simulated"

    def __init__(self, clock: ManualClock, hear: Callable[[bytes], list[bytes]]) -> None:
        self.heard = 0
        self.plan: list[tuple[str, float]] = []
        self.gone = False
        self._clock = clock
        self._hear = hear
        self._coming: list[tuple[float, bytes]] = []

    def read(self) -> bytes:
        if self.gone:
            raise Lost("gone")
        if not self.more():
            self._clock.advance(READ_TIMEOUT_S)
        data = b""
        while self.more():
            data += self._coming.pop(0)[1]
        self.heard += len(data)
        return data

    def more(self) -> bool:
        return bool(self._coming) and self._coming[0][0] <= self._clock.monotonic_s()

    def write(self, data: bytes) -> None:
        for answer in self._hear(data):
            what, after_s = self.plan.pop(0) if self.plan else ("whole", 0.0)
            last_s = self._coming[-1][0] if self._coming else 0.0
            at_s = max(last_s, self._clock.monotonic_s() + after_s)
            if what == "lost":
                continue
            if what == "garbled":
                answer = answer[:3] + bytes([answer[3] ^ 0x80]) + answer[4:]
            if what == "cut":
                answer = answer[:-2]
            self._coming.append((at_s, answer))
            if what == "twice":
                self._coming.append((at_s, answer))
            if what == "noise":
                self._coming.append((at_s, b"\x00\xff"))

    def close(self) -> None:
        self.gone = True


class Bench:
    """A simulated device, the kind that reads it, and the number of each asking as its reading."""

    def __init__(self, kind: str, plan: list[tuple[str, float]] | None = None, **options: Any) -> None:
        self.clock = ManualClock()
        self.asks = itertools.count()
        self.last = -1
        self.device: ModbusModule | ScanningMeter
        self.kind: modbus.Modbus | scpi.Scpi
        found = setup_of(kind, *options.pop("changes", ()))
        if kind == "modbus":
            self.device = ModbusModule(AMP.info, self._ask, **options)
            self.kind = modbus.Modbus(found, Line(19_200), self.clock, 1.0)
        else:
            self.device = ScanningMeter(AMP.info, self._ask, **options)
            self.kind = scpi.Scpi(found, self.clock, 1.0)
        self.wire = SimulatedWire(self.clock, lambda data: self.device.hear(data))
        self.talk: Talk = self.kind.talk(self.wire, again=False, patience_s=3.0)
        self.stop = threading.Event()
        self.daq = self.talk.meet(self.stop)
        self.talk.begin(self.stop)
        self.wire.plan = plan or []

    def _ask(self) -> list[int]:
        self.last = next(self.asks)
        return [100 + self.last] * COLUMNS

    def _anew(self) -> None:
        """Begin again until it goes, as the port's thread does."""
        for _ in range(50):
            self.talk = self.kind.talk(self.wire, again=True, patience_s=3.0)
            try:
                assert self.talk.meet(self.stop) == self.daq
                self.talk.begin(self.stop)
            except (NotThere, Stranger):
                continue
            return
        pytest.fail("it was not found again")

    def scans(self, looks: int) -> list[tuple[int, int]]:
        """Return of each scan the reading, as the asking's number, and the asking it was an answer to."""
        out = []
        for _ in range(looks):
            try:
                heard = list(self.talk.hear(self.stop))
            except NotThere:
                self._anew()
                continue
            for block in heard:
                assert isinstance(block, ScanBlock)
                volts = block.counts[0] * np.array(self.daq.volts_per_count)
                numbers = volts / np.array(AMP.info.volts_per_count) - 100
                assert np.ptp(numbers) < 0.2
                out.append((round(float(numbers[0])), self.last))
        return out


Trouble = st.lists(
    st.tuples(
        st.sampled_from(["whole", "whole", "whole", "lost", "late", "twice", "garbled", "cut", "noise"]),
        st.floats(0.0, 12.0),
    ).map(lambda one: one if one[0] == "late" else (one[0], 0.0)),
    max_size=25,
)


@pytest.mark.parametrize("kind", ["modbus", "scpi"])
@given(plan=Trouble)
@settings(max_examples=60)
def test_no_lost_late_doubled_or_garbled_answer_ever_shifts_a_reading(
    kind: str, plan: list[tuple[str, float]]
) -> None:
    """Each reading is that of the asking it is taken for, and afterwards it goes on as if nothing had been.

    What can't be told: an answer sent twice, whose second copy comes only after the next asking, passes
    for one scan; the one after is right again.
    """
    bench = Bench(kind, list(plan))
    found = bench.scans(120)
    if kind == "scpi":
        # no checksum: a bit in a digit may give another digit, which is no shift
        found = [(got, asked) for got, asked in found if "garbled" not in {what for what, _ in plan}]
    assert [got for got, _ in found] == [asked for _, asked in found]
    bench.wire.plan = []
    bench.scans(60)
    left = sum(bench.talk.rejected.values())
    assert len(bench.scans(50)) >= 9
    assert sum(bench.talk.rejected.values()) == left


@pytest.mark.parametrize("kind", ["modbus", "scpi"])
def test_a_copy_that_comes_after_the_next_asking_spoils_one_scan_and_no_more(kind: str) -> None:
    bench = Bench(kind)
    assert [got - asked for got, asked in bench.scans(40)].count(0) > 2
    hear, held = bench.wire._hear, []

    def with_a_late_copy(data: bytes) -> list[bytes]:
        answers = hear(data)
        if not held and answers:
            held.append(answers[-1])
            return answers
        if len(held) == 1 and answers:
            held.append(b"")
            return [held[0], *answers]
        return answers

    bench.wire._hear = with_a_late_copy
    wrong = [got - asked for got, asked in bench.scans(60) if got != asked]
    assert len(wrong) <= 1
    assert bench.talk.rejected[Cause.NOT_ASKED] == 1


def test_another_device_on_the_same_two_wires_is_no_reading() -> None:
    bench = Bench("modbus")
    other = ModbusModule(AMP.info, lambda: [7] * COLUMNS, device=2)
    hear = bench.wire._hear

    def answered_by_both(data: bytes) -> list[bytes]:
        ours = hear(data)
        as_two = bytes([2]) + data[1:6]
        return other.hear(as_two + crc16_modbus(as_two).to_bytes(2, "little")) + ours

    bench.wire._hear = answered_by_both
    assert all(got == asked for got, asked in bench.scans(40))
    bench.wire._hear = lambda data: answered_by_both(data)[:1]
    assert bench.scans(1) == []
    assert bench.talk.rejected[Cause.OTHER_DEVICE] > 0


def test_a_module_whose_identity_is_another_s_is_no_reading() -> None:
    bench = Bench("modbus")
    assert isinstance(bench.device, ModbusModule)
    bench.device.identity = 1
    assert bench.scans(10) == []
    assert bench.talk.rejected[Cause.OTHER_DEVICE] > 0
    with pytest.raises(LinkError, match="has 4712 in register 8 and the set-up says 4711"):
        Bench("modbus", identity=4712)


def test_a_module_that_refuses_the_registers_is_said_at_the_start() -> None:
    with pytest.raises(LinkError, match=r"refuses to give 12 input registers from 0 \(no such register\)"):
        Bench("modbus", changes=(("register = 8", "register = 11"),))


def test_an_adapter_that_hears_itself_is_no_trouble() -> None:
    bench = Bench("modbus")
    hear = bench.wire._hear
    bench.wire._hear = lambda data: [data, *hear(data)]
    assert len(bench.scans(30)) >= 5
    assert not bench.talk.rejected


# ---- modbus, from outside


def test_the_crc_of_modbus_has_the_catalogue_s_check_value() -> None:
    # CRC-16/MODBUS over 123456789 is 4B37: the public CRC catalogue, as crccheck 1.3 stores it
    assert crc16_modbus(b"123456789") == 0x4B37 == Crc16Modbus._check_result


@given(st.binary(max_size=64))
def test_the_simulated_module_s_crc_is_that_of_an_independent_library(data: bytes) -> None:
    assert crc16_modbus(data) == Crc16Modbus.calc(data)


@pytest.mark.parametrize(
    ("registers", "first", "request_", "reply", "words"),
    [
        # Modbus application protocol V1.1b3, 6.3 and 6.4, the printed examples (from memory), as device 1
        ("holding", 0x6B, "03 00 6B 00 03", "03 06 02 2B 00 00 00 64", [0x022B, 0, 0x64]),
        ("input", 0x08, "04 00 08 00 01", "04 02 00 0A", [0x000A]),
    ],
)
def test_the_standard_s_examples_are_asked_and_read(
    registers: str, first: int, request_: str, reply: str, words: list[int]
) -> None:
    sent: list[bytes] = []

    def hear(data: bytes) -> list[bytes]:
        sent.append(data)
        body = bytes.fromhex("01" + reply.replace(" ", ""))
        return [body + Crc16Modbus.calc(body).to_bytes(2, "little")]

    clock = ManualClock()
    kind = modbus.Modbus(
        setup_of("modbus", ('registers = "input"', f'registers = "{registers}"')), Line(), clock, 1.0
    )
    talk = kind.talk(SimulatedWire(clock, hear), again=False, patience_s=1.0)
    assert talk._ask(first, len(words)) == words
    body = bytes.fromhex("01" + request_.replace(" ", ""))
    assert sent == [body + Crc16Modbus.calc(body).to_bytes(2, "little")]


@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize("format_", ["int32", "uint32", "float32"])
def test_values_of_two_registers_come_out_in_either_word_order(format_: str, order: str) -> None:
    changes = [
        ('format = "int16"', f'format = "{format_}"\nword_order = "{order}"'),
        ("no_reading = -32768\n", "no_reading = -32768\n" if format_ == "int32" else ""),
        ("identity = {register = 8", "identity = {register = 16"),
        *((f"pin = {n}\n", f"pin = {2 * n}\n") for n in reversed(range(1, COLUMNS))),
    ]
    bench = Bench("modbus", changes=changes, format=format_, word_order=order)
    found = bench.scans(40)
    assert len(found) >= 5
    assert all(got == asked for got, asked in found)


@pytest.mark.parametrize(
    ("value", "count"),
    [
        (0.0, 0),
        (0.1, 12_800),
        (math.nan, NO_READING),
        (math.inf, 32_767),
        (-math.inf, -32_767),
        (3e38, 32_767),
    ],
)
def test_a_float_that_is_no_number_or_off_the_scale_is_said_so(value: float, count: int) -> None:
    found = setup_of("modbus", ('format = "int16"', 'format = "float32"'), ("no_reading = -32768\n", ""))
    block = modbus.Block(found)
    words = list(np.array([value], dtype=">f4").tobytes())
    registers = [words[0] << 8 | words[1], words[2] << 8 | words[3], *([0] * 20)]
    assert block.counts(registers)[0][0] == count


# ---- scpi


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ("+7.62100000E-02", 297_695),
        ("+9.90000000E+37", 1_000_000),
        ("-9.90000000E+37", -1_000_000),
        ("9.9E37", 1_000_000),
        ("+9.91000000E+37", NO_READING),
        ("9.91E+37", NO_READING),
        ("1E300", 1_000_000),
        ("-1E999", -1_000_000),
        ("0.3", 1_000_000),
    ],
)
def test_overload_is_told_before_anything_is_reckoned(text: str, count: int) -> None:
    # SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37 is infinity, 9.91E37 not-a-number
    answer = scpi.Answer(setup_of("scpi"))
    counts = answer.counts(",".join([text] + ["0"] * 7))
    assert not isinstance(counts, Cause)
    assert counts[0].tolist() == [count] + [0] * 7


@given(st.text(max_size=80))
def test_no_answer_whatever_makes_the_meter_s_reader_fall_over(text: str) -> None:
    counts = scpi.Answer(setup_of("scpi")).counts(text)
    assert isinstance(counts, Cause)
    whole = scpi.Answer(setup_of("scpi")).counts(",".join(["1E-3"] * 7 + [text]))
    assert isinstance(whole, Cause) or math.isfinite(float(text))


def test_a_meter_scans_in_rising_order_whatever_order_the_set_up_has() -> None:
    changes = (("pin = 101\n", "pin = 999\n"), ("pin = 108\n", "pin = 101\n"), ("pin = 999\n", "pin = 108\n"))
    answer = scpi.Answer(setup_of("scpi", *changes))
    counts = answer.counts(",".join(f"{n}E-3" for n in range(1, 9)))
    assert not isinstance(counts, Cause)
    volts = counts[0] * np.array(answer.volts_per_count)
    assert volts == pytest.approx([8e-3, 2e-3, 3e-3, 4e-3, 5e-3, 6e-3, 7e-3, 1e-3], abs=5e-6)


def test_a_meter_is_told_ranges_line_cycles_and_what_to_scan_in_the_standard_s_words() -> None:
    bench = Bench("scpi")
    assert isinstance(bench.device, ScanningMeter)
    assert bench.device.commands == [
        "*CLS",
        "*IDN?",
        "CONFigure:VOLTage:DC 0.256,(@101,102,103,104)",
        "CONFigure:VOLTage:DC 4.096,(@105,106,107,108)",
        "SENSe:VOLTage:DC:NPLCycles 1,(@101,102,103,104,105,106,107,108)",
        "ROUTe:SCAN (@101,102,103,104,105,106,107,108)",
        "SYSTem:ERRor?",
    ]
    assert bench.daq.board_id == "scpi-0042"


def test_a_meter_that_does_not_take_the_set_up_says_why() -> None:
    with pytest.raises(LinkError, match=r'it says -222,"Data out of range"'):
        Bench("scpi", first=300)


def test_a_meter_without_a_serial_number_still_has_a_name_of_its_own() -> None:
    assert Bench("scpi", serial="0").daq.board_id.startswith("scpi-")
    assert Bench("scpi", serial="0").daq.board_id != "scpi-0"
    assert Bench("scpi", serial="A/B 12").daq.board_id == "scpi-AB12"


# ---- the set-up


@pytest.mark.parametrize(
    ("kind", "key", "says"),
    [
        ("lines", "device = 1", 'a key of kind "lines", got device, which belongs to kind "modbus"'),
        ("csv", "line_Hz = 50", 'a key of kind "csv", got line_Hz, which belongs to kind "scpi"'),
        ("modbus", 'separator = ","', 'a key of kind "modbus", got separator, which belongs to kind "csv"'),
        ("scpi", "devise = 1", "a known key, the nearest is device, got the unknown key devise"),
    ],
)
def test_a_key_of_another_kind_is_an_error_that_says_which(kind: str, key: str, says: str) -> None:
    with pytest.raises(SetupError) as caught:
        setup_of(kind, (f'kind = "{kind}"', f'kind = "{kind}"\n{key}'))
    assert [says in str(fault) for fault in caught.value.faults] == [True]


@pytest.mark.parametrize(
    ("kind", "find", "put", "says"),
    [
        ("modbus", "pin = 3\n", "pin = [3, 4]\n", "one number, the register"),
        ("modbus", "pin = 3\n", "pin = 200\n", "registers within 125 of each other"),
        ("modbus", "pin = 3\n", "pin = 2\n", "registers 1 apart, as int16 takes"),
        ("modbus", "step_V = 7.8125e-06\n", "", "volts per count, which the device doesn't say"),
        ("scpi", "full_scale_V = 0.256\n", "", "the input's range, which the device doesn't say"),
        ("scpi", "pin = 103\n", "", "its meter channel, a live link needs it"),
        ("csv", '"pair3", ', "", "a column pair3"),
    ],
)
def test_what_a_device_can_t_be_read_without_is_named(kind: str, find: str, put: str, says: str) -> None:
    assert not check.live_faults(setup_of(kind))
    faults = check.live_faults(setup_of(kind, (find, put)))
    assert any(says in str(fault) for fault in faults), faults


@pytest.mark.parametrize(
    ("kind", "find", "put", "says"),
    [
        ("csv", 'time_column = {column = 1, unit = "ms"}\n', "", "no time_column"),
        ("csv", "full_scale_V = 0.256\n", "", "full_scale_V isn't stated for every channel"),
        ("csv", "x", "x", "takes no commands: no cut-out can be worked"),
        ("csv", "x", "x", "wires = 1 in its channel where it is read against ground"),
        ("modbus", "device = 1", "device = 1\nbaud = 300", "1 scans a second can't be kept"),
        ("scpi", "line_cycles = 1", "line_cycles = 10", "take about 2 s: 1 scans a second can't be kept"),
        ("scpi", "line_cycles = 1", "line_cycles = 0.2", "0.2 line cycles: below 1 a meter rejects no hum"),
    ],
)
def test_check_warns_of_what_a_kind_of_link_can_t_keep(kind: str, find: str, put: str, says: str) -> None:
    assert any(says in odd for odd in check.advise(setup_of(kind, (find, put))).odd)
