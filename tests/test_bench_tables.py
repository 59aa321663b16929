"""The figures that docs/speed.md gives are those that were measured, and a bench can be cut short."""

from __future__ import annotations

import pytest

from benchmarks.lines import estimate, line, met, share, slope
from benchmarks.measure import PARTS, chosen, load
from benchmarks.tables import PAGE, written


def test_the_tables_are_those_of_the_results() -> None:
    text = PAGE.read_text(encoding="utf-8")
    assert text.count("<!-- make bench: ") == 2
    assert written(text, load()) == text, "make them with python -m benchmarks.tables"


def test_a_missed_goal_is_named_in_its_row() -> None:
    kept = {
        "parts": {
            "zoom": {
                "date": "2026-01-01",
                "machine": "a machine",
                "load": 0.1,
                "lines": [line("slow", "s", 1.0, [1.0, 2.0, 4.0]), line("quick", "s", 1.0, [0.5])],
            }
        }
    }
    text = written("<!-- make bench: goals -->\n<!-- /make bench -->", kept)
    assert "| slow | 2 s (1 to 4, n = 3) | at most 1, **missed** |" in text
    assert "| quick | 0.5 s (n = 1) | at most 1 |" in text


def test_a_line_is_the_median_with_its_spread_and_a_slope_is_an_exponent() -> None:
    assert line("x", "s", None, [3.0, 1.0, 2.0])["value"] == 2.0
    assert share("x", 95, "s", None, [float(k) for k in range(100)])["value"] == 95.0
    cost = slope("x", [1, 10], [[2.0, 2.0], [20.0, 200.0]], "")
    assert (cost["low"], cost["high"]) == (1.0, 2.0)
    assert not met(estimate("x", 0.9, "1", 0.93, "more", 100, (0.8, 0.95)))


def test_a_run_that_was_cut_short_goes_on_where_it_was() -> None:
    speed = [one for one in PARTS if one.group == "speed"]
    assert chosen([], {"left": [], "parts": {}}, anew=False) == speed
    assert [one.name for one in chosen([], {"left": ["zoom"], "parts": {}}, anew=False)] == ["zoom"]
    assert chosen([], {"left": ["zoom"], "parts": {}}, anew=True) == speed
    assert [one.name for one in chosen(["store"], {"left": ["zoom"], "parts": {}}, anew=False)] == ["store"]
    with pytest.raises(ValueError, match="no part nonsense"):
        chosen(["nonsense"], {"left": [], "parts": {}}, anew=False)
