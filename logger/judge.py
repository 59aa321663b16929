"""Judge a log file or a stored soak: the pipeline of the live daemon, with another source."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from logger import logfile
from logger.pipeline import Pipeline
from logger.setup import Setup
from logger.store.reader import Reader

Progress = Callable[[float], None]
"""Is told how far the judging is, in seconds of the soak."""


def _unheard(_what: object) -> None:
    """Take no notice."""


def judge_log(
    path: Path, setup: Setup, progress: Progress = _unheard, say: Callable[[str], None] = _unheard
) -> dict[str, Any]:
    """Judge a log file; return the `soakbench.judge/1` document.

    `say` gets a sentence for each thing that was recognised in a file that is not quite ours. LogFileError
    where the file can't be read.
    """
    pipeline = Pipeline(setup)
    log = logfile.read(path, setup)
    for readings, marks in log:
        progress(pipeline.feed(readings, marks).now["t_s"])
    pipeline.finish()
    for note in log.notes:
        say(note)
    pipeline.skipped(log.skipped, log.first_skipped)
    return pipeline.verdict()


def judge_soak(
    reader: Reader, soak_id: int, progress: Progress = _unheard, calibration: int | str = "in force"
) -> dict[str, Any]:
    """Judge a soak of the store anew from its scans and marks, as far as it has got.

    `calibration`: "in force" for the one it was measured by, "none", "newest" or a number.
    """
    soak = reader.soak(soak_id)
    pipeline = Pipeline(soak.setup, soak.daq, reader.calibration_of(soak, calibration))
    for scans, marks in reader.replay(soak.id):
        progress(pipeline.feed(scans, marks).now["t_s"])
    pipeline.finish()
    return pipeline.verdict()
