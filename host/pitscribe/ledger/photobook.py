"""Photos of cooks: a row each in the ledger, and a JPEG each in a folder beside it.

A file is there before its row is, and gone before its row goes, whatever cuts the work off:

    keeping   the picture is written as NAME.part, the row is committed, the file gets its name
    erasing   the row is marked and committed, the file is removed, the row is removed

What was cut off between is finished, or undone where it has no row, when the ledger is opened next. A file that has its
name is never removed but with its row: an older ledger that was put back beside the photos loses none.
"""

import contextlib
import os
import re
import secrets
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from hashlib import sha256
from pathlib import Path
from typing import Any

from pitscribe.clock import Clock
from pitscribe.errors import ConfigError, NotFoundError, StoreError
from pitscribe.ledger.checks import REACH_MS, checked_time, refuse_far
from pitscribe.ledger.cooks import Cooks
from pitscribe.ledger.photofile import Picture
from pitscribe.ledger.store import plain_text
from pitscribe.ledger.values import Cook

MOST_PHOTOS = 100  # of a cook: some 60 MB
MOST_WORDS = 500
# Free space that photos leave to the readings: six channels at 1 Hz and 0.45 byte each fill it in three years.
RESERVE_BYTES = 256 * 1024 * 1024

_PHOTO = "SELECT id, cook_id, at_ms, words, file, sha256, width, height, bytes FROM photos "
_PART = re.compile(r"[0-9]+-[0-9a-f]{16}\.jpg\.part")


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo of a cook: ``file`` is its name in the ledger's folder of photos, ``sha256`` that of the file's bytes."""

    id: int
    cook_id: int
    at_ms: int
    words: str
    file: str
    sha256: str
    width: int
    height: int
    size: int  # bytes

    def as_json(self) -> dict[str, Any]:
        """The photo as page and command give it out: time in UTC seconds."""
        return {
            "id": self.id, "cook": self.cook_id, "at": self.at_ms / 1000, "words": self.words, "width": self.width,
            "height": self.height, "bytes": self.size,
        }


class Photobook(Cooks):
    """The part of the ledger that keeps photos. Every ``at`` is whole ms UTC."""

    def __init__(self, path: Path, clock: Clock, *, check_pages: bool = False, read_only: bool = False) -> None:
        super().__init__(path, clock, check_pages=check_pages, read_only=read_only)
        if not read_only:
            with contextlib.suppress(OSError):  # a folder that cannot be tidied now is at the next opening
                self._tidy_photos()

    @property
    def photo_folder(self) -> Path:
        """Where the files are: beside the ledger and named after it, as SQLite names what belongs to a file."""
        return self.path.with_name(self.path.name + "-photos")

    # keeping

    def add_photo(self, cook_id: int, picture: Picture, *, at: int, words: str = "") -> Photo:
        """Keep a photo of a cook; one that is there already is returned as it is. Not for use inside ``together``.

        Raises ConfigError for a time that is not this cook's, or a photo too many; StoreError if there is no room.
        """
        words, digest = _words(words), picture.sha256
        try:
            with contextlib.ExitStack() as undo, self._write() as db:  # a commit that fails undoes the file as well
                cook = self.cook(cook_id)
                self._check_time(cook, at)
                there = self.photos(cook.id)
                if same := next((photo for photo in there if photo.sha256 == digest), None):
                    return same
                if len(there) >= MOST_PHOTOS:
                    raise ConfigError(f"{cook.name!r} has {MOST_PHOTOS} photos, the most that are kept: erase some")
                name = f"{cook.id}-{secrets.token_hex(8)}.jpg"
                undo.enter_context(self._part(name, picture.jpeg))
                size, now = len(picture.jpeg), self.now_ms()
                made = db.execute(
                    "INSERT INTO photos (cook_id, at_ms, words, file, sha256, width, height, bytes, made_ms) "
                    "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (cook.id, at, words, name, digest, picture.width, picture.height, size, now),
                )
            self._settle(name)
        except OSError as error:
            raise StoreError(f"{self.photo_folder}: {error.strerror or error}; the photo was not kept") from error
        return self.photo(int(made.lastrowid or 0))

    def change_photo(self, photo_id: int, *, at: int | None = None, words: str | None = None) -> Photo:
        """Say another time or other words of a photo. NotFoundError, ConfigError."""
        with self._write() as db:
            old = self.photo(photo_id)
            if at is not None:
                self._check_time(self.cook(old.cook_id), at)
            db.execute(
                "UPDATE photos SET at_ms = ?, words = ? WHERE id = ?",
                (old.at_ms if at is None else at, old.words if words is None else _words(words), old.id),
            )
            return self.photo(photo_id)

    def erase_photo(self, photo_id: int) -> None:
        """Erase a photo for good: a picture of a person or a house is not kept against somebody's will."""
        with self._write() as db:
            db.execute("UPDATE photos SET erased_ms = ? WHERE id = ?", (self.now_ms(), self.photo(photo_id).id))
        try:
            self._tidy_photos()
        except OSError as error:
            raise StoreError(
                f"{self.photo_folder}: {error.strerror or error}; the photo is off the list, its file is not gone yet"
            ) from error

    # asking

    def photo(self, photo_id: int) -> Photo:
        """One photo. NotFoundError."""
        rows = self._read(_PHOTO + "WHERE id = ? AND erased_ms IS NULL", (photo_id,))
        if not rows:
            raise NotFoundError(f"there is no photo {photo_id}, or it was erased")
        return Photo(*rows[0])

    def photos(self, cook_id: int) -> list[Photo]:
        """The photos of a cook, in order of time."""
        sql = _PHOTO + "WHERE cook_id = ? AND erased_ms IS NULL ORDER BY at_ms, id"
        return [Photo(*row) for row in self._read(sql, (cook_id,))]

    def photo_jpeg(self, photo: Photo) -> bytes:
        """The file, if it is the one that was kept: StoreError if it is gone or was changed."""
        path = self.photo_folder / photo.file
        try:
            try:
                jpeg = path.read_bytes()
            except FileNotFoundError:  # cut off before it got its name, or about to get it
                jpeg = _part_of(path).read_bytes()
        except OSError as error:
            raise StoreError(f"{path}: {error.strerror or error}; the photo is on the list, and its file is not "
                             "there: put the folder of photos back beside the ledger") from error
        if sha256(jpeg).hexdigest() != photo.sha256:
            raise StoreError(f"{path} is damaged or was changed: it is not the photo that was kept")
        return jpeg

    def time_of_photo(self, cook_id: int, picture: Picture, zone: tzinfo | None = None) -> tuple[int, bool]:
        """(ms UTC, whether the photo itself says so): when it was taken, if that can be of this cook and has been.

        Otherwise now, or the end of a cook that has ended. ``zone``: see ``photofile.Taken.utc``.
        """
        cook, now = self.cook(cook_id), self.now_ms()
        last = now if cook.ended_ms is None else min(now, cook.ended_ms + REACH_MS)
        if picture.taken is not None:
            with contextlib.suppress(ValueError, OverflowError, OSError):
                at = round(picture.taken.utc(zone) * 1000)
                if cook.started_ms - REACH_MS <= at <= last + 60_000:  # clocks differ by some seconds
                    return at, True
        return now if cook.ended_ms is None else cook.ended_ms, False

    def _check_time(self, cook: Cook, at_ms: int) -> None:
        refuse_far("the photo's time", cook, checked_time("a photo's time", at_ms), self.now_ms())

    # files

    @contextlib.contextmanager
    def _part(self, name: str, jpeg: bytes) -> Iterator[None]:
        """The picture on disk under its first name, gone again if the ``with`` fails. OSError, StoreError."""
        folder = self.photo_folder
        folder.mkdir(mode=0o700, exist_ok=True)
        if (free := shutil.disk_usage(folder).free) < RESERVE_BYTES + len(jpeg):
            raise StoreError(
                f"{folder}: {free // 2**20} MB of the disk are free, and {RESERVE_BYTES // 2**20} are left to the "
                "readings: make room; the photo was not kept"
            )
        part = _part_of(folder / name)
        try:
            with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
                file.write(jpeg)
                file.flush()
                os.fsync(file.fileno())
            _sync(folder)
            yield
        except BaseException:
            part.unlink(missing_ok=True)
            raise

    def _settle(self, name: str) -> None:
        """A file whose row is committed gets its name, unless another process has seen to that."""
        path = self.photo_folder / name
        with contextlib.suppress(FileNotFoundError):
            _part_of(path).rename(path)
        _sync(self.photo_folder)

    def _tidy_photos(self) -> None:
        """Finish or undo what was cut off. OSError if the folder does not let it."""
        folder = self.photo_folder
        parts = [entry for entry in _entries(folder) if _PART.fullmatch(entry)]
        if not parts and not self._going():
            return
        with self._write() as db:  # nobody keeps a photo meanwhile, in no process
            for part in parts:
                name = part.removesuffix(".part")
                if self._read("SELECT 1 FROM photos WHERE file = ?", (name,)):
                    self._settle(name)
                else:
                    (folder / part).unlink(missing_ok=True)
            for row_id, name in self._going():
                (folder / name).unlink(missing_ok=True)
                db.execute("DELETE FROM photos WHERE id = ?", (row_id,))

    def _going(self) -> Sequence[Any]:
        return self._read("SELECT id, file FROM photos WHERE erased_ms IS NOT NULL")


def _entries(folder: Path) -> list[str]:
    return [entry.name for entry in folder.iterdir()] if folder.is_dir() else []


def _part_of(path: Path) -> Path:
    return path.with_name(path.name + ".part")


def _sync(folder: Path) -> None:
    """What was made or renamed in a folder is on disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _words(text: str) -> str:
    """What a photo shows, in one line."""
    text = " ".join(plain_text(text).split())
    if len(text) > MOST_WORDS or not text.isprintable():
        raise ConfigError(f"a photo's words may have {MOST_WORDS} characters that can be printed")
    return text
