"""What the ledger holds, as plain values. Times are integer milliseconds UTC."""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.wire.frames import FrameKey

NOTE_KINDS = ("wrap", "unwrap", "rotate", "spritz", "fuel", "lid", "ice", "boat", "pan", "pull", "hold", "text")
PLACE_KINDS = ("air", "meat")
PROBE_RECORD_KINDS = ("calibration", "air", "plunge")

# 2000-01-01 to 2100-01-01: outside of it a time is a typing error, or that of a clock that was never set. [ms UTC]
TIMES_MS = (946_684_800_000, 4_102_444_800_000)

# A meat that still holds water does not pass its boiling point (99.97 degC at 101325 Pa; SOURCES.md section 3), and
# nobody cooks to less than a warm room.
TARGET_C = (30.0, 100.0)
# What a fire may be held at, from cold smoke to the hottest oven: our allowance, no source.
BAND_C = (10.0, 400.0)
MEAT_KINDS = ("beef", "injected", "ground", "poultry", "other")  # of which published lines of food safety differ


@dataclass(frozen=True, slots=True)
class Cook:
    """A named span of time, and what is wanted of it: see ``cooks.CookSettings``.

    ``ended_ms`` is None while nobody has ended it; it is whole all the same.
    """

    id: int
    name: str
    started_ms: int
    ended_ms: int | None
    target_c: float | None
    meats: tuple[str, ...] = ()
    band_c: tuple[float, float] | None = None
    meat_kind: str | None = None

    def as_json(self) -> dict[str, Any]:
        """The cook as page and command give it out: times in UTC seconds."""
        return {
            "id": self.id,
            "name": self.name,
            "started": self.started_ms / 1000,
            "ended": None if self.ended_ms is None else self.ended_ms / 1000,
            "target_c": self.target_c,
            "band_c": None if self.band_c is None else list(self.band_c),
            "meats": list(self.meats),
            "meat_kind": self.meat_kind,
        }


@dataclass(frozen=True, slots=True)
class Probe:
    """One physical thermocouple: its type letter and the tolerance class that its maker states."""

    id: int
    name: str
    tc: str
    tolerance: str  # "iec-1", "iec-2", "astm-special", "astm-standard"


@dataclass(frozen=True, slots=True)
class ProbeRecord:
    """One measurement of a probe: a calibration, what was learnt of it as an air probe, or a plunge.

    ``body`` is what was measured, as its kind writes it: of a calibration ``metrology.calibration.body_of``. A later
    record (by ``made_ms``, then by ``id``) supersedes an earlier one of its kind, and one that was withdrawn does not
    count.
    """

    id: int
    probe_id: int
    kind: str  # one of PROBE_RECORD_KINDS
    made_ms: int  # when it was measured
    entered_ms: int  # when it was written down
    logger: int | None  # the channel that it was measured through; None: another instrument
    channel: int | None
    remark: str
    body: dict[str, Any]
    withdrawn_ms: int | None = None  # when a person said that it does not count


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

    def as_json(self) -> dict[str, Any]:
        """The note as page and command give it out: time in UTC seconds."""
        return {"id": self.id, "cook": self.cook_id, "at": self.at_ms / 1000, "kind": self.kind, "text": self.text}


@dataclass(frozen=True, slots=True)
class LoggerInfo:
    """What is known of a logger: its last state and last tick, as it sent them."""

    logger: int
    name: str
    last_seen_ms: int | None
    state: dict[str, Any] | None
    frames: int
    now: dict[str, Any] | None = None


class StoreCount(NamedTuple):
    """What one commit did: frames that were new, that were there already, and that clash with one under their key."""

    new: int
    known: int
    clash: int


class StoredFrame(NamedTuple):
    """A frame as it came, with what its head says. ``row`` grows with every frame that is stored."""

    row: int
    key: FrameKey
    kind: int
    uptime_ms: int  # of the first tick, or of the event
    last_uptime_ms: int  # when the last tick of the frame was due; of an event, the same as uptime_ms
    received_ms: int
    frame: bytes


class BootSpan(NamedTuple):
    """What the ledger holds of one boot of a logger."""

    boot: int
    first_uptime_ms: int
    last_uptime_ms: int
    frames: int
    first_received_ms: int
    last_received_ms: int
    first_sequence: int
    as_file: bool  # some of it came in as a file, perhaps long after it was written


class Aside(NamedTuple):
    """Something that could not be taken in. ``data`` is at most 64 KB of it; ``size`` is what it was."""

    reason: str
    source: str  # the topic or the path
    detail: str
    data: bytes
    size: int
    times: int
    received_ms: int


@dataclass(frozen=True, slots=True)
class ToldAnchor:
    """A person's word that uptime ``uptime_ms`` of this boot was UTC ``utc_ms``, give or take ``err_ms``."""

    logger: int
    boot: int
    uptime_ms: int
    utc_ms: int
    err_ms: int
    source: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """One column of an imported table: what the file said, converted to degC.

    t : float64 (n,), UTC seconds, ascending
    celsius : float64 (n,), degC, NaN where the cell was empty
    """

    id: int
    cook_id: int
    place: str
    kind: str  # one of PLACE_KINDS
    source: str
    digest: str
    t: NDArray[np.float64]
    celsius: NDArray[np.float64]
