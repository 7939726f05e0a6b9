"""Phases: where a cook's stall, wrap and hold begin and end, and how evenly it cooked in each."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from cook_kitchen import T0
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cook.evenness import evenness
from pitscribe.cook.grid import cells_of, grid_of
from pitscribe.cook.phases import covered, phases_of
from pitscribe.ledger.values import Note
from pitscribe.series import Series

HOURS = 8
T = np.arange(0, HOURS * 3600.0, 30.0)


@dataclass
class Held:
    begin: float
    end: float | None


def stall(a, b=None):
    return Held(T0 + a * 3600, None if b is None else T0 + b * 3600)


def note(h, kind, text=""):
    return Note(1, 1, int((T0 + h * 3600) * 1000), kind, text)


def place(name, y):
    y = np.broadcast_to(np.asarray(y, float), T.shape).copy()
    return Series(name, "meat", T0 + T, y, np.full(T.size, 0.8), np.zeros(T.size, np.uint32))


def phases(stalls=(), notes=(), spread=8.0, names=("flat", "tip")):
    places = [place("flat", 60.0), place("tip", 60.0 + spread)][: len(names)]
    grid = grid_of(places)
    return phases_of(stalls, notes, grid, {p.place: cells_of(p, grid) for p in places})


def spans(found):
    return [(p.kind, round((p.begin - T0) / 3600, 1), p.end and round((p.end - T0) / 3600, 1)) for p in found]


def test_before_in_and_after_the_stall_follow_on_each_other():
    assert spans(phases([stall(2, 5)])) == [("before", 0, 2), ("stall", 2, 5), ("after", 5, None)]


def test_the_cook_stalls_while_any_place_does():
    assert spans(phases([stall(2, 4), stall(3, 5.5)])) == [("before", 0, 2), ("stall", 2, 5.5), ("after", 5.5, None)]


def test_two_stalls_have_a_time_between_them():
    kinds = [p.kind for p in phases([stall(2, 3), stall(5, 6)])]
    assert kinds == ["before", "stall", "between", "stall", "after"]


def test_a_stall_that_lasts_has_no_end_and_nothing_after_it():
    assert spans(phases([stall(2, 3), stall(2.5)])) == [("before", 0, 2), ("stall", 2, None)]


def test_a_pull_ends_the_stall_and_the_wrap_and_begins_the_hold():
    found = spans(phases([stall(2)], [note(3, "wrap"), note(6, "pull"), note(6.5, "hold")]))
    assert found == [("before", 0, 2), ("stall", 2, 6), ("wrapped", 3, 6), ("hold", 6, None)]


@pytest.mark.parametrize("how", [("unwrap", ""), ("text", "Unwrapped to set the bark")])
def test_unwrapping_ends_the_wrap_and_a_second_wrap_begins_another(how):
    notes = [note(2, "wrap"), note(3, *how), note(5, "pan")]
    assert [(round((a - T0) / 3600), b and round((b - T0) / 3600)) for a, b in covered(notes)] == [(2, 3), (5, None)]


def test_each_phase_has_its_own_spread():
    spread = np.where(T < 2 * 3600, 2.0, np.where(T < 5 * 3600, 10.0, 4.0))
    before, held, after = phases([stall(2, 5)], spread=spread)
    assert [p.mean_k for p in (before, held, after)] == pytest.approx([2.0, 10.0, 4.0], abs=0.1)
    assert held.degree_hours_above == pytest.approx(3 * (10 - 10 / 1.8), rel=0.02)
    assert before.degree_hours_above == after.degree_hours_above == 0.0
    assert (held.leader, held.laggard) == ("tip", "flat")


def test_with_one_place_the_phases_are_there_and_say_why_they_have_no_spread():
    found = phases([stall(2, 5)], names=("flat",))
    assert [p.kind for p in found] == ["before", "stall", "after"]
    assert all(p.mean_k is None and "two meat places" in p.why_not for p in found)


@settings(max_examples=60, deadline=None)
@given(
    stalls=st.lists(st.tuples(st.floats(-1, 9), st.one_of(st.none(), st.floats(0.1, 4))), max_size=5),
    off=st.one_of(st.none(), st.floats(-1, 9)),
)
def test_phases_cover_every_minute_once_and_their_degree_hours_add_up(stalls, off):
    held = [stall(a, None if long is None else a + long) for a, long in stalls]
    notes = [] if off is None else [note(off, "hold")]
    rng = np.random.default_rng(1)
    spread = np.abs(rng.normal(6, 4, T.size))
    found = phases(held, notes, spread)
    for one, other in pairwise(found):
        assert one.end == other.begin
    assert found[-1].end is None or found[-1].end >= T0 + (HOURS - 0.02) * 3600
    places = [place("flat", 60.0), place("tip", 60.0 + spread)]
    grid = grid_of(places)
    whole = evenness({p.place: cells_of(p, grid) for p in places}, grid)
    # Of a minute in which a phase ends, the next one has it; the last minute belongs to none that is over.
    assert sum(p.degree_hours_above or 0.0 for p in found) == pytest.approx(whole.degree_hours_above, abs=0.5)
    assert sum(p.hours_known for p in found) == pytest.approx(whole.hours_known, abs=2 / 60)
