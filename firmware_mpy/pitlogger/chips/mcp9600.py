"""MCP9600 and MCP9601, temperature or raw ADC; the configuration is verified at every read.

The chip converts on its own and raises an update flag in its status. A read never waits for it: it takes the registers
as they are, and clears the flag when it is up, without which data were seen to stick at 16.0625 degC (field report,
SOURCES.md section 2). Where nothing new has come for some reads, and until the first conversion after a configuration,
the codes are marked as no answer.

Source: Microchip DS20005426, registers 00h to 06h and 20h; open and short circuit of the MCP9601 from memory.
"""

from micropython import const

_HOT, _COLD, _FAULT = const(0), const(1), const(2)
_NO_ANSWER = const(0x0100)
_BAD_WORD = const(0x0200)

_REG_HOT, _REG_COLD, _REG_ADC = const(0x00), const(0x02), const(0x03)
_REG_STATUS, _REG_SENSOR, _REG_DEVICE, _REG_ID = const(0x04), const(0x05), const(0x06), const(0x20)
_UPDATED = const(0x40)  # status: a conversion is done
_SAID = const(0x30)  # status: short circuit (9601), input out of its range or open circuit (9601)
_RANGE_OR_OPEN = const(0x10)
_OPEN = const(0x01)  # of our own, beside the bit before, if the chip is a 9601
_ID_9600, _ID_9601 = const(0x40), const(0x41)
# 18 bits, cold junction in 1/16 degC, normal mode. The field for burst mode has no effect in this mode (from memory);
# it is not as at power-on, so a chip that lost its supply shows even where all else is as it was.
_DEVICE = const(0x04)
_KINDS = b"\x06\x05\x01\x00\x03\x07\x04\x02"  # type field of the sensor register for B, E, J, K, N, R, S, T
_FRESH_MS = const(2000)  # three conversions and more: 320 ms at 18 bits, 250 ms for the cold junction


def decode(hot, cold, codes, at):
    """Put two or three bytes of hot and two of cold into ``codes[at]`` and the next; return True if their signs fit."""
    code = hot[0] << 8 | hot[1]
    fits = True
    if len(hot) == 2:
        if code & 0x8000:
            code -= 0x10000
    else:
        code = code << 8 | hot[2]
        if code & 0x800000:
            code -= 0x1000000
        fits = -0x20000 <= code < 0x20000  # 18 bits; those above carry the sign on
    codes[at + _HOT] = code
    code = cold[0] << 8 | cold[1]
    if code & 0x8000:
        code -= 0x10000
    codes[at + _COLD] = code
    return fits and -0x1000 <= code < 0x1000


class MCP9600:
    """One chip on a bus (an ``i2c.I2cBus``) at an address from 60h to 67h.

    ``kind`` is the thermocouple type by its place in BEJKNRST; ``raw`` asks for the ADC instead of the temperature;
    ``period_ms`` is the time between reads. ``name`` is what the chip says it is, empty until it was asked.
    """

    def __init__(self, bus, address, kind, raw, period_ms):
        self._bus = bus
        self._at = address
        self._register = _REG_ADC if raw else _REG_HOT
        self._sensor = _KINDS[kind] << 4  # no filter: the host has its own
        # Register and value in one piece: a write in two pieces is put together on the heap first.
        self._set_sensor = bytes((_REG_SENSOR, self._sensor))
        self._set_device = bytes((_REG_DEVICE, _DEVICE))
        self._clear = bytes((_REG_STATUS, 0))
        self._byte = bytearray(1)
        self._hot = bytearray(3 if raw else 2)
        self._cold = bytearray(2)
        self._patience = max(1, _FRESH_MS // period_ms)
        self._stale = self._patience  # reads since something new came
        self._id = 0

    @property
    def name(self):
        """``9600`` or ``9601``, or nothing while that is not known."""
        return {_ID_9600: "9600", _ID_9601: "9601"}.get(self._id, "")

    def configure(self):
        """Ask the chip what it is; if it is one of ours, configure it. OSError if it does not answer."""
        self._id = 0
        try:
            i2c = self._bus.take()
            i2c.readfrom_mem_into(self._at, _REG_ID, self._byte)
            if self._byte[0] not in (_ID_9600, _ID_9601):
                return  # nothing is written to a stranger
            i2c.writeto(self._at, self._set_sensor)
            i2c.writeto(self._at, self._set_device)
            i2c.writeto(self._at, self._clear)
        except OSError as error:
            self._bus.failed(error)
            raise
        self._stale = self._patience
        self._id = self._byte[0]

    def read(self, codes, at):
        """Read hot, cold and fault into ``codes[at]`` to ``codes[at + 2]``. OSError if the bus fails."""
        if not self._id:
            self.configure()
            codes[at + _HOT] = codes[at + _COLD] = 0
            codes[at + _FAULT] = _NO_ANSWER if self._id else _BAD_WORD
            return
        try:
            self._read(codes, at)
        except OSError as error:
            self._bus.failed(error)
            raise

    def _read(self, codes, at):
        i2c, address, byte = self._bus.take(), self._at, self._byte
        i2c.readfrom_mem_into(address, _REG_STATUS, byte)
        fault = byte[0] & _SAID
        if fault & _RANGE_OR_OPEN and self._id == _ID_9601:
            fault |= _OPEN
        # Cleared before the data are read: what is done in between then raises it again, and is not overlooked.
        if byte[0] & _UPDATED:
            i2c.writeto(address, self._clear)
            self._stale = 0
        elif self._stale < self._patience:
            self._stale += 1
        if self._stale == self._patience:
            fault |= _NO_ANSWER
        i2c.readfrom_mem_into(address, self._register, self._hot)
        i2c.readfrom_mem_into(address, _REG_COLD, self._cold)
        if not decode(self._hot, self._cold, codes, at):
            fault |= _BAD_WORD
        i2c.readfrom_mem_into(address, _REG_SENSOR, byte)
        fits = byte[0] == self._sensor
        i2c.readfrom_mem_into(address, _REG_DEVICE, byte)
        if not fits or byte[0] != _DEVICE:
            fault |= _BAD_WORD
            self.configure()  # it lost its supply, and may be another chip now
        codes[at + _FAULT] = fault
