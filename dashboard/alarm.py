"""What sounds in a browser: one address that says whether something calls a person now (`assets/alarm.js`).

The same as what rings the daemon's bell: an open warning or trip that nobody has acknowledged, and a running
soak of which no scan comes. The sound of a browser is a comfort: what takes the mains off is the cut-out.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from dash import ClientsideFunction, Dash, Input, Output, dcc, html
from flask import Flask, Response, jsonify

from dashboard import words
from dashboard.bench import Absent, Look
from dashboard.chart import spoken
from logger.finding import Severity

ADDRESS: Final = "/calls"


def register(app: Dash, server: Flask, calls: Callable[[], str]) -> None:
    """Add the address, and what shows the keys as they stand; `calls` says what calls now.

    It answers `{"calls": "trip" | "warning" | "no reading" | ""}`.
    """

    @server.get(ADDRESS)
    def calls_now() -> Response:
        answer = jsonify(calls=calls())
        answer.headers["Cache-Control"] = "no-store"
        return answer

    in_browser: Any = app.clientside_callback
    in_browser(ClientsideFunction("alarm", "show"), Output("sound-begun", "data"), Input("live-sound", "id"))


def calling(look: Look | Absent) -> str:
    """Say what calls: the worst of it, empty where nothing does."""
    if isinstance(look, Absent):
        return "no reading" if look.lost else ""
    if not look.running:
        return ""
    severities = {one.severity for one in look.open_findings if words.calls(one)}
    for severity in (Severity.TRIP, Severity.WARNING):
        if severity in severities:
            return severity.value
    return "no reading" if look.stale and look.soak.last_t_us is not None else ""


def switch() -> html.Button:
    """Return the key that switches the sound off from every page; hidden while it is off."""
    does: dict[str, Any] = {"data-does": "sound"}
    return html.Button("Sound", id="sound-key", type="button", className="key quiet", hidden=True, **does)


def keys() -> html.Section:
    """Return the keys that switch the sound on, and try it; the script says beside them how it stands."""

    def key(text: str, does: str, of: str = "") -> html.Button:
        told: dict[str, Any] = {"data-does": does, "data-of": of}
        return html.Button(text, type="button", className="key", **told)

    return html.Section(
        [
            html.H2("Sound", className="unseen"),
            html.Div(
                [
                    key("Sound: off", "sound"),
                    key("Try the warning", "try-sound", "warning"),
                    key("Try the trip", "try-sound", "trip"),
                ],
                className="asks",
            ),
            html.P(id="sound-says", className="hint", role="status"),
            dcc.Store(id="sound-begun"),
        ],
        id="live-sound",
        **spoken("Sound on warning and trip"),
    )
