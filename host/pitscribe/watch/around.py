"""What is known beside a cook's record when a snapshot is made."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from pitscribe.ledger.photobook import Photo
from pitscribe.ledger.values import Cook, LoggerInfo, Placement
from pitscribe.watch.freshness import Limits


class Spot(NamedTuple):
    """The channel of the probe that is at a place now, and since when (UTC s)."""

    logger: int
    channel: int
    placed: float


@dataclass(frozen=True, slots=True)
class Around:
    """Loggers, host and time around a cook.

    now : UTC s
    loggers : those of the cook, or all where there is no cook
    intake : how the intake is doing; None if there is none to ask
    asides : how much was kept aside since the ledger began, by reason
    over : places whose probe was taken out; they are listed, and neither an answer nor a trouble
    limits : how old readings may be
    heard : when a logger that is away or quiet was last heard of, UTC s; None where that is not known
    quiet : loggers that used to speak and have stopped
    photos : those of the cook
    spots : where the probe is that is at a place now
    """

    now: float
    loggers: Sequence[LoggerInfo] = ()
    intake: Mapping[str, Any] | None = None
    asides: Mapping[str, int] = field(default_factory=dict)
    over: Collection[str] = ()
    limits: Limits = field(default_factory=Limits)
    heard: Mapping[int, float | None] = field(default_factory=dict)
    quiet: Collection[int] = ()
    photos: Sequence[Photo] = ()
    spots: Mapping[str, Spot] = field(default_factory=dict)

    def last_heard(self, info: LoggerInfo) -> float | None:
        """When a logger was last heard of, UTC s."""
        if info.logger in self.heard:
            return self.heard[info.logger]
        return None if info.last_seen_ms is None else info.last_seen_ms / 1000


def places_over(placements: Sequence[Placement], now: float) -> set[str]:
    """Places whose probes have all been taken out by ``now`` (UTC s): they have a past and no present."""
    ended = [p for p in placements if p.until_ms is not None and p.until_ms <= now * 1000]
    return {p.place for p in ended} - {p.place for p in placements if p not in ended}


def spots_of(cook: Cook, placements: Sequence[Placement], now: float) -> dict[str, Spot]:
    """The channel of each place at ``now`` (UTC s); of two placements of one place the one that began later."""
    spots: dict[str, Spot] = {}
    for p in placements:
        placed = max(cook.started_ms, p.since_ms or 0) / 1000
        if placed <= now and (p.until_ms is None or p.until_ms > now * 1000):
            spot = Spot(p.logger, p.channel, placed)
            spots[p.place] = max(spots.get(p.place, spot), spot, key=lambda s: s.placed)
    return spots
