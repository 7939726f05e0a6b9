"""What a snapshot says of the cook itself: the analysis's own parts, and what wants a person, the most urgent first."""

import json
from dataclasses import replace

import pytest
from page_world import make_world

from pitscribe.cook.analysis import analyse
from pitscribe.cook.fire import FireWarning
from pitscribe.series import load
from pitscribe.watch import facts
from pitscribe.watch.around import Around
from pitscribe.watch.asks import NEW_S, by_urgency
from pitscribe.watch.live import Watch
from pitscribe.watch.said import NOTHING_SAID
from pitscribe.watch.snapshot import PlaceNow, Trouble

WARNING = FireWarning("fading", 1_780_190_000.0, 93.0, None, 0.8, "hot metal and fire: gloves")
RECORD = Trouble("old", "bad", "No new readings.")


def a_place(name: str, kind: str = "meat", *, fresh: bool = True) -> PlaceNow:
    return PlaceNow(name, kind, 60.0, 0.5, 1.0, 0.0, fresh, None, None, "good" if fresh else "old", "", 120.0)


@pytest.fixture(scope="module")
def said(tmp_path_factory):
    world = make_world(tmp_path_factory.mktemp("said"))
    record = load(world.ledger, world.cook.id)
    world.ledger.close()
    return analyse(record)


def test_the_parts_of_a_body_are_the_analysis_own_json(world):
    body = Watch(world.ledger, world.clock).now().body
    want = analyse(load(world.ledger, world.cook.id)).as_json()
    assert {"fire", "safety", "doneness", "interventions", "phases", "stalls", "hint", "forecasts"} <= set(NOTHING_SAID)
    for part in NOTHING_SAID:
        assert body[part] == want[part], part
    assert body["stalls"]
    assert body["fire"]["state"] == "well"


def test_a_forecast_in_a_body_has_its_fan(world):
    record = load(world.ledger, world.cook.id)
    analysis = analyse(record, ahead=True)
    body = facts.body(record, analysis, Around(world.clock.now()), 1)
    assert [f["place"] for f in body["forecasts"]] == ["flat", "point", "second flat", "tip", "coldest"]
    fan = body["forecasts"][-1]["fan"]
    assert [len(row) for row in fan["celsius"]] == [len(fan["t"])] * len(fan["levels"])
    assert json.dumps(body, allow_nan=False)


def test_the_same_parts_are_there_without_a_cook_and_where_the_analysis_fails(world):
    empty = facts.empty_body(Around(0.0))
    assert {part: empty[part] for part in NOTHING_SAID} == NOTHING_SAID
    lame = facts.lame_body(empty, world.cook, world.ledger.placements(1), [], Around(0.0))
    assert {part: lame[part] for part in NOTHING_SAID} == NOTHING_SAID


def test_what_wants_a_person_comes_by_urgency(said):
    exceeded = replace(said.safety.coldest[0], state="exceeded", since=1.0)
    begun = next(s for s in said.stalls if s.end is None)
    cook = replace(
        said, fire=replace(said.fire, warning=WARNING), safety=replace(said.safety, coldest=(exceeded,)),
        stalls=(replace(begun, noticed=said.at - NEW_S),),
    )
    places = [a_place("grate", "air"), *(a_place(name) for name in ("tip", begun.place))]
    asked = by_urgency([RECORD], cook, places)
    assert [t.about for t in asked] == ["fire", "safety", "record", "hint", "stalls"]
    assert [t.grade for t in asked] == ["bad", "bad", "bad", "warn", "note"]
    assert said.hint.advice[0] in asked[3].words
    assert all(t.since is not None for t in asked if t.about != "record")
    older = replace(cook, stalls=(replace(begun, noticed=said.at - NEW_S - 60),))
    assert [t.about for t in by_urgency([], older, places)] == ["fire", "safety", "hint"]


def test_meat_that_has_reached_its_target_asks_to_be_taken_off_until_somebody_has(world):
    watch = Watch(world.ledger, world.clock)

    def done():
        return [t for t in watch.now().body["troubles"] if t["key"] == "done"]

    assert done() == []  # the coldest stands at some 66 degC
    world.ledger.set_cook(1, target_c=60.0)
    (told,) = done()
    assert (told["grade"], told["about"]) == ("warn", "forecasts")
    world.ledger.add_note(1, None, "pull")
    assert done() == []


def test_a_cook_that_is_over_asks_for_nothing(said):
    assert by_urgency([RECORD], replace(said, fire=replace(said.fire, warning=WARNING)), ()) == [RECORD]


def test_a_warning_of_old_readings_says_so_and_a_hint_of_them_is_not_given(said):
    cook = replace(said, fire=replace(said.fire, warning=WARNING), stalls=())
    old = [a_place("grate", "air", fresh=False), a_place("tip", fresh=False)]
    (fire,) = by_urgency([], cook, old)
    assert "by the last readings" in fire.words
    fresh = by_urgency([], cook, [a_place("grate", "air"), a_place("tip")])
    assert "last readings" not in fresh[0].words
    assert len(fresh) == 2


def test_words_hold_no_temperature_since_each_reader_has_a_unit(said):
    places = [a_place("grate", "air"), *(a_place(p.place) for p in said.places)]
    for trouble in by_urgency([], replace(said, fire=replace(said.fire, warning=WARNING)), places):
        assert not any(character.isdigit() for character in trouble.words), trouble
