"""Series of any sampling, put on one grid of minutes: the ground that rates, evenness and stall stand on.

Cell k covers [origin + 60 k, origin + 60 (k + 1)) and is known only when it is over, so that what is computed from
cells at one time is the same as what a replay computes at that time.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from pitscribe.series import Series

FloatArray = NDArray[np.float64]

DEAD_S = 600.0  # a place without a good sample for so long has no present
CELL_S = 60.0  # the slowest sampling that we promise to work with, and far below any time constant of meat


@dataclass(frozen=True, slots=True)
class Grid:
    """``n`` complete cells of ``CELL_S`` seconds from ``origin`` (UTC s)."""

    origin: float
    n: int

    @property
    def ends(self) -> FloatArray:
        """When each cell is over, and its values are known: float64 (n,), UTC s."""
        return self.origin + CELL_S * np.arange(1, self.n + 1, dtype=np.float64)

    def end(self, k: int) -> float:
        """When cell ``k`` is over, UTC s."""
        return self.origin + CELL_S * (k + 1)


@dataclass(frozen=True, slots=True)
class Cells:
    """One place on a grid; all float64 (n,), NaN where a cell has no good sample.

    celsius : mean of the good samples [degC];  u : their mean standard uncertainty [K];
    step : how finely the place has shown itself to move so far [K], NaN until it has moved at all
    """

    celsius: FloatArray
    u: FloatArray
    step: FloatArray


def grid_of(places: Sequence[Series]) -> Grid:
    """The grid that all places share: from the earliest sample to the newest, good or bad (UTC s)."""
    held = [s for s in places if s.t.size]
    if not held:
        return Grid(0.0, 0)
    origin = min(float(s.t[0]) for s in held)
    newest = max(float(s.t[-1]) for s in held)
    return Grid(origin, int((newest - origin) // CELL_S))


def cells_of(series: Series, grid: Grid) -> Cells:
    """Means of the good samples of one place in each complete cell. O(samples), no loop over them."""
    use = series.good()
    t, y, u = series.t[use], series.celsius[use], series.u[use]
    k = np.floor((t - grid.origin) / CELL_S).astype(np.int64)
    inside = (k >= 0) & (k < grid.n)
    if not inside.all():
        t, y, u, k = t[inside], y[inside], u[inside], k[inside]
    nothing = np.full(grid.n, np.nan)
    if not t.size:
        return Cells(nothing, nothing.copy(), nothing.copy())
    first = np.flatnonzero(np.concatenate(([True], np.diff(k) > 0)))
    count = np.diff(np.append(first, t.size))
    celsius, spread_u = nothing, nothing.copy()
    celsius[k[first]] = np.add.reduceat(y, first) / count
    spread_u[k[first]] = np.add.reduceat(u, first) / count
    return Cells(celsius, spread_u, _step_so_far(y, k, grid.n))


def _step_so_far(y: FloatArray, k: NDArray[np.int64], n: int) -> FloatArray:
    """Mean change of a sample, weighted by the change itself, over all samples so far: float64 (n,), K.

    For a chip that steps by 0.25 K this is 0.25, though small steps of its cold junction come between; for fine codes
    it is about the noise. Changes count as 0.5 K at most, so that an opened lid does not spoil it.
    """
    change = np.minimum(np.abs(np.diff(y, prepend=y[0])), 0.5)
    total = np.cumsum(np.bincount(k, change, n))
    square = np.cumsum(np.bincount(k, change * change, n))
    # A constant series whose sums are rounding noise has not moved.
    moved = total > 1e-9
    return np.where(moved, square / np.where(moved, total, 1.0), np.nan)


def trailing(y: FloatArray, m: int) -> FloatArray:
    """Each cell's last ``m`` cells: (n, m), NaN before the first."""
    padded = np.concatenate((np.full(m - 1, np.nan), y))
    return sliding_window_view(padded, m)
