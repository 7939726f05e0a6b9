"""Passes frames of other processes' loggers on to them, again and again until they say that they have stored them.

What waits is in the ledger; here is only what was sent and when, of one window for each process. So the end of this
process, or of the other, costs nothing but sending again, and the broker need keep nothing for anybody.
"""

import threading
import time
from collections.abc import Callable

from pitscribe.errors import PitscribeError
from pitscribe.intake.status import Status
from pitscribe.ledger.ledger import Ledger
from pitscribe.wire.share import Here, Layout

WINDOW = 128  # frames on their way to one process
RESEND_S = 10.0  # after so long without `stored`; a commit on a slow disk takes a second
LOOK_S = 5.0  # how often without a reason
GATHER_S = 0.02  # after each look: what comes meanwhile is sent together


class Passing:
    """``step()`` sends what is due; ``start()`` does so in a thread of its own until ``stop()``."""

    def __init__(
        self, ledger: Ledger, layout: Layout, send: Callable[[str, bytes], bool], status: Status, *,
        real: Callable[[], float] = time.monotonic,
    ) -> None:
        """send : publish a payload on a topic; False if there is no connection now;  real : seconds that never jump"""
        self._ledger, self._layout, self._send, self._status, self._real = ledger, layout, send, status, real
        self._lock = threading.Lock()
        self._here: dict[str, Here] = {}
        self._sent: dict[str, dict[int, float]] = {}  # of each process: row -> when
        self._looked = float("-inf")
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    # said by the network's and the writer's thread

    def hears(self, member: str, said: Here) -> None:
        """Another process says whether it takes in. What was sent to it before may be lost: it is sent again."""
        with self._lock:
            self._here[member] = said
            self._sent.pop(member, None)
            self._looked = float("-inf")
        self._wake.set()

    def lost(self) -> None:
        """The connection is gone: who is here will say so again."""
        with self._lock:
            self._here, self._sent = {}, {}

    def wake(self) -> None:
        """A frame has come, or was let go."""
        self._wake.set()

    # running

    def start(self) -> None:
        """Begin, with what waits from before."""
        self._ledger.keep_by(self._layout.keeper_of)
        self._thread = threading.Thread(target=self._run, name="pitscribe-passing", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread."""
        self._stop.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(30)

    @property
    def alive(self) -> bool:
        """Whether its thread runs."""
        return self._thread is not None and self._thread.is_alive()

    def _run(self) -> None:
        while not self._stop.is_set():
            self._wake.wait(LOOK_S)
            self._wake.clear()
            try:
                self.step()
            except Exception as error:  # it goes on: what waits is in the ledger
                words = str(error)
                if not isinstance(error, PitscribeError):
                    words = f"a fault in pitscribe itself: {type(error).__name__}: {error}"
                self._status.wrong("share", words)
            self._stop.wait(GATHER_S)

    def step(self) -> None:
        """Send what is due to each process that is here, and tell of those that are not."""
        now = self._real()
        for member in self._layout.members:
            if self._takes(member):
                self._pass_to(member, now)
        with self._lock:
            due = now - self._looked >= LOOK_S
            self._looked = now if due else self._looked
        if due:
            self._tell()

    def _takes(self, member: str) -> bool:
        with self._lock:
            here = self._here.get(member)
            return here is not None and here.online and here.layout == self._layout.digest

    def _pass_to(self, member: str, now: float) -> None:
        rows = self._ledger.waiting(member, WINDOW)
        with self._lock:
            before = self._sent.get(member, {})
            sent = {one.row: before[one.row] for one in rows if one.row in before}
            self._sent[member] = sent
        for one in rows:
            if now - sent.get(one.row, float("-inf")) >= RESEND_S:
                if not self._send(self._layout.topic(member, one.logger, "frame"), one.frame):
                    return
                sent[one.row] = now  # if it was said to be lost meanwhile, nobody looks at this one any more

    def _tell(self) -> None:
        """Without numbers: what is told is told again when it changes."""
        words = []
        for member in self._ledger.waiting_counts():
            with self._lock:
                here = self._here.get(member)
            wait = f"frames wait here for {member}, which"
            if here is None or not here.online:
                words.append(f"{wait} is away; they are held until it is back (pitscribe share counts them)")
            elif here.layout != self._layout.digest:
                words.append(
                    f"{wait} has another [share] in its pitscribe.toml than this process; make members and keepers the "
                    "same in all, and start them again"
                )
        if words:
            self._status.wrong("share", "; ".join(words))
        else:
            self._status.right("share")
