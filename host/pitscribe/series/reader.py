"""A cook, read once or again and again.

``load`` reads it once; a ``Reader`` is asked again and again while the cook goes on, and corrects what is new only.
Both are the same code, so what a live page shows is what a replay will say of all that had been stored by then: what
comes in late, a second logger's frames or a note about an earlier time, is in the replay and was not there live.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Note, Sheet
from pitscribe.metrology import airprobe
from pitscribe.metrology.coverage import combine
from pitscribe.metrology.strand import Strand
from pitscribe.metrology.swapped import Told
from pitscribe.metrology.together import Trace, judge
from pitscribe.metrology.uncertainty import Setup
from pitscribe.series.known import NOW, KnownAir
from pitscribe.series.logger import LoggerSeries
from pitscribe.series.notes import merged
from pitscribe.series.spans import Key, Stretch, key_of
from pitscribe.series.times import Fits
from pitscribe.series.values import CookRecord, Series, joined, sheet_series
from pitscribe.wire.timebase import Timebase

_Name = tuple[str, str]  # place and kind


def load(ledger: Ledger, cook_id: int, *, until: float | None = None, known: str = NOW) -> CookRecord:
    """Read a cook from the ledger, as far as ``until`` (UTC seconds) if given. NotFoundError if there is none.

    known : "now", with what is known of its probes today, or "then", with what had been measured of each before it was
        put in its place
    """
    record = Reader(ledger, cook_id, known=known).read()
    return record if until is None else record.until(until)


class Part(NamedTuple):
    """A stretch of a place's series, what it was read with, and what was learned of its probe."""

    series: Series
    setup: Setup | None
    air: KnownAir | None


class Reader:
    """Reads one cook again and again; what was corrected is kept, so that only new frames cost time.

    All is read afresh if a placement, a calibration, the cook's end or an anchor changes, or a frame comes in that is
    older than one that was read. The result is always that of ``load``, bit for bit. Not for two threads at once.
    """

    def __init__(
        self, ledger: Ledger, cook_id: int, *, known: str = NOW, strand: Callable[[Setup], Strand] = Strand,
        fit: Fits = Timebase.fit,
    ) -> None:
        """fit : makes a boot's time of its anchors: the best that is known, or ``times.STEADY``"""
        self._ledger, self._cook_id, self._known, self._strand, self._fit = ledger, cook_id, known, strand, fit
        self._key: Key | None = None
        self._loggers: dict[int, LoggerSeries] = {}
        self._sheets: dict[int, Series] = {}

    def read(self) -> CookRecord:
        """The cook as the ledger has it now. NotFoundError if it has no such cook."""
        ledger, cook = self._ledger, self._ledger.cook(self._cook_id)
        key = key_of(ledger, cook, self._known)
        known, self._key = key == self._key, None  # an error on the way must not leave half of it for the next call
        if not known or not all(logger.advance(ledger) for logger in self._loggers.values()):
            numbers = dict.fromkeys(span.placement.logger for span in key.spans)
            self._loggers = {number: LoggerSeries(ledger, number, key, self._strand, self._fit) for number in numbers}
        self._key = key
        sheets = [self._sheet(sheet) for sheet in ledger.sheets(cook.id)]
        missed = sum(logger.missed(key) for logger in self._loggers.values())
        unplaced = sum(logger.unplaced for logger in self._loggers.values())
        contradictions = sum(logger.contradictions() for logger in self._loggers.values())
        timeless = [remark for logger in self._loggers.values() for remark in logger.remarks()]
        notes = merged(ledger, cook, key, [note for logger in self._loggers.values() for note in logger.notes])
        parts = self._parts(key, sheets, notes)
        read = {name: joined(*name, [part.series for part in some]) for name, some in parts.items()}
        in_air = {
            name: joined(*name, [_in_air(part, read) for part in some])
            for name, some in parts.items() if any(part.air for part in some)
        }
        return CookRecord(
            cook, tuple({**read, **in_air}.values()), notes, missed, unplaced, contradictions,
            as_read=tuple(read[name] for name in in_air), remarks=(*_remarks(key, read), *timeless),
        )

    def _parts(self, key: Key, sheets: Sequence[Series], notes: Sequence[Note]) -> dict[_Name, list[Part]]:
        """What the series of each place and kind is joined of: what tables say of it, then its placements in order."""
        parts: dict[_Name, list[Part]] = {}
        for span in key.spans:
            parts.setdefault((span.placement.place, span.placement.kind), [])
        for sheet in sheets:
            parts.setdefault((sheet.place, sheet.kind), []).append(Part(sheet, None, None))
        stretches = self.stretches()
        for stretch, flags in zip(stretches, _judged(stretches, notes), strict=True):
            name = stretch.placement.place, stretch.placement.kind
            t, celsius, u, _, k = stretch.strand.views()
            parts[name].append(Part(Series(*name, t, celsius, u, flags, k), stretch.strand.setup, stretch.air))
        return parts

    def stretches(self) -> list[Stretch]:
        """What the last ``read`` made the series of, in the order in which the later one counts."""
        spans = () if self._key is None else self._key.spans
        return [
            Stretch(span.placement, span.known, span.air, boot, strand)
            for span in spans
            for boot, strand in self._loggers[span.placement.logger].strands(span.placement.id)
        ]

    def _sheet(self, sheet: Sheet) -> Series:
        if sheet.id not in self._sheets:
            self._sheets[sheet.id] = sheet_series(sheet)
        return self._sheets[sheet.id]


def _judged(stretches: Sequence[Stretch], notes: Sequence[Note]) -> list[NDArray[np.uint32]]:
    """The flags of each stretch, those of the rules that look back over minutes or at several places among them."""
    traces = [
        Trace(one.place, one.logger, one.id, strand.setup, strand.views()[3], strand.summary)
        for one, strand in ((s.placement, s.strand) for s in stretches)
    ]
    return judge(traces, [Told(note.at_ms / 1000, note.kind, note.text) for note in notes])


def _in_air(part: Part, places: Mapping[_Name, Series]) -> Series:
    """A part's series, with what was learned of its probe applied; ``places``: all of them as read."""
    read, track = part.series, part.series.track()
    if part.setup is None or part.air is None or not track.t.size:
        return read
    model, noise = part.air.beside(part.setup.calibrated), airprobe.noise_of(part.setup)
    base = places.get((model.base or "", "meat"))
    found = airprobe.air_of(track, None if base is None else base.track(), model, noise, here=part.air.here)
    good, total = read.good(), combine(found.parts)
    celsius, u, k = read.celsius.copy(), read.u.copy(), np.full(read.t.shape, 2.0)
    celsius[good], u[good], k[good] = found.celsius, total.u, total.k  # what is flagged stays as it was read
    return Series(read.place, read.kind, read.t, celsius, u, read.flags, k)


def _remarks(key: Key, places: Mapping[_Name, Series]) -> tuple[str, ...]:
    """What could not be corrected as it should be."""
    lost = {
        (span.placement.place, span.air.model.base): None
        for span in key.spans
        if span.air is not None and span.air.model.base is not None and (span.air.model.base, "meat") not in places
    }
    troubles = dict.fromkeys(trouble for span in key.spans for trouble in span.troubles)
    return *troubles, *(
        f"{place}: its probe was learned with its stem in {base}, and this cook has no such place; the stem is taken "
        "to be in something between 0 and 100 degC, and the uncertainty is the larger for it"
        for place, base in lost
    )
