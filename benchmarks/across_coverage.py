"""Do the intervals of `soakbench across` hold, and does it keep quiet where nothing is off?

Simulated shops with known truth: amps with valves of three batches whose mean currents differ, soaked on five
benches, of which one has a channel whose resistor is 2 % off. Some amps have one bias for all pairs; in the
others a technician sets each pair by what the bench reads, which hides that bench's errors. Some go on to
another bench untouched. Each batch has its settling time and its rate of early failures. The documents that
judge would have made are made up here, from these truths alone. Goals: 93 % of the intervals hold or more; in
shops where nothing is off at most 7 in 100 say that something is.

    python -m benchmarks.across_coverage [SHOPS]
"""

from __future__ import annotations

import json
import math
import sys
import tempfile
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import sqlalchemy as sa

from benchmarks.lines import Line, estimate, line, show
from logger import across, compare
from logger.blocks import DaqInfo
from logger.clock import ManualClock
from logger.differences import Error, Figure
from logger.jobs import Amp, BenchReading, Fitting, Job, State, Valve
from logger.pooling import polished
from logger.score.statistics import share_interval
from logger.setup import Setup, parse
from logger.store import schema
from logger.store.reader import Reader, Soak, to_us
from logger.store.writer import Writer

SHOPS: Final = 200
AMPS: Final = 40
PAIRS: Final = 4
BATCHES: Final = {"2024-11": 0.0, "2025-03": 0.04, "2025-06": -0.03}
"""By how much a batch draws more than the type, relative."""
SETTLES_MIN: Final = {"2024-11": 18.0, "2025-03": 24.0, "2025-06": 21.0}
FAILS_PER_H: Final = {"2024-11": 0.002, "2025-03": 0.02, "2025-06": 0.005}
BENCHES: Final = tuple(f"bench {k}" for k in range(1, 6))
PAIR_SPREAD: Final = 0.015
BATCH_IN_AMP: Final = 0.005
AMP_SPREAD: Final = 0.08
DAY_SPREAD: Final = 0.002
PARTS: Final = 0.001
OFF: Final = ("bench 4", "pair3")
OFF_BY: Final = 0.02
SEED: Final = 9041
_BEGAN: Final = datetime(2025, 1, 7, 9, tzinfo=UTC)
_MADE: Final[Any] = {"version": 1, "made": _BEGAN, "made_by": "the workshop"}


@dataclass
class Truth:
    """What is so in one shop: relative errors of channels, and of whole benches."""

    channels: dict[tuple[str, str], float] = field(default_factory=dict)
    benches: dict[str, float] = field(default_factory=dict)


@cache
def setup_text(amp: str, bench: str, adjust: str) -> str:
    channels = "".join(
        f'[[channel]]\nname = "pair{j + 1}"\nmeasures = "pair current"\npin = [{2 * j}, {2 * j + 1}]\n'
        f'sense_ohm = 1.0\ntolerance_pct = 0.1\nsockets = ["V{2 * j + 1}", "V{2 * j + 2}"]\n'
        for j in range(PAIRS)
    )
    return (
        f'schema = "soakbench.setup/1"\nbench.name = "{bench}"\n[amp]\nname = "{amp}"\nvalve = "EL34"\n'
        f'adjust = "{adjust}"\nnominal_ht_V = 455\n[link]\nkind = "lines"\nscans_per_s = 1\n{channels}'
        '[[channel]]\nname = "ht"\nmeasures = "HT"\npin = 8\ndivider_ohm = [1_000_000, 4_700]\n'
        '[plan]\nsteps = [{step = "warm-up", minutes = 30}, {step = "soak", minutes = 90}]\n'
    )


def shop(
    seed: int,
    *,
    amps: int = AMPS,
    off: Mapping[tuple[str, str], float] | None = None,
    bench_off: Mapping[str, float] | None = None,
    visits: int = 1,
    bias_read: bool = False,
) -> tuple[across.Shop, Truth, tuple[list[Soak], list[Job], list[Fitting]]]:
    """Return a shop as read from a store, its truth, and what it was put together from.

    `bias_read`: each pair of each amp is set by itself, and its bias volts were read by hand.
    """
    rng = np.random.default_rng([SEED, seed])
    truth = Truth()
    for bench in BENCHES:
        truth.benches[bench] = (bench_off or {}).get(bench, 0.0)
        for j in range(PAIRS):
            name = f"pair{j + 1}"
            part = PARTS * rng.uniform(-1, 1)
            truth.channels[bench, name] = (1 + part) * (1 + (off or {}).get((bench, name), 0.0)) - 1
    soaks: list[Soak] = []
    jobs: list[Job] = []
    fittings: list[Fitting] = []
    readings: list[BenchReading] = []
    for a in range(amps):
        _amp(a, rng, truth, visits, soaks, jobs, fittings, readings if bias_read else None)
    return across.assembled(soaks, jobs, fittings, readings), truth, (soaks, jobs, fittings)


def _amp(
    a: int,
    rng: np.random.Generator,
    truth: Truth,
    visits: int,
    soaks: list[Soak],
    jobs: list[Job],
    fittings: list[Fitting],
    readings: list[BenchReading] | None,
) -> None:
    name = f"Theatre PA 240 W, no. {a + 1}"
    kept = Amp(
        id=a + 1, uuid=f"amp-{a + 1}", name=name, serial=f"{a + 1:03}", notes="", rated_w=240.0, **_MADE
    )
    begun = _BEGAN + timedelta(days=float(rng.uniform(0, 300)))
    shared = rng.random() < 0.6 and readings is None
    mixed = rng.choice(list(BATCHES), 2, replace=False)
    batches = [str(mixed[0 if rng.random() < 0.5 else 1]) for _ in range(PAIRS)]
    in_amp = {batch: rng.normal(0.0, BATCH_IN_AMP) for batch in BATCHES}
    level = 0.076 * np.exp(rng.normal(0.0, AMP_SPREAD))
    for j, batch in enumerate(batches):
        for socket in (2 * j + 1, 2 * j + 2):
            number = 2 * PAIRS * a + socket
            valve = Valve(
                id=number, uuid=f"valve-{number}", label=f"bag {number}", type="EL34", batch=batch,
                seller_a=None, seller_s=None, seller_note="", notes="", **_MADE,
            )  # fmt: skip
            fittings.append(
                Fitting(
                    id=number, amp_id=a + 1, valve_id=number, socket=f"V{socket}", how="fitted",
                    fitted=begun - timedelta(hours=1), removed=None, why_removed="", job_id=a + 1,
                    out_job_id=None, valve=valve, amp=name, **_MADE,
                )
            )  # fmt: skip
    own = np.array([BATCHES[b] + in_amp[b] + rng.normal(0.0, PAIR_SPREAD) for b in batches])
    settles = [SETTLES_MIN[b] * np.exp(rng.normal(0.0, 0.1)) for b in batches]
    slow = float(np.exp(rng.normal(0.0, 0.1)))
    fails_h = [float(rng.exponential(1.0 / FAILS_PER_H[b])) for b in batches]
    first = str(rng.choice(BENCHES))
    used_h = 0.0
    true_log = np.log(level) + own
    for visit in range(visits):
        job = Job(
            id=len(jobs) + 1, uuid=f"job-{len(jobs)}", amp=kept, customer="", complaint="", shows=(),
            condition="", state=State.READY, received=begun, closed=None, **_MADE,
        )  # fmt: skip
        jobs.append(job)
        stays = [(first, "as left")]
        if rng.random() < 0.6:  # it goes on to another bench, and nothing is touched
            stays.append((str(rng.choice([one for one in BENCHES if one != first])), "as found"))
        started = begun + timedelta(days=365.25 * visit)
        for bench, kind in stays:
            errors = np.array([truth.channels[bench, f"pair{j + 1}"] for j in range(PAIRS)])
            reads = np.log1p(errors) + np.log1p(truth.benches[bench])
            day = rng.normal(0.0, DAY_SPREAD)  # of all pairs: mains, HT, room
            if not shared and kind == "as left" and visit == 0:
                # each pair is set until the bench reads the same of all
                true_log = np.log(level) + rng.normal(0.0, 0.003, PAIRS) - reads
                if readings is not None:
                    # what the pair would draw more than it was set to was taken off by more bias
                    bias_v = -38.0 * np.exp((np.log(level) + own - true_log) / compare.BIAS_GAIN)
                    readings += [_read(job.id, f"V{2 * j + 1}", float(bias_v[j])) for j in range(PAIRS)]
            read_a = np.exp(true_log + reads + day + rng.normal(0.0, DAY_SPREAD, PAIRS))
            settled = [slow * one if used_h == 0.0 else 0.8 * one for one in settles]
            soaks.append(
                _soak(len(soaks) + 1, job.id, name, bench, kind, started, shared, read_a, settled,
                      [one - used_h for one in fails_h])
            )  # fmt: skip
            used_h += 2.0
            started += timedelta(days=float(rng.uniform(1, 9)))


def _read(job: int, place: str, volts: float) -> BenchReading:
    return BenchReading(
        id=job, job_id=job, taken=_BEGAN, stage="as left", quantity="bias", place=place, value=volts,
        unit="V",
        uncertainty=0.1, instrument="", load_ohm=None, tap_ohm=None, weighting="", bandwidth="", least=None,
        most=None, limit_source="", note="", **_MADE,
    )  # fmt: skip


def _soak(
    number: int,
    job: int,
    amp: str,
    bench: str,
    kind: str,
    started: datetime,
    shared: bool,
    read_a: Any,
    settled_min: list[float],
    fails_in_h: list[float],
) -> Soak:
    mA = 1e3 * read_a
    middle = float(np.median(mA))
    text = setup_text(amp, bench, "one for all" if shared else "each pair")
    channels = [
        {
            "name": f"pair{j + 1}",
            "label": f"pair{j + 1} (V{2 * j + 1}/V{2 * j + 2})",
            "measures": "pair current",
            "verdict": "pass",
            "statements": {},
            "settled_at_s": 10.0 + 60.0 * settled_min[j],
            "settled_mA": float(mA[j]),
            "expanded_uncertainty_mA": 0.4,
            "coverage_factor": 1.7,
            "from_others_mA": float(mA[j]) - middle,
            "from_others_expanded_uncertainty_mA": 0.2,
            "drift_mA_per_h": None,
            "drift_interval_mA_per_h": None,
            "dissipation_pct": 65.0 * float(mA[j]) / 76.0,
            "dissipation_expanded_uncertainty_pct": 2.0,
        }
        for j in range(len(mA))
    ]
    findings = [
        {
            "id": 1 + j, "under": None, "kind": "runaway", "channel": f"pair{j + 1}",
            "channels": [f"pair{j + 1}"], "onset_s": 10.0 + 3600.0 * left, "raised_s": 10.0 + 3600.0 * left,
            "cleared_s": None, "severity": "trip", "says": "", "acknowledged_s": None,
        }
        for j, left in enumerate(fails_in_h)
        if 0.0 <= left < 2.0
    ]  # fmt: skip
    verdict: dict[str, Any] = {
        "schema": "soakbench.judge/1",
        "soak": {
            "verdict": "pass",
            "duration_s": 7210.0,
            "says": "",
            "began_hot": False,
            "conditions": {"mains_V": None, "ht_V": 455.0, "ambient_C": None},
            "steps": [{"step": "warm-up", "from_s": 10.0, "to_s": 1810.0},
                      {"step": "soak", "from_s": 1810.0, "to_s": 7210.0}],
            "states": [{"state": "off", "from_s": 0.0}, {"state": "warming", "from_s": 10.0},
                       {"state": "soaking", "from_s": 1810.0}],
        },
        "channels": channels,
        "findings": findings,
    }  # fmt: skip
    steps = (0.256 / 2**15,) * PAIRS + (4.096 / 2**15,)
    return Soak(
        id=number, uuid=f"soak-{number}", bench=bench, amp=amp, kind=kind, setup_text=text, setup_digest="",
        daq=DaqInfo(f"board of {bench}", 1, steps, (32767,) * (PAIRS + 1)), program="", started=started,
        ended=started + timedelta(seconds=7210), how="finished", now=None, verdict=verdict, scans=7210,
        last_t_us=7_210_000_000, job_id=job,
    )  # fmt: skip


@cache
def _parsed(text: str) -> Setup:
    return parse(text)


def stored(path: Path, soaks: list[Soak], jobs: list[Job], fittings: list[Fitting]) -> Path:
    """Write a shop into a store, in one transaction: without scans, which nothing here looks at."""
    with Writer(path, ManualClock(_BEGAN)):
        pass
    kept = {"made_us": 0, "made_by": "the workshop", "version": 1}
    rows: dict[sa.Table, list[dict[str, Any]]] = {
        schema.amp: [
            kept
            | {"id": a.id, "uuid": a.uuid, "name": a.name, "serial": a.serial, "notes": "", "rated_w": None}
            for a in {job.amp.id: job.amp for job in jobs}.values()
        ],
        schema.job: [
            kept
            | {"id": j.id, "uuid": j.uuid, "amp_id": j.amp.id, "customer": "", "complaint": "", "shows": "",
               "condition": "", "state": "ready", "received_us": to_us(j.received), "closed_us": None}
            for j in jobs
        ],
        schema.valve: [
            kept
            | {"id": f.valve.id, "uuid": f.valve.uuid, "label": f.valve.label, "type": f.valve.type,
               "batch": f.valve.batch, "seller_a": None, "seller_s": None, "seller_note": "", "notes": ""}
            for f in fittings
        ],
        schema.fitting: [
            kept
            | {"id": f.id, "amp_id": f.amp_id, "valve_id": f.valve_id, "socket": f.socket, "how": f.how,
               "fitted_us": to_us(f.fitted), "removed_us": None, "why_removed": "", "job_id": f.job_id,
               "out_job_id": None}
            for f in fittings
        ],
        schema.soak: [
            {"id": s.id, "uuid": s.uuid, "bench": s.bench, "amp": s.amp, "kind": s.kind, "setup_digest": "",
             "daq": json.dumps(asdict(s.daq)), "program": "", "started_us": to_us(s.started),
             "ended_us": to_us(s.ended or s.started), "how": s.how, "scans": s.scans,
             "last_t_us": s.last_t_us, "verdict": json.dumps(s.verdict), "setup_text": s.setup_text,
             "job_id": s.job_id}
            for s in soaks
        ],
        schema.channel: [
            {"soak_id": s.id, "channel": at, "name": c.name, "measures": c.measures, "unit": c.unit,
             "volts_per_count": s.daq.volts_per_count[at], "full_count": 32767, "factor": None,
             "offset": None}
            for s in soaks
            for at, c in enumerate(_parsed(s.setup_text).channel)
        ],
    }  # fmt: skip
    engine = sa.create_engine(f"sqlite:///{path}")
    with engine.begin() as connection:
        for table, ones in rows.items():
            if ones:
                connection.execute(sa.insert(table), ones)
    engine.dispose()
    return path


# ---- what is counted


def batches_held(found: Mapping[str, Any]) -> list[bool]:
    """Return of each batch whether the interval of its current holds the truth."""
    rows = [one for one in found["types"][0]["batches"] if one["current"] is not None]
    middle = np.mean([BATCHES[row["batch"]] for row in rows]) if rows else 0.0
    out = []
    for row in rows:
        low, high = row["current"]["interval_pct"]
        out.append(bool(low <= 100.0 * np.expm1(BATCHES[row["batch"]] - middle) <= high))
    return out


def settling_held(found: Mapping[str, Any]) -> list[bool]:
    """Return of each batch whether the interval of its mean settling time holds the truth."""
    out = []
    for row in found["types"][0]["batches"]:
        if row["settling"] is not None:
            low, high = row["settling"]["interval_min"]
            out.append(
                bool(low <= SETTLES_MIN[row["batch"]] * np.exp(0.1**2) <= high)
            )  # two lognormal spreads
    return out


def failures_held(found: Mapping[str, Any]) -> list[bool]:
    out = []
    for row in found["types"][0]["batches"]:
        if row["failures"] is not None:
            low, high = row["failures"]["interval_per_1000_h"]
            out.append(low <= 1000.0 * FAILS_PER_H[row["batch"]] <= high)
    return out


def channels_held(found: Mapping[str, Any], truth: Truth) -> list[tuple[tuple[str, str], bool, bool]]:
    """Return of each channel with a figure: which, whether its interval holds, whether it is called off."""
    rows = [(bench["bench"], row) for bench in found["benches"] for row in bench["channels"]]
    rows = [(bench, row) for bench, row in rows if row["offset"] is not None]
    keys = [(bench, row["channel"]) for bench, row in rows]
    errors = np.array([[np.log1p(truth.channels[key]) for key in keys]])
    groups = [
        [at for at, key in enumerate(keys) if key[part] == name]
        for part in (0, 1)
        for name in dict.fromkeys(key[part] for key in keys)
    ]
    true = polished(errors, groups, np.abs(errors[0]) > 0.5 * OFF_BY)[0] if keys else []
    out = []
    for key, (_, row), error in zip(keys, rows, true, strict=True):
        low, high = row["offset"]["interval_pct"]
        out.append((key, bool(low <= 100.0 * np.expm1(error) <= high), row["offset"]["off"]))
    return out


def benches_held(found: Mapping[str, Any], truth: Truth) -> list[tuple[str, bool, bool]]:
    """Return of each whole bench with a figure: which, whether its interval holds, whether it is called off.

    A bench is the mean of its channels, without that which is off by itself.
    """
    rows = [one for one in found["benches"] if one["whole"] is not None]
    middles = {
        row["bench"]: truth.benches[row["bench"]]
        + np.mean(
            [e for (bench, _), e in truth.channels.items() if bench == row["bench"] and abs(e) < 0.5 * OFF_BY]
        )
        for row in rows
    }
    middle = (np.mean if len(rows) == 2 else np.median)(list(middles.values())) if rows else 0.0
    out = []
    for row in rows:
        low, high = row["whole"]["interval_pct"]
        true = 100.0 * ((1 + middles[row["bench"]]) / (1 + middle) - 1)
        out.append((row["bench"], bool(low <= true <= high), row["whole"]["off"]))
    return out


def slope_held(seed: int) -> list[bool]:
    """Return of amps that age whether the interval of their slope holds the truth: from 3 to 8 visits.

    What the resistor is wrong by is the same at all visits; what a day adds is partly known (warming, noise),
    partly not (mains, room).
    """
    rng = np.random.default_rng([SEED, 7, seed])
    out = []
    for visits in range(across.LEAST_VISITS, 9):
        true = rng.normal(0.0, 2.0)
        lasting_mA, known_mA, unknown_mA = 0.4, 0.15, 0.3 * rng.random()
        resistor = rng.uniform(-lasting_mA, lasting_mA)
        since = []
        for visit in range(visits):
            years = visit + rng.uniform(-0.3, 0.3)
            mA = 76.0 + true * years + resistor + rng.normal(0.0, math.hypot(known_mA, unknown_mA))
            errors = (Error(("resistor",), lasting_mA / 1e3, False), Error((f"{visit}",), known_mA / 1e3))
            since.append((_BEGAN + timedelta(days=365.25 * years), Figure(mA / 1e3, errors), None))
        found = across.slope(since)
        assert found is not None
        low, high = found["interval_mA_per_year"]
        out.append(bool(low <= true <= high))
    return out


def results(shops: int = SHOPS) -> list[Line]:
    """Return how often intervals hold, how often the fault is named, and how often nothing is called off."""
    held: dict[str, list[bool]] = {}
    named: list[bool] = []
    named_alone: list[bool] = []
    wrong: list[float] = []
    quiet: list[bool] = []
    for seed in range(shops):
        of, truth, (soaks, *others) = shop(seed, off={OFF: OFF_BY})
        at_home = across.assembled([one for one in soaks if one.kind == "as left"], *others, [])
        alone = channels_held(across.benches(at_home), truth)
        held.setdefault("channel of a bench, no amp moved", []).extend(ok for _, ok, _ in alone)
        named_alone.append(any(off for key, _, off in alone if key == OFF))
        by_valves, by_bench = across.valves(of), across.benches(of)
        held.setdefault("current of a batch", []).extend(batches_held(by_valves))
        held.setdefault("settling time of a batch", []).extend(settling_held(by_valves))
        held.setdefault("early failures of a batch", []).extend(failures_held(by_valves))
        channels = channels_held(by_bench, truth)
        held.setdefault("channel of a bench", []).extend(ok for _, ok, _ in channels)
        held.setdefault("the channel that is off", []).extend(ok for key, ok, _ in channels if key == OFF)
        whole = benches_held(by_bench, truth)
        held.setdefault("whole bench", []).extend(ok for _, ok, _ in whole)
        named.append(any(off for key, _, off in channels if key == OFF))
        called = [key for key, _, off in channels if off] + [key for key, _, off in whole if off]
        wrong.append(sum(key != OFF for key in called) / max(len(called), 1))
        by_bias, _, _ = shop(seed + 200_000, bias_read=True)
        held.setdefault("current of a batch, by bias volts", []).extend(batches_held(across.valves(by_bias)))
        held.setdefault("slope of a pair over visits", []).extend(slope_held(seed))
        of, truth, _ = shop(seed + 100_000)
        by_bench = across.benches(of)
        quiet.append(
            any(off for _, _, off in channels_held(by_bench, truth))
            or any(off for _, _, off in benches_held(by_bench, truth))
        )
    out = [_share(f"across, {what}: 95 % interval holds", ones, 0.93, "more") for what, ones in held.items()]
    out.append(_share(f"across, a channel {100 * OFF_BY:g} % off is named", named, 0.95, "more"))
    out.append(_share("across, the same where no amp moved to another bench", named_alone, None, "more"))
    what = "across, share of what is called off that is not"
    out.append(estimate(what, float(np.mean(wrong)), "1", 0.07, "less", len(wrong)))
    out.append(_share("across, shops with nothing off where something is called off", quiet, 0.07, "less"))
    out.append(_speed())
    return out


def _speed() -> Line:
    """Measure the slowest command over a thousand soaks, from reading the store on, in processor seconds."""
    took = []
    with tempfile.TemporaryDirectory() as folder:
        _, _, (soaks, *others) = shop(1, amps=200, visits=4)
        store = stored(Path(folder) / "soak.db", soaks[:1000], *others)
        for document in (across.valves, across.benches):
            began = time.process_time()
            document(across.shop(Reader(store)))
            took.append(time.process_time() - began)
    name = "across, 1,000 soaks: read and worked out, the slower of valves and benches, processor seconds"
    return line(name, "s", 2.0, [max(took)])


def _share(name: str, ones: list[bool], goal: float | None, better: str) -> Line:
    share = sum(ones) / max(len(ones), 1)
    return estimate(name, share, "1", goal, better, len(ones), share_interval(sum(ones), len(ones)))


if __name__ == "__main__":
    show(results(int(sys.argv[1]) if len(sys.argv) > 1 else SHOPS))
