"""Trials on the page: laying one down, the draw, what is put aside, what it says, and what is refused."""

import pytest

from pitscribe.cook.trials.draw import drawn_level, seal
from pitscribe.cook.trials.facts import facts_of
from pitscribe.cook.trials.findings import findings_of
from pitscribe.cook.trials.serving import servings
from pitscribe.cook.trials.text import lines
from pitscribe.series.trial import load_trial

SEED = "5eed0f0ak0fash"


@pytest.fixture
def trial(world):
    return world.ledger.new_trial(
        "paper or foil", question="Is it moister in paper?", factor="wrap", levels=["foil", "paper"], main="moisture",
        matters=1.0, planned=8, block=4, seed=SEED, seed_told=False,
    )


def test_a_trial_is_told_without_the_seed_from_which_each_draw_to_come_is_known(client, trial):
    told = client.get("/api/trials").json()["trials"]
    assert [t["name"] for t in told] == ["paper or foil"]
    assert (told[0]["drawn"], told[0]["planned"], told[0]["levels"]) == (0, 8, ["foil", "paper"])
    for path in ("/api/trials", f"/api/trials/{trial.id}", f"/api/trials/{trial.id}/findings"):
        answer = client.get(path)
        assert answer.status_code == 200
        assert SEED not in answer.text


def test_a_draw_is_the_one_that_was_laid_down_and_a_cook_is_drawn_for_once(client, world, trial):
    made = client.post(f"/api/trials/{trial.id}/draw", json={"cook": 1})
    assert made.status_code == 201
    assert made.json()["level"] == drawn_level(SEED, trial.levels, 4, 0)
    assert made.json()["number"] == 1
    again = client.post(f"/api/trials/{trial.id}/draw", json={"cook": 1})
    assert again.status_code == 400
    assert "already" in again.json()["error"]
    assert len(client.get(f"/api/trials/{trial.id}").json()["pieces"]) == len(world.ledger.pieces(trial.id)) == 1


def test_no_cook_that_is_over_is_drawn_for(client, world, trial):
    assert client.post("/api/cooks/1/end", json={}).status_code == 200
    answer = client.post(f"/api/trials/{trial.id}/draw", json={"cook": 1})
    assert answer.status_code == 400
    assert "is over" in answer.json()["error"]
    assert world.ledger.pieces(trial.id) == []


@pytest.mark.parametrize("unit", ["F", "C"])
def test_the_page_says_of_a_trial_what_the_command_says(client, world, trial, unit):
    for i, place in enumerate(("flat", "point")):
        client.post(f"/api/trials/{trial.id}/draw", json={"cook": 1, "place": place})
        for aspect in ("moisture", "bark"):
            client.post("/api/cooks/1/scores", json={"aspect": aspect, "place": place, "value": 5 + i})
    client.post(f"/api/trials/{trial.id}/close", json={"why": "winter"})
    said = client.get(f"/api/trials/{trial.id}/findings?unit={unit}").json()["lines"]
    command = list(lines(findings_of(load_trial(world.ledger, trial.id, facts_of)), unit))
    # but for what the page shows by itself: the plan, the reason of the close, and a row for each piece
    aside = [line for line in command if line and line not in said]
    assert aside[:3] == [trial.question, command[1], "ended early: winter"]
    assert sorted(line.split()[-1] for line in aside[3:]) == ["flat", "point"]
    assert [line for line in command if line in said and line] == [line for line in said if line]
    assert any("bark" in line for line in said)


@pytest.mark.parametrize(
    ("body", "words"),
    [({}, "cook must be"), ({"cook": 1.5}, "a whole number"), ({"cook": "1"}, "must be a number"),
     ({"cook": 1, "level": "foil"}, "unknown member 'level'"), ({"cook": 1, "place": "a" * 201}, "200 are the most"),
     ({"cook": 0}, "cook must be 1")],
)
def test_a_draw_that_cannot_be_is_refused_in_words(client, world, trial, body, words):
    answer = client.post(f"/api/trials/{trial.id}/draw", json=body)
    assert answer.status_code == 400
    assert any(word in answer.json()["error"] for word in words.split("|"))
    assert world.ledger.pieces(trial.id) == []


@pytest.mark.parametrize("path", ["/trial/9", "/trial/x", "/api/trials/9", "/api/trials/-1/findings"])
def test_a_trial_that_is_not_there_is_said_to_be_missing(client, trial, path):
    assert client.get(path).status_code == 404


def test_only_f_and_c_are_units(client, trial):
    assert client.get(f"/api/trials/{trial.id}/findings?unit=K").status_code == 400


@pytest.mark.parametrize(("path", "script"), [("/trials", "trials"), ("/trial/1", "trial"), ("/taste", "taste")])
def test_the_pages_are_served(client, trial, path, script):
    answer = client.get(path)
    assert answer.status_code == 200
    assert f"/static/{script}.js" in answer.text


def test_the_slips_of_the_latest_tasting_have_its_codes_and_not_which_is_which(client, world, trial):
    assert client.get(f"/trial/{trial.id}/slips").status_code == 404
    pieces = [world.ledger.enter(trial.id, 1, place, "foil", None) for place in ("flat", "point")]
    world.ledger.new_tasting(trial.id, "triangle", *pieces, tasters=3, seed=SEED)
    answer = client.get(f"/trial/{trial.id}/slips")
    assert answer.status_code == 200
    for serving in servings("triangle", SEED, 3):
        assert all(code in answer.text for code in serving.codes)
    for told in ("foil", "paper", "flat", "point", SEED, "Two briskets"):
        assert told not in answer.text
    assert client.get(f"/api/trials/{trial.id}").json()["tastings"] == 1


NEW = {
    "name": "salt", "question": "Is it better salted the day before?", "factor": "salt",
    "levels": ["at once", "before"], "main": "overall", "matters": 2, "each": 6, "blocks": "one",
}


def test_a_trial_is_laid_down_with_a_seed_of_the_systems_and_a_seal_to_write_down(client, world):
    made = client.post("/api/trials", json=NEW)
    assert made.status_code == 201
    kept = world.ledger.trial("salt")
    assert (kept.levels, kept.planned, kept.block, kept.seed_told) == (("at once", "before"), 12, 12, False)
    assert made.json()["seal"] == seal(kept.seed, *kept.plan)
    assert len(kept.seed) >= 32
    assert kept.seed not in made.text
    pairs = client.post("/api/trials", json=NEW | {"name": "pairs", "blocks": "pairs"}).json()
    assert (world.ledger.trial(pairs["id"]).planned, world.ledger.trial(pairs["id"]).block) == (12, 2)


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [({"name": " "}, "name", "missing"), ({"question": ""}, "question", "missing"),
     ({"levels": ["a"]}, "levels", "two"), ({"levels": ["a", "a"]}, "levels", "different"),
     ({"levels": ["a", ""]}, "levels", "missing"),
     ({"matters": 0}, "matters", "must be"), ({"matters": "much"}, "matters", "a number"),
     ({"each": 2.5}, "each", "whole"), ({"each": 101}, "each", "1 to 100"), ({"main": "colour"}, "main", "one of"),
     ({"name": "paper or foil"}, "name", "already"), ({"blocks": "odd"}, "blocks", "one of")],
)
def test_what_cannot_be_of_a_new_trial_is_told_of_its_field(client, world, trial, change, field, words):
    answer = client.post("/api/trials", json=NEW | change)
    assert answer.status_code == 400
    assert answer.json()["field"] == field
    assert words in answer.json()["error"]
    assert [t.name for t in world.ledger.trials()] == ["paper or foil"]


def test_what_a_plan_can_tell_is_said_before_it_is_laid_down(client, world):
    def said(**change):
        asked = {"levels": 2, "main": "moisture", "matters": 2, "each": 6, "blocks": "one"} | change
        return " ".join(client.get("/api/trials/outlook", params=asked).json()["lines"])

    # the table of docs/TRIALS.md, which test_trials_statistics computes with SciPy: 6 of each, 2 points
    assert "would be told 88 times in 100" in said()
    assert "no outcome at all could be told from chance" in said(each=3)
    assert "no outcome at all could be told from chance" in said(each=5, blocks="pairs")  # 2 of 32 is 0.0625
    assert "9.0 F" in said(main="evenness", matters=5)
    assert client.get("/api/trials/outlook?main=moisture&matters=nan&each=4").status_code == 400
    assert world.ledger.trials() == []


def test_a_piece_is_put_aside_with_a_reason_and_stays_in_the_log(client, world, trial):
    made = client.post(f"/api/trials/{trial.id}/draw", json={"cook": 1}).json()
    path = f"/api/trials/{trial.id}/pieces/{made['id']}/drop"
    refused = client.post(path, json={"why": " "})
    assert (refused.status_code, refused.json()["field"]) == (400, "why")
    assert client.post(path, json={"why": "the fire went out"}).status_code == 200
    assert client.get(f"/api/trials/{trial.id}").json()["pieces"][0]["dropped"] == "the fire went out"
    assert client.post(path, json={"why": "again"}).status_code == 400
    assert client.post(f"/api/trials/{trial.id}/pieces/99/drop", json={"why": "no such"}).status_code == 404


def test_a_level_that_a_person_chose_is_entered_as_chosen(client, world, trial):
    client.post("/api/cooks/1/end", json={})
    path = f"/api/trials/{trial.id}/pieces"
    assert client.post(path, json={"cook": 1, "level": "straw"}).json()["field"] == "level"
    made = client.post(path, json={"cook": 1, "place": "flat", "level": "foil"}).json()
    assert (made["level"], made["number"]) == ("foil", None)


def test_a_closed_trial_takes_nothing_in_and_says_why_it_was_closed(client, world, trial):
    assert client.post(f"/api/trials/{trial.id}/close", json={"why": ""}).json()["field"] == "why"
    closed = client.post(f"/api/trials/{trial.id}/close", json={"why": "winter"}).json()
    assert (closed["why"], closed["closed"]) == ("winter", world.clock.now())
    assert client.post(f"/api/trials/{trial.id}/draw", json={"cook": 1}).status_code == 400
    assert client.get("/api/trials").json()["trials"][0]["why"] == "winter"


def test_the_figure_of_each_piece_is_told_beside_the_findings(client, world, trial):
    made = client.post(f"/api/trials/{trial.id}/draw", json={"cook": 1, "place": "flat"}).json()
    assert client.get(f"/api/trials/{trial.id}/findings").json()["figures"] == {}
    client.post("/api/cooks/1/scores", json={"aspect": "moisture", "place": "flat", "value": 7.5})
    found = client.get(f"/api/trials/{trial.id}/findings").json()
    assert found["figures"] == {str(made["id"]): "7.5 points"}
    assert found["complete"] is False
