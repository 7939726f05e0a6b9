"""What a trial's findings conclude, and that they conclude too much no more often than they say."""

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from trial_kitchen import HOUR_MS, START_MS, by_level, cook_record, flat_series, piece, trial_of, tried
from trial_kitchen import trial as plan_of

from pitscribe.cook.trials.effect import effect_of
from pitscribe.cook.trials.facts import facts_of
from pitscribe.cook.trials.findings import findings_of
from pitscribe.cook.trials.permutation import DRAWS, least_p, permuted
from pitscribe.cook.trials.power import pieces_needed, power_of
from pitscribe.cook.trials.sensory import least_right, power
from pitscribe.cook.trials.text import lines
from pitscribe.ledger.trialvalues import Weights
from pitscribe.ledger.values import Note

ONE_BLOCK = np.zeros(8, dtype=np.int64)
HALF = np.arange(8) % 2 == 0


def state(record) -> str:
    return findings_of(record).main[0].state


def words(record, units="F") -> str:
    return "\n".join(lines(findings_of(record), units))


# how often it errs

@pytest.mark.parametrize("shape", ["normal", "skewed", "whole points", "heavy"])
def test_the_false_positive_rate_is_what_it_says(shape):
    """4 and 4 pieces without any effect: p is at most 0.05 in 2 of 70 draws where no two differences are the same, and
    in no more where some are, whatever the scatter. 2000 trials: within three standard deviations."""
    rng = np.random.default_rng(20_261_126)
    draws = {
        "normal": lambda: rng.normal(6, 1.2, 8), "skewed": lambda: 6 + rng.exponential(2, 8),
        "whole points": lambda: np.round(rng.normal(6, 1.2, 8)), "heavy": lambda: 6 + rng.standard_t(2, 8),
    }
    n = 2000
    said = sum(permuted(draws[shape](), rng.permutation(HALF), ONE_BLOCK).p <= 0.05 for _ in range(n))
    expected = 2 / 70
    allowed = 3 * math.sqrt(expected * (1 - expected) / n)
    assert said / n <= expected + allowed
    if shape != "whole points":  # with ties it is less
        assert said / n >= expected - allowed


def test_a_whole_trial_without_an_effect_says_told_as_seldom_as_its_p():
    """The same through the findings, with seeds as the draw, pairs (6: 2 in 64), and a factor that does nothing while
    the season makes later cooks better."""
    rng, n = np.random.default_rng(7), 300
    said = 0
    for i in range(n):
        plan = plan_of(12, 2, seed=f"seed {i}")
        said += state(tried(plan, (5 + 0.2 * np.arange(12) + rng.normal(0, 0.8, 12)).tolist())) == "told"
    expected = 2 / 64
    assert said / n <= expected + 3 * math.sqrt(expected * (1 - expected) / n)


def test_looking_for_the_best_of_eight_outcomes_would_err_often_and_holm_does_not():
    rng, n = np.random.default_rng(11), 200
    best = together = 0
    for _ in range(n):
        plan = plan_of(8, seed=f"{rng.integers(1 << 40)}")
        rows = rng.uniform(3, 9, (8, 5))
        names = ("tenderness", "moisture", "bark", "flavour", "overall")
        record = trial_of(plan, [piece(plan, i, dict(zip(names, rows[i], strict=True))) for i in range(8)])
        compared = [c for c in findings_of(record).comparisons if c.effect]
        best += any(c.effect.test.p <= 0.05 for c in compared)
        together += any(c.p_together <= 0.05 for c in compared if not c.main)
        assert {c.state for c in compared if not c.main} == {"exploratory"}
    assert best / n > 0.09  # 1 - (1 - 2/70)^5 = 0.135
    assert together / n <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / n)


def test_intervals_hold_the_true_difference_as_often_as_they_say():
    rng, n, true = np.random.default_rng(13), 2000, 0.7
    block = np.repeat([0, 1], 4)
    second = np.tile([False, True], 4)
    held = 0
    for _ in range(n):
        found = effect_of(rng.normal(6, 1, 8) + 2.0 * block + true * second, second, block)
        held += found.low <= true <= found.high
    assert abs(held / n - 0.95) <= 3 * math.sqrt(0.05 * 0.95 / n)


def test_a_difference_that_matters_is_called_none_no_more_often_than_its_interval_says():
    """A true difference of just what matters lies outside of the 95 % interval, on that side, 2.5 times in 100."""
    rng, n, alike = np.random.default_rng(19), 1500, 0
    second = np.tile([False, True], 9)
    for _ in range(n):
        effect = effect_of(rng.normal(0, 0.6, 18) + second, second, np.zeros(18, dtype=np.int64))
        alike += effect.within(1.0)
    assert alike / n <= 0.025 + 3 * math.sqrt(0.025 * 0.975 / n)


def test_a_trial_of_the_size_that_is_advised_tells_the_difference_about_as_often_as_it_says():
    """The advice is by the t test, the verdict by the permutation test: 80 % within 6 %."""
    rng, n = np.random.default_rng(17), 400
    each = pieces_needed(2.0, 1.0)
    assert each == 6
    assert power_of(each, each, 2.0, 1.0) >= 0.8
    second = np.arange(2 * each) < each
    zero = np.zeros(2 * each, dtype=np.int64)
    told = sum(permuted(rng.normal(0, 1, 2 * each) + 2.0 * second, second, zero).p <= 0.05 for _ in range(n))
    assert told / n == pytest.approx(power_of(each, each, 2.0, 1.0), abs=0.06)


def test_the_table_of_the_document_is_what_is_computed():
    text = (Path(__file__).parents[2] / "docs/TRIALS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (\d+) \| (\d+) \| (\d+) \| (\d+) \| (\d+) \|$", text, re.M)
    assert len(rows) == 6
    for each, *shares in (map(int, row) for row in rows):
        assert shares == [round(100 * power_of(each, each, d, 1.0)) for d in (1.0, 1.5, 2.0, 3.0)]
    assert least_right("triangle", 12) == 8
    assert round(100 * power("triangle", 12, 0.5)) == 63
    best_of_five = 1 - (1 - 2 / 70) ** 5
    assert best_of_five == pytest.approx(1 / 7, abs=0.01)


# the exact test

@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 10), min_size=6, max_size=6), st.floats(0.5, 3.0), st.floats(-100, 100))
def test_p_does_not_depend_on_the_scale_of_scores_nor_on_which_level_comes_first(scores, factor, offset):
    y, second, block = np.array(scores, dtype=float), np.arange(6) % 2 == 0, np.array([0, 0, 0, 0, 1, 1])
    p = permuted(y, second, block).p
    assert permuted(offset + factor * y, second, block).p == p
    assert permuted(y, ~second, block).p == p
    assert least_p([(4, 2), (2, 1)]) == 2 / 12 <= p <= 1.0
    assert p * 12 == pytest.approx(round(p * 12))


def test_too_many_draws_are_sampled_and_it_says_so():
    rng = np.random.default_rng(3)
    y, second = rng.normal(0, 1, 40), np.arange(40) < 20
    found = permuted(y + 0.9 * second, second, np.zeros(40, dtype=np.int64))
    assert not found.exact
    assert found.p == permuted(y + 0.9 * second, second, np.zeros(40, dtype=np.int64)).p
    assert permuted(y + 50.0 * second, second, np.zeros(40, dtype=np.int64)).p == 1 / (1 + DRAWS)
    assert "exact" in found.as_json()


def test_with_all_outcomes_the_same_p_is_one():
    assert permuted(np.full(8, 0.1 + 0.2), HALF, ONE_BLOCK).p == 1.0


# conclusions

def test_one_cook_a_level_infers_nothing_and_says_how_many_it_takes():
    record = by_level(plan_of(2), {"foil": [5.0], "paper": [8.0]})
    assert state(record) == "one each"
    text = words(record)
    assert "one cook a level: nothing can be inferred" in text
    assert "To see a difference of 1.0 points with 80 % power you need about 17 of each level" in text
    assert "our allowance" in text


def test_three_and_three_can_never_conclude_however_far_apart_they_are():
    record = by_level(plan_of(6), {"foil": [1.0, 1.1, 1.2], "paper": [9.0, 9.1, 9.2]})
    assert state(record) == "too few"
    assert "The smallest p that this design can give is 0.10" in words(record)


def test_a_difference_that_the_draw_seldom_makes_is_told_with_its_interval():
    record = by_level(plan_of(8), {"foil": [5.0, 5.5, 5.2, 5.9], "paper": [7.9, 7.0, 8.1, 7.4]})
    (main,) = findings_of(record).main
    assert main.state == "told"
    assert main.effect.test.p == 2 / 70
    assert main.effect.difference == pytest.approx(2.2)
    assert main.effect.low < 2.2 < main.effect.high
    assert "paper against foil: a difference that the draw alone seldom makes" in words(record)
    assert "you need" not in words(record)


def test_a_small_sure_difference_is_none_that_matters_and_a_wide_interval_leaves_it_open():
    alike = by_level(plan_of(8), {"foil": [6.0, 6.1, 6.2, 6.1], "paper": [6.1, 6.2, 6.0, 6.15]})
    wide = by_level(plan_of(8), {"foil": [3.0, 8.0, 5.0, 7.0], "paper": [6.0, 4.0, 9.0, 5.0]})
    assert (state(alike), state(wide)) == ("alike", "open")
    assert "not the same as no difference" in words(wide)


def test_a_difference_that_is_told_and_too_small_to_matter_is_called_so():
    record = by_level(plan_of(8), {"foil": [6.0, 6.01, 6.02, 6.03], "paper": [6.11, 6.12, 6.13, 6.14]})
    assert state(record) == "told"
    assert "It is there, and smaller than what would matter." in words(record)
    assert "smaller than" not in words(by_level(plan_of(8), {"foil": [5.0, 5.5, 5.2, 5.9], "paper": [7, 7.1, 8, 8.1]}))


def test_before_all_that_was_planned_is_in_there_is_no_conclusion_and_none_if_it_is_ended_early():
    plan = plan_of(12)
    record = by_level(plan, {"foil": [5.0, 5.5, 5.2, 5.9, 5.1, 5.3], "paper": [7.9, 7.0, 8.1, 7.4, 7.7, 7.8]})
    part = replace(record, pieces=record.pieces[:11])
    unscored = replace(record, pieces=(*record.pieces[:11], replace(record.pieces[11], scores=(), facts={})))
    assert state(record) == "told"
    assert state(part) == state(unscored) == "unfinished"
    assert state(replace(part, trial=replace(plan, closed_ms=1, closed_why="winter"))) == "ended early"
    assert "ended early: winter" in words(replace(part, trial=replace(plan, closed_ms=1, closed_why="winter")))


def test_levels_that_were_chosen_infer_nothing_and_do_not_count_beside_drawn_ones():
    plan = plan_of(8)
    chosen = tuple(piece(plan, i, 5.0 + 3 * (i % 2) + 0.1 * i, level=("foil", "paper")[i % 2]) for i in range(8))
    assert state(trial_of(plan, chosen)) == "chosen"
    drawn = by_level(plan, {"foil": [5.0, 5.5, 5.2, 5.9], "paper": [7.9, 7.0, 8.1, 7.4]})
    later = piece(plan, 20, 0.0, level="paper")
    both = findings_of(replace(drawn, pieces=(*drawn.pieces, later.tried(facts_of))))
    assert both.counted == tuple(range(8))
    assert both.main[0].effect == findings_of(drawn).main[0].effect
    assert any("were chosen and not drawn: cook 20" in caution for caution in both.cautions)


def test_what_was_taken_out_is_told_and_so_is_that_it_would_have_changed_the_conclusion():
    plan = plan_of(10)
    record = by_level(plan, {"foil": [5.0, 5.5, 5.2, 5.9, 9.9], "paper": [7.9, 7.0, 8.1, 7.4, 7.1]})
    bad = next(i for i, p in enumerate(record.pieces) if p.scores[0].value == 9.9)
    dropped = replace(record.pieces[bad], piece=replace(record.pieces[bad].piece, dropped_ms=1, why="rain"))
    found = findings_of(replace(record, pieces=(*record.pieces[:bad], dropped, *record.pieces[bad + 1 :])))
    assert (findings_of(record).main[0].state, found.main[0].state) == ("open", "told")
    assert any("(foil): rain" in caution for caution in found.cautions)
    assert any("the conclusion would be another" in caution for caution in found.cautions)


def test_a_level_that_is_not_what_the_seed_draws_and_a_seed_that_was_given_are_told():
    plan = plan_of(8, seed_told=True)
    record = by_level(plan, {"foil": [5.0] * 4, "paper": [7.0] * 4})
    other = {"foil": "paper", "paper": "foil"}[record.pieces[0].piece.level]
    swapped = replace(record.pieces[0], piece=replace(record.pieces[0].piece, level=other))
    found = findings_of(replace(record, pieces=(swapped, *record.pieces[1:])))
    assert any("the log does not say what the draw says, at 'cook 0'" in caution for caution in found.cautions)
    assert any("given by a person" in caution for caution in found.cautions)
    assert found.seal == findings_of(record).seal
    assert found.seal != findings_of(tried(plan_of(8, seed="b"), [])).seal != findings_of(tried(plan_of(8), [])).seal


def test_scores_that_were_not_blind_are_named():
    plan = plan_of(2)
    record = trial_of(plan, [piece(plan, 0, 5.0, blind=False), piece(plan, 1, 6.0)])
    (caution,) = findings_of(record).cautions
    assert "who knew the level" in caution
    assert caution.endswith("cook 0")


def test_three_levels_are_compared_two_by_two_and_held_to_all_of_them_together():
    plan = plan_of(12, levels=("bare", "foil", "paper"))
    record = by_level(plan, {"bare": [2.0, 2.1, 2.2, 2.3], "foil": [5.0, 5.5, 5.2, 5.9], "paper": [7.9, 7.0, 8.1, 7.4]})
    found = findings_of(record)
    assert [c.levels for c in found.main] == [("bare", "foil"), ("bare", "paper"), ("foil", "paper")]
    assert {c.effect.test.p for c in found.main} == {2 / 70}
    assert [c.p_together for c in found.main] == pytest.approx([6 / 70] * 3)
    assert {c.state for c in found.main} == {"too few"}  # 4 of each cannot do for three comparisons
    assert found.needed.each == pieces_needed(1.0, found.needed.scatter, None, 0.05 / 3)
    assert found.needed.each > pieces_needed(1.0, found.needed.scatter)


def test_the_scatter_that_was_seen_decides_how_many_are_needed_and_how_unsure_that_is():
    found = findings_of(by_level(plan_of(6), {"foil": [4.0, 6.0, 8.0], "paper": [5.0, 7.0, 9.0]}))
    assert not found.needed.supposed
    assert found.needed.scatter == pytest.approx(2.0)  # variance 4 at both
    assert found.needed.each == pieces_needed(1.0, 2.0) == 64
    assert found.needed.low < 64
    assert found.needed.high is None  # more than anybody cooks
    assert f"so {found.needed.low} to over 200" in words(found.record)


# what else differed

def test_what_else_differed_is_listed_by_size_and_says_what_may_be_a_consequence():
    plan = plan_of(4)
    pieces = []
    for i in range(4):
        base = piece(plan, i, 6.0)
        paper = base.piece.level == "paper"
        began = base.cook.cook.started_ms
        series = (
            flat_series("grate", "air", began / 1000, 12, 121.0 + 2.0 * paper + 0.5 * i),
            flat_series("flat", "meat", began / 1000, 12, 14.0 if paper else 4.0 + 0.1 * i, 6.0),
            flat_series("point", "meat", began / 1000, 12, 14.0 if paper else 4.0 + 0.1 * i, 7.0),
        )
        notes = (Note(1, i, began + 6 * HOUR_MS, "wrap", ""), Note(2, i, began + 10 * HOUR_MS, "pull", ""))
        weights = (Weights(i, "", 6.4, 5.0, 3.0 + 0.1 * i),)
        pieces.append(piece(plan, i, 6.0, cook=cook_record(i, series, notes), weights=weights))
    record = trial_of(plan, pieces)
    facts = facts_of(pieces[0])
    assert facts["duration"] == pytest.approx(10.0)
    assert facts["time of the wrap"] == pytest.approx(6.0)
    assert facts["length of the hold"] == pytest.approx(2.0)
    assert facts["yield"] == pytest.approx(60.0)
    assert facts["evenness"] == pytest.approx(5.0, abs=0.02)  # mean of 1 K/h over the 10 h until it was pulled
    assert facts["weight as it went on"] == 5.0
    ((levels, differs),) = findings_of(record).differs
    assert levels == ("foil", "paper")
    assert differs[0].quantity.name == "start temperature"
    assert differs[0].quantity.before
    assert differs[0].difference == pytest.approx(9.9, abs=0.3)
    assert [abs(d.size) for d in differs] == sorted((abs(d.size) for d in differs), reverse=True)
    assert not next(d for d in differs if d.quantity.name == "pit mean").quantity.before
    assert "start temperature +17" in words(record, "F")
    assert "start temperature +9" in words(record, "C")


def test_a_cut_in_a_cook_is_judged_by_its_own_place():
    plan = plan_of(2)
    began = START_MS / 1000
    series = (flat_series("left", "meat", began, 12, 5.0, 6.0), flat_series("right", "meat", began, 12, 9.0, 6.0))
    cook = cook_record(0, series)
    left, right = (piece(plan, i, 6.0 + i, place=place, cook=cook) for i, place in enumerate(("left", "right")))
    both = (*left.scores, *right.scores)
    left, right = replace(left, scores=both), replace(right, scores=both)
    assert (facts_of(left)["moisture"], facts_of(right)["moisture"]) == (6.0, 7.0)
    assert facts_of(right)["start temperature"] > facts_of(left)["start temperature"] + 3.9
    assert "evenness" not in facts_of(left)
    assert left.tried(facts_of).name == "cook 0, left"


def test_pairs_in_one_cook_take_the_cook_out():
    """Two cuts side by side, six nights that differ by much: the pairs tell what one block cannot."""
    plan = plan_of(12, 2)
    nights = np.repeat([2.0, 8.0, 4.0, 7.0, 3.0, 6.0], 2)
    record = tried(plan, nights.tolist())
    scores = [n + (0.8 + 0.05 * i if p.piece.level == "paper" else 0) for i, (n, p) in
              enumerate(zip(nights, record.pieces, strict=True))]
    pairs = findings_of(tried(plan, scores)).main[0]
    assert pairs.state == "told"
    assert pairs.effect.test.p == 2 / 64
    second = np.array([p.piece.level == "paper" for p in record.pieces])
    assert permuted(np.array(scores), second, np.zeros(12, dtype=np.int64)).p > 0.3


# as values

@settings(max_examples=25, deadline=None)
@given(st.lists(st.one_of(st.none(), st.floats(0, 10)), max_size=8), st.sampled_from(["F", "C"]),
       st.sampled_from([2, 4, 8]))
def test_any_scores_give_plain_values_and_words(scores, units, block):
    record = tried(plan_of(8, block), scores)
    found = findings_of(record)
    json.dumps(found.as_json(), allow_nan=False)
    assert "Does paper keep it moister?" in "\n".join(lines(found, units))
    assert found.main[0].state in ("nothing", "one each", "unfinished", "too few", "told", "alike", "open")
    assert len(scores) == 8 or found.main[0].state in ("nothing", "one each", "unfinished")
