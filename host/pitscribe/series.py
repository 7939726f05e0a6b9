"""Frames + placements -> series: every temperature is computed here, when it is read, and never stored."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitscribe.ledger.values import Cook, Note


@dataclass(frozen=True, slots=True)
class Series:
    """Times, temperatures, standard uncertainties and flags of one place.

    t : float64 (n,), UTC seconds, ascending
    celsius : float64 (n,), degC, NaN where nothing can be said
    u : float64 (n,), standard uncertainty, K
    flags : uint32 (n,), see ``metrology.flags.Flag``
    """

    place: str
    kind: str  # "air" or "meat"
    t: NDArray[np.float64]
    celsius: NDArray[np.float64]
    u: NDArray[np.float64]
    flags: NDArray[np.uint32]

    def until(self, t: float) -> "Series":
        """The series so far: samples at or before ``t`` (UTC seconds)."""
        n = int(np.searchsorted(self.t, t, side="right"))
        return Series(self.place, self.kind, self.t[:n], self.celsius[:n], self.u[:n], self.flags[:n])


@dataclass(frozen=True, slots=True)
class CookRecord:
    """One cook as it can be read now: its series and what was noted."""

    cook: Cook
    places: tuple[Series, ...]
    notes: tuple[Note, ...]
    missed: int  # ticks that the logger says it missed
    unplaced: int  # frames of boots that no anchor places in time

    @property
    def air(self) -> tuple[Series, ...]:
        """The series of air places, in the order of their placements."""
        return tuple(s for s in self.places if s.kind == "air")

    @property
    def meat(self) -> tuple[Series, ...]:
        """The series of meat places, in the order of their placements."""
        return tuple(s for s in self.places if s.kind == "meat")
