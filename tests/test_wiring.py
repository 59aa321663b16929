"""The wiring notes: every figure in their tables worked out again, and drawings that stand by themselves."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from runpy import run_path

import pytest

from logger.check import RANGES_V
from logger.convert import ADC_INPUT_OHM, EARTH_RETURN_OHM, INPUT_LEAK_A
from logger.simulator.amplifier import EL34, EL34_SCREEN_FRACTION

NOTES = Path(__file__).resolve().parent.parent / "firmware_notes"
PAGE = (NOTES / "wiring.md").read_text(encoding="utf-8")
DRAWINGS = sorted((NOTES / "diagrams").glob("*.svg"))

HT_V, HT_HIGH_V, HT_PEAK_V = 455.0, 500.0, 700.0
AIM_A = 0.082
PART_OHM, PARTS = 470.0, 2
WIRE_OHM = PART_OHM * PARTS
CLAMP_V = 1.5
UPPER_OHM, UPPERS, LOWER_OHM = 200e3, 5, 4700.0


def table(first: str) -> dict[str, list[str]]:
    """Return a table of the page by its first heading: first cell to the other cells."""
    (body,) = re.findall(rf"^\| {re.escape(first)} \|[^\n]*\n\|[-|]+\n((?:\|[^\n]*\n)+)", PAGE, re.MULTILINE)
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in body.splitlines()]
    return {row[0]: row[1:] for row in rows}


def said(text: str) -> float:
    """Return the first figure of a cell, in SI units."""
    found = re.match(r"([\d.]+) ?(mA|mW|mohm|kohm|Mohm|A|W|V|ohm|%)?", text)
    assert found, text
    scale = {"mA": 1e-3, "mW": 1e-3, "mohm": 1e-3, "kohm": 1e3, "Mohm": 1e6, "%": 0.01}
    return float(found[1]) * scale.get(found[2] or "", 1.0)


def holds(text: str, value: float) -> None:
    """Hold a printed figure to what it should be: to half a unit of its last digit."""
    figure = re.match(r"[\d.]+", text)
    assert figure, text
    places = len(figure[0].partition(".")[2])
    unit = said(text) / float(figure[0]) if float(figure[0]) else 0.01
    digits = figure[0].rstrip("0") if not places else figure[0]
    last = 10.0**-places * (10.0 ** (len(figure[0]) - len(digits)) if not places else 1.0)
    assert abs(said(text) - value) <= 0.5001 * last * unit, (text, value / unit)


def test_the_case_of_an_open_resistor_is_worked_out_right() -> None:
    rows = table("case")
    keeper, whole, shorted = rows.values()
    holds(keeper[1], CLAMP_V / WIRE_OHM)
    holds(keeper[2], (CLAMP_V / WIRE_OHM) ** 2 * PART_OHM)
    # two EL34 biased for 65 % of 25 W, their cathodes on nothing but the series resistors and the clamp
    low, high = -100.0, -5.0
    for _ in range(60):
        grid_v = (low + high) / 2
        low, high = (grid_v, high) if EL34.anode_a(HT_V, HT_V, grid_v) < 0.65 * 25 / HT_V else (low, grid_v)
    share = sum(EL34_SCREEN_FRACTION) / 2
    low, high = CLAMP_V, 100.0
    for _ in range(60):
        at_v = (low + high) / 2
        cathode_a = 2 * EL34.anode_a(HT_V - at_v, HT_V - at_v, grid_v - at_v) / (1 - share)
        low, high = (at_v, high) if cathode_a > (at_v - CLAMP_V) / WIRE_OHM else (low, at_v)
    assert f"cathodes stop at {at_v:.1f} V" in PAGE
    holds(whole[0], at_v - CLAMP_V)
    holds(whole[1], cathode_a)
    holds(whole[2], cathode_a**2 * PART_OHM)
    holds(shorted[0], HT_HIGH_V)
    holds(shorted[1], HT_HIGH_V / WIRE_OHM)
    watts = (HT_HIGH_V / WIRE_OHM) ** 2 * PART_OHM
    holds(shorted[2], watts)
    assert f"is {watts / 0.5:.0f} times what it may take" in PAGE
    assert f"draw up to 500 V / 40 ohm = {HT_HIGH_V / 40:.1f} A" in PAGE


def test_the_price_of_a_series_resistor_is_worked_out_right() -> None:
    rows = table("each wire")
    assert len(rows) == 4
    for ohm_text, (amperes, watts, loading) in rows.items():
        ohm = said(ohm_text)
        holds(amperes, HT_HIGH_V / ohm)
        holds(watts, HT_HIGH_V**2 / ohm)
        holds(loading, 2 * ohm / ADC_INPUT_OHM)
    both_ohm = 2 * WIRE_OHM
    assert f"series_ohm = {both_ohm:.0f}" in PAGE
    assert f"{both_ohm / ADC_INPUT_OHM:.2%}".replace("%", " %") in PAGE
    assert f"{1000 * both_ohm * INPUT_LEAK_A:.2f} mA for {1e9 * INPUT_LEAK_A:.0f} nA" in PAGE
    assert f"their corner at {1 / (2 * math.pi * both_ohm * 100e-9):.0f} Hz" in PAGE
    earth_v = 4 * AIM_A * EARTH_RETURN_OHM
    assert f"4 x 82 mA x 10 mohm = {1000 * earth_v:.1f} mV" in PAGE
    assert f"each of its diodes has {1000 * 2 * AIM_A / 2:.0f} mV" in PAGE


def test_what_an_average_leaves_of_hum_is_worked_out_right() -> None:
    checked = 0
    for hertz, (left,) in table("hum").items():
        for text in hertz.split(","):
            turns = math.pi * said(text.strip().replace("Hz", "")) * 0.1
            holds(left, abs(math.sin(turns) / turns))
            checked += 1
    assert checked == 5


def test_the_divider_is_worked_out_right() -> None:
    rows = list(table("HT").values())
    for row, ht_v, uppers in zip(rows, (HT_V, HT_PEAK_V, HT_PEAK_V), (5, 5, 4), strict=True):
        amperes = ht_v / (uppers * UPPER_OHM + LOWER_OHM)
        for text, value in zip(
            row, (amperes * UPPER_OHM, amperes**2 * UPPER_OHM, amperes, amperes * LOWER_OHM), strict=True
        ):
            holds(text, value)
        assert amperes * UPPER_OHM < 350
    top = UPPERS * UPPER_OHM
    assert f"reads {3.3 * (top + LOWER_OHM) / LOWER_OHM:.0f} V at most" in PAGE
    assert 3.3 * (top + 3900) / 3900 > 1.2 * HT_PEAK_V
    open_a = HT_PEAK_V / top
    assert (
        f"{1000 * open_a:.2f} mA, which the Zener diode takes at 5.1 V: {1000 * open_a * 5.1:.1f} mW" in PAGE
    )
    source_ohm = top * LOWER_OHM / (top + LOWER_OHM)
    assert f"{1000 * 1e-6 * source_ohm:.1f} mV or {1e-6 * source_ohm / 2.13:.1%}".replace("%", " %") in PAGE
    assert f"1 uF is {1 / (2 * math.pi * source_ohm * 1e-6):.0f} Hz" in PAGE
    assert f"= {1000 * (5.1 - 3.6) / 1000:.1f} mA" in PAGE
    assert f"holds {100e-6 * 500**2 / 2:.1f} J" in PAGE
    seconds = [ohm * 100e-6 * math.log(500 / 60) for ohm in (top + LOWER_OHM, 220e3)]
    assert "takes {:.0f} s to 60 V, through a bleeder of 220 kohm {:.0f} s".format(*seconds) in PAGE.replace(
        "\n", " "
    )


def test_the_thermistor_and_the_mains_are_worked_out_right() -> None:
    for celsius, (ohms, volts) in table("temperature").items():
        kelvin = float(celsius.split()[0]) + 273.15
        ohm = 10e3 * math.exp(3950 * (1 / kelvin - 1 / 298.15))
        holds(ohms, ohm)
        holds(volts, 3.3 * ohm / (ohm + 10e3))
    assert f"own {1000 * 1.65**2 / 10e3:.2f} mW" in PAGE
    pins = []
    for mains, (secondary, mean, pin) in table("mains").items():
        secondary_v = 8.0 * said(mains) / 230
        mean_v = 2 * math.sqrt(2) / math.pi * secondary_v - 1.4
        holds(secondary, secondary_v)
        holds(mean, mean_v)
        pins.append(said(pin))
        holds(pin, said(mean) * 4.7 / 19.7)
    per_v = 23 / (pins[0] - pins[1])
    assert (
        f"= 23 V / {pins[0] - pins[1]:.3f} V = {per_v:.0f}, `value_at_0V` = {230 - per_v * pins[0]:.1f}"
        in PAGE
    )


def test_the_contactor_is_worked_out_right() -> None:
    rated, loop, peak, times, ac3 = table("figure").values()
    holds(rated[0], 500 / 230)
    peak_a = 230 * math.sqrt(2) / said(loop[0])
    holds(peak[0], peak_a)
    holds(times[0], peak_a / (500 / 230))
    holds(ac3[0], peak_a / (10 * math.sqrt(2)))


def test_the_ranges_in_the_parts_list_are_the_converters() -> None:
    (board,) = [row for name, row in table("function").items() if name == "board"]
    assert [float(volts) for volts in re.findall(r"±([\d.]+) V", board[0])] == [RANGES_V[0], RANGES_V[4]]


def test_the_cautions_come_first_and_nothing_is_called_harmless() -> None:
    assert PAGE.index("Valve amplifiers kill") < PAGE.index("## 1.")
    assert "never earth" in PAGE
    assert "no certified protective device" in PAGE
    for word in (r"\bsafe\b", r"\bdischarged\b"):
        assert not re.search(word, PAGE, re.IGNORECASE)


def test_the_page_shows_every_drawing_and_points_to_what_exists() -> None:
    targets = re.findall(r"\]\(([^)#:]+)\)", PAGE)
    assert {NOTES / target for target in targets if target.endswith(".svg")} == set(DRAWINGS)
    for target in targets:
        assert (NOTES / target).exists(), target


@pytest.mark.parametrize("path", DRAWINGS, ids=lambda path: path.stem)
def test_a_drawing_stands_by_itself(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    root = ET.fromstring(text)
    space = "{http://www.w3.org/2000/svg}"
    assert root.tag == f"{space}svg"
    for name in ("title", "desc"):
        found = root.find(f"{space}{name}")
        assert found is not None
        assert found.text
        assert found.get("id") in root.get("aria-labelledby", "").split()
    assert len(root.findall(f"{space}text")) >= 5  # words are text, not outlines
    _, _, width, height = (float(part) for part in root.get("viewBox", "").split())
    for word in root.findall(f"{space}text"):
        assert 0 <= float(word.get("x", "-1")) <= width
        assert 0 <= float(word.get("y", "-1")) <= height
    assert "prefers-color-scheme:dark" in text
    for outside in ("href", "url(", "@import", "@font-face", "<image", "<script"):
        assert outside not in text
    assert re.findall(r"https?://[^\"]*", text) == ["http://www.w3.org/2000/svg"]


def test_the_drawings_are_what_their_script_draws() -> None:
    sheets = run_path(str(NOTES / "diagrams" / "draw.py"))["SHEETS"]
    assert set(sheets) == {path.stem for path in DRAWINGS}
    for path in DRAWINGS:
        assert path.read_text(encoding="utf-8") == sheets[path.stem]().svg, path.name


def test_the_udev_rules_are_rules() -> None:
    text = (NOTES / "60-soakbench.rules").read_text(encoding="utf-8")
    rules = [line for line in text.splitlines() if line and not line.startswith("#")]
    part = re.compile(r'[A-Z]+(\{[^}]+\})?(==|!=|=|\+=)"[^"]*"')
    for rule in rules:
        assert all(part.fullmatch(piece) for piece in re.split(r", (?=[A-Z])", rule)), rule
    assert any('ENV{ID_MM_DEVICE_IGNORE}="1"' in rule for rule in rules)
    assert any('ATTR{power/control}="on"' in rule for rule in rules)
    goto, label = (re.findall(rf'{word}="(\w+)"', text) for word in ("GOTO", "LABEL"))
    assert goto == label
