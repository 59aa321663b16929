"""The chart of a soak as a plotly figure, from plain data: no store, no clock, no component.

One figure holds all panels over one time axis, so that they zoom together: current of each pair,
each pair from the others, the findings' numbers, then HT, mains and temperatures. `whole` makes the
figure, `tail` the new points of its lines and `dressing` what lies over them, so that a running soak
is followed by sending only what is new.

The points of lines travel packed (`packed`), and the times that lines share once. Every text that came from
a file goes through `plain`.
"""

from __future__ import annotations

import base64
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, tzinfo
from itertools import pairwise
from typing import Any, Final, NamedTuple

import numpy as np

from dashboard import timescale
from dashboard.series import Series
from dashboard.words import MINUS, look, mark_rows, number
from logger import bias, units
from logger.blocks import FloatArray, Mark
from logger.finding import Finding, Kind, Severity
from logger.setup import Channel, Setup

Json = dict[str, Any]
Extents = dict[str, list[float]]
"""Least and greatest of the data that a panel's axis must hold, by panel, in the panel's unit."""
Ranges = dict[str, list[float]]
"""Ranges of values that a person has zoomed to, in the panel's unit, by the axis' name."""
Ends = dict[str, list[float]]
"""Where each line ends: [time in s, value in the panel's unit], by the line's key."""

# Okabe and Ito's palette (Color Universal Design, 2008) in the project's order; beside each a darker
# tone of the same hue that reaches 4.5:1 on white, for words in the line's colour.
PALETTE: Final[tuple[tuple[str, str], ...]] = (
    ("#0072B2", "#00649C"),  # blue
    ("#E69F00", "#8A5A00"),  # orange
    ("#009E73", "#00704F"),  # bluish green
    ("#CC79A7", "#964672"),  # reddish purple
    ("#56B4E9", "#1F7299"),  # sky blue
    ("#D55E00", "#A84600"),  # vermilion
    ("#F0E442", "#6E6700"),  # yellow, outlined
    ("#000000", "#000000"),  # black
)
OUTLINED: Final = "#F0E442"
INK, QUIET, FAINT, HAIR = "#1D2329", "#59636D", "#D9DDE0", "#ECEEF0"
SIGN: Final[dict[str, tuple[str, str]]] = {
    "remark": ("circle", "#6B757E"),
    "question": ("diamond-open", INK),
    "warning": ("triangle-up", "#B86E00"),
    "trip": ("square", "#C23A00"),
}
"""Shape and colour of a finding's mark, by what it looks like (`words.look`)."""

FONT: Final = '-apple-system, "Segoe UI", Roboto, "Noto Sans", "Liberation Sans", Arial, sans-serif'
CONFIG: Final[Json] = {
    "showSendToCloud": False,
    "plotlyServerURL": "",
    "displayModeBar": False,
    "displaylogo": False,
    "doubleClick": False,
    "showTips": False,
    "responsive": True,
}
"""What every graph is drawn with: nothing of it may offer to send a chart away."""


@dataclass(frozen=True)
class Band:
    """A step of the plan, or a state, on the time axis."""

    name: str
    from_s: float
    to_s: float


def declared(states: Sequence[Mapping[str, Any]], until_s: float) -> tuple[Band, ...]:
    """Return the stretches of the states that a person declares: no idle figure is that of a settled amp.

    `states` as a `soakbench.judge/1` document has them; the last one lasts until `until_s`.
    """
    return tuple(
        Band(state["state"], state["from_s"], after["from_s"])
        for state, after in pairwise([*states, {"from_s": until_s}])
        if state["state"] in ("setting bias", "under signal") and after["from_s"] > state["from_s"]
    )


def by_state(bands: Sequence[Band]) -> dict[str, list[tuple[float, float]]]:
    """Gather stretches by their name, in order."""
    found: dict[str, list[tuple[float, float]]] = {}
    for band in bands:
        found.setdefault(band.name, []).append((band.from_s, band.to_s))
    return found


@dataclass(frozen=True)
class Story:
    """What a soak's chart tells beside its lines.

    `states`: stretches under signal or of setting bias. `gaps`: (from_s, to_s). `settled_at_s` by pair.
    `match_a`: greatest difference from the others. `x_end_s`: where the time axis ends. `unit`: what currents
    are shown in, one of `units.PAIR_UNITS`, `per_mA` of it to the milliamp; so are those of the series given.
    `started`: when the first scan came.
    """

    uuid: str
    setup: Setup
    steps: tuple[Band, ...] = ()
    states: tuple[Band, ...] = ()
    findings: tuple[Finding, ...] = ()
    marks: tuple[Mark, ...] = ()
    gaps: tuple[tuple[float, float], ...] = ()
    settled_at_s: Mapping[str, float] | None = None
    match_a: float | None = None
    x_end_s: float = 600.0
    unit: str = units.PAIR_UNITS[0]
    per_mA: float = 1.0
    started: datetime = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class View:
    """How a person looks: the page's width in CSS px, what is zoomed to, elapsed or by the clock.

    `zoom_s`: the stretch of time, None for the whole. `zone`: the clock's, None for the machine's.
    """

    width_px: int = 1280
    zoom_s: tuple[float, float] | None = None
    ranges: Ranges = field(default_factory=dict)
    clock: bool = False
    zone: tzinfo | None = None

    @property
    def plot_px(self) -> int:
        """About how wide the lines' place is."""
        return max(self.width_px - 150, 200)

    def span_s(self, story: Story) -> tuple[float, float]:
        """Return the stretch of time that is seen."""
        return self.zoom_s or (0.0, max(story.x_end_s, 1.0))

    @property
    def narrow(self) -> bool:
        """Whether this is a phone."""
        return self.width_px < 700

    @property
    def large(self) -> bool:
        """Whether this is a screen across the bench."""
        return self.width_px >= 1900


class Style(NamedTuple):
    """A pair's line on every chart: colour, darker colour for its words, dash pattern."""

    colour: str
    ink: str
    dash: str


def pair_style(index: int) -> Style:
    """Return the style of the pair at this place in the set-up, 0 to 15."""
    colour, ink = PALETTE[index % len(PALETTE)]
    return Style(colour, ink, "solid" if index < len(PALETTE) else "dash")


@dataclass(frozen=True)
class _Line:
    """One line; `column` is the channel's, or the pair's place where it shows a difference (`other`)."""

    key: str
    panel: str
    label: str
    column: int
    style: Style
    scale: float
    width: float
    unit: str
    other: bool = False


@dataclass(frozen=True)
class _Panel:
    name: str
    title: str
    height_px: int
    low: float
    high: float
    limits: tuple[tuple[float, str], ...] = ()


def plain(text: str) -> str:
    """Make text plain for plotly, which reads some markup: `<b>` is to be seen as `<b>`."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def packed(values: FloatArray | Sequence[float], kind: str = "f4") -> Json:
    """Return numbers as plotly takes them in JSON: single precision, 7 places, or double (`f8`)."""
    return {
        "dtype": kind,
        "bdata": base64.b64encode(np.asarray(values, dtype=f"<{kind}").tobytes()).decode("ascii"),
    }


def pushed_apart(places: Sequence[float], distance: float, low: float, high: float) -> list[float]:
    """Move labels apart along a line so that none overlap, each as little as can be.

    `places` in px; neighbours end up at least `distance` apart, in the same order and, where there is
    room, within `low` to `high`. This is the least-squares shift under an order constraint: neighbours
    that would overlap are pooled and centred on where they wanted to be.
    """
    order = sorted(range(len(places)), key=lambda i: places[i])
    pools: list[list[float]] = []  # [sum of wishes, number]
    for rank, index in enumerate(order):
        pools.append([places[index] - rank * distance, 1.0])
        while len(pools) > 1 and pools[-2][0] / pools[-2][1] > pools[-1][0] / pools[-1][1]:
            wishes, members = pools.pop()
            pools[-1][0] += wishes
            pools[-1][1] += members
    ceiling = high - distance * (len(places) - 1)
    out = [0.0] * len(places)
    rank = 0
    for wishes, members in pools:
        base = max(low, min(wishes / members, max(ceiling, low)))
        for _ in range(int(members)):
            out[order[rank]] = base + rank * distance
            rank += 1
    return out


# ------------------------------------------------------------------ lines and panels


def _lines(setup: Setup, unit: str = units.PAIR_UNITS[0]) -> list[_Line]:
    """Return every line that is drawn, in the order of the figure's traces."""
    name_of = units.pair_unit(unit)
    lines = []
    columns = setup.pair_columns
    for index, column in enumerate(columns):
        name, style = setup.channel[column].name, pair_style(index)
        lines.append(_Line(name, "currents", name, column, style, 1e3, 1.7, name_of))
    if len(columns) > 1:
        for index, column in enumerate(columns):
            name, style = setup.channel[column].name, pair_style(index)
            key = f"{name} from the others"
            lines.append(_Line(key, "others", name, index, style, 1e3, 1.7, name_of, other=True))
    seen: dict[str, int] = {}
    for column, channel in enumerate(setup.channel):
        panel = _strip(channel)
        if panel is None:
            continue
        dash = ("solid", "dash", "dot", "dashdot")[seen.get(panel, 0) % 4]
        seen[panel] = seen.get(panel, 0) + 1
        style = Style("#4A545D", "#3C454D", dash)
        unit = "°C" if panel == "temperatures" else "V"
        lines.append(_Line(channel.name, panel, channel.name, column, style, 1.0, 1.2, unit))
    return lines


def _strip(channel: Channel) -> str | None:
    """Return which strip below the two charts a channel is drawn in."""
    if channel.measures in ("pair current", "push button"):
        return None
    return "temperatures" if channel.unit == "degC" else channel.measures


def current_at(setup: Setup, dissipation_pct: float) -> float:
    """Return the pair current, in A, at a percentage of the anode rating at nominal HT.

    Mean per valve, with the middle of the screen's share: the place of a thin line on the chart. It
    decides nothing; the verdict works with what was measured.
    """
    return bias.aim_a(setup, 0, dissipation_pct)


def match_limit(setup: Setup, pair_currents_a: Sequence[float]) -> float:
    """Return the greatest difference from the others in A; per cent count from the pairs' median."""
    known = [value for value in pair_currents_a if math.isfinite(value)]
    base = float(np.median(known)) if known else current_at(setup, setup.limits.aim_pct or 65.0)
    return setup.limits.match_a(abs(base))


def measure(series: Series, story: Story) -> Extents:
    """Find how far the data reach, for the axes: quiet times before the valves are hot don't count."""
    setup = story.setup
    hot_s = (story.steps[0].from_s if story.steps else 0.0) + 300.0
    extents: Extents = {}

    def widen(panel: str, values: FloatArray) -> None:
        finite = values[np.isfinite(values)]
        if len(finite):
            low, high = float(finite.min()), float(finite.max())
            held = extents.get(panel, [low, high])
            extents[panel] = [min(held[0], low), max(held[1], high)]

    for line in _lines(setup):
        if line.other:
            values = series.from_others[series.t_s >= hot_s, line.column] * line.scale
            widen(line.panel, values[np.abs(values) <= _widest(story)])
            continue
        low, high = series.least[:, line.column], series.greatest[:, line.column]
        nominal = {"HT": setup.amp.nominal_ht_V, "mains": setup.amp.nominal_mains_V}.get(line.panel)
        if nominal is not None:  # off is off: the strip shows how the supply moves while it is on
            on = low > 0.8 * nominal
            low, high = low[on], high[on]
        widen(line.panel, low * line.scale)
        widen(line.panel, high * line.scale)
    return extents


def merged(one: Extents, other: Extents) -> Extents:
    """Return the extents of both."""
    out = {panel: list(held) for panel, held in one.items()}
    for panel, (low, high) in other.items():
        held = out.get(panel, [low, high])
        out[panel] = [min(held[0], low), max(held[1], high)]
    return out


def _widest(story: Story) -> float:
    """The most that the axis of the differences opens to: a line further out says so at the edge."""
    return 6.0 * _match(story)


def _match(story: Story) -> float:
    """Return the match limit in the unit that currents are shown in."""
    return (story.match_a or match_limit(story.setup, [])) * 1000.0 * story.per_mA


def _panels(story: Story, view: View, extents: Extents, drawn: Sequence[_Line]) -> list[_Panel]:
    """Return the panels from top to bottom, with axes that data widen in few, large steps."""
    setup = story.setup
    chart, strip = (210, 74) if view.narrow else (400, 120) if view.large else (260, 84)
    limits = setup.limits
    by, name_of = story.per_mA, units.pair_unit(story.unit)
    lines = [
        (current_at(setup, percent) * 1000.0 * by, f"{word} {percent:g} %")
        for word, percent in (("aim", limits.aim_pct), ("warn", limits.warn_pct), ("fail", limits.fail_pct))
        if percent is not None
    ]
    for word, own in (("least allowed", limits.pair_low_mA), ("most allowed", limits.pair_high_mA)):
        if own is not None:
            lines.append((own * by, f"{word} {number(own * by)} {name_of}"))
    low, high = extents.get("currents", [0.0, 0.0])
    top = max(value for value, _ in lines) * 1.1
    while top < high:
        top *= 1.25
    bottom = 0.0 if low > -by else -top / 5.0 * math.ceil(-low / (top / 5.0))
    currents = _Panel("currents", f"Current of each pair, {name_of}", chart, bottom, top, tuple(lines))
    panels = [currents]
    if len(setup.pairs) > 1:
        match = _match(story)
        furthest = max(abs(end) for end in extents.get("others", [0.0]))
        half = next(step for step in (2.5, 4.0, 6.6) if furthest <= step * 0.92 * match or step > 6.0) * match
        rest = "the others" if len(setup.pairs) > 2 else "the other"
        title = f"Each pair from {rest}, {name_of}"
        others = _Panel("others", title, round(chart * 1.15), -half, half)
        panels = [others, currents] if view.narrow else [currents, others]
    rows = _rows(story, view)
    left = len(story.findings) - sum(map(len, rows))
    title = f"Findings: {left:,} more in the list only" if left else ""
    panels.append(_Panel("findings", title, 18 + 20 * max(2, len(rows)), 0.0, 1.0))
    for name in dict.fromkeys(line.panel for line in drawn):
        if name in ("currents", "others"):
            continue
        panels.append(_strip_panel(name, setup, strip, extents))
    asked = [view.ranges.get(f"yaxis{at + 1 if at else ''}") for at in range(len(panels))]
    return [
        replace(panel, low=float(ends[0]), high=float(ends[1])) if ends and ends[1] > ends[0] else panel
        for panel, ends in zip(panels, asked, strict=True)
    ]


def _strip_panel(name: str, setup: Setup, height_px: int, extents: Extents) -> _Panel:
    if name == "temperatures":
        low, high = extents.get(name, [20.0, 40.0])
        kinds = {channel.measures for channel in setup.channel}
        lines = [
            (limit, f"{word} at most {limit:g} °C")
            for word, kind, limit in (
                ("chassis", "chassis temperature", setup.limits.chassis_max_C),
                ("transformer", "transformer temperature", setup.limits.transformer_max_C),
            )
            if kind in kinds
        ]
        top = max([limit for limit, _ in lines], default=60.0) + 15.0
        return _Panel(
            name,
            "Temperatures, °C",
            height_px,
            min(10.0, 10.0 * math.floor(low / 10.0)),
            max(top, 10.0 * math.ceil(high / 10.0)),
            tuple(lines),
        )
    nominal = {"HT": setup.amp.nominal_ht_V, "mains": setup.amp.nominal_mains_V}.get(name)
    title = {"HT": "HT (B+), V", "mains": "Mains, V"}.get(name, f"{name[0].upper()}{name[1:]}, V")
    if nominal is None:
        low, high = extents.get(name, [0.0, 1.0])
        step = 10.0 ** math.floor(math.log10(max(abs(low), abs(high), 1e-3)))
        bottom, top = step * math.floor(low / step), step * math.ceil(high / step + 0.01)
        return _Panel(name, title, height_px, bottom, top)
    step = nominal * 0.05
    low, high = extents.get(name, [nominal, nominal])
    return _Panel(
        name,
        f"{title} (dashed: nominal {nominal:g})",
        height_px,
        nominal - step * max(1, math.ceil((nominal - low) / step)),
        nominal + step * max(1, math.ceil((high - nominal) / step)),
        ((nominal, ""),),
    )


# ------------------------------------------------------------------ lines with their points


_STROKE_FROM_PX: Final = 1.2
"""Least and greatest of a bucket are drawn where they are further apart: less is the line's own width."""


def tail(series: Series, laid: Laid) -> list[Json]:
    """Return the points of each line's traces, in the order of the figure: those that a running soak adds.

    Without an `x` of its own a trace has the series' times.
    """
    panels = {panel.name: panel for panel in laid.panels}
    points: list[Json] = [{"y": packed(np.full(len(series), next(iter(panels.values())).low))}]
    for line in laid.lines:
        if not line.other:
            points.append(_strokes(series, line, panels[line.panel]))
        source = series.from_others if line.other else series.mean
        values = {"y": packed(source[:, line.column] * line.scale)}
        points += [values] * (2 if line.style.colour == OUTLINED else 1)
    return points


def _strokes(series: Series, line: _Line, panel: _Panel) -> Json:
    """Return an upright stroke from the least to the greatest of each bucket where that can be seen.

    Strokes rather than a filled band: a fill would run across gaps, and a spike of one scan is a stroke.
    Those that the line itself covers are left out; a browser takes seconds to draw thousands.
    """
    low, high = series.least[:, line.column] * line.scale, series.greatest[:, line.column] * line.scale
    seen = high - low > _STROKE_FROM_PX * (panel.high - panel.low) / panel.height_px
    x = np.repeat(series.t_s[seen], 3)
    y = np.stack([low[seen], high[seen], np.full(int(seen.sum()), np.nan)], axis=1).ravel()
    return {"x": packed(x, "f8"), "y": packed(y)}


def ends(series: Series, laid: Laid, view: View) -> Ends:
    """Find where each line ends within the stretch in view."""
    until_s = view.zoom_s[1] if view.zoom_s else math.inf
    out: Ends = {}
    seen = int(np.searchsorted(series.t_s, until_s, side="right"))
    for line in laid.lines:
        values = (series.from_others if line.other else series.mean)[:seen, line.column]
        finite = np.flatnonzero(np.isfinite(values))
        if len(finite):
            out[line.key] = [float(series.t_s[finite[-1]]), float(values[finite[-1]]) * line.scale]
    return out


def _line_traces(laid: Laid) -> list[Json]:
    """Return the traces of all lines without their points; before them one that nobody sees.

    It has a point wherever the others have one, and in the hover box the time, which the browser says.
    """
    traces: list[Json] = [
        {
            "type": "scatter",
            "mode": "lines",
            "xaxis": "x",
            "yaxis": "y",
            "name": "time",
            "line": {"width": 0, "color": INK},
            "hovertemplate": "%{text}<extra></extra>",
            "showlegend": False,
        }
    ]
    for line in laid.lines:
        common: Json = {
            "type": "scatter",
            "mode": "lines",
            "xaxis": "x",
            "yaxis": laid.axis[line.panel],
            "name": plain(line.label),
            "connectgaps": False,
            "showlegend": False,
        }
        if not line.other:
            stroke = {"color": see_through(line.style.colour, 0.55), "width": 1.5, "simplify": False}
            traces.append({**common, "line": stroke, "hoverinfo": "skip"})
        if line.style.colour == OUTLINED:
            traces.append(
                {**common, "line": {"color": "#6E6700", "width": line.width + 1.6}, "hoverinfo": "skip"}
            )
        sign = "+" if line.other else ""
        traces.append(
            {
                **common,
                "line": {"color": line.style.colour, "width": line.width, "dash": line.style.dash},
                "hovertemplate": f"{plain(line.key)}  %{{y:{sign}.1f}} {line.unit}<extra></extra>",
            }
        )
    return traces


def see_through(colour: str, opacity: float) -> str:
    """Return a colour of the palette at an opacity of 0 to 1."""
    red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
    return f"rgba({red},{green},{blue},{opacity})"


# ------------------------------------------------------------------ what lies over the lines


_MOST_ROWS: Final = 8


def _rows(story: Story, view: View) -> list[list[Finding]]:
    """Lay the findings in rows so that no number covers another: the worst where there is no room for all."""
    from_s, to_s = view.span_s(story)
    room_s = (to_s - from_s) * 34.0 / view.plot_px
    rows = _laid_in_rows(story.findings, room_s)
    if len(rows) <= _MOST_ROWS:
        return rows
    rows = []
    for finding in sorted(story.findings, key=lambda one: (-one.severity.rank, one.id)):
        more = _laid_in_rows([*itertools.chain(*rows), finding], room_s)
        rows = more if len(more) <= _MOST_ROWS else rows
    return rows


def _laid_in_rows(findings: Sequence[Finding], room_s: float) -> list[list[Finding]]:
    rows: list[list[Finding]] = []
    for finding in sorted(findings, key=lambda one: (one.onset_s, one.id)):
        for row in rows:
            last = row[-1]
            if finding.onset_s > max(last.raised_s, last.onset_s) + room_s:
                row.append(finding)
                break
        else:
            rows.append([finding])
    return rows


def _finding_marks(story: Story, view: View, axis: str) -> list[Json]:
    """Return the findings on the time axis: an open ring at onset, a numbered mark where it was raised."""
    rows = _rows(story, view)
    count = max(2, len(rows))
    traces = []
    for kind, (shape, colour) in SIGN.items():
        here = [
            (finding, 1.0 - (row + 0.5) / count)
            for row, held in enumerate(rows)
            for finding in held
            if look(finding) == kind
        ]
        stems_x: list[float | None] = []
        stems_y: list[float | None] = []
        for finding, y in here:
            stems_x += [finding.onset_s, finding.raised_s, None]
            stems_y += [y, y, None]
        common: Json = {"type": "scatter", "xaxis": "x", "yaxis": axis, "showlegend": False}
        traces.append(
            {
                **common,
                "mode": "lines",
                "x": stems_x,
                "y": stems_y,
                "line": {"color": colour, "width": 1.4},
                "hoverinfo": "skip",
            }
        )
        traces.append(
            {
                **common,
                "mode": "markers",
                "x": [finding.onset_s for finding, _ in here],
                "y": [y for _, y in here],
                "marker": {"symbol": "circle-open", "size": 6, "color": colour, "line": {"width": 1.4}},
                "hoverinfo": "skip",
            }
        )
        traces.append(
            {
                **common,
                "mode": "markers+text",
                "x": [finding.raised_s for finding, _ in here],
                "y": [y for _, y in here],
                "text": [f"{finding.id}{'?' * (kind == 'question')}" for finding, _ in here],
                "textposition": "middle right",
                "textfont": {"color": INK, "size": 12},
                "cliponaxis": False,
                "marker": {"symbol": shape, "size": _MARK_PX.get(kind, 12), "color": colour},
                "hovertemplate": [
                    f"{finding.id} {plain(finding.kind.value)}: {_hovered(finding.says)}<extra></extra>"
                    for finding, _ in here
                ],
            }
        )
    return traces


def _mark_ticks(story: Story, panel: _Panel, axis: str) -> Json:
    """Return a thin upright tick on the time axis at each mark; its text shows under the pointer."""
    rows = mark_rows(story.marks)
    return {
        "type": "scatter",
        "mode": "markers",
        "xaxis": "x",
        "yaxis": axis,
        "x": [t_s for t_s, _, _ in rows],
        "y": [round(5.0 / panel.height_px, 4)] * len(rows),
        "cliponaxis": False,
        "marker": {"symbol": "line-ns-open", "size": 7, "color": INK, "line": {"width": 1.2, "color": INK}},
        "hovertemplate": [f"{kind}: {_hovered(text)}<extra></extra>" for _, kind, text in rows],
        "showlegend": False,
    }


_MARK_PX: Final = {"remark": 7, "question": 9}


def _hovered(text: str) -> str:
    """Return a text for a hover box: plain, in lines, and nothing in it read as a place for a value."""
    return _folded(plain(text)).replace("%{", "%\u200b{")


def _folded(text: str, width: int = 60) -> str:
    """Break a sentence into lines for a hover box."""
    lines, line = [], ""
    for word in text.split():
        if line and len(line) + len(word) >= width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    return "<br>".join([*lines, line])


def _hatching(story: Story, panels: Sequence[_Panel], axis: Mapping[str, str]) -> list[Json]:
    """Return a hatched strip over every gap, one trace a panel."""
    traces = []
    for panel in panels:
        if panel.name == "findings":
            continue
        x: list[float | None] = []
        y: list[float | None] = []
        for from_s, to_s in story.gaps:
            x += [from_s, from_s, to_s, to_s, from_s, None]
            y += [panel.low, panel.high, panel.high, panel.low, panel.low, None]
        traces.append(
            {
                "type": "scatter",
                "mode": "lines",
                "xaxis": "x",
                "yaxis": axis[panel.name],
                "x": x,
                "y": y,
                "fill": "toself",
                "fillcolor": "rgba(0,0,0,0)",
                "fillpattern": {"shape": "/", "fgcolor": "#8B959E", "size": 6, "solidity": 0.18},
                "line": {"width": 0, "color": INK},
                "hoverinfo": "skip",
                "showlegend": False,
            }
        )
    return traces


def _settled(story: Story, settled: Ends, axis: Mapping[str, str]) -> Json:
    """Return a small tick on each line where its pair had settled."""
    x, y, colours = [], [], []
    for index, channel in enumerate(story.setup.pairs):
        at = settled.get(channel.name)
        if at is not None:
            x.append(at[0])
            y.append(round(at[1], 3))
            colours.append(pair_style(index).ink)
    return {
        "type": "scatter",
        "mode": "markers",
        "xaxis": "x",
        "yaxis": axis["currents"],
        "x": x,
        "y": y,
        "marker": {
            "symbol": "line-ns-open",
            "size": 11,
            "color": colours,
            "line": {"width": 2, "color": colours},
        },
        "hoverinfo": "skip",
        "showlegend": False,
    }


def settled_points(series: Series, story: Story) -> Ends:
    """Find where on its line each pair had settled: [time in s, mA]."""
    out: Ends = {}
    for column in story.setup.pair_columns:
        name = story.setup.channel[column].name
        at_s = (story.settled_at_s or {}).get(name)
        there = np.flatnonzero(np.isfinite(series.mean[:, column]))
        if at_s is None or not len(there):
            continue
        nearest = there[int(np.argmin(np.abs(series.t_s[there] - at_s)))]
        out[name] = [at_s, float(series.mean[nearest, column]) * 1000.0]
    return out


def _shapes(story: Story, panels: Sequence[_Panel], axis: Mapping[str, str]) -> list[Json]:
    """Return bands of the steps, the match band, limits; at each leading finding a band and its two lines."""
    shapes: list[Json] = []
    for index, band in enumerate(story.steps):
        shapes.append(
            {
                "type": "rect",
                "xref": "x",
                "yref": "paper",
                "x0": band.from_s,
                "x1": band.to_s,
                "y0": 0,
                "y1": 1,
                "layer": "below",
                "line": {"width": 0},
                "fillcolor": "rgba(40,60,80,0.055)" if index % 2 == 0 else "rgba(40,60,80,0.015)",
            }
        )
    for band in story.states:
        shapes.append(
            {
                "type": "rect",
                "xref": "x",
                "yref": "paper",
                "x0": band.from_s,
                "x1": band.to_s,
                "y0": 0,
                "y1": 1,
                "layer": "below",
                "line": {"width": 0.8, "color": "#9AA3AB", "dash": "1px,3px"},
                "fillcolor": "rgba(40,60,80,0.07)",
            }
        )
    for panel in panels:
        y = axis[panel.name]
        if panel.name == "others":
            match = _match(story)
            shapes.append(
                {
                    "type": "rect",
                    "xref": "paper",
                    "yref": y,
                    "x0": 0,
                    "x1": 1,
                    "y0": -match,
                    "y1": match,
                    "layer": "below",
                    "fillcolor": "rgba(70,90,110,0.10)",
                    "line": {"width": 0},
                }
            )
            for edge in (-match, match):
                shapes.append(_rule(y, edge))
            shapes.append(_rule(y, 0.0, colour="#B8C0C7", dash="solid"))
        for value, _ in panel.limits:
            if panel.low <= value <= panel.high:
                shapes.append(_rule(y, value))
    charts = [panel for panel in panels if panel.name in ("currents", "others")]
    for finding in story.findings:
        if finding.severity is Severity.REMARK or finding.under is not None or finding.kind is Kind.GAP:
            continue
        _, colour = SIGN[finding.severity]
        until_s = story.x_end_s if finding.cleared_s is None else finding.cleared_s
        for panel in charts:
            shapes.append(
                {
                    "type": "rect",
                    "xref": "x",
                    "yref": f"{axis[panel.name]} domain",
                    "x0": finding.onset_s,
                    "x1": until_s,
                    "y0": 0,
                    "y1": 1,
                    "layer": "below",
                    "line": {"width": 0},
                    "fillcolor": see_through(colour, 0.07),
                }
            )
            for at_s, dash in ((finding.onset_s, "dot"), (finding.raised_s, "solid")):
                shapes.append(
                    {
                        "type": "line",
                        "xref": "x",
                        "yref": f"{axis[panel.name]} domain",
                        "x0": at_s,
                        "x1": at_s,
                        "y0": 0,
                        "y1": 1,
                        "line": {"color": see_through(colour, 0.75), "width": 1, "dash": dash},
                    }
                )
    return shapes


def _rule(yref: str, value: float, *, colour: str = "#7B858E", dash: str = "6px,4px") -> Json:
    return {
        "type": "line",
        "xref": "paper",
        "yref": yref,
        "x0": 0,
        "x1": 1,
        "y0": value,
        "y1": value,
        "layer": "below",
        "line": {"color": colour, "width": 0.8, "dash": dash},
    }


def _notes(story: Story, view: View, panels: Sequence[_Panel], axis: Mapping[str, str]) -> list[Json]:
    """Return titles of the panels, names of steps and limits."""
    small = _text_size(view)
    notes: list[Json] = []

    def note(text: str, **where: Any) -> None:
        notes.append({"text": text, "showarrow": False, "font": {"size": small, "color": QUIET}, **where})

    first = panels[0]
    for panel in panels:
        y = axis[panel.name]
        domain = f"{y} domain"
        if panel.title:
            note(
                plain(panel.title),
                xref="paper",
                x=0,
                yref=domain,
                y=1,
                xanchor="left",
                yanchor="bottom",
                yshift=22 if panel is first else 4,
                font={"size": small + 1, "color": INK, "weight": 600},
            )
        named = [one for one in panel.limits if one[1] and panel.low <= one[0] <= panel.high]
        px_per_unit = panel.height_px / (panel.high - panel.low)
        wishes = [(value - panel.low) * px_per_unit for value, _ in named]
        places = pushed_apart(wishes, small + 1.0, 0.0, panel.height_px - 12.0)
        for (value, label), wish, place in zip(named, wishes, places, strict=True):
            note(
                plain(label),
                xref="paper",
                x=0,
                xshift=4,
                yref=y,
                y=value,
                yshift=round(place - wish, 1),
                xanchor="left",
                yanchor="bottom",
                font={"size": small - 1, "color": QUIET},
            )
        if panel.name == "others":
            note(
                f"match ±{number(_match(story))} {units.pair_unit(story.unit)}",
                xref="paper",
                x=0,
                xshift=4,
                yref=y,
                y=_match(story),
                xanchor="left",
                yanchor="bottom",
                font={"size": small - 1, "color": QUIET},
            )
    lane = f"{axis['findings']} domain"
    when = timescale.local(story.started, view.span_s(story)[0], view.zone)
    note(
        f"clock time, {timescale.offset_said(when)}" if view.clock else "elapsed, h:min",
        xref="paper",
        x=1,
        yref=lane,
        y=0,
        yshift=-38 if view.clock else -21,
        xanchor="right",
        yanchor="top",
    )
    start_s, stop_s = view.span_s(story)
    span_s = stop_s - start_s
    px_per_s = view.plot_px / span_s
    for band in story.steps:
        # Just inside: what begins left of the axis is not drawn.
        from_s, to_s = max(band.from_s, start_s + span_s / 1000.0), min(band.to_s, stop_s)
        if (to_s - from_s) * px_per_s > 7.0 * len(band.name):
            note(
                plain(band.name),
                xref="x",
                x=from_s,
                xshift=3,
                yref="paper",
                y=1,
                xanchor="left",
                yanchor="bottom",
                yshift=2,
            )
    taken_px = [-math.inf, -math.inf]  # of two rows, so that a name stays where another is near
    for band in story.states:
        from_s, to_s = max(band.from_s, start_s + span_s / 1000.0), min(band.to_s, stop_s)
        room_px = 0.56 * small * len(band.name) + 8.0  # about what a narrow sans takes, by its letters
        from_px, to_px = (from_s - start_s) * px_per_s, (stop_s - start_s) * px_per_s
        left = from_px + room_px <= to_px
        starts_px = from_px if left else (to_s - start_s) * px_per_s - room_px
        row = next((at for at, end_px in enumerate(taken_px) if starts_px >= end_px), None)
        if to_s <= from_s or row is None:
            continue
        taken_px[row] = starts_px + room_px
        note(
            plain(band.name),
            xref="x",
            x=from_s if left else to_s,
            xshift=3 if left else -3,
            yref="paper",
            y=1,
            xanchor="left" if left else "right",
            yanchor="top",
            yshift=-2 - row * (small + 3),
            font={"size": small - 1, "color": INK},
            bgcolor="rgba(255,255,255,0.75)",
            borderpad=0,
        )
    return notes


def short(name: str) -> str:
    """Cut a long name, so that the line before it keeps most of the page."""
    return name if len(name) <= 14 else f"{name[:13]}…"


def _end_labels(panel: _Panel, laid: Laid, line_ends: Ends, size: int) -> list[Json]:
    """Name the lines of a panel at their ends, pushed apart, with a thin leader to each."""
    yref = laid.axis[panel.name]
    here = [line for line in laid.lines if line.panel == panel.name and line.key in line_ends]
    if not here or (panel.name not in ("currents", "others", "temperatures") and len(here) < 2):
        return []
    px_per_unit = panel.height_px / (panel.high - panel.low)
    values = [min(max(line_ends[line.key][1], panel.low), panel.high) for line in here]
    wishes = [(panel.high - value) * px_per_unit for value in values]
    places = pushed_apart(wishes, size + 3.0, 8.0, panel.height_px - 8.0)
    notes = []
    for line, value, wish, place in zip(here, values, wishes, places, strict=True):
        at_s, true_value = line_ends[line.key]
        text, side = plain(short(line.label)), "left"
        if not panel.low <= true_value <= panel.high:  # inside, where the line left the panel
            arrow = "↑" if true_value > panel.high else "↓"
            text, side = f"{text} {arrow} {number(true_value, signed=line.other)}", "right"
        notes.append(
            {
                "text": text,
                "xref": "x",
                "x": at_s,
                "yref": yref,
                "y": value,
                "showarrow": True,
                "arrowhead": 0,
                "arrowwidth": 0.8,
                "arrowcolor": line.style.colour,
                "ax": 16 if side == "left" else -8,
                "ay": round(place - wish, 1),
                "xanchor": side,
                "standoff": 2,
                "borderpad": 0,
                "font": {"size": size, "color": line.style.ink, "weight": 600},
                "name": f"end of {line.key}",
            }
        )
    return notes


# ------------------------------------------------------------------ the figure


class Laid(NamedTuple):
    """Where everything stands: all that one look at a soak draws is laid out once."""

    lines: list[_Line]
    panels: list[_Panel]
    axis: dict[str, str]
    domains: dict[str, tuple[float, float]]
    height_px: int
    margin: Json


def lay(story: Story, view: View, extents: Extents) -> Laid:
    """Place the panels one below the other."""
    lines = _lines(story.setup, story.unit)
    panels = _panels(story, view, extents, lines)
    longest = max(len(short(line.label)) for line in lines)
    right = max(54, round(longest * _text_size(view) * 0.6) + 26)
    margin = {"l": 40, "r": right, "t": 46, "b": 10, "pad": 0}
    top_px = 0.0
    spans: dict[str, tuple[float, float]] = {}
    for at, panel in enumerate(panels):
        if at:
            before = panels[at - 1].name
            # Under the findings' row stand the time axis' own figures.
            top_px += 6 if panel.name == "findings" else 58 if before == "findings" else 34
        spans[panel.name] = (top_px, top_px + panel.height_px)
        top_px += panel.height_px
    if panels[-1].name == "findings":
        margin["b"] = 40
    axis = {panel.name: "y" if at == 0 else f"y{at + 1}" for at, panel in enumerate(panels)}
    domains = {
        name: (max(0.0, 1.0 - bottom / top_px), 1.0 - top / top_px) for name, (top, bottom) in spans.items()
    }
    return Laid(lines, panels, axis, domains, round(top_px + margin["t"] + margin["b"]), margin)


def whole(series: Series, over: Dressing, story: Story, view: View, laid: Laid) -> Json:
    """Return the whole figure; `x` are the times of the traces `on_x`."""
    traces = _line_traces(laid)
    points = tail(series, laid)
    for trace, its in zip(traces, points, strict=True):
        trace.update(its)
    layout = _layout(story, view, laid) | {
        "shapes": over.shapes,
        "annotations": over.notes + over.end_labels,
    }
    return {
        "data": traces + over.traces,
        "layout": layout,
        "x": packed(series.t_s, "f8"),
        "on_x": [at for at, its in enumerate(points) if "x" not in its],
    }


class Dressing(NamedTuple):
    """What lies over the lines. `traces` follow those of the lines; `end_labels` follow `notes`."""

    traces: list[Json]
    shapes: list[Json]
    notes: list[Json]
    end_labels: list[Json]


def dressing(line_ends: Ends, settled: Ends, story: Story, view: View, laid: Laid) -> Dressing:
    """Return what changes with every look at a running soak, beside the lines' new points."""
    lane = next(panel for panel in laid.panels if panel.name == "findings")
    traces = [
        *_hatching(story, laid.panels, laid.axis),
        _settled(story, settled, laid.axis),
        *_finding_marks(story, view, laid.axis["findings"]),
        _mark_ticks(story, lane, laid.axis["findings"]),
    ]
    size = _text_size(view)
    # The middle of the last bucket may lie just beyond the end of the soak: a label there is not drawn.
    named = {key: [min(at_s, story.x_end_s), value] for key, (at_s, value) in line_ends.items()}
    labels = [label for panel in laid.panels for label in _end_labels(panel, laid, named, size)]
    shapes = _shapes(story, laid.panels, laid.axis)
    return Dressing(traces, shapes, _notes(story, view, laid.panels, laid.axis), labels)


def _text_size(view: View) -> int:
    return 15 if view.large else 12


def frame(story: Story, laid: Laid) -> Json:
    """Return the axes' ranges and domains: a figure is drawn anew only where these change."""
    return {
        "x_end_s": story.x_end_s,
        "started": story.started.isoformat(),
        "height": laid.height_px,
        "panels": [[panel.name, panel.low, panel.high] for panel in laid.panels],
    }


def _layout(story: Story, view: View, laid: Laid) -> Json:
    size = _text_size(view)
    lane_low = laid.domains["findings"][0]
    from_s, to_s = view.span_s(story)
    if view.clock:
        ticks = timescale.by_clock(from_s, to_s, view.plot_px, story.started, view.zone)
    else:
        ticks = timescale.elapsed(from_s, to_s, view.plot_px)
    layout: Json = {
        "autosize": True,
        "height": laid.height_px,
        "margin": laid.margin,
        "font": {"family": FONT, "size": size, "color": QUIET},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "showlegend": False,
        "hovermode": "x unified",
        "clickanywhere": True,
        "hoversubplots": "axis",
        "hoverdistance": -1,
        "hoverlabel": {
            "bgcolor": "rgba(255,255,255,0.94)",
            "bordercolor": FAINT,
            "font": {"size": size, "color": INK},
        },
        # A finger that scrolls the page must not zoom the chart.
        "dragmode": False if view.narrow else "zoom",
        "xaxis": {
            "type": "linear",
            "range": [from_s, to_s],
            "tickvals": [tick.t_s for tick in ticks],
            "ticktext": [tick.label.replace("\n", "<br>") for tick in ticks],
            "unifiedhovertitle": {"text": "Clock time" if view.clock else "Elapsed, h:min:s"},
            "anchor": "free",
            "position": lane_low,
            "side": "bottom",
            "showgrid": True,
            "gridcolor": HAIR,
            "zeroline": False,
            "showline": True,
            "linecolor": "#9AA3AB",
            "ticks": "outside",
            "ticklen": 4,
            "tickcolor": "#9AA3AB",
            "showspikes": True,
            "spikemode": "across",
            "spikesnap": "cursor",
            "spikethickness": 1,
            "spikedash": "solid",
            "spikecolor": "#9AA3AB",
            "fixedrange": view.narrow,
        },
    }
    for panel in laid.panels:
        strip = panel.name not in ("currents", "others")
        axis: Json = {
            "domain": list(laid.domains[panel.name]),
            "range": [panel.low, panel.high],
            "showgrid": panel.name != "findings",
            "gridcolor": HAIR,
            "zeroline": False,
            "showline": False,
            "ticks": "",
            "nticks": 4 if strip else 7,
            "anchor": "x",
            "fixedrange": strip or view.narrow,
            "showticklabels": panel.name != "findings",
            "tickformat": "~g",
            "automargin": False,
        }
        layout[laid.axis[panel.name].replace("y", "yaxis")] = axis
    return layout


def summary(series: Series, line_ends: Ends, story: Story, view: View, laid: Laid) -> str:
    """Say what the chart shows of the stretch in view, for those who can't see it."""
    from_s, to_s = view.span_s(story)
    seen = []
    lows = np.fmin.reduce(series.least, axis=0, initial=np.nan)
    highs = np.fmax.reduce(series.greatest, axis=0, initial=np.nan)
    for line in laid.lines:
        if line.other or line.key not in line_ends or not math.isfinite(lows[line.column]):
            continue
        least, greatest = lows[line.column] * line.scale, highs[line.column] * line.scale
        seen.append(
            f"{line.label} from {number(least)} to {number(greatest)} {line.unit}, "
            f"at the end {number(line_ends[line.key][1])}"
        )
    listed = "; ".join(seen).replace(MINUS, "minus ")
    return (
        f"Chart over elapsed time from {timescale.said(from_s)} to {timescale.said(to_s)}, in hours, "
        f"minutes and seconds: current of each pair, each pair from the others, HT, mains and temperatures. "
        f"{listed or 'Nothing yet'}. The findings and marks on it are listed as text below."
    )
