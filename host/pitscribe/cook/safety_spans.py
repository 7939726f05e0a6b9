"""The stretches that the checks of safety count, for whoever draws them: danger zone, not hot any more, unknown.

Of the danger zone it is the place that the check of it speaks of, so that the hours drawn are those that it tells; the
same for hot holding. What is unknown is told apart: it never counts as safe.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from pitscribe.cook import safety_tables as tables
from pitscribe.cook.grid import CELL_S
from pitscribe.cook.plain import iso, number
from pitscribe.cook.safety_clocks import in_zone
from pitscribe.cook.safety_finding import EDGE
from pitscribe.cook.safety_seen import BoolArray, Seen

ZONE, NOT_HOT, UNKNOWN = "danger zone", "not hot", "unknown"
JOIN_MIN = 5  # stretches nearer to each other are one: a reading that hovers at a line is not many (our allowance)


@dataclass(frozen=True, slots=True)
class Span:
    """One stretch of one place.

    what : "danger zone" (between 40 and 140 degF), "not hot" (below 135 degF since it was cooked and hot), or "unknown"
    begin, end : UTC s;  hours : how much of it is so: what joins two stretches is not
    low_c, high_c : the lines that it lies between [degC]; None: none
    """

    what: str
    place: str
    begin: float
    end: float
    hours: float
    low_c: float | None = None
    high_c: float | None = None

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "what": self.what, "place": self.place, "begin": iso(self.begin), "end": iso(self.end),
            "hours": number(self.hours), "low_c": self.low_c, "high_c": self.high_c,
        }


def spans_of(
    seen: Mapping[str, Seen], cooked: Mapping[str, int | None], zone: str, hold: str
) -> tuple[Span, ...]:
    """All stretches so far, by their begin.

    seen, cooked : of each meat place, what is known of it, and the minute in which it was cooked (None: not yet)
    zone, hold : the places that the checks of danger zone and hot holding speak of
    """
    found = [*_stretches(ZONE, zone, seen[zone], in_zone(seen[zone]), *tables.ZONE_C),
             *_stretches(UNKNOWN, zone, seen[zone], ~seen[zone].known)]
    one, since = seen[hold], cooked[hold]
    if since is not None:
        hot = one.known & (one.low >= tables.HOT_C - EDGE)
        was_hot = np.logical_or.accumulate(hot & (np.arange(one.n) >= since))
        found += _stretches(NOT_HOT, hold, one, was_hot & one.known & ~hot, None, tables.HOT_C)
        if hold != zone:
            found += _stretches(UNKNOWN, hold, one, was_hot & ~one.known)
    return tuple(sorted(found, key=lambda s: (s.begin, s.what, s.place)))


def _stretches(
    what: str, place: str, seen: Seen, where: BoolArray, low_c: float | None = None, high_c: float | None = None
) -> list[Span]:
    at = np.flatnonzero(where)
    if not at.size:
        return []
    breaks = np.flatnonzero(np.diff(at) > JOIN_MIN + 1)
    firsts, lasts = at[np.concatenate(([0], breaks + 1))], at[np.append(breaks, at.size - 1)]
    return [
        Span(what, place, float(seen.ends[a]) - CELL_S, float(seen.ends[b]) - CELL_S + 3600 * float(seen.hours[b]),
             float(seen.hours[a : b + 1][where[a : b + 1]].sum()), low_c, high_c)
        for a, b in zip(firsts.tolist(), lasts.tolist(), strict=True)
    ]
