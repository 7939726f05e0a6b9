"""The parts of ``machine`` that the firmware uses, wired to the bench. README.md has the protocol."""

import binascii
import os
import sys
import time

PWRON_RESET = 1
WDT_RESET = 3
_CAUSES = {"power": PWRON_RESET, "watchdog": WDT_RESET}  # as on the RP2040, whose own resets look like the watchdog's

_PRESSED = os.getenv("PITSCRIBE_PRESSED")


def __getattr__(name):
    """What few boards have is loaded when it is asked for: on a real one it is no bytecode and takes no heap."""
    if name == "I2C":
        from _i2c import I2C

        return I2C
    if name == "PWM":
        return _touch().PWM
    raise AttributeError(name)


def _touch():
    import _touch

    return _touch


def i2c_line(pin):
    """Return which I2C line a pin is: (bus, whether it is the clock). The rp2 port has the same two buses."""
    return pin // 2 % 2, pin % 2 == 1


class Pin:
    """A pin. The one that fell last, and is still low, is the chip select of what goes over SPI.

    An input is high but where PITSCRIBE_PRESSED says that its button pulls it to ground.
    """

    PULL_UP = 1
    IN = 0
    OUT = 1
    OPEN_DRAIN = 2
    _selected = None

    def __init__(self, number, mode=IN, pull=None, value=None):
        self.number = number
        self._line = i2c_line(number) if mode == Pin.OPEN_DRAIN else None
        self._level = 1
        self.written = bytearray()
        self.clocked = 0
        if value is not None:
            self(value)

    def __call__(self, level=None):
        if self._line is not None:
            return self._drive(level)
        if level is None:
            return 0 if _PRESSED and _touch().pressed(self.number) else self._level
        if self._level and not level:
            Pin._selected = self
            self.written = bytearray()
            self.clocked = 0
        elif level and not self._level and Pin._selected is self:
            Pin._selected = None
            if self.written and not self.clocked:
                _transfer(self.number, self.written, b"")
        self._level = 1 if level else 0
        return None

    value = __call__

    def _drive(self, level):
        """A line of an I2C bus driven by hand: the bench counts the clock's pulses and has the data line's level."""
        bus, is_clock = self._line
        if level is None:
            if is_clock or time.bench is None:
                return self._level
            return self._level & time.bench.lines(bus, 0, time.world_ms())
        if is_clock and level and not self._level and time.bench is not None:
            time.bench.lines(bus, 1, time.world_ms())
        self._level = 1 if level else 0
        return None


class SPI:
    """One bus. Bytes are collected from the falling edge of the select pin on and sent when something is read, or
    at the rising edge if nothing was. To write after reading under one select is not supported: OSError."""

    MSB = 1

    def __init__(self, number, baudrate=1_000_000, polarity=0, phase=0, sck=None, mosi=None, miso=None):
        self.init(baudrate=baudrate, polarity=polarity, phase=phase)

    def init(self, baudrate=1_000_000, polarity=0, phase=0):
        if not 1 <= baudrate <= 62_500_000:
            raise ValueError("baudrate")

    def write(self, data):
        pin = Pin._selected
        if pin is None:
            return
        if pin.clocked:
            raise OSError(22)
        pin.written.extend(data)

    def readinto(self, buffer, write=0):
        pin = Pin._selected
        if pin is None or time.bench is None:
            for i in range(len(buffer)):
                buffer[i] = 0xFF
            return
        if not pin.clocked:
            _transfer(pin.number, pin.written, buffer)
        else:
            # The chip goes on where it was: ask again for all of it, and take what is new.
            whole = bytearray(pin.clocked + len(buffer))
            _transfer(pin.number, pin.written, whole)
            buffer[:] = whole[pin.clocked :]
        pin.clocked += len(buffer)


def _transfer(select, written, reply):
    if time.bench is not None:
        time.bench.transfer(select, written, reply, time.world_ms())


class RTC:
    """The board's clock. It can be set; nobody looks at it: TLS on this computer goes by the computer's."""

    def datetime(self, to=None):
        if to is not None:
            RTC._set = to
        return getattr(RTC, "_set", None)


class WDT:
    """The watchdog, in virtual time: not fed within the timeout, the process ends with status 4."""

    def __init__(self, id=0, timeout=5000):
        self._timeout = timeout
        time.watch(timeout)

    def feed(self):
        time.watch(self._timeout)


def unique_id():
    return binascii.unhexlify(os.getenv("PITSCRIBE_UNIQUE_ID") or "0000000000000001")


def reset_cause():
    return _CAUSES.get(os.getenv("PITSCRIBE_RESET_CAUSE") or "power", 0)


def reset():
    """The process ends with status 3; who started it may start it again."""
    print("board: reset")
    sys.exit(3)
