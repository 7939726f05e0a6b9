"""``pitscribe backup``: the home as one file, while it is in use.

The ledger is copied as of one commit; a photo's file is there before its row is and stays as it is, so that the photos
that the copy names can be read afterwards. Settings and secrets are small, and are replaced whole.
"""

import argparse
import io
from collections.abc import Iterator
from pathlib import Path

from pitscribe.clock import SystemClock
from pitscribe.commands.archive import Writer
from pitscribe.commands.homelock import LOCK_NAME
from pitscribe.commands.ledgers import LEDGER_NAME, read_ledger
from pitscribe.commands.tables import counted
from pitscribe.config import Config
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Write it, and say what is in it. ConfigError if it would lie in the home; StoreError if the ledger is damaged."""
    out = arguments.file.absolute()
    if out.is_dir():
        raise ConfigError(f"{out} is a folder; name the file that is to be written in it")
    if out.resolve().is_relative_to(config.home.resolve()):
        raise ConfigError(f"{out} lies in the home itself, and would be lost with it; name a place elsewhere")
    copy = out.with_name(f".{out.name}.ledger")
    try:
        with read_ledger(config) as ledger, Writer(out) as backup:
            made = SystemClock().now()
            ledger.copy_to(copy)
            with copy.open("rb") as file:
                backup.add(LEDGER_NAME, file, copy.stat().st_size, when=made)
            copied = Ledger(copy, SystemClock(), read_only=True)
            try:
                held = f"{counted(copied.frame_count(), 'frame')}, {counted(len(copied.cooks()), 'cook')}"
                photos, lost = _add_photos(backup, copied, ledger.photo_folder)
            finally:
                copied.close()
            for path in _others(config.home):
                _add(backup, path, str(path.relative_to(config.home)))
    finally:
        for end in ("", "-wal", "-shm"):
            copy.with_name(copy.name + end).unlink(missing_ok=True)
    print(f"{out}: {held}, {counted(photos, 'photo')}, settings and secrets; it holds passwords: keep it as those")
    if lost:
        print(f"without {counted(lost, 'photo')} whose file cannot be read; see: pitscribe check")


def _add(backup: Writer, path: Path, name: str) -> None:
    found, data = path.stat(), path.read_bytes()  # whole, though somebody may be writing another in its place
    backup.add(name, io.BytesIO(data), len(data), found.st_mode, found.st_mtime)


def _add_photos(backup: Writer, copied: Ledger, folder: Path) -> tuple[int, int]:
    """(photos that were added, photos whose file is not there)."""
    added = lost = 0
    for photo in (photo for cook in copied.cooks() for photo in copied.photos(cook.id)):
        for name in (photo.file, f"{photo.file}.part"):  # it may not have got its name yet
            if (path := folder / name).is_file():
                _add(backup, path, f"{folder.name}/{photo.file}")
                added += 1
                break
        else:
            lost += 1
    return added, lost


def _others(home: Path) -> Iterator[Path]:
    """Settings, secrets, certificates: all but the ledger's files and what only lives while it is written."""
    for path in sorted(home.rglob("*")):
        first = path.relative_to(home).parts[0]
        if path.is_file() and not first.startswith((".", LEDGER_NAME)) and path.name != LOCK_NAME:
            yield path
