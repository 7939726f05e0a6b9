"""Stretches of safety: they are as long as the checks say, lie where the readings do, and nothing looks ahead."""

from datetime import datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cook.grid import Cells, Grid
from pitscribe.cook.safety import safety_of
from pitscribe.cook.safety_spans import JOIN_MIN

# USDA FSIS to consumers: danger zone 40 to 140 degF; FDA Food Code 2022, 3-501.16: hot holding at 135 degF.
ZONE_C = ((40 - 32) / 1.8, (140 - 32) / 1.8)
HOT_C = (135 - 32) / 1.8


def cells(y, u=0.2):
    y = np.asarray(y, dtype=float)
    return Cells(y, np.full(y.size, u), np.full(y.size, 0.05))


def said_of(**places):
    n = len(next(iter(places.values())))
    return safety_of({name: cells(y) for name, y in places.items()}, (), Grid(0.0, n))


def hours(said, what):
    return sum(s.hours for s in said.spans if s.what == what)


# 1 h at 3 degC, up to 92 degC within 6 h, down to 50 degC in 3 h, half an hour there.
WHOLE = np.concatenate((np.full(60, 3.0) + 0.01 * np.sin(np.arange(60)), np.linspace(3, 92, 360),
                        np.linspace(92, 50, 180), 50 + 0.01 * np.sin(np.arange(30))))


def test_a_whole_cook_has_its_danger_zone_and_what_cooled_below_hot_holding():
    said = said_of(flat=WHOLE)
    first, cooled, after = said.spans
    assert (first.what, cooled.what, after.what) == ("danger zone", "danger zone", "not hot")
    # With u of 0.2 K the zone is entered 0.4 K before 40 degF and left 0.4 K after 140 degF.
    rise = 89 / 359  # K a minute
    assert first.begin / 60 == pytest.approx(60 + (ZONE_C[0] - 0.4 - 3) / rise, abs=1.5)
    assert first.end / 60 == pytest.approx(60 + (ZONE_C[1] + 0.4 - 3) / rise, abs=1.5)
    assert after.begin / 60 == pytest.approx(420 + (92 - HOT_C - 0.4) / (42 / 179), abs=1.5)
    assert cooled.begin < after.begin
    assert after.end == 60 * WHOLE.size


def test_what_is_unknown_is_a_stretch_of_its_own_and_no_danger_zone():
    y = WHOLE.copy()
    y[150:210] = np.nan
    said = said_of(flat=y)
    (unknown,) = [s for s in said.spans if s.what == "unknown"]
    assert (unknown.begin, unknown.end) == (150 * 60, 210 * 60)
    assert unknown.hours == 1.0
    zones = [s for s in said.spans if s.what == "danger zone"]
    assert all(s.end <= unknown.begin or s.begin >= unknown.end for s in zones)


def test_the_place_is_that_of_the_check():
    said = said_of(flat=WHOLE[:420], point=np.linspace(3, 70, 420))
    zone = next(c for c in said.coldest if c.what == "danger zone")
    assert {s.place for s in said.spans if s.what == "danger zone"} == {zone.place} == {"point"}


def test_a_reading_that_hovers_at_a_line_is_one_stretch():
    y = np.concatenate((np.linspace(3, ZONE_C[1] + 0.4, 300), ZONE_C[1] + 0.4 + 0.05 * np.sin(1.5 * np.arange(240))))
    said = said_of(flat=y)
    zone = next(c for c in said.coldest if c.what == "danger zone")
    (one,) = [s for s in said.spans if s.what == "danger zone"]
    assert one.hours == pytest.approx(zone.value)
    assert one.hours < (one.end - one.begin) / 3600 - 0.5


def test_nothing_is_drawn_where_there_is_no_meat():
    assert safety_of({}, (), Grid(0.0, 100)).as_json()["spans"] == []


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.lists(st.tuples(st.integers(0, 620), st.integers(1, 90)), max_size=4))
def test_stretches_add_up_to_what_the_checks_tell_and_nothing_of_them_looks_ahead(seed, gaps):
    rng = np.random.default_rng(seed)
    y = WHOLE + np.cumsum(rng.normal(0, 0.3, WHOLE.size))
    for at, long in gaps:
        y[at : at + long] = np.nan
    cut = int(rng.integers(20, y.size))
    for some in (y, y[:cut]):
        said = said_of(flat=some)
        zone = next(c for c in said.coldest if c.what == "danger zone")
        assert hours(said, "danger zone") == pytest.approx(zone.value)
        assert hours(said, "unknown") == pytest.approx(zone.unknown_h)
        hold = next(c for c in said.coldest if c.what == "hot holding")
        if hold.state == "not met":
            assert any(s.what == "not hot" and s.begin < hold.since <= s.end for s in said.spans)
        for s in said.spans:
            assert s.begin < s.end <= 60 * some.size
            assert 0 < s.hours <= (s.end - s.begin) / 3600 + 1e-9
        for a, b in zip(said.spans, said.spans[1:], strict=False):
            assert a.what != b.what or b.begin - a.end > 60 * JOIN_MIN


def test_as_json_a_stretch_has_its_times_in_iso_8601():
    (first, *_) = said_of(flat=WHOLE).as_json()["spans"]
    begin, end = (datetime.fromisoformat(first[key]).timestamp() for key in ("begin", "end"))
    assert (end - begin) / 3600 == pytest.approx(first["hours"], abs=0.02)
    assert (first["what"], first["place"]) == ("danger zone", "flat")
    assert (first["low_c"], first["high_c"]) == pytest.approx(ZONE_C, abs=0.05)
