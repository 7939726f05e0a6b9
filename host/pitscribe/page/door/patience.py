"""Patience with wrong passwords: each makes the next try wait longer, for the one who tried and a little for all."""

from collections import OrderedDict
from collections.abc import Callable
from typing import NamedTuple

FREE = 5  # wrong tries that cost nothing: people mistype
FIRST_S, LONGEST_S = 2.0, 900.0
FORGET_S = 3600.0  # after so long without a try one begins anew
MOST_NAMES = 1000  # addresses remembered; an attacker with more of them meets the wait for all
FREE_OF_ALL = 50
LONGEST_OF_ALL_S = 60.0  # who guesses from many addresses shall not keep the owner's new phone out for long


class Rule(NamedTuple):
    """How much is free for one address, and for all together (None: others' wrong tries cost nobody anything)."""

    free: int = FREE
    free_of_all: int | None = FREE_OF_ALL


class Patience:
    """How long an address has to wait before its next try, by a clock of real seconds that never jumps."""

    def __init__(self, real: Callable[[], float], rule: Rule | None = None) -> None:
        self._real, self._rule = real, rule or Rule()
        self._known: OrderedDict[str, None] = OrderedDict()  # addresses that came in: others' tries cost them nothing
        self._wrong: OrderedDict[str, tuple[int, float]] = OrderedDict()  # address -> (wrong tries, last)
        self._all: tuple[int, float] = 0, -FORGET_S

    def wait_s(self, address: str) -> float:
        """Seconds that this address has to wait still; 0: it may try."""
        now = self._real()
        own = self._left(self._wrong.get(address), self._rule.free, LONGEST_S, now)
        if self._rule.free_of_all is None or address in self._known:
            return own
        return max(own, self._left(self._all, self._rule.free_of_all, LONGEST_OF_ALL_S, now))

    def wrong(self, address: str) -> None:
        """A wrong try."""
        now = self._real()
        self._wrong[address] = self._count(self._wrong.get(address), now), now
        self._wrong.move_to_end(address)
        while len(self._wrong) > MOST_NAMES:
            self._wrong.popitem(last=False)
        self._all = self._count(self._all, now), now

    def right(self, address: str) -> None:
        """The right password: this address begins anew."""
        self._wrong.pop(address, None)
        self._known[address] = None
        self._known.move_to_end(address)
        while len(self._known) > MOST_NAMES:
            self._known.popitem(last=False)

    @staticmethod
    def _count(before: tuple[int, float] | None, now: float) -> int:
        return 1 if before is None or now - before[1] > FORGET_S else before[0] + 1

    @staticmethod
    def _left(tries: tuple[int, float] | None, free: int, longest: float, now: float) -> float:
        if tries is None or tries[0] < free or now - tries[1] > FORGET_S:
            return 0.0
        wait = min(longest, FIRST_S * 2.0 ** min(tries[0] - free, 20))
        return max(0.0, tries[1] + wait - now)
