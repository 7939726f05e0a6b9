"""How far a figure of the bench may be off by the luck of its cooks: the bootstrap over cooks.

Cases of one cook are not independent, so whole cooks are drawn again, with replacement, and the figure is taken anew:
the percentile interval of Efron and Tibshirani, An Introduction to the Bootstrap, 1993, chapter 13 (from memory). It
does not know of what all cooks of the bench have in common, which is its physics.
"""

from collections.abc import Callable, Sequence
from dataclasses import fields
from typing import TypeVar

import numpy as np

from .truth import Array

TIMES = 2000
SEED = 7
LEVELS = (0.025, 0.975)
Counts = TypeVar("Counts")
Interval = tuple[float, float]


def summed(kind: type[Counts], parts: Sequence[Counts]) -> Counts:
    """One score (a dataclass of counts and lists) from those of single cooks."""
    total = kind()
    for f in fields(total):  # type: ignore[arg-type]
        for part in parts:
            setattr(total, f.name, getattr(total, f.name) + getattr(part, f.name))
    return total


def of_counts(parts: Sequence[Counts], above: Callable[[Counts], float], below: Callable[[Counts], float]) -> Interval:
    """95 % interval of the ratio of two sums over cooks; ``parts`` are the scores of single cooks."""
    table = np.array([(above(p), below(p)) for p in parts], dtype=float)
    drawn = table[_draws(len(parts))].sum(axis=1)
    some = drawn[:, 1] > 0
    return _span(drawn[some, 0] / drawn[some, 1])


def of_means(*columns: Sequence[float], figure: Callable[..., Array]) -> Interval:
    """95 % interval of a figure of the means over cooks of some columns; each column has one value a cook, in order."""
    table = np.array(columns, dtype=float)
    means = table[:, _draws(table.shape[1])].mean(axis=2)
    return _span(figure(*means))


def _draws(cooks: int) -> np.ndarray:
    return np.random.default_rng(SEED).integers(0, cooks, size=(TIMES, cooks))


def _span(values: Array) -> Interval:
    low, high = np.quantile(values, LEVELS).tolist() if values.size else (float("nan"),) * 2
    return low, high
