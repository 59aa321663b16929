"""The commands check, new-setup, run, request, judge, calibrate, target, budget, compare, match, score,
soaks, export, import.

Options in, exit code out.
Results go to standard output; progress and messages to standard error. What is slow to import comes in
where it is used, so that `--help` of one command doesn't wait for another's libraries.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from logger.errors import RequestError, SetupError

if TYPE_CHECKING:
    from logger.daemon import Log
    from logger.jobs import State
    from logger.link.port import PortLink
    from logger.precheck import Load
    from logger.selfwatch import SelfWatch
    from logger.setup import Setup
    from logger.store.reader import Reader

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)

SetupFile = Annotated[Path, typer.Argument(metavar="SETUP", help="The set-up file (TOML).")]
Store = Annotated[
    str | None,
    typer.Option(
        "--db", metavar="FILE|URL", help="The store; default SOAKBENCH_DB, else the user's data folder."
    ),
]
Json = Annotated[
    str | None, typer.Option("--json", metavar="-|FILE", help="Write JSON instead of the table; - prints it.")
]
Force = Annotated[bool, typer.Option("--force", help="Overwrite files that exist.")]
SoakName = Annotated[str, typer.Argument(metavar="SOAK", help="A soak's number, or last.")]
CalibrationName = Annotated[
    str | None,
    typer.Option(
        "--calibration", metavar="none|ID|newest", help="Look at it with another than it was measured by."
    ),
]


@app.callback()
def _commands() -> None:
    """Keep each command a command, also where a module has only one."""


@app.command()
def check(
    setup_file: SetupFile,
    listen: Annotated[
        bool, typer.Option("--listen", help="Also ask the set-up's port who is there, and what it says.")
    ] = False,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Say everything wrong or odd in a set-up, and the wiring it implies. Without --listen it touches no
    port.

    --listen reads ten lines of a board that prints numbers and says what columns, unit and step were found.

    Example: soakbench check theatre.toml

    Example: soakbench check board.toml --listen
    """
    from logger import check as checking
    from logger import setup, tables

    text = setup.read_text(setup_file)
    found = setup.parse(text, path=str(setup_file))
    advice = checking.advise(found)
    tables.answer(
        tables.advice_parts(advice, checking.CAUTIONS), tables.advice_document(advice), json_to, force=force
    )
    from logger.feeds import fitted

    for sentence in (*advice.odd, *fitted.odd(found, os.environ)):
        warn(sentence)
    _refuse_for_live(found, text, setup_file)
    if listen:
        from logger.link.kinds import listen as listen_to

        print(listen_to(found))
    return 0


@app.command("new-setup")
def new_setup(
    out: Annotated[
        str, typer.Option("--out", metavar="FILE", help="Where to write it; - is standard output.")
    ] = "-",
    name: Annotated[str | None, typer.Option(metavar="TEXT", help="What the amp is called.")] = None,
    valve: Annotated[str | None, typer.Option(metavar="TYPE", help="The valve, as EL34.")] = None,
    anode_watts: Annotated[
        float | None, typer.Option(metavar="W", help="Its anode rating, where the table has none.")
    ] = None,
    connection: Annotated[
        str | None, typer.Option(metavar="NAME", help="pentode, ultralinear or triode; pentode.")
    ] = None,
    bias: Annotated[str | None, typer.Option(metavar="NAME", help="fixed or cathode; fixed.")] = None,
    operating_class: Annotated[
        str | None, typer.Option("--class", metavar="AB|A", help="AB or A; AB.")
    ] = None,
    adjust: Annotated[
        str | None,
        typer.Option(metavar="TEXT", help="each pair, each side, level and balance, one for all, none."),
    ] = None,
    ht: Annotated[float | None, typer.Option(metavar="V", help="HT (B+) at idle.")] = None,
    mains: Annotated[float | None, typer.Option(metavar="V", help="Nominal mains; 230.")] = None,
    pairs: Annotated[int | None, typer.Option(metavar="N", help="Sense resistors, one a pair; 4.")] = None,
    valves: Annotated[int | None, typer.Option(metavar="N", help="Valves on a sense resistor; 2.")] = None,
    sense_ohm: Annotated[float | None, typer.Option(metavar="OHM", help="The sense resistor; 1.")] = None,
    tolerance: Annotated[
        float | None, typer.Option(metavar="PCT", help="The sense resistor's tolerance; 1.")
    ] = None,
    series_ohm: Annotated[
        float | None, typer.Option(metavar="OHM", help="Series resistors in both wires together; 1880.")
    ] = None,
    others: Annotated[
        str | None,
        typer.Option(
            metavar="NAMES",
            help='What else is measured: "ht, mains, chassis, transformer, ambient", or none.',
        ),
    ] = None,
    link: Annotated[
        str | None, typer.Option(metavar="KIND", help="lines, csv, modbus or scpi; lines.")
    ] = None,
    time_column: Annotated[
        str | None,
        typer.Option(metavar="UNIT", help="What a csv board's first column counts: ms, s, scans; none."),
    ] = None,
    port: Annotated[str | None, typer.Option(metavar="PORT", help="The port's name; auto.")] = None,
    scans: Annotated[
        float | None, typer.Option(metavar="N", help="Scans a second; what the link keeps.")
    ] = None,
    warm_up: Annotated[float | None, typer.Option(metavar="MIN", help="Minutes of warm-up; 30.")] = None,
    soak: Annotated[float | None, typer.Option(metavar="MIN", help="Minutes of soak; 120.")] = None,
    force: Force = False,
) -> int:
    """Write a first set-up file, with comments, from a few questions or options.

    On a terminal what no option says is asked. Elsewhere nothing is asked: --valve and --ht are needed, and
    the rest has defaults.

    Example: soakbench new-setup --out theatre.toml

    Example: soakbench new-setup --valve EL34 --ht 455 --pairs 4 --link modbus --out theatre.toml
    """
    from logger import new_setup as writing
    from logger import tables

    path = None if out == "-" else Path(out)
    if path is not None:
        tables.refuse_to_overwrite(path, force=force)
    stated = {
        "name": name,
        "valve": valve,
        "anode_W": anode_watts,
        "connection": connection,
        "bias": bias,
        "operating_class": operating_class,
        "adjust": adjust,
        "ht_V": ht,
        "mains_V": mains,
        "pairs": pairs,
        "valves": valves,
        "sense_ohm": sense_ohm,
        "tolerance_pct": tolerance,
        "series_ohm": series_ohm,
        "others": others,
        "link": link,
        "time_column": time_column,
        "port": port,
        "scans_per_s": scans,
        "warm_up_min": warm_up,
        "soak_min": soak,
    }
    known = {key: writing.read(key, value) for key, value in stated.items() if value is not None}
    if sys.stdin.isatty() and sys.stderr.isatty():

        def ask(question: str) -> str | None:
            print(question, end="", file=sys.stderr, flush=True)
            return sys.stdin.readline() or None

        known = writing.ask_all(known, ask, warn)
    text = writing.text_of(writing.answers_from(known))
    if path is None:
        print(text, end="")
        return 0
    tables.write_text(path, text)
    warn(f"{path} is written: fill in what its comments ask for, then soakbench check {path}")
    return 0


@app.command()
def ports(
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="PORT", help="Only these: a port's name, or socket://host:port."),
    ] = None,
    baud: Annotated[
        int, typer.Option(metavar="N", min=300, max=4_000_000, help="Bits a second to ask at.")
    ] = 115_200,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """List the serial ports, ask each who it is, and say what to put in the set-up.

    A port is read first and asked once; what answers something else is left alone. Opening a port resets some
    boards: end what else is in use on the bench first. Exit code 3 where no bench DAQ answers.

    Example: soakbench ports

    Example: soakbench ports socket://192.0.2.7:4001
    """
    from logger import tables
    from logger.link import search
    from logger.link.wire import Line

    listed = [search.Port(name) for name in names] if names else search.ports()
    seen = {one.path: one for one in search.look_at_each([port.path for port in listed], Line(baud))}
    found = [(port, seen[port.path]) for port in listed]
    if json_to is not None:
        tables.write_json(tables.ports_document(found), json_to, force=force)
    elif found:
        tables.show(*tables.ports_parts(found))
    if not found:
        warn("this machine lists no serial port: plug the DAQ in, or name its port")
    return 0 if any(one.daq for one in seen.values()) else 3


@app.command()
def run(
    setup_file: SetupFile,
    db: Store = None,
    log_file: Annotated[
        Path | None,
        typer.Option("--log-file", metavar="FILE", help="A line here for each thing that happens."),
    ] = None,
    log_json: Annotated[bool, typer.Option("--log-json", help="Those lines as JSON, for programs.")] = False,
    metrics: Annotated[
        int | None,
        typer.Option("--metrics", metavar="PORT", min=0, max=65_535, help="Figures and health on 127.0.0.1."),
    ] = None,
    wait: Annotated[bool, typer.Option("--wait", help="Wait for the DAQ instead of giving up.")] = False,
    new: Annotated[
        bool, typer.Option("--new", help="Begin a new soak, also where a crash left one without an end.")
    ] = False,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on with the last soak, also after more than ten minutes.")
    ] = False,
    job: Annotated[
        int | None, typer.Option("--job", metavar="ID", help="The job of the record that it belongs to.")
    ] = None,
    as_found: Annotated[
        bool, typer.Option("--as-found", help="Before a pot is touched: 20 minutes in place of the plan.")
    ] = False,
    load: Annotated[
        str | None,
        typer.Option(
            metavar="TEXT", help='What is connected: "8 ohm on the 8 ohm tap, 240 W", or none. Else asked.'
        ),
    ] = None,
) -> int:
    """Measure, watch, store: the daemon. Records from the first scan until stopped (Ctrl-C).

    Start it some 20 s before HT is switched on: then it checks the bench first.

    Where the last soak was left without an end (a crash, a power cut), the same set-up and the same board go
    on with it if its last scan is no more than ten minutes old: what is stored is replayed, what is missing
    is a gap. --new and --resume decide otherwise. A cut-out that has opened meanwhile stays open.

    --metrics gives http://127.0.0.1:PORT/metrics (OpenMetrics) and /health (200 while it measures, watches
    and stores, else 503 with the reason). Started by a service manager, it tells that how it stands.

    Example: soakbench run theatre.toml --load "8 ohm on the 8 ohm tap, 240 W"

    Example: soakbench run theatre.toml --resume --wait

    Example: soakbench run theatre.toml --wait --metrics 9464 --log-file run.log

    Example: soakbench run theatre.toml --job 3 --as-found
    """
    from logger import check as checking
    from logger import daemon, jobs, precheck, setup
    from logger import resume as resuming
    from logger.clock import SystemClock
    from logger.feeds import fitted
    from logger.link.kinds import open_link
    from logger.link.port import SerialLink
    from logger.selfwatch import SelfWatch
    from logger.store.reader import file_of
    from logger.supervisor import Supervisor
    from logger.voice import Voice

    if log_json and log_file is None:
        raise RequestError("--log-json says how the lines of --log-file are written: name that file")
    text = setup.read_text(setup_file)
    found = setup.parse(text, path=str(setup_file))
    _refuse_for_live(found, text, setup_file)
    store = file_of(db)
    if job is not None and open_store(store).job(job).closed is not None:
        raise RequestError(f"job {job} was collected: book the amp in again, soakbench jobs new")
    if as_found:
        text = setup.with_plan(text, jobs.AS_FOUND_PLAN.toml, path=str(setup_file))
        found = setup.parse(text, path=str(setup_file))
    link = open_link(found, wait=wait)
    missing = fitted.odd(found, os.environ)
    for sentence in (*checking.advise(found).odd, *missing, *(jobs.AS_FOUND_PLAN.do if as_found else ())):
        warn(sentence)
    if new and resume:
        raise RequestError("--new begins a new soak and --resume goes on with the last: choose one of them")
    may: resuming.Resume = "no" if new else "must" if resume else "may"
    connected: Load | Literal["not said"] | None = "not said"
    if load is not None:
        connected = precheck.parse_load(load)
    elif not resuming.expected(store, found, SystemClock().wall(), may, job):
        connected = ask_load()  # else it was said when the soak began
    begun: list[int] = []
    selfwatch = SelfWatch()

    def follow(soak: int) -> None:
        begun.append(soak)
        if job is not None:
            _move_job(store, job, jobs.State.SOAKING)

    try:
        with logged(log_file, as_json=log_json) as log, figures(metrics, selfwatch), Voice(warn) as voice:
            daemon.Daemon(
                setup=found,
                setup_text=text,
                link=link,
                store_path=store,
                say=voice.say,
                load=connected,
                kind=jobs.AS_FOUND if as_found else jobs.AS_LEFT,
                job_id=job,
                on_soak=follow,
                on_alarm=lambda alarm: voice.do(lambda: ring(alarm)),
                relay=link if isinstance(link, SerialLink) else None,
                resume=may,
                selfwatch=selfwatch,
                supervisor=Supervisor.of_environment(),
                log=log,
                feeds=fitted.feeds_of(found, store, SystemClock(), os.environ),
            ).run()
    finally:  # also where the link broke the soak off; not where none was begun
        if job is not None and begun:
            _move_job(store, job, jobs.State.ON_THE_BENCH)
    if as_found and job is not None:
        _remind_of_bias_volts(store, job)
    return 0


@app.command()
def request(
    what: Annotated[
        str,
        typer.Argument(
            metavar="WHAT", help="stop, mark, acknowledge, setting-bias, signal-on or signal-off."
        ),
    ],
    text: Annotated[
        list[str] | None,
        typer.Argument(metavar="TEXT", help="Of a mark, a line; of acknowledge, a finding's number."),
    ] = None,
    db: Store = None,
    wait: Annotated[
        float, typer.Option("--wait", metavar="S", min=0.0, help="How long to wait for the answer.")
    ] = 5.0,
) -> int:
    """Ask something of the soakbench that runs on a store: it is done, or refused with the reason.

    mark writes a line into the record. acknowledge says that a finding was seen, and stops its reminders.
    setting-bias says that pots are being turned, signal-on and signal-off that signal goes through the amp:
    what follows from that is then not held against it. stop ends the soak as Ctrl-C does. None of them
    switches anything, and none makes an amp less dangerous.

    Exit code 2 where it is refused, 3 where nothing runs on the store or nobody answers in time; it is then
    withdrawn.

    Example: soakbench request mark "tapped V5"

    Example: soakbench request acknowledge 3

    Example: soakbench request signal-on --db bench2.db
    """
    from logger import tables
    from logger.clock import SystemClock
    from logger.requests import Ask, text_of
    from logger.store.asking import ask_daemon
    from logger.store.reader import file_of

    try:
        ask = Ask(what.replace("-", " "))
    except ValueError:
        every = ", ".join(one.replace(" ", "-") for one in Ask)
        raise RequestError(f"{what!r} is nothing that can be asked: it must be one of {every}") from None
    words = " ".join(text or [])
    answer = ask_daemon(file_of(db), ask, words, SystemClock(), wait)
    if answer.reason is not None:
        raise RequestError(f"refused: {answer.reason}")
    stands = "came before the first scan"
    if answer.t_us is not None:
        stands = f"stands in the record of soak {answer.soak_id} at {tables.duration(answer.t_us / 1e6)}"
    print(f'done: "{text_of(ask, words)}" {stands}')
    return 0


@app.command("alert-test")
def alert_test(
    setup_file: SetupFile,
    within: Annotated[
        float, typer.Option("--within", metavar="S", min=1.0, max=300.0, help="How long each may take.")
    ] = 30.0,
) -> int:
    """Send a test message to each address of the set-up's [alerts], and say which took it.

    Whether it arrives only the phone knows: look at it. Addresses are told by number, in the order in which
    they stand, and never shown. Exit code 3 where one did not take it.

    Example: soakbench alert-test theatre.toml
    """
    from logger import setup
    from logger.clock import SystemClock
    from logger.feeds import alerts

    found = setup.load(setup_file)
    if found.alerts is None:
        raise RequestError(f"{setup_file} has no [alerts]: see docs/files.md for what belongs into it")
    local = SystemClock().wall().astimezone()
    tried = alerts.try_each(found, os.environ, local, within)
    for name, taken in tried:
        print(f"{name}: {'taken' if taken else 'NOT taken'}")
    print(alerts.NO_PROTECTION, file=sys.stderr)
    return 0 if all(taken for _, taken in tried) else 3


@app.command()
def judge(
    log: Annotated[
        str,
        typer.Argument(
            metavar="LOG|SOAK",
            help="A log file, an archive's file, or a stored soak: its number, or 'last'.",
        ),
    ],
    setup_file: Annotated[
        Path | None,
        typer.Option("--setup", metavar="SETUP", help="The log's set-up file (TOML).", show_default=False),
    ] = None,
    explain: Annotated[
        str | None,
        typer.Option(
            metavar="CHANNEL", help="Draw what each detector saw of this pair (HTML).", show_default=False
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Where to; else LOG-CHANNEL.html here.", show_default=False),
    ] = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Judge a log file or a stored soak, with the detectors of today.

    Exit code 0 where the amplifier passed, 1 where it did not.

    Example: soakbench judge monday.csv.gz --setup theatre.toml --json -

    Example: soakbench judge last --explain pair3
    """
    from logger import judge as judging
    from logger import setup, tables

    if explain is None and out is not None:
        raise RequestError("--out is where --explain CHANNEL draws to: name the pair to explain")
    path = Path(log)
    is_soak = (log == "last" or log.isdecimal()) and not path.exists()
    stem = f"soak-{log}" if is_soak else path.name.removesuffix(".gz").removesuffix(".csv")
    drawing = None if explain is None else (explain, out or Path(f"{stem}-{explain}.html"), force)
    is_archived = path.suffix.lower() == ".parquet"
    if (is_soak or is_archived) and setup_file is not None:
        raise RequestError("a soak has its own set-up: leave --setup away, or name a log file")
    if is_archived:
        with progress_bar("judging") as seen:
            document = judging.judge_archived(path, seen, drawing)
    elif is_soak:
        reader = open_store(db)
        with progress_bar("judging") as seen:
            document = judging.judge_soak(reader, reader.soak(soak_number(log)).id, seen, explain=drawing)
    else:
        if setup_file is None:
            raise RequestError(f"name the set-up file that belongs to {log}: --setup FILE")
        found = setup.load(setup_file)
        with progress_bar("judging") as seen:
            document = judging.judge_log(path, found, seen, warn, drawing)
    if drawing is not None:
        warn(f"what each detector saw of {explain} is drawn in {drawing[1]}")
    tables.answer(tables.verdict_parts(document), document, json_to, force=force)
    return exit_code(document)


@app.command()
def calibrate(
    setup_file: Annotated[
        Path | None, typer.Argument(metavar="SETUP", help="The set-up file (TOML).", show_default=False)
    ] = None,
    script: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A calibration script instead of questions (TOML).")
    ] = None,
    by: Annotated[str, typer.Option(metavar="TEXT", help="Who calibrates; goes into the store.")] = "",
    instrument: Annotated[
        str, typer.Option(metavar="TEXT", help="Reference or bench meter, with its certificate.")
    ] = "",
    simulated: Annotated[
        int | None,
        typer.Option(metavar="SEED", help="Try it on a simulated board: its own set-up, script and errors."),
    ] = None,
    listed: Annotated[
        bool, typer.Option("--list", help="List the store's calibrations; measures nothing.")
    ] = (False),
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Find gain and offset of each channel: a short, reference volts, each sense resistor, a bench meter.

    It says what to connect, asks what the reference says, fits, and puts a dated calibration into the store.
    Soaks that begin afterwards are measured by it. With a script nothing is asked unless at a terminal.

    Example: soakbench calibrate theatre.toml --instrument "bench meter 3, certificate of 2026-02-10"

    Example: soakbench calibrate --simulated 4 --db try.db
    """
    from logger import calibrate as calibrating
    from logger import calibration_session, setup, tables
    from logger.clock import SystemClock
    from logger.store.reader import file_of
    from logger.store.writer import Writer

    if listed:
        found = open_store(db).calibrations()
        if json_to is not None:
            tables.write_json(tables.calibrations_document(found), json_to, force=force)
        elif found:
            tables.show(tables.calibrations_table(found))
        else:
            warn("no calibration yet: soakbench calibrate SETUP makes one")
        return 0
    if (setup_file is None) == (simulated is None) or (simulated is not None and script is not None):
        raise RequestError(
            "name a set-up file, or try it with --simulated SEED, which has its own and a script"
        )
    ask = ask_a_person if sys.stdin.isatty() and sys.stderr.isatty() and simulated is None else None
    if script is None and simulated is None and ask is None:
        raise RequestError("there is no terminal to ask questions on: give a script with --script")
    # the store first: nobody wants to hear at the end that it is in use
    with (
        Writer(file_of(db), SystemClock()) as writer,
        _calibration_link(setup_file, simulated) as bench,
    ):
        text = bench.script or (setup.read_text(script) if script is not None else None)
        plan = (
            calibrating.Script(calibrating.sequence(bench.setup))
            if text is None
            else calibrating.read_script(text, bench.setup, str(script or "the simulated script"))
        )
        plan = replace(plan, by=by or plan.by, instrument=instrument or plan.instrument)
        for sentence in calibrating.CAUTIONS:
            warn(sentence)
        done = calibration_session.run(bench.setup, plan, bench.link, say=warn, ask=ask, clock=SystemClock())
        number = writer.add_calibration(done.calibration)
    for sentence in done.odd:
        warn(sentence)
    warn(f"calibration {number} of the board {done.calibration.board_id} is in the store")
    made = replace(done.calibration, id=number)
    tables.answer(
        tables.calibration_parts(made, calibration_session.helped(bench.setup, done.daq, made)),
        tables.calibration_document(made),
        json_to,
        force=force,
    )
    return 0


@app.command()
def target(
    valve: Annotated[str | None, typer.Option("--valve", metavar="TYPE", help="The valve, as EL34.")] = None,
    ht: Annotated[float | None, typer.Option("--ht", metavar="V", help="HT (B+) at idle.")] = None,
    pct: Annotated[
        float | None, typer.Option("--pct", metavar="N", help="Per cent of the rating; 65 by habit.")
    ] = None,
    from_soak: Annotated[
        str | None,
        typer.Option("--from-soak", metavar="SOAK", help="Amp, valve and HT of a soak; what to set now."),
    ] = None,
    sheet: Annotated[
        str | None, typer.Option("--sheet", metavar="NAME", help="Another sheet of the type.")
    ] = None,
    screen_fraction: Annotated[
        float | None,
        typer.Option("--screen-fraction", metavar="F", help="The screen's share of the cathode current."),
    ] = None,
    valves: Annotated[
        int | None, typer.Option("--valves", metavar="N", help="Valves on a sense resistor; 2.")
    ] = None,
    sense_ohm: Annotated[
        float | None, typer.Option("--sense-ohm", metavar="OHM", help="The sense resistor; 1.")
    ] = None,
    connection: Annotated[
        str | None, typer.Option("--connection", metavar="NAME", help="pentode, ultralinear or triode.")
    ] = None,
    bias: Annotated[str | None, typer.Option("--bias", metavar="NAME", help="fixed or cathode.")] = None,
    operating_class: Annotated[str | None, typer.Option("--class", metavar="AB|A", help="AB or A.")] = None,
    cathode_volts: Annotated[
        float | None,
        typer.Option("--cathode-volts", metavar="V", help="Across the bias resistor, with cathode bias."),
    ] = None,
    pair_ma: Annotated[
        float | None,
        typer.Option("--pair-ma", metavar="MA", help="What a pair draws: how far into the rating it is."),
    ] = None,
    ht_u: Annotated[
        float | None, typer.Option("--ht-u", metavar="PCT", help="How far HT may be off, in per cent; 1.")
    ] = None,
    sense_u: Annotated[
        float | None,
        typer.Option("--sense-u", metavar="PCT", help="How far the resistor may be off, in per cent; 1."),
    ] = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Say what idle current to aim at, with how sure that is; from a soak also what to set now.

    Example: soakbench target --valve EL34 --ht 455 --pct 65

    Example: soakbench target --from-soak last
    """
    from logger import tables
    from logger import target as targets

    stated = {
        "sheet": sheet,
        "screen_fraction": screen_fraction,
        "valves": valves,
        "sense_ohm": sense_ohm,
        "connection": connection,
        "bias": bias,
        "operating_class": operating_class,
        "cathode_v": cathode_volts,
        "drawn_ma": pair_ma,
        "ht_u_pct": ht_u,
        "sense_u_pct": sense_u,
    }
    given: dict[str, Any] = {name: value for name, value in stated.items() if value is not None}
    way = None
    if from_soak is not None:
        if valve is not None or given:
            raise RequestError("with --from-soak the amp is the soak's: add --pct, --ht and --db only")
        reader = open_store(db)
        soak = reader.soak(soak_number(from_soak))
        case = targets.from_soak(reader, soak, pct, ht)
        way = targets.way_there(reader, soak, case) if case.settable else None
    elif valve is None or ht is None:
        raise RequestError("name the valve and its HT (--valve EL34 --ht 455), or a soak (--from-soak last)")
    else:
        case = targets.from_options(valve, ht, pct, **given)
    document = targets.document(case, way)
    tables.answer(tables.target_parts(document), document, json_to, force=force)
    for sentence in document["warnings"]:
        warn(sentence)
    return 0


@app.command()
def budget(
    setup_file: SetupFile,
    channel: Annotated[
        str | None, typer.Option("--channel", metavar="NAME", help="This channel only; else all.")
    ] = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Say where the uncertainty of each figure comes from, and what would help most.

    Example: soakbench budget theatre.toml --channel pair1
    """
    from logger import budget as budgets
    from logger import convert, setup, tables

    found = setup.load(setup_file)
    document = budgets.document(budgets.budgets(found, convert.daq_from_setup(found), channel))
    tables.answer(tables.budget_parts(document), document, json_to, force=force)
    return 0


@app.command()
def compare(
    soaks_named: Annotated[
        list[str],
        typer.Argument(metavar="SOAK...", help="Soaks of one amp; one alone is held against its last visit."),
    ],
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Say what has changed at an amp since earlier soaks of it: the newest of those named over the others.

    A change counts where it is beyond its 95 % uncertainty. What resistors and DAQ are wrong by cancels where
    board, wiring and calibration are the same.

    Example: soakbench compare last

    Example: soakbench compare 3 9 14
    """
    from logger import compare as comparing
    from logger import tables

    reader = open_store(db)
    found = {soak.id: soak for soak in (reader.soak(soak_number(name)) for name in soaks_named)}
    *before, this = sorted(found.values(), key=lambda soak: (soak.started, soak.id))
    if not before:
        former = comparing.last_visit(reader, this) or next(reversed(comparing.earlier(reader, this)), None)
        before = [former] if former is not None else []
    document = comparing.document(
        comparing.visit(reader, this.id), [comparing.visit(reader, one.id) for one in before]
    )
    tables.answer(tables.compare_parts(document), document, json_to, force=force)
    return 0


@app.command()
def match(
    sources: Annotated[
        list[str],
        typer.Argument(metavar="LOG|SOAK...", help="Soaks, logs (with --setup), or one csv list of valves."),
    ],
    size: Annotated[int, typer.Option(metavar="2|4|6|8", help="Valves in a set.")] = 2,
    within: Annotated[
        float | None, typer.Option(metavar="PCT", help="No set whose valves are further apart than this.")
    ] = None,
    grid_step: Annotated[
        float | None,
        typer.Option(metavar="V", help="Grid volts between the two currents: transconductance in mA/V."),
    ] = None,
    setup_file: Annotated[
        Path | None, typer.Option("--setup", metavar="SETUP", help="The set-up of the logs.")
    ] = None,
    db: Store = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Group measured valves into sets that match, and say which to leave out.

    From soaks or logs each pair counts as a valve: one valve on each sense resistor. A csv list has the
    columns valve, current [mA] and, if measured, second [mA] (at another bias), U [mA], shared U [mA].

    Example: soakbench match drawer.csv --size 4

    Example: soakbench match 3 4 --within 3
    """
    from logger import judge as judging
    from logger import match as matching
    from logger import setup, tables
    from logger.convert import daq_from_setup

    if grid_step is not None and not grid_step > 0:
        raise RequestError(f"--grid-step is the volts between both bias points, above 0, not {grid_step:g}")
    if within is not None and not within > 0:
        raise RequestError(f"--within is a share of the current in %, above 0, not {within:g}")
    several = len(sources) > 1
    valves: list[matching.Valve] = []
    notes: list[str] = []
    for source in sources:
        path = Path(source)
        if source == "last" or (source.isascii() and source.isdigit()):
            reader = open_store(db)
            soak = reader.soak(soak_number(source))
            judged, found, daq = soak.verdict or judging.judge_soak(reader, soak.id), soak.setup, soak.daq
            calibration, day, prefix = reader.calibration_of(soak), soak.uuid, f"soak {soak.id} "
        elif setup_file is not None:
            found, calibration = setup.load(setup_file), None
            daq = daq_from_setup(found)
            with progress_bar("judging") as seen:
                judged = judging.judge_log(path, found, seen, warn)
            day, prefix = str(path.absolute()), f"{path.name} "
        else:
            valves += matching.read_sheet(path)
            continue
        prefix = prefix if several else ""
        valves += matching.from_judged(judged, found, daq, calibration, day=day, prefix=prefix)
        notes += [note for note in matching.shared_resistors(found) if note not in notes]
    document = matching.document(valves, size, within_pct=within, grid_step_v=grid_step, notes=notes)
    tables.answer(tables.match_parts(document), document, json_to, force=force)
    return 0


@app.command()
def score(
    quick: Annotated[
        bool, typer.Option("--quick", help="A minute's worth: a few cases of each kind.")
    ] = False,
    seeds: Annotated[
        str,
        typer.Option(metavar="tune|report", help="Which half of the cases; tune on one, report the other."),
    ] = "tune",
    json_to: Json = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Draw the worst misses and false alarms (HTML)."),
    ] = None,
    force: Force = False,
) -> int:
    """Say how good the detectors are: many simulated amps, known truth, an ideal detector beside them.

    Exit code 1 where a goal is missed. Some 10 minutes on two cores; the same seeds give the same figures.

    Example: soakbench score --quick

    Example: soakbench score --seeds report --json score.json --out report.html
    """
    from logger import tables
    from logger.score import figures
    from logger.score import run as scoring

    if seeds not in ("tune", "report"):
        raise RequestError(f"there are no seeds {seeds!r}: choose tune or report")
    half: Literal["tune", "report"] = "report" if seeds == "report" else "tune"
    for path in (out, Path(json_to) if json_to not in (None, "-") else None):
        if path is not None:
            tables.refuse_to_overwrite(path, force=force)
    with counted_bar("scoring") as seen:
        results = scoring.score_cases(half, scoring.QUICK if quick else scoring.FULL, seen)
    found = figures.score(results, half)
    tables.answer(tables.score_parts(found), found.document(), json_to, force=force)
    if out is not None:
        from logger.score import picture

        picture.write(out, results, force=force)
        warn(f"the worst misses and false alarms are drawn in {out}")
    for figure in found.missed:
        unit = f" {figure.unit}" if figure.unit else ""
        warn(f"missed: {figure.name}: {figure.value:.3g}{unit}, the goal is {figure.goal:g}")
    return 1 if found.missed else 0


soaks_app = typer.Typer(add_completion=False, rich_markup_mode=None, invoke_without_command=True)
app.add_typer(soaks_app, name="soaks")


@soaks_app.callback()
def soaks(context: typer.Context, db: Store = None, json_to: Json = None, force: Force = False) -> int:
    """List the soaks in the store, or show one: soaks show SOAK.

    Example: soakbench soaks show last
    """
    context.obj = db
    return _list_soaks(db, json_to, force) if context.invoked_subcommand is None else 0


@soaks_app.command("list")
def soaks_list(context: typer.Context, db: Store = None, json_to: Json = None, force: Force = False) -> int:
    """List the soaks in the store.

    Example: soakbench soaks list --json -
    """
    return _list_soaks(db or context.obj, json_to, force)


@soaks_app.command("show")
def soaks_show(
    context: typer.Context,
    soak: SoakName = "last",
    db: Store = None,
    calibration: CalibrationName = None,
    json_to: Json = None,
    force: Force = False,
) -> int:
    """Show one soak: what was found and, once it has ended, its verdict.

    Example: soakbench soaks show 3

    Example: soakbench soaks show 3 --calibration newest
    """
    from logger import judge as judging
    from logger import tables
    from logger.calibrate import standing

    reader = open_store(db or context.obj)
    one = reader.soak(soak_number(soak))
    which = calibration_name(calibration)
    document = one.verdict
    if document is None or which != "in force":  # still running, broken off, or to be seen otherwise
        with progress_bar("judging", one.last_t_us) as seen:
            document = judging.judge_soak(reader, one.id, seen, which)
    lines = standing(one.setup, reader.calibration_of(one, which), one.started)
    if one.thinned is not None:
        lines.append(f"It was {one.thinned}.")
    marks = reader.marks(one.id)
    if json_to is None:
        tables.show(
            tables.soaks_table([one]),
            *tables.check_lines(one.checks),
            *tables.verdict_parts(document),
            *tables.mark_lines(marks),
            "\n".join(lines),
        )
    else:
        shown = {**tables.soak_document(one), "calibration": lines, "checks": one.checks, "judge": document}
        shown["marks"] = tables.marks_document(marks)
        tables.write_json(shown, json_to, force=force)
    return 0


@app.command()
def export(
    soak: Annotated[str | None, typer.Argument(metavar="[SOAK]", help="A soak's number, or last.")] = None,
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="A .csv, .csv.gz, .json or .parquet; a job's .zip.")
    ] = ...,  # type: ignore[assignment]
    job: Annotated[
        int | None, typer.Option("--job", metavar="N", help="A whole job in place of a soak, as a zip.")
    ] = None,
    decimal_comma: Annotated[
        bool,
        typer.Option("--decimal-comma", help="For spreadsheets that have one: 74,21;75,02 in the .csv."),
    ] = False,
    db: Store = None,
    calibration: CalibrationName = None,
    force: Force = False,
) -> int:
    """Write a soak as a log file, with its set-up beside it: what judge reads. Or as JSON or Parquet.

    A job goes as one zip, with soaks, readings, valves, history and photographs, which import takes in.

    Example: soakbench export last --out monday.csv.gz

    Example: soakbench export --job 7 --out job7.zip
    """
    from logger.export import export as write
    from logger.export import whole

    if (soak is None) == (job is None):
        raise RequestError("name a soak or a job to export: soakbench export last, or --job N")
    reader = open_store(db)
    if job is not None:
        from logger.store import job_file

        if not out.name.lower().endswith(".zip"):
            raise RequestError(f"a job is exported as a .zip, and {out.name} is none: name it so")
        with whole(out, force=force) as part:
            job_file.pack(reader.path, job, part)
        print(out)
        return 0
    assert soak is not None  # one of the two is there
    which = soak_number(soak)
    with progress_bar("exporting", reader.soak(which).last_t_us) as seen:
        written = write(
            reader,
            which,
            out,
            force=force,
            progress=seen,
            calibration=calibration_name(calibration),
            decimal_comma=decimal_comma,
        )
    print("\n".join(str(path) for path in written))
    return 0


@app.command()
def backup(
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The copy: another store.")],
    db: Store = None,
    force: Force = False,
) -> int:
    """Copy the store as it stands, also while it is written to; photographs come beside the copy.

    The copy is one file and a store like any other. Exit code 1 where a photograph is missing or damaged:
    the rest is copied all the same.

    Example: soakbench backup --out /media/stick/monday.db
    """
    from logger import tables
    from logger.store.reader import file_of
    from logger.store.whole import back_up

    tables.refuse_to_overwrite(out, force=force)
    wrong = back_up(file_of(db), out)
    for sentence in wrong:
        warn(sentence)
    print(out)
    return 1 if wrong else 0


@app.command()
def verify(db: Store = None, json_to: Json = None, force: Force = False) -> int:
    """Say whether the store is whole: the file, its keys, each scan against the roll-ups, the photographs.

    Reads everything, changes nothing. Exit code 1 where something is wrong.

    Example: soakbench verify --db bench2.db
    """
    from logger import tables
    from logger.store.reader import file_of
    from logger.store.whole import verify as look_at

    path = file_of(db)
    with progress_bar("reading") as seen:
        found = look_at(path, seen)
    tables.answer(tables.verified_parts(found), tables.verified_document(found), json_to, force=force)
    for sentence in (*found.wrong, *found.remarks):
        warn(sentence)
    return 0 if found.whole else 1


@app.command("import")
def import_(
    log: Annotated[Path, typer.Argument(metavar="LOG", help="A log file (.csv, .csv.gz), or a job's .zip.")],
    setup_file: Annotated[
        Path | None, typer.Option("--setup", metavar="SETUP", help="The log's set-up file (TOML).")
    ] = None,
    started: Annotated[
        datetime | None,
        typer.Option(metavar="TIME", help="When it began (UTC); default what its times say, else now."),
    ] = None,
    as_found: Annotated[
        bool, typer.Option("--as-found", help="Measured as found, before a pot was touched.")
    ] = False,
    job: Annotated[int | None, typer.Option(metavar="N", help="The job it belongs to.")] = None,
    time: Annotated[
        str | None,
        typer.Option(
            metavar="HEADER[:UNIT]", help='Another program\'s time column; "Date + Time" joins two.'
        ),
    ] = None,
    time_format: Annotated[
        str | None, typer.Option(metavar="FORMAT", help="Its times, as %d/%m/%Y %H:%M:%S.")
    ] = None,
    column: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=HEADER:UNIT", help='Another program\'s column, as "pair1=Ch 1:mV".'),
    ] = None,
    db: Store = None,
) -> int:
    """Bring a log file into the store as a soak, judged as it is.

    Also a log by hand: a sheet of times and meter readings, saved as CSV. It says how coarse that is. A csv
    of another program needs --time and a --column for each channel.

    Example: soakbench import monday.csv.gz --setup monday.toml

    Example: soakbench import board.csv --setup theatre.toml --time Time:ms --column "pair1=I 1:mA"

    Example: soakbench import job7.zip
    """
    from logger import import_log, setup, tables
    from logger.clock import SystemClock
    from logger.store.reader import Reader, file_of

    store = file_of(db).expanduser().absolute()
    if log.name.lower().endswith(".zip"):
        from logger.store import job_file

        print(f"job {job_file.unpack(log, store, SystemClock(), warn)}")
        return 0
    if setup_file is None:
        raise RequestError(
            f"{log} needs its set-up: add --setup FILE.toml, as export wrote it beside the log"
        )
    if started is not None and started.tzinfo is None:
        started = started.replace(tzinfo=UTC)
    with progress_bar("importing") as seen:
        number = import_log.import_log(
            log,
            setup.read_text(setup_file),
            store,
            SystemClock(),
            kind="as found" if as_found else "as left",
            started=started,
            job_id=job,
            names=import_log.naming(time, column or [], time_format),
            setup_name=str(setup_file),
            progress=seen,
            say=warn,
        )
    soak = Reader(store).soak(number)
    assert soak.verdict is not None  # it was judged as it was stored
    tables.show(f"soak {number}", *tables.verdict_parts(soak.verdict))
    return 0


# ---- what the commands share, the dashboard's too


def warn(sentence: str) -> None:
    """Say something on standard error."""
    print(f"soakbench: {sentence}", file=sys.stderr)


def ring(_alarm: object) -> None:
    """Ring the terminal's bell, where there is one to ring."""
    if sys.stderr.isatty():
        print("\a", end="", file=sys.stderr, flush=True)


def person(by: str | None) -> str:
    """Return in whose name the job record is written: as said, SOAKBENCH_BY, else this machine's user."""
    import getpass

    named = by or os.environ.get("SOAKBENCH_BY")
    if named:
        return named
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError) as error:
        raise RequestError("say who does it: --by NAME, or SOAKBENCH_BY in the environment") from error


def _move_job(store: Path, job: int, state: State) -> None:
    """Let a job's state follow its soak, where it can; a soak never fails for it."""
    from logger.clock import SystemClock
    from logger.errors import SoakbenchError
    from logger.store.record import Record

    try:
        Record(store, SystemClock(), person(None)).edit("job", job, state=state.value)
    except SoakbenchError as error:
        warn(f"job {job} was not set to {state}: {error}")


def _remind_of_bias_volts(store: Path, job: int) -> None:
    from logger.bench_readings import BIAS_VOLTS, lacking
    from logger.jobs import AS_FOUND

    if lacking(open_store(store).job(job).readings, AS_FOUND, BIAS_VOLTS):
        warn(
            f"job {job} has no bias volts as found yet: before a pot is touched, soakbench jobs reading "
            f'{job} "bias volts" --read "-38.5 V" --place V5 --as-found'
        )


def exit_code(document: dict[str, Any]) -> int:
    """Return 0 where the amplifier passed (too close to call included), else 1."""
    return 0 if document["soak"]["verdict"] in ("pass", "conditional pass") else 1


def _refuse_for_live(found: Setup, text: str, path: Path) -> None:
    """Raise SetupError where a link that measures can't do with this set-up."""
    from logger import check, setup

    faults = check.live_faults(found)
    if faults:
        raise SetupError(str(path), setup.in_lines(faults, text))


def open_store(db: Path | str | None) -> Reader:
    """Open the store for reading."""
    from logger.store import reader

    return reader.Reader(db or reader.default_store())


def soak_number(text: str) -> int | str:
    """Read what a person calls a soak: a number, or `last`."""
    if text == "last":
        return text
    if text.isascii() and text.isdigit():
        return int(text)
    raise RequestError(f"{text!r} is no soak: give a number from `soakbench soaks`, or last")


def calibration_name(text: str | None) -> int | str:
    """Read what a person calls a calibration: none, newest, a number; the one in force where nothing is."""
    if text is None:
        return "in force"
    if text in ("none", "newest"):
        return text
    if text.isascii() and text.isdigit():
        return int(text)
    raise RequestError(
        f"{text!r} is no calibration: give none, newest, or a number from `soakbench calibrate --list`"
    )


def ask_load() -> Load | Literal["not said"] | None:
    """Ask what load is connected, where there is a person at a terminal to ask."""
    from logger.precheck import parse_load

    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return "not said"
    while True:
        print(
            "What load is connected? Like: 8 ohm on the 8 ohm tap, 240 W; none; or Enter to leave it open: ",
            end="",
            file=sys.stderr,
            flush=True,
        )
        answer = sys.stdin.readline().strip()
        if not answer:
            return "not said"
        try:
            return parse_load(answer)
        except RequestError as error:
            warn(str(error))


def ask_a_person(question: str) -> str:
    """Put a question on standard error and return the answer, "skip" where standard input has ended."""
    print(question, end="", file=sys.stderr, flush=True)
    return sys.stdin.readline() or "skip"


@dataclass(frozen=True)
class _Bench:
    """What a calibration is made on: its set-up, what opens a link, and its script where it has one."""

    setup: Setup
    link: Callable[[], PortLink]
    script: str | None


@contextmanager
def _calibration_link(setup_file: Path | None, simulated: int | None) -> Iterator[_Bench]:
    """Give the bench of a set-up file, or a simulated one that plays meanwhile."""
    from logger import setup
    from logger.link.kinds import open_link

    def bench(found: Setup, port: str, speed: float, script: str | None) -> _Bench:
        def link() -> PortLink:
            return open_link(found, port=port, speed=speed)

        return _Bench(found, link, script)

    if setup_file is not None:
        text = setup.read_text(setup_file)
        found = setup.parse(text, path=str(setup_file))
        _refuse_for_live(found, text, setup_file)
        yield bench(found, found.link.port, 1.0, None)
        return
    import os
    import tempfile
    import threading

    if os.name == "nt":
        raise RequestError("the simulated DAQ needs a pseudo-terminal, which Windows has not")
    from logger.clock import SystemClock
    from logger.simulator.calibration_bench import CalibrationBench
    from logger.simulator.terminal import Terminal

    assert simulated is not None
    if simulated < 0:
        raise RequestError(f"a seed is a whole number from 0 up, got {simulated}")
    played = CalibrationBench(simulated)
    with tempfile.TemporaryDirectory(prefix="soakbench-bench-") as folder:
        port = Path(folder) / "bench-daq"
        terminal = Terminal(played, port, speed=0.0)
        thread = threading.Thread(target=terminal.run, name="simulated bench", daemon=True)
        thread.start()
        try:
            clock = SystemClock()
            while not port.exists() and thread.is_alive():
                clock.sleep(0.01)
            yield bench(setup.parse(played.setup_text()), str(port), 0.0, played.script_text())
        finally:
            terminal.stop()
            thread.join()


@contextmanager
def logged(path: Path | None, *, as_json: bool) -> Iterator[Log | None]:
    """Give what takes the lines of a log, None where no file is named."""
    if path is None:
        yield None
        return
    from logger.clock import SystemClock
    from logger.runlog import RunLog

    log = RunLog(path, SystemClock(), warn, as_json=as_json)
    try:
        yield log.write
    finally:
        log.close()


@contextmanager
def figures(port: int | None, selfwatch: SelfWatch) -> Iterator[None]:
    """Show a scraper how the daemon does, where a port is named."""
    if port is None:
        yield
        return
    from logger.clock import SystemClock
    from logger.metrics import served

    with served(selfwatch, SystemClock(), port) as address:
        warn(f"figures are at {address}/metrics, health at {address}/health")
        yield


@contextmanager
def progress_bar(what: str, total_us: int | None = None) -> Iterator[Callable[[float], None]]:
    """Show how far a long work is, where standard error is a terminal; yields what to call with t_s."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.fields[seen]}"))
    with Progress(*columns, console=console, disable=not console.is_terminal, transient=True) as bar:
        task = bar.add_task(what, total=None if total_us is None else total_us / 1e6, seen="")

        def seen(t_s: float) -> None:
            bar.update(task, completed=t_s, seen=f"{t_s / 60:.0f} min")

        yield seen


@contextmanager
def counted_bar(what: str) -> Iterator[Callable[[int, int], None]]:
    """Show how many cases are done, on standard error: a bar on a terminal, else a line each tenth."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal, transient=True) as bar:
        task = bar.add_task(what, total=None)

        def seen(done: int, of: int) -> None:
            bar.update(task, completed=done, total=of)
            if not console.is_terminal and done * 10 // of > (done - 1) * 10 // of:
                warn(f"{what}: {done} of {of} cases")

        yield seen


def _list_soaks(db: str | None, json_to: str | None, force: bool) -> int:
    from logger import tables

    found = open_store(db).soaks()
    if json_to is not None:
        tables.write_json(
            {"schema": "soakbench.soaks/1", "soaks": [tables.soak_document(one) for one in found]},
            json_to,
            force=force,
        )
    elif found:
        tables.show(tables.soaks_table(found))
    else:
        warn("no soak yet: soakbench run SETUP records one, soakbench demo shows one")
    return 0
