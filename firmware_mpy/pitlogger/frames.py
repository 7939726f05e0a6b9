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
_RUN = const(32)  # numbers in a block of a run
_ESCAPE = const(12)  # so many 1 bits say that the number follows as it is
_TOP_K = const(11)
_ALL_ZERO = const(15)
_EVENT_TEXT = const(480)
_WIDE, _NARROW = const(24), const(16)
_WIDE_CHIPS = const(0b1011100)  # bit n: the hot codes of chip nibble n are 24 bits wide

# The longest a channel and tick can get, in bits: hot 12 + 24, cold and fault 12 + 16 each.
WORST_BITS = const(92)


class Block:
    """Memory for the ticks of one frame, filled by the sampler, read by the encoder.

    ``codes`` holds hot, cold and fault of every channel of every tick present; ``missed`` is the bitmap of WIRE.md
    section 2; ``ticks`` counts all, ``present`` those with values.
    """

    def __init__(self, ticks, channels):
        self.codes = array("i", bytes(4 * 3 * ticks * channels))
        self.missed = bytearray(32)
        self.clear()

    def clear(self):
        """Make the block empty."""
        self.ticks = self.present = 0
        self.high = self.low = 0  # uptime of the first tick, two halves of 24 bits
        for i in range(len(self.missed)):
            self.missed[i] = 0


class Encoder:
    """Makes frames of one logger, boot and channel table. One tick frame at a time: its memory is used again."""

    def __init__(self, logger, boot, table, period_ms):
        self._logger = logger
        self._boot = boot
        self._table = table
        self._period = period_ms
        self._columns = [i for i in range(len(table)) if table[i] >> 4]
        self._buf = bytearray(MAX_FRAME)
        self._z = array("i", bytes(4 * _RUN))
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
                    self._run(block, channel, column, first)
                    await asyncio.sleep_ms(0)
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
            value = block.codes[channel * 3 + column]
            self._z[n] = _zigzag(value - before, width)
            before = value
            n += 1
        self._block(n, width)  # a table without any chip has three empty blocks

    def _run(self, block, channel, column, first):
        """Write the block of differences of ticks ``first`` to ``first + 31`` (as many as there are)."""
        codes, z = block.codes, self._z
        width = _WIDE if column == 0 and _WIDE_CHIPS >> (self._table[channel] >> 4) & 1 else _NARROW
        n = min(_RUN, block.present - first)
        stride = 3 * len(self._table)
        at = first * stride + channel * 3 + column
        before = codes[at - stride]
        for i in range(n):
            value = codes[at]
            at += stride
            z[i] = 0 if value == before else _zigzag(value - before, width)
            before = value
        self._block(n, width)

    def _parameter(self, n, width):
        """Return the k that makes these numbers shortest (the least k of those that do), or 15 for all 0."""
        z = self._z
        top = 0
        for i in range(n):
            if z[i] > top:
                top = z[i]
        if not top:
            return _ALL_ZERO
        best = least = -1
        k = 0
        while True:
            bits = n * (k + 1)
            for i in range(n):
                q = z[i] >> k
                bits += q if q < _ESCAPE else width + _ESCAPE - 1 - k
            if least < 0 or bits < least:
                best, least = k, bits
            if k == _TOP_K or not top >> k:
                return best
            k += 1

    def _block(self, n, width):
        """Write the first ``n`` numbers of ``_z`` as one block of WIRE.md section 2.1."""
        k = self._parameter(n, width)
        self._put(k, 4)
        if k == _ALL_ZERO:
            return
        low = (1 << k) - 1
        z = self._z
        for i in range(n):
            v = z[i]
            q = v >> k
            if q < _ESCAPE:
                self._put((2 << q) - 2, q + 1)
                if k:
                    self._put(v & low, k)
            else:
                self._put(0xFFF, _ESCAPE)
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
