"""Slopes of noisy readings: as certain as they say, in any sampling, never looking ahead."""

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.metrology.derivative import Wanted, slopes

T0 = 1.78e9
WANTED = Wanted(0.02, 0.003, 200.0)


def readings(seed, n, period=1.0, noise=0.12, step=0.25):
    """A pit that swings, as a thick probe on a chip with register steps reads it."""
    rng = np.random.default_rng(seed)
    t = T0 + period * np.arange(n)
    y = 110 + 8 * np.sin((t - T0) / 400) + rng.normal(0, noise, n)
    return t, np.round(y / step) * step if step else y


def test_a_slope_is_that_of_the_least_squares_line_over_its_window():
    t, y = readings(1, 64, step=0)
    slope, u, _ = slopes(t, y, 0.12, Wanted(1.0, 1e-9, 1e6))  # never enough: the longest window that agrees
    line, covariance = np.polyfit(t[-64:] - t[-1], y[-64:], 1, cov="unscaled")  # a general library, as reference
    assert slope[-1] == pytest.approx(line[0], rel=1e-9)
    assert u[-1] == pytest.approx(0.12 * np.sqrt(covariance[0, 0]), rel=1e-9)


@pytest.mark.parametrize("period", [0.25, 1.0, 5.0, 10.0, 60.0])
def test_the_stated_uncertainty_of_a_slope_is_the_scatter_of_slopes_of_a_resting_probe(period):
    rng = np.random.default_rng(4)
    t = T0 + period * np.arange(20_000)
    y = 110 + rng.normal(0, 0.12, t.size)
    slope, u, _ = slopes(t, y, 0.12, WANTED)
    known = np.isfinite(slope)
    assert known.mean() > 0.99
    assert np.sqrt(np.mean(np.square(slope[known] / u[known]))) == pytest.approx(1.0, abs=0.15)
    assert np.median(u[known]) < 0.0035


@pytest.mark.parametrize("period", [1.0, 7.0])
def test_a_slope_has_of_the_last_readings_noise_what_is_stated(period):
    """u^2 age is the covariance of the two, here of the longest window alone; checked by repeating it."""
    rng = np.random.default_rng(8)
    t, pairs = T0 + period * np.arange(24), []
    for _ in range(4000):
        y = rng.normal(0, 0.12, t.size)
        slope, u, age = slopes(t, y, 0.12, Wanted(0.0126 / period, 0.0, 1e6))  # only 16 samples or more are so sure
        pairs.append((y[15], slope[15]))
        stated = u[15] ** 2 * age[15]
        assert age[15] == pytest.approx(7.5 * period)
    assert np.cov(np.array(pairs).T)[0, 1] == pytest.approx(stated, rel=0.12)


def test_a_steady_ramp_is_seen_without_bias_and_an_opened_lid_within_seconds():
    rng = np.random.default_rng(5)
    t = T0 + np.arange(4000.0)
    y = 100 + 0.02 * (t - T0) + rng.normal(0, 0.12, t.size)
    slope, _, _ = slopes(t, y, 0.12, WANTED)
    assert np.nanmean(slope) == pytest.approx(0.02, abs=2e-4)
    y[2000:] -= 0.3 * np.arange(2000)
    slope, _, _ = slopes(t, y, 0.12, WANTED)
    assert slope[2015] == pytest.approx(-0.28, abs=0.06)


def test_behind_a_gap_nothing_is_said_until_enough_samples_are_there_again():
    t, y = readings(6, 2000)
    keep = (t < T0 + 900) | (t > T0 + 1300)
    slope, _, _ = slopes(t[keep], y[keep], 0.12, WANTED)
    first = int(np.flatnonzero(t[keep] > T0 + 1300)[0])
    assert np.isnan(slope[first : first + 3]).all()
    assert np.isfinite(slope[first + 30 :]).all()
    assert np.isfinite(slope[300:first]).all()


def test_sampling_that_is_too_slow_for_the_lag_says_so_by_saying_nothing():
    t, y = readings(7, 100, period=300.0)
    assert np.isnan(slopes(t, y, 0.12, WANTED)[0]).all()


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 1000), st.integers(1, 12_000), st.integers(1, 600))
def test_a_slope_does_not_hang_on_what_comes_after_or_came_long_before(seed, end, begin):
    t, y = readings(seed, 12_000)
    rng = np.random.default_rng(seed)
    keep = rng.random(t.size) > 0.05
    t, y = t[keep], y[keep]
    whole = slopes(t, y, 0.12, WANTED)
    so_far = slopes(t[:end], y[:end], 0.12, WANTED)
    later = slopes(t[begin:], y[begin:], 0.12, WANTED)
    for all_of_it, part, tail in zip(whole, so_far, later, strict=True):
        assert part.tobytes() == all_of_it[:end].tobytes()
        assert tail[300:].tobytes() == all_of_it[begin + 300 :].tobytes()


@pytest.mark.alone
def test_65000_slopes_take_some_milliseconds():
    t, y = readings(8, 65_000)
    took = []
    for _ in range(5):
        began = time.perf_counter()
        slopes(t, y, 0.12, WANTED)
        took.append(time.perf_counter() - began)
    print(f"\n65,000 slopes: {1e3 * min(took):.1f} ms")
    assert min(took) < 0.06
