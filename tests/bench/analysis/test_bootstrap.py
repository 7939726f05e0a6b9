"""The bootstrap over cooks against the interval of a mean that the normal distribution gives."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from . import bootstrap
from .score_stall import StallScore


def test_the_interval_of_a_mean_is_that_of_the_normal_distribution():
    x = np.random.default_rng(3).normal(10.0, 2.0, 200)
    low, high = bootstrap.of_means(x.tolist(), figure=lambda a: a)
    half = 1.95996 * x.std() / np.sqrt(x.size)  # the 0.975 quantile, Abramowitz and Stegun table 26.1
    assert low == pytest.approx(x.mean() - half, abs=0.1 * half)
    assert high == pytest.approx(x.mean() + half, abs=0.1 * half)


def test_two_methods_on_the_same_cooks_are_drawn_together():
    base = np.exp(np.random.default_rng(4).normal(4.0, 1.0, 60))
    low, high = bootstrap.of_means((0.7 * base).tolist(), base.tolist(), figure=lambda a, b: 1 - a / b)
    assert (low, high) == pytest.approx((0.3, 0.3))


def test_events_of_one_cook_stand_or_fall_together():
    alone = [StallScore(sure=1, found=int(i % 10 > 0)) for i in range(200)]
    bunched = [StallScore(sure=20, found=20 * int(i > 0)) for i in range(10)]
    spans = [bootstrap.of_counts(parts, lambda s: s.found, lambda s: s.sure) for parts in (alone, bunched)]
    widths = [high - low for low, high in spans]
    assert all(low <= 0.9 <= high for low, high in spans)
    assert widths[1] > 3 * widths[0]


def test_cooks_without_an_event_give_no_interval():
    low, high = bootstrap.of_counts([StallScore()] * 5, lambda s: s.found, lambda s: s.sure)
    assert np.isnan(low)
    assert np.isnan(high)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 9), st.lists(st.floats(0, 90), max_size=4)), max_size=8))
def test_the_sum_of_single_cooks_is_the_score_of_all(parts):
    each = [StallScore(sure=n, delays=list(d), cooks=1) for n, d in parts]
    total = bootstrap.summed(StallScore, each)
    assert total.sure == sum(n for n, _ in parts)
    assert total.delays == [x for _, d in parts for x in d]
    assert total.cooks == len(parts)
