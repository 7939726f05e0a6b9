"""Rates: right within what they claim, from coarse, noisy, gappy data; none where there is none."""


import numpy as np
import pytest
from cook_kitchen import T0, Spec, cook_all, sense
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cook.grid import cells_of, grid_of
from pitscribe.cook.rates import jumps_so_far, rates_of, why_no_rate
from pitscribe.metrology.flags import Flag
from pitscribe.series import Series


def series(t, y, *, kind="meat", flags=None):
    t, y = np.asarray(t, float), np.asarray(y, float)
    return Series("flat", kind, t, y, np.full(t.size, 0.8), np.zeros(t.size, np.uint32) if flags is None else flags)


def ramp(k_h, *, hours=3.0, every=1.0, quantum=0.25, noise=0.05, start=40.0, seed=0):
    t = np.arange(0, hours * 3600, every)
    y = start + k_h * t / 3600 + np.random.default_rng(seed).normal(0, noise, t.size)
    return series(T0 + t, np.round(y / quantum) * quantum)


def last_rate(s):
    rates = rates_of(cells_of(s, grid_of([s])))
    return rates.k_h[-1], rates.u[-1], rates.window_s[-1]


@pytest.mark.parametrize("every", [1.0, 7.0, 30.0, 60.0])
@pytest.mark.parametrize("quantum", [0.25, 0.0078125])
@pytest.mark.parametrize("k_h", [0.6, 3.0, 12.0, 40.0, -5.0])
def test_a_ramp_is_read_within_its_uncertainty(k_h, quantum, every):
    inside, widest = [], []
    for seed in range(12):
        rate, u, _ = last_rate(ramp(k_h, every=every, quantum=quantum, noise=0.1, seed=seed))
        inside.append(abs(rate - k_h) <= 2 * u)
        widest.append(u)
    assert np.mean(inside) >= 0.9
    assert max(widest) < 2.0


def test_noise_that_remembers_is_not_taken_for_knowledge():
    """First-order noise with a memory of 2 min: three in four of the intervals of two u must still hold the truth."""
    inside = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        t = np.arange(0, 2 * 3600, 60.0)
        wander = np.zeros(t.size)
        for i in range(1, t.size):
            wander[i] = np.exp(-0.5) * wander[i - 1] + rng.normal(0, 0.1)
        rate, u, _ = last_rate(series(T0 + t, 50 + 6 * t / 3600 + wander))
        inside.append(abs(rate - 6) <= 2 * u)
    assert np.mean(inside) >= 0.75


def test_a_body_that_warms_to_the_pit_has_the_rate_of_its_time_constant():
    """First-order body: rate = (air - body) / tau (SOURCES.md section 5, lumped body, theta = exp(-t/tau))."""
    tau = 3.0 * 3600
    t = np.arange(0, 4 * 3600, 5.0)
    body = 121.1 - 116.1 * np.exp(-t / tau)
    rate, u, window = last_rate(series(T0 + t, np.round(body / 0.25) * 0.25))
    middle = t[-1] - window / 2
    assert rate == pytest.approx(116.1 * np.exp(-middle / tau) / 3.0, abs=3 * u)


def test_coarse_steps_ask_for_a_longer_window_than_fine_codes():
    fine = last_rate(ramp(2.0, quantum=0.0078125, noise=0.02))
    coarse = last_rate(ramp(2.0, quantum=0.25, noise=0.0))
    coarsest = last_rate(ramp(2.0, quantum=1.0, noise=0.0))
    assert fine[2] < coarse[2] < coarsest[2]
    assert fine[1] < coarse[1] < coarsest[1]
    assert coarsest[0] == pytest.approx(2.0, abs=2 * coarsest[1])


def test_a_rate_is_that_of_now_and_as_good_as_it_says():
    """A slab's centre by the kitchen's physics, over a stall: 95 % within two u, an honest figure (GUM 6.2)."""
    truth = cook_all([Spec(half_mm=30, juice=0.8, crust_kg=5.0, seed=4)])
    true = np.gradient(truth.meat[:, 0], truth.t / 3600)
    inside, off = [], []
    for quantum, noise in ((0.25, 0.05), (2.0**-7, 0.05), (0.25, 0.3)):
        s = sense(truth.t, truth.meat[:, 0], place="flat", kind="meat", every_s=10.0, quantum=quantum, noise=noise,
                  seed=1)
        grid = grid_of([s])
        rates = rates_of(cells_of(s, grid))
        late = np.isfinite(rates.k_h) & (grid.ends > T0 + 3600)
        miss = rates.k_h[late] - np.interp(grid.ends[late], truth.t, true)
        inside.append(np.mean(np.abs(miss) <= 2 * rates.u[late]))
        off.append(np.sqrt(np.mean(miss**2)))
    assert min(inside) >= 0.90
    assert max(off) < 2.5


def test_constant_data_have_no_rate_and_say_why():
    s = series(T0 + np.arange(0, 4 * 3600, 1.0), np.full(4 * 3600, 65.0))
    cells = cells_of(s, grid_of([s]))
    assert np.isnan(rates_of(cells).k_h).all()
    assert "not moved" in why_no_rate(cells)


def test_a_reading_that_stops_moving_loses_its_rate_after_two_hours():
    t = np.arange(0, 6 * 3600, 10.0)
    y = np.where(t < 7200, 40 + 10 * t / 3600, 60.0)
    s = series(T0 + t, np.round(y / 0.25) * 0.25)
    rates = rates_of(cells_of(s, grid_of([s])))
    assert np.isfinite(rates.k_h[200])
    assert rates.k_h[200] == pytest.approx(0.0, abs=0.01)
    assert np.isnan(rates.k_h[250:]).all()


def test_there_is_no_rate_in_a_gap_nor_before_ten_minutes_and_it_comes_back_after():
    s = ramp(10.0, hours=4.0, every=5.0)
    keep = (s.t < T0 + 3600) | (s.t >= T0 + 2.5 * 3600)
    gappy = series(s.t[keep], s.celsius[keep])
    cells = cells_of(gappy, grid_of([gappy]))
    rates = rates_of(cells)
    assert np.isnan(rates.k_h[:4]).all()
    assert np.isnan(rates.k_h[66:150]).all()
    assert rates.k_h[-1] == pytest.approx(10.0, abs=1.5)


def test_samples_with_a_bad_flag_do_not_count():
    s = ramp(10.0, every=10.0)
    wild, flags = s.celsius.copy(), s.flags.copy()
    wild[::3] = 400.0
    flags[::3] = Flag.OPEN
    rate, u, _ = last_rate(series(s.t, wild, flags=flags))
    assert rate == pytest.approx(10.0, abs=2 * u)


def test_a_moved_probe_gives_no_rate_across_the_move():
    s = ramp(10.0, every=10.0)
    moved = series(s.t, s.celsius - np.where(s.t > s.t[-1] - 300, 8.0, 0.0))
    cells = cells_of(moved, grid_of([moved]))
    assert np.isnan(rates_of(cells).k_h[-1])
    assert "probe moved" in why_no_rate(cells)


def test_noise_alone_is_never_taken_for_a_moved_probe():
    s = ramp(8.0, hours=14.0, every=60.0, noise=0.4)
    assert jumps_so_far(cells_of(s, grid_of([s])))[-1] <= 1


@settings(max_examples=40, deadline=None)
@given(cut=st.integers(700, 10_700), seed=st.integers(0, 5), every=st.sampled_from([1.0, 13.0, 60.0]))
def test_a_rate_never_changes_when_more_data_come(cut, seed, every):
    s = ramp(9.0, every=every, seed=seed)
    before = s.until(T0 + cut)
    now, later = (rates_of(cells_of(x, grid_of([x]))) for x in (before, s))
    n = now.k_h.size
    np.testing.assert_array_equal(now.k_h, later.k_h[:n])
    np.testing.assert_array_equal(now.u, later.u[:n])


@settings(max_examples=60, deadline=None)
@given(
    gaps=st.lists(st.tuples(st.floats(0, 3), st.floats(0.01, 2)), max_size=6),
    lost=st.floats(0, 1), every=st.sampled_from([1.0, 5.0, 60.0, 300.0]), seed=st.integers(0, 1000),
)
def test_gaps_and_lost_samples_never_break_it_and_every_rate_has_an_uncertainty(gaps, lost, every, seed):
    s = ramp(9.0, every=every, seed=seed)
    rng = np.random.default_rng(seed)
    y = s.celsius.copy()
    y[rng.uniform(size=y.size) < lost] = np.nan
    keep = np.ones(y.size, bool)
    for at, long in gaps:
        keep &= ~((s.t >= T0 + at * 3600) & (s.t < T0 + (at + long) * 3600))
    broken = series(s.t[keep], y[keep])
    rates = rates_of(cells_of(broken, grid_of([broken])))
    known = np.isfinite(rates.k_h)
    assert (np.isfinite(rates.u) == known).all()
    assert (rates.u[known] > 0).all()
