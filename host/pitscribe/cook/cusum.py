"""Cumulative sums (E. S. Page, Biometrika 41, 1954): small changes that last, told from noise that does not."""

from collections.abc import Iterable
from dataclasses import dataclass

SLACK = 0.5  # half of the shift that is looked for, in standard deviations
ALARM = 5.0  # one false alarm in 931 independent values (one-sided, integral equation: SOURCES.md section 10)


@dataclass(slots=True)
class Cusum:
    """One-sided upward sum of standardised values: S = max(0, S + z - k), an alarm where S > h."""

    k: float = SLACK
    h: float = ALARM
    s: float = 0.0

    def add(self, z: float) -> bool:
        """Take one value; whether the sum is over the alarm."""
        self.s = max(0.0, self.s + z - self.k)
        return self.s > self.h


def path(values: Iterable[float], k: float = SLACK) -> list[float]:
    """The sum after each value."""
    sums = Cusum(k)
    out = []
    for z in values:
        sums.add(z)
        out.append(sums.s)
    return out
