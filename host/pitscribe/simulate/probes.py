"""Thermocouple probes: how far their junction is from what it is put into, and how far their wire is from the tables.

Sources: Ranz and Marshall (bead), Churchill and Bernstein (cylinder across the flow), the pin-fin solution for stem
conduction: SOURCES.md section 5, whose tables are the tests.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology.tolerance import BEND_PART, GAIN_PART, TOLERANCES

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
    """What one probe's wire is out by, against the junction's temperature in deg C.

    offset K, plus gain K per K above 0 degC, plus a bend: K at 50 degC of a parabola that is nothing at 0 and 100.
    """

    offset: float
    gain: float
    bend: float = 0.0

    def of(self, celsius: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the error at the junction's temperatures, K, same shape."""
        part = np.minimum(celsius, 200.0) / 100.0  # no parabola goes on for ever
        return self.offset + self.gain * celsius + 4.0 * self.bend * part * (1.0 - part)


def draw_wire_error(rng: np.random.Generator, tc: str, grade: str) -> WireError:
    """Draw a fixed error that keeps the wire within its class from 0 to 370 degC.

    The offset is uniform over the class's kelvin figure, the gain over half of its share of temperature (wire of one
    spool errs alike over a kitchen's range), the bend over a twentieth of the kelvin figure: our own picture of a
    spool, no source. Draws that leave the class somewhere are thrown away.
    """
    fixed, share = TOLERANCES[grade][1][tc]
    at = np.linspace(0.0, 370.0, 75)
    most = np.maximum(fixed, share * at)
    while True:
        offset, gain, bend = rng.uniform(-1, 1, 3) * (fixed, GAIN_PART * share, BEND_PART * fixed)
        error = WireError(float(offset), float(gain), float(bend))
        if (np.abs(error.of(at)) <= most).all():
            return error
