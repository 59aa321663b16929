"""Every error that soakbench raises on purpose. Foreign ones are translated where they enter.

SoakbenchError                 exit 4: a fault in soakbench itself, unless a branch says otherwise
├── RequestError               exit 2: what was asked can't be done as asked
│   ├── EntryError             what was entered into the job record can't stand: each field's fault
│   ├── Overtaken              an edit rests on what somebody else has changed since
│   ├── SetupError             a set-up file is wrong: all its faults at once
│   ├── LogFileError           a log file can't be read
│   └── FileExistsAlready      a file somebody made would be overwritten
└── NotReached                 exit 3: bench or store not reached
    ├── LinkError              the port, or what answers on it
    └── StoreError             the store
        ├── StoreTooNew        written by a later soakbench
        └── DaemonRunning      another daemon holds this store

The message is one sentence for a person: what, where, what to do.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final

_LONG_WORD: Final = re.compile(r"(\S{200})\S{60,}(\S{40})")
_LONGEST_LINE: Final = 1_500
_LINE_ENDS: Final = re.compile("[\r\v\f\x1c-\x1e\x85\u2028\u2029]")
"""Those that nobody puts into a message on purpose."""


def readable(message: str) -> str:
    """Make foreign text in a message harmless: no endless word or line, no end of a line but our own."""
    lines = (_LONG_WORD.sub(r"\1…\2", line) for line in _LINE_ENDS.sub(" ", message).split("\n"))
    return "\n".join(
        line if len(line) <= _LONGEST_LINE else f"{line[: _LONGEST_LINE - 1]}…" for line in lines
    )


class SoakbenchError(Exception):
    """Root of all errors raised on purpose; `exit_code` is the command line's."""

    exit_code = 4

    def __init__(self, message: object = "") -> None:
        super().__init__(readable(str(message)))


class RequestError(SoakbenchError):
    """What was asked can't be done as asked."""

    exit_code = 2


class EntryError(RequestError):
    """What was entered into the job record can't stand; `faults` has a sentence for each field."""

    def __init__(self, faults: Mapping[str, str]) -> None:
        self.faults = {field: readable(says) for field, says in faults.items()}
        super().__init__("; ".join(self.faults.values()))


@contextmanager
def entered(field: str) -> Iterator[None]:
    """Say of which field it is where what was entered can't stand."""
    try:
        yield
    except EntryError:
        raise
    except RequestError as error:
        raise EntryError({field: str(error)}) from error


class Overtaken(RequestError):
    """An edit rests on what somebody else has changed since; `stands`: the row's fields as they are now."""

    def __init__(self, message: str, version: int, stands: Mapping[str, Any]) -> None:
        self.version = version
        self.stands = dict(stands)
        super().__init__(message)


@dataclass(frozen=True)
class Fault:
    """One thing wrong in a set-up file; `line` from 1, None where it is in none of them."""

    where: str
    expected: str
    got: str
    line: int | None = None

    def __str__(self) -> str:
        at = "" if self.line is None else f"line {self.line}, "
        return f"{at}{self.where}: expected {self.expected}, got {self.got}"


class SetupError(RequestError):
    """A set-up file is wrong; carries every fault of it."""

    def __init__(self, path: str, faults: list[Fault]) -> None:
        self.path = path
        self.faults = faults
        lines = "".join(f"\n  {fault}" for fault in faults)
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        super().__init__(f"the set-up {path} has {count}:{lines}")


class LogFileError(RequestError):
    """A log file can't be read as one."""


class FileExistsAlready(RequestError):
    """A file that somebody made would be overwritten."""

    def __init__(self, path: object) -> None:
        super().__init__(f"{path} exists already and was left alone: name another, or add --force")


class NotReached(SoakbenchError):
    """Bench or store not reached."""

    exit_code = 3


class LinkError(NotReached):
    """The port can't be used, or what answers on it is no bench DAQ."""


class StoreError(NotReached):
    """The store can't be used."""


class StoreTooNew(StoreError):
    """The store was written by a later soakbench."""


class DaemonRunning(StoreError):
    """Another daemon holds this store."""
