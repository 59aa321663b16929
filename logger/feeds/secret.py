"""Secrets of feeds: addresses and passwords, from the environment or from a file that only its owner reads.

They are held so that nothing shows them by accident, and no sentence of ours repeats one.
"""

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from logger.errors import RequestError

_MOST_BYTES: Final = 65_536


class Secret:
    """A text that is given only to who asks by name; printed, compared or stored it says nothing."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def reveal(self) -> str:
        """Return the text itself."""
        return self._text

    def __repr__(self) -> str:
        return "Secret(...)"


def from_environment(name: str, environment: Mapping[str, str]) -> list[Secret]:
    """Return what a variable holds, a secret a line; RequestError where there is none."""
    found = _lines(environment.get(name, ""))
    if not found:
        raise RequestError(f"the environment has no {name}: set it where soakbench is started")
    return found


def from_file(path: Path | str) -> list[Secret]:
    """Return what a file holds, a secret a line, empty lines and those that begin with # left out.

    RequestError where it can't be read, holds nothing, or others may read it (not told on Windows, where
    rights are no bits).
    """
    path = Path(path).expanduser()
    reason = None
    try:
        with path.open("rb") as file:
            found = os.fstat(file.fileno())
            if sys.platform != "win32":
                refuse_open_rights(path, found)
            text = file.read(_MOST_BYTES + 1).decode()
    except OSError as error:
        reason = error.strerror or type(error).__name__
    except UnicodeDecodeError:
        reason = "it is no UTF-8 text"
    # outside of the handlers: what they caught may hold a part of the file, and goes no further
    if reason is not None:
        raise RequestError(f"the file of secrets {path} can't be read ({reason})")
    if len(text) > _MOST_BYTES:
        raise RequestError(
            f"the file of secrets {path} is longer than {_MOST_BYTES} bytes: is it the right one?"
        )
    secrets = _lines(text)
    if not secrets:
        raise RequestError(f"the file of secrets {path} is empty: write one a line")
    return secrets


def refuse_open_rights(path: Path, found: os.stat_result) -> None:
    """Raise RequestError where others than the owner may read or write a file, or it is somebody else's."""
    if stat.S_IMODE(found.st_mode) & 0o077:
        raise RequestError(f"others may read the file of secrets {path}: chmod 600 {path}")
    if found.st_uid not in (os.geteuid(), 0):
        raise RequestError(f"the file of secrets {path} belongs to somebody else: make it your own")


def _lines(text: str) -> list[Secret]:
    lines = (line.strip() for line in text.splitlines())
    return [Secret(line) for line in lines if line and not line.startswith("#")]
