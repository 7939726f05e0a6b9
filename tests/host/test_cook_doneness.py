"""Doneness: plain minutes, an index with an honest range, carry-over by conduction, and how long a hold lasts."""

import time

import numpy as np
import pytest
from cook_kitchen import Spec, cook_all, record, sense
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cook.doneness import LONGEST_H, doneness_of, dose_h, newton_h
from pitscribe.cook.doneness_carry import ALPHA, USUAL_FILM, USUAL_HALF_M, rise_off_heat
from pitscribe.cook.doneness_text import doneness_lines
from pitscribe.cook.grid import Cells, Grid, cells_of, grid_of
from pitscribe.cook.plain import difference, span
from pitscribe.cook.safety_tables import HOT_C
from pitscribe.ledger.values import Note
from pitscribe.simulate.body import Stuff, plank, warm


def note(minute, kind):
    return Note(1, 1, round(60_000 * minute), kind, "")


def cells(y, u=0.2):
    y = np.asarray(y, dtype=float)
    return Cells(y, np.full(y.size, u), np.full(y.size, 0.02))


def done(y, *, notes=(), air=(), u=0.2):
    one = cells(y, u)
    return doneness_of({"flat": one}, notes, Grid(0.0, one.celsius.size), air).places[0]


def flicker(c, n):
    return c + 0.01 * np.sin(np.arange(n))


def test_minutes_above_each_level_are_plain_facts_and_a_gap_is_in_none():
    y = np.concatenate((np.linspace(60, 96, 361), flicker(96.0, 60)))
    said = dict(done(y).minutes_above)
    for level in (71.0, 80.0, 90.5, 95.0):
        assert said[level] == pytest.approx((y >= level).sum(), abs=1)
    y[370:400] = np.nan
    holed = done(y)
    assert dict(holed.minutes_above)[95.0] == pytest.approx(said[95.0] - 30)
    assert holed.unknown_min == pytest.approx(30)


@pytest.mark.parametrize(
    ("celsius", "relative"), [(60, 0.050), (70, 0.135), (80, 0.367), (85, 0.606), (93, 1.350), (95, 1.650)]
)
def test_the_index_runs_at_the_computed_rates_for_z_23(celsius, relative):
    """z 23 K, reference 90 degC: our inference from two anchors, computed (SOURCES.md section 8)."""
    assert dose_h(np.full(60, float(celsius)), np.full(60, 1 / 60), 23.0) == pytest.approx(relative, abs=6e-4)


def test_the_range_of_z_at_70_degrees_is_as_computed():
    """z 19 and 30 K give 0.089 and 0.215 at 70 degC (computed)."""
    hour = np.full(60, 1 / 60)
    assert dose_h(np.full(60, 70.0), hour, 19.0) == pytest.approx(0.089, abs=6e-4)
    assert dose_h(np.full(60, 70.0), hour, 30.0) == pytest.approx(0.215, abs=6e-4)


@pytest.mark.filterwarnings("error")
def test_the_upper_end_of_a_reading_that_may_be_of_another_year_is_infinite_and_no_warning():
    assert dose_h(np.array([7e5, 60.0]), np.full(2, 1 / 60), 19.0) == np.inf


def test_both_anchors_of_the_index_lie_within_its_range_of_each_other():
    """24 to 48 h at 60 degC (Bouton and Harris 1981, abstract seen); 1 to 2 h at 92 (common practice, no source)."""
    at_60 = [dose_h(np.full(1, 60.0), np.full(1, h), z) for h in (24.0, 48.0) for z in (19.0, 30.0)]
    at_92 = [dose_h(np.full(1, 92.0), np.full(1, h), z) for h in (1.0, 2.0) for z in (19.0, 30.0)]
    assert min(at_60) < max(at_92)
    assert max(at_60) > min(at_92)


def test_the_range_holds_the_middle_and_widens_with_uncertainty():
    y = np.linspace(55, 94, 600)
    narrow, wide = done(y, u=0.1), done(y, u=1.0)
    assert narrow.index_low_h < narrow.index_h < narrow.index_high_h
    assert wide.index_low_h < narrow.index_low_h
    assert wide.index_high_h > narrow.index_high_h


def heated_slab(half, k_h, celsius, film, hours):
    """The centre's greatest rise off the heat: finite volumes of the simulator, another method than the forecast's."""
    stuff = Stuff()
    alpha = stuff.conductivity / stuff.capacity
    body = plank(np.full(2, 2 * half), 0.1, 0.1, 81)
    flux = k_h / 3600 * half * stuff.capacity
    temp = np.full(body.shape, celsius - 60.0)
    step = 0.2 * (2 * half / 81) ** 2 / alpha
    for _ in range(int(6 * half**2 / alpha / step)):
        warm(body, stuff, temp, np.full((2, 2), flux) * body.skin, step)
    temp += celsius - temp[0, 40]
    best = celsius
    through = 1 / (1 / film + body.depth / stuff.conductivity)
    for _ in range(int(hours * 3600 / step)):
        warm(body, stuff, temp, through * (20.0 - temp[:, [0, -1]].T) * body.skin, step)
        best = max(best, temp[0, 40])
    return best - celsius, alpha


@pytest.mark.parametrize("k_h", [4.0, 12.0])
def test_the_likely_carry_over_is_that_of_a_slab_by_finite_volumes(k_h):
    rise, alpha = heated_slab(USUAL_HALF_M, k_h, 70.0, USUAL_FILM, 1.0)
    ours = rise_off_heat(70.0, k_h * ALPHA / alpha, 0.0)[1]  # the same gradient in meat of the simulator's diffusivity
    assert ours == pytest.approx(rise, abs=0.15 + 0.1 * rise)


def test_no_carry_over_is_more_than_a_piece_without_any_loss_would_have():
    """Insulated, the inside comes to the mean: half thickness squared over six times the diffusivity, times rate."""
    for k_h in (2.0, 6.0, 15.0):
        most = k_h / 3600 * 0.050**2 / (6 * ALPHA)
        low, likely, high, _ = rise_off_heat(60.0, k_h, 0.0)
        assert 0 <= low <= likely <= high <= most
        assert high > 0.6 * most


def test_a_pit_hardly_hotter_than_the_meat_leaves_hardly_any_gradient():
    assert rise_off_heat(93.0, 8.0, 0.0, 94.0)[2] < 0.4


@settings(max_examples=15, deadline=None)
@given(st.floats(50, 95), st.floats(0, 25), st.floats(0, 2), st.floats(0.1, 10))
def test_faster_heating_carries_over_no_less_and_less_certainty_widens_the_range(celsius, k_h, u, more):
    slow, fast = rise_off_heat(celsius, k_h, u, 121.0), rise_off_heat(celsius, k_h + more, u, 121.0)
    wide = rise_off_heat(celsius, k_h, u + more, 121.0)
    assert all(a <= b + 1e-6 for a, b in zip(slow[:3], fast[:3], strict=True))
    assert wide[0] <= slow[0] + 1e-6
    assert wide[2] >= slow[2] - 1e-6


def test_carry_over_is_told_before_the_pull_and_kept_after_it_with_what_was_seen():
    up = np.linspace(70, 93, 180)
    off = 93 + np.concatenate((1.4 * np.sin(np.linspace(0, np.pi / 2, 25)), 1.4 - 0.05 * np.arange(1, 40)))
    y, air = np.concatenate((up, off)), (cells(np.full(244, 121.0)),)
    before = done(up, air=(cells(np.full(180, 121.0)),)).carry_over
    after = done(y, air=air, notes=[note(180, "pull")]).carry_over
    assert not before.pulled
    assert after.pulled
    assert (after.low_k, after.likely_k, after.high_k) == (before.low_k, before.likely_k, before.high_k)
    assert after.seen_k == pytest.approx(1.4, abs=0.15)
    assert after.low_k <= after.seen_k <= after.high_k


def test_without_a_rate_there_is_no_carry_over_and_it_says_why():
    said = done([80.0] * 30).carry_over
    assert said.likely_k is None
    assert "not moved" in said.why_not


def held(tau_h, minutes, room=21.0):
    return room + (70.0 - room) * np.exp(-np.arange(minutes) / 60 / tau_h)


@pytest.mark.parametrize("tau_h", [6.0, 12.0])
def test_a_hold_that_cools_by_newton_leaves_hot_holding_within_the_range(tau_h):
    y = np.concatenate((np.linspace(60, 70, 120), held(tau_h, 90)))
    hold = done(y, notes=[note(120, "hold")], u=0.1).hold
    truth = tau_h * np.log((70.0 - 21) / (HOT_C - 21)) - 90 / 60
    assert hold.held_h == pytest.approx(1.5, abs=0.05)
    assert hold.rate_k_h < 0
    assert hold.leaves_low_h < truth < hold.leaves_high_h


def test_newton_and_the_straight_line_agree_near_the_line():
    assert newton_h(HOT_C + 0.01, 2.0) == pytest.approx(0.005, rel=1e-3)
    assert newton_h(70.0, 0.0) is None


def test_a_hold_says_what_it_cannot_say():
    y = np.concatenate((np.linspace(60, 70, 120), held(8.0, 90)))
    assert done(y).hold.why_not == "no note of a hold or a pull"
    dead = y.copy()
    dead[130:] = np.nan
    assert "no reading" in done(dead, notes=[note(120, "hold")]).hold.why_not
    steady = np.concatenate((np.linspace(60, 70, 120), 70 + np.linspace(0, 3, 90)))
    assert done(steady, notes=[note(120, "hold")]).hold.why_not == "it does not cool"


def test_no_end_of_a_hold_is_told_that_is_further_away_than_a_day():
    """Just off the heat it may still rise, and what it might cool by within its uncertainty is next to nothing."""
    said = []
    for k_h in np.linspace(0.0, 2.0, 41):
        y = np.concatenate((np.linspace(60, 70, 120), 70 + k_h * np.arange(60) / 60))
        hold = done(y, notes=[note(120, "hold")]).hold
        said.append(hold.why_not)
        assert hold.leaves_low_h is None or hold.leaves_low_h <= LONGEST_H
    assert said[0] is None
    assert "it hardly cools yet" in said
    assert said[-1] == "it does not cool"


def told_lines(y, *notes, unit="F"):
    one = cells(y, 0.1)
    said = doneness_of({"flat": one}, [note(120, kind) for kind in notes], Grid(0.0, one.celsius.size))
    return said, doneness_lines(said, unit, lambda t: f"minute {t / 60:.0f}")


def test_doneness_in_words_has_its_figures_in_the_readers_unit_and_its_caution():
    y = np.concatenate((np.linspace(60, 70, 120) + 12, held(8.0, 90) + 12))
    said, lines = told_lines(y, "pull")
    place = said.places[0]
    assert len(lines) == 4
    assert lines[0].startswith(f"flat was at or above 160 F {span(60 * place.minutes_above[0][1])}, 176 F ")
    assert f"as much as {span(3600 * place.index_h)} at 194 F would" in lines[0]
    assert "is off the heat since minute 120 and was to rise" in lines[1]
    assert f"seen so far {difference(place.carry_over.seen_k, 'F')}" in lines[1]
    assert "has been held for 1 h 30 at 135 F or more since minute 120; it leaves that in " in lines[2]
    assert lines[3] == f"doneness: {said.caution}"
    assert "at or above 71.0 C" in told_lines(y, "pull", unit="C")[1][0]
    assert "would still rise" in told_lines(y[:110])[1][1]


def test_meat_that_was_never_hot_has_no_words_on_doneness():
    assert told_lines(np.linspace(4, 60, 120))[1] == []


def test_nothing_known_is_nothing_claimed():
    for y in (np.full(100, np.nan), np.empty(0), [80.0]):
        said = done(y)
        assert said.carry_over.likely_k is None
        assert said.as_json()["hold"]["leaves_low_h"] is None
    assert done(np.full(100, np.nan)).index_high_h == 0.0


@settings(max_examples=30, deadline=None)
@given(st.integers(20, 260), st.integers(0, 10_000))
def test_a_cut_series_says_what_was_said_then(k, seed):
    rng = np.random.default_rng(seed)
    y = np.concatenate((np.linspace(60, 93, 180), held(8.0, 80) + 23)) + rng.normal(0, 0.02, 260)
    notes = [note(180, "pull")]
    cut = done(y[:k], notes=[n for n in notes if n.at_ms <= 60_000 * k])
    whole = done(y, notes=notes)
    for (_, a), (_, b) in zip(cut.minutes_above, whole.minutes_above, strict=True):
        assert a <= b
    assert cut.index_h <= whole.index_h
    if cut.carry_over.pulled:
        assert cut.carry_over.likely_k == whole.carry_over.likely_k


def test_six_places_of_18_hours_cost_little():
    truth = cook_all([Spec(hours=18.0, half_mm=30 + 4 * i, seed=2) for i in range(6)])
    senses = {"every_s": 1.0, "quantum": 0.25, "noise": 0.1, "seed": 1, "kind": "meat"}
    series = [sense(truth.t, truth.meat[:, i], place=f"p{i}", **senses) for i in range(6)]
    grid = grid_of(record(series).places)
    places = {s.place: cells_of(s, grid) for s in series}
    best = np.inf
    for _ in range(3):
        begin = time.perf_counter()
        said = doneness_of(places, (), grid)
        best = min(best, time.perf_counter() - begin)
    assert len(said.places) == 6
    print(f"doneness of six places of 18 h: {1000 * best:.0f} ms")
    assert best < 0.25
