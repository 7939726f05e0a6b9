"""Small files that only their owner may read: secrets in the home folder, written whole or not at all."""

import contextlib
import os
import secrets
from collections.abc import Callable
from pathlib import Path

from pitscribe.errors import ConfigError


def read_private(path: Path, what: str) -> str | None:
    """The text of a file, None if there is none. ``what``: "the loggers' secrets are there", for the error.

    Raises ConfigError if it cannot be read, or if others can read it.
    """
    try:
        if path.stat().st_mode & 0o077:
            raise ConfigError(f"{path}: others can read it, and {what}; chmod 600 it")
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: not UTF-8 text (byte {error.start}); {what}") from error
    except OSError as error:
        raise ConfigError(f"{path}: {error.strerror}; {what}") from error


def write_private(path: Path, text: str, what: str) -> None:
    """Put a text in a file's place: a power cut leaves the old one or the new one. Raises ConfigError."""
    _write(path, text, what, lambda fresh: fresh.replace(path))


def make_private(path: Path, text: str, what: str) -> None:
    """The same for a file that is made once: where there is one already, be it another process's, it stays."""
    with contextlib.suppress(FileExistsError):
        if not path.exists():
            _write(path, text, what, lambda fresh: os.link(fresh, path))


def _write(path: Path, text: str, what: str, put: Callable[[Path], object]) -> None:
    fresh = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        put(fresh)
    except FileExistsError:
        raise
    except OSError as error:
        raise ConfigError(f"{path}: {error.strerror}; {what}") from error
    finally:
        fresh.unlink(missing_ok=True)
