"""A backup as a file: a tar of the home, and behind everything else the checksum of each file in it.

The checksums are lines as sha256sum(1) writes and reads them; a backup that was cut short has none, and is told by
that.
"""

import hashlib
import io
import os
import tarfile
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import IO

from pitscribe.errors import SourceError

FOLDER = "pitscribe"  # in the tar
SUMS = "sums.sha256"
_PIECE = 1 << 20
_MOST_SUMS = 1 << 24


class Writer:
    """Writes a backup beside ``path`` and puts it there when it is whole. For its owner alone. OSError."""

    def __init__(self, path: Path) -> None:
        self._path, self._part = path, path.with_name(f".{path.name}.part")
        self._sums: list[str] = []

    def __enter__(self) -> "Writer":
        self._part.unlink(missing_ok=True)
        self._file = os.fdopen(os.open(self._part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb")
        self._tar = tarfile.open(fileobj=self._file, mode="w", format=tarfile.PAX_FORMAT)
        return self

    def add(self, name: str, file: IO[bytes], size: int, mode: int = 0o600, when: float = 0) -> None:
        """A file of the home; ``name`` is its place there, ``size`` how many bytes are taken."""
        info = tarfile.TarInfo(f"{FOLDER}/{name}")
        info.size, info.mode, info.mtime = size, mode, int(when)
        reader = _Summing(file)
        self._tar.addfile(info, reader)
        self._sums.append(f"{reader.digest()}  {name}")

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            if kind is None:
                text = "\n".join([*self._sums, ""]).encode()
                info = tarfile.TarInfo(f"{FOLDER}/{SUMS}")
                info.size, info.mode = len(text), 0o600
                self._tar.addfile(info, io.BytesIO(text))
                self._tar.close()
                self._file.flush()
                os.fsync(self._file.fileno())
                self._part.replace(self._path)
        finally:
            self._file.close()
            self._part.unlink(missing_ok=True)


class _Summing:
    """Reads a file, and sums what was read."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file, self._sum = file, hashlib.sha256()

    def read(self, size: int = -1) -> bytes:
        data = self._file.read(size)
        self._sum.update(data)
        return data

    def digest(self) -> str:
        return self._sum.hexdigest()


def unpacked(path: Path, folder: Path) -> list[str]:
    """Unpack a backup into an empty folder; return the names of its files, each of which has its checksum.

    Raises SourceError if it is none, was cut short, or a file in it is not what was put in; OSError.
    """
    sums: dict[str, str] = {}
    said: dict[str, str] | None = None
    try:
        with tarfile.open(path, "r:") as tar:
            for member, name in _members(tar, path):
                file = tar.extractfile(member)
                if file is None:
                    raise SourceError(f"{path}: {name} is no file; this is no backup of pitscribe")
                if name == SUMS:
                    said = _sums_of(file.read(_MOST_SUMS))
                else:
                    sums[name] = _put(file, folder / name, member.mode)
                    os.utime(folder / name, (member.mtime, member.mtime))
    except (tarfile.TarError, EOFError, UnicodeDecodeError) as error:
        raise SourceError(f"{path} is no backup of pitscribe, or it is damaged: {error}") from error
    if said is None:
        raise SourceError(f"{path} is not whole: its end is missing")
    if wrong := sorted(name for name in said.keys() | sums.keys() if said.get(name) != sums.get(name)):
        raise SourceError(f"{path} is damaged; not as it was put in: {', '.join(wrong[:4])}")
    return sorted(sums)


def _members(tar: tarfile.TarFile, path: Path) -> Iterator[tuple[tarfile.TarInfo, str]]:
    for member in tar:
        parts = PurePosixPath(member.name).parts
        if not member.isreg() or len(parts) < 2 or parts[0] != FOLDER or ".." in parts:
            raise SourceError(f"{path}: {member.name!r} is not what a backup of pitscribe holds")
        yield member, "/".join(parts[1:])


def _put(file: IO[bytes], to: Path, mode: int) -> str:
    to.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    found = _Summing(file)
    with os.fdopen(os.open(to, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode & 0o700), "wb") as out:
        while data := found.read(_PIECE):
            out.write(data)
        out.flush()
        os.fsync(out.fileno())
    return found.digest()


def _sums_of(text: bytes) -> dict[str, str]:
    lines = [line.partition("  ") for line in text.decode().split("\n") if line]
    return {name: digest for digest, _, name in lines}
