"""What feeds cost: events a second to a broker beside bare aiomqtt, and a scan's time with and without them.

Wants Mosquitto (Debian's package `mosquitto`); without it nothing is measured. Both halves of each ratio come
from the same run.

    python -m benchmarks.feeds
"""

from __future__ import annotations

import asyncio
import json
import shutil
import socket
import statistics
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import aiomqtt

from benchmarks.lines import Line, line, show
from logger import daemon
from logger.clock import SystemClock
from logger.feeds.feed import Feeds
from logger.feeds.fitted import feeds_of
from logger.link.lines import End
from logger.link.port import Connected
from logger.setup import parse
from logger.simulator.scenarios import scenario

EVENTS = 3000
SCANS = 3000
RUNS = 5
GOAL_DELAY = 1.5


def results() -> list[Line]:
    """Return the ratios; none where there is no broker."""
    mosquitto = shutil.which("mosquitto", path="/usr/local/sbin:/usr/sbin:/usr/bin")
    if mosquitto is None:
        return []
    with tempfile.TemporaryDirectory() as folder, _broker(mosquitto, Path(folder)) as port:
        sent = [(_through_feed(port, Path(folder), k), _bare(port)) for k in range(RUNS)]
        delays = [
            _scan_us(port, Path(folder), k, True) / _scan_us(port, Path(folder), k, False)
            for k in range(RUNS)
        ]
    return [
        line("feeds: events a second through the outbox", "/s", None, [ours for ours, _ in sent], "more"),
        line(
            "feeds: events a second over bare aiomqtt",
            "ratio",
            None,
            [ours / bare for ours, bare in sent],
            "more",
        ),
        line("feeds: a scan in the daemon with MQTT and alerts over without", "ratio", GOAL_DELAY, delays),
    ]


@contextmanager
def _broker(mosquitto: str, folder: Path) -> Iterator[int]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    conf = folder / "mosquitto.conf"
    conf.write_text(f"log_dest none\nallow_anonymous true\nlistener {port} 127.0.0.1\n")
    process = subprocess.Popen([mosquitto, "-c", str(conf)], stderr=subprocess.DEVNULL)
    try:
        while True:
            with socket.socket() as line:
                if line.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.02)
        yield port
    finally:
        process.kill()
        process.wait()


def _text(port: int) -> str:
    played = scenario("healthy", 1)
    return (
        f'{played.setup_text(scans_per_s=10.0)}\n[mqtt]\nhost = "127.0.0.1"\nport = {port}\ntls = false\n'
        '[alerts]\naddresses_env = "A"\n'
    )


def _feeds(port: int, store: Path) -> Feeds:
    return feeds_of(parse(_text(port)), store, SystemClock(), {"A": "json://127.0.0.1:9/"})


def _through_feed(port: int, folder: Path, run: int) -> float:
    """Return events a second from the inbox to the broker's acknowledgement, each safe on disk in between."""
    feeds = _feeds(port, folder / f"events-{run}.db")
    feeds.start()
    while feeds.states[-1].stands != "working":
        time.sleep(0.01)
    began_s = time.perf_counter()
    feeds.began(1, datetime(2026, 1, 1, tzinfo=UTC))
    sent = 1
    while sent < EVENTS:
        for _ in range(min(500, EVENTS - sent)):
            feeds.marked(1.0, "tapped V5, and nothing came of it")
            sent += 1
        while feeds.states[-1].waiting:
            time.sleep(0.002)
    while feeds.states[-1].sent < sent:
        time.sleep(0.002)
    took_s = time.perf_counter() - began_s
    feeds.close()
    return EVENTS / took_s


def _bare(port: int) -> float:
    """Return messages a second that aiomqtt alone sends, QoS 1, each awaited; as long as an event is."""
    payload = json.dumps({"event": "mark", "text": "x" * 220})

    async def send() -> float:
        async with aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5) as client:
            began_s = time.perf_counter()
            for _ in range(EVENTS):
                await client.publish("bare", payload, qos=1)
            return EVENTS / (time.perf_counter() - began_s)

    with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
        return runner.run(send())


class _Link:
    """Scans one at a time, as fast as they are taken; keeps how long each took to be dealt with."""

    def __init__(self, daq: Any, blocks: list[Any]) -> None:
        self.rejected: dict[str, int] = {}
        self.waiting = 0
        self._events: list[Any] = [Connected(daq, "given", False), *blocks, End("given")]
        self._events.reverse()
        self._given_s: float | None = None
        self.took_s: list[float] = []

    def start(self) -> None:
        """Nothing to begin."""

    def take(self, timeout_s: float) -> list[Any]:
        """Give the next."""
        now_s = time.perf_counter()
        if self._given_s is not None:
            self.took_s.append(now_s - self._given_s)
        time.sleep(0.0005)  # as from a port: other threads have their turn
        self._given_s = time.perf_counter()
        return [self._events.pop()] if self._events else []

    def close(self) -> None:
        """Nothing to end."""


def _scan_us(port: int, folder: Path, run: int, with_feeds: bool) -> float:
    """Return how long the daemon takes for a scan in the median, in microseconds."""
    played = scenario("healthy", 1)
    text = _text(port)
    blocks = [part for block in played.scans(SCANS / 10.0, 10.0, block_s=0.1) for part in [block]]
    link = _Link(played.info, blocks)
    store = folder / f"scan-{run}-{with_feeds}.db"
    daemon.Daemon(
        setup=parse(text),
        setup_text=text,
        link=link,
        store_path=store,
        say=lambda _: None,
        feeds=_feeds(port, store) if with_feeds else Feeds(),
    ).run()
    return 1e6 * statistics.median(link.took_s)


if __name__ == "__main__":
    show(results())
