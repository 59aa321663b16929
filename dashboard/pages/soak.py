"""The Soak page: one soak from start to verdict. It stands for a running soak too."""

from __future__ import annotations

from typing import Any, Final

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard import chart, words
from dashboard.bench import Absent, Bench, Look
from dashboard.chart import digest, spoken
from dashboard.pages import parts
from dashboard.pages.live import age_in_words, plain_tree, state_in_words, title
from dashboard.pages.parts import Children
from logger.finding import Finding, Kind
from logger.setup import Setup

POLL_MS: Final = 2000
_VERDICT_SIGN: Final = {"conditional pass": "▲", "conditional fail": "▲", "fail": "■"}
_VERDICT_LOOK: Final = {"conditional pass": "warning", "conditional fail": "warning", "fail": "trip"}


def layout(which: int | str) -> list[Any]:
    """Return the page's frame for a soak's number or `last`."""
    return [
        dcc.Store(id="which", data=which),
        dcc.Store(id="soak-known"),
        dcc.Interval(id="soak-tick", interval=POLL_MS),
        html.Header(id="soak-head", className="page-head"),
        html.Section(id="soak-verdict", **{"aria-live": "polite", **spoken("Verdict")}),
        html.Div(chart.component(), id="soak-chart"),
        html.Section(id="soak-findings", **spoken("Findings")),
        html.Section(id="soak-table", **spoken("Figures of each pair")),
        html.Section(id="soak-conditions", **spoken("Conditions")),
    ]


def register(app: Dash, bench: Bench) -> None:
    """Add the page's callback."""

    @app.callback(
        Output("soak-head", "children"),
        Output("soak-verdict", "children"),
        Output("soak-chart", "hidden"),
        Output("soak-findings", "children"),
        Output("soak-table", "children"),
        Output("soak-conditions", "children"),
        Output("title", "data", allow_duplicate=True),
        Output("soak-known", "data"),
        Input("soak-tick", "n_intervals"),
        State("which", "data"),
        State("soak-known", "data"),
        prevent_initial_call="initial_duplicate",
    )
    def follow(_: int | None, which: int | str, known: dict[str, str] | None) -> tuple[Any, ...]:
        look = bench.look(which)
        if isinstance(look, Absent):
            now: dict[str, Any] = {
                "head": None,
                "verdict": parts.nothing(look),
                "hidden": True,
                "findings": None,
                "table": None,
                "conditions": None,
                "title": f"{look.title} · soakbench",
            }
        else:
            now = {
                "head": head(look, [soak.id for soak in bench.reader.soaks()]),
                "verdict": verdict(look),
                "hidden": look.soak.last_t_us is None,
                "findings": findings(look),
                "table": table(look),
                "conditions": conditions(look),
                "title": title(look) if look.running else f"{_result(look)} · {look.soak.amp}",
            }
        seen = {name: digest(plain_tree(value)) for name, value in now.items()}
        fresh = tuple(
            no_update if known and known.get(name) == seen[name] else value for name, value in now.items()
        )
        return (*fresh, seen)


def _result(look: Look) -> str:
    document = look.soak.verdict
    return words.statement(document["soak"]["verdict"]) if document else "not judged"


def head(look: Look, numbers: list[int]) -> Children:
    """Return amplifier, number, date, length, how it ended, and the ways to its neighbours."""
    soak = look.soak
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
    near: Children = []
    before = [number for number in numbers if number < soak.id]
    after = [number for number in numbers if number > soak.id]
    if before:
        near.append(dcc.Link(f"← Soak {before[-1]}", href=f"/soak/{before[-1]}"))
    if after:
        near.append(dcc.Link(f"Soak {after[0]} →", href=f"/soak/{after[0]}"))
    return [
        html.Div(
            [html.H1(soak.amp), html.Nav(near, className="near", **spoken("Other soaks"))],
            className="head-row",
        ),
        html.P(facts, className="facts"),
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
    title_parts: Children = []
    if word in _VERDICT_SIGN:
        title_parts.append(
            html.Span(_VERDICT_SIGN[word], className=f"sign {_VERDICT_LOOK[word]}", **parts.hidden())
        )
    said = words.statement(word)
    title_parts.append(html.Span(f"{said[:1].upper()}{said[1:]}"))
    return html.Div(
        [html.H2(title_parts, className="verdict-word"), html.P(soak["says"], className="verdict-says")],
        className=f"panel verdict {_VERDICT_LOOK.get(word, 'plain')}",
    )


def findings(look: Look) -> Children:
    """List all findings, numbered as on the chart's time axis."""
    heading = html.H2("Findings")
    if not look.findings:
        return [heading, html.P("None.", className="none")]
    setup = look.soak.setup
    return [
        heading,
        html.Ol([_row(finding, look.findings, setup) for finding in look.findings], className="finding-list"),
    ]


def _row(finding: Finding, all_findings: tuple[Finding, ...], setup: Setup) -> html.Li:
    labels = parts.labels_of(setup)
    leader = next((one for one in all_findings if one.id == finding.under), None)
    whom = words.whom(finding, labels)
    first: Children = [
        parts.sign(finding.severity),
        html.Strong(words.severity(finding.severity)),
        html.Span(f"{finding.kind.value}{f', {whom}' if whom else ''}"),
        html.Span(parts.timing(finding), className="timing"),
    ]
    if leader is not None:
        first.append(html.Span(f"follows from {leader.id}", className="timing"))
    body: Children = [html.P(first, className="finding-head"), html.P(parts.sentence(finding.says))]
    if finding.advice:
        body.append(html.P(finding.advice, className="advice"))
    state = "open" if finding.open else "cleared"
    return html.Li(
        [html.Span(str(finding.id), className="numeral"), html.Div(body)],
        className=f"{finding.severity.value} {state}",
        value=str(finding.id),
    )


_COLUMNS: Final = ("Settled", "From the others", "Drift", "Dissipation", "Settled at", "Result")


def table(look: Look) -> Children:
    """Return the pairs' figures with their statements: settled ones of a verdict, else those of now."""
    setup = look.soak.setup
    document = look.soak.verdict
    rated = f"% of {setup.ceiling.says}{setup.ceiling.memory}"
    units = ("mA", "mA", "mA/h", rated, "elapsed", "")
    judged = {channel["name"]: channel for channel in (document or {}).get("channels", [])}
    now = (look.soak.now or {}).get("channels", {}) if look.running else {}
    rows = []
    for index, channel in enumerate(setup.pairs):
        cells = (
            _judged_cells(judged[channel.name]) if channel.name in judged else _now_cells(now, channel.name)
        )
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
                        html.Td(content, **_labelled(f"{label}, {unit}" if unit else label))
                        for content, label, unit in zip(cells, _COLUMNS, units, strict=True)
                    ),
                ]
            )
        )
    header: Children = [html.Th("Pair", scope="col")]
    header += [
        html.Th([label, html.Span(unit, className="unit")], scope="col")
        for label, unit in zip(_COLUMNS, units, strict=True)
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
        html.P(note, className="hint"),
    ]


def _cell(figure: str, behind: str, statement: Any) -> Children:
    """Return a figure, its uncertainty smaller behind it, its statement below."""
    content: Children = [html.Span(figure, className="figure")]
    if behind:
        content.append(html.Span(f" {behind}", className="uncertainty"))
    if statement is not _UNSAID:
        content.append(_said(statement))
    return content


_UNSAID: Final = object()


def _labelled(label: str) -> dict[str, Any]:
    """Return what names a cell on a phone, where the table's head is not shown."""
    return {"data-label": label}


def _said(statement: str | None) -> html.Span:
    look = _VERDICT_LOOK.get(statement or "", "plain" if statement else "unjudged")
    content: Children = []
    if statement in _VERDICT_SIGN:
        content.append(html.Span(_VERDICT_SIGN[statement], className=f"sign {look}", **parts.hidden()))
    content.append(html.Span(words.statement(statement)))
    return html.Span(content, className=f"statement {look}")


def _judged_cells(pair: dict[str, Any]) -> list[Children]:
    statements: dict[str, Any] = pair["statements"]

    interval = pair.get("drift_interval_mA_per_h")
    between = ""
    if interval and None not in interval:
        between = f"({' to '.join(words.number(end, 2, signed=True) for end in interval)})"
    settled_at = pair.get("settled_at_s")
    return [
        _cell(
            words.number(pair.get("settled_mA")),
            words.uncertainty(pair.get("expanded_uncertainty_mA")),
            _UNSAID,
        ),
        _cell(
            words.number(pair.get("from_others_mA"), signed=True),
            words.uncertainty(pair.get("from_others_expanded_uncertainty_mA")),
            statements.get("from the others", _UNSAID),
        ),
        _cell(
            words.number(pair.get("drift_mA_per_h"), 2, signed=True),
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
        [_said(pair["verdict"])],
    ]


def _now_cells(now: dict[str, Any], name: str) -> list[Children]:
    pair = now.get(name) or {}
    U = pair.get("U")
    settled_at = pair.get("settled_at_s")
    return [
        _cell(words.milliamps(pair.get("value")), words.uncertainty(None if U is None else U * 1e3), _UNSAID),
        _cell(words.milliamps(pair.get("from_others"), signed=True), "", _UNSAID),
        _cell("–", "", _UNSAID),
        _cell(words.number(pair.get("dissipation_pct"), 1), "", _UNSAID),
        _cell("–" if settled_at is None else words.duration(settled_at), "", _UNSAID),
        [html.Span("not judged yet", className="statement unjudged")],
    ]


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
        items.append(("Judged by", str(document["program"])))
    else:
        items.append(("Scans", f"{look.soak.scans:,}"))
    for band in look.steps():
        items.append((f"Step: {band.name}", f"{words.duration(band.from_s)} to {words.duration(band.to_s)}"))
    gaps = [finding for finding in look.findings if finding.kind is Kind.GAP]
    gap_list: Children = [html.H3("Gaps"), html.P("None.", className="none")]
    if gaps:
        gap_list = [html.H3("Gaps"), html.Ul([html.Li(_gap(gap)) for gap in gaps], className="gaps")]
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
