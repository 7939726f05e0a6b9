"""A draw that anyone can repeat: levels, orders and codes from a seed, by SHA-256 and nothing else.

NumPy's generators may change their streams between versions; what is printed on paper must not. So the bits are those
of SHA-256 (FIPS 180-4) over the seed, what is drawn, and a counter, and a shuffle is that of Fisher and Yates with
rejected remainders, so that every order is equally likely. **Once released, this is never changed.**
"""

from collections.abc import Iterator, Sequence
from hashlib import sha256
from typing import TypeVar

from pitscribe.errors import ConfigError

T = TypeVar("T")
_WORD = 1 << 32


class Stream:
    """Whole numbers, equally likely, from ``seed`` and from what they are for."""

    def __init__(self, seed: str, purpose: str) -> None:
        self._words = _words(f"{len(seed)}:{seed}{purpose}")

    def below(self, n: int) -> int:
        """One of 0 to n - 1; n up to 2^32."""
        most = _WORD - _WORD % n
        return next(word for word in self._words if word < most) % n

    def shuffled(self, items: Sequence[T]) -> list[T]:
        """The items in an order of which each is equally likely."""
        order = list(items)
        for i in range(len(order) - 1, 0, -1):
            j = self.below(i + 1)
            order[i], order[j] = order[j], order[i]
        return order


def _words(key: str) -> Iterator[int]:
    counter = 0
    while True:
        block = sha256(f"{key}#{counter}".encode()).digest()
        yield from (int.from_bytes(block[i : i + 4], "big") for i in range(0, len(block), 4))
        counter += 1


def check_block(levels: Sequence[str], block: int) -> None:
    """Refuse a block that cannot hold each level equally often. Raises ConfigError."""
    if not levels or block < len(levels) or block % len(levels):
        raise ConfigError(
            f"a block of {block}: it must hold each of the {len(levels)} levels equally often, so "
            f"{len(levels)}, {2 * len(levels)}, {3 * len(levels)} or another multiple"
        )


def drawn_level(seed: str, levels: Sequence[str], block: int, slot: int) -> str:
    """The level of the ``slot``-th piece (from 0) that enters a trial.

    Pieces come in blocks of ``block``, in the order in which they enter; in each block every level comes equally often.
    Raises ConfigError if a block cannot.
    """
    check_block(levels, block)
    number, at = divmod(slot, block)
    return Stream(seed, f"levels {number}").shuffled(list(levels) * (block // len(levels)))[at]


def seal(seed: str, *parts: str) -> str:
    """Ten hex digits that stand for a trial's plan and its seed: written on paper, they show if either was changed."""
    text = "\x1f".join((seed, *parts))
    digits = sha256(text.encode()).hexdigest()[:10]
    return f"{digits[:5]}-{digits[5:]}"
