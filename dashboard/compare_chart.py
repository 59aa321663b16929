"""The chart of a comparison as a plotly figure: this soak over earlier ones, both from HT on. Pure.

Above the currents, this soak's strong and the earlier ones' thin, paler and dashed in the same pair's
colour; below what each pair draws more or less than in the newest of the earlier ones. Where the mains were
measured in all of them, minute by minute brought to nominal mains, as the sentences are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np

from dashboard.figures import (
    FONT,
    HAIR,
    INK,
    OUTLINED,
    QUIET,
    Json,
    View,
    pair_style,
    plain,
    pushed_apart,
    see_through,
    short,
)
from logger import units
from logger.blocks import FloatArray

_DASHES: Final = ("6px,3px", "2px,3px", "8px,3px,2px,3px")
DASH_WORDS: Final = ("dashed", "dotted", "dash-dotted")
"""How the lines of the earlier soaks are drawn, the newest first."""
MOST_EARLIER: Final = len(DASH_WORDS)
_HOT_MIN: Final = 5.0
"""Before that a pair warms up, which is no figure to lay an axis by."""
_BETWEEN_PX: Final = 44
_AXIS: Final = "#9AA3AB"

# The time axis is one of dates, for its ticks at whole minutes and hours. Elapsed 0 is the first moment of a
# year, so that the day of the year counts elapsed days; not of 1970, since plotly takes a small number of
# milliseconds for a year.
_ZERO_MS: Final = 31_536_000_000


def ms(t_s: float) -> int:
    """Return elapsed seconds as the time axis counts them."""
    return _ZERO_MS + round(t_s * 1000.0)


class _Curve(NamedTuple):
    """One soak's line of one pair: minutes since HT on, mA."""

    pair: str
    on_min: FloatArray
    mA: FloatArray


def figure(document: Mapping[str, Any], view: View, unit: str = units.PAIR_UNITS[0]) -> Json:
    """Return the figure of a `soakbench.compare/1` document; its earlier soaks are the newest first.

    `unit`: what its currents are in, one of `units.PAIR_UNITS`.
    """
    name_of = units.pair_unit(unit)
    this, before = document["this"], document["earlier"][:MOST_EARLIER]
    names = list(this["pairs_mA"])
    nominal_v = nominal_mains_v(document)
    gain = document["mains_gain"]["value"]
    curves = [_curves(one, names, nominal_v, gain) for one in (this, *before)]
    changes = [change for name in names if (change := _change(curves[0], curves[1], name)) is not None]
    size = 15 if view.large else 12
    heights = (250, 190) if view.narrow else (330, 250)
    right_px = max(48, round(max(len(short(name)) for name in names) * size * 0.62) + 26)
    total_px = sum(heights) + _BETWEEN_PX
    domains = ((heights[1] + _BETWEEN_PX) / total_px, 1.0), (0.0, heights[1] / total_px)
    sure_mA = sure_beyond(document)
    how = "as measured" if nominal_v is None else f"at {nominal_v:g} V mains"
    drawn = [curve for soak in curves for curve in soak.values()]
    # As long as this soak: what an earlier one did later has nothing over it.
    end_min = max((float(curve.on_min[-1]) for curve in curves[0].values() if len(curve.on_min)), default=1.0)
    seen = [_until(curve, end_min) for curve in drawn]
    ranges = _range(seen, 4.0), _range(changes, 2.0, around=(-(sure_mA or 0.0), 0.0, sure_mA or 0.0))
    traces: list[Json] = []
    for age in range(len(before), 0, -1):  # this soak's lines lie above the others
        traces += [
            _line(_until(curve, end_min), names, "y", f"soak {before[age - 1]['soak']}", age, name_of)
            for curve in curves[age].values()
        ]
    for curve in curves[0].values():
        traces += [*_outline(curve, names, "y"), _line(curve, names, "y", "this soak", 0, name_of)]
    for curve in changes:
        traces += [
            *_outline(curve, names, "y2"),
            _line(curve, names, "y2", "changed", 0, name_of, signed=True),
        ]
    notes = [
        _title(f"Each pair, {name_of}, {how}", "y domain", size),
        _title(f"Changed since soak {before[0]['soak']}, {name_of}", "y2 domain", size),
        *_ends(list(curves[0].values()), names, "y", ranges[0], heights[0], size),
        *_ends(changes, names, "y2", ranges[1], heights[1], size),
        {
            "text": "since HT on, h:min",
            "showarrow": False,
            "xref": "paper",
            "x": 1,
            "yref": "paper",
            "y": 0,
            "yshift": -20,
            "xanchor": "right",
            "yanchor": "top",
            "font": {"size": size, "color": QUIET},
        },
    ]
    shapes = [_rule("y2", 0.0)]
    if sure_mA is not None:
        shapes.append(_band("y2", sure_mA))
    axes = {
        "xaxis": _time_axis(end_min, view),
        "yaxis": _value_axis(domains[0], ranges[0]),
        "yaxis2": _value_axis(domains[1], ranges[1]),
    }
    layout: Json = {
        "autosize": True,
        "height": total_px + 36 + 44,
        "margin": {"l": 40, "r": right_px, "t": 36, "b": 44, "pad": 0},
        "font": {"family": FONT, "size": size, "color": QUIET},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "showlegend": False,
        "hovermode": "x unified",
        "dragmode": False if view.narrow else "zoom",
        "uirevision": "-".join(one["uuid"] for one in (this, *before)),
        "shapes": shapes,
        "annotations": notes,
        **axes,
    }
    return {"data": traces, "layout": layout}


def summary(document: Mapping[str, Any]) -> str:
    """Say in one sentence what the chart shows, for those who can't see it."""
    soaks = ", ".join(f"soak {one['soak']}" for one in document["earlier"][:MOST_EARLIER])
    return (
        f"Chart over the time since HT on: current of each pair in soak {document['this']['soak']} over "
        f"{soaks}, and what has changed. The same figures stand in the text."
    )


def nominal_mains_v(document: Mapping[str, Any]) -> float | None:
    """Return the mains that all currents are brought to; None where one soak did not measure the mains."""
    drawn = (document["this"], *document["earlier"][:MOST_EARLIER])
    known = all(one["conditions"]["mains_V"] for one in drawn)
    return float(document["nominal_mains_V"]) if known else None


def _curves(
    one: Mapping[str, Any], names: Sequence[str], nominal_v: float | None, gain: float
) -> dict[str, _Curve]:
    """Return a soak's curves from HT on, of the pairs that this soak has too."""
    on_min = np.array(one["on_min"], dtype=np.float64)
    keep = on_min >= 0.0
    by = np.ones(len(on_min))
    if nominal_v is not None:
        with np.errstate(divide="ignore", invalid="ignore"):
            by = (nominal_v / np.array(one["mains_V"], dtype=np.float64)) ** gain
    return {
        name: _Curve(name, on_min[keep], (np.array(one["pairs_mA"][name], dtype=np.float64) * by)[keep])
        for name in names
        if name in one["pairs_mA"]
    }


def _until(curve: _Curve, end_min: float) -> _Curve:
    keep = curve.on_min <= end_min
    return _Curve(curve.pair, curve.on_min[keep], curve.mA[keep])


def _change(now: Mapping[str, _Curve], was: Mapping[str, _Curve], name: str) -> _Curve | None:
    """Return this curve less that one at this one's minutes, NaN where either has none."""
    if name not in now or name not in was or len(was[name].on_min) < 2:
        return None
    here, there = now[name], was[name]
    # A gap stays one: what lies between a figure and none is none.
    at_mA = np.interp(here.on_min, there.on_min, there.mA, left=math.nan, right=math.nan)
    return _Curve(name, here.on_min, here.mA - at_mA)


def sure_beyond(document: Mapping[str, Any]) -> float | None:
    """Return beyond which change of a settled current every pair's is sure, None where none is known."""
    what = "settled" if nominal_mains_v(document) is None else "at_nominal_mains"
    known = [pair[what] for pair in document["earlier"][0]["pairs"] if pair[what]]
    return max((one["expanded_uncertainty_mA"] for one in known), default=None)


def _range(curves: Sequence[_Curve], least: float, around: Sequence[float] = ()) -> tuple[float, float]:
    """Return the axis of what was read once the valves were hot, at least so wide, with its `around`."""
    held = [float(value) for value in around]
    for hot_min in (_HOT_MIN, 0.0):
        for curve in curves:
            hot = curve.mA[(curve.on_min >= hot_min) & np.isfinite(curve.mA)]
            held += [float(hot.min()), float(hot.max())] if len(hot) else []
        if len(held) > len(around):
            break
    low, high = min(held, default=0.0), max(held, default=1.0)
    room = max(0.08 * (high - low), 0.5 * (least - (high - low)), 0.2)
    return low - room, high + room


def _line(
    curve: _Curve,
    names: Sequence[str],
    yref: str,
    of: str,
    age: int,
    unit: str,
    *,
    signed: bool = False,
) -> Json:
    style = pair_style(names.index(curve.pair))
    figure = f"%{{y:{'+' if signed else ''}.1f}} {unit}"
    line: Json = {"color": style.colour, "width": 1.9, "dash": style.dash}
    if age:
        line = {"color": see_through(style.colour, 0.65), "width": 1.2, "dash": _DASHES[age - 1]}
    return {
        **_trace(curve, yref),
        "line": line,
        "hovertemplate": f"{plain(curve.pair)}, {of}  {figure}<extra></extra>",
    }


def _outline(curve: _Curve, names: Sequence[str], yref: str) -> list[Json]:
    """Return what a pale line is drawn upon."""
    if pair_style(names.index(curve.pair)).colour != OUTLINED:
        return []
    return [{**_trace(curve, yref), "line": {"color": "#6E6700", "width": 3.5}, "hoverinfo": "skip"}]


def _trace(curve: _Curve, yref: str) -> Json:
    return {
        "type": "scatter",
        "mode": "lines",
        "xaxis": "x",
        "yaxis": yref,
        "x": [ms(60.0 * minute) for minute in curve.on_min.tolist()],
        "y": [round(value, 3) if math.isfinite(value) else None for value in curve.mA.tolist()],
        "name": plain(curve.pair),
        "connectgaps": False,
        "showlegend": False,
    }


def _ends(
    curves: Sequence[_Curve],
    names: Sequence[str],
    yref: str,
    span: tuple[float, float],
    height_px: int,
    size: int,
) -> list[Json]:
    """Name the lines at their ends, pushed apart, with a thin leader to each."""
    ends = []
    for curve in curves:
        known = np.flatnonzero(np.isfinite(curve.mA))
        if len(known):
            last = known[-1]
            ends.append((curve, float(curve.on_min[last]), min(max(float(curve.mA[last]), span[0]), span[1])))
    px = height_px / (span[1] - span[0])
    wishes = [(span[1] - value) * px for _, _, value in ends]
    places = pushed_apart(wishes, size + 3.0, 8.0, height_px - 8.0)
    notes = []
    for (curve, at_min, value), wish, place in zip(ends, wishes, places, strict=True):
        style = pair_style(names.index(curve.pair))
        notes.append(
            {
                "text": plain(short(curve.pair)),
                "xref": "x",
                "x": ms(60.0 * at_min),
                "yref": yref,
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
    return notes


def _title(text: str, yref: str, size: int) -> Json:
    return {
        "text": plain(text),
        "showarrow": False,
        "xref": "paper",
        "x": 0,
        "yref": yref,
        "y": 1,
        "yshift": 4,
        "xanchor": "left",
        "yanchor": "bottom",
        "font": {"size": size + 1, "color": INK, "weight": 600},
    }


def _rule(yref: str, y: float) -> Json:
    line = {"color": "#B8C0C7", "width": 1}
    return {
        "type": "line",
        "xref": "paper",
        "yref": yref,
        "x0": 0,
        "x1": 1,
        "y0": y,
        "y1": y,
        "layer": "below",
        "line": line,
    }


def _band(yref: str, half: float) -> Json:
    return {
        "type": "rect",
        "xref": "paper",
        "yref": yref,
        "x0": 0,
        "x1": 1,
        "y0": -half,
        "y1": half,
        "layer": "below",
        "fillcolor": "rgba(89,99,109,0.10)",
        "line": {"width": 0},
    }


def _time_axis(end_min: float, view: View) -> Json:
    return {
        "type": "date",
        "range": [ms(0.0), ms(60.0 * end_min)],
        "anchor": "y2",
        "showgrid": True,
        "gridcolor": HAIR,
        "zeroline": False,
        "showline": True,
        "linecolor": _AXIS,
        "ticks": "outside",
        "ticklen": 4,
        "tickcolor": _AXIS,
        "nticks": 6 if view.narrow else 12,
        "tickformat": "%-H:%M" if end_min < 1440.0 else "%-H:%M\nday %-j",
        "hoverformat": "%-H h %M min" if end_min < 1440.0 else "day %-j, %-H h %M min",
        "showspikes": True,
        "spikemode": "across",
        "spikesnap": "cursor",
        "spikethickness": 1,
        "spikedash": "solid",
        "spikecolor": _AXIS,
        "fixedrange": view.narrow,
    }


def _value_axis(domain: tuple[float, float], span: tuple[float, float]) -> Json:
    return {
        "domain": list(domain),
        "range": list(span),
        "showgrid": True,
        "gridcolor": HAIR,
        "zeroline": False,
        "ticks": "",
        "nticks": 7,
        "anchor": "x",
        "fixedrange": True,
        "tickformat": "~g",
        "automargin": False,
    }
