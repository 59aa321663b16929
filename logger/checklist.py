"""Checklist templates: TOML into the items that a job begins with, one for each pair or socket where asked.

The file is `soakbench.checklist/1`, as `checklists.toml` of this package has several. Nothing in a template
is a limit that soakbench made up: what a person reads is noted, local codes judge it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from functools import cache
from importlib import resources
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from logger import toml_lines
from logger.bench_readings import grid_leak_limit
from logger.errors import RequestError
from logger.setup import Setup

Line = Annotated[str, Field(min_length=1, max_length=500)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Item(_Table):
    """One item; `{name}` in `what` is the pair's or socket's name, `{grid_leak}` the sheet's limit."""

    section: Line
    what: Line
    asks: str = ""
    each: Literal["", "pair", "socket"] = ""
    caution: str = ""


class Checklist(_Table):
    """A template."""

    name: Line
    title: str = ""
    item: Annotated[list[Item], Field(min_length=1, max_length=500)]


class _File(_Table):
    checklist: Annotated[list[Checklist], Field(min_length=1)]


@cache
def templates() -> dict[str, Checklist]:
    """Return the templates of this package, by name."""
    text = resources.files("logger").joinpath("checklists.toml").read_text(encoding="utf-8")
    return {one.name: one for one in _File.model_validate(toml_lines.loads(text)).checklist}


def parse(text: str, path: str) -> Checklist:
    """Read a template of a person's own; RequestError says what is wrong with it, and where."""
    try:
        raw = toml_lines.loads(text)
        found = _File.model_validate(raw)
    except tomllib.TOMLDecodeError as error:
        raise RequestError(f"the checklist {path} is no TOML: {error}") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part + 1) if isinstance(part, int) else part for part in first["loc"])
        raise RequestError(f"the checklist {path} is wrong at {where}: {first['msg']}") from error
    if len(found.checklist) > 1:
        raise RequestError(f"{path} has {len(found.checklist)} checklists: leave one in the file")
    return found.checklist[0]


def items(
    template: Checklist, setup: Setup | None = None, sockets: Sequence[str] = (), sharing: int = 1
) -> list[dict[str, str]]:
    """Return the items for one amp: its pairs and sockets are the set-up's, unless `sockets` names them.

    `sharing`: how many valves are on one grid leak. Where no names are known there is one item for all.
    """
    pairs = [] if setup is None else [channel.label for channel in setup.pairs]
    known = list(sockets) or [name for channel in (setup.pairs if setup else []) for name in channel.sockets]
    limit = ""
    if setup is not None:
        amp = setup.amp
        limit = (
            ": "
            + grid_leak_limit(
                amp.valve,
                bias=amp.bias,
                operating_class=amp.operating_class,
                sheet=amp.sheet,
                sharing=sharing,
            ).says
        )
    found = []
    for item in template.item:
        names = {"pair": pairs or ["each pair"], "socket": known or ["each socket"]}.get(item.each, [""])
        for name in names:
            what = item.what.replace("{name}", name).replace("{grid_leak}", limit)
            found.append({"section": item.section, "what": what, "asks": item.asks, "caution": item.caution})
    return found
