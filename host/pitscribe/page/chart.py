"""Series made small for drawing, with their extremes kept: pure functions."""

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pitscribe.series import CookRecord, Series

FloatArray = NDArray[np.float64]
Curve = tuple[FloatArray, ...]  # t [UTC s], degC, and the half width of the interval that holds 95 % [K] if asked for

POINTS = 1200  # a trace: two a pixel column on a phone, about one on a laptop
WIDTHS_S = (1, 2, 5, 10, 15, 20, 30, 60, 120, 180, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400, 604800)
GAP_S = 150.0  # a line is not drawn across a longer silence than this, or three buckets: nothing is known there
LATE_S = 600.0  # a chart that is open asks from so long before its end: readings of several loggers come in turn


def bucket_width(span_s: float, points: int = POINTS) -> int:
    """The least width from a fixed ladder [s] with which ``span_s`` seconds need at most ``points`` points."""
    for width in WIDTHS_S:
        if 2 * span_s / width <= points:
            return width
    return WIDTHS_S[-1]


def decimate(t: FloatArray, y: FloatArray, width: int) -> tuple[FloatArray, FloatArray]:
    """The least and the greatest value of each bucket, at their own times.

    t : float64 (n,), UTC s, ascending;  y : float64 (n,), NaN where there is nothing;  width : s
    Buckets lie at whole multiples of ``width`` since 1970, so that a later call on more data gives the same points.
    A bucket with nothing but NaN gives one NaN; so does a gap (``GAP_S``), so that no line is drawn across it.
    Returns (t, y), at most two points a bucket and one a gap.
    """
    at, values = _decimate(width, t, y)
    return at, values


def _decimate(width: int, t: FloatArray, y: FloatArray, *beside: FloatArray) -> Curve:
    """The same, with other columns of the same samples beside it."""
    if t.size == 0:
        return t, y, *beside
    bucket = np.floor(t / width).astype(np.int64)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(bucket)) + 1))
    known = np.isfinite(y)
    low = np.minimum.reduceat(np.where(known, y, np.inf), starts)
    high = np.maximum.reduceat(np.where(known, y, -np.inf), starts)
    counts = np.diff(np.concatenate((starts, [t.size])))
    at_low = _first(y == np.repeat(low, counts), starts)
    at_high = _first(y == np.repeat(high, counts), starts)
    # Where a bucket knows nothing both are "not found": its first sample, a NaN, stands for it.
    at_low, at_high = (np.where(at < t.size, at, starts) for at in (at_low, at_high))
    index = np.unique(np.concatenate((at_low, at_high)))
    return _with_gaps(max(GAP_S, 3.0 * width), *(column[index] for column in (t, y, *beside)))


def _first(hit: NDArray[np.bool_], starts: NDArray[np.int64]) -> NDArray[np.int64]:
    """For each stretch the index of its first hit, ``hit.size`` if it has none."""
    index = np.where(hit, np.arange(hit.size), hit.size)
    return np.minimum.reduceat(index, starts)


def _with_gaps(longest: float, t: FloatArray, *columns: FloatArray) -> Curve:
    gaps = np.flatnonzero(np.diff(t) > longest)
    return np.insert(t, gaps + 1, t[gaps] + 1.0), *(np.insert(y, gaps + 1, np.nan) for y in columns)


def spread_of(meat: Sequence[Series], width: int) -> Curve:
    """Hottest minus coldest meat place, by the means of each bucket in which two places or more can be read.

    Means, because places are not sampled at the same instants and their noise would otherwise add to the spread.
    Returns (t at the middles of the buckets, K).
    """
    spans = [(s.t[0], s.t[-1]) for s in meat if s.t.size]
    if len(spans) < 2:
        return np.empty(0), np.empty(0)
    first = int(min(a for a, _ in spans) // width)
    n = int(max(b for _, b in spans) // width) - first + 1
    means = np.full((len(meat), n), np.nan)
    for row, s in enumerate(meat):
        good = s.good()
        cell = (s.t[good] // width).astype(np.int64) - first
        count = np.bincount(cell, minlength=n)
        total = np.bincount(cell, weights=s.celsius[good], minlength=n)
        np.divide(total, count, out=means[row], where=count > 0)
    enough = np.isfinite(means).sum(axis=0) >= 2
    t = np.asarray((first + np.flatnonzero(enough) + 0.5) * width, np.float64)
    columns = means[:, enough]
    k = np.fmax.reduce(columns, axis=0) - np.fmin.reduce(columns, axis=0)
    return _with_gaps(max(GAP_S, 3.0 * width), t, k)


def chart(
    record: CookRecord,
    *,
    begin: float | None = None,
    end: float | None = None,
    after: float | None = None,
    width: int | None = None,
    kept: str | None = None,
    points: int = POINTS,
    band: bool = False,
) -> dict[str, Any]:
    """What the browser draws, as JSON-able values: times in UTC s (0.1 s), temperatures in degC (0.01), null for NaN.

    begin, end : only this span (UTC s), as fine as ``points`` allow
    after, width, kept : for a browser that has drawn the answer that gave it these three, which keeps the points before
        ``after`` and wants only the rest. Where that would not give what is drawn now, because the cook needs another
        width or because points before ``after`` have changed (a backlog came, a boot got its time late), everything
        is sent again and ``full`` is true
    band : each place has ``b`` besides, the half width of the interval that holds 95 % at each point [K]
    The answer's ``next`` and ``kept`` are for the next time: from where to ask, and a mark of all that is before it.
    """
    spans = [(float(s.t[0]), float(s.t[-1])) for s in record.places if s.t.size]
    start = record.cook.started_ms / 1000
    whole = (min((a for a, _ in spans), default=start), max((b for _, b in spans), default=start))
    first, last = whole[0] if begin is None else begin, whole[1] if end is None else end
    fits = bucket_width(last - first, points)
    # Beside what the air was worked out to be, what the thick probe in it reads.
    read = [replace(s, place=f"{s.place}, as read") for s in record.as_read]
    cut = [_window(s, first, last) for s in (*record.places, *read)]
    curves = [_curve(s, fits, band) for s in cut]
    curves.append(_rounded(*spread_of([s for s in cut if s.kind == "meat"], fits)))
    names = [(s.place, s.kind) for s in cut]
    full = after is None or width != fits or kept != _mark(names, curves, after)
    following = (last - LATE_S) // fits * fits
    *lines, spread = [_points(curve, None if full else after) for curve in curves]
    return {
        "width": fits,
        "full": full,
        "after": first if full else after,
        "from": first,
        "to": last,
        "next": following,
        "kept": _mark(names, curves, following),
        "places": [{"place": place, "kind": kind} | line for (place, kind), line in zip(names, lines, strict=True)],
        "spread": spread,
    }


def _window(s: Series, begin: float, end: float) -> Series:
    i, j = int(np.searchsorted(s.t, begin)), int(np.searchsorted(s.t, end, side="right"))
    return s.rows(slice(i, j))


def _curve(s: Series, width: int, band: bool) -> Curve:
    good = s.good()
    columns = [s.celsius, s.expanded()] if band else [s.celsius]
    celsius, *beside = (np.where(good, c, np.nan) for c in columns)
    return _rounded(*_decimate(width, s.t, celsius, *beside))


def _rounded(t: FloatArray, *columns: FloatArray) -> Curve:
    """As the browser has them, so that it cuts where we do."""
    return np.round(t, 1), *(np.round(y, 2) for y in columns)


def _mark(names: Sequence[tuple[str, str]], curves: Sequence[Curve], before: float) -> str:
    """Stands for the points before a time: the same for the same points, another one for others."""
    digest = hashlib.blake2b(repr(names).encode(), digest_size=12)
    for t, *columns in curves:
        n = int(np.searchsorted(t, before))
        digest.update(n.to_bytes(4, "little") + t[:n].tobytes() + b"".join(y[:n].tobytes() for y in columns))
    return digest.hexdigest()


def _points(curve: Curve, after: float | None) -> dict[str, Any]:
    t, *columns = curve
    n = 0 if after is None else int(np.searchsorted(t, after))
    known = {name: [v if v == v else None for v in y[n:].tolist()] for name, y in zip("cb", columns, strict=False)}
    return {"t": t[n:].tolist(), **known}
