"""What the place does to a junction that is itself in order: it lags, it radiates, it is warmed along its own sheath.

These are errors of known sign that nobody corrects unless something was learned of the probe (``airprobe``). A lag is
counted as the whole tau |dT/dt|: an error of known size is not divided by root 3. What lies somewhere between nothing
and a limit a has, left uncorrected, the root mean square a/sqrt 3 about the reading.
"""

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology.coverage import Component

FloatArray = NDArray[np.float64]

_ROOT3 = 3.0**0.5

# Nobody says how an air probe is built. It is taken for a thin one: a bare bead of 24 AWG wire (1 mm; time constant
# 3.8 s at 1 m/s of air, 5.3 s at 0.3) or a sheath of 1/16 in (17 s, 29 s; SOURCES.md section 5), the one as likely as
# the other: what counts is the root mean square ...
BEAD_TAU_S, SHEATH_TAU_S = 4.5, 20.0
AIR_TAU_S = float(np.sqrt((BEAD_TAU_S**2 + SHEATH_TAU_S**2) / 2))
# ... and what it radiates to walls cooler than the air: emissivity of a steel that is not black yet, film coefficient
# rho c d / (4 tau) = 70 W/m2K of the sheath from the same table, and walls 0.29 of the way from the air down to the
# cold junction's surroundings (section 5's case: air 121.1 degC, walls 93.3). Thicker probes read worse than this says.
_EMISSIVITY, _FILM_W_M2K, _WALL_PART = 0.7, 70.0, 0.29
_STEFAN_BOLTZMANN = 5.670374e-8

# A probe in meat is warmed along its sheath by the pit's air. Nobody says how deep it sits; it is taken for a sheath of
# 1/8 in (3.2 mm) some 43 mm deep: a pin fin (SOURCES.md section 5) with 250 W/m2K to the meat (our own figure) takes
# this part of what the air is warmer; at 25 mm 0.055, at 40 mm 0.006, at 60 mm 0.0004. The air is taken to be at 120
# degC. So a probe that is less than two fingers deep reads higher than this says.
STEM_PART, STEM_AIR_C = 0.004, 120.0


def radiation_limit(celsius: FloatArray, cold_c: FloatArray) -> FloatArray:
    """How much too low an air probe may read by radiating to cooler walls: float64 (n,) [degC] each -> (n,) [K]."""
    probe = celsius + 273.15
    wall = probe - _WALL_PART * np.maximum(celsius - cold_c, 0.0)
    probe, wall = np.square(np.square(probe)), np.square(np.square(wall))
    low: FloatArray = (_EMISSIVITY * _STEFAN_BOLTZMANN / _FILM_W_M2K) * (probe - wall)
    return low


def exposure(kind: str, celsius: FloatArray, cold_c: FloatArray, slope: FloatArray) -> list[Component]:
    """What the place adds for a probe of which nothing is known but whether it is in the air or in meat.

    kind : "air" or "meat";  celsius, cold_c : float64 (n,) [degC];  slope : its size, float64 (n,) [K/s].
    """
    if kind == "meat":
        stem = (STEM_PART / _ROOT3) * np.maximum(STEM_AIR_C - celsius, 0.0)
        return [Component("warmth along the sheath", "sheath of 1/8 in, 43 mm deep, SOURCES.md section 5", stem)]
    return [
        Component("lag", f"time constant {AIR_TAU_S:.0f} s, SOURCES.md section 5", AIR_TAU_S * slope, "normal"),
        Component("radiation", "sheath of 1/16 in, SOURCES.md section 5", radiation_limit(celsius, cold_c) / _ROOT3),
    ]
