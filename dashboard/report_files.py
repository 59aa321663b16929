"""A report as a file: PDF/A-1b, one self-contained HTML, or the chart alone as a PNG.

What stands in it is `Report`, words and pictures that others made. Its words are data and never markup: typst
gets them as JSON, the HTML's template escapes each.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import tempfile
import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from importlib import resources
from pathlib import Path
from typing import Any, Final, Literal, TypeVar

from dashboard.report_chart import font_folder, printable
from logger.errors import FileExistsAlready, RequestError, SoakbenchError

Json = dict[str, Any]
_T = TypeVar("_T")
Paper = Literal["a4", "letter"]
PAPERS: Final = ("a4", "letter")
KINDS: Final = (".pdf", ".html", ".png")


@dataclass(frozen=True)
class Report:
    """What stands in a report. `charts`: SVG by name; `pictures`: PNG or JPEG bytes by file name."""

    words: Json
    charts: Mapping[str, str]
    printed: datetime
    pictures: Mapping[str, bytes] = field(default_factory=dict)


def on_paper(value: _T) -> _T:
    """Make every text in a value printable, and long words such that a line can break in them."""
    out: Any = value
    if isinstance(value, str):
        out = " ".join(
            word if len(word) <= 24 else "\u200b".join(word[i : i + 12] for i in range(0, len(word), 12))
            for word in printable(value).split()
        )
    elif isinstance(value, Mapping):
        out = {key: on_paper(part) for key, part in value.items()}
    elif isinstance(value, Sequence):
        out = [on_paper(part) for part in value]
    return out  # type: ignore[no-any-return]


# ------------------------------------------------------------------ PDF


def compile_pdf(report: Report, paper: Paper = "a4") -> bytes:
    """Print a report as PDF/A-1b: fonts within, nothing fetched.

    SoakbenchError where the compiler fails or only warns: a missing font would go unnoticed.
    """
    import typst

    with tempfile.TemporaryDirectory(prefix="soakbench-report-") as folder:
        main = Path(folder, "report.typ")
        main.write_bytes(resources.files("dashboard").joinpath("report.typ").read_bytes())
        words = json.dumps({**report.words, "paper": paper}, ensure_ascii=False)
        Path(folder, "words.json").write_text(words, encoding="utf-8")
        for name, svg in report.charts.items():
            Path(folder, f"{name}.svg").write_text(svg, encoding="utf-8")
        for name, data in report.pictures.items():
            Path(folder, name).write_bytes(data)
        try:
            result, warnings = typst.compile_with_warnings(
                main,
                root=main.parent,
                font_paths=[font_folder()],
                ignore_system_fonts=True,
                format="pdf",
                pdf_standards="a-1b",
                timestamp=int(report.printed.timestamp()),
            )
        except RuntimeError as error:
            raise SoakbenchError(f"the report can't be printed: {error}") from error
    if warnings:
        said = "; ".join(str(warning) for warning in warnings)
        raise SoakbenchError(f"the report can't be printed as it should: {said}")
    return bytes(result)


# ------------------------------------------------------------------ HTML

_SVG: Final = "http://www.w3.org/2000/svg"
_XLINK: Final = "http://www.w3.org/1999/xlink"


def page_html(report: Report) -> str:
    """Return a report as one HTML file that points to nothing outside and has no script.

    Its policy allows its own style sheet, by its hash, and pictures that are in the file, nothing else.
    """
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    here = resources.files("dashboard")
    style = here.joinpath("report.css").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = environment.from_string(here.joinpath("report.html").read_text(encoding="utf-8"))
    alts = _alts(report.words)
    return template.render(
        **{**dict.fromkeys(("customer", "job")), **report.words},
        style=Markup(style),
        policy=f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'",
        charts={name: Markup(_inline(svg, name, alts.get(name, ""))) for name, svg in report.charts.items()},
        pictures={name: _data_url(name, data) for name, data in report.pictures.items()},
    )


def _alts(words: Json) -> dict[str, str]:
    """Return each chart's text for who can't see it, by the chart's name."""
    parts = [part for part in (words.get("customer"), *words["soaks"]) if part]
    return {part["chart"]["name"]: part["chart"]["alt"] for part in parts if part["chart"]}


def _data_url(name: str, data: bytes) -> str:
    kind = "png" if name.endswith(".png") else "jpeg"
    return f"data:image/{kind};base64,{base64.b64encode(data).decode()}"


def _inline(svg: str, name: str, alt: str) -> str:
    """Return a chart to stand within a page: no style of its own, names that no other chart has."""
    root = ET.fromstring(svg)
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{{{_SVG}}}style", f"{{{_SVG}}}metadata") or (
                child.tag == f"{{{_SVG}}}defs" and len(child) == 1 and child[0].tag == f"{{{_SVG}}}style"
            ):
                parent.remove(child)
    for part in root.iter():
        for key, value in _unstyled(part.attrib.pop("style", "")).items():
            part.set(key, value)
        if "id" in part.attrib:
            part.set("id", f"{name}-{part.get('id')}")
        for key, value in list(part.attrib.items()):
            if key == f"{{{_XLINK}}}href":
                del part.attrib[key]
                part.set("href", f"#{name}-{value.removeprefix('#')}")
            elif "url(#" in value:
                part.set(key, value.replace("url(#", f"url(#{name}-"))
    root.set("role", "img")
    root.set("aria-label", alt)
    root.set("stroke-linejoin", "round")
    root.set("stroke-linecap", "butt")
    for key in ("width", "height"):  # the page gives it its width
        root.attrib.pop(key, None)
    ET.register_namespace("", _SVG)
    return ET.tostring(root, encoding="unicode")


def _unstyled(style: str) -> dict[str, str]:
    """Return a style as attributes, which a page's policy allows."""
    out = {}
    for part in style.split(";"):
        key, _, value = (each.strip() for each in part.partition(":"))
        if key == "font":  # "bold 7px 'DejaVu Sans'"
            size = re.search(r"([\d.]+)px", value)
            if "bold" in value or "700" in value:
                out["font-weight"] = "bold"
            if size is not None:
                out["font-size"] = size.group(1)
        elif key:
            out[key] = value
    return out


# ------------------------------------------------------------------ files


def check_place(out: Path, *, force: bool) -> None:
    """Raise where a report can't be written there: FileExistsAlready, RequestError."""
    if out.suffix.lower() not in KINDS:
        raise RequestError(
            f"a report is a PDF, one HTML page or a PNG of the chart, and {out.name} is named otherwise: "
            f"name it {out.stem}.pdf, {out.stem}.html or {out.stem}.png"
        )
    if out.is_dir():
        raise RequestError(f"{out} is a folder: name a file")
    if out.exists() and not force:
        raise FileExistsAlready(out)
    if not out.parent.is_dir():
        raise RequestError(f"there is no folder {out.parent} to write {out.name} into: make it first")


def put(data: bytes, out: Path, *, force: bool) -> Path:
    """Write a file whole or not at all and return its path."""
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{out.name[:40]}.", suffix=".part", dir=out.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            Path(temporary).chmod(0o666 & ~_umask())
            check_place(out, force=force)
            Path(temporary).replace(out)
        finally:
            Path(temporary).unlink(missing_ok=True)
    except OSError as error:
        raise RequestError(f"{out} can't be written ({error.strerror}): name another place") from error
    return out


def _umask() -> int:
    """Return this process's mask for new files: a temporary file is private, a report is not."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask
