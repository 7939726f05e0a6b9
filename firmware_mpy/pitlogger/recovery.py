"""What the journal does at start with what the last boot left: which files there are, and where the last one ends."""

import os
import struct

from micropython import const

from pitlogger import files, segments
from pitlogger.frames import MAX_FRAME
from pitlogger.segments import LEAST_FRAME, SEGMENT_HEAD, frame_sequence

_LISTINGS = const(4)


def listing(folder):
    """Return the names in a folder, which is made if need be. OSError if it cannot be read whole.

    littlefs ends a listing at a failed read without a word, and the next one can have a name too many (seen on a block
    device that fails once): hence twice the same, and with ``boot``, which comes behind the segments.
    """
    before = None
    error = OSError(5)
    for _ in range(_LISTINGS):
        try:
            entries = set(os.listdir(folder))
            if entries == before and ("boot" in entries or not files.exists(folder + "/boot")):
                return entries
            before = entries
        except OSError as failure:
            error = failure
            before = None
    if error.args[0] == 2:  # there is no such folder, however often one asks
        os.mkdir(folder)
        return set()
    raise error


def end_of(path, name):
    """Return (the sequence number behind a segment's last frame, the length at which to go on writing it).

    A torn tail is cut off, which leaves length 0 if nothing was before it: then there is no such file any more. Length
    -1 says not to go on. A tail that is no beginning of a frame is left, and numbers that it may hide are passed over.
    """
    buf = bytearray(MAX_FRAME)
    following, end = name, SEGMENT_HEAD
    with open(path, "rb") as f:
        size = f.seek(0, 2)
        at, length = segments.good_frame(f, end, size, buf)
        while length:
            following, end = frame_sequence(buf) + 1, at + length
            at, length = segments.good_frame(f, end, size, buf)
        if end < size and not segments.torn(f, end, size, buf):
            return following + (size - end) // LEAST_FRAME + 1, -1
    if following == name:
        os.remove(path)
        return name, 0
    if end < size and not _shorten(path, end):
        return following, -1
    return following, end


def count_boot(folder):
    """Return (the number of this boot, whether it could be kept): one more than the last, a random one if that is lost,
    or cannot be kept."""
    path = folder + "/boot"
    last = files.read_number(path)
    random = struct.unpack("<H", os.urandom(2))[0]
    boot = random if last is None else (last + 1) & 0xFFFF
    try:
        files.write_number(path, boot)
    except OSError:
        return random, False
    return boot, True


def remove_drafts(folder, entries):
    """Remove what a power cut left of files that were to be put in place by rename."""
    for entry in entries:
        if entry.endswith(".new"):
            try:
                os.remove(folder + "/" + entry)
            except OSError:
                pass  # in nobody's way


def _shorten(path, length):
    """Keep the first ``length`` bytes of a segment, by way of a copy: a file cannot be truncated here.

    Return False if that fails: the tail then stays, and a new segment begins behind it.
    """
    try:
        with open(path, "rb") as old, open(path + ".new", "wb") as new:
            left = length
            while left:
                piece = old.read(min(left, 512))
                if not piece:
                    return False
                new.write(piece)
                left -= len(piece)
            new.flush()
        os.rename(path + ".new", path)
    except OSError:
        return False
    return True
