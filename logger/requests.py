"""What a person asks of the running daemon, and how it reads in the record.

In the record a request is a mark in the request's words ("signal on"), in the store's marks and in a log
file's `mark` column alike: so a soak judged again sees what was asked, when. Any other text is a plain mark;
what soakbench itself writes down begins with NOTED, which no person's may.

A mark may name an earlier time than that at which it was made: "at 0:48:10: tapped V5". It is kept when it
was made, as any, and shown at the time that it names. The watch passes it by: what came late changes no
finding.
"""

from __future__ import annotations

import re
from enum import StrEnum
from typing import Final

from logger.blocks import Mark
from logger.errors import RequestError

NOTED: Final = "soakbench: "
LONGEST: Final = 500
"""Letters of a mark."""


class Ask(StrEnum):
    """What can be asked. The values are what files say."""

    STOP = "stop"
    MARK = "mark"
    ACKNOWLEDGE = "acknowledge"
    SETTING_BIAS = "setting bias"
    SIGNAL_ON = "signal on"
    SIGNAL_OFF = "signal off"


_NUMBERED = re.compile(r"acknowledge ([1-9][0-9]{0,8})", re.ASCII)
_POINTED = re.compile(r"at ([0-9]{1,4}):([0-5][0-9]):([0-5][0-9](?:\.[0-9])?): (.+)", re.ASCII | re.DOTALL)
_BARE = frozenset({Ask.STOP, Ask.SETTING_BIAS, Ask.SIGNAL_ON, Ask.SIGNAL_OFF})


def text_of(ask: Ask, text: str = "") -> str:
    """Return the mark's text: a mark's own, a finding's number after "acknowledge", else the request's words.

    Raises RequestError for a mark without text, in a request's words, too long or with what can't be printed,
    for an acknowledge of what is no finding's number, and for a text where none belongs.
    """
    text = " ".join(text.split())
    bad = next((letter for letter in text if not letter.isprintable()), None)
    if bad is not None:
        raise RequestError(f"the text holds {bad!r}, which can't be printed: write it without")
    if len(text) > LONGEST:
        raise RequestError(f"the text has {len(text):,} letters, and {LONGEST} is the most: say it shorter")
    if ask is Ask.MARK:
        if not text:
            raise RequestError("a mark needs a text: say what was done, for example 'tapped V5'")
        if text.startswith(NOTED.rstrip()):
            raise RequestError(f"{NOTED.strip()!r} begins soakbench's own marks: word the mark otherwise")
        if ask_of(text)[0] is not Ask.MARK:
            raise RequestError(f"{text!r} is a request of its own: ask for it, or word the mark otherwise")
        named_s, said = pointed(text)
        if named_s is not None:
            text_of(Ask.MARK, said)  # no other words are lent by a time before them
        return text
    if not text:
        return ask.value
    if ask is Ask.ACKNOWLEDGE:
        asked = f"{ask} {text}"
        if not _NUMBERED.fullmatch(asked):
            raise RequestError(f"acknowledge takes the number of a finding, or nothing for all: got {text!r}")
        return asked
    raise RequestError(f"{ask.value!r} takes no text, got {text!r}")


def ask_of(mark: str) -> tuple[Ask, str]:
    """Return what a mark's text asks for, and the text that goes with it: the inverse of `text_of`."""
    if mark in _BARE or mark == Ask.ACKNOWLEDGE:
        return Ask(mark), ""
    numbered = _NUMBERED.fullmatch(mark)
    return (Ask.ACKNOWLEDGE, numbered[1]) if numbered else (Ask.MARK, mark)


def pointed(mark: str) -> tuple[float | None, str]:
    """Return the elapsed time that a mark's text names, h:mm:ss, and what it says of it; None: names none."""
    found = _POINTED.fullmatch(mark)
    if found is None:
        return None, mark
    hours, minutes, seconds, said = found.groups()
    return 3600.0 * int(hours) + 60.0 * int(minutes) + float(seconds), said


def as_shown(mark: Mark) -> tuple[Mark, bool]:
    """Return a mark at the time that its text names, without that in its text, and whether it names one.

    What names a time after it was made stays as it is: nothing is known of then.
    """
    named_s, said = pointed(mark.text)
    if named_s is None or round(named_s * 1e6) > mark.t_us:
        return mark, False
    return Mark(round(named_s * 1e6), said), True
