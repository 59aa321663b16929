"""The report's chart, for paper: the figure of the Soak page at a fixed size, readable in black and white.

Drawn with matplotlib's objects (pyplot keeps global state and may open a window) into SVG whose words stay
words. Nothing is see-through: PDF/A-1 allows no transparency. Text from files is never read as mathematics.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from dashboard.figures import (
    INK,
    OUTLINED,
    PALETTE,
    QUIET,
    SIGN,
    Story,
    current_at,
    match_limit,
    pair_style,
    pushed_apart,
)
from dashboard.series import Series
from dashboard.words import look, mark_rows, number
from logger.blocks import FloatArray
from logger.finding import Finding, Kind, Severity
from logger.setup import Channel

if TYPE_CHECKING:  # slow to import, and a page that offers a report need not
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FAMILY: Final = "DejaVu Sans"

# All lengths in points.
_WIDTH, _LEFT, _RIGHT, _TOP, _BOTTOM = 493.0, 26.0, 72.0, 26.0, 26.0
_CURRENTS, _OTHERS, _BETWEEN, _LANE = 140.0, 148.0, 20.0, 12.0
_TEXT, _LABEL_PITCH, _LINE = 7.0, 8.2, 0.8
_MOST_LANES: Final = 8
_BACK: Final = {"facecolor": "white", "edgecolor": "none", "pad": 0.5}
"""What a word stands on where a line may run under it."""

_DASHES: Final[tuple[tuple[float, ...], ...]] = (
    (),
    (6.0, 1.6),
    (1.2, 1.2),
    (7.0, 1.5, 1.2, 1.5),
    (3.0, 1.2),
    (9.0, 1.5, 1.2, 1.5, 1.2, 1.5),
    (4.0, 3.0),
    (12.0, 2.0),
)
"""On paper each colour has its own pattern too, in points; the ninth pair on adds a marker."""
_MARKERS: Final = "os^Dv<>p"
_TICKS_S: Final = (1, 5, 10, 30, 60, 300, 600, 900, 1800, 3600, 7200, 14400, 21600, 43200, 86400)


@cache
def font_folder() -> Path:
    """Return matplotlib's own folder of fonts, the same on every machine."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"


@cache
def _glyphs() -> frozenset[int]:
    """Return the characters that the upright and the bold face can both print."""
    from matplotlib.ft2font import FT2Font

    faces = [FT2Font(str(font_folder() / name)) for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")]
    return frozenset(faces[0].get_charmap()) & frozenset(faces[1].get_charmap())


def printable(text: str) -> str:
    """Return text that the report's fonts can print, on one line.

    What they have no sign for becomes a hollow square; what would only steer the printing (control
    characters, direction overrides, joiners) is left out.
    """
    import unicodedata

    known = _glyphs()
    out = []
    for letter in unicodedata.normalize("NFC", text):
        if letter.isspace():
            out.append(" ")
        elif unicodedata.category(letter)[0] != "C":
            out.append(letter if ord(letter) in known else "□")
    return " ".join("".join(out).split())


def shortened(text: str, most: int) -> str:
    """Cut a text to `most` characters, with an ellipsis where something is left out."""
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"


def chart_svg(series: Series, story: Story, *, plain: bool = False) -> str:
    """Draw a soak: current of each pair, each pair from the others (two pairs or more), its findings.

    `plain`: the currents alone, for who had the amp repaired. Returns SVG 493 pt wide. The same input gives
    the same text, byte for byte.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    figure = _drawn(series, story, plain=plain)
    out = io.StringIO()
    FigureCanvasSVG(figure).print_figure(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


def chart_png(series: Series, story: Story) -> bytes:
    """Draw the same as a PNG of 2,054 pixels' width, with the chart in words as its description."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    out = io.BytesIO()
    said = {"Title": f"Soak of {printable(shortened(story.setup.amp.name, 200))}", "Software": "soakbench"}
    FigureCanvasAgg(_drawn(series, story)).print_figure(
        out, format="png", dpi=300, metadata={**said, "Description": printable(summary(series, story))}
    )
    return out.getvalue()


def _drawn(series: Series, story: Story, *, plain: bool = False) -> Figure:
    import matplotlib
    from matplotlib.figure import Figure

    matplotlib.rcParams.update(  # the same values at every call
        {
            "font.family": [FAMILY],
            "font.size": _TEXT,
            "text.parse_math": False,
            "axes.unicode_minus": True,
            "svg.fonttype": "none",
            "svg.hashsalt": "soakbench",
            "hatch.linewidth": 0.5,
            "path.simplify_threshold": 0.05,
        }
    )
    if plain:
        story = replace(story, findings=(), marks=(), settled_at_s={})
    lanes = _lanes(story)
    both = len(story.setup.pairs) > 1 and not plain
    lanes_height = _LANE * len(lanes) + (4.0 if lanes else 0.0)
    height = _TOP + _CURRENTS + (_BETWEEN + _OTHERS if both else 0.0) + lanes_height + _BOTTOM
    figure = Figure(figsize=(_WIDTH / 72.0, height / 72.0), facecolor="white")

    def panel(top: float, tall: float, shared: Axes | None = None) -> Axes:
        place = (
            _LEFT / _WIDTH,
            1.0 - (top + tall) / height,
            1.0 - (_LEFT + _RIGHT) / _WIDTH,
            tall / height,
        )
        return figure.add_axes(place, sharex=shared)

    currents = panel(_TOP, _CURRENTS)
    panels = [currents]
    _time_axis(currents, story)
    _current_panel(currents, series, story)
    below = _TOP + _CURRENTS
    if both:
        others = panel(below + _BETWEEN, _OTHERS, currents)
        panels.append(others)
        _others_panel(others, series, story)
        below += _BETWEEN + _OTHERS
    for axes in panels:
        _dress(axes, story)
    if lanes:
        strip = panel(below, lanes_height, currents)
        _findings_strip(strip, story, lanes)
        panels.append(strip)
    for axes in panels[:-1]:
        axes.tick_params(axis="x", labelbottom=False)
    _mark_ticks(panels[-1], story)
    unit = "hours : minutes" if _tick_s(story) >= 60 else "hours : minutes : seconds"
    panels[-1].set_xlabel(f"elapsed, {unit}", labelpad=2.0, color=QUIET, fontsize=_TEXT)
    return figure


def _time_axis(axes: Axes, story: Story) -> None:
    step = _tick_s(story)
    axes.set_xlim(0.0, story.x_end_s)
    ticks = np.arange(0.0, story.x_end_s + 0.5, step)
    axes.set_xticks(list(ticks), [_clock(t, seconds=step < 60) for t in ticks])


def _tick_s(story: Story) -> int:
    return next((step for step in _TICKS_S if story.x_end_s / step <= 10.5), _TICKS_S[-1])


def _clock(t_s: float, *, seconds: bool) -> str:
    minutes, rest = divmod(round(t_s), 60)
    return f"{minutes // 60}:{minutes % 60:02d}" + (f":{rest:02d}" if seconds else "")


def _dress(axes: Axes, story: Story) -> None:
    """Bands of the steps, gaps, a line at each leading finding, quiet axes."""
    end_s = axes.get_xlim()[1]
    top = axes.get_subplotspec() is None and axes is axes.figure.axes[0]
    for index, step in enumerate(story.steps):
        shade = "#EFF1F3" if index % 2 == 0 else "#F9FAFA"
        axes.axvspan(step.from_s, min(step.to_s, end_s), color=shade, linewidth=0.0, zorder=0.1)
        axes.axvline(step.from_s, color="#C3C9CE", linewidth=0.5, zorder=0.3)
        if top and (min(step.to_s, end_s) - step.from_s) / end_s * _plot_width() > 5.0 * len(step.name):
            _say(axes, step.from_s, 1.0, printable(step.name), dx=2.0, dy=3.0, color=QUIET, across=True)
    for state in story.states:
        axes.axvspan(state.from_s, min(state.to_s, end_s), color="#E8EBEE", linewidth=0.0, zorder=0.15)
        for edge_s in (state.from_s, state.to_s):
            axes.axvline(edge_s, color="#8B959E", linewidth=0.5, dashes=(1.0, 2.0), zorder=0.3)
    if top:
        _name_states(axes, story)
    for from_s, to_s in story.gaps:
        axes.axvspan(
            from_s, to_s, facecolor="white", edgecolor="#8B959E", hatch="//////", linewidth=0.0, zorder=0.4
        )
    for finding in story.findings:
        if finding.severity is Severity.REMARK or finding.under is not None or finding.kind is Kind.GAP:
            continue
        axes.axvline(finding.onset_s, color="#59636D", linewidth=0.5, dashes=(1.0, 1.5), zorder=1.5)
        axes.axvline(finding.raised_s, color="#59636D", linewidth=0.5, zorder=1.5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set(color="#8B959E", linewidth=0.5)
    axes.tick_params(length=2.5, width=0.5, color="#8B959E", labelcolor=QUIET, labelsize=_TEXT, pad=2.0)


def _name_states(axes: Axes, story: Story) -> None:
    """Name the shaded states within the upper panel, where the name before leaves room."""
    scale, taken = _plot_width() / story.x_end_s, [0.0, 0.0]
    for state in story.states:
        wide = 4.2 * len(state.name) + 4.0
        left = state.from_s * scale + wide <= _plot_width()
        start = state.from_s * scale if left else min(state.to_s * scale, _plot_width()) - wide
        row = next((at for at, end in enumerate(taken) if start >= end), None)
        if row is None:
            continue
        taken[row] = start + wide
        at_s = state.from_s if left else min(state.to_s, story.x_end_s)
        how: dict[str, Any] = {"ha": "left" if left else "right", "va": "top", "bbox": _BACK}
        dx = 2.0 if left else -2.0
        dy = -2.0 - row * _LABEL_PITCH
        _say(axes, at_s, 1.0, state.name, dx=dx, dy=dy, across=True, color=INK, **how)


def _plot_width() -> float:
    return _WIDTH - _LEFT - _RIGHT


def _current_panel(axes: Axes, series: Series, story: Story) -> None:
    setup = story.setup
    limits = [
        (current_at(setup, percent) * 1000.0, f"{word} {percent:g} % of rating")
        for word, percent in (
            ("aim", setup.limits.aim_pct),
            ("warn", setup.limits.warn_pct),
            ("fail", setup.limits.fail_pct),
        )
        if percent is not None
    ]
    for word, own in (
        ("least allowed", setup.limits.pair_low_mA),
        ("most allowed", setup.limits.pair_high_mA),
    ):
        if own is not None:
            limits.append((own, f"{word} {own:g} mA"))
    columns = setup.pair_columns
    low, high = _extent(series.least[:, columns], series.greatest[:, columns])
    top = max(value for value, _ in limits) * 1.1
    while top < high * 1000.0:
        top *= 1.25
    axes.set_ylim(0.0 if low > -0.001 else low * 1100.0, top)
    _title(axes, "Current of each pair, mA", dy=15.0)
    foot, head = axes.get_ylim()
    wishes = [(value - foot) / (head - foot) * _CURRENTS + 2.0 for value, _ in limits]
    places = pushed_apart(wishes, _LABEL_PITCH, 2.0, _CURRENTS - _LABEL_PITCH)
    for (value, label), wish, place in zip(limits, wishes, places, strict=True):
        axes.axhline(value, color="#7B858E", linewidth=0.5, dashes=(4.0, 3.0), zorder=0.6)
        _say(axes, 0.0, value, label, dx=3.0, dy=2.0 + place - wish, color=QUIET, bbox=_BACK)
    for index, column in enumerate(columns):
        least, greatest = series.least[:, column] * 1000.0, series.greatest[:, column] * 1000.0
        axes.fill_between(
            series.t_s, least, greatest, color=_pale(pair_style(index).colour), linewidth=0.0, zorder=1.0
        )
    for index, column in enumerate(columns):
        _line(axes, series.t_s, series.mean[:, column] * 1000.0, index)
    for index, column in enumerate(columns):
        _settled_tick(axes, series, story, index, column)
    _end_labels(axes, series.t_s, series.mean[:, columns] * 1000.0, setup.pairs, signed=False)
    if not np.isfinite(series.mean[:, columns]).any():
        axes.text(0.5, 0.5, "no reading was recorded", transform=axes.transAxes, ha="center", color=INK)


def _others_panel(axes: Axes, series: Series, story: Story) -> None:
    setup = story.setup
    match = (story.match_a or match_limit(setup, [])) * 1000.0
    values = series.from_others * 1000.0
    hot_s = (story.steps[0].from_s if story.steps else 0.0) + 300.0
    hot = np.abs(values[series.t_s >= hot_s])
    hot = hot[np.isfinite(hot) & (hot <= 6.0 * match)]
    furthest = float(hot.max()) if len(hot) else 0.0
    half = next(step for step in (2.5, 4.0, 6.6) if furthest <= step * 0.92 * match or step > 6.0) * match
    axes.set_ylim(-half, half)
    axes.yaxis.set_major_formatter(lambda value, _: _round(value, half))
    title = "Each pair from the others, mA" if len(setup.pairs) > 2 else "Each pair from the other, mA"
    _title(axes, f"{title}; shaded: match ±{match:.1f}", dy=6.0)
    axes.axhspan(-match, match, color="#DFE4E8", linewidth=0.0, zorder=0.2)
    for edge in (-match, match):
        axes.axhline(edge, color="#7B858E", linewidth=0.5, dashes=(4.0, 3.0), zorder=0.6)
    axes.axhline(0.0, color="#A9B2B9", linewidth=0.5, zorder=0.6)

    for index in range(len(setup.pairs)):
        _line(axes, series.t_s, values[:, index], index)
    _end_labels(axes, series.t_s, values, setup.pairs, signed=True)


def _extent(least: FloatArray, greatest: FloatArray) -> tuple[float, float]:
    low, high = least[np.isfinite(least)], greatest[np.isfinite(greatest)]
    return (float(low.min()) if len(low) else 0.0), (float(high.max()) if len(high) else 0.0)


def _round(value: float, half: float) -> str:
    return number(value, 1 if half < 5.0 else 0, signed=True).lstrip("±")


def _title(axes: Axes, text: str, dy: float) -> None:
    _say(axes, 0.0, 1.0, text, dx=-_LEFT, dy=dy, across=True, weight="bold", color=INK, fontsize=7.5)


def _say(
    axes: Axes,
    x: float,
    y: float,
    text: str,
    *,
    dx: float = 0.0,
    dy: float = 0.0,
    across: bool = False,
    **how: Any,
) -> None:
    """Write a text at a place in data, moved by points; `across`: y is a share of the panel's height."""
    axes.annotate(
        text,
        (x, y),
        xycoords=axes.get_xaxis_transform() if across else "data",
        xytext=(dx, dy),
        textcoords="offset points",
        annotation_clip=False,
        **{"fontsize": _TEXT, "zorder": 4.0, **how},
    )


def _line(axes: Axes, t_s: FloatArray, values: FloatArray, index: int) -> None:
    style = pair_style(index)
    dashes = _DASHES[index % len(_DASHES)]
    how: dict[str, Any] = {"zorder": 2.0 + 0.01 * index, "solid_joinstyle": "round"}
    if dashes:
        how["dashes"] = [length / _LINE for length in dashes]
    if style.colour == OUTLINED:
        axes.plot(t_s, values, color=style.ink, linewidth=_LINE + 0.7, zorder=how["zorder"] - 0.005)
    if index >= len(PALETTE) and len(t_s):
        how |= {
            "marker": _MARKERS[index % len(_MARKERS)],
            "markersize": 2.6,
            "markeredgewidth": 0.0,
            "markevery": max(1, len(t_s) // 24),
        }
    axes.plot(t_s, values, color=style.colour, linewidth=_LINE, **how)


def _settled_tick(axes: Axes, series: Series, story: Story, index: int, column: int) -> None:
    at_s = (story.settled_at_s or {}).get(story.setup.channel[column].name)
    there = np.flatnonzero(np.isfinite(series.mean[:, column]))
    if at_s is None or not len(there):
        return
    nearest = there[int(np.argmin(np.abs(series.t_s[there] - at_s)))]
    axes.plot(
        [at_s],
        [series.mean[nearest, column] * 1000.0],
        marker="|",
        markersize=7.0,
        markeredgewidth=1.2,
        color=pair_style(index).ink,
        zorder=3.0,
    )


def _end_labels(
    axes: Axes, t_s: FloatArray, values: FloatArray, pairs: Sequence[Channel], *, signed: bool
) -> None:
    """Name the lines at their ends, pushed apart, each with a thin leader; say where one left the panel."""
    low, high = axes.get_ylim()
    tall = _OTHERS if signed else _CURRENTS
    named = []
    for index, channel in enumerate(pairs):
        there = np.flatnonzero(np.isfinite(values[:, index]))
        if len(there):
            named.append((index, channel, float(t_s[there[-1]]), float(values[there[-1], index])))
    wishes = [(min(max(value, low), high) - low) / (high - low) * tall for *_, value in named]
    places = pushed_apart(wishes, _LABEL_PITCH, 3.0, tall - 3.0)
    end_s = axes.get_xlim()[1]
    for (index, channel, at_s, value), wish, place in zip(named, wishes, places, strict=True):
        text = _end_name(channel)
        if not -0.01 < (value - low) / (high - low) < 1.01:
            arrow = "↑" if value > high else "↓"
            text = f"{shortened(channel.name, 8)} {arrow} {number(value, 0, signed=signed)}"
        style = pair_style(index)
        right = (end_s - at_s) / end_s * _plot_width()
        axes.annotate(
            text,
            (at_s, min(max(value, low), high)),
            xytext=(right + 9.0, place - wish),
            textcoords="offset points",
            va="center",
            ha="left",
            color=style.ink,
            fontsize=_TEXT,
            annotation_clip=False,
            zorder=4.0,
            arrowprops={
                "arrowstyle": "-",
                "color": style.ink,
                "linewidth": 0.4,
                "shrinkA": 0.0,
                "shrinkB": 0.5,
                "relpos": (0.0, 0.5),
            },
        )


def _end_name(channel: Channel) -> str:
    label = f"{channel.name} {'/'.join(channel.sockets)}" if channel.sockets else channel.name
    return printable(label) if len(label) <= 13 else shortened(channel.name, 13)


def _pale(colour: str) -> str:
    """Mix a colour with white: the look of a see-through band without transparency."""
    parts = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
    return "#" + "".join(f"{round(0.3 * part + 0.7 * 255):02X}" for part in parts)


# ------------------------------------------------------------------ findings


def _tag(finding: Finding) -> str:
    who = finding.channel or ("" if len(finding.channels) > 2 else " or ".join(finding.channels))
    said = "" if who and who in finding.kind.value else who  # no "mains change mains"
    return printable(shortened(f"{finding.id}  {finding.kind.value} {said}".rstrip(), 40))


def _reach(finding: Finding, story: Story) -> tuple[float, float, bool]:
    """Return from where to where a finding's bar and words go, in points; whether the words stand left."""
    scale = _plot_width() / story.x_end_s
    start, raised = finding.onset_s * scale, finding.raised_s * scale
    end = (story.x_end_s if finding.cleared_s is None else finding.cleared_s) * scale
    words = 4.6 * len(_tag(finding)) + 8.0
    if raised + words > _plot_width():
        return min(start, raised - words), max(end, raised), True
    return start, max(end, raised + words), False


def _lanes(story: Story) -> list[list[Finding]]:
    """Lay the findings in as few rows as keep them apart; the worst first where there are too many."""
    lanes: list[list[Finding]] = []
    ends: list[float] = []
    chosen = sorted(story.findings, key=lambda f: (-f.severity.rank, f.id))[: 4 * _MOST_LANES]
    for finding in sorted(chosen, key=lambda f: (_reach(f, story)[0], f.id)):
        start, end, _ = _reach(finding, story)
        free = next((i for i, taken in enumerate(ends) if taken + 4.0 <= start), None)
        if free is None and len(lanes) < _MOST_LANES:
            lanes.append([finding])
            ends.append(end)
        elif free is not None:
            lanes[free].append(finding)
            ends[free] = end
    return lanes


def left_off(story: Story) -> int:
    """Return how many findings the chart has no room for; the list below it has them all."""
    return len(story.findings) - sum(len(lane) for lane in _lanes(story))


def _findings_strip(axes: Axes, story: Story, lanes: Sequence[Sequence[Finding]]) -> None:
    axes.set_ylim(0.0, float(len(lanes)))
    axes.set_yticks([])
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set(color="#8B959E", linewidth=0.5)
    axes.tick_params(length=2.5, width=0.5, color="#8B959E", labelcolor=QUIET, labelsize=_TEXT, pad=2.0)
    shapes: Mapping[str, str] = {"circle": "o", "diamond-open": "D", "triangle-up": "^", "square": "s"}
    for row, lane in enumerate(lanes):
        y = len(lanes) - row - 0.5
        for finding in lane:
            shape, colour = SIGN[look(finding)]
            end_s = story.x_end_s if finding.cleared_s is None else finding.cleared_s
            axes.plot(
                [finding.onset_s, finding.raised_s], [y, y], color=colour, linewidth=0.8, dashes=(1.0, 1.5)
            )
            axes.plot([finding.raised_s, end_s], [y, y], color=colour, linewidth=0.8)
            axes.plot([finding.onset_s], [y], marker="|", markersize=5.0, markeredgewidth=0.8, color=colour)
            axes.plot(
                [finding.raised_s],
                [y],
                marker=shapes[shape],
                markersize=5.0 if finding.severity is not Severity.REMARK else 3.2,
                markeredgewidth=0.9 if shape.endswith("open") else 0.0,
                markerfacecolor="white" if shape.endswith("open") else colour,
                color=colour,
                clip_on=False,
                zorder=3.0,
            )
            left = _reach(finding, story)[2]
            _say(
                axes,
                finding.raised_s,
                y,
                _tag(finding),
                dx=-5.0 if left else 5.0,
                ha="right" if left else "left",
                va="center",
                color=INK,
                weight="bold" if finding.severity is not Severity.REMARK else "normal",
                bbox=_BACK,
            )


def _mark_ticks(axes: Axes, story: Story) -> None:
    """Draw a thin tick on the time axis at each mark."""
    axes.plot(
        [t_s for t_s, _, _ in mark_rows(story.marks)],
        [0.0] * len(story.marks),
        transform=axes.get_xaxis_transform(),
        marker=2,  # upwards from the axis
        markersize=5.0,
        markeredgewidth=0.9,
        color=INK,
        linestyle="none",
        clip_on=False,
        zorder=3.0,
    )


def summary(series: Series, story: Story, *, plain: bool = False) -> str:
    """Say in words what the chart shows, for who can't see it."""
    pairs = len(story.setup.pairs)
    what = (
        f"Chart over {_clock(story.x_end_s, seconds=False)} hours: current of {pairs} pair{'s' * (pairs > 1)}"
    )
    if pairs > 1 and not plain:
        what += ", and each pair from the others with the match band"
    ends = []
    for index, column in enumerate(story.setup.pair_columns):
        finite = series.mean[:, column][np.isfinite(series.mean[:, column])]
        if len(finite):
            ends.append(f"{story.setup.pairs[index].name} {number(float(finite[-1]) * 1000.0, 1)} mA")
    said = f"{what}." + (f" At the end: {', '.join(ends)}." if ends else " No reading was recorded.")
    return said if plain else f"{said} Findings listed: {len(story.findings)}."
