"""The exact permutation test of a drawn trial: how often the draw alone makes so large a difference.

If the level made no difference to any piece, each would have turned out the same under another draw. So every draw that
could have been is made on paper, block by block, and p is the share of them whose difference is at least that large,
either way (Fisher, The Design of Experiments, 1935, from memory). Nothing is supposed of how outcomes scatter.

Up to ``MOST`` draws all of them are looked at. Beyond, ``DRAWS`` are drawn at random with a fixed seed, and the one
that was made is counted in: p = (1 + hits) / (1 + draws), which keeps its promise at any number of draws (Phipson and
Smyth, Stat. Appl. Genet. Mol. Biol. 9, 2010, from memory).
"""

from dataclasses import dataclass
from functools import cache
from itertools import combinations
from math import comb, prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.plain import number

FloatArray = NDArray[np.float64]
MOST, DRAWS, _SEED = 200_000, 20_000, 1935
_TIE = 1e-9  # of the sums' own size: two draws with the same difference are one, whatever the order of adding


@dataclass(frozen=True, slots=True)
class Permuted:
    """What the test says.

    p : two-sided;  ways : how many draws could have been;  exact : all of them were looked at
    least : the smallest p that this design can give, whatever comes out
    """

    p: float
    ways: int
    exact: bool
    least: float

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {"p": number(self.p), "ways": self.ways, "exact": self.exact, "least_p": number(self.least)}


def permuted(y: FloatArray, treated: NDArray[np.bool_], block: NDArray[np.int64]) -> Permuted:
    """Test whether ``treated`` made a difference to ``y``.

    y : float64 (n,), finite;  treated : bool (n,);  block : int64 (n,), the block of each: levels are exchanged inside
    """
    parts = [(centred(y[block == b]), treated[block == b]) for b in np.unique(block)]
    parts = [(some, given) for some, given in parts if 0 < given.sum() < given.size]
    seen = sum(float(some[given].sum()) for some, given in parts)
    ways = prod(comb(given.size, int(given.sum())) for _, given in parts)
    tie = _TIE * sum(float(np.abs(some).sum()) for some, _ in parts) + 1e-12 * float(np.abs(y).sum())
    exact = ways <= MOST
    sums = _every(parts) if exact else _some(parts)
    hits = int(np.count_nonzero(np.abs(sums) >= abs(seen) - tie))
    p = hits / ways if exact else (1 + hits) / (1 + DRAWS)
    return Permuted(p, ways, exact, least_p([(given.size, int(given.sum())) for _, given in parts]))


def least_p(blocks: list[tuple[int, int]]) -> float:
    """The smallest two-sided p of a design: (pieces, those of one level) of each block.

    The draw that gives the largest difference and, where all blocks are halved, its mirror: 2 / draws.
    """
    real = [(n, k) for n, k in blocks if 0 < k < n]
    ways = prod(comb(n, k) for n, k in real)
    return min(1.0, (2 if all(n == 2 * k for n, k in real) else 1) / ways)


def centred(y: FloatArray) -> FloatArray:
    """Less the mean: float64 (n,)."""
    out: FloatArray = y - y.mean()
    return out


def _every(parts: list[tuple[FloatArray, NDArray[np.bool_]]]) -> FloatArray:
    """The sum over the treated under every draw: the blocks' own sums, each with each."""
    sums = np.zeros(1)
    for some, given in parts:
        own = some[_choices(given.size, int(given.sum()))].sum(axis=1)
        sums = np.add.outer(sums, own).ravel()
    return sums


@cache
def _choices(n: int, k: int) -> NDArray[np.int64]:
    return np.array(list(combinations(range(n), k)), dtype=np.int64)


def _some(parts: list[tuple[FloatArray, NDArray[np.bool_]]]) -> FloatArray:
    rng = np.random.default_rng(_SEED)
    sums = np.zeros(DRAWS)
    for some, given in parts:
        order = rng.permuted(np.broadcast_to(some, (DRAWS, some.size)), axis=1)
        sums += order[:, : int(given.sum())].sum(axis=1)
    return sums
