"""Evenness: the spread of the places that were good, who leads and lags, and how long it was too great."""

import itertools

import numpy as np
import pytest
from cook_kitchen import T0

from pitscribe.cook.evenness import LIMIT_K, evenness
from pitscribe.cook.grid import Cells, Grid, cells_of, grid_of
from pitscribe.metrology.flags import Flag
from pitscribe.series import Series

HOUR = np.arange(0, 3600.0, 10.0)


def place(name, y, *, t=HOUR, u=0.8, flags=None):
    y = np.broadcast_to(np.asarray(y, float), t.shape).copy()
    return Series(name, "meat", T0 + t, y, np.full(t.size, u), np.zeros(t.size, np.uint32) if flags is None else flags)


def of(*places, **kw):
    grid = grid_of(places)
    return evenness({p.place: cells_of(p, grid) for p in places}, grid, **kw)


def test_the_spread_is_hottest_less_coldest_with_both_uncertainties():
    even = of(place("flat", 70.0, u=0.6), place("point", 64.0, u=0.8), place("tip", 75.5, u=0.6))
    assert even.now.spread_k == pytest.approx(11.5)
    assert even.now.u_k == pytest.approx(1.0)
    assert (even.now.hottest, even.now.coldest, even.now.places) == ("tip", "point", 3)


def test_the_limit_is_ten_degrees_fahrenheit():
    """10 degF = 5.56 K: common practice, no source."""
    assert pytest.approx(10 / 1.8) == LIMIT_K


def test_degree_hours_count_what_is_over_the_limit_and_for_how_long():
    t = np.arange(0, 4 * 3600.0, 10.0)
    spread = np.where(t < 7200, 4.0, LIMIT_K + 2.0)
    even = of(place("flat", 60.0, t=t), place("tip", 60 + spread, t=t))
    # The last cell is not over yet when the last sample falls in it: a minute's worth may be missing.
    assert even.degree_hours_above == pytest.approx(4.0, abs=2 / 60 + 1e-9)
    assert even.hours_above == pytest.approx(2.0, abs=1 / 60 + 1e-9)


def test_hours_that_nobody_saw_do_not_count():
    t = np.concatenate((np.arange(0, 3600.0, 10.0), np.arange(4 * 3600, 5 * 3600.0, 10.0)))
    even = of(place("flat", 60.0, t=t), place("tip", 70.0, t=t))
    assert even.hours_known == pytest.approx(2.0, abs=2 / 60)


def test_the_greatest_spread_is_found_with_its_time():
    even = of(place("flat", 60.0), place("tip", 60 + 9 * np.exp(-(((HOUR - 1800) / 400) ** 2))))
    assert even.greatest.spread_k == pytest.approx(9.0, abs=0.1)  # a minute's mean of a peak
    assert even.greatest.at - T0 == pytest.approx(1800, abs=90)


def test_a_place_with_bad_samples_does_not_count_while_they_are_bad():
    flags = np.zeros(HOUR.size, np.uint32)
    flags[100:200] = Flag.SHORT_GROUND
    wild = np.where(flags > 0, 300.0, 72.0)
    even = of(place("flat", 70.0), place("point", 71.0), place("tip", wild, flags=flags))
    assert even.greatest.spread_k == pytest.approx(2.0)
    inside = (even.t - T0 > 1080) & (even.t - T0 < 1980)
    assert even.spread_k[inside] == pytest.approx(1.0)


def test_with_one_place_it_says_that_a_spread_needs_two():
    even = of(place("flat", 70.0))
    assert even.now is None
    assert even.greatest is None
    assert even.degree_hours_above is None
    assert "only one meat place (flat)" in even.why_not


def test_a_place_that_died_leaves_history_but_no_present_spread():
    dead = place("tip", np.where(HOUR < 1800, 75.0, np.nan))
    even = of(place("flat", 70.0), dead)
    assert even.now is None
    assert even.greatest.spread_k == pytest.approx(5.0)
    assert "min no two meat places" in even.why_not


def test_since_when_a_place_leads_is_the_time_of_the_last_change():
    even = of(place("flat", 70.0), place("tip", 65 + HOUR / 360))
    assert even.leads_since - T0 == pytest.approx(1800, abs=90)
    assert even.now.hottest == "tip"


def test_the_order_of_the_places_changes_nothing_even_with_ties():
    rng = np.random.default_rng(5)
    all_places = [place(n, np.round(70 + rng.normal(0, 1, HOUR.size))) for n in ("flat", "point", "tip")]
    results = [of(*order) for order in itertools.permutations(all_places)]
    for other in results[1:]:
        assert other.now == results[0].now
        assert other.greatest == results[0].greatest
        assert other.leads_since == results[0].leads_since
        np.testing.assert_array_equal(other.spread_k, results[0].spread_k)


def test_it_says_by_how_much_the_leader_leads_and_the_laggard_lags():
    now = of(place("flat", 70.0, u=0.3), place("point", 64.0, u=0.4), place("tip", 75.5, u=0.4)).now
    assert (now.lead_k, now.lead_u_k) == (pytest.approx(5.5), pytest.approx(0.5))
    assert (now.lag_k, now.lag_u_k) == (pytest.approx(6.0), pytest.approx(0.5))


def test_what_the_probes_err_in_common_is_not_in_the_uncertainty_of_a_difference():
    """GUM (JCGM 100:2008) eq. 13 for y = a - b with a common component c: u2 = ua2 + ub2 - 2 c2."""
    places = place("flat", 70.0, u=0.5), place("tip", 75.0, u=1.3)
    assert of(*places, common_k=0.4).now.u_k == pytest.approx(np.sqrt(0.5**2 + 1.3**2 - 2 * 0.4**2))
    assert of(*places, common_k=0.5).now.u_k == pytest.approx(1.2)
    assert of(*places).now.u_k == pytest.approx(np.hypot(0.5, 1.3))


def test_the_uncertainty_of_degree_hours_does_not_average_out():
    t = np.arange(0, 4 * 3600.0, 10.0)
    even = of(place("flat", 60.0, t=t, u=0.6), place("tip", 70.0, t=t, u=0.8))
    assert even.degree_hours_above == pytest.approx(4 * (10 - LIMIT_K), rel=0.01)
    assert even.degree_hours_u == pytest.approx(4 * 1.0, rel=0.01)


def test_a_place_that_took_turns_by_noise_alone_is_not_said_to_lead_since_the_last_turn():
    noise = np.random.default_rng(2).normal(0, 0.3, HOUR.size)
    even = of(place("flat", 70 + noise), place("tip", 70 - noise + HOUR / 36000))
    assert even.leads_since < T0 + 600


def test_a_minute_without_its_leader_does_not_end_its_lead():
    gap = np.where((HOUR > 1800) & (HOUR < 2000), np.nan, 80.0)
    even = of(place("flat", 70.0), place("point", 71.0), place("tip", gap))
    assert even.leads_since < T0 + 120


def test_a_constant_on_all_places_changes_no_spread():
    rng = np.random.default_rng(8)
    ys = [60 + rng.normal(0, 3, HOUR.size) for _ in range(3)]
    a, b = (of(*(place(n, y + more) for n, y in zip(("a", "b", "c"), ys, strict=True))) for more in (0.0, 17.0))
    np.testing.assert_allclose(a.spread_k, b.spread_k, atol=1e-9)
    assert (a.leads_since, a.lags_since, a.now.hottest) == (b.leads_since, b.lags_since, b.now.hottest)


def test_as_plain_values_it_has_what_it_says():
    even = of(place("flat", 70.0), place("tip", 75.0))
    plain = even.as_json()
    assert plain["now"]["spread_k"] == 5.0
    assert plain["now"]["lead_k"] == plain["now"]["lag_k"] == 5.0
    assert plain["degree_hours_above"] == 0.0
    assert plain["leads_since"].endswith("Z")


def test_a_lost_sample_of_the_hottest_place_takes_nothing_from_the_history_of_the_spread():
    """Spread 8 K all the time: every third minute the hottest is not read, and once for twenty minutes."""
    n = 240
    grid = Grid(0.0, n)
    whole = {"flat": np.full(n, 60.0), "tip": np.full(n, 68.0), "point": np.full(n, 63.0)}
    lossy = {name: c.copy() for name, c in whole.items()}
    lossy["tip"][1:120:3] = np.nan
    lossy["tip"][150:170] = np.nan

    def said(columns):
        cells = {name: Cells(c, np.full(n, 0.5), np.full(n, 0.25)) for name, c in columns.items()}
        return evenness(cells, grid)

    full, some = said(whole), said(lossy)
    assert full.degree_hours_above == pytest.approx(4.0 * (8.0 - LIMIT_K))
    short = np.delete(np.arange(n), np.arange(150, 170))
    assert np.array_equal(some.spread_k[short], full.spread_k[short])
    # What was silent for longer is not made up: there the spread is that of the others.
    assert np.all(some.spread_k[150:170] == 3.0)
