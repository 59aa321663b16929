"""The commands of more than one bench: across, benches, collect, tokens."""

from __future__ import annotations

import signal
import threading
from pathlib import Path
from typing import Annotated

import typer

from logger.cli import Force, Json, Store, open_store, warn
from logger.errors import RequestError

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.callback()
def _commands() -> None:
    """Keep each command a command, also where a module has only one."""


Config = Annotated[
    Path, typer.Argument(metavar="CONFIG", help="The benches and the database (TOML, docs/files.md).")
]


@app.command()
def benches(config: Config, json_to: Json = None, force: Force = False) -> int:
    """Run the daemon of each bench that has a setup, each in a process of its own, until all have ended.

    One that dies is started again and goes on with its soak; the others don't notice. What a daemon says
    comes with its bench's name in front, and stands in its log beside its store, STORE.log. Ctrl-C ends all.

    Example: soakbench benches shop.toml
    """
    from logger import run_benches, tables
    from logger.benches import load

    if json_to not in (None, "-"):
        tables.refuse_to_overwrite(Path(json_to), force=force)
    attendant = run_benches.Attendant(run_benches.tasks_of(config, load(config)), warn)
    with run_benches.stopped_by_signals(attendant.ask_to_stop):
        ended = attendant.run()
    tables.answer([tables.benches_table(ended)], tables.benches_document(ended), json_to, force=force)
    return run_benches.exit_code(ended)


@app.command()
def collect(
    config: Config,
    once: Annotated[bool, typer.Option("--once", help="One round, then end.")] = False,
    prepare: Annotated[
        bool,
        typer.Option("--prepare", help="Make or update tables, roles and rights, as the owner; then end."),
    ] = False,
) -> int:
    """Bring the stores of several benches into one PostgreSQL database, until Ctrl-C; reads them only.

    Example: soakbench collect shop.toml --once
    """
    from logger import collect as collecting
    from logger.benches import load
    from logger.store.collected import Collected

    wanted = load(config)
    if wanted.database is None:
        raise RequestError(
            f'{config} names no database to collect into: add database = "postgresql://..." on top'
        )
    into = Collected(wanted.database)
    if prepare:
        into.prepare()
        print(f"{into.name} is prepared")
        return 0
    into.check()
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    sources = collecting.benches_of(wanted)
    said: dict[str, tuple[str, ...]] = {}

    def say(came: collecting.Came) -> None:
        """Say what came, and what is wrong once until it changes."""
        if came.soaks or came.rows:
            print(came, flush=True)
        if came.wrong != said.get(came.bench, ()):
            said[came.bench] = came.wrong
            for sentence in came.wrong:
                warn(f"{came.bench}: {sentence}")

    while True:
        came = collecting.collect_round(sources, into, stop, say)
        if once:
            return 3 if any(one.wrong for one in came) else 0
        if stop.wait(wanted.every_s):
            return 0


@app.command()
def tokens(
    what: Annotated[str, typer.Argument(metavar="[new|revoke]", show_default=False)] = "",
    name: Annotated[str, typer.Argument(metavar="NAME", show_default=False)] = "",
    db: Store = None,
) -> int:
    """Say who may collect this store over the network; make a token for somebody, or revoke it.

    A token is shown once: put it into a file of the collector's, for its eyes only.

    Example: soakbench tokens new shop
    """
    from logger.clock import SystemClock
    from logger.store.reader import file_of
    from logger.store.tokens import Tokens

    known = Tokens(file_of(db))
    match what, name:
        case "", "":
            print(*(f"{who}, made {made}" for who, made in known.made().items()), sep="\n")
        case "new", str() if name:
            print(known.new(name, SystemClock()))
        case "revoke", str() if name:
            known.revoke(name)
            print(f"{name} collects no more from {file_of(db)}")
        case _:
            raise RequestError("say tokens, tokens new NAME, or tokens revoke NAME")
    return 0


@app.command()
def across(
    what: Annotated[str, typer.Argument(metavar="valves|amp|benches", show_default=False)],
    amp: Annotated[
        str, typer.Argument(metavar="[AMP]", help="An amp's name, or the number of one of its soaks.")
    ] = "last",
    hours: Annotated[
        float, typer.Option(metavar="H", help="So many hours of use a failure counts as early.")
    ] = 24.0,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Say what only many soaks show: valves by batch, an amp over its visits, benches against each other.

    Each figure has its 95 % interval; where there is too little to give one, it says what is needed.

    Example: soakbench across valves

    Example: soakbench across amp "Theatre PA 240 W"

    Example: soakbench across benches --db postgresql://viewer@db.shop/soakbench
    """
    from logger import across as looking
    from logger import across_tables, compare, tables

    reader = open_store(db)
    found = looking.shop(reader)
    match what:
        case "valves":
            document = looking.valves(found, hours)
        case "benches":
            document = looking.benches(found)
        case "amp":
            which = looking.named(found, amp)
            soaks = looking.visits_of(found, which)
            document = looking.amp(found, which, [compare.visit(reader, one.id) for one in soaks])
        case _:
            raise RequestError(f"say across valves, across amp or across benches, not across {what}")
    tables.answer(across_tables.parts(document), document, json_to, force=force)
    return 0
