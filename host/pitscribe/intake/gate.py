"""The gate for frames: what is sound goes on, what is not is kept aside with its reason, and nothing raises.

Whether a logger may be told that we have a frame depends on whether we can be sure *which* frame it is:

* sound, or known already: yes, it is in the ledger.
* a good CRC, but a kind, a body or a header that this host cannot use, or that a fault of ours comes from: yes. It is
  kept aside, byte for byte, and sending it again would never change that; the logger would send it for ever, and
  after some of them nothing else.
* a bad CRC, cut off, not a frame: no. We do not know what it was, and the copy in the journal may be good.
* a frame of another logger than its topic says: no. Somebody has mixed up two loggers; neither may lose data by it.
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from pitscribe.errors import FrameError
from pitscribe.wire.frames import FrameKey, Head, check, check_many, read_head

# Reasons of FrameError that come after the CRC was found good.
KEY_IS_CERTAIN = frozenset({"kind", "body"})

# No logger runs this long between two power-ups; an uptime beyond it is a fault in its clock, not a time.
LONGEST_UPTIME_MS = 20 * 366 * 86_400_000

_KEY = struct.Struct("<IHI")  # WIRE.md section 1, at offset 4


class Arrived(NamedTuple):
    """A frame as it came: ``logger`` is what its topic or its file says; None where nothing does."""

    data: bytes
    source: str
    logger: int | None


class Refused(NamedTuple):
    """What is to be kept aside."""

    data: bytes
    source: str
    reason: str
    detail: str


@dataclass(slots=True)
class Sifted:
    """What the gate made of some frames."""

    good: list[tuple[Head, bytes]] = field(default_factory=list)
    held: list[Refused] = field(default_factory=list)  # to be kept aside, and acknowledged
    refused: list[Refused] = field(default_factory=list)  # to be kept aside, and not acknowledged
    keys: list[FrameKey] = field(default_factory=list)  # of good and held: what may be said to be stored


def sift(arrived: Sequence[Arrived]) -> Sifted:
    """Check frames, many at a time. Never raises for what they hold."""
    out = Sifted()
    for item, found in zip(arrived, _check_all([item.data for item in arrived]), strict=True):
        if isinstance(found, FrameError):
            certain = found.reason in KEY_IS_CERTAIN or (found.reason == "fault" and _head_is_sound(item.data))
            key = key_of(item.data) if certain else None
            reason, detail = found.reason, str(found)
        else:
            key, reason, detail = found.key, *_implausible(found)
        if key is not None and item.logger is not None and key.logger != item.logger:
            detail = f"a frame of logger {key.logger:08x}"
            out.refused.append(Refused(item.data, item.source, "foreign", detail))
        elif key is None:
            out.refused.append(Refused(item.data, item.source, reason, detail))
        else:
            out.keys.append(key)
            if reason or isinstance(found, FrameError):
                out.held.append(Refused(item.data, item.source, reason, detail))
            else:
                out.good.append((found, item.data))
    return out


def key_of(frame: bytes) -> FrameKey:
    """The key of a frame that is good or held."""
    return FrameKey(*_KEY.unpack_from(frame, 4))


def _implausible(head: Head) -> tuple[str, str]:
    if head.uptime_ms > LONGEST_UPTIME_MS:
        return "header", f"uptime {head.uptime_ms} ms is over 20 years"
    return "", ""


def _check_all(frames: Sequence[bytes]) -> Sequence[Head | FrameError]:
    try:
        return check_many(frames)
    except Exception:  # a fault of ours that one odd frame sets off must not cost the others, nor stop the intake
        return [_check_one(frame) for frame in frames]


def _check_one(frame: bytes) -> Head | FrameError:
    try:
        return check(frame)
    except FrameError as error:
        return error
    except Exception as error:
        return FrameError("fault", f"a fault in pitscribe itself: {type(error).__name__}: {error}")


def _head_is_sound(frame: bytes) -> bool:
    try:
        read_head(frame)
    except Exception:
        return False
    return True
