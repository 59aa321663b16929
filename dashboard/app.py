"""The dashboard's server: pages over one store. Who may see and who may change, `dashboard/access.py` says.

Everything it serves lies in the installed packages and in `assets/`: no page asks another host for
anything. Scripts run only from here (content security policy), and what came from files is text.
"""

from __future__ import annotations

import errno
import logging
import os
import re
import select
import socket
import ssl
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from itertools import count
from pathlib import Path
from typing import Any, Final, cast
from urllib.parse import unquote

from dash import ClientsideFunction, Dash, Input, Output, dcc, html, no_update
from flask import Flask, Response, request, send_file
from flask.json.provider import DefaultJSONProvider
from flask_compress import Compress
from waitress.server import create_server

from dashboard import (
    alarm,
    asking,
    chart,
    handing_over,
    photographs,
    record_forms,
    report_download,
    setup_files,
    tls,
)
from dashboard.access import MOST_BYTES, Access
from dashboard.bench import Absent, Bench
from dashboard.chart import spoken
from dashboard.overview import CollectedHere, Elsewhere, Overview, Source, StoreHere
from dashboard.pages import across, bias, compare, jobs, live, parts, record
from dashboard.pages import benches as benches_page
from dashboard.pages import setup as setup_page
from dashboard.pages import soak as soak_page
from dashboard.setting import Feed, Setting
from dashboard.setup_files import SetupFiles
from logger.benches import BenchOfMany
from logger.clock import Clock, SystemClock
from logger.errors import RequestError
from logger.store import photographs as photograph_files
from logger.store.reader import is_address

DEFAULT_HOST: Final = "127.0.0.1"
DEFAULT_PORT: Final = 8050
_NO_PAGE: Final = "There is no such page"
_ANSWER_IN_MEMORY: Final = 16_000_000
_MOST_BODY: Final = photograph_files.MOST_BYTES + MOST_BYTES
"""Nothing that is sent to us is larger than a photograph and what goes with it."""
_ACCESS: Final = "soakbench-access"

_WAYS: Final = (
    ("Live", "/"),
    ("Bias", "/bias"),
    ("Soak", "/soak/last"),
    ("Jobs", "/jobs"),
    ("Compare", "/compare"),
    ("Set-up", "/setup"),
)
_BENCHES: Final = "/benches"
_TO_BENCHES: Final = (("Benches", _BENCHES),)
_COLLECTED_S: Final = 2.0
"""How often a database is asked what came."""
_BENEATH: Final = "/bench"
"""Below it are the whole dashboards of the benches of this machine, each by its name."""
PLOTLY: Final = Path(__file__).parent / "plotly_basic" / "plotly-basic.min.js"
_DATA: Final = ("application/json", "application/x-ndjson")
"""What no browser shows as a page: its many small answers go without the page's policy."""
_INDEX: Final = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="{icon}">
{%css%}
</head>
<body>
{%app_entry%}
<footer>
{%config%}
{%scripts%}
{%renderer%}
</footer>
</body>
</html>
"""


def create_app(
    store_path: Path | str,
    clock: Clock | None = None,
    access: Access | None = None,
    *,
    shop: Path | None = None,
    setups: Path | None = None,
    seats: threading.Semaphore | None = None,
    above: str = "",
    named: str = "",
) -> Dash:
    """Make the dashboard of one store; `clock` says how old the last scan is.

    `access` says who may see and change what, and how the dashboard is reached; without it this machine only.
    `shop`: the file of the shop's name, for reports. `seats`: of `Feed`. `above`: where the overview is, if
    this is the dashboard of one of several benches, the one so `named`; a database has one of its own.
    """
    clock = clock or SystemClock()
    bench = Bench(store_path, clock)
    access = access or Access(clock)
    collected = is_address(str(store_path))
    overview = Overview([CollectedHere(bench.reader, clock)], clock, _COLLECTED_S) if collected else None

    def page(path: str) -> tuple[list[Any], list[Any]]:
        if collected and path == _BENCHES:
            shown = benches_page.layout(collected=True)
            return shown, _ways(_BENCHES, (*_TO_BENCHES, *_WAYS))
        ways: list[Any] = []
        if above:
            ways = [html.A("Benches", href=above)]  # another dashboard, which is loaded whole
        elif overview is not None and overview.several:
            ways = _ways("", _TO_BENCHES)
        shown, others = page_at(path)
        return shown, [*ways, *others]

    app, server = _framed(access, named)
    _register(app, page)
    live.register(app, bench)
    bias.register(app, server, Feed(Setting(bench, clock), seats))
    soak_page.register(app, bench)
    jobs.register(app, bench)
    record.register(app, bench)
    compare.register(app, bench)
    across.register(app, bench)
    chart.register(app, server, bench)
    photographs.register(server, bench)
    if overview is None:
        alarm.register(app, server, lambda: alarm.calling(bench.look()))
    else:
        benches_page.register(app, overview)
        alarm.register(app, server, overview.calls)
    handing_over.register(server, bench.reader)
    files = SetupFiles(setups or Path.cwd(), clock)
    setup_page.register(app, bench, files)
    setup_files.register(server, files, access)
    asking.register(server, bench.reader, clock, access)
    record_forms.register(server, bench, clock, access)
    report_download.register(server, bench.reader, shop)
    _secure(app, server)
    return app


def create_overview(
    benches: Sequence[BenchOfMany],
    clock: Clock | None = None,
    access: Access | None = None,
    *,
    shop: Path | None = None,
    setups: Path | None = None,
) -> Dash:
    """Make one server of several benches: their overview, and beneath it each one's whole dashboard.

    One log-in opens all of them. The dashboards share nothing else but the frame: a store that can't be read
    is its bench's own trouble.
    """
    clock = clock or SystemClock()
    access = access or Access(clock)
    every_s = max(0.9, 0.05 * len(benches))  # many stores are read less often; the newest scan is not
    seats = threading.Semaphore(Feed.MOST)
    sources: list[Source] = []
    beneath: dict[str, Any] = {}
    for one in benches:
        if one.store is None:
            sources.append(Elsewhere(one.name, one.address or ""))
            continue
        path = f"{_BENEATH}/{_path_of(one.name, beneath)}"
        sources.append(StoreHere(one.name, one.store, f"{path}/", clock, every_s))
        beneath[path] = create_app(
            one.store,
            clock,
            access.beneath(path),
            shop=shop,
            setups=setups or (one.setup.parent if one.setup else None),
            seats=seats,
            above=f"{access.root}{_BENCHES}",
            named=one.name,
        ).server
    overview = Overview(sources, clock)

    def page(path: str) -> tuple[list[Any], list[Any]]:
        if path.rstrip("/") in ("", _BENCHES):
            return benches_page.layout(collected=False), _ways(_BENCHES, _TO_BENCHES)
        missing = Absent(_NO_PAGE, "All benches are on Benches, above, and each leads to its own pages.")
        return [parts.nothing(missing)], _ways("", _TO_BENCHES)

    app, server = _framed(access)
    _register(app, page)
    benches_page.register(app, overview)
    alarm.register(app, server, overview.calls)
    _secure(app, server)
    _mount(server, access.root, beneath)
    return app


def _path_of(name: str, taken: Collection[str]) -> str:
    """Return a bench's name as a part of an address, its own."""
    plain = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "bench"
    tries = (plain if k == 1 else f"{plain}-{k}" for k in count(1))
    return next(one for one in tries if f"{_BENEATH}/{one}" not in taken)


def _mount(server: Flask, root: str, beneath: Mapping[str, Any]) -> None:
    """Hand what is asked for beneath one of these paths to its server, whether a proxy takes `root` off."""
    rest: Any = server.wsgi_app

    def served(environ: dict[str, Any], start: Any) -> Any:
        path = str(environ.get("PATH_INFO", ""))
        own = path.removeprefix(root) if root and path.startswith(f"{root}/") else path
        first = "/".join(own.split("/", 3)[:3])
        if first not in beneath:
            return rest(environ, start)
        return beneath[first]({**environ, "PATH_INFO": own.removeprefix(first) or "/"}, start)

    server.wsgi_app = served  # type: ignore[method-assign, assignment]


def _framed(access: Access, named: str = "") -> tuple[Dash, Flask]:
    """Return an empty dashboard and its server, with what every page has."""
    server = Flask("dashboard")
    server.json = _Json(server)
    server.config.update(
        COMPRESS_MIMETYPES=[
            "text/html",
            "text/css",
            "text/javascript",
            "application/javascript",
            "application/json",
            "image/svg+xml",
        ],
        MAX_CONTENT_LENGTH=MOST_BYTES,
    )
    server.extensions[_ACCESS] = access
    access.register(server)
    Compress(server)
    app = _Pages(
        access,
        __name__,
        server=cast(Any, server),
        assets_folder=str(Path(__file__).parent / "assets"),
        serve_locally=True,
        title="soakbench",
        update_title="",
        index_string=_INDEX.replace("{icon}", f"{access.root}/assets/favicon.svg"),
        requests_pathname_prefix=f"{access.root}/",
        routes_pathname_prefix="/",
        suppress_callback_exceptions=True,
        enable_mcp=False,
        meta_tags=[
            {"name": "viewport", "content": "width=device-width, initial-scale=1"},
            {"name": "color-scheme", "content": "light dark"},
        ],
    )
    app.layout = _frame(named, locked=access.locked)
    _serve_plotly(server)
    return app, server


class _Json(DefaultJSONProvider):
    """JSON that is nested too deep to be read is none, and no fault of ours."""

    def loads(self, s: str | bytes, **kwargs: Any) -> Any:
        """Read JSON; ValueError where it is none."""
        try:
            return super().loads(s, **kwargs)
        except RecursionError:
            raise ValueError("nested too deep") from None


class _Pages(Dash):
    """Dash whose page tells its scripts who looks at it."""

    def __init__(self, access: Access, *arguments: Any, **options: Any) -> None:
        self._access = access
        super().__init__(*arguments, **options)

    def interpolate_index(self, metas: Any = "", *others: Any, **named: Any) -> Any:
        """Return the page that holds all others."""
        whole: Any = super().interpolate_index
        return whole(metas + self._access.metas(), *others, **named)


def _frame(named: str, *, locked: bool) -> html.Div:
    """Return what stands around every page; `named`: which of several benches it is of."""
    out: list[Any] = []
    if locked:
        leave: dict[str, Any] = {"data-does": "log-out"}
        out = [
            html.Span("view only", className="view-only"),
            html.Button("Log out", type="button", className="key", **leave),
        ]
    return html.Div(
        [
            dcc.Location(id="address", refresh="callback-nav"),
            dcc.Store(id="screen"),
            dcc.Store(id="title"),
            html.A("Skip to the page", href="#page", className="skip"),
            html.Header(
                [
                    html.Span(
                        ["soakbench", *([html.Span(named, className="bench-of")] if named else [])],
                        className="wordmark",
                    ),
                    html.Nav(id="ways", **spoken("Pages")),
                    alarm.switch(),
                    parts.unit_key(),
                    *out,
                ],
                className="top",
            ),
            html.Main(id="page", tabIndex="-1"),
        ],
        className="frame",
    )


def _register(app: Dash, page_of: Callable[[str], tuple[list[Any], list[Any]]]) -> None:
    @app.callback(
        Output("page", "children"),
        Output("ways", "children"),
        Output("title", "data", allow_duplicate=True),
        Input("address", "pathname"),
        prevent_initial_call="initial_duplicate",
    )
    def show(path: str | None) -> tuple[Any, Any, Any]:
        page, ways = page_of((path or "/").removeprefix(request.script_root))
        titled = no_update if any(hasattr(way, "className") for way in ways) else f"{_NO_PAGE} · soakbench"
        return page, ways, titled

    in_browser: Any = app.clientside_callback
    in_browser(ClientsideFunction("soakbench", "setTitle"), Output("title", "id"), Input("title", "data"))
    in_browser(ClientsideFunction("soakbench", "watchWidth"), Output("screen", "data"), Input("screen", "id"))


def page_at(path: str) -> tuple[list[Any], list[Any]]:
    """Return the page at an address and the ways to the others."""
    parts_of = [part for part in path.split("/") if part]
    match parts_of:
        case []:
            page, here = live.layout(), "/"
        case ["bias"]:
            page, here = bias.layout(), "/bias"
        case ["soak"] | ["soak", "last"]:
            page, here = soak_page.layout("last"), "/soak/last"
        case ["soak", number] if _number(number):
            page, here = soak_page.layout(int(number)), "/soak/last"
        case ["jobs"] | ["jobs", "all"]:
            page, here = jobs.layout(every=len(parts_of) > 1), "/jobs"
        case ["valves", *rest] if all(map(_number, rest)):
            page, here = record.layout(parts_of), "/jobs"
        case ["jobs", "new"]:
            page, here = record.layout(parts_of), "/jobs"
        case ["jobs", number, _, *_] if _number(number):
            page, here = record.layout(parts_of), "/jobs"
        case ["jobs", number] if _number(number):
            page, here = jobs.job_layout(int(number)), "/jobs"
        case ["setup"]:
            page, here = setup_page.layout(), "/setup"
        case ["setup", name]:
            page, here = setup_page.file_layout(unquote(name)), "/setup"
        case ["compare"]:
            page, here = compare.layout(), "/compare"
        case ["compare", *numbers] if 1 < len(numbers) <= compare.MOST and all(map(_number, numbers)):
            page, here = compare.soaks_layout([int(number) for number in numbers]), "/compare"
        case ["across"]:
            page, here = across.layout(), "/compare"
        case ["across", number] if _number(number):
            page, here = across.layout(int(number)), "/compare"
        case _:
            *first, last = (name for name, _ in _WAYS)
            named = f"{', '.join(first)} and {last}"
            missing = Absent(_NO_PAGE, f"The pages are {named}, above.")
            page, here = [parts.nothing(missing)], ""
    return page, _ways(here, _WAYS)


def _ways(here: str, ways: Sequence[tuple[str, str]]) -> list[Any]:
    out: list[Any] = []
    for name, href in ways:
        current: dict[str, Any] = {"className": "here"} if href == here else {}
        out.append(dcc.Link(name, href=parts.href(href), **current))
    return out


def _number(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 10


def _serve_plotly(server: Flask) -> None:
    """Serve the small bundle of the plotly.js that Dash has: all we draw is lines, and the whole one takes a
    browser most of a second to read.
    """

    @server.get("/_dash-component-suites/plotly/package_data/plotly.min.js")
    def plotly() -> Response:
        return send_file(PLOTLY, mimetype="text/javascript", conditional=True, max_age=3600)


def _secure(app: Dash, server: Flask) -> None:
    """Send the headers that keep foreign scripts, frames and hosts out; after all callbacks exist."""
    scripts = " ".join(["'self'", *app.csp_hashes()])
    policy = "; ".join(
        [
            "default-src 'self'",
            f"script-src {scripts}",
            "style-src 'self' 'unsafe-inline'",  # the charts set styles of their own
            "img-src 'self' data: blob:",
            "font-src 'self'",
            "connect-src 'self'",
            "object-src 'none'",
            "base-uri 'none'",
            "form-action 'none'",
            "frame-ancestors 'none'",
        ]
    )

    @server.after_request
    def add_headers(response: Response) -> Response:
        if response.mimetype not in _DATA:
            response.headers.setdefault("Content-Security-Policy", policy)
        response.headers["X-Content-Type-Options"] = "nosniff"
        # "no-referrer" would hide from ourselves where the form to log in came from
        response.headers["Referrer-Policy"] = "same-origin"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        return response


def make_server(
    app: Dash, host: str = DEFAULT_HOST, port: int = DEFAULT_PORT, speaks: ssl.SSLContext | None = None
) -> Any:
    """Bind the address and return a server: `.run()` serves, `.close()` ends; port 0 = any free.

    `speaks` is TLS, where it should (`tls.context`). Raises RequestError where the address can't be had, or
    where it would need a password.
    """
    access: Access = app.server.extensions[_ACCESS]
    access.may_be_served_at(host)
    listening = _taken(host, port)
    if speaks is None:
        return _server(app.server, listening)
    told = tls.Told()
    behind = _server(told.before(app.server), _taken(DEFAULT_HOST, 0))
    listening.listen(128)
    return tls.Front(listening, speaks, behind, told)


def _taken(host: str, port: int) -> socket.socket:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host.strip("[]"), port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        # The port is taken here rather than by waitress, which leaves things open where that fails.
        listening = socket.socket(family, kind, protocol)
        try:
            if os.name == "posix":  # elsewhere this would let two programs have one port
                listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind(address)
        except OSError:
            listening.close()
            raise
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            raise RequestError(
                f"port {port} on {host} is taken: end the program that has it, or name another with --port"
            ) from error
        raise RequestError(
            f"the dashboard can't be reached at {host}, port {port} ({error.strerror or error}): "
            "name another with --host and --port"
        ) from error
    return listening


def _server(app: Any, listening: socket.socket) -> Any:
    # A page asks for several things at once, and a queue of a few is nothing to tell a technician of.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    return create_server(
        app,
        sockets=[listening],
        threads=8 + Feed.MOST,  # whoever watches Bias keeps one
        connection_limit=tls.MOST,
        asyncore_use_poll=hasattr(select, "poll"),  # select() ends at 1,024 files, and Windows has no other
        ident="soakbench",
        max_request_body_size=_MOST_BODY,
        clear_untrusted_proxy_headers=False,  # `Access` decides
        # plotly.js has some MB: above this waitress puts an answer on disk, and leaves the file to the
        # collector where the browser goes away meanwhile
        outbuf_overflow=_ANSWER_IN_MEMORY,
    )


def serve(app: Dash, host: str = DEFAULT_HOST, port: int = DEFAULT_PORT) -> None:
    """Serve the dashboard until interrupted."""
    make_server(app, host, port).run()
