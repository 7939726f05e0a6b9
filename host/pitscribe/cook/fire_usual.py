"""What a fire usually does: its level, its band, and how near to trouble its swings bring it by themselves.

The band is the cook's if it was given one, else the fire's own usual. Trouble is 25 degF (13.9 K) under the band. A
fire's own cycles say what is usual: of each fall that ended by itself (fuel came, a thermostat switched) the shortest
time to trouble that its slope promised is kept. A fall that promises trouble sooner than these is unusual.
"""

from bisect import bisect_left, insort
from collections import deque
from dataclasses import dataclass, field
from math import exp, log, sqrt

# A pit swings 15 to 30 degF a split (common practice, no source): +-15 degF, 8.3 K, is its band if it keeps to that.
HALF_BAND_K = 15.0 * 5.0 / 9.0
UNDER_K = 25.0 * 5.0 / 9.0
USUAL_MIN = 360  # over several splits
LEAST_MIN = 30  # settled minutes under which it has no usual
COLDEST_C = 60.0  # no pit cooks at less; a fire that stays there is not at a new level
NEW_LEVEL_MIN = 60  # off its band for so long, and level: that is the new usual
LEVEL_K_H = 8.0  # level: an hour's slope under this
HORIZON_MIN = 28.0  # a warning is for the next half hour: 15 min to act in, and as much for what a slope cannot know
KNOWN_MIN = 120  # settled minutes after which its cycles are known
FIRST_MIN = 10.0  # the horizon before that
COLD_SHARE, COLD_MARGIN_K, COLD_MARGIN = 0.02, 0.5, 0.1  # of its minutes; of how far that is under its level
CYCLES = 8
CYCLES_Z = 2.0  # this side of so many standard deviations (log) of its own cycles a fall is usual
PRIOR_LOG_SD, PRIOR_WEIGHT = 0.35, 2.0


@dataclass(slots=True)
class Usual:
    """The usual of a fire, learned minute by minute."""

    band_c: tuple[float, float] | None = None  # as given
    settled: bool = False
    off_min: int = 0
    recent: deque[float] = field(default_factory=deque)
    ranked: list[float] = field(default_factory=list)
    nearest: deque[float] = field(default_factory=lambda: deque(maxlen=CYCLES))  # min, of each fall
    adopted: int = 0  # how often it took a new level

    def learn(self, y: float) -> None:
        """One calm minute [degC] of a fire that is well."""
        self.recent.append(y)
        insort(self.ranked, y)
        if len(self.recent) > USUAL_MIN:
            del self.ranked[bisect_left(self.ranked, self.recent.popleft())]

    def forget(self) -> None:
        """Begin anew: another level was set, or the meat is to be held."""
        self.recent.clear()
        self.ranked.clear()
        self.nearest.clear()
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

    def cycle(self, nearest_min: float) -> None:
        """A fall is over by itself: the shortest time to trouble that it promised [min]."""
        self.nearest.append(min(max(nearest_min, 2.0), 60.0))

    def horizon_min(self) -> float:
        """A fall that promises trouble sooner than this is unusual for this fire [min]."""
        if not self.known:
            return FIRST_MIN
        if not self.nearest:
            return HORIZON_MIN
        x = [log(v) for v in self.nearest]
        weight = PRIOR_WEIGHT + len(x)
        mean = (PRIOR_WEIGHT * log(HORIZON_MIN) + sum(x)) / weight
        own = sum((v - mean) ** 2 for v in x)
        sd = sqrt((PRIOR_WEIGHT * PRIOR_LOG_SD**2 + own) / weight)
        return min(HORIZON_MIN, max(4.0, exp(mean - CYCLES_Z * sd)))

    def unusually_cold(self, y: float) -> bool:
        """Whether ``y`` [degC] is colder than the fire was but for a hundredth of its minutes, and by a margin."""
        cold, middle = self.quantile(COLD_SHARE), self.quantile(0.5)
        return self.known and y < cold - COLD_MARGIN_K - COLD_MARGIN * (middle - cold)
