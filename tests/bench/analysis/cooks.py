"""The cooks of the bench, from a seed."""

from collections.abc import Iterator

from . import ovals, slab
from .truth import BenchCook

SPLITS = ("tune", "held", "fires")
BATCH = 30  # cooks that are cooked at once


def cooks(split: str, n: int, seed: int) -> Iterator[BenchCook]:
    """``n`` cooks of a split; cook i of a seed is the same whatever ``n``. Some 0.1 s each.

    "tune": the slab's physics alone;  "held": two cooks of the oval's physics, then one of the slab's in wider ranges.
    "fires": of the oval's physics, held out, half of them with a fire that dies.
    Raises ValueError for another split.
    """
    if split not in SPLITS:
        raise ValueError(f"split {split!r}: one of {', '.join(SPLITS)}")
    for first in range(0, n, BATCH):
        which = range(first, min(n, first + BATCH))
        if split == "tune":
            yield from slab.cook([slab.draw(split, i, seed) for i in which])
            continue
        if split == "fires":
            yield from ovals.cook([ovals.draw(i, seed, ovals.FIRES) for i in which])
            continue
        drawn = [slab.draw(split, i // 3, seed) for i in which if i % 3 == 2]
        slabs = iter(slab.cook(drawn) if drawn else [])
        drawn_ovals = [ovals.draw(i - i // 3, seed) for i in which if i % 3 != 2]
        joints = iter(ovals.cook(drawn_ovals) if drawn_ovals else [])
        yield from (next(slabs) if i % 3 == 2 else next(joints) for i in which)
