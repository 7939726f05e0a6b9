"""A constant, or a straight line, through a few points whose uncertainties are known and may be correlated.

Generalised least squares: the estimate is linear in what was measured, so its covariance follows by the law of
propagation (JCGM 100:2008, 5.2.2, eq. 13), and so does how much each point counts (for effective degrees of freedom).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """``offset + gain (x - pivot)``; the pivot is where the two are uncorrelated.

    covariance : var(offset), cov(offset, gain), var(gain)
    influence : float64 (2, n), what offset and gain change by for each unit of y
    """

    offset: float
    gain: float
    pivot: float
    covariance: tuple[float, float, float]
    influence: FloatArray

    @property
    def u_gain(self) -> float:
        """Standard uncertainty of the gain."""
        return float(np.sqrt(self.covariance[2]))

    def weights(self, x: float) -> FloatArray:
        """What the line at ``x`` changes by for each unit of y: float64 (n,)."""
        weights: FloatArray = np.array([1.0, x - self.pivot]) @ self.influence
        return weights

    def residual_variance(self, x: FloatArray, covariance: FloatArray) -> FloatArray:
        """Variance of y less the line at each point, given the covariance of y: float64 (n,)."""
        left = np.eye(x.size) - np.column_stack((np.ones(x.size), x - self.pivot)) @ self.influence
        variance: FloatArray = np.diag(left @ covariance @ left.T)
        return variance


def weighted_mean(x: FloatArray, y: FloatArray, covariance: FloatArray, u_gain: float) -> Line:
    """The constant through points (n,), whose line may be tilted by 0, give or take ``u_gain``.

    The pivot is the mean of x by the same weights, so that a tilt leaves the constant alone.
    """
    weights, variance = _mean_weights(covariance)
    influence = np.vstack((weights, np.zeros(x.size)))
    return Line(float(weights @ y), 0.0, float(weights @ x), (variance, 0.0, u_gain**2), influence)


def weighted_line(x: FloatArray, y: FloatArray, covariance: FloatArray) -> Line:
    """The straight line through points (n,) of two or more different x. covariance: float64 (n, n), of y."""
    pivot = float(_mean_weights(covariance)[0] @ x)
    design = np.column_stack((np.ones(x.size), x - pivot))
    solved = np.linalg.solve(covariance, design)  # V^-1 X
    inverse = np.linalg.inv(design.T @ solved)
    influence = inverse @ solved.T
    offset, gain = (influence @ y).tolist()
    var, both, _, slope = inverse.ravel().tolist()
    return Line(offset, gain, pivot, (var, both, slope), influence)


def _mean_weights(covariance: FloatArray) -> tuple[FloatArray, float]:
    """Weights of the best mean, which add up to 1, and its variance."""
    weights = np.asarray(np.linalg.solve(covariance, np.ones(covariance.shape[0])), np.float64)
    variance = 1.0 / float(weights.sum())
    weights *= variance
    return weights, variance
