"""The journal: frames on flash in segments, as WIRE.md section 4 has them, until the host has them in its database.

One write and one flush a frame: the cost on littlefs is per flush, whatever its size, and nothing that was flushed is
lost to a power cut. A sequence number is used up even when its frame could not be written, because part of it, or all,
may have reached the flash: two frames must never have one key. So there can be holes; a reader goes on behind them.
"""

import binascii
import os
import struct

from micropython import const

from pitlogger import files
from pitlogger.frames import HEAD, MAX_FRAME

_SEGMENT = const(16384)
_SEGMENT_HEAD = const(16)
_LEAST_FRAME = const(24)
_RESERVE_MOST = const(131072)  # bytes of the file system left free: a tenth of it, and at most this
_MAGIC = b"PSJ1"


class Journal:
    """The frames of one logger in ``folder``. ``most_bytes`` (0: no limit) bounds the segments besides the flash.

    ``boot`` is the number of this run; ``next`` the sequence number to be written next; ``cursor`` the first that is
    not known to be stored; ``lost`` counts frames given up in this run; ``ok`` is False while none can be written.
    """

    def __init__(self, folder, logger, most_bytes=0):
        self._folder = folder
        self._logger = logger
        self._most = most_bytes
        self._head = bytearray(HEAD)
        self._names = []  # first sequence number of each segment, ascending
        self._file = None  # the segment that is written, and its length
        self._length = 0
        self._at = (-1, 0, 0)  # reader: sequence number wanted next, its segment, its offset
        self._cursor_kept = 0
        self.lost = 0
        self.ok = True
        try:
            self._recover()
        except OSError:
            self.ok = False
            # The numbers that were in use are not known: go on well behind them.
            self.next = self.cursor = self._names[-1] + 0x10000 if self._names else 0
        self.boot = self._count_boot()

    @property
    def first(self):
        """The sequence number of the oldest segment, or ``next`` where there is none."""
        return self._names[0] if self._names else self.next

    def append(self, frame):
        """Write and flush one frame whose sequence number is ``next``. Return True if it is on flash."""
        sequence = self.next
        self.next += 1
        try:
            if self._file is None or self._length + len(frame) > _SEGMENT:
                if not self._begin(sequence):
                    self.lost += 1
                    self.ok = False
                    return False
            self._file.write(frame)
            self._file.flush()
            self._length += len(frame)
            self.ok = True
        except OSError:
            # What is on flash now is not known: leave this segment as it is and begin another with the next frame.
            self._close()
            self.lost += 1
            self.ok = False
        return self.ok

    def fetch(self, sequence, buf):
        """Read the first good frame from ``sequence`` on into ``buf`` (4096 bytes); return its length, 0 for none.

        Raises OSError if the flash cannot be read.
        """
        if sequence >= self.next or not self._names:
            return 0
        name, offset = self._place(sequence)
        while name is not None:
            with open(self._path(name), "rb") as f:
                while True:
                    offset, length = _good_frame(f, offset, buf)
                    if not length:
                        break
                    offset += length
                    found = frame_sequence(buf)
                    if found >= sequence:
                        self._at = (found + 1, name, offset)
                        return length
            name, offset = self._after(name), _SEGMENT_HEAD
        return 0

    def move_cursor(self, sequence):
        """All frames before ``sequence`` are stored. Kept on flash when it enters another segment: rarely."""
        self.cursor = sequence
        if self._names and self._segment_of(sequence) != self._segment_of(self._cursor_kept):
            try:
                files.write_number(self._folder + "/cursor", sequence)
                self._cursor_kept = sequence
            except OSError:
                pass  # an old cursor only means that frames are sent twice

    def _begin(self, sequence):
        """Begin the segment whose first frame is ``sequence``. Return False if there is no room for it."""
        self._close()
        while not self._room():
            if len(self._names) < 2 or self._names[1] > self.cursor:
                return False  # what is left is not stored: the oldest is kept, the new one is lost and counted
            os.remove(self._path(self._names[0]))
            del self._names[0]
        if files.exists(self._path(sequence)):
            raise OSError(17)  # never write over a segment
        head = _MAGIC + struct.pack("<II", self._logger, sequence)
        self._file = open(self._path(sequence), "wb")
        self._names.append(sequence)
        self._file.write(head + struct.pack("<I", binascii.crc32(head)))
        self._length = _SEGMENT_HEAD
        return True

    def _close(self):
        if self._file is not None:
            f, self._file = self._file, None
            try:
                f.close()
            except OSError:
                pass

    def _room(self):
        if self._most and (len(self._names) + 1) * _SEGMENT > self._most:
            return False
        stat = os.statvfs(self._folder)
        return stat[3] * stat[0] >= _SEGMENT + min(stat[2] * stat[0] // 10, _RESERVE_MOST)

    # -- reading ---------------------------------------------------------------------------------------------------

    def _segment_of(self, sequence):
        """Return the name of the segment in which a sequence number would be."""
        name = self._names[0]
        for n in self._names:
            if n > sequence:
                break
            name = n
        return name

    def _after(self, name):
        for n in self._names:
            if n > name:
                return n
        return None

    def _place(self, sequence):
        """Return segment and offset from which to look for a sequence number."""
        wanted, name, offset = self._at
        if wanted == sequence and name in self._names:
            return name, offset
        return self._segment_of(sequence), _SEGMENT_HEAD

    def _path(self, name):
        return "%s/%08x.seg" % (self._folder, name)

    # -- recovery --------------------------------------------------------------------------------------------------

    def _recover(self):
        """Find the segments, cut the torn tail of the last one off, and find ``next`` and ``cursor``."""
        if not files.exists(self._folder):
            os.mkdir(self._folder)
        for entry in os.listdir(self._folder):
            if entry.endswith(".new"):
                os.remove(self._folder + "/" + entry)
            elif entry.endswith(".seg"):
                try:
                    self._names.append(int(entry[:-4], 16))
                except ValueError:
                    pass  # not one of ours
        self._names.sort()
        self.cursor = self._cursor_kept = files.read_number(self._folder + "/cursor") or 0
        self.next = self.cursor
        if self._names:
            self.next = max(self.next, self._cut(self._names[-1]))
        self.cursor = max(self.cursor, self.first)

    def _cut(self, name):
        """Cut what does not check off the end of a segment; return the sequence number behind its last good frame."""
        path = self._path(name)
        following = name
        buf = bytearray(MAX_FRAME)
        offset = _SEGMENT_HEAD
        with open(path, "rb") as f:
            f.seek(0, 2)
            size = f.tell()
            while True:
                length = _frame_at(f, offset, buf)
                if not length:
                    break
                following = max(following, frame_sequence(buf) + 1)
                offset += length
            if offset == size:
                self._file, self._length = open(path, "ab"), size
                return following
            # Damage in the middle is not a torn tail: frames behind it are good and stay.
            behind, length = _good_frame(f, offset, buf)
            while length:
                following = max(following, frame_sequence(buf) + 1)
                behind, length = _good_frame(f, behind + length, buf)
                offset = size
        if offset < size or size < _SEGMENT_HEAD:
            self._shorten(path, name, offset)
        return following

    def _shorten(self, path, name, length):
        """Keep the first ``length`` bytes of a segment; one with no frame goes. (A file cannot be truncated here.)"""
        if length <= _SEGMENT_HEAD:
            os.remove(path)
            self._names.remove(name)
            return
        try:
            with open(path, "rb") as old, open(path + ".new", "wb") as new:
                left = length
                while left:
                    piece = old.read(min(left, 512))
                    new.write(piece)
                    left -= len(piece)
                new.flush()
            os.rename(path + ".new", path)
        except OSError:
            return  # no room for a copy: the tail stays, and a new segment begins behind it
        self._file, self._length = open(path, "ab"), length

    def _count_boot(self):
        """Return the number of this boot, one more than the last. A random one if that is lost, or cannot be kept."""
        path = self._folder + "/boot"
        last = files.read_number(path)
        random = struct.unpack("<H", os.urandom(2))[0]
        boot = random if last is None else (last + 1) & 0xFFFF
        try:
            files.write_number(path, boot)
        except OSError:
            self.ok = False
            return random
        return boot


def frame_sequence(frame):
    """Return the sequence number of a frame."""
    return struct.unpack_from("<I", frame, 10)[0]


def frame_boot(frame):
    """Return the boot number of a frame."""
    return struct.unpack_from("<H", frame, 8)[0]


def _frame_at(f, offset, buf):
    """Read the frame at ``offset`` into ``buf``; return its length, or 0 if what is there does not check."""
    f.seek(offset)
    view = memoryview(buf)
    if f.readinto(view[:HEAD]) != HEAD or buf[0] != 0xC1:
        return 0
    length = buf[2] | buf[3] << 8
    if not _LEAST_FRAME <= length <= MAX_FRAME or f.readinto(view[HEAD:length]) != length - HEAD:
        return 0
    crc = struct.unpack_from("<I", buf, length - 4)[0]
    return length if binascii.crc32(view[: length - 4]) == crc else 0


def _good_frame(f, offset, buf):
    """Look on from ``offset``, byte by byte, for a frame that checks; return (offset, length), length 0 at the end."""
    length = _frame_at(f, offset, buf)
    while not length:
        f.seek(offset + 1)
        piece = f.read(256)
        if not piece:
            return offset, 0
        mark = piece.find(b"\xc1")
        if mark < 0:
            offset += len(piece)
            continue
        offset += 1 + mark
        length = _frame_at(f, offset, buf)
    return offset, length
