"""The connection by which a process takes in together with others: MQTT 5, for its shared subscriptions.

It is one of its own, beside the intake's: a connection has one last will, and this one's says that the process is away.
Its name is the process's, so that a broker lets in one of each; the session is clean, as everywhere: what was not said
to be stored is sent again.
"""

import contextlib
import secrets
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from pitscribe.errors import BrokerError
from pitscribe.intake.connection import ANSWER_S, begin, verify
from pitscribe.intake.mqtt import LAST_WORD_S, fault
from pitscribe.intake.status import Status
from pitscribe.wire.share import Here, Layout, here, parse_here


class ShareLink:
    """``start()`` connects, takes a share of the frames and says ``here``; ``take_part(False)`` leaves the share."""

    def __init__(
        self,
        where: tuple[str, int],
        login: tuple[str | None, str | None],
        layout: Layout,
        status: Status,
        came: Callable[[str, bytes], None],
        lost: Callable[[], None],
        *,
        tls: bool = False,
        ca: Path | None = None,
        reconnect_s: tuple[int, int] = (1, 30),
    ) -> None:
        """came : takes a message, (topic, payload), in the network's thread;  lost : the connection is gone"""
        self._where, self._layout, self._status, self._came, self._lost = where, layout, status, came, lost
        self._ready = threading.Event()
        self._refused = ""
        self._run = secrets.token_hex(4)
        self._connections = 0
        self._stopping = False
        self._takes_part = True
        self._last: paho.MQTTMessageInfo | None = None
        self._network: threading.Thread | None = None  # paho's, once it has been heard of
        self._client = client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=f"pitscribe-{layout.group}-{layout.name}",
            protocol=MQTTProtocolVersion.MQTTv5,
        )
        if login[0] is not None:
            client.username_pw_set(*login)
        if tls:
            verify(client, ca)
        client.will_set(layout.here_topic(layout.name), here(Here(False, "", self._run)), qos=1, retain=True)
        client.connect_timeout = ANSWER_S
        client.reconnect_delay_set(*reconnect_s)
        client.max_queued_messages_set(2000)
        client.on_connect, client.on_connect_fail = self._on_connect, self._on_connect_fail
        client.on_subscribe = self._on_subscribe
        client.on_disconnect, client.on_message = self._on_disconnect, self._on_message

    def start(self) -> None:
        """Connect and subscribe; a broker that is away is told, and tried for as long as it takes.

        Raises BrokerError if the broker refuses, or cannot share.
        """
        if away := begin(self._client, *self._where, clean_start=True):
            self._status.wrong("share link", away)
            return
        self._ready.wait(ANSWER_S)
        if not self._ready.is_set() or self._refused:
            self._end()
            words = f"what answers at {self._place} is no MQTT 5 broker, or an overloaded one"
            raise BrokerError(self._refused or words)

    def stop(self) -> None:
        """Say that this process is away, and disconnect."""
        self._stopping = True
        self._say_here(False)
        if self._last is not None and self._client.is_connected():
            with contextlib.suppress(ValueError, RuntimeError):
                self._last.wait_for_publish(LAST_WORD_S)
        self._end()

    def _end(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    @property
    def alive(self) -> bool:
        """Whether its thread runs."""
        return not self._stopping and (self._network is None or self._network.is_alive())

    def publish(self, topic: str, payload: bytes) -> bool:
        """Publish to another process; False if there is no connection now, or too much waits for it."""
        if not self._client.is_connected():
            return False
        self._last = self._client.publish(topic, payload, qos=1)
        return self._last.rc == paho.MQTT_ERR_SUCCESS

    def take_part(self, yes: bool) -> None:
        """Leave the share while nothing can be stored: the broker deals to the others; or join it again."""
        if yes == self._takes_part:
            return
        self._takes_part = yes
        if yes:
            self._client.subscribe(self._layout.dealt(), options=SubscribeOptions(qos=1))
        else:
            self._client.unsubscribe(self._layout.dealt())
            self._say_here(False)

    def _say_here(self, yes: bool) -> None:
        payload = here(Here(yes, self._layout.digest, self._run))
        if self._client.is_connected():
            self._last = self._client.publish(self._layout.here_topic(self._layout.name), payload, qos=1, retain=True)

    @property
    def _place(self) -> str:
        return f"{self._where[0]}:{self._where[1]}"

    # the network's thread

    def _on_connect_fail(self, _client: paho.Client, _data: Any) -> None:
        self._network = threading.current_thread()

    def _on_connect(
        self, client: paho.Client, _data: Any, _flags: Any, code: ReasonCode, properties: Properties | None
    ) -> None:
        self._network = threading.current_thread()
        if code.is_failure:
            return self._refuse(f"the broker at {self._place} does not let {self._layout.name} in by MQTT 5 ({code})")
        if getattr(properties, "SharedSubscriptionAvailable", 1) == 0:
            return self._refuse(f"the broker at {self._place} has no shared subscriptions; [share] needs one that has")
        self._connections += 1
        topics = [self._layout.here_topic("+"), self._layout.to_me("frame"), self._layout.to_me("stored")]
        if self._takes_part:
            topics.append(self._layout.dealt())
        client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in topics])
        return None

    def _refuse(self, words: str) -> None:
        self._refused = words
        self._status.wrong("share link", words)
        self._ready.set()

    def _on_subscribe(self, _client: paho.Client, _data: Any, _mid: int, codes: list[ReasonCode], _props: Any) -> None:
        if any(code.is_failure for code in codes):
            return self._refuse(
                f"the broker at {self._place} does not let {self._layout.name} subscribe to {self._layout.dealt()} and "
                "pitscribe/1/#; allow it in the broker's access list"
            )
        self._status.right("share link")
        if self._takes_part:
            self._say_here(True)  # now, when what others pass on is heard
        self._ready.set()
        return None

    def _on_disconnect(self, _client: paho.Client, _data: Any, _flags: Any, code: ReasonCode, _props: Any) -> None:
        self._lost()
        if self._stopping:
            return
        self._status.wrong("share link", f"lost the broker at {self._place} ({code}); trying again")

    def _look_at_myself(self, said: Here) -> None:
        """The broker lets in one process of each name, and throws the other out: so the two take turns.

        What lay there at the first connection may be this process's own word from before it was started again.
        """
        if self._connections > 1 and said.run != self._run:
            name = self._layout.name
            words = f"another process calls itself {name!r} too; give each its own name in [share] and start again"
            self._status.wrong("share name", words)

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        try:
            payload = bytes(message.payload)
            if message.retain and message.topic == self._layout.here_topic(self._layout.name):
                self._look_at_myself(parse_here(payload))
            self._came(message.topic, payload)
        except Exception as error:  # whatever one message does, the next one is taken in
            self._status.wrong("fault", fault(error))
