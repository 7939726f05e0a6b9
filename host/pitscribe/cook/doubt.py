"""What of a place's readings is in doubt: by their flags, for hints and for safety, and by themselves, for everything.

A reading that rests, the very same to the last digit for an hour while the meat beside it moved, is no reading: it is
left out here, once, of what everything else is made of (coldest, leader and laggard, rates, stalls, finish, safety).
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.grid import CELL_S, Cells, FloatArray, Grid, cells_of
from pitscribe.cook.lines import BoolArray
from pitscribe.cook.plain import span
from pitscribe.metrology.flags import Flag
from pitscribe.series import Series

IN_DOUBT = np.uint32(Flag.BAD | Flag.NOISY | Flag.SWAPPED)
FLAGS_MIN = 15
FLAGS_SHARE = 0.1  # of the samples of ``FLAGS_MIN`` that may carry a flag; with more the probe is in doubt

# Our allowances, no source, tried on cooks whose probes were well (docs/ANALYSIS.md): a stall can rest on one step of a
# coarse reading, such as a whole degF, for more than an hour, on one of a fine reading it does not.
REST_MIN, COARSE_REST_MIN = 60, 120
FINE_K = 0.3
OTHERS_K = 1.0

Counts = NDArray[np.intp]


def meat_cells(series: Sequence[Series], grid: Grid) -> dict[str, Cells]:
    """The cells of the meat places among some, by name, as they count (see ``counted``)."""
    return counted({s.place: cells_of(s, grid) for s in series if s.kind == "meat"})


def counted(places: Mapping[str, Cells]) -> dict[str, Cells]:
    """The cells of meat places without the minutes in which a reading rests while another place moves.

    It rests where it is one and the same for ``REST_MIN`` minutes (``COARSE_REST_MIN`` for steps over ``FINE_K``) and
    another meat place, itself not at rest, moved by ``OTHERS_K``. What it first was still counts. One place alone is
    never judged: nothing tells its plateau from a stuck code.
    """
    runs = {name: _runs(cells.celsius) for name, cells in places.items()}
    out = {}
    for name, cells in places.items():
        celsius, rests = cells.celsius, 0
        for a, b in runs[name]:
            least = REST_MIN if cells.step[b] <= FINE_K else COARSE_REST_MIN
            others = [c.celsius[a : b + 1] for other, c in places.items() if other != name]
            if b - a >= least and any(_range(y) >= OTHERS_K for y in others):
                celsius = celsius.copy() if celsius is cells.celsius else celsius
                celsius[a + 1 : b + 1] = np.nan
                rests = b - a if not np.isfinite(cells.celsius[b + 1 :]).any() else 0
        out[name] = cells if celsius is cells.celsius else replace(
            cells, celsius=celsius, u=np.where(np.isfinite(celsius), cells.u, np.nan), rests_min=rests)
    return out


def rest_words(minutes: int) -> str:
    """Why a resting place does not count."""
    return f"its reading has been the very same for {span(CELL_S * minutes)} while others moved: it does not count"


def _runs(celsius: FloatArray) -> list[tuple[int, int]]:
    """(first, last) minute of each stretch of ``REST_MIN`` minutes or more with one value."""
    have = np.flatnonzero(np.isfinite(celsius))
    if not have.size:
        return []
    y = celsius[have]
    new = np.flatnonzero(np.abs(np.diff(y)) > 1e-9) + 1
    first, last = have[np.append(0, new)], have[np.append(new, have.size) - 1]
    return [(int(a), int(b)) for a, b in zip(first, last, strict=True) if b - a >= REST_MIN]


def _range(y: FloatArray) -> float:
    have = y[np.isfinite(y)]
    return float(have.max() - have.min()) if have.size else 0.0


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
