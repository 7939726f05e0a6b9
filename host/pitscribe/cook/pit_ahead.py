"""What the pit may do from now on: many courses of the air, drawn from what it did in its own last hours.

A course is a level that wanders, with the pit's own swings laid over it, taken in blocks of an hour from what was
measured. A fire that is well under its usual level comes back or does not; one that has just been lit goes on to where
smokers are run. Someone who has a plan for the pit says so, and then the level is the plan's.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.drive import ASSUMED_C
from pitscribe.cook.grid import FloatArray

HOUR_MIN = 60
LEVEL_MIN = 120  # the level is the mean of so many minutes: two to four splits
BACK_MIN = 360  # swings are taken from so many
WANDERS_K = 2.0  # of the level, in each square root of an hour
SETTLES_K = 8.0  # that is as far as it wanders: someone minds the fire
ASSUMED_U_K = 10.0  # pits are run from 107 to 135 degC (common practice, no source)
LIT_C = 95.0  # colder than most pits that are meant to cook
LIT_MIN = 120  # by then a pit is lit
BELOW_K = 12.0  # half of the band that smokers are run in: so far under its usual, the fire is low or set lower
MENDS_H = 0.75  # a low fire is found and mended after about so long
MINDED = 0.97  # of those that have just gone low are brought back (our allowance): past an hour a finish is in doubt
LEFT_H = 6.0  # a pit that was low for so long is probably meant to be
OPEN_H = 0.4  # a lid is open for less
AMBIENT_C = 20.0
COOLS_H = 0.8  # a dead smoker cools by e in so long (our allowance, no source)
AIR_GAP_MIN = 30


@dataclass(frozen=True, slots=True)
class Course:
    """The air as measured, in steps: celsius (steps,), degC, filled where it was silent; unseen (steps,): it was."""

    celsius: FloatArray
    unseen: NDArray[np.bool_]


def so_far(pit: FloatArray, per_step: int, assumed_c: float = ASSUMED_C) -> Course:
    """Means of ``per_step`` minutes of the pit (n a multiple of it), gaps filled by a line if they are short."""
    n = pit.size
    have = np.flatnonzero(np.isfinite(pit))
    if not have.size:
        steps = n // per_step
        return Course(np.full(steps, assumed_c), np.ones(steps, dtype=bool))
    filled = np.interp(np.arange(n), have, pit[have])
    before = np.maximum.accumulate(np.where(np.isfinite(pit), np.arange(n), -n))
    after = np.minimum.accumulate(np.where(np.isfinite(pit), np.arange(n), 2 * n)[::-1])[::-1]
    unseen = after - before > AIR_GAP_MIN
    usual = float(np.median(pit[have][-HOUR_MIN * 4 :]))
    filled = np.where(unseen & (after >= n), np.maximum(usual, min(assumed_c, usual + 5)), filled)
    table = filled.reshape(-1, per_step)
    return Course(table.mean(axis=1), unseen.reshape(-1, per_step).mean(axis=1) > 0.5)


def ahead(
    pit: FloatArray, steps: int, step_min: int, members: int, rng: np.random.Generator, level_c: float | None = None
) -> tuple[FloatArray, FloatArray]:
    """Courses of the air to come, and the level of each before it wanders and swings: (steps, members) each, degC.

    pit : the air's minutes so far, (n,), NaN where silent;  level_c : the level that somebody means to keep, from now
    """
    known = pit[np.isfinite(pit)]
    hours = np.arange(1, steps + 1)[:, None] * step_min / 60
    now = float(known[-15:].mean()) if known.size else ASSUMED_C
    walk = _walk(rng, steps, members, step_min / 60)
    if level_c is not None:
        goal = level_c + rng.normal(0, 3.0, members)
        level = goal + (now - goal) * np.exp(-hours / 0.25)
    else:
        level = _levels(known, hours, now, members, rng)
    return level + walk + _swings(known, steps, step_min, members, rng), level


def low_for_h(pit: FloatArray) -> float:
    """For how long the pit has been well under its usual [h]; 0: it is not, or nothing is known."""
    known = pit[np.isfinite(pit)]
    if known.size < 5:
        return 0.0
    usual = usual_c(known)
    return _since_h(known, usual) if float(known[-15:].mean()) <= usual - BELOW_K else 0.0


def usual_c(pit: FloatArray) -> float:
    """What the pit usually is [degC]: the upper quartile of its last four hours that were read."""
    return float(np.quantile(pit[np.isfinite(pit)][-4 * HOUR_MIN :], 0.75))


def _since_h(known: FloatArray, usual: float) -> float:
    low = known < usual - BELOW_K
    return (known.size - 1 - int(np.flatnonzero(~low)[-1])) / 60 if not low.all() else known.size / 60


def _levels(known: FloatArray, hours: FloatArray, now: float, members: int, rng: np.random.Generator) -> FloatArray:
    """The level of each course, before it wanders: (steps, members)."""
    if known.size < 5:
        return ASSUMED_C + ASSUMED_U_K * rng.normal(size=members) + 0 * hours
    recent = float(known[-LEVEL_MIN:].mean())
    usual = usual_c(known)
    if known.size < LIT_MIN and (known.max() < LIT_C or now > recent + 3):
        goal = np.maximum(ASSUMED_C + ASSUMED_U_K * rng.normal(size=members), now)
        return goal + (now - goal) * np.exp(-hours / 0.4)
    if now > recent + BELOW_K:
        level = float(known[-30:].mean())
        return max(level, now) + 4.0 * rng.normal(size=members) + 0 * hours
    if now > usual - BELOW_K:
        some = min(1.0, known.size / LEVEL_MIN)
        return recent + (2.0 + 3.0 * (1 - some)) * rng.normal(size=members) + 0 * hours
    return _low(known, hours, now, usual, members, rng)


def _low(
    known: FloatArray, hours: FloatArray, now: float, usual: float, members: int, rng: np.random.Generator
) -> FloatArray:
    """A pit well under its usual: mended after a while, or left as low as it goes."""
    since_h = _since_h(known, usual)
    mended = rng.uniform(size=members) < MINDED * np.exp(-max(since_h - OPEN_H, 0.0) / LEFT_H)
    when = rng.exponential(MENDS_H if since_h >= OPEN_H else OPEN_H / 2, members)
    last = known[-30:]
    slope = float(np.polyfit(np.arange(last.size) / 60, last, 1)[0]) if last.size >= 10 else 0.0
    falls = slope < -12.0
    floor = np.where(rng.uniform(size=members) < (0.6 if falls else 0.0), AMBIENT_C, now - 5.0 * falls)
    left = floor + (now - floor) * np.exp(-hours / COOLS_H)
    since = np.maximum(hours - when, 0.0)
    at_mending = floor + (now - floor) * np.exp(-when / COOLS_H)
    back = usual - 3.0 + (at_mending - usual + 3.0) * np.exp(-since / 0.35)
    return np.where(mended & (hours > when), back, left)


def _walk(rng: np.random.Generator, steps: int, members: int, hours: float) -> FloatArray:
    """A level that wanders about its own: mean-reverting, (steps, members) [K]."""
    pulls = WANDERS_K**2 / (2 * SETTLES_K**2)  # of a first-order process with that variance in the end, 1/h
    keep = np.exp(-pulls * hours)
    out, at = np.empty((steps, members)), np.zeros(members)
    shocks = rng.normal(size=(steps, members)) * SETTLES_K * np.sqrt(1 - keep**2)
    for i in range(steps):
        at = at * keep + shocks[i]
        out[i] = at
    return out


def _swings(known: FloatArray, steps: int, step_min: int, members: int, rng: np.random.Generator) -> FloatArray:
    """The pit's own swings about its level, in blocks of an hour: (steps, members) [K]."""
    recent = known[-BACK_MIN:]
    block = HOUR_MIN // step_min
    if recent.size < 2 * HOUR_MIN:
        return np.zeros((steps, members))
    window = np.ones(HOUR_MIN) / HOUR_MIN
    level = np.convolve(recent, window, mode="valid")
    start = HOUR_MIN // 2
    off = recent[start : start + level.size] - level
    usable = off.size // step_min * step_min
    means = np.clip(off[-usable:].reshape(-1, step_min).mean(axis=1), -25.0, 25.0)
    if means.size < block:
        return np.zeros((steps, members))
    blocks = -(-steps // block)
    first = rng.integers(0, means.size - block + 1, size=(blocks, members))
    drawn = means[first[:, None, :] + np.arange(block)[None, :, None]]
    swings: FloatArray = drawn.reshape(blocks * block, members)[:steps] - means.mean()
    return swings
