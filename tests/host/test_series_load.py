"""``series.load``: which samples a cook has, when they were, and what they say."""

import numpy as np
import pytest
from series_world import LOGGER, T0_MS, TABLE, Logger, open_ledger, store, truth

from pitscribe.errors import NotFoundError
from pitscribe.metrology.flags import Flag
from pitscribe.series import SHEET_U_K, load
from pitscribe.series import logger as loggers
from pitscribe.wire.frames import Channel, check

BEGAN = T0_MS + 10_000  # when boot 1 was powered up


@pytest.fixture
def ledger(tmp_path):
    with open_ledger(tmp_path) as ledger:
        yield ledger


@pytest.fixture
def cook(ledger):
    cook = ledger.start_cook("brisket", at=T0_MS)
    ledger.place(cook.id, "K", LOGGER, 0, "grate", "air")
    ledger.place(cook.id, "T", LOGGER, 1, "flat", "meat")
    return cook


def one_boot(frames=5, **named):
    logger = Logger()
    logger.boot(1)
    logger.anchor(1, 500, BEGAN + 500)
    for i in range(frames):
        logger.ticks(1, BEGAN, 8 * i, **named)
    return logger


def times(record):
    return [s.t.tolist() for s in record.places]


def second(n):
    return (BEGAN + 1000) / 1000 + n


def test_a_cook_has_its_places_with_times_and_temperatures(ledger, cook):
    store(ledger, *one_boot().made)
    record = load(ledger, cook.id)
    assert [(s.place, s.kind) for s in record.places] == [("grate", "air"), ("flat", "meat")]
    assert [s.place for s in record.air] == ["grate"]
    assert [s.place for s in record.meat] == ["flat"]
    assert (record.missed, record.unplaced) == (0, 0)
    for channel, (s, step) in enumerate(zip(record.places, (0.004, 0.2), strict=True)):
        assert s.t == pytest.approx(second(np.arange(40)), abs=1e-6)
        assert np.abs(s.celsius - truth(channel, s.t)).max() < step
        assert s.good().all()
        assert (s.u > 0.4).all()
        assert s.flags.dtype == np.uint32


def test_a_cook_that_is_not_there_is_named(ledger):
    with pytest.raises(NotFoundError, match="77"):
        load(ledger, 77)


def test_a_place_without_a_sample_is_there_and_empty(ledger, cook):
    record = load(ledger, cook.id)
    assert [s.t.size for s in record.places] == [0, 0]
    assert record.places[0].good().tolist() == []


def test_order_of_arrival_does_not_matter(ledger, cook, tmp_path):
    made = one_boot(12).made
    store(ledger, *made[::-1])
    (tmp_path / "other").mkdir()
    with open_ledger(tmp_path / "other") as other:
        again = other.start_cook("brisket", at=T0_MS)
        other.place(again.id, "K", LOGGER, 0, "grate", "air")
        other.place(again.id, "T", LOGGER, 1, "flat", "meat")
        store(other, *made)
        assert times(load(ledger, cook.id)) == times(load(other, again.id)) != [[], []]


def test_only_the_span_of_the_cook_is_in_it_both_ends_included(ledger):
    cook = ledger.start_cook("short", at=int(1000 * second(3)))
    ledger.place(cook.id, "K", LOGGER, 0, "grate", "air")
    store(ledger, *one_boot().made)
    assert load(ledger, cook.id).places[0].t == pytest.approx(second(np.arange(3, 40)))
    ledger.end_cook(cook.id, int(1000 * second(11)))
    assert load(ledger, cook.id).places[0].t == pytest.approx(second(np.arange(3, 12)))
    ledger.reopen_cook(cook.id)
    assert load(ledger, cook.id).places[0].t.size == 37


def test_a_cook_that_nobody_ended_ends_where_a_later_one_takes_its_channels_over(ledger, cook):
    store(ledger, *one_boot().made)
    later = ledger.start_cook("ribs", at=int(1000 * second(20)))
    ledger.place(later.id, "T", LOGGER, 1, "rack", "meat")
    record = load(ledger, cook.id)
    assert [s.t.size for s in record.places] == [40, 20]  # channel 0 was not taken
    assert load(ledger, later.id).places[0].t == pytest.approx(second(np.arange(20, 40)))


def test_until_gives_the_cook_so_far(ledger, cook):
    store(ledger, *one_boot().made)
    ledger.add_note(cook.id, int(1000 * second(5)), "wrap")
    ledger.add_note(cook.id, int(1000 * second(30)), "lid")
    record = load(ledger, cook.id, until=second(10))
    assert [s.t.size for s in record.places] == [11, 11]
    assert [n.kind for n in record.notes] == ["wrap"]
    assert [n.kind for n in load(ledger, cook.id).notes] == ["wrap", "lid"]


def test_two_boots_make_one_series_with_a_gap(ledger, cook):
    logger = one_boot(2)
    again = BEGAN + 120_000
    logger.boot(2)
    logger.anchor(2, 700, again + 700)
    for i in range(2):
        logger.ticks(2, again, 8 * i)
    store(ledger, *logger.made)
    wanted = np.concatenate((second(np.arange(16)), (again + 1000) / 1000 + np.arange(16)))
    for s in load(ledger, cook.id).places:
        assert s.t == pytest.approx(wanted)
        assert s.good().all()


def test_frames_of_a_boot_without_an_anchor_are_counted_and_placed_once_somebody_tells(ledger, cook):
    logger = one_boot(2)
    logger.boot(2)
    for i in range(3):
        logger.ticks(2, BEGAN + 60_000, 8 * i)
    store(ledger, *logger.made)
    record = load(ledger, cook.id)
    assert record.unplaced == 4
    assert [s.t.size for s in record.places] == [16, 16]
    ledger.tell_anchor(LOGGER, 2, 0, BEGAN + 60_000, 30_000, "told")
    record = load(ledger, cook.id)
    assert record.unplaced == 0
    assert [s.t.size for s in record.places] == [40, 40]
    flat = record.meat[0]
    assert flat.u[-1] > flat.u[0] + 0.01  # half a minute either way, and the flat rises by 0.03 K/s


def test_a_boot_without_an_anchor_that_cannot_be_of_this_cook_is_not_counted(ledger):
    logger = Logger()
    logger.boot(1)
    logger.ticks(1, 0, 0)  # nobody knows when; but boot 2 came after it
    logger.boot(2)
    logger.anchor(2, 500, BEGAN + 500)
    logger.ticks(2, BEGAN, 0)
    logger.boot(3)
    logger.anchor(3, 500, BEGAN + 7_200_000)
    logger.boot(4)  # after boot 3
    store(ledger, *logger.made)
    early = ledger.start_cook("before", at=T0_MS - 1000)
    late = ledger.start_cook("after", at=BEGAN + 3_600_000)
    for cook in (early, late):
        ledger.place(cook.id, "K", LOGGER, 0, "grate", "air")
    ledger.end_cook(early.id, BEGAN + 600_000)
    ledger.end_cook(late.id, BEGAN + 3_700_000)
    assert load(ledger, early.id).unplaced == 2  # boot 1 may be of it, boot 4 is not
    assert load(ledger, late.id).unplaced == 0
    assert load(ledger, early.id).places[0].t.size == 8


def test_frames_received_before_the_cook_began_are_not_counted_as_unplaced(tmp_path):
    with open_ledger(tmp_path, T0_MS - 1000) as ledger:
        logger = Logger()
        logger.boot(1)
        logger.ticks(1, 0, 0)
        store(ledger, *logger.made)
        cook = ledger.start_cook("after", at=T0_MS)
        ledger.place(cook.id, "K", LOGGER, 0, "grate", "air")
        assert load(ledger, cook.id).unplaced == 0


def test_a_probe_that_moves_to_another_channel_goes_on_in_the_same_place(ledger):
    cook = ledger.start_cook("moved", at=T0_MS)
    ledger.place(cook.id, "K", LOGGER, 0, "flat", "meat", until=int(1000 * second(16)))
    ledger.place(cook.id, "T", LOGGER, 1, "flat", "meat", since=int(1000 * second(20)))
    ledger.place(cook.id, "K", LOGGER, 0, "grate", "air", since=int(1000 * second(16)))
    store(ledger, *one_boot().made)
    flat, grate = load(ledger, cook.id).places
    assert flat.t == pytest.approx(second(np.concatenate((np.arange(16), np.arange(20, 40)))))
    assert np.abs(flat.celsius[:16] - truth(0, flat.t[:16])).max() < 0.004
    assert np.abs(flat.celsius[16:] - truth(1, flat.t[16:])).max() < 0.2
    assert flat.good().all()  # another probe: the step between the two is no impossible rate
    assert grate.t == pytest.approx(second(np.arange(16, 40)))


def test_of_two_probes_at_one_place_at_once_the_later_placement_counts(ledger):
    cook = ledger.start_cook("both", at=T0_MS)
    ledger.place(cook.id, "K", LOGGER, 0, "flat", "meat")
    ledger.place(cook.id, "T", LOGGER, 1, "flat", "meat", since=int(1000 * second(10)), until=int(1000 * second(30)))
    store(ledger, *one_boot().made)
    (flat,) = load(ledger, cook.id).places
    assert flat.t == pytest.approx(second(np.arange(40)))
    later = (flat.t > second(9.5)) & (flat.t < second(29.5))
    assert np.abs(flat.celsius - truth(np.where(later, 1, 0), flat.t)).max() < 0.2


def test_a_logger_whose_channel_table_changes_is_read_by_the_table_of_each_frame(ledger, cook):
    other = (Channel("max31855", "K"), Channel("max31856-gain32", "T"), Channel("max31855", "K"))
    logger = one_boot(2)
    for i in (2, 3):
        logger.ticks(1, BEGAN, 8 * i, table=other)
    logger.ticks(1, BEGAN, 32)
    logger.ticks(1, BEGAN, 40, table=(TABLE[0], Channel("none", "K")))
    logger.ticks(1, BEGAN, 48, table=TABLE[:1])
    store(ledger, *logger.made)
    grate, flat = load(ledger, cook.id).places
    assert grate.t == pytest.approx(second(np.arange(56)))
    assert flat.t == pytest.approx(second(np.arange(40)))  # after that there is no such channel
    assert np.abs(grate.celsius - truth(0, grate.t)).max() < 0.2
    assert np.abs(flat.celsius - truth(1, flat.t)).max() < 0.2


def test_missed_ticks_are_counted_and_not_invented(ledger, cook):
    logger = one_boot(1)
    logger.ticks(1, BEGAN, 8, missed=(2, 3, 7))
    store(ledger, *logger.made)
    record = load(ledger, cook.id)
    assert record.missed == 3
    assert record.places[0].t == pytest.approx(second(np.array([*range(10), 12, 13, 14])))
    ledger.end_cook(cook.id, int(1000 * second(10.5)))
    assert load(ledger, cook.id).missed == 1


def test_ticks_that_two_frames_hold_are_there_once(ledger, cook):
    logger = one_boot(2)
    logger.ticks(1, BEGAN, 12)  # a journal that was damaged and begun again: 12 to 15 once more
    store(ledger, *logger.made)
    for s in load(ledger, cook.id).places:
        assert s.t == pytest.approx(second(np.arange(20)))


def test_a_fault_is_flagged_where_it_was(ledger, cook):
    logger = one_boot(1)
    logger.ticks(1, BEGAN, 8, fault=[(3, 1, 0x01), (4, 1, 0x100), (5, 0, 0x02)])
    store(ledger, *logger.made)
    grate, flat = load(ledger, cook.id).places
    assert np.flatnonzero(flat.flags).tolist() == [11, 12]
    assert flat.flags[11:13].tolist() == [Flag.OPEN, Flag.NO_ANSWER]
    assert np.isnan(flat.celsius[11:13]).all()
    assert np.flatnonzero(~grate.good()).tolist() == [13]
    assert np.isfinite(grate.celsius).all()


def test_frames_of_another_logger_are_not_in_it(ledger, cook):
    other = Logger(number=7)
    other.anchor(1, 500, BEGAN + 500)
    other.ticks(1, BEGAN, 0)
    store(ledger, *other.made)
    assert [s.t.size for s in load(ledger, cook.id).places] == [0, 0]


def test_an_imported_table_is_a_series_with_a_frank_uncertainty(ledger):
    cook = ledger.start_cook("old", at=T0_MS)
    t = T0_MS / 1000 + 60.0 * np.arange(6)
    celsius = np.array([20.0, 21.0, np.nan, 23.0, 900.0, 25.0])
    ledger.add_sheet(cook.id, "flat", "meat", t, celsius, "cook.csv", "d1")
    (flat,) = load(ledger, cook.id).places
    assert (flat.place, flat.kind) == ("flat", "meat")
    assert flat.t.tolist() == t.tolist()
    assert flat.celsius == pytest.approx(celsius, nan_ok=True)
    assert flat.flags.tolist() == [0, 0, Flag.NO_ANSWER, 0, Flag.RATE, 0]
    assert flat.u == pytest.approx([SHEET_U_K] * 2 + [np.nan] + [SHEET_U_K] * 3, nan_ok=True)
    # IEC 60584-1 class 2, type K: +/-2.5 K, rectangular (GUM 4.3.7): the figure is no smaller.
    assert 2.5 / 3**0.5 <= SHEET_U_K < 2.5


def test_a_table_and_frames_of_one_place_join(ledger, cook):
    t = second(np.arange(-4.0, 4.0))
    ledger.add_sheet(cook.id, "flat", "meat", t, np.full(8, 85.0), "cook.csv", "d1")
    store(ledger, *one_boot(1).made)
    flat = load(ledger, cook.id).meat[0]
    assert flat.t == pytest.approx(second(np.arange(-4, 8)))
    assert (flat.u[:4] == SHEET_U_K).all()
    assert np.abs(flat.celsius[4:] - truth(1, flat.t[4:])).max() < 0.2  # the logger's own word counts


def test_old_boots_of_the_logger_cost_no_decoding(ledger, monkeypatch):
    logger = Logger()
    for boot in range(1, 6):
        began = T0_MS + 86_400_000 * boot
        logger.boot(boot)
        logger.anchor(boot, 500, began + 500)
        for i in range(3):
            logger.ticks(boot, began, 8 * i)
    store(ledger, *logger.made)
    cook = ledger.start_cook("third day", at=T0_MS + 3 * 86_400_000)
    ledger.place(cook.id, "K", LOGGER, 0, "grate", "air")
    ledger.end_cook(cook.id, T0_MS + 3 * 86_400_000 + 60_000)
    decoded = []
    real = loggers.decode_ticks
    monkeypatch.setattr(loggers, "decode_ticks", lambda frames: decoded.extend(frames) or real(frames))
    assert load(ledger, cook.id).places[0].t.size == 24
    assert {check(frame).key.boot for frame in decoded} == {3}


def test_anchors_that_contradict_each_other_are_counted_and_make_the_time_less_certain(ledger, cook):
    logger = one_boot()
    store(ledger, *logger.made)
    sure = load(ledger, cook.id)
    store(ledger, logger.anchor(1, 400, BEGAN - 600_000))
    other = Logger(number=7)
    other.anchor(1, 500, BEGAN)
    other.anchor(1, 600, BEGAN + 3_600_000)
    store(ledger, *other.made)  # another logger's quarrels are not this cook's
    record = load(ledger, cook.id)
    assert (sure.contradictions, record.contradictions) == (0, 1)
    assert times(record) == times(sure)
    assert record.meat[0].u[-1] > sure.meat[0].u[-1] + 5  # 0.03 K/s, ten minutes this way or that
