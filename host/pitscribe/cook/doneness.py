"""Doneness: how long each place was how hot, what that means for connective tissue, carry-over and hold.

Time at temperature is a plain fact. The index for connective tissue is a relative figure with a wide range, and no
promise of tenderness: shrinkage kinetics of collagen do not describe a joint (by 70 degC it has long shrunk, yet the
meat needs hours more at 90 to 95), and the slow step, in which cross-linked collagen dissolves, nobody has measured for
it. Two anchors, 24 to 48 h at 60 degC (Bouton and Harris 1981) and 1 to 2 h at about 92 degC (common practice, no
source), leave z between 19 and 30 K: our inference. Probe for tenderness.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pitscribe.cook.doneness_carry import CarryOver, rise_off_heat
from pitscribe.cook.grid import Cells, FloatArray, Grid
from pitscribe.cook.noted import Noted
from pitscribe.cook.pit import pit_course
from pitscribe.cook.plain import iso, number
from pitscribe.cook.rates import Rates, rates_of, why_no_rate
from pitscribe.cook.safety_seen import BoolArray, Seen, seen_of
from pitscribe.cook.safety_tables import HOT_C

LEVELS_C = (71.0, 80.0, 90.5, 95.0)  # 160, 176, 195 and 203 degF
# The index: hours at 90 degC that do the same. Below 60 degC no anchor says anything.
REFERENCE_C, LEAST_C = 90.0, 60.0
Z_K, Z_RANGE_K = 23.0, (19.0, 30.0)
CAUTION = "A relative index with a wide range, no measure of tenderness: probe the meat."
HELD_IN_C = 25.0  # a warm room (our allowance): a hold in a warmer box cools more slowly, and lasts longer than said
LONGEST_H = 24.0  # no rate says anything of a hold beyond (our allowance)
PIT_MIN = 15  # the pit that counts is the median of so many minutes


@dataclass(frozen=True, slots=True)
class Hold:
    """How it is held since the first note of a hold (without one: of a pull); None where ``why_not`` says why.

    held_h : known hours since then at or above ``line_c``, by the temperature less its expanded uncertainty
    leaves_low_h, leaves_high_h : hours from now until it leaves hot holding; high None: no end can be told
    """

    since: float | None  # UTC s
    held_h: float | None
    unknown_h: float | None
    rate_k_h: float | None
    rate_u_k_h: float | None
    line_c: float
    leaves_low_h: float | None
    leaves_high_h: float | None
    why_not: str | None

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "since": iso(self.since), "held_h": number(self.held_h), "unknown_h": number(self.unknown_h),
            "rate_k_h": number(self.rate_k_h), "rate_u_k_h": number(self.rate_u_k_h), "line_c": number(self.line_c),
            "leaves_low_h": number(self.leaves_low_h), "leaves_high_h": number(self.leaves_high_h),
            "why_not": self.why_not,
        }


@dataclass(frozen=True, slots=True)
class PlaceDoneness:
    """One place: (level degC, minutes at or above it), what is unknown, the index with its range, carry-over, hold."""

    place: str
    minutes_above: tuple[tuple[float, float], ...]
    unknown_min: float
    index_h: float
    index_low_h: float
    index_high_h: float
    carry_over: CarryOver
    hold: Hold

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "place": self.place,
            "minutes_above": [{"celsius": level, "minutes": number(minutes)} for level, minutes in self.minutes_above],
            "unknown_min": number(self.unknown_min), "index_h": number(self.index_h),
            "index_low_h": number(self.index_low_h), "index_high_h": number(self.index_high_h),
            "carry_over": self.carry_over.as_json(), "hold": self.hold.as_json(),
        }


@dataclass(frozen=True, slots=True)
class Doneness:
    """All meat places, by name, with what the index means and does not."""

    places: tuple[PlaceDoneness, ...]
    reference_c: float
    caution: str

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "places": [p.as_json() for p in self.places], "reference_c": self.reference_c, "caution": self.caution,
        }


def doneness_of(
    places: Mapping[str, Cells], notes: Sequence[Noted], grid: Grid, air: Sequence[Cells] = (), *,
    doubts: Mapping[str, BoolArray] | None = None,
) -> Doneness:
    """Doneness of every meat place so far; a pure function of what is given.

    places : cells of each meat place, by name;  air : of the air places, in the order of placements
    doubts : of places, minutes that are in doubt by their flags, see ``doubt.doubtful``
    """
    pit = pit_course(air, grid.n)
    pulled = _first_note(notes, ("pull", "hold"))
    held = _first_note(notes, ("hold",))
    out = []
    for name in sorted(places):
        cells = places[name]
        seen = seen_of(cells, grid, (doubts or {}).get(name))
        rates = rates_of(cells.known())
        carry = _carry_over(cells, seen, rates, pit, pulled)
        hold = _hold(cells, seen, rates, held if held is not None else pulled)
        above, index = _above(seen), _index(seen)
        out.append(PlaceDoneness(name, above, 60 * seen.total(~seen.known), *index, carry, hold))
    return Doneness(tuple(out), REFERENCE_C, CAUTION)


def _first_note(notes: Sequence[Noted], kinds: tuple[str, ...]) -> float | None:
    return min((note.at_ms / 1000 for note in notes if note.kind in kinds), default=None)


def _above(seen: Seen) -> tuple[tuple[float, float], ...]:
    """Known minutes at or above each level, by the temperature as it is."""
    middle = (seen.low + seen.high) / 2
    return tuple((level, 60 * seen.total(seen.known & (middle >= level))) for level in LEVELS_C)


def _index(seen: Seen) -> tuple[float, float, float]:
    """(middle, low, high): hours at 90 degC that do the same, of the known minutes."""
    hours = seen.hours
    middle = dose_h((seen.low + seen.high) / 2, hours, Z_K)
    low = min(dose_h(seen.low, hours, z) for z in Z_RANGE_K)
    high = max(dose_h(seen.high, hours, z) for z in Z_RANGE_K)
    return middle, low, high


def dose_h(celsius: FloatArray, hours: FloatArray, z_k: float) -> float:
    """Integral of 10^((T - 90)/z) dt at and above ``LEAST_C`` [h]; NaN counts nothing. float64 (n,) each."""
    counts = celsius >= LEAST_C
    with np.errstate(over="ignore"):  # the upper end of a reading whose time may be off by a year: infinite
        return float((hours[counts] * 10 ** ((celsius[counts] - REFERENCE_C) / z_k)).sum())


def _carry_over(cells: Cells, seen: Seen, rates: Rates, pit: FloatArray, pulled: float | None) -> CarryOver:
    """From the last minute on the heat: that before the pull, or the present one."""
    on = seen.n if pulled is None else int(np.searchsorted(seen.ends, pulled, side="right"))
    off = pulled is not None
    have = np.flatnonzero(seen.known[:on])
    nothing = None, None, None, None, None, None
    if pulled is None and seen.why_not:
        return CarryOver(off, None, *nothing, seen.why_not)
    if not have.size or on - int(have[-1]) > PIT_MIN:
        return CarryOver(off, pulled, *nothing, "no reading that is beyond doubt from when it came off the heat")
    k = int(have[-1])
    since = float(seen.ends[k])
    celsius = float(seen.low[k] + seen.high[k]) / 2
    rate, u = float(rates.k_h[k]), float(rates.u[k])
    if not np.isfinite(rate):
        why = "no rate when it came off the heat" if off else why_no_rate(cells.known())
        return CarryOver(off, since, celsius, None, None, None, None, _seen_rise(seen, k) if off else None, why)
    recent = pit[max(0, k - PIT_MIN + 1) : k + 1]
    recent = recent[np.isfinite(recent)]
    air_c = float(np.median(recent)) if recent.size else None
    rise = rise_off_heat(celsius, rate, u, air_c)
    return CarryOver(off, since, celsius, *rise, _seen_rise(seen, k) if off else None, None)


def _seen_rise(seen: Seen, k: int) -> float | None:
    """How far it has risen since minute ``k``, at the same spot; None: nothing was seen since."""
    later = seen.known & (np.arange(seen.n) > k) & (seen.part == seen.part[k])
    if not later.any():
        return None
    middle = (seen.low + seen.high) / 2
    return max(0.0, float(middle[later].max() - middle[k]))


def _hold(cells: Cells, seen: Seen, rates: Rates, since: float | None) -> Hold:
    """The hold so far, and how long it lasts if it goes on cooling as it does."""
    if since is None:
        return Hold(None, None, None, None, None, HOT_C, None, None, "no note of a hold or a pull")
    during = seen.ends > since
    held, unknown = seen.total(during & (seen.low >= HOT_C)), seen.total(during & ~seen.known)
    if seen.why_not or not during[seen.now]:
        why = seen.why_not or "no reading since then"
        return Hold(since, held, unknown, None, None, HOT_C, None, None, why)
    low, high = float(seen.low[seen.now]), float(seen.high[seen.now])
    rate, u = float(rates.k_h[seen.now]), float(rates.u[seen.now])
    if not np.isfinite(rate):
        return Hold(since, held, unknown, None, None, HOT_C, None, None, why_no_rate(cells.known()))
    fast, slow = -rate + 2 * u, -rate - 2 * u
    if low < HOT_C:
        return Hold(since, held, unknown, rate, u, HOT_C, 0.0, 0.0, None)
    if fast <= 0:
        return Hold(since, held, unknown, rate, u, HOT_C, None, None, "it does not cool")
    if (low - HOT_C) / fast > LONGEST_H:
        return Hold(since, held, unknown, rate, u, HOT_C, None, None, "it hardly cools yet")
    return Hold(since, held, unknown, rate, u, HOT_C, (low - HOT_C) / fast, newton_h(high, slow), None)


def newton_h(celsius: float, k_h: float) -> float | None:
    """Hours to cool to the line of hot holding in a warm room, by Newton's law, at a pace of ``k_h`` now [K/h].

    None where it does not surely cool. The pace falls as the meat comes nearer to the room, so this is longer than a
    straight line; in a warm box it is longer still.
    """
    if k_h <= 0:
        return None
    above = celsius - HELD_IN_C
    return above / k_h * float(np.log(above / (HOT_C - HELD_IN_C)))
