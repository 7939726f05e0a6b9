"""Which boots a cook has, over journals that were wiped, copied off, told the time or not: nothing goes unseen."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from series_world import LOGGER, T0_MS, Logger, open_ledger, store

from pitscribe.series import Reader, load
from pitscribe.series.times import boot_times
from pitscribe.wire.frames import TICKS, check

HOUR = 3_600_000
FRAME_MS = 80_000  # 8 ticks, 10 s apart


class Life:
    """A logger's life: journals one after the other, boots in them, and when and how each frame came to the host."""

    def __init__(self, seed):
        self.dice = random.Random(seed)
        self.came = []  # (received_ms, order, road, frame)
        self.truth = []  # (begin_ms, end_ms, frame) of tick frames that came
        self.began = {}  # boot: when it truly began, UTC s
        self.at = T0_MS + HOUR
        starts = self.dice.sample([5, 40, 200, 9_000, 31_000, 65_534], 3)  # a wiped counter begins at random
        for start in starts[: self.dice.randint(1, 3)]:
            self._numbering(start)

    def _numbering(self, start):
        logger, made, self.cause = Logger(), [], "power"
        for n in range(self.dice.randint(1, 4)):
            boot, began = (start + n) % 65536, self.at
            self.began[boot] = began / 1000
            made.append((began, logger.boot(boot, self.cause), None))
            anchored = self.dice.random() < 0.5
            for i in range(self.dice.randint(1, 5)):
                if i == 1 and anchored:
                    made.append((began, logger.anchor(boot, 500, began + 500), None))
                frame = logger.ticks(boot, began, 8 * i, period_ms=10_000)
                begin = began + 1000 + FRAME_MS * i
                made.append((begin + FRAME_MS, frame, (begin, begin + FRAME_MS - 10_000)))
                self.at = begin + FRAME_MS
            self.cause, off = self.dice.choice([("watchdog", 9_000), ("power", HOUR), ("power", 30 * HOUR)])
            self.at += off
        self._send(made)

    def _send(self, made):
        """In order, at once or later; what was not sent when the journal was wiped comes as a file, if at all."""
        clock = 0
        for written, frame, span in made:
            clock = max(clock, written) + self.dice.choice([0, 0, 0, 0, 1000, HOUR, 20 * HOUR])
            road, at = "mqtt", clock
            if clock > self.at or self.dice.random() < 0.1:
                road, at = "folder", max(written, self.at) + self.dice.choice([0, HOUR, 500 * HOUR])
                if self.dice.random() < 0.2:
                    continue  # lost for ever
            self.came.append((at, len(self.came), road, frame))
            if span:
                self.truth.append((*span, frame))

    def tell(self, ledger):
        for at, _, road, frame in sorted(self.came):
            ledger.clock.at = at / 1000
            ledger.store_frames([(check(frame), frame)], road)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_every_frame_of_a_cooks_time_is_in_it_or_counted(tmp_path_factory, seed):
    life = Life(seed)
    with open_ledger(tmp_path_factory.mktemp("life")) as ledger:
        life.tell(ledger)
        for _ in range(3):
            begin = life.dice.randint(T0_MS, life.at)
            end = begin + life.dice.choice([FRAME_MS, HOUR, 40 * HOUR])
            cook = ledger.start_cook("some", at=begin)
            ledger.place(cook.id, "K", LOGGER, 0, "flat", "meat")
            ledger.end_cook(cook.id, end)
            record = load(ledger, cook.id)
            (flat,) = record.places
            times, unseen = boot_times(ledger, LOGGER), 0
            for first, last, frame in life.truth:
                boot = check(frame).key.boot
                off = 0.0  # of a boot that its neighbours place: at how wrong a time it is shown
                if boot in times.bases:
                    off = float(times.bases[boot].utc(0)) - life.began[boot]
                    assert abs(off) < 0.1 or abs(off) <= (times.windows[boot].last - times.windows[boot].first) / 2
                t = [ms / 1000 + off for ms in range(first, last + 1, 10_000) if begin + 1000 < ms < end - 1000]
                seen = [abs(flat.t - x).min(initial=9.0) < 0.1 for x in t]
                assert all(seen) or not any(seen) or boot in times.between
                unseen += bool(t) and not all(seen)
            assert unseen <= record.unplaced


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_a_boot_without_the_time_truly_began_in_its_window_whatever_came_of_its_neighbours(tmp_path_factory, seed):
    life = Life(seed)
    with open_ledger(tmp_path_factory.mktemp("life")) as ledger:
        life.tell(ledger)
        for boot, window in boot_times(ledger, LOGGER).windows.items():
            assert window.first <= life.began[boot] <= window.last


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_one_anchor_places_all_boots_that_only_resets_are_between(tmp_path_factory, seed):
    """Of boots that a watchdog began, the neighbours say all but the reset itself and a frame that was not written."""
    dice, logger, began = random.Random(seed), Logger(), [T0_MS]
    told = dice.randrange(4)
    for n in range(4):
        logger.boot(n + 1, "power" if n == 0 else dice.choice(["watchdog", "soft"]))
        if n == told:
            logger.anchor(n + 1, 500, began[n] + 500)
        frames = dice.randint(1, 6)
        for i in range(frames):
            logger.ticks(n + 1, began[n], 8 * i, period_ms=10_000)
        off = dice.choice([0, 70_000]) + dice.choice([1_000, 9_000, 30_000])  # a frame not written; the reset
        began.append(began[n] + 1000 + FRAME_MS * frames + off)
    with open_ledger(tmp_path_factory.mktemp("resets")) as ledger:
        store(ledger, *logger.made)
        times = boot_times(ledger, LOGGER)
    assert sorted(times.bases) == [1, 2, 3, 4]
    for n in range(4):
        base, most = times.bases[n + 1], abs(n - told) * 1.05 * (60 + 4 * FRAME_MS / 1000) / 2
        assert abs(float(base.utc(0)) - began[n] / 1000) <= 3**0.5 * float(base.uncertainty(0)) + 0.1 <= most + 2


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_a_reader_counts_as_load_does_while_frames_come(tmp_path_factory, seed):
    life = Life(seed)
    with open_ledger(tmp_path_factory.mktemp("life")) as ledger:
        cook = ledger.start_cook("some", at=T0_MS + 10 * HOUR)
        ledger.place(cook.id, "K", LOGGER, 0, "flat", "meat")
        reader = Reader(ledger, cook.id)
        for at, _, road, frame in sorted(life.came):
            ledger.clock.at = at / 1000
            ledger.store_frames([(check(frame), frame)], road)
            live, whole = reader.read(), load(ledger, cook.id)
            assert (live.unplaced, live.contradictions) == (whole.unplaced, whole.contradictions)
            assert [s.t.tolist() for s in live.places] == [s.t.tolist() for s in whole.places]


@pytest.mark.parametrize("anchored", [True, False])
def test_after_a_journal_was_wiped_the_new_boots_have_their_cooks_and_the_old_ones_theirs(tmp_path, anchored):
    """Sequence numbers begin again at 0, so they say nothing about which boot came first."""
    day = 24 * HOUR
    days = [(1, 0, 0), (2, 5000, 7), (31_000, 0, 100), (31_001, 2000, 101)]
    boots = [(boot, sequence, T0_MS + n * day) for boot, sequence, n in days]
    with open_ledger(tmp_path) as ledger:
        for boot, sequence, began in boots:
            logger = Logger(sequence=sequence)
            logger.boot(boot)
            if anchored or boot != 31_000:
                logger.anchor(boot, 500, began + 500)
            for i in range(10):
                logger.ticks(boot, began, 8 * i)
            ledger.clock.at = began / 1000 + 100
            ledger.store_frames([(check(frame), frame) for frame in logger.made], "mqtt")
        found = {}
        for boot, _, began in boots:
            cook = ledger.start_cook(f"boot {boot}", at=began)
            ledger.place(cook.id, "K", LOGGER, 0, "flat", "meat")
            ledger.end_cook(cook.id, began + 70_000)
            record = load(ledger, cook.id)
            found[boot] = record.places[0].t.size, record.unplaced
    wanted = {boot: (70, 0) for boot, _, _ in boots}
    if not anchored:
        wanted[31_000] = 0, 11  # boot event and ten frames; that they are not of the others is known
    assert found == wanted


def test_a_life_has_what_it_is_to_try():
    """The lives above do have wiped journals, boots without the time, and files that came late."""
    lives = [Life(seed) for seed in range(200)]
    assert sum(len({check(f).key.boot // 30 for *_, f in life.came}) > 1 for life in lives) > 50
    assert sum(any(road == "folder" for _, _, road, _ in life.came) for life in lives) > 100
    assert all(check(frame).kind == TICKS for life in lives for _, _, frame in life.truth)


def test_lives_have_boots_that_their_neighbours_place_and_such_as_they_do_not(tmp_path):
    between = without = 0
    for seed in range(30):
        with open_ledger(tmp_path / str(seed)) as ledger:
            Life(seed).tell(ledger)
            times = boot_times(ledger, LOGGER)
            between += len(times.between)
            without += len(times.windows) - len(times.between)
    assert between > 5
    assert without > 5
