"""STUCK: a code that rests as its channel's cannot, while another place moved."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology import its90
from pitscribe.metrology.chips import chip_of
from pitscribe.metrology.minutes import Judged, Minutes, last, since, step_k
from pitscribe.metrology.uncertainty import Setup

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# So long the very same hot code, while another place moved by so much, and one of these:
STUCK_MIN = 10
STUCK_OTHERS_K = 1.0
# 1. The chip's noise by its data sheet is two steps or more. Then one code has a fifth of the samples at most, and so
# many in a row have one code with a chance of 1e-13 (normal noise, computed), at any rate of sampling.
STUCK_SHEET_STEPS = 2.0
STUCK_SHEET_SAMPLES = 20
# 2. In meat, what its codes did before the rest shows noise of its own. Only minutes count in which the place itself
# was calm, and of them codes that turned back at once: what moves with the place is no noise. When noise of s steps,
# well below one, meets values anywhere between two steps, the share of codes that turn back is s / sqrt(pi) (normal
# noise, computed): so much is noise of 0.27 step, and of it so many samples in the middle of a step all stay there with
# a chance of 1e-8. A value that lies at the edge between two steps flickers with any noise; so the calm minutes must
# have passed several steps, and few of them rested. Minutes with fewer samples rest by chance and are not judged so.
STUCK_FLIPS = 0.15
STUCK_SAMPLES = 300
STUCK_NOISE_STEPS = STUCK_FLIPS * float(np.sqrt(np.pi))
STUCK_PER_MIN = 30
STUCK_HISTORY_MIN = 10
STUCK_PASSED_STEPS = 4
STUCK_RESTED = 0.1
# 3. In air, while another air place moved by much; 4. if its cold code rests too while another chip of the same box saw
# the box move by four steps of the coarsest. Both need no noise, only a sample a minute.
STUCK_AIR_K = 6.0
STUCK_BOX_K = 0.25


class _Rest(NamedTuple):
    """Of each minute: how long the code has rested at its end, with how many samples, and the minute it began in."""

    minutes: NDArray[np.int64]
    samples: FloatArray
    begin: NDArray[np.int64]


def stuck(one: Judged, others: Sequence[Judged]) -> BoolArray:
    """STUCK of one channel, beside the other places: bool (m,)."""
    own, air = one.minutes, one.setup.kind == "air"
    rest = _resting(own)
    rests: BoolArray = (rest.minutes >= STUCK_MIN) & (rest.samples >= STUCK_MIN)
    if not rests.any():
        return rests
    moved = np.zeros(rests.shape)
    moved_air, moved_box = moved.copy(), moved.copy()
    for other in others:
        by = _moved(other.minutes.mean)
        moved = np.maximum(moved, by)
        if other.setup.kind == "air":
            moved_air = np.maximum(moved_air, by)
        if other.logger == one.logger:
            moved_box = np.maximum(moved_box, _moved(other.minutes.cold))
    if lively_by_sheet(one.setup):
        lively: BoolArray = rest.samples >= STUCK_SHEET_SAMPLES
    else:
        lively = (rest.samples >= STUCK_SAMPLES) & lively_by_codes(own, one.setup, rest.begin) & (not air)
    frozen = _frozen(own) & (moved_box >= STUCK_BOX_K)
    return since(rests & ((lively & (moved >= STUCK_OTHERS_K)) | (air & (moved_air >= STUCK_AIR_K)) | frozen), ~rests)


def lively_by_sheet(setup: Setup) -> bool:
    """Whether the chip's own noise, by its data sheet, is two steps or more: then its code never rests."""
    return _sheet_steps(setup) >= STUCK_SHEET_STEPS


def lively_by_codes(own: Minutes, setup: Setup, begin: NDArray[np.int64]) -> BoolArray:
    """Whether the codes before the minutes ``begin``, int (m,), show noise that never lets a code rest: bool (m,)."""
    wide = own.hot_high - own.hot_low
    calm = (wide <= 1 + 5 * _sheet_steps(setup)) & (own.codes >= STUCK_PER_MIN)

    def before(total: FloatArray) -> FloatArray:
        found: FloatArray = np.concatenate((np.full(1, np.nan), total))[begin]
        return found

    heard, rested, codes, flips = (
        before(np.where(calm, x, 0.0).cumsum()) for x in (np.ones(wide.size), wide == 0, own.codes, own.flips)
    )
    low = before(np.fmin.accumulate(np.where(calm, own.hot_low, np.nan)))
    high = before(np.fmax.accumulate(np.where(calm, own.hot_high, np.nan)))
    lively: BoolArray = (heard >= STUCK_HISTORY_MIN) & (flips >= STUCK_FLIPS * codes)
    return lively & (high - low >= STUCK_PASSED_STEPS) & (rested <= STUCK_RESTED * heard)


def _sheet_steps(setup: Setup) -> float:
    """The chip's noise by its data sheet, in steps of its hot code; 0 for a type without a reference function."""
    if setup.probe_tc not in its90.KINDS:
        return 0.0
    noise_k = chip_of(setup.chip).noise_mv * 1000.0 / float(its90.sensitivity(setup.probe_tc, 100.0))
    return noise_k / step_k(setup)


def _resting(own: Minutes) -> _Rest:
    """How long each minute's one code has been the same."""
    minute = np.arange(own.codes.size)
    still = own.hot_low == own.hot_high
    goes_on = np.zeros(still.shape, bool)
    goes_on[1:] = still[1:] & (own.hot_low[1:] == own.hot_high[:-1]) & still[:-1]
    begin = np.maximum.accumulate(np.where(goes_on, 0, minute))
    total = np.concatenate((np.zeros(1), np.nan_to_num(own.codes).cumsum()))
    return _Rest(np.where(still, minute - begin + 1, 0), total[1:] - total[begin], begin)


def _frozen(own: Minutes) -> BoolArray:
    """Whether the cold code of the last minutes is one value only, and every minute has one."""
    rests: BoolArray = last(own.cold_high, STUCK_MIN).max(axis=1) == last(own.cold_low, STUCK_MIN).min(axis=1)
    return rests


def _moved(mean: FloatArray) -> FloatArray:
    """By how much the last minutes' means differ at most; 0 where too few are there. [K]"""
    window = last(mean, STUCK_MIN)
    moved: FloatArray = np.nan_to_num(np.fmax.reduce(window, axis=1) - np.fmin.reduce(window, axis=1))
    return moved
