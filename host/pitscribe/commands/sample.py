"""One sample of a cook and where it is from: frame, chip's codes, probe's history, and what was made of them."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import NamedTuple

import numpy as np

from pitscribe.errors import NotFoundError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook, Placement, Sheet
from pitscribe.metrology import airprobe
from pitscribe.metrology.coverage import Component
from pitscribe.metrology.strand import Codes, TracedStrand
from pitscribe.metrology.uncertainty import Reading, Setup
from pitscribe.series import CookRecord, Reader, Series, Stretch, timebases
from pitscribe.series.known import NOW, KnownAir, KnownCalibration
from pitscribe.wire.frames import TICKS, FrameKey, decode_ticks

_ROW_S = 60.0  # of an imported table, whose rows nobody sent by the frame: what is older says nothing of that time


class Value(NamedTuple):
    """What the series has: time [UTC s], degC, standard uncertainty [K], its factor for 95 %, flags."""

    t: float
    celsius: float
    u: float
    k: float
    flags: int


class Origin(NamedTuple):
    """The tick that a sample is: its frame, which of how many ticks there (from 0), uptime and spacing [ms]."""

    key: FrameKey
    tick: int
    ticks: int
    uptime_ms: int
    period_ms: int


class InAir(NamedTuple):
    """How the air was worked out from what the junction reads.

    known : what was learned of the probe, and in which record;  model : as it counts for this reading
    parts : what makes the result uncertain, arrays (1,)
    """

    known: KnownAir
    model: airprobe.AirModel
    parts: list[Component]


@dataclass(frozen=True, slots=True)
class Sample:
    """One sample.

    value : as the series has it;  time_u : standard uncertainty of its time [s]
    reading : all that the chain knows of it; None for a type that has no reference function
    air : None where the junction's own reading counts
    """

    cook: Cook
    placement: Placement
    known: KnownCalibration | None
    setup: Setup
    origin: Origin
    codes: Codes
    reading: Reading | None
    time_u: float
    value: Value
    air: InAir | None


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of an imported table: nobody knows more of it than the table says."""

    cook: Cook
    sheet: Sheet
    value: Value


def find(ledger: Ledger, cook: Cook, place: str, at: float, known: str = NOW) -> Sample | Cell:
    """The sample of a place at a time (UTC s), or the last one before it, if that is no older than a frame is long.

    known : as for ``series.load``. Raises NotFoundError naming what there is instead.
    """
    reader = Reader(ledger, cook.id, known=known, strand=TracedStrand)
    record = reader.read()
    series = _series(record, place)
    row = int(np.searchsorted(series.t, at, side="right")) - 1
    if row < 0:
        raise _too_far(series, at, row, _ROW_S)
    value = _value(series, row)
    made_of = [s for s in reader.stretches() if s.placement.place == series.place and _row(s, value.t) is not None]
    if not made_of:
        if at - value.t > _ROW_S:
            raise _too_far(series, at, row, _ROW_S)
        sheet = next(s for s in ledger.sheets(cook.id) if s.place == series.place)
        return Cell(cook, sheet, value)
    found = _sample(ledger, record, made_of[-1], value)
    frame_s = found.origin.ticks * found.origin.period_ms / 1000
    if at - value.t > frame_s:
        raise _too_far(series, at, row, frame_s)
    return found


def _series(record: CookRecord, place: str) -> Series:
    for series in record.places:
        if series.place == place:
            return series
    alike = [s for s in record.places if s.place.casefold() == place.strip().casefold()]
    if len(alike) == 1:
        return alike[0]
    known = ", ".join(s.place for s in record.places)
    has = f"it has {known}" if known else "nobody has said yet where its probes are"
    raise NotFoundError(f"cook {record.cook.name!r} has no place {place!r}; {has}")


def _too_far(series: Series, at: float, row: int, within_s: float) -> NotFoundError:
    """What there is around a time at which there is nothing; ``row``: the last sample before it, -1 if none."""
    if not series.t.size:
        return NotFoundError(f"nothing has been read at {series.place} yet")
    around = []
    if row >= 0:
        around.append(f"the last before it was at {to_the_second(float(series.t[row]))}")
    if row + 1 < series.t.size:
        around.append(f"the next is at {to_the_second(float(series.t[row + 1]))}")
    when = f"at {to_the_second(at)} or in the {within_s:.0f} s before"
    return NotFoundError(f"nothing was read at {series.place} {when}; {', '.join(around)}")


def to_the_second(t: float) -> str:
    """UTC seconds -> date and time to the second in this machine's zone."""
    return datetime.fromtimestamp(t, UTC).astimezone().strftime("%Y-%m-%d %H:%M:%S")


def _value(series: Series, row: int) -> Value:
    k = 2.0 if series.k is None else float(series.k[row])
    return Value(float(series.t[row]), float(series.celsius[row]), float(series.u[row]), k, int(series.flags[row]))


def _row(stretch: Stretch, t: float) -> int | None:
    """Where a stretch has a sample of exactly that time."""
    times = stretch.strand.views()[0]
    row = int(np.searchsorted(times, t))
    return row if row < times.size and times[row] == t else None


def _sample(ledger: Ledger, record: CookRecord, stretch: Stretch, value: Value) -> Sample:
    strand, row = stretch.strand, _row(stretch, value.t)
    assert isinstance(strand, TracedStrand)
    assert row is not None
    base = timebases(ledger, stretch.placement.logger)[stretch.boot]
    origin = _origin(ledger, stretch, round(float(base.uptime(value.t))))
    return Sample(record.cook, stretch.placement, stretch.known, strand.setup, origin, strand.codes(row),
                  strand.reading(row), strand.time_u(row), value, _in_air(record, stretch, value.t))


def _in_air(record: CookRecord, stretch: Stretch, t: float) -> InAir | None:
    """As ``series`` works the air out of the readings of a stretch; None for what it leaves as it was read."""
    as_read = next((s for s in record.as_read if s.place == stretch.placement.place), None)
    if as_read is None or stretch.air is None:
        return None
    track = as_read.rows(np.flatnonzero(np.isin(as_read.t, stretch.strand.views()[0]))).track()
    row = int(np.searchsorted(track.t, t))
    if row >= track.t.size or track.t[row] != t:
        return None
    model, noise = stretch.air.beside(stretch.strand.setup.calibrated), airprobe.noise_of(stretch.strand.setup)
    base = next((s.track() for s in record.meat if s.place == model.base), None)
    found = airprobe.air_of(track, base, model, noise, here=stretch.air.here)
    return InAir(stretch.air, model, [replace(part, u=part.u[row : row + 1]) for part in found.parts])


def _origin(ledger: Ledger, stretch: Stretch, uptime_ms: int) -> Origin:
    """The tick of an uptime; where frames of a damaged journal overlap, the one that the series took."""
    around = ledger.frames(stretch.placement.logger, kind=TICKS, boots=[stretch.boot],
                           uptime_range=(uptime_ms, uptime_ms))
    for stored in sorted(around, key=lambda one: (one.uptime_ms, one.key)):
        (run,) = decode_ticks([stored.frame])
        if uptime_ms in run.uptime_ms:
            ticks = run.uptime_ms.size + run.missed_ms.size
            period_ms = int(run.period_ms[0])
            return Origin(stored.key, (uptime_ms - stored.uptime_ms) // period_ms, ticks, uptime_ms, period_ms)
    raise NotFoundError(f"the frame of uptime {uptime_ms} ms of boot {stretch.boot} is gone from the ledger")
