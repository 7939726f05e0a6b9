"""Which logger is told the time when (WIRE.md section 5, ``order: time``)."""

from typing import NamedTuple

from pitscribe.clock import Clock, ClockErr
from pitscribe.intake.status import MOST_LOGGERS
from pitscribe.wire import messages

ANCHOR_EVERY_S = 3600.0
BETTER = 1.5  # an error so many times smaller is worth telling a boot at once (the firmware's own rule)
CLOCK_NOT_SET = (
    "this machine's clock is not set yet, so loggers are not told the time; connect it to the network, or, if the "
    "clock is right, say trust_clock = true under [host] in pitscribe.toml"
)


class _Told(NamedTuple):
    """What a logger was told last: for which boot, when, and how far off it may have been."""

    boot: int
    at: float
    err_ms: int


class TimeTeller:
    """Makes the orders of time; remembers whom it told, for the MOST_LOGGERS that were heard of last."""

    def __init__(self, clock: Clock, clock_err_ms: ClockErr, every_s: float = ANCHOR_EVERY_S) -> None:
        """``every_s``: how often at most a boot is told, in seconds of ``clock``, if the clock got no better."""
        self._clock, self._clock_err_ms, self._every_s = clock, clock_err_ms, every_s
        self._told: dict[int, _Told] = {}

    def __len__(self) -> int:
        return len(self._told)

    def knows(self) -> bool:
        """Whether the clock is set, so that it can be told."""
        return self._clock_err_ms() is not None

    def forget(self) -> None:
        """Tell each logger anew: what was sent may not have arrived."""
        self._told.clear()

    def order(self, logger: int, boot: int, up_ms: int) -> bytes | None:
        """The order for a logger that has just said ``up_ms`` of a boot; None if it is not due, or nobody knows."""
        err_ms, at = self._clock_err_ms(), self._clock.now()
        if err_ms is None:
            return None
        told, order = self._told.pop(logger, None), None
        recent = told is not None and told.boot == boot and 0 <= at - told.at < self._every_s
        if told is None or not recent or err_ms * BETTER <= told.err_ms:
            order = messages.time_order(boot, up_ms, round(at * 1000), err_ms)
            told = _Told(boot, at, err_ms)
        # Put back at the end: what falls out is the one not heard of for longest. Somebody may make up numbers.
        self._told[logger] = told
        if len(self._told) > MOST_LOGGERS:
            del self._told[next(iter(self._told))]
        return order
