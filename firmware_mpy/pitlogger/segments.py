"""One segment of the journal, as WIRE.md section 4 has it: its head, and the good frames in it."""

import binascii
import struct

from micropython import const

from pitlogger.frames import HEAD, MAX_FRAME

SEGMENT = const(16384)
SEGMENT_HEAD = const(16)
LEAST_FRAME = const(24)
_MAGIC = b"PSJ1"
_PIECE = const(512)  # so much is passed over where the flash cannot be read


def head(logger, sequence):
    """Return the head of the segment whose first frame is ``sequence``."""
    text = _MAGIC + struct.pack("<II", logger, sequence)
    return text + struct.pack("<I", binascii.crc32(text))


def number(entry):
    """Return the sequence number that a file's name says, or None if it is not the name of a segment."""
    try:
        first = int(entry[:8], 16)
    except ValueError:
        return None
    return first if entry == "%08x.seg" % first else None


def frame_sequence(frame):
    """Return the sequence number of a frame."""
    return struct.unpack_from("<I", frame, 10)[0]


def frame_boot(frame):
    """Return the boot number of a frame."""
    return struct.unpack_from("<H", frame, 8)[0]


def good_frame(f, offset, size, buf, patient=True):
    """Look on from ``offset``, byte by byte, for a frame that checks; return (offset, length), length 0 at the end.

    Where the flash cannot be read that is an OSError or, if not ``patient``, the search goes on behind that place.
    """
    while offset + LEAST_FRAME <= size:
        try:
            length = _frame_at(f, offset, buf)
            if length:
                return offset, length
            f.seek(offset + 1)
            piece = f.read(256)
            mark = piece.find(b"\xc1")
            offset += 1 + (len(piece) if mark < 0 else mark)
        except OSError:
            if patient:
                raise
            offset = offset // _PIECE * _PIECE + _PIECE
    return size, 0


def torn(f, offset, size, buf):
    """Return whether a segment ends, from ``offset`` on, in the beginning of a frame: what a power cut leaves."""
    if size - offset < HEAD:
        return True
    f.seek(offset)
    if f.readinto(memoryview(buf)[:HEAD]) != HEAD:
        return False
    length = buf[2] | buf[3] << 8
    return buf[0] == 0xC1 and size - offset < length <= MAX_FRAME


def _frame_at(f, offset, buf):
    """Read the frame at ``offset`` into ``buf``; return its length, or 0 if what is there does not check."""
    f.seek(offset)
    view = memoryview(buf)
    if f.readinto(view[:HEAD]) != HEAD or buf[0] != 0xC1:
        return 0
    length = buf[2] | buf[3] << 8
    if not LEAST_FRAME <= length <= MAX_FRAME or f.readinto(view[HEAD:length]) != length - HEAD:
        return 0
    crc = struct.unpack_from("<I", buf, length - 4)[0]
    return length if binascii.crc32(view[: length - 4]) == crc else 0
