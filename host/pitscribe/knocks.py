"""Wrong passwords, counted and told: in the log and to who watches the page, until some time has passed without one."""

import logging
import threading
from collections.abc import Callable

log = logging.getLogger(__name__)

FORGET_S = 86_400.0
TOLD_FROM = 5  # people mistype
# At these counts something is said anew: a guesser shall not fill the log.
STEPS = (1, TOLD_FROM, 20, 100, 500, 2_000, 10_000, 50_000)


class Knocks:
    """Counts who was turned away. Of what was typed nothing is kept."""

    def __init__(self, now: Callable[[], float], what: str, forget_s: float = FORGET_S) -> None:
        """``now``: the time of this machine, s;  ``what``: they want to come in to, in the log."""
        self._now, self._what, self._forget_s = now, what, forget_s
        self._lock = threading.Lock()
        self._count, self._last = 0, -forget_s
        self._said: tuple[str, float] | None = None

    def wrong(self, who: str) -> None:
        """Somebody gave a wrong password, or a link that is not good. ``who``: an address, a name if it is known."""
        with self._lock:
            now = self._now()
            if now - self._last > self._forget_s:
                self._count, self._said = 0, None
            self._count, self._last = self._count + 1, now
            if self._count not in STEPS:
                return
            if self._count < TOLD_FROM:
                log.warning("%s: a wrong password from %s", self._what, who)
            else:
                words = f"{self._count} wrong passwords or more were tried, at last from {who}"
                self._said = words, now

    @property
    def trouble(self) -> tuple[str, float] | None:
        """What is to be told, and since when [UTC s]; None: nothing."""
        with self._lock:
            return None if self._now() - self._last > self._forget_s else self._said
