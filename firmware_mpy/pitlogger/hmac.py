"""Message authentication codes: a keyed hash over what a message from the host means, which needs the secret to make.

HMAC (RFC 2104) with SHA-256 (FIPS 180-4), cut to its first 16 bytes (RFC 2104 section 5 allows half). WIRE.md section 5
says which text is hashed; ``vectors/auth.json`` has examples.
"""

import binascii
import hashlib

_BLOCK = 64  # bytes of a block of SHA-256
_KEPT = 16  # bytes of the hash


def keyed_hash(key, text):
    """Return the keyed hash of ``text`` under ``key`` (both bytes), 32 lower-case hex digits as bytes."""
    if len(key) > _BLOCK:
        key = hashlib.sha256(key).digest()
    pads = []
    for flip in (0x36, 0x5C):
        pad = bytearray(_BLOCK)
        for i in range(_BLOCK):
            pad[i] = (key[i] if i < len(key) else 0) ^ flip
        pads.append(pad)
    inner = hashlib.sha256(pads[0])
    inner.update(text)
    outer = hashlib.sha256(pads[1])
    outer.update(inner.digest())
    return binascii.hexlify(outer.digest()[:_KEPT])


def same(a, b):
    """Return whether two bytes are equal, in a time that does not say where they differ."""
    if len(a) != len(b):
        return False
    different = 0
    for i in range(len(a)):
        different |= a[i] ^ b[i]
    return not different


def meaning(topic, message):
    """Return the text that is hashed, as bytes. ValueError, KeyError or TypeError if the message has none."""
    lines = [topic]
    if topic.endswith("/stored"):
        for boot, first, last in message["stored"]:
            lines.append("%d %d %d" % (_whole(boot), _whole(first), _whole(last)))
    else:
        for name in sorted(message):
            if name not in ("v", "mac"):
                lines.append("%s=%s" % (_clean(name), _written(message[name])))
    lines.append("")
    return "\n".join(lines).encode()


def believed(secret, topic, message):
    """Return whether a message may be acted on: its ``mac`` was made with ``secret``, or no secret is set (empty)."""
    if not secret:
        return True
    mac = message.get("mac")
    if not isinstance(mac, str):
        return False
    return same(keyed_hash(secret.encode(), meaning(topic, message)), mac.encode())


def _written(value):
    if isinstance(value, str):
        return '"%s"' % _clean(value)
    return str(_whole(value))


def _whole(value):
    if type(value) is not int:
        raise ValueError("mac: only whole numbers and texts can be hashed")
    return value


def _clean(text):
    """Refuse what would let two messages have one text."""
    for letter in text:
        if ord(letter) < 32:
            raise ValueError("mac: control character")
    return text
