"""What does the dashboard weigh, and how quick is it? Real Chromium on the real daemon's store.

A board on a pseudo-terminal sends ten scans a second of the home amp (four pairs) to `soakbench run`; a
process of its own serves the dashboard. All that a browser and the dashboard say to each other goes through a
relay on this machine that counts every byte, headers and requests included; the first load is then what came
down, a live update what went both ways.

    python -m benchmarks.dashboard

It needs Debian's chromium. Browser, viewers, daemon and dashboard share the machine's cores, so at a shop,
where the screens are computers of their own, it is rather faster.
"""

from __future__ import annotations

import asyncio
import json
import re
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from playwright.sync_api import Browser, sync_playwright

from benchmarks.cost import Terminal
from benchmarks.lines import SCANS_PER_S, Line, counts_of, cpu_s, line, setup_text, share, show, timed
from dashboard.app import create_app
from logger.simulator.terminal import scan_line
from logger.store.now import read_now

CHROMIUM: Final = "/usr/bin/chromium"
PAIRS: Final = 4
BEFORE_S: Final = 45 * 60
LOADS: Final = 5
UPDATE_S: Final = 30.0
DELAY_S: Final = 60.0
VIEWERS: Final = 20
# Figures first, then the chart: which element shows that a page can be read, and that it is all there.
READABLE: Final = {
    "/": "#live-figures .tile-figure .value",
    "/soak/last": "#soak-table table",
    "/bias": "#bias-figure:not(:empty)",
}
WHOLE: Final = {"/": "#chart .main-svg text", "/soak/last": "#chart .main-svg text", "/bias": "#bias-all li"}
NAMES: Final = {"/": "Live", "/soak/last": "Soak", "/bias": "Bias"}


@dataclass
class Relay:
    """Passes on what comes to a port of its own, and counts it."""

    to_port: int
    up: int = 0
    down: int = 0
    port: int = 0
    _loop: asyncio.AbstractEventLoop = field(default_factory=asyncio.new_event_loop)
    _thread: threading.Thread = field(default_factory=threading.Thread)

    def __enter__(self) -> Relay:
        ready = threading.Event()

        async def serve() -> None:
            server = await asyncio.start_server(self._passed, "127.0.0.1", 0)
            self.port = server.sockets[0].getsockname()[1]
            ready.set()

        def run() -> None:
            asyncio.set_event_loop(self._loop)
            self._loop.create_task(serve())
            self._loop.run_forever()
            left = asyncio.all_tasks(self._loop)
            for task in left:
                task.cancel()
            self._loop.run_until_complete(asyncio.gather(*left, return_exceptions=True))
            self._loop.close()

        self._thread = threading.Thread(target=run, daemon=True)
        self._thread.start()
        ready.wait(10.0)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10.0)

    async def _passed(self, browser: asyncio.StreamReader, to_browser: asyncio.StreamWriter) -> None:
        dashboard, to_dashboard = await asyncio.open_connection("127.0.0.1", self.to_port)

        async def pump(source: asyncio.StreamReader, sink: asyncio.StreamWriter, way: str) -> None:
            with suppress(OSError):
                while data := await source.read(65536):
                    setattr(self, way, getattr(self, way) + len(data))
                    sink.write(data)
                    await sink.drain()
            with suppress(OSError, RuntimeError):
                sink.close()

        with suppress(asyncio.CancelledError):
            await asyncio.gather(pump(browser, to_dashboard, "up"), pump(dashboard, to_browser, "down"))


class Board:
    """Sends scans: first the soak so far as fast as they are taken, then each at its time."""

    def __init__(self, terminal: Terminal, pairs: int, scans_per_s: int = SCANS_PER_S) -> None:
        self.sent_s: dict[int, float] = {}  # wall clock, by the scan's number
        self.scans_per_s = scans_per_s
        self._terminal = terminal
        self._before = BEFORE_S * SCANS_PER_S  # scans of the soak so far, whatever the rate
        self._rows = counts_of(self._before + 3600 * SCANS_PER_S, pairs, scans_per_s).tolist()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def begin(self) -> None:
        while not self._terminal.board.rate:
            self._terminal.serve(0.05)
        for number in range(self._before):
            self._terminal.send(self._line(number))
        self._thread.start()

    def end(self) -> None:
        self._over.set()
        self._thread.join(10.0)
        self._terminal.close()

    def _run(self) -> None:
        started = time.monotonic()
        for number in range(self._before, len(self._rows)):
            due = started + (number - self._before + 1) / self.scans_per_s
            if self._over.wait(max(0.0, due - time.monotonic())):
                return
            text = self._line(number)
            self.sent_s[number] = time.time()
            self._terminal.send(text)

    def _line(self, number: int) -> bytes:
        return scan_line(number, 1000 * number // self.scans_per_s, self._rows[number], 0)


@dataclass(frozen=True)
class Running:
    """A soak that runs and the dashboard over it; process ids for their CPU time."""

    board: Board
    store: Path
    port: int
    daemon: int
    dashboard: int


@contextmanager
def running(
    pairs: int = PAIRS,
    *,
    scans_per_s: int = SCANS_PER_S,
    more: str = "",
    terminal: Callable[[Path, int], Terminal] = Terminal,
) -> Iterator[Running]:
    """Run board, daemon and dashboard over a soak of three quarters of an hour that goes on.

    At another rate it is so many scans and not so long. `more`: other tables of the set-up.
    """
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        setup, store = place / "setup.toml", place / "soak.db"
        board = Board(terminal(place / "daq", pairs), pairs, scans_per_s)
        wired = {"port": place / "daq", "scans_per_s": scans_per_s, "more": more}
        setup.write_text(setup_text(pairs, soak_min=450, **wired))
        ours = [sys.executable, "-m", "soakbench"]
        quiet: dict[str, Any] = {"stdin": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        daemon = subprocess.Popen([*ours, "run", str(setup), "--db", str(store), "--load", "none"], **quiet)
        dash = subprocess.Popen(
            [*ours, "dash", "--db", str(store), "--port", "0"], stdout=subprocess.PIPE, text=True, **quiet
        )
        try:
            board.begin()
            assert dash.stdout is not None
            found = re.search(r":(\d+)/", dash.stdout.readline())
            assert found is not None
            time.sleep(5.0)  # what waits in buffers is taken
            yield Running(board, store, int(found[1]), daemon.pid, dash.pid)
        finally:
            board.end()
            for process in (dash, daemon):
                process.terminate()
            for process in (dash, daemon):
                process.wait(30)
            assert dash.stdout is not None
            dash.stdout.close()


# ---------------------------------------------------------------- first load, live update, response

_LONG_TASKS: Final = """
window.busy = [];
new PerformanceObserver((list) => {
  for (const one of list.getEntries()) window.busy.push(one.startTime + one.duration);
}).observe({ type: "longtask", buffered: true });
"""
_SEEN: Final = """
() => {
  window.seen = [];
  const place = document.getElementById("bias");
  new MutationObserver(() => requestAnimationFrame(
    () => window.seen.push([Number(place.dataset.scan), Date.now()])
  )).observe(place, { attributes: true, attributeFilter: ["data-scan"] });
}
"""
"""When each scan's figure is there: with the frame that draws it."""


@dataclass
class Looked:
    """What looking at one page cost: megabytes of the first load, seconds until it can be read and worked,
    kilobytes a second afterwards.
    """

    load_mb: float
    readable_s: float
    worked_s: float
    update_kb_s: float


def look(browser: Browser, at: Running, address: str, update_s: float) -> Looked:
    """Open a page in a browser that knows nothing of us yet, and stay a while."""
    with Relay(at.port) as relay:
        context = browser.new_context(viewport={"width": 1280, "height": 900})
        page = context.new_page()
        page.add_init_script(_LONG_TASKS)
        began = time.perf_counter()
        page.goto(f"http://127.0.0.1:{relay.port}{address}")
        page.wait_for_selector(READABLE[address])
        readable_s = time.perf_counter() - began
        page.wait_for_selector(WHOLE[address])
        page.wait_for_timeout(100.0)
        # Interactive: all is drawn, and what drew it keeps the page from answering a hand no more.
        worked_s = max(readable_s, page.evaluate("Math.max(0, ...window.busy)") / 1000.0)
        page.wait_for_timeout(2400.0)
        loaded = relay.down
        before, began = relay.up + relay.down, time.perf_counter()
        page.wait_for_timeout(update_s * 1000.0)
        updated = (relay.up + relay.down - before) / (time.perf_counter() - began)
        context.close()
    return Looked(loaded / 1e6, readable_s, worked_s, updated / 1e3)


def bias_late_s(browser: Browser, at: Running, seconds: float) -> list[float]:
    """Return how long after the board sent each scan its figure stood on the Bias page."""
    page = browser.new_page()
    page.goto(f"http://127.0.0.1:{at.port}/bias")
    page.wait_for_selector(READABLE["/bias"])
    page.evaluate(_SEEN)
    page.wait_for_timeout(seconds * 1000.0)
    seen = page.evaluate("window.seen")
    page.close()
    sent, rate = at.board.sent_s, at.board.scans_per_s
    return [ms / 1000.0 - sent[n] for t_s, ms in seen if (n := round(t_s * rate)) in sent]


# ---------------------------------------------------------------- many viewers


def scan_late_s(at: Running, seconds: float) -> list[float]:
    """Return how long after the board sent scans they were judged: what the daemon tells beside the store."""
    out: dict[int, float] = {}
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        now = read_now(at.store)
        if now is not None:
            number = round(now.t_us / 1e6 * at.board.scans_per_s)
            if number in at.board.sent_s:
                out[number] = now.written_us / 1e6 - at.board.sent_s[number]
        time.sleep(0.03)
    return list(out.values())


def asked_by(browser: Browser, at: Running, address: str) -> list[dict[str, Any]]:
    """Return what a page asks for in ten seconds once it stands: for viewers that do the same."""
    page = browser.new_page()
    page.goto(f"http://127.0.0.1:{at.port}{address}")
    page.wait_for_selector(WHOLE[address])
    page.wait_for_timeout(2000.0)
    asked: list[dict[str, Any]] = []
    began = time.perf_counter()
    page.on(
        "request",
        lambda one: asked.append(
            {
                "at_s": time.perf_counter() - began,
                "method": one.method,
                "url": one.url,
                "body": one.post_data,
                "headers": {k: v for k, v in one.headers.items() if k != "accept-encoding"}
                | {"accept-encoding": "gzip, deflate, br, zstd"},
            }
        ),
    )
    page.wait_for_timeout(10_000.0)
    page.close()
    return asked


_VIEWER: Final = """
import http.client, json, random, sys, threading, time, urllib.parse
port, viewers, seconds = int(sys.argv[1]), json.load(sys.stdin), float(sys.argv[2])
failed = []
def ask(line, one):
    line.request(one["method"], one["url"], one["body"], one["headers"])
    answer = line.getresponse()
    answer.read()
    if answer.status >= 400:
        failed.append(answer.status)
def view(asked):
    line = http.client.HTTPConnection("127.0.0.1", port)
    began = time.monotonic() + random.random()
    while time.monotonic() < began + seconds:
        turn = time.monotonic()
        for one in asked:
            time.sleep(max(0.0, turn + one["at_s"] - time.monotonic()))
            ask(line, one)
        time.sleep(max(0.0, turn + 10.0 - time.monotonic()))
def watch():
    line = http.client.HTTPConnection("127.0.0.1", port)
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        line.request("GET", "/bias/now")
        answer = line.getresponse()
        while answer.readline() and time.monotonic() < until:
            pass
        if time.monotonic() < until:
            time.sleep(0.3)
threads = [threading.Thread(target=view, args=(one,)) if one else threading.Thread(target=watch)
           for one in viewers]
for one in threads: one.start()
for one in threads: one.join()
print(len(failed))
"""
"""Viewers, a thread each: what a browser asked is asked again and again; an empty list watches Bias."""


@contextmanager
def watched(at: Running, viewers: list[list[dict[str, Any]]], seconds: float) -> Iterator[None]:
    """Let viewers look for as long as the block lasts, and longer; raises where one was refused."""
    command = [sys.executable, "-c", _VIEWER, str(at.port), str(seconds)]
    looking = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert looking.stdin is not None
    looking.stdin.write(json.dumps(viewers))
    looking.stdin.close()
    looking.stdin = None
    time.sleep(3.0)
    yield
    said, _ = looking.communicate(timeout=seconds + 60.0)
    if said.strip() != "0":
        raise SystemExit(f"{said.strip()} answers to the viewers were refusals")


# ---------------------------------------------------------------- answers over the bare SQL


def answers_over_sql(at: Running) -> dict[str, list[float]]:
    """Return the time of each page's answer over that of reading its rows with sqlite3, by what is asked."""
    pages = create_app(at.store).server.test_client()
    layout = {"/": "live", "/soak/last": "soak"}
    out: dict[str, list[float]] = {}
    for address, name in layout.items():
        body = _poll(name)

        def ours(body: dict[str, Any] = body) -> None:
            answer = pages.post("/_dash-update-component", json=body)
            assert answer.status_code == 200, answer.status_code

        out[NAMES[address]] = [timed(ours) / timed(lambda: _rows(at.store)) for _ in range(40)][5:]
    return out


def _poll(name: str) -> dict[str, Any]:
    """Return what a page's poll sends that knows nothing yet: its whole is made."""
    inputs = [
        {"id": f"{name}-tick", "property": "n_intervals", "value": 1},
        *([{"id": "soak-choice", "property": "value", "value": "in force"}] if name == "soak" else []),
        {"id": f"{name}-unit", "property": "data", "value": "mA"},
    ]
    which = [{"id": "which", "property": "data", "value": "last"}] if name == "soak" else []
    return {
        "output": f"{name}-known.data",
        "outputs": {"id": f"{name}-known", "property": "data"},
        "inputs": inputs,
        "changedPropIds": [f"{name}-tick.n_intervals"],
        "state": [*which, {"id": f"{name}-known", "property": "data", "value": None}],
    }


def _rows(store: Path) -> None:
    db = sqlite3.connect(f"{store.as_uri()}?mode=ro", uri=True)
    db.execute("SELECT * FROM soak ORDER BY id DESC LIMIT 1").fetchall()
    db.execute("SELECT * FROM finding").fetchall()
    db.execute("SELECT * FROM mark").fetchall()
    db.close()


# ---------------------------------------------------------------- all of it


def results() -> list[Line]:
    """Return the lines."""
    out: list[Line] = []
    with running() as at, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        for address, name in NAMES.items():
            seen = [look(browser, at, address, UPDATE_S if k == 0 else 0.1) for k in range(LOADS)]
            out += [
                line(f"{name}: first load on the wire", "MB", 3.0, [one.load_mb for one in seen]),
                line(f"{name}: until it can be read", "s", None, [one.readable_s for one in seen]),
                line(f"{name}: until it is interactive", "s", 1.5, [one.worked_s for one in seen]),
                line(f"{name}: live update, both ways", "kB/s", 3.0, [seen[0].update_kb_s]),
            ]
        late = bias_late_s(browser, at, DELAY_S)
        out.append(share("Bias: scan sent to figure on screen", 50, "s", None, late))
        out.append(share("Bias: scan sent to figure on screen", 95, "s", 0.3, late))
        asked = {address: asked_by(browser, at, address) for address in ("/", "/soak/last")}
        viewers = [asked["/"]] * (VIEWERS // 2) + [asked["/soak/last"]] * (VIEWERS // 4)
        viewers += [[]] * (VIEWERS - len(viewers))
        page = browser.new_page()
        alone, crowded, cpu = [], [], []
        for _ in range(2):
            alone += scan_late_s(at, DELAY_S / 2)
            with watched(at, viewers, DELAY_S / 2 + 6.0):
                page.goto(f"http://127.0.0.1:{at.port}/")
                before, began = cpu_s(at.dashboard), time.monotonic()
                crowded += scan_late_s(at, DELAY_S / 2)
                cpu.append(100.0 * (cpu_s(at.dashboard) - before) / (time.monotonic() - began))
                page.goto("about:blank")
        browser.close()
        for percent in (50, 95, 99):
            out.append(share("scan sent to judged, nobody looks", percent, "s", None, alone))
            out.append(share(f"the same, {VIEWERS} viewers and a browser", percent, "s", None, crowded))
        out.append(line(f"CPU of the dashboard with {VIEWERS} viewers, per cent of a core", "%", None, cpu))
        for name, ratios in answers_over_sql(at).items():
            out.append(line(f"{name}: its whole answer over the bare SQL", "ratio", None, ratios))
    return out


if __name__ == "__main__":
    show(results())
