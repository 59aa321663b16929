"""A picture of what each detector saw of one pair: its figure against its limit, over the whole record.

The record goes through the pipeline once more, a minute at a time, and each detector is asked in between. The
file is one HTML page with plotly's own script; it needs no network.
"""

from __future__ import annotations

import html
import itertools
import math
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.blocks import FloatArray, Mark, ReadingBlock, ScanBlock
from logger.errors import FileExistsAlready, RequestError
from logger.finding import Finding, Severity
from logger.pipeline import Pipeline
from logger.requests import as_shown
from logger.setup import Setup
from logger.watch.seconds import Sight

_STEP_US: Final = 60_000_000
_POINT_S: Final = 10
_PAIR, _OTHERS, _LIMIT, _FOUND, _REMARK, _MARK = (
    "#0072B2",
    "#B0B0B0",
    "#D55E00",
    "#D55E00",
    "#56B4E9",
    "#009E73",
)
_ROW_PX: Final = 170
_TOP_PX: Final = 300


class Explainer:
    """Keeps what detectors say of one channel while a record goes through the pipeline."""

    def __init__(self, setup: Setup, channel: str) -> None:
        names = [pair.name for pair in setup.pairs]
        if channel not in names:
            raise RequestError(f"{channel} is no pair of this set-up: explain one of {', '.join(names)}")
        self._setup = setup
        self.channel = channel
        self._pair = names.index(channel)
        self._t_s: list[float] = []
        self.seen: dict[str, list[tuple[float, Sight]]] = {}
        """By kind: when (seconds since the first scan), and what its detector made of the pair."""
        self._ticks: list[tuple[FloatArray, FloatArray]] = []
        self._marks: list[Mark] = []

    def feed(self, pipeline: Pipeline, block: ScanBlock | ReadingBlock, marks: Iterable[Mark]) -> None:
        """Feed a block to the pipeline, a minute at a time, and ask each detector after each minute."""
        waiting = list(marks)
        self._marks += waiting
        for part in _minutes(block):
            until_us = int(part.t_us[-1])
            due = [mark for mark in waiting if mark.t_us <= until_us]
            waiting = [mark for mark in waiting if mark.t_us > until_us]
            output = pipeline.feed(part, due)
            if len(output.ticks):
                self._ticks.append(
                    (output.ticks.t_s.astype(np.float64), output.ticks.mean[:, self._setup.pair_columns])
                )
            for kind, sight in pipeline.sights(self._pair):
                self.seen.setdefault(kind, []).append((until_us / 1e6, sight))

    def write(self, path: Path, findings: Iterable[Finding], *, force: bool) -> None:
        """Write the page. Raises where the file exists, unless `force`, or can't be written."""
        if path.exists() and not force:
            raise FileExistsAlready(path)
        try:
            path.write_text(self.page(list(findings)), encoding="utf-8")
        except OSError as error:
            raise RequestError(f"{path} can't be written ({error.strerror}): name another place") from error

    def page(self, findings: list[Finding]) -> str:
        """Return the HTML page; `findings`: all of the soak."""
        from plotly.io import to_html

        mine = [f for f in findings if self.channel in f.channels]
        label = self._setup.pairs[self._pair].label
        config = {"displaylogo": False, "showSendToCloud": False, "responsive": True}
        drawn = to_html(self._figure(mine), full_html=False, include_plotlyjs=True, config=config)
        said = "".join(
            f"<li><b>{html.escape(f.kind.value)}</b>, {f.severity.value}, {_clock(f.raised_s)}: "
            f"{html.escape(f.says)}{_ended(f)}</li>"
            for f in mine
        )
        listed = f"<ol>{said}</ol>" if said else "<p>Nothing was found on this pair.</p>"
        return (
            f"{_HEAD}<h1>What each detector saw of {html.escape(label)}</h1>"
            f"<p>{html.escape(self._setup.amp.name)}. {_LEGEND}</p>{listed}{drawn}</body></html>\n"
        )

    def _figure(self, findings: list[Finding]) -> Any:
        from plotly.subplots import make_subplots

        kinds = list(self.seen)
        rows = 1 + len(kinds)
        heights = [_TOP_PX] + [_ROW_PX] * len(kinds)
        figure = make_subplots(
            rows=rows,
            cols=1,
            shared_xaxes=True,
            row_heights=heights,
            vertical_spacing=min(0.03, 0.6 / rows),
            subplot_titles=[
                "pair currents",
                *(f"{kind}: {self.seen[kind][-1][1].what}" for kind in kinds),
            ],
        )
        self._draw_currents(figure)
        for row, kind in enumerate(kinds, start=2):
            self._draw_sight(figure, row, kind)
        for finding in findings:
            colour = _REMARK if finding.severity is Severity.REMARK else _FOUND
            row = 2 + kinds.index(finding.kind.value) if finding.kind.value in kinds else 1
            for at in {1, row}:
                figure.add_vline(x=finding.raised_s / 60, line={"color": colour, "width": 1}, row=at, col=1)
        for mark in self._marks:
            figure.add_vline(
                x=as_shown(mark)[0].t_us / 6e7, line={"color": _MARK, "width": 1, "dash": "dot"}, row=1, col=1
            )
        figure.update_xaxes(title_text="minutes since the first scan", row=rows, col=1)
        figure.update_layout(
            template="plotly_white",
            height=sum(heights) + 120,
            margin={"l": 70, "r": 20, "t": 60, "b": 50},
            showlegend=False,
            hovermode="x",
        )
        return figure

    def _draw_currents(self, figure: Any) -> None:
        if not self._ticks:
            return
        t_s = np.concatenate([t for t, _ in self._ticks])
        currents = np.concatenate([a for _, a in self._ticks]) * 1e3
        x, means = _binned(t_s) / 60.0, _binned(currents)
        order = [j for j in range(currents.shape[1]) if j != self._pair] + [self._pair]
        for j in order:
            mine = j == self._pair
            colour, width = (_PAIR, 1.8) if mine else (_OTHERS, 1.0)
            _line(figure, 1, x, means[:, j], self._setup.pairs[j].label, colour, width)
        warm = means[x > 5.0] if (x > 5.0).any() else means
        seen = warm[np.isfinite(warm) & (warm > 3.0)]
        if len(seen):
            low, high = np.percentile(seen, [0.5, 99.5])
            pad = 0.15 * (high - low) + 0.2
            figure.update_yaxes(range=[low - pad, high + pad], row=1, col=1)
        figure.update_yaxes(title_text="mA", row=1, col=1)

    def _draw_sight(self, figure: Any, row: int, kind: str) -> None:
        sights = self.seen[kind]
        x = np.array([t_s for t_s, _ in sights]) / 60.0
        value, limit = (np.array([getattr(s, what) for _, s in sights]) for what in ("value", "limit"))
        _line(figure, row, x, limit, "limit", _LIMIT, 1.2, dash="dash")
        _line(figure, row, x, value, kind, _PAIR, 1.5)
        figure.update_yaxes(title_text=sights[-1][1].unit, row=row, col=1)


def _minutes(block: ScanBlock | ReadingBlock) -> Iterator[ScanBlock | ReadingBlock]:
    """Cut a block at whole minutes of its time."""
    minute = block.t_us // _STEP_US
    edges = [0, *(np.flatnonzero(np.diff(minute)) + 1).tolist(), len(block)]
    for start, stop in itertools.pairwise(edges):
        if start < stop:
            yield type(block)(*(column[start:stop] for column in vars(block).values()))


def _binned(values: FloatArray) -> FloatArray:
    """Return means of ten seconds, NaN where nothing was read; what is left over at the end is left out."""
    whole = values[: len(values) // _POINT_S * _POINT_S].reshape(-1, _POINT_S, *values.shape[1:])
    count = (whole == whole).sum(axis=1)
    sums = np.where(whole == whole, whole, 0.0).sum(axis=1)
    return np.asarray(np.where(count > 0, sums / np.maximum(count, 1), np.nan))


def _line(
    figure: Any,
    row: int,
    x: FloatArray,
    y: FloatArray,
    name: str,
    colour: str,
    width: float,
    dash: str = "solid",
) -> None:
    import plotly.graph_objects as go

    times = [round(float(t), 3) for t in x]
    points = [round(float(v), 4) if math.isfinite(v) else None for v in y]
    style = {"color": colour, "width": width, "dash": dash}
    trace = go.Scatter(x=times, y=points, name=html.escape(name), mode="lines", line=style)
    figure.add_trace(trace, row=row, col=1)


def _clock(t_s: float) -> str:
    minutes = int(t_s // 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def _ended(finding: Finding) -> str:
    return "" if finding.cleared_s is None else f" (cleared at {_clock(finding.cleared_s)})"


_LEGEND: Final = (
    "Blue is this pair, grey are the others. Each chart below is one detector: blue what it made of the "
    "pair, dashed where it would say so, if it stays there as long as that detector asks for. Upright lines "
    "are findings, light ones remarks; green dots are marks."
)
_HEAD: Final = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>soakbench: what each detector saw</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<style>body { font-family: "DejaVu Sans", sans-serif; max-width: 75rem; margin: 1.5rem auto; padding: 0 1rem;
color: #222; } h1 { font-size: 1.3rem; }</style></head><body>
"""
