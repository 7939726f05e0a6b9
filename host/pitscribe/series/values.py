"""What everybody who reads a cook gets: the series of its places, and the record of the whole."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pitscribe.ledger.values import Cook, Note, Sheet
from pitscribe.metrology import airprobe
from pitscribe.metrology.flags import Flag, rate_flags, usable

# Standard uncertainty of an imported table. Nobody says what measured it: 2.5 K is the half width of the widest class
# of type K wire (IEC 60584-1 class 2), 1.44 K as a standard uncertainty, and a whole-degree display is in the rest.
SHEET_U_K = 1.5


@dataclass(frozen=True, slots=True)
class Series:
    """Times, temperatures, standard uncertainties and flags of one place.

    t : float64 (n,), UTC seconds, ascending
    celsius : float64 (n,), degC, NaN where nothing can be said
    u : float64 (n,), standard uncertainty, K
    flags : uint32 (n,), see ``metrology.flags.Flag``
    k : float64 (n,), by which u is to be multiplied for 95 %; None: 2

    The arrays may be read-only views that other records share.
    """

    place: str
    kind: str  # "air" or "meat"
    t: NDArray[np.float64]
    celsius: NDArray[np.float64]
    u: NDArray[np.float64]
    flags: NDArray[np.uint32]
    k: NDArray[np.float64] | None = None

    def expanded(self) -> NDArray[np.float64]:
        """Half width of the interval that holds 95 %, float64 (n,) [K]."""
        return self.u * (2.0 if self.k is None else self.k)

    def good(self) -> NDArray[np.bool_]:
        """Where the value may be used: it is there and has no flag of ``Flag.BAD``; bool (n,)."""
        return usable(self.flags) & np.isfinite(self.celsius)

    def until(self, t: float) -> "Series":
        """The series so far: samples at or before ``t`` (UTC seconds)."""
        n = int(np.searchsorted(self.t, t, side="right"))
        return self.rows(slice(0, n))

    def rows(self, rows: slice | NDArray[np.intp]) -> "Series":
        """Some of the samples."""
        k = None if self.k is None else self.k[rows]
        return Series(self.place, self.kind, self.t[rows], self.celsius[rows], self.u[rows], self.flags[rows], k)

    def track(self) -> airprobe.Track:
        """The samples that may be used."""
        good = self.good()
        return airprobe.Track(self.t[good], self.celsius[good], self.u[good])


@dataclass(frozen=True, slots=True)
class CookRecord:
    """One cook as it can be read now: its series and what was noted.

    ``as_read`` has those air places beside which the correction for stem and lag stands in ``places``: what the
    junction reads, and u of that.
    """

    cook: Cook
    places: tuple[Series, ...]
    notes: tuple[Note, ...]
    missed: int  # ticks that the logger says it missed
    unplaced: int  # frames of boots that no anchor places in time, if they may belong to this cook
    contradictions: int = 0  # anchors of its boots that contradict others: the time there may be wrong, see ``u``
    as_read: tuple[Series, ...] = ()
    remarks: tuple[str, ...] = ()  # what could not be corrected as it should be, a sentence each

    @property
    def air(self) -> tuple[Series, ...]:
        """The series of air places, in the order of their placements."""
        return tuple(s for s in self.places if s.kind == "air")

    @property
    def meat(self) -> tuple[Series, ...]:
        """The series of meat places, in the order of their placements."""
        return tuple(s for s in self.places if s.kind == "meat")

    def until(self, t: float) -> "CookRecord":
        """The cook as far as ``t`` (UTC seconds): series and notes; the counts stay those of the whole."""
        places, as_read = (tuple(s.until(t) for s in some) for some in (self.places, self.as_read))
        return replace(self, places=places, as_read=as_read, notes=tuple(n for n in self.notes if n.at_ms <= 1000 * t))


def joined(place: str, kind: str, parts: Sequence[Series]) -> Series:
    """Several stretches of one place as one series; of two samples at one instant the later placement's counts."""
    some = sorted((s for s in parts if s.t.size), key=lambda s: float(s.t[0]))
    if len(some) == 1:
        return some[0]
    if not some:
        empty = np.empty(0)
        return Series(place, kind, empty, empty, empty, np.empty(0, np.uint32))
    if any(a.t[-1] >= b.t[0] for a, b in pairwise(some)):
        some = [s for s in parts if s.t.size]  # a stable sort below keeps the later placement behind the earlier one
    t, celsius, u = (np.concatenate(c) for c in ([s.t for s in some], [s.celsius for s in some], [s.u for s in some]))
    flags = np.concatenate([s.flags for s in some])
    k = np.concatenate([np.full(s.t.shape, 2.0) if s.k is None else s.k for s in some])
    whole = Series(place, kind, t, celsius, u, flags, k)
    if (np.diff(t) <= 0).any():
        order = np.argsort(t, kind="stable")
        return whole.rows(order[np.append(np.diff(t[order]) > 0, True)])
    return whole


def sheet_series(sheet: Sheet) -> Series:
    """An imported column as a series; an empty cell is a sample that nobody sent."""
    empty = np.isnan(sheet.celsius)
    flags = np.where(empty, np.uint32(Flag.NO_ANSWER), np.uint32(0))
    flags, _ = rate_flags(sheet.kind, sheet.t, sheet.celsius, flags)
    return Series(sheet.place, sheet.kind, sheet.t, sheet.celsius, np.where(empty, np.nan, SHEET_U_K), flags)
