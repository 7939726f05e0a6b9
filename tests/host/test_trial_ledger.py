"""Scores, weights and trials in the ledger: what is kept, what is refused, and what nobody can change any more."""

import gc
import sqlite3

import pytest

from pitscribe.clock import SetClock
from pitscribe.errors import ConfigError, NotFoundError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.store import APPLICATION_ID, MIGRATIONS
from pitscribe.ledger.trialvalues import Weights
from pitscribe.series import CookRecord
from pitscribe.series.trial import load_trial

NOW = 1_780_000_000
PLAN = {
    "question": "Does paper keep the flat moister than foil?", "factor": "wrap", "levels": ["foil", "paper"],
    "main": "moisture", "matters": 1.0, "planned": 8, "block": 8, "seed": "0f" * 16,
}


@pytest.fixture
def ledger(tmp_path):
    made = Ledger(tmp_path / "ledger.sqlite", SetClock(float(NOW)))
    yield made
    made.close()


@pytest.fixture
def cook(ledger):
    return ledger.start_cook("Saturday")


def test_a_score_stands_for_the_same_tasters_earlier_one_which_is_kept(ledger, cook):
    first = ledger.score(cook.id, "tenderness", 4.0, place="flat", taster="Nachbarin", blind=True)
    other = ledger.score(cook.id, "tenderness", 6.0, place="flat")
    again = ledger.score(cook.id, "tenderness", 7.5, place="flat", taster="Nachbarin", remark="second slice")
    assert ledger.scores(cook.id) == [other, again]
    with sqlite3.connect(ledger.path) as db:
        assert db.execute("SELECT value FROM scores WHERE withdrawn_ms IS NOT NULL").fetchall() == [(first.value,)]
    ledger.withdraw_score(cook.id, "tenderness", place="flat")
    assert ledger.scores(cook.id) == [again]
    with pytest.raises(ConfigError, match="no score of bark at 'flat' to take back"):
        ledger.withdraw_score(cook.id, "bark", place="flat")


@pytest.mark.parametrize("value", [-0.1, 10.1, float("nan"), float("inf")])
def test_a_score_outside_nought_to_ten_is_refused(ledger, cook, value):
    with pytest.raises(ConfigError, match="give 0"):
        ledger.score(cook.id, "bark", value)
    assert ledger.scores(cook.id) == []


@pytest.mark.parametrize(("changes", "word"), [
    ({"aspect": "colour"}, "colour"), ({"place": "a\nb"}, "the place"), ({"taster": "x" * 201}, "taster"),
    ({"remark": "a\x00b"}, "remark"),
])
def test_a_score_that_cannot_be_kept_is_refused_with_the_reason(ledger, cook, changes, word):
    with pytest.raises(ConfigError, match=word):
        ledger.score(cook.id, **{"aspect": "bark", "value": 5.0, **changes})


def test_weights_come_one_after_the_other_and_give_the_yield(ledger, cook):
    ledger.weigh(cook.id, "flat", raw_kg=6.4, trimmed_kg=5.0)
    assert ledger.weigh(cook.id, "flat", cooked_kg=3.0) == Weights(cook.id, "flat", 6.4, 5.0, 3.0)
    (kept,) = ledger.weights(cook.id)
    assert (kept.cooked_share, kept.trimmed_share) == (pytest.approx(0.6), pytest.approx(0.78125))
    assert Weights(1, "", 6.4, None, 3.0).cooked_share is None  # of what was bought is another yield


@pytest.mark.parametrize(("weights", "word"), [
    ({"raw_kg": 5.0, "trimmed_kg": 6.0}, "more than 5.00 kg as bought"),
    ({"trimmed_kg": 5.0, "cooked_kg": 5.1}, "injected"),
    ({"raw_kg": 5000.0}, "mind the unit"), ({"raw_kg": 0.0}, "mind the unit"), ({"raw_kg": float("nan")}, "unit"),
    ({"trimmed_kg": 12.0, "cooked_kg": 2.0}, "error of typing"),
])
def test_weights_that_cannot_be_are_refused(ledger, cook, weights, word):
    with pytest.raises(ConfigError, match=word):
        ledger.weigh(cook.id, **weights)
    assert ledger.weights(cook.id) == []


def test_a_trial_is_laid_down_once_and_found_by_number_and_name(ledger):
    made = ledger.new_trial("wrap", **PLAN)
    assert made.levels == ("foil", "paper")
    assert ledger.trial("wrap") == ledger.trial(str(made.id)) == ledger.trials()[0] == made
    with pytest.raises(ConfigError, match="what it laid down stays"):
        ledger.new_trial("wrap", **{**PLAN, "seed": "another draw"})
    with pytest.raises(NotFoundError, match="'salt'"):
        ledger.trial("salt")


@pytest.mark.parametrize(("changes", "word"), [
    ({"levels": ["foil"]}, "2 to 4"), ({"levels": ["foil", "foil"]}, "different"), ({"main": "colour"}, "main outcome"),
    ({"levels": list("abcde")}, "2 to 4"), ({"matters": 0.0}, "matter"), ({"matters": float("nan")}, "matter"),
    ({"planned": 7, "block": 7}, "equally often"), ({"planned": 8, "block": 6}, "multiple"),
    ({"planned": 0}, "at most"),
    ({"question": " "}, "question"), ({"seed": ""}, "seed"), ({"planned": 202, "block": 2}, "at most 200"),
])
def test_a_trial_that_cannot_be_is_refused_with_the_reason(ledger, changes, word):
    with pytest.raises(ConfigError, match=word):
        ledger.new_trial("wrap", **{**PLAN, **changes})
    assert ledger.trials() == []


def test_what_was_laid_down_drawn_and_answered_cannot_be_changed_even_by_sql(ledger, cook):
    trial = ledger.new_trial("wrap", **PLAN)
    a, b = (ledger.enter(trial.id, cook.id, place, "foil", None) for place in ("left", "right"))
    tasting = ledger.new_tasting(trial.id, "triangle", a, b, tasters=6, seed="s")
    ledger.answer(tasting, 1, "123")
    with sqlite3.connect(ledger.path) as db:
        for sql in (
            "UPDATE trials SET seed = 'x'", "UPDATE trials SET main = 'bark'", "UPDATE trials SET planned = 4",
            "DELETE FROM trials", "UPDATE pieces SET level = 'paper'", "UPDATE pieces SET slot = 3",
            "DELETE FROM pieces", "UPDATE tastings SET seed = 'y'", "DELETE FROM tastings",
            "UPDATE answers SET code = '999'",
        ):
            with pytest.raises(sqlite3.IntegrityError, match=r"not (changed|deleted)"):
                db.execute(sql)


def test_a_piece_is_drawn_in_its_turn_once_and_never_for_a_cook_that_is_over(ledger, cook):
    trial = ledger.new_trial("wrap", **{**PLAN, "planned": 2, "block": 2})
    ledger.enter(trial.id, cook.id, "", "paper", 0)
    with pytest.raises(ConfigError, match="'Saturday' is in 'wrap' already, as paper: it stays so"):
        ledger.enter(trial.id, cook.id, "", "foil", 1)
    with pytest.raises(ConfigError, match="as a whole or by its places"):
        ledger.enter(trial.id, cook.id, "left", "foil", 1)
    over = ledger.start_cook("Sunday")
    ledger.end_cook(over.id)
    with pytest.raises(ConfigError, match="what was done to it was not drawn"):
        ledger.enter(trial.id, over.id, "", "foil", 1)
    with pytest.raises(ConfigError, match="number 0 is not the next"):
        ledger.enter(trial.id, ledger.start_cook("Monday").id, "", "foil", 0)
    with pytest.raises(ConfigError, match="'wood' is not a level"):
        ledger.enter(trial.id, over.id, "", "wood", None)
    ledger.enter(trial.id, ledger.cook("Monday").id, "", "foil", 1)
    with pytest.raises(ConfigError, match="all 2 pieces of 'wrap' are drawn"):
        ledger.enter(trial.id, ledger.start_cook("Tuesday").id, "", "foil", 2)
    assert ledger.enter(trial.id, over.id, "", "foil", None).slot is None
    assert [p.slot for p in ledger.pieces(trial.id)] == [0, 1, None]


def test_a_piece_that_is_taken_out_stays_in_the_log_with_its_reason(ledger, cook):
    trial = ledger.new_trial("wrap", **PLAN)
    piece = ledger.enter(trial.id, cook.id, "", "paper", 0)
    ledger.drop_piece(piece.id, "the fire went out")
    assert [(p.dropped_ms, p.why) for p in ledger.pieces(trial.id)] == [(NOW * 1000, "the fire went out")]
    with pytest.raises(ConfigError, match="what was said then stays"):
        ledger.drop_piece(piece.id, "no, it was raining")
    with pytest.raises(NotFoundError, match="'Sunday' is not in trial 'wrap'"):
        ledger.piece(trial.id, ledger.start_cook("Sunday").id)


def test_a_trial_that_was_ended_takes_no_more(ledger, cook):
    trial = ledger.new_trial("wrap", **PLAN)
    assert ledger.close_trial(trial.id, "no more foil").closed_why == "no more foil"
    for attempt in (lambda: ledger.enter(trial.id, cook.id, "", "foil", 0), lambda: ledger.close_trial(trial.id, "x")):
        with pytest.raises(ConfigError, match="was ended"):
            attempt()


def test_a_tasting_takes_one_answer_of_each_taster_and_keeps_what_was_typed_wrongly(ledger, cook):
    trial = ledger.new_trial("wrap", **PLAN)
    a, b = (ledger.enter(trial.id, cook.id, place, "foil", None) for place in ("left", "right"))
    pair = ledger.new_tasting(trial.id, "paired", a, b, tasters=2, seed="s", asks="moisture", expects=b)
    assert ledger.tastings(trial.id) == [pair]
    ledger.answer(pair, 1, "417")
    with pytest.raises(ConfigError, match="taster 1 has answered 417"):
        ledger.answer(pair, 1, "418")
    assert ledger.answer(pair, 1, "418", instead=True) in ledger.answers(pair.id)
    with pytest.raises(ConfigError, match="1 to 2"):
        ledger.answer(pair, 3, "417")
    for refused, word in (
        ({"kind": "quad"}, "quad"), ({"second": a}, "two different"), ({"kind": "paired"}, "say which"),
        ({"asks": "bark"}, "for a paired"), ({"tasters": 0}, "give 1 to 100"),
    ):
        usual = {"kind": "triangle", "first": a, "second": b, "tasters": 6, "seed": "s"}
        with pytest.raises(ConfigError, match=word):
            ledger.new_tasting(trial.id, **{**usual, **refused})


def test_a_ledger_of_the_version_before_keeps_its_cooks_and_learns_of_trials(tmp_path):
    path = tmp_path / "ledger.sqlite"
    with sqlite3.connect(path) as db:
        for script in MIGRATIONS[:4]:
            db.executescript(script())
        db.execute("INSERT INTO cooks (name, started_ms) VALUES ('Saturday', 5000)")
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute("PRAGMA user_version = 4")
    db.close()
    new = Ledger(path, SetClock(float(NOW)))
    assert [cook.name for cook in new.cooks()] == ["Saturday"]
    assert new.score(1, "bark", 8.0) in new.scores(1)
    new.close()


def test_a_trial_is_read_one_cook_after_the_other_and_no_record_of_a_cook_is_kept(ledger):
    trial = ledger.new_trial("wrap", **PLAN)
    for i in range(4):
        ledger.enter(trial.id, ledger.start_cook(f"read by itself, {i}").id, "", "foil", None)
    held = []

    def facts(piece):
        some = [o for o in gc.get_objects() if isinstance(o, CookRecord) and o.cook.name.startswith("read by itself")]
        held.append(len(some))
        return {"cooks": float(piece.cook.cook.id)}

    record = load_trial(ledger, trial.id, facts)
    assert held == [1, 1, 1, 1]
    assert [p.facts["cooks"] for p in record.pieces] == [p.piece.cook_id for p in record.pieces]


def tasted(ledger, kind="triangle", tasters=3, **more):
    trial = ledger.new_trial("wrap", **PLAN)
    pieces = [ledger.enter(trial.id, ledger.start_cook(f"Night {i}").id, "", level, None)
              for i, level in enumerate(("foil", "paper"))]
    return ledger.new_tasting(trial.id, kind, *pieces, tasters=tasters, seed="ab", **more), pieces


def test_what_a_taster_said_is_taken_back_with_its_trace(ledger):
    tasting, _ = tasted(ledger)
    ledger.answer(tasting, 1, "417")
    ledger.answer(tasting, 1, "418", instead=True)
    ledger.answer(tasting, 2, "900")
    ledger.withdraw_answer(tasting, 1)
    assert [(a.taster, a.code) for a in ledger.answers(tasting.id)] == [(2, "900")]
    assert [(u.taster, u.said) for u in ledger.undone(tasting)] == [(1, "417"), (1, "418")]
    with pytest.raises(ConfigError, match="nothing yet"):
        ledger.withdraw_answer(tasting, 1)
    ledger.answer(tasting, 1, "417")
    assert [a.code for a in ledger.answers(tasting.id)] == ["417", "900"]


def test_a_ratings_scores_are_blind_scores_of_its_pieces_and_are_taken_back_together(ledger):
    tasting, (first, second) = tasted(ledger, "rating")
    ledger.rate(tasting, 2, first, {"moisture": 5.0, "bark": 6.0})
    ledger.rate(tasting, 2, second, {"moisture": 8.0})
    ledger.rate(tasting, 3, second, {"moisture": 7.0})
    ledger.score(first.cook_id, "bark", 1.0, taster="taster x of tasting 1")  # somebody's own name
    assert [(r.taster, r.piece, r.aspect, r.value) for r in ledger.rated(tasting)] == [
        (2, first.id, "bark", 6.0), (2, first.id, "moisture", 5.0), (2, second.id, "moisture", 8.0),
        (3, second.id, "moisture", 7.0)]
    assert {s.blind for s in ledger.scores(second.cook_id)} == {True}
    ledger.withdraw_answer(tasting, 2)
    assert [r.taster for r in ledger.rated(tasting)] == [3]
    assert sorted(u.said for u in ledger.undone(tasting)) == ["bark 6", "moisture 5", "moisture 8"]
    third = ledger.enter(first.trial_id, ledger.start_cook("Night 3").id, "", "foil", None)
    with pytest.raises(ConfigError, match="one of its two pieces"):
        ledger.rate(tasting, 2, third, {"bark": 5.0})


@pytest.mark.parametrize("kind", ["triangle", "rating"])
def test_a_closed_tasting_takes_nothing_in_and_gives_nothing_back(ledger, kind):
    tasting, (first, _) = tasted(ledger, kind)
    say = (lambda n: ledger.answer(tasting, n, "417")) if kind == "triangle" else (
        lambda n: ledger.rate(tasting, n, first, {"bark": 5.0}))
    say(1)
    assert [t.id for t in ledger.open_tastings()] == [tasting.id]
    assert ledger.close_tasting(tasting.id).closed_ms == NOW * 1000
    assert ledger.open_tastings() == []
    for act in (lambda: say(2), lambda: ledger.withdraw_answer(tasting, 1), lambda: ledger.close_tasting(tasting.id)):
        with pytest.raises(ConfigError, match="was closed"):
            act()
    assert len(ledger.answers(tasting.id)) + len(ledger.rated(tasting)) == 1
    with sqlite3.connect(ledger.path) as db:
        for sql in ("UPDATE tastings SET closed_ms = NULL", "UPDATE tastings SET tasters = 9",
                    "INSERT INTO answers (tasting_id, taster, code, made_ms) VALUES (1, 3, '123', 0)"):
            with pytest.raises(sqlite3.IntegrityError):
                db.execute(sql)


def test_a_taster_whom_nobody_set_a_plate_for_is_refused(ledger):
    tasting, (first, _) = tasted(ledger, "rating", tasters=2)
    with pytest.raises(ConfigError, match="1 to 2"):
        ledger.rate(tasting, 3, first, {"bark": 5.0})
    with pytest.raises(NotFoundError, match="no tasting 9"):
        ledger.tasting(9)


def test_a_tasting_of_a_ledger_of_version_7_is_as_it_was_and_can_be_closed(tmp_path):
    path = tmp_path / "ledger.sqlite"
    with sqlite3.connect(path) as db:
        for script in MIGRATIONS[:7]:
            db.executescript(script())
        db.execute("INSERT INTO cooks (name, started_ms) VALUES ('Saturday', 5000)")
        sql = ("INSERT INTO trials (name, question, factor, levels, main, matters, planned, block, seed, seed_told, "
               "made_ms) VALUES ('wrap', '?', 'wrap', '[\"foil\", \"paper\"]', 'bark', 1, 2, 2, 'a', 0, 1)")
        db.execute(sql)
        for place in ("left", "right"):
            sql = "INSERT INTO pieces (trial_id, cook_id, place, level, made_ms) VALUES (1, 1, ?, 'foil', 1)"
            db.execute(sql, (place,))
        db.execute("INSERT INTO tastings (trial_id, kind, first, second, asks, tasters, seed, made_ms) "
                   "VALUES (1, 'triangle', 1, 2, '', 4, 'ab', 1)")
        db.execute("INSERT INTO answers (tasting_id, taster, code, made_ms) VALUES (1, 2, '417', 1)")
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute("PRAGMA user_version = 7")
    db.close()
    new = Ledger(path, SetClock(float(NOW)))
    (tasting,) = new.tastings(1)
    assert (tasting.tasters, tasting.seed, tasting.closed_ms) == (4, "ab", None)
    assert [(a.taster, a.code) for a in new.answers(1)] == [(2, "417")]
    assert new.close_tasting(1).closed_ms == NOW * 1000
    new.close()
