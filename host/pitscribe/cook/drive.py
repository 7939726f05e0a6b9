"""What the pit drives the meat with: the air's temperature as the meat feels it, and what the pit usually is.

A joint feels the pit through its own inertia. Two lags bracket it: a fast one that a fading fire reaches soon, and a
slow one that a fire which came back has not reached yet. The lower of the two is the drive that surely acts.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.grid import CELL_S, Cells, FloatArray, trailing
from pitscribe.cook.pit import pit_course

FAST_MIN = 15.0  # evens out gusts, an opened lid and most of a split's swing
SLOW_MIN = 60.0  # half thickness squared over diffusivity and pi squared / 4, for a half thickness of 35 mm
FELT_MIN = 20  # a dip of the air reaches the inside of a joint late: the lowest of so many minutes still acts
# What the pit usually is: the level at which it last settled, where the median of the last hour has kept for an hour. A
# split's swing, a lid and the heat of the lighting pass sooner; a fire that dies falls by more in an hour, in clay too:
# with some 6 h of time constant at 80 K above the air outside by 13 K (our allowance, no source).
SETTLE_MIN = 60
SETTLED_K = 5.0
# A pit that keeps below this holds meat or is dead: nothing comes to the 91 to 96 degC of done meat in it (common
# practice, no source), and what it drives is no measure of a fire.
COOKS_C = 85.0
USUAL_MIN = 240  # before it has settled for the first time: the median of the last so many minutes that cooked
UNSEEN_MIN = 30  # without an air sample for so long, the pit is not known any more
# Without any air probe: 250 degF, the middle of 225 to 275 degF (common practice, no source).
ASSUMED_C = 121.1


@dataclass(frozen=True, slots=True)
class Drive:
    """The pit as the meat feels it; float64 (n,), degC; ``seen`` bool (n,): the air is known, not assumed."""

    low: FloatArray
    high: FloatArray
    usual: FloatArray
    seen: NDArray[np.bool_]
    unseen_min: int = UNSEEN_MIN  # without an air sample for so long it is not seen


def drive_of(air: Sequence[Cells], n: int) -> Drive:
    """The drive from the air places, in the order of placements (none: ``ASSUMED_C``; unseen for long: the usual)."""
    y = pit_course(air, n)
    fast, slow = lagged(y, FAST_MIN), lagged(y, SLOW_MIN)
    usual = usual_of(fast)
    have = np.flatnonzero(np.isfinite(y))
    unseen = max([UNSEEN_MIN, *(cells.minutes(UNSEEN_MIN) for cells in air)])
    last = np.full(n, -10 * unseen)
    last[have] = have
    last = np.maximum.accumulate(last) if n else last
    seen = np.arange(n) - last <= unseen
    usual = np.where(np.isfinite(usual), usual, ASSUMED_C)
    low = np.where(seen, np.fmin(_lowest(fast, FELT_MIN), slow), usual)
    high = np.where(seen, np.fmax(fast, slow), usual)
    return Drive(low, high, usual, seen, unseen)


def lagged(y: FloatArray, minutes: float) -> FloatArray:
    """Mean of the past with weights that fall off by e in ``minutes``; gaps weigh nothing; NaN before the first."""
    keep = float(np.exp(-CELL_S / 60 / minutes))
    out = np.full(y.size, np.nan)
    total = weight = 0.0
    for k, v in enumerate(y.tolist()):
        total *= keep
        weight *= keep
        if v == v:
            total += v
            weight += 1.0
        if weight > 1e-12:
            out[k] = total / weight
    return out


def _lowest(y: FloatArray, minutes: int) -> FloatArray:
    """The lowest of the last ``minutes`` cells; NaN before the first."""
    if not y.size:
        return y
    lowest: FloatArray = np.fmin.reduce(trailing(y, minutes), axis=1)
    return lowest


def usual_of(y: FloatArray, cooks_c: float = COOKS_C) -> FloatArray:
    """What the pit usually is in each minute: the level at which it last settled. (n,), degC, NaN before the first.

    y : the air (n,), degC, as ``lagged`` by ``FAST_MIN``;  cooks_c : a level below this is no usual one, degC
    """
    if not y.size:
        return y
    n, level = y.size, _median(y, SETTLE_MIN)
    known = np.flatnonzero(np.isfinite(y))
    level[: (known[0] if known.size else 0) + SETTLE_MIN - 1] = np.nan  # whole hours alone
    hour = trailing(level, SETTLE_MIN)
    with np.errstate(invalid="ignore"):
        settled = (hour.max(axis=1) - hour.min(axis=1) <= SETTLED_K) & (hour.min(axis=1) >= cooks_c)
    at = np.maximum.accumulate(np.where(settled, np.arange(n), -1))
    return np.where(at >= 0, _median(y, 2 * SETTLE_MIN)[np.maximum(at, 0)], _unsettled(y, cooks_c))


def _unsettled(y: FloatArray, cooks_c: float) -> FloatArray:
    """The median of the last ``USUAL_MIN`` minutes of at least ``cooks_c``; before the first of them, of all."""
    out, hot = _median(y, USUAL_MIN), y >= cooks_c
    count = np.cumsum(hot)
    some = count > 0
    out[some] = _median(y[hot], USUAL_MIN)[count[some] - 1]
    return out


def _median(y: FloatArray, minutes: int) -> FloatArray:
    """The lower median of the last ``minutes`` cells (of those there are); NaN before the first."""
    if not y.size:
        return y
    # NaN (before the first) sort last: count back from the number that there are.
    table = np.sort(trailing(y, minutes), axis=1)
    count = np.isfinite(table).sum(axis=1)
    median: FloatArray = table[np.arange(y.size), np.maximum((count - 1) // 2, 0)]
    return median
