"""The tables of docs/speed.md, from `results.json`: between their markers nothing is written by hand.

python -m benchmarks.tables
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

from benchmarks.lines import Line, met, spread
from benchmarks.measure import PARTS, load

PAGE: Final = Path(__file__).parents[1] / "docs" / "speed.md"
_BUSY: Final = 1.0
"""A load above it before a part began is told: others may have had the cores too."""


def written(text: str, kept: dict[str, Any]) -> str:
    """Return a page's text with its tables made anew; ValueError where a marker names no table."""

    def table(found: re.Match[str]) -> str:
        if found[1] not in _TABLES:
            raise ValueError(f"there is no table {found[1]!r}: there are {', '.join(_TABLES)}")
        return f"<!-- make bench: {found[1]} -->\n{_TABLES[found[1]](kept)}<!-- /make bench -->"

    return re.sub(r"<!-- make bench: (\w+) -->\n.*?<!-- /make bench -->", table, text, flags=re.S)


def goals(kept: dict[str, Any]) -> str:
    """Every line that has a goal, of the parts that time something."""
    lines = [one for _, one in _lines(kept) if one["goal"] is not None]
    return _when(kept) + _table(
        ("what", "measured", "goal"),
        ((one["name"], _value(one), f"{_wanted(one)}{'' if met(one) else ', **missed**'}") for one in lines),
    )


def growth(kept: dict[str, Any]) -> str:
    """How cost grows, as exponents; and how soon the commands answer."""
    lines = [one for _, one in _lines(kept) if one["unit"] == "exponent"]
    rows = [(one["name"], f"{one['value']:g} ({spread(one)})", one.get("means", "")) for one in lines]
    starts = sorted((one for _, one in _lines(kept) if one["name"].startswith("start of ")), key=_size)
    for which, one in zip(("quickest", "slowest"), (starts[:1] + starts[-1:]), strict=False):
        name = one["name"].removeprefix("start of ").removesuffix(" over python -c pass")
        rows.append((f"{which} start: `{name} --help`", _value(one), f"bare Python is 1; {one['means']}"))
    return _when(kept) + _table(("what", "exponent", "means"), rows)


_TABLES: Final = {"goals": goals, "growth": growth}


def _lines(kept: dict[str, Any]) -> list[tuple[str, Line]]:
    parts = [one.name for one in PARTS if one.group == "speed" and one.name in kept["parts"]]
    return [(part, one) for part in parts for one in kept["parts"][part]["lines"]]


def _size(one: Line) -> float:
    return float(one["value"])


def _when(kept: dict[str, Any]) -> str:
    """Say when, on what kind of machine, how busy it was, and what is owed."""
    parts = [kept["parts"][part] for part in dict.fromkeys(part for part, _ in _lines(kept))]
    if not parts:
        return "Not measured yet: `make bench`.\n"
    dates = sorted({one["date"] for one in parts})
    busy = max(one["load"] for one in parts)
    others = ""
    if busy > _BUSY:
        others = f"; its load was up to {busy:g} when a part began, the parts' own before it counted in"
    names = {one.name for one in PARTS if one.group == "speed"}
    missing = [one.name for one in PARTS if one.name in names - kept["parts"].keys()]
    owed = f" Not measured there: {', '.join(missing)}." if missing else ""
    machines = "; ".join(dict.fromkeys(one["machine"] for one in parts))
    when = " to ".join(dict.fromkeys((dates[0], dates[-1])))
    return f"`make bench`, {when}, virtual machine: {machines}{others}.{owed}\n\n"


def _value(one: Line) -> str:
    return f"{one['value']:g} {one['unit']} ({spread(one)})".replace(" ratio", " times")


def _wanted(one: Line) -> str:
    return f"{'at least' if one['better'] == 'more' else 'at most'} {one['goal']:g}"


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    listed = [head, ("---",) * len(head), *rows]
    return "".join(f"| {' | '.join(cell.replace('|', '/') for cell in row)} |\n" for row in listed)


def main() -> None:
    """Write the page."""
    PAGE.write_text(written(PAGE.read_text(encoding="utf-8"), load()), encoding="utf-8")


if __name__ == "__main__":
    main()
