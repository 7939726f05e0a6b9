"""Words: topics, messages, lines of the cable, and the file that the loggers' secrets are in."""

import json
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from pitscribe.errors import ConfigError, MessageError
from pitscribe.intake.keyring import FILE_NAME, Keyring
from pitscribe.intake.lastwords import heard
from pitscribe.wire import lines, messages

from . import Target, promise

SECRET = "0123456789abcdef0123456789abcdef"
NOW = {"v": 1, "boot": 7, "up": 81000, "table": [0x13, 0x00, 0x27], "codes": [[430, 400, 0], None, [-5, 1600, 513]]}
STATE = {
    "v": 1, "online": True, "boot": 7, "up": 81500, "name": "pit", "firmware": "0.1.0", "period_ms": 1000,
    "table": [0x13, 0x23], "missed": 3, "journal": {"first": 10, "next": 500, "cursor": 480, "lost": 2, "ok": True},
    "anchor": {"up": 5000, "utc_ms": 1794052800123, "err_ms": 41, "from": "host"},
}


def each(read: Callable[[bytes], Any], refuses: type[Exception]) -> Callable[[Sequence[bytes]], None]:
    """Either a value or a refusal in words, never anything else."""

    def run(inputs: Sequence[bytes]) -> None:
        for data in inputs:
            try:
                read(data)
            except refuses as error:
                promise(bool(str(error)), "a refusal has a reason")
                promise(len(str(error)) < 2000, "which can be read")

    return run


def _topic(data: bytes) -> None:
    logger, word = messages.parse_topic(data.decode("utf-8", "replace"))
    promise(0 <= logger < 1 << 32 and bool(word), "a logger and a word")
    promise(messages.topic(logger, word) == data.decode(), "and nothing else names them")


def _said(data: bytes) -> None:
    for word in ("now", "state", "stored", "nonsense"):
        one = heard(f"pitscribe/1/0000beef/{word}", 0xBEEF, word, data)
        promise(one.said is not None or bool(one.wrong) or word not in ("now", "state"), "said, or wrong in words")


def _lines(inputs: Sequence[bytes]) -> None:
    """A port's bytes in pieces of any size: the reader keeps no more than a line, and reads sound lines among noise."""
    for data in inputs:
        for size in (1, 7, 4096):
            reader = lines.LineReader()
            found = [line for at in range(0, len(data), size) for line in reader.feed(data[at : at + size])]
            promise(len(reader.said()) <= 400 + lines.LONGEST_LINE, "bounded memory")
            found += reader.feed(b"\n" + lines.written(lines.ANSWER, b'{"n":1}'))
            promise(found[-1].payload == b'{"n":1}', "a sound line behind it is read")


def _keyring(data: bytes) -> None:
    with tempfile.TemporaryDirectory(dir="/dev/shm") as home:
        path = Path(home) / FILE_NAME
        path.touch(mode=0o600)
        path.write_bytes(data)
        try:
            secret = Keyring(Path(home)).secret_of(0xBEEF)
        except ConfigError as error:
            promise(SECRET not in str(error), "no secret in an error")
            raise
        promise(secret is None or isinstance(secret, str), "a secret or none")


_ALL_SAID = [
    json.dumps(NOW).encode(), json.dumps(STATE).encode(), messages.stored([(7, 0, 41), (8, 0, 3)]),
    messages.time_order(7, 5000, 1_800_000_000_000, 20),
    messages.sound_order(messages.SOUNDS[0], 10), b'{"v":1}', b"[]",
]
_KEYS = [json.dumps({"0000beef": SECRET, "0000beee": "another one, long enough"}).encode(), b"{}"]
_ANSWER, _FRAME = lines.written(lines.ANSWER, b'{"n":1,"boot":7}'), lines.written(lines.FRAME, bytes(40))
_PORT = [b"boot: 7\r\n" + _ANSWER + _FRAME + b">>> "]
_TOPICS = [b"pitscribe/1/0000beef/frame", b"pitscribe/1/0000beef/temp/0", b"$share/g/a"]

TARGETS = (
    Target("topics", each(_topic, MessageError), _TOPICS),
    Target("messages", each(_said, MessageError), _ALL_SAID),
    Target("stored", each(messages.parse_stored, MessageError), _ALL_SAID),
    Target("orders", each(messages.parse_order, MessageError), _ALL_SAID),
    Target("lines", _lines, _PORT),
    Target("keyring", each(_keyring, ConfigError), _KEYS),
)
