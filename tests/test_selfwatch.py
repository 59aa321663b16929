"""Watching the watcher: figures, health and the log of a run. Nothing of it may change what is measured."""

from __future__ import annotations

import json
import socket
import sqlite3
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from test_daemon import GivenLink, Run, idle, scan_block, ten_seconds

from logger.clock import ManualClock, SystemClock
from logger.clockwatch import Passage
from logger.errors import RequestError
from logger.feeds.feed import FeedState
from logger.metrics import AT_ONCE, served
from logger.runlog import RunLog
from logger.selfwatch import COMMIT_BOUNDS_S, SelfWatch
from logger.store.sqlite import write_lock

SILENCE_S = 5.0


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "soak.db"


@pytest.fixture
def port(tmp_path: Path) -> Path:
    return tmp_path / "daq"


# --- figures -------------------------------------------------------------------------------------------


def get(address: str) -> tuple[int, str, str]:
    """Return status, kind and body."""
    try:
        with urllib.request.urlopen(address, timeout=20) as answer:
            return answer.status, answer.headers["Content-Type"], answer.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.headers["Content-Type"], error.read().decode()


def figures(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """Every sample by name and labels, read by a strict parser."""
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def test_the_figures_are_those_of_the_soak(store: Path) -> None:
    clock = ManualClock()
    watch = SelfWatch()
    link = GivenLink([ten_seconds(0), ten_seconds(10), lambda: clock.advance(1.5), ten_seconds(40)])
    link.rejected = {"checksum": 3, "no number": 1}
    link.waiting = 7
    seen: list[str] = []

    def look(t_s: float) -> None:
        if t_s > 40 and not seen:
            with served(watch, clock, 0) as address:
                status, kind, text = get(f"{address}/metrics")
                assert (status, kind.split(";")[0]) == (200, "application/openmetrics-text")
                seen.append(text)

    run = Run(store, link, clock=clock, selfwatch=watch)
    run.each(lambda: look(run.t_s))
    run()
    found = figures(seen[0])
    assert seen[0].endswith("# EOF\n")
    assert found["soakbench_scans_total", ()] == 300
    assert found["soakbench_gap_seconds_total", ()] == pytest.approx(20.1)
    assert found["soakbench_frames_rejected_total", (("cause", "checksum"),)] == 3
    assert found["soakbench_frames_rejected_total", (("cause", "no number"),)] == 1
    assert found["soakbench_waiting_scans", (("queue", "watch"),)] == 7
    assert found["soakbench_waiting_scans", (("queue", "store"),)] == 100
    assert found["soakbench_last_scan_age_seconds", ()] == 0
    assert found["soakbench_disk_left_bytes", ()] > 1e6
    assert found["soakbench_commit_duration_seconds_bucket", (("le", "+Inf"),)] >= 1
    assert found["soakbench_failed_commits_total", ()] == 0
    assert found["soakbench_cutout", (("soakbench_cutout", "none"),)] == 1
    assert found["soakbench_healthy", (("part", "measuring"),)] == 1
    assert found["soakbench_open_findings", (("severity", "trip"),)] == 0


def test_every_name_ends_in_its_unit_and_stands_in_the_docs() -> None:
    """OpenMetrics 1.0: base units as suffix, and `# UNIT` says the same; `_total` on counters only."""
    watch = SelfWatch()
    watch.judged(1.0, 10, 0.001, 0.0, 0.0)
    watch.rejected = lambda: {"checksum": 1}
    watch.feeds = lambda: [FeedState("alerts", "hanging", "", waiting=4, sent=2, dropped=1)]
    docs = (Path(__file__).parent.parent / "docs" / "files.md").read_text(encoding="utf-8")
    with served(watch, ManualClock(), 0) as address:
        text = get(f"{address}/metrics")[2]
    assert 'soakbench_feed{feed="alerts",soakbench_feed="hanging"} 1.0\n' in text
    assert 'soakbench_feed_dropped_total{feed="alerts"} 1.0\n' in text
    families = list(text_string_to_metric_families(text))
    assert len(families) >= 15
    for family in families:
        shown = f"{family.name}_total" if family.type == "counter" else family.name
        shown = "soakbench_info" if family.type == "info" else shown
        assert f"`{shown}`" in docs, shown
        assert family.documentation.endswith(".")
        assert family.name.endswith(f"_{family.unit}") or not family.unit
        assert not family.name.endswith("_total")
        for unit in ("ms", "milliseconds", "minutes", "megabytes"):
            assert not family.name.endswith(f"_{unit}")


def test_a_commit_counts_in_the_first_bound_that_holds_it() -> None:
    watch = SelfWatch()
    for took_s in (0.0, 0.005, 0.0051, 4.9, 60.0):
        watch.committed(1.0, took_s)
    with served(watch, ManualClock(), 0) as address:
        found = figures(get(f"{address}/metrics")[2])
    name = "soakbench_commit_duration_seconds"
    at = {dict(labels)["le"]: value for (one, labels), value in found.items() if one == f"{name}_bucket"}
    assert [at[str(bound)] for bound in (0.005, 0.01, 2.0, 5.0)] == [2, 3, 3, 4]
    assert at["+Inf"] == found[f"{name}_count", ()] == 5
    assert found[f"{name}_sum", ()] == pytest.approx(64.9101)
    assert len(at) == len(COMMIT_BOUNDS_S) + 1


def test_only_loopback_is_listened_on_and_a_port_that_is_taken_is_said() -> None:
    with served(SelfWatch(), ManualClock(), 0) as address:
        number = int(address.rpartition(":")[2])
        inodes = listening(number)
        assert inodes == ["0100007F"]  # 127.0.0.1, as the kernel writes it
        taken = pytest.raises(RequestError, match=rf"port {number} of 127.0.0.1 can't be listened on")
        with taken, served(SelfWatch(), ManualClock(), number):
            pass
        assert get(f"{address}/other")[0] == 404


def listening(number: int) -> list[str]:
    tables = [Path("/proc/net/tcp"), Path("/proc/net/tcp6")]
    rows = [line.split() for table in tables if table.exists() for line in table.read_text().splitlines()]
    return [row[1].split(":")[0] for row in rows if row[1].endswith(f":{number:04X}") and row[3] == "0A"]


# --- health --------------------------------------------------------------------------------------------


def health(watch: SelfWatch, clock: ManualClock) -> tuple[int, dict[str, Any]]:
    with served(watch, clock, 0) as address:
        status, kind, text = get(f"{address}/health")
    assert kind == "application/json"
    return status, json.loads(text)


def test_health_is_what_was_judged_not_that_the_process_is_there(store: Path) -> None:
    clock = ManualClock()
    watch = SelfWatch()
    said: list[tuple[int, dict[str, Any]]] = []

    def ask() -> None:
        said.append(health(watch, clock))

    wait, longer = lambda: clock.advance(4.9), lambda: clock.advance(0.2)
    link = GivenLink([ask, ten_seconds(0), ask, wait, ask, longer, ask])
    Run(store, link, clock=clock, selfwatch=watch)()
    ask()
    assert [status for status, _ in said] == [503, 200, 200, 503, 503]
    waiting, well, still, silent, ended = (document for _, document in said)
    assert waiting["reason"] == "no scan has come yet: the DAQ is waited for"
    assert (waiting["healthy"], waiting["scan_age_s"], waiting["soak"]) == (False, None, None)
    assert well == {
        "schema": "soakbench.health/1",
        "healthy": True,
        "measuring": True,
        "watching": True,
        "storing": True,
        "scan_age_s": 0.0,
        "reason": "",
        "soak": 1,
    }
    assert still["scan_age_s"] == pytest.approx(4.9)
    assert silent["reason"] == "no scan has been judged for 5 s: the DAQ is silent or gone"
    assert (silent["measuring"], silent["watching"], silent["storing"]) == (False, True, True)
    assert ended["reason"] == "the soak has ended"


def test_a_watch_that_stands_still_is_told_from_a_daq_that_is_silent() -> None:
    watch = SelfWatch()
    watch.came_by_s = 0.0
    watch.judged(0.0, 10, 0.001, 0.0, 0.0)
    watch.waiting_scans = lambda: 60
    frozen = watch.health(6.0)
    assert (frozen.measuring, frozen.watching) == (True, False)
    assert frozen.reason == "nothing has been judged for 6 s: what judges stands still"
    watch.came_by_s = 6.0
    assert watch.health(6.0).reason == "no scan has been judged for 6 s, and 60 wait"


def test_a_store_that_takes_nothing_is_unhealthy_while_measuring_goes_on(store: Path) -> None:
    clock = ManualClock()
    watch = SelfWatch()
    lock = write_lock(store)
    said: list[tuple[int, dict[str, Any]]] = []
    events: list[Any] = [ten_seconds(0), lambda: clock.advance(1.5), lock.acquire, ten_seconds(10)]
    events += [lambda: clock.advance(1.5), ten_seconds(20), lambda: said.append(health(watch, clock))]
    events += [lock.release, lambda: clock.advance(1.5), ten_seconds(30), lambda: clock.advance(1.0)]
    events += [lambda: said.append(health(watch, clock))]
    Run(store, GivenLink(events), clock=clock, selfwatch=watch)()
    (bad, failing), (good, again) = said
    assert (bad, failing["storing"], failing["measuring"], failing["watching"]) == (503, False, True, True)
    assert failing["reason"].startswith("nothing can be stored since ")
    assert watch.failed_commits >= 1
    assert (good, again["storing"]) == (200, True)


def test_a_soak_that_is_replayed_is_not_taken_for_one_that_measures(store: Path) -> None:
    watch = SelfWatch()
    watch.doing, watch.soak_id, watch.came_by_s = "replaying", 3, 10.0
    assert watch.health(11.0).watching
    assert watch.says(11.0) == "soak 3: what is stored of a soak is replayed before it goes on"


def test_how_late_a_scan_is_hangs_on_the_best_passage_and_forgives_the_clocks() -> None:
    passage = Passage()
    assert passage.late_s(0.0, 100.0) == 0.0
    assert passage.late_s(1.0, 101.5) == pytest.approx(0.5, abs=0.002)
    assert passage.late_s(2.0, 102.0) == pytest.approx(0.0, abs=0.003)
    # a DAQ's clock that is slow by 100 ppm looks like ever later scans, and is none
    assert max(passage.late_s(2.0 + n * 0.9999, 102.0 + n) for n in range(1, 2000)) < 0.01


# --- who asks changes nothing --------------------------------------------------------------------------


def stored(store: Path) -> list[str]:
    """All rows of a store, but for the soak's random name and what counts the disk's megabytes."""
    with closing(sqlite3.connect(store)) as db:
        db.execute("UPDATE soak SET uuid = '', checks = ''")
        return [line for line in db.iterdump() if line.startswith("INSERT")]


def blocks(seconds: int) -> list[Any]:
    """Scans in which a pair is lost, and a hole."""

    def row(n: int) -> list[int | None]:
        a, b, ht = idle(n)
        return [a, 40 if 400 <= n < 700 else b, ht]

    return [
        scan_block(at, [row(n) for n in range(at, at + 20)])
        for at in range(0, 10 * seconds, 20)
        if not 900 <= at < 1000
    ]


@contextmanager
def pestered(address: str) -> Iterator[None]:
    """Have some hang with half a question, some never read, some ask all the time, and more come than may."""
    host, _, number = address.removeprefix("http://").rpartition(":")
    hung = []
    for words in (b"", b"GET /metr", b"GET /metrics HTTP/1.0\r\n\r\n", b"\x00\xff" * 100) * AT_ONCE:
        one = socket.create_connection((host, int(number)), timeout=5)
        one.sendall(words)
        hung.append(one)
    over = threading.Event()

    def hammer() -> None:
        while not over.is_set():
            try:
                get(f"{address}/metrics")
            except OSError:
                time.sleep(0.01)

    thread = threading.Thread(target=hammer)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
        for one in hung:
            one.close()


def test_whoever_hangs_on_the_figures_changes_nothing_of_what_is_stored(tmp_path: Path) -> None:
    quiet, asked = tmp_path / "quiet.db", tmp_path / "asked.db"
    Run(quiet, GivenLink(blocks(150)), clock=ManualClock(), speed=0.0)()
    watch = SelfWatch()
    written = RunLog(Path("/dev/full"), SystemClock(), lambda _: None)
    with served(watch, SystemClock(), 0) as address, pestered(address):
        options: dict[str, Any] = {"selfwatch": watch, "log": written.write}
        Run(asked, GivenLink(blocks(150)), clock=ManualClock(), speed=0.0, **options)()
    written.close()
    assert watch.scans == sum(map(len, blocks(150)))
    assert stored(asked) == stored(quiet)
    assert any(line.startswith('INSERT INTO "finding"') for line in stored(quiet))


# --- the log -------------------------------------------------------------------------------------------


def test_a_log_says_what_happened_and_the_same_as_json(store: Path, tmp_path: Path) -> None:
    clock = ManualClock()
    files = tmp_path / "plain.log", tmp_path / "json.log"
    logs = [RunLog(path, clock, pytest.fail, as_json=path.stem == "json") for path in files]

    def log(event: str, says: str, more: Any) -> None:
        for one in logs:
            one.write(event, says, more)

    link = GivenLink([ten_seconds(0), ten_seconds(30), lambda: link.rejected.update(checksum=3)])
    link._events += [lambda: clock.advance(61.0), ten_seconds(40)]
    run = Run(store, link, clock=clock, log=log)
    run()
    for one in logs:
        one.close()
    plain = files[0].read_text().splitlines()
    found = [json.loads(line) for line in files[1].read_text().splitlines()]
    assert [line.split(" ", 1)[1] for line in plain] == [one["says"] for one in found]
    assert plain[0].startswith("2026-01-01T00:00:00Z soakbench ")
    assert found[0]["time"] == "2026-01-01T00:00:00.000Z"
    assert {"start", "connected", "soak", "check", "finding", "rejected", "end"} <= {
        one["event"] for one in found
    }
    start, end = found[0], found[-1]
    assert (start["event"], start["amp"], start["soak"]) == ("start", "Theatre PA 240 W", None)
    assert (end["event"], end["how"], end["scans"], end["soak"]) == ("end", "stopped", 300, 1)
    (gap,) = [one for one in found if one["event"] == "finding" and one.get("kind") == "gap"]
    assert (gap["severity"], gap["open"], gap["soak"], gap["finding"]) == ("warning", False, 1, 1)
    assert [one["rejected"] for one in found if one["event"] == "rejected"] == [{"checksum": 3}] * 2
    # a person hears the same, but for what is only for the log
    only = {"start", "slow commits"}
    assert [one["says"] for one in found if one["event"] not in only] == run.said


def test_slow_commits_are_one_line_a_minute() -> None:
    watch = SelfWatch()
    for took_s in (0.3, 0.31, 2.0):
        watch.committed(0.0, took_s)
    assert watch.slow_commits() == (2, 2.0)
    assert watch.slow_commits() == (0, 0.0)


def test_a_slow_commit_is_logged_but_nobody_is_called_for_it(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from logger.store import writer

    clock = ManualClock()
    transaction = writer.Writer._transaction

    def slow(self: Any) -> Any:
        clock.advance(0.4)
        return transaction(self)

    monkeypatch.setattr(writer.Writer, "_transaction", slow)
    lines: list[tuple[str, str, Any]] = []
    events = [ten_seconds(0), lambda: clock.advance(61.0), ten_seconds(80)]
    run = Run(store, GivenLink(events), clock=clock, log=lambda *line: lines.append(line))
    run()
    (slow_line,) = [line for line in lines if line[0] == "slow commits"]
    assert slow_line[2]["longest_s"] == pytest.approx(0.4)
    assert not any("the store is slow" in text for text in run.said)


def test_a_full_disk_under_the_log_is_said_once_and_stops_nothing(store: Path) -> None:
    """/dev/full takes nothing: each write fails for want of room."""
    told: list[str] = []
    log = RunLog(Path("/dev/full"), SystemClock(), told.append)
    run = Run(store, GivenLink([ten_seconds(0), ten_seconds(30)]), clock=ManualClock(), log=log.write)
    assert run() == 1
    log.close()
    assert len(told) == 1
    assert "can't be written (No space left on device)" in told[0]
    assert "soak 1 has ended (stopped)" in run.said


def test_a_log_that_can_be_written_again_says_what_it_lost(tmp_path: Path) -> None:
    path = tmp_path / "run.log"
    path.symlink_to("/dev/full")
    failed = threading.Event()
    log = RunLog(path, SystemClock(), lambda _: failed.set())
    log.write("said", "first", {})
    assert failed.wait(20)
    path.unlink()
    log._file, old = None, log._file  # the disk is another now
    log.write("said", "second", {})
    log.close()
    if old is not None:
        old.close()
    lines = path.read_text().splitlines()
    assert [line.split(" ", 1)[1] for line in lines] == ["1 lines of this log were lost here", "second"]


def test_a_log_that_was_moved_away_is_begun_anew_and_one_too_long_is_put_aside(tmp_path: Path) -> None:
    path, aside, moved = tmp_path / "run.log", tmp_path / "run.log.1", tmp_path / "moved"
    told: list[str] = []

    def write(*texts: str, most: int = 10_000) -> None:
        log = RunLog(path, ManualClock(), told.append, most_bytes=most)
        for text in texts:
            log.write("said", text, {})
        log.close()

    log = RunLog(path, ManualClock(), told.append)
    log.write("said", "before", {})
    wait_for(lambda: path.stat().st_size > 0)
    path.rename(moved)
    log.write("said", "after", {})
    log.close()
    assert moved.read_text().endswith(" before\n")
    assert path.read_text().endswith(" after\n")
    write("x" * 80, "y" * 80, most=150)
    assert aside.read_text().splitlines()[-1].endswith("x")
    assert path.read_text().splitlines() == [f"2026-01-01T00:00:00Z {'y' * 80}"]
    write("z" * 80, most=150)  # the file put aside before is ours, and goes
    assert aside.read_text().splitlines() == [f"2026-01-01T00:00:00Z {'y' * 80}"]
    assert told == []
    aside.write_text("a list of mine\n")
    write("w" * 80, "v", most=150)
    assert aside.read_text() == "a list of mine\n"
    assert len(path.read_text().splitlines()) == 3
    assert len(told) == 1
    assert "is no log of soakbench and is left alone" in told[0]


def wait_for(true: Callable[[], bool], within_s: float = 20.0) -> None:
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.005)


def test_a_log_nobody_can_write_is_refused_at_the_start(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="name another place"):
        RunLog(tmp_path / "none" / "run.log", ManualClock(), pytest.fail)


def test_a_line_of_the_log_stays_one_line_whatever_is_said(tmp_path: Path) -> None:
    path = tmp_path / "run.log"
    log = RunLog(path, ManualClock(), pytest.fail)
    log.write("said", "two\nlines\x1b[31m\u2028 and more", {})
    log.write("said", "no port \udcff", {})  # a name that is no text
    log.close()
    first, second = path.read_text().splitlines()
    assert first == "2026-01-01T00:00:00Z two lines [31m  and more"
    assert second.startswith("2026-01-01T00:00:00Z no port ")
