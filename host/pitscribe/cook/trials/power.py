"""How many pieces of each level it takes to see a difference, computed.

The power is that of the t test on the differences inside blocks, at the level that the permutation test really has:
its p goes by steps, and with 4 and 4 pieces the step below 5 % is 2.9 %. With fewer, or under 6 pairs, it has none. The
scatter that the number rests on is that of the pieces so far or, before there are any, an allowance; and since what is
seen on a few pieces is hardly known, neither is the number: both ends are told.
"""

from dataclasses import dataclass
from math import comb, sqrt
from typing import Any

from pitscribe.cook.plain import number
from pitscribe.cook.trials.chance import scatter_range, t_power

WANTED, LEVEL = 0.80, 0.05  # common practice, no source
MOST_PIECES = 200  # nobody cooks so many


@dataclass(frozen=True, slots=True)
class Needed:
    """Pieces of each level for ``WANTED`` power at ``LEVEL``, to see ``difference``; None: over ``MOST_PIECES``.

    low, high : the same by the ends of what the scatter may be (80 %); the same as ``each`` if it was supposed
    supposed : the scatter is an allowance, not seen
    """

    difference: float
    scatter: float
    each: int | None
    low: int | None
    high: int | None
    supposed: bool

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "difference": number(self.difference), "scatter": number(self.scatter), "each": self.each,
            "each_low": self.low, "each_high": self.high, "supposed": self.supposed, "power": WANTED,
        }


def power_of(each: int, half_block: int, difference: float, scatter: float, level: float = LEVEL) -> float:
    """How often a trial of ``each`` pieces a level tells a true ``difference`` at ``level``.

    half_block : pieces of one level in a block (``each``: one block; 1: pairs);  scatter : of pieces alike in a block
    """
    blocks = -(-each // half_block)
    step = 2.0 / comb(2 * half_block, half_block) ** (each // half_block)
    level = level // step * step if step > level / 50 else level
    dof = 2 * each - blocks - 1
    return t_power(difference / scatter * sqrt(each / 2), dof, level) if level else 0.0


def pieces_needed(
    difference: float, scatter: float, half_block: int | None = None, level: float = LEVEL
) -> int | None:
    """Pieces of each level for ``WANTED`` power; None if over ``MOST_PIECES``.

    difference, scatter : > 0, of one unit;  half_block : pieces of one level in a block; None: one block
    """
    step = half_block or 1
    for each in range(step, MOST_PIECES + 1, step):
        if power_of(each, half_block or each, difference, scatter, level) >= WANTED:
            return each
    return None


def needed(
    difference: float, seen: tuple[float, int] | None, allowance: float, half_block: int | None, together: int = 1
) -> Needed:
    """What it takes, where ``together`` comparisons are held to ``LEVEL`` together (each to its share of it).

    seen : (scatter, dof) of the pieces so far, if there is one; else ``allowance`` is supposed
    """
    level = LEVEL / together
    if seen is None or seen[1] < 1 or seen[0] <= 0:
        each = pieces_needed(difference, allowance, half_block, level)
        return Needed(difference, allowance, each, each, each, True)
    low, high = (pieces_needed(difference, s, half_block, level) for s in scatter_range(*seen))
    return Needed(difference, seen[0], pieces_needed(difference, seen[0], half_block, level), low, high, False)
