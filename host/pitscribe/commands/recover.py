"""``pitscribe recover``: what is good of a damaged ledger, in a new one that takes its place."""

import argparse
import contextlib
import os
import shutil
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from pitscribe.clock import SystemClock
from pitscribe.commands.checking.scene import peeked
from pitscribe.commands.homelock import only_host
from pitscribe.commands.ledgers import LEDGER_NAME, there
from pitscribe.commands.tables import counted
from pitscribe.config import Config
from pitscribe.errors import ConfigError, StoreError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.recovery import REASON, Recovered, recover
from pitscribe.ledger.store import APPLICATION_ID, MIGRATIONS

_KEPT = ".damaged-"  # between its name and the time
_NAMED = {"cooks": "cook", "notes": "note", "placements": "placement", "probes": "probe", "photos": "photo"}


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Recover, put the new ledger in the old one's place, and say what is in it and what is missing.

    Raises ConfigError if the ledger is sound, StoreError if the home is served or has no room.
    """
    path, clock = there(config), SystemClock()
    with only_host(config.home):
        damaged = _kept(path)
        if damaged is None and not arguments.anyway and _sound(path):
            raise ConfigError(
                f"{path} is sound, as far as its pages say; if pitscribe check --all finds a frame that is not: "
                "pitscribe recover --anyway"
            )
        fresh = config.home / f".{LEDGER_NAME}.new"
        _remove(fresh)
        try:
            found = recover(damaged or path, fresh, clock)
            if not found.frames and not found.rows:
                raise StoreError(f"{path}: nothing of a ledger was found in it; it stays as it is")
            ledger = Ledger(fresh, clock, check_pages=True)
            try:
                told = _told(ledger, found)
            finally:
                ledger.close()
            kept = damaged or _keep(path)
            _swap(path, fresh)
        finally:
            _remove(fresh)
    print("\n".join([*told, f"the damaged one is kept as {kept}: take it away when nothing is missed"]))


def _sound(path: Path) -> bool:
    """Whether its pages are. Raises ConfigError if it says that it is of a later version."""
    with path.open("rb") as file:
        header = file.read(72)
    version, application = (int.from_bytes(header[at : at + 4], "big") for at in (60, 68))
    if application == APPLICATION_ID and version > len(MIGRATIONS):
        raise ConfigError(
            f"{path} says that a later Pitscribe wrote it (ledger version {version}, this one knows "
            f"{len(MIGRATIONS)}): update Pitscribe first; if it says so by its damage: pitscribe recover --anyway"
        )
    try:
        with peeked(path, served=False) as db:  # a damaged one is not written to, nor is its log brought in
            return bool(db.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok")
    except (sqlite3.Error, UnicodeDecodeError):  # its words may quote what is damaged
        return False


def _told(ledger: Ledger, found: Recovered) -> list[str]:
    lines = [f"{counted(found.frames, 'frame')} with a good CRC, and what people wrote:"]
    if found.mended:
        lines.append(f"its {found.mended} could not be read and was taken from a new ledger")
    kept = ", ".join(counted(found.rows[table], word) for table, word in _NAMED.items() if table in found.rows)
    lines[0] += f" {kept}" if kept else " nothing that could be read"
    if found.aside:
        aside = ", ".join(f"{count} of {table}" for table, count in found.aside.items())
        lines.append(f'kept aside as "{REASON}", for what they belong to is lost: {aside}')
    if found.cooks:
        lines.append(f"stands for a cook that is lost, for what was written down in it: {', '.join(found.cooks)}")
    for info in ledger.loggers():
        if missing := ledger.missing_within(info.logger):
            lines.append(
                f"of logger {info.logger:08x} {counted(missing, 'frame')} between others are missing; its journal may "
                "still have them: pitscribe pull PORT"
            )
    lines.append("rows that were read may hold a wrong letter or figure: look through the cooks; a backup has them too")
    return lines


def _kept(path: Path) -> Path | None:
    """The damaged ledger's other name, where its log is, if a recovery was cut off before the new one was in place."""
    return next((kept for kept in path.parent.glob(f"{path.name}{_KEPT}*Z") if kept.samefile(path)), None)


def _keep(path: Path) -> Path:
    """Give the damaged one another name as well, and its log that one alone: SQLite would read it into the new one."""
    kept = path.with_name(f"{path.name}{_KEPT}{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
    try:
        os.link(path, kept)
    except OSError:  # a file system without links
        shutil.copyfile(path, kept)
    with contextlib.suppress(FileNotFoundError):
        path.with_name(f"{path.name}-wal").rename(f"{kept}-wal")
    path.with_name(f"{path.name}-shm").unlink(missing_ok=True)
    return kept


def _swap(path: Path, fresh: Path) -> None:
    """Put the new ledger in the old one's place."""
    shutil.copymode(path, fresh)
    owner = path.stat()
    with contextlib.suppress(PermissionError):  # root mends it for the service's own user
        os.chown(fresh, owner.st_uid, owner.st_gid)
    fresh.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _remove(fresh: Path) -> None:
    for end in ("", "-wal", "-shm"):
        fresh.with_name(fresh.name + end).unlink(missing_ok=True)
