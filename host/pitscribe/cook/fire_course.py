"""The pit's course as the fire makes it: lid and firebox door taken out, slopes, and how restless it is.

An opening is a fall that no fire can make: a thin junction loses in two minutes what a dying fire takes a quarter of
an hour for. What follows is the way back, about exponential. Both say nothing of the fire: ``calm`` is without them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.grid import Cells, FloatArray, Grid
from pitscribe.cook.pit import pit_course
from pitscribe.cook.rates import line_rates

DROP_K = 6.0  # within DROP_MIN; under it a dip may be a gust or fresh wood (a split swings 8 to 17 K in half an hour)
DROP_MIN = 2
DROP_SIGMA = 6.0  # and so many times the usual change of a minute
BACK_SHARE = 0.9  # of an opening's depth made good: the course speaks for the fire again
FLAT_MIN, FLAT_SHARE = 3, 0.05  # or it does not come back further: so many minutes rise by less of the depth
OPEN_MIN = 30  # no longer: by then the pit is what it is
NO_WAY_BACK_MIN = 20  # left open, or no opening: the fire went out at once. Either way the pit stays cold
FALLS_ON_MIN, FALLS_ON_SHARE = 8, 0.1  # after so long an open lid falls no further: this share in FLAT_MIN is a fire's
RISES_SHARE = 0.25  # of its depth: on the way back
# Minutes of the slopes, and how many standard uncertainties make them sure: short ones need more.
SLOPES = ((6, 4.0), (10, 3.0), (16, 2.5), (25, 2.0))


@dataclass(frozen=True, slots=True)
class Opening:
    """Lid or firebox door: cells of begin, notice, turn (coldest) and end (None: not over), its depth [K]."""

    begin: int
    noticed: int
    turned: int
    end: int | None
    before_c: float
    depth_k: float
    drop_k: float  # what was seen of it when it was noticed
    usual_k: float  # usual change of a minute then


@dataclass(slots=True)
class Course:
    """float64 (n,) unless said otherwise.

    y : the pit [degC];  calm : the same without openings;  change : usual change from minute to minute [K]
    slope, slope_u : the surest fall or rise over the shortest minutes that make one sure [K/h]; NaN: none is sure
    hour, hour_u : slope over the last hour [K/h], of ``calm``
    after : int (n,), cells since the last opening ended (large: none)
    """

    y: FloatArray
    calm: FloatArray
    change: FloatArray
    slope: FloatArray
    slope_u: FloatArray
    hour: FloatArray
    hour_u: FloatArray
    after: FloatArray
    openings: list[Opening] = field(default_factory=list)


def course_of(air: Sequence[Cells], grid: Grid) -> Course:
    """The course of the first air place that speaks (``pit.pit_course``), minute by minute; no look-ahead."""
    y = pit_course(air, grid.n)
    change = usual_change(y)
    openings, masked = find_openings(y, change)
    calm = np.where(masked, np.nan, y)
    ends = np.zeros(grid.n, np.int64)
    after = np.full(grid.n, 1e6)
    for one in openings:
        if one.end is not None:
            ends[one.end] += 1
            after[one.end :] = np.arange(grid.n - one.end)
    # A course that never moved has no step, and yet a slope: none.
    step = np.nan_to_num(air[0].step) if air else np.zeros(grid.n)
    u = air[0].u if air else np.full(grid.n, np.nan)
    cells = Cells(calm, u, step)
    slope, slope_u = _surest(cells, np.cumsum(ends), change)
    hour, hour_u = line_rates(cells, 60)
    return Course(y, calm, change, slope, slope_u, hour, hour_u, after, openings)


def usual_change(y: FloatArray) -> FloatArray:
    """Mean magnitude of the change from minute to minute so far, the last hour weighing most, each 3 K at most [K]."""
    out = np.full(y.size, 0.5)
    mean, weight, last = 0.5, 10.0, float("nan")
    for k, v in enumerate(y.tolist()):
        if v == v:
            if last == last:
                weight = min(weight + 1.0, 60.0)
                mean += (min(abs(v - last), 3.0) - mean) / weight
            last = v
        out[k] = mean
    return out


def find_openings(y: FloatArray, change: FloatArray) -> tuple[list[Opening], NDArray[np.bool_]]:
    """Openings in the order of time, and which cells they take: bool (n,)."""
    masked = np.zeros(y.size, dtype=bool)
    openings: list[Opening] = []
    values, usual = y.tolist(), change.tolist()
    open_ = False
    for k, v in enumerate(values):
        if v != v:
            masked[k] = open_
            continue
        if open_:
            one = openings[-1]
            if v < one.before_c - one.depth_k:
                openings[-1] = one = _deeper(one, k, v)
            open_ = not _over(one, k, v, values[max(0, k - FLAT_MIN)])
            masked[k] = open_
            if not open_:
                openings[-1] = Opening(one.begin, one.noticed, one.turned, k, one.before_c, one.depth_k, one.drop_k,
                                       one.usual_k)
            continue
        before = [x for x in values[max(0, k - DROP_MIN - 1) : k] if x == x]
        top = max(before, default=v)
        if top - v >= max(DROP_K, DROP_SIGMA * usual[max(0, k - DROP_MIN - 1)]):
            first = k
            while first > max(0, k - DROP_MIN) and values[first - 1] == values[first - 1] and (
                values[first - 1] < top - 0.25 * (top - v)
            ):
                first -= 1
            # The minutes before were said to be calm when they came; they stay so.
            openings.append(Opening(first, k, k, None, top, top - v, top - v, usual[k]))
            open_ = masked[k] = True
    return openings, masked


def _deeper(one: Opening, k: int, v: float) -> Opening:
    return Opening(one.begin, one.noticed, k, None, one.before_c, one.before_c - v, one.drop_k, one.usual_k)


def _over(one: Opening, k: int, v: float, before: float) -> bool:
    """It came back, or as far as it will: what is left is the fire's doing. ``before``: ``FLAT_MIN`` ago [degC]."""
    risen = v - (one.before_c - one.depth_k)
    back = risen >= BACK_SHARE * one.depth_k
    flat = risen >= RISES_SHARE * one.depth_k and v - before < FLAT_SHARE * one.depth_k and k - one.turned > FLAT_MIN
    stays = risen < RISES_SHARE * one.depth_k and k - one.noticed >= NO_WAY_BACK_MIN
    falls_on = k - one.noticed >= FALLS_ON_MIN and before - v > FALLS_ON_SHARE * one.depth_k
    return back or flat or stays or falls_on or k - one.noticed >= OPEN_MIN


def _surest(cells: Cells, breaks: NDArray[np.int64], change: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The slope over the shortest of ``SLOPES`` that is sure; a line's scatter is not believed below the usual one."""
    slope = np.full(cells.celsius.size, np.nan)
    u = slope.copy()
    for minutes, times in SLOPES:
        rate, rate_u = line_rates(cells, minutes, breaks)
        # White scatter of sd change / 1.6 about a line of m minutes: sd sqrt(12 / m^3) a minute.
        least = change / 1.6 * np.sqrt(12.0 / minutes**3) * 60.0
        rate_u = np.maximum(rate_u, least)
        take = ~np.isfinite(slope) & (np.abs(rate) > times * rate_u)
        slope[take], u[take] = rate[take], rate_u[take]
    return slope, u
