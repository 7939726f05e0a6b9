"""The phases of a cook, and how evenly it cooked in each: before, in and after the stall; wrapped; hold.

Stalls belong to places; the cook stalls while any of its places does. ``before``, ``stall``, ``between`` and ``after``
follow on each other up to ``hold``, which begins with the first note of a pull or a hold. ``wrapped`` runs beside them,
from a note of wrap, boat or pan to one of unwrap, or to the hold.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from pitscribe.cook.evenness import LIMIT_K
from pitscribe.cook.grid import CELL_S, Cells, FloatArray, Grid
from pitscribe.cook.noted import COVERS, UNWRAP, Told, act_of
from pitscribe.cook.plain import iso, number
from pitscribe.cook.table import Table

OFF = ("pull", "hold")
JOIN_S = 1800.0  # places do not stall by the minute: a break no longer than this is none
EDGE_MIN = 10  # the spread at a phase's begin and end is the mean of so many known minutes


class Stalled(Protocol):
    """What is used of a stall: from when to when (UTC s); None while it lasts."""

    @property
    def begin(self) -> float: ...

    @property
    def end(self) -> float | None: ...


@dataclass(frozen=True, slots=True)
class Phase:
    """One phase and the spread in it; times in UTC s, ``end`` None while it lasts; None where ``why_not`` says why."""

    kind: str  # "before", "stall", "between", "after", "wrapped", "hold"
    begin: float
    end: float | None
    hours_known: float  # hours with at least two good places
    mean_k: float | None  # mean spread [K]
    mean_u_k: float | None  # its standard uncertainty: the probes' errors do not average out over time
    greatest_k: float | None
    first_k: float | None  # spread at its begin
    last_k: float | None  # at its end, or now
    degree_hours_above: float | None  # K h above the limit
    leader: str | None  # hottest in most of the minutes
    laggard: str | None
    why_not: str | None

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "kind": self.kind, "begin": iso(self.begin), "end": iso(self.end), "hours_known": number(self.hours_known),
            "mean_k": number(self.mean_k), "mean_u_k": number(self.mean_u_k), "greatest_k": number(self.greatest_k),
            "first_k": number(self.first_k), "last_k": number(self.last_k),
            "degree_hours_above": number(self.degree_hours_above), "leader": self.leader, "laggard": self.laggard,
            "why_not": self.why_not,
        }


def phases_of(
    stalls: Sequence[Stalled], notes: Sequence[Told], grid: Grid, places: Mapping[str, Cells], *,
    limit_k: float = LIMIT_K, common_k: float = 0.0,
) -> tuple[Phase, ...]:
    """The phases so far in order of their begin, each with its evenness.

    stalls : of all meat places, in any order;  places : cells of each meat place, by name
    limit_k, common_k : see ``evenness``
    """
    if not grid.n:
        return ()
    table = Table.of(places, grid, common_k) if places else None
    spread, u = table.spread() if table else (np.full(grid.n, np.nan), np.full(grid.n, np.nan))
    view = _View(table, grid, spread, u, limit_k)
    return tuple(view.phase(kind, a, b) for kind, a, b in _spans(stalls, notes, grid))


def off_at(notes: Sequence[Told]) -> float | None:
    """When the meat was first noted to be pulled or held, UTC s."""
    return min((n.at_ms / 1000 for n in notes if n.kind in OFF), default=None)


def covered(notes: Sequence[Told]) -> list[tuple[float, float | None]]:
    """When the meat was under wrap, in a boat or in a pan: (from, to), UTC s; None: still."""
    spans: list[tuple[float, float | None]] = []
    for note in sorted(notes, key=lambda n: n.at_ms):
        at, is_on = note.at_ms / 1000, bool(spans) and spans[-1][1] is None
        if note.kind in COVERS and not is_on:
            spans.append((at, None))
        elif is_on and act_of(note) in (*OFF, UNWRAP):
            spans[-1] = spans[-1][0], at
    off = off_at(notes)
    return [s for s in spans if off is None or s[0] < off]


def _spans(stalls: Sequence[Stalled], notes: Sequence[Told], grid: Grid) -> list[tuple[str, float, float | None]]:
    """(kind, begin, end) of every phase, by begin."""
    off = off_at(notes)
    at = grid.origin
    spans: list[tuple[str, float, float | None]] = []
    held = [(a, b) for a, b in _joined(stalls) if (b is None or b > at) and (off is None or a < off)]
    for i, (a, b) in enumerate(held):
        if a > at:
            spans.append(("before" if i == 0 else "between", at, a))
        end = off if b is None else b if off is None else min(b, off)
        spans.append(("stall", max(a, at), end))
        at = end if end is not None else float("inf")
    if at < (float("inf") if off is None else off):
        spans.append(("after" if held else "before", at, off))
    if off is not None:
        spans.append(("hold", off, None))
    spans += [("wrapped", a, b) for a, b in covered(notes)]
    now = grid.end(grid.n - 1)
    return sorted((s for s in spans if s[1] < now), key=lambda s: s[1])


def _joined(stalls: Sequence[Stalled]) -> list[tuple[float, float | None]]:
    """When any place stalled; breaks up to ``JOIN_S`` are bridged."""
    out: list[tuple[float, float | None]] = []
    for stall in sorted(stalls, key=lambda s: s.begin):
        last = out[-1][1] if out else None
        if out and (last is None or stall.begin <= last + JOIN_S):
            out[-1] = out[-1][0], None if last is None or stall.end is None else max(last, stall.end)
        else:
            out.append((stall.begin, stall.end))
    return out


@dataclass(frozen=True, slots=True)
class _View:
    table: Table | None
    grid: Grid
    spread: FloatArray
    u: FloatArray
    limit_k: float

    def phase(self, kind: str, begin: float, end: float | None) -> Phase:
        """One phase, with what the minutes in it say."""
        n = self.grid.n
        a, b = (max(0, self.grid.cell(t)) for t in (begin, self.grid.end(n - 1) if end is None else end))
        inside = slice(min(a, n), min(b, n))
        known = np.flatnonzero(np.isfinite(self.spread[inside])) + inside.start
        if self.table is None or not known.size:
            why = "fewer than two meat places were good" if b > a else "less than a minute"
            nothing = None, None, None, None, None, None, None, None
            return Phase(kind, begin, end, 0.0, *nothing, why)
        spread = self.spread[known]
        over = np.maximum(spread - self.limit_k, 0.0)
        often = (int(np.bincount(who[known]).argmax()) for who in (self.table.top, self.table.low))
        leader, laggard = (self.table.names[row] for row in often)
        return Phase(
            kind, begin, end, known.size * CELL_S / 3600, float(spread.mean()), float(self.u[known].mean()),
            float(spread.max()), float(spread[:EDGE_MIN].mean()), float(spread[-EDGE_MIN:].mean()),
            float(over.sum() * CELL_S / 3600), leader, laggard, None,
        )
