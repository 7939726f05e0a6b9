"""What else than a stall holds heating back, minute by minute: the fire, the pit's own temperature, a person's act."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pitscribe.cook.grid import Grid
from pitscribe.cook.plain import iso

LEAST_MIN = 10  # a slowdown shorter than this is not spoken of

STALL = "stall"  # nothing else is known to hold it back
WELL = ""  # it heats, or nothing can be said
NEAR_PIT = "near the pit's temperature: there is little left to drive it"
FIRE_LOW = "the fire is low: the pit drives less than it usually does"
COOLS = "it cools: pulled, iced or out of the heat"
TOO_COLD = "slow, but colder than a stall can be: a seam of fat, cold meat, or the probe sits badly"
TOO_HOT = "slow near boiling: not a stall"
MOVED = "the reading jumped as no heat through meat can: the probe moved"


@dataclass(frozen=True, slots=True)
class Slowdown:
    """Heating held back by something else than a stall. Times in UTC s; ``end`` is None while it lasts."""

    place: str
    begin: float
    noticed: float
    end: float | None
    cause: str

    def as_json(self) -> dict[str, Any]:
        return {"place": self.place, "begin": iso(self.begin), "noticed": iso(self.noticed), "end": iso(self.end),
                "cause": self.cause}


def slowdowns(place: str, why: Sequence[str], grid: Grid) -> list[Slowdown]:
    """Runs of at least ``LEAST_MIN`` minutes with one and the same cause; ``why``: a cause for each minute."""
    out = []
    first = 0
    for k in range(1, len(why) + 1):
        if k < len(why) and why[k] == why[first]:
            continue
        if why[first] not in (STALL, WELL) and k - first >= LEAST_MIN:
            end = grid.end(k - 1) if k < len(why) else None
            noticed = grid.end(first + LEAST_MIN - 1)
            out.append(Slowdown(place, grid.end(max(first - 1, 0)), noticed, end, why[first]))
        first = k
    return out
