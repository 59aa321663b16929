"""The decision rule: a value with its uncertainty against a limit, in the four statements of ILAC-G8.

Statements are those of ILAC-G8:09/2019 clause 4.2.3: pass below TL - w, conditional pass up to TL,
conditional fail up to TL + w, fail above; w is a multiple of U, the half-width of the shortest 95 %
interval. Unrounded numbers decide.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

PASS, COND_PASS, COND_FAIL, FAIL = "pass", "conditional pass", "conditional fail", "fail"
ORDER: Final = (PASS, COND_PASS, COND_FAIL, FAIL)
"""From the best to the worst."""


def upper_statement(y: float, u: float, limit: float, width_U: float) -> str:
    """Judge y ± u against an upper limit with the guard band w = `width_U` u."""
    w = width_U * u
    if w == 0:
        return PASS if y <= limit else FAIL
    if y < limit - w:
        return PASS
    if y <= limit:
        return COND_PASS
    return COND_FAIL if y <= limit + w else FAIL


def two_sided_statement(y: float, u: float, limit: float, width_U: float) -> str:
    """Judge y ± u against ±`limit`: the worse side."""
    return worst([upper_statement(y, u, limit, width_U), upper_statement(-y, u, limit, width_U)]) or PASS


def interval_statement(y: float, low: float, high: float, limit: float, width_U: float) -> str:
    """Judge an asymmetric interval against ±`limit`: wholly inside, wholly outside, else by the estimate."""
    if width_U == 0:
        return PASS if abs(y) <= limit else FAIL
    low, high = y - width_U * (y - low), y + width_U * (high - y)
    if -limit < low and high < limit:
        return PASS
    if low > limit or high < -limit:
        return FAIL
    return COND_PASS if abs(y) <= limit else COND_FAIL


def worst(statements: Iterable[str | None]) -> str | None:
    """Return the worst statement; None where there is none."""
    known = [s for s in statements if s is not None]
    return max(known, key=ORDER.index) if known else None
