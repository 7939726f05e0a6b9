"""Do people tell one from the other? Triangle and paired-comparison tests, by exact binomial probabilities.

Triangle (ISO 4120): three samples, two of them alike; each taster names the odd one, and guesses it with probability
1/3. Paired comparison (ISO 5495): two samples; each taster names the one that has more of something, and guesses with
probability 1/2; one-sided where it was said beforehand which it should be, two-sided otherwise. In both an answer must
be given. What they tell is about the two pieces that were tasted: many tasters of two pieces are not many pieces.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any

from pitscribe.cook.plain import number
from pitscribe.cook.trials.binomial import at_least, least_for, limits_95
from pitscribe.errors import ConfigError

GUESS = {"triangle": 1 / 3, "paired": 1 / 2}
MOST_TASTERS = 100  # so that every serving has a code of its own; and no kitchen has more


@dataclass(frozen=True, slots=True)
class Tasted:
    """What a tasting says.

    right : tasters who named the odd one (triangle), the expected one (one-sided), or the one named more often
    p : how often guessing alone does as well;  least : how many it takes for 5 %, None: even all of them are too few
    tellers, low, high : the share of tasters who tell them apart, beyond guessing, and its 95 % interval
    power : how often as many tasters tell it, if half of them can taste it
    """

    kind: str
    sides: int
    n: int
    right: int
    p: float
    least: int | None
    tellers: float
    low: float
    high: float
    power: float

    @property
    def told(self) -> bool:
        """Whether guessing would do as well no more than once in twenty."""
        return self.p <= 0.05

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "kind": self.kind, "sides": self.sides, "tasters": self.n, "right": self.right, "p": number(self.p),
            "least": self.least, "tellers": number(self.tellers), "low95": number(self.low),
            "high95": number(self.high), "told": self.told, "power_if_half_can": number(self.power),
        }


def tasted(kind: str, right: int, n: int, *, sides: int = 1) -> Tasted:
    """Judge ``right`` of ``n`` answers. A triangle has one side.

    sides : 2 if nobody said beforehand which of a pair it should be; then ``right`` is the larger count
    Raises ConfigError for numbers that no tasting has.
    """
    _check(kind, sides, n)
    if not 0 <= right <= n:
        raise ConfigError(f"{right} right of {n} tasters: give 0 to {n}")
    guess = GUESS[kind]
    right = max(right, n - right) if sides == 2 else right
    low, high = limits_95(right, n)
    tellers, low, high = (max(0.0, (share - guess) / (1 - guess)) for share in (right / n, low, high))
    p = min(1.0, sides * at_least(right, n, guess))
    return Tasted(kind, sides, n, right, p, least_right(kind, n, sides=sides), tellers, low, high,
                  power(kind, n, 0.5, sides=sides))


@cache
def least_right(kind: str, n: int, *, sides: int = 1, level: float = 0.05) -> int | None:
    """The fewest right answers of ``n`` that tell a difference at ``level``; None if all of them do not."""
    _check(kind, sides, n)
    return least_for(level / sides, n, GUESS[kind])


def power(kind: str, n: int, tellers: float, *, sides: int = 1, level: float = 0.05) -> float:
    """How often ``n`` tasters tell a difference that a share ``tellers`` of them can taste; the others guess."""
    least = least_right(kind, n, sides=sides, level=level)
    if least is None:
        return 0.0
    right = tellers + (1 - tellers) * GUESS[kind]
    return at_least(least, n, right) + (at_least(least, n, 1 - right) if sides == 2 else 0.0)


def tasters_needed(kind: str, tellers: float, *, sides: int = 1, wanted: float = 0.80) -> int | None:
    """From how many tasters on the power is ``wanted`` and stays so; None: more than ``MOST_TASTERS``.

    Powers of a count go by steps: one taster more may have less.
    """
    enough = None
    for n in range(MOST_TASTERS, 0, -1):
        if power(kind, n, tellers, sides=sides) < wanted:
            break
        enough = n
    return enough


def _check(kind: str, sides: int, n: int) -> None:
    if kind not in GUESS:
        raise ConfigError(f"a tasting of kind {kind!r}: give {' or '.join(GUESS)}")
    if sides not in (1, 2) or (kind == "triangle" and sides == 2):
        raise ConfigError(f"a {kind} test of {sides} sides: a triangle has one, a pair one or two")
    if not 1 <= n <= MOST_TASTERS:
        raise ConfigError(f"{n} tasters: give 1 to {MOST_TASTERS}")
