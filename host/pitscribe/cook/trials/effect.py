"""The difference between two levels of a factor, with its interval: block by block, by least squares.

Model: outcome = its block + what the level does + scatter. The interval supposes scatter that is near normal and as
large at both levels (Student's t, any textbook); the permutation test beside it supposes the draw alone, and it is what
decides. In blocks of one level nothing can be compared; they tell of the scatter only.
"""

from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.plain import number
from pitscribe.cook.trials.permutation import FloatArray, Permuted, centred, permuted
from pitscribe.metrology.coverage import student_95


@dataclass(frozen=True, slots=True)
class Effect:
    """Mean of the second level less mean of the first, blocks allowed for; in the outcome's unit.

    counts : how many pieces of each level;  means : their plain means
    scatter : standard deviation of pieces alike, None where ``dof`` is 0
    u : standard uncertainty of the difference;  half : half width of the interval that holds 95 %
    """

    difference: float
    counts: tuple[int, int]
    means: tuple[float, float]
    dof: int
    scatter: float | None
    u: float | None
    half: float | None
    test: Permuted

    @property
    def low(self) -> float | None:
        """Lower end of the 95 % interval."""
        return None if self.half is None else self.difference - self.half

    @property
    def high(self) -> float | None:
        """Upper end of the 95 % interval."""
        return None if self.half is None else self.difference + self.half

    def within(self, size: float) -> bool:
        """Whether the whole interval is smaller than ``size``, either way."""
        return self.low is not None and self.high is not None and max(-self.low, self.high) < size

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "difference": number(self.difference), "low95": number(self.low), "high95": number(self.high),
            "u": number(self.u), "scatter": number(self.scatter), "dof": self.dof, "counts": list(self.counts),
            "means": [number(m) for m in self.means], "test": self.test.as_json(),
        }


def effect_of(y: FloatArray, second: NDArray[np.bool_], block: NDArray[np.int64]) -> Effect | None:
    """What the second level does; None where no block holds both levels.

    y : float64 (n,), finite;  second : bool (n,), of the second level;  block : int64 (n,)
    """
    z, left = np.zeros(y.size), np.zeros(y.size)
    blocks = np.unique(block)
    for b in blocks:
        here = block == b
        z[here], left[here] = centred(second[here].astype(np.float64)), centred(y[here])
    weight = float(z @ z)
    if weight < 1e-9:
        return None
    difference = float(z @ left) / weight
    dof = int(y.size - blocks.size - 1)
    scatter = sqrt(max(0.0, float(np.square(left - difference * z).sum())) / dof) if dof else None
    u = None if scatter is None else scatter / sqrt(weight)
    half = None if u is None else float(student_95(np.array([float(dof)]))[0]) * u
    means = float(y[~second].mean()), float(y[second].mean())
    counts = int((~second).sum()), int(second.sum())
    return Effect(difference, counts, means, dof, scatter, u, half, permuted(y, second, block))
