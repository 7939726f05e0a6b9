"""SWAPPED: two probes that seem to have each other's place, by what they do or by what was noted.

The values are true, but of the other place; which is meant a person must say.
"""

import re
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology.minutes import Grid, last

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# By what they do: for so long the place in the air has been as calm as only meat is (roughness, see together) and has
# not gone up and down, while a place in the meat was as restless as only air is, and hotter by so much. A thick air
# sensor is calm from minute to minute, but goes up and down with the fire: so 40 minutes.
CROSSED_MIN = 40
CALM_K = 0.15
RESTLESS_K = 0.3
CALM_OF_RESTLESS = 0.25
HOTTER_K = 25.0
BACK_AND_FORTH_K = 3.0

# By a note that names one place (ice held to it, or words): within five minutes that place has not moved and exactly
# one other has, by what only a hand does; and that one had been quiet before.
NOTED_MIN = 5
NOTED_KINDS = ("ice", "text")
NOTED_MOVED_K = 15.0
NOTED_STILL_K = 2.0


class Told(NamedTuple):
    """A note: when (UTC s), its kind and its text."""

    t: float
    kind: str
    text: str


def swapped(places: Sequence[tuple[str, str]], means: Sequence[FloatArray], rough: Sequence[FloatArray], grid: Grid,
            notes: Sequence[Told]) -> list[BoolArray]:
    """Where each trace seems to have changed places with another: bool (m,) each, at the end of each minute.

    places: (name, kind) of each trace; means [degC] and rough [K]: (m,) each, by the grid's minutes.
    """
    met = [np.zeros(mean.shape, bool) for mean in means]
    for a, (_, kind_a) in enumerate(places):
        for b, (_, kind_b) in enumerate(places):
            if (kind_a, kind_b) == ("air", "meat"):
                both = crossed(means[a], rough[a], means[b], rough[b])
                met[a] |= both
                met[b] |= both
    pairs: dict[frozenset[int], int] = {}
    for minute, named, moved in _noted([name for name, _ in places], means, grid, notes):
        for pair in [pair for pair in pairs if named == moved and named in pair]:
            begin = pairs.pop(pair)  # a later note speaks for this place: until then
            for i in pair:
                met[i][begin:minute] = True
        if named != moved:
            pairs.setdefault(frozenset((named, moved)), minute)
    for pair, begin in pairs.items():
        for i in pair:
            met[i][begin:] |= np.isfinite(means[i][begin:])
    return met


def crossed(air: FloatArray, air_rough: FloatArray, meat: FloatArray, meat_rough: FloatArray) -> BoolArray:
    """Whether an "air" place does what meat does and a "meat" place what air does: (m,) each -> bool (m,)."""
    at_each = (air_rough <= CALM_K) & (meat_rough >= RESTLESS_K) & (air_rough <= CALM_OF_RESTLESS * meat_rough)
    at_each &= meat - air >= HOTTER_K
    if not at_each.any():
        return at_each
    met: BoolArray = last(at_each.astype(np.float64), CROSSED_MIN).sum(axis=1) == CROSSED_MIN
    if met.any():
        window = last(air, CROSSED_MIN)
        to_and_fro = np.abs(np.diff(window, axis=1)).sum(axis=1) - np.abs(window[:, -1] - window[:, 0])
        met &= to_and_fro <= BACK_AND_FORTH_K
    return met


def named_in(text: str, places: Sequence[str]) -> set[str]:
    """The places that a text names, as whole words, of any case; "second flat" does not name "flat"."""
    text, found = text.casefold(), set()
    for place in sorted(set(places), key=lambda name: (-len(name), name)):
        pattern = rf"(?<!\w){re.escape(place.casefold())}(?!\w)"
        if place and re.search(pattern, text):
            found.add(place)
            text = re.sub(pattern, " ", text)
    return found


def _noted(names: Sequence[str], means: Sequence[FloatArray], grid: Grid,
           notes: Sequence[Told]) -> list[tuple[int, int, int]]:
    """(minute at whose end it is known, trace named, trace that moved) of the notes that tell something."""
    out = []
    for note in sorted(notes):
        named = named_in(note.text, names) if note.kind in NOTED_KINDS else set()
        begin = grid.row_at(note.t)
        if len(named) != 1 or begin is None or not NOTED_MIN <= begin < grid.size - NOTED_MIN:
            continue
        end = begin + NOTED_MIN
        here = [i for i, mean in enumerate(means) if np.isfinite(mean[begin - NOTED_MIN : end + 1]).all()]
        mine = [i for i in here if names[i] in named]
        moved = [i for i in here if _movement(means[i], begin - 1, end) >= NOTED_MOVED_K]
        if len(mine) != 1 or len(moved) != 1:
            continue
        if _movement(means[moved[0]], begin - NOTED_MIN, begin - 1) > NOTED_STILL_K:
            continue
        if moved[0] == mine[0] or _movement(means[mine[0]], begin - 1, end) <= NOTED_STILL_K:
            out.append((end, mine[0], moved[0]))
    return out


def _movement(mean: FloatArray, begin: int, end: int) -> float:
    """The most that minutes begin to end differ among themselves. [K]"""
    return float(np.ptp(mean[begin : end + 1]))
