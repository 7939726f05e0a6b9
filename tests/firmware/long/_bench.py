"""A bench within the board's own process: MAX31855s that drift and are noisy, and a screen. It stands in front of the
simulated board's module of this name, whose protocol it has; a socket between them would take most of the time of a
run."""

from array import array


class Bench:
    """Every chip is a random walk of its codes about a level (a linear congruential generator: the same each time)."""

    world0_ms = 0
    utc0_ms = 1_764_000_000_000

    def __init__(self):
        self._hot = array("h", bytes(2 * 32))
        self._cold = array("h", bytes(2 * 32))
        self._state = 855

    def transfer(self, select, written, reply, world_ms):
        """Fill ``reply`` with the word of the chip at a select pin."""
        self._state = state = (self._state * 1103515245 + 12345) & 0x7FFFFFFF
        if not state >> 16 & 15:
            self._hot[select] += (state >> 20 & 2) - 1
        if not state >> 24 & 63:
            self._cold[select] += 1 if self._cold[select] < 0 else -1
        hot = 420 + 20 * select + self._hot[select] + (state >> 12 & 1)
        cold = 400 + self._cold[select] + (1 if state >> 8 & 7 == 7 else 0)
        hot &= 0x3FFF
        word = bytes((hot >> 6, hot << 2 & 0xFF, cold >> 4 & 0xFF, cold << 4 & 0xF0))
        for i in range(len(reply)):
            reply[i] = word[i] if i < 4 else 0xFF


    def i2c(self, bus, address, written, reply, world_ms):
        """The only thing on the bus is a screen, which takes all that it is sent."""
        return address != 60, 0

    def lines(self, bus, pulses, world_ms):
        """The data line is free."""
        return 1


def connect():
    """Return the bench."""
    return Bench()
