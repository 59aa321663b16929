"""What is said goes out by a thread of its own: who does not listen holds nobody up."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import pytest

from logger import voice
from logger.cli import warn
from logger.voice import Voice

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="a pipe can't be asked there")


@contextmanager
def unread(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Standard error as a full pipe; gives the end where it could be read."""
    ours, theirs = os.pipe()
    os.set_blocking(theirs, False)
    with suppress(BlockingIOError):
        while os.write(theirs, b"." * 4096):
            pass
    os.set_blocking(theirs, True)
    with os.fdopen(theirs, "w", buffering=1) as error:
        monkeypatch.setattr(sys, "stderr", error)
        yield ours
        monkeypatch.undo()
        os.close(ours)


def heard(pipe: int, many: int) -> list[str]:
    text = ""
    while text.count("\n") < many:
        text += os.read(pipe, 65536).decode()
    return [line.lstrip(".") for line in text.splitlines()]


def test_what_nobody_reads_is_said_once_somebody_does_and_what_is_lost_is_counted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(voice, "ROOM", 3)
    with unread(monkeypatch) as pipe, Voice(warn) as one:
        for number in range(5):
            one.say(f"sentence {number}")
        assert heard(pipe, 4) == [
            "soakbench: sentence 0",
            "soakbench: sentence 1",
            "soakbench: sentence 2",
            "soakbench: 2 sentences were not said here, since nobody took them",
        ]
        one.say("again")
        assert heard(pipe, 1) == ["soakbench: again"]


def test_it_ends_though_nobody_reads(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(voice, "_CLOSE_S", 60.0)
    with unread(monkeypatch), Voice(warn) as one:
        one.say("to nobody")
    assert not one._thread.is_alive()


def test_where_the_listener_has_gone_it_is_silent() -> None:
    said: list[str] = []

    def gone(sentence: str) -> None:
        said.append(sentence)
        raise BrokenPipeError

    with Voice(gone) as one:
        one.say("first")
        one._thread.join(20)
        one.say("second")
    assert said == ["first"]
