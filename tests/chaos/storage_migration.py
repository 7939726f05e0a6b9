"""SIGKILL before each statement of the way from every earlier version of the ledger to the newest."""

import contextlib
import os
import random
import shutil
import signal
import sqlite3
from collections.abc import Callable
from pathlib import Path

from chaos.storage_kit import CLOCK, FRAMES, Figures
from intake_rig import LOGGER

from pitscribe.ledger import store
from pitscribe.ledger.framestore import frame_row
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.store import MIGRATIONS
from pitscribe.wire.frames import check


def _of_version(path: Path, version: int) -> None:
    """A ledger as it was in an earlier version, with rows of the first one that were brought along."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA foreign_keys = ON")
    for n, script in enumerate(MIGRATIONS[:version]):
        db.executescript(script())
        if n == 0:
            db.execute("INSERT INTO loggers (logger, name) VALUES (?, 'smoker')", (LOGGER,))
            for frame in FRAMES[:5]:
                row = frame_row(check(frame), frame, 1_780_000_000_000, "mqtt")
                db.execute(f"INSERT INTO frames VALUES (NULL, {', '.join('?' * len(row))})", row)
            db.execute("INSERT INTO cooks (name, started_ms) VALUES ('one', 1780000000000)")
            db.execute("INSERT INTO probes (name, tc, tolerance) VALUES ('green', 'K', 'iec-1')")
            db.executemany(
                "INSERT INTO notes (cook_id, at_ms, kind, text, made_ms) VALUES (1, ?, 'wrap', ?, 0)",
                [(1780000000000 + i, f"note {i}") for i in range(5)],
            )
            db.execute("INSERT INTO note_past VALUES (2, 1, 1, 'wrap', 'before')")
    db.execute(f"PRAGMA application_id = {store.APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {version}")
    db.close()


def _opened_and_killed(path: Path, statement: int) -> bool:
    """Open the ledger in a child that kills itself before its ``statement``-th statement; whether it came so far."""
    child = os.fork()
    if child == 0:
        seen = 0

        def trace(_sql: str) -> None:
            nonlocal seen
            seen += 1
            if seen > statement:
                os.kill(os.getpid(), signal.SIGKILL)

        connect = Ledger._connect
        Ledger._connect = lambda self: _traced(connect(self), trace)  # type: ignore[method-assign]
        try:
            Ledger(path, CLOCK)
        finally:
            os._exit(0)
    return os.WIFSIGNALED(os.waitpid(child, 0)[1])


def _traced(db: sqlite3.Connection, trace: Callable[[str], None]) -> sqlite3.Connection:
    db.set_trace_callback(trace)
    return db


def _dump(path: Path) -> list[str]:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return [*db.iterdump(), str(db.execute("PRAGMA user_version").fetchone())]


def migration(folder: Path, seed: int, times: int) -> Figures:
    """Killed before any statement: the ledger is of the old version, whole, or of the newest; and opens as if unharmed.

    ``times`` 0 or 40 and more: each statement; fewer: so many of each version, drawn by ``seed``.
    """
    dice, kills, old = random.Random(seed), 0, 0
    for version in range(1, len(MIGRATIONS)):
        begun = folder / f"version {version}.sqlite"
        _of_version(begun, version)
        before, path = _dump(begun), folder / "killed.sqlite"
        statements = _killed_at(begun, path, 10_000, wanted=False)
        wanted = _dump(path)
        every = range(statements)
        for statement in every if not 0 < times < 40 else sorted(dice.sample(every, min(times, statements))):
            assert _killed_at(begun, path, statement, wanted=True)
            left = _dump(path)
            assert left in (before, wanted), f"version {version}, statement {statement}: neither the old nor the new"
            old += left == before
            Ledger(path, CLOCK, check_pages=True).close()
            assert _dump(path) == wanted
            kills += 1
    return {"versions": len(MIGRATIONS) - 1, "kills": kills, "left the old version": old}


def _killed_at(begun: Path, path: Path, statement: int, *, wanted: bool) -> int:
    """Migrate a copy and kill it there. Without ``wanted`` none is meant to: returns how many statements there are."""
    for end in ("", "-wal", "-shm"):
        path.with_name(path.name + end).unlink(missing_ok=True)
    shutil.copy(begun, path)
    if wanted:
        return int(_opened_and_killed(path, statement))
    seen: list[str] = []
    connect = Ledger._connect
    Ledger._connect = lambda self: _traced(connect(self), seen.append)  # type: ignore[method-assign]
    try:
        Ledger(path, CLOCK).close()
    finally:
        Ledger._connect = connect  # type: ignore[method-assign]
    return len(seen)
