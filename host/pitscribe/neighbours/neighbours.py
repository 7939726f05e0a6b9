"""The thread that keeps up what other programs on the broker see: at a gentle pace, from the watch's own snapshot."""

import json
import logging
import threading

from pitscribe.clock import Clock
from pitscribe.errors import PitscribeError
from pitscribe.neighbours.discovery import Hub, discovery_of, is_config
from pitscribe.neighbours.line import LAST_WORD_S, Line
from pitscribe.neighbours.packs import packs_of
from pitscribe.neighbours.shown import Book, Shown
from pitscribe.watch import fault
from pitscribe.watch.live import Watch
from pitscribe.wire.messages import host_topic

EVERY_S = 10.0  # a frame with news comes each half minute
STOP_S = 10.0
FIRST_S = 0.5  # the first is shown as soon as the watch has one
log = logging.getLogger(__name__)


def state_of(online: bool) -> bytes:
    """What lies at the host's own topic ``state``: whether what else it shows is kept up."""
    return json.dumps({"v": 1, "online": online}).encode()


def last_will(host: int) -> tuple[str, bytes]:
    """(topic, payload) that the broker is to show when the host has ended without a word."""
    return host_topic(host, "state"), state_of(False)


class Neighbours:
    """``start()`` shows what the watch sees until ``stop()``."""

    def __init__(
        self, watch: Watch, clock: Clock, line: Line, book: Book, *, hub: Hub | None = None,
        every_s: float = EVERY_S,
    ) -> None:
        """``hub`` None: home hubs are told nothing;  ``every_s``: real seconds between turns."""
        self._watch, self._clock, self._line = watch, clock, line
        self._shown = Shown(book, line)
        self._host, (self._state, self._offline) = book.host, last_will(book.host)
        self._hub, self._every_s = hub, every_s
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="neighbours", daemon=True)
        self.trouble: str | None = None  # why nothing is shown, in words

    def start(self) -> None:
        """Begin, in a thread of its own."""
        self._thread.start()

    def stop(self) -> None:
        """End the thread, and take the packs away. How a hub is to read them stays: they come again."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(STOP_S)
        if self._thread.is_alive():
            return  # it waits for a broker that does not answer, and has the line: the broker's word is our last will
        try:
            self._shown.show({self._state: self._offline}, leave=is_config)
            self._shown.settle(LAST_WORD_S)
        except PitscribeError as error:
            fault.tell(log, "neighbours: not all was cleared", error)
        finally:
            self._line.close()

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self.turn()
                self.trouble = self._line.trouble
            except PitscribeError as error:
                self.trouble = str(error)
            except Exception as error:
                self.trouble = f"a fault in pitscribe itself: {type(error).__name__}: {error}"
                fault.tell(log, "neighbours: a fault", error)
            begun = self._watch.latest() is not None
            self._stopping.wait(self._every_s if begun else min(self._every_s, FIRST_S))

    def turn(self) -> None:
        """Show what is so now. Raises ConfigError if it cannot be written down what is shown."""
        snapshot = self._watch.latest()
        if snapshot is None:
            return
        self._line.connect()
        body = snapshot.body
        wanted = {self._state: state_of(True), **packs_of(body, self._clock.now(), self._host)}
        if any(trouble["key"] == "watch" for trouble in body["troubles"]):
            # Which places there are is not known for certain now; a hub forgets what it had of one that is taken away.
            self._shown.show(wanted, leave=is_config)
            return
        if self._hub is not None:
            wanted |= discovery_of(body, self._host, self._hub)
        self._shown.show(wanted)
