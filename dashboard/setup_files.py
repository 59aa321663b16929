"""The set-up files that the Set-up page shows and saves: those of one folder, and nothing else here.

A file is known by its plain name, and is one of ours where it says so in its text (`soakbench.setup/`). What
a person wrote is never lost: a file that changed since it was read is not written over, and of what is
written over a copy stays beside it, with the time in its name.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import secrets
from dataclasses import dataclass
from http import HTTPStatus
from pathlib import Path
from typing import Any, Final

from flask import Flask, Response, jsonify, request

from dashboard.access import Access
from logger.check import Advice, advise, live_faults
from logger.clock import Clock
from logger.errors import Fault, RequestError, SetupError
from logger.setup import in_lines, parse

LONGEST: Final = 65_536
"""Bytes of a set-up file."""
SAVE: Final = "/setup/save"
PORTS: Final = "/setup/ports"
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,79}\.toml")
_RESERVED: Final = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])\.", re.IGNORECASE)  # on Windows: devices
_OURS: Final = "soakbench.setup/"


@dataclass(frozen=True)
class Held:
    """A file as it was read; `seen` tells whether it has changed since."""

    name: str
    text: str
    seen: str


@dataclass(frozen=True)
class Looked:
    """What a text is as a set-up: faults, each with its line, else what `soakbench check` says of it.

    `live`: the faults are only such as a link that measures has with it.
    """

    faults: tuple[Fault, ...]
    advice: Advice | None
    live: bool = False


def look(text: str) -> Looked:
    """Look a text over as a set-up."""
    try:
        found = parse(text)
    except SetupError as error:
        return Looked(tuple(error.faults), None)
    return Looked(tuple(in_lines(live_faults(found), text)), advise(found), live=True)


class SetupFiles:
    """The set-up files of one folder."""

    def __init__(self, folder: Path, clock: Clock) -> None:
        self.folder: Final = folder.absolute()
        self._clock = clock

    def names(self) -> list[str]:
        """Return the names of those that are set-ups of ours."""
        try:
            found = sorted(path.name for path in self.folder.iterdir() if _NAME.fullmatch(path.name))
        except OSError as error:
            raise RequestError(f"the folder {self.folder} can't be read ({error.strerror})") from error
        out = []
        for name in found:
            with contextlib.suppress(RequestError):  # one that can't be read is none to edit
                if _OURS in self.read(name).text:
                    out.append(name)
        return out

    def read(self, name: str) -> Held:
        """Return a file; RequestError where it is none of this folder's, or no text."""
        path = self._path(name)
        try:
            with path.open("rb") as opened:
                data = opened.read(LONGEST + 1)
            if len(data) > LONGEST:
                raise RequestError(f"{name} is too long for a set-up: over {LONGEST} bytes")
            return Held(name, data.decode("utf-8-sig"), _digest(data))
        except FileNotFoundError:
            raise RequestError(f"there is no set-up file {name} in {self.folder}") from None
        except (OSError, UnicodeDecodeError) as error:
            raise RequestError(f"{name} can't be read as text ({error})") from error

    def save(self, name: str, text: str, seen: str) -> tuple[str, str]:
        """Write a file whole; return its new `seen`, and the name of the copy that stays of the old one.

        `seen` is empty for a name that must be new. RequestError where it is not, or has changed since.
        """
        path = self._path(name)
        text = text.replace("\r\n", "\n").replace("\r", "\n")
        old = self._bytes(path)
        if old is None and seen:
            raise RequestError(f"{name} is not there any more: save this as a new file")
        if old is not None and not seen:
            raise RequestError(f"there is a file {name}: choose another name, or open that one first")
        if old is not None and _digest(old) != seen:
            raise RequestError(
                f"{name} has changed since it was opened: save this under another name, and compare the two"
            )
        if old is not None and b"\r\n" in old:
            text = text.replace("\n", "\r\n")
        try:
            data = text.encode()
        except UnicodeEncodeError as error:
            raise RequestError("the text has characters that no file can hold") from error
        if len(data) > LONGEST:
            raise RequestError(f"the text is too long for a set-up: over {LONGEST} bytes")
        if data == old:
            return seen, ""
        copy = "" if old is None else self._kept(name, old)
        beside = path if old is None else self.folder / f".{name}-{secrets.token_hex(4)}"
        try:
            with beside.open("xb") as opened:
                opened.write(data)
                opened.flush()
                os.fsync(opened.fileno())
            if old is not None:
                beside.replace(path)
        except FileExistsError:
            raise RequestError(f"there is a file {name}: choose another name, or open it first") from None
        except OSError as error:
            beside.unlink(missing_ok=True)
            raise RequestError(f"{name} can't be written in {self.folder} ({error.strerror})") from error
        return _digest(data), copy

    def _kept(self, name: str, old: bytes) -> str:
        """Keep what is about to be written over."""
        stamp = f"{self._clock.wall():%Y-%m-%d-%H%M%S}"
        for number in range(1, 100):
            copy = f"{name}-{stamp}" + ("" if number == 1 else f"-{number}")
            try:
                with (self.folder / copy).open("xb") as opened:
                    opened.write(old)
                return copy
            except FileExistsError:
                continue
            except OSError as error:
                raise RequestError(
                    f"no copy of {name} can be kept in {self.folder} ({error.strerror}): nothing was saved"
                ) from error
        raise RequestError(f"there are a hundred copies of {name} of this second: try again")

    def _path(self, name: str) -> Path:
        if not _NAME.fullmatch(name) or _RESERVED.match(name):
            raise RequestError(
                "a set-up's name is of letters, digits, blanks and ._-, and ends in .toml, as bench1.toml"
            )
        path = self.folder / name
        if path.is_symlink() or (path.exists() and not path.is_file()):
            raise RequestError(f"{name} is no plain file, and is left alone")
        return path

    def _bytes(self, path: Path) -> bytes | None:
        try:
            return path.read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise RequestError(f"{path.name} can't be read ({error.strerror})") from error


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def register(server: Flask, files: SetupFiles, access: Access) -> None:
    """Add the addresses that save a file, and that look who is on the machine's ports."""

    @server.post(SAVE)
    def save() -> tuple[Response, int]:
        refused = access.refusal(4 * LONGEST)
        if refused is not None:
            return jsonify(state="refused", reason=refused[0]), refused[1]
        wanted: Any = request.get_json(silent=True)
        try:
            said = [wanted[key] for key in ("name", "text", "seen")]
            if not all(isinstance(one, str) for one in said):
                raise TypeError
        except (KeyError, TypeError):
            reason = "it takes an object with name, text and seen"
            return jsonify(state="refused", reason=reason), HTTPStatus.BAD_REQUEST
        name, text, seen = said
        try:
            now, copy = files.save(name, text, seen)
        except RequestError as error:
            return jsonify(state="refused", reason=str(error)), HTTPStatus.OK
        wrong = len(look(text).faults)
        return jsonify(state="done", reason="", name=name, seen=now, copy=copy, faults=wrong), HTTPStatus.OK

    @server.post(PORTS)
    def ports() -> tuple[Response, int]:
        refused = access.refusal()
        if refused is not None:
            return jsonify(state="refused", reason=refused[0]), refused[1]
        from logger.link import search
        from logger.link.wire import Line

        listed = search.ports()
        seen = {one.path: one for one in search.look_at_each([port.path for port in listed], Line())}
        told = [
            {
                "port": port.path,
                "about": port.about,
                "what": seen[port.path].what,
                "says": seen[port.path].says,
            }
            for port in listed
        ]
        return jsonify(state="done", reason="", ports=told), HTTPStatus.OK
