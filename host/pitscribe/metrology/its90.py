"""ITS-90 reference functions of thermocouples: emf, its exact inverse, and the sensitivity.

Source: G. W. Burns et al., NIST Monograph 175 (1993), distributed as the NIST ITS-90 Thermocouple Database (SRD 60).
The coefficients are in its90_coefficients. The inverse is that of the reference function itself, not NIST's approximate
polynomial (which is off by up to 0.06 degC): a table of parabolas gives a start and a slope, and one step on the
forward function closes the rest. It agrees with the forward function to better than 1e-9 degC above -200 degC, and to
better than 1e-6 below and at the pieces' joints, where the functions themselves jump by up to 1.2e-6 (tests/standards).

Reference junction at 0 degC; emf in mV, temperature in degC, sensitivity in uV/K. NaN passes through.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal, overload

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import OutOfRangeError
from pitscribe.metrology.its90_coefficients import PIECES, Piece

FloatArray = NDArray[np.float64]
OutOfRange = Literal["raise", "nan"]

# Below this the sensitivity falls towards zero and the table's intervals are too wide for one step.
_CRYOGENIC_C = -200.0
_CELLS = 16384
_SLACK_MV = 1e-9  # rounding at the very ends of the range
_SLACK_C = 1e-9
# Every start of the inverse is this much too hot. So the emf of a joint itself starts in the hotter piece, which owns
# the joint, though rounding may have it just below: type J rises there by 7.5e-8 mV at once, which is 1.2e-6 degC.
_HOTTER_MV = 1e-10

KINDS = tuple(PIECES)


def limits(kind: str) -> tuple[float, float]:
    """Lowest and highest temperature of a type's reference function. [degC]"""
    pieces = _pieces(kind)
    return pieces[0].low, pieces[-1].high


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

    Parameters: kind, one of KINDS; celsius, scalar or array of any shape [degC]; out_of_range "raise" or
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


def _pieces(kind: str) -> tuple[Piece, ...]:
    try:
        return PIECES[kind]
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


def _piece_emf(piece: Piece, t: FloatArray) -> FloatArray:
    total = _horner(piece.coefficients, t)
    if piece.bump:
        a0, a1, a2 = piece.bump
        total += a0 * np.exp(a1 * np.square(t - a2))
    return total


def _piece_slope(piece: Piece, t: FloatArray) -> FloatArray:
    total = _horner(_derivative(piece.coefficients), t)
    if piece.bump:
        a0, a1, a2 = piece.bump
        u = t - a2
        total += (2.0 * a0 * a1) * u * np.exp(a1 * np.square(u))
    return total


def _by_piece(
    pieces: tuple[Piece, ...], t: FloatArray, function: Callable[[Piece, FloatArray], FloatArray]
) -> FloatArray:
    """A function of piece and temperature, for temperatures in any of the pieces, or NaN; a joint is the hotter's."""
    *colder, hottest = pieces
    below = t < hottest.low
    if not colder or not below.any():
        return function(hottest, t)
    if below.all():
        return _by_piece(tuple(colder), t, function)
    result = np.empty_like(t)
    result[below] = _by_piece(tuple(colder), t[below], function)
    above = ~below
    result[above] = function(hottest, t[above])
    return result


def _forward(kind: str, t: FloatArray) -> FloatArray:
    return _by_piece(_pieces(kind), t, _piece_emf)


def _slope(kind: str, t: FloatArray) -> FloatArray:
    return _by_piece(_pieces(kind), t, _piece_slope)


@dataclass(frozen=True, slots=True)
class _Table:
    """Cells of equal emf, in each a parabola: temperature and dt/dE at its left end, and how dt/dE goes on."""

    low_mv: float
    high_mv: float
    cryogenic_mv: float
    origin_mv: float
    step_mv: float
    left_c: FloatArray
    slope: FloatArray  # degC/mV
    bow: FloatArray  # degC/mV2


@cache
def _table(kind: str) -> _Table:
    low, high = limits(kind)
    bottom = max(low, _CRYOGENIC_C)
    ends = _forward(kind, np.array([low, bottom, high, _pieces(kind)[0].high]))
    # The first joint lies on a node: type N has a kink of 0.9 % in its slope there. The second joint of R and S has
    # none worth a node (1e-10 of the slope).
    below = round(_CELLS * float((ends[3] - ends[1]) / (ends[2] - ends[1])))
    step = float(ends[3] - ends[1]) / below
    nodes_mv = ends[1] + step * np.arange(below + np.ceil((ends[2] - ends[3]) / step) + 1)
    dense_c = np.linspace(bottom, high, 4 * _CELLS)
    nodes_c = np.interp(nodes_mv, _forward(kind, dense_c), dense_c)
    nodes_c[:-1] = _newton(kind, nodes_mv[:-1], nodes_c[:-1])
    # The last node is past the end of the range: it lies on the tangent there.
    nodes_c[-1] = high + (nodes_mv[-1] - ends[2]) / _slope(kind, np.array([high]))[0]
    slope = 1.0 / _slope(kind, nodes_c[:-1])
    return _Table(
        low_mv=float(ends[0]),
        high_mv=float(ends[2]),
        cryogenic_mv=float(ends[1]),
        origin_mv=float(nodes_mv[0]) - _HOTTER_MV,
        step_mv=step,
        left_c=nodes_c[:-1],
        slope=slope,
        bow=(np.diff(nodes_c) / step - slope) / step,
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

    A step from a parabola's start: the start is within h^3 t'''/40 of the root, and the parabola's own slope there is
    within h^2 of the function's, so that the step leaves next to nothing (tests/standards).
    """
    missing = np.isnan(mv)
    known = mv
    if missing.any():
        known = mv.copy()
        known[missing] = table.origin_mv
    offset = np.atleast_1d(known - table.origin_mv)
    cell = (offset * (1.0 / table.step_mv)).astype(np.int32)
    np.clip(cell, 0, table.left_c.size - 1, out=cell)
    offset -= np.multiply(cell, table.step_mv, dtype=np.float64)
    bent = table.bow.take(cell)
    bent *= offset
    slope = table.slope.take(cell)
    slope += bent  # from the left end to the start ...
    start: FloatArray = np.multiply(slope, offset, out=offset)
    start += table.left_c.take(cell)
    np.clip(start, *limits(kind), out=start)
    slope += bent  # ... and at it
    result: FloatArray = start + (known - _forward(kind, start)) * slope
    cold = np.atleast_1d(known) < table.cryogenic_mv
    if cold.any():
        few = np.atleast_1d(known)[cold]
        low = np.linspace(limits(kind)[0], _CRYOGENIC_C, 1024)
        result[cold] = _newton(kind, few, np.interp(few, _forward(kind, low), low))
    if missing.any():
        result[np.atleast_1d(missing)] = np.nan
    return result.reshape(mv.shape)
