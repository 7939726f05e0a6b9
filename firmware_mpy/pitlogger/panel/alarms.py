"""What is worth a sound, and when: each alarm is told once when it begins, and again only after it was over.

The limits themselves, with their hysteresis, are judged in one place, ``local.Present``, which the page shows too.
"""

from micropython import const

from pitlogger.panel import HIGH, JOURNAL, LOST, LOW, TARGET

SNOOZE_S = const(600)
_LOST_S = const(30)  # without a value, after which a probe that had one is lost; and with one, after which it is not
_HOURS, _HOURS_AGAIN = 1, 2  # of journal left: trouble below the first, until more than the second


class Alarms:
    """``channels`` is a list of ``local.Present``, None where there is none.

    ``active`` has the bits of all alarms that hold, told or not.
    """

    def __init__(self, channels):
        self._channels = channels
        self._holds = {LOW: 0, HIGH: 0, TARGET: 0, LOST: 0, JOURNAL: 0}  # a bit a channel; the journal has bit 0
        self._told = dict(self._holds)
        self._good_since = [None] * len(channels)
        self._quiet_until = 0
        self.active = 0

    def look(self, up_s, journal_ok, hours):
        """Once a second or so, at this uptime [s]; return the bits of what is to be told now."""
        for i, channel in enumerate(self._channels):
            if channel is not None:
                self._hold(LOW, i, channel.alarm < 0)
                self._hold(TARGET if channel.kind == "meat" else HIGH, i, channel.alarm > 0)
                self._hold(LOST, i, self._lost(i, channel, up_s))
        short = hours is not None and hours < (_HOURS_AGAIN if self._holds[JOURNAL] else _HOURS)
        self._hold(JOURNAL, 0, short or not journal_ok)
        now, active, quiet = 0, 0, self.snoozes(up_s)
        for kind, holds in self._holds.items():
            if holds:
                active |= kind
            told = self._told[kind] & holds
            if holds & ~told and not quiet:
                now |= kind
                told = holds
            self._told[kind] = told
        self.active = active
        return now

    def channel(self, kind):
        """Return the number of a channel for which an alarm holds, None where it is no channel's."""
        holds = self._holds[kind]
        return None if kind == JOURNAL else next((i for i in range(len(self._channels)) if holds >> i & 1), None)

    def snooze(self, up_s):
        """Tell nothing for ten minutes; what begins in them and still holds then is told then."""
        self._quiet_until = up_s + SNOOZE_S

    def snoozes(self, up_s):
        """Return whether nothing is told now."""
        return up_s < self._quiet_until

    def _lost(self, i, channel, up_s):
        was = self._holds[LOST] >> i & 1
        if channel.value is None:
            self._good_since[i] = None
            return was or (channel.seen_s is not None and up_s - channel.seen_s >= _LOST_S)
        if self._good_since[i] is None:
            self._good_since[i] = up_s
        return was and up_s - self._good_since[i] < _LOST_S

    def _hold(self, kind, i, yes):
        bit = 1 << i
        if yes:
            self._holds[kind] |= bit
        else:
            self._holds[kind] &= ~bit
