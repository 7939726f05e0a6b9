"""The ledger: exactly once, durable, whole or not at all, and plain words when it cannot."""

import contextlib
import random
import shutil
import sqlite3
import subprocess
import sys
import threading
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from intake_rig import LOGGER, anchor, ticks

from pitscribe.clock import SetClock
from pitscribe.errors import ConfigError, StoreError
from pitscribe.ledger import framestore
from pitscribe.ledger.framestore import ASIDE_REASON_BYTES
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.store import MIGRATIONS
from pitscribe.wire.frames import EVENT, TICKS, Channel, FrameKey, check, encode_ticks

CLOCK = SetClock(1_780_000_000.0)
FRAMES = [ticks(sequence, boot) for boot in (1, 7) for sequence in range(12)]
HEADED = [(check(frame), frame) for frame in FRAMES]


@pytest.fixture
def ledger(tmp_path):
    made = Ledger(tmp_path / "ledger.sqlite", CLOCK)
    yield made
    made.close()


# exactly once


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(st.sampled_from(HEADED), max_size=30), max_size=6))
def test_any_order_and_doubling_of_frames_keeps_every_frame_once(tmp_path_factory, batches):
    ledger = Ledger(tmp_path_factory.mktemp("once") / "ledger.sqlite", CLOCK)
    seen = set()
    for batch in batches:
        fresh = {frame for _, frame in batch} - seen
        count = ledger.store_frames(batch, "test")
        assert count == (len(fresh), len(batch) - len(fresh), 0)
        seen |= fresh
    held = Counter(stored.frame for stored in ledger.frames(LOGGER))
    assert held == Counter(seen)
    assert ledger.frame_count() == len(seen)
    ledger.close()


def test_other_bytes_under_a_known_key_are_kept_aside_and_the_first_stay(ledger):
    first, other = ticks(3), ticks(3, salt=9)
    ledger.store_frames([(check(first), first)], "test")
    count = ledger.store_frames([(check(other), other), (check(first), first), (check(other), other)], "test")
    assert count == (0, 1, 2)
    assert [stored.frame for stored in ledger.frames(LOGGER)] == [first]
    assert ledger.asides() == {"clash": 1}
    (aside,) = ledger.aside_items("clash")
    assert aside.data == other
    assert aside.times == 2
    assert "sequence 3" in aside.detail


def test_a_clash_within_one_batch_is_seen(ledger):
    first, other = ticks(3), ticks(3, salt=9)
    assert ledger.store_frames([(check(first), first), (check(other), other)], "test") == (1, 0, 1)


def test_frames_survive_closing_and_opening(tmp_path):
    path = tmp_path / "ledger.sqlite"
    with_frames = Ledger(path, CLOCK)
    with_frames.store_frames(HEADED, "test")
    with_frames.close()
    again = Ledger(path, CLOCK)
    assert [stored.frame for stored in again.frames(LOGGER)] == FRAMES
    assert again.frames(LOGGER)[5].received_ms == 1_780_000_000_000
    again.close()


@settings(max_examples=80, deadline=None)
@given(
    after=st.integers(0, 26),
    kind=st.sampled_from([None, TICKS, EVENT]),
    boots=st.one_of(st.none(), st.sets(st.integers(0, 8))),
    span=st.one_of(st.none(), st.tuples(st.integers(0, 60_000), st.integers(0, 60_000))),
    recent=st.sampled_from([0, 5, 1000]),
)
def test_a_question_for_some_frames_gets_just_those(many, after, kind, boots, span, recent):
    framestore.RECENT_ROWS = recent  # two ways to look; each must find the same
    found = many.frames(LOGGER, after_row=after, kind=kind, boots=boots, uptime_range=span)
    wanted = []
    for row, (head, frame) in enumerate([*HEADED, (check(EVENT_FRAME), EVENT_FRAME)], start=1):
        last = head.uptime_ms + (3000 if head.kind == TICKS else 0)  # 4 ticks, a second apart
        in_span = span is None or (head.uptime_ms <= span[1] and last >= span[0])
        in_boots = boots is None or head.key.boot in boots
        if row > after and kind in (None, head.kind) and in_boots and in_span:
            wanted.append((row, head.key, frame))
    assert [(stored.row, stored.key, stored.frame) for stored in found] == wanted


EVENT_FRAME = anchor(500, 1_780_000_000_000, uptime_ms=5000)


@pytest.fixture(scope="module")
def many(tmp_path_factory):
    ledger = Ledger(tmp_path_factory.mktemp("many") / "ledger.sqlite", CLOCK)
    ledger.store_frames([*HEADED, (check(EVENT_FRAME), EVENT_FRAME)], "test")
    yield ledger
    ledger.close()


def test_boots_are_counted_as_their_frames_come_whatever_comes_twice(ledger):
    """The counts are kept beside the frames; here they are held to a count of the frames themselves."""
    dice = random.Random(11)
    batches = [(dice.sample(HEADED, 9), road) for road in ("mqtt", "folder", "mqtt") for _ in range(4)]
    for batch, road in batches:
        with contextlib.suppress(ZeroDivisionError), ledger.together():
            ledger.store_frames(batch, road)
            _ = 1 / dice.randrange(3)  # now and then the whole is undone
    said = {b.boot: b for b in ledger.boots(LOGGER)}
    frames = ledger.frames(LOGGER)
    assert set(said) == {f.key.boot for f in frames} == {1, 7}
    for boot, span in said.items():
        mine = [f for f in frames if f.key.boot == boot]
        assert span.frames == len(mine)
        assert span.first_uptime_ms == min(f.uptime_ms for f in mine)
        assert span.last_uptime_ms == max(f.last_uptime_ms for f in mine)
        assert span.first_sequence == min(f.key.sequence for f in mine)
    assert ledger.frame_count() == ledger.loggers()[0].frames == len(frames)
    assert ledger.frame_count(LOGGER) == len(frames)
    assert ledger.frame_count(5) == 0


def test_what_is_asked_again_and_again_walks_no_index_of_all_frames(ledger):
    """What a live page asks each second must not cost more for a ledger that holds years."""
    ledger.store_frames([*HEADED, (check(EVENT_FRAME), EVENT_FRAME)], "test")
    asked = []
    read = ledger._reader()
    read.set_trace_callback(asked.append)
    ledger.loggers(), ledger.boots(LOGGER), ledger.frame_count(), ledger.frames(LOGGER, kind=EVENT)
    ledger.frames(LOGGER, kind=TICKS, boots=[1], uptime_range=(5000, 6000))
    read.set_trace_callback(None)
    plans = [str(row[3]) for sql in asked for row in read.execute("EXPLAIN QUERY PLAN " + sql)]
    assert len(asked) == 5
    of_frames = [plan for plan in plans if " frames" in plan]
    assert len(of_frames) == 2
    assert "USING INDEX events (logger=?)" in of_frames[0]
    assert "frames_by_uptime (logger=? AND boot=? AND kind=? AND uptime_ms>? AND uptime_ms<?)" in of_frames[1]


def test_a_loggers_channels_are_found_without_walking_all_its_frames(ledger):
    """The page asks for them of every logger; a season has a million frames of each."""
    ledger.store_frames(HEADED, "test")
    asked = []
    read = ledger._reader()
    read.set_trace_callback(asked.append)
    assert ledger.channels(LOGGER) == {0: "K", 1: "T"}
    read.set_trace_callback(None)
    plans = [str(row[3]) for sql in asked for row in read.execute("EXPLAIN QUERY PLAN " + sql)]
    assert [plan for plan in plans if " frames" in plan] == [
        "SEARCH frames USING INDEX frames_by_uptime (logger=? AND boot=? AND kind=?)"
    ]


def test_a_loggers_channels_are_those_of_the_boot_that_was_heard_of_last(tmp_path):
    clock = SetClock(0.0)
    ledger = Ledger(tmp_path / "l.sqlite", clock)
    newer = encode_ticks(FrameKey(LOGGER, 8, 40), 0, 1000, (Channel("max31855", "N"),), *np.zeros((3, 4, 1), int))
    alone = anchor(50, 0, boot=9)  # of a boot that has no ticks yet
    for frame in (ticks(12, boot=7), newer, alone):
        clock.at += 1
        ledger.store_frames([(check(frame), frame)], "test")
    assert ledger.channels(LOGGER) == {0: "N"}
    ledger.close()


def test_boots_say_what_is_held_of_each(many):
    assert [(b.boot, b.first_uptime_ms, b.last_uptime_ms, b.frames) for b in many.boots(LOGGER)] == [
        (1, 0, 47_000, 13),
        (7, 0, 47_000, 12),
    ]


# durable and whole


def test_commits_are_synced_before_they_are_told(ledger):
    """WAL alone may lose the last commits in a power cut; synchronous FULL (2) syncs the log at each."""
    assert ledger._writer.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert ledger._writer.execute("PRAGMA synchronous").fetchone() == (2,)
    assert ledger._writer.execute("PRAGMA foreign_keys").fetchone() == (1,)


def test_what_is_written_together_is_stored_whole_or_not_at_all(ledger):
    def broken():
        with ledger.together():
            ledger.store_frames(HEADED, "test")
            ledger.start_cook("one")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        broken()
    assert ledger.frame_count() == 0
    assert ledger.cooks() == []


def test_an_inner_failure_that_somebody_caught_still_undoes_the_whole(ledger):
    def half():
        with ledger.together():
            ledger.start_cook("one")
            with pytest.raises(ConfigError):
                ledger.start_cook("")

    half()  # refused before anything was written: the rest may stand
    assert len(ledger.cooks()) == 1

    def broken():
        with ledger.together():
            ledger.start_cook("two")
            with pytest.raises(Exception, match="cook"):
                ledger.add_note(999, None, "wrap")

    with pytest.raises(StoreError, match="none of it was stored"):
        broken()
    assert [cook.name for cook in ledger.cooks()] == ["one"]


def test_a_reader_does_not_wait_for_the_writer(ledger):
    ledger.store_frames(HEADED[:3], "test")
    inside, leave = threading.Event(), threading.Event()

    def write():
        with ledger.together():
            ledger.store_frames(HEADED[3:], "test")
            inside.set()
            leave.wait(20)

    writer = threading.Thread(target=write)
    writer.start()
    assert inside.wait(10)
    try:
        assert ledger.frame_count() == 3  # the last commit, at once, while the writer is in the middle of the next
    finally:
        leave.set()
        writer.join()
    assert ledger.frame_count() == len(HEADED)


def test_many_threads_may_write_and_read_at_once(ledger):
    wrong = []

    def work(part):
        try:
            for at in range(part, len(HEADED), 4):
                ledger.store_frames([HEADED[at]], "test")
                ledger.frames(LOGGER)
        except Exception as error:
            wrong.append(error)

    threads = [threading.Thread(target=work, args=(part,)) for part in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    assert sorted(stored.frame for stored in ledger.frames(LOGGER)) == sorted(FRAMES)


def test_two_processes_may_write_one_ledger(ledger):
    code = (
        "import sys; from pathlib import Path; from pitscribe.ledger.ledger import Ledger\n"
        "from pitscribe.clock import SetClock\n"
        "ledger = Ledger(Path(sys.argv[1]), SetClock(1.7e9))\n"
        "for n in range(40): ledger.start_cook(f'theirs {n}')\n"
    )
    other = subprocess.Popen([sys.executable, "-c", code, ledger.path])
    for n in range(40):
        ledger.start_cook(f"ours {n}")
    assert other.wait(60) == 0
    assert len(ledger.cooks()) == 80


# trouble


def test_a_full_disk_is_told_in_plain_words_and_nothing_is_half_written(ledger):
    (pages,) = ledger._writer.execute("PRAGMA page_count").fetchone()
    ledger._writer.execute(f"PRAGMA max_page_count = {pages + 1}")
    lots = [ticks(sequence, n=255) for sequence in range(400)]
    batch = [(check(frame), frame) for frame in lots]
    with pytest.raises(StoreError, match=r"ledger\.sqlite: the disk is full; free some space"):
        ledger.store_frames(batch, "test")
    assert ledger.frame_count() == 0
    assert ledger.loggers() == []
    ledger._writer.execute("PRAGMA max_page_count = 100000")
    assert ledger.store_frames(batch, "test").new == 400


def test_a_really_full_file_system_is_told_and_survived(tmp_path):
    small = tmp_path / "small"
    small.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", small], check=False, capture_output=True
    )
    if mounted.returncode:
        pytest.skip("mounting a small file system needs root")
    try:
        ledger = Ledger(small / "ledger.sqlite", CLOCK)
        ledger.store_frames(HEADED, "test")
        (small / "ballast").write_bytes(bytes(200_000))
        lots = [(check(f), f) for f in (ticks(sequence, boot=2, n=255) for sequence in range(600))]
        with pytest.raises(StoreError, match="disk"):
            ledger.store_frames(lots, "test")
        assert [stored.frame for stored in ledger.frames(LOGGER)] == FRAMES
        (small / "ballast").unlink()
        assert ledger.store_frames(lots[:50], "test").new == 50
        ledger.close()
        assert Ledger(small / "ledger.sqlite", CLOCK).frame_count() == len(FRAMES) + 50
    finally:
        subprocess.run(["umount", "-l", small], check=True)


def test_a_ledger_that_is_only_read_sees_the_last_commit_refuses_every_change_and_leaves_nothing(ledger):
    ledger.store_frames(HEADED, "test")
    for _ in range(2):  # while another program has it open, and afterwards
        reading = Ledger(ledger.path, CLOCK, read_only=True)
        assert reading.frame_count() == len(FRAMES)
        with pytest.raises(StoreError, match="cannot be written"):
            reading.add_probe("green", "K")
        reading.close()
        ledger.close()
    assert [one.name for one in ledger.path.parent.iterdir()] == [ledger.path.name]
    with pytest.raises(StoreError, match="cannot be"):
        Ledger(ledger.path.with_name("none.sqlite"), CLOCK, read_only=True)


def test_an_earlier_version_that_cannot_be_written_is_told(ledger):
    ledger._writer.execute("PRAGMA user_version = 1")
    ledger.close()
    with pytest.raises(StoreError, match=f"ledger version 1, this one has {len(MIGRATIONS)}"):
        Ledger(ledger.path, CLOCK, read_only=True)


def test_work_that_was_left_where_nothing_can_be_written_is_told(ledger, tmp_path):
    """SQLite cannot take a log in without writing: to read past it would show old data as the present."""
    ledger.store_frames(HEADED, "test")
    still = tmp_path / "still"
    still.mkdir()
    for end in ("", "-wal"):
        shutil.copy(f"{ledger.path}{end}", still)
    if subprocess.run(["mount", "--bind", still, still], check=False, capture_output=True).returncode:
        pytest.skip("making a read-only mount needs root")
    try:
        subprocess.run(["mount", "-o", "remount,ro,bind", still], check=True)
        with pytest.raises(StoreError, match=r"left work in its -wal file; copy the folder"):
            Ledger(still / ledger.path.name, CLOCK, read_only=True)
    finally:
        subprocess.run(["umount", "-l", still], check=True)
    moved = Ledger(still / ledger.path.name, CLOCK)
    assert moved.frame_count() == len(FRAMES)
    moved.close()


def test_a_file_that_is_no_ledger_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "ledger.sqlite"
    path.write_bytes(b"a shopping list, and nothing else\n" * 200)
    before = path.read_bytes()
    with pytest.raises(StoreError, match="is not a ledger; move it away"):
        Ledger(path, CLOCK)
    assert path.read_bytes() == before


def test_another_programs_database_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "ledger.sqlite"
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE notes (id)")
    before = path.read_bytes()
    with pytest.raises(StoreError, match="some other program"):
        Ledger(path, CLOCK)
    assert path.read_bytes() == before


def test_a_later_version_is_refused_and_left_alone(ledger):
    ledger._writer.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    ledger.close()
    before = ledger.path.read_bytes()
    with pytest.raises(StoreError, match=r"later Pitscribe.*update Pitscribe"):
        Ledger(ledger.path, CLOCK)
    assert ledger.path.read_bytes() == before


@pytest.mark.parametrize("harm", ["page", "cut"])
def test_a_damaged_file_is_refused_and_left_alone(ledger, harm):
    ledger.store_frames([(check(f), f) for f in (ticks(sequence, n=255) for sequence in range(300))], "test")
    ledger.close()
    data = bytearray(ledger.path.read_bytes())
    if harm == "page":
        for at in range(5 * 4096, len(data), 4096):
            data[at : at + 64] = b"\xa5" * 64
    else:
        del data[len(data) // 2 :]
    ledger.path.write_bytes(data)
    with pytest.raises(StoreError, match=r"is damaged.*pitscribe recover takes what is good"):
        Ledger(ledger.path, CLOCK, check_pages=True)
    assert ledger.path.read_bytes() == data


def test_a_ledger_that_was_deleted_or_replaced_is_not_written_to(ledger, tmp_path):
    """SQLite would write on into the deleted file, and the loggers would be told that it is stored."""
    ledger.store_frames(HEADED[:1], "test")
    away = tmp_path / "away.sqlite"
    ledger.path.rename(away)
    with pytest.raises(StoreError, match="moved or deleted"):
        ledger.store_frames(HEADED[1:2], "test")
    shutil.copy(away, ledger.path)
    with pytest.raises(StoreError, match="replaced by another"):
        ledger.store_frames(HEADED[1:2], "test")
    ledger.path.unlink()
    away.rename(ledger.path)
    assert ledger.store_frames(HEADED[1:2], "test").new == 1


def test_a_folder_that_cannot_be_is_told(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be opened"):
        Ledger(tmp_path / "file" / "ledger.sqlite", CLOCK)


def test_a_closed_ledger_says_so(ledger):
    ledger.close()
    with pytest.raises(StoreError):
        ledger.store_frames(HEADED, "test")
    with pytest.raises(StoreError):
        ledger.frame_count()


def test_the_schema_refuses_what_cannot_be(ledger):
    """The last line of defence: STRICT types, foreign keys and bounds."""
    for sql in (
        "INSERT INTO notes (cook_id, at_ms, kind, made_ms) VALUES (77, 0, 'wrap', 0)",
        "INSERT INTO cooks (name, started_ms) VALUES ('x', 'yesterday')",
        "INSERT INTO cooks (name, started_ms, ended_ms) VALUES ('x', 10, 5)",
    ):
        with pytest.raises(StoreError, match="does not take this"), ledger._write() as db:
            db.execute(sql)


# aside


def test_the_same_rubbish_is_kept_once_and_counted(ledger):
    for _ in range(3):
        ledger.set_aside([(b"rubbish", "a/topic", "short", "7 bytes")])
    assert ledger.asides() == {"short": 1}
    assert ledger.aside_items("short")[0].times == 3


def test_large_rubbish_is_cut_and_much_of_it_is_only_counted(ledger):
    big = 200_000
    fits = ASIDE_REASON_BYTES // 65536
    with ledger.together():
        for n in range(fits + 5):
            ledger.set_aside([(n.to_bytes(4, "big") * (big // 4), "t", "mark", "")])
    assert ledger.asides() == {"mark": fits + 5}
    (newest,) = ledger.aside_items("mark", limit=1)
    assert len(newest.data) == 65536
    assert newest.size == big
    assert ledger._read("SELECT count(*) FROM asides")[0][0] == fits
    ledger.set_aside([(b"acknowledged", "t", "mark", "")], must_keep=True)
    assert ledger.aside_items("mark", limit=1)[0].data == b"acknowledged"


def test_text_that_is_no_text_is_kept_as_an_escape(ledger):
    ledger.set_aside([(b"x", "half a pair \ud800", "topic", "\udfff")])
    assert ledger.aside_items("topic")[0].source == "half a pair \\ud800"
    ledger.saw_state(1, {"name": "bad \ud800 name"})
    assert ledger.loggers()[0].name == "bad \\ud800 name"


def test_a_loggers_channels_are_those_of_its_newest_frame_even_when_its_last_will_is_the_last_word(tmp_path):
    ledger = Ledger(tmp_path / "l.sqlite", SetClock(0.0))
    assert ledger.channels(LOGGER) == {}
    codes = [[0, 0, 0], None, [0, 0, 0]]
    ledger.saw_now(LOGGER, {"v": 1, "boot": 1, "up": 5, "table": [0x13, 0x00, 0x27], "codes": codes})
    assert ledger.channels(LOGGER) == {0: "K", 2: "T"}
    frame = ticks(0)
    ledger.store_frames([(check(frame), frame)], "test")
    ledger.saw_state(LOGGER, {"v": 1, "online": False, "boot": 1})
    assert ledger.channels(LOGGER) == {0: "K", 1: "T"}
    ledger.close()
