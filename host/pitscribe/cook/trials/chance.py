"""The distributions that the power of a t test needs: noncentral t, and how far a scatter may be off.

A standard deviation of ``dof`` degrees of freedom, over the true one, has the density s^(dof-1) exp(-dof s2 / 2) up to
a factor (chi over the root of dof, any textbook). Everything here is a sum over that density on a fine grid.
"""

from functools import lru_cache
from math import erf, sqrt

import numpy as np

from pitscribe.cook.trials.permutation import FloatArray

_NODES = 1001


@lru_cache(maxsize=256)
def _scale(dof: int) -> tuple[FloatArray, FloatArray]:
    """(s, weight): nodes and their probabilities, which sum to 1; float64 (``_NODES``,) each."""
    wide = 7.0 / sqrt(2.0 * dof)
    s = np.linspace(max(1e-9, 1.0 - wide), 1.0 + wide, _NODES)
    log = (dof - 1) * np.log(s) - dof * np.square(s) / 2
    weight = np.exp(log - log.max())
    weight[[0, -1]] /= 2  # trapezoids
    return s, weight / weight.sum()


def t_power(shift: float, dof: int, level: float) -> float:
    """How often a two-sided t test at ``level`` tells a difference of ``shift`` standard uncertainties; dof >= 1."""
    return _beyond(t_limit(level, dof), shift, dof)


@lru_cache(maxsize=1024)
def t_limit(level: float, dof: int) -> float:
    """Student's t that chance alone goes beyond, either way, with probability ``level``: by halving."""
    low, high = 0.0, 1e4
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if _beyond(middle, 0.0, dof) > level else (low, middle)
    return high


def _beyond(limit: float, shift: float, dof: int) -> float:
    """How often noncentral t is beyond ``limit``, either way."""
    s, weight = _scale(dof)
    return float(weight @ (_normal(shift - limit * s) + _normal(-shift - limit * s)))


def scatter_range(scatter: float, dof: int) -> tuple[float, float]:
    """Between which two values the true scatter lies, by 80 % (10 % below, 10 % above), if ``scatter`` was seen."""
    s, weight = _scale(dof)
    upto = np.cumsum(weight) - weight / 2
    tenth, most = np.interp([0.1, 0.9], upto, s)
    return scatter / float(most), scatter / float(tenth)


def _normal(x: FloatArray) -> FloatArray:
    """The normal distribution function, from a table: within 2e-7."""
    at, below = _normal_table()
    out: FloatArray = np.interp(x, at, below)
    return out


@lru_cache(maxsize=1)
def _normal_table() -> tuple[FloatArray, FloatArray]:
    at = np.linspace(-8.0, 8.0, 16_001)
    return at, np.array([0.5 * (1.0 + erf(v / sqrt(2.0))) for v in at.tolist()])
