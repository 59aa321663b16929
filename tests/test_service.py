"""Under a service manager: what it is told, when it is told nothing, and the units."""

from __future__ import annotations

import os
import re
import select
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from test_daemon import DAQ, SETUP, Run, idle, serial_link
from tiny_daq import TinyDaq

from logger.blocks import ScanBlock
from logger.finding import Kind
from logger.pipeline import Output, Pipeline
from logger.store.reader import Reader
from logger.supervisor import Supervisor

ROOT = Path(__file__).parent.parent
UNITS = sorted((ROOT / "docs" / "service").glob("*.service"))
WATCHDOG_S = 0.4


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "soak.db"


@pytest.fixture
def port(tmp_path: Path) -> Path:
    return tmp_path / "daq"


class Manager:
    """A service manager's end of the socket."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.heard: list[str] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(f"\0{address[1:]}" if address.startswith("@") else address)

    def __enter__(self) -> Manager:
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()

    def hear(self, timeout_s: float) -> list[str]:
        """Return the lines that come within that time: those of one message, or none."""
        if not select.select([self._socket], [], [], timeout_s)[0]:
            return []
        lines = self._socket.recv(4096).decode().split("\n")
        self.heard += lines
        return lines

    def wait_for(self, line: str, within_s: float = 30.0) -> None:
        deadline = time.monotonic() + within_s
        while line not in self.hear(0.2):
            assert time.monotonic() < deadline, f"{line} never came, but {self.heard}"

    def drain(self) -> None:
        while self.hear(0.0):
            pass


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Any:
    address = (
        str(tmp_path / "notify") if request.param == "path" else f"@soakbench-{os.getpid()}-{tmp_path.name}"
    )
    with Manager(address) as one:
        yield one


def of(manager: Manager, **more: str) -> Supervisor:
    found = Supervisor.of_environment({"NOTIFY_SOCKET": manager.address, **more})
    assert found is not None
    return found


# --- what is told --------------------------------------------------------------------------------------


def test_nobody_is_told_where_nobody_asks() -> None:
    assert Supervisor.of_environment({}) is None
    assert Supervisor.of_environment({"NOTIFY_SOCKET": "vsock:2:1234"}) is None


def test_pings_come_four_in_the_time_allowed_and_the_words_when_they_change(manager: Manager) -> None:
    one = of(manager, WATCHDOG_USEC="4000000")
    words = ["first"]
    for tenth in range(41):
        one.alive(tenth / 10, lambda: words[0])
        if tenth == 20:
            words[0] = "second"
    manager.drain()
    assert manager.heard.count("WATCHDOG=1") == 5
    assert [line for line in manager.heard if line.startswith("STATUS")] == ["STATUS=first", "STATUS=second"]
    one.close()


@pytest.mark.parametrize("asked", [{}, {"WATCHDOG_USEC": "0"}, {"WATCHDOG_USEC": "9", "WATCHDOG_PID": "1"}])
def test_no_ping_goes_out_that_was_not_asked_of_this_process(manager: Manager, asked: dict[str, str]) -> None:
    one = of(manager, **asked)
    one.alive(0.0, lambda: "well")
    manager.drain()
    assert manager.heard == ["STATUS=well"]
    one.close()


def test_a_manager_that_reads_nothing_or_has_gone_holds_nobody_up(tmp_path: Path) -> None:
    with Manager(str(tmp_path / "notify")) as manager:
        one = of(manager, WATCHDOG_USEC="1")
        for n in range(5000):  # far beyond any queue
            one.alive(float(n), lambda n=n: f"{n}")  # type: ignore[misc]
        assert one.fault is None
    one.alive(6000.0, lambda: "gone")
    assert one.fault == "Connection refused"
    one.close()


# --- the daemon ----------------------------------------------------------------------------------------


def test_only_what_judges_says_that_it_goes_on(
    store: Path, port: Path, manager: Manager, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A DAQ on a real pseudo-terminal. While a detector hangs no ping comes, whatever else runs."""
    feed = Pipeline.feed
    hangs, hung = threading.Event(), threading.Event()
    go_on = threading.Event()

    def hanging(self: Pipeline, block: ScanBlock, marks: Sequence[Any] = ()) -> Output:
        if hangs.is_set() and not go_on.is_set():
            hung.set()
            assert go_on.wait(60)
        return feed(self, block, marks)

    monkeypatch.setattr(Pipeline, "feed", hanging)
    supervisor = of(manager, WATCHDOG_USEC=str(round(WATCHDOG_S * 1e6)))
    with TinyDaq(port, idle, daq=DAQ, speed=1) as daq:
        daq.hold = True
        run = Run(store, serial_link(daq), supervisor=supervisor)
        thread = threading.Thread(target=run)
        thread.start()
        try:
            manager.wait_for("READY=1")  # though no scan has come
            manager.wait_for("WATCHDOG=1")
            daq.hold = False
            manager.wait_for("STATUS=soak 1: off; no finding open")
            manager.wait_for("WATCHDOG=1")
            hangs.set()
            assert hung.wait(20)
            manager.drain()
            assert manager.hear(3 * WATCHDOG_S) == []
            go_on.set()
            manager.wait_for("WATCHDOG=1")
            daq.hold = True  # a DAQ that is silent is no watch that hangs: starting again would not help
            in_silence = 0
            while in_silence < 3:
                before = len(run.outputs)
                manager.wait_for("WATCHDOG=1")
                in_silence = in_silence + 1 if len(run.outputs) == before else 0
        finally:
            go_on.set()
            run.stop.set()
            thread.join(30)
    manager.drain()
    assert "STOPPING=1" in manager.heard
    assert manager.heard[0] == "READY=1"
    supervisor.close()


def live_setup(folder: Path, daq: TinyDaq) -> Path:
    """The set-up with the pins that a live link needs."""
    pins = iter(["[0, 1]", "[2, 3]", "4"])
    text = re.sub(r"(measures = .*)", lambda found: f"{found[1]}\npin = {next(pins)}", SETUP)
    path = folder / "theatre.toml"
    path.write_text(text.replace('kind = "lines"', f'kind = "lines"\nport = "{daq.port}"'))
    return path


def service(setup: Path, store: Path, manager: Manager) -> subprocess.Popen[str]:
    """Start what the unit starts, as it starts it."""
    (line,) = re.findall(r"^ExecStart=\S+/soakbench (.*)$", unit("soakbench@.service"), flags=re.MULTILINE)
    words = line.replace("/etc/soakbench/%i.toml", str(setup)).replace("$SOAKBENCH_RUN", "").split()
    environment = os.environ | {"NOTIFY_SOCKET": manager.address, "WATCHDOG_USEC": "30000000"}
    return subprocess.Popen(
        [sys.executable, "-m", "soakbench", *words],
        env=environment | {"SOAKBENCH_DB": str(store), "PYTHONPATH": str(ROOT)},
        stdin=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_killed_and_started_again_the_service_goes_on_with_its_soak(tmp_path: Path, store: Path) -> None:
    """As after a reboot in mid-soak: the same command, the same soak, and what is missing is a gap."""
    with (
        Manager(str(tmp_path / "notify")) as manager,
        TinyDaq(tmp_path / "daq", idle, daq=DAQ, speed=5) as daq,
    ):
        setup = live_setup(tmp_path, daq)
        first = service(setup, store, manager)
        manager.wait_for("READY=1")
        manager.wait_for("STATUS=soak 1: off; no finding open")
        wait_for(lambda: Reader(store).soak(1).scans > 50)
        first.kill()
        first.communicate(timeout=30)
        daq.skip(60.0)
        manager.drain()
        again = service(setup, store, manager)
        manager.wait_for("READY=1")
        before = Reader(store).soak(1).scans
        wait_for(lambda: Reader(store).soak(1).scans > before + 20)
        again.terminate()
        said = again.communicate(timeout=30)[1]
        manager.drain()
    assert "STOPPING=1" in manager.heard
    assert again.returncode == 0
    assert "going on with soak 1" in said
    reader = Reader(store)
    assert [(soak.id, soak.how) for soak in reader.soaks()] == [(1, "stopped")]
    (gap,) = [one for one in reader.findings(1) if one.kind is Kind.GAP]
    assert gap.cleared_s is not None
    assert gap.cleared_s - gap.onset_s > 60
    assert any(mark.text.startswith("soakbench: started again") for mark in reader.marks(1))


def wait_for(true: Callable[[], bool], within_s: float = 30.0) -> None:
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.05)


# --- the units -----------------------------------------------------------------------------------------


def unit(name: str) -> str:
    return (ROOT / "docs" / "service" / name).read_text(encoding="utf-8")


def laid_out(folder: Path) -> list[Path]:
    """The units as if installed: an instance of each, and a program that is there."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("no systemd-analyze here")
    paths = []
    for one in UNITS:
        path = folder / one.name.replace("@", "@theatre")
        path.write_text(one.read_text().replace("/opt/soakbench/bin/soakbench", sys.executable))
        paths.append(path)
    return paths


def test_the_units_are_verified(tmp_path: Path) -> None:
    paths = laid_out(tmp_path)
    assert len(paths) == 3
    for path in paths:
        command = ["systemd-analyze", "verify", "--man=no", "--recursive-errors=no", str(path)]
        ran = subprocess.run(command, capture_output=True, text=True, check=False)
        assert (ran.returncode, ran.stdout + ran.stderr) == (0, ""), path.name


def test_an_error_in_a_unit_would_be_seen(tmp_path: Path) -> None:
    path = laid_out(tmp_path)[0]
    path.write_text(path.read_text().replace("NoNewPrivileges", "NoMorePrivileges"))
    command = ["systemd-analyze", "verify", "--man=no", "--recursive-errors=no", str(path)]
    ran = subprocess.run(command, capture_output=True, text=True, check=False)
    assert "NoMorePrivileges" in ran.stderr


def test_the_units_leave_little_open(tmp_path: Path) -> None:
    """systemd's own measure of exposure, 0 to 10; what the page states. Versions of it differ a little."""
    for path in laid_out(tmp_path):
        command = ["systemd-analyze", "security", "--offline=yes", "--no-pager", "--threshold=20", str(path)]
        ran = subprocess.run(command, capture_output=True, text=True, check=False)
        assert ran.returncode == 0, ran.stdout + ran.stderr


def test_a_unit_names_only_options_and_exit_codes_that_there_are() -> None:
    from soakbench import EXIT_CODES

    codes = {code for code, _ in EXIT_CODES}
    for one in UNITS:
        for listed in re.findall(r"^RestartPreventExitStatus=(.*)$", one.read_text(), flags=re.MULTILINE):
            assert {int(code) for code in listed.split()} <= codes - {0, 4}
    assert "\nRestartPreventExitStatus=2 3\n" in unit("soakbench@.service")
    assert "\nType=notify\n" in unit("soakbench@.service")


def test_a_wrong_set_up_ends_with_a_code_that_is_not_started_again(tmp_path: Path) -> None:
    (tmp_path / "wrong.toml").write_text('schema = "soakbench.setup/1"\n')
    with Manager(str(tmp_path / "notify")) as manager:
        process = service(tmp_path / "wrong.toml", tmp_path / "soak.db", manager)
        process.communicate(timeout=60)
        assert process.returncode == 2
        manager.drain()
        assert manager.heard == []
