"""The front door: the table of commands and the top help; a command's module is imported only when used.

Every command ends in one of the exit codes below. An error raised on purpose is one sentence on standard
error; any other is a fault of ours, and leaves a report file to send. Nothing imported up here may be
slow: `soakbench --help` answers within twice bare Python, so not even dataclasses or typing.
"""

from __future__ import annotations

import os
import sys

COMMANDS: tuple[tuple[str, str, str], ...] = (
    ("demo", "dashboard.cli", "the whole job on a simulated amp: daemon, dashboard, report"),
    ("check", "logger.cli", "everything wrong or odd in a set-up, and the wiring it implies"),
    ("new-setup", "logger.cli", "write a commented set-up from a few questions or options"),
    ("ports", "logger.cli", "serial ports, which of them is a bench DAQ, and what to put in the set-up"),
    ("run", "logger.cli", "measure, watch, store: the daemon; records from the first scan"),
    ("request", "logger.cli", "ask the running daemon: stop, mark, acknowledge, setting bias, signal"),
    ("alert-test", "logger.cli", "do alerts arrive: a test message to each address"),
    ("judge", "logger.cli", "judge a log file"),
    ("calibrate", "logger.cli", "guided: short, reference volts, resistors; gain, offset and how sure"),
    ("target", "logger.cli", "idle current to aim at, with how sure it is, and what to set now"),
    ("budget", "logger.cli", "where the uncertainty of each figure comes from, and what would help most"),
    ("compare", "logger.cli", "what has changed at an amp since earlier soaks of it"),
    ("across", "logger.benches_cli", "what only many soaks show: valves by batch, an amp's years, benches"),
    ("match", "logger.cli", "group measured valves into matched sets"),
    ("dash", "dashboard.cli", "the dashboard"),
    ("jobs", "logger.jobs_cli", "the job record: book in, fit valves, note readings and work, the verdict"),
    ("valves", "logger.jobs_cli", "valves by serial or bag number: where each sat, its hours"),
    ("soaks", "logger.cli", "list the soaks in the store, or show one"),
    ("report", "dashboard.cli", "a soak or a whole job on paper: PDF, HTML, PNG"),
    ("score", "logger.cli", "how good are the detectors: against known truth, with an ideal one beside"),
    ("backup", "logger.cli", "a copy of the store with its photographs, also while it is written to"),
    ("verify", "logger.cli", "is the store whole: file, keys, scans against roll-ups, photographs"),
    ("export", "logger.cli", "a soak as a log file, with its set-up beside it; as JSON or Parquet"),
    ("archive", "logger.archive_cli", "ended soaks as Parquet by bench and month; checked by --verify"),
    ("benches", "logger.benches_cli", "run several benches on this machine, each in a process of its own"),
    ("compact", "logger.archive_cli", "keep every scan of soaks that have ended, in less than half the room"),
    ("thin", "logger.archive_cli", "take scans out of old soaks that are archived; a dry run first"),
    ("collect", "logger.benches_cli", "several benches' stores together in one PostgreSQL database"),
    ("tokens", "logger.benches_cli", "who may collect this store over the network"),
    ("import", "logger.cli", "a log file becomes a soak in the store, also one kept by hand"),
)
"""Name, module, one line."""

EXIT_CODES: tuple[tuple[int, str], ...] = (
    (0, "well"),
    (1, "judge, demo: did not pass; score: a goal was missed; verify, backup, archive: something is wrong"),
    (2, "the request was wrong"),
    (3, "bench or store not reached, or store newer than the program"),
    (4, "a fault in soakbench itself: one sentence, and a report file to send"),
)

BROKEN_PIPE = 141
"""128 + SIGPIPE, as a shell expects of a program whose reader has gone."""

INTERRUPTED = 130
"""128 + SIGINT."""


def main(arguments: list[str] | None = None) -> int:
    """Run one command; return its exit code."""
    # Our matrices are small: threads over them cost more than they bring, twice the CPU of judging a log and
    # many times its duration where something else runs. Read when numpy is first imported.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    args = sys.argv[1:] if arguments is None else arguments
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal without a letter of ours shows "?", no error
    try:
        code = _dispatch(args)
        sys.stdout.flush()
    except BrokenPipeError:
        _forget_output()
        return BROKEN_PIPE
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        return INTERRUPTED
    except Exception as error:
        return _explain(error, args)
    return code


def _dispatch(args: list[str]) -> int:
    if not args or args[0] in ("--help", "-h", "help"):
        print(_help())
        return 0
    if args[0] == "--version":
        print(f"soakbench {_version('soakbench')}")
        return 0
    for name, module, _ in COMMANDS:
        if args[0] == name:
            return _call(module, args)
    _complain(f"there is no command {args[0]!r}{_nearest(args[0])}: see soakbench --help")
    return 2


def _help() -> str:
    width = max(len(name) for name, _, _ in COMMANDS)
    commands = "\n".join(f"  {name:<{width}}  {line}" for name, _, line in COMMANDS)
    codes = "\n".join(f"  {code}  {line}" for code, line in EXIT_CODES)
    return (
        "Usage: soakbench COMMAND [OPTIONS]\n\n"
        "Watches a valve amplifier's output pairs through warm-up and soak, and says whether they passed.\n\n"
        f"Commands:\n{commands}\n\n"
        "Each says more with --help: soakbench judge --help\n"
        "soakbench --version prints the version.\n\n"
        f"Exit codes:\n{codes}"
    )


def _nearest(word: str) -> str:
    import difflib

    near = difflib.get_close_matches(word, [name for name, _, _ in COMMANDS], n=1, cutoff=0.4)
    return f", the nearest is {near[0]!r}" if near else ""


def _call(module: str, args: list[str]) -> int:
    """Import a command's module and run the command by its typer app."""
    import importlib
    import os

    import typer

    # Our matrices are small: threads of a product would wait for each other, at three times the work.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

    command = typer.main.get_command(importlib.import_module(module).app)
    try:
        result = command.main(args, prog_name="soakbench", standalone_mode=False)
    except typer.TyperException as error:  # a wrong option or argument
        _complain(f"{_lowered(error.format_message().rstrip('.'))}: see soakbench {args[0]} --help")
        return 2
    except typer.Abort:
        return INTERRUPTED
    except SystemExit as error:  # typer's own answer to a broken pipe
        raise BrokenPipeError from error
    return result if isinstance(result, int) else 0


def _explain(error: Exception, args: list[str]) -> int:
    """Say an error in one sentence; return its exit code. A fault of ours leaves a report file."""
    from logger.errors import SoakbenchError

    if isinstance(error, SoakbenchError):
        _complain(str(error))
        return error.exit_code
    where = _write_report(error, args)
    _complain(f"a fault in soakbench itself ({type(error).__name__}): please send {where} to its makers")
    return 4


def _write_report(error: Exception, args: list[str]) -> str:
    """Write down what a maker needs to see; return the file's path."""
    import os
    import platform
    import tempfile
    import traceback

    handle, path = tempfile.mkstemp(prefix="soakbench-fault-", suffix=".txt")
    libraries = ("numpy", "scipy", "SQLAlchemy", "pyserial", "pydantic", "dash", "plotly", "typst", "typer")
    with os.fdopen(handle, "w", encoding="utf-8") as out:
        out.write(f"soakbench {_version('soakbench')}\ncommand: {' '.join(args)}\n")
        out.write(f"Python {sys.version}\n{platform.platform()}\n")
        out.writelines(f"{name} {_version(name)}\n" for name in libraries)
        out.write("\n" + "".join(traceback.format_exception(error)))
    return path


def _version(package: str) -> str:
    from importlib import metadata

    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:
        return "(not installed)"


def _complain(sentence: str) -> None:
    print(f"soakbench: {sentence}", file=sys.stderr)


def _lowered(sentence: str) -> str:
    """Make typer's sentence the second half of ours."""
    return sentence[:1].lower() + sentence[1:]


def _forget_output() -> None:
    """Keep Python from complaining, at its exit, of the pipe that is gone."""
    import os

    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)


if __name__ == "__main__":
    sys.exit(main())
