"""Something that happened to a fire, as a value."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import erf, sqrt
from typing import Any

from pitscribe.cook.plain import iso, number


@dataclass(frozen=True, slots=True)
class FireEvent:
    """Something that happened to the fire. Times in UTC s.

    kind : "fuel", "opened" (lid or firebox door), "spike", "fading", "out", "back" (after "out")
    at : when it began;  noticed : when it was first said;  end : when it was over (None: not yet, or a moment)
    """

    kind: str
    at: float
    noticed: float
    end: float | None
    probability: float
    why: str
    evidence: Mapping[str, float] = field(default_factory=dict)

    def over(self, end: float, how: str = "") -> "FireEvent":
        """The same, ended [UTC s]."""
        return replace(self, end=end, why=f"{self.why}; over: {how}" if how else self.why)

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "kind": self.kind, "at": iso(self.at), "noticed": iso(self.noticed), "end": iso(self.end),
            "probability": number(self.probability), "why": self.why,
            "evidence": {name: number(value) for name, value in self.evidence.items()},
        }


def phi(z: float) -> float:
    """The normal distribution function."""
    return 0.5 * (1 + erf(z / sqrt(2)))
