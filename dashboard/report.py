"""The report of a soak: the customer's page, then the workshop's with verdict, chart, table, conditions,
decision rule, cautions.

`gather` reads the store, `document` says everything in words, `chart_svg` draws, `report_files` prints.
Whatever came from a file, a device or a form reaches the page as data and is never markup.
"""

from __future__ import annotations

import math
import sqlite3
import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

from dashboard import customer, report_files, words
from dashboard import series as curves
from dashboard.bench import Look, finding_from
from dashboard.figures import Band, Story, by_state, declared, match_limit
from dashboard.report_chart import chart_png, chart_svg, left_off, shortened, summary
from dashboard.report_files import Paper, Report
from dashboard.series import Series
from dashboard.shop import NO_SHOP, Shop
from dashboard.shop import load as load_shop
from logger.blocks import Mark
from logger.calibrate import standing
from logger.clock import Clock
from logger.convert import Calibration
from logger.finding import Finding, Kind, Severity
from logger.setup import Setup, Step
from logger.store.reader import Reader, Soak
from logger.units import quantity

Json = dict[str, Any]

SIGNS: Final = {"remark": "•", "question": "?", "warning": "▲", "trip": "■"}
LOOKS: Final[dict[str | None, tuple[str, str]]] = {
    "pass": ("", "plain"),
    "conditional pass": ("▲ ", "close"),
    "conditional fail": ("▲ ", "close"),
    "fail": ("■ ", "bad"),
    None: ("", "quiet"),
}
"""Sign and look of each statement: never colour alone, and fine is plain."""

_GAPS_SAID: Final = 20
"""One by one; of more only how many and how long."""

CAUTIONS: Final = (
    "HT (B+) in a valve amplifier is lethal, also after switching off: an HT reading of zero proves nothing, "
    "and no figure in this report says that anything is discharged.",
    "Valves are hot. Power off before moving valves or leads, and keep one hand away from the chassis. Worn "
    "pots go open: turn them slowly. No signal without a load.",
    "Never leave an amplifier running with nobody in the building.",
    "soakbench is no certified protective device. Local codes and licensed practice come first.",
)


@dataclass(frozen=True)
class ReportData:
    """All that a report is made of.

    `judged` is the `soakbench.judge/1` document; `findings` those of the soak as they stand; `printed` is
    when the report was made; `calibration` what the figures rest on, None for what the set-up states.
    """

    soak: Soak
    judged: Json
    findings: tuple[Finding, ...]
    series: Series
    printed: datetime
    calibration: Calibration | None = None
    marks: tuple[Mark, ...] = ()

    @property
    def end_s(self) -> float:
        """Time of the last scan."""
        return (self.soak.last_t_us or 0) / 1e6

    @property
    def pairs(self) -> list[Json]:
        """The judged pairs, in the order of the amp."""
        return [channel for channel in self.judged["channels"] if channel["measures"] == "pair current"]


def write_report(
    reader: Reader,
    soak_id: int | str,
    out: Path,
    *,
    clock: Clock,
    force: bool = False,
    calibration: int | str = "in force",
    paper: Paper = "a4",
    shop_file: Path | None = None,
) -> Path:
    """Write a soak's report to `out` and return that path: PDF, HTML, or a PNG of the chart alone.

    `calibration`: "in force" for the one the soak was measured by, else it is judged anew with "none",
    "newest" or that number.

    The file appears whole or not at all. FileExistsAlready unless `force`; RequestError where the name ends
    otherwise, the folder is missing, or the disk refuses; StoreError where the store can't be read.
    """
    report_files.check_place(out, force=force)
    shop = NO_SHOP if shop_file is None else load_shop(shop_file)
    data = gather(reader, soak_id, clock, calibration)
    match out.suffix.lower():
        case ".png":
            made = chart_png(data.series, story_of(data))
        case ".html":
            made = report_files.page_html(of_soak(data, shop)).encode()
        case _:
            made = report_files.compile_pdf(of_soak(data, shop), paper)
    return report_files.put(made, out, force=force)


def of_soak(data: ReportData, shop: Shop = NO_SHOP) -> Report:
    """Return the report of one soak: the customer's page, the workshop's behind it."""
    page = document(data)
    story = story_of(data)
    return Report(
        words={
            **report_head(page["title"], shop),
            "footer": page["footer"],
            "short": page["short"],
            "customer": customers(data),
            "job": None,
            "soaks": [page],
        },
        charts={
            "customer": chart_svg(data.series, story, plain=True),
            page["chart"]["name"]: chart_svg(data.series, story),
        },
        pictures=shop_pictures(shop),
        printed=data.printed,
    )


def report_head(title: str, shop: Shop) -> Json:
    """Return what stands above each kind of report."""
    return report_files.on_paper(
        {
            "title": title,
            "shop": {
                "name": shop.name,
                "address": list(shop.address),
                "logo": "shop-logo.png" if shop.logo else "",
            },
        }
    )


def shop_pictures(shop: Shop) -> dict[str, bytes]:
    """Return the shop's logo under the name that the head has for it."""
    return {"shop-logo.png": shop.logo} if shop.logo else {}


def customers(data: ReportData) -> Json:
    """Return the customer's page of a soak that belongs to no job."""
    judged, setup = data.judged["soak"], data.soak.setup
    sign, look = LOOKS[judged["verdict"]]
    page = customer.page(
        title="Report on your amplifier",
        amp=data.soak.amp,
        facts=[
            ["Measured", moment_words(data.soak.started)],
            ["Soak", f"{data.soak.id}, {data.soak.uuid[:8]}"],
        ],
        word=f"{sign}{capital(words.statement(judged['verdict']))}",
        look=look,
        stands=judged["verdict"],
        says=customer.result(judged["verdict"], data.end_s, sentence(judged["says"], setup.names)),
        lists=[
            customer.listed("Valves", [f"{setup.amp.valve}; what was fitted was not recorded with this soak"])
        ],
        chart=customer_chart(data),
    )
    return report_files.on_paper(page)


def customer_chart(data: ReportData) -> Json:
    """Return the words that go with the customer's chart."""
    return {
        "name": "customer",
        "alt": summary(data.series, story_of(data), plain=True),
        "caption": "Idle current of each pair of output valves, warming up and soaking: the lines should "
        "level out and stay together.",
    }


def gather(
    reader: Reader, soak_id: int | str, clock: Clock, calibration: int | str = "in force"
) -> ReportData:
    """Read a soak with its curves. One without a stored verdict (broken off, still running) is judged now.

    So is one that is to be seen with another calibration than it was measured by.
    """
    soak = reader.soak(soak_id)
    stored = tuple(reader.findings(soak.id))
    if soak.verdict is not None and calibration == "in force":
        judged, findings = soak.verdict, stored
    else:
        from logger.judge import judge_soak  # slow to import, and seldom needed

        judged = judge_soak(reader, soak.id, calibration=calibration)
        findings = tuple(finding_from(item) for item in judged["findings"])
    span_s = (soak.last_t_us or 0) / 1e6
    finest_s = 0.0 if soak.has_scans() else curves.ROLLED_S
    level_s = curves.level_for(span_s, soak.setup.link.scans_per_s, len(soak.setup.pairs), finest_s=finest_s)
    holes = Look(soak, findings, None).holes()
    series = curves.read(reader, soak, level_s, holes, calibration=calibration)
    known = reader.calibration_of(soak, calibration)
    marks = tuple(reader.marks(soak.id))
    return ReportData(soak, judged, findings, series, clock.wall(), known, marks)


def story_of(data: ReportData) -> Story:
    """Return what the report's chart tells beside its lines."""
    end_s = max(data.end_s, 10.0)
    steps = tuple(
        Band(step["step"], step["from_s"], end_s if step["to_s"] is None else step["to_s"])
        for step in data.judged["soak"]["steps"]
    )
    return Story(
        uuid=data.soak.uuid,
        setup=data.soak.setup,
        steps=steps,
        states=_states(data),
        findings=words.findings_listed(data.findings, words.ON_PAPER)[0],
        marks=words.marks_listed(data.marks, words.ON_PAPER)[0],
        gaps=tuple(_gaps(data)),
        settled_at_s={
            pair["name"]: pair["settled_at_s"] for pair in data.pairs if pair["settled_at_s"] is not None
        },
        match_a=_match_a(data),
        x_end_s=end_s,
    )


def _states(data: ReportData) -> tuple[Band, ...]:
    return declared(data.judged["soak"]["states"], max(data.end_s, 10.0))


def _gaps(data: ReportData) -> list[tuple[float, float]]:
    """Return the stretches in which nothing at all was read; late scans that lost nothing are no gap."""
    return [
        (finding.onset_s, data.end_s if finding.cleared_s is None else finding.cleared_s)
        for finding in data.findings
        if finding.kind is Kind.GAP and finding.channel is None and finding.severity is not Severity.REMARK
    ]


def _match_a(data: ReportData) -> float:
    settled = [pair["settled_mA"] / 1000.0 for pair in data.pairs if pair["settled_mA"] is not None]
    return match_limit(data.soak.setup, settled)


# ------------------------------------------------------------------ the page in words


def document(data: ReportData, *, of_job: bool = False) -> Json:
    """Say all that the workshop's page of a soak shows: plain strings, in its order, each printable as it is.

    `of_job`: it stands behind the sheet of a job, which has the valves' numbers and the cautions.
    """
    soak, judged = data.soak, data.judged["soak"]
    setup = soak.setup
    story = story_of(data)
    sign, look = LOOKS[judged["verdict"]]
    page = {
        "title": f"Soak report: {shortened(soak.amp, 200)}",
        "amp": shortened(soak.amp, 200),
        "facts": [
            ["Bench", shortened(soak.bench, 80)],
            ["Began", moment_words(soak.started)],
            ["Length", words.duration(data.end_s)],
            ["Readings", f"{soak.kind}; {_how_it_ended(soak)}"],
            ["Soak", f"{soak.id}, {soak.uuid[:8]}"],
            ["Printed", moment_words(data.printed)],
            ["Valves", f"{setup.amp.valve}, {_each(setup)} on each of {len(setup.pairs)} sense resistors"],
            ["Plan", shortened(", ".join(_step(step) for step in setup.plan.steps), 60)],
        ],
        "verdict": {
            "word": f"{sign}{capital(words.statement(judged['verdict']))}",
            "look": look,
            "says": sentence(judged["says"], setup.names),
        },
        "note": _standing(data),
        "heading": f"Soak {soak.id}, {soak.kind}" if of_job else "Soak report",
        "chart": {
            "name": f"soak-{soak.id}",
            "alt": summary(data.series, story),
            "caption": _caption(story) + _drawn_from(soak),
        },
        "findings": [_finding_row(finding, setup) for finding in story.findings],
        "more_findings": words.findings_listed(data.findings, words.ON_PAPER)[1],
        "marks": [_mark_row(*row) for row in words.mark_rows(story.marks)],
        "more_marks": words.marks_listed(data.marks, words.ON_PAPER)[1],
        "table": _table(data),
        "conditions": _conditions(data),
        "sections": [
            {"title": title, "lines": lines}
            for title, lines in (
                ("Valves and rating", _valves(setup, of_job=of_job)),
                ("Decision rule and limits", _rule(data)),
                ("Uncertainty", _uncertainty(data)),
                ("Checks before power", _before_power(data.soak)),
                ("What was not measured or not judged", _not_judged(data)),
                ("Cautions", [] if of_job else list(CAUTIONS)),
            )
            if lines
        ],
        "footer": f"{footer_words()}, judged by {data.judged['program']}, SQLite {sqlite3.sqlite_version}",
        "short": f"{shortened(soak.amp, 30)} · soak {soak.uuid[:8]}",
    }
    return {key: report_files.on_paper(value) for key, value in page.items()}


def footer_words() -> str:
    """Say what printed a report."""
    return f"printed by soakbench {version('soakbench')}"


def moment_words(moment: datetime) -> str:
    """Print a moment in the zone of the machine that prints, and say which zone that is."""
    local = moment.astimezone()
    offset = f"{local:%z}"
    zone = "UTC" if offset == "+0000" else f"UTC{offset[:3]}:{offset[3:5]}".replace("-", words.MINUS)
    return f"{local.day} {local:%B %Y, %H:%M} {zone}"


def _how_it_ended(soak: Soak) -> str:
    match soak.how:
        case None:
            return "no end is recorded"
        case "finished":
            return "the plan was run to its end"
        case "stopped":
            return "stopped by hand"
        case how:
            return how


def _standing(data: ReportData) -> str:
    """Return the line that stands above the verdict where it is not that of a whole soak."""
    after = words.duration(data.end_s)
    if data.soak.ended is None:
        return (
            "No end of this soak is recorded: it still ran when this was printed, or it was cut off. It is "
            f"judged as it stood after {after}."
        )
    if data.soak.how == "broken off":
        return f"This soak was broken off after {after}: only what was stored until then is judged."
    if data.judged["soak"].get("began_hot"):
        return "The record began with the amplifier already hot: its steps count from the first scan."
    return ""


def _caption(story: Story) -> str:
    parts = []
    if story.settled_at_s:
        parts.append("upright ticks on the lines: the pair was settled from there")
    if story.gaps:
        parts.append("hatched: no reading")
    if story.findings:
        parts.append("numbered signs: the findings below, dotted from their onset until they were raised")
    if story.marks:
        parts.append("strokes on the time axis: the marks below")
    missing = left_off(story)
    if missing:
        parts.append(f"{missing} more in the list only")
    limits = "Limits in the upper chart are drawn for nominal HT."
    return f"{sentence('; '.join(parts))} {limits}".strip()


def _drawn_from(soak: Soak) -> str:
    if soak.thinned is None:
        return ""
    return f" Drawn from roll-ups: its scans are archived, and it was thinned on {soak.thinned.at:%Y-%m-%d}."


def _finding_row(finding: Finding, setup: Setup) -> Json:
    labels = {channel.name: shortened(channel.label, 60) for channel in setup.channel}
    who, look = words.whom(finding, labels), words.look(finding)
    asked = finding.kind is Kind.QUESTION
    under = "" if finding.under is None else f" (follows from {finding.under})"
    return {
        "number": str(finding.id),
        "sign": SIGNS[look],
        "look": {"remark": "quiet", "question": "plain", "warning": "close", "trip": "bad"}[look],
        "what": f"{capital(finding.kind.value)}{f', {who}' if who else ''}{under}",
        "when": _asked_when(finding) if asked else f"{look} · {_when(finding)}",
        "says": sentence(shortened(finding.says, 600), setup.names),
        "advice": "" if asked and not finding.open else sentence(shortened(finding.advice, 300)),
    }


def _when(finding: Finding) -> str:
    times = f"since {words.duration(finding.onset_s)}"
    if finding.raised_s - finding.onset_s >= 60.0:
        times += f", raised at {words.duration(finding.raised_s)}"
    if finding.acknowledged_s is not None:
        times += f", acknowledged at {words.duration(finding.acknowledged_s)}"
    if finding.cleared_s is None:
        return f"{times}, still open at the end"
    return f"{times}, cleared at {words.duration(finding.cleared_s)}"


def _asked_when(finding: Finding) -> str:
    return f"{words.timing(finding)}{', not answered' if words.waits(finding) else ''}"


def _mark_row(t_s: float, kind: str, text: str) -> Json:
    return {"when": words.duration(t_s), "kind": kind, "text": shortened(text, 200)}


# ------------------------------------------------------------------ the table


def _table(data: ReportData) -> Json:
    channels = {channel.name: channel for channel in data.soak.setup.pairs}
    rows = []
    for pair in data.pairs:
        channel = channels[pair["name"]]
        sign, look = LOOKS[pair["verdict"]]
        rows.append(
            {
                "name": channel.name,
                "sockets": shortened(", ".join(channel.sockets), 60),
                "cells": _cells(pair),
                "verdict": {"word": f"{sign}{words.statement(pair['verdict'])}", "look": look},
            }
        )
    limits = data.soak.setup.limits
    window = words.window(limits.pair_low_mA, limits.pair_high_mA)
    return {
        "head": [
            ["Pair", ""],
            ["Settled current", f"mA; when settled; own window {window}" if window else "mA; when settled"],
            ["From the other" if len(rows) == 2 else "From the others", "mA"],
            ["Drift", "mA an hour"],
            ["Dissipation", "% of rating, mean per valve"],
            ["Verdict", ""],
        ],
        "rows": rows,
        "sides": _sides(data),
    }


def _sides(data: ReportData) -> Json | None:
    """Return the balance of the sides with its statement, None where the set-up knows no sides."""
    soak = data.judged["soak"]
    statements = soak.get("statements", {})
    if "side balance" not in statements:
        return None
    pct, U = soak["side_balance_pct"], soak["side_balance_expanded_uncertainty_pct"]
    figure = _measured(pct, U, signed=True)
    limit = f"limit {data.soak.setup.limits.side_balance_pct:g} %"
    cell = _cell(figure, statements, "side balance")
    return {**cell, "figure": f"push less pull {figure} % of their mean, {limit}" if figure else limit}


def _cells(pair: Mapping[str, Any]) -> list[Json]:
    """Return one pair's figures, each with its statement."""
    statements, at_s = pair["statements"], pair["settled_at_s"]
    if at_s is not None:
        reached = f"at {words.duration(at_s)}"
    else:
        reached = "" if statements.get("settled") is None else "not settled"
    settled = _measured(pair["settled_mA"], pair["expanded_uncertainty_mA"])
    others = _measured(
        pair.get("from_others_mA"), pair.get("from_others_expanded_uncertainty_mA"), signed=True
    )
    drift = _interval(pair.get("drift_mA_per_h"), pair.get("drift_interval_mA_per_h"))
    dissipation = _measured(pair.get("dissipation_pct"), pair.get("dissipation_expanded_uncertainty_pct"))
    first = _cell(settled, statements, "settled", reached)
    if "own window" in statements:
        first["also"] = _cell(settled, statements, "own window", "own window")
    return [
        first,
        _cell(others, statements, "from the others"),
        _cell(drift, statements, "drift"),
        _cell(dissipation, statements, "dissipation"),
    ]


def _cell(figure: str, statements: Mapping[str, str | None], name: str, before: str = "") -> Json:
    """Return a figure and, to go under it, its statement in words; both are said where they do not exist."""
    if name in statements:
        sign, look = LOOKS[statements[name]]
        word = f"{sign}{words.statement(statements[name])}"
    else:
        word, look = "not judged with this set-up", "quiet"
    return {"figure": figure or "no figure", "word": f"{before}: {word}" if before else word, "look": look}


def _measured(value: float | None, U: float | None, *, signed: bool = False) -> str:
    """Print a figure with its expanded uncertainty, empty where there is none; the head says the unit."""
    if value is None or not math.isfinite(value):
        return ""
    text = quantity(value, math.nan if U is None else U, "").strip().replace("-", words.MINUS)
    return f"+{text}" if signed and text[0] != words.MINUS and float(text.split(" ")[0]) > 0.0 else text


def _interval(value: float | None, interval: Sequence[float] | None) -> str:
    """Print a figure with its 95 % interval, all to the place of the interval's half-width."""
    if interval is None:
        return _measured(value, None, signed=True)
    half = abs(interval[1] - interval[0]) / 2.0
    figure, low, high = (_measured(each, half, signed=True).split(" ± ")[0] for each in (value, *interval))
    return f"{figure} ({low} to {high})" if figure else ""


# ------------------------------------------------------------------ the words below it


def _conditions(data: ReportData) -> Json:
    """Mean, least and greatest over the soak step of every channel that is not a pair's; what else was.

    `notes`: clicks, and what a person declared or said.
    """
    rows = []
    for channel in data.judged["channels"]:
        if channel["measures"] in ("pair current", "push button"):
            continue
        _, unit = words.shown(None, channel["unit"])
        decimals = 0 if channel["measures"] == "HT" else 1
        figures = [words.number(channel[key], decimals) for key in ("mean", "least", "greatest")]
        if channel["mean"] is None:
            figures = ["no reading", "", ""]
        rows.append([f"{capital(channel['measures'])} ({channel['name']})", *figures, unit])
    notes = [
        f"{capital(name)} {words.stretches(found)}: {_RESTS[name]}."
        for name, found in by_state(_states(data)).items()
    ]
    clicks = data.judged["soak"].get("clicks")
    if clicks:
        notes.insert(0, f"{words.clicks(clicks)}.")
    if data.marks:
        notes.append(f"{len(data.marks)} mark{'' if len(data.marks) == 1 else 's'}, listed above.")
    return {
        "head": ["Over the soak step", "mean", "least", "greatest", ""],
        "rows": rows,
        "note": " ".join(notes),
    }


_RESTS: Final = {
    "under signal": "no idle figure was taken",
    "setting bias": "drift, mismatch and settling were not judged",
}
"""What a declared state leaves out."""


def _valves(setup: Setup, *, of_job: bool) -> list[str]:
    amp, rating, ceiling = setup.amp, setup.rating, setup.ceiling
    each = _each(setup)
    valves = "valve (tube)" if each == "1" else "valves (tubes)"
    rated = (
        f"Rating: {ceiling.how.replace('anode', 'anode (plate)')}, {ceiling.watts:g} W a valve, "
        f"{rating.system}. Source: {ceiling.source}."
    )
    if rating.choice:
        rated += f" The type has several sheets; this is the one named {rating.sheet}: {rating.choice}."
    if ceiling.from_memory:
        rated += " The figure is from memory: it was not confirmed in a copy of the sheet."
    return [
        f"{amp.valve}, {each} {valves} on each sense resistor, {amp.bias} bias, class {amp.operating_class}, "
        f"{amp.connection}; nominal HT (B+) {amp.nominal_ht_V:g} V, mains {amp.nominal_mains_V:g} V. "
        + (
            "What sat where: see the job." if of_job else "Makes, dates and serial numbers were not recorded."
        ),
        rated,
    ]


def _each(setup: Setup) -> str:
    """Say how many valves share a sense resistor."""
    count = {setup.valves_on(channel) for channel in setup.pairs}
    return f"{min(count)}" if len(count) == 1 else f"{min(count)} to {max(count)}"


def _step(step: Step) -> str:
    return f"{step.step} {words.duration(step.seconds)}"


def _rule(data: ReportData) -> list[str]:
    setup = data.soak.setup
    limits, decision = setup.limits, setup.decision
    settled = [pair["settled_mA"] for pair in data.pairs if pair["settled_mA"] is not None]
    median_mA = statistics.median(settled) if settled else None
    match = _limit(limits.match_mA, limits.match_pct, median_mA)
    drift = _limit(limits.drift_mA_per_h, limits.drift_pct_per_h, median_mA)
    settle = _limit(limits.settle_mA, limits.settle_pct, median_mA)
    if decision.width_U == 0.0:
        rule = (
            "Simple acceptance, agreed in the set-up before the soak: a figure within its limit passes, one "
            "beyond it fails. Close to a limit, up to half of such statements may be wrong."
        )
    else:
        width = "U" if decision.width_U == 1.0 else f"{decision.width_U:g} U"
        rule = (
            f"Guard band w = {width}, agreed in the set-up before the soak. Within the limit by more than w: "
            "pass; within it by less: pass, too close to call; beyond it by up to w: fail, too close to "
            "call; further beyond: fail. These are the four statements of ILAC-G8:09/2019, clause 4.2.3."
        )
    window = words.window(limits.pair_low_mA, limits.pair_high_mA)
    own = f"; settled current {window} mA, the set-up's own window" if window else ""
    if "side balance" in data.judged["soak"].get("statements", {}):
        own += f"; sides apart by at most {limits.side_balance_pct:g} % of their mean"
    return [
        f"{rule} Unrounded numbers decide. A pair and the soak take their worst statement; some findings "
        "make it a fail by themselves.",
        f"Limits: from the others ±{match}; drift {drift} an hour; settled once within {settle} of where it "
        f"ends; dissipation {limits.fail_pct:g} % of the rating, with a warning from "
        f"{limits.warn_pct:g} %{own}. Per cent of a current count from the pairs' median.",
    ]


def _limit(stated_mA: float | None, per_cent: float | None, of_mA: float | None) -> str:
    if stated_mA is not None or per_cent is None:
        return f"{stated_mA:g} mA"
    return f"{per_cent:g} %" if of_mA is None else f"{per_cent:g} % (here {per_cent / 100.0 * of_mA:.1f} mA)"


def _uncertainty(data: ReportData) -> list[str]:
    whole = data.judged["soak"].get("statements", {})
    every = [whole, *(pair["statements"] for pair in data.pairs)]
    made = sum(statement is not None for statements in every for statement in statements.values())
    if made == 0:
        statements = "No statement was made."
    elif made == 1:
        statements = "1 statement was made; it holds with 95 %."
    else:
        statements = f"{made} statements were made: each holds with 95 %, all of them together with less."
    return [
        "Behind ± stands U, the half-width of the shortest interval that holds the true value with 95 % "
        "probability: noise and what the measuring chain may be wrong by, together."
        f"{_coverage(data.pairs)} For drift the whole 95 % interval is printed. An error that all pairs "
        "share, such as the converter's gain, cancels in their differences.",
        statements,
        *standing(data.soak.setup, data.calibration, data.soak.started),
    ]


def _coverage(pairs: Iterable[Mapping[str, Any]]) -> str:
    found = sorted(pair["coverage_factor"] for pair in pairs if pair.get("coverage_factor") is not None)
    if not found:
        return ""
    low, high = f"{found[0]:.2f}", f"{found[-1]:.2f}"
    return (
        f" For the settled currents its coverage factor is k = {low if low == high else f'{low} to {high}'}."
    )


def _before_power(soak: Soak) -> list[str]:
    """List what the checks before power found; a soak of before there were any has none."""
    if not soak.checks:
        return ["No checks were made."]
    words_of = {"odd": "Odd", "stop": "STOP"}
    found = [one for one in soak.checks if one["result"] != "fine"]
    fine = len(soak.checks) - len(found)
    load = next((one["says"] for one in soak.checks if one["check"] == "load"), "")
    lines = [f"{fine} of {len(soak.checks)} were fine. Load: {load}."]
    return lines + [f"{words_of[one['result']]}, {one['check']}: {one['says']}." for one in found]


def _not_judged(data: ReportData) -> list[str]:
    setup, judged = data.soak.setup, data.judged["soak"]
    lines = []
    shared = [channel for channel in setup.pairs if setup.valves_on(channel) > 1]
    if shared:
        lines.append(
            "Valves that share a sense resistor were measured together: how their current is split between "
            "them was not measured, and dissipation is their mean."
        )
    unjudged: dict[tuple[str, ...], list[str]] = {}
    for pair in data.pairs:
        missing = tuple(name for name, statement in pair["statements"].items() if statement is None)
        unjudged.setdefault(missing, []).append(pair["name"])
    for missing, names in unjudged.items():
        if missing:
            whose = "every pair" if len(names) == len(data.pairs) > 1 else ", ".join(names)
            lines.append(f"Not judged of {whose}: {', '.join(missing)}.")
    lines += [
        f"Not judged of the soak: {name}."
        for name, statement in judged.get("statements", {}).items()
        if statement is None
    ]
    absent = [
        (measures, consequence)
        for measures, consequence in (
            ("HT", "dissipation is not judged"),
            ("mains", "what the mains did is told from the pairs alone"),
            ("ambient temperature", "the room's part in a movement is not known"),
        )
        if setup.first(measures) is None
    ]
    lines += [f"Not measured: {measures}; {consequence}." for measures, consequence in absent]
    gaps = _gaps(data)
    for from_s, to_s in gaps[:_GAPS_SAID]:
        lines.append(f"No reading for {words.duration(to_s - from_s)} from {words.duration(from_s)} on.")
    if len(gaps) > _GAPS_SAID:
        rest_s = sum(to_s - from_s for from_s, to_s in gaps[_GAPS_SAID:])
        lines.append(
            f"No reading {len(gaps) - _GAPS_SAID:,} times more, for {words.duration(rest_s)} together."
        )
    if judged["scans_missing"]:
        whole = judged["scans"] + judged["scans_missing"]
        lines.append(f"{judged['scans_missing']:,} of {whole:,} scans are missing.")
    skipped = judged["lines_skipped"]
    if skipped["count"]:
        lines.append(
            f"{skipped['count']} lines of the log could not be read, the first is line {skipped['first']}."
        )
    lines.append(
        f"The soak step was seen for {words.duration(judged['judged_s'])}: what a valve does in a longer "
        "time, with signal, or knocked, was not measured."
    )
    return lines


def capital(text: str) -> str:
    """Begin a text with a capital letter."""
    return text[:1].upper() + text[1:]


def sentence(text: str, names: Sequence[str] = ()) -> str:
    """Make a whole sentence of a text; a name such as pair3 keeps its first letter."""
    text = text.strip()
    if text.split(" ", 1)[0].rstrip(",:;") not in names or text.split(" ", 1)[0].isalpha():
        text = capital(text)
    return f"{text}." if text and text[-1] not in ".:?…" else text
