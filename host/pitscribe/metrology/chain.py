"""The whole chain for one channel: register codes -> degC, standard uncertainty, flags.

Each step is a function of its own, in the order in which an error of it would travel: what the fault column says, the
emf of the loop (chips), the hot junction (junction), the rules of one sample and of neighbours (flags), the slope, the
uncertainty. A further correction of the temperature goes behind the hot junction.

A series may be corrected piece by piece: each piece ends in a ``Context`` that the next begins with, and the pieces are
bit for bit what the whole would be, because no step looks ahead or sums over more than its window.
"""

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology import chips, flags, its90
from pitscribe.metrology.flags import Flag, FlagArray, LastGood
from pitscribe.metrology.junction import hot_junction
from pitscribe.metrology.slope import HISTORY, recent_slope
from pitscribe.metrology.uncertainty import Reading, Setup, standard_uncertainty

FloatArray = NDArray[np.float64]
CodeArray = NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Context:
    """What the samples so far leave for the next piece of the same series."""

    last_good: LastGood | None = None
    t: FloatArray = field(default_factory=lambda: np.empty(0))  # of the last usable samples, at most HISTORY
    celsius: FloatArray = field(default_factory=lambda: np.empty(0))


class Corrected(NamedTuple):
    """celsius float64 (n,) [degC, NaN where nothing can be said], u float64 (n,) [K], flags uint32 (n,)."""

    celsius: FloatArray
    u: FloatArray
    flags: FlagArray


def correct(chip: str, tc: str, hot: CodeArray, cold: CodeArray, fault: CodeArray, *, t: FloatArray | None = None,
            kind: str = "meat", tolerance: str = "iec-2", probe_tc: str | None = None,
            time_u: float | FloatArray = 0.0) -> Corrected:
    """Correct one channel's codes: the whole chain at once.

    Parameters
    ----------
    chip, tc : the amplifier's name and the type letter that it is made or set for (the frame's channel table)
    hot, cold, fault : int32 (n,), the columns of the frame
    t : float64 (n,), UTC s, ascending; without it there is no rule of rate and no term for slope
    kind : "air" or "meat"; tolerance : class of the wire; probe_tc : type of the wire, if not ``tc``
    time_u : standard uncertainty of t [s]

    Returns ``Corrected``. Raises ConfigError for an unknown chip or tolerance class.
    """
    setup = Setup(chip, tc, probe_tc or tc, tolerance, kind)
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
    known = chips.fault_flags(setup.chip, fault)
    if not _has_reference(setup):
        return _nothing(known), context
    known = flags.dead_line(hot, cold, known)
    loop_mv, cold_c = chips.loop_emf(setup.chip, setup.tc, hot, cold)
    celsius = hot_junction(setup.probe_tc, loop_mv, cold_c)
    celsius[~flags.has_value(known)] = np.nan
    ends = chips.chip_of(setup.chip).hot_codes
    marks = flags.sample_flags(setup.chip, setup.probe_tc, hot, ends, known, celsius, cold_c)
    slope = np.zeros(hot.shape)
    if t is not None:
        marks, last = flags.rate_flags(setup.kind, t, celsius, marks, context.last_good)
        slope, context = _slopes(t, celsius, marks, context, last)
    u = standard_uncertainty(Reading(setup, celsius, loop_mv, cold_c, slope, np.asarray(time_u, np.float64)))
    return Corrected(celsius, u, marks), context


def _slopes(
    t: FloatArray, celsius: FloatArray, marks: FlagArray, context: Context, last: LastGood | None
) -> tuple[FloatArray, Context]:
    """Slopes of the usable samples (NaN elsewhere), and the context for the next piece."""
    good = np.flatnonzero(flags.usable(marks) & np.isfinite(celsius))
    at = np.concatenate((context.t, t[good]))
    value = np.concatenate((context.celsius, celsius[good]))
    slope = np.full(t.shape, np.nan)
    slope[good] = recent_slope(at, value)[context.t.size :]
    return slope, Context(last, at[-HISTORY:].copy(), value[-HISTORY:].copy())


def _has_reference(setup: Setup) -> bool:
    return setup.probe_tc in its90.KINDS and setup.tc in its90.KINDS


def _nothing(known: FlagArray) -> Corrected:
    """Of a type whose reference function is not here nothing can be said; the readings are kept all the same."""
    nan = np.full(known.shape, np.nan)
    return Corrected(nan, nan.copy(), known | np.uint32(Flag.NO_FUNCTION))
