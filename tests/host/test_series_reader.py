"""A Reader is ``load``, whatever happens to the ledger between two reads; and it is quick."""

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from series_world import LOGGER, T0_MS, TABLE, Logger, open_ledger, same, store

from pitscribe.errors import StoreError
from pitscribe.ledger.ledger import Ledger
from pitscribe.series import Reader, load
from pitscribe.series import logger as loggers
from pitscribe.series import reader as readers
from pitscribe.wire.frames import Channel

BEGAN = {boot: T0_MS + 5_000 + 90_000 * (boot - 1) for boot in (1, 2, 3)}
OTHER_TABLE = (Channel("max31856-gain8", "K"), Channel("none", "T"), Channel("max31855", "K"))


def everything():
    """All frames of three boots, 2 not anchored by the logger, with overlaps, missed ticks and faults, in order."""
    logger = Logger()
    for boot in (1, 2, 3):
        logger.boot(boot)
        table = OTHER_TABLE if boot == 3 else TABLE
        for i in range(6):
            faults = [(2, 0, 0x01), (3, 0, 0x100)] if i == 4 else []
            logger.ticks(boot, BEGAN[boot], 8 * i, missed=(1, 5) if i == 3 else (), table=table, fault=faults)
            if i == 1 and boot != 2:
                logger.anchor(boot, 500, BEGAN[boot] + 500, 800)
            if i == 4 and boot == 1:
                logger.anchor(boot, 30_500, BEGAN[boot] + 30_520, 60)
        logger.ticks(boot, BEGAN[boot], 44)  # 44 to 47 are in the frame before as well
    return logger.made


FRAMES = everything()
STEP = st.one_of(
    st.tuples(st.just("frames"), st.lists(st.integers(0, len(FRAMES) - 1), min_size=1, max_size=8)),
    st.tuples(st.just("next"), st.integers(1, 6)),
    st.tuples(
        st.sampled_from(["note", "end", "reopen", "tell", "place", "move", "sheet", "later"]), st.integers(0, 200)
    ),
)


class World:
    """A ledger with one cook, and the steps that may be taken in it."""

    def __init__(self, ledger):
        self.ledger = ledger
        self.cook = self.ledger.start_cook("live", at=T0_MS + 10_000)
        self.ledger.place(self.cook.id, "K", LOGGER, 0, "grate", "air")
        self.ledger.place(self.cook.id, "T", LOGGER, 1, "flat", "meat", until=T0_MS + 150_000)
        self.next = 0
        self.sheets = 0

    def take(self, what, value):
        ledger, at = self.ledger, T0_MS + 20_000 + 1000 * (value if isinstance(value, int) else 0)
        if what == "frames":
            store(ledger, *(FRAMES[i] for i in value))
        elif what == "next":
            store(ledger, *FRAMES[self.next : self.next + value])
            self.next += value
        elif what == "note":
            ledger.add_note(self.cook.id, at, "fuel")
        elif what == "end":
            ledger.end_cook(self.cook.id, at)
        elif what == "reopen":
            ledger.reopen_cook(self.cook.id)
        elif what == "tell":
            ledger.tell_anchor(LOGGER, 2, 1000 * (value % 20), BEGAN[2] + 1000 * (value % 20), 5_000, "told")
        elif what == "place" and not any(p.channel == 2 for p in ledger.placements(self.cook.id)):
            ledger.place(self.cook.id, "K", LOGGER, 2, "point", "meat", since=at)
        elif what == "move":
            first = ledger.placements(self.cook.id)[0]
            if first.until_ms is None:
                ledger.end_placement(first.id, at)
                ledger.place(self.cook.id, "K", LOGGER, 0, "flat", "meat", since=at)
        elif what == "sheet" and self.sheets < 2:
            t = at / 1000 + np.arange(5.0)
            self.sheets += 1
            place = ("flat", "dome")[self.sheets - 1]
            ledger.add_sheet(self.cook.id, place, "meat", t, 20 + np.arange(5.0), "x.csv", f"d{self.sheets}")
        elif what == "later":
            later = ledger.start_cook("later", at=at)
            ledger.place(later.id, "K", LOGGER, value % 3, "elsewhere", "air")


@settings(max_examples=40, deadline=None)
@given(st.lists(STEP, min_size=1, max_size=12))
def test_a_reader_says_what_load_says_after_every_step(steps):
    with tempfile.TemporaryDirectory() as folder, open_ledger(Path(folder)) as ledger:
        world = World(ledger)
        reader = Reader(ledger, world.cook.id)
        same(reader.read(), load(ledger, world.cook.id))
        for what, value in steps:
            world.take(what, value)
            same(reader.read(), load(ledger, world.cook.id))


def test_a_whole_cook_frame_by_frame_is_the_same_and_earlier_records_stay_as_they_were(tmp_path):
    with open_ledger(tmp_path) as ledger:
        world = World(ledger)
        reader, seen = Reader(world.ledger, world.cook.id), []
        for frame in FRAMES:
            store(world.ledger, frame)
            record = reader.read()
            seen.append((record, [(s.t.tobytes(), s.celsius.tobytes(), s.flags.tobytes()) for s in record.places]))
        same(record, load(world.ledger, world.cook.id))
        assert record.places[0].t.size > 90
        assert record.missed == 6  # boot 2 has its time from the others
        for old, contents in seen:
            assert [(s.t.tobytes(), s.celsius.tobytes(), s.flags.tobytes()) for s in old.places] == contents


def test_the_arrays_of_a_live_record_cannot_be_written(tmp_path):
    with open_ledger(tmp_path) as ledger:
        world = World(ledger)
        store(world.ledger, *FRAMES[:8])
        record = Reader(world.ledger, world.cook.id).read()
        with pytest.raises(ValueError, match="read-only"):
            record.places[0].celsius[0] = 1.0


def test_late_frames_come_out_in_order(tmp_path):
    with open_ledger(tmp_path) as ledger:
        world = World(ledger)
        reader = Reader(world.ledger, world.cook.id)
        for frames in (FRAMES[:4], FRAMES[7:10], FRAMES[4:7], FRAMES[20:], FRAMES[10:20]):
            store(world.ledger, *frames)
            record = reader.read()
            same(record, load(world.ledger, world.cook.id))
            assert all((np.diff(s.t) > 0).all() for s in record.places)


class FlakyLedger(Ledger):
    """A ledger whose file fails when it is told to, in the middle of a read."""

    fail_for: int | None = None

    def frames(self, logger, **named):
        if logger == self.fail_for:
            raise StoreError("disk I/O error")
        return super().frames(logger, **named)


def test_a_read_that_fails_half_way_loses_nothing_for_the_next_one(tmp_path):
    with open_ledger(tmp_path, kind=FlakyLedger) as ledger:
        cook, loggers = ledger.start_cook("two loggers", at=T0_MS), [Logger(1), Logger(2)]
        for logger in loggers:
            ledger.place(cook.id, "K", logger.number, 0, f"place {logger.number}", "meat")
            logger.anchor(1, 500, BEGAN[1] + 500)
            logger.ticks(1, BEGAN[1], 0)
            store(ledger, *logger.made)
        reader = Reader(ledger, cook.id)
        reader.read()
        for logger in loggers:
            store(ledger, logger.ticks(1, BEGAN[1], 8))
        ledger.fail_for = 2
        with pytest.raises(StoreError):
            reader.read()
        ledger.fail_for = None
        same(reader.read(), load(ledger, cook.id))
        assert [s.t.size for s in reader.read().places] == [16, 16]


def test_a_live_read_of_a_long_cook_does_not_start_again(tmp_path, monkeypatch):
    """tests/bench prints what it costs; here it is counted what is read from the beginning, and what is decoded."""
    begun, decoded = [], []
    real_series, real_decode = readers.LoggerSeries, loggers.decode_ticks
    monkeypatch.setattr(readers, "LoggerSeries", lambda *some: begun.append(some) or real_series(*some))
    monkeypatch.setattr(loggers, "decode_ticks", lambda frames: decoded.append(len(frames)) or real_decode(frames))
    with open_ledger(tmp_path) as ledger:
        cook, logger = ledger.start_cook("long", at=T0_MS), Logger()
        for channel, (_, tc) in enumerate(TABLE):
            ledger.place(cook.id, tc, LOGGER, channel, f"place {channel}", "meat")
        logger.anchor(1, 500, T0_MS + 500)
        for i in range(300):
            logger.ticks(1, T0_MS, 200 * i, 200)
        store(ledger, *logger.made)
        reader = Reader(ledger, cook.id)
        reader.read()
        assert decoded == [300]
        for i in range(10):
            store(ledger, logger.ticks(1, T0_MS, 60_000 + 32 * i, 32))
            record = reader.read()
        assert record.places[0].t.size == 60_320
        assert len(begun) == 1
        assert decoded == [300] + [1] * 10
