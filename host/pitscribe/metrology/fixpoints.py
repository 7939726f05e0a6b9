"""Temperatures that a kitchen can make and trust: melting ice and boiling water, each with its uncertainty.

Sources: IAPWS R7-97(2012), region 4 (equations 29 to 31 and table 34), for water; U.S. Standard Atmosphere 1976 for the
pressure at an altitude; SOURCES.md section 3. What a bath in a kitchen departs from them by is our own allowance.
"""

from dataclasses import dataclass

import numpy as np

from pitscribe.errors import OutOfRangeError

CAUTION_BOIL = (
    "Boiling water and its steam scald. Take a deep, steady pot, keep hands, face and wires out of the steam and off "
    "the burner, and let the water cool before you carry it."
)
CAUTION_ICE = "Keep water off the logger and its plugs."

# R7-97(2012), table 34.
_N = (0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
      0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3)
_WATER_PA = (611.213, 22.064e6)  # region 4 reaches from 273.15 K to the critical point
_WATER_C = (0.0, 373.946)
_KELVIN = 273.15

# U.S. Standard Atmosphere 1976: sea level, lapse rate of the lowest layer [K/m], g0 M / (R L), radius of the earth [m].
_SEA_PA, _SEA_K, _LAPSE, _EXPONENT, _EARTH_M = 101325.0, 288.15, 0.0065, 5.25588, 6356766.0
ALTITUDE_M = (-450.0, 9000.0)  # the shore of the lowest lake, and the highest summit
PRESSURE_PA = (30_000.0, 110_000.0)

# Half widths, our own allowances, no source. Weather moves the pressure at one altitude by this on all but a few days
# of a year; more than twice of that is a figure reduced to sea level, or of another place.
WEATHER_PA = 1500.0
IMPOSSIBLE_PA = 4500.0
BAROMETER_PA = 100.0  # a telephone's barometer, or a station's figure a few metres higher or lower
NEAR_SEA_PA = (98_500.0, 104_500.0)  # what a forecast says of any place, because it is reduced to sea level
ICE_LIMIT_K = 0.05  # crushed ice of clean water, little water between, stirred; most are better: triangular
DEPTH_M = 0.05  # of the tip in the pot
SUPERHEAT_K = 0.1  # water in a clean pot gets a little hotter than it boils; salt and sugar do the same

_RHO_G = 9400.0  # Pa/m: weight of a metre of water near its boiling point


@dataclass(frozen=True, slots=True)
class Part:
    """One contribution to a fixed point's uncertainty: name, source, standard uncertainty [K]."""

    name: str
    source: str
    u: float


@dataclass(frozen=True, slots=True)
class FixedPoint:
    """A temperature that is known [degC], the parts of its uncertainty, and the pressure that it goes with [Pa]."""

    kind: str  # "ice" or "boil"
    celsius: float
    parts: tuple[Part, ...]
    pressure_pa: float | None = None

    @property
    def u(self) -> float:
        """Combined standard uncertainty [K]."""
        return float(np.sqrt(sum(part.u**2 for part in self.parts)))


def ice_point() -> FixedPoint:
    """A well-made, stirred ice bath: 0.000 degC, air-saturated water at 101.325 kPa (value from memory).

    Pressure is left out: 7.5 mK in a hundred kilopascal (from memory).
    """
    return FixedPoint("ice", 0.0, (Part("ice bath", "our allowance, 0.05 K triangular", ICE_LIMIT_K / 6**0.5),))


def boiling_point(*, pressure_pa: float | None = None, altitude_m: float | None = None) -> FixedPoint:
    """Water that boils hard, with the tip ``DEPTH_M`` deep, from the station pressure, or else from the altitude.

    The weight of the water above the tip raises the boiling point by 0.27 K for each 10 cm; the water around the tip is
    somewhere between the surface's and that: the middle is taken.

    Raises OutOfRangeError for what no place on earth has.
    """
    if pressure_pa is not None:
        pressure, limit = checked_pressure(pressure_pa), BAROMETER_PA
        of_pressure = "barometer, our allowance, 1 hPa"
    elif altitude_m is not None:
        pressure, limit = pressure_at(altitude_m), WEATHER_PA
        of_pressure = "weather at that altitude, our allowance, 15 hPa"
    else:
        raise OutOfRangeError("water boils by the pressure: give the station's pressure or the altitude")
    surface, tip = saturation_celsius(pressure), saturation_celsius(pressure + _RHO_G * DEPTH_M)
    slope = (tip - surface) / (_RHO_G * DEPTH_M)
    parts = (
        Part("pressure", of_pressure, slope * limit / 3**0.5),
        Part("depth of the tip", "weight of 5 cm of water, nothing to all of it", 0.5 * (tip - surface) / 3**0.5),
        Part("superheat and solutes", "our allowance, 0.1 K", SUPERHEAT_K / 3**0.5),
        Part("saturation line", "IAPWS R7-97: nothing beside the rest", 0.0),
    )
    return FixedPoint("boil", 0.5 * (surface + tip), parts, pressure)


def saturation_pressure(celsius: float) -> float:
    """Pressure at which water boils at a temperature [degC] -> [Pa]. R7-97(2012) equation 30.

    Raises OutOfRangeError outside 0 to 373.946 degC.
    """
    if not _WATER_C[0] <= celsius <= _WATER_C[1]:
        raise OutOfRangeError(f"water boils at {_WATER_C[0]:g} to {_WATER_C[1]:g} degC, not at {celsius:g}")
    kelvin = celsius + _KELVIN
    theta = kelvin + _N[8] / (kelvin - _N[9])
    a = theta**2 + _N[0] * theta + _N[1]
    b = _N[2] * theta**2 + _N[3] * theta + _N[4]
    c = _N[5] * theta**2 + _N[6] * theta + _N[7]
    return 1e6 * float((2 * c / (-b + (b * b - 4 * a * c) ** 0.5)) ** 4)


def saturation_celsius(pascal: float) -> float:
    """Temperature at which water boils under a pressure [Pa] -> [degC]. R7-97(2012) equation 31, the exact inverse.

    Raises OutOfRangeError outside 611.213 Pa to 22.064 MPa.
    """
    if not _WATER_PA[0] <= pascal <= _WATER_PA[1]:
        raise OutOfRangeError(f"water boils under {_WATER_PA[0]:g} to {_WATER_PA[1]:g} Pa, not under {pascal:g}")
    beta = (pascal / 1e6) ** 0.25
    e = beta**2 + _N[2] * beta + _N[5]
    f = _N[0] * beta**2 + _N[3] * beta + _N[6]
    g = _N[1] * beta**2 + _N[4] * beta + _N[7]
    d = 2 * g / (-f - (f * f - 4 * e * g) ** 0.5)
    return float(0.5 * (_N[9] + d - ((_N[9] + d) ** 2 - 4 * (_N[8] + _N[9] * d)) ** 0.5)) - _KELVIN


def geopotential(altitude_m: float) -> float:
    """Height by a tape or a map [m] -> geopotential height [m], by the standard's radius of the earth."""
    return _EARTH_M * altitude_m / (_EARTH_M + altitude_m)


def pressure_at(altitude_m: float) -> float:
    """The standard atmosphere's pressure at an altitude [m, as a map has it] -> [Pa].

    Raises OutOfRangeError outside ``ALTITUDE_M``.
    """
    low, high = ALTITUDE_M
    if not low <= altitude_m <= high:
        raise OutOfRangeError(f"altitude {altitude_m:.0f} m: nobody cooks outside {low:g} to {high:g} m")
    return _SEA_PA * float((1 - _LAPSE * geopotential(altitude_m) / _SEA_K) ** _EXPONENT)


def checked_pressure(pascal: float) -> float:
    """The pressure, if there is air of it on the ground anywhere. Raises OutOfRangeError."""
    low, high = PRESSURE_PA
    if not low <= pascal <= high:
        raise OutOfRangeError(
            f"pressure {pascal / 100:.6g} hPa: at places where people cook it is {low / 100:g} to {high / 100:g} hPa"
        )
    return pascal


def sea_level_suspicion(pressure_pa: float, altitude_m: float | None) -> str | None:
    """Why a pressure may not be the station's own but reduced to sea level; None if it may well be the station's.

    Raises OutOfRangeError where the altitude given beside it makes the pressure impossible.
    """
    if altitude_m is None:
        if not NEAR_SEA_PA[0] <= pressure_pa <= NEAR_SEA_PA[1]:
            return None
        return (
            f"{pressure_pa / 100:.0f} hPa is what a forecast says of any place, because it is reduced to sea level; "
            "higher up water boils at less (3.4 K, 6 F, a thousand metres), so give the altitude too, or what a "
            "barometer beside you shows"
        )
    usual = pressure_at(altitude_m)
    more = pressure_pa - usual
    if abs(more) <= WEATHER_PA:
        return None
    words = (
        f"{pressure_pa / 100:.0f} hPa at {altitude_m:.0f} m, where {usual / 100:.0f} hPa is usual: "
        + ("it seems to be reduced to sea level" if more > 0 else "it seems to be of a higher place")
    )
    if abs(more) > IMPOSSIBLE_PA:
        raise OutOfRangeError(f"{words}; give the pressure of your station itself, or the altitude alone")
    return f"{words}, or the weather is rare"
