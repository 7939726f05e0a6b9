"""The board's own clock: set for TLS, which looks at a certificate's dates, and for nothing else.

A logger wakes up in 2021, when no certificate of today's held. Until somebody says the time the clock is set to the
latest that is known to be past: the time kept last, or a day after the authority's certificate began to hold (so that
one which was made right after it holds too). A certificate that has run out since is not noticed with such a clock.
"""

from micropython import const

from pitlogger import files

_KEEP_S = const(86400)  # a write to the flash a day
_OFF_S = const(2)  # the clock is set again if it is so far off


class WallClock:
    """``set_clock(s)`` sets the board's clock to UTC in s since 1970; ``path`` is the file of the time kept last."""

    def __init__(self, set_clock, path, uptime):
        self._set = set_clock
        self._path = path
        self._uptime = uptime
        self._kept = files.read_number(path) or 0
        self._base = None  # UTC less uptime, s, as the clock has it
        self.known = False  # whether somebody has said the time in this boot

    def floor(self, not_before):
        """Set the clock to what is surely past, unless the time is known."""
        if not self.known:
            self._apply(max(self._kept, not_before + _KEEP_S if not_before else 0))

    def take(self, anchor):
        """Set the clock by an anchor."""
        now = anchor["utc_ms"] // 1000 + (self._uptime.now() - anchor["up"]) // 1000
        self.known = True
        self._apply(now)
        if now - self._kept >= _KEEP_S or now < self._kept:
            self._kept = now
            try:
                files.write_number(self._path, now)
            except OSError:
                pass  # then the floor is older at the next start

    def _apply(self, now):
        base = now - self._uptime.now() // 1000
        if now and (self._base is None or abs(base - self._base) >= _OFF_S):
            self._base = base
            self._set(now)
