"""Checks before power: a healthy bench is fine, and what is wrong with one is named on the right line."""

from __future__ import annotations

import io
import sys
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache

import numpy as np
import pytest

from logger import cli, precheck
from logger.blocks import NO_READING, ScanBlock
from logger.errors import RequestError
from logger.precheck import BeforePower, Check, Facts, Load, parse_load
from logger.setup import Setup, parse
from logger.simulator.scenarios import Scenario, scenario

LOAD = Load(8.0, 8.0, 240.0)
FACTS = Facts(
    now=datetime(2026, 3, 1, 9, tzinfo=UTC),
    built=datetime(2026, 1, 1, tzinfo=UTC),
    disk_left_bytes=20_000_000_000,
    disk_needed_bytes=3_000_000.0,
    load=LOAD,
    last_soak=datetime(2026, 2, 27, tzinfo=UTC),
)


@cache
def bench(seed: int) -> tuple[Scenario, Setup, ScanBlock]:
    """Return a healthy bench and its first 40 s: mains on at 5 s, HT at 29 s."""
    played = scenario("healthy", seed)
    (block,) = played.scans(40.0, block_s=40.0)
    return played, parse(played.setup_text()), block


def made(block: ScanBlock, facts: Facts = FACTS, seed: int = 1, step: int = 37) -> dict[str, Check]:
    """Return the checks by name, the scans handed over in blocks of `step`."""
    played, setup, _ = bench(seed)
    before = BeforePower(setup, played.info, facts)
    found: list[Check] = []
    for i in range(0, len(block), step):
        part = ScanBlock(*(array[i : i + step] for array in (block.t_us, block.sequence, block.counts)))
        found += before.feed(part) or []
    found += before.finish() or []
    assert len({one.check for one in found}) == len(found)
    return {one.check: one for one in found}


def changed(block: ScanBlock, column: int, counts: np.ndarray | int) -> ScanBlock:
    new = block.counts.copy()
    new[:, column] = counts
    return ScanBlock(block.t_us, block.sequence, new)


@pytest.mark.parametrize("seed", range(1, 21))
def test_a_healthy_bench_is_fine_in_every_line(seed: int) -> None:
    found = made(bench(seed)[2], seed=seed)
    assert {one.check: one.line for one in found.values() if one.result != "fine"} == {}
    assert list(found) == [
        "load",
        "HT off",
        "channels",
        "zero current",
        "noise",
        "hum",
        "temperatures",
        "clock",
        "disk",
    ]
    assert all(one.do == "" for one in found.values())


@pytest.mark.parametrize("step", [1, 100, 10_000])
def test_blocks_of_any_length_give_the_same_lines(step: int) -> None:
    assert made(bench(1)[2], step=step) == made(bench(1)[2])


@pytest.mark.parametrize("seed", range(1, 6))
def test_a_zero_offset_is_odd_and_a_great_one_stops(seed: int) -> None:
    block = bench(seed)[2]
    odd = made(changed(block, 1, block.counts[:, 1] + 40), seed=seed)  # 0.3 mA: no match limit yet
    assert odd["zero current"].result == "odd"
    assert "pair2 reads 0.3" in odd["zero current"].says
    assert "pair1" not in odd["zero current"].says
    great = made(changed(block, 1, block.counts[:, 1] - 1000), seed=seed)
    assert great["zero current"].result == "stop"
    assert "STOP" in great["zero current"].line
    assert [one.check for one in great.values() if one.result != "fine"] == ["zero current"]


@pytest.mark.parametrize(
    ("counts", "says"), [(NO_READING, "pair3 gives no reading"), (32767, "pair3 is at full scale")]
)
def test_a_dead_channel_stops(counts: int, says: str) -> None:
    found = made(changed(bench(1)[2], 2, counts))
    assert (found["channels"].result, found["channels"].says) == ("stop", says)


def test_an_open_temperature_sensor_stops_and_a_stuck_channel_is_odd() -> None:
    open_ntc = made(changed(bench(1)[2], 6, round(3.3 / (4.096 / 32768))))
    assert open_ntc["channels"].says == "chassis reads like an open or shorted sensor"
    assert open_ntc["channels"].result == "stop"
    stuck = made(changed(bench(1)[2], 0, 0))
    assert stuck["channels"].result == "odd"
    assert "pair1 stood perfectly still" in stuck["channels"].says


@pytest.mark.parametrize("seed", range(1, 6))
@pytest.mark.parametrize("hertz", [0.13, 0.9, 4.3])
def test_hum_that_the_scan_rate_folds_down_is_odd_on_its_own_line(seed: int, hertz: float) -> None:
    block = bench(seed)[2]
    swing = np.rint(10.0 * np.sin(2 * np.pi * hertz * block.t_us / 1e6)).astype(np.int32)
    found = made(changed(block, 0, block.counts[:, 0] + swing), seed=seed)
    assert found["hum"].result == "odd"
    assert "pair1" in found["hum"].says
    assert "pair2" not in found["hum"].says
    assert abs(float(found["hum"].says.split(" at ")[1].split(" Hz")[0]) - hertz) < 0.05


def test_white_noise_alone_is_no_hum_but_odd_when_it_is_loud() -> None:
    block = bench(1)[2]
    rng = np.random.default_rng(3)
    loud = block.counts[:, 0] + np.rint(60.0 * rng.standard_normal(len(block))).astype(np.int32)
    found = made(changed(block, 0, loud))
    assert (found["noise"].result, found["hum"].result) == ("odd", "fine")
    assert "pair1" in found["noise"].says


def test_hum_is_called_where_there_is_none_once_in_a_thousand_benches_at_most() -> None:
    played, setup, block = bench(1)
    rng = np.random.default_rng(11)
    short = ScanBlock(block.t_us[:200], block.sequence[:200], block.counts[:200])
    called = 0
    for _ in range(300):
        counts = np.rint(3.0 * rng.standard_normal((200, 8))).astype(np.int32)
        counts[:, 4:] = short.counts[:, 4:]
        found = precheck.checks(setup, played.info, ScanBlock(short.t_us, short.sequence, counts), FACTS)
        called += any(one.check == "hum" and one.result != "fine" for one in found)
    assert called <= 2  # 1,200 spectra at a chance of 1e-4: 0.12 expected


def test_a_warm_chassis_is_odd_and_an_impossible_one_stops() -> None:
    block = bench(1)[2]
    warm = made(changed(block, 6, block.counts[:, 6] - 3500))
    assert warm["temperatures"].result == "odd"
    assert "chassis is +1" in warm["temperatures"].says
    cold = made(changed(block, 6, round(3.25 / (4.096 / 32768))))
    assert cold["temperatures"].result == "stop"


@pytest.mark.parametrize(
    ("left", "result"), [(10_000_000, "stop"), (300_000_000, "odd"), (600_000_000, "fine")]
)
def test_a_full_disk_stops(left: int, result: str) -> None:
    assert made(bench(1)[2], replace(FACTS, disk_left_bytes=left))["disk"].result == result


def test_a_clock_before_the_program_was_made_or_before_the_last_soak_is_odd() -> None:
    found = made(bench(1)[2], replace(FACTS, now=datetime(2000, 1, 1, tzinfo=UTC)))
    assert found["clock"].result == "odd"
    assert "before this program was made" in found["clock"].says
    found = made(bench(1)[2], replace(FACTS, now=datetime(2026, 2, 1, tzinfo=UTC)))
    assert "before the store's last soak (2026-02-27" in found["clock"].says


def test_a_load_is_what_a_person_says() -> None:
    assert parse_load("8 ohm on the 8 ohm tap, 240 W") == LOAD
    assert parse_load("3,9 Ω on the 4-ohm tap 100W") == Load(3.9, 4.0, 100.0)
    assert parse_load("none") is None
    for text in ("", "8 ohm", "0 ohm on the 8 ohm tap, 240 W", "a load"):
        with pytest.raises(RequestError, match="says no load"):
            parse_load(text)


def test_a_person_at_a_terminal_is_asked_for_the_load_until_the_answer_is_one(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(sys, "stdin", Terminal("a lamp\n8 ohm on the 8 ohm tap, 240 W\n\n"))
    assert cli.ask_load() == LOAD
    assert "'a lamp' says no load" in capsys.readouterr().err
    assert cli.ask_load() == "not said"
    monkeypatch.setattr(sys, "stdin", io.StringIO("8 ohm on the 8 ohm tap, 240 W\n"))
    assert cli.ask_load() == "not said"  # nobody is there


@pytest.mark.parametrize(
    ("load", "signal", "result"),
    [
        (LOAD, True, "fine"),
        (Load(8.0, 4.0, 200.0), True, "fine"),  # about five sixths of the power, no fault: common practice
        (Load(2.0, 8.0, 240.0), False, "odd"),
        (None, False, "odd"),
        ("not said", False, "odd"),
        (None, True, "stop"),
        ("not said", True, "stop"),
    ],
)
def test_without_a_load_no_signal(load: Load | None, signal: bool, result: str) -> None:
    played, setup, block = bench(1)
    if signal:
        text = played.setup_text().replace(
            '{step = "soak"', '{step = "signal", minutes = 5},\n  {step = "soak"'
        )
        setup = parse(text)
    facts = replace(FACTS, load=load)
    (found,) = [one for one in precheck.checks(setup, played.info, block, facts) if one.check == "load"]
    assert found.result == result
    assert ("No signal without a load" in found.do.capitalize()) == (not isinstance(load, Load))


def test_a_run_that_begins_hot_says_what_could_not_be_checked() -> None:
    block = bench(1)[2]
    late = ScanBlock(block.t_us[350:] - block.t_us[350], block.sequence[350:], block.counts[350:])
    found = made(late)
    assert list(found) == ["load", "HT off", "clock", "disk"]
    assert found["HT off"].result == "odd"
    assert "HT was there from the first scan" in found["HT off"].says


def test_ht_that_comes_early_ends_the_looking() -> None:
    block = bench(1)[2]
    from_20 = ScanBlock(block.t_us[200:] - block.t_us[200], block.sequence[200:], block.counts[200:])
    assert "zero current" in made(from_20)
    assert made(from_20)["zero current"].result == "fine"
    from_27 = ScanBlock(block.t_us[270:] - block.t_us[270], block.sequence[270:], block.counts[270:])
    assert "HT was there after" in made(from_27)["HT off"].says


def test_a_stop_before_enough_scans_came_says_so() -> None:
    block = bench(1)[2]
    short = ScanBlock(block.t_us[:30], block.sequence[:30], block.counts[:30])
    assert "only 3 s of scans came" in made(short)["HT off"].says


def test_without_an_ht_channel_currents_tell_that_it_began_hot() -> None:
    played, setup, block = bench(1)
    few = setup.model_copy(update={"channel": setup.channel[:4]})
    info = replace(
        played.info,
        volts_per_count=played.info.volts_per_count[:4],
        full_count=played.info.full_count[:4],
    )

    def first(scans: slice) -> dict[str, Check]:
        t_us = block.t_us[scans] - block.t_us[scans][0]
        part = ScanBlock(t_us, block.sequence[scans], block.counts[scans, :4])
        before = BeforePower(few, info, FACTS)
        return {one.check: one for one in before.feed(part) or before.finish() or []}

    assert "HT was there" in first(slice(350, None))["HT off"].says
    cold = first(slice(0, None))
    assert (cold["HT off"].result, cold["zero current"].result) == ("odd", "fine")


def test_the_worst_of_the_lines_is_told_of_those_made_and_those_stored() -> None:
    lines = [Check("a", "fine", ""), Check("b", "stop", "x"), Check("c", "odd", "y")]
    assert precheck.worst(lines) == "stop"
    assert precheck.worst([one.json() for one in lines[::2]]) == "odd"
    assert precheck.worst([]) == "fine"
