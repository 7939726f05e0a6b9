"""One boot's time as it was told first, for copies in which a point's time is its name.

Each new anchor makes ``Timebase.fit`` a little better, and moves all that was read in the hours before by some
milliseconds. Where a reading is known by its time, as in a time-series database, it would have to be taken out and
written again each hour, and nobody knows the time better for it than its uncertainty. So here what lies between two
anchors keeps the time that followed from the anchors up to the first of them, unless that proves to be off from the
best by more than the best's own standard uncertainty (and more than 0.1 s, our allowance: no cook is so fast). Then
the next anchors' word counts that is near enough.

All this follows from the anchors alone, so whoever reads the same ledger later gets the same times, to the bit. Where
two words meet, the time does not leap: it runs a little faster or slower until it agrees with the new one.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .timebase import Anchor, Timebase

NEAR_S = 0.1  # our allowance, no source
_WINDOW = 24  # a word follows from so many anchors: what an earlier one adds is under a microsecond (measured)
_BLEND_S = 600.0  # so long the time takes to agree with a new word, or four times the difference
Floats = NDArray[np.float64]


class _Segment(NamedTuple):
    """From ``start`` on (uptime, s), UTC less uptime is ``offset`` + ``slope`` times what has passed since. [s]"""

    start: float
    offset: float
    slope: float

    def at(self, up: float) -> float:
        """The offset at an uptime."""
        return self.offset + self.slope * (up - self.start)


def steady(anchors: Sequence[Anchor]) -> Timebase:
    """The steady timebase of one boot from its anchors, at least one, in any order. SourceError as ``Timebase.fit``."""
    return _Steady(anchors)


class _Steady(Timebase):
    def __init__(self, anchors: Sequence[Anchor]) -> None:
        best = Timebase.fit(anchors)
        super().__init__(best._course, best._doubt, best.kept, best.left_out)
        ordered = sorted(set(anchors), key=lambda one: (one.uptime_ms, one.err, one.utc, one.source))
        self._edges_ms = sorted({one.uptime_ms for one in ordered})
        count = np.searchsorted([one.uptime_ms for one in ordered], self._edges_ms, side="right").tolist()
        self._words = [_word_for(piece, ordered, count, self._edges_ms, best) for piece in range(len(count) + 1)]
        segments = _joined(self._words, self._edges_ms)
        self._starts, self._offsets, self._slopes = (np.array(column) for column in zip(*segments, strict=True))

    def utc(self, uptime_ms: ArrayLike) -> Floats:
        up = np.asarray(uptime_ms, np.float64) / 1000
        row = np.maximum(np.searchsorted(self._starts, up, side="right") - 1, 0)
        found: Floats = up + (self._offsets[row] + self._slopes[row] * (up - self._starts[row]))
        return found

    def uptime(self, utc: ArrayLike) -> Floats:
        at = np.asarray(utc, np.float64)
        begins = self._starts + self._offsets
        row = np.maximum(np.searchsorted(begins, at, side="right") - 1, 0)
        found: Floats = 1000 * (self._starts[row] + (at - begins[row]) / (1 + self._slopes[row]))
        return found

    def uncertainty(self, uptime_ms: ArrayLike) -> Floats:
        up_ms = np.asarray(uptime_ms, np.float64)
        piece = np.searchsorted(self._edges_ms, up_ms, side="right")
        found: Floats = np.empty(up_ms.shape)
        for one in np.unique(piece).tolist():
            found[piece == one] = self._words[one].uncertainty(up_ms[piece == one])
        return found


def _word_for(
    piece: int, anchors: Sequence[Anchor], count: Sequence[int], edges_ms: Sequence[int], best: Timebase
) -> Timebase:
    """The first word on a piece that is still near enough: piece 0 is before the first anchor, 1 after it.

    count : of each edge, how many of the anchors were said up to there
    """
    first = edges_ms[piece - 1] if piece else 0
    last = edges_ms[piece] if piece < len(edges_ms) else first + 7_200_000  # it is open: two hours, as drift shows
    span = np.array([first, last], np.float64)
    right, near = best.utc(span), np.maximum(best.uncertainty(span), NEAR_S)
    ahead = 0
    while (number := max(piece, 1) + ahead) <= len(edges_ms):
        told = count[number - 1]
        word = _word(tuple(anchors[max(0, min(told - _WINDOW, count[max(piece, 1) - 1] - _WINDOW // 2)) : told]))
        if (np.abs(word.utc(span) - right) <= near).all():
            return word
        ahead = 2 * ahead or 1
    return best


@lru_cache(maxsize=4096)
def _word(anchors: tuple[Anchor, ...]) -> Timebase:
    return Timebase.fit(anchors)


def _joined(words: Sequence[Timebase], edges_ms: Sequence[int]) -> list[_Segment]:
    """The pieces one after the other, without leaps. What a segment is hangs on nothing that comes after its piece."""
    segments = [_line(words[0], 0.0, edges_ms[0] / 1000)]
    for number, edge_ms in enumerate(edges_ms, 1):
        start, word = edge_ms / 1000, words[number]
        end = edges_ms[number] / 1000 if number < len(edges_ms) else np.inf
        line, before = _line(word, start, end), segments[-1].at(start)
        if start == segments[-1].start:  # an anchor at uptime 0
            segments[-1] = line
            continue
        gap = line.offset - before
        takes = max(_BLEND_S, 4 * abs(gap))
        if gap:
            segments.append(_Segment(start, before, line.slope + gap / takes))
        if not gap or start + takes < end:
            begin = start + takes * bool(gap)
            segments.append(_Segment(begin, line.at(begin), line.slope))
    return segments


def _line(word: Timebase, start: float, end: float) -> _Segment:
    """A word between two neighbouring edges, where it is straight; beyond its last anchor it goes on as it drifts."""
    offset = float(word.utc(1000 * start)) - start
    if end * 1000 > max(one.uptime_ms for one in word.kept) or not end > start:
        return _Segment(start, offset, word.drift)
    return _Segment(start, offset, (float(word.utc(1000 * end)) - end - offset) / (end - start))
