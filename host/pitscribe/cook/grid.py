"""Series of any sampling, put on one grid of minutes: the ground that rates, evenness and stall stand on.

Cell k covers [origin + 60 k, origin + 60 (k + 1)) and is known only when it is over, so that what is computed from
cells at one time is the same as what a replay computes at that time.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from pitscribe.cook.plain import iso
from pitscribe.errors import ReadingError
from pitscribe.series import Series

FloatArray = NDArray[np.float64]

DEAD_S = 600.0  # a place without a good sample for so long has no present
# So many ticks of silence are usual, because samples come by the frame: 64 while the host has all that was before, and
# an eighth for the tick that ends it and its way (our allowance, no source). The first frame after the host was away
# can have twice as many (firmware README, `frame_ticks`): until it comes the newest value is too old for a present one.
SILENT_TICKS = 72
SLOWEST_S = 60.0  # a logger's slowest period (WIRE.md section 2); an imported table may be slower and comes at once
GAP_S = 24 * 3600.0  # over a longer silence nothing is carried: most of it is left out of the grid
KEPT = 300  # cells that stay of such a silence: more than any window that looks back (the drive's: 240)
MOST_DAYS = 30  # of cells; six places of 30 days take some 100 MB to analyse
CELL_S = 60.0  # the slowest sampling that we promise to work with, and far below any time constant of meat


@dataclass(frozen=True, slots=True)
class Grid:
    """``n`` complete cells of ``CELL_S`` seconds from ``origin`` (UTC s).

    skips : silences that are left out: (first minute since ``origin`` that is, how many are), ascending
    """

    origin: float
    n: int
    skips: tuple[tuple[int, int], ...] = ()

    @property
    def ends(self) -> FloatArray:
        """When each cell is over, and its values are known: float64 (n,), UTC s."""
        minute = np.arange(1, self.n + 1, dtype=np.float64)
        for first, count in self.skips:
            minute[minute > first] += count
        return self.origin + CELL_S * minute

    def end(self, k: int) -> float:
        """When cell ``k`` is over, UTC s."""
        minute = k
        for first, count in self.skips:
            if minute >= first:
                minute += count
        return self.origin + CELL_S * (minute + 1)

    def cells(self, t: FloatArray) -> NDArray[np.int64]:
        """In which cell each time [UTC s] lies; a time that is left out lies in the last cell before."""
        minute = np.floor((t - self.origin) / CELL_S).astype(np.int64)
        k = minute.copy()
        for first, count in self.skips:
            k -= np.clip(minute - first + 1, 0, count)
        return k

    def cell(self, t: float) -> int:
        """The same for one time."""
        return int(self.cells(np.array([t]))[0])


@dataclass(frozen=True, slots=True)
class Cells:
    """One place on a grid; all float64 (n,), NaN where a cell has no good sample.

    celsius : mean of the good samples [degC];  u : their mean standard uncertainty [K];
    step : how finely the place has shown itself to move so far [K], NaN until it has moved at all
    late_s : how long nothing may come from a place that is well, because its samples come by the frame [s]
    failing : samples came after the last good one
    rests_min : for how long the newest reading is left out because it rests, see ``doubt.counted``
    """

    celsius: FloatArray
    u: FloatArray
    step: FloatArray
    late_s: float = 0.0
    failing: bool = False
    rests_min: int = 0

    @property
    def dead_s(self) -> float:
        """Without a good sample for longer the place has no present [s]."""
        return max(DEAD_S, self.late_s)

    def minutes(self, least: float) -> int:
        """``least`` minutes, or as many as its samples may be late."""
        return int(max(least, np.ceil(self.late_s / CELL_S)))

    def known(self) -> "Cells":
        """As far as there is anything: without the minutes that have not come yet."""
        have = np.flatnonzero(np.isfinite(self.celsius))
        n = int(have[-1]) + 1 if have.size else 0
        return replace(self, celsius=self.celsius[:n], u=self.u[:n], step=self.step[:n])


def grid_of(places: Sequence[Series]) -> Grid:
    """The grid that all places share: from the earliest sample to the newest, good or bad (UTC s).

    Of silences longer than ``GAP_S`` most is left out: a year that somebody mistyped costs no more than five hours.
    Raises ReadingError, naming the longest silence, if more than ``MOST_DAYS`` days are left.
    """
    held = [s for s in places if s.t.size]
    if not held:
        return Grid(0.0, 0)
    origin = min(float(s.t[0]) for s in held)
    newest = max(float(s.t[-1]) for s in held)
    minutes = int((newest - origin) // CELL_S)
    if newest - origin <= GAP_S:
        return Grid(origin, minutes)
    gaps = silences(held, origin)
    skips = [(a + 1 + KEPT, b - a - 1 - KEPT) for a, b in gaps]
    n = minutes - sum(count for _, count in skips)
    if n > MOST_DAYS * 86_400 / CELL_S:
        raise ReadingError(_too_long(n, origin, newest, gaps))
    return Grid(origin, n, tuple(skips))


def silences(places: Sequence[Series], origin: float) -> list[tuple[int, int]]:
    """The stretches longer than ``GAP_S`` without any sample: minutes since ``origin`` of the samples beside them."""
    minutes = [np.floor((s.t - origin) / CELL_S).astype(np.int64) for s in places if s.t.size]
    some = [m[np.append(True, np.diff(m) > 0)] for m in minutes]
    if not some:
        return []
    heard = np.unique(np.concatenate(some))
    at = np.flatnonzero(np.diff(heard) > GAP_S / CELL_S)
    return [(int(heard[i]), int(heard[i + 1])) for i in at]


def _too_long(n: int, origin: float, newest: float, gaps: Sequence[tuple[int, int]]) -> str:
    words = f"the readings fill {n * CELL_S / 86_400:.0f} days, from {iso(origin)} to {iso(newest)}"
    if gaps:
        a, b = max(gaps, key=lambda gap: gap[1] - gap[0])
        words += f", the longest silence from {iso(origin + CELL_S * a)} to {iso(origin + CELL_S * b)}"
    return f"{words}; {MOST_DAYS} days are the most: end the cook where it ended, or look at the dates of its table"


def cells_of(series: Series, grid: Grid) -> Cells:
    """Means of the good samples of one place in each complete cell. O(samples), no loop over them."""
    use = series.good()
    t, y, u = series.t[use], series.celsius[use], series.u[use]
    k = grid.cells(t)
    inside = (k >= 0) & (k < grid.n)
    if not inside.all():
        t, y, u, k = t[inside], y[inside], u[inside], k[inside]
    nothing = np.full(grid.n, np.nan)
    if not t.size:
        return Cells(nothing, nothing.copy(), nothing.copy(), late_s(series), bool(series.t.size))
    first = np.flatnonzero(np.concatenate(([True], np.diff(k) > 0)))
    count = np.diff(np.append(first, t.size))
    celsius, spread_u = nothing, nothing.copy()
    celsius[k[first]] = np.add.reduceat(y, first) / count
    spread_u[k[first]] = np.add.reduceat(u, first) / count
    failing = bool(series.t.size) and not bool(use[-1])
    return Cells(celsius, spread_u, _step_so_far(y, k, grid.n), late_s(series), failing)


def late_s(series: Series) -> float:
    """How long nothing may come from a place that is well: ``SILENT_TICKS`` of its newest usual steps [s]."""
    steps = np.diff(series.t[-SILENT_TICKS:])
    return SILENT_TICKS * min(float(np.median(steps)), SLOWEST_S) if steps.size else 0.0


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
