"""The commands of more than one bench: collect."""

from __future__ import annotations

import signal
import threading
from pathlib import Path
from typing import Annotated

import typer

from logger.cli import warn

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.callback()
def _commands() -> None:
    """Keep each command a command, also where a module has only one."""


@app.command()
def collect(
    config: Annotated[
        Path, typer.Argument(metavar="CONFIG", help="The database and the benches (TOML, docs/files.md).")
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
    from logger.store.collected import Collected

    wanted = collecting.load(config)
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
