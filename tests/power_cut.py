"""A power cut, simulated: each state in which a program's files may be left, from what it wrote and synced.

What is modelled: nothing that was not synced need be there after the cut, in any choice and not only the
last; a write may be there in part, each sector of 512 bytes for itself; a file that was cut short without a
sync may still be as long as it was; and a file that was made or taken away, without its folder being synced
since, may be missing or still there. What is not: a disk that says that it has synced and has not, a sector
that is neither old nor new, and what a controller does to other sectors.
"""

from __future__ import annotations

import random
import sqlite3
import struct
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from logger.store.reader import Reader

SECTOR: Final = 512
_RECORD: Final = struct.Struct("=qqqii")
_NO_FILES_OF_IT: Final = ("-shm", "-now", ".lock", ".daemon")
"""What a start after the cut makes anew."""


@dataclass(frozen=True)
class Deed:
    """What was done to a file: opened, written, cut to a length, synced, unlinked; or a folder synced."""

    at_s: float
    what: str
    name: str
    offset: int = 0
    length: int = 0
    data: bytes = b""


@dataclass
class _Disk:
    """What surely lies on the disk, and what may."""

    sure: dict[str, bytearray] = field(default_factory=dict)
    names: set[str] = field(default_factory=set)
    """Files that are surely in their folder."""
    pending: list[Deed] = field(default_factory=list)

    def do(self, deed: Deed) -> None:
        if deed.what != "s":
            self.pending.append(deed)
            return
        kept = []
        for one in self.pending:
            if one.what in "ou" and str(Path(one.name).parent) == deed.name:
                self.names.discard(one.name) if one.what == "u" else self.names.add(one.name)
            elif one.what not in "ou" and one.name == deed.name:
                _apply(self.sure, one, None)
            else:
                kept.append(one)
        self.pending = kept

    def left(self, rng: random.Random, keep: float) -> dict[str, bytearray]:
        """Return what a cut may leave: of what is not sure each deed with this probability, some torn."""
        files = {name: bytearray(data) for name, data in self.sure.items()}
        names = set(self.names)
        for one in self.pending:
            if rng.random() >= keep:
                continue
            if one.what in "ou":
                names.discard(one.name) if one.what == "u" else names.add(one.name)
                continue
            torn = 0.0 < keep < 1.0 and len(one.data) > SECTOR and rng.random() < 0.3
            _apply(files, one, rng if torn else None)
        return {name: data for name, data in files.items() if name in names}


def _apply(files: dict[str, bytearray], deed: Deed, torn: random.Random | None) -> None:
    file = files.setdefault(deed.name, bytearray())
    if deed.what == "t":
        del file[deed.length :]
        file.extend(bytes(deed.length - len(file)))
        return
    file.extend(bytes(max(0, deed.offset + len(deed.data) - len(file))))
    for start in range(0, len(deed.data), SECTOR):
        if torn is None or torn.random() < 0.5:
            part = deed.data[start : start + SECTOR]
            file[deed.offset + start : deed.offset + start + len(part)] = part


def deeds(log: Path, store: Path) -> Iterator[Deed]:
    """Read what a faulty machine has recorded of a store's files, in order."""
    names: dict[int, str] = {}
    data = log.read_bytes()
    at = 0
    while at + _RECORD.size <= len(data):
        at_ns, offset, length, what, fd = _RECORD.unpack_from(data, at)
        at += _RECORD.size
        more = data[at : at + length] if chr(what) in "owu" else b""
        at += len(more)
        name = more.decode() if chr(what) in "ou" else names.get(fd, "")
        if chr(what) == "o":
            names[fd] = name
        folder = name == str(store.parent)
        if (folder and chr(what) == "s") or (
            name.startswith(str(store)) and not name.endswith(_NO_FILES_OF_IT)
        ):
            content = more if chr(what) == "w" else b""
            yield Deed(at_ns / 1e9, chr(what), name, offset, length, content)


@dataclass
class Cuts:
    """What many cuts left: how many, and of each (when, how many scans were stored)."""

    states: int = 0
    stored: list[tuple[float, int]] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


def cuts(log: Path, store: Path, folder: Path, sent: Sequence[int], most: int, seed: int) -> Cuts:
    """Cut the power at moments all over a record, and look at what is left of the store.

    Wrong is a state that SQLite finds damaged, that has other scans than the first so many of those that were
    sent, or fewer than had been committed by then.
    """
    rng = random.Random(seed)
    all_deeds = list(deeds(log, store))
    chance = min(1.0, most / 3 / max(1, len(all_deeds)))
    disk, found, committed = _Disk(), Cuts(), 0

    def look(keep: float, where: str, at_s: float) -> int:
        wrong: list[str] = []
        stored = _look(disk.left(rng, keep), folder / store.name, sent, wrong)
        if stored < committed:
            wrong.append(f"{stored} scans, and {committed} had been committed")
        found.states += 1
        found.stored.append((at_s, stored))
        found.wrong += [f"{where}: {one}" for one in wrong]
        return stored

    for number, deed in enumerate(all_deeds):
        if rng.random() < chance or deed.what == "s":
            for keep in (0.0, 1.0, rng.choice([0.2, 0.5, 0.8])):
                look(keep, f"before deed {number}, {keep:.0%} of what is not synced", deed.at_s)
        disk.do(deed)
        if deed.what == "s":
            committed = look(0.0, f"after sync {number}", deed.at_s)
    return found


def _look(files: dict[str, bytearray], path: Path, sent: Sequence[int], wrong: list[str]) -> int:
    """Lay a state out, open it as a start after the cut does, and return how many scans it has."""
    for old in path.parent.iterdir():
        old.unlink()
    for name, data in files.items():
        path.with_name(Path(name).name).write_bytes(data)
    with closing(sqlite3.connect(path)) as db:
        try:
            says = db.execute("PRAGMA integrity_check").fetchall()
            begun = db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'soak'").fetchone()[0]
            begun = begun and db.execute("SELECT count(*) FROM soak").fetchone()[0]
        except sqlite3.DatabaseError as error:
            says = [(str(error),)]
    if says != [("ok",)]:
        wrong.append(str(says[0]))
        return 0
    if not begun:
        return 0
    stored = Reader(path).scans(1).sequence.tolist()
    if stored != list(sent[: len(stored)]):
        wrong.append("scans are missing in between")
    return len(stored)
