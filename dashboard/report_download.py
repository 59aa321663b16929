"""A job's report over the wire, made when it is asked for, in a process of its own.

The pages stay quick meanwhile: drawing and printing keep one core busy for some seconds, and the screens that
watch a bench are served from here.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import threading
from http import HTTPStatus
from pathlib import Path
from typing import Final

from flask import Flask, Response, request

from dashboard.report_files import KINDS, PAPERS
from logger.errors import SoakbenchError
from logger.store.reader import Reader

_MIMETYPES: Final = {"pdf": "application/pdf", "html": "text/html", "png": "image/png"}
_MOST_WAITING: Final = 3
_LONGEST_S: Final = 120.0


def register(server: Flask, reader: Reader, shop: Path | None) -> None:
    """Add `/jobs/N/report.pdf` (`?paper=letter`), `.html` and `.png`; `shop`: the file of the shop's name.

    What can't be made is answered with one sentence as plain text: 404, or 503 where too many wait already.
    """
    waiting = threading.BoundedSemaphore(_MOST_WAITING)
    one_at_a_time = threading.Lock()

    @server.get("/jobs/<int:number>/report.<kind>")
    def report(number: int, kind: str) -> Response:
        paper = request.args.get("paper", PAPERS[0])
        if f".{kind}" not in KINDS or paper not in PAPERS:
            return _said("a report is a PDF on A4 or Letter, one HTML page or a PNG", HTTPStatus.NOT_FOUND)
        if not waiting.acquire(blocking=False):
            busy = "other reports are being made: ask again in some seconds"
            return _said(busy, HTTPStatus.SERVICE_UNAVAILABLE)
        try:
            with one_at_a_time, tempfile.TemporaryDirectory(prefix="soakbench-report-") as folder:
                out = Path(folder, f"job{number}.{kind}")
                fault = _make(reader, number, out, paper, shop)
                if fault:
                    return _said(fault, HTTPStatus.NOT_FOUND)
                answer = Response(out.read_bytes(), mimetype=_MIMETYPES[kind])
        finally:
            waiting.release()
        answer.headers["Content-Disposition"] = f'attachment; filename="job{number}.{kind}"'
        answer.headers["Cache-Control"] = "no-store"
        return answer


def _make(reader: Reader, number: int, out: Path, paper: str, shop: Path | None) -> str:
    """Make a report; return why it was not, empty where it was."""
    try:
        store = reader.path
    except SoakbenchError as error:
        return str(error)
    words = ["report", "--job", str(number), "--out", str(out), "--paper", paper, "--db", str(store)]
    if shop is not None:
        words += ["--shop", str(shop)]
    try:
        done = subprocess.run(
            [sys.executable, "-m", "soakbench", *words],
            capture_output=True,
            text=True,
            timeout=_LONGEST_S,
            stdin=subprocess.DEVNULL,
        )
    except subprocess.TimeoutExpired:
        return f"the report took longer than {_LONGEST_S:.0f} s and was given up"
    if done.returncode == 0 and out.exists():
        return ""
    lines = [line for line in done.stderr.splitlines() if line.startswith("soakbench: ")]
    return lines[-1].removeprefix("soakbench: ") if lines else "the report could not be made"


def _said(sentence: str, status: HTTPStatus) -> Response:
    text = f"{sentence[:1].upper()}{sentence[1:]}."
    return Response(text, status=status, mimetype="text/plain")
