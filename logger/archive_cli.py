"""The command archive."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logger.cli import Store, open_store, progress_bar, soak_number, warn
from logger.errors import RequestError

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.callback()
def _commands() -> None:
    """Keep each command a command, also where a module has only one."""


@app.command()
def archive(
    soaks: Annotated[
        list[str] | None,
        typer.Argument(metavar="SOAK...", help="Soaks by number, or last; default all.", show_default=False),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="DIR", help="The archive's folder, made if need be.", show_default=False
        ),
    ] = None,
    verify: Annotated[
        Path | None,
        typer.Option(
            "--verify", metavar="DIR", help="Read an archive back instead, all of it.", show_default=False
        ),
    ] = None,
    db: Store = None,
) -> int:
    """Keep soaks as Parquet files, one a soak, by bench and month: all that is needed to judge them again.

    What is in the archive already is left alone, so that a second run adds what is new. A soak that has not
    ended is left out. docs/files.md has the layout. --verify holds every file against its manifest and, scan
    by scan, against the store where that has the soak; exit code 1 where something is wrong.

    Example: soakbench archive --out /srv/archive

    Example: soakbench archive --verify /srv/archive
    """
    from logger import archive as archiving
    from logger.store.reader import Reader, default_store

    if (out is None) == (verify is None) or (verify is not None and soaks):
        raise RequestError("say archive --out DIR [SOAK...], or archive --verify DIR")
    if verify is not None:
        store = Reader(db or default_store())
        reader = store if db is not None or store.exists() else None
        with progress_bar("reading") as seen:
            found = archiving.verify(verify, reader, seen)
        for sentence in (*found.wrong, *found.remarks):
            warn(sentence)
        word = "The archive is whole" if found.whole else f"Something is wrong, {len(found.wrong)} of it"
        held = "held against no store" if reader is None else f"{found.compared:,} held against the store"
        print(f"{word}: {found.soaks:,} soaks, {found.scans:,} scans; {held}.")
        return 0 if found.whole else 1
    assert out is not None
    reader = open_store(db)
    chosen = reader.soaks() if not soaks else [reader.soak(soak_number(name)) for name in soaks]
    failed = 0
    with progress_bar("archiving") as seen:
        for one in archiving.archive(reader, chosen, out, seen):
            failed += one.became == "failed"
            if one.became == "archived":
                print(f"soak {one.soak_id}: {one.says}: {out / one.file}", flush=True)
            elif one.became != "there already":
                warn(f"soak {one.soak_id}: {one.became}, {one.says}")
            elif soaks:
                warn(f"soak {one.soak_id} is there already: {out / one.file}")
    return 1 if failed else 0
