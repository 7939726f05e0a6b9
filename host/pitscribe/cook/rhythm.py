"""The rhythm of the fuel: how long one lasts, how much it lifts the pit, and when the next is likely due.

Intervals are taken as log-normal (they are positive, and a late split is later than an early one is early), with the
trade's usual as prior: one small split every 30 to 60 min (common practice, no source). The due time is conditional on
none having come yet.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, sqrt
from statistics import NormalDist
from typing import Any

import numpy as np

from pitscribe.cook.plain import iso, number

PRIOR_MIN, PRIOR_SD, PRIOR_WEIGHT = 42.0, 0.35, 2.0  # 30 to 60 min is about the middle 68 %; worth two intervals
LATEST = 8  # intervals that count: wood, weather and coals change over a day
FEW = 3  # own intervals under which the trade's usual says most
BREAK_MIN = 180.0  # longer is no interval but a break (out, or not seen)
THERMOSTAT_MIN = 15.0  # no hand lays wood so often
REGULAR_SD, REGULAR_FROM = 0.12, 5  # intervals so alike (log sd), from so many on, are a thermostat's


@dataclass(frozen=True, slots=True)
class Rhythm:
    """Fuel so far, and the next. Minutes and kelvins are median, p10, p90; due times UTC s; None: not known."""

    count: int  # intervals known
    interval_min: tuple[float, float, float] | None
    rise_k: tuple[float, float, float] | None
    last: float | None
    due_p10: float | None
    due_p50: float | None
    due_p90: float | None
    word: str | None  # how much stands behind it
    why_not: str | None

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "count": self.count, "interval_min": _named(self.interval_min), "rise_k": _named(self.rise_k),
            "last": iso(self.last), "due_p10": iso(self.due_p10), "due_p50": iso(self.due_p50),
            "due_p90": iso(self.due_p90), "word": self.word, "why_not": self.why_not,
        }


def rhythm_of(fuel: Sequence[float], rises: Sequence[float], now: float, *, quiet: str | None = None) -> Rhythm:
    """The rhythm from the times of fuel [UTC s, ascending] and the rises that followed [K], seen at ``now`` [UTC s].

    quiet : why nothing is due (the fire is out, the cook is over); the past is told all the same.
    """
    gaps = [g for g in (np.diff(np.asarray(fuel, dtype=np.float64)) / 60).tolist() if 0 < g <= BREAK_MIN][-LATEST:]
    past = _three(gaps), _three(list(rises)[-LATEST:])
    if not fuel:
        return Rhythm(0, None, None, None, None, None, None, None, quiet or "no fuel seen or noted yet")
    last = fuel[-1]
    why = quiet or _thermostat(gaps)
    elapsed = (now - last) / 60
    if why is None and elapsed > BREAK_MIN:
        why = f"none seen or noted for {elapsed / 60:.0f} h"
    if why is not None:
        return Rhythm(len(gaps), *past, last, None, None, None, None, why)
    mean, sd = predictive(gaps)
    due = [last + 60 * q for q in due_quantiles(mean, sd, elapsed)]
    word = f"from its last {len(gaps)} intervals" if len(gaps) >= FEW else (
        f"only {len(gaps)} of its own so far: mostly the trade's usual of 30 to 60 min")
    return Rhythm(len(gaps), *past, last, due[0], due[1], due[2], word, None)


def _named(x: tuple[float, float, float] | None) -> dict[str, float | None] | None:
    return None if x is None else {"p50": number(x[0]), "p10": number(x[1]), "p90": number(x[2])}


def _three(x: Sequence[float]) -> tuple[float, float, float] | None:
    if not x:
        return None
    p10, p50, p90 = np.percentile(np.asarray(x), [10, 50, 90]).tolist()
    return p50, p10, p90


def _thermostat(gaps: Sequence[float]) -> str | None:
    if len(gaps) < FEW:
        return None
    if float(np.median(gaps)) < THERMOSTAT_MIN:
        return "the pit swings too fast for fuel by hand: a thermostat's rhythm"
    if len(gaps) >= REGULAR_FROM and float(np.std(np.log(gaps))) < REGULAR_SD:
        return "the pit swings too regularly for fuel by hand: a thermostat's rhythm"
    return None


def predictive(gaps: Sequence[float]) -> tuple[float, float]:
    """(mean, sd) of the next interval's logarithm [log min]: own ones, the prior, and what few leave open."""
    x = np.log(np.asarray(gaps, dtype=np.float64)) if gaps else np.zeros(0)
    weight = PRIOR_WEIGHT + x.size
    mean = (PRIOR_WEIGHT * log(PRIOR_MIN) + float(x.sum())) / weight
    own = float(((x - x.mean()) ** 2).sum()) if x.size else 0.0
    square = (PRIOR_WEIGHT * PRIOR_SD**2 + own) / max(weight - (x.size > 0), 1.0)
    return mean, sqrt(square * (1 + 1 / weight))


def due_quantiles(mean: float, sd: float, elapsed_min: float) -> tuple[float, float, float]:
    """p10, p50, p90 of the interval [min], given that ``elapsed_min`` of it have passed without fuel."""
    gone = NormalDist(mean, sd).cdf(log(elapsed_min)) if elapsed_min > 0 else 0.0
    if gone > 0.999:  # far past what was ever usual: any time now, and the log-normal's tail is not to be trusted
        return elapsed_min, elapsed_min, elapsed_min + 15.0
    p10, p50, p90 = (exp(NormalDist(mean, sd).inv_cdf(gone + (1 - gone) * p)) for p in (0.1, 0.5, 0.9))
    return max(p10, elapsed_min), max(p50, elapsed_min), max(p90, elapsed_min)

