"""How the pages look: contrast in both schemes, and what every page keeps in a real browser."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dashboard import figures

CSS = (Path(__file__).parents[1] / "dashboard/assets/soakbench.css").read_text(encoding="utf-8")


def _properties(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", block))


def _schemes() -> dict[str, dict[str, str]]:
    """Return the colours of each scheme by name, as the style sheet has them."""
    light, dark = re.findall(r"\s:root \{(.*?)\n\s*\}", CSS, re.DOTALL)
    assert "prefers-color-scheme: dark" in CSS[: CSS.index(dark)]
    return {"light": _properties(light), "dark": {**_properties(light), **_properties(dark)}}


SCHEMES = _schemes()


def _luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    channels = [int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    low, high = sorted((_luminance(one), _luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_gives_wcags_own_extremes() -> None:
    # WCAG 2.2, definition of contrast ratio: 1:1 to 21:1. Grey #767676 on white: 4.54 (from memory).
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert _contrast("#123456", "#123456") == 1.0
    assert _contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_and_signs_reach_the_contrast_of_wcag_aa(scheme: str) -> None:
    # WCAG 2.2: 1.4.3 asks 4.5:1 of text, 1.4.11 asks 3:1 of what a control or a sign is known by.
    colour = SCHEMES[scheme]
    grounds = ("ground", "surface", "amber-ground", "vermilion-ground", "hatched")
    short = [
        (name, ground, round(ratio, 2))
        for names, least, on in (
            (("ink", "quiet"), 4.5, grounds),
            ([f"pair-{k}-ink" for k in range(1, 9)], 4.5, ("ground", "surface")),
            (("strip-ink",), 4.5, ("surface",)),
            (("edge", "focus", "strip", "amber", "vermilion"), 3.0, ("ground", "surface")),
            (("rule", "pair-7-ink"), 3.0, ("surface",)),
            (("amber",), 3.0, ("amber-ground",)),
            (("vermilion",), 3.0, ("vermilion-ground",)),
            (("ink",), 3.0, ("window",)),
        )
        for name in names
        for ground in on
        if (ratio := _contrast(colour[name], colour[ground])) < least
    ]
    assert short == []


def test_lines_stand_out_from_the_dark_ground() -> None:
    # In the light their darker names at the ends do it: Okabe and Ito's sky blue has 2.3:1 on white.
    dark = SCHEMES["dark"]
    assert all(_contrast(dark[f"pair-{k}"], dark["surface"]) >= 3.0 for k in range(1, 9))
    drawn = [dark[f"pair-{k}"] for k in range(1, 9)]
    assert len(set(drawn)) == 8


def test_the_style_sheet_has_the_figures_own_palette() -> None:
    light = SCHEMES["light"]
    for number, (colour, ink) in enumerate(figures.PALETTE, 1):
        assert (light[f"pair-{number}"], light[f"pair-{number}-ink"]) == (colour.lower(), ink.lower())


def test_colours_stand_in_one_place() -> None:
    rules = CSS[CSS.index(":root:root") :]
    assert re.findall(r".*#[0-9a-fA-F]{3,8}\b(?=;).*", rules) == []
    named = set(re.findall(r"var\(--([\w-]+)[,)]", CSS))
    said = set(re.findall(r"^\s*--([\w-]+):", CSS, re.MULTILINE))
    set_by_pages = {"place", "facts"}
    assert named - said == set_by_pages
    assert {name for name in said - named if not name.startswith("Dash-")} == set()
