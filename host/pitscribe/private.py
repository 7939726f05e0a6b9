"""Small files that only their owner may read: secrets in the home folder, written whole or not at all."""

import os
import secrets
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
    fresh = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)
    except OSError as error:
        fresh.unlink(missing_ok=True)
        raise ConfigError(f"{path}: {error.strerror}; {what}") from error
