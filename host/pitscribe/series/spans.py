"""Which placements of a cook count when, and with what is known of their probes."""

from collections.abc import Callable
from typing import NamedTuple, TypeVar

from pitscribe.errors import CalibrationError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook, Placement
from pitscribe.metrology.strand import Strand
from pitscribe.series.known import KnownAir, KnownCalibration, air_of, calibration_of
from pitscribe.series.times import FOREVER_MS, told_anchors
from pitscribe.wire.timebase import Anchor

_Known = TypeVar("_Known", KnownCalibration, KnownAir)


class Span(NamedTuple):
    """When a placement counts: from ``first_ms`` to before ``end_ms``, UTC."""

    placement: Placement
    first_ms: int
    end_ms: int
    known: KnownCalibration | None
    air: KnownAir | None
    troubles: tuple[str, ...] = ()  # what of the probe's history could not be read


class Stretch(NamedTuple):
    """A run of samples of one placement: what was known of its probe, the logger's boot, and the samples."""

    placement: Placement
    known: KnownCalibration | None
    air: KnownAir | None
    boot: int
    strand: Strand


class Key(NamedTuple):
    """What everything read so far hangs on; if it changes, all is read again."""

    first_ms: int
    end_ms: int
    spans: tuple[Span, ...]
    told: tuple[tuple[int, int, Anchor], ...]  # logger, boot, anchor


def key_of(ledger: Ledger, cook: Cook, known: str) -> Key:
    placements = ledger.placements(cook.id)
    end = FOREVER_MS if cook.ended_ms is None else cook.ended_ms + 1  # the last instant belongs to the cook
    taken = _taken_over(ledger, cook) if cook.ended_ms is None else {}
    spans = []
    for one in placements:
        first = cook.started_ms if one.since_ms is None else max(cook.started_ms, one.since_ms)
        last = min(end, taken.get((one.logger, one.channel), end))
        last = last if one.until_ms is None else min(last, one.until_ms)
        calibration, no_calibration = _history(calibration_of, ledger, one, first, known)
        air, no_air = _history(air_of, ledger, one, first, known)
        spans.append(Span(one, first, last, calibration, air, tuple(no_calibration + no_air)))
    loggers = sorted({one.logger for one in placements})
    told = [(number, boot, anchor) for number in loggers for boot, anchor in told_anchors(ledger, number)]
    return Key(cook.started_ms, max((s.end_ms for s in spans), default=end), tuple(spans), tuple(told))


def _history(
    of: Callable[[Ledger, Placement, int, str], _Known | None],
    ledger: Ledger,
    one: Placement,
    first_ms: int,
    known: str,
) -> tuple[_Known | None, list[str]]:
    """What a record says of a placement's probe. One that cannot be read must not take the cook away: it is told."""
    try:
        return of(ledger, one, first_ms, known), []
    except CalibrationError as error:
        return None, [f"{one.place}: {error}; the readings of {one.probe.name!r} are shown without it"]


def _taken_over(ledger: Ledger, cook: Cook) -> dict[tuple[int, int], int]:
    """When a later cook took each channel over: a cook that nobody ended ends there, channel by channel."""
    taken: dict[tuple[int, int], int] = {}
    for later in ledger.cooks():
        if (later.started_ms, later.id) <= (cook.started_ms, cook.id):
            continue
        for one in ledger.placements(later.id):
            channel = one.logger, one.channel
            since = later.started_ms if one.since_ms is None else max(later.started_ms, one.since_ms)
            if one.until_ms is not None and one.until_ms <= since:
                continue  # it was taken back
            taken[channel] = min(since, taken.get(channel, since))
    return taken
