"""Input that tries to break what reads it: strategies, and what may come of a case.

What may come of any input is a right result or one clear sentence: an error of ours that is no fault of
soakbench (exit code 2 or 3). `SOAKBENCH_CASES` says how many cases a kind are tried; what was found once is
kept in `tests/data/bad_input/<kind>/` and tried every time.
"""

from __future__ import annotations

import json
import os
import re
import resource
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from hostile_texts import TEXTS
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.errors import NotReached, RequestError, SetupError, SoakbenchError

CASES: Final = int(os.environ.get("SOAKBENCH_CASES", "25"))
KEPT: Final = Path(__file__).parent / "data" / "bad_input"
LONGEST_S: Final = 5.0
"""Of the processor's time, for one case."""
GROWN_MB: Final = 400.0
"""What all cases of a kind together may take more than what was there."""

NUMBERS: Final = (
    "nan", "-nan", "inf", "-inf", "1e999", "-1e999", "1e-400", "1e308", "-0.0", "0", "-1", "1e99", "1e18",
    "9223372036854775807", "9223372036854775808", "-9223372036854775809", "4294967296", "2147483648",
    "9" * 400, "9" * 5000, "0x7f", "0b1", "1_000", "0,5", "1.2.3", "+-1", "1e", ".", "-", "٣", "½", "１２",
    "1 000", "true", "null", "1979-05-27T07:32:00Z", "9999-99-99", "25:61:61", "10000-01-01",
)  # fmt: skip
DEEP: Final = ("[" * 3_000, "[" * 3_000 + "]" * 3_000, '{"a":' * 3_000, "{a=" * 1_500, ".".join("a" * 1_500))
STRINGS: Final = (
    *TEXTS[:-3], "", " ", "\t", "\n", "\r", "\x00", "\ud800", "'''", '"""', "#", ",,,,", ";;;", "=",
)  # fmt: skip


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")


NASTY: Final = (
    *map(_bytes, (*NUMBERS, *DEEP, *STRINGS)),
    *(_bytes(f'"{text}"') for text in (*NUMBERS, "", "\\ud800")),
    *(b"\xff\xfe", b"\xc3", b"\xed\xa0\x80", b"\xef\xbb\xbf", b"\x1f\x8b", b"PK\x03\x04", b"A" * 20_000),
)

_TOKEN: Final = re.compile(rb"[A-Za-z_]+|[0-9.eE+-]+|\r?\n|[ \t]+|\"[^\"\n]*\"|[^\w\s]|.", re.DOTALL)
_Change = tuple[int, int, int]


CHANGES: Final = st.lists(
    st.tuples(st.integers(0, 7), st.integers(0, 65_535), st.integers(0, 65_535)), min_size=1, max_size=6
)


def mutated(corpus: Sequence[bytes]) -> st.SearchStrategy[bytes]:
    """Give bytes of the corpus with one to six things changed in them."""
    drawn = st.tuples(st.integers(0, len(corpus) - 1), CHANGES)
    return drawn.map(lambda one: changed(corpus[one[0]], one[1]))


def changed(data: bytes, changes: Sequence[_Change]) -> bytes:
    """Return data with things changed in it: how, where and with what."""
    for how, where, what in changes:
        tokens = _TOKEN.findall(data)
        if not tokens:
            return NASTY[what % len(NASTY)]
        at = where % len(tokens)
        length = 1 + what % 12
        match how:
            case 0 | 1:
                tokens[at] = NASTY[what % len(NASTY)]
            case 2:
                tokens.insert(at, NASTY[what % len(NASTY)])
            case 3:
                del tokens[at : at + length]
            case 4:
                tokens[at:at] = tokens[at : at + 4 * length]
            case 5:
                tokens[at : at + length] = reversed(tokens[at : at + length])
            case 6:
                del tokens[at:]
            case _:
                place = where % len(data)
                data = data[:place] + bytes([data[place] ^ (1 << what % 8)]) + data[place + 1 :]
                continue
        data = b"".join(tokens)[:200_000]
    return data


VALUES: Final[tuple[Any, ...]] = (
    None, True, False, 0, -1, 1, 2**31, 2**53, 2**63, -(2**63) - 1, 10**30, 0.5, 1e300, -1e300, float("nan"),
    float("inf"), "", [], {}, [[]], {"": {}}, [None], *STRINGS, *NUMBERS, "a" * 20_000, ["x"] * 200,
)  # fmt: skip
"""What may stand anywhere in JSON."""


def document(corpus: Sequence[Any]) -> st.SearchStrategy[Any]:
    """Give documents of the corpus with one to four values replaced, taken away, doubled or added."""
    change = st.tuples(st.integers(0, 4), st.integers(0, 65_535), st.integers(0, len(VALUES) - 1))
    drawn = st.tuples(st.integers(0, len(corpus) - 1), st.lists(change, min_size=1, max_size=4))
    return drawn.map(lambda one: _rewritten(corpus[one[0]], one[1]))


def _rewritten(whole: Any, changes: Sequence[_Change]) -> Any:
    for how, where, what in changes:
        places = list(_places(whole))
        whole = _with(whole, places[where % len(places)], how, VALUES[what])
    return whole


def _places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    yield path
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _places(inner, (*path, key))
    elif isinstance(value, list):
        for at, inner in enumerate(value[:50]):
            yield from _places(inner, (*path, at))


def _with(whole: Any, path: tuple[Any, ...], how: int, value: Any) -> Any:
    if not path:
        return value if how == 0 else whole
    key, rest = path[0], path[1:]
    copy = dict(whole) if isinstance(whole, dict) else list(whole)
    if rest:
        copy[key] = _with(copy[key], rest, how, value)
    elif how <= 1:
        copy[key] = value
    elif how == 2:
        del copy[key]
    elif how == 3 and isinstance(copy, list):
        copy.append(copy[key])
    elif isinstance(copy, dict):
        copy[str(value)[:40]] = value
    return copy


def sentence(error: SoakbenchError) -> None:
    """Hold an error to being no fault of ours, and one sentence that a person can read."""
    text = str(error)
    assert isinstance(error, (RequestError, NotReached)), f"a fault of soakbench: {error!r}"
    assert text.strip(), repr(error)
    lines = text.splitlines()
    assert len(lines) == 1 or isinstance(error, SetupError), text[:500]
    assert max(map(len, lines)) < 2_000, f"{len(text)} letters: {text[:300]}"


@contextmanager
def held() -> Iterator[None]:
    """Hold what is done inside to a right result or one sentence, in bounded time."""
    began_s = time.process_time()
    try:
        yield
    except SoakbenchError as error:
        sentence(error)
    took_s = time.process_time() - began_s
    assert took_s < LONGEST_S, f"it took {took_s:.1f} s"


def grown_mb() -> float:
    """Return the most memory that this process has had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def tried(kind: str, cases: st.SearchStrategy[Any], hold: Callable[[Any], None]) -> None:
    """Try what is kept of a kind, then new cases, and see that all of it took bounded memory.

    What is kept as `.json` is the document itself, all else its bytes.
    """
    for path in sorted((KEPT / kind).glob("*")):
        data = path.read_bytes()
        hold(json.loads(data) if path.suffix == ".json" else data)
    before_mb = grown_mb()
    count, began_s = 0, time.perf_counter()

    @settings(max_examples=CASES, database=None, deadline=None, suppress_health_check=list(HealthCheck))
    @given(cases)
    def each(case: Any) -> None:
        nonlocal count
        count += 1
        hold(case)

    each()
    took_s = time.perf_counter() - began_s
    more_mb = grown_mb() - before_mb
    print(f"{kind}: {count} cases, {count / took_s:.0f} a second, {more_mb:.0f} MB more at most")
    assert count >= CASES
    assert more_mb < GROWN_MB, f"{more_mb:.0f} MB"
