"""The last 24 hours of every channel, in memory of a fixed size: for page and screen. A reset ends it; then, and where
nobody looked before, ``refill`` makes what it can of the journal.

A point is the mean of its minutes in tenths of a degree C, in a ring: slot s of the boot (s = uptime // step) lies at
s modulo the number of points; slots before the boot are negative. Beside it lie the lowest and the highest single value
of each of the last 24 hours, so that a short spike which the mean hides is still told.
"""

from array import array

from micropython import const

NOTHING = const(-32768)  # no value in this slot
_DAY_S = const(86400)
_HOURS = const(24)
_MOST = const(32767)


class Trend:
    """``step_s`` seconds a point, a divisor of an hour; ``present`` says for each channel whether there is one.

    An array for each channel, not one for all: 2.9 KB in a piece can be had on a heap where 23 KB cannot.
    """

    def __init__(self, present, step_s):
        self.step_s = step_s
        self.points = _DAY_S // step_s
        self._rings = [_filled(self.points) if there else None for there in present]
        self._extremes = [_filled(2 * _HOURS) if there else None for there in present]
        self._sums = [0] * len(self._rings)
        self._counts = [0] * len(self._rings)
        self.slot = -1  # the one that is being filled; those before it are done
        self._hour = -1
        self._oldest = 0

    def begin(self, uptime_s):
        """The values that follow are of this uptime [s], which never runs back. Closes the slots before it."""
        slot = uptime_s // self.step_s
        if slot != self.slot:
            self._close(slot)
        if uptime_s // 3600 != self._hour:
            self._begin_hour(uptime_s // 3600)

    def add(self, channel, hundredths):
        """Take a value [0.01 degC] of a channel that is there."""
        tenths = _tenths(hundredths)
        self._sums[channel] += tenths
        self._counts[channel] += 1
        self._widen(channel, self._hour, tenths)

    def remember(self, channel, first_s, last_s, hundredths):
        """Take a value of the past, which stands for uptimes of this boot or, negative, of earlier ones [s]: it is for
        the slots that have none."""
        tenths, hour = _tenths(hundredths), first_s // 3600
        ring, latest = self._rings[channel], self.slot - 1
        for slot in range(max(first_s // self.step_s, self.slot - self.points), min(last_s // self.step_s, latest) + 1):
            self._oldest = min(self._oldest, slot)
            if ring[slot % self.points] == NOTHING:
                ring[slot % self.points] = tenths
        if self._hour - _HOURS < hour < self._hour:
            self._widen(channel, hour, tenths)

    def first(self):
        """Return the oldest slot that is kept, ``slot`` where none is done."""
        return max(self._oldest, self.slot - self.points)

    def piece(self, channel, slot, most):
        """Return up to ``most`` points [0.1 degC] from ``slot`` on, as little-endian int16 bytes; b"" at the end.

        A piece ends where the ring does. Slots that are no longer kept are NOTHING.
        """
        count = min(most, self.slot - slot)
        if count <= 0:
            return b""
        if slot < self.first():
            return b"\x00\x80" * min(count, self.first() - slot)
        at = slot % self.points
        return bytes(memoryview(self._rings[channel])[at : min(at + count, self.points)])

    def extremes(self, channel):
        """Return (lowest, highest) single value [0.1 degC] of the last 24 hours, the present one included, or None."""
        lowest = highest = None
        kept = self._extremes[channel]
        for at in range(0, 2 * _HOURS, 2):
            if kept[at] != NOTHING:
                lowest = kept[at] if lowest is None else min(lowest, kept[at])
                highest = kept[at + 1] if highest is None else max(highest, kept[at + 1])
        return None if lowest is None else (lowest, highest)

    def _widen(self, channel, hour, tenths):
        extremes, at = self._extremes[channel], 2 * (hour % _HOURS)
        if extremes[at] == NOTHING or tenths < extremes[at]:
            extremes[at] = tenths
        if extremes[at + 1] == NOTHING or tenths > extremes[at + 1]:
            extremes[at + 1] = tenths

    def _close(self, slot):
        """Put the mean of the slot that ends into the rings, and nothing into those that were passed over."""
        gone = range(max(self.slot + 1, slot - self.points), slot)
        for channel, ring in enumerate(self._rings):
            if ring is None:
                continue
            count = self._counts[channel]
            if self.slot >= 0:
                mean = (2 * self._sums[channel] + count) // (2 * count) if count else NOTHING
                ring[self.slot % self.points] = mean
            for passed in gone:
                ring[passed % self.points] = NOTHING
            self._sums[channel] = self._counts[channel] = 0
        self.slot = slot

    def _begin_hour(self, hour):
        for passed in range(max(self._hour + 1, hour - _HOURS + 1), hour + 1):
            at = 2 * (passed % _HOURS)
            for kept in self._extremes:
                if kept is not None:
                    kept[at] = kept[at + 1] = NOTHING
        self._hour = hour


def _tenths(hundredths):
    return max(1 - _MOST, min(_MOST, (hundredths + 5) // 10))


def _filled(count):
    made = array("h", bytes(2 * count))
    for i in range(count):
        made[i] = NOTHING
    return made
