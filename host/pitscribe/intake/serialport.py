"""A serial port of this machine, as the intake wants one."""

import contextlib

import serial

from pitscribe.intake.usb import PortError

_BAUD = 115200  # USB does not care; an adapter in between might
_READ_S = 0.1
_WRITE_S = 5.0


class SerialPort:
    """A port that is ours alone, raw. Raises PortError if it cannot be had."""

    def __init__(self, name: str) -> None:
        self._name = name
        try:
            self._port = serial.Serial(name, _BAUD, timeout=_READ_S, write_timeout=_WRITE_S, exclusive=True)
        except (OSError, ValueError) as error:  # SerialException is an OSError
            raise PortError(f"{name}: {_reason(error)}") from error

    def read(self) -> bytes:
        """What has come, waiting a tenth of a second for the first byte."""
        try:
            first = self._port.read(1)
            return bytes(first + self._port.read(self._port.in_waiting)) if first else b""
        except (OSError, TypeError) as error:  # TypeError: closed by the driver while it reads
            raise PortError(f"{self._name}: the logger has gone ({_reason(error)})") from error

    def write(self, data: bytes) -> None:
        """Send all of it."""
        try:
            self._port.write(data)
        except serial.SerialTimeoutException as error:
            raise PortError(f"{self._name}: what is there does not read what is sent") from error
        except OSError as error:
            raise PortError(f"{self._name}: the logger has gone ({_reason(error)})") from error

    def close(self) -> None:
        """Give the port back."""
        with contextlib.suppress(OSError):
            self._port.close()


def _reason(error: Exception) -> str:
    number = getattr(error, "errno", None) or next(iter(getattr(error.__context__, "args", ())), None)
    if number == 2:
        return "there is no such port; plug the logger in, and see which port appears"
    if number == 13:
        return "you may not open it; on Debian: be in the group dialout, or use sudo"
    if number in (11, 16):
        return "another program has it open; close that first"
    if number == 25:
        return "it is no serial port"
    return str(error)
