"""Straight lines through the trailing minutes, for every minute at once, by running sums."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.grid import FloatArray

BoolArray = NDArray[np.bool_]

LEAST_SHARE = 0.5  # of a window's minutes that must have data
# Neighbouring residuals of a course resemble each other. A first-order process with a correlation of 0.8, the most
# that ``rates`` allows for, has (1 - 0.8)/(1 + 0.8) = 1/9 of the independent values.
ALIKE = 9.0


@dataclass(frozen=True, slots=True)
class Lines:
    """The line of each minute's trailing window; float64 (n,), NaN where there are too few minutes.

    level : its value at that minute;  slope : per hour;  u_level, u_slope : their standard uncertainties
    """

    level: FloatArray
    slope: FloatArray
    u_level: FloatArray
    u_slope: FloatArray


def lines(y: FloatArray, minutes: int, step: FloatArray | float = 0.0) -> Lines:
    """Least-squares lines through the trailing ``minutes`` of ``y`` (n,), NaN for a minute without a value.

    step : how finely ``y`` moves; a flat stretch may hide a change by one step over the window (GUM 4.3.7)
    """
    n = y.size
    have = np.isfinite(y)
    if not have.any():
        return Lines(*(np.full(n, np.nan) for _ in range(4)))
    # Sums are kept small by counting from the first value: what comes later may not change what was said before.
    base = float(y[have.argmax()])
    v = np.where(have, y - base, 0.0)
    i = np.arange(n, dtype=np.float64)
    count, sum_x, sum_xx = (_window_sum(a, minutes) for a in (have * 1.0, have * i, have * i * i))
    sum_y, sum_xy, sum_yy = (_window_sum(a, minutes) for a in (v, i * v, v * v))
    enough = (count >= max(3.0, LEAST_SHARE * minutes)) & (np.arange(n) >= LEAST_SHARE * minutes - 1)
    c = np.where(enough, count, 1.0)
    mean_x, mean_y = sum_x / c, sum_y / c
    sxx = np.maximum(sum_xx - c * mean_x**2, 1e-6)
    slope = (sum_xy - c * mean_x * mean_y) / sxx
    rest = np.maximum(sum_yy - c * mean_y**2 - slope**2 * sxx, 0.0)
    scatter = ALIKE * rest / np.maximum(c - 2, 1.0)
    hidden = np.square(step) / 3
    u_slope = np.sqrt(scatter / sxx + hidden / minutes**2)
    u_level = np.sqrt(scatter * (1 / c + np.square(i - mean_x) / sxx) + hidden / 4)
    level = base + mean_y + slope * (i - mean_x)
    level, slope, u_level, u_slope = (
        np.where(enough, a, np.nan) for a in (level, 60 * slope, u_level, 60 * u_slope)
    )
    return Lines(level, slope, u_level, u_slope)


def mean(y: FloatArray, minutes: int) -> FloatArray:
    """Mean of the trailing ``minutes`` of ``y`` (n,); NaN with less than ``LEAST_SHARE`` of them."""
    have = np.isfinite(y)
    count = _window_sum(have * 1.0, minutes)
    total = _window_sum(np.where(have, y, 0.0), minutes)
    return np.where(count >= max(1.0, LEAST_SHARE * minutes), total / np.maximum(count, 1.0), np.nan)


def _window_sum(a: FloatArray, minutes: int) -> FloatArray:
    total = np.cumsum(a)
    out = total.copy()
    out[minutes:] -= total[:-minutes]
    return out
