"""A straight line through a few points whose uncertainties are known and may be correlated, bounded by what is known
of its offset and its slope before.

Generalised least squares: the estimate is linear in what was measured, so its covariance follows by the law of
propagation (JCGM 100:2008, 5.2.2, eq. 13), and so does how much each point counts (for effective degrees of freedom).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """``offset + gain x``.

    covariance : var(offset), cov(offset, gain), var(gain), of the estimate against the truth
    influence : float64 (2, n), what offset and gain change by for each unit of y
    """

    offset: float
    gain: float
    covariance: tuple[float, float, float]
    influence: FloatArray

    def at(self, x: float) -> float:
        """The line at ``x``."""
        return self.offset + self.gain * x

    def variance(self, x: float) -> float:
        """Variance of the line at ``x``."""
        var, both, slope = self.covariance
        return var + 2 * both * x + slope * x * x

    def weights(self, x: float) -> FloatArray:
        """What the line at ``x`` changes by for each unit of y: float64 (n,)."""
        weights: FloatArray = np.array([1.0, x]) @ self.influence
        return weights


def bounded_line(
    x: FloatArray, y: FloatArray, covariance: FloatArray, u_offset: float, u_gain: float, *, level: bool = False
) -> Line:
    """The line through points (n,), of whose offset and gain it was known that they are 0 give or take so much.

    covariance : float64 (n, n), of y;  u_offset, u_gain : standard uncertainties before, inf if nothing is known (then
    one or two points of different x are needed);  level : let the gain be 0, but not known to be
    """
    before = np.array([u_offset**-2.0, u_gain**-2.0])
    design = np.column_stack((np.ones(x.size), x))
    if level:  # what the gain may be makes the points less sure, and more alike
        solved = np.linalg.solve(covariance + u_gain**2 * np.outer(x, x), np.ones(x.size))
        share = solved / (float(solved.sum()) + before[0])
        influence = np.vstack((share, np.zeros(x.size)))
    else:
        solved = np.linalg.solve(covariance, design)  # V^-1 X
        influence = np.linalg.inv(design.T @ solved + np.diag(before)) @ solved.T
    left = influence @ design - np.eye(2)  # what of offset and gain the estimate does not follow
    known = np.diag([0.0 if np.isinf(u) else u**2 for u in (u_offset, u_gain)])
    spread = influence @ covariance @ influence.T + left @ known @ left.T
    offset, gain = (influence @ y).tolist()
    return Line(offset, gain, (float(spread[0, 0]), float(spread[0, 1]), float(spread[1, 1])), influence)
