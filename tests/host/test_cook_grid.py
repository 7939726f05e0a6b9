"""The grid of minutes: bounded whatever the times say, and the same cells whether or not a silence is left out."""

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from cook_kitchen import T0, record
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cook.analysis import analyse
from pitscribe.cook.grid import CELL_S, GAP_S, Grid, grid_of
from pitscribe.cook.plain import iso
from pitscribe.cook.replay import replay
from pitscribe.cook.text import summary
from pitscribe.errors import ReadingError
from pitscribe.metrology.flags import Flag
from pitscribe.series import Series

DAY = 86_400.0


def place(name, t, y, kind="meat"):
    t = T0 + np.asarray(t, float)
    return Series(name, kind, t, np.broadcast_to(np.asarray(y, float), t.shape).copy(), np.full(t.size, 0.8),
                  np.zeros(t.size, np.uint32))


def cook(gap_s, *, after_h=2.0):
    """Three hours, a silence, and some hours more."""
    t = np.concatenate((np.arange(0, 3 * 3600, 60.0), 3 * 3600 + gap_s + np.arange(0, after_h * 3600, 60.0)))
    warm = np.arange(t.size) / 60
    return record([place("flat", t, 20 + 10 * warm), place("tip", t, 24 + 10 * warm), place("grate", t, 120.0, "air")])


@pytest.mark.parametrize("years", [1, 70])
def test_a_year_that_somebody_mistyped_costs_neither_memory_nor_the_answers(years):
    rec = cook(365 * DAY * years)
    tracemalloc.start()  # which makes all of it several times slower: hence steps of an hour
    said, told = analyse(rec), replay(rec, 3600.0)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 40e6
    assert said.at == rec.places[0].t[-1]
    assert said.coldest.place == "flat"
    assert said.evenness.now.spread_k == pytest.approx(4.0)
    assert said.evenness.hours_known == pytest.approx(5.0, abs=0.1)
    assert len(told["evenness"]["history"]) < 24 + 40


def test_what_is_said_before_the_silence_is_what_it_would_be_without_it():
    rec = cook(400 * DAY)
    before = rec.until(T0 + 3 * 3600)
    assert analyse(rec.until(T0 + 200 * DAY)).as_json() == analyse(before).as_json()


@settings(max_examples=60, deadline=None)
@given(gaps=st.lists(st.floats(10, 40 * DAY), min_size=1, max_size=5), seed=st.integers(0, 99))
def test_a_sample_lies_in_the_cell_whose_minute_it_is_in(gaps, seed):
    rng = np.random.default_rng(seed)
    t = np.cumsum(np.concatenate(([0.0], *(np.append(rng.uniform(1, 90, 30), gap) for gap in gaps), [61.0])))
    s = place("flat", t, 50 + t / 3600)
    grid = grid_of([s])
    k = grid.cells(s.t)
    assert (np.diff(k) >= 0).all()
    inside = k < grid.n
    ends = grid.ends
    assert [grid.end(i) for i in range(grid.n)] == ends.tolist()
    assert (np.diff(ends) >= CELL_S).all()
    np.testing.assert_array_less(s.t[inside], ends[k[inside]])
    np.testing.assert_array_less(ends[k[inside]] - CELL_S - 1e-6, s.t[inside])
    assert grid.n <= sum(min(g, GAP_S) for g in gaps) / 60 + len(gaps) * 60 + 60
    assert all(grid.cell(end - 30) == i for i, end in enumerate(ends.tolist()))


def test_readings_that_fill_more_than_a_month_are_refused_naming_the_longest_silence():
    t = np.arange(0, 32 * DAY, 3600.0)
    t = np.append(t, t[-1] + 3 * DAY)
    with pytest.raises(ReadingError, match=r"fill 32 days.*longest silence from 2\d.*30 days are the most"):
        analyse(record([place("flat", t, 60.0)]))


def test_many_rows_each_a_day_apart_are_bounded_too():
    t = np.arange(0, 3000 * 2 * DAY, 2 * DAY)
    with pytest.raises(ReadingError, match="30 days are the most"):
        analyse(record([place("flat", t, 60.0)]))


def test_a_grid_without_a_silence_is_plain_minutes():
    assert grid_of([place("flat", np.arange(0, 20 * 3600, 60.0), 60.0)]) == Grid(T0, 1199)


# loggers of unlike pace: readings come by the frame of 64 ticks (WIRE.md section 2.2)


def slow_and_fast(late_s, *, names=("flat",), bad=False):
    """Places read each second, and ``names`` once a minute, whose last ``late_s`` seconds have not come yet."""
    fast, slow = np.arange(0, 4 * 3600, 1.0), np.arange(0, 4 * 3600 - late_s + 1, 60.0)
    levels = {"flat": 60.0, "point": 66.0, "tip": 69.0, "grate": 118.0, "far end": 131.0}
    places = []
    for name, level in levels.items():
        t = slow if name in names else fast
        kind = "air" if level > 100 else "meat"
        wave = np.random.default_rng(len(name)).normal(0, 0.05, t.size)
        places.append(place(name, t, level + (0 if kind == "air" else 8.0) * (t / 3600 - 4) + wave, kind))
    rec = record(places)
    if bad:
        dead = tuple(_failed(s) if s.place in names else s for s in rec.places)
        rec = replace(rec, places=dead)
    return rec


def _failed(s):
    """The same with one bad sample a minute after its last."""
    t = np.append(s.t, s.t[-1] + np.arange(60.0, 301, 60.0))
    return Series(s.place, s.kind, t, np.append(s.celsius, np.full(5, np.nan)), np.append(s.u, np.full(5, np.nan)),
                  np.append(s.flags, np.full(5, Flag.OPEN, np.uint32)))


@pytest.mark.parametrize("late_s", [60, 600, 1900, 65 * 60])
def test_a_slow_logger_beside_a_fast_one_stays_in_spread_pit_and_rate_until_its_frame_comes(late_s):
    said = analyse(slow_and_fast(late_s, names=("flat", "grate")))
    flat = next(p for p in said.places if p.place == "flat")
    assert flat.celsius == pytest.approx(60 - 8 * late_s / 3600, abs=0.3)
    assert flat.rate_k_h == pytest.approx(8.0, abs=1.0)
    assert said.coldest.place == "flat"
    assert said.pit.place == "grate"
    assert said.pit.level_c == pytest.approx(118.0, abs=0.2)
    now = said.evenness.now
    assert (now.hottest, now.coldest, now.among) == ("tip", "flat", ("flat", "point", "tip"))
    assert now.spread_k == pytest.approx(9.0, abs=0.2)  # of places read in the same minute
    assert said.evenness.t[-1] - now.at <= late_s + 60


def test_a_fast_logger_that_is_silent_for_so_long_has_no_present():
    said = analyse(slow_and_fast(1900, names=()))
    assert all(p.celsius is not None for p in said.places)
    rec = slow_and_fast(0, names=())
    cut = tuple(s.until(T0 + 4 * 3600 - 700) if s.place in ("flat", "grate") else s for s in rec.places)
    said = analyse(replace(rec, places=cut))
    assert said.pit.place == "far end"
    assert said.coldest.place == "point"
    assert said.evenness.now.among == ("point", "tip")


def test_a_slow_place_that_fails_leaves_the_spread_at_once():
    said = analyse(slow_and_fast(360, bad=True))
    assert said.coldest.place == "point"
    assert said.evenness.now.among == ("point", "tip")
    assert said.evenness.t[-1] == said.evenness.now.at


# words


def rough_air(minutes=60, noise=14.0):
    t = np.arange(0, minutes * 60, 10.0)
    y = 120 + np.random.default_rng(2).normal(0, noise, t.size // 6 + 1).repeat(6)[: t.size]
    y[-60:-30] -= 45  # the lid
    return place("grate", t, y, "air")


def test_an_opened_lid_is_no_moved_probe_and_the_direction_says_why_it_is_not_known():
    said = analyse(record([rough_air(), place("flat", np.arange(0, 3600, 10.0), 60.0)]))
    grate = next(p for p in said.places if p.place == "grate")
    assert grate.rate_k_h is None
    assert "swings too much" in grate.why_no_rate
    assert not any(c.what == "rate of grate" for c in said.cannot_say)  # on most cooks it would always stand there
    assert said.pit.direction is None
    assert "swings too much" in said.pit.why_no_direction


@pytest.mark.parametrize(("k_h", "direction"), [(0.0, "steady"), (8.0, "steady"), (60.0, "rising"), (-60.0, "falling")])
def test_the_direction_of_the_pit_is_that_of_its_last_half_hour(k_h, direction):
    t = np.arange(0, 2 * 3600, 10.0)
    y = 120 + k_h * t / 3600 + np.random.default_rng(1).normal(0, 0.5, t.size)
    said = analyse(record([place("grate", t, y, "air")]))
    assert (said.pit.direction, said.pit.why_no_direction) == (direction, None)


def test_no_reason_names_a_unit():
    """The reader's unit is not known here: a figure in a reason would be wrong for one of two."""
    t = np.arange(0, 3600, 10.0)
    cold = record([place("grate", t, 51.7, "air"), place("flat", t, 40.0)])
    for rec in (cold, slow_and_fast(60), record([rough_air()])):
        for said in analyse(rec, target_c=93.3).cannot_say:
            assert "deg" not in said.what + said.why
    unsaid = {(c.what, c.about) for c in analyse(cold, target_c=93.3).cannot_say}
    assert ("when the target is reached as the fire is", "pit") in unsaid


def test_each_thing_that_cannot_be_said_names_the_answer_or_place_that_it_concerns():
    rec = slow_and_fast(0, names=())
    names = {s.place for s in rec.places}
    for some in (rec.places, rec.meat, rec.air, rec.meat[:1], tuple(s.until(T0 + 60) for s in rec.places)):
        for c in analyse(replace(rec, places=some), target_c=90.0).cannot_say:
            assert c.about in {"coldest", "pit", "spread"} | names


def test_of_a_cook_that_is_over_nothing_is_said_to_come_yet():
    rec = record([place("flat", [], []), place("tip", np.arange(0, 60, 10.0), np.nan)])
    over = replace(rec, cook=replace(rec.cook, ended_ms=int(T0 * 1000) + 1))
    assert any("yet" in c.why for c in analyse(rec).cannot_say)
    assert not any("yet" in c.why for c in analyse(over).cannot_say)


def test_the_summary_says_as_of_when_it_speaks_and_that_equal_places_are_all_alike():
    t = np.arange(0, 3600, 10.0)
    text = summary(analyse(record([place("flat", t, 60.0), place("tip", t, 60.02), place("grate", t, 120.0, "air")])))
    assert text.splitlines()[0] == f"kitchen, as of {iso(T0 + 3590)}"
    assert "): all alike at 140 F" in text
    assert "leads" not in text
    apart = summary(analyse(record([place("flat", t, 60.0), place("tip", t, 61.0)])))
    assert "tip leads at 142 F, flat lags at 140 F" in apart


def test_the_summary_says_where_the_pit_goes_or_why_that_is_not_known():
    t = np.arange(0, 7200, 10.0)
    noise = np.random.default_rng(1).normal(0, 0.5, t.size)
    assert ", rising (+1" in summary(analyse(record([place("grate", t, 60 + t / 60 + noise, "air")])))
    assert "direction not known: it swings too much to tell" in summary(analyse(record([rough_air()])))
