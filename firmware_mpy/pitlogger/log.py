"""The last lines of what happened, in memory that does not grow: for USB and the page, whatever the network does."""

import struct

from micropython import const

_LINES = const(40)
_LINE = const(64)
_HEAD = const(5)  # uptime in s, length
_TEXT = const(59)


class Log:
    """A ring of 40 lines of 59 bytes. ``uptime`` is a ``timebase.Uptime``."""

    def __init__(self, uptime):
        self._uptime = uptime
        self._ring = bytearray(_LINES * _LINE)
        self._next = 0  # lines added, ever

    def add(self, text):
        """Add a line, cut to what fits; the oldest goes."""
        at = self._next % _LINES * _LINE
        data = text.encode()[:_TEXT]
        while data and not _whole(data):
            data = data[:-1]
        struct.pack_into("<IB", self._ring, at, self._uptime.now() // 1000, len(data))
        self._ring[at + _HEAD : at + _HEAD + len(data)] = data
        self._next += 1

    @property
    def added(self):
        """How many lines were ever added: the number of the line that comes next."""
        return self._next

    def lines(self):
        """Give the lines that are left, oldest first, as (uptime in s, text)."""
        for number in range(max(0, self._next - _LINES), self._next):
            at = number % _LINES * _LINE
            seconds, length = struct.unpack_from("<IB", self._ring, at)
            yield seconds, bytes(self._ring[at + _HEAD : at + _HEAD + length]).decode()


def _whole(data):
    """Return whether the last letter of UTF-8 bytes is all there."""
    try:
        data.decode()
    except (ValueError, UnicodeError):
        return False
    return True
