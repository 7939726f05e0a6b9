"""What time it is, handed in.

Everything on the host that needs the present asks a ``Clock``. In a home that is the system's clock; in the demo and
in tests it is the bench's, which runs some hundred times faster. All are UTC, in seconds since 1970.

Beside a clock goes how far off it may be, a ``ClockErr``: a computer without a battery clock (a Raspberry Pi) goes on
after a power cut from when it was last on, until the network has told it the time.
"""

import contextlib
import ctypes
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

# How far off the clock may be now, a half width in ms; None: it may not have been set at all.
ClockErr = Callable[[], int | None]

NETWORK_ERR_MS = 50  # of a home computer's clock that is kept by network time: common practice, no source
BATTERY_ERR_MS = 60_000  # of one that a battery clock has set: some seconds a month; common practice, no source
_TIME_ERROR = 5  # what adjtimex returns while the clock is not synchronised (its manual page; <sys/timex.h>)
_RTC = Path("/sys/class/rtc")


class Clock(Protocol):
    """Something that knows what time it is."""

    def now(self) -> float:
        """UTC in seconds since 1970."""
        ...


class SystemClock:
    """The clock of this machine."""

    def now(self) -> float:
        """UTC in seconds since 1970."""
        return time.time()


class SetClock:
    """A clock that stands still until it is set: for tests and for looking at an old cook as it was."""

    def __init__(self, at: float) -> None:
        self.at = at

    def now(self) -> float:
        """UTC in seconds since 1970."""
        return self.at


def set_well() -> int | None:
    """The ``ClockErr`` of a clock that is known to be right: the bench's, or one that its owner vouches for."""
    return NETWORK_ERR_MS


def system_clock_err_ms(
    kernel_knows: Callable[[], bool | None] | None = None, rtc: Path = _RTC, clock: Clock | None = None
) -> int | None:
    """The ``ClockErr`` of this machine's clock.

    A system that cannot be asked is taken to know the time. One that says it does not (``kernel_knows`` False) may
    still have it from a battery clock: then the two agree.
    """
    if (kernel_knows or _kernel_knows)() is not False:
        return NETWORK_ERR_MS
    now = (clock or SystemClock()).now()
    for file in rtc.glob("rtc*/since_epoch"):
        with contextlib.suppress(OSError, ValueError):
            if abs(int(file.read_text()) - now) < BATTERY_ERR_MS / 1000:
                return BATTERY_ERR_MS
    return None


def _kernel_knows() -> bool | None:
    """Whether the kernel says that its clock is kept by network time; None if it cannot be asked."""
    try:
        library = ctypes.CDLL(None)
        ask = library.adjtimex if hasattr(library, "adjtimex") else library.ntp_adjtime
        state = ask(ctypes.create_string_buffer(1024))  # a struct timex of zeros changes nothing
    except (OSError, AttributeError, TypeError):
        return None
    return None if state < 0 else state != _TIME_ERROR


def local(utc: float) -> str:
    """UTC seconds -> date and time of day in this machine's zone."""
    return datetime.fromtimestamp(utc, UTC).astimezone().strftime("%Y-%m-%d %H:%M")
