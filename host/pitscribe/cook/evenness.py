"""How evenly the meat cooks: spread (hottest minus coldest meat place), who leads, who lags, and its history."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.grid import CELL_S, Cells, FloatArray, Grid

# 10 degF: "flat and point within about 10 degF late in the cook" (common practice, no source).
LIMIT_K = 10.0 * 5.0 / 9.0
FRESH_MIN = 5  # a spread older than this is not the present one


@dataclass(frozen=True, slots=True)
class SpreadAt:
    """The spread at one time: hottest minus coldest of the meat places that had a good sample in that minute."""

    at: float  # UTC s, the end of the minute
    spread_k: float
    u_k: float  # standard uncertainty: of the two places, as if their errors were independent
    hottest: str
    hottest_c: float
    coldest: str
    coldest_c: float
    places: int  # how many places it was taken over
    among: tuple[str, ...] = ()  # which


@dataclass(frozen=True, slots=True)
class Evenness:
    """Spread and its history. Fields are None where ``why_not`` says why nothing can be said."""

    now: SpreadAt | None
    greatest: SpreadAt | None
    limit_k: float
    degree_hours_above: float | None  # time integral of the spread above the limit, K h
    hours_above: float | None
    hours_known: float  # hours with at least two good places
    leads_since: float | None  # UTC s: since when the present hottest place has been hottest, without a break
    lags_since: float | None  # the same for the present coldest place
    why_not: str | None
    t: FloatArray  # (n,), UTC s, the ends of the grid's minutes
    spread_k: FloatArray  # (n,), NaN where fewer than two places were good
    u_k: FloatArray  # (n,)


@dataclass(frozen=True, slots=True)
class _Table:
    """The meat places side by side, a row each, and what each minute's extremes are; columns are minutes."""

    names: list[str]
    grid: Grid
    celsius: FloatArray  # (places, n)
    u: FloatArray
    top: NDArray[np.intp]  # (n,), row of the hottest
    low: NDArray[np.intp]  # of the coldest
    known: NDArray[np.bool_]  # two places or more were good

    @classmethod
    def of(cls, places: Mapping[str, Cells], grid: Grid) -> "_Table":
        names = sorted(places)  # so that the order of placements changes nothing
        celsius = np.stack([places[name].celsius for name in names])
        have = np.isfinite(celsius)
        top = np.where(have, celsius, -np.inf).argmax(axis=0)
        low = np.where(have, celsius, np.inf).argmin(axis=0)
        u = np.stack([places[name].u for name in names])
        return cls(names, grid, celsius, u, top, low, have.sum(axis=0) >= 2)

    def spread(self) -> tuple[FloatArray, FloatArray]:
        """(spread, its standard uncertainty) of each minute [K]; NaN where it is not known."""
        k = np.arange(self.grid.n)
        spread = self.celsius[self.top, k] - self.celsius[self.low, k]
        u = np.sqrt(self.u[self.top, k] ** 2 + self.u[self.low, k] ** 2)
        return np.where(self.known, spread, np.nan), np.where(self.known, u, np.nan)

    def at(self, k: int) -> SpreadAt:
        """The spread in minute ``k``, which is known."""
        top, low = int(self.top[k]), int(self.low[k])
        hot, cold = float(self.celsius[top, k]), float(self.celsius[low, k])
        u = float(np.hypot(self.u[top, k], self.u[low, k]))
        among = tuple(self.names[row] for row in np.flatnonzero(np.isfinite(self.celsius[:, k])).tolist())
        names = self.names[top], hot, self.names[low], cold
        return SpreadAt(self.grid.end(k), hot - cold, u, *names, len(among), among)


def evenness(places: Mapping[str, Cells], grid: Grid, *, limit_k: float = LIMIT_K) -> Evenness:
    """Evenness of the meat places on their common grid.

    places : cells of each meat place, by name. A minute without a good sample at a place goes without that place.
    limit_k : spread above which degree-hours count [K]; 5.6 K (10 degF) is common practice, no source.
    """
    if len(places) < 2 or grid.n == 0:
        why = {0: "no meat place", 1: f"only one meat place ({', '.join(places)}): a spread needs two"}
        return _unknown(grid, limit_k, why.get(len(places), "less than a minute of data"))
    table = _Table.of(places, grid)
    at = np.flatnonzero(table.known)
    if not at.size:
        return _unknown(grid, limit_k, "never two meat places with good samples in the same minute")
    spread, u = table.spread()
    newest = _newest(table, [places[name] for name in table.names], int(at[-1]))
    over = np.maximum(np.nan_to_num(spread) - limit_k, 0.0)
    silent = round((grid.end(grid.n - 1) - grid.end(int(at[-1]))) / CELL_S)
    among = np.flatnonzero(np.isfinite(table.celsius[:, newest])).tolist()
    fresh = grid.n - 1 - newest < max(places[table.names[row]].minutes(FRESH_MIN) for row in among)
    return Evenness(
        now=table.at(newest) if fresh else None,
        greatest=table.at(int(np.nanargmax(spread))),
        limit_k=limit_k,
        degree_hours_above=float(over.sum() * CELL_S / 3600),
        hours_above=float(np.count_nonzero(over) * CELL_S / 3600),
        hours_known=float(at.size * CELL_S / 3600),
        leads_since=_since(table.top, at[at <= newest], grid) if fresh else None,
        lags_since=_since(table.low, at[at <= newest], grid) if fresh else None,
        why_not=None if fresh else f"for {silent} min no two meat places have been good together",
        t=grid.ends,
        spread_k=spread,
        u_k=u,
    )


def _unknown(grid: Grid, limit_k: float, why_not: str) -> Evenness:
    nothing = np.full(grid.n, np.nan)
    return Evenness(None, None, limit_k, None, None, 0.0, None, None, why_not, grid.ends, nothing, nothing.copy())


def _newest(table: _Table, cells: Sequence[Cells], last: int) -> int:
    """The minute that speaks for the present: the newest in which all places that are well were good.

    Readings come by the frame, so that of a slow logger the newest minutes come late: a place is not left out for
    that, and places are compared at one time. If there is no such minute, it is the ``last`` with two good places.
    """
    good = np.isfinite(table.celsius)
    n = table.grid.n
    newest = n - 1 - good[:, ::-1].argmax(axis=1)
    # A minute more than samples may be late: the cell that is not over yet is not on the grid.
    late = np.array([int(np.ceil(c.late_s / CELL_S)) + 1 for c in cells])
    well = good.any(axis=1) & (n - 1 - newest <= late) & ~np.array([c.failing for c in cells])
    if np.count_nonzero(well) < 2:
        return last
    together = np.flatnonzero(good[well].all(axis=0))
    if not together.size:
        return last
    at = int(together[-1])
    return at if n - 1 - at <= int(late[well].max()) else last


def _since(who: NDArray[np.intp], at: NDArray[np.intp], grid: Grid) -> float:
    """End of the first minute of the unbroken run in which ``who`` is what it is at the last known minute."""
    other = np.flatnonzero(who[at] != who[at[-1]])
    first = at[int(other[-1]) + 1] if other.size else at[0]
    return grid.end(int(first))
