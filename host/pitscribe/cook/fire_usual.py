"""What a fire usually does: its level, its band, and how cold its swings leave it by themselves.

The band is the cook's if it was given one, else the fire's own usual. Trouble is 25 degF (13.9 K) under the band. A
fire that falls is nothing new: how cold it was before fuel came, or its thermostat switched, says what is unusual.
"""

from bisect import bisect_left, insort
from collections import deque
from dataclasses import dataclass, field
from math import sqrt
from statistics import fmean, pvariance

# A pit swings 15 to 30 degF a split (common practice, no source): +-15 degF, 8.3 K, is its band if it keeps to that.
HALF_BAND_K = 15.0 * 5.0 / 9.0
UNDER_K = 25.0 * 5.0 / 9.0
USUAL_MIN = 360  # over several splits
LATE_MIN = 60  # once it is known, a minute is taken for usual so long after: a slow fade is not learned while it lasts
LEAST_MIN = 30  # settled minutes under which it has no usual
COLDEST_C = 60.0  # no pit cooks at less; a fire that stays there is not at a new level
NEW_LEVEL_MIN = 60  # off its band for so long, and level: that is the new usual
LEVEL_K_H = 8.0  # level: an hour's slope under this
KNOWN_MIN = 120  # settled minutes after which its cycles are known
COLD_SHARE, COLD_MARGIN_K, COLD_MARGIN = 0.015, 0.5, 0.1  # of its minutes; of how far that is under its level
LAID_LATEST, LAID_LEAST = 8, 3  # notes of fuel that count, and from how many on a habit is known
LAID_K, LAID_WEIGHT = 1.5, 2.0  # spread of what a person calls low (our allowance, no source), worth two notes
LAID_SIGMA = 1.25  # so far under it, somebody who comes by would have laid wood
NOTED_SHARE = 0.8  # of the fuel that is seen or noted: less, and a fall without a note says nothing


@dataclass(slots=True)
class Habit:
    """How cold a fire is let come before it gets fuel, from notes of fuel: colder, and no note, nobody came.

    Minutes cannot tell this: they are colder, for wood takes its time to catch.
    """

    levels: deque[float] = field(default_factory=lambda: deque(maxlen=LAID_LATEST))  # at notes [degC]
    noted: deque[bool] = field(default_factory=lambda: deque(maxlen=LAID_LATEST))  # whether the latest fuel was

    def usually_c(self, low_c: float) -> tuple[float, float] | None:
        """(mean, standard deviation of the next) [degC, K] over fuel that came in time; None while not known.

        low_c : lower end of the band;  fuel that came when there was trouble already is no habit
        """
        levels = [v for v in self.levels if v > low_c - UNDER_K]
        n = len(levels)
        if n < LAID_LEAST or sum(self.noted) < NOTED_SHARE * len(self.noted):
            return None
        square = (LAID_WEIGHT * LAID_K**2 + n * pvariance(levels)) / (LAID_WEIGHT + n)
        return fmean(levels), sqrt(square * (1 + 1 / n))

    def passed(self, y: float, low_c: float) -> bool:
        """Whether ``y`` [degC] is colder than it is usually let come; False while that is not known."""
        usually = self.usually_c(low_c)
        return usually is not None and y < usually[0] - LAID_SIGMA * usually[1]


@dataclass(slots=True)
class Usual:
    """The usual of a fire, learned minute by minute."""

    band_c: tuple[float, float] | None = None  # as given
    settled: bool = False
    off_min: int = 0
    recent: deque[float] = field(default_factory=deque)
    pending: deque[float] = field(default_factory=deque)
    ranked: list[float] = field(default_factory=list)
    habit: Habit = field(default_factory=Habit)

    def learn(self, y: float) -> None:
        """One calm minute [degC] of a fire that is well."""
        self.pending.append(y)
        if self.known and len(self.pending) <= LATE_MIN:
            return
        self._take(self.pending.popleft())

    def turned(self) -> None:
        """A fall ended by itself: its minutes are usual."""
        while self.pending:
            self._take(self.pending.popleft())

    def _take(self, y: float) -> None:
        self.recent.append(y)
        insort(self.ranked, y)
        if len(self.recent) > USUAL_MIN:
            del self.ranked[bisect_left(self.ranked, self.recent.popleft())]

    def forget(self) -> None:
        """Begin anew: another level was set, or the meat is to be held."""
        self.recent.clear()
        self.pending.clear()
        self.ranked.clear()
        self.habit.levels.clear()
        self.off_min = 0

    def quantile(self, p: float) -> float:
        """Quantile of the usual minutes [degC]; NaN while there are too few."""
        if len(self.ranked) < LEAST_MIN:
            return float("nan")
        return self.ranked[round(p * (len(self.ranked) - 1))]

    @property
    def known(self) -> bool:
        """Whether it was seen for long enough to know its cycles."""
        return len(self.ranked) >= KNOWN_MIN

    def band(self) -> tuple[float, float] | None:
        """(low, high) [degC], given or its own usual; None while neither is known."""
        if self.band_c is not None:
            return self.band_c
        level = self.quantile(0.5)
        if level != level:
            return None
        half = max(HALF_BAND_K, 0.5 * (self.quantile(0.95) - self.quantile(0.05)))
        return level - half, level + half

    @property
    def coldest_c(self) -> float:
        """How cold its swings leave it: all but a few minutes in a hundred are over this, and a margin [degC]."""
        cold, middle = self.quantile(COLD_SHARE), self.quantile(0.5)
        return cold - COLD_MARGIN_K - COLD_MARGIN * (middle - cold)

    def unusually_cold(self, y: float) -> bool:
        """Whether ``y`` [degC] is colder than its swings leave it; False before they are known."""
        return self.known and y < self.coldest_c
