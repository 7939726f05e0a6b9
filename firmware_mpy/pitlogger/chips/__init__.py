"""Drivers of the amplifier chips, and the names they have in settings and in the channel table of WIRE.md."""

from micropython import const

from pitlogger.chips.max31855 import MAX31855

# The place is the chip nibble.
CHIPS = ("none", "max31855", "max31856", "max31856-gain8", "max31856-gain32", "mcp9600", "mcp9600-adc")
ON_I2C = CHIPS[5:]
LIMITS = ("cold_high", "cold_low", "hot_high", "hot_low")  # settings of a MAX31856, in the order of its registers
TYPES = "BEJKNRST"  # the place is the type nibble; the MAX31856 has the same order in its CR1

NO_ANSWER = const(0x0100)  # fault: the bus gave an error
BAD_WORD = const(0x0200)  # fault: what came breaks the chip's fixed bits


class Bus:
    """An SPI bus that chips of different clock phase share."""

    def __init__(self, spi, baud):
        self._spi = spi
        self._baud = baud
        self._phase = -1

    def take(self, phase):
        """Return the bus, set to polarity 0 and this phase."""
        if phase != self._phase:
            self._spi.init(baudrate=self._baud, polarity=0, phase=phase)
            self._phase = phase
        return self._spi


def table(channels):
    """Return the channel table of WIRE.md section 2 for a list of channel settings."""
    return bytes(
        CHIPS.index(c["chip"]) << 4 | (TYPES.index(c["tc"]) if c["chip"] != "none" else 0) for c in channels
    )


def driver(channel, bus, cs, mains_hz, average):
    """Return the driver for one channel's settings, or None where there is no chip. What is not on the board is not
    loaded."""
    if channel["chip"] == "none":
        return None
    if channel["chip"] == "max31855":
        return MAX31855(bus, cs)
    from pitlogger.chips import max31856 as made

    limits = tuple(channel[key] for key in LIMITS) if LIMITS[0] in channel else made.WIDE
    mode = (made.LINEAR, made.GAIN8, made.GAIN32)[CHIPS.index(channel["chip"]) - 2]
    return made.MAX31856(bus, cs, TYPES.index(channel["tc"]), mode, mains_hz, average, limits)


def i2c_driver(channel, bus, period_ms):
    """Return the driver for one channel's settings on an I2C bus."""
    from pitlogger.chips.mcp9600 import MCP9600

    return MCP9600(bus, channel["address"], TYPES.index(channel["tc"]), channel["chip"] == ON_I2C[1], period_ms)


class Absent:
    """Stands for a chip whose bus could not be made: it never answers."""

    def configure(self):
        """Nothing can be configured."""

    def read(self, codes, at):
        """Always OSError."""
        raise OSError(19)
