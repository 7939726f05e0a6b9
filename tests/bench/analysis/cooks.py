"""The cooks of the bench, from a seed."""

from collections.abc import Iterator

from . import slab
from .truth import BenchCook

SPLITS = ("tune", "held")
BATCH = 30  # cooks that are cooked at once


def cooks(split: str, n: int, seed: int) -> Iterator[BenchCook]:
    """``n`` cooks of a split ("tune" or "held"); cook i of a seed is the same whatever ``n``. Some 0.1 s each.

    Raises ValueError for another split.
    """
    if split not in SPLITS:
        raise ValueError(f"split {split!r}: one of {', '.join(SPLITS)}")
    for first in range(0, n, BATCH):
        yield from slab.cook([slab.draw(split, i, seed) for i in range(first, min(n, first + BATCH))])
