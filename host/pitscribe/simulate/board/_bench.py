"""The line to the bench: one AF_UNIX socket, one request, one reply. The protocol is in README.md beside this file."""

import os
import socket
import struct

_HELLO = 0
_TRANSFER = 1
_I2C = 2
_LINES = 3


class Bench:
    """A connected bench. ``world0_ms`` is where the world stood when the board said hello."""

    def __init__(self, path):
        self._head = bytearray(12)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.connect(struct.pack("<H", socket.AF_UNIX) + path.encode() + b"\0")
        except OSError as error:
            _end("no bench listens at %s (%s)" % (path, error))
        reply = bytearray(16)
        self._ask(_HELLO, 0, b"", reply, 0)
        self.world0_ms, self.utc0_ms = struct.unpack("<QQ", reply)

    def transfer(self, select, written, reply, world_ms):
        """Write ``written`` to the chip whose select pin is low, then fill ``reply``, as of ``world_ms``."""
        self._ask(_TRANSFER, select, written, reply, world_ms)

    def i2c(self, bus, address, written, reply, world_ms):
        """Write ``written`` to a chip, then fill ``reply``; return (whether it did not acknowledge, us it took)."""
        answer = bytearray(5 + len(reply))
        self._ask(_I2C, bus << 7 | address, written, answer, world_ms)
        if reply:
            reply[:] = answer[5:]
        return struct.unpack_from("<BI", answer)

    def lines(self, bus, pulses, world_ms):
        """Clock an I2C bus by hand; return the level of its data line after that."""
        answer = bytearray(1)
        self._ask(_LINES, bus, bytes(pulses), answer, world_ms)
        return answer[0]

    def _ask(self, op, select, written, reply, world_ms):
        struct.pack_into("<BBBBQ", self._head, 0, op, select, len(written), 0 if op == _HELLO else len(reply), world_ms)
        try:
            self._socket.sendall(self._head + written if written else self._head)
            got = self._socket.readinto(reply) if reply else 0
            while got < len(reply):
                more = self._socket.readinto(memoryview(reply)[got:])
                if not more:
                    _end("the bench has gone")
                got += more
        except OSError as error:
            _end("the bench has gone (%s)" % error)


def _end(why):
    """A board without its world cannot go on: this is no fault of the simulated hardware, so it is not an OSError."""
    print("board: " + why)
    raise SystemExit(5)


def connect():
    """Return the bench named by PITSCRIBE_BENCH, or None where there is none (time alone is simulated then)."""
    path = os.getenv("PITSCRIBE_BENCH")
    return Bench(path) if path else None
