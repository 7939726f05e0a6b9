"""The stall: heating, relative to what the pit drives, falls well below what it was.

The measure is the *pace* (``pace.py``) as a share of the best pace that this place has shown; ``sweep.py`` walks over
it minute by minute, so what is said of a time never depends on later data; ``slow.py`` names what else holds heating
back (a low fire, a lid, a spritz, ice, a wrap, a moved probe, the slow approach to the pit's temperature).
"""

from collections.abc import Sequence

from pitscribe.cook.drive import Drive, drive_of
from pitscribe.cook.grid import Cells, Grid, cells_of, grid_of
from pitscribe.cook.noted import Told
from pitscribe.cook.pace import pace_of
from pitscribe.cook.slow import Slowdown, slowdowns
from pitscribe.cook.sweep import Stall as Stall
from pitscribe.cook.sweep import Sweep
from pitscribe.series import Series


def find_stalls(
    meat: Series, air: Sequence[Series] = (), notes: Sequence[Told] = (), *, grid: Grid | None = None
) -> list[Stall]:
    """Stalls of one meat place, in order of time.

    air : the air places in the order of placements (see ``pit``; none: a pit at 121 degC is assumed, less is claimed)
    notes : what people did to it (``notes_for``); a wrap, lid or spritz may explain a dip, a pull or hold ends a stall
    grid : the grid to work on, default one over these series
    """
    on = grid or grid_of([meat, *air])
    return stalls_of(meat.place, cells_of(meat, on), drive_of([cells_of(s, on) for s in air], on.n), notes, on)


def stalls_of(place: str, cells: Cells, drive: Drive, notes: Sequence[Told], grid: Grid) -> list[Stall]:
    """As ``find_stalls``, from what is already on the grid."""
    return heating_of(place, cells, drive, notes, grid)[0]


def heating_of(
    place: str, cells: Cells, drive: Drive, notes: Sequence[Told], grid: Grid
) -> tuple[list[Stall], list[Slowdown]]:
    """Stalls of one place, and what else held its heating back for ten minutes or more; each in order of time."""
    swept = Sweep(place, cells.celsius, pace_of(cells, drive), notes, grid).walk()
    return swept.stalls, slowdowns(place, swept.why, grid)
