"""The decision rule against ILAC-G8's statements, and what findings do to a verdict."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decision import (
    COND_FAIL,
    COND_PASS,
    FAIL,
    ORDER,
    PASS,
    interval_statement,
    two_sided_statement,
    upper_statement,
    worst,
)

# ILAC-G8:09/2019 clause 4.2.3 with TL 50.0, U 2.0, w = U: conformance probabilities 0.982, 0.977, 0.540,
# 0.5, 0.029, 0.022 of the normal law. At TL and TL + w the better statement stands (our documented choice).
ILAC = [
    (47.9, PASS),
    (48.0, COND_PASS),
    (49.9, COND_PASS),
    (50.0, COND_PASS),
    (51.9, COND_FAIL),
    (52.01, FAIL),
]


@pytest.mark.parametrize(("y", "statement"), ILAC)
def test_statements_are_those_of_ilac_g8(y: float, statement: str) -> None:
    assert upper_statement(y, 2.0, 50.0, 1.0) == statement


def test_simple_acceptance_knows_only_pass_and_fail() -> None:
    assert upper_statement(50.0, 2.0, 50.0, 0.0) == PASS
    assert upper_statement(50.001, 2.0, 50.0, 0.0) == FAIL


@given(y=st.floats(-100, 100), u=st.floats(0, 50), limit=st.floats(0.1, 50), width=st.floats(0, 3))
def test_two_sides_are_judged_alike(y: float, u: float, limit: float, width: float) -> None:
    assert two_sided_statement(y, u, limit, width) == two_sided_statement(-y, u, limit, width)


@given(y=st.floats(-20, 20), step=st.floats(0.01, 20), u=st.floats(0.01, 10))
def test_further_out_is_never_judged_better(y: float, step: float, u: float) -> None:
    nearer, further = abs(y), abs(y) + step
    assert ORDER.index(two_sided_statement(further, u, 5.0, 1.0)) >= ORDER.index(
        two_sided_statement(nearer, u, 5.0, 1.0)
    )


def test_an_asymmetric_interval_is_judged_by_its_ends_then_by_the_estimate() -> None:
    assert interval_statement(0.5, -0.5, 1.9, 2.0, 1.0) == PASS
    assert interval_statement(1.5, 1.2, 2.6, 2.0, 1.0) == COND_PASS
    assert interval_statement(2.2, 1.2, 2.6, 2.0, 1.0) == COND_FAIL
    assert interval_statement(-4.0, -5.0, -2.1, 2.0, 1.0) == FAIL


def test_the_worst_statement_stands_for_all() -> None:
    assert worst([PASS, COND_FAIL, None, COND_PASS]) == COND_FAIL
    assert worst([None, None]) is None
