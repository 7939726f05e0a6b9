"""What the tests of ledger and intake share: frames, a logger played over paho, real brokers, waiting."""

import itertools
import socket
import threading
import time
from collections.abc import Sequence

import numpy as np
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from pitscribe.wire import messages
from pitscribe.wire.frames import Channel, FrameKey, encode_event, encode_ticks

LOGGER = 0xAABB0001
_COUNT = itertools.count()  # two played loggers of one number are two clients: they must not end each other
TABLE = (Channel("max31855", "K"), Channel("max31856", "T"))


def ticks(sequence: int, boot: int = 1, logger: int = LOGGER, n: int = 4, salt: int = 0) -> bytes:
    """A sound frame of n ticks; ``salt`` gives other bytes under the same key."""
    rng = np.random.default_rng((sequence, boot, logger, salt))
    hot = 400 + salt + np.cumsum(rng.integers(-2, 3, (n, len(TABLE))), 0)
    return encode_ticks(FrameKey(logger, boot, sequence), sequence * n * 1000, 1000, TABLE, hot, hot // 4, hot * 0)


def anchor(sequence: int, utc_ms: int, boot: int = 1, logger: int = LOGGER, uptime_ms: int = 0) -> bytes:
    fields = {"utc_ms": utc_ms, "err_ms": 40, "from": "ntp"}
    return encode_event(FrameKey(logger, boot, sequence), uptime_ms, "anchor", fields)


class PlayedLogger:
    """A logger by WIRE.md section 5, played by paho: sends from its cursor, in a window, again what is not stored."""

    def __init__(
        self,
        broker: object,
        frames: Sequence[bytes],
        *,
        number: int = LOGGER,
        boot: int = 1,
        first: int = 0,
        window: int = 40,
        ack_s: float = 0.5,
    ) -> None:
        self.frames, self.number, self.boot, self.first = list(frames), number, boot, first
        self.cursor = first
        self.said: set[int] = set()
        self.orders: list[bytes] = []
        self.greetings = 0  # times that a host said it has begun to listen
        self.sent = 0
        self._window, self._ack_s = window, ack_s
        self._stop = threading.Event()
        self._subscribed = threading.Event()
        self._lock = threading.Lock()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"logger-{number:08x}-{next(_COUNT)}")
        if broker.user is not None:
            self.client.username_pw_set(broker.user, broker.password)
        self.client.reconnect_delay_set(1, 1)
        self.client.on_connect = lambda client, *_: client.subscribe(
            [(messages.stored_topic(number), 1), (messages.order_topic(number), 1)]
        )
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.on_disconnect = lambda *_: self._subscribed.clear()
        self.client.on_message = self._came
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()
        assert self._subscribed.wait(10)
        self._thread = threading.Thread(target=self._send, daemon=True)

    def start(self) -> "PlayedLogger":
        self._thread.start()
        return self

    def _came(self, _client: object, _data: object, message: paho.MQTTMessage) -> None:
        if message.topic.endswith("order"):
            self.orders.append(message.payload)
            return
        with self._lock:
            ranges = messages.parse_stored(message.payload)
            self.greetings += not ranges
            for boot, first, last in ranges:
                assert boot == self.boot
                self.said.update(range(first, last + 1))
            while self.cursor in self.said:
                self.cursor += 1

    def _send(self) -> None:
        sent_at: dict[int, float] = {}
        end = self.first + len(self.frames)
        while not self._stop.is_set() and self.cursor < end:
            if not self._subscribed.is_set():
                sent_at.clear()
                time.sleep(0.01)
                continue
            now = time.monotonic()
            for sequence in range(self.cursor, min(self.cursor + self._window, end)):
                if sequence not in self.said and now - sent_at.get(sequence, -1e9) > self._ack_s:
                    self.publish("frame", self.frames[sequence - self.first])
                    sent_at[sequence] = now
                    self.sent += 1
            time.sleep(0.002)

    def publish(self, word: str, data: bytes, **more: object) -> None:
        said = self.client.publish(messages.topic(self.number, word), data, qos=0 if word == "now" else 1, **more)
        if more.get("retain"):
            said.wait_for_publish(20)  # whoever comes after it finds it

    def done(self) -> bool:
        return self.cursor >= self.first + len(self.frames)

    def close(self) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(10)
        self.client.disconnect()
        self.client.loop_stop()


class RawClient:
    """An MQTT 3.1.1 client made by hand, for what a well-behaved one never does: not read, fall silent, flood."""

    def __init__(
        self,
        port: int,
        name: str,
        user: str,
        password: str,
        *,
        clean: bool = True,
        keep_alive: int = 0,
        will: tuple[str, bytes] | None = None,
    ) -> None:
        self.socket = socket.socket()
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        self.socket.settimeout(10)
        self.socket.connect(("127.0.0.1", port))
        flags = 0xC0 | (2 if clean else 0) | (0x04 if will else 0)
        body = _text("MQTT") + bytes([4, flags]) + keep_alive.to_bytes(2, "big") + _text(name)
        if will:
            body += _text(will[0]) + _text(will[1])
        self.send(0x10, body + _text(user) + _text(password))
        kind, answer = self.read()
        assert kind == 0x20
        self.session_present, self.refused = answer[0], answer[1]

    def send(self, kind: int, body: bytes) -> None:
        self.socket.sendall(packet(kind, body))

    def subscribe(self, topic: str, qos: int) -> None:
        self.send(0x82, b"\x00\x01" + _text(topic) + bytes([qos]))
        assert self.read()[0] == 0x90

    def read(self) -> tuple[int, bytes]:
        """The next packet: (first byte, body). EOFError when the broker has closed."""
        first = self._exactly(1)[0]
        length = shift = 0
        while True:
            byte = self._exactly(1)[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return first, self._exactly(length)

    def _exactly(self, count: int) -> bytes:
        out = b""
        while len(out) < count:
            part = self.socket.recv(count - len(out))
            if not part:
                raise EOFError
            out += part
        return out

    def close(self) -> None:
        self.socket.close()


def packet(kind: int, body: bytes) -> bytes:
    length, out = len(body), b""
    while True:
        out += bytes([(length & 0x7F) | (0x80 if length > 0x7F else 0)])
        length >>= 7
        if not length:
            return bytes([kind]) + out + body


def publish_packet(topic: str, data: bytes, number: int) -> bytes:
    """A QoS 1 PUBLISH."""
    return packet(0x32, _text(topic) + number.to_bytes(2, "big") + data)


def _text(value: str | bytes) -> bytes:
    data = value.encode() if isinstance(value, str) else value
    return len(data).to_bytes(2, "big") + data
