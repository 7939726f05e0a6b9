"""When a logger's boots were: anchors in its frames, what people said, and where a boot stands among the others."""

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from pitscribe.ledger.boots import numberings
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import BootSpan, StoredFrame
from pitscribe.series.between import RESETS, Window, end, limits, placed, windows
from pitscribe.wire.frames import EVENT, decode_event
from pitscribe.wire.steadytime import steady
from pitscribe.wire.timebase import Anchor, Timebase, anchors_of

FOREVER_MS = 1 << 60
Fits = Callable[[Sequence[Anchor]], Timebase]
STEADY: Fits = steady  # for copies: a time that changes only where it was off (``wire.steadytime``)


class BootTimes(NamedTuple):
    """When a logger's boots were, as far as it is known."""

    bases: dict[int, Timebase]  # of each boot that has a time
    windows: dict[int, Window]  # when each boot without an anchor may have begun
    boots: list[BootSpan]

    @property
    def between(self) -> list[int]:
        """The boots that have a time only because of their neighbours."""
        return [boot for boot in self.windows if boot in self.bases]


class Told(NamedTuple):
    """What places a logger's boots in time: anchors, and which boots began because the logger was reset."""

    anchored: dict[int, Timebase]
    resets: frozenset[int]

    def times(self, boots: list[BootSpan]) -> BootTimes:
        """The times of a logger's boots, those placed by their neighbours among them."""
        found = windows(boots, self.anchored, self.resets)
        return BootTimes({**self.anchored, **placed(found)}, found, boots)


def told_by(
    events: Sequence[StoredFrame], people: Sequence[tuple[int, Anchor]], fit: Fits = Timebase.fit
) -> Told:
    """What a logger's event frames and people's anchors, (boot, anchor), say. ``fit`` makes a boot's time of them."""
    by_boot: dict[int, list[Anchor]] = {}
    resets = set()
    for stored in events:
        event = decode_event(stored.frame)
        if anchors := anchors_of([event])[0]:
            by_boot.setdefault(stored.key.boot, []).extend(anchors)
        elif event.name == "boot" and event.fields.get("cause") in RESETS:
            resets.add(stored.key.boot)
    for boot, anchor in people:
        by_boot.setdefault(boot, []).append(anchor)
    return Told({boot: fit(some) for boot, some in by_boot.items()}, frozenset(resets))


def told_anchors(ledger: Ledger, number: int) -> list[tuple[int, Anchor]]:
    """(boot, anchor) of what people said of a logger's boots."""
    told = ledger.anchors(number)
    return [(a.boot, Anchor(a.uptime_ms, a.utc_ms / 1000, a.err_ms / 1000, a.source)) for a in told]


def boot_times(ledger: Ledger, number: int, fit: Fits = Timebase.fit) -> BootTimes:
    """When the boots of a logger were; ``fit`` makes a boot's time of its anchors."""
    told = told_by(ledger.frames(number, kind=EVENT), told_anchors(ledger, number), fit)
    return told.times(ledger.boots(number))


def timebases(ledger: Ledger, number: int) -> dict[int, Timebase]:
    """Of each boot of a logger that an anchor or its neighbours place in time."""
    return boot_times(ledger, number).bases


def heard_span(ledger: Ledger, number: int) -> tuple[float, float] | None:
    """From when to when a logger's frames reach, UTC s; None while nothing places any of them in time."""
    times = boot_times(ledger, number)
    spans = [b for b in times.boots if b.boot in times.bases]
    ends = [float(times.bases[b.boot].utc(at)) for b in spans for at in (b.first_uptime_ms, b.last_uptime_ms)]
    return (min(ends), max(ends)) if ends else None


def uptime_range(base: Timebase, first_ms: int, end_ms: int) -> tuple[int, int]:
    """The uptimes of a boot that may be from ``first_ms`` to ``end_ms``, UTC, with 1 s to spare. [ms]"""
    first, last = base.uptime(np.array([first_ms, end_ms]) / 1000).tolist()
    return int(first) - 1000, min(int(last) + 1000, FOREVER_MS)


def boots_before(bases: Mapping[int, Timebase], end_ms: int) -> list[int]:
    """The boots that may have ticks before ``end_ms``, UTC: those that began before it, in order of time."""
    began = {boot: float(base.utc(0)) for boot, base in bases.items()}
    return sorted((b for b in bases if began[b] < end_ms / 1000), key=lambda boot: (began[boot], boot))


def unplaced(ledger: Ledger, number: int, times: BootTimes, first_ms: int, end_ms: int) -> int:
    """Frames of which it is not known whether they are from between ``first_ms`` and ``end_ms``, UTC.

    Of a boot that its neighbours place, those that may be on either side of one of the two. Of one that has no time
    all, unless all were received before the begin, or its window is after the end or before the begin.
    """
    count, heard = 0, _heard_after(times, end_ms / 1000)
    for row, boots in enumerate(numberings(times.boots)):
        sooner = min((at for other, at in heard.items() if other != row), default=None)
        for one in boots:
            if one.boot not in times.windows or one.last_received_ms < first_ms:
                continue
            if one.boot in times.bases:
                count += _at_edges(ledger, number, times, one, (first_ms, end_ms))
                continue
            began = times.windows[one.boot]
            late = began.first > end_ms / 1000 or (
                sooner is not None and not one.as_file and sooner < one.first_received_ms
            )
            if not late and end(one, began, times.bases).last >= first_ms / 1000:
                count += one.frames
    return count


def _heard_after(times: BootTimes, at: float) -> dict[int, int]:
    """For each numbering, when a boot of it that certainly went on after ``at`` had come. [ms]

    A boot of another numbering that was heard of later is later still (``ledger.boots``).
    """
    heard: dict[int, int] = {}
    for row, boots in enumerate(numberings(times.boots)):
        for one in boots:
            base = times.bases.get(one.boot)
            if base is not None and not one.as_file and limits(base, one.last_uptime_ms).first > at:
                heard[row] = min(one.last_received_ms, heard.get(row, one.last_received_ms))
    return heard


def _at_edges(ledger: Ledger, number: int, times: BootTimes, one: BootSpan, edges_ms: tuple[int, int]) -> int:
    """How many frames of a boot that its neighbours place may be before or after the edges of a time."""
    base, began = times.bases[one.boot], times.windows[one.boot]
    rows: set[int] = set()
    spare = began.half + 2 * float(base.uncertainty(one.last_uptime_ms) - base.uncertainty(0))
    for edge_ms in edges_ms:
        if base.utc(0) - spare <= edge_ms / 1000 <= base.utc(one.last_uptime_ms) + spare:
            around = uptime_range(base, int(edge_ms - 1000 * spare), int(edge_ms + 1000 * spare))
            rows.update(f.row for f in ledger.frames(number, boots=[one.boot], uptime_range=around))
    return len(rows)
