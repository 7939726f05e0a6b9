"""Message authentication codes: the keyed hash by which a logger knows its host (WIRE.md 5.1).

RFC 2104 (HMAC) with SHA-256 (FIPS 180-4).
"""

import hashlib
import hmac
import json
from collections.abc import Mapping
from typing import Any

from ..errors import MessageError
from .members import load_object

SHORTEST, LONGEST = 16, 64  # characters of a secret
_KEPT = 16  # bytes of the hash


def meaning(topic: str, message: Mapping[str, Any]) -> bytes:
    """Return the text that is hashed: the topic and what the message means, a line each. Raises MessageError."""
    if topic.endswith("/stored"):
        lines = [" ".join(str(_whole(number)) for number in one) for one in message["stored"]]
    else:
        names = sorted((name for name in message if name not in ("v", "mac")), key=str.encode)
        lines = [f"{_clean(name)}={_written(message[name])}" for name in names]
    return "".join(f"{line}\n" for line in (topic, *lines)).encode()


def mac_of(secret: str, topic: str, message: Mapping[str, Any]) -> str:
    """Return the code of a message on its topic: 32 hex digits. Raises MessageError if it cannot have one."""
    return hmac.new(secret.encode(), meaning(topic, message), hashlib.sha256).digest()[:_KEPT].hex()


def authenticated(secret: str, topic: str, payload: bytes) -> bytes:
    """Return the message ``payload`` (JSON) with its code in it. Raises MessageError."""
    try:
        message = load_object(payload)
    except ValueError as error:
        raise MessageError(f"{topic}: {error}") from None
    return json.dumps({**message, "mac": mac_of(secret, topic, message)}, separators=(",", ":")).encode()


def is_authentic(secret: str, topic: str, message: Mapping[str, Any]) -> bool:
    """Return whether a message bears the code that ``secret`` gives, as a logger looks at it."""
    said = message.get("mac")
    return isinstance(said, str) and hmac.compare_digest(said.encode(), mac_of(secret, topic, message).encode())


def _written(value: Any) -> str:
    return f'"{_clean(value)}"' if isinstance(value, str) else str(_whole(value))


def _whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise MessageError(f"mac: {value!r} is neither a whole number nor a text")
    return value


def _clean(text: str) -> str:
    """Refuse what would let two messages have one text."""
    if any(ord(letter) < 0x20 for letter in text):
        raise MessageError(f"mac: {text!r} has a control character")
    return text
