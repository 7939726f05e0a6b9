"""What a message says: one or two plain sentences, whose figures are told to each reader in his unit and time zone.

A message is kept with its figures as they are, in braces: ``{66.1 C}`` a temperature, ``{5.5 K}`` a difference,
``{2026-06-13T11:45:00Z}`` a time. A host may keep UTC and its reader not; the page and the post read the same message.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any

Said = Mapping[str, Any]
_FIGURE = re.compile(r"\{(-?\d+\.\d) ([CK])\}|\{(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ)\}")


@dataclass(frozen=True, slots=True)
class Reader:
    """Whoever a message is for. ``units`` "F" or "C"; ``zone`` None: this machine's time zone."""

    units: str = "F"
    zone: tzinfo | None = None

    def read(self, words: str) -> str:
        """A message as he reads it: whole degrees in his unit, times of day in his zone."""
        return _FIGURE.sub(self._told, words)

    def _told(self, figure: re.Match[str]) -> str:
        number, unit, at = figure.groups()
        if at:
            return f"{datetime.fromisoformat(at).astimezone(self.zone):%H:%M}"
        value = float(number)
        if self.units == "F":
            value = value * 1.8 + (32 if unit == "C" else 0)
        return f"{value:.0f} {self.units}"


def degrees(celsius: float) -> str:
    """A temperature [degC] in a message."""
    return f"{{{celsius:.1f} C}}"


def difference(kelvin: float) -> str:
    """A difference [K] in a message."""
    return f"{{{kelvin:.1f} K}}"


def clock(at: float) -> str:
    """A time [UTC s] in a message."""
    return f"{{{datetime.fromtimestamp(at, UTC):%Y-%m-%dT%H:%M:%SZ}}}"


def seconds(iso: str) -> float:
    """The analysis's ISO 8601 -> UTC s."""
    return datetime.fromisoformat(iso).timestamp()


def trouble(said: Said, body: Said) -> str:
    """A trouble's own words, with the figures of the part that it is about."""
    fire = body["fire"]
    warning = fire and fire["warning"]
    if said.get("about") != "fire" or not warning:
        return str(said["words"])
    pit = body["pit"]
    now = f" The pit is at {degrees(pit['celsius'])}." if pit and pit["fresh"] else ""
    low = degrees(warning["trouble_c"])
    about = warning["about"]
    ahead = f" It is on the way to {low} by about {clock(seconds(about))}." if about else ""
    return f"{said['words']}{now}{ahead}"


def band(side: str, level: float, low: float, high: float) -> str:
    """The pit is out of its band."""
    wanted = f"{degrees(low)} to {degrees(high)}"
    return f"The pit is {side} its band: it is at {degrees(level)}, and was to be held at {wanted}."


def target(place: str, celsius: float, wanted: float) -> str:
    """A place has got there."""
    return f"{place} has reached its target: {degrees(celsius)} of {degrees(wanted)}."


def all_there(target: float) -> str:
    """The coldest place has got there."""
    return f"Every meat place is at {degrees(target)} or above. Mind hot metal and steam as you take it off."


def stalls(new: Sequence[Said], *, too: bool = False) -> str:
    """Stalls were noticed, of one place or of several; ``too``: after others that were told."""
    first, more = new[0], len(new) > 1
    since = clock(min(seconds(s["begin"]) for s in new))
    stall = f"{'stall' if more else 'stalls'}{' too' if too else ''}"
    head = f"{_and([_where(s) for s in new])} {stall}, since about {since}"
    return f"{head}." if too else f"{head} ({first['probability']:.0%} sure): {first['cause']}."


def stalls_over(ended: Sequence[Said], *, too: bool = False) -> str:
    """Stalls are over, of one place or of several; ``too``: after others that were told."""
    last = clock(max(seconds(s["end"]) for s in ended))
    left = "have left their stall" if len(ended) > 1 else "has left its stall"
    return f"{_and([s['place'] for s in ended])} {left}{' too' if too else ''}, at about {last}."


def _where(stall: Said) -> str:
    held = stall["plateau_c"]
    return str(stall["place"]) if held is None else f"{stall['place']} (at about {degrees(held)})"


def back(words: str) -> str:
    """What was told is over."""
    return f"Over: {words.partition('. ')[0].rstrip('.')}."


def spread(now: Said, limit_k: float) -> str:
    """The meat is uneven."""
    return (
        f"The meat is uneven: {now['leads']} is {difference(now['kelvin'])} ahead of {now['lags']}, "
        f"and the limit is {difference(limit_k)}."
    )


def _and(names: Sequence[str]) -> str:
    """"flat", "flat and tip", "flat, point and tip"."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
