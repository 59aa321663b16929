"""Many benches: the file that says which there are, where each one's store is, and what runs it."""

from __future__ import annotations

import ipaddress
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Self
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from logger import toml_lines
from logger.errors import RequestError


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class BenchOfMany(_Table):
    """One bench: its name here, which must stay the same, and its store's file or its dashboard's address.

    `setup` is the set-up by which a daemon on this machine fills the store.
    """

    name: Annotated[str, Field(min_length=1, max_length=80)]
    store: Path | None = None
    setup: Path | None = None
    address: Annotated[str, Field(pattern=r"^https?://")] | None = None
    token_file: Path | None = None
    certificate: Path | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.store is None) == (self.address is None):
            raise ValueError("it needs a store (a file) or an address (of its dashboard), one of them")
        if self.setup is not None and self.store is None:
            raise ValueError("a setup is run on this machine: it goes with a store")
        if self.address is not None and self.token_file is None:
            raise ValueError("an address needs a token_file: `soakbench tokens new NAME` at that bench")
        if self.address is None and (self.token_file is not None or self.certificate is not None):
            raise ValueError("token_file and certificate go with an address")
        if self.address is not None and self.address.startswith("http:") and not _here(self.address):
            raise ValueError("over http the token could be read on its way: use https")
        return self


class Benches(_Table):
    """The benches, and the database where they are brought together, if there is one."""

    database: Annotated[str, Field(min_length=1)] | None = None
    every_s: Annotated[float, Field(ge=1.0, le=86_400.0)] = 60.0
    bench: Annotated[tuple[BenchOfMany, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        for what, values in (
            ("name", [one.name for one in self.bench]),
            ("store", [str(one.store) for one in self.bench if one.store is not None]),
            ("address", [one.address for one in self.bench if one.address is not None]),
        ):
            twice = sorted({value for value in values if values.count(value) > 1})
            if twice:
                raise ValueError(
                    f"each bench needs a {what} of its own, and {', '.join(twice)} is there twice"
                )
        return self


def load(path: Path) -> Benches:
    """Read which benches there are; relative files are beside it. RequestError names every fault."""
    try:
        raw = toml_lines.loads(toml_lines.text_of(path))
        found = Benches.model_validate(raw)
    except FileNotFoundError as error:
        raise RequestError(f"there is no file {path}: it names the benches") from error
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise RequestError(f"{path} can't be read ({error})") from error
    except ValidationError as error:
        # never what was given: an address may hold a password
        found_wrong = error.errors(include_input=False)
        faults = "; ".join(f"{_where(item['loc'])}: {item['msg'][:200]}" for item in found_wrong[:5])
        faults += f"; and {len(found_wrong) - 5} more" if len(found_wrong) > 5 else ""
        raise RequestError(f"{path} can't be followed: {faults}") from None

    def placed(one: BenchOfMany) -> BenchOfMany:
        files = {name: getattr(one, name) for name in ("store", "setup", "token_file", "certificate")}
        return one.model_copy(
            update={name: path.parent / file.expanduser() for name, file in files.items() if file is not None}
        )

    return found.model_copy(update={"bench": tuple(placed(one) for one in found.bench)})


def _here(address: str) -> bool:
    """Whether an address is this machine's own."""
    name = urlsplit(address).hostname or ""
    try:
        return name == "localhost" or ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def _where(location: Sequence[int | str]) -> str:
    named = ".".join(str(part + 1) if isinstance(part, int) else part for part in location)
    return named[:80] or "the file"
