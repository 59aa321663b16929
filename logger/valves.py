"""Ratings of output valves by type and sheet: publisher, date, rating system, figure, source.

The same type number carries different limits by publisher and rating system, so a figure never
travels without them. A figure that was not confirmed says "from memory" wherever it is used.
"""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib import resources
from typing import Any, Final

NOT_PRINTED: Final = "none printed"
FROM_MEMORY: Final = "from memory"


@dataclass(frozen=True)
class Figure:
    """One limit as its sheet prints it; `value` is in the unit that `quantity` ends in (`anode_W`).

    None where the sheet states that there is no such limit. `when`: what it holds for, "" for all.
    """

    quantity: str
    when: str
    value: float | None
    source: str
    from_memory: bool


@dataclass(frozen=True)
class Ceiling:
    """The watts that one valve's dissipation is held to in its connection, mean of a pair's valves.

    `watts` counts against the anode's power, in triode connection against the power of the whole current.
    `says`: it in words, `25 W` or `33 W anode + screen`; `how`: what it is made of. `from_memory`: one of the
    figures in it is.
    """

    watts: float
    says: str
    how: str
    source: str
    from_memory: bool

    @property
    def memory(self) -> str:
        """What is to follow the figure wherever it is shown: nothing, or that it is from memory."""
        return f", a figure {FROM_MEMORY}" if self.from_memory else ""


@dataclass(frozen=True)
class Rating:
    """Limits of one valve by one sheet: watts, amperes; None where the sheet prints none.

    `screen_fraction`: least and greatest published share of the cathode current that is screen current.
    `source` and `from_memory` are those of the anode figure; `figures` holds every limit with its own.
    `choice`: why this sheet and not another of the type, "" where there is no other.
    """

    valve: str
    system: str
    anode_w: float
    screen_w: float | None
    anode_plus_screen_w: float | None
    cathode_a: float | None
    screen_fraction: tuple[float, float]
    source: str
    from_memory: bool
    sheet: str = ""
    publisher: str = ""
    date: str = ""
    choice: str = ""
    figures: tuple[Figure, ...] = ()

    def figure(self, quantity: str, *conditions: str) -> Figure | None:
        """Return a limit: the first that holds for one of these conditions in turn, else the general one."""
        return _pick(self.figures, quantity, *conditions)

    def cathode_figure(self, connection: str = "pentode", bias: str = "fixed") -> Figure | None:
        """Return the limit of the cathode's current, in mA, for a connection and a kind of bias."""
        return _cathode(self.figures, connection, bias)

    def ceiling(self, connection: str = "pentode") -> Ceiling:
        """Return the watts that dissipation is held to in a connection.

        In triode connection the whole current is held to anode + screen: the sheet's own figure for both
        together, else the sum of the two.
        """
        anode = self._named("anode_W", self.anode_w)
        if connection != "triode":
            return Ceiling(self.anode_w, f"{self.anode_w:g} W", "anode", anode.source, anode.from_memory)
        if self.anode_plus_screen_w is not None:
            both = self._named("anode_plus_screen_W", self.anode_plus_screen_w)
            says = f"{self.anode_plus_screen_w:g} W anode + screen"
            how = "anode + screen, limited together"
            return Ceiling(self.anode_plus_screen_w, says, how, both.source, both.from_memory)
        if self.screen_w is None:
            how = "anode; no screen figure"
            return Ceiling(self.anode_w, f"{self.anode_w:g} W", how, anode.source, anode.from_memory)
        screen = self._named("screen_W", self.screen_w)
        source = anode.source if anode.source == screen.source else f"{anode.source}; {screen.source}"
        return Ceiling(
            self.anode_w + self.screen_w,
            f"{self.anode_w + self.screen_w:g} W anode + screen",
            f"anode {self.anode_w:g} W and screen {self.screen_w:g} W, limited apart",
            source,
            anode.from_memory or screen.from_memory,
        )

    def _named(self, quantity: str, value: float) -> Figure:
        """Return the figure behind one of the plain fields."""
        for figure in self.figures:
            if figure.quantity == quantity and figure.value == value:
                return figure
        return Figure(quantity, "", value, self.source, self.from_memory)


@lru_cache(maxsize=64)
def rating_for(
    valve: str, sheet: str | None = None, *, connection: str = "pentode", bias: str = "fixed"
) -> Rating | None:
    """Return the rating of a type by one of its sheets (None: the default one); None where there is none.

    Where a limit hangs on connection or bias, `cathode_a` is the one for these.
    """
    for candidate, entry in table().get(_plain(valve), {}).items():
        if sheet is None or candidate.lower() == sheet.strip().lower():
            return _rating(entry, connection, bias)
    return None


@cache
def table() -> dict[str, dict[str, dict[str, Any]]]:
    """Read the ratings table: plain type designation to its sheets by name, the default one first."""
    text = resources.files("logger").joinpath("valves.toml").read_text(encoding="utf-8")
    types: dict[str, dict[str, dict[str, Any]]] = {}
    for entry in tomllib.loads(text)["sheet"]:
        first = types.get(_plain(entry["valve"]))
        if first is None:
            sheets = {entry["name"]: entry}
            types |= {_plain(name): sheets for name in (entry["valve"], *entry.get("also", []))}
        else:
            first[entry["name"]] = {**entry, "screen_fraction": next(iter(first.values()))["screen_fraction"]}
    return types


@cache
def known_types() -> list[str]:
    """Return every type designation in the table."""
    seen: dict[str, None] = {}
    for sheets in table().values():
        entry = next(iter(sheets.values()))
        seen |= dict.fromkeys((entry["valve"], *entry.get("also", [])))
    return list(seen)


def sheets_of(valve: str) -> list[str]:
    """Return the names of a type's sheets, the default one first."""
    return list(table().get(_plain(valve), {}))


def nearest_types(valve: str) -> list[str]:
    """Return up to three types of the table whose designations are near this one."""
    by_plain = {_plain(name): name for name in known_types()}
    return [by_plain[near] for near in difflib.get_close_matches(_plain(valve), by_plain, n=3, cutoff=0.3)]


def _rating(entry: dict[str, Any], connection: str, bias: str) -> Rating:
    made = f"{entry['publisher']}, {entry['date']}"
    memory = f"recollection of the {entry['valve']} data sheet ({made}); not confirmed"
    figures = tuple(
        _figure(key, value, source, from_memory=from_memory)
        for part, source, from_memory in (
            ("limits", entry.get("source", ""), False),
            ("from_memory", memory, True),
        )
        for key, value in entry.get(part, {}).items()
    )
    anode = _pick(figures, "anode_W", "without drive")
    assert anode is not None  # every sheet has one; a test holds it
    assert anode.value is not None
    cathode = _cathode(figures, connection, bias)
    low, high = entry["screen_fraction"]
    sheets = sheets_of(entry["valve"])
    default = sheets[0] == entry["name"]
    return Rating(
        valve=entry["valve"],
        system=entry["system"],
        anode_w=float(anode.value),
        screen_w=_value(_pick(figures, "screen_W")),
        anode_plus_screen_w=_value(_pick(figures, "anode_plus_screen_W")),
        cathode_a=cathode.value / 1000.0 if cathode is not None and cathode.value is not None else None,
        screen_fraction=(low, high),
        source=anode.source,
        from_memory=anode.from_memory,
        sheet=entry["name"],
        publisher=entry["publisher"],
        date=entry["date"],
        choice="" if len(sheets) == 1 else entry["default"] if default else "as asked",
        figures=figures,
    )


def _pick(figures: tuple[Figure, ...], quantity: str, *conditions: str) -> Figure | None:
    of_it = [figure for figure in figures if figure.quantity == quantity]
    for condition in conditions:
        for figure in of_it:
            if condition in _words(figure.when):
                return figure
    return next((figure for figure in of_it if not figure.when), None)


def _cathode(figures: tuple[Figure, ...], connection: str, bias: str) -> Figure | None:
    # A valve without a screen passes its anode current through the cathode, and nothing else.
    return _pick(figures, "cathode_mA", connection) or _pick(figures, "anode_mA", f"{bias} bias")


def _figure(key: str, value: float | str, source: str, *, from_memory: bool) -> Figure:
    quantity, _, when = key.partition(", ")
    number = None if value == NOT_PRINTED else float(value)
    return Figure(quantity, when, number, source, from_memory)


def _value(figure: Figure | None) -> float | None:
    return figure.value if figure is not None else None


def _words(when: str) -> list[str]:
    """Return what a condition lists: `triode or ultralinear` is two, `cathode or adjusted bias` too."""
    what = when.partition(", ")[0]
    tail = " bias" if what.endswith(" bias") else ""
    return [f"{word.strip()}{tail}" for word in what.removesuffix(" bias").split(" or ")]


def _plain(valve: str) -> str:
    """Return a designation as it is looked up: 6L6-GC is 6L6GC."""
    return "".join(c for c in valve.upper() if c.isalnum())
