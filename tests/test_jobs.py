"""The job record's domain: states, plans, hours, readings, limits, checklists, the verdict."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from store_case import setup_text

from logger import bench_readings, checklist, jobs
from logger.bench_readings import grid_leak_limit, power_of, read_csv, read_figure, tap_share
from logger.errors import RequestError
from logger.jobs import (
    AS_FOUND_PLAN,
    MAY_FOLLOW,
    SHOWS,
    Amp,
    BenchReading,
    ChecklistItem,
    Fitting,
    Job,
    JobSoak,
    Overruling,
    State,
    Valve,
    hours,
    judge,
    propose_plan,
)
from logger.setup import parse, with_plan

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
KEPT: dict[str, Any] = {"version": 1, "made": NOON, "made_by": "the workshop"}
AMP = Amp(id=1, **KEPT, uuid="a", name="Theatre PA 240 W", serial="", notes="", rated_w=240.0)


def after(minutes: float) -> datetime:
    return NOON + timedelta(minutes=minutes)


def a_job(**parts: Any) -> Job:
    return Job(
        id=1,
        **KEPT,
        uuid="j",
        amp=AMP,
        customer="",
        complaint="",
        shows=(),
        condition="",
        state=State.READY,
        received=NOON,
        closed=None,
        **parts,
    )


def a_soak(number: int = 1, statement: str | None = "pass", **more: Any) -> JobSoak:
    values: dict[str, Any] = {
        "id": number,
        "job_id": 1,
        "amp_id": 1,
        "kind": "as left",
        "started": after(100.0 * number),
        "ended": after(100.0 * number + 90.0),
        "how": "finished",
        "last_s": 5400.0,
        "states": (("off", 0.0), ("warming", 60.0), ("soaking", 1860.0)),
        "verdict": {
            "soak": {"verdict": statement, "says": f"soak {number} says so."},
            "channels": [{"name": "pair1", "label": "pair1 (V1/V2)", "statements": {"drift": statement}}],
            "findings": [],
        },
        "setup_text": setup_text(1),
    }
    return JobSoak(**values | more)


def a_reading(number: int = 1, **more: Any) -> BenchReading:
    values: dict[str, Any] = {
        "id": number,
        **KEPT,
        "job_id": 1,
        "taken": after(number),
        "stage": "as left",
        "quantity": "hum and noise",
        "place": "",
        "value": 2.0,
        "unit": "mV",
        "uncertainty": 0.2,
        "instrument": "",
        "load_ohm": None,
        "tap_ohm": None,
        "weighting": "A",
        "bandwidth": "20 Hz to 20 kHz",
        "least": None,
        "most": None,
        "limit_source": "",
        "note": "",
    }
    return BenchReading(**values | more)


# ---- states, complaint, plan


def test_every_state_can_be_reached_and_left_and_a_collected_job_goes_back_only_one_way() -> None:
    reached = {State.RECEIVED}
    while True:
        further = reached | {after for state in reached for after in MAY_FOLLOW[state]}
        if further == reached:
            break
        reached = further
    assert reached == set(State) == set(MAY_FOLLOW)
    assert MAY_FOLLOW[State.COLLECTED] == (State.READY,)


def test_when_a_complaint_shows_is_read_in_any_order_and_spelling() -> None:
    assert jobs.shows_of("When-Knocked, hot,hot ,") == ("hot", "when knocked")
    assert jobs.shows_of("") == ()
    with pytest.raises(RequestError, match="can't show 'warm': it is one of cold, hot, loud"):
        jobs.shows_of("hot, warm")


@pytest.mark.parametrize(
    "shows", [c for n in range(len(SHOWS) + 1) for c in itertools.combinations(SHOWS, n)]
)
def test_every_proposed_plan_is_one_that_a_set_up_takes(shows: tuple[str, ...]) -> None:
    proposal = propose_plan(shows)
    plan = parse(with_plan(setup_text(2), proposal.toml)).plan
    assert tuple((step.step, step.minutes) for step in plan.steps) == proposal.steps
    names = [step for step, _ in proposal.steps]
    assert names[:2] == ["warm-up", "soak"]
    assert ("signal" in names) == ("loud" in shows)
    assert ("heaters only" in names) == ("after standby" in shows)
    assert ("off" in names) == ("cold" in shows)
    # after heaters only, or off, it warms up again before it is judged
    for before, then in itertools.pairwise(names):
        assert before not in ("heaters only", "off") or then == "warm-up"


def test_the_soak_as_found_takes_20_minutes_and_asks_for_bias_volts_first() -> None:
    assert AS_FOUND_PLAN.minutes == 20.0
    assert "before a pot is touched" in AS_FOUND_PLAN.do[0]


@pytest.mark.parametrize(
    "plan",
    [
        '[plan]\nsteps = [\n  {step = "warm-up", minutes = 30},\n  {step = "soak", minutes = 120},\n]\n',
        '[ plan ]  # agreed\nsteps = [{step = "soak", minutes = 5}]\n',
    ],
)
def test_another_plan_leaves_the_rest_of_a_set_up_as_it_was_written(plan: str) -> None:
    head, tail = setup_text(2).split("[plan]")[0], "[limits]  # the customer's\nmatch_pct = 3\n"
    changed = with_plan(f"{head}{plan}{tail}", AS_FOUND_PLAN.toml)
    assert head in changed
    assert tail.rstrip() in changed
    assert [step.minutes for step in parse(changed).plan.steps] == [15.0, 5.0]


def test_a_plan_that_can_not_be_taken_out_is_refused() -> None:
    head = setup_text(2).split("[plan]")[0]
    text = f'plan.steps = [{{step = "soak", minutes = 5}}]\n{head}'
    with pytest.raises(RequestError, match=r"can't be replaced as it is written"):
        with_plan(text, AS_FOUND_PLAN.toml)


# ---- hours


def sat(valve: int, fitted: float, removed: float | None, amp: int = 1) -> Fitting:
    """A valve in V5 between two minutes after noon."""
    return Fitting(
        id=valve,
        **KEPT,
        amp_id=amp,
        valve_id=valve,
        socket="V5",
        how="fitted",
        fitted=after(fitted),
        removed=None if removed is None else after(removed),
        why_removed="",
        job_id=1,
        out_job_id=None,
        valve=Valve(
            id=valve,
            **KEPT,
            uuid="v",
            label=str(valve),
            type="",
            batch="",
            seller_a=None,
            seller_s=None,
            seller_note="",
            notes="",
        ),
        amp="",
    )


def test_hours_at_heat_and_at_idle_are_those_that_a_valve_sat_in_the_amp() -> None:
    """60 s off, 30 min warming, 59 min soaking; then a second soak with standby and signal."""
    first = a_soak(1)
    second = a_soak(
        2,
        states=(("off", 0.0), ("warming", 600.0), ("standby", 1800.0), ("under signal", 3600.0)),
        last_s=4500.0,
    )
    found = hours([sat(1, 0.0, None), sat(2, 100.0 + 46.0, 150.0), sat(3, 0.0, None, amp=2)], [first, second])
    assert found[1] == jobs.Hours(
        heat_s=5340.0 + 3900.0, idle_s=5340.0 + 1200.0, signal_s=900.0, untold_s=0.0, soaks=2
    )
    assert found[2] == jobs.Hours(heat_s=240.0, idle_s=240.0, signal_s=0.0, untold_s=0.0, soaks=1)
    assert found[3] == jobs.Hours()


@given(st.floats(-50.0, 250.0))
def test_two_valves_in_one_socket_share_its_hours_wherever_the_change_falls(change: float) -> None:
    soak = a_soak(1)
    whole = hours([sat(1, -100.0, None)], [soak])[1]
    split = hours([sat(1, -100.0, change), sat(2, change, None)], [soak])
    assert math.isclose(split[1].heat_s + split[2].heat_s, whole.heat_s, abs_tol=1e-3)
    assert math.isclose(split[1].idle_s + split[2].idle_s, whole.idle_s, abs_tol=1e-3)


def test_a_soak_whose_states_are_not_known_is_told_apart() -> None:
    broken = a_soak(1, states=(("soaking", 3600.0),), verdict=None, how="broken off")
    found = hours([sat(1, 0.0, None)], [broken, a_soak(2, last_s=None)])[1]
    assert (found.heat_s, found.untold_s, found.soaks) == (1800.0, 3600.0, 1)


# ---- the verdict


@pytest.mark.parametrize(
    ("parts", "statement"),
    [
        ({}, None),
        ({"soaks": (a_soak(1, "pass"),)}, "pass"),
        ({"soaks": (a_soak(1, "fail"), a_soak(2, "pass"))}, "pass"),
        ({"soaks": (a_soak(1, "pass"), a_soak(2, None))}, None),
        ({"soaks": (a_soak(1, "pass"), a_soak(2, "fail", kind="as found"))}, "pass"),
        ({"soaks": (a_soak(1, "pass"), a_soak(2, "fail", ended=None, how=None))}, "pass"),
        (
            {
                "soaks": (a_soak(setup_text="[decision]\nguard_band_U = 0.1\n"),),
                "readings": (a_reading(most=2.1),),
            },
            "pass",
        ),
        ({"soaks": (a_soak(),), "readings": (a_reading(most=3.0),)}, "pass"),
        ({"soaks": (a_soak(),), "readings": (a_reading(most=2.1),)}, "conditional pass"),
        ({"soaks": (a_soak(),), "readings": (a_reading(most=1.9),)}, "conditional fail"),
        ({"soaks": (a_soak(),), "readings": (a_reading(most=1.7),)}, "fail"),
        (
            {
                "soaks": (a_soak(setup_text="[decision]\nrule = 'simple'\n"),),
                "readings": (a_reading(most=2.1),),
            },
            "pass",
        ),
        ({"soaks": (a_soak(),), "readings": (a_reading(least=2.5),)}, "fail"),
        ({"soaks": (a_soak(),), "readings": (a_reading(most=1.0, stage="as found"),)}, "pass"),
        ({"soaks": (a_soak(),), "readings": (a_reading(2, most=3.0), a_reading(1, most=1.0))}, "pass"),
        ({"readings": (a_reading(most=3.0),)}, None),
        ({"readings": (a_reading(most=1.0),)}, "fail"),
    ],
)
def test_a_job_is_judged_by_its_last_soak_and_readings_as_left(
    parts: dict[str, Any], statement: str | None
) -> None:
    assert judge(a_job(**parts)).statement == statement


def an_item(result: str | None) -> ChecklistItem:
    return ChecklistItem(
        id=1,
        **KEPT,
        job_id=1,
        place=1,
        section="electrical safety",
        what="earth continuity",
        caution="",
        asks="ohm",
        result=result,
        value=None,
        note="9 ohm",
        done=None if result is None else after(300.0),
        done_by="",
    )


def test_a_fault_on_the_checklist_fails_a_job_and_what_is_open_is_said() -> None:
    soaks = (a_soak(),)
    assert judge(a_job(soaks=soaks, checklist=(an_item("fault"),))).statement == "fail"
    found = judge(a_job(soaks=soaks, checklist=(an_item(None),)))
    assert found.statement == "pass"
    assert found.not_seen == ("on the checklist still open: earth continuity",)
    assert judge(a_job(soaks=soaks, checklist=(an_item("fine"),))).not_seen == ()


def test_a_soak_cut_short_is_judged_for_what_was_seen_and_says_what_was_not() -> None:
    verdict = {
        "soak": {"verdict": "conditional pass", "says": "what was seen was well."},
        "channels": [
            {"name": "pair1", "label": "pair1 (V1/V2)", "statements": {"drift": None, "dissipation": "pass"}}
        ],
        "findings": [{"kind": "gap", "severity": "warning"}, {"kind": "gap", "severity": "remark"}],
    }
    found = judge(a_job(soaks=(a_soak(3, how="stopped", last_s=2400.0, verdict=verdict),)))
    assert found.statement == "conditional pass"
    assert found.not_seen == (
        "soak 3 was stopped after 40 min",
        "soak 3 has 1 gap in its record",
        "pair1 (V1/V2): drift",
    )
    running = judge(a_job(soaks=(a_soak(1), a_soak(2, None, ended=None, how=None))))
    assert running.not_seen == ("soak 2 still runs",)


def overruled(at_min: float, statement: str = "pass") -> Overruling:
    return Overruling(
        id=int(at_min), job_id=1, made=after(at_min), made_by="the head", statement=statement, reason="known"
    )


def test_a_person_overrules_until_something_later_is_judged() -> None:
    job = a_job(
        soaks=(a_soak(1, "fail"),), overrulings=(overruled(195.0), overruled(200.0, "conditional pass"))
    )
    found = judge(job)
    assert (found.statement, found.stands) == ("fail", "conditional pass")
    assert found.overruled == job.overrulings[1]
    later = judge(replace(job, soaks=(*job.soaks, a_soak(2, "fail"))))
    assert (later.stands, later.overruled) == ("fail", None)
    reading = a_reading(most=1.0, made=after(250.0))
    assert judge(replace(job, readings=(reading,))).overruled is None
    assert judge(replace(job, checklist=(an_item("fault"),))).overruled is None


# ---- readings


def test_output_power_is_volts_squared_over_the_load_with_twice_the_relative_uncertainty() -> None:
    """20 V into 8 ohm are 50 W; 1 % of the volts are 2 % of the watts (GUM, 5.1.6)."""
    power = power_of(
        a_reading(quantity="output voltage", value=20.0, unit="V", uncertainty=0.2, load_ohm=8.0)
    )
    assert power is not None
    assert (power.watts, power.U_watts, power.share) == (50.0, 1.0, None)
    assert power_of(a_reading()) is None


def delivered(load: float, source: float, volts_most: float, amperes_most: float, emf: float) -> float:
    """Power in a load on a source of resistance `source`, its volts and amperes limited: Ohm's law alone."""
    amperes = min(emf / (source + load), volts_most / load, amperes_most)
    return amperes * amperes * load


@pytest.mark.parametrize("load", [2.0, 4.0, 8.0, 16.0])
@pytest.mark.parametrize("tap", [4.0, 8.0])
def test_the_share_of_rated_power_lies_between_a_clipped_and_a_matched_source(
    load: float, tap: float
) -> None:
    low, high = tap_share(load, tap)
    rated_v, rated_a = 10.0, 10.0 / tap
    rated_w = rated_v * rated_a
    # a stiff source that clips at the rated volts and amperes
    assert low == pytest.approx(delivered(load, 1e-9, rated_v, rated_a, 1e3) / rated_w)
    # a linear one whose resistance is the tap's
    assert high == pytest.approx(delivered(load, tap, math.inf, math.inf, 2 * rated_v) / rated_w)
    assert low <= high <= 1.0


def test_8_ohm_on_a_4_ohm_tap_gives_less_than_rated_and_is_no_fault() -> None:
    assert tap_share(8.0, 4.0) == pytest.approx((0.5, 8 / 9))
    assert tap_share(8.0, 8.0) == (1.0, 1.0)
    power = power_of(
        a_reading(
            quantity="output voltage", value=36.0, unit="V", uncertainty=None, load_ohm=8.0, tap_ohm=4.0
        )
    )
    assert power is not None
    assert power.words(240.0) == (
        "162 W, of 240 W rated; this load on this tap leaves 120 to 213 W: less is no fault of the amp"
    )


def test_the_limit_of_a_grid_leak_is_the_sheets_over_the_valves_that_share_it() -> None:
    """EL34: 700 kohm in class A or AB (Mullard, January 1969); KT66: 250 kohm with fixed bias (GEC, 1963)."""
    assert grid_leak_limit("EL34").most_ohm == 700e3
    shared = grid_leak_limit("EL34", sharing=2)
    assert shared.most_ohm == 350e3
    assert "350 kohm, 700 kohm for one shared by 2 (Mullard/Philips EL34 data sheet" in shared.says
    assert grid_leak_limit("KT66").most_ohm == 250e3
    assert "anode + screen up to 27 W" in grid_leak_limit("KT66").says
    assert grid_leak_limit("KT66", bias="cathode").most_ohm == 1000e3
    assert "from memory: look it up" in grid_leak_limit("6550").says


def test_a_limit_that_no_sheet_gives_is_not_made_up() -> None:
    for valve in ("KT77", "no such valve"):
        found = grid_leak_limit(valve)
        assert found.most_ohm is None
        assert "no limit known" in found.says


@pytest.mark.parametrize(
    ("text", "figure"),
    [
        ("-38.5 V", (-38.5, None, "V")),
        ("455 ± 2 V", (455.0, 2.0, "V")),
        ("455+-2V", (455.0, 2.0, "V")),
        ("220 kΩ", (220.0, None, "kohm")),
        ("0,35 %", (0.35, None, "%")),
        ("1.2e-3 V", (0.0012, None, "V")),
        ("800 µV", (800.0, None, "uV")),
    ],
)
def test_a_figure_is_read_as_a_person_writes_it(text: str, figure: tuple[float, float | None, str]) -> None:
    found = read_figure(text)
    assert (found["value"], found["uncertainty"], found["unit"]) == figure


@pytest.mark.parametrize("text", ["", "V", "38", "1.2.3 V", "thirty V", "1e999 V"])
def test_what_is_no_figure_is_refused(text: str) -> None:
    with pytest.raises(RequestError):
        read_figure(text)


@given(st.floats(1e-6, 1e6), st.sampled_from(["V", "mV", "kohm", "W", "%"]))
def test_any_figure_with_a_unit_comes_back(value: float, unit: str) -> None:
    assert read_figure(f"{value!r} {unit}") == {"value": value, "uncertainty": None, "unit": unit}


def test_a_unit_with_a_prefix_is_brought_to_its_base() -> None:
    assert bench_readings.in_base(220.0, "kohm") == (220e3, "ohm")
    assert bench_readings.in_base(5.0, "mohm") == (0.005, "ohm")
    assert bench_readings.in_base(3.0, "%") == (3.0, "%")


@pytest.mark.parametrize(
    ("reading", "complaint"),
    [
        ({"quantity": "bias vots", "unit": "V"}, "the nearest is 'bias volts'"),
        ({"quantity": "HT", "unit": "mA"}, "HT is read in V, not in mA"),
        ({"quantity": "output voltage", "unit": "V"}, "nothing without its load"),
        ({"quantity": "hum and noise", "unit": "mV", "weighting": "A"}, "without its bandwidth"),
    ],
)
def test_a_reading_that_says_too_little_is_refused(reading: dict[str, Any], complaint: str) -> None:
    with pytest.raises(RequestError, match=complaint):
        bench_readings.checked(reading)


CSV = "quantity,value,unit,place,stage,load_ohm,taken\nHT,452,V,,as found,,2026-03-02T14:00\n"


def test_readings_come_from_csv_of_either_kind() -> None:
    (ht,) = read_csv(CSV, "as left", "a.csv")
    assert ht == {
        "stage": "as found",
        "quantity": "HT",
        "value": 452.0,
        "unit": "V",
        "taken": datetime(2026, 3, 2, 14, tzinfo=UTC),
    }
    (bias,) = read_csv("\ufeffQuantity;Value;Unit;Place\nbias volts;-38,5;V;V5\n\n", "as left", "b.csv")
    assert (bias["value"], bias["place"], bias["stage"]) == (-38.5, "V5", "as left")


def test_a_csv_file_with_faults_is_refused_with_all_of_them() -> None:
    with pytest.raises(RequestError) as caught:
        read_csv(f"{CSV}HT,x,V,,,,\nHT,1\nHT,,V,,,,\nHT,1,V,,between,,\nHT,1,V,,,,noon\n", "as left", "a.csv")
    said = str(caught.value)
    for part in (
        "line 3: value must be",
        "line 4: 2 cells",
        "line 5: there is no",
        "line 6: 'between'",
        "line 7",
    ):
        assert part in said
    for text, part in (
        ("", "is empty"),
        ("a,b\n1,2\n", "must name columns"),
        ("quantity,value,unit\n", "has no"),
    ):
        with pytest.raises(RequestError, match=part):
            read_csv(text, "as left", "a.csv")


@given(st.one_of(st.text(max_size=80), st.text(max_size=60).map(lambda tail: CSV + tail)))
def test_no_text_breaks_the_reading_of_csv(text: str) -> None:
    try:
        found = read_csv(text, "as left", "a.csv")
    except RequestError:
        return
    assert all(math.isfinite(one["value"]) and one["unit"] is not None for one in found)


# ---- checklists


@pytest.mark.parametrize("name", ["full", "retube"])
def test_a_checklist_begins_with_electrical_safety_and_makes_up_no_limit(name: str) -> None:
    template = checklist.templates()[name]
    assert template.item[0].section == "electrical safety"
    assert any("earth continuity" in item.what and item.asks == "ohm" for item in template.item)
    for item in template.item:
        assert not re.search(r"\d", item.what + item.caution), item
        assert not re.search(r"\b(safe|discharged now)\b", item.what + item.caution), item


def test_the_full_list_has_what_a_job_asks_for_in_its_order() -> None:
    whole = " ".join(item.what for item in checklist.templates()["full"].item)
    order = [
        "earth continuity",
        "discharged",
        "sense resistor",
        "grid leak",
        "lamp",
        "bias volts",
        "controls",
    ]
    places = [whole.index(part) for part in order]
    assert places == sorted(places)


def test_items_for_each_pair_and_socket_take_their_names_and_limits_from_the_set_up() -> None:
    text = setup_text(2).replace('name = "pair1"', 'name = "pair1"\nsockets = ["V1", "V2"]')
    found = [item["what"] for item in checklist.items(checklist.templates()["full"], parse(text), sharing=2)]
    assert "sense resistor of pair1 (V1/V2), measured" in found
    assert "sense resistor of pair2, measured" in found
    (leak,) = [what for what in found if what.startswith("grid leak of V2: ")]
    assert "at most 350 kohm" in leak
    assert [what for what in found if what.startswith("bias volts at")] == [
        "bias volts at V1, valve out",
        "bias volts at V2, valve out",
    ]
    bare = [item["what"] for item in checklist.items(checklist.templates()["full"])]
    assert "grid leak of each socket" in bare


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("x", "is no TOML"),
        ("[[checklist]]\nname = 'a'\n", "wrong at checklist.1.item"),
        ("[[checklist]]\nname = 'a'\n[[checklist.item]]\nsection = 's'\nwhat = ''\n", "what: String should"),
    ],
)
def test_a_checklist_of_ones_own_is_read_or_its_fault_named(text: str, complaint: str) -> None:
    with pytest.raises(RequestError, match=complaint):
        checklist.parse(text, "own.toml")
    own = "[[checklist]]\nname = 'own'\n[[checklist.item]]\nsection = 's'\nwhat = 'fan'\n"
    assert checklist.items(checklist.parse(own, "own.toml")) == [
        {"section": "s", "what": "fan", "asks": "", "caution": ""}
    ]
