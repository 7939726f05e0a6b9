"""An I2C bus that gets out of what I2C buses get into: a line that a chip holds down, and chips that are not there.

Source for freeing the line: NXP UM10204 (I2C-bus specification), section 3.1.16, bus clear: nine clock pulses.
"""

from micropython import const

FIRST, LAST = const(0x60), const(0x67)  # addresses an MCP9600 can have
TIMEOUT_US = const(5000)  # for one transfer: half a millisecond of bytes, the rest for a chip that stretches the clock
_ID = const(0x20)
_NO_ACK = const(5)  # errno of a chip that does not acknowledge: it is not there, and the bus is well
_TIMED_OUT = const(110)
_PULSES = const(9)
_HALF_US = const(5)
_REST = const(16)  # transfers refused while the line is held: eight chips try it again every second tick


class I2cBus:
    """``make()`` gives a ``machine.I2C``, ``lines()`` its clock and data pins as open-drain outputs, high.

    A logger that was reset in the middle of a read finds the data line held by the chip that it was reading; so the
    bus is cleared at the start, and again when a transfer runs out of time.
    """

    def __init__(self, make, lines, clock):
        self._make = make
        self._lines = lines
        self._clock = clock
        self._refuse = 0
        self._i2c = None
        self._free()

    def take(self):
        """Return the ``machine.I2C``. OSError at once while the line is held, so that no tick waits for it."""
        if self._refuse:
            self._refuse -= 1
            if self._refuse or not self._free():
                raise OSError(_TIMED_OUT)
        return self._i2c

    def failed(self, error):
        """A transfer failed: free the line, unless the chip only did not acknowledge."""
        if error.errno != _NO_ACK and not self._refuse:
            self._free()

    def scan(self):
        """Return the addresses at which an MCP9600 or MCP9601 says what it is.

        It reads the identity: the chip does not acknowledge the empty write that a scan commonly is.
        """
        found = []
        byte = bytearray(1)
        for address in range(FIRST, LAST + 1):
            try:
                self.take().readfrom_mem_into(address, _ID, byte)
            except OSError as error:
                self.failed(error)
                continue
            if byte[0] & 0xFE == 0x40:
                found.append(address)
        return found

    def _free(self):
        """Clock a chip that holds the data line out of what it is saying. Return True if the line is free then."""
        scl, sda = self._lines()
        pause = self._clock.sleep_us
        for _ in range(_PULSES):
            if sda():
                break
            scl(0)
            pause(_HALF_US)
            scl(1)
            pause(_HALF_US)
        free = bool(sda() and scl())
        if free:  # a stop: data rises while the clock is high
            for pin, level in ((scl, 0), (sda, 0), (scl, 1), (sda, 1)):
                pin(level)
                pause(_HALF_US)
        self._i2c = self._make()  # the pins belong to the bus again
        self._refuse = 0 if free else _REST
        return free


def on_board(machine, settings, clock):
    """Return the bus of these settings, its lines free. ValueError if ``machine``, the board's, refuses the pins."""

    def make():
        pins = {name: machine.Pin(settings[name]) for name in ("scl", "sda")}
        return machine.I2C(settings["id"], freq=settings["baud"], timeout=TIMEOUT_US, **pins)

    def lines():
        return [machine.Pin(settings[name], machine.Pin.OPEN_DRAIN, value=1) for name in ("scl", "sda")]

    return I2cBus(make, lines, clock)
