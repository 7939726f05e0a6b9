"""From named components to an interval: combined uncertainty, effective degrees of freedom, and the k for 95 %.

Source: JCGM 100:2008 (GUM): combination 5.1.2, Welch-Satterthwaite G.4.1, k from the t distribution G.6.4.

The t distribution supposes that the sum of the errors is near normal. Where a few limits of a data sheet or a tolerance
class outweigh the rest it is not: k = 2 then claims more than it need (a rectangle has 95 % within 1.65 of its standard
deviations). G.6.5 leaves that to judgement; here the fourth moments decide, which add up as the variances do: k is
that of the symmetric beta distribution (Pearson's type II, from the rectangle to the normal distribution) with the
excess kurtosis of the sum, times what the degrees of freedom add. Two equal rectangles get 1.88 (exact: 1.90).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Excess kurtosis of the distributions that components have.
EXCESS = {"normal": 0.0, "triangular": -0.6, "rectangular": -1.2}
NORMAL_95 = 1.959964  # k of a normal distribution, 95 % two-sided
_MOST_DOF = 200  # beyond that t is within 0.7 % of the normal distribution's


@dataclass(frozen=True, slots=True)
class Component:
    """One contribution to the uncertainty.

    name, source : what it is, and where its figure is from
    u : standard uncertainty, float64 (n,) [K]
    shape : a key of ``EXCESS``;  dof : degrees of freedom (infinite for a limit that somebody states)
    """

    name: str
    source: str
    u: FloatArray
    shape: str = "rectangular"
    dof: float = np.inf


class Total(NamedTuple):
    """Combined standard uncertainty [K], effective degrees of freedom, k for 95 %: float64 (n,) each."""

    u: FloatArray
    dof: FloatArray
    k: FloatArray


def combine(parts: Sequence[Component]) -> Total:
    """Combine uncorrelated components of one shape (n,); NaN where one of them is NaN."""
    shape = parts[0].u.shape
    square, fourth, by_dof = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for part in parts:
        variance = np.square(part.u)
        square += variance
        if EXCESS[part.shape] or np.isfinite(part.dof):
            np.square(variance, out=variance)
            if np.isfinite(part.dof):
                by_dof += variance / part.dof
            if EXCESS[part.shape]:
                fourth += EXCESS[part.shape] * variance
    whole = np.square(square)
    with np.errstate(divide="ignore", invalid="ignore"):
        excess = np.where(whole > 0, fourth / whole, 0.0)
        k = shape_factor(excess)
        dof = np.full(shape, np.inf)
        if by_dof.any():
            dof = np.where(by_dof > 0, whole / by_dof, np.inf)
            k *= student_95(dof) / NORMAL_95
    k[np.isnan(square)] = np.nan
    return Total(np.sqrt(square), dof, k)


def shape_factor(excess: FloatArray) -> FloatArray:
    """k for 95 % of a symmetric beta distribution of this excess kurtosis, -1.2 to 0: float64 (n,) -> (n,)."""
    at, k = _shape_table()
    factor: FloatArray = np.interp(excess, at, k)
    return factor


@cache
def _shape_table() -> tuple[FloatArray, FloatArray]:
    """Excess kurtosis, ascending, and k. Density (1 - x2)^(a-1) on -1 to 1: excess -6/(2a+3), variance 1/(2a+1)."""
    excess = np.linspace(-1.2, 0.0, 49)
    k = np.full(excess.shape, NORMAL_95)
    angle = np.linspace(0.0, np.pi / 2, 20001)
    for i, gamma in enumerate(excess[:-1]):
        a = -3.0 / gamma - 1.5
        density = np.cos(angle) ** (2 * a - 1)  # x = sin(angle)
        share = np.concatenate(([0.0], np.cumsum(density[1:] + density[:-1])))
        k[i] = np.sin(np.interp(0.95, share / share[-1], angle)) * np.sqrt(2 * a + 1)
    return excess, k


def student_95(dof: FloatArray) -> FloatArray:
    """k for 95 % of Student's t, degrees of freedom rounded down as G.4.1 says: float64 (n,) -> (n,); NaN below 1."""
    row = np.floor(np.nan_to_num(dof, nan=0.0, posinf=_MOST_DOF + 1)).clip(0, _MOST_DOF + 1).astype(np.intp)
    factor: FloatArray = _student_table()[row]
    return factor


@cache
def _student_table() -> FloatArray:
    """Row nu has t with P(|T| < t) = 0.95; the last row is the normal distribution's."""
    t = [_student(nu) for nu in range(1, 11)] + [_student_far(nu) for nu in range(11, _MOST_DOF + 1)]
    return np.array([np.nan, *t, NORMAL_95])


def _student(nu: int) -> float:
    """By halving an interval of the angle atan(t / sqrt nu): P is a finite sum (Abramowitz and Stegun 26.7.3, 4)."""
    low, high = 0.0, np.pi / 2
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _within(nu, middle) < 0.95 else (low, middle)
    return float(np.tan(low) * np.sqrt(nu))


def _student_far(nu: int) -> float:
    """Expansion in 1/nu (Abramowitz and Stegun 26.7.5): from 11 degrees of freedom on within 1e-5."""
    x = NORMAL_95
    series = (
        (x**3 + x) / 4,
        (5 * x**5 + 16 * x**3 + 3 * x) / 96,
        (3 * x**7 + 19 * x**5 + 17 * x**3 - 15 * x) / 384,
        (79 * x**9 + 776 * x**7 + 1482 * x**5 - 1920 * x**3 - 945 * x) / 92160,
    )
    return x + sum((g / float(nu) ** (i + 1) for i, g in enumerate(series)), 0.0)


def _within(nu: int, angle: float) -> float:
    sine, square = np.sin(angle), np.cos(angle) ** 2
    odd = nu % 2
    steps = np.arange(1 + odd, nu - 1, 2)  # each term is the one before times cos2 (i)/(i + 1)
    terms = np.concatenate(([1.0], np.cumprod(steps / (steps + 1.0) * square)))
    if not odd:
        return float(sine * terms[: nu // 2].sum())
    series = np.cos(angle) * sine * terms[: (nu - 1) // 2].sum() if nu > 1 else 0.0
    return float(2 / np.pi * (angle + series))
