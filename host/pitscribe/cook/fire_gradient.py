"""The gradient along the grate: how two air places differ, with uncertainty; which end is hot."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pitscribe.cook.grid import CELL_S, Cells, FloatArray
from pitscribe.cook.plain import number
from pitscribe.cook.rates import line_rates

GRADIENT_MIN = 120  # over several splits
LEAST_MIN = 15
SURE = 2.0  # standard uncertainties


@dataclass(frozen=True, slots=True)
class Gradient:
    """``place`` less ``reference`` over the last two hours; None where ``why_not`` says why.

    mean_k, sd_k : of the minutes in which both were good [K];  u_k : standard uncertainty of the mean [K]: the two
    places' own, as if independent (probes on one logger share part of theirs, so it is rather less), and what the
    swings leave open
    trend_k_h, trend_u_k_h : how the difference changes [K/h];  hot : the hotter place, None: it cannot be told
    """

    reference: str
    place: str
    minutes: int
    mean_k: float | None
    sd_k: float | None
    u_k: float | None
    trend_k_h: float | None
    trend_u_k_h: float | None
    hot: str | None
    why_not: str | None

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "reference": self.reference, "place": self.place, "minutes": self.minutes, "mean_k": number(self.mean_k),
            "sd_k": number(self.sd_k), "u_k": number(self.u_k), "trend_k_h": number(self.trend_k_h),
            "trend_u_k_h": number(self.trend_u_k_h), "hot": self.hot, "why_not": self.why_not,
        }


def gradients_of(air: Sequence[tuple[str, Cells]]) -> tuple[Gradient, ...]:
    """Each further air place against the first, over the newest ``GRADIENT_MIN`` minutes."""
    return tuple(_gradient(air[0], other) for other in air[1:])


def _gradient(first: tuple[str, Cells], other: tuple[str, Cells]) -> Gradient:
    (name, a), (place, b) = first, other
    apart = b.celsius[-GRADIENT_MIN:] - a.celsius[-GRADIENT_MIN:]
    good = np.isfinite(apart)
    n = int(good.sum())
    if n < LEAST_MIN:
        few = f"both were good together in {n} of the last {GRADIENT_MIN} minutes: {LEAST_MIN} are the least"
        return Gradient(name, place, n, None, None, None, None, None, None, few)
    d = apart[good]
    mean, sd = float(d.mean()), float(d.std(ddof=1))
    own = float(np.hypot(np.nanmean(a.u[-GRADIENT_MIN:][good]), np.nanmean(b.u[-GRADIENT_MIN:][good])))
    u = float(np.hypot(own, _of_mean(d)))
    step = np.hypot(a.step[-GRADIENT_MIN:], b.step[-GRADIENT_MIN:])
    slope, slope_u = line_rates(Cells(apart, np.full(apart.size, own), step), int(apart.size))
    known = bool(np.isfinite(slope[-1]))
    hot = None if abs(mean) <= SURE * u else place if mean > 0 else name
    why = None if hot else "the difference is not beyond its uncertainty"
    trend, trend_u = (float(slope[-1]), float(slope_u[-1])) if known else (None, None)
    return Gradient(name, place, n, mean, sd, u, trend, trend_u, hot, why)


def _of_mean(d: FloatArray) -> float:
    """Standard uncertainty of the mean of minutes that resemble their neighbours: from means of a quarter hour."""
    m = int(900 / CELL_S)
    blocks = d[: d.size // m * m].reshape(-1, m).mean(axis=1)
    if blocks.size < 2:
        return float(d.std(ddof=1))
    return float(blocks.std(ddof=1) / np.sqrt(blocks.size))
