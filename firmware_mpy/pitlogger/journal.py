"""The journal: frames on flash in segments, as WIRE.md section 4 has them, until the host has them in its database.

One write and one flush a frame: the cost on littlefs is per flush, whatever its size, and nothing that was flushed is
lost to a power cut. A sequence number is used up even when its frame could not be written, because part of it, or all,
may have reached the flash: two frames must never have one key. So there can be holes; a reader goes on behind them.

What cannot be read is never taken for stored. ``next`` may jump over numbers that may be in use; ``cursor`` never
jumps, and passes over frames that no try can read only when one behind them can be: then they are counted as lost.
"""

import os

from micropython import const

from pitlogger import files, forget, segments
from pitlogger.reader import Reader
from pitlogger.segments import SEGMENT, SEGMENT_HEAD
from pitlogger.space import last_number, more_segments, widened

_JUMP = const(0x10000)  # over the numbers in a segment that cannot be read: far more than fit in it
_OPENINGS = const(3)  # tries at start, so that one failed read does not cost the first frame of the boot


class Journal(Reader):
    """The frames of one logger in ``folder``. ``most_bytes`` (0: no limit) bounds the segments besides the flash.

    Where there is no room for frames that are not stored, the oldest are kept and new ones lost or, if ``newest``, the
    oldest segment makes room.

    ``boot`` is the number of this run; ``next`` the sequence number to be written next; ``cursor`` the first that is
    not known to be stored; ``lost`` counts frames given up, in this run and, as far as ``keep_lost`` was called, in
    those before; ``loss`` is None or (from, to), numbers among which the lost ones are, as far as they had any, until
    who has told it sets it back; ``written`` counts bytes; ``ok`` is False while none can be written. A journal whose
    folder cannot be read is opened with the next ``append`` that finds it readable: until then ``next`` and ``cursor``
    are 0, and nothing is fetched.
    """

    def __init__(self, folder, logger, most_bytes=0, newest=False):
        super().__init__(folder)
        self._logger = logger
        self._most = most_bytes
        self._newest = newest
        self._more = None  # whole segments that fit beside those there are; None: not known
        self._file = None  # the segment that is written, and its length
        self._length = 0
        self._cursor_kept = None  # what the file says; None: not known
        self._opened = False
        self.cursor = self.lost = self.written = 0
        self.loss = None
        self.ok = any(self._open() for _ in range(_OPENINGS))
        from pitlogger.recovery import count_boot

        self.boot, kept = count_boot(folder)
        self.ok = self.ok and kept
        del count_boot
        forget(("recovery",))  # it has done its work, but for a folder that could not be read

    def append(self, seal):
        """Write and flush the frame that ``seal(sequence)`` returns. Return True if it is on flash."""
        self.ok = self._opened or self._open()
        if self.ok:
            sequence = self.next
            self.next += 1
            self.ok = self._write(sequence, seal(sequence))
            if not self.ok:
                self._lose(sequence, sequence)
        else:
            self.lost += 1  # of what number is not known
        return self.ok

    def free(self):
        """Return how many bytes of frames can be written before one that is not stored is given up."""
        if self._more is None:
            try:
                self._more = more_segments(self._folder, len(self._names), self._most)
            except OSError:
                return 0
        stored = sum(name <= self.cursor for name in self._names[1:])
        return (self._more + stored) * SEGMENT + (SEGMENT - self._length if self._file else 0)

    def move_cursor(self, sequence):
        """All frames before ``sequence`` are stored, or hidden by damage that ``fetch`` found: these are lost.

        Kept on flash when it enters another segment, which is rare, and when frames are counted as lost, so that the
        next boot does not count them again.
        """
        if sequence < self.cursor:
            return  # what it was has been given up meanwhile
        passed = [first for first in self._damage if first < sequence]
        for first in passed:
            self._lose(first, first + self._damage.pop(first) - 1)
        self.cursor = sequence
        kept = self._cursor_kept
        if passed or (self._names and (kept is None or self._segment_of(sequence) != self._segment_of(kept))):
            try:
                self._keep_cursor()
            except OSError:
                pass  # an old cursor only means that frames are sent twice

    def keep_lost(self, lost):
        """Keep on flash how many frames were lost, for the boots to come."""
        try:
            files.write_number(self._folder + "/lost", lost)
        except OSError:
            pass

    # -- writing ---------------------------------------------------------------------------------------------------

    def _write(self, sequence, frame):
        try:
            if self._cursor_kept is None:
                self._keep_cursor()  # an old one, readable again at the next boot, could be ahead of this frame
            file = self._file
            if file is None or self._length + len(frame) > SEGMENT:
                file = self._begin(sequence)
                if file is None:
                    return False
            file.write(frame)
            file.flush()
            self._length += len(frame)
            self.written += len(frame)
            return True
        except OSError:
            # What is on flash now is not known: leave this segment as it is and begin another with the next frame.
            self._close()
            return False

    def _begin(self, sequence):
        """Begin the segment whose first frame is ``sequence``. Return its file, None if there is no room for it."""
        self._close()
        more = more_segments(self._folder, len(self._names), self._most)
        while not more:
            if not self._make_room(sequence):
                self._more = 0
                return None
            more = more_segments(self._folder, len(self._names), self._most)
        if files.exists(self._path(sequence)):
            raise OSError(17)  # never write over a segment
        self._file = open(self._path(sequence), "wb")
        self._names.append(sequence)
        self._file.write(segments.head(self._logger, sequence))
        self._length = SEGMENT_HEAD
        self._more = more - 1
        return self._file

    def _make_room(self, sequence):
        """Remove the oldest segment if its frames are stored or if the newest are to be kept; return whether it was.

        Frames that so are given up are counted when they are gone, and the cursor goes on behind them.
        """
        names = self._names
        if len(names) > 1 and names[1] <= self.cursor:
            os.remove(self._path(names[0]))
        elif not (self._newest and names):
            return False  # the oldest are kept: the new one is lost and counted
        else:
            following = names[1] if len(names) > 1 else sequence
            path = self._path(names[0])
            try:
                last = last_number(path, names[0], following)
            except OSError:
                last = following - 1
            os.remove(path)
            first = max(self.cursor, names[0])
            if last >= first:
                self._lose(first, last)
            for hidden in [n for n in self._damage if n < following]:
                del self._damage[hidden]
            self.cursor = following
        del names[0]
        return True

    def _lose(self, first, last):
        self.lost += last + 1 - first
        self.loss = widened(self.loss, first, last)

    def _close(self):
        if self._file is not None:
            f, self._file = self._file, None
            try:
                f.close()
            except OSError:
                pass

    def _keep_cursor(self):
        files.write_number(self._folder + "/cursor", self.cursor)
        self._cursor_kept = self.cursor

    # -- recovery --------------------------------------------------------------------------------------------------

    def _open(self):
        """Find the segments, cut the torn tail of the last one off, and find ``next`` and ``cursor``.

        Return False, with nothing changed, if the folder cannot be read. A segment that cannot be read is no reason.
        """
        from pitlogger import recovery

        try:
            entries = recovery.listing(self._folder)
        except OSError:
            return False
        self._names = sorted(n for n in map(segments.number, entries) if n is not None)
        self._cursor_kept = files.read_number(self._folder + "/cursor")
        self.next = self.cursor = max(self._cursor_kept or 0, self.first)
        self.lost += files.read_number(self._folder + "/lost") or 0
        if self._names:
            self._go_on(self._names[-1], recovery.end_of)
        self._opened = True
        recovery.remove_drafts(self._folder, entries)
        return True

    def _go_on(self, name, end_of):
        """Move ``next`` behind the last segment, and go on writing it where that can be done."""
        try:
            following, length = end_of(self._path(name), name)
        except OSError:
            self.next = max(self.next, name + _JUMP)
            return
        # Within a segment there are no holes: so damage in it shows how many frames it hides.
        go_on = length > 0 and following >= self.next
        self.next = max(self.next, following)
        if length == 0:
            self._names.remove(name)
        elif go_on:
            try:
                self._file, self._length = open(self._path(name), "ab"), length
            except OSError:
                pass
