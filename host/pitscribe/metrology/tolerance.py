"""How far new wire may be from the reference function: the classes of the standards, and what we suppose of one spool.

Sources: IEC 60584-1:2013 (class 3 below -40 degC), ASTM E230/E230M-12 (its lower range below 0 degC); SOURCES.md
section 1. The figures for types R and S are from memory. Where a standard gives nothing for low temperatures (types J,
R, S, and N of ASTM) the figure above is carried on: our judgement. Tolerances are those of unused wire.
"""

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import ConfigError

FloatArray = NDArray[np.float64]

# The larger of the two terms, kelvin and part of the temperature in degC: (below this, the class below it counts; the
# class by type; the class below by type).
_IEC_LOW = {"K": (2.5, 0.015), "N": (2.5, 0.015), "E": (2.5, 0.015), "T": (1.0, 0.015)}
_ASTM_LOW = {"K": (2.2, 0.02), "E": (1.7, 0.01), "T": (1.0, 0.015)}
TOLERANCES: dict[str, tuple[float, dict[str, tuple[float, float]], dict[str, tuple[float, float]]]] = {
    # R and S of class 1: 1 K up to 1100 degC, and more above, where no kitchen is.
    "iec-1": (-40.0, dict.fromkeys("KNJE", (1.5, 0.004)) | {"T": (0.5, 0.004)} | dict.fromkeys("RS", (1.0, 0.0)),
              _IEC_LOW),
    "iec-2": (-40.0, dict.fromkeys("KNJE", (2.5, 0.0075)) | {"T": (1.0, 0.0075)} | dict.fromkeys("RS", (1.5, 0.0025)),
              _IEC_LOW),
    "astm-special": (0.0, dict.fromkeys("KNJ", (1.1, 0.004)) | {"T": (0.5, 0.004), "E": (1.0, 0.004)}
                     | dict.fromkeys("RS", (0.6, 0.001)), _ASTM_LOW),
    "astm-standard": (0.0, dict.fromkeys("KNJ", (2.2, 0.0075)) | {"T": (1.0, 0.0075), "E": (1.7, 0.005)}
                      | dict.fromkeys("RS", (1.5, 0.0025)), _ASTM_LOW),
}

# What one spool's wire may do besides being out by a constant, as half widths; our own picture of a spool, no source.
# Its error grows by at most half of the class's part of the temperature for each kelvin ...
GAIN_PART = 0.5
# ... and between 0 and 100 degC it leaves a straight line by at most a twentieth of the class's kelvin figure.
BEND_PART = 0.05


def _terms(probe_tc: str, tolerance: str) -> tuple[float, float]:
    try:
        return TOLERANCES[tolerance][1][probe_tc]
    except KeyError:
        known = ", ".join(TOLERANCES)
        raise ConfigError(f"no tolerance class {tolerance!r} for type {probe_tc}; use one of {known}") from None


def tolerance_limit(probe_tc: str, tolerance: str, celsius: FloatArray) -> FloatArray:
    """Half width of a tolerance class at a temperature: float64 (n,) [degC] -> float64 (n,) [K], NaN through.

    Raises ConfigError for a class or a type that the table does not have.
    """
    base, part = _terms(probe_tc, tolerance)
    joint, _, low = TOLERANCES[tolerance]
    size = np.abs(celsius)
    limit: FloatArray = np.maximum(base, part * size)
    if probe_tc in low:
        below = celsius < joint
        if below.any():
            base, part = low[probe_tc]
            limit = np.where(below, np.maximum(base, part * size), limit)
    return limit


def gain_limit(probe_tc: str, tolerance: str) -> float:
    """By how much the error of one spool's wire may change for each kelvin: half width [K/K]. ConfigError as above."""
    return GAIN_PART * _terms(probe_tc, tolerance)[1]


def bend_limit(probe_tc: str, tolerance: str, celsius: FloatArray, low: float, high: float) -> FloatArray:
    """How far the error may leave the straight line through two points at ``low`` and ``high``: half width.

    A parabola that is nothing at the two points, and ``BEND_PART`` of the class's kelvin figure half way between points
    100 K apart. celsius: float64 (n,) [degC] -> float64 (n,) [K]. ConfigError as above.
    """
    base, _ = _terms(probe_tc, tolerance)
    limit: FloatArray = (4e-4 * BEND_PART * base) * np.abs((celsius - low) * (celsius - high))
    return limit
