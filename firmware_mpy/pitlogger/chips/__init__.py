"""Drivers of the amplifier chips, and the names they have in settings and in the channel table of WIRE.md."""

from micropython import const

from pitlogger.chips.max31855 import MAX31855
from pitlogger.chips.max31856 import GAIN8, GAIN32, LINEAR, MAX31856

CHIPS = ("none", "max31855", "max31856", "max31856-gain8", "max31856-gain32")  # the place is the chip nibble
TYPES = "BEJKNRST"  # the place is the type nibble; the MAX31856 has the same order in its CR1

NO_ANSWER = const(0x0100)  # fault: the bus gave an error
BAD_WORD = const(0x0200)  # fault: what came breaks the chip's fixed bits

_MODES = {"max31856": LINEAR, "max31856-gain8": GAIN8, "max31856-gain32": GAIN32}


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
    """Return the driver for one channel's settings, or None where there is no chip."""
    if channel["chip"] == "none":
        return None
    if channel["chip"] == "max31855":
        return MAX31855(bus, cs)
    return MAX31856(bus, cs, TYPES.index(channel["tc"]), _MODES[channel["chip"]], mains_hz, average)


class Absent:
    """Stands for a chip whose bus could not be made: it never answers."""

    def configure(self):
        """Nothing can be configured."""

    def read(self, codes, at):
        """Always OSError."""
        raise OSError(19)
