"""A store as an SQLite file: how it is opened, its two locks, what SQLite's errors mean.

Beside a store `X` lie, while somebody writes, `X.lock` (held around every write) and `X.daemon` (held by
the one daemon for life). SQLite's own `X-wal` and `X-shm` go when the last connection closes.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final, NamedTuple, TypeVar

import filelock
import platformdirs
import sqlalchemy as sa

from logger.errors import RequestError, StoreError, StoreTooNew
from logger.store.schema import REVISION

LOCK_WAIT_S: Final = 2.0
_LOCK_POLL_S: Final = 0.005
_READ_TRIES: Final = 5
_T = TypeVar("_T")
_DAEMON_WAIT_S: Final = 0.2  # longer than anybody holds it who only looks whether a daemon runs
_WAL_KEPT_BYTES: Final = 16 * 2**20
_CACHE_KB: Final = 512  # who writes only adds: more is pages that nobody looks at again


def default_store() -> str:
    """Return the store's name when nobody says: SOAKBENCH_DB, else a file in this person's data folder."""
    return os.environ.get("SOAKBENCH_DB") or str(user_path("soakbench.db"))


def user_path(name: str) -> Path:
    """Return a file's place in this person's data folder."""
    return platformdirs.user_data_path("soakbench", appauthor=False) / name


def file_of(store: str | None) -> Path:
    """Return the store's file, the default's where none is named. RequestError where it is a database."""
    named = store or default_store()
    if is_address(named):
        raise RequestError(
            "a database only shows what was collected: name the file of the bench's own store with --db"
        )
    return Path(named)


def default_path() -> Path:
    """Return the file of the store when nobody says."""
    return file_of(None)


def is_address(store: str) -> bool:
    """Whether a store's name is a database's address and no file's."""
    return store.startswith(("postgresql://", "postgresql+"))


def disk_left_bytes(path: Path | str) -> int:
    """Return how much room is left on the disk that holds, or would hold, this store."""
    folder = Path(path).absolute().parent
    while not folder.exists():
        folder = folder.parent
    return shutil.disk_usage(folder).free


def old_sqlite_warning(found: tuple[int, int, int] = sqlite3.sqlite_version_info) -> str | None:
    """Return a sentence if this SQLite may lose a commit when two connections write at one instant.

    Source: "The WAL-reset bug" on SQLite's page "Write-Ahead Logging": 3.7.0 to 3.51.2, mended in 3.51.3
    and, of the older lines, in 3.50.7 and 3.44.6.
    """
    mended = found >= (3, 51, 3) or (3, 50, 7) <= found < (3, 51) or (3, 44, 6) <= found < (3, 45)
    if mended:
        return None
    return (
        f"SQLite {'.'.join(map(str, found))} has a rare fault that can lose a commit when two programs "
        "write at one instant: let nothing but soakbench write to the store, or update to SQLite 3.51.3"
    )


def write_lock(path: Path) -> filelock.FileLock:
    """Return the lock that is held around every write to this store, by any process."""
    return filelock.FileLock(
        f"{path}.lock", timeout=LOCK_WAIT_S, poll_interval=_LOCK_POLL_S, thread_local=False
    )


def daemon_lock(path: Path, wait_s: float = _DAEMON_WAIT_S) -> filelock.FileLock:
    """Return the lock that the daemon holds for life."""
    return filelock.FileLock(f"{path}.daemon", timeout=wait_s, poll_interval=_LOCK_POLL_S, thread_local=False)


def daemon_runs(path: Path) -> bool:
    """Say whether a process holds this store as its daemon, or as one. StoreError where that can't be told.

    Trying is the only way to tell: the lock is held for an instant, and a daemon that starts just then waits
    that long. A lock file that a killed daemon left is taken away.
    """
    lock = daemon_lock(path, wait_s=0.0)
    if not Path(lock.lock_file).exists():
        return False
    with translated(path, "written"):
        try:
            lock.acquire()
        except filelock.Timeout:
            return True
        drop_lock(lock)
    return False


def drop_lock(lock: filelock.FileLock) -> None:
    """Release a lock and take its file away.

    Taken away while held: whoever waits on the old file finds that it has no name any more and asks anew.
    """
    if os.name == "posix":
        Path(lock.lock_file).unlink(missing_ok=True)
    lock.release()


def writing_engine(path: Path, *, create: bool = True) -> sa.Engine:
    """Return an engine whose connections may write: each transaction takes SQLite's write lock at once."""
    mode = "rwc" if create else "rw"
    return _engine(f"{path.as_uri()}?mode={mode}", "BEGIN IMMEDIATE", _prepare_to_write)


def reading_engine(path: Path, *, immutable: bool) -> sa.Engine:
    """Return an engine that only reads; `immutable`: nobody writes meanwhile, make no files beside it."""
    tail = "&immutable=1" if immutable else ""
    return _engine(f"{path.as_uri()}?mode=ro{tail}", "BEGIN", None)


def _engine(uri: str, begin: str, prepare: Any) -> sa.Engine:
    def connect() -> sqlite3.Connection:
        # Without isolation_level sqlite3 begins nothing by itself: DDL, too, is within our transactions.
        return sqlite3.connect(
            uri, uri=True, isolation_level=None, timeout=LOCK_WAIT_S, check_same_thread=False
        )

    engine = sa.create_engine("sqlite+pysqlite://", creator=connect, poolclass=sa.NullPool)

    @sa.event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        connection.exec_driver_sql(begin)

    if prepare is not None:
        sa.event.listen(engine, "connect", prepare)
    return engine


def _prepare_to_write(connection: sqlite3.Connection, _record: object) -> None:
    (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        connection.close()
        raise sqlite3.OperationalError(f"no write-ahead log, but {mode}")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute(f"PRAGMA journal_size_limit = {_WAL_KEPT_BYTES}")
    connection.execute(f"PRAGMA cache_size = -{_CACHE_KB}")


class _State(NamedTuple):
    """What changes when somebody writes to a store."""

    log_bytes: int
    changed_ns: int
    size: int
    inode: int


class ReadFile:
    """A store's file as readers see it: opened read-only, all fetched, closed. Reading never creates one."""

    def __init__(self, path: Path) -> None:
        self.path = path.expanduser().absolute()
        self.name = str(self.path)
        # They hold no connection, only the statements that they have compiled.
        self._engines = {
            immutable: reading_engine(self.path, immutable=immutable) for immutable in (False, True)
        }

    def exists(self) -> bool:
        """Whether there is such a file."""
        return self.path.exists()

    def look(self, fetch: Callable[[sa.Connection], _T]) -> _T:
        """Run one read transaction.

        A store without anything in its log is read as a file that doesn't change, for otherwise SQLite
        leaves a -wal and a -shm beside it, or can't open it at all where the folder is write-protected. If
        a daemon begins to write (or ends) meanwhile, the file's state tells, and it is read again.
        """
        for _ in range(_READ_TRIES):
            before = self._state()
            closed = before.log_bytes == 0
            try:
                result = self._fetch(fetch, immutable=closed)
            except StoreError:
                if self._state() == before:
                    raise
                continue
            if not closed or self._state() == before:
                return result
        return self._fetch(fetch, immutable=False)

    def _state(self) -> _State:
        try:
            log_bytes = Path(f"{self.path}-wal").stat().st_size
        except OSError:
            log_bytes = 0
        try:
            found = self.path.stat()
        except FileNotFoundError:
            raise StoreError(
                f"there is no store {self.path}: run `soakbench demo` or `soakbench run` first, or name it "
                "with --db"
            ) from None
        except OSError as error:
            raise StoreError(f"the store {self.path} can't be read: {error}") from error
        return _State(log_bytes, found.st_mtime_ns, found.st_size, found.st_ino)

    def _fetch(self, fetch: Callable[[sa.Connection], _T], *, immutable: bool) -> _T:
        with translated(self.path, "read"), self._engines[immutable].connect() as connection:
            revision = revision_of(connection, self.path)
            if revision is None:
                raise StoreError(
                    f"the store {self.path} is empty: run `soakbench demo` or `soakbench run` first"
                )
            if revision != REVISION:
                raise StoreError(
                    f"the store {self.path} has the older schema {revision}: `soakbench run` brings it to "
                    f"{REVISION}, and keeps a copy"
                )
            return fetch(connection)


@contextmanager
def writing(path: Path, what: str) -> Iterator[sa.Connection]:
    """Open a store that exists, write in one transaction, close: all of it within the lock, by any process.

    StoreError where that can't be done, or where the store has an older schema; `what` says for the latter
    what can't be done in it: "nothing can be asked".
    """
    lock = write_lock(path)
    with translated(path, "written"):
        lock.acquire()
        try:
            with writing_engine(path, create=False).connect() as connection, connection.begin():
                found = revision_of(connection, path)
                if found != REVISION:
                    raise StoreError(
                        f"the store {path} has the older schema {found}, in which {what}: stop what writes "
                        "to it, and start it again with this soakbench"
                    )
                yield connection
        finally:
            drop_lock(lock)


def revision_of(connection: sa.Connection, path: Path) -> str | None:
    """Return the store's schema revision, None of an empty database.

    Raises StoreError if it holds something else, StoreTooNew if a later soakbench wrote it.
    """
    tables = set(connection.exec_driver_sql("SELECT name FROM sqlite_master").scalars())
    if not tables:
        return None
    found = (
        connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
        if "alembic_version" in tables
        else None
    )
    if not isinstance(found, str):
        raise StoreError(f"{path} is a database, but no soakbench store: name another with --db")
    if not found.isdigit() or int(found) > int(REVISION):
        raise StoreTooNew(
            f"the store {path} has schema {found}, and soakbench {version('soakbench')} knows none later "
            f"than {REVISION}: use the soakbench that wrote it, or a newer one"
        )
    return found


@contextmanager
def translated(path: Path, doing: str) -> Iterator[None]:
    """Turn what SQLite, locks and the file system raise into a sentence of ours; `doing`: read, written."""
    try:
        yield
    except filelock.Timeout as error:
        raise StoreError(
            f"the store {path} can't be {doing}: another program has held {path}.lock for {LOCK_WAIT_S:g} s"
        ) from error
    except (sa.exc.DBAPIError, sqlite3.Error, OSError) as error:
        cause: BaseException = error
        if isinstance(error, sa.exc.DBAPIError) and error.orig is not None:
            cause = error.orig
        raise StoreError(f"the store {path} can't be {doing}: {_reason(cause)}") from error


def _reason(error: BaseException) -> str:
    said = str(error)
    for part, meaning in (
        ("not a database", "it is no SQLite file, name another with --db"),
        ("disk is full", "its disk is full, make room"),
        ("malformed", "the file is damaged; put it aside untouched, with its -wal, and start another"),
        ("readonly", "it is write-protected"),
        ("unable to open", "it is no file that can be opened here, check the name and the folder's rights"),
        ("locked", f"another program has held it for {LOCK_WAIT_S:g} s"),
        ("no write-ahead log", "its folder takes no write-ahead log, choose one on a disk of this machine"),
    ):
        if part in said:
            return f"{meaning} ({said})"
    return said
