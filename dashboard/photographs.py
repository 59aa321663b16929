"""The store's photographs over the wire: asked for by checksum, never by a name or a path."""

from __future__ import annotations

import hashlib
import io
import re
from typing import Final

from flask import Flask, Response, abort

from dashboard import pictures
from dashboard.bench import Absent, Bench
from dashboard.pages import parts
from logger.errors import RequestError
from logger.jobs import Photograph
from logger.store import photographs

SMALL_PX: Final = 720
"""The longer side of a small one, as a page shows it."""
_CHECKSUM: Final = re.compile("[0-9a-f]{64}")


def address(photograph: Photograph, *, small: bool = False) -> str:
    """Return where a photograph is served."""
    return parts.href(f"/photographs/{photograph.checksum}{'/small' if small else ''}")


def register(server: Flask, bench: Bench) -> None:
    """Add the addresses: the file as it was added, and a small JPEG of it without the camera's notes."""

    @server.get("/photographs/<checksum>")
    def whole(checksum: str) -> Response:
        found, data = _file(bench, checksum)
        return _answer(data, found.kind, found.file)

    @server.get("/photographs/<checksum>/small")
    def small(checksum: str) -> Response:
        _, data = _file(bench, checksum)
        less = pictures.photograph(io.BytesIO(data), SMALL_PX)
        if less is None:
            abort(404)
        return _answer(less, "jpeg", f"{checksum}-small.jpg")


def _file(bench: Bench, checksum: str) -> tuple[Photograph, bytes]:
    """Return a photograph that stands in a job's record, with its bytes; else the answer is 404.

    The name only ever picks a row, and what the file holds must be what was added: neither another path nor
    a file that was put in its place gets out.
    """
    if _CHECKSUM.fullmatch(checksum) is None:
        abort(404)
    listed = bench.read(lambda reader: reader.photographs(), _NO_RECORD)
    here = [] if isinstance(listed, Absent) else listed
    found = next((one for one in here if one.checksum == checksum and one.deleted is None), None)
    if found is None:
        abort(404)
    try:
        data = photographs.read(bench.reader.path, found).data
    except (OSError, RequestError):  # a collected store has none
        abort(404)
    if hashlib.sha256(data).hexdigest() != checksum:
        abort(404)
    return found, data


_NO_RECORD: Final = Absent("No photographs", "")


def _answer(data: bytes, kind: str, name: str) -> Response:
    response = Response(data, mimetype=f"image/{kind}")
    response.headers["Content-Disposition"] = f'inline; filename="{name}"'
    response.headers["Cache-Control"] = "private, max-age=86400, immutable"  # its name is its content
    return response
