"""Draws, servings and the paper of a tasting: balanced, repeatable, blind, and fit to print."""

import re
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from playwright.sync_api import sync_playwright
from scipy.stats import permutation_test
from trial_kitchen import piece
from trial_kitchen import trial as plan_of

from pitscribe.cook.trials.draw import Stream, drawn_level, seal
from pitscribe.cook.trials.sensory import least_right, power, tasted, tasters_needed
from pitscribe.cook.trials.serving import ORDERS, read_word, servings, slip_words
from pitscribe.cook.trials.tasted import tasting_said
from pitscribe.errors import ConfigError
from pitscribe.ledger.trialvalues import Rated, Tasting
from pitscribe.report.tasting import Slip, plating_list, tasting_slips
from pitscribe.series.trial import TastingRecord, TrialRecord

PINNED_LEVELS = ["paper", "paper", "foil", "paper", "foil", "foil", "foil", "paper"]
PINNED_SERVINGS = [("ABB", ("504", "642", "839")), ("BAB", ("924", "624", "139"))]
PINNED_SEAL = "d57f2-23c0a"
PINNED_WORDS = ("mqc7-h8qf", "u6m8-cjxf")


# draws

def test_what_was_drawn_once_is_drawn_for_ever():
    """SHA-256 of "6:a seedlevels 0#0" and so on (FIPS 180-4, by hashlib): as it was on 2026-11-26."""
    assert [drawn_level("a seed", ["foil", "paper"], 8, i) for i in range(8)] == PINNED_LEVELS
    assert [(s.samples, s.codes) for s in servings("triangle", "a seed", 2)] == PINNED_SERVINGS
    assert seal("a seed", "wrap", "8") == PINNED_SEAL
    assert slip_words("a seed", 2) == PINNED_WORDS


@settings(max_examples=60, deadline=None)
@given(st.text(min_size=1, max_size=30), st.integers(2, 4), st.integers(1, 4), st.integers(0, 3))
def test_in_every_block_each_level_comes_equally_often(seed, levels, times, number):
    names = [f"level {i}" for i in range(levels)]
    block = levels * times
    drawn = [drawn_level(seed, names, block, number * block + i) for i in range(block)]
    assert Counter(drawn) == dict.fromkeys(names, times)


def test_every_draw_is_as_likely_as_any_other():
    """6 orders of 2 and 2, 3000 seeds: chi-square below the 99.9 % point of 5 degrees, 20.5 (any table)."""
    seen = Counter(tuple(drawn_level(f"seed {i}", "AB", 4, k) for k in range(4)) for i in range(3000))
    assert len(seen) == 6
    assert sum((n - 500) ** 2 / 500 for n in seen.values()) < 20.5


@given(st.text(max_size=10), st.integers(1, 1 << 32))
def test_a_number_is_below_its_limit(seed, n):
    stream = Stream(seed, "test")
    assert all(0 <= stream.below(n) < n for _ in range(5))


@pytest.mark.parametrize(("levels", "block"), [(["a", "b"], 3), (["a", "b", "c"], 2), ([], 2), (["a", "b"], 0)])
def test_a_block_that_cannot_hold_each_level_equally_often_is_refused(levels, block):
    with pytest.raises(ConfigError, match="equally often"):
        drawn_level("s", levels, block, 0)


# servings

@settings(max_examples=60, deadline=None)
@given(st.sampled_from(sorted(ORDERS)), st.text(min_size=1, max_size=20), st.integers(1, 100))
def test_orders_are_balanced_and_no_code_comes_twice(kind, seed, tasters):
    served = servings(kind, seed, tasters)
    codes = [code for one in served for code in one.codes]
    assert len(set(codes)) == len(codes) == tasters * len(ORDERS[kind][0])
    assert all(len(code) == 3 and code.isdecimal() and code[0] != "0" for code in codes)
    count = Counter(one.samples for one in served)
    assert set(count) <= set(ORDERS[kind])
    assert max(count.values()) - min(count.get(order, 0) for order in ORDERS[kind]) <= 1
    for one in served:
        odd = one.odd
        assert (odd is None) == (kind != "triangle")
        assert odd is None or one.samples.count(one.sample(odd)) == 1


def test_tastings_that_cannot_be_are_refused():
    for attempt in (
        lambda: servings("quad", "s", 3), lambda: servings("triangle", "s", 0), lambda: servings("paired", "s", 101),
        lambda: tasted("triangle", 5, 4), lambda: tasted("triangle", 2, 4, sides=2), lambda: tasted("rating", 1, 2),
        lambda: tasted("paired", 0, 0),
    ):
        with pytest.raises(ConfigError, match=r"give|sides"):
            attempt()


def test_guessing_is_told_from_knowing_no_more_often_than_one_in_twenty():
    for n in range(1, 101):
        for kind, sides in (("triangle", 1), ("paired", 1), ("paired", 2)):
            assert power(kind, n, 0.0, sides=sides) <= 0.05 + 1e-12
            least = least_right(kind, n, sides=sides)
            assert least is None or tasted(kind, least, n, sides=sides).told
            assert least in (None, 0) or not tasted(kind, least - 1, n, sides=sides).told or sides == 2
    assert least_right("triangle", 2) is None
    assert tasters_needed("triangle", 0.05) is None


# paper

def paper(kind: str, tasters: int) -> tuple[str, str]:
    served = servings(kind, "a seed", tasters)
    asks = "moisture" if kind == "paired" else ""
    slips = tasting_slips("Tasting 1", kind, asks, [Slip(one.taster, one.codes) for one in served])
    rows = [(Slip(one.taster, one.codes), one.samples) for one in served]
    return slips, plating_list("Tasting 1", "a <b>trial</b>", ("Night <i>1</i> (foil)", "Night 2 (paper)"), rows)


@pytest.mark.parametrize("kind", sorted(ORDERS))
def test_slips_say_nothing_of_which_is_which_and_run_nothing(kind):
    slips, plating = paper(kind, 8)
    for word in ("foil", "paper", "Night", "trial", ">A<", ">B<"):
        assert word not in slips
    assert "Night &lt;i&gt;1&lt;/i&gt; (foil)" in plating
    assert "a &lt;b&gt;trial&lt;/b&gt;" in plating
    for page in (slips, plating):
        assert not re.search(r"(src|href)=|url\(|@import|<script", page)
    assert "140 F" in plating  # hot holding: SOURCES.md section 7
    assert "allergy" in slips


_WIDER = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


def test_slips_and_plating_list_fit_a4_and_a_phone_and_no_slip_is_torn(tmp_path):
    pages = {}
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        try:
            shown = browser.new_page(viewport={"width": 800, "height": 1100})
            for kind, tasters in (("triangle", 8), ("paired", 8), ("rating", 4)):
                for name, html in zip(("slips", "plating"), paper(kind, tasters), strict=True):
                    file = tmp_path / f"{kind}-{name}.html"
                    file.write_text(html, encoding="utf-8")
                    shown.goto(file.as_uri())
                    pdf = shown.pdf(prefer_css_page_size=True)
                    pages[kind, name] = len(re.findall(rb"/Type\s*/Page\b[^s]", pdf))
                    for width in (800, 320):
                        shown.set_viewport_size({"width": width, "height": 900})
                        assert shown.evaluate(_WIDER) == 0, (kind, name, width)
        finally:
            browser.close()
    assert pages == {("triangle", "slips"): 3, ("triangle", "plating"): 1, ("paired", "slips"): 3,
                     ("paired", "plating"): 1, ("rating", "slips"): 2, ("rating", "plating"): 1}


@given(st.text(min_size=1, max_size=40), st.integers(1, 100))
def test_slips_have_words_of_their_own_that_tell_nothing_of_codes_and_are_read_however_they_are_typed(seed, tasters):
    words = slip_words(seed, tasters)
    assert len(set(words)) == tasters
    assert words[:1] == slip_words(seed, 1)
    for word in words:
        assert re.fullmatch("[2-9a-hjkmnp-z]{4}-[2-9a-hjkmnp-z]{4}", word)
        assert read_word(word.upper().replace("-", " ")) == read_word(word.replace("-", "")) == word


@settings(max_examples=40)
@given(st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20)), min_size=2, max_size=8))
def test_a_ratings_p_is_that_of_every_swap_inside_a_tasters_pair(pairs):
    """Against SciPy's exact permutation test of paired samples (permutation_type "samples"), in half points."""
    trial = plan_of(main="bark")
    pieces = [piece(trial, i, None).tried(lambda one: {}) for i in (0, 1)]
    rated = tuple(Rated(taster, number, "bark", pair[number - 1] / 2)
                  for taster, pair in enumerate(pairs, 1) for number in (1, 2))
    tasting = Tasting(1, 1, "rating", 1, 2, "", None, len(pairs), "ab", 0)
    (scored,) = tasting_said(TrialRecord(trial, tuple(pieces), ()), TastingRecord(tasting, (), rated)).scored
    a, b = (np.array([pair[i] / 2 for pair in pairs]) for i in (0, 1))
    by_scipy = permutation_test((b, a), lambda x, y, axis: np.mean(x - y, axis=axis), permutation_type="samples",
                                vectorized=True, n_resamples=10_000)
    assert scored.effect.difference == pytest.approx(np.mean(b - a))
    assert scored.effect.test.p == pytest.approx(min(1.0, by_scipy.pvalue), abs=1e-9)
    assert scored.p_together == scored.effect.test.p  # it alone decides
