"""Memory for a stretch of ticks: the sampler fills it, the encoder reads it."""

from array import array

from micropython import const

STRETCH = const(64)  # ticks, as WIRE.md section 2.2 has it


class Stretch:
    """So many ticks of so many channels.

    ``columns`` are hot, cold and fault, each with the codes of all channels of the first tick, then of the next;
    ``missed`` is a bitmap as in WIRE.md section 2; ``ticks`` counts all, ``present`` those with values; ``high`` and
    ``low`` are the uptime of the first tick, two halves of 24 bits.
    """

    def __init__(self, ticks, channels):
        n = ticks * channels
        self.columns = array("i", bytes(4 * n)), array("h", bytes(2 * n)), array("h", bytes(2 * n))
        self.missed = bytearray(32)
        self.clear()

    def clear(self):
        """Make it empty."""
        self.ticks = self.present = 0
        self._end = 0  # of the codes there are
        self.high = self.low = 0
        for i in range(len(self.missed)):
            self.missed[i] = 0

    def put(self, row):
        """Append a tick: hot, cold and fault of each channel, one channel behind the other. Allocates nothing."""
        hot, cold, fault = self.columns
        at = self._end
        for i in range(0, len(row), 3):
            hot[at] = row[i]
            cold[at] = row[i + 1]
            fault[at] = row[i + 2]
            at += 1
        self._end = at
        self.ticks += 1
        self.present += 1
