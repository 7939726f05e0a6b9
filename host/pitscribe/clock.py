"""What time it is, handed in.

Everything on the host that needs the present asks a ``Clock``. In a home that is the system's clock; in the demo and
in tests it is the bench's, which runs some hundred times faster. All are UTC, in seconds since 1970.
"""

import time
from typing import Protocol


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
