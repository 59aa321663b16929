"""Matched sets: the least spread there can be, what all share cancels, which valves are left out."""

from __future__ import annotations

import itertools
import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import soakbench
from logger import match
from logger.convert import daq_from_setup
from logger.differences import Error, Figure, drawn_U, weighted_U
from logger.errors import LogFileError, RequestError
from logger.setup import parse

FOLDER = Path(__file__).resolve().parent.parent / "sample_logs"


def brute_force(points: np.ndarray, size: int, sets: int) -> float:
    """Return the least sum of spreads of so many sets, by trying them all."""
    apart = np.hypot(
        *np.broadcast_arrays(*(np.subtract.outer(x, x) for x in np.pad(points.T, ((0, 1), (0, 0)))[:2]))
    )

    def least(left: tuple[int, ...], wanted: int) -> float:
        if wanted == 0:
            return 0.0
        if len(left) < wanted * size:
            return math.inf
        first, rest = left[0], left[1:]
        found = least(rest, wanted)  # without the first
        for others in itertools.combinations(rest, size - 1):
            spread = max(apart[i, j] for i, j in itertools.combinations((first, *others), 2))
            found = min(found, spread + least(tuple(i for i in rest if i not in others), wanted - 1))
        return found

    return least(tuple(range(len(points))), sets)


def spread(points: np.ndarray, one: tuple[int, ...]) -> float:
    return max(math.dist(points[i], points[j]) for i, j in itertools.combinations(one, 2))


currents = st.floats(60.0, 140.0, allow_nan=False).map(lambda x: round(x, 2))


@settings(max_examples=60)
@given(st.lists(st.tuples(currents, currents), min_size=2, max_size=9), st.sampled_from([1, 2]))
def test_pairs_have_the_least_spread_there_can_be(drawn: list[tuple[float, float]], figures: int) -> None:
    points = np.array(drawn)[:, :figures]
    found = match.group(points, 2)
    assert found.exact
    assert found.total == pytest.approx(brute_force(points, 2, len(points) // 2), abs=1e-9)


@settings(max_examples=40)
@given(
    st.lists(st.tuples(currents, currents), min_size=4, max_size=9),
    st.sampled_from([4, 6]),
    st.sampled_from([1, 2]),
)
def test_larger_sets_of_few_valves_have_it_too(
    drawn: list[tuple[float, float]], size: int, figures: int
) -> None:
    points = np.array(drawn)[:, :figures]
    if len(points) < size:
        with pytest.raises(RequestError, match=f"needs {size} valves"):
            match.group(points, size)
        return
    found = match.group(points, size)
    assert found.exact
    assert found.total == pytest.approx(brute_force(points, size, len(points) // size), abs=1e-9)


@settings(max_examples=40)
@given(st.lists(st.tuples(currents, currents), min_size=4, max_size=9), st.sampled_from([4, 6]))
def test_what_is_searched_for_lies_between_its_bound_and_a_sixth_above_the_least(
    drawn: list[tuple[float, float]], size: int
) -> None:
    points = np.array(drawn)
    if len(points) < size:
        return
    sets = match._searched(points, size, math.inf)
    assert len(sets) == len(points) // size
    total = sum(spread(points, one) for one in sets)
    least = brute_force(points, size, len(sets))
    assert match._least(points, size, len(sets)) <= least + 1e-9
    assert least - 1e-9 <= total <= 1.2 * least + 1e-9


@settings(max_examples=40)
@given(
    st.lists(st.tuples(currents, currents), min_size=2, max_size=24),
    st.sampled_from([2, 4, 6, 8]),
    st.sampled_from([1, 2]),
    st.floats(0.5, 60.0),
)
def test_no_valve_is_in_two_sets_and_no_set_is_wider_than_allowed(
    drawn: list[tuple[float, float]], size: int, figures: int, within: float
) -> None:
    points = np.array(drawn)[:, :figures]
    try:
        found = match.group(points, size, within)
    except RequestError:
        return
    used = sorted([place for one in found.sets for place in one] + found.left_out)
    assert used == list(range(len(points)))
    assert all(len(one) == size and spread(points, one) <= within + 1e-9 for one in found.sets)
    assert found.least_possible <= found.total + 1e-9


def test_as_many_sets_as_a_limit_allows_come_before_a_smaller_sum() -> None:
    points = np.array([[100.0, 0.0], [100.1, 0.0], [102.0, 0.0], [104.0, 0.0], [120.0, 0.0]])
    found = match.group(points, 2, 2.05)
    assert sorted(found.sets) == [(0, 1), (2, 3)]
    assert found.left_out == [4]
    assert sorted(match.group(points[:, :1], 2, 2.05).sets) == [(0, 1), (2, 3)]


def test_a_hundred_valves_at_two_bias_points_are_paired_exactly() -> None:
    points = np.random.default_rng(5).normal(100.0, 5.0, (101, 2))
    found = match.group(points, 2)
    assert found.exact
    assert len(found.sets) == 50
    assert len(found.left_out) == 1
    # no two sets can be parted otherwise for less
    for one, other in itertools.combinations(found.sets, 2):
        now = spread(points, one) + spread(points, other)
        for i, j in ((0, 0), (0, 1)):
            swapped = ((one[0], other[i]), (one[1], other[1 - j] if i == j else other[1]))
            if len({*swapped[0], *swapped[1]}) == 4:
                assert now <= sum(spread(points, pair) for pair in swapped) + 1e-9


# ---- uncertainty


def test_what_two_figures_share_cancels_and_the_rest_adds_as_its_squares() -> None:
    # GUM (JCGM 100:2008) 5.2.2: fully correlated inputs add as they are, with their signs
    shared, own = Error(("meter",), 0.5), (Error(("a",), 0.3), Error(("b",), 0.4))
    a, b = Figure(76.0, (shared, own[0])), Figure(74.0, (shared, own[1]))
    u, k = weighted_U([a, b], (1.0, -1.0))
    assert u == pytest.approx(1.959964 * 0.5)
    assert k == pytest.approx(1.959964)
    together, _ = weighted_U([a, b], (1.0, 1.0))
    assert together == pytest.approx(1.959964 * math.hypot(2 * 0.5, 0.3, 0.4))
    _, drawn = drawn_U([a, b], lambda x: x[:1] - x[1:])
    assert drawn[0] == pytest.approx(u, rel=0.02)


def test_the_range_of_a_set_is_as_uncertain_as_a_draw_says() -> None:
    # far apart: only the outer two matter, so U is that of their difference
    far = [Figure(x, (Error((str(x),), 0.1),)) for x in (70.0, 74.0, 76.0, 80.0)]
    assert match._range_U(far) == pytest.approx(1e3 * 1.959964 * math.hypot(0.1, 0.1), rel=0.02)
    # all alike: the range of four standard normal values, 95 % below 3.633 (Pearson and Hartley, table of
    # the studentised range at infinite degrees of freedom; from memory)
    alike = [Figure(76.0, (Error((str(i),), 0.1),)) for i in range(4)]
    assert match._range_U(alike) == pytest.approx(1e3 * 0.3633, rel=0.02)


def burn_in() -> tuple[dict[str, object], str]:
    text = "".join(
        f'[[channel]]\nname = "pair{k}"\nmeasures = "pair current"\nsense_ohm = 10.0\nvalves = 1\n'
        for k in range(1, 5)
    )
    setup_text = (
        'schema = "soakbench.setup/1"\n[amp]\nname = "Burn-in rack"\nvalve = "EL34"\nnominal_ht_V = 400\n'
        f'valves_per_pair = 1\n[link]\nkind = "csv"\nscans_per_s = 1\n{text}'
        '[plan]\nsteps = [{step = "soak", minutes = 60}]\n'
    )
    channels = [
        {"name": f"pair{k}", "settled_mA": mA, "expanded_uncertainty_mA": 0.5, "coverage_factor": 1.7}
        for k, mA in enumerate((38.0, 40.1, 38.2, 40.0), 1)
    ]
    return {"channels": channels}, setup_text


def test_a_burn_in_gives_a_valve_a_pair_and_the_converters_gain_cancels() -> None:
    judged, text = burn_in()
    setup = parse(text)
    valves = match.from_judged(judged, setup, daq_from_setup(setup), None, day="a")
    document = match.document(valves, 2)
    assert [one["valves"] for one in document["sets"]] == [["pair2", "pair4"], ["pair1", "pair3"]]
    by_hand = match.document(
        [
            match.Valve(
                v.name, Figure(v.current.value, tuple(e for e in v.current.errors if "gain" not in str(e)))
            )
            for v in valves
        ],
        2,
    )
    with_gain, without = (d["sets"][0]["expanded_uncertainty_mA"] for d in (document, by_hand))
    assert with_gain == pytest.approx(without, rel=1e-3)
    assert match.shared_resistors(setup) == []


def test_the_two_valves_of_a_pair_on_one_resistor_are_said_to_be_matched_together(
    capsys: pytest.CaptureFixture[str],
) -> None:
    log = str(FOLDER / "healthy.csv.gz")
    assert soakbench.main(["match", log, "--setup", str(FOLDER / "healthy.toml"), "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "soakbench.match/1"
    assert len(document["sets"]) == 2
    assert "several valves on one resistor" in document["notes"][0]
    assert all(one["expanded_uncertainty_mA"] > 0 for one in document["sets"])


# ---- the list

LIST = "valve;current [mA];second [mA];U [mA];shared U [mA]\na;37,2;52,0;0,5;0,3\nb;37,9;53,1;0,5;0,3\n"


def test_a_list_with_semicolons_and_decimal_commas_is_read() -> None:
    a, b = match.parse_sheet(LIST)
    assert (a.name, a.current.value) == ("a", pytest.approx(0.0372))
    assert a.step is not None
    assert a.step.value == pytest.approx(0.0148)
    # U 0.5 of which 0.3 is shared leaves 0.4 of its own
    assert weighted_U([a.current, b.current], (1, -1))[0] == pytest.approx(math.hypot(4e-4, 4e-4))
    document = match.document([a, b], 2, grid_step_v=2.0)
    assert document["valves"][0]["transconductance_mA_per_V"] == pytest.approx(7.4)
    assert document["by"] == "current and transconductance"


def test_a_list_without_uncertainty_has_none_stated() -> None:
    document = match.document(match.parse_sheet("name,mA\n1,40\n2,41\n3,50\n"), 2)
    assert document["sets"][0]["expanded_uncertainty_mA"] is None
    (left,) = document["left_out"]
    assert left["name"] == "3"
    assert left["nearest"] == "2"
    assert json.loads(json.dumps(document, allow_nan=False)) == document


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("valve,volts\na,3\n", "has the header"),
        ("valve,mA\na,forty\n", "line 2"),
        ("valve,mA\n,40\n", "lacks a name"),
        ("valve,mA\na,40\na,41\n", "twice"),
        ("valve,mA,second\na,40,50\nb,41,\n", "second current for 1 valves of 2"),
        ("valve,mA,U,shared U\na,40,1,2\n", "shares 2 mA"),
    ],
)
def test_a_list_that_cannot_be_read_is_one_sentence(text: str, says: str) -> None:
    with pytest.raises(LogFileError, match=says):
        match.parse_sheet(text)


@given(st.text(max_size=300))
def test_no_list_makes_anything_but_valves_or_a_sentence(text: str) -> None:
    try:
        valves = match.parse_sheet("valve,mA\n" + text)
    except LogFileError:
        return
    assert all(valve.current.value > 0 for valve in valves)


def test_the_command_says_what_to_leave_out(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    listed = tmp_path / "drawer.csv"
    listed.write_text("valve,current [mA],U [mA]\na,37.2,0.4\nb,37.9,0.4\nc,45,0.4\nd,37.5,0.4\ne,37.4,0.4\n")
    assert soakbench.main(["match", str(listed), "--size", "4"]) == 0
    said = capsys.readouterr().out
    assert "1 set of 4, 1 left out" in said
    assert "c: one too many for whole sets; its nearest, b, is" in said
    assert soakbench.main(["match", str(listed), "--size", "3"]) == 2
    assert "a set has 2, 4, 6, 8 valves, not 3" in capsys.readouterr().err
    assert soakbench.main(["match", str(listed), "--within", "0.1"]) == 2
    assert "no set lies that close together" in capsys.readouterr().err
