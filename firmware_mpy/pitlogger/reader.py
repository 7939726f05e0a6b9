"""Reading the journal: frames in the segments of a folder, in order, whatever became of the flash between them."""

from micropython import const

from pitlogger import segments
from pitlogger.frames import MAX_FRAME
from pitlogger.segments import LEAST_FRAME, SEGMENT, SEGMENT_HEAD, frame_sequence

_TRIES = const(60)  # failed reads of one place after which it is passed over; the uplink tries once a second


class Reader:
    """Finds frames in ``folder``. ``next`` is the sequence number behind the last one; ``room`` a buffer for a frame,
    for whoever is done with it before the next thing that is awaited."""

    def __init__(self, folder):
        self._folder = folder
        self.room = bytearray(MAX_FRAME)  # one for all: each would take a fortieth of the heap
        self._names = []  # first sequence number of each segment, ascending
        self._at = (-1, 0, 0)  # sequence number wanted next, its segment, its offset
        self._looked = self._at  # the same of the reader beside
        self._failed = (-1, 0)  # sequence number wanted when the flash could not be read, and how often
        self._damage = {}  # first number hidden by damage: how many; counted when the cursor passes over it
        self.next = 0

    @property
    def first(self):
        """The sequence number of the oldest segment, or ``next`` where there is none."""
        return self._names[0] if self._names else self.next

    def segments(self):
        """Return the names of all segments, ascending: the sequence number of the first frame in each."""
        return self._names

    def path(self, name):
        """Return where a segment lies."""
        return self._path(name)

    def fetch(self, sequence, buf):
        """Read the first good frame from ``sequence`` on into ``buf`` (4096 bytes); return its length, 0 for none.

        Raises OSError if the flash cannot be read. After 60 such failures in a row for one ``sequence``, what cannot
        be read is passed over if there is a good frame behind it.
        """
        if sequence >= self.next:
            return 0
        wanted, tries = self._failed
        try:
            return self._search(sequence, buf, wanted != sequence or tries < _TRIES)
        except OSError:
            self._failed = (sequence, tries + 1 if wanted == sequence else 1)
            raise

    def look(self, sequence, buf, patient=True):
        """As ``fetch``, for a reader beside the uplink: damage that it finds is not counted, and it waits for nothing.

        Raises OSError if the flash cannot be read; not ``patient``, only if there is no good frame behind that place.
        """
        if sequence >= self.next:
            return 0
        at, damage = self._at, self._damage
        self._at, self._damage = self._looked, {}
        try:
            return self._search(sequence, buf, patient)
        finally:
            self._looked, self._at, self._damage = self._at, at, damage

    def _search(self, sequence, buf, patient):
        """``fetch``; if not ``patient``, what cannot be read is passed over, unless nothing behind it can be."""
        name, offset = self._place(sequence)
        damage = {}
        unread = False
        while name is not None:
            following = self._after(name)
            due = max(sequence, name)  # the first number that is not accounted for
            hidden = SEGMENT - offset
            try:
                with open(self._path(name), "rb") as f:
                    size = f.seek(0, 2)
                    at, length = segments.good_frame(f, offset, size, buf, patient)
                    while length:
                        found = frame_sequence(buf)
                        if found >= sequence:
                            if at > offset and found > due:
                                damage[due] = found - due
                            self._damage.update(damage)
                            self._at = (found + 1, name, at + length)
                            return length
                        offset = at + length
                        at, length = segments.good_frame(f, offset, size, buf, patient)
                    # A torn frame was counted when it was written, or is the one that a power cut cost.
                    hidden = 0 if segments.torn(f, offset, size, buf) else size - offset
            except OSError:
                if patient:
                    raise
            if hidden > 0:
                unread = not patient
                frames = min((following or self.next) - due, _frames_in(hidden, offset, due - name))
                if frames > 0:
                    damage[due] = frames
            name, offset = following, SEGMENT_HEAD
        if unread:
            raise OSError(5)  # it may be all of the flash: wait
        self._damage.update(damage)
        return 0

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
        """Return segment and offset from which to look for a sequence number; segment None if there is none."""
        wanted, name, offset = self._at
        if wanted == sequence and name in self._names:
            return name, offset
        return self._segment_of(sequence) if self._names else None, SEGMENT_HEAD

    def _path(self, name):
        return "%s/%08x.seg" % (self._folder, name)


def _frames_in(hidden, offset, before):
    """Return how many frames so many bytes may be, by the mean length of the ``before`` frames up to ``offset``."""
    mean = max((offset - SEGMENT_HEAD) // before, LEAST_FRAME) if before else LEAST_FRAME
    return max((hidden + mean // 2) // mean, 1)
