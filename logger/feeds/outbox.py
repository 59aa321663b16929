"""What is still to be sent, in a file beside the store: numbered, in order, bounded, and safe from a kill.

SQLite, one connection, one thread: the feed's. It also keeps the bench's own id, made once; how each finding
stood when it was last told, so that a daemon started again tells what is missing; and what was asked from
outside, so that a request that comes twice is one.
"""

from __future__ import annotations

import json
import sqlite3
import uuid
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from logger.errors import StoreError, StoreTooNew
from logger.feeds.feed import Stand

ROOM: Final = 10_000
"""What waits at most; for one more the oldest is given up, and counted."""
ASKED_KEPT: Final = 1000
_VERSION: Final = 1
_TABLES: Final = """
CREATE TABLE IF NOT EXISTS kept (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS waiting (sequence INTEGER PRIMARY KEY AUTOINCREMENT, document TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS told (
    soak INTEGER, finding INTEGER, stand TEXT NOT NULL, document TEXT NOT NULL, PRIMARY KEY (soak, finding)
);
CREATE TABLE IF NOT EXISTS asked (id TEXT PRIMARY KEY, answer TEXT);
"""


def path_of(store: Path | str) -> Path:
    """Return where a store's outbox lies."""
    return Path(f"{store}-outbox")


class Outbox:
    """The file; a context manager. StoreError where it can't be used, StoreTooNew if a later one made it."""

    def __init__(self, path: Path | str, room: int = ROOM) -> None:
        self.path = Path(path)
        self._room = room
        with self._translated():
            self._db = sqlite3.connect(self.path, isolation_level=None, timeout=2.0)
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.executescript(_TABLES)
            with self.batch():
                for name, value in (
                    ("version", str(_VERSION)),
                    ("bench", str(uuid.uuid4())),
                    ("lost", "0"),
                ):
                    self._db.execute("INSERT OR IGNORE INTO kept VALUES (?, ?)", (name, value))
            if int(self._kept("version")) > _VERSION:
                raise StoreTooNew(f"the outbox {self.path} was made by a later soakbench: update this one")
            self.bench = self._kept("bench")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._db.close()

    @contextmanager
    def batch(self) -> Iterator[None]:
        """Make all that is done inside one commit, or none of it."""
        with self._translated():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")

    def add(self, document: Mapping[str, Any]) -> int:
        """Put something behind all that waits; return its number, which no other ever has."""
        with self._translated():
            row = self._db.execute("INSERT INTO waiting (document) VALUES (?)", (_text(document),))
            sequence = row.lastrowid
            assert sequence is not None
            over = self.waiting - self._room
            if over > 0:
                self._db.execute(
                    "DELETE FROM waiting WHERE sequence IN (SELECT sequence FROM waiting ORDER BY 1 LIMIT ?)",
                    (over,),
                )
                self.lose(over)
            return sequence

    def oldest(self, most: int = 1) -> list[tuple[int, dict[str, Any]]]:
        """Return what is to be sent next, in order, each with its number; empty where nothing waits."""
        with self._translated():
            rows = self._db.execute("SELECT sequence, document FROM waiting ORDER BY 1 LIMIT ?", (most,))
            return [(sequence, json.loads(document)) for sequence, document in rows]

    def sent(self, sequences: Sequence[int]) -> None:
        """Take out what has surely arrived, in one commit. What was given up for want of room meanwhile, but
        arrived all the same, is not counted as lost any more."""
        if not sequences:
            return
        with self.batch():
            numbers = [(sequence,) for sequence in sequences]
            found = self._db.executemany("DELETE FROM waiting WHERE sequence = ?", numbers).rowcount
            if found < len(sequences):
                self.lose(found - len(sequences))

    def lose(self, count: int = 1) -> None:
        """Count what is given up."""
        with self._translated():
            self._db.execute("UPDATE kept SET value = value + ? WHERE name = 'lost'", (count,))

    @property
    def waiting(self) -> int:
        """How many wait."""
        with self._translated():
            return int(self._db.execute("SELECT count(*) FROM waiting").fetchone()[0])

    @property
    def lost(self) -> int:
        """How many were given up since the file was made."""
        return int(self._kept("lost"))

    def told(self, soak_id: int) -> dict[int, tuple[Stand, dict[str, Any]]]:
        """Return how each finding of a soak stood when it was last told, with what was told."""
        with self._translated():
            rows = self._db.execute("SELECT finding, stand, document FROM told WHERE soak = ?", (soak_id,))
            return {
                number: ((rank, bool(still), bool(seen)), json.loads(document))
                for number, stand, document in rows
                for rank, still, seen in [json.loads(stand)]
            }

    def tell(self, soak_id: int, finding_id: int, stand: Stand, document: Mapping[str, Any]) -> None:
        """Keep how a finding stands that is being told; what was told of earlier soaks is forgotten."""
        with self._translated():
            self._db.execute("DELETE FROM told WHERE soak <> ?", (soak_id,))
            self._db.execute(
                "INSERT OR REPLACE INTO told VALUES (?, ?, ?, ?)",
                (soak_id, finding_id, json.dumps(stand), _text(document)),
            )

    def untell(self, soak_id: int, finding_id: int) -> None:
        """Forget a finding that never was."""
        with self._translated():
            self._db.execute("DELETE FROM told WHERE soak = ? AND finding = ?", (soak_id, finding_id))

    def asked(self, request: str) -> tuple[bool, str | None]:
        """Note a request by its id, before it is done; say whether it is new, and how it was answered."""
        with self._translated():
            row = self._db.execute("SELECT answer FROM asked WHERE id = ?", (request,)).fetchone()
            if row is not None:
                return False, row[0]
            self._db.execute("INSERT INTO asked VALUES (?, NULL)", (request,))
            self._db.execute(
                "DELETE FROM asked WHERE rowid <= (SELECT max(rowid) FROM asked) - ?", (ASKED_KEPT,)
            )
            return True, None

    def answered(self, request: str, answer: str) -> None:
        """Keep how a request was answered."""
        with self._translated():
            self._db.execute("UPDATE asked SET answer = ? WHERE id = ?", (answer, request))

    def _kept(self, name: str) -> str:
        with self._translated():
            return str(self._db.execute("SELECT value FROM kept WHERE name = ?", (name,)).fetchone()[0])

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise StoreError(
                f"the outbox {self.path} can't be used ({error}): make room, or move it away if it is damaged"
            ) from error


def _text(document: Mapping[str, Any]) -> str:
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
