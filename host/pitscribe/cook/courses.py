"""The courses of a cook that interventions are judged by, each compared once over each horizon (``compare``).

Spread of some places, rate of a place, level of the pit. Two things are added to what ``compare`` learns from quiet
minutes: which places can be compared at all, and what the probes' fixed errors are worth in a change of the spread.
"""

from collections.abc import Collection, Mapping, Sequence
from math import isfinite, sqrt

import numpy as np

from pitscribe.cook import compare
from pitscribe.cook.compare import BEFORE_MIN, GUARD_MIN, LEVEL_MIN, Change, Compared
from pitscribe.cook.grid import Cells, Grid
from pitscribe.cook.lines import BoolArray, mean
from pitscribe.cook.pit import pit_course
from pitscribe.cook.rates import jumps_so_far
from pitscribe.cook.table import Table

LEAST_C = 20.0  # below, an error is not taken to shrink in proportion to degC


class Courses:
    """The courses of one cook so far.

    places : cells of each meat place, by name;  air : those of the air places, in the order of placements
    disturbed : minutes in which something was done that is not in the usual scatter
    common_k : see ``evenness``
    """

    def __init__(
        self, places: Mapping[str, Cells], air: Sequence[Cells], grid: Grid, disturbed: Sequence[int], common_k: float
    ) -> None:
        self.places, self.grid, self.common_k = places, grid, common_k
        self.course = pit_course(air, grid.n)
        self.disturbed = disturbed
        self.level = {name: mean(cells.celsius, LEVEL_MIN) for name, cells in places.items()}
        self.jumps = {name: jumps_so_far(cells) for name, cells in places.items()}
        self._tables: dict[tuple[str, ...], Table] = {}
        self._compared: dict[tuple[str, tuple[str, ...], int], Compared] = {}
        self._quiet: dict[int, BoolArray] = {}

    def order(self, k: int, names: Collection[str]) -> list[str]:
        """Those of the places that have a level at minute ``k``, coldest first."""
        if not 0 <= k < self.grid.n:
            return []
        at = {name: float(self.level[name][k]) for name in names}
        return sorted((n for n, v in at.items() if v == v), key=lambda n: (at[n], n))

    def comparable(self, k: int, horizon: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """(places that were good before minute ``k`` and at the horizon, the others with the reason in words)."""
        before, then = k - GUARD_MIN, k + horizon
        names, others = [], []
        for name in sorted(self.places):
            level, jumps = self.level[name], self.jumps[name]
            if before < 0 or not isfinite(float(level[before]) + float(level[then])):
                others.append(f"{name}: too few good minutes")
            elif jumps[then] != jumps[max(0, before - BEFORE_MIN)]:
                others.append(f"{name}: its reading jumped, the probe moved")
            else:
                names.append(name)
        return tuple(names), tuple(others)

    def spread(self, names: tuple[str, ...], k: int, horizon: int) -> Change | None:
        """What the spread of these places (two or more) did after minute ``k`` [K]."""
        table = self._tables.get(names)
        if table is None:
            table = Table.of({name: self.places[name] for name in names}, self.grid, self.common_k)
            self._tables[names] = table
        key = ("spread", names, horizon)
        if key not in self._compared:
            columns = np.arange(self.grid.n)
            step = np.hypot(table.step[table.top, columns], table.step[table.low, columns])
            self._compared[key] = compare.of_level(table.spread()[0], step, horizon, self._quiet_for(horizon))
        fixed_u = self._fixed_u(table, k - GUARD_MIN, k + horizon)
        return self._compared[key].change(k, fixed_u)

    def rate(self, name: str, k: int, horizon: int) -> Change | None:
        """What the rate of one place did [K/h]."""
        key = ("rate", (name,), horizon)
        if key not in self._compared:
            cells = self.places[name]
            self._compared[key] = compare.of_rate(cells.celsius, cells.step, horizon, self._quiet_for(horizon))
        return self._compared[key].change(k)

    def pit(self, k: int, horizon: int) -> Change | None:
        """What the pit did: the air place that speaks for it [degC]. None without any."""
        key = ("pit", (), horizon)
        if key not in self._compared:
            self._compared[key] = compare.of_pit(self.course, horizon, self._quiet_for(horizon))
        return self._compared[key].change(k)

    def _quiet_for(self, horizon: int) -> BoolArray:
        """Minutes whose before and after, over this horizon, nothing disturbs: (n,)."""
        if horizon not in self._quiet:
            quiet = np.ones(self.grid.n, dtype=bool)
            for k in self.disturbed:
                quiet[max(0, k - horizon) : max(0, k + GUARD_MIN + BEFORE_MIN)] = False
            self._quiet[horizon] = quiet
        return self._quiet[horizon]

    def _fixed_u(self, table: Table, before: int, then: int) -> float:
        """What the probes' own fixed errors are worth in a change of the spread [K].

        An error that stays cancels as far as the same places lead and lag before and after; where two change places it
        counts twice. One that grows with temperature does not cancel by itself: all of u is taken as one in proportion
        to degC besides, which is more than it can be.
        """
        orders = [self.order(k, table.names) for k in (before, then)]
        total = 0.0
        for name in sorted({places[end] for places in orders for end in (0, -1)}):
            row = table.names.index(name)
            weight = [(name == places[-1]) - (name == places[0]) for places in orders]
            cold, warm = sorted(float(self.level[name][k]) for k in (before, then))
            # A mean over minutes can be known where the one minute is not: then its u is not known either.
            u = max((v for v in (float(table.own_u(row, k)) for k in (before, then)) if isfinite(v)), default=0.0)
            stays = (weight[1] - weight[0]) * u
            grows = u * (warm - cold) / max(abs(warm), abs(cold), LEAST_C)
            total += stays**2 + grows**2
        return sqrt(total)
