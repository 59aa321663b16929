"""Several benches' daemons on one machine: real processes, DAQs on real pseudo-terminals, stores on disk."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest
from test_daemon import DAQ, SETUP, idle
from test_service import wait_for
from tiny_daq import TinyDaq

from logger import tables
from logger.errors import RequestError, StoreError
from logger.run_benches import LONGEST_PAUSE_S, WELL_S, Attendant, Ended, Task, exit_code, pause_after
from logger.store.reader import Reader
from soakbench import main

ROOT = Path(__file__).parent.parent

pytestmark = pytest.mark.skipif(os.name == "nt", reason="the simulated DAQ needs a pseudo-terminal")


def setup_file(folder: Path, port: str, more: str = "") -> Path:
    """A set-up with the pins that a live link needs; its name is its port's."""
    pins = iter(["[0, 1]", "[2, 3]", "4"])
    text = re.sub(r"(measures = .*)", lambda found: f"{found[1]}\npin = {next(pins)}", SETUP)
    path = folder / f"{Path(port).name}.toml"
    path.write_text(
        text.replace('kind = "lines"', f'kind = "lines"\nport = "{port}"\n{more}'), encoding="utf-8"
    )
    return path


def config(folder: Path, *names: str, more: str = "") -> Path:
    """A file of benches: each has the set-up and the store of its name."""
    benches = [f'[[bench]]\nname = "{name}"\nstore = "{name}.db"\nsetup = "{name}.toml"\n' for name in names]
    path = folder / "shop.toml"
    path.write_text("".join(benches) + more, encoding="utf-8")
    return path


class Supervisor:
    """`soakbench benches` in a process of its own, what it said, and an end to whatever it started."""

    def __init__(self, shop: Path) -> None:
        self._said = shop.with_suffix(".said")
        with self._said.open("wb") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "soakbench", "benches", str(shop)],
                env=os.environ | {"PYTHONPATH": str(ROOT)},
                stdout=subprocess.DEVNULL,
                stderr=out,
            )

    def __enter__(self) -> Supervisor:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        for started in self.heard(r"is process (\d+)"):
            with contextlib.suppress(ProcessLookupError):
                os.kill(int(started), signal.SIGKILL)

    def heard(self, pattern: str) -> list[str]:
        return re.findall(pattern, self._said.read_text(encoding="utf-8"), flags=re.MULTILINE)


def stored(path: Path) -> int:
    """How many scans are in the store's only soak so far."""
    try:
        return Reader(path).soak(1).scans
    except (StoreError, RequestError):  # the daemon is about to make it
        return 0


def test_a_bench_that_dies_is_started_again_while_the_others_go_on(tmp_path: Path) -> None:
    """Three daemons under one supervisor: one is killed, one goes on, one can't write its log.

    Then the supervisor itself is killed: the daemons measure on, and a second one leaves them alone.
    """
    stores = {name: tmp_path / f"{name}.db" for name in ("one", "two")}
    setup_file(tmp_path, str(tmp_path / "three"))
    (tmp_path / "three.db.log").mkdir()
    with (
        TinyDaq(tmp_path / "one", idle, daq=DAQ, speed=3) as one,
        TinyDaq(tmp_path / "two", idle, daq=DAQ, speed=3) as two,
    ):
        for daq in (one, two):
            setup_file(tmp_path, daq.port)
        with Supervisor(config(tmp_path, "one", "two", "three")) as benches:
            heard = benches.heard

            def go_on() -> None:
                before = {path: stored(path) for path in stores.values()}
                wait_for(lambda: all(stored(path) > scans + 20 for path, scans in before.items()), 60)

            go_on()
            wait_for(lambda: bool(heard("three is not started again")), 60)
            (first,) = heard(r"one is process (\d+)")
            os.kill(int(first), signal.SIGKILL)
            wait_for(lambda: bool(heard("one: going on with soak 1")), 60)
            go_on()
            benches.process.kill()
            benches.process.wait()
            go_on()

            again = tmp_path / "how.json"
            assert main(["benches", str(config(tmp_path, "one", "two")), "--json", str(again)]) == 3

            for process in (heard(r"one is process (\d+)")[-1], *heard(r"two is process (\d+)")):
                os.kill(int(process), signal.SIGTERM)
            wait_for(lambda: all(Reader(path).soak(1).ended is not None for path in stores.values()), 60)

    assert heard(r"^soakbench: one was killed by SIGKILL and is started again in 1 s: see (.*)$") == [
        f"{stores['one']}.log"
    ]
    assert heard(r"^soakbench: three: .*can't be written")
    how = json.loads(again.read_text(encoding="utf-8"))["benches"]
    assert [(bench["name"], bench["how"], bench["starts"]) for bench in how] == [
        ("one", "ran already", 0),
        ("two", "ran already", 0),
    ]
    for name, path in stores.items():
        assert [(soak.id, soak.how) for soak in Reader(path).soaks()] == [(1, "stopped")]
        assert "soak 1 has ended (stopped)" in Path(f"{path}.log").read_text(encoding="utf-8")
        noted = [mark for mark in Reader(path).marks(1) if mark.text.startswith("soakbench: started again")]
        assert len(noted) == (1 if name == "one" else 0)
    scans = Reader(stores["two"]).scans(1)
    assert (scans.sequence[1:] - scans.sequence[:-1] == 1).all()


def test_what_speaks_against_a_file_of_benches_is_said_at_once_and_nothing_starts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "link").symlink_to("/dev/null")
    setup_file(tmp_path, "/dev/null").rename(tmp_path / "a.toml")
    setup_file(tmp_path, str(tmp_path / "link")).rename(tmp_path / "b.toml")
    setup_file(tmp_path, "auto").rename(tmp_path / "c.toml")
    for name in ("d", "e"):
        setup_file(tmp_path, "auto", 'board = "bench-07"').rename(tmp_path / f"{name}.toml")
    (tmp_path / "f.toml").write_text('schema = "soakbench.setup/1"\n[amp]\nname = ""\n', encoding="utf-8")
    (tmp_path / "g.toml").write_text(
        (tmp_path / "a.toml").read_text().replace("/dev/null", "x") + "pin = 4\n"
    )
    shop = config(tmp_path, *"abcdefg", "h", more='[[bench]]\nname = "i"\nstore = "./sub/../a.db"\n')

    assert main(["benches", str(shop)]) == 2

    said = capsys.readouterr().err
    for fault in (
        "no bench was started",
        "a and i have one store",
        "a and b have one port",
        'c: with several benches port = "auto"',
        "d and e have one DAQ, bench-07",
        "amp.valve",
        f"the set-up {tmp_path / 'g.toml'}",
        f"there is no set-up file {tmp_path / 'h.toml'}",
    ):
        assert fault in said
    assert not list(tmp_path.glob("*.db*"))

    shop.write_text('[[bench]]\nname = "a"\nstore = "a.db"\n', encoding="utf-8")
    assert main(["benches", str(shop)]) == 2
    assert "has a setup" in capsys.readouterr().err


def test_a_single_bench_may_leave_its_port_to_be_found(tmp_path: Path) -> None:
    from logger.benches import load
    from logger.run_benches import tasks_of

    setup_file(tmp_path, "auto").rename(tmp_path / "a.toml")
    shop = config(tmp_path, "a", more='[[bench]]\nname = "b"\nstore = "b.db"\n')
    (task,) = tasks_of(shop, load(shop))
    assert (task.name, task.store, task.armed) == ("a", tmp_path / "a.db", False)
    assert "run" in task.command


# --- which ending means what -----------------------------------------------------------------------------


class Attended:
    """An attendant in a thread, on programs of a line each, and what it said."""

    def __init__(
        self, folder: Path, *, first_pause_s: float = 0.01, patience_s: float = 60.0, **programs: str
    ) -> None:
        self.said: list[str] = []
        self._tasks = [
            Task(name, ("sh", "-c", program), folder / f"{name}.db", folder / f"{name}.log", name == "armed")
            for name, program in programs.items()
        ]
        self.attendant = Attendant(
            self._tasks, self.said.append, first_pause_s=first_pause_s, patience_s=patience_s
        )
        self.ended: list[Ended] = []
        self._thread = threading.Thread(target=lambda: self.ended.extend(self.attendant.run()))

    def __enter__(self) -> Attended:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._thread.join(60)

    def hears(self, what: str, times: int = 1) -> None:
        wait_for(lambda: sum(what in text for text in self.said) >= times)

    def how(self) -> dict[str, Any]:
        return {one.name: (one.how, one.code) for one in self.ended}


def test_what_ended_well_or_was_asked_wrong_is_left_and_all_else_started_again(tmp_path: Path) -> None:
    counting = f"echo . >> {tmp_path}/{{0}}; test $(wc -l < {tmp_path}/{{0}}) -lt 3 || exit 0; {{1}}"
    with Attended(
        tmp_path,
        well="exit 0",
        wrong="echo soakbench: there is no such option >&2; exit 2",
        away=counting.format("away", "exit 3"),
        fault=counting.format("fault", "exit 4"),
        armed=counting.format("armed", "kill -9 $$"),
    ) as run:
        pass
    assert run.how() == {
        "well": ("ended", 0),
        "wrong": ("wrong request", 2),
        "away": ("ended", 0),
        "fault": ("ended", 0),
        "armed": ("ended", 0),
    }
    assert [one.starts for one in run.ended] == [1, 1, 3, 3, 3]
    assert "wrong: there is no such option" in run.said
    (first, second) = [text for text in run.said if text.startswith("armed was killed by SIGKILL")]
    assert "started again in 0.01 s" in first
    assert "started again in 0.02 s" in second
    assert f"see {tmp_path / 'armed.log'}; a cut-out that was closed opens" in first
    assert not any("cut-out" in text for text in run.said if text.startswith(("away", "fault")))
    assert exit_code(run.ended) == 2


def test_how_each_ended_is_a_table_and_a_document(capsys: pytest.CaptureFixture[str]) -> None:
    ended = [
        Ended("one", "stopped", 0, 3, Path("one.db"), Path("one.db.log"), 7, "conditional pass"),
        Ended("two", "broken off", -9, 1, Path("two.db"), Path("two.db.log"), 1),
        Ended("three", "ran already", None, 0, Path("three.db"), Path("three.db.log")),
    ]
    tables.show(tables.benches_table(ended))
    rows = [line.split() for line in capsys.readouterr().out.splitlines()[3:] if line.strip()]
    assert [" ".join(row) for row in rows] == [
        "one stopped 0 3 times 7 pass, too close to call one.db",
        "two broken off -9 once 1 not judged two.db",
        "three ran already – – – – three.db",
    ]
    document = tables.benches_document(ended)
    assert document["schema"] == "soakbench.benches/1"
    assert [one["exit_code"] for one in document["benches"]] == [0, -9, None]
    assert document["benches"][0]["verdict"] == "conditional pass"


def test_a_store_that_cannot_be_looked_at_is_said_and_holds_up_no_other(tmp_path: Path) -> None:
    (tmp_path / "odd.db.daemon").mkdir()  # where a daemon's lock would be
    with Attended(tmp_path, odd="exit 0", well="exit 0") as run:
        pass
    assert run.how() == {"odd": ("broken off", None), "well": ("ended", 0)}
    assert any(text.startswith("odd is not run: the store") for text in run.said)


def test_pauses_grow_to_a_minute_and_begin_anew_after_one_that_ran_well() -> None:
    pauses = [0.0]
    for _ in range(10):
        pauses.append(pause_after(pauses[-1], 5.0))
    assert pauses[1:] == [1, 2, 4, 8, 16, 32, LONGEST_PAUSE_S, 60, 60, 60]
    assert pause_after(60.0, WELL_S) == 1.0


WAITS = "trap '{}' TERM; echo runs >&2; while :; do sleep 0.02; done"


def test_all_are_asked_to_end_with_a_caution_and_given_time(tmp_path: Path) -> None:
    ends = WAITS.format("echo ends >&2; exit 0")
    # The pause outlasts the test: whoever is asked to stop finds one that has died and waits.
    with Attended(tmp_path, first_pause_s=600.0, plain=ends, armed=ends, dying="exit 3") as run:
        run.hears(": runs", 2)
        run.hears("dying ended with exit code 3")
        run.attendant.ask_to_stop()
    assert run.how() == {"plain": ("stopped", 0), "armed": ("stopped", 0), "dying": ("broken off", 3)}
    assert exit_code(run.ended) == 3
    caution = run.said.index(
        "stopping: at armed a cut-out that is closed opens now, and with it the mains goes off"
    )
    assert caution < min(k for k, text in enumerate(run.said) if text.endswith(": ends"))


def test_what_does_not_end_in_its_time_is_killed(tmp_path: Path) -> None:
    with Attended(tmp_path, patience_s=0.1, stuck=WAITS.format("")) as run:
        run.hears("stuck: runs")
        run.attendant.ask_to_stop()
    assert run.how() == {"stuck": ("broken off", -signal.SIGKILL)}
    assert "stuck did not end within 0.1 s and is killed" in run.said


def test_asked_again_they_end_at_once(tmp_path: Path) -> None:
    twice = "trap 'trap \"exit 7\" TERM; echo heard >&2' TERM; echo runs >&2; while :; do sleep 0.02; done"
    with Attended(tmp_path, a=twice) as run:
        run.hears("a: runs")
        run.attendant.ask_to_stop()
        run.hears("a: heard")
        run.attendant.ask_to_stop()
    assert run.how() == {"a": ("broken off", 7)}
    assert any("ending a at once" in text for text in run.said)


def test_a_terminal_that_takes_nothing_holds_up_no_bench(tmp_path: Path) -> None:
    held, goes_on = threading.Event(), threading.Event()

    def say(text: str) -> None:
        held.set()
        assert goes_on.wait(60)
        said.append(text)

    said: list[str] = []
    many = "n=0; while [ $n -lt 3000 ]; do echo $n >&2; n=$((n + 1)); done"
    attendant = Attendant([Task("a", ("sh", "-c", many), tmp_path / "a.db", tmp_path / "a.log")], say)
    thread = threading.Thread(target=attendant.run)
    thread.start()
    assert held.wait(60)
    thread.join(60)
    assert not thread.is_alive()
    goes_on.set()

    def told_of() -> int:
        unsaid = r"(\d+) sentences were not said here, .*"
        lost = [found for text in said if (found := re.fullmatch(unsaid, text))]
        assert lost or len(said) < 3000
        return len(said) - len(lost) + sum(int(found[1]) for found in lost)

    wait_for(lambda: told_of() == 3001)  # and which process it is
