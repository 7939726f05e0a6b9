"""Trials' statistics against published tables and a general reference library (scipy); docs/SOURCES.md section 14."""

import numpy as np
import pytest
from scipy import stats

from pitscribe.cook.trials.binomial import at_least, limits_95
from pitscribe.cook.trials.chance import scatter_range, t_limit, t_power
from pitscribe.cook.trials.effect import effect_of
from pitscribe.cook.trials.permutation import permuted
from pitscribe.cook.trials.power import pieces_needed
from pitscribe.cook.trials.sensory import GUESS, least_right, power, tasted
from pitscribe.cook.trials.several import holm

# ISO 4120:2004 table A.1, minimum number of correct answers of a triangle test, and ISO 5495:2005 tables A.1
# (one-sided) and A.2 (two-sided) of a paired comparison: from memory (the tables' numbers too), and equal to what
# scipy.stats.binom gives, checked below.
TRIANGLE_05 = {6: 5, 7: 5, 8: 6, 9: 6, 10: 7, 11: 7, 12: 8, 13: 8, 14: 9, 15: 9, 16: 9, 17: 10, 18: 10, 19: 11, 20: 11,
               21: 12, 22: 12, 23: 12, 24: 13, 25: 13, 26: 14, 27: 14, 28: 15, 29: 15, 30: 15, 36: 18}
TRIANGLE_01 = {6: 6, 8: 7, 10: 8, 12: 9, 15: 10, 18: 12, 20: 13, 24: 15, 30: 17}
PAIR_ONE_05 = {7: 7, 8: 7, 10: 9, 12: 10, 15: 12, 20: 15, 24: 17, 30: 20}
PAIR_TWO_05 = {7: 7, 8: 8, 10: 9, 12: 10, 15: 12, 20: 15, 24: 18, 30: 21}


@pytest.mark.parametrize(("kind", "sides", "level", "table"), [
    ("triangle", 1, 0.05, TRIANGLE_05), ("triangle", 1, 0.01, TRIANGLE_01),
    ("paired", 1, 0.05, PAIR_ONE_05), ("paired", 2, 0.05, PAIR_TWO_05),
])
def test_the_fewest_right_answers_are_those_of_the_standards_tables_and_of_scipy(kind, sides, level, table):
    for n, least in table.items():
        guess = stats.binom(n, GUESS[kind])
        assert guess.sf(least - 1) <= level / sides < guess.sf(least - 2)  # the table itself, by the reference
        assert least_right(kind, n, sides=sides, level=level) == least
    for n in range(1, 101):
        guess = stats.binom(n, GUESS[kind])
        by_scipy = next((x for x in range(n + 1) if guess.sf(x - 1) <= level / sides), None)
        assert least_right(kind, n, sides=sides, level=level) == by_scipy


def test_probabilities_limits_and_powers_of_tastings_are_scipys():
    cases = (("triangle", 12, 8, 1), ("paired", 20, 15, 2), ("paired", 9, 4, 1), ("triangle", 5, 0, 1))
    for kind, n, right, sides in cases:
        found = tasted(kind, right, n, sides=sides)
        alternative = "two-sided" if sides == 2 else "greater"
        by_scipy = stats.binomtest(right, n, GUESS[kind], alternative=alternative)
        assert found.p == pytest.approx(by_scipy.pvalue, rel=1e-9)
        share = stats.binomtest(right, n).proportion_ci(method="exact")
        assert limits_95(right, n) == pytest.approx((share.low, share.high), abs=1e-9)
    right = 0.3 + 0.7 / 3  # Abbott's formula, as both standards have it (from memory)
    assert power("triangle", 40, 0.3) == pytest.approx(stats.binom(40, right).sf(least_right("triangle", 40) - 1))
    assert at_least(3, 7, 0.25) == pytest.approx(stats.binom(7, 0.25).sf(2))


def test_the_lady_who_tasted_eight_cups_has_one_chance_in_seventy_by_guessing():
    """Fisher's own example, The Design of Experiments, 1935, chapter II: 70 ways of four of eight (from memory)."""
    found = permuted(np.array([1.0] * 4 + [0.0] * 4), np.arange(8) < 4, np.zeros(8, dtype=np.int64))
    assert found.ways == 70
    assert found.p == 2 / 70  # either way; his is one-sided


def test_the_permutation_test_is_scipys_in_one_block_and_in_pairs():
    rng = np.random.default_rng(5)
    for n, m in ((3, 3), (4, 5), (6, 4), (7, 7)):
        y, second = np.round(rng.normal(6, 1.5, n + m)), np.arange(n + m) < m  # whole points: ties
        far = stats.permutation_test((y[second], y[~second]), lambda a, b, axis: abs(a.mean(axis) - b.mean(axis)),
                                     vectorized=True, n_resamples=np.inf, alternative="greater")
        assert permuted(y, second, np.zeros(n + m, dtype=np.int64)).p == pytest.approx(far.pvalue, rel=1e-12)
    a, b = rng.normal(6, 1, 7), rng.normal(7, 1, 7)
    pairs = stats.permutation_test((a, b), lambda x, y: abs(np.mean(x - y)), permutation_type="samples",
                                   n_resamples=np.inf, alternative="greater")
    y, second, block = np.r_[a, b], np.repeat([False, True], 7), np.tile(np.arange(7), 2)
    assert permuted(y, second, block).p == pytest.approx(pairs.pvalue, rel=1e-12)


def test_intervals_are_those_of_students_t_in_one_block_and_in_pairs():
    rng = np.random.default_rng(6)
    a, b = rng.normal(6, 1, 6), rng.normal(7, 1, 6)
    y, second = np.r_[a, b], np.repeat([False, True], 6)
    one = effect_of(y, second, np.zeros(12, dtype=np.int64))
    ends = stats.ttest_ind(b, a).confidence_interval(0.95)
    assert (one.low, one.high) == pytest.approx((ends.low, ends.high), rel=1e-4)
    pairs = effect_of(y, second, np.tile(np.arange(6), 2))
    ends = stats.ttest_rel(b, a).confidence_interval(0.95)
    assert (pairs.low, pairs.high) == pytest.approx((ends.low, ends.high), rel=1e-4)


def test_power_is_that_of_scipys_noncentral_t():
    for dof in (1, 2, 3, 6, 14, 60):
        for level in (0.05, 2 / 70, 0.01) if dof > 1 else (0.05,):  # no design of one degree gets below 5 %
            limit = stats.t.isf(level / 2, dof)
            assert t_limit(level, dof) == pytest.approx(limit, rel=2e-3)
            for shift in (0.5, 1.0, 2.8, 5.0):
                by_scipy = stats.nct.sf(limit, dof, shift) + stats.nct.cdf(-limit, dof, shift)
                assert t_power(shift, dof, level) == pytest.approx(by_scipy, abs=3e-4)
        ends = [np.sqrt(dof / stats.chi2.ppf(q, dof)) for q in (0.9, 0.1)]
        assert scatter_range(1.0, dof) == pytest.approx(ends, rel=1e-4)


def test_the_numbers_needed_are_cohens():
    """Cohen, Statistical Power Analysis, 1988, table 2.4.1, two-tailed 5 %, power 0.80: d 0.5, 0.8, 1.0 need 64, 26, 17
    of each (from memory, and computed above by scipy's noncentral t)."""
    assert [pieces_needed(d, 1.0) for d in (0.5, 0.8, 1.0)] == [64, 26, 17]


def test_holms_values_are_those_of_a_worked_example():
    """p 0.01, 0.04, 0.03, 0.005: 0.03, 0.06, 0.06, 0.02 (by hand from Holm 1979)."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([]) == []
