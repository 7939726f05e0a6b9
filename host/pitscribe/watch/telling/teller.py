"""The teller: while a cook runs, tells what is to be told, once, and sends it to who is away.

Two threads. One looks: every few seconds at the newest snapshot, for delays run on while nothing changes. The other
sends what was written down: a server that is slow or dead holds nobody up, and is tried again, ever more rarely. What
was written down and not sent when the host ended is sent after its next start, if it is no older than an hour.
"""

import contextlib
import logging
import threading
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, field

from pitscribe.clock import Clock
from pitscribe.errors import PitscribeError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.toldbook import ToldRow
from pitscribe.watch import fault
from pitscribe.watch.live import Watch
from pitscribe.watch.snapshot import Snapshot
from pitscribe.watch.telling.conditions import KINDS, conditions_of
from pitscribe.watch.telling.decide import Decision, Seen, Told, decide
from pitscribe.watch.telling.post import Post
from pitscribe.watch.telling.words import Reader, back

Sound = Callable[[int, str, int], None]  # has a logger sound a pattern for so many seconds

# Of what is told, by its kind, what is worth a sound at the cooker, and the pattern of the logger's buzzer for it.
SOUNDS = {"fire": "low", "band": "high", "target": "target", "probe": "lost", "safety": "high"}
SOUND_S = 20  # our own judgement, no source
LOOK_EVERY_S = 5.0
RETRY_S = (10.0, 600.0)
STALE_MS = 3_600_000  # a message that could not be sent for so long is not sent any more: it is on the page
log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Rules:
    """What a person wants to be told. ``spread_limit_k`` None: not the spread."""

    kinds: Collection[str] = tuple(KINDS)
    spread_limit_k: float | None = None
    reader: Reader = field(default_factory=Reader)  # of what is sent; the page has readers of its own


class Teller:
    """``start(watch)`` tells until ``stop()``. Without ``post`` it is told on the page alone; with ``sound`` the cook's
    loggers sound as well."""

    def __init__(
        self,
        ledger: Ledger,
        clock: Clock,
        rules: Rules,
        post: Post | None = None,
        *,
        sound: Sound | None = None,
        real: Callable[[], float] = time.monotonic,
        look_every_s: float = LOOK_EVERY_S,
        retry_s: tuple[float, float] = RETRY_S,
    ) -> None:
        """``clock``: what time it is;  ``real``: seconds that never jump, for retries."""
        self._ledger, self._clock, self._rules, self._post = ledger, clock, rules, post
        self._sound = sound
        self._real, self._look_every_s, self._retry_s = real, look_every_s, retry_s
        self._seen: dict[int, Seen] = {}
        self._newest: Snapshot | None = None
        self._poked, self._written = threading.Event(), threading.Event()
        self._stopping = False
        self._threads: list[threading.Thread] = []
        self._deaf: Callable[[], None] = lambda: None
        self.trouble: str | None = None  # why messages do not go out, in words

    def start(self, watch: Watch) -> None:
        """Begin to look at what the watch sees."""
        self._newest = watch.latest()
        self._deaf = watch.listen(self._hear)
        jobs = [("teller", self._look_on)] + ([("post", self._send_on)] if self._post else [])
        self._threads = [threading.Thread(target=job, name=name, daemon=True) for name, job in jobs]
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End both threads; what has not gone out stays written down."""
        self._deaf()
        self._stopping = True
        self._poked.set()
        self._written.set()
        for thread in self._threads:
            thread.join(5)  # one that waits for a dead server is a daemon, and is left behind

    def _hear(self, snapshot: Snapshot) -> None:
        self._newest = snapshot
        self._poked.set()

    # looking

    def _look_on(self) -> None:
        while not self._stopping:
            self._poked.wait(self._look_every_s)
            self._poked.clear()
            if self._newest is not None and not self._stopping:
                try:
                    self.look(self._newest)
                except Exception as error:
                    fault.tell(log, "alerts: a fault", error)

    def look(self, snapshot: Snapshot) -> list[ToldRow]:
        """Write down what this snapshot makes to be told now; return it. Raises StoreError."""
        cook = snapshot.body.get("cook")
        if not cook:
            return []
        now, cook_id = self._clock.now(), int(cook["id"])
        told = [Told(r.key, r.kind, r.words, r.once) for r in self._ledger.told(cook_id, lasting=True)]
        keys = {t.key for t in told}
        holds = conditions_of(snapshot.body, now, keys, spread_limit_k=self._rules.spread_limit_k)
        decided = decide(
            holds, told, self._seen.get(cook_id, Seen()), now, kinds=self._rules.kinds,
            quiet_until=self._ledger.quiet_until_ms() / 1000,
        )
        self._seen = {cook_id: decided.seen}
        if not (decided.tell or decided.over):
            return []
        rows = self._ledger.tell(cook_id, _items(decided, now), decided.over)
        if rows:
            self._written.set()
            self._call(rows, snapshot)
        return rows

    def _call(self, rows: list[ToldRow], snapshot: Snapshot) -> None:
        """Sound, on every logger of the cook, each alert that is worth it; that it is over is no alert."""
        if self._sound is None:
            return
        for row in rows:
            pattern = "low" if row.key == "band-low" else SOUNDS.get(row.kind)
            if pattern is None or row.key.startswith("back:"):
                continue
            for logger in snapshot.body["loggers"]:
                self._sound(int(logger["logger"], 16), pattern, SOUND_S)

    # sending

    def _send_on(self) -> None:
        wait = 0.0
        while not self._stopping:
            self._written.wait(wait or None)
            self._written.clear()
            if wait:  # a new message does not shorten the wait for a server that is away
                deadline = self._real() + wait
                while not self._stopping and self._real() < deadline:
                    time.sleep(min(0.2, wait))
            if self._stopping:
                return
            whole = True
            with contextlib.suppress(PitscribeError):
                whole = self.send_waiting()
            wait = 0.0 if whole else min(self._retry_s[1], max(self._retry_s[0], 2 * wait))

    def send_waiting(self) -> bool:
        """Send what was written down and has not gone out; whether all of it went. Raises StoreError."""
        assert self._post is not None
        for row in self._ledger.unsent(round(self._clock.now() * 1000) - STALE_MS):
            try:
                taken = self._post.send(title_of(row), self._rules.reader.read(row.words))
                why = "not every address took the last message"
            except PitscribeError as error:
                taken, why = False, str(error)
            self.trouble = None if taken else why
            if not taken:
                return False
            self._ledger.sent(row.id)
        return True


def title_of(row: ToldRow) -> str:
    """The title of a message: what it is about."""
    return f"Pitscribe: {'over: ' if row.key.startswith('back:') else ''}{row.kind}"


def _items(decided: Decision, now: float) -> list[tuple[str, str, str, bool]]:
    over = [(f"back:{t.key}:{now:.0f}", t.kind, back(t.words), True) for t in decided.back]
    return [(c.key, c.kind, c.words, c.once) for c in decided.tell] + over
