"""The whole chain for one channel: register codes -> degC, standard uncertainty, flags.

Each step is a function of its own, in the order in which an error of it would travel: what the fault column says, the
emf of the loop (chips), the hot junction (junction), the probe's calibration, the rules of one sample and of neighbours
(flags), the slopes, the uncertainty. What an air probe does to the air (lag, stem) needs other places: ``airprobe``.

A series may be corrected piece by piece: each piece ends in a ``Context`` that the next begins with, and the pieces are
bit for bit what the whole would be, because no step looks ahead or sums over more than its window.
"""

from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology import chips, flags, its90
from pitscribe.metrology.correction import Calibrated
from pitscribe.metrology.flags import Flag, FlagArray, LastGood
from pitscribe.metrology.junction import hot_junction
from pitscribe.metrology.slope import HISTORY, recent_slope, slow_slope, slow_start
from pitscribe.metrology.uncertainty import Reading, Setup, combined

FloatArray = NDArray[np.float64]
CodeArray = NDArray[np.int32]


def _empty() -> FloatArray:
    return np.empty(0)


@dataclass(frozen=True, slots=True)
class Context:
    """What the samples so far leave for the next piece of the same series."""

    last_good: LastGood | None = None
    t: FloatArray = field(default_factory=_empty)  # of the last usable samples, at most HISTORY
    celsius: FloatArray = field(default_factory=_empty)
    cold_t: FloatArray = field(default_factory=_empty)  # of the last two minutes and a sample before
    cold_c: FloatArray = field(default_factory=_empty)


class Corrected(NamedTuple):
    """What the chain makes of codes, (n,) each.

    celsius : float64 [degC], NaN where nothing can be said;  u : float64, standard uncertainty [K]
    flags : uint32;  k : float64, by which u is to be multiplied for 95 %
    """

    celsius: FloatArray
    u: FloatArray
    flags: FlagArray
    k: FloatArray


def correct(chip: str, tc: str, hot: CodeArray, cold: CodeArray, fault: CodeArray, *, t: FloatArray | None = None,
            kind: str = "meat", tolerance: str = "iec-2", probe_tc: str | None = None,
            calibrated: Calibrated | None = None, time_u: float | FloatArray = 0.0) -> Corrected:
    """Correct one channel's codes: the whole chain at once.

    Parameters
    ----------
    chip, tc : the amplifier's name and the type letter that it is made or set for (the frame's channel table)
    hot, cold, fault : int32 (n,), the columns of the frame
    t : float64 (n,), UTC s, ascending; without it there is no rule of rate and no term for slope
    kind : "air" or "meat"; tolerance : class of the wire; probe_tc : type of the wire, if not ``tc``
    calibrated : what the probe's history says of it on this channel
    time_u : standard uncertainty of t [s]

    Returns ``Corrected``. Raises ConfigError for an unknown chip or tolerance class.
    """
    setup = Setup(chip, tc, probe_tc or tc, tolerance, kind, calibrated)
    return correct_piece(setup, hot, cold, fault, t, time_u, Context())[0]


def correct_piece(
    setup: Setup,
    hot: CodeArray,
    cold: CodeArray,
    fault: CodeArray,
    t: FloatArray | None,
    time_u: float | FloatArray,
    context: Context,
) -> tuple[Corrected, Context]:
    """Correct the next piece of a series: as ``correct``, with the context in which the piece before it ended."""
    if not has_reference(setup):
        return _nothing(chips.fault_flags(setup.chip, fault)), context
    reading, marks, context = read_piece(setup, hot, cold, fault, t, time_u, context)
    sure = combined(reading)
    return Corrected(reading.celsius, sure.u, marks, sure.k), context


def read_piece(
    setup: Setup,
    hot: CodeArray,
    cold: CodeArray,
    fault: CodeArray,
    t: FloatArray | None,
    time_u: float | FloatArray,
    context: Context,
) -> tuple[Reading, FlagArray, Context]:
    """All that the chain knows of a piece before its uncertainty, for types that have a reference function."""
    known = flags.dead_line(hot, cold, chips.fault_flags(setup.chip, fault))
    loop_mv, cold_c = chips.loop_emf(setup.chip, setup.tc, hot, cold)
    raw_c = hot_junction(setup.probe_tc, loop_mv, cold_c)
    raw_c[~flags.has_value(known)] = np.nan
    celsius = raw_c if setup.calibrated is None else raw_c + setup.calibrated.fit.correction(raw_c, cold_c)
    ends = chips.chip_of(setup.chip).hot_codes
    marks = flags.sample_flags(setup.chip, setup.probe_tc, hot, ends, known, celsius, cold_c)
    slope = cold_slope = np.zeros(hot.shape)
    if t is not None:
        marks, last = flags.rate_flags(setup.kind, t, celsius, marks, context.last_good)
        good = np.flatnonzero(flags.usable(marks) & np.isfinite(celsius))
        slope, context = _slopes(t, celsius, good, replace(context, last_good=last))
        cold_slope, context = _cold_slopes(t, cold_c, good, context)
    reading = Reading(setup, raw_c, celsius, loop_mv, cold_c, slope, cold_slope, np.asarray(time_u, np.float64))
    return reading, marks, context


def _slopes(
    t: FloatArray, celsius: FloatArray, good: NDArray[np.intp], context: Context
) -> tuple[FloatArray, Context]:
    """Slopes of the usable samples (NaN elsewhere), and the context for the next piece."""
    at = np.concatenate((context.t, t[good]))
    value = np.concatenate((context.celsius, celsius[good]))
    slope = np.full(t.shape, np.nan)
    slope[good] = recent_slope(at, value)[context.t.size :]
    return slope, replace(context, t=at[-HISTORY:].copy(), celsius=value[-HISTORY:].copy())


def _cold_slopes(
    t: FloatArray, cold_c: FloatArray, good: NDArray[np.intp], context: Context
) -> tuple[FloatArray, Context]:
    """The same of the cold junction, over two minutes."""
    at = np.concatenate((context.cold_t, t[good]))
    value = np.concatenate((context.cold_c, cold_c[good]))
    slope = np.full(t.shape, np.nan)
    slope[good] = slow_slope(at, value)[context.cold_t.size :]
    first = max(int(slow_start(at, at[-1:])[0]), 0) if at.size else 0
    return slope, replace(context, cold_t=at[first:].copy(), cold_c=value[first:].copy())


def has_reference(setup: Setup) -> bool:
    """Whether the types of wire and chip have a reference function here."""
    return setup.probe_tc in its90.KINDS and setup.tc in its90.KINDS


def _nothing(known: FlagArray) -> Corrected:
    """Of a type whose reference function is not here nothing can be said; the readings are kept all the same."""
    nan = np.full(known.shape, np.nan)
    return Corrected(nan, nan.copy(), known | np.uint32(Flag.NO_FUNCTION), nan.copy())
