"""``machine.I2C``, wired to the bench."""

import time

from machine import i2c_line


class I2C:
    """One bus. A chip that does not acknowledge is OSError 5; one that holds a line or stretches the clock for longer
    than ``timeout`` us is OSError 110, after that time. A stretch within it takes its time and goes well."""

    def __init__(self, number, scl=None, sda=None, freq=400_000, timeout=50_000):
        if number not in (0, 1):
            raise ValueError("I2C(%s) doesn't exist" % number)
        for pin, is_clock in ((scl, True), (sda, False)):
            if pin is not None and i2c_line(pin.number) != (number, is_clock):
                raise ValueError("bad pin")
        self._number = number
        self._timeout = timeout

    def writeto(self, address, data, stop=True):
        self._transfer(address, data, b"")
        return len(data)

    def readfrom_mem_into(self, address, register, buffer, *, addrsize=8):
        self._transfer(address, bytes((register,)), buffer)

    def _transfer(self, address, written, reply):
        if time.bench is None:
            raise OSError(5)
        failed, waited_us = time.bench.i2c(self._number, address, written, reply, time.world_ms())
        if waited_us:
            time.sleep_us(min(waited_us, self._timeout))
        if failed:
            raise OSError(5)
        if waited_us > self._timeout:
            raise OSError(110)
