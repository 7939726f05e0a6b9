"""From where the time of several cooks is counted when they are laid beside each other."""

from dataclasses import dataclass
from math import sqrt

from pitscribe.cook.doubt import meat_cells
from pitscribe.cook.grid import grid_of
from pitscribe.cook.plain import degrees
from pitscribe.cook.reach import all_reached, reached
from pitscribe.errors import ReadingError
from pitscribe.series import CookRecord

NOTED_S = 240 / sqrt(3)  # people note a thing within some 4 min of it (our allowance), evenly: a standard uncertainty


@dataclass(frozen=True, slots=True)
class Align:
    """What is laid one over the other: the cooks' starts, the first note of a kind, or a temperature.

    note : its kind;  celsius : degC, of ``place``, or of the coldest place if that is None;  none of them: the start
    """

    note: str | None = None
    celsius: float | None = None
    place: str | None = None

    def words(self, unit: str) -> str:
        """From where, in words: "the start", "the first wrap", "150 F at the coldest place"."""
        if self.note is not None:
            return f"the first note of {self.note}"
        if self.celsius is None:
            return "the start"
        return f"{degrees(self.celsius, unit)} at {self.place or 'the coldest place'}"


@dataclass(frozen=True, slots=True)
class Origin:
    """Where the time of a cook is counted from: UTC s, and its standard uncertainty [s]."""

    t: float
    u_s: float


def origin_of(record: CookRecord, how: Align) -> Origin:
    """Of one cook. Raises ReadingError, naming the cook, where it has no such time."""
    name = record.cook.name
    if how.note is not None:
        some = [n.at_ms for n in record.notes if n.kind == how.note]
        if not some:
            raise ReadingError(f"{name!r} has no note of the kind {how.note}: align on something that all cooks have")
        return Origin(min(some) / 1000, NOTED_S)
    if how.celsius is None:
        return Origin(record.cook.started_ms / 1000, 0.0)
    grid = grid_of(record.places)
    meat = meat_cells(record.meat, grid)
    if how.place is not None and how.place not in meat:
        there = ", ".join(meat) or "none"
        raise ReadingError(f"{name!r} has no meat place {how.place!r}; it has: {there}")
    at = all_reached(meat, grid, how.celsius) if how.place is None else (
        reached(how.place, meat[how.place], grid, how.celsius))
    if at is None:
        who = how.place or "the coldest place"
        both = f"{degrees(how.celsius, 'F')} ({degrees(how.celsius, 'C')})"
        raise ReadingError(f"in {name!r} {who} was never seen at {both}: align on less, or on the start")
    return Origin(at.t, at.u_s)
