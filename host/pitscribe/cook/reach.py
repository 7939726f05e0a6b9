"""When a place, or the coldest one, first was at a temperature, and how surely."""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from pitscribe.cook.grid import CELL_S, Cells, Grid

SLOPE_MIN = 15  # to each side: the rate that turns an uncertain temperature into an uncertain time
LEAST_K_H = 0.5  # slower, and the time is hardly known: a stall at that very temperature (our allowance)


class Reached(NamedTuple):
    """``t``: UTC s;  ``u_s``: standard uncertainty [s], of the probe's alone: its own over the rate at that time."""

    t: float
    u_s: float
    place: str


def reached(place: str, cells: Cells, grid: Grid, celsius: float) -> Reached | None:
    """When the mean of three good minutes was first at a temperature [degC], as a forecast counts it; None: never."""
    have = np.flatnonzero(np.isfinite(cells.celsius))
    if have.size < 3:
        return None
    y = cells.celsius[have]
    at = np.flatnonzero((y[2:] + y[1:-1] + y[:-2]) / 3 >= celsius)
    if not at.size:
        return None
    i = int(at[0]) + 1
    k = int(have[i])
    beside = have[(have >= k - SLOPE_MIN) & (have <= k + SLOPE_MIN)]
    rate = float(np.polyfit(beside * CELL_S / 3600, cells.celsius[beside], 1)[0])
    return Reached(grid.end(k), 3600 * float(cells.u[k]) / max(rate, LEAST_K_H), place)


def all_reached(places: Mapping[str, Cells], grid: Grid, celsius: float) -> Reached | None:
    """When the last of the places was there: the coldest; None if one never was, or there is none."""
    some = [reached(name, cells, grid, celsius) for name, cells in places.items()]
    known = [one for one in some if one is not None]
    return max(known, key=lambda one: one.t) if known and len(known) == len(some) else None
