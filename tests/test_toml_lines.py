"""In which line a key stands: held against documents whose lines are known because they were written here."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import SetupError
from logger.setup import parse
from logger.toml_lines import error_line, lines_of
from tests.store_case import setup_text

NAME = st.sampled_from(["a", "b-c", "d_1", '"e f"', '"x.y"', "'[q]'"])
VALUE = st.sampled_from(
    [
        ["1"],
        ['"text # no comment"'],
        ["{x = 1, y = [2, 3]}"],
        ["[1, 2]"],
        ["[", "  1,", "  # in between", "  2,", "]"],
        ["[", "  {x = 1},", "", '  {x = "]"},', "]"],
        ['"""', "[not.a.table]", "key = 3", '"""'],
        ["'''one", "[[no]]'''  # comment"],
        ["2026-03-01T09:30:15Z"],
    ]
)
STATEMENT = st.tuples(NAME, VALUE, st.sampled_from(["", "  # said", "  "]))
BODY = st.lists(st.one_of(st.just(None), STATEMENT), max_size=5)
HEADER = st.sampled_from(["table", "array", "sub of array"])


def bare(name: str) -> str:
    return name.strip("\"'")


@given(top=BODY, tables=st.lists(st.tuples(HEADER, NAME, BODY), max_size=5), crlf=st.booleans())
def test_every_key_is_found_in_the_line_that_it_was_written_in(
    top: list[Any], tables: list[Any], crlf: bool
) -> None:
    rows: list[str] = []
    wanted: dict[tuple[str | int, ...], int] = {}

    def write(body: list[Any], path: tuple[str | int, ...]) -> None:
        known: set[str] = set()
        for statement in body:
            if statement is None:
                rows.append("# a comment = 1")
                continue
            name, value, tail = statement
            if bare(name) in known:
                continue
            known.add(bare(name))
            wanted[(*path, bare(name))] = len(rows) + 1
            rows.extend([f"{name} = {value[0]}", *value[1:]])
            rows[-1] += tail

    write(top, ())
    many = 0
    for number, (kind, name, body) in enumerate(tables):
        if kind == "table":
            rows.append(f"[t{number}.{name}]")
            path: tuple[str | int, ...] = (f"t{number}", bare(name))
        elif kind == "array" or not many:
            rows.append("[[many]]")
            path, many = ("many", many), many + 1
        else:
            rows.append(f"[many.s{number}]")
            path = ("many", many - 1, f"s{number}")
        wanted[path] = len(rows)
        write(body, path)
    text = ("\r\n" if crlf else "\n").join(rows)

    found = lines_of(text)

    assert {path: found.get(path) for path in wanted} == wanted
    read = tomllib.loads(text)
    for path in found:
        here: Any = read
        for part in path:
            here = here[part]


def test_elements_of_an_array_over_several_lines_have_their_own() -> None:
    found = lines_of("steps = [\n  {a = 1},\n\n  {a = 2, b = 3},  # said\n  ]\n")
    assert (found["steps", 0], found["steps", 1], found["steps", 1, "b"]) == (2, 4, 4)


def test_what_is_no_toml_is_told_with_the_readers_line() -> None:
    with pytest.raises(tomllib.TOMLDecodeError) as caught:
        lines_of("a = 1\nb = = 2\n")
    assert error_line(caught.value) == 2


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("sense_ohm = 1.0", "sense_ohm = -1.0"), "sense_ohm = -1.0"),
        (("sense_ohm = 1.0", "sense_ohms = 1.0"), "sense_ohms = 1.0"),
        (('name = "pair1"\n', ""), "[[channel]]"),
        (("nominal_ht_V = 455\n", ""), "[amp]"),
        (("minutes = 30", "minutes = -30"), "steps = "),
        (('kind = "lines"', 'kind = "lime"'), 'kind = "lime"'),
        (("[amp]", "[amp"), "[amp"),
    ],
)
def test_a_fault_of_a_set_up_names_the_line_that_it_is_in(change: tuple[str, str], said: str) -> None:
    text = setup_text(2).replace(*change, 1)
    with pytest.raises(SetupError) as caught:
        parse(text)
    rows = text.splitlines()
    lines = [fault.line for fault in caught.value.faults]
    assert lines == sorted(line or 0 for line in lines)
    assert said in [rows[line - 1][: len(said)] for line in lines if line]
    assert f"line {lines[-1]}, " in str(caught.value)
