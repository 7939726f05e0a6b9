"""Blocks of small numbers (WIRE.md 2.1), unpacked for many frames at once.

Every frame is a lane. All lanes are at the same block, and within it at the same number; a step takes one number from
each of them: it gathers the 64 bits that begin in the lane's byte, shifts them, and looks the upper 16 up in a table
that says, for this lane's parameter, the number and how many bits it took. Numbers too long for the table (and the
escapes) are rare and are done by themselves. A lane never steers the loop: the count of steps comes from the header's
counts, so nonsense costs what sense costs, and its end is looked at afterwards.

Lanes whose block holds pairs or plain numbers go through it by themselves, behind the others of that block.

``walk`` goes through the blocks of one frame and keeps nothing: the cheaper way to check only a few.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

ESCAPE = 12  # so many ones, and no zero behind them, announce a number in full
LARGEST_K = 11
MEAN = 12  # before a parameter: differences from the mean of four, not from the value before
PAIRS = 13
PLAIN = 14
ALL_ZERO = 15
BLOCK = 64
HEADS = 3  # so many blocks come before the runs; they have no mean to differ from
_REACH = 16  # bits that the table looks at
_NOTHING = LARGEST_K + 1  # the page of lanes that take no number: 0, in no bits
_BY_ITSELF = -1


@cache
def _numbers() -> NDArray[np.int32]:
    """Return, for page x 65536 + next 16 bits, length << 24 | number; -1 where a number needs more than 16 bits."""
    upper = np.arange(1 << _REACH, dtype=np.int32)
    ones = _leading_ones(upper >> (_REACH - ESCAPE))
    pages = []
    for k in range(LARGEST_K + 1):
        length = ones + 1 + k
        number = (ones << k) | ((upper >> np.maximum(_REACH - length, 0)) & ((1 << k) - 1))
        pages.append(np.where((ones == ESCAPE) | (length > _REACH), _BY_ITSELF, length << 24 | number))
    pages.append(np.zeros_like(upper))
    return np.concatenate(pages).astype(np.int32)


def _leading_ones(twelve: NDArray[Any]) -> NDArray[Any]:
    """Count the ones at the front of numbers of twelve bits."""
    count = np.zeros_like(twelve)
    for bits in range(1, ESCAPE + 1):
        count += (twelve >> (ESCAPE - bits)) == (1 << bits) - 1
    return count


def windows(data: bytes) -> NDArray[np.uint64]:
    """Return for each byte of ``data`` the 64 bits that begin there, most significant first (zeros past the end)."""
    eights = len(data) // 8 + 1
    padded = data + bytes(8 * eights + 16 - len(data))
    out = np.empty(8 * eights, np.uint64)
    for first in range(8):
        out[first::8] = np.frombuffer(padded, ">u8", eights, first)
    return out


@cache
def _pairs_table() -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Return, for each 12 bits that a pair may begin with, how many ones are in front, shape (4096,), and the two
    numbers that they mean, (2, 4096)."""
    ones = _leading_ones(np.arange(1 << ESCAPE))
    pairs = [(total - second, second) for total in range(5) for second in range(total + 1)]
    return ones, np.array(pairs[: ESCAPE + 1], np.int32).T[:, ones]


@dataclass(frozen=True)
class Plan:
    """What the lanes hold, block by block; lanes are in falling order of ``blocks``.

    ``counts(block, lanes)`` and ``widths(block, lanes)`` give, for the first ``lanes`` lanes, how many numbers that
    block has and how many bits an escaped one takes.
    """

    blocks: Ints
    counts: Callable[[int, int], Ints]
    widths: Callable[[int, int], Ints]


class Kept(NamedTuple):
    """One block, of the lanes that have it: numbers, (numbers, lanes), and in which a mean is before them, (lanes,)."""

    numbers: NDArray[np.int32]
    mean: NDArray[np.bool_]


def unpack(
    window: NDArray[np.uint64], start: Ints, end: Ints, plan: Plan, *, keep: bool
) -> tuple[Ints, NDArray[np.bool_], list[Kept]]:
    """Read every block of every lane.

    ``start`` is each lane's first bit and ``end`` the bit behind its last, shape (lanes,). Returns where each lane
    ended (past ``end`` if its frame was too short: look), which lanes had a parameter where it is not in use, and, if
    ``keep``, what each block holds.
    """
    at = start.astype(np.int64)
    refused = np.zeros(len(at), bool)
    kept: list[Kept] = []
    last = int(plan.blocks[0]) if len(at) else 0
    for block in range(last):
        lanes = int(np.searchsorted(-plan.blocks, -block, side="left"))
        here = at[:lanes]
        parameter, mean = _parameter(window, here)
        refused[:lanes] |= (parameter == MEAN) | (mean & (block < HEADS))
        counts = plan.counts(block, lanes)
        parameter[refused[:lanes] | (counts == 0) | (here > end[:lanes])] = ALL_ZERO
        numbers = np.zeros((int(counts.max()), lanes), np.int32) if keep else None
        widths = partial(plan.widths, block, lanes)
        _block(window, here, np.minimum(parameter, _NOTHING), counts, widths, numbers)
        for form, read in ((PAIRS, _pairs), (PLAIN, _plain)):
            some = np.flatnonzero(parameter == form)
            if len(some):
                here[some] = read(window, here[some], counts[some], widths()[some], some, numbers)
        if numbers is not None:
            kept.append(Kept(numbers, mean))
    return at, refused, kept


def _parameter(window: NDArray[np.uint64], at: Ints) -> tuple[Ints, NDArray[np.bool_]]:
    """Return each lane's parameter and whether a mean is before it; advance ``at`` over both."""
    parameter = _peek(window, at, 4)
    at += 4
    mean = parameter == MEAN
    if mean.any():
        parameter[mean] = _peek(window, at[mean], 4)
        at += 4 * mean
    return parameter, mean


def _pairs(
    window: NDArray[np.uint64],
    at: Ints,
    counts: Ints,
    widths: Ints,
    lanes: Ints,
    numbers: NDArray[np.int32] | None,
) -> Ints:
    """Read the blocks of pairs of these lanes; return where they end. The partner of an odd last number is dropped."""
    all_ones, pairs = _pairs_table()
    for step in range((int(counts.max()) + 1) // 2):
        begin = _peek(window, at, ESCAPE)
        ones = all_ones.take(begin)
        escaped = np.flatnonzero(ones == ESCAPE)
        length = ones + 1
        length[escaped] = ESCAPE + 2 * widths[escaped]
        if numbers is not None:
            for second, values in enumerate(pairs):
                row = values.take(begin)
                for place in escaped:
                    where, width = at[place : place + 1] + ESCAPE, int(widths[place])
                    row[place] = _peek(window, where + second * width, width)[0]
                taken = 2 * step + second < counts
                numbers[min(2 * step + second, len(numbers) - 1), lanes[taken]] = row[taken]
        at = at + (2 * step < counts) * length
    return at


def _plain(
    window: NDArray[np.uint64],
    at: Ints,
    counts: Ints,
    widths: Ints,
    lanes: Ints,
    numbers: NDArray[np.int32] | None,
) -> Ints:
    """Read the blocks of these lanes whose numbers stand as they are; return where they end."""
    if numbers is not None:
        for width in np.unique(widths):
            some = widths == width
            place = np.arange(len(numbers))[:, None]
            values = _peek(window, at[some] + place * width, int(width))
            numbers[:, lanes[some]] = np.where(place < counts[some], values, 0)
    return at + counts * widths


def _peek(window: NDArray[np.uint64], at: Ints, bits: int) -> Ints:
    """Return the next ``bits`` (at most 57) of each lane."""
    words = window.take(at >> 3, mode="clip") << (at & 7).view(np.uint64)
    return (words >> np.uint64(64 - bits)).view(np.int64)


def _block(
    window: NDArray[np.uint64],
    at: Ints,
    page: Ints,
    counts: Ints,
    widths: Callable[[], Ints],
    numbers: NDArray[np.int32] | None,
) -> None:
    """Advance ``at`` over one block in every lane, putting the numbers into ``numbers`` if it is there."""
    busy = np.flatnonzero(page != _NOTHING)
    if not len(busy):
        return
    if 4 * len(busy) > 3 * len(at):
        _steps(window, at, page, counts, widths, numbers)
        return
    some = at[busy]
    inner = None if numbers is None else np.zeros((len(numbers), len(busy)), np.int32)
    _steps(window, some, page[busy], counts[busy], lambda: widths()[busy], inner)
    at[busy] = some
    if numbers is not None and inner is not None:
        numbers[:, busy] = inner


def _steps(
    window: NDArray[np.uint64],
    at: Ints,
    page: Ints,
    counts: Ints,
    widths: Callable[[], Ints],
    numbers: NDArray[np.int32] | None,
) -> None:
    """As _block, for lanes of which most have something to read."""
    table = _numbers()
    ends = set(counts.tolist())
    offset = page << _REACH
    shift, spot, entry = np.empty_like(at), np.empty_like(at), np.empty(len(at), np.int32)
    word = np.empty(len(at), np.uint64)
    upper, room = word.view(np.int64), np.uint64(64 - _REACH)
    for step in range(int(counts.max())):
        if step and step in ends:
            offset[counts <= step] = _NOTHING << _REACH
        np.right_shift(at, 3, out=spot)
        np.take(window, spot, out=word, mode="clip")
        np.bitwise_and(at, 7, out=shift)
        np.left_shift(word, shift.view(np.uint64), out=word)
        np.right_shift(word, room, out=word)
        np.add(upper, offset, out=spot)
        np.take(table, spot, out=entry, mode="clip")
        if entry.min() < 0:
            _by_themselves(window, at, offset >> _REACH, widths, entry, None if numbers is None else numbers[step])
        elif numbers is not None:
            np.bitwise_and(entry, 0xFFFFFF, out=numbers[step])
        np.right_shift(entry, 24, out=entry)
        at += entry


def _by_themselves(
    window: NDArray[np.uint64],
    at: Ints,
    page: Ints,
    widths: Callable[[], Ints],
    entry: NDArray[np.int32],
    numbers: NDArray[np.int32] | None,
) -> None:
    """Do the lanes whose number the table does not hold; leave in ``entry`` the length << 24 of every lane."""
    if numbers is not None:
        np.bitwise_and(entry, 0xFFFFFF, out=numbers)
    long = np.flatnonzero(entry < 0)
    bits = _peek(window, at[long], 48)
    k, width = page[long], widths()[long]
    ones = _leading_ones(bits >> (48 - ESCAPE))
    escaped = ones == ESCAPE
    length = np.where(escaped, ESCAPE + width, ones + 1 + k)
    low = (bits >> (48 - length)) & ((1 << np.where(escaped, width, k)) - 1)
    if numbers is not None:
        numbers[long] = np.where(escaped, low, (ones << k) | low)
    entry[long] = length << 24


def walk(bits: str, blocks: list[tuple[int, int]]) -> int | None:
    """Go through the blocks, (numbers, bits of an escaped one), of one frame's columns, a text of 0 and 1.

    Returns where they end, past the end of ``bits`` if that is too short; None if a parameter is where it is not in
    use.
    """
    at, size = 0, len(bits)
    for place, (numbers, width) in enumerate(blocks):
        k = int(bits[at : at + 4].ljust(4, "0"), 2)
        at += 4
        if k == MEAN and place >= HEADS:
            k = int(bits[at : at + 4].ljust(4, "0"), 2)
            at += 4
        if k == MEAN:
            return None if at <= size else at
        if k == PLAIN:
            at += numbers * width
        elif k == PAIRS:
            at = _walk_symbols(bits, at, (numbers + 1) // 2, 0, 2 * width)
        elif k != ALL_ZERO:
            at = _walk_symbols(bits, at, numbers, k, width)
        if at > size:
            return at
    return at


def _walk_symbols(bits: str, at: int, symbols: int, low: int, escaped: int) -> int:
    """Go over symbols of some ones and, behind a zero, ``low`` bits, or of ``ESCAPE`` ones and ``escaped`` bits."""
    find, size = bits.find, len(bits)
    for _ in range(symbols):
        zero = find("0", at, at + ESCAPE)
        at = zero + 1 + low if zero >= 0 else at + ESCAPE + escaped
        if at > size:
            return at
    return at
