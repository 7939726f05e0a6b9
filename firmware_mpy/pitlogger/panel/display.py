"""SSD1306 or SH1106, 128 x 64, on I2C: a frame in memory, and the pieces of it that changed on their way to the glass.

A whole frame takes 100 ms of a 100 kHz bus, on which thermocouple chips may be too; so it is never sent at once. A
``step`` sends one piece of 8 or 16 columns and 8 rows, in one transfer: 2.2 ms. Of what the glass has there is no copy:
a number of 24 bits a piece says whether it changed. One piece a frame is sent whether it did or not, so that nothing
stays on the glass that should not be there.

Sources, both from memory: SSD1306 data sheet (Solomon Systech, Rev 1.1), table 9-1 (commands), sections 8.1.5.2
(control bytes), 10.1 (page addressing); SH1106 data sheet (Sino Wealth, V2.2): the same page addressing, a memory of
132 columns of which a 128-column glass shows those from 2 on, command ADh for the pump.
"""

from array import array

from framebuf import MONO_VLSB, FrameBuffer
from micropython import const

_FASTER = const(80000)  # Hz: from here on 16 columns fit into what the bus allows a transfer (5 ms), from 40000 on 8
_BYTES = const(1024)
_HEAD = const(7)
_LOOKS = const(128)  # bytes looked at in a step
_ON = b"\x00\xaf"

# Control byte 00: commands follow, to the end of the transfer. Display off, clock D5, all rows A8, no offset D3, first
# line 40, ... pins DA, contrast 81, pre-charge D9, VCOMH DB, from memory A4, not inverted A6.
_SETTINGS = {
    # 8D 14: charge pump on; 20 02: page addressing; 2E: no scrolling.
    "ssd1306": (
        b"\x00\xae\xd5\x80\xa8\x3f\xd3\x00\x40\x8d\x14\x20\x02", b"\x00\xda\x12\x81\x7f\xd9\xf1\xdb\x20\x2e\xa4\xa6"
    ),
    # AD 8B: converter on.
    "sh1106": (b"\x00\xae\xd5\x80\xa8\x3f\xd3\x00\x40\xad\x8b", b"\x00\xda\x12\x81\x80\xd9\x22\xdb\x35\xa4\xa6"),
}
_TURNED = {0: b"\x00\xa1\xc8", 180: b"\x00\xa0\xc0"}  # columns and rows from the other end


class Display:
    """``bus`` is an ``i2c.I2cBus`` of so many Hz; ``canvas`` the frame to draw on, a ``framebuf.FrameBuffer``."""

    def __init__(self, bus, kind, address, turn, baud):
        self._bus = bus
        self._address = address
        self._begin = _SETTINGS[kind] + (_TURNED[turn],)
        self._first = 2 if kind == "sh1106" else 0
        self._piece = 16 if baud >= _FASTER else 8
        self._frame = bytearray(_BYTES)
        self._sums = array("i", bytes(4 * _BYTES // self._piece))  # of the pieces that the glass has
        self.canvas = FrameBuffer(self._frame, 128, 64, MONO_VLSB)
        # Control bytes 80: one command each; 40: data follow, to the end of the transfer.
        self._out = bytearray(b"\x80\xb0\x80\x00\x80\x10\x40" + bytes(self._piece))
        self._at = self._anyway = 0
        self._all = True  # what the glass has is not known

    def start(self):
        """Set the chip up; what its memory holds at power-on is not shown before the first frame is. OSError."""
        for commands in self._begin:
            self._send(commands)
        self._at = 0
        self._all = True

    def step(self):
        """Send the next piece that changed, or look at some that have not. True until the frame's end. OSError."""
        frame, sums = self._frame, self._sums  # four at once would be a tuple, on the heap
        out, size = self._out, self._piece
        looks = _LOOKS
        while looks > 0:
            at = self._at
            if at == _BYTES:
                self._at = 0
                self._anyway = (self._anyway + size) & 1023
                if self._all:
                    self._send(_ON)
                    self._all = False
                return False
            total = 1
            for i in range(size):
                byte = frame[at + i]
                total = (total * 33 ^ byte) & 0xFFFFFF
                out[_HEAD + i] = byte
            self._at = at + size
            if self._all or at == self._anyway or total != sums[at // size]:
                sums[at // size] = total
                column = (at & 127) + self._first
                out[1] = 0xB0 | at >> 7  # page: eight rows
                out[3] = column & 15
                out[5] = 0x10 | column >> 4
                self._send(out)
                return True
            looks -= size
        return True

    def _send(self, data):
        try:
            self._bus.take().writeto(self._address, data)
        except OSError as error:
            self._bus.failed(error)
            raise
