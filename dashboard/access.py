"""Who may look and who may change: one object a server, asked at the top of every address that changes.

A page of another site must not act in a person's name. So a change needs the token that only our own pages
hold, in a header that a form can't send, and comes from our own address.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from http import HTTPStatus
from typing import TYPE_CHECKING, Final

from flask import request

if TYPE_CHECKING:
    from collections.abc import Iterable
    from wsgiref.types import StartResponse, WSGIApplication, WSGIEnvironment

HEADER: Final = "X-Soakbench-Token"
META: Final = "soakbench-token"
ROOT_META: Final = "soakbench-root"
"""The names of the page's meta elements that hold the token, and the sub-path."""


class Access:
    """Says of each request whether it may change anything."""

    def __init__(self) -> None:
        self.token: Final = secrets.token_urlsafe(24)

    def refusal(self) -> tuple[str, HTTPStatus] | None:
        """Say why the request that is being answered may change nothing; None where it may."""
        try:
            here = ipaddress.ip_address(request.remote_addr or "").is_loopback
        except ValueError:
            here = False
        if not here:
            return "requests are taken from this machine only", HTTPStatus.FORBIDDEN
        own = request.headers.get("Origin") == request.host_url.rstrip("/")
        if not own or request.headers.get("Sec-Fetch-Site", "same-origin") != "same-origin":
            return "requests are taken from this dashboard's own pages only", HTTPStatus.FORBIDDEN
        if not hmac.compare_digest(request.headers.get(HEADER, "").encode(), self.token.encode()):
            stale = "this page is older than the dashboard that serves it: load it again"
            return stale, HTTPStatus.FORBIDDEN
        return None


def under(root: str, app: WSGIApplication) -> WSGIApplication:
    """Return the application as it is under a sub-path, whether the proxy takes that off or leaves it."""

    def served(environ: WSGIEnvironment, start: StartResponse) -> Iterable[bytes]:
        path = str(environ.get("PATH_INFO", ""))
        if path == root or path.startswith(f"{root}/"):
            environ["PATH_INFO"] = path.removeprefix(root) or "/"
        environ["SCRIPT_NAME"] = root
        return app(environ, start)

    return served if root else app
