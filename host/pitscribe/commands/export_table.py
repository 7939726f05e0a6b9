"""A cook as one table, block by block: a row for each time, and for each place what was read there.

What all formats share: which columns there are, and how far figures are given. Nothing of a cook's length is made here
but the times; a block is as long whatever the cook.
"""

from collections.abc import Iterator, Sequence
from itertools import chain, count
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.analysis import flag_words
from pitscribe.mirror.points import DIGITS
from pitscribe.series import CookRecord, Series

Figures = NDArray[np.float64]
Times = NDArray[np.int64]

BLOCK_ROWS = 8192
TEMPERATURE, UNCERTAINTY, FLAGS, AS_READ = "temperature", "standard uncertainty", "flags", "temperature as read"
_BEHIND = {TEMPERATURE: "", UNCERTAINTY: " u", FLAGS: " flags", AS_READ: " as read"}  # a place's name, in a title


class Column(NamedTuple):
    """One column: what it is, of which place. ``unit``: "F" or "C"; None: it has none.

    title : its name, which no other one has: ``flat [F]``, ``flat u [F]``, ``flat flags``, ``stick as read [F]``
    """

    place: str
    kind: str
    quantity: str
    unit: str | None
    title: str


class Block(NamedTuple):
    """Some rows. t_ms : int64 (n,), UTC ms

    cells : for each column float64 (n,), NaN where nothing can be said, or of flags n texts, None where is no sample
    """

    t_ms: Times
    cells: tuple[Figures | list[str | None], ...]


class Table:
    """A cook's table in a unit: ``columns``, ``rows`` and ``blocks()``."""

    def __init__(self, record: CookRecord, unit: str) -> None:
        """unit : "F" or "C"."""
        each = [(s, q) for s in record.places for q in (TEMPERATURE, UNCERTAINTY, FLAGS)]
        each += [(series, AS_READ) for series in record.as_read]
        self._series = [series for series, _ in each]
        self.columns = _columns(each, unit)
        self._times = {id(s): np.round(s.t * 1000).astype(np.int64) for s in self._series}
        # To the millisecond: two loggers' ticks within one become one row.
        self._t_ms = np.unique(np.concatenate([np.empty(0, np.int64), *self._times.values()]))
        self.rows = int(self._t_ms.size)

    def blocks(self, most: int = BLOCK_ROWS) -> Iterator[Block]:
        """The rows, so many at a time."""
        for first in range(0, self.rows, most):
            t_ms = self._t_ms[first : first + most]
            yield Block(t_ms, tuple(self._cells(*one, t_ms) for one in zip(self.columns, self._series, strict=True)))

    def _cells(self, column: Column, series: Series, t_ms: Times) -> Figures | list[str | None]:
        times = self._times[id(series)]
        rows = slice(*np.searchsorted(times, [t_ms[0], t_ms[-1] + 1]).tolist())
        at = np.searchsorted(t_ms, times[rows])
        if column.quantity == FLAGS:
            return _words(series.flags[rows], at, t_ms.size)
        values = series.u if column.quantity == UNCERTAINTY else series.celsius
        found = np.full(t_ms.size, np.nan)
        found[at] = np.where(np.isfinite(series.celsius[rows]), values[rows], np.nan)
        if column.unit == "F":
            found = found * 1.8 + (0.0 if column.quantity == UNCERTAINTY else 32.0)
        return np.round(found, DIGITS) + 0.0  # -0.0 becomes 0.0


def _columns(each: Sequence[tuple[Series, str]], unit: str) -> list[Column]:
    """The columns. Where two would have one title (a place "flat u" beside "flat"), temperatures are named first."""
    titles: dict[int, str] = {}
    for i in sorted(range(len(each)), key=lambda i: each[i][1] != TEMPERATURE):
        series, quantity = each[i]
        behind = _BEHIND[quantity] + ("" if quantity == FLAGS else f" [{unit}]")
        names = chain([series.place, f"{series.place} ({series.kind})"], (f"{series.place} ({n})" for n in count(2)))
        titles[i] = next(title for name in names if (title := name + behind) not in titles.values())
    return [Column(s.place, s.kind, q, None if q == FLAGS else unit, titles[i]) for i, (s, q) in enumerate(each)]


def _words(flags: NDArray[np.uint32], at: NDArray[np.intp], count: int) -> list[str | None]:
    words = {int(f): " ".join(w.replace(" ", "-") for w in flag_words(int(f))) for f in np.unique(flags)}
    found: list[str | None] = [None] * count
    for row, one in zip(at.tolist(), flags.tolist(), strict=True):
        found[row] = words[one]
    return found


def iso(t_ms: int | None) -> str | None:
    """UTC ms as ISO 8601 with milliseconds: ``2026-05-30T12:00:00.000Z``; None stays None."""
    return None if t_ms is None else isos(np.array([t_ms]))[0]


def isos(t_ms: Times) -> list[str]:
    """The same for many times."""
    return [f"{text}Z" for text in np.datetime_as_string(t_ms.astype("datetime64[ms]"), unit="ms").tolist()]
