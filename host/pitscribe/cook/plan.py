"""What if: wrap now, run the pit at another level, be done by a time; and, before a cook, when to start for the table.

Caution: meat that is done before its time is held at 60 degC (140 degF) or more (SOURCES.md section 7), in a closed
holder, and what comes off a smoker is hot; where it may not be held, start later and take the greater risk.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from pitscribe.cook.analysis import check_target
from pitscribe.cook.conditioning import Learned
from pitscribe.cook.cook_on import AS_IT_IS, HORIZON_H, Plan, cook_on, first_reach
from pitscribe.cook.ensemble import Ensemble
from pitscribe.cook.forecast import Forecast, foretell
from pitscribe.cook.grid import Cells, FloatArray, Grid
from pitscribe.cook.plain import iso, number, span
from pitscribe.errors import ReadingError

PIT_C = (70.0, 200.0)  # levels that a smoker is planned at
THICK_MM = (10.0, 250.0)
WEIGHT_KG = (0.2, 15.0)
START_C = (-2.0, 30.0)
MEASURED_SD = 0.10  # of the logarithm of the half thickness: a joint is thicker here than there
WEIGHED_SD = 0.25  # weight says less of thickness than a ruler
# Half the thickness of a piece by its weight, for pieces of one shape: a whole brisket of 5.5 kg is some 70 mm thick
# (common practice, no source).
HALF_M_PER_ROOT_KG = 0.035 / 5.5 ** (1 / 3)
ROUND_S = 900.0
LOWER: Literal["inverted_cdf"] = "inverted_cdf"  # an infinite time is not averaged with a finite one
WRAP_C = 74.0  # the cooler end of where it is done (common practice, no source)
CHANCE = 0.8  # usual chance to be done in time


@dataclass(frozen=True, slots=True)
class Joint:
    """A piece before it is cooked. thickness_mm at its thickest, or else weight_kg; start_c: its own temperature."""

    thickness_mm: float | None = None
    weight_kg: float | None = None
    start_c: float = 4.0


@dataclass(frozen=True, slots=True)
class Planned:
    """When to start so that it is done in time. Times in UTC s; None: ``why_not`` says why.

    start_at : when the meat goes on a pit that is hot;  takes_s : quantiles 10, 50, 90 % of how long it cooks (None:
    over 48 h);  chance : asked for;  holds_s : how long it probably waits for the table, besides the rest (10, 90 %)
    """

    serve_at: float
    start_at: float | None
    takes_s: tuple[float | None, float | None, float | None]
    chance: float
    rest_s: float
    holds_s: tuple[float, float] | None
    why_not: str | None
    caution: str | None

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "serve_at": iso(self.serve_at), "start_at": iso(self.start_at),
            "takes_s": [number(x) for x in self.takes_s],
            "chance": number(self.chance), "rest_s": number(self.rest_s),
            "holds_s": None if self.holds_s is None else [number(x) for x in self.holds_s],
            "why_not": self.why_not, "caution": self.caution,
        }


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What a plan makes of the present cook: the forecast of the coldest place, and the chance to be done by a time."""

    plan: Plan
    forecast: Forecast
    chance: float | None  # None: no time was asked for, or nothing can be said


def start_for(
    joint: Joint, target_c: float, pit_c: float, serve_at: float, *, rest_s: float = 3600.0, chance: float = CHANCE,
    wrap: bool | None = None,
) -> Planned:
    """Backwards from the table: when to start so that the piece is at its target, and rested, in time.

    target_c : inside [degC];  pit_c : the pit's level [degC];  serve_at : UTC s;  chance : to be done in time, of 1
    wrap : True: wrapped in the stall, False: never, None: as cooks do
    Raises ReadingError for values that make no cook.
    """
    check_target(target_c)
    _check_plan(joint, pit_c, rest_s, chance)
    if pit_c <= target_c:
        nothing = (None, None, None)
        return Planned(serve_at, None, nothing, chance, rest_s, None, "the pit is no hotter than the target", None)
    takes = durations(joint, target_c, pit_c, wrap=wrap)
    low, middle, late, need = (_finite(float(q)) for q in np.quantile(takes, (0.1, 0.5, 0.9, chance), method=LOWER))
    known = low, middle, late
    if need is None:
        why = f"at that chance it is not there within {HORIZON_H:.0f} h: a hotter pit, or a wrap, would be"
        return Planned(serve_at, None, known, chance, rest_s, None, why, None)
    start = float(np.floor((serve_at - rest_s - need) / ROUND_S) * ROUND_S)
    spare = serve_at - rest_s - start
    holds = max(0.0, spare - (late or HORIZON_H * 3600)), max(0.0, spare - (low or 0.0))
    caution = None
    if holds[1] > ROUND_S:
        caution = f"it may be done {span(holds[1])} early: hold it at 60 degC (140 degF) or more until then"
    return Planned(serve_at, start, known, chance, rest_s, holds, None, caution)


def durations(joint: Joint, target_c: float, pit_c: float, *, wrap: bool | None = None) -> FloatArray:
    """How long such a piece takes to its target, from priors alone: (members,) ascending, s; inf: over 48 h."""
    ensemble = Ensemble(1)
    half = _half(joint)
    if half is not None:
        ensemble.thick(*half)
    ensemble.begin(0, joint.start_c, pit_c)
    known = Learned(
        names=("joint",), ensemble=ensemble, pit=np.full(30, pit_c), began=0.0, now=0.0, covered=False, pulled=False,
        silent_min={}, minutes={}, late_min={}, u={}, rests_min={},
    )
    plan = Plan(pit_c, wrap=False if wrap is False else None, wrap_c=WRAP_C if wrap else None)
    run = cook_on(known, target_c, plan)
    takes: FloatArray = np.sort(first_reach(run, np.full(run.start.shape, target_c))[0])
    return takes


def what_ifs(
    known: Learned, places: Mapping[str, Cells], target_c: float, grid: Grid, plans: Sequence[Plan], *,
    by: float | None = None,
) -> tuple[WhatIf, ...]:
    """The present cook under several plans, the present course first; all from the same members and gusts.

    by : UTC s, a time by which all meat places should be there
    """
    check_target(target_c)
    for plan in plans:
        _check_pit(plan.pit_c)
    out = []
    for plan in (AS_IT_IS, *plans):
        forecast = foretell(known, places, [target_c], grid, plan)[-1]
        out.append(WhatIf(plan, forecast, _chance(forecast, by)))
    return tuple(out)


def _chance(forecast: Forecast, by: float | None) -> float | None:
    """The chance to be there by a time, off the forecast's quantiles: no finer than a twentieth."""
    if by is None or (forecast.p10 is None and not forecast.reached):
        return None
    if forecast.reached:
        return 1.0 if by >= (forecast.p50 or by) else 0.0
    horizon = forecast.made + HORIZON_H * 3600
    t = [forecast.made, *(horizon if q is None else q for q in (forecast.p10, forecast.p50, forecast.p90))]
    at = float(np.interp(by, [*t, max(horizon, t[-1] + 1)], [0.0, 0.1, 0.5, 0.9, 0.95]))
    return round(at * 20) / 20


def _half(joint: Joint) -> tuple[float, float] | None:
    """(half thickness [m], standard deviation of its logarithm) of a piece; None: nothing is known of it."""
    if joint.thickness_mm is not None:
        return joint.thickness_mm / 2000, MEASURED_SD
    if joint.weight_kg is not None:
        return float(HALF_M_PER_ROOT_KG * joint.weight_kg ** (1 / 3)), WEIGHED_SD
    return None


def _check_plan(joint: Joint, pit_c: float, rest_s: float, chance: float) -> None:
    _check_pit(pit_c)
    for value, (low, high), what, unit in (
        (joint.thickness_mm, THICK_MM, "thickness", "mm"), (joint.weight_kg, WEIGHT_KG, "weight", "kg"),
        (joint.start_c, START_C, "temperature of the meat at the start", "degC"),
        (rest_s, (0.0, 86_400.0), "rest", "s"), (chance, (0.05, 0.95), "chance", "of 1"),
    ):
        if value is not None and not low <= value <= high:
            raise ReadingError(f"{what} {value:g} {unit}: give {low:g} to {high:g}")


def _check_pit(pit_c: float | None) -> None:
    low, high = PIT_C
    if pit_c is not None and not low <= pit_c <= high:
        raise ReadingError(f"pit {pit_c:g} degC: give {low:g} to {high:g} degC for the level of a pit")


def _finite(x: float) -> float | None:
    return x if np.isfinite(x) and x <= HORIZON_H * 3600 else None

