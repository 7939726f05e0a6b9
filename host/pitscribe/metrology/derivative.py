"""How fast a reading changes now, where noise and register steps hide it: a straight line as long as the past is one.

A short window follows a lid that is opened, a long one is not moved by noise. So the window grows from the shortest
whose slope says anything at all until its slope is as certain as is wanted, or until it no longer agrees with what the
shorter ones said: then the past bends there, and the last that agreed is taken (the rule is known as the intersection
of confidence intervals: Goldenshluger and Nemirovski 1997, Katkovnik 1999; from memory).

Lines go by the samples' own times, so any sampling is served, missed ticks are stretched over, and nothing looks ahead.
A window's sums are put together from those of shorter windows, always in the same order, and no running total is kept:
a slope is the same bit for bit in whatever pieces the series is read.
"""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
_Pair = tuple[FloatArray, FloatArray]

_AGREE = 2.0  # standard uncertainties about each slope: intervals that still overlap are of one line
_LONGEST = 256  # samples in a window; they are 2, 3, 4, 6, 8, 12, ... 256
_CHUNK = 8192  # samples worked on at once: their columns stay in the processor's cache


class Wanted(NamedTuple):
    """What a slope must be: its standard uncertainty at the most, and where it is good enough [K/s]; and how old the
    oldest sample of its window may be [s]."""

    most_u: float
    enough_u: float
    longest_s: float


class Slopes(NamedTuple):
    """Slope of each sample's line and its standard uncertainty [K/s], NaN where there is none, and how long before the
    sample its window's middle is [s], 0 where there is none; float64 (n,) each."""

    slope: FloatArray
    u: FloatArray
    age: FloatArray


class _Sums(NamedTuple):
    """Sums over the ``n`` samples that end with each sample from the n-th on: of times, their squares, values and the
    products, all counted from that sample."""

    n: int
    t: FloatArray
    tt: FloatArray
    y: FloatArray
    ty: FloatArray


def slopes(t: FloatArray, celsius: FloatArray, noise: float, wanted: Wanted) -> Slopes:
    """Slope of the least-squares line over a window that ends at each sample.

    t, celsius : float64 (n,), UTC s, ascending, and degC, finite: the usable samples alone
    noise : standard deviation of one sample, noise and register step together [K]

    There is none where no window reaches ``most_u``: at the beginning, behind a gap, or where sampling is too slow. The
    slope is that of the window's middle.
    Source: the line's slope is sum (t - mean t) y / S with S = sum (t - mean t)^2, so its variance is noise^2 / S and
    its covariance with the last sample noise^2 age / S, which is u^2 age (GUM H.3; any text on regression).
    """
    slope, u, age = np.empty((3, t.size))
    for start in range(0, t.size, _CHUNK):
        before = max(0, start - _LONGEST + 1)
        rows = slice(before, start + _CHUNK)
        for whole, some in zip((slope, u, age), _some(t[rows], celsius[rows], noise, wanted), strict=True):
            whole[start : start + _CHUNK] = some[start - before :]
    return Slopes(slope, u, age)


def _some(t: FloatArray, y: FloatArray, noise: float, wanted: Wanted) -> Slopes:
    slope, u = np.full((2, t.size), np.nan)
    age = np.zeros(t.size)
    low, high = np.full(t.size, -np.inf), np.full(t.size, np.inf)
    going = np.ones(t.size, bool)
    for sums in _windows(t, y):
        rows = slice(sums.n - 1, None)
        going[rows] &= t[rows] - t[: t.size - sums.n + 1] <= wanted.longest_s
        spread = sums.tt - sums.t * sums.t / sums.n
        found_u = noise / np.sqrt(spread)
        if found_u.min() <= wanted.most_u:
            found = Slopes((sums.ty - sums.t * sums.y / sums.n) / spread, found_u, -sums.t / sums.n)
            best = Slopes(slope[rows], u[rows], age[rows])
            _take(found, wanted, best, (low[rows], high[rows]), going[rows])
        if not going.any():
            break
    return Slopes(slope, u, age)


def _windows(t: FloatArray, y: FloatArray) -> Iterator[_Sums]:
    """The sums of every window of 2, 3, 4, 6, 8, 12, ... samples, as far as there are so many."""
    zero = np.zeros(t.size)
    half = one = _Sums(1, zero, zero, zero, zero)
    most = min(_LONGEST, t.size)
    while one.n < most:
        if one.n > 1 and one.n + half.n <= most:
            yield _joined(t, y, one, half)
        if 2 * one.n > most:
            return
        half, one = one, _joined(t, y, one, one)
        yield one


def _joined(t: FloatArray, y: FloatArray, a: _Sums, b: _Sums) -> _Sums:
    """The sums over two windows, ``b``'s right before ``a``'s."""
    n = a.n + b.n
    dt = t[b.n - 1 : t.size - a.n] - t[n - 1 :]  # from each sample to the last of b's window
    dy = y[b.n - 1 : t.size - a.n] - y[n - 1 :]
    end = t.size - n + 1
    bt, by, shift = b.t[:end], b.y[:end], b.n * dt
    return _Sums(
        n,
        a.t[b.n :] + bt + shift,
        a.tt[b.n :] + b.tt[:end] + dt * (2.0 * bt + shift),
        a.y[b.n :] + by + b.n * dy,
        a.ty[b.n :] + b.ty[:end] + dt * by + dy * (bt + shift),
    )


def _take(found: Slopes, wanted: Wanted, best: Slopes, agreed: _Pair, going: NDArray[np.bool_]) -> None:
    """Take the longer window's line where it agrees with the shorter ones'; stop where it does not, or is enough.

    best : the slopes so far; agreed : the interval that all windows so far have in common; all in place
    """
    (slope, u, _), (low, high) = found, agreed
    said = u <= wanted.most_u
    width = np.where(said, _AGREE * u, np.inf)
    np.maximum(low, slope - width, out=low)
    np.minimum(high, slope + width, out=high)
    going &= low <= high
    for kept, new in zip(best, found, strict=True):
        np.copyto(kept, new, where=going & said)
    going &= u > wanted.enough_u
