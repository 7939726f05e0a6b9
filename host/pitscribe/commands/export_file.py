"""Files that are whole or not there: written beside their place, and put there when all are on the disk."""

import contextlib
import errno
import os
import secrets
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import BinaryIO

from pitscribe.errors import ConfigError, StoreError

_NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)  # as on a memory stick's FAT


def refuse_taken(path: Path, replace: bool) -> None:
    """Refuse a place where something is already, unless it may be replaced. ConfigError."""
    if path.exists() and not replace:
        raise ConfigError(f"{path} is there already; name another file, or say --replace")


@contextlib.contextmanager
def whole_files(*paths: Path, replace: bool) -> Iterator[list[BinaryIO]]:
    """Files to write; at the end of the ``with`` they are at their paths, and if it raises nothing is changed there
    (unless a disk fails between one that replaces and the next).

    Raises ConfigError if something is there and may not be replaced, StoreError if it cannot be written.
    """
    for path in paths:
        refuse_taken(path, replace)
    parts = [path.with_name(f".{path.name}.{secrets.token_hex(4)}.part") for path in paths]
    try:
        with contextlib.ExitStack() as stack:
            files: list[BinaryIO] = [stack.enter_context(part.open("xb")) for part in parts]
            yield files
            for file in files:
                file.flush()
                os.fsync(file.fileno())
        _put_all(parts, paths, replace)
    except OSError as error:
        raise StoreError(f"{paths[-1]}: {error.strerror or error}; choose another place with --out") from error
    finally:
        for part in parts:
            part.unlink(missing_ok=True)


def _put_all(parts: Sequence[Path], paths: Sequence[Path], replace: bool) -> None:
    placed: list[Path] = []
    try:
        for part, path in zip(parts, paths, strict=True):
            _put(part, path, replace)
            placed.append(path)
    except (OSError, ConfigError):
        for path in placed if not replace else []:  # what they took the place of is gone
            path.unlink(missing_ok=True)
        raise


def _put(part: Path, path: Path, replace: bool) -> None:
    if not replace:
        try:
            os.link(part, path)  # unlike a rename, refused where something has come to be meanwhile
            return
        except FileExistsError:
            refuse_taken(path, replace)
        except OSError as error:
            if error.errno not in _NO_LINKS:
                raise
            refuse_taken(path, replace)
    part.replace(path)
