"""What a check of safety says, and how checks of several places become one."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pitscribe.cook.plain import iso, number
from pitscribe.cook.safety_seen import BoolArray, Seen
from pitscribe.cook.safety_tables import DEFER, Source
from pitscribe.cook.safety_words import told

# Most pressing first: of several places the coldest is the one whose state stands first here.
STATES = ("exceeded", "not met", "unknown", "not judged", "not yet", "met")
# How each is told. "met" could be taken for hours in a danger zone that were met with: a time is within its limit.
STANDS = {
    "exceeded": "OVER THE LIMIT", "not met": "NOT MET", "unknown": "not known, so not safe",
    "not judged": "counted, not judged", "not yet": "not yet", "met": "met",
}
OF_TIME = {"met": "within the limit", "not yet": "within the limit so far"}
EDGE = 1e-9  # a time is not over its limit by rounding of sums


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was checked; None where it is not known or there is none.

    state : "met", "not met", "not yet", "unknown", "exceeded" (a limit of time was) or "not judged" (a time for which
    no limit is published). Only "met" says that it is well
    value, limit : in ``unit``, "h", "degC" or "share" (of the time that is required: 1 is all);  unknown_h : hours of
    which nothing is known, which count for neither;  since : since when it is so [UTC s];  at : the minute it speaks of
    words : why, with marks for temperatures (``safety_words``); ``why`` has them in both units, degF first
    """

    what: str
    place: str
    state: str
    value: float | None
    limit: float | None
    unit: str
    unknown_h: float | None
    since: float | None
    at: float | None
    source: str
    caution: str
    words: str

    @property
    def stands(self) -> str:
        """Its state in words that cannot be taken for another."""
        timed = self.unit == "h" and self.limit is not None and self.value is not None
        return (OF_TIME if timed else {}).get(self.state, STANDS[self.state])

    @property
    def why(self) -> str:
        """Why it stands so."""
        return told(self.words, "F")

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "what": self.what, "place": self.place, "state": self.state, "stands": self.stands,
            "value": number(self.value), "limit": number(self.limit), "unit": self.unit,
            "unknown_h": number(self.unknown_h), "since": iso(self.since), "at": iso(self.at), "source": self.source,
            "caution": self.caution, "why": self.why,
        }


@dataclass(frozen=True, slots=True)
class Finding:
    """What a check found, before place and source are put to it; fields as in ``Check``."""

    state: str
    value: float | None
    limit: float | None
    unit: str
    words: str
    unknown_h: float | None = None
    since: float | None = None

    def check(self, what: str, place: str, seen: Seen, source: Source) -> Check:
        """The whole of it."""
        found = self.state, self.value, self.limit, self.unit, self.unknown_h, self.since
        return Check(what, place, *found, seen.at, source.name, f"{source.caution} {DEFER}", self.words)


def worst(checks: Sequence[Check]) -> Check:
    """Of one check at several places the one that counts for the coldest: by state, then by how far it is."""
    return min(checks, key=lambda c: (STATES.index(c.state), _ahead(c), c.place))


def _ahead(check: Check) -> float:
    """How well it stands among those of one state: little of a time in danger, much of a temperature or a share."""
    if check.value is None:
        return float("-inf")
    return -check.value if check.unit == "h" else check.value


def first(where: BoolArray) -> int | None:
    """The first minute that is so; None: none is."""
    at = np.flatnonzero(where)
    return int(at[0]) if at.size else None


def because(seen: Seen) -> str:
    """Why there is no present, to be put behind other words."""
    return f"; {seen.why_not}" if seen.why_not else ""
