"""The charts of what only many soaks show, as plotly figures: intervals in rows, an amp's pairs over visits.
Pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final, NamedTuple

from dashboard.figures import (
    FONT,
    HAIR,
    INK,
    OUTLINED,
    QUIET,
    SIGN,
    Json,
    View,
    pair_style,
    plain,
    pushed_apart,
    see_through,
    short,
)
from dashboard.words import number
from logger import units

MOST_ROWS: Final = 32
"""Rows that a chart holds; of more those that are furthest off."""
_ROW_PX: Final = 24
_AXIS: Final = "#9AA3AB"


class Row(NamedTuple):
    """One interval, in %: its name, its colour's place, and whether it is more than chance.

    `allowed`: so far it may be off, 0 where nothing says so.
    """

    name: str
    value: float
    low: float
    high: float
    style: int
    sure: bool
    allowed: float = 0.0


def batches(kind: Mapping[str, Any]) -> list[Row]:
    """Return the rows of one type's batches that have a figure at the same bias."""
    known = [(one["batch"], one["current"]) for one in kind["batches"] if one["current"] is not None]
    out = []
    for at, (name, found) in enumerate(known):
        low, high = found["interval_pct"]
        out.append(Row(name, found["difference_pct"], low, high, at, found["differs"]))
    return out


def channels(document: Mapping[str, Any]) -> list[Row]:
    """Return the rows of benches: their channels and the whole of each, as far as there is a figure."""
    out = []
    for at, bench in enumerate(document["benches"]):
        named = [(one["channel"], one["offset"]) for one in bench["channels"]]
        for name, found in (*named, ("whole", bench["whole"])):
            if found is not None:
                label = f"{bench['bench']}, {name}"
                low, high = found["interval_pct"]
                out.append(
                    Row(
                        label,
                        found["offset_pct"],
                        low,
                        high,
                        at,
                        found["off"],
                        found["parts_allow_pct"],
                    )
                )
    if len(out) > MOST_ROWS:
        far = sorted(out, key=lambda row: (not row.sure, -abs(row.value) / max(row.high - row.low, 1e-9)))
        kept = set(far[:MOST_ROWS])
        out = [row for row in out if row in kept]
    return out


def intervals(rows: Sequence[Row], title: str, view: View) -> Json:
    """Return the figure of rows: a bar for the 95 % interval, a dot for the figure, grey what is allowed."""
    size = 15 if view.large else 12
    row_px = _ROW_PX + (size - 12) * 2
    left_px = round(max((len(row.name) for row in rows), default=4) * size * 0.58) + 20
    left_px = min(left_px, 150 if view.narrow else 260)
    ends = [0.0, *(end for row in rows for end in (row.low, row.high))]
    ends += [sign * row.allowed for row in rows for sign in (-1.0, 1.0)]
    low, high = min(ends), max(ends)
    room = 0.04 * (high - low) or 0.5
    text_px = size * 4.2
    plot_px = max(view.width_px - left_px - 60, 140)
    span = (high - low + 2 * room) / max(1.0 - text_px / plot_px, 0.3)
    traces: list[Json] = []
    notes: list[Json] = [_title(title, size)]
    shapes: list[Json] = []
    for at, row in enumerate(rows):
        style = pair_style(row.style % 16)
        if row.allowed:
            shapes.append(_allowed(row.allowed, at))
        said = f"{plain(row.name)}  {number(row.value, 1, signed=True)} %"
        hover = f"{said} ({number(row.low, 1, signed=True)} to {number(row.high, 1, signed=True)})"
        bar = {
            "type": "scatter",
            "mode": "lines",
            "x": [row.low, row.high],
            "y": [at, at],
            "hoverinfo": "skip",
            "showlegend": False,
        }
        if style.colour == OUTLINED:
            traces.append({**bar, "line": {"color": "#6E6700", "width": 9}})
        traces.append({**bar, "line": {"color": see_through(style.colour, 0.65), "width": 7}})
        shape, colour = SIGN["warning"] if row.sure else ("circle", style.ink)
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "x": [row.value],
                "y": [at],
                "marker": {"symbol": shape, "color": colour, "size": 10 if row.sure else 7},
                "hovertemplate": f"{hover}<extra></extra>",
                "showlegend": False,
            }
        )
        notes += [
            _label(row.name, at, size, style.ink, left_px, sure=row.sure),
            _figure(row, at, size),
        ]
    height = max(len(rows), 1) * row_px
    shapes.append(
        {
            "type": "line",
            "xref": "x",
            "yref": "paper",
            "x0": 0,
            "x1": 0,
            "y0": 0,
            "y1": 1,
            "layer": "below",
            "line": {"color": "#7B858E", "width": 1},
        }
    )
    layout: Json = {
        **_page(size),
        "height": height + 36 + 40,
        "margin": {"l": left_px, "r": 12, "t": 36, "b": 40, "pad": 0},
        "hovermode": "closest",
        "shapes": shapes,
        "annotations": notes,
        "xaxis": {
            **_axis(),
            "range": [low - room, low - room + span],
            "ticksuffix": " %",
            "nticks": 5 if view.narrow else 9,
            "ticks": "outside",
            "ticklen": 4,
            "tickcolor": _AXIS,
            "tickformat": "~g",
        },
        "yaxis": {
            **_axis(),
            "range": [len(rows) - 0.5, -0.5],
            "showgrid": False,
            "showticklabels": False,
        },
    }
    return {"data": traces, "layout": layout}


def visits(document: Mapping[str, Any], view: View, unit: str = units.PAIR_UNITS[0]) -> Json:
    """Return the figure of an amp's pairs over its visits: each settled current with its uncertainty.

    At nominal mains where all visits measured them. Lines break where other valves came in.
    """
    size = 15 if view.large else 12
    name_of = units.pair_unit(unit)
    begun = {one["soak"]: one["started"][:19] for one in document["visits"]}
    key = "nominal" if at_nominal(document) else "settled"
    height = 240 if view.narrow else 300
    right_px = max(
        48, round(max((len(short(one["name"])) for one in document["pairs"]), default=5) * size * 0.62) + 26
    )
    traces: list[Json] = []
    held: list[float] = []
    ends: list[tuple[int, str, str, float]] = []
    for at, pair in enumerate(document["pairs"]):
        style = pair_style(at)
        x: list[str | None] = []
        y: list[float | None] = []
        bars: tuple[list[str | None], list[float | None]] = ([], [])
        for row in pair["visits"]:
            value, U = row[f"{key}_mA"], row[f"{key}_expanded_uncertainty_mA"] or 0.0
            if row["new_valves"]:
                x.append(None)
                y.append(None)
            x.append(begun[row["soak"]])
            y.append(round(value, 3))
            bars[0].extend([begun[row["soak"]], begun[row["soak"]], None])
            bars[1].extend([round(value - U, 3), round(value + U, 3), None])
            held += [value - U, value + U]
        if not x:
            continue
        trace: Json = {"type": "scatter", "showlegend": False, "connectgaps": False}
        traces.append(
            {
                **trace,
                "mode": "lines",
                "x": bars[0],
                "y": bars[1],
                "line": {"color": see_through(style.colour, 0.65), "width": 5},
                "hoverinfo": "skip",
            }
        )
        traces.append(
            {
                **trace,
                "mode": "lines+markers",
                "x": x,
                "y": y,
                "line": {"color": style.colour, "width": 1.7, "dash": style.dash},
                "marker": {"color": style.ink, "size": 6},
                "hovertemplate": f"{plain(pair['name'])}  %{{y:.1f}} {name_of}<extra></extra>",
            }
        )
        ends.append((at, short(pair["name"]), str(x[-1]), float(y[-1] or 0.0)))
    low, high = min(held, default=0.0), max(held, default=1.0)
    room = max(0.08 * (high - low), 0.5)
    low, high = low - room, high + room
    px = height / (high - low)
    wishes = [(high - value) * px for *_, value in ends]
    places = pushed_apart(wishes, size + 3.0, 8.0, height - 8.0)
    how = f", at {document['nominal_mains_V']:g} V mains" if key == "nominal" else ""
    notes = [_title(f"Each pair, {name_of}{how}", size)]
    for (at, name, when, value), wish, place in zip(ends, wishes, places, strict=True):
        style = pair_style(at)
        notes.append(
            {
                "text": plain(name),
                "x": when,
                "y": value,
                "showarrow": True,
                "arrowhead": 0,
                "arrowwidth": 0.8,
                "arrowcolor": style.colour,
                "ax": 16,
                "ay": round(place - wish, 1),
                "xanchor": "left",
                "standoff": 2,
                "borderpad": 0,
                "font": {"size": size, "color": style.ink, "weight": 600},
            }
        )
    layout: Json = {
        **_page(size),
        "height": height + 36 + 40,
        "margin": {"l": 44, "r": right_px, "t": 36, "b": 40, "pad": 0},
        "hovermode": "closest",
        "annotations": notes,
        "xaxis": {
            **_axis(),
            "type": "date",
            **_span(sorted(begun.values()), timedelta(days=150 if view.narrow else 30)),
            "nticks": 4 if view.narrow else 9,
            "tickformat": "%Y-%m" if view.narrow else "%Y-%m-%d",
            "tickangle": 0,
            "showline": True,
            "linecolor": _AXIS,
            "ticks": "outside",
            "ticklen": 4,
            "tickcolor": _AXIS,
        },
        "yaxis": {**_axis(), "range": [low, high], "nticks": 6, "tickformat": "~g"},
    }
    return {"data": traces, "layout": layout}


def _span(times: Sequence[str], least: timedelta) -> Json:
    """Return an axis' range about all times, so wide at least that no two of its ticks read alike."""
    if not times:
        return {}
    first, last = datetime.fromisoformat(times[0]), datetime.fromisoformat(times[-1])
    room = max((last - first) * 0.03, (least - (last - first)) / 2)
    return {"range": [(first - room).isoformat(), (last + room).isoformat()]}


def at_nominal(document: Mapping[str, Any]) -> bool:
    """Whether all currents of all visits are known at nominal mains."""
    rows = [row for pair in document["pairs"] for row in pair["visits"]]
    return bool(rows) and all(row["nominal_mA"] is not None for row in rows)


def _page(size: int) -> Json:
    return {
        "autosize": True,
        "font": {"family": FONT, "size": size, "color": QUIET},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "showlegend": False,
        "dragmode": False,
    }


def _axis() -> Json:
    return {"showgrid": True, "gridcolor": HAIR, "zeroline": False, "fixedrange": True, "automargin": False}


def _title(text: str, size: int) -> Json:
    return {
        "text": plain(text),
        "showarrow": False,
        "xref": "paper",
        "x": 0,
        "yref": "paper",
        "y": 1,
        "yshift": 4,
        "xanchor": "left",
        "yanchor": "bottom",
        "font": {"size": size + 1, "color": INK, "weight": 600},
    }


def _label(name: str, at: int, size: int, ink: str, left_px: int, *, sure: bool) -> Json:
    most = max(6, int((left_px - 12) / (size * 0.58)))
    text = name if len(name) <= most else f"{name[: most - 1]}…"
    return {
        "text": plain(text),
        "showarrow": False,
        "xref": "paper",
        "x": 0,
        "xshift": -8,
        "yref": "y",
        "y": at,
        "xanchor": "right",
        "yanchor": "middle",
        "font": {"size": size, "color": ink, "weight": 700 if sure else 500},
    }


def _figure(row: Row, at: int, size: int) -> Json:
    return {
        "text": f"{number(row.value, 1, signed=True)} %",
        "showarrow": False,
        "xref": "x",
        "x": max(row.high, row.allowed) if row.allowed else row.high,
        "xshift": 8,
        "yref": "y",
        "y": at,
        "xanchor": "left",
        "yanchor": "middle",
        "font": {"size": size, "color": INK, "weight": 700 if row.sure else 400},
    }


def _allowed(half: float, at: int) -> Json:
    return {
        "type": "rect",
        "xref": "x",
        "yref": "y",
        "x0": -half,
        "x1": half,
        "y0": at - 0.45,
        "y1": at + 0.45,
        "layer": "below",
        "fillcolor": "rgba(89,99,109,0.10)",
        "line": {"width": 0},
    }
