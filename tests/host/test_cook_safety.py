"""Safety: unknown never counts as safe, uncertainty and gaps never make anything safer, and nothing looks ahead."""

import re
import time
from dataclasses import replace

import numpy as np
import pytest
from cook_kitchen import T0, Spec, cook_all, record, sense
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cook.doubt import doubtful
from pitscribe.cook.grid import Cells, Grid, cells_of, grid_of
from pitscribe.cook.safety import kind_of, safety_of
from pitscribe.cook.safety_finding import STATES
from pitscribe.cook.safety_tables import KINDS
from pitscribe.errors import ReadingError
from pitscribe.ledger.values import Note
from pitscribe.metrology.flags import Flag
from pitscribe.series import Series


def note(minute, kind):
    return Note(1, 1, round(60_000 * minute), kind, "")


def cells(y, u=0.2):
    y = np.asarray(y, dtype=float)
    return Cells(y, np.broadcast_to(np.asarray(u, float), y.shape).copy(), np.full(y.size, 0.05))


def checks(y, *, u=0.2, kind="beef", notes=(), air=(), doubt=None):
    one = y if isinstance(y, Cells) else cells(y, u)
    doubts = None if doubt is None else {"flat": doubt}
    said = safety_of({"flat": one}, notes, Grid(0.0, one.celsius.size), kind, air=air, doubts=doubts)
    return {c.what: c for c in said.places["flat"]}


def gap(y, a, b):
    y = np.array(y, dtype=float)
    y[a:b] = np.nan
    return y


def held(c, minutes):
    """So many minutes at a temperature, which flickers."""
    return c + 0.01 * np.sin(np.arange(minutes))


UP = np.linspace(4, 92, 600)
HELD = np.concatenate((UP, np.linspace(92, 64, 120), held(64, 200)))


def test_a_whole_cook_that_goes_well_is_met_wherever_it_can_be_known():
    said = checks(HELD, air=(cells(np.full(HELD.size, 110.0)),))
    for what in ("come-up", "lethality 6.5 log", "lethality 7 log", "temperature inside", "hot holding"):
        assert said[what].state == "met", said[what]
    # No limit is published for hours in the zone, so that they can be neither within nor over it.
    assert said["danger zone"].state == "not judged"
    # The pit was hot from the first minute on: what came before is not in the record.
    assert said["before the pit is hot"].state == "unknown"
    assert said["cooling within 2 h"].state == "not yet"


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_met_where_nothing_is_known(kind):
    for y in (np.full(300, np.nan), np.empty(0)):
        states = {c.state for c in checks(y, kind=kind).values()}
        assert states <= {"unknown", "not yet"}


def test_the_expanded_uncertainty_is_taken_off_where_heat_is_needed():
    at_60 = np.concatenate((np.linspace(4, 60, 300), held(60.1, 14)))
    assert checks(at_60, u=0.0)["lethality 6.5 log"].state == "met"
    assert checks(at_60, u=1.0)["lethality 6.5 log"].state == "not yet"
    warm = np.concatenate((UP, np.linspace(92, 58, 120), held(58, 60)))
    assert checks(warm, u=0.2)["hot holding"].state == "met"
    assert checks(warm, u=0.5)["hot holding"].state == "not met"


def test_the_expanded_uncertainty_is_put_on_where_cold_is_needed():
    cooled = np.concatenate((UP, np.linspace(92, 57.4, 100), np.linspace(57, 20.5, 115), held(20.4, 20)))
    assert checks(cooled, u=0.1)["cooling within 2 h"].state == "met"
    assert checks(cooled, u=0.5)["cooling within 2 h"].state == "exceeded"
    assert checks([4.0] * 30, u=0.1)["danger zone"].value == 0.0
    assert checks([4.0] * 30, u=0.5)["danger zone"].value == pytest.approx(0.5)


def test_a_gap_in_the_hold_is_unknown_and_reheating_ends_the_doubt():
    said = checks(gap(HELD, 800, 860))["hot holding"]
    assert (said.state, said.unknown_h) == ("unknown", pytest.approx(1.0))
    again = np.concatenate((gap(HELD, 800, 860), np.linspace(64, 75, 60)))
    assert checks(again)["hot holding"].state == "met"


def test_a_gap_brings_no_lethality():
    """A place that was hot on both sides of a gap of hours is credited with the known minutes alone."""
    y = np.concatenate((np.linspace(4, 55, 300), held(55.3, 200)))
    whole, holed = (checks(one, u=0.0)["lethality 7 log"] for one in (y, gap(y, 310, 450)))
    assert whole.state == "met"
    assert holed.state == "not yet"
    assert holed.unknown_h == pytest.approx(140 / 60)


def test_one_silent_minute_between_two_is_no_gap_but_counts_as_colder_than_both():
    y = gap(held(56.0, 100), 50, 51)
    whole, lone = (checks(one, u=0.0)["lethality 7 log"] for one in (held(56.0, 100), y))
    assert lone.unknown_h == 0.0
    assert lone.value < whole.value
    assert checks(gap(held(56.0, 100), 50, 52))["lethality 7 log"].unknown_h == pytest.approx(2 / 60)


def test_a_place_that_fell_silent_is_unknown_and_keeps_what_was_reached():
    said = checks(gap(HELD, 700, HELD.size))
    assert said["hot holding"].state == "unknown"
    assert said["danger zone"].state == "unknown"
    assert said["lethality 7 log"].state == "met"
    early = checks(gap(HELD, 200, HELD.size))
    assert early["lethality 7 log"].state == "unknown"
    assert "no reading that is beyond doubt" in early["lethality 7 log"].why


def test_readings_that_are_only_late_leave_the_present_as_it_was():
    assert checks(gap(HELD, HELD.size - 3, HELD.size))["hot holding"].state == "met"
    slow = replace(cells(gap(HELD, HELD.size - 30, HELD.size)), late_s=3840.0)
    assert checks(slow)["hot holding"].state == "met"
    assert checks(replace(slow, failing=True))["hot holding"].state == "unknown"


def test_a_probe_that_is_pulled_out_has_not_cooled_the_meat():
    out = np.concatenate((HELD, 20 + 44 * np.exp(-np.arange(1, 60) / 2.0), held(20.0, 60)))
    said = checks(out)
    assert said["cooling within 2 h"].state == "unknown"
    assert "jumped" in said["cooling within 2 h"].why
    assert said["hot holding"].state == "not met"


def test_another_spot_has_its_own_lethality():
    moved = np.concatenate((np.linspace(4, 55.0, 300), held(55.0, 60), held(48.0, 30)))
    said = checks(moved, u=0.0)["lethality 7 log"]
    assert said.state == "not yet"
    assert said.value == 0.0


def test_a_probe_in_the_air_of_the_pit_cooks_nothing():
    """Meat that holds water does not pass 100 degC: what is hotter is no meat."""
    out = np.concatenate((np.linspace(4, 50, 200), np.linspace(70, 118, 5), held(118.0, 60)))
    said = checks(out)
    assert said["lethality 6.5 log"].state == "unknown"
    assert said["temperature inside"].state == "unknown"
    assert "hotter than meat" in said["temperature inside"].why


def test_a_probe_that_came_out_in_a_gap_cooks_nothing_and_a_dry_tip_stays_meat():
    out = np.concatenate((np.linspace(4, 50, 200), np.full(90, np.nan), held(118.0, 60)))
    assert checks(out)["lethality 6.5 log"].state == "unknown"
    dry = np.concatenate((np.linspace(4, 103, 600), held(103.0, 60)))
    assert checks(dry)["hot holding"].state == "met"
    assert checks(dry)["hot holding"].unknown_h == 0.0


def test_a_reading_that_never_moves_is_in_doubt_after_two_hours():
    stuck = checks([70.0] * 300)
    assert stuck["hot holding"].state == "unknown"
    assert stuck["danger zone"].state == "unknown"


def test_flagged_minutes_do_not_count():
    t = np.arange(0, 3 * 3600.0, 10.0)
    y = 60.0 + 0.01 * np.sin(t)
    flags = np.where((t >= 3600) & (t < 7200), np.uint32(Flag.SWAPPED), np.uint32(0)).astype(np.uint32)
    one = Series("flat", "meat", t, y, np.full(t.size, 0.1), flags)
    grid = grid_of([one])
    doubt = doubtful(one, grid)
    assert doubt.sum() == 60
    said = checks(cells_of(one, grid), doubt=doubt)["danger zone"]
    assert (said.state, said.unknown_h) == ("unknown", pytest.approx(1.0))


def test_one_flagged_sample_of_many_does_not_take_the_minute():
    t = np.arange(0, 600.0, 10.0)
    flags = np.where(t == 300.0, np.uint32(Flag.RATE), np.uint32(0)).astype(np.uint32)
    one = Series("flat", "meat", t, np.full(t.size, 60.0), np.full(t.size, 0.1), flags)
    assert not doubtful(one, grid_of([one])).any()


def test_a_day_of_silence_that_the_grid_leaves_out_is_unknown_all_the_same():
    t = np.concatenate((np.arange(0, 3600.0, 30.0), np.arange(40 * 3600, 41 * 3600.0, 30.0)))
    one = Series("flat", "meat", t, 60 + np.sin(t), np.full(t.size, 0.1), np.zeros(t.size, np.uint32))
    grid = grid_of([one])
    assert grid.n < 20 * 60
    said = safety_of({"flat": cells_of(one, grid)}, (), grid).coldest[0]
    assert said.unknown_h == pytest.approx(39.0, abs=0.05)


def test_the_coldest_is_for_every_check_the_place_where_it_stands_worst():
    grid = Grid(0.0, HELD.size)
    places = {"point": cells(HELD), "flat": cells(HELD - 12), "tip": cells(gap(HELD, 300, HELD.size))}
    said = safety_of(places, (), grid)
    by_what = {c.what: c for c in said.coldest}
    assert by_what["hot holding"].place == "flat"
    assert by_what["hot holding"].state == "not met"
    assert by_what["lethality 7 log"].place == "tip"
    assert by_what["lethality 7 log"].state == "unknown"
    for what, coldest in by_what.items():
        all_of = [c for of in said.places.values() for c in of if c.what == what]
        assert STATES.index(coldest.state) == min(STATES.index(c.state) for c in all_of)


def test_it_is_not_met_once_the_meat_is_off_and_cools_without_it():
    y = np.concatenate((np.linspace(4, 54, 300), np.linspace(54, 40, 100)))
    assert checks(y, notes=[note(300, "pull")])["lethality 6.5 log"].state == "not met"
    assert checks(y)["lethality 6.5 log"].state == "not yet"


def test_a_tempered_start_leaves_the_come_up_unknown():
    said = checks(np.linspace(15, 60, 120))["come-up"]
    assert said.state == "unknown"
    assert "not known" in said.why


def test_without_meat_or_with_a_kind_that_nobody_knows_it_says_so():
    assert safety_of({}, (), Grid(0.0, 100)).why_not == "no meat place"
    with pytest.raises(ReadingError, match=r"unicorn.*beef"):
        safety_of({}, (), Grid(0.0, 100), "unicorn")


@pytest.mark.parametrize(
    ("meats", "kind"),
    [((), "beef"), (("Brisket, packer",), "beef"), (("Brisket", "chicken wings"), "poultry"), (("pork butt",), "other"),
     (("ground beef",), "ground"), (("injected brisket",), "injected"), (("henhouse special",), "other")],
)
def test_the_least_safe_kind_that_is_named_counts(meats, kind):
    assert kind_of(meats) == kind


def test_all_of_it_goes_into_plain_values():
    grid = Grid(T0, HELD.size)
    said = safety_of({"flat": cells(HELD)}, (), grid).as_json()
    one = said["coldest"][0]
    assert set(one) == {
        "what", "place", "state", "value", "limit", "unit", "unknown_h", "since", "at", "source", "caution", "why",
        "stands",
    }
    assert "local code" in said["caution"]
    assert one["at"].endswith("Z")


@st.composite
def courses(draw):
    """A course that meat can take: so many legs, up and down, at no more than 0.5 K/min, with a flicker."""
    y = [draw(st.floats(-2, 40))]
    for _ in range(draw(st.integers(2, 6))):
        to, minutes = draw(st.floats(-2, 95)), draw(st.integers(20, 200))
        pace = np.clip((to - y[-1]) / minutes, -0.5, 0.5)
        y += list(y[-1] + pace * np.arange(1, minutes + 1))
    return np.array(y) + 0.01 * np.sin(np.arange(len(y)))


def met(said):
    return {what for what, c in said.items() if c.state == "met"}


@settings(max_examples=60, deadline=None)
@given(courses(), st.sampled_from(sorted(KINDS)), st.floats(0, 2), st.floats(0.01, 3))
def test_more_uncertainty_never_makes_anything_met_nor_any_clock_slower(y, kind, u, more):
    air = (cells(np.where(np.arange(y.size) < 30, 20.0, 110.0)),)
    less, greater = (checks(y, u=v, kind=kind, air=air) for v in (u, u + more))
    assert met(greater) <= met(less)
    for what in ("danger zone", "come-up"):
        assert greater[what].value >= less[what].value - 1e-9
    for what in ("lethality 6.5 log", "lethality 7 log"):
        assert (greater[what].value or 0) <= (less[what].value or 0) + 1e-9


@settings(max_examples=60, deadline=None)
@given(courses(), st.sampled_from(sorted(KINDS)), st.data())
def test_a_gap_never_makes_anything_met(y, kind, data):
    air = (cells(np.where(np.arange(y.size) < 30, 20.0, 110.0)),)
    a = data.draw(st.integers(0, y.size - 2))
    b = data.draw(st.integers(a + 1, min(y.size - 1, a + 300)))  # what is newest stays: silence there may be late
    whole, holed = (checks(one, kind=kind, air=air) for one in (y, gap(y, a, b)))
    assert met(holed) <= met(whole)
    for what in ("lethality 6.5 log", "lethality 7 log"):
        assert (holed[what].value or 0) <= (whole[what].value or 0) + 1e-9


@settings(max_examples=60, deadline=None)
@given(courses(), st.floats(0.01, 4))
def test_a_hotter_course_is_never_less_lethal_nor_less_hot(y, more):
    colder, hotter = checks(y), checks(y + more)
    for what in ("lethality 6.5 log", "lethality 7 log", "temperature inside"):
        assert (hotter[what].value or 0) >= (colder[what].value or 0) - 1e-9
        if colder[what].state == "met":
            assert hotter[what].state == "met"
            assert hotter[what].since <= colder[what].since


@settings(max_examples=60, deadline=None)
@given(courses(), st.data())
def test_what_was_said_at_a_time_is_what_the_cut_series_says(y, data):
    """What is met once and dated stays so, and no cut series knows of anything later."""
    k = data.draw(st.integers(2, y.size))
    a = data.draw(st.integers(0, y.size - 1))
    holed = gap(y, a, min(a + data.draw(st.integers(1, 90)), y.size - 1))
    whole, cut = checks(holed), checks(holed[:k])
    for what in ("lethality 6.5 log", "lethality 7 log", "temperature inside"):
        if cut[what].state == "met":
            assert cut[what].since == whole[what].since
        elif whole[what].state == "met":
            assert whole[what].since > 60.0 * k
    assert cut["danger zone"].value <= whole["danger zone"].value + 1e-9


WELL = {"met", "within the limit", "within the limit so far"}  # all the words that may sound like "go on"


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-5, 99), min_size=30, max_size=300), st.sampled_from(sorted(KINDS)), st.integers(0, 290),
    st.integers(0, 200),
)
def test_no_word_that_sounds_well_is_said_of_what_is_over_unmet_unknown_or_has_no_limit(y, kind, at, silent):
    for said in checks(gap(y, at, at + silent), kind=kind, air=(cells(np.full(len(y), 110.0)),)).values():
        assert said.stands == said.as_json()["stands"]
        if said.state in ("exceeded", "not met", "unknown", "not judged"):
            assert said.stands not in WELL
        if said.stands in WELL:
            assert said.value is not None
            assert said.unit != "h" or said.limit is not None
        if said.state == "unknown":
            assert "not safe" in said.stands


def test_hours_over_a_limit_are_told_beside_it_and_hours_without_a_limit_as_no_verdict():
    five = np.concatenate((np.linspace(2, 4, 10), np.linspace(4, 59, 310), np.linspace(59, 70, 30)))
    over, intact = checks(five, kind="ground")["danger zone"], checks(five, kind="beef")["danger zone"]
    assert over.stands == "OVER THE LIMIT"
    assert re.search(r"5 h \d+ known between 40 F .* and 140 F .* of the 4 h that are the limit", over.why)
    assert intact.stands == "counted, not judged"
    assert "neither safe nor unsafe" in intact.why


def test_six_places_of_18_hours_cost_little():
    specs = [Spec(hours=18.0, half_mm=30 + 4 * i, seed=1) for i in range(6)]
    truth = cook_all(specs)
    senses = {"every_s": 1.0, "quantum": 0.25, "noise": 0.1, "seed": 1, "kind": "meat"}
    series = [sense(truth.t, truth.meat[:, i], place=f"p{i}", **senses) for i in range(6)]
    cook = record(series)
    grid = grid_of(cook.places)
    places = {s.place: cells_of(s, grid) for s in cook.places}
    best = np.inf
    for _ in range(3):
        begin = time.perf_counter()
        said = safety_of(places, cook.notes, grid, air=(cells(truth.air[:: 6, 0][: grid.n]),))
        best = min(best, time.perf_counter() - begin)
    assert {c.state for c in said.coldest if c.what.startswith("lethality")} == {"met"}
    assert best < 0.06
