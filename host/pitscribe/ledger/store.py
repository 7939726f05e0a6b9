"""The SQLite file under the ledger: connections, durable commits, migrations, and errors in plain words.

One writer at a time (a lock inside the process, SQLite's own between processes), a reading connection for each thread:
in WAL mode a reader sees the last commit and never waits for the writer, nor the writer for it.
"""

import contextlib
import os
import sqlite3
import threading
import weakref
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import Any

from pitscribe.clock import Clock
from pitscribe.errors import StoreError

APPLICATION_ID = 0x50495431  # "PIT1" in the file's header: another program's database is not taken for ours
LOCK_WAIT_S = 10.0


def _script(name: str) -> str:
    return files("pitscribe.ledger").joinpath(name).read_text(encoding="utf-8")


# Script i brings a file of version i to version i + 1. Once released, a script is never changed.
MIGRATIONS: tuple[Callable[[], str], ...] = tuple(
    partial(_script, name) for name in ("schema.sql", *(f"schema_{version}.sql" for version in range(2, 12)))
)


class _Connection(sqlite3.Connection):
    """A connection that a WeakSet can hold, so that a thread's end closes its own."""


class Store:
    """One SQLite file: ``_write()`` for a durable transaction, ``_read()`` for rows."""

    def __init__(self, path: Path, clock: Clock, *, check_pages: bool = False, read_only: bool = False) -> None:
        """Open or create the file and bring it to the present version.

        ``read_only``: of a file that is there; nothing is made, and every change is refused.

        ``check_pages`` reads the whole file and looks for damage first: for who opens it to go on for long. Without it
        damage is told when it is met.

        Raises StoreError, in plain words, if it is damaged, not ours, of a later version, or cannot be written.
        """
        self.path = Path(path).absolute() if read_only else Path(path)  # a URI needs an absolute one
        self._read_only = read_only
        self.clock = clock
        self._lock = threading.RLock()
        self._depth = 0
        self._doomed = False
        self._closed = False
        self._readers: weakref.WeakSet[_Connection] = weakref.WeakSet()
        self._local = threading.local()
        if not read_only:
            try:
                self.path.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise StoreError(f"{self.path} cannot be opened: {error.strerror or error}") from error
        with self._plain_errors():
            self._writer = self._connect()
            try:
                self._prepare(check_pages)
            except BaseException:
                self._writer.close()
                raise

    # opening

    def _connect(self) -> _Connection:
        connection = sqlite3.connect(
            self._address(), timeout=LOCK_WAIT_S, isolation_level=None, check_same_thread=False, factory=_Connection,
            uri=self._read_only,
        )
        try:
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute("PRAGMA synchronous = FULL")  # reads the list of tables, and complains in its words
        except UnicodeDecodeError as error:
            connection.close()
            raise StoreError(self._damaged("its list of tables is not text")) from error
        return connection

    def _address(self) -> Path | str:
        """What SQLite is to open: the path, or for reading alone a URI (sqlite.org/uri.html, sqlite.org/wal.html)."""
        if not self._read_only:
            return self.path
        # Without a log nobody has it open, and SQLite, which may not begin one, must be told that it needs none.
        log = self.path.with_name(self.path.name + "-wal")
        still = not log.exists() or log.stat().st_size == 0
        return f"{self.path.as_uri()}?mode=ro{'&immutable=1' if still else ''}"

    def _prepare(self, check_pages: bool) -> None:
        db = self._writer
        version = self._version(db)  # reads the header: a file that is not SQLite's stops here, untouched
        found = self.path.stat()
        self._identity = (found.st_dev, found.st_ino)
        application = int(db.execute("PRAGMA application_id").fetchone()[0])
        tables = int(db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0])
        if tables and application != APPLICATION_ID:
            raise StoreError(f"{self.path} is a database of some other program; give another path for the ledger")
        if version > len(MIGRATIONS):
            raise StoreError(
                f"{self.path} was written by a later Pitscribe (ledger version {version}, this one knows "
                f"{len(MIGRATIONS)}); update Pitscribe, the file was not touched"
            )
        if tables and check_pages:
            self._check_pages(db)
        if self._read_only:
            if version < len(MIGRATIONS):
                raise StoreError(
                    f"{self.path} is of an earlier Pitscribe (ledger version {version}, this one has "
                    f"{len(MIGRATIONS)}) and cannot be brought up to date here, for it cannot be written"
                )
            return
        if db.execute("PRAGMA journal_mode = WAL").fetchone()[0] != "wal":
            raise StoreError(f"{self.path} cannot be kept safely on this file system (no WAL); use a local disk")
        if version < len(MIGRATIONS):
            self._migrate(db)

    def _check_pages(self, db: sqlite3.Connection) -> None:
        fault = db.execute("PRAGMA quick_check(1)").fetchone()[0]
        if fault != "ok":
            raise StoreError(self._damaged(str(fault)))

    def _migrate(self, db: sqlite3.Connection) -> None:
        with self._write():
            for script in MIGRATIONS[self._version(db) :]:  # asked again under the lock: another process may be first
                for statement in _statements(script()):
                    db.execute(statement)
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            db.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")

    @staticmethod
    def _version(db: sqlite3.Connection) -> int:
        return int(db.execute("PRAGMA user_version").fetchone()[0])

    # using

    @contextlib.contextmanager
    def _write(self) -> Iterator[sqlite3.Connection]:
        """One transaction; when the outermost ``with`` ends well its commit is on disk, otherwise nothing is."""
        with self._lock:
            if self._depth:
                self._depth += 1
                try:
                    yield self._writer
                except BaseException:
                    self._doomed = True  # an inner part failed: the whole must not be committed, whoever catches it
                    raise
                finally:
                    self._depth -= 1
                return
            self._open_or_raise()
            with self._plain_errors():
                self._still_there()
                self._writer.execute("BEGIN IMMEDIATE")
                self._depth, self._doomed = 1, False
                try:
                    yield self._writer
                    if self._doomed:
                        raise StoreError("a part of this change failed, so none of it was stored")
                    self._writer.execute("COMMIT")
                except BaseException:
                    self._roll_back()
                    raise
                finally:
                    self._depth = 0

    def _still_there(self) -> None:
        # SQLite goes on writing into a file that was deleted under it, and the loggers would let go of their copies.
        try:
            found = self.path.stat()
        except OSError:
            raise StoreError(f"{self.path} has been moved or deleted; put it back, or start again") from None
        if (found.st_dev, found.st_ino) != self._identity:
            raise StoreError(f"{self.path} has been replaced by another file; put it back, or start again")

    def _roll_back(self) -> None:
        with contextlib.suppress(sqlite3.Error):  # a full disk may have rolled back already
            if self._writer.in_transaction:
                self._writer.execute("ROLLBACK")

    @contextlib.contextmanager
    def together(self) -> Iterator[None]:
        """Make what is written inside the ``with`` one commit: all of it is stored, or nothing."""
        with self._write():
            yield

    def _read(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        """All rows of a query, of the last commit; inside ``together`` of the same thread, with what it wrote."""
        with self._plain_errors():
            if self._depth and self._lock_is_mine():
                return self._writer.execute(sql, values).fetchall()
            return self._reader().execute(sql, values).fetchall()

    def _lock_is_mine(self) -> bool:
        if not self._lock.acquire(blocking=False):
            return False
        try:
            return self._depth > 0
        finally:
            self._lock.release()

    def _reader(self) -> sqlite3.Connection:
        reader: _Connection | None = getattr(self._local, "reader", None)
        if reader is None:
            self._open_or_raise()
            reader = self._connect()
            reader.execute("PRAGMA query_only = ON")
            self._local.reader = reader
            self._readers.add(reader)
        return reader

    def _open_or_raise(self) -> None:
        if self._closed:
            raise StoreError(f"{self.path} has been closed")

    def copy_to(self, path: Path) -> None:
        """Make a copy of the last commit, whoever writes meanwhile (sqlite.org/backup.html), and look it through.

        In place of what is there, for its owner alone. Raises StoreError if there is no room, or if this ledger is
        damaged; then there is no copy. OSError.
        """
        path.unlink(missing_ok=True)  # a link would be followed to somebody else's file
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        with self._plain_errors():
            try:
                with contextlib.closing(sqlite3.connect(path)) as copy:
                    self._reader().backup(copy)
                    self._check_pages(copy)
            except BaseException:
                path.unlink(missing_ok=True)
                raise

    def now_ms(self) -> int:
        """The clock's time, UTC, in whole milliseconds."""
        return round(self.clock.now() * 1000)

    def close(self) -> None:
        """Close the file. What was committed is safe whether or not this is called."""
        with self._lock:
            self._closed = True
            for reader in list(self._readers):
                reader.close()
            self._writer.close()

    # errors

    @contextlib.contextmanager
    def _plain_errors(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise StoreError(self._plain(error)) from error

    def _plain(self, error: sqlite3.Error) -> str:
        code = getattr(error, "sqlite_errorcode", 0) or 0
        match code & 0xFF:
            case sqlite3.SQLITE_FULL:
                return f"{self.path}: the disk is full; free some space, nothing was half-written"
            case sqlite3.SQLITE_NOTADB:
                return (
                    f"{self.path} is not a ledger; move it away or give another path (if it was one and is damaged: "
                    "pitscribe recover)"
                )
            case sqlite3.SQLITE_CORRUPT:
                return self._damaged(str(error))
            case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
                return f"{self.path} is held by another program for over {LOCK_WAIT_S:.0f} s; close that one"
            case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_PERM | sqlite3.SQLITE_AUTH:
                return f"{self.path} cannot be written; check its permissions and those of its folder"
            case sqlite3.SQLITE_CANTOPEN:
                if self._read_only:
                    return (
                        f"{self.path} cannot be read where nothing can be written: a program that had it open left "
                        "work in its -wal file; copy the folder to where it can be written, and read it there"
                    )
                return f"{self.path} cannot be opened; check that the folder exists and may be written"
            case sqlite3.SQLITE_IOERR:
                return f"{self.path}: the disk gives errors or is full ({error}); nothing was half-written"
            case sqlite3.SQLITE_CONSTRAINT:
                return f"{self.path}: the ledger does not take this ({error})"
            case _:
                return f"{self.path}: {error}"

    def _damaged(self, what: str) -> str:
        return (
            f"{self.path} is damaged ({what.splitlines()[0]}); it was not touched: pitscribe recover takes what is "
            "good of it into a new one, and the loggers' journals fill that up"
        )


def plain_text(text: str) -> str:
    """The text as it can be kept: half of a surrogate pair, which JSON lets through, becomes an escape."""
    return text.encode("utf-8", "backslashreplace").decode()


def _statements(script: str) -> Iterator[str]:
    """The statements of an SQL script, one by one: executescript would commit between them."""
    part = ""
    for line in script.splitlines(keepends=True):
        part += line
        if sqlite3.complete_statement(part):
            yield part
            part = ""
    if part.strip():
        yield part
