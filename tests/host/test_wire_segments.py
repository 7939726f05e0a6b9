"""Journal segments, whole and damaged (WIRE.md 4)."""

import zlib

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.wire.frames import Channel, FrameKey, encode_event, encode_ticks, seal
from pitscribe.wire.segments import scan_segment, segment_header

LOGGER = 0xABCD


def header(first=5):
    start = b"PSJ1" + LOGGER.to_bytes(4, "little") + first.to_bytes(4, "little")
    return start + zlib.crc32(start).to_bytes(4, "little")


def some_frames(count):
    rng = np.random.default_rng(count)
    out = [encode_event(FrameKey(LOGGER, 1, 5), 0, "boot", {"name": "pit"})]
    for place in range(1, count):
        hot = rng.integers(-4, 5, (20, 1)).cumsum(axis=0)
        out.append(encode_ticks(FrameKey(LOGGER, 1, 5 + place), 20000 * place, 1000, [Channel("max31855", "K")], hot,
                                hot, 0 * hot))
    return out


FRAMES = some_frames(8)
WHOLE = header() + b"".join(FRAMES)
STARTS = [len(header()) + sum(map(len, FRAMES[:n])) for n in range(len(FRAMES) + 1)]


def test_whole_segment_is_read_and_its_header_told():
    assert scan_segment(WHOLE) == (FRAMES, [])
    assert segment_header(WHOLE) == (LOGGER, 5)
    assert segment_header(WHOLE[:15]) is None
    assert segment_header(b"PSJ2" + WHOLE[4:]) is None


def test_segments_one_behind_the_other_are_read_as_if_they_were_files_of_their_own():
    other = header(13)
    assert scan_segment(WHOLE + other + FRAMES[0] + other) == ([*FRAMES, FRAMES[0]], [])
    # A torn frame between two, as a segment is that was removed while it was read; a head that does not check.
    cut = WHOLE[:-3]
    assert scan_segment(cut + other + FRAMES[0]) == ([*FRAMES[:-1], FRAMES[0]], [(STARTS[-2], len(cut) - STARTS[-2])])
    assert scan_segment(WHOLE + b"PSJ2" + other[4:] + FRAMES[0]) == ([*FRAMES, FRAMES[0]], [(len(WHOLE), 16)])


def test_every_cut_leaves_the_frames_before_it():
    for cut in range(len(WHOLE)):
        frames, damaged = scan_segment(WHOLE[:cut])
        whole = sum(start <= cut for start in STARTS[1:])
        assert frames == FRAMES[:whole]
        reached = STARTS[whole] if cut >= 16 else 0
        assert damaged == ([(reached, cut - reached)] if cut > reached else [])


@settings(deadline=None, derandomize=True, max_examples=200)
@given(st.lists(st.tuples(st.integers(0, len(WHOLE) - 1), st.integers(1, 255)), min_size=1, max_size=4))
def test_damaged_bytes_cost_no_frame_but_those_they_hit(hits):
    data = bytearray(WHOLE)
    for at, change in hits:
        data[at] ^= change
    touched = {at for at in range(len(WHOLE)) if data[at] != WHOLE[at]}
    spared = [
        frame
        for frame, first, after in zip(FRAMES, STARTS, STARTS[1:], strict=False)
        if not touched & set(range(first, after))
    ]
    frames, damaged = scan_segment(bytes(data))
    assert frames == spared
    covered = sum(map(len, frames)) + sum(size for _, size in damaged)
    assert covered == len(WHOLE) - (0 if touched & set(range(16)) else 16)


@settings(deadline=None, derandomize=True, max_examples=200)
@given(st.binary(max_size=300) | st.lists(st.just(b"\xc1\x01\x18\x00"), max_size=60).map(b"".join))
def test_any_bytes_are_scanned_to_their_end_and_accounted_for(data):
    frames, damaged = scan_segment(data)
    assert sum(map(len, frames)) + sum(size for _, size in damaged) == len(data)


def test_frame_of_a_later_kind_is_a_frame():
    later = seal(9, FrameKey(LOGGER, 1, 6), 7, b"whatever")
    assert scan_segment(header() + later + FRAMES[1]) == ([later, FRAMES[1]], [])


def test_a_full_segment_of_nothing_but_marks_is_scanned_in_reasonable_time():
    """Each mark announces the longest frame there may be, so that each wants its CRC taken: the worst there is."""
    data = header() + b"\xc1\x01\x00\x10" * 4092
    assert scan_segment(data) == ([], [(16, 16368)])
