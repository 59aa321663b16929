"""The file `<store>-password`: hashes of the password that may change, and of the one that may only view.

JSON, made by `soakbench dash --set-password`, for its owner's eyes only (mode 0600, but on Windows):
`schema`, `n`, `r`, `p` and `salt` of scrypt (RFC 7914), and under each role the key it makes of that role's
password. Both share one salt, so that one key made of what somebody typed is held against both: which of them
it was, or whether there are two, takes no other time.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import stat
import threading
import unicodedata
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

from logger.errors import RequestError

SCHEMA: Final = "soakbench.password/1"
FEWEST: Final = 8  # NIST SP 800-63B, revision 3, 5.1.1.2, from memory
MOST: Final = 1000
# OWASP's Password Storage Cheat Sheet: at least N = 2^17, r = 8, p = 1 where Argon2id is not at hand.
_N: Final = 2**17
_R: Final = 8
_P: Final = 1
_MOST_MEMORY: Final = 2**29  # bytes: a file that asks for more is none of ours


class Role(StrEnum):
    """What somebody may who knows a password."""

    CHANGE = "change"
    VIEW = "view"


class Passwords:
    """The passwords of one store; the file is read again whenever it has changed."""

    def __init__(self, store: Path) -> None:
        self.path: Final = store.with_name(f"{store.name}-password")
        self._read: dict[str, Any] = {}
        self._seen: tuple[int, ...] = ()
        # One at a time: each takes 128 MB, and whoever tries many passwords waits for himself.
        self._one = threading.Lock()

    def exist(self) -> bool:
        """Say whether a password is set."""
        return self.path.exists()

    def key(self, role: Role) -> str | None:
        """Return the key of a role's password, None where it has none: another one means another password."""
        return self._now().get(role)

    def role_of(self, password: str) -> Role | None:
        """Return what a password opens, None where it is wrong. Takes some tenths of a second."""
        known = self._now()
        with self._one:
            made = _key(password[: MOST + 1], known)
        # Both are compared, whatever the first says.
        fits = {role: hmac.compare_digest(made, known.get(role) or "") for role in Role}
        return next((role for role in Role if fits[role]), None)

    def set(self, role: Role, password: str, *, n: int = _N) -> None:
        """Write a role's password; the other stays. RequestError where it is too short, or opens both."""
        if not FEWEST <= len(password) <= MOST:
            raise RequestError(
                f"a password has {FEWEST} to {MOST} characters, this one {len(password)}: three or four "
                "words that nobody would guess are a good one"
            )
        other = Role.VIEW if role is Role.CHANGE else Role.CHANGE
        old = self._now() if self.exist() else {}
        if role is Role.VIEW and not old.get(other):
            raise RequestError(
                "the password to view with comes second: set the one that may change first (--set-password)"
            )
        new = {"schema": SCHEMA, "n": n, "r": _R, "p": _P, "salt": secrets.token_hex(16)}
        if old.get(other):
            new = {name: old[name] for name in (*new, other)}
        new[role] = _key(password, new)
        if hmac.compare_digest(str(new[role]), str(new.get(other) or "")):
            raise RequestError("the password to view with is the one that may change: take another")
        self._write(json.dumps(new, indent=1) + "\n")

    def _write(self, text: str) -> None:
        beside = self.path.with_name(f"{self.path.name}-{secrets.token_hex(4)}")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            try:
                with os.fdopen(handle, "w", encoding="utf-8") as opened:
                    opened.write(text)
                    opened.flush()
                    os.fsync(opened.fileno())
                beside.replace(self.path)
            except BaseException:
                beside.unlink(missing_ok=True)
                raise
        except OSError as error:
            raise RequestError(
                f"{self.path} can't be written ({error.strerror}): see whether the store's folder is yours"
            ) from error

    def _now(self) -> dict[str, Any]:
        """Return what the file says; RequestError where it can't be relied on."""
        try:
            about = self.path.stat()
            seen = (about.st_mtime_ns, about.st_size, about.st_ino)
            if seen == self._seen:
                return self._read
            if os.name == "posix" and stat.S_IMODE(about.st_mode) & 0o077:
                raise RequestError(
                    f"others than you may read {self.path}: chmod 600 it, and set the password anew"
                )
            said = json.loads(self.path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            raise RequestError(f"no password is set: {self.path} does not exist") from None
        except OSError as error:
            raise RequestError(f"{self.path} can't be read ({error.strerror})") from error
        except ValueError as error:
            raise RequestError(self._none_of_ours()) from error
        if not _whole(said):
            raise RequestError(self._none_of_ours())
        self._read, self._seen = said, seen
        return self._read

    def _none_of_ours(self) -> str:
        return f"{self.path} is no password file of soakbench: move it away, and set the password anew"


def _whole(said: Any) -> bool:
    if not isinstance(said, dict) or said.get("schema") != SCHEMA:
        return False
    numbers = [said.get(name) for name in ("n", "r", "p")]
    texts = [said.get("salt"), said.get(Role.CHANGE), said.get(Role.VIEW) or ""]
    return (
        all(type(number) is int and number > 0 for number in numbers)
        and all(isinstance(text, str) for text in texts)
        and 128 * said["n"] * said["r"] * said["p"] <= _MOST_MEMORY
        and bool(said[Role.CHANGE])
    )


def _key(password: str, by: dict[str, Any]) -> str:
    """Return what scrypt makes of a password; letters that look alike however they were typed are alike."""
    plain = unicodedata.normalize("NFKC", password).replace(
        "\0", "\ufffd"
    )  # it takes nulls at the end for none
    return hashlib.scrypt(
        plain.encode("utf-8", "surrogatepass"),
        salt=str(by["salt"]).encode(),
        n=by["n"],
        r=by["r"],
        p=by["p"],
        maxmem=2 * _MOST_MEMORY,
        dklen=64,
    ).hex()
