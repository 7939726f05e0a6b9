"""What the page may know of the intake while it runs."""

import threading
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from pitscribe.clock import Clock
from pitscribe.intake.gate import Refused
from pitscribe.ledger.values import StoreCount
from pitscribe.wire.messages import Now, State

MOST_LOGGERS = 256  # whose last words are kept in memory: somebody may make up logger numbers


@dataclass(frozen=True, slots=True)
class Heard:
    """The last words of one logger, and when they were heard (UTC s of the host's clock)."""

    state: State | None = None
    state_live: bool = False  # False: it came retained, from before we listened
    state_at: float | None = None
    now: Now | None = None
    now_at: float | None = None


@dataclass(frozen=True, slots=True)
class Intaken:
    """How the intake is doing, counted since it was started."""

    connected: bool = False
    stored: int = 0  # frames that were new
    known: int = 0  # frames that came again
    clashes: int = 0  # frames under a known key with other bytes; kept aside
    asides: dict[str, int] = field(default_factory=dict)  # by reason, repetitions counted
    queue: int = 0  # messages that wait for the writer
    nows_let_go: int = 0  # `now` messages that found the queue full
    store_ok: bool = True  # False while the ledger cannot be written
    last_error: str | None = None
    last_error_at: float | None = None
    last_stored_at: float | None = None
    heard: dict[int, Heard] = field(default_factory=dict)


class Status:
    """Written by the intake's two threads, read by any."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._now = Intaken()
        self._asides: Counter[str] = Counter()
        self._heard: dict[int, Heard] = {}

    def read(self, queue: int) -> Intaken:
        """A copy that does not change any more."""
        with self._lock:
            return replace(self._now, queue=queue, asides=dict(self._asides), heard=dict(self._heard))

    def connected(self, yes: bool) -> None:
        """Whether the broker is there and we are subscribed."""
        with self._lock:
            self._now = replace(self._now, connected=yes)

    def trouble(self, text: str, *, store: bool = False) -> None:
        """Something went wrong; ``store``: with the ledger."""
        with self._lock:
            ok = self._now.store_ok and not store
            self._now = replace(self._now, last_error=text, last_error_at=self._clock.now(), store_ok=ok)

    def stored(self, count: StoreCount, asides: Iterable[Refused]) -> None:
        """A commit was made."""
        with self._lock:
            self._asides.update(aside.reason for aside in asides)
            now = self._now
            self._now = replace(
                now,
                stored=now.stored + count.new,
                known=now.known + count.known,
                clashes=now.clashes + count.clash,
                store_ok=True,
                last_stored_at=self._clock.now() if count.new else now.last_stored_at,
            )

    def let_go(self) -> None:
        """A ``now`` found the queue full."""
        with self._lock:
            self._now = replace(self._now, nows_let_go=self._now.nows_let_go + 1)

    def saw_state(self, logger: int, state: State, live: bool) -> None:
        """A logger's state came."""
        with self._lock:
            if self._room(logger):
                old = self._heard.get(logger, Heard())
                at = self._clock.now()
                self._heard[logger] = replace(old, state=state, state_live=live, state_at=at)

    def saw_now(self, logger: int, now: Now) -> None:
        """A logger's last tick came."""
        with self._lock:
            if self._room(logger):
                self._heard[logger] = replace(self._heard.get(logger, Heard()), now=now, now_at=self._clock.now())

    def _room(self, logger: int) -> bool:
        return logger in self._heard or len(self._heard) < MOST_LOGGERS
