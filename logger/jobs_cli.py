"""The commands jobs and valves: the job record by hand. Options in, exit code out.

What an option doesn't say is asked where there is a person at a terminal, and only in `new` and `edit`.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.cli import Force, Json, Store, open_store, person, progress_bar, soak_number, warn
from logger.errors import RequestError

if TYPE_CHECKING:
    from logger.jobs import ChecklistItem, Fitting, Hours, Job
    from logger.setup import Setup
    from logger.store.reader import Reader
    from logger.store.record import Record

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)
jobs_app = typer.Typer(add_completion=False, rich_markup_mode=None, invoke_without_command=True)
valves_app = typer.Typer(add_completion=False, rich_markup_mode=None, invoke_without_command=True)
app.add_typer(jobs_app, name="jobs")
app.add_typer(valves_app, name="valves")

JobName = Annotated[str, typer.Argument(metavar="JOB", help="A job's number, or last.")]
By = Annotated[
    str | None,
    typer.Option("--by", metavar="NAME", help="Who does it; else SOAKBENCH_BY, else this machine's user."),
]
At = Annotated[
    str | None,
    typer.Option(
        "--at", metavar="TIME", help="When, as 2026-03-02T14:30 (UTC unless it says its zone); now."
    ),
]
Seen = Annotated[
    int | None,
    typer.Option("--seen", metavar="V", help="The version it rests on; refused if changed since."),
]


@jobs_app.callback()
def jobs(context: typer.Context, db: Store = None, json_to: Json = None, force: Force = False) -> int:
    """The job record: what came in, what was fitted and read, what was done, how it soaked.

    new, edit, show, list, close. Of a job: fit and take-out a valve, fuse, check, reading, work, remark,
    photo, soak, plan, overrule; correct, delete and restore what was entered. Nothing is ever lost: what
    was there stays in its history, and what is deleted is only marked so.

    Example: soakbench jobs new --amp "Theatre PA 240 W" --complaint "hums when hot" --shows hot

    Example: soakbench jobs show last
    """
    context.obj = db
    return _list(db, False, json_to, force) if context.invoked_subcommand is None else 0


@jobs_app.command()
def new(
    context: typer.Context,
    amp: Annotated[str | None, typer.Option(metavar="NAME", help="What the shop calls the amp.")] = None,
    amp_id: Annotated[int | None, typer.Option(metavar="ID", help="One that was here before.")] = None,
    serial: Annotated[str | None, typer.Option(metavar="TEXT", help="Its serial number.")] = None,
    rated_w: Annotated[
        float | None, typer.Option("--rated-w", metavar="W", help="Its output power, as its papers say.")
    ] = None,
    customer: Annotated[str | None, typer.Option(metavar="TEXT", help="The customer's reference.")] = None,
    complaint: Annotated[str | None, typer.Option(metavar="TEXT", help="What is said to be wrong.")] = None,
    shows: Annotated[
        str | None,
        typer.Option(metavar="WHEN", help="cold, hot, loud, after standby, when knocked; several by commas."),
    ] = None,
    condition: Annotated[str | None, typer.Option(metavar="TEXT", help="How it came in.")] = None,
    checklist: Annotated[
        str, typer.Option(metavar="NAME|FILE", help="full, retube, none, or a file of your own.")
    ] = "full",
    setup_file: Annotated[
        Path | None,
        typer.Option(
            "--setup", metavar="SETUP", help="Its set-up: names pairs and sockets on the checklist."
        ),
    ] = None,
    sharing: Annotated[
        int, typer.Option(metavar="N", min=1, help="Valves on one grid leak, for the sheet's limit.")
    ] = 1,
    received: At = None,
    by: By = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Book an amp in. On a terminal, what no option says is asked.

    Proposes the soak that the complaint asks for; `jobs plan` puts it into a set-up.

    Example: soakbench jobs new --amp "Theatre PA 240 W" --complaint "drops out" --shows "hot, loud"
    """
    from logger import check, tables
    from logger.job_tables import plan_lines

    items = _checklist(checklist, setup_file, sharing)
    said: dict[str, Any] = {
        "amp": amp if amp_id is None else amp_id,
        "serial": serial,
        "customer": customer,
        "complaint": complaint,
        "shows": shows,
        "condition": condition,
    }
    if _at_terminal():
        _ask_missing(said)
    if said["amp"] is None:
        raise RequestError('name the amp: --amp "Theatre PA 240 W", or --amp-id for one that was here before')
    from logger.jobs import shows_of

    given = {name: value for name, value in said.items() if value is not None}
    given["shows"] = shows_of(given.get("shows", ""))
    where = _where(context, db)
    number = _record(where, by).book_in(**given, rated_w=rated_w, received=_moment(received), checklist=items)
    for sentence in check.CAUTIONS:
        warn(sentence)
    if json_to is None:
        print(f"job {number} is booked in, with {len(items)} items on its checklist")
        tables.show(*plan_lines(given["shows"]))
        return 0
    return _show(where, str(number), json_to, force)


@jobs_app.command()
def edit(
    context: typer.Context,
    job: JobName,
    customer: Annotated[str | None, typer.Option(metavar="TEXT", help="The customer's reference.")] = None,
    complaint: Annotated[str | None, typer.Option(metavar="TEXT", help="What is said to be wrong.")] = None,
    shows: Annotated[str | None, typer.Option(metavar="WHEN", help="When it shows, as in new.")] = None,
    condition: Annotated[str | None, typer.Option(metavar="TEXT", help="How it came in.")] = None,
    state: Annotated[
        str | None,
        typer.Option(
            metavar="STATE",
            help="received, on the bench, soaking, waiting for parts, waiting for customer, ready.",
        ),
    ] = None,
    received: Annotated[str | None, typer.Option(metavar="TIME", help="When it came in.")] = None,
    seen: Seen = None,
    by: By = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Change a job. On a terminal without options each field is asked, Enter keeps it.

    Example: soakbench jobs edit 3 --state "waiting for parts"
    """
    said: dict[str, Any] = {
        "customer": customer,
        "complaint": complaint,
        "shows": shows,
        "condition": condition,
        "state": state,
        "received": _moment(received),
    }
    changes = {name: value for name, value in said.items() if value is not None}
    where = _where(context, db)
    number = job_number(where, job)
    if not changes and _at_terminal():
        stands = open_store(where).job(number)
        seen = stands.version if seen is None else seen
        changes = _ask_changes(stands)
    elif not changes:
        raise RequestError("say what to change: see soakbench jobs edit --help")
    version = _record(where, by).edit("job", number, seen, **changes)
    return _done(where, number, f"job {number} has version {version}", json_to, force)


@jobs_app.command()
def show(
    context: typer.Context,
    job: JobName = "last",
    history: Annotated[bool, typer.Option("--history", help="Every edit too.")] = False,
    deleted: Annotated[bool, typer.Option("--deleted", help="What was deleted too.")] = False,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Show a whole job, its verdict last.

    Example: soakbench jobs show 3 --history
    """
    return _show(_where(context, db), job, json_to, force, history=history, deleted=deleted)


@jobs_app.command("list")
def list_jobs(
    context: typer.Context,
    every: Annotated[bool, typer.Option("--all", help="Those that were collected too.")] = False,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """List the jobs that are not collected yet.

    Example: soakbench jobs list --all --json -
    """
    return _list(_where(context, db), every, json_to, force)


@jobs_app.command()
def close(
    context: typer.Context,
    job: JobName,
    by: By = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """The amp was collected; says what was left open.

    Example: soakbench jobs close 3
    """
    from logger.jobs import judge

    where = _where(context, db)
    number = job_number(where, job)
    _record(where, by).close_job(number)
    for part in judge(_whole_job(open_store(where), number)).not_seen:
        warn(f"job {number}: {part}")
    return _done(where, number, f"job {number} is closed: collected", json_to, force)


@jobs_app.command()
def fit(
    context: typer.Context,
    job: JobName,
    socket: Annotated[str, typer.Argument(metavar="SOCKET", help="As the chassis calls it: V5.")],
    valve: Annotated[str, typer.Argument(metavar="VALVE", help="Its serial or bag number.")],
    valve_type: Annotated[str, typer.Option("--type", metavar="TYPE", help="As EL34.")] = "",
    batch: Annotated[str, typer.Option(metavar="TEXT", help="Its batch.")] = "",
    seller_ma: Annotated[
        float | None, typer.Option("--seller-ma", metavar="MA", help="The seller's current.")
    ] = None,
    seller_ma_per_v: Annotated[
        float | None, typer.Option("--seller-ma-per-v", metavar="N", help="The seller's transconductance.")
    ] = None,
    seller_note: Annotated[str, typer.Option(metavar="TEXT", help="At which volts, as 250 V, -13.5 V.")] = "",
    found: Annotated[bool, typer.Option("--found", help="It sat there when the amp came in.")] = False,
    why: Annotated[str, typer.Option(metavar="TEXT", help="Why the one before came out.")] = "",
    at: At = None,
    by: By = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Put a valve into a socket; what sat there comes out.

    Example: soakbench jobs fit 3 V5 "bag 12" --type EL34 --seller-ma 38 --why "crackled when tapped"
    """
    where = _where(context, db)
    number = job_number(where, job)
    _record(where, by).fit_valve(
        number,
        socket,
        valve,
        valve_type=valve_type,
        batch=batch,
        seller_a=_thousandth(seller_ma),
        seller_s=_thousandth(seller_ma_per_v),
        seller_note=seller_note,
        found=found,
        when=_moment(at),
        why=why,
    )
    return _done(where, number, f"{valve} sits in {socket}", json_to, force)


@jobs_app.command("take-out")
def take_out(
    context: typer.Context,
    job: JobName,
    socket: Annotated[str, typer.Argument(metavar="SOCKET", help="As the chassis calls it: V5.")],
    why: Annotated[str, typer.Option(metavar="TEXT", help="Why.")] = "",
    at: At = None,
    by: By = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Take a valve out, its socket stays empty.

    Example: soakbench jobs take-out 3 V5 --why "glass cracked"
    """
    where = _where(context, db)
    number = job_number(where, job)
    _record(where, by).take_out(number, socket, why=why, when=_moment(at))
    return _done(where, number, f"{socket} is empty", json_to, force)


@jobs_app.command()
def fuse(
    context: typer.Context,
    job: JobName,
    position: Annotated[str, typer.Argument(metavar="POSITION", help="As mains, HT, bias.")],
    found: Annotated[str | None, typer.Option(metavar="TEXT", help="What was in it: T 6.3 A.")] = None,
    marked: Annotated[str | None, typer.Option(metavar="TEXT", help="What the holder says.")] = None,
    fitted: Annotated[str | None, typer.Option(metavar="TEXT", help="What is in it now.")] = None,
    by: By = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Note a fuse as found, as marked, as fitted.

    Said again, it changes what it names.

    Example: soakbench jobs fuse 3 mains --found "T 6.3 A" --marked "T 5 A" --fitted "T 5 A"
    """
    where = _where(context, db)
    number = job_number(where, job)
    _record(where, by).set_fuse(number, position, found=found, marked=marked, fitted=fitted)
    return _done(where, number, f"the {position} fuse is noted", json_to, force)


@jobs_app.command()
def check(
    context: typer.Context,
    job: JobName,
    item: Annotated[int | None, typer.Argument(metavar="ITEM", help="The item's number.")] = None,
    result: Annotated[
        str | None, typer.Argument(metavar="RESULT", help="fine, fault or does-not-apply.")
    ] = None,
    read: Annotated[
        float | None, typer.Option("--read", metavar="N", help="What was read, in the item's unit.")
    ] = None,
    note: Annotated[str, typer.Option(metavar="TEXT", help="In a few words.")] = "",
    add: Annotated[
        str | None, typer.Option(metavar="NAME|FILE", help="Add a checklist: full, retube, or a file.")
    ] = None,
    setup_file: Annotated[
        Path | None, typer.Option("--setup", metavar="SETUP", help="With --add: names pairs and sockets.")
    ] = None,
    ask: Annotated[
        bool, typer.Option("--ask", help="Go through what is open, item by item, at a terminal.")
    ] = False,
    by: By = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Show a job's checklist, or tick off an item.

    What is noted is what a person read; whether it will do is for local codes and the amp's papers to say.

    Example: soakbench jobs check 3

    Example: soakbench jobs check 3 17 fine --read 0.08 --note "to the far screw"

    Example: soakbench jobs check 3 --ask
    """
    from logger import check as checking
    from logger import tables
    from logger.job_tables import checklist_table

    where = _where(context, db)
    number = job_number(where, job)
    if add is not None:
        _record(where, by).add_checklist(number, _checklist(add, setup_file, 1))
    elif item is not None:
        if result is None:
            raise RequestError("say how it went: fine, fault or does-not-apply")
        stands = open_store(where).job(number)
        if item not in {one.id for one in stands.checklist}:
            raise RequestError(f"job {number} has no item {item}: soakbench jobs check {number} lists them")
        _record(where, by).tick_off(item, result, read, note)
        return _done(where, number, f"item {item}: {result}", json_to, force)
    if json_to is not None:
        return _show(where, str(number), json_to, force)
    for sentence in checking.CAUTIONS:
        warn(sentence)
    items = open_store(where).job(number).checklist
    if not ask:
        tables.show(checklist_table(items))
        return 0
    if not _at_terminal():
        raise RequestError("there is no terminal to ask on: name the item and how it went")
    _go_through([one for one in items if one.result is None], _record(where, by))
    return 0


@jobs_app.command()
def reading(
    context: typer.Context,
    job: JobName,
    quantity: Annotated[
        str | None,
        typer.Argument(
            metavar="QUANTITY",
            help="bias by meter, bias volts, HT, heater voltage, mains voltage, output voltage, output "
            "power, hum and noise, distortion, sense resistor, grid leak, earth continuity, insulation, or "
            "another.",
        ),
    ] = None,
    read: Annotated[
        str | None, typer.Option("--read", metavar="FIGURE", help='Value and unit: "-38.5 V", "455 ± 2 V".')
    ] = None,
    as_found: Annotated[
        bool, typer.Option("--as-found", help="Before anything was done; else it is as left.")
    ] = False,
    place: Annotated[str, typer.Option(metavar="TEXT", help="Socket, pair or winding.")] = "",
    instrument: Annotated[str, typer.Option(metavar="TEXT", help="Which meter.")] = "",
    load: Annotated[
        float | None, typer.Option("--load", metavar="OHM", help="The load, for output voltage or power.")
    ] = None,
    tap: Annotated[float | None, typer.Option("--tap", metavar="OHM", help="The tap it was on.")] = None,
    weighting: Annotated[str, typer.Option(metavar="TEXT", help="Of hum and noise: A, none.")] = "",
    bandwidth: Annotated[str, typer.Option(metavar="TEXT", help="As 20 Hz to 20 kHz.")] = "",
    least: Annotated[float | None, typer.Option(metavar="N", help="Not below, in its unit.")] = None,
    most: Annotated[float | None, typer.Option(metavar="N", help="Not above, in its unit.")] = None,
    limit_source: Annotated[str, typer.Option(metavar="TEXT", help="Who says so.")] = "",
    valve: Annotated[
        str | None, typer.Option(metavar="TYPE", help="Of a grid leak: the limit is this type's sheet's.")
    ] = None,
    bias: Annotated[str, typer.Option(metavar="NAME", help="With --valve: fixed or cathode.")] = "fixed",
    sharing: Annotated[
        int, typer.Option(metavar="N", min=1, help="With --valve: valves on this grid leak.")
    ] = 1,
    note: Annotated[str, typer.Option(metavar="TEXT", help="In a few words.")] = "",
    csv_file: Annotated[
        Path | None,
        typer.Option("--csv", metavar="FILE", help="Many at once: columns quantity,value,unit..."),
    ] = None,
    at: At = None,
    by: By = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Note what was read from an instrument. With a limit it is judged, without it is only reported.

    A csv file has a first line that names its columns: quantity, value and unit, and any of stage, place,
    uncertainty, instrument, load_ohm, tap_ohm, weighting, bandwidth, least, most, limit_source, taken, note.

    Example: soakbench jobs reading 3 "bias volts" --read "-38.5 V" --place V5 --as-found

    Example: soakbench jobs reading 3 "output voltage" --read "43.8 ± 0.4 V" --load 8 --tap 8

    Example: soakbench jobs reading 3 "grid leak" --read "220 kohm" --place V5 --valve EL34 --sharing 2

    Example: soakbench jobs reading 3 --csv readings.csv
    """
    from logger.bench_readings import read_csv, read_figure, with_sheet_limit
    from logger.jobs import AS_FOUND, AS_LEFT

    stage = AS_FOUND if as_found else AS_LEFT
    where = _where(context, db)
    number = job_number(where, job)
    if csv_file is not None:
        if quantity is not None or read is not None:
            raise RequestError("with --csv the readings are the file's: leave quantity and --read away")
        found = read_csv(_text(csv_file), stage, str(csv_file))
    elif quantity is None or read is None:
        raise RequestError('name the quantity and what was read: "bias volts" --read "-38.5 V"')
    else:
        one: dict[str, Any] = {
            "stage": stage,
            "quantity": quantity,
            "place": place,
            "instrument": instrument,
            "load_ohm": load,
            "tap_ohm": tap,
            "weighting": weighting,
            "bandwidth": bandwidth,
            "least": least,
            "most": most,
            "limit_source": limit_source,
            "note": note,
        } | read_figure(read)
        if valve is not None:
            one, limit = with_sheet_limit(one, valve, bias, sharing)
            if "most" not in one or one["most"] is None:
                warn(limit)
        if (taken := _moment(at)) is not None:
            one["taken"] = taken
        found = [one]
    made = _record(where, by).read_bench(number, found)
    noted = f"reading {made[0]} is noted" if len(made) == 1 else f"{len(made)} readings are noted"
    return _done(where, number, noted, json_to, force)


@jobs_app.command()
def work(
    context: typer.Context,
    job: JobName,
    what: Annotated[str, typer.Argument(metavar="WHAT", help="What was done.")],
    part: Annotated[str, typer.Option(metavar="TEXT", help="The part.")] = "",
    quantity: Annotated[float | None, typer.Option(metavar="N", help="How many.")] = None,
    minutes: Annotated[float | None, typer.Option(metavar="N", help="How long it took.")] = None,
    by: By = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Note work done, with its part and its time.

    Example: soakbench jobs work 3 "HT reservoirs replaced" --part "100 uF 500 V" --quantity 2 --minutes 45
    """
    where = _where(context, db)
    number = job_number(where, job)
    made = _record(where, by).add_work(number, what, part=part, quantity=quantity, minutes=minutes)
    return _done(where, number, f"work item {made} is noted", json_to, force)


@jobs_app.command()
def remark(
    context: typer.Context,
    job: JobName,
    text: Annotated[str, typer.Argument(metavar="TEXT", help="A line or more.")],
    by: By = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Note a remark.

    Example: soakbench jobs remark 3 "customer rang: needed for Friday"
    """
    where = _where(context, db)
    number = job_number(where, job)
    made = _record(where, by).remark(number, text)
    return _done(where, number, f"remark {made} is noted", json_to, force)


@jobs_app.command()
def photo(
    context: typer.Context,
    job: JobName,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A JPEG or PNG.")],
    caption: Annotated[str, typer.Option(metavar="TEXT", help="What it shows.")] = "",
    by: By = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Keep a photograph beside the store.

    Byte by byte: also the place and time that a camera wrote into it.

    Example: soakbench jobs photo 3 burnt.jpg --caption "screen resistor of V5"
    """
    where = _where(context, db)
    number = job_number(where, job)
    made = _record(where, by).attach(number, file, caption)
    return _done(where, number, f"photograph {made} is kept", json_to, force)


@jobs_app.command()
def soak(
    context: typer.Context,
    job: JobName,
    number_of_soak: Annotated[str, typer.Argument(metavar="SOAK", help="A soak's number, or last.")],
    away: Annotated[bool, typer.Option("--away", help="It is none of this job.")] = False,
    by: By = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Let a recorded soak belong to a job.

    Example: soakbench jobs soak 3 last
    """
    where = _where(context, db)
    number = job_number(where, job)
    which = open_store(where).soak(soak_number(number_of_soak)).id
    _record(where, by).give_soak(which, None if away else number)
    word = "no longer belongs" if away else "belongs"
    return _done(where, number, f"soak {which} {word} to job {number}", json_to, force)


@jobs_app.command()
def plan(
    context: typer.Context,
    job: JobName,
    setup_file: Annotated[
        Path | None, typer.Option("--setup", metavar="SETUP", help="Put it into a copy of this set-up.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="The copy.")] = None,
    db: Store = None,
    force: Force = False,
) -> int:
    """Print the soak that its complaint asks for.

    Or write a set-up with that plan.

    Example: soakbench jobs plan 3 --setup theatre.toml --out job3.toml
    """
    from logger import setup, tables
    from logger.jobs import propose_plan

    where = _where(context, db)
    proposal = propose_plan(open_store(where).job(job_number(where, job)).shows)
    for sentence in proposal.do:
        warn(sentence)
    if setup_file is None or out is None:
        if setup_file is not out:
            raise RequestError("a set-up with the plan needs both: --setup SETUP --out FILE")
        print(proposal.toml, end="")
        return 0
    tables.refuse_to_overwrite(out, force=force)
    tables.write_text(out, setup.with_plan(setup.read_text(setup_file), proposal.toml, path=str(setup_file)))
    print(out)
    return 0


@jobs_app.command()
def overrule(
    context: typer.Context,
    job: JobName,
    statement: Annotated[
        str, typer.Argument(metavar="RESULT", help="pass, conditional-pass, conditional-fail or fail.")
    ],
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why.")],
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who signs for it.")],
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Put a person's verdict over what was measured.

    Signed, dated, with a reason, and never erased. It stands until something later is there to be judged:
    a soak, a reading, a fault on the checklist.

    Example: soakbench jobs overrule 3 pass --by "the head of the workshop" --reason "pair2 is a known spare"
    """
    where = _where(context, db)
    number = job_number(where, job)
    _record(where, by).overrule(number, statement, reason)
    return _done(where, number, f"job {number}: {statement}, signed {by}", json_to, force)


What = Annotated[
    str,
    typer.Argument(
        metavar="WHAT",
        help="job, amp, valve, fitting, fuse, check, work, remark, reading or photo.",
    ),
]
Row = Annotated[int, typer.Argument(metavar="NUMBER", help="Its number, as show prints it.")]


@jobs_app.command()
def correct(
    context: typer.Context,
    what: What,
    number: Row,
    fields: Annotated[list[str], typer.Argument(metavar="FIELD=VALUE", help="Nothing after = empties it.")],
    seen: Seen = None,
    by: By = None,
    db: Store = None,
) -> int:
    """Correct what was entered.

    What was there stays in the history.

    Fields are those of `jobs show --json -`: an amp's name, serial, notes, rated_w; a valve's label, type,
    batch, seller_mA, seller_mA_per_V; a fitting's socket, fitted, removed, why_removed; and so on.

    Example: soakbench jobs correct reading 12 value=45.3 "note=misread before"
    """
    from logger.entries import change, table_of

    table, changes = table_of(what), dict[str, Any]()
    for one in fields:
        name, equals, value = one.partition("=")
        if not equals:
            raise RequestError(f"{one!r} says no field: write it like value=45.3")
        changes |= change(table, name.strip(), value.strip())
    version = _record(_where(context, db), by).edit(table, number, seen, **changes)
    print(f"{what} {number} has version {version}")
    return 0


@jobs_app.command()
def delete(
    context: typer.Context, what: What, number: Row, seen: Seen = None, by: By = None, db: Store = None
) -> int:
    """Mark something as deleted.

    It stays in the store, and restore brings it back.

    Example: soakbench jobs delete remark 4
    """
    from logger.entries import table_of

    _record(_where(context, db), by).delete(table_of(what), number, seen)
    print(f"{what} {number} is marked as deleted: soakbench jobs restore {what} {number} brings it back")
    return 0


@jobs_app.command()
def restore(context: typer.Context, what: What, number: Row, by: By = None, db: Store = None) -> int:
    """Bring back what was marked as deleted.

    Example: soakbench jobs restore remark 4
    """
    from logger.entries import table_of

    _record(_where(context, db), by).restore(table_of(what), number)
    print(f"{what} {number} is there again")
    return 0


@jobs_app.command("history")
def history_of(
    context: typer.Context,
    what: What,
    number: Row,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Show every edit of one thing.

    Who, when, what was there. `jobs show --history` has a whole job's.

    Example: soakbench jobs history valve 12
    """
    from logger import job_tables, tables
    from logger.entries import table_of

    found = open_store(_where(context, db)).history(table_of(what), number)
    if json_to is not None:
        tables.write_json(job_tables.history_document(found), json_to, force=force)
    elif found:
        tables.show(job_tables.history_table(found))
    else:
        warn(f"{what} {number} was never edited, or is not there")
    return 0


@valves_app.callback()
def valves(context: typer.Context, db: Store = None, json_to: Json = None, force: Force = False) -> int:
    """List the valves of the job record, or show one: where it sat, its hours at heat and at idle.

    Hours are summed from the soaks of jobs, for as long as the valve sat in the soaked amp.

    Example: soakbench valves show "bag 12"
    """
    context.obj = db
    return _list_valves(db, None, json_to, force) if context.invoked_subcommand is None else 0


@valves_app.command("list")
def valves_list(context: typer.Context, db: Store = None, json_to: Json = None, force: Force = False) -> int:
    """List all valves.

    Example: soakbench valves list --json -
    """
    return _list_valves(_where(context, db), None, json_to, force)


@valves_app.command("show")
def valves_show(
    context: typer.Context,
    valve: Annotated[str, typer.Argument(metavar="VALVE", help="Its serial or bag number.")],
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Show one valve's life over amps.

    Example: soakbench valves show "bag 12"
    """
    return _list_valves(_where(context, db), valve, json_to, force)


# ---- what the commands share


def _where(context: typer.Context, db: str | None) -> str | None:
    return db or context.obj


def _record(db: str | None, by: str | None) -> Record:
    from logger.clock import SystemClock
    from logger.store.reader import file_of
    from logger.store.record import Record

    return Record(file_of(db), SystemClock(), person(by))


def job_number(db: str | None, text: str) -> int:
    """Read what a person calls a job: a number, or last."""
    if text.isascii() and text.isdigit():
        return int(text)
    if text != "last":
        raise RequestError(f"{text!r} is no job: give a number from `soakbench jobs list --all`, or last")
    found = open_store(db).jobs()
    if not found:
        raise RequestError("the store has no job yet: soakbench jobs new books one in")
    return found[-1].id


def _moment(text: str | None) -> datetime | None:
    from logger.bench_readings import moment_of

    return None if text is None else moment_of(text)


def _thousandth(value: float | None) -> float | None:
    return None if value is None else value / 1000.0


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise RequestError(f"{path} can't be read ({error}): check the name") from error


def _checklist(name: str, setup_file: Path | None, sharing: int) -> list[dict[str, str]]:
    from logger import checklist, setup

    found: Setup | None = None if setup_file is None else setup.load(setup_file)
    if name == "none":
        return []
    own = checklist.templates().get(name)
    if own is None:
        if not Path(name).exists():
            known = ", ".join(checklist.templates())
            raise RequestError(f"there is no checklist {name!r}: choose {known}, none, or name a file")
        own = checklist.parse(_text(Path(name)), name)
    return checklist.items(own, found, sharing=sharing)


def _float(name: str, value: str) -> float | None:
    try:
        return float(value) if value else None
    except ValueError:
        raise RequestError(f"{name} must be a number, got {value!r}") from None


def _at_terminal() -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty()


def _ask(question: str) -> str:
    """Put a question on standard error; an empty answer where standard input has ended."""
    print(question, end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip()


def _ask_until(question: str, read: Callable[[str], Any]) -> Any:
    """Ask until the answer can be read; None for an empty one."""
    while True:
        answer = _ask(question)
        if not answer:
            return None
        try:
            return read(answer)
        except RequestError as error:
            warn(str(error))


def _ask_missing(said: dict[str, Any]) -> None:
    """Ask for what no option said of a new job."""
    from logger.jobs import SHOWS, line, paragraphs, shows_of

    def of(what: str) -> Callable[[str], Any]:
        return lambda text: line(text, what)

    questions: list[tuple[str, str, Callable[[str], Any]]] = [
        ("amp", "What does the shop call the amp? ", of("the amp's name")),
        ("serial", "Its serial number (Enter: none): ", of("the serial number")),
        ("customer", "The customer's reference (Enter: none): ", of("the customer's reference")),
        ("complaint", "What is said to be wrong? ", lambda text: paragraphs(text, "the complaint")),
        (
            "shows",
            f"When does it show ({', '.join(SHOWS)}; several by commas)? ",
            lambda t: shows_of(t) and t,
        ),
        (
            "condition",
            "How did it come in (Enter: nothing to note)? ",
            lambda t: paragraphs(t, "the condition"),
        ),
    ]
    for name, question, read in questions:
        if said[name] is None and not (name == "serial" and isinstance(said["amp"], int)):
            said[name] = _ask_until(question, read)


def _go_through(items: Sequence[ChecklistItem], record: Record) -> None:
    """Ask for each item how it went; Enter leaves it open, and so does the end of the input."""
    warn("a figure or fine: fine; fault and why; none: does not apply; Enter: later")
    for item in items:
        caution = f" {item.caution}" if item.caution else ""
        print(f"{item.section}: {item.what}.{caution}", file=sys.stderr)
        question = f"  read, in {item.asks}: " if item.asks else "  how did it go: "

        def tick(answer: str, item: ChecklistItem = item) -> bool:
            word, _, note = answer.partition(" ")
            if word in ("fine", "fault", "none"):
                record.tick_off(item.id, "does not apply" if word == "none" else word, note=note)
            else:
                record.tick_off(item.id, "fine", _float("what was read", word), note)
            return True

        _ask_until(question, tick)


def _ask_changes(job: Job) -> dict[str, Any]:
    """Ask for each field of a job, with what stands; an empty answer keeps it."""
    from logger.jobs import check_move, paragraphs, shows_of, state_of

    def state(text: str) -> str:
        wanted = state_of(text)
        check_move(job.state, wanted)
        return wanted.value

    fields: list[tuple[str, str, Callable[[str], Any]]] = [
        ("state", job.state.value, state),
        ("customer", job.customer, lambda text: text),
        ("complaint", job.complaint, lambda text: paragraphs(text, "the complaint")),
        ("shows", ", ".join(job.shows), lambda text: shows_of(text) and text),
        ("condition", job.condition, lambda text: paragraphs(text, "the condition")),
    ]
    found = {}
    for name, stands, read in fields:
        answer = _ask_until(f"{name} [{stands}]: ", read)
        if answer is not None:
            found[name] = answer
    return found


def _whole_job(reader: Reader, number: int, *, deleted: bool = False) -> Job:
    """Return a job with all its soaks judged, those too that a crash broke off."""
    job = reader.job(number, deleted=deleted)
    if not any(soak.unjudged for soak in job.soaks):
        return job
    from logger.judge import judged_job

    with progress_bar("judging") as told:
        return judged_job(reader, job, told)


def _done(db: str | None, job: int, says: str, json_to: str | None, force: bool) -> int:
    """Say what was done, or give the whole job as JSON."""
    if json_to is not None:
        return _show(db, str(job), json_to, force)
    print(says)
    return 0


def _show(
    db: str | None,
    which: str,
    json_to: str | None,
    force: bool,
    *,
    history: bool = False,
    deleted: bool = False,
) -> int:
    from logger import job_tables, tables

    reader = open_store(db)
    job = _whole_job(reader, job_number(db, which), deleted=deleted)
    hours = reader.valve_hours()
    if json_to is not None:
        tables.write_json(job_tables.job_document(job, hours), json_to, force=force)
    else:
        tables.show(*job_tables.job_parts(job, hours, history=history))
    return 0


def _list(db: str | None, every: bool, json_to: str | None, force: bool) -> int:
    from logger import job_tables, tables
    from logger.jobs import State

    found = [job for job in open_store(db).jobs() if every or job.state is not State.COLLECTED]
    if json_to is not None:
        tables.write_json(job_tables.jobs_document(found), json_to, force=force)
    elif found:
        tables.show(job_tables.jobs_table(found))
    else:
        warn("no job is open: soakbench jobs new books one in, jobs list --all shows those collected")
    return 0


def _list_valves(db: str | None, label: str | None, json_to: str | None, force: bool) -> int:
    from logger import job_tables, tables
    from logger.jobs import hours as hours_of

    reader = open_store(db)
    found, fittings, hours = reader.valves(), reader.fittings(), reader.valve_hours()
    if label is not None:
        found = [valve for valve in found if valve.label == " ".join(label.split())]
        if not found:
            raise RequestError(f"there is no valve {label!r} in the store: soakbench valves lists them")
        fittings = [one for one in fittings if one.valve_id == found[0].id]
    if json_to is not None:
        tables.write_json(job_tables.valves_document(found, fittings, hours), json_to, force=force)
    elif not found:
        warn("no valve yet: soakbench jobs fit JOB SOCKET VALVE notes one")
    else:
        tables.show(job_tables.valves_table(found, fittings, hours))
        if label is not None and fittings:
            soaks = reader.job_soaks()

            def sat(one: Fitting) -> Hours:
                return hours_of([one], soaks)[one.valve_id]

            tables.show(job_tables.fittings_table(fittings, sat, amps=True))
    return 0
