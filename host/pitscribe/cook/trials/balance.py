"""What else differed between two levels, largest first.

A draw makes two levels alike on average, not in every trial of a few cooks. So whatever is known of the pieces besides
is compared too, each difference in units of how much pieces alike differ in it. That scatter is pooled from the trial's
own pieces and from an allowance that weighs as two degrees of freedom (our judgement, no source): with one piece a
level it is the allowance alone.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np

from pitscribe.cook.plain import number
from pitscribe.cook.trials.facts import Quantity

ALLOWANCE_DOF = 2


@dataclass(frozen=True, slots=True)
class Differs:
    """One quantity: means of the pieces of both levels where it is known, and their difference (second less first)."""

    quantity: Quantity
    counts: tuple[int, int]
    means: tuple[float, float]
    size: float  # difference over the scatter of pieces alike

    @property
    def difference(self) -> float:
        """Second less first, in the quantity's unit."""
        return self.means[1] - self.means[0]

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "name": self.quantity.name, "unit": self.quantity.unit, "before": self.quantity.before,
            "counts": list(self.counts), "means": [number(m) for m in self.means],
            "difference": number(self.difference), "size": number(self.size),
        }


def differing(
    quantities: Sequence[Quantity], first: Sequence[Mapping[str, float]], second: Sequence[Mapping[str, float]]
) -> tuple[Differs, ...]:
    """Every quantity that is known of a piece of each level, the largest difference by size first.

    first, second : what is known of the pieces of either level, by the quantities' names
    """
    found = [d for q in quantities if (d := _differs(q, first, second)) is not None]
    return tuple(sorted(found, key=lambda d: (-abs(d.size), d.quantity.name)))


def _differs(
    quantity: Quantity, first: Sequence[Mapping[str, float]], second: Sequence[Mapping[str, float]]
) -> Differs | None:
    a, b = (np.array([facts[quantity.name] for facts in some if quantity.name in facts]) for some in (first, second))
    if not a.size or not b.size:
        return None
    squares = float(np.square(a - a.mean()).sum() + np.square(b - b.mean()).sum())
    dof = a.size + b.size - 2
    scatter = sqrt((ALLOWANCE_DOF * quantity.usual**2 + squares) / (ALLOWANCE_DOF + dof))
    means = float(a.mean()), float(b.mean())
    return Differs(quantity, (a.size, b.size), means, (means[1] - means[0]) / scatter)
