"""NO_CONTACT: a meat probe that follows the pit's air; and the roughness by which air and meat are told apart."""

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology.minutes import MEDIAN_SIZE, Judged, ago, explained_noise, last, since

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# The air of a pit is restless; meat is not. Measured is the roughness: the median over a quarter of an hour of the
# second difference of minute means, which shrugs off three minutes in which somebody wraps and takes the probe out. On
# the bench it is below CALM_K in meat (a tip of 45 mm, lid opened), and in a sheath of 1/8 in in the air mostly AIR_K.
# That it has to be a quarter of what the air probe has keeps lids from counting. And the reading is near an air place:
# two ends of a pit differ by less than so much. What the chip's own noise leaves in a minute's mean is not the place's:
# a threshold is raised by twice that, for the median of so few scatters.
ROUGH_MIN = 15
ROUGH_K = 0.3
ROUGH_OF_AIR = 0.25
CALM_K = 0.12
AIR_K = 0.4  # as measured; nothing is judged by it
NOISE_TWICE = 2.0
NEAR_AIR_K = 30.0
# It lasts until the probe is far from all air places that are known ...
FAR_MIN = 3  # of an opened lid a thin air probe knows minutes before a sheath does
# ... or has been, in each of so many second differences, as calm as only meat is.
LEVEL_MIN = 5
# Sooner, when it is pulled out before our eyes: a rise of a minute that no joint can make, which ends near the air and
# above where it was before (a probe that is put back after wrapping ends where it was), and goes on moving, as a probe
# in the air does. One that is put into hot meat stands still after some minutes.
PULLED_K_PER_MIN = 8.0
PULLED_NEAR_K = 20.0
PULLED_MIN = 10  # so long back the rise may be
# In contact a probe comes to its value with some 20 s to 63 % (our allowance, no source), a sheath in air takes more
# than a minute: two minutes after the rise has become slower it still rises by this share of the largest minute's rise;
# or after four the second difference shows that it is restless.
SETTLED_MIN = 2
RESTLESS_MIN = 4
RISES_SHARE = 0.07
FOLLOW_K = 0.24
FOLLOW_NOISE = 4.0  # one difference alone scatters more than a median


class Roughness(NamedTuple):
    """How restless a place is, (m,) each [K].

    median : median over a quarter of an hour of the second difference's size; NaN where one of the minutes is missing
    noise : what that would be of the explained noise of chip and leads alone
    """

    median: FloatArray
    noise: FloatArray

    def above(self, limit: float) -> BoolArray:
        """Where the place is more restless than so, whatever the noise did."""
        met: BoolArray = self.median >= np.hypot(limit, NOISE_TWICE * self.noise)
        return met

    def below(self, limit: float) -> BoolArray:
        """Where the place is as calm as that, with noise on top."""
        met: BoolArray = self.median <= np.hypot(limit, self.noise)
        return met


def roughness(one: Judged) -> Roughness:
    """The roughness of a channel at the end of each minute."""
    second = last(_second(one.minutes.mean), ROUGH_MIN)[:, 2:]
    order = np.sort(second, axis=1)
    median = order[:, order.shape[1] // 2].copy()
    median[np.isnan(order[:, -1])] = np.nan
    samples = np.nan_to_num(last(one.minutes.codes, ROUGH_MIN)).mean(axis=1)
    sure = explained_noise(replace(one.setup, kind="meat"))  # flutter of the gas is what is looked for
    return Roughness(median, MEDIAN_SIZE * 6.0**0.5 * sure / np.sqrt(np.maximum(samples, 1.0)))


def no_contact(mean: FloatArray, rough: Roughness, air: Sequence[tuple[FloatArray, Roughness]]) -> BoolArray:
    """NO_CONTACT of a meat probe: means (m,) and roughness, and those of each air place -> bool (m,)."""
    second, calm = _second(mean), np.hypot(CALM_K, NOISE_TWICE * rough.noise)
    pulled, back = _pulled(mean, second, rough.noise)
    back &= ~rough.above(ROUGH_K)  # what has been restless for long falls and rises with the lid
    # Restless now too: one that was out and is back, or was put in a minute ago, was restless before.
    in_hand = last(np.abs(mean - ago(mean, 1)), SETTLED_MIN + 1).max(axis=1) >= PULLED_K_PER_MIN
    restless = rough.above(ROUGH_K) & (last(second, 2).max(axis=1) > calm) & ~in_hand
    begins, near, known = (np.zeros(mean.shape, bool) for _ in range(3))
    for level, other in air:
        away = np.abs(mean - level)
        begins |= restless & (rough.median >= ROUGH_OF_AIR * other.median) & (away <= NEAR_AIR_K)
        begins |= pulled & (away <= PULLED_NEAR_K)
        near |= away <= NEAR_AIR_K
        known |= np.isfinite(away)
    gone = last((known & ~near).astype(np.float64), FAR_MIN).sum(axis=1) == FAR_MIN
    return since(begins, gone | back | (last(second, LEVEL_MIN).max(axis=1) <= calm))


def _pulled(mean: FloatArray, second: FloatArray, noise: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Where a probe rose as no joint can and moves on, above where it was; and where it rose so and is back: (m,)."""
    above = mean - np.fmax.reduce(last(ago(mean, PULLED_MIN), PULLED_MIN), axis=1)
    steps = mean - ago(mean, 1)
    rise = np.fmax.reduce(last(steps, PULLED_MIN), axis=1)
    least = np.hypot(FOLLOW_K, FOLLOW_NOISE * noise)
    settled, later = (last(steps, n).max(axis=1) < PULLED_K_PER_MIN for n in (SETTLED_MIN, RESTLESS_MIN))
    rises = settled & (steps >= np.maximum(RISES_SHARE * rise, least))
    moves = rises | (later & (second >= least))
    rose = rise >= PULLED_K_PER_MIN
    fell = last(steps, SETTLED_MIN).min(axis=1) <= -PULLED_K_PER_MIN
    return rose & moves & (above >= PULLED_K_PER_MIN), rose & fell & (above < PULLED_K_PER_MIN)


def _second(mean: FloatArray) -> FloatArray:
    """Size of the second difference that ends with each minute: (m,) [degC] -> (m,) [K]."""
    second: FloatArray = np.abs(mean - 2 * ago(mean, 1) + ago(mean, 2))
    return second
