"""One logger's frames in a cook, decoded and corrected as they come."""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import StoredFrame
from pitscribe.metrology.strand import Strand
from pitscribe.metrology.uncertainty import Setup
from pitscribe.series.between import give_or_take
from pitscribe.series.notes import notes_in
from pitscribe.series.spans import Key, Span
from pitscribe.series.times import Fits, boots_before, told_by, unplaced, uptime_range
from pitscribe.wire.frames import EVENT, TICKS, Channel, TickRun, decode_ticks

_Run = tuple[int, tuple[Channel, ...]]  # boot and channel table


class LoggerSeries:
    """The strands of one logger's placements in a cook, as far as its frames have been read."""

    def __init__(self, ledger: Ledger, number: int, key: Key, strand: Callable[[Setup], Strand], fit: Fits) -> None:
        self._number, self._key, self._strand = number, key, strand
        self._spans = [span for span in key.spans if span.placement.logger == number]
        self._strands: dict[int, dict[_Run, Strand]] = {s.placement.id: {} for s in self._spans}
        self._last_ms: dict[_Run, int] = {}
        self._missed: dict[int, list[NDArray[np.int64]]] = {}
        events = ledger.frames(number, kind=EVENT)
        # From here on whatever is stored is new. Frames stored while this reads come again: they are known by row.
        self._row = max((f.row for f in events), default=0)
        told = [(boot, anchor) for logger, boot, anchor in key.told if logger == number]
        self._told = told_by(events, told, fit)
        self._times = self._told.times(ledger.boots(number))
        self._bases = self._times.bases
        self.notes = notes_in(events, self._bases)
        self._uptimes = {
            boot: uptime_range(self._bases[boot], key.first_ms, key.end_ms)
            for boot in boots_before(self._bases, key.end_ms)
        }
        frames = [
            frame
            for boot, uptimes in self._uptimes.items()
            for frame in ledger.frames(number, kind=TICKS, boots=[boot], uptime_range=uptimes)
        ]
        self._rows = {f.row for f in frames}
        self._take(frames)
        self._count_unplaced(ledger)

    def _count_unplaced(self, ledger: Ledger) -> None:
        self.unplaced = unplaced(ledger, self._number, self._times, self._key.first_ms, self._key.end_ms)

    def strands(self, placement_id: int) -> list[tuple[int, Strand]]:
        """(boot, strand) of each stretch of a placement, by boot and channel table."""
        return [(boot, strand) for (boot, _), strand in sorted(self._strands[placement_id].items())]

    def missed(self, key: Key) -> int:
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

    def remarks(self) -> list[str]:
        """Which boots that have samples in the cook were placed by their neighbours only."""
        boots = {boot for strands in self._strands.values() for boot, _ in strands}
        about = {boot: give_or_take(self._times.windows[boot].half) for boot in self._times.between}
        return [
            f"logger {self._number:08x} never learnt the time in its boot {boot}: by the boots around it, the times "
            f"shown are right give or take {about[boot]}; if you know when it began, say "
            f"pitscribe boots --logger {self._number:08x} --boot {boot} --started-at TIME"
            for boot in sorted(boots.intersection(about))
        ]

    def advance(self, ledger: Ledger) -> bool:
        """Read what is new; False if that changes what was read before, and all must be read again."""
        news = ledger.frames(self._number, after_row=self._row)
        if not news:
            return True
        self._row = news[-1].row
        news = [frame for frame in news if frame.row not in self._rows]
        self._rows.clear()
        if any(f.kind == EVENT for f in news):
            return False
        times = self._told.times(ledger.boots(self._number))
        if any(times.windows.get(boot) != self._times.windows[boot] for boot in self._times.between):
            return False
        if len(times.bases) != len(self._bases):
            return False
        self._times = times
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
            strands, name = self._strands[one.id], (run.boot, run.table)
            if name not in strands:
                strands[name] = self._strand(_setup(span, run.table[one.channel]))
            codes = (column[rows, one.channel][here] for column in (run.hot, run.cold, run.fault))
            strands[name].extend(t[here], u[here], *codes)


def _setup(span: Span, channel: Channel) -> Setup:
    """What hangs on a channel, with what is known of the probe there."""
    probe, known = span.placement.probe, span.known
    calibrated = None if known is None else known.on(*channel)
    learned = span.air is not None
    return Setup(*channel, probe.tc, probe.tolerance, span.placement.kind, calibrated, air_learned=learned)


def _in_order(uptime_ms: NDArray[np.int64]) -> NDArray[np.intp] | slice:
    """The rows in order of uptime, each instant once: frames of a damaged journal may overlap."""
    if (np.diff(uptime_ms) > 0).all():
        return slice(None)
    return np.unique(uptime_ms, return_index=True)[1]
