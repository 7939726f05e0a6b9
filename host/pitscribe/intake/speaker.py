"""What the host says to loggers: each message authenticated with the secret that the two share (WIRE.md 5.1)."""

import contextlib
from collections.abc import Callable

import paho.mqtt.client as paho

from pitscribe.errors import ConfigError
from pitscribe.intake.status import Status
from pitscribe.wire import mac, messages

SecretOf = Callable[[int], str | None]


def nobody(logger: int) -> str | None:
    """The secrets of a host that shares none."""
    return None


class Speaker:
    """Publishes to loggers, and knows which of them will not believe it."""

    def __init__(self, client: paho.Client, status: Status, secret_of: SecretOf) -> None:
        self._client, self._status, self._secret_of = client, status, secret_of
        self._last: paho.MQTTMessageInfo | None = None
        self._denied: dict[int, tuple[int, int]] = {}  # (boot, messages denied) as each logger said last

    def say(self, logger: int, word: str, payload: bytes) -> None:
        """Publish ``payload`` as a logger's ``word``.

        A secret that cannot be had now is told as something wrong; without it the message goes out all the same, for
        a logger that asks for none.
        """
        topic, secret = messages.topic(logger, word), self._secret(logger)
        payload = mac.authenticated(secret, topic, payload) if secret else payload
        self._last = self._client.publish(topic, payload, qos=1)

    def sound(self, logger: int, pattern: str, seconds: int) -> None:
        """Have a logger's buzzer sound a pattern of ``messages.SOUNDS`` for so long. Raises MessageError.

        Nothing is said while the broker is away: a sound that comes late calls for nothing any more.
        """
        payload = messages.sound_order(pattern, seconds)
        if self._client.is_connected():
            self.say(logger, "order", payload)

    def wait(self, seconds: float) -> None:
        """Give the broker so long to confirm the last word."""
        if self._last is not None and self._client.is_connected():
            with contextlib.suppress(ValueError, RuntimeError):  # it could not even be queued; it will be said again
                self._last.wait_for_publish(seconds)

    def hears(self, logger: int, state: messages.State) -> None:
        """Compare what a logger asks for with what we have."""
        condition = state.condition
        if condition is None:
            return
        kind, name = f"secret {logger:08x}", f"The logger {condition.name} ({logger:08x})"
        secret = self._secret(logger)
        boot, before = self._denied.get(logger, (-1, condition.denied))
        behind = condition.journal.cursor < condition.journal.next
        if not condition.auth:
            self._denied.pop(logger, None)
            if secret:
                words = "asks for no secret, though this host has one of it: whoever reaches the broker can make it "
                words += 'let go of its record; put "secret" into its config.json'
                self._status.wrong(kind, f"{name} {words}")
            else:
                self._status.right(kind)
            return
        self._denied[logger] = state.boot, condition.denied
        if not secret:
            words = "believes only a host that has its secret, and this one has not: what it sends is kept here, but "
            words += "it does not know so and sends it again; give the host the secret in its config.json with: "
            words += f"pitscribe logger secret {logger:08x} --set TEXT"
            self._status.wrong(kind, f"{name} {words}")
        elif boot == state.boot and condition.denied > before and behind:
            words = "did not believe what it was told: either this host has another secret than its config.json, or "
            words += "somebody else on the broker speaks to it"
            self._status.wrong(kind, f"{name} {words}")
        elif boot != state.boot or condition.denied == before:
            self._status.right(kind)

    def _secret(self, logger: int) -> str | None:
        try:
            secret = self._secret_of(logger)
        except ConfigError as error:
            self._status.wrong("secrets", str(error))
            return None
        self._status.right("secrets")
        return secret
