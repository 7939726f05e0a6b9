"""What the fire is doing: band, level, swing, time in band, events, the rhythm of its fuel, and a warning to act on.

From the air places in the order of placements (``pit``), the notes and, if it has one, the cook's band. Everything is
a function of the minutes so far; an event that was noticed is never taken back (its end may come).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pitscribe.cook.fire_course import Course, course_of
from pitscribe.cook.fire_event import FireEvent
from pitscribe.cook.fire_events import Walk
from pitscribe.cook.fire_gradient import Gradient, gradients_of
from pitscribe.cook.fire_usual import LEAST_MIN, USUAL_MIN
from pitscribe.cook.grid import CELL_S, Cells, FloatArray, Grid
from pitscribe.cook.noted import Noted
from pitscribe.cook.pit import Recent, recent_of
from pitscribe.cook.plain import iso, number
from pitscribe.cook.rhythm import Rhythm, rhythm_of


@dataclass(frozen=True, slots=True)
class Band:
    """The band [degC] that the fire is judged by, and why this one."""

    low_c: float
    high_c: float
    given: bool
    why: str

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {"low_c": number(self.low_c), "high_c": number(self.high_c), "given": self.given, "why": self.why}


@dataclass(frozen=True, slots=True)
class FireWarning:
    """What wants somebody at the fire. Times in UTC s.

    kind : "fading" or "out";  since : noticed;  trouble_c : 25 degF under the band [degC]
    about : when it gets there at the present slope; None: it is there, or does not fall now
    """

    kind: str
    since: float
    trouble_c: float
    about: float | None
    probability: float
    caution: str

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "kind": self.kind, "since": iso(self.since), "trouble_c": number(self.trouble_c),
            "about": iso(self.about), "probability": number(self.probability), "caution": self.caution,
        }


@dataclass(frozen=True, slots=True)
class Fire:
    """The fire at the newest minute. Fields are None where ``why_not`` says why; degC, K, UTC s.

    state : "well", "fading", "out", "not up yet", "over", "unknown"
    level_c, swing_k, slope_k_h : mean, middle 90 %, slope of the last half hour
    in_band_s, below_s, above_s : time from when the fire was up until the meat was pulled, by the band as it is now (or
    was then);  known_s : their sum
    """

    at: float | None
    state: str
    band: Band | None
    level_c: float | None
    swing_k: float | None
    slope_k_h: float | None
    slope_u_k_h: float | None
    in_band_s: float
    below_s: float
    above_s: float
    known_s: float
    warning: FireWarning | None
    events: tuple[FireEvent, ...]
    rhythm: Rhythm
    gradients: tuple[Gradient, ...]
    why_not: str | None

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "at": iso(self.at), "state": self.state, "band": self.band.as_json() if self.band else None,
            "level_c": number(self.level_c), "swing_k": number(self.swing_k), "slope_k_h": number(self.slope_k_h),
            "slope_u_k_h": number(self.slope_u_k_h), "in_band_s": number(self.in_band_s),
            "below_s": number(self.below_s), "above_s": number(self.above_s), "known_s": number(self.known_s),
            "warning": self.warning.as_json() if self.warning else None,
            "events": [e.as_json() for e in self.events], "rhythm": self.rhythm.as_json(),
            "gradients": [g.as_json() for g in self.gradients], "why_not": self.why_not,
        }


CAUTION = "hot metal and fire: gloves, and open the firebox slowly, from the side"


def fire_of(
    air: Sequence[tuple[str, Cells]], notes: Sequence[Noted], grid: Grid, band_c: tuple[float, float] | None = None
) -> Fire:
    """The fire from its air places, in the order of placements.

    air : (name, cells) of each;  notes : what people did;  band_c : (low, high) [degC] if the cook has one
    Never raises for data; a band that is no band (low >= high) is not used.
    """
    cells = [c for _, c in air]
    band_c = band_c if band_c is not None and band_c[0] < band_c[1] else None
    course = course_of(cells, grid)
    walk = Walk(course, notes, grid, band_c).walk()
    have = np.flatnonzero(np.isfinite(course.y))
    last = int(have[-1]) if have.size else -1
    band = _band(walk)
    state, why_not = _state(walk, cells, grid, last, band)
    recent = Recent(None, None, None, None)
    if state != "unknown":
        upto = slice(0, last + 1)
        recent = recent_of(Cells(course.y[upto], cells[0].u[upto], cells[0].step[upto]))
    known = _times(course.y, walk, band)
    now = grid.end(grid.n - 1) if grid.n else 0.0
    quiet = {"unknown": why_not, "out": "the fire is out", "over": walk.over}.get(state)
    return Fire(
        at=grid.end(last) if last >= 0 else None, state=state, band=band,
        level_c=recent.level_c, swing_k=recent.swing_k, slope_k_h=recent.slope_k_h, slope_u_k_h=recent.slope_u_k_h,
        in_band_s=known[1], below_s=known[0], above_s=known[2], known_s=sum(known),
        warning=_warning(walk, course, grid, last) if state in ("fading", "out") else None,
        events=tuple(walk.events), rhythm=rhythm_of(walk.fuel, walk.turns.rises, now, quiet=quiet),
        gradients=gradients_of(air), why_not=why_not,
    )


def _band(walk: Walk) -> Band | None:
    band = walk.wanted.band()
    if band is None:
        return None
    if walk.wanted.band_c is not None:
        return Band(*band, True, "as the cook was given it")
    why = f"its own usual: the median of its last {USUAL_MIN // 60} h, and 15 degF to each side as a split swings it"
    return Band(*band, False, f"{why} (or the middle 90 %, if that is more)")


def _state(
    walk: Walk, cells: Sequence[Cells], grid: Grid, last: int, band: Band | None
) -> tuple[str, str | None]:
    """(state, what cannot be said and why)."""
    if not cells:
        return "unknown", "no air place"
    if last < 0:
        return "unknown", "no air place has had a good minute"
    silent = grid.n - 1 - last
    if silent > max(c.dead_s for c in cells) / CELL_S:
        return "unknown", f"no good air sample for {silent} min"
    if walk.over:
        return "over", f"the fire is no more watched: {walk.over}"
    if walk.watch.fading is not None:
        return ("fading" if walk.watch.out is None else "out"), None
    if not walk.usual.settled:
        return "not up yet", "the fire has not come to its band yet: no fading is told"
    if band is None:
        return "well", f"fewer than {LEAST_MIN} min since it was up: its own usual, and so fading, are not known"
    return "well", None


def _times(y: FloatArray, walk: Walk, band: Band | None) -> tuple[float, float, float]:
    """Seconds (below, in, above) the band since the fire was up."""
    if band is None or walk.up_from is None:
        return 0.0, 0.0, 0.0
    z = y[walk.up_from : walk.over_from]
    below, above = int((z < band.low_c).sum()), int((z > band.high_c).sum())
    inside = int(np.isfinite(z).sum()) - below - above
    return below * CELL_S, inside * CELL_S, above * CELL_S


def _warning(walk: Walk, course: Course, grid: Grid, last: int) -> FireWarning | None:
    watch = walk.watch
    event = watch.out if watch.out is not None else watch.fading
    if event is None or watch.trouble_c is None:
        return None
    what = walk.events[event]
    there = bool(course.y[last] <= watch.trouble_c)
    about = None if there or watch.to_go_min is None else grid.end(last) + 60 * watch.to_go_min
    return FireWarning(what.kind, what.noticed, watch.trouble_c, about, what.probability, CAUTION)
