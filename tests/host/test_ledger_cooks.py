"""What people write in the ledger: cooks, placements, notes, anchors, sheets."""

import numpy as np
import pytest
from intake_rig import LOGGER
from page_world import make_world

from pitscribe.clock import SetClock
from pitscribe.cook.analysis import check_target
from pitscribe.errors import ConfigError, NotFoundError, ReadingError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.probebook import MEASURED_TC, TC_LETTERS
from pitscribe.ledger.values import NOTE_KINDS, TARGET_C, Cook
from pitscribe.metrology import its90
from pitscribe.series import Reader

NOW = 1_780_000_000
START = 1_779_000_000_000


@pytest.fixture
def ledger(tmp_path):
    made = Ledger(tmp_path / "ledger.sqlite", SetClock(float(NOW)))
    yield made
    made.close()


def test_a_cook_begins_ends_and_is_reopened(ledger):
    cook = ledger.start_cook("Saturday brisket", target_c=95.0, meats=["packer, 6.4 kg"])
    assert cook == Cook(cook.id, "Saturday brisket", NOW * 1000, None, 95.0, ("packer, 6.4 kg",))
    assert ledger.end_cook(cook.id, NOW * 1000 + 5).ended_ms == NOW * 1000 + 5
    assert ledger.reopen_cook(cook.id) == cook
    assert ledger.cooks() == [cook]


def test_a_cook_that_nobody_ends_is_whole(ledger):
    cook = ledger.start_cook("x")
    ledger.place(cook.id, "K", LOGGER, 0, "flat", "meat")
    note = ledger.add_note(cook.id, None, "wrap")
    again = Ledger(ledger.path, SetClock(NOW + 1e6))
    assert again.cook(cook.id).ended_ms is None
    assert again.notes(cook.id) == [note]
    assert len(again.placements(cook.id)) == 1
    again.close()


def test_ending_a_cook_early_leaves_its_notes_and_placements(ledger):
    cook = ledger.start_cook("x", at=START)
    ledger.place(cook.id, "K", LOGGER, 0, "flat", "meat")
    late = ledger.add_note(cook.id, START + 9_000_000, "pull")
    ledger.end_cook(cook.id, START + 1000)
    assert ledger.notes(cook.id) == [late]
    assert len(ledger.placements(cook.id)) == 1


def test_a_cook_is_found_by_number_or_by_the_latest_of_its_name(ledger):
    old = ledger.start_cook("ribs", at=START)
    new = ledger.start_cook("ribs", at=START + 1000)
    assert ledger.cook("ribs") == new
    assert ledger.cook(old.id) == old
    assert ledger.cook(str(old.id)) == old
    with pytest.raises(NotFoundError, match="'brisket'"):
        ledger.cook("brisket")


@pytest.mark.parametrize("name", ["", "   ", "x" * 201, "a\nb", "\ud800"])
def test_a_name_that_cannot_be_is_refused(ledger, name):
    with pytest.raises(ConfigError, match="the cook's name must have 1 to 200"):
        ledger.start_cook(name)


def test_a_cook_cannot_end_before_it_began(ledger):
    cook = ledger.start_cook("x", at=START)
    with pytest.raises(ConfigError, match="before it began"):
        ledger.end_cook(cook.id, START - 1)


@pytest.mark.parametrize("target", [303.0, 203.0, 100.1, 29.9, -40.0, float("nan")])
def test_a_target_that_the_analysis_would_refuse_is_refused_at_once(ledger, target):
    with pytest.raises(ReadingError, match="give 30 to 100 degC"):
        check_target(target)
    with pytest.raises(ConfigError, match="give 30 to 100 degC"):
        ledger.start_cook("x", target_c=target)
    assert ledger.cooks() == []
    assert [ledger.start_cook("x", target_c=t).target_c for t in TARGET_C] == list(TARGET_C)


def test_a_cook_that_has_ended_is_not_ended_again_by_mistake(ledger):
    cook = ledger.start_cook("x", at=START)
    ledger.end_cook(cook.id, START + 5000)
    with pytest.raises(ConfigError, match=r"'x' has ended already, at 2026-05-17 06:40:05\+00:00"):
        ledger.end_cook(cook.id)
    assert ledger.cook(cook.id).ended_ms == START + 5000
    assert ledger.end_cook(cook.id, START + 9000).ended_ms == START + 9000
    ledger.reopen_cook(cook.id)
    assert ledger.end_cook(cook.id).ended_ms == NOW * 1000


@pytest.mark.parametrize(
    ("at", "named"),
    [(START // 1000, "1970-01-21 14:10"), (5_000_000_000_000, "2128-06-11"), (-1, "1969-12-31"), (10**30, "100000")],
)
def test_a_time_that_cannot_be_is_refused_by_name(ledger, at, named):
    """Seconds in place of milliseconds, a clock that was never set, a typing error."""
    cook = ledger.start_cook("x")
    placed = ledger.place(cook.id, "K", LOGGER, 0, "flat", "meat")
    note = ledger.add_note(cook.id, None, "wrap")
    for attempt in (
        lambda: ledger.start_cook("y", at=at),
        lambda: ledger.end_cook(cook.id, at),
        lambda: ledger.add_note(cook.id, at, "lid"),
        lambda: ledger.change_note(note.id, at=at),
        lambda: ledger.place(cook.id, "K", LOGGER, 1, "point", "meat", since=at),
        lambda: ledger.place(cook.id, "K", LOGGER, 1, "point", "meat", until=at),
        lambda: ledger.end_placement(placed.id, at),
    ):
        with pytest.raises(ConfigError, match=rf"{named}.* is not between the years 2000 and 2100"):
            attempt()
    assert ledger.cooks() == [cook]
    assert ledger.notes(cook.id) == [note]
    assert ledger.placements(cook.id) == [placed]


def test_a_type_without_a_reference_function_is_refused_by_its_letter(ledger):
    assert set(MEASURED_TC) == set(its90.KINDS) < set(TC_LETTERS)
    cook = ledger.start_cook("x")
    for tc in set(TC_LETTERS) - set(MEASURED_TC):
        with pytest.raises(ConfigError, match=f"cannot turn type {tc} into degC yet, only E, J, K, N, R, S, T"):
            ledger.place(cook.id, tc, LOGGER, 0, "flat", "meat")
    assert ledger.probes() == []


def test_two_probes_cannot_be_on_one_channel_at_one_time(ledger):
    cook = ledger.start_cook("x")
    first = ledger.place(cook.id, "K", LOGGER, 2, "flat", "meat", until=START + 5000)
    with pytest.raises(ConfigError, match="channel 2 of aabb0001 is at 'flat'"):
        ledger.place(cook.id, "K", LOGGER, 2, "point", "meat", since=START + 4000)
    second = ledger.place(cook.id, "K", LOGGER, 2, "point", "meat", since=START + 5000)
    other_box = ledger.place(cook.id, "K", LOGGER + 1, 2, "tip", "meat")
    assert ledger.placements(cook.id) == [first, second, other_box]
    assert first.probe == second.probe  # a channel's nameless probe is written down once


def test_a_placement_ends_when_the_probe_is_moved(ledger):
    cook = ledger.start_cook("x")
    probe = ledger.add_probe("green", "T", "iec-1")
    placed = ledger.place(cook.id, probe, LOGGER, 1, "grate", "air")
    assert ledger.end_placement(placed.id).until_ms == NOW * 1000
    assert ledger.place(cook.id, probe, LOGGER, 1, "dome", "air", since=NOW * 1000).probe == probe
    assert ledger.probes() == [probe]
    with pytest.raises(ConfigError, match="'green' already"):
        ledger.add_probe("green", "K")


@pytest.mark.parametrize(
    ("tc", "channel", "kind", "word"),
    [("X", 0, "meat", "type"), ("K", 8, "meat", "channel 8"), ("K", 0, "fish", "kind")],
)
def test_a_placement_that_cannot_be_is_refused_and_leaves_nothing(ledger, tc, channel, kind, word):
    cook = ledger.start_cook("x")
    with pytest.raises(ConfigError, match=word):
        ledger.place(cook.id, tc, LOGGER, channel, "flat", kind)
    assert ledger.placements(cook.id) == []
    assert ledger.probes() == []


def test_every_kind_of_note_is_kept_in_order_of_time(ledger):
    cook = ledger.start_cook("x")
    made = [ledger.add_note(cook.id, START - n, kind, f"no. {n}") for n, kind in enumerate(NOTE_KINDS)]
    assert ledger.notes(cook.id) == made[::-1]
    with pytest.raises(ConfigError, match="'nap' is not one of wrap"):
        ledger.add_note(cook.id, None, "nap")
    with pytest.raises(NotFoundError):
        ledger.add_note(cook.id + 1, None, "wrap")


def test_changing_or_removing_a_note_takes_nothing_away(ledger):
    cook = ledger.start_cook("x")
    note = ledger.add_note(cook.id, START, "wrap", "foil")
    changed = ledger.change_note(note.id, text="paper", at=START + 500)
    assert ledger.notes(cook.id) == [changed]
    assert (changed.text, changed.at_ms, changed.kind) == ("paper", START + 500, "wrap")
    ledger.remove_note(note.id)
    assert ledger.notes(cook.id) == []
    with pytest.raises(NotFoundError):
        ledger.change_note(note.id, text="again")
    assert ledger._read("SELECT at_ms, kind, text FROM note_past") == [(START, "wrap", "foil")]
    assert ledger._read("SELECT text FROM notes WHERE withdrawn_ms IS NOT NULL") == [("paper",)]


def test_a_second_word_on_the_same_uptime_replaces_the_first(ledger):
    ledger.tell_anchor(LOGGER, 3, 0, 1000, 60_000, "person")
    ledger.tell_anchor(LOGGER, 3, 0, 2000, 30_000, "person")
    ledger.tell_anchor(LOGGER, 4, 0, 9000, 30_000, "person")
    assert [(a.utc_ms, a.err_ms) for a in ledger.anchors(LOGGER, 3)] == [(2000, 30_000)]
    assert len(ledger.anchors(LOGGER)) == 2


def test_a_sheet_comes_back_bit_for_bit(ledger):
    cook = ledger.start_cook("x")
    t = np.array([1.0, 2.5, 1e9])
    celsius = np.array([np.nan, 93.3, -1.0])
    ledger.add_sheet(cook.id, "flat", "meat", t, celsius, "a.csv", "d1")
    (sheet,) = ledger.sheets(cook.id)
    assert sheet.t.tobytes() == t.tobytes()
    assert sheet.celsius.tobytes() == celsius.tobytes()
    assert ledger.sheet_cook("d1") == cook
    assert ledger.sheet_cook("d2") is None
    with pytest.raises(ConfigError, match="ascend"):
        ledger.add_sheet(cook.id, "point", "meat", t[::-1], celsius, "a.csv", "d1")


def test_the_last_words_of_a_logger_are_kept(ledger):
    ledger.saw_state(LOGGER, {"online": True, "name": "pit", "boot": 1})
    ledger.saw_now(LOGGER, {"boot": 1, "up": 5})
    (info,) = ledger.loggers()
    assert (info.logger, info.name, info.last_seen_ms, info.frames) == (LOGGER, "pit", NOW * 1000, 0)
    assert info.state["online"] is True
    assert info.now == {"boot": 1, "up": 5}
    ledger.saw_state(LOGGER, {"online": False, "boot": 1})
    assert ledger.loggers()[0].name == "pit"  # the last will has no name


def test_probes_that_were_mixed_up_are_put_right_for_the_past_as_well_all_or_nothing(tmp_path):
    world = make_world(tmp_path, hours=0.5)
    ledger, cook = world.ledger, world.cook
    before = {s.place: s.celsius for s in Reader(ledger, cook.id).read().places}
    rows = {(p.logger, p.channel): (p.place, p.kind, p.probe.tc) for p in ledger.placements(cook.id)}
    swap = {"flat": "tip", "tip": "flat"}
    wanted = {where: (swap.get(place, place), kind, tc) for where, (place, kind, tc) in rows.items()}
    assert len(ledger.correct_places(cook.id, wanted)) == 6
    after = {s.place: s.celsius for s in Reader(ledger, cook.id).read().places}
    assert np.array_equal(after["tip"], before["flat"], equal_nan=True)
    assert np.array_equal(after["flat"], before["tip"], equal_nan=True)
    assert np.array_equal(after["point"], before["point"], equal_nan=True)
    # From meat to air, one taken out, and a refusal that changes nothing.
    kinds = {w: (p, "air" if p == "tip" else k, tc) for w, (p, k, tc) in wanted.items() if p != "second flat"}
    ledger.correct_places(cook.id, kinds)
    held = [(p.place, p.kind) for p in ledger.placements(cook.id) if p.until_ms is None]
    assert ("tip", "air") in held
    assert "second flat" not in dict(held)
    double = {where: ("flat", kind, tc) for where, (_, kind, tc) in kinds.items()}
    with pytest.raises(ConfigError, match="given twice"):
        ledger.correct_places(cook.id, double)
    assert [(p.place, p.kind) for p in ledger.placements(cook.id) if p.until_ms is None] == held
    ledger.close()
