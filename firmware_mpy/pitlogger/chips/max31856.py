"""MAX31856 in automatic conversion, linearised or in voltage mode, its configuration verified at every read.

All sixteen registers are read at a time: the first ten must be what was written. A chip that lost its supply and came
back, or one that is not there, so shows at once; it is configured again and has until the next tick to convert.

Limits may be set, beyond which the chip raises b5 to b2 of its status.

Source: Maxim 19-7534, register map. The cold junction offset stays 0: the host corrects.
"""

from micropython import const

LINEAR = const(-1)
GAIN8 = const(8)  # CR1 type field 10xx
GAIN32 = const(12)  # CR1 type field 11xx

_HOT, _COLD, _FAULT = const(0), const(1), const(2)
_BAD_WORD = const(0x0200)
_WRITE = const(0x80)
_CR0_AUTO = const(0x80)
_CR0_OPEN_TEST = const(0x10)  # open-circuit test for a source below 5 kilohms
_CR0_50HZ = const(0x01)
_SETTINGS = const(10)  # registers 00h to 09h hold settings
WIDE = (127, -64, 2048, -2048)  # no limits: as the chip has them at power-on


def conversion_ms(mains_hz, average):
    """Return how long one conversion takes in automatic mode, rounded up. [ms]"""
    if mains_hz == 50:
        return 98 + (average - 1) * 20
    return 82 + ((average - 1) * 1667 + 99) // 100


def limit_registers(limits):
    """Return registers 03h to 08h for cold high and low, hot high and low. [degC]"""
    cold_high, cold_low, hot_high, hot_low = limits
    high = min(hot_high * 16, 0x7FFF)
    low = hot_low * 16
    return bytes(b & 0xFF for b in (cold_high, cold_low, high >> 8, high, low >> 8, low))


def decode(registers, codes, at):
    """Put hot, cold and fault of registers 00h to 0Fh into ``codes[at]`` to ``codes[at + 2]``."""
    cold = registers[10] << 6 | registers[11] >> 2
    hot = registers[12] << 11 | registers[13] << 3 | registers[14] >> 5
    codes[at + _HOT] = hot - 0x80000 if hot & 0x40000 else hot
    codes[at + _COLD] = cold - 0x4000 if cold & 0x2000 else cold
    codes[at + _FAULT] = registers[15]


class MAX31856:
    """One chip on a bus (a ``chips.Bus``) with a select pin that is high at rest.

    ``kind`` is the thermocouple type as CR1 has it (0 B to 7 T); ``mode`` LINEAR, GAIN8 or GAIN32;
    ``limits`` cold high and low, hot high and low in degC.
    """

    def __init__(self, bus, cs, kind, mode, mains_hz, average, limits=WIDE):
        self._bus = bus
        self._cs = cs
        cr0 = _CR0_OPEN_TEST | (_CR0_50HZ if mains_hz == 50 else 0)
        cr1 = (1, 2, 4, 8, 16).index(average) << 4 | (kind if mode == LINEAR else mode)
        # CR0 (not converting: only then may the filter be changed), CR1, fault mask, limits, offset 0
        self._settings = bytes((_WRITE, cr0, cr1, 0xFF)) + limit_registers(limits) + b"\x00"
        self._start = bytes((_WRITE, cr0 | _CR0_AUTO))
        self._address = bytes(1)
        self._registers = bytearray(16)

    def configure(self):
        """Write all settings and start converting. OSError if the bus fails."""
        self._write(self._settings)
        self._write(self._start)

    def read(self, codes, at):
        """Read hot, cold and fault into ``codes[at]`` to ``codes[at + 2]``. OSError if the bus fails."""
        spi = self._bus.take(1)
        self._cs(0)
        try:
            spi.write(self._address)
            spi.readinto(self._registers)
        finally:
            self._cs(1)
        decode(self._registers, codes, at)
        if not self._fits():
            codes[at + _FAULT] |= _BAD_WORD
            self.configure()

    def _fits(self):
        registers = self._registers
        if registers[0] != self._start[1]:
            return False
        for i in range(1, _SETTINGS):
            if registers[i] != self._settings[i + 1]:
                return False
        return True

    def _write(self, data):
        spi = self._bus.take(1)
        self._cs(0)
        try:
            spi.write(data)
        finally:
            self._cs(1)
