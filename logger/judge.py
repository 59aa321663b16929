"""Judge a log file or a stored soak: the pipeline of the live daemon, with another source."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger import logfile
from logger.blocks import Mark, ReadingBlock, ScanBlock
from logger.errors import FileExistsAlready
from logger.explain import Explainer
from logger.pipeline import Pipeline
from logger.setup import Setup

if TYPE_CHECKING:  # a log is judged without a store, and SQLAlchemy takes 25 MB
    from logger.jobs import Job
    from logger.store.reader import Reader

Progress = Callable[[float], None]
"""Is told how far the judging is, in seconds of the soak."""


def _unheard(_what: object) -> None:
    """Take no notice."""


def judge_log(
    path: Path,
    setup: Setup,
    progress: Progress = _unheard,
    say: Callable[[str], None] = _unheard,
    explain: tuple[str, Path, bool] | None = None,
) -> dict[str, Any]:
    """Judge a log file; return the `soakbench.judge/1` document.

    `explain`: a pair, the file to draw into what each detector saw of it, and whether to overwrite that.
    `say` gets a sentence for each thing that was recognised in a file that is not quite ours. LogFileError
    where the file can't be read.
    """
    pipeline = Pipeline(setup)
    log = logfile.read(path, setup)
    _replay(pipeline, log, progress, explain)
    for note in log.notes:
        say(note)
    pipeline.skipped(log.skipped, log.first_skipped)
    return pipeline.verdict()


def judge_soak(
    reader: Reader,
    soak_id: int,
    progress: Progress = _unheard,
    calibration: int | str = "in force",
    explain: tuple[str, Path, bool] | None = None,
) -> dict[str, Any]:
    """Judge a soak of the store anew from its scans and marks, as far as it has got.

    `calibration`: "in force" for the one it was measured by, "none", "newest" or a number. `explain` as
    for a log.
    """
    soak = reader.soak(soak_id)
    pipeline = Pipeline(soak.setup, soak.daq, reader.calibration_of(soak, calibration))
    _replay(pipeline, reader.replay(soak.id), progress, explain)
    return pipeline.verdict()


def judge_archived(
    path: Path, progress: Progress = _unheard, explain: tuple[str, Path, bool] | None = None
) -> dict[str, Any]:
    """Judge a soak anew from its file in an archive, which has all that it takes."""
    from logger.archive import ArchivedSoak

    found = ArchivedSoak.open(path)
    pipeline = Pipeline(found.soak.setup, found.soak.daq, found.calibration)
    _replay(pipeline, found.replay(), progress, explain)
    return pipeline.verdict()


def judged_job(reader: Reader, job: Job, progress: Progress = _unheard) -> Job:
    """Return a job with those of its soaks that a crash broke off judged for what was seen."""
    soaks = [
        soak.with_verdict(judge_soak(reader, soak.id, progress)) if soak.unjudged else soak
        for soak in job.soaks
    ]
    return replace(job, soaks=tuple(soaks))


def _replay(
    pipeline: Pipeline,
    source: Iterable[tuple[ScanBlock | ReadingBlock, Sequence[Mark]]],
    progress: Progress,
    explain: tuple[str, Path, bool] | None,
) -> None:
    if explain is None:
        for block, marks in source:
            progress(pipeline.feed(block, marks).t_s)
        pipeline.finish()
        return
    channel, path, force = explain
    if path.exists() and not force:
        raise FileExistsAlready(path)  # before an hour of judging, not after it
    explainer = Explainer(pipeline.setup, channel)
    for block, marks in source:
        explainer.feed(pipeline, block, marks)
        progress(float(block.t_us[-1]) / 1e6 if len(block) else 0.0)
    pipeline.finish()
    explainer.write(path, pipeline.findings, force=force)
