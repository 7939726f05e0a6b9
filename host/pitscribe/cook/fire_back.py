"""What a finish hangs on while the fire is low: whether, and when, somebody brings it back.

Of the courses that the pit may take (``pit_ahead``) most are brought back, and some of a dead pit are left. While the
pit is low and nobody said what they mean to do, a time is told for a fire that is back, and one for a pit that stays as
it is. A time over all courses would take a fire for granted that nobody has lit.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.cook_on import Ahead, Plan
from pitscribe.cook.grid import FloatArray
from pitscribe.cook.pit_ahead import BELOW_K, COLD_K, OPEN_H, Stand
from pitscribe.cook.plain import iso, number

BoolArray = NDArray[np.bool_]

FEW = 0.05  # of the courses: from fewer nothing is told


@dataclass(frozen=True, slots=True)
class IfBack:
    """A finish while the fire is low. Times in UTC s; None: not within 48 h.

    back_c, back_by : the level that the pit is taken to come to [degC], and by when, in the middle of the courses
    p10, p50, p90 : when the place is at its target if it is
    as_it_is : when it is there in a pit that stays as it is now (the middle of the members); None: never
    round_s : to how much the three are rounded when they are told
    """

    back_c: float
    back_by: float
    p10: float | None
    p50: float | None
    p90: float | None
    as_it_is: float | None
    round_s: float

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "back_c": number(self.back_c), "back_by": iso(self.back_by), "p10": iso(self.p10), "p50": iso(self.p50),
            "p90": iso(self.p90), "as_it_is": iso(self.as_it_is), "round_s": self.round_s,
        }


@dataclass(frozen=True, slots=True)
class Courses:
    """The courses of a low pit. left (members,): those that nobody brings back; back_c, back_s: of the rest.

    back_c : None: too few are brought back for anything to be told
    """

    left: BoolArray
    back_c: float | None
    back_s: float


def is_low(stand: Stand | None, target_c: float, plan: Plan) -> bool:
    """Whether the fire as it is does not cook to the target, or soon will not, and nobody said what comes.

    stand : how the pit stands, None: it was not seen in the last hours
    That is a pit under the target, or one that has been well under its usual for longer than a lid is open and has no
    more left above the target than that.
    """
    if plan.pit_c is not None or stand is None:
        return False
    return stand.now < target_c or (stand.now < target_c + BELOW_K and stand.low_h >= OPEN_H)


def stays(stand: Stand, target_c: float) -> bool:
    """Whether a low pit that is left as it is keeps a level that gets the meat to the target."""
    return stand.now > target_c + COLD_K and not stand.falls


def courses_of(stand: Stand, run: Ahead, target_c: float) -> Courses:
    """How the courses of a low pit part, by where each ends: well under its usual, or too cold for the target."""
    ends = run.level[-1]
    low_c = stand.usual - BELOW_K if stand.low_h else target_c
    left: BoolArray = ends <= max(low_c, target_c + COLD_K)
    if (~left).mean() < FEW:
        return Courses(left, None, 0.0)
    back_c = float(np.median(ends[~left]))
    up = run.level[:, ~left] >= back_c - BELOW_K
    first = np.where(up.any(axis=0), run.t[up.argmax(axis=0)], run.t[-1])
    return Courses(left, back_c, float(np.median(first)))


def middle(waits: FloatArray, most_s: float) -> float | None:
    """The median of some waits [s]; None: beyond ``most_s``, or of nothing."""
    if not waits.size:
        return None
    at = float(np.quantile(waits, 0.5, method="inverted_cdf"))
    return at if at <= most_s else None


def last(quantiles: Sequence[float | None]) -> float | None:
    """The latest of some times of which None is the latest of all."""
    known = [q for q in quantiles if q is not None]
    return max(known) if len(known) == len(quantiles) else None
