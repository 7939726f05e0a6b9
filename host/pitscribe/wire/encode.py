"""The reference encoder for tick frames (WIRE.md 2), for tests, the bench and imports.

It is written to be compared with the specification line by line, one number after the other, and shares nothing with
the decoder but constants. The encoder that matters runs on the logger.
"""

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import FrameError
from .layout import MOST_CHANNELS, PERIODS, channel_code, hot_bits
from .rice import ALL_ZERO, BLOCK, ESCAPE, LARGEST_K
from .values import Channel

Picker = Callable[[list[int], int], int]


def tick_body(
    period_ms: int,
    table: Sequence[Channel],
    hot: ArrayLike,
    cold: ArrayLike,
    fault: ArrayLike,
    missed: Sequence[int] = (),
    pick: Picker | None = None,
) -> bytes:
    """Return the body of a tick frame; see ``frames.encode_ticks``.

    ``pick`` chooses the parameter of a block from its numbers and their width; ``shortest`` if None. Raises FrameError.
    """
    if not 1 <= len(table) <= MOST_CHANNELS:
        raise FrameError("body", f"{len(table)} entries in the channel table; 1 to {MOST_CHANNELS} fit")
    try:
        codes = [channel_code(entry) for entry in table]
    except ValueError as error:
        raise FrameError("body", str(error)) from None
    columns = [_column(name, values, len(table)) for name, values in (("hot", hot), ("cold", cold), ("fault", fault))]
    present = len(columns[0])
    if any(len(column) != present for column in columns):
        raise FrameError("body", "hot, cold and fault have not the same number of ticks")
    head = _tick_header(period_ms, present, codes, missed)
    bits = _columns([column.tolist() for column in columns], codes, pick or shortest)
    bits += "0" * (-len(bits) % 8)
    return head + int("1" + bits, 2).to_bytes(len(bits) // 8 + 1, "big")[1:]


def _column(name: str, values: ArrayLike, channels: int) -> NDArray[np.int64]:
    array = np.asarray(values)
    if array.ndim != 2 or array.shape[1] != channels or array.dtype.kind not in "iu":
        raise FrameError("body", f"{name} must be integers of shape (ticks, {channels}), not {array.shape}")
    return array.astype(np.int64)


def _tick_header(period_ms: int, present: int, codes: list[int], missed: Sequence[int]) -> bytes:
    """Return period, ticks, shape, channel table and bitmap."""
    lost = sorted(set(missed))
    ticks = present + len(lost)
    if present < 1 or ticks > 255:
        raise FrameError("body", f"{present} ticks and {len(lost)} missed ones; 1 to 255 fit, the first not missed")
    if not PERIODS[0] <= period_ms <= PERIODS[1]:
        raise FrameError("body", f"period {period_ms} ms; {PERIODS[0]} to {PERIODS[1]} fit")
    if lost and not 1 <= lost[0] <= lost[-1] < ticks:
        raise FrameError("body", f"missed ticks {lost} of {ticks}: they count from 0, and tick 0 is never missed")
    bitmap = bytearray((ticks + 7) // 8 if lost else 0)
    for tick in lost:
        bitmap[tick // 8] |= 0x80 >> tick % 8
    return period_ms.to_bytes(2, "little") + bytes([ticks, len(codes) | (0x80 if lost else 0), *codes]) + bytes(bitmap)


def _columns(columns: list[list[list[int]]], codes: list[int], pick: Picker) -> str:
    """Return all blocks as a text of 0 and 1; ``columns`` is hot, cold, fault, each by tick and channel."""
    channels = [place for place, code in enumerate(codes) if code >> 4]
    bits = []
    for column, width in zip(columns, (24, 16, 16), strict=True):
        bits.append(_block(_numbers([0] + [column[0][place] for place in channels], width), width, pick))
    for place in channels:
        widths = (hot_bits(codes[place]), 16, 16)
        for column, width in zip(columns, widths, strict=True):
            values = [tick[place] for tick in column]
            if not all(-1 << (width - 1) <= value < 1 << (width - 1) for value in values):
                raise FrameError("body", f"channel {place}: a code does not fit in {width} bits")
            numbers = _numbers(values, width)
            bits += [_block(numbers[at : at + BLOCK], width, pick) for at in range(0, len(numbers), BLOCK)]
    return "".join(bits)


def _numbers(values: list[int], width: int) -> list[int]:
    """Return for each value but the first the number that stands for its difference from the one before."""
    half, out = 1 << (width - 1), []
    for before, value in pairwise(values):
        step = (value - before + half) % (2 * half) - half
        out.append(2 * step if step >= 0 else -2 * step - 1)
    return out


def _block(numbers: list[int], width: int, pick: Picker) -> str:
    k = pick(numbers, width)
    if k == ALL_ZERO:
        return "1111"
    return f"{k:04b}" + "".join(_symbol(number, k, width) for number in numbers)


def _symbol(number: int, k: int, width: int) -> str:
    ones = number >> k
    if ones >= ESCAPE:
        return "1" * ESCAPE + f"{number:0{width}b}"
    return "1" * ones + "0" + (f"{number & ((1 << k) - 1):0{k}b}" if k else "")


def shortest(numbers: list[int], width: int) -> int:
    """Return the parameter that makes the block shortest; of several the smallest k; 15 if all are 0."""
    if not any(numbers):
        return ALL_ZERO

    def bits(k: int) -> int:
        return sum(number_bits(number, k, width) for number in numbers)

    return min(range(LARGEST_K + 1), key=bits)


def number_bits(number: int, k: int, width: int) -> int:
    """Return how many bits a number takes."""
    return (number >> k) + 1 + k if number >> k < ESCAPE else ESCAPE + width
