"""When a bath is called steady: never while it moves, soon when it does not; and what its mean is worth.

Drawn here: white noise, swirls of 20 s, and the steps of the two chips (0.25 K and 2^-7 K; SOURCES.md section 2).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pitscribe.metrology.steady import (
    COARSE_WINDOW_S,
    DRIFT_K,
    MOST_DRIFT_K,
    WINDOW_S,
    independent_number,
    judge,
)

STEPS = {"max31855": 0.25, "max31856": 2.0**-7}
_STEP_U = 12.0**-0.5


def stepped(celsius, step):
    return step * np.rint(celsius / step)


def swirls(rng, n, sd, seconds):
    keep = np.exp(-1.0 / seconds)
    out, now = np.empty(n), rng.normal(0, sd)
    for i, x in enumerate(rng.normal(0, sd * (1 - keep**2) ** 0.5, n)):
        now = keep * now + x
        out[i] = now
    return out


def first_steady(t, celsius, step, every=32):
    """The verdict and the second at which somebody who looks at each frame of 32 s is first told that it is steady."""
    for n in range(every, t.size + 1, every):
        found = judge(t[:n], celsius[:n], step * _STEP_U)
        if found is not None and found.steady:
            return n, found
    return None, None


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(sorted(STEPS)), st.floats(1.5, 20.0), st.booleans(), st.floats(0.0, 0.3), st.floats(0, 1),
       st.integers(0, 10**6))
def test_a_bath_that_moves_is_never_called_steady(chip, times, down, noise, start, seed):
    # A ramp of 1.5 times what is allowed in the shortest window, and more: 0.03 K a minute (step of 2^-7: at least
    # DRIFT_K in 150 s), 0.075 with a step of 0.25 K.
    step = STEPS[chip]
    allowed = min(max(DRIFT_K, step, 1.5 * noise), MOST_DRIFT_K) / (COARSE_WINDOW_S if step > DRIFT_K else WINDOW_S)
    t = np.arange(1200.0)
    rng = np.random.default_rng(seed)
    ramp = start + (-1 if down else 1) * times * allowed * t
    assert first_steady(t, stepped(ramp + rng.normal(0, noise, t.size), step), step)[0] is None


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(sorted(STEPS)), st.floats(0.0, 0.1), st.floats(0, 1), st.integers(0, 10**6))
def test_a_noisy_steady_bath_is_called_steady_within_a_quarter_of_an_hour(chip, noise, level, seed):
    step = STEPS[chip]
    rng, t = np.random.default_rng(seed), np.arange(900.0)
    after, found = first_steady(t, stepped(level + rng.normal(0, noise, t.size), step), step)
    assert after is not None
    assert abs(found.mean - level) < 4 * found.u


@pytest.mark.parametrize(("chip", "seconds"), [("max31856", 160), ("max31855", 320)])
def test_a_quiet_bath_is_called_steady_with_the_first_full_window(chip, seconds):
    rng, t = np.random.default_rng(5), np.arange(1000.0)
    after, _ = first_steady(t, stepped(0.3 + rng.normal(0, 0.01, t.size), STEPS[chip]), STEPS[chip])
    assert after == seconds


def test_a_probe_that_settles_is_not_called_steady_before_it_is():
    # 20 K away, time constant 60 s: within 0.1 K of its end after 318 s.
    t = np.arange(1500.0)
    for seed in range(20):
        celsius = 20.0 * np.exp(-t / 60.0) + np.random.default_rng(seed).normal(0, 0.03, t.size)
        _, found = first_steady(t, stepped(celsius, 2.0**-7), 2.0**-7)
        assert found is not None
        assert abs(found.mean) < 0.1


def test_nobody_looks_ahead():
    rng, t = np.random.default_rng(1), np.arange(2000.0)
    celsius = rng.normal(0, 0.1, t.size)
    early = judge(t[:700], celsius[:700], 0.01)
    celsius[700:] += 5.0
    assert judge(t[:700], celsius[:700], 0.01) == early


def test_a_constant_code_is_worth_029_of_its_step():
    # GUM F.2.2.1
    found = judge(np.arange(400.0), np.full(400, 0.75), 0.25 * _STEP_U)
    assert found.steady
    assert (found.mean, found.s) == (0.75, 0.0)
    assert found.u == pytest.approx(0.29 * 0.25, rel=0.01)
    assert found.dof == np.inf


def test_a_lively_chip_that_says_the_same_for_ever_is_stuck_and_no_bath():
    t = np.arange(400.0)
    for rest in (400, 90):  # frozen from the first, or of late: more than half of the window of 150 s
        codes = np.random.default_rng(3).integers(160, 172, t.size).astype(np.int32)
        codes[t.size - rest :] = 166
        found = judge(t, codes * 2.0**-7, 2.0**-7 * _STEP_U, codes=codes)
        assert (found.steady, found.stuck) == (False, True)
        assert not judge(t, codes * 2.0**-7, 2.0**-7 * _STEP_U).stuck  # of a quiet chip nothing is held against it


@settings(max_examples=25, deadline=None)
@given(st.floats(2.0, 8.0), st.sampled_from([1.0, 15.0]), st.floats(0, 1), st.integers(0, 10**6))
def test_a_live_chip_whose_noise_is_two_steps_or_more_is_never_called_stuck(steps, period, level, seed):
    step, t = 2.0**-7, np.arange(0.0, 1200.0, period)
    noise = np.random.default_rng(seed).normal(0, steps * step, t.size)
    codes = np.rint((level + noise) / step).astype(np.int32)
    for n in range(10, t.size, 32):
        found = judge(t[:n], codes[:n] * step, step * _STEP_U, codes=codes[:n])
        assert found is None or not found.stuck


def test_independent_readings_of_white_noise_are_as_many_as_they_are():
    rng = np.random.default_rng(0)
    counts = [independent_number(rng.normal(0, 1, 600)) / 600 for _ in range(200)]
    assert 0.7 < np.mean(counts) <= 1.0


def test_independent_readings_of_swirls_are_far_fewer():
    # A first-order process with r = exp(-1/20): n (1 - r)/(1 + r) = n/40.
    rng = np.random.default_rng(0)
    counts = [independent_number(swirls(rng, 4000, 0.1, 20.0)) for _ in range(100)]
    assert np.median(counts) == pytest.approx(4000 / 40, rel=0.25)


def test_the_mean_of_a_swirling_bath_is_as_sure_as_is_said():
    rng, errors = np.random.default_rng(7), []
    t = np.arange(900.0)
    for _ in range(400):
        after, found = first_steady(t, stepped(0.1 + swirls(rng, t.size, 0.05, 10.0), 2.0**-7), 2.0**-7)
        if after is not None:
            errors.append(abs(found.mean - 0.1) / (found.u * stats.t.ppf(0.975, found.dof)))
    inside = float((np.array(errors) < 1.0).mean())
    print(f"\n{len(errors)} of 400 called steady within 15 min; {inside:.3f} of the means within their 95 %")
    assert len(errors) > 300
    assert 0.92 < inside < 0.99


def test_a_gap_or_too_few_readings_are_no_window():
    assert judge(np.empty(0), np.empty(0), 0.01) is None
    assert judge(np.arange(9.0), np.zeros(9), 0.01) is None
    t = np.concatenate((np.arange(60.0), np.arange(140.0, 200.0)))
    assert not judge(t, np.zeros(t.size), 0.01).steady
    assert not judge(np.arange(140.0), np.zeros(140), 0.01).steady


def test_a_slow_logger_is_judged_over_more_time():
    t = 60.0 * np.arange(30.0)
    assert judge(t, np.zeros(30) + 0.01 * np.resize([1, -1, -1, 1], 30), 0.002).steady
