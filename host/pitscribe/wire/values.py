"""What frames hold, as values (WIRE.md 1 to 3)."""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray


class Channel(NamedTuple):
    """One entry of a channel table: the amplifier ("none" if there is none) and the thermocouple's type letter."""

    chip: str
    tc: str


class FrameKey(NamedTuple):
    """What names a frame for ever."""

    logger: int
    boot: int
    sequence: int


@dataclass(frozen=True, slots=True)
class Head:
    """The fields that every frame has; ``uptime_ms`` is of the first tick, or of the event."""

    kind: int
    length: int
    key: FrameKey
    uptime_ms: int


@dataclass(frozen=True, slots=True)
class TickRun:
    """Ticks of one logger, boot and channel table, in order of uptime.

    ``uptime_ms`` int64 (n,), ``period_ms`` int32 (n,); ``hot``, ``cold`` and ``fault`` int32 (n, C): the chips' codes,
    0 in the columns of channels that have no chip; ``missed_ms`` int64 (m,): uptimes of the ticks that were missed.
    """

    logger: int
    boot: int
    table: tuple[Channel, ...]
    uptime_ms: NDArray[np.int64]
    period_ms: NDArray[np.int32]
    hot: NDArray[np.int32]
    cold: NDArray[np.int32]
    fault: NDArray[np.int32]
    missed_ms: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Event:
    """Something that the firmware did or learned; ``fields`` has all members but ``event``."""

    key: FrameKey
    uptime_ms: int
    name: str
    fields: dict[str, Any]
