"""The frame encoder, as WIRE.md sections 1 to 3 have it. It works in turns, so that the sampler never waits for it."""

import asyncio
import binascii
import json
import struct
from array import array

from micropython import const

MAX_FRAME = const(4096)
HEAD = const(20)
TICKS = const(1)
EVENT = const(2)

_MARK = const(0xC1)
_RUN = const(64)  # numbers in a block of a run
_ESCAPE = const(12)  # so many 1 bits say that the number follows as it is
_TOP_K = const(11)
_MEAN, _PAIRS, _PLAIN, _ALL_ZERO = const(12), const(13), const(14), const(15)
_EVENT_TEXT = const(480)
_WIDE, _NARROW = const(24), const(16)
_WIDE_CHIPS = const(0b1011100)  # bit n: the hot codes of chip nibble n are 24 bits wide



def longest(table, ticks):
    """Return how long the frame of so many ticks of a channel table can get. [bytes]

    Each number as it is; 8 bits a block for its parameter and a mean before it; a bitmap of 255 ticks.
    """
    columns = bits = 0
    for entry in table:
        if entry >> 4:
            columns += 3
            bits += (_WIDE if _WIDE_CHIPS >> (entry >> 4) & 1 else _NARROW) + 2 * _NARROW
    bits = bits * ticks + columns * 8 * (ticks // _RUN + 1) + len(table) * (_WIDE + 2 * _NARROW) + 12
    return HEAD + 4 + len(table) + 32 + (bits + 7) // 8 + 4


class Block:
    """Memory for the ticks of one frame, filled by the sampler, read by the encoder.

    ``columns`` are hot, cold and fault, each with the codes of all channels of the first tick, then of the next;
    ``missed`` is the bitmap of WIRE.md section 2; ``ticks`` counts all, ``present`` those with values.
    """

    def __init__(self, ticks, channels):
        n = ticks * channels
        self.columns = array("i", bytes(4 * n)), array("h", bytes(2 * n)), array("h", bytes(2 * n))
        self.missed = bytearray(32)
        self.clear()

    def clear(self):
        """Make the block empty."""
        self.ticks = self.present = 0
        self._end = 0  # of the codes there are
        self.high = self.low = 0  # uptime of the first tick, two halves of 24 bits
        for i in range(len(self.missed)):
            self.missed[i] = 0

    def put(self, row):
        """Append a tick: hot, cold and fault of each channel, one channel behind the other. Allocates nothing."""
        hot, cold, fault = self.columns
        at = self._end
        for i in range(0, len(row), 3):
            hot[at] = row[i]
            cold[at] = row[i + 1]
            fault[at] = row[i + 2]
            at += 1
        self._end = at
        self.ticks += 1
        self.present += 1


class Encoder:
    """Makes frames of one logger, boot and channel table. One tick frame at a time: its memory is used again.

    ``ticks`` are the most that are present in a frame.
    """

    def __init__(self, logger, boot, table, period_ms, ticks=255):
        self._logger = logger
        self._boot = boot
        self._table = table
        self._period = period_ms
        self._columns = [i for i in range(len(table)) if table[i] >> 4]
        self._buf = bytearray(min(MAX_FRAME, longest(table, ticks)))
        self._z = array("i", bytes(4 * (_RUN + 1)))  # differences from the value before, as numbers
        self._y = array("i", bytes(4 * (_RUN + 1)))  # differences from the mean of four
        self._cost = 0  # bits of the symbols in the form found last
        self._pos = self._acc = self._bits = 0

    async def ticks(self, block):
        """Encode a block but for its sequence number; return the length of the frame. ``seal`` ends it."""
        pos = self._head_of_ticks(block)
        self._pos, self._acc, self._bits = pos, 0, 0
        for column in range(3):
            self._heads(block, column)
            await asyncio.sleep_ms(0)
        for channel in self._columns:
            for column in range(3):
                for first in range(1, block.present, _RUN):
                    await self._run(block, channel, column, first)
        if self._bits:
            self._put(0, 8 - self._bits)
        return self._pos + 4

    def seal(self, block, length, sequence):
        """Give the encoded frame its head and CRC; return it, as a view of memory that the next frame overwrites."""
        return _seal(self._buf, TICKS, length, self._logger, self._boot, sequence, block.high, block.low)

    def event(self, sequence, uptime, name, fields):
        """Return an event frame. Raises ValueError if its text is longer than WIRE.md section 3 allows."""
        body = {"event": name}
        body.update(fields)
        text = json.dumps(body, separators=(",", ":")).encode()
        if len(text) > _EVENT_TEXT:
            raise ValueError("event: text too long")
        buf = bytearray(HEAD + len(text) + 4)
        buf[HEAD:-4] = text
        return _seal(buf, EVENT, len(buf), self._logger, self._boot, sequence, uptime >> 24, uptime & 0xFFFFFF)

    def _head_of_ticks(self, block):
        buf, n, c = self._buf, block.ticks, len(self._table)
        gaps = 0x80 if block.present < n else 0
        struct.pack_into("<HBB", buf, HEAD, self._period, n, gaps | c)
        pos = HEAD + 4
        buf[pos : pos + c] = self._table
        pos += c
        if gaps:
            for i in range((n + 7) // 8):
                buf[pos] = block.missed[i]
                pos += 1
        return pos

    def _heads(self, block, column):
        width = _WIDE if column == 0 else _NARROW
        before = n = 0
        for channel in self._columns:
            value = block.columns[column][channel]
            self._z[n] = _zigzag(value - before, width)
            before = value
            n += 1
        self._block(self._z, n, width, self._form(self._z, n, width))  # without any chip: three empty blocks

    async def _run(self, block, channel, column, first):
        """Write the block of ticks ``first`` to ``first + 63`` (as many as there are), in the shorter of both ways."""
        width = _WIDE if column == 0 and _WIDE_CHIPS >> (self._table[channel] >> 4) & 1 else _NARROW
        n = min(_RUN, block.present - first)
        codes = block.columns[column]
        self._steps(codes, channel, first, n, width)
        numbers = self._z
        form = self._form(numbers, n, width)
        await asyncio.sleep_ms(0)
        if form != _ALL_ZERO:
            cost = self._cost
            self._strays(codes, channel, first, n, width)
            other = self._form(self._y, n, width)
            if self._cost + 4 < cost:
                numbers, form = self._y, other
                self._put(_MEAN, 4)
            await asyncio.sleep_ms(0)
        self._block(numbers, n, width, form)
        await asyncio.sleep_ms(0)

    def _steps(self, codes, channel, first, n, width):
        """Put into ``_z`` what n values of a column differ from the one before each."""
        z, stride = self._z, len(self._table)
        at = channel + first * stride
        before = codes[at - stride]
        for i in range(n):
            value = codes[at]
            at += stride
            z[i] = 0 if value == before else _zigzag(value - before, width)
            before = value

    def _strays(self, codes, channel, first, n, width):
        """Put into ``_y`` what n values of a column differ from the mean of the four before each; the column's first
        stands for those before it."""
        y, stride = self._y, len(self._table)
        a = codes[channel + max(first - 4, 0) * stride]
        b = codes[channel + max(first - 3, 0) * stride]
        c = codes[channel + max(first - 2, 0) * stride]
        at = channel + first * stride
        d = codes[at - stride]
        for i in range(n):
            value = codes[at]
            at += stride
            y[i] = _zigzag(value - ((a + b + c + d + 2) >> 2), width)
            a, b, c, d = b, c, d, value

    def _form(self, z, n, width):
        """Return the parameter that makes n numbers shortest, of several the least, or 15 for all 0.

        How many bits they then take is kept in ``_cost``.
        """
        top = 0
        for i in range(n):
            if z[i] > top:
                top = z[i]
        self._cost = 0
        if not top:
            return _ALL_ZERO
        best, least = _PLAIN, n * width
        pairs = self._pairs(z, n, width)
        if pairs <= least:
            best, least = _PAIRS, pairs
        k = min(_TOP_K, _bits(top))
        while k >= 0:
            bits = n * (k + 1)
            for i in range(n):
                q = z[i] >> k
                bits += q if q < _ESCAPE else width + _ESCAPE - 1 - k
            if bits <= least:
                best, least = k, bits
            k -= 1
        self._cost = least
        return best

    def _pairs(self, z, n, width):
        """Return how many bits n numbers take in pairs."""
        z[n] = 0  # the partner of an odd last one
        bits = 0
        for i in range(0, n, 2):
            ones = _ones(z[i], z[i + 1])
            bits += ones + 1 if ones < _ESCAPE else _ESCAPE + 2 * width
        return bits

    def _block(self, z, n, width, k):
        """Write a block of n numbers with the parameter ``k`` (WIRE.md section 2.1)."""
        self._put(k, 4)
        if k == _PLAIN:
            for i in range(n):
                self._whole(z[i], width)
        elif k == _PAIRS:
            for i in range(0, n, 2):
                ones = _ones(z[i], z[i + 1])
                if ones < _ESCAPE:
                    self._put((2 << ones) - 2, ones + 1)
                else:
                    self._put(0xFFF, _ESCAPE)
                    self._whole(z[i], width)
                    self._whole(z[i + 1], width)
        elif k != _ALL_ZERO:
            low = (1 << k) - 1
            for i in range(n):
                v = z[i]
                q = v >> k
                if q < _ESCAPE:
                    self._put((2 << q) - 2, q + 1)
                    if k:
                        self._put(v & low, k)
                else:
                    self._put(0xFFF, _ESCAPE)
                    self._whole(v, width)

    def _whole(self, v, width):
        """Append a number as it is."""
        self._put(v >> 12, width - 12)
        self._put(v & 0xFFF, 12)

    def _put(self, value, count):
        """Append ``count`` bits (13 at most: then all stays a small integer on the board)."""
        acc = self._acc << count | value
        bits = self._bits + count
        while bits >= 8:
            bits -= 8
            self._buf[self._pos] = acc >> bits
            self._pos += 1
            acc &= (1 << bits) - 1
        self._acc = acc
        self._bits = bits


def _bits(value):
    """Return how many bits a number has."""
    n = 0
    while value:
        value >>= 1
        n += 1
    return n


def _ones(a, b):
    """Return the place of a pair among all pairs, by their sum and then by the second; 12 where it is 12 or more."""
    total = a + b
    if total > 4:
        return _ESCAPE
    ones = (total * (total + 1) >> 1) + b
    return ones if ones < _ESCAPE else _ESCAPE


def _zigzag(difference, width):
    span = 1 << width
    d = difference & (span - 1)
    return ((span - d) << 1) - 1 if d & (span >> 1) else d << 1


def _seal(buf, kind, length, logger, boot, sequence, high, low):
    struct.pack_into("<BBHIHI", buf, 0, _MARK, kind, length, logger, boot, sequence)
    struct.pack_into("<HBHB", buf, 14, low & 0xFFFF, low >> 16, high & 0xFFFF, high >> 16)
    frame = memoryview(buf)[:length]
    struct.pack_into("<I", buf, length - 4, binascii.crc32(frame[:-4]))
    return frame
