"""TOML files: read within bounds, and in which line of a text each table, key and element stands.

The text is taken apart into statements by the library that reads it: a statement is the fewest lines, from
where the last one ended, that are TOML by themselves. So strings, comments and arrays over several lines need
no rules of our own.
"""

from __future__ import annotations

import pathlib
import tomllib
from typing import Any, Final

MOST_BYTES: Final = 1_000_000
"""No file that a person writes for us is as long."""

Path = tuple[str | int, ...]


def text_of(path: pathlib.Path) -> str:
    """Return a file's text; OSError, UnicodeDecodeError, or TOMLDecodeError where it is too long."""
    with path.open("rb") as opened:
        data = opened.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise tomllib.TOMLDecodeError(f"over {MOST_BYTES // 10**6} MB")
    return data.decode("utf-8-sig")


def loads(text: str) -> dict[str, Any]:
    """Read a TOML text; TOMLDecodeError where it is none, however it fails to be."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError:
        raise tomllib.TOMLDecodeError("nested too deep") from None
    except ValueError as error:  # a number of thousands of digits, a date that is none
        raise tomllib.TOMLDecodeError(str(error)) from error


def lines_of(text: str) -> dict[Path, int]:
    """Return the line, from 1, of each path: names of keys and tables, and places from 0 in arrays.

    What is inside an array or an inline table stands in its key's line, an array's element in its own where
    each begins one. TOMLDecodeError where the text is no TOML.
    """
    loads(text)
    rows = text.replace("\r\n", "\n").split("\n")
    found: dict[Path, int] = {}
    arrays: dict[Path, int] = {}  # tables of tables: how many there are so far
    table: Path = ()
    at = 0
    while at < len(rows):
        if not rows[at].strip() or rows[at].lstrip().startswith("#"):
            at += 1
            continue
        first = at
        while (statement := _ended(rows, first, at)) is None:
            at += 1
        at += 1
        if rows[first].lstrip().startswith("["):
            table = _opened(statement, arrays, found, first + 1)
        else:
            _enter(statement, table, found, first + 1, rows[first:at])
    return found


def error_line(error: tomllib.TOMLDecodeError) -> int | None:
    """Return the line that the reader names in its error."""
    head, _, tail = str(error).partition("at line ")
    number = tail.partition(",")[0]
    return int(number) if head and number.isdigit() else None


def _ended(rows: list[str], first: int, last: int) -> dict[str, Any] | None:
    """Return the statement of these rows, None where it goes on."""
    if last > first and not any(end in rows[last] for end in ("]", "}", '"""', "'''")):
        return None
    return _parsed("\n".join(rows[first : last + 1]))


def _parsed(piece: str) -> dict[str, Any] | None:
    try:
        return loads(piece)
    except tomllib.TOMLDecodeError:
        return None


def _opened(header: Any, arrays: dict[Path, int], found: dict[Path, int], line: int) -> Path:
    """Return the path of the table that a header opens; a name that is a table of tables means its last."""
    path: Path = ()
    while header:
        ((name, header),) = header.items()
        path = (*path, name)
        found.setdefault(path, line)
        if isinstance(header, list):  # [[...]]: one more
            arrays[path] = arrays.get(path, 0) + 1
            path = (*path, arrays[path] - 1)
            found[path] = line
            break
        if path in arrays:
            path = (*path, arrays[path] - 1)
    return path


def _enter(values: dict[str, Any], table: Path, found: dict[Path, int], line: int, rows: list[str]) -> None:
    """Note every path of a statement `key = value`; a key of thousands of dots is as deep."""
    waiting: list[tuple[Any, Path, int]] = [(value, (*table, name), line) for name, value in values.items()]
    while waiting:
        value, path, at = waiting.pop()
        found.setdefault(path, at)
        if isinstance(value, dict):
            waiting += [(inner, (*path, name), at) for name, inner in value.items()]
        elif isinstance(value, list):
            own = _own_lines(value, rows) if at == line else None
            waiting += [
                (inner, (*path, place), at + own[place] if own else at) for place, inner in enumerate(value)
            ]


def _own_lines(array: list[Any], rows: list[str]) -> list[int] | None:
    """Return how far below the first row each element begins; None where they have no rows of their own."""
    starts = []
    for at, row in enumerate(rows):
        piece = row.partition("[")[2] if at == 0 else row
        said = _parsed(f"a = [{piece}\n]") or _parsed(f"a = [{piece}") or {}
        starts += [at] * len(said.get("a", []))
    return starts if len(starts) == len(array) else None
