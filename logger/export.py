"""A stored soak as a log file, with the set-up beside it that `judge` reads it by."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from logger import logfile
from logger.blocks import ScanBlock
from logger.errors import RequestError
from logger.store.reader import Reader


def export_log(
    reader: Reader,
    which: int | str,
    out: Path,
    *,
    setup_path: Path | None = None,
    force: bool = False,
    progress: Callable[[float], None] = lambda _t_s: None,
    calibration: int | str = "in force",
) -> Path:
    """Write all scans of a soak to `out` (`.csv` or `.csv.gz`); return where its set-up went.

    The set-up goes to `setup_path`, else beside the log under its name with `.toml`. `progress` is told how
    far it is, in seconds of the soak. `calibration` as for `judge_soak`. FileExistsAlready where either
    exists and `force` is not set.
    """
    if not out.name.lower().endswith((".csv", ".csv.gz")):
        raise RequestError(f"a log is a .csv or a .csv.gz, and {out.name} is neither: name it so")
    soak = reader.soak(which)

    def scans() -> Iterator[ScanBlock]:
        for block in reader.scan_blocks(soak.id):
            yield block
            progress(float(block.t_us[-1]) / 1e6)

    return logfile.write(
        out,
        soak.setup,
        soak.setup_text,
        soak.daq,
        scans(),
        reader.marks(soak.id),
        calibration=reader.calibration_of(soak, calibration),
        setup_path=setup_path,
        force=force,
    )
