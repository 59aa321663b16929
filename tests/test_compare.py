"""What has changed at an amp: which errors cancel, what is significant, ageing or a turned pot."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import soakbench
from logger import compare
from logger.blocks import DaqInfo, ScanBlock
from logger.clock import ManualClock
from logger.convert import Calibration, Converter
from logger.differences import weighted_U
from logger.errors import RequestError
from logger.pipeline import Pipeline
from logger.setup import Calibrated, parse
from logger.store.reader import Reader
from logger.store.record import Record
from logger.store.writer import Writer

MARCH = datetime(2026, 3, 3, 9, 30, tzinfo=UTC)
SEPTEMBER = datetime(2026, 9, 14, 10, 0, tzinfo=UTC)
PAIRS = ("pair1", "pair2", "pair3", "pair4")
IDLE_A = dict(zip(PAIRS, (0.0760, 0.0772, 0.0751, 0.0764), strict=True))


def setup_text(pairs: Sequence[str] = PAIRS, *, sense_ohm: float = 1.0, bias_of: str = "") -> str:
    channels = "".join(
        f'[[channel]]\nname = "{name}"\nmeasures = "pair current"\nsense_ohm = {sense_ohm}\n'
        f'tolerance_pct = 1.0\nsockets = ["V{2 * k + 1}", "V{2 * k + 2}"]\n'
        for k, name in enumerate(pairs)
    )
    if bias_of:
        channels += (
            f'[[channel]]\nname = "{bias_of} bias"\nmeasures = "bias voltage"\n'
            "divider_ohm = [100_000, 4_700]\ntolerance_pct = 0.1\n"
        )
    return (
        'schema = "soakbench.setup/1"\n[amp]\nname = "Theatre PA 240 W"\nvalve = "EL34"\nnominal_ht_V = 455\n'
        f'[link]\nkind = "lines"\nscans_per_s = 1\n{channels}'
        '[[channel]]\nname = "ht"\nmeasures = "HT"\ndivider_ohm = [1_000_000, 4_700]\n'
        '[[channel]]\nname = "mains"\nmeasures = "mains"\nvalue_per_V = 100.0\n'
        '[plan]\nsteps = [{step = "warm-up", minutes = 5}, {step = "soak", minutes = 40}]\n'
    )


def record(
    store: Path,
    started: datetime,
    *,
    text: str | None = None,
    moved_a: Mapping[str, float] | None = None,
    mains_v: float = 230.0,
    response: float = 1.5,
    wander_v: float = 0.8,
    bias_v: float = -38.0,
    board: str = "board 7",
    job_id: int | None = None,
    kind: str = "as left",
) -> int:
    """Store one soak of 46 minutes and judge it; return its number."""
    text = text or setup_text()
    setup = parse(text)
    steps = [0.256 / 2**15 if c.unit == "A" else 4.096 / 2**15 for c in setup.channel]
    daq = DaqInfo(board, 1, tuple(steps), (2**15 - 1,) * len(steps))
    rng = np.random.default_rng(round(started.timestamp()) % 1000)
    t_s = np.arange(46 * 60)
    mains = mains_v + wander_v * np.sin(t_s / 170.0) + 0.3 * wander_v * np.sin(t_s / 37.0)
    on = t_s > 10
    columns = []
    for channel in setup.channel:
        match channel.measures:
            case "pair current":
                idle = (IDLE_A[channel.name] + (moved_a or {}).get(channel.name, 0.0)) * channel.sense_ohm
                rise = 1.0 - 0.2 * np.exp(-t_s / 60.0)
                noise = 5e-5 * rng.standard_normal(len(t_s))
                columns.append(on * (idle * rise * (mains / 230.0) ** response + noise) / channel.sense_ohm)
            case "HT":
                columns.append(on * 455.0 * mains / 230.0)
            case "mains":
                columns.append(mains)
            case _:
                columns.append(np.full(len(t_s), bias_v))
    converter = Converter(setup, daq)
    counts = np.column_stack([np.rint(converter.counts(i, x)) for i, x in enumerate(columns)])
    block = ScanBlock(t_s * 1_000_000, t_s.astype(np.int64), counts.astype(np.int32))
    pipeline = Pipeline(setup, daq)
    pipeline.feed(block)
    pipeline.finish()
    with Writer(store, ManualClock(started)) as writer:
        number = writer.begin_soak(
            setup=setup, setup_text=text, daq=daq, started=started, job_id=job_id, kind=kind
        )
        writer.add_scans(block)
        writer.end_soak(ended=started, how="finished", verdict=pipeline.verdict())
    return number


def compared(store: Path, this: int = 2, *before: int) -> dict[str, Any]:
    reader = Reader(store)
    earlier = [compare.visit(reader, one) for one in before or (1,)]
    return compare.document(compare.visit(reader, this), earlier)


@cache
def one_pair_less(folder: Path) -> dict[str, Any]:
    record(folder / "soak.db", MARCH)
    record(folder / "soak.db", SEPTEMBER, moved_a={"pair2": -0.0041}, mains_v=233.0)
    return compared(folder / "soak.db")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("compared")


def pair_of(document: dict[str, Any], name: str) -> dict[str, Any]:
    found: dict[str, Any] = next(pair for pair in document["earlier"][0]["pairs"] if pair["name"] == name)
    return found


def test_a_pair_that_idles_lower_is_said_in_one_sentence(folder: Path) -> None:
    says = one_pair_less(folder)["earlier"][0]["says"]
    assert says[0].startswith("pair2 (V3/V4) idles 4.")
    assert " lower than in March, the others as before (at 230 V mains)." in says[0]
    assert "can't be told" in says[1]


def test_currents_are_brought_to_nominal_mains_by_what_the_amp_itself_showed(folder: Path) -> None:
    document = one_pair_less(folder)
    gain = document["mains_gain"]
    assert gain["learnt"]
    assert gain["value"] == pytest.approx(1.5, abs=0.15)
    other = pair_of(document, "pair1")
    # 3 V more mains make every pair draw 1.5 times 1.3 % more
    assert other["settled"]["difference_mA"] == pytest.approx(76.0 * 1.5 * 3.0 / 230.0, abs=0.1)
    assert other["settled"]["significant"]
    assert other["at_nominal_mains"]["difference_mA"] == pytest.approx(0.0, abs=0.15)
    assert not other["at_nominal_mains"]["significant"]
    assert pair_of(document, "pair2")["at_nominal_mains"]["difference_mA"] == pytest.approx(-4.1, abs=0.15)
    # the median moves with it: 1.0 mA above it before, 2.5 mA below it now, at these mains
    was, now = (np.array(list(IDLE_A.values())) for _ in range(2))
    now[1] -= 0.0041
    now *= (233.0 / 230.0) ** 1.5
    moved = 1e3 * (now[1] - np.median(now) - was[1] + np.median(was))
    assert pair_of(document, "pair2")["from_the_others"]["difference_mA"] == pytest.approx(moved, abs=0.1)
    assert pair_of(document, "pair2")["from_the_others"]["significant"]
    # that median moved for the others too, and it is said so
    assert other["from_the_others"]["significant"]
    assert any("only since the pairs' median moved" in note for note in document["earlier"][0]["notes"])


def test_what_stays_of_resistors_and_board_cancels_and_what_is_new_each_day_counts_twice(
    folder: Path,
) -> None:
    found = pair_of(one_pair_less(folder), "pair1")
    # by hand, JCGM 100: warming 100 ppm/K over 30.6 K, reference 40 ppm/K over 15 K, emf 10 uV, half a step;
    # each rectangular and new each day; the noise of a mean over 40 minutes is under 0.01 mA
    mA = 76.0
    widths = [mA * 30.6 * 100e-6, mA * 15 * 40e-6, 0.010, 0.5 * 256.0 / 2**15]
    u = float(np.sqrt(2 * sum(w**2 / 3.0 for w in widths)))
    assert found["settled"]["expanded_uncertainty_mA"] == pytest.approx(1.94 * u, rel=0.05)


def test_nothing_changed_is_said_with_how_well_it_is_known(tmp_path: Path) -> None:
    record(tmp_path / "soak.db", MARCH)
    record(tmp_path / "soak.db", SEPTEMBER)
    (over,) = compared(tmp_path / "soak.db")["earlier"]
    assert over["says"] == [f"All pairs idle as in March, within {over['says'][0].split('within ')[1]}"]
    assert all(pair["cause"] is None for pair in over["pairs"])


def test_another_board_or_wiring_or_calibration_leaves_its_errors_in() -> None:
    visit = _a_visit()
    same = compare.document(replace(visit, id=2), [visit])
    narrow = pair_of(same, "pair1")["settled"]["expanded_uncertainty_mA"]

    def wide(other: compare.Visit) -> dict[str, Any]:
        return compare.document(other, [visit])

    board = wide(replace(visit, id=2, daq=replace(visit.daq, board_id="board 8")))
    assert pair_of(board, "pair1")["settled"]["expanded_uncertainty_mA"] > 2.5 * narrow
    assert "another board measured then" in board["earlier"][0]["notes"][0]
    unknown = replace(visit.daq, board_id="none")
    nameless = compare.document(replace(visit, id=2, uuid="b", daq=unknown), [replace(visit, daq=unknown)])
    assert pair_of(nameless, "pair1")["settled"]["expanded_uncertainty_mA"] > 2.5 * narrow
    assert "is not known" in nameless["earlier"][0]["notes"][0]
    rewired = wide(replace(visit, id=2, setup=parse(setup_text(sense_ohm=2.0))))
    assert pair_of(rewired, "pair1")["settled"]["expanded_uncertainty_mA"] > 2.0 * narrow
    assert "wired or calibrated otherwise" in rewired["earlier"][0]["notes"][0]
    calibrated = Calibration({"pair1": Calibrated(date=MARCH.date(), u_gain=4e-4, u_offset=2e-6)}, id=1)
    once = wide(replace(visit, id=2, calibration=calibrated))
    assert pair_of(once, "pair1")["settled"]["expanded_uncertainty_mA"] > 1.5 * narrow
    both = compare.document(
        replace(visit, id=2, calibration=calibrated), [replace(visit, calibration=calibrated)]
    )
    assert pair_of(both, "pair1")["settled"]["expanded_uncertainty_mA"] == pytest.approx(narrow, rel=0.05)


def _a_visit(**changes: Any) -> compare.Visit:
    """Return a visit made by hand: what was judged is as the judge writes it."""
    setup = parse(setup_text())
    channels: list[dict[str, Any]] = [
        {
            "name": name,
            "label": name,
            "measures": "pair current",
            "settled_mA": 76.0,
            "expanded_uncertainty_mA": None,
            "coverage_factor": None,
            "from_others_mA": 0.0,
            "drift_mA_per_h": 0.1,
            "drift_interval_mA_per_h": [-0.1, 0.4],
            "dissipation_pct": 60.0,
        }
        for name in PAIRS
    ]
    steps = [0.256 / 2**15 if c.unit == "A" else 4.096 / 2**15 for c in setup.channel]
    nothing = np.full(3, np.nan)
    judged = {
        "soak": {
            "verdict": "pass",
            "conditions": {"mains_V": None, "ht_V": 455.0, "ambient_C": None},
            "steps": [],
        },
        "channels": channels,
    }
    one = compare.Visit(
        id=1,
        uuid="a",
        started=MARCH,
        kind="as left",
        amp="Theatre PA 240 W",
        setup=setup,
        daq=DaqInfo("board 7", 1, tuple(steps), (2**15 - 1,) * len(steps)),
        calibration=None,
        judged=judged,
        on_s=np.arange(3) * 60.0,
        current_a=np.full((3, 4), 0.076),
        ht_v=nothing,
        mains_v=nothing,
    )
    return replace(one, **changes)


def _with(visit: compare.Visit, name: str, **figures: Any) -> compare.Visit:
    channels = [{**one, **figures} if one["name"] == name else one for one in visit.judged["channels"]]
    return replace(visit, judged={**visit.judged, "channels": channels})


@pytest.mark.parametrize(
    ("was", "now", "mA", "says"),
    [
        ((-38.0, 0.05), (-38.02, 0.05), 71.9, "its bias is as before"),
        ((-38.0, 0.05), (-38.5, 0.05), 72.0, "which is enough to explain it"),
        ((-38.0, 0.05), (-37.0, 0.05), 72.0, "beside that the valves draw less"),
        ((-38.0, 0.9), (-38.1, 0.9), 72.0, "not known well enough"),
        ((-38.0, 0.05), None, 72.0, "it can't be told"),
    ],
)
def test_ageing_is_told_from_a_turned_pot_by_the_bias_volts_or_not_at_all(
    was: tuple[float, float], now: tuple[float, float] | None, mA: float, says: str
) -> None:
    before = _a_visit(bias_v={"pair2": was})
    this = _with(
        _a_visit(id=2, uuid="b", started=SEPTEMBER, bias_v={"pair2": now} if now else {}),
        "pair2",
        settled_mA=mA,
        from_others_mA=mA - 76.0,
    )
    pair = pair_of(compare.document(this, [before]), "pair2")
    assert says in pair["cause"]


def test_a_common_bias_supply_says_nothing_of_a_pot_of_one_pair(tmp_path: Path) -> None:
    own, common = setup_text(bias_of="pair2"), setup_text(bias_of="the")
    for text, told in ((own, True), (common, False)):
        store = tmp_path / f"{told}.db"
        record(store, MARCH, text=text)
        record(store, SEPTEMBER, text=text, moved_a={"pair2": -0.0041})
        pair = pair_of(compared(store), "pair2")
        assert (pair["bias"] is not None) is told
        assert ("its bias is as before" in pair["cause"]) is told


def test_bias_volts_that_a_person_wrote_into_the_job_record_tell_it_too(tmp_path: Path) -> None:
    store = tmp_path / "soak.db"
    for started, moved_a, volts in ((MARCH, 0.0, -38.1), (SEPTEMBER, -0.0041, -38.2)):
        own = Record(store, ManualClock(started), "the workshop")
        job = own.book_in(amp="Theatre PA 240 W", serial="7")
        soak = record(store, started, moved_a={"pair2": moved_a}, kind="as found")
        own.give_soak(soak, job)
        own.read_bench(
            job,
            [
                {"stage": stage, "quantity": "bias", "place": place, "value": value, "unit": "V"}
                for stage, place, value in (
                    ("as found", "V3", volts),
                    ("as found", "V4", volts - 0.2),
                    ("as left", "V3", -30.0),
                )
            ],
        )
    pair = pair_of(compared(store), "pair2")
    assert pair["bias"]["before_V"] == pytest.approx(-38.2)
    assert pair["bias"]["difference_V"] == pytest.approx(-0.1)
    # nobody said how sure: half a per cent each time
    assert pair["bias"]["expanded_uncertainty_V"] == pytest.approx(np.hypot(0.1915, 0.192), rel=0.01)
    assert pair["cause"].startswith("its bias is as before")
    assert pair_of(compared(store), "pair1")["bias"] is None


def test_a_drift_is_compared_by_its_own_interval() -> None:
    before = _a_visit()
    this = _with(_a_visit(id=2, uuid="b"), "pair3", drift_mA_per_h=1.0, drift_interval_mA_per_h=[0.7, 1.3])
    found = pair_of(compare.document(this, [before]), "pair3")["drift"]
    # deviations below add as squares with those above of the other: sqrt(0.3^2 + 0.3^2), sqrt(0.3^2 + 0.2^2)
    assert found["interval_mA_per_h"] == pytest.approx([0.9 - np.hypot(0.3, 0.3), 0.9 + np.hypot(0.3, 0.2)])
    assert found["significant"]
    says = compare.document(this, [before])["earlier"][0]["says"]
    assert says[-1] == "pair3 drifts by +1.0 mA an hour, by +0.1 then."


def test_without_mains_both_times_currents_stand_as_they_were() -> None:
    document = compare.document(_a_visit(id=2, uuid="b", started=SEPTEMBER), [_a_visit()])
    assert pair_of(document, "pair1")["at_nominal_mains"] is None
    assert not document["mains_gain"]["learnt"]
    (over,) = document["earlier"]
    assert any("mains were not measured" in note for note in over["notes"])
    assert over["says"][0].startswith("All pairs idle as in March, within ")
    assert over["says"][0].endswith("mA.")


@pytest.mark.parametrize(
    ("then", "now", "words"),
    [
        (MARCH, SEPTEMBER, "in March"),
        (datetime(2026, 3, 3, 8, tzinfo=UTC), MARCH, "at 08:00 the same day"),
        (datetime(2026, 2, 20, tzinfo=UTC), MARCH, "on 20 February"),
        (datetime(2025, 3, 1, tzinfo=UTC), MARCH, "in March 2025"),
    ],
)
def test_when_it_was_is_said_as_a_person_would(then: datetime, now: datetime, words: str) -> None:
    assert compare._when(then, now) == words


def test_curves_are_counted_from_ht_on_and_what_does_not_exist_is_null(folder: Path) -> None:
    document = one_pair_less(folder)
    this = document["this"]
    assert this["on_min"][0] == pytest.approx(0.3, abs=0.05)  # HT came 11 s after the first scan
    assert len(this["pairs_mA"]["pair1"]) == len(this["on_min"]) == len(this["mains_V"])
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["schema"] == "soakbench.compare/1"


def test_the_command_holds_the_last_soak_against_the_one_before_it(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one_pair_less(folder)
    assert soakbench.main(["compare", "last", "--db", str(folder / "soak.db")]) == 0
    said = capsys.readouterr().out
    assert "soak 2 (2026-09-14) over soak 1 (2026-03-03): pair2 (V3/V4) idles" in said
    assert "-4.1" in said
    assert soakbench.main(["compare", "1", "2", "--db", str(folder / "soak.db"), "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["this"]["soak"] == 2
    assert soakbench.main(["compare", "1", "--db", str(folder / "soak.db")]) == 2
    assert "nothing to compare soak 1 with" in capsys.readouterr().err


def test_one_soak_alone_is_held_against_how_the_amp_went_home_last_time(tmp_path: Path) -> None:
    store = tmp_path / "soak.db"

    def visit(started: datetime, serial: str, *kinds: str) -> list[int]:
        own = Record(store, ManualClock(started), "the workshop")
        job = own.book_in(amp="Theatre PA 240 W", serial=serial)
        return [
            _empty_soak(store, started + timedelta(hours=hours), kind, job)
            for hours, kind in enumerate(kinds)
        ]

    (first,) = visit(MARCH, "7", "as left")
    (other,) = visit(MARCH + timedelta(days=5), "8", "as left")
    found, left = visit(SEPTEMBER, "7", "as found", "as left")
    reader = Reader(store)
    for number in (found, left):
        former = compare.last_visit(reader, reader.soak(number))
        assert former is not None
        assert former.id == first
    assert [soak.id for soak in compare.earlier(reader, reader.soak(left))] == [first, found]
    assert compare.last_visit(reader, reader.soak(first)) is None
    assert compare.last_visit(reader, reader.soak(other)) is None
    with pytest.raises(RequestError, match=r"of Theatre PA 240 W \(amp 2\)"):
        compare.document(_a_visit(id=9, amp_id=1), [_a_visit(amp_id=2)])


def _empty_soak(store: Path, started: datetime, kind: str, job: int) -> int:
    setup = parse(setup_text())
    full = (2**15 - 1,) * len(setup.channel)
    daq = DaqInfo("board 7", 1, (7.8125e-6,) * len(full), full)
    counts = np.full((2, len(full)), 9000, dtype=np.int32)
    with Writer(store, ManualClock(started)) as writer:
        number = writer.begin_soak(
            setup=setup, setup_text=setup_text(), daq=daq, started=started, kind=kind, job_id=job
        )
        writer.add_scans(ScanBlock(np.array([0, 10**6]), np.array([0, 1]), counts))
        writer.end_soak(ended=started, how="finished", verdict=None)
    return number


def test_soaks_of_two_amps_are_not_compared() -> None:
    with pytest.raises(RequestError, match="compare soaks of one amp"):
        compare.document(_a_visit(id=2), [_a_visit(amp="Hall PA")])


def test_every_term_that_is_said_to_last_is_one_of_the_budget() -> None:
    from logger import budget, convert, differences

    sources = "".join(Path(module.__file__ or "").read_text(encoding="utf-8") for module in (budget, convert))
    assert [name for name in differences._LASTING if f'"{name}"' not in sources] == []


def test_a_difference_of_one_figure_from_itself_is_certain() -> None:
    one = compare.settled_figure(_a_visit(), "pair1")
    assert one is not None
    assert weighted_U([one, one], (1.0, -1.0))[0] == pytest.approx(0.0, abs=1e-12)
