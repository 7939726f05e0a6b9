"""What the ledger asks of every text and time that a person gives it."""

import unicodedata
from datetime import UTC, datetime

from pitscribe.errors import ConfigError
from pitscribe.ledger.values import TIMES_MS


def checked_time(what: str, at_ms: int) -> int:
    """The time, if it can be one: ConfigError outside the years 2000 to 2100."""
    if not TIMES_MS[0] <= at_ms < TIMES_MS[1]:
        raise ConfigError(f"{what}, {time_words(at_ms)}, is not between the years 2000 and 2100")
    return at_ms


def time_words(at_ms: int) -> str:
    """A time as words, whatever it is."""
    try:
        return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(" ", "seconds")
    except (OverflowError, ValueError, OSError):
        return f"{str(at_ms)[:24]} ms after 1970"


def name_of(value: str) -> str:
    """A name as it is kept and looked for: an accent typed as a sign of its own is the letter with the accent (NFC)."""
    return unicodedata.normalize("NFC", value.strip())


def checked_text(value: str, what: str, most: int) -> str:
    """One line without spaces at its ends: ConfigError if it is empty, too long or has signs that cannot be shown."""
    value = value.strip()
    if not value or len(value) > most or not value.isprintable():
        raise ConfigError(f"{what} must have 1 to {most} printable characters, not {value[:60]!r}")
    return value
