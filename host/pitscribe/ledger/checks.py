"""What the ledger asks of every text and time that a person gives it."""

import unicodedata
from datetime import UTC, datetime

from pitscribe.errors import ConfigError
from pitscribe.ledger.values import TIMES_MS, Cook

REACH_MS = 86_400_000  # what belongs to a cook lies in it, or a day beside it: fetching, trimming, resting


def checked_time(what: str, at_ms: int) -> int:
    """The time, if it can be one: ConfigError outside the years 2000 to 2100."""
    if not TIMES_MS[0] <= at_ms < TIMES_MS[1]:
        raise ConfigError(f"{what}, {time_words(at_ms)}, is not between the years 2000 and 2100")
    return at_ms


def refuse_far(what: str, cook: Cook, at_ms: int, now_ms: int) -> None:
    """Refuse a time that cannot be of this cook: its year or day is a typing error. ``what``: "the note's time"."""
    if at_ms < cook.started_ms - REACH_MS:
        raise ConfigError(f"{what} is more than a day before the cook began; look at its date")
    if cook.ended_ms is not None and at_ms > cook.ended_ms + REACH_MS:
        raise ConfigError(f"{what} is more than a day after the cook ended; give the time when it happened")
    if cook.ended_ms is None and at_ms > now_ms + REACH_MS:
        raise ConfigError(f"{what} is more than a day from now; look at its date")


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
