"""The watch: what it says of a cook that goes on, of one that is over, and when something is broken."""

import json
import threading
from pathlib import Path

import pytest
from page_world import LOGGER, OPEN_BIT, SECOND, START, keys, make_world

from pitscribe.cook.analysis import flag_words
from pitscribe.errors import NotFoundError
from pitscribe.intake.gate import Arrived, sift
from pitscribe.metrology.flags import Flag
from pitscribe.watch.live import Watch
from pitscribe.watch.words import ASIDES, REMEDIES


def by_place(snapshot):
    return {p["place"]: p for p in snapshot.body["places"]}


def test_a_snapshot_says_what_the_ledger_holds(world):
    snapshot = Watch(world.ledger, world.clock).now()
    body = snapshot.body
    assert body["cook"]["name"] == "Two briskets"
    meat = [p for p in body["places"] if p["kind"] == "meat"]
    coldest = min(meat, key=lambda p: p["celsius"])
    assert body["coldest"]["place"] == coldest["place"] == "second flat"
    # Six hours in, the drawn curve of the second flat stands between 65.5 and 67 degC.
    assert 65.0 < body["coldest"]["celsius"] < 67.5
    assert body["coldest"]["fresh"]
    assert body["pit"]["place"] == "grate"
    assert body["spread"]["leads"] == "tip"
    assert body["spread"]["lags"] == "second flat"
    assert keys(snapshot) == []


def test_a_snapshot_is_json_without_nan(world):
    snapshot = Watch(world.ledger, world.clock).now()
    assert "NaN" not in snapshot.text
    assert json.loads(snapshot.text) == {"v": 1, "number": snapshot.number, "now": snapshot.now, **snapshot.body}


def test_no_news_makes_no_snapshot_however_the_clock_goes(world):
    watch = Watch(world.ledger, world.clock)
    assert watch.step() is not None
    for _ in range(5):
        world.clock.at += 10  # still fresh
        assert watch.step() is None


def test_a_note_is_news(world):
    watch = Watch(world.ledger, world.clock)
    first = watch.step()
    world.ledger.add_note(world.cook.id, None, "wrap", "paper")
    second = watch.step()
    assert second.number > first.number
    assert second.body["notes"][0]["text"] == "paper"


def test_data_that_stop_are_said_to_be_old_and_nothing_stays_fresh(world):
    watch = Watch(world.ledger, world.clock, stale_after_s=120)
    watch.step()
    world.clock.at += 641  # twice the 32 ticks of a frame, at 10 s a tick
    world.state()  # the logger speaks, but its readings do not come
    snapshot = watch.step()
    assert keys(snapshot) == ["old"]
    assert not snapshot.body["coldest"]["fresh"]
    assert not snapshot.body["pit"]["fresh"]
    assert not snapshot.body["spread"]["fresh"]
    assert all(p["quality"] == "old" and not p["fresh"] for p in snapshot.body["places"])
    assert by_place(snapshot)["flat"]["celsius"] is not None  # what it was is still told, as such
    world.clock.at += 3600
    world.state()
    still = watch.step()
    assert still is None or keys(still) == ["old"]
    world.done_s += 4241
    world.carry_on(60)
    world.state()
    assert keys(watch.step()) == []


def test_a_logger_that_took_leave_is_said_to_be_away(world):
    watch = Watch(world.ledger, world.clock)
    world.state(online=False)
    assert keys(watch.now()) == ["logger-00c0ffee-away"]


def test_a_logger_that_is_silent_is_said_to_be_so(world):
    watch = Watch(world.ledger, world.clock)
    world.carry_on(600)  # frames come from somewhere, but the logger itself was not heard for ten minutes
    assert keys(watch.now()) == ["logger-00c0ffee-silent"]


def test_a_journal_in_distress_is_told(world):
    world.state(journal={"first": 0, "next": 90, "cursor": 60, "lost": 4, "ok": False})
    snapshot = Watch(world.ledger, world.clock).now()
    assert keys(snapshot) == ["logger-00c0ffee-flash", "logger-00c0ffee-lost"]
    assert snapshot.body["loggers"][0]["waiting"] == 30


@pytest.mark.parametrize("period_s", [0.25, 1.0, 5.0, 60.0])
def test_readings_are_fresh_all_the_time_at_any_legal_period(tmp_path, period_s):
    """A frame of 32 ticks is sent when it is full: until then its logger's newest reading grows old."""
    world = make_world(tmp_path, hours=0, period_s=period_s)
    world.carry_on(period_s * 32 * 3)
    watch = Watch(world.ledger, world.clock)
    for _ in range(2):
        for _ in range(32):
            world.clock.at += period_s
            world.state()
            snapshot = watch.now()
            assert keys(snapshot) == []
            assert all(p["fresh"] for p in snapshot.body["places"])
        world.carry_on(period_s * 32)  # the frame comes only now, a tick after it is full
    limit = max(120.0, 2 * 32 * period_s)
    assert {p["stale_after_s"] for p in snapshot.body["places"]} == {limit}
    world.clock.at += limit
    world.state()
    assert not any(p["fresh"] for p in watch.now().body["places"])
    assert keys(watch.now()) == ["old"]
    world.ledger.close()


def test_a_logger_that_took_leave_keeps_the_limit_that_it_had(tmp_path):
    world = make_world(tmp_path, hours=1, period_s=60.0)
    watch = Watch(world.ledger, world.clock)
    assert watch.now().body["coldest"]["stale_after_s"] == 3840
    world.ledger.saw_state(LOGGER, {"v": 1, "online": False, "boot": 1})  # what a last will says
    assert watch.now().body["coldest"]["stale_after_s"] == 3840
    world.ledger.close()


def test_a_backlog_and_a_time_that_comes_late_are_news_though_the_newest_reading_is_the_same(tmp_path):
    world = make_world(tmp_path, hours=1, apart=("point",))
    watch = Watch(world.ledger, world.clock)
    world.away = {SECOND}
    world.carry_on(1800)
    before = watch.now().body
    world.bring_back(SECOND)
    after = watch.now().body
    assert after["newest"] == before["newest"]
    assert after["readings"] != before["readings"]
    world.send(world.anchor(LOGGER, 1_000_000, START + 990.03))  # the same time, better known
    assert watch.now().body["readings"] != after["readings"]
    assert watch.now().body["readings"] == watch.now().body["readings"]
    world.ledger.close()


def test_the_page_shows_the_pit_that_the_analysis_takes(world):
    watch = Watch(world.ledger, world.clock)
    assert watch.now().body["pit"]["why_this"] is None
    world.faults = {"grate": OPEN_BIT}
    world.carry_on(120)
    world.state()
    pit = watch.now().body["pit"]
    assert (pit["place"], pit["fresh"]) == ("firebox end", True)
    assert pit["why_this"] == "grate has no value: firebox end is shown"
    assert pit["level_c"] is not None
    world.faults = {"grate": OPEN_BIT, "firebox end": OPEN_BIT}
    world.carry_on(120)
    world.state()
    pit = watch.now().body["pit"]
    assert (pit["place"], pit["fresh"]) == ("grate", False)  # what it was, as such


def test_anchors_that_contradict_each_other_are_told(world):
    watch = Watch(world.ledger, world.clock)
    world.send(world.anchor(LOGGER, 3_610_000, START + 3600))
    assert keys(watch.now()) == []
    world.send(world.anchor(LOGGER, 7_210_000, START + 7200 - 3600))  # an hour wrong
    snapshot = watch.now()
    assert keys(snapshot) == ["contradictions"]
    assert "1 of the times that its loggers were told contradicts" in snapshot.body["troubles"][0]["words"]


def test_what_was_kept_aside_is_counted_by_reason_in_plain_words(world):
    watch = Watch(world.ledger, world.clock)
    assert watch.now().body["asides"] == []
    world.ledger.set_aside([(b"a", "x", "crc", ""), (b"b", "x", "crc", ""), (b"c", "x", "topic", "")])
    assert [(a["reason"], a["count"]) for a in watch.now().body["asides"]] == [("crc", 2), ("topic", 1)]
    assert watch.now().body["asides"][0]["words"] == "frames damaged on the way (check sum)"


def test_every_reason_of_the_gate_has_words():
    broken = json.loads((Path(__file__).parents[2] / "firmware_mpy/vectors/broken.json").read_text())
    frames = [bytes.fromhex(case["hex"]) for case in broken]
    sifted = sift([Arrived(frame, "test", None) for frame in frames])
    reasons = {aside.reason for aside in [*sifted.held, *sifted.refused]}
    assert len(reasons) >= 4
    assert reasons <= ASIDES.keys()


def test_every_flag_that_takes_a_value_away_has_words_for_what_to_do():
    assert set(flag_words(int(Flag.BAD))) <= REMEDIES.keys()


def test_an_open_probe_is_named_and_is_no_answer(world):
    world.faults = {"second flat": OPEN_BIT}
    world.carry_on(120)
    world.state()
    snapshot = Watch(world.ledger, world.clock).now()
    assert keys(snapshot) == ["place-second flat"]
    assert "open" in snapshot.body["troubles"][0]["words"]
    place = by_place(snapshot)["second flat"]
    assert place["quality"] == "fault"
    assert not place["fresh"]
    assert place["t"] == pytest.approx(START + 6 * 3600, abs=20)  # the last good reading, before the plug came out
    assert snapshot.body["coldest"]["place"] == "flat"


def test_a_place_long_open_still_shows_what_it_was(world):
    world.faults = {"second flat": OPEN_BIT}
    world.carry_on(3600)
    world.state()
    place = by_place(Watch(world.ledger, world.clock).now())["second flat"]
    assert 65.0 < place["celsius"] < 67.5
    assert not place["fresh"]


def test_a_probe_that_was_taken_out_is_neither_answer_nor_trouble(world):
    placement = next(p for p in world.ledger.placements(world.cook.id) if p.place == "second flat")
    world.ledger.end_placement(placement.id)
    world.carry_on(600)
    world.state()
    snapshot = Watch(world.ledger, world.clock).now()
    assert keys(snapshot) == []
    assert by_place(snapshot)["second flat"]["quality"] == "over"
    assert snapshot.body["coldest"]["place"] == "flat"


def test_frames_without_a_time_are_told(tmp_path):
    world = make_world(tmp_path, hours=0)
    world.carry_on(3600, anchor=False)
    world.state()
    snapshot = Watch(world.ledger, world.clock).now()
    assert "unplaced" in keys(snapshot)
    assert snapshot.body["unplaced"] > 0
    world.ledger.close()


@pytest.mark.parametrize(
    ("status", "key"),
    [
        ({"connected": False, "last_error": "connection refused", "last_error_at": START}, "intake-away"),
        ({"connected": True, "store_ok": False, "last_error": "the disk is full"}, "store"),
        ({"connected": True, "store_ok": True, "clashes": 2}, "clash"),
    ],
)
def test_trouble_of_the_intake_is_told(world, status, key):
    assert keys(Watch(world.ledger, world.clock, intake_status=lambda: status).now()) == [key]


def test_a_fault_is_told_in_the_snapshot_and_the_watch_goes_on(world):
    broken = True

    def status():
        if broken:
            raise RuntimeError("no such thing")
        return {"connected": True}

    watch = Watch(world.ledger, world.clock, intake_status=status)
    snapshot = watch.step()
    assert keys(snapshot) == ["watch"]
    assert "RuntimeError" in snapshot.body["troubles"][0]["words"]
    assert watch.step() is None
    broken = False
    assert keys(watch.step()) == []
    broken = True
    lame = watch.step()
    assert keys(lame) == ["watch"]
    assert lame.body["coldest"]["place"] == "second flat"
    assert not lame.body["coldest"]["fresh"]


def test_a_ledger_that_cannot_be_read_is_told_in_plain_words(world):
    watch = Watch(world.ledger, world.clock)
    watch.step()
    world.ledger.close()
    snapshot = watch.step()
    assert keys(snapshot) == ["watch"]
    assert "closed" in snapshot.body["troubles"][0]["words"]
    assert not any(p["fresh"] for p in snapshot.body["places"])


def test_an_old_cook_is_whole_and_without_troubles_of_the_present(world):
    world.ledger.end_cook(world.cook.id)
    world.clock.at += 86400 * 200
    watch = Watch(world.ledger, world.clock)
    assert watch.now().body["cook"] is None
    body = watch.snapshot_of(world.cook.id).body
    assert body["troubles"] == []
    assert body["coldest"]["fresh"]
    assert body["cook"]["ended"] is not None
    assert watch.record_of(world.cook.id).places[0].t.size > 2000


def test_a_cook_that_the_ledger_does_not_have_is_refused(world):
    watch = Watch(world.ledger, world.clock)
    with pytest.raises(NotFoundError):
        watch.snapshot_of(99)
    with pytest.raises(NotFoundError):
        watch.record_of(99)


def test_the_cook_that_began_last_is_the_running_one(world):
    world.clock.at += 60
    world.ledger.start_cook("Ribs")
    body = Watch(world.ledger, world.clock).now().body
    assert body["cook"]["name"] == "Ribs"
    assert [t["key"] for t in body["troubles"]] == ["no-places"]


def test_the_thread_hands_news_to_every_listener_even_beside_a_broken_one(world):
    watch = Watch(world.ledger, world.clock, every_s=0.02)
    got, seen = threading.Event(), []

    def broken(_snapshot):
        raise ValueError("a listener's own fault")

    def listener(snapshot):
        seen.append(snapshot)
        if snapshot.body["notes"]:
            got.set()

    watch.listen(broken)
    end = watch.listen(listener)
    watch.start()
    try:
        world.ledger.add_note(world.cook.id, None, "spritz")
        watch.poke()
        assert got.wait(10)
    finally:
        watch.stop()
    assert [s.number for s in seen] == sorted({s.number for s in seen})
    end()
    count = len(seen)
    world.ledger.add_note(world.cook.id, None, "lid")
    watch.step()
    assert len(seen) == count


def test_an_older_cook_that_nobody_ended_is_read_afresh_beside_the_running_one(world):
    watch = Watch(world.ledger, world.clock, every_s=0.02)
    watch.start()
    try:
        before = watch.record_of(1).places[0].t.size
        world.clock.at += 1
        world.ledger.start_cook("Ribs")
        assert watch.now().body["cook"]["name"] == "Ribs"
        world.carry_on(320)
        assert watch.record_of(1).places[0].t.size == before + 32
        assert len(watch.snapshot_of(1).body["places"]) == 6
    finally:
        watch.stop()


def test_only_a_few_cooks_stay_in_memory(world):
    watch = Watch(world.ledger, world.clock)
    for n in range(6):
        world.clock.at += 60
        watch.snapshot_of(world.ledger.start_cook(f"Cook {n}").id)
    assert len(watch._desks) <= 3
