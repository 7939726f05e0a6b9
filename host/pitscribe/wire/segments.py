"""Journal segments (WIRE.md 4): what is whole in them, and where they are damaged."""

import re
import struct
import zlib

from ..errors import FrameError
from .frames import read_head
from .layout import LONGEST, MARK, SHORTEST

MAGIC = b"PSJ1"
HEADER_SIZE = 16
_HEADER = struct.Struct("<4sIII")
_CANDIDATE = re.compile(b"[%cP]" % MARK)


def segment_header(data: bytes) -> tuple[int, int] | None:
    """Return the logger and the sequence number of the first frame, or None if that is not a sound header."""
    if len(data) < HEADER_SIZE:
        return None
    magic, logger, first, crc = _HEADER.unpack_from(data)
    if magic != MAGIC or crc != zlib.crc32(data[: HEADER_SIZE - 4]):
        return None
    return logger, first


def scan_segment(data: bytes) -> tuple[list[bytes], list[tuple[int, int]]]:
    """Return the frames whose head and CRC agree, of any kind, and (offset, length) of every stretch that is neither
    one of them nor a sound segment header: one segment, or several one behind the other.

    A frame of a kind of the future is returned too: it is a frame, and the gate keeps it aside. What a frame's body
    holds is not looked at here.
    """
    frames: list[bytes] = []
    damaged: list[tuple[int, int]] = []
    good_to = at = 0
    while found := _CANDIDATE.search(data, at):
        at = found.start()
        frame = _frame_at(data, at)
        if frame is not None:
            size = len(frame)
            frames.append(frame)
        elif segment_header(data[at : at + HEADER_SIZE]):
            size = HEADER_SIZE
        else:
            at += 1
            continue
        if at > good_to:
            damaged.append((good_to, at - good_to))
        good_to = at = at + size
    if good_to < len(data):
        damaged.append((good_to, len(data) - good_to))
    return frames, damaged


def _frame_at(data: bytes, at: int) -> bytes | None:
    """Return the frame that begins at ``at``, if one does."""
    if data[at] != MARK or len(data) - at < SHORTEST:
        return None
    length = int.from_bytes(data[at + 2 : at + 4], "little")
    if not SHORTEST <= length <= min(LONGEST, len(data) - at):
        return None
    frame = data[at : at + length]
    try:
        read_head(frame)
    except FrameError as error:
        return frame if error.reason == "kind" else None
    return frame
