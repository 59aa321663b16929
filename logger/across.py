"""What only many soaks can show: valves by type and batch, an amp over the years, benches beside each other.

Valves are compared within amps only, side by side at the same bias: what an amp, its HT and its room do to
all its pairs is then nobody's. A channel's resistor shows where many amps' pairs were read on it, and a bench
where amps went from one to another with nothing touched in between. Where a technician sets each pair by what
the bench reads, the bench's own error hides itself: such soaks say nothing of it, and are left out.

Each figure has a 95 % interval that takes in how amps scatter (`pooling.py`); where there is too little to
give one, that is said in its place. `shop` reads a store; all else is pure.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger import compare, pooling
from logger.blocks import FloatArray
from logger.differences import NORMAL_95, Figure, by_source, weighted_U
from logger.errors import RequestError, SetupError
from logger.jobs import HEATED, BenchReading, Fitting, Job, by_number
from logger.score.statistics import rate_interval, share_interval
from logger.setup import Channel, Setup
from logger.store.reader import Reader, Soak
from logger.verdict import program_version

SCHEMA: Final = "soakbench.across/1"
EARLY_H: Final = 24.0
"""First hours of use in which a failure counts as early; common practice, no source."""
FAILS: Final = frozenset({"runaway", "drop-out", "intermittent", "over-current"})
"""Kinds of findings that, on a pair that can be named, are a failure of its valves or what holds them."""
_SPOILS: Final = FAILS | {"step change", "measuring fault"}
LEAST_AMPS: Final = 3
"""Amps behind a figure that has an interval: with fewer nobody can say how amps scatter."""
LEAST_VISITS: Final = 3
MOST_VISITS: Final = 24
MOST_DAYS_APART: Final = 31
"""So long a pair is taken to draw what it drew, if nobody touched it; common practice, no source."""
_YEAR: Final = timedelta(days=365.25)
_MINUTE: Final = 60.0


# ---- from a store


@dataclass(frozen=True)
class Shop:
    """All that is looked at: judged soaks, the oldest first, and what the job record says of their amps.

    `amp_of`: which amp a soak is of, by the soak's number; `names`: how an amp is called. `fittings`: which
    valves sat where, by amp. `readings`: by job.
    """

    soaks: tuple[Soak, ...]
    amp_of: Mapping[int, Any]
    names: Mapping[Any, str]
    fittings: Mapping[Any, tuple[Fitting, ...]] = field(default_factory=dict)
    readings: Mapping[int, tuple[BenchReading, ...]] = field(default_factory=dict)

    @cached_property
    def setups(self) -> dict[str, Setup | None]:
        """Each set-up by its text, None where this program can't read it: a later one's, perhaps."""
        out: dict[str, Setup | None] = {}
        for soak in self.soaks:
            if soak.setup_text not in out:
                try:
                    out[soak.setup_text] = soak.setup
                except SetupError:
                    out[soak.setup_text] = None
        return out

    @cached_property
    def seen(self) -> tuple[Seen, ...]:
        """Each pair of each soak that has a settled current."""
        out: list[Seen] = []
        for soak in self.soaks:
            setup = self.setups[soak.setup_text]
            if setup is not None:
                out += _seen(self, soak, setup)
        return tuple(out)

    def of_amp(self, amp: Any) -> list[Soak]:
        """Return an amp's soaks, the oldest first."""
        return [soak for soak in self.soaks if self.amp_of[soak.id] == amp]


def shop(reader: Reader) -> Shop:
    """Read a store or a collected database: every table once, whatever the number of soaks."""
    return assembled(reader.soaks(), reader.jobs(deleted=True), reader.fittings(), reader.bench_readings())


def assembled(
    soaks: Iterable[Soak], jobs: Iterable[Job], fittings: Iterable[Fitting], readings: Iterable[BenchReading]
) -> Shop:
    """Put together what was read; soaks that were not judged are left out.

    An amp is known by its number in the job record; two benches' records mean the same amp where its name and
    serial number are the same. A soak without a job is of the amp of its name, where only one has that name.
    """
    keys: dict[int, Any] = {}
    names: dict[Any, str] = {}
    job_amp: dict[int, Any] = {}
    for job in jobs:
        known = job.amp.name, job.amp.serial or job.amp.id
        keys[job.amp.id] = job_amp[job.id] = known
        names[known] = job.amp.label
    named: dict[str, set[Any]] = defaultdict(set)
    for known in keys.values():
        named[known[0]].add(known)
    amp_of: dict[int, Any] = {}
    judged = (one for one in soaks if one.ended is not None and "channels" in (one.verdict or {}))
    ordered = sorted(judged, key=lambda one: (one.started, one.id))
    for soak in ordered:
        found = job_amp.get(soak.job_id) if soak.job_id is not None else None
        alike = named.get(soak.amp, set())
        key: Any = found or (next(iter(alike)) if len(alike) == 1 else (soak.amp, None))
        amp_of[soak.id] = key
        names.setdefault(key, soak.amp)
    sat: dict[Any, list[Fitting]] = defaultdict(list)
    for fitting in fittings:
        if fitting.amp_id in keys:
            sat[keys[fitting.amp_id]].append(fitting)
    read: dict[int, list[BenchReading]] = defaultdict(list)
    for one in readings:
        read[one.job_id].append(one)
    return Shop(
        tuple(ordered),
        amp_of,
        names,
        {amp: tuple(ones) for amp, ones in sat.items()},
        {job: tuple(ones) for job, ones in read.items()},
    )


@dataclass(frozen=True)
class Seen:
    """One pair in one soak.

    `settled_a`: for the whole pair; `settled_min` since HT on, None where it did not settle. `valves`: their
    numbers in the job record, empty where not all are known; `batch`: of all of them, "" where it is not
    known or not one. `bias_v`: at its own grids. `spoilt`: a finding names it, so its current is no figure.
    """

    soak: Soak
    setup: Setup
    amp: Any
    channel: Channel
    told: Mapping[str, Any]
    settled_a: float
    settled_min: float | None
    valves: frozenset[int]
    new: bool
    type: str
    batch: str
    bias_v: float | None
    spoilt: bool

    @property
    def per_valve_mA(self) -> float:
        """The mean of its valves."""
        return 1e3 * self.settled_a / self.setup.valves_on(self.channel)

    @property
    def shared_bias(self) -> bool:
        """Whether one bias holds for all pairs of the amp, so that none was set by what the bench read."""
        return self.setup.amp.bias == "fixed" and self.setup.amp.adjust in ("one for all", "none")


def _seen(of: Shop, soak: Soak, setup: Setup) -> list[Seen]:
    judged = soak.verdict
    assert judged is not None
    amp = of.amp_of[soak.id]
    told = {one["name"]: one for one in judged["channels"]}
    steps = judged["soak"]["steps"]
    spoilt = _named(judged, _SPOILS)
    visit: compare.Visit | None = None
    if setup.amp.adjust not in ("one for all", "none"):
        visit = _visit(of, soak, setup)
    end = soak.started + timedelta(microseconds=soak.last_t_us or 0)
    sat = [
        one
        for one in of.fittings.get(amp, ())
        if one.fitted <= end and (one.removed is None or one.removed > end)
    ]
    out = []
    for channel in setup.pairs:
        one = told.get(channel.name, {})
        if one.get("settled_mA") is None or one["settled_mA"] <= 0.0:
            continue
        sockets = channel.sockets or [channel.name]
        fitted = [fitting for socket in sockets for fitting in sat if fitting.socket == socket]
        whole = len(fitted) == len(sockets)
        batches = {(fitting.valve.type.casefold(), fitting.valve.batch.casefold()) for fitting in fitted}
        bias = None if visit is None else compare.bias_figure(visit, channel.name)
        cold = bool(steps) and not judged["soak"].get("began_hot", False)
        at_s = one.get("settled_at_s")
        out.append(
            Seen(
                soak=soak,
                setup=setup,
                amp=amp,
                channel=channel,
                told=one,
                settled_a=one["settled_mA"] / 1e3,
                settled_min=(at_s - steps[0]["from_s"]) / _MINUTE if cold and at_s is not None else None,
                valves=frozenset(fitting.valve_id for fitting in fitted) if whole else frozenset(),
                new=whole and all(fitting.how == "fitted" for fitting in fitted),
                type=fitted[0].valve.type if whole else setup.amp.valve,
                batch=fitted[0].valve.batch if whole and len(batches) == 1 else "",
                bias_v=None if bias is None or not bias.value else bias.value,
                spoilt=channel.name in spoilt,
            )
        )
    return out


def _visit(of: Shop, soak: Soak, setup: Setup) -> compare.Visit:
    """Return a soak as far as its bias volts go; its curves were not read."""
    assert soak.verdict is not None
    nothing = np.empty(0)
    read = of.readings.get(soak.job_id, ()) if soak.job_id is not None else ()
    return compare.Visit(
        id=soak.id,
        uuid=soak.uuid,
        started=soak.started,
        kind=soak.kind,
        amp=soak.amp,
        setup=setup,
        daq=soak.daq,
        calibration=None,
        judged=soak.verdict,
        on_s=nothing,
        current_a=np.empty((0, len(setup.pairs))),
        ht_v=nothing,
        mains_v=nothing,
        bias_v=compare.read_by_hand(read, soak),
    )


def _named(judged: Mapping[str, Any], kinds: frozenset[str] | set[str]) -> dict[str, float]:
    """Return the pairs that findings of these kinds name, with the earliest onset, s."""
    out: dict[str, float] = {}
    for one in judged["findings"]:
        if one["kind"] in kinds and one["severity"] != "remark" and one["channel"] is not None:
            out[one["channel"]] = min(out.get(one["channel"], math.inf), one["onset_s"])
    return out


# ---- valves by type and batch


def valves(of: Shop, early_h: float = EARLY_H) -> dict[str, Any]:
    """Return the `soakbench.across/1` document of valves by type and batch."""
    if not early_h > 0.0:
        raise RequestError(f"--hours is how long a valve counts as new, above 0, not {early_h:g}")
    kinds: dict[str, str] = {}
    for one in of.seen:
        kinds.setdefault(one.type.casefold(), one.type)
    lives = _lives(of, early_h)
    types = [
        _type(name, [one for one in of.seen if one.type.casefold() == plain], lives)
        for plain, name in sorted(kinds.items())
    ]
    says = [text for one in types for text in _batches_say(one)]
    if not says:
        says = ["No batch can be held against another yet."]
    return {
        **_head(of, "valves"),
        "early_h": early_h,
        "types": types,
        "says": says,
        "notes": [
            "Currents are compared within amps only, where one bias holds for all pairs or each pair's bias "
            "volts were measured; one soak counts of each set of valves, and pairs of mixed batches do not",
            f"a failure is a finding that names the pair ({', '.join(sorted(FAILS))}) in the first "
            f"{early_h:g} h of use that soakbench saw, of valves that were fitted new; a socket or a "
            "resistor can cause it too",
        ],
    }


def _type(name: str, seen: Sequence[Seen], lives: Sequence[_Life]) -> dict[str, Any]:
    """Return one type's batches, "" for those of no known batch."""
    spelt: dict[str, str] = {}
    for one in seen:
        spelt.setdefault(one.batch.casefold(), one.batch)
    currents, spread, why = _currents(seen)
    batches = []
    for plain, batch in sorted(spelt.items(), key=lambda item: (not item[0], item[0])):
        ones = [one for one in seen if one.batch.casefold() == plain]
        batches.append(
            {
                "batch": batch or None,
                "amps": len({one.amp for one in ones}),
                "pairs": len({(one.amp, one.channel.name, one.valves) for one in ones}),
                "valve_mA": _typical([one.per_valve_mA for one in ones if not one.spoilt]),
                "current": currents.get(plain),
                "current_needs": None if plain in currents else why(plain),
                **_settling(ones),
                "failures": _failures([one for one in lives if one.of == (name.casefold(), plain)]),
            }
        )
    known = [batch["current"] for batch in batches if batch["current"] is not None]
    # against the mean of all: with two batches one and the same difference
    tests = known if len(known) > 2 else known[:1]
    believed = pooling.surprising([found["p"] for found in tests])
    for at, found in enumerate(known):
        found["differs"] = bool(believed[min(at, len(tests) - 1)])
    return {"type": name, "batches": batches, **spread}


def _amps(count: int) -> str:
    return f"{count} amp{'' if count == 1 else 's'}"


def _typical(values: Sequence[float]) -> float | None:
    return float(np.median(values)) if values else None


@dataclass(frozen=True)
class _Cell:
    """The pairs of one batch in one amp, at the same bias as the amp's others."""

    amp: Any
    batch: str
    y: float
    by_bias: float
    n: int


def _currents(
    seen: Sequence[Seen],
) -> tuple[dict[str, dict[str, Any]], dict[str, Any], Callable[[str], str]]:
    """Return how much each batch draws beside the others, how pairs scatter, and why one is missing.

    Relative to the mean of the batches that blocks join. Where pairs have bias volts of their own, each is
    brought to the mean of its amp's by `compare.BIAS_GAIN`, whose doubt is the same for all amps.
    """
    cells, squares, spare = _cells(seen)
    pair_variance = squares / spare if spare else 0.0
    amps = {cell.batch: 0 for cell in cells}
    for cell in cells:
        amps[cell.batch] += 1

    def why(batch: str) -> str:
        if not batch:
            return "its batch is not in the job record"
        beside = amps.get(batch, 0)
        if not beside:
            return "never beside another batch in one amp at the same bias"
        return (
            f"beside another batch in {beside} amp{'s' if beside > 1 else ''} only: {LEAST_AMPS} are needed"
        )

    good = [cell for cell in cells if amps[cell.batch] >= LEAST_AMPS]
    several = Counter(cell.amp for cell in good)
    good = [cell for cell in good if several[cell.amp] > 1]
    nothing: dict[str, Any] = {"pair_spread_pct": None, "amp_spread_pct": None}
    if spare:
        nothing["pair_spread_pct"] = 100.0 * math.sqrt(pair_variance)
    if not good:
        return {}, nothing, why
    y, tilt = (np.array([getattr(cell, name) for cell in good]) for name in ("y", "by_bias"))
    variance = np.array([pair_variance / cell.n for cell in good])
    blocks, names = [cell.amp for cell in good], [cell.batch for cell in good]
    batches, fit = pooling.side_by_side(blocks, names, y, variance)
    if fit.df < 1:
        return {}, nothing, why
    # the same weights: what a wrong gain does to each batch
    _, lean = pooling.side_by_side(blocks, names, tilt, variance + fit.tau2)
    gain_u = compare.BIAS_GAIN * compare.BIAS_GAIN_PCT / 100.0 / NORMAL_95
    out = {}
    for at, batch in enumerate(batches):
        beside = [other for k, other in enumerate(batches) if fit.part[k] == fit.part[at] and k != at]
        if not beside:
            continue
        u = math.hypot(fit.u(at), gain_u * float(lean.value[at]))
        half = fit.factor * u
        mine = [cell for cell in good if cell.batch == batch]
        out[batch] = {
            "amps": len(mine),
            "pairs": sum(cell.n for cell in mine),
            "beside": beside,
            **_pct(float(fit.value[at]), half),
            "p": _p(float(fit.value[at]), u, fit.df),
        }
    return out, {**nothing, "amp_spread_pct": 100.0 * math.sqrt(fit.tau2)}, why


def _cells(seen: Sequence[Seen]) -> tuple[list[_Cell], float, int]:
    """Return batches side by side in amps, and the squares and degrees of freedom of pairs about them.

    Of each amp the soaks with the most batches count, the first of equals, each set of valves once.
    """
    by_soak: dict[int, list[Seen]] = defaultdict(list)
    for one in seen:
        if one.batch and not one.spoilt and (one.shared_bias or one.bias_v is not None):
            by_soak[one.soak.id].append(one)
    order = sorted(by_soak.values(), key=lambda ones: -len({one.batch.casefold() for one in ones}))
    used: set[frozenset[int]] = set()
    cells, squares, spare = [], 0.0, 0
    for ones in order:
        sets = {one.valves for one in ones}
        if sets & used or len({one.batch.casefold() for one in ones}) < 2:
            continue
        used |= sets
        middle_v = float(np.mean([abs(one.bias_v) for one in ones if one.bias_v is not None] or [1.0]))
        by_batch: dict[str, list[tuple[float, float]]] = defaultdict(list)
        for one in ones:
            off = 0.0 if one.bias_v is None else math.log(abs(one.bias_v) / middle_v)
            y = math.log(one.per_valve_mA) + compare.BIAS_GAIN * off
            by_batch[one.batch.casefold()].append((y, off))
        for batch, rows in by_batch.items():
            y, off = (float(np.mean(column)) for column in zip(*rows, strict=True))
            squares += sum((row[0] - y) ** 2 for row in rows)
            spare += len(rows) - 1
            cells.append(_Cell((ones[0].amp, ones[0].soak.id), batch, y, off, len(rows)))
    return cells, squares, spare


def _settling(seen: Sequence[Seen]) -> dict[str, Any]:
    """Return a batch's settling time, from HT on, of the first cold soak of each set of valves."""
    first: dict[Any, Seen] = {}
    for one in seen:
        assert one.soak.verdict is not None
        if not one.soak.verdict["soak"].get("began_hot", False) and not one.spoilt:
            first.setdefault((one.amp, one.channel.name, one.valves), one)
    by_amp: dict[Any, list[float]] = defaultdict(list)
    for one in first.values():
        if one.settled_min is not None:
            by_amp[one.amp].append(one.settled_min)
    unsettled = sum(one.settled_min is None for one in first.values())
    amps = len(by_amp)
    if amps < LEAST_AMPS:
        need = f"{_amps(amps)} only: {LEAST_AMPS} are needed"
        return {"settling": None, "settling_needs": need}
    spare = sum(len(ones) - 1 for ones in by_amp.values())
    squares = sum(float(np.sum((np.array(ones) - np.mean(ones)) ** 2)) for ones in by_amp.values())
    variance = squares / spare if spare else 0.0
    fit = pooling.mean(
        [float(np.mean(ones)) for ones in by_amp.values()], [variance / len(ones) for ones in by_amp.values()]
    )
    value, half = float(fit.value[0]), fit.factor * fit.u(0)
    return {
        "settling": {
            "amps": amps,
            "pairs": sum(len(ones) for ones in by_amp.values()),
            "not_settled": unsettled,
            "mean_min": value,
            "interval_min": [max(0.0, value - half), value + half],
        },
        "settling_needs": None,
    }


@dataclass(frozen=True)
class _Life:
    """The first hours of one pair's valves: how long they were seen, and whether they failed in that time."""

    of: tuple[str, str]
    hours: float
    failed: bool


def _lives(of: Shop, early_h: float) -> list[_Life]:
    """Return the first hours of each set of valves that was fitted new."""
    used_s: dict[int, float] = defaultdict(float)
    found: dict[Any, tuple[Seen, float, bool]] = {}
    by_soak: dict[int, list[Seen]] = defaultdict(list)
    for one in of.seen:
        by_soak[one.soak.id].append(one)
    for soak in of.soaks:
        judged = soak.verdict
        assert judged is not None
        failed = _named(judged, FAILS)
        whole_s = _heated_s(judged, math.inf)
        for one in by_soak[soak.id]:
            if not one.new:
                continue
            key = (one.amp, one.channel.name, one.valves)
            _, hours, over = found.get(key, (one, 0.0, False))
            left_h = early_h - max(used_s[valve] for valve in one.valves) / 3600.0
            onset_s = failed.get(one.channel.name)
            if over or left_h <= 0.0:
                continue
            until_h = (whole_s if onset_s is None else _heated_s(judged, onset_s)) / 3600.0
            early = onset_s is not None and until_h <= left_h
            found[key] = (one, hours + min(until_h, left_h), early)
        for one in by_soak[soak.id]:
            for valve in one.valves:
                used_s[valve] += whole_s
    return [
        _Life((one.type.casefold(), one.batch.casefold()), hours, failed)
        for one, hours, failed in found.values()
    ]


def _heated_s(judged: Mapping[str, Any], until_s: float) -> float:
    """Return how long the valves were heated up to a time of the soak."""
    states = judged["soak"].get("states", [])
    end_s = min(until_s, judged["soak"]["duration_s"])
    ends = [one["from_s"] for one in states[1:]] + [math.inf]
    return math.fsum(
        max(0.0, min(to_s, end_s) - one["from_s"])
        for one, to_s in zip(states, ends, strict=True)
        if one["state"] in HEATED
    )


def _failures(lives: Sequence[_Life]) -> dict[str, Any] | None:
    """Return early failures: of how many pairs, and by hour of what was seen; None where none was fitted new.

    The rate by Garwood, the share by Clopper and Pearson (`score/statistics.py`).
    """
    hours = sum(one.hours for one in lives)
    if not lives or not hours:
        return None
    failed = sum(one.failed for one in lives)
    rate, share = rate_interval(failed, hours / 1000.0), share_interval(failed, len(lives))
    return {
        "pairs": len(lives),
        "failed": failed,
        "share_pct": 100.0 * failed / len(lives),
        "share_interval_pct": [100.0 * share.low, 100.0 * share.high],
        "seen_h": hours,
        "per_1000_h": 1000.0 * failed / hours,
        "interval_per_1000_h": [rate.low, rate.high],
    }


def _batches_say(one: Mapping[str, Any]) -> list[str]:
    known = [batch for batch in one["batches"] if batch["current"] is not None]
    out = []
    for batch in known if len(known) > 2 else known[:1]:
        found = batch["current"]
        if found["differs"]:
            way = "more" if found["difference_pct"] > 0.0 else "less"
            low, high = sorted(abs(end) for end in found["interval_pct"])
            others = ", ".join(other["batch"] for other in known if other is not batch)
            than = others if len(known) == 2 else f"the mean of {len(known)} batches"
            # two differ by twice what each is from their mean
            times = 2.0 if len(known) == 2 else 1.0
            out.append(
                f"{one['type']} {batch['batch']} draws {times * abs(found['difference_pct']):.1f} % {way} "
                f"({times * low:.1f} to {times * high:.1f}) than {than}, at the same bias, over "
                f"{_amps(found['amps'])}."
            )
    if known and not out:
        out.append(f"{one['type']}: no batch differs by more than chance.")
    return out


# ---- benches against each other


def benches(of: Shop) -> dict[str, Any]:
    """Return the `soakbench.across/1` document of benches: channels that are off, and whole benches."""
    rows = _channels(of)
    shown = [(name, row) for name, ones in rows.items() for row in ones if row["offset"] is not None]
    sure = 1.0 - pooling.CONFIDENCE
    left_out = {(name, row["channel"]) for name, row in shown if row["offset"]["p"] * len(shown) <= sure}
    whole, needs = _whole(of, left_out)
    names = sorted({_bench(soak) for soak in of.soaks})
    out: list[dict[str, Any]] = [
        {
            "bench": name,
            "soaks": sum(_bench(soak) == name for soak in of.soaks),
            "channels": rows.get(name, []),
            "whole": whole.get(name),
            "whole_needs": None if name in whole else needs.get(name, _NEVER_MOVED),
        }
        for name in names
    ]
    tests = [row["offset"] for bench in out for row in bench["channels"] if row["offset"] is not None]
    both = {bench["bench"]: bench["whole"] for bench in out if bench["whole"] is not None}
    # of two that only have each other it is one and the same difference
    tests += [one for name, one in both.items() if len(one["beside"]) > 1 or name < one["beside"][0]]
    for one, off in zip(tests, pooling.surprising([one["p"] for one in tests]), strict=True):
        one["off"] = bool(off)
    for one in both.values():
        one.setdefault("off", both[one["beside"][0]].get("off", False))
    chance = f"of {len(tests)} tests at most 5 in 100 of those called off are chance (Benjamini and Hochberg)"
    return {
        **_head(of, "benches"),
        "tests": len(tests),
        "benches": out,
        "says": _benches_say(out),
        "notes": [
            "a channel is held against the median of its bench's, over amps of three pairs or more, and "
            "against other benches on amps that went there untouched; where pairs are set one by one a "
            "bench's own settings do not count: who sets a pair by a wrong reading hides it",
            "a whole bench is held against others by amps that went from one to the other within "
            f"{MOST_DAYS_APART} days, their valves the same and no pot touched (as found, or none to adjust)",
            "before a resistor is measured the mains plug is out; HT is lethal also after switching off, and "
            "an HT reading of zero proves nothing; local codes and licensed practice come first",
            *([chance] if tests else []),
        ],
    }


_NEVER_MOVED: Final = "not comparable: no amp went from here to another bench, or back, untouched"


def _bench(soak: Soak) -> str:
    return soak.bench if soak.bench.strip() else f"board {soak.daq.board_id}"


@dataclass(frozen=True)
class _Row:
    """What one pair of one amp, or of one soak, adds to what is known of channels.

    `reads`: the channels that it was read by, each with its share. `block`: what shares a level.
    """

    block: Any
    second: Any
    y: float
    reads: Mapping[tuple[str, str], float]
    batch: tuple[str, str]
    amp: Any


def _channels(of: Shop) -> dict[str, list[dict[str, Any]]]:
    """Return each bench's channels, by the newest wiring and calibration of each.

    Two strata, each weighted by its own scatter (recovery of inter-block information, Yates 1940): pairs of
    one amp beside each other, which their valves make differ, and a pair beside itself on another bench.
    """
    by_soak, newest = _by_soak(of.seen), {}
    for one in of.seen:
        newest[_bench(one.soak), one.channel.name] = _wired(one)
    current = {
        number: {
            name: one
            for name, one in pairs.items()
            if not one.spoilt and newest[_bench(one.soak), name] == _wired(one)
        }
        for number, pairs in by_soak.items()
    }
    between: list[_Row] = []
    within: list[_Row] = []
    for which in dict.fromkeys(of.amp_of[soak.id] for soak in of.soaks):
        soaks = [soak for soak in of.of_amp(which) if current.get(soak.id)]
        for run in _runs(soaks, by_soak, _same_pairs):
            within += _moved(which, run, current)
        between += _side_by_side(which, soaks, current)
    allowed = {
        key: _allowed([pairs[key[1]] for pairs in current.values() if _is_of(pairs, key)], "from_others_")
        for key in newest
    }
    found = _offsets(between, within, allowed)
    amps: dict[Any, set[Any]] = defaultdict(set)
    for row in (*between, *within):
        for key in row.reads:
            amps[key].add(row.amp)
    out: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for key in sorted(newest, key=lambda key: (by_number(key[0]), by_number(key[1]))):
        count = len(amps[key])
        offset = found.get(key)
        out[key[0]].append(
            {
                "channel": key[1],
                "amps": count,
                "offset": offset,
                "offset_needs": None
                if offset is not None
                else f"{_amps(count)} that can show it, as it is wired and calibrated now: {LEAST_AMPS} are "
                "needed, on three channels of the bench",
            }
        )
    return out


def _by_soak(seen: Iterable[Seen]) -> dict[int, dict[str, Seen]]:
    out: dict[int, dict[str, Seen]] = defaultdict(dict)
    for one in seen:
        out[one.soak.id][one.channel.name] = one
    return out


def _is_of(pairs: Mapping[str, Seen], key: tuple[str, str]) -> bool:
    return key[1] in pairs and _bench(pairs[key[1]].soak) == key[0]


def _wired(one: Seen) -> tuple[Any, ...]:
    """Name what a pair is read by."""
    c = one.channel
    stated = "" if c.calibrated is None else c.calibrated.model_dump_json()
    pin = tuple(c.pin) if isinstance(c.pin, list) else c.pin
    return one.soak.daq.board_id, one.soak.calibration_id, pin, c.sense_ohm, c.tolerance_pct, stated


def _side_by_side(which: Any, soaks: Sequence[Soak], current: Mapping[int, Mapping[str, Seen]]) -> list[_Row]:
    """Return an amp's pairs beside each other: means over the soaks that a bench's error shows in.

    Who sets each pair by what the bench reads hides its error; so where pairs are set one by one only what
    comes in from no bench that is known here counts.
    """
    pairs = [current[soak.id] for soak in soaks]
    first = next(iter(pairs[0].values())) if pairs else None
    if first is None:
        return []
    amp = first.setup.amp
    if not (first.shared_bias or amp.bias == "cathode"):
        pairs = pairs[:1] if soaks[0].kind == "as found" else []
    # the longest stretch with the same valves: each counts once
    stretches: list[list[Mapping[str, Seen]]] = []
    for one in pairs:
        if stretches and _alike(stretches[-1][-1], one) and stretches[-1][-1].keys() == one.keys():
            stretches[-1].append(one)
        else:
            stretches.append([one])
    if not stretches:
        return []
    longest = max(stretches, key=len)
    if len(longest[0]) < 3:
        return []
    rows = []
    for name, pair in longest[0].items():
        reads = Counter((_bench(one[name].soak), name) for one in longest)
        y = float(np.mean([math.log(one[name].settled_a) for one in longest]))
        shares = {key: count / len(longest) for key, count in reads.items()}
        batch = pair.type.casefold(), pair.batch.casefold()
        rows.append(_Row((which, "between"), None, y, shares, batch, which))
    return rows


def _moved(which: Any, run: Sequence[Soak], current: Mapping[int, Mapping[str, Seen]]) -> list[_Row]:
    """Return pairs that were read on several benches untouched: one row a pair and soak."""
    names = set.intersection(*(set(current[soak.id]) for soak in run))
    if len({_bench(soak) for soak in run}) < 2 or len(names) < 3:
        return []
    return [
        _Row(
            (which, run[0].id, name),
            soak.id,
            math.log(current[soak.id][name].settled_a),
            {(_bench(soak), name): 1.0},
            ("", ""),
            which,
        )
        for soak in run
        for name in sorted(names)
    ]


def _offsets(
    between: Sequence[_Row], within: Sequence[_Row], allowed: Mapping[tuple[str, str], float]
) -> dict[tuple[str, str], dict[str, Any]]:
    """Return how far channels are from the median of their bench's, and of the same pair's on all benches."""
    amps: dict[Any, set[Any]] = defaultdict(set)
    for row in (*between, *within):
        for key in row.reads:
            amps[key].add(row.amp)
    keys = sorted(key for key in allowed if len(amps[key]) >= LEAST_AMPS)
    column = {key: at for at, key in enumerate(keys)}
    batches = {batch: len(keys) + k for k, batch in enumerate(sorted({row.batch for row in between}))}
    strata = []
    for rows in (between, within):
        rows = [row for row in rows if all(key in column for key in row.reads)]
        X = np.zeros((len(rows), len(keys) + len(batches)))
        for place, row in enumerate(rows):
            for key, share in row.reads.items():
                X[place, column[key]] = share
            if rows and row.second is None:
                X[place, batches[row.batch]] = 1.0
        blocks = [_numbered([row.block for row in rows])]
        if rows and rows[0].second is not None:
            blocks.append(_numbered([row.second for row in rows]))
        strata.append(pooling.stratum(np.array([row.y for row in rows]), X, blocks))
    fit = pooling.joined(strata)
    if fit is None:
        return {}
    benches, places = ([key[part] for key in keys] for part in (0, 1))
    by_bench = [_where(benches, name) for name in dict.fromkeys(benches)]
    by_place = [group for name in dict.fromkeys(places) if len(group := _where(places, name)) > 2]
    groups = [group for group in by_bench if len(group) > 2]
    # what three benches or more show of one pair is the amps' doing
    groups += by_place
    mine = fit.part_of(range(len(keys)))
    nothing = np.zeros(len(keys), dtype=bool)
    assert mine.loose is not None
    doubt = np.abs(pooling.polished(mine.loose.T, groups, nothing)).max(axis=0, initial=0.0)
    limits = np.array([allowed[key] / 100.0 for key in keys])
    found = pooling.apart(mine, groups, limits, len(keys))
    held = {at for group in by_bench if len(group) > 2 for at in group}
    return {
        key: {
            **_pct(float(found.value[at]), float(found.U[at]), "offset_pct"),
            "parts_allow_pct": allowed[key],
            "p": float(found.p[at]),
        }
        for at, key in enumerate(keys)
        if at in held and doubt[at] < 1e-6
    }


def _where(names: Sequence[str], name: str) -> list[int]:
    return [at for at, one in enumerate(names) if one == name]


def _numbered(names: Sequence[Any]) -> NDArray[np.int64]:
    numbers: dict[Any, int] = {}
    return np.array([numbers.setdefault(one, len(numbers)) for one in names], dtype=np.int64)


def _allowed(seen: Sequence[Seen], of: str = "") -> float:
    """Return what parts, as stated or calibrated, let a figure be off by, %: the median over soaks of U."""
    shares = [
        100.0 * one.told[f"{of}expanded_uncertainty_mA"] / one.told["settled_mA"]
        for one in seen
        if one.told.get(f"{of}expanded_uncertainty_mA") is not None
    ]
    return float(np.median(shares)) if shares else 0.0


def _whole(of: Shop, left_out: set[tuple[str, str]]) -> tuple[dict[str, dict[str, Any]], dict[str, str]]:
    """Return how each bench reads beside others, by amps that were soaked on several untouched.

    By the mean of an amp's pairs, without channels that are off by themselves.
    """
    by_soak = _by_soak(
        one for one in of.seen if not one.spoilt and (_bench(one.soak), one.channel.name) not in left_out
    )
    blocks: list[Any] = []
    names: list[str] = []
    y: list[float] = []
    for which in dict.fromkeys(of.amp_of[soak.id] for soak in of.soaks):
        soaks = [soak for soak in of.of_amp(which) if by_soak.get(soak.id)]
        for run in _runs(soaks, by_soak, _left_alone):
            pairs = sorted(set.intersection(*(set(by_soak[soak.id]) for soak in run)))
            if len({_bench(soak) for soak in run}) < 2 or not pairs:
                continue
            levels = [
                float(np.mean([math.log(by_soak[soak.id][name].settled_a) for name in pairs])) for soak in run
            ]
            here: dict[str, list[float]] = defaultdict(list)
            for soak, level in zip(run, levels, strict=True):
                here[_bench(soak)].append(level + _to_nominal(soak, by_soak[soak.id]))
            for bench, ones in here.items():
                blocks.append((which, run[0].id))
                names.append(bench)
                y.append(float(np.mean(ones)))
    amps = Counter(name for name, _ in {(name, block[0]) for name, block in zip(names, blocks, strict=True)})
    keep = [at for at, name in enumerate(names) if amps[name] >= LEAST_AMPS]
    needs = {
        name: f"{_amps(count)} that went to another bench untouched: {LEAST_AMPS} are needed"
        for name, count in amps.items()
    }
    if not keep:
        return {}, needs
    found, fit = pooling.side_by_side(
        [blocks[at] for at in keep],
        [names[at] for at in keep],
        np.array([y[at] for at in keep]),
        np.zeros(len(keep)),
    )
    allowed = {
        bench: _allowed(
            [one for pairs in by_soak.values() for one in pairs.values() if _bench(one.soak) == bench]
        )
        for bench in set(names)
    }
    out: dict[str, dict[str, Any]] = {}
    for part in set(fit.part.tolist()) if fit.df > 0 else ():
        inside = np.flatnonzero(fit.part == part).tolist()
        if len(inside) < 2:
            continue
        own = fit.part_of(inside)
        limits = np.array([allowed[found[k]] / 100.0 for k in inside])
        away = pooling.apart(own, [range(len(inside))], limits, len(inside)) if len(inside) > 2 else None
        for at, k in enumerate(inside):
            told: dict[str, Any] = {
                "amps": amps[found[k]],
                "beside": [found[other] for other in inside if other != k],
                "parts_allow_pct": allowed[found[k]],
            }
            if away is None:
                value, u = float(own.value[at]), own.u(at)
                # half of what both differ by, which may be as much as both are allowed together
                beyond = max(0.0, abs(value) - float(np.hypot(*limits)) / 2.0)
                told |= {**_pct(value, own.factor * u, "offset_pct"), "p": _p(beyond, u, own.df)}
            else:
                told |= {
                    **_pct(float(away.value[at]), float(away.U[at]), "offset_pct"),
                    "p": float(away.p[at]),
                }
            out[found[k]] = told
    return out, needs


def _runs(
    soaks: Sequence[Soak],
    by_soak: Mapping[int, Mapping[str, Seen]],
    alike: Callable[[Mapping[str, Seen], Mapping[str, Seen]], bool],
) -> list[list[Soak]]:
    """Return an amp's soaks in runs whose neighbours are alike, and not long apart."""
    runs: list[list[Soak]] = []
    for soak in soaks:
        last = runs[-1][-1] if runs else None
        near = last is not None and soak.started - last.started <= timedelta(days=MOST_DAYS_APART)
        if last is not None and near and alike(by_soak[last.id], by_soak[soak.id]):
            runs[-1].append(soak)
        else:
            runs.append([soak])
    return runs


def _alike(was: Mapping[str, Seen], now: Mapping[str, Seen]) -> bool:
    """Whether the same valves sit in all pairs, as far as the job record knows."""
    return all(now[name].valves == was[name].valves for name in now if name in was)


def _left_alone(was: Mapping[str, Seen], now: Mapping[str, Seen]) -> bool:
    """Whether nothing was touched before the later soak: as found, or with no pot to turn."""
    one = next(iter(now.values()))
    assert one.soak.verdict is not None
    states = {state["state"] for state in one.soak.verdict["soak"].get("states", [])}
    untouched = one.soak.kind == "as found" or one.setup.amp.adjust == "none"
    return _alike(was, now) and untouched and "setting bias" not in states


def _same_pairs(was: Mapping[str, Seen], now: Mapping[str, Seen]) -> bool:
    """Whether pairs still differ by what they did: untouched, or set by one pot for all."""
    shared = next(iter(now.values())).shared_bias
    return _alike(was, now) and (shared or _left_alone(was, now))


def _to_nominal(soak: Soak, pairs: Mapping[str, Seen]) -> float:
    """Return what brings a soak's log current to nominal mains, by what is usual; 0 where none were read."""
    assert soak.verdict is not None
    amp = next(iter(pairs.values())).setup.amp
    mains = soak.verdict["soak"]["conditions"].get("mains_V")
    if not mains:
        return 0.0
    return compare.USUAL_GAIN[amp.bias] * math.log(amp.nominal_mains_V / mains)


def _benches_say(found: Sequence[Mapping[str, Any]]) -> list[str]:
    out = []
    for bench in found:
        for row in bench["channels"]:
            one = row["offset"]
            if one is not None and one["off"]:
                out.append(
                    f"{bench['bench']}, {row['channel']} reads {_way(one)} than its other channels, over "
                    f"{_amps(row['amps'])}; its parts allow {one['parts_allow_pct']:.1f} %. Calibrate it, "
                    "and measure its sense resistor."
                )
    whole = [bench for bench in found if bench["whole"] is not None]
    for bench in whole:
        one, name = bench["whole"], bench["bench"]
        if not one["off"] or (len(one["beside"]) == 1 and name > one["beside"][0]):
            continue
        if len(one["beside"]) == 1:
            out.append(
                f"{name} reads {_way(one, 2.0)} than {one['beside'][0]}, over {_amps(one['amps'])}. Which of "
                "both is off can't be told: calibrate both."
            )
        else:
            out.append(
                f"{name} reads {_way(one)} than the benches beside it, over {_amps(one['amps'])}; its parts "
                f"allow {one['parts_allow_pct']:.1f} %. Calibrate it."
            )
    tested = sum(row["offset"] is not None for bench in found for row in bench["channels"])
    if not tested and not whole:
        return ["Benches can't be held against each other yet."]
    if not out:
        out.append(
            "Nothing is off by more than its parts allow and chance: channels looked at "
            f"{tested}, whole benches {len(whole)}."
        )
    return out


def _way(one: Mapping[str, Any], times: float = 1.0) -> str:
    low, high = sorted(times * abs(end) for end in one["interval_pct"])
    way = "more" if one["offset_pct"] > 0.0 else "less"
    return f"{times * abs(one['offset_pct']):.1f} % {way} ({low:.1f} to {high:.1f})"


# ---- an amp over the years


def named(of: Shop, which: str) -> Any:
    """Return the amp that a person means: its name, a soak's number, or `last`. RequestError where none."""
    if not of.soaks:
        raise RequestError("no soak has been judged yet: there is no amp to look at")
    if which == "last":
        return of.amp_of[of.soaks[-1].id]
    if which.isdecimal():
        if int(which) not in of.amp_of:
            raise RequestError(f"there is no judged soak {which}: soakbench soaks lists them")
        return of.amp_of[int(which)]
    plain = which.casefold().strip()
    found = [key for key, name in of.names.items() if plain in (name.casefold(), str(key[0]).casefold())]
    if len(found) == 1:
        return found[0]
    if found:
        raise RequestError(
            f"{len(found)} amps are called {which!r}: name one of its soaks by number, or the serial number "
            f"too ({'; '.join(sorted(of.names[key] for key in found))})"
        )
    known = sorted(set(of.names.values()))
    raise RequestError(f"there is no amp {which!r} with a judged soak: there are {'; '.join(known[:10])}")


def visits_of(of: Shop, amp: Any) -> list[Soak]:
    """Return the soak that each visit of an amp stands for, the oldest first: the last as left.

    A visit is a job, without jobs a day. Of very many the newest.
    """
    by_visit: dict[Any, list[Soak]] = {}
    for soak in of.of_amp(amp):
        by_visit.setdefault(soak.job_id if soak.job_id is not None else soak.started.date(), []).append(soak)
    chosen = [([one for one in ones if one.kind == "as left"] or ones)[-1] for ones in by_visit.values()]
    return sorted(chosen, key=lambda one: (one.started, one.id))[-MOST_VISITS:]


def amp(of: Shop, which: Any, visits: Sequence[compare.Visit]) -> dict[str, Any]:
    """Return the `soakbench.across/1` document of one amp; `visits`: its, the oldest first."""
    names = list(dict.fromkeys(channel.name for one in visits for channel in one.setup.pairs))
    gain = compare.mains_gain(visits) if visits else None
    changes = [compare.document(now, [was]) for was, now in pairwise(visits)]
    fitted = {(one.soak.id, one.channel.name): one for one in of.seen}
    pairs = []
    for name in names:
        pairs.append(_pair(name, visits, changes, fitted, gain))
    says = [text for one in pairs for text in _pair_says(one)]
    still = "No pair has moved by more than its uncertainty."
    if len(visits) < 2:
        still = "One visit only: what moves shows from the second on."
    return {
        **_head(of, "amp"),
        "amp": of.names[which],
        "nominal_mains_V": visits[-1].setup.amp.nominal_mains_V if visits else None,
        "visits": [
            {
                "soak": one.id,
                "uuid": one.uuid,
                "started": one.started.isoformat(),
                "kind": one.kind,
                "verdict": one.judged["soak"]["verdict"],
                "conditions": one.judged["soak"]["conditions"],
            }
            for one in visits
        ],
        "pairs": pairs,
        "says": says or [still],
        "notes": [
            "changes from visit to visit are those of `soakbench compare`; a slope is a weighted straight "
            "line through the visits with the same valves, at nominal mains where they were measured; its "
            "interval takes in how visits scatter about it",
            "hours between visits are not known, so a slope is by the year and not by hours of use",
        ],
    }


def _pair(
    name: str,
    visits: Sequence[compare.Visit],
    changes: Sequence[Mapping[str, Any]],
    fitted: Mapping[tuple[int, str], Seen],
    gain: compare.Gain | None,
) -> dict[str, Any]:
    rows: list[dict[str, Any]] = []
    since: list[tuple[datetime, Figure, Figure | None]] = []
    valves_then: frozenset[int] | None = None
    for at, visit in enumerate(visits):
        told = visit.channel(name)
        if not told or told.get("settled_mA") is None:
            continue
        here = fitted.get((visit.id, name))
        known = here.valves if here is not None else frozenset()
        other = bool(known) and valves_then is not None and known != valves_then
        valves_then = known or valves_then
        settled = compare.settled_figure(visit, name)
        nominal = None if gain is None else compare.nominal_figure(visit, name, settled, gain)
        assert settled is not None
        if other:
            since = []
        since.append((visit.started, settled, nominal))
        change = None
        if at:
            change = next(
                (one for one in changes[at - 1]["earlier"][0]["pairs"] if one["name"] == name), None
            )
        moved = None if change is None else change["at_nominal_mains"] or change["settled"]
        rows.append(
            {
                "soak": visit.id,
                "new_valves": other,
                "settled_mA": 1e3 * settled.value,
                "settled_expanded_uncertainty_mA": 1e3 * weighted_U([settled], (1.0,))[0],
                "nominal_mA": None if nominal is None else 1e3 * nominal.value,
                "nominal_expanded_uncertainty_mA": None
                if nominal is None
                else 1e3 * weighted_U([nominal], (1.0,))[0],
                "from_others_mA": told.get("from_others_mA"),
                "from_others_expanded_uncertainty_mA": told.get("from_others_expanded_uncertainty_mA"),
                "dissipation_pct": told.get("dissipation_pct"),
                "dissipation_expanded_uncertainty_pct": told.get("dissipation_expanded_uncertainty_pct"),
                "drift_mA_per_h": told.get("drift_mA_per_h"),
                "drift_interval_mA_per_h": told.get("drift_interval_mA_per_h"),
                "changed_mA": None if moved is None else moved["difference_mA"],
                "changed_expanded_uncertainty_mA": None
                if moved is None
                else moved["expanded_uncertainty_mA"],
                "moved": None if moved is None else moved["significant"],
                "cause": None if change is None else change["cause"],
            }
        )
    label = next((told["label"] for one in visits if (told := one.channel(name))), name)
    line = slope(since)
    need = None if line is not None else f"visits with these valves: {len(since)}, {LEAST_VISITS} are needed"
    return {"name": name, "label": label, "visits": rows, "slope": line, "slope_needs": need}


def slope(since: Sequence[tuple[datetime, Figure, Figure | None]]) -> dict[str, Any] | None:
    """Return the line through visits, each with its current and the same at nominal mains; None of too few.

    Errors that last are the same in all visits and tilt nothing.
    """
    if len(since) < LEAST_VISITS or since[-1][0] <= since[0][0]:
        return None
    nominal = [one for _, _, one in since if one is not None]
    at_nominal = len(nominal) == len(since)
    figures = nominal if at_nominal else [one for _, one, _ in since]
    years = np.array([(moment - since[0][0]) / _YEAR for moment, _, _ in since])
    y = np.array([1e3 * one.value for one in figures])
    fit = pooling.fitted(y, np.column_stack([np.ones(len(y)), years]), 1e6 * covariance(figures))
    half = fit.factor * fit.u(1)
    value = float(fit.value[1])
    return {
        "visits": len(since),
        "from_soak_on": since[0][0].isoformat(),
        "at_nominal_mains": at_nominal,
        "mA_per_year": value,
        "interval_mA_per_year": [value - half, value + half],
        "significant": abs(value) > half,
    }


def covariance(figures: Sequence[Figure]) -> FloatArray:
    """Return the covariance (n, n) of figures that share sources of error: a rectangular one has a third."""
    out = np.zeros((len(figures), len(figures)))
    for (_, normal), sizes in by_source(figures).items():
        size = np.zeros(len(figures))
        size[list(sizes)] = list(sizes.values())
        out += np.outer(size, size) * (1.0 if normal else 1.0 / 3.0)
    return out


def _pair_says(one: Mapping[str, Any]) -> list[str]:
    out = []
    slope = one["slope"]
    if slope is not None and slope["significant"]:
        low, high = sorted(abs(end) for end in slope["interval_mA_per_year"])
        way = "more" if slope["mA_per_year"] > 0.0 else "less"
        out.append(
            f"{one['label']} draws {abs(slope['mA_per_year']):.1f} mA {way} a year ({low:.1f} to "
            f"{high:.1f}), over {slope['visits']} visits."
        )
    moved = [row for row in one["visits"] if row["moved"] and not row["new_valves"]]
    if moved:
        row = moved[-1]
        why = f": {row['cause']}" if row["cause"] else ""
        way = "more" if row["changed_mA"] > 0.0 else "less"
        out.append(
            f"{one['label']} moved more than its uncertainty, last in soak {row['soak']}: "
            f"{abs(row['changed_mA']):.1f} ± {row['changed_expanded_uncertainty_mA']:.1f} mA {way} than a "
            f"visit before{why}."
        )
    return out


# ---- what all have


def _head(of: Shop, what: str) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "program": f"soakbench {program_version()}",
        "of": what,
        "soaks": len(of.soaks),
        "amps": len(set(of.amp_of.values())),
        "not_read": sum(of.setups[soak.setup_text] is None for soak in of.soaks),
    }


def _pct(log: float, half: float, name: str = "difference_pct") -> dict[str, Any]:
    """Return a difference of logarithms in %, with its interval."""
    value, low, high = (100.0 * math.expm1(x) for x in (log, log - half, log + half))
    return {name: value, "interval_pct": [low, high]}


def _p(value: float, u: float, df: int) -> float:
    from scipy.stats import t

    return float(2.0 * t.sf(abs(value) / u, df)) if u > 0.0 else float(value == 0.0)
