"""This soak over earlier ones of the same amp: what has changed by more than both are uncertain by.

A difference is significant beyond its 95 % interval. What resistors and DAQ are wrong by cancels only where
board, wiring and calibration are the same both times (`differences.py`); where a fault is new each day
(warming, thermal emf, noise) it counts twice. Currents are also brought to nominal mains: by what the
amp's own minutes say a volt of mains does, together with what is usual.

Ageing and a turned pot look the same to a current. The bias volts at the pair's own grids tell them apart,
from a channel of the pair's own or as a person read them; without them, at both visits, it can't be told,
and that is what is said.

`visit` reads one soak of a store; all else is pure.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

import numpy as np

from logger import units
from logger.blocks import DaqInfo, FloatArray
from logger.budget import dissipation_terms
from logger.convert import Calibration
from logger.differences import (
    NORMAL_95,
    Error,
    Figure,
    board_key,
    channel_key,
    drawn_U,
    of_channel,
    of_terms,
    settled,
    weighted_U,
)
from logger.errors import RequestError
from logger.jobs import BenchReading
from logger.judge import judge_soak
from logger.setup import Setup
from logger.store.reader import Reader, Soak
from logger.verdict import program_version

USUAL_GAIN: Final[Mapping[str, float]] = {"fixed": 1.5, "cathode": 1.25}
"""Relative change of an idle current by that of the mains; from memory, as where drift is watched."""
USUAL_GAIN_U: Final = 0.5
LEARNT_U: Final = 0.4
"""A gain is called learnt where the soak's own minutes say it at least so well."""
DAYS_NOT_MINUTES: Final = 0.1
"""How far what the mains do within minutes is from what they do from day to day, relative; from memory."""

BIAS_GAIN: Final = 4.0
BIAS_GAIN_PCT: Final = 40.0
"""Relative change of an idle current by that of its bias volts: the 5.5 that HT does less the 1.5 that mains
do, which move both; ±40 %. From memory."""
BIAS_READ_PCT: Final = 0.5
"""Uncertainty of bias volts that a person read and said none for: a hand meter's; from memory."""
BIAS_QUANTITIES: Final = ("bias", "bias volts", "bias voltage")

_MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip


@dataclass(frozen=True)
class Visit:
    """One soak, as far as it is compared.

    `judged` is its `soakbench.judge/1` document. `on_s` (m,): the middles of minutes since HT came on, in s,
    negative before; `current_a` (m, p), `ht_v` and `mains_v` (m,): their means, NaN where there is nothing.
    `bias_v`: bias volts at a pair's own grids that a person read, by the pair's name, with U. `amp_id`: the
    amp's number in the job record, None where the soak belongs to no job.
    """

    id: int
    uuid: str
    started: datetime
    kind: str
    amp: str
    setup: Setup
    daq: DaqInfo
    calibration: Calibration | None
    judged: dict[str, Any]
    on_s: FloatArray
    current_a: FloatArray
    ht_v: FloatArray
    mains_v: FloatArray
    bias_v: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    amp_id: int | None = None

    def channel(self, name: str) -> dict[str, Any]:
        """Return what was judged of a channel, empty where there is none of that name."""
        return next((one for one in self.judged["channels"] if one["name"] == name), {})


# ---- from a store


def visit(reader: Reader, which: int | str, calibration: int | str = "in force") -> Visit:
    """Return a soak of a store as a visit; one that runs still is judged as far as it has got."""
    soak = reader.soak(which)
    judged = soak.verdict
    if judged is None or calibration != "in force":
        judged = judge_soak(reader, soak.id, calibration=calibration)
    found = reader.calibration_of(soak, calibration)
    middle_s, values = reader.means(soak, 60, found)
    steps = judged["soak"]["steps"]
    on_s = steps[0]["from_s"] if steps else 0.0

    def column(measures: str) -> FloatArray:
        at = soak.setup.first(measures)
        return values[:, at] if at is not None else np.full(len(middle_s), np.nan)

    job = None if soak.job_id is None else reader.job(soak.job_id, deleted=True)
    return Visit(
        id=soak.id,
        uuid=soak.uuid,
        started=soak.started,
        kind=soak.kind,
        amp=soak.amp,
        setup=soak.setup,
        daq=soak.daq,
        calibration=found,
        judged=judged,
        on_s=middle_s - on_s,
        current_a=values[:, soak.setup.pair_columns],
        ht_v=column("HT"),
        mains_v=column("mains"),
        bias_v={} if job is None else read_by_hand(job.readings, soak),
        amp_id=None if job is None else job.amp.id,
    )


def earlier(reader: Reader, soak: Soak) -> list[Soak]:
    """Return the ended soaks of the same amp that were begun before this one, the oldest first.

    An amp is known by its name, and where both soaks belong to jobs by the record.
    """
    amps = {one.id: one.amp_id for one in reader.job_soaks()}
    found = [
        one
        for one in reader.soaks()
        if one.amp == soak.amp
        and amps.get(one.id, amps.get(soak.id)) == amps.get(soak.id, amps.get(one.id))
        and one.started < soak.started
        and one.ended is not None
        and one.scans
    ]
    return sorted(found, key=lambda one: one.started)


def last_visit(reader: Reader, soak: Soak) -> Soak | None:
    """Return the soak to hold this one against: the last of the amp's visit before, None at its first.

    A visit is a job; without jobs a day. Of its soaks the last as left, since so it went home.
    """
    return home_from(soak, earlier(reader, soak))


def home_from(soak: Soak, before: Sequence[Soak]) -> Soak | None:
    """Return of the amp's soaks before this one, the oldest first, that of `last_visit`. Pure."""
    former = [
        one
        for one in before
        if (
            one.job_id != soak.job_id
            if one.job_id is not None and soak.job_id is not None
            else one.started.date() != soak.started.date()
        )
    ]
    former = [one for one in former if one.kind == "as left"] or former
    return former[-1] if former else None


def read_by_hand(readings: Iterable[BenchReading], soak: Soak) -> dict[str, tuple[float, float]]:
    """Return the bias volts, with U, that a person read at each pair's sockets, by the pair's name.

    `readings`: those of the soak's job, of which those of its stage count. Pure.
    """
    at: dict[str, tuple[float, float]] = {}
    for one in sorted(readings, key=lambda one: (one.taken, one.id)):
        said = one.quantity.lower() in BIAS_QUANTITIES and one.deleted is None
        if said and one.unit == "V" and one.stage == soak.kind:
            U = BIAS_READ_PCT / 100.0 * abs(one.value) if one.uncertainty is None else one.uncertainty
            at[one.place] = one.value, U
    out = {}
    for channel in soak.setup.pairs:
        seen = [at[place] for place in (channel.sockets or [channel.name]) if place in at]
        if seen:  # one meter reads all sockets: its error is theirs together
            out[channel.name] = sum(v for v, _ in seen) / len(seen), max(U for _, U in seen)
    return out


# ---- what the mains do


@dataclass(frozen=True)
class Gain:
    """How much an idle current changes with the mains, relative to relative; `u` its standard uncertainty."""

    value: float
    u: float
    learnt: bool


def mains_gain(visits: Sequence[Visit]) -> Gain:
    """Learn from the minutes of all visits what the mains do to the sum of the pairs, beside what is usual.

    Least squares through the changes from minute to minute in the soak step, which a drift or flicker hardly
    touches; its uncertainty from what is left, with neighbouring minutes' covariance (Newey and West 1987).
    Both are weighted by their variances.
    """
    usual = USUAL_GAIN[visits[0].setup.amp.bias]
    weight, total, fitted = 1.0 / USUAL_GAIN_U**2, usual / USUAL_GAIN_U**2, 0.0
    for one in visits:
        found = _fitted_gain(one)
        if found is not None:
            value, u = found
            u = math.hypot(u, DAYS_NOT_MINUTES * usual)
            weight, total, fitted = weight + 1.0 / u**2, total + value / u**2, fitted + 1.0 / u**2
    learnt = fitted > 0.0 and 1.0 / math.sqrt(fitted) <= LEARNT_U
    # several visits don't make less of what days do beside minutes
    u = max(1.0 / math.sqrt(weight), DAYS_NOT_MINUTES * usual) if fitted else USUAL_GAIN_U
    return Gain(total / weight, u, learnt)


def _fitted_gain(one: Visit) -> tuple[float, float] | None:
    """Return the gain that one soak shows, with its standard uncertainty; None where it shows none."""
    runs = [step for step in one.judged["soak"]["steps"] if step["step"] == "soak"]
    if not runs:
        return None
    on_s = one.judged["soak"]["steps"][0]["from_s"]
    until_s = runs[-1]["to_s"] if runs[-1]["to_s"] is not None else math.inf
    inside = (one.on_s > runs[-1]["from_s"] - on_s + 30.0) & (one.on_s < until_s - on_s - 30.0)
    total = one.current_a.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        y = np.diff(np.where(inside, np.log(total), np.nan))
        x = np.diff(np.where(inside, np.log(one.mains_v), np.nan))
    good = np.isfinite(y) & np.isfinite(x)
    # a pair that dropped, or a click of the mains: nothing that this line is for
    good &= np.abs(y - np.median(y[good])) < 0.05 if good.any() else False
    x, y = x[good], y[good] - y[good].mean() if good.any() else y[good]
    if len(x) < 20 or not np.any(x):
        return None
    x = x - x.mean()
    power = float(x @ x)
    gain = float(x @ y) / power
    scores = x * (y - gain * x)
    meat = float(scores @ scores)
    for lag in (1, 2):
        meat += 2.0 * (1.0 - lag / 3.0) * float(scores[lag:] @ scores[:-lag])
    plain = float(np.sum((y - gain * x) ** 2)) / (len(x) - 2) * power
    return gain, math.sqrt(max(meat, plain)) / power


# ---- the document


def document(this: Visit, before: Sequence[Visit]) -> dict[str, Any]:
    """Return the `soakbench.compare/1` document: mA, V and %, null for what does not exist.

    RequestError where there is nothing to compare with, or an earlier visit is another amp's.
    """
    if not before:
        raise RequestError(
            f"there is nothing to compare soak {this.id} with: name an earlier soak of {this.amp}"
        )
    for one in before:
        known = None not in (this.amp_id, one.amp_id)
        if one.amp != this.amp or (known and one.amp_id != this.amp_id):
            raise RequestError(
                f"soak {one.id} is of {_amp(one)}, soak {this.id} of {_amp(this)}: compare soaks of one amp"
            )
    gain = mains_gain([*before, this])
    return {
        "schema": "soakbench.compare/1",
        "program": f"soakbench {program_version()}",
        "amp": this.amp,
        "nominal_mains_V": this.setup.amp.nominal_mains_V,
        "mains_gain": {
            "value": gain.value,
            "expanded_uncertainty": NORMAL_95 * gain.u,
            "learnt": gain.learnt,
        },
        "this": _visit_json(this),
        "earlier": [_over(this, one, gain) for one in before],
    }


def _amp(one: Visit) -> str:
    return one.amp if one.amp_id is None else f"{one.amp} (amp {one.amp_id})"


def _visit_json(one: Visit) -> dict[str, Any]:
    """Return a visit with its curves by the minute since HT on."""
    shown = one.on_s >= -60.0
    return {
        "soak": one.id,
        "uuid": one.uuid,
        "started": one.started.isoformat(),
        "kind": one.kind,
        "verdict": one.judged["soak"]["verdict"],
        "conditions": one.judged["soak"]["conditions"],
        "on_min": _list(one.on_s[shown] / 60.0),
        "pairs_mA": {
            channel.name: _list(1e3 * one.current_a[shown, j]) for j, channel in enumerate(one.setup.pairs)
        },
        "ht_V": _list(one.ht_v[shown]),
        "mains_V": _list(one.mains_v[shown]),
    }


def _over(this: Visit, before: Visit, gain: Gain) -> dict[str, Any]:
    """Return one earlier visit with what has changed since."""
    names = [channel.name for channel in this.setup.pairs if before.channel(channel.name)]
    apart = _from_others(this, before, names)
    pairs = [_pair(this, before, name, apart.get(name), gain) for name in names]
    carried = [
        pair["label"]
        for pair in pairs
        if (pair["from_the_others"] or {}).get("significant")
        and not (pair["at_nominal_mains"] or pair["settled"] or {}).get("significant")
    ]
    same = board_key(this.daq, this.uuid) == board_key(before.daq, before.uuid)
    when = _when(before.started, this.started)
    out = {
        **_visit_json(before),
        "when": when,
        "same_board": same,
        "pairs": pairs,
        "only_here": [c.name for c in this.setup.pairs if c.name not in names],
        "notes": _notes(this, before, same, names, gain, carried),
    }
    return {**out, "says": _says(pairs, when, this.setup.amp.nominal_mains_V)}


def _pair(
    this: Visit, before: Visit, name: str, from_others: dict[str, Any] | None, gain: Gain
) -> dict[str, Any]:
    now, was = settled_figure(this, name), settled_figure(before, name)
    out: dict[str, Any] = {
        "name": name,
        "label": this.channel(name)["label"],
        "same_wiring": _wired(this, name) == _wired(before, name),
        "settled": _difference(now, was, 1e3, "mA"),
        "at_nominal_mains": _difference(
            nominal_figure(this, name, now, gain), nominal_figure(before, name, was, gain), 1e3, "mA"
        ),
        "from_the_others": from_others,
        "drift": _drift(this, before, name),
        "dissipation": _difference(
            dissipation_figure(this, name), dissipation_figure(before, name), 1.0, "pct"
        ),
        "bias": None,
    }
    out["cause"], out["bias"] = _cause(this, before, name, out)
    return out


def _wired(one: Visit, name: str) -> tuple[str, str]:
    column = one.setup.index(name)
    return board_key(one.daq, one.uuid), channel_key(one.setup, one.daq, column, one.calibration)


def settled_figure(one: Visit, name: str) -> Figure | None:
    """Return a pair's settled current, in A, with its errors; None where it has none."""
    column = one.setup.index(name)
    return settled(one.channel(name), one.setup, one.daq, column, one.calibration, day=one.uuid)


def _difference(now: Figure | None, was: Figure | None, scale: float, unit: str) -> dict[str, Any] | None:
    """Return both figures, the difference, its U and whether it is beyond it; None where one is missing."""
    if now is None or was is None:
        return None
    difference, U = now.value - was.value, weighted_U([now, was], (1.0, -1.0))[0]
    return _difference_json(scale * now.value, scale * was.value, scale * difference, scale * U, unit)


def _difference_json(now: float, was: float, difference: float, U: float, unit: str) -> dict[str, Any]:
    return {
        f"now_{unit}": now,
        f"before_{unit}": was,
        f"difference_{unit}": difference,
        f"expanded_uncertainty_{unit}": U,
        "significant": abs(difference) > U,
    }


def nominal_figure(one: Visit, name: str, current: Figure | None, gain: Gain) -> Figure | None:
    """Return a pair's current at nominal mains, errors of the mains and of the gain among its own."""
    column = one.setup.first("mains")
    volts = one.judged["soak"]["conditions"]["mains_V"]
    if current is None or column is None or not volts:
        return None
    nominal = one.setup.amp.nominal_mains_V
    by = (nominal / volts) ** gain.value
    value = current.value * by
    mains = of_channel(one.setup, one.daq, column, volts, one.calibration, day=one.uuid)
    errors = [Error(e.source, e.size * by, e.normal) for e in current.errors]
    errors += [Error(e.source, -gain.value * value / volts * e.size, e.normal) for e in mains.errors]
    errors.append(Error(("mains gain",), value * math.log(nominal / volts) * gain.u))
    return Figure(value, tuple(errors))


def dissipation_figure(one: Visit, name: str) -> Figure | None:
    """Return a pair's dissipation in % of the rating; the noise of its mean with it."""
    channel, column = one.channel(name), one.setup.index(name)
    ht, current = one.judged["soak"]["conditions"]["ht_V"], settled_figure(one, name)
    pct = channel.get("dissipation_pct")
    if pct is None or not ht or current is None:
        return None
    noise_u = next((abs(error.size) for error in current.errors if error.source[-1] == "noise"), 0.0)
    pair = one.setup.pair_columns.index(column)
    found = dissipation_terms(one.setup, one.daq, pair, current.value, ht, one.calibration, noise_u)
    scale = 100.0 / one.setup.ceiling.watts
    board, wired = _wired(one, name)
    watts = of_terms(pct / scale, found, day=one.uuid, board=board, channel=wired)
    return Figure(pct, tuple(Error(e.source, scale * e.size, e.normal) for e in watts.errors))


def _from_others(this: Visit, before: Visit, names: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Return how far each pair's distance from the others has changed.

    Less the median of all, no straight line: by a draw over both visits at once. Of two pairs the other one.
    """
    visits = (this, before)
    known = [
        name
        for name in names
        if all(one.channel(name).get("from_others_mA") is not None for one in visits)
        and all(settled_figure(one, name) is not None for one in visits)
    ]
    if len(known) < 2:
        return {}
    figures = [
        figure for one in visits for name in known if (figure := settled_figure(one, name)) is not None
    ]
    n = len(known)

    def reference(part: FloatArray) -> FloatArray:
        middle: FloatArray = part[::-1] if n == 2 else np.median(part, axis=0, keepdims=True)
        return middle

    def apart(drawn: FloatArray) -> FloatArray:
        now, was = drawn[:n], drawn[n:]
        change: FloatArray = (now - reference(now)) - (was - reference(was))
        return change

    _, U = drawn_U(figures, apart)
    out = {}
    for j, name in enumerate(known):
        now, was = (one.channel(name)["from_others_mA"] for one in visits)
        out[name] = _difference_json(now, was, now - was, 1e3 * float(U[j]), "mA")
    return out


def _drift(this: Visit, before: Visit, name: str) -> dict[str, Any] | None:
    """Return how the drift has changed: constant errors make none, so each interval's own is all."""
    now, was = this.channel(name), before.channel(name)
    if any(one.get("drift_mA_per_h") is None for one in (now, was)):
        return None
    difference = now["drift_mA_per_h"] - was["drift_mA_per_h"]
    (now_low, now_high), (was_low, was_high) = (one["drift_interval_mA_per_h"] for one in (now, was))
    below = math.hypot(now["drift_mA_per_h"] - now_low, was_high - was["drift_mA_per_h"])
    above = math.hypot(now_high - now["drift_mA_per_h"], was["drift_mA_per_h"] - was_low)
    return {
        "now_mA_per_h": now["drift_mA_per_h"],
        "before_mA_per_h": was["drift_mA_per_h"],
        "difference_mA_per_h": difference,
        "interval_mA_per_h": [difference - below, difference + above],
        "significant": not difference - below <= 0.0 <= difference + above,
    }


# ---- ageing, or a turned pot


def bias_figure(one: Visit, name: str) -> Figure | None:
    """Return the bias volts at a pair's own grids, None where nobody measured them there.

    Of a channel that measures a bias voltage: one that belongs to the pair by its key `pair` or its name;
    where one pot sets all pairs, the only one.
    """
    if name in one.bias_v:
        volts, U = one.bias_v[name]
        return Figure(volts, (Error((one.uuid, name, "read by hand"), U / NORMAL_95),))
    channels = [(i, c) for i, c in enumerate(one.setup.channel) if c.measures == "bias voltage"]
    own = [i for i, c in channels if c.pair == name or name.casefold() in c.name.casefold().split()]
    if not own and one.setup.amp.adjust in ("one for all", "none") and len(channels) == 1:
        own = [channels[0][0]]
    if len(own) != 1:
        return None
    mean = one.channel(one.setup.channel[own[0]].name).get("mean")
    if mean is None:
        return None
    return of_channel(one.setup, one.daq, own[0], mean, one.calibration, day=one.uuid)


def _cause(
    this: Visit, before: Visit, name: str, found: Mapping[str, Any]
) -> tuple[str | None, dict[str, Any] | None]:
    """Say whether a pair's change is the bias's or the valves', and how the bias changed.

    What the bias explains goes by `BIAS_GAIN`; what it leaves beyond its uncertainty is the valves'.
    """
    now, was = bias_figure(this, name), bias_figure(before, name)
    bias = _difference(now, was, 1.0, "V")
    change = found["at_nominal_mains"] or found["settled"]
    if change is None or not change["significant"]:
        return None, bias
    if bias is None or now is None or was is None or not was.value:
        return (
            "aged or other valves, or a turned pot: it can't be told, since bias volts at this pair's grids "
            "were not measured at both visits"
        ), bias
    less = "less" if change["difference_mA"] < 0 else "more"
    per_v = -BIAS_GAIN * change["before_mA"] / abs(was.value)  # by volts of |bias|
    moved_v = abs(now.value) - abs(was.value)
    explained = per_v * moved_v
    u = math.hypot(
        change["expanded_uncertainty_mA"],
        per_v * bias["expanded_uncertainty_V"],
        BIAS_GAIN_PCT / 100.0 * explained,
    )
    left = change["difference_mA"] - explained
    volts = units.quantity(bias["difference_V"], bias["expanded_uncertainty_V"], "V")
    if not bias["significant"]:
        if abs(left) > u:
            return f"its bias is as before ({volts}): the valves draw {less}, aged or others", bias
        return f"its bias is not known well enough to tell the valves from the pot ({volts})", bias
    moved = f"its bias was moved by {volts}: a pot was turned, or the bias supply is another"
    if abs(left) <= u:
        return f"{moved}, which is enough to explain it", bias
    own = "less" if left < 0 else "more"
    return f"{moved}, and beside that the valves draw {own}, aged or others", bias


# ---- in words


def _notes(
    this: Visit, before: Visit, same: bool, names: Sequence[str], gain: Gain, carried: Sequence[str]
) -> list[str]:
    out = []
    if carried:
        out.append(
            f"further from the others, or nearer, only since the pairs' median moved: {', '.join(carried)}"
        )
    if not same:
        unknown = "none" in (this.daq.board_id, before.daq.board_id)
        why = "which board measured is not known" if unknown else "another board measured then"
        out.append(f"{why}: neither its errors nor the resistors' cancel, so only large changes show")
    else:
        moved = [name for name in names if _wired(this, name) != _wired(before, name)]
        if moved:
            out.append(f"wired or calibrated otherwise then, so errors do not cancel: {', '.join(moved)}")
    if any(one.judged["soak"]["conditions"]["mains_V"] is None for one in (this, before)):
        out.append("the mains were not measured both times: currents stand at the mains of their days")
    elif not gain.learnt:
        out.append(
            f"brought to nominal mains by what is usual, {gain.value:.2g} times the mains (from memory): the "
            "mains stood too still to learn it"
        )
    if this.kind != before.kind:
        out.append(f"this soak is {this.kind}, that one was {before.kind}")
    return out


def _says(pairs: Sequence[Mapping[str, Any]], when: str, nominal_v: float) -> list[str]:
    """Return plain sentences, the one on currents first."""
    known = [(one, one["at_nominal_mains"] or one["settled"]) for one in pairs]
    known = [(one, change) for one, change in known if change is not None]
    if not known:
        return [f"Nothing can be compared with the soak {when}: no settled current is known both times."]
    at = f" (at {nominal_v:g} V mains)" if all(one["at_nominal_mains"] for one, _ in known) else ""
    moved = [(one, change) for one, change in known if change["significant"]]
    rest = len(known) - len(moved)
    widest = max(change["expanded_uncertainty_mA"] for _, change in known)
    if not moved:
        what = "The pair idles" if len(known) == 1 else "All pairs idle"
        out = [f"{what} as {when}, within {units.number(widest, 2)} mA{at}."]
    else:
        parts = []
        for place, (one, change) in enumerate(moved):
            size = units.quantity(
                abs(change["difference_mA"]) / 1e3, change["expanded_uncertainty_mA"] / 1e3, "A"
            )
            way = "lower" if change["difference_mA"] < 0 else "higher"
            parts.append(
                f"{one['label']} idles {size} {way} than {when}"
                if place == 0
                else f"{one['label']} {size} {way}"
            )
        others = "" if not rest else ", the others as before" if rest > 1 else ", the other as before"
        out = [f"{', '.join(parts)}{others}{at}."]
    out += [f"{one['label']}: {one['cause']}." for one, _ in moved if one["cause"]]
    for one in pairs:
        drift = one["drift"]
        if drift is not None and drift["significant"]:
            out.append(
                f"{one['label']} drifts by {drift['now_mA_per_h']:+.1f} mA an hour, by "
                f"{drift['before_mA_per_h']:+.1f} then."
            )
    return out


def _when(then: datetime, now: datetime) -> str:
    """Say when an earlier soak was: `in March`, `on 3 March`, `at 09:30 the same day`, `in March 2025`."""
    if then.date() == now.date():
        return f"at {then:%H:%M} the same day"
    month = _MONTHS[then.month - 1]
    if (now - then).days < 45:
        return f"on {then.day} {month}"
    return f"in {month}" if (now - then).days < 330 else f"in {month} {then.year}"


def _list(values: FloatArray) -> list[float | None]:
    return [round(x, 4) if math.isfinite(x) else None for x in values.tolist()]
