"""How quick the report is: from a store to a PDF in a fresh process, over matplotlib's bare savefig.

    python benchmarks/report.py

Both are whole processes, imports and all, run in turn. The plain program draws lines of as many points with
matplotlib and saves them as a PDF: the ratio is what soakbench adds, whatever the machine.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

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

SETUP = f"""
schema = "soakbench.setup/1"
[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
scans_per_s = {PER_S}
[plan]
steps = [{{step = "warm-up", minutes = 30}}, {{step = "soak", minutes = 120}}]
""" + "".join(
    f'[[channel]]\nname = "pair{k}"\nmeasures = "pair current"\nsense_ohm = 1.0\n'
    for k in range(1, PAIRS + 1)
)

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


def results() -> list[dict[str, Any]]:
    """Return the figures, each with the spread of the runs."""
    with tempfile.TemporaryDirectory() as folder:
        store, out = Path(folder) / "soak.db", Path(folder) / "soak.pdf"
        _keep(store)
        ours, plain, job = [], [], []
        for _ in range(RUNS):
            ours.append(_timed(OURS, store, out))
            plain.append(_timed(PLAIN, store, out))
            job.append(_timed(JOB, store, out))
    ratios = [a / b for a, b in zip(ours, plain, strict=True)]
    return [
        _figure("report: from store to PDF, in a fresh process", ours, "s", GOAL_S),
        _figure("report: of a job with two soaks and a photograph, in a fresh process", job, "s", GOAL_S),
        _figure("report: over a bare savefig of matplotlib", ratios, "ratio", None),
    ]


def _timed(program: str, store: Path, out: Path) -> float:
    began = time.perf_counter()
    subprocess.run([sys.executable, "-c", program, str(store), str(out)], check=True)
    return time.perf_counter() - began


def _figure(name: str, values: list[float], unit: str, goal: float | None) -> dict[str, Any]:
    return {
        "name": name,
        "value": round(statistics.median(values), 3),
        "unit": unit,
        "goal": goal,
        "better": "less",
        "n": len(values),
        "low": round(min(values), 3),
        "high": round(max(values), 3),
    }


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
    json.dump(results(), sys.stdout, indent=1)
    print()
