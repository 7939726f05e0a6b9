"""How far each place is ahead of the others, how that grows, and whether its probe is in doubt."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pitscribe.cook.doubt import FLAGS_MIN, trailing_sum
from pitscribe.cook.grid import Cells, FloatArray
from pitscribe.cook.lines import BoolArray, Lines, lines
from pitscribe.cook.rates import jumps_so_far
from pitscribe.cook.table import Table

SLOPE_MIN = 30  # the lead's growth is taken over so long: a split's swing does not make it
DOUBT_MIN = 60  # a jump or flags put a probe in doubt for so long


@dataclass(frozen=True, slots=True)
class Lead:
    """The lead of one place over the median of the others (of one other: over that); arrays (n,).

    line : through the trailing ``SLOPE_MIN`` of it [K];  u : its standard uncertainty, from the probes [K]
    like_with_like : over those minutes the others are the same ones, and none of their probes moved
    heats : it is warmer than ``SLOPE_MIN`` ago; where all cool, the slowest to cool does not run away
    jumped, flagged : its own reading jumped, or was flagged, within ``DOUBT_MIN``
    """

    line: Lines
    u: FloatArray
    like_with_like: BoolArray
    heats: BoolArray
    jumped: BoolArray
    flagged: BoolArray

    def doubt(self, k: int) -> str | None:
        """Why its probe is in doubt at minute ``k``; None: it is not."""
        if self.jumped[k]:
            return "its reading jumped within the last hour as no heat through meat can"
        return "its readings were flagged within the last hour" if self.flagged[k] else None


def leads(table: Table, places: Mapping[str, Cells], flags: Mapping[str, BoolArray]) -> list[Lead]:
    """The lead of every row of a table of two or more places. ``flags`` : of places, see ``doubt.flagged``."""
    n = table.grid.n
    jumped = np.stack([np.diff(jumps_so_far(places[name]), prepend=0) > 0 for name in table.names])
    alive = np.stack([_recently(row, FLAGS_MIN) for row in np.isfinite(table.celsius)])
    comes_or_goes = np.diff(alive, axis=1, prepend=alive[:, :1])
    moved = np.stack([_recently(row, SLOPE_MIN) for row in jumped | comes_or_goes])
    never = np.zeros(n, dtype=bool)
    return [
        Lead(
            _line(table, row), _u(table, row), np.asarray(~np.delete(moved, row, axis=0).any(axis=0)),
            _heats(table.celsius[row]), _recently(jumped[row], DOUBT_MIN), _recently(flags.get(name, never), DOUBT_MIN),
        )
        for row, name in enumerate(table.names)
    ]


def _line(table: Table, row: int) -> Lines:
    others = np.sort(np.delete(table.celsius, row, axis=0), axis=0)  # NaN last
    count = np.isfinite(others).sum(axis=0)
    k = np.arange(table.grid.n)
    low, high = others[np.maximum(count - 1, 0) // 2, k], others[np.minimum(count // 2, len(others) - 1), k]
    step = np.sqrt(2.0) * np.nan_to_num(table.step).max(axis=0)
    return lines(table.celsius[row] - (low + high) / 2, SLOPE_MIN, step)


def _u(table: Table, row: int) -> FloatArray:
    """Of the place and of one other, the worst: no less than with a median of several."""
    own = np.stack([table.own_u(i, np.arange(table.grid.n)) for i in range(len(table.names))])
    u: FloatArray = np.hypot(own[row], np.nan_to_num(np.delete(own, row, axis=0)).max(axis=0))
    return u


def _heats(y: FloatArray) -> BoolArray:
    before = np.concatenate((np.full(SLOPE_MIN, np.nan), y))[: y.size]
    return np.asarray(y > before)


def _recently(when: BoolArray, minutes: int) -> BoolArray:
    """Whether it was so in one of the trailing ``minutes``: bool (n,)."""
    return np.asarray(trailing_sum(when, minutes) > 0)
