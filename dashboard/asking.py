"""What a page asks of the running daemon: one address, through the store, answered as done or refused.

Who may ask, `dashboard/access.py` says. What can be asked is what `soakbench request` can: nothing here
closes a cut-out.
"""

from __future__ import annotations

from http import HTTPStatus
from typing import Any, Final

from flask import Flask, Response, jsonify, request

from dashboard.access import Access
from logger.clock import Clock
from logger.errors import NotReached, RequestError
from logger.requests import Ask
from logger.store.asking import ask_daemon
from logger.store.reader import Reader, Soak

ADDRESS: Final = "/ask"


def register(server: Flask, reader: Reader, clock: Clock, access: Access) -> None:
    """Add the address that takes `{"ask": ..., "text": ...}` and answers `{"state": ..., "reason": ...}`.

    `"soak"`, where it is sent, is the uuid of the soak that is meant: another one is not asked. `state` is
    done, refused, or not reached; `reason` says why, empty where it is done.
    """

    @server.post(ADDRESS)
    def ask() -> tuple[Response, int]:
        refused = access.refusal()
        if refused is not None:
            return jsonify(state="refused", reason=refused[0]), refused[1]
        wanted: Any = request.get_json(silent=True)
        try:
            what, text = Ask(wanted["ask"]), wanted["text"]
            meant = wanted.get("soak", "")
            if not isinstance(text, str) or not isinstance(meant, str):
                raise TypeError
        except (KeyError, TypeError, ValueError):
            every = ", ".join(Ask)
            reason = f"it takes an object with ask (one of {every}) and text"
            return jsonify(state="refused", reason=reason), HTTPStatus.BAD_REQUEST
        try:
            if meant and not _runs(reader.soak(), meant):
                reason = "this soak has ended, so nothing can be asked of it"
                return jsonify(state="refused", reason=reason), HTTPStatus.OK
            answer = ask_daemon(reader.path, what, text, clock)
        except RequestError as error:
            return jsonify(state="refused", reason=str(error)), HTTPStatus.OK
        except NotReached as error:
            return jsonify(state="not reached", reason=str(error)), HTTPStatus.OK
        return jsonify(state=answer.state, reason=answer.reason or ""), HTTPStatus.OK


def _runs(soak: Soak, uuid: str) -> bool:
    return soak.ended is None and soak.uuid == uuid
