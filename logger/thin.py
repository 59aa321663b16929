"""What old soaks keep in a store: roll-ups and the minutes around findings, once an archive has all of them.

A soak goes only where its file in the archive was read back in this very run and is, scan by scan, what the
store has. Verdict, findings, marks and roll-ups stay, and with them every page, report and comparison.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from logger import archive as archiving
from logger.clock import Clock
from logger.errors import RequestError
from logger.store import thinning
from logger.store.reader import Reader, Soak, Thinned

Progress = Callable[[float], None]


@dataclass(frozen=True)
class Outcome:
    """What goes of a soak, or why nothing does: `stays` is then a few words.

    `scans` and `bytes` are those that go, `kept_s` how many seconds of scans are left.
    """

    soak: Soak
    stays: str = ""
    scans: int = 0
    bytes: int = 0
    kept_s: int = 0
    findings: int = 0


def months_before(now: datetime, months: int) -> datetime:
    """Return the same day and time so many months earlier, or the last day of that month before it."""
    month = now.year * 12 + now.month - 1 - months
    for day in (now.day, 30, 29, 28):
        try:
            return now.replace(year=month // 12, month=month % 12 + 1, day=day)
        except ValueError:
            if month < 12:
                break
    raise RequestError(f"{months} months ago is before all dates: name fewer")


def thin(
    store: Path,
    out: Path,
    before: datetime,
    clock: Clock,
    *,
    really: bool,
    progress: Progress = lambda _t_s: None,
) -> Iterator[Outcome]:
    """Yield what goes of each soak that ended before a time, or why it stays; `really`: and let it go.

    `out` is the archive. What a run that was cut off left of a thinned soak's scans goes too.
    """
    archiving.arrow()
    if not (out / "soaks").is_dir():
        raise RequestError(f"{out} is no archive: soakbench archive --out makes one")
    reader = Reader(store)
    for soak in reader.soaks():
        if soak.ended is None or soak.ended >= before:
            continue
        found = _looked_at(reader, soak, out, progress)
        if found is None:
            continue
        if really and not found.stays:
            if soak.thinned is None:
                thinning.thin(store, soak, _thinned(reader, soak, out, clock), clock)
            else:
                thinning.clear(store, soak, soak.thinned.kept, clock)
        yield found


def _thinned(reader: Reader, soak: Soak, out: Path, clock: Clock) -> Thinned:
    kept = thinning.around(reader.findings(soak.id), (soak.last_t_us or 0) / 1e6)
    return Thinned(clock.wall(), str((out / archiving.file_of(soak, out)).resolve()), kept)


def _looked_at(reader: Reader, soak: Soak, out: Path, progress: Progress) -> Outcome | None:
    """Return what would go of a soak, None where it is thinned already and nothing is left over."""
    findings = reader.findings(soak.id)
    last_s = (soak.last_t_us or 0) / 1e6
    kept = thinning.around(findings, last_s) if soak.thinned is None else soak.thinned.kept
    scans, size = reader.look(lambda c: thinning.fetch_weight(c, soak, kept))
    if not scans:
        return None if soak.thinned is not None else Outcome(soak, "all of it is around findings, or empty")
    if soak.verdict is None:
        return Outcome(soak, "it has no verdict, and could not be judged any more")
    manifest = archiving.manifest_of(soak, out)
    if not manifest.exists():
        return Outcome(soak, f"it is not in the archive {out}")
    try:
        wrong = archiving.check(out, archiving.read_manifest(manifest), reader, soak, progress)
    except RequestError as error:
        wrong = [str(error)]
    if wrong:
        return Outcome(soak, wrong[0])
    kept_s = sum(min(high, int(last_s) + 1) - low for low, high in kept)
    return Outcome(soak, "", scans, size, kept_s, len(findings))


def restore(store: Path, out: Path, soak: Soak, progress: Progress = lambda _t_s: None) -> None:
    """Bring all scans of a thinned soak back from an archive. RequestError where that has not all of them."""
    if soak.thinned is None:
        raise RequestError(f"soak {soak.id} has all its scans: nothing is to be brought back")
    manifest = archiving.manifest_of(soak, out)
    if not manifest.exists():
        raise RequestError(f"soak {soak.id} is not in the archive {out}: it was {soak.thinned}")
    document = archiving.read_manifest(manifest)
    wrong = archiving.check(out, document, Reader(store), soak, progress)
    if wrong:
        raise RequestError(wrong[0])
    thinning.restore(store, soak, archiving.ArchivedSoak.open(out / document["file"]).scan_blocks())
