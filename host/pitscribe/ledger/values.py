"""What the ledger holds, as plain values. Times are integer milliseconds UTC."""

from dataclasses import dataclass
from typing import Any

NOTE_KINDS = ("wrap", "rotate", "spritz", "fuel", "lid", "ice", "boat", "pan", "pull", "hold", "text")
PLACE_KINDS = ("air", "meat")


@dataclass(frozen=True, slots=True)
class Cook:
    """A named span of time. ``ended_ms`` is None while nobody has ended it; it is whole all the same."""

    id: int
    name: str
    started_ms: int
    ended_ms: int | None
    target_c: float | None


@dataclass(frozen=True, slots=True)
class Probe:
    """One physical thermocouple: its type letter and the tolerance class that its maker states."""

    id: int
    name: str
    tc: str
    tolerance: str  # "iec-1", "iec-2", "astm-special", "astm-standard"


@dataclass(frozen=True, slots=True)
class Placement:
    """A probe on a channel, its tip at a place, over a span of time in a cook."""

    id: int
    cook_id: int
    probe: Probe
    logger: int
    channel: int
    place: str
    kind: str  # one of PLACE_KINDS
    since_ms: int | None  # None: from the cook's start
    until_ms: int | None  # None: to the cook's end


@dataclass(frozen=True, slots=True)
class Note:
    """Something that a person did or saw."""

    id: int
    cook_id: int
    at_ms: int
    kind: str  # one of NOTE_KINDS
    text: str


@dataclass(frozen=True, slots=True)
class LoggerInfo:
    """What is known of a logger: its last state and last tick, as it sent them."""

    logger: int
    name: str
    last_seen_ms: int | None
    state: dict[str, Any] | None
    frames: int
