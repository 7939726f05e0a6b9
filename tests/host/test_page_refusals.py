"""What the page refuses, in words that a cook can act on, and what it says when a change has another effect too."""

import numpy as np
import pytest
from page_world import LOGGER, PLACES, START, curve

from pitscribe.metrology import chips, its90
from pitscribe.wire.frames import Channel
from pitscribe.wire.layout import channel_code

DAY = 86_400.0


def test_an_ended_cook_is_not_ended_again_by_a_tap_but_its_end_may_be_moved(world, client):
    client.post("/api/cooks/1/end", json={})
    ended = world.ledger.cook(1).ended_ms
    world.clock.at += 3600
    again = client.post("/api/cooks/1/end", json={})
    assert again.status_code == 400
    assert "ended already" in again.json()["error"]
    assert world.ledger.cook(1).ended_ms == ended
    assert client.post("/api/cooks/1/end", json={"at": START + 7200}).json()["ended"] == START + 7200


@pytest.mark.parametrize(("at", "words"), [
    (START - DAY - 1, "more than a day before the cook began"),
    (START + 6 * 3600 + DAY + 1, "more than a day from now"),
])
def test_a_note_outside_the_span_of_a_running_cook_is_refused_saying_which(world, client, at, words):
    answer = client.post("/api/cooks/1/notes", json={"kind": "lid", "at": at})
    assert answer.status_code == 400
    assert words in answer.json()["error"]
    assert world.ledger.notes(1) == []


def test_a_note_outside_the_span_of_a_past_cook_is_refused_and_one_inside_is_kept(world, client):
    world.ledger.end_cook(1)
    end = world.clock.at
    world.clock.at += 30 * DAY
    late = client.post("/api/cooks/1/notes", json={"kind": "lid"})  # now: a month later
    assert late.status_code == 400
    assert "more than a day after the cook ended" in late.json()["error"]
    assert world.ledger.notes(1) == []
    for at in (START - DAY, end + DAY):
        assert client.post("/api/cooks/1/notes", json={"kind": "lid", "at": at}).status_code == 201


def test_a_note_is_not_moved_out_of_its_cook(world, client):
    note = client.post("/api/cooks/1/notes", json={"kind": "text", "text": "bark set"}).json()
    for at in (START - 2 * DAY, START + 9 * DAY):
        answer = client.patch(f"/api/notes/{note['id']}", json={"at": at, "text": "no"})
        assert answer.status_code == 400
        assert "day" in answer.json()["error"]
    (kept,) = world.ledger.notes(1)
    assert (kept.text, kept.at_ms) == ("bark set", note["at"] * 1000)


@pytest.mark.parametrize("target", [-15, 29.9, 100.1, 203])
def test_a_target_that_no_joint_is_cooked_to_is_refused_in_both_units(client, target):
    answer = client.post("/api/cooks", json={"name": "X", "target_c": target})
    assert answer.status_code == 400
    assert answer.json()["error"] == "the target must be 30 to 100 degC (86 to 212 F), for the inside of a joint"


def test_a_free_text_that_says_nothing_is_refused_in_plain_words(client):
    answer = client.post("/api/cooks/1/notes", json={"kind": "text", "text": "  "})
    assert answer.json()["error"] == "write what happened first: a free note without a text says nothing"


@pytest.mark.parametrize("number", ["99999999999999999999999", "9" * 5000, "0x1", "-1", "two", "%20"])
@pytest.mark.parametrize(("method", "path"), [
    ("GET", "/cook/{}"), ("GET", "/api/cooks/{}/notes"), ("POST", "/api/cooks/{}/notes"), ("POST", "/api/cooks/{}/end"),
    ("POST", "/api/cooks/{}/reopen"), ("PATCH", "/api/notes/{}"), ("DELETE", "/api/notes/{}"),
])
def test_a_number_that_no_row_can_have_is_not_found(client, method, path, number):
    body = {"json": {"kind": "lid"} if "notes" in path else {}} if method in ("POST", "PATCH") else {}
    assert client.request(method, path.format(number), **body).status_code == 404


def test_a_cook_that_takes_channels_of_a_running_one_says_so(world, client):
    world.clock.at += 60
    row = {"logger": f"{LOGGER:08x}", "channel": 2, "place": "shoulder", "kind": "meat"}
    made = client.post("/api/cooks", json={"name": "Pork", "places": [row]})
    assert made.status_code == 201
    assert made.json()["takes"] == [{"cook": 1, "name": "Two briskets", "places": ["flat"]}]
    assert made.json()["words"] == "from now on 'Two briskets' has no readings of flat: their probes are in this cook"
    world.ledger.end_cook(1)
    world.ledger.end_cook(made.json()["id"])
    alone = client.post("/api/cooks", json={"name": "Ribs", "places": [row]})
    assert alone.json()["takes"] == []
    assert alone.json()["words"] == ""


def now_message(world):
    """What the logger says of its last tick, with the codes that its chips gave."""
    codes, table = [], []
    for place in world.loggers()[LOGGER]:
        celsius = curve(place, np.array([6.0]), np.random.default_rng(1))
        emf = its90.emf(place.tc, celsius) - its90.emf(place.tc, np.array([24.0]))
        hot, cold = chips.code_from_emf(place.chip, place.tc, emf, np.array([24.0]))
        codes.append([int(hot[0]), int(cold[0]), 0])
        table.append(channel_code(Channel(place.chip, place.tc)))
    return {"v": 1, "boot": 1, "up": 21_610_000, "table": table, "codes": codes}


def test_each_channel_of_a_logger_is_told_with_what_it_reads_now(world, client):
    assert [c["celsius"] for c in client.get("/api/loggers").json()["loggers"][0]["channels"]] == [None] * 6
    said = now_message(world)
    said["codes"][3][2] = 1  # open
    world.ledger.saw_now(LOGGER, said)
    got = [c["celsius"] for c in client.get("/api/loggers").json()["loggers"][0]["channels"]]
    assert got[3] is None
    assert 90 < got[0] < 150  # the grate
    assert 65 < got[2] < 69  # the flat stands at 67
    world.clock.at += 600
    assert [c["celsius"] for c in client.get("/api/loggers").json()["loggers"][0]["channels"]] == [None] * 6
    world.ledger.saw_now(LOGGER, said)
    world.state(online=False)
    assert [c["celsius"] for c in client.get("/api/loggers").json()["loggers"][0]["channels"]] == [None] * 6


@pytest.mark.parametrize("said", [{}, {"table": [19], "codes": [[1, 2]]}, {"table": [255], "codes": [[1, 2, 3]]},
                                  {"table": "x", "codes": 5}, {"table": [19], "codes": [None]},
                                  {"table": [19], "codes": [[10**30, 0, 0]]}])
def test_a_last_tick_that_makes_no_sense_gives_no_reading(world, client, said):
    world.ledger.saw_now(LOGGER, said)
    assert [c["celsius"] for c in client.get("/api/loggers").json()["loggers"][0]["channels"]] == [None] * 6


def test_places_are_told_and_put_right_over_the_page(world, client):
    rows = client.get("/api/cooks/1/places").json()["places"]
    assert {r["place"] for r in rows} == {p.name for p in PLACES}
    swap = {"flat": "tip", "tip": "flat"}
    sent = [{k: r[k] for k in ("logger", "channel", "kind")} | {"place": swap.get(r["place"], r["place"])}
            for r in rows]
    told = client.put("/api/cooks/1/places", json={"places": sent}).json()["places"]
    channel = {r["place"]: r["channel"] for r in rows}
    assert {r["place"]: r["channel"] for r in told} == channel | {"flat": channel["tip"], "tip": channel["flat"]}
    for wrong in (
        [sent[0], {**sent[1], "place": sent[0]["place"]}], [sent[0], sent[0] | {"place": "other"}],
        [{**sent[0], "channel": 7}], [{**sent[0], "kind": "fish"}], [{**sent[0], "logger": "x"}],
    ):
        answer = client.put("/api/cooks/1/places", json={"places": wrong})
        assert answer.status_code == 400, wrong
        assert answer.json()["error"]
    assert client.get("/api/cooks/1/places").json()["places"] == told
    assert client.put("/api/cooks/99/places", json={"places": sent}).status_code == 404
