"""The Compare pages: which amplifiers have several soaks, and one soak over earlier ones of its amplifier."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from dashboard import chart, compare_chart, figures, words
from dashboard.bench import Absent, Bench
from dashboard.chart import spoken
from dashboard.pages import parts
from dashboard.pages.parts import Children
from logger import compare, units
from logger.errors import RequestError
from logger.jobs import Job
from logger.store.reader import Reader, Soak

MOST: Final = 1 + compare_chart.MOST_EARLIER
"""How many soaks an address may name."""
_TOO_FEW: Final = Absent(
    "Nothing to compare yet",
    "As soon as an amplifier has two soaks that have ended, the later one can be held against the earlier "
    "one here: what has changed by more than both are uncertain by. The next soak begins with:",
    "soakbench run SETUP",
)


def layout() -> list[Any]:
    """Return the frame of the list of amplifiers."""
    return [dcc.Store(id="compare-all", data=True), html.Div(id="compare-list")]


def soaks_layout(numbers: Sequence[int]) -> list[Any]:
    """Return the frame of a comparison."""
    return [
        dcc.Store(id="compare-soaks", data=list(numbers)),
        chart.unit_store("compare-unit"),
        html.Div(id="compare-page"),
        dcc.Store(id="compare-width"),
    ]


def register(app: Dash, bench: Bench) -> None:
    """Add the callbacks of both pages."""
    chart.keep_unit(app, "compare-unit")
    in_browser: Any = app.clientside_callback
    in_browser(
        ClientsideFunction("soakbench", "width"),
        Output("compare-width", "data"),
        Input("compare-soaks", "data"),
    )

    @app.callback(
        Output("compare-list", "children"),
        Output("title", "data", allow_duplicate=True),
        Input("compare-all", "data"),
        prevent_initial_call="initial_duplicate",
    )
    def list_amps(_: bool) -> tuple[Any, str]:
        found = bench.read(lambda reader: amps(reader.soaks(), reader.jobs()), _TOO_FEW)
        if isinstance(found, Absent) or not found:
            absent = found if isinstance(found, Absent) else _TOO_FEW
            return parts.nothing(absent), f"{absent.title} · soakbench"
        return amp_list(found), "Compare · soakbench"

    @app.callback(
        Output("compare-page", "children"),
        Output("title", "data", allow_duplicate=True),
        Input("compare-width", "data"),
        Input("compare-unit", "data"),
        State("compare-soaks", "data"),
        prevent_initial_call=True,
    )
    def show(width_px: int | None, unit: str | None, numbers: list[int]) -> tuple[Any, str]:
        unit = unit or units.PAIR_UNITS[0]
        found = bench.read(lambda reader: compared(reader, numbers, unit), _TOO_FEW)
        if isinstance(found, Absent):
            return parts.nothing(found), f"{found.title} · soakbench"
        return page(found, figures.View(int(width_px or 1280)), unit), title(found)


# ---- which soaks


def amps(soaks: Sequence[Soak], jobs: Sequence[Job]) -> list[list[Soak]]:
    """Return the judged soaks of each amplifier that has several, the oldest first; the amplifier that was
    soaked last comes first.

    An amplifier is known by its name, and where its soaks belong to jobs by the record.
    """
    recorded = {job.id: job.amp.id for job in jobs}
    found: dict[tuple[str, int | None], list[Soak]] = {}
    for soak in sorted(soaks, key=lambda one: (one.started, one.id)):
        if soak.verdict is not None and soak.scans:
            found.setdefault((soak.amp, recorded.get(soak.job_id or 0)), []).append(soak)
    several = [ones for ones in found.values() if len(ones) > 1]
    return sorted(several, key=lambda ones: ones[-1].started, reverse=True)


def held_against(soak: Soak, before: Sequence[Soak]) -> Soak | None:
    """Return which of the soaks before it one is held against: how the amplifier went home from its last
    visit, at its first the soak just before.
    """
    return compare.home_from(soak, before) or (before[-1] if before else None)


def way_from(number: int, soaks: Sequence[Soak], jobs: Sequence[Job], text: str = "over soak") -> Any:
    """Return the link from a judged soak to its comparison; None where there is nothing before it."""
    for ones in amps(soaks, jobs):
        for at, soak in enumerate(ones):
            against = held_against(soak, ones[:at]) if soak.id == number else None
            if against is not None:
                href = parts.href(f"/compare/{number}/{against.id}")
                return dcc.Link(f"{text} {against.id}", href=href, className="forth")
    return None


def compared(
    reader: Reader, numbers: Sequence[int], unit: str = units.PAIR_UNITS[0]
) -> dict[str, Any] | Absent:
    """Return the `soakbench.compare/1` document of the newest over the others, the newest of these first.

    Its currents are in `unit`, one of `units.PAIR_UNITS`, by the newest soak's resistors and valves.
    """
    try:
        soaks = [reader.soak(number) for number in dict.fromkeys(numbers)]
        unjudged = next((one for one in soaks if one.verdict is None), None)
        if unjudged is not None:
            why = "runs still" if unjudged.ended is None else f"has no verdict ({unjudged.how or 'ended'})"
            listed = " ".join(map(str, numbers))
            return Absent(
                f"Soak {unjudged.id} {why}",
                "This page compares soaks that have ended and were judged. As far as it was seen, it can be "
                "compared in a terminal:",
                f"soakbench compare {listed}",
            )
        this, *earlier = sorted(soaks, key=lambda one: (one.started, one.id), reverse=True)
        document = compare.document(
            compare.visit(reader, this.id), [compare.visit(reader, one.id) for one in earlier]
        )
        by = {channel.name: words.per_mA(unit, this.setup, channel) for channel in this.setup.pairs}
        return _in_unit(document, by)
    except RequestError as error:
        text = str(error)
        return Absent("These can't be compared", parts.sentence(f"{text[:1].upper()}{text[1:]}"))


def _in_unit(document: dict[str, Any], by: Mapping[str, float]) -> dict[str, Any]:
    """Return a document with each pair's milliamps multiplied by what shows them in another unit."""
    if set(by.values()) == {1.0}:
        return document

    def curves(soak: Mapping[str, Any]) -> dict[str, Any]:
        pairs = soak["pairs_mA"].items()
        return {name: [words.times(value, by.get(name, 1.0)) for value in values] for name, values in pairs}

    def change(found: Mapping[str, Any] | None, times: float) -> Any:
        def scaled(value: Any) -> Any:
            return [times * end for end in value] if isinstance(value, list) else words.times(value, times)

        return found and {key: scaled(one) if "_mA" in key else one for key, one in found.items()}

    def pair(one: Mapping[str, Any]) -> dict[str, Any]:
        times = by.get(one["name"], 1.0)
        return {key: change(value, times) if isinstance(value, dict) else value for key, value in one.items()}

    earlier = [
        {**one, "pairs_mA": curves(one), "pairs": [pair(found) for found in one["pairs"]]}
        for one in document["earlier"]
    ]
    return {
        **document,
        "this": {**document["this"], "pairs_mA": curves(document["this"])},
        "earlier": earlier,
    }


# ---- the list


def amp_list(found: Sequence[Sequence[Soak]]) -> Children:
    """Return each amplifier with its soaks, the newest first, and what each can be held against."""
    body: Children = [html.Header(html.H1("Compare"), className="page-head")]
    body.append(
        html.P(
            "A soak over an earlier one of the same amplifier: what has changed, and what of it is sure.",
            className="lead",
        )
    )
    body.append(html.P(parts.way("Across amplifiers: valves by batch, benches, years", "/across")))
    for soaks in found:
        rows = [_amp_row(soak, soaks[:at]) for at, soak in enumerate(soaks)]
        table = parts.table(("Soak", "Kind", "Begun", "Result", "Held against"), rows[::-1])
        years = html.P(parts.way("Over all its visits", f"/across/{soaks[-1].id}"), className="beneath")
        body.append(html.Section([html.H2(soaks[-1].amp), table, years], className="job-part"))
    return body


def _amp_row(soak: Soak, earlier: Sequence[Soak]) -> list[Any]:
    ways: Children = [parts.quiet("the first one")]
    usual = held_against(soak, earlier)
    if usual is not None:
        ways = [_way(soak, one) for one in dict.fromkeys([usual.id, earlier[-1].id, earlier[0].id])]
    return [
        dcc.Link(f"Soak {soak.id}", href=parts.href(f"/soak/{soak.id}"), className="forth"),
        soak.kind,
        f"{soak.started.astimezone():%Y-%m-%d %H:%M}",
        parts.said((soak.verdict or {}).get("soak", {}).get("verdict")),
        html.Span(ways, className="ways"),
    ]


def _way(soak: Soak, number: int) -> dcc.Link:
    return dcc.Link(f"soak {number}", href=parts.href(f"/compare/{soak.id}/{number}"), className="forth")


def _day(iso: str) -> str:
    return iso[:10]


# ---- one comparison


def title(document: Mapping[str, Any]) -> str:
    """Return the tab's title: how many pairs have changed, by the newest of the earlier soaks."""
    over = document["earlier"][0]
    count = sum(bool(change and change["significant"]) for change in map(_current, over["pairs"]))
    said = f"{count} pair{'' if count == 1 else 's'} changed" if count else "no pair changed"
    return f"{said} · soak {document['this']['soak']} over {over['soak']} · {document['amp']}"


def _current(pair: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """Return the change of a pair's current that is spoken of: at nominal mains where that is known."""
    found: Mapping[str, Any] | None = pair["at_nominal_mains"] or pair["settled"]
    return found


def page(document: Mapping[str, Any], view: figures.View, unit: str = units.PAIR_UNITS[0]) -> Children:
    """Return sentences, chart and table of a comparison; `unit`: what its currents are in."""
    this, over = document["this"], document["earlier"]
    drawn = "; ".join(
        f"thin and {how}: soak {one['soak']}"
        for how, one in zip(compare_chart.DASH_WORDS, over, strict=False)
    )
    key = f"Strong lines: this soak; {drawn}."
    sure_mA = compare_chart.sure_beyond(document)
    if sure_mA is not None:
        key += f" Grey band, ±{units.number(sure_mA, 2)} {units.pair_unit(unit)}: it may be chance."
    body: Children = [
        html.Header(
            [
                html.H1(document["amp"]),
                html.P(
                    [
                        html.Span(
                            [
                                dcc.Link(f"Soak {this['soak']}", href=parts.href(f"/soak/{this['soak']}")),
                                f", {this['kind']}, of {_day(this['started'])}, over",
                            ]
                        ),
                        *(
                            html.Span(
                                [
                                    dcc.Link(f"soak {one['soak']}", href=parts.href(f"/soak/{one['soak']}")),
                                    f", {one['kind']}, of {_day(one['started'])}",
                                ]
                            )
                            for one in over
                        ),
                    ],
                    className="facts",
                ),
            ],
            className="page-head",
        ),
        _says(over[0], first=True),
        html.Section(
            [
                html.H2("Chart", className="unseen"),
                html.P(key, className="hint chart-key"),
                html.Div(
                    dcc.Graph(
                        id="compare-chart", config=_CONFIG, figure=compare_chart.figure(document, view, unit)
                    ),
                    className="chart",
                    role="img",
                    **spoken(compare_chart.summary(document)),
                ),
            ],
            className="panel chart-panel",
        ),
    ]
    for at, one in enumerate(over):
        body.append(_section(document, one, unit, said=at == 0))
    body.append(
        html.P(
            "Each figure is what has changed, ± its uncertainty (95 %); what resistors and DAQ are wrong by "
            "cancels where board, wiring and calibration are the same. Where nothing has changed one figure "
            "in 20 is beyond its uncertainty by chance. What was measured, and dissipation, change with the "
            f"mains too. {_gain(document['mains_gain'])}",
            className="hint",
        )
    )
    return body


_CONFIG: Final[Any] = figures.CONFIG


def _says(over: Mapping[str, Any], *, first: bool) -> html.Div:
    lead, *rest = over["says"]
    return html.Div(
        [html.P(lead, className="verdict-says lead"), *(html.P(text) for text in rest)],
        className="panel verdict plain" if first else "told",
    )


def _gain(gain: Mapping[str, Any]) -> str:
    how = "as the soaks' own minutes say" if gain["learnt"] else "as is usual, from memory"
    return (
        f"Currents at nominal mains: a volt's share of the mains moves a current {gain['value']:.1f} times "
        f"(±{gain['expanded_uncertainty']:.1f}) that share, {how}."
    )


def _section(document: Mapping[str, Any], over: Mapping[str, Any], unit: str, *, said: bool) -> html.Section:
    """Return the table of one earlier soak; its sentences too where they don't stand above."""
    this, name_of = document["this"], units.pair_unit(unit)
    heads = (
        "Pair",
        f"At {document['nominal_mains_V']:g} V mains, {name_of}",
        f"From the others, {name_of}",
        f"Drift, {units.pair_unit(unit, per_h=True)}",
        "Bias, V",
        f"As measured, {name_of}",
        "Dissipation, %",
    )
    names = list(this["pairs_mA"])
    rows = [
        [
            [parts.line_sample(names.index(pair["name"])), pair["label"]],
            _change(pair["at_nominal_mains"], "mA"),
            _change(pair["from_the_others"], "mA"),
            _change(pair["drift"], "mA_per_h"),
            _change(pair["bias"], "V"),
            _change(pair["settled"], "mA"),
            _change(pair["dissipation"], "pct"),
        ]
        for pair in over["pairs"]
    ]
    notes = [parts.sentence(f"{text[:1].upper()}{text[1:]}") for text in over["notes"]]
    if over["only_here"]:
        notes.append(f"Only in this soak: {', '.join(over['only_here'])}.")
    return html.Section(
        [
            html.H2(f"Over soak {over['soak']}, {over['kind']}, of {_day(over['started'])}"),
            *([] if said else [_says(over, first=False)]),
            parts.table(heads, rows, "changes"),
            *(html.P(text, className="beneath") for text in notes),
            _conditions(this["conditions"], over["conditions"], f"soak {over['soak']}"),
        ],
        className="job-part",
    )


def _change(found: Mapping[str, Any] | None, unit: str) -> Any:
    """Return a change, its uncertainty, whether it is sure, and what was and is."""
    if found is None:
        return "–"
    difference, interval = found[f"difference_{unit}"], found.get(f"interval_{unit}")
    if interval is None:
        said = units.quantity(difference, found[f"expanded_uncertainty_{unit}"], unit)
        figure, _, behind = said.removesuffix(f" {unit}").partition(" ± ")
        behind = f"±{behind}"
    else:
        figure = f"{difference:.2f}"
        behind = f"({' to '.join(words.number(end, 2, signed=True) for end in interval)})"
    if figure.startswith("-"):
        figure = figure.replace("-", words.MINUS)
    elif float(figure):
        figure = f"+{figure}"
    decimals = 2 if unit in ("mA_per_h", "V") else 1
    now, was = (words.number(found[f"{when}_{unit}"], decimals) for when in ("now", "before"))
    sure = bool(found["significant"])
    return [
        parts.figure(figure, behind, sure=sure),
        html.Span(
            "changed" if sure else "may be chance", className="statement sure" if sure else "statement"
        ),
        parts.quiet(f"{was}, now {now}"),
    ]


def _conditions(now: Mapping[str, Any], was: Mapping[str, Any], of: str) -> html.Dl:
    """Return under what both ran."""
    items: Children = []
    for key, name, unit, decimals in (
        ("mains_V", "Mains, mean", "V", 1),
        ("ht_V", "HT (B+), mean", "V", 0),
        ("ambient_C", "Ambient, mean", "°C", 0),
    ):
        here, there = now.get(key), was.get(key)
        if here is not None or there is not None:
            said = f"{words.number(here, decimals)} {unit}; {of}: {words.number(there, decimals)} {unit}"
            items.append(html.Div([html.Dt(name), html.Dd(said)]))
    return html.Dl(items, className="conditions wide")
