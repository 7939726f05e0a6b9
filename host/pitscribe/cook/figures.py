"""The figures of one cook that a comparison lays beside those of others, each with its standard uncertainty.

What a trial's outcomes are is defined in ``trials.facts``, and the same here; this adds how surely they are known.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import sqrt

import numpy as np

from pitscribe.cook.answers import Analysis
from pitscribe.cook.besides import Figure
from pitscribe.cook.doubt import meat_cells
from pitscribe.cook.grid import Cells, FloatArray, Grid, cells_of, grid_of
from pitscribe.cook.lookback import heated_until
from pitscribe.cook.origins import NOTED_S, Origin
from pitscribe.cook.pit import pit_course
from pitscribe.cook.reach import all_reached
from pitscribe.cook.sweep import Stall
from pitscribe.cook.trials.balance import ALLOWANCE_DOF
from pitscribe.cook.trials.facts import FIRST_MIN, OUTCOME, facts_of
from pitscribe.series import CookRecord
from pitscribe.series.trial import ASPECTS, PieceRecord

HOUR_S = 3600.0
# How surely a stall's begin and end are known: over 80 stalls of 40 cooks of the bench (split "tune", seed 77) the
# begin was said 21 to 0 min before, the end 19 to 138 min after what surely was one (middle 68 %); the common part of
# that cancels in a difference.
BEGIN_S, END_S = 900.0, 3600.0
AT_TARGET = "coldest place at the target"
LEAST_MIN = 45  # of an hour, known minutes for its swing to count

Figures = dict[tuple[str, str], Figure]


def figures_of(piece: PieceRecord, said: Analysis, origin: Origin, target_c: float | None) -> Figures:
    """Everything that is compared, by (name, unit), in the order in which it is told.

    piece : the cook as a whole;  said : its analysis;  origin : from where times are counted
    target_c : what all the cooks are timed to [degC], None: nothing
    """
    record, facts = piece.cook, facts_of(piece)
    until = heated_until(record)
    heated = record if until is None else record.until(until)
    grid = grid_of(heated.places)
    meat = meat_cells(heated.meat, grid)
    air = [cells_of(s, grid) for s in heated.air]
    noted_h = NOTED_S / HOUR_S
    return {
        ("start temperature of the coldest place", "degC"): Figure(facts.get("start temperature"), _start_u(meat)),
        ("pit, mean until it was pulled", "degC"): Figure(facts.get("pit mean"), _pit_u(air, grid)),
        ("pit, swing within an hour", "K"): swing(pit_course(air, grid.n)),
        (AT_TARGET, "h"): _target(meat, grid, target_c, origin),
        **_stalls(record, said, origin),
        ("greatest spread", "K"): _greatest(said),
        ("mean spread until it was pulled", "K"): Figure(facts.get("evenness"), _mean(said.evenness.u_k)),
        ("degree-hours of spread over the limit", "K h"): Figure(
            said.evenness.degree_hours_above, said.evenness.degree_hours_u),
        ("first wrap", "h"): _noted(record, "wrap", origin),
        ("on the heat", "h"): Figure(facts.get("duration"), noted_h),
        ("length of the hold", "h"): Figure(facts.get("length of the hold"), sqrt(2) * noted_h),
        **{(aspect, "points"): _score(piece, aspect, facts) for aspect in ASPECTS},
        ("weight as it went on", "kg"): Figure(facts.get("weight as it went on")),
        ("yield", "%"): Figure(facts.get("yield")),
    }


def _mean(u: FloatArray) -> float | None:
    """Over time a probe's errors stay: the mean's uncertainty is the mean of the uncertainties."""
    return float(np.nanmean(u)) if np.isfinite(u).any() else None


def _start_u(meat: Mapping[str, Cells]) -> float | None:
    """Of the place that starts coldest."""
    starts = []
    for cells in meat.values():
        good = np.flatnonzero(np.isfinite(cells.celsius))[:FIRST_MIN]
        if good.size:
            starts.append((float(np.median(cells.celsius[good])), float(cells.u[good].mean())))
    return min(starts)[1] if starts else None


def _pit_u(air: Sequence[Cells], grid: Grid) -> float | None:
    """Of the place that speaks for the pit in each minute."""
    return _mean(pit_course([replace(c, celsius=c.u) for c in air], grid.n))


def swing(pit: FloatArray) -> Figure:
    """Mean over the hours of the middle 90 % within each [K]. A probe's own offset cancels in it; hours differ.

    pit : float64 (n,), degC, minutes
    """
    hours = [pit[i : i + 60][np.isfinite(pit[i : i + 60])] for i in range(0, pit.size - 59, 60)]
    some = [float(np.subtract(*np.percentile(h, [95, 5]))) for h in hours if h.size >= LEAST_MIN]
    if len(some) < 2:
        return Figure(None, None, "less than two hours of pit")
    return Figure(float(np.mean(some)), float(np.std(some, ddof=1)) / sqrt(len(some)))


def _target(meat: Mapping[str, Cells], grid: Grid, target_c: float | None, origin: Origin) -> Figure:
    if target_c is None:
        return Figure(None, None, "no target was set")
    at = all_reached(meat, grid, target_c)
    if at is None:
        return Figure(None, None, "not reached everywhere")
    return Figure((at.t - origin.t) / HOUR_S, sqrt(at.u_s**2 + origin.u_s**2) / HOUR_S)


def _stalls(record: CookRecord, said: Analysis, origin: Origin) -> Figures:
    """The first begin of any place's stall, how long any place stalled, and the longest stall's plateau."""
    names = ("stall, from", "h"), ("stall, in all", "h"), ("stall, plateau of the longest", "degC")
    phases = [p for p in said.phases if p.kind == "stall"]
    if not phases or said.at is None:
        return dict.fromkeys(names, Figure(None, None, "no stall was seen"))
    begin = Figure((phases[0].begin - origin.t) / HOUR_S, sqrt(BEGIN_S**2 + origin.u_s**2) / HOUR_S)
    now = said.at  # a note may say that it was pulled after the last reading
    long = sum(min(p.end or now, now) - p.begin for p in phases) / HOUR_S
    longest = max(said.stalls, key=lambda s: (s.end or now) - s.begin)
    u_long = sqrt(len(phases)) * sqrt(BEGIN_S**2 + END_S**2) / HOUR_S
    return dict(zip(names, (begin, Figure(long, u_long), Figure(longest.plateau_c, _plateau_u(longest, record))),
                    strict=True))


def _plateau_u(stall: Stall, record: CookRecord) -> float | None:
    """Of the place's readings in the stall."""
    of = [s for s in record.meat if s.place == stall.place]
    some = [s.u[s.good() & (s.t >= stall.begin) & (s.t <= (stall.end or np.inf))] for s in of]
    return _mean(np.concatenate(some)) if some else None


def _greatest(said: Analysis) -> Figure:
    g = said.evenness.greatest
    return Figure(None, None, said.evenness.why_not or "") if g is None else Figure(g.spread_k, g.u_k)


def _noted(record: CookRecord, kind: str, origin: Origin) -> Figure:
    some = [n.at_ms / 1000 for n in record.notes if n.kind == kind]
    if not some:
        return Figure(None, None, f"no note of {kind}")
    return Figure((min(some) - origin.t) / HOUR_S, sqrt(NOTED_S**2 + origin.u_s**2) / HOUR_S)


def _score(piece: PieceRecord, aspect: str, facts: Mapping[str, float]) -> Figure:
    """Its mean over the tasters; how far they are apart is pooled with the allowance that trials pool theirs with."""
    by_taster: dict[str, list[float]] = {}
    for s in piece.scores:
        if s.aspect == aspect:
            by_taster.setdefault(s.taster, []).append(s.value)
    if aspect not in facts:
        return Figure(None, None, "not scored")
    means = np.array([float(np.mean(values)) for values in by_taster.values()])
    squares = float(np.square(means - means.mean()).sum())
    scatter = sqrt((ALLOWANCE_DOF * OUTCOME[aspect].usual ** 2 + squares) / (ALLOWANCE_DOF + means.size - 1))
    return Figure(facts[aspect], scatter / sqrt(means.size))
