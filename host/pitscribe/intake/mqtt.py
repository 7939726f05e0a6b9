"""The way in over MQTT: frames into the ledger, and only then the word to the logger that they are ``stored``.

Two threads. The network's (paho's own) puts messages into a bounded inbox, and waits when it is full: so the broker
waits, and the logger. The writer's takes out what has come, checks it, stores it in one durable commit, then publishes
``stored``. PUBACK plays no part: it tells the logger that the broker has a frame, and only ``stored`` moves its cursor,
so frames need no manual acknowledgement and the session is a clean one.

What a crash costs, point by point. Before the commit: nothing was said, the logger sends again. In the commit: SQLite
has all of it or none. After it, before or while ``stored`` goes out: the logger sends again, the key is known, it is
said again. After ``stored``: the commit had been synced to the disk before.
"""

import secrets
import threading
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, ClassVar

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from pitscribe.clock import Clock, ClockErr, set_well
from pitscribe.errors import BrokerError, MessageError, StoreError
from pitscribe.intake.connection import ANSWER_S, begin, verify
from pitscribe.intake.gate import Arrived, Refused, Sifted, sift
from pitscribe.intake.inbox import Inbox
from pitscribe.intake.lastwords import LastWords, Message, heard
from pitscribe.intake.speaker import SecretOf, Speaker, nobody
from pitscribe.intake.status import MOST_LOGGERS, Intaken, Status
from pitscribe.intake.timeteller import ANCHOR_EVERY_S, CLOCK_NOT_SET, TimeTeller
from pitscribe.intake.twins import Twins
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import StoreCount
from pitscribe.wire import messages
from pitscribe.wire.frames import FrameKey

BATCH = 4096
MOST_KEPT = 65537  # bytes of one message: one more than the ledger keeps, so that it sees that something is missing
MOST_SAID = 2 * MOST_LOGGERS  # messages that wait to go out: what is beyond is not said, and the logger sends again
MOST_UNCONFIRMED = 100
RANGES_A_MESSAGE = 32  # a microcontroller has to parse it
RETRY_S = (0.5, 15.0)
LAST_WORD_S = 2.0  # how long the broker may take to confirm the last `stored` when we stop


class Intake:
    """``Intake(...).start()`` takes in what loggers send until ``stop()``. Any thread may ask ``status()``."""

    HEARD: ClassVar[dict[str, int]] = {"frame": 1, "state": 1, "now": 0}  # words of loggers and their QoS

    def __init__(
        self,
        ledger: Ledger,
        clock: Clock,
        host: str,
        port: int,
        user: str | None = None,
        password: str | None = None,
        *,
        anchor_every_s: float = ANCHOR_EVERY_S,
        clock_err_ms: ClockErr = set_well,
        secret_of: SecretOf = nobody,
        tls: bool = False,
        ca: Path | None = None,
        most_items: int = 20_000,
        reconnect_s: tuple[int, int] = (1, 30),
    ) -> None:
        """An intake that is yet to be started.

        anchor_every_s : how often at most a boot is told the time, in seconds of ``clock``
        clock_err_ms : how far off ``clock`` may be; while it says None no logger is told the time
        secret_of : the secret shared with a logger, or None
        tls : whether the broker speaks TLS; its certificate must be good for ``host``
        ca : the certificate of the authority that vouches for it (PEM); None: those that this machine knows
        """
        self._ledger = ledger
        self._where, self._user = (host, port), user
        self._teller = TimeTeller(clock, clock_err_ms, anchor_every_s)
        self._inbox: Inbox[Message] = Inbox(most_items, 32 << 20)
        self._status = Status(clock)
        self._last_words = LastWords()
        self._clock, self._twins = clock, Twins()
        self._ready = threading.Event()
        self._refused = ""
        self._stopping = threading.Event()
        self._network: threading.Thread | None = None  # paho's, once it has been heard of
        self._writer = threading.Thread(target=self._write, name="pitscribe-intake", daemon=True)
        self._client = self._make_client(user, password, reconnect_s)
        if tls:
            verify(self._client, ca)
        self._speaker = Speaker(self._client, self._status, secret_of)

    def _make_client(self, user: str | None, password: str | None, reconnect_s: tuple[int, int]) -> paho.Client:
        # A name of its own each time: two hosts on one broker must not throw each other out.
        name = f"pitscribe-host-{secrets.token_hex(6)}"
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=True)
        if user is not None:
            client.username_pw_set(user, password)
        client.connect_timeout = ANSWER_S
        client.reconnect_delay_set(*reconnect_s)
        client.max_queued_messages_set(MOST_SAID)
        client.max_inflight_messages_set(MOST_UNCONFIRMED)
        client.on_connect, client.on_connect_fail = self._on_connect, self._on_connect_fail
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        return client

    # life

    def start(self) -> None:
        """Connect and subscribe; a broker that is away is told, and tried for as long as it takes.

        Raises BrokerError if the broker refuses, or what answers is none.
        """
        host, port = self._where
        if away := begin(self._client, host, port):
            self._status.wrong("broker", away)
        else:
            self._ready.wait(ANSWER_S)
            if not self._ready.is_set() or self._refused:
                self._client.disconnect()
                self._client.loop_stop()
                not_one = f"what answers at {host}:{port} is no MQTT broker, or an overloaded one"
                raise BrokerError(self._refused or not_one)
        self._writer.start()

    def stop(self) -> None:
        """Store what has come in, say so, and disconnect. What is still on its way will be sent again."""
        self._stopping.set()
        self._inbox.close()
        if self._writer.is_alive():
            self._writer.join(30)
        self._speaker.wait(LAST_WORD_S)
        self._client.disconnect()
        self._client.loop_stop()
        self._status.connected(False)

    @property
    def alive(self) -> bool:
        """Whether both its threads run: False once it was stopped, or one of them died."""
        return self._writer.is_alive() and (self._network is None or self._network.is_alive())

    def sound(self, logger: int, pattern: str, seconds: int) -> None:
        """Have a logger's buzzer sound (``Speaker.sound``). May be called from any thread."""
        self._speaker.sound(logger, pattern, seconds)

    def status(self) -> Intaken:
        """How it goes."""
        if self._teller.knows():
            self._status.right("clock")
        else:
            self._status.wrong("clock", CLOCK_NOT_SET)
        return self._status.read(len(self._inbox))

    # the network's thread

    def _on_connect_fail(self, _client: paho.Client, _data: Any) -> None:
        self._network = threading.current_thread()

    def _on_connect(self, client: paho.Client, _data: Any, _flags: Any, code: ReasonCode, _properties: Any) -> None:
        self._network = threading.current_thread()
        if code.is_failure:
            host, port = self._where
            who = f"user {self._user!r}" if self._user else "a client without a user name"
            self._refused = (
                f"the broker at {host}:{port} refuses {who} ({code}); correct user and password under [broker] "
                "in pitscribe.toml"
            )
            self._status.wrong("broker", self._refused)
            self._ready.set()
            return
        client.subscribe([(messages.every_logger(word), qos) for word, qos in self.HEARD.items()])

    def _on_subscribe(self, _client: paho.Client, _data: Any, _mid: int, codes: list[ReasonCode], _props: Any) -> None:
        if any(code.is_failure for code in codes):
            self._refused = (
                f"the broker at {self._where[0]}:{self._where[1]} does not let user {self._user!r} subscribe to "
                "pitscribe/1/#; allow it in the broker's access list"
            )
            self._status.wrong("broker", self._refused)
        else:
            self._teller.forget()
            self._status.connected(True)
        self._ready.set()

    def _on_disconnect(self, _client: paho.Client, _data: Any, _flags: Any, code: ReasonCode, _props: Any) -> None:
        self._status.connected(False)
        if not self._stopping.is_set():
            lost = f"lost the broker at {self._where[0]}:{self._where[1]} ({code}); trying again"
            self._status.wrong("broker", lost)

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        try:
            self._came(message)
        except Exception as error:  # whatever one message does, the next one is taken in
            self._status.wrong("fault", fault(error))

    def _came(self, message: paho.MQTTMessage) -> None:
        data = bytes(message.payload[:MOST_KEPT])
        try:
            topic = message.topic
            logger, word = messages.parse_topic(topic)
        except (MessageError, UnicodeError):
            self._inbox.put(Message(repr(message._topic), -1, "topic", data), len(data))
            return
        came, live = heard(topic, logger, word, data), not message.retain
        if word == "now":
            # One that finds the inbox full is let go: the next comes in a second.
            if self._inbox.put(came, len(data), wait=False):
                self._answer(came, live)
            return
        self._answer(came, live)  # first: while it waits for room, the time that it is told would get old
        self._inbox.put(came, len(data))

    def _answer(self, came: Message, live: bool) -> None:
        """Keep what a logger says of itself; tell it the time if it is due.

        A retained state is an old one. It comes when we subscribe, and shows a logger that has perhaps sent frames
        which the broker took and nobody stored: an empty ``stored`` says that we listen now.
        """
        logger, said = came.logger, came.said
        if isinstance(said, messages.Now):
            self._status.saw_now(logger, said)
            boot, up_ms = said.boot, said.up_ms
        elif said is not None:
            self._status.saw_state(logger, said, live)
            if said.condition is None:
                return
            self._speaker.hears(logger, said)
            if not live:
                self._speaker.say(logger, "stored", messages.stored([]))
            boot, up_ms = said.boot, said.condition.up_ms
        else:
            return
        if not live:
            return
        self._look_for_twins(logger, boot, up_ms)
        if order := self._teller.order(logger, boot, up_ms):
            self._speaker.say(logger, "order", order)

    def _look_for_twins(self, logger: int, boot: int, up_ms: int) -> None:
        if words := self._twins.hears(logger, boot, up_ms, self._clock.now()):
            self._status.wrong(f"twin {logger:08x}", words)
        else:
            self._status.right(f"twin {logger:08x}")

    # the writer's thread

    def _write(self) -> None:
        while batch := self._inbox.take(BATCH):
            try:
                self._take_in(batch)
            except Exception as error:  # nothing was said of these frames, so they come again; the intake goes on
                self._status.wrong("fault", fault(error))
            else:
                self._status.right("fault")

    def _take_in(self, batch: Sequence[Message]) -> None:
        sifted = self._sift(batch)
        if self._patiently(lambda: self._store(sifted)):
            self._tell_stored(sifted.keys)
        self._keep_said(batch)

    def _sift(self, batch: Sequence[Message]) -> Sifted:
        sifted = sift([Arrived(m.data, m.topic, m.logger) for m in batch if m.word == "frame"])
        for message in batch:
            if message.word == "topic":
                detail = "not a topic of WIRE.md section 5"
                sifted.refused.append(Refused(message.data, message.topic, "topic", detail))
            elif message.wrong:
                sifted.refused.append(Refused(message.data, message.topic, "message", message.wrong))
        return sifted

    def _patiently(self, store: Callable[[], None]) -> bool:
        """Store, and while the ledger cannot, keep trying: meanwhile the inbox fills and the loggers wait."""
        pause = RETRY_S[0]
        while True:
            try:
                store()
                self._can_store(True)
                return True
            except StoreError as error:
                self._status.wrong("store", str(error))
                self._can_store(False)
            if self._stopping.wait(pause):
                return False  # nothing was said of these; they will be sent again
            pause = min(pause * 2, RETRY_S[1])

    def _store(self, sifted: Sifted) -> None:
        if not (sifted.good or sifted.held or sifted.refused):
            return
        count = self._put(sifted)
        self._status.stored(count, [*sifted.held, *sifted.refused])

    def _put(self, sifted: Sifted) -> StoreCount:
        with self._ledger.together():
            count = self._ledger.store_frames(sifted.good, "mqtt")
            self._ledger.set_aside(sifted.held, must_keep=True)
            self._ledger.set_aside(sifted.refused)
        return count

    def _can_store(self, yes: bool) -> None:
        """Said after each try; who takes in with others lets them know."""

    def _keep_said(self, batch: Sequence[Message]) -> None:
        self._last_words.take(batch)
        try:
            if self._last_words.keep(self._ledger):
                self._status.right("store")
        except StoreError as error:
            self._status.wrong("store", str(error))

    def _tell_stored(self, keys: Iterable[FrameKey]) -> None:
        by_logger: dict[int, list[FrameKey]] = {}
        for key in keys:
            by_logger.setdefault(key.logger, []).append(key)
        for logger, its_keys in by_logger.items():
            ranges = messages.ranges_of(its_keys)
            for at in range(0, len(ranges), RANGES_A_MESSAGE):
                self._speaker.say(logger, "stored", messages.stored(ranges[at : at + RANGES_A_MESSAGE]))


def fault(error: Exception) -> str:
    """The words for an error that nobody foresaw."""
    return f"a fault in pitscribe itself: {type(error).__name__}: {error}"
