"""Rules that look back over minutes of one channel: leads reversed, noise, a box that warms too fast.

Each is a function of ``Minutes`` and says of each minute, at its end, whether the rule is met: bool (m,).
"""

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology.minutes import Minutes, last
from pitscribe.metrology.uncertainty import TERMINAL_LIMIT_K, TERMINAL_TAU_S

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# REVERSED, at once: colder than meat from any freezer (-18 degC by EN 62552, from memory; with allowance), beside a box
# that is not out in such a frost. A reversed probe reads twice the box's temperature less its own, about: in a pit of
# 120 degC -75. Two minutes, so that a spike is none.
REVERSED_BELOW_C = -30.0
REVERSED_BOX_ABOVE_C = -10.0
REVERSED_MIN = 2

# NOISY: four of the last five minutes, so that a hand on the cable is none.
NOISY_MIN, NOISY_OF_MIN = 4, 5

# COLD_FAST: the terminal block follows the chip with the budget's time constant; flagged when that leaves it behind by
# more than the budget allows for a box at rest. The lag is worked out over so many minutes (0.2 % of it is left out).
_LAG_MIN = 10
_KEPT = float(np.exp(-60.0 / TERMINAL_TAU_S))
_WEIGHTS = (1 - _KEPT) * _KEPT ** np.arange(_LAG_MIN)


def far_below(minutes: Minutes) -> BoolArray:
    """REVERSED by the level alone: every sample of two minutes is colder than anything that is cooked."""
    cold = (minutes.top < REVERSED_BELOW_C) & (minutes.cold > REVERSED_BOX_ABOVE_C)
    met: BoolArray = last(cold.astype(np.float64), REVERSED_MIN).sum(axis=1) == REVERSED_MIN
    return met


def noisy(minutes: Minutes) -> BoolArray:
    """NOISY: most of the last minutes flicker more than is explained (``minutes.explained_noise``)."""
    met: BoolArray = np.nan_to_num(last(minutes.noisy.astype(np.float64), NOISY_OF_MIN)).sum(axis=1) >= NOISY_MIN
    return met


def terminal_lag(cold: FloatArray) -> FloatArray:
    """How far the terminal block is behind the chip at each minute's end: means (m,) [degC] -> (m,) [K].

    A lag of first order that takes the chip as constant in each minute, and as half a minute's change further at its
    end. NaN where one of the last minutes is missing.
    """
    window = last(cold, _LAG_MIN)
    now, before = window[:, -1], window[:, -2]
    behind = 0.5 * (now - before)
    for i, weight in enumerate(_WEIGHTS.tolist()):  # one by one: the sum is the same wherever the minute stands
        behind = behind + weight * (now - window[:, -1 - i])
    return behind


def box_too_fast(minutes: Minutes) -> BoolArray:
    """COLD_FAST: the terminal block is left behind by more than the budget allows."""
    met: BoolArray = np.abs(terminal_lag(minutes.cold)) > TERMINAL_LIMIT_K
    return met
