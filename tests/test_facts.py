"""What a practitioner knows of the trade, as checks. Each is common practice, no source.

Left for when there is something of ours to check it with: an amp of six pairs runs on with up to five locked
out; standby resets a lock-out, and a fault that persists locks the pair out again; an 8 ohm load on a 4 ohm
tap gives about five sixths of the rated power and is no fault.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from logger import setup as setups
from logger.blocks import ReadingBlock, ScanBlock
from logger.convert import Converter, daq_from_setup
from logger.pipeline import Pipeline
from logger.simulator.scenarios import scenario

HT_V = 455.0
SETUP = """
schema = "soakbench.setup/1"
[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
scans_per_s = 1
{channels}
[[channel]]
name = "ht"
measures = "HT"
divider_ohm = [1_000_000, 4_700]
[plan]
steps = [{{step = "warm-up", minutes = 30}}, {{step = "soak", minutes = 40}}]
[decision]
rule = "{rule}"
"""
PAIR = """
[[channel]]
name = "pair{number}"
measures = "pair current"
sense_ohm = 1.0
tolerance_pct = 0.1
"""


def setup_of(pairs: int, rule: str = "simple") -> setups.Setup:
    channels = "".join(PAIR.format(number=number + 1) for number in range(pairs))
    return setups.parse(SETUP.format(channels=channels, rule=rule))


def judged(*pairs_ma: float, rule: str = "simple") -> list[str]:
    """Judge a soak of pairs that idle at these currents; return what is said of each one's match."""
    setup = setup_of(len(pairs_ma), rule)
    n = 71 * 60
    rng = np.random.default_rng(1)
    values = np.tile([*(ma / 1e3 for ma in pairs_ma), HT_V], (n, 1))
    values[:, :-1] += 2e-5 * rng.standard_normal((n, len(pairs_ma)))
    t_us = np.arange(n, dtype=np.int64) * 1_000_000
    pipeline = Pipeline(setup)
    pipeline.feed(ReadingBlock(t_us, values, np.zeros(values.shape, dtype=np.int8)))
    pipeline.finish()
    channels: list[dict[str, Any]] = pipeline.verdict()["channels"][: len(pairs_ma)]
    return [channel["statements"]["from the others"] for channel in channels]


def test_50_mV_across_a_pairs_1_ohm_resistor_is_50_mA_of_that_pair() -> None:
    # common practice, no source
    setup = setup_of(2)
    daq = daq_from_setup(setup)
    counts = round(0.050 / daq.volts_per_count[0])
    scans = ScanBlock(
        np.array([0], dtype=np.int64),
        np.array([0], dtype=np.int64),
        np.array([[counts, 0, 0]], dtype=np.int32),
    )
    reading = Converter(setup, daq).readings(scans)
    assert reading.values[0, 0] == pytest.approx(0.050, abs=daq.volts_per_count[0])


def test_currents_within_1_to_2_mA_at_about_50_mA_are_a_close_match() -> None:
    # common practice, no source; the default match limit, 4 %
    assert judged(50.5, 50.5, 50.5, 51.5) == ["pass"] * 4
    assert judged(50.5, 50.5, 50.5, 52.5) == ["pass"] * 4
    assert judged(50.5, 52.5) == ["pass"] * 2
    assert judged(50.5, 50.5, 50.5, 52.0, rule="guard band") == ["pass"] * 4


def test_twice_that_is_no_match_and_too_little_is_as_wrong_as_too_much() -> None:
    # common practice, no source
    for rule in ("simple", "guard band"):
        assert judged(50.5, 50.5, 50.5, 54.5, rule=rule) == ["pass", "pass", "pass", "fail"]
    assert judged(50.5, 50.5, 50.5, 46.5) == ["pass", "pass", "pass", "fail"]
    assert judged(50.0, 54.0) == ["fail", "fail"]  # of two, nobody can say which


def test_after_half_an_hour_a_healthy_amp_is_settled_and_its_currents_are_believed() -> None:
    # common practice, no source: half an hour of running comes before the currents are believed
    settled = []
    for seed in range(1, 11):
        one = scenario("healthy", seed, soak_min=31.0)
        pipeline = Pipeline(setups.parse(one.setup_text(scans_per_s=1.0)), one.info)
        for block in one.scans(one.warm_at_s + 480.0, scans_per_s=1.0):
            pipeline.feed(block)
        assert pipeline.findings == []  # nobody is held to be unsettled
        pairs = pipeline.verdict()["channels"][:4]
        assert {pair["verdict"] for pair in pairs} == {None}  # and nothing is judged before it has soaked
        at_s = [pair["settled_at_s"] for pair in pairs]
        assert None not in at_s
        settled += [second <= one.warm_at_s + 60.0 for second in at_s]
    # "Settled" is said at 90 % confidence, so a few healthy pairs wait some minutes longer.
    assert sum(settled) >= 36
