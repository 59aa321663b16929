"""What does it cost to be watched? CPU of a daemon that is scraped, logs and pings, over one that is not.

Two daemons side by side, 16 channels at 10 scans/s, the same scans. One is asked for its figures and its
health each five seconds, writes a JSON log, and tells a service manager that it goes on. Then the figures are
asked for without a pause: how late are scans judged?

    python -m benchmarks.selfwatch
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any, Final

from prometheus_client.openmetrics.parser import text_string_to_metric_families

from benchmarks.cost import Terminal
from benchmarks.lines import SCANS_PER_S, Line, counts_of, cpu_s, line, setup_text, show
from benchmarks.watch import PAIRS
from logger.simulator.terminal import scan_line

BEFORE_S: Final = 120
MEASURED_S: Final = 60
HAMMERED_S: Final = 15
GOAL_RATIO: Final = 1.1
SCRAPE_S: Final = 5


def measured() -> tuple[float, float, float, float]:
    """Return CPU s/h with and without, the CPU ms a scrape, and the lag's spread in s under hammering."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        manager.bind(str(place / "notify"))
        port = _free_port()
        ends, processes = [], []
        told = {"NOTIFY_SOCKET": str(place / "notify"), "WATCHDOG_USEC": "30000000"}
        for name, more, names in (
            ("plain", [], {}),
            ("watched", ["--metrics", str(port), "--log-json", "--log-file", str(place / "run.log")], told),
        ):
            ends.append(Terminal(place / name))
            setup = place / f"{name}.toml"
            setup.write_text(setup_text(PAIRS, soak_min=450, port=place / name))
            command = [sys.executable, "-m", "soakbench", "run", str(setup), "--load", "none", *more]
            command += ["--db", str(place / f"{name}.db")]
            quiet: dict[str, Any] = {"stdin": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
            processes.append(subprocess.Popen(command, env=os.environ | names, **quiet))
        threading.Thread(target=_drain, args=(manager,), daemon=True).start()
        try:
            return _played(ends, processes, port)
        finally:
            for process in processes:
                process.terminate()
            for process in processes:
                process.wait(60)
            for end in ends:
                end.close()


def _played(
    ends: list[Terminal], processes: list[subprocess.Popen[bytes]], port: int
) -> tuple[float, float, float, float]:
    while not all(end.board.rate for end in ends):
        for end in ends:
            end.serve(0.05)
    rows = counts_of((BEFORE_S + MEASURED_S + HAMMERED_S) * SCANS_PER_S, PAIRS).tolist()
    sent = [scan_line(number, 100 * number, row, 0) for number, row in enumerate(rows)]
    for one in sent[: BEFORE_S * SCANS_PER_S]:
        for end in ends:
            end.send(one)
    time.sleep(3.0)  # what waits in buffers is taken
    before = [cpu_s(process.pid) for process in processes]
    asked = 0

    def each(step: int) -> None:
        nonlocal asked
        if step % (SCRAPE_S * SCANS_PER_S) == 0:
            asked += 2
            _get(port, "metrics")
            _get(port, "health")

    paced = sent[BEFORE_S * SCANS_PER_S :]
    _at_pace(ends, paced[: MEASURED_S * SCANS_PER_S], each)
    plain, watched = (cpu_s(one.pid) - was for one, was in zip(processes, before, strict=True))
    over = threading.Event()
    lags: list[float] = []

    def hammer() -> None:
        while not over.is_set():
            lags.append(_lag_s(_get(port, "metrics")))

    thread = threading.Thread(target=hammer)
    thread.start()
    _at_pace(ends, paced[MEASURED_S * SCANS_PER_S :], lambda _: None)
    over.set()
    thread.join()
    an_hour = 3600.0 / MEASURED_S
    return (
        watched * an_hour,
        plain * an_hour,
        1000.0 * max(0.0, watched - plain) / asked,
        max(lags) - min(lags),
    )


def _at_pace(ends: list[Terminal], sent: list[bytes], each: Any) -> None:
    started = time.monotonic()
    for step, one in enumerate(sent):
        for end in ends:
            end.send(one)
        each(step)
        time.sleep(max(0.0, started + (step + 1) / SCANS_PER_S - time.monotonic()))


def _get(port: int, page: str) -> str:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/{page}", timeout=10) as answer:
            return str(answer.read().decode())
    except urllib.error.HTTPError as error:
        with error:
            return str(error.read().decode())


def _lag_s(text: str) -> float:
    families = text_string_to_metric_families(text)
    (family,) = [one for one in families if one.name == "soakbench_judging_lag_seconds"]
    return float(family.samples[0].value)


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _drain(manager: socket.socket) -> None:
    while True:
        manager.recv(4096)


def results() -> list[Line]:
    """Return the ratio with its two parts, and the lag."""
    watched, plain, scrape_ms, lag_s = measured()
    return [
        line("scraped each 5 s, logging, pinging: CPU an hour", "s", None, [watched]),
        line("the same without any of it", "s", None, [plain]),
        line("being watched over not", "ratio", GOAL_RATIO, [watched / plain]),
        line("CPU a question", "ms", None, [scrape_ms]),
        line("scraped without a pause: longest lag of the judging over the least", "s", 0.5, [lag_s]),
    ]


if __name__ == "__main__":
    show(results())
