"""The time constant of a junction from a plunge: right, as sure as it says, and refused where it cannot be told."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import j1, jn_zeros

from pitscribe.errors import CalibrationError
from pitscribe.metrology.plunge import body_of, time_constant, words_of

T0 = 1.78e9


def dipped(tau, period, seed, *, before=2.0, after=96.0, seconds=None, step=0.25):
    """Readings of a plunge at an instant between two samples, with the noise and the steps of a chip."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, seconds or 40 + 40 * tau, period)
    went_in = 20 + 10 * tau + rng.uniform(0, period)
    y = after + (before - after) * np.exp(-np.maximum(t - went_in, 0.0) / tau)
    return T0 + t, np.round((y + rng.normal(0, 0.1, t.size)) / step) * step


@settings(max_examples=15, deadline=None)
@given(st.floats(0.4, 12.0), st.sampled_from([0.25, 0.5, 1.0]), st.integers(0, 10**6), st.booleans())
def test_a_time_constant_is_found_within_what_is_stated(tau, period, seed, cooling):
    if tau < 1.3 * period:
        return  # what sampling this slow gets is the next test's
    ends = {"before": 96.0, "after": 2.0} if cooling else {}
    found = time_constant(*dipped(tau, period, seed, **ends), 0.123)
    assert abs(found.tau - tau) < 4 * found.u
    assert found.u < 0.1 * tau
    assert found.single
    assert found.limit >= found.tau


def test_the_stated_uncertainty_is_neither_too_small_nor_idle():
    for tau, period in ((0.5, 0.25), (1.1, 1.0), (4.0, 1.0)):
        off = []
        for seed in range(25):
            found = time_constant(*dipped(tau, period, seed), 0.123)
            off.append((found.tau - tau) / found.u)
        assert 0.2 < np.sqrt(np.mean(np.square(off))) < 1.3


def test_the_share_after_one_time_constant_is_the_tables():
    # SOURCES.md section 5: a first-order step is at 63.2 % after tau
    t, y = dipped(8.0, 0.25, 3, step=0.01)
    found = time_constant(t, y, 0.1)
    went_in = t[np.argmax(y > 2.0 + 0.01 * 94)]
    share = (np.interp(went_in + found.tau, t, y) - 2.0) / 94.0
    assert share == pytest.approx(0.632, abs=0.01)


def test_a_probe_too_quick_for_the_sampling_is_refused_with_an_upper_limit_that_holds():
    for seed in range(8):
        with pytest.raises(CalibrationError, match="at most") as refused:
            time_constant(*dipped(0.2, 1.0, seed), 0.123)
        limit = float(str(refused.value).split("at most ")[1].split(" s")[0])
        assert 0.18 < limit < 1.0


def test_two_time_constants_in_one_probe_are_told_as_no_single_exponential():
    t = np.arange(0, 120, 0.25)
    late = np.maximum(t - 20.1, 0.0)
    y = 96 - 94 * (0.6 * np.exp(-late / 0.8) + 0.4 * np.exp(-late / 8.0))
    found = time_constant(T0 + t, y + np.random.default_rng(1).normal(0, 0.1, t.size), 0.1)
    assert not found.single
    assert found.misfit > 0.02


T = np.arange(0.0, 120.0, 0.25)
NO_PLUNGES = {
    "warmed evenly in 10 s": np.interp(T, [20, 30], [2, 96]),
    "warmed evenly in 40 s": np.interp(T, [20, 60], [2, 96]),
    "a kettle that comes to the boil": 49 + 47 * np.tanh((T - 60) / 15),
    "ever faster": 2 + 94 * np.clip((T - 20) / 60, 0, 1) ** 2,
    "put in twice": np.where(T < 20, 2, np.where(T < 50, 40, 96)),
}


@pytest.mark.parametrize("what", NO_PLUNGES)
def test_a_step_that_is_no_plunge_is_refused_whatever_time_constant_fits_it_best(what):
    noise = np.random.default_rng(1).normal(0, 0.1, T.size)
    with pytest.raises(CalibrationError, match="this is no plunge"):
        time_constant(T0 + T, NO_PLUNGES[what] + noise, 0.1)


@pytest.mark.parametrize(("body", "roots", "terms"), [
    # Carslaw and Jaeger, Conduction of Heat in Solids, 7.6 and 9.3 (from memory): what a step at the surface has left
    # in the middle of a cylinder, 2 sum exp(-z^2 Fo) / (z J1(z)), and of a sphere, 2 sum (-1)^(n+1) exp(-(n pi)^2 Fo)
    ("cylinder", jn_zeros(0, 80), lambda z: 2 / (z * j1(z))),
    ("sphere", np.pi * np.arange(1, 81), lambda z: -2 * np.cos(z)),
])
def test_a_solid_body_that_heat_soaks_into_is_a_plunge_too(body, roots, terms):
    fo = np.maximum(T - 20.1, 0.02) / 60.0
    left = np.where(T > 20.1, terms(roots) @ np.exp(-np.outer(np.square(roots), fo)), 1.0)
    found = time_constant(T0 + T, 96 - 94 * np.clip(left, 0, 1) + np.random.default_rng(1).normal(0, 0.1, T.size), 0.1)
    print(f"\n{body}: {found.tau:.1f} s, misfit {found.misfit:.3f}")
    assert found.tau == pytest.approx(60.0 / roots[0] ** 2, rel=0.35)  # the last exponential's, and the delay before it


@settings(max_examples=25, deadline=None)
@given(st.floats(0.2, 0.95), st.floats(0.6, 4.0), st.floats(1.0, 6.0), st.integers(0, 10**6))
def test_every_probe_of_two_time_constants_is_a_plunge_and_told_with_its_doubt(part, tau, times, seed):
    late = np.maximum(T - 20.1, 0.0)
    y = 96 - 94 * (part * np.exp(-late / tau) + (1 - part) * np.exp(-late / (times * tau)))
    found = time_constant(T0 + T, y + np.random.default_rng(seed).normal(0, 0.1, T.size), 0.1)
    assert found.single == ("doubt" not in words_of(body_of(found, T, y)))
    assert min(tau, times * tau) * 0.9 < found.tau < max(tau, times * tau) * 1.1


def test_the_doubt_does_not_hang_on_how_long_the_rest_is():
    late = [np.maximum(np.arange(0.0, seconds, 0.25) - 40.1, 0.0) for seconds in (100.0, 390.0)]
    short, rested = (
        time_constant(T0 + np.arange(x.size) / 4, 96 - 94 * (0.8 * np.exp(-x / 2) + 0.2 * np.exp(-x / 10)), 0.05)
        for x in late
    )
    assert not short.single
    assert not rested.single
    assert rested.misfit == pytest.approx(short.misfit, rel=0.2)


@pytest.mark.parametrize(
    ("y", "why"),
    [
        (np.full(200, 20.0), r"20.0 C \(68.0 F\): a plunge needs a step of 20 K \(36 F\)"),
        (np.linspace(0, 90, 200), "not at rest"),
        (np.array([0.0, 0, 0, 90, 90, 90]), "too few"),
        (np.repeat([0.0, 90.0, 0.0, 90.0], 50), "more than one step"),
    ],
)
def test_a_span_without_one_clean_step_is_refused_with_the_reason(y, why):
    with pytest.raises(CalibrationError, match=why):
        time_constant(T0 + np.arange(y.size, dtype=float), y, 0.123)
