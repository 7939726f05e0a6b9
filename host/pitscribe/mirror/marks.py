"""Whether a cook that is over is still as it was: by what it is read from, without reading it."""

from collections.abc import Mapping
from typing import Any

from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook
from pitscribe.series import BootTimes, boot_times
from pitscribe.series.known import NOW
from pitscribe.series.spans import key_of
from pitscribe.series.times import STEADY, boots_before, uptime_range

Marks = tuple[Any, ...]


class Times:
    """When the boots of loggers were, each logger read once."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._held: dict[int, BootTimes] = {}

    def of(self, logger: int) -> BootTimes:
        """Those of one logger."""
        if logger not in self._held:
            self._held[logger] = boot_times(self._ledger, logger, STEADY)
        return self._held[logger]


def marks_of(ledger: Ledger, cook: Cook, times: Times) -> Marks:
    """Changes whenever the cook's record may have: placements, calibrations, anchors, notes, frames within it."""
    key = key_of(ledger, cook, NOW)
    notes, sheets = tuple(ledger.notes(cook.id)), tuple(sheet.id for sheet in ledger.sheets(cook.id))
    loggers = sorted({span.placement.logger for span in key.spans})
    frames: Mapping[int, Any] = {
        logger: (
            ledger.last_event(logger),
            tuple(
                (boot, span, ledger.frames_within(logger, boot, span))
                for boot in boots_before(bases, key.end_ms)
                for span in (uptime_range(bases[boot], key.first_ms, key.end_ms),)
            ),
        )
        for logger in loggers
        for bases in (times.of(logger).bases,)
    }
    return cook, key, notes, sheets, frames
