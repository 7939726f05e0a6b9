"""When a logger's boots were: anchors in its frames, and what people said, become timebases."""

from collections.abc import Sequence

import numpy as np

from pitscribe.ledger.boots import neighbours, numberings
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import StoredFrame
from pitscribe.wire.frames import EVENT, decode_event
from pitscribe.wire.timebase import Anchor, Timebase, anchors_of

FOREVER_MS = 1 << 60


def anchors_in(events: Sequence[StoredFrame]) -> list[tuple[int, Anchor]]:
    """(boot, anchor) of those event frames that are anchors."""
    return [(f.key.boot, anchor) for f in events for anchor in anchors_of([decode_event(f.frame)])[0]]


def told_anchors(ledger: Ledger, number: int) -> list[tuple[int, Anchor]]:
    """(boot, anchor) of what people said of a logger's boots."""
    told = ledger.anchors(number)
    return [(a.boot, Anchor(a.uptime_ms, a.utc_ms / 1000, a.err_ms / 1000, a.source)) for a in told]


def fit_timebases(anchors: Sequence[tuple[int, Anchor]]) -> dict[int, Timebase]:
    by_boot: dict[int, list[Anchor]] = {}
    for boot, anchor in anchors:
        by_boot.setdefault(boot, []).append(anchor)
    return {boot: Timebase.fit(some) for boot, some in by_boot.items()}


def timebases(ledger: Ledger, number: int) -> dict[int, Timebase]:
    """Of each boot of a logger that an anchor places in time."""
    return fit_timebases([*anchors_in(ledger.frames(number, kind=EVENT)), *told_anchors(ledger, number)])


def heard_span(ledger: Ledger, number: int) -> tuple[float, float] | None:
    """From when to when a logger's frames reach, UTC s; None while no anchor places any of them in time."""
    bases = timebases(ledger, number)
    spans = [b for b in ledger.boots(number) if b.boot in bases]
    ends = [float(bases[b.boot].utc(at)) for b in spans for at in (b.first_uptime_ms, b.last_uptime_ms)]
    return (min(ends), max(ends)) if ends else None


def uptime_range(base: Timebase, first_ms: int, end_ms: int) -> tuple[int, int]:
    """The uptimes of a boot that may be from ``first_ms`` to ``end_ms``, UTC, with 1 s to spare. [ms]"""
    first, end = base.uptime(np.array([first_ms, end_ms]) / 1000).tolist()
    return int(first) - 1000, min(int(end) + 1000, FOREVER_MS)


def boots_before(bases: dict[int, Timebase], end_ms: int) -> list[int]:
    """The boots that may have ticks before ``end_ms``, UTC: those that began before it, in order of time."""
    began = {boot: float(base.utc(0)) for boot, base in bases.items()}
    return sorted((b for b in bases if began[b] < end_ms / 1000), key=lambda boot: (began[boot], boot))


def unplaced(ledger: Ledger, number: int, bases: dict[int, Timebase], first_ms: int, end_ms: int) -> int:
    """Frames of boots without an anchor that may be from between ``first_ms`` and ``end_ms``, UTC.

    They are not if all were received before it, or if a boot that was certainly before them went on after the end, or
    one that was certainly after them began before the begin.
    """
    boots, count = ledger.boots(number), 0
    rows = numberings(boots)
    last = {boot.boot: boot.last_uptime_ms for boot in boots}
    first, end = first_ms / 1000, end_ms / 1000
    for boot in boots:
        if boot.boot in bases or boot.last_received_ms < first_ms:
            continue
        before, after = neighbours(rows, boot)
        late = any(_limits(bases[b], last[b])[0] > end for b in before if b in bases)
        early = any(_limits(bases[b], 0)[1] < first for b in after if b in bases)
        if not (late or early):
            count += boot.frames
    return count


def _limits(base: Timebase, uptime_ms: int) -> tuple[float, float]:
    """The earliest and the latest that an uptime may have been, UTC s."""
    at, half_width = float(base.utc(uptime_ms)), float(base.uncertainty(uptime_ms)) * np.sqrt(3)
    return at - half_width, at + half_width
