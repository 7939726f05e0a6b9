"""From the blocks of many tick frames to columns of codes (WIRE.md 2.1 and 2.2, read backwards)."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .layout import Layout, Unpacked, channel, stretches_of
from .rice import BLOCK, Ints
from .values import Head, TickRun

Codes = NDArray[np.int32]


def runs(heads: list[Head], layout: Layout, unpacked: Unpacked) -> list[TickRun]:
    """Put frames without a problem together by logger, boot and channel table."""
    groups: dict[tuple[int, int, bytes], list[int]] = {}
    for row, head in enumerate(heads):
        table = layout.table[row, : layout.entries[row]].tobytes()
        groups.setdefault((head.key.logger, head.key.boot, table), []).append(row)
    uptime = np.array([head.uptime_ms for head in heads], np.int64)
    lane = np.empty(len(heads), np.int64)
    lane[unpacked.lanes] = np.arange(len(heads))
    return [_run(group, np.array(rows), uptime, lane, layout, unpacked) for group, rows in groups.items()]


class _Part(NamedTuple):
    uptime: Ints
    period: Ints
    codes: list[Codes]  # hot, cold, fault, each (n, channels with columns)
    missed: Ints


def _run(
    group: tuple[int, int, bytes], rows: Ints, uptime: Ints, lane: Ints, layout: Layout, unpacked: Unpacked
) -> TickRun:
    """Make one run of the frames ``rows``, all of one logger, boot and table."""
    logger, boot, table = group
    stretches = unpacked.stretches[lane[rows]]
    parts = [_part(rows[stretches == some], uptime, lane, layout, unpacked) for some in np.unique(stretches)]
    when = np.concatenate([part.uptime for part in parts])
    period = np.concatenate([part.period for part in parts]).astype(np.int32)
    codes = [np.concatenate([part.codes[column] for part in parts]) for column in range(3)]
    if (when[1:] <= when[:-1]).any():
        order = np.argsort(when, kind="stable")
        when, period, codes = when[order], period[order], [column[order] for column in codes]
    real = [place for place, code in enumerate(table) if code >> 4]
    if len(real) < len(table):
        codes = [_spread(column, real, len(table)) for column in codes]
    missed = np.sort(np.concatenate([part.missed for part in parts]))
    hot, cold, fault = codes
    return TickRun(logger, boot, tuple(channel(code) for code in table), when, period, hot, cold, fault, missed)


def _spread(codes: Codes, real: list[int], entries: int) -> Codes:
    """Put the columns at their channels' places, zeros at the others."""
    out = np.zeros((len(codes), entries), np.int32)
    out[:, real] = codes
    return out


def _part(rows: Ints, uptime: Ints, lane: Ints, layout: Layout, unpacked: Unpacked) -> _Part:
    """Make the ticks of frames that have the same channels and the same number of stretches."""
    present, ticks, period = layout.present[rows], layout.ticks[rows], layout.period[rows]
    codes = _codes(rows, lane[rows], layout, unpacked)
    longest = codes[0].shape[1]
    if (present == longest).all():
        flat = [column.reshape(longest * len(rows), column.shape[2]) for column in codes]
    else:
        there = np.arange(longest) < present[:, None]
        flat = [column[there] for column in codes]
    place = np.arange(layout.missed.shape[1])
    taken, missed = place < ticks[:, None], layout.missed[rows]
    frame, tick = np.nonzero(taken & ~missed)
    gap, lost = np.nonzero(missed)
    return _Part(
        uptime[rows][frame] + tick * period[frame],
        period[frame],
        flat,
        uptime[rows][gap] + lost * period[gap],
    )


def _codes(rows: Ints, lanes: Ints, layout: Layout, unpacked: Unpacked) -> list[Codes]:
    """Return hot, cold and fault of such frames, each (frames, most ticks present, channels with columns)."""
    count, wide = int(layout.columns[rows[0]]), layout.wide[rows[0]]
    longest = int(layout.present[rows].max())
    stretches = stretches_of(longest)
    numbers = np.zeros((longest, 3, count, len(rows)), np.int32)
    mean = np.zeros((len(stretches), 3, count, len(rows)), bool)
    for kind in range(3):
        numbers[0, kind] = unpacked.blocks[kind].numbers[:count, lanes]
    blocks = iter(unpacked.blocks[3:])
    for stretch, (first, end) in enumerate(stretches):
        for place in range(count):
            for kind in range(3):
                kept = next(blocks)
                numbers[first:end, kind, place] = kept.numbers[: end - first, lanes]
                mean[stretch, kind, place] = kept.mean[lanes]
    steps = (numbers >> 1) ^ -(numbers & 1)
    heads = np.array([8, 16, 16], np.int32)[:, None, None]  # bits above the W that counts, of 32
    steps[0] = _wrap(steps[0].cumsum(axis=1, dtype=np.int32), heads)
    above = np.full((3, count, 1), 16, np.int32)
    above[0, wide[:count], 0] = 8
    values = _sums(steps, mean, above)
    return [np.ascontiguousarray(values[:, kind].transpose(2, 0, 1)) for kind in range(3)]


def _sums(steps: Codes, mean: NDArray[np.bool_], above: Codes) -> Codes:
    """Turn differences into values, tick by tick; the first tick's are values already. (ticks, 3, channels, frames)

    ``mean`` says of each stretch of ticks which columns differ from the mean of the four values before.
    """
    if not mean.any():
        values = _wrap(steps.cumsum(axis=0, dtype=np.int32), above)
        values[0] = steps[0]  # that of a head, which is wider
        return values
    values = steps.copy()
    four = 4 * steps[0]  # the sum of the four values before: 26 bits
    for tick in range(1, len(steps)):
        before = np.where(mean[tick // BLOCK], (four + 2) >> 2, values[tick - 1])
        values[tick] = _wrap(before + steps[tick], above)
        four += values[tick] - values[max(tick - 4, 0)]
    return values


def _wrap(values: Codes, above: Codes) -> Codes:
    """Read the bits below the ``above`` upper ones of 32 as a signed number."""
    return (values << above) >> above
