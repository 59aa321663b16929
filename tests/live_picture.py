"""Draw the README's pictures: a page over the store of a running soak, as a browser shows it. Under 200 kB.

python tests/live_picture.py STORE [OUT.png [ADDRESS]]

STORE is a copy made during the soak (`soakbench backup`); for /bias its `-now` file lies beside it.
"""

from __future__ import annotations

import sys
import tempfile
import threading
from datetime import timedelta
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from dashboard.app import create_app, make_server
from logger.clock import ManualClock
from logger.store.now import read_now
from logger.store.reader import EPOCH, Reader

CHROMIUM = "/usr/bin/chromium"
SIZES = {"/": (1280, 1300), "/bias": (1280, 890)}
DRAWN = {"/": "#chart .main-svg text", "/bias": "#bias-figure:not(:empty)"}
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
        with sync_playwright() as playwright, tempfile.TemporaryDirectory() as folder:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
            width, height = SIZES[address]
            page = browser.new_page(viewport={"width": width, "height": height})
            page.goto(f"http://127.0.0.1:{server.effective_port}{address}")
            page.wait_for_selector(DRAWN[address], timeout=60_000)
            page.wait_for_timeout(1000)
            shot = Path(folder) / "shot.png"
            page.screenshot(path=shot)
            browser.close()
            # A screen of few colours: a palette keeps it small and loses nothing that is seen.
            out.parent.mkdir(parents=True, exist_ok=True)
            with Image.open(shot) as picture:
                picture.convert("RGB").quantize(256, dither=Image.Dither.NONE).save(out, optimize=True)
    finally:
        server.trigger.pull_trigger(lambda: server.asyncore.close_all(server._map))
        thread.join(10.0)
    if out.stat().st_size > MOST_BYTES:
        raise SystemExit(f"{out} has {out.stat().st_size} bytes, more than {MOST_BYTES}")


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3, 4):
        raise SystemExit("usage: python tests/live_picture.py STORE [OUT.png [ADDRESS]]")
    draw(Path(sys.argv[1]), Path(sys.argv[2] if len(sys.argv) > 2 else "docs/live.png"), *sys.argv[3:])
