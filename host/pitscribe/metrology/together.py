"""The one function that judges a cook by all rules of minutes, ``judge``; and leads reversed, by the movement.

Each rule says of each minute, at its end, whether it is met; the flag is set on the samples of the next minute.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology import lone
from pitscribe.metrology.contact import no_contact, roughness
from pitscribe.metrology.flags import Flag, FlagArray
from pitscribe.metrology.minutes import Grid, Judged, Minutes, Summary, last
from pitscribe.metrology.stuck import stuck
from pitscribe.metrology.swapped import Told, swapped
from pitscribe.metrology.uncertainty import Setup

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# REVERSED, in meat that is not hot yet: for half an hour it has sunk without a step, beside a pit that is hot, and is
# now colder than a refrigerator. Ice makes a step, a freezer no pit.
SINKING_MIN = 30
SINKING_K = 5.0
SINKING_STEP_K = 2.0
SINKING_BELOW_C = -5.0
SINKING_PIT_K = 40.0  # above the box


@dataclass(frozen=True, slots=True)
class Trace:
    """One stretch of samples of a probe on a channel: where it is, its flags so far (n,), its minutes.

    placement : a number for the probe, channel and place; stretches that have it in common (a logger that was off in
        between) are judged as one
    """

    place: str
    logger: int
    placement: int
    setup: Setup
    flags: FlagArray
    summary: Summary


def judge(traces: Sequence[Trace], notes: Sequence[Told] = ()) -> list[FlagArray]:
    """Flag the samples of a cook's traces by the rules that look back over minutes or at several places.

    Returns for each trace its flags with those added: uint32 (n,), the very array that came in where there is nothing
    to add. No flag depends on samples, or notes, of its own minute or later.
    """
    told = [trace.summary.minutes() for trace in traces]
    grid = Grid([numbers for numbers, _ in told])
    if not grid.size:
        return [trace.flags for trace in traces]
    alike: dict[tuple[int, str, str], list[int]] = {}
    for i, trace in enumerate(traces):
        alike.setdefault((trace.placement, trace.setup.chip, trace.setup.tc), []).append(i)
    some = [Judged(traces[rows[0]].place, traces[rows[0]].logger, traces[rows[0]].setup,
                    grid.spread([told[i] for i in rows])) for rows in alike.values()]
    out = [trace.flags for trace in traces]
    for rows, marks in zip(alike.values(), _marks(some, grid, notes), strict=True):
        # What is found at the end of a minute is set on the samples of the next one.
        after = np.concatenate((np.zeros(1, np.uint32), marks[:-1]))
        for i in rows if after.any() else []:
            numbers, table = told[i]
            here = np.repeat(after[grid.rows(numbers)], Minutes(*table).samples.astype(np.int64))
            out[i] = out[i] | here if here.any() else out[i]
    return out


def _marks(some: Sequence[Judged], grid: Grid, notes: Sequence[Told]) -> list[FlagArray]:
    """What is found of each at the end of each minute: uint32 (m,)."""
    rough = [roughness(one) for one in some]
    crossed = swapped([(one.place, one.setup.kind) for one in some], [one.minutes.mean for one in some], rough, grid,
                      notes)
    out = []
    for i, one in enumerate(some):
        own = one.minutes
        others = [j for j, other in enumerate(some) if other.place != one.place]
        air = [j for j in others if some[j].setup.kind == "air"]
        noisy = lone.noisy(own)
        met = {
            Flag.REVERSED: lone.far_below(own) | sinking(own, [some[j].minutes for j in air]),
            Flag.STUCK: stuck(one, [some[j] for j in others]),
            Flag.SWAPPED: crossed[i],
            Flag.COLD_FAST: lone.box_too_fast(own),
            Flag.NOISY: noisy,
        }
        if one.setup.kind == "meat":
            near = [(some[j].minutes.mean, rough[j]) for j in air]
            met[Flag.NO_CONTACT] = no_contact(own.mean, rough[i], near) & ~noisy
        marks = np.zeros(own.mean.shape, np.uint32)
        for flag, where in met.items():
            marks[where] |= np.uint32(flag)
        out.append(marks)
    return out


def sinking(own: Minutes, air: Sequence[Minutes]) -> BoolArray:
    """REVERSED by the movement: sinks for half an hour below a refrigerator's cold, beside a hot pit."""
    if not (own.mean < SINKING_BELOW_C).any():
        return np.zeros(own.mean.shape, bool)
    window = last(own.mean, SINKING_MIN)
    steady = (np.abs(np.diff(window, axis=1)) <= SINKING_STEP_K).all(axis=1)
    sunk = steady & (window[:, 0] - window[:, -1] >= SINKING_K) & (own.mean < SINKING_BELOW_C)
    hot = np.zeros(sunk.shape, bool)
    for other in air:
        hot |= (last(other.mean, SINKING_MIN) >= last(own.cold, SINKING_MIN) + SINKING_PIT_K).all(axis=1)
    met: BoolArray = sunk & hot
    return met
