"""What came of a demo, beside what was really so on the bench."""

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.commands.demo_frames import Arrived
from pitscribe.commands.demo_said import finish_lines, fire_lines, safety_lines
from pitscribe.cook.analysis import analyse
from pitscribe.cook.answers import Analysis
from pitscribe.cook.plain import degrees, difference, signed, span
from pitscribe.cook.stall import Stall
from pitscribe.errors import BenchError
from pitscribe.ledger.ledger import Ledger
from pitscribe.series import Series, load


class PlaceError(NamedTuple):
    """How far a corrected place was from the truth, over its good samples."""

    place: str
    kind: str
    greatest: float  # K, signed: reading less truth, where it was furthest off
    stated: float  # K, half width of the interval stated there for 95 %
    rms: float  # K
    inside: float  # share of samples within their stated expanded uncertainty


class StallPair(NamedTuple):
    """A place's stall as found and as it was; s after the cook's start, None where there was none."""

    place: str
    found: tuple[float, float | None] | None
    true: tuple[float, float] | None


class DemoReport:
    """Made once the demo is over, of what has ``arrived``. ``text()`` is the table."""

    def __init__(self, ledger: Ledger, cook_id: int, arrived: Arrived, truth: Path, took_s: float, units: str) -> None:
        if not truth.exists():
            raise BenchError(f"the bench left no truth at {truth}; see bench.log beside it (--keep keeps it)")
        self._units, self._took_s = units, took_s
        self._arrived = arrived
        self.record = load(ledger, cook_id)
        self.analysis: Analysis = analyse(self.record)
        self._start = self.record.cook.started_ms / 1000
        with np.load(truth, allow_pickle=False) as arrays:
            self._truth = {name: arrays[name] for name in arrays.files}

    def place_errors(self) -> list[PlaceError]:
        """For each place how far it was from the truth."""
        return [_place_error(s, self._true(s.place), self._truth["t_s"] + self._start) for s in self.record.places]

    def _index(self, place: str) -> int:
        return int(np.flatnonzero(self._truth["place"] == place)[0])

    def _true(self, place: str) -> NDArray[np.float64]:
        column: NDArray[np.float64] = self._truth["true"][:, self._index(place)].astype(np.float64)
        return column

    def stalls(self) -> list[StallPair]:
        """For each meat place the first stall that was found, beside the bench's."""
        pairs = []
        for series in self.record.meat:
            i = self._index(series.place)
            begin, end = float(self._truth["stall_begin_s"][i]), float(self._truth["stall_end_s"][i])
            first = next((s for s in self.analysis.stalls if s.place == series.place), None)
            true = None if np.isnan(begin) else (begin, end)
            pairs.append(StallPair(series.place, None if first is None else self._since_start(first), true))
        return pairs

    def _since_start(self, stall: Stall) -> tuple[float, float | None]:
        return stall.begin - self._start, None if stall.end is None else stall.end - self._start

    def true_spread(self) -> tuple[float, float]:
        """The greatest true spread of the meat places [K], and when [s after the start]."""
        meat = self._truth["true"][:, self._truth["kind"] == "meat"].astype(np.float64)
        spread = meat.max(axis=1) - meat.min(axis=1)
        at = int(spread.argmax())
        return float(spread[at]), float(self._truth["t_s"][at])

    def text(self) -> str:
        """The whole table."""
        parts = (self._frames(), self._errors(), self._stalls(), self._finish(), self._spread())
        return "\n".join(["\n\n".join("\n".join(part) for part in parts), self._time()])

    def _finish(self) -> Iterator[str]:
        true = {series.place: self._true(series.place) for series in self.record.meat}
        return finish_lines(self.record, true, self._truth["t_s"] + self._start, self._units)

    def _frames(self) -> Iterator[str]:
        yield from self._arrived.lines()
        yield f"ticks    {max((s.t.size for s in self.record.places), default=0)} read, {self.record.missed} missed"
        for place, counts in self.analysis.flag_counts.items():
            if counts:
                yield f"flags    {place}: " + ", ".join(f"{n} {word}" for word, n in counts.items())

    def _errors(self) -> Iterator[str]:
        yield f"{'place':10} {'greatest error':>15} {'stated there (95 %)':>19} {'RMS error':>10} {'within stated':>14}"
        for e in self.place_errors():
            yield (
                f"{e.place:10} {signed(e.greatest, self._units):>15} {'+/- ' + self._k(e.stated):>19} "
                f"{self._k(e.rms):>10} {e.inside:>13.1%}"
            )

    def _stalls(self) -> Iterator[str]:
        yield f"{'stall at':10} {'found':>22} {'true (evaporation takes the heat)':>35}"
        for pair in self.stalls():
            yield f"{pair.place:10} {_span(pair.found):>22} {_span(pair.true):>35}"

    def _spread(self) -> Iterator[str]:
        greatest = self.analysis.evenness.greatest
        true, at = self.true_spread()
        if greatest is None:
            yield f"greatest spread  {self.analysis.evenness.why_not}"
        else:
            places = f"{greatest.hottest} over {greatest.coldest}"
            read = f"{self._k(greatest.spread_k)} at {span(greatest.at - self._start)} ({places})"
            yield f"greatest spread  {read}; true {self._k(true)} at {span(at)}"
        coldest = self.analysis.coldest
        if coldest is not None and coldest.celsius is not None:
            yield f"coldest meat     {coldest.place} at {degrees(coldest.celsius, self._units)} when it ended"
        yield from fire_lines(self.analysis.fire, self._start, self._units)
        yield from safety_lines(self.analysis.safety)

    def _time(self) -> str:
        length = (self.record.cook.ended_ms or 0) / 1000 - self._start
        return f"wall time        {self._took_s:.1f} s for {span(length)}: {length / self._took_s:.0f} times real time"

    def _k(self, kelvin: float) -> str:
        return difference(kelvin, self._units)


def _place_error(series: Series, true: NDArray[np.float64], t: NDArray[np.float64]) -> PlaceError:
    held = series.good() & (series.t >= t[0]) & (series.t <= t[-1])
    if not held.any():
        nan = float("nan")
        return PlaceError(series.place, series.kind, nan, nan, nan, nan)
    error = series.celsius[held] - np.interp(series.t[held], t, true)
    stated = series.expanded()[held]
    worst = int(np.abs(error).argmax())
    return PlaceError(
        series.place, series.kind, float(error[worst]), float(stated[worst]), float(np.sqrt(np.mean(error**2))),
        float(np.mean(np.abs(error) <= stated)),
    )


def _span(stall: tuple[float, float | None] | None) -> str:
    if stall is None:
        return "none"
    return f"{span(stall[0])} to {'still on' if stall[1] is None else span(stall[1])}"
