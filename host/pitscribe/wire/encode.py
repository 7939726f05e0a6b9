"""The reference encoder for tick frames (WIRE.md 2), for tests, the bench and imports.

It is written to be compared with the specification line by line, one number after the other, and shares nothing with
the decoder but constants. The encoder that matters runs on the logger.
"""

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import FrameError
from .layout import MOST_CHANNELS, PERIODS, channel_code, hot_bits, stretches_of
from .rice import ALL_ZERO, ESCAPE, LARGEST_K, MEAN, PAIRS, PLAIN
from .values import Channel

Form = tuple[bool, int]  # whether a block's numbers differ from the mean of four, and its parameter
Picker = Callable[[list[int], list[int] | None, int], Form]
_FORMS = (*range(LARGEST_K + 1), PAIRS, PLAIN)


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

    ``pick`` chooses the form of a block from its numbers, those that differ from the mean (None in a head), and their
    width; ``shortest`` if None. Raises FrameError.
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
    head, bitmap = _tick_header(period_ms, present, codes, missed)
    bits = _columns([column.tolist() for column in columns], codes, pick or shortest)
    bits += "0" * (-len(bits) % 8)
    return head + int("1" + bits, 2).to_bytes(len(bits) // 8 + 1, "big")[1:] + bitmap


def _column(name: str, values: ArrayLike, channels: int) -> NDArray[np.int64]:
    array = np.asarray(values)
    if array.ndim != 2 or array.shape[1] != channels or array.dtype.kind not in "iu":
        raise FrameError("body", f"{name} must be integers of shape (ticks, {channels}), not {array.shape}")
    return array.astype(np.int64)


def _tick_header(period_ms: int, present: int, codes: list[int], missed: Sequence[int]) -> tuple[bytes, bytes]:
    """Return period, ticks, shape and channel table, and the bitmap that stands behind the columns."""
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
    head = period_ms.to_bytes(2, "little") + bytes([ticks, len(codes) | (0x80 if lost else 0), *codes])
    return head, bytes(bitmap)


def _columns(columns: list[list[list[int]]], codes: list[int], pick: Picker) -> str:
    """Return all blocks as a text of 0 and 1; ``columns`` is hot, cold, fault, each by tick and channel."""
    channels = [place for place, code in enumerate(codes) if code >> 4]
    bits = []
    for column, width in zip(columns, (24, 16, 16), strict=True):
        bits.append(_block(_numbers([0] + [column[0][place] for place in channels], width), None, width, pick))
    runs = []
    for place in channels:
        widths = (hot_bits(codes[place]), 16, 16)
        for column, width in zip(columns, widths, strict=True):
            values = [tick[place] for tick in column]
            if not all(-1 << (width - 1) <= value < 1 << (width - 1) for value in values):
                raise FrameError("body", f"channel {place}: a code does not fit in {width} bits")
            runs.append((_numbers(values, width), _strays(values, width), width))
    for first, end in stretches_of(len(columns[0])):
        for steps, strays, width in runs:
            bits.append(_block(steps[first - 1 : end - 1], strays[first - 1 : end - 1], width, pick))
    return "".join(bits)


def _numbers(values: list[int], width: int) -> list[int]:
    """Return for each value but the first the number that stands for its difference from the one before."""
    return [_number(value - before, width) for before, value in pairwise(values)]


def _strays(values: list[int], width: int) -> list[int]:
    """Return for each value but the first the number that stands for its difference from the mean of four."""
    out = []
    for tick in range(1, len(values)):
        four = [values[max(tick - back, 0)] for back in (1, 2, 3, 4)]
        out.append(_number(values[tick] - (sum(four) + 2) // 4, width))
    return out


def _number(difference: int, width: int) -> int:
    half = 1 << (width - 1)
    step = (difference + half) % (2 * half) - half
    return 2 * step if step >= 0 else -2 * step - 1


def _block(steps: list[int], strays: list[int] | None, width: int, pick: Picker) -> str:
    mean, form = pick(steps, strays, width)
    numbers = strays if mean and strays is not None else steps
    head = (f"{MEAN:04b}" if mean else "") + f"{form:04b}"
    if form == ALL_ZERO:
        return head
    if form == PLAIN:
        return head + "".join(f"{number:0{width}b}" for number in numbers)
    if form == PAIRS:
        return head + "".join(_pair(first, second, width) for first, second in _in_pairs(numbers))
    return head + "".join(_symbol(number, form, width) for number in numbers)


def _symbol(number: int, k: int, width: int) -> str:
    ones = number >> k
    if ones >= ESCAPE:
        return "1" * ESCAPE + f"{number:0{width}b}"
    return "1" * ones + "0" + (f"{number & ((1 << k) - 1):0{k}b}" if k else "")


def _pair(first: int, second: int, width: int) -> str:
    ones = _ones(first, second)
    return "1" * ESCAPE + f"{first:0{width}b}{second:0{width}b}" if ones >= ESCAPE else "1" * ones + "0"


def _ones(first: int, second: int) -> int:
    """Return the place of a pair among all pairs, ordered by their sum and then by the second."""
    return (first + second) * (first + second + 1) // 2 + second


def _in_pairs(numbers: list[int]) -> list[tuple[int, int]]:
    even = numbers + [0] * (len(numbers) % 2)
    return list(zip(even[::2], even[1::2], strict=True))


def shortest(steps: list[int], strays: list[int] | None, width: int) -> Form:
    """Return the form that makes the block shortest; of several the first as WIRE.md 2.1 orders them."""
    if not any(steps):
        return False, ALL_ZERO
    form = min(_FORMS, key=lambda form: block_bits(steps, form, width))
    if strays is None:
        return False, form
    other = min((*_FORMS, ALL_ZERO), key=lambda form: block_bits(strays, form, width))
    closer = 4 + block_bits(strays, other, width) < block_bits(steps, form, width)
    return (True, other) if closer else (False, form)


def block_bits(numbers: list[int], form: int, width: int) -> int:
    """Return how many bits the symbols of a block take."""
    if form == PLAIN:
        return width * len(numbers)
    if form == ALL_ZERO:
        return 0 if not any(numbers) else 1 << 30
    if form == PAIRS:
        return sum(len(_pair(first, second, width)) for first, second in _in_pairs(numbers))
    return sum(number_bits(number, form, width) for number in numbers)


def number_bits(number: int, k: int, width: int) -> int:
    """Return how many bits a number takes."""
    return (number >> k) + 1 + k if number >> k < ESCAPE else ESCAPE + width
