"""What the page may know of the intake while it runs."""

import threading
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from pitscribe.clock import Clock
from pitscribe.intake.gate import Refused
from pitscribe.ledger.values import StoreCount
from pitscribe.wire.messages import Now, State

# Whose last words are kept in memory, some 3 KB each: somebody may make up logger numbers. Many more than one process
# has loggers: one that is forgotten between two words would be told the time with each of them.
MOST_LOGGERS = 8192


@dataclass(frozen=True, slots=True)
class Heard:
    """The last words of one logger, and when they were heard (UTC s of the host's clock)."""

    state: State | None = None
    state_live: bool = False  # False: it came retained, from before we listened
    state_at: float | None = None
    now: Now | None = None
    now_at: float | None = None


class Wrong(NamedTuple):
    """One thing that is wrong at present, in plain words, and since when (UTC s of the host's clock)."""

    text: str
    since: float


@dataclass(frozen=True, slots=True)
class Intaken:
    """How the intake is doing, counted since it was started.

    ``errors``: what is wrong at present, by kind, which goes when it is right again: "broker" (no contact with it),
    "store" (the ledger cannot be written), "clock" (this machine's is not set, so no logger is told the time), "fault"
    (one in pitscribe itself), "secrets" (the loggers' cannot be read), "secret XXXXXXXX" (that logger will not believe
    us, or anybody), "twin XXXXXXXX" (two loggers go by that number), "share", "share link", "share name", "share
    secret" (what stands between this process and others that it takes in together with).
    """

    connected: bool = False
    stored: int = 0  # frames that were new
    known: int = 0  # frames that came again
    clashes: int = 0  # frames under a known key with other bytes; kept aside
    asides: dict[str, int] = field(default_factory=dict)  # by reason, repetitions counted
    queue: int = 0  # messages that wait for the writer
    faults: int = 0  # faults in pitscribe itself
    store_ok: bool = True  # False while the ledger cannot be written
    clock_ok: bool = True  # False while this machine's clock is not set
    errors: dict[str, Wrong] = field(default_factory=dict)
    heard: dict[int, Heard] = field(default_factory=dict)


class Status:
    """Written by the intake's two threads, read by any."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._now = Intaken()
        self._asides: Counter[str] = Counter()
        self._errors: dict[str, Wrong] = {}
        self._heard: dict[int, Heard] = {}

    def read(self, queue: int) -> Intaken:
        """A copy that does not change any more."""
        with self._lock:
            return replace(
                self._now,
                queue=queue,
                asides=dict(self._asides),
                store_ok="store" not in self._errors,
                clock_ok="clock" not in self._errors,
                errors=dict(self._errors),
                heard=dict(self._heard),
            )

    def connected(self, yes: bool) -> None:
        """Whether the broker is there and we are subscribed."""
        with self._lock:
            self._now = replace(self._now, connected=yes)
            if yes:
                self._errors.pop("broker", None)

    def wrong(self, kind: str, text: str) -> None:
        """Something of a kind (see ``Intaken``) went wrong, or still is."""
        with self._lock:
            old = self._errors.get(kind)
            if old is None or old.text != text:
                self._errors[kind] = Wrong(text, self._clock.now() if old is None else old.since)
            self._now = replace(self._now, faults=self._now.faults + (kind == "fault"))

    def right(self, kind: str) -> None:
        """What was wrong of a kind is so no longer."""
        with self._lock:
            self._errors.pop(kind, None)

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
            )
            self._errors.pop("store", None)

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
