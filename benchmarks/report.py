"""How quick the report is: from a store to a PDF in a fresh process, over matplotlib's bare savefig.

    python -m benchmarks.report

Both are whole processes, imports and all, run in turn. The plain program draws lines of as many points with
matplotlib and saves them as a PDF: the ratio is what soakbench adds, whatever the machine.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from PIL import Image

from benchmarks.lines import Line, in_turn, line, over, setup_text, show
from logger.blocks import ScanBlock
from logger.checklist import items, templates
from logger.clock import SystemClock
from logger.convert import Converter, daq_from_setup
from logger.judge import judge_soak
from logger.setup import parse
from logger.store.reader import Reader
from logger.store.record import Record
from logger.store.writer import Writer

PAIRS = 4
SECONDS = 9000  # 2 h 30 min
PER_S = 10
RUNS = 7
GOAL_S = 3.0

SETUP = setup_text(PAIRS, others=False)

OURS = """
import sys
from pathlib import Path
from dashboard.report import write_report
from logger.clock import SystemClock
from logger.store.reader import Reader
write_report(Reader(sys.argv[1]), "last", Path(sys.argv[2]), clock=SystemClock(), force=True)
"""

JOB = """
import sys
from pathlib import Path
from dashboard.job_report import write
from logger.clock import SystemClock
from logger.store.reader import Reader
write(Reader(sys.argv[1]), 1, Path(sys.argv[2]), clock=SystemClock(), force=True)
"""

PLAIN = f"""
import sys
import numpy as np
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.figure import Figure
figure = Figure(figsize=(6.85, 5.0))
axes = figure.subplots(2, 1, sharex=True)
t_s = np.arange(0.0, {SECONDS}.0, 10.0)
for k in range({PAIRS}):
    for panel in axes:
        panel.plot(t_s, np.sin(t_s / 900.0 + k))
FigureCanvasPdf(figure).print_pdf(sys.argv[2])
"""


def results() -> list[Line]:
    """Return the figures, each with the spread of the runs."""
    with tempfile.TemporaryDirectory() as folder:
        store, out = Path(folder) / "soak.db", Path(folder) / "soak.pdf"
        _keep(store)

        def program(text: str) -> Callable[[], object]:
            command = [sys.executable, "-c", text, str(store), str(out)]
            return lambda: subprocess.run(command, check=True)

        ours, plain, job = in_turn(RUNS, program(OURS), program(PLAIN), program(JOB))
    return [
        line("report: from store to PDF, in a fresh process", "s", GOAL_S, ours),
        line("report: of a job with two soaks and a photograph, in a fresh process", "s", GOAL_S, job),
        line("report: over a bare savefig of matplotlib", "ratio", None, over(ours, plain)),
    ]


def _keep(path: Path) -> None:
    """Keep two ordinary soaks, judged, and the job that they belong to, in a store."""
    setup = parse(SETUP)
    daq = daq_from_setup(setup)
    converter = Converter(setup, daq)
    rng = np.random.default_rng(1)
    t_s = np.arange(SECONDS * PER_S) / PER_S
    hot = (1.0 - np.exp(-np.maximum(t_s - 40.0, 0.0) / 8.0)) * (1.0 - 0.08 * np.exp(-t_s / 500.0))
    noise = 1e-4 * rng.standard_normal((len(t_s), PAIRS))
    amperes = (0.076 + 0.0005 * np.arange(PAIRS)) * hot[:, None] + noise
    counts = np.column_stack([converter.counts(k, amperes[:, k]) for k in range(PAIRS)])
    scans = ScanBlock(
        np.round(t_s * 1e6).astype(np.int64),
        np.arange(len(t_s), dtype=np.int64),
        np.round(counts).astype(np.int32),
    )
    started = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
    record = Record(path, SystemClock(), "bench")
    job = record.book_in(amp=setup.amp.name, complaint="none", checklist=items(templates()["full"], setup))
    picture = path.with_name("photograph.jpg")
    Image.fromarray(rng.integers(0, 255, (3000, 4000, 3), dtype=np.uint8)).save(picture)
    record.attach(job, picture, "as large as a camera's")
    for number, kind in enumerate(("as found", "as left"), 1):
        with Writer(path, SystemClock()) as writer:
            begun = started + timedelta(seconds=(number - 1) * 2 * SECONDS)
            writer.begin_soak(setup=setup, setup_text=SETUP, daq=daq, started=begun, kind=kind, job_id=job)
            writer.add_scans(scans)
            writer.commit()
            verdict = judge_soak(Reader(path), number)
            writer.end_soak(ended=begun + timedelta(seconds=SECONDS), how="finished", verdict=verdict)


if __name__ == "__main__":
    show(results())
