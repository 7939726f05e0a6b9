"""A lid that is opened, told from a fire that goes out at once: by how the air falls on.

Air under an open lid follows the cold draught with a time constant of a minute or so and then falls no further; a
feed that stops takes the flame's share of the warmth in minutes, and the wall goes on cooling. Sizes: our allowances,
no source.
"""

from itertools import pairwise

import numpy as np
import pytest
from cook_kitchen import T0
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cook.fire import Fire, fire_of
from pitscribe.cook.fire_course import course_of, lid_falls
from pitscribe.cook.fire_dips import Dips
from pitscribe.cook.fire_usual import USUAL_MIN
from pitscribe.cook.grid import Cells, Grid

STEP_S = 10.0
DIES_MIN = 240
LEVEL_C, COLD_C = 120.0, 15.0


def lagged(x, tau_s: float, first: float):
    y, out = first, np.empty(x.size)
    for i, v in enumerate(x):
        y += (v - y) * (1 - np.exp(-STEP_S / tau_s))
        out[i] = y
    return out


def cells_of_course(air, noise_k: float, seed: int) -> Cells:
    """The minutes of a course in steps of 10 s."""
    y = air[: air.size // 6 * 6].reshape(-1, 6).mean(axis=1)
    y = np.round((y + np.random.default_rng(seed).normal(0, noise_k, y.size)) * 4) / 4
    return Cells(y, np.full(y.size, 0.8), np.full(y.size, 0.25))


def dies_at_once(flame_k: float, flame_s: float, wall_min: float, seed: int = 1, noise_k: float = 0.3) -> Cells:
    """A steady pit whose flame gives ``flame_k`` of its warmth, goes out within ``flame_s``, and whose wall cools."""
    t = np.arange(0, (DIES_MIN + 90) * 60, STEP_S) - 60 * DIES_MIN
    gone = np.maximum(t, 0.0)
    wall = COLD_C + (LEVEL_C - flame_k - COLD_C) * np.exp(-gone / 60 / wall_min)
    return cells_of_course(lagged(wall + flame_k * np.exp(-gone / flame_s), 60.0, LEVEL_C), noise_k, seed)


def opened_for(minutes: float, depth_k: float, lid_s: float, lag_s: float, seed: int, noise_k: float) -> Cells:
    """A steady pit whose lid is opened once, read by a probe that lags."""
    t = np.arange(0, (DIES_MIN + 90) * 60, STEP_S) - 60 * DIES_MIN
    goal = np.where((t >= 0) & (t < 60 * minutes), LEVEL_C - depth_k, LEVEL_C)
    air, y = np.empty(t.size), LEVEL_C
    for i, v in enumerate(goal):  # open, it follows fast; shut, it comes back more slowly
        y += (v - y) * (1 - np.exp(-STEP_S / (lid_s if v < LEVEL_C else 2 * lid_s)))
        air[i] = y
    return cells_of_course(lagged(air, lag_s, LEVEL_C), noise_k, seed)


def said(cells: Cells) -> Fire:
    return fire_of([("grate", cells)], (), Grid(T0, cells.celsius.size))


def minutes_of(fire: Fire, kind: str) -> list[float]:
    return [(e.noticed - T0) / 60 - DIES_MIN for e in fire.events if e.kind == kind]


@pytest.mark.parametrize(("flame_k", "flame_s", "wall_min"), [
    (15.0, 100.0, 25.0), (25.0, 150.0, 25.0), (40.0, 150.0, 40.0), (20.0, 240.0, 20.0), (30.0, 20.0, 30.0),
])
def test_a_fire_that_goes_out_at_once_is_told_within_ten_minutes_and_not_as_a_lid_after_lid(flame_k, flame_s, wall_min):
    fire = said(dies_at_once(flame_k, flame_s, wall_min))
    assert minutes_of(fire, "fading")[0] <= 10
    assert minutes_of(fire, "out")[0] <= 20
    opened = [e for e in fire.events if e.kind == "opened"]
    assert len(opened) <= 1
    assert all("it was the fire" in e.why and e.end is not None for e in opened)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.5, 25), st.floats(12, 70), st.floats(15, 75), st.floats(4, 45), st.integers(0, 999),
       st.floats(0.05, 0.4))
def test_a_lid_that_is_opened_is_never_taken_for_a_fire_that_fell_on(minutes, depth_k, lid_s, lag_s, seed, noise_k):
    cells = opened_for(minutes, depth_k, lid_s, lag_s, seed, noise_k)
    course = course_of([cells], Grid(T0, cells.celsius.size))
    assert not any(one.fell_on for one in course.openings)


@settings(max_examples=40, deadline=None)
@given(st.floats(10, 45), st.floats(20, 300), st.floats(15, 45), st.integers(0, 999), st.integers(1, 60))
def test_what_a_fall_turns_out_to_be_changes_nothing_that_was_said_before(flame_k, flame_s, wall_min, seed, cut):
    cells = dies_at_once(flame_k, flame_s, wall_min, seed)
    n = DIES_MIN + cut
    part = said(Cells(cells.celsius[:n], cells.u[:n], cells.step[:n]))
    whole = [e for e in said(cells).events if e.noticed <= Grid(T0, n).end(n - 1)]
    assert [(e.kind, e.at, e.noticed, e.probability) for e in part.events] == [
        (e.kind, e.at, e.noticed, e.probability) for e in whole]


def test_a_steady_fall_opens_no_lid_after_the_first_look():
    """4 K a minute is twice the threshold of an opening, minute after minute."""
    y = np.concatenate((np.full(240, 150.0), 150.0 - 4.0 * np.arange(1, 16)))
    y = y + np.random.default_rng(5).normal(0, 0.3, y.size)
    cells = Cells(y, np.full(y.size, 0.8), np.full(y.size, 0.25))
    openings = course_of([cells], Grid(T0, y.size)).openings
    assert len(openings) <= 1
    assert all(one.fell_on and one.end - one.begin <= 7 for one in openings)


def test_what_an_open_lid_may_still_fall_shrinks_by_its_time_constant():
    """First-order lag (any text on dynamics): of a fall that is over by 1 - exp(-t / tau), what is left shrinks so."""
    left = [lid_falls(m) for m in (4, 5, 6, 8, 12)]
    assert all(a > b for a, b in pairwise(left))
    assert left[0] - left[2] == pytest.approx((left[0] - left[-1]) * (1 - np.exp(-2 / 1.5)), rel=0.02)


@pytest.mark.parametrize(("deepest_k", "door_k"), [(22.0, 0.0), (30.0, 0.0), (22.0, 25.0)])
def test_a_dip_is_one_event_with_its_end_be_it_trouble_or_not_and_be_the_door_opened_to_mend_it(deepest_k, door_k):
    """Fading, and who comes and opens the door: the door is part of the dip, and that it is over is its end."""
    y = np.full(600, 120.0)
    y[400:426] = 120.0 - deepest_k * np.linspace(0, 1, 26)
    y[426:429] = y[425] - door_k
    y[429:440] = np.linspace(y[428], 120.0, 11)
    y = y + np.random.default_rng(2).normal(0, 0.4, y.size)
    fire = fire_of([("grate", Cells(y, np.full(600, 0.8), np.full(600, 0.25)))], (), Grid(T0, 600), (108.0, 130.0))
    (dip,) = [e for e in fire.events if e.noticed > T0 + 60 * 395 and e.kind != "fuel"]
    assert dip.kind == "fading"
    assert T0 + 60 * 426 < dip.end < T0 + 60 * 450
    assert "over: " in dip.why


def let_down(depth_k: float, times: int, then_k: float) -> Cells:
    """A pit at 120 degC that is let down by ``depth_k`` for a quarter of an hour ``times``, and then by ``then_k``."""
    rng, parts = np.random.default_rng(11), [np.full(200, 120.0)]
    for depth in [depth_k] * times + [then_k]:
        parts += [120.0 - depth * np.linspace(0, 1, 16), 120.0 - depth * np.linspace(1, 0, 6), np.full(40, 120.0)]
    y = np.concatenate(parts)
    y = y + rng.normal(0, 0.4, y.size)
    return Cells(y, np.full(y.size, 0.8), np.full(y.size, 0.25))


def falls_told(cells: Cells) -> list[int]:
    """The falls, by their number, in which fading was said."""
    fire = fire_of([("grate", cells)], (), Grid(T0, cells.celsius.size), (112.0, 128.0))
    return sorted({int(((e.noticed - T0) / 60 - 200) // 62) for e in fire.events if e.kind == "fading"})


def test_who_lets_the_fire_down_twice_and_lays_wood_is_not_told_a_third_time_unless_it_is_deeper_or_longer():
    """25 degF under a band from 112 degC is 98.1 degC: 26 K down is trouble for minutes, each time."""
    assert falls_told(let_down(26.0, 4, 26.0)) == [0, 1]
    assert falls_told(let_down(26.0, 4, 45.0)) == [0, 1, 4]
    longer = let_down(26.0, 4, 26.0).celsius
    longer = np.concatenate((longer[: 200 + 4 * 62 + 13], longer[200 + 4 * 62 + 13] - 0.25 * np.arange(60)))
    assert falls_told(Cells(longer, np.full(longer.size, 0.8), np.full(longer.size, 0.25)))[:3] == [0, 1, 4]


def test_a_dip_is_forgotten_after_the_hours_that_make_the_usual():
    dips = Dips()
    for k, y in [(0, 120.0), (10, 95.0), (20, 115.0), (50, 90.0), (60, 115.0)]:
        dips.step(k, y, 112.0, 98.0)
    assert [one[1] for one in dips.lately] == [95.0, 90.0]
    assert dips.known(61, 90.0)  # their median is 92.5 degC, less 3 K
    assert not dips.known(61, 89.0)
    dips.step(60 + USUAL_MIN, 118.0, 112.0, 98.0)
    assert not dips.known(60 + USUAL_MIN, 100.0)
    dips.step(430, 90.0, 112.0, 98.0)
    dips.step(430 + 46, 115.0, 112.0, 98.0)
    assert not dips.lately  # the second is forgotten too, and the third was too long for a dip
