"""How fast a temperature changes, from the series itself: robust, and looking back only."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Two medians of five samples, ten samples apart: at 1 Hz a window of 14 s. A median of five shrugs two spikes off;
# ten samples between them turn a flicker of one MAX31855 step into 0.025 K/s at most.
_GAP = 10
HISTORY = _GAP + 4  # samples before the first one that gets a slope


def recent_slope(t: FloatArray, celsius: FloatArray) -> FloatArray:
    """Slope at each sample from the 15 samples that end with it.

    t: float64 (n,), UTC s, ascending; celsius: float64 (n,), finite [degC].
    Returns float64 (n,) [K/s]; NaN for the first 14, of which nothing is known yet.
    """
    slope = np.full(t.shape, np.nan)
    if t.size > HISTORY:
        level = _median_of_five(celsius)
        slope[HISTORY:] = (level[_GAP:] - level[:-_GAP]) / (t[2 + _GAP : -2] - t[2 : -2 - _GAP])
    return slope


def _median_of_five(x: FloatArray) -> FloatArray:
    """Running medians, n - 4 of them, by a network of comparisons; each depends on its five values only."""
    a, b, c, d, e = (x[i : x.size - 4 + i] for i in range(5))
    f = np.maximum(np.minimum(a, b), np.minimum(c, d))
    g = np.minimum(np.maximum(a, b), np.maximum(c, d))
    median: FloatArray = np.maximum(np.minimum(f, g), np.minimum(e, np.maximum(f, g)))
    return median


# The cold junction moves by kelvins an hour: two minutes turn a flicker of one step (2^-4 degC) into 0.0005 K/s.
SLOW_S = 120.0


def slow_slope(t: FloatArray, celsius: FloatArray) -> FloatArray:
    """Slope at each sample against the last sample that is at least two minutes older.

    t: float64 (n,), UTC s, ascending; celsius: float64 (n,), finite [degC].
    Returns float64 (n,) [K/s]; NaN where there is no such sample.
    """
    slope = np.full(t.shape, np.nan)
    before = slow_start(t, t)
    known = np.flatnonzero(before >= 0)
    older = before[known]
    slope[known] = (celsius[known] - celsius[older]) / (t[known] - t[older])
    return slope


def slow_start(t: FloatArray, at: FloatArray) -> NDArray[np.intp]:
    """The last sample that is at least two minutes older than ``at``: row in t, -1 if there is none."""
    rows: NDArray[np.intp] = np.searchsorted(t, at - SLOW_S, side="right") - 1
    return rows
