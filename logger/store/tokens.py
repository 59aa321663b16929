"""The file `<store>-tokens`: who may take a copy of the store over the network, by name.

A token is 256 random bits and is said once, when it is made. The file holds its SHA-256, which is enough for
what nobody can guess; without its line it opens nothing.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import re
import secrets
from pathlib import Path
from typing import Any, Final

from logger.clock import Clock
from logger.errors import RequestError

_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,79}")


class Tokens:
    """The tokens of one store, by name; the file is read each time, so that what is revoked ends at once."""

    def __init__(self, store: Path) -> None:
        self.path: Final = store.with_name(f"{store.name}-tokens")

    def new(self, name: str, clock: Clock) -> str:
        """Make a token for somebody and return it; RequestError where the name has one."""
        if not _NAME.fullmatch(name):
            raise RequestError(f"a token's name is of letters, digits, blanks and ._-, not {name!r}")
        known = self._read()
        if name in known:
            raise RequestError(f"{name} has a token: revoke it first, soakbench tokens revoke {name!r}")
        token = secrets.token_urlsafe(32)
        self._write(
            {**known, name: {"sha256": _digest(token), "made": clock.wall().isoformat(timespec="seconds")}}
        )
        return token

    def revoke(self, name: str) -> None:
        """Have a token open nothing any more."""
        known = self._read()
        if name not in known:
            has = ", ".join(sorted(known)) or "nobody"
            raise RequestError(f"{name} has no token here: {has} has")
        self._write({other: one for other, one in known.items() if other != name})

    def made(self) -> dict[str, str]:
        """Return when each was made, by name."""
        return {name: str(one.get("made", "")) for name, one in sorted(self._read().items())}

    def opens(self, token: str) -> bool:
        """Say whether a token opens this store; each is compared, whatever the one before said."""
        made = _digest(token)
        fits = [hmac.compare_digest(made, str(one.get("sha256"))) for one in self._read().values()]
        return any(fits)

    def _read(self) -> dict[str, dict[str, str]]:
        try:
            known = json.loads(self.path.read_text(encoding="utf-8"))
            if not isinstance(known, dict) or not all(isinstance(one, dict) for one in known.values()):
                raise ValueError("it holds no names")
        except FileNotFoundError:
            return {}
        except (OSError, ValueError) as error:
            raise RequestError(f"{self.path} can't be read as a file of tokens ({error})") from error
        return known

    def _write(self, known: dict[str, Any]) -> None:
        beside = self.path.with_name(f"{self.path.name}-{secrets.token_hex(4)}")
        try:
            with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as opened:
                opened.write(json.dumps(known, indent=1) + "\n")
            beside.replace(self.path)
        except OSError as error:
            beside.unlink(missing_ok=True)
            raise RequestError(f"{self.path} can't be written ({error.strerror})") from error


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
