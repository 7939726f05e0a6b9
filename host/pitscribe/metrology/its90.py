"""ITS-90 reference functions of thermocouples: emf, its exact inverse, and the sensitivity.

Source: G. W. Burns et al., NIST Monograph 175 (1993), distributed as the NIST ITS-90 Thermocouple Database (SRD 60).
The inverse is that of the reference function itself, not NIST's approximate polynomial (which is off by up to
0.06 degC): a dense table gives a start and an interval's slope, and one or two steps on the forward function close the
rest. Over each type's whole range it agrees with the forward function to better than 1e-6 degC (tests/standards).

Reference junction at 0 degC; emf in mV, temperature in degC, sensitivity in uV/K. NaN passes through.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any, Literal, overload

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import OutOfRangeError

FloatArray = NDArray[np.float64]
OutOfRange = Literal["raise", "nan"]

# E = sum c_i t^i; one row below 0 degC (type J: below 760), one above.
_COEFFICIENTS: dict[str, tuple[tuple[float, float, tuple[float, ...]], ...]] = {
    "K": (
        (-270.0, 0.0, (
            0.0, 3.9450128025e-2, 2.3622373598e-5, -3.2858906784e-7, -4.9904828777e-9, -6.7509059173e-11,
            -5.7410327428e-13, -3.1088872894e-15, -1.0451609365e-17, -1.9889266878e-20, -1.6322697486e-23)),
        (0.0, 1372.0, (
            -1.7600413686e-2, 3.8921204975e-2, 1.8558770032e-5, -9.9457592874e-8, 3.1840945719e-10,
            -5.6072844889e-13, 5.6075059059e-16, -3.2020720003e-19, 9.7151147152e-23, -1.2104721275e-26)),
    ),
    "J": (
        (-210.0, 760.0, (
            0.0, 5.0381187815e-2, 3.047583693e-5, -8.568106572e-8, 1.3228195295e-10, -1.7052958337e-13,
            2.0948090697e-16, -1.2538395336e-19, 1.5631725697e-23)),
        (760.0, 1200.0, (
            2.9645625681e2, -1.4976127786e0, 3.1787103924e-3, -3.1847686701e-6, 1.5720819004e-9,
            -3.0691369056e-13)),
    ),
    "T": (
        (-270.0, 0.0, (
            0.0, 3.8748106364e-2, 4.4194434347e-5, 1.1844323105e-7, 2.0032973554e-8, 9.0138019559e-10,
            2.2651156593e-11, 3.6071154205e-13, 3.8493939883e-15, 2.8213521925e-17, 1.4251594779e-19,
            4.8768662286e-22, 1.079553927e-24, 1.3945027062e-27, 7.9795153927e-31)),
        (0.0, 400.0, (
            0.0, 3.8748106364e-2, 3.329222788e-5, 2.0618243404e-7, -2.1882256846e-9, 1.0996880928e-11,
            -3.0815758772e-14, 4.547913529e-17, -2.7512901673e-20)),
    ),
    "N": (
        (-270.0, 0.0, (
            0.0, 2.6159105962e-2, 1.0957484228e-5, -9.3841111554e-8, -4.6412039759e-11, -2.6303357716e-12,
            -2.2653438003e-14, -7.6089300791e-17, -9.3419667835e-20)),
        (0.0, 1300.0, (
            0.0, 2.5929394601e-2, 1.571014188e-5, 4.3825627237e-8, -2.5261169794e-10, 6.4311819339e-13,
            -1.0063471519e-15, 9.9745338992e-19, -6.0863245607e-22, 2.0849229339e-25, -3.0682196151e-29)),
    ),
    "E": (
        (-270.0, 0.0, (
            0.0, 5.8665508708e-2, 4.5410977124e-5, -7.7998048686e-7, -2.5800160843e-8, -5.9452583057e-10,
            -9.3214058667e-12, -1.0287605534e-13, -8.0370123621e-16, -4.3979497391e-18, -1.6414776355e-20,
            -3.9673619516e-23, -5.5827328721e-26, -3.4657842013e-29)),
        (0.0, 1000.0, (
            0.0, 5.866550871e-2, 4.5032275582e-5, 2.8908407212e-8, -3.3056896652e-10, 6.502440327e-13,
            -1.9197495504e-16, -1.2536600497e-18, 2.1489217569e-21, -1.4388041782e-24, 3.5960899481e-28)),
    ),
}

# Type K above 0 degC adds a0 exp(a1 (t - a2)^2).
_K_A0, _K_A1, _K_A2 = 1.185976e-1, -1.183432e-4, 126.9686

# Below this the sensitivity falls towards zero and the table's intervals are too wide for one step.
_CRYOGENIC_C = -200.0
_CELLS = 16384
_SLACK_MV = 1e-9  # rounding at the very ends of the range
_SLACK_C = 1e-9

KINDS = tuple(_COEFFICIENTS)


def limits(kind: str) -> tuple[float, float]:
    """Lowest and highest temperature of a type's reference function. [degC]"""
    pieces = _pieces(kind)
    return pieces[0][0], pieces[-1][1]


def emf_limits(kind: str) -> tuple[float, float]:
    """Emf at the two ends of a type's range. [mV]"""
    table = _table(kind)
    return table.low_mv, table.high_mv


@overload
def emf(kind: str, celsius: float, *, out_of_range: OutOfRange = "raise") -> float: ...
@overload
def emf(kind: str, celsius: FloatArray, *, out_of_range: OutOfRange = "raise") -> FloatArray: ...
def emf(kind: str, celsius: Any, *, out_of_range: OutOfRange = "raise") -> Any:
    """Emf of a thermocouple whose reference junction is at 0 degC.

    Parameters: kind "K", "T", "J", "N" or "E"; celsius, scalar or array of any shape [degC]; out_of_range "raise" or
    "nan". Returns the emf in the same shape [mV], NaN where celsius is NaN.
    Raises OutOfRangeError outside ``limits(kind)`` (or gives NaN there, as told).
    Source: NIST Monograph 175.
    """
    t = _checked(kind, celsius, *limits(kind), _SLACK_C, "degC", out_of_range)
    return _like(celsius, _forward(kind, t))


@overload
def sensitivity(kind: str, celsius: float, *, out_of_range: OutOfRange = "raise") -> float: ...
@overload
def sensitivity(kind: str, celsius: FloatArray, *, out_of_range: OutOfRange = "raise") -> FloatArray: ...
def sensitivity(kind: str, celsius: Any, *, out_of_range: OutOfRange = "raise") -> Any:
    """Slope dE/dt of the reference function. [uV/K]; arguments and errors as ``emf``."""
    t = _checked(kind, celsius, *limits(kind), _SLACK_C, "degC", out_of_range)
    return _like(celsius, 1000.0 * _slope(kind, t))


@overload
def temperature(kind: str, millivolt: float, *, out_of_range: OutOfRange = "raise") -> float: ...
@overload
def temperature(kind: str, millivolt: FloatArray, *, out_of_range: OutOfRange = "raise") -> FloatArray: ...
def temperature(kind: str, millivolt: Any, *, out_of_range: OutOfRange = "raise") -> Any:
    """Temperature at which the reference function has this emf: the exact inverse of ``emf``.

    Parameters: kind; millivolt, scalar or array, emf against 0 degC [mV]; out_of_range "raise" or "nan".
    Returns degC in the same shape, within 1e-6 degC of the forward function's root; NaN for NaN.
    Raises OutOfRangeError outside ``emf_limits(kind)`` (or gives NaN there, as told).
    """
    table = _table(kind)
    mv = _checked(kind, millivolt, table.low_mv, table.high_mv, _SLACK_MV, "mV", out_of_range)
    return _like(millivolt, _invert(kind, table, mv))


def _pieces(kind: str) -> tuple[tuple[float, float, tuple[float, ...]], ...]:
    try:
        return _COEFFICIENTS[kind]
    except KeyError:
        known = ", ".join(KINDS)
        raise OutOfRangeError(f"type {kind!r} has no reference function here: use one of {known}") from None


def _like(given: Any, result: FloatArray) -> Any:
    """A float for a scalar, an array for anything else."""
    return result if isinstance(given, np.ndarray) or np.ndim(given) else float(result)


def _checked(
    kind: str, given: Any, low: float, high: float, slack: float, unit: str, out_of_range: OutOfRange
) -> FloatArray:
    """The values as a float64 array clipped to the range; those beyond its slack raise or become NaN."""
    values = np.asarray(given, dtype=np.float64)
    # fmin and fmax pass NaN by, so that all-NaN gives NaN and the comparisons below are false.
    if not (np.fmin.reduce(values, axis=None, initial=np.inf) < low):
        inside = not (np.fmax.reduce(values, axis=None, initial=-np.inf) > high)
        if inside:
            return values
    outside = (values < low - slack) | (values > high + slack)
    clipped: FloatArray = np.clip(values, low, high)
    if not outside.any():
        return clipped
    if out_of_range == "nan":
        return np.where(outside, np.nan, clipped)
    first = float(values[outside][0]) if values.ndim else float(values)
    more = f" ({int(outside.sum())} values)" if outside.sum() > 1 else ""
    raise OutOfRangeError(f"type {kind}: {first:.6g} {unit} is outside {low:.6g} to {high:.6g} {unit}{more}")


def _horner(coefficients: tuple[float, ...], t: FloatArray) -> FloatArray:
    total = np.full_like(t, coefficients[-1])
    for c in reversed(coefficients[:-1]):
        total *= t
        total += c
    return total


def _derivative(coefficients: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(i * c for i, c in enumerate(coefficients))[1:]


def _emf_high(kind: str, coefficients: tuple[float, ...], t: FloatArray) -> FloatArray:
    total = _horner(coefficients, t)
    if kind == "K":
        total += _K_A0 * np.exp(_K_A1 * np.square(t - _K_A2))
    return total


def _slope_high(kind: str, coefficients: tuple[float, ...], t: FloatArray) -> FloatArray:
    total = _horner(_derivative(coefficients), t)
    if kind == "K":
        u = t - _K_A2
        total += (2.0 * _K_A0 * _K_A1) * u * np.exp(_K_A1 * np.square(u))
    return total


def _by_piece(kind: str, t: FloatArray, slope: bool) -> FloatArray:
    """The reference function or its slope, in mV or mV/K; t within the limits or NaN."""
    (_, joint, low), (_, _, high) = _pieces(kind)
    upper = _slope_high if slope else _emf_high
    below = t < joint
    if not below.any():
        return upper(kind, high, t)
    lower = _derivative(low) if slope else low
    if below.all():
        return _horner(lower, t)
    result = np.empty_like(t)
    result[below] = _horner(lower, t[below])
    above = ~below
    result[above] = upper(kind, high, t[above])
    return result


def _forward(kind: str, t: FloatArray) -> FloatArray:
    return _by_piece(kind, t, slope=False)


def _slope(kind: str, t: FloatArray) -> FloatArray:
    return _by_piece(kind, t, slope=True)


@dataclass(frozen=True, slots=True)
class _Table:
    """Cells of equal emf: in each, the temperature at its left end and the mean dt/dE."""

    low_mv: float
    high_mv: float
    cryogenic_mv: float
    origin_mv: float
    per_mv: float
    left_c: FloatArray
    per_mv_c: FloatArray


@cache
def _table(kind: str) -> _Table:
    low, high = limits(kind)
    bottom = max(low, _CRYOGENIC_C)
    ends = _forward(kind, np.array([low, bottom, high, _pieces(kind)[0][1]]))
    # The joint of the two polynomials lies on a node: type N has a kink of 0.9 % in its slope there.
    below = round(_CELLS * float((ends[3] - ends[1]) / (ends[2] - ends[1])))
    step = float(ends[3] - ends[1]) / below
    nodes_mv = ends[1] + step * np.arange(below + np.ceil((ends[2] - ends[3]) / step) + 1)
    dense_c = np.linspace(bottom, high, 4 * _CELLS)
    nodes_c = np.interp(nodes_mv, _forward(kind, dense_c), dense_c)
    nodes_c[:-1] = _newton(kind, nodes_mv[:-1], nodes_c[:-1])
    # The last node is past the end of the range: it lies on the tangent there.
    nodes_c[-1] = high + (nodes_mv[-1] - ends[2]) / _slope(kind, np.array([high]))[0]
    return _Table(
        low_mv=float(ends[0]),
        high_mv=float(ends[2]),
        cryogenic_mv=float(ends[1]),
        origin_mv=float(nodes_mv[0]),
        per_mv=1.0 / step,
        left_c=nodes_c[:-1],
        per_mv_c=np.diff(nodes_c) / step,
    )


def _newton(kind: str, mv: FloatArray, t: FloatArray) -> FloatArray:
    """Newton's steps to the end, kept inside the range; for the few values where time does not matter."""
    low, high = limits(kind)
    for _ in range(50):
        step = (mv - _forward(kind, t)) / _slope(kind, t)
        t = np.clip(t + step, low, high)
        if not np.nanmax(np.abs(step), initial=0.0) > 1e-10:
            break
    return t


def _invert(kind: str, table: _Table, mv: FloatArray) -> FloatArray:
    """The inverse for values in range or NaN.

    A chord step from a chord start: the start is within h^2 t''/8 of the root (2e-4 degC at worst above -200 degC), and
    the interval's mean slope is within a relative h t''/t' of the local one, so that one step leaves under 1e-7 degC.
    """
    missing = np.isnan(mv)
    known = mv
    if missing.any():
        known = mv.copy()
        known[missing] = table.origin_mv
    offset = np.atleast_1d(known - table.origin_mv)
    cell = (offset * table.per_mv).astype(np.int32)
    np.clip(cell, 0, table.left_c.size - 1, out=cell)
    per_mv = table.per_mv_c.take(cell)
    start: FloatArray = np.multiply(cell, -1.0 / table.per_mv, dtype=np.float64)
    start += offset
    start *= per_mv
    start += table.left_c.take(cell)
    np.clip(start, *limits(kind), out=start)
    result: FloatArray = start + (known - _forward(kind, start)) * per_mv
    cold = np.atleast_1d(known) < table.cryogenic_mv
    if cold.any():
        few = np.atleast_1d(known)[cold]
        low = np.linspace(limits(kind)[0], _CRYOGENIC_C, 1024)
        result[cold] = _newton(kind, few, np.interp(few, _forward(kind, low), low))
    if missing.any():
        result[np.atleast_1d(missing)] = np.nan
    return result.reshape(mv.shape)
