"""The daemon's figures for a scraper, as OpenMetrics, and its health for whoever watches over it.

`http://127.0.0.1:PORT/metrics` and `/health`, on loopback only, from threads of their own: who asks is
answered from figures that stand there anyway, and waits for nothing that measures.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.metadata import version
from typing import Any, Final, get_args

from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    HistogramMetricFamily,
    InfoMetricFamily,
    StateSetMetricFamily,
)
from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from logger.clock import Clock
from logger.errors import RequestError
from logger.feeds.feed import Stands
from logger.selfwatch import COMMIT_BOUNDS_S, SelfWatch

HOST: Final = "127.0.0.1"
AT_ONCE: Final = 4
"""Whoever comes while so many are being answered is sent away."""
PATIENCE_S: Final = 5.0
"""How long one who asks may keep an answer waiting, or his question."""
_CUTOUT: Final = ("none", "unknown", "open", "closed")


@contextmanager
def served(selfwatch: SelfWatch, clock: Clock, port: int) -> Iterator[str]:
    """Answer on this port of loopback, 0 for any that is free; yields the address. RequestError if taken."""
    try:
        server = _Server(_Figures(selfwatch, clock), port)
    except OSError as error:
        raise RequestError(
            f"port {port} of {HOST} can't be listened on ({error.strerror or error}): name another with "
            "--metrics, or 0 for any that is free"
        ) from error
    thread = threading.Thread(target=server.serve_forever, name="metrics", daemon=True)
    thread.start()
    try:
        yield f"http://{HOST}:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join(PATIENCE_S)


class _Figures(Collector):
    """Lays out the figures when somebody asks."""

    def __init__(self, selfwatch: SelfWatch, clock: Clock) -> None:
        self._self = selfwatch
        self._clock = clock

    def health(self) -> tuple[bool, bytes]:
        """Return whether it measures, watches and stores, and the same as JSON."""
        health = self._self.health(self._clock.monotonic_s())
        document = {
            "schema": "soakbench.health/1",
            "healthy": not health.reason,
            **asdict(health),
            "soak": self._self.soak_id,
        }
        return not health.reason, json.dumps(document, indent=1, ensure_ascii=False).encode() + b"\n"

    def collect(self) -> Iterator[Metric]:
        """Lay out each family, as of now."""
        watch, now_s = self._self, self._clock.monotonic_s()
        health = watch.health(now_s)
        yield InfoMetricFamily("soakbench", "The program.", {"version": version("soakbench")})
        up = GaugeMetricFamily("soakbench_healthy", "1 where it does so.", labels=["part"])
        for part in ("measuring", "watching", "storing"):
            up.add_metric([part], float(getattr(health, part)))
        yield up
        yield CounterMetricFamily("soakbench_scans", "Scans judged since the start.", watch.scans)
        if health.scan_age_s is not None:
            yield GaugeMetricFamily(
                "soakbench_last_scan_age_seconds",
                "Time since the newest scan was judged.",
                health.scan_age_s,
                unit="seconds",
            )
        yield GaugeMetricFamily(
            "soakbench_judging_lag_seconds",
            "How old the newest scan was when it was judged, over the least delay seen.",
            watch.lag_s,
            unit="seconds",
        )
        yield CounterMetricFamily(
            "soakbench_judging_seconds",
            "Time spent on converting scans and on all detectors.",
            watch.judging_s,
            unit="seconds",
        )
        yield CounterMetricFamily(
            "soakbench_gap_seconds", "Holes in recorded time.", watch.gap_s, unit="seconds"
        )
        rejected = CounterMetricFamily(
            "soakbench_frames_rejected", "Frames from the DAQ that were no scan, by cause.", labels=["cause"]
        )
        for cause, count in watch.rejected().items():
            rejected.add_metric([cause], count)
        yield rejected
        queues = GaugeMetricFamily("soakbench_waiting_scans", "Scans that wait for it.", labels=["queue"])
        queues.add_metric(["watch"], watch.waiting_scans())
        queues.add_metric(["store"], watch.held_scans())
        yield queues
        yield CounterMetricFamily(
            "soakbench_lost_scans", "Scans that could not be stored or held.", watch.lost_scans()
        )
        yield _commits(watch)
        yield CounterMetricFamily(
            "soakbench_failed_commits", "Commits that the store did not take.", watch.failed_commits
        )
        yield from self._disk()
        found = GaugeMetricFamily("soakbench_open_findings", "Findings that are open.", labels=["severity"])
        for severity, count in watch.open_findings.items():
            found.add_metric([severity], count)
        yield found
        yield StateSetMetricFamily(
            "soakbench_cutout",
            "What the cut-out does; none where no cut-out is armed.",
            {state: state == watch.cutout for state in _CUTOUT},
        )
        yield from self._feeds()

    def _feeds(self) -> Iterator[Metric]:
        feeds = self._self.feeds()
        if not feeds:
            return
        stands = StateSetMetricFamily("soakbench_feed", "How a feed stands.", labels=["feed"])
        waiting = GaugeMetricFamily("soakbench_feed_waiting", "What waits in its inbox.", labels=["feed"])
        sent = CounterMetricFamily("soakbench_feed_sent", "What it has passed on.", labels=["feed"])
        dropped = CounterMetricFamily("soakbench_feed_dropped", "What it has given up.", labels=["feed"])
        for one in feeds:
            stands.add_metric([one.name], {state: state == one.stands for state in get_args(Stands)})
            waiting.add_metric([one.name], one.waiting)
            sent.add_metric([one.name], one.sent)
            dropped.add_metric([one.name], one.dropped)
        yield from (stands, waiting, sent, dropped)

    def _disk(self) -> Iterator[Metric]:
        try:
            left = self._self.disk_left_bytes()
        except OSError:
            return  # a disk that can't be asked has no figure
        yield GaugeMetricFamily("soakbench_disk_left_bytes", "Room on the store's disk.", left, unit="bytes")


def _commits(watch: SelfWatch) -> Metric:
    counts = list(watch.commits)
    bounds = [*(str(bound) for bound in COMMIT_BOUNDS_S), "+Inf"]
    buckets = [(bound, float(sum(counts[: i + 1]))) for i, bound in enumerate(bounds)]
    return HistogramMetricFamily(
        "soakbench_commit_duration_seconds",
        "How long commits took.",
        buckets=buckets,
        sum_value=watch.commits_s,
        unit="seconds",
    )


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False  # one who hangs must not keep the soak from ending
    allow_reuse_address = os.name == "posix"  # elsewhere it would let another take the port over

    def __init__(self, figures: _Figures, port: int) -> None:
        self.figures = figures
        self._room = threading.BoundedSemaphore(AT_ONCE)
        super().__init__((HOST, port), _Answer)

    def process_request(self, request: Any, client_address: Any) -> None:
        if self._room.acquire(blocking=False):
            super().process_request(request, client_address)
        else:
            self.shutdown_request(request)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._room.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing where one who asked has gone; a fault of ours is for standard error."""
        if not isinstance(sys.exc_info()[1], OSError):
            super().handle_error(request, client_address)


class _Answer(BaseHTTPRequestHandler):
    server: _Server
    timeout = PATIENCE_S
    server_version, sys_version = "soakbench", ""

    def do_GET(self) -> None:
        if self.path == "/metrics":
            text = generate_latest(self.server.figures)  # type: ignore[no-untyped-call]
            self._give(HTTPStatus.OK, CONTENT_TYPE_LATEST, text)
        elif self.path == "/health":
            well, document = self.server.figures.health()
            code = HTTPStatus.OK if well else HTTPStatus.SERVICE_UNAVAILABLE
            self._give(code, "application/json", document)
        else:
            self._give(HTTPStatus.NOT_FOUND, "text/plain", b"/metrics and /health are here\n")

    def _give(self, code: HTTPStatus, kind: str, body: bytes) -> None:
        self.send_response(code)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Cache-Control", "no-store")
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:
        """Say nothing: the log is the soak's."""
