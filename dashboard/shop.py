"""The shop whose name stands on a report: its own file, `soakbench.shop/1`."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from dashboard.pictures import logo
from logger import toml_lines
from logger.errors import RequestError

Line = Annotated[str, Field(min_length=1, max_length=80)]


@dataclass(frozen=True)
class Shop:
    """Name, lines of the address, and the logo as a PNG, None where there is none."""

    name: str = ""
    address: tuple[str, ...] = ()
    logo: bytes | None = None


NO_SHOP: Final = Shop()


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    version: Literal["soakbench.shop/1"] = Field(alias="schema")
    name: Line
    address: Annotated[list[Line], Field(max_length=6)] = []
    logo: str = ""


def load(path: Path) -> Shop:
    """Read a shop's file; the logo's path counts from the file. RequestError says what is wrong with it."""
    try:
        found = _File.model_validate(toml_lines.loads(toml_lines.text_of(path)))
    except OSError as error:
        raise RequestError(
            f"the shop's file {path} can't be read ({error.strerror}): check the name"
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise RequestError(f"the shop's file {path} is no TOML: {error}") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part + 1) if isinstance(part, int) else part for part in first["loc"])
        raise RequestError(
            f"the shop's file {path} is wrong at {where}: {first['msg']} (it has schema, name, address, logo)"
        ) from error
    return Shop(found.name, tuple(found.address), logo(path.parent / found.logo) if found.logo else None)
