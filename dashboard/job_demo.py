"""Two jobs on the same simulated amp, a year apart, from booking in to the report, without hands.

The amp, its board, the line and the daemon are those of `demo`; what a person would do between the soaks
(book in, read meters, fit valves, write down the work) is done here, on a clock that runs with the board.
What is wrong is known: the first year's pair3 was worn and got other valves; since then pair2 has lost some
of its emission, while every bias pot stands as it was left.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

from dashboard import demo, job_report
from logger import checklist, setup
from logger.clock import Clock, ManualClock
from logger.errors import FileExistsAlready, RequestError
from logger.jobs import AS_FOUND, AS_FOUND_PLAN, AS_LEFT
from logger.simulator.scenarios import Past, Scenario, scenario
from logger.simulator.wires import HAS_PTY
from logger.store.photographs import folder as photograph_folder
from logger.store.reader import Reader
from logger.store.record import Record

YEAR: Final = timedelta(days=364)
"""The same day of the week."""
WORN: Final = ((2, 0.12),)
"""What the first visit finds: pair3 draws so much less."""
AGED: Final = ((1, 0.09),)
"""What the second visit finds: pair2, a year older."""
FIRST_SOCKET: Final = 3
"""The output valves sit in V3 to V10."""
_STEP_S: Final = 60.0
_PEOPLE: Final = "R. Example"
_METER: Final = "bench meter 1"


@dataclass(frozen=True)
class Files:
    """What a demo of a job leaves in its folder."""

    folder: Path

    @property
    def store(self) -> Path:
        """The store, with its photographs beside it."""
        return self.folder / "jobs.db"

    @property
    def reports(self) -> tuple[Path, Path]:
        """The second job's report, as PDF and as HTML."""
        return self.folder / "report.pdf", self.folder / "report.html"

    @property
    def chart(self) -> Path:
        """The chart alone."""
        return self.folder / "chart.png"

    @property
    def shop(self) -> Path:
        """The shop's name and address."""
        return self.folder / "shop.toml"

    def make_room(self, *, force: bool) -> None:
        """Make the folder; refuse what is there already, or with `force` take it away."""
        if self.folder.exists() and not self.folder.is_dir():
            raise RequestError(f"{self.folder} is a file: name a folder with --out")
        kept = (self.store, *self.reports, self.chart, self.shop)
        for path in (*kept, photograph_folder(self.store)):
            if path.exists() and not force:
                raise FileExistsAlready(path)
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            for left in (*self.folder.glob(f"{self.store.name}*"), *kept):
                if left.is_dir():
                    shutil.rmtree(left)
                else:
                    left.unlink(missing_ok=True)
        except OSError as error:
            raise RequestError(f"{self.folder} can't be written ({error.strerror}): name another") from error


class _Day(ManualClock):
    """The clock of a simulated workday: it runs with the board during a soak, and in steps between."""

    def follow(self, began_s: float, t_s: float) -> None:
        """Come up to the board's time, in steps that are long enough for few commits."""
        behind_s = t_s - (self.monotonic_s() - began_s)
        if behind_s >= _STEP_S:
            self.advance(behind_s)


@dataclass
class _Visit:
    """One visit: its record, its clock, its line to the board."""

    record: Record
    clock: _Day
    line: demo.Line
    seed: int
    soak_min: tuple[float, float]
    say: Callable[[str], None]
    seen: Callable[[float], None]
    job_id: int = 0

    def minutes(self, count: float) -> None:
        """Let so much of the day pass."""
        self.clock.advance(60.0 * count)

    def played(self, kind: str, past: Past) -> Scenario:
        """Return the simulated amp for a soak of this kind."""
        as_found = dict(AS_FOUND_PLAN.steps)
        warm_up, soak = (as_found["warm-up"], as_found["soak"]) if kind == AS_FOUND else self.soak_min
        return scenario("healthy", self.seed, warm_up_min=warm_up, soak_min=soak, past=past)

    def soak(self, kind: str, past: Past) -> int:
        """Soak the amp as it is now; return the soak's number."""
        played, began_s = self.played(kind, past), self.clock.monotonic_s()

        def look(t_s: float) -> None:
            self.clock.follow(began_s, t_s)
            self.seen(t_s)

        self.record.edit("job", self.job_id, state="soaking")
        soak_id = demo.soak(
            played,
            self.record.path,
            self.line,
            True,
            self.say,
            look,
            clock=self.clock,
            kind=kind,
            job_id=self.job_id,
        )
        if soak_id is None:
            raise KeyboardInterrupt
        self.minutes(5)
        self.record.edit("job", self.job_id, state="on the bench")
        return soak_id

    def read(self, stage: str, past: Past, power_v: float) -> None:
        """Write down what a person reads from instruments; bias, currents and HT are the simulated amp's."""
        amp = self.played(AS_LEFT, past).amplifier
        rest = amp.at_rest()
        taken = {"stage": stage, "instrument": _METER}
        readings: list[dict[str, Any]] = [
            {
                "quantity": "bias volts",
                "place": f"V{FIRST_SOCKET + 2 * pair + valve}",
                "value": round(volts, 1),
                "unit": "V",
                "uncertainty": 0.2,
            }
            for pair, volts in enumerate(amp.bias_v)
            for valve in (0, 1)
        ]
        readings += [
            {"quantity": "HT", "value": round(rest.ht_v), "unit": "V", "uncertainty": 3.0},
            {"quantity": "mains voltage", "value": 230.0, "unit": "V", "uncertainty": 1.5},
            {"quantity": "heater voltage", "place": "V3", "value": 6.3, "unit": "V", "uncertainty": 0.1},
            {
                "quantity": "output voltage",
                "value": power_v,
                "unit": "V",
                "uncertainty": 0.3,
                "load_ohm": 8.0,
                "tap_ohm": 8.0,
                "note": "1 kHz, where clipping begins",
            },
            {
                "quantity": "hum and noise",
                "value": 2.4 if stage == AS_FOUND else 1.1,
                "unit": "mV",
                "uncertainty": 0.1,
                "weighting": "none",
                "bandwidth": "20 Hz to 20 kHz",
                "most": 3.0,
                "limit_source": "agreed with the customer",
            },
            {
                "quantity": "distortion",
                "value": 4.6 if stage == AS_FOUND else 2.2,
                "unit": "%",
                "uncertainty": 0.2,
                "note": "1 kHz, 100 W",
            },
        ]
        self.record.read_bench(self.job_id, [taken | one for one in readings])
        self.minutes(20)

    def tick_off(self, section: str, past: Past) -> None:
        """Say of every item of a section that it is fine, with what was read."""
        amp = self.played(AS_LEFT, past).amplifier
        for item in Reader(self.record.path).job(self.job_id).checklist:
            if item.section == section:
                value = None if not item.asks else _read(item.what, item.asks, amp.bias_v)
                self.record.tick_off(item.id, "fine", value)
                self.minutes(1)


def _read(what: str, asks: str, bias_v: tuple[float, ...]) -> float:
    """Return what the demo's technician reads for an item of the checklist."""
    if what.startswith("bias volts at V"):
        socket = int(what.removeprefix("bias volts at V").split(",")[0])
        return round(bias_v[(socket - FIRST_SOCKET) // 2] - 1.2, 1)  # without the valve's own grid current
    if what.startswith("sense resistor"):
        return 1.0
    if what.startswith("earth continuity"):
        return 0.06
    return {"kohm": 220.0, "Mohm": 180.0, "V": 0.4, "ohm": 1.0}[asks]


def play(
    out: Path,
    *,
    today: datetime,
    seed: int = 1,
    speed: float = 0.0,
    force: bool = False,
    warm_up_min: float = 30.0,
    soak_min: float = 60.0,
    scans_per_s: float = 10.0,
    over_socket: bool = not HAS_PTY,
    say: Callable[[str], None],
    progress: Callable[[float], None] = lambda _t_s: None,
) -> int:
    """Take one amp through two jobs and write the second one's report; return that job's number.

    The second visit begins at `today`, the first a year before. `speed` as in `demo.play`.
    """
    files = Files(out)
    files.make_room(force=force)
    files.shop.write_text(SHOP, encoding="utf-8")
    line = demo.Line("lines", scans_per_s, speed, over_socket)
    before = Past(aged=WORN)
    refitted = Past(refitted=(2,))
    now = Past(refitted=(2,), aged=AGED, day=2)
    left = Past(refitted=(1, 2), day=3)

    def visit(begins: datetime) -> _Visit:
        clock = _Day(begins)
        return _Visit(
            Record(files.store, clock, _PEOPLE), clock, line, seed, (warm_up_min, soak_min), say, progress
        )

    _first(visit(today - YEAR), before, replace(refitted, day=1))
    second = visit(today)
    _second(second, now, left)
    _write_reports(files, second.job_id, second.clock)
    say(f"the report is {files.reports[0]}")
    return second.job_id


def _first(visit: _Visit, found: Past, left: Past) -> None:
    """Last year: pair3 worn, two valves fitted, bias set."""
    record = visit.record
    visit.job_id = record.book_in(
        amp="Theatre PA 240 W",
        serial="0042",
        amp_notes="Four pairs of EL34, one bias pot a pair.",
        rated_w=240.0,
        customer="Theatre, stage left",
        complaint="Not as loud as it was, dull when driven.",
        shows=("hot", "loud"),
        condition="Dusty, one corner of the case dented.",
        checklist=_items(visit, found),
    )
    visit.minutes(30)
    for number in range(FIRST_SOCKET, FIRST_SOCKET + 8):
        record.fit_valve(visit.job_id, f"V{number}", f"A-{number:02d}", valve_type="EL34", found=True)
    visit.tick_off("electrical safety", found)
    visit.tick_off("discharge", found)
    visit.tick_off("before valves", found)
    visit.read(AS_FOUND, found, 36.5)
    visit.soak(AS_FOUND, found)
    for socket, label, seller_a in (("V7", "B-11", 0.0392), ("V8", "B-12", 0.0389)):
        record.fit_valve(
            visit.job_id, socket, label, valve_type="EL34", batch="B", seller_a=seller_a, why="worn"
        )
    record.add_work(visit.job_id, "V7 and V8 replaced, bias set", part="EL34", quantity=2, minutes=40)
    visit.minutes(40)
    visit.soak(AS_LEFT, left)
    visit.read(AS_LEFT, left, 43.9)
    visit.tick_off("with valves", left)
    visit.tick_off("at the end", left)
    record.edit("job", visit.job_id, state="ready")
    visit.minutes(60 * 24)
    record.close_job(visit.job_id)


def _second(visit: _Visit, found: Past, left: Past) -> None:
    """This year: pair2 has aged, its valves are replaced, the hum was a dry joint."""
    record = visit.record
    visit.job_id = record.book_in(
        amp="Theatre PA 240 W",
        serial="0042",
        customer="Theatre, stage left",
        complaint="Weaker than after last year's repair. Hums a little once it is hot.",
        shows=("hot",),
        condition="As last year; the lead's strain relief is loose.",
        checklist=_items(visit, found),
    )
    visit.minutes(20)
    record.edit("job", visit.job_id, state="on the bench")
    record.set_fuse(visit.job_id, "mains", found="T 3.15 A", marked="T 3.15 A", fitted="T 3.15 A")
    record.set_fuse(visit.job_id, "HT", found="T 1 A", marked="T 800 mA", fitted="T 800 mA")
    visit.tick_off("electrical safety", found)
    visit.tick_off("discharge", found)
    visit.tick_off("before valves", found)
    visit.read(AS_FOUND, found, 40.8)
    visit.soak(AS_FOUND, found)
    record.remark(visit.job_id, "Bias pots were not touched before the soak as found.")
    with tempfile.TemporaryDirectory(prefix="soakbench-demo-") as folder:
        for place, caption in (("V5", "Socket V5: contact 3 was loose"), ("V6", "Socket V6, cleaned")):
            picture = _drawn(Path(folder), place)
            record.attach(visit.job_id, picture, f"{caption} (drawn for the demo)")
    for socket, label, seller_a in (("V5", "C-21", 0.0381), ("V6", "C-22", 0.0384)):
        record.fit_valve(
            visit.job_id,
            socket,
            label,
            valve_type="EL34",
            batch="C",
            seller_a=seller_a,
            seller_s=0.0111,
            why="aged",
        )
    record.add_work(visit.job_id, "V5 and V6 replaced by a matched pair", part="EL34", quantity=2, minutes=20)
    record.add_work(visit.job_id, "bias of pair2 set", minutes=15)
    record.add_work(
        visit.job_id, "dry joint of the bias supply's capacitor soldered: it was the hum", minutes=25
    )
    record.add_work(
        visit.job_id,
        "HT fuse of the marked value fitted",
        part="fuse T 800 mA, 5 x 20",
        quantity=1,
        minutes=5,
    )
    record.add_work(visit.job_id, "strain relief tightened", minutes=5)
    visit.minutes(70)
    visit.soak(AS_LEFT, left)
    visit.read(AS_LEFT, left, 43.8)
    visit.tick_off("with valves", left)
    visit.tick_off("at the end", left)
    record.edit("job", visit.job_id, state="ready")


def _items(visit: _Visit, past: Past) -> list[dict[str, str]]:
    found = setup.parse(visit.played(AS_LEFT, past).setup_text(), path="the demo's set-up")
    return checklist.items(checklist.templates()["full"], found)


def _drawn(folder: Path, place: str) -> Path:
    """Draw a valve socket from below, since no simulated amp can be photographed; return the file."""
    import math

    from PIL import Image, ImageDraw

    picture = Image.new("RGB", (1600, 1200), "#C9C2B6")
    draw = ImageDraw.Draw(picture)
    draw.rectangle((0, 900, 1600, 1200), fill="#8F887C")
    draw.ellipse((450, 250, 1150, 950), fill="#4A4038", outline="#2A241F", width=12)
    draw.ellipse((740, 540, 860, 660), fill="#1D1916")
    for pin in range(8):
        angle = math.pi / 8 + pin * math.pi / 4
        x, y = 800 + 240 * math.cos(angle), 600 + 240 * math.sin(angle)
        loose = place == "V5" and pin == 2
        draw.ellipse((x - 46, y - 46, x + 46, y + 46), fill="#6B2F1B" if loose else "#D8B55B")
        draw.ellipse((x - 18, y - 18, x + 18, y + 18), fill="#2A241F")
    draw.text((60, 1020), place, fill="#1D1916", font_size=110)
    path = folder / f"{place}.png"
    picture.save(path)
    return path


def _write_reports(files: Files, job_id: int, clock: Clock) -> None:
    reader = Reader(files.store)
    for out in (*files.reports, files.chart):
        job_report.write(reader, job_id, out, clock=clock, shop_file=files.shop, force=True)


SHOP: Final = """\
# The head of every report: soakbench report --job N --shop shop.toml
schema = "soakbench.shop/1"
name = "The Valve Workshop"
address = ["12 Example Street", "Exampletown", "by appointment"]
# logo = "logo.png"     # PNG or SVG, beside this file
"""
