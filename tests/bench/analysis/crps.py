"""Continuous ranked probability score: of an ensemble, of quantiles, of a normal distribution; all in the values' unit.

CRPS = integral (F(x) - 1{x >= y})^2 dx = twice the mean pinball loss over all levels (Gneiting and Raftery, JASA
102:359, 2007; SOURCES.md section 10).
"""

from math import erf, exp, pi, sqrt

import numpy as np
from scipy.special import ndtri

from .truth import Array

LEVELS = (np.arange(400) + 0.5) / 400
Z = ndtri(LEVELS)
Z90 = float(ndtri(0.9))


def of_normal(mu: float, sigma: float, y: float) -> float:
    """Of N(mu, sigma)."""
    z = (y - mu) / sigma
    return sigma * (z * erf(z / sqrt(2)) + 2 * exp(-z * z / 2) / sqrt(2 * pi) - 1 / sqrt(pi))


def of_ensemble(x: Array, y: float) -> float:
    """Of members, each as likely as any other (divided by 2 m^2, not the fair form)."""
    return float(np.abs(x - y).mean() - np.abs(x[:, None] - x[None, :]).mean() / 2)


def pinball(level: float, quantile: float, y: float) -> float:
    """Pinball loss of one quantile."""
    return (level - (y < quantile)) * (y - quantile)


def of_quantiles(p10: float, p50: float, p90: float, y: float) -> float:
    """Of the distribution with these three: two halves of normals that meet in the median."""
    x = p50 + Z * np.where(Z < 0, p50 - p10, p90 - p50) / Z90
    return float(2 * np.mean((LEVELS - (y < x)) * (y - x)))
