"""Stalls beside what people do and note: a pit that settles, a cover, an unwrapping, a hold, one place alone."""

from dataclasses import dataclass, replace

import pytest
from cook_kitchen import T0, Spec, record, sense, truth_stalls
from hypothesis import given
from hypothesis import strategies as st
from test_cook_stall import WET, hours, one, stalls

from pitscribe.cook.analysis import analyse
from pitscribe.cook.noted import UNWRAP, act_of, notes_for
from pitscribe.cook.stall import find_stalls

LONG = replace(WET, crust_kg=9.0)  # its crust is late: the stall lasts


@dataclass(frozen=True)
class Said:
    at_ms: int
    kind: str
    text: str = ""


def begins(spec, notes=()):
    """When the true stalls of a spec begin and when those that are said do and were noticed, in hours."""
    rec, truth = one(spec, notes=notes)
    return [hours(a) for a, _ in truth_stalls(truth, 0)], [(hours(s.begin), hours(s.noticed)) for s in stalls(rec)]


@pytest.mark.parametrize("pit_seed", [1, 2, 3])
@pytest.mark.parametrize("lit_c", [165.0, 180.0])
def test_a_pit_that_was_lit_hot_and_settles_is_no_low_fire(pit_seed, lit_c):
    """Lit 50 to 70 K too hot for an hour: a stall that begins when it has settled is said while it is young."""
    (true,), said = begins(replace(LONG, pit_c=lit_c, pit_steps=((1.3, 112.0),), seed=pit_seed))
    assert abs(said[0][0] - true) < 0.75
    assert said[0][1] - true < 0.75


@pytest.mark.parametrize("at", [2.3, 2.6])
@pytest.mark.parametrize("keeps", [0.35, 0.6])
def test_a_stall_that_a_breathing_wrap_leaves_is_said(at, keeps):
    """Paper keeps part of the evaporation going: what the place once showed is still what it is held against."""
    (true,), said = begins(replace(LONG, wraps=(at,), lids=(at,), wrap_keeps=keeps), [(at, "wrap")])
    assert abs(said[0][0] - true) < 0.75
    assert said[0][1] - true < 1.0


@pytest.mark.parametrize("how", ["unwrap", "text"])
def test_a_stall_after_an_unwrapping_is_a_stall(how):
    """Foil before the stall, off again while the meat is wet."""
    spec = replace(LONG, wraps=(1.5,), unwraps=(3.0,), lids=(1.5, 3.0), wrap_keeps=0.0)
    rec, truth = one(spec, notes=[(1.5, "wrap"), (3.0, how)])
    notes = tuple(replace(note, text="unwrapped it" if note.kind == "text" else "") for note in rec.notes)
    (found,) = stalls(replace(rec, notes=notes))
    ((true, _),) = truth_stalls(truth, 0)
    assert abs(found.begin - true) < 45 * 60


@pytest.mark.parametrize(("down", "up"), [(2.0, 5.0), (2.0, 4.0), (4.0, 6.0)])
def test_a_hold_is_over_when_the_pit_drives_again_and_the_place_heats(down, up):
    """Noted as held in a pit of 70 degC, then cooked on: the stall afterwards is one."""
    trues, said = begins(replace(LONG, pit_steps=((down, 70.0), (up, 121.0))), [(down, "hold")])
    assert abs(said[-1][0] - trues[-1]) < 1.2  # the truth does not count the hour in which the pit comes up
    assert said[-1][0] > down + 0.7
    assert said[-1][1] - trues[-1] < 1.0


def test_a_pit_that_is_lit_again_beside_meat_that_rests_ends_no_hold():
    """The meat cools in a box while the pit goes down and up: nothing is said of it."""
    rec, _ = one(replace(LONG, pull=2.0), notes=[(2.0, "hold")])
    relit = Spec(hours=LONG.hours, pit_steps=((2.0, 40.0), (4.0, 121.0)), swing_k=6.0, seed=5)
    _, other = one(relit)
    air = sense(other.t, other.air[:, 0], place="grate", kind="air", every_s=10.0, quantum=0.25, noise=0.05, seed=9)
    (meat,) = rec.meat
    assert find_stalls(meat, [air], rec.notes) == []


def test_a_note_that_names_places_holds_for_these_alone():
    ice, wrap = Said(0, "ice", "on the Tip"), Said(1, "wrap")
    both, flat2 = Said(2, "spritz", "point, then tip."), Said(3, "rotate", "flat 2 away from the fire")
    notes, places = [ice, wrap, both, flat2], ("flat", "flat 2", "point", "tip")
    assert notes_for("tip", places, notes) == [ice, wrap, both]
    assert notes_for("point", places, notes) == [wrap, both]
    assert notes_for("flat", places, notes) == [wrap]
    assert notes_for("flat 2", places, notes) == [wrap, flat2]
    assert notes_for("tip", places, [Said(0, "ice", "tipped the pan, flatter fire")]) == [
        Said(0, "ice", "tipped the pan, flatter fire")]


@given(st.lists(st.text(min_size=1, max_size=6), min_size=1, max_size=4, unique_by=str.casefold), st.text(max_size=20))
def test_every_note_holds_for_a_place_and_one_without_text_for_all(places, words):
    notes = [Said(0, "ice", words)]
    assert any(notes_for(place, places, notes) for place in places)
    assert all(notes_for(place, places, [Said(0, "ice")]) for place in places)


def test_ice_on_one_place_silences_no_other():
    """Two places of the same meat, which stall alike; the ice lies on one of them."""
    rec, _ = one(LONG)
    (flat,) = rec.meat
    two = replace(rec, places=(*rec.places, replace(flat, place="tip")))
    at = T0 + 2.3 * 3600
    note = replace(record([], [(2.3, "ice")]).notes[0], text="ice on the tip")
    plain = {s.place: s.noticed for s in analyse(two).stalls}
    iced = {s.place: s.noticed for s in analyse(replace(two, notes=(note,))).stalls}
    assert at < plain["flat"] == plain["tip"] < at + 3600
    assert iced["flat"] == plain["flat"]
    assert iced["tip"] >= at + 3600


def test_free_text_that_says_unwrapped_is_that_act_and_no_other_is():
    assert act_of(Said(0, "text", "Unwrapped, bark soft")) == UNWRAP
    assert act_of(Said(0, "text", "wrapped")) == "text"
    assert act_of(Said(0, "lid", "unwrapped")) == "lid"
