"""From the emf of the loop to the temperature of the hot junction."""

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology import its90

FloatArray = NDArray[np.float64]


def hot_junction(tc: str, loop_mv: FloatArray, cold_c: FloatArray) -> FloatArray:
    """Temperature of the hot junction of a thermocouple.

    The terminal block is not at 0 degC, so its own emf is added back before the reference function is inverted:
    E(hot) = loop + E(cold). Emfs are added, never temperatures (which is 0.9 degC off for type K at 107/25 and 3.7 for
    type T; SOURCES.md section 1).

    Parameters: tc, type letter; loop_mv, float64 (n,), emf at the amplifier's input [mV]; cold_c, float64 (n,) or (),
    terminal block [degC]. Returns float64 (n,) [degC], NaN where an input is NaN or outside the reference function.
    Source: NIST Monograph 175; the law of intermediate temperatures.
    """
    return its90.temperature(tc, loop_mv + its90.emf(tc, cold_c, out_of_range="nan"), out_of_range="nan")
