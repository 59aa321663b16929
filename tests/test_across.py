"""What only many soaks show: batches, benches, an amp's years; how sure, and when nothing can be said."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

import soakbench
from benchmarks import across_coverage as simulated
from dashboard import across_chart
from dashboard.bench import Absent
from dashboard.figures import View
from dashboard.pages import across as page_of
from logger import across, compare, pooling
from logger.errors import RequestError
from logger.store.reader import Reader

# ---- the statistics


def test_what_is_seen_side_by_side_in_blocks_comes_out_as_a_textbook_prints_it() -> None:
    """Montgomery, Design and Analysis of Experiments, balanced incomplete blocks, the catalysts (from
    memory): adjusted effects -9/8, -7/8, -4/8, 20/8, residual mean square 0.65 on 5 degrees of freedom.
    """
    rows = {
        "1": "1 73, 3 73, 4 75",
        "2": "1 74, 2 75, 3 75",
        "3": "2 67, 3 68, 4 72",
        "4": "1 71, 2 72, 4 75",
    }
    seen = [(block, *cell.split()) for block, cells in rows.items() for cell in cells.split(", ")]
    y = np.array([float(value) for _, _, value in seen])
    names, fit = pooling.side_by_side([one[0] for one in seen], [one[1] for one in seen], y, np.zeros(12))
    assert names == ["1", "2", "3", "4"]
    assert fit.value * 8 == pytest.approx([-9.0, -7.0, -4.0, 20.0], abs=1e-9)
    assert (fit.df, fit.tau2) == (5, pytest.approx(0.65, rel=1e-6))


def test_a_mean_of_unlike_values_is_what_a_reference_library_gives() -> None:
    """statsmodels 0.15.0, combine_effects(method_re="iterated"): Paule and Mandel's tau², mean and u."""
    y = [61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90]
    variance = [0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225]
    fit = pooling.mean(y, variance)
    assert fit.tau2 == pytest.approx(0.7053953092192388, rel=1e-8)
    assert fit.value[0] == pytest.approx(62.407619911328254, rel=1e-10)
    assert fit.u(0) == pytest.approx(0.33803060268355556, rel=1e-8)
    assert fit.factor == pytest.approx(2.306004, abs=1e-6)  # Student's t table, 8 degrees of freedom


def test_a_line_through_values_with_common_errors_is_what_a_reference_library_gives() -> None:
    """statsmodels 0.15.0, GLS with fixed scale; what all have in common tilts nothing."""
    t = np.array([0.0, 0.9, 2.1, 3.0, 4.2])
    y = np.array([76.2, 75.6, 75.1, 74.2, 73.9])
    own = np.diag(np.array([0.2, 0.3, 0.2, 0.4, 0.3]) ** 2)
    X = np.column_stack([np.ones(5), t])
    fit = pooling.fitted(y, X, own + 0.3**2)
    assert fit.value == pytest.approx([76.18832888, -0.55744388], abs=1e-8)
    assert [fit.u(0), fit.u(1)] == pytest.approx([0.34503142, 0.07832977], abs=1e-8)
    assert (fit.tau2, fit.df) == (0.0, 3)
    apart = pooling.fitted(y, X, own)
    assert apart.value[1] == pytest.approx(fit.value[1], abs=1e-9)
    assert apart.u(1) == pytest.approx(fit.u(1), rel=1e-9)


def test_strata_together_are_least_squares_with_the_whole_covariance() -> None:
    rng = np.random.default_rng(4)
    amps, pairs = 12, 4
    amp, soak, pair = (one.ravel() for one in np.meshgrid(range(amps), (0, 1), range(pairs), indexing="ij"))
    bench = (amp + soak * (1 + amp % 2)) % 3
    column = bench * pairs + pair
    y = rng.normal(0, 0.02, (amps, pairs))[amp, pair] + rng.normal(0, 0.003, len(amp)) + 0.02 * (column == 6)
    X = np.eye(12)[column]
    within = pooling.stratum(y, X, [amp * pairs + pair, amp * 2 + soak])
    means = [(y[at].mean(), X[at].mean(axis=0)) for at in _groups(amp * pairs + pair)]
    between = pooling.stratum(
        np.array([one for one, _ in means]),
        np.array([one for _, one in means]),
        [np.repeat(range(amps), pairs)],
    )
    found = pooling.joined([between, within])
    assert found is not None
    # the same written out: pairs share their valves, soaks have a level of their own
    same = (amp * pairs + pair)[:, None] == (amp * pairs + pair)[None, :]
    V = within.squares * np.eye(len(y)) + (between.squares - within.squares / 2.0) * same
    levels = np.eye(2 * amps)[amp * 2 + soak]
    inverse = np.linalg.inv(V)
    free = inverse - inverse @ levels @ np.linalg.inv(levels.T @ inverse @ levels) @ levels.T @ inverse
    cov = np.linalg.pinv(X.T @ free @ X, rcond=1e-10)
    value = cov @ X.T @ free @ y
    apart = np.zeros(12)
    apart[[6, 7]] = 1.0, -1.0
    assert apart @ found.value == pytest.approx(apart @ value, abs=1e-9)
    assert apart @ found.cov @ apart == pytest.approx(apart @ cov @ apart, rel=1e-6)


def _groups(of: Any) -> Iterator[Any]:
    for one in np.unique(of):
        yield np.flatnonzero(of == one)


def test_of_many_tests_those_are_believed_that_the_published_example_believes() -> None:
    """Benjamini and Hochberg 1995, section 4.1: of 15 p-values the four least at 0.05, of which Bonferroni
    believes three.
    """
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
         0.6528, 0.7590, 1.0000]  # fmt: skip
    order = np.random.default_rng(2).permutation(15)
    believed = pooling.surprising(np.array(p)[order])
    assert sorted(np.array(p)[order][believed]) == p[:4]
    assert not pooling.surprising([]).size


# ---- the shop


def row_of(found: dict[str, Any], bench: str, channel: str) -> dict[str, Any]:
    rows = next(one["channels"] for one in found["benches"] if one["bench"] == bench)
    row: dict[str, Any] = next(one for one in rows if one["channel"] == channel)
    return row


def test_a_resistor_that_is_2_percent_off_is_named_with_how_much() -> None:
    of, _, _ = simulated.shop(1, off={simulated.OFF: simulated.OFF_BY})
    found = across.benches(of)
    called = [
        (bench["bench"], row["channel"])
        for bench in found["benches"]
        for row in bench["channels"]
        if row["offset"] is not None and row["offset"]["off"]
    ]
    assert called == [simulated.OFF]
    offset = row_of(found, *simulated.OFF)["offset"]
    low, high = offset["interval_pct"]
    assert low < 2.0 < high + 0.2
    assert high - low < 0.6
    assert not any(one["whole"]["off"] for one in found["benches"])
    (says,) = found["says"]
    assert says.startswith("bench 4, pair3 reads 2.")
    assert "its parts allow 0.2 %. Calibrate it" in says


def test_a_whole_bench_that_reads_high_is_named_and_not_its_channels() -> None:
    of, _, _ = simulated.shop(2, bench_off={"bench 2": 0.02})
    found = across.benches(of)
    off = [one["bench"] for one in found["benches"] if one["whole"]["off"]]
    assert off == ["bench 2"]
    assert next(one for one in found["benches"] if one["bench"] == "bench 2")["whole"][
        "offset_pct"
    ] == pytest.approx(2.0, abs=0.4)
    assert not any(row["offset"]["off"] for one in found["benches"] for row in one["channels"])


def test_who_sets_each_pair_by_a_wrong_reading_hides_it_and_nothing_is_claimed() -> None:
    """The same shop, all amps set pair by pair on one bench, none moved: nothing can be said of channels."""
    _, _, (soaks, jobs, fittings) = simulated.shop(3, off={simulated.OFF: simulated.OFF_BY})
    text = simulated.setup_text("x", "bench 4", "each pair")
    kept = [replace(one, setup_text=text, bench="bench 4") for one in soaks if one.kind == "as left"]
    found = across.benches(across.assembled(kept, jobs, fittings, []))
    (bench,) = found["benches"]
    assert all(row["offset"] is None for row in bench["channels"])
    assert bench["channels"][0]["offset_needs"].startswith("0 amps that can show it")
    assert bench["whole"] is None
    assert bench["whole_needs"].startswith("not comparable")
    assert found["says"] == ["Benches can't be held against each other yet."]


def test_intervals_hold_and_nothing_is_called_off_where_nothing_is() -> None:
    held: list[bool] = []
    for seed in range(6):
        of, truth, _ = simulated.shop(seed)
        by_valves, by_bench = across.valves(of), across.benches(of)
        channels = simulated.channels_held(by_bench, truth)
        whole = simulated.benches_held(by_bench, truth)
        assert not any(off for _, _, off in (*channels, *whole))
        held += [*simulated.batches_held(by_valves), *simulated.settling_held(by_valves)]
        held += [ok for _, ok, _ in (*channels, *whole)]
    assert len(held) > 150
    assert np.mean(held) > 0.9


def test_batches_are_told_apart_with_what_is_known_of_each() -> None:
    of, _, _ = simulated.shop(4)
    (kind,) = across.valves(of)["types"]
    by_name = {one["batch"]: one for one in kind["batches"]}
    assert by_name["2025-03"]["current"]["differs"]
    assert by_name["2025-03"]["current"]["beside"] == ["2024-11", "2025-06"]
    assert by_name["2025-03"]["settling"]["mean_min"] > by_name["2024-11"]["settling"]["mean_min"]
    for one in by_name.values():
        failures = one["failures"]
        assert failures["seen_h"] <= 24.0 * failures["pairs"]
        assert (
            failures["interval_per_1000_h"][0] <= failures["per_1000_h"] <= failures["interval_per_1000_h"][1]
        )
    assert kind["pair_spread_pct"] == pytest.approx(100 * simulated.PAIR_SPREAD, abs=0.5)


def test_where_each_pair_is_set_batches_are_told_apart_by_their_bias_volts() -> None:
    of, _, _ = simulated.shop(10, bias_read=True)
    (kind,) = across.valves(of)["types"]
    by_name = {one["batch"]: one["current"] for one in kind["batches"]}
    assert by_name["2025-03"]["differs"]
    held = simulated.batches_held({"types": [kind]})
    assert all(held)
    # how much a volt of bias does is known to 40 % only, and that is so for all amps alike
    low, high = by_name["2025-03"]["interval_pct"]
    assert high - low > 0.8 * by_name["2025-03"]["difference_pct"]
    unread, _, _ = simulated.shop(10, bias_read=True)
    (kind,) = across.valves(replace(unread, readings={}))["types"]
    assert [one["current"] for one in kind["batches"]] == [None, None, None]


def test_two_benches_that_differ_can_not_be_told_which_is_off() -> None:
    _, _, (soaks, jobs, fittings) = simulated.shop(11, amps=100, bench_off={"bench 2": 0.03})
    two = ("bench 1", "bench 2")
    kept = [one for one in soaks if one.bench in two]
    found = across.benches(across.assembled(kept, jobs, fittings, []))
    assert [one["whole"]["off"] for one in found["benches"]] == [True, True]
    one, other = (bench["whole"]["offset_pct"] for bench in found["benches"])
    assert other - one == pytest.approx(3.0, abs=0.4)
    (says,) = (text for text in found["says"] if "can't be told" in text)
    assert says.startswith(f"bench 1 reads {abs(other - one):.1f} % less")


def test_a_soak_whose_set_up_can_not_be_read_is_left_out_and_counted() -> None:
    _, _, (soaks, jobs, fittings) = simulated.shop(12, amps=6)
    odd = replace(soaks[0], setup_text=soaks[0].setup_text.replace("setup/1", "setup/9"))
    running = replace(soaks[1], ended=None, verdict=None)
    found = across.valves(across.assembled([odd, running, *soaks[2:]], jobs, fittings, []))
    assert (found["soaks"], found["not_read"]) == (len(soaks) - 1, 1)


def test_a_failure_counts_as_early_by_the_hours_that_its_valves_had_been_hot() -> None:
    _, _, (soaks, jobs, fittings) = simulated.shop(5, amps=1, visits=3)
    soaks = soaks[:2]
    for soak in soaks:
        assert soak.verdict is not None
        soak.verdict["findings"] = []
    trip = {"kind": "runaway", "channel": "pair2", "onset_s": 3610.0, "severity": "trip"}
    soaks[1].verdict["findings"] = [trip]  # type: ignore[index]

    def early(h: float) -> dict[str, Any]:
        (kind,) = across.valves(across.assembled(soaks, jobs, fittings, []), h)["types"]
        rows = [one["failures"] for one in kind["batches"]]
        return {key: sum(one[key] for one in rows) for key in ("pairs", "failed", "seen_h")}

    # hot from 10 s on: the soak before had 2 h, this one 1 h until it failed
    assert early(4.0) == {"pairs": 4, "failed": 1, "seen_h": pytest.approx(3 * 4.0 + 3.0)}
    assert early(2.5) == {"pairs": 4, "failed": 0, "seen_h": pytest.approx(4 * 2.5)}
    with pytest.raises(RequestError, match="above 0"):
        early(0.0)


def test_with_few_amps_it_says_what_is_needed_instead_of_a_figure() -> None:
    of, _, _ = simulated.shop(6, amps=2)
    found = across.valves(of)
    for one in found["types"][0]["batches"]:
        assert one["current"] is None
        assert one["current_needs"].endswith("3 are needed") or one["current_needs"].startswith(
            "never beside"
        )
        assert one["settling"] is None
        assert one["settling_needs"].endswith("3 are needed")
    assert found["says"] == ["No batch can be held against another yet."]
    nothing = across.assembled([], [], [], [])
    assert across.valves(nothing)["types"] == []
    assert across.benches(nothing)["benches"] == []
    with pytest.raises(RequestError, match="no soak has been judged"):
        across.named(nothing, "last")


def test_valves_that_were_not_recorded_are_in_no_batch() -> None:
    _, _, (soaks, jobs, fittings) = simulated.shop(7, amps=8)
    found = across.valves(across.assembled(soaks, jobs, fittings[:-1], []))
    unknown = next(one for one in found["types"][0]["batches"] if one["batch"] is None)
    assert (unknown["pairs"], unknown["current"], unknown["failures"]) == (1, None, None)
    assert unknown["current_needs"] == "its batch is not in the job record"


def test_one_amp_on_two_benches_is_known_by_name_and_serial_number() -> None:
    _, _, (soaks, jobs, fittings) = simulated.shop(8, amps=2, visits=2)
    of = across.assembled(soaks, jobs, fittings, [])
    assert len(set(of.amp_of.values())) == 2
    other = replace(jobs[0].amp, id=99, uuid="of the other bench's record")
    again = [replace(jobs[0], amp=other), *jobs[1:]]
    assert across.assembled(soaks, again, fittings, []).amp_of == of.amp_of
    assert across.named(of, "theatre pa 240 w, no. 1") == across.named(of, "1")
    with pytest.raises(RequestError, match="there is no amp 'Cinema'"):
        across.named(of, "Cinema")


# ---- from a store, by the command


@pytest.fixture(scope="module")
def shop_db(tmp_path_factory: pytest.TempPathFactory) -> Path:
    _, _, parts = simulated.shop(1, amps=16, off={simulated.OFF: simulated.OFF_BY}, visits=3)
    return simulated.stored(tmp_path_factory.mktemp("shop") / "soak.db", *parts)


@pytest.mark.parametrize("what", ["valves", "amp", "benches"])
def test_the_command_says_the_same_in_json_and_as_a_table(
    what: str, shop_db: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert soakbench.main(["across", what, "--db", str(shop_db), "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["schema"], document["of"]) == ("soakbench.across/1", what)
    assert soakbench.main(["across", what, "--db", str(shop_db)]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert document["says"][0] in shown
    assert "nan" not in shown


def test_what_cannot_be_looked_at_is_refused_in_a_sentence(
    shop_db: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for arguments, says in (
        (["dogs"], "say across valves, across amp or across benches, not across dogs"),
        (["amp", "9999"], "there is no judged soak 9999"),
        (["valves", "--hours", "0"], "above 0"),
    ):
        assert soakbench.main(["across", *arguments, "--db", str(shop_db)]) == 2
        assert says in capsys.readouterr().err


def test_a_store_is_read_by_as_many_queries_however_many_soaks_it_has(tmp_path: Path) -> None:
    counts = []
    for amps in (2, 12):
        _, _, parts = simulated.shop(9, amps=amps)
        reader = Reader(simulated.stored(tmp_path / f"{amps}.db", *parts))
        asked: list[str] = []

        def note(_c: Any, _k: Any, statement: str, *_: Any, into: list[str] = asked) -> None:
            into.extend([statement] if statement.startswith("SELECT") else [])

        sa.event.listen(sa.Engine, "before_cursor_execute", note)
        try:
            across.valves(across.shop(reader))
        finally:
            sa.event.remove(sa.Engine, "before_cursor_execute", note)
        counts.append(len(asked))
    assert counts[0] == counts[1] < 20


def test_an_amp_that_ages_shows_its_slope_over_the_years(shop_db: Path) -> None:
    reader = Reader(shop_db)
    of = across.shop(reader)
    which = across.named(of, "1")
    soaks = across.visits_of(of, which)
    assert len(soaks) == 3
    visits = [compare.visit(reader, one.id) for one in soaks]
    for year, visit in enumerate(visits):
        told = visit.channel("pair2")
        told["settled_mA"] -= 2.0 * year
    found = across.amp(of, which, visits)
    pair = next(one for one in found["pairs"] if one["name"] == "pair2")
    assert pair["slope"]["mA_per_year"] == pytest.approx(-2.0, abs=0.3)
    assert [row["moved"] for row in pair["visits"]] == [None, True, True]
    assert any("pair2 (V3/V4) moved more than its uncertainty" in text for text in found["says"])
    other = next(one for one in found["pairs"] if one["name"] == "pair1")
    assert not other["slope"]["significant"]
    alone = across.amp(of, which, visits[:1])
    assert alone["says"] == ["One visit only: what moves shows from the second on."]
    assert alone["pairs"][0]["slope_needs"] == "visits with these valves: 1, 3 are needed"


def test_other_valves_begin_a_new_line(shop_db: Path) -> None:
    reader = Reader(shop_db)
    of = across.shop(reader)
    which = across.named(of, "1")
    soaks = across.visits_of(of, which)
    late = soaks[2].started - timedelta(days=1)
    was = of.fittings[which]
    old = [replace(one, removed=late) if one.socket == "V3" else one for one in was]
    new = replace(next(one for one in was if one.socket == "V3"), id=9999, valve_id=9999, fitted=late)
    changed = replace(of, fittings={**of.fittings, which: (*old, new)})
    found = across.amp(changed, which, [compare.visit(reader, one.id) for one in soaks])
    pair = next(one for one in found["pairs"] if one["name"] == "pair2")
    assert [row["new_valves"] for row in pair["visits"]] == [False, False, True]
    assert pair["slope"] is None


# ---- the page


def _texts(component: Any) -> str:
    if isinstance(component, (list, tuple)):
        return " ".join(map(_texts, component))
    return component if isinstance(component, str) else _texts(getattr(component, "children", None) or "")


def test_the_page_has_the_three_tables_and_a_chart_of_each(shop_db: Path) -> None:
    found = page_of.looked_across(Reader(shop_db), None)
    assert isinstance(found, dict)
    shown = page_of.page(found, View(1280))
    said = _texts(shown)
    for document in (found["valves"], found["benches"], found["amp"]):
        for sentence in document["says"]:
            assert sentence in said
    assert found["amp"]["amp"] not in [one["name"] for one in found["others"]]
    assert "nan" not in said
    assert said.count("pair3 (V5/V6)") >= len(found["amp"]["visits"])
    in_mV = page_of.page(found, View(360), "valve")
    assert "mA a valve" in _texts(in_mV)
    first = found["amp"]["pairs"][0]["visits"][0]["settled_mA"]
    assert f"{first / 2:.1f}" in _texts(in_mV)


def test_what_is_not_there_is_said_in_the_place_of_the_page(shop_db: Path, tmp_path: Path) -> None:
    missing = page_of.looked_across(Reader(shop_db), 9999)
    assert isinstance(missing, Absent)
    assert missing.what_to_do == "There is no judged soak 9999: soakbench soaks lists them."
    nothing = page_of.looked_across(Reader(simulated.stored(tmp_path / "soak.db", [], [], [])), None)
    assert isinstance(nothing, Absent)
    assert nothing.title == "Nothing to look across yet"


def test_a_chart_of_intervals_names_each_row_and_marks_what_is_off() -> None:
    of, _, _ = simulated.shop(1, off={simulated.OFF: simulated.OFF_BY})
    rows = across_chart.channels(across.benches(of))
    assert [row.name for row in rows if row.sure] == ["bench 4, pair3"]
    figure = across_chart.intervals(rows, "Off by", View(1280))
    texts = [one["text"] for one in figure["layout"]["annotations"]]
    assert "bench 4, pair3" in texts
    marks = [one["marker"]["symbol"] for one in figure["data"] if one["mode"] == "markers"]
    assert (marks.count("triangle-up"), len(marks)) == (1, len(rows))
    many = {**across.benches(of), "benches": across.benches(of)["benches"] * 3}
    assert len(across_chart.channels(many)) <= across_chart.MOST_ROWS


def test_text_from_a_file_is_no_markup_in_a_chart() -> None:
    row = across_chart.Row("<b>bag</b>", 1.0, 0.5, 1.5, 0, False)
    drawn = json.dumps(across_chart.intervals([row], "<i>", View(1280)))
    assert "<b>" not in drawn
    assert "<i>" not in drawn
    assert "&lt;b&gt;bag" in drawn
