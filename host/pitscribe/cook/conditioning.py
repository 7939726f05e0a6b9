"""The ensemble taken through the cook so far: minutes, air and notes in, what is known of the meat now out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.ensemble import EVERY, STEP_S, Ensemble
from pitscribe.cook.grid import CELL_S, Cells, FloatArray, Grid
from pitscribe.cook.noted import COVERS, UNWRAP, Told, act_of
from pitscribe.cook.pit import pit_course
from pitscribe.cook.pit_ahead import Course, so_far
from pitscribe.cook.rates import jumps_so_far

PER_STEP = int(STEP_S / CELL_S)
LEAST_MIN = 30  # of readings, before anything is said of a place
PIT_SEEN_MIN = 240


@dataclass(frozen=True, slots=True)
class Learned:
    """What is known at the end of the grid. names : the places, in the order of the ensemble's."""

    names: tuple[str, ...]
    ensemble: Ensemble
    pit: FloatArray  # (n,), degC, NaN where silent
    began: float  # when the first place was read, UTC s
    now: float  # UTC s
    covered: bool
    pulled: bool
    silent_min: Mapping[str, int]  # minutes since the last good one
    minutes: Mapping[str, int]  # good minutes in all
    late_min: Mapping[str, int]  # how long its samples may be late
    u: Mapping[str, float]  # standard uncertainty of the probe, K
    rests_min: Mapping[str, int]  # for how long its reading has rested and does not count

    @property
    def pit_seen(self) -> bool:
        """An air probe showed the pit in the last hours."""
        return bool(np.isfinite(self.pit[-PIT_SEEN_MIN:]).any())


@dataclass(frozen=True, slots=True)
class _Readings:
    """One place in steps: celsius (steps,), degC, NaN where none; u, K; begins: its first step; moved: (steps,)."""

    celsius: FloatArray
    u: FloatArray
    begins: int
    first_c: float
    moved: NDArray[np.bool_]


def learn(places: Mapping[str, Cells], air: Sequence[Cells], notes: Sequence[Told], grid: Grid) -> Learned:
    """Condition an ensemble on the cook so far.

    places : cells of the meat places, by name;  air : of the air places, in the order of placements
    """
    names = tuple(sorted(places))
    first = _after_silence(grid)
    lead = (grid.n - first) % PER_STEP
    keep = slice(first + lead, grid.n)
    steps = (grid.n - first) // PER_STEP
    pit = pit_course(air, grid.n)
    course = so_far(pit[keep], PER_STEP)
    ensemble = Ensemble(len(names))
    readings = [_readings(places[name], keep) for name in names]
    covers = _covers(notes, grid, keep.start, steps)
    _walk(ensemble, readings, course, covers)
    silent = {name: _silent(places[name], grid.n) for name in names}
    now = grid.end(grid.n - 1) if grid.n else grid.origin
    return Learned(
        names, ensemble, pit, grid.origin, now, bool(covers.size and covers[-1]), _pulled(notes), silent,
        {name: int(np.isfinite(places[name].celsius).sum()) for name in names},
        {name: places[name].minutes(0) for name in names}, {name: _u(places[name]) for name in names},
        {name: places[name].rests_min for name in names},
    )


def _walk(ensemble: Ensemble, readings: Sequence[_Readings], course: Course, covers: NDArray[np.bool_]) -> None:
    steps = course.celsius.size
    table = np.stack([r.celsius for r in readings]) if readings else np.empty((0, steps))
    u = np.stack([r.u for r in readings]) if readings else np.empty((0, steps))
    begins = np.array([r.begins for r in readings])
    earliest = int(begins.min(initial=steps))
    for i in range(earliest, steps):
        for p in np.flatnonzero(begins == i).tolist():
            ensemble.begin(p, readings[p].first_c, float(course.celsius[i]))
        ensemble.wrapped[:] = covers[i]
        ensemble.step(course.celsius[i], unseen=bool(course.unseen[i]))
        for p, r in enumerate(readings):
            if r.moved[i] and i > r.begins and np.isfinite(r.celsius[i]):
                ensemble.moved(p, float(r.celsius[i]))
        if (steps - 1 - i) % EVERY == 0:
            ensemble.drift(EVERY * STEP_S / 3600)
            ensemble.heed(np.where(begins <= i, table[:, i], np.nan), u[:, i])


def _after_silence(grid: Grid) -> int:
    """The first cell after the last silence that the grid leaves out: nothing is carried across."""
    return max((first - sum(c for f, c in grid.skips if f < first) for first, _ in grid.skips), default=0)


def _readings(cells: Cells, keep: slice) -> _Readings:
    y, step = cells.celsius[keep].reshape(-1, PER_STEP), cells.step[keep].reshape(-1, PER_STEP)
    have = np.isfinite(y)
    count = have.sum(axis=1)
    mean = np.where(have, y, 0.0).sum(axis=1) / np.maximum(count, 1)
    celsius = np.where(count > 0, mean, np.nan)
    coarse = np.where(np.isfinite(step[:, -1]), step[:, -1], 0.5)
    jumps = jumps_so_far(cells)[keep].reshape(-1, PER_STEP)[:, -1] if y.size else np.zeros(0, dtype=np.int64)
    moved = np.diff(jumps, prepend=jumps[:1]) > 0
    at = np.flatnonzero(count > 0)
    begins = int(at[0]) if at.size else y.shape[0]
    first_c = float(celsius[at[0]]) if at.size else float("nan")
    return _Readings(celsius, coarse / np.sqrt(np.maximum(count, 1.0)), begins, first_c, moved)


def _covers(notes: Sequence[Told], grid: Grid, first: int, steps: int) -> NDArray[np.bool_]:
    """Whether the meat was covered in each step."""
    covered = np.zeros(steps, dtype=bool)
    for note in sorted(notes, key=lambda note: note.at_ms):
        at = min(max(0, (grid.cell(note.at_ms / 1000) - first) // PER_STEP), steps)
        if note.kind in COVERS:
            covered[at:] = True
        elif act_of(note) == UNWRAP:
            covered[at:] = False
    return covered


def _pulled(notes: Sequence[Told]) -> bool:
    return any(note.kind == "pull" for note in notes)


def _silent(cells: Cells, n: int) -> int:
    have = np.flatnonzero(np.isfinite(cells.celsius))
    return n - 1 - int(have[-1]) if have.size else n


def _u(cells: Cells) -> float:
    have = cells.u[np.isfinite(cells.u)]
    return float(have[-1]) if have.size else 1.0
