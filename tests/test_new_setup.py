"""A first set-up from a few answers: what is written is a set-up, and nobody is asked without a terminal."""

from __future__ import annotations

import os
import re
import select
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import soakbench
from logger import check, new_setup
from logger.blocks import ScanBlock
from logger.clock import SystemClock
from logger.link.kinds import open_link
from logger.link.port import Connected
from logger.new_setup import KINDS, OTHERS, answers_from, ask_all, text_of
from logger.setup import parse
from logger.simulator.scenarios import scenario
from logger.simulator.terminal import Terminal
from logger.simulator.wires import HAS_PTY
from logger.valves import known_types

EL34 = {"valve": "EL34", "ht_V": 455.0}

ANSWERS = st.fixed_dictionaries(
    {
        "valve": st.sampled_from(known_types()),
        "ht_V": st.floats(200, 900).map(lambda volts: round(volts, 1)),
        "link": st.sampled_from(KINDS),
        "pairs": st.integers(1, 16),
        "valves": st.integers(1, 4),
        "sense_ohm": st.sampled_from([0.5, 1.0, 2.2, 4.7, 10.0, 22.0, 47.0, 100.0]),
    },
    optional={
        "name": st.text(min_size=1, max_size=40).filter(lambda text: text.isprintable() and text.strip()),
        "bias": st.sampled_from(["fixed", "cathode"]),
        "operating_class": st.sampled_from(["AB", "A"]),
        "connection": st.sampled_from(["pentode", "ultralinear", "triode"]),
        "time_column": st.sampled_from(["ms", "s", "scans", "none"]),
        "adjust": st.sampled_from(["each pair", "each side", "level and balance", "one for all", "none"]),
        "others": st.lists(st.sampled_from(OTHERS), unique=True).map(tuple),
        "mains_V": st.sampled_from([100.0, 115.0, 120.0, 230.0, 240.0, 400.0, 480.0]),
        "series_ohm": st.sampled_from([0.0, 1880.0]),
        "tolerance_pct": st.floats(0.01, 20),
        "soak_min": st.floats(30, 600),
    },
)


RAILED = ("full scale", "rails", "supply of")


@settings(max_examples=20, deadline=None)
@given(ANSWERS)
@example(
    {"valve": "KT120", "ht_V": 200.0, "link": "lines", "pairs": 1, "valves": 4, "sense_ohm": 4.7}
)  # 2 x 4 x 0.65 x 60 W / 200 V x 4.7 ohm is some 8 V: no converter of 3.3 V holds it
def test_what_is_written_is_a_set_up_without_faults_for_every_link(answers: dict[str, object]) -> None:
    known = answers_from(answers)
    setup = parse(text_of(known))
    assert check.live_faults(setup) == []
    assert setup.link.kind == known.link
    assert setup.amp.name == known.name
    assert setup.names == [*(f"pair{n}" for n in range(1, known.pairs + 1)), *known.others]
    pins = [pin for channel in setup.channel for pin in channel.pin or []]
    assert len(set(pins)) == len(pins)
    assert len(pins) == known.pairs * (2 if known.link == "lines" else 1) + len(known.others)
    odd = " ".join(check.advise(setup).odd)
    for wrong in ("coarse", "used more than once", "one step", "be kept", "wires"):
        assert wrong not in odd
    # a resistor that drops more than any range holds rails: then the file says which one would not
    too_large = re.search(r"too large for the DAQ: (\S+) or less", text_of(known))
    assert any(wrong in odd for wrong in RAILED) == bool(too_large)
    if too_large:
        smaller = text_of(known.model_copy(update={"sense_ohm": float(too_large[1])}))
        assert "too large" not in smaller
        odd = " ".join(check.advise(parse(smaller)).odd)
        assert not any(wrong in odd for wrong in RAILED)


@pytest.mark.skipif(not HAS_PTY, reason="there are no pseudo-terminals")
@pytest.mark.parametrize("kind", KINDS)
def test_a_board_of_each_kind_is_read_as_the_new_set_up_says(kind: str, tmp_path: Path) -> None:
    amp = scenario("healthy", 3)
    text = text_of(answers_from({**EL34, "link": kind, "time_column": "ms"}))
    text = re.sub(
        r'^parity = "even".*', 'parity = "none"', text, flags=re.MULTILINE
    )  # a pseudo-terminal has no parity
    known = parse(text)
    port = tmp_path / "daq"
    terminal = Terminal(amp, port, link=kind, speed=0.0, minutes=0.5)
    thread = threading.Thread(target=terminal.run, name="simulated board")
    thread.start()
    clock = SystemClock()
    give_up_s = clock.monotonic_s() + 30
    events: list[object] = []
    try:
        while not port.exists():
            assert clock.monotonic_s() < give_up_s
            clock.sleep(0.005)
        link = open_link(known, port=str(port), speed=0.0)
        link.start()
        try:
            while sum(len(event) for event in events if isinstance(event, ScanBlock)) < 20:
                assert clock.monotonic_s() < give_up_s, events
                events += link.take(0.02)
        finally:
            link.close()
    finally:
        terminal.stop()
        thread.join()
    (daq,) = [event.daq for event in events if isinstance(event, Connected)]
    assert len(daq.volts_per_count) == len(known.channel)
    scan = next(event for event in events if isinstance(event, ScanBlock))
    volts = scan.counts[0] * np.array(daq.volts_per_count)
    if kind != "modbus":  # its simulated registers count in steps of another range
        # the amp is cold: no current; the room's thermistor is half of 3.3 V at 25 degC
        assert abs(volts[:4]).max() < 0.001
        assert volts[known.index("ambient")] == pytest.approx(1.65, abs=0.2)


@pytest.mark.parametrize("kind", KINDS)
def test_the_limits_that_stand_as_comments_are_those_in_force(kind: str) -> None:
    text = text_of(answers_from({**EL34, "link": kind}))
    head, tail = text.split("[limits]")
    tail = re.sub(r"^# (?!pair_low|pair_high)", "", tail, flags=re.MULTILINE)
    assert tail.count("\nmatch_pct") == 1
    assert parse(f"{head}[limits]{tail}").digest == parse(text).digest


def test_every_key_that_stands_as_a_comment_is_a_key() -> None:
    text = text_of(answers_from({**EL34, "bias": "cathode", "valves": 1}))
    off = re.findall(r"^# (\w+) = ", text, flags=re.MULTILINE)
    assert {"primary_ohm", "cathode_V", "sockets", "side", "pair_low_mA"} <= set(off)
    whole = re.sub(r"^# (?=\w+ = |\[cutout)", "", text, flags=re.MULTILINE)
    setup = parse(whole)
    assert setup.armed
    assert setup.amp.cathode_V == 30
    assert setup.channel[0].sockets == ["V1"]


def test_the_divider_keeps_a_risen_ht_within_the_converters_supply() -> None:
    for ht_v in (50.0, 250.0, 455.0, 800.0, 2000.0):
        setup = parse(text_of(answers_from({**EL34, "ht_V": ht_v, "pairs": 1})))
        ((top, bottom),) = [channel.divider_ohm for channel in setup.channel if channel.divider_ohm]
        at_pin_v = 1.5 * ht_v * bottom / (top + bottom)
        assert 0.7 * 3.3 < at_pin_v <= 3.3  # an E12 step is 1.2, at most 1.23
    setup = parse(text_of(answers_from(EL34)))
    assert setup.channel[4].divider_ohm == [1_000_000, 4_700]  # as firmware_notes/wiring.md works it out


@pytest.mark.parametrize(("pairs", "said"), [(6, False), (7, True)])
def test_more_inputs_than_our_firmware_has_are_said(pairs: int, said: bool) -> None:
    text = text_of(answers_from({**EL34, "pairs": pairs}))  # two inputs a pair, four others
    assert ("# 18 inputs: more than the 16" in text) == said
    assert "inputs: more" not in text_of(answers_from({**EL34, "pairs": pairs, "link": "csv"}))


def test_a_valve_that_the_table_has_not_needs_its_rating(capsys: pytest.CaptureFixture[str]) -> None:
    assert soakbench.main(["new-setup", "--valve", "EL43", "--ht", "400"]) == 2
    said = capsys.readouterr().err
    assert "EL34" in said
    assert "--anode-watts" in said
    assert said.count("\n") == 1
    assert soakbench.main(["new-setup", "--valve", "X99", "--ht", "400", "--anode-watts", "18"]) == 0
    assert parse(capsys.readouterr().out).rating.anode_w == 18


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "needs --valve"),
        (["--valve", "EL34"], "needs --ht"),
        (["--valve", "EL34", "--ht", "5"], "ht_V: expected greater than or equal to 50"),
        (["--valve", "EL34", "--ht", "455", "--pairs", "17"], "pairs: expected less than or equal to 16"),
        (
            ["--valve", "EL34", "--ht", "455", "--link", "usb"],
            "link: expected 'lines', 'csv', 'modbus' or 'scpi'",
        ),
        (["--valve", "EL34", "--ht", "455", "--others", "ht, grid"], "others: expected 'ht', 'mains'"),
        (["--valve", "EL34", "--ht", "455", "--name", "a\nb"], "name: expected one line of text"),
    ],
)
def test_nonsense_in_an_option_is_one_sentence(
    arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert soakbench.main(["new-setup", *arguments]) == 2
    said = capsys.readouterr()
    assert says in said.err
    assert said.err.count("\n") == 1
    assert said.out == ""


def test_it_writes_a_file_that_check_likes_and_overwrites_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "theatre.toml"
    asked = ["new-setup", "--valve", "EL34", "--ht", "455", "--others", "none", "--out", str(file)]
    assert soakbench.main(asked) == 0
    assert soakbench.main(["check", str(file)]) == 0
    assert "no channel measures HT" in capsys.readouterr().err
    file.write_text("mine", encoding="utf-8")
    assert soakbench.main(asked) == 2
    assert "add --force" in capsys.readouterr().err
    assert file.read_text(encoding="utf-8") == "mine"
    assert soakbench.main([*asked, "--force"]) == 0
    assert parse(file.read_text(encoding="utf-8")).names == ["pair1", "pair2", "pair3", "pair4"]


def test_nonsense_is_asked_again_with_one_sentence_and_enter_takes_the_default() -> None:
    said: list[str] = []
    answers = iter(["", "EL43", "12", "", "", "", "lots", "", "455", "", "0", "3", "", "", "ht", "scpi"])
    asked: list[str] = []

    def ask(question: str) -> str | None:
        asked.append(question)
        return next(answers)

    known = ask_all({}, ask, said.append)
    assert next(answers, None) is None
    assert said == [
        "ht_V: expected a valid number, unable to parse string as a number, got 'lots'",
        "this one has no default: it must be answered",
        "pairs: expected greater than or equal to 1, got '0'",
    ]
    assert known == {
        "valve": "EL43",
        "anode_W": 12.0,
        "ht_V": 455.0,
        "pairs": 3,
        "others": ("ht",),
        "link": "scpi",
    }
    # a meter has no column of time to ask for
    assert len(asked) == len(new_setup.ASKED) - 1 + len(said)
    assert parse(text_of(answers_from(known))).names == ["pair1", "pair2", "pair3", "ht"]


def test_a_person_at_a_terminal_is_asked_and_the_file_goes_to_standard_output(tmp_path: Path) -> None:
    out = tmp_path / "out.toml"
    ours, theirs = os.openpty()
    command = [
        sys.executable,
        "-m",
        "soakbench",
        "new-setup",
        "--name",
        "Theatre PA 240 W",
        "--link",
        "lines",
    ]
    with out.open("wb") as stdout:
        ran = subprocess.Popen(command, stdin=theirs, stdout=stdout, stderr=theirs)
    os.close(theirs)
    answers = iter([b"EL34", b"heptode", b"", b"", b"", b"455", b"", b"2", b"", b"", b"none"])
    seen = b""
    while True:
        if not select.select([ours], [], [], 60)[0]:
            ran.kill()
            raise AssertionError(f"nothing more was asked after {seen!r}")
        try:
            part = os.read(ours, 4096)
        except OSError:  # the other end has gone
            break
        if not part:
            break
        seen += part
        if seen.endswith((b"]: ", b"EL34: ", b"in V: ")):
            os.write(ours, next(answers, b"") + b"\n")
    os.close(ours)
    assert ran.wait(60) == 0, seen
    assert b"soakbench: connection: expected 'pentode', 'ultralinear' or 'triode', got 'heptode'" in seen
    setup = parse(out.read_text(encoding="utf-8"))
    assert setup.amp.name == "Theatre PA 240 W"
    assert setup.names == ["pair1", "pair2"]
