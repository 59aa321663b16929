"""Does the stated uncertainty of a calibrated reading hold?

A simulated board with hidden gains, offsets, resistors, divider, transducer and sensors is calibrated as the
guided sequence does it, with instruments that are wrong within what they state. Then each channel reads a
known current, voltage or temperature for 60 s. What a calibration does not take away (warming, thermal emf)
is drawn from what the budget says of it. Goal: the 95 % interval of the 60 s mean holds in 93 to 97 %,
pooled over channels and seeds.

    python -m benchmarks.calibration_coverage [SEEDS]
"""

from __future__ import annotations

import math
import sys
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np

from benchmarks.lines import Line, estimate, show
from logger import calibrate
from logger.calibrate import Point, Resistor
from logger.convert import Calibration, Converter, terms, value_U
from logger.setup import Setup, parse
from logger.simulator.amplifier import PAIRS
from logger.simulator.calibration_bench import OHM_U, Applied, CalibrationBench

SEEDS = 1000
CALIBRATION_SCANS = 200
MEAN_SCANS = 600


def calibrated(bench: CalibrationBench, setup: Setup) -> Calibration:
    """Calibrate a board as the script of its bench says."""
    points = []
    for step in bench.steps:
        seen = calibrate.seen(bench.seen(step, CALIBRATION_SCANS), bench.info)
        for column in step.columns:
            name = setup.channel[column].name
            u = calibrate.SHORT_U_V if step.what == "short" else step.U / 2.0
            points.append(
                Point(step.what, name, step.reads, u, float(seen.mean[column]), float(seen.u[column]))  # type: ignore[arg-type]
            )
    ohms = enumerate(bench.resistors.tolist())
    resistors = [Resistor(setup.channel[pair].name, ohm, OHM_U / 2.0) for pair, ohm in ohms]
    found = calibrate.fit(setup, bench.info, points, resistors, date(2026, 3, 1))
    return Calibration(found.channels, board_id=bench.info.board_id)


@dataclass(frozen=True)
class Mean:
    """A 60 s mean of one channel: its error and stated U, and the same for the calibration's part alone."""

    channel: str
    error: float
    U: float
    part_error: float
    part_U: float


def one_board(seed: int) -> list[Mean]:
    """Calibrate a board and read each of its channels for 60 s, in the channel's unit."""
    bench = CalibrationBench(seed)
    setup = parse(bench.setup_text())
    calibration = calibrated(bench, setup)
    converter = Converter(setup, bench.info, calibration)
    rng = np.random.default_rng([seed, 60])
    pair_a = rng.uniform(0.06, 0.09, PAIRS)
    others = rng.uniform([430.0, 215.0, 25.0, 20.0], [480.0, 245.0, 60.0, 35.0])
    truth = np.concatenate([pair_a, others])
    pins = bench.daq.pin_volts(pair_a[np.newaxis], *(others[i : i + 1] for i in range(4)))[0]
    scans = bench.seen(Applied("", (), 0.0, 0.0, pins), MEAN_SCANS)
    common: dict[str, float] = {}
    out = []
    for column, channel in enumerate(setup.channel):
        counts = scans.counts[:, column].astype(np.float64)
        value = float(converter.values(column, counts.mean(keepdims=True))[0])
        scan_noise = float(converter.values(column, counts).std(ddof=1))
        noise_u = scan_noise / math.sqrt(MEAN_SCANS)
        part_error, part_u = value - float(truth[column]), [noise_u]
        left = terms(setup, bench.info, column, value, calibration, scan_noise=scan_noise)
        for term in left:
            if term.term.startswith("calibration"):
                part_u.append(term.contribution)
            else:
                size = rng.uniform(-1.0, 1.0) if term.distribution == "rectangular" else rng.standard_normal()
                if term.shared:  # one error of all pairs
                    size = common.setdefault(term.term, size)
                value += size * term.value * term.sensitivity
        U, _ = value_U(setup, bench.info, column, value, noise_u, calibration, scan_noise=scan_noise)
        error = value - float(truth[column])
        out.append(Mean(channel.name, error, U, part_error, 1.959964 * math.hypot(*part_u)))
    return out


def results(seeds: int = SEEDS) -> list[Line]:
    """Return the figures of `make bench`, and print every channel on standard error."""
    held: dict[str, list[bool]] = defaultdict(list)
    part_held: dict[str, list[bool]] = defaultdict(list)
    for seed in range(1, seeds + 1):
        for mean in one_board(seed):
            held[mean.channel].append(abs(mean.error) <= mean.U)
            part_held[mean.channel].append(abs(mean.part_error) <= mean.part_U)
    for name, hits in held.items():
        print(
            f"{name:8} {np.mean(hits):6.1%}, calibration alone {np.mean(part_held[name]):6.1%}",
            file=sys.stderr,
        )
    return [
        _figure("calibrated 60 s mean, coverage pooled over channels", held),
        _figure("calibrated 60 s mean, coverage of the calibration's part alone", part_held),
    ]


def _figure(name: str, held: Mapping[str, list[bool]]) -> Line:
    # boards are the sample: the channels of one share a reference
    by_board = np.array(list(held.values())).mean(axis=0)
    share, spread = float(by_board.mean()), float(by_board.std(ddof=1)) / math.sqrt(len(by_board))
    interval = (share - 1.96 * spread, share + 1.96 * spread)
    return estimate(name, share, "1", 0.93, "more", by_board.size * len(held), interval)


if __name__ == "__main__":
    show(results(int(sys.argv[1]) if len(sys.argv) > 1 else SEEDS))
