"""Slow movement that no simulator drew: open traces as one pair's own among quiet others.

Each is scaled so that its own scatter from sample to sample, where its source calls it quiet, is that of a
pair's minute means under flicker of a size that pairs have; one sample a minute, straight between them. What
the source labels quiet must raise nothing. The detectors were not fitted to any of them.
"""

from __future__ import annotations

import csv
import itertools
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger import setup as setups
from logger.blocks import FloatArray, TickBlock
from logger.finding import Finding, Kind, Severity
from logger.pipeline import Pipeline
from logger.settling import flicker_covariance
from logger.watch import runaway
from logger.watch.panel import tick_rows

DATA = Path(__file__).parent / "data"
IDLE_A = 0.076
LEAD_MIN = 40
"""Ordinary noise before the trace begins: warm-up, and what settles."""

FLICKER = {"typical": 0.09 / 76.0, "very noisy": 0.34 / 76.0}
"""Relative, rms from 1 s to 4.5 h: what pairs were seen to have at 76 mA."""

SETUP = """
schema = "soakbench.setup/1"
[amp]
name = "An amp"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
scans_per_s = 1
""" + "".join(
    f"""
[[channel]]
name = "pair{j + 1}"
measures = "pair current"
pin = [{2 * j}, {2 * j + 1}]
sense_ohm = 1.0
"""
    for j in range(4)
)


def column(name: str, header: str) -> FloatArray:
    """Read a column of a file of tests/data; NaN where it is empty."""
    with (DATA / name).open() as file:
        rows = csv.DictReader(itertools.islice(file, 1, None))
        return np.array([float(row[header] or "nan") for row in rows])


def scatter(samples: FloatArray) -> float:
    """Return the standard deviation of differences of neighbours, from their median absolute deviation."""
    steps = np.diff(samples)
    steps = steps[~np.isnan(steps)]
    return 1.4826 * float(np.median(np.abs(steps - np.median(steps))))


def scale(quiet: FloatArray, noise: str) -> float:
    """Return what makes a quiet stretch scatter as minute means of a pair with so much flicker do."""
    covariance = flicker_covariance(np.arange(2.0))
    minutes = FLICKER[noise] * float(np.sqrt(2.0 * (covariance[0, 0] - covariance[0, 1])))
    return minutes / scatter(quiet)


def wander(minutes: int, rms: float, rng: np.random.Generator) -> FloatArray:
    """Return noise about as red as flicker: first-order noises of 1 to 256 minutes, (minutes,)."""
    out = np.zeros(minutes)
    for tau_min in (1.0, 4.0, 16.0, 64.0, 256.0):
        keep = np.exp(-1.0 / tau_min)
        kicks = rng.standard_normal(minutes) * np.sqrt(1.0 - keep * keep)
        level = rng.standard_normal()
        for i, kick in enumerate(kicks):
            level = keep * level + kick
            out[i] += rms / np.sqrt(5.0) * level
    return out


def played(own: FloatArray, seed: int = 3) -> list[Finding]:
    """Play a movement of pair1, relative, by the minute, through the whole pipeline; NaN is not read."""
    rng = np.random.default_rng(seed)
    minutes = LEAD_MIN + len(own)
    relative = np.column_stack([wander(minutes, FLICKER["typical"], rng) for _ in range(4)])
    relative[:LEAD_MIN, 0] += own[0] - relative[LEAD_MIN - 1, 0]
    relative[LEAD_MIN:, 0] = own
    t_min = np.arange(60.0 * minutes) / 60.0
    seconds = np.empty((len(t_min), 4))
    for j in range(4):
        known = ~np.isnan(relative[:, j])
        seconds[:, j] = np.interp(t_min, np.flatnonzero(known), relative[known, j])
        seconds[~known[t_min.astype(int)], j] = np.nan
    mean = IDLE_A * (1.0 + seconds + 2e-4 * rng.standard_normal(seconds.shape))
    n = len(mean)
    ticks = TickBlock(
        np.arange(n),
        np.arange(1.0, n + 1.0),
        (mean == mean).astype(np.int32),
        mean,
        mean,
        mean,
        np.zeros(mean.shape, dtype=np.int32),
    )
    plan = f'[plan]\nsteps = [{{step = "warm-up", minutes = 30}}, {{step = "soak", minutes = {minutes}}}]\n'
    pipeline = Pipeline(setups.parse(SETUP + plan))
    for start in range(0, n, 600):
        pipeline.feed(tick_rows(ticks, start, min(start + 600, n)))
    pipeline.finish()
    return pipeline.findings


def told(findings: list[Finding]) -> list[tuple[str, str | None, float, str]]:
    """Return warnings and trips, minutes since the trace began."""
    return [
        (f.kind.value, f.channel, round(f.raised_s / 60.0 - LEAD_MIN, 1), f.says)
        for f in findings
        if f.severity is not Severity.REMARK
    ]


NILE = column("nile_annual_flow.csv", "volume")
BEAVER, ACTIVE = column("beaver_temperature.csv", "temp"), column("beaver_temperature.csv", "active")
PV, SHIFT = column("pv_daily_shift.csv", "value"), column("pv_daily_shift.csv", "label")
ROOM = column("room_temperature.csv", "temp")
WATER = column("water_flow.csv", "l_per_s")
CO2 = column("co2_mauna_loa.csv", "ppm")

STEADY = {
    "Nile to 1898": NILE[:28],
    "Nile from 1899": NILE[28:],
    "beaver at rest": BEAVER[5:38],  # the first five are left out by the source's own example too
    "beaver active": BEAVER[44:],  # an hour after it began, when it is warm
    "photovoltaic before the shift": PV[:300],
    "photovoltaic after the shift": PV[300:900],
    "water before the first low": WATER[:90],
}
CYCLES = {  # the day's, which is a minute's scatter many times over: a swing of 24 minutes here
    "water between two lows": WATER[118:205],
    "water between low and peak": WATER[232:325],
    "water after the peak": WATER[335:820],
    "CO2 from 1958, with holes": CO2[:420],
    "CO2 from 1980": CO2[1100:1500],
}
LONG = (  # seven hours and more; each of these traces is played once in every run, the other ways at night
    ("CO2 from 1958, with holes", "typical"),
    ("photovoltaic after the shift", "very noisy"),
    ("water after the peak", "typical"),
    ("CO2 from 1980", "moving"),
)


def at_night(*case: str) -> Any:
    """Return a case as parametrize takes it; one that is LONG only in the long form."""
    name, *more = case
    marks = [pytest.mark.nightly] if (name, *(more or ["moving"])) in LONG else []
    return pytest.param(*case, marks=marks)


MOVING = {"room, warming": ROOM[54:91], "room, cooling": ROOM[182:233]}


@pytest.mark.parametrize(
    ("stretch", "noise"),
    [
        at_night(*case)
        for case in (
            *itertools.product([*STEADY, *CYCLES], ["typical"]),
            *itertools.product(STEADY, ["very noisy"]),
        )
    ],
)
def test_nothing_is_raised_where_a_real_trace_is_quiet(stretch: str, noise: str) -> None:
    samples = (STEADY | CYCLES)[stretch]
    own = scale(samples, noise) * (samples - np.nanmedian(samples))

    assert told(played(own)) == []


@pytest.mark.parametrize("stretch", [at_night(name) for name in CYCLES | MOVING])
def test_what_moves_by_itself_is_blamed_on_its_own_pair_and_never_trips(stretch: str) -> None:
    """At the largest scale: the cycles rise and fall by several times the drift limit, the room does too."""
    samples = (CYCLES | MOVING)[stretch]
    own = scale(samples, "very noisy") * (samples - np.nanmedian(samples))

    findings = [f for f in played(own) if f.severity is not Severity.REMARK]

    assert {f.channel for f in findings} <= {"pair1"}
    assert {f.kind for f in findings} <= {Kind.DRIFT, Kind.MISMATCH, Kind.RUNAWAY, Kind.UNSETTLED}
    assert all(f.severity is Severity.WARNING for f in findings)


@pytest.mark.parametrize("noise", FLICKER)
def test_a_beavers_going_out_is_called_within_a_quarter_of_an_hour_and_not_before(noise: str) -> None:
    """It warms by eight times the scatter of a sample within an hour, which is six minutes here."""
    samples = BEAVER[5:]
    own = scale(BEAVER[5:38], noise) * (samples - np.median(samples))
    out = int(np.flatnonzero(ACTIVE)[0])

    findings = [f for f in played(own) if f.severity is not Severity.REMARK]

    assert {f.channel for f in findings} == {"pair1"}
    assert out <= 5 + min(f.raised_s for f in findings) / 60.0 - LEAD_MIN <= out + 15


@pytest.mark.parametrize(
    ("samples", "last_before", "within"),
    [(NILE, 27, 0), (PV[200:400], 99, 0), (BEAVER, 37, 7)],
    ids=["Nile, Cobb: after 1898", "photovoltaic, labelled", "beaver, flag: it warms for an hour"],
)
def test_the_ramp_that_explains_a_trace_best_is_its_labelled_step(
    samples: FloatArray, last_before: int, within: int
) -> None:
    """What the runaway finding holds against growth: level, drift and a ramp, by generalised least squares.

    ruptures 1.1.10 puts the single change of level after the 28th value of Nile and the 35th of the beaver.
    """
    points = len(samples)
    model = runaway._model(960.0, points, 1, 240.0, 2.0**-10, 0.05)
    rest = model.clear @ samples
    shapes = runaway._ramps(points) @ model.clear.T
    sizes = np.sqrt((shapes * shapes).sum(axis=1))
    explained = np.where(sizes > 1e-6 * sizes.max(), (shapes @ rest) / np.maximum(sizes, 1e-300), 0.0) ** 2
    first, last = (int(ends[explained.argmax()]) for ends in np.triu_indices(points, 1))

    assert float(np.max((model.ramps @ rest) ** 2)) == pytest.approx(explained.max(), rel=1e-9)
    assert explained.max() > float(model.growth @ rest) ** 2
    assert first <= last_before < last
    assert max(last_before - first, last - last_before - 1) <= within


def test_an_oscillators_slow_drift_raises_nothing_or_is_called_drift_where_it_is_large() -> None:
    """allantools 2024.6 has it in its source archive only (LGPL): tests/ocxo/ocxo_frequency.txt."""
    path = os.environ.get("SOAKBENCH_OCXO", "")
    if not Path(path).is_file():
        pytest.skip("no trace: `make traces` fetches it, and SOAKBENCH_OCXO names its file")
    hertz = np.loadtxt(path)
    minutes = hertz[: len(hertz) // 60 * 60].reshape(-1, 60).mean(axis=1)
    own = minutes - np.median(minutes)

    assert told(played(scale(minutes, "typical") * own)) == []
    assert {what[:2] for what in told(played(scale(minutes, "very noisy") * own))} <= {("drift", "pair1")}
