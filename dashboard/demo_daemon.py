"""The daemon on a simulated board, faster than real time; where there are several, each as a process.

python -m dashboard.demo_daemon bench1/bench.toml --port /tmp/bench-daq --store bench1/soak.db --speed 60
"""

from __future__ import annotations

import argparse
import os
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from logger import daemon, setup
from logger.blocks import Mark
from logger.cli import logged, warn
from logger.clock import Clock, SystemClock
from logger.errors import SoakbenchError
from logger.feeds.fitted import feeds_of
from logger.jobs import AS_LEFT
from logger.link.kinds import open_link
from logger.pipeline import Output
from logger.precheck import Load
from logger.resume import Resume

LOAD: Final = Load(ohm=8.0, tap_ohm=8.0, watts=240.0)
"""What the simulated amp has at its output."""
_LOOK_S: Final = 0.5


def measure(
    text: str,
    port: str,
    store: Path,
    speed: float,
    *,
    ends_with_plan: bool,
    say: Callable[[str], None],
    seen: Callable[[float], None] = lambda _t_s: None,
    marks: Sequence[Mark] = (),
    clock: Clock | None = None,
    kind: str = AS_LEFT,
    job_id: int | None = None,
    resume: Resume = "no",
    stop: threading.Event | None = None,
    log: daemon.Log | None = None,
) -> int | None:
    """Soak what plays on a port, by the text of its set-up, until it ends; return the soak's number."""
    found = setup.parse(text, path="the demo's set-up")

    def look(output: Output) -> None:
        seen(output.t_s)

    clock = clock or SystemClock()
    return daemon.Daemon(
        setup=found,
        setup_text=text,
        link=open_link(found, port=port, speed=speed, wait=True),
        store_path=store,
        say=say,
        load=LOAD,
        speed=speed,
        until_plan_done=ends_with_plan,
        on_output=look,
        marks=marks,
        clock=clock,
        kind=kind,
        job_id=job_id,
        resume=resume,
        stop=stop or threading.Event(),
        log=log,
        feeds=feeds_of(found, store, clock, os.environ),
    ).run()


def main(arguments: Sequence[str] | None = None) -> int:
    """Soak as the command line says; return the exit code. Ends with the process that started it."""
    parser = argparse.ArgumentParser(
        prog="python -m dashboard.demo_daemon",
        description="Soaks a simulated amplifier that plays on a port.",
    )
    parser.add_argument("setup", type=Path, metavar="SETUP")
    parser.add_argument("--port", required=True)
    parser.add_argument("--store", type=Path, required=True, metavar="FILE")
    parser.add_argument("--log", type=Path, required=True, metavar="FILE")
    parser.add_argument("--speed", type=float, default=1.0, metavar="N")
    parser.add_argument("--ends-with-plan", action="store_true")
    options = parser.parse_args(arguments)
    stop = threading.Event()
    threading.Thread(target=_follow, args=(os.getppid(), stop), daemon=True).start()
    try:
        with logged(options.log, as_json=False) as log:
            measure(
                setup.read_text(options.setup),
                options.port,
                options.store,
                options.speed,
                ends_with_plan=options.ends_with_plan,
                say=warn,
                resume="may",
                stop=stop,
                log=log,
            )
    except SoakbenchError as error:
        warn(str(error))
        return error.exit_code
    return 0


def _follow(parent: int, stop: threading.Event) -> None:
    """End the soak when this process has been handed to another parent."""
    while os.getppid() == parent:
        SystemClock().sleep(_LOOK_S)
    stop.set()


if __name__ == "__main__":
    sys.exit(main())
