"""How evenly the meat cooks: spread (hottest minus coldest meat place), who leads, who lags, and its history."""

from collections.abc import Mapping
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


def evenness(places: Mapping[str, Cells], grid: Grid, *, limit_k: float = LIMIT_K) -> Evenness:
    """Evenness of the meat places on their common grid.

    places : cells of each meat place, by name. A minute without a good sample at a place goes without that place.
    limit_k : spread above which degree-hours count [K]; 5.6 K (10 degF) is common practice, no source.
    """
    names = sorted(places)  # so that the order of placements changes nothing
    nothing = np.full(grid.n, np.nan)
    if len(names) < 2 or grid.n == 0:
        why = {0: "no meat place", 1: f"only one meat place ({', '.join(names)}): a spread needs two"}
        said = why.get(len(names), "less than a minute of data")
        return Evenness(None, None, limit_k, None, None, 0.0, None, None, said, grid.ends, nothing, nothing.copy())
    celsius = np.stack([places[name].celsius for name in names])
    u = np.stack([places[name].u for name in names])
    have = np.isfinite(celsius)
    known = have.sum(axis=0) >= 2
    top = np.where(have, celsius, -np.inf).argmax(axis=0)
    low = np.where(have, celsius, np.inf).argmin(axis=0)
    cols = np.arange(grid.n)
    spread = np.where(known, celsius[top, cols] - celsius[low, cols], np.nan)
    both = np.sqrt(u[top, cols] ** 2 + u[low, cols] ** 2)
    spread_u = np.where(known, both, np.nan)

    def spread_at(k: int) -> SpreadAt:
        return SpreadAt(grid.end(k), float(spread[k]), float(spread_u[k]), names[top[k]], float(celsius[top[k], k]),
                        names[low[k]], float(celsius[low[k], k]), int(have[:, k].sum()))  # fmt: skip

    at = np.flatnonzero(known)
    if not at.size:
        why_not = "never two meat places with good samples in the same minute"
        return Evenness(None, None, limit_k, None, None, 0.0, None, None, why_not, grid.ends, spread, spread_u)
    last = int(at[-1])
    over = np.where(known, np.maximum(np.nan_to_num(spread) - limit_k, 0.0), 0.0)
    fresh = grid.n - 1 - last < FRESH_MIN
    return Evenness(
        now=spread_at(last) if fresh else None,
        greatest=spread_at(int(np.nanargmax(spread))),
        limit_k=limit_k,
        degree_hours_above=float(over.sum() * CELL_S / 3600),
        hours_above=float(np.count_nonzero(over) * CELL_S / 3600),
        hours_known=float(at.size * CELL_S / 3600),
        leads_since=_since(top, at, grid) if fresh else None,
        lags_since=_since(low, at, grid) if fresh else None,
        why_not=None if fresh else f"for {grid.n - 1 - last} min no two meat places have been good together",
        t=grid.ends,
        spread_k=spread,
        u_k=spread_u,
    )


def _since(who: NDArray[np.intp], at: NDArray[np.intp], grid: Grid) -> float:
    """End of the first minute of the unbroken run in which ``who`` is what it is at the last known minute."""
    other = np.flatnonzero(who[at] != who[at[-1]])
    first = at[int(other[-1]) + 1] if other.size else at[0]
    return grid.end(int(first))
