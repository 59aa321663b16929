"""Draw every page in every state, at four widths, light and dark, to be looked at by a person.

python -m tests.pictures OUT [WORD ...]

Writes `OUT/<page>-<state>-<width>-<scheme>.png`, and small side by side `OUT/sheet-<state>-<scheme>.png`;
with words only the pictures whose names hold one of them.
"""

from __future__ import annotations

import contextlib
import shutil
import sys
import tempfile
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any, Final

from PIL import Image, ImageDraw
from playwright.sync_api import Page, sync_playwright

sys.path.insert(0, str(Path(__file__).parent))  # the tests' own parts, as pytest finds them

from dashboard_soak import RunningSoak, setup_text
from test_compare import MARCH, SEPTEMBER
from test_compare import record as a_soak
from test_compare import setup_text as bench_text
from test_dashboard import DRIFT, MISMATCH, QUESTION

from dashboard import tls
from dashboard.access import Access
from dashboard.app import create_app, make_server
from dashboard.passwords import Passwords, Role
from logger import new_setup
from logger.blocks import Mark
from logger.clock import Clock, ManualClock
from logger.finding import Kind, Severity
from logger.store.record import Record

CHROMIUM: Final = "/usr/bin/chromium"
WIDTHS: Final = (360, 768, 1280, 2560)
SCHEMES: Final = ("light", "dark")
PAGES: Final = {
    "live": "/",
    "bias": "/bias",
    "soak": "/soak/last",
    "jobs": "/jobs",
    "job": "/jobs/2",
    "compare": "/compare",
    "compared": "/compare/2/1",
    "across": "/across",
    "setup": "/setup",
}
FORMS: Final = {
    "setup-file": "/setup/bench1.toml",
    "setup-faults": "/setup/bench2.toml",
    "setup-new": "/setup/new",
    "book-in": "/jobs/new",
    "state": "/jobs/2/state",
    "edit": "/jobs/2/edit",
    "amp": "/jobs/2/amp",
    "checklist": "/jobs/2/checklist",
    "report": "/jobs/2/report",
    "history": "/jobs/2/history",
    "fit": "/jobs/2/add/fit",
    "reading": "/jobs/2/add/reading",
    "readings": "/jobs/2/add/readings",
    "add-photograph": "/jobs/2/add/photograph",
    "overrule": "/jobs/2/add/overrule",
    "photograph": "/jobs/2/photo/2",
    "valves": "/valves",
    "valve": "/valves/2",
}
"""Where a person writes; each looks the same whatever the soak does, so it is drawn in one state."""
LOG_IN: Final = {"log-in": "/log-in"}
ADDRESSES: Final = PAGES | FORMS | LOG_IN
DRAWN: Final = {
    "live": "#live-figures > *",
    "bias": "#bias-figure:not(:empty), #bias-nothing > *",
    "soak": "#soak-verdict > *",
    "jobs": "#jobs-list > *",
    "job": "#job-verdict > *, .nothing",
    "compare": "#compare-list > *",
    "compared": "#compare-page > *",
    "across": "#across-page > *",
    "setup": "main h1",
    "setup-file": "#setup-says .panel",
    "setup-faults": "#setup-says .panel",
    "setup-new": "#setup-write",
    "report": ".record h1",
    "history": ".record h1",
    "valves": ".record h1",
    "log-in": "#password",
}
"""What stands on a page once it has been filled."""

TRIP: Final = replace(
    DRIFT,
    id=4,
    kind=Kind.OVER_CURRENT,
    onset_s=325.0,
    raised_s=326.0,
    severity=Severity.TRIP,
    says="pair3 (V5/V6) draws 402 mA, more than its valves can take",
    advice="Take the power off.",
)
REMARK: Final = replace(
    DRIFT,
    id=5,
    kind=Kind.MAINS_CHANGE,
    channel=None,
    channels=("mains",),
    onset_s=100.0,
    raised_s=110.0,
    cleared_s=140.0,
    severity=Severity.REMARK,
    says="mains moved from 230 to 226 V, and every pair with it",
    advice="",
)


@dataclass(frozen=True)
class Scene:
    """A store in one state, and the clock that its pages are looked at by."""

    state: str
    path: Path
    clock: Clock
    password: str = ""

    @property
    def pages(self) -> dict[str, str]:
        """What is drawn of it, by name."""
        if self.password:
            return LOG_IN | {name: PAGES[name] for name in ("live", "soak", "jobs")}
        return PAGES | FORMS if self.state == "warning" else PAGES


def base(folder: Path) -> Path:
    """Write a store of two jobs on one amplifier, half a year apart, each with a soak; return its path."""
    path = folder / "base" / "soak.db"
    setups = path.with_name("setups")
    setups.mkdir(parents=True)
    good = new_setup.text_of(
        new_setup.answers_from({"valve": "EL34", "ht_V": 455.0, "name": "Theatre PA 240 W"})
    )
    (setups / "bench1.toml").write_text(good, encoding="utf-8")
    faulty = good.replace("EL34", "EL43").replace("sense_ohm = 1.0", "sense_ohm = -1.0", 1)
    (setups / "bench2.toml").write_text(faulty, encoding="utf-8")
    for started, moved_a in ((MARCH, 0.0), (SEPTEMBER, -0.0041)):
        clock = ManualClock(started - timedelta(hours=2))
        own = Record(path, clock, "R. Example")
        job = own.book_in(
            amp="Theatre PA 240 W",
            serial="0042",
            rated_w=240.0,
            customer="order 118",
            complaint="drops out when it is hot",
            shows=("hot", "when knocked"),
            condition="two knobs missing",
            checklist=[
                {
                    "section": "electrical safety",
                    "what": "earth continuity",
                    "caution": "Unplugged.",
                    "asks": "ohm",
                },
                {"section": "at the end", "what": "controls cleaned", "caution": "", "asks": ""},
            ],
        )
        clock.advance(600.0)
        own.fit_valve(job, "V5", f"bag {job + 11}", valve_type="EL34", why="crackled when tapped")
        own.edit("job", job, state="on the bench")
        own.set_fuse(job, "HT", found="T 1 A", marked="T 800 mA", fitted="T 800 mA")
        own.read_bench(
            job,
            [
                {
                    "stage": stage,
                    "quantity": "bias volts",
                    "place": "V5",
                    "value": value,
                    "unit": "V",
                    "uncertainty": 0.2,
                    "instrument": "meter 2",
                    "most": -30.0,
                    "limit_source": "the amplifier's sheet",
                }
                for stage, value in (("as found", -38.1), ("as left", -37.4))
            ],
        )
        own.add_work(job, "HT reservoirs replaced", part="100 uF 500 V", quantity=2, minutes=45)
        own.remark(job, "smells of varnish")
        shot = folder / f"{job}.jpg"
        Image.new("RGB", (1200, 900), "#806040").save(shot, "JPEG")
        own.attach(job, shot, "underside")
        a_soak(path, started, text=bench_text(), moved_a={"pair2": moved_a}, job_id=job)
        clock.advance(4 * 3600.0)
        if started is MARCH:
            own.edit("job", job, state="ready")
            own.close_job(job)
    return path


def scenes(folder: Path, states: Sequence[str] | None = None) -> Iterator[Scene]:
    """Write a store for each state and yield it with its clock."""
    stock = base(folder)
    for state in states or STATES:
        path = folder / state.replace(" ", "-") / "soak.db"
        match state:
            case "empty":
                yield Scene(state, path, ManualClock(SEPTEMBER))
            case "not reached":
                path.parent.mkdir()
                path.write_bytes(b"this is no store" * 100)
                yield Scene(state, path, ManualClock(SEPTEMBER))
            case _:
                shutil.copytree(stock.parent, path.parent)
                if state == "ended":
                    yield Scene(state, path, ManualClock(SEPTEMBER + timedelta(days=1)))
                elif state == "locked":
                    Passwords(path).set(Role.CHANGE, PASSWORD, n=2)
                    yield replace(_running(path, state), password=PASSWORD)
                else:
                    yield _running(path, state)


STATES: Final = ("healthy", "warning", "trip", "stale", "ended", "locked", "empty", "not reached")
PASSWORD: Final = "four words nobody guesses"


def _running(path: Path, state: str) -> Scene:
    text = setup_text()
    if state == "trip":
        text = text.replace("[plan]", "[cutout]\narmed = true\n[plan]")
    soak = RunningSoak(path, text, started=SEPTEMBER + timedelta(days=1))
    cutout = None if state != "trip" else {"state": "closed", "since_s": 3.0, "why": "", "do": ""}
    soak.go_on(290.0, now={"cutout": cutout} if cutout else None)
    pair3 = {"pair3": 0.0812} if state == "warning" else {"pair3": 0.402} if state == "trip" else None
    soak.writer.put_mark(Mark(150_000_000, "tapped V5"))
    soak.writer.put_finding(REMARK)
    found = {"warning": (DRIFT, MISMATCH, QUESTION), "trip": (TRIP, DRIFT)}.get(state, ())
    for one in found:
        soak.writer.put_finding(one)
    soak.findings = list(found)
    told: dict[str, Any] = {}
    if state == "trip":
        do = "find out why, acknowledge the trip, then press the push button"
        told["cutout"] = {"state": "open", "since_s": 326.0, "why": TRIP.says, "do": do}
    soak.go_on(60.0, change=pair3, now=told)
    if state == "stale":
        soak.clock.advance(95.0)
    soak.writer.close()
    return Scene(state, path, soak.clock)


@contextlib.contextmanager
def served(path: Path, clock: Clock, *, locked: bool = False) -> Iterator[str]:
    """Serve a store's dashboard; gives the address that its pages begin with."""
    access = Access(clock, Passwords(path)) if locked else None
    server = make_server(create_app(path, clock, access, setups=path.with_name("setups")), port=0)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.effective_port}"
    finally:
        tls.end(server)
        thread.join(10.0)


def filled(page: Page, name: str) -> None:
    """Wait until a page has its figures, and its chart where it has one."""
    page.wait_for_selector(DRAWN.get(name, ".record .form form"), state="attached")
    page.wait_for_function(
        "() => [...document.querySelectorAll('.js-plotly-plot, .dash-graph')]"
        ".every(one => !one.offsetParent || one.querySelector('.main-svg .trace, .main-svg .scatterlayer'))"
    )


def log_in(page: Page, home: str, password: str) -> None:
    """Log in as a person does."""
    page.goto(f"{home}/log-in")
    page.fill("#password", password)
    page.press("#password", "Enter")
    page.wait_for_selector("#live-figures > *", state="attached")


def main(out: Path, words: Sequence[str]) -> None:
    """Write the pictures that are wanted."""
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        for scene in scenes(Path(folder)):
            with served(scene.path, scene.clock, locked=bool(scene.password)) as home:
                for scheme in SCHEMES:
                    _sheet(out, scene, scheme, list(_shots(browser, home, out, scene, scheme, words)))
        browser.close()


def _shots(
    browser: Any, home: str, out: Path, scene: Scene, scheme: str, words: Sequence[str]
) -> Iterator[Path]:
    for name, address in scene.pages.items():
        for width in WIDTHS:
            path = out / f"{name}-{scene.state.replace(' ', '-')}-{width}-{scheme}.png"
            if words and not any(word in path.name for word in words):
                continue
            size = {"width": width, "height": 1440 if width == 2560 else 800}
            page = browser.new_page(viewport=size, color_scheme=scheme)
            if scene.password and name not in LOG_IN:
                log_in(page, home, scene.password)
            page.goto(f"{home}{address}")
            filled(page, name)
            page.wait_for_timeout(400)
            page.screenshot(path=path, full_page=True)
            over = page.evaluate(
                "document.documentElement.scrollWidth - document.documentElement.clientWidth"
            )
            if over:
                print(f"{path.name}: {over} px wider than the screen")
            page.close()
            yield path


def _sheet(out: Path, scene: Scene, scheme: str, shots: Sequence[Path]) -> None:
    """Lay the pictures of a state side by side, small: what is odd is then looked at in full."""
    if not shots:
        return
    width, height = 400, 560
    columns = len(WIDTHS)
    rows = -(-len(shots) // columns)
    sheet = Image.new("RGB", (columns * width, rows * (height + 16)), "#888888")
    write = ImageDraw.Draw(sheet)
    for at, path in enumerate(shots):
        with Image.open(path) as shot:
            small = shot.convert("RGB")
            small = small.resize((width - 8, round(small.height * (width - 8) / small.width)))
        x, y = (at % columns) * width, (at // columns) * (height + 16)
        sheet.paste(small.crop((0, 0, width - 8, min(small.height, height - 4))), (x + 4, y + 16))
        write.text((x + 6, y + 2), path.stem, fill="#000000")
    sheet.save(out / f"sheet-{scene.state.replace(' ', '-')}-{scheme}.png")


if __name__ == "__main__":
    if len(sys.argv) < 2:
        raise SystemExit("usage: python -m tests.pictures OUT [WORD ...]")
    main(Path(sys.argv[1]), sys.argv[2:])
