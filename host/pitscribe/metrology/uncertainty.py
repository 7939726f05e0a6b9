"""How far a temperature may be off: named components, each a standard uncertainty in kelvin (GUM, JCGM 100:2008).

Limits of a data sheet or a standard are half widths of a rectangular distribution, a/sqrt 3 (4.3.7); a step d is 0.29 d
(F.2.2.1); uncorrelated components add in squares (5.1.2). Two neighbouring register words of a MAX31855 carry
correlated noise and rounding; that is left out, because it matters for averages only, and none is taken here.

Components of one chip or probe are the same error in every sample of it: they do not average out over time.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import ConfigError
from pitscribe.metrology import its90
from pitscribe.metrology.chips import LINE_LIMIT_K, SLOPE_UV, TABLE_LIMIT_K, Chip, chip_of
from pitscribe.metrology.flags import COLD_GOOD_C

FloatArray = NDArray[np.float64]

_ROOT3 = 3.0**0.5
_STEP = 1.0 / 12.0**0.5  # GUM F.2.2.1: 0.29 of a step

# Tolerance of new wire: the larger of the two terms, kelvin and part of the temperature in degC. IEC 60584-1:2013 (its
# class 3 below -40 degC), ASTM E230/E230M-12 (its lower range below 0), SOURCES.md section 1. Where a standard gives
# nothing for low temperatures (types J, and N of ASTM) the figure above is carried on: our judgement.
_IEC_LOW = {"K": (2.5, 0.015), "N": (2.5, 0.015), "E": (2.5, 0.015), "T": (1.0, 0.015)}
_ASTM_LOW = {"K": (2.2, 0.02), "E": (1.7, 0.01), "T": (1.0, 0.015)}
TOLERANCES: dict[str, tuple[float, dict[str, tuple[float, float]], dict[str, tuple[float, float]]]] = {
    "iec-1": (-40.0, dict.fromkeys("KNJE", (1.5, 0.004)) | {"T": (0.5, 0.004)}, _IEC_LOW),
    "iec-2": (-40.0, dict.fromkeys("KNJE", (2.5, 0.0075)) | {"T": (1.0, 0.0075)}, _IEC_LOW),
    "astm-special": (0.0, dict.fromkeys("KNJ", (1.1, 0.004)) | {"T": (0.5, 0.004), "E": (1.0, 0.004)}, _ASTM_LOW),
    "astm-standard": (0.0, dict.fromkeys("KNJ", (2.2, 0.0075)) | {"T": (1.0, 0.0075), "E": (1.7, 0.005)}, _ASTM_LOW),
}

# How far the terminal block may be from the chip that stands for it, half width: plugs follow a board that warms by
# 10 K an hour with some minutes' delay, which makes half a kelvin. Our own allowance, no source; a data sheet speaks of
# the chip alone.
TERMINAL_LIMIT_K = 0.5

# Nobody says yet how an air probe is built; it is taken for a thin one, somewhere between a bare bead of 24 AWG wire
# (1 mm, time constant 4 s) and a sheath of 1/16 in, in 0.3 to 1 m/s of air, and the sheath, the worse, counts: 17 s at
# 1 m/s and 29 s at 0.3 (SOURCES.md section 5) ...
AIR_TAU_S = 20.0
# ... and what it radiates to walls cooler than the air: emissivity of a steel that is not black yet, film coefficient
# rho c d / (4 tau) = 70 W/m2K from the same table, and walls 0.29 of the way from the air down to the cold junction's
# surroundings (section 5's case: air 121.1 degC, walls 93.3). Thicker probes read worse than this says.
_EMISSIVITY, _FILM_W_M2K, _WALL_PART = 0.7, 70.0, 0.29
_STEFAN_BOLTZMANN = 5.670374e-8


@dataclass(frozen=True, slots=True)
class Component:
    """One contribution: its name, where its figure is from, and its standard uncertainty, float64 (n,) [K]."""

    name: str
    source: str
    u: FloatArray


@dataclass(frozen=True, slots=True)
class Setup:
    """What hangs on a channel: chip, the type it is made or set for, the wire's type, its tolerance class, the kind."""

    chip: str
    tc: str
    probe_tc: str
    tolerance: str
    kind: str  # "air" or "meat"


@dataclass(frozen=True, slots=True)
class Reading:
    """What the components are computed from.

    celsius, loop_mv, cold_c: float64 (n,) [degC, mV, degC]; slope: float64 (n,) [K/s], NaN where unknown (then it
    counts as 0); time_u: float64 (n,) or (), standard uncertainty of the time [s].
    """

    setup: Setup
    celsius: FloatArray
    loop_mv: FloatArray
    cold_c: FloatArray
    slope: FloatArray
    time_u: FloatArray


def tolerance_limit(probe_tc: str, tolerance: str, celsius: FloatArray) -> FloatArray:
    """Half width of a tolerance class at a temperature: float64 (n,) [degC] -> float64 (n,) [K], NaN through.

    Raises ConfigError for a class or a type that the table does not have.
    """
    try:
        joint, ordinary, low = TOLERANCES[tolerance]
        base, part = ordinary[probe_tc]
    except KeyError:
        known = ", ".join(TOLERANCES)
        raise ConfigError(f"no tolerance class {tolerance!r} for type {probe_tc}; use one of {known}") from None
    size = np.abs(celsius)
    limit: FloatArray = np.maximum(base, part * size)
    if probe_tc in low:
        below = celsius < joint
        if below.any():
            base, part = low[probe_tc]
            limit = np.where(below, np.maximum(base, part * size), limit)
    return limit


def radiation_limit(celsius: FloatArray, cold_c: FloatArray) -> FloatArray:
    """How much too low an air probe may read by radiating to cooler walls: float64 (n,) [degC] each -> (n,) [K]."""
    probe = celsius + 273.15
    wall = probe - _WALL_PART * np.maximum(celsius - cold_c, 0.0)
    probe, wall = np.square(np.square(probe)), np.square(np.square(wall))
    low: FloatArray = (_EMISSIVITY * _STEFAN_BOLTZMANN / _FILM_W_M2K) * (probe - wall)
    return low


def _line_limit(tc: str, celsius: FloatArray) -> FloatArray:
    """The MAX31855's own gain and offset limit, in kelvin of its straight line."""
    (first, limit), *wider = LINE_LIMIT_K[tc]
    if not (celsius > first).any():
        return np.full(celsius.shape, limit)
    return np.asarray(np.select([celsius <= top for top, _ in ((first, limit), *wider)],
                                [size for _, size in ((first, limit), *wider)], np.nan), np.float64)


def _chip_parts(spec: Chip, r: Reading, per_mv: FloatArray, cold_slope: FloatArray) -> list[Component]:
    """Gain and offset, table, quantisation, noise. per_mv: K/mV at the hot junction; cold_slope: mV/K at the cold."""
    zero = np.zeros(r.celsius.shape)
    if spec.mode == "line":
        slope = 1e-3 * SLOPE_UV[r.setup.tc]
        gain = _line_limit(r.setup.tc, r.celsius) * (slope / _ROOT3) * per_mv
        hot_step, cold_step = spec.hot_lsb * slope, spec.cold_lsb * np.abs(cold_slope - slope)
        source = "MAX31855 data sheet, K below 700 degC; other types from memory"
        noise = Component("chip noise", "not stated by the data sheet; the step is far larger", zero)
    else:
        limit = np.square(spec.gain_limit * r.loop_mv) + (spec.offset_limit_mv or 0.0) ** 2
        gain = np.sqrt(limit) * per_mv / _ROOT3
        source = "MAX31856 data sheet, -20 to 85 degC"
        noise = Component("chip noise", source, spec.noise_mv * per_mv)
        hot_step, cold_step = spec.hot_lsb, spec.cold_lsb * cold_slope
    if spec.mode == "table":
        step = zero + _STEP * spec.hot_lsb  # the cold code cancels
    else:
        step = _STEP * per_mv * np.sqrt(hot_step**2 + np.square(cold_step))
    parts = [Component("chip gain and offset", source, gain), Component("quantisation", "GUM F.2.2.1", step), noise]
    if spec.mode == "table":
        parts.append(Component("chip table", "our allowance; no source", zero + TABLE_LIMIT_K / _ROOT3))
    return parts


def _cold_part(spec: Chip, r: Reading, per_mv: FloatArray, cold_slope: FloatArray) -> Component:
    low, high = COLD_GOOD_C
    limit: float | FloatArray = spec.cold_limit_k
    if r.cold_c.size and (r.cold_c.min() < low or r.cold_c.max() > high):
        outside = (r.cold_c < low) | (r.cold_c > high)
        limit = np.where(outside, spec.cold_limit_wide_k, spec.cold_limit_k)
    source = "MAX31855 data sheet, from memory" if spec.mode == "line" else "MAX31856 data sheet"
    return Component("cold junction sensor", source, limit * cold_slope * per_mv / _ROOT3)


def _terminal_part(r: Reading, per_mv: FloatArray, cold_slope: FloatArray) -> Component:
    """The chip measures itself, and takes the terminal block to be as warm."""
    return Component("terminal block", "our allowance; no source", TERMINAL_LIMIT_K * cold_slope * per_mv / _ROOT3)


def components(r: Reading) -> list[Component]:
    """The named components of each sample, float64 (n,) each [K]; NaN where celsius is NaN.

    The lag is the whole tau |dT/dt| (an error of known size that is not corrected is not divided by root 3). Radiation
    makes the probe read low by something between nothing and its limit a: left uncorrected, that has the root mean
    square a/sqrt 3 about the reading.
    """
    spec = chip_of(r.setup.chip)
    per_mv = 1000.0 / its90.sensitivity(r.setup.probe_tc, r.celsius, out_of_range="nan")
    cold_slope = 1e-3 * its90.sensitivity(r.setup.probe_tc, r.cold_c, out_of_range="nan")
    slope = np.abs(np.nan_to_num(r.slope))
    wire = tolerance_limit(r.setup.probe_tc, r.setup.tolerance, r.celsius) / _ROOT3
    parts = [
        Component("probe tolerance", f"{r.setup.tolerance}, IEC 60584-1 or ASTM E230", wire),
        *_chip_parts(spec, r, per_mv, cold_slope),
        _cold_part(spec, r, per_mv, cold_slope),
        _terminal_part(r, per_mv, cold_slope),
        Component("time", "anchors of the boot", r.time_u * slope),
    ]
    if r.setup.kind == "air":
        radiation = radiation_limit(r.celsius, r.cold_c) / _ROOT3
        parts += [
            Component("lag", "time constant 20 s, SOURCES.md section 5", AIR_TAU_S * slope),
            Component("radiation", "sheath of 1/16 in, SOURCES.md section 5", radiation),
        ]
    return parts


def standard_uncertainty(r: Reading) -> FloatArray:
    """Combined standard uncertainty of each sample, float64 (n,) [K]; NaN where celsius is NaN."""
    total = np.zeros(r.celsius.shape)
    for part in components(r):
        total += np.square(part.u)
    u: FloatArray = np.sqrt(total, out=total)
    return u


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One line of a budget at one temperature: name, source, standard uncertainty in K."""

    name: str
    source: str
    u: float


def budget(chip: str, tc: str, celsius: float, *, cold_c: float = 25.0, tolerance: str = "iec-2", kind: str = "meat",
           probe_tc: str | None = None, slope: float = 0.0, time_u: float = 0.0) -> list[BudgetLine]:
    """The components for a probe on a chip at one temperature, the combined uncertainty as the last line.

    celsius, cold_c: hot and cold junction [degC]; slope [K/s]; time_u [s]; the rest as in ``Reading``.
    Raises OutOfRangeError outside the type's reference function, ConfigError for an unknown chip or tolerance.
    """
    wire = probe_tc or tc
    loop = its90.emf(wire, celsius) - its90.emf(wire, cold_c)
    one = [np.array([x]) for x in (celsius, loop, cold_c, slope, time_u)]
    parts = components(Reading(Setup(chip, tc, wire, tolerance, kind), *one))
    lines = [BudgetLine(p.name, p.source, float(p.u[0])) for p in parts]
    return [*lines, BudgetLine("combined", "GUM 5.1.2", float(np.sqrt(sum(x.u**2 for x in lines))))]
