"""The commands archive, compact and thin."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logger.cli import Store, open_store, progress_bar, soak_number, warn
from logger.errors import RequestError, StoreError

Shrink = Annotated[bool, typer.Option("--shrink", help="Then give the room to the disk; no daemon may run.")]

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
    restore: Annotated[
        Path | None,
        typer.Option(
            "--restore", metavar="DIR", help="Bring thinned soaks' scans back instead.", show_default=False
        ),
    ] = None,
    db: Store = None,
) -> int:
    """Keep soaks as Parquet files, one a soak, by bench and month: all that is needed to judge them again.

    What is in the archive already is left alone, so that a second run adds what is new. A soak that has not
    ended is left out. docs/files.md has the layout. --verify holds every file against its manifest and, scan
    by scan, against the store where that has the soak; exit code 1 where something is wrong. --restore undoes
    what `soakbench thin` did to the soaks named, while no daemon writes to the store.

    Example: soakbench archive --out /srv/archive

    Example: soakbench archive --verify /srv/archive

    Example: soakbench archive --restore /srv/archive 12
    """
    from logger import archive as archiving
    from logger.store.reader import Reader, default_store, file_of

    wanted = [one for one in (out, verify, restore) if one is not None]
    if len(wanted) != 1 or (verify is not None and soaks) or (restore is not None and not soaks):
        raise RequestError(
            "say archive --out DIR [SOAK...], archive --verify DIR, or archive --restore DIR SOAK..."
        )
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
    reader = open_store(db)
    chosen = reader.soaks() if not soaks else [reader.soak(soak_number(name)) for name in soaks]
    if restore is not None:
        from logger import thin as thinning

        with progress_bar("reading") as seen:
            for soak in chosen:
                thinning.restore(file_of(db).expanduser().absolute(), restore, soak, seen)
                print(f"soak {soak.id} has all its {soak.scans:,} scans again", flush=True)
        return 0
    assert out is not None
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


@app.command()
def compact(
    soaks: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="SOAK...", help="Soaks by number, or last; default all that ended.", show_default=False
        ),
    ] = None,
    shrink: Shrink = False,
    db: Store = None,
) -> int:
    """Keep every scan of soaks that have ended, in less than half the room.

    Scans are rewritten by the minute, deflated, and read back before the old ones go. Nothing shows otherwise
    than before, only a soakbench older than this one can't read the store. A daemon may go on writing to it
    meanwhile. A soak that can't be read is left as it is, and makes the exit code 1.

    Example: soakbench compact

    Example: soakbench compact 12 --shrink
    """
    from logger.clock import SystemClock
    from logger.store import thinning
    from logger.store.reader import default_store, file_of, is_address

    if is_address(db or default_store()):
        raise RequestError(
            "a database's scans stay as they were collected: name the file of a bench's own store with --db"
        )
    reader, path = open_store(db), file_of(db).expanduser().absolute()
    chosen = (
        [reader.soak(soak_number(name)) for name in soaks]
        if soaks
        else [soak for soak in reader.soaks() if soak.ended is not None]
    )
    before = after = failed = 0
    with progress_bar("compacting") as seen:
        for soak in chosen:
            try:
                was, now = thinning.compact(path, soak, SystemClock(), seen)
            except StoreError as error:
                failed += 1
                warn(str(error))
                continue
            before, after = before + was, after + now
            if was:
                print(f"soak {soak.id}: {was / 1e6:.1f} MB of scans became {now / 1e6:.1f} MB", flush=True)
            elif soaks:
                warn(f"soak {soak.id} is compact already, or has no scans")
    print(f"{(before - after) / 1e6:.1f} MB in the store's file are free for the next soaks.")
    _say_room(path, shrink=shrink, freed=before > after)
    return 1 if failed else 0


@app.command()
def thin(
    older_than: Annotated[
        int, typer.Option("--older-than", metavar="MONTHS", min=1, help="Soaks that ended so long ago.")
    ],
    archive: Annotated[
        Path, typer.Option("--archive", metavar="DIR", help="The archive that has all of their scans.")
    ],
    do_it: Annotated[
        bool, typer.Option("--do-it/--dry-run", help="Take them out; without it, only say what would go.")
    ] = False,
    shrink: Shrink = False,
    db: Store = None,
) -> int:
    """Take the scans of old soaks out of the store, but for the minutes around findings.

    Only those whose file in the archive is read back now and found to be what the store has. Verdict,
    findings, marks and roll-ups stay, and so do charts, reports and comparisons; what needs single scans says
    where they are. A daemon may go on writing to the store meanwhile.

    Example: soakbench thin --older-than 24 --archive /srv/archive

    Example: soakbench thin --older-than 24 --archive /srv/archive --do-it
    """
    from logger import tables
    from logger import thin as thinning
    from logger.clock import SystemClock
    from logger.store.reader import default_store, file_of, is_address

    if is_address(db or default_store()):
        raise RequestError(
            "a database is thinned by its owner, by whole partitions, as docs/files.md says: name the file "
            "of a bench's own store with --db"
        )
    if shrink and not do_it:
        raise RequestError("--shrink goes with --do-it: nothing would be thinned without it")
    path, clock = file_of(db).expanduser().absolute(), SystemClock()
    before = thinning.months_before(clock.wall(), older_than)
    gone = size = 0
    with progress_bar("reading") as seen:
        for one in thinning.thin(path, archive, before, clock, really=do_it, progress=seen):
            what = f"soak {one.soak.id}, {one.soak.amp}, of {one.soak.started:%Y-%m-%d}"
            if one.stays:
                print(f"{what}: stays, {one.stays}", flush=True)
                continue
            gone, size = gone + 1, size + one.bytes
            findings = "1 finding" if one.findings == 1 else f"{one.findings} findings"
            print(
                f"{what}: {one.scans:,} scans, {one.bytes / 1e6:.1f} MB {'went' if do_it else 'would go'}; "
                f"{tables.duration(one.kept_s)} around {findings} and all roll-ups stay",
                flush=True,
            )
    soaks = "1 soak" if gone == 1 else f"{gone} soaks"
    if not do_it:
        print(f"{soaks}, {size / 1e6:.1f} MB would go. Nothing was changed: --do-it takes them out.")
        return 0
    print(f"{soaks} thinned: {size / 1e6:.1f} MB in the store's file are free for the next ones.")
    _say_room(path, shrink=shrink, freed=gone > 0)
    return 0


def _say_room(path: Path, *, shrink: bool, freed: bool) -> None:
    """Give the room in a store's file to the disk where that is wanted, and say so, else where it stays."""
    from logger.store import thinning

    if shrink:
        print(f"The file is {thinning.shrink(path) / 1e6:.1f} MB smaller.")
    elif freed:
        print("The file stays as large as it is; --shrink gives its room back, while no daemon runs.")
