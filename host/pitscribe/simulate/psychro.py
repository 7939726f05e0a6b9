"""Moist air, as far as the smoker and the meat need it.

Scalars or NumPy arrays, deg C and Pa. Sources: ASHRAE Handbook, Fundamentals, 2017, chapter 1 (saturation pressure
after Hyland and Wexler, eq. 5 and 6; humidity ratio, eq. 20; wet bulb, eq. 33). Checked in
``tests/standards/test_psychrometrics_*.py`` against PsychroLib and the handbook's own figures.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = float | NDArray[np.float64]

SEA_LEVEL_PA = 101325.0
CP_DRY_AIR = 1006.0  # J/(kg K)
LEWIS = 0.87  # alpha / D of water vapour in air; SOURCES.md section 4 (from memory there: 0.85 to 0.87)
R_VAPOUR = 461.5  # J/(kg K)
_KELVIN = 273.15
_MOLAR_RATIO = 0.621945  # water / dry air

# ASHRAE 2017 ch. 1 eq. 6 (over water, 0 to 200 degC) and eq. 5 (over ice, -100 to 0 degC); T in kelvin, ln Pa.
_WATER = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 6.5459673)
_ICE = (-5.6745359e3, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13, 4.1635019)


def saturation_pressure(celsius: Floats) -> Any:
    """Return the vapour pressure of water (below 0 degC: of ice), Pa, for -100 to 200 degC; same shape as given."""
    t = np.asarray(celsius, dtype=np.float64) + _KELVIN
    a, b, c, d, e, g = _WATER
    water = a / t + b + t * (c + t * (d + t * e)) + g * np.log(t)
    if np.all(t >= _KELVIN):
        return np.exp(water)
    a, b, c, d, e, f, g = _ICE
    ice = a / t + b + t * (c + t * (d + t * (e + t * f))) + g * np.log(t)
    return np.exp(np.where(t < _KELVIN, ice, water))


def humidity_ratio(vapour_pa: Floats, pressure_pa: float = SEA_LEVEL_PA) -> Any:
    """Return kg water per kg dry air for a vapour pressure; infinite at and above the total pressure."""
    vapour = np.asarray(vapour_pa, dtype=np.float64)
    dry = pressure_pa - vapour
    return np.where(dry > 0, _MOLAR_RATIO * vapour / np.where(dry > 0, dry, 1.0), np.inf)


def latent_heat(celsius: Floats) -> Any:
    """Return the heat of evaporation of water, J/kg, 0 to 110 degC.

    A quadratic through three values of SOURCES.md section 3 (20, 60 and 100 degC: 2453.5, 2357.7, 2256.5 kJ/kg);
    the other rows there are met to 0.5 kJ/kg.
    """
    t = np.asarray(celsius, dtype=np.float64)
    return 2.499375e6 - 2.26000e3 * t - 1.6875 * t * t


def wet_bulb(celsius: float, ratio: float, pressure_pa: float = SEA_LEVEL_PA) -> float:
    """Return the thermodynamic wet bulb, degC, of air at ``celsius`` (above freezing) with humidity ratio ``ratio``."""
    low, high = 0.0, celsius
    for _ in range(60):
        guess = 0.5 * (low + high)
        saturated = float(humidity_ratio(saturation_pressure(guess), pressure_pa))
        holds = ((2501.0 - 2.326 * guess) * saturated - 1.006 * (celsius - guess)) / (
            2501.0 + 1.86 * celsius - 4.186 * guess
        )
        if holds > ratio:
            high = guess
        else:
            low = guess
    return 0.5 * (low + high)


def relative_to_ratio(celsius: float, relative: float, pressure_pa: float = SEA_LEVEL_PA) -> float:
    """Return the humidity ratio of air at ``celsius`` whose relative humidity is ``relative`` (0 to 1)."""
    return float(humidity_ratio(relative * float(saturation_pressure(celsius)), pressure_pa))
