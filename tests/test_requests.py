"""How requests read in the record: what is written is read back, and nonsense is refused in one sentence."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.blocks import Mark
from logger.errors import RequestError
from logger.requests import LONGEST, Ask, as_shown, ask_of, pointed, text_of

texts = st.text(min_size=1).map(lambda s: " ".join(s.split())).filter(bool)


@given(texts)
def test_a_marks_text_comes_back_or_is_refused_as_a_requests_words(text: str) -> None:
    try:
        written = text_of(Ask.MARK, text)
    except RequestError:
        assert ask_of(pointed(text)[1])[0] is not Ask.MARK or not text.isprintable() or len(text) > LONGEST
        return
    assert ask_of(written) == (Ask.MARK, text)


@given(st.integers(min_value=1, max_value=999_999_999))
def test_the_number_of_a_finding_comes_back(number: int) -> None:
    assert ask_of(text_of(Ask.ACKNOWLEDGE, str(number))) == (Ask.ACKNOWLEDGE, str(number))


@pytest.mark.parametrize("ask", [a for a in Ask if a is not Ask.MARK])
def test_every_request_is_read_back_from_its_words(ask: Ask) -> None:
    assert text_of(ask) == ask.value
    assert ask_of(ask.value) == (ask, "")


@pytest.mark.parametrize(
    ("ask", "text", "says"),
    [
        (Ask.MARK, "  ", "needs a text"),
        (Ask.MARK, "signal  on", "request of its own"),
        (Ask.MARK, "red \x1b[31m", "can't be printed"),
        (Ask.MARK, "fail \u202etuo ssap", "can't be printed"),
        (Ask.MARK, "at 0:48:10: signal on", "request of its own"),
        (Ask.MARK, "at 0:48:10: soakbench: cut-out closed", "begins soakbench's own"),
        (Ask.MARK, "at 0:01:00: at 0:02:00: stop", "request of its own"),
        (Ask.MARK, "x" * 501, "500 is the most"),
        (Ask.ACKNOWLEDGE, "pair3", "number of a finding"),
        (Ask.ACKNOWLEDGE, "0", "number of a finding"),
        (Ask.ACKNOWLEDGE, "1 2", "number of a finding"),
        (Ask.ACKNOWLEDGE, "\u0663", "number of a finding"),  # a digit three, but not one of ours
        (Ask.STOP, "now", "takes no text"),
    ],
)
def test_what_makes_no_sense_is_refused_in_one_sentence(ask: Ask, text: str, says: str) -> None:
    with pytest.raises(RequestError, match=says):
        text_of(ask, text)


@pytest.mark.parametrize("text", ["Signal on", "signal on!", "acknowledge 03", "acknowledge x", "stop it"])
def test_what_only_resembles_a_request_is_a_mark(text: str) -> None:
    assert ask_of(text) == (Ask.MARK, text)


# ---------------------------------------------------------------- marks that name an earlier time


@given(st.integers(0, 9999 * 36_000), texts)
def test_the_time_that_a_mark_names_comes_back_and_it_is_a_mark_still(tenths: int, said: str) -> None:
    whole, tenth = divmod(tenths, 10)
    text = f"at {whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}.{tenth}: {said}"
    assert pointed(text) == (pytest.approx(tenths / 10.0), said)
    assert ask_of(text) == (Ask.MARK, text)
    made_us = tenths * 100_000
    assert as_shown(Mark(made_us, text)) == (Mark(made_us, said), True)
    assert as_shown(Mark(made_us - 1, text)) == (Mark(made_us - 1, text), False), "nothing is known of then"


@pytest.mark.parametrize(
    "text",
    [
        "at 0:48: x",
        "at 0:60:00: x",
        "at 48:10: x",
        "At 0:48:10: x",
        "at 0:48:10: ",
        "at 0:48:10 x",
        "tapped V5",
    ],
)
def test_what_only_resembles_a_time_names_none(text: str) -> None:
    assert pointed(text) == (None, text)
    assert as_shown(Mark(5, text)) == (Mark(5, text), False)
