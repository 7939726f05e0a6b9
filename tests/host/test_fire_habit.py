"""How cold a fire is let come before it gets wood, and what follows when nobody comes.

The saw-tooth is our own: a split each 45 min, laid at 110 degC, catching some 8 min later (common practice, no source).
"""

import numpy as np
import pytest
from cook_kitchen import T0
from fire_world import notes_of
from hypothesis import given
from hypothesis import strategies as st

from pitscribe.cook.fire import fire_of
from pitscribe.cook.fire_usual import Habit
from pitscribe.cook.grid import Cells, Grid

BAND_C = (107.0, 127.0)
CYCLES, PERIOD_MIN, FALLS_MIN = 10, 45, 30
AWAY_MIN = CYCLES * PERIOD_MIN + 15  # from here on it falls, and nobody comes


def saw_tooth() -> tuple[Cells, list[float]]:
    """Ten splits and then none: cells, and the hours at which wood was laid."""
    at = np.arange(AWAY_MIN + 60, dtype=float)
    phase = at % PERIOD_MIN
    y = np.where(phase < 15, 105 + 20 * phase / 15, 125 - 20 * (phase - 15) / FALLS_MIN)
    y = np.where(at > AWAY_MIN, 125 - 20 * (at - AWAY_MIN) / FALLS_MIN, y)
    y = y + np.random.default_rng(3).normal(0, 0.3, at.size)
    laid = [(PERIOD_MIN * i - 7.5) / 60 for i in range(1, CYCLES + 1)]
    return Cells(y, np.full(y.size, 0.5), np.full(y.size, 0.25)), laid


def warned(laid: list[float]) -> list[float]:
    """When it was told [min of the cook]."""
    cells, _ = saw_tooth()
    fire = fire_of([("grate", cells)], notes_of([(h, "fuel") for h in laid]), Grid(T0, cells.celsius.size), BAND_C)
    return [(e.noticed - T0) / 60 for e in fire.events if e.kind == "fading"]


def test_where_all_fuel_is_noted_a_fire_that_nobody_comes_to_is_told_of_before_it_is_colder_than_its_swings():
    cells, laid = saw_tooth()
    with_notes, without = warned(laid), warned([])
    assert len(with_notes) == 1
    assert AWAY_MIN < with_notes[0] <= without[-1] - 3
    under = int(np.argmax(cells.celsius < BAND_C[0] - 25 * 5 / 9))
    assert under - with_notes[0] >= 15


def test_where_half_of_the_fuel_is_noted_a_fall_without_a_note_says_nothing():
    _, laid = saw_tooth()
    assert all(at > AWAY_MIN for at in warned(laid[::2]))
    half = Habit()
    half.levels.extend([110.0] * 4)
    half.noted.extend([True, False] * 4)
    assert not half.passed(80.0, 100.0)


def test_a_habit_needs_three_notes_of_a_fire_that_was_not_in_trouble():
    habit = Habit()
    for level in (60.0, 70.0, 80.0, 110.0, 110.0):  # lit, and laid while it came up
        habit.levels.append(level)
        habit.noted.append(True)
    assert habit.usually_c(107.0) is None
    habit.levels.append(110.0)
    assert habit.usually_c(107.0) is not None


@given(st.lists(st.floats(100, 130), min_size=3, max_size=8), st.floats(-40, 40))
def test_a_habit_goes_with_the_level_and_who_lays_at_odd_levels_is_given_more_room(levels, shift):
    habit, moved, wide = Habit(), Habit(), Habit()
    middle = float(np.mean(levels))
    for v in levels:
        habit.levels.append(v)
        moved.levels.append(v + shift)
        wide.levels.append(middle + 2 * (v - middle))
    mean, sd = habit.usually_c(60.0)
    assert moved.usually_c(40.0) == (pytest.approx(mean + shift), pytest.approx(sd, abs=1e-6))
    assert wide.usually_c(0.0)[1] >= sd - 1e-9
    assert sd >= float(np.std(levels)) * np.sqrt(len(levels) / (len(levels) + 2)) - 1e-9
