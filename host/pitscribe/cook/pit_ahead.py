"""What the pit may do from now on: many courses of the air, drawn from what it did in its own last hours.

A course is a level that wanders, with the pit's own swings laid over it, taken in blocks of an hour from what was
measured. A fire that is well under its usual level comes back, sooner or later (``_low``); one that has just been lit
goes on to where smokers are run. Someone who has a plan for the pit says so, and then the level is the plan's.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.drive import ASSUMED_C, COOKS_C, FAST_MIN, lagged, usual_of
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
NOW_MIN = 15  # the pit is what it was over so many minutes that were read: a lid is open for less
COLD_K = 3.0  # a pit that is usually not even so much above the target does not get there, however long one waits
# How often somebody (or a vent that regulates) sees to a low fire is not known: a rate drawn from a gamma distribution
# of shape MENDS and mean MENDS / MENDS_H. What was low for s hours has shown to be seen to seldom, and stays so for w
# more with probability ((MENDS_H + s) / (MENDS_H + s + w)) ** MENDS. So three dips of four are over in a quarter of an
# hour, as lids and late splits are; what is low for an hour is back within two more in 85 % of cases, and one in ten
# stays for 2.7 h; of what is low for 3 h half stays for 1.3 h, one in ten for 7. Both are our allowance, no source.
MENDS, MENDS_H = 2.0, 0.25
# A fire is out for sure where a pit is colder than hot food is held at (57 degC: FDA Food Code 3-501.16); food that was
# colder than that for 4 h is thrown away (3-501.19, from memory). So the cook itself is in doubt: a dead pit is relit
# with probability exp(-(hours / DEAD_H) ** 2), 94 % after an hour, 78 % after two, 37 % after four (the form is ours).
DEAD_C, DEAD_H = 57.0, 4.0
FALLS_K_H = 12.0  # a pit that falls faster may be going out: six of ten do (our allowance)
GOES_OUT = 0.6
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


@dataclass(frozen=True, slots=True)
class Stand:
    """How the pit stands beside what it usually is.

    now : mean of the last ``NOW_MIN`` minutes read [degC];  usual : where it last settled so that it cooks [degC]
    low_h : for how long it has been well under that [h], 0: it is not;  dead_h : colder than any fire keeps it [h]
    falls : by more than an ordinary swing, over the last half hour
    """

    now: float
    usual: float
    low_h: float
    dead_h: float
    falls: bool


def stand_of(pit: FloatArray, target_c: float | None = None) -> Stand | None:
    """How the pit stands by its minutes so far, (n,), NaN where silent; None: fewer than five were read.

    target_c : what the meat is to reach [degC]: a level that does not cook to it is no usual one, however long it was
    kept (a fire that is choked for hours, a hold), if the pit was ever hotter
    """
    known = pit[np.isfinite(pit)]
    if known.size < 5:
        return None
    cooks_c = COOKS_C if target_c is None else max(COOKS_C, target_c + COLD_K)
    usual = float(usual_of(lagged(pit, FAST_MIN), cooks_c)[-1])
    total = np.concatenate((np.zeros(1), np.cumsum(known)))
    first = np.maximum(np.arange(known.size) + 1 - NOW_MIN, 0)
    level = (total[1:] - total[first]) / (np.arange(known.size) + 1 - first)
    low_h, dead_h = (_under_h(level, limit) for limit in (usual - BELOW_K, DEAD_C))
    return Stand(float(level[-1]), usual, low_h, dead_h, _slope(known[-30:]) < -FALLS_K_H)


def _under_h(level: FloatArray, limit: float) -> float:
    """For how long a level has been at a limit or under it [h]; 0: it is not."""
    over = np.flatnonzero(level > limit)
    return (level.size - 1 - int(over[-1])) / 60 if over.size else level.size / 60


def _slope(minutes: FloatArray) -> float:
    """Of ten minutes or more [K/h]; of fewer none."""
    return float(np.polyfit(np.arange(minutes.size) / 60, minutes, 1)[0]) if minutes.size >= 10 else 0.0


def ahead(
    pit: FloatArray, steps: int, step_min: int, members: int, rng: np.random.Generator, level_c: float | None = None,
    target_c: float | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Courses of the air to come, and the level of each before it wanders and swings: (steps, members) each, degC.

    pit : the air's minutes so far, (n,), NaN where silent;  level_c : the level that somebody means to keep, from now
    target_c : what the meat is to reach (``stand_of``)
    """
    known = pit[np.isfinite(pit)]
    hours = np.arange(1, steps + 1)[:, None] * step_min / 60
    walk = _walk(rng, steps, members, step_min / 60)
    if level_c is not None:
        now = float(known[-NOW_MIN:].mean()) if known.size else ASSUMED_C
        goal = level_c + rng.normal(0, 3.0, members)
        level = goal + (now - goal) * np.exp(-hours / 0.25)
    else:
        level = _levels(known, stand_of(pit, target_c), hours, members, rng)
    return level + walk + _swings(known, steps, step_min, members, rng), level


def _levels(
    known: FloatArray, stand: Stand | None, hours: FloatArray, members: int, rng: np.random.Generator
) -> FloatArray:
    """The level of each course, before it wanders: (steps, members)."""
    if stand is None:
        return ASSUMED_C + ASSUMED_U_K * rng.normal(size=members) + 0 * hours
    now, lately = stand.now, known[-LEVEL_MIN:]
    recent = float(lately.mean())
    if known.size < LIT_MIN and (known.max() < LIT_C or now > recent + 3):
        goal = np.maximum(ASSUMED_C + ASSUMED_U_K * rng.normal(size=members), now)
        return goal + (now - goal) * np.exp(-hours / 0.4)
    if stand.low_h:
        return _low(stand, hours, members, rng)
    if now > recent + BELOW_K:
        return max(float(known[-30:].mean()), now) + 4.0 * rng.normal(size=members) + 0 * hours
    # A dip that is over says nothing of the level to come.
    cooking = lately[lately > stand.usual - BELOW_K]
    level = float(cooking.mean()) if cooking.size else recent
    some = min(1.0, known.size / LEVEL_MIN)
    return level + (2.0 + 3.0 * (1 - some)) * rng.normal(size=members) + 0 * hours


def _low(stand: Stand, hours: FloatArray, members: int, rng: np.random.Generator) -> FloatArray:
    """A pit well under its usual: brought back after a while that is the longer, the longer it has been low."""
    now, usual = stand.now, stand.usual
    relit = rng.uniform(size=members) < np.exp(-((stand.dead_h / DEAD_H) ** 2))
    when = (MENDS_H + stand.low_h) * (rng.uniform(size=members) ** (-1 / MENDS) - 1)
    out = rng.uniform(size=members) < (GOES_OUT if stand.falls else 0.0)
    floor = np.where(out, AMBIENT_C, now - 5.0 * stand.falls)
    left = floor + (now - floor) * np.exp(-hours / COOLS_H)
    since = np.maximum(hours - when, 0.0)
    at_mending = floor + (now - floor) * np.exp(-when / COOLS_H)
    back = usual + (at_mending - usual) * np.exp(-since / 0.35)
    return np.where(relit & (hours > when), back, left)


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
