"""What is said to whoever started this, by a thread of its own: a pipe that nobody reads holds nobody up."""

from __future__ import annotations

import select
import sys
import threading
from collections import deque
from collections.abc import Callable
from types import TracebackType
from typing import Final, Self

ROOM: Final = 1000
"""What waits at most to be said."""
_LOOK_S: Final = 0.2
_CLOSE_S: Final = 2.0


class Voice:
    """A context manager; `say` gives a sentence to `out`, `do` does something there, both in turn and later.

    What there was no room for is counted, and said once somebody reads again. Where nobody can hear any more
    it is silent. At the end it has two seconds for what is left.
    """

    def __init__(self, out: Callable[[str], None]) -> None:
        self._out = out
        self._waiting: deque[Callable[[], object]] = deque()
        self._lost = 0
        self._changed = threading.Condition()
        self._closed = False
        self._thread = threading.Thread(target=self._run, name="voice", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._changed:
            self._closed = True
            self._changed.notify()
        self._thread.join(_CLOSE_S)

    def say(self, sentence: str) -> None:
        """Have a sentence said; returns at once."""
        self.do(lambda: self._out(sentence))

    def do(self, act: Callable[[], object]) -> None:
        """Have something done in its turn; returns at once."""
        with self._changed:
            if len(self._waiting) < ROOM:
                self._waiting.append(act)
            else:
                self._lost += 1
            self._changed.notify()

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: bool(self._waiting) or self._closed)
                if not self._waiting:
                    return
            # Waited for here, for who is blocked in the middle of a sentence can't be ended cleanly.
            while not _taken():
                if self._closed:
                    return
            with self._changed:
                act = self._waiting.popleft()
                lost, self._lost = (0, self._lost) if self._waiting else (self._lost, 0)
            try:
                act()
                if lost:
                    self._out(f"{lost} sentences were not said here, since nobody took them")
            except OSError:
                return  # a closed terminal


def _taken() -> bool:
    """Whether standard error takes something just now; where that can't be told, it does."""
    try:
        _, ready, _ = select.select([], [sys.stderr.fileno()], [], _LOOK_S)
    except (OSError, ValueError, AttributeError):
        return True
    return bool(ready)
