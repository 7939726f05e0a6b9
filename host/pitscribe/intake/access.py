"""Who may say and hear what on the broker of our own: the same as host/mosquitto/pitscribe.acl says of mosquitto.

A logger's user name is its number (8 hex digits). Its password follows from the secret that it shares with the host, so
there is no second file to keep, and a new secret is a new password. From the password nobody comes to the secret, if
that was made by us: it has 128 bits.
"""

import hashlib
import hmac
import re
from collections.abc import Callable

from pitscribe.errors import ConfigError

_LOGGER = re.compile("[0-9a-f]{8}")
_SAYS, _HEARS = ("frame", "now", "state"), ("stored", "order")


def logger_password(secret: str, logger: int) -> str:
    """The password of a logger for the broker of our own: 32 hex digits.

    HMAC (RFC 2104) with SHA-256 under the secret, the first 16 bytes. No text of WIRE.md 5.1 begins as this one does.
    """
    return hmac.new(secret.encode(), f"broker {logger:08x}\n".encode(), hashlib.sha256).hexdigest()[:32]


def logger_named(user: str) -> str | None:
    """The number that a user name is, None if it is none: then it may be anything, and is not to be shown."""
    return user if _LOGGER.fullmatch(user) else None


class Access:
    """``user`` and ``password`` are the host's: it says and hears everything."""

    def __init__(self, user: str, password: str, secret_of: Callable[[int], str | None]) -> None:
        """``secret_of``: what the host shares with a logger; it may raise ConfigError."""
        self._host = user
        self._pair = f"{user}\0{password}".encode()
        self._secret_of = secret_of

    def lets_in(self, user: str, password: str) -> bool:
        """Whether that is the password of that user."""
        if hmac.compare_digest(f"{user}\0{password}".encode(), self._pair):
            return True
        if not _LOGGER.fullmatch(user):
            return False
        try:
            secret = self._secret_of(int(user, 16))
        except ConfigError:  # the intake tells of it
            return False
        return secret is not None and hmac.compare_digest(
            password.encode(), logger_password(secret, int(user, 16)).encode()
        )

    def may_say(self, user: str, topic: str) -> bool:
        """Whether a message under a topic is that user's to send."""
        return user == self._host or _is_own(user, topic, _SAYS)

    def may_hear(self, user: str, filter_: str) -> bool:
        """Whether that user may subscribe: a logger to its own two topics, named whole."""
        return user == self._host or _is_own(user, filter_, _HEARS)

    def client_of(self, user: str, client: str) -> str:
        """The name of a client: a logger's are its own, so that none ends the connection of another."""
        return client if user == self._host else f"{user}/{client}"


def _is_own(user: str, topic: str, words: tuple[str, ...]) -> bool:
    return topic in [f"pitscribe/1/{user}/{word}" for word in words]
