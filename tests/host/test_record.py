"""The list of past cooks: found, paged, told at a glance, and one that was a mistake taken away."""

import tempfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from page_world import LOGGER, UP_MS, make_world

from pitscribe.clock import SetClock
from pitscribe.cook.analysis import analyse
from pitscribe.ledger.ledger import Ledger
from pitscribe.page.finding import A_PAGE, cut_of
from pitscribe.page.glance import TRUSTED_S, Glances, picture_of
from pitscribe.page.record import _meaning
from pitscribe.series import load
from pitscribe.series.notes import Heard
from pitscribe.wire.frames import FrameKey, encode_event

DAY_MS = 86_400_000


def names(client, **asked):
    answer = client.get("/api/cooks", params=asked)
    assert answer.status_code == 200, answer.text
    return [cook["name"] for cook in answer.json()["cooks"]]


@pytest.fixture
def some(world, client):
    """Cooks of three years beside the one that goes on: with cuts, notes, scores, a trial and a second logger."""
    ledger = world.ledger
    began = round(datetime(2024, 5, 4, 12, tzinfo=UTC).timestamp() * 1000)
    for n, (name, meats) in enumerate([
        ("Ribs for Ana", ["rack of ribs, 1.5 kg", "rack of ribs, 1.4 kg"]), ("Big one", ["Packer 14 lb"]),
        ("Small one", ["packer, 6.4 kg", "chicken"]),
    ]):
        cook = ledger.start_cook(name, at=began + 400 * n * DAY_MS, meats=meats)
        ledger.end_cook(cook.id, began + 400 * n * DAY_MS + 36_000_000)
    ribs, big, small = (ledger.cook(name) for name in ("Ribs for Ana", "Big one", "Small one"))
    ledger.add_note(ribs.id, ribs.started_ms, "text", "Hickory in the firebox")
    ledger.score(big.id, "overall", 7.0, remark="Crumbled a little")
    ledger.score(big.id, "bark", 9.0, taster="Iris")
    probe = ledger.add_probe("K one", "K")
    ledger.place(big.id, probe, 0x00ABCDEF, 0, "flat", "meat")
    trial = ledger.new_trial(
        "Wrap", question="Is it juicier?", factor="wrap", levels=["no", "yes"], main="moisture", matters=1.0,
        planned=4, block=2, seed="oak",
    )
    ledger.enter(trial.id, small.id, "", "no", None)
    return client


def test_without_a_question_all_cooks_are_told_the_latest_first(some):
    told = some.get("/api/cooks").json()
    began = [cook["started"] for cook in told["cooks"]]
    assert began == sorted(began, reverse=True)
    assert {cook["name"] for cook in told["cooks"]} == {"Small one", "Two briskets", "Big one", "Ribs for Ana"}
    assert (told["all"], told["found"], told["page"], told["pages"]) == (4, 4, None, 1)


@pytest.mark.parametrize(("asked", "found"), [
    ({"words": "ribs"}, ["Ribs for Ana"]),
    ({"words": "ONE packer"}, ["Small one", "Big one"]),
    ({"words": "hickory"}, ["Ribs for Ana"]),
    ({"words": "crumbled"}, ["Big one"]),
    ({"words": "iris one"}, ["Big one"]),
    ({"words": "may 2024"}, ["Ribs for Ana"]),
    ({"words": "ribs, May"}, ["Ribs for Ana"]),
    ({"words": ", "}, ["Two briskets", "Small one", "Big one", "Ribs for Ana"]),
    ({"words": "2024-05-04"}, ["Ribs for Ana"]),
    ({"words": "   "}, ["Two briskets", "Small one", "Big one", "Ribs for Ana"]),
    ({"words": "walrus"}, []),
    ({"year": "2024"}, ["Ribs for Ana"]),
    ({"year": "1999"}, []),
    ({"scored": "yes"}, ["Big one"]),
    ({"scored": "no"}, ["Two briskets", "Small one", "Ribs for Ana"]),
    ({"state": "on"}, ["Two briskets"]),
    ({"state": "over", "scored": "no"}, ["Small one", "Ribs for Ana"]),
    ({"cut": "packer"}, ["Small one", "Big one"]),
    ({"cut": "Chicken"}, ["Small one"]),
    ({"logger": "00abcdef"}, ["Big one"]),
    ({"trial": "1"}, ["Small one"]),
    ({"trial": "7"}, []),
    ({"cut": "packer", "scored": "yes", "words": "big", "page": "1"}, ["Big one"]),
])
def test_a_cook_is_found_by_all_that_is_asked_together(some, asked, found):
    assert sorted(names(some, **asked)) == sorted(found)


@pytest.mark.parametrize(("asked", "named"), [
    ({"year": "last"}, "year must be a number"), ({"page": "0"}, "the first page is page 1"),
    ({"page": "-1"}, "page must be a number"), ({"scored": "maybe"}, "scored must be one of yes, no"),
    ({"state": "x"}, "state must be one of on, over"), ({"words": "x" * 201}, "201 characters are too many"),
    ({"trial": "Wrap"}, "trial must be a number"),
])
def test_a_question_that_makes_no_sense_is_refused_in_words(some, asked, named):
    answer = some.get("/api/cooks", params=asked)
    assert answer.status_code == 400
    assert named in answer.json()["error"]


def test_what_there_is_to_choose_from_is_what_there_is(some):
    told = some.get("/api/cooks?words=walrus").json()
    assert told["choices"] == {
        "years": [2026, 2025, 2024], "cuts": ["chicken", "packer", "rack of ribs"],
        "trials": [{"id": 1, "name": "Wrap"}],
        "loggers": [{"id": "00abcdef", "name": "00abcdef"}, {"id": "00c0ffee", "name": "smoker"}],
    }


def test_the_overall_score_is_told_with_its_words(some):
    overall = {cook["name"]: cook["overall"] for cook in some.get("/api/cooks").json()["cooks"]}
    assert overall["Ribs for Ana"] is None
    assert overall["Big one"] == {
        "points": 7.0, "most": 10.0, "remark": "Crumbled a little",
        "words": 'between “would eat it again” and “would go a long way for it”',
    }
    assert [_meaning(points) for points in (0.0, 5.0, 10.0)] == [
        "left on the plate", "would eat it again", "would go a long way for it"]


def test_pages_are_each_cook_once_in_the_same_order_and_a_page_too_far_is_the_last(tmp_path, client, world):
    began = world.cook.started_ms
    for n in range(2 * A_PAGE):
        cook = world.ledger.start_cook(f"Cook {n}", at=began - (n + 1) * DAY_MS)
        world.ledger.end_cook(cook.id, began - n * DAY_MS)
    pages = [client.get("/api/cooks", params={"page": n}).json() for n in (1, 2, 3)]
    assert [len(p["cooks"]) for p in pages] == [A_PAGE, A_PAGE, 1]
    assert all((p["pages"], p["all"]) == (3, 2 * A_PAGE + 1) for p in pages)
    assert [c["name"] for p in pages for c in p["cooks"]] == names(client)
    assert client.get("/api/cooks?page=99").json() == pages[2]


@given(cut=st.sampled_from(["packer", "pork shoulder", "rack of ribs", "égal"]), kg=st.floats(0.1, 99),
       how=st.sampled_from(["{}, {:.1f} kg", "{} {:.0f} lb", "{} ({:.2f} kg)", "{:.0f}lbs {}", "{}; {:.0f} oz"]))
def test_a_cut_is_the_same_whatever_it_weighed(cut, kg, how):
    text = how.format(kg, cut) if how.startswith("{:") else how.format(cut.title(), kg)
    assert cut_of(text) == cut


# at a glance

def test_the_spread_at_a_glance_is_that_of_the_analysis(world, client):
    even = analyse(load(world.ledger, 1)).evenness
    assert client.get("/api/cooks/1/glance").json() == {"spread": {
        "greatest_k": even.greatest.spread_k, "degree_hours": even.degree_hours_above, "limit_k": even.limit_k}}
    empty = world.ledger.start_cook("Nothing read", at=world.cook.started_ms - DAY_MS)
    assert client.get(f"/api/cooks/{empty.id}/glance").json() == {"spread": None}
    assert client.get(f"/api/cooks/{empty.id}/picture.svg").status_code == 200
    assert client.get("/api/cooks/99/glance").status_code == 404


def test_a_glance_is_kept_and_is_never_that_of_another_state_of_the_cook(tmp_path, monkeypatch):
    world, real, made = make_world(tmp_path, hours=2, period_s=30), [0.0], []
    monkeypatch.setattr("pitscribe.page.glance.load", lambda *a: made.append(a) or load(*a))
    glances = Glances(world.ledger, lambda: real[0])
    ledger = world.ledger

    def looked(cook):
        before = len(made)
        assert np.isfinite(glances.of(cook).spread["greatest_k"])
        return len(made) - before

    cook = ledger.cook(1)
    assert (looked(cook), looked(cook)) == (1, 0)
    world.carry_on(600)
    assert looked(cook) == 1, "a cook that goes on has new frames"
    cook = ledger.end_cook(1)
    assert looked(cook) == 1, "its end is another"
    world.carry_on(600)
    assert looked(cook) == 0, "frames of later are hardly its own"
    real[0] += TRUSTED_S
    assert (looked(cook), looked(cook)) == (1, 0), "but they might be: it was away"
    ledger.end_placement(ledger.placements(1)[2].id, cook.ended_ms - 1_800_000)
    assert looked(cook) == 1
    real[0] += 10 * TRUSTED_S
    assert looked(cook) == 0, "nothing at all has come"
    ledger.close()


def test_what_is_kept_of_a_cooks_glance_is_the_picture_itself_in_a_third_of_its_size(tmp_path):
    """By a month of cooks (tests/chaos/month.py) they were what made memory grow."""
    world = make_world(tmp_path, hours=12, period_s=10)
    glances = Glances(world.ledger)
    drawn = picture_of(load(world.ledger, 1))
    assert glances.of(world.ledger.cook(1)).svg == drawn
    (held,) = glances._held.values()
    assert len(held.packed_svg) < len(drawn) / 3 < 9000
    world.ledger.close()


# taking away

def test_a_cook_is_taken_away_over_the_page_once_and_what_may_not_go_says_why(some, world):
    ribs, small = (world.ledger.cook(name) for name in ("Ribs for Ana", "Small one"))
    assert some.get(f"/api/cooks/{ribs.id}/leaving").json() == {"words": "1 note"}
    gone = some.delete(f"/api/cooks/{ribs.id}")
    assert gone.json() == {"dropped": ribs.id, "name": "Ribs for Ana", "words": "1 note"}
    assert "Ribs for Ana" not in names(some)
    assert some.delete(f"/api/cooks/{ribs.id}").status_code == 404
    assert some.get(f"/cook/{ribs.id}").status_code == 404
    for cook, why in ((small.id, "is in trial 'Wrap'"), (1, "is going on; end it first")):
        for answer in (some.get(f"/api/cooks/{cook}/leaving"), some.delete(f"/api/cooks/{cook}")):
            assert answer.status_code == 400
            assert why in answer.json()["error"]
    assert len(names(some)) == 3


def test_the_live_page_goes_on_after_the_cook_it_showed_was_taken_away(world, client):
    client.post("/api/cooks/1/end", json={})
    assert client.get("/api/snapshot?cook=1").status_code == 200
    assert client.get("/api/chart?cook=1").status_code == 200
    assert client.delete("/api/cooks/1").status_code == 200
    for path in ("/api/snapshot?cook=1", "/api/chart?cook=1", "/api/cooks/1/notes", "/api/cooks/1/picture.svg"):
        assert client.get(path).status_code == 404, path
    assert client.get("/api/snapshot").json()["cook"] is None
    assert client.get("/api/cooks").json()["cooks"] == []


def test_a_note_of_a_logger_is_in_the_text_that_is_looked_through(world, client):
    key = FrameKey(0x00C0FFEE, 1, world.sequences[0x00C0FFEE])
    world.send(encode_event(key, 3_600_000, "note", {"kind": "text", "text": "Split of apple wood"}))
    assert names(client, words="apple wood") == ["Two briskets"]
    assert client.get("/api/cooks").json()["cooks"][0]["notes"] == 1


def test_the_loggers_of_all_cooks_are_those_of_each(tmp_path):
    ledger = Ledger(tmp_path / "ledger.sqlite", SetClock(1_780_000_000.0))
    one, two, three = (ledger.start_cook(f"Cook {n}", at=1_779_000_000_000 + n) for n in range(3))
    probe = ledger.add_probe("K one", "K")
    for cook, logger, channel in ((one, 7, 0), (one, 5, 0), (one, 7, 1), (two, 5, 2)):
        ledger.place(cook.id, probe, logger, channel, f"place {channel} {logger}", "air")
    assert ledger.cook_loggers() == {one.id: (5, 7), two.id: (5,)}
    assert three.id not in ledger.cook_loggers()
    ledger.close()


@settings(max_examples=12, deadline=None)
@example(["boot", "note", "frames", "boot", "frames", "anchor", "late", "frames"])
@given(st.lists(st.sampled_from(["frames", "note", "person", "boot", "anchor", "late"]), min_size=3, max_size=8))
def test_what_loggers_journalled_is_never_that_of_an_earlier_state_of_the_ledger(steps):
    """A boot without an anchor is placed by its neighbours, and its notes move as those grow."""
    with tempfile.TemporaryDirectory() as folder:
        world, boot = make_world(Path(folder), hours=0.2, period_s=30), 1
        heard = Heard(world.ledger)

        def key(logger):
            world.sequences[logger] += 1
            return FrameKey(logger, boot, world.sequences[logger] - 1)

        world._key = key
        for n, step in enumerate(steps):
            up_ms = UP_MS + round(1000 * world.done_s)
            if step == "frames":
                world.carry_on(960, anchor=False)
            elif step == "note":
                world.send(encode_event(key(LOGGER), up_ms, "note", {"kind": "lid", "text": f"note {n}"}))
            elif step == "person":
                world.ledger.tell_anchor(LOGGER, boot, up_ms, round(1000 * world.clock.at), 500, "person")
            elif step == "anchor":
                world.send(world.anchor(LOGGER, up_ms, world.clock.at))
            elif step == "late":  # from the journal of the boot before
                boot = max(1, boot - 1)
                world.carry_on(960, anchor=False)
                boot += 1
            else:
                boot += 1
            assert heard.of_logger(LOGGER) == Heard(world.ledger).of_logger(LOGGER), steps[: n + 1]
        world.ledger.close()
