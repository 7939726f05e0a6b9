"""The trend of the last 24 hours out of the journal: after a reset, or where nobody looked at it before.

Of each frame only the first tick is decoded, which is a value in two minutes or so: a tenth of what the whole frame
would cost. Loaded for as long as it runs, a frame a turn. Earlier boots are placed by how they ended: one that was
followed by a reset (``boot`` event, WIRE.md section 3) ends where the next begins; before one after which the power was
off, for who knows how long, nothing is taken.
"""

import asyncio
import binascii
import json
import struct

from micropython import const

from pitlogger import wits

_PIECE = const(256)
_TICKS = const(1)
_RESETS = ("watchdog", "soft")
_ESCAPE = const(12)
_PAIRS = b"\x00\x10\x01\x20\x11\x02\x30\x21\x12\x03\x40\x31"  # the two of each place, 4 bits each
_DAY_MS = 86400000
_LEAST, _MOST = const(24), const(4096)


class Heads:
    """Reads the first tick of a frame of ticks; ``hot``, ``cold`` and ``fault`` hold the codes of each channel in
    ``table`` that has a chip. Source: WIRE.md sections 2.1 and 2.2."""

    def __init__(self, frame):
        count = frame[23] & 15
        self.table = bytes(frame[24 : 24 + count])
        self._frame, self._at = frame, 8 * (24 + count)
        chips = len([entry for entry in self.table if entry >> 4])
        self.hot, self.cold, self.fault = self._block(chips, 24), self._block(chips, 16), self._block(chips, 16)

    def _bits(self, count):
        value, frame = 0, self._frame
        for at in range(self._at, self._at + count):
            value = value << 1 | frame[at >> 3] >> 7 - (at & 7) & 1
        self._at += count
        return value

    def _block(self, n, width):
        """Return n values, each of which was written as its difference from the one before."""
        k = self._bits(4)
        numbers = [0] * n if k == 15 else []
        while len(numbers) < n:
            ones = _ESCAPE
            if k != 14:
                ones = 0
                while ones < _ESCAPE and self._bits(1):
                    ones += 1
            if ones == _ESCAPE:
                numbers.append(self._bits(width))
                if k == 13:
                    numbers.append(self._bits(width))
            elif k == 13:
                numbers += [_PAIRS[ones] >> 4, _PAIRS[ones] & 15]
            else:
                numbers.append(ones << k | self._bits(k))
        half, value, values = 1 << width - 1, 0, []
        for z in numbers[:n]:
            value = (value + (-(z >> 1) - 1 if z & 1 else z >> 1) + half & 2 * half - 1) - half
            values.append(value)
        return values


async def refill(journal, boot, cause, channels, trend):
    """Fill ``trend`` for ``channels`` (``local.Present`` or None); ``boot`` and ``cause`` are of this boot."""
    boots = [[boot, 0, cause in _RESETS]]  # [boot, ms at its end, whether a reset began it]; the others in order

    def see(number, uptime, frame, whole):
        if number == boot:
            return
        if boots[-1][0] != number:
            boots.append([number, 0, False])
        if frame[1] == _TICKS:
            boots[-1][1] = max(boots[-1][1], uptime + _span_ms(frame))
        elif whole:
            said = json.loads(bytes(frame[20:-4]))
            if said["event"] == "boot":
                boots[-1][2] = said["cause"] in _RESETS

    await _each_frame(journal, see)
    shifts, at, later = {boot: 0}, 0, boots[0]
    for earlier in reversed(boots[1:]):
        if not later[2] or earlier[0] != later[0] - 1 & 0xFFFF or at > _DAY_MS:
            break
        at += earlier[1]
        shifts[earlier[0]], later = at, earlier

    def take(number, uptime, frame, whole):
        if frame[1] == _TICKS and number in shifts:
            uptime -= shifts[number]
            last = uptime + _span_ms(frame) - 1  # a frame is somewhat longer than a point, and is to leave no gap
            if last - uptime >= 2000 * trend.step_s:
                last = uptime
            _take(Heads(frame), uptime // 1000, last // 1000, channels, trend)

    await _each_frame(journal, take)


def _span_ms(frame):
    return frame[22] * (frame[20] | frame[21] << 8)


def _take(heads, first_s, last_s, channels, trend):
    at = 0
    for i, entry in enumerate(heads.table):
        if not entry >> 4:
            continue
        hot, cold, fault = heads.hot[at], heads.cold[at], heads.fault[at]
        at += 1
        channel = channels[i] if i < len(channels) else None
        if channel is not None and channel.entry == entry and not wits.word(entry, hot, cold, fault):
            value = wits.hundredths(entry, hot, cold)
            if value is not None:
                trend.remember(i, first_s, last_s, value + channel.offset)


async def _each_frame(journal, see):
    """Call ``see(boot, uptime, frame, whole)`` for each sound frame, ``frame`` being its first 256 bytes. What damage
    hides of a segment is left out."""
    buf = bytearray(_PIECE)
    for name in list(journal.segments()):
        at = 16
        while True:
            try:
                with open(journal.path(name), "rb") as f:
                    f.seek(at)
                    got = f.readinto(buf)
                    length = buf[2] | buf[3] << 8
                    if got < _LEAST or buf[0] != 0xC1 or not _LEAST <= length <= _MOST:
                        break
                    f.seek(at)
                    crc, left = 0, length - 4
                    while left:
                        piece = f.read(min(left, _PIECE // 2))
                        if not piece:
                            break
                        crc, left = binascii.crc32(piece, crc), left - len(piece)
                    if f.read(4) != struct.pack("<I", crc):
                        break
                boot, _, low, high = struct.unpack_from("<HIIH", buf, 8)
                see(boot, low + (high << 32), memoryview(buf)[: min(length, got)], length <= got)
            except (OSError, ValueError, KeyError):
                break
            at += length
            await asyncio.sleep_ms(0)
