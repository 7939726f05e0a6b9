"""What the tests of neighbours share: a real broker with what is shown on it, and a client that looks."""

import contextlib
import itertools
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from page_world import World
from paho.mqtt.enums import CallbackAPIVersion
from servers import Mosquitto, wait_until

from pitscribe.intake.broker import Broker, Credentials
from pitscribe.intake.mqtt import Intake
from pitscribe.neighbours.discovery import Hub
from pitscribe.neighbours.line import Line
from pitscribe.neighbours.neighbours import Neighbours, last_will
from pitscribe.neighbours.shown import Book
from pitscribe.watch.live import Watch

_COUNT = itertools.count()
WHO = Credentials("pitscribe", "a password")


@contextlib.contextmanager
def a_broker(kind: str, folder: Path) -> Iterator[Any]:
    """A running broker: Debian's "mosquitto", or the "embedded" one; with host, port, user and password."""
    broker: Any = Mosquitto(folder, *WHO) if kind == "mosquitto" else Broker(WHO, "127.0.0.1", 0)
    broker.user, broker.password = WHO
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


class Looker:
    """A stranger's client: what lies at each topic as it knows it, and every message in order."""

    def __init__(self, broker: Any, *filters: str) -> None:
        self.lies: dict[str, bytes] = {}
        self.heard: list[tuple[str, bytes, bool]] = []  # topic, payload, whether it was retained before we came
        self._end = f"look/{next(_COUNT)}"
        self._ready, self._all = threading.Event(), threading.Event()
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        self.client.username_pw_set(broker.user, broker.password)
        topics = [(topic, 1) for topic in (*(filters or ("pitscribe/#", "homeassistant/#")), self._end)]
        self.client.on_connect = lambda client, *_: client.subscribe(topics)
        self.client.on_subscribe = lambda *_: self._ready.set()
        self.client.on_message = self._came
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()
        assert self._ready.wait(20)

    def _came(self, _client: object, _data: object, message: paho.MQTTMessage) -> None:
        if message.topic == self._end:
            self._all.set()
            return
        self.heard.append((message.topic, message.payload, message.retain))
        if message.payload:
            self.lies[message.topic] = message.payload
        else:
            self.lies.pop(message.topic, None)

    def settle(self) -> dict[str, bytes]:
        """What lies there once all that was sent before has come."""
        self._all.clear()
        self.client.publish(self._end, b"", qos=1)
        assert self._all.wait(20)
        return dict(self.lies)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def lying(broker: Any) -> dict[str, bytes]:
    """What lies retained on a broker, seen by a client that comes now."""
    looker = Looker(broker)
    try:
        return looker.settle()
    finally:
        looker.close()


def lies(broker: Any, what: str, topics: set[str]) -> dict[str, bytes]:
    """Wait until exactly these topics have something retained; return it."""
    found: dict[str, bytes] = {}

    def same() -> bool:
        found.clear()
        found.update(lying(broker))
        return found.keys() == topics

    try:
        wait_until(what, same)
    except AssertionError as error:
        raise AssertionError(f"{error}; there: {sorted(found)}, wanted: {sorted(topics)}") from None
    return found


class Showing:
    """A host's intake, watch and neighbours over a world's ledger; its turns are made by the test.

    ``forecasts``: with them, in the turn itself; they take most of its time.
    """

    def __init__(
        self, world: World, broker: Any, home: Path, hub: Hub | None = None, *, forecasts: bool = False
    ) -> None:
        self.world, self.broker = world, broker
        self.book = Book(home)
        self.watch = Watch(world.ledger, world.clock, beside=lambda work: work())
        self.watch._outlook.run = (lambda work: work()) if forecasts else None
        where = "127.0.0.1", broker.port, *WHO
        self.intake = Intake(world.ledger, world.clock, *where)
        self.intake.start()
        self.line = Line(*where, last_will(self.book.host))
        self.neighbours = Neighbours(self.watch, world.clock, self.line, self.book, hub=hub)

    def turn(self) -> None:
        """One pass of the watch, and one turn."""
        self.watch.step()
        self.neighbours.turn()

    def end(self) -> None:
        """As ``serve`` ends."""
        self.neighbours.stop()
        self.intake.stop()
