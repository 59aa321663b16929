"""The chart of a soak on a page: drawn once, then followed by sending only what is new."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final, cast

import numpy as np
from dash import ClientsideFunction, Dash, Input, Output, Patch, State, dcc, html, no_update
from dash.exceptions import PreventUpdate

from dashboard import figures, series, words
from dashboard.bench import Bench, Look
from dashboard.figures import Json, Ranges, Story, View
from dashboard.series import Series
from logger import units

POLL_MS: Final = 2000


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


def component() -> html.Section:
    """Return the chart's place on a page."""
    return html.Section(
        [
            html.H2("Chart", className="unseen"),
            html.Div(
                dcc.Graph(id="chart", config=cast(Any, figures.CONFIG), figure=_blank()),
                id="chart-frame",
                className="chart",
                role="img",
                **spoken("Chart of the soak"),
            ),
            html.P(
                "Drag across the chart to look closer; a double click goes back. Hatched: no reading.",
                className="hint chart-hint",
            ),
            dcc.Store(id="chart-state"),
            unit_store("chart-unit"),
            dcc.Interval(id="chart-tick", interval=POLL_MS),
        ],
        className="panel chart-panel",
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
        findings=look.findings,
        marks=look.marks,
        gaps=look.gaps(),
        settled_at_s={name: at_s for name, at_s in settled_at.items() if at_s is not None},
        # To a twentieth of a mA, or the band would tremble with the noise of the figures now.
        match_a=round(match_a * 20_000.0) / 20_000.0,
        x_end_s=_axis_end(look),
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


def register(app: Dash, bench: Bench) -> None:
    """Add the chart's callback."""
    keep_unit(app, "chart-unit")

    @app.callback(
        Output("chart", "figure"),
        Output("chart-state", "data"),
        Output("chart-frame", "aria-label"),
        Input("chart-tick", "n_intervals"),
        Input("chart", "relayoutData"),
        Input("screen", "data"),
        Input("calibration", "data"),
        Input("chart-unit", "data"),
        State("which", "data"),
        State("chart-state", "data"),
    )
    def follow(
        _: int | None,
        moved: Json | None,
        width_px: int | None,
        calibration: int | str | None,
        unit: str | None,
        which: int | str,
        state: Json | None,
    ) -> tuple[Any, Any, Any]:
        look = bench.look(which, calibration)
        if not isinstance(look, Look) or look.soak.last_t_us is None or look.waiting:
            raise PreventUpdate  # the last picture stays
        known = state if state and state["uuid"] == look.soak.uuid else None
        # The answer to a zoom is dropped where the next poll overtakes it: so each poll looks whether the
        # last move was answered, whatever set it off.
        ranges: Ranges = known["ranges"] if known else {}
        if known and known["moved"] != digest(moved):
            ranges = after_move(moved or {}, ranges, known["frame"])
        story = story_of(look, unit or units.PAIR_UNITS[0])
        if known and known["unit"] != story.unit:
            ranges = {axis: ends for axis, ends in ranges.items() if axis == "xaxis"}
        view = View(int(width_px or 1280), ranges)
        figure, fresh, said = _drawn(bench, look, story, view, known)
        return figure, {**fresh, "moved": digest(moved)}, said


def _drawn(bench: Bench, look: Look, story: Story, view: View, known: Json | None) -> tuple[Any, Any, Any]:
    """Draw the chart anew where its frame changed, else send what is new.

    A patch alone would lose the zoom: the browser's figure carries a person's ranges once it was patched, so
    a figure drawn anew has to carry them too.
    """
    soak, holes = look.soak, look.holes()
    pairs, rate = len(soak.setup.pairs), soak.setup.link.scans_per_s
    level_s = series.level_for(look.last_s, rate, pairs)
    fine_s = series.level_for(view.zoom_s[1] - view.zoom_s[0], rate, pairs) if view.zoom_s else level_s
    at_end = view.zoom_s is not None and view.zoom_s[1] >= look.last_s
    same: Json = {
        "uuid": soak.uuid,
        "ended": not look.running,
        "calibration": look.calibration,
        "ranges": view.ranges,
        "width": view.width_px,
        "unit": story.unit,
        "levels": [level_s, fine_s, at_end],
        "holes": digest([holes.gaps, holes.left_out]),
    }
    if known and all(known[key] == value for key, value in same.items()):
        if not look.running:
            raise PreventUpdate
        tail_level_s = fine_s if at_end else level_s
        news = series.read(
            bench.reader,
            soak,
            tail_level_s,
            holes,
            from_s=known["until_s"],
            to_s=_closed_until(look, tail_level_s),
            after_s=known["until_s"],
            calibration=look.calibration,
        )
        news = _shown(news, story)
        extents = figures.merged(known["extents"], figures.measure(news, story))
        if figures.frame(story, view, extents) == known["frame"]:
            return _patched(news, story, view, extents, known)
    full = _shown(_stretches(bench, look, view, level_s, fine_s), story)
    extents = figures.measure(full, story)
    line_ends = figures.ends(full, soak.setup, view)
    figure = figures.whole(full, story, view, extents)
    settled = figures.settled_points(full, story)
    over = figures.dressing(line_ends, settled, story, view, extents)
    state = {
        **same,
        "until_s": full.until_s,
        "extents": extents,
        "ends": line_ends,
        "settled": settled,
        "frame": figures.frame(story, view, extents),
        **_digests(over),
    }
    return figure, state, figures.summary(story, line_ends)


def _patched(
    news: Series, story: Story, view: View, extents: figures.Extents, known: Mapping[str, Any]
) -> tuple[Any, Any, Any]:
    """Return a patch with the new points, and what lies over the lines where that changed."""
    setup = story.setup
    line_ends = {**known["ends"], **figures.ends(news, setup, view)}
    settled = {**figures.settled_points(news, story), **known["settled"]}
    settled = {name: at for name, at in settled.items() if name in (story.settled_at_s or {})}
    over = figures.dressing(line_ends, settled, story, view, extents)
    digests = _digests(over)
    if not len(news) and all(known[key] == value for key, value in digests.items()):
        raise PreventUpdate
    patch = Patch()
    if len(news):
        for index, (x, y) in enumerate(figures.tail(news, story)):
            patch["data"][index]["x"].extend(x)
            patch["data"][index]["y"].extend(y)
    if digests["over"] != known["over"]:
        first = figures.line_count(setup)
        for offset, trace in enumerate(over.traces):
            patch["data"][first + offset] = trace
        patch["layout"]["shapes"] = over.shapes
        patch["layout"]["annotations"] = over.notes + over.end_labels
    elif digests["labels"] != known["labels"]:
        for offset, label in enumerate(over.end_labels):
            patch["layout"]["annotations"][len(over.notes) + offset] = label
    state = {
        **known,
        "until_s": news.until_s,
        "extents": extents,
        "ends": line_ends,
        "settled": settled,
        **digests,
    }
    return patch, state, figures.summary(story, line_ends) if len(news) else no_update


def _digests(over: figures.Dressing) -> dict[str, str]:
    """Return what tells whether that which lies over the lines changed."""
    return {
        "over": digest([over.traces, over.shapes, over.notes, len(over.end_labels)]),
        "labels": digest(over.end_labels),
    }


def _stretches(bench: Bench, look: Look, view: View, level_s: int, fine_s: int) -> Series:
    """Read the whole soak, finer where a person has zoomed in."""
    holes = look.holes()
    closed_s = _closed_until(look, level_s)
    if view.zoom_s is None or fine_s >= level_s:
        return series.read(
            bench.reader, look.soak, level_s, holes, to_s=closed_s, calibration=look.calibration
        )
    # The fine stretch reaches over the edges of the view, and begins and ends with a coarse bucket.
    span_s = view.zoom_s[1] - view.zoom_s[0]
    grid_s = max(level_s, 1)
    low_s = max(0.0, math.floor((view.zoom_s[0] - span_s / 4.0) / grid_s) * grid_s)
    high_s = math.ceil((view.zoom_s[1] + span_s / 4.0) / grid_s) * grid_s
    before = series.read(bench.reader, look.soak, level_s, holes, to_s=low_s, calibration=look.calibration)
    fine = series.read(
        bench.reader,
        look.soak,
        fine_s,
        holes,
        from_s=low_s,
        to_s=min(high_s, _closed_until(look, fine_s) or high_s),
        after_s=before.until_s if len(before) else None,
        calibration=look.calibration,
    )
    parts = [before, fine]
    if high_s < look.last_s:
        parts.append(
            series.read(
                bench.reader,
                look.soak,
                level_s,
                holes,
                from_s=high_s,
                to_s=closed_s,
                after_s=fine.until_s if len(fine) else None,
                calibration=look.calibration,
            )
        )
    return series.join(parts)


def _closed_until(look: Look, level_s: int) -> float | None:
    """Return up to where buckets are complete: while it runs, the last one still fills."""
    if not look.running:
        return None
    if level_s == 0:
        return look.last_s + 1e-6
    return math.floor(look.last_s / level_s) * level_s


def after_move(moved: Mapping[str, Any], ranges: Ranges, frame: Mapping[str, Any]) -> Ranges:
    """Return the ranges that a person has set, after what the graph says of a move.

    `frame` is the drawn figure's: back to its whole time axis is no zoom any more.
    """
    out = dict(ranges)
    for axis in ["xaxis", *(f"yaxis{at + 1 if at else ''}" for at in range(len(frame["panels"])))]:
        if moved.get(f"{axis}.autorange"):
            out.pop(axis, None)
        ends = moved.get(f"{axis}.range") or [moved.get(f"{axis}.range[0]"), moved.get(f"{axis}.range[1]")]
        if None not in ends:
            out[axis] = list(ends)
    if "xaxis" in out:
        low_s, high_s = (figures.elapsed_s(end) for end in out["xaxis"])
        if high_s <= low_s or (low_s <= 0.01 and high_s >= frame["x_end_s"] - 0.01):
            return {}
    return out


def digest(value: Any) -> str:
    """Return a short digest of plain data, to tell whether it changed."""
    return hashlib.sha256(json.dumps(value, default=str).encode()).hexdigest()[:16]
