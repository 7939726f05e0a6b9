"""What else than a stall holds heating back is named, and a stall's probability means what it says."""

from dataclasses import replace

import numpy as np
import pytest
from cook_kitchen import T0, Spec
from hypothesis import given, settings
from hypothesis import strategies as st
from test_cook_stall import DRY, WET, hours, one, stalls

from pitscribe.cook import slow
from pitscribe.cook.drive import drive_of
from pitscribe.cook.grid import cells_of, grid_of
from pitscribe.cook.likely import likely
from pitscribe.cook.stall import heating_of


def causes(rec):
    grid = grid_of(rec.places)
    drive = drive_of([cells_of(s, grid) for s in rec.air], grid.n)
    (meat,) = rec.meat
    return heating_of(meat.place, cells_of(meat, grid), drive, rec.notes, grid)


@pytest.mark.parametrize(
    ("spec", "notes", "cause", "at"),
    [
        (replace(DRY, out=(2.5, 99.0)), (), slow.FIRE_LOW, 4.0),
        (replace(DRY, pull=3.0), ((3.0, "pull"),), "it was pulled", 4.5),
        (replace(DRY, pull=3.0), (), slow.FIRE_LOW, 4.5),
        (replace(DRY, pit_steps=((4.0, 66.0),)), ((4.0, "hold"),), "it is held", 12.0),
        (replace(DRY, hours=18.0), (), slow.NEAR_PIT, 12.0),
    ],
)
def test_what_holds_heating_back_is_named_and_is_no_stall(spec, notes, cause, at):
    rec, _ = one(spec, notes=notes)
    found, others = causes(rec)
    assert found == []
    named = [s.cause for s in others if s.begin <= T0 + 3600 * at <= (s.end or np.inf)]
    assert named == [cause], [(hours(s.begin), s.cause) for s in others]


def test_a_stall_that_a_dead_fire_broke_is_over_then_and_comes_again_with_the_fire():
    # Crust that hardly dries: still wet when the fire is back.
    rec, _ = one(replace(WET, crust_kg=9.0, half_mm=42, out=(5.0, 7.0), hours=16.0))
    first, second = stalls(rec)
    assert hours(first.begin) < 5.0 < hours(first.end) < 7.0 < hours(second.begin)
    assert "the fire is low" in first.cause
    _, others = causes(rec)
    assert any(s.cause in (slow.FIRE_LOW, slow.COOLS) and 5.0 < hours(s.begin) < 7.5 for s in others)


@pytest.mark.parametrize("half", [19.0, 23.0])
def test_a_thin_tip_is_noticed_within_half_an_hour_of_its_fall(half):
    """Thin pieces stall early and shortly: late is never."""
    rec, truth = one(Spec(half_mm=half, juice=0.8, crust_kg=5.0, film=18, seed=5))
    found = stalls(rec)
    rate = np.gradient(truth.meat[:, 0], truth.t / 3600)
    pace = rate / np.maximum(truth.air[:, 0] - truth.meat[:, 0], 20)
    smooth = np.convolve(pace, np.ones(120) / 120, "same")  # 20 min
    top = int(np.argmax(smooth))
    fell = truth.t[top + int(np.argmax(smooth[top:] < 0.33 * smooth[top]))]
    assert found
    assert found[0].noticed - fell < 30 * 60
    assert abs(found[0].begin - fell) < 45 * 60


@settings(max_examples=30, deadline=None)
@given(cut=st.floats(0.5, 14.0), which=st.integers(0, 1))
def test_a_slowdown_never_changes_when_more_data_come(cut, which):
    rec = SLOW[which]
    _, then = causes(rec.until(T0 + 3600 * cut))
    _, later = causes(rec)
    now = grid_of(rec.until(T0 + 3600 * cut).places)
    known = [s for s in later if s.noticed <= now.end(now.n - 1)]
    assert [(s.begin, s.noticed, s.cause) for s in then] == [(s.begin, s.noticed, s.cause) for s in known]


SLOW = [one(replace(DRY, out=(2.5, 4.0)))[0], one(replace(WET, pull=8.0), notes=((3.0, "spritz"), (8.0, "pull")))[0]]


@settings(max_examples=100, deadline=None)
@given(depth=st.floats(-1, 3), plateau=st.floats(20, 100), hours=st.floats(0, 12))
def test_a_probability_grows_with_depth_and_time_and_is_small_without_a_pit(depth, plateau, hours):
    p = likely(depth, plateau, hours, seen=True)
    assert 0 < p < 1
    assert likely(depth + 0.2, plateau, hours, seen=True) >= p
    assert likely(depth, plateau, hours + 1, seen=True) >= p
    assert likely(depth, plateau, hours, seen=False) == min(p, 0.6)
