"""The Soak page: one soak from start to verdict. It stands for a running soak too."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date
from typing import Any, Final

from dash import Dash, Input, Output, State, ctx, dcc, html, set_props

from dashboard import chart, words
from dashboard.bench import IN_FORCE, Absent, Bench, Look
from dashboard.chart import spoken
from dashboard.figures import by_state
from dashboard.pages import compare, parts
from dashboard.pages.live import age_in_words, state_in_words, title
from dashboard.pages.parts import Children
from dashboard.told import Told
from logger import units
from logger.calibrate import OVER_AGE, in_force, standing
from logger.convert import Calibration
from logger.errors import RequestError
from logger.finding import Finding, Kind, Severity
from logger.setup import Setup
from logger.store.reader import Reader, Soak

POLL_MS: Final = 2000
_PLACES: Final = {
    "head": ("soak-head", "children"),
    "verdict": ("soak-verdict", "children"),
    "hidden": ("soak-chart", "hidden"),
    "findings": ("soak-findings", "children"),
    "marks": ("soak-marks", "children"),
    "table": ("soak-table", "children"),
    "calibration": ("soak-calibration-says", "children"),
    "choices": ("soak-choice", "options"),
    "hidden choices": ("soak-choices", "hidden"),
    "status": ("soak-choice-status", "children"),
    "conditions": ("soak-conditions", "children"),
    "checks": ("soak-checks", "children"),
    "title": ("title", "data"),
}
"""Where each part of the page stands."""


def layout(which: int | str) -> list[Any]:
    """Return the page's frame for a soak's number or `last`."""
    return [
        dcc.Store(id="which", data=which),
        dcc.Store(id="calibration", data=IN_FORCE),
        dcc.Store(id="soak-known"),
        chart.unit_store("soak-unit"),
        dcc.Interval(id="soak-tick", interval=POLL_MS),
        html.Header(id="soak-head", className="page-head"),
        html.Section(id="soak-verdict", **{"aria-live": "polite", **spoken("Verdict")}),
        html.Div(chart.component(), id="soak-chart"),
        html.Section(id="soak-findings", **spoken("Findings")),
        html.Section(id="soak-marks", **spoken("Marks")),
        html.Section(id="soak-table", **spoken("Figures of each pair")),
        html.Section(
            [
                html.Div(id="soak-calibration-says", className="calibration"),
                html.Fieldset(
                    [
                        html.Legend("Look at this soak with"),
                        dcc.RadioItems(id="soak-choice", options=[], value=IN_FORCE, className="choices"),
                        html.P(id="soak-choice-status", className="choice-status", role="status"),
                    ],
                    id="soak-choices",
                    className="choice",
                    hidden=True,
                ),
            ],
            id="soak-calibration",
            **spoken("Calibration"),
        ),
        html.Section(id="soak-conditions", **spoken("Conditions")),
        html.Section(id="soak-checks", **spoken("Checks before power")),
    ]


def register(app: Dash, bench: Bench) -> None:
    """Add the page's callback."""
    chart.keep_unit(app, "soak-unit")
    told = Told()

    @app.callback(
        Output("soak-known", "data"),
        Input("soak-tick", "n_intervals"),
        Input("soak-choice", "value"),
        Input("soak-unit", "data"),
        State("which", "data"),
        State("soak-known", "data"),
    )
    def follow(
        _: int | None,
        calibration: int | str | None,
        unit: str | None,
        which: int | str,
        known: str | None,
    ) -> str:
        if ctx.triggered_id == "soak-choice":
            # The chart's too, which stands on pages without a choice and so can't ask for it.
            set_props("calibration", {"data": calibration})
        look = bench.look(which, calibration)
        now = (
            _nothing(look)
            if isinstance(look, Absent)
            else _page(look, bench.reader, unit or units.PAIR_UNITS[0])
        )
        if isinstance(look, Look) and look.waiting and known:
            # The last figures stay until the others are there.
            waits = {name: now[name] for name in ("choices", "hidden choices", "status")}
            return told.tell(known, waits, _PLACES, rest_stays=True)
        return told.tell(known, now, _PLACES)


def _nothing(absent: Absent) -> dict[str, Any]:
    """Return what stands on the page where there is no soak, part by part."""
    return {
        "head": None,
        "verdict": parts.nothing(absent),
        "hidden": True,
        "findings": None,
        "marks": None,
        "table": None,
        "calibration": None,
        "choices": [],
        "hidden choices": True,
        "status": "",
        "conditions": None,
        "checks": None,
        "title": f"{absent.title} · soakbench",
    }


def _page(look: Look, reader: Reader, unit: str) -> dict[str, Any]:
    """Return the page, part by part."""
    options = choices(look, reader)
    return {
        "head": head(look, reader),
        "verdict": verdict(look),
        "hidden": look.soak.last_t_us is None,
        "findings": findings(look),
        "marks": marks(look),
        "table": table(look, unit),
        "calibration": calibration(look, reader),
        "choices": options,
        "hidden choices": len(options) < 2,
        "status": choice_status(look),
        "conditions": conditions(look),
        "checks": checks(look),
        "title": title(look) if look.running else f"{_result(look)} · {look.soak.amp}",
    }


def _result(look: Look) -> str:
    document = look.soak.verdict
    return words.statement(document["soak"]["verdict"]) if document else "not judged"


def head(look: Look, reader: Reader) -> Children:
    """Return amplifier, number, date, length, how it ended; the ways to job, comparison and neighbours."""
    soak = look.soak
    soaks = reader.soaks()
    numbers = [one.id for one in soaks]
    started = soak.started.astimezone()
    facts: Children = [
        html.Span(f"Soak {soak.id}, {soak.kind}"),
        html.Span(f"begun {started:%Y-%m-%d} at {started:%H:%M}"),
    ]
    if look.running:
        stale = look.stale and soak.last_t_us is not None
        facts += [
            html.Span(state_in_words(look), className="state"),
            html.Span(f"{words.duration(look.now_s)} elapsed"),
            html.Span(age_in_words(look), className="age stale" if stale else "age"),
        ]
    else:
        facts += [html.Span(f"{words.duration(look.last_s)} long"), html.Span(str(soak.how or "ended"))]
    thinned: Children = []
    if soak.thinned is not None:
        says = (
            f"Thinned on {soak.thinned.at:%Y-%m-%d}: nothing finer than ten seconds is here, but for the "
            "minutes around findings. All scans are in "
        )
        thinned.append(html.P([says, html.Code(soak.thinned.archive), "."], className="hint"))
    near: Children = []
    if soak.job_id is not None:
        near.append(dcc.Link(f"Job {soak.job_id}", href=parts.href(f"/jobs/{soak.job_id}")))
    way = compare.way_from(soak.id, soaks, reader.jobs(), "Compare with soak")
    if way is not None:
        near.append(way)
    before = [number for number in numbers if number < soak.id]
    after = [number for number in numbers if number > soak.id]
    if before:
        near.append(dcc.Link(f"← Soak {before[-1]}", href=parts.href(f"/soak/{before[-1]}")))
    if after:
        near.append(dcc.Link(f"Soak {after[0]} →", href=parts.href(f"/soak/{after[0]}")))
    return [
        html.Div(
            [html.H1(soak.amp), html.Nav(near, className="near", **spoken("Other soaks"))],
            className="head-row",
        ),
        html.P(facts, className="facts"),
        *thinned,
    ]


def verdict(look: Look) -> Any:
    """Return the verdict with its sentence, or that there is none yet."""
    document = look.soak.verdict
    if document is None:
        if look.running:
            said = "Not judged yet: the verdict is given when the soak ends."
        else:
            said = (
                f"Not judged: the soak was {look.soak.how or 'ended'}. "
                "Its scans are all there, for soakbench export and soakbench judge."
            )
        return html.Div(html.P(said), className="panel verdict none")
    soak = document["soak"]
    word = soak["verdict"]
    body: Children = [parts.verdict_word(word), html.P(soak["says"], className="verdict-says")]
    if look.anew is not None:
        before = "it was not judged"
        if look.stored is not None:
            before = f"it was: {words.statement(look.stored['soak']['verdict'])}"
        body.append(
            html.P(
                f"Judged anew {_with(look.calibration)}; as measured, {before}. "
                "Nothing is changed in the store.",
                className="anew",
            )
        )
    return html.Div(body, className=f"panel verdict {parts.verdict_look(word)}")


def findings(look: Look) -> Children:
    """List all findings, numbered as on the chart's time axis."""
    heading = html.H2("Findings")
    if not look.findings:
        return [heading, html.P("None.", className="none")]
    labels = parts.labels_of(look.soak.setup)
    listed, more = words.findings_listed(look.findings, words.ON_SCREEN)
    known = {finding.id for finding in look.findings}
    rows = [_row(finding, look, labels, leader=finding.under in known) for finding in listed]
    return [heading, html.Ol(rows, className="finding-list"), *_more(more)]


def _more(sentence: str) -> Children:
    return [html.P(sentence, className="hint")] if sentence else []


def _row(finding: Finding, look: Look, labels: dict[str, str], *, leader: bool) -> html.Li:
    kind = words.look(finding)
    what = ("" if finding.kind is Kind.QUESTION else finding.kind.value, words.whom(finding, labels))
    named = ", ".join(part for part in what if part)
    first: Children = [
        parts.sign(kind),
        html.Strong(kind.capitalize()),
        *([html.Span(named)] if named else []),
        parts.timing(finding, running=look.running),
    ]
    if leader:
        first.append(html.Span(f"follows from {finding.under}", className="timing"))
    body: Children = [html.P(first, className="finding-head"), html.P(parts.sentence(finding.says))]
    if finding.advice and (finding.open or finding.kind is not Kind.QUESTION):
        body.append(html.P(finding.advice, className="advice"))
    if look.running:
        body += parts.reply(finding)
    state = "open" if finding.open else "cleared"
    return html.Li(
        [html.Span(str(finding.id), className="numeral"), html.Div(body)],
        className=f"{kind} {state}",
        value=str(finding.id),
    )


def marks(look: Look) -> Children:
    """List what persons said and asked, by elapsed time: the ticks on the chart's time axis."""
    heading = html.H2("Marks")
    if not look.marks:
        return [heading, html.P("None.", className="none")]
    rows: Children = []
    listed, more = words.marks_listed(look.marks, words.MARKS_ON_SCREEN)
    for t_s, kind, text in words.mark_rows(listed):
        rows.append(
            html.Li(
                [
                    html.Span(words.duration(t_s), className="when"),
                    html.Span(kind, className="kind"),
                    html.Span(text, className="text"),
                ]
            )
        )
    return [heading, html.Ol(rows, className="marks"), *_more(more)]


_COLUMNS: Final = ("Settled", "From the others", "Drift", "Dissipation", "Settled at", "Result")


def table(look: Look, unit: str = units.PAIR_UNITS[0]) -> Children:
    """Return the pairs' figures with their statements: settled ones of a verdict, else those of now.

    `unit`: what currents are shown in, one of `units.PAIR_UNITS`; an own window is the set-up's, in mA.
    """
    setup = look.soak.setup
    document = look.soak.verdict
    rated = f"% of {setup.ceiling.says}{setup.ceiling.memory}"
    window = words.window(setup.limits.pair_low_mA, setup.limits.pair_high_mA)
    name_of, per_h = units.pair_unit(unit), units.pair_unit(unit, per_h=True)
    settled = f"{name_of}; own window {window}{'' if unit == 'mA' else ' mA'}" if window else name_of
    under = (settled, name_of, per_h, rated, "elapsed", "")
    judged = {channel["name"]: channel for channel in (document or {}).get("channels", [])}
    now = (look.soak.now or {}).get("channels", {}) if look.running else {}
    rows = []
    for index, channel in enumerate(setup.pairs):
        by = words.per_mA(unit, setup, channel)
        is_judged = channel.name in judged
        cells = _judged_cells(judged[channel.name], by) if is_judged else _now_cells(now, channel.name, by)
        sockets = f" ({'/'.join(channel.sockets)})" if channel.sockets else ""
        name = html.Th(
            [parts.line_sample(index), html.Span(channel.name), html.Span(sockets, className="sockets")],
            scope="row",
        )
        rows.append(
            html.Tr(
                [
                    name,
                    *(
                        html.Td(content, **parts.labelled(f"{label}, {behind}" if behind else label))
                        for content, label, behind in zip(cells, _COLUMNS, under, strict=True)
                    ),
                ]
            )
        )
    header: Children = [html.Th("Pair", scope="col")]
    header += [
        html.Th([label, html.Span(behind, className="unit")], scope="col")
        for label, behind in zip(_COLUMNS, under, strict=True)
    ]
    several = any(setup.valves_on(channel) > 1 for channel in setup.pairs)
    note = "± is the expanded uncertainty: the half-width of the shortest 95 % interval."
    if several:
        note += (
            " Valves that share a resistor are judged by their mean: the split between them was not measured."
        )
    if document is None and look.running:
        note = f"As it stands now; statements are made at the end. {note}"
    return [
        html.H2("Pairs"),
        html.Table([html.Thead(html.Tr(header)), html.Tbody(rows)], className="pairs-table"),
        *_sides(document, setup),
        html.P(note, className="hint"),
    ]


def _sides(document: Mapping[str, Any] | None, setup: Setup) -> Children:
    """Return the balance of the sides with its statement, where a verdict has one."""
    soak = (document or {}).get("soak", {})
    statements = soak.get("statements", {})
    if "side balance" not in statements:
        return []
    behind = words.uncertainty(soak["side_balance_expanded_uncertainty_pct"])
    said: Children = [
        html.Strong("Side balance"),
        html.Span(
            [
                "push less pull ",
                html.Span(words.number(soak["side_balance_pct"], signed=True), className="figure"),
                html.Span(f" {behind}", className="uncertainty"),
                f" % of their mean, limit {setup.limits.side_balance_pct:g} %",
            ]
        ),
        parts.said(statements["side balance"]),
    ]
    return [html.P(said, className="sides")]


def _cell(figure: str, behind: str, statement: Any) -> Children:
    """Return a figure, its uncertainty smaller behind it, its statement below."""
    content: Children = [html.Span(figure, className="figure")]
    if behind:
        content.append(html.Span(f" {behind}", className="uncertainty"))
    if statement is not _UNSAID:
        content.append(parts.said(statement))
    return content


_UNSAID: Final = object()


def _judged_cells(pair: dict[str, Any], by: float) -> list[Children]:
    statements: dict[str, Any] = pair["statements"]

    interval = pair.get("drift_interval_mA_per_h")
    between = ""
    if interval and None not in interval:
        between = f"({' to '.join(words.number(end * by, 2, signed=True) for end in interval)})"
    settled_at = pair.get("settled_at_s")
    settled = _cell(
        words.number(words.times(pair.get("settled_mA"), by)),
        words.uncertainty(words.times(pair.get("expanded_uncertainty_mA"), by)),
        _UNSAID,
    )
    if "own window" in statements:
        settled.append(parts.said(statements["own window"], "own window"))
    return [
        settled,
        _cell(
            words.number(words.times(pair.get("from_others_mA"), by), signed=True),
            words.uncertainty(words.times(pair.get("from_others_expanded_uncertainty_mA"), by)),
            statements.get("from the others", _UNSAID),
        ),
        _cell(
            words.number(words.times(pair.get("drift_mA_per_h"), by), 2, signed=True),
            between,
            statements.get("drift", _UNSAID),
        ),
        _cell(
            words.number(pair.get("dissipation_pct"), 1),
            words.uncertainty(pair.get("dissipation_expanded_uncertainty_pct")),
            statements.get("dissipation", _UNSAID),
        ),
        _cell(
            "–" if settled_at is None else words.duration(settled_at), "", statements.get("settled", _UNSAID)
        ),
        [parts.said(pair["verdict"])],
    ]


def _now_cells(now: dict[str, Any], name: str, by: float) -> list[Children]:
    pair = now.get(name) or {}
    value, U, others = (words.times(pair.get(key), 1000.0 * by) for key in ("value", "U", "from_others"))
    settled_at = pair.get("settled_at_s")
    return [
        _cell(words.number(value), words.uncertainty(U), _UNSAID),
        _cell(words.number(others, signed=True), "", _UNSAID),
        _cell("–", "", _UNSAID),
        _cell(words.number(pair.get("dissipation_pct"), 1), "", _UNSAID),
        _cell("–" if settled_at is None else words.duration(settled_at), "", _UNSAID),
        [html.Span("not judged yet", className="statement unjudged")],
    ]


def _with(chosen: int | str) -> str:
    return "without any calibration" if chosen == "none" else f"with calibration {chosen}"


def choices(look: Look, reader: Reader) -> list[dict[str, Any]]:
    """Return the calibrations that an ended soak can be looked at with: its own first, then its board's.

    Fewer than two where there is no choice.
    """
    soak = look.soak
    if look.running or soak.last_t_us is None:
        return []
    found = reader.calibrations(soak.daq.board_id)
    own = next((one for one in found if one.id == soak.calibration_id), None)
    calibrated = own is not None or bool(Calibration.stated_in(soak.setup).channels)
    if own is not None:
        measured = f"calibration {own.id} of {_day(own)}"
    else:
        measured = "what its set-up states" if calibrated else "no calibration"
    options: list[dict[str, Any]] = [{"label": f"{measured}, as measured", "value": IN_FORCE}]
    options += [
        {"label": f"calibration {one.id} of {_day(one)}", "value": one.id}
        for one in reversed(found)
        if one.id != soak.calibration_id
    ]
    if calibrated:
        options.append({"label": "no calibration", "value": "none"})
    return options


def _day(one: Calibration) -> str:
    return f"{one.made.astimezone():%Y-%m-%d}" if one.made is not None else "an unknown day"


def choice_status(look: Look) -> str:
    """Say how far a soak is judged anew, or why it can't be."""
    anew = look.anew
    if anew is None:
        return ""
    if anew.failed:
        return f"It can't be judged {_with(look.calibration)}: {anew.failed}."
    if anew.document is None:
        return f"Judging it {_with(look.calibration)}: {math.floor(anew.share * 100.0)} %"
    return f"All figures on this page are those {_with(look.calibration)}."


def calibration(look: Look, reader: Reader) -> Children:
    """Say which calibration the figures were made with: of when, by whom, how old."""
    soak, heading = look.soak, html.H2("Calibration")
    used = None if look.waiting else look.calibration
    try:
        known = reader.calibration_of(soak, used or IN_FORCE)
        unused = _unused(soak, reader, used or IN_FORCE)
    except RequestError as error:
        return [heading, html.P(parts.sentence(f"It can't be told: {error}"))]
    said = standing(soak.setup, known, soak.started)
    lines: Children = [html.P(parts.with_code(said[0]))]
    channels = (Calibration.stated_in(soak.setup) if known is None else known).channels
    if channels:
        lines.append(html.P(_made(known, min(one.date for one in channels.values()), soak)))
    for text in said[1:]:
        old = "over a year" in text
        sign: Children = [parts.sign(Severity.WARNING), " "] if old else []
        lines.append(html.P([*sign, *parts.with_code(text)], className="old" if old else ""))
    lines += [html.P(parts.sentence(text[:1].upper() + text[1:])) for text in unused]
    return [heading, *lines]


def _made(known: Calibration | None, oldest: date, soak: Soak) -> str:
    """Say who made it, and how old it was when the soak began."""
    by = f"Made by {known.by}, " if known is not None and known.by else "Made "
    days = (soak.started.date() - oldest).days
    if days == 0:
        return f"{by}on the day of this soak."
    count = "a day" if abs(days) == 1 else f"{abs(days)} days"
    if abs(days) > OVER_AGE.days:
        count = f"{abs(days) / 365.25:.1f} years"
    return f"{by}{count} {'before' if days > 0 else 'after'} this soak."


def _unused(soak: Soak, reader: Reader, chosen: int | str) -> list[str]:
    """Say which channels of the chosen calibration can't be used, and why."""
    number = soak.calibration_id if chosen == IN_FORCE else chosen
    if not isinstance(number, int):
        return []
    return in_force(soak.setup, soak.daq, reader.calibration(number))[1]


_CHECK_LOOK: Final = {"odd": Severity.WARNING, "stop": Severity.TRIP}


def checks(look: Look) -> Children:
    """List the checks before power as they were answered, one line each."""
    heading = html.H2("Checks before power")
    made = look.soak.checks
    if not made:
        coming = look.running and look.last_s < 60.0
        said = "They come with the first half minute." if coming else "None were made for this soak."
        return [heading, html.P(said, className="none")]
    rows: Children = []
    for check in made:
        severity = _CHECK_LOOK.get(check["result"])
        signed: Children = [parts.sign(severity), " "] if severity is not None else []
        said_parts: Children = [check["says"]]
        if check.get("do"):
            said_parts.append(html.Span(check["do"], className="do"))
        rows.append(
            html.Li(
                [
                    html.Span([*signed, check["result"]], className="result"),
                    html.Span(check["check"], className="check"),
                    html.Span(said_parts, className="says"),
                ],
                className=severity.value if severity is not None else "fine",
            )
        )
    return [heading, html.Ul(rows, className="checks")]


def conditions(look: Look) -> Children:
    """Return what the soak ran under, what was measured besides, and its gaps."""
    document = look.soak.verdict
    items: list[tuple[str, str]] = []
    if document:
        soak = document["soak"]
        for name, unit, decimals in (("mains", "V", 1), ("ht", "V", 0), ("ambient", "C", 0)):
            value = soak["conditions"].get(f"{name}_{unit}")
            if value is not None:
                said = {"mains": "Mains, mean", "ht": "HT (B+), mean", "ambient": "Ambient, mean"}[name]
                items.append((said, f"{words.number(value, decimals)} {'°C' if unit == 'C' else unit}"))
        for channel in document["channels"]:
            if channel["measures"] == "pair current" or channel.get("least") is None:
                continue
            low, unit = words.shown(channel["least"], channel["unit"])
            high, _ = words.shown(channel["greatest"], channel["unit"])
            name = {"HT": "HT (B+)", "mains": "Mains"}.get(channel["measures"], channel["name"])
            items.append((f"{name[:1].upper()}{name[1:]}, range", f"{low} to {high} {unit}"))
        items.append(("Judged", words.duration(soak["judged_s"])))
        missing = soak["scans_missing"]
        items.append(("Scans", f"{soak['scans']:,} ({missing:,} missing)"))
        skipped = soak.get("lines_skipped", {}).get("count")
        if skipped:
            items.append(("Lines skipped", f"{skipped:,}"))
        if soak.get("clicks"):
            items.append(("Clicks", words.clicks(soak["clicks"])))
        items.append(("Judged by", str(document["program"])))
    else:
        items.append(("Scans", f"{look.soak.scans:,}"))
    for band in look.steps():
        items.append((f"Step: {band.name}", words.stretches([(band.from_s, band.to_s)])))
    items += [(f"State: {name}", words.stretches(found)) for name, found in by_state(look.states()).items()]
    gaps = [finding for finding in look.findings if finding.kind is Kind.GAP]
    gap_list: Children = [html.H3("Gaps"), html.P("None.", className="none")]
    if gaps:
        listed, more = words.findings_listed(gaps, words.ON_SCREEN)
        rows = html.Ul([html.Li(_gap(gap)) for gap in listed], className="gaps")
        gap_list = [html.H3("Gaps"), rows, *_more(more)]
    return [
        html.H2("Conditions"),
        html.Dl([html.Div([html.Dt(name), html.Dd(value)]) for name, value in items], className="conditions"),
        *gap_list,
    ]


def _gap(gap: Finding) -> str:
    began = f"from {words.duration(gap.onset_s)}"
    if gap.cleared_s is None:
        return f"{began}, still open (finding {gap.id})"
    return f"{began}, {words.duration(gap.cleared_s - gap.onset_s)} without a reading (finding {gap.id})"
