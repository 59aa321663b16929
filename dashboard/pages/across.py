"""The Across page: valves by type and batch, benches against each other, an amplifier over its visits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from dashboard import across_chart, chart, figures, words
from dashboard.bench import Absent, Bench
from dashboard.chart import spoken
from dashboard.pages import parts
from dashboard.pages.parts import Children
from logger import across, compare, units
from logger.errors import RequestError
from logger.store.reader import Reader

_TOO_FEW: Final = Absent(
    "Nothing to look across yet",
    "As soon as soaks have ended and were judged, this page shows what only many of them can: valves by "
    "batch, benches against each other, an amplifier over its visits. The next soak begins with:",
    "soakbench run SETUP",
)
_CONFIG: Final[Any] = figures.CONFIG
_OTHERS: Final = 6
"""Amplifiers that are offered to be looked at instead."""


def layout(number: int | None = None) -> list[Any]:
    """Return the frame of the page; `number`: a soak of the amplifier to show, None for the last one's."""
    return [
        dcc.Store(id="across-soak", data=number),
        chart.unit_store("across-unit"),
        dcc.Store(id="across-found"),
        dcc.Store(id="across-width"),
        html.Div(id="across-page"),
    ]


def register(app: Dash, bench: Bench) -> None:
    """Add the callbacks: what is found is read once, and drawn for each width and unit."""
    chart.keep_unit(app, "across-unit")
    in_browser: Any = app.clientside_callback
    in_browser(
        ClientsideFunction("soakbench", "width"), Output("across-width", "data"), Input("across-soak", "data")
    )

    @app.callback(Output("across-found", "data"), Input("across-soak", "data"))
    def find(number: int | None) -> Any:
        found = bench.read(lambda reader: looked_across(reader, number), _TOO_FEW)
        if isinstance(found, Absent):
            return {"title": found.title, "do": found.what_to_do, "command": found.command}
        return found

    @app.callback(
        Output("across-page", "children"),
        Output("title", "data", allow_duplicate=True),
        Input("across-found", "data"),
        Input("across-width", "data"),
        Input("across-unit", "data"),
        State("across-page", "id"),
        prevent_initial_call=True,
    )
    def show(found: Any, width_px: int | None, unit: str | None, _: str) -> tuple[Any, str]:
        if not found:
            return [], "Across · soakbench"
        if "title" in found:
            absent = Absent(found["title"], found["do"], found["command"])
            return parts.nothing(absent), f"{absent.title} · soakbench"
        view = figures.View(int(width_px or 1280))
        return page(found, view, unit or units.PAIR_UNITS[0]), "Across · soakbench"


def looked_across(reader: Reader, number: int | None) -> dict[str, Any] | Absent:
    """Return the three `soakbench.across/1` documents, and the amplifiers that have several visits.

    `number`: a soak of the amplifier that is shown; else of those with several visits the last one soaked.
    """
    shop = across.shop(reader)
    if not shop.soaks:
        return _TOO_FEW
    newest = {shop.amp_of[soak.id]: soak for soak in shop.soaks}
    visits = {which: across.visits_of(shop, which) for which in newest}
    several = sorted(
        (which for which in newest if len(visits[which]) > 1), key=lambda which: newest[which].started
    )
    last = several[-1] if several else shop.amp_of[shop.soaks[-1].id]
    which = last
    if number is not None:
        try:
            which = across.named(shop, str(number))
        except RequestError as error:
            return Absent("No such amplifier", parts.sentence(str(error)[:1].upper() + str(error)[1:]))
    document = across.amp(shop, which, [compare.visit(reader, one.id) for one in visits[which]])
    setup = newest[which].setup
    return {
        "valves": across.valves(shop),
        "benches": across.benches(shop),
        "amp": document,
        "per_mA": {
            unit: {channel.name: words.per_mA(unit, setup, channel) for channel in setup.pairs}
            for unit in units.PAIR_UNITS
        },
        "others": [
            {"name": shop.names[one], "soak": newest[one].id, "visits": len(visits[one])}
            for one in reversed(several)
            if one != which
        ],
    }


def page(found: Mapping[str, Any], view: figures.View, unit: str = units.PAIR_UNITS[0]) -> Children:
    """Return the three sections, each a chart and its table."""
    head = html.Header(
        [
            html.H1("Across amplifiers"),
            html.P(
                f"What only many soaks can show: {_many(found['valves']['soaks'], 'soak')} of "
                f"{_many(found['valves']['amps'], 'amplifier')}, each figure with its 95 % interval.",
                className="lead",
            ),
        ],
        className="page-head",
    )
    return [
        head,
        *_valves(found["valves"], view),
        *_benches(found["benches"], view),
        *_amp(_in_unit(found["amp"], found["per_mA"][unit]), found["others"], view, unit),
    ]


def _many(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


# ---- valves


def _valves(document: Mapping[str, Any], view: figures.View) -> Children:
    body: Children = [html.H2("Valves by type and batch"), _says(document["says"])]
    for kind in document["types"]:
        rows = across_chart.batches(kind)
        if rows:
            title = f"{kind['type']}, cathode current at the same bias, from the mean of the batches"
            title = title if not view.narrow else f"{kind['type']}, from the mean of the batches"
            spoke = ", ".join(f"{row.name} {words.number(row.value, signed=True)} %" for row in rows)
            body.append(_chart(f"Chart of intervals: {spoke}.", across_chart.intervals(rows, title, view)))
        heads = (
            kind["type"],
            "Pairs, amplifiers",
            "Typical, mA a valve",
            "At the same bias, %",
            "Settles after, min",
            f"Early failures, first {document['early_h']:g} h",
        )
        table = [
            [
                one["batch"] or "not recorded",
                f"{one['pairs']}, {one['amps']}",
                words.number(one["valve_mA"]),
                _difference(one["current"], "difference_pct", one["current_needs"]),
                _settling(one),
                _failures(one["failures"]),
            ]
            for one in kind["batches"]
        ]
        body.append(parts.table(heads, table, "changes"))
    body += [html.P(_sentence(text), className="beneath") for text in document["notes"]]
    return [html.Section(body, className="job-part")]


def _settling(one: Mapping[str, Any]) -> Any:
    found = one["settling"]
    if found is None:
        return parts.quiet(one["settling_needs"])
    cell: Children = [parts.figure(words.number(found["mean_min"]), _between(found["interval_min"]))]
    if found["not_settled"]:
        cell.append(parts.quiet(f"{found['not_settled']} did not settle"))
    return cell


def _failures(found: Mapping[str, Any] | None) -> Any:
    if found is None:
        return parts.quiet("none was fitted new")
    return [
        parts.figure(
            f"{words.number(found['per_1000_h'])}", f"{_between(found['interval_per_1000_h'])} per 1,000 h"
        ),
        parts.quiet(f"{found['failed']} of {found['pairs']} pairs, {found['seen_h']:.0f} h seen"),
    ]


# ---- benches


def _benches(document: Mapping[str, Any], view: figures.View) -> Children:
    rows = across_chart.channels(document)
    body: Children = [html.H2("Benches against each other"), _says(document["says"])]
    if rows:
        title = "Off by" if view.narrow else "Reads more or less than the others"
        off = [row.name for row in rows if row.sure]
        spoke = f"Chart of intervals of {len(rows)} channels; off: {', '.join(off) or 'none'}."
        body.append(
            html.P(
                "Bars: 95 % intervals. Grey: what a channel's parts allow. Triangle: off by more than that.",
                className="hint chart-key",
            )
        )
        body.append(_chart(spoke, across_chart.intervals(rows, title, view)))
    heads = ("Bench", "Its channels, off by, %", "The whole bench, off by, %")
    table = [
        [
            [bench["bench"], parts.quiet(_many(bench["soaks"], "soak"))],
            [_channel(one) for one in bench["channels"]] or "–",
            _whole(bench),
        ]
        for bench in document["benches"]
    ]
    body.append(parts.table(heads, table, "changes"))
    body += [html.P(_sentence(text), className="beneath") for text in document["notes"]]
    return [html.Section(body, className="job-part")]


def _channel(one: Mapping[str, Any]) -> html.Div:
    """Return a channel as a line: its name, the figure, over how many amplifiers; or what is missing."""
    found = one["offset"]
    if found is None:
        return html.Div([f"{one['channel']} ", parts.quiet(one["offset_needs"])])
    return html.Div(
        [
            f"{one['channel']} ",
            parts.figure(
                words.number(found["offset_pct"], signed=True),
                _between(found["interval_pct"], signed=True),
                sure=found["off"],
            ),
            *([_word(sure=True, yes="off")] if found["off"] else []),
            parts.quiet(f"{one['amps']} amps; its parts allow {words.number(found['parts_allow_pct'])}"),
        ],
        className="across-channel",
    )


def _whole(bench: Mapping[str, Any]) -> Any:
    found = bench["whole"]
    if found is None:
        return parts.quiet(bench["whole_needs"])
    behind = _between(found["interval_pct"], signed=True)
    return [
        parts.figure(words.number(found["offset_pct"], signed=True), behind, sure=found["off"]),
        *([_word(sure=True, yes="off")] if found["off"] else []),
        parts.quiet(f"{found['amps']} amps; its parts allow {words.number(found['parts_allow_pct'])}"),
    ]


# ---- an amplifier


def _amp(
    document: Mapping[str, Any], others: Sequence[Mapping[str, Any]], view: figures.View, unit: str
) -> Children:
    name_of = units.pair_unit(unit)
    body: Children = [html.H2(f"Over its visits: {document['amp']}"), _says(document["says"])]
    if others:
        ways: Children = [
            dcc.Link(one["name"], href=parts.href(f"/across/{one['soak']}"), className="forth")
            for one in others[:_OTHERS]
        ]
        left = len(others) - _OTHERS
        more = f", {left} more by /across/ and a soak's number" if left > 0 else ""
        body.append(html.P(f"Others with several visits{more}:", className="beneath"))
        body.append(html.P(ways, className="ways"))
    if any(pair["visits"] for pair in document["pairs"]):
        spoke = (
            f"Chart of the settled current of {len(document['pairs'])} pairs over {len(document['visits'])} "
            "visits. The same figures stand in the table."
        )
        body.append(_chart(spoke, across_chart.visits(document, view, unit)))
    begun = {one["soak"]: one["started"][:10] for one in document["visits"]}
    heads = (
        "Pair",
        f"By the year, {name_of}",
        "Soak",
        f"Settled, {name_of}",
        f"From the others, {name_of}",
        "Dissipation, %",
        f"Since the visit before, {name_of}",
    )
    table = []
    for at, pair in enumerate(document["pairs"]):
        for place, row in enumerate(pair["visits"]):
            new: Children = [parts.quiet("other valves")] if row["new_valves"] else []
            table.append(
                [
                    [parts.line_sample(at), pair["label"]],
                    _slope(pair) if not place else "–",
                    [
                        dcc.Link(f"Soak {row['soak']}", href=parts.href(f"/soak/{row['soak']}")),
                        parts.quiet(begun[row["soak"]]),
                        *new,
                    ],
                    _with_U(row, "settled", "mA"),
                    _with_U(row, "from_others", "mA", signed=True),
                    _with_U(row, "dissipation", "pct"),
                    _moved(row),
                ]
            )
    body.append(parts.table(heads, table, "changes"))
    body += [html.P(_sentence(text), className="beneath") for text in document["notes"]]
    return [html.Section(body, className="job-part")]


def _slope(pair: Mapping[str, Any]) -> Any:
    found = pair["slope"]
    if found is None:
        return parts.quiet(pair["slope_needs"])
    text = words.number(found["mA_per_year"], 2, signed=True)
    behind = _between(found["interval_mA_per_year"], 2, signed=True)
    return [parts.figure(text, behind, sure=found["significant"]), _word(sure=found["significant"])]


def _moved(row: Mapping[str, Any]) -> Any:
    if row["moved"] is None:
        return "–"
    cell: Children = [_with_U(row, "changed", "mA", signed=True, sure=row["moved"])]
    cell += [_word(sure=True)] if row["moved"] else []
    return [*cell, parts.quiet(row["cause"])] if row["moved"] and row["cause"] else cell


def _in_unit(document: Mapping[str, Any], by: Mapping[str, float]) -> dict[str, Any]:
    """Return an amplifier's document with each pair's milliamps in another unit."""

    def scaled(found: Mapping[str, Any] | None, times: float) -> Any:
        def one(value: Any) -> Any:
            ends = isinstance(value, list)
            return [words.times(end, times) for end in value] if ends else words.times(value, times)

        return found and {
            key: one(value) if "mA" in key.split("_") and not isinstance(value, bool) else value
            for key, value in found.items()
        }

    pairs = []
    for pair in document["pairs"]:
        times = by.get(pair["name"], 1.0)
        rows = [scaled(row, times) for row in pair["visits"]]
        pairs.append({**pair, "visits": rows, "slope": scaled(pair["slope"], times)})
    return {**document, "pairs": pairs}


# ---- cells


def _difference(found: Mapping[str, Any] | None, key: str, needs: str | None) -> Any:
    if found is None:
        return parts.quiet(needs or "")
    behind = _between(found["interval_pct"], signed=True)
    return [
        parts.figure(words.number(found[key], signed=True), behind, sure=found["differs"]),
        _word(sure=found["differs"], yes="differs"),
    ]


def _with_U(row: Mapping[str, Any], name: str, unit: str, *, signed: bool = False, sure: bool = False) -> Any:
    value, U = row[f"{name}_{unit}"], row[f"{name}_expanded_uncertainty_{unit}"]
    if value is None:
        return "–"
    return parts.figure(words.number(value, signed=signed), words.uncertainty(U), sure=sure)


def _between(ends: Sequence[float], decimals: int = 1, *, signed: bool = False) -> str:
    return f"({' to '.join(words.number(end, decimals, signed=signed) for end in ends)})"


def _word(*, sure: bool, yes: str = "moved") -> html.Span:
    sign: Children = [parts.sign("warning")] if sure and yes == "off" else []
    return html.Span(
        [*sign, yes if sure else "may be chance"], className="statement sure" if sure else "statement"
    )


def _says(sentences: Sequence[str]) -> html.Div:
    lead, *rest = sentences
    return html.Div(
        [html.P(lead, className="verdict-says lead"), *(html.P(text) for text in rest)],
        className="panel verdict plain",
    )


def _sentence(text: str) -> str:
    return parts.sentence(f"{text[:1].upper()}{text[1:]}")


def _chart(said: str, figure: figures.Json) -> html.Div:
    return html.Div(
        html.Div(dcc.Graph(config=_CONFIG, figure=figure), className="chart", role="img", **spoken(said)),
        className="panel chart-panel",
    )
