"""A connection to the broker for what the host shows.

It is not the intake's: a mosquitto (2.0.11) ends the connection of a client that publishes what its access list does
not allow (after a PUBACK, and with QoS 0 as well), and frames must not wait for that. Where a connection has ended so,
one message goes out at a time, so that it is known over which: that one and its like are left out for a while, and the
rest is shown.
"""

import contextlib
import secrets
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

ANSWER_S = 10.0
LAST_WORD_S = 2.0  # how long the broker may take to confirm the last messages when we stop
AT_ONCE_S = 2.0  # a broker that refuses ends the connection so soon after a message; our own judgement, no source
FORGIVEN_S = 600.0  # after which it is tried whether the access list was mended


def family(topic: str) -> str:
    """What an access list allows or refuses together with a topic: all of discovery, or what has the same beginning."""
    return "discovery" if topic.endswith("/config") else topic.rpartition("/")[0]


class Line:
    """``connect()`` as often as it is wanted; ``close()`` at the end. The broker's word for a lost one is its will."""

    def __init__(
        self, host: str, port: int, user: str | None, password: str | None, will: tuple[str, bytes], *,
        tls: bool = False, ca: Path | None = None, real: Callable[[], float] = time.monotonic,
    ) -> None:
        """``will``: (topic, payload) that is retained should we end without a word;  ``real``: s that never jump.

        ``tls``, ``ca``: as the intake has them, which has told already if they will not do.
        """
        self._where, self._user, self._password, self._will = (host, port), user, password, will
        self._tls, self._ca, self._real = tls, ca, real
        self._client: paho.Client | None = None
        self._up = threading.Event()
        self._number = 0
        self._waiting: dict[str, paho.MQTTMessageInfo] = {}
        self._sent_at = float("-inf")
        self._one_at_a_time = False
        self._turned_away: str | None = None
        self._answered = 0  # the last of the broker's answers that _stands asks for
        self._refused: dict[str, tuple[str, float]] = {}  # by family: the topic, and when

    def connect(self) -> None:
        """One try to be connected, if we are not. That the broker is away the intake tells."""
        if self.connection() is not None:
            return
        self._drop()
        name = f"pitscribe-shows-{secrets.token_hex(6)}"
        client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=name, clean_session=True, reconnect_on_failure=False
        )  # a lost one is not used again: it would send again what was refused
        if self._user is not None:
            client.username_pw_set(self._user, self._password)
        if self._tls:
            client.tls_set(None if self._ca is None else str(self._ca))
        client.will_set(*self._will, qos=1, retain=True)
        client.connect_timeout = ANSWER_S
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_unsubscribe = self._on_unsubscribe
        self._client, self._turned_away, self._answered = client, None, 0
        with contextlib.suppress(OSError, ValueError):
            client.connect(*self._where, keepalive=30)
            client.loop_start()
            self._wait(lambda: not self._up.is_set() and self._turned_away is None, ANSWER_S)

    def connection(self) -> int | None:
        """The number of the present connection; None while there is none."""
        return self._number if self._up.is_set() else None

    def retain(self, topic: str, payload: bytes) -> bool:
        """Publish a retained message, an empty one to take away what is there; False if it does not go out."""
        _, refused_at = self._refused.get(family(topic), ("", float("-inf")))
        if self._client is None or not self._up.is_set() or self._real() - refused_at < FORGIVEN_S:
            return False
        info = self._client.publish(topic, payload, qos=1, retain=True)
        if info.rc != paho.MQTT_ERR_SUCCESS:
            return False
        self._waiting[topic], self._sent_at = info, self._real()
        if self._one_at_a_time and not self._stands(self._client, topic):
            self._refused[family(topic)] = topic, self._real()
            return False
        self._refused.pop(family(topic), None)
        return True

    def _stands(self, client: paho.Client, topic: str) -> bool:
        """Whether the connection stands after all that was sent: a broker answers to UNSUBSCRIBE, whoever asks it."""
        _, number = client.unsubscribe(topic)
        self._wait(lambda: self._up.is_set() and self._answered != number, AT_ONCE_S)
        return self._up.is_set()

    def waits(self, topic: str) -> bool:
        """Whether the last message of a topic is still on its way."""
        sent = self._waiting.get(topic)
        return sent is not None and not sent.is_published()

    @property
    def trouble(self) -> str | None:
        """What the broker refuses, in words; None: nothing. That it is away the intake tells."""
        host, port = self._where
        if self._turned_away is not None:
            return f"the broker at {host}:{port} does not take one more connection of this host ({self._turned_away})"
        topics = [topic for topic, _ in self._refused.values()]
        if not topics:
            return None
        return (
            f"the broker at {host}:{port} ends the connection when this host publishes {' or '.join(sorted(topics))}; "
            "allow it in the broker's access list, as docs/NEIGHBOURS.md shows"
        )

    def close(self) -> None:
        """Wait for the last messages to be confirmed, and disconnect."""
        self._wait(lambda: self._up.is_set() and any(self.waits(t) for t in list(self._waiting)), LAST_WORD_S)
        self._drop()

    def _wait(self, still: Callable[[], bool], seconds: float) -> None:
        deadline = self._real() + seconds
        while still() and self._real() < deadline:
            time.sleep(0.002)

    def _drop(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.disconnect()
            client.loop_stop()
        self._up.clear()
        self._waiting.clear()

    # paho's thread

    def _on_connect(self, client: paho.Client, _data: Any, _flags: Any, code: ReasonCode, _properties: Any) -> None:
        if client is not self._client:
            return
        self._turned_away = str(code) if code.is_failure else None
        if not code.is_failure:
            self._number += 1
            self._up.set()

    def _on_disconnect(self, client: paho.Client, _data: Any, _flags: Any, _code: ReasonCode, _props: Any) -> None:
        if client is not self._client:
            return  # we have let go of it ourselves
        if self._real() - self._sent_at < AT_ONCE_S:
            self._one_at_a_time = True
        self._up.clear()

    def _on_unsubscribe(self, _client: paho.Client, _data: Any, number: int, _codes: Any, _properties: Any) -> None:
        self._answered = number
