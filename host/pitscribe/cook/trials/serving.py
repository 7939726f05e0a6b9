"""A blind tasting: which sample each taster gets in which order, under which three-digit code, and the slips' words.

Orders are balanced: of the six of a triangle (AAB, ABA, BAA, BBA, BAB, ABB) and the two of a pair each comes once
before any comes again, and which comes when is drawn. Every serving has a code of its own, so that nobody learns from a
neighbour which is which. All of it follows from the tasting's seed (``draw``), and never changes.
"""

from dataclasses import dataclass

from pitscribe.cook.trials.draw import Stream
from pitscribe.cook.trials.sensory import MOST_TASTERS
from pitscribe.errors import ConfigError

ORDERS = {
    "triangle": ("AAB", "ABA", "BAA", "BBA", "BAB", "ABB"),
    "paired": ("AB", "BA"),
    "rating": ("AB", "BA"),  # each is scored by itself, and nobody is asked to tell them apart
}
_CODES = range(100, 1000)
_SIGNS = "23456789abcdefghjkmnpqrstuvwxyz"  # none that is taken for another when it is read from paper
_WORD_SIGNS = 8


@dataclass(frozen=True, slots=True)
class Serving:
    """What one taster gets, in the order of tasting. ``samples``: "A" or "B" of each;  ``codes``: "417" of each."""

    taster: int  # from 1
    samples: str
    codes: tuple[str, ...]

    @property
    def odd(self) -> str | None:
        """The code of the odd one of three; None where there are two."""
        if len(self.samples) != 3:
            return None
        return next(c for c, s in zip(self.codes, self.samples, strict=True) if self.samples.count(s) == 1)

    def sample(self, code: str) -> str:
        """Which sample has that code. ConfigError if this taster has none of it."""
        if code not in self.codes:
            raise ConfigError(f"taster {self.taster} has no sample {code}, but {', '.join(self.codes)}")
        return self.samples[self.codes.index(code)]


def servings(kind: str, seed: str, tasters: int) -> tuple[Serving, ...]:
    """The servings of a tasting, taster by taster. ConfigError if it cannot be.

    kind : a key of ``ORDERS``
    """
    if kind not in ORDERS:
        raise ConfigError(f"a tasting of kind {kind!r}: give {', '.join(ORDERS)}")
    if not 1 <= tasters <= MOST_TASTERS:
        raise ConfigError(f"{tasters} tasters: give 1 to {MOST_TASTERS}")
    orders, width = ORDERS[kind], len(ORDERS[kind][0])
    stream = Stream(seed, "orders")
    drawn = [order for _ in range(-(-tasters // len(orders))) for order in stream.shuffled(orders)]
    codes = [str(code) for code in Stream(seed, "codes").shuffled(_CODES)]
    return tuple(
        Serving(i + 1, drawn[i], tuple(codes[i * width : (i + 1) * width])) for i in range(tasters)
    )


def slip_words(seed: str, tasters: int) -> tuple[str, ...]:
    """What stands on each taster's slip and opens that taster's form and no other: "k7m2-qx4d", taster by taster.

    Eight of 31 signs, so one in 850 thousand million is right by guessing. They follow from the seed, and never change.
    """
    stream = Stream(seed, "slips")
    words = ("".join(_SIGNS[stream.below(len(_SIGNS))] for _ in range(_WORD_SIGNS)) for _ in range(tasters))
    return tuple(f"{word[:4]}-{word[4:]}" for word in words)


def read_word(text: str) -> str:
    """A slip's word as a person types it: capitals, blanks and dashes do not matter."""
    word = "".join(sign for sign in text.lower() if sign.isalnum())
    return f"{word[:4]}-{word[4:]}"
