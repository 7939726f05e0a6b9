"""What the pit usually is: a level that it keeps, soon after it is set; never a fire that is dying."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cook.drive import FAST_MIN, SETTLED_K, drive_of, lagged, usual_of
from pitscribe.cook.grid import cells_of, grid_of
from pitscribe.series import Series

T0 = 1_780_000_000.0


def usual(air):
    """The usual level of a pit with these values by the minute."""
    n = air.size
    series = Series("grate", "air", T0 + 60.0 * np.arange(n), air, np.full(n, 0.8), np.zeros(n, dtype=np.uint32))
    grid = grid_of([series])
    return drive_of([cells_of(series, grid)], grid.n).usual


def swung(level, swing_k, period_min):
    """A saw-tooth about a level, as splits make it: up in a quarter of the time."""
    phase = (np.arange(level.size) / period_min) % 1.0
    return level + swing_k * (np.where(phase < 0.25, phase / 0.25, (1 - phase) / 0.75) * 2 - 1)


@given(st.floats(95, 150), st.floats(95, 150), st.floats(0, 8), st.floats(15, 60), st.integers(0, 5))
@settings(max_examples=60, deadline=None)
def test_a_level_that_is_kept_is_usual_three_hours_after_it_was_set(before, after, swing_k, period_min, seed):
    noise = np.random.default_rng(seed).normal(0, 0.5, 540)
    level = np.where(np.arange(540) < 270, before, after)
    course = usual(swung(level, swing_k, period_min) + noise)
    assert abs(course[269] - before) <= 4.0
    assert np.all(np.abs(course[270 + 180 :] - after) <= 4.0)


@given(st.floats(105, 150), st.floats(0.3, 6.0), st.floats(-15, 35), st.floats(0, 6), st.integers(0, 5))
@settings(max_examples=60, deadline=None)
def test_a_fire_that_dies_never_becomes_the_usual(level_c, hours, outside_c, swing_k, seed):
    """Newton's cooling from a level that was kept, with a time constant up to a thick clay cooker's 6 h."""
    minutes = np.arange(900)
    out = np.maximum(minutes - 240, 0) / 60
    air = outside_c + (level_c - outside_c) * np.exp(-out / hours)
    air += np.random.default_rng(seed).normal(0, 0.5, air.size)
    course = usual(np.where(minutes < 240, swung(air, swing_k, 45), air))
    assert np.all(course[240:] >= course[239] - SETTLED_K)


def test_a_dead_pit_that_has_cooled_out_is_no_measure():
    cold = np.concatenate((np.full(240, 120.0), np.full(300, 20.0)))
    assert usual(cold)[-1] > 115


def test_a_cut_at_any_minute_gives_what_was_usual_then():
    air = swung(np.repeat([130.0, 112.0, 118.0], 200), 10.0, 37)
    whole = usual(air)
    for n in (1, 50, 121, 240, 333, 600):
        part = usual(air[:n])
        assert np.array_equal(part, whole[: part.size])


@given(st.floats(95, 150), st.floats(57, 80), st.floats(0, 4))
@settings(max_examples=30, deadline=None)
def test_a_hold_that_nobody_noted_is_not_the_usual(cooks_c, holds_c, swing_k):
    """Hot holding is at 57 degC (FDA Food Code 3-501.16) and more: far under what cooks."""
    level = np.where(np.arange(640) < 240, cooks_c, holds_c)
    course = usual(swung(level, swing_k, 40))
    assert np.all(course[240:] >= course[239] - SETTLED_K)


@given(st.floats(110, 150), st.floats(10, 25), st.integers(20, 70), st.floats(62, 82))
@settings(max_examples=30, deadline=None)
def test_a_hold_is_not_the_usual_of_a_fire_by_hand_that_never_settled(level_c, swing_k, period_min, holds_c):
    """Splits that swing it by 10 to 25 K, and then a hold for hours: what counts is when it cooked."""
    fire = swung(np.full(150, level_c), swing_k, period_min)
    course = usual(np.concatenate((fire, np.full(240, holds_c))))
    assert np.all(course[150:] > level_c - swing_k)


@given(st.floats(105, 150), st.floats(0, 4), st.floats(86, 95))
@settings(max_examples=30, deadline=None)
def test_a_level_that_does_not_cook_to_the_target_is_not_usual_for_it(level_c, swing_k, choked_c):
    """A fire that is choked for hours has settled, but not where meat comes to 95 degC."""
    air = swung(np.where(np.arange(600) < 240, level_c, choked_c), swing_k, 40)
    fast = lagged(air, FAST_MIN)
    assert abs(usual_of(fast, 98.0)[-1] - level_c) <= 5.0
    assert abs(usual_of(fast)[-1] - choked_c) <= 5.0
