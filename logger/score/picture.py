"""The worst misses and false alarms as charts in one HTML file: the case, the finding, the truth.

The cases are played again from their numbers. The file holds plotly's own script and needs no network.
"""

from __future__ import annotations

import html
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.blocks import FloatArray
from logger.errors import FileExistsAlready, RequestError
from logger.score.run import Result, Told, watch
from logger.simulator import family

MOST: Final = 6
"""Charts of each sort."""

_STEP_S: Final = 10
_SHOWN, _TRUE, _OTHERS, _RAISED, _ONSET = "#0072B2", "#000000", "#B0B0B0", "#D55E00", "#009E73"
_QUIET_FIRST: Final = ("quiet", "typical", "noisy", "very noisy")


@dataclass(frozen=True)
class _Chart:
    """What one chart is about."""

    result: Result
    sort: str
    told: Told | None
    channel: str | None


def write(path: Path, results: Sequence[Result], *, force: bool) -> None:
    """Write the charts. Raises where the file exists, unless `force`, or can't be written."""
    if path.exists() and not force:
        raise FileExistsAlready(path)
    text = document(results)
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise RequestError(f"{path} can't be written ({error.strerror}): name another place") from error


def document(results: Sequence[Result]) -> str:
    """Return the HTML of the worst cases."""
    parts = [_HEAD]
    charts = list(worst(results))
    if not charts:
        parts.append("<p>No false alarm, no miss and no pair wrongly blamed: there is nothing to show.</p>")
    for number, chart in enumerate(charts):
        parts.append(_section(chart, first=number == 0))
    parts.append("</body></html>\n")
    return "\n".join(parts)


def worst(results: Sequence[Result]) -> Iterator[_Chart]:
    """Yield what is worth a look: trips before warnings, quiet valves before noisy, large before small."""
    false = [(r, told) for r in results for told in r.false]
    false.sort(key=lambda x: (x[1].severity != "trip", _QUIET_FIRST.index(x[0].noise_class), x[0].number))
    for r, told in false[:MOST]:
        yield _Chart(r, "false alarm", told, told.channel)
    missed = [r for r in results if r.demanded and not r.found]
    missed.sort(key=lambda r: (-r.size, _QUIET_FIRST.index(r.noise_class), r.number))
    # of each kind one before any comes twice
    turn: dict[int, int] = {}
    count: dict[str | None, int] = {}
    for r in missed:
        turn[r.number] = count[r.kind] = count.get(r.kind, 0) + 1
    for r in sorted(missed, key=lambda r: turn[r.number])[:MOST]:
        yield _Chart(r, "miss", r.untrue[0] if r.untrue else None, None)
    blamed = [(r, told) for r in results for told in r.blame if r.found or not r.demanded]
    for r, told in blamed[:MOST]:
        yield _Chart(r, "wrong pair", told, told.channel)


def _section(chart: _Chart, *, first: bool) -> str:
    import plotly.graph_objects as go
    from plotly.io import to_html

    case = family.case(_half(chart.result.half), chart.result.number)
    (course,) = family.courses([case])
    watched = watch(case, course)
    ticks = family.ticks(case, course)
    at_fault = case.fault.channel if case.fault is not None else None
    main = chart.channel if chart.channel in case.names[: case.pairs] else at_fault
    column = case.names.index(main) if main in case.names[: case.pairs] else 0
    figure = go.Figure()
    minutes = _means(np.arange(len(ticks), dtype=np.float64)) / 60
    for j in range(case.pairs):
        if j != column:
            y = _means(ticks.mean[:, j]) * 1e3
            _line(figure, minutes, y, case.names[j], _OTHERS, 1)
    name = case.names[column]
    _line(figure, minutes, _means(ticks.mean[:, column]) * 1e3, f"{name}, shown", _SHOWN, 1.5)
    truth = _means(course.pair_a[: len(ticks), column]) * 1e3
    _line(figure, minutes, truth, f"{name}, noise-free", _TRUE, 1.5, dash="dash")
    if case.fault is not None:
        figure.add_vline(x=case.fault.onset_s / 60, line={"color": _ONSET, "dash": "dot"})
        _label(figure, case.fault.onset_s / 60, f"{case.fault.kind} begins", _ONSET, 1.06)
    for alarm in watched.alarms:
        figure.add_vline(x=alarm.raised_s / 60, line={"color": _RAISED, "width": 1})
        said = f"{alarm.finding.kind.value} {alarm.finding.channel or ''}"
        _label(figure, alarm.raised_s / 60, said, _RAISED, 1.0)
    on = ticks.t_s >= case.ht_on_s + 120
    if on.any():
        seen = ticks.mean[on][:, : case.pairs] * 1e3
        low, high = np.nanpercentile(seen, [0.5, 99.5])
        pad = 0.15 * (high - low) + 0.2
        figure.update_yaxes(range=[low - pad, high + pad])
    figure.update_layout(
        template="plotly_white",
        height=420,
        margin={"l": 60, "r": 20, "t": 60, "b": 50},
        xaxis_title="minutes since the first scan",
        yaxis_title="mA a pair",
        legend={"orientation": "h", "y": -0.2},
    )
    config = {"displaylogo": False, "showSendToCloud": False}
    # the script once, in the first chart
    drawn = to_html(figure, full_html=False, include_plotlyjs=first, config=config)
    return f"<h2>{html.escape(_title(chart))}</h2>\n<p>{html.escape(_words(chart, case))}</p>\n{drawn}"


def _half(half: str) -> family.Half:
    return "report" if half == "report" else "tune"


def _means(x: FloatArray) -> FloatArray:
    """Return means of 10 s; NaN where nothing was seen."""
    whole = x[: len(x) // _STEP_S * _STEP_S].reshape(-1, _STEP_S)
    some = ~np.isnan(whole).all(axis=1)
    out = np.full(len(whole), np.nan)
    out[some] = np.nanmean(whole[some], axis=1)
    return out


def _line(
    figure: Any, x: FloatArray, y: FloatArray, name: str, colour: str, width: float, dash: str = "solid"
) -> None:
    import plotly.graph_objects as go

    points = [None if value != value else round(float(value), 3) for value in y]
    style = {"color": colour, "width": width, "dash": dash}
    times = [round(float(t), 3) for t in x]
    figure.add_trace(go.Scatter(x=times, y=points, name=name, mode="lines", line=style))


def _label(figure: Any, x: float, text: str, colour: str, y: float) -> None:
    figure.add_annotation(
        x=x, y=y, yref="paper", text=html.escape(text), showarrow=False, font={"color": colour, "size": 11}
    )


def _title(chart: _Chart) -> str:
    r = chart.result
    what = r.kind or "healthy"
    size = f", {r.size:g} times the limit" if r.large or r.size == 0.5 else ""
    return f"{chart.sort.capitalize()}: case {r.number} of the {r.half} half ({what}{size})"


def _words(chart: _Chart, case: family.Case) -> str:
    """Say in plain words what the chart shows."""
    flicker = (
        f"{case.noise_class} valves, flicker {case.flicker_a * 1e3:.2f} mA (exponent {case.exponent:.1f})"
    )
    out = [
        f"{case.pairs} pair{'s' if case.pairs > 1 else ''} of {case.valve}, {case.bias} bias, {flicker}, "
        f"{case.scans_per_s:g} scans/s, step {case.step_v * 1e6:.0f} µV."
    ]
    fault = case.fault
    if fault is not None:
        where = f" on {fault.channel}" if fault.channel else ""
        out.append(f"From {fault.onset_s / 60:.1f} min on there is {_variant(fault)}{where}.")
    told = chart.told
    if told is not None:
        out.append(f"At {told.raised_s / 60:.1f} min soakbench said: “{told.says}” ({told.severity}).")
        out.append("In the noise-free run this is not so.")
    if chart.sort == "miss":
        out.append(
            f"Nothing true was said of it in the {chart.result.watched_s / 60:.0f} min that were left."
        )
    return " ".join(out)


def _variant(fault: family.Fault) -> str:
    return f"{fault.kind} ({fault.variant})" if fault.variant else fault.kind


_HEAD: Final = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>soakbench score: the worst cases</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<style>body { font-family: "DejaVu Sans", sans-serif; max-width: 70rem; margin: 2rem auto; padding: 0 1rem;
color: #222; } h2 { margin-top: 3rem; font-size: 1.1rem; }</style></head><body>
<h1>The worst cases of this score</h1>
<p>Simulated amplifiers. Blue is what the DAQ showed, ten seconds a point; black dashes are the same pair
without noise, the truth; grey are the other pairs. The green line is when the fault begins, red ones are when
soakbench raised a warning or a trip.</p>"""
