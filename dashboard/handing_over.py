"""A bench's store for a collector: read-only, over HTTP, to whoever has a token.

    GET /collected/1/stamps                 {"stamps": {UUID: stamp}, "record": stamp}
    GET /collected/1/record                 the job record
    GET /collected/1/part/UUID?got=JSON     a soak's next portion after what was got

A token opens these addresses and no others, and needs no log-in (`logger/store/tokens.py`).
"""

from __future__ import annotations

from http import HTTPStatus
from typing import Any, Final

from flask import Flask, Response, jsonify, request

from logger.errors import NotReached, RequestError
from logger.store.portion import (
    Got,
    fetch_part,
    fetch_record,
    fetch_record_stamp,
    fetch_stamps,
    got_from,
    to_json,
)
from logger.store.reader import Reader
from logger.store.tokens import Tokens

ADDRESS: Final = "/collected/1"
ENDPOINTS: Final = ("hand over stamps", "hand over record", "hand over part")
"""Flask's names of them: by these and no other sign they are known before a log-in."""


def register(server: Flask, reader: Reader) -> None:
    """Add the addresses."""

    def handed(what: Any) -> tuple[Response, int]:
        scheme, _, token = request.headers.get("Authorization", "").partition(" ")
        try:
            if scheme != "Bearer" or not Tokens(reader.path).opens(token.strip()):
                return jsonify(reason="there is no such token"), HTTPStatus.UNAUTHORIZED
            return jsonify(what()), HTTPStatus.OK
        except RequestError as error:
            return jsonify(reason=str(error)), HTTPStatus.NOT_FOUND
        except NotReached as error:
            return jsonify(reason=str(error)), HTTPStatus.SERVICE_UNAVAILABLE

    @server.get(f"{ADDRESS}/stamps", endpoint=ENDPOINTS[0])
    def stamps() -> tuple[Response, int]:
        return handed(
            lambda: {"stamps": reader.look(fetch_stamps), "record": reader.look(fetch_record_stamp)}
        )

    @server.get(f"{ADDRESS}/record", endpoint=ENDPOINTS[1])
    def record() -> tuple[Response, int]:
        return handed(lambda: reader.look(fetch_record))

    @server.get(f"{ADDRESS}/part/<uuid>", endpoint=ENDPOINTS[2])
    def part(uuid: str) -> tuple[Response, int]:
        def found() -> dict[str, Any]:
            got: Got = got_from(request.args.get("got", ""))
            return to_json(reader.look(lambda c: fetch_part(c, uuid, got)))

        return handed(found)
