"""Who may look and who may change: one object a server, asked before every answer and by every change.

On this machine only, everybody may do everything. Elsewhere, and behind a proxy, a person logs in: one
password may change, another only view. A page of another site must not act in a person's name either way: a
change needs a token that only our own pages hold, in a header that a form can't send, from our own address.

Sessions are kept in memory: a dashboard that is started again asks again. Time is the given clock's.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import logging
import re
import secrets
import socket
import threading
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote, urlsplit

from flask import Flask, Response, g, jsonify, make_response, redirect, render_template_string, request
from werkzeug.exceptions import BadHost, HTTPException, RequestEntityTooLarge
from werkzeug.middleware.proxy_fix import ProxyFix

from dashboard.handing_over import ENDPOINTS
from dashboard.passwords import MOST, Passwords, Role
from logger.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from wsgiref.types import StartResponse, WSGIApplication, WSGIEnvironment

    from logger.clock import Clock

_log: Final = logging.getLogger(__name__)

HEADER: Final = "X-Soakbench-Token"
META: Final = "soakbench-token"
"""The name of the page's meta element that holds the token."""
MOST_BYTES: Final = 1_000_000
"""What an address takes that names no other limit."""
LOG_IN: Final = "/log-in"
LOG_OUT: Final = "/log-out"
PER_ADDRESS: Final = 5
IN_ALL: Final = 20
WINDOW_S: Final = 600.0
"""So many wrong passwords an address, and from all addresses together, in so long."""
LASTS_S: Final = {Role.CHANGE: 24 * 3600.0, Role.VIEW: 30 * 24 * 3600.0}
"""How long a session lasts from the log-in on: what only views may hang on a wall."""
_MOST_SESSIONS: Final = 1000
_FORM_LASTS_S: Final = 3600
_OPEN: Final = (LOG_IN, "/assets/soakbench.css", "/assets/favicon.svg")
_ROOT: Final = re.compile(r"(/[A-Za-z0-9_~-][A-Za-z0-9._~-]*)+")
_FORWARDED: Final = ("Forwarded", "X-Forwarded-For", "X-Forwarded-Host")


@dataclass(frozen=True)
class Session:
    """Somebody who has logged in; `key`: of the password it was done with."""

    role: Role
    key: str
    ends_s: float
    token: str


class Attempts:
    """Wrong passwords of the last ten minutes. Who has had enough waits; his next one is not looked at."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._tries: list[tuple[float, str]] = []

    def wait_s(self, address: str) -> float:
        """Return 0 where an address may try, which is counted until `forgive`; else how long it must wait."""
        network, now_s = _network(address), self._clock.monotonic_s()
        with self._lock:
            self._tries = [one for one in self._tries if now_s - one[0] < WINDOW_S]
            own = [at_s for at_s, who in self._tries if who == network]
            full = own if len(own) >= PER_ADDRESS else [at_s for at_s, _ in self._tries]
            if len(own) >= PER_ADDRESS or len(self._tries) >= IN_ALL:
                return full[0] + WINDOW_S - now_s
            self._tries.append((now_s, network))
            return 0.0

    def forgive(self, address: str) -> None:
        """Take the newest try of an address back: it was the right password."""
        network = _network(address)
        with self._lock:
            for at in reversed(range(len(self._tries))):
                if self._tries[at][1] == network:
                    del self._tries[at]
                    return


class Access:
    """Says of each request who it is from, and whether it may change anything.

    `passwords`: None where the dashboard is served on this machine only. `names`: what browsers call it
    besides localhost and addresses in figures. `root`: the sub-path, as `/bench1`. `behind_proxy`: a proxy on
    this machine says who asks, and by what name.
    """

    def __init__(
        self,
        clock: Clock,
        passwords: Passwords | None = None,
        *,
        names: Sequence[str] = (),
        root: str = "",
        behind_proxy: bool = False,
    ) -> None:
        if behind_proxy and passwords is None:
            raise RequestError(f"behind a proxy the dashboard is served elsewhere too: {_NEEDS_ONE}")
        self.root = root.rstrip("/")
        if self.root and not _ROOT.fullmatch(self.root):
            raise RequestError(f"--path is a path as /bench1, of letters, digits and -._~, not {root!r}")
        self.locked: Final = passwords is not None
        self.behind_proxy: Final = behind_proxy
        self._passwords = passwords
        if passwords is not None:
            passwords.key(Role.CHANGE)  # a file that can't be used is said before anything is served
        self._clock = clock
        self._names = {"localhost", *(name.lower().rstrip(".") for name in names)}
        if self.locked:
            own = socket.gethostname().lower()
            self._names |= {own, f"{own}.local"}
        self._secret = secrets.token_bytes(32)
        self._attempts = Attempts(clock)
        self._lock = threading.Lock()
        self._sessions: dict[str, Session] = {}
        # Cookies know no ports: two benches of one machine must not end each other's sessions.
        store = str(passwords.path.absolute()) if passwords else ""
        self._cookie_path = self.root or "/"
        self._cookie = f"soakbench-{hashlib.sha256((store + self.root).encode()).hexdigest()[:8]}"

    def beneath(self, path: str) -> Access:
        """Return the same door for other pages of this server, under a path below: one log-in opens both."""
        found = copy(self)  # sessions, attempts and secret are the same objects
        found.root = f"{self.root}{path}"
        return found

    def may_be_served_at(self, host: str) -> None:
        """Raise RequestError where the dashboard may not be served at this address."""
        if self.behind_proxy and not loopback(host):
            raise RequestError(
                f"--behind-proxy is for a proxy on this machine, and at {host} others would reach the "
                "dashboard past it: leave --host at 127.0.0.1"
            )
        if not self.locked and not loopback(host):
            raise RequestError(f"at {host} others can reach the dashboard: {_NEEDS_ONE}")

    def called(self, host: str) -> str:
        """Return by what name a browser reaches the dashboard that is served at an address."""
        return socket.gethostname() if host in ("0.0.0.0", "::") else f"[{host}]" if ":" in host else host

    def refusal(self, at_most: int = MOST_BYTES) -> tuple[str, HTTPStatus] | None:
        """Say why the request that is being answered may change nothing; None where it may.

        To be called first at every address that changes anything, with how many bytes it takes at most.
        """
        refused = self._stranger()
        if not refused and self.role() is Role.VIEW:
            refused = (
                "you are logged in to view only: log out, and in again with the password that may change"
            )
        if refused:
            return refused, HTTPStatus.FORBIDDEN
        request.max_content_length = at_most  # who reads more gets RequestEntityTooLarge, which is answered
        return None

    def role(self) -> Role:
        """Return what whoever asks may do."""
        return Role.CHANGE if not self.locked else _session().role

    def metas(self) -> str:
        """Return what the page's scripts must know: the token, the sub-path, and what the person may do."""
        told = {"token": self._token(), "root": self.root, "role": self.role().value}
        return "".join(f'<meta name="soakbench-{name}" content="{text}">\n' for name, text in told.items())

    def register(self, server: Flask) -> None:
        """Stand before all of a server's addresses, and add those to log in and out."""
        server.before_request(self._enter)
        server.after_request(self._leave)
        server.register_error_handler(RequestEntityTooLarge, _refuse_long)
        server.get(LOG_IN)(self._show_log_in)
        server.post(LOG_IN)(self._log_in)
        server.post(LOG_OUT)(self._log_out)
        app: Any = under(self.root, server.wsgi_app)
        if self.behind_proxy:
            app = ProxyFix(app, x_for=1, x_proto=1, x_host=1)
        server.wsgi_app = app  # type: ignore[method-assign]

    # ---- before every answer

    def _enter(self) -> Any:
        if not self._called(request.host):
            name = urlsplit(f"//{request.host}").hostname or ""
            raise BadHost(f"This dashboard is not called {name}: if it is, start it with --name.")
        if not self.behind_proxy and any(name in request.headers for name in _FORWARDED) and not self.locked:
            return Response(
                "This dashboard is reached through a proxy, and was not told of one: start it with "
                "--behind-proxy.\n",
                HTTPStatus.FORBIDDEN,
                mimetype="text/plain",
            )
        if not self.locked:
            return None
        try:
            g.session = self._find(request.cookies.get(self._cookie, ""))
        except RequestError as error:
            return jsonify(state="refused", reason=str(error)), HTTPStatus.SERVICE_UNAVAILABLE
        # a collector has a token, which is looked at there
        if g.session is not None or request.path in _OPEN or request.endpoint in ENDPOINTS:
            return None
        if request.method == "GET" and "text/html" in request.headers.get("Accept", ""):
            return redirect(self._log_in_address(request.full_path.rstrip("?")), HTTPStatus.SEE_OTHER)
        return jsonify(state="refused", reason="log in first"), HTTPStatus.UNAUTHORIZED

    def _leave(self, response: Response) -> Response:
        # After a log-out nothing is shown again from what the browser kept, but for what is everybody's.
        if self.locked and not request.path.startswith(("/assets/", "/_dash-component-suites/")):
            response.headers["Cache-Control"] = "no-store"
        if g.get("session") is not None and response.is_streamed and not response.direct_passthrough:
            response.response = self._while_in(response.response, request.cookies.get(self._cookie, ""))
        return response

    def _while_in(self, pieces: Any, cookie: str) -> Iterator[Any]:
        """Return an answer that goes on, until the session ends that it was given to."""
        try:
            for piece in pieces:
                if self._find(cookie) is None:
                    return
                yield piece
        finally:
            if hasattr(pieces, "close"):
                pieces.close()

    def _called(self, host: str) -> bool:
        """Say whether we go by this name. A page of another site that has its own name lead here (DNS
        rebinding) gets nothing; an address in figures can't be led.
        """
        try:
            name = (urlsplit(f"//{host}").hostname or "").rstrip(".")
        except ValueError:
            return False
        if name in self._names:
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        return self.locked or address.is_loopback

    def _find(self, cookie: str) -> Session | None:
        """Return who asks; a session ends in time, at a log-out, and where its password was changed."""
        assert self._passwords is not None
        named = _digest(cookie)
        with self._lock:
            session = self._sessions.get(named)
        if session is None:
            return None
        here = session.ends_s > self._clock.monotonic_s() and hmac.compare_digest(
            session.key, self._passwords.key(session.role) or ""
        )
        if not here:
            with self._lock:
                self._sessions.pop(named, None)
        return session if here else None

    def _stranger(self) -> str:
        """Say why whoever asks is none of our pages; empty where it is one."""
        if not self.locked and not loopback(request.remote_addr or ""):
            return "requests are taken from this machine only"
        if not _from_here():
            return "requests are taken from this dashboard's own pages only"
        if not hmac.compare_digest(request.headers.get(HEADER, "").encode(), self._token().encode()):
            return "this page is older than the dashboard that serves it: load it again"
        return ""

    def _token(self) -> str:
        return _session().token if self.locked else self._made("token")

    def _made(self, of: str) -> str:
        return hmac.new(self._secret, of.encode(), "sha256").hexdigest()

    # ---- in and out

    def _log_in_address(self, to: str) -> str:
        return f"{self.root}{LOG_IN}" + (f"?to={quote(to, safe='/')}" if to != "/" else "")

    def _show_log_in(self) -> Any:
        to = request.args.get("to", "/")
        if not self.locked or g.session is not None:
            return redirect(self._way(to), HTTPStatus.SEE_OTHER)
        return self._form(to, _ENDED if "ended" in request.args else "", HTTPStatus.OK)

    def _log_in(self) -> Any:
        if not self.locked:
            return redirect(f"{self.root}/", HTTPStatus.SEE_OTHER)
        assert self._passwords is not None
        request.max_content_length = 10 * MOST
        to = request.form.get("to", "/")
        before = request.cookies.get(f"{self._cookie}-form", "")
        own = hmac.compare_digest(request.form.get("form", "").encode(), self._made(before).encode())
        if not _from_here() or not before or not own:
            return self._form(to, "This page was old, or not ours: try once more.", HTTPStatus.FORBIDDEN)
        address = request.remote_addr or ""
        wait_s = self._attempts.wait_s(address)
        if wait_s > 0:
            minutes = int(wait_s // 60) + 1
            said = f"Too many wrong passwords: wait {minutes} min, then try again."
            answer = self._form(to, said, HTTPStatus.TOO_MANY_REQUESTS)
            answer.headers["Retry-After"] = str(int(wait_s) + 1)
            return answer
        role = self._passwords.role_of(request.form.get("password", ""))
        key = None if role is None else self._passwords.key(role)
        if role is None or key is None:
            _log.warning("the dashboard was asked to let in %r, with a wrong password", address)
            return self._form(to, "That is not the password.", HTTPStatus.FORBIDDEN)
        self._attempts.forgive(address)
        return self._begin(role, key, self._way(to))

    def _begin(self, role: Role, key: str, way: str) -> Any:
        """Begin a session of its own name, whatever cookie came along, and go on."""
        name, now_s = secrets.token_urlsafe(32), self._clock.monotonic_s()
        session = Session(role, key, now_s + LASTS_S[role], secrets.token_urlsafe(24))
        with self._lock:
            for held in [held for held, one in self._sessions.items() if one.ends_s <= now_s]:
                del self._sessions[held]
            while len(self._sessions) >= _MOST_SESSIONS:
                del self._sessions[next(iter(self._sessions))]
            self._sessions.pop(_digest(request.cookies.get(self._cookie, "")), None)
            self._sessions[_digest(name)] = session
        answer = redirect(way, HTTPStatus.SEE_OTHER)
        self._set_cookie(answer, self._cookie, name, int(LASTS_S[role]), same_site="Lax")
        return answer

    def _log_out(self) -> Any:
        if not self.locked:
            return jsonify(state="refused", reason="nobody logs in here"), HTTPStatus.OK
        stranger = self._stranger()
        if stranger:
            return jsonify(state="refused", reason=stranger), HTTPStatus.FORBIDDEN
        with self._lock:
            self._sessions.pop(_digest(request.cookies.get(self._cookie, "")), None)
        answer = jsonify(state="done", reason="")
        self._set_cookie(answer, self._cookie, "", 0, same_site="Lax")
        return answer

    def _form(self, to: str, trouble: str, status: HTTPStatus) -> Response:
        """Return the page to log in on: a form and no script. Its token goes with a cookie of its own."""
        before = request.cookies.get(f"{self._cookie}-form", "")
        if not re.fullmatch(r"[\w-]{22}", before, re.ASCII):  # else of another tab, whose form stays good
            before = secrets.token_urlsafe(16)
        page = render_template_string(
            _PAGE, root=self.root, to=to, form=self._made(before), trouble=trouble, most=MOST
        )
        answer = make_response(page, status)
        answer.headers["Content-Security-Policy"] = (
            "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; "
            "frame-ancestors 'none'"
        )
        self._set_cookie(answer, f"{self._cookie}-form", before, _FORM_LASTS_S)
        return answer

    def _set_cookie(
        self, answer: Any, name: str, value: str, lasts_s: int, same_site: str = "Strict"
    ) -> None:
        # Lax for the session: a bookmark or a link in a message opens the page; nothing is changed by GET.
        answer.set_cookie(
            name,
            value,
            max_age=lasts_s,
            path=self._cookie_path,
            secure=request.is_secure,
            httponly=True,
            samesite=same_site,
        )

    def _way(self, to: str) -> str:
        """Return where to go on to: one of our own pages, whatever the address bar was made to say."""
        own = re.fullmatch(r"/(?![/\\])[\x21-\x5b\x5d-\x7e]*", to) is not None
        return f"{self.root}{to if own else '/'}"


def under(root: str, app: WSGIApplication) -> WSGIApplication:
    """Return the application as it is under a sub-path, whether the proxy takes that off or leaves it."""

    def served(environ: WSGIEnvironment, start: StartResponse) -> Iterable[bytes]:
        path = str(environ.get("PATH_INFO", ""))
        if path == root or path.startswith(f"{root}/"):
            environ["PATH_INFO"] = path.removeprefix(root) or "/"
        environ["SCRIPT_NAME"] = root
        return app(environ, start)

    return served if root else app


def _session() -> Session:
    session = g.session
    assert isinstance(session, Session), "only who has logged in gets here"
    return session


def _from_here() -> bool:
    own = request.headers.get("Origin") == request.host_url.rstrip("/")
    return own and request.headers.get("Sec-Fetch-Site", "same-origin") == "same-origin"


def loopback(address: str) -> bool:
    """Say whether an address is one that only this machine reaches."""
    try:
        return address == "localhost" or ipaddress.ip_address(address.strip("[]")).is_loopback
    except ValueError:
        return False


def _network(address: str) -> str:
    """Return what one person has of addresses: of IPv6 a whole /64."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address
    return address if found.version == 4 else str(ipaddress.ip_network((found, 64), strict=False))


def _digest(name: str) -> str:
    return hashlib.sha256(name.encode()).hexdigest()


def _too_long(at_most: int) -> str:
    size = f"{at_most / 1e6:.0f} MB" if at_most >= MOST_BYTES else f"{at_most / 1e3:.0f} kB"
    return f"what was sent is too long: at most {size} are taken here"


def _refuse_long(error: HTTPException) -> tuple[Response, int]:
    limit = request.max_content_length or MOST_BYTES
    return jsonify(state="refused", reason=_too_long(limit)), HTTPStatus.REQUEST_ENTITY_TOO_LARGE


_ENDED: Final = "You were logged out: nothing is shown or sounded here until somebody logs in."
_NEEDS_ONE: Final = "it needs a password first, which soakbench dash --set-password sets"

_PAGE: Final = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Log in · soakbench</title>
<link rel="icon" type="image/svg+xml" href="{{ root }}/assets/favicon.svg">
<link rel="stylesheet" href="{{ root }}/assets/soakbench.css">
</head>
<body>
<main class="frame log-in">
<h1>soakbench</h1>
{% if trouble %}<p class="trouble" role="alert">{{ trouble }}</p>{% endif %}
<form method="post" action="{{ root }}/log-in">
<input type="hidden" name="form" value="{{ form }}">
<input type="hidden" name="to" value="{{ to }}">
<input type="text" name="user" value="soakbench" autocomplete="username" hidden>
<label for="password">Password</label>
<input id="password" name="password" type="password" autocomplete="current-password" maxlength="{{ most }}"
  required autofocus>
<button class="key" type="submit">Log in</button>
</form>
</main>
</body>
</html>
"""
