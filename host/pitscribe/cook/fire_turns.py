"""Falls and rises of a fire: where it turned, which turns were fuel, and how fast it usually falls."""

from dataclasses import dataclass, field
from math import exp, sqrt

from pitscribe.cook.cusum import Cusum

TURN_K = 3.0  # a turn: beyond gusts (and TURN_CHANGES usual changes of a minute, and a share of its usual rise)
TURN_CHANGES = 3.0
TURN_SHARE = 0.2
FUEL_K = 5.0  # fuel lifts the pit by this at least: half of what a small split gives (8 to 17 K: common practice)
FUEL_MIN = 25  # within so long of the turn; slower is draught or weather
CREEPS_MIN = 15  # after an opening the air still creeps up: it sets no new low
FALLS_K_MIN, FALLS_SD = 0.15, 0.35  # a fire's usual fall, K/min, before its own is known
FALLS_MIN = 120.0  # minutes of falls that count


@dataclass(frozen=True, slots=True)
class Turn:
    """A fall turned into a rise: lowest [degC] in cell ``at``, risen by ``rise_k`` within ``minutes``."""

    at: int
    low_c: float
    rise_k: float
    minutes: int

    @property
    def fuel(self) -> bool:
        """It rose as fuel makes it rise, so far."""
        return self.minutes <= FUEL_MIN and self.rise_k >= FUEL_K


@dataclass(slots=True)
class Turns:
    """The sweep over calm minutes: the present fall or rise, and ``rises`` so far [K]."""

    falling: bool = True
    low_c: float = float("inf")
    low_at: int = 0
    high_c: float = float("-inf")
    rises: list[float] = field(default_factory=list)
    sums: Cusum = field(default_factory=Cusum)
    waits: Turn | None = None  # a turn that has not risen enough for fuel yet
    _before: list[float] = field(default_factory=list)
    _mean: float = FALLS_K_MIN
    _sd: float = FALLS_SD
    _weight: float = 10.0

    def restart(self, k: int, y: float) -> None:
        """Forget the present fall."""
        self.falling, self.low_c, self.low_at, self.high_c = True, y, k, y
        self.sums.s, self.waits = 0.0, None

    def step(self, k: int, y: float, change: float, after: float) -> Turn | None:
        """One calm minute [degC], ``after`` minutes after an opening. Returns a turn that rose enough for fuel."""
        last = self._before[-1] if self._before else float("nan")
        self._before = [*self._before[-2:], y]
        smooth = sum(self._before) / len(self._before)
        least = max(TURN_K, TURN_CHANGES * change, TURN_SHARE * self._usual_rise())
        if self.falling:
            self.sums.add(max(-4.0, min(4.0, (last - y - self._mean) / self._sd)) if last == last else 0.0)
            if smooth < self.low_c - (2 * change if after <= CREEPS_MIN else 0.0):
                self.low_c, self.low_at = smooth, k
            if smooth - self.low_c >= least:
                self.waits = Turn(self.low_at, self.low_c, smooth - self.low_c, k - self.low_at)
                self.falling, self.high_c, self.sums.s = False, smooth, 0.0
        else:
            self.high_c = max(self.high_c, smooth)
            if self.high_c - smooth >= least:
                self.rises.append(self.high_c - self.low_c)
                self.falling, self.low_c, self.low_at, self.waits = True, smooth, k, None
        return self._fuel(k, smooth)

    def _fuel(self, k: int, smooth: float) -> Turn | None:
        one = self.waits
        if one is None:
            return None
        one = Turn(one.at, one.low_c, smooth - one.low_c, k - one.at)
        if one.fuel or one.minutes > FUEL_MIN:
            self.waits = None
        return one if one.fuel else None

    def _usual_rise(self) -> float:
        recent = sorted(self.rises[-5:])
        return recent[len(recent) // 2] if len(recent) >= 3 else 0.0

    def learn(self) -> None:
        """Take the newest minute's fall for usual."""
        if not self.falling or len(self._before) < 2:
            return
        drop = self._before[-2] - self._before[-1]
        self._weight = min(self._weight + 1.0, FALLS_MIN)
        off = max(-3.0, min(3.0, drop - self._mean))
        self._mean += off / self._weight
        self._sd = sqrt(max(self._sd**2 + (off * off - self._sd**2) / self._weight, 1e-3))


def likely_fuel(turn: Turn, change: float) -> float:
    """Our probability that a turn was fuel, not draught: by how far it stands out of the usual changes; a judgement."""
    z = turn.rise_k / max(change, 0.1) / TURN_CHANGES
    return 0.9 * (1 - exp(-z)) * (1 - exp(-turn.rise_k / FUEL_K))
