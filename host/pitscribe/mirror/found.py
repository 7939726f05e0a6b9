"""What a server was found to hold of a stream, beside what it should: missing, wrong, doubled, too much."""

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pitscribe.mirror.points import DIGITS, Column, Numbers, Rows, Stream, Times

Held = Mapping[str, tuple[Times, Sequence[object]]]  # field -> times (n,), ms, in any order, and n values


@dataclass(frozen=True, slots=True)
class Compared:
    """missing : of each field which of the stream's values are not there, or not as they should be

    points, found : points of the stream, and those of which every value is there and right
    doubled : points of which a value is there twice with the same time, though alike
    wrong : whether a value is another one, or is there where none should be: it must go before it is written again
    ours, theirs : checksum of the values on either side
    """

    missing: dict[str, Rows]
    points: int
    found: int
    doubled: int
    wrong: bool
    ours: int
    theirs: int

    @property
    def same(self) -> bool:
        """Whether all is there and nothing else."""
        return not self.wrong and self.found == self.points


def compare(stream: Stream, held: Held, *, texts: bool) -> Compared:
    """A stream beside what a server holds of it in the same span. ``texts``: whether it keeps them."""
    missing, doubled = {}, np.zeros(stream.t_ms.size, bool)
    wrong, ours, theirs = False, 0, 0
    for name, column in stream.fields.items():
        t_ms, values = held.get(name, (np.empty(0, np.int64), ()))
        wanted = column.there()
        want = _numbers(column, wanted, texts)
        have = _have(values, column, texts)
        rows = np.searchsorted(stream.t_ms, t_ms)
        inside = rows < stream.t_ms.size
        inside[inside] = stream.t_ms[rows[inside]] == t_ms[inside]
        rows = np.where(inside, rows, 0)
        right = inside & wanted[rows] & (want[rows] == have) if rows.size else inside
        wrong |= not bool(right.all())
        there = np.bincount(rows[right], minlength=stream.t_ms.size)
        doubled |= there > 1
        missing[name] = wanted & (there == 0)
        ours ^= _sum(name, stream.t_ms[wanted], want[wanted])
        kept = np.unique(np.stack((t_ms.astype(np.float64), have)), axis=1) if t_ms.size else np.empty((2, 0))
        theirs ^= _sum(name, kept[0].astype(np.int64), kept[1])
    lacking = np.logical_or.reduce(list(missing.values()))
    return Compared(
        missing, stream.t_ms.size, int(np.count_nonzero(~lacking)), int(doubled.sum()), wrong, ours, theirs
    )


def _numbers(column: Column, wanted: Rows, texts: bool) -> Numbers:
    """A field's values as numbers that are equal where the values are."""
    if isinstance(column.values, tuple):
        plain = [_text(word) if there else 0.0 for word, there in zip(column.words(), wanted, strict=True)]
        return np.array(plain, np.float64) if texts else np.zeros(wanted.size)
    return np.nan_to_num(column.values).round(DIGITS)


def _have(values: Sequence[object], column: Column, texts: bool) -> Numbers:
    if isinstance(column.values, tuple) and texts:
        words = Column(tuple(str(value) for value in values)).words()
        return np.array([_text(word) for word in words], np.float64)
    return np.array(values, np.float64).round(DIGITS)


def _text(word: str) -> float:
    return float(zlib.crc32(word.encode()))


def _sum(name: str, t_ms: Times, values: Numbers) -> int:
    """A checksum that does not depend on the order of the points: 32 bits."""
    of = t_ms.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15) + np.round(values * 1000).astype(np.int64).view(
        np.uint64
    ) * np.uint64(0xC2B2AE3D27D4EB4F)
    of ^= of >> np.uint64(29)
    of *= np.uint64(0xBF58476D1CE4E5B9)
    return (int(of.sum(dtype=np.uint64)) >> 32) ^ (zlib.crc32(name.encode()) if t_ms.size else 0)
