"""Trials on the page: what is told of one, that the draw is the one laid down, and what is refused."""

import pytest

from pitscribe.cook.trials.draw import drawn_level
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
    client.post(f"/api/trials/{trial.id}/draw", json={"cook": 1, "place": "flat"})
    said = client.get(f"/api/trials/{trial.id}/findings?unit={unit}").json()["lines"]
    assert said == list(lines(findings_of(load_trial(world.ledger, trial.id, facts_of)), unit))
    assert any("flat" in line for line in said)


@pytest.mark.parametrize(
    ("body", "words"),
    [({}, "cook is missing|cook must be"), ({"cook": 1.5}, "number of a cook"), ({"cook": "1"}, "must be a number"),
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


@pytest.mark.parametrize("path", ["/trials", "/trial/1"])
def test_the_pages_are_served(client, trial, path):
    answer = client.get(path)
    assert answer.status_code == 200
    assert "/static/trials.js" in answer.text


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
