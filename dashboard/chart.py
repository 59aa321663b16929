"""The chart of a soak on a page: the browser draws it (`assets/chart.js`) and asks one address for it.

An answer is a whole figure of what is seen, or only what is new: the browser says what it has. Kept here is
only how far the data of a soak reach, so that a zoom need not read all of it to lay its axes.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
import threading
from collections.abc import Mapping
from dataclasses import dataclass, replace
from http import HTTPStatus
from typing import Any, Final, NamedTuple, cast

import numpy as np
from dash import ClientsideFunction, Dash, Input, Output, dcc, html
from flask import Flask, Response, jsonify, request

from dashboard import figures, series, timescale, words
from dashboard.bench import IN_FORCE, Bench, Look
from dashboard.figures import Ends, Extents, Json, Story, View
from dashboard.series import Series
from logger import units

ADDRESS: Final = "/chart"
SHORTEST_S: Final = 0.5
"""No zoom goes below that."""
_FAR: Final = 1e9
_KEPT: Final = 16
"""Of how many soaks it is remembered how far their data reach."""


def spoken(label: str) -> dict[str, Any]:
    """Return what a screen reader says of a component."""
    return {"aria-label": label}


def unit_store(key: str) -> html.Div:
    """Return what holds the unit of currents, one of `units.PAIR_UNITS`, for a page's callback.

    The browser keeps it; the key that changes it is shown where this stands. Each callback has its own: one
    for all would set off those of pages that are not there.
    """
    told: dict[str, Any] = {"data-store": key}
    return html.Div(dcc.Store(id=key), className="shows-unit", hidden=True, **told)


def keep_unit(app: Dash, key: str) -> None:
    """Fill such a store with the unit that the browser keeps."""
    in_browser: Any = app.clientside_callback
    in_browser(ClientsideFunction("soakbench", "keptUnit"), Output(key, "data"), Input(key, "id"))


_ZOOMS: Final = (
    ("Whole", "whole", "Show the whole soak"),
    ("10 min", "600", "Show ten minutes"),
    ("1 min", "60", "Show one minute"),
    ("← Earlier", "earlier", "Show what was before"),
    ("Later →", "later", "Show what came after"),
    ("Clock time", "clock", "Clock time instead of elapsed time"),
)


def component() -> html.Section:
    """Return the chart's place on a page."""
    buttons = [
        html.Button(name, type="button", className="key", title=does, **cast(Any, {"data-zoom": zoom}))
        for name, zoom, does in _ZOOMS
    ]
    changes: dict[str, Any] = {"data-changes": "mark"}
    buttons.append(
        html.Button("Mark this time", type="button", id="mark-time", className="key change-time", **changes)
    )
    return html.Section(
        [
            html.H2("Chart", className="unseen"),
            html.Div(
                [*buttons, html.Span(id="chart-seen", className="chart-seen", role="status")],
                className="chart-ways asks",
                role="group",
                **spoken("What the chart shows"),
            ),
            html.Div(
                dcc.Graph(id="chart", config=cast(Any, figures.CONFIG), figure=_blank()),
                id="chart-frame",
                className="chart",
                role="img",
                **spoken("Chart of the soak"),
            ),
            html.P(
                "Drag across the chart to look closer; a double click shows the whole; a click marks a time. "
                "Hatched: no reading.",
                className="hint chart-hint",
            ),
            _marking(),
            unit_store("chart-unit"),
        ],
        className="panel chart-panel",
    )


def _marking() -> html.Dialog:
    """Return the dialog that asks what was at a time; `assets/marking.js` opens and reads it."""

    def field(name: str, label: str, **more: Any) -> html.Div:
        told = dcc.Input(id=f"marking-{name}", type="text", autoComplete="off", **more)
        return html.Div(
            [html.Label(label, htmlFor=f"marking-{name}"), told],
            id=f"marking-{name}-field",
            className="field",
        )

    add: dict[str, Any] = {"data-marking": "add", "data-changes": "mark"}
    cancel: dict[str, Any] = {"data-marking": "cancel"}
    return html.Dialog(
        [
            html.H2("Mark this time"),
            html.P(id="marking-where"),
            field("time", "Elapsed time, h:mm:ss", maxLength=12),
            html.P(id="marking-clock", className="hint"),
            field("text", "What was then", maxLength=400, placeholder="tapped V5"),
            field("by", "Your name", maxLength=100),
            html.P(id="marking-says", className="asked-here", role="status"),
            html.Div(
                [
                    html.Button("Add", type="button", className="key", **add),
                    html.Button("Cancel", type="button", className="key", **cancel),
                ],
                className="asks",
            ),
        ],
        id="marking",
        **spoken("Mark this time"),
    )


def _blank() -> Json:
    hidden = {"visible": False}
    return {
        "data": [],
        "layout": {
            "height": 600,
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "xaxis": hidden,
            "yaxis": hidden,
        },
    }


def story_of(look: Look, unit: str = units.PAIR_UNITS[0]) -> Story:
    """Return what the chart tells of a soak; `unit`: what a person wants to see currents in."""
    soak = look.soak
    per_mA, unit = words.for_all(unit, soak.setup)
    now_channels = (soak.now or {}).get("channels", {})
    if soak.verdict:
        pairs = {
            channel["name"]: channel
            for channel in soak.verdict["channels"]
            if channel["measures"] == "pair current"
        }
        settled_at = {name: pair.get("settled_at_s") for name, pair in pairs.items()}
        currents = [pair["settled_mA"] / 1000.0 for pair in pairs.values() if pair.get("settled_mA")]
    else:
        pairs = {channel.name: now_channels.get(channel.name, {}) for channel in soak.setup.pairs}
        settled_at = {name: pair.get("settled_at_s") for name, pair in pairs.items()}
        # Per cent count from the median of the settled pairs; before, the aim's current stands in.
        currents = [
            pair["value"]
            for pair in pairs.values()
            if pair.get("value") is not None and pair.get("settled_at_s") is not None
        ]
    match_a = figures.match_limit(soak.setup, currents)
    return Story(
        uuid=soak.uuid,
        setup=soak.setup,
        steps=look.steps(),
        states=look.states(),
        findings=words.findings_listed(look.findings, words.ON_SCREEN)[0],
        marks=words.marks_listed(look.marks, words.MARKS_ON_SCREEN)[0],
        gaps=look.gaps(),
        settled_at_s={name: at_s for name, at_s in settled_at.items() if at_s is not None},
        # To a twentieth of a mA, or the band would tremble with the noise of the figures now.
        match_a=round(match_a * 20_000.0) / 20_000.0,
        x_end_s=_axis_end(look),
        started=soak.started,
        unit=unit,
        per_mA=per_mA,
    )


def _shown(found: Series, story: Story) -> Series:
    """Return a series with its pair currents in the unit that the story shows them in."""
    if story.per_mA == 1.0:
        return found
    by = np.ones(len(story.setup.channel))
    by[story.setup.pair_columns] = story.per_mA
    return replace(
        found,
        mean=found.mean * by,
        least=found.least * by,
        greatest=found.greatest * by,
        from_others=found.from_others * story.per_mA,
    )


def _axis_end(look: Look) -> float:
    """Return where the time axis ends: with the step that runs, so that it moves once a step."""
    if not look.running:
        return max(look.last_s, 10.0)
    ends = [band.to_s for band in look.steps() if band.to_s > look.now_s]
    if ends:
        return ends[0]
    step_s = 300.0 if look.now_s < 900.0 else 1800.0
    return step_s * (math.floor(look.now_s / step_s) + 1)


class Asked(NamedTuple):
    """What a browser asks: how it looks, and what it has already (`after_s` None: nothing)."""

    view: View
    calibration: int | str
    unit: str
    after_s: float | None
    frame: str
    over: str


@dataclass
class _Reach:
    """How far a soak's data reach, up to a time, and where on its line each pair had settled."""

    key: tuple[Any, ...]
    until_s: float
    extents: Extents
    settled: Ends
    settled_at_s: Mapping[str, float]


class Charts:
    """Answers what a chart shows; remembers how far the data of the last soaks reach."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._reached: dict[tuple[str, int | str, str], _Reach] = {}
        self._lock = threading.Lock()

    def answer(self, which: int | str, asked: Asked) -> Json | None:
        """Return a figure, or what is new to it; None where nothing is, or there is no soak to draw.

        In an answer: `figure` as `figures.whole`, or `tail` with its times `x`, and what lies over the lines
        where that changed (`traces`, `shapes`, `notes`) or their names (`labels`); `frame`, `over` and
        `until_s` to be asked with next; the soak's `uuid`, its number as `soak`, its `job`, its `end_s` and
        `last_s`, the stretch in view `from_s` to `to_s`, `offsets` of the clock from UTC, and what the chart
        `says`.
        """
        look = self._bench.look(which, asked.calibration)
        if not isinstance(look, Look) or look.soak.last_t_us is None or look.waiting:
            return None
        soak, story, view = look.soak, story_of(look, asked.unit), asked.view
        from_s, to_s = view.span_s(story)
        level_s = series.level_for(
            to_s - from_s,
            soak.setup.link.scans_per_s,
            len(soak.setup.pairs),
            len(soak.setup.channel),
            view.plot_px,
            finest_s=0.0 if soak.has_scans(from_s, to_s) else series.ROLLED_S,
        )
        reach = self._reach(look, story)
        laid = figures.lay(story, view, reach.extents)
        holes = look.holes()
        same = [story.unit, soak.uuid, look.running, look.calibration, view, level_s, holes]
        same.append(figures.frame(story, laid))
        known = {
            "uuid": soak.uuid,
            "frame": digest(same),
            "running": look.running,
            "end_s": story.x_end_s,
            "last_s": look.last_s,
            "soak": soak.id,
            "job": soak.job_id,
        }
        if asked.after_s is not None and asked.frame == known["frame"]:
            fresh = self._news(look, story, asked, level_s, reach, laid)
            return fresh and known | fresh
        seen = series.view(
            self._bench.reader,
            soak,
            level_s,
            holes,
            from_s,
            to_s,
            last_s=look.last_s if look.running else None,
            calibration=look.calibration,
        )
        seen = _shown(seen, story)
        line_ends = figures.ends(seen, laid, view)
        over = figures.dressing(line_ends, reach.settled, story, view, laid)
        return known | {
            "figure": figures.whole(seen, over, story, view, laid),
            "over": _digest_over(over),
            "until_s": seen.until_s if len(seen) else from_s,
            "from_s": from_s,
            "to_s": to_s,
            "started_ms": soak.started.timestamp() * 1000.0,
            "offsets": timescale.offsets(soak.started, story.x_end_s, view.zone),
            "says": figures.summary(seen, line_ends, story, view, laid),
        }

    def _news(
        self, look: Look, story: Story, asked: Asked, level_s: float, reach: _Reach, laid: figures.Laid
    ) -> Json | None:
        """Return the new points of a running soak, and what lies over the lines where that changed."""
        assert asked.after_s is not None
        view, level_s = asked.view, min(level_s, series.ROLLED_S)
        _, to_s = view.span_s(story)
        around_s = 3.0 * max(level_s, 1.0 / look.soak.setup.link.scans_per_s)
        recent = series.read(
            self._bench.reader,
            look.soak,
            level_s,
            look.holes(),
            from_s=max(asked.after_s - around_s, 0.0),
            to_s=min(to_s, series.closed_s(look.last_s, level_s)),
            calibration=look.calibration,
        )
        recent = _shown(recent, story)
        news = recent.part(recent.t_s >= asked.after_s)
        over = figures.dressing(figures.ends(recent, laid, view), reach.settled, story, view, laid)
        answer: Json = {"over": _digest_over(over), "until_s": recent.until_s}
        if len(news):
            answer |= {
                "x": figures.packed(news.t_s, "f8"),
                "tail": figures.tail(news, laid),
                "labels": over.end_labels,
            }
        if answer["over"] != asked.over:
            answer |= {"traces": over.traces, "shapes": over.shapes, "notes": over.notes}
        return answer if len(answer) > 2 else None

    def _reach(self, look: Look, story: Story) -> _Reach:
        """Return how far the whole soak's data reach, reading only what has come since the last time."""

        def read(level_s: float, from_s: float, to_s: float | None = None) -> Series:
            found = series.read(
                self._bench.reader,
                look.soak,
                level_s,
                look.holes(),
                from_s=math.floor(max(from_s, 0.0) / level_s) * level_s,
                to_s=to_s,
                calibration=look.calibration,
            )
            return _shown(found, story)

        key = (story.steps[0].from_s if story.steps else None, look.holes())
        name = (look.soak.uuid, look.calibration, story.unit)
        with self._lock:
            reach = self._reached.pop(name, None)
            if reach is None or reach.key != key:
                reach = _Reach(key, 0.0, {}, {}, {})
            if look.last_s >= reach.until_s:
                news = read(10.0 if look.last_s < 4 * 3600.0 else 60.0, reach.until_s)
                extents = figures.merged(reach.extents, figures.measure(news, story))
                reach = replace(reach, until_s=look.last_s + 1e-6, extents=extents)
            wanted = story.settled_at_s or {}
            if wanted != reach.settled_at_s:
                settled: Ends = {}
                for at_s in set(wanted.values()):
                    here = figures.settled_points(read(10.0, at_s - 60.0, at_s + 60.0), story)
                    settled |= {pair: at for pair, at in here.items() if wanted[pair] == at_s}
                reach = replace(reach, settled=settled, settled_at_s=wanted)
            self._reached[name] = reach
            while len(self._reached) > _KEPT:
                del self._reached[next(iter(self._reached))]
            return reach


def _digest_over(over: figures.Dressing) -> str:
    return digest([over.traces, over.shapes, over.notes])


def register(app: Dash, server: Flask, bench: Bench) -> None:
    """Add the address that answers what a chart shows, and what tells the browser which soak's."""
    charts = Charts(bench)
    keep_unit(app, "chart-unit")

    @server.get(f"{ADDRESS}/<which>")
    def chart(which: str) -> Response | tuple[str, HTTPStatus]:
        asked = asked_of(request.args)
        if asked is None or not (which == "last" or _number(which)):
            return "a chart is asked for as our own pages do", HTTPStatus.BAD_REQUEST
        answer = charts.answer(which if which == "last" else int(which), asked)
        if answer is None:
            return "", HTTPStatus.NO_CONTENT
        response = jsonify(answer)
        response.headers["Cache-Control"] = "no-store"
        return response

    in_browser: Any = app.clientside_callback
    in_browser(
        ClientsideFunction("soakbench_chart", "show"),
        Output("chart-frame", "title"),
        Input("which", "data"),
        Input("screen", "data"),
        Input("calibration", "data"),
        Input("chart-unit", "data"),
    )


def _number(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 10


def asked_of(args: Mapping[str, str]) -> Asked | None:
    """Read what a browser asks; None where it is nonsense.

    `width` in CSS px, `from` and `to` in s, `y`, `y2`... `low,high`, `clock` 1, `unit`, `calibration` a
    number or none; `after`, `frame` and `over` as the last answer said.
    """
    try:
        width_px = int(args.get("width", "1280"))
        zoom_s = (float(args["from"]), float(args["to"])) if "from" in args else None
        after_s = float(args["after"]) if "after" in args else None
        ranges = {
            f"yaxis{name[1:]}": [float(end) for end in ends.split(",")]
            for name, ends in args.items()
            if re.fullmatch("y[0-9]{0,2}", name)
        }
    except (KeyError, ValueError):
        return None
    numbers = [*(zoom_s or ()), *(end for ends in ranges.values() for end in ends)]
    if after_s is not None:
        numbers.append(after_s)
    if not all(math.isfinite(number) and abs(number) < _FAR for number in numbers):
        return None
    if any(len(ends) != 2 for ends in ranges.values()):
        return None
    if zoom_s is not None:
        from_s = max(zoom_s[0], 0.0)
        zoom_s = (from_s, max(zoom_s[1], from_s + SHORTEST_S))
    with_, unit = args.get("calibration", IN_FORCE), args.get("unit", units.PAIR_UNITS[0])
    if unit not in units.PAIR_UNITS:
        return None
    view = View(min(max(width_px, 200), 8000), zoom_s, ranges, args.get("clock") == "1")
    calibration = int(with_) if _number(with_) else with_
    return Asked(view, calibration, unit, after_s, args.get("frame", ""), args.get("over", ""))


def digest(value: Any) -> str:
    """Return a short digest of plain data, to tell whether it changed."""
    return hashlib.sha256(json.dumps(value, default=str).encode()).hexdigest()[:16]
