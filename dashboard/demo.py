"""The whole job on a simulated amp: a DAQ on a pseudo-terminal, the daemon, the dashboard, the report.

What is simulated is the amplifier and its board, in a process of its own; the line, the daemon, the store,
the dashboard and the report are those of every day.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile
import threading
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from dash import Dash

from dashboard import app, report
from dashboard.demo_daemon import measure
from logger import judge
from logger.clock import Clock, SystemClock
from logger.errors import FileExistsAlready, RequestError, SoakbenchError
from logger.export import export_log
from logger.jobs import AS_LEFT
from logger.simulator.boards import LINKS, SCANS_PER_S
from logger.simulator.scenarios import Scenario, scenario
from logger.simulator.wires import HAS_PTY
from logger.store.reader import Reader
from logger.tables import write_json

DASHBOARD_SPEED: Final = 60.0
ALERTS: Final = '\n[alerts]\naddresses_env = "SOAKBENCH_ALERTS"\n'
"""What sends a demo's alerts."""
_PATIENCE_S: Final = 5.0


@dataclass(frozen=True)
class Files:
    """What a demo leaves in its folder."""

    folder: Path

    @property
    def store(self) -> Path:
        """The store."""
        return self.folder / "soak.db"

    @property
    def report(self) -> Path:
        """The report."""
        return self.folder / "report.pdf"

    @property
    def judge(self) -> Path:
        """The verdict, `soakbench.judge/1`."""
        return self.folder / "judge.json"

    @property
    def log(self) -> Path:
        """All readings."""
        return self.folder / "log.csv.gz"

    @property
    def setup(self) -> Path:
        """The set-up that the log is judged with."""
        return self.folder / "setup.toml"

    def make_room(self, *, force: bool) -> None:
        """Make the folder; refuse what is there already, or with `force` take it away."""
        if self.folder.exists() and not self.folder.is_dir():
            raise RequestError(f"{self.folder} is a file: name a folder with --out")
        for path in (self.store, self.report, self.judge, self.log, self.setup):
            if path.exists() and not force:
                raise FileExistsAlready(path)
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            for left in (*self.folder.glob("soak.db*"), self.report, self.judge, self.log, self.setup):
                left.unlink(missing_ok=True)
        except OSError as error:
            raise RequestError(f"{self.folder} can't be written ({error.strerror}): name another") from error


@dataclass(frozen=True)
class Viewer:
    """The dashboard beside the running demo; `browser` opens a window on it."""

    browser: bool


def play(
    name: str,
    out: Path,
    *,
    seed: int = 1,
    speed: float = 0.0,
    viewer: Viewer | None = None,
    force: bool = False,
    warm_up_min: float = 30.0,
    soak_min: float = 120.0,
    scans_per_s: float | None = None,
    link: str = "lines",
    over: Literal["pty", "socket"] | None = None,
    alerts: bool = False,
    say: Callable[[str], None],
    progress: Callable[[float], None] = lambda _t_s: None,
) -> dict[str, Any]:
    """Soak a simulated amp, keep store, report, verdict, log and set-up in `out`; return the verdict.

    `speed` is how much faster than real time, 0 for as fast as the line goes. Without a `viewer` it ends
    with the plan; with one the simulated amp plays to its end (of a board that can't say so, to the plan's),
    and the dashboard stays up until Ctrl-C. A Ctrl-C before that ends all of it, and what there is of the
    soak is judged.

    `link` is what the simulated board speaks, at its usual rate unless `scans_per_s` says another; `over` a
    pseudo-terminal, or a socket, which is usual where there are none (Windows). `alerts` sends them to the
    addresses in the environment's SOAKBENCH_ALERTS.
    """
    if link not in LINKS:
        raise RequestError(f"--link is one of {', '.join(LINKS)}, not {link!r}")
    played = scenario(name, seed, warm_up_min=warm_up_min, soak_min=soak_min)
    files = Files(out)
    files.make_room(force=force)
    say(f"{name}: {played.says}")
    with served(lambda: app.create_app(files.store, setups=out), viewer, say) as stay:
        line = Line(link, scans_per_s or SCANS_PER_S[link], speed, over == "socket" or not HAS_PTY)
        ends_with_plan = viewer is None or link != "lines"
        sent = ALERTS if alerts else ""
        soak_id = soak(played, files.store, line, ends_with_plan, say, progress, tables=sent)
        if soak_id is None:
            raise KeyboardInterrupt
        document = write_results(files, soak_id)
        say(f"{document['soak']['says']} The report is {files.report}")
        if Reader(files.store).soak(soak_id).how == "finished":
            stay()
    return document


def write_results(files: Files, soak_id: int) -> dict[str, Any]:
    """Write the soak's verdict, report, log and set-up into the folder; return the verdict."""
    reader = Reader(files.store)
    soak = reader.soak(soak_id)
    document = soak.verdict if soak.verdict is not None else judge.judge_soak(reader, soak_id)
    write_json(document, str(files.judge), force=True)
    export_log(reader, soak_id, files.log, setup_path=files.setup, force=True)
    report.write_report(reader, soak_id, files.report, clock=SystemClock(), force=True)
    return document


@dataclass(frozen=True)
class Line:
    """The line to the simulated board: what it speaks, how often, how fast, and whether over a socket."""

    link: str
    scans_per_s: float
    speed: float
    socket: bool


def soak(
    played: Scenario,
    store: Path,
    line: Line,
    ends_with_plan: bool,
    say: Callable[[str], None],
    seen: Callable[[float], None],
    *,
    clock: Clock | None = None,
    kind: str = AS_LEFT,
    job_id: int | None = None,
    tables: str = "",
) -> int | None:
    """Run the daemon on the simulated DAQ until the soak ends; return its number.

    `tables` of TOML are added to the set-up.
    """
    text = played.setup_text(scans_per_s=line.scans_per_s, link=line.link) + tables
    with board(played, line) as port:
        return measure(
            text,
            port,
            store,
            line.speed,
            ends_with_plan=ends_with_plan,
            say=say,
            seen=seen,
            marks=played.marks,
            clock=clock,
            kind=kind,
            job_id=job_id,
        )


@contextmanager
def board(played: Scenario, line: Line) -> Iterator[str]:
    """Keep the simulated DAQ running in a process of its own; yields the name of its port."""
    with tempfile.TemporaryDirectory(prefix="soakbench-demo-") as folder:
        port = Path(folder) / "bench-daq"
        command = [sys.executable, "-m", "logger.simulator.terminal", played.name]
        options: dict[str, object] = {
            "--seed": played.seed,
            "--link": line.link,
            "--scans-per-s": line.scans_per_s,
            "--speed": line.speed,
            "--port-link": port,
            "--warm-up-min": played.warm_up_min,
            "--soak-min": played.soak_min,
        }
        if played.past.day:
            options["--day"] = played.past.day
        if line.link == "lines":
            del options["--scans-per-s"]  # it is told
        if line.socket:
            options["--socket"] = 0
        command += [str(part) for pair in options.items() for part in pair]
        if played.past.refitted:
            command += ["--refitted", *(str(pair + 1) for pair in played.past.refitted)]
        if played.past.aged:
            command += ["--aged", *(f"{pair + 1}:{share}" for pair, share in played.past.aged)]
        # A session of its own: Ctrl-C is for the daemon, which ends the board when the soak is closed.
        command.append("--with-parent")
        board = subprocess.Popen(command, stdin=subprocess.DEVNULL, start_new_session=True)
        try:
            _wait_for(port, board)
            yield port.read_text(encoding="ascii") if line.socket else str(port)
        finally:
            board.terminate()
            try:
                board.wait(_PATIENCE_S)
            except subprocess.TimeoutExpired:
                board.kill()
                board.wait()


def _wait_for(port: Path, board: subprocess.Popen[bytes]) -> None:
    """Wait until the simulated DAQ has made its port."""
    clock = SystemClock()
    while not port.exists():
        if board.poll() is not None:
            raise SoakbenchError("the simulated DAQ ended before it had made its port: see its message above")
        clock.sleep(0.02)


@contextmanager
def served(
    pages: Callable[[], Dash],
    viewer: Viewer | None,
    say: Callable[[str], None],
    page: str = "",
    *,
    what: str = "the dashboard",
) -> Iterator[Callable[[], None]]:
    """Serve a dashboard meanwhile, to begin with at `page`; yields what keeps it up until Ctrl-C."""
    if viewer is None:
        yield lambda: None
        return
    try:
        server = app.make_server(pages())
    except RequestError:  # the usual port is taken: any other will do for a demo
        server = app.make_server(pages(), port=0)
    thread = threading.Thread(target=server.run, name="dashboard", daemon=True)
    thread.start()
    address = f"http://{server.effective_host}:{server.effective_port}/{page}"
    say(f"{what} is at {address}")
    if viewer.browser and not webbrowser.open(address):
        say("no browser could be opened: open that address yourself")

    def stay() -> None:
        say("the dashboard stays up until Ctrl-C")
        before = signal.signal(signal.SIGTERM, signal.default_int_handler)
        try:
            thread.join()
        except KeyboardInterrupt:
            say("stopped")
        finally:
            signal.signal(signal.SIGTERM, before)

    try:
        yield stay
    finally:
        server.close()
