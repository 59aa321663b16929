"""How the pages look: contrast in both schemes, and what every page keeps in a real browser."""

from __future__ import annotations

import contextlib
import re
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pictures
import pytest
import test_dashboard
from dashboard_soak import RunningSoak, setup_text
from pictures import ADDRESSES, FORMS, LOG_IN, PAGES, Scene
from playwright.sync_api import Browser, Page

from dashboard import figures, words
from logger import units
from logger.setup import parse
from logger.store.reader import Reader

chromium = test_dashboard.chromium

CSS = (Path(__file__).parents[1] / "dashboard/assets/soakbench.css").read_text(encoding="utf-8")


def _properties(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", block))


def _schemes() -> dict[str, dict[str, str]]:
    """Return the colours of each scheme by name, as the style sheet has them."""
    light, dark, paper = re.findall(r"\s:root \{(.*?)\n\s*\}", CSS, re.DOTALL)
    assert "prefers-color-scheme: dark" in CSS[: CSS.index(dark)]
    by_light = _properties(light)
    return {
        "light": by_light,
        "dark": {**by_light, **_properties(dark)},
        "paper": {**by_light, **_properties(paper)},
    }


SCHEMES = _schemes()


def _luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    channels = [int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    low, high = sorted((_luminance(one), _luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_gives_wcags_own_extremes() -> None:
    # WCAG 2.2, definition of contrast ratio: 1:1 to 21:1. Grey #767676 on white: 4.54 (from memory).
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert _contrast("#123456", "#123456") == 1.0
    assert _contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("scheme", ["light", "dark", "paper"])
def test_words_and_signs_reach_the_contrast_of_wcag_aa(scheme: str) -> None:
    # WCAG 2.2: 1.4.3 asks 4.5:1 of text, 1.4.11 asks 3:1 of what a control or a sign is known by.
    colour = SCHEMES[scheme]
    grounds = ("ground", "surface", "amber-ground", "vermilion-ground", "hatched")
    short = [
        (name, ground, round(ratio, 2))
        for names, least, on in (
            (("ink", "quiet"), 4.5, grounds),
            ([f"pair-{k}-ink" for k in range(1, 9)], 4.5, ("ground", "surface")),
            (("strip-ink", "amber-ink"), 4.5, ("surface",)),
            (("edge", "focus", "strip", "amber", "vermilion"), 3.0, ("ground", "surface")),
            (("rule", "pair-7-ink"), 3.0, ("surface",)),
            (("amber",), 3.0, ("amber-ground",)),
            (("vermilion",), 3.0, ("vermilion-ground",)),
            (("ink",), 3.0, ("window",)),
        )
        for name in names
        for ground in on
        if (ratio := _contrast(colour[name], colour[ground])) < least
    ]
    assert short == []


def test_lines_stand_out_from_the_dark_ground() -> None:
    # In the light their darker names at the ends do it: Okabe and Ito's sky blue has 2.3:1 on white.
    dark = SCHEMES["dark"]
    assert all(_contrast(dark[f"pair-{k}"], dark["surface"]) >= 3.0 for k in range(1, 9))
    drawn = [dark[f"pair-{k}"] for k in range(1, 9)]
    assert len(set(drawn)) == 8


def test_the_style_sheet_has_the_figures_own_palette() -> None:
    light = SCHEMES["light"]
    for number, (colour, ink) in enumerate(figures.PALETTE, 1):
        assert (light[f"pair-{number}"], light[f"pair-{number}-ink"]) == (colour.lower(), ink.lower())


def test_colours_stand_in_one_place() -> None:
    rules = re.sub(r"\s:root \{.*?\}", "", CSS, flags=re.DOTALL)
    assert re.findall(r".*#[0-9a-fA-F]{3,8}\b(?=;).*", rules) == []
    named = set(re.findall(r"var\(--([\w-]+)[,)]", CSS))
    said = set(re.findall(r"^\s*--([\w-]+):", CSS, re.MULTILINE))
    set_by_pages = {"place", "facts"}
    assert named - said == set_by_pages
    assert {name for name in said - named if not name.startswith("Dash-")} == set()


# ---------------------------------------------------------------- units


def test_the_unit_of_currents_is_that_of_what_is_measured() -> None:
    # A pair of two valves through 10 ohm: 76 mA drop 760 mV (Ohm's law), and are 38 mA a valve in the mean.
    assert [76.0 * units.per_mA(unit, 10.0, 2) for unit in units.PAIR_UNITS] == [76.0, 760.0, 38.0]
    assert [units.pair_unit(unit, per_h=True) for unit in units.PAIR_UNITS] == [
        "mA/h",
        "mV/h",
        "mA/h a valve",
    ]


def test_pairs_on_unlike_resistors_share_no_axis_but_that_of_milliamps() -> None:
    text = setup_text()
    assert words.for_all("mV", parse(text.replace("sense_ohm = 1.0", "sense_ohm = 10.0"))) == (10.0, "mV")
    unlike = parse(text.replace("sense_ohm = 1.0", "sense_ohm = 10.0", 1))
    assert words.for_all("mV", unlike) == (1.0, "mA")
    assert words.for_all("valve", unlike) == (0.5, "valve")


# ---------------------------------------------------------------- in a browser


def _served(scene: Scene) -> contextlib.AbstractContextManager[str]:
    return pictures.served(scene.path, scene.clock, locked=bool(scene.password))


@pytest.fixture(scope="module")
def scenes(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, tuple[str, Scene]]]:
    """Serve a store in each state; gives by state where its pages begin, and the scene."""
    with contextlib.ExitStack() as stack:
        yield {
            scene.state: (stack.enter_context(_served(scene)), scene)
            for scene in pictures.scenes(tmp_path_factory.mktemp("looks"))
        }


class Watched:
    """A page of a browser that is held to two things: nothing on the console, nothing from elsewhere."""

    def __init__(self, browser: Browser, **how: object) -> None:
        context = browser.new_context(**{"viewport": test_dashboard.DESK, **how})  # type: ignore[arg-type]
        context.set_default_timeout(30_000)
        self.page, self.odd, self.home = context.new_page(), list[str](), ""
        self.page.on("console", lambda message: self.odd.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.odd.append(f"error: {error}"))
        self.page.on(
            "request",
            lambda one: (
                None
                if one.url.startswith((f"{self.home}/", "data:", "blob:"))
                else self.odd.append(f"foreign: {one.url}")
            ),
        )

    def go(self, home: str, name: str) -> Page:
        """Open one of the pages and wait until it is filled."""
        self.home = home
        self.page.goto(f"{home}{ADDRESSES[name]}")
        pictures.filled(self.page, name)
        return self.page


@pytest.fixture
def watched(chromium: Browser) -> Iterator[Callable[..., Watched]]:
    opened: list[Watched] = []

    def watch(**how: object) -> Watched:
        opened.append(Watched(chromium, **how))
        return opened[-1]

    yield watch
    for one in opened:
        one.page.context.close()
        assert one.odd == []


PLOT = "document.querySelector('.js-plotly-plot')"


def _chart_says(page: Page, text: str) -> None:
    page.wait_for_function(
        "text => [...document.querySelectorAll('.annotation-text')]"
        ".some(one => one.textContent.includes(text))",
        arg=text,
    )


def test_one_key_changes_every_screen(
    scenes: dict[str, tuple[str, Scene]], watched: Callable[..., Watched]
) -> None:
    home, scene = scenes["healthy"]
    stored = Reader(scene.path).soak()
    assert stored.now is not None
    mA = 1000.0 * stored.now["channels"]["pair1"]["value"]
    visitor = watched()
    page = visitor.go(home, "live")
    _chart_says(page, "Current of each pair, mA")
    page.keyboard.press("u")
    _chart_says(page, "Current of each pair, mV")
    page.wait_for_selector(".tile.pair:has-text('mV')")
    page.keyboard.press("u")
    _chart_says(page, "Current of each pair, mA a valve")
    page.wait_for_selector(f".tile.pair:has-text('{mA / 2.0:.1f}')")
    top = page.evaluate(f"{PLOT}._fullLayout.yaxis.range[1]")
    last = page.evaluate(f"{PLOT}.data.find(one => (one.hovertemplate || '').startsWith('pair1')).y.at(-1)")
    hover = page.evaluate(
        f"{PLOT}.data.find(one => (one.hovertemplate || '').startsWith('pair1')).hovertemplate"
    )
    assert last == pytest.approx(mA / 2.0, abs=0.05)
    assert "mA a valve" in hover
    page = visitor.go(home, "soak")
    _chart_says(page, "Each pair from the others, mA a valve")
    assert page.locator("#unit-key").inner_text() == "Unit: mA a valve"
    row = " ".join(page.locator(".pairs-table tbody tr").first.inner_text().split())
    assert f"{mA / 2.0:.1f} ±0.5" in row
    assert "mA a valve" in page.locator(".pairs-table thead").inner_text()
    page = visitor.go(home, "compared")
    _chart_says(page, "Each pair, mA a valve, at 230 V mains")
    assert page.locator(".records tbody tr").nth(1).locator("td").first.inner_text().startswith("−2.05")
    page.keyboard.press("u")
    _chart_says(page, "Each pair, mA, at 230 V mains")
    assert page.locator(".records tbody tr").nth(1).locator("td").first.inner_text().startswith("−4.1")
    page = visitor.go(home, "bias")
    assert page.locator("#bias-unit").inner_text() == "mA"
    page = visitor.go(home, "live")
    _chart_says(page, "Current of each pair, mA")
    assert page.evaluate(f"{PLOT}._fullLayout.yaxis.range[1]") == pytest.approx(2.0 * top)


# ---------------------------------------------------------------- sound

HEARD = """
window.heard = [];
const start = OscillatorNode.prototype.start;
OscillatorNode.prototype.start = function (at) {
  window.heard.push(this.frequency.value);
  start.call(this, at);
};
"""


def _sounding(page: Page, state: str, calls: str) -> None:
    page.wait_for_function(
        "([state, calls]) => { const root = document.documentElement.dataset;"
        " return root.sound === state && root.calls === calls; }",
        arg=[state, calls],
    )


def test_warning_and_trip_sound_apart_once_a_person_has_switched_it_on(
    tmp_path: Path, watched: Callable[..., Watched]
) -> None:
    soak = RunningSoak(tmp_path / "soak.db")
    soak.go_on(60.0)
    with pictures.served(soak.path, soak.clock) as home:
        visitor = watched()
        visitor.page.add_init_script(HEARD)
        page = visitor.go(home, "live")
        assert "Off: nothing sounds here" in page.locator("#sound-says").inner_text()
        page.get_by_role("button", name="Try the trip").click()
        page.wait_for_function("() => window.heard.length === 8")
        tried = set(page.evaluate("window.heard"))
        key = page.locator("#live-sound").get_by_role("button", name="Sound: off")
        key.click()
        _sounding(page, "on", "")
        soak.writer.put_finding(pictures.DRIFT)
        soak.writer.commit()
        _sounding(page, "on", "warning")
        page.wait_for_function("() => window.heard.length === 10")
        assert not tried & set(page.evaluate("window.heard.slice(8)")), "a trip sounds like nothing else"
        # Kept where another page is shown, and heard in a tab that nobody looks at.
        page.get_by_role("link", name="Jobs").click()
        page.wait_for_selector("#sound-key:visible")
        other = page.context.new_page()
        other.bring_to_front()
        soak.writer.put_finding(pictures.TRIP)
        soak.writer.commit()
        _sounding(page, "on", "trip")
        page.wait_for_function("() => window.heard.length >= 18")
        assert set(page.evaluate("window.heard.slice(10)")) == tried
        for one in (pictures.DRIFT, pictures.TRIP):
            soak.writer.put_finding(replace(one, acknowledged_s=61.0))
        soak.writer.commit()
        _sounding(page, "on", "")
        soak.clock.advance(30.0)
        _sounding(page, "on", "no reading")
        other.close()
        page.reload()
        page.wait_for_selector("#sound-key:visible")
        page.wait_for_function("() => ['waiting', 'on'].includes(document.documentElement.dataset.sound)")
        page.locator("#sound-key").click()
        page.wait_for_function("() => document.documentElement.dataset.sound === 'off'")
        page.close()
    soak.writer.close()


def test_a_browser_without_sound_says_so(
    scenes: dict[str, tuple[str, Scene]], watched: Callable[..., Watched]
) -> None:
    visitor = watched()
    visitor.page.add_init_script("delete window.AudioContext;")
    page = visitor.go(scenes["healthy"][0], "live")
    page.wait_for_selector("#sound-says:has-text('makes no sound')")
    assert page.locator("#live-sound").get_by_role("button", name="Sound: off").is_disabled()


# ---------------------------------------------------------------- what every page keeps

AXE = (Path(__file__).parent / "data/axe/axe.min.js").read_text(encoding="utf-8")
"""axe-core 4.14.1 (MPL 2.0, its licence beside it): rules of WCAG 2.2 that a machine can look at."""

SMALL = """() => [...document.querySelectorAll("button, summary, input, select, textarea, nav a, a.forth")]
  .filter(one => one.checkVisibility({visibilityProperty: true}) && one.type !== "hidden")
  .map(one => [one.closest("label") || one, one])
  .filter(([target]) => {
    const box = target.getBoundingClientRect();
    return box.height < 43.5 && box.width > 1;
  })
  .map(([, one]) => one.outerHTML.slice(0, 120))"""
"""What is pressed must be 44 px high, or its label must."""

FAINT = """() => {
  const value = text => text.match(/[\\d.]+/g).map(Number);
  const luminance = ([r, g, b]) => [r, g, b].map(c => c / 255)
    .map(c => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4)
    .reduce((sum, c, at) => sum + c * [0.2126, 0.7152, 0.0722][at], 0);
  const ratio = (one, other) => {
    const [low, high] = [luminance(one), luminance(other)].sort((a, b) => a - b);
    return (high + 0.05) / (low + 0.05);
  };
  return [...document.querySelectorAll(".js-plotly-plot")].flatMap(plot => {
    const ground = value(getComputedStyle(plot.closest(".panel")).backgroundColor);
    const of = (chosen, what, least) => [...plot.querySelectorAll(chosen)]
      .filter(one => getComputedStyle(one)[what] !== "none")
      .filter(one => ratio(value(getComputedStyle(one)[what]), ground) < least)
      .map(one => `${chosen} ${getComputedStyle(one)[what]} ${one.textContent}`);
    const dark = matchMedia("(prefers-color-scheme: dark)").matches;
    return [...of("text", "fill", 4.5), ...(dark ? of(".js-line", "stroke", 3) : [])];
  });
}"""
"""Words and, in the dark, lines of a chart that are too near the ground's colour: axe looks at no SVG."""


def _faults(page: Page, *, colours_only: bool = False) -> list[str]:
    only = "{type: 'rule', values: ['color-contrast']}" if colours_only else "undefined"
    found: list[dict[str, Any]] = page.evaluate(
        f"async () => (await axe.run({{resultTypes: ['violations'], runOnly: {only}}})).violations"
    )
    faults = [
        f"{one['impact']} {one['id']}: {node['html'][:160]}"
        for one in found
        for node in one["nodes"]
        if one["impact"] in ("serious", "critical") or one["id"] in ("heading-order", "region")
    ]
    faults += page.evaluate(FAINT)
    return faults if colours_only else faults + _out_of_measure(page)


def _out_of_measure(page: Page) -> list[str]:
    faults = [f"under 44 px: {one}" for one in page.evaluate(SMALL)]
    wider = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    return faults + ([f"{wider} px wider than the screen"] if wider else [])


LOOKED_AT = (
    *(("warning", name, test_dashboard.DESK, "light") for name in PAGES),
    ("warning", "live", test_dashboard.PHONE, "dark"),
    ("warning", "soak", test_dashboard.PHONE, "dark"),
    ("trip", "live", test_dashboard.PHONE, "light"),
    ("trip", "bias", test_dashboard.DESK, "dark"),
    ("stale", "live", test_dashboard.PHONE, "dark"),
    ("stale", "bias", test_dashboard.PHONE, "light"),
    ("ended", "live", test_dashboard.DESK, "light"),
    ("ended", "soak", test_dashboard.DESK, "dark"),
    *(("empty", name, test_dashboard.PHONE, "light") for name in ("live", "bias", "soak", "jobs", "setup")),
    *(
        ("not reached", name, test_dashboard.DESK, "dark")
        for name in ("live", "bias", "soak", "job", "compare")
    ),
)


LOOKED_AT_TOO = tuple(
    ("warning", name, test_dashboard.PHONE, "dark") for name in PAGES if name not in ("live", "soak")
)


@pytest.mark.parametrize(
    "looked_at", [LOOKED_AT, pytest.param(LOOKED_AT_TOO, marks=pytest.mark.nightly)], ids=("all", "phone")
)
def test_every_page_keeps_the_rules_for_all_in_every_state(
    looked_at: tuple[tuple[str, str, dict[str, int], str], ...],
    scenes: dict[str, tuple[str, Scene]],
    watched: Callable[..., Watched],
) -> None:
    visitor = watched()
    faults: dict[str, list[str]] = {}
    titles: list[str] = []
    for state, name, size, scheme in looked_at:
        visitor.page.set_viewport_size(size)  # type: ignore[arg-type]
        visitor.page.emulate_media(color_scheme=scheme)
        page = visitor.go(scenes[state][0], name)
        page.evaluate(AXE)
        where = f"{name}, {state}, {size['width']}"
        faults[f"{where}, {scheme}"] = _faults(page)
        turned = "dark" if scheme == "light" else "light"
        page.emulate_media(color_scheme=turned)
        faults[f"{where}, {turned}"] = _faults(page, colours_only=True)
        titles.append(page.title())
    assert {where: found for where, found in faults.items() if found} == {}
    assert [title for title in titles if title in ("", "soakbench")] == []


def test_every_form_keeps_the_rules_for_all_on_phone_and_desk(
    scenes: dict[str, tuple[str, Scene]], watched: Callable[..., Watched]
) -> None:
    faults: dict[str, list[str]] = {}
    for state, names in (("warning", FORMS), ("locked", LOG_IN)):
        visitor = watched(viewport=test_dashboard.PHONE, color_scheme="light")
        for name in names:
            visitor.page.set_viewport_size(test_dashboard.PHONE)  # type: ignore[arg-type]
            visitor.page.emulate_media(color_scheme="light")
            page = visitor.go(scenes[state][0], name)
            page.evaluate(AXE)
            faults[f"{name}, phone, light"] = _faults(page)
            page.emulate_media(color_scheme="dark")
            faults[f"{name}, phone, dark"] = _faults(page, colours_only=True)
            page.set_viewport_size(test_dashboard.DESK)  # type: ignore[arg-type]
            faults[f"{name}, desk, dark"] = _out_of_measure(page)
    assert {where: found for where, found in faults.items() if found} == {}


def test_the_top_of_a_page_fits_a_phone_with_all_its_keys(
    scenes: dict[str, tuple[str, Scene]], watched: Callable[..., Watched]
) -> None:
    home, scene = scenes["locked"]
    visitor = watched(viewport=test_dashboard.PHONE)
    visitor.home = home
    visitor.page.add_init_script("localStorage.setItem('soakbench-sound', 'on')")
    pictures.log_in(visitor.page, home, scene.password)
    page = visitor.go(home, "soak")
    page.wait_for_selector("#sound-key:visible")
    boxes = [one.bounding_box() for one in page.locator(".top :is(a, button):visible").all()]
    assert len(boxes) == 9, "six pages, Sound, Unit and Log out"
    assert all(box and box["x"] >= 0 and box["x"] + box["width"] <= 360 for box in boxes)
    assert _out_of_measure(page) == []


# ---------------------------------------------------------------- by keyboard alone

BY_TAB = """() => {
  window.tabbed = {reached: new Set(), unseen: []};
  document.addEventListener("focusin", function (event) {
    const one = event.target;
    tabbed.reached.add(one);
    const box = one.getBoundingClientRect();
    const look = getComputedStyle(one.closest(".dash-input-container") || one);
    const outlined = look.outlineStyle !== "none" && parseFloat(look.outlineWidth) >= 2;
    if (!outlined || box.bottom < 0 || box.top > innerHeight || box.right < 0 || box.left > innerWidth) {
      tabbed.unseen.push(one.outerHTML.slice(0, 120));
    }
  });
  document.activeElement.blur();
  return pressed().length;
}"""
PRESSED = """window.pressed = () => [...document.querySelectorAll(
    "a[href], button, summary, input, select, textarea, [tabindex='0']")]
  .filter(one => one.checkVisibility({visibilityProperty: true}) && !one.disabled && one.type !== "hidden")
  .filter(one => one.tabIndex >= 0)"""
"""What is reached by Tab; of the choices of one question the browser stops at one."""
NOT_REACHED = """() => {
  const same = (one, other) => one === other ||
    (one.type === "radio" && other.type === "radio" && one.name === other.name);
  return pressed().filter(one => ![...tabbed.reached].some(other => same(one, other)))
    .map(one => one.outerHTML.slice(0, 120));
}"""


def test_every_page_is_walked_by_tab_alone(
    scenes: dict[str, tuple[str, Scene]], watched: Callable[..., Watched]
) -> None:
    faults: dict[str, list[str]] = {}
    for state, names in (("warning", (*PAGES, *FORMS)), ("locked", LOG_IN)):
        visitor = watched()
        for name in names:
            page = visitor.go(scenes[state][0], name)
            page.evaluate(PRESSED)
            many = page.evaluate(BY_TAB)
            for _ in range(2):  # the page is live: what came in behind the walk is met by another round
                for _ in range(many + 3):
                    page.keyboard.press("Tab")
                faults[f"{name}: not reached"] = page.evaluate(NOT_REACHED)
                if not faults[f"{name}: not reached"]:
                    break
            faults[f"{name}: reached unseen"] = page.evaluate("tabbed.unseen")
    assert {where: found for where, found in faults.items() if found} == {}


# ---------------------------------------------------------------- paper


def test_a_page_is_printed_black_on_white_with_its_charts_whole_and_told_apart_by_patterns(
    scenes: dict[str, tuple[str, Scene]], watched: Callable[..., Watched], tmp_path: Path
) -> None:
    page = watched(color_scheme="dark").go(scenes["warning"][0], "live")
    _chart_says(page, "pair4")
    before = page.evaluate(f"[{PLOT}._fullLayout.width, {PLOT}._fullLayout.height]")
    page.pdf(path=tmp_path / "live.pdf", format="A4", print_background=True)
    printed = subprocess.run(
        ["pdftotext", "-layout", tmp_path / "live.pdf", "-"], capture_output=True, text=True, check=True
    ).stdout
    for said in ("Theatre PA 240 W", "75.4", "Current of each pair, mA", "elapsed, h:min", "Caution."):
        assert said in printed
    assert printed.count("pair4") == 3, "its tile, and where both its lines end"
    for pressed in ("Acknowledge all", "Answer yes", "Compare", "Sound", "Unit:"):
        assert pressed not in printed
    page.wait_for_function(f"([width]) => {PLOT}._fullLayout.width === width", arg=before)
    assert page.evaluate(f"{PLOT}._fullLayout.height") == before[1]
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.evaluate(f"{PLOT}._fullLayout.width") < 688, "A4 less its margins, at 96 px to the inch"
    look = page.evaluate(
        """colours => {
          const of = (chosen, what) => getComputedStyle(document.querySelector(chosen))[what];
          const lines = [...document.querySelectorAll(".scatterlayer .js-line")]
            .map(one => getComputedStyle(one)).filter(one => one.strokeOpacity === "1");
          const first = new Map(lines.map(one => [one.stroke, one.strokeDasharray]));
          return {
            ground: of("body", "backgroundColor"), ink: of("body", "color"), top: of(".top", "display"),
            dashes: colours.map(one => first.get(one)),
          };
        }""",
        [
            f"rgb({', '.join(str(int(one[at : at + 2], 16)) for at in (1, 3, 5))})"
            for one, _ in figures.PALETTE[:4]
        ],
    )
    assert (look["ground"], look["ink"], look["top"]) == ("rgb(255, 255, 255)", "rgb(0, 0, 0)", "none")
    assert None not in look["dashes"]
    assert len(set(look["dashes"])) == 4


# ---------------------------------------------------------------- left open


def _held(page: Page) -> tuple[float, float]:
    """Return what a page holds once what nobody needs is swept: MB of its scripts, and elements."""
    session = page.context.new_cdp_session(page)
    session.send("HeapProfiler.enable")
    session.send("HeapProfiler.collectGarbage")
    heap = session.send("Runtime.getHeapUsage")["usedSize"] / 1e6
    nodes = session.send("Memory.getDOMCounters")["nodes"]
    session.detach()
    return heap, nodes


@pytest.mark.nightly
def test_ten_minutes_of_a_soak_leave_the_page_as_large_as_it_was_with_a_persons_zoom(
    tmp_path: Path, watched: Callable[..., Watched]
) -> None:
    soak = RunningSoak(tmp_path / "soak.db")
    soak.go_on(400.0)
    with pictures.served(soak.path, soak.clock) as home:
        page = watched().go(home, "live")
        _chart_says(page, "pair4")
        ranged = f"{PLOT}._fullLayout.xaxis.range.join()"
        whole = page.evaluate(ranged)
        box = page.locator("#chart .nsewdrag").first.bounding_box()
        assert box is not None
        across = box["y"] + box["height"] / 2.0
        page.mouse.move(box["x"] + 20.0, across)
        page.mouse.down()
        page.mouse.move(box["x"] + 100.0, across, steps=4)
        page.mouse.up()
        page.wait_for_function(f"was => {ranged} !== was", arg=whole)
        zoomed = page.evaluate(ranged)
        held = []
        for minute in range(10):
            soak.go_on(60.0, change={"pair3": 0.070 + 0.001 * minute})
            # No handle, which would hold the figures of each minute.
            page.locator(f".tile.pair:has-text('{70 + minute}.0')").wait_for()
            page.wait_for_timeout(1000)
            if minute in (2, 9):
                held.append(_held(page))
        stored = Reader(soak.path).soak().now
        assert stored is not None
        tiles = page.locator(".tile.pair").all_inner_texts()
        for text, name in zip(tiles, ("pair1", "pair2", "pair3", "pair4"), strict=True):
            assert words.milliamps(stored["channels"][name]["value"]) in text
        assert page.evaluate(ranged) == zoomed
        page.close()
    soak.writer.close()
    (heap_before, nodes_before), (heap_after, nodes_after) = held
    # The points of seven minutes are 0.1 MB; a figure that is kept for each look would be several.
    assert heap_after - heap_before < 3.0
    assert nodes_after - nodes_before < 0.2 * nodes_before
