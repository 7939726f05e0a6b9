"""Several comparisons at once: each of them may err, and the best of many always looks good."""

from collections.abc import Sequence


def holm(p: Sequence[float]) -> list[float]:
    """p values that hold for all of them together (Holm, Scandinavian J. Statistics 6:65, 1979, from memory).

    The smallest is multiplied by how many there are, the next by one less, and so on; none falls below one before it.
    """
    out = [1.0] * len(p)
    worst = 0.0
    for rank, i in enumerate(sorted(range(len(p)), key=lambda i: p[i])):
        worst = max(worst, min(1.0, (len(p) - rank) * p[i]))
        out[i] = worst
    return out
