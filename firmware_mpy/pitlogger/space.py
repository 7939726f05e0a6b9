"""What room the journal has, and what is given up where there is none left: see the setting ``keep``."""

import os

from micropython import const

from pitlogger.frames import HEAD, MAX_FRAME
from pitlogger.segments import LEAST_FRAME, SEGMENT, SEGMENT_HEAD, frame_sequence

_RESERVE_MOST = const(131072)  # bytes of the file system left free: a tenth of it, and at most this


def more_segments(folder, held, most_bytes):
    """Return how many segments more fit beside those ``held``: on the flash, and in ``most_bytes`` if that is not 0.

    OSError if the flash cannot say.
    """
    stat = os.statvfs(folder)
    more = (stat[3] * stat[0] - min(stat[2] * stat[0] // 10, _RESERVE_MOST)) // SEGMENT
    if most_bytes:
        more = min(more, most_bytes // SEGMENT - held)
    return max(more, 0)


def last_number(path, name, following):
    """Return the number of the last frame in the segment ``name``, by what the heads in it say; ``name`` - 1 for none.

    What damage hides is counted at its most: no more than the bytes can hold, and below ``following``, the next
    segment's name. A frame that is cut off is none.
    """
    head = bytearray(HEAD)
    last, at = name - 1, SEGMENT_HEAD
    with open(path, "rb") as f:
        size = f.seek(0, 2)
        while at + LEAST_FRAME <= size:
            f.seek(at)
            f.readinto(head)
            length = head[2] | head[3] << 8
            if head[0] != 0xC1 or not LEAST_FRAME <= length <= MAX_FRAME:
                return min(following - 1, last + (size - at) // LEAST_FRAME)
            if at + length > size:
                break
            last = frame_sequence(head)
            at += length
    return last


def widened(span, first, last):
    """Return the span of numbers (from, to) that also has ``first`` to ``last``; ``span`` None is an empty one."""
    return (first, last) if span is None else (min(span[0], first), max(span[1], last))
