"""The pit's course as the fire makes it: lid and firebox door taken out, slopes, and how restless it is.

An opening is a fall of its own: a thin junction loses in two minutes what a dying fire takes a quarter of an hour for,
and more than the pace at which the air fell before. What follows is the way back, about exponential. Both say nothing
of the fire: ``calm`` is without them. Some fires go out as fast (a feed of pellets that stops, a flame that starves).
Those give themselves away by falling on: under an open lid the air is as cold as it gets within minutes.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import exp

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
PACE_MIN, SUDDEN = 3, 3.0  # an opening falls so many times faster than the fire did in so many minutes before
FALLS_MIN = 2  # what an opening may still fall in so many minutes, see ``lid_falls``
FALLS_SIGMA = 2.0  # and so many times the usual change of a minute
LID_TAU_MIN, LID_LAGS, LID_WALL = 1.5, 2.0, 0.04  # allowances, no source: air under an open lid; the probe's lag; wall
RISES_SHARE = 0.25  # of its depth: on the way back
# Minutes of the slopes, and how many standard uncertainties make them sure: short ones need more.
SLOPES = ((6, 4.0), (10, 3.0), (16, 2.5), (25, 2.0))


@dataclass(frozen=True, slots=True)
class Opening:
    """Lid or firebox door: cells of begin, notice, turn (coldest) and end (None: not over), its depth [K].

    fell_on : it ended since it fell as no open lid does: what looked like an opening was the fire
    """

    begin: int
    noticed: int
    turned: int
    end: int | None
    before_c: float
    depth_k: float
    drop_k: float  # what was seen of it when it was noticed
    usual_k: float  # usual change of a minute then
    fell_on: bool = False


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
    # Once it is known that a fall was the fire's, its minutes speak for the slopes after that.
    plain = calm.copy()
    ends = np.zeros(grid.n, np.int64)
    after = np.full(grid.n, 1e6)
    for one in openings:
        if one.fell_on:
            plain[one.begin : one.end] = y[one.begin : one.end]
        elif one.end is not None:
            ends[one.end] += 1
            after[one.end :] = np.arange(grid.n - one.end)
    # A course that never moved has no step, and yet a slope: none.
    step = np.nan_to_num(air[0].step) if air else np.zeros(grid.n)
    u = air[0].u if air else np.full(grid.n, np.nan)
    slope, slope_u = _surest(Cells(plain, u, step), np.cumsum(ends), change)
    slope[masked] = slope_u[masked] = np.nan
    hour, hour_u = line_rates(Cells(calm, u, step), 60)
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
            openings[-1] = one = _on(openings[-1], k, v, values)
            open_ = masked[k] = one.end is None
            continue
        before = [x for x in values[max(0, k - DROP_MIN - 1) : k] if x == x]
        top = max(before, default=v)
        least = max(DROP_K, DROP_SIGMA * usual[max(0, k - DROP_MIN - 1)])
        if top - v >= max(least, SUDDEN * DROP_MIN * _pace(values, k - DROP_MIN)):
            first = k
            while first > max(0, k - DROP_MIN) and values[first - 1] == values[first - 1] and (
                values[first - 1] < top - 0.25 * (top - v)
            ):
                first -= 1
            # The minutes before were said to be calm when they came; they stay so.
            openings.append(Opening(first, k, k, None, top, top - v, top - v, usual[k]))
            open_ = masked[k] = True
    return openings, masked


def _pace(values: Sequence[float], k: int) -> float:
    """By how much the air fell a minute before cell ``k`` [K]; 0 where it rose or was not seen."""
    fell = values[max(0, k - PACE_MIN)] - values[max(0, k)]
    return max(0.0, fell / PACE_MIN) if fell == fell else 0.0


def lid_falls(minutes: float) -> float:
    """The most that air under an open lid still falls in ``FALLS_MIN``, as a share of all it fell in ``minutes``."""
    still = exp(-(minutes - FALLS_MIN) / LID_TAU_MIN) - exp(-minutes / LID_TAU_MIN)
    return LID_LAGS * still + LID_WALL


def _falls_on(one: Opening, k: int, values: Sequence[float]) -> bool:
    """It falls without a break, and more than air under an open lid does after so long."""
    minutes, least = k - one.begin + 1, FALLS_SIGMA * one.usual_k
    if minutes <= 2 * FALLS_MIN or values[k - FALLS_MIN] - values[k] <= lid_falls(minutes) * one.depth_k + least:
        return False
    since = [v for v in values[one.noticed : k + 1] if v == v]
    return all(later <= earlier + least for earlier, later in pairwise(since))


def _on(one: Opening, k: int, v: float, values: Sequence[float]) -> Opening:
    """An opening one minute on [degC]; ended if it came back, or as far as it will: what is left is the fire's."""
    if v < one.before_c - one.depth_k:
        one = replace(one, turned=k, depth_k=one.before_c - v)
    if _falls_on(one, k, values):
        return replace(one, end=k, fell_on=True)
    risen, rises = v - (one.before_c - one.depth_k), v - values[max(0, k - FLAT_MIN)]
    back = risen >= BACK_SHARE * one.depth_k
    on_its_way = risen >= RISES_SHARE * one.depth_k
    flat = on_its_way and rises < FLAT_SHARE * one.depth_k and k - one.turned > FLAT_MIN
    stays = not on_its_way and k - one.noticed >= NO_WAY_BACK_MIN
    return replace(one, end=k) if back or flat or stays or k - one.noticed >= OPEN_MIN else one


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
