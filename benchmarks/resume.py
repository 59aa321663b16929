"""How long does a daemon that is started again take to replay its soak? A simulated amp, 10 scans a second.

From the store on disk through a new pipeline, as `soakbench run` does it; scans wait in the link meanwhile.

    python -m benchmarks.resume [HOURS]
"""

from __future__ import annotations

import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from benchmarks.lines import Line, line, show
from logger import resume
from logger.clock import ManualClock
from logger.pipeline import Pipeline
from logger.setup import parse
from logger.simulator.scenarios import scenario
from logger.store.reader import Reader
from logger.store.writer import Writer

HOURS = 24.0
SCANS_PER_S = 10.0
GOAL_S = 60.0


def results(hours: float = HOURS) -> list[Line]:
    """Return the processor time that a replay takes, and what it comes to in microseconds a scan."""
    played = scenario("healthy", 1, warm_up_min=30, soak_min=60.0 * hours - 30)
    text = played.setup_text(scans_per_s=SCANS_PER_S)
    setup = parse(text)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "soak.db"
        writer = Writer(path, ManualClock())
        started = datetime(2026, 1, 1, tzinfo=UTC)
        writer.begin_soak(setup=setup, setup_text=text, daq=played.info, started=started)
        for block in played.scans(hours * 3600.0, SCANS_PER_S, block_s=100.0):
            writer.add_scans(block)
            writer.commit()
        reader = Reader(path)
        soak = reader.soak(1)
        pipeline = Pipeline(setup, played.info)
        began_s = time.process_time()
        resume.replay(reader, soak, pipeline, None)
        took_s = time.process_time() - began_s
        writer.close()
    scans = soak.scans
    return [
        line(f"resume: replay {hours:g} h of {len(setup.channel)} channels", "s", GOAL_S, [took_s]),
        line("resume: replay, a scan", "us", None, [1e6 * took_s / scans]),
    ]


if __name__ == "__main__":
    show(results(float(sys.argv[1]) if len(sys.argv) > 1 else HOURS))
