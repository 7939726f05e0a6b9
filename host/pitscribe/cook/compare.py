"""Before against after: by how much something differs from what would have been, and how well that is known.

Whatever is done to the meat at one time, its course would have changed somewhat by itself as well. So a course before
is carried on (its trend relaxing, as gradients in meat do) and set against what came. How far such a carrying-on goes
wrong *when nobody does anything* is measured: the same comparison is made at every quiet minute of this cook before,
and the scatter of those is the uncertainty. Early in a cook there are few of them, so they start from a prior: misses
on synthetic cooks (tests/host/cook_variants.py, one seed), and weigh as many quiet stretches as there were.

Everything said of minute k for a horizon h is known at minute k + h, and never changes after.
"""

from dataclasses import dataclass
from math import isfinite, sqrt
from typing import NamedTuple

import numpy as np

from pitscribe.cook.drive import SLOW_MIN, USUAL_MIN
from pitscribe.cook.grid import FloatArray
from pitscribe.cook.lines import BoolArray, lines, mean
from pitscribe.cook.plain import number
from pitscribe.metrology.coverage import student_95

BEFORE_MIN = 20  # the course before is taken from so many minutes
GUARD_MIN = 4  # people note a thing while or after they do it: the minutes just before are left out (our allowance)
LEVEL_MIN = 10  # a level afterwards is the mean of so many minutes


class Prior(NamedTuple):
    """How far a carrying-on usually goes wrong: ``base`` (K or K/h) and a ``share`` of the change that it foresees.

    weight : how many quiet stretches of this cook the prior is worth
    """

    base: float
    share: float
    weight: float


@dataclass(frozen=True, slots=True)
class Change:
    """What differs, and from what. K, or K/h for a rate."""

    before: float
    expected: float  # what would have been without it
    after: float
    u: float  # standard uncertainty of ``effect``
    k: float  # by which u is to be multiplied for 95 %

    @property
    def effect(self) -> float:
        """What it did: after less expected."""
        return self.after - self.expected

    @property
    def u95(self) -> float:
        """Half width of the interval that holds 95 %."""
        return self.k * self.u

    @property
    def told(self) -> bool:
        """Whether there is an effect that can be told from none."""
        return abs(self.effect) > self.u95

    def as_json(self) -> dict[str, float | bool | None]:
        """As plain values."""
        return {
            "before": number(self.before), "expected": number(self.expected), "after": number(self.after),
            "effect": number(self.effect), "u": number(self.u), "u95": number(self.u95), "told": self.told,
        }


@dataclass(frozen=True, slots=True)
class Compared:
    """A course, compared at every minute over one horizon: float64 (n,), NaN where it cannot be."""

    horizon: int  # minutes
    before: FloatArray
    expected: FloatArray
    after: FloatArray
    scale: FloatArray  # standard uncertainty of after - expected by the prior
    misses: FloatArray  # |after - expected| / scale where nothing was done, NaN elsewhere
    weight: float

    def change(self, k: int, extra_u: float = 0.0) -> Change | None:
        """What differs over the horizon after minute ``k``; None where too few minutes are good.

        extra_u : a contribution to its standard uncertainty that quiet minutes do not show
        """
        before, expected, after, scale = (float(a[k]) for a in (self.before, self.expected, self.after, self.scale))
        if not isfinite(before + expected + after + scale):
            return None
        # Quiet minutes whose own horizon was over before this began, of as long as it takes for a usual to change.
        last = max(0, k - GUARD_MIN - self.horizon)
        misses = self.misses[max(0, last - USUAL_MIN) : last]
        misses = misses[np.isfinite(misses)]
        stretches = misses.size / self.horizon
        dof = self.weight + stretches
        # A median of magnitudes is 0.6745 standard deviations (normal distribution); kinks do not blow it up.
        middle = misses.size // 2
        usual = float(np.partition(misses, middle)[middle]) / 0.6745 if misses.size else 0.0
        variance = scale**2 * (self.weight + stretches * usual**2) / dof
        u2 = variance + extra_u**2
        # Welch-Satterthwaite (GUM G.2b): ``extra_u`` is a stated limit, known for sure.
        factor = float(student_95(np.array([dof * (u2 / variance) ** 2]))[0])
        return Change(before, expected, after, sqrt(u2), factor)


# By horizon, 15 and 45 min: what Student's t makes of the misses of these very carryings-on in 48 synthetic cooks
# without acts (their middle and their 95 % point).
SPREAD_PRIOR = {15: Prior(0.55, 0.45, 2.0), 45: Prior(1.35, 0.45, 2.0)}
RATE_PRIOR = {15: Prior(1.8, 0.3, 4.0), 45: Prior(1.6, 0.3, 4.0)}
PIT_PRIOR = {15: Prior(5.5, 0.0, 1.0), 45: Prior(4.0, 0.0, 1.0)}  # an offset's; electric ones soon show they are calmer


def of_level(y: FloatArray, step: FloatArray, horizon: int, quiet: BoolArray) -> Compared:
    """A level that drifts: its trend is carried on and relaxes with the meat's own time (``SLOW_MIN``).

    y : float64 (n,) [K], never below 0;  step : (n,), how finely it moves [K]
    quiet : (n,), minutes with nothing done from the course before to the horizon
    """
    prior = SPREAD_PRIOR[horizon]
    line = lines(y, BEFORE_MIN, step)
    ahead_h = (horizon - LEVEL_MIN / 2 + GUARD_MIN) / 60
    relaxed_h = SLOW_MIN / 60 * (1 - np.exp(-ahead_h * 60 / SLOW_MIN))
    before, slope = _earlier(line.level), _earlier(line.slope)
    moves = slope * relaxed_h
    noise = np.square(_earlier(line.u_level)) + np.square(_earlier(line.u_slope) * relaxed_h)
    scale = np.sqrt(prior.base**2 + np.square(prior.share * moves) + noise)
    after = _later(mean(y, LEVEL_MIN), horizon)
    return _compared(horizon, (before, np.maximum(before + moves, 0.0), after, scale), quiet, prior)


def of_rate(y: FloatArray, step: FloatArray, horizon: int, quiet: BoolArray) -> Compared:
    """The rate of a place [K/h]: it is expected to stay. ``y`` : float64 (n,) degC."""
    prior = RATE_PRIOR[horizon]
    first, then = lines(y, BEFORE_MIN, step), lines(y, _after_min(horizon), step)
    before = _earlier(first.slope)
    after, u_after = _later(then.slope, horizon), _later(then.u_slope, horizon)
    noise = np.square(_earlier(first.u_slope)) + np.square(u_after)
    scale = np.sqrt(prior.base**2 + np.square(prior.share * before) + noise)
    return _compared(horizon, (before, before, after, scale), quiet, prior)


def of_pit(y: FloatArray, horizon: int, quiet: BoolArray) -> Compared:
    """The level of the pit, which is expected to stay: its trends are halves of swings. ``y`` : (n,) degC."""
    prior = PIT_PRIOR[horizon]
    before = _earlier(mean(y, BEFORE_MIN))
    after = _later(mean(y, _after_min(horizon)), horizon)
    return _compared(horizon, (before, before, after, np.full(y.size, prior.base)), quiet, prior)


def _compared(
    horizon: int, figures: tuple[FloatArray, FloatArray, FloatArray, FloatArray], quiet: BoolArray, prior: Prior
) -> Compared:
    _, expected, after, scale = figures
    return Compared(horizon, *figures, np.where(quiet, np.abs(after - expected) / scale, np.nan), prior.weight)


def _after_min(horizon: int) -> int:
    """Over how many of the last minutes of a horizon a rate or the pit is taken."""
    return horizon - GUARD_MIN if horizon <= BEFORE_MIN else horizon * 2 // 3


def _earlier(a: FloatArray) -> FloatArray:
    return np.concatenate((np.full(GUARD_MIN, np.nan), a))[: a.size]


def _later(a: FloatArray, horizon: int) -> FloatArray:
    return np.concatenate((a[horizon:], np.full(min(horizon, a.size), np.nan)))
