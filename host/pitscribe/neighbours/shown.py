"""What lies retained on the broker in our name: brought to what is wanted, and taken away again, after a crash too."""

import json
import secrets
import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Protocol

from pitscribe.errors import ConfigError
from pitscribe.private import make_private, read_private, write_private

FILE_NAME = "neighbours.json"
_WHAT = "what lies on the broker is written there"


class Road(Protocol):
    """The way to the broker: ``line.Line``."""

    def connection(self) -> int | None:
        """The number of the present connection; None while there is none."""
        ...

    def retain(self, topic: str, payload: bytes) -> bool:
        """Publish a retained message, an empty one to take away what is there; False if it does not go out."""
        ...

    def waits(self, topic: str) -> bool:
        """Whether the last message of a topic is still on its way."""
        ...


class Book:
    """The number of this host on brokers, and the topics at which it may have left something. Survives a crash."""

    def __init__(self, folder: Path) -> None:
        """Read the file in the home folder, made if there is none. Raises ConfigError."""
        self._path = folder / FILE_NAME
        make_private(self._path, _text(secrets.randbits(32), ()), _WHAT)
        try:
            said = json.loads(read_private(self._path, _WHAT) or "")
            self.host, topics = int(said["host"], 16), said["topics"]
            if not 0 <= self.host < 1 << 32 or not all(isinstance(topic, str) for topic in topics):
                raise ValueError("host must be 8 hex digits and topics texts")
        except (ValueError, KeyError, TypeError) as error:
            raise ConfigError(f"{self._path}: not what Pitscribe wrote; delete it, and start again") from error
        self.topics = frozenset(topics)

    def change(self, come: Iterable[str] = (), gone: Iterable[str] = ()) -> None:
        """Write down which topics have come and gone. Raises ConfigError; then nothing has changed."""
        topics = self.topics.union(come).difference(gone)
        if topics != self.topics:
            write_private(self._path, _text(self.host, topics), _WHAT)
            self.topics = topics


def _text(host: int, topics: Iterable[str]) -> str:
    return json.dumps({"host": f"{host:08x}", "topics": sorted(topics)}, indent=1) + "\n"


def nothing(topic: str) -> bool:
    """No topic is left alone."""
    return False


class Shown:
    """``show(wanted)`` publishes what is not there yet and clears what is no longer wanted. For one thread."""

    def __init__(self, book: Book, road: Road) -> None:
        self._book, self._road = book, road
        self._connection: int | None = None
        self._sent: dict[str, bytes] = {}  # by this connection; empty: it was taken away

    def show(self, wanted: Mapping[str, bytes], leave: Callable[[str], bool] = nothing) -> None:
        """Bring the broker to ``wanted``, by topic; what lies at a topic that ``leave`` names stays as it is.

        Nothing happens while the broker is away; one that is there again is given all anew, for it may have forgotten.
        Raises ConfigError if it cannot be written down what is to come; what is not wanted was cleared all the same.
        """
        connection = self._road.connection()
        if connection is None:
            return
        if connection != self._connection:
            self._connection, self._sent = connection, {}
        gone = [topic for topic in self._book.topics - wanted.keys() if not leave(topic) and self._is_gone(topic)]
        # Written down before it is there: what a crash leaves behind is found here at the next start.
        self._book.change(wanted, gone)
        for topic, payload in wanted.items():
            self._send(topic, payload)

    def settle(self, seconds: float) -> None:
        """Strike off the book what the broker confirms to be gone within so long."""
        deadline = time.monotonic() + seconds
        clearing = {topic for topic in self._book.topics if self._sent.get(topic) == b""}
        while any(self._road.waits(topic) for topic in clearing) and time.monotonic() < deadline:
            time.sleep(0.01)
        self._book.change(gone=[topic for topic in clearing if not self._road.waits(topic)])

    def _is_gone(self, topic: str) -> bool:
        """Whether the broker has confirmed that nothing is at a topic any more; it is cleared if it was not yet."""
        if self._sent.get(topic) == b"":
            return not self._road.waits(topic)
        self._send(topic, b"")
        return False

    def _send(self, topic: str, payload: bytes) -> None:
        if self._sent.get(topic) != payload and self._road.retain(topic, payload):
            self._sent[topic] = payload
