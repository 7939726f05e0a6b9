"""The meat places side by side, minute by minute: what evenness, interventions and hints are read from."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.grid import Cells, FloatArray, Grid


@dataclass(frozen=True, slots=True)
class Table:
    """A row for each place, in the order of their names; columns are the grid's minutes."""

    names: tuple[str, ...]
    grid: Grid
    celsius: FloatArray  # (places, n), degC, NaN where it had no good sample
    u: FloatArray  # (places, n), K
    step: FloatArray  # (places, n), K, see ``grid.Cells``
    common_k: float  # part of u that is one and the same error at all places [K]
    top: NDArray[np.intp]  # (n,), row of the hottest
    low: NDArray[np.intp]  # of the coldest
    known: NDArray[np.bool_]  # (n,), two places or more were good

    @classmethod
    def of(cls, places: Mapping[str, Cells], grid: Grid, common_k: float = 0.0) -> "Table":
        """The table of some places, at least one. Their order in the mapping changes nothing."""
        names = tuple(sorted(places))
        celsius, u, step = (np.stack([getattr(places[n], what) for n in names]) for what in ("celsius", "u", "step"))
        return cls._of(names, grid, celsius, u, step, common_k)

    @classmethod
    def _of(
        cls, names: tuple[str, ...], grid: Grid, celsius: FloatArray, u: FloatArray, step: FloatArray, common_k: float
    ) -> "Table":
        have = np.isfinite(celsius)
        top = np.where(have, celsius, -np.inf).argmax(axis=0)
        low = np.where(have, celsius, np.inf).argmin(axis=0)
        return cls(names, grid, celsius, u, step, common_k, top, low, have.sum(axis=0) >= 2)

    def only(self, names: Collection[str]) -> "Table":
        """The same with some of its places, at least one."""
        rows = [i for i, name in enumerate(self.names) if name in names]
        if len(rows) == len(self.names):
            return self
        some = tuple(self.names[i] for i in rows)
        return self._of(some, self.grid, self.celsius[rows], self.u[rows], self.step[rows], self.common_k)

    def own_u(self, rows: NDArray[np.intp] | int, k: NDArray[np.intp] | int) -> FloatArray:
        """The part of u that each place has for itself [K]."""
        own: FloatArray = np.sqrt(np.maximum(np.square(self.u[rows, k]) - self.common_k**2, 0.0))
        return own

    def spread(self) -> tuple[FloatArray, FloatArray]:
        """(spread, its standard uncertainty) of each minute [K]: float64 (n,), NaN where it is not known."""
        k = np.arange(self.grid.n)
        spread = self.celsius[self.top, k] - self.celsius[self.low, k]
        u = np.hypot(self.own_u(self.top, k), self.own_u(self.low, k))
        return np.where(self.known, spread, np.nan), np.where(self.known, u, np.nan)

    def apart(self, row: int, other: int, k: int) -> tuple[float, float]:
        """(how much hotter one row is than another in minute ``k``, standard uncertainty) [K]."""
        more = self.celsius[row, k] - self.celsius[other, k]
        return float(more), float(np.hypot(self.own_u(row, k), self.own_u(other, k)))
