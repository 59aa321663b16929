"""The report: what stands on the page, how it is said, and that nothing a file says can break it."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashboard.report import ReportData, document, of_soak, story_of, write_report
from dashboard.report_chart import chart_svg, printable
from dashboard.report_files import Report, compile_pdf
from dashboard.series import Series, from_others
from logger.blocks import DaqInfo, Mark
from logger.clock import ManualClock
from logger.convert import Calibration
from logger.errors import FileExistsAlready, RequestError
from logger.finding import Finding, Kind, Severity
from logger.requests import NOTED
from logger.setup import Calibrated, Setup, parse
from logger.store.reader import Soak

STARTED = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
PRINTED = datetime(2026, 3, 2, 12, 15, tzinfo=UTC)
DRIFTING = 2  # pair3


def setup_text(pairs: int = 4, *, amp: str = "Theatre PA 240 W", valve: str = "EL34", more: str = "") -> str:
    lines = [
        'schema = "soakbench.setup/1"',
        "[bench]",
        'name = "bench 1"',
        "[amp]",
        f"name = {toml(amp)}",
        f'valve = "{valve}"',
        "nominal_ht_V = 455",
        "[link]",
        'kind = "lines"',
        "scans_per_s = 10",
        more,
    ]
    for index in range(pairs):
        lines += [
            "[[channel]]",
            f'name = "pair{index + 1}"',
            'measures = "pair current"',
            "sense_ohm = 1.0",
            f'sockets = ["V{2 * index + 1}", "V{2 * index + 2}"]',
        ]
    for name, measures in (
        ("ht", "HT"),
        ("mains", "mains"),
        ("ambient", "ambient temperature"),
        ("chassis", "chassis temperature"),
    ):
        lines += ["[[channel]]", f'name = "{name}"', f'measures = "{measures}"']
    lines += [
        "[plan]",
        'steps = [{step = "warm-up", minutes = 30}, {step = "soak", minutes = 120}]',
    ]
    return "\n".join(lines)


def toml(text: str) -> str:
    """Write any text as a TOML string."""
    return '"' + "".join(f"\\U{ord(letter):08X}" for letter in text) + '"'


DRIFT = Finding(
    id=1,
    kind=Kind.DRIFT,
    channel="pair3",
    channels=("pair3",),
    onset_s=5400.0,
    raised_s=6310.0,
    severity=Severity.WARNING,
    says="pair3 (V5/V6) has been rising 2.1 mA an hour since 1 h 30 min; the others have not",
    advice="Look at its coupling capacitor and grid leak; do not leave it.",
)
GAP = Finding(
    id=2,
    kind=Kind.GAP,
    channel=None,
    channels=("pair1", "pair2", "pair3", "pair4"),
    onset_s=7000.0,
    raised_s=7000.0,
    cleared_s=7040.0,
    severity=Severity.WARNING,
    says="no reading of any channel for 40 s: nothing is known of the amplifier in that time",
    advice="Look at the DAQ's cable and supply; look at the amplifier itself.",
)
MAINS = Finding(
    id=3,
    kind=Kind.MAINS_CHANGE,
    channel="mains",
    channels=("mains",),
    onset_s=8000.0,
    raised_s=8002.0,
    cleared_s=8400.0,
    severity=Severity.REMARK,
    says="mains went from 231 to 226 V within 2 s",
)


def curves(setup: Setup, *, hours: float = 2.5, step_s: float = 10.0, drifts: bool = True) -> Series:
    """A soak as it would have been read: warm-up, flicker, mains, one pair that drifts."""
    rng = np.random.default_rng(5)
    t_s = np.arange(0.0, hours * 3600.0, step_s) + step_s / 2.0
    on_s = np.maximum(t_s - 31.0, 0.0)
    hot = 1.0 - np.exp(-np.maximum(on_s - 25.0, 0.0) / 8.0)
    count = len(setup.pairs)
    mean = np.full((len(t_s), len(setup.channel)), np.nan)
    common = 1.0 + 0.004 * np.sin(t_s / 900.0)
    for index in range(count):
        ends = 0.0762 + 0.0009 * (((7 * index) % 5) - 2)
        tail = (0.006 + 0.002 * index % 0.007) * np.exp(-on_s / 420.0)
        noise = np.cumsum(rng.normal(0.0, 1.0e-5, len(t_s)))
        mean[:, index] = (ends - tail) * hot * common + noise + rng.normal(0.0, 1.5e-5, len(t_s))
        if drifts and index == min(DRIFTING, count - 1):
            mean[:, index] += 0.0021 / 3600.0 * np.maximum(t_s - 5400.0, 0.0)
    if len(setup.channel) > count:
        mean[:, count] = 455.0 * (1.0 - np.exp(-on_s / 1.0)) * common
        mean[:, count + 1] = 231.0 * common
        mean[:, count + 2] = 23.4
        mean[:, count + 3] = 24.0 + 34.0 * (1.0 - np.exp(-on_s / 2400.0))
    noise_a = np.zeros_like(mean)
    noise_a[:, :count] = 2.5e-4
    pairs = mean[:, :count]
    return Series(
        t_s, mean, mean - noise_a, mean + noise_a, from_others(pairs, np.isfinite(pairs)), hours * 3600.0
    )


def judged(setup: Setup, findings: tuple[Finding, ...], *, hours: float = 2.5) -> dict[str, Any]:
    """A judge/1 document that goes with `curves`."""
    end_s = hours * 3600.0
    pairs = [
        {
            "name": channel.name,
            "measures": "pair current",
            "verdict": "conditional fail" if index == DRIFTING else "pass",
            "statements": {
                "from the others": "conditional pass" if index == DRIFTING else "pass",
                "drift": "conditional fail" if index == DRIFTING else "pass",
                "dissipation": "pass",
                "settled": "pass",
            },
            "settled_at_s": 1260.0 + 40.0 * index,
            "settled_mA": 76.21 + 0.9 * (((7 * index) % 5) - 2),
            "expanded_uncertainty_mA": 0.77,
            "coverage_factor": 1.684,
            "from_others_mA": -0.43 + 0.9 * index,
            "from_others_expanded_uncertainty_mA": 0.66,
            "drift_mA_per_h": 2.104 if index == DRIFTING else 0.051,
            "drift_interval_mA_per_h": [1.7, 2.6] if index == DRIFTING else [-0.104, 0.206],
            "dissipation_pct": 64.13 + index,
            "dissipation_expanded_uncertainty_pct": 2.96,
        }
        for index, channel in enumerate(setup.pairs)
    ]
    others = [
        {
            "name": channel.name,
            "measures": channel.measures,
            "unit": channel.unit,
            "verdict": None,
            "mean": mean,
            "least": mean * 0.985,
            "greatest": mean * 1.012,
        }
        for channel, mean in zip(setup.channel[len(setup.pairs) :], (452.0, 231.2, 23.4, 57.8), strict=True)
    ]
    return {
        "schema": "soakbench.judge/1",
        "program": "soakbench 0.1.0",
        "soak": {
            "verdict": "conditional fail" if findings else "pass",
            "duration_s": end_s,
            "judged_s": max(end_s - 1831.0, 0.0),
            "scans": int(end_s * 10) - 12,
            "scans_missing": 12,
            "says": "pair3 (V5/V6) has been rising 2.1 mA an hour since 1 h 30 min; the others have not."
            if findings
            else "Settled at 74.4 to 78.0 mA, matched within 2.3 mA, steady: all 4 pairs pass.",
            "conditions": {"mains_V": 231.2, "ht_V": 452.0, "ambient_C": 23.4},
            "steps": [
                {"step": "warm-up", "from_s": 31.0, "to_s": 1831.0},
                {"step": "soak", "from_s": 1831.0, "to_s": end_s},
            ],
            "states": [{"state": "warming", "from_s": 31.0}, {"state": "soaking", "from_s": 1831.0}],
            "lines_skipped": {"count": 0, "first": None},
        },
        "channels": [*pairs, *others],
        "findings": [],
    }


def a_soak(text: str, *, hours: float = 2.5, how: str | None = "finished") -> Soak:
    setup = parse(text)
    ended = None if how is None else STARTED + timedelta(hours=hours)
    return Soak(
        id=7,
        uuid="3f2a9c41-8d3e-4b7a-9a51-1c7d3f0e2b64",
        bench=setup.bench.name,
        amp=setup.amp.name,
        kind="as left",
        setup_text=text,
        setup_digest=setup.digest,
        daq=DaqInfo("simulated", 1, (6.25e-5,) * len(setup.channel), (32767,) * len(setup.channel)),
        program="soakbench 0.1.0",
        started=STARTED,
        ended=ended,
        how=how,
        now=None,
        verdict=None,
        scans=int(hours * 36000),
        last_t_us=round(hours * 3.6e9),
    )


def a_report(
    pairs: int = 4,
    findings: tuple[Finding, ...] = (DRIFT, GAP, MAINS),
    *,
    hours: float = 2.5,
    how: str | None = "finished",
    step_s: float = 10.0,
    text: str | None = None,
) -> ReportData:
    text = setup_text(pairs) if text is None else text
    setup = parse(text)
    series = curves(setup, hours=hours, step_s=step_s, drifts=bool(findings))
    return ReportData(
        a_soak(text, hours=hours, how=how), judged(setup, findings, hours=hours), findings, series, PRINTED
    )


def printed(data: ReportData) -> bytes:
    return compile_pdf(of_soak(data))


JAVA = Path("/usr/share/java")
PREFLIGHT = ("preflight", "pdfbox2", "fontbox2", "xmpbox", "commons-logging", "javax.activation", "jaxb-api")
needs_poppler = pytest.mark.skipif(
    any(shutil.which(tool) is None for tool in ("pdftotext", "pdffonts", "pdfinfo", "pdftoppm")),
    reason="poppler-utils is not installed",
)
needs_preflight = pytest.mark.skipif(
    shutil.which("java") is None or any(not (JAVA / f"{jar}.jar").exists() for jar in PREFLIGHT),
    reason="Debian's libpdfbox2-java is not installed",
)


def poppler(tool: str, pdf: bytes, *options: str) -> str:
    done = subprocess.run(
        [tool, *options, "-", *(["-"] if tool == "pdftotext" else [])], input=pdf, capture_output=True
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.decode()


def text_of(pdf: bytes) -> str:
    """The page's words in one line, as a person who copies them gets them."""
    return " ".join(poppler("pdftotext", pdf, "-raw").replace("\u200b", "").split())


@cache
def four_pairs() -> bytes:
    return printed(a_report())


def every_text(value: Any) -> list[str]:
    if isinstance(value, str):
        return [value]
    parts = value.values() if isinstance(value, dict) else value if isinstance(value, list) else []
    return [text for part in parts for text in every_text(part)]


# ------------------------------------------------------------------ what stands on the page


@needs_poppler
def test_the_page_says_the_verdict_and_why() -> None:
    text = text_of(four_pairs())

    assert "Soak report" in text
    assert "Theatre PA 240 W" in text
    assert "Verdict: ▲ Fail, too close to call" in text
    assert "pair3 (V5/V6) has been rising 2.1 mA an hour since 1 h 30 min; the others have not." in text
    assert "3f2a9c41" in text
    assert "Valves EL34, 2 on each of 4 sense resistors" in text
    assert "Plan warm-up 30 min, soak 2 h" in text
    assert "as left; the plan was run to its end" in text


@needs_poppler
def test_the_page_gives_every_pairs_figures_with_uncertainty_and_statement() -> None:
    text = text_of(four_pairs())

    for figure in ("74.4 ± 0.8", "76.2 ± 0.8", "78.0 ± 0.8", "75.3 ± 0.8"):
        assert figure in text
    for figure in ("−0.4 ± 0.7", "+0.5 ± 0.7", "+1.4 ± 0.7", "+2.3 ± 0.7"):
        assert figure in text
    assert text.count("+0.05 (−0.10 to +0.21)") == 3
    assert "+2.1 (+1.7 to +2.6)" in text
    for figure in ("64.1 ± 3.0", "65.1 ± 3.0", "66.1 ± 3.0", "67.1 ± 3.0"):
        assert figure in text
    assert "at 21 min: pass" in text
    assert "▲ pass, too close to call" in text
    assert "k = 1.68" in text
    assert "16 statements were made: each holds with 95 %, all of them together with less." in text


@needs_poppler
def test_the_page_lists_every_finding_with_its_times_and_advice() -> None:
    text = text_of(four_pairs())

    assert "1 ▲ Drift, pair3 (V5/V6) · warning · since 1 h 30 min, raised at 1 h 45 min, still open" in text
    assert "Look at its coupling capacitor and grid leak; do not leave it." in text
    assert "No reading of any channel for 40 s: nothing is known of the amplifier in that time." in text
    assert "Mains went from 231 to 226 V within 2 s." in text


def said_meanwhile() -> ReportData:
    """A soak in which a person was asked, answered, and declared things."""
    question = replace(
        DRIFT,
        id=4,
        kind=Kind.QUESTION,
        channel="pair1",
        channels=("pair1",),
        severity=Severity.REMARK,
        says="pair1 (V1/V2) moved smoothly from 74.1 to 76.0 mA and stopped: adjusted?",
        advice="Acknowledge it if somebody turned its pot.",
    )
    answered = replace(
        question, id=5, onset_s=6500.0, raised_s=6600.0, acknowledged_s=6900.0, cleared_s=6900.0
    )
    data = a_report(findings=(replace(DRIFT, acknowledged_s=6400.0), question, answered))
    data.judged["soak"]["clicks"] = 3
    data.judged["soak"]["states"] += [
        {"state": "under signal", "from_s": 3600.0},
        {"state": "soaking", "from_s": 4200.0},
        {"state": "setting bias", "from_s": 8400.0},
    ]
    marks = (
        Mark(3_600_000_000, "signal on"),
        Mark(4_200_000_000, "signal off"),
        Mark(6_900_000_000, "acknowledge 5"),
        Mark(7_200_000_000, HOSTILE),
    )
    return replace(data, marks=marks)


@needs_poppler
def test_what_was_asked_said_and_declared_is_on_the_page() -> None:
    data = said_meanwhile()
    text = text_of(printed(data))

    assert (
        "1 ▲ Drift, pair3 (V5/V6) · warning · since 1 h 30 min, raised at 1 h 45 min, acknowledged at" in text
    )
    assert "4 ? Question, pair1 (V1/V2) · since 1 h 30 min, asked at 1 h 45 min, not answered" in text
    assert (
        "5 ? Question, pair1 (V1/V2) · since 1 h 48 min, asked at 1 h 50 min, answered at 1 h 55 min" in text
    )
    assert text.count("Acknowledge it if somebody turned its pot.") == 1
    assert "1 h asked signal on" in text
    assert "1 h 55 min asked acknowledge finding 5" in text
    assert f"2 h said {HOSTILE}" in text
    assert "3 clicks on all channels, none judged. Under signal 1 h to 1 h 10 min: no idle figure" in text
    assert "Setting bias 2 h 20 min to 2 h 30 min" in text
    assert "4 marks, listed above." in text
    svg = chart_svg(data.series, story_of(data))
    for state in ("under signal", "setting bias"):
        assert f">{state}<" in svg
    assert "Marks" not in text_of(four_pairs())
    assert "clicks" not in text_of(four_pairs())


@needs_poppler
def test_the_own_window_and_the_balance_of_the_sides_are_statements_on_the_page() -> None:
    text = setup_text() + "\n[limits]\npair_low_mA = 70\npair_high_mA = 78.5"
    data = a_report(text=text)
    for pair, statement in zip(data.pairs, ("pass", None, "conditional pass", "fail"), strict=True):
        pair["statements"]["own window"] = statement
    data.judged["soak"] |= {
        "statements": {"side balance": "conditional fail"},
        "side_balance_pct": 5.12,
        "side_balance_expanded_uncertainty_pct": 1.32,
    }
    page = text_of(printed(data))

    assert "own window 70 to 78.5" in page
    for said in ("pass", "not judged", "▲ pass, too close to call", "■ fail"):
        assert f"own window: {said}" in page
    assert "push less pull +5.1 ± 1.3 % of their mean, limit 5 % · ▲ fail, too close to call" in page
    assert "; settled current 70 to 78.5 mA, the set" in page
    assert "; sides apart by at most 5 % of their mean" in page
    assert "20 statements were made" in page  # 16, three of the window, one of the sides
    data.judged["soak"] |= {"statements": {"side balance": None}, "side_balance_pct": None}
    data.judged["soak"]["side_balance_expanded_uncertainty_pct"] = None
    page = text_of(printed(data))
    assert "Side balance · limit 5 % · not judged" in page
    assert "Not judged of the soak: side balance." in page


@needs_poppler
def test_the_page_says_conditions_rule_and_what_was_not_measured() -> None:
    text = text_of(four_pairs())

    assert "HT (ht) 452 445 457 V" in text
    assert "Mains (mains) 231.2 227.7 234.0 V" in text
    assert "Ambient temperature (ambient) 23.4" in text
    assert "Guard band w = U, agreed in the set-up before the soak." in text
    assert "from the others ±4 % (here 3.0 mA)" in text
    assert "how their current is split between them was not measured" in text
    assert "No reading for 40 s from 1 h 56 min on." in text
    assert "12 of 90,000 scans are missing." in text
    assert "Calibration: none." in text
    assert "an HT reading of zero proves nothing" in text
    assert "soakbench is no certified protective device" in text
    assert "SQLite" in text


@needs_poppler
def test_a_rating_from_memory_is_said_to_be_one() -> None:
    text = text_of(printed(a_report(text=setup_text(valve="KT77"))))

    assert "The figure is from memory: it was not confirmed in a copy of the sheet." in text
    assert "from memory" not in text_of(four_pairs())


@needs_poppler
def test_a_stated_calibration_is_printed_with_its_date() -> None:
    calibrated = "sense_ohm = 1.0\ncalibrated = {date = 2026-02-14, gain = 1.001}"
    text = text_of(printed(a_report(text=setup_text().replace("sense_ohm = 1.0", calibrated, 1))))

    assert "Calibration, as the set-up states it: 2026-02-14 (pair1)." in text
    assert "Not calibrated, so by tolerances alone: " in text


@needs_poppler
def test_an_old_calibration_of_the_store_is_printed_as_old_and_with_its_number() -> None:
    found = Calibrated(date=date(2024, 1, 5), gain=1.001)
    data = replace(a_report(), calibration=Calibration({"pair1": found}, id=3, instrument="bench meter 3"))
    text = text_of(printed(data))

    assert "Calibration 3: 2024-01-05 (pair1), with bench meter 3." in text
    assert "months old when this soak began, over a year" in text
    assert "Calibration: none." in text_of(four_pairs())


@needs_poppler
def test_what_the_checks_before_power_found_is_listed() -> None:
    checks = [
        {"check": "load", "result": "fine", "says": "8 ohm on the 8 ohm tap, 240 W, as said", "do": ""},
        {"check": "zero current", "result": "stop", "says": "pair1 reads 9 mA with HT off", "do": "look"},
        {"check": "clock", "result": "odd", "says": "it says 2000", "do": "set it"},
    ]
    data = a_report()
    text = text_of(printed(replace(data, soak=replace(data.soak, checks=checks))))

    assert "1 of 3 were fine. Load: 8 ohm on the 8 ohm tap, 240 W, as said." in text
    assert "STOP, zero current: pair1 reads 9 mA with HT off." in text
    assert "Odd, clock: it says 2000." in text
    assert "No checks were made." in text_of(four_pairs())


@needs_poppler
def test_the_words_in_the_chart_are_words() -> None:
    text = text_of(four_pairs())

    for word in ("Current of each pair, mA", "Each pair from the others, mA; shaded: match ±3.0", "warm-up"):
        assert word in text
    assert "pair2 V3/V4" in text  # the label at a line's end
    assert "1 drift pair3" in text


@needs_poppler
def test_fonts_are_within_and_the_page_is_a4() -> None:
    fonts = poppler("pdffonts", four_pairs()).splitlines()[2:]
    facts = poppler("pdfinfo", four_pairs())

    assert fonts
    for line in fonts:
        assert "DejaVuSans" in line
        assert line.split()[-5] == "yes", f"not embedded: {line}"
    assert "(A4)" in facts
    assert "Title:           Soak report: Theatre PA 240 W" in facts
    assert "Pages:           3" in facts


def test_language_and_a_text_for_the_chart_are_in_the_file() -> None:
    page = document(a_report())

    assert page["chart"]["alt"].startswith("Chart over 2:30 hours: current of 4 pairs")
    assert "At the end: pair1 74." in page["chart"]["alt"]
    assert b"/Lang" in four_pairs()


@needs_preflight
def test_an_independent_validator_accepts_the_file_as_pdf_a_1b(tmp_path: Path) -> None:
    """Source: Apache PDFBox 2 preflight (Debian's libpdfbox2-java), ISO 19005-1 level B."""
    file = tmp_path / "soak.pdf"
    file.write_bytes(four_pairs())
    jars = ":".join(str(JAVA / f"{jar}.jar") for jar in PREFLIGHT)
    done = subprocess.run(
        ["java", "-cp", jars, "org.apache.pdfbox.preflight.Validator_A1b", str(file)],
        capture_output=True,
        text=True,
    )

    assert "is a valid PDF/A-1b file" in done.stdout


# ------------------------------------------------------------------ soaks of every size


@needs_poppler
@pytest.mark.parametrize("pairs", [1, 2, 3, 16])
def test_any_number_of_pairs_is_drawn_and_tabled(pairs: int) -> None:
    data = a_report(pairs, ())
    svg = chart_svg(data.series, story_of(data))
    text = text_of(compile_pdf(of_soak(data)))

    for index in range(pairs):
        name = f"pair{index + 1}"
        assert f"{name} V{2 * index + 1}, V{2 * index + 2}" in text
        labels = svg.count(f">{name} V{2 * index + 1}/V{2 * index + 2}<") + svg.count(f">{name}<")
        assert labels == (1 if pairs == 1 else 2)  # at a line's end, once in each panel
    assert ("Each pair from the other, mA" in text) == (pairs == 2)
    assert ("Each pair from the others, mA" in text) == (pairs > 2)


def test_the_customers_chart_is_the_currents_alone() -> None:
    data = a_report()
    whole = chart_svg(data.series, story_of(data))
    plain = chart_svg(data.series, story_of(data), plain=True)

    for words_there in ("1 drift pair3", "Each pair from the others, mA; shaded: match ±3.0"):
        assert words_there in whole
        assert words_there not in plain
    assert "Current of each pair, mA" in plain
    assert plain.count(">pair3 V5/V6<") == 1


def test_labels_at_the_line_ends_do_not_overlap() -> None:
    data = a_report(16, ())
    svg = chart_svg(data.series, story_of(data))
    places: dict[str, list[float]] = {}
    for part in svg.split("<text ")[1:]:
        words_there = part.split(">", 1)[1].split("<", 1)[0]
        if words_there.startswith("pair"):
            places.setdefault(words_there, []).append(float(part.split('y="')[1].split('"')[0]))
    for panel in (0, 1):
        ys = sorted(found[panel] for found in places.values())
        assert len(ys) == 16
        assert min(np.diff(ys)) > 7.0


@needs_poppler
def test_a_soak_of_a_day_reads_in_hours() -> None:
    data = a_report(hours=24.0, step_s=60.0)
    text = text_of(printed(data))

    assert "Length 1 d" in text
    assert "20:00" in text
    assert "pair3 ↑ +" in text  # it has left the panel, and the chart says so


@needs_poppler
def test_every_finding_is_listed_even_where_the_chart_has_no_room() -> None:
    many = tuple(
        replace(DRIFT, id=i + 1, onset_s=200.0 * i, raised_s=200.0 * i + 100.0, says=f"sentence {i + 1}")
        for i in range(40)
    )
    text = text_of(printed(a_report(findings=many)))

    assert "32 more in the list only" in text
    for i in range(40):
        assert f"Sentence {i + 1}." in text


@needs_poppler
def test_of_thousands_of_findings_and_marks_the_telling_ones_are_listed_and_the_rest_counted() -> None:
    crackles = [
        replace(DRIFT, id=i, kind=Kind.INTERMITTENT, cleared_s=i + 1.0, onset_s=float(i), says=f"crackle {i}")
        for i in range(1, 9001)
    ]
    crackles[8000] = replace(crackles[8000], cleared_s=None, says="still crackling")
    crackles[8500] = replace(crackles[8500], severity=Severity.TRIP, acknowledged_s=1.0, says="it tripped")
    noted = [Mark(i, f"{NOTED}the DAQ was reset") for i in range(9000)]
    data = replace(a_report(findings=tuple(crackles)), marks=(*noted, Mark(9000, "tapped V5")))

    text = text_of(printed(data))

    assert "Still crackling." in text
    assert "It tripped." in text
    assert "Crackle 298." in text
    assert "Crackle 299." not in text
    assert "8,700 more are in the store and not listed here: 8,700 intermittent." in text
    assert "tapped V5" in text
    assert "8,701 more are in the store and not listed here." in text


@needs_poppler
def test_without_findings_the_page_says_so() -> None:
    text = text_of(printed(a_report(findings=())))

    assert "None was raised." in text
    assert "Verdict: Pass" in text
    assert "numbered marks" not in text


def nothing_known(how: str | None) -> ReportData:
    data = a_report(findings=(), hours=0.4, how=how)
    for pair in data.pairs:
        figures = [key for key in pair if key not in ("name", "measures", "statements")]
        pair.update(dict.fromkeys(figures), statements=dict.fromkeys(pair["statements"]))
    for channel in data.judged["channels"]:
        if "mean" in channel:
            channel.update(mean=None, least=None, greatest=None)
    data.judged["soak"].update(
        verdict=None,
        says="Not judged: only 0 minutes of the soak were seen, 30 are needed.",
        judged_s=0.0,
        steps=[{"step": "warm-up", "from_s": 31.0, "to_s": None}],
        conditions=dict.fromkeys(("mains_V", "ht_V", "ambient_C")),
    )
    return data


@needs_poppler
@pytest.mark.parametrize(
    ("how", "standing"),
    [
        ("broken off", "This soak was broken off after 24 min: only what was stored until then is judged."),
        (None, "No end of this soak is recorded: it still ran when this was printed, or it was cut off."),
    ],
)
def test_what_does_not_exist_is_not_judged_and_never_nan(how: str | None, standing: str) -> None:
    data = nothing_known(how)
    text = text_of(printed(data))

    assert standing in text
    assert "Verdict: Not judged" in text
    cells = [cell for row in document(data)["table"]["rows"] for cell in row["cells"]]
    assert [cell["figure"] for cell in cells] == ["no figure"] * 16
    assert {cell["word"] for cell in cells} == {"not judged"}
    assert "Not judged of every pair: from the others, drift, dissipation, settled." in text
    assert "No statement was made." in text
    for piece in [*every_text(document(data)), text]:
        assert "nan" not in piece.lower().split()
        assert "None" not in piece.replace("None was raised", "")


@needs_poppler
def test_a_figure_without_a_statement_is_still_given() -> None:
    data = a_report()
    data.pairs[0]["statements"] = {"from the others": None, "dissipation": "pass", "settled": "pass"}
    cells = document(data)["table"]["rows"][0]["cells"]

    assert cells[1]["figure"] == "−0.4 ± 0.7"
    assert cells[1]["word"] == "not judged"
    assert cells[2]["figure"].startswith("+0.05")
    assert cells[2]["word"] == "not judged with this set-up"


def test_a_soak_without_one_scan_still_gives_a_page() -> None:
    data = nothing_known(None)
    parts = {
        name: getattr(data.series, name)[:0] for name in ("t_s", "mean", "least", "greatest", "from_others")
    }
    data = replace(data, series=replace(data.series, **parts), soak=replace(data.soak, last_t_us=None))

    assert "no reading was recorded" in chart_svg(data.series, story_of(data))
    assert printed(data).startswith(b"%PDF")


# ------------------------------------------------------------------ words from outside


HOSTILE = '#panic("x") $x_1^2$ <b>bold</b> *s* _e_ @ref \\ `raw` // c [a](b) https://example.org'


@needs_poppler
def test_names_that_look_like_markup_are_printed_as_they_are() -> None:
    text = setup_text(amp=HOSTILE).replace('name = "bench 1"', f"name = {toml(HOSTILE[:60])}")
    text = text.replace('"V1"', toml("#V <1>"))
    data = a_report(text=text, findings=(replace(DRIFT, says=HOSTILE, advice=HOSTILE),))
    page = text_of(printed(data)).replace(" ", "")

    assert page.count(HOSTILE.replace(" ", "")) == 4
    assert f"Bench {HOSTILE[:60]}".replace(" ", "") in page
    assert "#V<1>" in page
    assert "/URI" not in printed(data).decode("latin-1")


@needs_poppler
def test_a_word_of_200_letters_stays_on_the_page() -> None:
    pdf = printed(a_report(text=setup_text(amp="W" * 200)))

    assert "W" * 200 in text_of(pdf).replace(" ", "")
    boxes = poppler("pdftotext", pdf, "-bbox")
    right = max(float(part.split('"')[0]) for part in boxes.split('xMax="')[1:])
    assert right < 595.3 - 40.0  # A4, less most of the margin


def test_signs_that_the_fonts_lack_become_a_square_and_controls_vanish() -> None:
    assert printable("a漢\u202eb\x00\n\tc é \U0001f525") == "a□b c é □"
    assert printable("µ Ω ± − – … “EL34”") == "µ Ω ± − – … “EL34”"


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.text(min_size=1, max_size=200))
def test_any_text_can_be_printed(text: str) -> None:
    data, svg = one_pair()
    data = replace(
        data,
        soak=replace(data.soak, amp=text, bench=text),
        findings=(replace(DRIFT, says=text, advice=text),),
    )

    assert compile_pdf(with_chart(data, svg)).startswith(b"%PDF")


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.text(min_size=1, max_size=9))
def test_any_text_can_stand_in_the_chart(text: str) -> None:
    data = a_report(1, (), hours=0.1, text=setup_text(1).replace('"V1", "V2"', toml(text)))
    svg = chart_svg(data.series, story_of(data))

    assert compile_pdf(with_chart(data, svg)).startswith(b"%PDF")


def with_chart(data: ReportData, svg: str) -> Report:
    """Return the workshop's page alone, with a chart that was drawn before."""
    page = document(data)
    words = {"title": page["title"], "shop": {"name": "", "address": [], "logo": ""}, "customer": None}
    words |= {"footer": page["footer"], "short": page["short"], "job": None, "soaks": [page]}
    return Report(words, {page["chart"]["name"]: svg}, PRINTED)


@cache
def one_pair() -> tuple[ReportData, str]:
    data = a_report(1, (), hours=0.1)
    return data, chart_svg(data.series, story_of(data))


# ------------------------------------------------------------------ the same again


def test_the_same_soak_and_clock_give_the_same_bytes() -> None:
    assert printed(a_report()) == four_pairs()


def test_the_chart_has_no_transparency() -> None:
    data = a_report()
    svg = chart_svg(data.series, story_of(data))

    assert "opacity" not in svg.replace("opacity: 1", "")


def test_pairs_differ_by_pattern_as_well_as_by_colour() -> None:
    data = a_report(8, ())
    svg = chart_svg(data.series, story_of(data))
    patterns = {part.split(";")[0].split('"')[0] for part in svg.split("stroke-dasharray: ")[1:]}

    assert len(patterns) >= 7  # and the first line is solid


def test_lines_stop_at_a_gap() -> None:
    data = a_report()
    holed = data.series.mean.copy()
    inside = (data.series.t_s > GAP.onset_s) & (data.series.t_s < GAP.onset_s + 600.0)
    holed[inside] = np.nan
    whole = chart_svg(data.series, story_of(data))
    torn = chart_svg(replace(data.series, mean=holed), story_of(data))

    assert torn.count("\nM ") > whole.count("\nM ")  # a line that goes on is one path


# ------------------------------------------------------------------ from a store to a file


@pytest.fixture
def stored(tmp_path: Path) -> Any:
    from logger.store.reader import Reader

    path = tmp_path / "soak.db"
    keep(path, verdict=True)
    return Reader(path)


def keep(path: Path, *, verdict: bool) -> None:
    """Keep 40 minutes of an ordinary soak at 1 scan/s in a store."""
    from logger.blocks import ScanBlock
    from logger.convert import Converter, daq_from_setup
    from logger.store.writer import Writer

    text = setup_text().replace("scans_per_s = 10", "scans_per_s = 1").replace("minutes = 30", "minutes = 5")
    text = text.replace('measures = "HT"', 'measures = "HT"\ndivider_ohm = [1_000_000, 4_700]')
    text = text.replace('measures = "mains"', 'measures = "mains"\nvalue_per_V = 100.0')
    text = text.replace('temperature"\n', 'temperature"\nsensor = "linear"\nvalue_per_V = 100.0\n')
    setup = parse(text)
    daq = daq_from_setup(setup)
    series = curves(setup, hours=2400.0 / 3600.0, step_s=1.0, drifts=False)
    converter = Converter(setup, daq)
    counts = np.column_stack([converter.counts(i, series.mean[:, i]) for i in range(len(setup.channel))])
    scans = ScanBlock(
        (series.t_s * 1e6).astype(np.int64),
        np.arange(len(series), dtype=np.int64),
        np.round(counts).astype(np.int32),
    )
    with Writer(path, ManualClock(STARTED)) as writer:
        writer.begin_soak(setup=setup, setup_text=text, daq=daq, started=STARTED, kind="as found")
        writer.add_scans(scans)
        writer.put_finding(DRIFT)
        if verdict:
            document = judged(setup, (DRIFT,), hours=2400.0 / 3600.0)
            writer.end_soak(ended=STARTED + timedelta(minutes=40), how="finished", verdict=document)
    if not verdict:
        with Writer(path, ManualClock(STARTED)) as writer:
            assert writer.close_broken_off() == [1]


@needs_poppler
def test_a_stored_soak_becomes_a_file(stored: Any, tmp_path: Path) -> None:
    out = write_report(stored, "last", tmp_path / "soak.pdf", clock=ManualClock(PRINTED))
    text = text_of(out.read_bytes())

    assert "as found; the plan was run to its end" in text
    assert "Length 39 min" in text
    assert DRIFT.says in text
    assert "74.4 ± 0.8" in text
    assert sorted(file.name for file in tmp_path.iterdir()) == ["soak.db", "soak.pdf"]


@needs_poppler
def test_a_soak_that_was_broken_off_is_judged_when_printed(tmp_path: Path) -> None:
    from logger.store.reader import Reader

    keep(tmp_path / "soak.db", verdict=False)
    out = write_report(Reader(tmp_path / "soak.db"), 1, tmp_path / "soak.pdf", clock=ManualClock(PRINTED))
    text = text_of(out.read_bytes())

    assert "This soak was broken off after 39 min" in text
    assert "as found; broken off" in text
    assert "nan" not in text.lower().split()


def test_an_existing_file_is_left_alone_without_force(stored: Any, tmp_path: Path) -> None:
    out = tmp_path / "soak.pdf"
    out.write_text("mine")

    with pytest.raises(FileExistsAlready, match=r"soak\.pdf exists already"):
        write_report(stored, "last", out, clock=ManualClock(PRINTED))
    assert out.read_text() == "mine"

    write_report(stored, "last", out, clock=ManualClock(PRINTED), force=True)
    assert out.read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("soak.txt", "name it soak.pdf"),
        ("nowhere/soak.pdf", "there is no folder"),
        ("folder.pdf", "is a folder"),
    ],
)
def test_a_place_that_will_not_do_is_said_in_one_sentence(
    stored: Any, tmp_path: Path, name: str, said: str
) -> None:
    (tmp_path / "folder.pdf").mkdir()

    with pytest.raises(RequestError, match=said):
        write_report(stored, "last", tmp_path / name, clock=ManualClock(PRINTED), force=True)


def test_a_failure_leaves_no_half_file(stored: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("dashboard.report_files.os.fsync", full)
    with pytest.raises(RequestError, match="No space left on device"):
        write_report(stored, "last", tmp_path / "soak.pdf", clock=ManualClock(PRINTED))
    assert [file.name for file in tmp_path.iterdir()] == ["soak.db"]
