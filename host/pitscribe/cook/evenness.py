"""How evenly the meat cooks: spread (hottest minus coldest meat place), who leads, who lags, and its history.

**Errors that probes share.** In a difference of two places the part of their errors that is the same at both cancels
(cold junction of one box, one reference bath for both): GUM eq. 13 with a common component c gives
u2 = ua2 + ub2 - 2 c2. How large c is only the metrology knows; ``common_k`` takes it and is 0 by itself, which treats
the errors as independent: then u is rather too large than too small. Over time the errors of one probe are nearly the
same: what they are worth for a *change* of the spread stands in ``compare``.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.grid import CELL_S, Cells, FloatArray, Grid
from pitscribe.cook.plain import iso, number
from pitscribe.cook.table import Table

# 10 degF: "flat and point within about 10 degF late in the cook" (common practice, no source).
LIMIT_K = 10.0 * 5.0 / 9.0
# A reading's step is 1.8 standard deviations where it is but noise: 1.5 times two of them are 3.7 of a difference.
TURNS = 1.5
FRESH_MIN = 5  # a spread older than this is not the present one
BRIDGE_MIN = 5  # a place that is silent for no longer was, meanwhile, on the line between its neighbours


@dataclass(frozen=True, slots=True)
class SpreadAt:
    """The spread at one time: hottest minus coldest of the meat places that had a good sample in that minute."""

    at: float  # UTC s, the end of the minute
    spread_k: float
    u_k: float  # standard uncertainty, see the module
    hottest: str
    hottest_c: float
    coldest: str
    coldest_c: float
    places: int  # how many places it was taken over
    among: tuple[str, ...] = ()  # which
    lead_k: float | None = None  # by how much the hottest leads the next one [K]
    lead_u_k: float | None = None
    lag_k: float | None = None  # by how much the coldest lags behind the next one [K]
    lag_u_k: float | None = None

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "at": iso(self.at), "spread_k": number(self.spread_k), "u_k": number(self.u_k),
            "hottest": self.hottest, "hottest_c": number(self.hottest_c),
            "coldest": self.coldest, "coldest_c": number(self.coldest_c), "places": self.places,
            "lead_k": number(self.lead_k), "lead_u_k": number(self.lead_u_k),
            "lag_k": number(self.lag_k), "lag_u_k": number(self.lag_u_k),
        }


@dataclass(frozen=True, slots=True)
class Evenness:
    """Spread and its history. Fields are None where ``why_not`` says why nothing can be said."""

    now: SpreadAt | None
    greatest: SpreadAt | None
    limit_k: float
    degree_hours_above: float | None  # time integral of the spread above the limit, K h
    hours_above: float | None
    hours_known: float  # hours with at least two good places
    leads_since: float | None  # UTC s: since when nothing has been hotter than the present hottest place
    lags_since: float | None  # since when nothing has been colder than the present coldest place
    why_not: str | None
    t: FloatArray  # (n,), UTC s, the ends of the grid's minutes
    spread_k: FloatArray  # (n,), NaN where fewer than two places were good
    u_k: FloatArray  # (n,)
    degree_hours_u: float | None = None  # standard uncertainty, K h: the probes' errors stay as they are all the time

    def as_json(self) -> dict[str, Any]:
        """As plain values, without the history."""
        return {
            "now": self.now.as_json() if self.now else None,
            "greatest": self.greatest.as_json() if self.greatest else None,
            "limit_k": number(self.limit_k), "degree_hours_above": number(self.degree_hours_above),
            "degree_hours_u": number(self.degree_hours_u), "hours_above": number(self.hours_above),
            "hours_known": number(self.hours_known), "leads_since": iso(self.leads_since),
            "lags_since": iso(self.lags_since), "why_not": self.why_not,
        }


def evenness(places: Mapping[str, Cells], grid: Grid, *, limit_k: float = LIMIT_K, common_k: float = 0.0) -> Evenness:
    """Evenness of the meat places on their common grid.

    places : cells of each meat place, by name. Over a silence of up to ``BRIDGE_MIN`` a place is taken to have gone
        straight; a longer one goes without it. (Left out, the hottest or coldest would be missing from the history.)
    limit_k : spread above which degree-hours count [K]; 5.6 K (10 degF) is common practice, no source.
    common_k : part of the places' standard uncertainty that is one and the same error at all of them [K]
    """
    if len(places) < 2 or grid.n == 0:
        why = {0: "no meat place", 1: f"only one meat place ({', '.join(places)}): a spread needs two"}
        return _unknown(grid, limit_k, why.get(len(places), "less than a minute of data"))
    table = Table.of({name: bridged(cells) for name, cells in places.items()}, grid, common_k)
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
        now=_at(table, newest) if fresh else None,
        greatest=_at(table, int(np.nanargmax(spread))),
        limit_k=limit_k,
        degree_hours_above=float(over.sum() * CELL_S / 3600),
        hours_above=float(np.count_nonzero(over) * CELL_S / 3600),
        hours_known=float(at.size * CELL_S / 3600),
        leads_since=_since(table, at[at <= newest], hot=True) if fresh else None,
        lags_since=_since(table, at[at <= newest], hot=False) if fresh else None,
        why_not=None if fresh else f"for {silent} min no two meat places have been good together",
        t=grid.ends,
        spread_k=spread,
        u_k=u,
        degree_hours_u=float(u[over > 0].sum() * CELL_S / 3600),
    )


def bridged(cells: Cells) -> Cells:
    """The cells with silences of up to ``BRIDGE_MIN`` filled in straight, where both ends are known."""
    have = np.flatnonzero(np.isfinite(cells.celsius))
    gaps = np.diff(have) - 1
    short = np.flatnonzero((gaps > 0) & (gaps <= BRIDGE_MIN))
    if not short.size:
        return cells
    fill = np.concatenate([np.arange(have[i] + 1, have[i + 1]) for i in short.tolist()])
    celsius, u = cells.celsius.copy(), cells.u.copy()
    for column in (celsius, u):
        column[fill] = np.interp(fill, have, column[have])
    return replace(cells, celsius=celsius, u=u)


def _unknown(grid: Grid, limit_k: float, why_not: str) -> Evenness:
    nothing = np.full(grid.n, np.nan)
    return Evenness(None, None, limit_k, None, None, 0.0, None, None, why_not, grid.ends, nothing, nothing.copy())


def _newest(table: Table, cells: Sequence[Cells], last: int) -> int:
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


def _at(table: Table, k: int) -> SpreadAt:
    """The spread in minute ``k``, which is known."""
    here = np.flatnonzero(np.isfinite(table.celsius[:, k]))
    order = here[np.argsort(table.celsius[here, k], kind="stable")]
    top, low = int(table.top[k]), int(table.low[k])
    next_top = int(next(r for r in order[::-1] if r != top))
    next_low = int(next(r for r in order if r != low))
    return SpreadAt(
        table.grid.end(k), *table.apart(top, low, k), table.names[top], float(table.celsius[top, k]),
        table.names[low], float(table.celsius[low, k]), here.size, tuple(table.names[r] for r in here.tolist()),
        *table.apart(top, next_top, k), *table.apart(next_low, low, k),
    )


def _since(table: Table, at: NDArray[np.intp], *, hot: bool) -> float:
    """Since when the place that is hottest (or coldest) at the last of the minutes ``at`` has not been beaten.

    A place that stands beside another takes turns with it by noise alone: one that is ahead by no more than the
    noise of the two readings has not beaten it, nor has one beside a gap in its own.
    """
    who = table.top if hot else table.low
    row = who[at[-1]]
    step = np.nan_to_num(table.step)
    ahead = np.abs(table.celsius[who, np.arange(who.size)] - table.celsius[row])
    beaten = (who != row) & (ahead > TURNS * (step[who, np.arange(who.size)] + step[row]))
    lost = np.flatnonzero(beaten[at])
    since = at[int(lost[-1]) + 1 :] if lost.size else at
    return table.grid.end(int(since[who[since] == row][0]))
