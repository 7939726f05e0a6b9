"""The pit: one definition for what is shown, what is summed up and what drives the stall."""

from dataclasses import replace

import numpy as np
import pytest
from cook_kitchen import T0, Spec, cook_all, record, sense
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cook.analysis import PRESENT_S, analyse
from pitscribe.cook.grid import DEAD_S, Cells
from pitscribe.cook.pit import pit_course
from pitscribe.cook.text import summary
from pitscribe.metrology.flags import Flag

WET = Spec(half_mm=34, juice=0.8, crust_kg=5.0, film=18, seed=11)


def kitchen(*, far_end_k=14.0):
    """A flat, the grate beside it, and the far end of the pit, hotter by ``far_end_k``."""
    truth = cook_all([WET])
    how = {"every_s": 10.0, "quantum": 0.25, "noise": 0.08}
    return record([
        sense(truth.t, truth.meat[:, 0], place="flat", kind="meat", seed=1, **how),
        sense(truth.t, truth.air[:, 0], place="grate", kind="air", seed=2, **how),
        sense(truth.t, truth.air[:, 0], place="far end", kind="air", seed=3, offset=far_end_k, **how),
    ])


REC = kitchen()


def opened(rec, name, since_s):
    """The record with that probe open from ``since_s`` seconds before its end."""
    places = []
    for s in rec.places:
        bad = (s.place == name) & (s.t > s.t[-1] - since_s)
        flags = np.where(bad, np.uint32(Flag.OPEN), s.flags).astype(np.uint32)
        places.append(replace(s, celsius=np.where(bad, np.nan, s.celsius), flags=flags))
    return replace(rec, places=tuple(places))


def without(rec, name):
    return replace(rec, places=tuple(s for s in rec.places if s.place != name))


def test_the_first_air_place_is_the_pit():
    said = analyse(REC)
    assert said.pit.place == "grate"
    assert said.pit.why_this is None
    assert said.pit.celsius == next(p.celsius for p in said.places if p.place == "grate")


@pytest.mark.parametrize("since_s", [60.0, 3600.0, 8 * 3600.0])
def test_when_it_has_no_value_the_next_one_speaks_and_it_is_said(since_s):
    said = analyse(opened(REC, "grate", since_s))
    assert said.pit.place == "far end"
    assert said.pit.why_this == "grate has no value: far end is shown"
    assert said.pit.as_json()["why_this"] == said.pit.why_this
    assert "grate has no value: far end is shown" in summary(said)
    assert next(p.why_no_value for p in said.places if p.place == "grate").startswith("no good sample for")


def test_when_none_has_a_value_there_is_no_pit_and_it_is_said():
    said = analyse(opened(opened(REC, "grate", 3600), "far end", 60))
    assert said.pit is None
    assert {c.what: c.why for c in said.cannot_say}["pit"] == "no air place has a present value"


def test_a_single_bad_sample_does_not_take_the_value_away():
    said = analyse(opened(REC, "grate", 1.0))
    assert said.pit.place == "grate"
    assert PRESENT_S < 60
    slow = kitchen()
    slow = replace(slow, places=tuple(
        replace(s, t=s.t[::6], celsius=s.celsius[::6], u=s.u[::6], flags=s.flags[::6]) for s in slow.places
    ))
    assert analyse(opened(slow, "grate", 1.0)).pit.place == "grate"  # one a minute, and one of them bad


def test_a_probe_that_was_taken_out_speaks_for_nothing():
    said = analyse(REC, over={"grate", "flat"})
    assert said.pit.place == "far end"
    assert said.coldest is None
    assert next(p.why_no_value for p in said.places if p.place == "flat") == "its probe was taken out"


def test_the_stall_is_measured_by_the_pit_that_is_shown_and_by_no_other_place():
    want = analyse(without(REC, "far end")).stalls
    assert len(want) == 1
    assert analyse(REC).stalls == want
    assert analyse(kitchen(far_end_k=60.0)).stalls == want


cells = st.lists(st.one_of(st.floats(20, 200), st.just(float("nan"))), min_size=40, max_size=40)


@settings(max_examples=100, deadline=None)
@given(st.lists(cells, min_size=0, max_size=3))
def test_in_each_minute_the_pit_is_the_first_place_that_was_good_of_late(rows):
    got = pit_course([Cells(np.array(row), np.array(row), np.array(row)) for row in rows], 40)
    late = int(DEAD_S / 60)
    for k in range(40):
        one = next((row for row in rows if np.isfinite(row[max(0, k - late + 1) : k + 1]).any()), None)
        want = np.nan if one is None else one[k]
        assert got[k] == want or (np.isnan(got[k]) and np.isnan(want))


def test_a_gap_of_some_minutes_does_not_make_the_pit_hop():
    grate, far = np.full(60, 120.0), np.full(60, 140.0)
    grate[20:25] = np.nan
    grate[40:] = np.nan
    course = pit_course([Cells(y, y, y) for y in (grate, far)], 60)
    assert not (course[:49] == 140.0).any()
    assert (course[49:] == 140.0).all()


def test_a_pit_that_was_just_lit_has_a_value_before_it_has_a_level():
    said = analyse(REC.until(T0 + 100))
    assert said.pit.place == "grate"
    assert said.pit.level_c is None
    assert "pit level at grate" in {c.what for c in said.cannot_say}
