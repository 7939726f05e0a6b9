"""Rules that need several places, and the one function that judges a cook by all rules of minutes: ``judge``.

Each rule says of each minute, at its end, whether it is met; the flag is set on the samples of the next minute.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology import its90, lone
from pitscribe.metrology.chips import chip_of
from pitscribe.metrology.flags import Flag, FlagArray
from pitscribe.metrology.minutes import Grid, Minutes, Summary, last, since, step_k
from pitscribe.metrology.swapped import Told, swapped
from pitscribe.metrology.uncertainty import Setup

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# STUCK: so long the very same hot code, of so many samples at least (slower loggers are not judged), while another
# place moved by so much. A channel can be judged if its code never rests: because the chip's noise is larger than its
# step by its data sheet, or because three codes in ten so far differed from the one before. Then the noise is 0.27 of a
# step or more, and 300 samples in the middle of a step all stay there with a chance of 1e-8 (normal noise, computed).
# A quieter channel may rightly rest (ice, a stall): it is judged only in air, while another air place moved by much ...
STUCK_MIN = 10
STUCK_SAMPLES = 300
STUCK_OTHERS_K = 1.0
STUCK_LIVELY = 0.3
STUCK_HISTORY_MIN = 10  # so long before the rest a channel must have been heard for that
STUCK_AIR_K = 6.0
# ... or if its cold code rests too while another chip of the same box saw the box move by four steps of the coarsest.
STUCK_BOX_K = 0.25

# NO_CONTACT. The air of a pit is restless; meat is not. Measured is the roughness: the median over a quarter of an hour
# of the second difference of minute means, which shrugs off three minutes in which somebody wraps and takes the probe
# out. In meat it is below 0.12 K on every cook of the bench (a tip of 45 mm, lid opened), in a sheath of 1/8 in in the
# air 0.23 to 1.1 K, mostly 0.45; that it has to be a quarter of what the air probe has keeps lids from counting. And
# the reading is near an air place: two ends of a pit differ by less than so much. It lasts until the probe is far from
# all air places or, a quarter of an hour after it was last moved, as calm as only meat is.
ROUGH_MIN = 15
ROUGH_K = 0.3
ROUGH_OF_AIR = 0.25
CALM_K = 0.12
NEAR_AIR_K = 30.0
FAR_MIN = 3  # of an opened lid a thin air probe knows minutes before a sheath does
# Sooner, when it is pulled out before our eyes: a rise of a minute that no joint can make, which ends near the air and
# above where it was before (a probe that is put back after wrapping ends where it was).
PULLED_K_PER_MIN = 8.0
PULLED_NEAR_K = 20.0

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


class _Judged(NamedTuple):
    """What is judged as one: its place, logger and setup, and its minutes over the grid."""

    place: str
    logger: int
    setup: Setup
    minutes: Minutes


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
    some = [_Judged(traces[rows[0]].place, traces[rows[0]].logger, traces[rows[0]].setup,
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


def _marks(some: Sequence[_Judged], grid: Grid, notes: Sequence[Told]) -> list[FlagArray]:
    """What is found of each at the end of each minute: uint32 (m,)."""
    rough = [roughness(one.minutes.mean) for one in some]
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
            Flag.STUCK: _stuck(one, [some[j] for j in others]),
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


def roughness(mean: FloatArray) -> FloatArray:
    """Median over a quarter of an hour of the size of the second difference of minute means: (m,) [degC] -> (m,) [K].

    NaN where one of the minutes is missing.
    """
    window = last(mean, ROUGH_MIN)
    second = np.abs(window[:, 2:] - 2 * window[:, 1:-1] + window[:, :-2])
    order = np.sort(second, axis=1)
    rough: FloatArray = order[:, order.shape[1] // 2].copy()
    rough[np.isnan(order[:, -1])] = np.nan
    return rough


def no_contact(mean: FloatArray, rough: FloatArray, air: Sequence[tuple[FloatArray, FloatArray]]) -> BoolArray:
    """NO_CONTACT of a meat probe: means and roughness (m,), and those of each air place -> bool (m,)."""
    before = _ago(mean, 10, np.nan)
    highest = np.fmax.reduce(last(before, 10), axis=1)
    steps = np.concatenate((np.full(min(1, mean.size), np.nan), np.diff(mean)))
    jumped = np.fmax.reduce(last(steps, 10), axis=1) >= PULLED_K_PER_MIN
    jumped &= mean - highest >= PULLED_K_PER_MIN
    begins, far = np.zeros(mean.shape, bool), np.ones(mean.shape, bool)
    for level, restless in air:
        away = np.abs(mean - level)
        begins |= (rough >= ROUGH_K) & (rough >= ROUGH_OF_AIR * restless) & (away <= NEAR_AIR_K)
        begins |= jumped & (away <= PULLED_NEAR_K)
        far &= away > NEAR_AIR_K
    gone = last(far.astype(np.float64), FAR_MIN).sum(axis=1) == FAR_MIN
    moved = np.fmax.reduce(last(np.abs(steps), ROUGH_MIN), axis=1) >= PULLED_K_PER_MIN
    return since(begins, gone | ((rough <= CALM_K) & ~moved))


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


def lively_by_sheet(setup: Setup) -> bool:
    """Whether the chip's own noise, by its data sheet, is two steps or more: then its code never rests."""
    spec = chip_of(setup.chip)
    if setup.probe_tc not in its90.KINDS:
        return False
    return spec.noise_mv * 1000.0 / float(its90.sensitivity(setup.probe_tc, 100.0)) >= 2.0 * step_k(setup)


def _rests(low: FloatArray, high: FloatArray) -> BoolArray:
    """Whether the last minutes hold one value only, and every minute has one."""
    rests: BoolArray = last(high, STUCK_MIN).max(axis=1) == last(low, STUCK_MIN).min(axis=1)
    return rests


def _moved(mean: FloatArray) -> FloatArray:
    """By how much the last minutes' means differ at most; 0 where too few are there. [K]"""
    window = last(mean, STUCK_MIN)
    moved: FloatArray = np.nan_to_num(np.fmax.reduce(window, axis=1) - np.fmin.reduce(window, axis=1))
    return moved


def _stuck(one: _Judged, others: Sequence[_Judged]) -> BoolArray:
    """STUCK: the hot code rests as this channel's cannot, while another place moved."""
    own = one.minutes
    rests: BoolArray = _rests(own.hot_low, own.hot_high) & (last(own.codes, STUCK_MIN).sum(axis=1) >= STUCK_SAMPLES)
    if not rests.any():
        return rests
    codes, changes = np.nan_to_num(own.codes).cumsum(), np.nan_to_num(own.changes).cumsum()
    heard = (own.codes > 0).astype(np.float64).cumsum()
    codes, changes, heard = (_ago(x, STUCK_MIN, 0.0) for x in (codes, changes, heard))
    lively = (heard >= STUCK_HISTORY_MIN) & (changes >= STUCK_LIVELY * codes)
    if lively_by_sheet(one.setup):
        lively[:] = True
    moved = np.zeros(rests.shape)
    moved_air, moved_box = moved.copy(), moved.copy()
    for other in others:
        by = _moved(other.minutes.mean)
        moved = np.maximum(moved, by)
        if other.setup.kind == "air":
            moved_air = np.maximum(moved_air, by)
        if other.logger == one.logger:
            moved_box = np.maximum(moved_box, _moved(other.minutes.cold))
    quiet = (moved_air >= STUCK_AIR_K) if one.setup.kind == "air" else np.zeros(rests.shape, bool)
    frozen = _rests(own.cold_low, own.cold_high) & (moved_box >= STUCK_BOX_K)
    return since(rests & ((lively & (moved >= STUCK_OTHERS_K)) | quiet | frozen), ~rests)


def _ago(x: NDArray[np.float64], minutes: int, first: float) -> FloatArray:
    """Values of so many minutes before; ``first`` where there was none."""
    out = np.full(x.shape, first)
    out[minutes:] = x[: max(x.size - minutes, 0)]
    return out
