"""What a page asks of the running daemon: one address, through the store, answered as done or refused.

A page of another site must not ask in a person's name. So a request needs the token that only our own pages
hold, in a header that a form can't send, and comes from our own address; from this machine only, as all is
served. What can be asked is what `soakbench request` can: nothing here closes a cut-out.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from http import HTTPStatus
from pathlib import Path
from typing import Any, Final

from flask import Flask, Response, jsonify, request

from logger.clock import Clock
from logger.errors import NotReached, RequestError
from logger.requests import Ask
from logger.store.asking import ask_daemon

ADDRESS: Final = "/ask"
HEADER: Final = "X-Soakbench-Token"
META: Final = "soakbench-token"
"""The name of the page's meta element that holds the token."""


def new_token() -> str:
    """Return a token that nobody can guess; one a server."""
    return secrets.token_urlsafe(24)


def register(server: Flask, store: Path, clock: Clock, token: str) -> None:
    """Add the address that takes `{"ask": ..., "text": ...}` and answers `{"state": ..., "reason": ...}`.

    `state` is done, refused, or not reached; `reason` says why, empty where it is done.
    """

    @server.post(ADDRESS)
    def ask() -> tuple[Response, int]:
        stranger = _stranger(token)
        if stranger:
            return jsonify(state="refused", reason=stranger), HTTPStatus.FORBIDDEN
        wanted: Any = request.get_json(silent=True)
        try:
            what, text = Ask(wanted["ask"]), wanted["text"]
            if not isinstance(text, str):
                raise TypeError
        except (KeyError, TypeError, ValueError):
            every = ", ".join(Ask)
            reason = f"it takes an object with ask (one of {every}) and text"
            return jsonify(state="refused", reason=reason), HTTPStatus.BAD_REQUEST
        try:
            answer = ask_daemon(store, what, text, clock)
        except RequestError as error:
            return jsonify(state="refused", reason=str(error)), HTTPStatus.OK
        except NotReached as error:
            return jsonify(state="not reached", reason=str(error)), HTTPStatus.OK
        return jsonify(state=answer.state, reason=answer.reason or ""), HTTPStatus.OK


def _stranger(token: str) -> str:
    """Say why whoever asks is none of our pages; empty where it is one."""
    try:
        here = ipaddress.ip_address(request.remote_addr or "").is_loopback
    except ValueError:
        here = False
    if not here:
        return "requests are taken from this machine only"
    if request.headers.get("Origin") != request.host_url.rstrip("/"):
        return "requests are taken from this dashboard's own pages only"
    if request.headers.get("Sec-Fetch-Site", "same-origin") != "same-origin":
        return "requests are taken from this dashboard's own pages only"
    if not hmac.compare_digest(request.headers.get(HEADER, "").encode(), token.encode()):
        return "this page is older than the dashboard that serves it: load it again"
    return ""
