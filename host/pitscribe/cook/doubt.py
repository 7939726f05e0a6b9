"""Minutes in which a place's readings are in doubt by their flags: for hints and for safety, from one count."""

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.grid import Grid
from pitscribe.cook.lines import BoolArray
from pitscribe.metrology.flags import Flag
from pitscribe.series import Series

IN_DOUBT = np.uint32(Flag.BAD | Flag.NOISY | Flag.SWAPPED)
FLAGS_MIN = 15
FLAGS_SHARE = 0.1  # of the samples of ``FLAGS_MIN`` that may carry a flag; with more the probe is in doubt

Counts = NDArray[np.intp]


def flagged(series: Series, grid: Grid) -> BoolArray:
    """Minutes from which on a place is in doubt by its flags: bool (n,).

    That is with more than ``FLAGS_SHARE`` of its samples of the last minutes bad, noisy or those of another place.
    """
    bad, every = (trailing_sum(count, FLAGS_MIN) for count in _counts(series, grid, in_doubt(series)))
    return np.asarray(bad > FLAGS_SHARE * every)


def doubtful(series: Series, grid: Grid) -> BoolArray:
    """Minutes in which half or more of a place's samples are in doubt by their flags, or are no value: bool (n,)."""
    bad, every = _counts(series, grid, in_doubt(series) | ~np.isfinite(series.celsius))
    return np.asarray((bad > 0) & (2 * bad >= every))


def in_doubt(series: Series) -> BoolArray:
    """Samples that are bad, noisy or those of another place: bool, one for each sample."""
    return np.asarray((series.flags & IN_DOUBT) != 0)


def _counts(series: Series, grid: Grid, bad: BoolArray) -> tuple[Counts, Counts]:
    """(bad samples, all samples) of each minute, (n,) each."""
    k = grid.cells(series.t)
    inside = (k >= 0) & (k < grid.n)
    some, every = (np.bincount(k[use], minlength=grid.n) for use in (bad & inside, inside))
    return some, every


def trailing_sum(a: BoolArray | Counts, minutes: int) -> Counts:
    """Sum over the trailing ``minutes`` of each minute: (n,)."""
    total = np.cumsum(a, dtype=np.intp)
    out = total.copy()
    out[minutes:] -= total[:-minutes]
    return out
