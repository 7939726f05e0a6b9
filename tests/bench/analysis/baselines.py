"""Four simple forecasts of the finish, each as a distribution: what a good forecast must beat.

linear       from the slope of the last 30 min
newton       the approach to the pit: the pace of the last 30 min over the drive stays as it is
climatology  of the other cooks: how long they took, of those that took longer than this one has by now
persistence  the forecast that was made at the mark before stands

Linear and Newton have a spread of their own: 10, 50 and 90 % of how far they were off (ratio of true to told time to
go) on the split "tune", by how far they believed the cook to be. So they are also corrected for their usual error.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pitscribe.cook.grid import cells_of, grid_of
from pitscribe.cook.pit import pit_course
from pitscribe.cook.rates import line_rates
from pitscribe.series import CookRecord

from .truth import Array

MOST_S = 48 * 3600.0
ASSUMED_PIT_C = 121.1
WINDOW_MIN = 30
PROGRESS = (0.0, 0.3, 0.45, 0.6, 0.75, 0.88, 1.01)  # edges of the believed share of the whole time
FEWEST = 12  # residuals in a bin; else those of all bins


class Quantiles(NamedTuple):
    """A distribution by three of its quantiles [UTC s]."""

    p10: float
    p50: float
    p90: float


class ToGo(NamedTuple):
    """What linear and Newton tell of the time to go [s]."""

    linear: float
    newton: float


def to_go(record: CookRecord, target_c: float) -> dict[str, ToGo]:
    """Times to go of each meat place that has a slope, from the record so far; ``MOST_S`` where it never gets there."""
    grid = grid_of(record.places)
    pit = pit_course([cells_of(s, grid) for s in record.air], grid.n)
    recent = pit[-60:][np.isfinite(pit[-60:])]
    pit_c = float(recent.mean()) if recent.size else ASSUMED_PIT_C
    out = {}
    for s in record.meat:
        cells = cells_of(s, grid).known()
        y = cells.celsius[np.isfinite(cells.celsius)]
        if y.size < WINDOW_MIN:
            continue
        slope = line_rates(cells, WINDOW_MIN)[0]
        known = slope[np.isfinite(slope)]
        if known.size:
            out[s.place] = _go(float(y[-5:].mean()), float(known[-1]), pit_c, target_c)
    return out


def _go(celsius: float, k_h: float, pit_c: float, target_c: float) -> ToGo:
    if celsius >= target_c:
        return ToGo(60.0, 60.0)
    linear = MOST_S if k_h <= 0 else min(MOST_S, 3600 * (target_c - celsius) / k_h)
    drive = pit_c - celsius
    if k_h <= 0 or pit_c <= target_c or drive <= 0:
        return ToGo(linear, MOST_S)
    return ToGo(linear, min(MOST_S, 3600 * drive / k_h * float(np.log(drive / (pit_c - target_c)))))


@dataclass(frozen=True)
class Residuals:
    """Log ratios of true to told time to go by believed progress: quantiles 10, 50, 90 % of each bin."""

    quantiles: tuple[tuple[float, float, float], ...]

    @staticmethod
    def of(elapsed: Array, told: Array, true: Array) -> "Residuals":
        """From many looks [s]; (n,) each."""
        ratio = np.log(np.maximum(true, 60.0) / np.maximum(told, 60.0))
        bins = np.digitize(elapsed / (elapsed + told), PROGRESS) - 1
        rows = []
        for b in range(len(PROGRESS) - 1):
            mine = ratio[bins == b]
            low, middle, high = np.quantile(mine if mine.size >= FEWEST else ratio, (0.1, 0.5, 0.9)).tolist()
            rows.append((low, middle, high))
        return Residuals(tuple(rows))

    def spread(self, now: float, elapsed: float, told: float) -> Quantiles:
        """The distribution of the finish from a told time to go."""
        b = int(np.digitize(elapsed / (elapsed + told), PROGRESS)) - 1
        low, middle, high = (now + max(told, 60.0) * float(np.exp(q)) for q in self.quantiles[b])
        return Quantiles(low, middle, high)


def climatology(others_s: Sequence[float], began: float, elapsed: float) -> Quantiles:
    """From how long the others took [s]: those that took longer than ``elapsed``, or a fifth more if none did."""
    longer = np.array([x for x in others_s if x > elapsed])
    if longer.size < 3:
        return Quantiles(*(began + elapsed * f for f in (1.03, 1.2, 1.6)))
    low, middle, high = np.quantile(longer, (0.1, 0.5, 0.9)).tolist()
    return Quantiles(began + low, began + middle, began + high)


def persistence(before: Quantiles, now: float) -> Quantiles:
    """What was told before; what is past by now is now."""
    return Quantiles(*(max(q, now) for q in before))


def slowest(told: Mapping[str, ToGo]) -> ToGo:
    """Of the coldest, that is the last place."""
    return ToGo(max(x.linear for x in told.values()), max(x.newton for x in told.values()))
