"""Ticks and findings to a verdict by quantity, pair and soak, by the rule in `logger/decision.py`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Any, Final

import numpy as np

from logger.blocks import DaqInfo, TickBlock
from logger.budget import dissipation_U
from logger.convert import Calibration, difference_U, expanded, terms, value_U
from logger.decision import (
    COND_FAIL,
    COND_PASS,
    FAIL,
    ORDER,
    PASS,
    interval_statement,
    two_sided_statement,
    upper_statement,
    worst,
)
from logger.finding import Finding, Kind, Severity
from logger.settling import Rate, drift_rate
from logger.setup import LIVE_SCANS_PER_S, Channel, Setup
from logger.watch.panel import Panel
from logger.watch.seconds import own_movement

_FATAL = frozenset(
    {Kind.RUNAWAY, Kind.DROP_OUT, Kind.INTERMITTENT, Kind.OVER_CURRENT, Kind.BIAS_LOST, Kind.OVER_TEMPERATURE}
)
_AT_BEST_CONDITIONAL_FAIL = frozenset({Kind.DRIFT, Kind.COMMON_DRIFT, Kind.STEP_CHANGE, Kind.UNSETTLED})
_SPOILS = frozenset(
    {Kind.DROP_OUT, Kind.RUNAWAY, Kind.STEP_CHANGE, Kind.OVER_CURRENT, Kind.BIAS_LOST, Kind.MEASURING_FAULT}
)
_LEAST_MIN: Final = 30.0
_MOST_MISSING: Final = 0.1


_WHOLE: Final = 1e9  # means are summed as whole billionths: the same sum for any blocking


class SoakSums:
    """Sums over the running soak step, by channel: pairs only where nothing spoils their figure."""

    def __init__(self, channels: int) -> None:
        self.channels = channels
        self.restart(math.nan)

    def restart(self, from_s: float) -> None:
        """Begin a soak step."""
        self.from_s, self.seconds = from_s, 0
        self.n = np.zeros(self.channels, dtype=np.int64)
        self.sums = np.zeros(self.channels, dtype=np.int64)
        self.least = np.full(self.channels, np.inf)
        self.greatest = np.full(self.channels, -np.inf)
        self.before = np.zeros(self.channels, dtype=np.int64)
        """Seconds of the step that a channel's figure has left behind."""

    def restart_channel(self, column: int) -> None:
        """Begin a channel's figure anew: its bias was set."""
        self.n[column] = self.sums[column] = 0
        self.least[column], self.greatest[column] = np.inf, -np.inf
        self.before[column] = self.seconds

    def add(self, ticks: TickBlock, leave_out: set[int]) -> None:
        """Take in seconds of the step; `leave_out`: columns that are spoilt in them."""
        self.seconds += len(ticks)
        good = ticks.mean == ticks.mean
        if leave_out:
            good[:, list(leave_out)] = False
        self.n += good.sum(axis=0)
        self.sums += np.where(good, np.rint(ticks.mean * _WHOLE), 0.0).astype(np.int64).sum(axis=0)
        self.least = np.fmin(self.least, np.where(good, ticks.least, np.inf).min(axis=0))
        self.greatest = np.fmax(self.greatest, np.where(good, ticks.greatest, -np.inf).max(axis=0))

    def mean(self, column: int) -> float:
        """Return a channel's mean over the step, NaN where it has none."""
        n = int(self.n[column])
        return int(self.sums[column]) / _WHOLE / n if n else math.nan


def spoilt(findings: Sequence[Finding], setup: Setup) -> set[int]:
    """Return the columns whose figure an open finding spoils, now."""
    out: set[int] = set()
    if not findings:
        return out
    for finding in findings:
        if finding.open and finding.kind in _SPOILS and finding.severity is not Severity.REMARK:
            out.update(setup.index(name) for name in finding.channels)
    return out


class Judge:
    """Makes the `soakbench.judge/1` document of one soak from what the panel and the sums hold."""

    def __init__(
        self, setup: Setup, daq: DaqInfo, calibration: Calibration | None, panel: Panel, sums: SoakSums
    ) -> None:
        self.setup, self.daq, self.calibration = setup, daq, calibration
        self.panel, self.sums = panel, sums
        self.findings = panel.book.findings
        self.width_U = setup.decision.width_U
        self.means = [sums.mean(c) for c in setup.pair_columns]
        run = panel.phase.soak_run()
        self.soak_from_min = max(run.from_s, sums.from_s) / 60.0 if run else math.inf
        self.soak_to_min = run.to_s / 60.0 if run and run.to_s is not None else math.inf

    def document(
        self, *, duration_s: float, scans: int, scans_missing: int, skipped: tuple[int, int | None]
    ) -> Any:
        """Return the document: plain JSON types, null for what does not exist."""
        pairs = [self._pair(j) for j in range(len(self.setup.pairs))]
        by_name = {pair["name"]: pair for pair in pairs}
        channels = [by_name.get(c.name) or self._other(i, c) for i, c in enumerate(self.setup.channel)]
        sides = self._side_balance()
        verdict = self._soak_verdict(pairs, sides.get("statements", {}))
        phase = self.panel.phase
        return {
            "schema": "soakbench.judge/1",
            "program": f"soakbench {program_version()}",
            "soak": {
                "verdict": verdict,
                "duration_s": round(duration_s, 3),
                "judged_s": float(self.sums.seconds),
                "scans": scans,
                "scans_missing": scans_missing,
                "clicks": self.panel.pick_up.clicks,
                "says": self._says(verdict, pairs, sides),
                "conditions": self._conditions(),
                "began_hot": phase.began_hot,
                "steps": [{"step": r.step, "from_s": r.from_s, "to_s": r.to_s} for r in phase.runs],
                "states": [{"state": state, "from_s": from_s} for state, from_s in phase.states],
                "lines_skipped": {"count": skipped[0], "first": skipped[1]},
                **sides,
            },
            "channels": channels,
            "findings": [finding_json(f) for f in self.findings],
        }

    # one pair

    def _pair(self, j: int) -> dict[str, Any]:
        channel = self.setup.pairs[j]
        column = self.setup.pair_columns[j]
        mean = self.means[j]
        own_noise = self._noise_u(j)
        out: dict[str, Any] = {
            "name": channel.name,
            "label": channel.label,
            "measures": "pair current",
            "verdict": None,
            "statements": {},
            "settled_at_s": _or_none(self.panel.settled_min[j] * 60.0),
        }
        enough = self._enough(column)
        for figure in ("from_others", "dissipation"):
            unit = "mA" if figure == "from_others" else "pct"
            out[f"{figure}_{unit}"] = out[f"{figure}_expanded_uncertainty_{unit}"] = None
        statements: dict[str, str | None] = {}
        self._settled_figures(out, j, column, mean, own_noise)
        if len(self.setup.pairs) > 1:
            statement = self._from_others(out, j, enough)
            # Nobody can adjust a cathode-biased or class A amp's match: reported, not judged.
            if self.setup.amp.bias == "fixed" and self.setup.amp.operating_class == "AB":
                statements["from the others"] = statement
        statements["drift"] = self._drift(out, j, enough)
        if self.setup.first("HT") is not None:
            statements["dissipation"] = self._dissipation(out, j, mean, enough)
        statements["settled"] = self._settled(j, enough)
        if self.setup.limits.pair_low_mA is not None or self.setup.limits.pair_high_mA is not None:
            statements["own window"] = self._own_window(out, enough)
        out["statements"] = statements
        out["verdict"] = self._with_findings(channel.name, worst(statements.values()))
        if out["verdict"] == PASS and any(s is None for s in statements.values()):
            out["verdict"] = COND_PASS
        return out

    def _enough(self, column: int) -> bool:
        """Whether the soak step was seen long enough and whole enough to be judged on this channel."""
        seconds = self.sums.seconds - int(self.sums.before[column])
        if seconds < _LEAST_MIN * 60:
            return False
        expected = seconds * min(1.0, self.setup.link.scans_per_s)
        return bool(self.sums.n[column] >= (1.0 - _MOST_MISSING) * expected)

    def _noise_u(self, j: int) -> float:
        """Return the noise part of a soak mean: from 10-minute means, which flicker makes unequal.

        Of the pair's own movement: when another pair drops out all the others step up, which is no noise.
        """
        minutes = self.panel.minutes
        first = minutes.since(self.soak_from_min)
        if first >= len(minutes) or math.isnan(self.means[j]):
            return 0.0
        values = own_movement(minutes.currents(first))[:, j] * self.means[j]
        values = values[~np.isnan(values)]
        blocks = [values[i : i + 10].mean() for i in range(0, len(values) - 9, 10)]
        if len(blocks) < 3:
            return 0.0
        steps = np.diff(blocks)  # differences: a drift or a tail is no noise
        return float(np.sqrt(np.mean(steps**2) / 2.0) / math.sqrt(len(blocks)))

    def _settled_figures(self, out: dict[str, Any], j: int, column: int, mean: float, noise: float) -> None:
        out["settled_mA"] = _or_none(mean * 1e3)
        if mean != mean:
            out["expanded_uncertainty_mA"] = out["coverage_factor"] = None
            return
        U, k = value_U(self.setup, self.daq, column, mean, noise, self.calibration)
        out["expanded_uncertainty_mA"] = U * 1e3
        out["coverage_factor"] = k

    def _comparable(self) -> list[float]:
        columns = spoilt(self.findings, self.setup)
        dropped = {self.setup.channel[column].name for column in columns}
        return [
            m if c.name not in dropped else math.nan
            for m, c in zip(self.means, self.setup.pairs, strict=True)
        ]

    def _from_others(self, out: dict[str, Any], j: int, enough: bool) -> str | None:
        out["from_others_mA"] = out["from_others_expanded_uncertainty_mA"] = None
        values = self._comparable()
        known = [v for v in values if v == v]
        if values[j] != values[j] or len(known) < 2:
            return None
        difference = (
            values[j] - float(np.median(known)) if len(self.setup.pairs) > 2 else values[j] - values[1 - j]
        )
        columns = self.setup.pair_columns
        compared = {columns[i]: v for i, v in enumerate(values) if v == v}
        noises = {columns[i]: self._noise_u(i) for i, v in enumerate(values) if v == v}
        U, _ = difference_U(self.setup, self.daq, columns[j], compared, noises, self.calibration)
        out["from_others_mA"] = difference * 1e3
        out["from_others_expanded_uncertainty_mA"] = U * 1e3
        limit = self.setup.limits.match_a(float(np.median(known)))
        out["match_limit_mA"] = limit * 1e3
        if not enough:
            return None
        return two_sided_statement(difference, U, limit, self.width_U)

    def _drift(self, out: dict[str, Any], j: int, enough: bool) -> str | None:
        out["drift_mA_per_h"] = out["drift_interval_mA_per_h"] = None
        rate = self._rate(j)
        if rate is None:
            return None
        level = self.means[j] * 1e3
        out["drift_mA_per_h"] = rate.rate * level
        out["drift_interval_mA_per_h"] = [rate.low * level, rate.high * level]
        limit = self.setup.limits.drift_a_per_h(float(np.nanmedian(self.means))) * 1e3
        out["drift_limit_mA_per_h"] = limit
        if not enough:
            return None
        return interval_statement(rate.rate * level, rate.low * level, rate.high * level, limit, self.width_U)

    def _rate(self, j: int) -> Rate | None:
        """Fit from settled-at, in the last soak step, to its end or to the first finding that spoils it."""
        settled = self.panel.settled_min[j]
        name = self.setup.pairs[j].name
        if settled != settled or self.means[j] != self.means[j]:
            return None
        start = max(settled, self.soak_from_min, self.panel.set_min[j])
        stop = self.soak_to_min
        for finding in self.findings:
            if finding.kind in _SPOILS and name in finding.channels and finding.onset_s / 60.0 > start:
                stop = min(stop, finding.onset_s / 60.0)
        minutes = self.panel.minutes
        first = minutes.since(start)
        t = minutes.t_min[first:]
        if len(t) < 10:
            return None
        own = own_movement(minutes.currents(first))[:, j]
        if len(self.setup.pairs) == 1 and self.setup.first("mains") is not None:
            mains = minutes.mains_v[first:]
            own = own - 1.5 * (mains / np.nanmean(mains) - 1.0)
        good = ~np.isnan(own) & (t <= stop)
        settle = self.setup.limits.settle_a(self.means[j]) / self.means[j]
        rate = drift_rate(t[good], own[good], tail_sd=settle / 2.0, tail_from_min=settled)
        return self._by_hand(rate, j, float(np.ptp(t[good])) / 60.0) if rate is not None else None

    def _by_hand(self, rate: Rate, j: int, hours: float) -> Rate:
        """Widen the rate of a log by hand by what the last digit hides: no noise dithers single readings.

        A rounding of half a step one way in the first half and the other way in the second tilts a fitted
        line by 1.5 steps over its length; the pair's own and that of the others it is compared with.
        """
        if self.setup.link.scans_per_s >= LIVE_SCANS_PER_S:
            return rate
        channel, column = self.setup.pairs[j], self.setup.pair_columns[j]
        step_a = self.daq.converter_step_v(column) / (channel.sense_ohm or 1.0)
        hidden = math.sqrt(2.0) * 1.5 * step_a / self.means[j] / hours
        below, above = math.hypot(rate.rate - rate.low, hidden), math.hypot(rate.high - rate.rate, hidden)
        return Rate(rate.rate, rate.rate - below, rate.rate + above)

    def _dissipation(self, out: dict[str, Any], j: int, mean: float, enough: bool) -> str | None:
        out["dissipation_pct"] = out["dissipation_expanded_uncertainty_pct"] = None
        ht_column = self.setup.first("HT")
        assert ht_column is not None
        ht = self.sums.mean(ht_column)
        if mean != mean or ht != ht:
            return None
        rating = self.setup.ceiling.watts
        power = self.panel.power.watts(j, mean, ht)
        noise_u = self._noise_u(j)
        U, k = dissipation_U(self.setup, self.daq, j, mean, ht, self.calibration, noise_u)
        pct, U_pct = power / rating * 100.0, U / rating * 100.0
        out["dissipation_pct"] = pct
        out["dissipation_expanded_uncertainty_pct"] = U_pct
        out["dissipation_coverage_factor"] = k
        fail = self.setup.limits.fail_pct
        assert fail is not None
        ht_enough = self._enough(ht_column)
        return upper_statement(pct, U_pct, fail, self.width_U) if enough and ht_enough else None

    def _settled(self, j: int, enough: bool) -> str | None:
        """Judge what is still to come at the end against the settling limit."""
        left, u = self.panel.unsettled.left_a[j], self.panel.unsettled.left_u_a[j]
        if left != left or not enough:
            return None
        if self.panel.settled_min[j] == self.panel.settled_min[j]:
            return PASS
        return two_sided_statement(left, 1.96 * u, self.panel.unsettled.limit_a(), self.width_U)

    def _own_window(self, out: dict[str, Any], enough: bool) -> str | None:
        """Judge the settled current against the window that the set-up states: the worse side."""
        mA, U = out["settled_mA"], out["expanded_uncertainty_mA"]
        if mA is None or U is None or not enough:
            return None
        low, high = self.setup.limits.pair_low_mA, self.setup.limits.pair_high_mA
        return worst(
            [
                upper_statement(-mA, U, -low, self.width_U) if low is not None else None,
                upper_statement(mA, U, high, self.width_U) if high is not None else None,
            ]
        )

    def _with_findings(self, name: str, statement: str | None) -> str | None:
        for finding in self.findings:
            if name not in finding.channels or finding.severity is Severity.REMARK:
                continue
            if finding.kind in _FATAL or finding.severity is Severity.TRIP:
                if finding.channel is not None or len(self.setup.pairs) == 1:
                    return FAIL
            elif finding.kind in _AT_BEST_CONDITIONAL_FAIL and finding.open and finding.channel is not None:
                statement = worst([statement, COND_FAIL])
        return statement

    # the others, and the whole

    def _side_balance(self) -> dict[str, Any]:
        """Judge the push side's sum against the pull side's; empty where the set-up knows no sides."""
        pairs = self.setup.pairs
        signs = {"push": 1.0, "pull": -1.0}
        weights = {j: signs[c.side] for j, c in enumerate(pairs) if c.side is not None}
        if set(weights.values()) != {1.0, -1.0}:
            return {}
        pct = U_pct = statement = None
        values = {j: self.means[j] for j in weights}
        mean = sum(values.values()) / 2.0
        if mean > 0:
            apart = sum(weights[j] * values[j] for j in weights)
            U = self._weighted_U(weights, values)
            pct, U_pct = apart / mean * 100.0, U / mean * 100.0
            if all(self._enough(self.setup.pair_columns[j]) for j in weights):
                limit = self.setup.limits.side_balance_pct
                statement = two_sided_statement(pct, U_pct, limit, self.width_U)
        return {
            "statements": {"side balance": statement},
            "side_balance_pct": pct,
            "side_balance_expanded_uncertainty_pct": U_pct,
        }

    def _weighted_U(self, weights: dict[int, float], values: dict[int, float]) -> float:
        """Return U of a weighted sum of pairs' currents, in A; what pairs share acts on the whole sum."""
        normals: list[float] = []
        flats: list[float] = []
        shared: dict[tuple[str, str], float] = {}
        for j, weight in weights.items():
            normals.append(weight * self._noise_u(j))
            column = self.setup.pair_columns[j]
            for term in terms(self.setup, self.daq, column, values[j], self.calibration):
                size = weight * term.value * term.sensitivity
                if term.shared:
                    key = (term.distribution, term.term)
                    shared[key] = shared.get(key, 0.0) + size
                else:
                    (normals if term.distribution == "normal" else flats).append(size)
        for (distribution, _), size in shared.items():
            (normals if distribution == "normal" else flats).append(size)
        return expanded(math.hypot(*normals), [abs(size) for size in flats])[0]

    def _other(self, column: int, channel: Channel) -> dict[str, Any]:
        has = bool(self.sums.n[column] > 0)
        return {
            "name": channel.name,
            "label": channel.label,
            "measures": channel.measures,
            "unit": channel.unit,
            "verdict": None,
            "mean": _or_none(self.sums.mean(column)),
            "least": float(self.sums.least[column]) if has else None,
            "greatest": float(self.sums.greatest[column]) if has else None,
        }

    def _conditions(self) -> dict[str, float | None]:
        out = {}
        for key, measures in (("mains_V", "mains"), ("ht_V", "HT"), ("ambient_C", "ambient temperature")):
            column = self.setup.first(measures)
            out[key] = _or_none(self.sums.mean(column)) if column is not None else None
        return out

    def _soak_verdict(self, pairs: list[dict[str, Any]], whole: dict[str, str | None]) -> str | None:
        findings = [f for f in self.findings if f.severity is not Severity.REMARK]
        if any(f.kind in _FATAL or f.severity is Severity.TRIP for f in findings):
            return FAIL
        if all(s is None for pair in pairs for s in pair["statements"].values()):
            return None
        verdict = worst([*(pair["verdict"] for pair in pairs), *whole.values()])
        if any(f.kind in _AT_BEST_CONDITIONAL_FAIL and f.open for f in findings):
            verdict = worst([verdict, COND_FAIL])
        unjudged = None in whole.values() or any(s is None for p in pairs for s in p["statements"].values())
        return worst([verdict, COND_PASS]) if unjudged else verdict

    def _says(self, verdict: str | None, pairs: list[dict[str, Any]], sides: dict[str, Any]) -> str:
        if verdict is None:
            seconds = self.sums.seconds
            if seconds == 0:
                return "Not judged: the amplifier was never seen in its soak step."
            return f"Not judged: only {seconds / 60:.0f} minutes of the soak were seen, 30 are needed."
        leading = [
            f
            for f in self.findings
            if f.under is None and f.severity is not Severity.REMARK and f.kind is not Kind.GAP
        ]
        leading.sort(key=lambda f: (-f.severity.rank, f.raised_s))
        unjudged = sorted({p["label"] for p in pairs if any(s is None for s in p["statements"].values())})
        rest = f" Not judged in full: {', '.join(unjudged)}." if unjudged else ""
        if leading and verdict != PASS:
            return f"{_sentence(leading[0].says)}{rest}"
        settled = [p["settled_mA"] for p in pairs if p["settled_mA"] is not None]
        apart = [abs(p["from_others_mA"]) for p in pairs if p.get("from_others_mA") is not None]
        match = f", matched within {max(apart):.1f} mA" if apart else ""
        if verdict == PASS:
            count = "the pair" if len(pairs) == 1 else f"all {len(pairs)} pairs"
            return (
                f"Settled at {min(settled):.1f} to {max(settled):.1f} mA{match}, steady: {count} pass.{rest}"
            )
        if verdict != COND_PASS and sides and sides["statements"]["side balance"] == verdict:
            close = ", too close to call" if verdict == COND_FAIL else ""
            return f"The sides differ by {abs(sides['side_balance_pct']):.1f} % of their mean{close}.{rest}"
        worst_pair = max(pairs, key=lambda p: ORDER.index(p["verdict"]) if p["verdict"] else -1)
        why = [name for name, s in worst_pair["statements"].items() if s == worst_pair["verdict"]]
        if verdict == COND_PASS and not why:
            return f"No fault was found{match}.{rest}"
        close = ", too close to call" if verdict in (COND_PASS, COND_FAIL) else ""
        return f"{worst_pair['label']}: {' and '.join(why) or 'a finding'}{close}.{rest}"


def finding_json(finding: Finding) -> dict[str, Any]:
    """Return a finding as files and screens carry it."""
    return {
        "id": finding.id,
        "under": finding.under,
        "kind": finding.kind.value,
        "channel": finding.channel,
        "channels": list(finding.channels),
        "onset_s": finding.onset_s,
        "raised_s": finding.raised_s,
        "cleared_s": finding.cleared_s,
        "severity": finding.severity.value,
        "acknowledged_s": finding.acknowledged_s,
        "says": finding.says,
        "advice": finding.advice,
    }


def program_version() -> str:
    """Return the installed version."""
    try:
        return version("soakbench")
    except PackageNotFoundError:
        return "unknown"


def _sentence(text: str) -> str:
    """End it with a full stop; a channel's name at its start stays as it is written."""
    return text if text.endswith(".") else f"{text}."


def _or_none(value: float) -> float | None:
    return value if math.isfinite(value) else None
