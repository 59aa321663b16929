"""The Bias page: made to be read from two metres while a trimmer is turned.

Its frame is made here and filled in the browser (`assets/bias.js`), which reads the newest scans from one
answer that goes on: Dash's callbacks are too slow for that, and asking anew for each scan is mostly headers.
"""

from __future__ import annotations

from typing import Any, Final

from dash import ClientsideFunction, Dash, Input, Output, dcc, html
from flask import Flask, Response, request

from dashboard.chart import spoken
from dashboard.pages import parts
from dashboard.setting import Feed

ADDRESS: Final = "/bias/now"

CAUTION: Final = (
    "Lethal voltage inside, also after switching off; an HT reading of zero proves nothing. One hand, an "
    "insulated trimming tool. Worn pots go open, and the bias with them: turn slowly, and stop where the "
    "current does not follow. Glass is hot. soakbench is no certified protective device."
)


def layout() -> list[Any]:
    """Return the page's frame; the script fills it."""
    return [
        dcc.Store(id="bias-begun"),
        html.Div(
            [
                html.Header(
                    [
                        html.H1(id="bias-amp"),
                        html.P(
                            [
                                html.Span(id="bias-state", className="state"),
                                html.Span(id="bias-age", className="age"),
                                html.Span(id="bias-cutout"),
                            ],
                            className="facts",
                        ),
                    ],
                    className="head-row page-head",
                ),
                html.P([html.Strong("Caution. "), CAUTION], className="caution"),
                html.Section(id="bias-nothing", className="panel nothing", hidden=True),
                html.Div(
                    [
                        html.P(id="bias-alarm", role="status"),
                        html.Div(
                            [
                                _button("bias-before", "", "Pair before", "way"),
                                html.Section(
                                    [
                                        html.H2(id="bias-who"),
                                        html.P(
                                            [
                                                html.Span(id="bias-figure"),
                                                html.Span(id="bias-unit", className="unit"),
                                            ],
                                            id="bias-reading",
                                        ),
                                        html.P(id="bias-word"),
                                        _bar("bias-bar"),
                                        html.P(id="bias-set"),
                                        html.P(id="bias-ends"),
                                    ],
                                    id="bias-pair",
                                    **spoken("The pair being set"),
                                ),
                                _button("bias-after", "", "Next pair", "way"),
                            ],
                            className="bias-stage",
                        ),
                        html.Ul(id="bias-all", **spoken("All pairs")),
                        html.Div(
                            [
                                _button("bias-done", "Mark, next pair", None, "main", changes=True),
                                _button("bias-acknowledge", "Acknowledge all", changes=True),
                                _button("bias-setting", "Setting bias", changes=True),
                                _button("bias-tone", "Tone: off"),
                                _button("bias-voice", "Voice: off"),
                            ],
                            className="controls",
                        ),
                        html.P(className="asked", role="status"),
                        html.P(id="bias-hint", className="hint"),
                    ],
                    id="bias-body",
                    hidden=True,
                ),
            ],
            id="bias",
            className="bias",
        ),
        html.P(
            "Space, Enter or a foot switch that sends one of them: mark what the pair reads, acknowledge "
            "what is open about it, go to the next. Arrows: another pair. Esc: tone and voice off. U: unit.",
            className="hint",
        ),
    ]


def register(app: Dash, server: Flask, feed: Feed) -> None:
    """Add what the page's script asks, and what starts it."""

    @server.get(ADDRESS)
    def newest() -> Response:
        answer = Response(feed.lines(once="once" in request.args), mimetype="application/x-ndjson")
        answer.headers["Cache-Control"] = "no-store"
        answer.headers["X-Accel-Buffering"] = "no"  # proxies that know it pass each line on at once
        return answer

    in_browser: Any = app.clientside_callback
    in_browser(
        ClientsideFunction("bias", "begin"),
        Output("bias-begun", "data"),
        Input("bias", "id"),
    )


def _button(
    key: str, text: str, label: str | None = None, kind: str = "", *, changes: bool = False
) -> html.Button:
    said: dict[str, Any] = {} if label is None else spoken(label)
    if changes:
        said["data-changes"] = ""
    return html.Button(text, id=key, type="button", className=f"key {kind}".strip(), **said)


def _bar(key: str) -> html.Div:
    """Return where a pair stands about its window, as a bar; the words and figures beside it say the same."""
    return html.Div(
        [
            html.Div(className="bar-window"),
            html.Div(className="bar-aim"),
            html.Div(className="bar-mark"),
            html.Span(className="bar-low"),
            html.Span(className="bar-high"),
        ],
        id=key,
        className="bar",
        **parts.hidden(),
    )
