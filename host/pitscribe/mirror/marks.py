"""Whether a cook that is over is still as it was: by what it is read from, without reading it."""

from collections.abc import Mapping
from typing import Any

import numpy as np

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
    """Changes whenever the cook's record may have: placements, calibrations, notes, frames within it and their times.

    A logger that goes on says more each hour, of its clock too: that leaves the cooks before alone.
    """
    key = key_of(ledger, cook, NOW)
    notes, sheets = tuple(ledger.notes(cook.id)), tuple(sheet.id for sheet in ledger.sheets(cook.id))
    loggers = sorted({span.placement.logger for span in key.spans})
    frames: Mapping[int, Any] = {
        logger: tuple(
            (boot, within, _course(known, boot, (span[0], min(span[1], within[2]))))
            for boot in boots_before(known.bases, key.end_ms)
            for span in (uptime_range(known.bases[boot], key.first_ms, key.end_ms),)
            if span[1] >= 0
            for within in (ledger.frames_within(logger, boot, span),)
        )
        for logger in loggers
        for known in (times.of(logger),)
    }
    return cook, key, notes, sheets, frames


def _course(times: BootTimes, boot: int, span: tuple[int, int]) -> bytes:
    """When each five minutes of a span of uptimes were, to the ms: what changes there lasts ten at least. A cook that
    nobody has ended has no end: ``span`` ends with its frames."""
    ups = np.append(np.arange(max(span[0], 0), span[1], 300_000), span[1])
    return np.round(1000 * times.bases[boot].utc(ups)).tobytes()
