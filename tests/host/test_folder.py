"""Import of journal segments: everything that is whole, once; everything that is not, aside with its place."""

import struct
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from intake_rig import LOGGER, anchor, ticks

from pitscribe.clock import SetClock
from pitscribe.errors import ConfigError, SourceError
from pitscribe.intake.folder import import_folder
from pitscribe.ledger.ledger import Ledger

START = 1_780_000_000.0


@pytest.fixture
def ledger(tmp_path):
    made = Ledger(tmp_path / "ledger.sqlite", SetClock(START))
    yield made
    made.close()


def segment(frames, first=0, logger=LOGGER):
    """WIRE.md section 4."""
    head = b"PSJ1" + struct.pack("<II", logger, first)
    return head + struct.pack("<I", zlib.crc32(head)) + b"".join(frames)


def write_journal(folder, frames, size=20, logger=LOGGER):
    folder.mkdir(parents=True, exist_ok=True)
    for at in range(0, len(frames), size):
        (folder / f"{at:08x}.seg").write_bytes(segment(frames[at : at + size], at, logger))
    (folder / "boot").write_text("1 83dcefb7")
    (folder / "cursor").write_text("0 f4dbdf21")


FRAMES = [anchor(0, 1_780_000_000_000), *(ticks(n) for n in range(1, 50))]


def test_a_folder_is_taken_in_whole_and_again_changes_nothing(ledger, tmp_path):
    write_journal(tmp_path / "j", FRAMES)
    first = import_folder(ledger, tmp_path / "j")
    assert (first.files, first.frames, first.new, first.known, first.damaged, first.asides) == (3, 50, 50, 0, 0, 0)
    assert (first.loggers, first.boots, first.timeless) == ((LOGGER,), ((LOGGER, 1),), ())
    again = import_folder(ledger, tmp_path / "j")
    assert (again.new, again.known) == (0, 50)
    assert [stored.frame for stored in ledger.frames(LOGGER)] == FRAMES


def test_one_segment_may_be_given(ledger, tmp_path):
    write_journal(tmp_path / "j", FRAMES)
    assert import_folder(ledger, tmp_path / "j" / "00000014.seg").new == 20


def test_a_folder_of_several_loggers_is_taken_in(ledger, tmp_path):
    write_journal(tmp_path / "a" / "journal", FRAMES)
    write_journal(tmp_path / "b" / "journal", [ticks(n, logger=5) for n in range(3)], logger=5)
    result = import_folder(ledger, tmp_path)
    assert result.loggers == (5, LOGGER)
    assert result.new == 53


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_a_damaged_segment_gives_every_whole_frame_and_the_rest_is_aside(tmp_path_factory, data):
    folder = tmp_path_factory.mktemp("damaged")
    whole = segment(FRAMES[:20])
    spoilt = bytearray(whole)
    places = data.draw(st.lists(st.integers(0, len(whole) - 1), min_size=1, max_size=5))
    for place in places:
        spoilt[place] ^= 1 + data.draw(st.integers(0, 254))
    spoilt = spoilt[: data.draw(st.one_of(st.just(len(whole)), st.integers(len(whole) // 2, len(whole))))]
    (folder / "00000000.seg").write_bytes(spoilt)
    survivors, at = [], 16
    for frame in FRAMES[:20]:
        if spoilt[at : at + len(frame)] == frame:
            survivors.append(frame)
        at += len(frame)
    ledger = Ledger(folder / "ledger.sqlite", SetClock(START))
    if survivors:
        result = import_folder(ledger, folder)
        assert [stored.frame for stored in ledger.frames(LOGGER)] == survivors
        aside = ledger.asides().get("damaged", 0)
        assert aside == result.damaged
        kept = sum(len(item.data) for item in ledger.aside_items("damaged"))
        header = 16 if spoilt[:16] == whole[:16] else 0
        assert header + sum(len(f) for f in survivors) + kept == len(spoilt)  # every byte is somewhere
        import_folder(ledger, folder)
        assert ledger.asides().get("damaged", 0) == aside
    ledger.close()


def test_a_damaged_stretch_is_named_by_file_and_offset(ledger, tmp_path):
    whole = segment(FRAMES[:3])
    spoilt = whole[:16] + b"\x00" * 10 + whole[16:]
    (tmp_path / "00000000.seg").write_bytes(spoilt)
    assert import_folder(ledger, tmp_path).damaged == 1
    (item,) = ledger.aside_items("damaged")
    assert item.source == f"{tmp_path}/00000000.seg:16"
    assert item.detail == "10 bytes from byte 16 on are no frame"


def test_a_frame_in_a_segment_of_another_logger_is_aside(ledger, tmp_path):
    (tmp_path / "00000000.seg").write_bytes(segment([ticks(0), ticks(1, logger=5)]))
    result = import_folder(ledger, tmp_path)
    assert (result.new, result.asides) == (1, 1)
    assert ledger.asides() == {"foreign": 1}


# a logger that never saw a host


def test_without_a_start_time_the_timeless_boots_are_told(ledger, tmp_path):
    write_journal(tmp_path / "j", [ticks(n, boot=3) for n in range(5)])
    assert import_folder(ledger, tmp_path / "j").timeless == ((LOGGER, 3),)


def test_a_start_time_places_the_one_boot_that_has_none(ledger, tmp_path):
    write_journal(tmp_path / "j", [*FRAMES, *(ticks(n, boot=2) for n in range(50, 60))])
    result = import_folder(ledger, tmp_path / "j", started_at=START)
    assert result.timeless == ()
    (told,) = ledger.anchors(LOGGER)
    assert (told.boot, told.uptime_ms, told.utc_ms) == (2, 0, 1_780_000_000_000)
    import_folder(ledger, tmp_path / "j", started_at=START - 60)  # corrected
    assert [a.utc_ms for a in ledger.anchors(LOGGER)] == [1_779_999_940_000]


def test_a_start_time_for_two_boots_is_refused_and_nothing_is_stored(ledger, tmp_path):
    write_journal(tmp_path / "j", [ticks(n, boot=2 + n // 5) for n in range(10)])
    with pytest.raises(ConfigError, match=r"switched on 2 times.*boot 2.*boot 3.*--boot N"):
        import_folder(ledger, tmp_path / "j", started_at=START)
    assert ledger.frame_count() == 0


def test_a_start_time_for_one_of_two_boots_is_kept_for_that_one(ledger, tmp_path):
    write_journal(tmp_path / "j", [ticks(n, boot=2 + n // 5) for n in range(10)])
    with pytest.raises(ConfigError, match=r"no boot 4 .*there are: boot 2: .*, boot 3"):
        import_folder(ledger, tmp_path / "j", started_at=START, boot=4)
    assert ledger.frame_count() == 0
    result = import_folder(ledger, tmp_path / "j", started_at=START, boot=3)
    assert (result.placed, result.timeless) == ((LOGGER, 3), ((LOGGER, 2),))
    assert [told.boot for told in ledger.anchors(LOGGER)] == [3]


def test_a_start_time_that_nothing_needs_is_refused(ledger, tmp_path):
    write_journal(tmp_path / "j", FRAMES)
    with pytest.raises(ConfigError, match="leave the start time out"):
        import_folder(ledger, tmp_path / "j", started_at=START)
    assert ledger.frame_count() == 0


# nothing to take in


def test_what_is_no_journal_is_refused(ledger, tmp_path):
    with pytest.raises(SourceError, match="no such file or folder"):
        import_folder(ledger, tmp_path / "nowhere")
    (tmp_path / "empty").mkdir()
    with pytest.raises(SourceError, match=r"no journal segment \(\*\.seg\)"):
        import_folder(ledger, tmp_path / "empty")
    (tmp_path / "picture.seg").write_bytes(bytes(range(256)) * 40)
    with pytest.raises(SourceError, match="not one whole frame"):
        import_folder(ledger, tmp_path / "picture.seg")
    with (tmp_path / "huge.seg").open("wb") as file:
        file.truncate((16 << 20) + 1)
    with pytest.raises(SourceError, match="over 16 MB; that is no journal"):
        import_folder(ledger, tmp_path / "huge.seg")
    assert ledger.asides() == {}
