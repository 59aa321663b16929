"""The log of a run: a line for each thing that happened, for people or, as JSON, for programs.

Written by a thread of its own: a disk that is full, slow or gone makes nobody wait. What could not be
written is counted, and said once it can be.
"""

from __future__ import annotations

import json
import os
import re
import stat
import threading
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import datetime
from io import FileIO
from pathlib import Path
from typing import Any, Final

from logger.clock import Clock
from logger.errors import RequestError

ROOM: Final = 1000
"""Lines that wait at most."""
MOST_BYTES: Final = 10_000_000
"""Then the file is put aside as FILE.1, in place of the one before."""
_CLOSE_S: Final = 2.0
_OURS: Final = re.compile(rb'\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d|\{"time":')


class RunLog:
    """`write` takes a line and returns at once; `close` waits two seconds at most for what is left.

    RequestError where the file can't be opened at the start. `trouble` is told a sentence when it can't be
    written later, once until it can be again.
    """

    def __init__(
        self,
        path: Path,
        clock: Clock,
        trouble: Callable[[str], None],
        *,
        as_json: bool = False,
        most_bytes: int = MOST_BYTES,
    ) -> None:
        self._path = path
        self._clock = clock
        self._trouble = trouble
        self._as_json = as_json
        self._most_bytes = most_bytes
        self._lines: deque[bytes] = deque()
        self._lost = 0
        self._changed = threading.Condition()
        self._closed = False
        self._failing = False
        self._torn = False  # the last line may stand there in part
        self._stays = False  # it can't be put aside
        try:
            self._file: FileIO | None = self._opened()
        except OSError as error:
            raise RequestError(
                f"{path} can't be written ({error.strerror or error}): name another place"
            ) from error
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)
        self._thread.start()

    def write(self, event: str, says: str, more: Mapping[str, Any]) -> None:
        """Take in a line: what happened in a word, the sentence, and figures; nan is null."""
        line = self._line(event, says, more)
        with self._changed:
            if len(self._lines) < ROOM:
                self._lines.append(line)
            else:
                self._lost += 1
            self._changed.notify()

    def close(self) -> None:
        """End; what the disk does not take in time is given up."""
        with self._changed:
            self._closed = True
            self._changed.notify()
        self._thread.join(_CLOSE_S)

    def _line(self, event: str, says: str, more: Mapping[str, Any]) -> bytes:
        now = self._clock.wall()
        if self._as_json:
            whole = {"time": _iso(now), "event": event, "says": says, **more}
            text = json.dumps(whole, ensure_ascii=False, separators=(",", ":"))
            return f"{text}\n".encode(errors="replace")
        shown = "".join(letter if letter.isprintable() else " " for letter in says)
        return f"{now:%Y-%m-%dT%H:%M:%SZ} {shown}\n".encode(errors="replace")

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: bool(self._lines) or self._closed)
                if not self._lines:
                    break
                line = self._lines[0]
                lost = self._lost
            try:
                self._put(line, lost)
            except OSError as error:
                self._drop()
                if not self._failing:
                    self._failing = True
                    self._warn(
                        f"the log {self._path} can't be written ({error.strerror or error}): make room; "
                        "measuring goes on"
                    )
        if self._file is not None:
            self._file.close()

    def _put(self, line: bytes, lost: int) -> None:
        """Write the first line that waits, and how many were lost before it."""
        self._look_at_file(len(line))
        if lost:
            self._write(self._line("lost", f"{lost} lines of this log were lost here", {"lines": lost}))
            with self._changed:
                self._lost -= lost
        self._write(line)
        self._failing = False
        with self._changed:
            self._lines.popleft()

    def _drop(self) -> None:
        with self._changed:
            self._lines.popleft()
            self._lost += 1

    def _write(self, line: bytes) -> None:
        assert self._file is not None
        left = b"\n" + line if self._torn else line
        while left:
            count = self._file.write(left) or 0
            self._torn = count < len(left)
            left = left[count:]

    def _look_at_file(self, bytes_more: int) -> None:
        """Begin anew where somebody has moved the file away, or where it has grown too long."""
        if self._file is None:
            self._file = self._opened()
        now = os.fstat(self._file.fileno())
        if not stat.S_ISREG(now.st_mode):
            return
        try:
            there = self._path.stat()
            moved = (there.st_dev, there.st_ino) != (now.st_dev, now.st_ino)
        except FileNotFoundError:
            moved = True
        grown = not moved and now.st_size + bytes_more > self._most_bytes and not self._stays
        if not (moved or grown):
            return
        self._file.close()  # before it is renamed: an open file can't be on Windows
        self._file = None
        if grown:
            self._put_aside(self._path.with_name(f"{self._path.name}.1"))
        self._file = self._opened()
        self._torn = False

    def _put_aside(self, aside: Path) -> None:
        why = "is no log of soakbench and is left alone"
        if _is_log(aside):
            try:
                self._path.replace(aside)
                return
            except OSError as error:
                why = f"can't be made ({error.strerror or error})"
        self._stays = True
        self._warn(f"{aside} {why}: {self._path} goes on growing")

    def _warn(self, text: str) -> None:
        with suppress(OSError):  # whoever listened has gone, and the log goes on
            self._trouble(text)

    def _opened(self) -> FileIO:
        return FileIO(self._path, "a")


def _is_log(path: Path) -> bool:
    """Whether a file may be replaced: there is none, or it begins as our lines do."""
    try:
        with path.open("rb") as found:
            return _OURS.match(found.read(32)) is not None
    except FileNotFoundError:
        return True
    except OSError:
        return False


def _iso(when: datetime) -> str:
    return f"{when:%Y-%m-%dT%H:%M:%S}.{when.microsecond // 1000:03d}Z"
