"""The intake of a process that takes in together with others (docs/SCALE.md).

The broker deals the loggers' frames out to all processes. Each stores what it is dealt, whosever it is, and says so to
the logger: the frame is in a ledger, on disk. A frame of a logger that another process keeps is held and passed on to
that one (``Passing``), which stores it among its own and says so; then it is let go here. So it is dealt, passed on and
said to be stored at least once each, and by its key it is once in its keeper's ledger.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar

import paho.mqtt.client as paho

from pitscribe.clock import Clock
from pitscribe.errors import BrokerError, ConfigError, MessageError, StoreError
from pitscribe.intake.gate import Arrived, Refused, Sifted, key_of, sift
from pitscribe.intake.lastwords import Message, heard
from pitscribe.intake.mqtt import MOST_KEPT, RANGES_A_MESSAGE, Intake
from pitscribe.intake.passing import Passing
from pitscribe.intake.sharelink import ShareLink
from pitscribe.intake.speaker import SecretOf, nobody
from pitscribe.ledger.ledger import Ledger
from pitscribe.wire import mac, messages
from pitscribe.wire.frames import FrameKey
from pitscribe.wire.layout import LONGEST
from pitscribe.wire.members import load_object
from pitscribe.wire.share import Layout, Passed, parse_here

PASSED, FREED = "passed", "freed"  # words of messages between processes: a frame for us, and that one of ours is stored


@dataclass(slots=True)
class _Sorted:
    """A batch by what is to be done with it."""

    own: list[Message] = field(default_factory=list)
    others: list[Message] = field(default_factory=list)
    passed: dict[str, list[Message]] = field(default_factory=dict)  # by topic: sender and logger
    freed: list[Message] = field(default_factory=list)


class SharedIntake(Intake):
    """An ``Intake`` of one process of a ``Layout``; of loggers that others keep it hears their frames alone."""

    HEARD: ClassVar[dict[str, int]] = {"state": 1, "now": 0}  # frames come by the link

    def __init__(
        self, ledger: Ledger, clock: Clock, host: str, port: int, user: str | None = None,
        password: str | None = None, *, layout: Layout, secret_of: SecretOf = nobody, tls: bool = False,
        ca: Path | None = None, reconnect_s: tuple[int, int] = (1, 30), **more: Any,
    ) -> None:
        """layout : the processes, and which this is; the rest as for ``Intake``"""
        super().__init__(
            ledger, clock, host, port, user, password, secret_of=secret_of, tls=tls, ca=ca, reconnect_s=reconnect_s,
            **more,
        )
        self._layout, self._secret_of = layout, secret_of
        self._link = ShareLink(
            (host, port), (user, password), layout, self._status, self._heard_on_link, self._lost, tls=tls, ca=ca,
            reconnect_s=reconnect_s,
        )
        self._passing = Passing(ledger, layout, self._link.publish, self._status)

    # life

    def start(self) -> None:
        super().start()
        try:
            self._link.start()
        except BrokerError:
            super().stop()
            raise
        try:
            self._passing.start()
        except StoreError:
            self._link.stop()
            super().stop()
            raise

    def stop(self) -> None:
        self._link.take_part(False)  # what is still to come, the others are dealt
        super().stop()
        self._passing.stop()
        self._link.stop()

    @property
    def alive(self) -> bool:
        return super().alive and self._link.alive and self._passing.alive

    # the network's threads

    def _came(self, message: paho.MQTTMessage) -> None:
        """Of others' loggers no more is kept than whether they would believe what we say to them."""
        try:
            logger, word = messages.parse_topic(message.topic)
        except (MessageError, UnicodeError):
            return super()._came(message)
        if self._layout.keeps(logger):
            return super()._came(message)
        if word == "state":
            said = heard(message.topic, logger, word, bytes(message.payload[:MOST_KEPT])).said
            if isinstance(said, messages.State):
                self._speaker.hears(logger, said)
        return None

    def _heard_on_link(self, topic: str, payload: bytes) -> None:
        data = bytes(payload[:MOST_KEPT])
        meant = self._layout.parse(topic)
        if isinstance(meant, str):
            return self._passing.hears(meant, parse_here(data))
        if isinstance(meant, Passed):
            word = PASSED if meant.word == "frame" else FREED
            self._inbox.put(Message(topic, meant.logger, word, data), len(data))
            return None
        try:
            logger, word = messages.parse_topic(topic)
            self._inbox.put(Message(topic, logger, word, data), len(data))
        except MessageError:
            self._inbox.put(Message(topic, -1, "topic", data), len(data))
        return None

    def _lost(self) -> None:
        self._passing.lost()

    # the writer's thread

    def _take_in(self, batch: Sequence[Message]) -> None:
        what = self._sort(batch)
        mine = self._sift(what.own)
        passed = {topic: sift([Arrived(m.data, topic, m.logger) for m in some]) for topic, some in what.passed.items()}
        others = sift([Arrived(m.data, m.topic, m.logger) for m in what.others])
        freed = [one for m in what.freed if (one := self._believed(m))]
        if self._patiently(lambda: self._store_all([mine, *passed.values()], others, freed)):
            self._tell_stored([*mine.keys, *others.keys])
            for topic, sifted in passed.items():
                self._tell_sender(topic, sifted.keys)
            if others.keys or freed:
                self._passing.wake()
        self._keep_said(what.own)

    def _sort(self, batch: Sequence[Message]) -> _Sorted:
        out = _Sorted()
        for m in batch:
            if m.word == PASSED and self._layout.keeps(m.logger):
                out.passed.setdefault(m.topic, []).append(m)
            elif m.word == FREED:
                out.freed.append(m)
            elif m.word == "frame" and not self._layout.keeps(m.logger):
                out.others.append(m)
            elif m.word != PASSED:  # one of a logger that we do not keep stays where it is held
                out.own.append(m)
        return out

    def _believed(self, m: Message) -> tuple[str, int, list[messages.Range]] | None:
        """(keeper, logger, ranges) of what a keeper says to be stored, if it is what the keeper says."""
        meant = self._layout.parse(m.topic)
        assert isinstance(meant, Passed)
        try:
            ranges = messages.parse_stored(m.data)
            secret = self._secret_of(m.logger)
            if secret and not mac.is_authentic(secret, m.topic, load_object(m.data)):
                raise ConfigError(
                    f"{meant.sender} does not say with the secret of logger {m.logger:08x} that it has its frames, so "
                    "they are held here; give both processes the secret in the logger's config.json"
                )
        except (ConfigError, MessageError) as error:
            self._status.wrong("share secret", str(error))
            return None
        self._status.right("share secret")
        return meant.sender, m.logger, ranges

    def _store_all(
        self, sifted: Sequence[Sifted], others: Sifted, freed: Sequence[tuple[str, int, list[messages.Range]]]
    ) -> None:
        some = [one for one in sifted if one.good or one.held or one.refused]
        if not (some or others.keys or others.refused or freed):
            return
        ours, odd = self._rows(others)
        with self._ledger.together():
            counts = [self._put(one) for one in some]
            self._ledger.hold(ours)
            self._ledger.set_aside(odd, must_keep=True)
            self._ledger.set_aside(others.refused)
            for one in freed:
                self._ledger.let_go(*one)
        for count, which in zip(counts, some, strict=True):
            self._status.stored(count, [*which.held, *which.refused])

    def _rows(self, others: Sifted) -> tuple[list[tuple[FrameKey, str, bytes]], list[Refused]]:
        """What is to be held, also of what this process cannot read: its keeper may; and what is too long for that."""
        frames = [data for _, data in others.good] + [one.data for one in others.held if len(one.data) <= LONGEST]
        odd = [one for one in others.held if len(one.data) > LONGEST]
        return [(key := key_of(data), self._layout.keeper_of(key.logger), data) for data in frames], odd

    def _tell_sender(self, topic: str, keys: Sequence[FrameKey]) -> None:
        meant = self._layout.parse(topic)
        assert isinstance(meant, Passed)
        answer = self._layout.topic(meant.sender, meant.logger, "stored")
        ranges = messages.ranges_of(keys)
        for at in range(0, len(ranges), RANGES_A_MESSAGE):
            payload = messages.stored(ranges[at : at + RANGES_A_MESSAGE])
            try:
                secret = self._secret_of(meant.logger)
            except ConfigError:  # told already, when something was said to the logger
                secret = None
            self._link.publish(answer, mac.authenticated(secret, answer, payload) if secret else payload)

    def _can_store(self, yes: bool) -> None:
        self._link.take_part(yes and not self._stopping.is_set())
