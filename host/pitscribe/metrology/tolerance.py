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

# A wire is out by D(tip) - D(plug), and D is nothing at 0 degC: with both ends at one temperature there is no emf. What
# one spool does in a kitchen's range, as half widths; our own picture, no source: D grows to the class's kelvin figure
# at 100 degC, and leaves the straight line between 0 and 100 degC by this part of it half way ...
BEND_PART = 0.15
# ... and this part of it is there even with both ends alike, for wire is not the same all along.
UNEVEN_PART = 0.1


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


def wire_limit(probe_tc: str, tolerance: str, celsius: FloatArray, cold_c: FloatArray) -> FloatArray:
    """What wire of a class may be out by, between a plug and a tip at these temperatures: half width.

    The class is stated for a plug at 0 degC. celsius, cold_c: float64 (n,) [degC] -> float64 (n,) [K], NaN through.
    ConfigError as ``tolerance_limit``.
    """
    share = np.minimum(1.0, UNEVEN_PART + np.abs(celsius - cold_c) / 100.0)
    limit: FloatArray = tolerance_limit(probe_tc, tolerance, celsius) * share
    return limit


def gain_limit(probe_tc: str, tolerance: str) -> float:
    """By how much the wire's error may change for each kelvin between 0 and 100 degC: half width [K/K].

    ConfigError as ``tolerance_limit``.
    """
    return float(tolerance_limit(probe_tc, tolerance, np.array([100.0]))[0]) / 100.0


def bend(celsius: FloatArray | float, low: float, high: float) -> FloatArray:
    """A parabola that is nothing at ``low`` and ``high``, and 1 half way between two points 100 K apart; float64."""
    z = np.asarray(celsius, np.float64)
    shape: FloatArray = 4e-4 * (z - low) * (high - z)
    return shape


def bend_limit(probe_tc: str, tolerance: str) -> float:
    """How far the error may leave a straight line half way between 0 and 100 degC: half width [K]. ConfigError."""
    return BEND_PART * float(tolerance_limit(probe_tc, tolerance, np.array([100.0]))[0])
