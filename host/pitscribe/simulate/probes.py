"""Thermocouple probes: how far their junction is from what it is put into, and how far their wire is from the tables.

Sources: Ranz and Marshall (bead), Churchill and Bernstein (cylinder across the flow), the pin-fin solution for stem
conduction: SOURCES.md section 5, whose tables are the tests.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology.tolerance import tolerance_limit

STEFAN_BOLTZMANN = 5.670374e-8
KELVIN = 273.15
AIR_CONDUCTIVITY, AIR_VISCOSITY, AIR_PRANDTL = 0.0328, 2.54e-5, 0.69  # W/(m K), m2/s, -; at 121 degC
STEEL_SHEATH = 15.0  # W/(m K)
WIRE_HEAT, SHEATH_HEAT = 3.87e6, 3.6e6  # J/(m3 K)


@dataclass(frozen=True)
class ProbeSpec:
    """One probe: a bare bead, or a steel sheath with the junction at its end."""

    shape: Literal["bead", "sheath"]
    diameter: float  # m, of the bead or the sheath
    grade: str = "iec-1"
    immersion: float = 0.075  # m, from the wall or the meat's skin to the tip
    emissivity: float = 0.8
    speed: float = 0.5  # m/s of air past it


def film(shape: str, diameter: float, speed: float) -> float:
    """Return the heat transfer coefficient of air at about 121 degC past a bead or a sheath, W/(m2 K)."""
    reynolds = speed * diameter / AIR_VISCOSITY
    if shape == "bead":
        nusselt = 2 + 0.6 * math.sqrt(reynolds) * AIR_PRANDTL ** (1 / 3)
    else:
        lead = 0.62 * math.sqrt(reynolds) * AIR_PRANDTL ** (1 / 3) / (1 + (0.4 / AIR_PRANDTL) ** (2 / 3)) ** 0.25
        nusselt = 0.3 + lead * (1 + (reynolds / 282000) ** 0.625) ** 0.8
    return float(nusselt * AIR_CONDUCTIVITY / diameter)


def time_constant(shape: str, diameter: float, h: float) -> float:
    """Return the first-order time constant of a bead or a sheath, s, for a film coefficient h in W/(m2 K)."""
    return WIRE_HEAT * diameter / (6 * h) if shape == "bead" else SHEATH_HEAT * diameter / (4 * h)


def stem_share(diameter: float, immersion: float, h: float, conductivity: float = STEEL_SHEATH) -> float:
    """Return (tip - gas) / (base - gas) of a solid stem with an insulated tip: 1 / cosh(mL)."""
    return 1 / math.cosh(min(700.0, immersion * math.sqrt(4 * h / (conductivity * diameter))))


@dataclass(frozen=True)
class Junction:
    """How one placed probe follows: target = surround x medium + walls x walls + stem x base, first order in tau."""

    medium: float
    walls: float
    stem: float
    tau: float


def junction_in_air(spec: ProbeSpec, around_c: float = 115.0) -> Junction:
    """Return how a probe's junction follows air, walls that it sees, and the wall that its stem comes through."""
    h = film(spec.shape, spec.diameter, spec.speed)
    radiates = 4 * spec.emissivity * STEFAN_BOLTZMANN * (around_c + KELVIN) ** 3
    both = h + radiates
    stem = stem_share(spec.diameter, spec.immersion, both) if spec.shape == "sheath" else 0.0
    return Junction((1 - stem) * h / both, (1 - stem) * radiates / both, stem,
                    time_constant(spec.shape, spec.diameter, both))


def junction_in_meat(spec: ProbeSpec, contact: float = 250.0) -> Junction:
    """Return the same for a probe in meat, ``contact`` W/(m2 K) between it and the meat; its base is at pit air."""
    stem = stem_share(spec.diameter, spec.immersion, contact)
    return Junction(1 - stem, 0.0, stem, time_constant("sheath", spec.diameter, contact))


def step_response(tau: float, seconds: float) -> float:
    """Return the share of a step that a first-order junction has made after some seconds."""
    return 1 - math.exp(-seconds / tau)


@dataclass(frozen=True)
class WireError:
    """What one probe's wire is out by: D at its tip less D at its plug, for D is nothing at 0 degC.

    D rises to ``at_100`` K at 100 degC, quickly and then hardly any more if ``knee`` is some 30 K, as a straight line
    if it is some hundreds; ``limit`` K is where it stops.
    """

    at_100: float
    knee: float
    limit: float

    def of(self, celsius: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return D at a temperature in deg C, K, same shape: add it to both ends of the wire."""
        rise = (1 - np.exp(-celsius / self.knee)) / (1 - np.exp(-100.0 / self.knee))
        error: NDArray[np.float64] = np.clip(self.at_100 * rise, -self.limit, self.limit)
        return error


NO_WIRE_ERROR = WireError(0.0, 100.0, 0.0)


def draw_wire_error(rng: np.random.Generator, tc: str, grade: str) -> WireError:
    """Draw what a spool's wire is out by, within its class from 0 to 370 degC.

    Uniform over the class's width at 100 degC; the knee from 50 to 1000 K, uniform in its reciprocal (an alloy that is
    a little off errs nearly in proportion): our own picture of a spool, no source.
    """
    width = float(tolerance_limit(tc, grade, np.array([100.0]))[0])
    return WireError(float(rng.uniform(-1, 1)) * width, 1 / float(rng.uniform(1 / 1000, 1 / 50)), width)
