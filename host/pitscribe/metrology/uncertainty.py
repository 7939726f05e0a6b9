"""What makes a temperature uncertain: named components, each a standard uncertainty in kelvin (GUM, JCGM 100:2008).

Limits of a data sheet or a standard are half widths of a rectangular distribution, a/sqrt 3 (4.3.7); a step d is 0.29 d
(F.2.2.1); ``coverage`` combines them. Two neighbouring register words of a MAX31855 carry correlated noise and
rounding; that is left out, because it matters for averages only, and none is taken here.

Components of one chip or probe are the same error in every sample of it: they do not average out over time. Therefore a
calibration takes them away on the channel that it was made through: there the class of the wire, the chip's constant
errors, its cold sensor's and the terminal block's are in the points already, and what is left is how sure the points
are and what has changed since. To another channel only what they say of the wire goes along.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology import its90
from pitscribe.metrology.chips import LINE_LIMIT_K, SLOPE_UV, TABLE_LIMIT_K, Chip, chip_of
from pitscribe.metrology.correction import Calibrated, stretch
from pitscribe.metrology.coverage import Component, Total, combine
from pitscribe.metrology.exposure import exposure
from pitscribe.metrology.flags import COLD_GOOD_C
from pitscribe.metrology.tolerance import bend, bend_limit, wire_limit

FloatArray = NDArray[np.float64]

_ROOT3 = 3.0**0.5
_STEP = 1.0 / 12.0**0.5  # GUM F.2.2.1: 0.29 of a step

# All of these are our own allowances; data sheets and standards speak of the chip and of new wire alone.
# How far the terminal block may be from the chip that stands for it, at rest, half width ...
TERMINAL_LIMIT_K = 0.5
# ... and by how much it is late when the box warms: copper and plugs follow a board within a minute or two.
TERMINAL_TAU_S = 100.0
# Within half of the range for which it is specified, a chip moves by no more than this part of its limits.
DRIFT_PART, DRIFT_SPAN_K = 0.3, 52.5
# A sheet that gives kelvin does not divide its limit into offset and gain: this part of it for each kelvin of a way.
LINE_GAIN_PER_K = 0.1 / 150.0
# Base-metal wire that sees no more than 250 degC, half width in a year: far from where type K ages quickly.
WIRE_DRIFT_K_PER_YEAR = 0.2
_YEAR_S = 365.25 * 86400.0


@dataclass(frozen=True, slots=True)
class Setup:
    """What hangs on a channel.

    chip, tc : the amplifier and the type that it is made or set for;  probe_tc, tolerance : type and class of the wire
    kind : "air" or "meat";  calibrated : what the probe's history says of it here, if anything
    air_learned : its lag and what it radiates are corrected elsewhere, by figures of its own (``airprobe``)
    """

    chip: str
    tc: str
    probe_tc: str
    tolerance: str
    kind: str
    calibrated: Calibrated | None = None
    air_learned: bool = False


@dataclass(frozen=True, slots=True)
class Reading:
    """What the components are computed from.

    raw_c : the hot junction before the calibration, float64 (n,) [degC];  celsius : after it
    loop_mv, cold_c : float64 (n,) [mV, degC];  slope, cold_slope : of celsius and of cold_c, float64 (n,) [K/s], NaN
    where unknown (then it counts as 0);  time_u : float64 (n,) or (), standard uncertainty of the time [s].
    """

    setup: Setup
    raw_c: FloatArray
    celsius: FloatArray
    loop_mv: FloatArray
    cold_c: FloatArray
    slope: FloatArray
    cold_slope: FloatArray
    time_u: FloatArray


@dataclass(frozen=True, slots=True)
class _Scale:
    """What a millivolt at the hot junction, and a kelvin at the cold one, make of the result; float64 (n,)."""

    per_mv: FloatArray  # K/mV
    cold: FloatArray  # K/K

    @classmethod
    def of(cls, probe_tc: str, celsius: FloatArray, cold_c: FloatArray) -> "_Scale":
        per_mv = 1000.0 / its90.sensitivity(probe_tc, celsius, out_of_range="nan")
        return cls(per_mv, 1e-3 * its90.sensitivity(probe_tc, cold_c, out_of_range="nan") * per_mv)


def _line_limit(tc: str, celsius: FloatArray) -> FloatArray:
    """The MAX31855's own gain and offset limit, in kelvin of its straight line."""
    (first, limit), *wider = LINE_LIMIT_K[tc]
    if not (celsius > first).any():
        return np.full(celsius.shape, limit)
    return np.asarray(np.select([celsius <= top for top, _ in ((first, limit), *wider)],
                                [size for _, size in ((first, limit), *wider)], np.nan), np.float64)


def _amplifier(spec: Chip, tc: str, at: FloatArray, loop_mv: FloatArray, scale: _Scale) -> list[Component]:
    """The chip's constant errors, in kelvin of the result: gain and offset, its table."""
    if spec.mode == "line":
        source = f"{spec.sheet}, K below 700 degC; other types from memory"
        limit = _line_limit(tc, at) * (1e-3 * SLOPE_UV[tc]) * scale.per_mv
    elif spec.offset_limit_mv is None:
        source, limit = spec.sheet, np.full(at.shape, spec.hot_limit_k)
    else:
        source = f"{spec.sheet}, -20 to 85 degC"
        limit = np.sqrt(np.square(spec.gain_limit * loop_mv) + spec.offset_limit_mv**2) * scale.per_mv
    parts = [Component("chip gain and offset", source, limit / _ROOT3)]
    if spec.mode == "table":
        parts.append(Component("chip table", "our allowance; no source", np.full(at.shape, TABLE_LIMIT_K / _ROOT3)))
    return parts


def _cold_limit(spec: Chip, cold_c: FloatArray) -> float | FloatArray:
    low, high = COLD_GOOD_C
    if cold_c.size and (cold_c.min() < low or cold_c.max() > high):
        outside = (cold_c < low) | (cold_c > high)
        return np.where(outside, spec.cold_limit_wide_k, spec.cold_limit_k)
    return spec.cold_limit_k


def _instrument(
    chip: str, tc: str, at: FloatArray, loop_mv: FloatArray, cold_c: FloatArray, scale: _Scale
) -> list[Component]:
    """All constant errors of one channel: amplifier, cold sensor, terminal block."""
    spec = chip_of(chip)
    source = f"{spec.sheet}, from memory" if spec.mode == "line" else spec.sheet
    return [
        *_amplifier(spec, tc, at, loop_mv, scale),
        Component("cold junction sensor", source, _cold_limit(spec, cold_c) * scale.cold / _ROOT3),
        Component("terminal block", "our allowance; no source", TERMINAL_LIMIT_K * scale.cold / _ROOT3),
    ]


def channel_u(chip: str, tc: str, probe_tc: str, cold_c: float) -> float:
    """All constant errors of a channel before anything was measured with it [K of the probe at 0 degC].

    chip, tc : the amplifier and the type that it is made or set for;  cold_c : its cold junction [degC]. As they are
    with the tip as warm as the plug: what grows with the loop's emf is a gain.
    """
    at = np.array([cold_c])
    parts = _instrument(chip, tc, at, np.zeros(1), at, _Scale.of(probe_tc, at, at))
    return float(combine(parts).u[0] * stretch(probe_tc, at)[0])


def _as_calibrated(r: Reading, known: Calibrated, scale: _Scale) -> list[Component]:
    """What a calibrated probe is still uncertain by."""
    setup, fit = r.setup, known.fit
    # The fit took what bends at the points and at the plug then; what is left is that of the tip, less that of the plug
    # but for what it was then. Points in one place are taken for the one end of 100 K.
    ends = fit.low, fit.high if fit.borne else fit.low + 100.0
    bent = bend(r.raw_c, *ends) - bend(r.cold_c, *ends) + bend(fit.cold_c, *ends)
    bent = bend_limit(setup.probe_tc, setup.tolerance) * np.abs(bent) / _ROOT3
    aged = np.full(r.celsius.shape, WIRE_DRIFT_K_PER_YEAR * max(known.age_s, 0.0) / _YEAR_S / _ROOT3)
    parts = [
        Component("calibration", "points and fit of the probe's calibration", fit.u(r.raw_c, r.cold_c), "normal",
                  fit.dof),
        Component("wire between the points", "our allowance; no source", bent),
        Component("wire since then", "our allowance, 0.2 K in a year; no source", aged),
    ]
    if known.here:
        moved = np.minimum(np.abs(r.cold_c - fit.cold_c) / DRIFT_SPAN_K, 1.0)
        limits = np.square(_cold_limit(chip_of(setup.chip), r.cold_c) * scale.cold)
        for part in _amplifier(chip_of(setup.chip), setup.tc, r.celsius, r.loop_mv, scale):
            limits = limits + np.square(part.u * _ROOT3)
        drift = DRIFT_PART * moved * np.sqrt(limits) / _ROOT3
        parts.append(Component("chip in a warmer or colder box", "our allowance; no source", drift))
        return parts
    parts += _instrument(setup.chip, setup.tc, r.celsius, r.loop_mv, r.cold_c, scale)
    return parts


def _each_time(spec: Chip, r: Reading, scale: _Scale) -> list[Component]:
    """What differs from sample to sample: quantisation and noise."""
    zero = np.zeros(r.celsius.shape)
    if spec.mode in ("table", "sum"):
        step = zero + _STEP * spec.hot_lsb  # the cold code cancels
    elif spec.mode == "line":
        slope = 1e-3 * SLOPE_UV[r.setup.tc]
        cold_step = spec.cold_lsb * np.abs(scale.cold - slope * scale.per_mv)
        step = _STEP * np.sqrt(np.square(spec.hot_lsb * slope * scale.per_mv) + np.square(cold_step))
    else:
        step = _STEP * np.sqrt(np.square(spec.hot_lsb * scale.per_mv) + np.square(spec.cold_lsb * scale.cold))
    source = "from memory; the data sheet has no figure" if spec.mode == "line" else spec.sheet
    return [
        Component("quantisation", "GUM F.2.2.1", step),
        Component("chip noise", source, spec.noise_mv * scale.per_mv, "normal"),
    ]


def components(r: Reading) -> list[Component]:
    """The named components of each sample, float64 (n,) each [K]; NaN where celsius is NaN."""
    setup = r.setup
    scale = _Scale.of(setup.probe_tc, r.celsius, r.cold_c)
    slope, cold_slope = (np.abs(np.nan_to_num(x)) for x in (r.slope, r.cold_slope))
    if setup.calibrated is None:
        wire = wire_limit(setup.probe_tc, setup.tolerance, r.celsius, r.cold_c) / _ROOT3
        parts = [Component("probe tolerance", f"{setup.tolerance}, IEC 60584-1 or ASTM E230", wire)]
        parts += _instrument(setup.chip, setup.tc, r.celsius, r.loop_mv, r.cold_c, scale)
    else:
        parts = _as_calibrated(r, setup.calibrated, scale)
    parts += _each_time(chip_of(setup.chip), r, scale)
    parts += [
        Component("terminal block's lag", "our allowance, 100 s; no source", TERMINAL_TAU_S * cold_slope * scale.cold,
                  "normal"),
        Component("time", "anchors of the boot", r.time_u * slope, "normal"),
    ]
    if not setup.air_learned:
        parts += exposure(setup.kind, r.celsius, r.cold_c, slope)
    return parts


def combined(r: Reading) -> Total:
    """Combined standard uncertainty, effective degrees of freedom and k of each sample; NaN where celsius is NaN."""
    return combine(components(r))


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One line of a budget at one temperature: name, source, standard uncertainty in K, shape, degrees of freedom."""

    name: str
    source: str
    u: float
    shape: str
    dof: float


@dataclass(frozen=True, slots=True)
class Budget:
    """Lines, combined standard uncertainty [K], effective degrees of freedom, and k for 95 %."""

    lines: tuple[BudgetLine, ...]
    u: float
    dof: float
    k: float

    @property
    def expanded(self) -> float:
        """Half width of the interval that holds 95 % [K]."""
        return self.k * self.u

    @classmethod
    def of(cls, reading: Reading) -> "Budget":
        """The budget of one sample: a Reading of arrays (1,)."""
        parts = components(reading)
        total = combine(parts)
        lines = tuple(BudgetLine(p.name, p.source, float(p.u[0]), p.shape, p.dof) for p in parts)
        return cls(lines, float(total.u[0]), float(total.dof[0]), float(total.k[0]))


def budget(setup: Setup, celsius: float, *, cold_c: float = 25.0, slope: float = 0.0, cold_slope: float = 0.0,
           time_u: float = 0.0) -> Budget:
    """The budget for a setup at one temperature.

    celsius, cold_c : hot and cold junction [degC];  slope, cold_slope [K/s];  time_u [s].
    Raises OutOfRangeError outside the type's reference function, ConfigError for an unknown chip or tolerance.
    """
    loop = its90.emf(setup.probe_tc, celsius) - its90.emf(setup.probe_tc, cold_c)
    one = [np.array([x]) for x in (celsius, celsius, loop, cold_c, slope, cold_slope, time_u)]
    return Budget.of(Reading(setup, *one))

