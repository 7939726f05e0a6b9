"""Where the parts of many tick frames lie, and whether they may lie so (WIRE.md 2)."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .rice import BLOCK, Ints, Kept, Plan, unpack, walk, windows
from .values import Channel

# The chips in the order of their nibbles, and how many bits a hot code of theirs takes (WIRE.md 2, W).
HOT_BITS = {
    "none": 0, "max31855": 16, "max31856": 24, "max31856-gain8": 24, "max31856-gain32": 24, "mcp9600": 16,
    "mcp9600-adc": 24,
}
CHIPS = tuple(HOT_BITS)
TYPES = "BEJKNRST"
MARK = 0xC1
SHORTEST, LONGEST = 24, 4096  # bytes in a frame
HEADER = 20  # bytes of every frame before its body
CRC_SIZE = 4
MOST_CHANNELS = 8
PERIODS = (250, 60000)  # ms
_MOST_TICKS = 255
_WIDE = np.array([*(bits == 24 for bits in HOT_BITS.values()), *[False] * (16 - len(HOT_BITS))])  # by nibble
_LANES_PAY = 30  # frames of one size from which lanes are cheaper than walks: measured


def channel(code: int) -> Channel:
    """Return what a byte of a channel table says. Raises ValueError if a nibble is not in use."""
    if code >> 4 >= len(CHIPS) or code & 15 >= len(TYPES):
        raise ValueError(f"channel table has {code:02x}, which format 1 does not use")
    return Channel(CHIPS[code >> 4], TYPES[code & 15])


def channel_code(entry: Channel) -> int:
    """Return the byte of a channel table. Raises ValueError for a chip or a type that the format does not have."""
    if entry.chip not in CHIPS or len(entry.tc) != 1 or entry.tc not in TYPES:
        raise ValueError(f"no code for chip {entry.chip!r} with type {entry.tc!r}")
    return CHIPS.index(entry.chip) << 4 | TYPES.index(entry.tc)


def hot_bits(code: int) -> int:
    """Return how many bits a hot code takes in the runs of a channel with this byte in the table."""
    return HOT_BITS[channel(code).chip]


def stretches_of(present: int) -> list[tuple[int, int]]:
    """Return from where to where the ticks of each stretch go, of which tick 0 is not in the runs."""
    return [(max(first, 1), min(first + BLOCK, present)) for first in range(0, present, BLOCK) if present > 1]


@dataclass(frozen=True)
class Layout:
    """Tick frames laid open, one row a frame, in the order given."""

    problem: list[str]  # what is wrong with the frame, or ""
    period: Ints
    ticks: Ints  # N
    missed: NDArray[np.bool_]  # (frames, 255)
    present: Ints  # M
    table: NDArray[np.uint8]  # (frames, 8), 0 beyond the entries there are
    entries: Ints  # C
    columns: Ints  # channels that have columns
    wide: NDArray[np.bool_]  # (frames, 8): the channels with columns, in order: is hot 24 bits wide?
    start: Ints  # bit at which the columns begin, counted from the first frame's first byte
    end: Ints  # bit behind the columns


def lay_open(data: bytes, offsets: Ints, lengths: Ints) -> Layout:
    """Read the headers of the tick frames that lie at ``offsets`` in ``data``; each is at least 24 bytes."""
    raw = np.frombuffer(data + bytes(HEADER + 4 + MOST_CHANNELS + 32), np.uint8)

    def at(place: Any, count: int) -> NDArray[np.uint8]:
        return raw[np.asarray(place)[:, None] + np.arange(count)]

    fixed = at(offsets + HEADER, 4).astype(np.int64)
    period, ticks, shape = fixed[:, 0] | fixed[:, 1] << 8, fixed[:, 2], fixed[:, 3]
    entries = shape & 15
    table = at(offsets + HEADER + 4, MOST_CHANNELS)
    table = np.where(np.arange(MOST_CHANNELS) < entries[:, None], table, 0).astype(np.uint8)
    mapped = shape >= 128
    map_size = np.where(mapped, (ticks + 7) // 8, 0)
    begin, behind = offsets + HEADER + 4 + entries, offsets + lengths - CRC_SIZE - map_size
    bits = np.unpackbits(at(behind, 32), axis=1).astype(bool) & mapped[:, None]
    inside = np.arange(256) < ticks[:, None]
    missed = bits & inside
    beyond = bits & ~inside & (np.arange(256) < 8 * map_size[:, None])
    start, end = 8 * begin, 8 * behind
    chips = table >> 4
    rules = [
        ((period < PERIODS[0]) | (period > PERIODS[1]), "period outside 250 to 60000 ms"),
        (ticks < 1, "no ticks"),
        ((shape & 0x70) != 0, "reserved bits of shape are set"),
        ((entries < 1) | (entries > MOST_CHANNELS), "channel table has not 1 to 8 entries"),
        (((chips >= len(CHIPS)) | (table & 15 >= len(TYPES))).any(axis=1), "channel table has a nibble not in use"),
        (start > end, "ends within the header"),
        (missed[:, 0], "tick 0 is marked as missed"),
        (beyond.any(axis=1), "bitmap marks ticks that there are not"),
    ]
    wide = np.zeros((len(offsets), MOST_CHANNELS), bool)
    real = chips > 0
    rows, places = np.nonzero(real)
    wide[rows, real.cumsum(axis=1)[rows, places] - 1] = _WIDE[chips[rows, places]]
    return Layout(
        _first_problem(rules, len(offsets)), period, ticks, missed[:, :_MOST_TICKS], ticks - missed.sum(axis=1), table,
        entries, real.sum(axis=1), wide, start, end,
    )


def _first_problem(rules: list[tuple[NDArray[np.bool_], str]], count: int) -> list[str]:
    """Return for each frame the text of the first rule that it breaks, or ""."""
    problem = [""] * count
    for broken, text in reversed(rules):
        for row in np.flatnonzero(broken):
            problem[row] = text
    return problem


@dataclass(frozen=True)
class Unpacked:
    """Blocks of the frames that have no problem."""

    lanes: Ints  # row in the layout of each lane
    blocks: list[Kept]
    stretches: Ints  # by lane: blocks in the run of one column


def unpack_columns(data: bytes, layout: Layout) -> Unpacked:
    """Read the columns of all frames that have no problem yet, and note in ``layout.problem`` what is wrong."""
    return _unpack(data, layout, keep=True)


def check_columns(data: bytes, layout: Layout) -> None:
    """As ``unpack_columns``, but keep nothing."""
    rows = np.array([row for row, problem in enumerate(layout.problem) if not problem], np.int64)
    numbers = layout.columns[rows] * layout.present[rows]
    if numbers.sum() > _LANES_PAY * numbers.max(initial=0):
        _unpack(data, layout, keep=False)
        return
    ends = [_walk(data, layout, row) for row in rows.tolist()]
    at = np.array([layout.start[row] if end is None else end for row, end in zip(rows, ends, strict=True)], np.int64)
    _judge(data, layout, rows, at, np.array([end is None for end in ends], bool))


def _unpack(data: bytes, layout: Layout, *, keep: bool) -> Unpacked:
    sound = np.array([row for row, text in enumerate(layout.problem) if not text], np.int64)
    present = layout.present[sound]
    stretches = np.where(present > 1, (present + BLOCK - 1) // BLOCK, 0)
    blocks = 3 + 3 * layout.columns[sound] * stretches
    order = np.argsort(-blocks, kind="stable")
    lanes, stretches, blocks = sound[order], stretches[order], blocks[order]
    plan = _plan(layout, lanes, stretches, blocks)
    at, refused, kept = unpack(windows(data), layout.start[lanes], layout.end[lanes], plan, keep=keep)
    _judge(data, layout, lanes, at, refused)
    return Unpacked(lanes, kept, stretches)


def _walk(data: bytes, layout: Layout, row: int) -> int | None:
    """Return where the columns of one frame end, or None if a parameter is not in use."""
    start, behind = int(layout.start[row]), int(layout.end[row])
    columns, present = int(layout.columns[row]), int(layout.present[row])
    widths = [width for wide in layout.wide[row, :columns].tolist() for width in (24 if wide else 16, 16, 16)]
    blocks = [(columns, 24), (columns, 16), (columns, 16)]
    for first, end in stretches_of(present):
        blocks += [(end - first, width) for width in widths]
    stream = data[start // 8 : behind // 8]
    found = walk(f"{int.from_bytes(stream, 'big'):0{8 * len(stream)}b}" if stream else "", blocks)
    return None if found is None else start + found


def _judge(data: bytes, layout: Layout, rows: Ints, at: Ints, refused: NDArray[np.bool_]) -> None:
    """Note what is wrong with the columns of the frames ``rows``, whose blocks end at the bits ``at``."""
    left = layout.end[rows] - at
    last = np.frombuffer(data, np.uint8)[layout.end[rows] // 8 - 1]
    rules = [
        (refused, "a block has a parameter not in use"),
        (left < 0, "columns run past the end"),
        (left >= 8, "bytes left over behind the columns"),
        (last & ((1 << np.clip(left, 0, 7)) - 1) != 0, "padding is not zero"),
    ]
    for row, text in zip(rows.tolist(), _first_problem(rules, len(rows)), strict=True):
        layout.problem[row] = text


def _plan(layout: Layout, lanes: Ints, stretches: Ints, blocks: Ints) -> Plan:
    """Say for the lanes how many numbers each block has, and how wide they are (WIRE.md 2.2)."""
    columns, present, wide = layout.columns[lanes], layout.present[lanes], layout.wide[lanes]
    of_stretch = np.maximum(3 * columns, 1)  # blocks

    def counts(block: int, some: int) -> Ints:
        if block < 3:
            return columns[:some].copy()
        stretch = (block - 3) // of_stretch[:some]
        ticks: Ints = np.where(stretch == stretches[:some] - 1, present[:some] - BLOCK * stretch, BLOCK)
        ticks -= stretch == 0  # without tick 0
        return ticks

    def widths(block: int, some: int) -> Ints:
        if block < 3:
            return np.full(some, 16 if block else 24)
        column = (block - 3) % of_stretch[:some]
        hot = (column % 3 == 0) & wide[np.arange(some), column // 3]
        return np.where(hot, 24, 16)

    return Plan(blocks, counts, widths)
