"""Times and temperatures as a person writes them."""

import re
from datetime import UTC, datetime, timedelta

from pitscribe.clock import local as local
from pitscribe.errors import ConfigError
from pitscribe.ledger.values import Cook

_SPAN = re.compile(r"(\d+(?:\.\d+)?)\s*(s|m|min|h)$")
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})$")
_INTO = re.compile(r"\+(\d{1,3}):([0-5]\d)(?::([0-5]\d))?$")
_EARLIEST, _LATEST = (datetime(year, 1, 1, tzinfo=UTC).timestamp() for year in (2000, 2100))
_LONGEST_S = 366 * 86400.0
_SECONDS = {"s": 1, "m": 60, "min": 60, "h": 3600}


def parse_past(text: str, now: float) -> float:
    """As ``parse_when``, of something that has happened: refuses what lies in the future (by more than a minute)."""
    return past(parse_when(text, now), text, now)


def past(at: float, text: str, now: float) -> float:
    """The time, if it has been, give or take a minute. ConfigError with the text that said it."""
    if at > now + 60:
        raise ConfigError(f"time {text!r}: that is in the future ({local(at)}); say when it was")
    return at


def parse_when(text: str, now: float) -> float:
    """A time said by a person -> UTC seconds.

    Taken are ISO 8601 (without an offset: this machine's time zone) and ``14:05`` (the last time that it was five past
    two here). ``now`` is the present in UTC seconds.

    Raises ConfigError naming the text.
    """
    try:
        if match := _CLOCK.match(text):
            return _last_time_of_day(int(match[1]), int(match[2]), now)
        at = datetime.fromisoformat(text).timestamp()
        if not _EARLIEST <= at < _LATEST:
            raise ValueError
        return at
    except (ValueError, OverflowError, OSError):
        raise ConfigError(f"time {text!r}: write 2026-05-30T14:05 or 14:05 (today)") from None


def parse_coming(text: str, now: float) -> float:
    """As ``parse_when``, of something that is to come: ``18:00`` is the next six in the evening. ConfigError."""
    if match := _CLOCK.match(text):
        try:
            return _next_time_of_day(int(match[1]), int(match[2]), now)
        except (ValueError, OverflowError, OSError):
            raise ConfigError(f"time {text!r}: write 2026-05-30T18:00 or 18:00 (the next)") from None
    return parse_when(text, now)


def _next_time_of_day(hour: int, minute: int, now: float) -> float:
    """The next time after ``now`` that a clock here shows this; right across a change of the clocks."""
    today = datetime.fromtimestamp(now).replace(hour=hour, minute=minute, second=0, microsecond=0)
    for day in (today, today + timedelta(days=1)):
        for fold in (0, 1):  # where the clocks go back, a time of day comes twice
            if (at := day.replace(fold=fold).timestamp()) > now:
                return at
    raise ValueError


def _last_time_of_day(hour: int, minute: int, now: float) -> float:
    """The last time at or before ``now`` that a clock here showed this; right across a change of the clocks."""
    today = datetime.fromtimestamp(now).replace(hour=hour, minute=minute, second=0, microsecond=0)
    # A naive time is this machine's: timestamp() takes the offset that held then, not the one that holds now.
    for day in (today, today - timedelta(days=1)):
        for fold in (1, 0):  # where the clocks went back, a time of day came twice: the later one first
            if (at := day.replace(fold=fold).timestamp()) <= now:
                return at
    raise ValueError


def parse_span(text: str) -> float:
    """``15m``, ``2h`` or ``90s`` -> seconds. Raises ConfigError naming the text."""
    match = _SPAN.match(text.strip())
    if match and (seconds := float(match[1]) * _SECONDS[match[2]]) < _LONGEST_S:
        return seconds
    raise ConfigError(f"time span {text!r}: write 15m, 2h or 90s")


def parse_into(text: str) -> float:
    """How far into a cook: ``+3:10``, ``+3:10:30`` or ``+190m`` -> seconds. Raises ConfigError naming the text."""
    if match := _INTO.match(text.strip()):
        return 3600.0 * int(match[1]) + 60.0 * int(match[2]) + float(match[3] or 0)
    try:
        return parse_span(text.strip().removeprefix("+"))
    except ConfigError:
        raise ConfigError(f"time {text!r}: write +3:10 for three hours ten into the cook, or +190m") from None


def parse_in_cook(text: str, cook: Cook, now: float) -> float:
    """A time of a cook, as a person says it -> UTC seconds: ``+3:10`` into it, or as ``parse_when`` takes it.

    A time of day is the last such time before the cook's end: an old cook is asked for by its own clock.
    """
    if text.startswith("+"):
        return cook.started_ms / 1000 + parse_into(text)
    return parse_when(text, now if cook.ended_ms is None else cook.ended_ms / 1000)


def parse_temperature(text: str, units: str) -> float:
    """``195``, ``195F`` or ``90.5C`` -> degC; without a letter in ``units``.

    Raises ConfigError naming the text.
    """
    match = re.fullmatch(r"(-?\d+(?:\.\d+)?)\s*°?([CcFf])?", text.strip())
    if not match:
        raise ConfigError(f"temperature {text!r}: write 195F or 90.5C")
    value, unit = float(match[1]), (match[2] or units).upper()
    return value if unit == "C" else (value - 32) / 1.8
