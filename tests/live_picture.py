"""Draw the pictures of README and docs: pages over a soak's store, as a browser shows them. Under 200 kB.

python tests/live_picture.py                            all, from a soak that it plays (`make pictures`)
python tests/live_picture.py STORE [OUT.png [ADDRESS]]  one

STORE is a copy made during the soak (`soakbench backup`); for /bias its `-now` file lies beside it.
"""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from datetime import timedelta
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from dashboard import tls
from dashboard.app import create_app, make_server
from logger.clock import ManualClock
from logger.errors import SoakbenchError
from logger.store.now import path_of, read_now
from logger.store.reader import EPOCH, Reader
from logger.store.whole import back_up

CHROMIUM = "/usr/bin/chromium"
SIZES = {"/": (1280, 1300), "/bias": (1280, 890), "/soak/last": (1280, 1300)}
DRAWN = {
    "/": "#chart .main-svg text",
    "/bias": "#bias-figure:not(:empty)",
    "/soak/last": "#chart .main-svg text",
}
MOST_BYTES = 200_000


def draw(store: Path, out: Path, address: str = "/") -> None:
    """Write a picture of a page over a store whose last scan has just come."""
    soak = Reader(store).soak()
    newest = read_now(store) if address == "/bias" else None
    # A demo runs faster than the clocks, so the file beside the store has a time of its own.
    came = (
        soak.started + timedelta(microseconds=soak.last_t_us or 0)
        if newest is None
        else EPOCH + timedelta(microseconds=newest.written_us)
    )
    clock = ManualClock(came)
    server = make_server(create_app(store, clock), port=0)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
            width, height = SIZES[address]
            page = browser.new_page(viewport={"width": width, "height": height})
            page.goto(f"http://127.0.0.1:{server.effective_port}{address}")
            page.wait_for_selector(DRAWN[address], timeout=60_000)
            page.wait_for_timeout(1000)
            _keep(page, out)
            browser.close()
    finally:
        tls.end(server)
        thread.join(10.0)


def _keep(page: Page, out: Path) -> None:
    """Write what a page shows. A screen of few colours: a palette keeps it small and loses nothing seen."""
    out.parent.mkdir(parents=True, exist_ok=True)
    with Image.open(io.BytesIO(page.screenshot())) as picture:
        picture.convert("RGB").quantize(256, dither=Image.Dither.NONE).save(out, optimize=True)
    if out.stat().st_size > MOST_BYTES:
        raise SystemExit(f"{out} has {out.stat().st_size} bytes, more than {MOST_BYTES}")


def draw_benches(out: Path) -> None:
    """Play a shop of four benches; draw their overview once the amp on one of them has been tripped."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "soakbench", "demo", "--benches", "4", "--no-browser"]
        playing = subprocess.Popen(
            [*command, "--out", f"{folder}/out"], stderr=subprocess.PIPE, text=True, encoding="utf-8"
        )
        assert playing.stderr is not None
        try:
            said = (re.search(r"the dashboard is at (\S+)", line) for line in playing.stderr)
            address = next(found[1] for found in said if found)
            threading.Thread(target=playing.stderr.read, daemon=True).start()
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
                page = browser.new_page(viewport={"width": 1280, "height": 720})
                page.goto(address)
                page.wait_for_selector(".bench.trip", timeout=300_000)
                _keep(page, out)
                browser.close()
        finally:
            playing.terminate()
            playing.wait(60)


def draw_all(docs: Path) -> None:
    """Play the demo; draw the benches, Bias as one warms up, Live with the fault found, Soak at its end."""
    draw_benches(docs / "benches.png")
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        store = place / "out" / "soak.db"
        command = [sys.executable, "-m", "soakbench", "demo", "drift", "--no-browser", "--speed", "120"]
        playing = subprocess.Popen([*command, "--out", str(place / "out")], stderr=subprocess.DEVNULL)
        try:
            for name, address, at_s in (("bias", "/bias", 900.0), ("live", "/", 6600.0)):
                copy = place / f"{name}.db"
                while _last_s(store) < at_s:
                    time.sleep(0.2)
                back_up(store, copy)
                shutil.copy(path_of(store), path_of(copy))
                draw(copy, docs / f"{name}.png", address)
            while Reader(store).soak().how is None:
                time.sleep(0.5)
        finally:
            playing.terminate()
            playing.wait(30)
        draw(store, docs / "soak.png", "/soak/last")


def _last_s(store: Path) -> float:
    try:
        return (Reader(store).soak().last_t_us or 0) / 1e6
    except SoakbenchError:
        return 0.0  # not begun yet


if __name__ == "__main__":
    if len(sys.argv) == 1:
        draw_all(Path(__file__).resolve().parent.parent / "docs")
        sys.exit()
    if len(sys.argv) > 4:
        raise SystemExit("usage: python tests/live_picture.py [STORE [OUT.png [ADDRESS]]]")
    draw(Path(sys.argv[1]), Path(sys.argv[2] if len(sys.argv) > 2 else "docs/live.png"), *sys.argv[3:])
