"""SWAPPED: two probes that seem to have each other's place, by what they do or by what was noted.

The values are true, but of the other place; which is meant a person must say.
"""

import re
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology.contact import Roughness
from pitscribe.metrology.minutes import Grid, last

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# By what they do: for so long the place in the air has been as calm as only meat is (roughness, see together) and has
# not gone up and down, while a place in the meat was as restless as only air is, and hotter by so much. A thick air
# sensor is calm from minute to minute, but goes up and down with the fire: so 40 minutes.
CROSSED_MIN = 40
CROSSED_CALM_K = 0.15
CROSSED_RESTLESS_K = 0.3
CROSSED_CALM_OF_RESTLESS = 0.25
HOTTER_K = 25.0
BACK_AND_FORTH_K = 3.0

# By a note that names one place to which ice is held: within five minutes that place has not moved and exactly one
# other has fallen, as only ice makes it, to so near 0 degC; and that one had been quiet before. Any other note may be
# written while somebody opens the lid or moves a probe, and no movement is an answer to it. Nor is that of an air place
# to a note of a meat place: a lid opened in winter looks alike.
NOTED_MIN = 5
NOTED_FALL_K = 15.0
NOTED_ICE_C = 10.0
NOTED_STILL_K = 2.0


class Told(NamedTuple):
    """A note: when (UTC s), its kind and its text."""

    t: float
    kind: str
    text: str


def swapped(places: Sequence[tuple[str, str]], means: Sequence[FloatArray], rough: Sequence[Roughness], grid: Grid,
            notes: Sequence[Told]) -> list[BoolArray]:
    """Where each trace seems to have changed places with another: bool (m,) each, at the end of each minute.

    places: (name, kind) of each trace; means: (m,) each [degC], and roughness, by the grid's
    minutes.
    """
    met = [np.zeros(mean.shape, bool) for mean in means]
    for a, (_, kind_a) in enumerate(places):
        for b, (_, kind_b) in enumerate(places):
            if (kind_a, kind_b) == ("air", "meat"):
                both = crossed(means[a], rough[a], means[b], rough[b])
                met[a] |= both
                met[b] |= both
    pairs: dict[frozenset[int], int] = {}
    for minute, named, moved in _noted(places, means, grid, notes):
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


def crossed(air: FloatArray, air_rough: Roughness, meat: FloatArray, meat_rough: Roughness) -> BoolArray:
    """Whether an "air" place does what meat does and a "meat" place what air does: (m,) each -> bool (m,)."""
    at_each = air_rough.below(CROSSED_CALM_K) & meat_rough.above(CROSSED_RESTLESS_K)
    at_each &= air_rough.median <= CROSSED_CALM_OF_RESTLESS * meat_rough.median
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


def _noted(places: Sequence[tuple[str, str]], means: Sequence[FloatArray], grid: Grid,
           notes: Sequence[Told]) -> list[tuple[int, int, int]]:
    """(minute at whose end it is known, trace named, trace that answered) of the notes that tell something."""
    out, names = [], [name for name, _ in places]
    for note in sorted(notes):
        named = named_in(note.text, names) if note.kind == "ice" else set()
        begin = grid.row_at(note.t)
        if len(named) != 1 or begin is None or not NOTED_MIN <= begin < grid.size - NOTED_MIN:
            continue
        end = begin + NOTED_MIN
        here = [i for i, mean in enumerate(means) if np.isfinite(mean[begin - NOTED_MIN : end + 1]).all()]
        mine = [i for i in here if names[i] in named]
        if len(mine) != 1:
            continue
        answers = [i for i in here if (i == mine[0] or places[i][1] == "meat" or places[mine[0]][1] == "air")
                   and _iced(means[i][begin - 1 : end + 1])]
        if len(answers) != 1 or np.ptp(means[answers[0]][begin - NOTED_MIN : begin]) > NOTED_STILL_K:
            continue
        if answers[0] == mine[0] or np.ptp(means[mine[0]][begin - 1 : end + 1]) <= NOTED_STILL_K:
            out.append((end, mine[0], answers[0]))
    return out


def _iced(mean: FloatArray) -> bool:
    """Whether minutes begin warm and fall to near 0 degC, as a probe in ice does."""
    return bool(mean[0] - mean.min() >= NOTED_FALL_K and abs(mean.min()) <= NOTED_ICE_C)
