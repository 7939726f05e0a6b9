"""MAX31855: one read of four bytes. Counts stay integers; the host makes degrees of them.

Source: Maxim 19-5793 Rev 5, tables 1 to 5 (memory map).
"""

from micropython import const

_HOT, _COLD, _FAULT = const(0), const(1), const(2)
_BAD_WORD = const(0x0200)


def decode(word, codes, at):
    """Put hot, cold and fault of a four-byte word into ``codes[at]`` to ``codes[at + 2]``."""
    # Field by field: the 32-bit word as one number would be a heap object on the board.
    hot = word[0] << 6 | word[1] >> 2
    cold = word[2] << 4 | word[3] >> 4
    fault = word[3] & 0x07
    # D17 and D3 are always 0, and D16 says whether any of D2..D0 is set. A line stuck high breaks the first two;
    # one stuck low is a legal 0 degC and cannot be told here.
    if word[1] & 0x02 or word[3] & 0x08 or (word[1] & 0x01) != (1 if fault else 0):
        fault |= _BAD_WORD
    codes[at + _HOT] = hot - 0x4000 if hot & 0x2000 else hot
    codes[at + _COLD] = cold - 0x1000 if cold & 0x0800 else cold
    codes[at + _FAULT] = fault


class MAX31855:
    """One chip on a bus (a ``chips.Bus``) with a select pin that is high at rest."""

    def __init__(self, bus, cs):
        self._bus = bus
        self._cs = cs
        self._word = bytearray(4)

    def configure(self):
        """Nothing: the chip has no settings. It converts on its own, every 100 ms at most."""

    def read(self, codes, at):
        """Read hot, cold and fault into ``codes[at]`` to ``codes[at + 2]``. OSError if the bus fails."""
        spi = self._bus.take(0)
        self._cs(0)
        try:
            spi.readinto(self._word)
        finally:
            self._cs(1)
        decode(self._word, codes, at)
