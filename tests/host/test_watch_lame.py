"""What the watch still says when something under it does not work, or has only just begun."""

import pytest
from page_world import OPEN_BIT, START, keys, make_world

from pitscribe.errors import ReadingError
from pitscribe.intake.status import Wrong
from pitscribe.watch import desks
from pitscribe.watch.live import Watch


@pytest.mark.parametrize("minutes", [0, 1, 3, 9])
def test_a_young_cook_is_told_without_a_fault(tmp_path, minutes):
    world = make_world(tmp_path, hours=minutes / 60)
    snapshot = Watch(world.ledger, world.clock).now()
    assert snapshot.body["cook"]["name"] == "Two briskets"
    assert "watch" not in keys(snapshot)
    assert Watch(world.ledger, world.clock).snapshot_of(1).body["cook"] is not None
    if minutes:
        assert snapshot.body["coldest"]["celsius"] is not None
    if minutes == 1:
        assert snapshot.body["pit"]["level_c"] is None
    world.ledger.close()


def test_when_the_analysis_fails_the_cook_its_places_and_notes_are_still_there(world, monkeypatch):
    def broken(*_, **__):
        raise RuntimeError("made to happen")

    world.ledger.add_note(1, None, "wrap", "paper")
    monkeypatch.setattr(desks, "analyse", broken)
    snapshot = Watch(world.ledger, world.clock).now()
    assert keys(snapshot) == ["watch"]
    assert snapshot.body["cook"]["name"] == "Two briskets"
    assert [n["text"] for n in snapshot.body["notes"]] == ["paper"]
    assert [(p["place"], p["celsius"]) for p in snapshot.body["places"]] == [
        (n, None) for n in ("grate", "firebox end", "flat", "point", "tip", "second flat")
    ]
    assert snapshot.body["loggers"]


def test_the_last_values_of_another_cook_are_not_shown_for_the_one_that_runs(world, monkeypatch):
    watch = Watch(world.ledger, world.clock)
    watch.step()
    world.clock.at += 60
    world.ledger.end_cook(1)
    world.ledger.start_cook("Ribs")

    def broken(*_, **__):
        raise ReadingError("the readings are spread over 30 years")

    monkeypatch.setattr(desks, "analyse", broken)
    body = watch.now().body
    assert body["cook"]["name"] == "Ribs"
    assert body["coldest"] is None
    assert "spread over 30 years" in body["troubles"][0]["words"]


def test_a_note_made_while_the_analysis_fails_is_shown(world, monkeypatch):
    watch = Watch(world.ledger, world.clock)
    watch.step()

    def broken(*_, **__):
        raise RuntimeError("made to happen")

    monkeypatch.setattr(desks, "analyse", broken)
    world.ledger.add_note(1, None, "wrap", "paper")
    body = watch.now().body
    assert [n["text"] for n in body["notes"]] == ["paper"]
    assert body["coldest"]["place"] == "second flat"  # what it was, not fresh
    assert not body["coldest"]["fresh"]


@pytest.mark.parametrize(("kind", "key"), [("broker", "intake-away"), ("store", "store"), ("clock", "clock"),
                                           ("fault", "fault")])
@pytest.mark.parametrize("running", [True, False])
def test_trouble_of_the_host_is_told_whether_or_not_a_cook_runs(world, kind, key, running):
    if not running:
        world.ledger.end_cook(1)
    status = {
        "connected": kind != "broker", "store_ok": kind != "store", "clock_ok": kind != "clock",
        "errors": {kind: Wrong("made to happen", START)},
    }
    snapshot = Watch(world.ledger, world.clock, intake_status=lambda: status).now()
    assert (snapshot.body["cook"] is not None) == running
    assert keys(snapshot) == [key]
    assert snapshot.body["troubles"][0]["since"] == START
    assert "made to happen" in snapshot.body["troubles"][0]["words"]


def test_a_cook_without_a_frame_yet_waits_and_nothing_is_wrong_until_a_frame_should_be_there(tmp_path):
    world = make_world(tmp_path, hours=0, period_s=1.0)
    watch = Watch(world.ledger, world.clock)
    body = watch.now().body
    assert body["waiting"] is True
    assert body["troubles"] == []
    world.clock.at += 130
    world.state()
    late = watch.now()
    assert late.body["waiting"] is True
    assert keys(late) == ["no-readings"]
    world.carry_on(64)
    world.clock.at = START + 130
    assert watch.now().body["waiting"] is False
    world.ledger.end_cook(1)
    assert watch.snapshot_of(1).body["waiting"] is False
    assert watch.now().body["waiting"] is False
    world.ledger.close()


def test_a_cook_whose_frames_have_no_time_yet_does_not_wait_for_frames(tmp_path):
    world = make_world(tmp_path, hours=0)
    world.carry_on(600, anchor=False)
    world.state()
    snapshot = Watch(world.ledger, world.clock).now()
    assert snapshot.body["waiting"] is False
    assert "unplaced" in keys(snapshot)
    world.ledger.close()


def test_a_place_that_cannot_be_read_is_named_beside_coldest_and_spread(world):
    body = Watch(world.ledger, world.clock).now().body
    for answer in (body["coldest"], body["spread"]):
        assert (answer["of"], answer["total"], answer["unread"]) == (4, 4, [])
    assert body["spread"]["alike"] is False
    world.faults = {"second flat": OPEN_BIT}
    world.carry_on(180)
    world.state()
    body = Watch(world.ledger, world.clock).now().body
    for answer in (body["coldest"], body["spread"]):
        assert (answer["of"], answer["total"], answer["unread"]) == (3, 4, ["second flat"])
    assert {"what": "present temperature of second flat", "about": "second flat"}.items() <= next(
        c for c in body["cannot_say"] if c["about"] == "second flat"
    ).items()
    world.ledger.end_placement(next(p.id for p in world.ledger.placements(1) if p.place == "second flat"))
    body = Watch(world.ledger, world.clock).now().body
    assert (body["coldest"]["of"], body["coldest"]["total"], body["coldest"]["unread"]) == (3, 3, [])


def test_a_place_that_died_hours_before_the_end_of_a_past_cook_is_not_shown_as_if_it_were_there(tmp_path):
    world = make_world(tmp_path, hours=4, apart=("grate", "second flat"))
    world.away = {0x00C0FFEF}
    world.carry_on(2 * 3600)
    world.ledger.end_cook(1)
    body = Watch(world.ledger, world.clock).snapshot_of(1).body
    place = {p["place"]: p for p in body["places"]}
    assert (place["grate"]["quality"], place["grate"]["fresh"]) == ("old", False)
    assert body["pit"]["place"] == "firebox end"
    assert body["pit"]["places"][0] == {"place": "grate", "celsius": place["grate"]["celsius"], "fresh": False}
    assert body["coldest"]["place"] == "flat"
    assert body["coldest"]["unread"] == ["second flat"]
    world.ledger.close()
