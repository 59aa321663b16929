"""The commands of more than one bench: collect, tokens."""

from __future__ import annotations

import signal
import threading
from pathlib import Path
from typing import Annotated

import typer

from logger.cli import Store, warn
from logger.errors import RequestError

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.callback()
def _commands() -> None:
    """Keep each command a command, also where a module has only one."""


@app.command()
def collect(
    config: Annotated[
        Path, typer.Argument(metavar="CONFIG", help="The benches and the database (TOML, docs/files.md).")
    ],
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
    benches = collecting.benches_of(wanted)
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
        came = collecting.collect_round(benches, into, stop, say)
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
