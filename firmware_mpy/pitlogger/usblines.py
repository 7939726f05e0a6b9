"""The text lines of WIRE.md section 6: one put together from a stream with anything in between, and one written.

    ~<letter><payload>~<CRC-32 of letter and payload, 8 hex digits>
"""

import asyncio
import binascii
import select

from micropython import const

_LEAST = const(11)  # of a line: mark, letter, mark and CRC
_PIECE = const(64)  # bytes a write: what the USB hardware takes at once
_TURN = const(256)  # bytes written before others have their turn
_PAUSE_MS = const(20)


class Unread(Exception):
    """Nobody reads the console, or it is gone."""


class Lines:
    """Takes bytes, gives the payload of each sound line that begins with ``start``; all else is passed over.

    Holds at most ``most`` bytes. ``mangled`` counts lines that began so and are too long or do not check.
    """

    def __init__(self, start, most):
        self._start = start
        self._most = most
        self._buf = bytearray()
        self._skip = False  # until the next line's end
        self.mangled = 0

    def take(self, byte):
        """Take one byte, as a number; return the payload of the line that it ends, or None."""
        if byte == 10 or byte == 13:
            return self._end()
        buf = self._buf
        if self._skip:
            return None
        if len(buf) < len(self._start) and byte != self._start[len(buf)]:
            self.forget()
        elif len(buf) == self._most:
            self.mangled += 1
            self.forget()
        else:
            buf.append(byte)
        return None

    def forget(self):
        """Let go of the line that has begun."""
        self._skip = True
        if self._buf:
            self._buf = bytearray()

    def _end(self):
        line = self._buf
        self._skip = False
        if not line:
            return None
        self._buf = bytearray()
        if len(line) < len(self._start):
            return None
        body = memoryview(line)[1:-9]
        if len(line) < _LEAST or line[-9:] != b"~%08x" % binascii.crc32(body):
            self.mangled += 1
            return None
        return bytes(line[len(self._start) : -9])


class Writer:
    """Writes lines to a console that may be read, or not, or be gone.

    A write that the hardware has no room for would stop the whole program (500 ms on the board). So they are short,
    each is asked for before, and after one that comes short there is a pause.
    """

    def __init__(self, stdout, clock, patience_ms):
        self._out = stdout.buffer
        self._clock = clock
        self._patience = patience_ms
        self._room = select.poll()
        self._room.register(stdout, select.POLLOUT)

    async def line(self, letter, payload):
        """Write a line, ``letter`` and ``payload`` being bytes. Raises Unread.

        A line begins with a newline of its own, because the console may have stopped anywhere in its text.
        """
        crc = binascii.crc32(payload, binascii.crc32(letter))
        await self.write(b"\n~" + letter)
        await self.write(payload)
        await self.write(b"~%08x\n" % crc)

    async def write(self, data):
        """Write bytes as they are. Raises Unread."""
        clock, data, at = self._clock, memoryview(data), 0
        since = clock.ticks_ms()
        while at < len(data):
            count = 0
            if self._room.poll(0):
                # None is what a stream that would have to wait gives.
                try:
                    count = self._out.write(data[at : at + _PIECE]) or 0
                except OSError:
                    raise Unread
                at += count
            if count:
                since = clock.ticks_ms()
            if count < _PIECE and at < len(data):
                if clock.ticks_diff(clock.ticks_ms(), since) > self._patience:
                    raise Unread
                await asyncio.sleep_ms(_PAUSE_MS)
            elif at % _TURN == 0:
                await asyncio.sleep_ms(0)
