"""Exact binomial probabilities."""

from collections.abc import Callable
from math import comb


def at_least(x: int, n: int, p: float) -> float:
    """P(X >= x) of n tries that succeed with probability p each."""
    if x <= 0:
        return 1.0
    return min(1.0, sum(comb(n, k) * p**k * (1.0 - p) ** (n - k) for k in range(x, n + 1)))


def least_for(level: float, n: int, p: float) -> int | None:
    """The fewest successes that come by chance no more often than ``level``; None if even all of them do."""
    return next((x for x in range(n + 1) if at_least(x, n, p) <= level), None)


def limits_95(x: int, n: int) -> tuple[float, float]:
    """Between which two probabilities of success the true one lies by 95 % (Clopper and Pearson 1934, from memory)."""
    low = 0.0 if x == 0 else _where(lambda p: at_least(x, n, p) >= 0.025)
    high = 1.0 if x == n else _where(lambda p: at_least(x + 1, n, p) >= 0.975)
    return low, high


def _where(reached: Callable[[float], bool]) -> float:
    """Where, between 0 and 1, ``reached`` becomes true: by halving."""
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high
