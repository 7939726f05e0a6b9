"""The smoker of the bench: heat is kept count of, and a hand-fired pit looks like one.

Band, swing and rhythm: common practice, no source (SOURCES.md section 12).
"""

from itertools import pairwise

import numpy as np
import pytest

from pitscribe.simulate.smoker import Smoker, SmokerSpec, Weather


def fire(seconds, *, weather=None, lid=(), band=115.0, feed=True):
    """Run a smoker that is fed whenever it falls under the band; returns it and (near, far) each second."""
    smoker = Smoker(SmokerSpec(), coals=1.3)
    weather = weather or Weather(18.0, 1.5)
    for _ in range(2):
        smoker.add_split(0.95)
    start = smoker.stored
    air, fed = np.zeros((seconds, 2)), []
    for t in range(seconds):
        smoker.lid = float(any(a <= t < b for a, b in lid))
        burning = sum(s.volatile for s in smoker.splits)
        if feed and t > 3600 and smoker.near + smoker.far < 2 * band and burning < 0.42:
            smoker.add_split(0.95)
            fed.append(t)
        smoker.step(weather, meat_heat=150.0, meat_steam=5e-5)
        air[t] = smoker.near, smoker.far
    return smoker, air, fed, start


@pytest.mark.parametrize("lid", [(), ((9000, 9060), (12000, 12300))], ids=["shut", "opened"])
def test_what_the_fire_gives_is_in_the_steel_the_stack_the_weather_and_the_meat(lid):
    smoker, _, _, start = fire(6 * 3600, lid=lid)
    heat = smoker.balance
    stored = smoker.stored - start
    assert stored == pytest.approx(heat["fire"] - heat["stack"] - heat["weather"] - heat["meat"], abs=1.0)  # J of 1e8
    assert heat["fire"] > 5e7


def test_a_fed_pit_keeps_its_band_and_wants_a_split_every_half_hour_to_an_hour():
    _, air, fed, _ = fire(10 * 3600)
    pit = air[2 * 3600 :].mean(axis=1)
    assert np.percentile(pit, 5) > 107
    assert np.percentile(pit, 95) < 135
    gaps = np.diff(fed) / 60
    assert 28 < gaps.mean() < 60
    swings = [np.ptp(air[a:b].mean(axis=1)) for a, b in pairwise(fed[2:])]
    assert 6 < np.mean(swings) < 17


def test_the_firebox_end_is_the_hotter_one():
    _, air, _, _ = fire(6 * 3600)
    assert 4 < np.mean(air[7200:, 0] - air[7200:, 1]) < 28


def test_an_opened_lid_dips_the_air_at_once_and_the_steel_brings_it_back():
    _, air, _, _ = fire(4 * 3600, lid=((10000, 10045),))
    before = air[9990, 0]
    assert air[10044, 0] < before - 30
    assert air[10044, 0] > 30
    assert air[10045 + 420, 0] > before - 12


def test_wind_takes_heat_from_an_unattended_pit():
    calm = fire(7200, feed=False, weather=Weather(15.0, 0.0))[0]
    windy = fire(7200, feed=False, weather=Weather(15.0, 8.0))[0]
    assert windy.chamber_steel < calm.chamber_steel - 5


def test_a_fire_that_nobody_feeds_goes_out():
    smoker, air, _, _ = fire(6 * 3600, feed=False)
    assert air[-1].mean() < 60
    assert smoker.power < 400


def test_a_split_on_dead_coals_does_not_catch():
    smoker = Smoker(SmokerSpec(), coals=0.02)
    smoker.add_split(1.0)
    for _ in range(3600):
        smoker.step(Weather())
    assert smoker.splits[0].caught < 0.05
