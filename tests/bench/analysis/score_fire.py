"""Fire: fades that were warned of in time, and warnings that nothing came of.

A fade is warned of if "fading" or "out" is noticed after it began (or up to 30 min before: a fire may look poor before
it starves) and at least 15 min before the air is 25 degF under the band. Where physics leaves less than 15 min from
the band to there, it is told apart. A fade that no probe saw (no air place, a gap) does not count. A warning is false
if the fire was neither dying nor more than half of that under its band within the next 90 min.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from pitscribe.cook.grid import cells_of, grid_of

from .sensing import T0
from .truth import BenchCook, Fade

AHEAD_S = 900.0
ROOMY_MIN = 20.0  # who has so long may look, and look again
EARLY_S = 1800.0
SAME_S = 3600.0


@dataclass
class FireScore:
    """Counts over many cooks."""

    fades: int = 0  # that left time to warn of them
    warned: int = 0
    roomy: int = 0  # of them, those that left ROOMY_MIN or more from the band to trouble
    roomy_warned: int = 0
    fast: int = 0  # that physics made too fast
    fast_said: int = 0  # said before the air was 25 degF under the band
    unseen: int = 0
    false: int = 0
    hours: float = 0.0
    cooks: int = 0
    ahead_min: list[float] = field(default_factory=list)
    misses: list[str] = field(default_factory=list)

    @property
    def share(self) -> float:
        return self.warned / max(1, self.fades)

    @property
    def false_per_24_h(self) -> float:
        return 24 * self.false / max(1.0, self.hours)

    def add(self, cook: BenchCook, warnings: Sequence[float]) -> None:
        """Add one cook; ``warnings``: when each was noticed [UTC s]."""
        fire = cook.truth.fire
        self.cooks += 1
        end = min(fire.until, T0 + 3600 * cook.truth.hours)
        self.hours += (end - T0) / 3600
        for fade in fire.fades:
            self._fade(cook, fade, warnings)
        last = -np.inf
        for at in warnings:
            if at < end and not any(a <= at <= b for a, b in fire.troubled):
                self.false += at - last > SAME_S  # "fading" and then "out" are one warning
                last = at
                self.misses.append(f"{cook.name}: false {(at - T0) / 3600:.1f} h")

    def _fade(self, cook: BenchCook, fade: Fade, warnings: Sequence[float]) -> None:
        leaves = fade.leaves_min
        if fade.under is None or leaves is None:
            return
        if not _seen(cook, fade.under - 2 * AHEAD_S, fade.under - AHEAD_S):
            self.unseen += 1
            return
        said = [w for w in warnings if fade.begin - EARLY_S <= w <= fade.under]
        if leaves < AHEAD_S / 60:
            self.fast += 1
            self.fast_said += bool(said)
            return
        self.fades += 1
        if said:
            self.ahead_min.append((fade.under - said[0]) / 60)
        roomy, in_time = leaves >= ROOMY_MIN, bool(said) and said[0] <= fade.under - AHEAD_S
        self.roomy += roomy
        self.roomy_warned += roomy and in_time
        if in_time:
            self.warned += 1
        else:
            late = f"{(fade.under - said[0]) / 60:.0f} min ahead" if said else "not at all"
            self.misses.append(f"{cook.name}: under at {(fade.under - T0) / 3600:.1f} h, {leaves:.0f} min left: {late}")


def _seen(cook: BenchCook, a: float, b: float) -> bool:
    return any(int((s.good() & (s.t >= a) & (s.t < b)).sum()) >= 5 for s in cook.record.air)


def ours(cook: BenchCook) -> list[float]:
    """When the analysis noticed that the fire fades or is out [UTC s]; the band is told where it never changes."""
    from pitscribe.cook.fire import fire_of

    record, bands = cook.record, cook.truth.fire.band
    grid = grid_of(record.places)
    band = (bands[0][1], bands[0][2]) if len(bands) == 1 else None
    said = fire_of([(s.place, cells_of(s, grid)) for s in record.air], record.notes, grid, band)
    return sorted(e.noticed for e in said.events if e.kind in ("fading", "out"))


def score(held: Iterable[BenchCook], say: Callable[[BenchCook], Sequence[float]] = ours) -> FireScore:
    """The score over cooks that have an air place."""
    total = FireScore()
    for cook in held:
        if cook.record.air:
            total.add(cook, say(cook))
    return total


def ahead(total: FireScore) -> float:
    """Median of how long before, of those that were said [min]."""
    return float(np.median(total.ahead_min)) if total.ahead_min else float("nan")
