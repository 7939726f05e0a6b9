"""The mirror: a thread that keeps a copy of the ledger's cooks in a time-series database.

It takes from the ledger what is there and keeps no queue of its own: a server that is away for a week costs no memory,
and what changed meanwhile is written as it is then. It holds nobody up: it reads as any reader does, writes a few rows
to the ledger, and leaves the processor to others for most of the time.
"""

import logging
import re
import threading
import time
from collections.abc import Callable
from typing import NamedTuple

from pitscribe.errors import PitscribeError
from pitscribe.ledger.ledger import Ledger
from pitscribe.mirror.connect import connect
from pitscribe.mirror.cooks import Cooks
from pitscribe.mirror.copier import CONFIRM_S, Copier
from pitscribe.mirror.request import PATIENCE, AwayError
from pitscribe.mirror.server import TIMEOUT_S, Address
from pitscribe.mirror.streams import now_streams

RIGHT_EVERY_S = 60.0  # how often it is written down that all is well
log = logging.getLogger(__name__)


class Pace(NamedTuple):
    """How fast it goes, real seconds. Our allowances, no source."""

    every_s: float = 5.0  # between passes
    share: float = 0.2  # of one core, at most
    confirm_s: float = CONFIRM_S  # after a write, when it is read back
    timeout_s: float = TIMEOUT_S
    retry_s: tuple[float, float] = (5.0, 300.0)  # after the first failure, and at most


class Trouble(NamedTuple):
    """What is wrong with the mirror, in words, and since when (UTC s)."""

    text: str
    since: float


class Mirror:
    """``start()`` mirrors until ``stop()``; ``step()`` is one pass, for who has the time."""

    def __init__(
        self, ledger: Ledger, address: Address, name: str, *, pace: Pace | None = None,
        real: Callable[[], float] = time.monotonic,
    ) -> None:
        """name : of the ledger, in the tags;  real : real seconds that never jump"""
        self._ledger, self._address, self._name, self._real = ledger, address, name, real
        self._pace = pace or Pace()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._row = ledger.mirror(address.key)
        self._copier: Copier | None = None
        self._cooks = Cooks(ledger, name, real)
        self._failures = 0
        self._told_right = float("-inf")
        self._said: dict[str, int] = {}  # what a logger said of itself is written once
        self.trouble: Trouble | None = None
        self.written = 0  # points, since the start

    # running

    def start(self) -> None:
        """Begin, in a thread of its own."""
        self._stop.clear()
        self._thread = threading.Thread(target=self._run, name="mirror", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread, after the request that it is in."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join((1 + PATIENCE) * self._pace.timeout_s)
            self._thread = None
        self._leave()

    def _run(self) -> None:
        while not self._stop.is_set():
            began = time.monotonic()
            wait = self.step()
            self._rest(time.monotonic() - began, wait)

    def _rest(self, took: float, least: float = 0.0) -> None:
        """Leave the processor to others; of what was waited for a server nothing is known, so it counts."""
        self._stop.wait(max(least, took / self._pace.share - took))

    def step(self) -> float:
        """One pass; never raises. Returns in how many seconds the next one is due; 0: there is more to do."""
        try:
            more = self._pass()
            self._failures = 0
            self._tell(self._cooks.trouble)
            return 0.0 if more else self._pace.every_s
        except Exception as error:
            words = str(error)
            if not isinstance(error, PitscribeError):
                log.exception("mirror: a fault in pitscribe itself")
                words = f"a fault in pitscribe itself: {type(error).__name__}: {error}"
            self._tell(words)
            self._leave()
            first, longest = self._pace.retry_s
            self._failures += 1
            asked = error.retry_s if isinstance(error, AwayError) else 0.0
            return max(asked, float(min(first * 2 ** min(self._failures - 1, 16), longest)))

    @property
    def done(self) -> bool:
        """Whether all has been written, and of cooks that are over all was read back and found."""
        return self.trouble is None and self._copier is not None and self._cooks.done

    @property
    def reads(self) -> bool:
        """Whether what the server holds can be read back."""
        return self._copier is not None and self._copier.server.reads

    # one pass

    def _pass(self) -> bool:
        copier = self._connected()
        row = self._ledger.mirror(self._address.key)
        if row.again != self._row.again:
            copier.doubt_all()
            self._cooks.look_at_all()
        self._row = row
        written, more = self._cooks.step(copier)
        self.written += written
        self._write_now(copier)
        return more

    def _connected(self) -> Copier:
        if self._copier is None:
            address = self._address if self._address.again is None else self._address.again()
            server = connect(address, self._pace.timeout_s)
            self._copier = Copier(
                self._ledger, self._row.id, server, real=self._real, confirm_s=self._pace.confirm_s, pause=self._pause
            )
        return self._copier

    def _pause(self, took: float) -> None:
        if self._thread is not None:
            self._rest(took)

    def _leave(self) -> None:
        """Let the connection go: what was not sure is in doubt."""
        if self._copier is not None:
            self._copier.server.close()
            self._copier = None

    def _write_now(self, copier: Copier) -> None:
        """What loggers last said of themselves, once each."""
        said = now_streams(self._ledger.loggers(), self._name)
        news = [stream for stream in said if self._said.get(stream.series.text) != stream.t_ms[0]]
        if news:
            copier.server.write([line for stream in news for line in stream.lines()])
            self._said.update({stream.series.text: int(stream.t_ms[0]) for stream in news})

    def _tell(self, words: str | None) -> None:
        """Keep what is wrong, and write it down for who asks from another process."""
        before = None if self.trouble is None else self.trouble.text
        now = self._real()
        if _alike(words, before) and (words is not None or now - self._told_right < RIGHT_EVERY_S):
            return
        since = self._ledger.clock.now() if self.trouble is None else self.trouble.since
        self.trouble = None if words is None else Trouble(words, since)
        self._told_right = now if words is None else float("-inf")
        try:
            self._ledger.mirror_is(self._row.id, words)
        except PitscribeError as error:  # the ledger's own disk is full: that is told by who writes there
            log.warning("mirror: %s", error)


def _alike(words: str | None, before: str | None) -> bool:
    """Whether it is the same trouble: servers put ports and times of day into what they say."""
    return (words is None) == (before is None) and re.sub(r"\d+", "", words or "") == re.sub(r"\d+", "", before or "")
