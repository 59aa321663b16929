"""The ratings table against the published figures it was made from, and what a set-up makes of it."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np
import pytest

from logger import setup as setups
from logger.blocks import ReadingBlock
from logger.errors import SetupError
from logger.finding import Kind
from logger.pipeline import Pipeline
from logger.valves import FROM_MEMORY, Rating, known_types, nearest_types, rating_for, sheets_of, table
from logger.watch.over_current import OverCurrent
from logger.watch.seconds import Claim

DATA = Path(__file__).parent / "data"

QUANTITIES = {
    "Pa_max": ("anode_W", ""),
    "Pa_max_no_drive": ("anode_W", "without drive"),
    "Pa_max_driven": ("anode_W", "driven"),
    "Pg2_max": ("screen_W", ""),
    "Pg2_max_peak": ("screen_W", "peak"),
    "Pg2_max_speech_peaks": ("screen_W", "speech peaks"),
    "Pa+g2_max": ("anode_plus_screen_W", ""),
    "Va_max": ("anode_V", ""),
    "Va_max_cold": ("anode_V", "cold"),
    "Va=Vg2_max, screens tapped on transformer": ("anode_V", "ultralinear"),
    "Vg2_max": ("screen_V", ""),
    "Ik_max": ("cathode_mA", ""),
    "Ik_max (7591A, Westinghouse 1963)": ("cathode_mA", "7591A (Westinghouse 1963)"),
    "Ia_max": ("anode_mA", ""),
    "Ia_max_fixed_bias": ("anode_mA", "fixed bias"),
    "Ia_max_cathode_or_adjusted_bias": ("anode_mA", "cathode or adjusted bias"),
    "Rg1_max_fixed_bias": ("grid1_kohm", "fixed bias"),
    "Rg1_max_cathode_bias": ("grid1_kohm", "cathode bias"),
    "Rg1_max_class_A_AB": ("grid1_kohm", "class A or AB"),
    "Rg1_max_class_B": ("grid1_kohm", "class B"),
    "Rg1_max_fixed_bias (Pa+g2<=27 W)": ("grid1_kohm", "fixed bias, anode + screen up to 27 W"),
    "Rg1_max_fixed_bias (Pa+g2<=35 W)": ("grid1_kohm", "fixed bias, anode + screen up to 35 W"),
    "Rg1_max_cathode_bias (Pa+g2<=35 W)": ("grid1_kohm", "cathode bias, anode + screen up to 35 W"),
    "Rg1_max_fixed_bias (Pa+g2>35 W)": ("grid1_kohm", "fixed bias, anode + screen above 35 W"),
    "Rg1_max_cathode_bias (Pa+g2>35 W)": ("grid1_kohm", "cathode bias, anode + screen above 35 W"),
}
"""What the table of published figures calls a limit, and what ours does."""

HEATERS = ("Vh", "Ih", "Vf", "If")
"""Nominal values, no limits: not in our table."""


def rows(name: str) -> list[dict[str, str]]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


PUBLISHED = [row for row in rows("valve_ratings.csv") if row["quantity"] not in HEATERS]


def sheet_of(row: dict[str, str]) -> tuple[str, str]:
    """Return type and sheet as ours are named."""
    valve = re.sub(r" \(.*\)|/.*", "", row["valve"])
    named = {
        "6V6GT (1955 sheet)": "1955",
        "6V6GT (later sheet)": "later",
        "300B (1997 and later sheet)": "later",
        "300B (1950 sheet)": "1950",
    }.get(row["valve"])
    for word, name in (
        ("design column", "design"),
        ("absolute column", "absolute"),
        ("ICAS", "ICAS"),
        ("CCS", "CCS"),
    ):
        if named is None and word in row["rating_system"]:
            named = name
    return valve, named or sheets_of(valve)[0]


def condition_of(row: dict[str, str]) -> tuple[str, str]:
    quantity, when = QUANTITIES[row["quantity"]]
    connected = row["rating_system"].partition("triode or ultralinear")[1]
    return quantity, connected or when


def every_rating() -> list[Rating]:
    found = [rating_for(valve, sheet) for valve in known_types() for sheet in sheets_of(valve)]
    assert None not in found
    return [rating for rating in found if rating is not None]


# ---- the table against its source: tests/data/valve_ratings.csv, one publisher's sheet and status a row


@pytest.mark.parametrize(
    "row", PUBLISHED, ids=lambda row: f"{row['valve']} {row['quantity']} {row['rating_system'][-12:]}"
)
def test_each_published_figure_is_in_the_table_with_its_source_and_status(row: dict[str, str]) -> None:
    valve, sheet = sheet_of(row)
    rating = rating_for(valve, sheet)
    assert rating is not None
    quantity, when = condition_of(row)

    found = [f for f in rating.figures if (f.quantity, f.when) == (quantity, when)]

    assert len(found) == 1
    (figure,) = found
    assert figure.value == (None if row["value"] == "none printed" else float(row["value"]))
    assert quantity.endswith(f"_{row['unit']}")
    assert figure.from_memory == (row["status"] == "FROM MEMORY")
    if figure.from_memory:
        assert figure.source.startswith("recollection of the ")
    else:
        assert row["status"] == "VERIFIED"
        assert figure.source == row["source"]
    assert rating.system.split(",")[0].split(" (")[0] in row["rating_system"]


def test_the_table_holds_no_figure_that_has_no_published_row() -> None:
    published = {(*sheet_of(row), *condition_of(row)) for row in PUBLISHED}
    ours = {(r.valve, r.sheet, f.quantity, f.when) for r in every_rating() for f in r.figures}
    assert ours == published
    assert len(published) == len(PUBLISHED) == 148


def test_the_screen_fractions_are_the_range_of_the_confirmed_operating_points() -> None:
    shares: dict[str, list[float]] = {}
    for row in rows("valve_operating_points.csv"):
        if row["status"] == "VERIFIED" and row["Ig2_0_mA"]:
            anode, screen = float(row["Ia0_mA"]), float(row["Ig2_0_mA"])
            shares.setdefault(row["valve"], []).append(screen / (anode + screen))
    every = [share for of_type in shares.values() for share in of_type]
    for rating in every_rating():
        known = shares.get(rating.valve, [])
        if rating.screen_w is None and rating.valve in ("300B", "2A3", "6AS7G"):
            assert rating.screen_fraction == (0.0, 0.0)
            continue
        least, greatest = (min(known), max(known)) if len(known) > 1 else (min(every), max(every))
        assert rating.screen_fraction == pytest.approx((least, greatest), abs=5e-5), rating.valve


# ---- one type, several sheets


def test_a_type_keeps_all_its_sheets_and_says_why_one_is_the_default() -> None:
    assert sheets_of("6V6GT") == ["1955", "later"]
    assert sheets_of("300B") == ["later", "1950"]
    assert sheets_of("KT66") == sheets_of("KT88") == ["design", "absolute"]
    assert sheets_of("807") == ["CCS", "ICAS"]
    by_sheet = {sheet: rating_for("6V6", sheet) for sheet in (None, "1955", "Later")}
    assert [r.anode_w if r else None for r in by_sheet.values()] == [12.0, 12.0, 14.0]
    for rating in every_rating():
        several = len(sheets_of(rating.valve)) > 1
        assert bool(rating.choice) == several
    choices = [sheets for sheets in table().values() if len(sheets) > 1]
    for sheets in choices:
        assert [bool(entry.get("default")) for entry in sheets.values()] == [True, False]


def test_a_limit_that_hangs_on_the_connection_or_the_bias_is_the_one_for_it() -> None:
    pentode, triode = rating_for("KT150"), rating_for("KT150", connection="triode")
    tapped = rating_for("KT150", connection="ultralinear")
    assert pentode is not None
    assert triode is not None
    assert tapped is not None
    assert (pentode.cathode_a, triode.cathode_a, tapped.cathode_a) == (0.275, 0.250, 0.250)
    figure = pentode.figure("anode_V", "triode")
    assert figure is not None
    assert figure.value == 650.0
    fixed, own = rating_for("300B"), rating_for("300B", bias="cathode")
    assert fixed is not None
    assert own is not None
    assert (fixed.cathode_a, own.cathode_a) == (0.070, 0.100)


def test_an_idle_el34_is_held_to_the_limit_without_drive() -> None:
    rating = rating_for("el-34")
    assert rating is not None
    assert rating.anode_w == 25.0
    driven = rating.figure("anode_W", "driven")
    assert driven is not None
    assert driven.value == 27.5


# ---- what dissipation is held to


def test_a_pentode_is_held_to_its_anode_and_a_triode_connection_to_anode_and_screen() -> None:
    el34, kt66, lone = rating_for("EL34"), rating_for("KT66"), rating_for("300B")
    assert el34 is not None
    assert kt66 is not None
    assert lone is not None
    assert el34.ceiling("pentode").watts == el34.ceiling("ultralinear").watts == 25.0
    assert el34.ceiling("triode").watts == 33.0  # 25 and 8, limited apart
    assert kt66.ceiling("triode").watts == 27.0  # the sheet limits both together
    assert lone.ceiling("triode").watts == 40.0  # it has no screen
    assert "anode + screen" in el34.ceiling("triode").says


def test_a_sum_is_from_memory_where_a_part_of_it_is() -> None:
    rating = rating_for("KT150")  # the anode's figure was confirmed, the screen's was not
    assert rating is not None
    assert not rating.ceiling("pentode").from_memory
    assert rating.ceiling("pentode").memory == ""
    assert rating.ceiling("triode").from_memory
    assert FROM_MEMORY in rating.ceiling("triode").memory


# ---- in a set-up

HOME = """
schema = "soakbench.setup/1"
[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
scans_per_s = 10
[[channel]]
name = "pair1"
measures = "pair current"
sense_ohm = 1.0
[plan]
steps = [{step = "soak", minutes = 20}]
"""


def with_amp(text: str) -> setups.Setup:
    return setups.parse(HOME.replace('valve = "EL34"', text))


def test_a_set_up_can_name_another_sheet_of_the_type() -> None:
    assert with_amp('valve = "KT66"').rating.anode_w == 25.0
    assert with_amp('valve = "KT66"\nsheet = "absolute"').rating.anode_w == 30.0
    with pytest.raises(SetupError, match=r"amp\.sheet: expected design or absolute, got 'limit'"):
        with_amp('valve = "KT66"\nsheet = "limit"')


def test_a_set_up_overrides_the_table_and_is_not_from_memory() -> None:
    own = with_amp('valve = "KT88"\nconnection = "triode"\nrating = {anode_W = 40, screen_W = 5}')
    assert own.rating.source == "the set-up file"
    assert own.ceiling.watts == 45.0
    assert not own.ceiling.from_memory
    assert own.rating.cathode_a == 0.230  # not stated: the table's, which is from memory
    cathode = own.rating.figure("cathode_mA")
    assert cathode is not None
    assert cathode.from_memory


def test_in_triode_connection_no_screen_share_is_taken_off() -> None:
    assert with_amp('valve = "EL34"').screen_fraction == (0.1071, 0.1297)
    assert with_amp('valve = "EL34"\nconnection = "triode"').screen_fraction == (0.0, 0.0)


def test_an_unknown_type_names_the_nearest() -> None:
    assert nearest_types("EL 35")[0] == "EL34"
    assert nearest_types("6l6")[0] == "6L6GC"
    assert rating_for("EL35") is None


def readings(rows: list[list[float]]) -> ReadingBlock:
    values = np.array(rows)
    t_us = 100_000_000 + np.arange(len(rows), dtype=np.int64) * 100_000
    return ReadingBlock(t_us, values, np.zeros(values.shape, dtype=np.int8))


@pytest.mark.parametrize(
    ("valve", "says"), [("EL34", "over the 300 mA its valves may pass:"), ("KT77", "memory")]
)
def test_a_trip_names_the_cathode_limit_and_whether_it_is_from_memory(valve: str, says: str) -> None:
    (claim,) = OverCurrent(with_amp(f'valve = "{valve}"')).scans(readings([[0.4]] * 3), True, 200.0)
    assert isinstance(claim, Claim)
    assert says in claim.says
    assert ("memory" in claim.says) == (valve == "KT77")


@pytest.mark.parametrize(
    ("amp", "says"),
    [
        ('valve = "EL34"', "% of 25 W, mean per valve"),
        ('valve = "EL34"\nconnection = "triode"', "% of 33 W anode + screen, mean per valve"),
        ('valve = "KT77"', "% of 25 W, a figure from memory, mean per valve"),
    ],
)
def test_over_dissipation_says_what_it_is_held_to(amp: str, says: str) -> None:
    setup = setups.parse(
        HOME.replace('valve = "EL34"', amp).replace(
            "[plan]", '[[channel]]\nname = "ht"\nmeasures = "HT"\n[plan]'
        )
    )
    pipeline = Pipeline(setup)
    n = 200
    values = np.tile([0.2, 455.0], (n, 1))
    t_us = np.arange(n, dtype=np.int64) * 1_000_000
    pipeline.feed(ReadingBlock(t_us, values, np.zeros(values.shape, dtype=np.int8)))
    found = [f.says for f in pipeline.findings if f.kind is Kind.OVER_DISSIPATION]
    assert len(found) == 1
    assert says in found[0]
    # 0.2 A for two valves: in triode connection all of it counts, else what the screens leave
    share = 0.0 if "triode" in amp else sum(setup.screen_fraction) / 2
    watts = (455 - 0.2) * 0.1 * (1 - share)
    assert f"dissipates {100 * watts / setup.ceiling.watts:.0f} %" in found[0]
