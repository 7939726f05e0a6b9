"""Dips of a fire: how deep and how long it was in trouble, and came back from, as whoever feeds it lets it.

A fire that went 25 degF under its band twice and was back each time before long is run like that: once more as deep is
no news, and who was told twice need not be woken a third time. Deeper, or longer, is news.
"""

from collections import deque
from dataclasses import dataclass, field
from statistics import median

from pitscribe.cook.fire_turns import TURN_K
from pitscribe.cook.fire_usual import USUAL_MIN

LONGEST_MIN = 45  # a split's time (30 to 60 min, common practice, no source): longer out of the band is no dip
TWICE = 2  # once may have been an oversight
LATER_MIN = 5  # no dip is as long as the other: later than usual by so much (our allowance, no source), and `TURN_K`


@dataclass(slots=True)
class Dips:
    """The sweep over calm minutes; ``lately`` holds (cell of its end, lowest [degC], minutes under the band)."""

    lately: deque[tuple[int, float, int]] = field(default_factory=deque)
    _from: int | None = None  # the cell in which the air left its band
    _lowest: float = float("inf")

    def step(self, k: int, y: float, low_c: float, trouble_c: float) -> None:
        """One calm minute [degC], with the lower end of the band and 25 degF under it [degC]."""
        if y < low_c:
            self._from = k if self._from is None else self._from
            self._lowest = min(self._lowest, y)
            return
        if self._from is not None and self._lowest < trouble_c and k - self._from <= LONGEST_MIN:
            self.lately.append((k, self._lowest, k - self._from))
        self._from, self._lowest = None, float("inf")
        while self.lately and k - self.lately[0][0] > USUAL_MIN:
            self.lately.popleft()

    def known(self, k: int, y: float) -> bool:
        """Whether ``y`` [degC] in cell ``k`` is no deeper and no longer than its dips usually were."""
        if len(self.lately) < TWICE:
            return False
        usually = median(minutes for _, _, minutes in self.lately)
        deeper = y < median(lowest for _, lowest, _ in self.lately) - TURN_K
        return not deeper and (self._from is None or k - self._from <= usually + LATER_MIN)
