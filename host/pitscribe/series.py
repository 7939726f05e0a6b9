"""Frames + placements + calibrations -> series: every temperature is computed here, when it is read, never stored.

``load`` reads a cook once; a ``Reader`` is asked again and again while the cook goes on, and corrects what is new only.
Both are the same code, so what a live page shows is what a replay will say.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.known import NOW, KnownAir, KnownCalibration, air_of, calibration_of
from pitscribe.ledger.boots import neighbours, numberings
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import TARGET_C as TARGET_C  # for the analysis, which may not know the ledger
from pitscribe.ledger.values import Cook, Note, Placement, Sheet, StoredFrame
from pitscribe.metrology import airprobe
from pitscribe.metrology.coverage import combine
from pitscribe.metrology.flags import Flag, rate_flags, usable
from pitscribe.metrology.strand import Strand
from pitscribe.metrology.swapped import Told
from pitscribe.metrology.together import Trace, judge
from pitscribe.metrology.uncertainty import Setup
from pitscribe.wire.frames import EVENT, TICKS, Channel, TickRun, decode_event, decode_ticks
from pitscribe.wire.timebase import Anchor, Timebase, anchors_of

# Standard uncertainty of an imported table. Nobody says what measured it: 2.5 K is the half width of the widest class
# of type K wire (IEC 60584-1 class 2), 1.44 K as a standard uncertainty, and a whole-degree display is in the rest.
SHEET_U_K = 1.5

_FOREVER_MS = 1 << 60
_Run = tuple[int, tuple[Channel, ...]]  # boot and channel table
_Name = tuple[str, str]  # place and kind


@dataclass(frozen=True, slots=True)
class Series:
    """Times, temperatures, standard uncertainties and flags of one place.

    t : float64 (n,), UTC seconds, ascending
    celsius : float64 (n,), degC, NaN where nothing can be said
    u : float64 (n,), standard uncertainty, K
    flags : uint32 (n,), see ``metrology.flags.Flag``
    k : float64 (n,), by which u is to be multiplied for 95 %; None: 2

    The arrays may be read-only views that other records share.
    """

    place: str
    kind: str  # "air" or "meat"
    t: NDArray[np.float64]
    celsius: NDArray[np.float64]
    u: NDArray[np.float64]
    flags: NDArray[np.uint32]
    k: NDArray[np.float64] | None = None

    def expanded(self) -> NDArray[np.float64]:
        """Half width of the interval that holds 95 %, float64 (n,) [K]."""
        return self.u * (2.0 if self.k is None else self.k)

    def good(self) -> NDArray[np.bool_]:
        """Where the value may be used: it is there and has no flag of ``Flag.BAD``; bool (n,)."""
        return usable(self.flags) & np.isfinite(self.celsius)

    def until(self, t: float) -> "Series":
        """The series so far: samples at or before ``t`` (UTC seconds)."""
        n = int(np.searchsorted(self.t, t, side="right"))
        return self.rows(slice(0, n))

    def rows(self, rows: slice | NDArray[np.intp]) -> "Series":
        """Some of the samples."""
        k = None if self.k is None else self.k[rows]
        return Series(self.place, self.kind, self.t[rows], self.celsius[rows], self.u[rows], self.flags[rows], k)

    def track(self) -> airprobe.Track:
        """The samples that may be used."""
        good = self.good()
        return airprobe.Track(self.t[good], self.celsius[good], self.u[good])


@dataclass(frozen=True, slots=True)
class CookRecord:
    """One cook as it can be read now: its series and what was noted.

    ``as_read`` has those air places beside which the correction for stem and lag stands in ``places``: what the
    junction reads, and u of that.
    """

    cook: Cook
    places: tuple[Series, ...]
    notes: tuple[Note, ...]
    missed: int  # ticks that the logger says it missed
    unplaced: int  # frames of boots that no anchor places in time, if they may belong to this cook
    contradictions: int = 0  # anchors of its boots that contradict others: the time there may be wrong, see ``u``
    as_read: tuple[Series, ...] = ()
    remarks: tuple[str, ...] = ()  # what could not be corrected as it should be, a sentence each

    @property
    def air(self) -> tuple[Series, ...]:
        """The series of air places, in the order of their placements."""
        return tuple(s for s in self.places if s.kind == "air")

    @property
    def meat(self) -> tuple[Series, ...]:
        """The series of meat places, in the order of their placements."""
        return tuple(s for s in self.places if s.kind == "meat")

    def until(self, t: float) -> "CookRecord":
        """The cook as far as ``t`` (UTC seconds): series and notes; the counts stay those of the whole."""
        places, as_read = (tuple(s.until(t) for s in some) for some in (self.places, self.as_read))
        return replace(self, places=places, as_read=as_read, notes=tuple(n for n in self.notes if n.at_ms <= 1000 * t))


def load(ledger: Ledger, cook_id: int, *, until: float | None = None, known: str = NOW) -> CookRecord:
    """Read a cook from the ledger, as far as ``until`` (UTC seconds) if given. NotFoundError if there is none.

    known : "now", with what is known of its probes today, or "then", with what had been measured of each before it was
        put in its place
    """
    record = Reader(ledger, cook_id, known=known).read()
    return record if until is None else record.until(until)


class _Span(NamedTuple):
    """When a placement counts: from ``first_ms`` to before ``end_ms``, UTC."""

    placement: Placement
    first_ms: int
    end_ms: int
    known: KnownCalibration | None
    air: KnownAir | None


class Stretch(NamedTuple):
    """A run of samples of one placement: what was known of its probe, the logger's boot, and the samples."""

    placement: Placement
    known: KnownCalibration | None
    air: KnownAir | None
    boot: int
    strand: Strand


class _Part(NamedTuple):
    """A stretch of a place's series, what it was read with, and what was learned of its probe."""

    series: Series
    setup: Setup | None
    air: KnownAir | None


class _Key(NamedTuple):
    """What everything read so far hangs on; if it changes, all is read again."""

    first_ms: int
    end_ms: int
    spans: tuple[_Span, ...]
    told: tuple[tuple[int, int, Anchor], ...]  # logger, boot, anchor


class Reader:
    """Reads one cook again and again; what was corrected is kept, so that only new frames cost time.

    All is read afresh if a placement, a calibration, the cook's end or an anchor changes, or a frame comes in that is
    older than one that was read. The result is always that of ``load``, bit for bit. Not for two threads at once.
    """

    def __init__(
        self, ledger: Ledger, cook_id: int, *, known: str = NOW, strand: Callable[[Setup], Strand] = Strand
    ) -> None:
        self._ledger, self._cook_id, self._known, self._strand = ledger, cook_id, known, strand
        self._key: _Key | None = None
        self._loggers: dict[int, _LoggerSeries] = {}
        self._sheets: dict[int, Series] = {}

    def read(self) -> CookRecord:
        """The cook as the ledger has it now. NotFoundError if it has no such cook."""
        ledger, cook = self._ledger, self._ledger.cook(self._cook_id)
        key = _key(ledger, cook, self._known)
        known, self._key = key == self._key, None  # an error on the way must not leave half of it for the next call
        if not known or not all(logger.advance(ledger) for logger in self._loggers.values()):
            numbers = dict.fromkeys(span.placement.logger for span in key.spans)
            self._loggers = {number: _LoggerSeries(ledger, number, key, self._strand) for number in numbers}
        self._key = key
        sheets = [self._sheet(sheet) for sheet in ledger.sheets(cook.id)]
        missed = sum(logger.missed(key) for logger in self._loggers.values())
        unplaced = sum(logger.unplaced for logger in self._loggers.values())
        contradictions = sum(logger.contradictions() for logger in self._loggers.values())
        notes = tuple(ledger.notes(cook.id))
        parts = self._parts(key, sheets, notes)
        read = {name: _joined(*name, [part.series for part in some]) for name, some in parts.items()}
        in_air = {
            name: _joined(*name, [_in_air(part, read) for part in some])
            for name, some in parts.items() if any(part.air for part in some)
        }
        return CookRecord(
            cook, tuple({**read, **in_air}.values()), notes, missed, unplaced, contradictions,
            as_read=tuple(read[name] for name in in_air), remarks=_remarks(key, read),
        )

    def _parts(self, key: _Key, sheets: Sequence[Series], notes: Sequence[Note]) -> dict[_Name, list[_Part]]:
        """What the series of each place and kind is joined of: what tables say of it, then its placements in order."""
        parts: dict[_Name, list[_Part]] = {}
        for span in key.spans:
            parts.setdefault((span.placement.place, span.placement.kind), [])
        for sheet in sheets:
            parts.setdefault((sheet.place, sheet.kind), []).append(_Part(sheet, None, None))
        stretches = self.stretches()
        for stretch, flags in zip(stretches, _judged(stretches, notes), strict=True):
            name = stretch.placement.place, stretch.placement.kind
            t, celsius, u, _, k = stretch.strand.views()
            parts[name].append(_Part(Series(*name, t, celsius, u, flags, k), stretch.strand.setup, stretch.air))
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
            self._sheets[sheet.id] = _sheet_series(sheet)
        return self._sheets[sheet.id]


def _judged(stretches: Sequence[Stretch], notes: Sequence[Note]) -> list[NDArray[np.uint32]]:
    """The flags of each stretch, those of the rules that look back over minutes or at several places among them."""
    traces = [
        Trace(one.place, one.logger, one.id, strand.setup, strand.views()[3], strand.summary)
        for one, strand in ((s.placement, s.strand) for s in stretches)
    ]
    return judge(traces, [Told(note.at_ms / 1000, note.kind, note.text) for note in notes])


def _key(ledger: Ledger, cook: Cook, known: str) -> _Key:
    placements = ledger.placements(cook.id)
    end = _FOREVER_MS if cook.ended_ms is None else cook.ended_ms + 1  # the last instant belongs to the cook
    taken = _taken_over(ledger, cook) if cook.ended_ms is None else {}
    spans = []
    for one in placements:
        first = cook.started_ms if one.since_ms is None else max(cook.started_ms, one.since_ms)
        last = min(end, taken.get((one.logger, one.channel), end))
        last = last if one.until_ms is None else min(last, one.until_ms)
        calibration = calibration_of(ledger, one, first, known)
        spans.append(_Span(one, first, last, calibration, air_of(ledger, one, first, calibration, known)))
    loggers = sorted({one.logger for one in placements})
    told = [(number, boot, anchor) for number in loggers for boot, anchor in _told_anchors(ledger, number)]
    return _Key(cook.started_ms, max((s.end_ms for s in spans), default=end), tuple(spans), tuple(told))


def _taken_over(ledger: Ledger, cook: Cook) -> dict[tuple[int, int], int]:
    """When a later cook took each channel over: a cook that nobody ended ends there, channel by channel."""
    taken: dict[tuple[int, int], int] = {}
    for later in ledger.cooks():
        if (later.started_ms, later.id) <= (cook.started_ms, cook.id):
            continue
        for one in ledger.placements(later.id):
            channel = one.logger, one.channel
            since = later.started_ms if one.since_ms is None else max(later.started_ms, one.since_ms)
            taken[channel] = min(since, taken.get(channel, since))
    return taken


def _in_air(part: _Part, places: Mapping[_Name, Series]) -> Series:
    """A part's series, with what was learned of its probe applied; ``places``: all of them as read."""
    read, track = part.series, part.series.track()
    if part.setup is None or part.air is None or not track.t.size:
        return read
    model, noise = part.air.model, airprobe.noise_of(part.setup)
    base = places.get((model.base or "", "meat"))
    found = airprobe.air_of(track, None if base is None else base.track(), model, noise, here=part.air.here)
    good, total = read.good(), combine(found.parts)
    celsius, u, k = read.celsius.copy(), read.u.copy(), np.full(read.t.shape, 2.0)
    celsius[good], u[good], k[good] = found.celsius, total.u, total.k  # what is flagged stays as it was read
    return Series(read.place, read.kind, read.t, celsius, u, read.flags, k)


def _remarks(key: _Key, places: Mapping[_Name, Series]) -> tuple[str, ...]:
    """What could not be corrected as it should be."""
    lost = {
        (span.placement.place, span.air.model.base): None
        for span in key.spans
        if span.air is not None and span.air.model.base is not None and (span.air.model.base, "meat") not in places
    }
    return tuple(
        f"{place}: its probe was learned with its stem in {base}, and this cook has no such place; the stem is taken "
        "to be in something between 0 and 100 degC, and the uncertainty is the larger for it"
        for place, base in lost
    )


def _joined(place: str, kind: str, parts: Sequence[Series]) -> Series:
    """Several stretches of one place as one series; of two samples at one instant the later placement's counts."""
    some = sorted((s for s in parts if s.t.size), key=lambda s: float(s.t[0]))
    if len(some) == 1:
        return some[0]
    if not some:
        empty = np.empty(0)
        return Series(place, kind, empty, empty, empty, np.empty(0, np.uint32))
    if any(a.t[-1] >= b.t[0] for a, b in pairwise(some)):
        some = [s for s in parts if s.t.size]  # a stable sort below keeps the later placement behind the earlier one
    t, celsius, u = (np.concatenate(c) for c in ([s.t for s in some], [s.celsius for s in some], [s.u for s in some]))
    flags = np.concatenate([s.flags for s in some])
    k = np.concatenate([np.full(s.t.shape, 2.0) if s.k is None else s.k for s in some])
    whole = Series(place, kind, t, celsius, u, flags, k)
    if (np.diff(t) <= 0).any():
        order = np.argsort(t, kind="stable")
        return whole.rows(order[np.append(np.diff(t[order]) > 0, True)])
    return whole


def _sheet_series(sheet: Sheet) -> Series:
    """An imported column as a series; an empty cell is a sample that nobody sent."""
    empty = np.isnan(sheet.celsius)
    flags = np.where(empty, np.uint32(Flag.NO_ANSWER), np.uint32(0))
    flags, _ = rate_flags(sheet.kind, sheet.t, sheet.celsius, flags)
    return Series(sheet.place, sheet.kind, sheet.t, sheet.celsius, np.where(empty, np.nan, SHEET_U_K), flags)


class _LoggerSeries:
    """The strands of one logger's placements in a cook, as far as its frames have been read."""

    def __init__(self, ledger: Ledger, number: int, key: _Key, strand: Callable[[Setup], Strand]) -> None:
        self._number, self._key, self._strand = number, key, strand
        self._spans = [span for span in key.spans if span.placement.logger == number]
        self._strands: dict[int, dict[_Run, Strand]] = {s.placement.id: {} for s in self._spans}
        self._last_ms: dict[_Run, int] = {}
        self._missed: dict[int, list[NDArray[np.int64]]] = {}
        events = ledger.frames(number, kind=EVENT)
        # From here on whatever is stored is new. Frames stored while this reads come again: they are known by row.
        self._row = max((f.row for f in events), default=0)
        told = [(boot, anchor) for logger, boot, anchor in key.told if logger == number]
        self._bases = _timebases([*_anchors(events), *told])
        self._uptimes = {boot: _uptime_range(self._bases[boot], key) for boot in _boots_in(self._bases, key)}
        frames = [
            frame
            for boot, uptimes in self._uptimes.items()
            for frame in ledger.frames(number, kind=TICKS, boots=[boot], uptime_range=uptimes)
        ]
        self._rows = {f.row for f in frames}
        self._take(frames)
        self._count_unplaced(ledger)

    def _count_unplaced(self, ledger: Ledger) -> None:
        self.unplaced = _unplaced(ledger, self._number, self._bases, self._key)

    def strands(self, placement_id: int) -> list[tuple[int, Strand]]:
        """(boot, strand) of each stretch of a placement, by boot and channel table."""
        return [(boot, strand) for (boot, _), strand in sorted(self._strands[placement_id].items())]

    def missed(self, key: _Key) -> int:
        """How many ticks of the cook the logger says it missed."""
        count = 0
        for boot, pieces in self._missed.items():
            t = self._bases[boot].utc(np.unique(np.concatenate(pieces)))
            count += int(((t >= key.first_ms / 1000) & (t < key.end_ms / 1000)).sum())
        return count

    def contradictions(self) -> int:
        """How many anchors of the boots that have samples in the cook were left out."""
        boots = {boot for strands in self._strands.values() for boot, _ in strands}
        return sum(len(self._bases[boot].left_out) for boot in boots)

    def advance(self, ledger: Ledger) -> bool:
        """Read what is new; False if that changes what was read before, and all must be read again."""
        news = ledger.frames(self._number, after_row=self._row)
        if not news:
            return True
        self._row = news[-1].row
        news = [frame for frame in news if frame.row not in self._rows]
        self._rows.clear()
        if any(f.kind == EVENT and (f.key.boot in self._bases or _anchors([f])) for f in news):
            return False
        self._count_unplaced(ledger)
        ends = {boot: end for boot, (_, end) in self._uptimes.items()}
        return self._take([f for f in news if f.kind == TICKS and f.uptime_ms <= ends.get(f.key.boot, -1)])

    def _take(self, frames: Sequence[StoredFrame]) -> bool:
        """Decode and correct frames; False if one of them is not behind what is there."""
        for run in decode_ticks([f.frame for f in frames]):
            if run.missed_ms.size:
                self._missed.setdefault(run.boot, []).append(run.missed_ms)
            if not run.uptime_ms.size:
                continue
            rows = _in_order(run.uptime_ms)
            name, uptime = (run.boot, run.table), run.uptime_ms[rows]
            if uptime[0] <= self._last_ms.get(name, -1):
                return False
            self._last_ms[name] = int(uptime[-1])
            self._correct(run, rows)
        return True

    def _correct(self, run: TickRun, rows: NDArray[np.intp] | slice) -> None:
        uptime = run.uptime_ms[rows]
        t, u = self._bases[run.boot].utc(uptime), self._bases[run.boot].uncertainty(uptime)
        for span in self._spans:
            one = span.placement
            if one.channel >= len(run.table) or run.table[one.channel].chip == "none":
                continue
            here = slice(*np.searchsorted(t, (span.first_ms / 1000, span.end_ms / 1000)).tolist())
            if here.start == here.stop:
                continue
            chip, tc = run.table[one.channel]
            calibrated = None if span.known is None else span.known.calibrated
            learned = span.air is not None
            setup = Setup(chip, tc, one.probe.tc, one.probe.tolerance, one.kind, calibrated, air_learned=learned)
            strand = self._strands[one.id].setdefault((run.boot, run.table), self._strand(setup))
            codes = (column[rows, one.channel][here] for column in (run.hot, run.cold, run.fault))
            strand.extend(t[here], u[here], *codes)


def _in_order(uptime_ms: NDArray[np.int64]) -> NDArray[np.intp] | slice:
    """The rows in order of uptime, each instant once: frames of a damaged journal may overlap."""
    if (np.diff(uptime_ms) > 0).all():
        return slice(None)
    return np.unique(uptime_ms, return_index=True)[1]


def _anchors(events: Sequence[StoredFrame]) -> list[tuple[int, Anchor]]:
    """(boot, anchor) of those event frames that are anchors."""
    return [(f.key.boot, anchor) for f in events for anchor in anchors_of([decode_event(f.frame)])[0]]


def _told_anchors(ledger: Ledger, number: int) -> list[tuple[int, Anchor]]:
    """(boot, anchor) of what people said of a logger's boots."""
    told = ledger.anchors(number)
    return [(a.boot, Anchor(a.uptime_ms, a.utc_ms / 1000, a.err_ms / 1000, a.source)) for a in told]


def _timebases(anchors: Sequence[tuple[int, Anchor]]) -> dict[int, Timebase]:
    by_boot: dict[int, list[Anchor]] = {}
    for boot, anchor in anchors:
        by_boot.setdefault(boot, []).append(anchor)
    return {boot: Timebase.fit(some) for boot, some in by_boot.items()}


def timebases(ledger: Ledger, number: int) -> dict[int, Timebase]:
    """Of each boot of a logger that an anchor places in time."""
    return _timebases([*_anchors(ledger.frames(number, kind=EVENT)), *_told_anchors(ledger, number)])


def heard_span(ledger: Ledger, number: int) -> tuple[float, float] | None:
    """From when to when a logger's frames reach, UTC s; None while no anchor places any of them in time."""
    bases = timebases(ledger, number)
    spans = [b for b in ledger.boots(number) if b.boot in bases]
    ends = [float(bases[b.boot].utc(at)) for b in spans for at in (b.first_uptime_ms, b.last_uptime_ms)]
    return (min(ends), max(ends)) if ends else None


def _uptime_range(base: Timebase, key: _Key) -> tuple[int, int]:
    """The uptimes of a boot that may be in the cook, with 1 s to spare. [ms]"""
    first, end = base.uptime(np.array([key.first_ms, key.end_ms]) / 1000).tolist()
    return int(first) - 1000, min(int(end) + 1000, _FOREVER_MS)


def _boots_in(bases: dict[int, Timebase], key: _Key) -> list[int]:
    """The boots that may have ticks in the cook: those that began before its end, in order of time."""
    began = {boot: float(base.utc(0)) for boot, base in bases.items()}
    return sorted((b for b in bases if began[b] < key.end_ms / 1000), key=lambda boot: (began[boot], boot))


def _unplaced(ledger: Ledger, number: int, bases: dict[int, Timebase], key: _Key) -> int:
    """Frames of boots without an anchor that may belong to the cook.

    They do not if all were received before it began, or if a boot that was certainly before them went on after the
    cook's end, or one that was certainly after them began before its begin.
    """
    boots, count = ledger.boots(number), 0
    rows = numberings(boots)
    last = {boot.boot: boot.last_uptime_ms for boot in boots}
    first, end = key.first_ms / 1000, key.end_ms / 1000
    for boot in boots:
        if boot.boot in bases or boot.last_received_ms < key.first_ms:
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
