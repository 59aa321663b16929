"""Going on with a soak that a crash left without an end: which one, what its hole is, and its replay.

Nothing of what detectors had learnt is kept anywhere: what is stored is played through a new pipeline.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final, Literal

from logger.blocks import DaqInfo, ScanBlock
from logger.errors import RequestError, SetupError, StoreError
from logger.pipeline import Output, Pipeline
from logger.precheck import BeforePower, Check
from logger.setup import Setup
from logger.store.reader import Reader, Soak
from logger.units import duration

Resume = Literal["no", "may", "must"]
"""Whether a soak is gone on with: never, if it was left within ten minutes, or whenever it can be."""

WITHIN_S: Final = 600.0
_U32: Final = 2**32


@dataclass(frozen=True)
class Hole:
    """The time between the last scan that is stored and the first new one.

    `us` is what the soak's time goes on by, at least one scan; `host_us` what the computer's clock says,
    below zero where it was set back. `by_device`: the DAQ's own counter went on, and gave `us`.
    """

    us: int
    host_us: int
    by_device: bool

    @property
    def short(self) -> bool:
        """Whether it is one that is gone on over without being asked to."""
        return self.us <= WITHIN_S * 1e6 and (self.by_device or self.host_us >= -WITHIN_S * 1e6)


def left_open(
    reader: Reader, setup: Setup, now: datetime, resume: Resume, job_id: int | None = None
) -> Soak | None:
    """Return the soak that may be gone on with, as far as is known before the board answers.

    Where a job is named it is one of that job.

    RequestError, with the reason, where one must be and there is none.
    """
    if resume == "no":
        return None
    soaks = reader.soaks()
    soak = soaks[-1] if soaks else None
    if soak is None:
        why = f"the store {reader.path} has no soak yet"
    elif soak.ended is not None:
        why = f"soak {soak.id}, the last one, has ended ({soak.how})"
    elif not _same_setup(soak, setup):
        why = f"soak {soak.id} was begun with another set-up than this one"
    elif job_id is not None and soak.job_id != job_id:
        why = f"soak {soak.id} is none of job {job_id}"
    elif soak.last_t_us is None:
        why = f"of soak {soak.id} no scan was stored"
    elif resume == "may" and (now - _last_seen(soak)).total_seconds() > WITHIN_S:
        return None
    else:
        return soak
    if resume == "must":
        raise RequestError(f"there is no soak to go on with: {why}; without --resume a new one begins")
    return None


def expected(store: Path, setup: Setup, now: datetime, resume: Resume, job_id: int | None = None) -> bool:
    """Say whether a soak will most likely be gone on with; of a store that can't be read yet it is not.

    RequestError where one must be and there is none.
    """
    if not store.exists():
        if resume == "must":
            raise RequestError(
                f"there is no soak to go on with: there is no store {store}; name it with --db"
            )
        return False
    try:
        return left_open(Reader(store), setup, now, resume, job_id) is not None
    except StoreError:  # whoever opens it to write will say so, or bring it up to date
        return False


def other_board(soak: Soak, daq: DaqInfo) -> str | None:
    """Return in what the board that answers is not the one a soak was begun with, None where it is."""
    if daq.board_id != soak.daq.board_id:
        return f"soak {soak.id} was begun with the DAQ {soak.daq.board_id}, and {daq.board_id} answers"
    if (daq.volts_per_count, daq.full_count) != (soak.daq.volts_per_count, soak.daq.full_count):
        return f"the DAQ {daq.board_id} has other scales than when soak {soak.id} was begun"
    return None


def hole(soak: Soak, last_sequence: int, first: ScanBlock, now: datetime, period_us: int) -> Hole:
    """Work out how long nothing was recorded; `last_sequence` of the last scan stored, `first`: the new ones.

    A board that was not reset has counted on, scans and milliseconds alike (protocol.md: after a reset it
    scans only once it is told to, from 0). Of one that was reset the computer's clock tells, and it can't
    have been away for less than it has been up since.
    """
    host_us = (now - _last_seen(soak)) // timedelta(microseconds=1)
    if soak.last_ms is None or first.ms is None:
        return Hole(max(period_us, host_us), host_us, by_device=False)
    scans = (int(first.sequence[0]) - last_sequence) % _U32
    step_us = (int(first.ms[0]) - soak.last_ms) % _U32 * 1000
    forward = 0 < scans < _U32 // 2 and 0 < step_us < _U32 // 2 * 1000
    if forward and abs(scans * period_us - step_us) <= 0.2 * step_us + 3 * period_us:
        return Hole(step_us, host_us, by_device=True)
    up_us = 0 if forward else int(first.ms[0]) * 1000
    return Hole(max(period_us, host_us, up_us), host_us, by_device=False)


def replay(
    reader: Reader,
    soak: Soak,
    pipeline: Pipeline,
    before_power: BeforePower | None,
    judged: Callable[[], None] = lambda: None,
) -> tuple[Output, list[Check] | None]:
    """Give a soak's scans and marks to a new pipeline; `judged` is called after each block.

    Returns how it stands at the last scan, and the checks before power where they came due on the way.
    """
    made: list[Check] | None = None
    for block, marks in reader.replay(soak.id):
        output = pipeline.feed(block, marks)
        judged()
        if before_power is not None:
            made = made or before_power.feed(block)
    return output, made


def told(soak: Soak, gap: Hole) -> str:
    """Return the line that says in the record that the soak was gone on with."""
    if gap.by_device:
        return f"started again, no scans for {_seconds(gap.us)}"
    why = ", since the DAQ was reset meanwhile" if soak.last_ms is not None else ""
    return f"started again, no scans for about {_seconds(gap.us)} by the computer's clock{why}"


def _same_setup(soak: Soak, setup: Setup) -> bool:
    """Whether a soak's set-up means the same, also where another version of soakbench made its digest."""
    try:
        return soak.setup_digest == setup.digest or soak.setup.digest == setup.digest
    except SetupError:  # as a later version wrote it
        return False


def _seconds(us: int) -> str:
    return f"{us / 1e6:.1f} s" if us < 60e6 else duration(us / 1e6)


def _last_seen(soak: Soak) -> datetime:
    """Return when the last scan came by the computer's clock; of an older store as the soak's time says."""
    return soak.last_seen or soak.started + timedelta(microseconds=soak.last_t_us or 0)
