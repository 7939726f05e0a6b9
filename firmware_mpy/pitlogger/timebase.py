"""Uptime from wrapping ticks, and the anchors that tie it to UTC. Uptime is the only clock the logger relies on."""

from micropython import const

_LOW_BITS = const(24)  # uptime is kept as two halves of 24 bits, so that neither leaves the board's small integers
_LOW = const(0x1000000)
_STALE_MS = const(60000)  # an answer to something said longer ago is of no use
# So often an anchor is journalled though it is no better: the drift of the clock shows. The host answers once an hour;
# an hour here would become two whenever an answer comes a little early.
_AGAIN_MS = const(3000000)
_QUARREL_MS = const(60000)  # so often, at most, one is journalled because it contradicts the best
_DRIFT = const(10000)  # one part in so many (100 ppm) is the most that the crystal is off, as the host has it


class Uptime:
    """Milliseconds since start, in 48 bits.

    ``advance`` must be called at least once in half a period of the ticks (6 days on the RP2040); the sampler does.
    """

    def __init__(self, clock):
        self._clock = clock
        self._last = clock.ticks_ms()
        self.high = 0
        self.low = 0

    def advance(self):
        """Bring ``high`` and ``low`` up to now. Allocates nothing."""
        now = self._clock.ticks_ms()
        self.low += self._clock.ticks_diff(now, self._last)
        self._last = now
        while self.low >= _LOW:
            self.low -= _LOW
            self.high += 1

    def now(self):
        """Return the uptime as one number. [ms]"""
        self.advance()
        return self.high << _LOW_BITS | self.low


class Anchors:
    """The best statement of this boot about what UTC it was at what uptime."""

    def __init__(self, boot):
        self._boot = boot
        self._journalled = 0
        self._quarrelled = None  # when one was last journalled because it contradicts the best
        self.best = None  # {"up", "utc_ms", "err_ms", "from"} as in the state message

    def answer(self, order, uptime, source="host"):
        """Take an ``order`` of time that came at ``uptime``; return the anchor if the journal is to have it, else None.

        WIRE.md section 5: the host's clock was read between what we said and its answer, so half the time between
        them is added to the host's own error. A phone answers in the same way what the page told it. Raises ValueError
        on an order that cannot be.
        """
        said, utc, err = order.get("re_up"), order.get("utc_ms"), order.get("err_ms")
        if order.get("boot") != self._boot:
            return None
        if not (isinstance(said, int) and isinstance(utc, int) and isinstance(err, int)):
            raise ValueError("time: re_up, utc_ms and err_ms must be whole numbers")
        if not (0 <= said <= uptime and utc > 0 and err >= 0):
            raise ValueError("time: out of range")
        if uptime - said > _STALE_MS:
            return None
        err += (uptime - said + 1) // 2
        return self.take({"up": (said + uptime) // 2, "utc_ms": utc, "err_ms": err, "from": source}, uptime)

    def take(self, anchor, uptime):
        """Take an anchor of any source that came at ``uptime``; return it if the journal is to have it, else None."""
        err = anchor["err_ms"]
        if self.best is not None and _contradict(self.best, anchor):
            # Which of the two is right is for the host to find out; ours is the newer one.
            if self._quarrelled is not None and uptime - self._quarrelled < _QUARREL_MS:
                return None
            self._quarrelled = uptime
            if anchor["up"] > self.best["up"]:
                self.best = anchor
        elif self.best is None or err * 3 <= self.best["err_ms"] * 2:
            self.best = anchor
        elif uptime - self._journalled < _AGAIN_MS:
            return None
        self._journalled = uptime
        return anchor


def _contradict(one, other):
    """Return whether two anchors cannot both be true, however the crystal went between them."""
    between = abs(one["up"] - other["up"])
    apart = abs(one["utc_ms"] - other["utc_ms"] - one["up"] + other["up"])
    return apart > one["err_ms"] + other["err_ms"] + between // _DRIFT + 1
