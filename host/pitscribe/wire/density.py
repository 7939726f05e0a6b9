"""How closely frames are packed, beside what the same differences hold by their entropy."""

from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import SourceError
from .frames import TICKS, decode_ticks, read_head


class Density(NamedTuple):
    """Bytes for one channel and tick: of the frames, header and CRC included, and of their differences' entropy."""

    bytes_per_channel_tick: float
    entropy_bytes_per_channel_tick: float


def density(frames: Sequence[bytes]) -> Density:
    """Return how many bytes tick frames take for one channel and one tick that was not missed.

    The entropy is that of the differences within frames from the value before or from the mean of four (WIRE.md 2.1),
    whichever of the two is less in a column, by how often each came in it, hot, cold and fault of a channel added up:
    what a perfect coder without memory would take that is told the frequencies for nothing. Other frames and channels
    without a chip are left out. Raises FrameError for one that is
    not sound, and SourceError if not a single difference is in them.
    """
    heads = {head.key: (head, frame) for frame in frames if (head := read_head(frame)).kind == TICKS}
    size = sum(head.length for head, _ in heads.values())
    firsts = defaultdict(set)
    for head, _ in heads.values():
        firsts[head.key[:2]].add(head.uptime_ms)
    taken, columns = 0, defaultdict(list)
    for run in decode_ticks([frame for _, frame in heads.values()]):
        first = np.isin(run.uptime_ms, list(firsts[run.logger, run.boot]))
        begin = np.maximum.accumulate(np.where(first, np.arange(len(first)), 0))
        for place, entry in enumerate(run.table):
            if entry.chip == "none":
                continue
            taken += len(run.uptime_ms)
            for kind, codes in enumerate((run.hot, run.cold, run.fault)):
                columns[run.logger, run.table, place, kind].append(_differences(codes[:, place], begin)[:, ~first])
    both = [np.concatenate(parts, axis=1) for parts in columns.values()]
    counted = sum(steps.shape[1] for steps in both) / 3  # each channel has three columns
    if not counted:
        raise SourceError("no two ticks in one frame: their density says nothing")
    return Density(size / taken, sum(min(map(_bits, steps)) for steps in both) / 8 / counted)


def _differences(column: NDArray[np.int32], begin: NDArray[np.int64]) -> NDArray[np.int32]:
    """Return a column's differences from the value before and from the mean of four, (2, n); ``begin`` is the place of
    the first tick of each tick's frame."""
    ticks = np.arange(len(column))
    four = [column[np.maximum(ticks - back, begin)] for back in (1, 2, 3, 4)]
    return np.stack([column - four[0], column - ((sum(four) + 2) >> 2)])


def _bits(steps: NDArray[np.int32]) -> float:
    """Return the bits that all of these take together by their entropy."""
    _, counts = np.unique(steps, return_counts=True)
    return float((counts * -np.log2(counts / len(steps))).sum())
