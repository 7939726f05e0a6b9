"""The frame encoder, as WIRE.md sections 1 to 3 have it. It works in turns, so that the sampler never waits for it."""

import asyncio
import binascii
import json
import struct
from array import array

from micropython import const

from pitlogger.rice import ALL_ZERO, MEAN, Bits, zigzag
from pitlogger.stretch import STRETCH

MAX_FRAME = const(4096)
HEAD = const(20)
TICKS = const(1)
EVENT = const(2)

_MARK = const(0xC1)
_CRC = const(4)
_MOST_TICKS = const(255)  # the missed ones included
_MAP = const(32)  # bytes of the bitmap of so many ticks
_EVENT_TEXT = const(480)
_WIDE, _NARROW = const(24), const(16)
_WIDE_CHIPS = const(0b1011100)  # bit n: the hot codes of chip nibble n are 24 bits wide


class Encoder:
    """Makes frames of one logger, boot and channel table. One tick frame is open at a time: its memory is used again.

    A stretch of ticks is encoded when it is full, so a frame of several costs no more memory for ticks than one does.
    ``ticks`` are the most with values in a frame; above 64 whole stretches of 64 go into it. ``present`` counts those
    in the open frame, 0 where none is open.
    """

    def __init__(self, logger, boot, table, period_ms, ticks=STRETCH):
        self._logger = logger
        self._boot = boot
        self._table = table
        self._period = period_ms
        self._most = ticks
        self._channels = [i for i in range(len(table)) if table[i] >> 4]
        stretch = min(ticks, STRETCH)
        # Room for one stretch at its worst, and for those before it, which are taken for what they are, a byte a
        # channel and tick: twice of what they need. Where that does not do, the frame ends sooner.
        size = HEAD + 4 + len(table) + self._worst(stretch) + len(table) * (ticks - stretch) + _MAP + _CRC
        self._bits = Bits(bytearray(min(MAX_FRAME, size)))
        self._missed = bytearray(_MAP)
        self._fours = array("i", bytes(4 * 4 * 3 * len(table)))  # the four values before, of each column
        self.clear()

    def clear(self):
        """Let go of the open frame."""
        self.present = self._ticks = 0
        self._high = self._low = 0  # uptime of its first tick, two halves of 24 bits

    @property
    def full(self):
        """Whether the open frame ends here."""
        return self.present + STRETCH > self._most

    def takes(self, stretch):
        """Return whether the open frame, if there is one, can go on with a stretch; else it must be sealed before."""
        return not self.present or (
            self._whole
            and self.present % STRETCH == 0
            and (stretch.high, stretch.low) == self._due()
            and self._ticks + stretch.ticks <= _MOST_TICKS
            and self._bits.pos + 1 + self._worst(stretch.present) + _MAP + _CRC <= len(self._bits.buf)
        )

    async def add(self, stretch):
        """Encode a stretch into the open frame, or open one with it. After a MemoryError ``back`` is to be called."""
        first = 0
        if not self.present:
            self._open(stretch)
            for column in range(3):
                self._heads(stretch.columns[column], column)
                await asyncio.sleep_ms(0)
            first = 1  # tick 0 is in the heads
        if stretch.present > first:
            for channel in self._channels:
                for column in range(3):
                    await self._run(stretch, channel, column, first)
        if stretch.ticks > stretch.present:
            for i in range(stretch.ticks):
                if stretch.missed[i >> 3] & 0x80 >> (i & 7):
                    at = self._ticks + i
                    self._missed[at >> 3] |= 0x80 >> (at & 7)
        self._ticks += stretch.ticks
        self.present += stretch.present
        self._bits.keep()

    def back(self):
        """Be as before a stretch that could not be added whole. An open frame takes no more: how its columns ended is
        not known any more."""
        self._bits.back()
        self._whole = False

    def seal(self, sequence):
        """Return the open frame with its head and CRC, as a view of memory that the next stretch overwrites."""
        buf, n = self._bits.buf, self._ticks
        gaps = n > self.present
        struct.pack_into("<HBB", buf, HEAD, self._period, n, (0x80 if gaps else 0) | len(self._table))
        pos = self._bits.end()
        if gaps:
            for i in range((n + 7) // 8):
                buf[pos] = self._missed[i]
                pos += 1
        return _seal(buf, TICKS, pos + _CRC, self._logger, self._boot, sequence, self._high, self._low)

    def event(self, sequence, uptime, name, fields):
        """Return an event frame. Raises ValueError if its text is longer than WIRE.md section 3 allows."""
        body = {"event": name}
        body.update(fields)
        text = json.dumps(body, separators=(",", ":")).encode()
        if len(text) > _EVENT_TEXT:
            raise ValueError("event: text too long")
        buf = bytearray(HEAD + len(text) + _CRC)
        buf[HEAD:-_CRC] = text
        return _seal(buf, EVENT, len(buf), self._logger, self._boot, sequence, uptime >> 24, uptime & 0xFFFFFF)

    def _worst(self, ticks):
        """Return how many bytes a stretch can take: each number as it is, and 8 bits a block for its parameter and a
        mean before it. The three blocks of heads, whose hot codes are 24 bits wide, are allowed for."""
        bits = len(self._table) * (_WIDE - _NARROW) + 12
        for channel in self._channels:
            bits += (self._width(channel, 0) + 2 * _NARROW) * ticks + 3 * 8
        return (bits + 7) // 8

    def _width(self, channel, column):
        return _WIDE if column == 0 and _WIDE_CHIPS >> (self._table[channel] >> 4) & 1 else _NARROW

    def _due(self):
        """Return the uptime of the tick behind those in the open frame, as halves of 24 bits."""
        low = self._low + self._ticks * self._period
        return self._high + (low >> 24), low & 0xFFFFFF

    def _open(self, stretch):
        self._whole = True  # until it has to go back
        self._high, self._low = stretch.high, stretch.low
        for i in range(_MAP):
            self._missed[i] = 0
        pos = HEAD + 4 + len(self._table)
        self._bits.buf[HEAD + 4 : pos] = self._table
        self._bits.begin(pos)

    def _heads(self, codes, column):
        """Write what the first tick has in a column, of all channels; it stands for the four values before, too."""
        bits, fours = self._bits, self._fours
        width = _NARROW if column else _WIDE
        before = n = 0
        for channel in self._channels:
            value = codes[channel]
            bits.steps[n] = zigzag(value - before, width)
            at = 4 * (3 * channel + column)
            fours[at] = fours[at + 1] = fours[at + 2] = fours[at + 3] = before = value
            n += 1
        bits.block(bits.steps, n, width, bits.form(bits.steps, n, width))  # without any chip: three empty blocks

    async def _run(self, stretch, channel, column, first):
        """Write the block of a column's values from tick ``first`` of the stretch on, in the shorter of both ways."""
        bits, codes = self._bits, stretch.columns[column]
        width = self._width(channel, column)
        n = stretch.present - first
        self._steps(codes, channel, column, first, n, width)
        numbers = bits.steps
        form = bits.form(numbers, n, width)
        await asyncio.sleep_ms(0)
        if form != ALL_ZERO:
            cost = bits.cost
            self._strays(codes, channel, column, first, n, width)
            other = bits.form(bits.strays, n, width)
            if bits.cost + 4 < cost:
                numbers, form = bits.strays, other
                bits.put(MEAN, 4)
            await asyncio.sleep_ms(0)
        bits.block(numbers, n, width, form)
        at, stride = 4 * (3 * channel + column), len(self._table)
        for back in range(min(4, stretch.present)):
            self._fours[at + 3 - back] = codes[channel + (stretch.present - 1 - back) * stride]
        await asyncio.sleep_ms(0)

    def _steps(self, codes, channel, column, first, n, width):
        """Say what n values of a column differ from the one before each."""
        z, stride = self._bits.steps, len(self._table)
        at = channel + first * stride
        before = self._fours[4 * (3 * channel + column) + 3]
        for i in range(n):
            value = codes[at]
            at += stride
            z[i] = 0 if value == before else zigzag(value - before, width)
            before = value

    def _strays(self, codes, channel, column, first, n, width):
        """Say what n values of a column differ from the mean of the four before each."""
        z, stride, fours = self._bits.strays, len(self._table), self._fours
        at = 4 * (3 * channel + column)
        a, b = fours[at], fours[at + 1]  # not all four at once: that would make a tuple of them
        c, d = fours[at + 2], fours[at + 3]
        at = channel + first * stride
        for i in range(n):
            value = codes[at]
            at += stride
            z[i] = zigzag(value - ((a + b + c + d + 2) >> 2), width)
            a, b = b, c
            c, d = d, value


def _seal(buf, kind, length, logger, boot, sequence, high, low):
    struct.pack_into("<BBHIHI", buf, 0, _MARK, kind, length, logger, boot, sequence)
    struct.pack_into("<HBHB", buf, 14, low & 0xFFFF, low >> 16, high & 0xFFFF, high >> 16)
    frame = memoryview(buf)[:length]
    struct.pack_into("<I", buf, length - _CRC, binascii.crc32(frame[:-_CRC]))
    return frame
