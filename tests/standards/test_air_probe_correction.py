"""The air correction against worked tables: it takes back what the tables say that a stem and a lag do.

Sources: SOURCES.md section 5: stem conduction of a pin fin with an insulated tip, computed for a probe through a
smoker's wall; Bird, Stewart and Lightfoot, Transport Phenomena, example 10.7-1; first-order lag (ramp, sine, step);
time constants in water as makers of sheathed thermocouples state them.
"""

import math

import numpy as np
import pytest

from pitscribe.metrology.airlearn import learn
from pitscribe.metrology.airprobe import AirModel, Track, air_of
from pitscribe.metrology.plunge import SLOWER_IN_AIR, time_constant

GAS, WALL = 121.1, 60.0
T0 = 1.78e9


def model(kappa=0.0, lag=0.0, base=None):
    return AirModel(base, 0.0, kappa, lag, (1e-6, 0.0, 0.0, 1e-8, 0.0, 1e-4), 50.0, 0.0, 0.0, 0.05, 0.0, 300.0)


def steady(reading, base, kappa):
    t = T0 + np.arange(50.0)
    tracks = [Track(t, np.full(50, x), np.full(50, 0.1)) for x in (reading, base)]
    return air_of(*tracks, model(kappa, base="wall"), 0.01, here=True).celsius


@pytest.mark.parametrize(
    ("m", "immersion_mm", "low"),
    [(64.80, 25, 23.3), (64.80, 50, 4.78), (64.80, 75, 0.95), (64.80, 100, 0.19),
     (45.82, 25, 35.3), (45.82, 50, 12.2), (45.82, 75, 3.93), (45.82, 100, 1.25)],
)
def test_what_a_stem_takes_from_a_probe_through_the_wall_is_given_back(m, immersion_mm, low):
    share = 1 / math.cosh(m * immersion_mm / 1000)  # (tip - gas) / (base - gas)
    assert steady(GAS - low, WALL, share / (1 - share)) == pytest.approx(np.full(50, GAS), abs=0.05 * low / 5 + 0.05)


def test_the_textbooks_thermocouple_well_is_put_right():
    # reads 500 F, wall 350 F, mL = 3.4641: the gas is 510.0 F
    share = 1 / math.cosh(3.4641)
    gas = steady((500 - 32) / 1.8, (350 - 32) / 1.8, share / (1 - share))
    assert gas[-1] * 1.8 + 32 == pytest.approx(510.0, abs=0.05)


def test_a_ramp_is_late_by_its_slope_times_tau_and_no_longer_when_corrected():
    t = np.arange(0.0, 3000.0)
    reads = 80 + 0.02 * t - 0.02 * 48.0  # r tau, once it runs steadily
    found = air_of(Track(T0 + t, reads, np.full(t.shape, 0.1)), None, model(lag=48.0), 0.01, here=True)
    assert found.celsius[1000:] == pytest.approx(80 + 0.02 * t[1000:], abs=0.01)


@pytest.mark.parametrize(
    ("tau", "minutes", "gain", "late_s"), [(48.0, 20, 0.970, 47), (48.0, 10, 0.894, 44), (48.0, 2, 0.370, 23),
                                           (16.0, 20, 0.997, None), (16.0, 10, 0.986, None), (16.0, 2, 0.767, None)]
)
def test_a_swing_that_the_lag_weakens_and_delays_is_learned_and_given_back(tau, minutes, gain, late_s):
    period = 60.0 * minutes
    turn = 2 * math.pi / period
    if late_s is None:
        late_s = math.atan(turn * tau) / turn
    t = np.arange(0.0, 5 * 3600.0)
    rng = np.random.default_rng(1)
    air = 115 + 8 * np.sin(turn * t)
    reads = 115 + 8 * gain * np.sin(turn * (t - late_s)) + rng.normal(0, 0.05, t.size)
    thick, ref = (Track(T0 + t, x, np.full(t.shape, 0.1)) for x in (reads, air))
    found = learn(thick, ref, None, base_place=None, noise=0.05, reference_u=0.0, reference_tau_s=0.0).model
    assert found.tau == pytest.approx(tau, rel=0.03)
    if minutes == 2:
        return  # a window of some seconds follows no better: what it leaves is in the residual
    given = air_of(thick, None, found, 0.05, here=True).celsius
    swing = np.std(given[600:]) * math.sqrt(2)
    assert swing == pytest.approx(8.0, rel=0.02)
    assert np.corrcoef(given[600:], air[600:])[0, 1] > 0.995


@pytest.mark.parametrize(("tau", "in_air"), [(0.22, 17.0), (0.40, 17.0), (0.50, 48.0), (1.10, 48.0), (0.05, 4.0)])
def test_how_much_slower_a_junction_is_in_air_spans_the_makers_figures_in_water(tau, in_air):
    low, high = SLOWER_IN_AIR
    assert low <= in_air / tau <= high


@pytest.mark.parametrize("tau", [0.50, 1.10])
def test_a_sheath_of_an_eighth_inch_is_rated_in_water_as_its_maker_states(tau):
    t = np.arange(0.0, 60.0, 0.1)
    late = np.maximum(t - 20.03, 0.0)
    reads = 95 - 93 * np.exp(-late / tau)
    found = time_constant(T0 + t, np.round((reads + np.random.default_rng(3).normal(0, 0.1, t.size)) * 4) / 4, 0.123)
    assert found.tau == pytest.approx(tau, rel=0.02)
    assert 93 * math.exp(-1) == pytest.approx(95 - np.interp(20.03 + found.tau, t, reads), rel=0.03)
