"""The text lines on a logger's USB port (WIRE.md 6): made, and found again in whatever else the console says."""

import base64
import binascii
import json
import re
import zlib
from typing import Any, NamedTuple

from ..errors import MessageError
from .layout import LONGEST

QUESTION = b"?"
FRAME, NOW, STATE, ANSWER = b"F", b"N", b"S", b"A"
LONGEST_QUESTION = 6000  # bytes of a line that a logger takes
LONGEST_LINE = 4 * (LONGEST + 2) // 3 + 16  # a frame's; state and answers are shorter

_LINE = re.compile(rb"~([A-Z?])(.*)~([0-9a-f]{8})", re.DOTALL)


class Line(NamedTuple):
    """A sound line: its letter and its payload (of a frame: the frame's bytes, of the others JSON)."""

    letter: bytes
    payload: bytes


def written(letter: bytes, payload: bytes) -> bytes:
    """Return the line that says ``payload`` (a frame's bytes, or JSON), with a line feed before and behind it.

    Raises MessageError if the payload is JSON with a line end in it.
    """
    if letter == FRAME:
        payload = base64.b64encode(payload)
    elif b"\n" in payload or b"\r" in payload:
        raise MessageError("a line's JSON must not have a line end in it")
    body = letter + payload
    return b"\n~%b~%08x\n" % (body, zlib.crc32(body))


def question(number: int, ask: str, **more: Any) -> bytes:
    """Return the line that asks a logger something. Raises MessageError if it is longer than a logger takes."""
    text = json.dumps({"v": 1, "n": number, "ask": ask, **more}, separators=(",", ":"), ensure_ascii=False)
    line = written(QUESTION, text.encode())
    if len(line) - 2 > LONGEST_QUESTION:
        raise MessageError(f"{ask}: {len(line)} bytes are more than the {LONGEST_QUESTION} that a logger takes")
    return line


def read_line(line: bytes) -> Line | None:
    """Return what a line says, None if it is none of ours or was mangled on its way."""
    found = _LINE.fullmatch(line.rstrip(b"\r"))
    if found is None or zlib.crc32(found[1] + found[2]) != int(found[3], 16):
        return None
    if found[1] != FRAME:
        return Line(found[1], found[2])
    try:
        return Line(FRAME, base64.b64decode(found[2], validate=True))
    except binascii.Error:
        return None


class LineReader:
    """Takes the bytes of a port as they come and gives the lines that are ours; ``heard`` is the end of all else."""

    def __init__(self) -> None:
        self.heard = b""
        self._rest = b""

    def feed(self, data: bytes) -> list[Line]:
        """Return the sound lines that are whole now. A line too long to be ours is let go."""
        *whole, self._rest = (self._rest + data).split(b"\n")
        found = []
        for line in whole:
            if (one := read_line(line)) is not None:
                found.append(one)
            elif line.strip(b"\r"):
                self.heard = (self.heard + line + b"\n")[-400:]
        if len(self._rest) > LONGEST_LINE:
            self.heard, self._rest = self._rest[-400:], b"?"  # what is still to come of it is none of ours
        return found

    def said(self) -> str:
        """The end of what was heard besides, for a complaint."""
        return (self.heard + self._rest).decode(errors="replace").strip()
