"""Several benches' daemons on this machine: each a process of its own, started again where it dies.

Nothing of one bench waits for another's. A daemon has a session of its own: Ctrl-C reaches it through here
alone, and where this process is killed it goes on measuring.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal, TypeVar

from logger import check, setup
from logger.benches import Benches, BenchOfMany
from logger.clock import Clock, SystemClock
from logger.errors import Fault, RequestError, SetupError, StoreError
from logger.setup import Setup
from logger.store import sqlite
from logger.store.reader import Reader, Soak
from logger.voice import Voice

T = TypeVar("T", bound=Hashable)

FIRST_PAUSE_S: Final = 1.0
LONGEST_PAUSE_S: Final = 60.0
WELL_S: Final = 60.0
"""Whoever ran so long is started again at once."""
PATIENCE_S: Final = 120.0
"""How long a daemon may take to end: it tries for a minute to store the verdict."""
_LOOK_S: Final = 0.2
_WRONG_REQUEST: Final = 2
_NOT_AGAIN: Final = (0, _WRONG_REQUEST)

_SESSION: dict[str, Any] = (
    {"start_new_session": True}
    if os.name == "posix"
    else {"creationflags": getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)}
)

_END: Final[int] = signal.SIGTERM if os.name == "posix" else getattr(signal, "CTRL_BREAK_EVENT", 1)

How = Literal["ended", "stopped", "wrong request", "broken off", "ran already"]


@dataclass(frozen=True)
class Task:
    """A daemon that is to run: of which bench, by what command, into which store; `armed`: its cut-out."""

    name: str
    command: tuple[str, ...]
    store: Path
    log: Path
    armed: bool = False


@dataclass(frozen=True)
class Ended:
    """How a bench ended: `code` of its last process, None where it was not started; `starts` of it.

    `soak`: the number in its store of the soak that was measured, `verdict` its statement; None where none.
    """

    name: str
    how: How
    code: int | None
    starts: int
    store: Path
    log: Path
    soak: int | None = None
    verdict: str | None = None


def tasks_of(config: Path, wanted: Benches) -> list[Task]:
    """Return what is to run of a file's benches; RequestError says all that speaks against it at once."""
    chosen = [one for one in wanted.bench if one.setup is not None]
    if not chosen:
        raise RequestError(
            f'no bench of {config} has a setup: give those that are to run setup = "FILE.toml"'
        )
    faults: list[str] = []
    read: list[tuple[BenchOfMany, Setup]] = []
    for one in chosen:
        try:
            read.append((one, _setup_of(one)))
        except RequestError as error:
            faults.append(f"{one.name}: {error}")
    faults += _clashes(wanted, read)
    if faults:
        lines = "".join(f"\n  {fault}" for fault in faults)
        raise RequestError(f"{config} can't be run, and no bench was started:{lines}")
    return [_task(one, found) for one, found in read]


def pause_after(last_s: float, ran_s: float, first_s: float = FIRST_PAUSE_S) -> float:
    """Return how long to wait before starting again what ran for `ran_s` after a pause of `last_s`."""
    return first_s if ran_s >= WELL_S or not last_s else min(2 * last_s, LONGEST_PAUSE_S)


def exit_code(ended: Sequence[Ended]) -> int:
    """Return 0 where each bench ended well, 2 where a request was wrong, else 3."""
    hows = {one.how for one in ended}
    if "wrong request" in hows:
        return _WRONG_REQUEST
    return 0 if hows <= {"ended", "stopped"} else 3


@contextmanager
def stopped_by_signals(ask: Callable[[], object]) -> Iterator[None]:
    """Have Ctrl-C and SIGTERM ask for an end meanwhile, each time they come."""
    numbers = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGBREAK") if hasattr(signal, name)]
    before = {number: signal.signal(number, lambda *_: ask()) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class Attendant:
    """Keeps daemons running until each has ended or `ask_to_stop` was called.

    `say` gets a sentence at a time, by one thread: where it hangs (a terminal that is held up) no daemon and
    no other bench does.
    """

    def __init__(
        self,
        tasks: Sequence[Task],
        say: Callable[[str], None],
        *,
        first_pause_s: float = FIRST_PAUSE_S,
        patience_s: float = PATIENCE_S,
        clock: Clock | None = None,
    ) -> None:
        self._tasks = tasks
        self._voice = Voice(say)
        self._first_pause_s = first_pause_s
        self._patience_s = patience_s
        self._clock = clock or SystemClock()
        self._asked = 0
        self._stop = threading.Event()
        self._lock = threading.Lock()  # so that none is started after those that run were asked to stop
        self._running: dict[str, subprocess.Popen[bytes]] = {}

    def ask_to_stop(self) -> None:
        """Have each daemon end cleanly; called again, at once. May be called from a signal handler."""
        self._asked += 1

    def run(self) -> list[Ended]:
        """Start the daemons and attend to them; return how each ended, in their order."""
        with self._voice, ThreadPoolExecutor(len(self._tasks), thread_name_prefix="bench") as pool:
            done = [pool.submit(self._attend, task) for task in self._tasks]
            self._wait_for(done)
        return [one.result() for one in done]

    def _wait_for(self, done: Sequence[Future[Ended]]) -> None:
        heeded, until_s = 0, float("inf")
        while not all(one.done() for one in done):
            self._clock.sleep(_LOOK_S)
            if self._asked > heeded:
                if not heeded:
                    until_s = self._clock.monotonic_s() + self._patience_s
                    self._end_all()
                else:
                    self._hurry()
                heeded = self._asked
            if self._clock.monotonic_s() > until_s:
                until_s = float("inf")
                self._give_up()

    def _end_all(self) -> None:
        with self._lock:
            self._stop.set()
            running = dict(self._running)
        armed = [task.name for task in self._tasks if task.armed and task.name in running]
        if armed:
            opens = "a cut-out that is closed opens now, and with it the mains goes off"
            self._voice.say(f"stopping: at {_listed(armed)} {opens}")
        if running:
            self._voice.say(
                f"stopping {_listed(running)}: each soak is closed; Ctrl-C again ends them at once"
            )
        for process in running.values():
            _ask(process)

    def _hurry(self) -> None:
        with self._lock:
            running = dict(self._running)
        if running:
            self._voice.say(f"ending {_listed(running)} at once: what has no end can be gone on with")
        for process in running.values():
            _ask(process)  # a daemon takes the second one so

    def _give_up(self) -> None:
        with self._lock:
            running = dict(self._running)
        for name, process in running.items():
            self._voice.say(f"{name} did not end within {self._patience_s:g} s and is killed")
            process.kill()

    def _attend(self, task: Task) -> Ended:
        try:
            return self._run_one(task)
        except StoreError as error:
            self._voice.say(f"{task.name} is not run: {error}")
            return Ended(task.name, "broken off", None, 0, task.store, task.log)
        except Exception as error:
            self._voice.say(f"{task.name} is attended to no more: a fault in soakbench itself ({error!r})")
            raise

    def _run_one(self, task: Task) -> Ended:
        """Run one bench's daemon, again and again where it dies."""
        before = newest(task.store)
        if sqlite.daemon_runs(task.store):
            self._voice.say(
                f"{task.name} is left alone: a soakbench that runs already writes to its store {task.store}"
            )
            return Ended(task.name, "ran already", None, 0, task.store, task.log)
        starts, pause_s, code = 0, 0.0, None
        while True:
            began_s = self._clock.monotonic_s()
            try:
                process = self._started(task)
                if process is None:
                    break
                starts += 1
                code = self._follow(task, process)
                why = _why(code)
            except OSError as error:
                why = f"can't be started ({error.strerror or error})"
            if code in _NOT_AGAIN or self._stop.is_set():
                break
            pause_s = pause_after(pause_s, self._clock.monotonic_s() - began_s, self._first_pause_s)
            cutout = (
                "; a cut-out that was closed opens, and stays open until its button is pressed"
                if task.armed
                else ""
            )
            self._voice.say(
                f"{task.name} {why} and is started again in {pause_s:g} s: see {task.log}{cutout}"
            )
            if self._stop.wait(pause_s):
                break
        how = self._how(task, code)
        soak, verdict = _measured(task.store, before)
        return Ended(task.name, how, code, starts, task.store, task.log, soak, verdict)

    def _started(self, task: Task) -> subprocess.Popen[bytes] | None:
        with self._lock:
            if self._stop.is_set():
                return None
            task.log.parent.mkdir(parents=True, exist_ok=True)
            ours, theirs = os.pipe()
            try:
                if os.name == "posix":
                    os.set_blocking(theirs, False)  # where nobody reads here, the daemon must not wait
                process = subprocess.Popen(
                    task.command,
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    stderr=theirs,
                    env=_environment(),
                    **_SESSION,
                )
            except OSError:
                os.close(ours)
                raise
            finally:
                os.close(theirs)
            process.stderr = open(ours, "rb")  # noqa: SIM115, PTH123 - closed by who follows it
            self._running[task.name] = process
        self._voice.say(f"{task.name} is process {process.pid}; its log is {task.log}")
        return process

    def _follow(self, task: Task, process: subprocess.Popen[bytes]) -> int:
        """Pass on what a daemon says until it ends; return its exit code."""
        assert process.stderr is not None
        with process.stderr as lines:
            for line in lines:
                text = line.decode(errors="replace").rstrip().removeprefix("soakbench: ")
                self._voice.say(f"{task.name}: {text}")
        code = process.wait()
        with self._lock:
            del self._running[task.name]
        return code

    def _how(self, task: Task, code: int | None) -> How:
        if code == _WRONG_REQUEST:
            self._voice.say(f"{task.name} is not started again: what was wrong is said above")
            return "wrong request"
        if code in (None, 0):
            return "stopped" if self._stop.is_set() else "ended"
        return "broken off"


def _setup_of(bench: BenchOfMany) -> Setup:
    """Read a bench's set-up as `run` would; RequestError names every fault."""
    assert bench.setup is not None
    text = setup.read_text(bench.setup)
    found = setup.parse(text, path=str(bench.setup))
    faults = check.live_faults(found)
    if found.link.kind == "simulator":
        faults.append(Fault("link.kind", "a kind that has a device", "simulator"))
    if faults:
        raise SetupError(str(bench.setup), setup.in_lines(faults, text))
    return found


def _clashes(wanted: Benches, read: Sequence[tuple[BenchOfMany, Setup]]) -> Iterator[str]:
    """Say what several benches would have in common that each needs for itself."""
    for path, names in _shared((one.store.resolve(), one.name) for one in wanted.bench if one.store):
        yield f"{names} have one store, {path}: each needs a store of its own"
    ports = (
        (os.path.realpath(port) if Path(port).exists() else port, one.name)
        for one, found in read
        if (port := found.link.port) != "auto"
    )
    for port, names in _shared(ports):
        yield f"{names} have one port, {port}: each needs a DAQ of its own"
    found_by_id = [(one.name, found.link.board) for one, found in read if found.link.port == "auto"]
    if len(read) > 1:
        for name, board in found_by_id:
            if board is None:
                yield (
                    f'{name}: with several benches port = "auto" finds any of their DAQs: add '
                    'board = "..." to [link] (`soakbench ports` says which there are), or name the port'
                )
    for board, names in _shared((board, name) for name, board in found_by_id if board is not None):
        yield f"{names} have one DAQ, {board}: each needs one of its own"
    topics = (
        ((found.mqtt.host, found.mqtt.topic, found.bench.name), one.name) for one, found in read if found.mqtt
    )
    for (_, _, name), names in _shared(topics):
        yield f"{names} have one name at their MQTT broker, {name}: give each another [bench] name"


def _shared(pairs: Iterable[tuple[T, str]]) -> Iterator[tuple[T, str]]:
    """Give what several have, with their names."""
    names: dict[T, list[str]] = {}
    for what, name in pairs:
        names.setdefault(what, []).append(name)
    for what, having in names.items():
        if len(having) > 1:
            yield what, _listed(having)


def _task(bench: BenchOfMany, found: Setup) -> Task:
    assert bench.store is not None
    store = bench.store.absolute()
    log = Path(f"{store}.log")
    # by its file: whatever lies in the folder where this is called, it is the same soakbench
    program = Path(__file__).parents[1] / "soakbench.py"
    command = (sys.executable, str(program), "run", str(bench.setup), "--wait")
    return Task(bench.name, (*command, "--db", str(store), "--log-file", str(log)), store, log, found.armed)


def _environment() -> dict[str, str]:
    """Return a daemon's environment: a service manager that started this process hears of it alone."""
    return {
        name: value
        for name, value in os.environ.items()
        if name not in ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")
    }


def _ask(process: subprocess.Popen[bytes]) -> None:
    """Ask a process to end; the second time a daemon ends at once."""
    with suppress(ProcessLookupError):
        process.send_signal(_END)


def _why(code: int) -> str:
    if code >= 0:
        return f"ended with exit code {code}"
    try:
        return f"was killed by {signal.Signals(-code).name}"
    except ValueError:
        return f"was killed by signal {-code}"


def newest(store: Path) -> Soak | None:
    """Return a store's newest soak, None where there is none yet."""
    if not store.exists():
        return None
    try:
        return Reader(store).soak("last")
    except RequestError:
        return None
    except StoreError:  # whoever opens it to write says what is wrong, or brings it up to date
        return None


def _measured(store: Path, before: Soak | None) -> tuple[int | None, str | None]:
    """Return the number and the verdict of the soak that a daemon measured, after `before` or as its rest."""
    soak = newest(store)
    if soak is None or (before is not None and soak.uuid == before.uuid and before.ended is not None):
        return None, None
    return soak.id, soak.verdict["soak"]["verdict"] if soak.verdict else None


def _listed(names: Iterable[str]) -> str:
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last
