"""Stalls: what was said against what was, beside two simple rules on the same cooks.

A call counts if it overlaps a true stall and begins within 45 min of its begin; between where one may and where one
must speak of a stall (``truth``), begin is a matter of taste. A call is false if it overlaps nothing that one may call
a stall, or began more than 45 min before it. The delay is from the sure begin to ``noticed``.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from pitscribe.cook.analysis import analyse
from pitscribe.cook.grid import Cells, cells_of, grid_of
from pitscribe.cook.pit import pit_course
from pitscribe.cook.rates import line_rates
from pitscribe.series import CookRecord

from .sensing import T0
from .truth import Array, BenchCook, Spans

NEAR_S = 2700.0
ASSUMED_PIT_C = 121.1


class Call(NamedTuple):
    """One stall as somebody calls it; UTC s, end None: it lasts."""

    begin: float
    noticed: float
    end: float | None


Calls = Mapping[str, Sequence[Call]]


@dataclass
class StallScore:
    """Counts over many cooks; delays and begins in minutes from the sure begin."""

    sure: int = 0
    found: int = 0
    said: int = 0
    right: int = 0
    hours: float = 0.0
    cooks: int = 0
    delays: list[float] = field(default_factory=list)
    begins: list[float] = field(default_factory=list)
    misses: list[str] = field(default_factory=list)

    @property
    def recall(self) -> float:
        return self.found / max(1, self.sure)

    @property
    def precision(self) -> float:
        return self.right / max(1, self.said)

    @property
    def false_per_100_h(self) -> float:
        """False alarms in 100 h of a place that is watched."""
        return 100 * (self.said - self.right) / max(1.0, self.hours)

    @property
    def delay_min(self) -> float:
        return float(np.median(self.delays)) if self.delays else float("nan")

    @property
    def f1(self) -> float:
        return 2 * self.recall * self.precision / max(1e-9, self.recall + self.precision)

    def add(self, name: str, stalls: Mapping[str, Spans], hours: float, calls: Calls) -> None:
        """Add one cook: its name, the true stalls of each place, how long it was, and what was called."""
        self.cooks += 1
        for place, spans in stalls.items():
            self.hours += hours
            self._place(f"{name} {place}", spans, list(calls.get(place, ())))

    def _place(self, name: str, spans: Spans, calls: list[Call]) -> None:
        used: set[int] = set()
        for j, (a, b) in enumerate(spans.sure):
            self.sure += 1
            early = spans.since(j)
            hits = [i for i, c in enumerate(calls)
                    if c.begin < b and (c.end or np.inf) > a and early - NEAR_S <= c.begin <= a + NEAR_S]
            if hits:
                self.found += 1
                used.update(hits)
                self.delays.append((calls[hits[0]].noticed - a) / 60)
                self.begins.append((calls[hits[0]].begin - a) / 60)
            else:
                said = ", ".join(f"{(c.begin - T0) / 3600:.1f}" for c in calls) or "none"
                self.misses.append(f"{name}: missed {(a - T0) / 3600:.1f} to {(b - T0) / 3600:.1f} h (said {said})")
        for i, c in enumerate(calls):
            self.said += 1
            near = any(a - NEAR_S < c.begin < b and (c.end or np.inf) > a for a, b in spans.maybe)
            self.right += near or i in used
            if not (near or i in used):
                end = "on" if c.end is None else f"{(c.end - T0) / 3600:.1f} h"
                self.misses.append(f"{name}: false {(c.begin - T0) / 3600:.1f} to {end}")


def ours(record: CookRecord) -> Calls:
    """What the analysis says at the end; what it said before is the same (no look-ahead), so this is the replay."""
    calls: dict[str, list[Call]] = {}
    for s in analyse(record).stalls:
        calls.setdefault(s.place, []).append(Call(s.begin, s.noticed, s.end))
    return calls


@dataclass(frozen=True)
class Rule:
    """A threshold rule on a slope: called after ``persist`` minutes under, over after as many above 1.5 times it.

    normalised : the slope is divided by what the pit drives (air less place, at least 5 K) and taken as a share of its
    own best so far; else it is in K/h, and only 55 to 85 degC is looked at, where the hobby expects the stall
    """

    name: str
    normalised: bool
    under: float
    window: int = 30
    persist: int = 10

    def __call__(self, record: CookRecord) -> Calls:
        grid = grid_of(record.places)
        pit = pit_course([cells_of(s, grid) for s in record.air], grid.n)
        if not np.isfinite(pit).any():
            pit = np.full(grid.n, ASSUMED_PIT_C)
        return {s.place: self._walk(cells_of(s, grid), _held(pit), grid.ends) for s in record.meat}

    def _walk(self, cells: Cells, pit: Array, ends: Array) -> list[Call]:
        y = _held(cells.celsius)
        slope, _ = line_rates(cells, self.window)
        if self.normalised:
            pace = slope / np.maximum(pit - y, 5.0)
            best = np.fmax.accumulate(np.where(y > 15, pace, -np.inf))
            measure, live = np.where(best > 0, pace / best, np.nan), y > 45
        else:
            measure, live = slope, (y > 55) & (y < 85)
        calls: list[Call] = []
        run, held = 0, False
        for k in range(y.size):
            if np.isnan(measure[k]):
                continue
            speaks = measure[k] > 1.5 * self.under if held else bool(live[k] and measure[k] < self.under)
            run = run + 1 if speaks else 0
            if run < self.persist:
                continue
            run, held = 0, not held
            at = float(ends[k]) - 60 * (self.persist + self.window / 2)
            if held:
                calls.append(Call(at, float(ends[k]), None))
            else:
                calls[-1] = calls[-1]._replace(end=max(at, calls[-1].noticed))
        return calls


def _held(y: Array) -> Array:
    have = np.maximum.accumulate(np.where(np.isfinite(y), np.arange(y.size), -1))
    return np.where(have >= 0, y[np.maximum(have, 0)], np.nan)


CANDIDATES = {
    "slope threshold, as hobbyists do": [Rule("slope", False, u) for u in (1.5, 3.0, 4.5, 6.0, 8.0, 10.0)],
    "normalised-slope threshold": [Rule("pace", True, u) for u in (0.2, 0.3, 0.4, 0.5, 0.6)],
}


def score(held: Iterable[BenchCook], say: Callable[[CookRecord], Calls]) -> StallScore:
    """The score of one way to call stalls."""
    total = StallScore()
    for cook in held:
        total.add(cook.name, cook.truth.stalls, cook.truth.hours, say(cook.record))
    return total


def chosen(tune: Sequence[BenchCook]) -> dict[str, Rule]:
    """Of each simple rule the threshold that does best (F1) on the split "tune"."""
    return {name: max(rules, key=lambda r: score(tune, r).f1) for name, rules in CANDIDATES.items()}
