"""Boots that no anchor places in time: between their neighbours, or told later; what was read is timed anew."""

import numpy as np
import pytest
from series_world import LOGGER, T0_MS, Logger, open_ledger, same, store

from pitscribe.series import Reader, load
from pitscribe.series.between import MOST_S, NEIGHBOURS
from pitscribe.series.times import boot_times
from pitscribe.wire.frames import check

HOUR = 3_600_000
FRAME_MS = 80_000  # 8 ticks, 10 s apart


@pytest.fixture
def ledger(tmp_path):
    with open_ledger(tmp_path, at_ms=T0_MS + 1000 * HOUR) as ledger:
        yield ledger


def run(logger, boot, began_ms, frames, *, cause="power", anchor=None):
    """One boot of ``frames`` frames, with an anchor from ``anchor`` if given; when its last tick was, ms UTC."""
    logger.boot(boot, cause)
    if anchor:
        logger.anchor(boot, 60_000, began_ms + 60_000, 1000 if anchor == "phone" else 50, anchor)
    for i in range(frames):
        logger.ticks(boot, began_ms, 8 * i, period_ms=10_000)
    return began_ms + 1000 + FRAME_MS * frames - 10_000


def all_day(ledger, hours=60):
    """A cook that has all of it, and is over."""
    cook = ledger.start_cook("all", at=T0_MS - HOUR)
    ledger.place(cook.id, "K", LOGGER, 0, "flat", "meat")
    ledger.end_cook(cook.id, T0_MS + hours * HOUR)
    return cook


def as_files(ledger, logger, at_ms):
    ledger.clock.at = at_ms / 1000
    ledger.store_frames([(check(frame), frame) for frame in logger.made], "folder")


def off(ledger, boot, began_ms):
    """(by how much the begin is wrong, what it is said to be uncertain by), s."""
    base = boot_times(ledger, LOGGER).bases[boot]
    return float(base.utc(0)) - began_ms / 1000, float(base.uncertainty(0))


def test_a_boot_between_two_that_know_the_time_has_what_room_there_is(ledger):
    """By hand: off for 3 and for 7 minutes; so it began 0 to 10 minutes after the first ended, at 5 give or take 5."""
    logger = Logger()
    ended = run(logger, 1, T0_MS, 20, anchor="host")
    began = ended + 180_000
    again = run(logger, 2, began, 30) + 420_000
    run(logger, 3, again, 10, anchor="host")
    store(ledger, *logger.made)
    wrong, u = off(ledger, 2, began)
    assert wrong == pytest.approx(120, abs=0.5)
    assert u == pytest.approx(300 / 3**0.5, abs=0.5)
    record = load(ledger, all_day(ledger).id)
    assert (record.unplaced, record.places[0].t.size) == (0, 8 * 60)
    assert (np.diff(record.places[0].t) > 0).all()
    (remark,) = record.remarks
    assert "boot 2" in remark
    assert "give or take 5 min" in remark


def test_two_boots_between_two_that_know_the_time_keep_their_order(ledger):
    logger, begins, at = Logger(), [], T0_MS
    for boot, anchor in enumerate(("host", None, None, "host"), 1):
        begins.append(at)
        at = run(logger, boot, at, 10, anchor=anchor) + 600_000
    store(ledger, *logger.made)
    times = boot_times(ledger, LOGGER)
    assert times.between == [2, 3]
    for boot in (2, 3):
        wrong, u = off(ledger, boot, begins[boot - 1])
        assert abs(wrong) <= 3**0.5 * u
    ends = [float(times.bases[b].utc(1000 + 10 * FRAME_MS - 10_000)) for b in (1, 2, 3)]
    assert all(end <= times.bases[b + 2].utc(0) + 1 for b, end in enumerate(ends))


def test_one_phone_at_the_start_places_a_field_day_of_resets(ledger):
    """A logger without a network; its record is copied off at the end."""
    logger, begins, at = Logger(), [], T0_MS
    for boot, cause in enumerate(("power", "watchdog", "soft", "watchdog"), 1):
        begins.append(at)
        at = run(logger, boot, at, 50, cause=cause, anchor="phone" if boot == 1 else None) + 12_000
    as_files(ledger, logger, at + 100 * HOUR)
    for boot, began in enumerate(begins, 1):
        wrong, u = off(ledger, boot, began)
        assert abs(wrong) <= 2 * u
        assert u < 150 * boot
    assert load(ledger, all_day(ledger).id).unplaced == 0


@pytest.mark.parametrize(("later_h", "placed"), [(1, True), (100, False)])
def test_after_the_plug_was_pulled_the_day_of_the_import_says_how_long_it_can_have_been_off(ledger, later_h, placed):
    logger = Logger()
    began = run(logger, 1, T0_MS, 50, anchor="phone") + 600_000
    ended = run(logger, 2, began, 50)
    as_files(ledger, logger, ended + later_h * HOUR)
    cook = all_day(ledger)
    record = load(ledger, cook.id)
    assert (2 in boot_times(ledger, LOGGER).bases) == placed
    assert record.unplaced == (0 if placed else 51)  # a boot event and fifty frames
    if placed:
        wrong, u = off(ledger, 2, began)
        assert abs(wrong) <= 2 * u
        assert u == pytest.approx((later_h * 3600 + 600) / 2 / 3**0.5, rel=0.01)


@pytest.mark.parametrize("cause", ["watchdog", "power"])
def test_a_boot_before_the_only_one_that_knows_the_time(ledger, cause):
    logger = Logger()
    second = run(logger, 1, T0_MS, 20) + 10_000
    run(logger, 2, second, 20, cause=cause, anchor="host")
    store(ledger, *logger.made)
    times = boot_times(ledger, LOGGER)
    assert times.windows[1].first <= T0_MS / 1000 <= times.windows[1].last
    if cause == "watchdog":
        wrong, u = off(ledger, 1, T0_MS)
        assert abs(wrong) <= 3**0.5 * u < 300
    else:  # it may have been weeks before
        assert 1 not in times.bases
        assert load(ledger, all_day(ledger).id).unplaced == 21


def test_where_frames_are_missing_a_reset_says_nothing_of_the_time(ledger):
    logger = Logger()
    second = run(logger, 1, T0_MS, 500, anchor="host") + 10_000
    run(logger, 2, second, 20, cause="watchdog")
    store(ledger, *logger.made[:100], *logger.made[400:])
    assert 2 in boot_times(ledger, LOGGER).windows
    store(ledger, *logger.made[100:400])
    wrong, u = off(ledger, 2, second)
    assert abs(wrong) <= 3**0.5 * u


def test_a_boot_that_may_have_been_at_any_time_of_a_night_is_not_shown_but_counted(ledger):
    logger = Logger()
    ended = run(logger, 1, T0_MS, 5, anchor="host")
    run(logger, 2, ended + 3 * HOUR, 5)
    run(logger, 3, ended + 14 * HOUR, 5, anchor="host")
    store(ledger, *logger.made)
    window = boot_times(ledger, LOGGER).windows[2]
    assert window.last - window.first > 2 * MOST_S
    record = load(ledger, all_day(ledger).id)
    assert (record.unplaced, record.places[0].t.size) == (6, 80)
    night = ledger.start_cook("the night before", at=T0_MS - 9 * HOUR)
    ledger.place(night.id, "K", LOGGER, 0, "flat", "meat")
    ledger.end_cook(night.id, T0_MS)
    assert load(ledger, night.id).unplaced == 0  # it was after that


def test_neighbours_that_leave_no_room_place_nothing(ledger):
    """One of the clocks was wrong; which, nobody can say."""
    logger = Logger()
    run(logger, 1, T0_MS, 20, anchor="host")
    run(logger, 2, T0_MS + HOUR, 20)
    run(logger, 3, T0_MS + 600_000, 20, anchor="host")
    store(ledger, *logger.made)
    assert boot_times(ledger, LOGGER).between == []
    assert load(ledger, all_day(ledger).id).unplaced == 21


def test_a_cook_that_is_over_is_timed_anew_when_somebody_says_when_it_was_and_when_a_better_anchor_comes(ledger):
    logger = Logger()
    run(logger, 1, T0_MS, 50)
    late = Logger(sequence=logger.sequence)
    late.anchor(1, 100_000, T0_MS + 100_000, 30)
    store(ledger, *logger.made)
    cook = all_day(ledger)
    reader, seen = Reader(ledger, cook.id), []
    for step in (
        lambda: None,
        lambda: ledger.tell_anchor(LOGGER, 1, 0, T0_MS + 45_000, 60_000, "person"),
        lambda: store(ledger, *late.made),  # what its cable brought
    ):
        step()
        record = reader.read()
        same(record, load(ledger, cook.id))
        seen.append((record.unplaced, record.places[0].t.copy()))
    (unplaced, none), (_, told), (_, known) = seen
    assert (unplaced, none.size) == (51, 0)
    true = T0_MS / 1000 + 1 + 10 * np.arange(400)
    assert told == pytest.approx(true + 45, abs=0.01)
    assert known == pytest.approx(true, abs=0.05)


def test_a_live_reader_is_load_while_boots_without_the_time_come_and_are_placed(ledger):
    logger, at = Logger(), T0_MS
    boots = [("power", None), ("power", "host"), ("watchdog", None), ("power", None), ("soft", None), ("power", "ntp")]
    for boot, (cause, anchor) in enumerate(boots, 1):
        at = run(logger, boot, at, 3, cause=cause, anchor=anchor) + (9_000 if cause != "power" else 500_000)
    cook = ledger.start_cook("live", at=T0_MS + 60_000)
    ledger.place(cook.id, "K", LOGGER, 0, "flat", "meat")
    reader = Reader(ledger, cook.id)
    for frame in logger.made:
        store(ledger, frame)
        record = reader.read()
        same(record, load(ledger, cook.id))
        assert record.remarks == load(ledger, cook.id).remarks
    assert boot_times(ledger, LOGGER).between == [3, 4, 5]
    assert record.places[0].t.size == 8 * 15  # of all but the first boot
    assert {a.source for b in (3, 4, 5) for a in boot_times(ledger, LOGGER).bases[b].kept} == {NEIGHBOURS}


def test_a_boot_that_a_watchdog_began_is_not_read_from_the_start_for_each_of_its_frames(ledger, monkeypatch):
    logger = Logger()
    second = run(logger, 1, T0_MS, 5, anchor="host") + 9_000
    run(logger, 2, second, 40, cause="watchdog")
    cook = ledger.start_cook("live", at=T0_MS)
    ledger.place(cook.id, "K", LOGGER, 0, "flat", "meat")
    store(ledger, *logger.made[:10])
    reader = Reader(ledger, cook.id)
    reader.read()
    begun = []
    real = ledger.frames
    monkeypatch.setattr(ledger, "frames", lambda *a, **k: begun.append("kind" in k) or real(*a, **k))
    for frame in logger.made[10:]:
        store(ledger, frame)
        reader.read()
    assert not any(begun)
    assert reader.read().places[0].t.size == 8 * 45
