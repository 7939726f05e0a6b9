"""A series minute by minute: small arrays on which the rules that look back, or at several places, are judged.

Minutes are those of UTC. A rule may use complete minutes only, and what it finds counts from the next minute on; so a
series judged while it grows is bit for bit the whole, and a flag never depends on what comes later.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology import its90
from pitscribe.metrology.chips import chip_of
from pitscribe.metrology.flags import Flag, FlagArray, usable
from pitscribe.metrology.uncertainty import Setup

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
CodeArray = NDArray[np.int32]

# Noise that is taken as explained besides the chip's own and its step: leads pick up a little. [K rms] Our allowance,
# no source.
LEADS_K = 0.1
# In air the flutter of the gas itself, as a bead of 24 AWG wire shows it from one second to the next. Our allowance, no
# source; the bench's is 0.15. [K rms]
FLUTTER_K = 0.5
# A minute is noisy if half of its second differences are larger than so many times their explained standard deviation.
# Of normal noise half are larger than MEDIAN_SIZE of it, so the noise is then 4.4 times what is explained.
NOISE_FACTOR = 3.0
MEDIAN_SIZE = 0.6745  # median of the size of a normal variable of unit standard deviation (any table of the normal law)
NOISE_STEP_S = 2.5  # samples further apart than this may differ by what they measure, and are not judged
_NOISE_LEAST = 20  # second differences in a minute

_NO_CODE = np.uint32(Flag.OPEN | Flag.SHORT_GROUND | Flag.SHORT_SUPPLY | Flag.CHIP_FAULT | Flag.NO_ANSWER
                     | Flag.BAD_WORD | Flag.NO_FUNCTION)
_NO_NOISE = np.uint32(Flag.BAD & ~Flag.RATE)


class Minutes(NamedTuple):
    """What a channel was in each minute: float64 (m,) each, NaN where the minute has nothing of the kind.

    samples, codes : samples; those whose code means something
    flips : how often the code turned back: up and down again, or down and up, from one sample to the next
    mean, top : mean of the good samples, and the highest value, good or bad [degC]
    hot_low, hot_high : lowest and highest hot code that means something
    cold, cold_low, cold_high : terminal block: mean, lowest and highest [degC]
    noisy : 1 if the samples flicker more than chip and place explain, else 0
    """

    samples: FloatArray
    codes: FloatArray
    flips: FloatArray
    mean: FloatArray
    top: FloatArray
    hot_low: FloatArray
    hot_high: FloatArray
    cold: FloatArray
    cold_low: FloatArray
    cold_high: FloatArray
    noisy: FloatArray


class Samples(NamedTuple):
    """Samples of one channel as the chain left them, (n,) each.

    t float64 [UTC s], ascending; celsius float64 [degC]; flags uint32; hot, cold int32, raw codes.
    """

    t: FloatArray
    celsius: FloatArray
    flags: FlagArray
    hot: CodeArray
    cold: CodeArray


class Judged(NamedTuple):
    """What is judged as one: its place, logger and setup, and its minutes over the grid."""

    place: str
    logger: int
    setup: Setup
    minutes: Minutes


_FIELDS = len(Minutes._fields)
_NOTHING = Samples(np.empty(0), np.empty(0), np.empty(0, np.uint32), np.empty(0, np.int32), np.empty(0, np.int32))
_REACH = 2  # samples before a minute that it is compared with


class Summary:
    """The minutes of a channel that grows: what is over is summed up once; minutes without a sample take no room."""

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self._numbers: list[NDArray[np.int64]] = []
        self._tables: list[FloatArray] = []
        self._rest, self._reach = _NOTHING, 0  # samples of the minute that goes on, with so many from before it

    def extend(self, more: Samples) -> None:
        """Add the next samples."""
        some = _joined(self._rest, more)
        if not some.t.size:
            return
        numbers, table, starts = _summed_up(self._setup, some, self._reach)
        self._numbers.append(numbers[:-1])
        self._tables.append(table[:, :-1])
        first = max(int(starts[-1]) - _REACH, 0)
        self._rest, self._reach = _from(some, first), int(starts[-1]) - first

    def minutes(self) -> tuple[NDArray[np.int64], FloatArray]:
        """Minutes (UTC s // 60) that have a sample, int64 (k,), and the table of ``Minutes`` for them, (11, k)."""
        if not self._rest.t.size:
            return np.empty(0, np.int64), np.empty((_FIELDS, 0))
        numbers, table, _ = _summed_up(self._setup, self._rest, self._reach)
        self._numbers, self._tables = [np.concatenate(self._numbers)], [np.concatenate(self._tables, axis=1)]
        return np.concatenate((*self._numbers, numbers)), np.concatenate((*self._tables, table), axis=1)


def _joined(a: Samples, b: Samples) -> Samples:
    return Samples(np.concatenate((a.t, b.t)), np.concatenate((a.celsius, b.celsius)),
                   np.concatenate((a.flags, b.flags)), np.concatenate((a.hot, b.hot)), np.concatenate((a.cold, b.cold)))


def _from(a: Samples, i: int) -> Samples:
    """Samples from one on, as copies that keep no long series alive."""
    return Samples(a.t[i:].copy(), a.celsius[i:].copy(), a.flags[i:].copy(), a.hot[i:].copy(), a.cold[i:].copy())


def _summed_up(setup: Setup, some: Samples, reach: int) -> tuple[NDArray[np.int64], FloatArray, NDArray[np.intp]]:
    """Numbers, table (11, k) and starts of the minutes of some samples; the first ``reach`` are of an earlier one."""
    minute = np.floor_divide(some.t, 60.0).astype(np.int64)
    starts = np.flatnonzero(minute[reach:] != np.concatenate((minute[reach : reach + 1] - 1, minute[reach:-1]))) + reach

    def mean(values: FloatArray, where: BoolArray) -> FloatArray:
        n = np.add.reduceat(where, starts, dtype=np.float64)
        total = np.add.reduceat(np.where(where, values, 0.0), starts)
        result: FloatArray = total / np.where(n > 0, n, np.nan)
        return result

    good = usable(some.flags) & np.isfinite(some.celsius)
    told = (some.flags & _NO_CODE) == 0
    hot, cold = some.hot.astype(np.float64), np.multiply(some.cold, chip_of(setup.chip).cold_lsb, dtype=np.float64)
    if not told.all():
        hot[~told] = cold[~told] = np.nan
    flips = np.zeros(hot.size, bool)
    steps = np.diff(hot)
    flips[2:] = steps[1:] * steps[:-1] < 0  # never true of NaN
    table = Minutes(
        np.diff(np.append(starts, hot.size)).astype(np.float64),
        np.add.reduceat(told, starts, dtype=np.float64), np.add.reduceat(flips, starts, dtype=np.float64),
        mean(some.celsius, good), np.fmax.reduceat(some.celsius, starts),
        np.fmin.reduceat(hot, starts), np.fmax.reduceat(hot, starts),
        mean(cold, told), np.fmin.reduceat(cold, starts), np.fmax.reduceat(cold, starts),
        _noisy(setup, some, starts),
    )
    return minute[starts], np.array(table), starts


class Grid:
    """All minutes of several channels in a row. A gap of more than an hour is an hour: no rule looks back further."""

    _GAP = 60

    def __init__(self, numbers: Sequence[NDArray[np.int64]]) -> None:
        self.numbers = np.unique(np.concatenate(numbers)) if numbers else np.empty(0, np.int64)
        gaps = np.minimum(np.diff(self.numbers), self._GAP)
        self._rows = np.concatenate((np.zeros(min(1, self.numbers.size), np.int64), np.cumsum(gaps)))
        self.size = int(self._rows[-1]) + 1 if self._rows.size else 0

    def rows(self, numbers: NDArray[np.int64]) -> NDArray[np.int64]:
        """Where minutes that are in the grid stand in it."""
        found: NDArray[np.int64] = self._rows[np.searchsorted(self.numbers, numbers)]
        return found

    def row_at(self, t: float) -> int | None:
        """Where the minute of a time (UTC s) stands; None if no channel has it."""
        i = int(np.searchsorted(self.numbers, t // 60))
        return int(self._rows[i]) if i < self.numbers.size and self.numbers[i] == t // 60 else None

    def spread(self, told: Sequence[tuple[NDArray[np.int64], FloatArray]]) -> Minutes:
        """The minutes of a channel's stretches over the grid's; of a minute in two of them the later one's count."""
        wide = np.full((_FIELDS, self.size), np.nan)
        for numbers, table in told:
            wide[:, self.rows(numbers)] = table
        return Minutes(*wide)


def explained_noise(setup: Setup) -> float:
    """What noise chip, step, leads and place explain from one second to the next, as a rms value at 100 degC. [K]"""
    if setup.probe_tc not in its90.KINDS:
        return float("inf")
    noise = chip_of(setup.chip).noise_mv * 1000.0 / float(its90.sensitivity(setup.probe_tc, 100.0))
    flutter = FLUTTER_K if setup.kind == "air" else 0.0
    return float(np.sqrt(noise**2 + step_k(setup) ** 2 / 12 + LEADS_K**2 + flutter**2))


def step_k(setup: Setup) -> float:
    """One step of the hot code in kelvin, at 100 degC; for a type that has a reference function."""
    spec = chip_of(setup.chip)
    if spec.mode != "volts":
        return spec.hot_lsb
    return spec.hot_lsb * 1000.0 / float(its90.sensitivity(setup.probe_tc, 100.0))


def _noisy(setup: Setup, some: Samples, starts: NDArray[np.intp]) -> FloatArray:
    """Which minutes flicker, 1 or 0: uses second differences, in which a steady rise cancels.

    Samples that jumped as nothing can (RATE) are among them: half of a minute's differences must be large, so one
    spike does not count, and strong noise does.
    """
    large = 6.0**0.5 * NOISE_FACTOR * explained_noise(setup)
    good = ((some.flags & _NO_NOISE) == 0) & np.isfinite(some.celsius)
    judged, big = np.zeros(good.size, bool), np.zeros(good.size, bool)
    if good.size > _REACH:
        x, t = some.celsius, some.t
        judged[2:] = good[2:] & good[1:-1] & good[:-2] & (t[2:] - t[:-2] <= 2 * NOISE_STEP_S)
        big[2:] = judged[2:] & (np.abs(x[2:] - 2 * x[1:-1] + x[:-2]) > large)
    n, k = (np.add.reduceat(a, starts, dtype=np.float64) for a in (judged, big))
    noisy: FloatArray = ((n >= _NOISE_LEAST) & (k > n / 2)).astype(np.float64)
    return noisy


def last(x: NDArray[np.float64], minutes: int) -> FloatArray:
    """For each minute the so many that end with it: (m,) -> (m, minutes), NaN before the first; not to be written."""
    padded = np.concatenate((np.full(minutes - 1, np.nan), x))
    return np.lib.stride_tricks.sliding_window_view(padded, minutes)


def since(begins: BoolArray, ends: BoolArray) -> BoolArray:
    """Whether something that began has not ended yet: (m,) each -> bool (m,). Where both are met it has begun."""
    minute = np.arange(begins.size)
    begun, ended = (np.maximum.accumulate(np.where(x, minute, -1)) for x in (begins, ends))
    on: BoolArray = (begun >= 0) & (begun >= ended)
    return on


def ago(x: FloatArray, minutes: int) -> FloatArray:
    """Values of so many minutes before; NaN where there was none."""
    out = np.full(x.shape, np.nan)
    out[minutes:] = x[: max(x.size - minutes, 0)]
    return out
