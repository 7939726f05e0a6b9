"""The gate: what is sound goes on, the rest is kept aside with its reason, and only what is certain is acknowledged."""

import random
import struct
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from intake_rig import LOGGER, anchor, ticks

from pitscribe.intake import gate
from pitscribe.intake.gate import Arrived, sift
from pitscribe.wire.frames import FrameKey, check

GOOD = ticks(5)


def resealed(frame: bytes) -> bytes:
    """The frame with a CRC that agrees again (SOURCES.md: CRC-32, ISO-HDLC)."""
    return frame[:-4] + struct.pack("<I", zlib.crc32(frame[:-4]))


def arrived(data: bytes, logger: int | None = LOGGER) -> Arrived:
    return Arrived(data, "some/topic", logger)


def test_sound_frames_go_on_with_their_heads():
    frames = [ticks(1), anchor(2, 1_780_000_000_000), ticks(3, n=255)]
    out = sift([arrived(frame) for frame in frames])
    assert out.good == [(check(frame), frame) for frame in frames]
    assert out.keys == [FrameKey(LOGGER, 1, n) for n in (1, 2, 3)]
    assert out.held == []
    assert out.refused == []


UNSURE = {
    "nothing": (b"", "short"),
    "cut off": (GOOD[:-1], "short"),
    "one bit": (GOOD[:30] + bytes([GOOD[30] ^ 4]) + GOOD[31:], "crc"),
    "format 2": (resealed(b"\xc2" + GOOD[1:]), "mark"),
    "something behind it": (GOOD + b"x", "length"),
    "64 KB of text": (b"pitmaster " * 6554, "mark"),
}


@pytest.mark.parametrize(("data", "reason"), UNSURE.values(), ids=UNSURE)
def test_what_may_be_any_frame_is_kept_aside_and_not_acknowledged(data, reason):
    """The copy in the journal may be good, so the logger must keep it."""
    out = sift([arrived(ticks(1)), arrived(data), arrived(ticks(2))])
    assert [refused.reason for refused in out.refused] == [reason]
    assert out.refused[0].data == data
    assert [key.sequence for key in out.keys] == [1, 2]


CERTAIN = {
    "a kind of later": (resealed(GOOD[:1] + b"\x07" + GOOD[2:]), "kind"),
    "no such chip": (resealed(GOOD[:24] + b"\xf3" + GOOD[25:]), "body"),
    "an event that is no JSON": (resealed(anchor(5, 1)[:20] + b"[" + anchor(5, 1)[21:]), "body"),
    "an uptime of 8000 years": (resealed(GOOD[:14] + b"\xff" * 6 + GOOD[20:]), "header"),
}


@pytest.mark.parametrize(("data", "reason"), CERTAIN.values(), ids=CERTAIN)
def test_what_is_certain_but_of_no_use_is_kept_aside_and_acknowledged(data, reason):
    """Sending it again would not change it: a logger that is not told would send it for ever."""
    out = sift([arrived(data)])
    assert [held.reason for held in out.held] == [reason]
    assert out.held[0].data == data
    assert out.keys == [FrameKey(LOGGER, 1, 5)]
    assert out.good == []
    assert out.refused == []


@pytest.mark.parametrize("data", [GOOD, CERTAIN["a kind of later"][0]])
def test_a_frame_of_another_logger_than_its_topic_is_foreign(data):
    out = sift([arrived(data, LOGGER + 1)])
    assert [(refused.reason, refused.detail) for refused in out.refused] == [("foreign", "a frame of logger aabb0001")]
    assert out.keys == []
    assert sift([arrived(data, None)]).keys == [FrameKey(LOGGER, 1, 5)]


@settings(max_examples=300, deadline=None)
@given(seed=st.integers(0, 2**32), count=st.integers(1, 12))
def test_no_bytes_make_the_gate_raise_and_nothing_is_lost_in_it(seed, count):
    """Flipped, cut, joined, resealed and random frames: each comes out in exactly one of the three ways."""
    dice = random.Random(seed)
    items = []
    for _ in range(count):
        data = bytearray(ticks(dice.randrange(50), n=dice.choice([1, 4, 33])))
        for _ in range(dice.randrange(4)):
            data[dice.randrange(len(data))] = dice.randrange(256)
        data = bytes(data[: dice.choice([len(data), dice.randrange(len(data) + 1)])])
        if dice.random() < 0.6 and len(data) >= 24:
            data = resealed(data)
        items.append(arrived(data if dice.random() < 0.9 else dice.randbytes(dice.randrange(80)), None))
    out = sift(items)
    came_out = [frame for _, frame in out.good] + [one.data for one in [*out.held, *out.refused]]
    assert sorted(came_out) == sorted(item.data for item in items)
    assert len(out.keys) == len(out.good) + len(out.held)
    for head, frame in out.good:
        assert head == check(frame)


def test_a_fault_of_ours_costs_one_frame_and_not_its_neighbours(monkeypatch):
    def broken_many(frames):
        raise IndexError("a fault in the fast path")

    def broken_one(frame):
        if frame == GOOD:
            raise ZeroDivisionError("and one in the slow path")
        return check(frame)

    monkeypatch.setattr(gate, "check_many", broken_many)
    monkeypatch.setattr(gate, "check", broken_one)
    out = sift([arrived(ticks(1)), arrived(GOOD), arrived(ticks(2))])
    assert [key.sequence for key in out.keys] == [1, 5, 2]  # it would come for ever: acknowledged
    assert out.refused == []
    assert [held.data for held in out.held] == [GOOD]
    assert out.held[0].reason == "fault"
    assert "ZeroDivisionError" in out.held[0].detail


def test_a_fault_of_ours_on_what_may_be_any_frame_is_not_acknowledged(monkeypatch):
    def broken(_):
        raise IndexError("a fault")

    monkeypatch.setattr(gate, "check_many", broken)
    monkeypatch.setattr(gate, "check", broken)
    spoilt = GOOD[:30] + bytes([GOOD[30] ^ 4]) + GOOD[31:]
    out = sift([arrived(spoilt), arrived(b"")])
    assert [refused.reason for refused in out.refused] == ["fault", "fault"]
    assert (out.keys, out.held) == ([], [])
    monkeypatch.setattr(gate, "read_head", broken)
    assert sift([arrived(GOOD)]).keys == []
