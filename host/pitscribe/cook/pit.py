"""The pit: which air place speaks for it. The one definition that answers, page and stall share.

The pit is the first air place, in the order of placements, that has a value: whoever sets up a cook names the place
beside the meat first. When that one falls silent the next one speaks, and it is said so.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from pitscribe.cook.grid import CELL_S, Cells, FloatArray, trailing
from pitscribe.cook.plain import number
from pitscribe.cook.rates import line_rates

PIT_MIN = 30  # over which the pit's level, swing and slope are taken
LEAST_MIN = 10  # for a slope
STEADY_K_H = 12.0  # a pit that drifts by less than 2 K in ten minutes is steady: splits alone swing it by more
UNCLEAR_K_H = 40.0  # a slope known no better than this (k = 2) may as well be none: a lid was open, or a fire was lit


class AirNow(NamedTuple):
    """An air place: its name, its present value (None: it has none) and its minutes."""

    place: str
    celsius: float | None
    cells: Cells


@dataclass(frozen=True, slots=True)
class PitNow:
    """The air place that speaks for the pit, and how it did over the last ``PIT_MIN`` minutes (None: too few good)."""

    place: str
    celsius: float  # present value [degC]
    why_this: str | None  # why it is not the first air place; None: it is
    level_c: float | None  # mean of the minutes [degC]
    swing_k: float | None  # middle 90 % of the minutes, from top to bottom [K]
    slope_k_h: float | None
    slope_u_k_h: float | None
    direction: str | None  # "rising", "falling", "steady"; None: ``why_no_direction`` says why
    why_no_direction: str | None

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "place": self.place,
            "celsius": number(self.celsius),
            "why_this": self.why_this,
            "level_c": number(self.level_c),
            "swing_k": number(self.swing_k),
            "slope_k_h": number(self.slope_k_h),
            "slope_u_k_h": number(self.slope_u_k_h),
            "direction": self.direction,
            "why_no_direction": self.why_no_direction,
        }


def pit_now(air: Sequence[AirNow]) -> PitNow | None:
    """The pit at present, from the air places in the order of placements; None if none has a present value."""
    silent = []
    for one in air:
        if one.celsius is None:
            silent.append(one.place)
            continue
        have = "has" if len(silent) == 1 else "have"
        why = f"{' and '.join(silent)} {have} no value: {one.place} is shown" if silent else None
        # Its newest minutes may not have come yet: it has a present value, so what there is speaks.
        recent = recent_of(one.cells.known())
        return PitNow(one.place, one.celsius, why, *recent, *_direction(recent.slope_k_h, recent.slope_u_k_h))
    return None


class Recent(NamedTuple):
    """How air was over the last ``PIT_MIN`` minutes; None where there are too few good ones."""

    level_c: float | None  # mean [degC]
    swing_k: float | None  # middle 90 %, from top to bottom [K]
    slope_k_h: float | None
    slope_u_k_h: float | None  # standard uncertainty


def recent_of(cells: Cells) -> Recent:
    """The last minutes of some cells: level and swing of 3 good ones or more, a slope of ``LEAST_MIN``."""
    tail = Cells(cells.celsius[-PIT_MIN:], cells.u[-PIT_MIN:], cells.step[-PIT_MIN:])
    good = tail.celsius[np.isfinite(tail.celsius)]
    if good.size < 3:
        return Recent(None, None, None, None)
    low, high = np.percentile(good, [5, 95])
    level, swing, minutes = float(good.mean()), float(high - low), tail.celsius.size
    if minutes < LEAST_MIN:
        return Recent(level, swing, None, None)
    slope, u = (float(line[-1]) for line in line_rates(tail, minutes))
    return Recent(level, swing, slope, u) if np.isfinite(slope) else Recent(level, swing, None, None)


def _direction(slope: float | None, u: float | None) -> tuple[str | None, str | None]:
    """(direction, why there is none) by the slope and its standard uncertainty [K/h]."""
    if slope is None or u is None:
        return None, f"fewer than {LEAST_MIN} good minutes, or one and the same reading all the time"
    if abs(slope) > max(STEADY_K_H, 2 * u):
        return ("rising" if slope > 0 else "falling"), None
    if 2 * u > UNCLEAR_K_H:
        return None, "it swings too much to tell, as after an opened lid or new fuel"
    return "steady", None


def pit_course(air: Sequence[Cells], n: int) -> FloatArray:
    """The pit in each minute, by the same rule at that minute: float64 (n,) degC, NaN where it is silent.

    A place speaks on through ``Cells.dead_s`` without a good minute: the pit does not hop between places over each gap.
    """
    pit = np.full(n, np.nan)
    if not n:
        return pit
    free = np.ones(n, dtype=bool)
    for cells in air:
        alive = np.isfinite(trailing(cells.celsius, int(cells.dead_s / CELL_S))).any(axis=1)
        speaks = alive & free
        pit[speaks] = cells.celsius[speaks]
        free &= ~alive
    return pit
