"""How long is a scan's way to the screen, and to the cut-out, with viewers and a report being made?

A board on a pseudo-terminal sends the home amp (four pairs) to `soakbench run`, whose cut-out is armed, at
100 scans a second so that 10,000 are sent within two minutes: ten times the usual work. Five viewers look on
(two at Live, one at the soak, one at Bias, and a Chromium at Bias), and reports are made one after the other.

To the screen: until the frame is drawn that shows the scan; the page shows some thirty of a hundred, and all
that it shows are counted. To the cut-out: until the heartbeat is on the board's wire that the host sends once
a scan is judged; where scans were judged together, the first heartbeat after them counts for all. Everything
shares the cores of one machine.

    python -m benchmarks.screen
"""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from playwright.sync_api import sync_playwright

from benchmarks.cost import Terminal
from benchmarks.dashboard import CHROMIUM, Running, asked_by, bias_late_s, running, watched
from benchmarks.lines import Line, cpu_s, line, share, show, slope

SCANS: Final = 10_000
SCANS_PER_S: Final = 100
SETTLE_S: Final = 5.0
CPU_S: Final = 15.0
VIEWERS: Final = (1, 10)
GOAL_SCREEN_S: Final = 0.5
GOAL_CUTOUT_S: Final = 0.3
CUTOUT: Final = "[cutout]\narmed = true"


class Listening(Terminal):
    """The board's end, which notes when each heartbeat came."""

    def __init__(self, link: Path, pairs: int) -> None:
        super().__init__(link, pairs)
        self.beats_s: list[float] = []
        self._hear = self.board.hear
        self.board.hear = self._noted  # type: ignore[method-assign]

    def _noted(self, data: bytes) -> bytes:
        if b"beat" in data:
            self.beats_s.append(time.time())
        return self._hear(data)


def to_cutout_s(sent_s: dict[int, float], beats_s: list[float]) -> list[float]:
    """Return for each scan how long until the first heartbeat after it was sent; none after the last one."""
    late, beats = [], iter(sorted(beats_s))
    beat_s = next(beats, None)
    for at_s in sorted(sent_s.values()):
        while beat_s is not None and beat_s < at_s:
            beat_s = next(beats, None)
        if beat_s is None:
            break
        late.append(beat_s - at_s)
    return late


@contextmanager
def _reports(at: Running) -> Iterator[list[float]]:
    """Make reports of the soak, one after the other, while the block lasts; tell how long each took, in s."""
    took_s: list[float] = []
    over = threading.Event()
    out = at.store.with_name("soak.pdf")
    report = [sys.executable, "-m", "soakbench", "report", "last", "--db", str(at.store), "--out", str(out)]

    def make() -> None:
        while not over.is_set():
            began_s = time.perf_counter()
            subprocess.run([*report, "--force"], check=True, capture_output=True)
            took_s.append(time.perf_counter() - began_s)

    thread = threading.Thread(target=make)
    thread.start()
    try:
        yield took_s
    finally:
        over.set()
        thread.join()


def results() -> list[Line]:
    """Return both ways, and what viewers cost the dashboard."""
    ends: list[Listening] = []

    def terminal(link: Path, pairs: int) -> Terminal:
        ends.append(Listening(link, pairs))
        return ends[0]

    with (
        running(scans_per_s=SCANS_PER_S, more=CUTOUT, terminal=terminal) as at,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        asked = {address: asked_by(browser, at, address) for address in ("/", "/soak/last")}
        lasts_s = SCANS / SCANS_PER_S
        viewers = [asked["/"], asked["/"], asked["/soak/last"], []]
        with watched(at, viewers, lasts_s + SETTLE_S), _reports(at) as reports:
            at.board.sent_s.clear()
            ends[0].beats_s.clear()
            screen = bias_late_s(browser, at, lasts_s)
            cutout = to_cutout_s(dict(at.board.sent_s), list(ends[0].beats_s))
        browser.close()
        cpu = [_cpu_s(at, [asked["/"]] * viewers) for viewers in VIEWERS]
    with_all = "5 viewers and reports being made, 100 scans/s"
    return [
        share(f"scan to screen (Bias), {with_all}", 95, "s", GOAL_SCREEN_S, screen),
        share(f"scan to cut-out (heartbeat), {with_all}", 95, "s", GOAL_CUTOUT_S, cutout),
        share(f"scan to cut-out (heartbeat), {with_all}", 100, "s", None, cutout),
        line("a report made meanwhile", "s", None, reports),
        slope(
            "dashboard: CPU, viewers x10",
            VIEWERS,
            [[one] for one in cpu],
            "1 is in proportion: each viewer has its own answers",
        ),
        line("dashboard: CPU of ten viewers of Live", "% of a core", None, [100.0 * cpu[1] / CPU_S]),
    ]


def _cpu_s(at: Running, viewers: list[list[dict[str, object]]]) -> float:
    with watched(at, viewers, CPU_S + 4.0):
        before = cpu_s(at.dashboard)
        time.sleep(CPU_S)
        return cpu_s(at.dashboard) - before


if __name__ == "__main__":
    show(results())
