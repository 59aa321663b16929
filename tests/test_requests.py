"""How requests read in the record: what is written is read back, and nonsense is refused in one sentence."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import RequestError
from logger.requests import LONGEST, Ask, ask_of, text_of

texts = st.text(min_size=1).map(lambda s: " ".join(s.split())).filter(bool)


@given(texts)
def test_a_marks_text_comes_back_or_is_refused_as_a_requests_words(text: str) -> None:
    try:
        written = text_of(Ask.MARK, text)
    except RequestError:
        assert ask_of(text)[0] is not Ask.MARK or not text.isprintable() or len(text) > LONGEST
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
