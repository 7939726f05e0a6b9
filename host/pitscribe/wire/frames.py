"""Frames: bytes to values and back (WIRE.md 1 to 3).

A frame is checked here in full before anything is believed of it, many at a time where many come in. The codes that
come out are the chips' own integers; what they mean in degrees is for ``metrology``.
"""

import json
import struct
import zlib
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ..errors import FrameError
from .columns import runs
from .encode import tick_body
from .layout import CRC_SIZE, HEADER, LONGEST, MARK, SHORTEST, Layout, check_columns, lay_open, unpack_columns
from .members import load_object
from .values import Channel, Event, FrameKey, Head, TickRun

__all__ = [
    "EVENT", "TICKS", "Channel", "Event", "FrameKey", "Head", "TickRun", "check", "check_many", "decode_event",
    "decode_ticks", "encode_event", "encode_ticks", "read_head", "seal",
]

TICKS = 1
EVENT = 2
LONGEST_EVENT = 480  # bytes of JSON
_HEADER = struct.Struct("<BBHIHIIH")
_RESIDUE = 0x2144DF1C  # CRC-32 of anything followed by its own CRC-32, little-endian (SOURCES.md section 11)


def read_head(frame: bytes) -> Head:
    """Return the head of a frame whose mark, length and CRC agree.

    Raises FrameError, ``reason`` "short" (cut off), "mark" (not format 1), "length" (not 24 to 4096, or more bytes than
    it says), "crc", or "kind" (neither ticks nor event, and otherwise sound: of a later firmware).
    """
    if len(frame) < SHORTEST:
        raise FrameError("short", f"{len(frame)} bytes; a frame has at least {SHORTEST}")
    mark, kind, length, logger, boot, sequence, low, high = _HEADER.unpack_from(frame)
    if mark != MARK:
        raise FrameError("mark", f"begins with {mark:02x}, not {MARK:02x}")
    if not SHORTEST <= length <= LONGEST:
        raise FrameError("length", f"says {length} bytes; a frame has {SHORTEST} to {LONGEST}")
    if length > len(frame):
        raise FrameError("short", f"{len(frame)} bytes of {length}")
    if length < len(frame):
        raise FrameError("length", f"{len(frame)} bytes, but says {length}")
    if zlib.crc32(frame) != _RESIDUE:
        raise FrameError("crc", "the CRC does not agree with the bytes")
    if kind not in (TICKS, EVENT):
        raise FrameError("kind", f"kind {kind}; this host knows {TICKS} (ticks) and {EVENT} (event)")
    return Head(kind, length, FrameKey(logger, boot, sequence), low | high << 32)


def check(frame: bytes) -> Head:
    """Return the head of a frame that is sound from its first bit to its last.

    Raises FrameError as ``read_head``, or with reason "body".
    """
    found = check_many([frame])[0]
    if isinstance(found, FrameError):
        raise found
    return found


def check_many(frames: Sequence[bytes]) -> list[Head | FrameError]:
    """Check each frame in full; return in its place its head, or why it is none.

    What one frame holds does not touch what is said of another.
    """
    found: list[Head | FrameError] = []
    ticks: list[int] = []
    for place, frame in enumerate(frames):
        try:
            head = read_head(frame)
            if head.kind == TICKS:
                ticks.append(place)
            else:
                _event(frame)
            found.append(head)
        except FrameError as error:
            found.append(error)
    if ticks:
        data, layout = _open([frames[place] for place in ticks])
        check_columns(data, layout)
        for place, problem in zip(ticks, layout.problem, strict=True):
            if problem:
                found[place] = FrameError("body", problem)
    return found


def _open(frames: Sequence[bytes]) -> tuple[bytes, Layout]:
    """Lay tick frames behind one another and read their headers."""
    lengths = np.array([len(frame) for frame in frames], np.int64)
    data = b"".join(frames)
    return data, lay_open(data, lengths.cumsum() - lengths, lengths)


def decode_event(frame: bytes) -> Event:
    """Return what an event frame says. Raises FrameError; reason "kind" if it is a tick frame."""
    head = read_head(frame)
    if head.kind != EVENT:
        raise FrameError("kind", "a tick frame, not an event")
    fields = _event(frame)
    return Event(head.key, head.uptime_ms, fields.pop("event"), fields)


def _event(frame: bytes) -> dict[str, Any]:
    """Return the JSON object of an event frame whose head is sound."""
    body = frame[HEADER:-CRC_SIZE]
    if len(body) > LONGEST_EVENT:
        raise FrameError("body", f"event of {len(body)} bytes; {LONGEST_EVENT} at most")
    try:
        fields = load_object(body)
    except ValueError as error:
        raise FrameError("body", f"event: {error}") from None
    if not isinstance(fields.get("event"), str):
        raise FrameError("body", "event has no text called event")
    return fields


def encode_event(key: FrameKey, uptime_ms: int, name: str, fields: dict[str, Any]) -> bytes:
    """Return the frame of an event. Raises FrameError if it does not fit."""
    try:
        said = {"event": name} | fields | {"event": name}
        text = json.dumps(said, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        body = text.encode()
    except (TypeError, ValueError) as error:
        raise FrameError("body", f"cannot be written as JSON: {error}") from None
    if len(body) > LONGEST_EVENT:
        raise FrameError("body", f"event of {len(body)} bytes; {LONGEST_EVENT} at most")
    return seal(EVENT, key, uptime_ms, body)


def seal(kind: int, key: FrameKey, uptime_ms: int, body: bytes) -> bytes:
    """Return the frame around a body: header, body, CRC. Raises FrameError if a field does not fit."""
    length = HEADER + len(body) + CRC_SIZE
    if not SHORTEST <= length <= LONGEST:
        raise FrameError("length", f"{length} bytes; a frame has {SHORTEST} to {LONGEST}")
    if not 0 <= uptime_ms < 1 << 48:
        raise FrameError("body", f"uptime {uptime_ms} ms does not fit in 48 bits")
    try:
        head = _HEADER.pack(MARK, kind, length, *key, uptime_ms & 0xFFFFFFFF, uptime_ms >> 32)
    except struct.error as error:
        raise FrameError("body", f"header: {error}") from None
    return head + body + zlib.crc32(head + body).to_bytes(CRC_SIZE, "little")


def decode_ticks(frames: Sequence[bytes]) -> list[TickRun]:
    """Return the ticks in frames of any loggers, boots, channel tables and lengths, in any order.

    A key that comes again is left out. One run for each logger, boot and channel table, in that order.
    Raises FrameError, naming the frame by its place in ``frames``, for the first that is not a sound tick frame.
    """
    heads: dict[FrameKey, tuple[Head, bytes]] = {}
    for place, frame in enumerate(frames):
        head = _tick_head(place, frame)
        heads.setdefault(head.key, (head, frame))
    if not heads:
        return []
    ordered = sorted(heads.values(), key=lambda one: (one[0].key.logger, one[0].key.boot, one[0].uptime_ms, one[0].key))
    data, layout = _open([frame for _, frame in ordered])
    unpacked = unpack_columns(data, layout)
    for (head, _), problem in zip(ordered, layout.problem, strict=True):
        if problem:
            raise FrameError("body", f"frame {head.key}: {problem}")
    return runs([head for head, _ in ordered], layout, unpacked)


def _tick_head(place: int, frame: bytes) -> Head:
    try:
        head = read_head(frame)
    except FrameError as error:
        raise FrameError(error.reason, f"frame {place} of those given: {error}") from None
    if head.kind != TICKS:
        raise FrameError("kind", f"frame {place} of those given is an event")
    return head


def encode_ticks(
    key: FrameKey,
    uptime_ms: int,
    period_ms: int,
    table: Sequence[Channel],
    hot: ArrayLike,
    cold: ArrayLike,
    fault: ArrayLike,
    missed: Sequence[int] = (),
) -> bytes:
    """Return the frame of M ticks, each block written with the parameter that makes it shortest.

    ``hot``, ``cold`` and ``fault`` have shape (M, C), C = len(table); what they say for a channel without a chip is
    left out. ``missed`` has the places of missed ticks among all N = M + len(missed). Raises FrameError if something
    does not fit the format.
    """
    return seal(TICKS, key, uptime_ms, tick_body(period_ms, table, hot, cold, fault, missed))
