"""What the tests of ledger and intake share: frames, a logger played over paho, real brokers, waiting."""

import socket
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from pitscribe.wire import messages
from pitscribe.wire.frames import Channel, FrameKey, encode_event, encode_ticks

LOGGER = 0xAABB0001
TABLE = (Channel("max31855", "K"), Channel("max31856", "T"))


def ticks(sequence: int, boot: int = 1, logger: int = LOGGER, n: int = 4, salt: int = 0) -> bytes:
    """A sound frame of n ticks; ``salt`` gives other bytes under the same key."""
    rng = np.random.default_rng((sequence, boot, logger, salt))
    hot = 400 + salt + np.cumsum(rng.integers(-2, 3, (n, len(TABLE))), 0)
    return encode_ticks(FrameKey(logger, boot, sequence), sequence * n * 1000, 1000, TABLE, hot, hot // 4, hot * 0)


def anchor(sequence: int, utc_ms: int, boot: int = 1, logger: int = LOGGER, uptime_ms: int = 0) -> bytes:
    fields = {"utc_ms": utc_ms, "err_ms": 40, "from": "ntp"}
    return encode_event(FrameKey(logger, boot, sequence), uptime_ms, "anchor", fields)


def wait_until(what: str, condition: Callable[[], object], seconds: float = 15.0) -> None:
    """Wait for a condition, and say which one if it does not come."""
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, f"waited {seconds} s in vain until {what}"
        time.sleep(0.005)


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


class Mosquitto:
    """A real broker of another make, on a port of its own."""

    host = "127.0.0.1"

    def __init__(self, folder: Path, user: str | None = None, password: str | None = None) -> None:
        self.port = free_port()
        self.user, self.password = user, password
        self._config = folder / "mosquitto.conf"
        lines = [f"listener {self.port} 127.0.0.1", "max_queued_messages 0", "user root", "log_type none"]
        if user is None:
            lines.append("allow_anonymous true")
        else:
            file = folder / "passwords"
            subprocess.run(["mosquitto_passwd", "-b", "-c", file, user, password or ""], check=True)
            lines += ["allow_anonymous false", f"password_file {file}"]
        self._config.write_text("\n".join(lines) + "\n")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self.process = subprocess.Popen(["mosquitto", "-c", self._config], stdout=subprocess.DEVNULL)
        wait_until("mosquitto listens", lambda: answers(self.port))

    def stop(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


def answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
    except OSError:
        return False
    return True


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
        self.sent = 0
        self._window, self._ack_s = window, ack_s
        self._stop = threading.Event()
        self._subscribed = threading.Event()
        self._lock = threading.Lock()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"logger-{number:08x}")
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
            for boot, first, last in messages.parse_stored(message.payload):
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
        self.client.publish(messages.topic(self.number, word), data, qos=0 if word == "now" else 1, **more)

    def done(self) -> bool:
        return self.cursor >= self.first + len(self.frames)

    def close(self) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(10)
        self.client.disconnect()
        self.client.loop_stop()
