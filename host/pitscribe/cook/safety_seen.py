"""What is surely known of a place, minute by minute, for checks that round against the user.

Known is a minute with a good sample of a probe that is not in doubt. Each has a low and a high: the temperature less
and plus its expanded uncertainty. A gap is unknown; so is a minute in doubt by its flags, the time in which a probe
that was moved comes to its value, what looks like the pit's air, and a reading that has not moved for hours.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.grid import CELL_S, Cells, FloatArray, Grid
from pitscribe.cook.plain import span
from pitscribe.cook.rates import JUMP_K, STUCK_MIN, jumps_so_far, unmoved
from pitscribe.cook.safety_words import heat
from pitscribe.series import TARGET_C

BoolArray = NDArray[np.bool_]

COVERAGE = 2.0  # expanded uncertainty, about 95 % (GUM 6.2)
# Our allowances, no source: after a jump a sheath of 1/8 in needs some minutes to come to its value, and readings of
# the last minutes may be on their way.
SETTLE_MIN = 10
LATE_MIN = 5


@dataclass(frozen=True, slots=True)
class Seen:
    """One place on a grid, up to its newest minute that could have come.

    low, high : float64 (n,), degC, NaN where it is unknown;  known : bool (n,)
    filled : bool (n,), lone minutes between known ones, see ``seen_of``
    part : int (n,), how often the probe has moved so far: another part is another spot
    hours : float64 (n,), how long each minute stands for; more than a minute before a silence that the grid leaves out
    now : index of the minute that speaks for the present; -1: none does, ``why_not`` says why
    """

    low: FloatArray
    high: FloatArray
    known: BoolArray
    filled: BoolArray
    part: NDArray[np.int64]
    hours: FloatArray
    ends: FloatArray  # UTC s
    now: int
    why_not: str | None

    @property
    def n(self) -> int:
        return int(self.low.size)

    @property
    def at(self) -> float | None:
        """When its newest known minute was over, UTC s."""
        have = np.flatnonzero(self.known)
        return float(self.ends[have[-1]]) if have.size else None

    def total(self, where: BoolArray) -> float:
        """Hours that some minutes make together."""
        return float(self.hours[where].sum())


def seen_of(cells: Cells, grid: Grid, doubt: BoolArray | None = None) -> Seen:
    """What is surely known of a place. ``doubt`` : bool (n,), minutes that do not count, see ``doubt.doubtful``.

    A single minute without a sample between two known ones is what a sampling of a minute and a bit leaves. It is taken
    as the less favourable of the two, ``JUMP_K`` further off: heat does not move through meat faster.
    """
    margin = COVERAGE * cells.u
    low, high = cells.celsius - margin, cells.celsius + margin
    jumps = jumps_so_far(cells)
    lost = _lost(cells, jumps)
    if doubt is not None:
        lost = lost | doubt
    known = np.isfinite(low) & ~lost
    low, high = np.where(known, low, np.nan), np.where(known, high, np.nan)
    lone = np.zeros(grid.n, dtype=bool)
    lone[1:-1] = ~known[1:-1] & known[:-2] & known[2:] & ~lost[1:-1] & (jumps[2:] == jumps[:-2])
    at = np.flatnonzero(lone)
    low[at] = np.minimum(low[at - 1], low[at + 1]) - JUMP_K
    high[at] = np.maximum(high[at - 1], high[at + 1]) + JUMP_K
    return _until_now(cells, grid, Seen(low, high, known | lone, lone, jumps, _hours(grid), grid.ends, -1, None))


def _lost(cells: Cells, jumps: NDArray[np.int64]) -> BoolArray:
    """Minutes whose reading is in doubt by itself."""
    n = cells.celsius.size
    minute = np.arange(n)
    jumped = np.maximum.accumulate(np.where(np.diff(jumps, prepend=0) > 0, minute, -SETTLE_MIN)) if n else minute
    stuck = unmoved(cells) & (minute >= STUCK_MIN)
    lost = np.asarray((minute - jumped < SETTLE_MIN) | stuck)
    return lost | _in_the_air(cells.celsius, lost)


def _in_the_air(celsius: FloatArray, lost: BoolArray) -> BoolArray:
    """Minutes over 100 degC, unless the reading was seen to rise to them minute by minute, as that of a dry tip does.

    Meat that holds water does not pass its boiling point. A probe that came out of it unseen, in a gap, reads the pit.
    """
    over = celsius > TARGET_C[1]
    rose = np.isfinite(celsius) & ~over & ~lost
    air = np.zeros(over.size, dtype=bool)
    for k in np.flatnonzero(over).tolist():
        before = range(max(0, k - 2), k)  # one minute alone may be silent
        air[k] = not any(rose[j] for j in before)
        rose[k] = not air[k] and not lost[k]
    return air


def _hours(grid: Grid) -> FloatArray:
    """How long each minute stands for [h]: a silence that was left out belongs to the silent minute before it."""
    if not grid.n:
        return np.empty(0)
    ends = grid.ends
    return np.diff(ends, append=ends[-1] + CELL_S) / 3600


def _until_now(cells: Cells, grid: Grid, seen: Seen) -> Seen:
    """Without the newest minutes if they are only late; with the index of the present one, or why there is none."""
    have = np.flatnonzero(seen.known)
    if not have.size:
        return replace(seen, why_not=f"no minute with readings that are beyond doubt{_too_hot(cells)}")
    newest = int(have[-1])
    silent = grid.n - 1 - newest
    nothing_came = not np.isfinite(cells.celsius[newest + 1 :]).any()
    late = nothing_came and not cells.failing and silent <= cells.minutes(LATE_MIN)
    if silent and not late:
        return replace(seen, why_not=f"for {span(CELL_S * silent)} no reading that is beyond doubt{_too_hot(cells)}")
    n = newest + 1
    cut = {name: getattr(seen, name)[:n] for name in ("low", "high", "known", "filled", "part", "hours", "ends")}
    return replace(seen, **cut, now=newest)


def _too_hot(cells: Cells) -> str:
    """That the newest reading is hotter than meat, to be put behind other words."""
    have = cells.celsius[np.isfinite(cells.celsius)]
    hot = have.size and have[-1] > TARGET_C[1]
    return f"; the newest is over {heat(TARGET_C[1])}: hotter than meat that holds water" if hot else ""
