"""The Set-up pages: what the bench is set up as, its files with their faults at their lines, a new one.

They look at a text and change nothing: a file is saved by an address of its own (`dashboard/setup_files.py`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update

from dashboard.bench import Absent, Bench
from dashboard.chart import spoken
from dashboard.pages import parts
from dashboard.pages.parts import Children
from dashboard.setup_files import SetupFiles, look
from logger import new_setup
from logger.check import CAUTIONS, Advice, advise
from logger.errors import Fault, RequestError
from logger.store.reader import Reader, Soak

NEW: Final = "new"
_LIVE: Final[dict[str, Any]] = {"aria-live": "polite"}
_NOTHING: Final = Absent(
    "No soak yet",
    "Here stands what a soak ran with, as soon as there is one. A set-up file says what is connected, the "
    "plan and the limits: open one above, or write a new one.",
)
_CHANGES: Final = "A running soak keeps the set-up that it began with: what is saved holds from the next on."


def layout() -> list[Any]:
    """Return the frame of the overview."""
    return [
        html.H1("Set-up"),
        html.Section(id="setup-files", **spoken("Set-up files")),
        html.Section(
            [
                html.H2("Serial ports"),
                html.P(
                    "Each port is read first and asked once who is there. One that a running soak has is "
                    "left alone."
                ),
                html.Button("Look at the ports", type="button", className="key", **_does("ports")),
                html.Div(id="setup-ports", **_LIVE),
            ],
            className="panel",
        ),
        html.Div(id="setup-soak"),
        dcc.Store(id="setup-overview", data=True),
        parts.caution(),
    ]


def file_layout(name: str) -> list[Any]:
    """Return the frame of the editor; `name`: a file's, or `new` for one that is written from answers."""
    new = name == NEW
    field: dict[str, Any] = {"aria-describedby": "setup-hint", "spellCheck": "false"}
    return [
        dcc.Store(id="setup-name", data=name),
        dcc.Store(id="setup-typed"),
        dcc.Store(id="setup-opened"),
        html.H1("A new set-up" if new else name, id="setup-title"),
        html.Div(_questions() if new else [], id="setup-questions", className="panel" if new else ""),
        html.Div(id="setup-trouble"),
        html.Div(
            [
                html.Div(
                    [
                        html.Label("The file", htmlFor="setup-text"),
                        html.Div(
                            [
                                html.Div(id="setup-lines", className="gutter", **parts.hidden()),
                                html.Textarea(id="setup-text", className="code", wrap="off", **field),
                            ],
                            className="editor",
                        ),
                        html.P(
                            f"Comments stay as they are written. Tab goes on to the next control. {_CHANGES}",
                            id="setup-hint",
                            className="hint",
                        ),
                        html.Div(
                            [
                                html.Label("File name", htmlFor="setup-save-as"),
                                dcc.Input(id="setup-save-as", value="bench1.toml" if new else name),
                                html.Button("Save", type="button", className="key", **_does("save-set-up")),
                                html.Button(
                                    "Back to the file",
                                    type="button",
                                    className="key quiet",
                                    **_does("set-up-back"),
                                ),
                            ],
                            className="save-row",
                        ),
                        html.P(className="setup-saved", role="status"),
                    ],
                    className="panel",
                ),
                html.Section(id="setup-says", **_LIVE, **spoken("What is said of it")),
            ],
            className="beside-each-other",
        ),
        parts.caution(),
    ]


def _questions() -> Children:
    """Return the questions of a new set-up; those that have a default say it."""
    rows: Children = [
        html.H2("What is known of the amplifier and its bench"),
        html.P("Only what has no default must be answered. What comes of it stands below, to be changed."),
    ]
    for key in new_setup.ASKED:
        said, _, default = new_setup.question(key).rstrip(": ").partition(" [")
        name = f"answer-{key}"
        rows.append(
            html.Div(
                [
                    html.Label(said, htmlFor=name),
                    dcc.Input(id=name, type="text", placeholder=default.rstrip("]"), autoComplete="off"),
                    html.P(id=f"{name}-fault", className="fault", role="alert"),
                ],
                className="field",
            )
        )
    rows.append(html.Button("Write it", id="setup-write", type="button", className="key"))
    rows.append(html.P(id="setup-not-written", className="fault", role="alert"))
    return [html.Div(rows, className="questions")]


def _does(what: str) -> dict[str, Any]:
    """Return what a button does (`assets/setup.js`)."""
    return {"data-does": what}


def register(app: Dash, bench: Bench, files: SetupFiles) -> None:
    """Add the callbacks."""
    in_browser: Any = app.clientside_callback
    in_browser(
        ClientsideFunction("soakbenchSetup", "put"),
        Output("setup-opened", "id"),
        Input("setup-opened", "data"),
        State("setup-name", "data"),
    )
    in_browser(
        ClientsideFunction("soakbenchSetup", "mark"),
        Output("setup-says", "id"),
        Input("setup-says", "children"),
    )

    @app.callback(
        Output("setup-files", "children"),
        Output("setup-soak", "children"),
        Output("title", "data", allow_duplicate=True),
        Input("setup-overview", "data"),
        prevent_initial_call="initial_duplicate",
    )
    def overview(_: bool) -> tuple[Any, Any, str]:
        found = bench.read(_last, _NOTHING)
        below = parts.nothing(found) if isinstance(found, Absent) else of_soak(*found)
        return _list_of(files), below, "Set-up · soakbench"

    @app.callback(
        Output("setup-opened", "data"),
        Output("setup-trouble", "children"),
        Output("title", "data", allow_duplicate=True),
        Input("setup-name", "data"),
        prevent_initial_call="initial_duplicate",
    )
    def opened(name: str) -> tuple[Any, Any, str]:
        if name == NEW:
            return {"seen": "", "text": ""}, None, "A new set-up · soakbench"
        try:
            held = files.read(name)
        except RequestError as error:
            said = parts.sentence(_capital(str(error)))
            there_is_none = parts.nothing(Absent("It can't be opened", said))
            return {"seen": "", "text": ""}, there_is_none, "Set-up not opened · soakbench"
        # a browser's field knows no other ends of lines
        return {"seen": held.seen, "text": held.text.replace("\r\n", "\n")}, None, f"{name} · soakbench"

    @app.callback(
        Output("setup-says", "children"),
        Output("title", "data", allow_duplicate=True),
        Input("setup-typed", "data"),
        State("setup-name", "data"),
        prevent_initial_call=True,
    )
    def said(text: str | None, name: str) -> tuple[Any, Any]:
        called = "A new set-up" if name == NEW else name
        if not (text or "").strip():
            return None, no_update
        found = look(text or "")
        many = len(found.faults)
        state = "no fault" if not many else "1 fault" if many == 1 else f"{many} faults"
        return of_text(found.faults, found.advice, live=found.live), f"{state} · {called} · soakbench"

    @app.callback(
        Output("setup-opened", "data", allow_duplicate=True),
        Output("setup-not-written", "children"),
        *(Output(f"answer-{key}-fault", "children") for key in new_setup.ASKED),
        Input("setup-write", "n_clicks"),
        *(State(f"answer-{key}", "value") for key in new_setup.ASKED),
        prevent_initial_call=True,
    )
    def written(_: int, *given: str | None) -> tuple[Any, ...]:
        known, wrong = answers_of(dict(zip(new_setup.ASKED, given, strict=True)))
        faults = [wrong.get(key, "") for key in new_setup.ASKED]
        if wrong:
            return (no_update, "Nothing was written: see above.", *faults)
        try:
            text = new_setup.text_of(new_setup.answers_from(known))
            return ({"seen": "", "text": text, "written": True}, "", *faults)
        except RequestError as error:
            return (no_update, parts.sentence(_capital(str(error))), *faults)


def answers_of(given: Mapping[str, str | None]) -> tuple[dict[str, Any], dict[str, str]]:
    """Return what was answered, and why what means nothing does; what was left empty has its default."""
    known: dict[str, Any] = {}
    wrong: dict[str, str] = {}
    for key, text in given.items():
        if not (text or "").strip():
            if key in ("valve", "ht_V"):
                wrong[key] = "This has no default: it must be answered."
            continue
        try:
            known[key] = new_setup.read(key, text)
        except RequestError as error:
            wrong[key] = parts.sentence(_capital(str(error).partition(": ")[2]))
    return known, wrong


def _last(reader: Reader) -> tuple[Soak, list[Any]]:
    soak = reader.soak("last")
    return soak, reader.calibrations(soak.daq.board_id)


def _list_of(files: SetupFiles) -> Children:
    heading: Children = [html.H2("Set-up files")]
    try:
        names = files.names()
    except RequestError as error:
        return [*heading, html.P(parts.sentence(_capital(str(error))))]
    if names:
        heading.append(
            html.Ul(
                [html.Li(dcc.Link(name, href=parts.href(f"/setup/{name}"))) for name in names],
                className="setup-list",
            )
        )
    else:
        heading.append(html.P(f"None is in {files.folder} yet."))
    heading.append(
        html.P(dcc.Link("Write a new one", href=parts.href(f"/setup/{NEW}"), className="key as-link"))
    )
    return heading


def of_soak(soak: Soak, calibrations: Sequence[Any]) -> Children:
    """Return what a soak ran with: its channels, limits, calibrations and checks."""
    running = "runs with it" if soak.ended is None else "ran with it"
    advice = advise(soak.setup)
    rows = [
        (
            str(one.id),
            f"{one.made:%Y-%m-%d}" if one.made else "–",
            ", ".join(one.channels),
            one.by or "–",
            one.instrument or "–",
            "in use" if one.id == soak.calibration_id else "–",
        )
        for one in reversed(calibrations)
    ]
    made: Any = html.P("None is stored for its board: soakbench calibrate SETUP makes one.", className="none")
    if rows:
        heads = ("calibration", "made", "channels", "by", "with", f"soak {soak.id}")
        made = parts.table(heads, rows, "calibrations")
    checks = [
        (one["check"], one["result"], " ".join(filter(None, (one["says"], one.get("do")))))
        for one in soak.checks or []
    ]
    return [
        html.Section(
            [
                html.H2(f"{soak.amp}: soak {soak.id} {running}"),
                html.P(parts.sentence(_capital(advice.aim))),
                *_advised(advice),
                html.H3(f"Calibrations of the board {soak.daq.board_id}"),
                made,
                html.H3("Checks before power"),
                parts.table(("check", "result", "says"), checks, "power-checks")
                if checks
                else html.P("None were made.", className="none"),
            ],
            className="panel",
            **spoken("The set-up in use"),
        )
    ]


def of_text(faults: Sequence[Fault], advice: Advice | None, *, live: bool) -> Children:
    """Return what is said of a text: its faults, each with a way to its line; else its wiring and limits."""
    out: Children = []
    if faults:
        many = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        why = " for a link that measures" if live else ""
        rows = []
        for fault in faults:
            whole = f"{fault.where}: expected {fault.expected}, got {fault.got}"
            way: Children = []
            if fault.line is not None:
                told: dict[str, Any] = {"data-line": str(fault.line)}
                way = [html.Button(f"Line {fault.line}", type="button", className="key to-line", **told), " "]
            rows.append(html.Li([*way, html.Span(whole)]))
        out.append(
            html.Section(
                [html.H2([parts.sign("warning"), " ", f"{many}{why}"]), html.Ul(rows, className="faults")],
                className="panel faulty",
            )
        )
    if advice is not None:
        fine = [] if faults else [html.H2("No fault")]
        out.append(
            html.Section(
                [*fine, html.P(parts.sentence(_capital(advice.aim))), *_advised(advice)], className="panel"
            )
        )
    return out


def _advised(advice: Advice) -> Children:
    odd: Children = []
    if advice.odd:
        odd = [html.H3("Odd"), html.Ul([html.Li(parts.sentence(_capital(one))) for one in advice.odd])]
    return [
        *odd,
        html.H3("Wiring"),
        html.Div(
            parts.table(advice.wiring_heads, [wire.told(advice.place) for wire in advice.wiring], "wiring"),
            className="wide-table",
        ),
        html.P(advice.wiring_means, className="hint"),
        html.H3("Limits"),
        parts.table(("limit", "value", "from"), [row.told for row in advice.limits], "limits"),
        html.H3("What can be decided"),
        html.Ul([html.Li(parts.sentence(_capital(item.told))) for item in advice.decidable]),
        html.H3("Before a hand goes in"),
        html.Ul([html.Li(line) for line in CAUTIONS]),
    ]


def _capital(text: str) -> str:
    """Begin a sentence; a channel's name stays as the file has it."""
    first = text.partition(" ")[0]
    return text if any(one.isdigit() for one in first) else f"{text[:1].upper()}{text[1:]}"
