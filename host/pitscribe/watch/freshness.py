"""How old a reading may be and still be the present one. Pure functions.

A logger sends readings by the frame: just before a frame is full, its newest reading is as old as a frame is long.
Two frames without news mean that something is wrong; with usual settings two minutes are more than that.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from pitscribe.ledger.values import LoggerInfo, Placement, StoredFrame

LEAST_S = 120.0  # a frame of 32 ticks a second spans 32 s: two minutes without one are four frames missing
USUAL_TICKS = 32  # in a frame, until the logger's own frames say how many (firmware_mpy/config.example.json)
TICKS = 1  # the kind of frame that holds readings: WIRE.md section 1
MOST_TICKS = 255  # WIRE.md section 2
FOREVER_MS = 1 << 60


class Pace(NamedTuple):
    """How often a logger reads and how many readings it sends at a time."""

    period_ms: int
    ticks: int = USUAL_TICKS

    def limit_s(self, least_s: float) -> float:
        """The age from which its newest reading is not the present one."""
        return max(least_s, 2 * self.period_ms * self.ticks / 1000)

    def silence_s(self, least_s: float) -> float:
        """The age of its last word from which it is silent: it speaks at each tick, however long its frames are."""
        return max(least_s, 2 * self.period_ms / 1000)


class Stretch(NamedTuple):
    """Where to look for a logger's newest frames: a boot and a span of its uptime."""

    boot: int
    first_ms: int
    last_ms: int


def newest_stretch(info: LoggerInfo) -> tuple[int, Stretch] | None:
    """(period, stretch) by the logger's last words; None where it said neither, as in its last will."""
    state, now = info.state or {}, info.now or {}
    period, boot, up = state.get("period_ms"), state.get("boot"), state.get("up")
    if not (isinstance(period, int) and isinstance(boot, int) and isinstance(up, int)):
        return None
    if now.get("boot") == boot and isinstance(now.get("up"), int):
        up = max(up, now["up"])
    # Two of the longest frames that there can be: the newest full one is in it.
    return period, Stretch(boot, max(0, up - 2 * MOST_TICKS * period), FOREVER_MS)


def pace_of(period_ms: int, frames: Iterable[StoredFrame], before: Pace | None) -> Pace:
    """A logger's pace from its newest tick frames; a boot that has none yet is taken to go on as the one ``before``."""
    spans = [(f.last_uptime_ms - f.uptime_ms) // period_ms + 1 for f in frames]
    return Pace(period_ms, max(spans, default=before.ticks if before else USUAL_TICKS))


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits of a cook: of a logger's words by its number, of readings by the name of their place."""

    least_s: float = LEAST_S
    loggers: Mapping[int, float] = field(default_factory=dict)
    places: Mapping[str, float] = field(default_factory=dict)

    def of_logger(self, logger: int) -> float:
        """Seconds that a logger's last word may be old."""
        return self.loggers.get(logger, self.least_s)

    def of_place(self, *places: str) -> float:
        """Seconds that the newest reading of a place may be old; of several places, what all of them need."""
        return max(self.places.get(place, self.least_s) for place in places)


def limits_of(
    paces: Mapping[int, Pace], placements: Collection[Placement], ended: Collection[Placement], least_s: float
) -> Limits:
    """The limits where these placements hold; of those that have ended only where a place has no other."""
    readings = {logger: pace.limit_s(least_s) for logger, pace in paces.items()}
    words = {logger: pace.silence_s(least_s) for logger, pace in paces.items()}
    places: dict[str, float] = {}
    going = {p.place for p in placements if p not in ended}
    for p in placements:
        if p not in ended or p.place not in going:
            places[p.place] = max(places.get(p.place, least_s), readings.get(p.logger, least_s))
    return Limits(least_s, words, places)


def as_mapping(value: Any) -> Mapping[str, Any]:
    """A JSON object, or an empty one for anything else."""
    return value if isinstance(value, Mapping) else {}
