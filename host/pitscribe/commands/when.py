"""Times and temperatures as a person writes them."""

import re
from datetime import UTC, datetime, timedelta

from pitscribe.errors import ConfigError

_SPAN = re.compile(r"(\d+(?:\.\d+)?)\s*(s|m|min|h)$")
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})$")
_SECONDS = {"s": 1, "m": 60, "min": 60, "h": 3600}


def parse_when(text: str, now: float) -> float:
    """A time said by a person -> UTC seconds.

    Taken are ISO 8601 (without an offset: this machine's time zone) and ``14:05`` (the last time that it was five past
    two here). ``now`` is the present in UTC seconds.

    Raises ConfigError naming the text.
    """
    if match := _CLOCK.match(text):
        here = datetime.fromtimestamp(now, UTC).astimezone()
        try:
            at = here.replace(hour=int(match[1]), minute=int(match[2]), second=0, microsecond=0)
        except ValueError:
            raise ConfigError(f"time {text!r}: there is no such time of day") from None
        return (at if at <= here else at - timedelta(days=1)).timestamp()
    try:
        return datetime.fromisoformat(text).timestamp()
    except ValueError:
        raise ConfigError(f"time {text!r}: write 2026-05-30T14:05 or 14:05 (today)") from None


def parse_span(text: str) -> float:
    """``15m``, ``2h`` or ``90s`` -> seconds. Raises ConfigError naming the text."""
    if match := _SPAN.match(text.strip()):
        return float(match[1]) * _SECONDS[match[2]]
    raise ConfigError(f"time span {text!r}: write 15m, 2h or 90s")


def local(utc: float) -> str:
    """UTC seconds -> date and time of day in this machine's zone."""
    return datetime.fromtimestamp(utc, UTC).astimezone().strftime("%Y-%m-%d %H:%M")


def parse_temperature(text: str, units: str) -> float:
    """``195``, ``195F`` or ``90.5C`` -> degC; without a letter in ``units``.

    Raises ConfigError naming the text.
    """
    match = re.fullmatch(r"(-?\d+(?:\.\d+)?)\s*°?([CcFf])?", text.strip())
    if not match:
        raise ConfigError(f"temperature {text!r}: write 195F or 90.5C")
    value, unit = float(match[1]), (match[2] or units).upper()
    return value if unit == "C" else (value - 32) / 1.8
