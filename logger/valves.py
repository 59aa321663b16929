"""Ratings of output valves by type: publisher, date, rating system, figure, source.

The same type number carries different limits by publisher and rating system, so a figure never
travels without them. A figure that was not confirmed says "from memory" wherever it is used.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True)
class Rating:
    """Limits of one valve: watts, amperes; None where the sheet prints none.

    `screen_fraction`: least and greatest published share of the cathode current that is screen current.
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


@cache
def table() -> dict[str, Rating]:
    """Read the ratings table: type designation, in capitals, to its rating."""
    text = resources.files("logger").joinpath("valves.toml").read_text(encoding="utf-8")
    ratings = {}
    for entry in tomllib.loads(text)["valve"]:
        rating = Rating(
            valve=entry["type"],
            system=entry["system"],
            anode_w=entry["anode_W"],
            screen_w=entry.get("screen_W"),
            anode_plus_screen_w=entry.get("anode_plus_screen_W"),
            cathode_a=entry["cathode_mA"] / 1000.0 if "cathode_mA" in entry else None,
            screen_fraction=tuple(entry["screen_fraction"]),
            source=entry["source"],
            from_memory=entry["from_memory"],
        )
        for name in (entry["type"], *entry.get("also", [])):
            ratings[name.upper()] = rating
    return ratings


def rating_for(valve: str) -> Rating | None:
    """Return the rating of a type, or None where the table has no such type."""
    return table().get(valve.strip().upper())


def known_types() -> list[str]:
    """Return every type designation in the table."""
    return list(table())
